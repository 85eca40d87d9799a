"""Steerable lines: the smoothest track of curvature radius ≥ R that hugs a depth line.

A depth line wriggles tighter than gear can follow. The track is a uniform cubic B-spline whose control points slide
along their normals (`fairing`) until it lies on the line as closely as its curvature, bounded by 1/R, allows.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely
from shapely import LineString, MultiPolygon

from spotmap.fairing import Fairing, best_slides
from spotmap.model import FloatArray
from spotmap.polyline import evenly_spaced, places_at

_STEPS_PER_RADIUS = 4.0
"""Control points in a length of R: fine enough for a full-lock S."""
_RADIUS_MARGIN = 1.04
"""The spline bends a little more between its control points than at them."""
_FIRST_SMOOTHINGS = (1.5, 4.0)
"""First guesses smooth the line over these shares of R; the next is tried where one leads into too tight a bend."""
_ROUNDS = 8
_POLISHING_ROUNDS = 4
_NEARLY = 0.8
"""Share of R from which a track that still bends too tightly is worth polishing."""
_SETTLED_M = 0.9
_STILL_M = 0.05
_STEP_DECAY = 0.7
_SAGITTA_M = 0.005
_EDGE_SPARE_M = 0.6
"""How far inside the water the control points are kept: the spline between them cuts corners."""


@dataclass(frozen=True)
class SteerableLine:
    """A track and how tightly it bends.

    `xy` is (n, 2) local metres with chord error under 5 mm; `radius_m` (n,) is the radius of curvature at each
    vertex; `off_m` (n,) is the distance off the depth line, positive on the deep side.
    """

    xy: FloatArray
    radius_m: FloatArray
    off_m: FloatArray


def steerable_line(
    line: LineString, radius_m: float, *, deep_on_left: bool, water: MultiPolygon | None = None
) -> SteerableLine:
    """Return a track that bends nowhere tighter than a radius and hugs a line as closely as that allows.

    Where the line bends so tightly that no track of this radius stays near it, the result leaves it; where even
    that fails (the line turns back on itself), `SteerableLine.radius_m` shows it and the caller cuts.

    Parameters
    ----------
    line
        The depth line, local metres, at least two vertices.
    radius_m
        The turning radius R, metres.
    deep_on_left
        Which side of the line, as it runs, is the deep one.
    water
        Where gear may be: the track is pressed into it where it would leave it. None: everywhere.

    Returns
    -------
    SteerableLine
        The track, running the same way as the line.

    Examples
    --------
    >>> straight = steerable_line(LineString([(0, 0), (300, 0)]), 40.0, deep_on_left=True)
    >>> bool(abs(straight.off_m).max() < 1.0)
    True
    """
    target = _Target.of(line, deep_on_left=deep_on_left)
    tries = []
    for smoothing in _FIRST_SMOOTHINGS:
        control = _settled(_first_guess(line, smoothing * radius_m, radius_m), target, radius_m, water)
        xy, bend_radius = _spline(control)
        tries.append(SteerableLine(xy, bend_radius, target.off(xy)[0]))
        if bend_radius.min() >= radius_m:
            break
    return max(tries, key=lambda one: float((one.radius_m >= radius_m).mean()))


@dataclass(frozen=True)
class _Target:
    """The depth line, prepared for asking how far off a point is and in which direction."""

    line: LineString
    xy: FloatArray
    starts: FloatArray
    normals: FloatArray
    deep_sign: float

    @classmethod
    def of(cls, line: LineString, *, deep_on_left: bool) -> _Target:
        xy = shapely.get_coordinates(line)
        along = np.diff(xy, axis=0)
        length = np.hypot(along[:, 0], along[:, 1])
        keep = length > 1e-9  # noqa: PLR2004  a repeated vertex has no direction
        xy = np.vstack([xy[:-1][keep], xy[-1]])
        along = along[keep] / length[keep, None]
        shapely.prepare(line)
        return cls(
            LineString(xy),
            xy,
            np.concatenate([[0.0], np.cumsum(length[keep])]),
            np.column_stack([-along[:, 1], along[:, 0]]),
            1.0 if deep_on_left else -1.0,
        )

    def off(self, xy: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return signed distance off the line (deep side positive) and the unit vector along which it grows."""
        points = shapely.points(xy)
        where = shapely.line_locate_point(self.line, points)
        foot = places_at(self.xy, where)
        away = xy - foot
        distance = np.hypot(away[:, 0], away[:, 1])
        segment = np.clip(np.searchsorted(self.starts, where, side="right") - 1, 0, len(self.normals) - 1)
        before = np.clip(np.searchsorted(self.starts, where, side="left") - 1, 0, len(self.normals) - 1)
        normal = self.normals[segment] + self.normals[before]
        normal /= np.maximum(np.hypot(normal[:, 0], normal[:, 1]), 1e-9)[:, None]
        side = np.where((away * normal).sum(axis=1) >= 0.0, 1.0, -1.0)
        near = distance < 0.05  # noqa: PLR2004  so close, the direction of the foot is rounding
        growth = np.where(near[:, None], normal, away / np.maximum(distance, 1e-9)[:, None] * side[:, None])
        return distance * side * self.deep_sign, growth * self.deep_sign


