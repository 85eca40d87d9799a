"""Plumbing shared by the forms of depth: reading features and tables, and keeping shapes of one kind."""

from __future__ import annotations

import csv
import warnings
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import pyogrio
import pyogrio.errors
import pyogrio.raw
import pyproj
import shapely
from shapely import GeometryType, MultiLineString, MultiPolygon

from layers._errors import InputError
from layers.units import parse_quantity

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

    from shapely.geometry.base import BaseGeometry

    from layers.model import Bounds, FloatArray
    from layers.projection import LocalProjection

LISTED_WITHIN_M = 0.1
"""Metric charts cut fathom and foot contours to 0.1 m, so a listed value may be this much shallower."""
_ROUNDING_M = 1e-6
_SAME_LINE_M = 0.1
_JOIN_M = 0.25
"""Charts' lines and areas of one depth differ by centimetres once their edges are bent and joined."""
CONTOUR_NAMES = ("depth", "depth_m", "valdco", "contour", "elevation", "elev", "z")
_SURFACE = 2  # a polygon's dimension
_LEAST_AREA_M2 = 0.01
_LONGEST_LON_DEG, _LONGEST_LAT_DEG = 360.0, 90.0
_NAMES = {"lon": ("lon", "longitude", "long"), "lat": ("lat", "latitude")}


@dataclass(frozen=True)
class Features:
    """A vector file in its own coordinates; attribute names are folded to lower case."""

    geometry: npt.NDArray[np.object_]
    fields: Mapping[str, npt.NDArray[Any]]
    crs: pyproj.CRS
    where: str

    def numbers(self, key: str, names: Sequence[str], columns: Mapping[str, str] | None) -> FloatArray | None:
        """Return the attribute that `columns` or else one of the default `names` names; None for no default.

        Missing values are NaN.
        """
        wanted = (columns or {}).get(key)
        found = [n for n in ([wanted.casefold()] if wanted else names) if n in self.fields]
        if not found:
            if wanted is None:
                return None
            raise self.lacks(key, [wanted])
        raw = self.fields[found[0]]
        try:
            return np.array([np.nan if v is None else v for v in raw.tolist()], dtype=np.float64)
        except (TypeError, ValueError):
            bad = next(i for i, v in enumerate(raw.tolist()) if v is not None and not _is_number(v))
            raise InputError.one(
                f"{self.where}, feature {bad + 1}",
                f"{found[0]} is {raw[bad]!r}, which is no number.",
                "Write plain numbers in the layer's unit.",
            ) from None

    def lacks(self, key: str, names: Sequence[str]) -> InputError:
        """Return the error for an attribute that is not there."""
        return InputError.one(
            self.where,
            f"no attribute {' or '.join(names)}; the file has {', '.join(self.fields) or 'none'}.",
            f'Name the attribute that holds it: columns = {{ {key} = "..." }}.',
        )

    def project(self, geometry: npt.NDArray[np.object_], projection: LocalProjection) -> Any:
        """Return geometry of this file in local metres."""
        try:
            return projection.project(geometry, self.crs)
        except ValueError as error:
            raise InputError.one(self.where, f"{error}.", "Split the geometry or correct its longitudes.") from None


def depth_factor(values: str, unit: str, where: str) -> float:
    """Return what turns a number of a layer into metres of depth: metres a unit, negative for elevation."""
    signs = {"depth": 1.0, "elevation": -1.0}
    if values not in signs:
        raise InputError.one(f"{where}, values", f'"{values}" is not allowed.', 'Write "depth" or "elevation".')
    return signs[values] * parse_quantity(f"1 {unit}", "length", f"{where}, unit")


def read_features(file: Path, where: str, kinds: Sequence[int], kind_words: str) -> Features:
    """Return the one layer of a vector file, checked for a CRS and for geometry of the types `kinds`."""
    try:
        names = pyogrio.list_layers(file)[:, 0].tolist()
        if len(names) != 1:
            raise InputError.one(
                where,
                f"{file.name} holds {len(names)} layers: {', '.join(map(str, names))}.",
                "Save the layer that is meant as a file of its own.",
            )
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", RuntimeWarning)  # GDAL's remarks; what matters is checked below
            meta, _, wkb, data = pyogrio.raw.read(file)
        geometry = shapely.from_wkb(wkb)
    except (pyogrio.errors.DataSourceError, pyogrio.errors.DataLayerError, shapely.GEOSException) as error:
        raise InputError.one(
            where,
            f"{file.name} cannot be read: {error}.",
            "Check that the file is there and whole.",
        ) from None
    if meta["crs"] is None:
        raise InputError.one(where, f"{file.name} has no coordinate system.", "Save it with its CRS.")
    crs = pyproj.CRS.from_user_input(meta["crs"])
    if not len(geometry):
        raise InputError.one(where, f"{file.name} holds no features.", "Give a file that holds depth.")
    _check_geometry(geometry, kinds, kind_words, where)
    if crs.is_geographic:
        lon, lat = shapely.get_coordinates(geometry).T
        _check_degrees(lon, lat, where)
    fields = {str(name).casefold(): column for name, column in zip(meta["fields"], data, strict=True)}
    return Features(geometry, fields, crs, where)


