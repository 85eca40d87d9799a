"""The trip file: one page of TOML, read into a `Trip` with every problem told at once."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, datetime, time, timedelta
from pathlib import Path
from typing import Any

from shapely import Point

from layers._errors import Finding, InputError
from layers.model import Area
from layers.positions import looks_like_position, parse_position
from layers.tables import Table, raise_all, read_toml
from layers.units import parse_quantity
from spotmap.clock import later, sun_times
from spotmap.model import Boat, Limits, Trip, Work
from spotmap.rods import Day, read_rods

MOST_RODS = 24
MOST_WORKS = 50
_LEAST_SPEED_MPS = 0.2
_LEAST_LENGTH_M = 0.05
_DEFAULT_CLEARANCE_M = 3.048
_DEFAULT_STANDOFF_M = 50.0
_DEFAULT_SHORE_M = 60.0
_DEFAULT_STRONG_MPS = 1.5 * 1852.0 / 3600.0
_DEFAULT_SPEED_FLOOR = 0.75
_DEFAULT_SEPARATION_M = 6.0 * 0.3048
"""Lines nearer than 6 ft may cross (common practice, no source)."""
_PATTERNS = ("loop", "one-way", "weave")


def area_folder(file: Path) -> Path:
    """Return the area folder that a trip file names.

    Raises
    ------
    InputError
        When the file cannot be read or names no folder.
    """
    name = read_toml(file).get("area")
    if not isinstance(name, str) or not name.strip():
        raise InputError.one(f"{file}, key 'area'", "is missing.", 'Write area = "path/to/folder", from the trip file.')
    return (file.parent / name).resolve()


def read_trip(file: Path, area: Area, *, on: date | None = None, start: time | None = None) -> Trip:
    """Return the trip of a file, its places found in the area.

    Parameters
    ----------
    file
        The trip file.
    area
        The area that it names.
    on, start
        Another day, another clock time to start at, than the file's: first light and ladders follow.

    Returns
    -------
    Trip
        In SI, local metres and the area's time zone.

    Raises
    ------
    InputError
        With every problem of the file: keys missing or misspelt, quantities without units, places unknown.
    """
    findings: list[Finding] = []
    top = Table(read_toml(file), file.name, findings)
    top.text("area")
    day = top.day("date")
    if day is None:
        if not top.has("date"):
            top.problem("date", "is missing.", "Write it as date = 2026-08-14, without quotes.")
        day = date(2000, 1, 1)
    day = on or day
    place = _place_reader(area)
    home, home_name = top.reading("home", place, (Point(), ""))
    if not top.has("home"):
        top.problem("home", "is missing.", "Give the name of a mark or a position.")
    starts = _start(top, day, area, start)
    hours = top.number("hours", low=0.05, high=240.0)
    day_clock = Day(starts, later(starts, timedelta(hours=hours)), _first_light(area, home, day))
    trip = Trip(
        file=file,
        area_folder=area.folder,
        date=day,
        start=starts,
        hours=hours,
        home=home,
        home_name=home_name,
        species=top.text("species"),
        method=top.text("method", "troll"),
        boat=_boat(top.table("boat", required=True)),
        limits=_limits(top.table("limits")),
        rods=tuple(rod for one in top.tables("rod") for rod in read_rods(one, day_clock)),
        works=tuple(_work(one, place) for one in top.tables("work")),
    )
    for key, many, most in (("rod", trip.rods, MOST_RODS), ("work", trip.works, MOST_WORKS)):
        if not 1 <= len(many) <= most:
            top.problem(key, f"there are {len(many)}; 1 to {most} are allowed.", f"Write each as [[{key}]].")
    names = [rod.name for rod in trip.rods]
    for name in sorted({name for name in names if names.count(name) > 1}):
        top.problem("rod", f"two rods are named '{name}'.", "Give each rod a name of its own.")
    top.done()
    raise_all(findings)
    return trip


def _start(top: Table, day: date, area: Area, instead: time | None) -> datetime:
    def clock(value: Any, where: str) -> time:
        if isinstance(value, time):
            return value
        try:
            return datetime.strptime(str(value), "%H:%M").time()  # noqa: DTZ007  the zone is the area's, put on below
        except ValueError:
            raise InputError.one(where, f"{value!r} is not a clock time.", 'Write it as start = "05:30".') from None

    if not top.has("start"):
        top.problem("start", "is missing.", 'Write it as start = "05:30", in the area\'s own time.')
    own = top.reading("start", clock, time(0))
    moment = datetime.combine(day, own if instead is None else instead, area.timezone)
    if moment.astimezone(area.timezone).utcoffset() != moment.replace(fold=1).utcoffset():
        top.problem(
            "start",
            f"{moment:%H:%M} on {day} falls into a clock change and can mean two times.",
            "Start an hour earlier or later.",
        )
    return moment


def _first_light(area: Area, home: Point, day: date) -> datetime | None:
    if home.is_empty:
        return None
    lon, lat = area.projection.to_geographic(home.x, home.y)
    return sun_times(float(lon), float(lat), day, area.timezone).dawn


def _place_reader(area: Area) -> Callable[[Any, str], tuple[Point, str]]:
    """Return a reader of places: a mark's name or a position in any form."""

    def read(value: Any, where: str) -> tuple[Point, str]:
        if not isinstance(value, str) or not value.strip():
            raise InputError.one(
                where, f"{value!r} is not a place.", "Give the name of a mark or a position in quotes."
            )
        named = [mark for mark in area.marks if mark.name.casefold() == value.strip().casefold()]
        if len(named) > 1:
            raise InputError.one(where, f"there are {len(named)} marks named '{value}'.", "Give the position instead.")
        if named:
            return named[0].point, named[0].name
        if not looks_like_position(value):
            known = ", ".join(sorted({mark.name for mark in area.marks})) or "none"
            raise InputError.one(
                where, f"there is no mark named '{value}'.", f"Known marks: {known}; or give a position."
            )
        lon, lat = parse_position(value, where)
        x, y = area.projection.to_local([lon], [lat])
        return Point(float(x[0]), float(y[0])), value.strip()

    return read


