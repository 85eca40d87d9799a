"""What would help where nothing can be worked: shorter setbacks, other depth lines."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from layers.units import format_quantity, parse_quantity, to_unit
from spotmap.gear import turning_radius, with_setback
from spotmap.passes import NoPass
from spotmap.placing import Brief, fit_at_radius, needed_depth
from spotmap.water import Span

_LINE_STEPS = {"ft": 10.0, "fm": 2.0, "m": 3.0}
_MOST_LINES = 8
_ENOUGH_LINES = 2
_ROUNDING_M = 1e-6


def remedies_for(brief: Brief, index: int, span: Span) -> list[str]:
    """Return what would make a piece of work possible, found by trying it.

    Parameters
    ----------
    brief
        The area, the trip and its rig.
    index
        Which piece of work cannot be done, from 0.
    span
        The time it would be done in.

    Returns
    -------
    list of str
        In words: a setback that would fit, depth lines that would, and what else a person may try.
    """
    found = [
        *_shorter_setback(brief, index, span),
        *_other_lines(brief, index, span),
    ]
    work = brief.trip.works[index]
    needed_m = needed_depth(brief, span).depth_m
    if needed_m > work.depth_line_m:
        needed = format_quantity(needed_m, brief.area.show.depth)
        found.insert(0, f"shallower gear, or a line of at least {needed}")
    return found or ["another place or another date"]


def _shorter_setback(brief: Brief, index: int, span: Span) -> Iterator[str]:
    trip, radius = brief.trip, brief.radius
    for setback_m in (shorter.setback_m for shorter in radius.setbacks[1:]):
        rods = with_setback(trip.rods, setback_m)
        tighter = turning_radius(rods, trip.boat, trip.limits)
        if tighter.radius_m >= radius.radius_m:
            continue
        if not isinstance(fit_at_radius(replace(brief, radius=tighter), trip.works[index], span), NoPass):
            setback = format_quantity(setback_m, brief.area.show.depth)
            yield f"setbacks of at most {setback} (turning radius {tighter.radius_m:.0f} m)"
            return


def _other_lines(brief: Brief, index: int, span: Span) -> Iterator[str]:
    unit = brief.area.show.depth
    step_m = _LINE_STEPS.get(unit, 3.0) * parse_quantity(f"1 {unit}", "length", "step")
    work = brief.trip.works[index]
    lowest_m = needed_depth(brief, span).depth_m
    yielded = 0
    base = round(work.depth_line_m / step_m)
    for away in range(1, _MOST_LINES + 1):
        for sign in (1, -1):
            line_m = (base + sign * away) * step_m
            if line_m < lowest_m - _ROUNDING_M or yielded >= _ENOUGH_LINES:
                continue
            tried = replace(work, depth_line_m=line_m, return_line_m=None)
            tried = replace(tried, pattern="loop") if work.pattern == "weave" else tried
            if not isinstance(fit_at_radius(brief, tried, span), NoPass):
                yielded += 1
                yield f"the {to_unit(line_m, unit):.0f} {unit} line near '{work.near_name}' as a {tried.pattern}"
