"""What the map draws, as plain records: shapes as whole-number steps in degrees, and finished words.

Nothing here knows HTML, colours or scripts; `webmap` writes the records as JSON and `web/` draws them.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import shapely

from layers.positions import format_position
from layers.units import format_quantity, to_unit
from spotmap.mapwords import (
    NO_GROUNDS,
    LegWords,
    Section,
    leg_words,
    near_words,
    panel_sections,
    short_time,
    state_words,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from shapely.geometry.base import BaseGeometry

    from layers.model import Area, Bounds, FloatArray, Lane, Mark
    from layers.projection import LocalProjection
    from spotmap.model import ClosedWater, Plan

Parts = list[list[int]]
"""Rings or lines, each [lat, lon, step in lat, step in lon, …], in 10 to the minus `digits` degrees."""

_WIDEST_M = 25_000.0
_ROUND_THE_TRIP_M = 4_000.0
_DETAIL = 1500
"""Cells of depth along the longer side of what is drawn."""
_FINEST = 6000
"""Simplifying takes away at most this share of the longer side, or 2 m where that is more."""
_TOLERANCE_M = 2.0
_LEG_TOLERANCE_M = 0.1
_STRAIGHT_M = 5000.0
"""Longer edges are drawn in pieces: straight in local metres is bent on the page, half a metre in 5 km."""
_SAMPLES = 80
_SAME_LINE_M = 1e-3
_AREA = 2  # shapely's dimension of polygons


@dataclass(frozen=True)
class Shape:
    """A geometry in steps; see `Parts`."""

    digits: int
    parts: Parts


@dataclass(frozen=True)
class Band:
    """Water from one depth to the next; painted in the order given, each over the ones before."""

    words: str
    shade: str
    shape: Shape


@dataclass(frozen=True)
class DepthLine:
    """A depth line and its label in the shown unit; `worked` if the plan fishes it."""

    words: str
    worked: bool
    shape: Shape


@dataclass(frozen=True)
class Closed:
    """Closed water: `kind` is fishing, entry or outside (water outside the open grounds).

    `part` says that it is closed for only a part of the trip.
    """

    name: str
    kind: str
    part: bool
    lines: tuple[str, ...]
    shape: Shape
    standoff: Shape


@dataclass(frozen=True)
class Thing:
    """A hazard, a lane or a mark; `areal` if its shape is made of rings."""

    name: str
    kind: str
    lines: tuple[str, ...]
    private: bool
    areal: bool
    shape: Shape


@dataclass(frozen=True)
class Track:
    """A leg and what is said of it."""

    seq: int
    kind: str
    work: int | None
    words: LegWords
    shape: Shape


@dataclass(frozen=True)
class MapData:
    """Everything on the page that comes from data."""

    title: str
    subtitle: str
    badges: tuple[str, ...]
    box: Shape
    bands: tuple[Band, ...]
    land: Shape
    lines: tuple[DepthLine, ...]
    closed: tuple[Closed, ...]
    hazards: tuple[Thing, ...]
    lanes: tuple[Thing, ...]
    marks: tuple[Thing, ...]
    legs: tuple[Track, ...]
    sections: tuple[Section, ...]


def map_data(plan: Plan) -> MapData:
    """Return what the map of this plan draws.

    Parameters
    ----------
    plan
        A checked plan, its shapes in the area's local metres.

    Returns
    -------
    MapData
        Shapes simplified by at most 2 m (closures 0.5 m, legs 0.1 m), in degrees with five or six decimals,
        longitudes continuous round the area's centre (they may pass 180°); words in the area's shown units.

    """
    area = plan.area
    projection = area.projection
    window = _window(plan)
    bands, lines = _bands_and_lines(plan, window, _levels(plan, window))
    tracks = _tracks(plan)
    begin, end = (when.astimezone(area.timezone) for when in (plan.trip.start, plan.legs[-1].end))
    day = f"{begin:%a} {begin.day} {begin:%b %Y}"
    return MapData(
        title=area.name,
        subtitle=f"{day}, {short_time(begin, begin)} to {short_time(end, begin)}",
        badges=(*(("INVENTED AREA",) if area.invented else ()), *(() if area.has_grounds else (NO_GROUNDS,))),
        box=_shape(projection, shapely.box(*window), 5),
        bands=bands,
        land=_shape(projection, shapely.clip_by_rect(area.land, *_grown(window, 0.3)), 5, _TOLERANCE_M),
        lines=lines,
        closed=tuple(_closed(plan, water) for water in plan.closed),
        hazards=tuple(_thing(projection, h.name, h.kind, _margin(area, h.margin_m), h.shape) for h in area.hazards),
        lanes=tuple(_lane(area, lane) for lane in area.lanes),
        marks=tuple(_mark(projection, mark) for mark in area.marks),
        legs=tracks,
        sections=panel_sections(plan, [track.words for track in tracks]),
    )


def steps(projection: LocalProjection, geometry: BaseGeometry, digits: int) -> Parts:
    """Return a geometry's points, lines or rings as whole-number steps.

    Parameters
    ----------
    projection
        The local projection of the geometry.
    geometry
        Any geometry in local metres.
    digits
        Decimals of a degree kept.

    Returns
    -------
    Parts
        One flat list for each point, line or ring; a ring's last point, the same as its first, is left out;
        points that fall together on this grid are one.

    """
    parts = shapely.get_parts(shapely.get_parts(geometry))
    areas = shapely.get_dimensions(parts) == _AREA
    lines = np.concatenate([parts[~areas], shapely.get_rings(parts[areas])])
    xy, owner = shapely.get_coordinates(lines, return_index=True)
    if not len(xy):
        return []
    lon, lat = projection.to_geographic(xy[:, 0], xy[:, 1])
    middle = projection.lon0_deg
    unwrapped = middle + (np.asarray(lon) - middle + 180.0) % 360.0 - 180.0
    grid = np.rint(np.column_stack([lat, unwrapped]) * 10.0**digits).astype(np.int64)
    ring = np.zeros(len(xy), dtype=bool)
    last = np.append(owner[1:] != owner[:-1], True)
    ring[last] = shapely.get_type_id(lines[owner[last]]) == shapely.GeometryType.LINEARRING
    first = np.append(True, owner[1:] != owner[:-1])
    same = np.append(False, (grid[1:] == grid[:-1]).all(axis=1)) & ~first
    keep = ~(ring | same)
    grid, owner = grid[keep], owner[keep]
    begins = np.flatnonzero(np.append(True, owner[1:] != owner[:-1]))
    moved = np.diff(grid, axis=0, prepend=grid[:1])
    moved[begins] = grid[begins]
    return [part.ravel().tolist() for part in np.split(moved, begins[1:])]


def _shape(projection: LocalProjection, geometry: BaseGeometry, digits: int, tolerance_m: float = 0.0) -> Shape:
    simple = shapely.simplify(geometry, tolerance_m) if tolerance_m else geometry
    return Shape(digits, steps(projection, shapely.segmentize(simple, _STRAIGHT_M), digits))


def _window(plan: Plan) -> Bounds:
    """Return the box of depth that is drawn: all of it, or the trip's neighbourhood in a very large area."""
    west, south, east, north = plan.area.depth.bounds
    if max(east - west, north - south) <= _WIDEST_M:
        return west, south, east, north
    xy = np.concatenate([leg.leg.xy for leg in plan.legs])
    low, high = xy.min(axis=0) - _ROUND_THE_TRIP_M, xy.max(axis=0) + _ROUND_THE_TRIP_M
    return max(west, low[0]), max(south, low[1]), min(east, high[0]), min(north, high[1])


