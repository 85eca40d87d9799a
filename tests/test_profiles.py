"""Depth along lines, the bottom as a grid for the page, and what the map says of spots and of forms of the bottom."""

from __future__ import annotations

import base64
from dataclasses import replace
from datetime import date

import numpy as np
import pytest
import shapely
from shapely import LineString, MultiPolygon, Point, box

from layers.depth import combine
from layers.depthareas import AreaDepth
from layers.model import Landform, LandformKind, Mark, Show
from layers.projection import LocalProjection
from spotmap.bottomgrid import MOST_NODES, UNKNOWN, BottomGrid, bottom_grid
from spotmap.mapdata import map_data
from spotmap.mapthings import form_words, spot_facts
from spotmap.profiles import along
from tests.plan_fixture import CENTRE, ISLAND_RADIUS_M, SLOPE, ConeDepth, build_plan

CONE = ConeDepth()
SHOW = Show("ft", "NM", "kn")


def nodes(grid: BottomGrid, projection: LocalProjection) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Return the local places of a grid's nodes, their depths in metres and whether they are in steps."""
    lon, lat = np.meshgrid(
        grid.west + grid.east_step * np.arange(grid.columns), grid.south + grid.north_step * np.arange(grid.rows)
    )
    x, y = projection.to_local(lon.ravel(), lat.ravel())
    whole = np.frombuffer(base64.b64decode(grid.depths), dtype="<i2").astype(float)
    depth = np.where(whole == UNKNOWN, np.nan, whole * grid.quantum_m)
    bits = np.unpackbits(np.frombuffer(base64.b64decode(grid.steps), dtype=np.uint8))[: depth.size]
    return np.asarray(x), np.asarray(y), depth, bits.astype(bool)


def form(kind: LandformKind, shape: shapely.Geometry, significance: float = 3.1) -> Landform:
    return Landform(f"a {kind}", kind, shape, 75.0, 9.4, 13.6, 4.2, 6.0, 400.0, significance)


def test_a_profile_is_the_depth_at_even_steps_from_end_to_end() -> None:
    area = build_plan().area
    line = LineString([(-1000, -500), (200, -500), (200, -103)])
    told = along(area, line)
    assert told.along_m[-1] == pytest.approx(line.length)
    assert np.ptp(np.diff(told.along_m)) < 1e-9
    assert 4.5 < told.every_m <= 5.0
    places = [line.interpolate(at) for at in told.along_m]
    true = [np.hypot(p.x - CENTRE.x, p.y - CENTRE.y) * SLOPE - ISLAND_RADIUS_M * SLOPE for p in places]
    assert told.depth_m == pytest.approx(true, abs=1e-9)
    assert np.isnan(told.gear_m)


def test_unknown_water_is_a_gap_in_a_profile() -> None:
    told = along(build_plan().area, LineString([(0, 0), (0, 4000)]), every_m=10.0)
    unknown = np.isnan(told.depth_m)
    first, last = told.along_m[unknown][[0, -1]]
    assert (first, last) == (
        pytest.approx(2000 - ISLAND_RADIUS_M, abs=10),
        pytest.approx(2000 + ISLAND_RADIUS_M, abs=10),
    )
    assert unknown.sum() == pytest.approx(2 * ISLAND_RADIUS_M / 10, abs=1)
    with pytest.raises(ValueError, match="0 m apart"):
        along(build_plan().area, LineString([(0, 0), (1, 0)]), every_m=0.0)


def test_every_pass_has_its_profile_and_its_gear_and_laps_share_one() -> None:
    plan = build_plan(laps=3)
    drawn = map_data(plan)
    passes = [track for track in drawn.legs if track.kind == "pass"]
    assert [track.profile for track in passes] == [0, 1] * 3
    assert {track.gear_cm for track in passes} == {1829}  # the deeper of 18.29 m and 6.1 m
    assert all(track.profile is None and track.gear_cm is None for track in drawn.legs if track.kind != "pass")
    for told, depth_m in zip(drawn.profiles, (30.0, 35.0), strict=True):
        assert told.every_m <= 5.0
        assert np.array(told.depth_cm, dtype=float) == pytest.approx(100 * depth_m, abs=1.5)


@pytest.mark.parametrize("lon0_deg", [-140.0, 179.99, -179.99])
def test_grid_is_the_depth_at_its_nodes_rounded_to_the_shallower(lon0_deg: float) -> None:
    projection = LocalProjection(lon0_deg, 47.0)
    grid = bottom_grid(CONE, projection, (-3500.0, -2000.0, 3500.0, 4000.0))
    assert 0.9 * MOST_NODES < grid.rows * grid.columns <= 1.03 * MOST_NODES
    x, y, depth, steps = nodes(grid, projection)
    assert np.ptp(x) == pytest.approx(7000, rel=0.01)
    off = CONE.depth_at(x, y) - depth
    assert (np.isnan(depth) == np.isnan(CONE.depth_at(x, y))).all()
    assert np.nanmin(off) > -1e-4
    assert np.nanmax(off) < 0.1 + 1e-4
    assert np.isnan(depth).any()
    assert not steps.any()
    east = np.diff(x[: grid.columns])
    assert east == pytest.approx(grid.every_m, rel=0.02)


