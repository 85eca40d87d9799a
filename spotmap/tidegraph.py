"""The trip as one graph: light, tide, current at the work, patterns, legs and grounds over one axis of time.

An SVG that stands alone: its styles are inside, it holds no script, and it reads in black and white.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from layers.units import format_quantity, to_unit
from spotmap.graphsheet import BOLD, LINE_PX, MARGIN_PX, Row, Scale, Sheet, cut, escaped, runs, text_px
from spotmap.momentwords import offset_words, short_time

if TYPE_CHECKING:
    from collections.abc import Iterator

    from layers.model import FloatArray
    from spotmap.model import Plan

_TIDE_PX, _DRIFT_PX, _SETS_PX, _STRIP_PX = 104.0, 76.0, 22.0, 20.0
_SET_EVERY_PX = 26.0
_SLACK_MPS = 0.026
"""A twentieth of a knot: the water goes nowhere worth an arrow."""
_TICK_STEPS_MIN = (30, 60, 120, 180, 360)
_LIGHTS = ("night", "twilight", "day")
_SIGNS = {
    "loop": (9, "M7 4.5A2.5 2.5 0 1 1 4.5 2"),
    "one-way": (8, "M2 1.5L5 4.5L2 7.5"),
    "weave": (10, "M0 4.5Q2.5 -.5 5 4.5T10 4.5"),
}
"""A pattern's sign, repeated on its piece of the strip: how wide, and its path, 9 high."""
_STYLE = """
.tg-text{font:11px "DejaVu Sans",Verdana,"Liberation Sans",Arial,sans-serif;fill:#14110f}
.tg-halo{paint-order:stroke;stroke:#fff;stroke-width:3px;stroke-linejoin:round}
.tg-strong{font-weight:700}.tg-inverse{fill:#fff}
.tg-edge{stroke:#14110f;stroke-width:1}
.tg-paper{fill:#fff}.tg-frame{fill:none;stroke:#14110f}
.tg-grid{stroke:#b9b3ab;stroke-width:.7}.tg-day-line{stroke:#14110f;stroke-width:1.2}
.tg-datum{stroke:#14110f;stroke-dasharray:1 3}
.tg-tide{fill:none;stroke:#00363a;stroke-width:2.2}.tg-turn-point{fill:#fff;stroke:#00363a;stroke-width:2}
.tg-drift{fill:none;stroke:#3a2a00;stroke-width:2.2}.tg-limit{stroke:#8a1c00;stroke-width:1.6;stroke-dasharray:7 4}
.tg-set{fill:none;stroke:#3a2a00;stroke-width:1.6;stroke-linejoin:round}.tg-slack{fill:#3a2a00}
.tg-gap{stroke:#77737f;stroke-width:.6;stroke-dasharray:2 2}.tg-gap-line{stroke:#77737f;stroke-width:1}
.tg-night{fill:#2b2622}.tg-twilight{fill:#a39b90}.tg-day{fill:#fff}
.tg-sign{fill:none;stroke:#14110f;stroke-width:.9}
.tg-pass{fill:#14110f;stroke:#fff}.tg-turn{fill:#a08fb0}.tg-run{fill:#fff}
.tg-event{stroke:#8a1c00;stroke-width:1.2;stroke-dasharray:4 3}.tg-flag{fill:#8a1c00}
.tg-now{stroke:#8a1c00;stroke-width:2;visibility:hidden}
"""


