"""The words on the map page, in the units and the clock that the skipper reads."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from layers.units import format_quantity, to_unit
from spotmap.legwords import LegWords, Row, depth_span, fuel_unit, near_words, share_of_troll
from spotmap.momentwords import short_time
from spotmap.report import origin_words
from spotmap.rigcard import rig_card

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from datetime import timedelta

    from layers.model import Area
    from spotmap.model import ClosedWater, LureTrack, Plan, WorkReport
    from spotmap.rigcard import RigRow

NOT_FOR_NAVIGATION = "Not for navigation. Check the current regulation. The skipper decides. Keep a lookout."
NO_GROUNDS = "No ground layer: water counted open unless closed."

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
        ("Charted depth under", depth_span(off.depth_mean_m, off.depth_min_m, off.depth_max_m, depth)),
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
        said = (f"{share_of_troll(plan, one.slowest_mps)} {rod} on {labels[one.seq]}" for rod, one in slowest.items())
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


def _time_section(plan: Plan) -> Section:
    total = plan.totals
    rows = [
        ("Fishing (on a pass)", span_words(total.fishing)),
        ("Turning, gear down", span_words(total.turning)),
        ("Running, gear up", span_words(total.running)),
        ("Distance", format_quantity(total.distance_m, plan.area.show.distance, 1)),
    ]
    if total.fuel_l is not None:
        rows.append(("Fuel", format_quantity(total.fuel_l, fuel_unit(plan.area), 1)))
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
            origin_words(source),
        )
        for source in area.sources
    )
    return Section("Data", "plain", (("Depths are below", area.depth_datum), *rows))


def _variation(degrees: float) -> str:
    return f"{abs(degrees):.1f}° {'E' if degrees >= 0 else 'W'}"
