"""The words on the map page, in the units and the clock that the skipper reads."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from layers.units import format_quantity, to_unit
from spotmap.momentwords import short_time
from spotmap.rigcard import rig_card

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence
    from datetime import timedelta

    from layers.model import Area, FloatArray
    from spotmap.model import ClosedWater, LureTrack, Plan, TimedLeg, WorkReport
    from spotmap.rigcard import RigRow

NOT_FOR_NAVIGATION = "Not for navigation. Check the current regulation. The skipper decides. Keep a lookout."
NO_GROUNDS = "No ground layer: water counted open unless closed."

Row = tuple[str, str]

_HOUR_MIN = 60


@dataclass(frozen=True)
class Table:
    """A table under a title. Each of its rows is a name, what is said below the name, a mark and the values."""

    title: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, str, str, tuple[str, ...]], ...]


@dataclass(frozen=True)
class Section:
    """A part of the trip panel: rows of a name and a value, then sentences, then tables, the first one in sight.

    `graph` says that the graph of the trip stands in it.
    """

    title: str
    tone: Literal["plain", "warning"]
    rows: tuple[Row, ...] = ()
    sentences: tuple[str, ...] = ()
    tables: tuple[Table, ...] = ()
    graph: bool = False


@dataclass(frozen=True)
class LegWords:
    """What is said of one leg: on its badge, in the strip below the map (two lines) and on its card."""

    title: str
    start: str
    badge: str
    brief: tuple[str, str]
    rows: tuple[Row, ...]


def span_words(span: timedelta) -> str:
    """Return a length of time in hours and minutes.

    Examples
    --------
    >>> from datetime import timedelta
    >>> span_words(timedelta(seconds=3629)), span_words(timedelta(minutes=7)), span_words(timedelta(hours=2))
    ('1 h 00 min', '7 min', '2 h 00 min')

    """
    minutes = round(span.total_seconds() / 60)
    return f"{minutes // 60} h {minutes % 60:02d} min" if minutes >= _HOUR_MIN else f"{minutes} min"


def near_words(area: Area, length_m: float) -> str:
    """Return a short length in metres or, where depth is shown in feet or fathoms, in feet."""
    return format_quantity(length_m, "m" if area.show.depth == "m" else "ft", 0)


def leg_words(plan: Plan, leg: TimedLeg, under_m: FloatArray) -> LegWords:
    """Return what is said of a leg.

    Parameters
    ----------
    plan
        The plan that the leg belongs to.
    leg
        One of its legs.
    under_m
        Charted depth under the leg's vertices, metres, NaN where unknown.

    Returns
    -------
    LegWords
        Times in the area's clock, courses with T (true) and M (magnetic), quantities in the shown units.

    """
    show, track = plan.area.show, leg.leg
    clock = plan.area.timezone
    day = plan.trip.start.astimezone(clock)
    start, end = (short_time(when.astimezone(clock), day) for when in (leg.start, leg.end))
    course = _course(leg.course_start_true_deg, leg.course_start_magnetic_deg)
    ends_on = _course(leg.course_end_true_deg, leg.course_end_magnetic_deg)
    length = format_quantity(leg.length_m, show.distance, 2)
    speed = format_quantity(leg.speed_mps, show.speed, 1)
    depth = _under(plan, leg, under_m)
    rows = [
        ("Time", f"{start} to {end}"),
        ("Course", f"{course}, ending on {ends_on}"),
        *_headings(plan, leg),
        ("Length and speed", f"{length} at {speed}" + ("" if track.current_mps is None else " over the ground, mean")),
        ("Charted depth under", depth),
    ]
    if track.depth_line_m is not None and track.kind == "pass":
        rows.append(("Depth line", format_quantity(track.depth_line_m, show.depth, 0)))
    if track.off_line is not None:
        rows.append(("Off the line", f"95 % of it within {near_words(plan.area, track.off_line.p95_m)}"))
    if leg.fuel_l is not None:
        rows.append(("Fuel", format_quantity(leg.fuel_l, _fuel_unit(plan.area), 1)))
    if track.note:
        rows.append(("Note", track.note))
    kind = f"turn to {track.turn_side}" if track.kind == "turn" and track.turn_side else track.kind
    title = f"{leg.seq}. {kind}" + (f", {track.label}" if track.label else "")
    badge = f"{leg.seq} · {start}" if track.kind != "turn" else str(leg.seq)
    return LegWords(
        title,
        start,
        badge,
        (f"{start} · {course}", f"{length} · {speed} · {depth}"),
        tuple(rows),
    )


def lure_words(plan: Plan, tracks: Sequence[LureTrack]) -> str:
    """Return what is said of a rod's lure on legs where it does the same: the legs, its depth, its slowest speed.

    The speed is a share of trolling speed, which the page says once.
    """
    labels = {leg.seq: leg.leg.label for leg in plan.legs}
    legs = " · ".join(labels[track.seq] for track in tracks)
    unit = plan.area.show.depth
    low, high = (
        f"{to_unit(far, unit):.0f}"
        for far in (min(track.depth_min_m for track in tracks), max(track.depth_max_m for track in tracks))
    )
    depth = f"{high} {unit}" if low == high else f"{low} to {high} {unit}"
    slowest = min((track.slowest_mps for track in tracks if not math.isnan(track.slowest_mps)), default=math.nan)
    speed = "gear going down" if math.isnan(slowest) else f"slowest {_share(plan, slowest)}"
    return f"{legs}: {depth}, {speed}"


def state_words(plan: Plan, water: ClosedWater) -> str:
    """Return when closed water is closed during the trip, in one line."""
    if not water.changes:
        return "closed for the whole trip" if water.in_force_at_start else "open for the whole trip"
    clock = plan.area.timezone
    day = plan.trip.start.astimezone(clock)
    said = ["closed at the start" if water.in_force_at_start else "open at the start"]
    closed = water.in_force_at_start
    for when in water.changes:
        closed = not closed
        said.append(f"{'closes' if closed else 'opens'} at {short_time(when.astimezone(clock), day)}")
    return ", ".join(said)


def panel_sections(plan: Plan, legs: Sequence[LegWords]) -> tuple[Section, ...]:
    """Return the trip panel from top to bottom; `legs` is what is said of each of the plan's legs."""
    warnings = (
        *(() if plan.area.has_grounds else (NO_GROUNDS,)),
        *plan.warnings,
        *(str(finding) for finding in plan.area.warnings if str(finding) not in plan.warnings),
    )
    return (
        *((Section("Warnings", "warning", sentences=warnings),) if warnings else ()),
        _water_section(plan),
        *(_work_section(plan, work) for work in plan.works),
        _rig_section(plan),
        _gear_section(plan),
        _time_section(plan),
        _radius_section(plan),
        _sun_section(plan),
        _closed_section(plan),
        Section("Legs in the order worked", "plain", tuple((leg.title, ", ".join(leg.brief)) for leg in legs)),
        Section("Cautions", "plain", sentences=tuple(dict.fromkeys((NOT_FOR_NAVIGATION, *plan.cautions)))),
        _data_section(plan.area),
    )


