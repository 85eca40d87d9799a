"""Turns through moving water: they close on their end, and bend through the water no tighter than R."""

from __future__ import annotations

from math import acos, asin, atan2, cos, hypot, pi, sin, sqrt

import numpy as np
import pytest
import shapely
from scipy.integrate import solve_ivp
from shapely import LineString, box

from layers.model import FloatArray
from spotmap.dubins import Pose
from spotmap.moving import Flow, still
from spotmap.turns import DriftingTurn, Motion, drifting_turn
from tests.moving_water import KN, FlatDepth, radii, sheared, turning, uniform, water_path

R, V = 50.0, 2.7 * KN
START_S = 1_786_000_000.0
OPEN = shapely.multipolygons([box(-3000.0, -3000.0, 3000.0, 3000.0)])
DEPTH = FlatDepth()


def rising(xy: FloatArray, time_s: FloatArray) -> FloatArray:
    """Sheared in place and growing by the minute, as the first of an ebb in a narrows."""
    return sheared(0.2, 1e-3)(xy, time_s) + np.outer((time_s - START_S) / 3600.0, (0.8, -0.3))


FLOWS = {
    "uniform": uniform(0.5, -0.3),
    "strong": uniform(-1.0, 0.1),
    "sheared": sheared(0.4, 1.5e-3),
    "turning": turning(0.6, 4000.0),
    "rising": rising,
}
SHEARED = ("sheared", "rising")
ENDS = {
    "back on the same line": (0.0, 0.0, pi),
    "back on the next line": (30.0, 120.0, pi),
    "across": (200.0, -150.0, -pi / 2),
    "ahead": (300.0, 40.0, 0.2),
}


def turn_to(x: float, y: float, course: float, flow: Flow, water: shapely.MultiPolygon = OPEN) -> DriftingTurn | None:
    return drifting_turn(Pose(0, 0, 0), Pose(x, y, course), START_S, Motion(R, V, flow), water, DEPTH)[0]


def steered(turn: DriftingTurn, flow: Flow) -> FloatArray:
    """Steer the turn's headings through the real current and return where the boat comes to."""
    clock, water = turn.clock_s, water_path(turn.xy, turn.clock_s, turn.current_mps)

    def carried(time_s: float, drift: FloatArray) -> FloatArray:
        here = [np.interp(time_s, clock, water[:, axis]) + drift[axis] for axis in (0, 1)]
        return flow(np.array([here]), np.array([START_S + time_s]))[0]

    found = solve_ivp(carried, (0.0, clock[-1]), [0.0, 0.0], rtol=1e-8, atol=1e-6, max_step=5.0)
    end: FloatArray = water[-1] + found.y[:, -1]
    return end


def apart(step: FloatArray, angle_rad: float) -> float:
    return abs((atan2(step[1], step[0]) - angle_rad + pi) % (2.0 * pi) - pi)


@pytest.mark.parametrize("flow", FLOWS)
@pytest.mark.parametrize("end", ENDS)
def test_a_turn_closes_on_its_end_and_holds_r_through_the_water(flow: str, end: str) -> None:
    moves, (x, y, course) = FLOWS[flow], ENDS[end]
    turn = turn_to(x, y, course, moves)
    assert turn is not None
    assert turn.xy[0] == pytest.approx((0.0, 0.0), abs=1e-9)
    assert turn.xy[-1] == pytest.approx((x, y), abs=0.01)
    # and a boat that steers so in the real water comes there
    assert np.hypot(*(steered(turn, moves) - (x, y))) < (0.1 if flow in SHEARED else 0.01)
    water = water_path(turn.xy, turn.clock_s, turn.current_mps)
    steps, took = np.hypot(*np.diff(water, axis=0).T), np.diff(turn.clock_s)
    assert (took > 0.0).all()
    assert steps / took == pytest.approx(V, rel=2e-3)
    assert radii(water)[np.minimum(steps[1:], steps[:-1]) > 0.05].min() >= 0.999 * R
    assert turn.length_m == pytest.approx(np.hypot(*np.diff(turn.xy, axis=0).T).sum())
    # it leaves on the heading given and ends on the one that holds the course against the current there; a chord of an
    # arc has its direction half a chord from its end
    c = moves(turn.xy[-1:], np.array([START_S + turn.clock_s[-1]]))[0]
    hold = course - asin((c[1] * cos(course) - c[0] * sin(course)) / V)
    assert apart(water[1] - water[0], 0.0) <= min(steps[0] / (2.0 * R), 0.02) + 0.005
    assert apart(water[-1] - water[-2], hold) <= min(steps[-1] / (2.0 * R), 0.02) + 0.005
    assert apart(turn.xy[-1] - turn.xy[-2], course) < 0.05


