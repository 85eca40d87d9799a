"""Gear behind the boat: how deep it fishes, how far back it hangs, how tight the boat may turn with it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import asinh, atan2, hypot, pi, sinh, sqrt, tan

from spotmap._errors import NoPlanError
from spotmap.model import Boat, Limits, Rod, TowedRod, TurningRadius

SEA_WATER_KG_M3 = 1025.0
"""Density of sea water, as in the worked cases of the towed-cable checks."""
LEAD_KG_M3 = 11_340.0
"""Density of lead (CRC handbook value, from memory)."""
GRAVITY_M_S2 = 9.80665
"""Standard gravity (ISO 80000-3)."""
SPHERE_DRAG = 0.5
"""Drag coefficient of a ball below the critical Reynolds number (Hoerner, Fluid-Dynamic Drag, 1965: 0.4 to 0.5)."""
CABLE_NORMAL_DRAG = 1.2
"""Normal drag coefficient of a smooth cylinder (Hoerner 1965)."""
CABLE_DIAMETER_M = 0.0009
"""Downrigger cable of 150 lb class (common practice, no source)."""
FLAT_LINE_DIAMETER_M = 0.00045
"""Monofilament of 20 to 25 lb class (common practice, no source)."""
FLATTEST_USEFUL_ANGLE_RAD = 70.0 * pi / 180.0
"""A cable lying flatter than this adds length, not depth (common practice, no source)."""
_SHORTER_SETBACKS = (0.75, 0.5, 0.25)


@dataclass(frozen=True)
class HungCable:
    """A weightless cable in steady tow: metres, and the angle from the vertical at the surface in radians."""

    cable_out_m: float
    depth_m: float
    layback_m: float
    angle_rad: float


@dataclass(frozen=True)
class _Pull:
    """What pulls on a cable of no weight: its tension is the same all along."""

    weight_n: float
    drag_area_m2: float
    bend_length_m: float
    slope_at_ball: float


def _pull(weight_kg: float, line_diameter_m: float, speed_mps: float) -> _Pull:
    in_water_n = weight_kg * GRAVITY_M_S2 * (1.0 - SEA_WATER_KG_M3 / LEAD_KG_M3)
    radius_m = (3.0 * weight_kg / (4.0 * pi * LEAD_KG_M3)) ** (1.0 / 3.0)
    drag_area_m2 = SPHERE_DRAG * pi * radius_m**2
    pressure = 0.5 * SEA_WATER_KG_M3 * speed_mps**2
    drag_n = pressure * drag_area_m2
    cable_drag_n_per_m = pressure * CABLE_NORMAL_DRAG * line_diameter_m
    return _Pull(in_water_n, drag_area_m2, hypot(in_water_n, drag_n) / cable_drag_n_per_m, drag_n / in_water_n)


def _hung(pull: _Pull, slope_at_surface: float) -> HungCable:
    low, high = pull.slope_at_ball, slope_at_surface
    return HungCable(
        cable_out_m=pull.bend_length_m * (high - low),
        depth_m=pull.bend_length_m * (asinh(high) - asinh(low)),
        layback_m=pull.bend_length_m * (sqrt(1.0 + high**2) - sqrt(1.0 + low**2)),
        angle_rad=atan2(high, 1.0),
    )


def hang_by_cable(cable_out_m: float, weight_kg: float, line_diameter_m: float, speed_mps: float) -> HungCable:
    """Return where a ball hangs with this much cable out.

    The cable has no weight and only normal drag, so its tension is constant and it lies as a catenary on its
    side: with u the tangent of its angle from the vertical, depth = a[asinh u] and layback = a[√(1 + u²)]
    (the closed form of Pode's towed-cable equations, DTMB Report 687, 1951).

    Parameters
    ----------
    cable_out_m
        Cable from the stern to the ball, metres.
    weight_kg
        Mass of the lead ball in air, kilograms.
    line_diameter_m
        Diameter of the cable, metres.
    speed_mps
        Speed through the water, metres a second, above zero.

    Returns
    -------
    HungCable
        Depth, layback and surface angle.

    Examples
    --------
    A 12 lb ball on 100 ft of 0.9 mm cable at 3.0 kn:

    >>> hung = hang_by_cable(30.48, 5.443, 0.0009, 1.5433)
    >>> round(hung.depth_m / 0.3048, 1), round(hung.layback_m / 0.3048, 1)
    (88.4, 42.8)
    """
    pull = _pull(weight_kg, line_diameter_m, speed_mps)
    return _hung(pull, pull.slope_at_ball + cable_out_m / pull.bend_length_m)


def hang_by_depth(depth_m: float, weight_kg: float, line_diameter_m: float, speed_mps: float) -> HungCable:
    """Return the cable that a ball needs to hang at this depth; the inverse of `hang_by_cable`.

    Parameters
    ----------
    depth_m
        Wanted depth of the ball, metres.
    weight_kg, line_diameter_m, speed_mps
        As in `hang_by_cable`.

    Returns
    -------
    HungCable
        Cable out, layback and surface angle. A weightless cable reaches any depth in the end; whether the
        angle is still useful is for the caller to judge.

    Examples
    --------
    >>> round(hang_by_depth(88.4 * 0.3048, 5.443, 0.0009, 1.5433).cable_out_m / 0.3048)
    100
    """
    pull = _pull(weight_kg, line_diameter_m, speed_mps)
    return _hung(pull, sinh(depth_m / pull.bend_length_m + asinh(pull.slope_at_ball)))


def tow(rod: Rod, speed_mps: float, lure_speed_floor: float) -> TowedRod:
    """Return a rod's gear resolved at a speed, with the turning radius it asks for.

    Parameters
    ----------
    rod
        The rod as the trip file has it.
    speed_mps
        Speed through the water, metres a second, above zero.
    lure_speed_floor
        Share of trolling speed below which no lure may fall in a turn, between 0 and 1.

    Returns
    -------
    TowedRod
        All in SI.

    Raises
    ------
    NoPlanError
        When the wanted depth asks for a cable that lies flatter than is of use.

    Notes
    -----
    In a steady turn each towed link trails tangent to the circle of its own end, so the lure runs on
    √(R² − L₁² − L₂²) (tractrix of a circle) and its speed scales with that radius.
    """
    diameter_m = rod.line_diameter_m
    if rod.kind == "flat line":
        hung = hang_by_cable(rod.setback_m, rod.weight_kg, diameter_m, speed_mps)
        behind_clip_m = 0.0
    else:
        behind_clip_m = rod.setback_m
        if rod.depth_m is not None:
            hung = hang_by_depth(rod.depth_m, rod.weight_kg, diameter_m, speed_mps)
            if hung.angle_rad > FLATTEST_USEFUL_ANGLE_RAD:
                pull = _pull(rod.weight_kg, diameter_m, speed_mps)
                deepest = pull.bend_length_m * (asinh(tan(FLATTEST_USEFUL_ANGLE_RAD)) - asinh(pull.slope_at_ball))
                raise NoPlanError(
                    f"Rod '{rod.name}' cannot fish {rod.depth_m:.1f} m deep at this speed.",
                    [f"the water lays its cable flatter than 70°; {max(deepest, 0.0):.1f} m is the deepest useful"],
                    ["a heavier ball", "a slower troll_speed", "a lesser depth"],
                )
        else:
            hung = hang_by_cable(rod.cable_out_m or 0.0, rod.weight_kg, diameter_m, speed_mps)
    pull = _pull(rod.weight_kg, diameter_m, speed_mps)
    gear_m = hypot(hung.layback_m, behind_clip_m)
    return TowedRod(
        rod=rod,
        cable_out_m=hung.cable_out_m,
        depth_m=hung.depth_m,
        layback_m=hung.layback_m,
        cable_angle_rad=hung.angle_rad,
        weight_n=pull.weight_n,
        drag_area_m2=pull.drag_area_m2,
        line_weight_n_per_m=0.0,
        normal_drag=CABLE_NORMAL_DRAG,
        tangential_drag=0.0,
        radius_needed_m=gear_m / sqrt(1.0 - lure_speed_floor**2) + rod.reach_m,
    )


def turning_radius(rods: Sequence[Rod], boat: Boat, limits: Limits) -> TurningRadius:
    """Return the tightest turn that the hull can steer and every rod's gear can follow.

    R = max(hull's own, max over rods of √(L₁² + L₂²) / √(1 − f²) + reach), L₁ the layback, L₂ the setback and f
    the lure's speed floor; the reach counts because any rod may be the inside one.

    Parameters
    ----------
    rods
        The rods of the trip, at least one.
    boat, limits
        Speeds in m/s, lengths in metres.

    Returns
    -------
    TurningRadius
        With who decides it and what shorter setbacks would give.

    Raises
    ------
    NoPlanError
        When a rod cannot fish its depth at this speed.
    """

    def towed(share: float) -> tuple[TowedRod, ...]:
        return tuple(
            tow(
                replace(rod, setback_m=min(rod.setback_m, share * longest_m)),
                boat.troll_speed_mps,
                limits.lure_speed_floor,
            )
            for rod in rods
        )

    def widest(resolved: Sequence[TowedRod]) -> float:
        return max(boat.turn_radius_m, *(one.radius_needed_m for one in resolved))

    longest_m = max(rod.setback_m for rod in rods)
    now = towed(1.0)
    radius_m = widest(now)
    deciding = max(now, key=lambda one: one.radius_needed_m)
    return TurningRadius(
        radius_m=radius_m,
        decided_by=deciding.rod.name if deciding.radius_needed_m >= boat.turn_radius_m else "the hull",
        rods=now,
        shorter=tuple((share * longest_m, widest(towed(share))) for share in _SHORTER_SETBACKS),
    )


def deepest_gear_m(radius: TurningRadius) -> float:
    """Return the depth of the deepest ball or sinker at trolling speed, metres."""
    return max(one.depth_m for one in radius.rods)
