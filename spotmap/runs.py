"""The shortest way through open water with the gear up.

A shortest way bends only at corners of the water, so an A* over corners finds it. A shore drawn from a depth grid
has thousands. So the search goes first over the few corners of a plainer shore, drawn a little inside the water.
The shortest way through water drawn as much too large tells how much longer that can be than the true shortest;
where it may be too much, the shore is drawn finer, at last to the centimetre.
"""

from __future__ import annotations

import heapq
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt
import shapely
from shapely import LineString, MultiPolygon, Point, Polygon

from spotmap._errors import NoPlanError

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

_OFFSETS_M = (8.0, 2.0, 0.01)
_HAIR_M = 0.001
_ENOUGH = 1.018
_ROUNDING_M = 1.0
_SLACK_M = 1e-6


@dataclass(frozen=True, eq=False)
class RunWater:
    """The water in which the boat may run, ready to be asked for the shortest way.

    Parameters
    ----------
    pieces
        The parts of the water that no way joins; corners are found when a piece is first asked.

    Examples
    --------
    >>> island = shapely.box(400, -300, 600, 100)
    >>> sound = shapely.box(0, -500, 1000, 500) - island
    >>> run = RunWater.build(sound).shortest(Point(100, 0), Point(900, 0))
    >>> run.length < 840 and sound.covers(run)
    True
    """

    pieces: tuple[_Piece, ...]

    @classmethod
    def build(cls, free: Polygon | MultiPolygon) -> RunWater:
        """Take the water in which the boat may run.

        Parameters
        ----------
        free
            Valid polygons in local metres: deep enough, off the land, out of all that is shut to the boat.

        Raises
        ------
        ValueError
            When the polygons are not valid.
        """
        if not free.is_valid:
            raise ValueError(f"the water for runs is not valid: {shapely.is_valid_reason(free)}")
        parts = shapely.get_parts(free)
        shapely.prepare(parts)
        return cls(tuple(_Piece(part) for part in parts if not part.is_empty))

    def holds(self, track: LineString) -> bool:
        """Return whether the whole of a track lies in the water."""
        return any(shapely.covers(piece.shape, track) for piece in self.pieces)

    def shortest(
        self, start: Point, goal: Point, *, start_name: str = "home", goal_name: str = "the work"
    ) -> LineString:
        """Return the shortest way; it is less than 2 % longer than the true shortest.

        Passages narrower than 2 cm count as shut. A start or goal on the edge of the water, or up to 1 m outside it
        as rounding can leave it, is joined to the nearest water.

        Parameters
        ----------
        start, goal
            Places in local metres.
        start_name, goal_name
            What an error calls them.

        Returns
        -------
        A line from exactly `start` to exactly `goal`, inside the water but for such joins. A run from a place to
        itself is a line of two equal vertices.

        Raises
        ------
        NoPlanError
            When the start or the goal lies outside the water, or no water joins them.
        """
        headline = f"No run with gear up from {start_name} to {goal_name}."
        shapes = np.array([piece.shape for piece in self.pieces], dtype=np.object_)
        gaps = np.array([shapely.distance(shapes, place) for place in (start, goal)]).reshape(2, -1)
        outside = [
            f"{name} lies {gap.min():.0f} m outside such water" if gap.size else "there is no such water at all"
            for name, gap in zip((start_name, goal_name), gaps, strict=True)
            if not (gap <= _ROUNDING_M).any()
        ]
        if outside:
            raise NoPlanError(
                headline,
                ["a run needs water deep enough for the draft and open to the boat", *dict.fromkeys(outside)],
                ["move the place into such water, or look at the draft, the land and the depths there"],
            )
        best: FloatArray | None = None
        for index in np.flatnonzero((gaps <= _ROUNDING_M).all(axis=0)):
            best = self.pieces[index].shortest(start, goal)
            if best is not None:
                break
        if best is None:
            raise NoPlanError(
                headline,
                [f"no water deep enough and open to the boat joins {start_name} and {goal_name}"],
                ["look there at no-entry closures, lanes closed to all, shallow or unknown water, and the draft"],
            )
        # The way itself may begin and end a little inside the shore.
        way = np.vstack([_xy(start), best, _xy(goal)])
        moved = np.any(way[1:] != way[:-1], axis=1)
        return LineString(way[[True, *moved]] if moved.any() else way[:2])


