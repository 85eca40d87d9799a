"""Placing work in time: which water is open while it is worked, and what to do when that changes."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

import shapely
from shapely import LineString, MultiPolygon

from layers.model import Area
from layers.units import format_quantity
from spotmap.clock import before, elapsed, later
from spotmap.depthline import Stretch
from spotmap.gear import deepest_gear_m, steps_in
from spotmap.model import Trip, TurningRadius, Work
from spotmap.passes import NoPass, most_workable_m
from spotmap.patterns import FittedWork, Ground, box_around, fit_work, stretches_of
from spotmap.water import (
    UNDER_KEEL_M,
    Fishery,
    GearWater,
    NeededDepth,
    Only,
    Span,
    change_times,
    gear_water,
    least_tide_m,
)

_NEARLY_ALL = 0.95
"""A stretch workable to this share is taken as it is, without looking for a better time."""
_WORTH_TRYING = 1.1
"""Another time is tried only where it could bring so many times as much line and time."""
_NEARLY_THAT = 1.25
_LONGEST_TURN_RADII = 7.5
"""A Dubins turn back along the same line takes 7π/3 radii."""


@dataclass(frozen=True)
class PlacedWork:
    """A piece of work fitted to the water that stays open during `span`, the whole of which it may be worked in.

    After a run gear goes down `gear_down_after_m` into the pass, where it must not trail behind the pass's start.
    """

    index: int
    fitted: FittedWork
    span: Span
    begin_by_wait: datetime | None
    stop_by: datetime | None
    note: str
    gear_down_after_m: float = 0.0


@dataclass(frozen=True)
class Brief:
    """What every piece of work is laid out under: the area, the trip and its rig.

    `spare_m` is how far beside the boat gear runs, kept on top of every standoff; `deeper_m` how much deeper than the
    gear asks for the water must be, where gear beside the boat has been too near the bottom; with `off_unknown` the
    spare is kept from water of unknown depth too, with `off_shoal` also from water that is too shallow.
    """

    area: Area
    trip: Trip
    radius: TurningRadius
    spare_m: float
    deeper_m: float
    off_unknown: bool = False
    off_shoal: bool = False


@dataclass(frozen=True)
class Before:
    """A piece of work laid out for another time, and the bends that it was laid out with."""

    bend_out_m: float
    bend_back_m: float
    out_forward: bool | None
    fitted: FittedWork


@dataclass(frozen=True)
class InCurrent:
    """What the current asks of a piece of work for a time: its pattern then, and how its passes must bend.

    `bend_out_m` and `bend_back_m` are the least radii over the ground of the line run out and the line run back;
    `out_forward` is the way that the first must be run (None: either). `aside_m` is how far gear trails aside of the
    track; `known` is the water in which the current is known. `before` are passes laid out for another time of the same
    work, to be taken again where they serve.
    """

    work: Work
    bend_out_m: float
    bend_back_m: float
    out_forward: bool | None
    aside_m: float
    known: MultiPolygon
    before: tuple[Before, ...] = ()

    def served_by(self, water: GearWater) -> FittedWork | None:
        """Return passes laid out before that lie in this water and bend as little as is asked, if there are some."""
        for one in self.before:
            bends = ((one.bend_out_m, self.bend_out_m), (one.bend_back_m, self.bend_back_m))
            alike = one.fitted.work == self.work and one.out_forward == self.out_forward
            if alike and all(asked <= had <= _NEARLY_THAT * asked for had, asked in bends):
                tracks = [LineString(line.xy) for line in one.fitted.passes.values()]
                if shapely.covers(water.allowed, tracks).all():
                    return replace(one.fitted, water=water)
        return None


def place_work(
    brief: Brief, index: int, stretches: Sequence[Stretch], span: Span, current: InCurrent | None = None
) -> PlacedWork | NoPass:
    """Return a piece of work laid out for a span of time.

    Where the water opens or closes during the span, it is also tried to wait until it opens and to stop before it
    closes; what gives the most minutes on the most line is taken.

    Parameters
    ----------
    brief
        The area, the trip and its rig.
    index
        Which piece of work, from 0.
    stretches
        The stretches of depth line that it asks for.
    span
        From the earliest that it may begin to the latest that it may end.
    current
        What the current asks for; None in still water.

    Returns
    -------
    PlacedWork or NoPass
        Or why nothing of it can be worked, by the whole span's reasons.
    """
    area, trip, radius = brief.area, brief.trip, brief.radius
    work = trip.works[index] if current is None else current.work
    best: PlacedWork | None = None
    best_score = 0.0
    tried: list[tuple[GearWater, FittedWork | NoPass]] = []
    around = shapely.box(*box_around(stretches, radius.radius_m)).buffer(trip.limits.closure_standoff_m)
    day = Span(span.start, max(span.end, trip.latest_end))
    for option in _options(span, change_times(area, Fishery(trip.species, trip.method), day, around)):
        water = _water(brief, stretches, option.span, current)
        usable_s = elapsed(option.span.start, min(option.span.end, trip.latest_end)).total_seconds()
        if best is not None:
            bound = most_workable_m(stretches[0], radius.radius_m, water) / work.length_m * usable_s
            if bound <= _WORTH_TRYING * best_score:
                continue
        same = (fitted for other, fitted in tried if shapely.equals_exact(other.allowed, water.allowed))
        served = None if current is None else current.served_by(water)
        fitted = next(same, served) or fit_work(work, _ground(stretches, water, radius.radius_m, current))
        tried.append((water, fitted))
        if isinstance(fitted, NoPass):
            continue
        kept = fitted.passes["out"].length_m / work.length_m
        score = kept * usable_s
        if score > best_score:
            best_score = score
            best = PlacedWork(index, fitted, option.span, option.begin_by_wait, option.stop_by, option.note)
        if option.span == span and kept >= _NEARLY_ALL:
            break
    if best is not None:
        return best
    _, failure = tried[0]
    return failure if isinstance(failure, NoPass) else NoPass(("the water is open for too short a time",), 0.0)


def fit_at_radius(brief: Brief, work: Work, span: Span) -> FittedWork | NoPass:
    """Return a piece of work fitted to the water open throughout a span, with the brief's radius and gear."""
    radius_m = brief.radius.radius_m
    stretches = stretches_of(work, brief.area.depth, radius_m)
    if isinstance(stretches, NoPass):
        return stretches
    return fit_work(work, Ground(stretches, _water(brief, stretches, span), radius_m))