def test_a_small_box_is_no_finer_than_ten_metres_and_an_ocean_fits() -> None:
    projection = LocalProjection(10.0, 60.0)
    assert bottom_grid(CONE, projection, (0.0, -300.0, 200.0, -100.0)).every_m == 10.0
    deep = AreaDepth(np.array([box(-100, -100, 100, 100)], dtype=object), np.array([9000.9]))
    grid = bottom_grid(deep, projection, (-90.0, -90.0, 90.0, 90.0))
    assert grid.quantum_m == 1.0
    assert set(nodes(grid, projection)[2].tolist()) == {9000.0}


def test_nodes_where_depth_areas_have_the_say_are_in_steps() -> None:
    projection = LocalProjection(-140.0, 47.0)
    areas = AreaDepth(np.array([box(0, -1500, 600, -900)], dtype=object), np.array([2.4]))
    within = (-500.0, -2000.0, 1000.0, -500.0)
    x, y, depth, steps = nodes(bottom_grid(combine([(1, areas), (0, CONE)]), projection, within), projection)
    inside = (x >= 0) & (x <= 600) & (y >= -1500) & (y <= -900)
    assert (steps == inside).all()
    assert depth[inside] == pytest.approx(2.4)
    deeper = combine([(0, areas), (1, CONE)])
    assert not nodes(bottom_grid(deeper, projection, within), projection)[3].any()
    alone = nodes(bottom_grid(areas, projection, within), projection)
    assert (alone[3] == np.isfinite(alone[2])).all()


def test_spots_tell_source_date_depth_slope_and_the_nearest_line() -> None:
    plan = build_plan()
    mark = plan.area.marks[0]
    spots = (
        Mark("Ours", "bait", "on the ebb", True, Point(0, -300), mark.source, "s1", "deck notes", date(2026, 5, 1)),
        Mark("Ashore", "bait", "", False, Point(0, 2000), mark.source, "s2"),
    )
    plan = replace(plan, area=replace(plan.area, marks=(*plan.area.marks, *spots)))
    things = {thing.name: thing for thing in map_data(plan).things.marks}
    # 2300 m from the cone's middle: (2300 − 1400) × 0.05 = 45 m, slope atan(0.05) = 3°; the 100 ft line is at 30.48 m,
    # (45 − 30.48) / 0.05 = 290 m off, the 35 m line 200 m off, the 200 ft line 319 m.
    assert things["Ours"].kind == "bait"
    assert things["Ours"].private
    assert things["Ours"].lines[:2] == ("on the ebb", "deck notes, 2026-05-01")
    assert things["Ours"].lines[3] == "147.6 ft at MLLW, slope 3°"
    words = things["Ours"].lines[4]
    assert float(words.split(" ft")[0]) == pytest.approx(200 / 0.3048, abs=7)
    assert words.endswith("from the 115 ft line")
    assert things["Ashore"].lines[1] == "depth not known"
    assert [thing.spot for thing in things.values()] == [False, False, False, True, True]
    assert spot_facts(plan.area, spots[:1], ()) == {"s1": ("147.6 ft at MLLW, slope 3°",)}


@pytest.mark.parametrize(
    ("kind", "figures"),
    [
        ("hump", "14 ft high, top at 31 ft"),
        ("hole", "14 ft deep, bottom at 45 ft"),
        ("saddle", "14 ft high, 31 to 45 ft"),
        ("flat", "31 to 45 ft, 6.0° steep"),
        ("point", "31 to 45 ft, 0.22 NM long"),
        ("ledge", "31 to 45 ft, 6° steep, 0.22 NM long"),
    ],
)
def test_forms_tell_their_figures(kind: LandformKind, figures: str) -> None:
    said = form_words(form(kind, Point(0, 0)), SHOW)
    assert said == f"{kind}, {figures}, found at 246 ft, significance 3.1"


def test_forms_are_drawn_where_they_lie_the_most_significant_first() -> None:
    plan = build_plan()
    ring = MultiPolygon(
        [Point(0, -600).buffer(150), Point(700, -600).buffer(90).difference(Point(700, -600).buffer(30))]
    )
    line = LineString([(-500, -300), (-200, -400), (0, -300)])
    few = (form("ledge", line, 2.0), form("hump", ring, 9.0), form("flat", Point(9e4, 0).buffer(50), 99.0))
    many = tuple(form("hump", Point(10.0 * (i % 30), -600 - i).buffer(20), i / 1000) for i in range(700))
    drawn = map_data(replace(plan, area=replace(plan.area, landforms=few))).things
    assert [one.name for one in drawn.forms] == ["a hump", "a ledge"]
    assert [one.areal for one in drawn.forms] == [True, False]
    hump, ledge = (
        [
            np.column_stack(
                plan.area.projection.to_local(*(np.cumsum(np.reshape(p, (-1, 2)), axis=0)[:, ::-1] / 1e5).T)
            )
            for p in one.shape.parts
        ]
        for one in drawn.forms
    )
    assert len(hump) == 3
    rings = shapely.polygons([shapely.linearrings(one) for one in hump])
    assert sorted(shapely.area(rings)) == pytest.approx([np.pi * r**2 for r in (30, 90, 150)], rel=0.07)
    assert LineString(ledge[0]).hausdorff_distance(line) < 3.0
    most = map_data(replace(plan, area=replace(plan.area, landforms=many))).things
    assert (len(most.forms), most.forms_left_out) == (600, 100)
    assert most.forms[0].lines[0].endswith("significance 0.7")