def trip_graph(plan: Plan, *, width: float = 720.0, name: str = "trip-graph") -> str:
    """Return the graph of a trip as SVG.

    Parameters
    ----------
    plan
        A checked plan.
    width
        In pixels; the height follows.
    name
        What the ids inside begin with: two graphs on one page need two.

    Returns
    -------
    str
        SVG in ASCII. Texts from data are escaped. The attributes ``data-left`` and ``data-right`` are where the trip
        starts and ends, for a cursor: the hidden line of class ``tg-now`` at x = 0.

    """
    sheet = Sheet.for_plan(plan, width, name)
    bottom = _axis(sheet, plan)
    bottom = _light(sheet, plan, bottom + 4)
    bottom = _tide(sheet, plan, bottom + 6)
    bottom = _current(sheet, plan, bottom + 8)
    bottom = _patterns(sheet, plan, bottom + 8)
    bottom = _legs(sheet, plan, bottom + 5)
    bottom = _events(sheet, plan, bottom + 5)
    bottom = _legend(sheet, plan, bottom + 8)
    head = (
        f'<svg xmlns="http://www.w3.org/2000/svg" class="tg" role="img" width="{width:g}" height="{bottom:g}" '
        f'viewBox="0 0 {width:g} {bottom:g}" aria-labelledby="{name}-t {name}-d" '
        f'data-left="{sheet.left:g}" data-right="{sheet.right:g}">'
        f'<title id="{name}-t">Tide, current, light and legs of the trip</title>'
        f'<desc id="{name}-d">{escaped(" ".join(_told(plan)))}</desc><style>{_STYLE}</style>'
        f"<defs>{''.join(_defs(name))}</defs>"
        f'<rect class="tg-paper" width="{width:g}" height="{bottom:g}"/>'
    )
    now = f'<line class="tg-now" x1="0" x2="0" y1="{LINE_PX:g}" y2="{sheet.foot:g}"/>'
    return f"{head}{''.join(sheet.under)}{''.join(sheet.parts)}{now}</svg>"


def _defs(name: str) -> Iterator[str]:
    yield (
        f'<pattern id="{name}-gap" width="6" height="6" patternUnits="userSpaceOnUse" patternTransform="rotate(45)">'
        '<path class="tg-gap-line" d="M0 0V6"/></pattern>'
    )
    for pattern, (wide, sign) in _SIGNS.items():
        yield (
            f'<pattern id="{name}-{pattern}" width="{wide}" height="9" patternUnits="userSpaceOnUse">'
            f'<rect class="tg-paper" width="{wide}" height="9"/><path class="tg-sign" d="{sign}"/></pattern>'
        )


def hour_ticks(start: datetime, end: datetime, step_min: int) -> Iterator[datetime]:
    """Yield the moments from start to end at which the clock shows a whole number of steps since midnight.

    Right across a change of the clock: an hour that is told twice is yielded twice, one left out is not.

    Examples
    --------
    >>> from zoneinfo import ZoneInfo
    >>> begin = datetime(2026, 3, 29, 1, 10, tzinfo=ZoneInfo("CET"))
    >>> [f"{tick:%H:%M}" for tick in hour_ticks(begin, begin.replace(hour=4), 60)]
    ['03:00', '04:00']

    """
    zone = start.tzinfo
    quarter = timedelta(minutes=15)  # every zone in use is a whole number of quarters from UTC
    last = end.astimezone(UTC)
    moment = datetime.fromtimestamp(np.ceil(start.timestamp() / 900.0) * 900.0, UTC)
    while moment <= last:
        local = moment.astimezone(zone)
        if (60 * local.hour + local.minute) % step_min == 0:
            yield local
        moment += quarter


def turn_points(time_s: FloatArray, tide_m: FloatArray, rising_mps: FloatArray) -> list[tuple[float, float, bool]]:
    """Return high and low waters: the moment, the height, and whether it is a high.

    Parameters
    ----------
    time_s, tide_m, rising_mps
        Moments, heights and how fast they rise, (n,); NaN where unknown.

    Examples
    --------
    >>> time = np.array([0.0, 60.0, 120.0])
    >>> turn_points(time, np.array([1.0, 2.0, 1.0]), np.array([0.02, -0.01, -0.02]))
    [(40.0, 1.6666666666666665, True)]

    """
    moving = np.flatnonzero(np.isfinite(rising_mps) & (rising_mps != 0.0))
    found = []
    for before, after in pairwise(moving):
        up, on = rising_mps[before], rising_mps[after]
        if up * on < 0.0 and np.isfinite(tide_m[before : after + 1]).all():
            at = time_s[before] + (time_s[after] - time_s[before]) * up / (up - on)
            found.append((float(at), float(np.interp(at, time_s, tide_m)), bool(up > 0.0)))
    return found


