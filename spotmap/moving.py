"""Tracks through moving water: what a boat that holds a track over the ground does through the water, and by when.

The velocity over the ground is the velocity through the water and the current together; the heading holds the track
against the current across it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from spotmap.model import FloatArray, Leg

LEAST_OVER_GROUND_MPS = 0.5 * 1852.0 / 3600.0
"""With gear down a boat makes half a knot over the ground at least, or the leg is not planned (common practice)."""

NEAR_SLACK_MPS = 0.3 * 1852.0 / 3600.0
"""Below this along the line a pass serves either way (common practice, no source)."""

Flow = Callable[[FloatArray, FloatArray], FloatArray]
"""The current (n, 2), m/s in the local axes, at places (n, 2) and POSIX times (n,)."""

_ROUNDS = 4
"""The clock hangs on the current and the current on the clock: each round shrinks the error by what the current
changes on the way, a hundredth or so."""
_TOGETHER_S = 0.5


@dataclass(frozen=True)
class Passage:
    """A track held over the ground: for its n vertices the clock from its start and the current met there.

    `heading_rad` (n - 1,) and `over_ground_mps` (n - 1,) are those of each stretch between two vertices; NaN where
    the current sets harder across the track than the boat can hold against.
    """

    clock_s: FloatArray
    current_mps: FloatArray
    heading_rad: FloatArray
    over_ground_mps: FloatArray

    @property
    def took_s(self) -> float:
        """Return how long the whole track takes, seconds; NaN where it cannot be held."""
        return float(self.clock_s[-1])

    @property
    def slowest_mps(self) -> float:
        """Return the least speed over the ground; NaN where the track cannot be held."""
        return float(self.over_ground_mps.min()) if np.isfinite(self.clock_s[-1]) else float("nan")


def still(xy: FloatArray, time_s: FloatArray) -> FloatArray:
    """Return no current at all, a `Flow`."""
    del time_s
    return np.zeros_like(xy)


def passage(xy: FloatArray, speed_mps: float, start_s: float, flow: Flow) -> Passage:
    """Return what a boat does that holds a track.

    Parameters
    ----------
    xy
        (n, 2) vertices, local metres, n at least 2, no two running the same.
    speed_mps
        Speed through the water.
    start_s
        POSIX time at the first vertex.
    flow
        The current; it must be known along the track.

    Returns
    -------
    Passage
        On each stretch the current is the mean of that at its ends.

    Examples
    --------
    >>> east = passage(np.array([[0.0, 0.0], [800.0, 0.0]]), 2.0, 0.0, lambda xy, t: np.full_like(xy, (0.0, 1.2)))
    >>> round(east.took_s, 6), round(float(np.degrees(east.heading_rad[0])), 2)
    (500.0, -36.87)
    """
    step = np.diff(xy, axis=0)
    way_m = np.hypot(step[:, 0], step[:, 1])
    ahead = step / way_m[:, None]
    clock = np.concatenate([[0.0], np.cumsum(way_m / speed_mps)])
    for _ in range(_ROUNDS):
        known = np.where(np.isfinite(clock), clock, clock[0])
        current = flow(xy, start_s + known)
        mean = 0.5 * (current[:-1] + current[1:])
        with_track = (mean * ahead).sum(axis=1)
        over_ground = with_track + _ahead_mps(speed_mps, across(ahead, mean))
        over_ground = np.where(over_ground > 0.0, over_ground, np.nan)
        before, clock = clock, np.concatenate([[0.0], np.cumsum(way_m / over_ground)])
        if np.array_equal(before, clock):
            break
    # where the current stops being known, or holdable, on the way, rounds do not come together
    apart = ~(np.abs(clock - before) <= _TOGETHER_S)
    clock = np.where(np.maximum.accumulate(apart), np.nan, clock)
    through = ahead * over_ground[:, None] - mean
    return Passage(clock, current, np.arctan2(through[:, 1], through[:, 0]), over_ground)


def across(ahead: FloatArray, current_mps: FloatArray) -> FloatArray:
    """Return the part of the current (n, 2) that sets to port of the unit vectors `ahead` (n, 2)."""
    port: FloatArray = ahead[:, 0] * current_mps[:, 1] - ahead[:, 1] * current_mps[:, 0]
    return port


def heading_on(course_rad: float, speed_mps: float, current_mps: FloatArray) -> float:
    """Return the heading that holds a course against a current (2,); NaN where none does.

    Examples
    --------
    >>> round(float(np.degrees(heading_on(0.0, 2.0, np.array([0.5, 1.0])))), 6)
    -30.0
    """
    ahead = np.array([np.cos(course_rad), np.sin(course_rad)])
    sideways = float(across(ahead[None], current_mps[None])[0]) / speed_mps
    return course_rad - float(np.arcsin(sideways)) if abs(sideways) < 1.0 else float("nan")


def bend_factor(ahead: FloatArray, speed_mps: float, current_mps: FloatArray) -> FloatArray:
    """Return how many times wider than through the water a bend over the ground must be, (n,).

    With heading ψ and course χ, V sin(ψ - χ) = -c·n(χ). Differentiated along the track in a steady current that gives
    the bend through the water, κ_w = κ_g (v_g / V)² / cos(ψ - χ): running with the current a bend over the ground is
    taken faster, and is sharper through the water.

    Parameters
    ----------
    ahead
        (n, 2) unit vectors of the track.
    speed_mps
        Speed through the water.
    current_mps
        (n, 2) the current.

    Returns
    -------
    FloatArray
        At least 1; infinite where the track cannot be held.

    Examples
    --------
    >>> bend_factor(np.array([[1.0, 0.0], [-1.0, 0.0]]), 2.0, np.array([[1.0, 0.0], [1.0, 0.0]])).tolist()
    [2.25, 1.0]
    """
    forward = _ahead_mps(speed_mps, across(ahead, current_mps))
    over_ground = (ahead * current_mps).sum(axis=1) + forward
    factor = (over_ground / speed_mps) ** 2 * speed_mps / np.where(forward > 0.0, forward, np.nan)
    return np.where(np.isnan(factor), np.inf, np.maximum(factor, 1.0))


def drift_m(clock_s: FloatArray, current_mps: FloatArray) -> FloatArray:
    """Return how far the current (n, 2) has carried the boat by each moment (n,), as (n, 2), by trapezoids.

    Examples
    --------
    >>> drift_m(np.array([0.0, 10.0]), np.array([[1.0, 0.0], [2.0, 0.0]])).tolist()
    [[0.0, 0.0], [15.0, 0.0]]
    """
    steps = 0.5 * (current_mps[:-1] + current_mps[1:]) * np.diff(clock_s)[:, None]
    return np.concatenate([np.zeros((1, 2)), np.cumsum(steps, axis=0)])


def chain_drift(legs: Sequence[Leg]) -> tuple[FloatArray, FloatArray]:
    """Return the clock (n,) and the drift (n, 2) at the vertices of legs that follow one another in moving water.

    Where two legs meet there is one vertex.

    Raises
    ------
    ValueError
        When a leg has no clock.
    """
    clock, drift = np.zeros(1), np.zeros((1, 2))
    for leg in legs:
        if leg.clock_s is None or leg.current_mps is None:
            raise ValueError(f"leg {leg.label} has no clock")
        clock = np.concatenate([clock, clock[-1] + leg.clock_s[1:]])
        drift = np.concatenate([drift, drift[-1] + drift_m(leg.clock_s, leg.current_mps)[1:]])
    return clock, drift


def _ahead_mps(speed_mps: float, across_mps: FloatArray) -> FloatArray:
    """Return what is left ahead of the speed through the water once the current across is held; NaN where none is."""
    left = speed_mps**2 - across_mps**2
    return np.sqrt(np.where(left >= 0.0, left, np.nan))
