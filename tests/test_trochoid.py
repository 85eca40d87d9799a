from __future__ import annotations

import math
import time

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from spotmap.dubins import WORDS, Pose, dubins_paths, dubins_segments
from spotmap.trochoid import drift_paths, ground_points

PI = math.pi
BEND = {"L": 1.0, "S": 0.0, "R": -1.0}
ORIGIN = Pose(0.0, 0.0, 0.0)


def flow(start, word, pieces_m, radius_m, steps=100):
    """Steer the path by its controls through the water, with Simpson's rule and no formula of the module."""
    x, y, heading = start.row
    for letter, length in zip(word, pieces_m, strict=True):
        s = np.linspace(0.0, length, 2 * steps + 1)
        course = heading + BEND[letter] / radius_m * s
        weights = np.tile([2.0, 4.0], steps + 1)[: 2 * steps + 1]
        weights[[0, -1]] = 1.0
        x += length / (6.0 * steps) * weights @ np.cos(course)
        y += length / (6.0 * steps) * weights @ np.sin(course)
        heading = course[-1]
    return x, y, heading


def missed_m(path, goal, speed, current):
    """Return by how much a boat that steers the path in the current misses the goal over the ground."""
    x, y, heading = flow(path.start, path.word, path.pieces_m, path.radius_m)
    time_s = path.length_m / speed
    off = math.hypot(x + current[0] * time_s - goal.x, y + current[1] * time_s - goal.y)
    assert abs(math.remainder(heading - goal.heading_rad, 2 * PI)) < 1e-8
    return off


def random_cases(seed, count, strongest=0.95):
    """Return starts, goals, radii, speeds and currents, near and far, a third of them with the axes' headings."""
    rng = np.random.default_rng(seed)
    for _ in range(count):
        radius, speed = rng.uniform(5.0, 80.0), rng.uniform(0.4, 2.0)
        flows, to = speed * rng.uniform(0.0, strongest), rng.uniform(0.0, 2 * PI)
        heading = rng.uniform(-PI, PI)
        turn = rng.choice([0.0, PI, 0.5 * PI]) if rng.random() < 0.33 else rng.uniform(-PI, PI)
        place = rng.uniform(-300.0, 300.0, 2)
        away = rng.uniform(-8.0, 8.0, 2) * radius * rng.choice([0.1, 0.4, 1.0])
        yield (
            Pose(*place.tolist(), heading),
            Pose(*(place + away).tolist(), heading + turn),
            radius,
            speed,
            (flows * math.cos(to), flows * math.sin(to)),
        )


def times_by_search(start, goal, radius, speed, current, until_s):
    """Find when a path to the goal where it will be in the water takes as long, by a dense search over time.

    Returns the times at which a class of `dubins_segments` closes, and the first sampled time at which the
    shortest of them is no longer than the time: nothing can be sooner than one sample before it.
    """

    def late(at_s):
        goals = np.column_stack([goal.x - current[0] * at_s, goal.y - current[1] * at_s, 0 * at_s + goal.heading_rad])
        lengths = dubins_segments(np.broadcast_to(start.row, goals.shape), goals, radius).sum(axis=2)
        return lengths / speed - at_s[:, None]

    at_s = np.linspace(0.0, until_s, 2001)
    lates = late(at_s)
    step, row = np.nonzero((lates[1:] > 0.0) != (lates[:-1] > 0.0))
    whole = np.isfinite(lates[step, row]) & np.isfinite(lates[step + 1, row])
    step, row = step[whole], row[whole]
    low, high, sign = at_s[step], at_s[step + 1], lates[step, row] > 0.0
    for _ in range(55):
        middle = 0.5 * (low + high)
        same = (late(middle)[np.arange(len(row)), row] > 0.0) == sign
        low, high = np.where(same, middle, low), np.where(same, high, middle)
    # A jump changes sign as well, and is no path.
    closes = np.abs(late(low)[np.arange(len(row)), row]) < 1e-6 * radius / speed if len(row) else np.zeros(0, bool)
    return low[closes], at_s[np.argmax(np.nanmin(lates, axis=1) <= 0.0)] - at_s[1]


# source: check_values.md, "In a uniform current": speed 1, radius 1, headings through the water
PUBLISHED = [
    ((0.3, 0.0), (10.0, 0.0, 0.0), 10 / 1.3),
    ((-0.3, 0.0), (10.0, 0.0, 0.0), 10 / 0.7),
    ((0.25, -0.15), (7.472826, 1.648355, -PI / 6), 5 + PI / 2),
    ((0.4, -0.2), (2.456637, 3.771681, PI), 3 + PI),
    ((0.0, 0.3), (0.0, 2.942478, PI), PI),
]