def _axis(sheet: Sheet, plan: Plan) -> float:
    """Draw the axis of time: dates, then hours; return where it ends."""
    zone = plan.area.timezone
    start, end = (when.astimezone(zone) for when in (plan.legs[0].start, plan.legs[-1].end))
    dates, hours = LINE_PX - 3, 2 * LINE_PX - 3
    sheet.text(sheet.left, dates, _date(start), "tg-strong", anchor="start", must=True)
    for midnight in hour_ticks(start, end, 24 * 60):
        x = sheet.x_of(midnight)
        sheet.under.append(f'<line class="tg-day-line" x1="{x:.1f}" x2="{x:.1f}" y1="{dates:g}" y2="@foot"/>')
        sheet.text(x, dates, _date(midnight), "tg-strong")
    for before, after in pairwise(plan.day.moments):
        here, there = (moment.astimezone(zone) for moment in (before, after))
        if here.utcoffset() != there.utcoffset():
            sheet.text(sheet.x_of(there), dates, f"clock to {offset_words(there)}", "tg-strong")
    room = text_px("00:00") + 6
    hour_px = (sheet.right - sheet.left) * 3600.0 / (sheet.end_s - sheet.start_s)
    step = next((step for step in _TICK_STEPS_MIN if hour_px * step / 60 >= room), _TICK_STEPS_MIN[-1])
    for tick in hour_ticks(start, end, step):
        x = sheet.x_of(tick)
        sheet.text(x, hours, f"{tick:%H:%M}")
        sheet.under.append(f'<line class="tg-grid" x1="{x:.1f}" x2="{x:.1f}" y1="{hours + 3:g}" y2="@foot"/>')
    return hours + 3


def _date(moment: datetime) -> str:
    return f"{moment:%a} {moment.day} {moment:%b}"


def _light(sheet: Sheet, plan: Plan, top: float) -> float:
    sheet.label(top, 16, "light")
    day = plan.day
    for rows in runs(day.light):
        light = _LIGHTS[int(day.light[rows[0]])]
        since = f"{light} from {_clock(plan, sheet.time_s[rows[0]])}" if rows[0] else light
        begin, end = sheet.span(rows)
        sheet.add("rect", f"tg-edge tg-{light}", since, x=begin, y=top, width=end - begin, height=16)
        sheet.in_rect((begin, top, end, top + 16), (since, light), "tg-inverse" if light == "night" else "")
    return top + 16


