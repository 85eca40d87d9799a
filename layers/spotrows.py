"""The spot book's table: its rows read as spots, and spots written as rows; what a GIS added to it stays."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely
from pyogrio import list_layers, raw, read_info
from pyogrio.errors import DataLayerError, DataSourceError, FieldError

from layers._errors import Finding, InputError
from layers.spots import MOST_SPOTS, Spot, points_of

LAYER = "spots"
_TEXTS = ("id", "name", "kind", "note", "told_by")
_KNOWN = (*_TEXTS, "private", "dated")
_TRUE, _FALSE = ("true", "1", "1.0"), ("", "false", "0", "0.0")
_MOST_LAT_DEG, _MOST_LON_DEG = 90.0, 360.0


@dataclass(frozen=True)
class SpotRows:
    """The spots of a file, what is doubtful about them, and the types of the columns that a GIS added."""

    spots: tuple[Spot, ...]
    findings: tuple[Finding, ...]
    columns: tuple[tuple[str, str], ...]


def read_rows(path: Path, where: str) -> SpotRows:
    """Return the spots of a GeoPackage's layer "spots".

    A spot without an identity, or with one that another has, gets one made from what it says: the same each time.
    One without a sound position keeps its shape as drawn; what is no truth or date is told, and nothing of it is lost.

    Raises
    ------
    InputError
        It cannot be read, has no such layer, does not say its coordinate system, or holds more than 50,000 spots.
    """
    try:
        names = [str(name) for name in list_layers(path)[:, 0]]
        if LAYER not in names:
            raise InputError.one(where, f"has no layer '{LAYER}': it is no spot book.", "Give the file another name.")
        count = int(read_info(path, layer=LAYER, force_feature_count=True)["features"])
        if count > MOST_SPOTS:
            raise InputError.one(where, f"holds {count:,} spots; at most {MOST_SPOTS:,} are read.", "Divide it.")
        meta, _, wkb, data = raw.read(path, layer=LAYER)
        shapes = np.asarray(shapely.from_wkb(wkb, on_invalid="fix"), dtype=object)
    except (DataSourceError, DataLayerError, FieldError, shapely.GEOSException) as error:
        raise InputError.one(where, f"cannot be read: {error}.", "Give a whole GeoPackage.") from None
    if meta["crs"] is None and len(shapes):
        raise InputError.one(where, "does not say its coordinate system.", "Save it in WGS 84 (EPSG:4326).")
    fields = [str(name) for name in meta["fields"]]
    columns = tuple((name, str(kind)) for name, kind in zip(fields, meta["dtypes"], strict=True) if not _known(name))
    reader = _Reader(where)
    spots = [
        reader.spot(i, dict(zip(fields, values, strict=True)), shape)
        for i, (shape, *values) in enumerate(zip(_lonlat(shapes, meta), *data, strict=True))
    ]
    return SpotRows(reader.with_identities(spots), tuple(reader.findings), columns)


def write_rows(path: Path, spots: Sequence[Spot], columns: Sequence[tuple[str, str]]) -> None:
    """Write the spots as a GeoPackage's layer "spots", in place of the one that is there; other layers stay.

    Parameters
    ----------
    path
        The file.
    spots
        All spots.
    columns
        Name and numpy type of the columns that hold the spots' `others`.

    Raises
    ------
    InputError
        A column holds what cannot be written again, such as images.
    OSError
        Not all of them reached the file.
    """
    words = {"id": "identity"}
    arrays: dict[str, npt.NDArray[Any]] = {
        key: np.array([getattr(one, words.get(key, key)) for one in spots], dtype=object) for key in _TEXTS
    }
    arrays["private"] = np.array([one.private for one in spots], dtype=bool)
    arrays["dated"] = np.array([one.dated for one in spots], dtype="datetime64[D]")
    masks: list[npt.NDArray[np.bool_] | None] = [None] * len(arrays)
    told = [dict(one.others) for one in spots]
    for name, kind in columns:
        values = [one.get(name) for one in told]
        null = np.array([value is None for value in values], dtype=bool)
        if any(isinstance(value, bytes | np.ndarray) for value in values):
            found = f"its column '{name}' holds what cannot be written again."
            remedy = "Move that column to another layer in your GIS. The book is as it was."
            raise InputError.one(path.name, found, remedy)
        blank = np.zeros(1, dtype=kind)[0] if kind != "object" else None
        arrays[name] = np.array([blank if value is None else value for value in values], dtype=kind)
        masks.append(null if kind != "object" else None)
    points = points_of(spots)
    raw.write(
        path,
        shapely.to_wkb(points),
        list(arrays.values()),
        np.array(list(arrays), dtype=object),
        field_mask=masks,
        layer=LAYER,
        driver="GPKG",
        geometry_type="Point" if all(one.drawn is None for one in spots) else "Unknown",
        crs="EPSG:4326",
    )
    written = int(read_info(path, layer=LAYER, force_feature_count=True)["features"])
    if written != len(spots):
        raise OSError(0, f"{written} of {len(spots)} spots reached the file", str(path))


class _Reader:
    """Goes through the rows of a book and notes what is wrong with them."""

    def __init__(self, where: str) -> None:
        self.where = where
        self.findings: list[Finding] = []

    def spot(self, i: int, row: Mapping[str, Any], shape: shapely.Geometry | None) -> Spot:
        told = {name.casefold(): value for name, value in row.items() if _known(name)}
        text = {key: _text(told.get(key)) for key in _TEXTS}
        at = f"{self.where}, spot {i + 1}" + (f" '{text['name']}'" if text["name"] else "")
        if not text["name"]:
            text["name"] = f"spot {i + 1}"
            self._doubt(at, f"has no name; it is called '{text['name']}'.", "Give it one.")
        private = _text(told.get("private")).casefold()
        if private not in (*_TRUE, *_FALSE):
            self._doubt(at, f"private is '{private}', and true or false is allowed: taken as true.", "Correct it.")
        dated, day = _text(told.get("dated")), None
        try:
            day = date.fromisoformat(dated[:10].replace("/", "-")) if dated else None
        except ValueError:
            text["note"] = "; ".join(part for part in (text["note"], f"dated {dated}") if part)
            self._doubt(at, f"dated is '{dated}', which is no date; it goes into the note.", "Write 2026-08-14.")
        lon, lat, drawn = math.nan, math.nan, None
        why = _unsound(shape)
        if why:
            drawn = None if shape is None else shapely.to_wkb(shape)
            self._doubt(at, why, "Draw it again, or give a position: spotmap spot change … --position, or remove it.")
        else:
            lon, lat = (float(one) for one in shapely.get_coordinates(shape)[0])
            if shapely.has_z(shape):
                self._doubt(at, "has a height, which is not kept when the book is written.", "Note it in words.")
        others = tuple((name, value) for name, value in row.items() if not _known(name) and not _null(value))
        return Spot(
            text["id"], text["name"], text["kind"], text["note"], private not in _FALSE, text["told_by"], day,
            (lon + 180.0) % 360.0 - 180.0 if abs(lon) > _MOST_LON_DEG / 2 else lon, lat, others, drawn,
        )  # fmt: skip

    def with_identities(self, spots: Sequence[Spot]) -> tuple[Spot, ...]:
        taken = {one.identity for one in spots if one.identity}
        seen: set[str] = set()
        whole = []
        for i, spot in enumerate(spots):
            identity, attempt = spot.identity, 0
            while not identity or identity in seen or (identity in taken and identity != spot.identity):
                said = f"{spot.name}|{spot.lon}|{spot.lat}|{i}|{attempt}"
                identity, attempt = hashlib.blake2b(said.encode(), digest_size=3).hexdigest(), attempt + 1
            if spot.identity and identity != spot.identity:
                found = f"has the id {spot.identity} of another spot; its own is {identity}."
                self._doubt(f"{self.where}, spot {i + 1} '{spot.name}'", found, "A copy made in a GIS? See spots.")
            seen.add(identity)
            whole.append(replace(spot, identity=identity))
        return tuple(whole)

    def _doubt(self, where: str, what: str, remedy: str) -> None:
        self.findings.append(Finding(where, what, remedy, "warning"))


def _lonlat(shapes: npt.NDArray[np.object_], meta: Mapping[str, Any]) -> npt.NDArray[np.object_]:
    """Return shapes in WGS 84."""
    if meta["crs"] in ("EPSG:4326", "OGC:CRS84", None):
        return shapes
    from pyproj import Transformer  # noqa: PLC0415 - a book is in WGS 84 unless a GIS saved it otherwise

    turn = Transformer.from_crs(meta["crs"], "EPSG:4326", always_xy=True)
    moved = shapely.transform(shapes, lambda xy: np.column_stack(turn.transform(xy[:, 0], xy[:, 1])))
    return np.asarray(moved, dtype=object)


def _unsound(shape: shapely.Geometry | None) -> str:
    """Return why a shape is no position; empty where it is one."""
    if shape is None or shape.is_empty:
        return "has no position."
    if shape.geom_type != "Point":
        return f"is drawn as a {shape.geom_type}, and a spot is a point."
    lon, lat = shapely.get_coordinates(shape)[0].tolist()
    if not (math.isfinite(lon) and math.isfinite(lat) and abs(lat) <= _MOST_LAT_DEG and abs(lon) <= _MOST_LON_DEG):
        return f"lies at latitude {lat:g}°, longitude {lon:g}°, which is not on the earth."
    return ""


def _known(name: str) -> bool:
    return name.casefold() in _KNOWN


def _null(value: Any) -> bool:
    if isinstance(value, np.datetime64):
        return bool(np.isnat(value))
    return value is None or (isinstance(value, float | np.floating) and bool(np.isnan(value)))


def _text(value: Any) -> str:
    return "" if _null(value) else str(value).strip()
