"""Weaves: S-curves from one depth line to another and back, along both."""

from __future__ import annotations

from math import sqrt

import numpy as np
import shapely
from shapely import LineString, Point, Polygon
from shapely.geometry.base import BaseGeometry

from spotmap.dubins import Pose, dubins_paths
from spotmap.model import FloatArray
from spotmap.passes import SHORTEST_PASS_RADII, Cut, NoPass, PassLine
from spotmap.water import GearWater

_EASE = 1.25
"""How much longer a crossing is than the tightest S that the radius allows."""
_SHORTEST_CROSSING_RADII = 2.0
_GENTLE = 1.5
"""A crossing runs at least so many times as far along the lines as across them."""
_LONGER = (1.0, 1.4, 2.0)
"""A crossing that would go round in a circle is tried so many times as long."""
_DIRECT = 1.5
"""A crossing longer than this many times the straight way goes round in a circle: the lines are too close there."""


def fit_weave(line: PassLine, other: PassLine, radius_m: float, water: GearWater) -> PassLine | NoPass:
    """Return a pass that swings between two depth lines, nowhere tighter than R.

    It touches the first line, crosses to the other, touches it, and so on; between two touches it follows the
    shortest turn-limited path from one line's direction to the other's.

    Parameters
    ----------
    line, other
        The pass along either line. Touching points are taken along `line`.
    radius_m
        The turning radius R, metres.
    water
        Where gear may be.

    Returns
    -------
    PassLine or NoPass
        The longest weave inside the water; or why there is none.
    """
    crossings = _crossings(line, other, radius_m)
    if not crossings:
        return NoPass(("the two lines do not run side by side for one crossing",), 0.0)
    shapely.prepare(water.allowed)
    inside = shapely.covers(water.allowed, [LineString(xy) for xy in crossings])
    edges = np.flatnonzero(np.diff(np.concatenate([[False], inside, [False]]).astype(int)))
    if not len(edges):
        return NoPass(water.why_not(LineString(np.vstack(crossings))), 0.0)
    longest = int(np.argmax(edges[1::2] - edges[::2]))
    first, last = edges[::2][longest], edges[1::2][longest]
    kept, dropped = crossings[first:last], [*crossings[:first], *crossings[last:]]
    xy = np.vstack([kept[0], *(crossing[1:] for crossing in kept[1:])])
    if LineString(xy).length < SHORTEST_PASS_RADII * radius_m:
        return NoPass(water.why_not(LineString(np.vstack(crossings))), float(LineString(xy).length))
    cuts = [Cut(float(LineString(lost).length), water.why_not(LineString(lost))) for lost in dropped]
    return PassLine(xy, _band(line, other), line.depth_line_m, (*line.cuts, *other.cuts, *cuts))


def _band(line: PassLine, other: PassLine) -> BaseGeometry:
    """Return the water between two depth lines that run the same way."""
    ring = np.vstack([shapely.get_coordinates(line.depth_line), shapely.get_coordinates(other.depth_line)[::-1]])
    return shapely.make_valid(Polygon(ring))


def _crossings(line: PassLine, other: PassLine, radius_m: float) -> list[FloatArray]:
    along, across = LineString(line.xy), LineString(other.xy)
    crossings: list[FloatArray] = []
    here, on_first, station = _pose(along, 0.0, radius_m), True, 0.0
    while True:
        width_m = (across if on_first else along).distance(Point(here.x, here.y))
        crossing = None
        for longer in _LONGER:
            ahead = station + longer * _step(width_m, radius_m)
            if crossing is None and ahead <= along.length:
                there = _pose(along, ahead, radius_m)
                if on_first:
                    foot = across.interpolate(across.project(Point(there.x, there.y)))
                    there = Pose(foot.x, foot.y, there.heading_rad)
                path = dubins_paths(here, there, radius_m)[0]
                if path.length_m <= _DIRECT * np.hypot(there.x - here.x, there.y - here.y):
                    crossing, station = path, ahead
        if crossing is None:
            return crossings
        crossings.append(crossing.points())
        here, on_first = crossing.goal, not on_first


def _step(width_m: float, radius_m: float) -> float:
    # two arcs of R, one to either side, shift the track by w over √(4Rw − w²)
    tightest_m = sqrt(max(4.0 * radius_m * width_m - width_m**2, 0.0)) if width_m < 2.0 * radius_m else width_m
    return max(_EASE * tightest_m, _SHORTEST_CROSSING_RADII * radius_m, _GENTLE * width_m)


def _pose(line: LineString, station_m: float, reach_m: float) -> Pose:
    """Return a place on a line with the direction that the line has around it."""
    before = line.interpolate(max(station_m - reach_m, 0.0))
    after = line.interpolate(min(station_m + reach_m, line.length))
    here = line.interpolate(station_m)
    return Pose(here.x, here.y, float(np.arctan2(after.y - before.y, after.x - before.x)))
