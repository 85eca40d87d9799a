"""A weight towed on a cable: how deep it runs, how far back, at what angle, and what the angle tells of the speed.

The steady cable in a uniform stream (Pode, Tables for Computing the Equilibrium Configuration of a Flexible Cable in a
Uniform Stream, DTMB Report 687, 1951), for many rods and speeds at once. From the ball up, with θ the angle from the
vertical, T the tension and s the cable:

    T dθ/ds = ½ρ Cₙ d v² cos²θ − w sin θ
    dT/ds   = w cos θ + ½ρ π Cₜ d v² sin²θ

It is marched in the slope u = tan θ and in T: there the equations need no trigonometry, u grows in a straight line and
T stands still where neither the cable's weight nor the stream along it counts (nearly so with our gear), and a clip is
one addition. The march is classical Runge–Kutta of fourth order, and every cable takes steps of its own, `_STEP` of the
length over which it bends there: a light sinker on a long line bends within decimetres of the sinker and hardly at all
above. The steps do not depend on where the cable ends, so one march serves every cable out, and an inverse only has to
choose its interval and the last step into it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from math import pi

import numpy as np
import numpy.typing as npt

from spotmap.model import FloatArray

SEA_WATER_KG_M3 = 1025.0
"""Density of sea water, as in the worked cases of the towed-cable checks."""
SMOOTH_LINE_DRAG = 1.2
"""Normal drag coefficient of a smooth cable or line: a cylinder below the critical Reynolds number (Hoerner 1965)."""
STRANDED_LINE_DRAG = 1.5
"""Normal drag coefficient of a stranded cable, about (published value, recalled with the towed-cable checks)."""
FASTEST_TOW_MPS = 6.0
"""No speed above this is looked for behind a cable angle (common practice, no source)."""

_STEP = 0.25
"""Keeps depth and layback within 0.01 % of a fine integration, light sinkers on heavy cable included."""
_NEWTON_ROUNDS = 4
_SECANT_ROUNDS = 60
_SLOPE_TOLERANCE = 1e-10

_SLOPE, _DEPTH = 0, 2


@dataclass(frozen=True)
class TowedLine:
    """A body on a cable, or many at once: numbers or arrays that broadcast with each other.

    `weight_n` (above zero) is the body's weight in water, `drag_area_m2` its drag coefficient times its area, with
    that of a flasher or lure clipped to it. `line_weight_n_per_m` is the cable's weight in water, zero or above.
    `tangential_drag` counts on the cable's skin, π times its diameter. Clips further up have one more axis, the last:
    `clip_above_m` is measured along the cable from the body, `clip_drag_area_m2` pulls there (zero where no clip is).

    Raises
    ------
    ValueError
        When a number is below zero, or the body does not sink.
    """

    weight_n: float | FloatArray
    drag_area_m2: float | FloatArray
    diameter_m: float | FloatArray
    line_weight_n_per_m: float | FloatArray
    normal_drag: float | FloatArray
    tangential_drag: float | FloatArray
    clip_above_m: FloatArray = field(default_factory=lambda: np.zeros(0))
    clip_drag_area_m2: FloatArray = field(default_factory=lambda: np.zeros(0))

    def __post_init__(self) -> None:
        if np.any(np.less_equal(self.weight_n, 0.0)):
            raise ValueError("weight_n must be above zero: a body that does not sink hangs nowhere")
        for name, value in vars(self).items():
            if np.any(np.less(value, 0.0)):
                raise ValueError(f"{name} must not be below zero")


@dataclass(frozen=True)
class Hung:
    """Where a body hangs: metres, the angle from the vertical at the surface (radians), the tension there (newtons)."""

    cable_out_m: FloatArray
    depth_m: FloatArray
    layback_m: FloatArray
    angle_rad: FloatArray
    tension_n: FloatArray


@dataclass(frozen=True)
class _Loads:
    """What pulls on a metre of cable, N/m: the stream across it, the stream along it, its weight."""

    normal: FloatArray
    tangential: FloatArray
    weight: FloatArray

    def rates(self, state: FloatArray) -> FloatArray:
        """Return how a state changes per metre of cable.

        A state is (4, ...): the slope, the tension, then the height and the way forward of this point over the body.
        """
        slope, tension = state[0], state[1]
        rates = np.empty_like(state)
        secant = np.sqrt(1.0 + slope * slope)
        cos = np.divide(1.0, secant, out=rates[2, ...])
        sin = np.multiply(slope, cos, out=rates[3, ...])
        rates[0] = (self.normal - self.weight * slope * secant) / tension
        rates[1] = self.weight * cos + self.tangential * sin * sin
        return rates

    def step(self, state: FloatArray, rates: FloatArray, ahead_m: FloatArray) -> FloatArray:
        """Return the state this much further up, by one Runge–Kutta step; `rates` are those of `state`."""
        half_m = 0.5 * ahead_m
        second = self.rates(state + half_m * rates)
        third = self.rates(state + half_m * second)
        fourth = self.rates(state + ahead_m * third)
        stepped: FloatArray = state + ahead_m / 6.0 * (rates + 2.0 * (second + third) + fourth)
        return stepped

    def bend_m(self, state: FloatArray, rates: FloatArray) -> FloatArray:
        """Return the length over which the cable bends at a state; endless where nothing bends it."""
        # the cable's weight counts twice: it bends the cable and it adds to the tension
        load = self.normal * rates[2] + self.tangential * rates[3] + 2.0 * self.weight / rates[2]
        bend_m: FloatArray = np.divide(state[1], load, out=np.full(load.shape, np.inf), where=load > 0.0)
        return bend_m


@dataclass(frozen=True)
class _March:
    """Cables marched from the body up: `cable_m` (knots, ...) and `states` (knots, 4, ...), past a clip at its knot."""

    loads: _Loads
    cable_m: list[FloatArray]
    states: list[FloatArray]

    def find(self, knot: npt.NDArray[np.intp], target: FloatArray, row: int) -> Hung:
        """Return the cable at which a growing row of the state meets its target after a knot, or the next knot."""
        cable_m = np.stack(self.cable_m)
        from_m = np.take_along_axis(cable_m, knot[None], axis=0)[0]
        to_m = np.take_along_axis(cable_m, np.minimum(knot + 1, len(cable_m) - 1)[None], axis=0)[0]
        start = np.take_along_axis(np.stack(self.states), knot[None, None], axis=0)[0]
        rates = self.loads.rates(start)
        ahead_m = 0.5 * (to_m - from_m)
        for _ in range(_NEWTON_ROUNDS):
            here = self.loads.step(start, rates, ahead_m)
            rate = np.maximum(np.abs(self.loads.rates(here)[row]), np.finfo(float).tiny)
            ahead_m = ahead_m + (target - here[row]) / rate
            ahead_m = np.clip(ahead_m, 0.0, to_m - from_m)
        return _hung(from_m + ahead_m, self.loads.step(start, rates, ahead_m))


def _hung(cable_m: FloatArray, state: FloatArray) -> Hung:
    slope, tension_n, depth_m, layback_m = state
    return Hung(cable_m, depth_m, layback_m, np.arctan(slope), tension_n)


def _clips(line: TowedLine, pressure: FloatArray) -> Iterator[tuple[FloatArray, FloatArray]]:
    above_m, area_m2 = np.broadcast_arrays(line.clip_above_m, line.clip_drag_area_m2)
    order = np.argsort(above_m, axis=-1)
    above_m = np.take_along_axis(above_m, order, axis=-1)
    area_m2 = np.take_along_axis(area_m2, order, axis=-1)
    for clip in range(above_m.shape[-1]):
        yield above_m[..., clip], pressure * area_m2[..., clip]


def _clipped(state: FloatArray, pull_n: FloatArray) -> FloatArray:
    """Return a state past a clip that pulls back."""
    up_n = state[1] / np.sqrt(1.0 + state[0] * state[0])
    slope = state[0] + pull_n / up_n
    clipped: FloatArray = np.stack([slope, up_n * np.sqrt(1.0 + slope * slope), state[2], state[3]])
    return clipped


def _march(line: TowedLine, speed_mps: npt.ArrayLike, end_m: npt.ArrayLike) -> _March:
    end_m = np.asarray(end_m, dtype=float)
    pressure = 0.5 * SEA_WATER_KG_M3 * np.square(np.asarray(speed_mps, dtype=float))
    cable_drag = pressure * line.diameter_m
    loads = _Loads(
        normal=cable_drag * line.normal_drag,
        tangential=cable_drag * pi * line.tangential_drag,
        weight=np.asarray(line.line_weight_n_per_m, dtype=float),
    )
    clips = list(_clips(line, pressure))
    # A cable that is not known (NaN) must come out unknown, so every start carries its end.
    nothing = 0.0 * sum((clip_m for clip_m, _ in clips), start=end_m + loads.normal + loads.tangential + loads.weight)
    drag_n = pressure * line.drag_area_m2
    start = (drag_n / line.weight_n + nothing, np.hypot(drag_n, line.weight_n) + nothing, nothing, nothing)
    state: FloatArray = np.stack(np.broadcast_arrays(*start))
    cable_m: FloatArray = state[2]
    end_m = np.broadcast_to(end_m, cable_m.shape)
    march = _March(loads, [cable_m], [state])
    for clip_m, pull_n in [*clips, (end_m, np.zeros(()))]:
        stop_m = np.minimum(clip_m, end_m)
        while np.any(cable_m < stop_m):
            rates = loads.rates(state)
            ahead_m = np.minimum(_STEP * loads.bend_m(state, rates), np.maximum(stop_m - cable_m, 0.0))
            state = loads.step(state, rates, ahead_m)
            cable_m = cable_m + ahead_m
            march.cable_m.append(cable_m)
            march.states.append(state)
        state = _clipped(state, np.where(clip_m < end_m, pull_n, 0.0))
        march.states[-1] = state
    return march


def hang(line: TowedLine, cable_out_m: npt.ArrayLike, speed_mps: npt.ArrayLike) -> Hung:
    """Return where a body hangs with this much cable out.

    Parameters
    ----------
    line
        The body and its cable. A clip that is not in the water yet, further up than the cable is out, does not pull.
    cable_out_m
        Cable from the surface to the body, metres.
    speed_mps
        Speed through the water, metres a second; at zero the cable hangs straight.

    Returns
    -------
    Hung
        In the shape that everything broadcasts to; NaN where the cable or the speed is NaN.

    Examples
    --------
    A 12 lb ball on 100 ft of 0.9 mm cable without weight, at 3.0 kn and at rest:

    >>> hung = hang(TowedLine(48.55, 0.00371, 0.0009, 0.0, 1.2, 0.0), 30.48, [1.5433, 0.0])
    >>> (hung.depth_m / 0.3048).round(1).tolist(), np.degrees(hung.angle_rad).round(1).tolist()
    ([88.4, 100.0], [42.5, 0.0])
    """
    march = _march(line, speed_mps, cable_out_m)
    return _hung(march.cable_m[-1], march.states[-1])


def point_above(
    line: TowedLine, cable_out_m: npt.ArrayLike, speed_mps: npt.ArrayLike, above_m: npt.ArrayLike
) -> tuple[FloatArray, FloatArray]:
    """Return where a point of the cable runs, such as a stacked clip.

    Parameters
    ----------
    line, cable_out_m, speed_mps
        As in `hang`.
    above_m
        Cable from the body up to the point, metres.

    Returns
    -------
    depth_m, layback_m
        Under and behind the place where the cable leaves the surface; NaN where the point is not in the water.
    """
    body = hang(line, cable_out_m, speed_mps)
    below = hang(line, above_m, speed_mps)
    wet = np.asarray(above_m) <= np.asarray(cable_out_m)
    return (
        np.where(wet, body.depth_m - below.depth_m, np.nan),
        np.where(wet, body.layback_m - below.layback_m, np.nan),
    )


def cable_for_depth(
    line: TowedLine,
    depth_m: npt.ArrayLike,
    speed_mps: npt.ArrayLike,
    most_cable_m: npt.ArrayLike,
    *,
    above_m: npt.ArrayLike = 0.0,
) -> Hung:
    """Return the cable that brings a body, or a clip above it, to a depth; the inverse of `hang`.

    Parameters
    ----------
    line, speed_mps
        As in `hang`.
    depth_m
        Wanted depth, metres.
    most_cable_m
        Cable on the reel, metres.
    above_m
        How far up the cable from the body the wanted depth is meant, metres.

    Returns
    -------
    Hung
        The body's own place; NaN where no cable on the reel reaches the depth.

    Examples
    --------
    >>> line = TowedLine(48.55, 0.00371, 0.0009, 0.0, 1.2, 0.0)
    >>> (cable_for_depth(line, [26.94, 90.0], 1.5433, 100.0).cable_out_m / 0.3048).round().tolist()
    [100.0, nan]
    """
    target_m = np.add(depth_m, hang(line, above_m, speed_mps).depth_m)
    march = _march(line, speed_mps, np.broadcast_arrays(most_cable_m, target_m)[0])
    depths_m = np.stack([state[_DEPTH] for state in march.states])
    knot = np.maximum(np.sum(depths_m <= target_m, axis=0) - 1, 0)
    hung = march.find(knot, target_m, _DEPTH)
    reached = (np.asarray(depth_m) >= 0.0) & (target_m <= depths_m[-1])
    return Hung(*(np.where(reached, value, np.nan) for value in vars(hung).values()))


def deepest(
    line: TowedLine, speed_mps: npt.ArrayLike, most_cable_m: npt.ArrayLike, *, flattest_rad: npt.ArrayLike = 0.5 * pi
) -> Hung:
    """Return the deepest that a body fishes at a speed: depth grows with the cable out, the angle sets its limit.

    Parameters
    ----------
    line, speed_mps
        As in `hang`.
    most_cable_m
        Cable on the reel, metres.
    flattest_rad
        Angle from the vertical at the surface beyond which more cable is of no use, radians, up to a right angle.

    Returns
    -------
    Hung
        With no cable out where even the body alone lies flatter.
    """
    steepest = np.tan(flattest_rad)
    march = _march(line, speed_mps, np.broadcast_arrays(most_cable_m, steepest)[0])
    useful = np.stack([state[_SLOPE] for state in march.states]) <= steepest
    last = len(useful) - 1 - np.argmax(useful[::-1], axis=0)
    knot = np.where(np.any(useful, axis=0), last, 0)
    return march.find(knot, steepest, _SLOPE)


def speed_from_angle(line: TowedLine, cable_out_m: npt.ArrayLike, angle_rad: npt.ArrayLike) -> FloatArray:
    """Return the speed through the water that lays a cable at this angle; the inverse of `hang` in the speed.

    The tangent of the angle is nearly proportional to the square of the speed, so a bracketed secant in those two
    (the Illinois rule: Dowell & Jarratt, BIT 11, 1971) is there in a few rounds.

    Parameters
    ----------
    line, cable_out_m
        As in `hang`.
    angle_rad
        Angle of the cable from the vertical at the surface, as observed, radians.

    Returns
    -------
    ndarray
        Metres a second; NaN where no speed up to `FASTEST_TOW_MPS` gives the angle.

    Examples
    --------
    >>> line = TowedLine(48.55, 0.00371, 0.0009, 0.0, 1.2, 0.0)
    >>> speed_from_angle(line, 30.48, np.radians([42.5, 89.0])).round(2).tolist()
    [1.54, nan]
    """

    def slope(square: FloatArray) -> FloatArray:
        return np.asarray(_march(line, np.sqrt(square), cable_out_m).states[-1][_SLOPE])

    wanted = np.tan(np.asarray(angle_rad, dtype=float))
    older = 0.0 * (wanted + slope(np.zeros(())))
    newer = older + FASTEST_TOW_MPS**2
    below, miss = slope(older) - wanted, slope(newer) - wanted
    told = (below <= 0.0) & (miss >= 0.0) & (miss > below)
    below, miss = np.where(told, below, np.nan), np.where(told, miss, np.nan)
    for _ in range(_SECANT_ROUNDS):
        share = np.divide(miss, miss - below, out=np.zeros_like(miss), where=miss != below)
        last, last_miss = newer, miss
        newer = newer - share * (newer - older)
        miss = slope(newer) - wanted
        if not np.any(np.abs(miss) > _SLOPE_TOLERANCE * wanted):
            break
        # An end that stays is weighed half as much: a plain secant in a bracket may keep one end for ever.
        crossed = miss * last_miss < 0.0
        older, below = np.where(crossed, last, older), np.where(crossed, last_miss, 0.5 * below)
    return np.asarray(np.sqrt(newer))
