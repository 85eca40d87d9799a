"""Runs from home to many places: along the water with the gear up, in time and fuel."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import timedelta
from math import hypot, isnan

import numpy as np
import shapely
from shapely import LineString, Point

from layers.model import Area, Bounds
from spotmap._errors import NoPlanError
from spotmap.clock import elapsed, time_legs
from spotmap.model import Boat, Leg, Limits
from spotmap.runs import RunWater
from spotmap.water import UNDER_KEEL_M, Fishery, Hull, Look, Span, least_tide_m, run_water

_CELLS = 700
"""A first look takes cells of about this share of the diagonal, as `spotmap.ways` does."""
_FINEST_CELL_M = 8.0
_ROOM_M = 1500.0
_ROOM_SHARE = 0.4
_FINEST = Look(None, None)


@dataclass(frozen=True)
class HomeRun:
    """A run from home, one way: its length along the water, its time and fuel at the boat's run speed in still water.

    `fuel_l` is None where the boat tells none.
    """

    length_m: float
    took: timedelta
    fuel_l: float | None


@dataclass(frozen=True)
class NoRun:
    """Why there is no run that can be told."""

    why: str


@dataclass(frozen=True)
class Harbour:
    """Where runs begin, and the boat that makes them."""

    home: Point
    name: str
    boat: Boat


def home_runs(
    area: Area, fishery: Fishery, limits: Limits, span: Span, harbour: Harbour, points: Sequence[Point]
) -> tuple[HomeRun | NoRun, ...]:
    """Return the shortest run from home to each place through the water that is open to the boat all through a span.

    Parameters
    ----------
    area, fishery, limits, span
        As in `spotmap.water.run_water`; the lowest tide of the span counts for all of it.
    harbour
        Home and boat.
    points
        Places in local metres.

    Returns
    -------
    tuple of HomeRun or NoRun
        As many as places. A run is less than 2 % longer than the shortest there is.
    """
    tide_m = least_tide_m(area, span)
    if isnan(tide_m):
        return (NoRun("the tide is not known all through that time, so the water under the keel is not"),) * len(points)
    hull = Hull(harbour.boat.draft_m - min(tide_m, 0.0), harbour.home)
    needed_m = hull.draft_m + UNDER_KEEL_M
    x, y = shapely.get_coordinates(np.array([*points], dtype=np.object_)).T
    depth_m = area.safe_depth.depth_at(x, y)
    found: list[HomeRun | NoRun | None] = [_no_water(one, needed_m) for one in depth_m.tolist()]
    for look in _looks(area, [harbour.home, *points]):
        open_yet = [at for at, one in enumerate(found) if one is None]
        if not open_yet:
            break
        water = RunWater.build(run_water(area, fishery, limits, span, hull, look))
        for at in open_yet:
            try:
                way = water.shortest(harbour.home, points[at], start_name=harbour.name, goal_name="the place")
            except NoPlanError as error:
                if look == _FINEST:
                    found[at] = NoRun("; ".join(error.reasons))
                continue
            if _shortest_of_all(way, look, harbour.home, points[at]):
                found[at] = _costed(area, way, span, harbour.boat)
    return tuple(one for one in found if one is not None)


def _no_water(depth_m: float, needed_m: float) -> NoRun | None:
    if isnan(depth_m):
        return NoRun("the depth there is not known")
    return NoRun("it is too shallow there for the draft at the lowest tide") if depth_m < needed_m else None


def _looks(area: Area, places: Sequence[Point]) -> Iterator[Look]:
    west, south, east, north = shapely.total_bounds(places)
    room = _ROOM_M + _ROOM_SHARE * hypot(east - west, north - south)
    whole = shapely.box(*area.depth.bounds)
    near = shapely.box(west - room, south - room, east + room, north + room).intersection(whole)
    if not near.is_empty and near.area < whole.area / 4.0:
        yield Look(near.bounds, _cell_m(near.bounds))
    yield Look(None, _cell_m(area.depth.bounds))
    yield _FINEST


def _cell_m(box: Bounds) -> float:
    west, south, east, north = box
    return max(hypot(east - west, north - south) / _CELLS, _FINEST_CELL_M)


def _shortest_of_all(way: LineString, look: Look, home: Point, place: Point) -> bool:
    """Return whether no way that leaves the water looked at could be shorter."""
    if look.within is None:
        return True
    edge = shapely.box(*look.within).boundary
    return bool(way.length <= edge.distance(home) + edge.distance(place))


def _costed(area: Area, way: LineString, span: Span, boat: Boat) -> HomeRun:
    if way.length == 0.0:
        return HomeRun(0.0, timedelta(0), None if boat.fuel_run_lph is None else 0.0)
    leg = Leg("run", shapely.get_coordinates(way), "run")
    (timed,) = time_legs([leg], span.start, area.projection, boat, variation_deg=0.0)
    return HomeRun(timed.length_m, elapsed(timed.start, timed.end), timed.fuel_l)
