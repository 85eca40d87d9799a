"""The day in moving water, walked forward: each run, pass and turn from the place and the minute the last one ended.

The current decides what follows: while it is weak enough the boat turns back along the line, else the gear comes up,
the boat runs up-current and trolls down again.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from itertools import islice
from math import isfinite

import numpy as np
import shapely
from shapely import LineString, MultiLineString, MultiPolygon, Point
from shapely.geometry.base import BaseGeometry

from spotmap._errors import NoPlanError
from spotmap.depthline import Stretch
from spotmap.dubins import Pose
from spotmap.gear import longest_chain_m
from spotmap.journey import Outing
from spotmap.laps import trims
from spotmap.model import FloatArray, Leg, OffLine, TideChoice, Work
from spotmap.moving import LEAST_OVER_GROUND_MPS, Flow, Passage, heading_on, passage, still
from spotmap.passes import SHORTEST_PASS_RADII, NoPass, off_line
from spotmap.patterns import PassKey, box_around, stretches_of
from spotmap.placing import Before, Brief, InCurrent, PlacedWork, longest_duration, place_work
from spotmap.polyline import along_m, begun_after, length_m
from spotmap.remedies import remedies_for
from spotmap.report import choice_words, work_title
from spotmap.shifts import NEAR_SLACK_MPS, NO_CURRENT_MPS, Shift, minutes_per_hour, shifts_of, strongest_mps
from spotmap.timetable import refuse_missing_lines, run_times
from spotmap.turns import Motion, Turn, drifting_turn, start_pose
from spotmap.voyage import Voyage, VoyageMark, flow_of
from spotmap.water import Span
from spotmap.ways import Runs

_TRIMS_PER_RADIUS = 2.0
_MOST_TRIED = 60
_MOST_CHAINS = 5
_TRIMMED_SHARE = 0.6
"""Turns leave so much of a pass at least, or nearly."""
_RUN_SPARE_S = 180.0
_FAR_ROUND = 4.0
"""With so many times the straight run home left, the way home is not worked out in haste."""
_SLOWEST_SHARE = 3.0
"""Passes against the current can take so many times as long as in still water."""
_NEARLY_SOONEST = 1.02
_SPARE_LAPS = 1.5
"""A one-way pass may begin before its shift or end after it by so many passes."""


@dataclass(frozen=True)
class Walked:
    """A day in moving water: its legs in order, when it starts, the work done, and what is to be said of it."""

    legs: tuple[Leg, ...]
    departure: datetime
    outings: tuple[Outing, ...]
    words: tuple[str, ...]


def walk_day(brief: Brief, runs: Runs) -> Walked:
    """Return the whole day worked with the current.

    Parameters
    ----------
    brief
        The area, which has a current, the trip and its rig.
    runs
        The ways between pieces of work.

    Returns
    -------
    Walked
        With at least one pass.

    Raises
    ------
    InputError
        When the area has no line at a wanted depth at all.
    NoPlanError
        When nothing of any piece of work can be worked, or no water joins home and the work.
    """
    walked = _walked(Voyage(brief, runs), hasty=True)
    return walked if walked is not None else _exactly(brief, runs)


def _exactly(brief: Brief, runs: Runs) -> Walked:
    walked = _walked(Voyage(brief, runs), hasty=False)
    if walked is None:
        raise NoPlanError("The run home takes longer than the trip leaves time for.", remedies=["more hours"])
    return walked


def _walked(day: Voyage, *, hasty: bool) -> Walked | None:
    """Return the day, or None where it ends too late, which can only be when the way home was judged in haste."""
    brief = day.brief
    outings: list[Outing] = []
    left_out: list[str] = []
    failures: list[tuple[int, NoPass]] = []
    for index, work in enumerate(brief.trip.works):
        done = _worked(day, index, hasty)
        if isinstance(done, NoPass):
            refuse_missing_lines(brief.area, brief.trip, index)
            failures.append((index, done))
            title = work_title(work, brief.area.show)
            left_out.append(f"work {index + 1} ({title}) is left out: " + "; ".join(done.reasons[:3]))
        else:
            outings.append(done)
    if not outings:
        index, failure = failures[0]
        raise NoPlanError(
            f"Nothing of work {index + 1} ({work_title(brief.trip.works[index], brief.area.show)}) can be worked.",
            failure.reasons,
            remedies_for(brief, index, Span(brief.trip.start, brief.trip.latest_end)),
        )
    day.run_home()
    if day.now_s > day.end_s + 1.0:
        return None
    return Walked(tuple(day.made.legs), day.departure, tuple(outings), tuple(left_out))


def moves(brief: Brief) -> bool:
    """Return whether the water is known to move at home or at any piece of work during the trip."""
    trip, area = brief.trip, brief.area
    if area.current is None:
        return False
    ends = trip.start.timestamp(), trip.latest_end.timestamp()
    if strongest_mps(LineString([trip.home, trip.works[0].near]), *ends, flow_of(area)) >= NO_CURRENT_MPS:
        return True
    for work in trip.works:
        stretches = stretches_of(work, area.depth, brief.radius.radius_m)
        if isinstance(stretches, NoPass):
            continue
        known = area.current.known(box_around(stretches, brief.radius.radius_m))
        line = _where_known(stretches[0].line, known, SHORTEST_PASS_RADII * brief.radius.radius_m)
        if line is not None and strongest_mps(line, *ends, flow_of(area)) >= NO_CURRENT_MPS:
            return True
    return False


@dataclass
class _Pass:
    """A pass begun: its track, what the boat does on it, when, and the kit and shift that it belongs to."""

    kit: PlacedWork
    shift: Shift
    key: PassKey
    xy: FloatArray
    way: Passage
    start_s: float

    @property
    def turns(self) -> bool:
        """Return whether the boat means to turn at its end with the gear down."""
        return self.shift.pattern != "one-way"

    @property
    def end_s(self) -> float:
        """Return when it ends."""
        return self.start_s + self.way.took_s

    def cut_at(self, last: int) -> _Pass:
        way = self.way
        shorter = Passage(
            way.clock_s[: last + 1], way.current_mps[: last + 1], way.heading_rad[:last], way.over_ground_mps[:last]
        )
        return replace(self, xy=self.xy[: last + 1], way=shorter)


@dataclass
class _Field:
    """One piece of work and everything that is known about it while it is worked."""

    day: Voyage
    index: int
    work: Work
    stretches: tuple[Stretch, ...]
    flow: Flow
    known: MultiPolygon
    shifts: tuple[Shift, ...]
    arrive_s: float
    hasty: bool
    lifts: int = 0
    gear_down_after_m: float = 0.0
    kits: dict[int, PlacedWork | NoPass] = field(default_factory=dict)
    offs: dict[bytes, OffLine] = field(default_factory=dict)
    befores: list[Before] = field(default_factory=list)
    trails: dict[int, BaseGeometry] = field(default_factory=dict)
    done: list[tuple[int, _Pass]] = field(default_factory=list)
    begin_s: float | None = None
    last_trim: dict[PassKey, tuple[int, int]] = field(default_factory=dict)

    @property
    def spare_s(self) -> float:
        return _SPARE_LAPS * float(self.stretches[0].line.length) / self.day.brief.trip.boat.troll_speed_mps

    def kit(self, shift: Shift) -> PlacedWork | NoPass:
        """Return the work as it is laid out for a shift."""
        position = self.shifts.index(shift)
        if position not in self.kits:
            self.kits[position] = self._laid(shift)
        return self.kits[position]

    def _laid(self, shift: Shift) -> PlacedWork | NoPass:
        radius, day = self.day.brief.radius, self.day
        forward_m, back_m = (bend * radius.radius_m for bend in (shift.bend_forward, shift.bend_back))
        if not isfinite(forward_m + back_m):
            return NoPass(("the current sets too hard across the line to hold it",), 0.0)
        one_way = shift.pattern == "one-way"
        spare_s = self.spare_s if one_way else 0.0
        span = day.span_from(
            max(shift.since_s - spare_s, self.arrive_s),
            max(min(shift.until_s + spare_s, day.end_s), self.arrive_s + 1.0),
        )
        out_first = shift.out_forward is not False
        current = InCurrent(
            work=replace(self.work, pattern=shift.pattern, return_line_m=None if one_way else self.work.return_line_m),
            bend_out_m=forward_m if out_first else back_m,
            bend_back_m=back_m if out_first else forward_m,
            out_forward=shift.out_forward,
            aside_m=shift.aside * longest_chain_m(radius),
            known=self.known,
            before=tuple(self.befores),
        )
        stretches = self.stretches[:1] if one_way else self.stretches
        placed = place_work(day.brief, self.index, stretches, span, current)
        if isinstance(placed, NoPass) and shift.pattern == "weave":
            # its bends are run on any course: in a current they can be too wide for the room between the lines
            current = replace(current, work=replace(current.work, pattern="loop"))
            placed = place_work(day.brief, self.index, stretches, span, current)
            if isinstance(placed, PlacedWork):
                placed = replace(placed, note="no weave can be steered in this current: a loop on the two lines")
        if isinstance(placed, PlacedWork):
            self.befores.append(Before(current.bend_out_m, current.bend_back_m, current.out_forward, placed.fitted))
        return placed

    def near_water(self, kit: PlacedWork) -> BaseGeometry:
        """Return the water that gear may trail over: it keeps the standoffs, the boat a little more."""
        key = id(kit)
        if key not in self.trails:
            self.trails[key] = kit.fitted.water.allowed.buffer(kit.fitted.water.needed.spare_m, quad_segs=4)
            shapely.prepare(self.trails[key])
        return self.trails[key]

    def limit_s(self, kit: PlacedWork) -> float:
        """Return by when a pass must end."""
        limits = [kit.span.end.timestamp()]
        if kit.stop_by is not None:
            limits.append(kit.stop_by.timestamp())
        return min(limits)

    def over(self, end_s: float, place: Point) -> bool:
        """Return whether the work's own time, or the trip's, would be over."""
        own = self.work.duration
        if own is not None and self.begin_s is not None and end_s > self.begin_s + own.total_seconds():
            return True
        straight_s = place.distance(self.day.brief.trip.home) / self.day.brief.trip.boat.run_speed_mps
        if self.hasty and end_s + _FAR_ROUND * straight_s + _RUN_SPARE_S < self.day.end_s:
            return False
        return end_s > self.day.end_s or self.day.home_by_s(place, end_s) > self.day.end_s


def _worked(day: Voyage, index: int, hasty: bool) -> Outing | NoPass:  # noqa: FBT001  passed on
    """Work one piece of work for as long as there is time; return what was done, or why nothing was."""
    opened = _opened(day, index, hasty)
    if isinstance(opened, NoPass):
        return opened
    mark = day.mark()
    now, reasons = _begun(opened)
    if now is None:
        day.back_to(mark)
        return NoPass(reasons, 0.0)
    count = 1
    while opened.work.passes is None or count < opened.work.passes:
        following = _turned(opened, now) if now.turns else None
        if following is None:
            _finish(opened, now)
            before = now
            following, _ = _begun(opened)
            opened.lifts += following is not None and following.shift is before.shift and before.turns
            if following is None:
                now = None
                break
        now, count = following, count + 1
    if now is not None:
        _finish(opened, now)
    return _as_outing(opened)


def _opened(day: Voyage, index: int, hasty: bool) -> _Field | NoPass:  # noqa: FBT001  passed on
    brief = day.brief
    trip, area, work = brief.trip, brief.area, brief.trip.works[index]
    stretches = stretches_of(work, area.depth, brief.radius.radius_m)
    if isinstance(stretches, NoPass):
        return stretches
    lines = MultiLineString([stretch.line for stretch in stretches])
    nearest, farthest = run_times(day.here, lines, trip.boat.run_speed_mps)
    longest = longest_duration(work, trip, brief.radius.radius_m)
    longest *= 1.0 if work.duration is not None else _SLOWEST_SHARE
    arrive_s = day.now_s + nearest.total_seconds()
    until_s = day.now_s + 2.0 * farthest.total_seconds() + _RUN_SPARE_S + longest.total_seconds()
    window = (arrive_s, max(min(until_s, day.end_s), arrive_s + 60.0))
    known = area.current.known(box_around(stretches, brief.radius.radius_m)) if area.current else MultiPolygon()
    line, flow = _where_known(stretches[0].line, known, SHORTEST_PASS_RADII * brief.radius.radius_m), day.flow
    if line is None:
        # nothing is known of it anywhere on the line: none is counted, and the plan says so
        line, flow, known = stretches[0].line, still, shapely.multipolygons([shapely.box(*_wide(stretches))])
    shifts = shifts_of(work, line, window, trip.boat, trip.limits, flow)
    return _Field(day, index, work, stretches, flow, known, shifts, arrive_s, hasty)


def _wide(stretches: Sequence[Stretch]) -> tuple[float, float, float, float]:
    return box_around(stretches, 1e4)


def _where_known(line: LineString, known: MultiPolygon, shortest_m: float) -> LineString | None:
    parts = shapely.get_parts(shapely.line_merge(line.intersection(known)))
    lines = [part for part in parts if part.geom_type == "LineString" and part.length >= shortest_m]
    if not lines:
        return None
    longest = max(lines, key=lambda part: part.length)
    ends = [line.project(shapely.get_point(longest, at)) for at in (0, -1)]
    return longest if ends[0] <= ends[1] else longest.reverse()


def _begun(field_: _Field) -> tuple[_Pass | None, tuple[str, ...]]:
    """Run to a pass that the current lets begin now; return it, or None and why there is none."""
    reasons: list[str] = []
    for shift in _shifts_now(field_):
        kit = field_.kit(shift)
        if isinstance(kit, NoPass):
            reasons += kit.reasons
            continue
        for key in _keys(field_, kit, shift):
            found = _pass_after_run(field_, kit, shift, key)
            if isinstance(found, _Pass):
                return found, ()
            reasons.append(found)
    return None, tuple(dict.fromkeys(reasons)) or ("no time is left for one pass",)


def _shifts_now(field_: _Field) -> Iterator[Shift]:
    """Yield the shift of this minute, then those near in which one-way passes may begin early or late."""
    now_s = max(field_.day.now_s, field_.arrive_s)
    present = [shift for shift in field_.shifts if shift.since_s <= now_s < shift.until_s]
    yield from present
    for shift in field_.shifts:
        near = shift.since_s - field_.spare_s <= now_s < shift.until_s + field_.spare_s
        if near and shift.pattern == "one-way" and shift not in present:
            yield shift


def _keys(field_: _Field, kit: PlacedWork, shift: Shift) -> list[PassKey]:
    """Return the passes that may be begun with, the nearest first; one-way passes go with the current."""
    here, fitted = field_.day.here, kit.fitted
    keys = sorted(fitted.graph.nodes)
    if shift.pattern == "one-way":
        keys = [key for key in keys if _with_current(field_, fitted.track(key))]
    return sorted(keys, key=lambda key: here.distance(Point(fitted.track(key)[0])))


def _with_current(field_: _Field, xy: FloatArray) -> bool:
    ends, now_s = xy[[0, len(xy) // 2, -1]], max(field_.day.now_s, field_.arrive_s)
    return bool(_along(ends, field_.flow(ends, np.full(3, now_s))).mean() > -2.0 * NEAR_SLACK_MPS)


def _pass_after_run(field_: _Field, kit: PlacedWork, shift: Shift, key: PassKey) -> _Pass | str:
    """Run to a pass and time it; return it, or, with everything undone, why not."""
    day = field_.day
    mark, began_s = day.mark(), day.now_s
    xy = _where_gear_trails(field_, kit, kit.fitted.track(key))
    try:
        stemmed = day.run(Point(xy[0]), f"work {field_.index + 1}", work=field_.index, onto=xy, until_s=day.end_s)
    except NoPlanError as error:
        day.back_to(mark)
        return "; ".join(error.reasons) or str(error)
    reason = "" if stemmed else "the boat cannot run there against the current"
    if stemmed and day.made.legs and day.made.legs[-1].kind != "run":
        reason = "the boat cannot swing round there"
    if stemmed and kit.begin_by_wait is not None and not day.wait_until(kit.begin_by_wait.timestamp(), began_s):
        reason = "the water opens too late"
    if not reason:
        found = _timed_pass(field_, kit, shift, key, xy)
        if isinstance(found, _Pass):
            if field_.begin_s is None:
                field_.begin_s = found.start_s
            return found
        reason = found
    day.back_to(mark)
    return reason


def _where_gear_trails(field_: _Field, kit: PlacedWork, xy: FloatArray) -> FloatArray:
    """Return a pass from where gear let out straight behind trails over water that it may be in, if not at once."""
    day, radius = field_.day, field_.day.brief.radius
    chain_m, speed_mps = longest_chain_m(radius), day.brief.trip.boat.troll_speed_mps
    for chains in range(_MOST_CHAINS):
        later = begun_after(xy, chains * chain_m)
        flow = field_.flow(later[:1], np.array([max(day.now_s, field_.arrive_s)]))[0]
        heading = heading_on(start_pose(later).heading_rad, speed_mps, flow)
        behind = later[0] - chain_m * np.array([np.cos(heading), np.sin(heading)])
        if isfinite(heading) and shapely.covers(field_.near_water(kit), LineString([later[0], behind])):
            field_.gear_down_after_m = max(field_.gear_down_after_m, chains * chain_m)
            return later
    return xy


def _timed_pass(field_: _Field, kit: PlacedWork, shift: Shift, key: PassKey, xy: FloatArray) -> _Pass | str:
    """Return a pass begun now, or why it cannot be run."""
    day = field_.day
    way = passage(xy, day.brief.trip.boat.troll_speed_mps, day.now_s, field_.flow)
    if not way.slowest_mps >= LEAST_OVER_GROUND_MPS:
        return "against the current less than half a knot would be made over the ground"
    end_s = day.now_s + way.took_s
    if end_s > field_.limit_s(kit) or field_.over(end_s, Point(xy[-1])):
        return "no time is left for one pass"
    along = _along(xy, way.current_mps)
    against = float(along.min()) < -NEAR_SLACK_MPS
    if shift.pattern == "one-way" and float(along.mean()) < -NEAR_SLACK_MPS:
        return "one-way passes are run with the current"
    if shift.pattern != "one-way" and against and end_s > shift.until_s:
        return "the current would grow too strong to troll against"
    return _Pass(kit, shift, key, xy, way, day.now_s)


def _along(xy: FloatArray, current_mps: FloatArray) -> FloatArray:
    step = np.diff(xy, axis=0)
    mean = 0.5 * (current_mps[:-1] + current_mps[1:])
    along: FloatArray = (mean * step).sum(axis=1) / np.hypot(step[:, 0], step[:, 1])
    return along


def _turned(field_: _Field, now: _Pass) -> _Pass | None:
    """Turn with the gear down onto the pass that follows; None where that cannot be, with nothing done."""
    day, kit = field_.day, now.kit
    edges = kit.fitted.graph.adj[now.key]
    key = min(edges, key=lambda after: edges[after]["length_m"])
    if not _may_follow(field_, now, kit.fitted.track(key)):
        return None
    found = _turn_between(field_, now, kit.fitted.track(key))
    if found is None:
        return None
    last, turn, begin = found
    mark = day.mark()
    before = now.cut_at(last)
    _finish(field_, before)
    if day.now_s >= now.shift.until_s:
        _undo_finish(field_, mark)
        return None
    day.made.turn(turn, kit)
    assert turn.clock_s is not None and turn.current_mps is not None  # noqa: S101, PT018  it was made in moving water
    day.made.legs[-1] = replace(day.made.legs[-1], clock_s=turn.clock_s, current_mps=turn.current_mps)
    day.now_s += float(turn.clock_s[-1])
    following = _timed_pass(field_, kit, now.shift, key, kit.fitted.track(key)[begin:])
    if isinstance(following, _Pass):
        return following
    _undo_finish(field_, mark)
    return None


def _may_follow(field_: _Field, now: _Pass, onto: FloatArray) -> bool:
    """Return whether a pass may follow by the clock and the current: a turn is not looked for in vain."""
    speed_mps = field_.day.brief.trip.boat.troll_speed_mps
    way = passage(onto, speed_mps, now.end_s, field_.flow)
    shorter_s = _TRIMMED_SHARE * way.took_s
    return (
        way.slowest_mps >= LEAST_OVER_GROUND_MPS
        and now.end_s + shorter_s <= field_.limit_s(now.kit)
        and not (
            field_.work.duration is not None
            and field_.begin_s is not None
            and now.end_s + shorter_s > field_.begin_s + field_.work.duration.total_seconds()
        )
    )


def _undo_finish(field_: _Field, mark: VoyageMark) -> None:
    field_.done.pop()
    field_.day.back_to(mark)


def _turn_between(field_: _Field, now: _Pass, onto: FloatArray) -> tuple[int, Turn, int] | None:
    """Return where a pass is left, the turn, and where the next one is met, with the least line lost for it."""
    day, water = field_.day, now.kit.fitted.water
    radius_m, boat = day.brief.radius.radius_m, day.brief.trip.boat
    motion = Motion(radius_m, boat.troll_speed_mps, field_.flow)
    out_m, back_m = along_m(now.xy), along_m(onto)
    step_m = radius_m / _TRIMS_PER_RADIUS
    room_m = min(out_m[-1], back_m[-1]) - SHORTEST_PASS_RADII * radius_m
    best: tuple[float, int, Turn, int] | None = None
    pairs = [field_.last_trim.get(now.key, (0, 0)), *islice(trims(), _MOST_TRIED)]
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
        if turn is None or turn.clock_s is None:
            continue
        took_s = float(turn.clock_s[-1])
        cost_m = lost_m + took_s * boat.troll_speed_mps
        if best is None or cost_m < best[0]:
            best = (cost_m, last, turn, begin)
            field_.last_trim[now.key] = (trim_out, trim_back)
        if took_s <= _NEARLY_SOONEST * soonest_s:
            break
    return None if best is None else best[1:]


def _finish(field_: _Field, now: _Pass) -> None:
    """Take a pass as run to the end of its track."""
    day, line = field_.day, now.kit.fitted.passes[now.key.name]
    part = now.xy.tobytes()
    if part not in field_.offs:
        field_.offs[part] = off_line(replace(line, xy=now.xy), day.brief.area.depth)
    day.made.add_pass(now.xy, now.kit, line, field_.offs[part])
    day.now_s = now.start_s
    day.add(day.made.legs[-1], now.way)
    field_.done.append((field_.shifts.index(now.shift), now))


def _as_outing(field_: _Field) -> Outing:
    shares: dict[int, float] = {}
    for position, one in field_.done:
        shares[position] = shares.get(position, 0.0) + length_m(one.xy)
    most = field_.kits[max(shares, key=lambda position: shares[position])]
    assert isinstance(most, PlacedWork)  # noqa: S101  passes were run in it
    notes = [most.note] if most.note else []
    if field_.lifts:
        notes.append(
            f"gear comes up {field_.lifts} time(s) where no turn has room, or leaves too little, in the current there"
        )
    most = replace(most, gear_down_after_m=field_.gear_down_after_m, note="; ".join(notes))
    return Outing(most, len(field_.done), field_.done[0][1].key, tuple(_choices(field_)))


def _choices(field_: _Field) -> Iterator[TideChoice]:
    """Yield what was done from when to when, and why; nothing where the current is not known."""
    if field_.flow is still:
        return
    day, brief = field_.day, field_.day.brief
    groups: list[tuple[int, list[_Pass]]] = []
    for position, one in field_.done:
        if not groups or groups[-1][0] != position:
            groups.append((position, []))
        groups[-1][1].append(one)
    for position, passes in groups:
        shift, first = field_.shifts[position], passes[0]
        middle_s = 0.5 * (first.start_s + passes[-1].end_s)
        middle = 0.5 * (first.xy[len(first.xy) // 2] + first.xy[len(first.xy) // 2 - 1])
        flow = field_.flow(middle[None], np.array([middle_s]))[0]
        ahead = first.xy[-1] - first.xy[0]
        ahead = ahead / np.hypot(*ahead)
        along, sideways = float(flow @ ahead), float(ahead[0] * flow[1] - ahead[1] * flow[0])
        boat = brief.trip.boat
        loop, one_way = minutes_per_hour(along, sideways, length_m(first.xy), brief.radius.radius_m, boat)
        choice = TideChoice(
            since=day.moment(first.start_s),
            until=day.moment(passes[-1].end_s),
            pattern=shift.pattern,
            flow_mps=(float(flow[0]), float(flow[1])),
            strongest_mps=shift.strongest_mps,
            loop_min_per_h=loop,
            one_way_min_per_h=one_way,
            words="",
        )
        set_deg = float(brief.area.projection.true_course_deg(middle[0], middle[1], np.arctan2(flow[1], flow[0])))
        yield replace(choice, words=choice_words(choice, field_.work, set_deg, brief.trip.limits, brief.area.show))
