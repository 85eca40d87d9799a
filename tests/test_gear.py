"""Gear against published equations and worked cases."""

from __future__ import annotations

from dataclasses import replace
from math import atan2, cos, degrees, hypot, sin, sqrt

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from spotmap._errors import NoPlanError
from spotmap.gear import (
    CABLE_DIAMETER_M,
    CABLE_NORMAL_DRAG,
    FLAT_LINE_DIAMETER_M,
    SEA_WATER_KG_M3,
    hang_by_cable,
    hang_by_depth,
    tow,
    turning_radius,
)
from spotmap.model import Boat, Limits, Rod

FT, KN, LB, OZ = 0.3048, 1852.0 / 3600.0, 0.45359237, 0.45359237 / 16
BOAT = Boat(2.7 * KN, 18 * KN, 12.0, 1.0, None, None)
LIMITS = Limits(0.75, 3.0, 50.0, 60.0, 0.8)


def rigger(setback_ft: float = 25.0, depth_ft: float | None = 60.0, **changes: object) -> Rod:
    rod = Rod("rigger", "downrigger", "port", 6 * FT, setback_ft * FT, 12 * LB, None, None, CABLE_DIAMETER_M)
    return replace(rod, depth_m=None if depth_ft is None else depth_ft * FT, **changes)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("ball_lb", "speed_kn", "depth_ft", "layback_ft", "angle_deg"),
    # source: Pode's equations (DTMB 687, 1951) integrated and in closed form, as given in the project's check values
    [(12, 3.0, 88.4, 42.8, 42.5), (15, 3.5, 86.4, 46.5, 45.4), (10, 2.0, 96.1, 25.0, 25.9)],
)
def test_worked_cases_of_a_ball_on_100_ft(
    ball_lb: float, speed_kn: float, depth_ft: float, layback_ft: float, angle_deg: float
) -> None:
    hung = hang_by_cable(100 * FT, ball_lb * LB, 0.0009, speed_kn * KN)
    assert hung.depth_m / FT == pytest.approx(depth_ft, abs=0.06)
    assert hung.layback_m / FT == pytest.approx(layback_ft, abs=0.06)
    assert degrees(hung.angle_rad) == pytest.approx(angle_deg, abs=0.06)


def test_fast_trolled_cable_hangs_back_40_to_45_degrees() -> None:
    # common practice, no source
    assert 40 <= degrees(hang_by_cable(100 * FT, 12 * LB, 0.0009, 3.0 * KN).angle_rad) <= 45


def test_flat_line_fishes_the_upper_20_ft() -> None:
    # common practice, no source: 3 to 4 oz, 60 to 65 ft back
    for ounces in (3.0, 4.0):
        hung = hang_by_cable(62 * FT, ounces * OZ, FLAT_LINE_DIAMETER_M, BOAT.troll_speed_mps)
        assert 8 * FT < hung.depth_m < 20 * FT


def test_closed_form_agrees_with_the_differential_equation() -> None:
    weight_kg, speed, length = 12 * LB, 3.0 * KN, 30.0
    told = hang_by_cable(length, weight_kg, CABLE_DIAMETER_M, speed)
    rod = tow(rigger(depth_ft=None, cable_out_m=length), speed, 0.75)
    per_m = 0.5 * SEA_WATER_KG_M3 * CABLE_NORMAL_DRAG * CABLE_DIAMETER_M * speed**2
    drag = 0.5 * SEA_WATER_KG_M3 * rod.drag_area_m2 * speed**2
    tension = hypot(drag, rod.weight_n)
    solved = solve_ivp(
        lambda _, y: [per_m * cos(y[0]) ** 2 / tension, cos(y[0]), sin(y[0])],
        (0.0, length),
        [atan2(drag, rod.weight_n), 0.0, 0.0],
        rtol=1e-9,
        atol=1e-9,
    ).y[:, -1]
    assert (told.angle_rad, told.depth_m, told.layback_m) == pytest.approx(tuple(solved), rel=1e-6)


@given(st.floats(1.0, 60.0), st.floats(0.05, 10.0), st.floats(0.0003, 0.003), st.floats(0.5, 3.0))
def test_depth_and_cable_are_inverse_and_no_line_is_longer_than_itself(
    cable_m: float, weight_kg: float, diameter_m: float, speed: float
) -> None:
    hung = hang_by_cable(cable_m, weight_kg, diameter_m, speed)
    assert hypot(hung.depth_m, hung.layback_m) <= cable_m * (1 + 1e-9)
    assert hang_by_depth(hung.depth_m, weight_kg, diameter_m, speed).cable_out_m == pytest.approx(cable_m, rel=1e-6)
    deeper = hang_by_cable(cable_m * 1.1, weight_kg, diameter_m, speed)
    assert deeper.depth_m > hung.depth_m
    assert deeper.layback_m > hung.layback_m
    assert hang_by_cable(cable_m, weight_kg, diameter_m, speed * 1.1).depth_m < hung.depth_m


def test_turning_radius_follows_the_chain_of_trailers() -> None:
    rod = tow(rigger(), BOAT.troll_speed_mps, 0.75)
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
    radii = [radius_m for _, radius_m in long.shorter]
    assert radii == sorted(radii, reverse=True)
    assert radii[0] < long.radius_m
    quarter_m, radius_m = long.shorter[-1]
    assert quarter_m == pytest.approx(15 * FT)
    assert radius_m == pytest.approx(turning_radius([rigger(15.0)], BOAT, LIMITS).radius_m)


def test_flat_line_counts_its_layback_alone_and_the_hull_can_decide() -> None:
    flat = Rod("flat", "flat line", "stern", 0.0, 60 * FT, 3.5 * OZ, None, None, FLAT_LINE_DIAMETER_M)
    towed = tow(flat, BOAT.troll_speed_mps, 0.75)
    assert towed.radius_needed_m == pytest.approx(towed.layback_m / sqrt(1 - 0.75**2))
    wide = turning_radius([flat], replace(BOAT, turn_radius_m=200.0), LIMITS)
    assert (wide.radius_m, wide.decided_by) == (200.0, "the hull")


def test_depth_that_no_useful_cable_reaches_is_refused() -> None:
    with pytest.raises(NoPlanError, match="cannot fish"):
        tow(rigger(depth_ft=400.0, weight_kg=1.0), BOAT.troll_speed_mps, 0.75)