def _work_section(plan: Plan, work: WorkReport) -> Section:
    area, off = plan.area, work.off_line
    distance, depth = area.show.distance, area.show.depth
    legs = [leg for leg in plan.legs if leg.leg.work == work.index and leg.leg.kind != "run"]
    clock, day = area.timezone, plan.trip.start.astimezone(area.timezone)
    times = [short_time(when.astimezone(clock), day) for leg in legs for when in (leg.start, leg.end)]
    length = format_quantity(work.length_m, distance, 2)
    wanted = format_quantity(work.wanted_length_m, distance, 2)
    half, most, worst = (near_words(area, far) for far in (off.median_m, off.p95_m, off.worst_m))
    rows = (
        *((("Gear down", f"{times[0]} to {times[-1]}"),) if times else ()),
        ("Passes", f"{work.passes}, each up to {length} ({wanted} asked)"),
        ("Off the line", f"half of it within {half}, 95 % within {most}, worst {worst}"),
        ("Charted depth under", _depth_span(off.depth_mean_m, off.depth_min_m, off.depth_max_m, depth)),
    )
    title = f"Work {work.index + 1}: {work.title}"
    tables = (_tide_table(plan, work),) if work.tide else ()
    return Section(title, "plain", rows, (*work.cuts, *work.choices), tables)


def _tide_table(plan: Plan, work: WorkReport) -> Table:
    """Return what is done with the tide and why, with minutes on the line per hour for either pattern."""
    area, unit = plan.area, plan.area.show.speed
    clock, day = area.timezone, plan.trip.start.astimezone(area.timezone)
    legs = [leg.leg.xy for leg in plan.legs if leg.leg.work == work.index]
    x, y = np.concatenate(legs).mean(axis=0) if legs else (0.0, 0.0)

    def minutes(share: float | None) -> str:
        return "–" if share is None else f"{share:.0f}"

    rows = []
    for one in work.tide:
        since, until = (short_time(when.astimezone(clock), day) for when in (one.since, one.until))
        east, north = one.flow_mps
        set_deg = float(area.projection.true_course_deg(x, y, math.atan2(north, east)))
        drift = math.hypot(east, north)
        flow = "unknown" if math.isnan(drift) else f"{round(set_deg) % 360:03d}°"
        most = "unknown" if math.isnan(one.strongest_mps) else f"{to_unit(one.strongest_mps, unit):.1f}"
        shares = minutes(one.loop_min_per_h), minutes(one.one_way_min_per_h)
        rows.append((f"{since} to {until}: {one.pattern}", one.words, "", (flow, most, *shares)))
    head = ("time, pattern", "set", f"most, {unit}", "loop, min/h", "one-way, min/h")
    return Table("Tide and pattern, minutes on the line in an hour", head, tuple(rows))


