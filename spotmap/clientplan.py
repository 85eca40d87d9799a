"""The plan as a client may hold it: no private mark, no track, no exact place; everything else as it is.

Every client's page and chart is made from this plan alone, so what is not in it cannot be on paper. Its rule:

- Each piece of work is one leg, its track the rim of a square. The squares belong to one fixed grid, 2 NM wide, the
  same on every day, and are doubled (4, 8 … NM, each four of the size before) until all of the track with gear down
  lies in one, and until the open water in it does not fit into a circle of 1 NM. A track that would show in two
  squares, and so that it lies between them, shows in the larger one.
- Work begins and ends at quarter hours; depth lines, courses, lengths and speeds are not told, runs are left out.
- The place that work is near is named only where it is a public mark with no private mark within 1 NM of it.
- Texts from data lose the names of private marks, whatever thing they are told about.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable, Sequence
from dataclasses import fields, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
import shapely
from shapely import Point, Polygon

from layers.area import age_warnings
from layers.model import Area, Caution, FloatArray, Hazard, Lane, Mark, Rule, Source
from spotmap.clock import elapsed
from spotmap.model import ClosedWater, DayTable, Leg, Plan, Sweep, TimedLeg, Totals, Trip, Work

NEAR_M = 1852.0
"""No place is told better than this."""
WORKING_AREA = "working area"
"""The label of a leg that stands for a whole piece of work begins with this."""
_SIDE_M = 2.0 * NEAR_M
_LARGEST_M = 1024.0 * _SIDE_M
_CORNER_M = -333.0 * NEAR_M
"""The grid's corner, east and north of the projection's centre: a middle on an edge would show in no square."""
_QUARTER_S = 900.0
_LEFT_OUT = "…"
_FIXED = ("role", "forbids", "avoid")
"""Words of our own, which no name of a mark may touch."""

_Record = TypeVar("_Record", Rule, Hazard, Lane, Caution, Mark, Source, ClosedWater)


def client_plan(plan: Plan) -> Plan:
    """Return a plan without anything that tells a private mark or an exact place.

    Parameters
    ----------
    plan
        A checked plan.

    Returns
    -------
    Plan
        One leg for each piece of work, in working order, labelled "working area A" (the same letter for the same
        square), its track the square's rim and its note the place's name, or empty. `trip.start` is when the boat
        leaves home, to the minute, `trip.latest_end` when it is back, to the next quarter hour. The day holds the tide
        at home and nothing else. Works, swept tracks, tide and current layers and the forms of the bottom are empty.
    """
    clean = cleaner(plan.area)
    trip = _client_trip(plan, clean)
    told = [str(one) for one in age_warnings(plan.area, plan.trip.date)]
    return replace(
        plan,
        area=_client_area(plan.area, clean),
        trip=trip,
        legs=_working_areas(plan, clean),
        works=(),
        closed=tuple(_said(one, clean) for one in plan.closed),
        swept=Sweep((), (), (), (), np.inf),
        day=_tide_at_home(plan),
        totals=Totals(timedelta(), timedelta(), timedelta(), np.nan, None),
        warnings=tuple(map(clean, told)),
        cautions=tuple(map(clean, plan.cautions)),
    )


def private_marks(area: Area) -> tuple[Mark, ...]:
    """Return the marks that no client may learn of."""
    return tuple(mark for mark in area.marks if mark.private)


def cleaner(area: Area) -> Callable[[str], str]:
    """Return a function that takes the names of an area's private marks out of a text.

    Whole words only, whatever their case: a mark "Gull" does not change "Gulliver".
    """
    pattern = _private_names(area)
    return lambda text: _plain(text) if pattern is None else pattern.sub(_LEFT_OUT, _plain(text))


def private_namer(area: Area) -> Callable[[str], bool]:
    """Return a function that tells whether a text holds the name of a private mark."""
    pattern = _private_names(area)
    return lambda text: pattern is not None and pattern.search(_plain(text)) is not None


def _private_names(area: Area) -> re.Pattern[str] | None:
    names = {_plain(mark.name) for mark in private_marks(area) if mark.name.strip()}
    ways = [r"\s+".join(map(re.escape, name.split())) for name in sorted(names, key=lambda name: (-len(name), name))]
    return re.compile(rf"(?<!\w)(?:{'|'.join(ways)})(?!\w)", re.IGNORECASE) if ways else None


def _plain(text: str) -> str:
    return unicodedata.normalize("NFC", text)


def _said(record: _Record, clean: Callable[[str], str]) -> _Record:
    """Return a record with all its texts cleaned, those of its source too."""
    said: dict[str, Any] = {}
    for key in (one.name for one in fields(record) if one.name not in _FIXED):
        value = getattr(record, key)
        if isinstance(value, str):
            said[key] = clean(value)
        elif isinstance(value, Source):
            said[key] = _told_source(value, clean)
    return replace(record, **said)


def _told_source(source: Source, clean: Callable[[str], str]) -> Source:
    return replace(_said(source, clean), parts=(), origins=(), sha256="")


def _client_area(area: Area, clean: Callable[[str], str]) -> Area:
    return replace(
        area,
        name=clean(area.name),
        folder=Path(),
        closures=tuple(_said(one, clean) for one in area.closures),
        grounds=tuple(_said(one, clean) for one in area.grounds),
        hazards=tuple(_said(one, clean) for one in area.hazards),
        lanes=tuple(_said(one, clean) for one in area.lanes),
        marks=tuple(replace(_said(one, clean), told_by="", identity="") for one in area.marks if not one.private),
        sources=tuple(_told_source(one, clean) for one in area.sources),
        warnings=(),
        tide=None,
        current=None,
        cautions=tuple(_said(one, clean) for one in area.cautions),
        landforms=(),
    )


def _client_trip(plan: Plan, clean: Callable[[str], str]) -> Trip:
    trip = plan.trip
    known = _public_name(plan.area, trip.home_name, trip.home, near_private=True)
    begin = _rounded(plan.legs[0].start, 60.0, np.round)
    end = _rounded(plan.legs[-1].end, _QUARTER_S, np.ceil)
    squares = _squares(plan)
    return replace(
        trip,
        file=Path(),
        area_folder=Path(),
        start=begin,
        hours=elapsed(begin, end).total_seconds() / 3600.0,
        home=trip.home if known else Point(),
        home_name=clean(known),
        species=clean(trip.species),
        method=clean(trip.method),
        works=tuple(_client_work(work, square) for work, square in zip(trip.works, squares, strict=True)),
    )


def _client_work(work: Work, square: Polygon | None) -> Work:
    middle = Point() if square is None else square.centroid
    return replace(work, depth_line_m=np.nan, return_line_m=None, near=middle, near_name="", length_m=np.nan)


def _public_name(area: Area, name: str, place: Point, *, near_private: bool = False) -> str:
    """Return the name of a public mark at a place, or nothing; also if a private one is near, if that is allowed."""
    shown = [mark for mark in area.marks if not mark.private and mark.name == name and mark.point.equals(place)]
    hidden = [] if near_private else [one.point for one in private_marks(area) if one.point.distance(place) <= NEAR_M]
    return name if shown and not hidden else ""


def _working_areas(plan: Plan, clean: Callable[[str], str]) -> tuple[TimedLeg, ...]:
    letters: dict[bytes, str] = {}
    found: list[TimedLeg] = []
    unknown = np.nan
    for index, (work, square) in enumerate(zip(plan.trip.works, _squares(plan), strict=True)):
        if square is None:
            continue
        down = _gear_down(plan, index)
        letter = letters.setdefault(square.wkb, _letter(len(letters)))
        leg = Leg(
            "pass",
            np.asarray(square.exterior.coords),
            f"{WORKING_AREA} {letter}",
            index,
            work.pattern,
            note=clean(_public_name(plan.area, work.near_name, work.near)),
        )
        start, end = (_rounded(when, _QUARTER_S, np.round) for when in (down[0].start, down[-1].end))
        found.append(
            TimedLeg(len(found) + 1, leg, start, end, unknown, unknown, unknown, unknown, unknown, unknown, None)
        )
    return tuple(found)


def _letter(number: int) -> str:
    return chr(ord("A") + number % 26) * (1 + number // 26)


def _gear_down(plan: Plan, work: int) -> list[TimedLeg]:
    return [leg for leg in plan.legs if leg.leg.work == work and leg.leg.kind != "run"]


def _squares(plan: Plan) -> tuple[Polygon | None, ...]:
    """Return each work's square, None where nothing of it is in the plan."""
    area = plan.area
    shut = shapely.union_all([area.land, *(water.shape for water in plan.closed)])
    tracks = ([leg.leg.xy for leg in _gear_down(plan, index)] for index in range(len(plan.trip.works)))
    return tuple(_square(np.concatenate(xy), area, shut) if xy else None for xy in tracks)


