"""Depth less its uncertainty: what must hold gear is asked of it, what is drawn and told is as charted."""

from __future__ import annotations

import json
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest
import rasterio
import rasterio.warp
import shapely

from layers._errors import InputError
from layers.area import open_area
from layers.depth import combine, less_uncertainty, open_depth, unlisted_within
from layers.model import Area, Uncertainty
from layers.projection import LocalProjection
from spotmap.model import Limits
from spotmap.water import Fishery, Hull, Look, NeededDepth, Span, gear_water, run_water
from tests.small_area import NORTH_0, UTM, SmallArea, lonlat

LIMITS = Limits(0.75, 3.0, 50.0, 60.0, 0.8, 1.8)
TROLL = Fishery("chinook", "troll")
SLOPE = 0.04
WIDE = (-1500.0, -1500.0, 1500.0, 1500.0)


def area_with(folder: Path, keys: str, band: float | None = None) -> Area:
    """Return a small area whose depth layer has more keys, and perhaps a second band."""
    SmallArea().write(folder)
    if band is not None:
        with rasterio.open(folder / "depth.tif") as grid:
            profile, depth = grid.profile, grid.read(1)
        with rasterio.open(folder / "two.tif", "w", **{**profile, "count": 2}) as grid:
            grid.write(depth, 1)
            unknown = np.full_like(depth, band)
            unknown[:40] = profile["nodata"]
            grid.write(unknown, 2)
        (folder / "two.tif").replace(folder / "depth.tif")
    text = (folder / "area.toml").read_text().replace('form = "grid"', f'form = "grid"\n{keys}')
    (folder / "area.toml").write_text(text)
    return open_area(folder)


def northing(area: Area, depth: float) -> float:
    """Return where a line on the slope lies, metres north of the test's origin on the zone's grid."""
    lon, lat = area.projection.to_geographic(*shapely.get_coordinates(area.depth.depth_line(depth)).T)
    return float(np.mean(rasterio.warp.transform("EPSG:4326", UTM, lon.tolist(), lat.tolist())[1])) - NORTH_0


def middle_depths(area: Area) -> tuple[float, float]:
    x, y = area.projection.to_local(*(np.array([one]) for one in lonlat(0.0, 0.0)))
    return float(area.depth.depth_at(x, y)[0]), float(area.safe_depth.depth_at(x, y)[0])


@pytest.mark.parametrize(("keys", "band"), [('uncertainty = "2 m"', None), ("uncertainty = 2", 2.0)])
def test_gear_and_boat_ask_for_the_depth_less_its_uncertainty(tmp_path: Path, keys: str, band: float | None) -> None:
    plain, doubtful = area_with(tmp_path / "plain", ""), area_with(tmp_path / "doubtful", keys, band)
    assert plain.safe_depth is plain.depth
    assert middle_depths(doubtful) == pytest.approx((30.0, 28.0), abs=0.01)
    assert northing(doubtful, 30.0) == pytest.approx(northing(plain, 30.0), abs=0.5)  # the line is where it is charted
    span = Span(*(datetime(2026, 8, 14, hour, tzinfo=plain.timezone) for hour in (8, 10)))
    south = []
    for area in (plain, doubtful):
        needed = NeededDepth(30.0, "too shallow", 0.0)
        water = gear_water(area, TROLL, LIMITS, span, needed=needed, within=WIDE)
        south.append(water.allowed.bounds[1])
        hull = Hull(20.0, shapely.Point(0, 0))
        south.append(run_water(area, TROLL, LIMITS, span, hull, Look(WIDE, None)).bounds[1])
    assert south[2] - south[0] == pytest.approx(2.0 / SLOPE, abs=2.0)
    assert south[3] - south[1] == pytest.approx(2.0 / SLOPE, abs=2.0)


def test_a_cell_without_its_uncertainty_is_unknown_to_gear(tmp_path: Path) -> None:
    area = area_with(tmp_path, "uncertainty = 2", 1.0)
    x, y = area.projection.to_local(*(np.array([one]) for one in lonlat(0.0, 2500.0)))
    assert np.isfinite(area.depth.depth_at(x, y)).all()
    assert np.isnan(area.safe_depth.depth_at(x, y)).all()
    assert not area.safe_depth.known().intersects(shapely.Point(x[0], y[0]))


@pytest.mark.parametrize(
    ("keys", "said"),
    [
        ("uncertainty = 3", "depth.tif has bands 1 to 1"),
        ("uncertainty = 1", "depth.tif has bands 1 to 1"),
        ('uncertainty = "-1 m"', "uncertainty"),
        ("uncertainty = 1.5", "uncertainty"),
        ('contours = "depth.tif"', "goes with depth areas only"),
    ],
)
def test_wrong_keys_are_told(tmp_path: Path, keys: str, said: str) -> None:
    with pytest.raises(InputError, match=said):
        area_with(tmp_path, keys)


LOCAL = LocalProjection(-150.0, 46.0)


