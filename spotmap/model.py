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
    line_separation_m: float


@dataclass(frozen=True)
class Setting:
    """How a rod is set from a moment on: by the depth it fishes or by the cable out, whichever is not None.

    Both are None for a flat line, whose depth follows from its line and sinker, and for a clip on another rod's cable.
    """

    since: datetime
    depth_m: float | None
    cable_out_m: float | None


@dataclass(frozen=True)
class Tackle:
    """What hangs on a rod: body and line, in SI. `weight_n` and `line_weight_n_per_m` are weights in water.

    `drag_area_m2` is C_D·A of the ball or sinker and of what is towed at it; `most_line_m` is the cable on the reel.
    """

    weight_n: float
    drag_area_m2: float
    line_diameter_m: float
    line_weight_n_per_m: float
    normal_drag: float
    tangential_drag: float
    most_line_m: float


@dataclass(frozen=True)
class Rod:
    """One line in the water as the trip file asks for it.

    For a flat line `setback_m` is the line let out. A clip on a stacked cable is a rod of its own: `cable_of` names the
    downrigger that carries it, `above_m` is how far up the cable from the ball it sits. `settings` are in order of
    time, the first in force from the trip's start.
    """

    name: str
    kind: Literal["downrigger", "flat line"]
    side: Side
    reach_m: float
    setback_m: float
    tackle: Tackle
    settings: tuple[Setting, ...]
    cable_of: str | None = None
    above_m: float = 0.0


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
    """A rod in one setting with its gear resolved, in SI.

    `depth_m`, `layback_m` and `cable_angle_rad` are at trolling speed; `slow_depth_m` is the depth at the speed that is
    left to the ball in a steady turn at R, `stop_depth_m` where it hangs when the boat stops.
    """

    rod: Rod
    cable_out_m: float
    depth_m: float
    layback_m: float
    cable_angle_rad: float
    slow_depth_m: float
    stop_depth_m: float
    radius_needed_m: float


@dataclass(frozen=True)
class RigStep:
    """The whole rig from a moment on."""

    since: datetime
    rods: tuple[TowedRod, ...]


@dataclass(frozen=True)
class ShorterSetback:
    """What a shorter setback buys: no setback longer than this, the R it gives, and the turn back's length, metres."""

    setback_m: float
    radius_m: float
    turn_m: float


@dataclass(frozen=True)
class TurningRadius:
    """The plan's turning radius and who decides it ("the hull" or a rod's name).

    `rods` hold, for each rod, the setting that asks for the widest turn; `steps` the whole rig through the trip;
    `setbacks` is the skipper's table, today's setback first.
    """

    radius_m: float
    decided_by: str
    rods: tuple[TowedRod, ...]
    steps: tuple[RigStep, ...]
    setbacks: tuple[ShorterSetback, ...]


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

    `xy` is (n, 2) local metres, chord error below 0.25 m (gear-down legs: 5 mm), first and last
    vertex shared with the neighbours. `label` is short enough for any plotter. `turn_side` is set on turns. In moving
    water `clock_s` (n,) is each vertex's time since the leg's start and `current_mps` (n, 2) the current met there, in
    the local axes; both are None where the leg was planned in still water.
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
    clock_s: FloatArray | None = None
    current_mps: FloatArray | None = None


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
class LureTrack:
    """Where a rod's lure goes on one leg: `xy` (n, 2) over the ground at `clock_s` (n,) seconds from the leg's start.

    Its depth, and its slowest speed through the water.
    """

    rod: str
    seq: int
    xy: FloatArray
    clock_s: FloatArray
    depth_min_m: float
    depth_max_m: float
    slowest_mps: float


@dataclass(frozen=True)
class Touch:
    """A place where a rod's gear comes nearer the bottom than its clearance, or nearer something than its standoff.

    `at_start` says that it is so only while gear still trails over water from before the leg's start.
    """

    rod: str
    seq: int
    what: str
    short_m: float
    bottom: bool
    at_start: bool


@dataclass(frozen=True)
class Together:
    """Two rods' lines that a leg brings nearer than the limit, and how near they run on a straight course."""

    rods: tuple[str, str]
    seq: int
    distance_m: float
    straight_m: float


@dataclass(frozen=True)
class Stop:
    """How much of the gear-down track is too shallow for a rod's gear to hang straight down when the boat stops."""

    rod: str
    hang_m: float
    length_m: float
    share: float
    seqs: tuple[int, ...]


@dataclass(frozen=True)
class Sweep:
    """All that the gear does on a trip."""

    tracks: tuple[LureTrack, ...]
    touches: tuple[Touch, ...]
    together: tuple[Together, ...]
    stops: tuple[Stop, ...]
    clearance_m: float


PARTLY_OPEN = " (ground, outside its hours or dates)"
"""What the name of a ground ends with where it stands for closed water."""


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
class TideChoice:
    """What is done with a piece of work for a part of its time, and why.

    `flow_mps` is the current at the work in the middle of that time, in the local axes, `strongest_mps` its most.
    The two shares are minutes on the line in an hour, None where that pattern cannot be worked then.
    """

    since: datetime
    until: datetime
    pattern: PatternName
    flow_mps: tuple[float, float]
    strongest_mps: float
    loop_min_per_h: float | None
    one_way_min_per_h: float | None
    words: str


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
    tide: tuple[TideChoice, ...] = ()


@dataclass(frozen=True)
class DayTable:
    """The trip minute by minute; every array is (n, ...), NaN where a thing is not known or not there.

    `seq` is the leg under way and `xy` where the boat is. `tide_m` is the height of the tide there and `rising_mps`
    how fast it rises. `flow_mps` is the current at the boat, `work_flow_mps` the one at the piece of work that is
    being worked or comes next, both in the local axes. `charted_m` is the charted depth under the boat, `gear_m` the
    depth of the deepest gear in the water. `light` is 0 at night, 1 in civil twilight, 2 by day. `events` are the
    moments at which grounds and closures change, in words.
    """

    moments: tuple[datetime, ...]
    seq: npt.NDArray[np.intp]
    xy: FloatArray
    tide_m: FloatArray
    rising_mps: FloatArray
    flow_mps: FloatArray
    work_flow_mps: FloatArray
    charted_m: FloatArray
    gear_m: FloatArray
    light: npt.NDArray[np.intp]
    events: tuple[tuple[datetime, str], ...]


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
    swept: Sweep
    day: DayTable
    warnings: tuple[str, ...]
    cautions: tuple[str, ...]
