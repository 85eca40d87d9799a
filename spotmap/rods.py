"""Rods of a trip file: what hangs on them, how deep and when, and the clips on their cables."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import datetime, time, timedelta
from math import pi
from typing import Any, Literal

from layers._errors import InputError
from layers.tables import Table
from layers.units import parse_quantity
from spotmap.cable import SEA_WATER_KG_M3, SMOOTH_LINE_DRAG
from spotmap.clock import before, later
from spotmap.model import Rod, Setting, Side, Tackle

LEAD_KG_M3 = 11_340.0
"""Density of lead (CRC handbook value, from memory)."""
STEEL_KG_M3 = 7_900.0
"""Density of stainless steel (CRC handbook value, from memory)."""
NYLON_KG_M3 = 1_140.0
"""Density of nylon line (handbook value, from memory)."""
GRAVITY_M_S2 = 9.80665
"""Standard gravity (ISO 80000-3)."""
SPHERE_DRAG = 0.5
"""Drag coefficient of a ball below the critical Reynolds number (Hoerner, Fluid-Dynamic Drag, 1965: 0.4 to 0.5)."""
CABLE_DIAMETER_M = 0.0009
"""Downrigger cable of 150 lb class (common practice, no source)."""
STRAND_FILL = 0.75
"""Share of a stranded cable's circle that is steel (common practice, no source)."""
FLAT_LINE_DIAMETER_M = 0.00045
"""Monofilament of 20 to 25 lb class (common practice, no source)."""
SKIN_DRAG = 0.01
"""Tangential drag coefficient of a cable (Hoerner 1965, from memory: 0.01 and less)."""
REEL_M = 122.0
"""400 ft of cable on a downrigger's reel (common practice, no source)."""
FLASHER_WIDTH_SHARE = 0.3
FLASHER_DRAG = 0.6
"""A turning flasher shows its flat side half of the time: half of a plate's 1.2 (common practice, no source)."""
_LEAST_M = 0.05
_MOST_M = 1000.0
_MOST_STEPS = 500


@dataclass(frozen=True)
class Day:
    """The clock that ladders are read against: the trip's start, its end, and first light (civil dawn)."""

    start: datetime
    end: datetime
    first_light: datetime | None


def read_rods(table: Table, day: Day) -> Iterator[Rod]:
    """Yield the rod of a [[rod]] table and the clips on its cable; problems are noted in the table.

    Parameters
    ----------
    table
        One [[rod]] table.
    day
        The day's clock.
    """
    kind = table.text("kind", choices=("downrigger", "flat line"))
    flat = kind == "flat line"
    setback_m = table.quantity("setback", "length", minimum=_LEAST_M if flat else 0.0)
    rod = Rod(
        name=table.text("name"),
        kind="flat line" if flat else "downrigger",
        side=_side(table),
        reach_m=table.quantity("reach", "length", 0.0, minimum=0.0),
        setback_m=setback_m,
        tackle=_tackle(table, setback_m, flat=flat),
        settings=_flat_setting(table, day) if flat else _settings(table, day),
    )
    yield rod
    for clip in table.tables("clip"):
        if flat:
            clip.problem("above", "a flat line has no cable to clip to.", "Give the clip to a downrigger.")
        yield _clip(clip, rod)
    table.done()


def _side(table: Table) -> Side:
    sides: dict[str, Side] = {"port": "port", "starboard": "starboard", "stern": "stern"}
    return sides[table.text("side", choices=tuple(sides))]


