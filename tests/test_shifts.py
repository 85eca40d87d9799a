"""Work cut by the clock into times of one pattern, and the minutes that either pattern gives."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from itertools import pairwise

import numpy as np
import pytest
from shapely import LineString, Point

from layers.model import FloatArray
from spotmap.model import Boat, Limits, PatternName, Work
from spotmap.moving import Flow, bend_factor
from spotmap.shifts import Shift, loop_below_mps, minutes_per_hour, shifts_of, strongest_mps
from tests.moving_water import BOAT, HOUR_S, KN, LIMITS, NM, turning, uniform

V = BOAT.troll_speed_mps
LINE = LineString([(0.0, 0.0), (1000.0, 0.0)])
LOOK_S = 300.0
DAY = (0.0, 12.0 * HOUR_S)


def work(pattern: PatternName = "loop") -> Work:
    return Work(pattern, 30.0, None, Point(0, 0), "here", 1000.0, timedelta(hours=12), None)


def tidal(most_mps: float, half_period_h: float = 6.0) -> Flow:
    """Slack at hour 0, most at a quarter of the period; along the line."""

    def flow(xy: FloatArray, time_s: FloatArray) -> FloatArray:
        speed = most_mps * np.sin(np.pi * time_s / (half_period_h * HOUR_S))
        return np.column_stack([speed + 0.0 * xy[:, 0], np.zeros(len(xy))])

    return flow


def shifts(flow: Flow, pattern: PatternName = "loop", *, limits: Limits = LIMITS, boat: Boat = BOAT) -> list[Shift]:
    return list(shifts_of(work(pattern), LINE, DAY, boat, limits, flow))


def test_the_pattern_changes_where_the_current_passes_the_limit() -> None:
    most = 2.5 * KN
    found = shifts(tidal(most))
    assert [one.pattern for one in found] == ["loop", "one-way", "loop", "one-way", "loop"]
    assert (found[0].since_s, found[-1].until_s) == DAY
    assert all(before.until_s == after.since_s for before, after in pairwise(found))
    # by hand: 1.5 kn of 2.5 are reached asin(0.6) into the half circle
    after_slack_s = 6.0 * HOUR_S * np.arcsin(0.6) / np.pi
    crossings = [after_slack_s, 6 * HOUR_S - after_slack_s, 6 * HOUR_S + after_slack_s, 12 * HOUR_S - after_slack_s]
    for before, crossing in zip(found, crossings, strict=False):
        # never late in the rising current, never early in the falling one
        late = before.until_s - crossing if before.pattern == "loop" else crossing - before.until_s
        assert -2.0 * LOOK_S <= late <= 0.0, crossing
    for one in found:
        times = np.linspace(one.since_s, one.until_s, 500)
        strongest = np.abs(most * np.sin(np.pi * times / (6 * HOUR_S))).max()
        assert one.strongest_mps == pytest.approx(strongest, abs=0.01)
        if one.pattern == "loop":
            assert strongest < LIMITS.strong_current_mps


def test_a_limit_of_the_skippers_own_moves_the_change() -> None:
    until = [
        shifts(tidal(2.5 * KN), limits=replace(LIMITS, strong_current_mps=knots * KN))[0].until_s
        for knots in (0.8, 1.0, 2.0)
    ]
    for knots, found in zip((0.8, 1.0, 2.0), until, strict=True):
        assert found == pytest.approx(6.0 * HOUR_S * np.arcsin(knots / 2.5) / np.pi, abs=2 * LOOK_S)
    assert until == sorted(set(until))


def test_a_slack_too_short_for_a_lap_is_worked_one_way() -> None:
    lap_s = 2.0 * LINE.length / V
    # the current runs through zero so fast that it is weak for less than a lap
    weak_s = 0.6 * lap_s

    def quick(xy: FloatArray, time_s: FloatArray) -> FloatArray:
        speed = (time_s - 6.0 * HOUR_S) / (0.5 * weak_s) * LIMITS.strong_current_mps
        return np.column_stack([np.clip(speed, -1.2, 1.2) + 0.0 * xy[:, 0], np.zeros(len(xy))])

    (one,) = shifts(quick)
    assert one.pattern == "one-way"
    weak_s = 2.0 * lap_s
    assert [one.pattern for one in shifts(quick)] == ["one-way", "loop", "one-way"]


@pytest.mark.parametrize("flow", [uniform(0.0, 0.0), uniform(0.2, 0.0), tidal(2.5 * KN), uniform(1.2, 0.0)])
def test_one_way_asked_stays_one_way(flow: Flow) -> None:
    (one,) = shifts(flow, "one-way")
    assert one.pattern == "one-way"
    assert (one.since_s, one.until_s) == DAY


@pytest.mark.parametrize("pattern", ["loop", "weave"])
@pytest.mark.parametrize(
    ("strong", "knots", "stays"), [(1.5, 1.3, True), (1.5, 1.55, False), (3.0, 2.1, True), (3.0, 2.25, False)]
)
def test_a_loop_is_bound_by_the_limit_and_by_half_a_knot_over_the_ground(
    pattern: PatternName, strong: float, knots: float, stays: bool
) -> None:
    limits = replace(LIMITS, strong_current_mps=strong * KN)
    bound = min(strong, 2.7 - 0.5) * KN
    assert bound - 0.03 < loop_below_mps(BOAT, limits) <= bound
    (one,) = shifts(uniform(knots * KN, 0.0), pattern, limits=limits)
    assert one.pattern == (pattern if stays else "one-way")


@pytest.mark.parametrize("seed", range(10))
def test_bends_are_as_wide_as_any_course_along_the_line_wants(seed: int) -> None:
    rng = np.random.default_rng(seed)
    s = np.linspace(0.0, 1500.0, 200)
    angle, across_mps = rng.uniform(0, 2 * np.pi), rng.uniform(0.1, 0.6)
    x, y = s, 60.0 * np.sin(s / 200.0)
    xy = np.column_stack([x * np.cos(angle) - y * np.sin(angle), x * np.sin(angle) + y * np.cos(angle)])
    flow = turning(across_mps, 20_000.0, angle)
    found = shifts_of(work(), LineString(xy), (0.0, 4 * HOUR_S), BOAT, LIMITS, flow)
    course = np.gradient(xy, axis=0)
    course /= np.hypot(*course.T)[:, None]
    for one in found:
        # a loop is laid so that its way out goes with the current; both ways must serve
        for time_s in np.linspace(one.since_s, one.until_s, 30):
            current = flow(xy, np.full(len(xy), time_s))
            forward, back = (bend_factor(way, V, current).max() for way in (course, -course))
            assert one.bend_forward >= forward - 0.02
            assert one.bend_back >= back - 0.02
        assert min(one.bend_forward, one.bend_back) >= 1.0
        # and no wider than the strongest current could want, a step more
        assert max(one.bend_forward, one.bend_back) <= 1.03 * (1.0 + across_mps / V) ** 2 / 0.88 + 0.25


def test_a_way_that_only_goes_against_the_current_keeps_its_bends() -> None:
    (one,) = shifts(uniform(0.7, 0.0))
    assert one.out_forward is True
    assert one.bend_forward >= ((V + 0.7) / V) ** 2
    assert one.bend_back == 1.0
    (other,) = shifts(uniform(-0.7, 0.0))
    assert other.out_forward is False
    assert (other.bend_forward, other.bend_back) == (one.bend_back, one.bend_forward)
    (near_slack,) = shifts(uniform(0.1 * KN, 0.0))
    assert near_slack.out_forward is None
    assert near_slack.bend_forward == near_slack.bend_back


def test_aside_is_the_sine_of_the_angle_that_the_bow_holds() -> None:
    (one,) = shifts(uniform(0.1, 0.5))
    assert one.aside == pytest.approx(0.5 / V)


def test_minutes_per_hour_by_hand() -> None:
    # a line of 0.8 NM, R 50 m, 2.7 kn through the water and a current of 1 kn along: down at 3.7, up at 1.7 kn
    loop, one_way = minutes_per_hour(1.0 * KN, 0.0, 0.8 * NM, 50.0, BOAT)
    down_h, up_h = 0.8 / 3.7, 0.8 / 1.7
    turn_h = 7.0 * np.pi / 3.0 * 50.0 / NM / 2.7
    assert loop == pytest.approx(60.0 * (down_h + up_h) / (down_h + up_h + 2.0 * turn_h))
    # back up at 17 kn
    assert one_way == pytest.approx(60.0 * down_h / (down_h + 0.8 / 17.0))
    assert minutes_per_hour(-1.0 * KN, 0.0, 0.8 * NM, 50.0, BOAT) == (loop, one_way)


def test_minutes_per_hour_across_and_where_nothing_can_be_worked() -> None:
    loop, one_way = minutes_per_hour(0.0, 1.62 * KN, 0.8 * NM, 50.0, BOAT)
    # by hand: √(2.7² − 1.62²) = 2.16 kn made good either way
    assert one_way == pytest.approx(60.0 * (1 / 2.16) / (1 / 2.16 + 1 / np.sqrt(18.0**2 - 1.62**2)))
    both_h = 2.0 * 0.8 / 2.16
    assert loop == pytest.approx(60.0 * both_h / (both_h + 2.0 * 7.0 * np.pi / 3.0 * 50.0 / NM / 2.7))
    assert minutes_per_hour(0.0, 2.8 * KN, 0.8 * NM, 50.0, BOAT) == (None, None)
    against, with_it = minutes_per_hour(2.25 * KN, 0.0, 0.8 * NM, 50.0, BOAT)
    assert against is None
    assert with_it is not None
    assert minutes_per_hour(2.15 * KN, 0.0, 0.8 * NM, 50.0, BOAT)[0] is not None


def test_a_run_that_cannot_come_back_has_no_minutes() -> None:
    slow = replace(BOAT, run_speed_mps=3.0 * KN)
    assert minutes_per_hour(2.5 * KN, 1.0 * KN, 0.8 * NM, 50.0, slow)[1] is not None
    assert minutes_per_hour(3.1 * KN, 0.0, 0.8 * NM, 50.0, slow) == (None, None)


def test_strongest_is_the_most_in_place_and_time() -> None:
    def grows(xy: FloatArray, time_s: FloatArray) -> FloatArray:
        return np.column_stack([1e-4 * time_s, 5e-4 * xy[:, 0]])

    assert strongest_mps(LINE, 0.0, 6000.0, grows) == pytest.approx(np.hypot(0.6, 0.5), rel=1e-6)

    def ends(xy: FloatArray, time_s: FloatArray) -> FloatArray:
        return np.where((xy[:, 0] > 900.0)[:, None], np.nan, grows(xy, time_s))

    assert np.isnan(strongest_mps(LINE, 0.0, 6000.0, ends))
