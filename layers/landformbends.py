"""Points and pockets: where the depth lines of one scale bend around a spur or into a re-entrant."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

import contourpy
import numpy as np
import shapely
from scipy import ndimage
from scipy.spatial import cKDTree
from shapely import LineString, Polygon

from layers.landformregions import CELLS, Scale, Window
from layers.model import FloatArray

BEND_DEG = 60.0
"""A depth line turns by so much at least, within `BEND_SCALES` scales of its length."""
BEND_SCALES = 3
_ALL_ROUND_DEG = 300.0
_SAME_AXIS = 0.7
_NEXT_SCALES = 4.0
_LINES_ON = 3
_FEWEST = 2 * CELLS


@dataclass(frozen=True)
class Bend:
    """A bend of one depth line; `level` numbers the depth lines, `axis` points from its chord to its apex."""

    kind: Literal["point", "pocket"]
    scale: Scale
    level: int
    depth_m: float
    line: LineString
    apex: tuple[float, float]
    axis: tuple[float, float]
    height_m: float
    slope_deg: float
    turn_deg: float


@dataclass(frozen=True)
class Bent:
    """The bends of neighbouring depth lines about one spur or re-entrant; `chief` is the one of greatest height."""

    chief: Bend
    bends: tuple[Bend, ...]
    footprint: Polygon


@dataclass
class Bends:
    """Bends of one scale, as they gather window by window."""

    scale: Scale
    step_m: float
    _found: list[Bend] = field(default_factory=list)

    def add(self, window: Window) -> None:
        """Take in the bends whose apex a window speaks for."""
        smooth = window.smooth
        known = np.isfinite(smooth)
        if not known.any() or min(smooth.shape) < CELLS:
            return
        generator = contourpy.contour_generator(z=np.ma.masked_invalid(smooth), line_type="Separate")
        low, high = np.nanmin(smooth), np.nanmax(smooth)
        for level in range(max(int(np.ceil(low / self.step_m)), 1), int(np.floor(high / self.step_m)) + 1):
            lines: Any = generator.lines(level * self.step_m)
            for line in lines:
                self._found += self._bends(window, level, np.asarray(line))

    def whole(self) -> list[Bent]:
        """Return the bends, those of one spur or re-entrant together."""
        groups = _joined(self._found, self.scale)
        return [_bent([self._found[one] for one in group]) for group in groups]

    def _bends(self, window: Window, level: int, cells: FloatArray) -> Iterator[Bend]:
        cell = self.scale.cell_m
        track = _even(cells)
        if len(track) <= _FEWEST:
            return
        closed = bool(np.allclose(cells[0], cells[-1]))
        for kind, first, last in _turning(track, closed=closed):
            part = _cut(track, first, last)
            sides = np.diff(part, axis=0)
            turns = np.abs(np.diff(np.unwrap(np.arctan2(sides[:, 1], sides[:, 0]))))
            place = int(np.searchsorted(np.cumsum(turns), turns.sum() / 2)) + 1
            apex, middle = part[place], (part[0] + part[-1]) / 2
            rows, columns = window.core
            # a cell more than its own: what is found in two windows is joined
            inside = rows.start - 1.5 <= apex[1] <= rows.stop + 0.5
            if not (inside and columns.start - 1.5 <= apex[0] <= columns.stop + 0.5):
                continue
            there = float(ndimage.map_coordinates(window.smooth, middle[::-1, None], order=1, cval=np.nan)[0])
            depth = level * self.step_m
            height = (depth - there) if kind == "point" else (there - depth)
            reach = float(np.hypot(*(apex - middle)))
            if not np.isfinite(height) or height < self.scale.least_m or reach == 0:
                continue
            at = tuple(np.clip(np.rint(apex[::-1]).astype(int), 0, np.array(window.smooth.shape) - 1))
            x, y = window.surface.x0_m, window.surface.y0_m
            points = np.array([x, y]) + (part + 0.5) * cell
            yield Bend(
                kind, self.scale, level, depth, LineString(points),
                apex=(float(x + (apex[0] + 0.5) * cell), float(y + (apex[1] + 0.5) * cell)),
                axis=(float((apex - middle)[0] / reach), float((apex - middle)[1] / reach)),
                height_m=height, slope_deg=float(np.nan_to_num(window.slope_smooth_deg[at])),
                turn_deg=float(np.degrees(turns.sum())),
            )  # fmt: skip


def _even(cells: FloatArray) -> FloatArray:
    """Return a line's places one cell apart, smoothed over three."""
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(cells, axis=0).T))])
    count = max(round(along[-1]), 1)
    s = np.linspace(0, along[-1], count + 1)
    return np.column_stack([np.interp(s, along, cells[:, 0]), np.interp(s, along, cells[:, 1])])


