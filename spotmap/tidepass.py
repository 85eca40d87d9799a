"""Passes and turns in moving water, one after the other: what may be run from this place and minute on."""

from __future__ import annotations

from dataclasses import replace
from itertools import islice
from math import isfinite

import numpy as np
import shapely
from shapely import LineString, Point

from spotmap._errors import NoPlanError
from spotmap.dubins import Pose
from spotmap.gear import longest_chain_m
from spotmap.laps import trims
from spotmap.model import FloatArray
from spotmap.moving import LEAST_OVER_GROUND_MPS, NEAR_SLACK_MPS, heading_on, passage
from spotmap.passes import SHORTEST_PASS_RADII, off_line
from spotmap.patterns import PassKey
from spotmap.placing import PlacedWork
from spotmap.polyline import along_m, begun_after
from spotmap.shifts import Shift
from spotmap.tidework import TidePass, TideWork
from spotmap.turns import DriftingTurn, Motion, drifting_turn, start_pose
from spotmap.voyage import VoyageMark

NO_TIME = "no time is left for one pass"
_TOO_SLOW = "against the current less than half a knot would be made over the ground"
_GROWS = "the current would grow too strong to troll against"
_TRIMS_PER_RADIUS = 2.0
_MOST_TRIED = 60
_MOST_CHAINS = 5
_TRIMMED_SHARE = 0.6
"""Turns leave so much of a pass at least, or nearly."""
_NEARLY_SOONEST = 1.02


def pass_after_run(tide: TideWork, kit: PlacedWork, shift: Shift, key: PassKey) -> TidePass | str:
    """Run to a pass with the gear up, let the gear down and time the pass.

    Parameters
    ----------
    tide
        The piece of work; the boat is where its voyage says.
    kit, shift
        How it is laid out, and the time that this is for.
    key
        The pass and the way it is run.

    Returns
    -------
    TidePass or str
        The pass, not yet taken as run; or, with everything undone, why it cannot be run now.
    """
    day = tide.day
    mark, began_s = day.mark(), day.now_s
    xy = _where_gear_trails(tide, kit, kit.fitted.track(key))
    try:
        stemmed = day.run(Point(xy[0]), f"work {tide.index + 1}", work=tide.index, onto=xy, until_s=day.end_s)
    except NoPlanError as error:
        day.back_to(mark)
        return "; ".join(error.reasons) or str(error)
    reason = "" if stemmed else "the boat cannot run there against the current"
    if stemmed and day.made.legs and day.made.legs[-1].kind != "run":
        reason = "the boat cannot swing round there"
    if stemmed and kit.begin_by_wait is not None and not day.wait_until(kit.begin_by_wait.timestamp(), began_s):
        reason = "the water opens too late"
    if not reason:
        found = _timed_pass(tide, kit, shift, key, xy)
        if isinstance(found, TidePass):
            if tide.begin_s is None:
                tide.begin_s = found.start_s
            return found
        reason = found
    day.back_to(mark)
    return reason


def _where_gear_trails(tide: TideWork, kit: PlacedWork, xy: FloatArray) -> FloatArray:
    """Return a pass from where gear let out straight behind trails over water that it may be in, if not at once."""
    day, radius = tide.day, tide.day.brief.radius
    chain_m, speed_mps = longest_chain_m(radius), day.brief.trip.boat.troll_speed_mps
    for chains in range(_MOST_CHAINS):
        later = begun_after(xy, chains * chain_m)
        flow = tide.flow(later[:1], np.array([max(day.now_s, tide.arrive_s)]))[0]
        heading = heading_on(start_pose(later).heading_rad, speed_mps, flow)
        behind = later[0] - chain_m * np.array([np.cos(heading), np.sin(heading)])
        if isfinite(heading) and shapely.covers(tide.near_water(kit), LineString([later[0], behind])):
            tide.gear_down_after_m = max(tide.gear_down_after_m, chains * chain_m)
            return later
    return xy


def _timed_pass(tide: TideWork, kit: PlacedWork, shift: Shift, key: PassKey, xy: FloatArray) -> TidePass | str:
    """Return a pass begun now, or why it cannot be run."""
    day = tide.day
    way = passage(xy, day.brief.trip.boat.troll_speed_mps, day.now_s, tide.flow)
    if not way.slowest_mps >= LEAST_OVER_GROUND_MPS:
        return _TOO_SLOW
    end_s = day.now_s + way.took_s
    if tide.over(end_s, Point(xy[-1])):
        return NO_TIME
    if end_s > tide.limit_s(kit):
        return "it would end after the water or the current has changed"
    along = along_mps(xy, way.current_mps)
    against = float(along.min()) < -NEAR_SLACK_MPS
    if shift.pattern == "one-way" and float(along.mean()) < -NEAR_SLACK_MPS:
        return "one-way passes are run with the current"
    if shift.pattern != "one-way" and against and end_s > shift.until_s:
        return _GROWS
    return TidePass(kit, shift, key, xy, way, day.now_s)


