"""Features of a vector file: read, compared value by value, and written in its format."""

from __future__ import annotations

import contextlib
import math
import warnings
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal, cast

import numpy as np
import numpy.typing as npt
import pyproj
import shapely
from shapely import GeometryType

from layers._errors import InputError

ValueKind = Literal["flag", "whole", "number", "text"]

DAY = "2000-01-01T00:00:00.000Z"
"""Stands for the day of writing, so that the same area gives the same bytes."""
VERSION = "1.3"
"""Of the GeoPackages that are written; programs of 2022 know no later one."""
MOST_FEATURES = 1_000_000
"""More than these in one table are refused."""
_DRIVERS = {".geojson": "GeoJSON", ".json": "GeoJSON", ".gpkg": "GPKG", ".shp": "ESRI Shapefile"}
_SHAPEFILE = (".cpg", ".dbf", ".idm", ".ind", ".prj", ".qix", ".qpj", ".sbn", ".sbx", ".shp", ".shp.xml", ".shx")
_SHAPEFILE_NAME = 10
_SAME = 1e-9
_LONGEST_REMARK = 500
_SHORTEN = "Shorten long texts, and keep to one kind of geometry in a Shapefile."
_MULTI = {
    GeometryType.POINT: shapely.multipoints,
    GeometryType.LINESTRING: shapely.multilinestrings,
    GeometryType.POLYGON: shapely.multipolygons,
}


@dataclass(frozen=True)
class Features:
    """Features in the order of their file.

    `geometry` is in the file's own coordinates, None where a feature has none. `columns` hold one value of each
    attribute a feature: None, bool, int, float or text, lists joined by commas; `kinds` says which. `crs` is what
    pyproj reads.
    """

    geometry: npt.NDArray[np.object_]
    columns: Mapping[str, Sequence[Any]]
    kinds: Mapping[str, ValueKind]
    crs: str

    @property
    def dimensions(self) -> tuple[int, ...]:
        """Return the dimensions of the geometry: 0 points, 1 lines, 2 areas."""
        found = np.unique(shapely.get_dimensions(self.geometry))
        return tuple(int(one) for one in found if one >= 0)


def layer_names(path: Path, where: str) -> list[str]:
    """Return the names of the layers in a vector file; raises `InputError` where it cannot be read."""
    from pyogrio import list_layers  # noqa: PLC0415 - only what packs and unpacks needs it

    with _told(path, where):
        return [str(name) for name in list_layers(path)[:, 0]]


def read_file(path: Path, layer: str, where: str) -> Features:
    """Return the features of a layer in a vector file.

    Raises
    ------
    InputError
        It cannot be read, has no coordinate system, or too many features.
    """
    from pyogrio import raw, read_info  # noqa: PLC0415 - as above

    with _told(path, where), warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # what matters of GDAL's remarks, opening the area tells
        if read_info(path, layer=layer, force_feature_count=True)["features"] > MOST_FEATURES:
            raise too_many(where)
        meta, _, wkb, data = raw.read(path, layer=layer, datetime_as_string=True)
        rows = len(data[0]) if len(data) else 0
        geometry = np.full(rows, None) if wkb is None else shapely.from_wkb(wkb, on_invalid="fix")
    if meta["crs"] is None and wkb is not None:
        remedy = "Save it with its coordinate system (a Shapefile needs its .prj file)."
        raise InputError.one(where, f"{path.name} does not say its coordinate system.", remedy)
    names = [str(name) for name in meta["fields"]]
    kinds = {name: _kind(*told) for name, *told in zip(names, meta["ogr_types"], meta["ogr_subtypes"], strict=True)}
    columns = {name: values_of(column.tolist(), kinds[name]) for name, column in zip(names, data, strict=True)}
    return Features(np.asarray(geometry, dtype=object), columns, kinds, str(meta["crs"] or ""))


