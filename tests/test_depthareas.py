from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
import shapely
from pyproj import Geod

from layers._errors import InputError
from layers.depthareas import AreaDepth, open_depth_areas
from layers.projection import LocalProjection

if TYPE_CHECKING:
    from pathlib import Path

LOCAL = LocalProjection(-150.0, 46.0)
LEFT, RIGHT = shapely.box(-200, 0, 0, 100), shapely.box(0, 0, 200, 100)


def areas(path: Path, shapes: list[Any], fields: list[dict[str, Any]], unit: str = "m", **keys: Any) -> AreaDepth:
    listed = []
    for shape, properties in zip(shapes, fields, strict=True):
        degrees = shapely.transform(shape, lambda c: np.column_stack(LOCAL.to_geographic(*c.T)))
        geometry = json.loads(shapely.to_geojson(degrees))
        listed.append({"type": "Feature", "properties": properties, "geometry": geometry})
    path.write_text(json.dumps({"type": "FeatureCollection", "features": listed}), encoding="utf-8")
    keys = {"values": "depth", "where": "area.toml, layer 1 (depth)", **keys}
    return open_depth_areas(path, LOCAL, unit=unit, **keys)


def at(layer: AreaDepth, *places: tuple[float, float]) -> list[float]:
    return layer.depth_at(*np.array(places, dtype=float).T).tolist()


def test_areas_side_by_side(tmp_path: Path) -> None:
    dry = shapely.box(-200, 100, 200, 150)
    fields = [{"DRVAL1": 20, "DRVAL2": 30}, {"DRVAL1": 5, "DRVAL2": 20}, {"DRVAL1": -2, "DRVAL2": 0}]
    layer = areas(tmp_path / "a.geojson", [LEFT, RIGHT, dry], fields)
    assert at(layer, (-100, 50), (100, 50), (0, 120), (0, 50)) == [20, 5, -2, 5]  # on an edge the shallower
    assert np.isnan(at(layer, (300, 50), (np.nan, 0))).all()
    assert layer.bounds == pytest.approx((-200, 0, 200, 150), abs=0.1)
    assert layer.deeper_than(20.0).symmetric_difference(LEFT).area < 20
    assert layer.deeper_than(20.1).is_empty
    assert layer.known().area == pytest.approx(60_000, rel=1e-3)
    assert layer.known((-50.0, 0.0, 50.0, 50.0)).area == pytest.approx(5000, rel=2e-3)
    # The line is the edge to shallower water, never the edge of knowledge.
    (line,) = layer.depth_line(20.0).geoms
    assert line.hausdorff_distance(shapely.LineString([(0, 0), (0, 100), (-200, 100)])) < 0.1
    assert layer.depth_line(12.0).hausdorff_distance(line) < 0.1  # somewhere in the right one: the deep side's edge
    (line,) = layer.depth_line(5.0).geoms
    assert line.hausdorff_distance(shapely.LineString([(-200, 100), (200, 100)])) < 0.1
    assert layer.depth_line(5.0, (-50.0, 50.0, 60.0, 140.0)).length == pytest.approx(110, abs=0.2)
    assert layer.depth_line(25.0).is_empty


def test_neighbours_with_other_vertices_leave_no_slit(tmp_path: Path) -> None:
    """Long edges are bent when projected; where a neighbour ends half-way, the two bend differently."""
    south = shapely.Polygon([(-150.3, 45.9), (-149.7, 45.9), (-149.7, 46.06), (-150.3, 46.0)])
    halves = [
        shapely.Polygon([(-150.3, 46.0), (-149.97, 46.033), (-149.97, 46.2), (-150.3, 46.2)]),
        shapely.Polygon([(-149.97, 46.033), (-149.7, 46.06), (-149.7, 46.2), (-149.97, 46.2)]),
    ]
    local = [shapely.transform(p, lambda c: np.column_stack(LOCAL.to_local(*c.T))) for p in (south, *halves)]
    layer = areas(tmp_path / "a.geojson", local, [{"min": 20}, {"min": 30}, {"min": 10}])
    (deep,) = layer.deeper_than(15.0).geoms
    assert not deep.interiors
    (known,) = layer.known().geoms
    assert not known.interiors
    (line,) = layer.depth_line(20.0).geoms
    edge = shapely.LineString([(-149.7, 46.06), (-149.97, 46.033), (-149.97, 46.2)])
    metres = Geod(ellps="WGS84").geometry_length(edge)
    assert line.length == pytest.approx(metres, rel=1e-4)


