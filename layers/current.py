"""Current between its stations, and several layers of it as one.

A place is known where it lies within some station's reach. Each station counts with the weight (1/d − 1/f)², d its
distance and f one and a half reaches: at a station its own word, and none where its word has faded (R. Franke and
G. Nielson, "Smooth interpolation of large sets of scattered data", Int. J. Numerical Methods in Engineering 15, 1980,
pp. 1691–1704, their modification of Shepard's method; formula from memory). Weights are positive, so what is
interpolated is never more than the stations' own.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cached_property
from itertools import combinations
from pathlib import Path
from typing import NamedTuple
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt
import shapely
from shapely import MultiPolygon

from layers._depthfile import as_polygons
from layers._errors import Finding, InputError
from layers.channel import Channel, ComplexArray, InChannel
from layers.currentfiles import StationFlow, read_current_data
from layers.currentgrid import GridCurrent
from layers.currenttables import CurrentFile, Reversing, Rotary, VectorTable, read_current_file
from layers.model import Bounds, Current, FloatArray, Station
from layers.projection import LocalProjection
from layers.tables import raise_all

GRIDS = (".h5", ".hdf5", ".nc", ".nc4", ".cdf")
"""File names' endings that are read as S-111 or NetCDF."""
_FARTHEST_M = 300_000.0
"""Stations of a file that lie farther from the middle of the area are left out."""
_FADES_REACHES = 1.5
"""A station's word fades to nothing beyond its reach: were it to fade at the reach, two that fade at one place would
change places there within a few metres."""
_NEAREST_M = 1e-3
"""A place nearer to a station than this is at it."""
_APART_M = 1.0
_WIDEST_RAD = np.radians(120.0)
"""Directions that are all less than this apart have a mean; common sense, see `_contrary`."""
_OFF_CHANNEL_RAD = np.radians(60.0)
_INSIDE = 1e-6
_SEGMENTS = 16
_TINY = 1e-300


class CurrentLayer(NamedTuple):
    """A current layer: its file, how messages name it, and its rank.

    `reach_m` is how far from its stations an S-111 file is true, None where the layer does not say.
    """

    path: Path
    where: str
    rank: int = 0
    reach_m: float | None = None


def open_current(
    entries: Sequence[CurrentLayer],
    *,
    folder: Path,
    projection: LocalProjection,
    zone: ZoneInfo,
) -> Current:
    """Return the current of an area's layers.

    Parameters
    ----------
    entries
        The layers: where several know a place the highest rank wins, of equal ranks the first. A .toml file tells
        stations, any other a grid over time or, S-111 in a form of its, stations.
    folder
        The area's folder: what a .toml file names must be inside.
    projection
        The area's.
    zone
        The zone of times without an offset.

    Returns
    -------
    Current
        Told wherever a layer tells it; its `reach_s` is the time that all of them tell.

    Raises
    ------
    InputError
        Whatever is wrong with any of them, all at once.
    """
    found: list[Finding] = []
    layers: list[tuple[int, Current]] = []
    for entry in entries:
        layer = CurrentLayer(*entry)
        try:
            opened = _open_one(layer, folder=folder, projection=projection, zone=zone)
            layers += [(layer.rank, one) for one in opened]
        except InputError as error:
            found.extend(error.findings)
    raise_all(found)
    ordered = [layer for _, layer in sorted(layers, key=lambda one: -one[0])]
    since, until = _common_time(ordered)
    if since >= until:
        where = ", ".join(CurrentLayer(*entry).where for entry in entries)
        what = "the grids of this layer have no time in common."
        if len(entries) > 1:
            what = "these layers of current have no time in common."
        raise InputError.one(where, what, "Leave out the one that is old.")
    return ordered[0] if len(ordered) == 1 else RankedCurrent(ordered)


