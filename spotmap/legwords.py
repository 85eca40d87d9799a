"""The words on a leg of the map: its badge, its strip, its card, and what its lures do."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from layers.units import format_quantity, to_unit
from spotmap.momentwords import short_time

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from layers.model import Area, FloatArray
    from spotmap.model import LureTrack, Plan, TimedLeg

Row = tuple[str, str]


@dataclass(frozen=True)
class LegWords:
    """What is said of one leg: on its badge, in the strip below the map (two lines) and on its card."""

    title: str
    start: str
    badge: str
    brief: tuple[str, str]
    rows: tuple[Row, ...]


def near_words(area: Area, length_m: float) -> str:
    """Return a short length in metres or, where depth is shown in feet or fathoms, in feet."""
    return format_quantity(length_m, "m" if area.show.depth == "m" else "ft", 0)


def leg_words(plan: Plan, leg: TimedLeg, under_m: FloatArray) -> LegWords:
    """Return what is said of a leg.

    Parameters
    ----------
    plan
        The plan that the leg belongs to.
    leg
        One of its legs.
    under_m
        Charted depth under the leg's vertices, metres, NaN where unknown.

    Returns
    -------
    LegWords
        Times in the area's clock, courses with T (true) and M (magnetic), quantities in the shown units.

    """
    show, track = plan.area.show, leg.leg
    clock = plan.area.timezone
    day = plan.trip.start.astimezone(clock)
    start, end = (short_time(when.astimezone(clock), day) for when in (leg.start, leg.end))
    course = _course(leg.course_start_true_deg, leg.course_start_magnetic_deg)
    ends_on = _course(leg.course_end_true_deg, leg.course_end_magnetic_deg)
    length = format_quantity(leg.length_m, show.distance, 2)
    speed = format_quantity(leg.speed_mps, show.speed, 1)
    depth = _under(plan, leg, under_m)
    rows = [
        ("Time", f"{start} to {end}"),
        ("Course", f"{course}, ending on {ends_on}"),
        *_headings(plan, leg),
        ("Length and speed", f"{length} at {speed}" + ("" if track.current_mps is None else " over the ground, mean")),
        ("Charted depth under", depth),
    ]
    if track.depth_line_m is not None and track.kind == "pass":
        rows.append(("Depth line", format_quantity(track.depth_line_m, show.depth, 0)))
    if track.off_line is not None:
        rows.append(("Off the line", f"95 % of it within {near_words(plan.area, track.off_line.p95_m)}"))
    if leg.fuel_l is not None:
        rows.append(("Fuel", format_quantity(leg.fuel_l, fuel_unit(plan.area), 1)))
    if track.note:
        rows.append(("Note", track.note))
    kind = f"turn to {track.turn_side}" if track.kind == "turn" and track.turn_side else track.kind
    title = f"{leg.seq}. {kind}" + (f", {track.label}" if track.label else "")
    badge = f"{leg.seq} · {start}" if track.kind != "turn" else str(leg.seq)
    return LegWords(
        title,
        start,
        badge,
        (f"{start} · {course}", f"{length} · {speed} · {depth}"),
        tuple(rows),
    )


def lure_words(plan: Plan, tracks: Sequence[LureTrack]) -> str:
    """Return what is said of a rod's lure on legs where it does the same: the legs, its depth, its slowest speed.

    The speed is a share of trolling speed, which the page says once.
    """
    labels = {leg.seq: leg.leg.label for leg in plan.legs}
    legs = " · ".join(labels[track.seq] for track in tracks)
    unit = plan.area.show.depth
    low, high = (
        f"{to_unit(far, unit):.0f}"
        for far in (min(track.depth_min_m for track in tracks), max(track.depth_max_m for track in tracks))
    )
    depth = f"{high} {unit}" if low == high else f"{low} to {high} {unit}"
    slowest = min((track.slowest_mps for track in tracks if not math.isnan(track.slowest_mps)), default=math.nan)
    speed = "gear going down" if math.isnan(slowest) else f"slowest {share_of_troll(plan, slowest)}"
    return f"{legs}: {depth}, {speed}"


def _under(plan: Plan, leg: TimedLeg, under_m: FloatArray) -> str:
    unit = plan.area.show.depth
    off = leg.leg.off_line
    if off is not None:
        low, mean, high = off.depth_min_m, off.depth_mean_m, off.depth_max_m
    else:
        known = under_m[np.isfinite(under_m)]
        if not known.size:
            return "unknown"
        low, mean, high = float(known.min()), float(known.mean()), float(known.max())
    if leg.leg.kind == "run":
        unknown = " where charted" if np.isnan(under_m).any() else ""
        return f"at least {math.floor(to_unit(low, unit))} {unit}{unknown}"
    return depth_span(mean, low, high, unit)


def depth_span(mean_m: float, low_m: float, high_m: float, unit: str) -> str:
    """Return a mean depth and the depths that it lies between, in a unit."""
    low, high = math.floor(to_unit(low_m, unit)), math.ceil(to_unit(high_m, unit))
    return f"{format_quantity(mean_m, unit, 0)} ({low} to {high} {unit})"


def _headings(plan: Plan, leg: TimedLeg) -> Iterator[Row]:
    """Yield the heading through the water at a leg's start and end, where it was planned in moving water."""
    track = leg.leg
    if track.clock_s is None or track.current_mps is None:
        return
    took = np.diff(track.clock_s)
    moving = np.flatnonzero((took > 0.0) & (np.diff(track.xy, axis=0) != 0.0).any(axis=1))
    said = []
    for step in moving[[0, -1]]:
        ground = (track.xy[step + 1] - track.xy[step]) / took[step]
        east, north = ground - (track.current_mps[step] + track.current_mps[step + 1]) / 2
        x, y = track.xy[step]
        true = float(plan.area.projection.true_course_deg(x, y, math.atan2(north, east)))
        said.append(_course(true, true - plan.magnetic_variation_deg))
    yield "Heading through the water", f"{said[0]}, ending on {said[1]}"


def _course(true_deg: float, magnetic_deg: float) -> str:
    return f"{round(true_deg) % 360:03d}° T, {round(magnetic_deg) % 360:03d}° M"


def share_of_troll(plan: Plan, speed_mps: float) -> str:
    """Return a speed as a share of trolling speed."""
    return f"{speed_mps / plan.trip.boat.troll_speed_mps:.0%}"


def fuel_unit(area: Area) -> str:
    """Return the unit that an area's people buy fuel in."""
    return "L" if area.show.depth == "m" else "gal"
