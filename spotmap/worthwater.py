"""A trip's hours cut where law, ladder or light changes, and who of many candidates is open and has room in each."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import pairwise

import numpy as np
import numpy.typing as npt
import shapely

from layers._errors import InputError
from layers.model import FloatArray
from spotmap.candidates import Candidate, suits
from spotmap.clock import before, elapsed, later, sun_times
from spotmap.judged import Slice
from spotmap.passes import SHORTEST_PASS_RADII
from spotmap.placing import Brief, needed_depth
from spotmap.polyline import evenly_spaced
from spotmap.water import Fishery, Span, change_times, closed_water, gear_water, grown

BoolArray = npt.NDArray[np.bool_]
_SAMPLE_M = 20.0
_MOST_EASED_M = 15.0
_LOW_LIGHT = timedelta(hours=1)
_HOUR_S = 3600.0


def slices_of(brief: Brief) -> tuple[Slice, ...]:
    """Return the trip's hours cut wherever law, ladder or light changes."""
    area, trip = brief.area, brief.trip
    fishery, whole = Fishery(trip.species, trip.method), Span(trip.start, trip.latest_end)
    bright = _bright(brief)
    cuts = [*change_times(area, fishery, whole), *(step.since for step in brief.radius.steps)]
    cuts += [moment for day in bright for moment in day]
    inside = {cut.timestamp(): cut for cut in cuts if before(trip.start, cut) and before(cut, trip.latest_end)}
    edges = [trip.start, *(inside[key] for key in sorted(inside)), trip.latest_end]
    found = []
    for begin, end in pairwise(edges):
        hours = elapsed(begin, end).total_seconds() / _HOUR_S
        span = Span(begin, later(end, timedelta(seconds=-1)))  # what changes at the end is the next one's
        needed = needed_depth(brief, span)
        if np.isnan(needed.depth_m):
            raise InputError.one(
                f"{trip.file.name}, date",
                f"the tide is not known from {begin:%Y-%m-%d %H:%M} to {end:%H:%M}.",
                "Get predictions for the day, or ask for another one.",
            )
        low = bool(bright) and not any(not before(begin, lit) and before(begin, dim) for lit, dim in bright)
        closed = closed_water(area, fishery, trip.limits, span)
        water = gear_water(area, fishery, trip.limits, span, needed=needed, within=area.depth.bounds)
        found.append(Slice(Span(begin, end), hours, needed, low, closed, water))
    return tuple(found)


def _bright(brief: Brief) -> list[tuple[datetime, datetime]]:
    """Return when the light is no longer low and when it is again, for each day of the trip on which the sun rises."""
    area, trip = brief.area, brief.trip
    lon, lat = area.projection.to_geographic(trip.home.x, trip.home.y)
    days = (trip.latest_end.astimezone(area.timezone).date() - trip.date).days + 1
    suns = [sun_times(float(lon), float(lat), trip.date + timedelta(days=n), area.timezone) for n in range(days)]
    return [
        (later(sun.sunrise, _LOW_LIGHT), later(sun.sunset, -_LOW_LIGHT))
        for sun in suns
        if sun.sunrise is not None and sun.sunset is not None
    ]


@dataclass(frozen=True)
class _Places:
    """Candidates' stretches looked at every 20 m or so: `owner` (n,) is the candidate's place in the list."""

    xy: FloatArray
    deep: FloatArray
    owner: npt.NDArray[np.intp]
    step_m: FloatArray


def _sampled(found: Sequence[Candidate]) -> _Places:
    xy, deep, owner, step = [], [], [], []
    for place, one in enumerate(found):
        if one.stretch is None:
            here, left, apart = np.array([[one.near.x, one.near.y]]), np.zeros((1, 2)), 0.0
        else:
            here = evenly_spaced(shapely.get_coordinates(one.stretch), _SAMPLE_M)
            ahead = np.gradient(here, axis=0)
            ahead /= np.maximum(np.hypot(ahead[:, 0], ahead[:, 1]), 1e-9)[:, None]
            left, apart = np.column_stack([-ahead[:, 1], ahead[:, 0]]), one.stretch.length / (len(here) - 1)
        xy.append(here)
        deep.append(left)
        owner.append(np.full(len(here), place))
        step.append(np.full(len(here), apart))
    return _Places(np.vstack(xy), np.vstack(deep), np.concatenate(owner), np.concatenate(step))


