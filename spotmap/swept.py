"""What the gear sweeps: every lure's track, the bottom under it, what it comes near, and lines that come together."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import shapely
from shapely import LineString, MultiLineString

from layers.model import Area
from spotmap.cable import point_above
from spotmap.chain import Chain, pull, resampled, speeds
from spotmap.clock import elapsed
from spotmap.gear import clips_of, line_of
from spotmap.model import (
    FloatArray,
    LureTrack,
    RigStep,
    Stop,
    Sweep,
    TimedLeg,
    Together,
    Touch,
    TowedRod,
    Trip,
    TurningRadius,
)
from spotmap.moving import chain_drift
from spotmap.polyline import evenly_spaced
from spotmap.separation import Lines, closest
from spotmap.water import Fishery, KeepOff, Span, keep_off, least_tide_m, open_grounds

STEP_S = 1.0
_TABLE_SPEEDS = np.linspace(0.0, 1.4, 29)
"""Shares of trolling speed at which a ball's depth is worked out, to be read between."""
_TRAILS_AFTER = 1.5
"""Chain lengths of way after which gear that was let out trails as if it had never been anywhere else."""
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
    parts = [_pulled(trip, radius, chain) for chain in _chains(legs)]
    tracks = [track for part in parts for track in _tracks(part)]
    touches: list[Touch] = []
    least_m = np.inf
    for part in parts:
        found, clearance_m = _bottom(area, trip, part)
        touches += found + _near(area, trip, part)
        least_m = min(least_m, clearance_m)
    together = _together(parts, trip.limits.line_separation_m)
    return Sweep(tuple(tracks), tuple(touches), together, _stops(area, trip, radius, legs), float(least_m))


@dataclass(frozen=True)
class _Part:
    """One stretch of track between two lifts of the gear, at n moments; rods and links as in `chain`.

    `out` says where gear trails as it should; during the first `starting` moments it trails over water from before
    the start.
    """

    legs: tuple[TimedLeg, ...]
    leg_of_step: npt.NDArray[np.intp]
    rods: tuple[TowedRod, ...]
    tips: FloatArray
    ends: FloatArray
    depth_m: FloatArray
    speed_mps: FloatArray
    out: npt.NDArray[np.bool_]
    like: tuple[int, ...]
    starting: int

    @property
    def fresh(self) -> list[int]:
        """Return the legs whose like has not come before."""
        return sorted(set(self.like))


def _chains(legs: Sequence[TimedLeg]) -> Iterator[tuple[TimedLeg, ...]]:
    chain: list[TimedLeg] = []
    for timed in legs:
        if timed.leg.kind != "run":
            chain.append(timed)
        elif chain:
            yield tuple(chain)
            chain = []
    if chain:
        yield tuple(chain)


def _pulled(trip: Trip, radius: TurningRadius, chain: tuple[TimedLeg, ...]) -> _Part:
    speed = trip.boat.troll_speed_mps
    lengths = np.array([[_links(one) for one in step.rods] for step in radius.steps])
    whole_m = lengths.sum(axis=2).max(axis=0)
    lead = int(np.ceil(_TRAILS_AFTER * whole_m.max() / (speed * STEP_S)))
    time_s, boat, drift = _through_water(chain, speed, lead)
    ends_s = np.array([elapsed(chain[0].start, timed.end).total_seconds() for timed in chain])
    since_s = np.array([elapsed(chain[0].start, step.since).total_seconds() for step in radius.steps])
    step_of = np.maximum(np.searchsorted(since_s, np.maximum(time_s, 0.0), side="right") - 1, 0)
    side = np.array([{"port": 1.0, "starboard": -1.0, "stern": 0.0}[one.rod.side] for one in radius.rods])
    reach_m = side * np.array([one.rod.reach_m for one in radius.rods])
    pulled = pull(boat, Chain(lengths[step_of], reach_m))
    ball_speed = speeds(pulled.ends[:, :, 0], STEP_S)
    lure_speed = speeds(pulled.ends[:, :, -1], STEP_S)
    # gear counts once it trails again after it was set anew: a chain's length and a half of way
    fresh_from = np.maximum.accumulate(np.where(np.diff(step_of, prepend=-1) != 0, np.arange(len(step_of)), 0))
    way_m = (np.arange(len(step_of)) - fresh_from) * speed * STEP_S
    out = way_m[:, None] >= _TRAILS_AFTER * whole_m
    # a speed is taken over the steps to either side: the last one before a change is not the gear's own
    out[:-1][np.diff(step_of) != 0] = False
    depth = _depths(radius.steps, step_of, ball_speed, speed)
    leg_of_step = np.minimum(np.searchsorted(ends_s, time_s[lead:], side="right"), len(chain) - 1)
    rig = step_of[lead:]
    first = np.searchsorted(leg_of_step, np.arange(len(chain)))
    last = np.searchsorted(leg_of_step, np.arange(len(chain)), side="right") - 1
    like = _like(chain, rig[first.clip(max=len(rig) - 1)], rig[last.clip(min=0)])
    return _Part(
        legs=chain,
        leg_of_step=leg_of_step,
        rods=radius.rods,
        tips=pulled.tips[lead:] + drift[lead:, None],
        ends=pulled.ends[lead:] + drift[lead:, None, None],
        depth_m=depth[lead:],
        speed_mps=lure_speed[lead:],
        out=out[lead:],
        like=like,
        starting=lead,
    )


