from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from spotmap.dubins import WORDS, Pose, dubins_lengths, dubins_paths, dubins_segments

PI = np.pi
CURVATURE = {"L": 1.0, "S": 0.0, "R": -1.0}

places = st.floats(-400.0, 400.0)
headings = st.floats(-10.0, 10.0)
poses = st.builds(Pose, places, places, headings)
radii = st.floats(5.0, 120.0)


def flow(start, word, pieces_m, radius_m, steps=300):
    """Steer the path by its controls, with Simpson's rule for the place and no formula of the module."""
    x, y, heading = start
    for letter, length in zip(word, pieces_m, strict=True):
        s = np.linspace(0.0, length, 2 * steps + 1)
        course = heading + CURVATURE[letter] / radius_m * s
        weights = np.tile([2.0, 4.0], steps + 1)[: 2 * steps + 1]
        weights[[0, -1]] = 1.0
        x += length / (6.0 * steps) * weights @ np.cos(course)
        y += length / (6.0 * steps) * weights @ np.sin(course)
        heading = course[-1]
    return np.array([x, y, heading])


# source: Dubins 1957; Shkel & Lumelsky 2001, computed twice by independent code (check_values.md, "shortest
# turn-limited path" and "Turn-limited paths")
PUBLISHED = [
    ((0, 0, 0), (0, 0, PI), 1, 7 * PI / 3, {"LRL", "RLR"}),
    ((0, 0, 0), (0, 2, PI), 1, PI, {"LSL"}),
    ((0, 0, 0), (10, 0, 0), 1, 10, {"LSL"}),
    ((0, 0, PI / 3), (1, 1, -PI / 2), 1, 6.69069, {"LRL"}),
    ((0, 0, 0), (0, -1, PI), 1, 6.03253, {"LRL"}),
    ((0, 0, 0), (0, 5, PI), 1, PI + 3, {"LSL"}),
    ((0, 0, 0), (4, 4, PI / 2), 1, PI / 2 + 3 * np.sqrt(2), {"LSL"}),
    ((0, 0, 0), (4, 2, 0), 1, 2 * np.sqrt(3) + PI / 3, {"LSR"}),
    ((0, 0, 0), (4, -2, 0), 1, 2 * np.sqrt(3) + PI / 3, {"RSL"}),
    ((0, 0, 0), (0, 2, 0), 1, 2 * PI + 2, {"LSL", "RSR", "LSR", "RSL"}),
    ((0, 0, 0), (0, 50, PI), 60, 376.574451, {"RLR"}),
]


@pytest.mark.parametrize(("start", "goal", "radius", "length", "words"), PUBLISHED)
def test_published_lengths(start, goal, radius, length, words):
    assert dubins_lengths([start], [goal], radius)[0] == pytest.approx(length, abs=5e-6)
    best = dubins_paths(Pose(*start), Pose(*goal), radius)[0]
    assert best.length_m == pytest.approx(length, abs=5e-6)
    assert best.word in words


def test_narrow_turn_back_follows_the_published_rule():
    # source: check_values.md: (0,0,0) to (0,s,180°), s ≤ 2R: R(π + 4 acos((2R + s)/4R))
    radius, offset = 47.0, np.linspace(0.0, 94.0, 48)
    goals = np.column_stack([np.zeros(48), offset, np.full(48, PI)])
    expected = radius * (PI + 4.0 * np.arccos((2 * radius + offset) / (4 * radius)))
    np.testing.assert_allclose(dubins_lengths(np.zeros((48, 3)), goals, radius), expected, atol=1e-5)


@given(poses, poses, radii)
@settings(max_examples=150, deadline=None)
def test_every_class_steers_to_the_goal(start, goal, radius):
    pieces = dubins_segments([start.row], [goal.row], radius)[0]
    assert not np.isnan(pieces[:2]).any()
    for word, lengths in zip(WORDS, pieces, strict=True):
        if np.isnan(lengths).any():
            assert np.isnan(lengths).all()
            continue
        assert (lengths >= 0.0).all()
        x, y, heading = flow(start.row, word, lengths, radius)
        assert np.hypot(x - goal.x, y - goal.y) < 2e-4  # the 1e-10 R of a tangency at its limit, square-rooted
        assert abs(np.angle(np.exp(1j * (heading - goal.heading_rad)))) < 5e-5
    middle = pieces[4:, 1] / radius
    assert (np.isnan(middle[:2]) | (middle[:2] >= PI - 1e-9)).all()
    assert (np.isnan(middle[2:]) | (middle[2:] <= PI + 1e-9)).all()


