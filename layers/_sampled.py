"""Depth brought onto cells: means of points in each, unknown where its shape is not told."""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeVar

import numpy as np
import numpy.typing as npt

from layers.depth import CombinedDepth, steps_within
from layers.tin import TinDepth

if TYPE_CHECKING:
    from layers.model import Bounds, Depth, FloatArray

    BoolArray = npt.NDArray[np.bool_]
    _Value = TypeVar("_Value", bound=np.generic)

POINTS = 4
"""Points along a cell's side."""
ON_LATTICE = 1e-9
"""In cells: what is nearer to an edge than this lies on it."""
_POINTS_AT_ONCE = 400_000


def lattice(box: Bounds, cell_m: float) -> tuple[tuple[int, int], tuple[int, int]]:
    """Return the first (column, row) of the cells that cover a box, and the first beyond it."""
    west, south, east, north = (edge / cell_m for edge in box)
    return (
        (int(np.floor(west + ON_LATTICE)), int(np.floor(south + ON_LATTICE))),
        (int(np.ceil(east - ON_LATTICE)), int(np.ceil(north - ON_LATTICE))),
    )


def sampled(depth: Depth, cell_m: float, first: tuple[int, int], last: tuple[int, int]) -> FloatArray:
    """Return the cells from the first (column, row) up to the last, of the lattice whose (0, 0) begins at (0, 0)."""
    (west, south), (east, north) = lattice(depth.bounds, cell_m)
    cells = np.full((last[1] - first[1], last[0] - first[0]), np.nan)
    left, bottom, right, top = max(first[0], west), max(first[1], south), min(last[0], east), min(last[1], north)
    if left < right and bottom < top:
        rows, columns = slice(bottom - first[1], top - first[1]), slice(left - first[0], right - first[0])
        cells[rows, columns] = _asked(depth, cell_m, (left, bottom), (right, top))
    return cells


def _asked(depth: Depth, cell_m: float, first: tuple[int, int], last: tuple[int, int]) -> FloatArray:
    ring = 1 if isinstance(depth, CombinedDepth) else 0  # seams are seen from the cells beside them
    columns = np.arange((first[0] - ring) * POINTS, (last[0] + ring) * POINTS)
    rows = np.arange((first[1] - ring) * POINTS, (last[1] + ring) * POINTS)
    x, y = (columns + 0.5) * (cell_m / POINTS), (rows + 0.5) * (cell_m / POINTS)
    step = max(1, _POINTS_AT_ONCE // (POINTS * len(x))) * POINTS
    strips, shares = [], []
    for begin in range(0, len(y), step):
        told = _told(depth, *np.meshgrid(x, y[begin : begin + step]))
        strips.append(_by_cell(told.depth_m).mean(axis=(1, 3)))
        shares.append([_by_cell(counts).mean(axis=(1, 3)) for counts in told.counts])
    cells = np.concatenate(strips)
    seam = np.zeros(cells.shape, dtype=np.bool_)
    for strip in zip(*shares, strict=True):
        seam |= _differs(np.concatenate(strip), np.isfinite(cells))
    cells[seam] = np.nan
    rows_kept, columns_kept = (slice(ring, size - ring) for size in cells.shape)
    return np.asarray(cells[rows_kept, columns_kept].copy())


def _differs(share: FloatArray, known: BoolArray) -> BoolArray:
    """Return where a layer counts for a part of a cell, or in one known cell and not in the one beside it."""
    most, least = np.where(known, share, -np.inf), np.where(known, share, np.inf)
    most, least = (np.pad(one, 1, mode="edge") for one in (most, least))
    rows, columns = share.shape
    places = list(itertools.product(range(3), range(3)))
    most = np.max([most[i : i + rows, j : j + columns] for i, j in places], axis=0)
    least = np.min([least[i : i + rows, j : j + columns] for i, j in places], axis=0)
    return np.asarray((most > least) | ((share > 0) & (share < 1)))


def three_by_three(depth: Depth, x: FloatArray, y: FloatArray, cell_m: float) -> FloatArray:
    """Return the nine cells around places, (n, 3, 3), each as `sampled` makes them; south before north."""
    offsets = (np.arange(3 * POINTS) + 0.5 - 1.5 * POINTS) * (cell_m / POINTS)
    east, north = np.broadcast_arrays(x[:, None, None] + offsets, y[:, None, None] + offsets[:, None])
    told = _told(depth, east, north)
    cells = _by_cell(told.depth_m).mean(axis=(2, 4))
    for counts in told.counts:
        share = _by_cell(counts).mean(axis=(2, 4))
        cells[(np.ptp(share, axis=(1, 2)) > 0) | (share[:, 1, 1] % 1 > 0)] = np.nan
    return np.asarray(cells)


@dataclass(frozen=True)
class _Told:
    """What is told at points: depth, NaN where it has no shape, and where each of several layers counts."""

    depth_m: FloatArray
    counts: tuple[BoolArray, ...]


def _told(depth: Depth, x: FloatArray, y: FloatArray) -> _Told:
    if not isinstance(depth, CombinedDepth):
        result = depth.depth_at(x, y)
        return _Told(np.where(_steps_at(depth, result), np.nan, result), ())
    result, stepped = np.full(x.shape, np.nan), np.zeros(x.shape, dtype=np.bool_)
    every = []
    for rank in depth.ranks:
        left = np.isnan(result)
        for layer in rank:
            here = np.full(x.shape, np.nan)
            here[left] = layer.depth_at(x[left], y[left])
            every.append(np.isfinite(here))
            # of two equally shallow the steps have the say: how the bottom lies is not known
            steps = _steps_at(layer, here)
            stepped = np.where(steps, stepped | ~(here > result), stepped & ~(here < result))
            result = np.fmin(result, here)
    return _Told(np.where(stepped, np.nan, result), tuple(every))


def _steps_at(layer: Depth, depth_m: FloatArray) -> BoolArray:
    """Return at which points a layer's depth is a step: in depth areas, and where contours leave a hump's top open."""
    if isinstance(layer, TinDepth):
        return np.isin(depth_m, layer.step_depths_m)
    return np.isfinite(depth_m) & steps_within(layer, layer.bounds)


def _by_cell(points: npt.NDArray[_Value]) -> npt.NDArray[_Value]:
    *more, rows, columns = points.shape
    return points.reshape(*more, rows // POINTS, POINTS, columns // POINTS, POINTS)