def read_lonlat_table(
    file: Path, where: str, columns: Mapping[str, str] | None, depth_names: Sequence[str] = ()
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return longitude, latitude and, where `depth_names` are given, depth of a CSV table, unchanged."""
    try:
        with file.open(newline="", encoding="utf-8-sig") as stream:
            head = stream.readline()
            delimiter = max(",;\t", key=head.count)
            names = [name.strip().casefold() for name in next(csv.reader([head], delimiter=delimiter), [])]
            rows = [row for row in csv.reader(stream, delimiter=delimiter) if any(map(str.strip, row))]
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise InputError.one(where, f"{file.name} cannot be read: {error}.", "Give a CSV text in UTF-8.") from None
    wanted = {**_NAMES, "depth": tuple(depth_names)} if depth_names else _NAMES
    places = {key: _column(key, defaults, names, columns, where) for key, defaults in wanted.items()}
    if not rows:
        raise InputError.one(where, f"{file.name} holds no rows.", "Give a file that holds depth.")
    try:
        table = np.array([[row[i] for i in places.values()] for row in rows], dtype=np.float64)
        bad = int(np.argmin(np.isfinite(table).all(axis=1)))
        if not np.isfinite(table[bad]).all():
            raise ValueError  # noqa: TRY301 -- the same finding as for text that is no number
    except (ValueError, IndexError):
        bad = next(n for n, row in enumerate(rows) if not _is_row(row, tuple(places.values())))
        raise InputError.one(
            f"{where}, row {bad + 1} after the header",
            f"{delimiter.join(rows[bad])!r} lacks a number for {', '.join(places)}.",
            "Complete the row or take it out.",
        ) from None
    lon, lat = table[:, 0], table[:, 1]
    _check_degrees(lon, lat, where)
    return lon, lat, table[:, 2] if depth_names else np.empty(0)


def lonlat_box(lon: FloatArray, lat: FloatArray) -> FloatArray:
    """Return (n, 2) points round the box of positions, the shorter way over ±180°; lon may exceed 180."""
    turn = np.exp(1j * np.radians(lon)).mean()
    middle = float(np.degrees(np.angle(turn)))
    east = (lon - middle + 180.0) % 360.0 - 180.0
    box = shapely.box(middle + east.min(), lat.min(), middle + east.max(), lat.max())
    step = max(float(np.ptp(east)), float(np.ptp(lat))) / 8 or 1.0
    return np.asarray(shapely.get_coordinates(shapely.segmentize(box, step)))[:-1]


def to_wgs84(crs: pyproj.CRS, x: FloatArray, y: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return longitude and latitude of coordinates in `crs`."""
    return pyproj.Transformer.from_crs(crs, "EPSG:4326", always_xy=True).transform(x, y)


def listed_value(listed: FloatArray, depth_m: float) -> float | None:
    """Return the deepest listed value at most `LISTED_WITHIN_M` shallower than a depth, or None."""
    near = listed[(listed >= depth_m - LISTED_WITHIN_M - _ROUNDING_M) & (listed <= depth_m + _ROUNDING_M)]
    return float(near.max()) if len(near) else None


def as_polygons(geometry: BaseGeometry, within: Bounds | None = None) -> MultiPolygon:
    """Return the polygons of some area in any geometry, valid, clipped to a box."""
    if not shapely.is_valid(geometry):
        geometry = shapely.make_valid(geometry)
    if within is not None:
        geometry = shapely.intersection(geometry, shapely.box(*within))
    parts = _flat(geometry)
    parts = parts[(shapely.get_dimensions(parts) == _SURFACE) & (shapely.area(parts) > _LEAST_AREA_M2)]
    return MultiPolygon(list(parts))


def as_lines(geometry: BaseGeometry, within: Bounds | None = None) -> MultiLineString:
    """Return the lines in any geometry, joined end to end, clipped to a box."""
    if within is not None:
        geometry = shapely.intersection(geometry, shapely.box(*within))
    parts = _flat(geometry)
    parts = parts[(shapely.get_dimensions(parts) == 1) & (shapely.length(parts) > 0)]
    return MultiLineString(list(shapely.get_parts(shapely.line_merge(shapely.multilinestrings(parts)))))


def _flat(geometry: BaseGeometry) -> npt.NDArray[np.object_]:
    # A collection may hold collections that hold multi-part geometry.
    return np.asarray(shapely.get_parts(shapely.get_parts(shapely.get_parts(geometry))))


def _check_geometry(geometry: npt.NDArray[np.object_], kinds: Sequence[int], kind_words: str, where: str) -> None:
    empty = shapely.is_missing(geometry) | shapely.is_empty(geometry)
    wrong = empty | ~np.isin(shapely.get_type_id(geometry), kinds)
    wrong |= ~np.isfinite(shapely.bounds(geometry)).all(axis=1)
    if wrong.any():
        first = int(np.argmax(wrong))
        found = "no geometry" if empty[first] else geometry[first].geom_type
        raise InputError.one(
            f"{where}, feature {first + 1}",
            f"{found} where {kind_words} are wanted ({int(wrong.sum())} such in the file).",
            "Correct or remove what is wrong.",
        )


def _check_degrees(lon: FloatArray, lat: FloatArray, where: str) -> None:
    wrong = (np.abs(lat) > _LONGEST_LAT_DEG) | (np.abs(lon) > _LONGEST_LON_DEG)
    if wrong.any():
        first = int(np.argmax(wrong))
        raise InputError.one(
            where,
            f"longitude {lon[first]:g}, latitude {lat[first]:g} is not on the earth.",
            "Check whether longitude and latitude are swapped.",
        )


def _column(
    key: str, defaults: Sequence[str], names: Sequence[str], columns: Mapping[str, str] | None, where: str
) -> int:
    wanted = (columns or {}).get(key)
    allowed = [wanted.casefold()] if wanted else list(defaults)
    for name in allowed:
        if name in names:
            return names.index(name)
    raise InputError.one(
        where,
        f"no column {' or '.join(allowed)}; the header has {', '.join(names) or 'none'}.",
        f'Rename a column, or name it: columns = {{ {key} = "..." }}.',
    )


def _is_row(row: Sequence[str], places: Sequence[int]) -> bool:
    return all(i < len(row) and _is_number(row[i]) and np.isfinite(float(row[i])) for i in places)


def _is_number(value: object) -> bool:
    try:
        float(value)  # type: ignore[arg-type]
    except (TypeError, ValueError):
        return False
    return True


def with_line(kept: MultiLineString, line: BaseGeometry) -> MultiLineString:
    """Add a layer's line to those kept before, once where it is the same, and joined where the say changes."""
    if not kept.is_empty:
        line = shapely.difference(line, shapely.buffer(kept, _SAME_LINE_M))
    parts = shapely.get_parts(as_lines(line))
    parts = parts[shapely.length(parts) > _JOIN_M]  # shorter ones are left by the edges' hair of tolerance
    if not kept.is_empty:
        parts = shapely.snap(parts, kept, _JOIN_M)
    return as_lines(shapely.multilinestrings(np.concatenate([shapely.get_parts(kept), parts])))


@dataclass(frozen=True)
class DrawnLines:
    """Lines in local metres, each drawn at a depth; `reach_m` is how deep the areas go that they are drawn through."""

    lines: npt.NDArray[np.object_]
    depth_m: FloatArray
    reach_m: FloatArray | None = None

    def at(self, depth_m: float) -> BaseGeometry:
        """Return what is drawn at exactly this depth."""
        return shapely.union_all(self.lines[self.depth_m == depth_m])


def read_drawn_lines(file: Path, projection: LocalProjection, factor: float, where: str) -> DrawnLines:
    """Return the lines of a vector file with their depths; `factor` turns these into metres of depth.

    Raises
    ------
    InputError
        The file cannot be read, has no CRS, holds no lines, or a line is without a depth.
    """
    features = read_features(file, where, (GeometryType.LINESTRING, GeometryType.MULTILINESTRING), "lines")
    listed = features.numbers("depth", CONTOUR_NAMES, None)
    if listed is None:
        raise features.lacks("depth", CONTOUR_NAMES)
    if not np.isfinite(listed).all():
        raise InputError.one(
            f"{where}, feature {int(np.argmax(~np.isfinite(listed))) + 1}", "it has no depth.", "Give it one."
        )
    return DrawnLines(features.project(features.geometry, projection), listed * factor)