def put(file: Path, shapes: list[shapely.Geometry], fields: list[dict[str, float | None]]) -> Path:
    features = []
    for shape, said in zip(shapes, fields, strict=True):
        degrees = shapely.transform(shape, lambda xy: np.column_stack(LOCAL.to_geographic(*xy.T)))
        features.append({"type": "Feature", "properties": said, "geometry": shapely.geometry.mapping(degrees)})
    file.write_text(json.dumps({"type": "FeatureCollection", "features": features}))
    return file


def test_depth_areas_each_with_its_own_and_lines_drawn_through_them(tmp_path: Path) -> None:
    west, east = shapely.box(-200, 0, 0, 100), shapely.box(0, 0, 200, 100)
    fields = [{"DRVAL1": 10.0, "uncertainty": 1.5}, {"DRVAL1": 5.0, "DRVAL2": 10.0, "uncertainty": None}]
    areas = put(tmp_path / "areas.geojson", [west, east], fields)
    drawn = put(tmp_path / "lines.geojson", [shapely.LineString([(100, 0), (100, 100)])], [{"VALDCO": 7.3}])
    told = {"form": "areas", "values": "depth", "unit": "m", "where": "area.toml, layer 1"}
    layer = open_depth(areas, LOCAL, **told, contours=drawn, uncertainty=Uncertainty(metres=0.4))
    safe = less_uncertainty(layer)
    x, y = np.array([-100.0, 100.0]), np.array([50.0, 50.0])
    assert layer.depth_at(x, y).tolist() == [10.0, 5.0]
    assert safe.depth_at(x, y) == pytest.approx([8.5, 4.6])
    assert safe.deeper_than(8.6).is_empty
    assert safe.deeper_than(8.5).area == pytest.approx(20_000, rel=1e-3)
    (line,) = layer.depth_line(7.32).geoms  # 24 ft finds the contour that the chart cuts to 7.3 m
    assert line.hausdorff_distance(shapely.LineString([(100, 0), (100, 100)])) < 0.1
    (line,) = layer.depth_line(10.0).geoms
    assert line.hausdorff_distance(shapely.LineString([(0, 0), (0, 100)])) < 0.1


def test_a_contour_along_an_edge_is_one_line(tmp_path: Path) -> None:
    west, east = shapely.box(-200, 0, 0, 100), shapely.box(0, 0, 200, 100)
    areas = put(tmp_path / "areas.geojson", [west, east], [{"DRVAL1": 10.0}, {"DRVAL1": 5.0}])
    edge = shapely.LineString([(0.02, 0), (0.02, 60)])
    drawn = put(tmp_path / "lines.geojson", [edge], [{"VALDCO": 10.0}])
    told = {"form": "areas", "values": "depth", "unit": "m", "where": "area.toml, layer 1"}
    layer = open_depth(areas, LOCAL, **told, contours=drawn)
    assert layer.depth_line(10.0).length == pytest.approx(100.0, abs=0.5)


def test_negative_uncertainty_of_an_area_is_refused(tmp_path: Path) -> None:
    areas = put(tmp_path / "a.geojson", [shapely.box(0, 0, 9, 9)], [{"DRVAL1": 10.0, "uncertainty": -1.0}])
    with pytest.raises(InputError, match="its uncertainty is -1"):
        open_depth(areas, LOCAL, form="areas", values="depth", unit="m", where="area.toml, layer 1")


def test_soundings_are_shallower_all_over(tmp_path: Path) -> None:
    rows = ["lon,lat,depth"]
    for x in range(0, 100, 10):
        for y in range(0, 100, 10):
            lon, lat = LOCAL.to_geographic(np.array([x], float), np.array([y], float))
            rows.append(f"{lon[0]:.9f},{lat[0]:.9f},{10 + x / 10}")
    (tmp_path / "s.csv").write_text("\n".join(rows))
    told = {"form": "soundings", "values": "depth", "unit": "m", "where": "area.toml, layer 1"}
    layer = open_depth(tmp_path / "s.csv", LOCAL, **told, uncertainty=Uncertainty(metres=0.5))
    x, y = np.array([45.0, 13.0]), np.array([45.0, 71.0])
    assert less_uncertainty(layer).depth_at(x, y) == pytest.approx(layer.depth_at(x, y) - 0.5)
    with pytest.raises(InputError, match="only a grid has bands"):
        open_depth(tmp_path / "s.csv", LOCAL, **told, uncertainty=Uncertainty(band=2))


def test_a_line_that_no_area_draws_is_told(tmp_path: Path) -> None:
    west, east = shapely.box(-200, 0, 0, 100), shapely.box(0, 0, 200, 100)
    areas = put(tmp_path / "areas.geojson", [west, east], [{"DRVAL1": 10.0}, {"DRVAL1": 5.0}])
    layer = open_depth(areas, LOCAL, form="areas", values="depth", unit="m", where="area.toml, layer 1")
    box = (-50.0, 10.0, 50.0, 60.0)
    assert [unlisted_within(layer, depth, box) for depth in (5.0, 5.05, 7.0, 10.0)] == [False, False, True, False]
    assert not unlisted_within(layer, 7.0, (900.0, 900.0, 950.0, 950.0))
    both = combine([(0, layer), (0, layer)])
    assert unlisted_within(both, 7.0, box)
    assert not unlisted_within(both, 10.0, box)
