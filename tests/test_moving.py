"""Tracks held over the ground in moving water, against closed forms and an integrator of its own."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from layers.model import FloatArray
from spotmap.model import Leg
from spotmap.moving import (
    LEAST_OVER_GROUND_MPS,
    Flow,
    bend_factor,
    chain_drift,
    drift_m,
    heading_on,
    passage,
    still,
)
from tests.moving_water import KN, sheared, turning, uniform, water_path

V = 2.7 * KN
LINE = np.array([[0.0, 0.0], [300.0, 0.0], [1500.0, 0.0]])


@pytest.mark.parametrize("knots", [-1.0, 0.0, 0.4, 2.0])
def test_along_the_current_the_speeds_add(knots: float) -> None:
    way = passage(LINE, V, 0.0, uniform(knots * KN, 0.0))
    assert way.took_s == pytest.approx(1500.0 / (V + knots * KN), rel=1e-12)
    assert way.clock_s[1] == pytest.approx(300.0 / (V + knots * KN), rel=1e-12)
    assert way.slowest_mps == pytest.approx(V + knots * KN)
    assert way.heading_rad == pytest.approx(0.0, abs=1e-12)


@pytest.mark.parametrize("knots", [-2.5, -0.7, 1.0, 2.69])
def test_across_the_current_the_bow_holds_against_it(knots: float) -> None:
    c = knots * KN
    way = passage(LINE, V, 0.0, uniform(0.0, c))
    assert way.took_s == pytest.approx(1500.0 / np.sqrt(V**2 - c**2), rel=1e-12)
    # a current to port wants the bow to starboard
    assert way.heading_rad == pytest.approx(-np.arcsin(c / V))
    assert heading_on(0.0, V, np.array([0.0, c])) == pytest.approx(-np.arcsin(c / V))


def test_a_lap_down_and_up_one_knot_takes_what_the_two_speeds_give() -> None:
    c, d = 1.0 * KN, 0.8 * 1852.0
    track = np.array([[0.0, 0.0], [d, 0.0]])
    down, up = (passage(xy, V, 0.0, uniform(c, 0.0)).took_s for xy in (track, track[::-1]))
    assert down + up == pytest.approx(2.0 * d * V / (V**2 - c**2), rel=1e-12)
    # by hand: 0.8 NM at 3.7 and at 1.7 kn
    assert down + up == pytest.approx(3600.0 * (0.8 / 3.7 + 0.8 / 1.7), rel=1e-9)


@pytest.mark.parametrize("flow", [uniform(0.0, 2.75 * KN), uniform(0.0, -4.0), uniform(-2.8 * KN, 0.0)])
def test_a_current_that_cannot_be_held_or_stemmed_has_no_time(flow: Flow) -> None:
    way = passage(LINE, V, 0.0, flow)
    assert np.isnan(way.took_s)
    assert np.isnan(way.slowest_mps)
    assert not way.slowest_mps >= LEAST_OVER_GROUND_MPS


def test_a_track_too_hard_on_one_stretch_only_says_so() -> None:
    def gate(xy: FloatArray, time_s: FloatArray) -> FloatArray:
        del time_s
        return np.column_stack([0.0 * xy[:, 0], np.where(xy[:, 0] > 1000.0, 3.0, 0.0)])

    way = passage(np.array([[0.0, 0.0], [500.0, 0.0], [900.0, 0.0], [1500.0, 0.0]]), V, 0.0, gate)
    assert np.isfinite(way.clock_s[:3]).all()
    assert np.isnan(way.took_s)


def winding(n: int = 1200) -> FloatArray:
    s = np.linspace(0.0, 1500.0, n)
    return np.column_stack([s, 80.0 * np.sin(s / 150.0)])


def both(xy: FloatArray, time_s: FloatArray) -> FloatArray:
    """Sheared in place, turning in time: as fast a change as a strong narrows has."""
    return sheared(0.2, 4e-4)(xy, time_s) + turning(0.35, 6000.0, 1.0)(xy, time_s)


@pytest.mark.parametrize("flow", [sheared(0.3, 8e-4), turning(0.6, 9000.0), both])
@pytest.mark.parametrize("start_s", [0.0, 1_786_000_000.0])
def test_the_clock_is_that_of_an_integrator(flow: Flow, start_s: float) -> None:
    xy = winding()
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(xy, axis=0).T))])

    def pace(time_s: float, s: FloatArray) -> list[float]:
        place = np.array([[np.interp(s[0], along, xy[:, 0]), np.interp(s[0], along, xy[:, 1])]])
        at = min(int(np.searchsorted(along, s[0], side="right")), len(xy) - 1) - 1
        ahead = (xy[at + 1] - xy[at]) / (along[at + 1] - along[at])
        c = flow(place, np.array([start_s + time_s]))[0]
        # the ground speed g on this course solves |g·ahead - c| = V
        with_it = float(c @ ahead)
        return [with_it + np.sqrt(V**2 - float(c @ c) + with_it**2)]

    way = passage(xy, V, start_s, flow)
    arrived = lambda _, s: s[0] - along[-1] + 1e-6  # noqa: E731  solve_ivp marks the function
    arrived.terminal = True
    found = solve_ivp(pace, (0.0, 5000.0), [0.0], events=arrived, max_step=5.0, rtol=1e-7, atol=1e-4)
    assert way.took_s == pytest.approx(found.t_events[0][0], abs=0.05)
    assert np.abs(way.clock_s - along / V).max() > 30.0  # the current does count


@pytest.mark.parametrize("flow", [uniform(0.4, -0.5), uniform(-0.3, 0.2), both])
def test_over_the_ground_it_goes_what_it_steers_and_what_it_drifts(flow: Flow) -> None:
    xy = winding(300)
    way = passage(xy, V, 500.0, flow)
    steered = V * np.column_stack([np.cos(way.heading_rad), np.sin(way.heading_rad)]) * np.diff(way.clock_s)[:, None]
    water = np.vstack([xy[:1], xy[0] + np.cumsum(steered, axis=0)])
    assert water + drift_m(way.clock_s, way.current_mps) == pytest.approx(xy, abs=0.01)
    if flow is not both:
        # exactly, where the current does not change
        uniform_drift = np.outer(way.clock_s, way.current_mps[0])
        assert water + uniform_drift == pytest.approx(xy, abs=1e-9)
        assert water_path(xy, way.clock_s, way.current_mps) == pytest.approx(water, abs=1e-9)


@pytest.mark.parametrize("past", [np.nan, 3.0])
def test_a_current_that_becomes_unknown_or_too_strong_on_the_way_gives_no_time(past: float) -> None:
    def changes(xy: FloatArray, time_s: FloatArray) -> FloatArray:
        return np.where((time_s > 600.0)[:, None], (0.0, past), uniform(0.2, 0.0)(xy, time_s))

    assert np.isnan(passage(winding(), V, 0.0, changes).took_s)
    assert passage(winding(), V, -5000.0, changes).took_s < 1700.0 / V


def circle_through_water(course: FloatArray, side: float, radius_m: float, c: FloatArray) -> FloatArray:
    """Run a circle over the ground and return its path through the water, integrated finely."""
    ahead = np.column_stack([np.cos(course), np.sin(course)])
    ground = side * radius_m * np.column_stack([np.sin(course), -np.cos(course)])
    with_it = ahead @ c
    pace = with_it + np.sqrt(V**2 - c @ c + with_it**2)
    step = np.abs(np.diff(course)) * radius_m
    clock = np.concatenate([[0.0], np.cumsum(step * 0.5 * (1.0 / pace[1:] + 1.0 / pace[:-1]))])
    return ground - np.outer(clock, c)


@pytest.mark.parametrize("current", [(0.9, 0.0), (0.3, -0.6), (-1.2, 0.2), (0.0, 0.0)])
@pytest.mark.parametrize("side", [1.0, -1.0])
def test_bends_through_the_water_are_sharper_by_the_factor(current: tuple[float, float], side: float) -> None:
    c, radius_m = np.array(current), 80.0
    course = side * np.linspace(0.0, 2.0 * np.pi, 40_001)
    xy = circle_through_water(course, side, radius_m, c)
    first, second = np.gradient(xy, axis=0), np.gradient(np.gradient(xy, axis=0), axis=0)
    bend = np.abs(first[:, 0] * second[:, 1] - first[:, 1] * second[:, 0]) / np.hypot(*first.T) ** 3
    at = np.arange(50, 39_950, 100)
    ahead = np.column_stack([np.cos(course[at]), np.sin(course[at])])
    factor = bend_factor(ahead, V, np.broadcast_to(c, ahead.shape))
    true = bend[at] * radius_m
    assert factor == pytest.approx(np.maximum(true, 1.0), rel=0.005)
    if c.any():
        assert true.max() > 1.5
        assert (factor[true < 0.95] == 1.0).all()


def test_no_bend_can_be_run_where_the_track_cannot_be_held() -> None:
    ahead = np.array([[1.0, 0.0], [0.0, 1.0]])
    factor = bend_factor(ahead, V, np.full((2, 2), (0.0, 1.1 * V)))
    assert np.isinf(factor[0])
    assert np.isfinite(factor[1])


def test_legs_that_follow_one_another_share_one_clock_and_drift() -> None:
    flow: Callable[[FloatArray, FloatArray], FloatArray] = both
    xy = winding(301)
    whole = passage(xy, V, 0.0, flow)
    first = Leg("pass", xy[:201], "P1", clock_s=whole.clock_s[:201], current_mps=whole.current_mps[:201])
    rest = Leg(
        "turn", xy[200:], "T1", clock_s=whole.clock_s[200:] - whole.clock_s[200], current_mps=whole.current_mps[200:]
    )
    clock, drift = chain_drift([first, rest])
    assert clock == pytest.approx(whole.clock_s)
    assert drift == pytest.approx(drift_m(whole.clock_s, whole.current_mps))
    with pytest.raises(ValueError, match="leg T1 has no clock"):
        chain_drift([first, replace(rest, clock_s=None)])


def test_still_water_does_not_move() -> None:
    way = passage(winding(), V, 0.0, still)
    assert way.took_s == pytest.approx(np.hypot(*np.diff(winding(), axis=0).T).sum() / V)
    assert not way.current_mps.any()
