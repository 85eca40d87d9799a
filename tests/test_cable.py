"""The towed cable against closed forms, published and given values, and other people's code."""

from __future__ import annotations

from time import perf_counter

import numpy as np
import numpy.testing as npt
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from spotmap.cable import (
    FASTEST_TOW_MPS,
    SEA_WATER_KG_M3,
    SMOOTH_LINE_DRAG,
    STRANDED_LINE_DRAG,
    TowedLine,
    cable_for_depth,
    deepest,
    hang,
    point_above,
    speed_from_angle,
)

FT, KN, LB, OZ = 0.3048, 1852.0 / 3600.0, 0.45359237, 0.45359237 / 16
GRAVITY, LEAD = 9.80665, 11_340.0
WIRE_M, MONOFILAMENT_M = 0.0009, 0.00045


def lead_on(diameter_m: float, mass_kg: float | np.ndarray, normal_drag: float = SMOOTH_LINE_DRAG) -> TowedLine:
    """Return a lead sphere (drag coefficient 0.5) on a cable without weight."""
    radius_m = (3.0 * mass_kg / (4.0 * np.pi * LEAD)) ** (1 / 3)
    weight_n = mass_kg * GRAVITY * (1.0 - SEA_WATER_KG_M3 / LEAD)
    return TowedLine(weight_n, 0.5 * np.pi * radius_m**2, diameter_m, 0.0, normal_drag, 0.0)


def pulled(weight_n: float, drag_n: float, speed_mps: float, **cable: float) -> TowedLine:
    """Return a body with this drag in newtons at this speed."""
    area_m2 = drag_n / (0.5 * SEA_WATER_KG_M3 * speed_mps**2)
    usual = {"diameter_m": WIRE_M, "line_weight_n_per_m": 0.0, "normal_drag": 1.2, "tangential_drag": 0.0}
    return TowedLine(weight_n, area_m2, **{**usual, **cable})


def test_a_hundred_feet_behind_lead_balls() -> None:
    # source: Pode's equations (DTMB 687, 1951) integrated and in closed form, as given in the project's check values
    hung = hang(lead_on(WIRE_M, np.array([12, 15, 10]) * LB), 100 * FT, np.array([3.0, 3.5, 2.0]) * KN)
    npt.assert_allclose(hung.depth_m / FT, [88.4, 86.4, 96.1], atol=0.06)
    npt.assert_allclose(hung.layback_m / FT, [42.8, 46.5, 25.0], atol=0.06)
    npt.assert_allclose(np.degrees(hung.angle_rad), [42.5, 45.4, 25.9], atol=0.06)


def test_sixty_metres_behind_light_weights() -> None:
    # source: the project's check values, "towed line, normal drag only"
    speed = 1.5433
    assert 0.5 * SEA_WATER_KG_M3 * 1.2 * WIRE_M * speed**2 == pytest.approx(1.318312, abs=1e-6)
    hung = [hang(pulled(weight, drag, speed), 60.0, speed) for weight, drag in [(40.0, 5.0), (20.0, 2.0)]]
    npt.assert_allclose([one.depth_m for one in hung], [41.5031, 30.5451], rtol=2e-5)
    npt.assert_allclose([one.layback_m for one in hung], [39.9534, 48.0630], rtol=2e-5)
    assert float(hung[0].tension_n) == pytest.approx(40.31, abs=0.005)
    assert np.degrees(hung[1].angle_rad) == pytest.approx(76.0818, abs=1e-3)


def test_the_unit_cable_hangs_at_45_degrees() -> None:
    # source: the project's check values; asinh 1 and √2 − 1
    weight_n = 0.5 * SEA_WATER_KG_M3 * 1.2 * WIRE_M
    hung = hang(pulled(weight_n, 0.0, 1.0), 1.0, 1.0)
    npt.assert_allclose([np.degrees(hung.angle_rad), hung.depth_m, hung.layback_m], [45, 0.881374, 0.414214], rtol=2e-5)