def _open_one(layer: CurrentLayer, *, folder: Path, projection: LocalProjection, zone: ZoneInfo) -> Sequence[Current]:
    path, where = layer.path, layer.where
    suffix = path.suffix.casefold()
    if suffix in GRIDS:
        data = read_current_data(path, where)
        if data.stations:
            return [StationCurrent(_stations(data.stations, layer, projection))]
        _no_reach(layer, "a grid is known to its edge")
        return [GridCurrent(grid, projection, where) for grid in data.grids]
    if suffix != ".toml":
        what = f"'{path.suffix}' is no kind of file that current is read from."
        raise InputError.one(where, what, f"Give stations as .toml, or a grid ({', '.join(GRIDS)}).")
    _no_reach(layer, "each [[station]] has its own")
    return [StationCurrent(read_current_file(path, where, folder=folder, projection=projection, zone=zone))]


def _no_reach(layer: CurrentLayer, why: str) -> None:
    if layer.reach_m is not None:
        raise InputError.one(layer.where, f"reach stands in its layer, and {why}.", "Remove it.")


def _stations(told: Sequence[StationFlow], layer: CurrentLayer, projection: LocalProjection) -> CurrentFile:
    """Return the stations of an S-111 file as those of a TOML file with hourly tables."""
    if layer.reach_m is None:
        what = f"tells current at {len(told)} stations and not how far from them it is true."
        raise InputError.one(layer.where, what, 'Write it in its layer: reach = "2 NM".')
    lon, lat = (np.array([getattr(one, axis) for one in told]) for axis in ("lon_deg", "lat_deg"))
    x, y = projection.to_local(lon, lat)
    rotary = []
    for one, east, north in zip(told, x.tolist(), y.tolist(), strict=True):
        if np.hypot(east, north) <= _FARTHEST_M:
            turn = np.exp(1j * float(projection.heading_rad(east, north, 90.0)))
            flow = VectorTable(one.time_s, (one.east_mps + 1j * one.north_mps) * turn)
            rotary.append(Rotary(Station(one.name, shapely.Point(east, north), layer.reach_m), flow))
    if not rotary:
        what = f"none of its {len(told)} stations is within {_FARTHEST_M / 1000:.0f} km of the area."
        raise InputError.one(layer.where, what, "Get a file for this water.")
    return CurrentFile(layer.where, (), tuple(rotary), None)


