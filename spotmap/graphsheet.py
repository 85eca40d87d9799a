"""A sheet of SVG on which words never cover words, for graphs over the time of a trip."""

from __future__ import annotations

import html
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from spotmap.momentwords import wide_words

if TYPE_CHECKING:
    from datetime import datetime

    import numpy.typing as npt

    from layers.model import FloatArray
    from spotmap.model import Plan

TEXT_PX = 11.0
LINE_PX = 15.0
CHARACTER, BOLD = 0.6, 1.15
"""The width of a character as a share of the text's size, twice that for the wide ones of East Asia; bold is wider."""
GUTTER_PX = 50.0
MARGIN_PX = 12.0
_MOST_TICKS = 4

Box = tuple[float, float, float, float]
"""(left, top, right, bottom) in pixels."""
Row = tuple[int, int]
"""A run of minutes: the first and one after the last."""


def escaped(text: str) -> str:
    """Return text as it may stand in SVG or HTML, braces too, and everything that is not ASCII as its number."""
    safe = html.escape(text).replace("{", "&#123;").replace("}", "&#125;")
    return safe.encode("ascii", "xmlcharrefreplace").decode()


def text_px(words: str, css: str = "") -> float:
    """Return about how wide words of some classes are, in pixels: rather too wide than too narrow."""
    return CHARACTER * TEXT_PX * (len(words) + wide_words(words)) * (BOLD if "tg-strong" in css else 1.0)


def cut(words: str, room_px: float) -> str:
    """Return words, cut to fit into some pixels."""
    if text_px(words) <= room_px:
        return words
    most = max(0, int(room_px / (CHARACTER * TEXT_PX)) - 1)
    while most and text_px(words[:most]) > room_px - CHARACTER * TEXT_PX:
        most -= 1
    return f"{words[:most].rstrip()}…" if most else ""


def runs(values: npt.NDArray[np.generic]) -> Iterator[tuple[int, int]]:
    """Yield where each run of equal values begins and one after where it ends.

    Examples
    --------
    >>> list(runs(np.array([1, 1, 0, 2, 2])))
    [(0, 2), (2, 3), (3, 5)]

    """
    edges = np.flatnonzero(values[1:] != values[:-1]) + 1
    yield from zip([0, *edges.tolist()], [*edges.tolist(), len(values)], strict=True)


@dataclass(frozen=True)
class Scale:
    """Heights of a panel: values from low (at the bottom) to high (at the top)."""

    low: float
    high: float
    top: float
    bottom: float

    def y(self, value: float) -> float:
        """Return how far down the sheet a value is drawn."""
        return self.bottom - (value - self.low) / (self.high - self.low) * (self.bottom - self.top)