def _square(xy: FloatArray, area: Area, shut: shapely.Geometry) -> Polygon:
    side = _SIDE_M
    while True:
        low, high = (np.floor((edge - _CORNER_M) / side) for edge in (xy.min(axis=0), xy.max(axis=0)))
        west, south = _CORNER_M + low * side
        square = shapely.box(west, south, west + side, south + side)
        water = shapely.difference(shapely.intersection(square, shapely.box(*area.depth.bounds)), shut)
        hides = (low == high).all() and shapely.minimum_bounding_radius(water) >= NEAR_M
        if hides or side >= _LARGEST_M:
            return square
        side *= 2.0


def _rounded(moment: datetime, step_s: float, way: Callable[[float], float]) -> datetime:
    """Return a moment to a whole step of absolute time, in its own zone."""
    return datetime.fromtimestamp(float(way(moment.timestamp() / step_s)) * step_s, UTC).astimezone(moment.tzinfo)


def _tide_at_home(plan: Plan) -> DayTable:
    """Return the tide at home, where home may be told, by the minute."""
    day, tide = plan.day, plan.area.tide
    unknown: FloatArray = np.full(len(day.moments), np.nan)
    nowhere = np.full((len(unknown), 2), np.nan)
    height = rising = unknown
    home = plan.trip.home
    if tide is not None and _public_name(plan.area, plan.trip.home_name, home, near_private=True):
        time_s = _seconds(day.moments)
        height = tide.height_at(np.full(len(time_s), home.x), np.full(len(time_s), home.y), time_s)
        rising = np.gradient(height, time_s) if len(time_s) > 1 else unknown
    return replace(
        day,
        seq=np.zeros_like(day.seq),
        xy=nowhere,
        tide_m=height,
        rising_mps=rising,
        flow_mps=nowhere,
        work_flow_mps=nowhere,
        charted_m=unknown,
        gear_m=unknown,
        events=tuple((when, cleaner(plan.area)(words)) for when, words in day.events),
    )


def _seconds(moments: Sequence[datetime]) -> FloatArray:
    return np.array([moment.timestamp() for moment in moments])
