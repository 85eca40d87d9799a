"""The journey: home, the pieces of work in their order, home again, as legs without a clock."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta

import networkx as nx
import shapely
from shapely import LineString, Point

from spotmap import polyline
from spotmap.dubins import dubins_paths
from spotmap.model import FloatArray, Leg, OffLine, TideChoice, Trip
from spotmap.passes import PassLine, off_line
from spotmap.patterns import FittedWork, PassKey
from spotmap.placing import PlacedWork
from spotmap.polyline import begun_after
from spotmap.turns import Turn, end_pose, start_pose
from spotmap.water import Span
from spotmap.ways import Runs

_STRAIGHT_M = 500.0
"""A straight in the local projection and one in degrees part by 5 mm over this length at 50° latitude."""
_NO_RUN_M = 1.0
"""Nearer than this the boat is there already."""


@dataclass(frozen=True)
class Outing:
    """A piece of work as it goes into the journey: how many passes, beginning with which, and what the tide asked for.

    Where the tide has it worked in several ways, `placed` is the one that most of it was worked in.
    """

    placed: PlacedWork
    count: int
    first: PassKey
    tide: tuple[TideChoice, ...] = ()


def choose_first_passes(home: Point, placed: Sequence[tuple[PlacedWork, int]]) -> list[Outing]:
    """Return each piece of work with the pass to begin with, so that the runs between are short.

    Every piece of work offers its passes in either direction; the cheapest way through is the shortest path in a
    layered graph from home to home. Runs are taken straight here: an island lengthens all choices alike.

    Parameters
    ----------
    home
        Where the trip starts and ends, local metres.
    placed
        The pieces of work in their order, each with its number of passes.

    Returns
    -------
    list of Outing
        One for each piece of work.
    """
    graph = nx.DiGraph()
    layer: dict[tuple[int, PassKey | None], Point] = {(-1, None): home}
    for position, (work, count) in enumerate(placed):
        following = {}
        for first in sorted(work.fitted.graph.nodes):
            begin, end = _ends(work.fitted, first, count)
            turning = sum(turn.length_m for _, turn in work.fitted.walk(first, count) if turn is not None)
            for before, leaves_at in layer.items():
                graph.add_edge(before, (position, first), length_m=leaves_at.distance(begin) + turning)
            following[position, first] = end
        layer = following
    for before, leaves_at in layer.items():
        graph.add_edge(before, "home", length_m=leaves_at.distance(home))
    chosen = nx.shortest_path(graph, (-1, None), "home", weight="length_m")[1:-1]
    return [Outing(work, count, first) for (work, count), (_, first) in zip(placed, chosen, strict=True)]


def _ends(fitted: FittedWork, first: PassKey, count: int) -> tuple[Point, Point]:
    last = fitted.walk(first, count)[-1][0]
    return Point(fitted.track(first)[0]), Point(fitted.track(last)[-1])


def work_duration(fitted: FittedWork, first: PassKey, count: int, trip: Trip) -> timedelta:
    """Return how long so many passes take, their turns (or straight runs back) included."""
    steps = fitted.walk(first, count)
    gear_down_m = sum(fitted.passes[key.name].length_m for key, _ in steps)
    gear_down_m += sum(turn.length_m for _, turn in steps if turn is not None)
    lifts = sum(turn is None for _, turn in steps[1:])
    back_m = lifts * fitted.graph.edges[first, first]["length_m"] if lifts else 0.0
    return timedelta(seconds=gear_down_m / trip.boat.troll_speed_mps + back_m / trip.boat.run_speed_mps)


def passes_that_fit(fitted: FittedWork, first: PassKey, available: timedelta, trip: Trip) -> int:
    """Return how many whole passes fit into a time; at least one, for the caller to judge."""
    most = 2
    while work_duration(fitted, first, most, trip) <= available:
        most *= 2
    counts = range(1, most)
    return max(1, bisect_right(counts, available, key=lambda count: work_duration(fitted, first, count, trip)))


def legs_of(outings: Sequence[Outing], runs: Runs) -> list[Leg]:
    """Return the legs of the whole trip in order, each starting where the one before it ends.

    Parameters
    ----------
    outings
        The pieces of work in their order, at least one.
    runs
        The ways between them.

    Raises
    ------
    NoPlanError
        When no water joins home and the work.
    """
    made = LegMaker(runs)
    since = runs.trip.start
    for outing in outings:
        placed, fitted = outing.placed, outing.placed.fitted
        name, span = f"work {placed.index + 1}", Span(since, placed.span.end)
        off = {key: off_line(line, runs.area.depth) for key, line in fitted.passes.items()}
        for key, turn in fitted.walk(outing.first, outing.count):
            track = fitted.track(key)
            if turn is None:
                track = begun_after(track, placed.gear_down_after_m)
                made.run(Point(track[0]), name, span, work=placed.index, onto=track)
            else:
                made.turn(turn, placed)
            made.add_pass(track, placed, fitted.passes[key.name], off[key.name])
        since = placed.span.start
    made.run(runs.trip.home, "home", Span(since, runs.trip.latest_end), work=None, onto=None)
    return made.legs


@dataclass(frozen=True)
class LegMark:
    """How far the making of legs had come, and where the boat was."""

    legs: int
    here: Point
    here_name: str
    counts: dict[str, int]


class LegMaker:
    """The legs made so far, and where the boat is after them."""

    def __init__(self, runs: Runs) -> None:
        self.legs: list[Leg] = []
        self._runs = runs
        self.here, self._here_name = runs.trip.home, "home"
        self._counts = {"run": 0, "pass": 0, "turn": 0}

    def mark(self) -> LegMark:
        """Return where the making stands, to come back to."""
        return LegMark(len(self.legs), self.here, self._here_name, dict(self._counts))

    def back_to(self, mark: LegMark) -> None:
        """Take back all legs made since a mark."""
        del self.legs[mark.legs :]
        self.here, self._here_name, self._counts = mark.here, mark.here_name, dict(mark.counts)

    def run(self, goal: Point, goal_name: str, span: Span, *, work: int | None, onto: FloatArray | None) -> None:
        """Add the shortest way to a place, gear up; where the boat is there already, a swing onto the next track."""
        way = self._runs.way(self.here, goal, span, start_name=self._here_name, goal_name=goal_name)
        if way.length >= _NO_RUN_M:
            xy = shapely.get_coordinates(shapely.segmentize(way, _STRAIGHT_M))
        else:
            xy = shapely.get_coordinates(way)
            if not self.legs or onto is None:
                return
            swings = dubins_paths(end_pose(self.legs[-1].xy), start_pose(onto), self._runs.trip.boat.turn_radius_m)
            tracks = [swing.points() for swing in swings if swing.length_m > 0.0]
            xy = next((track for track in tracks if self._runs.afloat(LineString(track), span)), xy)
            if polyline.length_m(xy) == 0.0:
                return
        self.legs.append(Leg("run", xy, self._label("run"), work=work, note="gear up"))

    def turn(self, turn: Turn, placed: PlacedWork) -> None:
        """Add a turn with gear down."""
        self.legs.append(
            Leg(
                "turn",
                turn.xy,
                self._label("turn"),
                work=placed.index,
                pattern=placed.fitted.work.pattern,
                turn_side=turn.side,
            )
        )

    def add_pass(self, xy: FloatArray, placed: PlacedWork, line: PassLine, off: OffLine) -> None:
        """Add a pass, of which `xy` may be a part."""
        self.legs.append(
            Leg(
                "pass",
                xy,
                self._label("pass"),
                work=placed.index,
                pattern=placed.fitted.work.pattern,
                depth_line_m=line.depth_line_m,
                off_line=off,
            )
        )
        self.here, self._here_name = Point(xy[-1]), f"work {placed.index + 1}"

    def _label(self, kind: str) -> str:
        self._counts[kind] += 1
        return f"{kind[0].upper()}{self._counts[kind]}"
