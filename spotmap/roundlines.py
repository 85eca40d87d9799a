"""The depth lines of round depths next to places, of those that the data really draws."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import islice
from math import floor, isnan, nan
from typing import Literal

import numpy as np
import numpy.typing as npt
import shapely
from shapely import MultiLineString, Point
from shapely.geometry.base import BaseGeometry

from layers.depth import CombinedDepth
from layers.depthareas import AreaDepth
from layers.model import Area, Bounds, Depth, FloatArray

_ROUND = {"ft": (0.3048, 10), "m": (1.0, 5), "fm": (1.8288, 2)}
"""A unit in metres, and of how many of it depths are round."""
_LISTED_M = 0.1
"""A chart's fathom lines are cut to a decimetre: 10 fathoms is 18.2 m."""
_MOST_UNITS = 150
"""How much deeper than a place a charted line is looked for, in units."""
_HAIR_M = 0.2
_NUDGE_M = 1e-6


@dataclass(frozen=True)
class NearLine:
    """The nearest depth line of a depth, and on which side of it a place lies."""

    depth_m: float
    distance_m: float
    side: Literal["deep", "shallow"]


def near_lines(
    area: Area, points: Sequence[Point], depth_m: FloatArray, stepped: npt.NDArray[np.bool_], within_m: float
) -> list[tuple[NearLine, ...]]:
    """Return the next shallower and the next deeper round depth line of places, in that order.

    Parameters
    ----------
    area
        The area; round are 10 ft, 5 m and 2 fathoms, whichever it shows depth in.
    points
        Places in local metres.
    depth_m, stepped
        The depth of each (NaN tells no line) and whether depth areas have the say there (`steps_at`).
    within_m
        Lines farther away are left out.

    Returns
    -------
    list of tuple of NearLine
        Two, one or none for each place. Where depth goes in steps, the next line that is charted at a
        whole number of units is told, round or not.
    """
    unit_m, every = _ROUND.get(area.show.depth, _ROUND["m"])
    areas = tuple(_areas(area.depth))
    # a line among depth areas costs as much for one place as for all
    west, south, east, north = shapely.total_bounds(points).tolist()
    around = west - within_m, south - within_m, east + within_m, north + within_m
    drawn: dict[float, BaseGeometry] = {}

    def distance_m(level_m: float, at: int) -> float:
        if not stepped[at]:
            line = _charted(area.depth, level_m, _box(points[at], within_m))
        else:
            if level_m not in drawn:
                drawn[level_m] = _charted(area.depth, level_m, around)
            line = drawn[level_m]
        return nan if line.is_empty else float(line.distance(points[at]))

    def worth(step: int, at: int) -> bool:
        return step % every == 0 or (bool(stepped[at]) and any(_lists(one, step * unit_m) for one in areas))

    found = []
    for at, depth in enumerate(depth_m.tolist()):
        sides: list[NearLine] = []
        if not isnan(depth):
            unsure_m = _LISTED_M if stepped[at] else 0.0
            first = floor((depth + unsure_m) / unit_m)
            down, up = range(first, -1, -1), range(first + 1, first + 1 + _MOST_UNITS)
            shallower, deeper = (
                islice((step for step in steps if worth(step, at)), None if stepped[at] else 1) for steps in (down, up)
            )
            for side, steps in (("deep", shallower), ("shallow", deeper)):
                near = ((step * unit_m, distance_m(step * unit_m, at)) for step in steps)
                sides += islice((NearLine(level, away, side) for level, away in near if away <= within_m), 1)  # type: ignore[arg-type]
        found.append(tuple(sides))
    return found


def steps_at(depth: Depth, x: FloatArray, y: FloatArray) -> npt.NDArray[np.bool_]:
    """Return whether depth areas, between which depth goes in steps, have the say at places, arrays of one shape."""
    if not isinstance(depth, CombinedDepth):
        return np.full(np.shape(x), isinstance(depth, AreaDepth))
    stepped = np.zeros(np.shape(x), dtype=np.bool_)
    unsaid = np.ones_like(stepped)
    for rank in depth.ranks:
        told = np.array([layer.depth_at(x, y) for layer in rank])
        least = np.fmin.reduce(told, axis=0)
        for layer, one in zip(rank, told, strict=True):
            stepped |= unsaid & isinstance(layer, AreaDepth) & (one <= least)
        unsaid &= np.isnan(least)
    return stepped


def _charted(depth: Depth, level_m: float, within: Bounds) -> BaseGeometry:
    """Return the line at a depth, less where depth areas only step over it and draw no line of that depth."""
    unlisting = [layer for layer in _areas(depth) if not _lists(layer, level_m)]
    if depth in unlisting:
        return MultiLineString()
    line: BaseGeometry = depth.depth_line(level_m, within)
    for layer in unlisting:
        line = line.difference(shapely.buffer(layer.known(within), _HAIR_M))
    return line


def _lists(layer: AreaDepth, level_m: float) -> bool:
    # a listed depth is found from a little beside it too
    return layer.line_depth(level_m + _NUDGE_M) == layer.line_depth(level_m)


def _areas(depth: Depth) -> Iterator[AreaDepth]:
    if isinstance(depth, CombinedDepth):
        for rank in depth.ranks:
            for layer in rank:
                yield from _areas(layer)
    elif isinstance(depth, AreaDepth):
        yield depth


def _box(point: Point, half_m: float) -> Bounds:
    return point.x - half_m, point.y - half_m, point.x + half_m, point.y + half_m
