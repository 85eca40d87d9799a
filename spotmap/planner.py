"""The road from an area and a trip to a checked plan."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from itertools import pairwise
from math import isfinite

import numpy as np

from layers._errors import Finding, InputError
from layers.area import age_warnings
from layers.depth import unlisted_within
from layers.model import Area
from layers.units import format_quantity
from spotmap._errors import NoPlanError
from spotmap.check import faults
from spotmap.clock import (
    before,
    magnetic_variation_deg,
    sun_times,
    time_legs,
    totals,
    variation_is_extrapolated,
)
from spotmap.crossings import met_cautions
from spotmap.gear import beside_m, inside_m, longest_chain_m, raised, turning_radius
from spotmap.journey import Outing
from spotmap.minutes import current_known, day_table
from spotmap.model import Plan, Sun, Sweep, TimedLeg, Trip, Work, WorkReport
from spotmap.passes import off_line, summed
from spotmap.placing import Brief
from spotmap.report import cut_words, gear_words, not_counted, work_title
from spotmap.swept import sweep
from spotmap.timetable import fit_day, inside_spans, lay_out
from spotmap.water import UNDER_KEEL_M, Fishery, Span, closed_water, least_tide_m, tide_unknown
from spotmap.ways import Runs

CAUTIONS = (
    "Not for navigation.",
    "Check the current regulation before you fish; rules change after data is made.",
    "The skipper decides, keeps a proper lookout and gives way as the rules of the road ask.",
)
_RUN_DETOUR = 1.6
"""How much longer than the straight way a run may be before the times of the work after it are reckoned again."""
_FAR_FROM_MARK_M = 2000.0
_MOST_ROUNDS = 4
_MOST_RAISES = 3
_RAISE_SPARE_M = 0.3


class PlanFaultError(RuntimeError):
    """A plan that we made breaks a rule: our own failure, never the user's."""


def make_plan(area: Area, trip: Trip, progress: Callable[[str], None] = lambda _: None) -> Plan:
    """Return a plan for a trip, checked.

    Parameters
    ----------
    area
        The area.
    trip
        The trip in it.
    progress
        Is told what is being done, a few words at a time.

    Returns
    -------
    Plan
        Lawful and safe by the data of the area.

    Raises
    ------
    InputError
        When a place or a depth line of the trip is not in the area.
    NoPlanError
        When no lawful, safe plan exists.
    PlanFaultError
        When the check finds a fault in the plan: a defect of ours.
    """
    _check_tables(area, trip)
    _check_places(area, trip)
    draft = _lawful_draft(area, trip, progress)
    progress("checking the plan")
    plan = _as_plan(draft)
    found = faults(plan)
    if found:
        raise PlanFaultError("the plan breaks its own rules:\n" + "\n".join(found))
    return plan


@dataclass(frozen=True)
class _Draft:
    """A day laid out in water and time, with what its gear sweeps."""

    brief: Brief
    outings: Sequence[Outing]
    timed: tuple[TimedLeg, ...]
    swept: Sweep
    words: tuple[str, ...]


def _lawful_draft(area: Area, trip: Trip, progress: Callable[[str], None]) -> _Draft:
    """Return a day whose gear, not only its boat, keeps its standoffs and stays off the bottom.

    First the boat keeps its standoffs and the reach of its rods more; where gear still swings too near something, it
    keeps the whole swing of a turn more; where gear still comes too near the bottom, deeper water is asked for, or that
    swing kept from water that is too shallow, and where that costs work, the rods that do are raised.
    """
    runs = Runs(area, trip)
    words: list[str] = []
    for _ in range(_MOST_RAISES):
        radius = turning_radius(trip.rods, trip.boat, trip.limits)
        spares = ((beside_m(radius), False), (inside_m(radius), True))
        # in a current gear swings far: the first try would mostly be in vain
        for spare_m, off_unknown in spares[1:] if _moves(Brief(area, trip, radius, 0.0, 0.0)) else spares:
            brief = Brief(area, trip, radius, spare_m, 0.0, off_unknown)
            draft = _draft(brief, runs, progress)
            if not draft.swept.touches:
                return replace(draft, words=(*words, *draft.words))
        by_m = _too_deep_by(draft.swept)
        # depth areas are flat: where they step no deeper water helps, but to keep off the step
        for other in (replace(brief, deeper_m=max(by_m.values())), replace(brief, off_shoal=True)):
            better = _draft_off_the_bottom(other, draft, runs, progress)
            if better is not None:
                return replace(better, words=(*words, *better.words))
        trip = replace(trip, rods=raised(trip.rods, by_m))
        words += [
            f"Rod '{rod}' is raised by {format_quantity(metres, area.show.depth)}: its gear would come nearer the "
            "bottom than the clearance."
            for rod, metres in by_m.items()
        ]
    raise NoPlanError(
        "Gear cannot be kept off the bottom.", words, ["shallower rods", "a deeper line", "a shorter setback"]
    )


