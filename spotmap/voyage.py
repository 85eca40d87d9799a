"""The voyage through moving water so far: where the boat is, when, and the legs that led there."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, datetime
from math import inf, isnan

import numpy as np
import shapely
from shapely import LineString, Point

from layers.model import Area
from spotmap._errors import NoPlanError
from spotmap.journey import LegMaker, LegMark
from spotmap.model import FloatArray, Leg
from spotmap.moving import Flow, Passage, passage
from spotmap.placing import Brief
from spotmap.water import Span
from spotmap.ways import Runs

_WAIT_ROUNDS = 40
_LOOK_M = 100.0
_AFTER_S = 1.0
_HAND_M = 0.1


def flow_of(area: Area) -> Flow:
    """Return the current of an area, NaN where it is not known."""

    def flow(xy: FloatArray, time_s: FloatArray) -> FloatArray:
        if area.current is None:
            return np.full_like(xy, np.nan)
        return area.current.flow_at(xy[:, 0], xy[:, 1], time_s)

    return flow


@dataclass(frozen=True)
class VoyageMark:
    """How far a voyage had come."""

    made: LegMark
    departure: datetime
    now_s: float


class Voyage:
    """Where the boat is in moving water, and when, and the legs that led there; times are POSIX seconds."""

    def __init__(self, brief: Brief, runs: Runs) -> None:
        self.brief, self.runs = brief, runs
        self.made = LegMaker(runs)
        self.departure = brief.trip.start
        self.now_s = brief.trip.start.timestamp()
        self.end_s = brief.trip.latest_end.timestamp()
        self.flow = flow_of(brief.area)

    @property
    def here(self) -> Point:
        """Return where the boat is."""
        return self.made.here

    def mark(self) -> VoyageMark:
        """Return where the voyage stands, to come back to."""
        return VoyageMark(self.made.mark(), self.departure, self.now_s)

    def back_to(self, mark: VoyageMark) -> None:
        """Take back all that was done since a mark."""
        self.made.back_to(mark.made)
        self.departure, self.now_s = mark.departure, mark.now_s

    def moment(self, time_s: float) -> datetime:
        """Return a time in the area's zone."""
        return datetime.fromtimestamp(time_s, UTC).astimezone(self.brief.area.timezone)

    def span_from(self, start_s: float, end_s: float) -> Span:
        """Return a span of time in the area's zone."""
        return Span(self.moment(start_s), self.moment(end_s))

    def counted_flow(self, xy: FloatArray, time_s: FloatArray) -> FloatArray:
        """Return the current, or none at all where it is not known all along: for runs."""
        found = self.flow(xy, time_s)
        return found if np.isfinite(found).all() else np.zeros_like(found)

    def add(self, leg: Leg, way: Passage) -> None:
        """Take the leg made last as run in moving water."""
        self.made.legs[-1] = replace(leg, clock_s=way.clock_s, current_mps=way.current_mps)
        self.now_s += way.took_s

    def run(self, goal: Point, name: str, *, work: int | None, onto: FloatArray | None, until_s: float) -> bool:
        """Run to a place with the gear up; return whether the boat can stem the current on the way."""
        before = len(self.made.legs)
        span = self.span_from(self.now_s, max(until_s, self.now_s + 1.0))
        self.made.run(goal, name, span, work=work, onto=onto)
        if len(self.made.legs) == before:
            return True
        leg = self.made.legs[-1]
        # the current is looked at where the run has vertices
        leg = replace(leg, xy=shapely.get_coordinates(shapely.segmentize(LineString(leg.xy), _LOOK_M)))
        way = passage(leg.xy, self.brief.trip.boat.run_speed_mps, self.now_s, self.counted_flow)
        if isnan(way.took_s):
            return False
        self.add(leg, way)
        return True

    def wait_until(self, moment_s: float, began_s: float) -> bool:
        """Come no earlier than a moment: leave home later, or wait on the spot; return whether that can be done."""
        legs = self.made.legs
        moment_s += _AFTER_S
        if self.now_s >= moment_s:
            return True
        if not legs or legs[-1].kind != "run":
            return False
        leg, full = legs[-1], self.brief.trip.boat.run_speed_mps
        if len(legs) == 1:
            leave_s = began_s
            for _ in range(_WAIT_ROUNDS):
                way = passage(leg.xy, full, leave_s, self.counted_flow)
                short_s = moment_s - leave_s - way.took_s
                if short_s <= 0.0:
                    break
                leave_s += short_s
            self.departure, self.now_s = self.moment(leave_s), leave_s
            self.add(leg, way)
            return True
        # it lies a hand short of the place: files drop a vertex given twice
        there = leg.xy[-1:]
        short = there + (leg.xy[-2:-1] - there) * (_HAND_M / max(float(np.hypot(*(leg.xy[-2] - leg.xy[-1]))), _HAND_M))
        xy = np.vstack([leg.xy[:-1], short])
        if len(xy) == 2 and np.array_equal(xy[0], xy[1]):  # noqa: PLR2004  no way at all
            return False
        way = passage(xy, full, began_s, self.counted_flow)
        flow = self.counted_flow(np.vstack([xy, there]), np.append(began_s + way.clock_s, moment_s))
        waited = Passage(
            np.append(way.clock_s, moment_s - began_s),
            flow,
            np.append(way.heading_rad, way.heading_rad[-1]),
            np.append(way.over_ground_mps, _HAND_M / (moment_s - began_s - way.took_s)),
        )
        # the share of its time that it runs tells the fuel
        mean_mps = full * way.took_s / waited.took_s
        note = f"gear up; waits there until water opens at {self.moment(moment_s - _AFTER_S):%H:%M}"
        self.now_s = began_s
        self.add(replace(leg, xy=np.vstack([xy, there]), speed_mps=mean_mps, note=note), waited)
        return True

    def home_by_s(self, place: Point, time_s: float) -> float:
        """Return when the boat is home that leaves a place at a time; infinite where it cannot be."""
        home = self.brief.trip.home
        span = self.span_from(time_s, max(self.end_s, time_s + 1.0))
        try:
            way = self.runs.way(place, home, span, start_name="the work", goal_name="home")
        except NoPlanError:
            return inf
        if way.length == 0.0:
            return time_s
        took_s = passage(
            shapely.get_coordinates(way), self.brief.trip.boat.run_speed_mps, time_s, self.counted_flow
        ).took_s
        return inf if isnan(took_s) else time_s + took_s

    def run_home(self) -> None:
        """End the voyage at home.

        Raises
        ------
        NoPlanError
            When the current on the way is faster than the boat.
        """
        if not self.run(self.brief.trip.home, "home", work=None, onto=None, until_s=self.end_s):
            raise NoPlanError("The boat cannot run home against the current.")
