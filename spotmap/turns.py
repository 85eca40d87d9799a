"""Turns: the shortest way round with gear down, from the end of one pass to the start of the next."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import atan2
from typing import Literal

import numpy as np
import shapely
from shapely import LineString, MultiPolygon

from layers.model import Depth
from spotmap.dubins import DubinsPath, Pose
from spotmap.model import FloatArray
from spotmap.polyline import evenly_spaced

_LOOK_M = 10.0
_ROUGH_M, _FINE_M = 0.2, 0.005
_EQUAL_SHARE = 1.001
"""Turns whose lengths differ by less than this count as equal, and the deeper one is taken."""


@dataclass(frozen=True)
class Turn:
    """A turn with gear down. `xy` is (n, 2) local metres; `side` is where it turns on the whole."""

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