def _ground(stretches: Sequence[Stretch], water: GearWater, radius_m: float, current: InCurrent | None) -> Ground:
    if current is None:
        return Ground(tuple(stretches), water, radius_m)
    bends = (current.bend_out_m, current.bend_back_m)
    return Ground(tuple(stretches), water, radius_m, *bends, current.out_forward, moving=True)


def _water(brief: Brief, stretches: Sequence[Stretch], span: Span, current: InCurrent | None = None) -> GearWater:
    aside_m = 0.0 if current is None else current.aside_m
    return gear_water(
        brief.area,
        Fishery(brief.trip.species, brief.trip.method),
        brief.trip.limits,
        span,
        needed=needed_depth(replace(brief, spare_m=brief.spare_m + aside_m), span),
        within=box_around(stretches, brief.radius.radius_m),
        only=None if current is None else Only("the current is not known there", current.known),
    )


def needed_depth(brief: Brief, span: Span) -> NeededDepth:
    """Return the charted depth that the gear set during a span asks for.

    It holds the gear hung as deep as in a turn, and the clearance; the lowest tide of the span is counted.
    """
    steps = steps_in(brief.radius, span.start, span.end)
    straight_m, slow_m = (deepest_gear_m(steps, slowed=slowed) for slowed in (False, True))
    clearance_m = brief.trip.limits.bottom_clearance_m
    tide_m = least_tide_m(brief.area, span)
    # and the boat floats by the chart alone, as on a run
    afloat_m = brief.trip.boat.draft_m + UNDER_KEEL_M - min(tide_m, 0.0)
    needed_m = max(slow_m + clearance_m + brief.deeper_m - tide_m, afloat_m)
    unit = brief.area.show.depth
    needed, straight, slow, clearance = (
        format_quantity(value, unit) for value in (needed_m, straight_m, slow_m, clearance_m)
    )
    tide = "" if brief.area.tide is None else f", the tide at {format_quantity(tide_m, unit, 1)} at its lowest"
    words = (
        f"shallower than {needed} (gear at {straight}, {slow} when slowed in a turn, and {clearance} clearance{tide})"
    )
    return NeededDepth(needed_m, words, brief.spare_m, brief.off_unknown, brief.off_shoal)


def longest_duration(work: Work, trip: Trip, radius_m: float) -> timedelta:
    """Return the longest that a piece of work can take: its minutes, or its passes with the longest turns."""
    if work.duration is not None:
        return work.duration
    one_pass_s = (1.3 * work.length_m + _LONGEST_TURN_RADII * radius_m) / trip.boat.troll_speed_mps
    back_s = 2.0 * work.length_m / trip.boat.run_speed_mps if work.pattern == "one-way" else 0.0
    return timedelta(seconds=(work.passes or 1) * (one_pass_s + back_s))


@dataclass(frozen=True)
class _Option:
    span: Span
    begin_by_wait: datetime | None = None
    stop_by: datetime | None = None
    note: str = ""


def _options(span: Span, moments: tuple[datetime, ...]) -> Iterator[_Option]:
    yield _Option(span)
    for moment in moments:
        if before(span.start, moment):
            waiting = Span(moment, later(moment, elapsed(span.start, span.end)))
            yield _Option(waiting, begin_by_wait=moment, note=f"begins at {moment:%H:%M}, when water opens")
            stop = later(moment, timedelta(seconds=-1))
            if before(span.start, stop) and before(stop, span.end):
                yield _Option(Span(span.start, stop), stop_by=stop, note=f"ends by {moment:%H:%M}, when water closes")