def _grown(window: Bounds, share: float) -> Bounds:
    west, south, east, north = window
    pad = share * max(east - west, north - south)
    return west - pad, south - pad, east + pad, north + pad


def band_levels(deepest: float, worked: float) -> tuple[float, ...]:
    """Return a handful of round depths for the bands, in whatever unit the arguments are in.

    Parameters
    ----------
    deepest
        About the deepest water there is.
    worked
        The deepest line that the plan works; levels reach three times as deep at most, where there is water.

    Returns
    -------
    tuple of float
        0, half a step, one step, two steps …: at most seven.

    Examples
    --------
    >>> band_levels(400.0, 130.0)
    (0.0, 50.0, 100.0, 200.0, 300.0)
    >>> band_levels(11.0, 5.0)
    (0.0, 1.0, 2.0, 4.0, 6.0, 8.0, 10.0)

    """
    span = max(min(deepest, 3.0 * worked), 1e-3)
    rough = span / 5.5
    decade = 10.0 ** np.floor(np.log10(rough))
    step = float(next(decade * nice for nice in (1.0, 2.0, 5.0, 10.0) if decade * nice >= rough * (1 - 1e-9)))
    return (0.0, step / 2, *(step * n for n in range(1, int(span / step + 1e-9) + 1)))


def _levels(plan: Plan, window: Bounds) -> tuple[float, ...]:
    """Return the levels of the bands in the shown unit; empty where no depth is known."""
    west, south, east, north = window
    x, y = np.meshgrid(np.linspace(west, east, _SAMPLES), np.linspace(south, north, _SAMPLES))
    found = plan.area.depth.depth_at(x, y)
    found = found[np.isfinite(found) & (found > 0)]
    if not found.size:
        return ()
    unit = plan.area.show.depth
    worked = max(leg.leg.depth_line_m or 0.0 for leg in plan.legs) or float(np.median(found))
    return band_levels(to_unit(float(np.quantile(found, 0.98)), unit), to_unit(worked, unit))