@dataclass(frozen=True)
class Seen:
    """Candidates (m) in slices (k): who is open when, how much room, how the depth suits, and what closes it.

    `rules` (k dicts) hold each rule's share of a candidate's places, by the rule and the candidate.
    """

    opened: BoolArray
    room: FloatArray
    suited: FloatArray
    rules: tuple[dict[tuple[int, int], float], ...]


def look(brief: Brief, work: int, slices: Sequence[Slice], found: Sequence[Candidate]) -> Seen:
    """Return what every candidate has in every slice, for a piece of work (from 0)."""
    places = _sampled(found)
    radius_m, wanted_m = brief.radius.radius_m, brief.trip.works[work].length_m
    shortest_m = SHORTEST_PASS_RADII * radius_m
    x, y = places.xy.T
    depth_m = brief.area.safe_depth.depth_at(x, y)
    opened, room, suited, rules = [], [], [], []
    for one in slices:
        shut = np.zeros(len(x), dtype=bool)
        why: dict[tuple[int, int], float] = {}
        for index, water in enumerate(one.closed):
            shape = grown(water.shape, water.standoff_m)
            shapely.prepare(shape)
            inside = shapely.contains_xy(shape, x, y)
            shut |= inside
            share = np.bincount(places.owner, inside, len(found)) / np.bincount(places.owner, minlength=len(found))
            why |= {(index, int(k)): float(share[k]) for k in np.flatnonzero(share)}
        rules.append(why)
        # as for a pass: what lies this little outside the water can be eased round
        eased = one.water.allowed.buffer(min(radius_m / 2.0, _MOST_EASED_M))
        turning = eased.buffer(-radius_m)
        for shape in (eased, turning):
            shapely.prepare(shape)
        allowed = shapely.contains_xy(eased, x, y) & ~shut
        sides = [places.xy + side * radius_m * places.deep for side in (1.0, -1.0)]
        turns = np.logical_or.reduce([shapely.contains_xy(turning, *side.T) for side in sides])
        length, _ = _longest(~shut, places, len(found), turns)
        single = np.array([each.stretch is None for each in found])
        opened.append(np.where(single, length >= 0.0, length >= shortest_m) & (length >= 0.0))
        length, share = _longest(allowed, places, len(found), turns)
        room.append(np.where(length >= shortest_m, np.clip(length / wanted_m, 0.0, 1.0) * share, 0.0))
        fit = np.where(shut, np.nan, suits(depth_m, one.needed.depth_m))
        told = np.bincount(places.owner, ~np.isnan(fit), len(found))
        suited.append(np.bincount(places.owner, np.nan_to_num(fit), len(found)) / np.maximum(told, 1.0))
    return Seen(np.array(opened), np.array(room), np.array(suited), tuple(rules))


def _longest(good: BoolArray, places: _Places, count: int, turns: BoolArray) -> tuple[FloatArray, FloatArray]:
    """Return each candidate's longest run of good places, metres (−1 where none is), and the share of it with turns."""
    begins = np.concatenate([[True], (np.diff(places.owner) != 0) | (np.diff(good.astype(int)) != 0)])
    run = np.cumsum(begins) - 1
    first = np.flatnonzero(begins)
    length = np.bincount(run, places.step_m) - places.step_m[first]
    share = np.bincount(run, turns) / np.bincount(run)
    best, shared = np.full(count, -1.0), np.zeros(count)
    for k in np.flatnonzero(good[first]).tolist():
        own = places.owner[first[k]]
        if length[k] > best[own]:
            best[own], shared[own] = length[k], share[k]
    return best, shared