def test_where_areas_overlap_the_shallower_counts(tmp_path: Path) -> None:
    rock = shapely.Point(-100, 50).buffer(20)
    layer = areas(tmp_path / "a.geojson", [LEFT, rock], [{"depth_min": 20}, {"depth_min": 3}])
    assert at(layer, (-100, 50), (-150, 50)) == [3, 20]
    assert layer.deeper_than(10.0).area == pytest.approx(20_000 - rock.area, rel=1e-3)
    assert layer.deeper_than(2.0).area == pytest.approx(20_000, rel=1e-3)
    assert layer.depth_line(20.0).length == pytest.approx(rock.length, rel=1e-2)


def test_without_a_minimum_water_is_unknown(tmp_path: Path) -> None:
    unsurveyed = shapely.box(-150, 20, 50, 80)
    fields = [{"min": 20, "max": 30}, {"min": 10, "max": 20}, {"min": None, "max": 40}]
    layer = areas(tmp_path / "a.geojson", [LEFT, RIGHT, unsurveyed], fields)
    assert np.isnan(at(layer, (-100, 50), (20, 50))).all()
    assert at(layer, (-180, 50), (100, 50)) == [20, 10]
    for answer in (layer.known(), layer.deeper_than(-99.0), layer.depth_line(20.0)):
        assert not answer.intersects(unsurveyed.buffer(-0.1))
    assert layer.depth_line(20.0).length == pytest.approx(40, abs=0.5)


def test_a_broken_area_never_claims_more_deep_water(tmp_path: Path) -> None:
    bow = shapely.Polygon([(-150, 20), (-50, 80), (-50, 20), (-150, 80)])
    # A ring that runs over its own middle twice: in there the two usual repairs disagree.
    twice = shapely.Polygon([(0, 0), (90, 0), (90, 90), (30, 90), (30, 30), (120, 30), (120, 60), (0, 60)])
    assert not bow.is_valid
    assert not twice.is_valid
    shallow = areas(tmp_path / "a.geojson", [LEFT, RIGHT, bow, twice], [{"min": m} for m in (20, 20, 3, 3)])
    assert not shallow.deeper_than(10.0).intersects(shapely.Point(60, 45).buffer(1))
    assert shallow.deeper_than(10.0).intersection(bow.envelope).area == pytest.approx(3000, rel=0.02)
    deep = areas(tmp_path / "b.geojson", [bow, twice], [{"min": 20}, {"min": 20}])
    assert np.isnan(at(deep, (60, 45))).all()
    assert at(deep, (10, 10), (-60, 50)) == [20, 20]


def test_units_elevation_names_and_fathoms(tmp_path: Path) -> None:
    up = areas(tmp_path / "a.geojson", [LEFT, RIGHT], [{"Min": -90, "MAX": -60}, {"Min": -60, "MAX": -12}], "ft",
               values="elevation")  # fmt: skip
    assert at(up, (-100, 50), (100, 50)) == pytest.approx([60 * 0.3048, 12 * 0.3048])
    named = areas(tmp_path / "b.geojson", [LEFT, RIGHT], [{"shoal": 9.1}, {"shoal": 5.4}], columns={"min": "Shoal"})
    # source: check_values.md, "Charts": 5 fathoms is cut to 9.1 m, so 30 ft must find it
    assert named.line_depth(30 * 0.3048) == 9.1
    assert named.depth_line(30 * 0.3048).length == pytest.approx(100, abs=0.2)
    assert named.deeper_than(30 * 0.3048).is_empty  # but nobody promised 9.144 m there
    assert not named.deeper_than(9.1).is_empty


def test_what_is_no_depth_area_is_told(tmp_path: Path) -> None:
    cases: list[tuple[str, list[Any], list[dict[str, Any]]]] = [
        ("feature 2: the maximum 5 is under the minimum 20", [LEFT, RIGHT], [{"min": 1}, {"min": 20, "max": 5}]),
        ("no attribute min or .*; the file has depth", [LEFT], [{"depth": 5}]),
        ("no attribute min", [LEFT], [{"min": None}]),
        ("feature 1: LineString where polygons", [LEFT.exterior], [{"min": 5}]),
        ("feature 1: the polygon is too broken", [shapely.Polygon([(0, 0), (50, 0), (0, 0)])], [{"min": 5}]),
        ("feature 1: min is 'deep', which is no number", [LEFT], [{"min": "deep"}]),
    ]  # fmt: skip
    for words, shapes, fields in cases:
        with pytest.raises(InputError, match=rf"^area\.toml, layer 1 \(depth\).*{words}"):
            areas(tmp_path / "a.geojson", shapes, fields)