@pytest.mark.parametrize(("ratio", "from_horizontal_deg"), [(0.5, 38.6683), (1.0, 51.8273), (2.0, 65.5302)])
@pytest.mark.parametrize("drag_n", [0.0, 30.0], ids=["from the vertical", "from flatter than critical"])
def test_a_long_heavy_cable_tends_to_the_critical_angle(
    ratio: float, from_horizontal_deg: float, drag_n: float
) -> None:
    # source: the project's check values: cos φ = −q/2 + √(1 + q²/4), φ from the horizontal
    line_weight = ratio * 0.5 * SEA_WATER_KG_M3 * 1.2 * WIRE_M * 1.5**2
    hung = hang(pulled(1.0, drag_n, 1.5, line_weight_n_per_m=line_weight), 20_000.0, 1.5)
    assert 90.0 - np.degrees(hung.angle_rad) == pytest.approx(from_horizontal_deg, abs=0.001)


def test_twelve_pounds_hang_as_fast_trolled_gear_does() -> None:
    # common practice, no source: 40 to 45° from the vertical at the surface when trolled fast
    angle = np.degrees(hang(lead_on(WIRE_M, 12 * LB), 100 * FT, 3.0 * KN).angle_rad)
    assert 40.0 < angle < 45.0


def test_a_flat_line_fishes_the_upper_twenty_feet() -> None:
    # common practice, no source: 3 to 4 oz ahead of the lure, 60 to 65 ft back
    ounces, feet, knots = np.meshgrid([3.0, 4.0], [60.0, 65.0], [2.5, 3.0, 3.5])
    depth_ft = hang(lead_on(MONOFILAMENT_M, ounces * OZ), feet * FT, knots * KN).depth_m / FT
    assert np.all((depth_ft > 2.0) & (depth_ft < 20.0))


def test_a_stranded_cable_lies_flatter_than_a_smooth_one() -> None:
    # source: the project's check values: stranded about 1.5, smooth cylinder 1.2
    assert (SMOOTH_LINE_DRAG, STRANDED_LINE_DRAG) == (1.2, 1.5)
    stranded = hang(lead_on(WIRE_M, 12 * LB, STRANDED_LINE_DRAG), 100 * FT, 3 * KN)
    assert stranded.depth_m < hang(lead_on(WIRE_M, 12 * LB), 100 * FT, 3 * KN).depth_m


def test_without_weight_the_cable_is_a_catenary_on_its_side() -> None:
    # source: closed form of Pode's equations with w = Cₜ = 0; down to 5 g of lead on 100 m of thick line
    mass, cable, speed = np.meshgrid([0.005, 0.1, 2.0, 9.0], [1.0, 30.0, 100.0], [0.5, 1.5, 3.0])
    line = lead_on(0.0012, mass)
    drag_n = 0.5 * SEA_WATER_KG_M3 * line.drag_area_m2 * speed**2
    bend = np.hypot(line.weight_n, drag_n) / (0.5 * SEA_WATER_KG_M3 * 1.2 * 0.0012 * speed**2)
    low = drag_n / line.weight_n
    high = low + cable / bend
    hung = hang(line, cable, speed)
    npt.assert_allclose(hung.depth_m, bend * (np.arcsinh(high) - np.arcsinh(low)), rtol=1e-4)
    npt.assert_allclose(hung.layback_m, bend * (np.hypot(1, high) - np.hypot(1, low)), rtol=1e-4)
    npt.assert_allclose(np.tan(hung.angle_rad), high, rtol=1e-4)
    npt.assert_allclose(hung.tension_n, np.hypot(line.weight_n, drag_n), rtol=1e-4)


def test_at_rest_it_hangs_straight() -> None:
    line = TowedLine(40.0, 0.005, WIRE_M, 0.03, 1.5, 0.02, np.array([5.0]), np.array([0.01]))
    hung = hang(line, [0.0, 20.0, 60.0], 0.0)
    npt.assert_allclose(hung.depth_m, [0.0, 20.0, 60.0])
    npt.assert_array_equal(hung.layback_m, 0.0)
    npt.assert_array_equal(hung.angle_rad, 0.0)
    npt.assert_allclose(hung.tension_n, [40.0, 40.6, 41.8])


