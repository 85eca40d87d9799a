"""The pulled chain against closed forms, against a plain loop and against a far finer rule."""

from __future__ import annotations

from itertools import pairwise
from math import atan, atan2, cos, degrees, exp, hypot, pi, sin, sqrt, tan
from time import process_time

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from spotmap.chain import Chain, pull, resampled, speeds

KNOT = 1852.0 / 3600.0
STEP_M = 1.4


def chain(*links, reach_m=0.0):
    return Chain(length_m=np.array([links], dtype=float), reach_m=np.array([reach_m]))


def steered(bends_per_m, step_m=STEP_M):
    """Return the places of a boat that alters course at every step by a curvature, from the origin, eastward."""
    headings = np.cumsum(np.asarray(bends_per_m) * step_m)
    moves = step_m * np.column_stack([np.cos(headings), np.sin(headings)])
    return np.concatenate([np.zeros((1, 2)), np.cumsum(moves, axis=0)])


def circle(radius_m, turns, step_m=STEP_M):
    angle = np.arange(0.0, turns * 2.0 * pi, step_m / radius_m)
    return radius_m * np.column_stack([np.sin(angle), -np.cos(angle)])


def trolled(steps, seed, tightest_m):
    """Return a made-up morning: passes that wriggle, turns to either side, some of them tightest."""
    random = np.random.default_rng(seed)
    bends = []
    while len(bends) < steps:
        bends += list(0.01 * np.sin(np.arange(random.integers(30, 300)) / random.uniform(5.0, 40.0)))
        bends += [random.choice([-1.0, 1.0]) / (tightest_m * random.uniform(1.0, 4.0))] * int(random.integers(10, 90))
    return steered(bends[:steps])


def one_by_one(leader, length_m):
    """Return where a link's end goes, step by step and by angles: the plain way, with no pieces."""
    (x, y), ends = leader[0], [leader[0]]
    for (x0, y0), (x1, y1), before, now in zip(leader[:-1], leader[1:], length_m[:-1], length_m[1:], strict=True):
        if now < before and hypot(x - x0, y - y0) > now:
            towards = atan2(y - y0, x - x0)
            x, y = x0 + now * cos(towards), y0 + now * sin(towards)
        if hypot(x - x1, y - y1) > now:
            course, way = atan2(y1 - y0, x1 - x0), hypot(x1 - x0, y1 - y0)
            back = atan2(y - y0, x - x0) - course
            distance = hypot(x - x0, y - y0)
            free = distance * cos(back) + sqrt(max(now**2 - (distance * sin(back)) ** 2, 0.0))
            left = min(max(free, 0.0), way)
            off = atan2(distance * sin(back), left - distance * cos(back))
            angle = 2.0 * atan(tan(off / 2.0) * exp(-(way - left) / now))
            x, y = x1 - now * cos(course - angle), y1 - now * sin(course - angle)
        ends.append((x, y))
    return np.array(ends)


def dragged(leader, length_m, parts):
    """Return where a link's end goes by the first-order rule on each step cut into parts: haul in what is too far."""
    end, ends = leader[0].copy(), [leader[0]]
    for start, goal in pairwise(leader):
        for part in range(1, parts + 1):
            place = start + (goal - start) * part / parts
            away = end - place
            end = place + away * min(1.0, length_m / max(hypot(*away), 1e-12))
        ends.append(end)
    return np.array(ends)


@pytest.mark.parametrize(
    ("links", "lure_m"),
    # source: geometry of the tractrix, √(R² − L₁² − L₂²), to a tenth of a metre
    [((25.0, 7.6), 54.0), ((25.0, 18.3), 51.4)],
)
def test_steady_turn(links, lure_m):
    ends = pull(circle(60.0, 6), chain(*links)).ends[-1, 0]
    ball, lure = np.hypot(ends[:, 0], ends[:, 1])
    assert ball == pytest.approx(sqrt(60.0**2 - links[0] ** 2), rel=0.002)
    assert lure == pytest.approx(sqrt(60.0**2 - links[0] ** 2 - links[1] ** 2), rel=0.002)
    assert lure == pytest.approx(lure_m, abs=0.06)


def test_steady_turn_scales_every_speed_with_its_radius():
    pulled = pull(circle(60.0, 6), chain(25.0, 18.3))
    boat, lure = speeds(pulled.tips, 1.0)[-20], speeds(pulled.ends, 1.0)[-20, 0, 1]
    # source: geometry of the tractrix of a circle
    assert lure / boat[0] == pytest.approx(51.4 / 60.0, abs=0.001)


