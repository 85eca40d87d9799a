"""What the gear sweeps: every lure's track, the bottom under it, what it comes near, and lines that come together."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt
import shapely
from shapely import LineString, MultiLineString

from layers.model import Area
from spotmap.clock import elapsed
from spotmap.model import (
    FloatArray,
    LureTrack,
    Stop,
    Sweep,
    TimedLeg,
    Together,
    Touch,
    Trip,
    TurningRadius,
)
from spotmap.polyline import evenly_spaced
from spotmap.separation import Lines, closest
from spotmap.trailing import STEP_S, Trail, trails
from spotmap.water import Fishery, KeepOff, Span, keep_off, least_tide_m, open_grounds

_TOLERANCE_M = 0.1
_TRACK_M = 0.2
_TIMED_M = 0.6
_BOTTOM_EVERY = 3
_APART_EVERY = 4
_NEAR_EVERY = 3
_STOP_EVERY_M = 5.0
"""The bottom, lines coming together and standoffs are looked at every so many steps: 4 to 6 m at trolling speed."""
_CLOSER_THAN_STRAIGHT = 0.9
"""Lines that run close on a straight course are the skipper's own spread: a turn must bring them nearer than that."""


def sweep(area: Area, trip: Trip, radius: TurningRadius, legs: Sequence[TimedLeg]) -> Sweep:
    """Pull the gear of every rod along the gear-down legs and look at where it goes.

    Where gear goes down it trails straight behind from the first. A ball hangs as deep as its own speed lets it: slowed
    on the inside of a turn it sinks.

    Parameters
    ----------
    area, trip, radius
        The area, the trip and its rig.
    legs
        The whole trip's legs in time.

    Returns
    -------
    Sweep
        Tracks by leg and rod; touches are faults, lines together and stops are for the skipper to know.
    """
    parts = trails(trip, radius, legs)
    tracks = [track for part in parts for track in _tracks(part)]
    touches: list[Touch] = []
    least_m = np.inf
    for part in parts:
        found, clearance_m = _bottom(area, trip, part)
        touches += found + _near(area, trip, part)
        least_m = min(least_m, clearance_m)
    together = _together(parts, trip.limits.line_separation_m)
    return Sweep(tuple(tracks), tuple(touches), together, _stops(area, trip, radius, legs), float(least_m))


def _tracks(part: Trail) -> Iterator[LureTrack]:
    made: dict[tuple[int, int], LureTrack] = {}
    for index, timed in enumerate(part.legs):
        for column in range(len(part.rods)):
            key = (part.like[index], column)
            if key not in made:
                made[key] = _track(part, index, column)
            yield replace(made[key], seq=timed.seq)


def _track(part: Trail, index: int, column: int) -> LureTrack:
    on = np.flatnonzero(part.leg_of_step == index)
    # a leg shorter than a step still has the moment before it
    on = on if len(on) else np.array([max(int(np.searchsorted(part.leg_of_step, index)) - 1, 0)])
    # with the moments before and after it, so that it begins and ends with its leg
    steps = np.arange(max(on[0] - 1, 0), min(on[-1] + 2, len(part.leg_of_step)))
    began_s, ended_s = (
        elapsed(part.legs[0].start, moment).total_seconds() for moment in (part.legs[index].start, part.legs[index].end)
    )
    clock = np.clip(steps * STEP_S, began_s, ended_s)
    ends = part.ends[steps, column, -1]
    xy = np.column_stack([np.interp(clock, steps * STEP_S, ends[:, axis]) for axis in (0, 1)])
    over_s = ended_s - steps[-1] * STEP_S
    if over_s > 0.0 and len(ends) > 1:
        # a leg before a lift ends between two moments
        clock = np.append(clock, ended_s)
        xy = np.vstack([xy, ends[-1] + (ends[-1] - ends[-2]) * over_s / STEP_S])
    clock -= began_s
    kept = _kept(xy, clock)
    trailing = part.out[on, column]
    # while it is let out it is at no depth of its own yet
    depth = part.depth_m[on, column][trailing] if trailing.any() else part.depth_m[on, column]
    return LureTrack(
        rod=part.rods[column].rod.name,
        seq=part.legs[index].seq,
        xy=xy[kept] if len(xy) > 1 else np.vstack([xy, xy]),
        clock_s=clock[kept] if len(xy) > 1 else np.append(clock, clock),
        depth_min_m=float(depth.min()),
        depth_max_m=float(depth.max()),
        slowest_mps=float(part.speed_mps[on, column][trailing].min()) if trailing.any() else float("nan"),
    )


