from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import numpy as np
import pyogrio
import pytest
import shapely
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from layers._errors import InputError
from layers.projection import LocalProjection
from layers.tin import TinDepth, open_contours, open_soundings

if TYPE_CHECKING:
    from pathlib import Path

LOCAL = LocalProjection(-150.0, 46.0)
WHERE = "area.toml, layer 1 (depth)"


def plane(x: Any, y: Any) -> Any:
    return 30 + 0.02 * x - 0.01 * y


def scattered(n: int = 400, seed: int = 1) -> np.ndarray:
    return np.random.default_rng(seed).uniform(-500, 500, (n, 2))


def table(path: Path, xy: np.ndarray, depth: Any, header: str = "lon,lat,depth", between: str = ",") -> Path:
    lon, lat = LOCAL.to_geographic(*xy.T)
    rows = [
        between.join(f"{v:.10f}" for v in row) for row in zip(lon, lat, np.broadcast_to(depth, lon.shape), strict=True)
    ]
    path.write_text("\n".join([header, *rows, ""]), encoding="utf-8-sig")
    return path


def to_degrees(c: np.ndarray) -> np.ndarray:
    return np.column_stack([*LOCAL.to_geographic(c[:, 0], c[:, 1]), *c.T[2:]])


def features(path: Path, shapes: list[Any], values: list[Any], name: str = "depth") -> Path:
    """Write local geometry as GeoJSON; one attribute."""
    listed = []
    for shape, value in zip(shapes, values, strict=True):
        degrees = shapely.transform(shape, to_degrees, include_z=shape.has_z)
        geometry = json.loads(shapely.to_geojson(degrees))
        listed.append({"type": "Feature", "properties": {name: value}, "geometry": geometry})
    path.write_text(json.dumps({"type": "FeatureCollection", "features": listed}), encoding="utf-8")
    return path


def soundings(path: Path, unit: str = "m", values: str = "depth", **columns: str) -> TinDepth:
    return open_soundings(path, LOCAL, values=values, unit=unit, where=WHERE, columns=columns or None)


def contours(path: Path, unit: str = "m", values: str = "depth", **columns: str) -> TinDepth:
    return open_contours(path, LOCAL, values=values, unit=unit, where=WHERE, columns=columns or None)


def circle(radius: float, n: int = 180) -> shapely.LineString:
    turn = np.linspace(0, 2 * np.pi, n + 1)
    return shapely.LineString(radius * np.column_stack([np.cos(turn), np.sin(turn)]))


def test_a_plane_in_soundings_reads_back(tmp_path: Path) -> None:
    xy = scattered()
    layer = soundings(table(tmp_path / "s.csv", xy, plane(*xy.T)))
    x, y = scattered(1000, seed=2).T
    depth = layer.depth_at(x.reshape(10, 100), y.reshape(10, 100)).ravel()
    known = np.isfinite(depth)
    assert known.mean() > 0.9
    assert known.tolist() == shapely.intersects_xy(layer.known(), x, y).tolist()
    assert depth[known] == pytest.approx(plane(x, y)[known], abs=1e-5)
    at_soundings = layer.depth_at(*xy.T)
    known = np.isfinite(at_soundings)
    assert known.mean() > 0.9
    assert at_soundings[known] == pytest.approx(plane(*xy.T)[known], abs=1e-5)
    line = layer.depth_line(32.0)
    assert plane(*shapely.get_coordinates(line).T) == pytest.approx(32.0, abs=1e-5)
    across = shapely.LineString([(-1000, -2200.0), (1000, 1800.0)])  # 30 + 0.02 x − 0.01 y = 32
    assert line.length == pytest.approx(layer.known().intersection(across).length, rel=1e-4)
    deep = shapely.Polygon([(-1000, -2200), (1000, 1800), (1000, -2200)])
    exact = layer.known().intersection(deep)
    assert layer.deeper_than(32.0).symmetric_difference(exact).area < 1e-6 * exact.area
    box = (-100.0, -250.0, 300.0, 250.0)
    clip = shapely.box(*box)
    assert layer.deeper_than(32.0, box).symmetric_difference(exact.intersection(clip)).area < 1
    assert layer.depth_line(32.0, box).length == pytest.approx(line.intersection(clip).length, rel=1e-6)
    assert layer.known(box).area == pytest.approx(layer.known().intersection(clip).area)
    assert np.isnan(layer.depth_at(np.array([np.nan, 5000.0]), np.zeros(2))).all()