def _tackle(table: Table, setback_m: float, *, flat: bool) -> Tackle:
    kind = "flat line" if flat else "downrigger"
    weight, wrong = ("sinker", "ball") if flat else ("ball", "sinker")
    if table.has(wrong):
        table.problem(wrong, f"a {kind} has a {weight}, not a {wrong}.", f"Write {weight} instead.")
    mass_kg = table.quantity(weight, "mass", minimum=0.001)
    usual = bare_tackle(mass_kg, flat=flat)
    wide_m = table.quantity("ball_diameter", "length", _ball_diameter_m(mass_kg), minimum=0.001)
    weight_n = _ball_weight_n(mass_kg, wide_m)
    if weight_n <= 0.0:
        table.problem(weight, "is lighter than the water it pushes aside and floats.", "Give a heavier or smaller one.")
        weight_n = usual.weight_n
    body_drag_m2 = table.number("ball_drag", SPHERE_DRAG, low=0.05, high=2.0) * pi * wide_m**2 / 4.0
    fill = 1.0 if flat else STRAND_FILL
    diameter_m = table.quantity("line_diameter", "length", usual.line_diameter_m, minimum=1e-5)
    line_kg_m = table.quantity("line_100m", "mass", 100.0 * _line_kg_m(diameter_m, flat=flat), minimum=0.0) / 100.0
    return Tackle(
        weight_n=weight_n,
        drag_area_m2=body_drag_m2 + _lure_drag_area_m2(table, setback_m),
        line_diameter_m=diameter_m,
        line_weight_n_per_m=_line_weight_n_per_m(line_kg_m, diameter_m, fill),
        normal_drag=table.number("normal_drag", usual.normal_drag, low=0.1, high=3.0),
        tangential_drag=table.number("tangential_drag", usual.tangential_drag, low=0.0, high=0.2),
        most_line_m=setback_m if flat else table.quantity("reel", "length", usual.most_line_m, minimum=1.0),
    )


def bare_tackle(mass_kg: float, *, flat: bool) -> Tackle:
    """Return a lead ball on downrigger cable, or a sinker on a flat line, as they are where a trip says no more."""
    wide_m = _ball_diameter_m(mass_kg)
    diameter_m = FLAT_LINE_DIAMETER_M if flat else CABLE_DIAMETER_M
    line_kg_m = _line_kg_m(diameter_m, flat=flat)
    return Tackle(
        weight_n=_ball_weight_n(mass_kg, wide_m),
        drag_area_m2=SPHERE_DRAG * pi * wide_m**2 / 4.0,
        line_diameter_m=diameter_m,
        line_weight_n_per_m=_line_weight_n_per_m(line_kg_m, diameter_m, 1.0 if flat else STRAND_FILL),
        normal_drag=SMOOTH_LINE_DRAG,
        tangential_drag=SKIN_DRAG,
        most_line_m=REEL_M,
    )


def _ball_diameter_m(mass_kg: float) -> float:
    return float((6.0 * mass_kg / (pi * LEAD_KG_M3)) ** (1.0 / 3.0))


def _ball_weight_n(mass_kg: float, wide_m: float) -> float:
    return GRAVITY_M_S2 * (mass_kg - SEA_WATER_KG_M3 * pi * wide_m**3 / 6.0)


def _line_kg_m(diameter_m: float, *, flat: bool) -> float:
    return pi * diameter_m**2 / 4.0 * (NYLON_KG_M3 if flat else STEEL_KG_M3 * STRAND_FILL)


def _line_weight_n_per_m(mass_kg_per_m: float, diameter_m: float, fill: float) -> float:
    pushed_aside = SEA_WATER_KG_M3 * fill * pi * diameter_m**2 / 4.0
    return GRAVITY_M_S2 * max(mass_kg_per_m - pushed_aside, 0.0)


def _lure_drag_area_m2(table: Table, setback_m: float) -> float:
    """Return C_D·A of what is towed at the clip: a flasher and a leader, where they are given."""
    flasher_m = table.quantity("flasher", "length", 0.0, minimum=0.0)
    leader_m = table.quantity("leader_diameter", "length", 0.0, minimum=0.0)
    return FLASHER_DRAG * FLASHER_WIDTH_SHARE * flasher_m**2 + SKIN_DRAG * pi * leader_m * setback_m


def _flat_setting(table: Table, day: Day) -> tuple[Setting, ...]:
    for key in ("depth", "cable_out", "ladder", "cycle"):
        if table.has(key):
            table.problem(key, "a flat line's depth follows from its setback and sinker.", "Leave this key out.")
    return (Setting(day.start, None, None),)


def _settings(table: Table, day: Day) -> tuple[Setting, ...]:
    given = [key for key in ("depth", "cable_out", "ladder", "cycle") if table.has(key)]
    if len(given) != 1:
        found = " and ".join(given) or "none of them"
        table.problem(
            given[0] if given else "depth",
            f"a downrigger wants one of depth, cable_out, ladder and cycle; there is {found}.",
            'Write one, as depth = "60 ft".',
        )
        return (Setting(day.start, 10.0, None),)
    reel_m = table.reading("reel", lambda value, where: parse_quantity(value, "length", where), REEL_M)
    settings: tuple[Setting, ...] = ()
    if given == ["ladder"]:
        settings = _ladder(table, day)
    elif given == ["cycle"]:
        settings = _cycle(table.table("cycle"), day)
    else:
        value_m = table.quantity(given[0], "length", minimum=_LEAST_M)
        by_depth = given == ["depth"]
        settings = (Setting(day.start, value_m if by_depth else None, None if by_depth else value_m),)
    for setting in settings:
        asked_m = setting.depth_m if setting.depth_m is not None else setting.cable_out_m or 0.0
        if asked_m > reel_m:
            table.problem(given[0], "asks for more than the cable on the reel.", "Give the reel's cable as reel.")
            break
    return settings


