"""Water that moves, for tests: currents in closed form, and small areas on disk with tide and current tables.

Tables are written in UTC; hours count from midnight of the trip's day in the small area's zone.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path
from typing import Any

import numpy as np
import shapely
from shapely import MultiLineString, MultiPolygon, box

from layers.area import open_area
from layers.model import Bounds, FloatArray, Station
from spotmap.model import Boat, Limits, Plan
from spotmap.moving import Flow
from spotmap.planner import make_plan
from spotmap.trip import area_folder, read_trip
from tests.small_area import SmallArea, SmallTrip, position

KN = 1852.0 / 3600.0
NM = 1852.0
HOUR_S = 3600.0
MIDNIGHT = datetime(2026, 8, 14, tzinfo=timezone(timedelta(hours=-10)))
BOAT = Boat(2.7 * KN, 18.0 * KN, 12.0, 0.9, None, None)
LIMITS = Limits(0.6, 2.0, 50.0, 50.0, 1.5 * KN, 3.0)


def uniform(x_mps: float, y_mps: float) -> Flow:
    return lambda xy, time_s: np.full((*np.broadcast_shapes(xy.shape[:-1], np.shape(time_s)), 2), (x_mps, y_mps))


def sheared(along_mps: float, per_s: float) -> Flow:
    """A current along x that grows by so much a metre northwards, and sets a little across."""

    def flow(xy: FloatArray, time_s: FloatArray) -> FloatArray:
        del time_s
        return np.column_stack([along_mps + per_s * xy[:, 1], 0.1 + 0.5 * per_s * xy[:, 0]])

    return flow


def turning(most_mps: float, period_s: float, at_rad: float = 0.0) -> Flow:
    """A rotary current of one speed."""

    def flow(xy: FloatArray, time_s: FloatArray) -> FloatArray:
        angle = at_rad + 2.0 * np.pi * np.asarray(time_s) / period_s
        return most_mps * np.column_stack([np.cos(angle), np.sin(angle)]) + 0.0 * xy

    return flow


@dataclass(frozen=True)
class FlatDepth:
    """A bottom that is level but for a tilt, known in a box: a `layers.model.Depth`."""

    depth_m: float = 60.0
    tilt: float = 0.0
    half_m: float = 5000.0

    @property
    def bounds(self) -> Bounds:
        return (-self.half_m, -self.half_m, self.half_m, self.half_m)

    def depth_at(self, x: FloatArray, y: FloatArray) -> FloatArray:
        return self.depth_m + self.tilt * y + 0.0 * x

    def depth_line(self, depth_m: float, within: Bounds | None = None) -> MultiLineString:
        del within
        level = (depth_m - self.depth_m) / self.tilt
        return shapely.multilinestrings([[(-self.half_m, level), (self.half_m, level)]])

    def deeper_than(self, depth_m: float, within: Bounds | None = None, cell_m: float | None = None) -> MultiPolygon:
        del cell_m
        level = (depth_m - self.depth_m) / self.tilt if self.tilt else -self.half_m
        return _clipped(box(-self.half_m, level, self.half_m, self.half_m), within)

    def known(self, within: Bounds | None = None, cell_m: float | None = None) -> MultiPolygon:
        del cell_m
        return _clipped(box(*self.bounds), within)


@dataclass(frozen=True)
class FormulaCurrent:
    """A current in closed form, known in a box about the origin: a `layers.model.Current`."""

    flow: Flow
    half_m: float = 1e6
    reach_s: tuple[float, float] = (-np.inf, np.inf)
    stations: tuple[Station, ...] = ()

    def flow_at(self, x: FloatArray, y: FloatArray, time_s: FloatArray) -> FloatArray:
        x, y, time_s = np.broadcast_arrays(x, y, time_s)
        found = self.flow(np.column_stack([x.ravel(), y.ravel()]), time_s.ravel()).reshape(*x.shape, 2)
        return np.where((np.maximum(np.abs(x), np.abs(y)) <= self.half_m)[..., None], found, np.nan)

    def known(self, within: Bounds | None = None) -> MultiPolygon:
        return _clipped(box(-self.half_m, -self.half_m, self.half_m, self.half_m), within)


@dataclass(frozen=True)
class FormulaTide:
    """A tide in closed form, the same everywhere: a `layers.model.Tide`."""

    height: Callable[[FloatArray], FloatArray]
    reach_s: tuple[float, float] = (-np.inf, np.inf)
    stations: tuple[Station, ...] = ()

    def height_at(self, x: FloatArray, y: FloatArray, time_s: FloatArray) -> FloatArray:
        return self.height(np.asarray(time_s, dtype=np.float64)) + 0.0 * (x + y)

    def least_m(self, start_s: float, end_s: float) -> float:
        return float(self.height(np.linspace(start_s, end_s, 2000)).min())


def _clipped(shape: shapely.Polygon, within: Bounds | None) -> MultiPolygon:
    cut = shape if within is None else shape.intersection(box(*within))
    return shapely.multipolygons([part for part in shapely.get_parts([cut]) if part.geom_type == "Polygon"])


def utc(hours: float, midnight: datetime = MIDNIGHT) -> str:
    return f"{midnight.astimezone(UTC) + timedelta(hours=hours):%Y-%m-%dT%H:%M:%SZ}"


def seconds(hours: float, midnight: datetime = MIDNIGHT) -> float:
    return midnight.timestamp() + hours * HOUR_S


@dataclass
class Race:
    """A current station to write: events (hours, name, knots), by their words slack, flood, ebb."""

    events: Sequence[tuple[float, str, float]]
    x: float = 0.0
    y: float = 0.0
    reach: str = "5 NM"
    flood_deg: float = 90.0
    form: str = "slacks and maxima"


def steady(knots: float, towards_deg: float = 90.0, first: float = -8.0, last: float = 56.0, **more: Any) -> Race:
    """A station whose current never changes, as hourly vectors."""
    hours = np.arange(first, last + 0.5)
    return Race([(hour, f"{towards_deg}", knots) for hour in hours.tolist()], form="hourly", **more)


@dataclass
class MovingArea(SmallArea):
    """A small area with current stations and a tide: (hours, metres) highs and lows."""

    races: Sequence[Race] = ()
    tide: Sequence[tuple[float, float]] = ()
    midnight: datetime = MIDNIGHT

    def write(self, folder: Path) -> Path:
        super().write(folder)
        added = ""
        if self.tide:
            rows = [f"{utc(hour, self.midnight)},{height:.3f}" for hour, height in self.tide]
            (folder / "tide.csv").write_text("\n".join(["time,height", *rows]) + "\n")
            (folder / "tide.toml").write_text(
                '[[station]]\nname = "Test Quay"\nform = "highs and lows"\ntable = "tide.csv"\nunit = "m"\n'
                'datum = "MLLW"\n'
            )
            added += _layer("tide", "tide.toml")
        if self.races:
            (folder / "current.toml").write_text(
                "\n".join(self._race(folder, index, race) for index, race in enumerate(self.races))
            )
            added += _layer("current", "current.toml")
        with (folder / "area.toml").open("a") as file:
            file.write(added)
        return folder

    def _race(self, folder: Path, index: int, race: Race) -> str:
        text = (
            f'[[station]]\nname = "Race {index}"\nposition = "{position(race.x, race.y)}"\nreach = "{race.reach}"\n'
            f'form = "{race.form}"\ntable = "race{index}.csv"\nunit = "kn"\n'
        )
        hourly = race.form == "hourly"
        if not hourly:
            text += f'flood = "{race.flood_deg} deg"\nebb = "{(race.flood_deg + 180) % 360} deg"\n'
        head = "time,direction,speed" if hourly else "time,event,speed"
        rows = [
            f"{utc(hour, self.midnight)},{name},{'' if name == 'slack' else knots}" for hour, name, knots in race.events
        ]
        (folder / f"race{index}.csv").write_text("\n".join([head, *rows]) + "\n")
        return text


def _layer(role: str, file: str) -> str:
    return f'\n[[layer]]\nrole = "{role}"\nfile = "{file}"\nas_of = 2026-03-01\nsource = "made for a test"\n'


def trip_file(folder: Path, trip: SmallTrip, *, day: str = "2026-08-14", limits: str = "") -> Path:
    """Write a trip for a day, with more limits, and return its file."""
    file = trip.write(folder)
    text = file.read_text().replace("date = 2026-08-14", f"date = {day}")
    file.write_text(text.replace("[limits]\n", f"[limits]\n{limits}\n"))
    return file


def plan_of(file: Path) -> Plan:
    area = open_area(area_folder(file))
    return make_plan(area, read_trip(file, area))


def water_path(xy: FloatArray, clock_s: FloatArray, current_mps: FloatArray) -> FloatArray:
    """The path through the water: what was made over the ground less what the current did, by trapezoids."""
    mean = 0.5 * (current_mps[1:] + current_mps[:-1])
    gone = np.cumsum(mean * np.diff(clock_s)[:, None], axis=0)
    return xy - np.vstack([np.zeros((1, 2)), gone])


def radii(xy: FloatArray) -> FloatArray:
    """The circumradius at every inner vertex; infinite where it runs straight."""
    a, b, c = xy[:-2], xy[1:-1], xy[2:]
    one, two, three = (np.hypot(*(q - p).T) for p, q in ((a, b), (b, c), (a, c)))
    twice = np.abs((b - a)[:, 0] * (c - a)[:, 1] - (b - a)[:, 1] * (c - a)[:, 0])
    return one * two * three / np.maximum(2.0 * twice, 1e-12)


@dataclass
class ToldLeg:
    """A leg as plan.geojson tells it, its places in metres of an equidistant projection of our own."""

    told: dict[str, Any]
    xy: FloatArray
    clock_s: FloatArray = field(init=False)
    current_mps: FloatArray = field(init=False)

    def __post_init__(self) -> None:
        self.clock_s = np.array(self.told["clock_s"])
        self.current_mps = np.column_stack([self.told["current_east_mps"], self.told["current_north_mps"]])


def told_legs(plan_json: bytes) -> list[ToldLeg]:
    """The legs of plan.geojson in metres east and north, by WGS 84's radii of curvature at the first place.

    Right to a few parts in ten thousand over a few kilometres, and true east and north everywhere.
    """
    legs = [one for one in json.loads(plan_json)["features"] if one["properties"]["role"] == "leg"]
    lat = np.radians(legs[0]["geometry"]["coordinates"][0][1])
    lon0, lat0 = legs[0]["geometry"]["coordinates"][0]
    e2, a = 0.00669437999014, 6378137.0
    w = np.sqrt(1.0 - e2 * np.sin(lat) ** 2)
    east_m, north_m = np.radians(a / w * np.cos(lat)), np.radians(a * (1.0 - e2) / w**3)
    found = []
    for leg in legs:
        lonlat = np.array(leg["geometry"]["coordinates"])
        found.append(ToldLeg(leg["properties"], (lonlat - (lon0, lat0)) * (east_m, north_m)))
    return found