@dataclass(frozen=True, eq=False)
class _Piece:
    """One connected piece of water."""

    shape: Polygon

    @cached_property
    def levels(self) -> tuple[_Level, ...]:
        return tuple(_Level(self.shape, offset) for offset in _OFFSETS_M)

    def shortest(self, start: Point, goal: Point) -> FloatArray | None:
        """Return the vertices of the shortest way; its ends are moved off the edge of the water."""
        first, last = self._afloat(start), self._afloat(goal)
        if first is None or last is None:
            return None
        if np.array_equal(first, last) or _sees(self.shape, first, last[:, None])[0]:
            return np.vstack([first, last])
        best: FloatArray | None = None
        length, bound = np.inf, 0.0
        for level in self.levels:
            if level is not self.levels[-1]:
                ideal = level.over_shore.shortest(first, last, length)
                bound = bound if ideal is None else max(bound, _length(ideal))
                if length <= _ENOUGH * bound:
                    break
            found = level.near_shore.shortest(first, last, length)
            if found is not None and shapely.contains_properly(self.shape, LineString(found)):
                best, length = found, _length(found)
            if length <= _ENOUGH * bound:
                break
        return best

    def _afloat(self, place: Point) -> FloatArray | None:
        """Return the place, or the nearest one strictly inside the water."""
        if shapely.contains_properly(self.shape, place):
            return _xy(place)
        around = self.shape.intersection(place.buffer(2.0 * _ROUNDING_M)).buffer(-_OFFSETS_M[-1])
        if around.is_empty:
            return None
        return _xy(shapely.shortest_line(around, place))


@dataclass(frozen=True, eq=False)
class _Level:
    """The corners of the water drawn `offset_m` too small, and of the water drawn as much too large."""

    shape: Polygon
    offset_m: float

    @cached_property
    def _simple(self) -> Polygon:
        return self.shape.simplify(0.25 * self.offset_m)

    @cached_property
    def near_shore(self) -> _Corners:
        # The simplifications together move the shore by 3/4 of the offset at most: what is drawn stays in the water.
        smaller = self._simple.buffer(-self.offset_m, join_style="mitre").simplify(0.5 * self.offset_m)
        return _Corners.of(smaller, self.shape)

    @cached_property
    def over_shore(self) -> _Corners:
        larger = self._simple.buffer(self.offset_m, join_style="mitre").simplify(0.5 * self.offset_m)
        return _Corners.of(larger)


