"""What of an area goes into a GeoPackage: its vector layers as tables, its grids, and every file it is read from."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import cast

from layers._errors import Finding, InputError
from layers._files import files_named
from layers.almanac import parse_zone
from layers.featurefiles import layer_names
from layers.gisstyles import Kind
from layers.layerlist import Entry, Setting, read_entry
from layers.origins import AREA, ORIGINS, read_origins
from layers.tables import Table, raise_all, read_toml
from layers.units import parse_quantity

_TEXT = (".csv", ".txt")
_LEAST = {
    "depth": ("min", "depth_min", "min_depth", "drval1"),
    "elevation": ("max", "depth_max", "max_depth", "drval2"),
}


@dataclass(frozen=True)
class TableOf:
    """A vector layer, and the table that it becomes.

    `least` is how the attribute with the least depth may be called, `factor` the metres of depth that one of it is.
    """

    path: Path
    layer: str
    table: str
    kind: Kind
    where: str
    least: tuple[str, ...] = ()
    factor: float = 1.0


@dataclass(frozen=True)
class GridOf:
    """A grid of depth, the coverage that shows it, and the metres of depth that one of its numbers is."""

    path: Path
    table: str
    values: str
    unit: str
    factor: float


@dataclass(frozen=True)
class PackedArea:
    """What goes in; `files` are paths relative to the folder, in order."""

    name: str
    tables: tuple[TableOf, ...]
    grids: tuple[GridOf, ...]
    files: tuple[str, ...]


def packed_area(folder: Path) -> PackedArea:
    """Return what of an area goes into a GeoPackage; the same area gives the same names.

    Parameters
    ----------
    folder
        The area's folder.

    Raises
    ------
    InputError
        area.toml or what it names is not right, or a grid is read from files outside the folder.
    """
    folder = folder.resolve()
    found: list[Finding] = []
    table = Table(read_toml(folder / AREA), f"{folder.name}/{AREA}", found)
    name, datum = table.text("name"), table.text("depth_datum")
    origins = read_origins(folder)
    setting = Setting(folder, table.reading("timezone", parse_zone, None), datum, origins)
    entries = [entry for one in table.tables("layer") if (entry := read_entry(one, setting, found)) is not None]
    raise_all(one for one in found if one.severity == "error")
    used: dict[str, int] = {}
    tables: dict[tuple[Path, str], TableOf] = {}
    grids: dict[Path, GridOf] = {}
    for entry in entries:
        if entry.role == "depth" and entry.form == "grid":
            if entry.path not in grids:
                grids[entry.path] = GridOf(entry.path, _free("depth", used), entry.values, entry.unit, _factor(entry))
            continue
        for one in _vectors(entry):
            if (one.path, one.layer) not in tables:
                tables[one.path, one.layer] = replace(one, table=_free(one.kind, used))
    needed = {AREA: None} | ({ORIGINS: None} if (folder / ORIGINS).is_file() else {})
    kept = [folder / file.file for origin in origins.origins for file in origin.files if file.kept]
    for path in [*(path for entry in entries for path in _read_from(entry, folder)), *kept]:
        needed |= {one.relative_to(folder).as_posix(): None for one in _with_companions(path)}
    return PackedArea(name, tuple(tables.values()), tuple(grids.values()), tuple(sorted(needed)))


def _vectors(entry: Entry) -> Iterator[TableOf]:
    """Give the vector layers that an entry of area.toml is read from, yet without a table's name."""
    if entry.role in ("tide", "current") or (entry.form == "soundings" and entry.path.suffix.casefold() in _TEXT):
        return
    kind = cast("Kind", f"depth {entry.form}" if entry.role == "depth" else entry.role)
    least: tuple[str, ...] = ()
    if entry.form == "areas":
        key = "min" if entry.values == "depth" else "max"
        least = (entry.columns[key],) if key in entry.columns else _LEAST[entry.values]
    layer = entry.sublayer or layer_names(entry.path, entry.where)[0]
    yield TableOf(entry.path, layer, "", kind, entry.where, least, _factor(entry) if entry.role == "depth" else 1.0)
    for key, path in entry.companions.items():
        where = f"{entry.where}, {key}"
        yield TableOf(path, layer_names(path, where)[0], "", cast("Kind", f"depth {key}"), where)


def _factor(entry: Entry) -> float:
    metres = parse_quantity(f"1 {entry.unit}", "length", entry.where)
    return metres if entry.values == "depth" else -metres


def _free(name: str, used: dict[str, int]) -> str:
    """Return the name of the next table of this kind: "closure", then "closure 2"."""
    used[name] = used.get(name, 0) + 1
    return name if used[name] == 1 else f"{name} {used[name]}"


def _read_from(entry: Entry, folder: Path) -> Iterator[Path]:
    yield entry.path
    yield from entry.companions.values()
    yield from files_named(entry.path, folder)
    if entry.form == "grid":
        import rasterio  # noqa: PLC0415 - an area without grids need not wait for it

        with rasterio.open(entry.path) as dataset:
            files = [Path(file).resolve() for file in dataset.files]
        for file in files:
            if not file.is_relative_to(folder):
                what = f"{entry.path.name} is read from {file.name}, which is not inside the area's folder."
                raise InputError.one(entry.where, what, "Save the grid as a file of its own.")
            if file.is_file():
                yield file


def _with_companions(path: Path) -> Iterator[Path]:
    """Give a file and those beside it that GDAL reads with it: a Shapefile's parts, a world file, an open journal."""
    for one in path.parent.iterdir():
        beside = one.name.startswith(f"{path.stem}.") or one.name in (f"{path.name}-wal", f"{path.name}-journal")
        if (one == path or beside) and one.is_file():
            yield one
