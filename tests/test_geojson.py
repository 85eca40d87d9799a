from __future__ import annotations

import json
from dataclasses import replace
from datetime import datetime
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np
import pyogrio
import pytest
import shapely
from shapely.geometry import shape
from shapely.geometry.base import BaseGeometry

from spotmap.geojson import plan_geojson
from tests.plan_fixture import MARK_MARKUP, MARKUP, TURN_RADIUS_M, build_plan

if TYPE_CHECKING:
    from pathlib import Path

    from layers.projection import LocalProjection
    from spotmap.model import FloatArray, Plan


def _written(plan: Plan) -> dict[str, Any]:
    collection: dict[str, Any] = json.loads(plan_geojson(plan))
    return collection


def _features(collection: dict[str, Any], role: str) -> list[dict[str, Any]]:
    return [feature for feature in collection["features"] if feature["properties"]["role"] == role]


def _legs(collection: dict[str, Any]) -> list[dict[str, Any]]:
    return sorted(_features(collection, "leg"), key=lambda leg: leg["properties"]["seq"])


def _metres(projection: LocalProjection, geometry: dict[str, Any]) -> FloatArray:
    return np.column_stack(projection.to_local(*np.array(geometry["coordinates"]).T))


def _local(plan: Plan, feature: dict[str, Any]) -> BaseGeometry:
    back = plan.area.projection.project(shape(feature["geometry"]))
    assert isinstance(back, BaseGeometry)
    return back


def test_the_head_carries_what_the_contract_names() -> None:
    plan = build_plan(has_grounds=True)
    head = _written(plan)["spotmap"]
    assert head["plan_version"] == 1
    assert (head["area"], head["date"], head["timezone"]) == ("Merrow Sound", "2026-08-14", "Etc/GMT+10")
    assert head["turn_radius_m"] == plan.radius.radius_m
    assert head["troll_speed_mps"] == plan.trip.boat.troll_speed_mps
    assert head["boat_turn_radius_m"] == plan.trip.boat.turn_radius_m
    assert {key: head["limits"][key] for key in ("lure_speed_floor", "bottom_clearance_m")} == {
        "lure_speed_floor": 0.75,
        "bottom_clearance_m": 3.05,
    }
    assert {"closure_standoff_m", "shore_standoff_m"} <= head["limits"].keys()
    contract = (
        "name kind side reach_m setback_m cable_out_m depth_m layback_m cable_angle_deg weight_n drag_area_m2"
        " line_diameter_m line_weight_n_per_m normal_drag tangential_drag radius_needed_m"
    )
    assert all(set(contract.split()) <= rod.keys() for rod in head["rods"])
    rigger = head["rods"][0]
    assert rigger["cable_angle_deg"] == pytest.approx(np.degrees(plan.radius.rods[0].cable_angle_rad))
    assert (rigger["layback_m"], rigger["weight_n"], rigger["radius_needed_m"]) == (10.9, 48.5, 21.9)
    assert head["sources"][0] == {
        "role": "depth",
        "file": "depth.tif",
        "sha256": plan.area.sources[0].sha256,
        "as_of": "2026-03-01",
        "source": "invented for the tests",
    }
    assert head["warnings"] == list(plan.warnings)
    assert head["cautions"] == list(plan.cautions)
    assert (head["invented"], head["has_grounds"], head["magnetic_variation_deg"]) == (True, True, 15.5)
    assert head["works"][0]["cuts"] == list(plan.works[0].cuts)
    assert head["totals"]["fishing_s"] == plan.totals.fishing.total_seconds()
    assert head["sun"]["sunrise"] == "2026-08-14T05:41:00-10:00"
    assert head["sun"]["dusk"] is None


def test_legs_join_in_place_heading_and_time() -> None:
    plan = build_plan()
    legs = _legs(_written(plan))
    assert [leg["properties"]["kind"] for leg in legs] == ["run", "pass", "turn", "pass", "turn", "run"]
    for before, after in pairwise(legs):
        assert before["geometry"]["coordinates"][-1] == after["geometry"]["coordinates"][0]
        assert before["properties"]["end"] == after["properties"]["start"]
        if "run" not in (before["properties"]["kind"], after["properties"]["kind"]):
            bend = before["properties"]["course_end_true_deg"] - after["properties"]["course_true_deg"]
            assert abs((bend + 180) % 360 - 180) < 1.0
    first = legs[0]["properties"]
    assert first["start"] == "2026-08-14T05:30:00-10:00"
    assert datetime.fromisoformat(first["end"]) == plan.legs[0].end
    for leg, timed in zip(legs, plan.legs, strict=True):
        xy = _metres(plan.area.projection, leg["geometry"])
        assert np.hypot(*np.diff(xy, axis=0).T).sum() == pytest.approx(timed.length_m, rel=2e-5)
        assert leg["properties"]["length_m"] == timed.length_m
        assert leg["properties"]["speed_mps"] == timed.speed_mps
        assert leg["properties"]["course_magnetic_deg"] == timed.course_start_magnetic_deg


def test_passes_say_their_line_and_turns_their_side() -> None:
    _, east, turn, *_ = (leg["properties"] for leg in _legs(_written(build_plan())))
    expected = {
        "label": "P1",
        "pattern": "loop",
        "work": 0,
        "note": "on the 98 ft line",
        "depth_line_m": 30.0,
        "depth_mean_m": 30.1,
        "depth_min_m": 29.5,
        "offline_median_m": 0.2,
        "offline_p95_m": 1.1,
        "offline_worst_m": 2.4,
    }
    assert {key: east[key] for key in expected} == expected
    assert (turn["turn_side"], turn["label"]) == ("starboard", "T1")
    assert "depth_line_m" not in turn


