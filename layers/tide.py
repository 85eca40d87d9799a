"""The height of the tide over an area, from the stations and grids of its tide layers."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import numpy as np
import shapely
from shapely import MultiPolygon, Point

from layers._depthfile import as_polygons
from layers._errors import Finding, InputError
from layers.model import Bounds, FloatArray, Station, Tide
from layers.projection import LocalProjection
from layers.tables import raise_all
from layers.tidetables import Curve, FileTerms, StationReader, Terms, ToldStation, read_heights

if TYPE_CHECKING:
    from layers.tidegrid import GridTide

_NEAREST_M = 0.001


@dataclass(frozen=True)
class StationTide:
    """The tide as its stations tell it: at each its own, elsewhere their mean by the inverse square of distance.

    That mean never leaves the range of the stations' heights at that moment. It is known while all stations are.
    """

    stations: tuple[Station, ...]
    curves: tuple[Curve, ...]

    @property
    def reach_s(self) -> tuple[float, float]:
        """Return the first and the last moment at which all stations are told."""
        reaches = [curve.reach_s for curve in self.curves]
        return max(since for since, _ in reaches), min(until for _, until in reaches)

    def height_at(self, x: FloatArray, y: FloatArray, time_s: FloatArray) -> FloatArray:
        """Return heights in metres, arrays broadcast; NaN where unknown."""
        x, y, time_s = (np.asarray(one, dtype=np.float64) for one in (x, y, time_s))
        shape = np.broadcast_shapes(x.shape, y.shape, time_s.shape)
        heights = [curve.at(time_s) for curve in self.curves]
        if len(heights) == 1:
            return np.array(np.broadcast_to(heights[0], shape))
        away = [np.maximum(np.hypot(x - one.point.x, y - one.point.y), _NEAREST_M) for one in self.stations]
        nearest = np.minimum.reduce(away)
        weights = [(nearest / one) ** 2 for one in away]
        total = sum(weight * height for weight, height in zip(weights, heights, strict=True))
        return np.array(np.broadcast_to(total / sum(weights), shape))

    def least_m(self, start_s: float, end_s: float) -> float:
        """Return a height that the tide does not fall below anywhere from start to end; NaN where unknown."""
        return float(np.min([curve.least(start_s, end_s) for curve in self.curves]))

    def known(self, within: Bounds) -> MultiPolygon:
        """Return all of `within`: stations speak for all of the area."""
        return MultiPolygon([shapely.box(*within)])


class JoinedTide:
    """Grids, and the stations where there are any: at a place and time the first that knows it, grids before stations.

    Parameters
    ----------
    grids
        At least one.
    stations
        What tells the places that no grid knows; None leaves them unknown.
    """

    def __init__(self, grids: Sequence[GridTide], stations: StationTide | None) -> None:
        self._parts: tuple[GridTide | StationTide, ...] = (*grids, *([] if stations is None else [stations]))

    @property
    def stations(self) -> tuple[Station, ...]:
        """Return the stations."""
        return tuple(station for part in self._parts for station in part.stations)

    @property
    def reach_s(self) -> tuple[float, float]:
        """Return the first and the last moment at which all are told."""
        reaches = [part.reach_s for part in self._parts]
        return max(since for since, _ in reaches), min(until for _, until in reaches)

    def height_at(self, x: FloatArray, y: FloatArray, time_s: FloatArray) -> FloatArray:
        """Return heights in metres, arrays broadcast; NaN where unknown."""
        x, y, time = np.broadcast_arrays(*(np.asarray(one, dtype=np.float64) for one in (x, y, time_s)))
        height = np.full(x.shape, np.nan)
        for part in self._parts:
            missing = np.isnan(height)
            if not missing.any():
                break
            height[missing] = part.height_at(x[missing], y[missing], time[missing])
        return height

    def least_m(self, start_s: float, end_s: float) -> float:
        """Return a height that the tide does not fall below from start to end wherever it is known; NaN else."""
        return float(np.min([part.least_m(start_s, end_s) for part in self._parts]))

    def known(self, within: Bounds) -> MultiPolygon:
        """Return the water in which the height is known throughout `reach_s`, clipped to `within`."""
        return as_polygons(shapely.union_all([part.known(within) for part in self._parts]))


@dataclass(frozen=True)
class TideFile:
    """A tide layer's file: TOML with stations, or with `terms` a CSV table of one station or an S-104 file."""

    path: Path
    where: str
    terms: Terms | FileTerms | None = None


def open_tide(
    files: Sequence[TideFile],
    *,
    folder: Path,
    projection: LocalProjection,
    zone: ZoneInfo,
    datum: str,
    within: Bounds | None = None,
) -> Tide:
    """Return the tide of an area's tide layers, all their stations together and their grids before them.

    Parameters
    ----------
    files
        The layers, at least one.
    folder
        The area's folder: tables must be inside.
    projection
        The area's. A station without a position stands in its middle.
    zone, datum
        The area's time zone and depth datum.
    within
        The area's box: what an S-104 file tells elsewhere is left out. None keeps all of it.

    Raises
    ------
    InputError
        Whatever is wrong with the files or their tables, all at once.
    """
    found: list[Finding] = []
    told: list[ToldStation] = []
    grids: list[GridTide] = []
    for file in files:
        try:
            if isinstance(file.terms, FileTerms):
                from layers.waterlayer import open_water_level  # noqa: PLC0415 - what reads HDF5, for such a layer alone

                level = open_water_level(file.path, file.where, file.terms, projection, datum, within)
                grids += level.grids
                told += level.stations
            elif file.terms is not None:
                curve = read_heights(file.path, file.where, file.terms)
                told.append(ToldStation(file.where, file.path.stem, None, curve))
            else:
                reader = StationReader(file.path, folder, projection, zone, datum)
                told += reader.stations(file.where)
        except InputError as error:
            found += error.findings
    raise_all(found)
    for place, one in enumerate(told):
        if one.point is None and len(told) > 1:
            remedy = 'Write position = "46 49.0 N 156 54.0 W" with each [[station]]; a bare .csv can only stand alone.'
            what = f"'{one.name}' has no position, and there are {len(told)} stations."
            found.append(Finding(one.where, what, remedy))
        if one.name in [other.name for other in told[:place]]:
            found.append(Finding(one.where, f"the station '{one.name}' comes twice.", "Keep one, or name them apart."))
    raise_all(found)
    stations = tuple(Station(one.name, one.point or Point(0.0, 0.0), None) for one in told)
    at_stations = StationTide(stations, tuple(one.curve for one in told)) if told else None
    tide = at_stations if at_stations is not None and not grids else JoinedTide(grids, at_stations)
    if not tide.reach_s[0] < tide.reach_s[1]:
        what = "the stations' tables have no time in common."
        if grids:
            what = "its layers have no time in common."
        raise InputError.one(files[0].where, what, "Give tables for the same days.")
    return tide
