"""What the map's time control moves: boat, lures and current through the trip, as compact records.

Times count from the trip's start, positions are whole-number steps in degrees; `web/clock.js` puts both together.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, timedelta
from typing import TYPE_CHECKING

import numpy as np
import shapely

from layers.units import format_quantity, to_unit
from spotmap.minutes import leg_clock
from spotmap.momentwords import clock_words, depth_words, set_words, tide_words

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    import numpy.typing as npt

    from layers.model import Current, FloatArray
    from layers.projection import LocalProjection
    from spotmap.model import LureTrack, Plan

_DIGITS = 6
_KNOT_S = 10.0
"""The boat's knots are no further apart; where its track bends by more than the tolerance they are closer."""
_TOLERANCE_M = 0.3
LURE_STEP_S = 5
FLOW_STEP_S = 600
_MOST_PLACES = 60
_TRIALS = (160, 110, 80, 60)
"""How many places to try in the window, the finest first: those on land and on water of unknown depth fall away."""
_ROUND_THE_WORK_M = 300.0
_SAME_MOMENT_S = 1.0
_MINUTE_S = 60


@dataclass(frozen=True)
class Knots:
    """The boat's way: n moments and places, and what it does on the n - 1 stretches between them.

    Every list holds its first value and then differences. `at` is in tenths of a second, `steps` is latitude and
    longitude in turn as in `web.steps.Parts`, courses and headings are whole degrees true, `speed` is tenths of the
    shown unit.
    """

    digits: int
    at: list[int]
    steps: list[int]
    course: list[int]
    heading: list[int]
    speed: list[int]


@dataclass(frozen=True)
class Spell:
    """A spell with gear down: a lure's places, one every `LURE_STEP_S` seconds from step `first` on.

    `bends` holds latitude and longitude in turn: the first place, the first difference, then differences of
    differences, which stay near 0 on a steady course.
    """

    first: int
    bends: list[int]


@dataclass(frozen=True)
class LurePlay:
    """A rod's lure through the trip; outside its spells it is out of the water."""

    rod: str
    spells: tuple[Spell, ...]


@dataclass(frozen=True)
class Flows:
    """The current at some places, every `every` seconds from the trip's start.

    `steps` is as in `Knots`; `flows` holds for each place a list of true east and true north in cm/s in turn, None
    where unknown.
    """

    digits: int
    every: int
    steps: list[int]
    flows: list[list[int | None]]


@dataclass(frozen=True)
class Minutes:
    """What is said of each whole minute of the trip."""

    clock: list[str]
    tide: list[str]
    flow: list[str]
    depth: list[str]


@dataclass(frozen=True)
class Playback:
    """All that the time control shows. `took`, `begin` (gear first down) and `legs` (starts) in tenths of a second.

    `rig` is the gear in force from a moment on: the moment and the depth of each rod. `lure_every` is in seconds.
    """

    took: int
    begin: int
    legs: list[int]
    speed_unit: str
    boat: Knots
    lure_every: int
    lures: tuple[LurePlay, ...]
    minutes: Minutes
    flows: Flows | None
    one_cmps: float
    rig: list[tuple[int, list[str]]]


def playback(plan: Plan) -> Playback:
    """Return what the map's time control shows of a plan.

    Parameters
    ----------
    plan
        A checked plan. Where its legs have clocks the boat goes by them; a leg without one is made at its own speed.

    Returns
    -------
    Playback
        The boat is within about half a metre of where the plan has it at every moment; a lure is where the plan has it
        at each step of five seconds, and between two of them within about a metre.

    """
    start_s = plan.legs[0].start.timestamp()
    starts_s = np.array([leg.start.timestamp() for leg in plan.legs]) - start_s
    took_s = plan.legs[-1].end.timestamp() - start_s
    down = next((at for at, leg in zip(starts_s, plan.legs, strict=True) if leg.leg.kind != "run"), 0.0)
    return Playback(
        took=round(10 * took_s),
        begin=round(10 * down),
        legs=np.rint(10 * starts_s).astype(int).tolist(),
        speed_unit=plan.area.show.speed,
        boat=_boat(plan, starts_s),
        lure_every=LURE_STEP_S,
        lures=_lures(plan, dict(zip((leg.seq for leg in plan.legs), starts_s.tolist(), strict=True))),
        minutes=_minutes(plan, start_s, took_s),
        flows=None if plan.area.current is None else _flows(plan, plan.area.current, start_s, took_s),
        one_cmps=1.0 / to_unit(0.01, plan.area.show.speed),
        rig=list(_rig(plan, start_s)),
    )


