"""The timetable: which work is done when, how many passes fit, when to leave and when to be back."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from datetime import timedelta

from shapely import MultiLineString
from shapely.geometry.base import BaseGeometry

from layers._errors import InputError
from layers.model import Area
from layers.units import format_quantity
from spotmap._errors import NoPlanError
from spotmap.clock import before, elapsed, later, time_legs
from spotmap.depthline import Stretch
from spotmap.journey import Outing, choose_first_passes, legs_of, passes_that_fit, work_duration
from spotmap.model import TimedLeg, Trip
from spotmap.passes import NoPass
from spotmap.patterns import stretches_of
from spotmap.placing import Brief, PlacedWork, longest_duration, place_work
from spotmap.remedies import remedies_for
from spotmap.report import work_title
from spotmap.water import Span
from spotmap.ways import Runs

_RUN_SPARE = timedelta(minutes=3)
_OFF_THE_LINE_M = 200.0
"""A pass may begin so far from its depth line: a weave, a track eased round a bend."""
_DECIMETRE = 0.1


@dataclass(frozen=True)
class Laid:
    """Work laid out in water and time, with what had to be left out, in words."""

    placed: tuple[PlacedWork, ...]
    left_out: tuple[str, ...]

    def with_gear_down_after(self, works: Collection[int], distance_m: float) -> Laid:
        """Return the same, gear going down so far into the passes of some pieces of work."""
        placed = tuple(replace(one, gear_down_after_m=distance_m) if one.index in works else one for one in self.placed)
        return replace(self, placed=placed)


def lay_out(brief: Brief, detour: float) -> Laid:
    """Place each piece of work in the span in which it can be worked, one after the other.

    Parameters
    ----------
    brief
        The area, the trip and its rig.
    detour
        How much longer than the straight way the runs may be: the spans are made to hold that.

    Returns
    -------
    Laid
        At least one piece of work.

    Raises
    ------
    InputError
        When the area has no line at the wanted depth at all.
    NoPlanError
        When nothing of any piece of work can be worked, with what would help.
    """
    area, trip, radius = brief.area, brief.trip, brief.radius
    placed: list[PlacedWork] = []
    left_out: list[str] = []
    failures: list[tuple[int, NoPass]] = []
    earliest = latest = trip.start
    here: BaseGeometry = trip.home
    for index, work in enumerate(trip.works):
        stretches = stretches_of(work, area.depth, radius.radius_m)
        there = MultiLineString() if isinstance(stretches, NoPass) else _lines(stretches)
        if isinstance(stretches, NoPass):
            fitted: PlacedWork | NoPass = stretches
        else:
            nearest, farthest = run_times(here, there, trip.boat.run_speed_mps)
            longest = longest_duration(work, trip, radius.radius_m)
            span = Span(later(earliest, nearest), later(latest, farthest * detour + _RUN_SPARE + longest))
            fitted = place_work(brief, index, stretches, span)
        if isinstance(fitted, NoPass):
            refuse_missing_lines(area, trip, index)
            failures.append((index, fitted))
            left_out.append(
                f"work {index + 1} ({work_title(work, area.show)}) is left out: " + "; ".join(fitted.reasons[:3])
            )
            continue
        placed.append(fitted)
        took = _least_duration(fitted, trip)
        earliest, latest = later(fitted.span.start, took), fitted.span.end
        here = there
    if not placed:
        index, failure = failures[0]
        raise NoPlanError(
            f"Nothing of work {index + 1} ({work_title(trip.works[index], area.show)}) can be worked.",
            failure.reasons,
            remedies_for(brief, index, Span(trip.start, trip.latest_end)),
        )
    return Laid(tuple(placed), tuple(left_out))


def _lines(stretches: Sequence[Stretch]) -> MultiLineString:
    return MultiLineString([stretch.line for stretch in stretches])


def run_times(here: BaseGeometry, there: BaseGeometry, speed_mps: float) -> tuple[timedelta, timedelta]:
    """Return the shortest and the longest straight run between two pieces of work."""
    return (
        timedelta(seconds=max(here.distance(there) - _OFF_THE_LINE_M, 0.0) / speed_mps),
        timedelta(seconds=(here.hausdorff_distance(there) + _OFF_THE_LINE_M) / speed_mps),
    )


def _least_duration(placed: PlacedWork, trip: Trip) -> timedelta:
    # a stop before a closing may leave fewer passes than the minutes asked for
    count = _count(placed, trip) if placed.stop_by is None else 1
    return min(work_duration(placed.fitted, first, count, trip) for first in placed.fitted.graph)


def _count(placed: PlacedWork, trip: Trip) -> int:
    work = placed.fitted.work
    first = min(placed.fitted.graph.nodes)
    day = timedelta(hours=trip.hours)
    most = passes_that_fit(placed.fitted, first, day if work.duration is None else min(work.duration, day), trip)
    return most if work.passes is None else min(work.passes, most)


def fit_day(laid: Laid, runs: Runs, variation_deg: float) -> tuple[list[Outing], tuple[TimedLeg, ...], tuple[str, ...]]:
    """Return the outings that fit into the day and their legs in time.

    Passes are left off, one at a time, wherever work runs past its closing or the trip past its hours.

    Parameters
    ----------
    laid
        The work, laid out.
    runs
        The ways between pieces of work.
    variation_deg
        Magnetic variation, degrees, east positive.

    Returns
    -------
    tuple
        The outings, their legs in time, and what was left out, in words.

    Raises
    ------
    NoPlanError
        When no piece of work fits.
    """
    trip, area = runs.trip, runs.area
    counted = [(work, _count(work, trip)) for work in laid.placed]
    left_out: list[str] = []
    while counted:
        outings = choose_first_passes(trip.home, counted)
        timed = _timed(outings, runs, variation_deg)
        late = _first_late(outings, timed, trip)
        if late is None:
            return outings, timed, tuple(left_out)
        position, over = late
        work, count = counted[position]
        if count > 1:
            counted[position] = (work, max(1, count - max(1, int(over / _longest_pass(work, trip)))))
        else:
            counted.pop(position)
            title = work_title(work.fitted.work, area.show)
            left_out.append(f"work {work.index + 1} ({title}) is left out: no time is left for one pass")
    raise NoPlanError(
        f"The trip's {trip.hours:g} h leave no time for one pass.",
        ["running there and back and one pass take longer than the trip, or than the water stays open"],
        ["more hours", "a shorter stretch", "work nearer home"],
    )


def _first_late(outings: Sequence[Outing], timed: Sequence[TimedLeg], trip: Trip) -> tuple[int, timedelta] | None:
    """Return which outing must lose passes, and how late it is.

    That is the first that runs past its closing, or the last of too long a day.
    """
    for position, outing in enumerate(outings):
        stop_by, end = outing.placed.stop_by, _gear_down(timed, outing)[-1].end
        if stop_by is not None and before(stop_by, end):
            return position, elapsed(stop_by, end)
    over = elapsed(trip.latest_end, timed[-1].end)
    return (len(outings) - 1, over) if over > timedelta(0) else None


def _longest_pass(placed: PlacedWork, trip: Trip) -> timedelta:
    """Return the longest that one more pass takes: dropping passes by it never drops one too many."""
    first = min(placed.fitted.graph.nodes)
    took = [work_duration(placed.fitted, first, count, trip) for count in (1, 2, 3)]
    return max(took[1] - took[0], took[2] - took[1])


def _gear_down(timed: Sequence[TimedLeg], outing: Outing) -> list[TimedLeg]:
    return [one for one in timed if one.leg.kind != "run" and one.leg.work == outing.placed.index]


def _timed(outings: Sequence[Outing], runs: Runs, variation_deg: float) -> tuple[TimedLeg, ...]:
    """Return the legs in time: the boat leaves later, or runs slower, where it would come before the water opens."""
    trip, area = runs.trip, runs.area
    legs = legs_of(outings, runs)
    departure = trip.start
    timed = time_legs(legs, departure, area.projection, trip.boat, variation_deg)
    for outing in outings:
        opens = outing.placed.begin_by_wait
        begin = _gear_down(timed, outing)[0]
        if opens is None or not before(begin.start, opens):
            continue
        wait = elapsed(begin.start, opens)
        if outing is outings[0]:
            departure = later(departure, wait)
        elif timed[begin.seq - 2].leg.kind == "run":
            run = timed[begin.seq - 2]
            slower = run.length_m / (elapsed(run.start, run.end) + wait).total_seconds()
            note = f"gear up, slower, to come when water opens at {opens:%H:%M}"
            legs[begin.seq - 2] = replace(run.leg, speed_mps=slower, note=note)
        timed = time_legs(legs, departure, area.projection, trip.boat, variation_deg)
    return timed


def inside_spans(timed: Sequence[TimedLeg], outings: Sequence[Outing]) -> bool:
    """Return whether every piece of work is worked within the span that its water was looked at for."""
    return all(
        not before(_gear_down(timed, outing)[0].start, outing.placed.span.start)
        and not before(outing.placed.span.end, _gear_down(timed, outing)[-1].end)
        for outing in outings
    )


def refuse_missing_lines(area: Area, trip: Trip, index: int) -> None:
    """Refuse a piece of work at a depth at which the area has no line.

    Raises
    ------
    InputError
        With the depth that the area's data reaches to.
    """
    work = trip.works[index]
    for key, depth_m in (("depth_line", work.depth_line_m), ("return_line", work.return_line_m)):
        if depth_m is None or not area.depth.depth_line(depth_m).is_empty:
            continue
        asked, deepest = (format_quantity(value, area.show.depth) for value in (depth_m, _deepest_m(area)))
        raise InputError.one(
            f"{trip.file.name}, work {index + 1}, key '{key}'",
            f"the area has no {asked} line; its depth data reaches to about {deepest}.",
            "Choose another depth.",
        )


def _deepest_m(area: Area) -> float:
    """Return the greatest depth at which some water is known to be deeper, to a decimetre."""
    shallow, deep = 0.0, 12_000.0
    while deep - shallow > _DECIMETRE:
        middle = (shallow + deep) / 2.0
        if area.depth.deeper_than(middle).is_empty:
            deep = middle
        else:
            shallow = middle
    return shallow
