"""The trip minute by minute: where the boat is, the tide, the current, the light, and the gear over the bottom."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta

import numpy as np
import numpy.typing as npt

from layers.model import Area
from spotmap.clock import light_at
from spotmap.gear import deepest_gear_m, steps_in
from spotmap.model import PARTLY_OPEN, ClosedWater, DayTable, FloatArray, TimedLeg, TurningRadius
from spotmap.polyline import along_m

_MINUTE_S = 60.0
_SAME_MPS = 0.01


def leg_clock(timed: TimedLeg) -> FloatArray:
    """Return the time of each vertex of a leg from its start, seconds, (n,).

    In still water the boat goes at one speed.
    """
    if timed.leg.clock_s is not None:
        return timed.leg.clock_s
    along = along_m(timed.leg.xy)
    took_s = (timed.end.astimezone(UTC) - timed.start.astimezone(UTC)).total_seconds()
    clock: FloatArray = along * (took_s / along[-1])
    return clock


def current_known(area: Area, timed: TimedLeg) -> bool:
    """Return whether the current is known all along a leg, and is what the leg counts on."""
    if area.current is None:
        return False
    time_s = timed.start.timestamp() + leg_clock(timed)
    x, y = timed.leg.xy.T
    counted = 0.0 if timed.leg.current_mps is None else timed.leg.current_mps
    return bool((np.abs(area.current.flow_at(x, y, time_s) - counted) < _SAME_MPS).all())


def day_table(area: Area, radius: TurningRadius, legs: Sequence[TimedLeg], closed: Sequence[ClosedWater]) -> DayTable:
    """Return the trip minute by minute, from the first leg's start to the last one's end.

    Parameters
    ----------
    area, radius
        The area, and the rig through the trip.
    legs
        The legs in time.
    closed
        The water closed at some time of the trip, for the moments at which it changes.

    Returns
    -------
    DayTable
        What is not known is NaN. The current at the work is that in the middle of the pass that is run or comes next,
        or came last.
    """
    first_s, last_s = legs[0].start.timestamp(), legs[-1].end.timestamp()
    time_s = np.append(np.arange(first_s, last_s, _MINUTE_S), last_s)
    start_s = np.array([timed.start.timestamp() for timed in legs])
    at = np.clip(np.searchsorted(start_s, time_s, side="right") - 1, 0, len(legs) - 1)
    xy = _places(legs, at, time_s)
    moments = tuple(datetime.fromtimestamp(one, UTC).astimezone(area.timezone) for one in time_s.tolist())
    unknown = np.full(len(time_s), np.nan)
    tide, rising = unknown, unknown
    if area.tide is not None:
        tide = area.tide.height_at(xy[:, 0], xy[:, 1], time_s)
        ends = (area.tide.height_at(xy[:, 0], xy[:, 1], time_s + by) for by in (-0.5 * _MINUTE_S, 0.5 * _MINUTE_S))
        before, after = ends
        rising = (after - before) / _MINUTE_S
    flow = work_flow = np.full((len(time_s), 2), np.nan)
    if area.current is not None:
        flow = area.current.flow_at(xy[:, 0], xy[:, 1], time_s)
        middle = _work_places(legs, at)
        work_flow = area.current.flow_at(middle[:, 0], middle[:, 1], time_s)
    return DayTable(
        moments=moments,
        seq=np.array([timed.seq for timed in legs])[at],
        xy=xy,
        tide_m=tide,
        rising_mps=rising,
        flow_mps=flow,
        work_flow_mps=work_flow,
        charted_m=area.depth.depth_at(xy[:, 0], xy[:, 1]),
        gear_m=_gear(radius, legs, at, moments),
        light=light_at(*area.projection.to_geographic(xy[:, 0], xy[:, 1]), moments),
        events=tuple(_events(closed, moments[0], moments[-1])),
    )


def _places(legs: Sequence[TimedLeg], at: npt.NDArray[np.intp], time_s: FloatArray) -> FloatArray:
    xy = np.empty((len(time_s), 2))
    for index in np.unique(at):
        here = at == index
        clock = leg_clock(legs[index]) + legs[index].start.timestamp()
        for axis in (0, 1):
            xy[here, axis] = np.interp(time_s[here], clock, legs[index].leg.xy[:, axis])
    return xy


def _work_places(legs: Sequence[TimedLeg], at: npt.NDArray[np.intp]) -> FloatArray:
    """Return the middle of the pass that each moment belongs to: the one run, the next, or the last."""
    passes = np.array([index for index, timed in enumerate(legs) if timed.leg.kind == "pass"])
    following = np.minimum(np.searchsorted(passes, at), len(passes) - 1)
    middles = np.array([legs[index].leg.xy[len(legs[index].leg.xy) // 2] for index in passes])
    return middles[following]


def _gear(
    radius: TurningRadius, legs: Sequence[TimedLeg], at: npt.NDArray[np.intp], moments: Sequence[datetime]
) -> FloatArray:
    down = [legs[index].leg.kind != "run" for index in at]
    return np.array(
        [
            deepest_gear_m(steps_in(radius, moment, moment + timedelta(seconds=1)), slowed=False) if fishing else np.nan
            for moment, fishing in zip(moments, down, strict=True)
        ]
    )


def _events(closed: Sequence[ClosedWater], begin: datetime, end: datetime) -> list[tuple[datetime, str]]:
    found = []
    for water in closed:
        shut = water.in_force_at_start
        for change in water.changes:
            shut = not shut
            if begin.timestamp() <= change.timestamp() <= end.timestamp():
                name = water.name.removesuffix(PARTLY_OPEN)
                found.append((change, f"'{name}' {'closes' if shut else 'opens'}"))
    return sorted(found, key=lambda event: (event[0].timestamp(), event[1]))
