"""Turns: the shortest way round with gear down, from the end of one pass to the start of the next."""

from __future__ import annotations

from dataclasses import dataclass
from math import atan2
from typing import Literal

import numpy as np
import shapely
from shapely import LineString, MultiPolygon

from layers.model import Depth
from spotmap.dubins import Pose, dubins_paths
from spotmap.model import FloatArray

_EQUAL_SHARE = 1.001
"""Turns whose lengths differ by less than this count as equal, and the deeper one is taken."""


@dataclass(frozen=True)
class Turn:
    """A turn with gear down. `xy` is (n, 2) local metres; `side` is where most of it turns to."""

    xy: FloatArray
    length_m: float
    side: Literal["port", "starboard"]

    def run_back(self) -> Turn:
        """Return the same turn run the other way."""
        return Turn(self.xy[::-1], self.length_m, "starboard" if self.side == "port" else "port")


def end_pose(xy: FloatArray) -> Pose:
    """Return place and heading at the end of a track (n, 2)."""
    (x0, y0), (x1, y1) = xy[-2], xy[-1]
    return Pose(float(x1), float(y1), atan2(y1 - y0, x1 - x0))


def start_pose(xy: FloatArray) -> Pose:
    """Return place and heading at the start of a track (n, 2)."""
    (x0, y0), (x1, y1) = xy[0], xy[1]
    return Pose(float(x0), float(y0), atan2(y1 - y0, x1 - x0))


def legal_turn(start: Pose, goal: Pose, radius_m: float, water: MultiPolygon, depth: Depth) -> Turn | None:
    """Return the shortest turn-limited path between two poses that stays in allowed water.

    All six classes of Dubins (American Journal of Mathematics 79, 1957) are tried, the shortest first; of two that
    are equally long the one over deeper water is taken.

    Parameters
    ----------
    start, goal
        Place and heading, local metres and radians.
    radius_m
        The turning radius R, metres.
    water
        Where gear may be.
    depth
        The area's depth, to tell the deep side.

    Returns
    -------
    Turn or None
        None when every class leaves the water.
    """
    best: tuple[float, float, Turn] | None = None
    for path in dubins_paths(start, goal, radius_m):
        if best is not None and path.length_m > best[0] * _EQUAL_SHARE:
            break
        xy = path.points()
        if not shapely.covers(water, LineString(xy)):
            continue
        mean_depth = float(np.mean(depth.depth_at(xy[:, 0], xy[:, 1])))
        if best is None or mean_depth > best[1]:
            shortest = path.length_m if best is None else best[0]
            best = (shortest, mean_depth, Turn(xy, path.length_m, _main_side(xy)))
    return None if best is None else best[2]


def _main_side(xy: FloatArray) -> Literal["port", "starboard"]:
    along = np.diff(xy, axis=0)
    heading = np.unwrap(np.arctan2(along[:, 1], along[:, 0]))
    turned = np.diff(heading)
    return "port" if turned[turned > 0].sum() >= -turned[turned < 0].sum() else "starboard"
