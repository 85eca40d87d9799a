"""An area in words: what is loaded, from when, what is open on a day, what is in doubt."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, date, datetime, time, timedelta

import numpy as np

from layers.area import age_warnings
from layers.model import Area, FloatArray, Rule
from layers.seasons import changes, is_active, season_words
from layers.units import format_quantity
from spotmap.clock import later

_STEP_S = 60.0
_SLACK_MPS = 0.05


def area_words(area: Area, day: date, species: str, method: str) -> Iterator[str]:
    """Return an area in lines of text.

    Parameters
    ----------
    area
        The area.
    day
        The day that rules and ages are asked about.
    species, method
        What is fished for and how.

    Returns
    -------
    iterator of str
        Name and datum, layers with their dates, the day's tide and currents at their stations, rules with whether
        they are in force on the day, marks, doubts.
    """
    west, south, east, north = area.depth.bounds
    size = " by ".join(format_quantity(side, area.show.distance) for side in (east - west, north - south))
    yield f"{area.name}{' (INVENTED)' if area.invented else ''}: {size}, {area.timezone.key}, datum {area.depth_datum}"
    yield ""
    yield "Layers"
    for source in area.sources:
        when = "undated" if source.as_of is None else f"as of {source.as_of}"
        yield f"  {source.role:8} {source.file}: {when}; {source.source}"
    yield f"  {len(area.hazards)} hazards, {len(area.lanes)} lanes, {len(area.marks)} marks"
    yield from _water_words(area, day)
    yield ""
    yield f"Rules on {day} for {species}, {method}"
    if not area.has_grounds:
        yield "  no ground layer: water counts as open unless a closure is drawn"
    for rule in (*area.grounds, *area.closures):
        yield f"  {_rule_words(rule, area, day, species, method)}"
    doubts = [str(finding) for finding in (*area.warnings, *age_warnings(area, day))]
    yield ""
    yield "In doubt" if doubts else "Nothing found in doubt."
    for doubt in doubts:
        yield f"  {doubt}"


def _water_words(area: Area, day: date) -> Iterator[str]:
    """Yield the day's high and low waters, and the greatest currents between slacks, at each station."""
    begin = datetime.combine(day, time(0), area.timezone)
    end = datetime.combine(day + timedelta(days=1), time(0), area.timezone)
    time_s = np.arange(begin.timestamp(), end.timestamp() + _STEP_S / 2.0, _STEP_S)

    def at(index: int) -> str:
        return f"{datetime.fromtimestamp(time_s[index], UTC).astimezone(area.timezone):%H:%M}"

    if area.tide is not None:
        yield ""
        yield f"Tide on {day}, over {area.depth_datum}"
        for station in area.tide.stations:
            height = area.tide.height_at(np.array(station.point.x), np.array(station.point.y), time_s)
            told = [f"{at(i)} {format_quantity(float(height[i]), area.show.depth, 1)}" for i in _turns(height)]
            yield f"  {station.name}: {', '.join(told) or 'not told on this day'}"
    if area.current is not None and area.current.stations:
        yield ""
        yield f"Current on {day}, greatest and least"
        for station in area.current.stations:
            x, y = station.point.x, station.point.y
            flow = area.current.flow_at(np.array(x), np.array(y), time_s)
            drift = np.hypot(flow[:, 0], flow[:, 1])
            course = area.projection.true_course_deg(x, y, np.arctan2(flow[:, 1], flow[:, 0])) % 360.0
            told = [
                f"{at(i)} {format_quantity(float(drift[i]), area.show.speed, 1)}"
                + (f" setting {course[i]:03.0f}°" if drift[i] > _SLACK_MPS else "")
                for i in _turns(drift)
            ]
            yield f"  {station.name}: {', '.join(told) or 'not told on this day'}"


def _turns(values: FloatArray) -> list[int]:
    """Return the places at which a series stops rising or falling."""
    moving = np.flatnonzero(np.abs(np.diff(values)) > 0.0)
    steps = np.sign(np.diff(values))[moving]
    found: list[int] = moving[np.flatnonzero(np.diff(steps)) + 1].tolist()
    return found


def _rule_words(rule: Rule, area: Area, day: date, species: str, method: str) -> str:
    what = "ground" if rule.role == "ground" else f"closure ({rule.forbids})"
    told = f"{what} '{rule.name}': "
    if rule.forbids != "entry" and not rule.concerns(species, method):
        return told + f"does not concern {species}, {method}"
    begin = datetime.combine(day, time(0), area.timezone)
    active = is_active(rule.season, begin)
    state = ("open" if active else "not open") if rule.role == "ground" else ("in force" if active else "not in force")
    words = [f"{state} at 00:00"]
    for moment in changes(rule.season, begin, later(begin, timedelta(days=1, seconds=-1))):
        active = not active
        words.append(f"{'from' if active else 'until'} {moment:%H:%M}")
    reference = f"; {rule.reference}" if rule.reference else ""
    return f"{told}{', '.join(words)} ({season_words(rule.season)}{reference})"