def _tide(sheet: Sheet, plan: Plan, top: float) -> float:
    unit, day = plan.area.show.depth, plan.day
    title, top = top + 11, top + LINE_PX
    said = cut(f"Tide, {unit} over {plan.area.depth_datum}", (sheet.right - sheet.left) / BOLD)
    sheet.text(sheet.left, title, said, "tg-strong tg-halo", anchor="start")
    bottom = top + _TIDE_PX
    _frame(sheet, top, _TIDE_PX)
    if plan.area.tide is None:
        sheet.text((sheet.left + sheet.right) / 2, top + _TIDE_PX / 2, "no tide layer: none counted")
        return bottom
    height = np.array(day.tide_m) / to_unit(1.0, "m") * to_unit(1.0, unit)
    known = height[np.isfinite(height)]
    low, high = (float(known.min()), float(known.max())) if known.size else (0.0, 1.0)
    room = 20.0 / (_TIDE_PX - 40.0) * max(high - low, 0.2)
    scale = Scale(low - room, max(high, low + 0.2) + room, top, bottom)
    sheet.levels(scale)
    sheet.curve(scale, height, "tg-tide")
    for at, metres, is_high in turn_points(sheet.time_s, day.tide_m, day.rising_mps):
        x, y = float(sheet.x(at)), scale.y(to_unit(metres, unit))
        said = f"{_clock(plan, at)} · {format_quantity(metres, unit, 1)}"
        sheet.add("circle", "tg-turn-point", f"{'high' if is_high else 'low'} water {said}", cx=x, cy=y, r=3)
        ways = (y - 7, y + 16) if is_high else (y + 16, y - 7)
        any(sheet.text(x, at_y, said, "tg-halo tg-strong") for at_y in ways)
    for row, anchor in ((0, "start"), (-1, "end")):
        if np.isfinite(height[row]):
            x, y = float(sheet.x(sheet.time_s[row])), scale.y(float(height[row]))
            said = format_quantity(float(day.tide_m[row]), unit, 1)
            shift = 3.0 if anchor == "start" else -3.0
            any(sheet.text(x + shift, at_y, said, "tg-halo", anchor=anchor) for at_y in (y - 7, y + 16))
    for rows in _gaps(height):
        sheet.gap(rows, top, _TIDE_PX)
    return bottom


def _current(sheet: Sheet, plan: Plan, top: float) -> float:
    unit, day = plan.area.show.speed, plan.day
    title, top = top + 11, top + LINE_PX
    sheet.text(sheet.left, title, f"Current at the work, {unit}; set, north up", "tg-strong tg-halo", anchor="start")
    whole = _SETS_PX + _DRIFT_PX
    _frame(sheet, top, whole)
    if plan.area.current is None:
        sheet.text((sheet.left + sheet.right) / 2, top + whole / 2, "no current layer: none counted")
        return top + whole
    east, north = day.work_flow_mps.T
    course = plan.area.projection.true_course_deg(day.xy[:, 0], day.xy[:, 1], np.arctan2(north, east))
    drift = np.hypot(east, north) * to_unit(1.0, unit)
    strong = to_unit(plan.trip.limits.strong_current_mps, unit)
    most = max(np.nanmax(drift) if np.isfinite(drift).any() else 0.0, strong)
    scale = Scale(0.0, 1.25 * most, top + _SETS_PX, top + whole)
    sheet.levels(scale)
    y = scale.y(strong)
    sheet.add("line", "tg-limit", "strong current", x1=sheet.left, x2=sheet.right, y1=y, y2=y)
    for rows in _gaps(drift):
        sheet.gap(rows, top, whole)
    sheet.curve(scale, drift, "tg-drift")
    for x in np.arange(sheet.left + 0.5 * _SET_EVERY_PX, sheet.right - 0.3 * _SET_EVERY_PX, _SET_EVERY_PX):
        row = int(np.abs(sheet.x(sheet.time_s) - x).argmin())
        if np.isfinite(drift[row]):
            middle = top + _SETS_PX / 2
            box = (float(x) - 9, middle - 9, float(x) + 9, middle + 9)
            if not sheet.free(box):
                continue
            sheet.taken.append(box)
            if np.hypot(east[row], north[row]) < _SLACK_MPS:
                sheet.add("circle", "tg-slack", "slack", cx=float(x), cy=middle, r=1.8)
                continue
            turned = f"translate({x:.1f} {middle:.1f}) rotate({course[row]:.0f})"
            sheet.add("path", "tg-set", d="M0 8V-8M-4 -2L0 -8L4 -2", transform=turned)
    said = f"strong: {format_quantity(plan.trip.limits.strong_current_mps, unit, 1)}"
    places = ((sheet.right - 4, "end"), (sheet.left + 4, "start"), ((sheet.left + sheet.right) / 2, "middle"))
    any(sheet.text(x, level, said, "tg-halo", anchor=anchor) for level in (y - 4, y + 13) for x, anchor in places)
    return top + whole


