"""The demonstration area: reproducible, small, invented, consistent with itself."""

from __future__ import annotations

import json
import subprocess
import sys
import tomllib
from datetime import datetime, time
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest
import rasterio
import shapely
from contourpy import contour_generator
from pyproj import Geod, Transformer
from scipy.ndimage import label

from layers.area import open_area
from layers.seasons import changes, is_active
from spotmap.planner import make_plan
from spotmap.trip import read_trip

DEMO = Path(__file__).parent.parent / "demo_area"
MADE = ["closures.geojson", "entrance.geojson", "grounds.geojson", "hazards.geojson", "land.geojson"]
MADE += ["lanes.geojson", "marks.geojson", "channel.geojson", "tide.csv", "tide.toml"]
MADE += ["current.toml", "ossel_reach.csv", "gull_reach.csv"]
BY_HAND = ["map.png", "README.md", "area.toml", "make_demo.py", "trip.toml", "trip_60ft.toml"]
DRAFT_M = 0.9144
ZONE = ZoneInfo("Etc/GMT+10")
BEGIN, END = datetime(2026, 8, 14, 5, 30, tzinfo=ZONE), datetime(2026, 8, 14, 11, 0, tzinfo=ZONE)


@pytest.fixture(scope="module")
def survey():
    """Return the raster's depth with NaN for unknown, and a function from (lon, lat) to (row, column)."""
    with rasterio.open(DEMO / "depth.tif") as raster:
        depth = raster.read(1, masked=True).astype(float).filled(np.nan)
        inverse, crs = ~raster.transform, raster.crs

    def cell(lon, lat):
        x, y = Transformer.from_crs(4326, crs, always_xy=True).transform(lon, lat)
        return int(inverse.f + inverse.e * y), int(inverse.c + inverse.a * x)

    return depth, cell


def features(file):
    return json.loads((DEMO / file).read_text(encoding="utf-8"))["features"]


def test_script_makes_what_is_committed(tmp_path):
    subprocess.run([sys.executable, str(DEMO / "make_demo.py"), str(tmp_path)], check=True, timeout=120)
    assert sorted(file.name for file in tmp_path.iterdir()) == sorted([*MADE, "depth.tif"])
    for name in MADE:
        assert (tmp_path / name).read_bytes() == (DEMO / name).read_bytes(), name
    with rasterio.open(tmp_path / "depth.tif") as again, rasterio.open(DEMO / "depth.tif") as committed:
        assert (again.crs, again.transform, again.nodata) == (
            committed.crs,
            committed.transform,
            committed.nodata,
        )
        np.testing.assert_array_equal(again.read(1), committed.read(1))


def test_folder_is_small_and_holds_nothing_else():
    files = [file for file in DEMO.rglob("*") if file.is_file() and file.parent.name != "__pycache__"]
    assert sorted(file.name for file in files) == sorted([*MADE, *BY_HAND, "depth.tif"])
    assert sum(file.stat().st_size for file in files) <= 1_000_000


def test_everything_is_said_to_be_invented():
    area = tomllib.loads((DEMO / "area.toml").read_text(encoding="utf-8"))
    assert area["invented"] is True
    for layer in area["layer"]:
        assert "invented" in layer["source"].lower(), layer["file"]
        assert layer["as_of"].year == 2026
    for feature in [*features("closures.geojson"), *features("grounds.geojson")]:
        assert feature["properties"]["rule"].startswith("Invented Rule"), feature["properties"]["name"]
    assert "invented" in (DEMO / "README.md").read_text(encoding="utf-8").split("\n\n")[1]


def test_lies_in_the_open_ocean():
    # source: memory, to about 0.1 degree: the land nearest to 47 N 157 W on every side.
    land = {
        "Simeonof Island": (-159.2, 54.9),
        "Chirikof Island": (-155.6, 55.8),
        "Sanak Island": (-162.7, 54.4),
        "Umnak Island": (-168.5, 53.0),
        "Kauai": (-159.5, 22.2),
        "Midway": (-177.4, 28.2),
        "Cape Flattery": (-124.7, 48.4),
    }
    shapes = [shapely.geometry.shape(f["geometry"]) for name in MADE if "json" in name for f in features(name)]
    west, south, east, north = shapely.total_bounds(np.array(shapes))
    assert -157.05 < west < east < -156.75
    assert 46.7 < south < north < 46.9
    geod = Geod(ellps="WGS84")
    for name, (lon, lat) in land.items():
        assert geod.inv((west + east) / 2, (south + north) / 2, lon, lat)[2] > 800_000, name


