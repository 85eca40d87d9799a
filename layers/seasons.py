"""When a rule is active: dates, weekdays and hours on the area's own clock."""

from __future__ import annotations

import difflib
import re
from datetime import UTC, date, datetime, time, timedelta
from typing import TYPE_CHECKING

from layers._errors import Finding, InputError
from layers.model import Season

if TYPE_CHECKING:
    from collections.abc import Iterable

_DAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
_DAY_NUMBERS = {name[:length].casefold(): i for i, name in enumerate(_DAYS) for length in (3, len(name))}
_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
_LEAP_YEAR = 2000
_LEAP_DAY = (2, 29)
_ALL_YEAR = ((1, 1), (12, 31))
_DATES = "Write from and until both as MM-DD (each year) or both as YYYY-MM-DD (once)"
_HOURS = "Write hours as HH:MM-HH:MM on the area's clock, such as 06:00-20:00 or 22:00-04:00, or leave it empty."
_CLOCK = r"(\d{1,2}):(\d{2})"
_SPAN = re.compile(rf"{_CLOCK}\s*[-–]\s*{_CLOCK}")


def parse_season(
    from_: object, until: object, days: object, hours: object, where: str, *, opens: bool = False
) -> Season:
    """Return the season that a rule's attributes give.

    Parameters
    ----------
    from_, until
        Both MM-DD (each year; may run over the year's end) or both YYYY-MM-DD (once); inclusive. Dates are
        taken as well as text.
    days
        Weekdays such as ``"Sat,Sun"`` or ``"Mon-Fri"``; None or empty is every day.
    hours
        ``"HH:MM-HH:MM"``, the end not included; an end before its begin runs past midnight; None or empty is
        all day.
    where
        File, layer and feature, for the message.
    opens
        Whether the rule opens water. 02-29 is refused then: in other years it would be a guess.

    Raises
    ------
    InputError
        Whatever is missing, unreadable or contradictory, all at once.

    Examples
    --------
    >>> season = parse_season("07-01", "09-30", "Fri-Sun", "06:00-20:00", "closures.geojson, feature 1")
    >>> season_words(season)
    '1 Jul – 30 Sep each year, Fri–Sun, 06:00–20:00'
    """
    problems: list[Finding] = []
    first = _day(from_, "from", where, problems)
    last = _day(until, "until", where, problems)
    weekdays = _weekdays(_text(days), where, problems)
    span = _hours(_text(hours), where, problems)
    if first is not None and last is not None:
        if isinstance(first, date) is not isinstance(last, date):
            found = f'from "{_text(from_)}" and until "{_text(until)}" are of two forms.'
            problems.append(Finding(where, found, f"{_DATES}."))
        elif isinstance(first, date) and isinstance(last, date) and last < first:
            found = f"until {last} lies before from {first}, so the rule is never active."
            problems.append(Finding(where, found, "Correct one of the dates, or write MM-DD if it is yearly."))
        elif opens and _LEAP_DAY in (first, last):
            found = "from or until is 02-29, a day that most years do not have."
            problems.append(Finding(where, found, "Write 02-28 or 03-01."))
    if problems or first is None or last is None:
        raise InputError(problems)
    return Season(first, last, weekdays, span)


def is_active(season: Season, when: datetime) -> bool:
    """Return whether a rule is active at a moment.

    Parameters
    ----------
    season
        The rule's season.
    when
        A zone-aware moment in the area's own zone: days and hours are those its clock shows, also on the days
        when the clock is changed (an hour that comes twice is judged alike both times). In a year without
        29 February a season from 02-29 begins on 28 February and one until 02-29 ends on 1 March, so that no
        closure is shortened.

    Raises
    ------
    ValueError
        `when` has no zone.
    """
    if when.tzinfo is None:
        raise ValueError("a moment needs its zone")
    clock, today = when.time(), when.date()
    if season.hours is None:
        return _on(season, today)
    begin, end = season.hours
    if begin < end:
        return begin <= clock < end and _on(season, today)
    yesterday = today - timedelta(days=1)
    return (clock >= begin and _on(season, today)) or (clock < end and _on(season, yesterday))


