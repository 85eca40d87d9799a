"""Worth it today: candidates judged for a trip's day and hours: lawful first, then by parts that a skipper can see."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import timedelta

import numpy as np
import numpy.typing as npt
import shapely
from shapely import Point

from layers._errors import InputError
from layers.model import Area
from spotmap._errors import NoPlanError
from spotmap.candidates import LINE, Candidate, candidates
from spotmap.clock import elapsed, later
from spotmap.gear import beside_m, inside_m, turning_radius
from spotmap.judged import WEIGHTS, Judged, Part, Slice, Verdict, joined
from spotmap.model import Trip, Work
from spotmap.passes import SHORTEST_PASS_RADII, NoPass
from spotmap.patterns import stretches_of
from spotmap.placing import Brief, longest_duration, place_work
from spotmap.polyline import evenly_spaced
from spotmap.shifts import loop_below_mps
from spotmap.water import Span
from spotmap.ways import Runs
from spotmap.worthwater import look, slices_of
from spotmap.worthwords import Notes

OF_ITS_KIND = 0.85
"""What a score is multiplied by for each one of its kind that is listed before it."""
_PLAIN_LINE, _FORM_BASE, _FORM_PER_SIGNIFICANCE = 0.3, 0.5, 0.1
_CURRENT_PLACES = 5
_CURRENT_EVERY_S = 600.0
_MOST_FITTED = 40
_RUN_SHARE = 4.0
_HOUR_S = 3600.0
_ALL = 1.0 - 1e-9


@dataclass(frozen=True)
class _Day:
    """What every candidate is judged under."""

    brief: Brief
    work: int
    slices: tuple[Slice, ...]
    weights: Mapping[str, float]
    rips: Mapping[int, float | None] = field(default_factory=dict)

    @property
    def wanted_m(self) -> float:
        return self.brief.trip.works[self.work].length_m

    @property
    def shortest_m(self) -> float:
        return SHORTEST_PASS_RADII * self.brief.radius.radius_m


def worth(area: Area, trip: Trip, most: int = 12, *, work: int = 0) -> tuple[Judged, ...]:
    """Return the places most worth it in a trip's hours, in order; `verdict` tells of the others too."""
    return verdict(area, trip, most, work=work).listed


def verdict(
    area: Area,
    trip: Trip,
    most: int = 12,
    *,
    work: int = 0,
    weights: Mapping[str, float] = WEIGHTS,
    progress: Callable[[str], None] = lambda _: None,
) -> Verdict:
    """Return every candidate of a trip's day judged, and the best of them with variety.

    The next listed is always the one whose score, multiplied by 0.85 for each one of its kind listed before it, is
    highest, and that the planner's own fitting finds a pass for; those centred within half a stretch of it are folded
    into it.

    Parameters
    ----------
    area, trip
        The area, and the trip in it.
    most
        How many are listed at most.
    work
        The piece of work that they are judged for, from 0: its length, pattern and minutes.
    weights
        What each part counts for, by name.
    progress
        Is told what is being done.

    Raises
    ------
    InputError
        When the trip has no such work, nothing has a weight, or the tide table does not reach the trip's hours.
    NoPlanError
        When a rod cannot fish its depth.
    """
    if not 0 <= work < len(trip.works):
        raise InputError.one("--work", f"there is no work {work + 1}.", f"The trip has {len(trip.works)}.")
    if not any(weight > 0.0 for weight in weights.values()):
        raise InputError.one("--weigh", "nothing has a weight above 0.", "Leave one part at least: run=2,current=0.")
    radius = turning_radius(trip.rods, trip.boat, trip.limits)
    # as the planner: gear swings farther where water moves
    moving = area.current is not None
    brief = Brief(area, trip, radius, inside_m(radius) if moving else beside_m(radius), 0.0, moving)
    progress("looking at the hours")
    day = _Day(brief, work, slices_of(brief), weights)
    progress("looking for candidates")
    ladder = [(one.needed.depth_m, one.hours) for one in day.slices]
    found = candidates(area, trip, ladder, work=work, radius_m=radius.radius_m)
    progress(f"judging {len(found)} candidates")
    day = replace(day, rips=_rips(day, found))
    judged = _judge(day, found)
    return _varied(day, judged, most, _notes(day, found))


def _notes(day: _Day, found: Sequence[Candidate]) -> tuple[str, ...]:
    area = day.brief.area
    notes = []
    if not area.landforms:
        notes.append("no forms of the bottom are known here: 'spotmap shape' finds them")
    if area.current is None:
        notes.append("no current is told here: how strong it is, and rips, are not counted")
    if area.tide is None:
        notes.append("no tide is told here: depths are as charted")
    if not area.has_grounds:
        notes.append("the area has no grounds: water counts as open unless a closure says otherwise")
    if not any(one.stretch is not None for one in found):
        notes.append("there is no depth line of the ladder's depths here")
    return tuple(notes)


