"""Regions of the bottom that stand out at one scale, found in windows and whole across their seams."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Literal

import numpy as np
import numpy.typing as npt
import rasterio.features
import shapely
from affine import Affine
from scipy import ndimage
from shapely import MultiPolygon, Polygon

from layers.model import Bounds, FloatArray
from layers.relief import Surface, position_index, slope_deg

RegionKind = Literal["hump", "hole", "saddle", "steep", "flat"]
CELLS = 3
"""Cells to a scale: what is found at 75 m is looked at in cells of 25 m."""
RING = 16
_LEAST_CELLS = 4
_LOW = 0.35
_MIN = ("depth_min", "smooth_min", "round_min")
_MAX = ("strength", "depth_max", "smooth_max", "round_max", "lift", "drop", "unknown")
_SUM = ("cells", "tangent", "degrees")


@dataclass(frozen=True)
class Scale:
    """A scale to look at: forms about as wide as `size_m`, in depth that scatters by `noise_m` between its cells.

    `sure_m` is the least that stands out of the noise.
    """

    size_m: float
    noise_m: float

    LEAST = 0.02
    """A hump rises by a fiftieth of the scale at least: 0.5 m at 25 m, 4.5 m at 225 m."""
    SURE = 4.0
    """What stands out of scatter, in its standard deviations."""

    @property
    def cell_m(self) -> float:
        """Return the cell that depth is sampled in."""
        return self.size_m / CELLS

    @property
    def sure_m(self) -> float:
        """Return what the scatter alone makes of the bottom now and then."""
        return self.SURE * self.noise_m

    @property
    def least_m(self) -> float:
        """Return the least height of a hump."""
        return max(self.LEAST * self.size_m, self.sure_m)

    @property
    def least_saddle_m(self) -> float:
        """Return the least height of a saddle: a quarter of a hump's, for it is seen from its middle."""
        return max(self.LEAST * self.size_m / 4, self.sure_m)


@dataclass(frozen=True)
class Steepness:
    """What is steep, what is flat, in degrees: a steep region holds `steep` somewhere and nothing below `edge`."""

    steep: float = 12.0
    edge: float = 9.0
    flat: float = 1.0


@dataclass(frozen=True)
class Region:
    """A region and its figures; see `Window` for what they are of."""

    kind: RegionKind
    scale: Scale
    shape: MultiPolygon
    peak: tuple[float, float]
    figures: Mapping[str, float]