def changes(season: Season, start: datetime, end: datetime) -> tuple[datetime, ...]:
    """Return the moments in (start, end] at which a rule becomes active or ceases to be.

    Parameters
    ----------
    season
        The rule's season.
    start, end
        Zone-aware; `start` in the area's own zone, which the moments returned are in.

    Raises
    ------
    ValueError
        A moment has no zone.
    """
    if start.tzinfo is None or end.tzinfo is None:
        raise ValueError("a moment needs its zone")
    zone = start.tzinfo
    clocks = {time(0), *(season.hours or ())}
    n_days = (end.astimezone(zone).date() - start.date()).days + 2
    days = [start.date() + timedelta(days=i) for i in range(n_days)]
    walls = [datetime.combine(day, clock, zone) for day in days for clock in clocks]
    moments = {wall.replace(fold=fold).astimezone(UTC) for wall in walls for fold in (0, 1)}
    moments |= set(_clock_changes(start, end))
    found: list[datetime] = []
    active = is_active(season, start)
    for moment in sorted(m for m in moments if start.astimezone(UTC) < m <= end.astimezone(UTC)):
        local = moment.astimezone(zone)
        if is_active(season, local) is not active:
            active = not active
            found.append(local)
    return tuple(found)


def season_words(season: Season) -> str:
    """Return a season in words: dates, weekdays and hours; what holds always is left out.

    Examples
    --------
    >>> season_words(Season((1, 1), (12, 31), frozenset(), None))
    'all year'
    >>> season_words(Season(date(2026, 11, 1), date(2027, 2, 28), frozenset({0, 5, 6}), (time(22), time(4))))
    '1 Nov 2026 – 28 Feb 2027, Mon, Sat–Sun, 22:00–04:00 next day'
    """
    if (season.first, season.last) == _ALL_YEAR:
        words = ["all year"]
    elif isinstance(season.first, date):
        words = [" – ".join(_dated(day) for day in dict.fromkeys((season.first, season.last)))]
    else:
        words = [" – ".join(_dated(day) for day in dict.fromkeys((season.first, season.last))) + " each year"]
    if season.weekdays and len(season.weekdays) < len(_DAYS):
        words.append(_day_words(season.weekdays))
    if season.hours:
        begin, end = season.hours
        over = " next day" if time(0) < end < begin else ""
        words.append(f"{begin:%H:%M}–{'24:00' if end == time(0) else f'{end:%H:%M}'}{over}")
    return ", ".join(words)


def _on(season: Season, day: date) -> bool:
    if season.weekdays and day.weekday() not in season.weekdays:
        return False
    if isinstance(season.first, date) or isinstance(season.last, date):
        return bool(season.first <= day <= season.last)  # type: ignore[operator]
    first, last = season.first, season.last
    if not _is_leap(day.year):
        first, last = ((2, 28) if first == _LEAP_DAY else first), ((3, 1) if last == _LEAP_DAY else last)
    here = (day.month, day.day)
    # Compared as written: 02-29 to 02-28 is a whole year, and stays one where the day is moved.
    if season.first <= season.last:
        return first <= here <= last
    return here >= first or here <= last


def _is_leap(year: int) -> bool:
    return (date(year, 3, 1) - timedelta(days=1)).day == _LEAP_DAY[1]


def _clock_changes(start: datetime, end: datetime) -> Iterable[datetime]:
    zone = start.tzinfo
    first, last = start.astimezone(UTC), end.astimezone(UTC)
    while first < last:
        after = min(first + timedelta(days=1), last)
        low, high = first, after
        if low.astimezone(zone).utcoffset() != high.astimezone(zone).utcoffset():
            while high - low > timedelta(microseconds=1):
                middle = low + (high - low) / 2
                same = middle.astimezone(zone).utcoffset() == low.astimezone(zone).utcoffset()
                low, high = (middle, high) if same else (low, middle)
            yield high
        first = after


