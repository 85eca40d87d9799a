"""Patterns: a piece of work as a graph whose nodes are passes with a direction and whose edges join them.

To add a pattern, write a function that fits passes to the ground and returns a `FittedWork`, and enter it in
`PATTERNS`; the trip file knows it by its name there.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import networkx as nx
import shapely

from layers.model import Bounds, Depth
from spotmap.depthline import Stretch, stretch_near
from spotmap.laps import Lap, fit_lap, side_by_side
from spotmap.model import FloatArray, PatternName, Work
from spotmap.passes import SHORTEST_PASS_RADII, Cut, NoPass, PassLine, fit_pass
from spotmap.turns import Turn
from spotmap.water import GearWater
from spotmap.weave import fit_weave

_ROOM_RADII = 6.0
_ROOM_M = 200.0
_WORTH_A_LINE = 1.2
"""Where the way with the current bends so many times wider than the way against it, each has a line of its own."""
_RETURN_SPARE = 1.25
"""How much longer a return stretch is looked for, so that it reaches past both ends of the first."""


@dataclass(frozen=True, order=True)
class PassKey:
    """A pass and the way it is run: `forward` keeps the deep side to port."""

    name: str
    forward: bool


@dataclass(frozen=True)
class FittedWork:
    """A piece of work that can be done.

    `graph` is a networkx DiGraph whose nodes are `PassKey`; an edge leads to the pass that may follow and carries
    `turn` (a `Turn`, or None where gear comes up and the boat runs, and in moving water) and `length_m` (of the turn,
    or of the straight way back). `stretch` is what was wanted of the first line, `notes` what was chosen and why,
    `water` where gear may be.
    """

    work: Work
    passes: dict[str, PassLine]
    graph: nx.DiGraph
    cuts: tuple[Cut, ...]
    notes: tuple[str, ...]
    stretch: Stretch
    water: GearWater

    def track(self, key: PassKey) -> FloatArray:
        """Return a pass as it is run, (n, 2) local metres."""
        xy = self.passes[key.name].xy
        return xy if key.forward else xy[::-1]

    def walk(self, first: PassKey, count: int) -> list[tuple[PassKey, Turn | None]]:
        """Return so many passes in order from a first one, each with the turn that led to it (None: gear came up)."""
        steps: list[tuple[PassKey, Turn | None]] = [(first, None)]
        while len(steps) < count:
            here = steps[-1][0]
            edges = self.graph.adj[here]
            following = min(edges, key=lambda key: edges[key]["length_m"])
            steps.append((following, edges[following]["turn"]))
        return steps


@dataclass(frozen=True)
class Ground:
    """What a piece of work is fitted to: its stretches of depth line, the gear's water around them, and R.

    In a current the line run out and the line run back bend over the ground no tighter than `bend_out_m` and
    `bend_back_m`; `out_forward` says which way the first must be run (None: either). With `moving`, turns hang on the
    minute they are run in, and none are fitted.
    """

    stretches: tuple[Stretch, ...]
    water: GearWater
    radius_m: float
    bend_out_m: float = 0.0
    bend_back_m: float = 0.0
    out_forward: bool | None = None
    moving: bool = False


def stretches_of(work: Work, depth: Depth, radius_m: float) -> tuple[Stretch, ...] | NoPass:
    """Return the stretches of depth line that a piece of work asks for: its line and, if it has one, its return line.

    Parameters
    ----------
    work
        What the trip asks for.
    depth
        The area's depth.
    radius_m
        The turning radius R, metres: lines shorter than a few of it are passed over.

    Returns
    -------
    tuple of Stretch, or NoPass
        One or two; or why there is none.
    """
    shortest_m = SHORTEST_PASS_RADII * radius_m
    first = stretch_near(depth, work.depth_line_m, work.near, work.length_m, shortest_m=shortest_m)
    if first is None:
        return NoPass(("no line at this depth is long enough to work",), 0.0)
    if work.return_line_m is None:
        return (first,)
    middle = first.line.interpolate(0.5, normalized=True)
    length_m = first.line.length * _RETURN_SPARE
    second = stretch_near(depth, work.return_line_m, middle, length_m, shortest_m=shortest_m)
    if second is None:
        return NoPass(("no return line at this depth is long enough to work",), 0.0)
    return first, second


def box_around(stretches: Sequence[Stretch], radius_m: float) -> Bounds:
    """Return the box that holds the stretches and the room for turns and detours around them."""
    west, south, east, north = shapely.total_bounds([stretch.line for stretch in stretches])
    room = _ROOM_RADII * radius_m + _ROOM_M
    return (west - room, south - room, east + room, north + room)


def fit_work(work: Work, ground: Ground) -> FittedWork | NoPass:
    """Return a piece of work laid out on its depth lines, cut to what is possible, or why nothing is left of it."""
    return PATTERNS[work.pattern](work, ground)


def _loop(work: Work, ground: Ground) -> FittedWork | NoPass:
    """Out along the line, turn, back along the return line or the same line, turn."""
    first = fit_pass(ground.stretches[0], ground.radius_m, ground.water, bend_m=ground.bend_out_m)
    if isinstance(first, NoPass):
        return first
    notes: list[str] = []
    for other in _returns(ground):
        lap = other if isinstance(other, NoPass) else _lap(first, other, ground)
        if not isinstance(lap, NoPass):
            break
        if len(ground.stretches) > 1:
            notes.append(f"returns along the same line, not the return line: {'; '.join(lap.reasons)}")
    else:
        lap = _lap(first, None, ground)
    if isinstance(lap, NoPass):
        return NoPass((*lap.reasons, *(reason for cut in first.cuts for reason in cut.reasons)), first.length_m)
    return _there_and_back(work, lap, (*first.cuts, *lap.cuts), tuple(notes), ground)


def _returns(ground: Ground) -> Iterator[PassLine | NoPass]:
    """Yield the lines other than the first one that a loop may return on.

    In a current the way against it, on the same line, bends less through the water and can keep nearer the line.
    """
    for stretch in ground.stretches[1:]:
        yield fit_pass(stretch, ground.radius_m, ground.water, bend_m=ground.bend_back_m)
    if len(ground.stretches) == 1 and ground.bend_back_m * _WORTH_A_LINE < ground.bend_out_m:
        yield fit_pass(ground.stretches[0], ground.radius_m, ground.water, bend_m=ground.bend_back_m)


def _lap(out: PassLine, back: PassLine | None, ground: Ground) -> Lap | NoPass:
    """Return a lap with its turns; in moving water the turns are left for when each is run."""
    if not ground.moving:
        return fit_lap(out, back, ground.radius_m, ground.water)
    beside = side_by_side(out, back)
    return beside if isinstance(beside, NoPass) else Lap(out, beside, None, None, ())


def _there_and_back(work: Work, lap: Lap, cuts: tuple[Cut, ...], notes: tuple[str, ...], ground: Ground) -> FittedWork:
    """Return a lap as a graph: it can be begun with either pass and run either way round where the ground lets it."""
    far, near = lap.far, lap.near
    graph = nx.DiGraph()
    for leaving, entering, turn in (
        (PassKey("out", True), PassKey("back", False), far),
        (PassKey("back", False), PassKey("out", True), near),
        (PassKey("out", False), PassKey("back", True), None if near is None else near.run_back()),
        (PassKey("back", True), PassKey("out", False), None if far is None else far.run_back()),
    ):
        out = leaving if leaving.name == "out" else entering
        if ground.out_forward in (None, out.forward):
            graph.add_edge(leaving, entering, turn=turn, length_m=0.0 if turn is None else turn.length_m)
    return FittedWork(work, {"out": lap.out, "back": lap.back}, graph, cuts, notes, ground.stretches[0], ground.water)


def _one_way(work: Work, ground: Ground) -> FittedWork | NoPass:
    """One pass a lap, gear up, run back, again."""
    line = fit_pass(ground.stretches[0], ground.radius_m, ground.water, bend_m=ground.bend_out_m)
    if isinstance(line, NoPass):
        return line
    graph = nx.DiGraph()
    for way in (PassKey("out", True), PassKey("out", False)):
        graph.add_edge(way, way, turn=None, length_m=float(shapely.LineString(line.xy[[0, -1]]).length))
    return FittedWork(work, {"out": line}, graph, line.cuts, (), ground.stretches[0], ground.water)


def _weave(work: Work, ground: Ground) -> FittedWork | NoPass:
    """S-curves between two depth lines; turn, and weave back along the same track."""
    bend_m = max(ground.bend_out_m, ground.bend_back_m, ground.radius_m)
    first, second = (fit_pass(stretch, ground.radius_m, ground.water, bend_m=bend_m) for stretch in ground.stretches)
    if isinstance(first, NoPass):
        return first
    if isinstance(second, NoPass):
        return second
    weave = fit_weave(first, second, bend_m, ground.water)
    if isinstance(weave, NoPass):
        return weave
    lap = _lap(weave, None, ground)
    if isinstance(lap, NoPass):
        return lap
    return _there_and_back(work, lap, (*weave.cuts, *lap.cuts), (), ground)


PATTERNS: dict[PatternName, Callable[[Work, Ground], FittedWork | NoPass]] = {
    "loop": _loop,
    "one-way": _one_way,
    "weave": _weave,
}
