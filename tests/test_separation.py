"""Distances between lines against closed forms, plane geometry by another library, and plain sampling."""

from __future__ import annotations

import tracemalloc
from math import inf, sqrt
from time import process_time

import numpy as np
import pytest
import shapely
from hypothesis import example, given, settings
from hypothesis import strategies as st

from spotmap import separation
from spotmap.separation import Lines, closest, worst

COORDINATE = st.one_of(st.integers(-4, 4).map(float), st.floats(-50.0, 50.0).map(lambda metres: round(metres, 7)))
PLACE = st.tuples(COORDINATE, COORDINATE, COORDINATE)
PIECE = st.tuples(PLACE, PLACE)


def gap(one, other):
    """Return the distance between two straight pieces: the leaders behind two clips of one cable."""
    knots = np.array([one, other], dtype=float)
    lines = Lines(np.full((1, 2, 2), 7.0), knots[None, ..., :2], knots[None, ..., 2], np.zeros(2, dtype=np.intp))
    return closest(lines).distance_m.item()


def sampled(one, other, samples=4001):
    """Return the least distance from places on one piece to the other piece, each by the foot of its normal."""
    (a, b), (c, d) = np.array(one, dtype=float), np.array(other, dtype=float)
    places = a + np.linspace(0.0, 1.0, samples)[:, None] * (b - a)
    length = np.linalg.norm(d - c)
    along = (places - c) @ ((d - c) / length) if length > 0.0 else np.zeros(samples)
    feet = c + (np.clip(along, 0.0, length) / max(length, 1e-300))[:, None] * (d - c)
    return np.linalg.norm(places - feet, axis=1).min(), np.linalg.norm(b - a) / samples


@pytest.mark.parametrize(
    ("one", "other", "distance_m"),
    # source: plane and solid geometry, each by hand
    [
        pytest.param([(0, 0, 0), (10, 0, 0)], [(2, 3, 4), (8, 3, 4)], 5.0, id="parallel"),
        pytest.param([(0, 0, 0), (10, 0, 0)], [(8, 3, 4), (2, 3, 4)], 5.0, id="parallel, against each other"),
        pytest.param([(0, 0, 0), (1, 0, 0)], [(4, 4, 0), (9, 4, 0)], 5.0, id="parallel, past each other"),
        pytest.param([(-5, 0, 1), (5, 0, 1)], [(0, -5, 3), (0, 5, 3)], 2.0, id="crossing one over the other"),
        pytest.param([(0, 0, 0), (2, 2, 2)], [(2, 0, 0), (0, 2, 2)], 0.0, id="crossing in one place"),
        pytest.param([(0, 0, 0), (3, 0, 0)], [(5, 0, 0), (9, 0, 0)], 2.0, id="end to end"),
        pytest.param([(3, 0, 0), (0, 0, 0)], [(9, 0, 0), (5, 0, 0)], 2.0, id="end to end, turned about"),
        pytest.param([(0, 0, 0), (5, 0, 0)], [(3, 0, 0), (9, 0, 0)], 0.0, id="on one line, overlapping"),
        pytest.param([(0, 0, 0), (4, 0, 0)], [(6, 1, 2), (6, 9, 2)], 3.0, id="corner to corner"),
        pytest.param([(0, 0, 0), (4, 4, 0)], [(4, 0, 0), (4, 0, 0)], sqrt(8.0), id="a point beside a piece"),
        pytest.param([(1, 2, 2), (1, 2, 2)], [(0, 0, 0), (0, 0, 0)], 3.0, id="two points"),
        pytest.param([(1, 2, 2), (1, 2, 5)], [(1, 2, 2), (1, 2, 5)], 0.0, id="one and the same"),
    ],
)
def test_closed_forms(one, other, distance_m):
    assert gap(one, other) == pytest.approx(distance_m, abs=1e-9)
    assert gap(other, one) == pytest.approx(distance_m, abs=1e-9)


@given(PIECE, PIECE)
@example(((0.0, 0.0, 0.0), (10.0, 0.0, 0.0)), ((0.0, 1.0, 0.0), (10.0, 1.0, 1e-9)))
@example(((0.0, 0.0, 0.0), (10.0, 0.0, 0.0)), ((12.0, 0.0, 0.0), (30.0, 1e-7, 0.0)))
@settings(max_examples=300, deadline=None)
def test_plain_sampling_finds_nothing_nearer(one, other):
    nearest, spacing = sampled(one, other)
    assert nearest - spacing - 1e-6 <= gap(one, other) <= nearest + 1e-6


@given(PIECE, PIECE)
@settings(max_examples=200, deadline=None)
def test_level_pieces_are_as_far_apart_as_on_the_chart(one, other):
    level = [[(x, y, 6.0) for x, y, _ in piece] for piece in (one, other)]
    expected = shapely.distance(*(shapely.LineString([place[:2] for place in piece]) for piece in level))
    assert gap(*level) == pytest.approx(expected, abs=1e-6)