def _ladder(table: Table, day: Day) -> tuple[Setting, ...]:
    """Read [[rod.ladder]] steps: each with its depth and a clock time, or a time since first light."""
    steps = []
    for step in table.tables("ladder"):
        depth_m = step.quantity("depth", "length", minimum=_LEAST_M)
        if step.has("at") == step.has("after"):
            step.problem("at", "a step wants either at or after.", 'Write at = "06:30", or after = "60 min".')
        since = day.start
        if step.has("at"):
            since = step.reading("at", lambda value, where: _clock(value, where, day), day.start)
        elif step.has("after"):
            after_s = step.quantity("after", "time", minimum=0.0)
            if day.first_light is None:
                step.problem("after", "there is no first light on this date at home.", "Give clock times with at.")
            else:
                # nobody sets a rod by the second
                since = later(day.first_light, timedelta(seconds=after_s)).replace(second=0, microsecond=0)
        step.done()
        steps.append(Setting(since, depth_m, None))
    steps.sort(key=lambda one: one.since.timestamp())
    if not steps:
        table.problem("ladder", "has no steps.", "Write each as [[rod.ladder]].")
        return (Setting(day.start, 10.0, None),)
    # the step in force at the start begins with it; later ones follow
    begun = [one for one in steps if not before(day.start, one.since)][-1:] or [steps[0]]
    following = [
        one for one in steps if before(day.start, one.since) and before(one.since, day.end) and one is not begun[0]
    ]
    return (replace(begun[0], since=day.start), *following)


def _clock(value: Any, where: str, day: Day) -> datetime:
    try:
        clock = value if isinstance(value, time) else time.fromisoformat(str(value))
    except ValueError:
        raise InputError.one(where, f"{value!r} is not a clock time.", 'Write it as "06:30".') from None
    moment = day.start.replace(hour=clock.hour, minute=clock.minute, second=0, microsecond=0)
    # on a trip across midnight a time before the start may be on the next day
    tomorrow = moment + timedelta(days=1)
    return tomorrow if before(moment, day.start) and before(tomorrow, day.end) else moment


def _cycle(table: Table, day: Day) -> tuple[Setting, ...]:
    """Read a cycle: from one depth to another and back, in steps, each held for some minutes."""
    low_m = table.quantity("from", "length", minimum=_LEAST_M)
    high_m = table.quantity("to", "length", minimum=_LEAST_M)
    step_m = table.quantity("step", "length", minimum=_LEAST_M)
    every_s = table.quantity("every", "time", minimum=60.0)
    table.done()
    if not (0.0 < step_m <= abs(high_m - low_m)) or every_s <= 0.0:
        table.problem("step", "does not lead from one depth to the other.", "Give two depths and a smaller step.")
        return (Setting(day.start, max(low_m, _LEAST_M), None),)
    rungs = int(abs(high_m - low_m) / step_m + 1e-9)
    sign = 1.0 if high_m > low_m else -1.0
    settings: list[Setting] = []
    while len(settings) < _MOST_STEPS:
        count = len(settings)
        since = later(day.start, timedelta(seconds=every_s * count))
        if since >= day.end and settings:
            break
        place = count % (2 * rungs)
        rung = place if place <= rungs else 2 * rungs - place
        settings.append(Setting(since, low_m + sign * rung * step_m, None))
    return tuple(settings)


def _clip(table: Table, rod: Rod) -> Rod:
    setback_m = table.quantity("setback", "length", minimum=0.0)
    kind: Literal["downrigger"] = "downrigger"
    clip = replace(
        rod,
        name=table.text("name"),
        kind=kind,
        setback_m=setback_m,
        tackle=replace(rod.tackle, drag_area_m2=_lure_drag_area_m2(table, setback_m)),
        settings=(Setting(rod.settings[0].since, None, None),),
        cable_of=rod.name,
        above_m=table.quantity("above", "length", minimum=_LEAST_M),
    )
    table.done()
    return clip
