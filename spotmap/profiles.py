"""Depth along lines: what a section through the bottom is drawn from."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import shapely

from spotmap.gear import deepest_gear_m, steps_in

if TYPE_CHECKING:
    from collections.abc import Sequence

    from shapely import LineString

    from layers.model import Area, Depth, FloatArray
    from spotmap.model import Plan

EVERY_M = 5.0
"""The bottom is read at least this closely along a line."""


@dataclass(frozen=True)
class Profile:
    """Charted depth along a line.

    `along_m` (n,) runs evenly from 0 to the line's length, `depth_m` (n,) is positive down from the datum, NaN where
    unknown. `gear_m` is how deep the deepest gear hangs, NaN without gear.
    """

    along_m: FloatArray
    depth_m: FloatArray
    gear_m: float = float("nan")

    @property
    def every_m(self) -> float:
        """Return how far apart the readings are; 0 on a line without length."""
        return float(self.along_m[1] - self.along_m[0])


@dataclass(frozen=True)
class Along:
    """A profile as the page takes it: depths from its start on, whole centimetres at even steps, None where unknown."""

    every_m: float
    depth_cm: tuple[int | None, ...]


def along(area: Area, line: LineString, *, every_m: float = EVERY_M) -> Profile:
    """Return the charted depth along a line.

    Parameters
    ----------
    area
        The area, for its depth as charted: neither tide nor uncertainty is counted.
    line
        In the area's local metres.
    every_m
        The readings, both ends among them, are at most this far apart.

    Returns
    -------
    Profile
        Without gear.

    Raises
    ------
    ValueError
        `every_m` is not above 0.
    """
    return profiles(area.depth, [shapely.get_coordinates(line)], every_m=every_m)[0]


def profiles(depth: Depth, tracks: Sequence[FloatArray], *, every_m: float = EVERY_M) -> tuple[Profile, ...]:
    """Return the depth along many lines at hardly more cost than along one.

    Parameters
    ----------
    depth
        What is read.
    tracks
        Lines, each (n, 2) local metres with n at least 2.
    every_m
        As in `along`.

    Returns
    -------
    tuple of Profile
        In the order of `tracks`, without gear.

    Raises
    ------
    ValueError
        `every_m` is not above 0.
    """
    if not every_m > 0.0:
        raise ValueError(f"readings {every_m:g} m apart")
    if not tracks:
        return ()
    places = [_evenly(xy, every_m) for xy in tracks]
    xy = np.concatenate([place for _, place in places])
    found = np.split(depth.depth_at(xy[:, 0], xy[:, 1]), np.cumsum([len(place) for _, place in places])[:-1])
    return tuple(Profile(along_m, depth_m) for (along_m, _), depth_m in zip(places, found, strict=True))


def pass_gear_m(plan: Plan) -> dict[int, float]:
    """Return how deep the deepest gear hangs on each pass at trolling speed, metres, by the leg's number."""
    return {
        leg.seq: deepest_gear_m(steps_in(plan.radius, leg.start, leg.end), slowed=False)
        for leg in plan.legs
        if leg.leg.kind == "pass"
    }


def as_told(profile: Profile) -> Along:
    """Return a profile as the page takes it."""
    depths = profile.depth_m.tolist()
    return Along(
        round(profile.every_m, 4), tuple(None if np.isnan(depth_m) else round(100.0 * depth_m) for depth_m in depths)
    )


def _evenly(xy: FloatArray, every_m: float) -> tuple[FloatArray, FloatArray]:
    """Return how far along a track its readings are, (n,), and where, (n, 2)."""
    at = np.append(0.0, np.cumsum(np.hypot(*np.diff(xy, axis=0).T)))
    along_m = np.linspace(0.0, at[-1], max(int(np.ceil(at[-1] / every_m - 1e-9)), 1) + 1)
    return along_m, np.column_stack([np.interp(along_m, at, xy[:, axis]) for axis in (0, 1)])