def test_shore_is_where_depth_is_nought(survey):
    depth, _ = survey
    land = shapely.union_all([shapely.geometry.shape(f["geometry"]) for f in features("land.geojson")])
    assert all(shapely.geometry.shape(f["geometry"]).is_valid for f in features("land.geojson"))
    with rasterio.open(DEMO / "depth.tif") as raster:
        rows, columns = np.mgrid[0 : depth.shape[0] : 3, 0 : depth.shape[1] : 3]
        x, y = raster.xy(rows.ravel(), columns.ravel())
        lon, lat = Transformer.from_crs(raster.crs, 4326, always_xy=True).transform(x, y)
    shapely.prepare(land)
    on_land, sampled = shapely.contains_xy(land, lon, lat), depth[rows, columns].ravel()
    # The land's edge is simplified by 2 m; no slope at the shore is steeper than 1 in 4.
    assert not np.any(on_land & (sampled > 0.5))
    assert np.all(on_land[sampled < -0.5])
    assert 20_000 < on_land.sum() < 45_000


@pytest.mark.parametrize("depth_ft", [60, 80, 100, 130, 160])
def test_depth_lines_run_long_and_wriggle(survey, depth_ft):
    depth, _ = survey
    lines = contour_generator(z=np.ma.masked_invalid(depth)).lines(depth_ft * 0.3048)
    longest = max((shapely.LineString(line * 12.5) for line in lines), key=lambda line: line.length)
    assert longest.length > 5000
    # As in a real survey, a line easily followed by eye is rougher than gear can follow: over 12 m chords it
    # bends tighter than 27 m, the demo trip's turning radius, in many places, and yet does not wander far.
    points = shapely.get_coordinates(longest.interpolate(np.arange(0, longest.length, 12.0)))
    heading = np.unwrap(np.arctan2(*np.diff(points, axis=0).T))
    tight = np.mean(np.abs(np.diff(heading)) / 12.0 > 1 / 27)
    assert 0.03 < tight < 0.3
    assert shapely.hausdorff_distance(longest, longest.simplify(40)) < 45


def test_bar_shuts_the_harbor_and_the_dredged_entrance_opens_it(survey):
    depth, cell = survey
    marks = {f["properties"]["name"]: f["geometry"]["coordinates"] for f in features("marks.geojson")}
    harbor, edge = cell(*marks["Merrow Harbor"]), cell(*marks["Ossel Edge"])
    afloat, _ = label(depth >= DRAFT_M)
    assert afloat[harbor] > 0
    assert afloat[edge] > 0
    assert afloat[harbor] != afloat[edge]
    (entrance,) = features("entrance.geojson")
    rows, columns = zip(*(cell(lon, lat) for lon, lat in entrance["geometry"]["coordinates"][0]), strict=True)
    dredged = depth.copy()
    dredged[min(rows) : max(rows) + 1, min(columns) : max(columns) + 1] = entrance["properties"]["min"]
    afloat, _ = label(dredged >= DRAFT_M)
    assert afloat[harbor] == afloat[edge]


@pytest.fixture(scope="module")
def area():
    return open_area(DEMO)


def test_opens_without_findings(area):
    assert area.invented
    assert area.warnings == ()
    assert area.name == "Merrow Sound"
    assert area.timezone == ZONE
    assert {source.role for source in area.sources} == {
        *("depth", "land", "ground", "closure", "hazard", "lane", "mark", "tide", "current")
    }
    assert all(source.as_of is not None and source.as_of.year == 2026 for source in area.sources)
    assert {mark.name for mark in area.marks if mark.private} == {"The Larder", "Grandmother"}
    assert {hazard.margin_m for hazard in area.hazards} == {130.0, 60.0, None}
    assert {lane.avoid for lane in area.lanes} == {"pass", "all"}