def _too_deep_by(swept: Sweep) -> dict[str, float]:
    """Return by how much each rod's gear comes too near the bottom, a little to spare.

    Raises
    ------
    NoPlanError
        When gear comes too near something else: no depth mends that.
    """
    by_m: dict[str, float] = {}
    for touch in swept.touches:
        if not touch.bottom:
            raise NoPlanError(
                f"Gear cannot keep its standoff: rod '{touch.rod}' comes {touch.short_m:.1f} m too near "
                f"{touch.what} on leg {touch.seq}.",
                remedies=["a shorter setback", "another stretch"],
            )
        if not isfinite(touch.short_m):
            raise NoPlanError(
                f"Rod '{touch.rod}' would trail over water of unknown depth on leg {touch.seq}.",
                remedies=["a shorter setback", "another stretch", "depth data that reaches farther"],
            )
        by_m[touch.rod] = max(by_m.get(touch.rod, 0.0), touch.short_m + _RAISE_SPARE_M)
    return by_m


def _draft_off_the_bottom(brief: Brief, before: _Draft, runs: Runs, progress: Callable[[str], None]) -> _Draft | None:
    """Return the day routed on other water, or None where that leaves gear too low or costs work."""
    try:
        draft = _draft(brief, runs, progress)
    except NoPlanError:
        return None
    return draft if not draft.swept.touches and len(draft.words) <= len(before.words) else None


def _draft(brief: Brief, runs: Runs, progress: Callable[[str], None]) -> _Draft:
    return _moving_draft(brief, runs, progress) if _moves(brief) else _still_draft(brief, runs, progress)


def _moves(brief: Brief) -> bool:
    if brief.area.current is None:
        return False
    from spotmap.tideway import moves  # noqa: PLC0415  a plan in still water need not wait for it

    return moves(brief)


def _moving_draft(brief: Brief, runs: Runs, progress: Callable[[str], None]) -> _Draft:
    from spotmap.tideway import walk_day  # noqa: PLC0415  as above

    progress("working the tide")
    walked = walk_day(brief, runs)
    variation_deg = _variation(brief.area, brief.trip)
    timed = time_legs(walked.legs, walked.departure, brief.area.projection, brief.trip.boat, variation_deg)
    progress("pulling the gear along")
    swept = sweep(brief.area, brief.trip, brief.radius, timed)
    return _Draft(brief, walked.outings, timed, swept, walked.words)


def _still_draft(brief: Brief, runs: Runs, progress: Callable[[str], None]) -> _Draft:
    detour = _RUN_DETOUR
    for _ in range(_MOST_ROUNDS):
        progress("laying out passes and turns")
        laid = lay_out(brief, detour)
        progress("finding the runs between them")
        outings, timed, dropped = fit_day(laid, runs, _variation(brief.area, brief.trip))
        if inside_spans(timed, outings):
            progress("pulling the gear along")
            draft = _Draft(brief, outings, timed, sweep(brief.area, brief.trip, brief.radius, timed), ())
            late = _works_begun_too_early(draft)
            if late:
                # gear goes down a chain's length into the pass, not at its very start
                laid = laid.with_gear_down_after(late, longest_chain_m(brief.radius))
                outings, timed, dropped = fit_day(laid, runs, _variation(brief.area, brief.trip))
                swept = sweep(brief.area, brief.trip, brief.radius, timed)
                draft = replace(draft, outings=outings, timed=timed, swept=swept)
            return replace(draft, words=(*laid.left_out, *dropped))
        detour *= 2.0
    raise NoPlanError("No timetable was found in which every piece of work keeps to its open water.")


def _works_begun_too_early(draft: _Draft) -> frozenset[int]:
    """Return the pieces of work whose gear trails over forbidden water only because it has just gone down."""
    works = {timed.seq: timed.leg.work for timed in draft.timed}
    return frozenset(work for touch in draft.swept.touches if touch.at_start and (work := works[touch.seq]) is not None)