def _kept(xy: FloatArray, clock_s: FloatArray) -> npt.NDArray[np.intp]:
    """Return which places of a track to keep, so that it is drawn and timed right by going straight between them."""
    if len(xy) < 2:  # noqa: PLR2004  no line
        return np.arange(len(xy))
    line = shapely.simplify(shapely.linestrings(np.column_stack([xy, clock_s])), _TRACK_M)
    kept = np.searchsorted(clock_s, shapely.get_coordinates(line, include_z=True)[:, 2] - 1e-6)
    while True:
        x, y = (np.interp(clock_s, clock_s[kept], xy[kept, axis]) for axis in (0, 1))
        off_m = np.hypot(x - xy[:, 0], y - xy[:, 1])
        worst = np.maximum.reduceat(off_m, kept[:-1]) if len(kept) > 1 else np.zeros(0)
        bad = np.flatnonzero(worst > _TIMED_M)
        if not len(bad):
            return np.asarray(kept)
        between = [kept[one] + int(off_m[kept[one] : kept[one + 1]].argmax()) for one in bad]
        kept = np.union1d(kept, np.array(between, dtype=kept.dtype))


def _bottom(area: Area, trip: Trip, part: Trail) -> tuple[list[Touch], float]:
    """Return where gear comes nearer the bottom than its clearance, and the least clearance there is."""
    look = np.flatnonzero(np.isin(part.leg_of_step, part.fresh))[::_BOTTOM_EVERY]
    ends = part.ends[look]
    charted = area.safe_depth.depth_at(ends[..., 0].ravel(), ends[..., 1].ravel()).reshape(ends.shape[:3])
    room = charted + _tide_m(area, part, look)[:, None, None] - part.depth_m[look][:, :, None]
    room = np.where(part.out[look][:, :, None], np.where(np.isnan(room), -np.inf, room), np.inf)
    short = trip.limits.bottom_clearance_m - room.min(axis=2)
    touches = []
    later = look >= part.starting
    for column, one in enumerate(part.rods):
        worst = int(short[:, column].argmax())
        if short[worst, column] > _TOLERANCE_M:
            touches.append(
                Touch(
                    rod=one.rod.name,
                    seq=part.legs[part.leg_of_step[look[worst]]].seq,
                    what="the bottom",
                    short_m=float(short[worst, column]),
                    bottom=True,
                    at_start=not (short[later, column] > _TOLERANCE_M).any(),
                )
            )
    return touches, float(room.min())


def _tide_m(area: Area, part: Trail, look: npt.NDArray[np.intp]) -> FloatArray:
    """Return the tide over the datum at moments (n,), the lowest of all the laps that one stands for."""
    if area.tide is None:
        return np.zeros(len(look))
    start_s = np.array([timed.start.timestamp() for timed in part.legs])
    like = np.array(part.like)
    at_s = start_s[0] + look * STEP_S
    place = part.tips[look][:, 0]
    lowest = np.full(len(look), np.inf)
    for index in part.fresh:
        on = part.leg_of_step[look] == index
        for lap in np.flatnonzero(like == index):
            x, y = place[on].T
            lowest[on] = np.minimum(lowest[on], area.tide.height_at(x, y, at_s[on] + start_s[lap] - start_s[index]))
    return lowest


