"""How near any two lines come to each other, in three dimensions.

A line is straight from its tip at the surface to its ball or clip, and straight from there to its lure.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from spotmap.model import FloatArray

_IntArray = npt.NDArray[np.intp]

_AT_ONCE = 1 << 15
"""Pairs times steps held at once: what a processor's cache takes, whatever the trip's length."""
_NEVER_ZERO = 1e-30


@dataclass(frozen=True)
class Lines:
    """The lines of all rods at n moments, metres.

    `tips` (n, rods, 2) and `ends` (n, rods, links, 2) as pulled; `depth_m` broadcasts to (n, rods, links), the depth
    of each end below the surface. A flat line's second end repeats its first. `cable` (rods,) says which rods hang
    on one cable: those with the same number do, and of them only what trails behind the clips is compared. None: each
    has its own.
    """

    tips: FloatArray
    ends: FloatArray
    depth_m: FloatArray
    cable: _IntArray | None = None


@dataclass(frozen=True)
class Closest:
    """The least distance of each pair of lines at each moment: `pairs` (pairs, 2) rods, `distance_m` (n, pairs)."""

    pairs: _IntArray
    distance_m: FloatArray


@dataclass(frozen=True)
class Worst:
    """Where a pair of lines (two rods' indices) comes nearest: the step and the distance there."""

    pair: tuple[int, int]
    step: int
    distance_m: float


def closest(lines: Lines) -> Closest:
    """Return how near every two lines are at every moment.

    Parameters
    ----------
    lines
        At least one moment.

    Returns
    -------
    Closest
        The distance is infinite where nothing is to be compared: two lines of one link each on the same cable.

    Examples
    --------
    Two flat lines 3 m apart, and a ball 4 m deep right under the first tip:

    >>> tips = np.array([[[0.0, 0.0], [3.0, 0.0], [0.0, 0.0]]])
    >>> ends = np.array([[[[0.0, -9.0]], [[3.0, -9.0]], [[0.0, 0.0]]]])
    >>> near = closest(Lines(tips, ends, np.array([[0.0], [0.0], [4.0]])))
    >>> near.pairs.tolist(), near.distance_m.tolist()
    ([[0, 1], [0, 2], [1, 2]], [[3.0, 0.0, 3.0]])
    """
    pairs = _pairs(lines)
    distance_m = np.empty((len(pairs), len(lines.tips)))
    for at, part in _parts(lines, pairs):
        distance_m[:, at] = part
    return Closest(pairs, distance_m.T)


def worst(lines: Lines) -> tuple[Worst, ...]:
    """Return where each pair of lines comes nearest, the first such moment, in the order of `closest`.

    Memory does not grow with the number of pairs times moments.

    Parameters
    ----------
    lines
        At least one moment.

    Returns
    -------
    tuple of Worst
        One for each pair.

    Examples
    --------
    >>> tips = np.array([[[0.0, 0.0], [3.0, 0.0]], [[0.0, 0.0], [2.0, 0.0]]])
    >>> ends = tips[:, :, None, :] - [0.0, 9.0]
    >>> worst(Lines(tips, ends, np.zeros(1)))
    (Worst(pair=(0, 1), step=1, distance_m=2.0),)
    """
    pairs = _pairs(lines)
    least_m = np.full(len(pairs), np.inf)
    step = np.zeros(len(pairs), dtype=np.intp)
    for at, part in _parts(lines, pairs):
        nearest = part.argmin(axis=1)
        part_m = part[np.arange(len(pairs)), nearest]
        nearer = part_m < least_m
        least_m[nearer] = part_m[nearer]
        step[nearer] = at.start + nearest[nearer]
    return tuple(
        Worst((int(one), int(other)), int(when), float(distance_m))
        for (one, other), when, distance_m in zip(pairs, step, least_m, strict=True)
    )


def _pairs(lines: Lines) -> _IntArray:
    return np.column_stack(np.triu_indices(lines.tips.shape[1], 1))


def _parts(lines: Lines, pairs: _IntArray) -> Iterator[tuple[slice, FloatArray]]:
    """Yield moments and the distances (pairs, moments) then, in turn."""
    moments, rods, links, _ = lines.ends.shape
    cable = np.arange(rods) if lines.cable is None else lines.cable
    one, other = pairs.T
    shared = cable[one] == cable[other]
    depth_m = np.broadcast_to(lines.depth_m, lines.ends.shape[:-1])
    at_once = max(_AT_ONCE // max(len(pairs), 1), 1)
    for begin in range(0, moments, at_once):
        at = slice(begin, min(begin + at_once, moments))
        ends = np.concatenate([lines.ends[at], depth_m[at, ..., None]], axis=-1)
        tips = np.zeros((len(ends), rods, 1, 3))
        tips[:, :, 0, :2] = lines.tips[at]
        knots = np.ascontiguousarray(np.concatenate([tips, ends], axis=2).transpose(2, 3, 1, 0))
        squared = np.full((len(pairs), len(ends)), np.inf)
        for first in range(links):
            for second in range(links):
                gap = _squared_gap(
                    (knots[first][:, one], knots[first + 1][:, one]),
                    (knots[second][:, other], knots[second + 1][:, other]),
                )
                if min(first, second) == 0:
                    gap[shared] = np.inf
                np.minimum(squared, gap, out=squared)
        yield at, np.sqrt(squared)


def _dot(left: FloatArray, right: FloatArray) -> FloatArray:
    product: FloatArray = left[0] * right[0]
    for axis in (1, 2):
        product += left[axis] * right[axis]
    return product


def _share(part: FloatArray, whole: FloatArray) -> FloatArray:
    """Return the place along a segment, held to its ends; any place where the segment is a point."""
    return np.clip(part / np.maximum(whole, _NEVER_ZERO), 0.0, 1.0)


def _squared_gap(one: tuple[FloatArray, FloatArray], other: tuple[FloatArray, FloatArray]) -> FloatArray:
    """Return the squared distance between segments, each a start and an end (3, ...).

    The nearest places of the two endless lines, held to the first segment, then each segment's place nearest the
    other's (method: Ericson, Real-Time Collision Detection, 2005, section 5.1.9). Parallel lines may begin anywhere.
    """
    along_one = one[1] - one[0]
    along_other = other[1] - other[0]
    apart = one[0] - other[0]
    size_one = _dot(along_one, along_one)
    size_other = _dot(along_other, along_other)
    both = _dot(along_one, along_other)
    one_apart = _dot(along_one, apart)
    other_apart = _dot(along_other, apart)
    on_one = _share(both * other_apart - one_apart * size_other, size_one * size_other - both * both)
    on_other = _share(both * on_one + other_apart, size_other)
    on_one = _share(both * on_other - one_apart, size_one)
    gap = apart + on_one * along_one - on_other * along_other
    return _dot(gap, gap)
