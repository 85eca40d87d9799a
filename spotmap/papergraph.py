"""The trip as a graph on paper: light, tide, current at the work, legs and changes of open water over one axis."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import datetime
from typing import TYPE_CHECKING, Any

import numpy as np
from reportlab.lib import colors
from reportlab.pdfbase import pdfmetrics
from reportlab.platypus import Flowable

from layers.units import format_quantity, to_unit
from spotmap.graphsheet import Scale, runs
from spotmap.momentwords import short_time
from spotmap.paperpages import BOLD, FONT, fitted, fonts, written
from spotmap.tidegraph import hour_ticks, turn_points

if TYPE_CHECKING:
    from layers.model import FloatArray
    from spotmap.model import Plan

_LEFT, _RIGHT = 44.0, 6.0
_SIZE = 7.0
_LIGHT_PT, _TIDE_PT, _SETS_PT, _DRIFT_PT, _STRIP_PT, _LINE_PT = 11.0, 92.0, 18.0, 62.0, 15.0, 9.5
_SET_EVERY_PT = 22.0
_SLACK_MPS = 0.026
"""A twentieth of a knot: the water goes nowhere worth an arrow."""
_TICKS_MIN = (30, 60, 120, 180, 360)
_LIGHTS = ("night", "twilight", "day")
_GREYS = (0.25, 0.72, 1.0)
_INK = colors.HexColor("#14110f")
_MOST_LEVELS = 4
_KIND_HEIGHT = {"pass": (1.0, 0.18), "turn": (0.55, 0.62), "run": (0.3, 1.0)}
"""How much of the strip a leg fills, and how light it is: three kinds that differ in black and white."""

Box = tuple[float, float, float, float]


class TripGraph(Flowable):  # type: ignore[misc]
    """The graph of a plan, as wide as told; words never cover words."""

    def __init__(self, plan: Plan, width: float) -> None:
        super().__init__()
        self._plan = plan
        self.width = width
        self._lines = 1 + len(plan.day.events)
        panels = _LIGHT_PT + _TIDE_PT + _SETS_PT + _DRIFT_PT + _STRIP_PT + 2 * _LINE_PT
        self.height = panels + (2 + self._lines) * _LINE_PT + 30.0

    def wrap(self, *_: float) -> tuple[float, float]:
        """Return how much room the graph takes."""
        return self.width, self.height

    def draw(self) -> None:
        """Draw from top to bottom."""
        fonts()
        sheet = _Sheet.of(self.canv, self._plan, self.width)
        level = _axis(sheet, self._plan, self.height, self.height - 2 * _LINE_PT)
        level = _light(sheet, self._plan, level - 3)
        level = _tide(sheet, self._plan, level - _LINE_PT - 3)
        level = _current(sheet, self._plan, level - _LINE_PT - 3)
        level = _legs(sheet, self._plan, level - 4)
        level = _events(sheet, self._plan, level - 3)
        _legend(sheet, level - 3)


@dataclass
class _Sheet:
    """What is drawn on, how times lie along it, and where words stand already."""

    canvas: Any
    left: float
    right: float
    start_s: float
    end_s: float
    time_s: FloatArray
    taken: list[Box] = field(default_factory=list)

    @classmethod
    def of(cls, canvas: Any, plan: Plan, width: float) -> _Sheet:
        start, end = plan.legs[0].start.timestamp(), plan.legs[-1].end.timestamp()
        time_s = np.array([moment.timestamp() for moment in plan.day.moments])
        canvas.setStrokeColor(_INK)
        canvas.setFillColor(_INK)
        return cls(canvas, _LEFT, width - _RIGHT, start, end, time_s)

    def x(self, time_s: float) -> float:
        share = (time_s - self.start_s) / (self.end_s - self.start_s)
        return self.left + min(max(share, 0.0), 1.0) * (self.right - self.left)

    def span(self, first: int, end: int) -> tuple[float, float]:
        edges = np.concatenate([[self.start_s], (self.time_s[1:] + self.time_s[:-1]) / 2, [self.end_s]])
        return self.x(float(edges[first])), self.x(float(edges[end]))

    def words(self, x: float, y: float, said: str, *, anchor: str = "middle", bold: bool = False) -> bool:
        """Write words on a white ground where they cover no others, moved inwards at the rim; tell whether."""
        font = BOLD if bold else FONT
        shown = written(said)
        wide = pdfmetrics.stringWidth(shown, font, _SIZE)
        begin = x - {"start": 0.0, "middle": wide / 2, "end": wide}[anchor]
        if anchor == "middle":
            begin = min(max(begin, self.left + 1), self.right - 1 - wide)
        box = (begin - 1, y - 2, begin + wide + 1, y + _SIZE)
        if box[0] < -1 or box[2] > self.right + _RIGHT or not self.free(box):
            return False
        self.taken.append(box)
        self.canvas.setFillColor(colors.white)
        self.canvas.rect(box[0], y - 1.6, box[2] - box[0], _SIZE + 0.6, stroke=0, fill=1)
        self.canvas.setFillColor(_INK)
        self.canvas.setFont(font, _SIZE)
        self.canvas.drawString(begin, y, shown)
        return True

    def free(self, box: Box) -> bool:
        return all(
            box[0] >= other[2] or other[0] >= box[2] or box[1] >= other[3] or other[1] >= box[3] for other in self.taken
        )

    def panel(self, top: float, high: float) -> None:
        self.canvas.setLineWidth(0.6)
        self.canvas.rect(self.left, top - high, self.right - self.left, high, stroke=1, fill=0)

    def dashed(self, x0: float, y0: float, x1: float, y1: float, dash: tuple[float, float]) -> None:
        self.canvas.saveState()
        self.canvas.setLineWidth(0.7)
        self.canvas.setDash(*dash)
        self.canvas.line(x0, y0, x1, y1)
        self.canvas.restoreState()

    def curve(self, scale: Scale, values: FloatArray) -> None:
        """Draw each stretch that is known; what is not is a gap of slanting lines and the word."""
        for first, end in runs(np.isfinite(values)):
            if not np.isfinite(values[first]):
                self._gap(scale, first, end)
                continue
            path = self.canvas.beginPath()
            points = [(self.x(float(self.time_s[i])), scale.y(float(values[i]))) for i in range(first, end)]
            path.moveTo(*points[0])
            for point in (*points[1:], *(((points[0][0] + 1, points[0][1]),) if len(points) == 1 else ())):
                path.lineTo(*point)
            self.canvas.setLineWidth(1.5)
            self.canvas.drawPath(path, stroke=1, fill=0)

    def levels(self, scale: Scale) -> None:
        rough = (scale.high - scale.low) / _MOST_LEVELS
        decade = 10.0 ** np.floor(np.log10(rough))
        step = float(next(decade * nice for nice in (1.0, 2.0, 5.0, 10.0) if decade * nice >= rough))
        for level in step * np.arange(np.ceil(scale.low / step), np.floor(scale.high / step) + 1):
            y = scale.y(float(level))
            self.canvas.setStrokeGray(0.7)
            self.canvas.setLineWidth(0.4)
            self.canvas.line(self.left, y, self.right, y)
            self.canvas.setStrokeColor(_INK)
            self.words(self.left - 3, y - 2.4, f"{level:g}" if abs(level) > step / 2 else "0", anchor="end")

    def _gap(self, scale: Scale, first: int, end: int) -> None:
        begin, stop = self.span(first, end)
        low, high = sorted((scale.top, scale.bottom))
        self.canvas.saveState()
        path = self.canvas.beginPath()
        path.rect(begin, low, stop - begin, high - low)
        self.canvas.clipPath(path, stroke=0, fill=0)
        self.canvas.setLineWidth(0.5)
        for x in np.arange(begin - (high - low), stop, 5.0):
            self.canvas.line(float(x), low, float(x) + high - low, high)
        self.canvas.restoreState()
        self.words((begin + stop) / 2, (low + high) / 2, "unknown", bold=True)


def _axis(sheet: _Sheet, plan: Plan, top: float, level: float) -> float:
    zone = plan.area.timezone
    start, end = (when.astimezone(zone) for when in (plan.legs[0].start, plan.legs[-1].end))
    for midnight in (start, *hour_ticks(start, end, 24 * 60)):
        named = f"{midnight:%a} {midnight.day} {midnight:%b}"
        sheet.words(sheet.x(midnight.timestamp()), top - _LINE_PT + 2, named, anchor="start", bold=True)
    hour_pt = (sheet.right - sheet.left) * 3600.0 / (sheet.end_s - sheet.start_s)
    step = next((step for step in _TICKS_MIN if hour_pt * step / 60 >= 30.0), _TICKS_MIN[-1])  # noqa: PLR2004  points
    for tick in hour_ticks(start, end, step):
        x = sheet.x(tick.timestamp())
        sheet.words(x, level + 2, f"{tick:%H:%M}")
        sheet.canvas.line(x, level, x, level - 2.5)
    return level


def _light(sheet: _Sheet, plan: Plan, top: float) -> float:
    sheet.words(sheet.left - 3, top - _LIGHT_PT + 3, "light", anchor="end")
    for first, end in runs(plan.day.light):
        light = int(plan.day.light[first])
        begin, stop = sheet.span(first, end)
        sheet.canvas.setFillGray(_GREYS[light])
        sheet.canvas.rect(begin, top - _LIGHT_PT, stop - begin, _LIGHT_PT, stroke=1, fill=1)
        sheet.canvas.setFillColor(_INK)
        since = f"{_LIGHTS[light]} from {_clock(plan, plan.day.moments[first])}" if first else _LIGHTS[light]
        if pdfmetrics.stringWidth(since, FONT, _SIZE) + 6 < stop - begin:
            sheet.words((begin + stop) / 2, top - _LIGHT_PT + 3, since)
    return top - _LIGHT_PT


def _tide(sheet: _Sheet, plan: Plan, top: float) -> float:
    unit, day = plan.area.show.depth, plan.day
    title = fitted(f"Tide, {unit} over {plan.area.depth_datum}", sheet.right - sheet.left, _SIZE, BOLD)
    sheet.words(sheet.left, top + 2.5, title, anchor="start", bold=True)
    sheet.panel(top, _TIDE_PT)
    if plan.area.tide is None:
        sheet.words((sheet.left + sheet.right) / 2, top - _TIDE_PT / 2, "no tide layer: none counted")
        return top - _TIDE_PT
    height = np.array(day.tide_m) * to_unit(1.0, unit)
    known = height[np.isfinite(height)]
    low, high = (float(known.min()), float(known.max())) if known.size else (0.0, 1.0)
    room = 0.3 * max(high - low, 0.2)
    scale = Scale(low - room, max(high, low + 0.2) + room, top, top - _TIDE_PT)
    sheet.levels(scale)
    sheet.curve(scale, height)
    for at, metres, is_high in turn_points(sheet.time_s, day.tide_m, day.rising_mps):
        x, y = sheet.x(at), scale.y(to_unit(metres, unit))
        sheet.canvas.circle(x, y, 2.2, stroke=1, fill=0)
        said = f"{_clock(plan, datetime.fromtimestamp(at, plan.area.timezone))} · {format_quantity(metres, unit, 1)}"
        sheet.words(x, y + 5 if is_high else y - 11, said, bold=True)
    for row, anchor, shift in ((0, "start", 3.0), (-1, "end", -3.0)):
        if np.isfinite(height[row]):
            x, y = sheet.x(float(sheet.time_s[row])) + shift, scale.y(float(height[row]))
            said = format_quantity(float(day.tide_m[row]), unit, 1)
            any(sheet.words(x, level, said, anchor=anchor) for level in (y + 6, y - 12))
    return top - _TIDE_PT


def _current(sheet: _Sheet, plan: Plan, top: float) -> float:
    unit, day, whole = plan.area.show.speed, plan.day, _SETS_PT + _DRIFT_PT
    said = f"Current at the work, {unit}; arrows: where it sets, north up"
    sheet.words(sheet.left, top + 2.5, said, anchor="start", bold=True)
    sheet.panel(top, whole)
    if plan.area.current is None:
        sheet.words((sheet.left + sheet.right) / 2, top - whole / 2, "no current layer: none counted")
        return top - whole
    drift = np.hypot(*day.work_flow_mps.T) * to_unit(1.0, unit)
    strong = to_unit(plan.trip.limits.strong_current_mps, unit)
    most = max(float(np.nanmax(drift)) if np.isfinite(drift).any() else 0.0, strong)
    scale = Scale(0.0, 1.25 * most, top - _SETS_PT, top - whole)
    sheet.levels(scale)
    sheet.dashed(sheet.left, scale.y(strong), sheet.right, scale.y(strong), (5, 3))
    sheet.curve(scale, drift)
    _sets(sheet, plan, top - _SETS_PT / 2)
    words = f"strong: {format_quantity(plan.trip.limits.strong_current_mps, unit, 1)}"
    places = ((sheet.right - 3, "end"), (sheet.left + 3, "start"), ((sheet.left + sheet.right) / 2, "middle"))
    y = scale.y(strong)
    any(sheet.words(x, level, words, anchor=anchor) for level in (y + 3, y - 9) for x, anchor in places)
    return top - whole


def _sets(sheet: _Sheet, plan: Plan, level: float) -> None:
    east, north = plan.day.work_flow_mps.T
    x, y = plan.day.xy.T
    course = plan.area.projection.true_course_deg(x, y, np.nan_to_num(np.arctan2(north, east)))
    canvas = sheet.canvas
    for at in np.arange(sheet.left + 0.5 * _SET_EVERY_PT, sheet.right - 0.3 * _SET_EVERY_PT, _SET_EVERY_PT):
        share = (float(at) - sheet.left) / (sheet.right - sheet.left)
        row = int(np.abs(sheet.time_s - sheet.start_s - share * (sheet.end_s - sheet.start_s)).argmin())
        speed = float(np.hypot(east[row], north[row]))
        if np.isnan(speed):
            continue
        if speed < _SLACK_MPS:
            canvas.circle(float(at), level, 1.2, stroke=0, fill=1)
            continue
        canvas.saveState()
        canvas.translate(float(at), level)
        canvas.rotate(-float(course[row]))
        canvas.setLineWidth(0.9)
        canvas.lines([(0, -6.5, 0, 6.5), (-2.6, 2.5, 0, 6.5), (2.6, 2.5, 0, 6.5)])
        canvas.restoreState()


def _legs(sheet: _Sheet, plan: Plan, top: float) -> float:
    sheet.words(sheet.left - 3, top - _STRIP_PT + 4, "legs", anchor="end")
    canvas = sheet.canvas
    for leg in plan.legs:
        begin, end = sheet.x(leg.start.timestamp()), sheet.x(leg.end.timestamp())
        share, grey = _KIND_HEIGHT[leg.leg.kind]
        canvas.setFillGray(grey)
        canvas.setLineWidth(0.4)
        canvas.rect(begin, top - _STRIP_PT, end - begin, share * _STRIP_PT, stroke=1, fill=1)
        canvas.setFillColor(_INK)
        if leg.leg.kind == "pass" and pdfmetrics.stringWidth(leg.leg.label, BOLD, 6.0) + 2 < end - begin:
            canvas.setFillColor(colors.white)
            canvas.setFont(BOLD, 6.0)
            canvas.drawCentredString((begin + end) / 2, top - _STRIP_PT + 5, leg.leg.label)
            canvas.setFillColor(_INK)
    return top - _STRIP_PT


def _events(sheet: _Sheet, plan: Plan, top: float) -> float:
    for line, (when, words) in enumerate(_events_within(sheet, plan)):
        x, y = sheet.x(when.timestamp()), top - (line + 1) * _LINE_PT + 2
        sheet.dashed(x, top + _STRIP_PT + 3, x, y + 3, (2, 2))
        said = f"{_clock(plan, when)} {words}"
        rightwards = x < (sheet.left + sheet.right) / 2
        room = (sheet.right - x if rightwards else x - sheet.left) - 6
        sheet.words(
            x + 3 if rightwards else x - 3, y, fitted(said, room, _SIZE), anchor="start" if rightwards else "end"
        )
    return top - len(plan.day.events) * _LINE_PT


def _events_within(sheet: _Sheet, plan: Plan) -> Iterator[tuple[datetime, str]]:
    return ((when, words) for when, words in plan.day.events if sheet.start_s <= when.timestamp() <= sheet.end_s)


def _legend(sheet: _Sheet, level: float) -> None:
    x, canvas = sheet.left, sheet.canvas
    for kind, words in (("pass", "pass"), ("turn", "turn, gear down"), ("run", "run, gear up")):
        share, grey = _KIND_HEIGHT[kind]
        canvas.setFillGray(grey)
        canvas.rect(x, level - _LINE_PT + 1, 12, 0.6 * share * _STRIP_PT, stroke=1, fill=1)
        canvas.setFillColor(_INK)
        sheet.words(x + 15, level - _LINE_PT + 1.5, words, anchor="start")
        x += 24 + pdfmetrics.stringWidth(words, FONT, _SIZE)


def _clock(plan: Plan, moment: datetime) -> str:
    zone = plan.area.timezone
    return short_time(moment.astimezone(zone), plan.legs[0].start.astimezone(zone))