@given(PIECE, PIECE, st.floats(-3.2, 3.2), PLACE, st.floats(0.1, 10.0))
@settings(max_examples=150, deadline=None)
def test_moved_turned_mirrored_scaled_and_turned_about(one, other, angle, shift, scale):
    cos, sin = np.cos(angle), np.sin(angle)
    turn = np.array([[cos, -sin, 0.0], [sin, cos, 0.0], [0.0, 0.0, -1.0]])
    moved = [(np.array(piece) @ turn.T + shift) * scale for piece in (one, other)]
    here = gap(one, other)
    assert gap(*moved) == pytest.approx(scale * here, abs=1e-5)
    assert gap(one[::-1], other) == pytest.approx(here, abs=1e-6)


def pulled_about(moments, rods, seed=1):
    random = np.random.default_rng(seed)
    tips = random.uniform(-4.0, 4.0, (moments, rods, 2))
    ends = tips[:, :, None, :] + np.cumsum(random.uniform(-12.0, 2.0, (moments, rods, 2, 2)), axis=2)
    return Lines(tips, ends, random.uniform(1.0, 30.0, (moments, rods, 2)))


def test_every_piece_of_every_pair_counts():
    lines = pulled_about(6, 4)
    near = closest(lines)
    assert near.pairs.tolist() == [[0, 1], [0, 2], [0, 3], [1, 2], [1, 3], [2, 3]]
    for moment in range(6):
        knots = [
            [(*lines.tips[moment, rod], 0.0), *np.column_stack([lines.ends[moment, rod], lines.depth_m[moment, rod]])]
            for rod in range(4)
        ]
        for column, (one, other) in enumerate(near.pairs):
            pieces = [
                sampled(knots[one][i : i + 2], knots[other][j : j + 2], 2001)[0] for i in range(2) for j in range(2)
            ]
            assert near.distance_m[moment, column] == pytest.approx(min(pieces), abs=0.01)


def test_flat_line_is_one_piece():
    tips = np.array([[[0.0, 0.0], [5.0, 0.0]]])
    ends = np.array([[[[0.0, -20.0], [0.0, -20.0]], [[5.0, -6.0], [1.0, -12.0]]]])
    flat = closest(Lines(tips, ends, np.array([[0.0, 0.0], [0.0, 0.0]]))).distance_m
    # source: plane geometry, the lure is 1 m to the side of the flat line
    assert flat.item() == pytest.approx(1.0)


def test_shared_cable_does_not_count():
    tips = np.zeros((1, 3, 2))
    ends = np.array([[[[0.0, -4.0], [0.0, -9.0]], [[0.0, -8.0], [0.0, -13.0]], [[0.0, -8.0], [0.0, -13.0]]]])
    depth = np.array([[10.0, 10.0], [20.0, 20.0], [20.0, 20.0]])
    own = closest(Lines(tips, ends, depth)).distance_m[0]
    stacked = closest(Lines(tips, ends, depth, np.array([0, 0, 1]))).distance_m[0]
    assert own.tolist() == [0.0, 0.0, 0.0]
    # source: plane geometry, two level leaders 10 m one above the other, overlapping by 1 m
    assert stacked.tolist() == pytest.approx([10.0, 0.0, 0.0])


def test_one_cable_with_nothing_behind_it_has_nothing_to_compare():
    lines = Lines(np.zeros((1, 2, 2)), np.ones((1, 2, 1, 2)), np.zeros(1), np.zeros(2, dtype=np.intp))
    assert closest(lines).distance_m.item() == inf
    assert worst(lines)[0].distance_m == inf


def test_one_rod_has_no_pair():
    lines = Lines(np.zeros((3, 1, 2)), np.ones((3, 1, 2, 2)), np.zeros(1))
    assert closest(lines).distance_m.shape == (3, 0)
    assert worst(lines) == ()


@pytest.mark.parametrize("at_once", [1, 50, 1 << 20])
def test_worst_is_the_least_of_closest_however_it_is_cut(monkeypatch, at_once):
    lines = pulled_about(101, 5)
    near = closest(lines)
    monkeypatch.setattr(separation, "_AT_ONCE", at_once)
    np.testing.assert_array_equal(closest(lines).distance_m, near.distance_m)
    found = worst(lines)
    assert [list(one.pair) for one in found] == near.pairs.tolist()
    assert [one.step for one in found] == near.distance_m.argmin(axis=0).tolist()
    assert [one.distance_m for one in found] == near.distance_m.min(axis=0).tolist()


def test_worst_of_what_never_changes_is_the_first_moment(monkeypatch):
    monkeypatch.setattr(separation, "_AT_ONCE", 1)
    still = pulled_about(1, 3)
    lines = Lines(*(np.repeat(part, 4, axis=0) for part in (still.tips, still.ends, still.depth_m)))
    assert [one.step for one in worst(lines)] == [0, 0, 0]


def test_eight_rods_are_quick():
    lines = pulled_about(5000, 8)
    began = process_time()
    assert closest(lines).distance_m.shape == (5000, 28)
    assert process_time() - began < 0.3


def test_thirty_rods_fit_into_little_memory():
    lines = pulled_about(2000, 30)
    tracemalloc.start()
    try:
        assert len(worst(lines)) == 435
        peak_bytes = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert peak_bytes < 30e6