def _cut(track: FloatArray, first: int, last: int) -> FloatArray:
    """Return the places from first to last; a closed line goes on at its start."""
    if last < len(track):
        return track[first : last + 1]
    return np.concatenate([track[first:-1], track[: last - len(track) + 2]])


def _turning(track: FloatArray, *, closed: bool) -> Iterator[tuple[Literal["point", "pocket"], int, int]]:
    """Give the stretches that turn one way by enough, first and last place; the deep side is on the left."""
    sides = np.diff(track, axis=0)
    if closed:
        sides = np.concatenate([sides, sides[:1]])
    heading = np.arctan2(sides[:, 1], sides[:, 0])
    turn = (np.diff(heading) + np.pi) % (2 * np.pi) - np.pi  # at place i + 1
    mode = "wrap" if closed else "nearest"
    even = ndimage.uniform_filter1d(turn, CELLS, mode=mode)
    sign = np.sign(even)
    shift = 0
    if closed:
        changes = np.flatnonzero(sign != np.roll(sign, 1))
        if not len(changes):
            return
        shift = int(changes[0])
        sign, turn = np.roll(sign, -shift), np.roll(turn, -shift)
    starts = np.flatnonzero(np.concatenate([[True], sign[1:] != sign[:-1]]))
    for begin, end in zip(starts, [*starts[1:], len(sign)], strict=True):
        run = np.abs(turn[begin:end].cumsum())
        if sign[begin] == 0 or (closed and run[-1] > np.radians(_ALL_ROUND_DEG)):
            continue
        sums = np.concatenate([[0.0], np.cumsum(np.abs(turn[begin:end]) * (np.sign(turn[begin:end]) == sign[begin]))])
        width = min(BEND_SCALES * CELLS, end - begin)
        within = sums[width:] - sums[:-width]
        best = int(np.argmax(within))
        if within[best] >= np.radians(BEND_DEG):
            first = (begin + best + shift) % (len(track) - 1) if closed else begin + best
            yield ("pocket" if sign[begin] > 0 else "point"), int(first), int(first + width + 1)


def _joined(bends: Sequence[Bend], scale: Scale) -> list[list[int]]:
    """Return the bends in groups: the same of two windows, and the nearest of neighbouring depth lines on one axis."""
    parent = list(range(len(bends)))

    def root(one: int) -> int:
        while parent[one] != one:
            one = parent[one]
        return one

    by_line: dict[tuple[str, int], list[int]] = {}
    for i, bend in enumerate(bends):
        by_line.setdefault((bend.kind, bend.level), []).append(i)
    for (kind, level), ours in by_line.items():
        tree = cKDTree([bends[i].apex for i in ours])
        for a, b in tree.query_pairs(scale.size_m):
            parent[max(root(ours[a]), root(ours[b]))] = min(root(ours[a]), root(ours[b]))
        deeper = range(level + 1, level + 1 + _LINES_ON)
        for i in (one for other in deeper for one in by_line.get((kind, other), [])):
            away, near = tree.query(bends[i].apex, distance_upper_bound=_NEXT_SCALES * scale.size_m)
            if not np.isfinite(away):
                continue
            j = ours[int(near)]
            step = (np.array(bends[i].apex) - np.array(bends[j].apex)) / max(float(away), 1e-9)
            if away < scale.size_m or abs(float(step @ np.array(bends[i].axis))) >= _SAME_AXIS:
                parent[max(root(i), root(j))] = min(root(i), root(j))
    groups: dict[int, list[int]] = {}
    for i in range(len(bends)):
        groups.setdefault(root(i), []).append(i)
    return list(groups.values())


def _bent(bends: Sequence[Bend]) -> Bent:
    chief = max(bends, key=lambda one: (one.height_m, -one.level))
    hull = shapely.convex_hull(shapely.union_all([one.line for one in bends]))
    return Bent(chief, tuple(bends), shapely.buffer(hull, chief.scale.size_m / 2))
