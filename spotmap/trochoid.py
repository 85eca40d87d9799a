"""Shortest turn-limited paths in a steady uniform current.

A boat holds its circle in the water and the water carries it over the ground, so over the ground it draws
trochoids (McGee, Spry & Hedrick, AIAA 2005-6186; Techy & Woolsey, *J. Guidance, Control, and Dynamics* 32(6),
2009). Seen from the water the boat steers the arcs and straights of `dubins` and it is the goal that moves,
against the current: a path of time T must end at goal − W·T.

In turning radii, at speed 1, from the origin along x, with e(θ) = (cos θ, sin θ), n(θ) a quarter turn to port of
it, A in [0, 2π) the turn between the two headings and D the way from the centre of the first circle to the centre
of the last at T = 0, each class leaves one unknown:

LSL
    The arcs sum to A + 2πk, k 0 or 1. With G = D − W(A + 2πk) the straight s has s(e + W) = G: a quadratic.
LSR
    The arcs sum to t = 2θ + c, where c is 2π − A for θ in [0, A] and −A for θ in [A, 2π]. With P = D − W t + 2n the
    straight has s(e + W) = P, so the cross product F(θ) of e + W and P must be zero. F is smooth, F′ = −P·e, and at
    a root F′ = −s(1 + W·e): a root is double only where the straight has no length.
LRL
    With β the middle arc, the outer arcs sum to A + 2πm + β, m −1, 0 or 1, and |G − 2Wβ| = 4 sin(β/2). The difference
    of the squares has the second derivative 8(|W|² − cos β), which says where it is convex and so where its roots are.

The other three are these in the mirror.
"""

from __future__ import annotations

import cmath
import math
from collections.abc import Callable, Iterator, Sequence
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from spotmap.dubins import DubinsPath, Pose, dubins_paths

FloatArray = npt.NDArray[np.float64]
Pieces = tuple[float, float, float]
World = tuple[complex, float, complex]
"""The goal's place, its heading in [0, 2π) and the current, from the start along its heading, at speed and radius 1."""
Curve = Callable[[float], tuple[float, float, float]]
"""A function with its first two derivatives."""

_TAU = 2.0 * math.pi
_NOISE = 2e-9
"""The most by which a path may miss its goal, in turning radii: 0.1 µm for a radius of 50 m."""
_ANGLE_NOISE = 1e-9
_TRIFLE = 1e-6
"""A length that tells no two paths apart, in turning radii."""
_FARTHEST = 1e6
"""Radii beyond which double precision cannot close a path to `_NOISE`."""
_SAMPLES = np.linspace(0.0, 1.0, 97)
"""Steps of 0.065 rad at most. Three roots of F come no closer than that below some 0.98 of the boat's speed: where F′
and F″ are zero together F is 2(1 + W·e)²."""
_MIRROR = str.maketrans("LR", "RL")


