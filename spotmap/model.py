"""The meaning of a trip and of a plan: plain frozen records in SI units."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Literal

import numpy as np
import numpy.typing as npt
from shapely import Point
from shapely.geometry.base import BaseGeometry

from layers.model import Area

FloatArray = npt.NDArray[np.float64]
LegKind = Literal["run", "pass", "turn"]
Side = Literal["port", "starboard", "stern"]
PatternName = Literal["loop", "one-way", "weave"]


@dataclass(frozen=True)
class Boat:
    """The boat; speeds through the water, `turn_radius_m` the hull's own at trolling speed."""

    troll_speed_mps: float
    run_speed_mps: float
    turn_radius_m: float
    draft_m: float
    fuel_troll_lph: float | None
    fuel_run_lph: float | None


@dataclass(frozen=True)
class Limits:
    """What the skipper will not go below."""

    lure_speed_floor: float
    bottom_clearance_m: float
    closure_standoff_m: float
    shore_standoff_m: float
    strong_current_mps: float


@dataclass(frozen=True)
class Rod:
    """One line in the water as the trip file asks for it. Exactly one of `depth_m` and `cable_out_m` is set.

    For a flat line `setback_m` is the line let out and neither `depth_m` nor `cable_out_m` need be set.
    """

    name: str
    kind: Literal["downrigger", "flat line"]
    side: Side
    reach_m: float
    setback_m: float
    weight_kg: float
    depth_m: float | None
    cable_out_m: float | None
    line_diameter_m: float


@dataclass(frozen=True)
class Work:
    """One piece of work: a pattern on a depth line. Exactly one of `duration` and `passes` is set."""

    pattern: PatternName
    depth_line_m: float
    return_line_m: float | None
    near: Point
    near_name: str
    length_m: float
    duration: timedelta | None
    passes: int | None


@dataclass(frozen=True)
class Trip:
    """A trip, read and checked; positions are in the area's local metres."""

    file: Path
    area_folder: Path
    date: date
    start: datetime
    hours: float
    home: Point
    home_name: str
    species: str
    method: str
    boat: Boat
    limits: Limits
    rods: tuple[Rod, ...]
    works: tuple[Work, ...]

    @property
    def latest_end(self) -> datetime:
        """Return when the trip must be over, counted in absolute time across a change of the clock."""
        return (self.start.astimezone(UTC) + timedelta(hours=self.hours)).astimezone(self.start.tzinfo)


@dataclass(frozen=True)
class TowedRod:
    """A rod with its gear resolved at trolling speed: what plan.geojson says of it, in SI."""

    rod: Rod
    cable_out_m: float
    depth_m: float
    layback_m: float
    cable_angle_rad: float
    weight_n: float
    drag_area_m2: float
    line_weight_n_per_m: float
    normal_drag: float
    tangential_drag: float
    radius_needed_m: float


@dataclass(frozen=True)
class TurningRadius:
    """The plan's turning radius and who decides it ("the hull" or a rod's name).

    `shorter` is the skipper's table: (setback of the deciding rod or rods at most, metres; the R it gives, metres).
    """

    radius_m: float
    decided_by: str
    rods: tuple[TowedRod, ...]
    shorter: tuple[tuple[float, float], ...]


@dataclass(frozen=True)
class OffLine:
    """How far a pass runs off its depth line, metres, and the charted depth under it."""

    median_m: float
    p95_m: float
    worst_m: float
    depth_mean_m: float
    depth_min_m: float
    depth_max_m: float


@dataclass(frozen=True)
class Leg:
    """One stretch of track before it has a time.

    `xy` is (n, 2) local metres, chord error below 0.25 m (gear-down legs: 5 mm), first and last vertex shared with
    the neighbours. `label` is short enough for any plotter. `turn_side` is set on turns.
    """

    kind: LegKind
    xy: FloatArray
    label: str
    work: int | None = None
    pattern: PatternName | None = None
    depth_line_m: float | None = None
    off_line: OffLine | None = None
    turn_side: Literal["port", "starboard"] | None = None
    speed_mps: float | None = None
    note: str = ""


@dataclass(frozen=True)
class TimedLeg:
    """A leg with its clock and cost. Courses are degrees clockwise, at the leg's start and end."""

    seq: int
    leg: Leg
    start: datetime
    end: datetime
    length_m: float
    speed_mps: float
    course_start_true_deg: float
    course_end_true_deg: float
    course_start_magnetic_deg: float
    course_end_magnetic_deg: float
    fuel_l: float | None


@dataclass(frozen=True)
class ClosedWater:
    """A closure in force at some time during the trip (or water outside every open ground).

    `changes` are the moments within the trip at which it opens or closes; `in_force` says so for its beginning.
    """

    name: str
    forbids: Literal["fishing", "entry"]
    reference: str
    shape: BaseGeometry
    standoff_m: float
    in_force_at_start: bool
    changes: tuple[datetime, ...]
    dates: str


@dataclass(frozen=True)
class Sun:
    """The day's light at the work; None where the sun does not cross that height on the day."""

    dawn: datetime | None
    sunrise: datetime | None
    sunset: datetime | None
    dusk: datetime | None


@dataclass(frozen=True)
class Totals:
    """The whole trip in figures."""

    fishing: timedelta
    turning: timedelta
    running: timedelta
    distance_m: float
    fuel_l: float | None


@dataclass(frozen=True)
class WorkReport:
    """What became of a piece of work: its words for the skipper. `cuts` say what was cut and why."""

    index: int
    title: str
    wanted_length_m: float
    length_m: float
    passes: int
    off_line: OffLine
    cuts: tuple[str, ...]
    choices: tuple[str, ...]


@dataclass(frozen=True)
class Plan:
    """A checked plan: everything that the outputs show."""

    area: Area
    trip: Trip
    radius: TurningRadius
    legs: tuple[TimedLeg, ...]
    works: tuple[WorkReport, ...]
    closed: tuple[ClosedWater, ...]
    sun: Sun
    magnetic_variation_deg: float
    totals: Totals
    warnings: tuple[str, ...]
    cautions: tuple[str, ...]