def _settled(control: FloatArray, target: _Target, radius_m: float, water: MultiPolygon | None) -> FloatArray:
    """Return the control points after sliding them until they hardly move, the step shrinking as they do."""
    step_limit = radius_m / 2.0
    for count in range(_ROUNDS + _POLISHING_ROUNDS):
        move = _best_move(control, target, radius_m, step_limit, water)
        control = evenly_spaced(control + move[:, None] * _normals(control), radius_m / _STEPS_PER_RADIUS)
        largest = float(np.abs(move).max())
        settled = largest < _SETTLED_M or count >= _ROUNDS
        if largest < _STILL_M or (settled and not _worth_polishing(control, radius_m, water)):
            break
        step_limit = min(step_limit, max(largest * _STEP_DECAY, _SETTLED_M))
    return control


def _worth_polishing(control: FloatArray, radius_m: float, water: MultiPolygon | None) -> bool:
    """Return whether a track bends a little too tightly or leaves the water by a little: more rounds can mend that."""
    xy, bend_radius = _spline(control)
    tightest_m = bend_radius.min()
    outside_m = 0.0
    if water is not None:
        # the ends may be outside, to be cut; between them the track should be in the water
        inside = np.flatnonzero(shapely.contains_xy(water, xy))
        if len(inside) > 1:
            outside_m = shapely.difference(LineString(xy[inside[0] : inside[-1] + 1]), water).length
    bends_a_little = _NEARLY * radius_m <= tightest_m < radius_m
    leaves_a_little = 0.0 < outside_m < radius_m and tightest_m >= radius_m
    return bool(bends_a_little or leaves_a_little)


def _first_guess(line: LineString, smoothing_m: float, radius_m: float) -> FloatArray:
    """Return the line smoothed over a length and spaced for the control points."""
    xy = evenly_spaced(shapely.get_coordinates(line), radius_m / (4.0 * _STEPS_PER_RADIUS), least=8)
    count = len(xy) - 1
    # odd reflection about the ends keeps them in place
    sigma = smoothing_m / (line.length / count)
    pad = min(int(4 * sigma), count)
    head = 2 * xy[0] - xy[pad:0:-1]
    tail = 2 * xy[-1] - xy[-2 : -pad - 2 : -1]
    bell = np.exp(-0.5 * (np.arange(-pad, pad + 1) / sigma) ** 2)
    padded = np.vstack([head, xy, tail])
    smooth = [np.convolve(padded[:, axis], bell / bell.sum(), mode="valid") for axis in (0, 1)]
    return evenly_spaced(np.column_stack(smooth), radius_m / _STEPS_PER_RADIUS)


def _normals(xy: FloatArray) -> FloatArray:
    along = np.gradient(xy, axis=0)
    along /= np.maximum(np.hypot(along[:, 0], along[:, 1]), 1e-9)[:, None]
    return np.column_stack([-along[:, 1], along[:, 0]])


