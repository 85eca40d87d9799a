"""Vector layers: closures, grounds, hazards, lanes, marks and land, read, checked and repaired.

Nothing is dropped: a feature becomes a thing of the area or an error that names it.
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, cast

import numpy as np
import numpy.typing as npt
import pyogrio
import pyproj
import shapely
from pyogrio import raw
from pyogrio.errors import DataLayerError, DataSourceError, FieldError
from shapely import GeometryType

from layers._errors import Finding, InputError
from layers.features import (
    ATTRIBUTES,
    FeatureTable,
    VectorFile,
    attribute_findings,
    did_you_mean,
    things,
)
from layers.projection import wide_edges
from layers.repair import repaired

if TYPE_CHECKING:
    from collections.abc import Sequence

    from shapely.geometry.base import BaseGeometry

    from layers.model import Bounds, Caution, Hazard, Landform, Lane, Mark, Rule, Shore
    from layers.projection import LocalProjection

Geometries = npt.NDArray[np.object_]

_POINT = (GeometryType.POINT,)
_LINE = (GeometryType.LINESTRING, GeometryType.MULTILINESTRING)
_POLYGON = (GeometryType.POLYGON, GeometryType.MULTIPOLYGON)
_GEOMETRY: dict[str, tuple[tuple[GeometryType, ...], str]] = {
    "land": (_POLYGON, "polygons"),
    "closure": (_POLYGON, "polygons"),
    "ground": (_POLYGON, "polygons"),
    "hazard": ((*_POINT, GeometryType.MULTIPOINT, *_LINE, *_POLYGON), "points, lines or polygons"),
    "lane": ((*_LINE, *_POLYGON), "lines or polygons"),
    "caution": ((*_POINT, GeometryType.MULTIPOINT, *_LINE, *_POLYGON), "points, lines or polygons"),
    "mark": (_POINT, "points"),
    "landform": ((*_LINE, *_POLYGON), "lines or polygons"),
}
_KINDS = {
    "land": "land",
    "hazard": "hazards",
    "lane": "lanes",
    "caution": "cautions",
    "mark": "marks",
    "landform": "landforms",
}
_HARMLESS = ("Non closed ring", "Several features with id", "Measured (M)")
_MOST_LAT_DEG, _MOST_LON_DEG = 90.0, 360.0
MOST_FEATURES = 50_000
"""More closures, hazards or marks are no area's: they would only fill the memory."""
LEAST_FEATURE_BYTES = 40
MOST_TEXT_BYTES = 100_000_000
"""Text is gone through to count what is in it, and one feature takes up to eight times its text of memory."""
_TEXT = (".geojson", ".json", ".kml", ".gml", ".gpx")


@dataclass(frozen=True)
class Vectors:
    """What one file gave, in local metres; of the things, only those of its role."""

    rules: tuple[Rule, ...] = ()
    hazards: tuple[Hazard, ...] = ()
    lanes: tuple[Lane, ...] = ()
    cautions: tuple[Caution, ...] = ()
    marks: tuple[Mark, ...] = ()
    landforms: tuple[Landform, ...] = ()
    land: tuple[Shore, ...] = ()
    warnings: tuple[Finding, ...] = ()


def read_vectors(file: VectorFile, projection: LocalProjection, depth_bounds: Bounds | None = None) -> Vectors:
    """Return the things that a vector file holds.

    Parameters
    ----------
    file
        The file and what it is.
    projection
        The area's local metres.
    depth_bounds
        The box of known depth in local metres; a layer that lies off it, and on it once latitude and longitude
        are swapped, is an error.

    Returns
    -------
    Vectors
        The things and the warnings.

    Raises
    ------
    InputError
        The file cannot be read, has no coordinate system, or holds a feature that cannot be understood or
        repaired to the safe side; all at once.
    """
    table = _read(file)
    found = things(table, _shapes(table, projection, depth_bounds))
    errors = [finding for finding in table.findings if finding.severity == "error"]
    if errors:
        raise InputError(errors)
    kind = _KINDS.get(file.role, "rules")
    return Vectors(**{kind: tuple(found)}, warnings=tuple(table.findings))


