"""Shortest turn-limited paths between two poses, in closed form.

L. E. Dubins, *American Journal of Mathematics* 79 (1957): the shortest path of bounded curvature between two
poses is an arc, a straight or a third arc, and an arc. All six classes are solved here from the centres of
their circles rather than from the angles of Shkel & Lumelsky, *Robotics and Autonomous Systems* 34 (2001):
centres stay well behaved where the poses are close together.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
ComplexArray = npt.NDArray[np.complex128]

WORDS = ("LSL", "RSR", "LSR", "RSL", "LRL", "RLR", "LRL", "RLR")
"""The rows of `dubins_segments`: L turns to port, R to starboard, S is straight.

Three arcs come twice, first with a middle arc above half a circle, the only one that can be shortest, then
with the one below, which may be open where an obstacle shuts the first.
"""

_TAU = 2.0 * np.pi
_NOISE = 1e-10
"""What rounding may do to a place, in turning radii: 5 nm for a radius of 50 m."""
_ANGLE_NOISE = 1e-9
_STRAIGHT_STEP_M = 25.0
_SHORTEST_STEP_M = 2e-6
_SIGN = {"L": 1.0, "S": 0.0, "R": -1.0}


@dataclass(frozen=True)
class Pose:
    """A place and a heading: local metres; radians, counter-clockwise from east."""

    x: float
    y: float
    heading_rad: float

    @property
    def row(self) -> tuple[float, float, float]:
        """Return the pose as a row of the arrays that many poses come in."""
        return (self.x, self.y, self.heading_rad)


@dataclass(frozen=True)
class DubinsPath:
    """A path of at most three pieces that never turns tighter than `radius_m`.

    Parameters
    ----------
    word
        The class, one letter a piece: L turns to port, R to starboard, S is straight.
    start, goal
        The poses that it joins.
    radius_m
        The radius of every arc.
    pieces_m
        The length of each piece; zero where the class has one to spare.
    """

    word: str
    start: Pose
    goal: Pose
    radius_m: float
    pieces_m: tuple[float, float, float]

    @property
    def length_m(self) -> float:
        """Return the length of the path."""
        return sum(self.pieces_m)

    @property
    def turned_rad(self) -> float:
        """Return the change of heading along the path, whole circles included; positive to port."""
        return sum(_SIGN[c] * length for c, length in zip(self.word, self.pieces_m, strict=True)) / self.radius_m

    def points(self, sagitta_m: float = 0.005) -> FloatArray:
        """Return the path as vertices.

        Parameters
        ----------
        sagitta_m
            The most by which a chord may leave its arc, metres.

        Returns
        -------
        (n, 2) local metres. The first and the last vertex are exactly the start and the goal, straights have
        a vertex every 25 m at least, and no two vertices come within a micrometre. A path of no length is one
        vertex.

        Examples
        --------
        >>> half_circle = dubins_paths(Pose(0, 0, 0), Pose(0, 100, np.pi), 50.0)[0]
        >>> half_circle.word, len(half_circle.points(sagitta_m=0.5))
        ('LSL', 13)
        """
        return self.sampled(sagitta_m)[0]

    def sampled(self, sagitta_m: float = 0.005, straight_m: float = _STRAIGHT_STEP_M) -> tuple[FloatArray, FloatArray]:
        """Return the path as vertices (n, 2) like `points`, and how far along it each lies, (n,) metres.

        Straights have a vertex every `straight_m` at least.

        Examples
        --------
        >>> half_circle = dubins_paths(Pose(0, 0, 0), Pose(0, 100, np.pi), 50.0)[0]
        >>> half_circle.sampled(sagitta_m=20.0)[1].round(1).tolist()
        [0.0, 78.5, 157.1]
        """
        if not sagitta_m > 0.0:
            raise ValueError(f"sagitta_m is {sagitta_m}; it must be above zero")
        arc_step = 2.0 * self.radius_m * np.arccos(max(0.0, 1.0 - sagitta_m / self.radius_m))
        step = {
            "S": straight_m,
            "L": max(arc_step, _SHORTEST_STEP_M),
            "R": max(arc_step, _SHORTEST_STEP_M),
        }
        x, y, heading = self.start.x, self.start.y, self.start.heading_rad
        vertices = [np.array([[x, y]])]
        along, before = [np.zeros(1)], 0.0
        for letter, length in zip(self.word, self.pieces_m, strict=True):
            bend = _SIGN[letter] / self.radius_m
            count = max(1, int(np.ceil(length / step[letter] - 1e-9)))
            run = length * np.arange(1, count + 1) / count
            # A chord is 2R sin(turn/2) along the mean heading; sinc makes the straight its limit.
            half_turns = 0.5 * bend * run
            chords = run * np.sinc(half_turns / np.pi)
            piece = np.column_stack(
                [x + chords * np.cos(heading + half_turns), y + chords * np.sin(heading + half_turns)]
            )
            if length >= _SHORTEST_STEP_M:
                vertices.append(piece)
                along.append(before + run)
            before += length
            (x, y), heading = piece[-1], heading + bend * length
        xy = np.concatenate(vertices)
        if len(xy) > 1:
            xy[-1] = self.goal.x, self.goal.y
        return xy, np.concatenate(along)


def dubins_segments(starts: npt.ArrayLike, goals: npt.ArrayLike, radius_m: float) -> FloatArray:
    """Solve every class between many pairs of poses at once.

    Parameters
    ----------
    starts, goals
        (n, 3) poses: x and y in metres, heading in radians counter-clockwise from east.
    radius_m
        The radius of the arcs.

    Returns
    -------
    (n, 8, 3) lengths in metres of the three pieces of each of `WORDS`; NaN where a class does not exist.

    Raises
    ------
    ValueError
        When the radius is not above zero, a pose is not finite or the shapes do not match.
    """
    start, goal = (np.atleast_2d(np.asarray(poses, dtype=np.float64)) for poses in (starts, goals))
    if start.shape != goal.shape or start.shape[1:] != (3,):
        raise ValueError(f"starts {start.shape} and goals {goal.shape} must both be (n, 3)")
    if not (np.isfinite(radius_m) and radius_m > 0.0):
        raise ValueError(f"radius_m is {radius_m}; it must be above zero")
    if not (np.isfinite(start).all() and np.isfinite(goal).all()):
        raise ValueError("every pose must be finite")
    offset = np.empty(len(start), dtype=np.complex128)
    offset.real, offset.imag = ((goal - start)[:, :2] / radius_m).T
    h0, h1 = np.mod(start[:, 2], _TAU), np.mod(goal[:, 2], _TAU)
    rows: dict[int, FloatArray] = {}
    # A path of the mirrored world that begins with L is one of ours that begins with R.
    for mirror, place, first, last in ((0, offset, h0, h1), (1, offset.conj(), -h0, -h1)):
        rows[0 + mirror] = _same_side(place, first, last)
        rows[2 + mirror] = _crossing(place, first, last)
        rows[4 + mirror], rows[6 + mirror] = _three_arcs(place, first, last)
    return radius_m * np.stack([rows[row] for row in range(len(WORDS))], axis=1)


def dubins_lengths(starts: npt.ArrayLike, goals: npt.ArrayLike, radius_m: float) -> FloatArray:
    """Return the (n,) lengths in metres of the shortest paths; parameters as `dubins_segments`.

    Examples
    --------
    >>> dubins_lengths([[0, 0, 0], [0, 0, 0]], [[10, 0, 0], [0, 2, np.pi]], 1.0).round(6)
    array([10.      ,  3.141593])
    """
    totals: FloatArray = np.nanmin(dubins_segments(starts, goals, radius_m).sum(axis=2), axis=1)
    return totals


def dubins_paths(start: Pose, goal: Pose, radius_m: float) -> tuple[DubinsPath, ...]:
    """Return every path of the six classes between two poses, the shortest first, each once.

    Parameters
    ----------
    start, goal
        The poses.
    radius_m
        The radius of the arcs, metres.

    Returns
    -------
    At least one path. A path that several classes share (a plain straight is LSL, LSR, RSL and RSR) comes
    under the first of them in `WORDS`; two of one length keep the order of `WORDS`.

    Raises
    ------
    ValueError
        When the radius is not above zero or a pose is not finite.
    """
    pieces = dubins_segments([start.row], [goal.row], radius_m)[0]
    found: dict[tuple[tuple[str, int], ...], DubinsPath] = {}
    for word, lengths in zip(WORDS, pieces.tolist(), strict=True):
        if np.isnan(lengths[0]):
            continue
        same = tuple(
            (letter, round(length / (1e-6 * radius_m)))
            for letter, length in zip(word, lengths, strict=True)
            if length > 1e-6 * radius_m
        )
        found.setdefault(same, DubinsPath(word, start, goal, radius_m, (lengths[0], lengths[1], lengths[2])))
    return tuple(sorted(found.values(), key=lambda path: round(path.length_m, 6)))


def _turn(angle: FloatArray) -> FloatArray:
    """Return angles in [0, 2π), a whole circle less rounding being none."""
    turn = np.mod(angle, _TAU)
    return np.where(turn > _TAU - _ANGLE_NOISE, 0.0, turn)


def _same_side(place: ComplexArray, h0: FloatArray, h1: FloatArray) -> FloatArray:
    """Return LSL in radii, (n, 3); the goal's place is relative to the start."""
    between = place + 1j * np.exp(1j * h1) - 1j * np.exp(1j * h0)
    straight, course = np.abs(between), np.angle(between)
    # The course of a very short straight is noise: an arc that is none must not become a whole circle by it.
    for heading in (h1, h0):
        off = np.abs(np.angle(np.exp(1j * (course - heading))))
        course = np.where(off * straight < _NOISE, heading, course)
    return np.stack([_turn(course - h0), straight, _turn(h1 - course)], axis=1)


