"""When a place is open to a fishing, by which rule, and the closed water nearest to it."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import cache
from typing import Literal

import numpy as np
import numpy.typing as npt
import shapely
from shapely import Point

from layers.model import Area, FloatArray, Rule
from layers.seasons import changes, is_active, season_words
from spotmap.clock import before, later
from spotmap.model import Limits
from spotmap.water import Fishery, Span, closed_water

LOOK_AHEAD = timedelta(days=366)
"""How long after the time asked about a change of rules is looked for."""


@dataclass(frozen=True)
class Spell:
    """A time through which a place is open to a fishing, or closed to it.

    `until` is None where nothing changes within `LOOK_AHEAD` of the time asked about. `why` are the rules that close
    it, or the grounds that open it, each with its reference; empty where no rule speaks of the place.
    """

    since: datetime
    until: datetime | None
    open: bool
    why: tuple[str, ...]


@dataclass(frozen=True)
class NearClosure:
    """The closed water nearest to a place; `distance_m` is to the water as the rule draws it, 0 inside it.

    `margin_m` is the rule's own and `standoff_m` the trip's: gear keeps off by both together. `dates` are the rule's
    season in words, `changes` when it opens or closes during the time asked about.
    """

    name: str
    forbids: Literal["fishing", "entry"]
    reference: str
    dates: str
    distance_m: float
    margin_m: float
    standoff_m: float
    in_force_at_start: bool
    changes: tuple[datetime, ...]

    @property
    def short_m(self) -> float:
        """Return by how much the place lies nearer than margin and standoff allow, metres; 0 where it does not."""
        return max(0.0, self.margin_m + self.standoff_m - self.distance_m)


def spells_at(area: Area, fishery: Fishery, span: Span, points: Sequence[Point]) -> tuple[tuple[Spell, ...], ...]:
    """Return when places are open to a fishing.

    A place is closed inside a closure in force and within its own margin; where the area has grounds, also outside
    every open ground and within its own margin of the ground's edge. No standoff of a trip counts here.

    Parameters
    ----------
    area, fishery, span
        As in `spotmap.water.closed_water`.
    points
        Places in local metres.

    Returns
    -------
    tuple of tuple of Spell
        For each place the spells of the span in order; the last may end after it.
    """
    closures = [rule for rule in area.closures if rule.forbids == "entry" or _speaks(rule, fishery)]
    grounds = [rule for rule in area.grounds if _speaks(rule, fishery)]
    shut = _within_margin(closures, points)
    inside = _inside_margin(grounds, points)
    start = span.start.astimezone(area.timezone)
    horizon = later(span.end, LOOK_AHEAD)

    @cache
    def turns(role: str, place: int) -> tuple[datetime, ...]:
        rule = (closures if role == "closure" else grounds)[place]
        return changes(rule.season, start, horizon)

    found = []
    for at in range(len(points)):
        shutting, opening = np.flatnonzero(shut[:, at]).tolist(), np.flatnonzero(inside[:, at]).tolist()
        moments = [one for place in shutting for one in turns("closure", place)]
        moments += [one for place in opening for one in turns("ground", place)]
        local = _Rules(area, tuple(closures[i] for i in shutting), tuple(grounds[i] for i in opening))
        found.append(tuple(_spells(local.state, start, span.end, moments)))
    return tuple(found)


def nearest_closures(
    area: Area, fishery: Fishery, limits: Limits, span: Span, points: Sequence[Point]
) -> tuple[NearClosure | None, ...]:
    """Return, for each place, the nearest water that is closed at some moment of a span; None where there is none.

    Water outside every open ground is closed water too. Of closures as near, that which asks for most room is told.
    """
    closed = closed_water(area, fishery, limits, span)
    if not closed:
        return (None,) * len(points)
    distance_m = _distances([water.shape for water in closed], points)
    room_m = distance_m - np.array([water.standoff_m for water in closed])[:, None]
    nearest = np.lexsort((room_m, distance_m), axis=0)[0]
    return tuple(
        NearClosure(
            name=closed[which].name,
            forbids=closed[which].forbids,
            reference=closed[which].reference,
            dates=closed[which].dates,
            distance_m=float(distance_m[which, at]),
            margin_m=closed[which].standoff_m - limits.closure_standoff_m,
            standoff_m=limits.closure_standoff_m,
            in_force_at_start=closed[which].in_force_at_start,
            changes=closed[which].changes,
        )
        for at, which in enumerate(nearest.tolist())
    )


def rule_words(rule: Rule) -> str:
    """Return a rule's name with its season and reference."""
    told = "; ".join(part for part in (season_words(rule.season), rule.reference) if part)
    return f"'{rule.name}' ({told})"


@dataclass(frozen=True)
class _Rules:
    """The rules that speak of one place."""

    area: Area
    closures: tuple[Rule, ...]
    grounds: tuple[Rule, ...]

    def state(self, moment: datetime) -> tuple[bool, tuple[str, ...]]:
        """Return whether the place is open at a moment, and which rules say so."""
        why = [
            rule_words(rule) + (", no entry" if rule.forbids == "entry" else "")
            for rule in self.closures
            if is_active(rule.season, moment)
        ]
        opened = [rule_words(rule) for rule in self.grounds if is_active(rule.season, moment)]
        if self.area.has_grounds and not opened:
            if self.grounds:
                why += [f"ground {rule_words(rule)} is not open" for rule in self.grounds]
            else:
                references = "; ".join(sorted({rule.reference for rule in self.area.grounds if rule.reference}))
                why.append("outside every ground for this fishing" + (f" ({references})" if references else ""))
        return (False, tuple(why)) if why else (True, tuple(opened))


def _spells(
    state: Callable[[datetime], tuple[bool, tuple[str, ...]]],
    start: datetime,
    end: datetime,
    moments: Sequence[datetime],
) -> Iterator[Spell]:
    since, (is_open, why) = start, state(start)
    for moment in sorted(set(moments), key=datetime.timestamp):
        now_open, now_why = state(moment)
        if now_open is is_open:
            if before(moment, end):
                why = (*why, *(one for one in now_why if one not in why))
            continue
        yield Spell(since, moment, is_open, why)
        if not before(moment, end):
            return
        since, is_open, why = moment, now_open, now_why
    yield Spell(since, None, is_open, why)


def _speaks(rule: Rule, fishery: Fishery) -> bool:
    return rule.concerns(fishery.species, fishery.method)


def _distances(shapes: Sequence[shapely.Geometry], points: Sequence[Point]) -> FloatArray:
    """Return distances in metres, shapes down and places across."""
    across = np.array([*points], dtype=np.object_)[None, :]
    found: FloatArray = shapely.distance(np.array([*shapes], dtype=np.object_)[:, None], across)
    return found


def _within_margin(rules: Sequence[Rule], points: Sequence[Point]) -> npt.NDArray[np.bool_]:
    margin_m = np.array([rule.margin_m for rule in rules], dtype=np.float64)[:, None]
    within: npt.NDArray[np.bool_] = _distances([rule.shape for rule in rules], points) <= margin_m
    return within


def _inside_margin(rules: Sequence[Rule], points: Sequence[Point]) -> npt.NDArray[np.bool_]:
    margin_m = np.array([rule.margin_m for rule in rules], dtype=np.float64)[:, None]
    inside: npt.NDArray[np.bool_] = _distances([rule.shape for rule in rules], points) == 0.0
    inside &= _distances([shapely.boundary(rule.shape) for rule in rules], points) >= margin_m
    return inside