@pytest.mark.parametrize("flow", FLOWS)
def test_the_current_told_is_the_one_met(flow: str) -> None:
    turn = turn_to(30.0, 120.0, pi, FLOWS[flow])
    assert turn is not None
    met = FLOWS[flow](turn.xy, START_S + turn.clock_s)
    assert turn.current_mps == pytest.approx(met, abs=0.02)


# source: check_values.md, Dubins 1957; Shkel & Lumelsky 2001, radius 1
STILL = [
    (0.0, 0.0, pi, 7 * pi / 3),
    (0.0, 2.0, pi, pi),
    (10.0, 0.0, 0.0, 10.0),
    (0.0, -1.0, pi, 6.03253),
    (0.0, 5.0, pi, pi + 3.0),
    (4.0, 4.0, pi / 2, pi / 2 + 3.0 * sqrt(2.0)),
    (4.0, 2.0, 0.0, 2.0 * sqrt(3.0) + pi / 3),
    (4.0, -2.0, 0.0, 2.0 * sqrt(3.0) + pi / 3),
    (0.0, 2.0, 0.0, 2.0 * pi + 2.0),
    (0.0, 50.0 / 60.0, pi, pi + 4.0 * acos((2.0 + 50.0 / 60.0) / 4.0)),
]


@pytest.mark.parametrize(("x", "y", "course", "length"), STILL)
@pytest.mark.parametrize("flow", [still, uniform(1e-9, 0.0)])
def test_in_still_water_turns_are_the_published_ones(
    x: float, y: float, course: float, length: float, flow: Flow
) -> None:
    turn = turn_to(R * x, R * y, course, flow)
    assert turn is not None
    assert turn.clock_s[-1] * V == pytest.approx(R * length, rel=1e-5)


# source: check_values.md, speed 1, radius 1; headings there are through the water, T is the time
DRIFTING = [
    ((0.3, 0.0), (10.0, 0.0, 0.0), 10.0 / 1.3),
    ((-0.3, 0.0), (10.0, 0.0, 0.0), 10.0 / 0.7),
    ((0.25, -0.15), (7.472826, 1.648355, -pi / 6), 5.0 + pi / 2),
    ((0.4, -0.2), (2.456637, 3.771681, pi), 3.0 + pi),
    ((0.0, 0.3), (0.0, 2.942478, pi), pi),
]


@pytest.mark.parametrize(("current", "goal", "took"), DRIFTING)
@pytest.mark.parametrize("mirrored", [1.0, -1.0])
def test_in_a_uniform_current_turns_take_the_published_times(
    current: tuple[float, float], goal: tuple[float, float, float], took: float, mirrored: float
) -> None:
    (wx, wy), (x, y, heading) = current, goal
    wy, y, heading = mirrored * wy, mirrored * y, mirrored * heading
    course = atan2(sin(heading) + wy, cos(heading) + wx)
    turn = turn_to(R * x, R * y, course, uniform(V * wx, V * wy))
    assert turn is not None
    assert turn.clock_s[-1] * V / R == pytest.approx(took, abs=2e-5)
    if abs(heading) > 1.0:
        assert turn.side == ("port" if mirrored > 0.0 else "starboard")