def same(one: Features, other: Features, *, exact: bool = True) -> bool:
    """Return whether two hold the same features with the same attributes, in one order.

    An empty text is no value, and a single shape the multiple one of which it is the only part. Not `exact`: to what a
    file's written digits hold.
    """
    if len(one.geometry) != len(other.geometry) or set(one.columns) != set(other.columns):
        return False
    if one.crs != other.crs and not (one.crs and other.crs and _same_crs(one.crs, other.crs)):
        return False
    for name, values in one.columns.items():
        if not all(_equal(a, b, exact=exact) for a, b in zip(values, other.columns[name], strict=True)):
            return False
    ours, theirs = _multiple(one.geometry), _multiple(other.geometry)
    if (shapely.is_missing(ours) != shapely.is_missing(theirs)).any():
        return False
    if not exact:
        there = ~shapely.is_missing(ours)
        return bool(shapely.equals_exact(ours[there], theirs[there], _SAME).all())
    return bool((_bytes(ours) == _bytes(theirs)).all())


def write_file(path: Path, layers: Mapping[str, Features], where: str) -> None:
    """Write a vector file in the place of an old one, in its format.

    Raises
    ------
    InputError
        The format is not one that is written (GeoJSON, GeoPackage, Shapefile), or cannot hold the features.
    """
    suffix = path.suffix.casefold()
    if suffix not in _DRIVERS:
        what = f"{path.name} was edited, and only GeoJSON, GeoPackage and Shapefile are written."
        raise InputError.one(where, what, "Save the area's layer as one of these, pack it again, and edit that.")
    for name in [name for one in layers.values() for name in one.columns] if suffix == ".shp" else []:
        if len(name.encode()) > _SHAPEFILE_NAME:
            what = f"attribute '{name}' is too long for a Shapefile, which holds {_SHAPEFILE_NAME} characters."
            raise InputError.one(where, what, "Give it a shorter name in the table.")
    _remove(path)
    for i, (name, features) in enumerate(layers.items()):
        write_layer(path, name, features, _DRIVERS[suffix], append=i > 0)
    for name, features in layers.items():
        held = layer_names(path, where)
        if not same(features, read_file(path, name if name in held else held[0], where), exact=False):
            what = f"{path.name} cannot hold what was edited: it would read back otherwise."
            raise InputError.one(where, what, _SHORTEN)


def _remove(path: Path) -> None:
    """Remove a file with all that belongs to it: an old index of a Shapefile would hide features."""
    path.unlink()
    for one in list(path.parent.iterdir()) if path.suffix.casefold() == ".shp" else []:
        suffix = one.name[len(path.stem) :].casefold()
        if one.name.startswith(path.stem) and (suffix in _SHAPEFILE or suffix == ".cpg"):
            one.unlink()
    for ending in ("-wal", "-shm", "-journal"):
        path.with_name(path.name + ending).unlink(missing_ok=True)


def write_layer(path: Path, layer: str, features: Features, driver: str, *, append: bool, **options: str) -> None:
    """Write features as a layer through GDAL; whatever it cannot write as it is raises `InputError`."""
    from pyogrio import raw  # noqa: PLC0415 - as above

    arrays = [_array(features.columns[name], features.kinds[name]) for name in features.columns]
    kind, multiple = _geometry_type(features.geometry)
    if driver == "GeoJSON":
        options |= {"COORDINATE_PRECISION": "15"}
    if driver == "ESRI Shapefile":
        options |= {"ENCODING": "UTF-8"}
    spatial = bool(features.crs)
    with _told(path, path.name), warnings.catch_warnings(record=True) as remarks, fixed_day():
        warnings.simplefilter("always", RuntimeWarning)
        raw.write(
            path,
            shapely.to_wkb(features.geometry, output_dimension=3, flavor="iso") if spatial else None,
            [values for values, _ in arrays],
            np.array(list(features.columns), dtype=object),
            field_mask=[mask for _, mask in arrays],
            layer=layer,
            driver=driver,
            geometry_type=kind if spatial else None,
            promote_to_multi=multiple,
            crs=features.crs or None,
            append=append,
            layer_options=options,
            dataset_options={"VERSION": VERSION} if driver == "GPKG" else {},
        )
    if remarks:  # whatever GDAL could not write as it is
        what = f"cannot be written as it is: {str(remarks[0].message)[:_LONGEST_REMARK].rstrip('.')}."
        raise InputError.one(f"{path.name}, '{layer}'", what, _SHORTEN)