@pytest.mark.parametrize(("weight_n", "line_weight"), [(5.0, 0.2), (1.0, 0.5), (2.0, 3.0)])
def test_without_flow_on_the_cable_it_is_the_hanging_catenary(weight_n: float, line_weight: float) -> None:
    # source: moorpy's catenary (National Renewable Energy Laboratory) and the closed form; a cable of no diameter feels
    # no flow, and the body's drag is the force that holds its end aside
    side_n, cable_m = 12.0, 40.0
    hung = hang(pulled(weight_n, side_n, 1.0, diameter_m=0.0, line_weight_n_per_m=line_weight), cable_m, 1.0)
    top_n = weight_n + line_weight * cable_m
    depth_m = (np.hypot(side_n, top_n) - np.hypot(side_n, weight_n)) / line_weight
    layback_m = side_n / line_weight * (np.arcsinh(top_n / side_n) - np.arcsinh(weight_n / side_n))
    npt.assert_allclose([hung.depth_m, hung.layback_m], [depth_m, layback_m], rtol=1e-4)

    catenary = pytest.importorskip("moorpy.Catenary").catenary
    low_back, low_up, high_back, high_up, _ = catenary(
        float(hung.layback_m), float(hung.depth_m), cable_m, 1e9, line_weight, CB=-1e3
    )
    npt.assert_allclose([abs(low_back), abs(high_back)], side_n, rtol=0.002)
    npt.assert_allclose([abs(low_up), abs(high_up)], [weight_n, top_n], rtol=0.002)


def by_solve_ivp(line: TowedLine, cable_m: float, speed: float) -> tuple[float, float, float, float]:
    """Return depth, layback, angle and tension of one cable, in angle and tension as the equations are printed."""
    pressure = 0.5 * SEA_WATER_KG_M3 * speed**2
    normal = pressure * line.normal_drag * line.diameter_m
    along = pressure * np.pi * line.tangential_drag * line.diameter_m
    weight = line.line_weight_n_per_m

    def rates(_: float, state: np.ndarray) -> list[float]:
        angle, tension = state[:2]
        return [
            (normal * np.cos(angle) ** 2 - weight * np.sin(angle)) / tension,
            weight * np.cos(angle) + along * np.sin(angle) ** 2,
            np.cos(angle),
            np.sin(angle),
        ]

    drag_n = pressure * line.drag_area_m2
    state = np.array([np.arctan2(drag_n, line.weight_n), np.hypot(drag_n, line.weight_n), 0.0, 0.0])
    done_m = 0.0
    for above_m, area_m2 in sorted(zip(line.clip_above_m, line.clip_drag_area_m2, strict=True)):
        if above_m >= cable_m:
            break
        state = solve_ivp(rates, (done_m, above_m), state, method="LSODA", rtol=1e-9, atol=1e-11).y[:, -1]
        back, up = state[1] * np.sin(state[0]) + pressure * area_m2, state[1] * np.cos(state[0])
        state[:2] = np.arctan2(back, up), np.hypot(back, up)
        done_m = above_m
    angle, tension, depth, layback = solve_ivp(
        rates, (done_m, cable_m), state, method="LSODA", rtol=1e-9, atol=1e-11
    ).y[:, -1]
    return depth, layback, angle, tension


def test_random_cables_agree_with_an_integrator_of_other_make() -> None:
    # source: scipy's solve_ivp (LSODA) on the equations in angle and tension
    random = np.random.default_rng(3)
    count = 60
    line = TowedLine(
        weight_n=10 ** random.uniform(-1.0, 2.2, count),
        drag_area_m2=10 ** random.uniform(-4.5, -2.0, count),
        diameter_m=10 ** random.uniform(-3.6, -2.6, count),
        line_weight_n_per_m=random.choice([0.0, 0.002, 0.03, 0.3, 1.0], count),
        normal_drag=random.uniform(1.0, 2.0, count),
        tangential_drag=random.choice([0.0, 0.01, 0.05], count),
        clip_above_m=random.uniform(0.0, 100.0, (count, 3)),
        clip_drag_area_m2=10 ** random.uniform(-4.0, -2.3, (count, 3)) * random.integers(0, 2, (count, 3)),
    )
    cable, speed = random.uniform(2.0, 120.0, count), random.uniform(0.2, 4.0, count)
    wanted = np.array(
        [
            by_solve_ivp(TowedLine(*(value[index] for value in vars(line).values())), cable[index], speed[index])
            for index in range(count)
        ]
    ).T
    hung = hang(line, cable, speed)
    npt.assert_allclose([hung.depth_m, hung.layback_m, hung.angle_rad, hung.tension_n], wanted, rtol=2e-4)


