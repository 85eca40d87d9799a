"""Facts of places on a visit, computed from an area's layers: the bottom, the rules, what is near, the run, the water.

What a layer does not tell is NaN, None or a reason in words, never a number.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, time, timedelta
from math import nan
from typing import Literal

import numpy as np
import numpy.typing as npt
import shapely
from shapely import Point

from layers.model import Area, FloatArray
from layers.relief import slope_at
from spotmap.clock import before, later
from spotmap.homeruns import Harbour, HomeRun, NoRun, home_runs
from spotmap.model import Boat, Limits, Trip
from spotmap.openings import NearClosure, Spell, nearest_closures, spells_at
from spotmap.roundlines import NearLine, near_lines, steps_at
from spotmap.spotwater import Hour, Slack, moving_at, true_deg
from spotmap.water import Fishery, Span, keep_off

SLOPE_CELL_M = 25.0
"""The bottom's slope is told over cells of this size, three by three of them."""
LINES_WITHIN_M = 1000.0
"""Depth lines farther from a place than this are not told."""
NEAR_CAUTION_M = 50.0
"""A caution that is a line or a place is told this near, as to a plan's legs (common practice, no source)."""
USUAL_LIMITS = Limits(
    lure_speed_floor=0.75,
    bottom_clearance_m=3.048,
    closure_standoff_m=50.0,
    shore_standoff_m=60.0,
    strong_current_mps=1.5 * 1852.0 / 3600.0,
    line_separation_m=6.0 * 0.3048,
)
"""The limits of a trip file that states none."""

Where = Literal["water", "unknown water", "land", "outside"]


@dataclass(frozen=True)
class Visit:
    """When, by whom and for what a place is asked about; `start` and `end` are zone-aware, `home` in local metres.

    Without a home or a boat there are no runs.

    Raises
    ------
    ValueError
        The times have no zone or no time between them, or species or method is empty: rules would be missed.
    """

    on: date
    start: datetime
    end: datetime
    species: str
    method: str
    home: Point | None
    boat: Boat | None
    limits: Limits
    home_name: str = "home"

    def __post_init__(self) -> None:
        if self.start.tzinfo is None or self.end.tzinfo is None or not before(self.start, self.end):
            raise ValueError("a visit needs a start and a later end, both with their zone")
        if not self.species.strip() or not self.method.strip():
            raise ValueError("a visit needs a species and a method: closures and grounds list them")

    @property
    def fishery(self) -> Fishery:
        """Return which fishing is meant."""
        return Fishery(self.species, self.method)


def visit_of(trip: Trip) -> Visit:
    """Return the visit that a trip makes."""
    return Visit(
        trip.date, trip.start, trip.latest_end, trip.species, trip.method, trip.home, trip.boat, trip.limits,
        trip.home_name,
    )  # fmt: skip


def visit_on(  # noqa: PLR0913  a command's options one by one
    area: Area,
    on: date,
    *,
    species: str,
    method: str = "troll",
    start: time = time(0),
    hours: float | None = None,
    home: Point | None = None,
    home_name: str = "home",
    boat: Boat | None = None,
    limits: Limits = USUAL_LIMITS,
) -> Visit:
    """Return a visit from bare options: a day on the area's clock, from `start` to its end unless `hours` are told.

    Raises
    ------
    ValueError
        As `Visit`.
    """
    begin = datetime.combine(on, start, area.timezone)
    # a day on which the clock changes has 23 hours, or 25
    midnight = datetime.combine(on + timedelta(days=1), time(0), area.timezone)
    end = midnight if hours is None else later(begin, timedelta(hours=hours))
    return Visit(on, begin, end, species, method, home, boat, limits, home_name)


@dataclass(frozen=True)
class NearThing:
    """A thing that gear keeps off, nearer than that: in words, how far it is and how far gear keeps off, metres."""

    words: str
    distance_m: float
    keep_m: float


@dataclass(frozen=True)
class SpotFacts:
    """What the layers say of a place on a visit.

    `depth_m` is charted, `uncertainty_m` how much shallower it may be: NaN where the data states none. `slope_deg` and
    `facing_deg` (true, towards deeper water; NaN on a level bottom) are over cells of `slope_cell_m`, NaN where
    depth areas have the say, which is `stepped`. `lines` holds the next shallower and the next deeper round line within
    `lines_within_m`. `spells` is empty on land and outside. `strongest_mps` is NaN unless the current is known all
    through the visit.
    """

    point: Point
    visit: Visit
    where: Where
    depth_m: float
    uncertainty_m: float
    slope_deg: float
    facing_deg: float
    slope_cell_m: float
    stepped: bool
    lines: tuple[NearLine, ...]
    lines_within_m: float
    closure: NearClosure | None
    spells: tuple[Spell, ...]
    near: tuple[NearThing, ...]
    cautions: tuple[str, ...]
    run: HomeRun | NoRun
    hours: tuple[Hour, ...]
    slacks: tuple[Slack, ...]
    strongest_mps: float

    @property
    def open_throughout(self) -> bool:
        """Return whether the place is known to be open to the fishing all through the visit."""
        return bool(self.spells) and all(spell.open for spell in self.spells)


def spot_facts(area: Area, point: Point, visit: Visit) -> SpotFacts:
    """Return the facts of one place, local metres; see `facts_of`."""
    return facts_of(area, [point], visit)[0]