def _bands_and_lines(
    plan: Plan, window: Bounds, levels: Sequence[float]
) -> tuple[tuple[Band, ...], tuple[DepthLine, ...]]:
    """Return the bands, and the depth lines: the bands' rims, and as finely as they are known the lines worked."""
    area, unit = plan.area, plan.area.show.depth
    longest_m = max(window[2] - window[0], window[3] - window[1])
    cell_m, tolerance_m = longest_m / _DETAIL, max(_TOLERANCE_M, longest_m / _FINEST)
    worked = sorted({leg.leg.depth_line_m for leg in plan.legs if leg.leg.depth_line_m is not None})
    within = None if window == area.depth.bounds else window  # clipping to all there is would only cost time
    known = shapely.simplify(area.depth.known(within, cell_m), tolerance_m)
    rim = shapely.buffer(known.boundary, cell_m + 2 * tolerance_m, quad_segs=2)
    bands = [Band("dries: above the datum", "dries", _shape(area.projection, known, 5))]
    lines = []
    for index, level in enumerate(levels):
        depth_m = level / to_unit(1.0, unit)
        water = shapely.simplify(area.depth.deeper_than(depth_m, within, cell_m), tolerance_m)
        deeper = levels[index + 1] if index + 1 < len(levels) else None
        words = f"deeper than {level:g} {unit}" if deeper is None else f"{level:g} to {deeper:g} {unit}"
        bands.append(Band(words, str(index), _shape(area.projection, water, 5)))
        if all(abs(depth_m - line_m) > _SAME_LINE_M for line_m in worked):
            edge = water.boundary.difference(rim)
            lines.append(DepthLine(f"{level:g} {unit}", False, _shape(area.projection, edge, 5)))
    for depth_m in worked:
        line = area.depth.depth_line(depth_m, within)
        words = format_quantity(depth_m, unit)
        lines.append(DepthLine(words, True, _shape(area.projection, line, 5, _TOLERANCE_M)))
    return tuple(bands), tuple(lines)


def _closed(plan: Plan, water: ClosedWater) -> Closed:
    area = plan.area
    ruled = any(rule.name == water.name for rule in area.closures)
    kind = water.forbids if ruled else "outside"
    near = shapely.simplify(shapely.clip_by_rect(water.shape, *_grown(_window(plan), 0.5)), 0.5)
    rim = shapely.buffer(near, water.standoff_m, quad_segs=6) if water.standoff_m > 0 else shapely.Polygon()
    lines = (
        "no entry" if water.forbids == "entry" else "no fishing",
        state_words(plan, water),
        water.dates,
        water.reference,
        f"gear stays {near_words(area, water.standoff_m)} off" if water.standoff_m else "",
    )
    return Closed(
        water.name,
        kind,
        bool(water.changes),
        tuple(line for line in lines if line),
        _shape(area.projection, near, 5),
        _shape(area.projection, rim, 5, 0.5),
    )


def _margin(area: Area, margin_m: float | None) -> tuple[str, ...]:
    return () if not margin_m else (f"{near_words(area, margin_m)} margin",)


def _thing(projection: LocalProjection, name: str, kind: str, lines: tuple[str, ...], shape: BaseGeometry) -> Thing:
    return Thing(name, kind, lines, False, shape.area > 0, _shape(projection, shape, 5, 0.5))


def _lane(area: Area, lane: Lane) -> Thing:
    said = "the whole boat keeps out" if lane.avoid == "all" else "no gear down here"
    lines = (said, *_margin(area, lane.margin_m))
    return _thing(area.projection, lane.name, lane.kind, lines, lane.shape)


def _mark(projection: LocalProjection, mark: Mark) -> Thing:
    lon, lat = projection.to_geographic([mark.point.x], [mark.point.y])
    lines = (*((mark.note,) if mark.note else ()), format_position(float(lon[0]), float(lat[0])))
    return replace(_thing(projection, mark.name, mark.kind, lines, mark.point), private=mark.private)


def _tracks(plan: Plan) -> tuple[Track, ...]:
    lines = np.array([shapely.LineString(leg.leg.xy) for leg in plan.legs])
    simple = shapely.simplify(lines, _LEG_TOLERANCE_M, preserve_topology=False)
    return tuple(
        Track(
            leg.seq,
            leg.leg.kind,
            leg.leg.work,
            leg_words(plan, leg, under),
            _shape(plan.area.projection, line, 6),
        )
        for leg, line, under in zip(plan.legs, simple, _depth_under(plan), strict=True)
    )


def _depth_under(plan: Plan) -> list[FloatArray]:
    """Return the charted depth under the vertices of every leg, in metres, NaN where unknown."""
    xy = np.concatenate([leg.leg.xy for leg in plan.legs])
    depth = plan.area.depth.depth_at(xy[:, 0], xy[:, 1])
    return np.split(depth, np.cumsum([len(leg.leg.xy) for leg in plan.legs])[:-1])
