"""Made layers as files: GeoPackage for what a chart gives in bulk, GeoJSON for what a person reads and edits.

The same layer gives the same bytes, whatever the day.
"""

from __future__ import annotations

import json
import re
import unicodedata
from collections.abc import Mapping, Sequence
from datetime import date
from itertools import count
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import shapely

from layers._errors import InputError
from layers.featurefiles import fixed_day
from layers.features import ATTRIBUTES
from layers.made import MadeLayer

if TYPE_CHECKING:
    from layers.model import Role

_BY_HAND = ("closure", "ground", "mark")
"""Roles that a person reads and edits."""
_NUMBERS = frozenset({"depth", "depth_m", "drval1", "drval2", "margin_m", "uncertainty", "valdco"})
"""Attributes that are numbers even where no feature has one."""
_LONGEST_NAME = 80
_RESERVED = re.compile(r"(con|prn|aux|nul|com\d|lpt\d|area\.toml|origins\.toml|originals)(\.|$)", re.IGNORECASE)


def suffix_of(role: Role | None) -> str:
    """Return the suffix of a made vector layer's file."""
    return ".geojson" if role in _BY_HAND else ".gpkg"


def plain_name(name: str, fallback: str = "layer") -> str:
    """Return a name from data as one that is safe as a file's: no path, no control characters, not too long.

    >>> plain_name("../../etc/pass wd")
    'etc-pass-wd'
    >>> plain_name("US5MA11M.000")
    'US5MA11M.000'
    """
    text = re.sub(r"[^\w.+-]+", "-", unicodedata.normalize("NFC", name))
    text = re.sub(r"\.{2,}", ".", text).lstrip(".-").rstrip(".-")
    stem, dot, suffix = text.rpartition(".")
    suffix = dot + suffix if stem and len(suffix) <= 8 else ""  # noqa: PLR2004 - longer is no suffix but a name with a dot
    stem = text.removesuffix(suffix) if suffix else text
    stem = stem.encode()[: _LONGEST_NAME - len(suffix.encode())].decode(errors="ignore")
    whole = (stem or fallback) + suffix
    return f"{fallback}-{whole}" if _RESERVED.match(whole) else whole


def unused(folder: Path, name: str) -> str:
    """Return a name that no file of the folder has, in any case: the name itself, or with -2, … before its suffix."""
    taken = {one.name.casefold() for one in folder.iterdir()} if folder.is_dir() else set()
    path = Path(name)
    names = (name if i == 1 else f"{path.stem}-{i}{path.suffix}" for i in count(1))
    return next(one for one in names if one.casefold() not in taken)


def write_layer(layer: MadeLayer, path: Path) -> None:
    """Write a vector layer; the path's suffix says as what.

    Parameters
    ----------
    layer
        Geometry in WGS 84 longitude and latitude. Attributes are None, bool, int, float, text, dates or lists of
        texts; numbers and texts do not mix in one.
    path
        A .geojson (RFC 7946, every coordinate to its last digit, with all that the role's features may say, empty
        where the layer does not say it) or a .gpkg of one layer named as the file's stem. There is no such file yet.

    Raises
    ------
    InputError
        The file cannot be written, as when the disk is full.
    ValueError
        An attribute has not one value a feature, or mixes numbers and texts.
    """
    for name, values in layer.attributes.items():
        if len(values) != len(layer.geometry):
            raise ValueError(f"{layer.name}: {len(values)} values of {name} for {len(layer.geometry)} features")
    columns = {name: [_plain(value) for value in values] for name, values in layer.attributes.items()}
    if path.suffix == ".geojson":
        path.write_text(_geojson(layer, columns), encoding="utf-8", newline="\n")
    else:
        _write_geopackage(layer.geometry, columns, path)


def _plain(value: Any) -> Any:
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, tuple | list | frozenset | set):
        parts = sorted(value) if isinstance(value, frozenset | set) else value
        return ",".join(str(part) for part in parts)
    if isinstance(value, date):
        return value.isoformat()
    return None if isinstance(value, float) and not np.isfinite(value) else value