def _water_section(plan: Plan) -> Section:
    """Return where tide and current are told, and when water opens or closes; the graph of the trip stands there."""
    area = plan.area
    clock, day = area.timezone, plan.trip.start.astimezone(area.timezone)
    tide = "no tide layer: none counted"
    current = "no current layer: none counted"
    if area.tide is not None:
        tide = " · ".join(station.name for station in area.tide.stations) or "a table for the area"
    if area.current is not None:
        current = " · ".join(
            station.name
            if station.reach_m is None
            else f"{station.name}, {format_quantity(station.reach_m, area.show.distance)} round it"
            for station in area.current.stations
        )
    rows = (
        ("Tide told at", tide),
        ("Current told at", current or "a grid over the water"),
        *((short_time(when.astimezone(clock), day), words) for when, words in plan.day.events),
    )
    return Section("Tide, current and light", "plain", rows, graph=True)


def _rig_section(plan: Plan) -> Section:
    unit, clock = plan.area.show.depth, plan.area.timezone
    day = plan.trip.start.astimezone(clock)
    head = ("rod", f"depth, {unit}", f"dial, {unit}", "angle", f"setback, {unit}", f"behind, {unit}")

    def values(row: RigRow) -> Iterable[str]:
        yield f"{to_unit(row.depth_m, unit):.0f}"
        yield f"{to_unit(row.line_out_m, unit):.0f}"
        yield f"{row.angle_deg:.0f}°"
        yield f"{to_unit(row.setback_m, unit):.0f}" if row.setback_m else "–"
        yield f"{to_unit(row.behind_m, unit):.0f}"

    tables = tuple(
        Table(
            f"From {short_time(time.since.astimezone(clock), day)}",
            head,
            tuple(
                (row.rod, f"{row.side}, {row.line}", "anew" if row.fresh and index else "", tuple(values(row)))
                for row in time.rows
            ),
        )
        for index, time in enumerate(rig_card(plan.radius))
    )
    said = (
        "Dial is the line to let out, angle the cable's from the vertical, behind how far the lure trails the stern.",
    )
    return Section("Rig card", "plain", sentences=said, tables=tables)


def _gear_section(plan: Plan) -> Section:
    """Return what the warnings leave unsaid about the gear: what is well, and the rest of the places."""
    swept, limits, unit = plan.swept, plan.trip.limits, plan.area.show.depth
    labels = {leg.seq: leg.leg.label for leg in plan.legs}
    rows: list[Row] = []
    if math.isfinite(swept.clearance_m):
        least = math.floor(10.0 * to_unit(swept.clearance_m, unit)) / 10.0
        asked = format_quantity(limits.bottom_clearance_m, unit)
        rows.append(("Least water under the gear", f"{least:g} {unit} while under way ({asked} asked)"))
    slowest: dict[str, LureTrack] = {}
    for track in swept.tracks:
        if not math.isnan(track.slowest_mps):
            slowest[track.rod] = min(slowest.get(track.rod, track), track, key=lambda one: one.slowest_mps)
    if slowest:
        said = (f"{_share(plan, one.slowest_mps)} {rod} on {labels[one.seq]}" for rod, one in slowest.items())
        floor = f"of trolling speed ({limits.lure_speed_floor:.0%} asked)"
        rows.append(("Each lure's slowest", f"{', '.join(said)} {floor}"))
    if not swept.together:
        apart = near_words(plan.area, limits.line_separation_m)
        rows.append(("Lines in turns", f"none come within {apart} that do not on a straight course"))
    if not swept.stops:
        rows.append(("If the boat stops", "every rod hangs clear of the charted bottom"))
    down = sum(leg.leg.kind != "run" for leg in plan.legs)
    for stop in swept.stops:
        where = "every leg with gear down" if len(stop.seqs) == down else " · ".join(labels[seq] for seq in stop.seqs)
        rows.append((f"{stop.rod} up before a stop on", where))
    return Section("Gear in the water", "plain", tuple(rows))


def _share(plan: Plan, speed_mps: float) -> str:
    return f"{speed_mps / plan.trip.boat.troll_speed_mps:.0%}"