def _best_move(
    control: FloatArray, target: _Target, radius_m: float, step_limit: float, water: MultiPolygon | None
) -> FloatArray:
    """Return how far each control point slides along its normal."""
    normal = _normals(control)
    off, growth = target.off(control)
    tight, inward, inside_m = _pressed(control, water, radius_m)
    return best_slides(
        Fairing(
            control=control,
            normal=normal,
            off_m=off,
            off_gain=(growth * normal).sum(axis=1),
            pressed=tight,
            inside_m=inside_m,
            inside_gain=(inward * normal[tight]).sum(axis=1),
        ),
        radius_m * _RADIUS_MARGIN,
        step_limit,
    )


def _pressed(
    control: FloatArray, water: MultiPolygon | None, radius_m: float
) -> tuple[npt.NDArray[np.intp], FloatArray, FloatArray]:
    """Return the control points near the water's edge, the unit vector into the water, and how far inside each is."""
    nobody = np.empty(0, dtype=np.intp), np.empty((0, 2)), np.empty(0)
    if water is None or water.is_empty:
        return nobody
    corridor = LineString(control).buffer(radius_m)
    if shapely.contains_properly(water, corridor):
        return nobody
    inside = shapely.contains_xy(water, control)
    if inside.any():
        # an end outside is left there to be cut: pressing it would only bend the track into a hook
        first, last = np.flatnonzero(inside)[[0, -1]]
    else:
        first, last = 0, len(control) - 1
    edge = shapely.intersection(water.boundary, corridor)
    points = shapely.points(control)
    near = shapely.distance(points, edge) < radius_m
    near[:first], near[last + 1 :] = False, False
    tight = np.flatnonzero(near)
    if edge.is_empty or not len(tight):
        return nobody
    shortest = shapely.get_coordinates(shapely.shortest_line(points[tight], edge)).reshape(-1, 2, 2)
    away = shortest[:, 0] - shortest[:, 1]
    distance = np.hypot(away[:, 0], away[:, 1])
    sign = np.where(inside[tight], 1.0, -1.0)
    inward = away / np.maximum(distance, 1e-6)[:, None] * sign[:, None]
    return tight, inward, distance * sign - _EDGE_SPARE_M


def _spline(control: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return vertices (n, 2) of the uniform cubic B-spline on these control points, and the radius at each.

    The ends are met by reflecting the control polygon, which leaves the end straight.
    """
    padded = np.vstack([2 * control[0] - control[1], control, 2 * control[-1] - control[-2]])
    before, here, after, beyond = padded[:-3], padded[1:-2], padded[2:-1], padded[3:]
    second = np.hypot(*(padded[:-2] - 2 * padded[1:-1] + padded[2:]).T)
    # a chord across 1/k of a span has a sagitta of about |second| / (8 k²)
    pieces = np.maximum(np.ceil(np.sqrt(np.maximum(second[:-1], second[1:]) / (8 * _SAGITTA_M))), 1.0).astype(int)
    span = np.repeat(np.arange(len(pieces)), pieces)
    first = np.concatenate([[0], np.cumsum(pieces)[:-1]])
    u = (np.arange(len(span)) - first[span]) / pieces[span]
    span, u = np.append(span, len(pieces) - 1), np.append(u, 1.0)
    a, b, c, d = before[span], here[span], after[span], beyond[span]
    v = u[:, None]
    xy = ((1 - v) ** 3 * a + (3 * v**3 - 6 * v**2 + 4) * b + (-3 * v**3 + 3 * v**2 + 3 * v + 1) * c + v**3 * d) / 6
    dx = (-((1 - v) ** 2) * a + (3 * v**2 - 4 * v) * b + (-3 * v**2 + 2 * v + 1) * c + v**2 * d) / 2
    ddx = (1 - v) * a + (3 * v - 2) * b + (1 - 3 * v) * c + v * d
    turning = np.abs(dx[:, 0] * ddx[:, 1] - dx[:, 1] * ddx[:, 0])
    speed = np.hypot(dx[:, 0], dx[:, 1])
    return xy, speed**3 / np.maximum(turning, 1e-12)
