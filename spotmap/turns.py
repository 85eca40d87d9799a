"""Turns: the shortest way round with gear down, from the end of one pass to the start of the next.

In moving water a turn is planned through the water, where its arcs are circles, and carried over the ground by the
current that it meets.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from math import atan2, hypot, inf, isnan
from typing import Literal

import numpy as np
import shapely
from shapely import LineString, MultiPolygon

from layers.model import Depth
from spotmap.dubins import DubinsPath, Pose
from spotmap.model import FloatArray
from spotmap.moving import Flow, drift_m, heading_on
from spotmap.polyline import evenly_spaced, length_m
from spotmap.trochoid import drift_paths, ground_points

_LOOK_M = 10.0
_ROUGH_M, _FINE_M = 0.2, 0.005
_EQUAL_SHARE = 1.001
"""Turns whose lengths differ by less than this count as equal, and the deeper one is taken."""
_LIKELY_TURN_RADII = 7.0
_MOST_ROUNDS = 8
_PLACE_ROUNDS = 2
_STRAIGHT_M = 5.0
"""Where the current changes, a straight through the water is none over the ground."""
_NEARLY_INSIDE_M = 1.0
_LEAST_VERTICES = 2
_NEAR_M = 0.05
"""A miss this small is spread over the turn: 5 cm in a minute are a current of a millimetre a second."""
_NEAR_RAD = 1e-3


@dataclass(frozen=True)
class Turn:
    """A turn with gear down. `xy` is (n, 2) local metres; `side` is where it turns on the whole."""

    xy: FloatArray
    length_m: float
    side: Literal["port", "starboard"]

    def run_back(self) -> Turn:
        """Return the same turn run the other way."""
        return Turn(self.xy[::-1], self.length_m, "starboard" if self.side == "port" else "port")


@dataclass(frozen=True)
class DriftingTurn(Turn):
    """A turn in moving water: each vertex's time from its start, (n,), and the current met there, (n, 2)."""

    clock_s: FloatArray
    current_mps: FloatArray

    @property
    def took_s(self) -> float:
        """Return how long it takes."""
        return float(self.clock_s[-1])


@dataclass(frozen=True)
class Motion:
    """How the boat moves with gear down: its radius and speed through the water, and the water's own motion."""

    radius_m: float
    speed_mps: float
    flow: Flow


def end_pose(xy: FloatArray) -> Pose:
    """Return place and heading at the end of a track (n, 2)."""
    (x0, y0), (x1, y1) = xy[-2], xy[-1]
    return Pose(float(x1), float(y1), atan2(y1 - y0, x1 - x0))


def start_pose(xy: FloatArray) -> Pose:
    """Return place and heading at the start of a track (n, 2)."""
    (x0, y0), (x1, y1) = xy[0], xy[1]
    return Pose(float(x0), float(y0), atan2(y1 - y0, x1 - x0))


def legal_turn(paths: Sequence[DubinsPath], water: MultiPolygon, depth: Depth) -> Turn | None:
    """Return the shortest of several paths between two poses that stays in allowed water.

    Of two that are equally long the one over deeper water is taken.

    Parameters
    ----------
    paths
        Turn-limited paths of all six classes (Dubins, American Journal of Mathematics 79, 1957), the shortest first.
    water
        Where gear may be.
    depth
        The area's depth, to tell the deep side.

    Returns
    -------
    Turn or None
        None when every path leaves the water.
    """
    legal: list[DubinsPath] = []
    for path in paths:
        if legal and path.length_m > legal[0].length_m * _EQUAL_SHARE:
            break
        # few points tell most paths that leave the water; the rest are looked at as they will be run
        if all(shapely.covers(water, LineString(path.points(sagitta_m))) for sagitta_m in (_ROUGH_M, _FINE_M)):
            legal.append(path)
    if not legal:
        return None
    best = max(legal, key=lambda path: _mean_depth(path.points(_ROUGH_M), depth)) if len(legal) > 1 else legal[0]
    return Turn(best.points(_FINE_M), best.length_m, "port" if best.turned_rad > 0.0 else "starboard")


def _mean_depth(xy: FloatArray, depth: Depth) -> float:
    few = evenly_spaced(xy, _LOOK_M)
    return float(np.mean(depth.depth_at(few[:, 0], few[:, 1])))