def _time_section(plan: Plan) -> Section:
    total = plan.totals
    rows = [
        ("Fishing (on a pass)", span_words(total.fishing)),
        ("Turning, gear down", span_words(total.turning)),
        ("Running, gear up", span_words(total.running)),
        ("Distance", format_quantity(total.distance_m, plan.area.show.distance, 1)),
    ]
    if total.fuel_l is not None:
        rows.append(("Fuel", format_quantity(total.fuel_l, _fuel_unit(plan.area), 1)))
    return Section("Time and distance", "plain", tuple(rows))


def _radius_section(plan: Plan) -> Section:
    area, radius = plan.area, plan.radius
    rows = [("No tighter than", f"{near_words(area, radius.radius_m)}, decided by {radius.decided_by}")]
    rows += [(f"{rod.rod.name} needs", near_words(area, rod.radius_needed_m)) for rod in radius.rods]
    speed = plan.trip.boat.troll_speed_mps
    rows += [
        (
            f"With at most {near_words(area, one.setback_m)} of setback",
            f"{near_words(area, one.radius_m)}, {one.turn_m / speed:.0f} s a turn",
        )
        for one in radius.setbacks
    ]
    return Section("Turning radius", "plain", tuple(rows))


def _sun_section(plan: Plan) -> Section:
    clock, day = plan.area.timezone, plan.trip.start.astimezone(plan.area.timezone)
    named = (
        ("Dawn (civil)", plan.sun.dawn),
        ("Sunrise", plan.sun.sunrise),
        ("Sunset", plan.sun.sunset),
        ("Dusk (civil)", plan.sun.dusk),
    )
    return Section(
        "Sun and compass",
        "plain",
        (
            *((name, "none" if at is None else short_time(at.astimezone(clock), day)) for name, at in named),
            ("Magnetic variation", _variation(plan.magnetic_variation_deg)),
            ("Clock", f"{clock.key} (UTC{day:%z})"),
        ),
    )


def _closed_section(plan: Plan) -> Section:
    def words(water: ClosedWater) -> Iterable[str]:
        yield "no entry" if water.forbids == "entry" else "no fishing"
        yield state_words(plan, water)
        yield water.dates
        yield water.reference

    rows = tuple((water.name, "; ".join(filter(None, words(water)))) for water in plan.closed)
    return Section("Closed water during the trip", "plain", rows, () if rows else ("None that is known here.",))


def _data_section(area: Area) -> Section:
    rows = tuple(
        (
            f"{source.role}: {source.file}",
            f"{source.source}, {f'as of {source.as_of}' if source.as_of else 'undated'}",
        )
        for source in area.sources
    )
    return Section("Data", "plain", (("Depths are below", area.depth_datum), *rows))


def _under(plan: Plan, leg: TimedLeg, under_m: FloatArray) -> str:
    unit = plan.area.show.depth
    off = leg.leg.off_line
    if off is not None:
        low, mean, high = off.depth_min_m, off.depth_mean_m, off.depth_max_m
    else:
        known = under_m[np.isfinite(under_m)]
        if not known.size:
            return "unknown"
        low, mean, high = float(known.min()), float(known.mean()), float(known.max())
    if leg.leg.kind == "run":
        unknown = " where charted" if np.isnan(under_m).any() else ""
        return f"at least {math.floor(to_unit(low, unit))} {unit}{unknown}"
    return _depth_span(mean, low, high, unit)


def _depth_span(mean_m: float, low_m: float, high_m: float, unit: str) -> str:
    low, high = math.floor(to_unit(low_m, unit)), math.ceil(to_unit(high_m, unit))
    return f"{format_quantity(mean_m, unit, 0)} ({low} to {high} {unit})"


def _headings(plan: Plan, leg: TimedLeg) -> Iterator[Row]:
    """Yield the heading through the water at a leg's start and end, where it was planned in moving water."""
    track = leg.leg
    if track.clock_s is None or track.current_mps is None:
        return
    took = np.diff(track.clock_s)
    moving = np.flatnonzero((took > 0.0) & (np.diff(track.xy, axis=0) != 0.0).any(axis=1))
    said = []
    for step in moving[[0, -1]]:
        ground = (track.xy[step + 1] - track.xy[step]) / took[step]
        east, north = ground - (track.current_mps[step] + track.current_mps[step + 1]) / 2
        x, y = track.xy[step]
        true = float(plan.area.projection.true_course_deg(x, y, math.atan2(north, east)))
        said.append(_course(true, true - plan.magnetic_variation_deg))
    yield "Heading through the water", f"{said[0]}, ending on {said[1]}"


def _course(true_deg: float, magnetic_deg: float) -> str:
    return f"{round(true_deg) % 360:03d}° T, {round(magnetic_deg) % 360:03d}° M"


def _variation(degrees: float) -> str:
    return f"{abs(degrees):.1f}° {'E' if degrees >= 0 else 'W'}"


def _fuel_unit(area: Area) -> str:
    return "L" if area.show.depth == "m" else "gal"