def facts_of(
    area: Area,
    points: Sequence[Point],
    visit: Visit,
    *,
    slope_cell_m: float = SLOPE_CELL_M,
    lines_within_m: float = LINES_WITHIN_M,
) -> tuple[SpotFacts, ...]:
    """Return the facts of many places on a visit.

    Parameters
    ----------
    area
        The area.
    points
        Places in local metres.
    visit
        When, by whom and for what.
    slope_cell_m
        The scale of slope and facing, metres.
    lines_within_m
        How far depth lines are looked for, metres.

    Returns
    -------
    tuple of SpotFacts
        In the order of `points`.
    """
    if not points:
        return ()
    x, y = shapely.get_coordinates(np.array([*points], dtype=np.object_)).T
    span = Span(visit.start.astimezone(area.timezone), visit.end.astimezone(area.timezone))
    depth_m, where = _depth_and_where(area, points, x, y)
    uncertainty_m = depth_m - area.safe_depth.depth_at(x, y)
    uncertainty_m[~(uncertainty_m > 0.0)] = nan
    stepped = steps_at(area.depth, x, y) & ~np.isnan(depth_m)
    slope_deg, facing_deg = _slopes(area, x, y, ~np.isnan(depth_m), slope_cell_m)
    lines = near_lines(area, points, depth_m, stepped, lines_within_m)
    closures = nearest_closures(area, visit.fishery, visit.limits, span, points)
    spells = spells_at(area, visit.fishery, span, points)
    near = _near(area, visit, span, points)
    runs = _runs(area, visit, span, points, where)
    return tuple(
        SpotFacts(
            point=point,
            visit=visit,
            where=where[at],
            depth_m=float(depth_m[at]),
            uncertainty_m=float(uncertainty_m[at]),
            slope_deg=float(slope_deg[at]),
            facing_deg=float(facing_deg[at]),
            slope_cell_m=slope_cell_m,
            stepped=bool(stepped[at]),
            lines=lines[at],
            lines_within_m=lines_within_m,
            closure=closures[at],
            spells=() if where[at] in ("land", "outside") else spells[at],
            near=near[at],
            cautions=_cautions(area, point),
            run=runs[at],
            hours=hours,
            slacks=slacks,
            strongest_mps=strongest_mps,
        )
        for at, (point, (hours, slacks, strongest_mps)) in enumerate(
            zip(points, moving_at(area, span, x, y), strict=True)
        )
    )


def _depth_and_where(
    area: Area, points: Sequence[Point], x: FloatArray, y: FloatArray
) -> tuple[FloatArray, tuple[Where, ...]]:
    west, south, east, north = area.depth.bounds
    inside = (x >= west) & (x <= east) & (y >= south) & (y <= north)
    land = shapely.intersects(area.land, np.array([*points], dtype=np.object_))
    depth_m = np.where(land, nan, area.depth.depth_at(x, y))
    names: tuple[Where, ...] = ("land", "outside", "unknown water", "water")
    which = np.select([land, ~inside, np.isnan(depth_m)], [0, 1, 2], 3)
    return depth_m, tuple(names[one] for one in which.tolist())


def _slopes(
    area: Area, x: FloatArray, y: FloatArray, asked: npt.NDArray[np.bool_], cell_m: float
) -> tuple[FloatArray, FloatArray]:
    slope_deg, facing_deg = np.full(len(x), nan), np.full(len(x), nan)
    if asked.any():
        slope, facing = slope_at(area.depth, x[asked], y[asked], cell_m)
        slope_deg[asked] = slope
        facing_deg[asked] = true_deg(area, x[asked], y[asked], facing)
    return slope_deg, facing_deg


def _near(area: Area, visit: Visit, span: Span, points: Sequence[Point]) -> list[tuple[NearThing, ...]]:
    """Return what is nearer to each place than gear keeps off it: land, hazards, lanes. Closures are told apart."""
    box = tuple(shapely.total_bounds(points).tolist())
    things = keep_off(replace(area, closures=()), visit.fishery, visit.limits, span, box)
    found: list[list[NearThing]] = [[] for _ in points]
    if things:
        tree = shapely.STRtree(np.array([*points], dtype=np.object_))
        shapes = np.array([thing.shape for thing in things], dtype=np.object_)
        which, at = tree.query(shapes, predicate="dwithin", distance=np.array([thing.distance_m for thing in things]))
        away_m = shapely.distance(shapes[which], tree.geometries[at])
        for thing, place, distance_m in zip(which.tolist(), at.tolist(), away_m.tolist(), strict=True):
            found[place].append(NearThing(things[thing].words, distance_m, things[thing].distance_m))
    return [tuple(sorted(one, key=lambda thing: thing.distance_m)) for one in found]


def _cautions(area: Area, point: Point) -> tuple[str, ...]:
    told = []
    for caution in area.cautions:
        if shapely.dwithin(caution.shape, point, 0.0 if caution.shape.area > 0.0 else NEAR_CAUTION_M):
            kind = caution.kind or "place to take care at"
            named = kind if caution.name in ("", caution.kind) else f"{kind} '{caution.name}'"
            told.append(f"{named}: {caution.note}".rstrip(": "))
    return tuple(dict.fromkeys(told))


def _runs(
    area: Area, visit: Visit, span: Span, points: Sequence[Point], where: Sequence[Where]
) -> tuple[HomeRun | NoRun, ...]:
    if visit.home is None:
        return (NoRun("no home is told"),) * len(points)
    if visit.boat is None:
        return (NoRun("no boat is told, so no draft"),) * len(points)
    harbour = Harbour(visit.home, visit.home_name, visit.boat)
    afloat = [at for at, one in enumerate(where) if one == "water"]
    asked = home_runs(area, visit.fishery, visit.limits, span, harbour, [points[at] for at in afloat])
    runs = dict(zip(afloat, asked, strict=True))
    why: dict[Where, NoRun] = {
        "land": NoRun("it lies on land"),
        "outside": NoRun("it lies outside the area"),
        "unknown water": NoRun("the depth there is not known"),
        "water": NoRun(""),
    }
    return tuple(runs.get(at, why[one]) for at, one in enumerate(where))