def drifting_turn(
    leaving: Pose, entering: Pose, start_s: float, motion: Motion, water: MultiPolygon, depth: Depth
) -> tuple[DriftingTurn | None, float]:
    """Return the soonest turn through moving water whose track over the ground stays in allowed water.

    Of two that take as long the one over deeper water is taken.

    Parameters
    ----------
    leaving
        Where the turn starts, and the heading there through the water.
    entering
        Where it ends, and the course over the ground there.
    start_s
        POSIX time at its start.
    motion
        Radius, speed and current.
    water, depth
        Where gear may be, and the area's depth.

    Returns
    -------
    tuple
        The turn, or None when every one leaves the water; and how long the soonest of all takes, wherever it leads.
        Its path through the water is of arcs of exactly the radius and straights, to a place that moves against the
        current (McGee, Spry & Hedrick, AIAA 2005-6186; Techy & Woolsey, J. Guidance, Control, and Dynamics 32(6),
        2009). Where the current changes on the way, the mean that is met is found by iteration.
    """
    best: DriftingTurn | None = None
    soonest_s = inf
    for path, mean in _drifting_paths(leaving, entering, start_s, motion):
        took_s = path.length_m / motion.speed_mps
        soonest_s = min(soonest_s, took_s)
        if best is not None and took_s > best.took_s * _EQUAL_SHARE:
            break
        # a rough look in a steady current tells most turns that leave the water
        rough, _ = ground_points(path, (float(mean[0]), float(mean[1])), motion.speed_mps, _ROUGH_M)
        if len(rough) < _LEAST_VERTICES or not shapely.dwithin(water, shapely.points(rough), _NEARLY_INSIDE_M).all():
            continue
        turn = _settled(path, leaving, entering, start_s, motion, mean)
        if turn is None or not shapely.covers(water, LineString(turn.xy)):
            continue
        if best is None or _mean_depth(turn.xy, depth) > _mean_depth(best.xy, depth):
            best = turn
    return best, soonest_s


def _drifting_paths(
    leaving: Pose, entering: Pose, start_s: float, motion: Motion
) -> Iterator[tuple[DubinsPath, FloatArray]]:
    """Yield the paths of every class that exists, the soonest first, in the mean of the current at both ends."""
    likely_s = _LIKELY_TURN_RADII * motion.radius_m / motion.speed_mps
    ends = np.array([[leaving.x, leaving.y], [entering.x, entering.y]])
    at_start, at_end = motion.flow(ends, np.array([start_s, start_s + likely_s]))
    if not np.isfinite(at_end).all():
        # a table may end before the turn would: the settled turn tells
        at_end = motion.flow(ends[1:], np.array([start_s]))[0]
    heading = heading_on(entering.heading_rad, motion.speed_mps, at_end)
    if isnan(heading):
        return
    mean = 0.5 * (at_start + at_end)
    goal = replace(entering, heading_rad=heading)
    for path in drift_paths(leaving, goal, motion.radius_m, motion.speed_mps, (float(mean[0]), float(mean[1]))):
        yield path, mean


def _settled(
    path: DubinsPath, leaving: Pose, entering: Pose, start_s: float, motion: Motion, mean: FloatArray
) -> DriftingTurn | None:
    """Return a path of one class as it closes on its end in the current that it meets."""
    goal_xy = np.array([entering.x, entering.y])
    sagitta_m = _ROUGH_M
    for _ in range(_MOST_ROUNDS):
        if path.length_m == 0.0:
            return None
        through, along = path.sampled(sagitta_m, _STRAIGHT_M)
        clock = along / motion.speed_mps
        ground = through + np.outer(clock, mean)
        for _ in range(_PLACE_ROUNDS):
            # as it is met on the ground, not where the mean would have carried the boat
            current = motion.flow(ground, start_s + clock)
            ground = through + drift_m(clock, current)
        miss = goal_xy - ground[-1]
        heading = heading_on(entering.heading_rad, motion.speed_mps, current[-1])
        if isnan(heading) or not np.isfinite(miss).all():
            return None
        turned = abs((heading - path.goal.heading_rad + np.pi) % (2.0 * np.pi) - np.pi)
        if hypot(*miss) <= _NEAR_M and turned <= _NEAR_RAD:
            if sagitta_m == _FINE_M:
                xy = ground + np.outer(clock / clock[-1], miss)
                xy[-1] = goal_xy
                side: Literal["port", "starboard"] = "port" if path.turned_rad > 0.0 else "starboard"
                return DriftingTurn(xy, length_m(xy), side, clock, current)
            sagitta_m = _FINE_M
            continue
        mean = mean - miss / clock[-1]
        goal = replace(entering, heading_rad=heading)
        again = drift_paths(leaving, goal, motion.radius_m, motion.speed_mps, (float(mean[0]), float(mean[1])))
        of_class = [other for other in again if other.word == path.word]
        if not of_class:
            return None
        before_m = path.length_m
        path = min(of_class, key=lambda other: abs(other.length_m - before_m))
    return None