def _boat(table: Table) -> Boat:
    def flow(key: str) -> float | None:
        return table.reading(key, lambda value, where: parse_quantity(value, "flow", where, minimum=0.0), None)

    boat = Boat(
        troll_speed_mps=table.quantity("troll_speed", "speed", minimum=_LEAST_SPEED_MPS),
        run_speed_mps=table.quantity("run_speed", "speed", minimum=_LEAST_SPEED_MPS),
        turn_radius_m=table.quantity("turn_radius", "length", minimum=_LEAST_LENGTH_M),
        draft_m=table.quantity("draft", "length", minimum=0.0),
        fuel_troll_lph=flow("fuel_troll"),
        fuel_run_lph=flow("fuel_run"),
    )
    table.done()
    return boat


def _limits(table: Table) -> Limits:
    limits = Limits(
        lure_speed_floor=table.number("lure_speed_floor", _DEFAULT_SPEED_FLOOR, low=0.0, high=0.99),
        bottom_clearance_m=table.quantity("bottom_clearance", "length", _DEFAULT_CLEARANCE_M, minimum=0.0),
        closure_standoff_m=table.quantity("closure_standoff", "length", _DEFAULT_STANDOFF_M, minimum=0.0),
        shore_standoff_m=table.quantity("shore_standoff", "length", _DEFAULT_SHORE_M, minimum=0.0),
        strong_current_mps=table.quantity("strong_current", "speed", _DEFAULT_STRONG_MPS, minimum=0.0),
        line_separation_m=table.quantity("line_separation", "length", _DEFAULT_SEPARATION_M, minimum=0.0),
    )
    table.done()
    return limits


def _work(table: Table, place: Callable[[Any, str], tuple[Point, str]]) -> Work:
    pattern = table.text("pattern", choices=(*_PATTERNS, "edge"))
    if pattern == "edge":
        table.problem("pattern", "'edge' is not built yet.", f"Write one of: {', '.join(_PATTERNS)}.")
    near, near_name = table.reading("near", place, (Point(), ""))
    if not table.has("near"):
        table.problem("near", "is missing.", "Give the name of a mark or a position.")
    line_m = table.quantity("depth_line", "length", minimum=_LEAST_LENGTH_M)
    back_m = table.quantity("return_line", "length", minimum=_LEAST_LENGTH_M) if table.has("return_line") else None
    if pattern == "weave" and back_m in (None, line_m):
        table.problem("return_line", "a weave goes between two depth lines.", "Give a second line of another depth.")
    if pattern == "one-way" and back_m is not None:
        table.problem("return_line", "a one-way pass returns with gear up.", "Leave the key out, or make it a loop.")
    minutes, passes = table.has("minutes"), table.has("passes")
    if minutes == passes:
        table.problem("minutes", "either minutes or passes is needed.", "Write one, as minutes = 90.")
    work = Work(
        pattern={"one-way": "one-way", "weave": "weave"}.get(pattern, "loop"),  # type: ignore[arg-type]
        depth_line_m=line_m,
        return_line_m=None if back_m == line_m else back_m,
        near=near,
        near_name=near_name,
        length_m=table.quantity("length", "length", minimum=1.0),
        duration=timedelta(minutes=table.number("minutes", low=1.0, high=14_400.0)) if minutes else None,
        passes=table.whole("passes", low=1, high=500) if passes else None,
    )
    table.done()
    return work