def _frame(sheet: Sheet, top: float, height: float) -> None:
    sheet.add("rect", "tg-frame", x=sheet.left, y=top, width=sheet.right - sheet.left, height=height)


def _gaps(values: FloatArray) -> Iterator[Row]:
    return (rows for rows in runs(np.isfinite(values)) if not np.isfinite(values[rows[0]]))


def _patterns(sheet: Sheet, plan: Plan, top: float) -> float:
    """Draw what is worked when: as the tide has it chosen, or the pattern of the legs where nothing was to choose."""
    sheet.label(top, _STRIP_PX, "work")
    for since, until, pattern, why in sorted(_worked(plan), key=lambda one: one[0]):
        begin, end = sheet.x_of(since), sheet.x_of(until)
        said = f"{pattern} from {_clock(plan, since.timestamp())} to {_clock(plan, until.timestamp())}"
        told = f"{said}: {why}" if why else said
        box = {"x": begin, "y": top, "width": end - begin, "height": _STRIP_PX}
        sheet.add("rect", "tg-edge", told, **box, fill=f"url(#{sheet.name}-{pattern})")
        sheet.in_rect((begin, top, end, top + _STRIP_PX), (pattern,), "tg-halo")
    return top + _STRIP_PX


def _worked(plan: Plan) -> Iterator[tuple[datetime, datetime, str, str]]:
    for work in plan.works:
        legs = [leg for leg in plan.legs if leg.leg.work == work.index and leg.leg.kind != "run"]
        if work.tide:
            yield from ((one.since, one.until, one.pattern, one.words) for one in work.tide)
        elif legs and legs[0].leg.pattern:
            yield legs[0].start, legs[-1].end, legs[0].leg.pattern, ""


def _legs(sheet: Sheet, plan: Plan, top: float) -> float:
    """Draw the legs: a pass is tall and dark, a turn half as tall and grey, a run low and hollow."""
    sheet.label(top, _STRIP_PX, "legs")
    for leg in plan.legs:
        begin, end = sheet.x_of(leg.start), sheet.x_of(leg.end)
        high = _STRIP_PX * {"pass": 1.0, "turn": 0.55, "run": 0.3}[leg.leg.kind]
        times = f"{_clock(plan, leg.start.timestamp())} to {_clock(plan, leg.end.timestamp())}"
        told = f"{leg.seq}. {leg.leg.kind} {leg.leg.label}, {times}"
        box = {"x": begin, "y": top + _STRIP_PX - high, "width": end - begin, "height": high}
        sheet.add("rect", f"tg-edge tg-{leg.leg.kind}", told, **box)
        if leg.leg.kind == "pass":
            sheet.in_rect((begin, top, end, top + _STRIP_PX), (leg.leg.label, str(leg.seq)), "tg-inverse")
    sheet.foot = top + _STRIP_PX
    return sheet.foot


def _events(sheet: Sheet, plan: Plan, top: float) -> float:
    """Draw when grounds and closures change: a line through all, a flag, and words on the first line with room."""
    events = [(when, words) for when, words in plan.day.events if sheet.start_s <= when.timestamp() <= sheet.end_s]
    if events:
        sheet.label(top, LINE_PX, "water")
    bottom = top
    for when, words in events:
        x, whole = sheet.x_of(when), f"{_clock(plan, when.timestamp())} {words}"
        sheet.under.append(f'<line class="tg-event" x1="{x:.1f}" x2="{x:.1f}" y1="{2 * LINE_PX:g}" y2="{top:g}"/>')
        line = 0
        while True:
            y = top + line * LINE_PX + 11
            ways = (("start", x + 7, sheet.right + MARGIN_PX - x - 9), ("end", x - 7, x - 9 - sheet.left))
            shown = [(anchor, at, cut(whole, room)) for anchor, at, room in ways]
            best = sorted(shown, key=lambda one: -len(one[2]))
            if any(
                sheet.text(at, y, said, anchor=anchor) for anchor, at, said in best if len(said) >= min(len(whole), 12)
            ):
                break
            line += 1
        flag = f"M{x:.1f} {y - 9:.1f}L{x + 4:.1f} {y - 4:.1f}L{x:.1f} {y + 1:.1f}L{x - 4:.1f} {y - 4:.1f}Z"
        sheet.add("path", "tg-flag", whole, d=flag)
        bottom = max(bottom, y + 4)
    return bottom