def test_rules_on_the_day_of_the_trip(area):
    rules = {rule.name: rule for rule in (*area.closures, *area.grounds)}
    at_start = {name for name, rule in rules.items() if is_active(rule.season, BEGIN)}
    assert at_start == {"Gannet Rocks", "Exercise Area Kettle", "Gull Point coho release", "Common Ground"}
    within = {name: [m.time() for m in changes(rule.season, BEGIN, END)] for name, rule in rules.items()}
    assert {name: moments for name, moments in within.items() if moments} == {
        "Ossel Ground": [time(6)],
        "Brindle Bay set nets": [time(8)],
    }
    assert not rules["Gull Point coho release"].concerns("chinook", "troll")
    winter = datetime(2027, 1, 15, 12, tzinfo=ZONE)
    assert is_active(rules["Winter Head"].season, winter)
    assert is_active(rules["Ossel Bank winter rest"].season, winter)
    assert rules["Exercise Area Kettle"].forbids == "entry"


def test_area_lets_a_draft_of_3_ft_out_of_the_harbor(area):
    marks = {mark.name: mark.point for mark in area.marks}
    water = area.depth.deeper_than(DRAFT_M)
    part = next(part for part in water.geoms if part.contains(marks["Merrow Harbor"]))
    assert part.contains(marks["Ossel Edge"])


def test_closure_and_rock_cut_lines_that_the_trip_works(area):
    rocks = next(rule for rule in area.closures if rule.name == "Gannet Rocks")
    tarrow = next(hazard for hazard in area.hazards if hazard.name == "Tarrow Rock")
    trip = tomllib.loads((DEMO / "trip.toml").read_text(encoding="utf-8"))
    assert trip["limits"]["closure_standoff"] == "50 m"
    assert [work["depth_line"] for work in trip["work"]] == ["80 ft", "100 ft"]
    assert area.depth.depth_line(100 * 0.3048).intersects(rocks.shape.buffer(50))
    assert area.depth.depth_line(80 * 0.3048).intersects(tarrow.shape.buffer(tarrow.margin_m))


def test_second_trip_differs_by_the_riggers_setback_alone():
    trip, wide = (tomllib.loads((DEMO / name).read_text("utf-8")) for name in ("trip.toml", "trip_60ft.toml"))
    riggers = [rod for rod in trip["rod"] if rod["kind"] == "downrigger"]
    assert [rod["setback"] for rod in riggers] == ["25 ft", "25 ft"]
    for rod in riggers:
        rod["setback"] = "60 ft"
    assert trip == wide


def test_ebb_grows_too_strong_to_troll_against_and_slackens_again(area):
    station = next(one.point for one in area.current.stations if one.name == "Ossel Reach")
    minutes = BEGIN.timestamp() + 60.0 * np.arange(330)
    flow = area.current.flow_at(np.full(330, station.x), np.full(330, station.y), minutes)
    strong = np.hypot(*flow.T) >= 1.5 * 1852 / 3600
    assert not strong[0]
    assert not strong[-1]
    assert 60 < strong.sum() < 150
    assert np.abs(np.diff(strong.astype(int))).sum() == 2
    tide = area.tide.height_at(0.0, 0.0, minutes)
    assert (np.diff(tide) < 0).all()
    assert tide[0] - tide[-1] > 2.0


def test_trip_goes_from_loop_to_one_way_and_back_and_says_why(area):
    plan = make_plan(area, read_trip(DEMO / "trip.toml", area))
    told = [choice for report in plan.works for choice in report.tide]
    assert [choice.pattern for choice in told] == ["loop", "loop", "one-way", "loop"]
    for choice in told:
        strong = "too strong to troll against (limit 1.5 kn)" in choice.words
        assert strong is (choice.pattern == "one-way")
        assert "min" in choice.words
    second = [timed.leg for timed in plan.legs if timed.leg.work == 1 and timed.leg.kind == "pass"]
    lines = {
        pattern: {round(leg.depth_line_m / 0.3048) for leg in second if leg.pattern == pattern}
        for pattern in ("loop", "one-way")
    }
    assert lines == {"loop": {100, 130}, "one-way": {100}}
    assert all(timed.leg.kind != "turn" for timed in plan.legs if told[2].since < timed.start < told[2].until)
