"""What the map draws, as plain records: shapes in steps (see `web/steps.py`), and finished words.

Nothing here knows HTML, colours or scripts; `webmap` writes the records as JSON and `web/` draws them.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import shapely

from layers.units import format_quantity, to_unit
from spotmap.bottomgrid import BottomGrid, Reading, reading, trip_bottom
from spotmap.gear import steps_in
from spotmap.legwords import LegWords, leg_words, lure_words, near_words
from spotmap.mapthings import Things, map_things
from spotmap.mapwords import NO_GROUNDS, Section, panel_sections, state_words
from spotmap.minutes import current_known
from spotmap.momentwords import short_time
from spotmap.playback import Playback, playback
from spotmap.profiles import Along, as_told, pass_gear_m, profiles
from spotmap.web.steps import Shape, line_shapes, shape_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy.typing as npt
    from shapely.geometry.base import BaseGeometry

    from layers.model import Bounds, FloatArray
    from spotmap.model import ClosedWater, LureTrack, Plan, TimedLeg

_WIDEST_M = 25_000.0
_ROUND_THE_TRIP_M = 4_000.0
_DETAIL = 1500
"""Cells of depth along the longer side of what is drawn."""
_FINEST = 6000
"""Simplifying takes away at most this share of the longer side, or 2 m where that is more."""
_TOLERANCE_M = 2.0
_LEG_TOLERANCE_M = 0.1
_LURE_TOLERANCE_M = 0.5
_SAMPLES = 40
_SAME_LINE_M = 1e-3
_LEAST_RING = 4  # a triangle and its first point again


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
class Track:
    """A leg and what is said of it; `known` if the current along it is, without which no heading is.

    A pass has the place of its profile in `MapData.profiles`, and `gear_cm`, how deep the deepest gear hangs on it.
    """

    seq: int
    kind: str
    work: int | None
    words: LegWords
    shape: Shape
    known: bool
    profile: int | None
    gear_cm: int | None


@dataclass(frozen=True)
class LureLine:
    """Where a rod's lure goes on one leg, or on several that are alike, and what is said of it."""

    words: str
    shape: Shape


@dataclass(frozen=True)
class Lure:
    """A rod's lure tracks."""

    rod: str
    lines: tuple[LureLine, ...]


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
    things: Things
    legs: tuple[Track, ...]
    lures: tuple[Lure, ...]
    sections: tuple[Section, ...]
    play: Playback
    reading: Reading
    bottom: BottomGrid
    profiles: tuple[Along, ...]


def map_data(plan: Plan) -> MapData:
    """Return what the map of this plan draws.

    Parameters
    ----------
    plan
        A checked plan, its shapes in the area's local metres.

    Returns
    -------
    MapData
        Shapes simplified by at most 2 m (lure tracks and closures 0.5 m, legs 0.1 m), in degrees with five or
        six decimals, longitudes continuous round the area's centre (they may pass 180°); words in the area's
        shown units.

    """
    area = plan.area
    projection = area.projection
    window = _window(plan)
    bands, lines = _bands_and_lines(plan, window, _levels(plan, window))
    tracks, along = _tracks(plan)
    begin, end = (when.astimezone(area.timezone) for when in (plan.trip.start, plan.legs[-1].end))
    day = f"{begin:%a} {begin.day} {begin:%b %Y}"
    return MapData(
        title=area.name,
        subtitle=f"{day}, {short_time(begin, begin)} to {short_time(end, begin)}",
        badges=(*(("INVENTED AREA",) if area.invented else ()), *(() if area.has_grounds else (NO_GROUNDS,))),
        box=shape_of(projection, shapely.box(*window), 5),
        bands=bands,
        land=shape_of(projection, shapely.clip_by_rect(area.land, *_grown(window, 0.3)), 5, _TOLERANCE_M),
        lines=lines,
        closed=tuple(_closed(plan, water) for water in plan.closed),
        things=map_things(plan, _grown(window, 0.3)),
        legs=tracks,
        lures=_lures(plan),
        sections=panel_sections(plan, [track.words for track in tracks]),
        play=playback(plan),
        reading=reading(area),
        bottom=trip_bottom(plan),
        profiles=along,
    )


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
    known = _rings(area.depth.known(within, cell_m), tolerance_m)
    rim = shapely.buffer(known, cell_m + 2 * tolerance_m, quad_segs=2)
    bands = [Band("dries: above the datum", "dries", shape_of(area.projection, known, 5))]
    lines = []
    for index, level in enumerate(levels):
        depth_m = level / to_unit(1.0, unit)
        water = _rings(area.depth.deeper_than(depth_m, within, cell_m), tolerance_m)
        deeper = levels[index + 1] if index + 1 < len(levels) else None
        words = f"deeper than {level:g} {unit}" if deeper is None else f"{level:g} to {deeper:g} {unit}"
        bands.append(Band(words, str(index), shape_of(area.projection, water, 5)))
        if all(abs(depth_m - line_m) > _SAME_LINE_M for line_m in worked):
            edge = water.difference(rim)
            lines.append(DepthLine(f"{level:g} {unit}", False, shape_of(area.projection, edge, 5)))
    for depth_m in worked:
        line = shapely.get_parts(area.depth.depth_line(depth_m, within))
        simple = shapely.simplify(line, _TOLERANCE_M, preserve_topology=False)
        whole = shapely.multilinestrings(simple[shapely.length(simple) > 0.0])
        lines.append(DepthLine(format_quantity(depth_m, unit), True, shape_of(area.projection, whole, 5)))
    return tuple(bands), tuple(lines)


