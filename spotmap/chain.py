"""The chain boat, ball, lure pulled along a track: where every point of the gear goes, and how fast.

A link that is taut trails on the tractrix of its leader's way; one whose leader comes closer than its length is slack,
and its end stays where it is. The end is thereby swept along by a moving disc, and two ends swept by the same disc
never part (J. J. Moreau, Evolution problem associated with a moving convex set in a Hilbert space, J. Differential
Equations 26, 1977): where a pull began is forgotten. So a long track is cut into pieces that are pulled side by side.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil
from typing import Any

import numpy as np
import numpy.typing as npt

from spotmap.model import FloatArray
from spotmap.polyline import length_m, places_at

_ComplexArray = npt.NDArray[np.complex128]

_FORGOTTEN = 16.0
"""Link lengths of way on which a wrong start fades to a ten-millionth of itself: exp(-16)."""
_JOIN_M = 1e-6
"""How far a piece may start from where the one before it ended; ends never part, so a whole track errs by no more than
this for each of its pieces."""
_LEAST_LINK_M = 1e-6


@dataclass(frozen=True)
class Chain:
    """Links behind the boat, from the boat outward.

    `length_m` broadcasts to (n, rods, links): each link's length at each time step, 0 for a link that a rod has not
    (its end is then the end of the link before). `reach_m` (rods,) is how far to port of the centreline the line
    leaves the boat; to starboard is negative.
    """

    length_m: FloatArray
    reach_m: FloatArray


@dataclass(frozen=True)
class Pulled:
    """Where the gear went: `tips` (n, rods, 2), where lines leave the boat, and `ends` (n, rods, links, 2), metres."""

    tips: FloatArray
    ends: FloatArray


def resampled(xy: FloatArray, speed_mps: float, step_s: float) -> tuple[FloatArray, FloatArray]:
    """Return a track's places at equal time steps and one speed.

    Parameters
    ----------
    xy
        (m, 2) vertices, metres.
    speed_mps, step_s
        Speed along the track and the time step, both above zero.

    Returns
    -------
    tuple
        Times (n,) from 0, seconds, and places (n, 2). The first place is the first vertex; the last one falls short
        of the last vertex by less than one step.

    Examples
    --------
    >>> times, places = resampled(np.array([[0.0, 0.0], [3.0, 0.0], [3.0, 2.0]]), 2.0, 1.0)
    >>> times.tolist(), places.tolist()
    ([0.0, 1.0, 2.0], [[0.0, 0.0], [2.0, 0.0], [3.0, 1.0]])
    """
    step_m = speed_mps * step_s
    # A last step that is whole but for rounding counts.
    steps = np.arange(int(length_m(xy) / step_m + 1e-9) + 1, dtype=np.float64)
    return steps * step_s, places_at(xy, steps * step_m)


def speeds(points: FloatArray, step_s: float) -> FloatArray:
    """Return the speed of points, m/s, by central differences (one-sided at both ends).

    Parameters
    ----------
    points
        (n, ..., 2) places at equal time steps, metres, n at least 2.
    step_s
        The time step, seconds.

    Returns
    -------
    FloatArray
        (n, ...). Through the water when the points were pulled through the water.

    Examples
    --------
    >>> speeds(np.array([[0.0, 0.0], [3.0, 4.0], [6.0, 8.0]]), 2.0).tolist()
    [2.5, 2.5, 2.5]
    """
    velocity = np.gradient(points, step_s, axis=0)
    return np.hypot(velocity[..., 0], velocity[..., 1])


def pull(xy: FloatArray, chain: Chain, *, heading_rad: FloatArray | None = None) -> Pulled:
    """Pull a chain along the boat's track.

    Parameters
    ----------
    xy
        (n, 2) places of the boat at equal time steps, metres, n at least 2. Between them it goes straight.
    chain
        The links. A length holds from the step before: a link that got shorter is hauled in straight towards its
        leader before the step, one that got longer is slack until its leader has gone on.
    heading_rad
        (n,) the boat's heading, counter-clockwise from east; taken from the track's central differences when None.

    Returns
    -------
    Pulled
        Gear is let out at the first place: every end starts at its tip and follows once its link is taut.
        No number is NaN where the boat turns too tight for its gear: the gear winds in and lies slack.

    Notes
    -----
    On a straight step h the angle φ of a taut link of length L to the way of its leader falls by the tractrix,
    tan(φ'/2) = tan(φ/2) exp(-h/L); so the result hangs on the length of a step only as the track itself does.

    Examples
    --------
    Thirty metres ahead, a ball 10 m behind and a lure 5 m behind the ball:

    >>> track = np.column_stack([np.arange(31.0), np.zeros(31)])
    >>> pulled = pull(track, Chain(length_m=np.array([[10.0, 5.0]]), reach_m=np.array([2.0])))
    >>> pulled.tips[-1, 0].tolist(), pulled.ends[-1, 0].tolist()
    ([30.0, 2.0], [[20.0, 2.0], [15.0, 2.0]])
    """
    return pull_all([Way(xy, chain, heading_rad)])[0]


@dataclass(frozen=True)
class Way:
    """A boat's way (n, 2), the chain it pulls, and its heading (n,): taken from the way when None."""

    xy: FloatArray
    chain: Chain
    heading_rad: FloatArray | None = None


def pull_all(ways: Sequence[Way]) -> list[Pulled]:
    """Return what `pull` returns for each of several ways, all with as many rods and links: much quicker together.

    Parameters
    ----------
    ways
        At least one.
    """
    tips, lengths = [], []
    for way in ways:
        boat = way.xy[:, 0] + 1j * way.xy[:, 1]
        ahead = _ahead(boat) if way.heading_rad is None else np.exp(1j * way.heading_rad)
        tips.append(boat[:, None] + 1j * ahead[:, None] * way.chain.reach_m)
        lengths.append(np.broadcast_to(way.chain.length_m, (*tips[-1].shape, np.shape(way.chain.length_m)[-1])))
    ends = [np.empty(length.shape, dtype=np.complex128) for length in lengths]
    leaders = tips
    for link in range(lengths[0].shape[-1]):
        leaders = _follow(leaders, [length[..., link] for length in lengths])
        for end, leader in zip(ends, leaders, strict=True):
            end[..., link] = leader
    return [Pulled(_as_places(tip), _as_places(end)) for tip, end in zip(tips, ends, strict=True)]


def _as_places(points: _ComplexArray) -> FloatArray:
    return np.stack([points.real, points.imag], axis=-1)


def _ahead(boat: _ComplexArray) -> _ComplexArray:
    """Return the unit direction (n,) of a track; a boat that stands keeps the one it had."""
    change = np.gradient(boat)
    size = np.abs(change)
    known = np.maximum.accumulate(np.where(size > 0.0, np.arange(len(boat)), 0))
    return np.divide(change[known], size[known], out=np.ones_like(boat), where=size[known] > 0.0)


@dataclass(frozen=True)
class _Steps:
    """Steps of leaders, (steps, lanes): a lane is one rod on one piece of the track."""

    start: _ComplexArray
    ahead: _ComplexArray
    way_m: FloatArray
    length_m: FloatArray
    shorter: npt.NDArray[np.bool_]

    def of(self, lanes: npt.NDArray[np.intp]) -> _Steps:
        return _Steps(
            self.start[:, lanes],
            self.ahead[:, lanes],
            self.way_m[:, lanes],
            self.length_m[:, lanes],
            self.shorter[:, lanes],
        )


def _follow(leaders: Sequence[_ComplexArray], lengths: Sequence[FloatArray]) -> list[_ComplexArray]:
    """Return the ends (n, rods) of links pulled by leaders (n, rods), for each way; each end starts at its leader."""
    rods = leaders[0].shape[1]
    moves = [np.diff(leader, axis=0) for leader in leaders]
    ways_m = [np.abs(move) for move in moves]
    aheads = [
        np.divide(move, way, out=np.zeros_like(move), where=way > 0.0) for move, way in zip(moves, ways_m, strict=True)
    ]
    totals = [len(move) for move in moves]
    longest_m = max(float(length.max()) for length in lengths)
    mean_m = max(sum(float(way.sum()) for way in ways_m) / (sum(totals) * rods), 1e-9)
    piece = ceil(min(_FORGOTTEN * longest_m / mean_m + 1.0, max(totals)))
    pieces = [ceil(total / piece) for total in totals]

    def laned(many: Sequence[npt.NDArray[Any]]) -> npt.NDArray[Any]:
        lanes = []
        for values, count, total in zip(many, pieces, totals, strict=True):
            whole = np.pad(values, ((0, count * piece - total), (0, 0)), mode="edge")
            lanes.append(whole.reshape(count, piece, rods).swapaxes(0, 1).reshape(piece, count * rods))
        return np.concatenate(lanes, axis=1)

    taut = [np.maximum(length, _LEAST_LINK_M) for length in lengths]
    steps = _Steps(
        laned([leader[:-1] for leader in leaders]),
        laned(aheads),
        laned(ways_m),
        laned([length[1:] for length in taut]),
        laned([length[1:] < length[:-1] for length in taut]),
    )
    # Straight behind is near the truth nearly everywhere; the first piece of each way has its true start.
    starts = np.concatenate(
        [
            (leader[:-1:piece] - length[:-1:piece] * ahead[::piece]).ravel()
            for leader, length, ahead in zip(leaders, taut, aheads, strict=True)
        ]
    )
    offsets = np.concatenate([[0], np.cumsum(pieces)]) * rods
    first = (offsets[:-1, None] + np.arange(rods)).ravel()
    starts[first] = np.concatenate([leader[0] for leader in leaders])
    true_starts = starts[first]
    points = np.empty_like(steps.start)
    wrong = np.arange(len(starts))
    while wrong.size:
        points[:, wrong] = _swept(steps.of(wrong), starts[wrong])
        before = np.roll(points[-1], rods)
        before[first] = true_starts
        wrong = np.flatnonzero(np.abs(before - starts) > _JOIN_M)
        starts[wrong] = before[wrong]
    followed = []
    for leader, length, count, total, begin in zip(leaders, lengths, pieces, totals, offsets[:-1], strict=True):
        lanes = points[:, begin : begin + count * rods].reshape(piece, count, rods)
        way = lanes.swapaxes(0, 1).reshape(count * piece, rods)[:total]
        followed.append(np.where(length > 0.0, np.concatenate([leader[:1], way]), leader))
    return followed


def _swept(steps: _Steps, end: _ComplexArray) -> _ComplexArray:
    """Return where ends (lanes,) are after each step, (steps, lanes)."""
    points = np.empty_like(steps.start)
    shorter = set(np.flatnonzero(steps.shorter.any(axis=1)).tolist())
    backwards = steps.ahead.conj()
    for index in range(len(points)):
        start, ahead, link_m = steps.start[index], steps.ahead[index], steps.length_m[index]
        behind = end - start
        if index in shorter:
            behind *= link_m / np.maximum(np.abs(behind), link_m)
            end = start + behind
        aligned = behind * backwards[index]
        across = aligned.imag
        root = np.sqrt(np.maximum(link_m * link_m - across * across, 0.0))
        # Nothing moves until the leader is a whole length past the end; it pulls on what is left of its way.
        taut_m = steps.way_m[index] - aligned.real - root
        half_tangent = across / (link_m + root) * np.exp(-np.maximum(taut_m, 0.0) / link_m)
        double = 2.0 * link_m / (1.0 + half_tangent * half_tangent)
        pulled = start + ahead * (steps.way_m[index] + link_m - double + 1j * (double * half_tangent))
        end = np.where(taut_m > 0.0, pulled, end)
        points[index] = end
    return points
