"""What is said of one moment of a trip: the clock, the tide, the current and the depth of water."""

from __future__ import annotations

import math
import unicodedata
from typing import TYPE_CHECKING

from layers.units import format_quantity, to_unit

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from datetime import datetime

_STANDING_MPS = 0.0254 / 3600.0
"""An inch an hour."""


def short_time(when: datetime, trip_start: datetime) -> str:
    """Return a time as hours and minutes, with "+1 d" and so on when it is not on the day of `trip_start`.

    Both must already be in the clock that is to be shown.
    """
    days = (when.date() - trip_start.date()).days
    return f"{when:%H:%M}" + (f" ({days:+d} d)" if days else "")


def clock_words(moments: Sequence[datetime]) -> Iterator[str]:
    """Yield moments as `short_time` says them, counted from the first.

    Where the clock changes between them each also tells how far it is from UTC, or an hour would be told twice.

    Examples
    --------
    >>> from datetime import UTC, datetime, timedelta
    >>> from zoneinfo import ZoneInfo
    >>> hours = [datetime(2026, 10, 25, hour, 30, tzinfo=UTC).astimezone(ZoneInfo("CET")) for hour in (0, 1)]
    >>> list(clock_words(hours))
    ['02:30 UTC+2', '02:30 UTC+1']

    """
    changes = len({moment.utcoffset() for moment in moments}) > 1
    for moment in moments:
        yield short_time(moment, moments[0]) + (f" {offset_words(moment)}" if changes else "")


def offset_words(moment: datetime) -> str:
    """Return how far a moment's clock is from UTC: "UTC-10", "UTC+5:45"."""
    hours, minutes = f"{moment:%z}"[:3], f"{moment:%z}"[3:5]
    return f"UTC{hours[0]}{int(hours[1:])}" + (f":{minutes}" if minutes != "00" else "")


def wide_words(words: str) -> int:
    """Return how many of a text's characters are as wide as they are high."""
    return sum(unicodedata.east_asian_width(character) in "WF" for character in words)


def tide_words(height_m: float, rising_mps: float, unit: str) -> str:
    """Return the height of the tide and its trend; within an inch an hour of standing it is turning.

    Examples
    --------
    >>> tide_words(1.9, 1e-4, "ft"), tide_words(1.9, -1e-6, "m"), tide_words(math.nan, math.nan, "m")
    ('6.2 ft, rising', '1.9 m, turning', 'unknown')

    """
    if math.isnan(height_m):
        return "unknown"
    trend = "turning" if abs(rising_mps) < _STANDING_MPS else "rising" if rising_mps > 0 else "falling"
    return format_quantity(height_m, unit, 1) + ("" if math.isnan(rising_mps) else f", {trend}")


def set_words(set_deg: float, drift_mps: float, unit: str) -> str:
    """Return which way the water goes and how fast.

    Examples
    --------
    >>> set_words(74.6, 0.62, "kn"), set_words(10.0, 0.01, "kn"), set_words(math.nan, math.nan, "kn")
    ('075° at 1.2 kn', 'slack', 'unknown')

    """
    if math.isnan(drift_mps):
        return "unknown"
    drift = format_quantity(drift_mps, unit, 1)
    return f"{round(set_deg) % 360:03d}° at {drift}" if float(drift.split()[0]) else "slack"


def depth_words(charted_m: float, tide_m: float, unit: str, *, has_tide: bool) -> str:
    """Return the depth of water: with the tide on it where that is known, else as charted.

    Examples
    --------
    >>> depth_words(30.0, 1.5, "m", has_tide=True), depth_words(30.0, math.nan, "m", has_tide=True)
    ('31 m with tide', '30 m charted, tide unknown')

    """
    if math.isnan(charted_m):
        return "unknown"
    if not has_tide:
        return f"{_floored(charted_m, unit)} charted"
    if math.isnan(tide_m):
        return f"{_floored(charted_m, unit)} charted, tide unknown"
    return f"{_floored(charted_m + tide_m, unit)} with tide"


def _floored(depth_m: float, unit: str) -> str:
    return f"{math.floor(to_unit(depth_m, unit))} {unit}"