@pytest.mark.parametrize(("current", "goal", "expected"), PUBLISHED)
@pytest.mark.parametrize("mirror", [1.0, -1.0])
@pytest.mark.parametrize("scale", [(1.0, 1.0), (50.0, 1.3)])
def test_published_times(current, goal, expected, mirror, scale):
    radius, speed = scale
    there = Pose(goal[0] * radius, mirror * goal[1] * radius, mirror * goal[2])
    best = drift_paths(ORIGIN, there, radius, speed, (speed * current[0], mirror * speed * current[1]))[0]
    assert best.length_m / radius == pytest.approx(expected, abs=2e-6)


@pytest.mark.parametrize("off", [(0.0, 0.0), (0.0, 1e-9), (0.0, -1e-9), (1e-9, 0.0), (-1e-9, 0.0)])
def test_a_path_at_the_edge_of_its_class_is_not_lost_to_rounding(off):
    # The straight of no length points ahead on one side of this goal and back on the other.
    paths = drift_paths(ORIGIN, Pose(off[0], 2.0 + 0.3 * PI + off[1], PI), 1.0, 1.0, (0.0, 0.3))
    assert paths[0].length_m == pytest.approx(PI, abs=1e-7)
    assert paths[1].length_m == pytest.approx(5.61986, abs=5e-6)  # source: check_values.md


@pytest.mark.parametrize("seed", range(4))
def test_paths_steered_beforehand_are_found(seed):
    # Any three controls lead somewhere; arcs and straights of no length put them at the edge of their class.
    rng = np.random.default_rng(seed)
    for i in range(250):
        word = WORDS[i % 6]
        pieces = rng.uniform(0.0, 2 * PI, 3)
        pieces[rng.random(3) < 0.35] = 0.0
        if word in ("LRL", "RLR"):
            pieces[1] = rng.choice([PI, rng.uniform(0.1, 6.2)])
        heading, to = rng.choice([0.0, rng.uniform(-PI, PI)]), rng.choice([0.0, PI / 2, PI, rng.uniform(0.0, 2 * PI)])
        w = rng.uniform(0.01, 0.95) if i % 5 else rng.uniform(1.0, 2.0)
        current = w * math.cos(to), w * math.sin(to)
        start = Pose(0.0, 0.0, heading)
        x, y, last = flow(start, word, pieces, 1.0, steps=300)
        off = rng.choice([0.0, 1e-12, 1e-9]) * rng.uniform(-0.7, 0.7, 2)
        goal = Pose(x + current[0] * pieces.sum() + off[0], y + current[1] * pieces.sum() + off[1], last)
        times = [path.length_m for path in drift_paths(start, goal, 1.0, 1.0, current)]
        assert np.abs(np.array(times) - pieces.sum()).min() < 1e-4, (word, pieces, current, off)


def test_without_current_the_paths_are_those_of_still_water():
    for start, goal, radius, speed, _ in random_cases(3, 40):
        assert drift_paths(start, goal, radius, speed, (0.0, -0.0)) == list(dubins_paths(start, goal, radius))
        faint = drift_paths(start, goal, radius, speed, (1e-12, 1e-12))
        assert faint[0].length_m == pytest.approx(dubins_paths(start, goal, radius)[0].length_m, abs=1e-5)


def test_every_path_closes_on_the_goal_and_turns_no_tighter():
    classes = set()
    for start, goal, radius, speed, current in random_cases(1, 300):
        paths = drift_paths(start, goal, radius, speed, current)
        assert paths
        lengths = [path.length_m for path in paths]
        assert np.all(np.diff(lengths) > -1e-5)
        for path in paths:
            classes.add(path.word)
            assert missed_m(path, goal, speed, current) < 1e-6
            assert path.start == start
            assert path.goal.heading_rad == goal.heading_rad
            assert path.radius_m == radius
            assert min(path.pieces_m) >= 0.0
            assert max(path.pieces_m[0], path.pieces_m[2]) < 2 * PI * radius
    assert classes == set(WORDS)


