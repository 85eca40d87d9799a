"""Rods on the day: what each is set to, where its gear hangs, and the turning radius it asks for."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from math import degrees, hypot, sqrt

import numpy as np
import pytest

from spotmap._errors import NoPlanError
from spotmap.cable import hang
from spotmap.gear import (
    beside_m,
    deepest_gear_m,
    inside_m,
    line_of,
    raised,
    rig_steps,
    steps_in,
    turning_radius,
    with_setback,
)
from spotmap.model import Boat, Limits, Rod, Setting, Tackle, TowedRod

FT, KN = 0.3048, 1852.0 / 3600.0
START = datetime(2026, 8, 14, 5, 30, tzinfo=UTC)
BOAT = Boat(2.7 * KN, 18 * KN, 12.0, 1.0, None, None)
LIMITS = Limits(0.75, 3.0, 50.0, 60.0, 0.8, 1.8)
BALL = Tackle(48.5, 0.0037, 0.0009, 0.03, 1.2, 0.01, 122.0)
SINKER = Tackle(0.886, 0.00026, 0.00045, 0.0, 1.2, 0.01, 60 * FT)


def rigger(setback_ft: float = 25.0, depth_ft: float = 60.0, **changes: object) -> Rod:
    rod = Rod("rigger", "downrigger", "port", 6 * FT, setback_ft * FT, BALL, (Setting(START, depth_ft * FT, None),))
    return replace(rod, **changes)  # type: ignore[arg-type]


def only(rod: Rod, boat: Boat = BOAT) -> TowedRod:
    (step,) = rig_steps([rod], boat, LIMITS)
    return step.rods[0]


def test_turning_radius_follows_the_chain_of_trailers() -> None:
    rod = only(rigger())
    radius = turning_radius([rigger()], BOAT, LIMITS)
    assert radius.radius_m == pytest.approx(hypot(rod.layback_m, 25 * FT) / sqrt(1 - 0.75**2) + 6 * FT, rel=1e-12)
    # on that circle the lure of a rod without reach runs at exactly the floor's share of the boat's speed
    boat_circle = radius.radius_m - 6 * FT
    lure_circle = sqrt(boat_circle**2 - rod.layback_m**2 - (25 * FT) ** 2)
    assert lure_circle / boat_circle == pytest.approx(0.75, rel=1e-12)


def test_longer_setback_wants_a_wider_turn_and_the_table_says_what_shorter_ones_buy() -> None:
    short, long = (turning_radius([rigger(feet)], BOAT, LIMITS) for feet in (25.0, 60.0))
    assert long.radius_m > short.radius_m > BOAT.turn_radius_m
    assert long.decided_by == "rigger"
    radii = [one.radius_m for one in long.setbacks]
    assert radii == sorted(radii, reverse=True)
    assert radii[0] == long.radius_m
    quarter = long.setbacks[-1]
    assert quarter.setback_m == pytest.approx(15 * FT)
    assert quarter.radius_m == pytest.approx(turning_radius([rigger(15.0)], BOAT, LIMITS).radius_m)
    # source: Dubins 1957, the turn back along the same line
    assert quarter.turn_m == pytest.approx(7 * np.pi / 3 * quarter.radius_m)


def test_flat_line_counts_its_layback_alone_and_the_hull_can_decide() -> None:
    flat = Rod("flat", "flat line", "stern", 0.0, 60 * FT, SINKER, (Setting(START, None, None),))
    towed = only(flat)
    assert towed.radius_needed_m == pytest.approx(towed.layback_m / sqrt(1 - 0.75**2))
    # common practice, no source: 3 to 4 oz at 60 to 65 ft fishes the upper 20 ft
    assert 8 * FT < towed.depth_m < 20 * FT
    wide = turning_radius([flat], replace(BOAT, turn_radius_m=200.0), LIMITS)
    assert (wide.radius_m, wide.decided_by) == (200.0, "the hull")


def test_cable_angle_when_trolled_fast() -> None:
    # common practice, no source: 40 to 45 degrees
    rod = rigger(settings=(Setting(START, None, 100 * FT),))
    assert 40 <= degrees(only(rod, replace(BOAT, troll_speed_mps=3.0 * KN)).cable_angle_rad) <= 45


def test_a_slowed_ball_sinks_by_what_its_own_circle_leaves_of_the_speed() -> None:
    radius = turning_radius([rigger()], BOAT, LIMITS)
    (one,) = radius.rods
    left = sqrt((radius.radius_m - 6 * FT) ** 2 - one.layback_m**2) / radius.radius_m
    slowed = hang(line_of([one.rod], [[]]), one.cable_out_m, left * BOAT.troll_speed_mps)
    assert one.slow_depth_m == pytest.approx(float(slowed.depth_m[0]), rel=1e-6)
    assert one.depth_m < one.slow_depth_m < one.stop_depth_m == pytest.approx(one.cable_out_m)
    assert deepest_gear_m(radius.steps, slowed=True) == one.slow_depth_m
    assert beside_m(radius) == pytest.approx(6 * FT)
    lure = sqrt((radius.radius_m - 6 * FT) ** 2 - one.layback_m**2 - (25 * FT) ** 2)
    assert inside_m(radius) == pytest.approx(radius.radius_m - lure)


def test_depth_that_no_useful_cable_reaches_says_how_deep_and_what_would_help() -> None:
    light = replace(BALL, weight_n=9.0, drag_area_m2=0.0012)
    with pytest.raises(NoPlanError, match="cannot fish") as failure:
        rig_steps([rigger(depth_ft=300.0, tackle=light)], BOAT, LIMITS)
    assert "deepest" in failure.value.reasons[0]
    with pytest.raises(NoPlanError) as failure:
        rig_steps([rigger(depth_ft=95.0, tackle=light)], BOAT, LIMITS)
    assert any("kn or slower" in remedy for remedy in failure.value.remedies)
    assert any("times as heavy" in remedy for remedy in failure.value.remedies)


def test_a_ladder_sets_the_rig_anew_and_the_widest_setting_decides() -> None:
    later = START + timedelta(hours=1)
    rod = rigger(settings=(Setting(START, 20 * FT, None), Setting(later, 70 * FT, None)))
    radius = turning_radius([rod], BOAT, LIMITS)
    assert [step.since for step in radius.steps] == [START, later]
    assert [round(step.rods[0].depth_m / FT) for step in radius.steps] == [20, 70]
    assert round(radius.rods[0].depth_m / FT) == 70
    assert radius.radius_m == pytest.approx(radius.steps[1].rods[0].radius_needed_m)
    assert steps_in(radius, START, later - timedelta(seconds=1)) == radius.steps[:1]
    assert steps_in(radius, START, later) == radius.steps
    assert steps_in(radius, later + timedelta(minutes=5), later + timedelta(hours=1)) == radius.steps[1:]


def test_a_clip_on_the_cable_fishes_above_its_ball_and_hangs_less_far_back() -> None:
    clip = replace(
        rigger(15.0), name="clip", cable_of="rigger", above_m=20 * FT, settings=(Setting(START, None, None),)
    )
    (step,) = rig_steps([rigger(), clip], BOAT, LIMITS)
    ball, above = step.rods
    assert above.depth_m < ball.depth_m
    assert above.layback_m < ball.layback_m
    assert hypot(ball.depth_m - above.depth_m, ball.layback_m - above.layback_m) == pytest.approx(20 * FT, rel=0.01)
    with pytest.raises(NoPlanError, match="sits"):
        rig_steps([rigger(depth_ft=15.0), clip], BOAT, LIMITS)


def test_rods_can_be_shortened_and_raised() -> None:
    short, flat = with_setback(
        [rigger(60.0), Rod("flat", "flat line", "stern", 0.0, 60 * FT, SINKER, (Setting(START, None, None),))], 30 * FT
    )
    assert short.setback_m == flat.setback_m == flat.tackle.most_line_m == pytest.approx(30 * FT)
    clip = replace(rigger(), name="clip", cable_of="rigger", above_m=3.0)
    up, same = raised([rigger(), clip], {"clip": 2.0})
    assert up.settings[0].depth_m == pytest.approx(60 * FT - 2.0)
    assert same is clip