@pytest.mark.parametrize("side", [1.0, -1.0])
def test_reach_sets_the_circle_of_the_tip(side):
    pulled = pull(circle(40.0, 6), chain(15.0, 8.0, reach_m=side * 4.0))
    assert np.hypot(*pulled.tips[50, 0]) == pytest.approx(40.0 - side * 4.0, rel=1e-6)
    assert np.hypot(*pulled.ends[-2, 0, 1]) == pytest.approx(
        sqrt((40.0 - side * 4.0) ** 2 - 15.0**2 - 8.0**2), rel=2e-3
    )


@pytest.mark.parametrize("steps", [1, 7, 50])
def test_square_corner(steps):
    length = 10.0
    before = np.column_stack([np.arange(-40.0, 1.0), np.zeros(41)])
    after = np.column_stack([np.zeros(steps), length * np.arange(1, steps + 1) / steps])
    track = np.concatenate([before, after])
    pulled = pull(track, chain(length))
    along = pulled.tips[-1, 0] - pulled.ends[-1, 0, 0]
    # source: tractrix, 2 atan(1/e); exact whatever the step
    assert 90.0 - degrees(atan2(along[1], along[0])) == pytest.approx(40.3951, abs=1e-4)


@pytest.mark.parametrize("seed", [1, 2])
def test_pieces_give_what_the_plain_loop_gives(seed):
    track = trolled(6000, seed, tightest_m=8.0)
    random = np.random.default_rng(seed)
    lengths = np.repeat(random.uniform(3.0, 20.0, (8, 3, 2)), 751, axis=0)[: len(track)]
    lengths[:, 2, 1] = 0.0
    pulled = pull(track, Chain(lengths, np.array([-3.0, 0.5, 2.0])))
    for rod in range(3):
        leader = pulled.tips[:, rod]
        for link in range(2):
            expected = leader if lengths[0, rod, link] == 0.0 else one_by_one(leader, lengths[:, rod, link])
            np.testing.assert_allclose(pulled.ends[:, rod, link], expected, atol=1e-4)
            leader = pulled.ends[:, rod, link]


def test_far_finer_first_order_rule_agrees():
    track = trolled(150, 5, tightest_m=12.0)
    pulled = pull(track, chain(9.0, 6.0))
    ball = dragged(track, 9.0, 200)
    np.testing.assert_allclose(pulled.ends[:, 0, 0], ball, atol=0.02)
    np.testing.assert_allclose(pulled.ends[:, 0, 1], dragged(pulled.ends[:, 0, 0], 6.0, 200), atol=0.02)


def test_gear_winds_in_and_comes_out_again():
    straight = np.zeros(60)
    bends = np.concatenate([straight, np.full(200, 1.0 / 12.0), np.zeros(300)])
    pulled = pull(steered(bends), chain(25.0, 18.3))
    assert np.isfinite(pulled.ends).all()
    speed = speeds(pulled.ends, 1.0)[:, 0]
    assert speed[250].max() < 0.01
    assert speed[-20] == pytest.approx([STEP_M, STEP_M], rel=1e-4)


def test_hours_of_circling_too_tight_stay_finite():
    pulled = pull(circle(9.0, 300), chain(12.0, 7.0))
    assert np.isfinite(pulled.ends).all()
    assert np.hypot(*pulled.ends[-1, 0, 1]) < 19.0


def test_everything_waits_at_the_tip_until_its_link_is_taut():
    track = np.column_stack([np.arange(41.0), np.zeros(41)])
    ends = pull(track, chain(10.0, 5.0)).ends[:, 0, :, 0]
    np.testing.assert_allclose(ends[:, 0], np.maximum(np.arange(41.0) - 10.0, 0.0))
    np.testing.assert_allclose(ends[:, 1], np.maximum(np.arange(41.0) - 15.0, 0.0))


def test_line_let_out_and_hauled_in():
    track = np.column_stack([np.arange(101.0), np.zeros(101)])
    lengths = np.full((101, 1, 1), 10.0)
    lengths[40:] = 20.0
    lengths[80:] = 5.0
    ends = pull(track, Chain(lengths, np.zeros(1))).ends[:, 0, 0, 0]
    np.testing.assert_allclose(ends[39:50], 29.0)
    np.testing.assert_allclose(ends[50:80], np.arange(50.0, 80.0) - 20.0)
    np.testing.assert_allclose(ends[80:], np.arange(80.0, 101.0) - 5.0)


def test_link_that_is_not_there_ends_where_the_one_before_does():
    pulled = pull(trolled(900, 3, tightest_m=15.0), chain(14.0, 0.0))
    np.testing.assert_array_equal(pulled.ends[:, 0, 1], pulled.ends[:, 0, 0])