class StationCurrent:
    """Current told at stations.

    Where the water goes to and fro, the signed speed (flood positive) is the weighted mean of the stations' and its
    direction that of the weighted sum of their directions for the sign. With a channel, distances are measured along
    it and across it, and directions from its own: the water follows its bends. A station whose water turns through all
    directions adds its vector with its weight.

    Parameters
    ----------
    told
        What the file says.

    Raises
    ------
    InputError
        Two stations at one place or of one name, stations with no time in common, directions that contradict each
        other or the channel, a station farther from the channel than its reach.
    """

    def __init__(self, told: CurrentFile) -> None:
        self._stations = (*(one.station for one in told.reversing), *(one.station for one in told.rotary))
        self._curves = [one.speed for one in told.reversing]
        self._vectors = [one.flow for one in told.rotary]
        x, y = (np.array([getattr(station.point, axis) for station in self._stations]) for axis in "xy")
        reach = np.array([station.reach_m for station in self._stations], dtype=np.float64)
        raise_all(_twins(told.where, self._stations))
        spans = np.array([*(one.reach_s for one in self._curves), *(one.reach_s for one in self._vectors)])
        self._since, self._until = spans.T[:, :, None]
        self._reach_s = (float(spans[:, 0].max()), float(spans[:, 1].min()))
        if self._reach_s[0] >= self._reach_s[1]:
            raise InputError.one(told.where, "its stations' tables have no time in common.", "Renew the older one.")
        self._x, self._y, self._over_reach = x[:, None], y[:, None], 1.0 / (_FADES_REACHES * reach[:, None])
        self._flood = np.array([one.flood for one in told.reversing], dtype=np.complex128)
        self._ebb = np.array([one.ebb for one in told.reversing], dtype=np.complex128)
        self._channel: Channel | None = None
        if told.channel is None:
            raise_all(_contrary(told.where, told.reversing))
            return
        raise_all(_far_off(told, self._stations))
        box = ((x - reach).min(), (y - reach).min(), (x + reach).max(), (y + reach).max())
        self._channel = Channel(told.channel, box)
        at = self._channel.at(x, y)
        self._along, self._across = at.along_m[:, None], at.across_m[:, None]
        tangent = at.tangent[: len(told.reversing)]
        self._flood, self._ebb = self._flood / tangent, self._ebb / tangent
        raise_all(_against_channel(told.where, told.reversing, self._flood, self._ebb))

    @property
    def stations(self) -> tuple[Station, ...]:
        """Return the stations, those first whose water goes to and fro."""
        return self._stations

    @property
    def reach_s(self) -> tuple[float, float]:
        """Return the time that all stations' tables tell."""
        return self._reach_s

    def flow_at(self, x: FloatArray, y: FloatArray, time_s: FloatArray) -> FloatArray:
        """Return where the water goes; NaN outside every reach, and where a station in reach tells nothing then."""
        x, y, time = (np.asarray(one, dtype=np.float64) for one in (x, y, time_s))
        if not x.shape == y.shape == time.shape:
            x, y, time = np.broadcast_arrays(x, y, time)
        shape = x.shape
        x, y, time = x.ravel(), y.ravel(), time.ravel()
        place = None if self._channel is None else self._channel.at(x, y)
        weight, known = self._weights(x, y, place)
        flow = np.zeros(x.shape, dtype=np.complex128)
        if self._curves:
            flow += self._to_and_fro(weight[: len(self._curves)], time, place)
        for row, vectors in enumerate(self._vectors, len(self._curves)):
            flow += weight[row] * vectors.at(time)
        total = weight.sum(axis=0)
        unknown = ~known
        if time.size and not (self._reach_s[0] <= time.min() and time.max() <= self._reach_s[1]):
            unknown |= ((weight > 0) & ~((time >= self._since) & (time <= self._until))).any(axis=0)
        total[unknown] = np.nan
        with np.errstate(invalid="ignore", divide="ignore"):
            flow /= total
        return flow.view(np.float64).reshape(*shape, 2)

    def known(self, within: Bounds | None = None) -> MultiPolygon:
        """Return the water within some station's reach."""
        return self._known if within is None else as_polygons(self._known, within)

    @cached_property
    def _known(self) -> MultiPolygon:
        discs = [one.point.buffer((one.reach_m or 0.0) * (1 - _INSIDE), _SEGMENTS) for one in self._stations]
        return as_polygons(shapely.union_all(discs))

    def _weights(
        self, x: FloatArray, y: FloatArray, place: InChannel | None
    ) -> tuple[FloatArray, npt.NDArray[np.bool_]]:
        """Return each station's weight, stations down and places across, and which places are within some reach."""
        away = _length(x - self._x, y - self._y)
        # (1/d − 1/f)², written so that d may be another measure of distance than the one that ends.
        fading = np.maximum(1.0 - away * self._over_reach, 0.0)
        known = np.any(fading >= 1.0 - 1.0 / _FADES_REACHES, axis=0)
        if place is not None:
            away = _length(place.along_m - self._along, place.across_m - self._across)
        fading /= np.maximum(away, _NEAREST_M)
        return fading * fading, np.asarray(known)

    def _to_and_fro(self, weight: FloatArray, time: FloatArray, place: InChannel | None) -> ComplexArray:
        """Return the flow of the stations that reverse, times their weights' sum."""
        signed = weight[0] * self._curves[0].at(time)
        for row in range(1, len(self._curves)):
            signed += weight[row] * self._curves[row].at(time)
        way = np.where(signed >= 0, self._flood @ weight, self._ebb @ weight)
        if place is not None:
            way *= place.tangent
        way *= np.abs(signed) / np.maximum(_length(way.real, way.imag), _TINY)
        return way