def _rings(water: BaseGeometry, tolerance_m: float) -> shapely.MultiLineString:
    """Return the rims of polygons, each simplified by itself; one too small for that stays as it is.

    The page fills them even-odd: where a rim comes to cross itself no water is lost, as it would be to a polygon
    made valid.
    """
    rings = shapely.get_rings(shapely.get_parts(water))
    simple = shapely.simplify(rings, tolerance_m, preserve_topology=False)
    whole = shapely.get_num_coordinates(simple) >= _LEAST_RING
    return shapely.multilinestrings(np.where(whole, simple, rings))


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
        shape_of(area.projection, near, 5),
        shape_of(area.projection, rim, 5, 0.5),
    )


def _tracks(plan: Plan) -> tuple[tuple[Track, ...], tuple[Along, ...]]:
    """Return the legs, and the depth along every pass: laps over the very same water share it."""
    area, laps = plan.area, _same_tracks(plan)
    first = [plan.legs[index] for index in np.unique(laps)]
    shapes = line_shapes(area.projection, [leg.leg.xy for leg in first], 6, _LEG_TOLERANCE_M)
    by_leg = {leg.seq: shape for leg, shape in zip(first, shapes, strict=True)}
    depth_of = _depth_under(plan, [leg for leg in first if leg.leg.off_line is None])
    passes = [leg for leg in first if leg.leg.kind == "pass"]
    number = {leg.seq: place for place, leg in enumerate(passes)}
    gear_m = pass_gear_m(plan)
    tracks = tuple(
        Track(
            leg.seq,
            leg.leg.kind,
            leg.leg.work,
            leg_words(plan, leg, depth_of.get(plan.legs[lap].seq, np.empty(0))),
            by_leg[plan.legs[lap].seq],
            current_known(area, leg),
            number.get(plan.legs[lap].seq),
            round(100.0 * gear_m[leg.seq]) if leg.seq in gear_m else None,
        )
        for leg, lap in zip(plan.legs, laps, strict=True)
    )
    return tracks, tuple(map(as_told, profiles(area.depth, [leg.leg.xy for leg in passes])))


def _same_tracks(plan: Plan) -> npt.NDArray[np.intp]:
    """Return for each leg the place in the plan of the first leg with its very track: laps repeat."""
    firsts: dict[bytes, int] = {}
    return np.array([firsts.setdefault(leg.leg.xy.tobytes(), index) for index, leg in enumerate(plan.legs)])


def _depth_under(plan: Plan, legs: Sequence[TimedLeg]) -> dict[int, FloatArray]:
    """Return the charted depth under the vertices of legs by their numbers, in metres, NaN where unknown."""
    if not legs:
        return {}
    xy = np.concatenate([leg.leg.xy for leg in legs])
    depth = plan.area.depth.depth_at(xy[:, 0], xy[:, 1])
    parts = np.split(depth, np.cumsum([len(leg.leg.xy) for leg in legs])[:-1])
    return {leg.seq: part for leg, part in zip(legs, parts, strict=True)}


def _lures(plan: Plan) -> tuple[Lure, ...]:
    """Return the lure tracks rod by rod; where a rod does on a leg what it did on one before, both share a line."""
    alike: dict[tuple[object, ...], list[LureTrack]] = {}
    likes = _likes(plan)
    for track in plan.swept.tracks:
        alike.setdefault((track.rod, likes.get((track.rod, track.seq), track.seq)), []).append(track)
    groups = list(alike.values())
    shapes = line_shapes(plan.area.projection, [group[0].xy for group in groups], 6, _LURE_TOLERANCE_M)
    lines: dict[str, list[LureLine]] = {}
    for group, shape in zip(groups, shapes, strict=True):
        lines.setdefault(group[0].rod, []).append(LureLine(lure_words(plan, group), shape))
    return tuple(Lure(rod, tuple(of_rod)) for rod, of_rod in lines.items())


def _likes(plan: Plan) -> dict[tuple[str, int], tuple[float, ...]]:
    """Return, by rod and leg, what its lure's track follows from: this leg, the one before, the cable out on both.

    A rod that is set anew meanwhile has a track like no other, and none here.
    """
    laps = _same_tracks(plan)
    found = {}
    for index, leg in enumerate(plan.legs):
        before = max(index - 1, 0)
        rigs = steps_in(plan.radius, plan.legs[before].start, leg.end)
        for column, one in enumerate(plan.radius.rods):
            cables = {step.rods[column].cable_out_m for step in rigs}
            if len(cables) == 1:
                found[one.rod.name, leg.seq] = (float(laps[index]), float(laps[before]), *cables)
    return found