def _rips(day: _Day, found: Sequence[Candidate]) -> dict[int, float | None]:
    """Return the share of the trip's hours in which a rip is likely at each form, by its candidate's place."""
    forms = [(place, one.form) for place, one in enumerate(found) if one.form is not None]
    if day.brief.area.current is None or not forms:
        return {}
    from spotmap.rips import through  # noqa: PLC0415  only where there is a current to meet a form

    trip = day.brief.trip
    every = tuple({id(form): form for _, form in forms}.values())
    shares: dict[int, float | None] = {}
    for form, working in zip(every, through(day.brief.area, every, trip.start, trip.latest_end), strict=True):
        likely_s = sum(elapsed(spell.since, spell.until).total_seconds() for spell in working.rips)
        shares[id(form)] = min(likely_s / (trip.hours * _HOUR_S), 1.0) if working.known >= _ALL else None
    return {place: shares[id(form)] for place, form in forms}


def _judge(day: _Day, found: Sequence[Candidate]) -> list[Judged]:
    if not found:
        return []
    seen = look(day.brief, day.work, day.slices, found)
    notes = Notes(day.brief.area, day.brief.trip, day.slices)
    hours = np.array([one.hours for one in day.slices])
    judged = []
    for place, one in enumerate(found):
        when = seen.opened[:, place]
        if not when.any():
            judged.append(Judged(one, False, False, (), 0.0, reasons=notes.closed(seen.rules, place)))
            continue
        spans = joined([part.span for part, on in zip(day.slices, when.tolist(), strict=True) if on])
        opened, total = hours * when, float(hours.sum())
        room = float(opened @ seen.room[:, place] / opened.sum())
        shut = notes.closed(seen.rules, place)
        if room <= 0.0 or one.stretch is None:
            judged.append(Judged(one, True, False, (), 0.0, spans, notes.unworkable(one, when, day.shortest_m)))
            continue
        low = opened * [part.low_light for part in day.slices]
        laddered = float(np.ptp([part.needed.depth_m for part in day.slices])) > 1.0
        light = float(low @ seen.suited[:, place] / low.sum()) if laddered and low.sum() > 0.0 else None
        weak, strongest = _current(day, one, when)
        straight_m = float(_onto(one).distance(day.brief.trip.home))
        values: dict[str, tuple[float | None, str]] = {
            "open": (float(opened.sum()) / total, notes.opened(spans, shut)),
            "depth": (float(opened @ seen.suited[:, place] / opened.sum()), notes.depth(one)),
            "room": (room, notes.room(room, day.brief.radius.radius_m)),
            "current": (weak, notes.current(weak, strongest)),
            "run": (_run_value(day.brief.trip, straight_m), notes.run(straight_m, straight=True)),
            "what": (_what(one), notes.what(one)),
            "rip": (day.rips.get(place), notes.rip(one, day.rips.get(place))),
            "light": (light, notes.light(light, laddered=laddered)),
        }
        parts = tuple(Part(name, values[name][0], day.weights.get(name, 0.0), values[name][1]) for name in WEIGHTS)
        judged.append(Judged(one, True, True, parts, _score(parts), spans, run_m=straight_m))
    return judged


def _score(parts: Sequence[Part]) -> float:
    """Return the weighted mean of the parts that are known; 0 where none with a weight is."""
    known = [(part.value, part.weight) for part in parts if part.value is not None]
    whole = sum(weight for _, weight in known)
    return sum(value * weight for value, weight in known) / whole if whole > 0.0 else 0.0


def _what(one: Candidate) -> float:
    if one.mark is not None:
        return 1.0
    if one.form is not None:
        return float(np.clip(_FORM_BASE + _FORM_PER_SIGNIFICANCE * one.form.significance, 0.0, 1.0))
    return _PLAIN_LINE


def _run_value(trip: Trip, run_m: float) -> float:
    took_h = run_m / trip.boat.run_speed_mps / _HOUR_S
    return max(0.0, 1.0 - _RUN_SHARE * took_h / trip.hours)


def _current(day: _Day, one: Candidate, when: npt.NDArray[np.bool_]) -> tuple[float | None, float]:
    """Return the share of the open hours with less current than is trolled against, and the strongest, m/s."""
    current = day.brief.area.current
    if current is None or one.stretch is None:
        return None, float("nan")
    trip = day.brief.trip
    xy = evenly_spaced(shapely.get_coordinates(one.stretch), one.stretch.length / _CURRENT_PLACES)
    time_s = np.concatenate(
        [
            np.arange(part.span.start.timestamp(), part.span.end.timestamp(), _CURRENT_EVERY_S)
            for part, on in zip(day.slices, when.tolist(), strict=True)
            if on
        ]
    )
    flow = current.flow_at(xy[None, :, 0], xy[None, :, 1], time_s[:, None])
    strongest = np.hypot(flow[..., 0], flow[..., 1]).max(axis=1)
    known = ~np.isnan(strongest)
    if not known.all():
        return None, float("nan")
    return float(np.mean(strongest < loop_below_mps(trip.boat, trip.limits))), float(strongest.max())