def test_the_soonest_turn_is_told_wherever_it_leads() -> None:
    flow = uniform(0.4, 0.0)
    free, soonest_s = drifting_turn(Pose(0, 0, 0), Pose(0.0, 100.0, pi), START_S, Motion(R, V, flow), OPEN, DEPTH)
    assert free is not None
    assert free.clock_s[-1] == pytest.approx(soonest_s)
    # a wall to port leaves only what swings out to starboard first
    wall = shapely.multipolygons([OPEN.geoms[0].difference(box(float(free.xy[:, 0].max()) - 1.0, 20.0, 3000, 3000))])
    held, still_soonest_s = drifting_turn(Pose(0, 0, 0), Pose(0.0, 100.0, pi), START_S, Motion(R, V, flow), wall, DEPTH)
    assert held is not None
    assert still_soonest_s == pytest.approx(soonest_s)
    assert held.clock_s[-1] > soonest_s + 1.0
    assert shapely.covers(wall, LineString(held.xy))


@pytest.mark.parametrize("seed", range(12))
def test_a_turn_never_leaves_the_water_it_was_given(seed: int) -> None:
    rng = np.random.default_rng(seed)
    flow = uniform(*rng.uniform(-0.7, 0.7, 2))
    left, right, low, high = rng.uniform((-150, 120, -220, 90), (-60, 260, -60, 220))
    water = shapely.multipolygons([box(left, low, right, high)])
    turn = turn_to(0.0, float(rng.uniform(0.0, 80.0)), pi, flow, water)
    if turn is not None:
        assert shapely.covers(water, LineString(turn.xy))
    free = turn_to(0.0, 60.0, pi, flow)
    assert free is not None
    tight = shapely.multipolygons([box(*(LineString(free.xy).bounds + np.array((0.5, 0.5, -0.5, -0.5))))])
    other = turn_to(0.0, 60.0, pi, flow, tight)
    assert other is None or shapely.covers(tight, LineString(other.xy))


def test_the_same_water_holds_a_turn_in_one_current_and_not_in_another() -> None:
    water = shapely.multipolygons([box(-60.0, -100.0, 110.0, 160.0)])
    assert turn_to(0.0, 100.0, pi, uniform(-0.2, 0.0), water) is not None
    assert turn_to(0.0, 100.0, pi, uniform(1.1, 0.0), water) is None


def test_none_where_nothing_fits_or_the_course_cannot_be_held() -> None:
    strip = shapely.multipolygons([box(-500.0, -10.0, 500.0, 10.0)])
    assert turn_to(0.0, 0.0, pi, uniform(0.3, 0.0), strip) is None
    turn, soonest_s = drifting_turn(
        Pose(0, 0, 0), Pose(0.0, 100.0, pi), START_S, Motion(R, V, uniform(0.0, 1.1 * V)), OPEN, DEPTH
    )
    assert turn is None
    assert soonest_s == float("inf")


def test_none_where_the_current_is_not_known_to_the_end() -> None:
    def ends(xy: FloatArray, time_s: FloatArray) -> FloatArray:
        return np.where((time_s > START_S + 90.0)[:, None], np.nan, uniform(0.3, 0.0)(xy, time_s))

    assert turn_to(0.0, 100.0, pi, ends) is None
    short = turn_to(100.0, 0.0, 0.0, ends)
    assert short is not None
    assert short.clock_s[-1] == pytest.approx(100.0 / (V + 0.3))


def test_of_two_as_soon_the_deeper_is_taken() -> None:
    for tilt, side in ((0.01, "port"), (-0.01, "starboard")):
        motion = Motion(R, V, uniform(0.3, 0.0))
        depth = FlatDepth(tilt=tilt)
        turn, _ = drifting_turn(Pose(0, 0, 0), Pose(-30.0, 0.0, pi), START_S, motion, OPEN, depth)
        assert turn is not None
        over = depth.depth_at(turn.xy[:, 0], turn.xy[:, 1]).mean()
        assert over >= 60.0, side


def test_a_heading_that_crabs_is_not_the_course() -> None:
    """Entering a course of north in a current that sets east: the bow is west of it."""
    c = 0.6
    turn = turn_to(200.0, 200.0, pi / 2, uniform(c, 0.0))
    assert turn is not None
    water = water_path(turn.xy, turn.clock_s, turn.current_mps)
    bow = water[-1] - water[-2]
    assert atan2(bow[1], bow[0]) == pytest.approx(pi / 2 + asin(c / V), abs=0.02)
    assert hypot(*bow) > 0.0