lines = st.builds(
    TowedLine,
    weight_n=st.floats(0.5, 150.0),
    drag_area_m2=st.floats(0.0, 0.02),
    diameter_m=st.floats(0.0002, 0.003),
    line_weight_n_per_m=st.sampled_from([0.0, 0.01, 0.2]),
    normal_drag=st.floats(1.0, 2.0),
    tangential_drag=st.sampled_from([0.0, 0.01, 0.05]),
    clip_above_m=st.lists(st.floats(0.0, 60.0), min_size=2, max_size=2).map(np.array),
    clip_drag_area_m2=st.lists(st.sampled_from([0.0, 0.0005, 0.003]), min_size=2, max_size=2).map(np.array),
)
speeds = st.floats(0.1, 5.0)


@settings(max_examples=60, deadline=None)
@given(lines, speeds)
def test_more_cable_is_deeper_and_further_back_and_never_longer_than_itself(line: TowedLine, speed: float) -> None:
    cable = np.linspace(0.0, 100.0, 41)
    hung = hang(line, cable, speed)
    assert np.all(np.diff(hung.depth_m) > 0.0)
    assert np.all(np.diff(hung.layback_m) > 0.0)
    assert np.all(np.hypot(hung.depth_m, hung.layback_m) <= cable * (1.0 + 1e-12))


@settings(max_examples=60, deadline=None)
@given(lines, st.floats(1.0, 100.0))
def test_faster_is_shallower_and_flatter(line: TowedLine, cable: float) -> None:
    hung = hang(line, cable, np.linspace(0.1, 5.0, 30))
    assert np.all(np.diff(hung.depth_m) < 0.0)
    assert np.all(np.diff(hung.angle_rad) > 0.0)


@settings(max_examples=60, deadline=None)
# a strip of a body on a long thick cable: a plain secant in a bracket crawls here
@example(TowedLine(0.2, 0.00094, 0.0025, 0.0, 1.2, 0.01), 72.4, 1.9243)
@given(lines, st.floats(0.5, 100.0), st.floats(0.05, 0.999 * FASTEST_TOW_MPS))
def test_the_angle_tells_the_speed(line: TowedLine, cable: float, speed: float) -> None:
    angle = hang(line, cable, speed).angle_rad
    assert float(speed_from_angle(line, cable, angle)) == pytest.approx(speed, rel=1e-6)


@settings(max_examples=60, deadline=None)
@given(lines, st.floats(0.0, 99.0), speeds, st.floats(0.0, 40.0))
def test_cable_for_depth_undoes_hang(line: TowedLine, cable: float, speed: float, above: float) -> None:
    body = hang(line, cable, speed)
    found = cable_for_depth(line, body.depth_m, speed, 100.0)
    npt.assert_allclose(
        [found.cable_out_m, found.depth_m, found.layback_m],
        [body.cable_out_m, body.depth_m, body.layback_m],
        rtol=1e-6,
        atol=1e-9,
    )
    clip_m, _ = point_above(line, cable, speed, above)
    of_clip = cable_for_depth(line, clip_m, speed, 100.0, above_m=above).cable_out_m
    npt.assert_allclose(of_clip, cable if above <= cable else np.nan, rtol=1e-6, atol=1e-9)


def test_a_depth_beyond_the_reel_has_no_cable() -> None:
    line = lead_on(WIRE_M, 4 * LB)
    limit = deepest(line, 2.0, 80.0)
    assert float(limit.cable_out_m) == pytest.approx(80.0)
    assert float(limit.depth_m) == pytest.approx(float(hang(line, 80.0, 2.0).depth_m))
    found = cable_for_depth(line, limit.depth_m + np.array([-0.01, 0.01, -200.0, np.nan]), 2.0, 80.0)
    assert np.isnan(found.cable_out_m).tolist() == [False, True, True, True]
    assert np.isnan(found.depth_m).tolist() == [False, True, True, True]