class RankedCurrent:
    """Several layers of current as one: at a place and time the first that knows it, the highest rank first."""

    def __init__(self, layers: Sequence[Current]) -> None:
        self._layers = tuple(layers)

    @property
    def stations(self) -> tuple[Station, ...]:
        """Return all layers' stations."""
        return tuple(station for layer in self._layers for station in layer.stations)

    @property
    def reach_s(self) -> tuple[float, float]:
        """Return the time that all layers tell."""
        return _common_time(self._layers)

    def flow_at(self, x: FloatArray, y: FloatArray, time_s: FloatArray) -> FloatArray:
        """Return where the water goes; NaN where no layer knows."""
        x, y, time = np.broadcast_arrays(*(np.asarray(one, dtype=np.float64) for one in (x, y, time_s)))
        flow = self._layers[0].flow_at(x, y, time)
        for layer in self._layers[1:]:
            missing = np.isnan(flow[..., 0])
            if missing.any():
                flow[missing] = layer.flow_at(x[missing], y[missing], time[missing])
        return flow

    def known(self, within: Bounds | None = None) -> MultiPolygon:
        """Return the water that some layer knows."""
        return as_polygons(shapely.union_all([layer.known(within) for layer in self._layers]))


def _length(x: FloatArray, y: FloatArray) -> FloatArray:
    length: FloatArray = np.sqrt(x * x + y * y)  # half of np.hypot's time, whose care is not needed here
    return length


def _common_time(layers: Sequence[Current]) -> tuple[float, float]:
    spans = [layer.reach_s for layer in layers]
    return max(since for since, _ in spans), min(until for _, until in spans)


def _twins(where: str, stations: Sequence[Station]) -> list[Finding]:
    found = []
    for one, other in combinations(stations, 2):
        if one.name == other.name:
            found.append(Finding(where, f"two stations are named '{one.name}'.", "Give each a name of its own."))
        elif one.point.distance(other.point) < _APART_M:
            what = f"'{one.name}' and '{other.name}' lie at one place."
            found.append(Finding(where, what, "Keep the one that is true, or mend a position."))
    return found


def _contrary(where: str, stations: Sequence[Reversing]) -> list[Finding]:
    """Return which stations contradict each other: between them no direction would be a mean.

    Directions that are pairwise less than 120° apart lie within a half-turn, so no weighted sum of them vanishes.
    """
    found = []
    for one, other in combinations(stations, 2):
        reaches = sorted((one.station.reach_m or 0.0, other.station.reach_m or 0.0))
        if one.station.point.distance(other.station.point) >= reaches[0] + _FADES_REACHES * reaches[1]:
            continue
        for name, way, way_there in (("flood", one.flood, other.flood), ("ebb", one.ebb, other.ebb)):
            angle = abs(np.angle(way_there / way))
            if angle >= _WIDEST_RAD:
                what = (
                    f"the {name}s of '{one.station.name}' and '{other.station.name}' go {np.degrees(angle):.0f}° apart"
                )
                remedy = (
                    "Draw the channel between them (channel = …), or shorten their reaches so that they do not meet."
                )
                found.append(Finding(where, f"{what}, and both speak for the water between.", remedy))
    return found


def _far_off(told: CurrentFile, stations: Sequence[Station]) -> list[Finding]:
    return [
        Finding(
            told.where,
            f"'{station.name}' lies {off / 1852:.1f} NM from the channel, farther than its reach.",
            "Draw the channel past it, or give it a file of its own.",
        )
        for station in stations
        if (off := station.point.distance(told.channel)) > (station.reach_m or 0.0)
    ]


def _against_channel(
    where: str, stations: Sequence[Reversing], flood: ComplexArray, ebb: ComplexArray
) -> list[Finding]:
    found = []
    for one, off_flood, off_ebb in zip(stations, np.angle(flood), np.angle(-ebb), strict=True):
        for name, angle in (("flood", off_flood), ("ebb", off_ebb)):
            if abs(angle) > _OFF_CHANNEL_RAD:
                along = "the channel's own direction" if name == "flood" else "the channel's opposite direction"
                what = f"the {name} of '{one.station.name}' goes {np.degrees(abs(angle)):.0f}° off {along} there."
                remedy = "Draw the channel the way the flood goes, past the station; or mend the direction."
                found.append(Finding(where, what, remedy))
    return found