def _text(value: object) -> str:
    # NaN is how a missing text comes out of a table of mixed values.
    return "" if value is None or value != value else str(value).strip()  # noqa: PLR0124


def _day(value: object, key: str, where: str, problems: list[Finding]) -> date | tuple[int, int] | None:
    if isinstance(value, date):
        return value.date() if isinstance(value, datetime) else value
    text = _text(value)
    yearly = re.fullmatch(r"(\d{2})-(\d{2})", text)
    dated = re.fullmatch(r"(\d{4})-(\d{2})-(\d{2})", text)
    try:
        if dated:
            return date(*map(int, dated.groups()))
        if yearly:
            month, day = map(int, yearly.groups())
            date(_LEAP_YEAR, month, day)
            return month, day
    except ValueError:
        problems.append(Finding(where, f'{key} "{text}" is no day of the calendar.', f"{_DATES}."))
        return None
    found = f'{key} "{text}" is no date.' if text else f"{key} is missing, and a rule without dates cannot be used."
    problems.append(Finding(where, found, f"{_DATES}; for all year write from=01-01 and until=12-31."))
    return None


def _weekdays(text: str, where: str, problems: list[Finding]) -> frozenset[int]:
    chosen: set[int] = set()
    for part in filter(None, re.split(r"[,;\s]+", re.sub(r"\s*[-–]\s*", "-", text))):
        numbers = [_DAY_NUMBERS.get(name.casefold()) for name in part.split("-")]
        if None in numbers or len(numbers) > 2:  # noqa: PLR2004 - one day, or two ends of a range
            wrong = next((n for n in part.split("-") if n.casefold() not in _DAY_NUMBERS), part)
            near = difflib.get_close_matches(wrong.casefold(), _DAY_NUMBERS, n=1, cutoff=0.5)
            hint = f'Did you mean "{_DAYS[_DAY_NUMBERS[near[0]]][:3]}"? ' if near else ""
            remedy = f"{hint}Write Mon, Tue, Wed, Thu, Fri, Sat, Sun with commas between, or leave it empty."
            problems.append(Finding(where, f'days "{text}" has "{wrong}", which is no weekday.', remedy))
            return frozenset()
        first, last = int(numbers[0] or 0), int(numbers[-1] or 0)
        chosen |= {(first + i) % 7 for i in range((last - first) % 7 + 1)}
    return frozenset(chosen)


def _hours(text: str, where: str, problems: list[Finding]) -> tuple[time, time] | None:
    if not text:
        return None
    match = _SPAN.fullmatch(text)
    if match is None:
        problems.append(Finding(where, f'hours "{text}" is no span of hours.', _HOURS))
        return None
    begin_h, begin_min, end_h, end_min = map(int, match.groups())
    to_midnight = (end_h, end_min) == (24, 0)
    try:
        begin, end = time(begin_h, begin_min), time(0) if to_midnight else time(end_h, end_min)
    except ValueError:
        problems.append(Finding(where, f'hours "{text}" has a time that no clock shows.', _HOURS))
        return None
    if begin == end and not to_midnight:
        remedy = "Leave hours empty for all day, or correct one end."
        problems.append(Finding(where, f'hours "{text}" begins and ends at the same time.', remedy))
        return None
    return None if begin == end else (begin, end)


def _dated(day: date | tuple[int, int]) -> str:
    if isinstance(day, date):
        return f"{day.day} {_MONTHS[day.month - 1]} {day.year}"
    return f"{day[1]} {_MONTHS[day[0] - 1]}"


def _day_words(weekdays: frozenset[int]) -> str:
    runs: list[list[int]] = []
    for day in sorted(weekdays):
        if runs and runs[-1][-1] == day - 1:
            runs[-1].append(day)
        else:
            runs.append([day])
    ends = [dict.fromkeys((run[0], run[-1])) for run in runs]
    return ", ".join("–".join(_DAYS[day][:3] for day in run) for run in ends)
