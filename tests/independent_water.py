"""Tide and current as the independent check reads them, from the layers' own files and by its own interpolation.

Nothing here imports `spotmap` or `layers`. Only what the random worlds write is read: tides as highs and lows or as
a series, currents as slacks and maxima or as hourly vectors, without a channel. Times are POSIX seconds, currents
(n, 2) towards true east and north in m/s; NaN is unknown.
"""

from __future__ import annotations

import csv
import re
import tomllib
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Any, Protocol
from zoneinfo import ZoneInfo

import numpy as np

from tests.independent_units import LENGTH, SPEED, position, quantity

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

TIME = {"min": 60.0, "h": 3600.0, "s": 1.0}
ANGLE = {"deg": 1.0}


class Plane(Protocol):
    """The part of a plane that is needed here."""

    def points(self, xy: np.ndarray) -> np.ndarray: ...


def rows(file: Path) -> tuple[list[str], list[list[str]]]:
    """Return a table's header in small letters and its rows."""
    with file.open(encoding="utf-8-sig", newline="") as lines:
        table = [[cell.strip() for cell in row] for row in csv.reader(lines)]
    table = [row for row in table if any(row)]
    return [name.casefold() for name in table[0]], table[1:]


def posix(texts: Sequence[str], zone: ZoneInfo) -> np.ndarray:
    """Return moments in seconds; those without an offset are the zone's clock."""
    moments = [datetime.fromisoformat(text) for text in texts]
    return np.array([(m if m.tzinfo else m.replace(tzinfo=zone)).timestamp() for m in moments])


def inside(times: np.ndarray, at: np.ndarray) -> np.ndarray:
    return (at >= times[0]) & (at <= times[-1])


@dataclass(frozen=True)
class TideStation:
    """Heights over the area's datum at one place; `xy` is None where the table holds everywhere."""

    xy: np.ndarray | None
    times: np.ndarray
    heights: np.ndarray
    smooth: bool

    def at(self, times: np.ndarray) -> np.ndarray:
        """Return heights: by the half cosine between highs and lows, else along straight lines."""
        i = np.clip(np.searchsorted(self.times, times, side="right") - 1, 0, len(self.times) - 2)
        share = (times - self.times[i]) / (self.times[i + 1] - self.times[i])
        if self.smooth:
            share = (1 - np.cos(np.pi * share)) / 2
        height = self.heights[i] + share * (self.heights[i + 1] - self.heights[i])
        return np.where(inside(self.times, times), height, np.nan)


def read_tide_table(file: Path, entry: dict[str, Any], zone: ZoneInfo, xy: np.ndarray | None) -> TideStation:
    head, table = rows(file)
    clock, height = head.index("time"), next(i for i, name in enumerate(head) if name.startswith("height"))
    named = re.search(r"\b(ft|m)\b", head[height].replace("_", " "))
    unit = named[1] if named else entry["unit"]
    times = posix([row[clock] for row in table], ZoneInfo(entry["timezone"]) if "timezone" in entry else zone)
    heights = np.array([float(row[height]) for row in table]) * LENGTH[unit]
    change = entry.get("differences", {})
    if change:
        # a high stands above the reading beside it
        beside = np.append(heights[1], heights[:-1])
        for word, which in (("high", heights > beside), ("low", heights < beside)):
            times = times + which * quantity(change.get(f"{word}_time", "0 min"), TIME)
            more, ratio = quantity(change.get(f"{word}_height", "0 m"), LENGTH), change.get(f"{word}_ratio", 1.0)
            heights = np.where(which, heights * ratio + more, heights)
    heights = heights + quantity(entry.get("offset", "0 m"), LENGTH)
    return TideStation(xy, times, heights, entry.get("form", "highs and lows") == "highs and lows")


class Tides:
    """The tide layer of an area."""

    def __init__(self, folder: Path, layer: dict[str, Any], zone: ZoneInfo, plane: Plane) -> None:
        file = folder / layer["file"]
        if file.suffix == ".csv":
            self.stations = [read_tide_table(file, layer, zone, None)]
            return
        self.stations = []
        for entry in tomllib.loads(file.read_text(encoding="utf-8"))["station"]:
            lonlat = position(entry["position"]) if "position" in entry else None
            xy = None if lonlat is None else plane.points(np.array([lonlat]))[0]
            self.stations.append(read_tide_table(folder / entry["table"], entry, zone, xy))

    def at(self, xy: np.ndarray, times: np.ndarray) -> np.ndarray:
        """Return heights at places in the plane: the stations' mean, weighted by one over distance squared."""
        heights = np.stack([station.at(times) for station in self.stations])
        if len(self.stations) == 1:
            return heights[0]
        away = np.stack([np.hypot(*(xy - station.xy).T) for station in self.stations])
        weights = 1 / np.maximum(away, 1e-3) ** 2
        return (weights * heights).sum(axis=0) / weights.sum(axis=0)