def _check_tables(area: Area, trip: Trip) -> None:
    """Refuse a trip that a tide or current table does not reach to the end of.

    Raises
    ------
    InputError
        With when each table begins and ends.
    """
    findings = []
    start_s, end_s = trip.start.timestamp(), trip.latest_end.timestamp()
    for role, layer in (("tide", area.tide), ("current", area.current)):
        if layer is None or (layer.reach_s[0] <= start_s and end_s <= layer.reach_s[1]):
            continue
        files = ", ".join(source.file for source in area.sources if source.role == role)
        moments = (datetime.fromtimestamp(moment, UTC).astimezone(area.timezone) for moment in layer.reach_s)
        begin, end = (f"{moment:%Y-%m-%d %H:%M}" for moment in moments)
        findings.append(
            Finding(
                f"{files} ({role})",
                f"reaches from {begin} to {end}; the trip may last from {trip.start:%Y-%m-%d %H:%M} to "
                f"{trip.latest_end:%Y-%m-%d %H:%M}.",
                "Get predictions for the day and the hours after it, or shorten the trip.",
            )
        )
    if findings:
        raise InputError(findings)


def _check_places(area: Area, trip: Trip) -> None:
    """Refuse places outside the area and a home that does not float the boat.

    Raises
    ------
    InputError
        With every place that is wrong.
    """
    findings = []
    west, south, east, north = area.depth.bounds
    places = [("home", trip.home)] + [
        (f"work {index}, key 'near'", work.near) for index, work in enumerate(trip.works, 1)
    ]
    for key, place in places:
        if not (west <= place.x <= east and south <= place.y <= north):
            findings.append(
                Finding(
                    f"{trip.file.name}, {key}",
                    "lies outside the area's depth data.",
                    "Check the position (latitude first) or choose a mark inside the area.",
                )
            )
    if not findings:
        findings += _home_findings(area, trip)
    if findings:
        raise InputError(findings)


def _home_findings(area: Area, trip: Trip) -> list[Finding]:
    where = f"{trip.file.name}, home"
    shown = area.show.depth
    depth_m = float(area.safe_depth.depth_at(np.array([trip.home.x]), np.array([trip.home.y]))[0])
    depth_m += min(least_tide_m(area, Span(trip.start, trip.latest_end)), 0.0)
    needed = format_quantity(trip.boat.draft_m + UNDER_KEEL_M, shown)
    if area.land.intersects(trip.home):
        return [Finding(where, f"'{trip.home_name}' lies on land.", "Move it to the water where the boat floats.")]
    if (untold := tide_unknown(area, trip.home.buffer(1.0).bounds)) is not None and untold.intersects(trip.home):
        remedy = "Choose a place that the tide layer reaches, or add a tide station."
        return [Finding(where, f"the tide at '{trip.home_name}' is not known.", remedy)]
    if np.isnan(depth_m):
        return [
            Finding(
                where,
                f"the depth at '{trip.home_name}' is unknown.",
                "Choose a place where the depth is known.",
            )
        ]
    if depth_m < trip.boat.draft_m + UNDER_KEEL_M:
        found = format_quantity(depth_m, shown)
        return [
            Finding(
                where,
                f"'{trip.home_name}' is {found} deep; draft and {UNDER_KEEL_M} m under the keel want {needed}.",
                "Move it to deeper water.",
            )
        ]
    return []


def _work_place(area: Area, trip: Trip) -> tuple[float, float]:
    lon, lat = area.projection.to_geographic(trip.works[0].near.x, trip.works[0].near.y)
    return float(lon), float(lat)


def _variation(area: Area, trip: Trip) -> float:
    return magnetic_variation_deg(*_work_place(area, trip), trip.date)


def _as_plan(draft: _Draft) -> Plan:
    area, trip, timed = draft.brief.area, draft.brief.trip, draft.timed
    day = Span(trip.start, trip.latest_end)
    sun = sun_times(*_work_place(area, trip), trip.date, area.timezone)
    closed = closed_water(area, Fishery(trip.species, trip.method), trip.limits, day)
    return Plan(
        area=area,
        trip=trip,
        radius=draft.brief.radius,
        legs=timed,
        works=tuple(_report(area, trip.works[outing.placed.index], outing) for outing in draft.outings),
        closed=closed,
        sun=sun,
        magnetic_variation_deg=_variation(area, trip),
        totals=totals(timed),
        swept=draft.swept,
        day=day_table(area, draft.brief.radius, timed, closed),
        warnings=(*draft.words, *_warnings(area, trip, sun, timed), *gear_words(draft.swept, timed, trip, area.show)),
        cautions=(*CAUTIONS, *not_counted(area)),
    )