def _through_water(chain: Sequence[TimedLeg], speed_mps: float, lead: int) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return the boat's places through the water at equal steps, straight ahead for `lead` of them before the start.

    Times (n,) from the start, places (n, 2), and how far the current has carried everything by then, (n, 2).
    """
    xy = np.vstack([chain[0].leg.xy, *(timed.leg.xy[1:] for timed in chain[1:])])
    before_m = lead * speed_mps * STEP_S
    if any(timed.leg.clock_s is None for timed in chain):
        ahead = (xy[1] - xy[0]) / np.hypot(*(xy[1] - xy[0]))
        time_s, boat = resampled(np.vstack([xy[0] - before_m * ahead, xy]), speed_mps, STEP_S)
        return time_s - lead * STEP_S, boat, np.zeros_like(boat)
    clock, carried = chain_drift([timed.leg for timed in chain])
    water = xy - carried
    ahead = (water[1] - water[0]) / np.hypot(*(water[1] - water[0]))
    # the vertices' own clock; a step that is whole but for rounding counts
    time_s = np.arange(-lead, int(clock[-1] / STEP_S + 1e-9) + 1, dtype=np.float64) * STEP_S
    clock, water = np.append(-lead * STEP_S, clock), np.vstack([water[0] - before_m * ahead, water])
    carried = np.vstack([carried[:1], carried])
    boat, drift = (
        np.column_stack([np.interp(time_s, clock, part[:, axis]) for axis in (0, 1)]) for part in (water, carried)
    )
    return time_s, boat, drift


def _like(
    chain: Sequence[TimedLeg], rig_first: npt.NDArray[np.intp], rig_last: npt.NDArray[np.intp]
) -> tuple[int, ...]:
    """Return, for each leg, the first leg that it repeats: the same track after the same one, the rods set the same.

    Laps repeat; the gear does the same on each but the first, and once is enough to look at what does not change with
    the clock.
    """
    seen: dict[tuple[object, ...], int] = {}
    found = []
    before: object = None
    for index, timed in enumerate(chain):
        own = None if timed.leg.clock_s is None else timed.seq  # in moving water no lap is like another
        here = (timed.leg.xy.tobytes(), int(rig_first[index]), int(rig_last[index]), own)
        found.append(seen.setdefault((before, here), index))
        before = here
    return tuple(found)


def _links(towed: TowedRod) -> tuple[float, float]:
    return towed.layback_m, 0.0 if towed.rod.kind == "flat line" else towed.rod.setback_m


def _depths(
    steps: Sequence[RigStep], step_of: npt.NDArray[np.intp], ball_speed: FloatArray, speed_mps: float
) -> FloatArray:
    """Return each rod's depth at each moment, (n, rods), by its ball's own speed."""
    depth = np.empty_like(ball_speed)
    known: dict[tuple[str, float], FloatArray] = {}
    for index in np.unique(step_of):
        rods = steps[index].rods
        by_name = {one.rod.name: one for one in rods}
        at = step_of == index
        for column, one in enumerate(rods):
            key = (one.rod.name, one.cable_out_m)
            if key not in known:
                carrier = by_name[one.rod.cable_of or one.rod.name]
                line = line_of([carrier.rod], [clips_of(carrier.rod, [other.rod for other in rods])])
                known[key], _ = point_above(line, carrier.cable_out_m, _TABLE_SPEEDS * speed_mps, one.rod.above_m)
            depth[at, column] = np.interp(ball_speed[at, column], _TABLE_SPEEDS * speed_mps, known[key])
    return depth


def _tracks(part: _Part) -> Iterator[LureTrack]:
    made: dict[tuple[int, int], LureTrack] = {}
    for index, timed in enumerate(part.legs):
        for column in range(len(part.rods)):
            key = (part.like[index], column)
            if key not in made:
                made[key] = _track(part, index, column)
            yield replace(made[key], seq=timed.seq)


def _track(part: _Part, index: int, column: int) -> LureTrack:
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
            return kept
        between = [kept[one] + int(off_m[kept[one] : kept[one + 1]].argmax()) for one in bad]
        kept = np.union1d(kept, np.array(between, dtype=kept.dtype))


def _bottom(area: Area, trip: Trip, part: _Part) -> tuple[list[Touch], float]:
    """Return where gear comes nearer the bottom than its clearance, and the least clearance there is."""
    look = np.flatnonzero(np.isin(part.leg_of_step, part.fresh))[::_BOTTOM_EVERY]
    ends = part.ends[look]
    charted = area.depth.depth_at(ends[..., 0].ravel(), ends[..., 1].ravel()).reshape(ends.shape[:3])
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


def _tide_m(area: Area, part: _Part, look: npt.NDArray[np.intp]) -> FloatArray:
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


def _near(area: Area, trip: Trip, part: _Part) -> list[Touch]:
    """Return where balls and lures come nearer closed water, land, hazards and lanes than their standoff."""
    fishery = Fishery(trip.species, trip.method)
    touches = []
    span = Span(part.legs[0].start, part.legs[-1].end)
    things = (*keep_off(area, fishery, trip.limits, span), *_grounds(area, trip, span))
    for index in part.fresh:
        on = np.flatnonzero(part.leg_of_step == index)
        if len(on) < 2:  # noqa: PLR2004  no line
            continue
        few = np.append(on[:-1:_NEAR_EVERY], on[-1])
        gear = part.ends[few].reshape(len(few), -1, 2)
        swath = _swath(gear)
        box = shapely.box(*swath.bounds)
        for thing in things:
            if not shapely.dwithin(box, thing.shape, thing.distance_m):
                continue
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


def _together(parts: Sequence[_Part], limit_m: float) -> tuple[Together, ...]:
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
    under_track = {key: area.depth.depth_at(xy[:, 0], xy[:, 1]) for key, xy in places.items()}
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
