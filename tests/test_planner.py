"""From an area folder and a trip file to a plan: patterns, cuts, times, and what a newcomer does wrong."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest
from shapely import LineString, Point, Polygon, box

from layers.area import open_area
from spotmap._errors import NoPlanError
from spotmap.cli import main
from spotmap.model import Plan
from spotmap.planner import make_plan
from spotmap.trip import area_folder, read_trip
from tests.small_area import ALWAYS, SmallArea, SmallTrip, feature, position, work

LONG_WORK = work(length="0.8 NM", more="minutes = 90")


def plan_of(trip_file: Path) -> Plan:
    area = open_area(area_folder(trip_file))
    return make_plan(area, read_trip(trip_file, area))


def planned(tmp_path: Path, trip: SmallTrip, area: SmallArea | None = None) -> Plan:
    return plan_of(trip.write((area or SmallArea()).write(tmp_path)))


def lengths(plan: Plan, kind: str) -> list[float]:
    return [one.length_m for one in plan.legs if one.leg.kind == kind]


def share_fished(plan: Plan) -> float:
    fished, turned = sum(lengths(plan, "pass")), sum(lengths(plan, "turn"))
    return fished / (fished + turned * len(lengths(plan, "pass")) / max(len(lengths(plan, "turn")), 1))


def test_loop_on_one_line_in_open_water_turns_as_short_as_dubins_allows(tmp_path: Path) -> None:
    plan = planned(tmp_path, SmallTrip([LONG_WORK]))
    # source: Dubins 1957 (check values): from a pose to its reverse in 7π/3 radii
    for length_m in lengths(plan, "turn"):
        assert length_m <= 1.02 * 7 * np.pi / 3 * plan.radius.radius_m
    assert plan.radius.radius_m <= 50.0
    assert share_fished(plan) >= 0.80
    assert plan.works[0].length_m == pytest.approx(0.8 * 1852, rel=0.005)
    assert plan.works[0].off_line.p95_m < 1.5


def test_return_line_two_radii_off_fishes_nine_tenths(tmp_path: Path) -> None:
    radius_m = planned(tmp_path / "first", SmallTrip([LONG_WORK])).radius.radius_m
    apart_ft = 0.04 * 2 * radius_m / 0.3048
    back = work(length="0.8 NM", more=f'return_line = "{100 + apart_ft:.2f} ft"\nminutes = 90')
    plan = planned(tmp_path / "second", SmallTrip([back]))
    assert share_fished(plan) >= 0.90
    lines = {round(one.leg.depth_line_m / 0.3048) for one in plan.legs if one.leg.kind == "pass"}
    assert lines == {100, round(100 + apart_ft)}


def test_one_way_lifts_the_gear_and_runs_back(tmp_path: Path) -> None:
    plan = planned(tmp_path, SmallTrip([work("one-way", more="passes = 3")]))
    assert [one.leg.kind for one in plan.legs] == ["run", "pass"] * 3 + ["run"]
    courses = {round(one.course_start_true_deg / 10) for one in plan.legs if one.leg.kind == "pass"}
    assert len(courses) == 1


def test_weave_touches_both_lines_and_never_turns_tighter_than_r(tmp_path: Path) -> None:
    more = 'return_line = "115 ft"\npasses = 2'
    plan = planned(tmp_path, SmallTrip([work("weave", more=more, length="0.9 NM")]))
    track = next(one.leg.xy for one in plan.legs if one.leg.kind == "pass")
    depth = plan.area.depth.depth_at(track[:, 0], track[:, 1]) / 0.3048
    assert depth.min() == pytest.approx(100, abs=1.5)
    assert depth.max() == pytest.approx(115, abs=1.5)
    crossings = np.flatnonzero(np.diff(np.sign(depth - 107.5)))
    assert len(crossings) >= 4


def test_longer_setback_gives_a_wider_radius_and_says_so(tmp_path: Path) -> None:
    short = planned(tmp_path / "a", SmallTrip([LONG_WORK], setback="25 ft"))
    long = planned(tmp_path / "b", SmallTrip([LONG_WORK], setback="60 ft"))
    assert long.radius.radius_m > 1.2 * short.radius.radius_m
    assert max(lengths(long, "turn")) > max(lengths(short, "turn"))
    assert long.radius.decided_by == "rigger"


def closure(shape: Polygon, **properties: str) -> dict[str, object]:
    return feature(shape, **{"name": "Rock Reserve", "rule": "Test Rule 1", **ALWAYS, **properties})


def test_a_closure_cuts_the_stretch_and_the_words_say_how_much_and_why(tmp_path: Path) -> None:
    layers = {"closure": [closure(Point(500, 0).buffer(120))]}
    plan = planned(tmp_path, SmallTrip([LONG_WORK]), SmallArea(layers=layers))
    report = plan.works[0]
    assert report.length_m < 0.8 * 1852 - 300
    assert "'Rock Reserve' closure, 50 m standoff" in report.cuts[0]
    assert "cut" in report.cuts[0]
    shape = plan.area.closures[0].shape
    for one in plan.legs:
        if one.leg.kind != "run":
            assert LineString(one.leg.xy).distance(shape) >= 50.0


def test_gear_up_runs_may_cross_water_closed_to_fishing_but_never_an_entry_ban(tmp_path: Path) -> None:
    wall = box(-400, 500, 1200, 700)
    home = position(0.0, 1500.0)
    for forbids, crosses in (("fishing", True), ("entry", False)):
        layers = {"closure": [closure(wall, forbids=forbids)]}
        trip = SmallTrip([work(more="passes = 1")], home=home)
        plan = planned(tmp_path / forbids, trip, SmallArea(layers=layers))
        shape = plan.area.closures[0].shape
        assert any(LineString(one.leg.xy).intersects(shape) for one in plan.legs) is crosses


def test_other_species_and_dates_are_not_closed(tmp_path: Path) -> None:
    here = Point(0, 0).buffer(300)
    layers = {
        "closure": [
            closure(here, name="Crab Box", species="crab"),
            closure(here, name="Winter Box", **{"from": "11-01", "until": "03-31"}),
        ]
    }
    plan = planned(tmp_path, SmallTrip([LONG_WORK]), SmallArea(layers=layers))
    assert plan.closed == ()
    assert plan.works[0].cuts == ()


def test_a_ground_that_opens_at_six_is_not_fished_before(tmp_path: Path) -> None:
    ground = feature(box(-2500, -2500, 2500, 2500), name="North Ground", hours="06:00-20:00", rule="T 2", **ALWAYS)
    plan = planned(tmp_path, SmallTrip([LONG_WORK], start="05:30"), SmallArea(layers={"ground": [ground]}))
    down = [one for one in plan.legs if one.leg.kind != "run"]
    assert f"{down[0].start:%H:%M}" == "06:00"
    assert plan.works[0].choices == ("begins at 06:00, when water opens",)
    assert any("leaves at" in warning for warning in plan.warnings)
    assert [f"{moment:%H:%M}" for moment in plan.closed[-1].changes] == ["06:00"]


def test_work_stops_before_water_closes(tmp_path: Path) -> None:
    shut = closure(box(-2500, -2500, 2500, 2500), hours="09:00-12:00")
    plan = planned(tmp_path, SmallTrip([LONG_WORK], start="08:00"), SmallArea(layers={"closure": [shut]}))
    nine = datetime(2026, 8, 14, 9, tzinfo=plan.area.timezone)
    assert all(one.end < nine for one in plan.legs if one.leg.kind != "run")
    assert "ends by 09:00" in plan.works[0].choices[0]


def test_water_outside_every_ground_is_closed(tmp_path: Path) -> None:
    ground = feature(box(-2500, 300, 2500, 2500), name="North Ground", rule="T 2", **ALWAYS)
    with pytest.raises(NoPlanError, match="outside the grounds open throughout"):
        planned(tmp_path, SmallTrip([LONG_WORK]), SmallArea(layers={"ground": [ground]}))


def test_nothing_left_names_reasons_by_weight_and_what_would_help(tmp_path: Path) -> None:
    shallow = SmallTrip([work(line="60 ft", near=position(0.0, -250.0))])
    with pytest.raises(NoPlanError) as failure:
        planned(tmp_path, shallow)
    assert "shallower than 71.4 ft" in failure.value.reasons[0]
    assert any("line of at least 71.4 ft" in remedy for remedy in failure.value.remedies)
    assert any(remedy.startswith("the 80 ft line") for remedy in failure.value.remedies)


def test_narrow_water_fits_a_shorter_setback_only(tmp_path: Path) -> None:
    def trench(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        return np.where(np.abs(y) < 45, 40.0, 12.0) + 0.0 * x

    area = SmallArea(bottom=trench, cell_m=10.0, half_m=1500.0)
    narrow = work(line="100 ft", near=position(0.0, 45.0), length="0.4 NM")
    planned(tmp_path / "short", SmallTrip([narrow], setback="10 ft", home=position(0, 0)), area)
    with pytest.raises(NoPlanError) as failure:
        planned(tmp_path / "long", SmallTrip([narrow], setback="100 ft", home=position(0, 0)), area)
    assert any("setbacks of at most" in remedy for remedy in failure.value.remedies)


def test_trip_hours_limit_the_passes(tmp_path: Path) -> None:
    plan = planned(tmp_path, SmallTrip([work(more="minutes = 600")], hours=1.5))
    assert plan.legs[-1].end <= plan.trip.latest_end
    assert plan.works[0].passes >= 3
    with pytest.raises(NoPlanError, match="no time for one pass"):
        planned(tmp_path / "short", SmallTrip([LONG_WORK], hours=0.1))


def test_second_work_that_cannot_be_done_is_left_out_loudly(tmp_path: Path) -> None:
    trip = SmallTrip([LONG_WORK, work(line="60 ft", near=position(0.0, -250.0))])
    plan = planned(tmp_path, trip)
    assert len(plan.works) == 1
    assert any(warning.startswith("work 2") and "left out" in warning for warning in plan.warnings)


def test_an_island_off_the_line_is_gone_round_by_the_run(tmp_path: Path) -> None:
    island = feature(box(-300, 800, 300, 1000))
    trip = SmallTrip([work(more="passes = 1")], home=position(0.0, 1500.0))
    plan = planned(tmp_path, trip, SmallArea(layers={"land": [island]}))
    for one in plan.legs:
        assert not LineString(one.leg.xy).intersects(plan.area.land)


def test_two_pieces_of_work_on_one_line_are_joined_by_a_swing_with_gear_up(tmp_path: Path) -> None:
    plan = planned(tmp_path, SmallTrip([work(more="passes = 2"), work(more="passes = 2")]))
    kinds = [(one.leg.kind, one.leg.work) for one in plan.legs]
    between = kinds.index(("run", 1))
    assert kinds[between - 1] == ("pass", 0)
    assert kinds[between + 1] == ("pass", 1)
    assert plan.legs[between].length_m > 10.0


def test_a_stretch_that_is_all_turn_is_refused_in_words(tmp_path: Path) -> None:
    with pytest.raises(NoPlanError, match="all turn"):
        planned(tmp_path, SmallTrip([work(length="5 m")]))


# --- what a newcomer does wrong ---


def run(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str]:
    with pytest.raises(SystemExit) as stop:
        main(words)
    code = stop.value.code
    return (code if isinstance(code, int) else 0), capsys.readouterr().err


Edit = Callable[[str], str]
BAD: list[tuple[str, Edit, int, str]] = [
    (
        "misspelt key",
        lambda t: t.replace("bottom_clear", "x").replace("closure_standoff", "closure_standof"),
        2,
        "Did you mean 'closure_standoff'?",
    ),
    ("bare number", lambda t: t.replace('"100 ft"', "100"), 2, "depth_line"),
    ("unknown unit", lambda t: t.replace('"100 ft"', '"100 feat"'), 2, "ft"),
    ("missing species", lambda t: t.replace('species = "chinook"\n', ""), 2, "key 'species'"),
    ("deeper than the area", lambda t: t.replace('"100 ft"', '"900 ft"'), 2, "depth data reaches to"),
    (
        "swapped position",
        lambda t: t.replace(position(0.0, 0.0), ", ".join(position(0.0, 0.0).split(", ")[::-1])),
        2,
        "swap the two",
    ),
    ("outside the area", lambda t: t.replace(position(0.0, 400.0), position(90_000.0, 0.0)), 2, "outside"),
    ("unknown mark", lambda t: t.replace(f'"{position(0.0, 0.0)}"', '"Nowhere Rock"'), 2, "no mark named"),
    ("negative setback", lambda t: t.replace('"25 ft"', '"-25 ft"'), 2, "setback"),
    ("no speed", lambda t: t.replace('"2.7 kn"', '"0 kn"'), 2, "troll_speed"),
    ("no rods", lambda t: t.replace("[[rod]]", "[[rood]]"), 2, "rod"),
    ("not TOML", lambda t: t + "\n[[[", 2, "not valid TOML"),
    ("radius larger than the water", lambda t: t.replace('"12 m"', '"2000 m"'), 3, "lawful"),
]


@pytest.mark.parametrize(("name", "edit", "code", "words"), BAD, ids=[case[0] for case in BAD])
def test_bad_input_gets_one_clear_message_and_leaves_nothing(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], name: str, edit: Edit, code: int, words: str
) -> None:
    trip = SmallTrip([LONG_WORK]).write(SmallArea().write(tmp_path / name))
    trip.write_text(edit(trip.read_text()))
    got, told = run(capsys, "plan", str(trip), "--out", str(tmp_path / "out"))
    assert got == code, told
    assert words in told
    assert "Traceback" not in told
    assert not (tmp_path / "out").exists()


def test_home_on_land_and_missing_files_are_the_users_to_mend(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    island = feature(Point(0, 400).buffer(100))
    trip = SmallTrip([LONG_WORK]).write(SmallArea(layers={"land": [island]}).write(tmp_path))
    assert run(capsys, "plan", str(trip), "--out", str(tmp_path / "out"))[0] == 2
    (tmp_path / "depth.tif").unlink()
    code, told = run(capsys, "plan", str(trip), "--out", str(tmp_path / "out"))
    assert code == 2
    assert "depth.tif" in told
    code, told = run(capsys, "plan", str(tmp_path / "nothing.toml"), "--out", str(tmp_path / "out"))
    assert code == 2
    assert "nothing.toml" in told


def test_undated_closure_stops_the_plan(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    undated = feature(Point(900, 900).buffer(50), name="Undated", rule="T 3")
    trip = SmallTrip([LONG_WORK]).write(SmallArea(layers={"closure": [undated]}).write(tmp_path))
    code, told = run(capsys, "plan", str(trip), "--out", str(tmp_path / "out"))
    assert code == 2
    assert "Undated" in told


def test_plan_command_writes_the_whole_folder_and_the_same_bytes_twice(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    trip = SmallTrip([LONG_WORK]).write(SmallArea().write(tmp_path / "area"))
    for name in ("one", "two"):
        assert run(capsys, "plan", str(trip), "--out", str(tmp_path / name)) == (0, "")
    files = sorted(file.name for file in (tmp_path / "one").iterdir())
    assert {"map.html", "route.gpx", "plan.geojson"} <= set(files)
    for file in files:
        assert (tmp_path / "one" / file).read_bytes() == (tmp_path / "two" / file).read_bytes()
    told = json.loads((tmp_path / "one" / "plan.geojson").read_text())
    assert told["spotmap"]["plan_version"] == 1


def test_other_commands_answer(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    shut = closure(Point(900, 900).buffer(50), hours="09:00-12:00")
    folder = SmallArea(layers={"closure": [shut]}).write(tmp_path)
    with pytest.raises(SystemExit) as stop:
        main(["describe", str(folder), "--on", "2026-08-14"])
    told = capsys.readouterr().out
    assert not stop.value.code
    assert "not in force at 00:00, from 09:00, until 12:00" in told
    assert "INVENTED" in told
    with pytest.raises(SystemExit) as stop:
        main(["lines", str(folder), "100 ft"])
    told = capsys.readouterr().out
    assert not stop.value.code
    assert "3.23 NM" in told
