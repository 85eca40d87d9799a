"""Survey quality of charts against the figures of CATZOC."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from shapely import box

from layers.chartquality import (
    CATEGORIES,
    by_quality,
    depth_uncertainty_m,
    position_uncertainty_m,
    quality_words,
    worst_depth_m,
    zones_of,
)


def zones(*told: tuple[shapely.Polygon, str, float, float]):
    shapes = np.array([one[0] for one in told], dtype=object)
    return zones_of(shapes, [one[1] for one in told], np.array([t[2] for t in told]), np.array([t[3] for t in told]))


# source: from memory, IHO S-57 / S-67 (check_values.md): depth accuracy at 10, 30 and 100 m
@pytest.mark.parametrize(
    ("name", "expected"),
    [("A1", [0.6, 0.8, 1.5]), ("A2", [1.2, 1.6, 3.0]), ("B", [1.2, 1.6, 3.0]), ("C", [2.5, 3.5, 7.0])],
)
def test_depth_accuracy_of_the_categories(name: str, expected: list[float]) -> None:
    category = next(one for one in CATEGORIES if one.name == name)
    assert depth_uncertainty_m([category] * 3, np.array([10.0, 30.0, 100.0]), np.zeros(3)) == pytest.approx(expected)


def test_worse_than_c_is_at_least_c_and_unassessed_has_no_number() -> None:
    depth = np.array([10.0, -2.0, np.nan])
    c, d, u = ([CATEGORIES[i]] * 3 for i in (3, 4, 5))
    assert (depth_uncertainty_m(d, depth, np.zeros(3)) >= depth_uncertainty_m(c, depth, np.zeros(3))).all()
    assert depth_uncertainty_m(c, depth, np.zeros(3)) == pytest.approx([2.5, 2.1, 2.0])
    assert not depth_uncertainty_m(u, depth, np.zeros(3)).any()
    assert depth_uncertainty_m(u, depth, np.full(3, 0.3)) == pytest.approx([0.3] * 3)


def test_a_thing_is_as_far_off_as_the_worst_zone_it_meets_says() -> None:
    told = zones(
        (box(1, 0, 2, 1), "3", 2.5, np.nan),
        (box(2, 0, 3, 1), "6", np.nan, 10.0),
        (box(0, 0, 1, 1), "1", np.nan, np.nan),
    )
    things = np.array([shapely.Point(0.5, 0.5), shapely.LineString([(0.5, 0.5), (1.5, 0.5)]), shapely.Point(2.5, 0.5)])
    things = np.append(things, [shapely.Point(9, 9), shapely.LineString([(1.5, 0.5), (2.5, 0.5)])])
    depth = np.full(5, 40.0)
    # A1: 5 m + 5 % of 40 m; B: 50 m; U with POSACC 10 m; no zone
    assert position_uncertainty_m(told, things, depth) == pytest.approx([7.0, 50.0, 10.0, 0.0, 50.0])
    # A1: 0.5 m + 1 %; B: 1.8 m but SOUACC 2.5 m; U; the thing's own SOUACC
    own = np.array([np.nan, np.nan, np.nan, 0.7, np.nan])
    assert worst_depth_m(told, things, depth, own) == pytest.approx([0.9, 2.5, 0.0, 0.7, 2.5])


def test_areas_are_cut_only_where_the_quality_changes() -> None:
    told = zones(
        (box(0, 0, 1, 1), "2", np.nan, 5.0), (box(1, 0, 2, 1), "2", np.nan, 9.0), (box(2, 0, 3, 1), "4", np.nan, np.nan)
    )
    areas = np.array([box(0.5, 0.2, 1.5, 0.8), box(1.5, 0.2, 4.0, 0.8)], dtype=object)
    pieces = by_quality(told, areas)
    # The first straddles two zones that say the same of depth.
    assert pieces.source.tolist() == [0, 1, 1, 1]
    assert pieces.shapes[0] is areas[0]
    assert sorted(one.name for one in pieces.category[1:]) == ["", "A2", "C"]
    assert shapely.area(pieces.shapes).sum() == pytest.approx(shapely.area(areas).sum())
    assert pieces.uncertainty_m(np.full(4, 10.0), np.full(4, np.nan)).max() == pytest.approx(2.5)


def test_words_tell_what_is_doubtful_first() -> None:
    shapes = np.array([box(0, 0, 1, 1), box(1, 0, 4, 1)], dtype=object)
    assert quality_words(["U", "U"], shapes) == "survey quality not assessed (CATZOC U) in 100 % of the charted water"
    words = "survey quality worse than C (CATZOC D) in 25 %, survey quality B in 75 % of the charted water"
    assert quality_words(["D", "B"], shapes) == words
    small = np.array([box(0, 0, 0.01, 0.01), box(1, 0, 4, 1)], dtype=object)
    assert "under 1 %, survey quality A1 in over 99 %" in quality_words(["", "A1"], small)
