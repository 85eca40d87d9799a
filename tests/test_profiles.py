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
from layers.landformwords import landform_words
from layers.model import Landform, LandformKind, Mark, Show
from layers.projection import LocalProjection
from spotmap.bottomgrid import MOST_NODES, UNKNOWN, BottomGrid, bottom_grid
from spotmap.factwords import fact_words
from spotmap.mapdata import map_data
from spotmap.profiles import along
from spotmap.spotfacts import spot_facts, visit_of
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


def test_spots_tell_source_date_and_the_facts_that_the_spot_list_tells() -> None:
    plan = build_plan()
    mark = plan.area.marks[0]
    spots = (
        Mark("Ours", "bait", "on the ebb", True, Point(0, -300), mark.source, "s1", "deck notes", date(2026, 5, 1)),
        Mark("Ashore", "bait", "", False, Point(0, 2000), mark.source, "s2"),
    )
    plan = replace(plan, area=replace(plan.area, marks=(*plan.area.marks, *spots)))
    things = {thing.name: thing for thing in map_data(plan).things.marks}
    assert things["Ours"].kind == "bait"
    assert things["Ours"].private
    assert things["Ours"].lines[:2] == ("on the ebb", "deck notes, 2026-05-01")
    # 2300 m from the cone's middle: (2300 − 1400) × 0.05 = 45 m = 147.6 ft, slope atan(0.05) = 2.9°
    depth, bottom, _, rules, *_ = things["Ours"].lines[3:]
    assert depth.startswith("Charted depth: 147.6 ft below MLLW")
    assert bottom.startswith("Bottom: slopes 2.9°, deeper towards ")
    assert rules.startswith("For chinook, troll: ")
    assert things["Ours"].lines[3:] == fact_words(spot_facts(plan.area, Point(0, -300), visit_of(plan.trip)), plan.area)
    assert things["Ashore"].lines[1:] == ("On land.",)
    assert [thing.spot for thing in things.values()] == [False, False, False, True, True]
    many = tuple(replace(spots[0], identity=f"m{i}", point=Point(10.0 * i, -300)) for i in range(100))
    shown = map_data(replace(plan, area=replace(plan.area, marks=many))).things.marks
    assert sum("Charted depth" in one.lines[3] for one in shown) == 60
    assert sum("spotmap spots AREA --facts" in one.lines[3] for one in shown) == 40


def test_a_spot_over_depth_areas_tells_no_slope() -> None:
    plan = build_plan()
    areas = AreaDepth(
        np.array([box(-3000, -600, 3000, 0), box(-3000, -3000, 3000, -600)], dtype=object), np.array([5.0, 9.0])
    )
    edge = Mark("Edge", "bait", "", False, Point(0, -590), plan.area.marks[0].source, "s1")
    stepped = replace(plan.area, depth=areas, marks=(edge,))
    (thing,) = map_data(replace(plan, area=stepped)).things.marks
    assert "Bottom: slope unknown, the charted depth goes in steps there." in thing.lines


@pytest.mark.parametrize(
    ("kind", "figures"),
    [
        ("hump", "stands 13.8 ft above the water around; 30.8 ft to 44.6 ft deep; 1312 ft long; 6° steep"),
        ("hole", "lies 13.8 ft below the water around; 30.8 ft to 44.6 ft deep; 1312 ft long; 6° steep"),
        ("saddle", "rises and falls by 13.8 ft within 246 ft; 30.8 ft to 44.6 ft deep; 1312 ft long; 6° steep"),
        ("flat", "its depth differs by 13.8 ft; 30.8 ft to 44.6 ft deep; 1312 ft long; 6° steep"),
        ("point", "stands out by 13.8 ft from the slope; 30.8 ft to 44.6 ft deep; 1312 ft long; 6° steep"),
        ("ledge", "goes down by 13.8 ft; 30.8 ft to 44.6 ft deep; 1312 ft long; 6° steep"),
    ],
)
def test_forms_tell_the_same_figures_on_the_map_and_in_a_list(kind: LandformKind, figures: str) -> None:
    one = replace(form(kind, Point(0, -600).buffer(90)), name=f"{kind} 1")
    assert landform_words(one, SHOW) == f"{kind} 1: {figures}; scale 75 m, significance 3.1"
    plan = build_plan()
    named = (one, replace(one, name="The Bank"))
    drawn = map_data(replace(plan, area=replace(plan.area, landforms=named))).things.forms
    said = f"{figures}; scale 75 m, significance 3.1"
    assert sorted(shown.lines[0] for shown in drawn) == sorted([said, f"{kind}; {said}"])


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
