"""What the crew reads: the trip by the clock, every leg, the rig, the water, what is closed, and the private marks."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from layers.model import FloatArray
from layers.positions import format_position
from layers.units import format_quantity
from spotmap.comparison import Compared
from spotmap.legwords import leg_words
from spotmap.mapwords import Section, Table, panel_sections
from spotmap.model import Plan, TimedLeg
from spotmap.momentwords import clock_words, short_time
from spotmap.papergraph import TripGraph
from spotmap.paperpages import Story
from spotmap.tidecommands import timetable_rows

CREW_ONLY = "CREW ONLY: names and places of private marks are in here. Do not hand this out; clients have their own."
_LEGS = "Legs in the order worked"
_FIRST = ("Warnings", "Closed water during the trip", "Rig card")
_SMALL = 0.77
_HEADING_PT = 24.0
_MOST_ROWS = 60


def write_crew(story: Story, plan: Plan, compared: Sequence[Compared] = ()) -> None:
    """Write the crew's pages.

    Parameters
    ----------
    story
        What they are written into.
    plan
        A checked plan.
    compared
        The same trip with other setbacks, from `comparison.compare`; none is told if there are none.
    """
    story.boxed(CREW_ONLY)
    if plan.area.invented:
        story.boxed(f"INVENTED: {plan.area.name} and everything on these pages is made up. There is no such place.")
    sections = {section.title: section for section in panel_sections(plan, ())}
    for title in _FIRST:
        if title in sections:
            _write_section(story, sections.pop(title))
    graph = TripGraph(plan, story.width)
    story.heading("Tide, current, light and legs", room=graph.height + _HEADING_PT)
    story.drawing(graph)
    _write_timetable(story, plan)
    _write_legs(story, plan)
    if compared:
        story.heading("Other setbacks on every downrigger", "each planned anew")
        story.table(
            ("setback", *_FIGURES), [_compared_row(one, plan) for one in compared], (1.0, *[1.1] * 10), small=_SMALL
        )
    for title, section in sections.items():
        if title != _LEGS:
            _write_section(story, section)
    _write_marks(story, plan)


def _write_section(story: Story, section: Section) -> None:
    story.heading(section.title)
    story.rows(section.rows)
    story.bullets(section.sentences)
    for table in section.tables:
        story.table_title(table.title)
        story.table(table.head, list(_table_rows(table)), (3.8, *[1.0] * (len(table.head) - 1)))


def _table_rows(table: Table) -> Iterator[tuple[str, ...]]:
    for name, below, mark, values in table.rows:
        yield (" · ".join(filter(None, (name, below, mark))), *values)


def _write_timetable(story: Story, plan: Plan) -> None:
    minutes = (len(plan.day.moments) - 1) / _MOST_ROWS
    every = next((step for step in (10, 15, 20, 30, 60) if step >= minutes), max(60, round(minutes)))
    head, *rows = timetable_rows(plan, every)
    tide = "no tide counted" if plan.area.tide is None else "with the tide on it"
    story.heading("By the clock", f"{plan.area.timezone.key}; tide over {plan.area.depth_datum}; sets are true")
    story.table(head, rows, (0.8, 0.7, 1.5, 1.6, 1.6, 1.6, 0.9, 1.0, 1.1), small=_SMALL)
    story.text(
        f"A dash is not known. Under gear: from the deepest gear to the bottom at the boat, {tide}, rounded down."
    )
    clock = plan.area.timezone
    day = plan.trip.start.astimezone(clock)
    story.rows([(short_time(when.astimezone(clock), day), words) for when, words in plan.day.events], 0.12)


def _write_legs(story: Story, plan: Plan) -> None:
    story.heading("Legs", "courses over the ground at a leg's start to its end, T true, M magnetic")
    head = ("no.", "leg", "from", "to", "course T", "course M", "length", "speed", "charted depth under", "line, note")
    moments = [when.astimezone(plan.area.timezone) for leg in plan.legs for when in (leg.start, leg.end)]
    clocks = list(clock_words(moments))
    each = zip(plan.legs, clocks[::2], clocks[1::2], _depths_under(plan), strict=True)
    story.table(
        head,
        [_leg_row(plan, leg, (start, end), depth) for leg, start, end, depth in each],
        (0.4, 1.5, 0.75, 0.75, 1.1, 1.1, 0.9, 0.8, 1.7, 1.8),
        small=_SMALL,
    )


def _leg_row(plan: Plan, leg: TimedLeg, clock: tuple[str, str], under_m: FloatArray) -> tuple[str, ...]:
    show, track = plan.area.show, leg.leg
    side = f" to {track.turn_side}" if track.turn_side else ""
    line = f"{format_quantity(track.depth_line_m, show.depth, 0)} line" if track.depth_line_m is not None else ""
    depth = leg_words(plan, leg, under_m).brief[1].rpartition(" · ")[2]
    return (
        str(leg.seq),
        f"{track.label} {track.kind}{side}",
        *clock,
        _course(leg.course_start_true_deg, leg.course_end_true_deg),
        _course(leg.course_start_magnetic_deg, leg.course_end_magnetic_deg),
        format_quantity(leg.length_m, show.distance, 2),
        format_quantity(leg.speed_mps, show.speed, 1),
        depth,
        ", ".join(filter(None, (line if track.kind == "pass" else "", track.note))),
    )


def _course(first_deg: float, last_deg: float) -> str:
    first, last = (f"{round(deg) % 360:03d}°" for deg in (first_deg, last_deg))
    return first if first == last else f"{first} to {last}"


def _depths_under(plan: Plan) -> list[FloatArray]:
    xy = np.concatenate([leg.leg.xy for leg in plan.legs])
    ends = np.cumsum([len(leg.leg.xy) for leg in plan.legs])[:-1]
    return np.split(plan.area.depth.depth_at(xy[:, 0], xy[:, 1]), ends)


_FIGURES = (
    "R",
    "decided by",
    "passes",
    "line worked",
    "lap of work 1",
    "gear down on the line",
    "on the line in an hour",
    "slowest lure",
    "gear swings inside",
    "lines within",
)


def _compared_row(one: Compared, plan: Plan) -> tuple[str, ...]:
    show = plan.area.show
    return (
        format_quantity(one.setback_m, show.depth),
        f"{one.radius_m:.1f} m",
        one.decided_by,
        str(one.passes),
        format_quantity(one.line_m, show.distance),
        f"{one.lap_s / 60:.1f} min",
        f"{one.share:.1%}",
        f"{one.on_line_s_per_hour / 60:.1f} min",
        f"{one.lure_share:.0%}",
        f"{one.inside_m:.1f} m",
        "-" if one.together_m is None else format_quantity(one.together_m, show.depth),
    )


def _write_marks(story: Story, plan: Plan) -> None:
    area = plan.area
    if not area.marks:
        return
    lon, lat = area.projection.to_geographic(
        [mark.point.x for mark in area.marks], [mark.point.y for mark in area.marks]
    )
    rows = [
        (
            mark.name,
            "PRIVATE" if mark.private else "",
            mark.kind,
            format_position(float(lon[index]), float(lat[index])),
            mark.note,
        )
        for index, mark in enumerate(area.marks)
    ]
    story.heading("Marks", "PRIVATE ones stand on no client's sheet")
    story.table(("mark", "", "kind", "position", "note"), sorted(rows, key=lambda row: not row[1]), (2, 1, 1, 2.6, 2.4))
