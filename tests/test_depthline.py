"""Stretches of depth line, and lines in figures."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from shapely import LineString, Point

from layers.area import open_area
from layers.model import Area
from spotmap.depthline import deep_on_left, figures, stretch_near
from tests.small_area import SmallArea


def hill(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """A cone with its top at the middle: depth lines are rings, 2 cm deeper each metre out."""
    return 10.0 + 0.02 * np.hypot(x, y)


def ridge_and_knoll(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """A plane with a knoll 60 m across at (0, 300)."""
    return 30.0 + 0.04 * y - 20.0 * np.exp(-((x**2 + (y - 300) ** 2) / 45**2))


def area_of(tmp_path: Path, bottom: object) -> Area:
    return open_area(SmallArea(bottom=bottom).write(tmp_path))  # type: ignore[arg-type]


def test_stretch_is_centred_on_the_nearest_point_with_the_deep_side_to_port(tmp_path: Path) -> None:
    area = area_of(tmp_path, lambda x, y: 30.0 + 0.04 * y + 0.0 * x)
    near = Point(300.0, -200.0)
    stretch = stretch_near(area.depth, 30.0, near, 1000.0, shortest_m=100.0)
    assert stretch is not None
    middle = stretch.line.interpolate(0.5, normalized=True)
    assert middle.x == pytest.approx(300.0, abs=1.0)
    assert stretch.line.length == pytest.approx(1000.0, rel=1e-6)
    assert stretch.from_near_m == pytest.approx(200.0, abs=8.0)  # the local centre is rounded to 0.0001°
    west_to_east = stretch.line.coords[-1][0] - stretch.line.coords[0][0]
    assert west_to_east > 0  # deeper to the north is to port when heading east


def test_ring_is_cut_opposite_the_mark(tmp_path: Path) -> None:
    area = area_of(tmp_path, hill)
    ring_m = 2 * np.pi * 1000.0
    stretch = stretch_near(area.depth, 30.0, Point(1200.0, 0.0), 0.9 * ring_m, shortest_m=100.0)
    assert stretch is not None
    assert stretch.line.length == pytest.approx(0.9 * ring_m, rel=0.01)
    gap_middle = (np.array(stretch.line.coords[0]) + np.array(stretch.line.coords[-1])) / 2
    assert gap_middle[0] < -900
    whole = stretch_near(area.depth, 30.0, Point(1200.0, 0.0), 2 * ring_m, shortest_m=100.0)
    assert whole is not None
    assert whole.short_of_m == pytest.approx(ring_m, rel=0.02)


def test_a_ring_too_short_to_work_is_passed_over_and_told(tmp_path: Path) -> None:
    area = area_of(tmp_path, ridge_and_knoll)
    stretch = stretch_near(area.depth, 30.0, Point(0.0, 300.0), 800.0, shortest_m=250.0)
    assert stretch is not None
    assert len(stretch.skipped_m) == 1
    assert 100 < stretch.skipped_m[0] < 250
    assert stretch.line.length == pytest.approx(800.0, rel=0.01)


def test_no_line_at_all_is_none(tmp_path: Path) -> None:
    area = area_of(tmp_path, hill)
    assert stretch_near(area.depth, 500.0, Point(0.0, 0.0), 800.0, shortest_m=100.0) is None


def test_wriggles_do_not_shorten_the_track_that_was_asked_for(tmp_path: Path) -> None:
    area = area_of(tmp_path, lambda x, y: 30.0 + 0.04 * (y + 4.0 * np.sin(x / 12.0)))
    stretch = stretch_near(area.depth, 30.0, Point(0.0, 0.0), 1000.0, shortest_m=100.0)
    assert stretch is not None
    assert stretch.line.length > 1015.0
    assert Point(stretch.line.coords[0]).distance(Point(stretch.line.coords[-1])) == pytest.approx(1000.0, rel=0.03)


def test_deep_on_left_turns_a_line_round(tmp_path: Path) -> None:
    area = area_of(tmp_path, hill)
    line = LineString([(1000, -300), (1000, 300)])  # north, with the deep side to starboard
    assert deep_on_left(area.depth, line).coords[0] == (1000, 300)
    assert deep_on_left(area.depth, line.reverse()).coords[0] == (1000, 300)


def test_figures_of_a_circle_and_of_a_zigzag() -> None:
    angle = np.linspace(0.0, np.pi, 400)
    told = figures(LineString(150.0 * np.column_stack([np.cos(angle), np.sin(angle)])))
    assert told.radius_p05_m == pytest.approx(150.0, rel=0.01)
    assert told.length_m == pytest.approx(150 * np.pi, rel=1e-4)
    zigzag = figures(LineString([(i * 50.0, 50.0 * (i % 2)) for i in range(40)]))
    assert zigzag.straightness < 0.8
