"""Words for the skipper, in the units of the area."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from math import hypot

from layers.model import Area, Show, Source
from layers.units import format_quantity
from spotmap.clock import elapsed
from spotmap.model import Limits, OffLine, Plan, Sweep, TideChoice, TimedLeg, Trip, TurningRadius, Work
from spotmap.moving import NEAR_SLACK_MPS
from spotmap.passes import Cut

_MINUTE_S = 60.0
_WORTH_TELLING = 0.95
"""A lure this share of its floor is worth telling: a track pulled in steps of a second is no nearer than that."""
_SHORT_M = 90.0
"""A twentieth of a nautical mile: shorter things are told in metres."""


def work_title(work: Work, show: Show) -> str:
    """Return a piece of work in a few words: its pattern, lines and place."""
    lines = format_quantity(work.depth_line_m, show.depth)
    if work.return_line_m is not None:
        lines += f" and {format_quantity(work.return_line_m, show.depth)}"
    return f"{work.pattern} on the {lines} line near '{work.near_name}'"


def cut_words(cut: Cut, show: Show) -> str:
    """Return what was cut and why."""
    why = "; ".join(cut.reasons) or "no reason known"
    unit = show.distance if cut.length_m >= _SHORT_M else "m"
    return f"{format_quantity(cut.length_m, unit)} cut: {why}"


def off_line_words(off: OffLine, show: Show) -> str:
    """Return how far a pass runs off its line and the depth under it."""
    near, most, worst = (format_quantity(value, "m", 1) for value in (off.median_m, off.p95_m, off.worst_m))
    low, high = (format_quantity(value, show.depth) for value in (off.depth_min_m, off.depth_max_m))
    return f"off the line {near} median, {most} at 95 %, {worst} worst; charted depth {low} to {high}"


def not_counted(area: Area) -> list[str]:
    """Return what a plan does not count, as cautions."""
    found = []
    if area.tide is None:
        found.append(f"No tide is counted: depths are charted depths at {area.depth_datum}.")
    if area.current is None:
        found.append("No current is counted: speeds and turns are through still water.")
    if area.tide is not None or area.current is not None:
        found.append("Tide and current are predictions: weather, rivers and the shore change them; look at the water.")
    return found


def source_words(area: Area) -> list[str]:
    """Return where each layer of an area comes from: file, source, day, edition, and the first of its hash."""
    return [f"{one.role}: {one.file}, {origin_words(one)}." for one in area.sources]


def origin_words(source: Source) -> str:
    """Return who made a layer, of what day and edition it is, and the first digits of its file's hash."""
    made_from = "; ".join(origin.words for origin in source.origins)
    dated = "undated" if source.as_of is None else f"as of {source.as_of}"
    told = (source.source or "source not told", dated, made_from, f"sha256 {source.sha256[:12]}")
    return ", ".join(part for part in told if part)


def choice_words(choice: TideChoice, work: Work, set_deg: float, limits: Limits, show: Show) -> str:
    """Return what is done with a piece of work for a part of its time, and why."""
    limit, most = (format_quantity(value, show.speed, 1) for value in (limits.strong_current_mps, choice.strongest_mps))
    drift = format_quantity(hypot(*choice.flow_mps), show.speed, 1)
    current = f"current {drift} setting {set_deg:03.0f}° true in the middle of it, {most} at most"
    if choice.strongest_mps < NEAR_SLACK_MPS:
        why = f"{current}: slack or nearly, either way serves"
    elif choice.pattern != "one-way":
        why = f"{current}: below the {limit} that you troll against"
    elif work.pattern == "one-way":
        why = f"{current}: with the current, as the trip asks"
    elif choice.strongest_mps >= limits.strong_current_mps:
        why = f"{current}: too strong to troll against (limit {limit}); with it, gear up, run back"
    else:
        why = f"{current}: no time for a lap below the limit of {limit}, or half a knot would not be made against it"
    per_hour = [
        f"{name} {'cannot be worked' if minutes is None else f'{minutes:.0f} min'}"
        for name, minutes in (("loop", choice.loop_min_per_h), ("one-way", choice.one_way_min_per_h))
    ]
    return f"{why}; on the line in an hour: {', '.join(per_hour)}"


def radius_words(radius: TurningRadius, speed_mps: float, show: Show) -> list[str]:
    """Return the turning radius, who decides it, and what shorter setbacks would give."""
    told = [f"turning radius {radius.radius_m:.0f} m, decided by '{radius.decided_by}'"]
    told += [
        f"setbacks of at most {format_quantity(one.setback_m, show.depth)}: R {one.radius_m:.0f} m, "
        f"{one.turn_m / speed_mps:.0f} s a turn"
        for one in radius.setbacks
    ]
    return told


