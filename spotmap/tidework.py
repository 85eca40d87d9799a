"""A piece of work in moving water: its shifts, how it is laid out for each, and what has been run of it."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from math import isfinite

import shapely
from shapely import LineString, MultiLineString, MultiPolygon, Point
from shapely.geometry.base import BaseGeometry

from spotmap.depthline import Stretch
from spotmap.gear import longest_chain_m
from spotmap.model import FloatArray, OffLine, Work
from spotmap.moving import Flow, Passage, still
from spotmap.passes import SHORTEST_PASS_RADII, NoPass
from spotmap.patterns import PassKey, box_around, stretches_of
from spotmap.placing import Before, InCurrent, PlacedWork, longest_duration, place_work
from spotmap.shifts import Shift, shifts_of
from spotmap.timetable import run_times
from spotmap.voyage import Voyage

_RUN_SPARE_S = 180.0
_FAR_ROUND = 4.0
"""With so many times the straight run home left, the way home is not worked out in haste."""
_SLOWEST_SHARE = 3.0
"""Passes against the current can take so many times as long as in still water."""
_SPARE_LAPS = 1.5
"""A one-way pass may begin before its shift or end after it by so many passes."""
_WIDE_M = 1e4


@dataclass
class TidePass:
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

    def cut_at(self, last: int) -> TidePass:
        """Return the pass as far as one of its vertices."""
        way = self.way
        shorter = Passage(
            way.clock_s[: last + 1], way.current_mps[: last + 1], way.heading_rad[:last], way.over_ground_mps[:last]
        )
        return replace(self, xy=self.xy[: last + 1], way=shorter)


@dataclass
class TideWork:
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
    done: list[tuple[int, TidePass]] = field(default_factory=list)
    begin_s: float | None = None
    last_trim: dict[PassKey, tuple[int, int]] = field(default_factory=dict)

    @property
    def spare_s(self) -> float:
        """Return by how much one-way passes may lie outside their shift, seconds."""
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
        return min(moment.timestamp() for moment in (kit.span.end, kit.stop_by) if moment is not None)

    def over(self, end_s: float, place: Point) -> bool:
        """Return whether the work's own time, or the trip's, would be over."""
        own = self.work.duration
        if own is not None and self.begin_s is not None and end_s > self.begin_s + own.total_seconds():
            return True
        straight_s = place.distance(self.day.brief.trip.home) / self.day.brief.trip.boat.run_speed_mps
        if self.hasty and end_s + _FAR_ROUND * straight_s + _RUN_SPARE_S < self.day.end_s:
            return False
        return end_s > self.day.end_s or self.day.home_by_s(place, end_s) > self.day.end_s


def opened_work(day: Voyage, index: int, *, hasty: bool) -> TideWork | NoPass:
    """Return a piece of work with its shifts, from where the boat is now.

    Parameters
    ----------
    day
        The voyage so far.
    index
        Which piece of work, from 0.
    hasty
        Whether the way home need not be worked out while there is time in plenty.

    Returns
    -------
    TideWork or NoPass
        Where nothing is known of the current around it, none is counted. NoPass says that there is no such line, or
        that the current is known beside it only.
    """
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
    line, flow = where_known(stretches[0].line, known, SHORTEST_PASS_RADII * brief.radius.radius_m), day.flow
    if line is None and not known.is_empty:
        # it is known to move beside the line: nobody may count on none
        return NoPass(("the current is known near the line, and not along it: no station's reach holds it",), 0.0)
    if line is None:
        # nothing is known of it anywhere on the line: none is counted, and the plan says so
        everywhere = shapely.box(*box_around(stretches, _WIDE_M))
        line, flow, known = stretches[0].line, still, shapely.multipolygons([everywhere])
    shifts = shifts_of(work, line, window, trip.boat, trip.limits, flow)
    return TideWork(day, index, work, stretches, flow, known, shifts, arrive_s, hasty)


def where_known(line: LineString, known: MultiPolygon, shortest_m: float) -> LineString | None:
    """Return the longest part of a line in some water, the way the line runs; None where none is long enough."""
    parts = shapely.get_parts(shapely.line_merge(line.intersection(known)))
    lines = [part for part in parts if part.geom_type == "LineString" and part.length >= shortest_m]
    if not lines:
        return None
    longest = max(lines, key=lambda part: part.length)
    ends = [line.project(shapely.get_point(longest, at)) for at in (0, -1)]
    return longest if ends[0] <= ends[1] else longest.reverse()