def _near(area: Area, trip: Trip, part: Trail) -> list[Touch]:
    """Return where balls and lures come nearer closed water, land, hazards and lanes than their standoff."""
    fishery = Fishery(trip.species, trip.method)
    touches = []
    span = Span(part.legs[0].start, part.legs[-1].end)
    (west, south), (east, north) = np.nanmin(part.ends, axis=(0, 1, 2)), np.nanmax(part.ends, axis=(0, 1, 2))
    things = (*keep_off(area, fishery, trip.limits, span, (west, south, east, north)), *_grounds(area, trip, span))
    shapes, reach_m = [thing.shape for thing in things], [thing.distance_m for thing in things]
    for index in part.fresh:
        on = np.flatnonzero(part.leg_of_step == index)
        if len(on) < 2:  # noqa: PLR2004  no line
            continue
        few = np.append(on[:-1:_NEAR_EVERY], on[-1])
        gear = part.ends[few].reshape(len(few), -1, 2)
        swath = _swath(gear)
        box = shapely.box(*swath.bounds)
        for number in np.flatnonzero(shapely.dwithin(box, shapes, reach_m)).tolist():
            thing = things[number]
            short = _short_m(swath, thing)
            if short > _TOLERANCE_M:
                by_line = [_short_m(line, thing) for line in swath.geoms]
                rod = part.rods[int(np.argmax(by_line)) // part.ends.shape[2]].rod.name
                later = gear[few >= part.starting]
                at_start = len(later) < 2 or _short_m(_swath(later), thing) <= _TOLERANCE_M  # noqa: PLR2004  no line
                touches.append(Touch(rod, part.legs[index].seq, thing.words, short, bottom=False, at_start=at_start))
    return touches


def _swath(gear: FloatArray) -> MultiLineString:
    return shapely.multilinestrings(shapely.linestrings(np.swapaxes(gear, 0, 1)))


def _short_m(lines: LineString | MultiLineString, thing: KeepOff) -> float:
    if not shapely.dwithin(lines, thing.shape, max(thing.distance_m, 1e-6)):
        return 0.0
    return max(thing.distance_m, 2.0 * _TOLERANCE_M) - float(shapely.distance(lines, thing.shape))


def _grounds(area: Area, trip: Trip, span: Span) -> Iterator[KeepOff]:
    if area.has_grounds:
        shut = (
            shapely.box(*area.depth.bounds)
            .buffer(1000.0)
            .difference(open_grounds(area, Fishery(trip.species, trip.method), span))
        )
        yield KeepOff("the edge of the open grounds", shut, trip.limits.closure_standoff_m)


def _together(parts: Sequence[Trail], limit_m: float) -> tuple[Together, ...]:
    """Return, for each pair of rods, the leg that brings their lines nearest, where that is nearer than the limit."""
    best: dict[tuple[str, str], Together] = {}
    for part in parts:
        if len(part.rods) < 2:  # noqa: PLR2004  no pair
            return ()
        few = np.flatnonzero(np.isin(part.leg_of_step, part.fresh))[::_APART_EVERY]
        names = [one.rod.cable_of or one.rod.name for one in part.rods]
        cable = np.array([names.index(name) for name in names])
        depth = np.repeat(part.depth_m[few][:, :, None], part.ends.shape[2], axis=2)
        near = closest(Lines(part.tips[few], part.ends[few], depth, cable))
        trailing = np.asarray(part.out[few].all(axis=1))
        if not trailing.any():
            continue
        distance = np.where(trailing[:, None], near.distance_m, np.inf)
        straight = np.median(near.distance_m[trailing], axis=0)
        for column, (one, other) in enumerate(near.pairs):
            step = int(distance[:, column].argmin())
            least = float(distance[step, column])
            if least >= limit_m or least >= _CLOSER_THAN_STRAIGHT * straight[column]:
                continue
            pair = (part.rods[one].rod.name, part.rods[other].rod.name)
            seq = part.legs[part.leg_of_step[few[step]]].seq
            if pair not in best or least < best[pair].distance_m:
                best[pair] = Together(pair, seq, least, float(straight[column]))
    return tuple(sorted(best.values(), key=lambda one: one.distance_m))


def _stops(area: Area, trip: Trip, radius: TurningRadius, legs: Sequence[TimedLeg]) -> tuple[Stop, ...]:
    """Return, for each rod, where the boat must not stop with its gear out."""
    down = [timed for timed in legs if timed.leg.kind != "run"]
    # laps repeat: one look at each track serves them all
    tracks = {timed.leg.xy.tobytes(): timed.leg.xy for timed in down}
    places = {key: evenly_spaced(xy, _STOP_EVERY_M) for key, xy in tracks.items()}
    under_track = {key: area.safe_depth.depth_at(xy[:, 0], xy[:, 1]) for key, xy in places.items()}
    depth = [under_track[timed.leg.xy.tobytes()] for timed in down]
    tides = [least_tide_m(area, Span(timed.start, timed.end)) for timed in down]
    total_m = sum(timed.length_m for timed in down)
    found = []
    for one in radius.rods:
        hang_m = max(
            other.stop_depth_m for step in radius.steps for other in step.rods if other.rod.name == one.rod.name
        )
        shares = [
            float((~(under + tide_m >= hang_m + trip.limits.bottom_clearance_m)).mean())
            for under, tide_m in zip(depth, tides, strict=True)
        ]
        length_m = sum(share * timed.length_m for share, timed in zip(shares, down, strict=True))
        if length_m > 0.0:
            seqs = tuple(timed.seq for share, timed in zip(shares, down, strict=True) if share > 0.0)
            found.append(Stop(one.rod.name, hang_m, length_m, length_m / total_m, seqs))
    return tuple(found)