def _varied(day: _Day, judged: Sequence[Judged], most: int, notes: tuple[str, ...]) -> Verdict:
    runs, words = Runs(day.brief.area, day.brief.trip), Notes(day.brief.area, day.brief.trip, day.slices)
    out = [one for one in judged if not one.workable]
    good = sorted((one for one in judged if one.workable), key=lambda one: -one.score)
    left = good
    listed: list[Judged] = []
    fitted = 0
    while left and len(listed) < most and fitted < _MOST_FITTED:
        lowered = [OF_ITS_KIND ** sum(_alike(one, other) for other in listed) for one in left]
        best = max(range(len(left)), key=lambda k: left[k].score * lowered[k])
        chosen = replace(left.pop(best), variety=lowered[best])
        if not chosen.run_found:
            # no way is shorter than the straight one: the best by that is the best that there can be
            chosen = _with_run(day, chosen, runs, words)
            (left if chosen.workable else out).append(chosen)
            continue
        fitted += 1
        chosen = _fitted(day, chosen, words)
        if not chosen.workable:
            out.append(chosen)
            continue
        near = [one for one in left if one.candidate.near.distance(chosen.candidate.near) <= day.wanted_m / 2.0]
        left = [one for one in left if one not in near]
        listed.append(replace(chosen, also=_names(near, chosen)))
    if fitted >= _MOST_FITTED and len(listed) < most:
        notes = (*notes, f"the list ends here: {_MOST_FITTED} places were fitted with passes, and no more are tried")
    # a place that can be worked on one of its lines is not out for the others
    served = {one.candidate.name for one in (*listed, *left)} | {name for one in listed for name in one.also}
    first = {one.candidate.name: one for one in reversed(out) if one.candidate.name not in served}
    return Verdict(tuple(listed), tuple(one for one in out if first.get(one.candidate.name) is one), tuple(left), notes)


def _names(folded: Sequence[Judged], into: Judged) -> tuple[str, ...]:
    """Return the names of others, own marks and forms first; a place may have been looked at with several lines."""
    ordered = sorted(folded, key=lambda one: one.candidate.kind == LINE)
    names = dict.fromkeys(one.candidate.name for one in ordered)
    return tuple(name for name in names if name != into.candidate.name)


def _alike(one: Judged, other: Judged) -> bool:
    return one.candidate.kind == other.candidate.kind


def _onto(one: Candidate) -> Point:
    """Return where a run to a candidate ends: on its line, nearest its place, which itself may be ashore."""
    return one.near if one.stretch is None else one.stretch.interpolate(one.stretch.project(one.near))


def _with_run(day: _Day, one: Judged, runs: Runs, words: Notes) -> Judged:
    """Return a candidate with the run from home through the water instead of straight."""
    trip = day.brief.trip
    span = Span(trip.start, trip.latest_end)
    try:
        way = runs.way(trip.home, _onto(one.candidate), span, start_name="home", goal_name=one.candidate.name)
    except NoPlanError as error:
        return replace(one, workable=False, parts=(), score=0.0, reasons=(error.headline, *error.reasons))
    run_m = float(way.length)
    parts = tuple(
        replace(part, value=_run_value(trip, run_m), note=words.run(run_m, straight=False))
        if part.name == "run"
        else part
        for part in one.parts
    )
    return replace(one, parts=parts, score=_score(parts), run_m=run_m, run_found=True)


def work_at(work: Work, one: Candidate) -> Work:
    """Return a piece of work taken to a candidate: centred there, on its line.

    A loop goes both ways on that line; a weave's other line lies as much deeper or shallower as it did.

    Raises
    ------
    ValueError
        When the candidate has no line.
    """
    if one.line_m is None:
        raise ValueError(f"'{one.name}' has no depth line")
    other = None
    if work.pattern == "weave" and work.return_line_m is not None:
        other = one.line_m + work.return_line_m - work.depth_line_m
    return replace(work, near=one.near, near_name=one.name, depth_line_m=one.line_m, return_line_m=other)


def _fitted(day: _Day, one: Judged, words: Notes) -> Judged:
    """Return a candidate with the pass that the planner's own fitting lays there, or as out with why it lays none."""
    trip, work = day.brief.trip, day.work
    works = tuple(work_at(each, one.candidate) if k == work else each for k, each in enumerate(trip.works))
    brief = replace(day.brief, trip=replace(trip, works=works))
    radius_m = brief.radius.radius_m
    earlier = sum((longest_duration(each, trip, radius_m) for each in works[:work]), timedelta())
    start = later(trip.start, earlier + timedelta(seconds=one.run_m / trip.boat.run_speed_mps))
    last = later(trip.latest_end, -timedelta(seconds=one.run_m / trip.boat.run_speed_mps))
    end = later(start, longest_duration(works[work], trip, radius_m))
    end = min(end, last, key=lambda moment: moment.timestamp())
    if elapsed(start, end) <= timedelta(0):
        reason = "no time is left for it: the works before it and the run take the trip's hours"
        return replace(one, workable=False, reasons=(reason,))
    stretches = stretches_of(works[work], brief.area.depth, radius_m)
    placed = stretches if isinstance(stretches, NoPass) else place_work(brief, work, stretches, Span(start, end))
    if isinstance(placed, NoPass):
        return replace(one, workable=False, reasons=words.no_pass(placed.reasons, start, end))
    return replace(one, pass_m=placed.fitted.passes["out"].length_m)
