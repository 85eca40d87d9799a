"""The check that every plan passes before it is written.

It looks at the finished plan only: at distances, depths, radii and times, not at how the planner came to them.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import pairwise

import numpy as np
import shapely
from shapely import LineString

from layers.model import Rule
from layers.seasons import changes, is_active
from spotmap.gear import deepest_gear_m, steps_in
from spotmap.model import FloatArray, Plan, TimedLeg
from spotmap.moving import LEAST_OVER_GROUND_MPS, chain_drift
from spotmap.polyline import circumradius_m, length_m, places_at
from spotmap.water import Fishery, Hull, Span, keep_off, least_tide_m, strikes, tide_unknown

_TOLERANCE_M = 0.05
_CHORD_M = 12.0
_RADIUS_SHARE = 0.97
_MEET_M = 0.01
_TURN_RAD = 0.05
_RUN_LOOK_M = 5.0
_SPEED_SHARE = 0.02
_STRONG_MPS = 0.05
_MOST_TOLD = 20


def faults(plan: Plan) -> list[str]:
    """Return everything that is wrong with a plan, in words; empty when it is good.

    Checked: legs meet in place, heading and time; gear keeps its standoff from closures in force while it passes,
    stays inside open grounds, off land, hazards and lanes; depth under the boat, the tide counted, is known and holds
    gear and clearance; nowhere is the path through the water tighter than R (circumradius over 12 m chords at least
    0.97 R); in moving water the boat goes at trolling speed through it, makes half a knot over the ground, and no loop
    is turned in more current than is trolled against; runs keep afloat, off land and what they could strike, and out of
    entry bans and lanes closed to all.

    Parameters
    ----------
    plan
        The finished plan.

    Returns
    -------
    list of str
        At most 20 faults, each with the leg.
    """
    found: list[str] = [*_joints(plan)]
    looked: set[tuple[bytes, tuple[tuple[bool, bool], ...], str]] = set()
    charted: dict[bytes, FloatArray] = {}
    for timed in plan.legs:
        # the same track under the same rules was looked at before, and so were the depths under it
        track = timed.leg.xy.tobytes()
        if track not in charted:
            charted[track] = _charted(plan, timed)
        parts = [*_depth_faults(plan, timed, charted[track]), *_moving_faults(plan, timed)]
        key = (track, _state(plan, timed), timed.leg.kind)
        if key not in looked:
            looked.add(key)
            parts += _run_faults(plan, timed) if timed.leg.kind == "run" else _gear_faults(plan, timed)
        found += [f"leg {timed.seq} ({timed.leg.label}): {fault}" for fault in parts]
        if len(found) >= _MOST_TOLD:
            break
    return found[:_MOST_TOLD]


def _state(plan: Plan, timed: TimedLeg) -> tuple[tuple[bool, bool], ...]:
    """Return, for every rule of the area, whether it is active at a leg's start and whether it changes on it."""
    return tuple(
        (is_active(rule.season, timed.start), bool(changes(rule.season, timed.start, timed.end)))
        for rule in (*plan.area.closures, *plan.area.grounds)
    )


def _tide_m(plan: Plan, timed: TimedLeg) -> float:
    return least_tide_m(plan.area, Span(timed.start, timed.end))


def _gear_m(plan: Plan, timed: TimedLeg) -> float:
    return deepest_gear_m(steps_in(plan.radius, timed.start, timed.end), slowed=False)


def _joints(plan: Plan) -> Iterator[str]:
    for before, after in pairwise(plan.legs):
        where = f"legs {before.seq} and {after.seq}"
        if np.hypot(*(after.leg.xy[0] - before.leg.xy[-1])) > _MEET_M:
            yield f"{where} do not meet"
        if before.end != after.start:
            yield f"{where} leave a gap in time"
        if "run" not in (before.leg.kind, after.leg.kind):
            bend = _heading(_through_water([after])[:2]) - _heading(_through_water([before])[-2:])
            if abs((bend + np.pi) % (2 * np.pi) - np.pi) > _TURN_RAD:
                yield f"{where} do not meet in heading"
    chain: list[TimedLeg] = []
    for timed in (*plan.legs, None):
        if timed is not None and timed.leg.kind != "run":
            chain.append(timed)
        elif chain:
            tightest = _tightest(_through_water(chain))
            if tightest < _RADIUS_SHARE * plan.radius.radius_m:
                yield f"gear is pulled through a radius of {tightest:.1f} m, R is {plan.radius.radius_m:.1f} m"
            chain = []


def _through_water(chain: Sequence[TimedLeg]) -> FloatArray:
    """Return the path through the water of legs that follow one another: the ground's, less the drift."""
    xy = np.vstack([chain[0].leg.xy, *(timed.leg.xy[1:] for timed in chain[1:])])
    if any(timed.leg.clock_s is None for timed in chain):
        return xy
    path: FloatArray = xy - chain_drift([timed.leg for timed in chain])[1]
    return path


def _heading(xy: FloatArray) -> float:
    (x0, y0), (x1, y1) = xy
    return float(np.arctan2(y1 - y0, x1 - x0))


def _tightest(xy: FloatArray) -> float:
    """Return the least circumradius of three points a chord of 12 m apart from first to last."""
    along = np.arange(0.0, length_m(xy) - _CHORD_M, 1.0)
    if not len(along):
        return float("inf")
    return float(circumradius_m(*(places_at(xy, along + part * _CHORD_M) for part in (0.0, 0.5, 1.0))).min())


