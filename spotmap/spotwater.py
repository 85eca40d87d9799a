"""Tide and current at places through a time: hour by hour, and when the water stands."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from math import nan

import numpy as np

from layers.model import Area, FloatArray
from spotmap.moving import NEAR_SLACK_MPS
from spotmap.water import Span

_EVERY_S = 60.0
_MOST_LOOKS = 1440
_STILL_MPS = 1e-9
_HOUR_S = 3600.0


@dataclass(frozen=True)
class Hour:
    """The tide over the datum and the current at a moment: `set_deg` true, towards. NaN where unknown."""

    moment: datetime
    tide_m: float
    rising_mps: float
    set_deg: float
    drift_mps: float


@dataclass(frozen=True)
class Slack:
    """A moment, to the minute, at which the current is least and near slack."""

    moment: datetime
    drift_mps: float


def moving_at(
    area: Area, span: Span, x: FloatArray, y: FloatArray
) -> Iterator[tuple[tuple[Hour, ...], tuple[Slack, ...], float]]:
    """Yield, for each place, tide and current each hour of a span, the slacks in it, and the strongest current.

    Parameters
    ----------
    area
        The area; what it has no layer for is NaN.
    span
        The time; hours count from its start.
    x, y
        Places, (n,) local metres.

    Yields
    ------
    hours, slacks, strongest_mps
        The strongest is NaN unless the current is known all through the span.
    """
    start_s, end_s = span.start.timestamp(), span.end.timestamp()
    hour_s = np.arange(start_s, end_s + 0.5, _HOUR_S)
    moments = [datetime.fromtimestamp(one, UTC).astimezone(area.timezone) for one in hour_s.tolist()]
    tide, rising = _tide(area, x, y, hour_s)
    every_s = max(_EVERY_S, (end_s - start_s) / _MOST_LOOKS)
    # one look before and one after, or a slack at either end would not be seen as the least
    look_s = np.arange(start_s - every_s, end_s + 1.5 * every_s, every_s)
    flow = np.full((len(x), len(hour_s), 2), nan)
    speed = np.full((len(x), len(look_s)), nan)
    if area.current is not None:
        flow = area.current.flow_at(x[:, None], y[:, None], hour_s[None, :])
        looked = area.current.flow_at(x[:, None], y[:, None], look_s[None, :])
        speed = np.hypot(looked[..., 0], looked[..., 1])
    wide_x, wide_y = np.broadcast_arrays(x[:, None], flow[..., 0])[0], np.broadcast_arrays(y[:, None], flow[..., 0])[0]
    set_deg = true_deg(area, wide_x, wide_y, np.arctan2(flow[..., 1], flow[..., 0]))
    drift = np.hypot(flow[..., 0], flow[..., 1])
    during = (look_s >= start_s - 0.5) & (look_s <= end_s + 0.5)
    for at in range(len(x)):
        rows = zip(
            moments, tide[at].tolist(), rising[at].tolist(), set_deg[at].tolist(), drift[at].tolist(), strict=True
        )
        slacks = tuple(
            Slack(datetime.fromtimestamp(float(look_s[one]), UTC).astimezone(area.timezone), float(speed[at, one]))
            for one in _least(speed[at])
            if during[one]
        )
        yield tuple(Hour(*row) for row in rows), slacks, float(speed[at, during].max())


def true_deg(area: Area, x: FloatArray, y: FloatArray, angle_rad: FloatArray) -> FloatArray:
    """Return local mathematical angles at places as true directions in degrees, arrays of one shape; NaN stays NaN."""
    course = area.projection.true_course_deg(x, y, np.nan_to_num(angle_rad))
    told: FloatArray = np.where(np.isnan(angle_rad), nan, course % 360.0)
    return told


def _tide(area: Area, x: FloatArray, y: FloatArray, time_s: FloatArray) -> tuple[FloatArray, FloatArray]:
    if area.tide is None:
        unknown = np.full((len(x), len(time_s)), nan)
        return unknown, unknown
    before_m, height_m, after_m = (
        area.tide.height_at(x[:, None], y[:, None], time_s[None, :] + by) for by in (-30.0, 0.0, 30.0)
    )
    return height_m, (after_m - before_m) / 60.0


def _least(speed: FloatArray) -> Iterator[int]:
    """Yield where speed is least and near slack: the middle of it where it stays so."""
    starts = np.flatnonzero(np.append(True, ~(np.abs(np.diff(speed)) <= _STILL_MPS)))
    level = speed[starts]
    least = (level[1:-1] < level[:-2]) & (level[1:-1] < level[2:]) & (level[1:-1] < NEAR_SLACK_MPS)
    for one in (np.flatnonzero(least) + 1).tolist():
        yield int(starts[one] + starts[one + 1] - 1) // 2
