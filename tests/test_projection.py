from __future__ import annotations

import numpy as np
import pytest
import shapely
from pyproj import Geod, Transformer

from layers.projection import LocalProjection, choose_projection, wide_edges

GEOD = Geod(ellps="WGS84")
CENTRES = [
    (-122.67, 48.15), (15.0, 70.0), (15.0, 85.0), (-40.0, 89.9), (174.0, -41.0), (-60.0, -75.0),
    (179.95, -16.5), (-179.95, 65.0), (0.0, 0.0),
]  # fmt: skip


def around(local: LocalProjection, reach_m: float, n: int = 48) -> tuple[np.ndarray, np.ndarray]:
    """Places at up to `reach_m` from the centre, by geodesics."""
    rng = np.random.default_rng(2)
    lon, lat, _ = GEOD.fwd(
        np.full(n, local.lon0_deg),
        np.full(n, local.lat0_deg),
        rng.uniform(0, 360, n),
        rng.uniform(0, reach_m, n),
    )
    return np.asarray(lon), np.asarray(lat)


@pytest.mark.parametrize("centre", CENTRES)
def test_distances_and_courses_are_those_of_the_geodesic(centre: tuple[float, float]) -> None:
    local = LocalProjection(*centre)
    lon, lat = around(local, 30_000.0)
    x, y = local.to_local(lon, lat)
    azimuth, _, distance = GEOD.inv(lon[:-1], lat[:-1], lon[1:], lat[1:])
    np.testing.assert_allclose(
        np.hypot(np.diff(x), np.diff(y)), distance, rtol=30.0**2 / (4 * 6371.0**2) + 30.0 / 1.9e6
    )
    heading = np.arctan2(np.diff(y), np.diff(x))
    middle = GEOD.fwd(lon[:-1], lat[:-1], azimuth, np.asarray(distance) / 2)
    course = local.true_course_deg(*local.to_local(middle[0], middle[1]), heading)
    expected = np.asarray(middle[2]) + 180.0
    off = (course - expected + 180.0) % 360.0 - 180.0
    np.testing.assert_allclose(off, 0.0, atol=0.02)
    assert ((course >= 0.0) & (course < 360.0)).all()


@pytest.mark.parametrize("centre", CENTRES)
def test_the_way_back_and_headings_invert(centre: tuple[float, float]) -> None:
    local = LocalProjection(*centre)
    lon, lat = around(local, 60_000.0)
    x, y = local.to_local(lon, lat)
    lon2, lat2 = local.to_geographic(x, y)
    _, _, off = GEOD.inv(lon, lat, lon2, lat2)
    assert np.max(off) < 2e-3
    assert ((lon2 >= -180.0) & (lon2 < 180.0)).all()
    course = np.linspace(0.0, 359.0, len(x))
    heading = local.heading_rad(x, y, course)
    np.testing.assert_allclose(local.true_course_deg(x, y, heading), course, atol=1e-9)
    assert ((heading >= -np.pi) & (heading < np.pi)).all()


def test_published_utm_point() -> None:
    # source: GeographicLib, GeoConvert manual: 33.3 N 44.4 E is 38N 444140.54 3684706.36
    east, north = 444140.54, 3684706.36
    local = LocalProjection(44.4, 33.3)
    point = local.project(shapely.Point(east, north), "EPSG:32638")
    assert np.hypot(point.x, point.y) < 0.01


def test_published_geodesic_azimuth() -> None:
    # source: GeodTest (Karney): 35.60777, -139.44815 to -11.17491, -69.95921: azimuth 111.098748430.
    # Lines from the centre of the projection are geodesics to within the flattening.
    local = LocalProjection(-139.44815, 35.60777)
    lon, lat, _ = GEOD.fwd(-139.44815, 35.60777, 111.098748430, 100.0)
    x, y = local.to_local(lon, lat)
    assert float(local.true_course_deg(0.0, 0.0, np.arctan2(y, x))) == pytest.approx(111.098748430, abs=1e-5)
    assert float(np.hypot(x, y)) == pytest.approx(100.0, abs=1e-4)


def test_parts_cut_at_180_are_joined_without_a_seam() -> None:
    # The Fiji box of RFC 7946 section 5.2, cut as section 3.1.9 asks.
    cut = shapely.MultiPolygon([shapely.box(177.0, -20.0, 180.0, -16.0), shapely.box(-180.0, -20.0, -178.0, -16.0)])
    whole = shapely.box(177.0, -20.0, 182.0, -16.0)
    for lon0 in (-179.5, 179.0, -180.0):
        local = LocalProjection(lon0, -18.0)
        joined = local.project(cut)
        assert joined.geom_type == "Polygon"
        assert not joined.interiors
        assert joined.symmetric_difference(local.project(whole)).area < 0.02 * joined.length
    line = shapely.MultiLineString([[(179.0, -17.0), (180.0, -17.5)], [(-180.0, -17.5), (-179.0, -18.0)]])
    assert local.project(line).geom_type == "LineString"


def test_edges_straight_in_degrees_are_followed() -> None:
    # A one-degree edge along 60 N strays 105 m from the straight line between its ends.
    local = LocalProjection(20.0, 60.0)
    parallel = local.project(shapely.LineString([(19.5, 60.0), (20.5, 60.0)]))
    x, y = local.to_local(np.linspace(19.5, 20.5, 1001), np.full(1001, 60.0))
    assert parallel.hausdorff_distance(shapely.LineString(np.column_stack([x, y]))) < 0.03
    straight = shapely.LineString([(x[0], y[0]), (x[-1], y[-1])])
    assert parallel.hausdorff_distance(straight) == pytest.approx(105.0, abs=1.0)
    # Short edges, as surveys have them, gain no vertices.
    short = shapely.LineString([(20.0, 60.0), (20.004, 60.003), (20.006, 60.0)])
    assert shapely.get_num_coordinates(local.project(short)) == 3