def _crossing(place: ComplexArray, h0: FloatArray, h1: FloatArray) -> FloatArray:
    """Return LSR in radii, (n, 3)."""
    between = place - 1j * np.exp(1j * h1) - 1j * np.exp(1j * h0)
    squared = np.abs(between) ** 2 - 4.0
    straight = np.sqrt(np.where(squared < -_NOISE, np.nan, np.maximum(squared, 0.0)))
    course = np.angle(between) + np.arctan2(2.0, straight)
    return np.stack([_turn(course - h0), straight, _turn(course - h1)], axis=1)


def _three_arcs(place: ComplexArray, h0: FloatArray, h1: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return LRL in radii, (n, 3), with the middle arc above half a circle, and below."""
    between = place + 1j * np.exp(1j * h1) - 1j * np.exp(1j * h0)
    apart = np.abs(between)
    # On one circle the middle arc is a whole circle or none, and the path is LSL's.
    apart = np.where((apart > 4.0 + _NOISE) | (apart < _NOISE), np.nan, np.minimum(apart, 4.0))
    short = 2.0 * np.arcsin(apart / 4.0)
    towards = np.angle(between)

    def arcs(middle: FloatArray) -> FloatArray:
        return np.stack([_turn(towards + 0.5 * middle - h0), middle, _turn(h1 - towards + 0.5 * middle)], axis=1)

    return arcs(_TAU - short), arcs(short)