def _boat(plan: Plan, starts_s: FloatArray) -> Knots:
    projection = plan.area.projection
    xy = np.concatenate([leg.leg.xy for leg in plan.legs])
    time_s = np.concatenate([at + leg_clock(leg) for at, leg in zip(starts_s, plan.legs, strict=True)])
    owner = np.repeat(np.arange(len(plan.legs)), [len(leg.leg.xy) for leg in plan.legs])
    lines = shapely.linestrings(np.column_stack([xy, time_s]), indices=owner)
    bends = shapely.get_coordinates(shapely.simplify(lines, _TOLERANCE_M, preserve_topology=False), include_z=True)
    every = np.arange(0.0, time_s[-1], _KNOT_S)
    at = np.unique(np.rint(10 * np.concatenate([bends[:, 2], every])).astype(np.int64))
    knots = _between(at / 10, time_s, xy)
    ahead = np.diff(knots, axis=0) / (np.diff(at) / 10)[:, None]
    flow = np.concatenate(
        [np.zeros_like(leg.leg.xy) if leg.leg.current_mps is None else leg.leg.current_mps for leg in plan.legs]
    )
    middle, middle_s = (knots[1:] + knots[:-1]) / 2, (at[1:] + at[:-1]) / 20
    through = ahead - np.nan_to_num(_between(middle_s, time_s, flow))
    east_deg = projection.true_course_deg(middle[:, 0], middle[:, 1], 0.0)
    course, heading = (
        np.rint(east_deg - np.degrees(np.arctan2(way[:, 1], way[:, 0]))) % 360 for way in (ahead, through)
    )
    speed = np.rint(10 * np.hypot(*ahead.T) * to_unit(1.0, plan.area.show.speed))
    return Knots(
        _DIGITS,
        _differences(at),
        _differences(_degrees(projection, knots)),
        _differences(course),
        _differences(heading),
        _differences(speed),
    )


def _between(at_s: FloatArray, time_s: FloatArray, values: FloatArray) -> FloatArray:
    """Return pairs of values (n, 2) at moments between those at which they are known."""
    return np.column_stack([np.interp(at_s, time_s, values[:, i]) for i in (0, 1)])


def _degrees(projection: LocalProjection, xy: FloatArray) -> npt.NDArray[np.int64]:
    """Return latitude and longitude (n, 2) in whole steps, continuous across 180 degrees."""
    lon, lat = projection.to_geographic(xy[:, 0], xy[:, 1])
    middle = projection.lon0_deg
    lon = middle + (lon - middle + 180.0) % 360.0 - 180.0
    return np.rint(np.column_stack([lat, lon]) * 10.0**_DIGITS).astype(np.int64)


def _differences(values: npt.NDArray[np.int64] | FloatArray) -> list[int]:
    """Return the first of n values (or rows) and the differences that follow, in one flat list."""
    whole = values.astype(np.int64)
    found: list[int] = np.diff(whole, axis=0, prepend=np.zeros_like(whole[:1])).ravel().tolist()
    return found


def _lures(plan: Plan, start_of: dict[int, float]) -> tuple[LurePlay, ...]:
    by_rod: dict[str, list[LureTrack]] = {}
    for track in sorted(plan.swept.tracks, key=lambda one: start_of[one.seq]):
        by_rod.setdefault(track.rod, []).append(track)
    spells = [(rod, *spell) for rod, tracks in by_rod.items() for spell in _spells(tracks, start_of)]
    places = np.split(
        _degrees(plan.area.projection, np.concatenate([xy for _, _, xy in spells] or [np.empty((0, 2))])),
        np.cumsum([len(xy) for _, _, xy in spells])[:-1],
    )
    plays: dict[str, list[Spell]] = {rod: [] for rod in by_rod}
    for (rod, first, _), degrees in zip(spells, places, strict=False):
        moved = np.diff(degrees, axis=0)
        bends = np.concatenate([degrees[:1], moved[:1], np.diff(moved, axis=0)])
        plays[rod].append(Spell(first, bends.ravel().tolist()))
    return tuple(LurePlay(rod, tuple(of_rod)) for rod, of_rod in plays.items())


def _spells(tracks: Sequence[LureTrack], start_of: dict[int, float]) -> Iterator[tuple[int, FloatArray]]:
    """Yield for each spell with gear down its first step and the lure's places (m, 2) from there on."""
    clocks = [start_of[track.seq] + track.clock_s for track in tracks]
    apart = [i for i in range(1, len(clocks)) if clocks[i][0] - clocks[i - 1][-1] > _SAME_MOMENT_S]
    for begin, end in zip([0, *apart], [*apart, len(tracks)], strict=True):
        time_s = np.concatenate(clocks[begin:end])
        first, last = int(np.ceil(time_s[0] / LURE_STEP_S)), int(np.floor(time_s[-1] / LURE_STEP_S))
        if last >= first:
            xy = np.concatenate([track.xy for track in tracks[begin:end]])
            yield first, _between(LURE_STEP_S * np.arange(first, last + 1.0), time_s, xy)