def _read(file: VectorFile) -> FeatureTable:
    size = file.path.stat().st_size
    if file.path.suffix.casefold() in _TEXT and size > MOST_TEXT_BYTES:
        found = f"{file.path.name} has {size / 1e6:.0f} MB; at most {MOST_TEXT_BYTES / 1e6:.0f} MB are read."
        raise InputError.one(file.where, found, "Cut it to the area, or save it as a GeoPackage.")
    try:
        names = [str(name) for name in pyogrio.list_layers(file.path)[:, 0]]
        sublayer = _sublayer(names, file)
        # a small file cannot hold so many, and need not be gone through twice
        few = size < LEAST_FEATURE_BYTES * MOST_FEATURES
        count = 0 if few else pyogrio.read_info(file.path, layer=sublayer, force_feature_count=True)["features"]
        if count > MOST_FEATURES:
            found = f"{file.path.name} holds {count:,} features; at most {MOST_FEATURES:,} are read."
            raise InputError.one(file.where, found, "Cut it to the area.")
        with warnings.catch_warnings(record=True) as remarks:
            warnings.simplefilter("always")
            # Dates as text: MM-DD has no year, and all are read in one place.
            meta, _, wkb, data = raw.read(file.path, layer=sublayer, datetime_as_string=True)
        geometry = shapely.from_wkb(wkb, on_invalid="fix")
    except (DataSourceError, DataLayerError, FieldError, shapely.GEOSException) as error:
        found = f"{file.path.name} cannot be read as a vector layer: {error}."
        raise InputError.one(file.where, found, "Give a whole GeoJSON, GeoPackage or Shapefile.") from None
    if meta["crs"] is None:
        remedy = "Save it with its coordinate system (a Shapefile needs its .prj file)."
        raise InputError.one(file.where, f"{file.path.name} does not say its coordinate system.", remedy)
    table = FeatureTable(file, np.asarray(geometry, dtype=object), {}, str(meta["crs"]))
    fields = [str(name) for name in meta["fields"]]
    table.findings += attribute_findings(fields, file)
    known = {name.casefold(): i for i, name in enumerate(fields) if name.casefold() in ATTRIBUTES[file.role]}
    table.columns = {name: data[i].tolist() for name, i in known.items()}
    table.findings += [_remark(str(remark.message), file) for remark in remarks]
    if not len(geometry):
        found = f"{file.path.name} holds no features."
        table.findings.append(Finding(file.where, found, "Check that this is the right file.", "warning"))
    return table


def _sublayer(names: Sequence[str], file: VectorFile) -> str:
    if file.sublayer in names:
        return cast("str", file.sublayer)
    listed = ", ".join(f"'{name}'" for name in names) or "none"
    if file.sublayer is not None:
        found = f"{file.path.name} has no layer '{file.sublayer}'; it has {listed}."
        raise InputError.one(file.where, found, did_you_mean(file.sublayer, names) or "Name one of them.")
    if len(names) != 1:
        found = f"{file.path.name} holds {len(names)} layers: {listed}."
        raise InputError.one(file.where, found, 'Say which is meant: layer = "…".')
    return names[0]


def _remark(message: str, file: VectorFile) -> Finding:
    # What GDAL could not take in may be what closes the water.
    grave = file.role in ("closure", "ground") and not message.startswith(_HARMLESS)
    found = f"{file.path.name}: {message.partition('. ')[0].rstrip('.')}."
    return Finding(file.where, found, "Mend the file.", "error" if grave else "warning")


def _shapes(table: FeatureTable, projection: LocalProjection, depth_bounds: Bounds | None) -> list[BaseGeometry | None]:
    """Return each feature's shape in local metres, None where it has an error."""
    crs = pyproj.CRS.from_user_input(table.crs)
    geometry = shapely.force_2d(table.geometry)
    sound = _sound(table, geometry)
    if crs.is_geographic:
        sound &= _on_earth(table, geometry, sound)
    at = np.flatnonzero(sound)
    whole = _repair(table, geometry[at], at)
    try:
        local = projection.project(whole, None if table.crs in ("EPSG:4326", "OGC:CRS84") else crs)
    except pyproj.exceptions.ProjError as error:
        found = f"coordinates in {crs.name} cannot be turned into positions: {error}."
        table.findings.append(Finding(table.file.where, found, "Save the layer in WGS 84 (EPSG:4326)."))
        return [None] * len(geometry)
    for i in at[~_finite(local)].tolist():
        table.note(i, "its coordinates do not lie on the earth.", f"Check that they are in {crs.name}.")
    local[~_finite(local)] = None
    # Bent edges may touch where straight ones ran close by.
    local = _repair(table, local, at)
    if depth_bounds is not None and crs.is_geographic and len(at):
        _check_order(table, geometry[at], projection, depth_bounds)
    shapes: list[BaseGeometry | None] = [None] * len(geometry)
    for i, shape in zip(at, local, strict=True):
        shapes[i] = None if shape is None or shape.is_empty else shape
    return shapes