@given(st.integers(0, 10**6))
@settings(max_examples=40, deadline=None)
def test_over_the_ground_the_track_is_the_path_carried_by_the_current(seed):
    ((start, goal, radius, speed, current),) = random_cases(seed, 1)
    path = drift_paths(start, goal, radius, speed, current)[0]
    xy, clock_s = ground_points(path, current, speed, sagitta_m=0.02)
    through_water = path.points(0.02)
    np.testing.assert_array_equal(xy, through_water + clock_s[:, None] * np.array(current))
    assert (clock_s[0], clock_s[-1]) == (0.0, path.length_m / speed)
    assert math.hypot(xy[-1, 0] - goal.x, xy[-1, 1] - goal.y) < 1e-6
    # Each vertex is where the boat is at its time: by steering it until then, not by the module's count of steps.
    for vertex in np.linspace(0, len(xy) - 1, 7).astype(int):
        run = clock_s[vertex] * speed
        pieces = np.diff(np.minimum(run, np.concatenate([[0.0], np.cumsum(path.pieces_m)])))
        x, y, _ = flow(start, path.word, pieces, radius)
        np.testing.assert_allclose(through_water[vertex], [x, y], atol=1e-6)
    # No tighter than the radius, through the water.
    a, b, c = through_water[:-2], through_water[1:-1], through_water[2:]
    area = 0.5 * np.abs((b - a)[:, 0] * (c - a)[:, 1] - (b - a)[:, 1] * (c - a)[:, 0])
    sides = np.hypot(*(b - a).T) * np.hypot(*(c - b).T) * np.hypot(*(a - c).T)
    long_enough = np.minimum(np.hypot(*(b - a).T), np.hypot(*(c - b).T)) > 0.05
    assert (4 * area[long_enough] * 0.97 * radius <= sides[long_enough]).all()


def test_a_dense_search_over_time_finds_nothing_else():
    reached = 0
    for case in random_cases(2, 200):
        times = np.array([path.length_m / case[3] for path in drift_paths(*case)])
        until = max(1.05 * times[0], times[0] + 0.1, min(times[-1], 60.0 * case[2] / case[3]))
        searched, before = times_by_search(*case, until)
        # Every time at which a class closes is one of ours; that ours are true is the test above.
        for at in searched:
            assert np.abs(times - at).min() < 1e-4, case
        assert times[0] >= before
        reached += times[0] - before < 0.02 * until
    # Nothing can be sooner than when the shortest path falls below the time; nine in ten keep to that. In the others
    # it falls by a jump, to a goal too near for any path of that length.
    assert reached > 170


@pytest.mark.parametrize("strongest", [1.0, 2.0])
def test_in_a_current_as_fast_as_the_boat_what_is_there_is_found(strongest):
    found = 0
    for start, goal, radius, speed, current in random_cases(5, 60, strongest=strongest):
        flows = math.hypot(*current)
        fast = tuple(strongest * speed * value / flows for value in current)
        paths = drift_paths(start, goal, radius, speed, fast)
        times = np.array([path.length_m / speed for path in paths])
        assert all(missed_m(path, goal, speed, fast) < 1e-6 for path in paths)
        searched, _ = times_by_search(start, goal, radius, speed, fast, 30.0 * radius / speed)
        for at in searched:
            assert np.abs(times - at).min(initial=np.inf) < 1e-4
        found += bool(paths)
    assert 0 < found < 60


def test_mirror_and_turned_world_have_the_same_paths():
    swap = str.maketrans("LR", "RL")
    for start, goal, radius, speed, (u, v) in random_cases(4, 60):
        paths = drift_paths(start, goal, radius, speed, (u, v))
        ends = [Pose(pose.x, -pose.y, -pose.heading_rad) for pose in (start, goal)]
        mirrored = drift_paths(*ends, radius, speed, (u, -v))
        assert len(mirrored) == len(paths)
        np.testing.assert_allclose([p.length_m for p in mirrored], [p.length_m for p in paths], atol=1e-6)
        assert {p.word for p in mirrored} == {p.word.translate(swap) for p in paths}
        ends = [Pose(-pose.y, pose.x, pose.heading_rad + PI / 2) for pose in (start, goal)]
        turned = drift_paths(*ends, radius, speed, (-v, u))
        np.testing.assert_allclose([p.length_m for p in turned], [p.length_m for p in paths], atol=1e-6)


def test_back_where_it_began():
    there, round_again = drift_paths(ORIGIN, ORIGIN, 1.0, 1.0, (0.3, 0.1))[:2]
    assert there.length_m == 0.0
    assert missed_m(round_again, ORIGIN, 1.0, (0.3, 0.1)) < 1e-9
    assert len(ground_points(there, (0.3, 0.1), 1.0)[0]) == 1