@pytest.mark.parametrize("lat0", [0.0, 47.0, -62.0, 78.0])
def test_the_turns_radius_can_be_measured_from_the_file(lat0: float) -> None:
    plan = build_plan(lat0_deg=lat0)
    turns = [leg for leg in _legs(_written(plan)) if leg["properties"]["kind"] == "turn"]
    assert len(turns) == 2
    for turn in turns:
        xy = _metres(plan.area.projection, turn["geometry"])
        a, b, c = xy[:-12], xy[6:-6], xy[12:]  # about 12 m from first to last
        ab, bc, ca = (np.hypot(*(q - p).T) for p, q in ((a, b), (b, c), (c, a)))
        (ux, uy), (vx, vy) = (b - a).T, (c - a).T
        radius = ab * bc * ca / (2 * np.abs(ux * vy - uy * vx))
        assert np.abs(radius / TURN_RADIUS_M - 1).max() < 0.01


def test_closed_water_marks_and_texts_go_out_as_they_are() -> None:
    plan = build_plan(has_grounds=True)
    collection = _written(plan)
    reserve, rookery, outside = _features(collection, "closed")
    assert reserve["properties"]["name"] == MARKUP
    assert reserve["properties"]["rule"] == "Invented Code 1 <b>(a)</b>"
    assert (reserve["properties"]["forbids"], rookery["properties"]["forbids"]) == ("fishing", "entry")
    assert rookery["properties"]["in_force_at_start"] is False
    assert rookery["properties"]["changes"] == ["2026-08-14T07:00:00-10:00"]
    for feature, closed in zip((reserve, rookery, outside), plan.closed, strict=True):
        back = _local(plan, feature)
        assert back.symmetric_difference(closed.shape).area < 1e-4 * closed.shape.area
    marks = {mark["properties"]["name"]: mark for mark in _features(collection, "mark")}
    assert marks[MARK_MARKUP]["geometry"] == {"type": "Point", "coordinates": [-140.0, 47.0]}
    assert marks["Quiet Corner"]["properties"]["private"] is True
    assert marks["Merrow Harbor"]["properties"]["kind"] == "harbor"
    assert {feature["properties"]["name"] for feature in _features(collection, "hazard")} == {
        "Broken Spar",
        "Tooth",
    }
    assert _features(collection, "lane")[0]["properties"]["avoid"] == "pass"


@pytest.mark.parametrize("lon0", [-140.0, 180.0])
def test_outer_rings_turn_left_and_holes_right(lon0: float) -> None:
    plan = build_plan(lon0_deg=lon0, has_grounds=True)
    polygons = [
        part
        for feature in _written(plan)["features"]
        for part in shapely.get_parts(shape(feature["geometry"]))
        if part.geom_type == "Polygon"
    ]
    assert any(part.interiors for part in polygons)
    for part in polygons:
        assert part.is_valid
        assert part.exterior.is_ccw
        assert not any(hole.is_ccw for hole in part.interiors)


def test_the_180th_meridian_cuts_and_nothing_is_lost() -> None:
    plan = build_plan(lon0_deg=180.0, lat0_deg=-16.0, zone="Etc/GMT-12", has_grounds=True)
    collection = _written(plan)
    for feature in collection["features"]:
        for part in shapely.get_parts(shape(feature["geometry"])):
            west, _, east, _ = part.bounds
            assert -180 <= west <= east <= 180
            assert east - west < 1
    legs = _legs(collection)
    assert {leg["geometry"]["type"] for leg in legs} == {"LineString", "MultiLineString"}
    for leg, timed in zip(legs, plan.legs, strict=True):
        back = _local(plan, leg)
        assert back.length == pytest.approx(timed.length_m, rel=1e-4)
    outside = _features(collection, "closed")[-1]
    assert outside["geometry"]["type"] == "MultiPolygon"
    back = _local(plan, outside)
    assert back.area == pytest.approx(plan.closed[-1].shape.area, rel=1e-4)


def test_another_reader_agrees(tmp_path: Path) -> None:
    plan = build_plan()
    file = tmp_path / "plan.geojson"
    file.write_bytes(plan_geojson(plan))
    frame = pyogrio.read_dataframe(file)
    assert frame.crs == "EPSG:4326"
    assert frame.groupby("role").size().to_dict() == {
        "closed": 2,
        "hazard": 2,
        "lane": 1,
        "leg": 6,
        "lure track": 8,
        "mark": 3,
    }
    assert frame.geometry.is_valid.all()
    assert frame.loc[frame.role == "closed", "name"].tolist()[0] == MARKUP


def test_an_edge_too_fine_for_the_decimals_stays_valid() -> None:
    plan = build_plan()
    spike = shapely.Polygon([(0, 0), (500, 0), (500, 500), (250.001, 500), (250, 0.001), (249.999, 500), (0, 500)])
    plan = replace(plan, closed=(replace(plan.closed[0], shape=spike),))
    (closed,) = _features(_written(plan), "closed")
    assert shape(closed["geometry"]).is_valid
    assert _local(plan, closed).area == pytest.approx(250_000, rel=1e-4)


def test_what_is_not_a_number_or_no_water_is_refused() -> None:
    plan = build_plan()
    with pytest.raises(ValueError, match="not JSON compliant"):
        plan_geojson(replace(plan, magnetic_variation_deg=float("nan")))
    nowhere = replace(plan.closed[0], name="Nowhere", shape=shapely.Polygon())
    with pytest.raises(ValueError, match="'Nowhere' has no extent"):
        plan_geojson(replace(plan, closed=(nowhere,)))
