"""Depth lines: the stretch nearest a place, and which lines at a depth are worth working."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from shapely import LineString, MultiLineString, Point
from shapely.ops import substring

from layers.model import Bounds, Depth
from spotmap import polyline
from spotmap.model import FloatArray
from spotmap.polyline import circumradius_m, evenly_spaced, places_at

_FIRST_LOOK_M = 800.0
_SIDE_LOOK_M = (4.0, 12.0, 40.0)
"""How far to either side the depth is looked at to tell the deep side; the first that tells is taken."""
_WRIGGLE_M = 5.0
_STRAIGHTNESS_CHORD_M = 200.0


@dataclass(frozen=True)
class Stretch:
    """A stretch of a depth line, oriented so that the deep side is on the left.

    `short_of_m` is by how much the line itself falls short of the wanted length; `from_near_m` the distance from
    the wanted place to the nearest point of the line; `skipped_m` the lengths of nearer lines too short to work.
    """

    line: LineString
    depth_m: float
    from_near_m: float
    short_of_m: float
    skipped_m: tuple[float, ...]


@dataclass(frozen=True)
class LineFigures:
    """A depth line in figures: length, the share of it that is straight, and the radii it bends with, metres.

    `straightness` is the mean of chord over length in pieces of about 200 m; `radius_p05_m` the radius that 95 %
    of the line does not bend tighter than, over 60 m chords.
    """

    line: LineString
    length_m: float
    straightness: float
    radius_p05_m: float


def stretch_near(depth: Depth, depth_m: float, near: Point, length_m: float, *, shortest_m: float) -> Stretch | None:
    """Return the stretch of a depth line centred on its point nearest a place.

    Parameters
    ----------
    depth
        The area's depth.
    depth_m
        Which line, metres.
    near
        The place, local metres.
    length_m
        Wanted length, metres.
    shortest_m
        A line shorter than this cannot be worked and is passed over for the next nearest.

    Returns
    -------
    Stretch or None
        None where the area has no line at this depth that is long enough.
    """
    lines = _lines_around(depth, depth_m, near, length_m)
    if not lines:
        return None
    distance = shapely.distance(np.asarray(lines), near)
    lengths = shapely.length(np.asarray(lines))
    order = np.argsort(distance)
    long_enough = [index for index in order if lengths[index] >= shortest_m]
    if not long_enough:
        return None
    chosen = long_enough[0]
    stretch = _centred(lines[chosen], near, length_m)
    # a boat does not follow every wriggle: the stretch is as long as the wanted track, not as the line drawn
    wriggle = stretch.length / stretch.simplify(_WRIGGLE_M).length
    stretch = _centred(lines[chosen], near, length_m * wriggle)
    return Stretch(
        line=deep_on_left(depth, stretch),
        depth_m=depth_m,
        from_near_m=float(distance[chosen]),
        short_of_m=max(0.0, length_m - stretch.length / wriggle),
        skipped_m=tuple(float(lengths[index]) for index in order[: int(np.flatnonzero(order == chosen)[0])]),
    )


def _lines_around(depth: Depth, depth_m: float, near: Point, length_m: float) -> list[LineString]:
    """Return the lines in a box that grows until the nearest is sure to be the nearest of all, or all is seen."""
    half = length_m + _FIRST_LOOK_M
    west, south, east, north = depth.bounds
    while True:
        box: Bounds = (near.x - half, near.y - half, near.x + half, near.y + half)
        everything = box[0] <= west and box[1] <= south and box[2] >= east and box[3] >= north
        lines = merged_lines(depth.depth_line(depth_m, box))
        # half a length of line must fit in the box beyond the nearest point
        if everything or (lines and min(line.distance(near) for line in lines) <= half - length_m):
            return lines
        half *= 3.0


def merged_lines(lines: MultiLineString) -> list[LineString]:
    """Return the longest possible lines, those of no length left out."""
    merged = shapely.get_parts(shapely.line_merge(lines)) if not lines.is_empty else []
    return [line for line in merged if line.length > 0.0]


def _centred(line: LineString, near: Point, length_m: float) -> LineString:
    if line.is_closed and length_m < line.length:
        # turn the ring so that its seam lies opposite the wanted place
        opposite = (line.project(near) + line.length / 2.0) % line.length
        start, end = substring(line, opposite, line.length), substring(line, 0.0, opposite)
        line = LineString(np.vstack([start.coords, np.asarray(end.coords)[1:]]))
    middle = line.project(near)
    begin = min(max(middle - length_m / 2.0, 0.0), max(line.length - length_m, 0.0))
    return substring(line, begin, min(begin + length_m, line.length))


def deep_on_left(depth: Depth, line: LineString) -> LineString:
    """Return the line running so that the deeper water is on its left."""
    count = 15
    along = np.linspace(0.0, line.length, count + 2)[1:-1]
    xy = shapely.get_coordinates(line)
    here, ahead = places_at(xy, along), places_at(xy, along + 1.0)
    heading = ahead - here
    heading /= np.maximum(np.hypot(heading[:, 0], heading[:, 1]), 1e-9)[:, None]
    left = np.column_stack([-heading[:, 1], heading[:, 0]])
    for reach in _SIDE_LOOK_M:
        difference = _depths(depth, here + reach * left) - _depths(depth, here - reach * left)
        vote = np.nansum(np.sign(difference))
        if vote:
            return line if vote > 0 else line.reverse()
    return line


def _depths(depth: Depth, xy: FloatArray) -> FloatArray:
    return depth.depth_at(xy[:, 0], xy[:, 1])


def figures(line: LineString) -> LineFigures:
    """Return how long, how straight and how tightly bent a line is.

    Examples
    --------
    >>> told = figures(LineString([(0, 0), (1000, 0)]))
    >>> told.length_m, told.straightness, told.radius_p05_m
    (1000.0, 1.0, inf)
    """
    xy = shapely.get_coordinates(line)
    chord = polyline.length_m(evenly_spaced(xy, _STRAIGHTNESS_CHORD_M, least=1))
    step = 30.0
    along = np.arange(0.0, max(line.length - 2 * step, step), 10.0)
    radius = circumradius_m(*(places_at(xy, along + shift) for shift in (0.0, step, 2.0 * step)))
    return LineFigures(
        line=line,
        length_m=float(line.length),
        straightness=float(min(chord / line.length, 1.0)),
        radius_p05_m=float(np.quantile(radius, 0.05, method="lower")),
    )
