"""Forms of the bottom as a layer of an area, and whether they are still those of its depth."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from layers._errors import Finding
from layers.areatoml import drop_layers, parse, put_layer, render
from layers.made import MadeLayer
from layers.madefiles import unused, write_layer
from layers.staging import recovered, staged

if TYPE_CHECKING:
    from layers.model import Area, Landform, Source

_AREA, _STEM = "area.toml", "landforms"
_COMPUTED = "computed by spotmap from "
_HASH = re.compile(r"\(([0-9a-f]{12})\)")
_FIGURES = ("scale_m", "depth_min_m", "depth_max_m", "height_m", "slope_deg", "length_m", "significance")


def write_landforms(folder: Path, area: Area, forms: Sequence[Landform]) -> Path | None:
    """Write forms into an area's folder as a layer, in the place of those computed before; whole or not at all.

    Parameters
    ----------
    folder
        The area's folder. Its area.toml gets a [[layer]] of role "landform", as old as the oldest depth, whose source
        says what depth it was computed from; as it was it is kept as area.toml.before.
    area
        The area as opened from there.
    forms
        What `layers.landforms.landforms` found, local metres.

    Returns
    -------
    Path or None
        The GeoPackage; None where there are no forms, and then no layer either.

    Raises
    ------
    InputError
        The folder cannot be written, or the area would not open. It is as it was.
    """
    from layers.area import open_area  # noqa: PLC0415 - all that opens an area, needed only here

    folder = folder.resolve()
    recovered(folder)
    with staged(folder) as part:
        where, text = f"{folder.name}/{_AREA}", (part / _AREA).read_bytes().decode("utf-8-sig")
        doc = parse(text, where)
        computed = [one for one in area.sources if _is_computed(one)]
        for one in computed:
            (part / one.file).unlink(missing_ok=True)
        old = computed[0].file if computed else ""
        for one in computed[1:] if forms else computed:
            drop_layers(doc, one.file)
        name = old or unused(part, f"{_STEM}.gpkg")
        if forms:
            write_layer(_layer(area, forms), part / name)
            days = [one.as_of for one in area.sources if one.role == "depth" and one.as_of is not None]
            keys = {"role": "landform", "file": name, "as_of": min(days, default=None), "source": _source(area, forms)}
            now = {key: value for key, value in keys.items() if value is not None}
            was = {"source": computed[0].source} if computed else {}
            put_layer(doc, now, old, was)
        written = render(doc, text, where)
        if written != text:
            (part / f"{_AREA}.before").unlink(missing_ok=True)
            (part / _AREA).rename(part / f"{_AREA}.before")
            (part / _AREA).write_bytes(written.encode())
        open_area(part)
    return folder / name if forms else None


def stale(area: Area) -> Finding | None:
    """Return a warning where an area's computed forms are not those of the depth that it has now; None where they are.

    The files of depth, by name and bytes, are compared with what the layer's source says.
    """
    for one in area.sources:
        if _is_computed(one):
            told = _HASH.search(one.source)
            if told is None or told[1] != _depth_hash(area):
                what = "was computed from depth that the area no longer has, or has more of."
                return Finding(f"{one.file} (landform)", what, "Have the bottom's shape computed again.", "warning")
    return None


def _is_computed(source: Source) -> bool:
    return source.role == "landform" and source.source.startswith(_COMPUTED)


def _source(area: Area, forms: Sequence[Landform]) -> str:
    files = ", ".join(one.file for one in area.sources if one.role == "depth")
    scales = ", ".join(f"{one:g} m" for one in sorted({form.scale_m for form in forms}))
    return f"{_COMPUTED}{files} ({_depth_hash(area)}), at {scales}"


def _depth_hash(area: Area) -> str:
    """Return a hash of the names and hashes of all files of depth, in the order of their names."""
    depth = [one for one in area.sources if one.role == "depth"]
    told = sorted(f"{name} {sha256}" for one in depth for name, sha256 in ((one.file, one.sha256), *one.parts))
    return hashlib.sha256("\n".join(told).encode()).hexdigest()[:12]


def _layer(area: Area, forms: Sequence[Landform]) -> MadeLayer:
    shapes = np.empty(len(forms), dtype=object)
    shapes[:] = [area.projection.unproject(form.shape) for form in forms]
    attributes: dict[str, list[object]] = {"name": [one.name for one in forms], "kind": [one.kind for one in forms]}
    attributes |= {key: [round(float(getattr(one, key)), 2) for one in forms] for key in _FIGURES}
    return MadeLayer("landform", _STEM, shapes, attributes, ())