@dataclass(frozen=True)
class Window:
    """A sampled window with its halo, the rows and columns that it speaks for, and what a scale makes of it."""

    surface: Surface
    core: tuple[slice, slice]
    scale: Scale

    @cached_property
    def smooth(self) -> FloatArray:
        """Return the mean of 3 × 3 cells, a square as wide as the scale."""
        z = self.surface.depth_m
        return sum((shifted(z, i, j) for i in (-1, 0, 1) for j in (-1, 0, 1)), np.zeros_like(z)) / 9.0

    @cached_property
    def around(self) -> FloatArray:
        """Return the mean depth in a ring from one to two scales away (Weiss 2001)."""
        ring = position_index(self.surface, self.scale.size_m, 2 * self.scale.size_m)
        return np.asarray(self.surface.depth_m + ring)

    @cached_property
    def rise(self) -> FloatArray:
        """Return the position index of Weiss (2001): how much shallower than the water around."""
        return self.around - self.smooth

    @property
    def sink(self) -> FloatArray:
        """Return how much deeper than the water around."""
        return -self.rise

    @property
    def levelness(self) -> FloatArray:
        """Return the steepness of the smoothed cells below level, so that more is flatter."""
        return -self.slope_smooth_deg

    @cached_property
    def slope_deg(self) -> FloatArray:
        """Return the steepness of the cells (Horn 1981)."""
        return slope_deg(self.surface)

    @cached_property
    def slope_smooth_deg(self) -> FloatArray:
        """Return the steepness of the smoothed cells."""
        return slope_deg(replace(self.surface, depth_m=self.smooth))

    @cached_property
    def saddle(self) -> FloatArray:
        """Return how much the bottom rises both ways along a line and falls both ways across it, a scale away.

        The four directions may be up to 22.5° off; the least of the four counts.
        """
        angles = 2 * np.pi * np.arange(RING) / RING
        steps = np.rint(CELLS * np.column_stack([np.sin(angles), np.cos(angles)])).astype(int)
        up = np.stack([self.smooth - shifted(self.smooth, int(i), int(j)) for i, j in steps])
        high = np.maximum(up, np.maximum(np.roll(up, 1, 0), np.roll(up, -1, 0)))
        low = -np.minimum(up, np.minimum(np.roll(up, 1, 0), np.roll(up, -1, 0)))
        along = np.minimum(high, np.roll(high, RING // 2, 0))
        across = np.roll(np.minimum(low, np.roll(low, RING // 2, 0)), RING // 4, 0)
        return np.asarray(np.minimum(along, across).max(axis=0))


def windows(tiles: Iterator[tuple[Surface, Bounds]], scale: Scale) -> Iterator[Window]:
    """Give windows of a scale from `layers.relief.surfaces`."""
    for surface, core in tiles:
        yield Window(surface, surface.cells_in(core), scale)


def shifted(array: FloatArray, rows: int, columns: int) -> FloatArray:
    """Return the values of the cells so many rows and columns on; NaN off the array."""
    out = np.full(array.shape, np.nan)
    height, width = array.shape
    if abs(rows) < height and abs(columns) < width:
        to = slice(max(-rows, 0), min(height - rows, height)), slice(max(-columns, 0), min(width - columns, width))
        of = slice(max(rows, 0), min(height + rows, height)), slice(max(columns, 0), min(width + columns, width))
        out[to] = array[of]
    return out


@dataclass
class Regions:
    """Regions of one kind and scale, as they gather window by window.

    Memory holds the figures and outlines of what may become a form, and the cells at the windows' edges.
    """

    kind: RegionKind
    scale: Scale
    steepness: Steepness = Steepness()
    _parent: list[int] = field(default_factory=list)
    _figures: list[dict[str, float]] = field(default_factory=list)
    _peaks: list[tuple[float, float]] = field(default_factory=list)
    _pieces: list[list[Polygon]] = field(default_factory=list)
    _edge: dict[tuple[int, int], int] = field(default_factory=dict)

    def add(self, window: Window) -> None:
        """Take in what a window speaks for."""
        surface, cell = window.surface, window.surface.cell_m
        strength, low, high = self._strength(window)
        inside = np.isfinite(strength) & (strength >= low)
        labels, count = ndimage.label(inside[window.core])
        if not count:
            return
        at = labels > 0
        owner = labels[at] - 1
        columns = {name: values[window.core][at] for name, values in _values(window, strength, inside).items()}
        figures = _gathered(columns, owner, count)
        border = _border(labels)
        wanted = np.zeros(count, dtype=bool)
        wanted[labels[border][labels[border] > 0] - 1] = True
        wanted |= (figures["cells"] >= _LEAST_CELLS) & (figures["strength"] >= high)
        i0 = round(surface.y0_m / cell) + window.core[0].start
        j0 = round(surface.x0_m / cell) + window.core[1].start
        rows, places = np.nonzero(at)
        numbers = np.full(count, -1)
        numbers[wanted] = len(self._parent) + np.arange(int(wanted.sum()))
        for one in np.flatnonzero(wanted):
            self._parent.append(len(self._parent))
            self._figures.append({name: float(values[one]) for name, values in figures.items()})
            self._pieces.append([])
        tops = np.zeros(count, dtype=np.intp)
        order = np.argsort(columns["strength"], kind="stable")
        tops[owner[order]] = order
        for one in np.flatnonzero(wanted):
            top = tops[one]
            self._peaks.append((float((j0 + places[top] + 0.5) * cell), float((i0 + rows[top] + 0.5) * cell)))
        self._outline(labels, wanted, numbers, (i0, j0))
        for i, j in zip(*np.nonzero(border & at), strict=True):
            self._edge[(int(i) + i0, int(j) + j0)] = int(numbers[labels[i, j] - 1])

    def whole(self) -> list[Region]:
        """Return the regions, those that a seam cut joined, that are strong and large enough."""
        for (i, j), one in self._edge.items():
            for near in ((i + 1, j), (i, j + 1)):
                if near in self._edge:
                    a, b = self._root(one), self._root(self._edge[near])
                    self._parent[max(a, b)] = min(a, b)
        groups: dict[int, list[int]] = {}
        for one in range(len(self._parent)):
            groups.setdefault(self._root(one), []).append(one)
        regions = [self._region(members) for members in groups.values()]
        high = self._limits()[1]
        return [one for one in regions if one.figures["cells"] >= _LEAST_CELLS and one.figures["strength"] >= high]

    def _limits(self) -> tuple[float, float]:
        """Return the strength that a region has throughout, and the one that it has somewhere."""
        if self.kind == "steep":
            return self.steepness.edge, self.steepness.steep
        if self.kind == "flat":
            return -self.steepness.flat, -self.steepness.flat
        least = self.scale.least_saddle_m if self.kind == "saddle" else self.scale.least_m
        return _LOW * least, least

    def _strength(self, window: Window) -> tuple[FloatArray, float, float]:
        strength = {
            "hump": "rise",
            "hole": "sink",
            "saddle": "saddle",
            "steep": "slope_deg",
            "flat": "levelness",
        }[self.kind]
        of_all: FloatArray = getattr(window, strength)
        return np.where((window.smooth > 0) | (self.kind == "hump"), of_all, np.nan), *self._limits()

    def _root(self, one: int) -> int:
        while self._parent[one] != one:
            self._parent[one] = self._parent[self._parent[one]]
            one = self._parent[one]
        return one

    def _outline(
        self,
        labels: npt.NDArray[np.int32],
        wanted: npt.NDArray[np.bool_],
        numbers: npt.NDArray[np.int_],
        at: tuple[int, int],
    ) -> None:
        kept = np.concatenate([[False], wanted])[labels]
        whole = Affine(1, 0, at[1], 0, 1, at[0])  # in cells, so that pieces of two windows share their corners exactly
        for outline, value in rasterio.features.shapes(labels.astype(np.int32), mask=kept, transform=whole):
            rings = [np.asarray(ring) for ring in outline["coordinates"]]
            self._pieces[int(numbers[int(value) - 1])].append(Polygon(rings[0], rings[1:]))

    def _region(self, members: Sequence[int]) -> Region:
        told = [self._figures[one] for one in members]
        figures = {name: min(one[name] for one in told) for name in _MIN}
        figures |= {name: max(one[name] for one in told) for name in _MAX}
        figures |= {name: sum(one[name] for one in told) for name in _SUM}
        strongest = max(members, key=lambda one: self._figures[one]["strength"])
        pieces = [piece for one in members for piece in self._pieces[one]]
        whole = shapely.transform(shapely.normalize(shapely.union_all(pieces)), lambda ij: self.scale.cell_m * ij)
        return Region(self.kind, self.scale, MultiPolygon(shapely.get_parts(whole)), self._peaks[strongest], figures)


def _values(window: Window, strength: FloatArray, inside: npt.NDArray[np.bool_]) -> dict[str, FloatArray]:
    """Return what is gathered of every cell; of the cells beside it only those outside its region count."""
    depth, smooth = window.surface.depth_m, window.smooth
    out = np.where(inside, np.inf, smooth)
    near = [(shifted(out, i, j), shifted(smooth, i, j)) for i in (-1, 0, 1) for j in (-1, 0, 1) if i or j]
    lowest = np.fmin.reduce([one for one, _ in near])
    highest = np.fmax.reduce([np.where(np.isinf(one), -np.inf, one) for one, _ in near])
    unknown = np.any([np.isnan(all_of) for _, all_of in near], axis=0)
    slope = window.slope_deg
    return {
        "strength": strength,
        "depth_min": depth,
        "depth_max": depth,
        "smooth_min": smooth,
        "smooth_max": smooth,
        "round_min": lowest,
        "round_max": highest,
        "lift": window.around - depth,
        "drop": depth - window.around,
        "unknown": unknown.astype(np.float64),
        "cells": np.ones(depth.shape),
        "tangent": np.nan_to_num(np.tan(np.radians(slope))),
        "degrees": np.nan_to_num(slope),
    }


def _gathered(columns: Mapping[str, FloatArray], owner: npt.NDArray[np.int_], count: int) -> dict[str, FloatArray]:
    out = {}
    for names, start, ufunc in ((_MIN, np.inf, np.minimum), (_MAX, -np.inf, np.maximum), (_SUM, 0.0, np.add)):
        for name in names:
            out[name] = np.full(count, start)
            ufunc.at(out[name], owner, np.nan_to_num(columns[name], nan=start, posinf=np.inf, neginf=-np.inf))
    return out


def _border(labels: npt.NDArray[np.int32]) -> npt.NDArray[np.bool_]:
    border = np.zeros(labels.shape, dtype=bool)
    border[[0, -1], :] = True
    border[:, [0, -1]] = True
    return border
