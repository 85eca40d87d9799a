"""From a chart cell to a plan by the commands alone, judged from the cell: a real harbor, and an invented one."""

from __future__ import annotations

import json
import shutil
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely
from shapely import LineString, MultiPoint, Point, box

from layers.area import open_area
from tests import independent, independent_chart
from tests.chart_writer import write_cell, write_update
from tests.commands import run

DATA = Path(__file__).parents[2] / "shared" / "data"
REAL = DATA / "US5MA11M.000"

TRIP = """
area = "area"
date = 2026-08-14
start = "06:00"
hours = 3.0
home = "{home}"
species = "striped bass"
method = "troll"

[boat]
troll_speed = "2.7 kn"
run_speed = "18 kn"
turn_radius = "12 m"
draft = "3 ft"
fuel_troll = "1.0 gal/h"
fuel_run = "9 gal/h"

[limits]
lure_speed_floor = 0.75
bottom_clearance = "8 ft"
closure_standoff = "50 m"
shore_standoff = "60 m"
strong_current = "1.5 kn"

[[rod]]
name = "port rigger"
kind = "downrigger"
side = "port"
reach = "6 ft"
depth = "15 ft"
setback = "25 ft"
ball = "12 lb"

[[rod]]
name = "starboard rigger"
kind = "downrigger"
side = "starboard"
reach = "6 ft"
depth = "12 ft"
setback = "25 ft"
ball = "12 lb"

[[work]]
pattern = "loop"
depth_line = "30 ft"
near = "{near}"
length = "0.4 NM"
passes = 4
"""


def brought(folder: Path, cell: Path, *more: str) -> str:
    code, said, complained = run("import", cell, "--into", folder, "--timezone", "America/New_York", *more)
    assert code == 0, complained
    return said


def planned(folder: Path, cell: Path, home: str, near: str) -> tuple[dict[str, Any], list[str]]:
    """Plan the trip in an area that was brought in; return the plan and all that two strangers find wrong with it."""
    trip, out = folder / "trip.toml", folder / "out"
    trip.write_text(TRIP.format(home=home, near=near), encoding="utf-8")
    code, _, complained = run("plan", trip, "--out", out)
    assert code == 0, complained
    found = independent.faults(out, trip) + independent_chart.faults(out, cell, 2.4384, 50.0, 60.0)
    return json.loads((out / "plan.geojson").read_text()), found


def passes(plan: dict[str, Any]) -> list[dict[str, Any]]:
    return [f["properties"] for f in plan["features"] if f["properties"].get("kind") == "pass"]


@pytest.mark.realdata
@pytest.mark.skipif(not REAL.exists(), reason="the chart cell US5MA11M is not in ../shared/data")
@pytest.mark.parametrize("near", ["42.3292, -70.9929", "42.3309, -70.9647", "42.3437, -71.0032"])
def test_striped_bass_on_the_30_foot_line_of_a_real_harbor(tmp_path: Path, near: str) -> None:
    said = brought(tmp_path / "area", REAL)
    # source: the cell's own counts, issue and ../shared/data/README.md
    for words in ("chart-contours.gpkg: 1082 features", "chart-soundings.gpkg: 4226 features"):
        assert words in said
    assert "(depth): 582 features" in said  # 563 depth areas, 16 dredged, 3 unsurveyed
    plan, found = planned(tmp_path, REAL, "42.3380, -70.9653", near)
    assert found == []
    assert [p["depth_line_m"] for p in passes(plan)] == pytest.approx([30 * 0.3048] * 4)
    assert max(p["offline_p95_m"] for p in passes(plan)) < 10.0
    (depth,) = (source for source in plan["spotmap"]["sources"] if source["role"] == "depth")
    (origin,) = depth["made_from"]
    assert (origin["name"], origin["edition"], origin["update"], origin["issued"]) == (
        "US5MA11M", "31", "3", "2016-04-27",
    )  # fmt: skip
    assert len(origin["files"]) == 4
    assert any("CATZOC U" in warning for warning in plan["spotmap"]["warnings"])