def _legend(sheet: Sheet, plan: Plan, top: float) -> float:
    """Draw what the strips mean, and whose clock it is."""
    unknown = (plan.area.tide is not None and np.isnan(plan.day.tide_m).any()) or (
        plan.area.current is not None and np.isnan(plan.day.work_flow_mps).any()
    )
    entries = [
        ("tg-pass", 12.0, "pass", ""),
        ("tg-turn", 7.0, "turn, gear down", ""),
        ("tg-run", 4.0, "run, gear up", ""),
        *(("", 12.0, sign, f"url(#{sheet.name}-{sign})") for sign in dict.fromkeys(one[2] for one in _worked(plan))),
    ]
    x, y = 4.0, top + 11
    for css, high, words, fill in entries:
        wide = 20 + text_px(words)
        if x + wide > sheet.right + MARGIN_PX - 2:
            x, y = 4.0, y + LINE_PX
        paint = {"fill": fill} if fill else {}
        sheet.add("rect", f"tg-edge {css}", x=x, y=y + 1 - high, width=14, height=high, **paint)
        sheet.text(x + 18, y, words, anchor="start", must=True)
        x += wide + 10
    zone = plan.area.timezone
    said = [
        *(("hatched: unknown",) if unknown else ()),
        f"clock: {zone.key}, {offset_words(plan.legs[0].start.astimezone(zone))}",
    ]
    for words in said:
        y += LINE_PX
        sheet.text(4.0, y, cut(words, sheet.right), anchor="start", must=True)
    sheet.under[:] = [part.replace("@foot", f"{sheet.foot:g}") for part in sheet.under]
    return y + 6


def _told(plan: Plan) -> Iterator[str]:
    """Yield what the graph shows, in sentences."""
    day, unit, speed = plan.day, plan.area.show.depth, plan.area.show.speed
    time_s = np.array([moment.timestamp() for moment in day.moments])
    yield f"From {_clock(plan, time_s[0])} to {_clock(plan, plan.legs[-1].end.timestamp())}."
    if plan.area.tide is None:
        yield "No tide layer: none counted."
    for at, metres, is_high in turn_points(time_s, day.tide_m, day.rising_mps):
        yield f"{'High' if is_high else 'Low'} water {_clock(plan, at)}, {format_quantity(metres, unit, 1)}."
    drift = np.hypot(*day.work_flow_mps.T)
    if plan.area.current is None:
        yield "No current layer: none counted."
    elif np.isfinite(drift).any():
        row = int(np.nanargmax(drift))
        most = format_quantity(float(drift[row]), speed, 1)
        yield f"Strongest current at the work {most} at {_clock(plan, time_s[row])}."
    if (plan.area.tide is not None and np.isnan(day.tide_m).any()) or (
        plan.area.current is not None and np.isnan(drift).any()
    ):
        yield "Some of it is unknown."
    yield from (
        f"{pattern} from {_clock(plan, since.timestamp())} to {_clock(plan, until.timestamp())}."
        for since, until, pattern, _ in _worked(plan)
    )
    yield from (f"{_clock(plan, when.timestamp())}: {words}." for when, words in day.events)


def _clock(plan: Plan, time_s: float) -> str:
    zone = plan.area.timezone
    first = plan.legs[0].start.astimezone(zone)
    return short_time(datetime.fromtimestamp(time_s, UTC).astimezone(zone), first)