@contextlib.contextmanager
def fixed_day() -> Iterator[None]:
    """Keep the day of writing out of files that pyogrio writes."""
    from pyogrio import get_gdal_config_option, set_gdal_config_options  # noqa: PLC0415 - as above

    before = get_gdal_config_option("OGR_CURRENT_DATE")
    set_gdal_config_options({"OGR_CURRENT_DATE": DAY})
    try:
        yield
    finally:
        set_gdal_config_options({"OGR_CURRENT_DATE": before})


@contextlib.contextmanager
def _told(path: Path, where: str) -> Iterator[None]:
    from pyogrio import errors  # noqa: PLC0415 - as above

    kinds = (errors.DataSourceError, errors.DataLayerError, errors.FieldError, errors.FeatureError)
    try:
        yield
    except (*kinds, errors.GeometryError, shapely.GEOSException) as error:
        what = f"{path.name} cannot be read or written as a vector file: {str(error).rstrip('.')}."
        raise InputError.one(where, what, "Give a whole GeoJSON, GeoPackage or Shapefile.") from None


def too_many(where: str) -> InputError:
    """Return the error for a layer of more features than are packed."""
    what = f"holds more than {MOST_FEATURES:,} features."
    return InputError.one(where, what, "Take what the area needs, and leave out the rest.")


def _kind(ogr_type: str, subtype: str) -> ValueKind:
    if ogr_type in ("OFTInteger", "OFTInteger64"):
        return "flag" if subtype == "OFSTBoolean" else "whole"
    return "number" if ogr_type == "OFTReal" else "text"


def values_of(values: Sequence[Any], kind: ValueKind) -> list[Any]:
    """Return values as Python's own, NaN as None."""
    make = {"flag": bool, "whole": int, "number": float, "text": _text}[kind]
    return [None if _missing(value) else cast("type", make)(value) for value in values]


def _missing(value: Any) -> bool:
    return value is None or (isinstance(value, float) and math.isnan(value))


def _text(value: Any) -> str:
    if isinstance(value, bytes):
        return value.hex()
    if isinstance(value, np.ndarray | list | tuple):
        return ",".join(map(str, value))
    return str(value)


def _array(values: Sequence[Any], kind: ValueKind) -> tuple[npt.NDArray[Any], npt.NDArray[np.bool_] | None]:
    """Return a column as GDAL takes it, and where it is null."""
    if kind == "text":
        return np.array(values, dtype=object), None
    null = np.array([value is None for value in values], dtype=bool)
    types = {"flag": np.bool_, "whole": np.int64, "number": np.float64}
    return np.array([0 if value is None else value for value in values], dtype=types[kind]), null


def _equal(one: Any, other: Any, *, exact: bool) -> bool:
    one, other = (None if value == "" else value for value in (one, other))
    if exact or not isinstance(one, float) or not isinstance(other, int | float):
        return bool(one == other)
    return math.isclose(one, other, rel_tol=_SAME, abs_tol=_SAME)


def _geometry_type(geometry: npt.NDArray[np.object_]) -> tuple[str, bool]:
    """Return the type that a layer declares, and whether single shapes become multiple ones for it."""
    high = shapely.has_z(geometry)
    names = {shape.geom_type for shape in geometry if shape is not None}
    plural = {name if name.startswith("Multi") else f"Multi{name}" for name in names}
    if not names or len(plural) > 1 or "GeometryCollection" in names or (high.any() and not high.all()):
        return "Unknown", False
    name = names.pop() if len(names) == 1 else plural.pop()
    return (f"{name} Z" if high.any() else name), name.startswith("Multi")


def _multiple(geometry: npt.NDArray[np.object_]) -> npt.NDArray[np.object_]:
    whole = geometry.copy()
    kinds = shapely.get_type_id(geometry)
    for kind, make in _MULTI.items():
        at = np.flatnonzero((kinds == kind) & ~shapely.is_empty(geometry))
        if len(at):
            whole[at] = make(geometry[at][:, None])
    return whole


def _bytes(geometry: npt.NDArray[np.object_]) -> npt.NDArray[np.object_]:
    return np.asarray(shapely.to_wkb(geometry, output_dimension=3, byte_order=1, flavor="iso"), dtype=object)


def _same_crs(one: str, other: str) -> bool:
    try:
        return bool(pyproj.CRS.from_user_input(one).equals(pyproj.CRS.from_user_input(other), ignore_axis_order=True))
    except pyproj.exceptions.CRSError:
        return False
