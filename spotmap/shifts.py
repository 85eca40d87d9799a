"""Shifts: a piece of work cut by the clock into times at which the current asks for the same pattern.

A loop is worked while the current is below what the skipper trolls against; in more current the boat trolls with it,
brings the gear up, runs back and trolls down again; near slack either way serves.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt
import shapely
from shapely import LineString

from spotmap.model import Boat, FloatArray, Limits, PatternName, Work
from spotmap.moving import LEAST_OVER_GROUND_MPS, NEAR_SLACK_MPS, Flow, across, bend_factor
from spotmap.polyline import evenly_spaced

NO_CURRENT_MPS = 0.005
"""A hundredth of a knot: water that moves less stands still."""
_EVERY_S = 300.0
_PLACES = 6
_MARGIN_MPS = 0.02
"""The current is looked at in places and every few minutes: between them it may be so much more."""
_BEND_MARGIN = 1.03
_BEND_STEP = 0.25
_WINDS_RAD = np.radians(30.0)
_TURN_RADII = 7.0 * np.pi / 3.0


@dataclass(frozen=True)
class Shift:
    """A time, POSIX seconds, through which a piece of work is worked in one pattern.

    `bend_forward` and `bend_back` say how many times wider than R a pass must bend over the ground, run along the
    line or against its direction; `aside` is the greatest sine of the angle between heading and course.
    `flow_mps` (2,) is the current at the middle of the line and of the time, `strongest_mps` the most there is.
    """

    since_s: float
    until_s: float
    pattern: PatternName
    bend_forward: float
    bend_back: float
    out_forward: bool | None
    aside: float
    flow_mps: FloatArray
    strongest_mps: float


@dataclass(frozen=True)
class _Seen:
    """The current along a line: `flow` (times, places, 2), its part along, bends for either direction and for any."""

    time_s: FloatArray
    flow: FloatArray
    along: FloatArray
    bend_forward: FloatArray
    bend_back: FloatArray
    any_bend: FloatArray
    aside: FloatArray
    strongest: FloatArray


def strongest_mps(line: LineString, start_s: float, end_s: float, flow: Flow) -> float:
    """Return the most current that a line sees in a time, m/s; NaN where it is not known throughout."""
    xy = evenly_spaced(shapely.get_coordinates(line), line.length / _PLACES)
    return float(_speed(_flow_on(xy, _moments(start_s, end_s), flow)).max())


def shifts_of(
    work: Work, line: LineString, window: tuple[float, float], boat: Boat, limits: Limits, flow: Flow
) -> tuple[Shift, ...]:
    """Return the shifts of a piece of work, in order, without a gap.

    Parameters
    ----------
    work
        What the trip asks for: a one-way pass stays one, a loop or weave becomes one where the current is too strong.
    line
        The stretch of depth line, local metres.
    window
        The time, POSIX seconds, in which it may be worked.
    boat, limits
        Trolling speed, and the current above which it is not trolled against.
    flow
        The current, known along the line in that time.

    Returns
    -------
    tuple of Shift
        At least one.
    """
    seen = _seen(line, window, boat.troll_speed_mps, flow)
    bound = loop_below_mps(boat, limits)
    weak = (seen.strongest < bound) & (work.pattern != "one-way")
    lap_s = 2.0 * line.length / boat.troll_speed_mps
    found = []
    for first, last in _runs_of(weak):
        # between a look at weak and one at strong current it counts as strong
        since = window[0] if first == 0 else float(seen.time_s[first if weak[first] else first - 1])
        until = window[1] if last == len(weak) - 1 else float(seen.time_s[last if weak[first] else last + 1])
        # a slack too short for a lap is worked as the times around it are
        loop = bool(weak[first]) and (until - since >= lap_s or len(weak) == last - first + 1)
        found.append(_shift(seen, slice(first, last + 1), work.pattern if loop else "one-way", since, until))
    return _joined(found, seen, window)


def loop_below_mps(boat: Boat, limits: Limits) -> float:
    """Return the current below which a loop is worked: the skipper's own, or less where it would stand still."""
    return min(limits.strong_current_mps, boat.troll_speed_mps - LEAST_OVER_GROUND_MPS) - _MARGIN_MPS


def minutes_per_hour(
    along_mps: float, across_mps: float, length_m: float, radius_m: float, boat: Boat
) -> tuple[float | None, float | None]:
    """Return the minutes on the line in an hour of a loop, and of one-way passes with the current.

    Parameters
    ----------
    along_mps, across_mps
        The current along the line and across it.
    length_m, radius_m
        The length of a pass and the turning radius R.
    boat
        Its speeds.

    Returns
    -------
    tuple of float or None
        None where the way against the current makes less than half a knot. Turns take 7π/3 radii through the water,
        the run back is straight; bringing gear up and setting it again is not counted.

    Examples
    --------
    >>> from spotmap.model import Boat
    >>> loop, one_way = minutes_per_hour(0.0, 0.0, 1500.0, 50.0, Boat(1.5, 9.0, 12.0, 1.0, None, None))
    >>> round(loop, 1), round(one_way, 1)
    (48.2, 51.4)
    """
    held = boat.troll_speed_mps**2 - across_mps**2
    if held <= 0.0:
        return None, None
    down, up = float(np.sqrt(held)) + abs(along_mps), float(np.sqrt(held)) - abs(along_mps)
    back = float(np.sqrt(max(boat.run_speed_mps**2 - across_mps**2, 0.0))) - abs(along_mps)
    one_way = 60.0 * (1.0 / down) / (1.0 / down + 1.0 / back) if back > 0.0 else None
    if up < LEAST_OVER_GROUND_MPS:
        return None, one_way
    on_line_s = length_m / down + length_m / up
    return 60.0 * on_line_s / (on_line_s + 2.0 * _TURN_RADII * radius_m / boat.troll_speed_mps), one_way


