"""Gear behind the boat: how deep each rod fishes, how far back it hangs, how tight the boat may turn with it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from math import hypot, pi, sqrt

import numpy as np

from spotmap._errors import NoPlanError
from spotmap.cable import TowedLine, cable_for_depth, deepest, hang, point_above
from spotmap.clock import before
from spotmap.model import Boat, FloatArray, Limits, RigStep, Rod, Setting, ShorterSetback, TowedRod, TurningRadius

FLATTEST_USEFUL_RAD = 70.0 * pi / 180.0
"""A cable lying flatter than this adds length, not depth (common practice, no source)."""
_SHORTER_SETBACKS = (0.75, 0.5, 0.25)
_TURN_BACK_RADII = 7.0 * pi / 3.0
"""The shortest turn back along the same line, in radii (Dubins 1957)."""
_LEAST_DEPTH_M = 1.0
_SLOWER = (0.9, 0.8, 0.7, 0.6, 0.5)
_HEAVIER = (1.25, 1.5, 2.0, 3.0)


def rig_steps(rods: Sequence[Rod], boat: Boat, limits: Limits) -> tuple[RigStep, ...]:
    """Return the whole rig resolved at trolling speed, from each moment on at which a rod is set anew.

    Parameters
    ----------
    rods
        The rods of the trip, at least one.
    boat, limits
        Speeds in m/s, lengths in metres.

    Returns
    -------
    tuple of RigStep
        In order of time, the first from the trip's start.

    Raises
    ------
    NoPlanError
        When a rod cannot fish its depth at this speed, with the deepest it reaches and what would help.
    """
    moments = sorted({setting.since for rod in rods for setting in rod.settings})
    resolved: dict[tuple[str, Setting], TowedRod] = {}
    carriers = [rod for rod in rods if rod.cable_of is None]
    pairs = [(rod, setting) for rod in carriers for setting in rod.settings]
    for (rod, setting), towed in zip(pairs, _towed(pairs, _clips(rods), boat, limits), strict=True):
        resolved[rod.name, setting] = towed
    by_name = {rod.name: rod for rod in rods}
    steps = []
    for moment in moments:
        now = []
        for rod in rods:
            carrier = by_name[rod.cable_of] if rod.cable_of is not None else rod
            towed = resolved[carrier.name, _in_force(carrier, moment)]
            now.append(towed if carrier is rod else _clipped(rod, towed, _clips(rods), boat, limits))
        steps.append(RigStep(moment, tuple(now)))
    return tuple(steps)


def turning_radius(rods: Sequence[Rod], boat: Boat, limits: Limits) -> TurningRadius:
    """Return the tightest turn that the hull can steer and every rod's gear can follow.

    R = max(hull's own, max over rods of √(L₁² + L₂²) / √(1 − f²) + reach), L₁ the layback, L₂ the setback and f
    the lure's speed floor; the reach counts because any rod may be the inside one. In a steady turn each towed link
    trails tangent to the circle of its own end, so the lure runs on √(R² − L₁² − L₂²) and its speed scales with that
    (tractrix of a circle).

    Parameters
    ----------
    rods
        The rods of the trip, at least one.
    boat, limits
        Speeds in m/s, lengths in metres.

    Returns
    -------
    TurningRadius
        With who decides it, the rig through the trip, and what shorter setbacks would give.

    Raises
    ------
    NoPlanError
        When a rod cannot fish its depth at this speed.
    """
    steps = rig_steps(rods, boat, limits)
    deciding = max((one for step in steps for one in step.rods), key=lambda one: one.radius_needed_m)
    radius_m = max(boat.turn_radius_m, deciding.radius_needed_m)
    longest_m = max(rod.setback_m for rod in rods)
    setbacks = [ShorterSetback(longest_m, radius_m, _TURN_BACK_RADII * radius_m)]
    for share in _SHORTER_SETBACKS:
        shorter = with_setback(rods, share * longest_m)
        tighter_m = max(
            boat.turn_radius_m,
            *(one.radius_needed_m for step in rig_steps(shorter, boat, limits) for one in step.rods),
        )
        setbacks.append(ShorterSetback(share * longest_m, tighter_m, _TURN_BACK_RADII * tighter_m))
    slowed = tuple(_slowed(step, radius_m, boat, rods) for step in steps)
    return TurningRadius(
        radius_m=radius_m,
        decided_by=deciding.rod.name if deciding.radius_needed_m >= boat.turn_radius_m else "the hull",
        rods=tuple(
            max((step.rods[index] for step in slowed), key=lambda one: one.radius_needed_m)
            for index in range(len(rods))
        ),
        steps=slowed,
        setbacks=tuple(setbacks),
    )


def _slowed(step: RigStep, radius_m: float, boat: Boat, rods: Sequence[Rod]) -> RigStep:
    """Return a rig with the depth that each ball sinks to in a steady turn, where it is slower than the boat.

    The ball runs on √(R² − L₁²) behind a tip that is `reach` nearer the centre.
    """
    clips = _clips(rods)
    carriers = {one.rod.name: one for one in step.rods if one.rod.cable_of is None}
    found = []
    for one in step.rods:
        carrier = carriers[one.rod.cable_of or one.rod.name]
        inner_m = max(radius_m - one.rod.reach_m, 0.0)
        speed = boat.troll_speed_mps * sqrt(max(inner_m**2 - carrier.layback_m**2, 0.0)) / radius_m
        line = line_of([carrier.rod], [clips[carrier.rod.name]])
        depth, _ = point_above(line, carrier.cable_out_m, speed, one.rod.above_m)
        found.append(replace(one, slow_depth_m=float(depth[0])))
    return replace(step, rods=tuple(found))


def beside_m(radius: TurningRadius) -> float:
    """Return how far from the boat's track gear runs on a straight course: the widest reach."""
    return max(one.rod.reach_m for one in radius.rods)


def longest_chain_m(radius: TurningRadius) -> float:
    """Return how far behind the boat the last lure swims."""
    return max(
        one.layback_m + (0.0 if one.rod.kind == "flat line" else one.rod.setback_m)
        for step in radius.steps
        for one in step.rods
    )


def inside_m(radius: TurningRadius) -> float:
    """Return how far inside the boat's track gear swings in a steady turn at R."""

    def swing_m(one: TowedRod) -> float:
        behind_m = 0.0 if one.rod.kind == "flat line" else one.rod.setback_m
        inner_m = radius.radius_m - one.rod.reach_m
        return radius.radius_m - sqrt(max(inner_m**2 - one.layback_m**2 - behind_m**2, 0.0))

    return max(swing_m(one) for step in radius.steps for one in step.rods)


def raised(rods: Sequence[Rod], by_m: Mapping[str, float]) -> tuple[Rod, ...]:
    """Return rods with some of them set shallower, by so many metres; a clip's cable is its carrier's."""

    def up(setting: Setting, by: float) -> Setting:
        depth_m = None if setting.depth_m is None else max(setting.depth_m - by, _LEAST_DEPTH_M)
        # cable lies at no more than 60° or so: twice the depth is enough
        cable_m = None if setting.cable_out_m is None else max(setting.cable_out_m - 2.0 * by, _LEAST_DEPTH_M)
        return replace(setting, depth_m=depth_m, cable_out_m=cable_m)

    lifted = {rod.cable_of or rod.name: 0.0 for rod in rods}
    for rod in rods:
        carrier = rod.cable_of or rod.name
        lifted[carrier] = max(lifted[carrier], by_m.get(rod.name, 0.0))
    return tuple(
        replace(rod, settings=tuple(up(setting, lifted[rod.name]) for setting in rod.settings))
        if rod.cable_of is None and lifted[rod.name] > 0.0
        else rod
        for rod in rods
    )


def with_setback(rods: Sequence[Rod], most_m: float) -> tuple[Rod, ...]:
    """Return rods with no setback longer than this."""
    return tuple(_shortened(rod, min(rod.setback_m, most_m)) for rod in rods)


def _shortened(rod: Rod, setback_m: float) -> Rod:
    # a flat line's setback is the line it fishes on
    tackle = replace(rod.tackle, most_line_m=setback_m) if rod.kind == "flat line" else rod.tackle
    return replace(rod, setback_m=setback_m, tackle=tackle)


def steps_in(radius: TurningRadius, start: datetime, end: datetime) -> tuple[RigStep, ...]:
    """Return the rig's steps in force at some moment from start to end."""
    ends = [step.since for step in radius.steps[1:]] + [None]
    found = [
        step
        for step, until in zip(radius.steps, ends, strict=True)
        if not before(end, step.since) and (until is None or before(start, until))
    ]
    return tuple(found) or radius.steps[:1]


def deepest_gear_m(steps: Sequence[RigStep], *, slowed: bool) -> float:
    """Return the depth of the deepest ball or sinker: at trolling speed, or slowed as far as a turn may slow it."""
    return max(one.slow_depth_m if slowed else one.depth_m for step in steps for one in step.rods)


def line_of(rods: Sequence[Rod], clips: Sequence[Sequence[Rod]]) -> TowedLine:
    """Return rods' lines as arrays (n,) for the cable model, `clips` being those on each rod's cable."""
    most = max((len(on) for on in clips), default=0)
    above, drag = np.zeros((len(rods), most)), np.zeros((len(rods), most))
    for row, on in enumerate(clips):
        for column, clip in enumerate(on):
            above[row, column], drag[row, column] = clip.above_m, clip.tackle.drag_area_m2

    def column_of(name: str) -> FloatArray:
        return np.array([getattr(rod.tackle, name) for rod in rods], dtype=np.float64)

    return TowedLine(
        weight_n=column_of("weight_n"),
        drag_area_m2=column_of("drag_area_m2"),
        diameter_m=column_of("line_diameter_m"),
        line_weight_n_per_m=column_of("line_weight_n_per_m"),
        normal_drag=column_of("normal_drag"),
        tangential_drag=column_of("tangential_drag"),
        clip_above_m=above,
        clip_drag_area_m2=drag,
    )


def clips_of(rod: Rod, rods: Sequence[Rod]) -> list[Rod]:
    """Return the clips on a rod's cable."""
    return [clip for clip in rods if clip.cable_of == rod.name]


def _clips(rods: Sequence[Rod]) -> dict[str, list[Rod]]:
    return {rod.name: clips_of(rod, rods) for rod in rods}


def _in_force(rod: Rod, moment: datetime) -> Setting:
    begun = [setting for setting in rod.settings if not before(moment, setting.since)]
    return begun[-1] if begun else rod.settings[0]


def _towed(
    pairs: Sequence[tuple[Rod, Setting]], clips: dict[str, list[Rod]], boat: Boat, limits: Limits
) -> list[TowedRod]:
    """Resolve rods in their settings, all at once."""
    rods = [rod for rod, _ in pairs]
    line = line_of(rods, [clips[rod.name] for rod in rods])
    most_m = np.array([rod.tackle.most_line_m for rod in rods])
    speed = boat.troll_speed_mps
    wanted = np.array([np.nan if setting.depth_m is None else setting.depth_m for _, setting in pairs])
    fixed = np.array(
        [rod.setback_m if rod.kind == "flat line" else setting.cable_out_m or np.nan for rod, setting in pairs]
    )
    by_depth = ~np.isnan(wanted)
    found = cable_for_depth(line, np.where(by_depth, wanted, 1.0), speed, most_m)
    cable_m = np.where(by_depth, found.cable_out_m, fixed)
    flat = by_depth & (np.isnan(cable_m) | (found.angle_rad > FLATTEST_USEFUL_RAD))
    if flat.any():
        index = int(np.flatnonzero(flat)[0])
        raise _too_deep(rods[index], float(wanted[index]), clips[rods[index].name], speed)
    hung = hang(line, cable_m, speed)
    return [
        TowedRod(
            rod=rod,
            cable_out_m=float(hung.cable_out_m[index]),
            depth_m=float(hung.depth_m[index]),
            layback_m=float(hung.layback_m[index]),
            cable_angle_rad=float(hung.angle_rad[index]),
            slow_depth_m=float(hung.depth_m[index]),
            stop_depth_m=float(hung.cable_out_m[index]),
            radius_needed_m=_radius_needed_m(rod, float(hung.layback_m[index]), limits),
        )
        for index, rod in enumerate(rods)
    ]


def _clipped(rod: Rod, carrier: TowedRod, clips: dict[str, list[Rod]], boat: Boat, limits: Limits) -> TowedRod:
    """Resolve a clip some way up another rod's cable."""
    if rod.above_m >= carrier.cable_out_m:
        raise NoPlanError(
            f"Clip '{rod.name}' sits {rod.above_m:.1f} m above the ball, and only {carrier.cable_out_m:.1f} m is out.",
            remedies=["a clip nearer the ball", "a greater depth"],
        )
    line = line_of([carrier.rod], [clips[carrier.rod.name]])
    depth, layback = point_above(line, carrier.cable_out_m, boat.troll_speed_mps, rod.above_m)
    return TowedRod(
        rod=rod,
        cable_out_m=carrier.cable_out_m - rod.above_m,
        depth_m=float(depth[0]),
        layback_m=float(layback[0]),
        cable_angle_rad=carrier.cable_angle_rad,
        slow_depth_m=float(depth[0]),
        stop_depth_m=carrier.cable_out_m - rod.above_m,
        radius_needed_m=_radius_needed_m(rod, float(layback[0]), limits),
    )


def _radius_needed_m(rod: Rod, layback_m: float, limits: Limits) -> float:
    behind_m = 0.0 if rod.kind == "flat line" else rod.setback_m
    return hypot(layback_m, behind_m) / sqrt(1.0 - limits.lure_speed_floor**2) + rod.reach_m


def _too_deep(rod: Rod, depth_m: float, clips: Sequence[Rod], speed_mps: float) -> NoPlanError:
    """Return the error that says how deep a rod can fish and what would let it fish where it is asked to."""

    def reach_m(one: Rod, speed: float) -> float:
        most = np.array([one.tackle.most_line_m])
        return float(deepest(line_of([one], [clips]), speed, most, flattest_rad=FLATTEST_USEFUL_RAD).depth_m[0])

    remedies = []
    for share in _SLOWER:
        if reach_m(rod, speed_mps * share) >= depth_m:
            remedies.append(f"trolling at {speed_mps * share * 3600 / 1852:.1f} kn or slower")
            break
    for times in _HEAVIER:
        # the same shape, so that drag grows with the two-thirds power of the weight
        heavier = replace(
            rod.tackle, weight_n=rod.tackle.weight_n * times, drag_area_m2=rod.tackle.drag_area_m2 * times ** (2 / 3)
        )
        if reach_m(replace(rod, tackle=heavier), speed_mps) >= depth_m:
            remedies.append(f"a ball {times:g} times as heavy")
            break
    deepest_m = reach_m(rod, speed_mps)
    return NoPlanError(
        f"Rod '{rod.name}' cannot fish {depth_m:.1f} m ({depth_m / 0.3048:.0f} ft) deep at this speed.",
        [f"{deepest_m:.1f} m ({deepest_m / 0.3048:.0f} ft) is the deepest its cable reaches before it lies too flat"],
        [*remedies, "a lesser depth"],
    )