def gear_words(swept: Sweep, legs: Sequence[TimedLeg], trip: Trip, show: Show) -> Iterator[str]:
    """Yield what the gear does that the skipper must know.

    Lures slowed below their floor where a turn swings from one side to the other, lines that come together, places
    where not to stop.
    """
    labels = {timed.seq: timed.leg.label for timed in legs}
    floor_mps = trip.limits.lure_speed_floor * trip.boat.troll_speed_mps
    slow = [track for track in swept.tracks if track.slowest_mps < _WORTH_TELLING * floor_mps]
    if slow:
        worst = min(slow, key=lambda track: track.slowest_mps)
        share = worst.slowest_mps / trip.boat.troll_speed_mps
        yield (
            f"The lure of '{worst.rod}' slows to {share:.0%} of trolling speed on {labels[worst.seq]}, below the floor "
            f"of {trip.limits.lure_speed_floor:.0%}: R holds it in a steady turn, not where a turn swings from one "
            "side to the other. A shorter setback, or a return line, helps."
        )
    for one in swept.together:
        near, straight = (format_quantity(value, show.depth) for value in (one.distance_m, one.straight_m))
        yield (
            f"Lines of '{one.rods[0]}' and '{one.rods[1]}' come within {near} on {labels[one.seq]} "
            f"({straight} on a straight course): stagger their depths, shorten a setback, or turn wider."
        )
    for stop in swept.stops:
        hang, length = format_quantity(stop.hang_m, show.depth), format_quantity(stop.length_m, show.distance)
        yield (
            f"If the boat stops, '{stop.rod}' hangs {hang} down, too near the bottom on {length} of the track "
            f"({stop.share:.0%}), first on {labels[stop.seqs[0]]}: bring it up first."
        )


def plan_words(plan: Plan) -> Iterator[str]:
    """Return a plan in lines of text, as the command prints it."""
    show = plan.area.show
    invented = " (INVENTED)" if plan.area.invented else ""
    yield f"{plan.area.name}{invented}, {plan.trip.date:%Y-%m-%d}, {plan.trip.species}, {plan.trip.method}"
    for line in radius_words(plan.radius, plan.trip.boat.troll_speed_mps, show):
        yield f"  {line}"
    for report in plan.works:
        wanted = format_quantity(report.wanted_length_m, show.distance)
        length = format_quantity(report.length_m, show.distance)
        yield f"Work {report.index + 1}: {report.title}: {report.passes} passes of {length} (asked {wanted})"
        for line in (off_line_words(report.off_line, show), *report.choices, *report.cuts):
            yield f"  {line}"
        for choice in report.tide:
            yield f"  {choice.since:%H:%M} to {choice.until:%H:%M} {choice.pattern}: {choice.words}"
    yield ""
    yield "  leg  from   to     length    course T/M    speed"
    for timed in plan.legs:
        length = format_quantity(timed.length_m, show.distance)
        speed = format_quantity(timed.speed_mps, show.speed)
        course = f"{timed.course_start_true_deg:03.0f}/{timed.course_start_magnetic_deg:03.0f}"
        turn = f"  {timed.leg.turn_side}" if timed.leg.turn_side else ""
        yield (f"  {timed.leg.label:4} {timed.start:%H:%M}  {timed.end:%H:%M}  {length:9} {course:13} {speed}{turn}")
    yield ""
    hours = [f"{elapsed_words(span.total_seconds())}" for span in (plan.totals.fishing, plan.totals.turning)]
    running = elapsed_words(plan.totals.running.total_seconds())
    away = elapsed_words(elapsed(plan.legs[0].start, plan.legs[-1].end).total_seconds())
    yield f"Fishing {hours[0]}, turning {hours[1]}, running {running}; away {away}"
    if plan.totals.fuel_l is not None:
        yield f"Fuel {format_quantity(plan.totals.fuel_l, 'L')} ({format_quantity(plan.totals.fuel_l, 'gal')})"
    sun = plan.sun
    told = [
        f"{name} {moment:%H:%M}"
        for name, moment in (
            ("dawn", sun.dawn),
            ("sunrise", sun.sunrise),
            ("sunset", sun.sunset),
            ("dusk", sun.dusk),
        )
        if moment is not None
    ]
    if told:
        yield "Light: " + ", ".join(told)
    for line in (
        *(f"Warning: {text}" for text in plan.warnings),
        *(f"Caution: {text}" for text in plan.cautions),
    ):
        yield line


def elapsed_words(seconds: float) -> str:
    """Return a time span as hours and minutes.

    Examples
    --------
    >>> elapsed_words(5400)
    '1 h 30 min'
    """
    minutes = round(seconds / _MINUTE_S)
    return f"{minutes // 60} h {minutes % 60:02d} min" if minutes >= 60 else f"{minutes} min"  # noqa: PLR2004