def drift_paths(
    start: Pose, goal: Pose, radius_m: float, speed_mps: float, current_mps: tuple[float, float]
) -> list[DubinsPath]:
    """Return the turn-limited paths between two places over the ground in a steady uniform current.

    Parameters
    ----------
    start, goal
        Places over the ground; the headings are through the water.
    radius_m
        The radius of every arc, held in the water, metres.
    speed_mps
        Speed through the water, m/s.
    current_mps
        The way the water goes, m/s along the axes of the poses.

    Returns
    -------
    Every path of the six classes, as steered through the water, the soonest first, each once. It begins at `start`,
    ends at the goal less the current times its time, and takes `length_m / speed_mps`; it misses that end by 2e-9 of
    the radius at most. A class may have several paths. An arc that is a whole circle stands only in the soonest.
    Without current these are the paths of `dubins_paths`; in a current as fast as the boat there may be none.

    Raises
    ------
    ValueError
        When a number is not finite, the radius or the speed is not above zero, or the goal lies a million radii off
        or the current goes a million times the speed.

    Examples
    --------
    >>> with_it, against_it = (drift_paths(Pose(0, 0, 0), Pose(10, 0, 0), 1.0, 1.0, (w, 0))[0] for w in (0.3, -0.3))
    >>> round(with_it.length_m, 4), round(against_it.length_m, 4)
    (7.6923, 14.2857)
    """
    numbers = (*start.row, *goal.row, radius_m, speed_mps, *current_mps)
    if not all(map(math.isfinite, numbers)):
        raise ValueError(f"poses, radius, speed and current must be finite; they are {numbers}")
    if not (radius_m > 0.0 and speed_mps > 0.0):
        raise ValueError(f"radius_m is {radius_m} and speed_mps {speed_mps}; both must be above zero")
    if current_mps[0] == 0.0 == current_mps[1]:
        return list(dubins_paths(start, goal, radius_m))
    far = max(abs(goal.x - start.x), abs(goal.y - start.y)) / radius_m
    fast = max(abs(current_mps[0]), abs(current_mps[1])) / speed_mps
    if max(far, fast) > _FARTHEST:
        raise ValueError(f"the goal lies {far:g} radii off, the current goes {fast:g} times the speed; both are ≤ 1e6")

    ahead = cmath.exp(-1j * start.heading_rad)
    place = complex(goal.x - start.x, goal.y - start.y) / radius_m * ahead
    current = complex(*current_mps) / speed_mps * ahead
    turn = goal.heading_rad - start.heading_rad
    worlds = [(place, _turn(turn), current), (place.conjugate(), _turn(-turn), current.conjugate())]
    proposed = [
        *((world, "LSL", pieces) for world in worlds for pieces in _same_side(*world)),
        *((worlds[i], "LSR", pieces) for i, pieces in _crossing(worlds)),
        *((world, "LRL", pieces) for world in worlds for pieces in _three_arcs(*world)),
    ]
    found: dict[tuple[tuple[str, int], ...], tuple[str, Pieces]] = {}
    for world, word, pieces in proposed:
        if _arrives(word, pieces, *world):
            named = word if world is worlds[0] else word.translate(_MIRROR)
            found.setdefault(_steered(named, pieces), (named, pieces))
    paths: list[DubinsPath] = []
    for word, pieces in sorted(found.values(), key=lambda path: round(sum(path[1]), 8)):
        if paths and max(pieces[0], pieces[2]) > _TAU - _TRIFLE:
            continue
        first, middle, last = (radius_m * piece for piece in pieces)
        time_s = (first + middle + last) / speed_mps
        end = Pose(goal.x - current_mps[0] * time_s, goal.y - current_mps[1] * time_s, goal.heading_rad)
        paths.append(DubinsPath(word, start, end, radius_m, (first, middle, last)))
    return paths


def ground_points(
    path: DubinsPath, current_mps: tuple[float, float], speed_mps: float, sagitta_m: float = 0.005
) -> tuple[FloatArray, FloatArray]:
    """Return the track over the ground of a path steered through the water.

    Parameters
    ----------
    path
        The path through the water, as `drift_paths` gives it.
    current_mps
        The way the water goes, m/s.
    speed_mps
        Speed through the water, m/s.
    sagitta_m
        The most by which a chord may leave its arc in the water, metres.

    Returns
    -------
    (n, 2) local metres: the vertices of `path.points(sagitta_m)` carried by the current; and (n,) seconds from the
    start at which the boat is there.

    Raises
    ------
    ValueError
        When the speed is not finite and above zero or the sagitta not above zero.

    Examples
    --------
    >>> path = drift_paths(Pose(0, 0, 0), Pose(26, 0, 0), 5.0, 1.0, (0.3, 0))[0]
    >>> xy, clock_s = ground_points(path, (0.3, 0), 1.0)
    >>> xy.round(6).tolist(), clock_s.round(6).tolist()
    ([[0.0, 0.0], [26.0, 0.0]], [0.0, 20.0])
    """
    if not (math.isfinite(speed_mps) and speed_mps > 0.0):
        raise ValueError(f"speed_mps is {speed_mps}; it must be above zero")
    xy, along_m = path.sampled(sagitta_m)
    clock_s = along_m / speed_mps
    if len(clock_s) > 1:
        clock_s[-1] = path.length_m / speed_mps
    return xy + clock_s[:, None] * np.asarray(current_mps, dtype=np.float64), clock_s