def test_every_way_of_writing_soundings_reads_the_same(tmp_path: Path) -> None:
    xy = scattered(100)
    depth = plane(*xy.T)
    points = shapely.points(xy)
    with_z = shapely.points(np.column_stack([xy, depth]))
    groups = [shapely.multipoints(with_z[:60]), shapely.multipoints(with_z[60:])]
    layers = [
        soundings(table(tmp_path / "a.csv", xy, depth)),
        soundings(table(tmp_path / "b.txt", xy, depth / 0.3048, "Longitude;LAT;Depth", ";"), unit="ft"),
        soundings(table(tmp_path / "c.csv", xy, -depth / 1.8288, "lon,lat,bed"), "fathom", "elevation", depth="Bed"),
        soundings(features(tmp_path / "d.geojson", list(points), list(depth), "VALSOU")),
        soundings(features(tmp_path / "e.geojson", list(with_z), [7] * 100, "quality")),
        soundings(features(tmp_path / "f.geojson", groups, [1, 2], "id")),
        soundings(features(tmp_path / "g.geojson", list(points), list(depth), "metres"), depth="metres"),
    ]  # fmt: skip
    for layer in layers:
        assert layer.depth_at(*scattered(50, 4).T / 2) == pytest.approx(plane(*scattered(50, 4).T / 2), abs=1e-5)


def test_water_without_soundings_is_unknown(tmp_path: Path) -> None:
    x, y = np.meshgrid(np.arange(-500, 501, 20.0), np.arange(-500, 501, 20.0))
    gap = np.hypot(x, y) < 150
    xy = np.column_stack([x[~gap], y[~gap]])
    layer = soundings(table(tmp_path / "s.csv", xy, plane(*xy.T)))
    assert np.isnan(layer.depth_at(*np.array([[0, 0], [60, -60], [-80, 20]]).T)).all()
    assert np.isfinite(layer.depth_at(*np.array([[200, 200], [-300, 0]]).T)).all()
    hole = shapely.Point(0, 0).buffer(100)
    assert not layer.known().intersects(hole)
    assert not layer.deeper_than(10.0).intersects(hole)
    line = layer.depth_line(30.0)  # runs through the gap's middle
    assert len(line.geoms) == 2
    assert not line.intersects(hole)
    assert layer.known().area == pytest.approx(1e6 - np.pi * 150**2, rel=0.02)


def test_of_two_soundings_at_one_place_the_shallower_counts(tmp_path: Path) -> None:
    corners = np.array([[-50, -50], [50, -50], [50, 50], [-50, 50], [0, 0], [0, 0], [0.0002, 0]])
    layer = soundings(table(tmp_path / "s.csv", corners, [30, 30, 30, 30, 28, 3, 25]))
    assert float(layer.depth_at(np.array(0.0), np.array(0.0))) == pytest.approx(3, abs=1e-3)