@dataclass(frozen=True)
class CurrentStation:
    """The current at one place: signed speeds along flood and ebb, or vectors where `axes` is None."""

    xy: np.ndarray
    reach_m: float
    times: np.ndarray
    values: np.ndarray
    axes: np.ndarray | None

    def signed(self, times: np.ndarray) -> np.ndarray:
        """Return speeds, flood above zero: a quarter sine to or from a slack, else half a cosine."""
        i = np.clip(np.searchsorted(self.times, times, side="right") - 1, 0, len(self.times) - 2)
        before, after = self.values[i], self.values[i + 1]
        share = (times - self.times[i]) / (self.times[i + 1] - self.times[i])
        between = before + (after - before) * (1 - np.cos(np.pi * share)) / 2
        speed = np.where(before == 0, after * np.sin(np.pi / 2 * share), between)
        speed = np.where(after == 0, before * np.cos(np.pi / 2 * share), speed)
        return np.where(inside(self.times, times), speed, np.nan)

    def vector(self, times: np.ndarray) -> np.ndarray:
        """Return the current towards east and north."""
        if self.axes is not None:
            speed = self.signed(times)
            return np.abs(speed)[:, None] * np.where((speed >= 0)[:, None], *self.axes)
        both = np.column_stack([np.interp(times, self.times, self.values[:, k]) for k in (0, 1)])
        return np.where(inside(self.times, times)[:, None], both, np.nan)


def toward(degrees: np.ndarray | float) -> np.ndarray:
    """Return unit vectors to east and north of true directions."""
    angle = np.radians(degrees)
    return np.stack([np.sin(angle), np.cos(angle)], axis=-1)


def read_current_station(folder: Path, entry: dict[str, Any], zone: ZoneInfo, plane: Plane) -> CurrentStation:
    head, table = rows(folder / entry["table"])
    column = {name: [row[i] for row in table] for i, name in enumerate(head)}
    times = posix(column["time"], ZoneInfo(entry["timezone"]) if "timezone" in entry else zone)
    unit, axes = SPEED[entry["unit"]], None
    if entry["form"] == "hourly":
        if "east" in column:
            values = np.column_stack([np.array(column[k], float) for k in ("east", "north")]) * unit
        else:
            values = toward(np.array(column["direction"], float)) * np.array(column["speed"], float)[:, None] * unit
    else:
        sign = {"slack": 0, "flood": 1, "minimum flood": 1, "ebb": -1, "minimum ebb": -1}
        events = zip(column["event"], column["speed"], strict=True)
        values = np.array([sign[event] * float(speed or 0) * unit for event, speed in events])
        axes = toward(np.array([quantity(entry[k], ANGLE) for k in ("flood", "ebb")]))
    lonlat = position(entry["position"])
    if lonlat is None:
        raise ValueError(f"{entry['name']}: no position")
    return CurrentStation(plane.points(np.array([lonlat]))[0], quantity(entry["reach"], LENGTH), times, values, axes)


class Currents:
    """The current layer of an area."""

    def __init__(self, folder: Path, layer: dict[str, Any], zone: ZoneInfo, plane: Plane) -> None:
        entries = tomllib.loads((folder / layer["file"]).read_text(encoding="utf-8"))["station"]
        self.stations = [read_current_station(folder, entry, zone, plane) for entry in entries]

    def at(self, xy: np.ndarray, times: np.ndarray) -> np.ndarray:
        """Return the current at places in the plane.

        A place is known within some station's reach. Stations count by (1/d - 1/f)², f one and a half reaches
        (Franke & Nielson 1980). Of those that reverse, the signed speeds are averaged and given the mean direction of
        that sign; that and rotary stations' vectors are averaged, so that nothing jumps where one fades.
        """
        known = np.zeros(len(xy), bool)
        total, weighed = np.zeros(len(xy)), np.zeros((len(xy), 2))
        signed = np.zeros(len(xy))
        used: list[tuple[CurrentStation, np.ndarray]] = []
        for station in self.stations:
            away = np.hypot(*(xy - station.xy).T)
            known |= away <= station.reach_m
            weight = np.maximum(1 / np.maximum(away, 1e-3) - 1 / (1.5 * station.reach_m), 0.0) ** 2
            total += weight
            if station.axes is None:
                weighed += np.where(weight[:, None] > 0, weight[:, None] * station.vector(times), 0.0)
            else:
                signed += np.where(weight > 0, weight * station.signed(times), 0.0)
                used.append((station, weight))
        way = np.zeros((len(xy), 2))
        for station, weight in used:
            way += weight[:, None] * np.where((signed >= 0)[:, None], *station.axes)
        way /= np.maximum(np.hypot(*way.T), 1e-300)[:, None]
        weighed += np.abs(signed)[:, None] * way
        weighed[~known] = np.nan
        return weighed / np.where(known, total, np.nan)[:, None]