def test_other_systems_come_to_the_same_place() -> None:
    local = LocalProjection(-122.7, 48.1)
    shape = shapely.Polygon([(-122.8, 48.1), (-122.6, 48.12), (-122.65, 48.2)])
    expected = local.project(shape)
    mercator = Transformer.from_crs("EPSG:4326", "EPSG:3857", always_xy=True)
    fine = shapely.segmentize(shape, 0.001)
    web = shapely.transform(fine, lambda c: np.column_stack(mercator.transform(*c.T)))
    assert local.project(web, "EPSG:3857").symmetric_difference(expected).area < 0.02 * expected.length
    many = local.project(np.array([shape, None], dtype=object), "EPSG:4326")
    assert many[0].symmetric_difference(expected).area < 1e-3
    assert many[1] is None


def test_water_all_round_the_earth_and_over_the_pole() -> None:
    ring = [(lon, 80.0) for lon in range(-180, 181, 60)]
    cap = shapely.Polygon([*ring, (180.0, 90.0), (-180.0, 90.0)])
    local = LocalProjection(30.0, 89.9)
    shape = local.project(cap)
    assert shape.geom_type == "Polygon"
    assert shape.is_valid
    assert not shape.interiors
    x, y = local.to_local([0.0, 210.0, 120.0, 210.0], [89.99, 89.0, 85.0, 79.9])
    assert shapely.contains_xy(shape, x, y).tolist() == [True, True, True, False]
    # Land nearly everywhere: the far side is left out, and the plane is not turned inside out.
    world = shapely.MultiPolygon([shapely.box(-180, -90, -60, 90), shapely.box(-60, -90, 60, 90)])
    local = LocalProjection(10.0, 20.0)
    x, y = local.to_local([10.0, 61.0, -61.0, 100.0], [20.0, 20.0, 20.0, 0.0])
    assert shapely.contains_xy(local.project(world), x, y).tolist() == [True, False, True, False]


def test_an_edge_round_half_the_earth_is_refused() -> None:
    wide = shapely.Polygon([(179.9, 10.0), (-179.9, 10.0), (-179.9, 10.2)])
    pole = shapely.Polygon([(-180, -90), (180, -90), (180, -80), (60, -80), (-60, -80), (-180, -80)])
    assert wide_edges(np.array([wide, pole, shapely.Point(1, 2)], dtype=object)).tolist() == [
        True,
        False,
        False,
    ]
    with pytest.raises(ValueError, match="180° of longitude"):
        LocalProjection(180.0, 10.0).project(wide)


def test_unproject_cuts_at_180_and_follows_straight_local_edges() -> None:
    local = LocalProjection(179.98, -17.0)
    square = shapely.box(-20_000.0, -20_000.0, 20_000.0, 20_000.0)
    degrees = local.unproject(square)
    assert degrees.geom_type == "MultiPolygon"
    west, _, east, _ = degrees.bounds
    assert (west, east) == (-180.0, 180.0)
    assert local.project(degrees).symmetric_difference(square).area < 40.0
    line = shapely.LineString([(-9000.0, 0.0), (9000.0, 500.0), (-9000.0, 1000.0)])
    cut = local.unproject(line)
    assert [len(part.coords) > 1 for part in cut.geoms] == [True, True, True]
    assert cut.geoms[0].coords[-1][0] == 180.0
    assert cut.geoms[1].coords[0][0] == -180.0
    assert cut.geoms[0].coords[-1][1] == cut.geoms[1].coords[0][1]
    assert local.unproject(shapely.Point(0, 0)).coords[0] == pytest.approx((179.98, -17.0))
    # 30 km north-east at 70 N: a straight local edge is bent in degrees.
    far = LocalProjection(20.0, 70.0)
    edge = shapely.LineString([(0.0, 0.0), (30_000.0, 10_000.0)])
    assert far.project(far.unproject(edge)).hausdorff_distance(edge) < 0.05


def test_unproject_over_the_pole() -> None:
    local = LocalProjection(25.0, 89.95)
    disc = shapely.Point(0.0, 2000.0).buffer(20_000.0)
    degrees = local.unproject(disc)
    assert degrees.is_valid
    assert degrees.bounds[0] == -180.0
    assert degrees.bounds[2] == 180.0
    area, _ = GEOD.geometry_area_perimeter(shapely.segmentize(degrees, 0.5))
    assert abs(area) == pytest.approx(disc.area, rel=1e-4)


def test_the_centre_is_found_across_seams() -> None:
    assert choose_projection([(179.0, 60.0), (-179.0, 60.0)]).lon0_deg == -180.0
    pole = choose_projection([(0.0, 89.0), (90.0, 89.0), (180.0, 89.0), (-90.0, 89.0)])
    assert pole.lat0_deg == pytest.approx(90.0, abs=1e-3)
    with pytest.raises(ValueError, match="no middle"):
        choose_projection([(0.0, 0.0), (180.0, 0.0)])
    with pytest.raises(ValueError, match="finite"):
        choose_projection([(0.0, np.nan)])
    with pytest.raises(ValueError, match="at least one point"):
        choose_projection(np.empty((0, 2)))