@given(poses, poses, radii)
@settings(max_examples=150, deadline=None)
def test_lengths_obey_the_symmetries(start, goal, radius):
    length = dubins_lengths([start.row], [goal.row], radius)[0]
    assert length >= np.hypot(goal.x - start.x, goal.y - start.y) - 1e-6
    sailed_back = [(goal.x, goal.y, goal.heading_rad + PI)], [(start.x, start.y, start.heading_rad + PI)]
    mirrored = [(start.x, -start.y, -start.heading_rad)], [(goal.x, -goal.y, -goal.heading_rad)]
    scaled = [(3 * start.x, 3 * start.y, start.heading_rad)], [(3 * goal.x, 3 * goal.y, goal.heading_rad)]
    assert dubins_lengths(*sailed_back, radius)[0] == pytest.approx(length, abs=1e-3)
    assert dubins_lengths(*mirrored, radius)[0] == pytest.approx(length, abs=1e-3)
    assert dubins_lengths(*scaled, 3 * radius)[0] == pytest.approx(3 * length, abs=3e-3)


@given(poses, poses, poses, radii)
@settings(max_examples=100, deadline=None)
def test_a_way_through_a_third_pose_is_never_shorter(start, via, goal, radius):
    direct, first, second = dubins_lengths([start.row, start.row, via.row], [goal.row, via.row, goal.row], radius)
    assert direct <= first + second + 1e-3


def test_no_controls_found_by_search_beat_it():
    # Wherever three random controls lead, the path found to that pose is no longer than they are.
    rng = np.random.default_rng(8)
    radius = 20.0
    words = np.array(["LSL", "RSR", "LSR", "RSL", "LRL", "RLR"])[rng.integers(0, 6, 4000)]
    pieces = rng.uniform(0.0, 2 * PI * radius, (4000, 3)) * rng.uniform(0.0, 1.0, (4000, 1))
    ends = np.array([flow((0, 0, 0.3), *case, radius, 40) for case in zip(words, pieces, strict=True)])
    starts = np.broadcast_to([0, 0, 0.3], (4000, 3))
    best = dubins_lengths(starts, ends, radius)
    tried = pieces.sum(axis=1)
    assert (best <= tried + 1e-3).all()
    assert (best >= tried - 1e-3).mean() > 0.2  # the bound is reached, not merely kept


@given(poses, poses, radii, st.sampled_from([0.005, 0.25]))
@settings(max_examples=100, deadline=None)
def test_points_follow_the_path(start, goal, radius, sagitta):
    for path in dubins_paths(start, goal, radius):
        xy = path.points(sagitta)
        assert tuple(xy[0]) == (start.x, start.y)
        if path.length_m < 1e-5:
            continue
        assert tuple(xy[-1]) == (goal.x, goal.y)
        steps = np.hypot(*np.diff(xy, axis=0).T)
        assert steps.min() > 1e-6
        assert steps.max() <= max(25.0, 2 * radius * np.arccos(1 - sagitta / radius)) + 1e-3
        # An arc is longer than its inscribed chords by at most a known share.
        assert steps.sum() <= path.length_m + 1e-3
        assert steps.sum() >= path.length_m * (1 - sagitta / radius) - 1e-3
        # No three vertices bend tighter than the radius.
        a, b, c = xy[:-2], xy[1:-1], xy[2:]
        area = 0.5 * np.abs((b - a)[:, 0] * (c - a)[:, 1] - (b - a)[:, 1] * (c - a)[:, 0])
        sides = np.hypot(*(b - a).T) * np.hypot(*(c - b).T) * np.hypot(*(a - c).T)
        long_enough = np.minimum(steps[:-1], steps[1:]) > 0.05
        assert (4 * area[long_enough] * 0.97 * radius <= sides[long_enough]).all()