def _sound(table: FeatureTable, geometry: Geometries) -> npt.NDArray[np.bool_]:
    allowed, words = _GEOMETRY[table.file.role]
    kinds = shapely.get_type_id(geometry)
    missing = shapely.is_missing(geometry) | shapely.is_empty(geometry)
    finite = _finite(geometry) | missing
    fits = np.isin(kinds, [int(kind) for kind in allowed]) | missing
    flat = np.isin(kinds, [int(kind) for kind in _LINE]) & finite & ~missing
    flat[flat] = shapely.length(geometry[flat]) == 0
    for i in np.flatnonzero(missing).tolist():
        table.note(i, "has no geometry, or geometry too broken to read.", "Draw it or delete the feature.")
    for i in np.flatnonzero(~finite).tolist():
        table.note(i, "has coordinates that are not finite numbers.", "Draw it again.")
    for i in np.flatnonzero(~fits).tolist():
        found = f"is a {geometry[i].geom_type}, and a {table.file.role} layer takes {words}."
        table.note(i, found, "Draw it so, or put it into a layer of another role.")
    for i in np.flatnonzero(flat).tolist():
        table.note(i, "is a line without length.", "Draw it again or delete the feature.")
    return np.asarray(~missing & finite & fits & ~flat)


def _finite(geometry: Geometries) -> npt.NDArray[np.bool_]:
    xy, owner = shapely.get_coordinates(geometry, return_index=True)
    finite = np.ones(len(geometry), dtype=bool)
    finite[owner[~np.isfinite(xy).all(axis=1)]] = False
    return finite


def _on_earth(table: FeatureTable, geometry: Geometries, sound: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    west, south, east, north = np.where(sound[:, None], shapely.bounds(geometry), 0.0).T
    lat, lon = np.maximum(-south, north), np.maximum(-west, east)
    high, far = lat > _MOST_LAT_DEG, lon > _MOST_LON_DEG
    wide = np.zeros(len(geometry), dtype=bool)
    wide[sound] = wide_edges(geometry[sound])
    for i in np.flatnonzero(high | far).tolist():
        swap = "Longitude comes first in GeoJSON: swap the two?" if lon[i] <= _MOST_LAT_DEG else "Draw it again."
        axis, value = ("latitude", lat[i]) if high[i] else ("longitude", lon[i])
        table.note(i, f"has a {axis} of {value:g}°, which is not on the earth.", swap)
    for i in np.flatnonzero(wide & ~high & ~far).tolist():
        found = "has an edge of 180° of longitude or more, which may go either way round the earth."
        table.note(i, found, "Cut it at the 180th meridian, or add points along the edge.")
    return np.asarray(~high & ~far & ~wide)


def _repair(table: FeatureTable, geometry: Geometries, at: npt.NDArray[np.intp]) -> Geometries:
    areal = np.isin(shapely.get_type_id(geometry), [int(kind) for kind in _POLYGON])
    to: Literal["larger", "smaller"] = "smaller" if table.file.role == "ground" else "larger"
    fixed, changed = repaired(geometry[areal], to)
    whole = geometry.copy()
    whole[areal] = fixed
    reasons = shapely.is_valid_reason(geometry[areal][changed])
    for i, shape, why in zip(at[areal][changed].tolist(), fixed[changed], reasons, strict=True):
        reason = why.partition("[")[0].lower()
        if shape.is_empty:
            found = f"is beyond repair ({reason}): it, or a part of it, encloses no area."
            table.note(i, found, "Draw it again with at least three corners.")
        else:
            found = f"crosses or touches itself ({reason}); it was repaired so that it is nowhere {_NEVER[to]}."
            table.note(i, found, "Look at it on the map, and draw it again.", warn=True)
    return whole


_NEVER = {"larger": "smaller than drawn", "smaller": "larger than drawn"}


def _check_order(table: FeatureTable, geometry: Geometries, projection: LocalProjection, depth: Bounds) -> None:
    lon, lat = shapely.get_coordinates(geometry).T
    if np.abs(lon).max() > _MOST_LAT_DEG:
        return
    as_is, swapped = projection.to_local(lon, lat), projection.to_local(lat, lon)
    if not _meet(as_is, depth) and _meet(swapped, depth):
        found = "lies far off the depth data, and on it once latitude and longitude are swapped."
        table.findings.append(Finding(table.file.where, found, "Write longitude first, then latitude."))


def _meet(points: tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]], box: Bounds) -> bool:
    (x, y), (west, south, east, north) = points, box
    return bool(x.min() <= east and x.max() >= west and y.min() <= north and y.max() >= south)
