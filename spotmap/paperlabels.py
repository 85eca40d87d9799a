"""Words on a chart where they cover no other words: each has places it would like, the best that is free is taken."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
import shapely

from spotmap.paperink import BOLD, FONT, INK, PAPER, width_of, written

if TYPE_CHECKING:
    import numpy.typing as npt
    from shapely.geometry.base import BaseGeometry

    from layers.model import Bounds, FloatArray

LEADING = 1.22
_PAD = 1.6
_APART = 1.2
"""Words keep this far from other words, points."""
_RINGS = (0.0, 5.0, 11.0, 18.0)
_STEP = 9.0
_ON_TRACK, _ON_INK, _PER_RING = 60.0, 8.0, 3.0
"""What it costs to lie on a track, on other lines, and farther from the place that is named."""
_LEADER_PT = 9.0
_DIRECTIONS = np.array([(1, 0), (-1, 0), (0, 1), (0, -1), (0.9, 0.9), (-0.9, 0.9), (0.9, -0.9), (-0.9, -0.9)])


@dataclass(frozen=True)
class Label:
    """Words and the places that they would like, (n, 2) points, the best first.

    `beside` puts them next to such a place, `on` with their middle there. What `must` be told is put anywhere on the
    chart before it is left out, with a line to its place.
    """

    lines: tuple[str, ...]
    anchors: FloatArray
    how: Literal["beside", "on"] = "beside"
    size: float = 6.4
    bold: bool = False
    must: bool = False
    rim: Any = None
    ink: Any = INK
    gap: float = 3.0


@dataclass(frozen=True)
class _Placed:
    label: Label
    box: Bounds
    anchor: tuple[float, float]
    away: bool


@dataclass
class Labels:
    """Words that stand on a chart so far; `tracks` and `lines` are what they rather leave free."""

    frame: Bounds
    tracks: BaseGeometry
    lines: BaseGeometry
    placed: list[_Placed] = field(default_factory=list)
    left_out: list[str] = field(default_factory=list)
    _taken: FloatArray = field(default_factory=lambda: np.empty((0, 4)))

    def __post_init__(self) -> None:
        shapely.prepare(self.tracks)
        shapely.prepare(self.lines)

    def reserve(self, box: Bounds) -> None:
        """Keep words off a box."""
        self._taken = np.concatenate([self._taken, [box]])

    def put(self, label: Label) -> bool:
        """Find a place for a label; without one it is left out, and counted."""
        size = size_of(label)
        boxes, anchors, cost = _wishes(label, size)
        best = self._best(boxes, cost)
        if best is None and label.must:
            boxes, anchors, cost = self._anywhere(label, size)
            best = self._best(boxes, cost)
        if best is None:
            self.left_out.append(" ".join(label.lines))
            return False
        box, anchor = boxes[best], anchors[best]
        off = np.hypot(*(np.clip(anchor, box[:2], box[2:]) - anchor))
        self.placed.append(_Placed(label, tuple(box.tolist()), tuple(anchor.tolist()), bool(off > _LEADER_PT)))
        self.reserve(tuple(box.tolist()))
        return True

    def draw(self, canvas: Any) -> None:
        """Draw all words, each on white, lines to their places under them."""
        for one in self.placed:
            if one.away:
                canvas.setStrokeColor(one.label.rim or INK)
                canvas.setLineWidth(0.5)
                x, y = np.clip(one.anchor, one.box[:2], one.box[2:])
                canvas.line(float(x), float(y), *one.anchor)
                canvas.setFillColor(one.label.rim or INK)
                canvas.circle(*one.anchor, 1.0, stroke=0, fill=1)
        for one in self.placed:
            _write(canvas, one)

    def _best(self, boxes: FloatArray, cost: FloatArray) -> int | None:
        left, bottom, right, top = self.frame
        free = (
            (boxes[:, 0] >= left + 1)
            & (boxes[:, 1] >= bottom + 1)
            & (boxes[:, 2] <= right - 1)
            & (boxes[:, 3] <= top - 1)
        )
        free &= ~_overlaps(boxes, self._taken)
        if not free.any():
            return None
        there = np.flatnonzero(free)
        rects = shapely.box(*boxes[there].T)
        whole = cost[there] + _ON_TRACK * shapely.intersects(self.tracks, rects)
        whole += _ON_INK * shapely.intersects(self.lines, rects)
        return int(there[np.argmin(whole)])

    def _anywhere(self, label: Label, size: tuple[float, float]) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return boxes all over the chart, their anchor the first of the label's, the nearest the cheapest."""
        left, bottom, right, top = self.frame
        x, y = np.meshgrid(np.arange(left, right, _STEP), np.arange(bottom, top, _STEP))
        middle = np.column_stack([x.ravel(), y.ravel()])
        anchor = np.repeat(label.anchors[:1], len(middle), axis=0)
        return _boxes(middle, size), anchor, np.hypot(*(middle - anchor).T)


def size_of(label: Label) -> tuple[float, float]:
    """Return how wide and high a label's box is, in points."""
    font = BOLD if label.bold else FONT
    wide = max(width_of(written(line), label.size, font) for line in label.lines)
    return wide + 2 * _PAD, len(label.lines) * LEADING * label.size + 2 * _PAD - 0.6


def _wishes(label: Label, size: tuple[float, float]) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return the boxes a label would like, the anchor of each, and how little."""
    order = np.arange(len(label.anchors), dtype=np.float64)
    if label.how == "on":
        return _boxes(label.anchors, size), label.anchors, 2.0 * order
    half = np.array(size) / 2
    steps, cost = [], []
    for ring, reach in enumerate(_RINGS):
        steps.append(_DIRECTIONS * (half + label.gap + reach))
        cost.append(_PER_RING * ring + 0.2 * np.arange(len(_DIRECTIONS)))
    moves = np.concatenate(steps)
    middle = (label.anchors[:, None] + moves).reshape(-1, 2)
    anchors = np.repeat(label.anchors, len(moves), axis=0)
    return _boxes(middle, size), anchors, (2.0 * order[:, None] + np.concatenate(cost)).ravel()


def _boxes(middle: FloatArray, size: tuple[float, float]) -> FloatArray:
    half = np.array(size) / 2
    return np.concatenate([middle - half, middle + half], axis=1)


def _overlaps(boxes: FloatArray, taken: FloatArray) -> npt.NDArray[np.bool_]:
    apart = (
        (boxes[:, None, 0] >= taken[:, 2] + _APART)
        | (boxes[:, None, 2] <= taken[:, 0] - _APART)
        | (boxes[:, None, 1] >= taken[:, 3] + _APART)
        | (boxes[:, None, 3] <= taken[:, 1] - _APART)
    )
    return np.asarray(~apart.all(axis=1))


def _write(canvas: Any, placed: _Placed) -> None:
    label, (left, bottom, right, top) = placed.label, placed.box
    canvas.setFillColor(PAPER)
    if label.rim is not None:
        canvas.setStrokeColor(label.rim)
        canvas.setLineWidth(0.6)
    canvas.rect(left, bottom, right - left, top - bottom, stroke=int(label.rim is not None), fill=1)
    font = BOLD if label.bold else FONT
    canvas.setFillColor(label.ink)
    canvas.setFont(font, label.size)
    for row, line in enumerate(label.lines):
        base = top - _PAD + 0.3 - label.size * (0.94 + LEADING * row)
        canvas.drawCentredString((left + right) / 2, base + 0.08 * label.size, written(line))