EAST = -70.0
SHOAL, DEEP = box(EAST, 45.0, EAST + 0.04, 45.01), box(EAST, 45.01, EAST + 0.04, 45.04)
SHORE = box(EAST, 44.99, EAST + 0.04, 45.0)
ALL = box(EAST, 44.99, EAST + 0.04, 45.04)
WRECK, ROCK = Point(EAST + 0.012, 45.0125), Point(EAST + 0.02, 45.0095)
ZONE = box(EAST + 0.028, 45.009, EAST + 0.034, 45.016)
MADE = [
    ("DEPARE", SHOAL, {"DRVAL1": 3.6, "DRVAL2": 9.1}),
    ("DEPARE", DEEP, {"DRVAL1": 9.1, "DRVAL2": 18.2}),
    ("DEPCNT", LineString([(EAST, 45.01), (EAST + 0.04, 45.01)]), {"VALDCO": 9.1}),
    ("LNDARE", SHORE, {}),
    ("WRECKS", WRECK, {"CATWRK": 2, "VALSOU": 5.0, "WATLEV": 3}),
    ("UWTROC", ROCK, {"WATLEV": 4}),
    ("RESARE", ZONE, {"RESTRN": ("8",), "INFORM": "Test zone, rule 1"}),
    ("SOUNDG", MultiPoint([(EAST + 0.001, 45.03, 12.0), (EAST + 0.002, 45.035, 14.5)]), {}),
    ("M_COVR", ALL, {"CATCOV": 1}),
    ("M_QUAL", ALL, {"CATZOC": 2}),
]
HOME, NEAR = f"45.0250, {EAST + 0.005}", f"45.0100, {EAST + 0.02}"


@pytest.fixture
def cell(tmp_path: Path) -> Path:
    (tmp_path / "chart").mkdir()
    return write_cell(tmp_path / "chart" / "XX5TEST1.000", MADE, scale=20_000).base


def test_an_invented_harbor_with_uncertain_depths(tmp_path: Path, cell: Path) -> None:
    brought(tmp_path / "area", cell, "--name", "Invented harbor")
    area = open_area(tmp_path / "area")
    # source: CATZOC A2, 1.0 m + 2 % of the depth, position 20 m (from memory: IHO S-57)
    at = tuple(np.array([one]) for one in area.projection.to_local(np.array(EAST + 0.02), np.array(45.02)))
    assert float(area.depth.depth_at(*at)[0]) == 9.1
    assert float(area.safe_depth.depth_at(*at)[0]) == pytest.approx(9.1 - 1.0 - 0.02 * 9.1)
    margins = {hazard.kind.partition(",")[0]: hazard.margin_m for hazard in area.hazards}
    assert margins == {"wreck": 70.0, "rock": 70.0}
    assert [(shore.margin_m) for shore in area.shores] == [20.0]
    plan, found = planned(tmp_path, cell, HOME, NEAR)
    assert found == []
    assert passes(plan)
    wreck, zone = (plane(plan, shape) for shape in (WRECK, ZONE))
    for feature in plan["features"]:
        if feature["properties"].get("kind") in ("pass", "turn"):
            track = plane(plan, shapely.geometry.shape(feature["geometry"]))
            assert track.distance(wreck) >= 69.9
            assert track.distance(zone) >= 69.9  # the standoff, and how far off its place it may be drawn


def plane(plan: dict[str, Any], shape: Any) -> Any:
    sheet = independent_chart.Sheet(plan, REAL)
    return sheet.flat(shape)


def test_the_judge_of_charted_plans_can_fail(tmp_path: Path, cell: Path) -> None:
    brought(tmp_path / "area", cell)
    planned(tmp_path, cell, HOME, NEAR)
    judged = [
        independent_chart.faults(tmp_path / "out", cell, *limits)
        for limits in ((6.0, 50.0, 60.0), (2.4, 5000.0, 60.0), (2.4, 50.0, 5000.0))
    ]
    assert "over less than" in judged[0][0]
    assert "near a RESARE" in judged[1][0]
    assert any("near a LNDARE" in fault for fault in judged[2])