def test_boat_that_stands_keeps_its_heading():
    track = np.array([[0.0, 0.0], [0.0, 2.0], [0.0, 4.0], [0.0, 4.0], [0.0, 4.0], [0.0, 4.0]])
    pulled = pull(track, chain(3.0, reach_m=1.0))
    np.testing.assert_allclose(pulled.tips[-1, 0], [-1.0, 4.0], atol=1e-12)
    np.testing.assert_allclose(pulled.ends[-1, 0, 0], [-1.0, 1.0], atol=1e-12)


def test_given_heading_places_the_tip():
    track = np.column_stack([np.arange(3.0), np.zeros(3)])
    tips = pull(track, chain(1.0, reach_m=2.0), heading_rad=np.full(3, pi / 2.0)).tips
    np.testing.assert_allclose(tips[:, 0] - track, [[-2.0, 0.0]] * 3, atol=1e-12)


def test_six_hours_of_eight_rods_are_quick():
    track = trolled(21_600, 4, tightest_m=25.0)
    lengths = np.column_stack([np.linspace(5.0, 13.0, 8), np.linspace(7.0, 18.0, 8)])
    began = process_time()
    pulled = pull(track, Chain(lengths, np.linspace(-4.0, 4.0, 8)))
    assert process_time() - began < 0.8
    assert np.isfinite(pulled.ends).all()


LENGTH = st.floats(0.5, 30.0)
BENDS = st.lists(st.floats(-0.3, 0.3), min_size=1, max_size=120)


@given(LENGTH, LENGTH, st.floats(-6.0, 6.0), st.floats(0.1, 5.0))
@settings(max_examples=60, deadline=None)
def test_lure_never_outruns_a_straight_boat(ball_m, lure_m, reach_m, step_m):
    steps = int((ball_m + lure_m) / step_m) + 3
    pulled = pull(steered(np.zeros(steps), step_m), chain(ball_m, lure_m, reach_m=reach_m))
    moved = np.hypot(*np.diff(pulled.ends[:, 0, 1], axis=0).T)
    assert moved.max() <= step_m + 1e-9
    assert moved[-1] == pytest.approx(step_m, rel=1e-9)


@given(BENDS, LENGTH, LENGTH)
@example([0.3] * 60, 30.0, 0.5)
@settings(max_examples=80, deadline=None)
def test_no_link_stretches_and_no_end_outruns_its_leader(bends, ball_m, lure_m):
    pulled = pull(steered(bends), chain(ball_m, lure_m))
    leaders = np.stack([pulled.tips[:, 0], pulled.ends[:, 0, 0]], axis=1)
    gaps = np.hypot(*np.moveaxis(leaders - pulled.ends[:, 0], -1, 0))
    assert (gaps <= np.array([ball_m, lure_m]) + 1e-5).all()
    led, followed = (np.hypot(*np.moveaxis(np.diff(way, axis=0), -1, 0)) for way in (leaders, pulled.ends[:, 0]))
    assert (followed <= led + 1e-5).all()


@given(BENDS, LENGTH, LENGTH, st.floats(-6.0, 6.0))
@settings(max_examples=60, deadline=None)
def test_mirrored_turns_give_mirrored_tracks(bends, ball_m, lure_m, reach_m):
    ours = pull(steered(bends), chain(ball_m, lure_m, reach_m=reach_m))
    theirs = pull(steered(-np.array(bends)), chain(ball_m, lure_m, reach_m=-reach_m))
    np.testing.assert_allclose(theirs.ends * [1.0, -1.0], ours.ends, atol=1e-5)


@given(st.floats(0.3, 3.0), st.floats(0.1, 1.0), st.integers(1, 400))
@settings(max_examples=60, deadline=None)
def test_resampled_is_even_and_falls_short_by_less_than_a_step(speed_mps, step_s, steps):
    step_m = speed_mps * step_s
    track = np.array([[5.0, 7.0], [5.0 + step_m * steps, 7.0]])
    times, places = resampled(track, speed_mps, step_s)
    assert len(places) == steps + 1
    np.testing.assert_array_equal(places[0], track[0])
    np.testing.assert_allclose(np.diff(places[:, 0]), step_m, rtol=1e-6)
    np.testing.assert_allclose(np.diff(times), step_s, rtol=1e-9)
    cut = resampled(track - [[0.0, 0.0], [0.4 * step_m, 0.0]], speed_mps, step_s)[1]
    assert len(cut) == steps


def test_speed_of_a_turning_boat():
    # source: 2.7 kn by definition of the knot, 1852 m an hour
    places = resampled(circle(35.0, 1, step_m=0.05), 2.7 * KNOT, 1.0)[1]
    np.testing.assert_allclose(speeds(places, 1.0), 2.7 * KNOT, rtol=1e-3)