@settings(max_examples=20, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(seed=st.integers(0, 10_000), level=st.integers(0, 6), grid=st.booleans())
def test_whole_metres_cut_the_water_in_two(tmp_path: Path, seed: int, level: int, *, grid: bool) -> None:
    """Ties everywhere: deep and shallow water still tile the known, and agree with the depth at every place."""
    rng = np.random.default_rng(seed)
    xy = np.stack(np.meshgrid(np.arange(8), np.arange(8)), -1).reshape(-1, 2) * 20.0
    if not grid:
        xy = rng.uniform(0, 160, (64, 2))
    layer = soundings(table(tmp_path / "s.csv", xy, rng.integers(0, 6, 64).astype(float)))
    deep, known, line = layer.deeper_than(float(level)), layer.known(), layer.depth_line(float(level))
    assert deep.is_valid
    x, y = rng.uniform(0, 160, (300, 2)).T
    depth = layer.depth_at(x, y)
    clear = ~shapely.intersects(
        shapely.buffer(shapely.union(deep.boundary, known.boundary), 1e-3), shapely.points(x, y)
    )
    assert (depth >= level)[clear].tolist() == shapely.intersects_xy(deep, x, y)[clear].tolist()
    # The edge between deep and shallow water is the line, and all of it.
    edge = deep.boundary.difference(known.boundary.buffer(1e-3))
    assert edge.difference(line.buffer(1e-3)).length < 1e-2
    assert line.difference(shapely.union(deep.boundary, known.boundary).buffer(1e-3)).length < 1e-2


def test_contours_of_a_cone(tmp_path: Path) -> None:
    depths = [10.0, 20.0, 30.0, 40.0]
    layer = contours(features(tmp_path / "c.geojson", [circle(10 * d) for d in depths], depths, "VALDCO"))
    (ring,) = layer.depth_line(20.0).geoms
    assert ring.hausdorff_distance(circle(200)) < 0.02
    away = np.hypot(*shapely.get_coordinates(layer.depth_line(25.0)).T)
    assert away == pytest.approx(250, abs=1.0)
    turn = np.linspace(0, 6, 50)
    for radius in (120, 150, 270, 333):
        depth = layer.depth_at(radius * np.cos(turn), radius * np.sin(turn))
        assert depth == pytest.approx(radius / 10, abs=0.15)
    ring_area = np.pi * (400**2 - 250**2)
    assert layer.deeper_than(25.0).area == pytest.approx(ring_area, rel=0.01)
    # Inside the shallowest contour there may be a rock to the surface.
    assert layer.depth_at(np.array([0.0, 50.0]), np.zeros(2)).tolist() == [0.0, 0.0]


def test_flat_triangles_promise_only_the_next_shallower_contour(tmp_path: Path) -> None:
    depths = [10.0, 20.0, 30.0]
    rings = [circle(350), circle(250), circle(150)]  # a hole by the look of it, or a hump in its middle
    layer = contours(features(tmp_path / "c.geojson", rings, depths))
    middle = np.zeros(2), np.array([0.0, 60.0])
    assert layer.depth_at(*middle).tolist() == [20.0, 20.0]
    inside = shapely.Point(0, 0).buffer(140)
    assert layer.deeper_than(20.0).covers(inside)
    assert not layer.deeper_than(20.001).intersects(inside)
    assert layer.deeper_than(25.0).area == pytest.approx(np.pi * (200**2 - 150**2), rel=0.01)
    drying = contours(features(tmp_path / "d.geojson", [circle(100), circle(200)], [-1.0, 5.0]))
    assert np.isnan(drying.depth_at(np.array(0.0), np.array(0.0)))


@pytest.mark.parametrize(("asked_ft", "listed_m"), [(30, 9.1), (60, 18.2), (120, 36.5)])
def test_fathom_contours_cut_to_a_tenth_are_found(tmp_path: Path, asked_ft: float, listed_m: float) -> None:
    # source: check_values.md, "Charts": 5 fathoms is VALDCO 9.1, 10 fathoms 18.2. 20 fathoms = 36.576 m by the same cut
    depths = [9.1, 18.2, 36.5]
    layer = contours(features(tmp_path / "c.geojson", [circle(10 * d) for d in depths], depths, "VALDCO"))
    assert layer.line_depth(asked_ft * 0.3048) == listed_m
    (ring,) = layer.depth_line(asked_ft * 0.3048).geoms
    assert ring.hausdorff_distance(circle(10 * listed_m)) < 0.02
    assert layer.line_depth(asked_ft * 0.3048 + 0.1) != listed_m
    assert layer.line_depth(listed_m - 0.05) != listed_m  # never a deeper contour for a shallower wish


def test_contours_far_apart_know_nothing_between(tmp_path: Path) -> None:
    places = [*range(0, 501, 50), 1700]
    lines = [shapely.LineString([(x, -400), (x, 400)]) for x in places]
    layer = contours(features(tmp_path / "c.geojson", lines, list(range(10, 130, 10))))
    assert layer.depth_at(np.array([25.0, 75.0]), np.zeros(2)) == pytest.approx([15.0, 25.0], abs=0.05)
    assert np.isnan(layer.depth_at(np.array(1100.0), np.array(0.0)))
    assert layer.depth_line(20.0).length == pytest.approx(800, abs=1)
    assert not layer.deeper_than(1.0).intersects(shapely.box(550, -300, 1650, 300))


def test_contours_in_feet_of_elevation(tmp_path: Path) -> None:
    lines = [shapely.LineString([(x, -400), (x, 400)]) for x in (0, 50, 100)]
    path = features(tmp_path / "c.geojson", lines, [-30, -60, -90], "height")
    layer = contours(path, "ft", "elevation", depth="height")
    assert float(layer.depth_at(np.array(25.0), np.array(0.0))) == pytest.approx(45 * 0.3048, abs=0.01)


def test_what_is_no_depth_is_told(tmp_path: Path) -> None:
    xy = scattered(10)
    lon, lat = LOCAL.to_geographic(*xy.T)

    def told(words: str, call: Any, *args: Any, **kwargs: Any) -> None:
        with pytest.raises(InputError, match=rf"^area\.toml, layer 1 \(depth\).*{words}"):
            call(*args, **kwargs)

    told("3 different places, and no three of them make a triangle", soundings,
         table(tmp_path / "a.csv", np.array([[0.0, -90], [0.0, 0], [0.0, 50]]), 5.0))  # fmt: skip
    told("2 different places", soundings, table(tmp_path / "b.csv", xy[:2], 5.0))
    told("no column depth or .*header has lon, lat, temperature", soundings,
         table(tmp_path / "c.csv", xy, 5.0, "lon,lat,temperature"))  # fmt: skip
    (tmp_path / "d.csv").write_text("lon,lat,depth\n-150,46,5\n-150.1,46,\n")
    told("row 2 after the header.*lacks a number", soundings, tmp_path / "d.csv")
    (tmp_path / "e.csv").write_text("lat,lon,depth\n" + "".join(f"{a},{b},5\n" for a, b in zip(lon, lat, strict=True)))
    told("is not on the earth.*swapped", soundings, tmp_path / "e.csv")
    told("cannot be read", soundings, tmp_path / "none.geojson")
    told("Point where lines are wanted", contours, features(tmp_path / "f.geojson", list(shapely.points(xy)), [1] * 10))
    told("feature 2.*no depth", contours, features(tmp_path / "g.geojson", [circle(50), circle(90)], [5.0, None]))
    told("no attribute", contours, features(tmp_path / "h.geojson", [circle(50)], [5.0], "colour"))
    told("feature 1.*'deep'.*no number", contours, features(tmp_path / "i.geojson", [circle(50)], ["deep"]))
    empty = {"type": "Feature", "properties": {"depth": 1}, "geometry": None}
    (tmp_path / "j.geojson").write_text(json.dumps({"type": "FeatureCollection", "features": [empty]}))
    told("feature 1.*no geometry", contours, tmp_path / "j.geojson")
    shape = shapely.to_wkb(np.array([circle(50), circle(90)]))
    with pytest.warns(UserWarning, match="crs"):
        pyogrio.raw.write(tmp_path / "k.shp", shape, [np.array([5.0, 6.0])], ["depth"], geometry_type="LineString")
    told("no coordinate system", contours, tmp_path / "k.shp")
