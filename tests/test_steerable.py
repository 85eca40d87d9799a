"""Steerable lines: never tighter than R, on the line where it allows, on the deep side where it does not."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import LineString, MultiPolygon, Point, box

from spotmap.polyline import circumradius_m, length_m, places_at
from spotmap.steerable import steerable_line

R = 40.0


def tightest(xy: np.ndarray) -> float:
    along = np.arange(0.0, length_m(xy) - 12.0, 1.0)
    return float(circumradius_m(*(places_at(xy, along + part) for part in (0.0, 6.0, 12.0))).min())


@settings(max_examples=25, deadline=None, derandomize=True)
@given(
    st.integers(0, 10_000),
    st.floats(0.0, 60.0),
    st.floats(100.0, 400.0),
    st.floats(0.0, 2.5),
    st.booleans(),
)
def test_gentle_lines_with_survey_noise_are_followed_within_5_m(
    seed: int, height: float, wave: float, noise: float, left: bool
) -> None:
    """The line's own bends allow R (height ≤ wave²/R/20); the noise does not."""
    x = np.arange(0.0, 1500.0, 6.0)
    height = min(height, (wave / (2 * np.pi)) ** 2 / (1.5 * R))
    y = height * np.sin(2 * np.pi * x / wave) + np.random.default_rng(seed).normal(0.0, noise, len(x))
    track = steerable_line(LineString(np.column_stack([x, y])), R, deep_on_left=left)
    assert track.radius_m.min() >= R * 0.999
    assert tightest(track.xy) >= 0.97 * R
    off = LineString(np.column_stack([x, y]))
    distance = np.array([off.distance(Point(p)) for p in places_at(track.xy, np.arange(0, length_m(track.xy), 5.0))])
    assert np.quantile(distance, 0.95) <= 5.0


def test_too_tight_a_corner_is_rounded_on_the_deep_side() -> None:
    corner = LineString([(0, 0), (500, 0), (500, 500)])
    inside = steerable_line(corner, R, deep_on_left=True)
    outside = steerable_line(corner, R, deep_on_left=False)
    for track in (inside, outside):
        assert track.radius_m.min() >= R * 0.999
        assert np.abs(track.off_m).max() <= R / 2
        # the deep side has by far the most of what is off the line
        assert np.clip(track.off_m, 0, None).sum() > 4 * np.clip(-track.off_m - 1.0, 0, None).sum()
    assert inside.off_m.max() == pytest.approx(R * (np.sqrt(2) - 1), abs=7.0)


def test_track_is_pressed_round_a_rock_into_open_water() -> None:
    rock = Point(700.0, 5.0).buffer(30.0)
    water = MultiPolygon([box(-100, -500, 1600, 500).difference(rock)])
    track = steerable_line(LineString([(0, 0), (1500, 0)]), R, deep_on_left=True, water=water)
    assert water.covers(LineString(track.xy))
    assert track.radius_m.min() >= R * 0.999
    assert np.abs(track.off_m).max() < 50.0


def test_chords_stay_within_5_mm_of_the_curve() -> None:
    x = np.arange(0.0, 800.0, 4.0)
    track = steerable_line(LineString(np.column_stack([x, 30 * np.sin(x / 60)])), 30.0, deep_on_left=True)
    chord = np.hypot(*np.diff(track.xy, axis=0).T)
    radius = np.minimum(track.radius_m[1:], track.radius_m[:-1])
    assert (chord**2 / (8 * radius)).max() < 0.0075


def test_mirror_image_gives_mirror_image() -> None:
    x = np.arange(0.0, 600.0, 5.0)
    line = np.column_stack([x, 25 * np.sin(x / 45)])
    one = steerable_line(LineString(line), R, deep_on_left=True)
    other = steerable_line(LineString(line * [1, -1]), R, deep_on_left=False)
    assert LineString(one.xy).hausdorff_distance(LineString(other.xy * [1, -1])) < 0.05