def _geojson(layer: MadeLayer, columns: Mapping[str, list[Any]]) -> str:
    known = [
        name for name in ATTRIBUTES.get(layer.role or "", ()) if not (layer.role == "ground" and name == "forbids")
    ]
    names = [*known, *(name for name in columns if name not in known)]
    shapes = shapely.orient_polygons(layer.geometry)
    features = []
    for i, shape in enumerate(shapes):
        said = {name: columns[name][i] if name in columns else None for name in names}
        # allow_nan: what is not finite would be no JSON
        geometry = json.dumps(None if shape is None else shapely.geometry.mapping(shape), allow_nan=False)
        properties = json.dumps(said, ensure_ascii=False, allow_nan=False)
        features.append(f'{{"type": "Feature",\n "properties": {properties},\n "geometry": {geometry}}}')
    return '{"type": "FeatureCollection", "features": [\n' + ",\n".join(features) + "\n]}\n"


def _write_geopackage(geometry: npt.NDArray[np.object_], columns: Mapping[str, list[Any]], path: Path) -> None:
    from pyogrio import raw, read_info  # noqa: PLC0415 - only what writes needs it
    from pyogrio.errors import DataLayerError, DataSourceError, FeatureError, FieldError, GeometryError  # noqa: PLC0415

    arrays = [_array(name, values) for name, values in columns.items()]
    kind, promote = _geometry_type(geometry)
    try:
        with fixed_day():
            raw.write(
                path,
                shapely.to_wkb(geometry, output_dimension=3),
                [values for values, _ in arrays],
                np.array(list(columns), dtype=object),
                field_mask=[mask for _, mask in arrays],
                layer=path.stem,
                driver="GPKG",
                geometry_type=kind,
                promote_to_multi=promote,
                crs="EPSG:4326",
            )
        written = int(read_info(path, layer=path.stem, force_feature_count=True)["features"])
    except (DataLayerError, DataSourceError, FeatureError, FieldError, GeometryError) as error:
        raise _unwritten(path, str(error)) from error
    if written != len(geometry):
        raise _unwritten(path, f"{written} of {len(geometry)} features reached the file")


def _unwritten(path: Path, why: str) -> InputError:
    return InputError.one(path.name, f"cannot be written: {why}.", "Free the disk, or write the area elsewhere.")


def _array(name: str, values: Sequence[Any]) -> tuple[npt.NDArray[Any], npt.NDArray[np.bool_] | None]:
    """Return a column as GDAL takes it, and where it is null."""
    null = np.array([value is None for value in values], dtype=bool)
    kinds = {type(value) for value in values} - {type(None)}
    if kinds == {bool}:
        return np.array([value is True for value in values], dtype=bool), null
    if kinds == {int} and name.casefold() not in _NUMBERS:
        return np.array([value or 0 for value in values], dtype=np.int64), null
    if (kinds and kinds <= {int, float}) or (not kinds and name.casefold() in _NUMBERS):
        return np.array([np.nan if value is None else float(value) for value in values], dtype=np.float64), null
    if kinds <= {str}:
        return np.array(values, dtype=object), None
    raise ValueError(f"{name}: values of {', '.join(sorted(kind.__name__ for kind in kinds))} in one attribute")


def _geometry_type(geometry: npt.NDArray[np.object_]) -> tuple[str, bool]:
    """Return the type that a layer declares, and whether single shapes become multiple ones for it."""
    high = shapely.has_z(geometry)
    names = {shape.geom_type for shape in geometry if shape is not None}
    plural = {name if name.startswith("Multi") else f"Multi{name}" for name in names}
    if not names or len(plural) > 1 or "GeometryCollection" in names or (high.any() and not high.all()):
        return "Unknown", False
    name = names.pop() if len(names) == 1 else plural.pop()
    return (f"{name} Z" if high.any() else name), name.startswith("Multi")