def _report(area: Area, work: Work, outing: Outing) -> WorkReport:
    fitted = outing.placed.fitted
    stretch = fitted.stretch
    choices = [outing.placed.note, *fitted.notes]
    if outing.placed.gear_down_after_m > 0.0:
        after = format_quantity(outing.placed.gear_down_after_m, "m", 0)
        choices.append(f"gear goes down {after} into the pass, so that it trails over open water from the first")
    if stretch.from_near_m > _FAR_FROM_MARK_M:
        away = format_quantity(stretch.from_near_m, area.show.distance)
        choices.append(f"the nearest line at this depth is {away} from '{fitted.work.near_name}'")
    if stretch.short_of_m > 1.0:
        choices.append(f"the line itself is only {format_quantity(stretch.line.length, area.show.distance)} long")
    if stretch.skipped_m:
        choices.append(f"{len(stretch.skipped_m)} nearer line(s) too short to work passed over")
    line = fitted.passes["out"]
    return WorkReport(
        index=outing.placed.index,
        title=work_title(work, area.show),
        wanted_length_m=fitted.work.length_m,
        length_m=line.length_m,
        passes=outing.count,
        off_line=off_line(line, area.depth),
        cuts=tuple(cut_words(cut, area.show) for cut in summed(fitted.cuts)),
        choices=tuple(choice for choice in choices if choice),
        tide=outing.tide,
    )


def _unknown_current(area: Area, trip: Trip, timed: Sequence[TimedLeg]) -> list[str]:
    """Return where legs are planned without knowing the current, in words; nothing where no current is told at all."""
    if area.current is None:
        return []
    blind = [one for one in timed if not current_known(area, one)]
    works = sorted({one.leg.work for one in blind if one.leg.kind != "run" and one.leg.work is not None})
    found = [
        f"The current is not known all along work {index + 1} ({work_title(trip.works[index], area.show)}): none is "
        "counted there; turns, times and where gear trails may differ."
        for index in works
    ]
    if any(one.leg.kind == "run" for one in blind):
        found.append("The current is not known all along the runs: none is counted where it is not.")
    return found


def _unlisted_lines(area: Area, timed: Sequence[TimedLeg]) -> list[str]:
    """Return a warning for each depth line that depth areas do not draw, where a pass goes along one."""
    told = []
    for one in timed:
        depth_m = one.leg.depth_line_m
        if one.leg.kind == "pass" and depth_m is not None and depth_m not in told:
            (west, south), (east, north) = one.leg.xy.min(axis=0), one.leg.xy.max(axis=0)
            if unlisted_within(area.depth, depth_m, (west, south, east, north)):
                told.append(depth_m)
    return [
        f"The depth areas draw no line at {format_quantity(depth_m, area.show.depth)}: where they have the say, the "
        "edge of their next deeper water is worked for it."
        for depth_m in told
    ]


def _warnings(area: Area, trip: Trip, sun: Sun, timed: Sequence[TimedLeg]) -> list[str]:
    found = [str(finding) for finding in (*area.warnings, *age_warnings(area, trip.date))]
    if not area.has_grounds:
        found.append("The area has no ground layer: water counts as open unless a closure is drawn.")
    found += _unlisted_lines(area, timed)
    found += met_cautions(area, timed)
    found += _unknown_current(area, trip, timed)
    passes = [one for one in timed if one.leg.kind == "pass"]
    lifts = sum(
        after.seq > one.seq + 1 and timed[one.seq].leg.kind == "run" and after.leg.work == one.leg.work
        for one, after in pairwise(passes)
    )
    if lifts:
        found.append(f"Gear comes up and goes down again {lifts} time(s) within the work, and that takes no time here.")
    if variation_is_extrapolated(trip.date):
        found.append("The date lies outside the years of the magnetic model: the variation is an extrapolation.")
    gear_down = [one for one in timed if one.leg.kind != "run"]
    if sun.dawn is not None and before(gear_down[0].start, sun.dawn):
        found.append(f"Gear goes down at {gear_down[0].start:%H:%M}, before civil dawn at {sun.dawn:%H:%M}.")
    if sun.dusk is not None and before(sun.dusk, gear_down[-1].end):
        found.append(f"Gear is down until {gear_down[-1].end:%H:%M}, after civil dusk at {sun.dusk:%H:%M}.")
    if before(trip.start, timed[0].start):
        found.append(f"The boat leaves at {timed[0].start:%H:%M}, later than asked, so as to come when water opens.")
    return found