@pytest.mark.parametrize("turn", [0.0, 1.0, 4.0])
def test_a_circle_and_more_to_one_side(turn):
    goal = Pose(math.sin(turn) + 0.2 * (2 * PI + turn), 1.0 - math.cos(turn), turn)
    paths = drift_paths(ORIGIN, goal, 1.0, 1.0, (0.2, 0.0))
    timely = [path for path in paths if path.length_m == pytest.approx(2 * PI + turn)]
    assert {path.word for path in timely} == ({"LSL"} if turn else {"LSL", "RSR"})
    assert [abs(path.turned_rad) for path in timely] == [pytest.approx(2 * PI + turn)] * len(timely)
    assert max(max(path.pieces_m) for path in timely) < 2 * PI - 1e-6


@pytest.mark.parametrize("w", [0.05, 0.3, 0.9])
@pytest.mark.parametrize("side", [1.0, -1.0])
def test_turn_back_onto_the_next_pass_one_circle_away(w, side):
    # A current along the passes: the half circle, then the way back against the drift of π w.
    goal = Pose(0.0, 2.0 * side, side * PI)
    with_it = drift_paths(ORIGIN, goal, 1.0, 1.0, (w, 0.0))[0]
    assert with_it.length_m == pytest.approx(PI + PI * w / (1 - w), abs=1e-9)
    # One that sets from the next pass to the first is beaten by a straight across between two quarter circles.
    apart = drift_paths(ORIGIN, goal, 1.0, 1.0, (0.0, -side * w))[0]
    assert apart.length_m == pytest.approx(PI + PI * w / (1 - w), abs=1e-9)
    # One that sets towards it leaves no room for that: the circles must swing out first.
    towards = drift_paths(ORIGIN, goal, 1.0, 1.0, (0.0, side * w))[0]
    assert towards.word in ("RLR", "LRL")
    assert towards.length_m > PI + 1.0


@pytest.mark.parametrize("gap", [1e-3, 1e-4])
def test_against_a_current_almost_as_fast_as_the_boat(gap):
    best = drift_paths(ORIGIN, Pose(10.0, 0.0, 0.0), 1.0, 1.0, (gap - 1.0, 0.0))[0]
    assert best.length_m == pytest.approx(10.0 / gap, rel=1e-9)


def test_a_whole_circle_is_kept_only_where_nothing_is_sooner():
    # Between two goals a hair apart, each with a path just short of a whole circle, lies one with the circle whole.
    times = [drift_paths(ORIGIN, Pose(-1.0, y, 0.0), 1.0, 1.0, (-0.3, 0.0))[0] for y in (-1e-5, 0.0, 1e-5)]
    assert [path.length_m for path in times] == pytest.approx([2 * PI + (0.6 * PI - 1.0) / 0.7] * 3, abs=1e-4)
    ahead = drift_paths(ORIGIN, Pose(10.0, 0.0, 0.0), 1.0, 1.0, (0.3, 0.0))
    assert all(max(path.pieces_m[0], path.pieces_m[2]) < 2 * PI - 1e-9 for path in ahead)


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ((Pose(0, 0, math.nan), ORIGIN, 1.0, 1.0, (0.1, 0.0)), "must be finite"),
        ((ORIGIN, ORIGIN, 1.0, 1.0, (math.inf, 0.0)), "must be finite"),
        ((ORIGIN, ORIGIN, 0.0, 1.0, (0.1, 0.0)), "above zero"),
        ((ORIGIN, ORIGIN, 1.0, 0.0, (0.1, 0.0)), "above zero"),
        ((ORIGIN, Pose(1e7, 0, 0), 1.0, 1.0, (0.1, 0.0)), "radii off"),
    ],
)
def test_what_cannot_be_solved_is_refused(given, words):
    with pytest.raises(ValueError, match=words):
        drift_paths(*given)
    path = dubins_paths(ORIGIN, Pose(10, 0, 0), 1.0)[0]
    with pytest.raises(ValueError, match="speed_mps"):
        ground_points(path, (0.1, 0.0), 0.0)


def test_a_call_is_quick_enough_for_a_planner():
    cases = list(random_cases(6, 100))
    taken = []
    for _ in range(3):
        began = time.process_time()
        for case in cases:
            drift_paths(*case)
        taken.append(time.process_time() - began)
    assert min(taken) / len(cases) < 1e-3