def _turn(angle: float) -> float:
    """Return an angle in [0, 2π), a whole circle less rounding being none."""
    turn = angle % _TAU
    return 0.0 if turn > _TAU - _ANGLE_NOISE else turn


def _steered(word: str, pieces: Pieces) -> tuple[tuple[str, int], ...]:
    """Return what tells a path from others: what is steered and how long, to a millionth of the radius."""
    steered: list[tuple[str, float]] = []
    for letter, length in zip(word, pieces, strict=True):
        if length > _TRIFLE:
            before = steered.pop()[1] if steered and steered[-1][0] == letter else 0.0
            steered.append((letter, before + length))
    return tuple((letter, round(length / _TRIFLE)) for letter, length in steered)


def _arrives(word: str, pieces: Pieces, place: complex, turn: float, current: complex) -> bool:
    """Steer a path and return whether it ends where the goal will be, with its heading."""
    here, way = 0j, 1.0 + 0j
    for letter, length in zip(word, pieces, strict=True):
        if letter == "S":
            here += length * way
        else:
            side = 1j if letter == "L" else -1j
            turned = way * cmath.exp(side * length)
            here += side * (way - turned)
            way = turned
    missed = here + current * sum(pieces) - place
    return abs(missed) <= _NOISE and abs(way - cmath.exp(1j * turn)) <= 2.0 * _ANGLE_NOISE


def _straight(course: float, way: complex, current: complex) -> float:
    """Return how long to steer a course to make good `way` along its track, NaN where that is well astern."""
    over_ground = cmath.exp(1j * course) + current
    made = over_ground.real**2 + over_ground.imag**2
    straight = (way * over_ground.conjugate()).real / made if made > 0.0 else math.nan
    return max(straight, 0.0) if straight > -_TRIFLE else math.nan


def _same_side(place: complex, turn: float, current: complex) -> Iterator[Pieces]:
    """Propose the pieces of LSL."""
    apart = place + 1j * (cmath.exp(1j * turn) - 1.0)
    slack = 1.0 - abs(current) ** 2
    for total, least, most in ((turn, 0.0, turn), (turn + _TAU, turn, _TAU)):
        way = apart - current * total
        squared, along = abs(way) ** 2, (way * current.conjugate()).real
        if squared <= _NOISE**2 and total > turn:
            # No straight, so any course would do: this one keeps both arcs below a circle.
            yield 0.5 * total, 0.0, 0.5 * total
        root = math.sqrt(max(along**2 + slack * squared, 0.0))
        # Of the two forms of a root the one in which nothing cancels; only a current above the boat's speed has two.
        straights = [squared / (along + root) if along > 0.0 else (root - along) / slack if slack > 0.0 else math.nan]
        if slack < 0.0 and along > root:
            straights.append(squared / (along - root))
        for straight in straights:
            course = cmath.phase(way - current * straight) % _TAU
            if least <= course <= most:
                yield course, straight, total - course
        for course in (least, most):
            # Where an arc has no length, rounding must not lose the path.
            yield course, _straight(course, way, current), total - course


def _crossing(worlds: Sequence[World]) -> Iterator[tuple[int, Pieces]]:
    """Propose the pieces of LSR in each world; where an arc has no length the path is LSL's or RSR's."""
    place, turn, current = (np.array(values)[:, None, None] for values in zip(*worlds, strict=True))
    apart = place - 1j * (np.exp(1j * turn) + 1.0)
    # Courses up to the goal's heading, then beyond.
    least = np.concatenate([np.zeros_like(turn), turn], axis=1)
    most = np.concatenate([turn, np.full_like(turn, _TAU)], axis=1)
    more = np.concatenate([_TAU - turn, -turn], axis=1)
    course = least + (most - least) * _SAMPLES
    back = np.exp(-1j * course)
    way, drift = back * (apart - current * (2.0 * course + more)), back * current
    value = way.imag + 2.0 * drift.real + 2.0 + (apart * current.conj()).imag
    slope = -way.real
    above = value > 0.0
    inwards = np.where(above, slope, -slope) <= 0.0
    wanted = (above[..., 1:] != above[..., :-1]) | (inwards[..., :-1] & ~inwards[..., 1:])
    for i, branch, step in np.argwhere(wanted).tolist():
        curve = _cross_product(complex(apart[i, 0, 0]), float(more[i, branch, 0]), worlds[i][2])
        for root in _roots(curve, float(course[i, branch, step]), float(course[i, branch, step + 1])):
            yield i, _crossed(root, complex(apart[i, 0, 0]), float(more[i, branch, 0]), worlds[i][2])


