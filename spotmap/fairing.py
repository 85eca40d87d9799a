"""Fairing: how far the control points of a track slide along their normals, as one convex program.

The program weighs distance off the depth line (beyond a small dead band, and many times dearer on the shallow side)
against bending and against leaving the water, with the curvature bounded by 1/R. It is linear-quadratic in the slides
because a track's curvature is nearly linear in them; the caller slides, looks again and repeats.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import clarabel
import numpy as np
import numpy.typing as npt

from spotmap.model import FloatArray

DEAD_BAND_M = 1.0
"""Off the line by less than this counts as on it: below what a boat can steer."""
SHALLOW_WEIGHT = 8.0
"""How much dearer a metre on the shallow side is: gear drags there."""
_BEND_PENALTY = 2e3
"""Cost of curvature beyond 1/R, in metres off the line for each 1/R of it: never worth it."""
_WATER_PENALTY = 1e3
"""Cost of a metre outside the water, in metres off the line."""
_BENDING_COST = 1.6e-3
"""Cost of bending at all, in metres off the line for a bend of 1/R: enough to still a wriggle within the dead band."""
_REGULAR = 1e-6
_TOLERANCE = 1e-4
"""The slides are repeated until they settle: centimetres are enough for each."""

IntArray = npt.NDArray[np.intp]


@dataclass(frozen=True)
class Fairing:
    """A track to be faired: n control points, of which m are pressed by the edge of the water.

    `control` and `normal` are (n, 2). `off_m` (n,) is the distance off the line, deep side positive, and `off_gain`
    (n,) how fast it grows with the slide. `pressed` (m,) names the points near the edge, `inside_m` (m,) says how far
    inside the water they are and `inside_gain` (m,) how fast that grows.
    """

    control: FloatArray
    normal: FloatArray
    off_m: FloatArray
    off_gain: FloatArray
    pressed: IntArray
    inside_m: FloatArray
    inside_gain: FloatArray


def best_slides(fairing: Fairing, radius_m: float, most_m: float) -> FloatArray:
    """Return how far each control point slides along its normal, metres.

    Parameters
    ----------
    fairing
        The track as it is, its points about evenly spaced.
    radius_m
        The tightest radius allowed, metres.
    most_m
        No point slides farther, metres.

    Returns
    -------
    array (n,)
        Zeros where the solver finds no answer.

    Notes
    -----
    Solved by Clarabel, an interior-point method. Unknowns: the slides e; the loss t ≥ 0 off the line, with
    off - band ≤ t on the deep side and off - band ≤ t / weight on the shallow; the curvature slack c ≥ 0 and the
    water slack w ≥ 0, which keep the program feasible while the track is not yet.
    """
    count, pressed = len(fairing.control), len(fairing.pressed)
    bends = count - 2
    slide, loss, slack, room = np.cumsum([0, count, count, bends])
    every, inner, edge = np.arange(count), np.arange(bends), np.arange(pressed)
    bend, left, middle, right = _curvature(fairing)
    limit = 1.0 / radius_m
    rows = _AtMost()
    rows.add(DEAD_BAND_M - fairing.off_m, (every, slide + every, fairing.off_gain), (every, loss + every, -1.0))
    rows.add(
        DEAD_BAND_M + fairing.off_m,
        (every, slide + every, -fairing.off_gain),
        (every, loss + every, -1.0 / SHALLOW_WEIGHT),
    )
    rows.add(np.zeros(count), (every, loss + every, -1.0))
    for sign in (1.0, -1.0):
        rows.add(
            limit - sign * bend,
            (inner, slide + inner, sign * left),
            (inner, slide + inner + 1, sign * middle),
            (inner, slide + inner + 2, sign * right),
            (inner, slack + inner, -1.0),
        )
        rows.add(np.full(count, most_m), (every, slide + every, sign))
    rows.add(np.zeros(bends), (inner, slack + inner, -1.0))
    rows.add(fairing.inside_m, (edge, slide + fairing.pressed, -fairing.inside_gain), (edge, room + edge, -1.0))
    rows.add(np.zeros(pressed), (edge, room + edge, -1.0))
    unknowns = int(room) + pressed
    weight = 2.0 * _BENDING_COST * radius_m**2
    linear = np.concatenate(
        [
            weight * (_shifted(left * bend, 0) + _shifted(middle * bend, 1) + _shifted(right * bend, 2)),
            np.ones(count),
            np.full(bends, _BEND_PENALTY * radius_m),
            np.full(pressed, _WATER_PENALTY),
        ]
    )
    settings = clarabel.DefaultSettings()
    settings.verbose = False
    settings.tol_gap_abs = settings.tol_gap_rel = settings.tol_feas = _TOLERANCE
    settings.iterative_refinement_enable = False  # digits beyond the tolerance, at two thirds more time
    matrix, bound = rows.matrix(unknowns)
    solution = clarabel.DefaultSolver(
        _bending(left, middle, right, weight, unknowns),
        linear,
        matrix,
        bound,
        [clarabel.NonnegativeConeT(len(bound))],
        settings,
    ).solve()
    slides = np.asarray(solution.x[:count])
    return np.clip(slides, -most_m, most_m) if np.isfinite(slides).all() else np.zeros(count)


@dataclass
class _AtMost:
    """Constraints A·z ≤ b gathered as triplets: one sparse matrix made once, not many joined."""

    _rows: list[IntArray] = field(default_factory=list)
    _columns: list[IntArray] = field(default_factory=list)
    _values: list[FloatArray] = field(default_factory=list)
    _bounds: list[FloatArray] = field(default_factory=list)
    _count: int = 0

    def add(self, bound: FloatArray, *terms: tuple[IntArray, IntArray, FloatArray | float]) -> None:
        for row, column, value in terms:
            self._rows.append(row + self._count)
            self._columns.append(column)
            self._values.append(np.broadcast_to(np.asarray(value, dtype=float), row.shape))
        self._bounds.append(bound)
        self._count += len(bound)

    def matrix(self, unknowns: int) -> tuple[_Columns, FloatArray]:
        rows, columns = np.concatenate(self._rows), np.concatenate(self._columns)
        matrix = _Columns.of(rows, columns, np.concatenate(self._values), shape=(self._count, unknowns))
        return matrix, np.concatenate(self._bounds)


@dataclass(frozen=True)
class _Columns:
    """A sparse matrix by columns, all that the solver asks of one; scipy.sparse takes a tenth of a plan to import."""

    data: FloatArray
    indices: IntArray
    indptr: IntArray
    shape: tuple[int, int]
    has_canonical_format: bool = True

    @classmethod
    def of(cls, rows: IntArray, columns: IntArray, values: FloatArray, *, shape: tuple[int, int]) -> _Columns:
        """Return the matrix of these entries, no place named twice."""
        order = np.lexsort((rows, columns))
        ends = np.cumsum(np.bincount(columns, minlength=shape[1]))
        return cls(values[order], rows[order], np.concatenate([[0], ends]), shape)


def _curvature(fairing: Fairing) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Return the curvature at each inner point, and how it grows with the slide before, at and after it."""
    control, normal = fairing.control, fairing.normal
    square = np.hypot(*np.diff(control, axis=0).T).mean() ** 2
    here = normal[1:-1]
    bend = (here * (control[:-2] - 2.0 * control[1:-1] + control[2:])).sum(axis=1) / square
    left, right = ((here * beside).sum(axis=1) / square for beside in (normal[:-2], normal[2:]))
    return bend, left, np.full(len(here), -2.0 / square), right


def _bending(left: FloatArray, middle: FloatArray, right: FloatArray, weight: float, unknowns: int) -> _Columns:
    """Return the upper triangle of the cost of squared curvature in the slides, five diagonals wide."""
    main = np.full(len(left) + 2, _REGULAR)
    main += weight * (_shifted(left**2, 0) + _shifted(middle**2, 1) + _shifted(right**2, 2))
    beside = weight * (_shifted(left * middle, 0) + _shifted(middle * right, 1))[:-1]
    beyond = weight * left * right
    columns = [np.arange(len(main)), np.arange(1, len(main)), np.arange(2, len(main))]
    rows = [np.arange(len(diagonal)) for diagonal in (main, beside, beyond)]
    entries = (np.concatenate(rows), np.concatenate(columns), np.concatenate([main, beside, beyond]))
    return _Columns.of(*entries, shape=(unknowns, unknowns))


def _shifted(values: FloatArray, by: int) -> FloatArray:
    out = np.zeros(len(values) + 2)
    out[by : by + len(values)] = values
    return out