def test_the_deepest_useful_depth_stops_at_the_flattest_angle() -> None:
    flattest = np.radians(70.0)
    line, speed = lead_on(WIRE_M, np.array([4.0, 40.0]) * LB), 2.0
    limit = deepest(line, speed, 80.0, flattest_rad=flattest)
    drag_n = 0.5 * SEA_WATER_KG_M3 * line.drag_area_m2 * speed**2
    bend = np.hypot(line.weight_n, drag_n) / (0.5 * SEA_WATER_KG_M3 * 1.2 * WIRE_M * speed**2)
    # source: the closed form; the heavier ball has the whole reel out before its cable lies as flat
    low = drag_n / line.weight_n
    npt.assert_allclose(limit.cable_out_m, np.minimum(bend * (np.tan(flattest) - low), 80.0), rtol=1e-4)
    assert float(limit.angle_rad[0]) == pytest.approx(flattest, rel=1e-6)
    assert limit.angle_rad[1] < flattest
    clip = TowedLine(line.weight_n[0], 0.0, WIRE_M, 0.0, 1.2, 0.0, np.array([10.0]), np.array([0.05]))
    assert float(deepest(clip, speed, 80.0, flattest_rad=flattest).cable_out_m) == pytest.approx(10.0)
    kite = pulled(1.0, 5.0, 2.0)
    assert float(deepest(kite, 2.0, 80.0, flattest_rad=flattest).cable_out_m) == 0.0


def test_a_clip_pulls_where_it_sits_and_only_when_it_is_in_the_water() -> None:
    bare = lead_on(WIRE_M, 12 * LB)
    with_clips = TowedLine(*list(vars(bare).values())[:6], np.array([15.0, 6.0]), np.array([0.0, 0.004]))
    before, after = hang(bare, [5.0, 6.0, 6.01], 1.5), hang(with_clips, [5.0, 6.0, 6.01], 1.5)
    npt.assert_allclose(after.angle_rad[:2], before.angle_rad[:2], rtol=1e-12)
    pull_n = 0.5 * SEA_WATER_KG_M3 * 0.004 * 1.5**2
    # the pull of the clip is all that is added to what pulls back on the cable
    back_n = [one.tension_n[2] * np.sin(one.angle_rad[2]) for one in (before, after)]
    assert back_n[1] - back_n[0] == pytest.approx(pull_n, rel=1e-3)
    depth, layback = point_above(with_clips, 30.0, 1.5, [0.0, 6.0, 30.0, 31.0])
    body = hang(with_clips, 30.0, 1.5)
    npt.assert_allclose([depth[0], layback[0]], [body.depth_m, body.layback_m])
    assert 0.0 < body.depth_m - depth[1] < 6.0
    npt.assert_allclose([depth[2], layback[2]], 0.0, atol=1e-9)
    assert np.isnan(depth[3])
    assert np.isnan(layback[3])


def test_angles_that_no_speed_gives() -> None:
    line = lead_on(WIRE_M, 12 * LB)
    told = speed_from_angle(line, [[20.0], [40.0]], np.radians([-5.0, 0.0, 40.0, 89.0, 90.0, 120.0]))
    assert told.shape == (2, 6)
    npt.assert_array_equal(told[:, 1], 0.0)
    npt.assert_allclose(hang(line, [20.0, 40.0], told[:, 2]).angle_rad, np.radians(40.0), rtol=1e-9)
    assert np.isnan(told[:, [0, 3, 4, 5]]).all()


def test_thirty_rods_at_twenty_speeds_are_quick() -> None:
    line = lead_on(WIRE_M, np.linspace(2.0, 20.0, 30)[:, None] * LB)
    speed = np.linspace(0.0, 3.0, 20)
    hang(line, 40.0, speed)
    began = perf_counter()
    hung = hang(line, 40.0, speed)
    assert perf_counter() - began < 0.05  # a few milliseconds; loose for a busy machine
    assert hung.depth_m.shape == hung.cable_out_m.shape == hung.tension_n.shape == (30, 20)


def test_what_is_unknown_stays_unknown() -> None:
    hung = hang(lead_on(WIRE_M, 12 * LB), [np.nan, 30.0, 30.0], [1.0, np.nan, 1.0])
    for value in vars(hung).values():
        assert np.isnan(value[:2]).tolist()[0]
    assert np.isnan(hung.depth_m).tolist() == [True, True, False]


def test_a_body_that_floats_is_no_weight() -> None:
    with pytest.raises(ValueError, match="weight_n must be above zero"):
        TowedLine(np.array([40.0, 0.0]), 0.005, WIRE_M, 0.0, 1.2, 0.0)
    with pytest.raises(ValueError, match="line_weight_n_per_m must not be below zero"):
        TowedLine(40.0, 0.005, WIRE_M, -0.001, 1.2, 0.0)