def _minutes(plan: Plan, start_s: float, took_s: float) -> Minutes:
    area, day, show = plan.area, plan.day, plan.area.show
    count = int(took_s // _MINUTE_S) + 1
    moments = [
        (plan.legs[0].start.astimezone(UTC) + timedelta(minutes=minute)).astimezone(area.timezone)
        for minute in range(count)
    ]
    at_s = start_s + _MINUTE_S * np.arange(count)
    known_s = [moment.timestamp() for moment in day.moments]
    rows = np.clip(np.searchsorted(known_s, at_s + 0.5, side="right") - 1, 0, None)
    east, north = day.flow_mps.T
    set_deg = area.projection.true_course_deg(day.xy[:, 0], day.xy[:, 1], np.arctan2(north, east))
    drift = np.hypot(east, north)
    has_tide, has_current = area.tide is not None, area.current is not None

    def of_rows(*values: FloatArray) -> Iterator[tuple[float, ...]]:
        return zip(*(value[rows].tolist() for value in values), strict=True)

    return Minutes(
        list(clock_words(moments)),
        [tide_words(high, up, show.depth) if has_tide else "" for high, up in of_rows(day.tide_m, day.rising_mps)],
        [set_words(way, fast, show.speed) if has_current else "" for way, fast in of_rows(set_deg, drift)],
        [
            depth_words(charted, high, show.depth, has_tide=has_tide)
            for charted, high in of_rows(day.charted_m, day.tide_m)
        ],
    )


def _flows(plan: Plan, current: Current, start_s: float, took_s: float) -> Flows:
    xy = _places(plan)
    at_s = start_s + FLOW_STEP_S * np.arange(int(np.ceil(took_s / FLOW_STEP_S)) + 1)
    # A table may end with the trip: the last step then shows the water as it is at the end.
    flow = current.flow_at(xy[:, :1], xy[:, 1:], np.minimum(at_s, start_s + took_s)[None])
    east = np.arctan2(flow[..., 1], flow[..., 0])
    course = np.radians(plan.area.projection.true_course_deg(xy[:, :1], xy[:, 1:], east))
    speed = 100.0 * np.hypot(flow[..., 0], flow[..., 1])
    ways = np.stack([speed * np.sin(course), speed * np.cos(course)], axis=-1).reshape(len(xy), -1)
    whole = [[None if np.isnan(way) else round(way) for way in row] for row in ways.tolist()]
    steps = _differences(_degrees(plan.area.projection, xy)) if len(xy) else []
    return Flows(_DIGITS, FLOW_STEP_S, steps, whole)


def _places(plan: Plan) -> FloatArray:
    """Return places (n, 2) spread over the charted water that the trip works, at most 60."""
    down = [leg.leg.xy for leg in plan.legs if leg.leg.kind != "run"] or [leg.leg.xy for leg in plan.legs]
    xy = np.concatenate(down)
    low, high = xy.min(axis=0), xy.max(axis=0)
    pad = max(_ROUND_THE_WORK_M, 0.15 * float((high - low).max()))
    (west, south), (width, height) = low - pad, high - low + 2 * pad
    found = np.empty((0, 2))
    for count in _TRIALS:
        gap = float(np.sqrt(width * height / count))
        columns, rows = max(1, int(width // gap)), max(1, int(height // gap))
        i, j = (grid.ravel() for grid in np.meshgrid(np.arange(columns), np.arange(rows)))
        # Every other row half a step aside: no arrow stands in the wake of the one behind it.
        x = west + (i + np.where(j % 2, 0.75, 0.25)) * width / columns
        y = south + (j + 0.5) * height / rows
        charted = np.isfinite(plan.area.depth.depth_at(x, y))
        found = np.column_stack([x, y])[charted]
        if len(found) <= _MOST_PLACES:
            break
    return found[:_MOST_PLACES]


def _rig(plan: Plan, start_s: float) -> Iterator[tuple[int, list[str]]]:
    """Yield the gear in force from each moment on: a line for each rod."""
    unit = plan.area.show.depth
    before: list[str] = []
    for step in plan.radius.steps:
        said = [f"{one.rod.name}: {format_quantity(one.depth_m, unit, 0)}" for one in step.rods]
        if said != before:
            yield max(0, round(10 * (step.since.timestamp() - start_s))), said
        before = said
