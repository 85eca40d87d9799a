"""The same trip with other setbacks, side by side: what a shorter setback buys."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from layers.model import Area, Show
from layers.units import format_quantity
from spotmap.clock import elapsed
from spotmap.gear import inside_m
from spotmap.model import Plan, Rod, Trip
from spotmap.planner import make_plan

_PER_HOUR_S = 3600.0


@dataclass(frozen=True)
class Compared:
    """One plan's figures: lengths in metres, times in seconds; `lap_s` is a pass and a turn of the first work.

    `share` is the share of gear-down time spent on the line; `on_line_s_per_hour` is of the time at work, runs with
    gear up within it counted. `lure_share` is the slowest that any lure goes, as a share of trolling speed, `inside_m`
    how far inside the boat's track gear swings at most, `together_m` the nearest that two lines are brought in a turn
    (None: never nearer than the limit).
    """

    setback_m: float
    radius_m: float
    decided_by: str
    passes: int
    line_m: float
    lap_s: float
    share: float
    on_line_s_per_hour: float
    lure_share: float
    inside_m: float
    together_m: float | None


def compare(
    area: Area, trip: Trip, setbacks_m: Sequence[float], progress: Callable[[str], None] = lambda _: None
) -> tuple[tuple[Compared, Plan], ...]:
    """Return the trip planned with each of these setbacks on every downrigger, with its figures.

    Flat lines keep their own: what they let out is the line they fish on.

    Raises
    ------
    NoPlanError
        When one of them has no plan.
    """
    found = []
    for setback_m in setbacks_m:
        plan = make_plan(area, replace(trip, rods=_set_to(trip, setback_m)), progress)
        found.append((_figures(plan, setback_m), plan))
    return tuple(found)


def _set_to(trip: Trip, setback_m: float) -> tuple[Rod, ...]:
    """Give every downrigger this setback; a flat line keeps its own."""
    return tuple(rod if rod.kind == "flat line" else replace(rod, setback_m=setback_m) for rod in trip.rods)


def _figures(plan: Plan, setback_m: float) -> Compared:
    first = plan.works[0].index
    passes = [timed for timed in plan.legs if timed.leg.kind == "pass" and timed.leg.work == first]
    turns = [timed for timed in plan.legs if timed.leg.kind == "turn" and timed.leg.work == first]
    speed = plan.trip.boat.troll_speed_mps
    pass_s, turn_s = (
        float(np.mean([elapsed(timed.start, timed.end).total_seconds() for timed in legs])) if legs else 0.0
        for legs in (passes, turns)
    )
    fishing, turning = plan.totals.fishing.total_seconds(), plan.totals.turning.total_seconds()
    share = fishing / (fishing + turning)
    lifted = sum(
        elapsed(run.start, run.end).total_seconds()
        for before, run in pairwise(plan.legs)
        if run.leg.kind == "run" and run.leg.work is not None and run.leg.work == before.leg.work
    )
    slowest = [track.slowest_mps for track in plan.swept.tracks if np.isfinite(track.slowest_mps)]
    return Compared(
        setback_m=setback_m,
        radius_m=plan.radius.radius_m,
        decided_by=plan.radius.decided_by,
        passes=len([timed for timed in plan.legs if timed.leg.kind == "pass"]),
        line_m=sum(report.length_m for report in plan.works),
        lap_s=pass_s + turn_s,
        share=share,
        on_line_s_per_hour=fishing / (fishing + turning + lifted) * _PER_HOUR_S,
        lure_share=min(slowest) / speed if slowest else 1.0,
        inside_m=inside_m(plan.radius),
        together_m=plan.swept.together[0].distance_m if plan.swept.together else None,
    )


def comparison_words(found: Sequence[Compared], show: Show) -> Iterator[str]:
    """Yield the figures of several plans as one table, a plan a column."""
    yield table_line("setback", [format_quantity(one.setback_m, show.depth) for one in found])
    yield table_line("turning radius R", [f"{one.radius_m:.1f} m" for one in found])
    yield table_line("decided by", [one.decided_by for one in found])
    yield table_line("passes", [str(one.passes) for one in found])
    yield table_line("line worked", [format_quantity(one.line_m, show.distance) for one in found])
    yield table_line("a lap of work 1", [f"{one.lap_s / 60:.1f} min" for one in found])
    yield table_line("gear down on the line", [f"{one.share:.1%}" for one in found])
    yield table_line("on the line in an hour", [f"{one.on_line_s_per_hour / 60:.1f} min" for one in found])
    yield table_line("slowest lure", [f"{one.lure_share:.0%} of troll" for one in found])
    yield table_line("gear swings inside by", [f"{one.inside_m:.1f} m" for one in found])
    nearest = ["-" if one.together_m is None else format_quantity(one.together_m, show.depth) for one in found]
    yield table_line("lines brought within", nearest)


def table_line(name: str, values: Sequence[str]) -> str:
    """Return one line of a table: a name and a value for each column."""
    return f"{name:24}" + "".join(f"{value[:18]:>20}" for value in values)
