"""The day in moving water, walked forward: each run, pass and turn from the place and the minute the last one ended.

The current decides what follows: while it is weak enough the boat turns back along the line, else the gear comes up,
the boat runs up-current and trolls down again.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np
from shapely import LineString, Point

from spotmap._errors import NoPlanError
from spotmap.journey import Outing
from spotmap.model import FloatArray, Leg, TideChoice
from spotmap.moving import NEAR_SLACK_MPS, still
from spotmap.passes import SHORTEST_PASS_RADII, NoPass
from spotmap.patterns import PassKey, box_around, stretches_of
from spotmap.placing import Brief, PlacedWork
from spotmap.polyline import length_m
from spotmap.remedies import remedies_for
from spotmap.report import choice_words, work_title
from spotmap.shifts import NO_CURRENT_MPS, Shift, minutes_per_hour, strongest_mps
from spotmap.tidepass import NO_TIME, along_mps, finish, pass_after_run, turned_onto
from spotmap.tidework import TidePass, TideWork, opened_work, where_known
from spotmap.timetable import refuse_missing_lines
from spotmap.voyage import Voyage, flow_of
from spotmap.water import Span
from spotmap.ways import Runs


@dataclass(frozen=True)
class Walked:
    """A day in moving water: its legs in order, when it starts, the work done, and what was left out, in words."""

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
    for hasty in (True, False):
        walked = _walked(Voyage(brief, runs), hasty=hasty)
        if walked is not None:
            return walked
    raise NoPlanError("The run home takes longer than the trip leaves time for.", remedies=["more hours"])


def _walked(day: Voyage, *, hasty: bool) -> Walked | None:
    """Return the day, or None where the way home was judged in haste and is too long, or is none."""
    brief = day.brief
    outings: list[Outing] = []
    left_out: list[str] = []
    failures: list[tuple[int, NoPass]] = []
    for index, work in enumerate(brief.trip.works):
        done = _worked(day, index, hasty=hasty)
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
    try:
        day.run_home()
    except NoPlanError:
        if hasty:
            return None
        raise
    if day.now_s > day.end_s + 1.0:
        return None
    return Walked(tuple(day.made.legs), day.departure, tuple(outings), tuple(left_out))


def moves(brief: Brief) -> bool:
    """Return whether the water is known to move at home or at any piece of work during the trip."""
    trip, area = brief.trip, brief.area
    if area.current is None:
        return False
    ends = trip.start.timestamp(), trip.latest_end.timestamp()
    way = LineString([trip.home, trip.works[0].near])
    if way.length > 0.0 and strongest_mps(way, *ends, flow_of(area)) >= NO_CURRENT_MPS:
        return True
    for work in trip.works:
        stretches = stretches_of(work, area.depth, brief.radius.radius_m)
        if isinstance(stretches, NoPass):
            continue
        known = area.current.known(box_around(stretches, brief.radius.radius_m))
        line = where_known(stretches[0].line, known, SHORTEST_PASS_RADII * brief.radius.radius_m)
        if line is None and not known.is_empty:
            return True  # walking the day tells why the line cannot be worked
        if line is not None and strongest_mps(line, *ends, flow_of(area)) >= NO_CURRENT_MPS:
            return True
    return False


def _worked(day: Voyage, index: int, *, hasty: bool) -> Outing | NoPass:
    """Work one piece of work for as long as there is time; return what was done, or why nothing was."""
    opened = opened_work(day, index, hasty=hasty)
    if isinstance(opened, NoPass):
        return opened
    mark = day.mark()
    first, reasons = _begun(opened)
    if first is None:
        day.back_to(mark)
        return NoPass(reasons, 0.0)
    now, count = first, 1
    while opened.work.passes is None or count < opened.work.passes:
        turned = turned_onto(opened, now) if now.turns else ""
        if turned == NO_TIME:
            # gear is not brought up and set again to win a last pass
            break
        if isinstance(turned, TidePass):
            following = turned
        else:
            finish(opened, now)
            begun, _ = _begun(opened)
            if begun is None:
                return _as_outing(opened)
            opened.lifts += begun.shift is now.shift and now.turns
            following = begun
        now, count = following, count + 1
    finish(opened, now)
    return _as_outing(opened)


def _begun(tide: TideWork) -> tuple[TidePass | None, tuple[str, ...]]:
    """Run to a pass that the current lets begin now; return it, or None and why there is none."""
    reasons: list[str] = []
    for shift in _shifts_now(tide):
        kit = tide.kit(shift)
        if isinstance(kit, NoPass):
            reasons += kit.reasons
            continue
        for key in _keys(tide, kit, shift):
            found = pass_after_run(tide, kit, shift, key)
            if isinstance(found, TidePass):
                return found, ()
            reasons.append(found)
    return None, tuple(dict.fromkeys(reasons)) or ("no time is left for one pass",)


def _shifts_now(tide: TideWork) -> Iterator[Shift]:
    """Yield the shift of this minute, then those near in which one-way passes may begin early or late."""
    now_s = max(tide.day.now_s, tide.arrive_s)
    present = [shift for shift in tide.shifts if shift.since_s <= now_s < shift.until_s]
    yield from present
    for shift in tide.shifts:
        near = shift.since_s - tide.spare_s <= now_s < shift.until_s + tide.spare_s
        if near and shift.pattern == "one-way" and shift not in present:
            yield shift


def _keys(tide: TideWork, kit: PlacedWork, shift: Shift) -> list[PassKey]:
    """Return the passes that may be begun with, the nearest first; one-way passes go with the current.

    So does the first pass of a piece of work where that can be chosen.
    """
    here, fitted = tide.day.here, kit.fitted
    keys = sorted(fitted.graph.nodes)
    along = {key: _with_current(tide, fitted.track(key)) for key in keys}
    if shift.pattern == "one-way":
        keys = [key for key in keys if along[key]]
    begins = tide.begin_s is None
    return sorted(keys, key=lambda key: (begins and not along[key], here.distance(Point(fitted.track(key)[0]))))


def _with_current(tide: TideWork, xy: FloatArray) -> bool:
    ends, now_s = xy[[0, len(xy) // 2, -1]], max(tide.day.now_s, tide.arrive_s)
    return bool(along_mps(ends, tide.flow(ends, np.full(3, now_s))).mean() > -2.0 * NEAR_SLACK_MPS)


def _as_outing(tide: TideWork) -> Outing:
    shares: dict[int, float] = {}
    for position, one in tide.done:
        shares[position] = shares.get(position, 0.0) + length_m(one.xy)
    most = tide.kits[max(shares, key=lambda position: shares[position])]
    assert isinstance(most, PlacedWork)  # noqa: S101  passes were run in it
    used = [kit for position in shares if isinstance(kit := tide.kits[position], PlacedWork)]
    notes = [note for kit in used for note in (kit.note, *(kit.fitted.notes if kit is not most else ())) if note]
    if tide.lifts:
        notes.append(
            f"gear comes up {tide.lifts} time(s) where no turn has room, or leaves too little, in the current there"
        )
    most = replace(most, gear_down_after_m=tide.gear_down_after_m, note="; ".join(dict.fromkeys(notes)))
    return Outing(most, len(tide.done), tide.done[0][1].key, tuple(_choices(tide)))


def _choices(tide: TideWork) -> Iterator[TideChoice]:
    """Yield what was done from when to when, and why; nothing where the current is not known."""
    if tide.flow is still:
        return
    day, brief = tide.day, tide.day.brief
    groups: list[tuple[int, list[TidePass]]] = []
    for position, one in tide.done:
        if not groups or groups[-1][0] != position:
            groups.append((position, []))
        groups[-1][1].append(one)
    for position, passes in groups:
        shift, first = tide.shifts[position], passes[0]
        middle_s = 0.5 * (first.start_s + passes[-1].end_s)
        middle = 0.5 * (first.xy[len(first.xy) // 2] + first.xy[len(first.xy) // 2 - 1])
        flow = tide.flow(middle[None], np.array([middle_s]))[0]
        ahead = first.xy[-1] - first.xy[0]
        ahead = ahead / np.hypot(*ahead)
        along, sideways = float(flow @ ahead), float(ahead[0] * flow[1] - ahead[1] * flow[0])
        boat = brief.trip.boat
        loop, one_way = minutes_per_hour(along, sideways, length_m(first.xy), brief.radius.radius_m, boat)
        choice = TideChoice(
            since=day.moment(first.start_s),
            until=day.moment(passes[-1].end_s),
            pattern=first.kit.fitted.work.pattern,
            flow_mps=(float(flow[0]), float(flow[1])),
            strongest_mps=shift.strongest_mps,
            loop_min_per_h=loop,
            one_way_min_per_h=one_way,
            words="",
        )
        set_deg = float(brief.area.projection.true_course_deg(middle[0], middle[1], np.arctan2(flow[1], flow[0])))
        yield replace(choice, words=choice_words(choice, tide.work, set_deg, brief.trip.limits, brief.area.show))