@given(poses, poses, radii)
@settings(max_examples=100, deadline=None)
def test_paths_are_sorted_distinct_and_say_their_side(start, goal, radius):
    paths = dubins_paths(start, goal, radius)
    lengths = [path.length_m for path in paths]
    assert lengths == sorted(lengths) or np.diff(lengths).min() > -1e-5
    assert lengths[0] == pytest.approx(dubins_lengths([start.row], [goal.row], radius)[0], abs=1e-6)
    for path in paths:
        turned = path.turned_rad - (goal.heading_rad - start.heading_rad)
        assert abs(np.angle(np.exp(1j * turned))) < 1e-4


def test_sides_of_the_turns_between_two_passes():
    wide = dubins_paths(Pose(0, 0, 0), Pose(0, 100, PI), 50.0)[0]
    assert wide.turned_rad == pytest.approx(PI)
    back = {path.word: path for path in dubins_paths(Pose(0, 0, 0), Pose(0, 0, PI), 50.0)[:2]}
    assert set(back) == {"LRL", "RLR"}
    assert back["LRL"].turned_rad == pytest.approx(-PI)
    assert back["RLR"].turned_rad == pytest.approx(PI)
    assert dubins_paths(Pose(0, 0, 0), Pose(9, 0, 0), 50.0)[0].turned_rad == 0.0


def test_rounding_never_adds_a_circle():
    pose = Pose(12345.678, -9876.543, 2.345)
    same = dubins_paths(pose, pose, 50.0)[0]
    assert same.length_m == 0.0
    assert same.points().shape == (1, 2)
    for ahead in (1e-7, 1e-3, 1.0, 800.0):
        for noise in (-1e-12, 0.0, 1e-12):
            goal = Pose(
                pose.x + ahead * np.cos(pose.heading_rad),
                pose.y + ahead * np.sin(pose.heading_rad) + noise,
                pose.heading_rad + noise,
            )
            found = dubins_paths(pose, goal, 50.0)[0].length_m
            assert found == pytest.approx(ahead, abs=1e-6)
    # Half a circle, then the same circle met again with rounding in every figure.
    for turned in (1e-6, 0.5, PI, 6.0, 2 * PI - 1e-6):
        goal = Pose(
            pose.x + 50.0 * (np.sin(pose.heading_rad + turned) - np.sin(pose.heading_rad)),
            pose.y - 50.0 * (np.cos(pose.heading_rad + turned) - np.cos(pose.heading_rad)),
            pose.heading_rad + turned,
        )
        assert dubins_paths(pose, goal, 50.0)[0].length_m <= 50.0 * turned + 1e-6


def test_a_straight_that_four_classes_share_comes_once():
    paths = dubins_paths(Pose(0, 0, 0.4), Pose(100 * np.cos(0.4), 100 * np.sin(0.4), 0.4), 30.0)
    assert [path.length_m for path in paths][:1] == pytest.approx([100.0])
    assert paths[1].length_m > 118.0  # a swerve of three arcs comes next
    assert {path.word for path in paths if path.length_m < 110.0} == {"LSL"}


@pytest.mark.parametrize(
    ("start", "goal", "radius", "match"),
    [
        ([[0, 0, 0]], [[1, 0, 0]], 0.0, "radius_m is 0.0; it must be above zero"),
        ([[0, 0, 0]], [[1, 0, 0]], float("nan"), "radius_m is nan"),
        ([[0, 0, 0]], [[1, 0, 0], [2, 0, 0]], 5.0, r"starts \(1, 3\) and goals \(2, 3\)"),
        ([[0, 0]], [[1, 0]], 5.0, r"must both be \(n, 3\)"),
        ([[0, 0, 0]], [[float("inf"), 0, 0]], 5.0, "every pose must be finite"),
    ],
)
def test_bad_input_is_named(start, goal, radius, match):
    with pytest.raises(ValueError, match=match):
        dubins_lengths(start, goal, radius)


def test_points_want_a_sagitta():
    with pytest.raises(ValueError, match="sagitta_m is 0"):
        dubins_paths(Pose(0, 0, 0), Pose(9, 9, 0), 5.0)[0].points(0.0)