def _charted(plan: Plan, timed: TimedLeg) -> FloatArray:
    """Return the charted depth less its uncertainty along a leg, at every vertex, and every few metres of a run."""
    xy = timed.leg.xy
    if timed.leg.kind == "run":
        xy = shapely.get_coordinates(shapely.segmentize(LineString(xy), _RUN_LOOK_M))
    return plan.area.safe_depth.depth_at(xy[:, 0], xy[:, 1])


def _depth_faults(plan: Plan, timed: TimedLeg, charted: FloatArray) -> Iterator[str]:
    tide_m = _tide_m(plan, timed)
    (west, south), (east, north) = timed.leg.xy.min(axis=0) - 1.0, timed.leg.xy.max(axis=0) + 1.0
    untold = tide_unknown(plan.area, (west, south, east, north))
    if not np.isfinite(tide_m) or (untold is not None and untold.intersects(LineString(timed.leg.xy))):
        yield "the tide over it is not known"
    elif timed.leg.kind == "run":
        yield from _run_depth_faults(plan, charted, tide_m)
    else:
        yield from _gear_depth_faults(plan, timed, charted, tide_m)


def _run_depth_faults(plan: Plan, charted: FloatArray, tide_m: float) -> Iterator[str]:
    if np.isnan(charted).any():
        yield "the run crosses water of unknown depth"
    elif charted.min() + min(tide_m, 0.0) < plan.trip.boat.draft_m:
        yield f"the run crosses water {charted.min():.1f} m deep, less than the draft"


def _gear_depth_faults(plan: Plan, timed: TimedLeg, charted: FloatArray, tide_m: float) -> Iterator[str]:
    needed_m = _gear_m(plan, timed) + plan.trip.limits.bottom_clearance_m - tide_m
    if np.isnan(charted).any():
        yield "depth under it is unknown"
    elif charted.min() < needed_m - _TOLERANCE_M:
        yield f"depth under it is {charted.min():.1f} m, gear, clearance and tide want {needed_m:.1f} m"


def _gear_faults(plan: Plan, timed: TimedLeg) -> Iterator[str]:
    area, limits = plan.area, plan.trip.limits
    track = LineString(timed.leg.xy)
    fishery = Fishery(plan.trip.species, plan.trip.method)
    for thing in keep_off(area, fishery, limits, Span(timed.start, timed.end), track.bounds):
        if shapely.dwithin(track, thing.shape, max(thing.distance_m - _TOLERANCE_M, 0.0)):
            yield f"gear too near {thing.words}"
    if area.has_grounds:
        yield from _ground_faults(plan, timed, track)


def _moving_faults(plan: Plan, timed: TimedLeg) -> Iterator[str]:
    leg, troll_mps = timed.leg, plan.trip.boat.troll_speed_mps
    if leg.kind == "run" or leg.clock_s is None or leg.current_mps is None:
        return
    took = np.diff(leg.clock_s)
    if not (took > 0.0).all():
        yield "its clock does not run on"
        return
    through = np.hypot(*np.diff(_through_water([timed]), axis=0).T) / took
    if (np.abs(through - troll_mps) > _SPEED_SHARE * troll_mps).any():
        yield f"through the water it goes {through.min():.2f} to {through.max():.2f} m/s, trolling is {troll_mps:.2f}"
    over_ground = np.hypot(*np.diff(leg.xy, axis=0).T) / took
    if over_ground.min() < LEAST_OVER_GROUND_MPS * (1.0 - _SPEED_SHARE):
        yield f"over the ground it makes {over_ground.min():.2f} m/s, less than half a knot"
    strong_mps = plan.trip.limits.strong_current_mps
    if leg.kind == "turn" and np.hypot(*leg.current_mps[0]) > strong_mps + _STRONG_MPS:
        yield f"it turns in {np.hypot(*leg.current_mps[0]):.2f} m/s of current, {strong_mps:.2f} is trolled against"


def _ground_faults(plan: Plan, timed: TimedLeg, track: LineString) -> Iterator[str]:
    standoff_m = plan.trip.limits.closure_standoff_m
    grounds = [rule for rule in plan.area.grounds if rule.concerns(plan.trip.species, plan.trip.method)]
    moments = {timed.start, *(m for rule in grounds for m in changes(rule.season, timed.start, timed.end))}
    for moment in sorted(moments):
        active = [rule.shape for rule in grounds if is_active(rule.season, moment)]
        open_water = shapely.union_all(active)
        if not open_water.covers(track) or open_water.boundary.distance(track) < standoff_m - _TOLERANCE_M:
            yield f"gear outside the grounds open at {moment:%H:%M}, or nearer their edge than the standoff"


def _run_faults(plan: Plan, timed: TimedLeg) -> Iterator[str]:
    area = plan.area
    track = LineString(timed.leg.xy)
    if track.intersects(area.land):
        yield "the run crosses land"
    for rule in _in_force(area.closures, plan, timed):
        if rule.forbids == "entry" and track.intersects(rule.shape):
            yield f"the run enters '{rule.name}'"
    for thing in strikes(area, Hull(plan.trip.boat.draft_m, plan.trip.home)):
        if shapely.dwithin(track, thing.shape, max(thing.distance_m - _TOLERANCE_M, 0.0)):
            yield f"the run comes too near a {thing.words}"
    for lane in area.lanes:
        if lane.avoid == "all" and track.intersects(lane.shape):
            yield f"the run enters the lane '{lane.name}'"


def _in_force(rules: Sequence[Rule], plan: Plan, timed: TimedLeg) -> Iterator[Rule]:
    for rule in rules:
        concerned = rule.forbids == "entry" or rule.concerns(plan.trip.species, plan.trip.method)
        if concerned and (is_active(rule.season, timed.start) or changes(rule.season, timed.start, timed.end)):
            yield rule