def _cross_product(apart: complex, more: float, current: complex) -> Curve:
    """Return F of the module's text."""
    constant = 2.0 + (apart * current.conjugate()).imag

    def curve(course: float) -> tuple[float, float, float]:
        back = cmath.exp(-1j * course)
        way, along = back * (apart - current * (2.0 * course + more)), 2.0 * (back * current).real
        return way.imag + along + constant, -way.real, along - way.imag

    return curve


def _crossed(course: float, apart: complex, more: float, current: complex) -> Pieces:
    """Return the pieces of LSR for the course of its straight."""
    arcs = 2.0 * course + more
    way = apart - current * arcs + 2j * cmath.exp(1j * course)
    return course, _straight(course, way, current), arcs - course


def _three_arcs(place: complex, turn: float, current: complex) -> Iterator[Pieces]:
    """Propose the pieces of LRL."""
    apart = place + 1j * (cmath.exp(1j * turn) - 1.0)
    strong = abs(current) ** 2
    bend = math.acos(strong) if strong < 1.0 else 0.0
    for total, least, most in ((turn - _TAU, _TAU - turn, _TAU), (turn, 0.0, _TAU), (turn + _TAU, 0.0, _TAU - turn)):
        way = apart - current * total
        along = (way * current.conjugate()).real
        nearest = min(max(0.5 * along / strong, least), most)
        if abs(way - 2.0 * nearest * current) > 4.0 + _NOISE:
            continue
        curve = _squares(abs(way) ** 2, along, strong)
        knots = [least, *(knot for knot in (bend, _TAU - bend) if least < knot < most), most]
        for low, high in pairwise(knots):
            for middle in _roots(curve, low, high):
                first = (cmath.phase(way - 2.0 * middle * current) + 0.5 * middle) % _TAU
                for outer in (first, first - _TAU):
                    last = total + middle - outer
                    if outer > -_ANGLE_NOISE and -_ANGLE_NOISE < last < _TAU + _ANGLE_NOISE:
                        yield max(outer, 0.0), middle, min(max(last, 0.0), _TAU)


def _squares(way_squared: float, along: float, strong: float) -> Curve:
    """Return the difference of squares whose roots are the middle arcs of LRL."""

    def curve(middle: float) -> tuple[float, float, float]:
        cosine = 8.0 * math.cos(middle)
        value = way_squared - 4.0 * middle * (along - strong * middle) - 8.0 + cosine
        return value, 8.0 * strong * middle - 4.0 * along - 8.0 * math.sin(middle), 8.0 * strong - cosine

    return curve


def _roots(curve: Curve, low: float, high: float) -> list[float]:
    """Return the roots in an interval in which a curve turns once at most, and where it turns short of one."""
    at_low, at_high = curve(low), curve(high)
    above = at_low[0] > 0.0
    if above != (at_high[0] > 0.0):
        return [_root(curve, 0, low, high)]
    side = 1.0 if above else -1.0
    if not side * at_low[1] <= 0.0 <= side * at_high[1]:
        return []
    turning = _root(curve, 1, low, high)
    if above == (curve(turning)[0] > 0.0):
        return [turning]
    return [_root(curve, 0, low, turning), _root(curve, 0, turning, high)]


def _root(curve: Curve, order: int, low: float, high: float) -> float:
    """Return where a curve (0) or its slope (1) changes sign, by Newton's steps kept between the two ends."""
    rises = curve(high)[order] > curve(low)[order]
    at = 0.5 * (low + high)
    for _ in range(80):
        values = curve(at)
        value, slope = values[order], values[order + 1]
        if (value > 0.0) == rises:
            high = at
        else:
            low = at
        newton = at - value / slope if slope != 0.0 else math.nan
        step = newton if low <= newton <= high else 0.5 * (low + high)
        if abs(step - at) <= 4e-16 * at:
            return step
        at = step
    return at