@dataclass
class Sheet:
    """What is drawn so far, and the boxes that text has taken."""

    name: str
    left: float
    right: float
    start_s: float
    end_s: float
    time_s: FloatArray
    under: list[str] = field(default_factory=list)
    parts: list[str] = field(default_factory=list)
    taken: list[Box] = field(default_factory=list)
    foot: float = 0.0

    @classmethod
    def for_plan(cls, plan: Plan, width: float, name: str) -> Sheet:
        """Return an empty sheet over the time of a plan."""
        start, end = plan.legs[0].start.timestamp(), plan.legs[-1].end.timestamp()
        time_s = np.array([moment.timestamp() for moment in plan.day.moments])
        return cls(name, GUTTER_PX, width - MARGIN_PX, start, end, time_s)

    def x(self, time_s: float | FloatArray) -> FloatArray:
        """Return how far right POSIX times are drawn; those outside the trip at its ends."""
        share = (np.asarray(time_s) - self.start_s) / (self.end_s - self.start_s)
        return np.asarray(self.left + np.clip(share, 0.0, 1.0) * (self.right - self.left))

    def x_of(self, moment: datetime) -> float:
        """Return how far right a moment is drawn."""
        return float(self.x(moment.timestamp()))

    def span(self, rows: Row) -> tuple[float, float]:
        """Return from where to where a run of minutes lies: each stands for the half minute before and after it."""
        first, end = rows
        edges = np.concatenate([[self.start_s], (self.time_s[1:] + self.time_s[:-1]) / 2, [self.end_s]])
        return float(self.x(edges[first])), float(self.x(edges[end]))

    def add(self, tag: str, css: str, told: str = "", **attributes: float | str) -> None:
        """Draw an element, with a title that says what it is where `told` is not empty."""
        said = "".join(f' {key}="{_number(value)}"' for key, value in attributes.items())
        self.parts.append(
            f'<{tag} class="{css}"{said}' + (f"><title>{escaped(told)}</title></{tag}>" if told else "/>")
        )

    def free(self, box: Box) -> bool:
        """Return whether no words stand in a box."""
        return all(
            box[0] >= other[2] or other[0] >= box[2] or box[1] >= other[3] or other[1] >= box[3] for other in self.taken
        )

    def text(
        self, x: float, y: float, words: str, css: str = "", *, anchor: str = "middle", must: bool = False
    ) -> bool:
        """Write words on a baseline where they cover no others and stay on the sheet; return whether they did.

        Words in the middle of a place near the rim are moved inwards.
        """
        wide = text_px(words, css)
        begin = x - {"start": 0.0, "middle": wide / 2, "end": wide}[anchor]
        if anchor == "middle":
            shifted = min(max(begin, 2.0 if y < 2 * LINE_PX else self.left + 2.0), self.right + MARGIN_PX - 2.0 - wide)
            x, begin = x + shifted - begin, shifted
        box = (begin, y - 0.8 * TEXT_PX, begin + wide, y + 0.25 * TEXT_PX)
        inside = box[0] >= 0 and box[2] <= self.right + MARGIN_PX
        if not must and not (inside and self.free(box)):
            return False
        self.taken.append(box)
        at = f'x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}"'
        self.parts.append(f'<text class="tg-text {css}" {at}>{escaped(words)}</text>')
        return True

    def upright(self, x: float, y: float, words: str, css: str) -> bool:
        """Write words turned to read upwards, centred on a point."""
        wide = text_px(words, css)
        box = (x - 0.55 * TEXT_PX, y - wide / 2, x + 0.55 * TEXT_PX, y + wide / 2)
        if not self.free(box):
            return False
        self.taken.append(box)
        at = f'x="{x:.1f}" y="{y:.1f}" dy="{0.3 * TEXT_PX:.1f}" text-anchor="middle"'
        self.parts.append(f'<text class="tg-text {css}" {at} transform="rotate(-90 {x:.1f} {y:.1f})">{words}</text>')
        return True

    def in_rect(self, box: Box, words: Sequence[str], css: str) -> None:
        """Write the first of some words that fits into a box, or none."""
        for said in words:
            level = (box[1] + box[3]) / 2 + 0.36 * TEXT_PX
            if text_px(said, css) <= box[2] - box[0] - 4 and self.text((box[0] + box[2]) / 2, level, said, css):
                return

    def label(self, top: float, height: float, words: str) -> None:
        """Write a strip's name to the left of it."""
        self.text(self.left - 4, top + height / 2 + 0.36 * TEXT_PX, words, anchor="end")

    def gap(self, rows: Row, top: float, height: float) -> None:
        """Draw what is unknown as a hatched gap, with the word on it or as near as there is room."""
        begin, end = self.span(rows)
        fill = f"url(#{self.name}-gap)"
        self.add("rect", "tg-gap", "unknown", x=begin, y=top, width=end - begin, height=height, fill=fill)
        middle, wide = (begin + end) / 2, text_px("unknown", "tg-strong")
        level = top + height / 2
        if end - begin >= wide + 4 and self.text(middle, level, "unknown", "tg-halo tg-strong"):
            return
        if height >= wide and self.upright(middle, level, "unknown", "tg-halo tg-strong"):
            return
        for y in (level, top + 12, top + height - 5):
            if self.text(end + 3, y, "unknown", "tg-halo tg-strong", anchor="start"):
                return
            if self.text(begin - 3, y, "unknown", "tg-halo tg-strong", anchor="end"):
                return

    def levels(self, scale: Scale) -> None:
        """Draw a panel's levels at round values, and zero where it is in sight."""
        rough = (scale.high - scale.low) / _MOST_TICKS
        decade = 10.0 ** np.floor(np.log10(rough))
        step = float(next(decade * nice for nice in (1.0, 2.0, 5.0, 10.0) if decade * nice >= rough))
        for level in step * np.arange(np.ceil(scale.low / step), np.floor(scale.high / step) + 1):
            y = scale.y(float(level))
            css = "tg-datum" if abs(level) < step / 2 else "tg-grid"
            self.add("line", css, x1=self.left, x2=self.right, y1=y, y2=y)
            if scale.top <= y - 2 and y + 2 <= scale.bottom + 3:
                self.text(
                    self.left - 4, y + 0.36 * TEXT_PX, f"{level:g}" if abs(level) > step / 2 else "0", anchor="end"
                )

    def curve(self, scale: Scale, values: FloatArray, css: str) -> None:
        """Draw each stretch that is known; a single minute is drawn as a short dash."""
        x = self.x(self.time_s)
        for first, end in runs(np.isfinite(values)):
            if np.isfinite(values[first]):
                points = [f"{x[i]:.1f} {scale.y(float(values[i])):.1f}" for i in range(first, end)]
                self.add("path", css, d=f"M{'L'.join(points)}" + ("h1" if end - first == 1 else ""))


def _number(value: float | str) -> str:
    return value if isinstance(value, str) else f"{value:.1f}".removesuffix(".0")