def _seen(line: LineString, window: tuple[float, float], speed_mps: float, flow: Flow) -> _Seen:
    xy = evenly_spaced(shapely.get_coordinates(line), line.length / _PLACES)
    time_s = _moments(*window)
    current = _flow_on(xy, time_s, flow)
    ahead = np.gradient(xy, axis=0)
    ahead /= np.maximum(np.hypot(ahead[:, 0], ahead[:, 1]), 1e-9)[:, None]
    shape = current.shape[:2]
    every = np.broadcast_to(ahead, current.shape).reshape(-1, 2)
    flat = current.reshape(-1, 2)
    strongest = _speed(current).max(axis=1)
    sideways = np.abs(across(every, flat)).reshape(shape) / speed_mps
    return _Seen(
        time_s=time_s,
        flow=current,
        along=(current * ahead).sum(axis=2),
        bend_forward=_widest(every, speed_mps, flat).reshape(shape),
        bend_back=_widest(-every, speed_mps, flat).reshape(shape),
        any_bend=(1.0 + strongest / speed_mps) ** 2,
        aside=sideways,
        strongest=strongest,
    )


def _widest(ahead: FloatArray, speed_mps: float, current_mps: FloatArray) -> FloatArray:
    """Return the greatest bend factor of courses near that of the line: a track winds about it."""
    found = np.ones(len(ahead))
    for turned in (-_WINDS_RAD, 0.0, _WINDS_RAD):
        (cos, sin), (x, y) = (np.cos(turned), np.sin(turned)), ahead.T
        course = np.column_stack([cos * x - sin * y, sin * x + cos * y])
        found = np.maximum(found, bend_factor(course, speed_mps, current_mps))
    return found


def _shift(seen: _Seen, part: slice, pattern: PatternName, since_s: float, until_s: float) -> Shift:
    # the next sample too: the current between two is not above both
    wide = slice(max(part.start - 1, 0), part.stop + 1)
    along = seen.along[wide]
    forward, back = seen.bend_forward[wide], seen.bend_back[wide]
    out_forward: bool | None = None
    if pattern == "one-way":
        # only ever run with the current, or near slack
        bend = max(
            float(forward[along > -NEAR_SLACK_MPS].max(initial=1.0)),
            float(back[along < NEAR_SLACK_MPS].max(initial=1.0)),
        )
        bends = (bend, bend)
    else:
        bends = (float(forward.max()), float(back.max()))
        if (along > NEAR_SLACK_MPS).any() != (along < -NEAR_SLACK_MPS).any():
            out_forward = bool((along > NEAR_SLACK_MPS).any())
        else:
            bends = (max(bends), max(bends))
    if pattern == "weave":
        # its crossings run on any course
        bends = (max(*bends, seen.any_bend[wide].max()),) * 2
    middle = (part.start + part.stop - 1) // 2
    # in steps, so that times with nearly the same current are worked on the same tracks
    margin = [bend if bend == 1.0 else np.ceil(bend * _BEND_MARGIN / _BEND_STEP) * _BEND_STEP for bend in bends]
    return Shift(
        since_s=since_s,
        until_s=until_s,
        pattern=pattern,
        bend_forward=margin[0],
        bend_back=margin[1],
        out_forward=out_forward,
        aside=min(float(seen.aside[wide].max()), 1.0),
        flow_mps=seen.flow[middle, seen.flow.shape[1] // 2],
        strongest_mps=float(seen.strongest[part].max()),
    )


def _joined(found: Sequence[Shift], seen: _Seen, window: tuple[float, float]) -> tuple[Shift, ...]:
    """Return shifts with neighbours of one pattern joined."""
    edges = [found[0].since_s]
    edges += [after.since_s for before, after in pairwise(found) if before.pattern != after.pattern]
    joined = []
    for since, until in pairwise([*edges, window[1]]):
        pattern = next(one.pattern for one in found if one.since_s == since)
        inside = np.flatnonzero((seen.time_s >= since) & (seen.time_s <= until))
        joined.append(_shift(seen, slice(int(inside[0]), int(inside[-1]) + 1), pattern, since, until))
    return tuple(joined)


def _runs_of(flags: npt.NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Return the first and last place of each run of equal flags."""
    change = np.flatnonzero(np.diff(flags.astype(int)))
    firsts, lasts = [0, *(change + 1).tolist()], [*change.tolist(), len(flags) - 1]
    return list(zip(firsts, lasts, strict=True))


def _moments(start_s: float, end_s: float) -> FloatArray:
    return np.linspace(start_s, end_s, max(2, int(np.ceil((end_s - start_s) / _EVERY_S)) + 1))


def _flow_on(xy: FloatArray, time_s: FloatArray, flow: Flow) -> FloatArray:
    places = np.tile(xy, (len(time_s), 1))
    return flow(places, np.repeat(time_s, len(xy))).reshape(len(time_s), len(xy), 2)


def _speed(current: FloatArray) -> FloatArray:
    speed: FloatArray = np.hypot(current[..., 0], current[..., 1])
    return speed