def along_mps(xy: FloatArray, current_mps: FloatArray) -> FloatArray:
    """Return the current (n, 2) along each stretch of a track (n, 2), m/s, as (n - 1,); against it is negative.

    Examples
    --------
    >>> along_mps(np.array([[0.0, 0.0], [9.0, 0.0]]), np.array([[0.5, 3.0], [0.7, 3.0]])).round(6).tolist()
    [0.6]
    """
    step = np.diff(xy, axis=0)
    mean = 0.5 * (current_mps[:-1] + current_mps[1:])
    along: FloatArray = (mean * step).sum(axis=1) / np.hypot(step[:, 0], step[:, 1])
    return along


def turned_onto(tide: TideWork, now: TidePass) -> TidePass | str:
    """Turn with the gear down onto the pass that follows.

    Parameters
    ----------
    tide
        The piece of work.
    now
        The pass under way; it is taken as run as far as the turn.

    Returns
    -------
    TidePass or str
        The pass that follows, not yet taken as run; or, with nothing done, why none does: `NO_TIME`, or that no turn
        has room or the current forbids it.
    """
    day, kit = tide.day, now.kit
    edges = kit.fitted.graph.adj[now.key]
    key = min(edges, key=lambda after: edges[after]["length_m"])
    hindrance = _hindrance(tide, now, kit.fitted.track(key))
    if hindrance:
        return hindrance
    found = _turn_between(tide, now, kit.fitted.track(key))
    if found is None:
        return "no turn has room"
    last, turn, begin = found
    mark = day.mark()
    before = now.cut_at(last)
    finish(tide, before)
    if day.now_s >= now.shift.until_s:
        _undo(tide, mark)
        return _GROWS
    day.made.turn(turn, kit)
    day.made.legs[-1] = replace(day.made.legs[-1], clock_s=turn.clock_s, current_mps=turn.current_mps)
    day.now_s += turn.took_s
    following = _timed_pass(tide, kit, now.shift, key, kit.fitted.track(key)[begin:])
    if not isinstance(following, TidePass):
        _undo(tide, mark)
    return following


def _hindrance(tide: TideWork, now: TidePass, onto: FloatArray) -> str:
    """Return what forbids a pass to follow, by the clock and the current, so that no turn is looked for in vain."""
    way = passage(onto, tide.day.brief.trip.boat.troll_speed_mps, now.end_s, tide.flow)
    if not way.slowest_mps >= LEAST_OVER_GROUND_MPS:
        return _TOO_SLOW
    end_s = now.end_s + _TRIMMED_SHARE * way.took_s
    if tide.over(end_s, Point(onto[-1])):
        return NO_TIME
    return _GROWS if end_s > tide.limit_s(now.kit) else ""


def _undo(tide: TideWork, mark: VoyageMark) -> None:
    tide.done.pop()
    tide.day.back_to(mark)


def _turn_between(tide: TideWork, now: TidePass, onto: FloatArray) -> tuple[int, DriftingTurn, int] | None:
    """Return where a pass is left, the turn, and where the next one is met, with the least line lost for it."""
    day, water = tide.day, now.kit.fitted.water
    radius_m, boat = day.brief.radius.radius_m, day.brief.trip.boat
    motion = Motion(radius_m, boat.troll_speed_mps, tide.flow)
    out_m, back_m = along_m(now.xy), along_m(onto)
    step_m = radius_m / _TRIMS_PER_RADIUS
    room_m = min(out_m[-1], back_m[-1]) - SHORTEST_PASS_RADII * radius_m
    best: tuple[float, int, DriftingTurn, int] | None = None
    pairs = [tide.last_trim.get(now.key, (0, 0)), *islice(trims(), _MOST_TRIED)]
    for trim_out, trim_back in pairs:
        lost_m = (trim_out + trim_back) * step_m
        if max(trim_out, trim_back) * step_m > room_m or (best is not None and lost_m >= best[0]):
            continue
        last = int(np.abs(out_m - (out_m[-1] - trim_out * step_m)).argmin())
        begin = int(np.abs(back_m - trim_back * step_m).argmin())
        leaving = Pose(float(now.xy[last, 0]), float(now.xy[last, 1]), float(now.way.heading_rad[last - 1]))
        start_s = now.start_s + float(now.way.clock_s[last])
        turn, soonest_s = drifting_turn(
            leaving, start_pose(onto[begin:]), start_s, motion, water.allowed, day.brief.area.depth
        )
        if turn is None:
            continue
        took_s = turn.took_s
        cost_m = lost_m + took_s * boat.troll_speed_mps
        if best is None or cost_m < best[0]:
            best = (cost_m, last, turn, begin)
            tide.last_trim[now.key] = (trim_out, trim_back)
        if took_s <= _NEARLY_SOONEST * soonest_s:
            break
    return None if best is None else best[1:]


def finish(tide: TideWork, now: TidePass) -> None:
    """Take a pass as run to the end of its track."""
    day, line = tide.day, now.kit.fitted.passes[now.key.name]
    part = now.xy.tobytes()
    if part not in tide.offs:
        tide.offs[part] = off_line(replace(line, xy=now.xy), day.brief.area.depth)
    day.made.add_pass(now.xy, now.kit, line, tide.offs[part])
    day.now_s = now.start_s
    day.add(day.made.legs[-1], now.way)
    tide.done.append((tide.shifts.index(now.shift), now))