@dataclass(frozen=True, eq=False)
class _Corners:
    """The corners round which a taut line through `water` can bend, strictly inside it.

    `xy` is (2, n); `before` and `after` are (2, n) unit vectors from the corner along the drawn shore, which has
    the water to port of `after`. `outer_water` holds the start and the goal, which may lie outside `water`.
    """

    water: Polygon | MultiPolygon
    outer_water: Polygon | MultiPolygon
    xy: FloatArray
    before: FloatArray
    after: FloatArray

    @classmethod
    def of(cls, drawn: Polygon | MultiPolygon, outer_water: Polygon | None = None) -> _Corners:
        """Return the corners of the water as `drawn`."""
        water = drawn.buffer(_HAIR_M, join_style="mitre")
        shapely.prepare(water)
        rings, part = shapely.get_rings(shapely.get_parts(drawn), return_index=True)
        shells = np.diff(part, prepend=-1) > 0
        rings = np.where(shapely.is_ccw(rings) == shells, rings, shapely.reverse(rings))
        vertices, ring = shapely.get_coordinates(rings, return_index=True)
        first = np.flatnonzero(np.diff(ring, prepend=-1))
        last = np.append(first[1:], len(vertices))[: len(first)] - 1
        previous = np.arange(len(vertices)) - 1
        previous[first] = last - 1
        here = np.delete(np.arange(len(vertices)), last)  # a ring's first vertex comes again as its last
        xy = vertices[here].T
        before, after = vertices[previous[here]].T - xy, vertices[here + 1].T - xy
        before, after = before / np.hypot(*before), after / np.hypot(*after)
        into_water = _cross(before, after) > 0.0
        corners = (vectors[:, into_water] for vectors in (xy, before, after))
        return cls(water, outer_water or water, *corners)

    def shortest(self, start: FloatArray, goal: FloatArray, at_most: float) -> FloatArray | None:
        """Return the (k, 2) vertices of the shortest taut line no longer than `at_most`, or None."""
        # The start is one corner more, whose shore is no hindrance.
        graph = _Corners(
            self.water,
            self.outer_water,
            np.column_stack([self.xy, start]),
            np.column_stack([self.before, np.zeros(2)]),
            np.column_stack([self.after, np.zeros(2)]),
        )
        to_go = np.hypot(*(graph.xy - goal[:, None]))
        live = np.hypot(*(graph.xy - start[:, None])) + to_go <= at_most
        sees_goal = live & graph.meets(goal[:, None] - graph.xy)
        sees_goal[sees_goal] = _sees(self.outer_water, goal, graph.xy[:, sees_goal])
        if not sees_goal.any():
            return None
        first = len(to_go) - 1
        gone = np.full(len(to_go), np.inf)
        gone[first] = 0.0
        came_from = np.full(len(to_go), first)
        queue = [(to_go[first], first)]
        while queue:
            _, here = heapq.heappop(queue)
            if not live[here]:
                continue
            if sees_goal[here]:
                way = [goal, graph.xy[:, here]]
                while here != first:
                    here = came_from[here]
                    way.append(graph.xy[:, here])
                return np.array(way[::-1])
            live[here] = False
            ahead, steps = graph.onward(here, came_from[here], live)
            total = gone[here] + steps
            better = (total < gone[ahead]) & (total + to_go[ahead] <= at_most)
            ahead, total = ahead[better], total[better]
            clear = _sees(self.outer_water if here == first else self.water, graph.xy[:, here], graph.xy[:, ahead])
            ahead, total = ahead[clear], total[clear]
            gone[ahead], came_from[ahead] = total, here
            for key in zip((total + to_go[ahead]).tolist(), ahead.tolist(), strict=True):
                heapq.heappush(queue, key)
        return None

    def onward(self, here: int, back: int, live: BoolArray) -> tuple[npt.NDArray[np.intp], FloatArray]:
        """Return the live corners to which a taut line from `back` can go on after `here`, and how far they are.

        Pulled taut, it bends towards the shore at a corner and is a tangent to it on either side. Whether the way
        is clear is not asked yet.
        """
        away, came = self.xy - self.xy[:, here, None], self.xy[:, here] - self.xy[:, back]
        before, after = self.before[:, here], self.after[:, here]
        taut = np.zeros_like(live)
        for hand in (1.0, -1.0):  # the shore to starboard, to port
            if max(hand * _cross(came, before), hand * _cross(came, after)) <= _SLACK_M:
                ahead = np.maximum(hand * _cross(away, before), hand * _cross(away, after))
                taut |= live & (np.maximum(ahead, -hand * _cross(away, came)) <= _SLACK_M)
        taut[taut] = self.meets(away[:, taut], taut)
        return np.flatnonzero(taut), np.hypot(*away[:, taut])

    def meets(self, along: FloatArray, some: BoolArray | None = None) -> BoolArray:
        """Return whether (2, k) vectors are tangents to the shore at the corners, or at `some` of them."""
        before, after = (edge if some is None else edge[:, some] for edge in (self.before, self.after))
        edges = _cross(along, before), _cross(along, after)
        tangent: BoolArray = (np.maximum(*edges) <= _SLACK_M) | (np.minimum(*edges) >= -_SLACK_M)
        return tangent


def _cross(a: FloatArray, b: FloatArray) -> FloatArray:
    """Return the cross products of (2, ...) vectors: positive where b points to port of a."""
    product: FloatArray = a[0] * b[1] - a[1] * b[0]
    return product


def _xy(place: Point | LineString) -> FloatArray:
    first: FloatArray = shapely.get_coordinates(place)[0]
    return first


def _sees(water: Polygon | MultiPolygon, eye: FloatArray, places: FloatArray) -> BoolArray:
    """Return whether the straight way from a place to each of the (2, n) places stays strictly in the water."""
    clear = np.ones(places.shape[1], dtype=np.bool_)
    # Most ways that are shut are shut early on, and a short piece is cheaply asked.
    for near, far in ((0.0, 0.1), (0.1, 0.4), (0.4, 1.0)):
        open_yet = np.flatnonzero(clear)
        along = places.T[open_yet] - eye
        ways = np.stack([eye + near * along, eye + far * along], axis=1)
        clear[open_yet] = shapely.contains_properly(water, shapely.linestrings(ways))
    return clear


def _length(way: FloatArray) -> float:
    return float(np.hypot(*np.diff(way, axis=0).T).sum())