def test_a_decision_opens_a_zone_and_lasts_until_the_zone_changes(tmp_path: Path, cell: Path) -> None:
    area = tmp_path / "area"
    brought(area, cell)
    assert [rule.forbids for rule in open_area(area).closures] == ["entry"]
    code, said, _ = run("doubts", area, "--on", "2026-08-14")
    assert code == 0
    assert "Test zone, rule 1" in said
    assert said.index("Nobody has decided yet") < said.index("What may be shallow")
    text = (area / "area.toml").read_text()
    (decision,) = tomllib.loads(text)["decision"]
    # weaker without a day and a reason is refused
    (area / "area.toml").write_text(text.replace('forbids = "entry"', 'forbids = "nothing"'))
    code, _, complained = run("describe", area)
    assert code == 2
    assert "a weaker ban needs a day and a reason" in complained
    why = 'decided = 2026-08-01\nwhy = "read rule 1: anchoring only"'
    (area / "area.toml").write_text(text.replace('forbids = "entry"', f'forbids = "nothing"\n{why}'))
    opened = open_area(area)
    assert opened.closures == ()
    assert any("set aside on 2026-08-01: read rule 1" in str(finding) for finding in opened.warnings)
    # an update that leaves the zone as it was keeps the decision, one that moves it asks again
    folder = cell.parent
    first = write_cell(cell, MADE, scale=20_000)
    second = write_update(first, modify={5: {"VALSOU": 4.0}})
    code, said, complained = run("import", folder, "--into", area, "--refresh")
    assert code == 0, complained
    assert "decision kept" in said
    assert open_area(area).closures == ()
    write_update(second, modify={7: {"RESTRN": ("8", "4")}})
    code, said, complained = run("import", folder, "--into", area, "--refresh")
    assert code == 0, complained
    assert "to decide again" in said
    assert [rule.forbids for rule in open_area(area).closures] == ["entry"]
    assert "read rule 1" in (area / "area.toml").read_text()
    assert decision["feature"] in (area / "area.toml").read_text()


def test_doubts_about_what_is_closed_come_first(tmp_path: Path, cell: Path) -> None:
    area = tmp_path / "area"
    brought(area, cell)
    text = (area / "area.toml").read_text()

    def closed_first() -> str:
        code, said, complained = run("doubts", area, "--on", "2026-08-14")
        assert code == 0, complained
        return said[said.index("What may be closed") : said.index("What may be shallow")]

    said = 'decided = 2026-08-01\nwhy = "passing is allowed"'
    weaker = text.replace('forbids = "entry"', f'forbids = "fishing"\n{said}')
    (area / "area.toml").write_text(weaker)
    assert "only fishing counts as forbidden, on your word" in closed_first()
    state = tomllib.loads(text)["decision"][0]["state"]
    (area / "area.toml").write_text(weaker.replace(state, "0" * len(state)))
    assert "the data has changed since it was decided about" in closed_first()
    assert [rule.forbids for rule in open_area(area).closures] == ["entry"]
    closures = area / "chart-closures.geojson"
    closures.write_text(closures.read_text() + "\n")
    assert "chart-closures.geojson: was changed since it was made" in closed_first()


def test_a_second_cell_of_larger_scale_wins_where_it_lies(tmp_path: Path, cell: Path) -> None:
    area = tmp_path / "area"
    brought(area, cell)
    inner = box(EAST + 0.015, 45.02, EAST + 0.025, 45.03)
    finer = [
        ("DEPARE", inner, {"DRVAL1": 5.4, "DRVAL2": 9.1}),
        ("M_COVR", inner, {"CATCOV": 1}),
        ("M_QUAL", inner, {"CATZOC": 6}),
    ]
    second = write_cell(tmp_path / "chart" / "XX6TEST2.000", finer, scale=5_000).base
    code, _, complained = run("import", second, "--into", area)
    assert code == 0, complained
    opened = open_area(area)
    places = np.array([EAST + 0.02, EAST + 0.03]), np.array([45.025, 45.025])
    assert opened.depth.depth_at(*opened.projection.to_local(*places)).tolist() == [5.4, 9.1]
    assert {origin.name for source in opened.sources for origin in source.origins} == {"XX5TEST1", "XX6TEST2"}
    code, _, complained = run("import", second, "--into", area)
    assert code == 2
    assert "is already in this area" in complained


def test_nothing_is_half_made_of_a_spoilt_cell(tmp_path: Path, cell: Path) -> None:
    spoilt = tmp_path / "spoilt" / cell.name
    spoilt.parent.mkdir()
    spoilt.write_bytes(cell.read_bytes()[:-200])
    code, said, complained = run("import", spoilt, "--into", tmp_path / "area", "--timezone", "Etc/UTC")
    assert (code, said) == (2, "")
    assert cell.name in complained
    assert "Traceback" not in complained
    assert not (tmp_path / "area").exists()
    brought(tmp_path / "area", cell)
    before = {one: one.read_bytes() for one in (tmp_path / "area").rglob("*") if one.is_file()}
    shutil.copy(spoilt, tmp_path / "chart" / "XX5TEST1.000")
    code, _, _ = run("import", tmp_path / "chart", "--into", tmp_path / "area", "--refresh")
    assert code == 2
    assert {one: one.read_bytes() for one in (tmp_path / "area").rglob("*") if one.is_file()} == before
