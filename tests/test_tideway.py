"""Small areas on disk whose water moves: what is planned, when, and in which words."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from shapely import LineString, Point, box

from layers.model import FloatArray
from spotmap._errors import NoPlanError
from spotmap.cli import main
from spotmap.gear import inside_m
from spotmap.geojson import plan_geojson
from spotmap.gpx import plan_gpx
from spotmap.model import Plan, TimedLeg
from spotmap.placing import Brief
from spotmap.tideway import walk_day
from spotmap.trailing import trails
from spotmap.ways import Runs
from tests.moving_water import (
    HOUR_S,
    KN,
    MovingArea,
    Race,
    ToldLeg,
    plan_of,
    radii,
    seconds,
    steady,
    told_legs,
    trip_file,
    water_path,
)
from tests.small_area import ALWAYS, SmallArea, SmallTrip, feature, position, slope, work

SHORT = work(length="0.5 NM")
ALL_DAY = work(length="0.5 NM", more="minutes = 480")
TIDAL = [
    (hour, event, {"slack": 0.0, "flood": 2.0, "ebb": 2.2}[event])
    for hour, event in zip(
        range(-1, 30, 3),
        ["slack", "flood", "slack", "ebb", "slack", "flood", "slack", "ebb", "slack", "flood", "slack"],
        strict=True,
    )
]
LIMIT = 'strong_current = "1.2 kn"'
ROCK = feature(Point(450, -60).buffer(60), name="Rock", rule="T 1", **ALWAYS)


def planned(folder: Path, area: SmallArea, trip: SmallTrip, **more: str) -> Plan:
    area.half_m = min(area.half_m, 2500.0)
    return plan_of(trip_file(area.write(folder), trip, **more))


def of_kind(plan: Plan, kind: str) -> list[TimedLeg]:
    return [one for one in plan.legs if one.leg.kind == kind]


@pytest.fixture(scope="module")
def tidal_day(tmp_path_factory: pytest.TempPathFactory) -> Plan:
    trip = SmallTrip([ALL_DAY], hours=9.0, start="04:00")
    return planned(tmp_path_factory.mktemp("tidal"), MovingArea(races=[Race(TIDAL)]), trip, limits=LIMIT)


@pytest.fixture(scope="module")
def tidal_told(tidal_day: Plan) -> list[ToldLeg]:
    return told_legs(plan_geojson(tidal_day))


# -- still water ---------------------------------------------------------------------------------------------------


def alike(one: Plan, other: Plan) -> None:
    assert [leg.leg.label for leg in one.legs] == [leg.leg.label for leg in other.legs]
    for mine, theirs in zip(one.legs, other.legs, strict=True):
        assert mine.leg.xy == pytest.approx(theirs.leg.xy, abs=1e-6)
        assert (mine.start, mine.end) == (theirs.start, theirs.end)


def test_no_current_gives_the_very_same_legs_as_no_layer(tmp_path: Path) -> None:
    trip = SmallTrip([SHORT, work("one-way", near=position(-300.0, 120.0), length="0.4 NM", more="passes = 2")])
    with_zeros = planned(tmp_path / "zeros", MovingArea(races=[steady(0.0)]), trip)
    alike(with_zeros, planned(tmp_path / "none", SmallArea(), trip))
    assert with_zeros.area.current is not None


def test_no_current_gives_the_very_same_legs_beside_a_closure_too(tmp_path: Path) -> None:
    trip, layers = SmallTrip([SHORT]), {"closure": [ROCK]}
    with_zeros = planned(tmp_path / "zeros", MovingArea(races=[steady(0.0)], layers=layers), trip)
    alike(with_zeros, planned(tmp_path / "none", SmallArea(layers=layers), trip))


def test_a_day_walked_in_water_that_stands_still_is_the_still_plan(tmp_path: Path) -> None:
    trip = SmallTrip([work(length="0.5 NM", more="passes = 4")])
    plan = planned(tmp_path, MovingArea(races=[steady(0.0)]), trip)
    brief = Brief(plan.area, plan.trip, plan.radius, inside_m(plan.radius), 0.0, off_unknown=True)
    walked = walk_day(brief, Runs(plan.area, plan.trip))
    assert [leg.label for leg in walked.legs] == [one.leg.label for one in plan.legs]
    for leg, one in zip(walked.legs, plan.legs, strict=True):
        assert leg.clock_s is not None
        assert leg.clock_s[-1] == pytest.approx((one.end - one.start).total_seconds(), abs=0.02)
        if leg.kind == "pass":
            assert leg.xy == pytest.approx(one.leg.xy, abs=1e-6)
        else:
            assert LineString(leg.xy).length == pytest.approx(LineString(one.leg.xy).length, abs=0.05)


# -- working the tide ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("towards", [90.0, 270.0])
def test_in_a_strong_current_all_passes_are_one_way_and_with_it(tmp_path: Path, towards: float) -> None:
    plan = planned(tmp_path, MovingArea(races=[steady(2.0, towards)]), SmallTrip([SHORT], hours=3.0))
    assert [one.leg.kind for one in plan.legs[:-1]] == ["run", "pass"] * len(of_kind(plan, "pass"))
    assert len(of_kind(plan, "pass")) >= 3
    for one in of_kind(plan, "pass"):
        assert one.leg.pattern == "one-way"
        assert abs(one.course_start_true_deg - towards) < 20.0
        # with it: 2.7 and 2.0 kn together, the line winding a little
        assert one.speed_mps == pytest.approx(4.7 * KN, rel=0.02)
    (choice,) = plan.works[0].tide
    assert choice.pattern == "one-way"
    assert "too strong to troll against (limit 1.5 kn)" in choice.words
    assert choice.loop_min_per_h is not None
    assert np.hypot(*choice.flow_mps) == pytest.approx(2.0 * KN, rel=0.01)


def test_a_weak_current_is_looped_in_and_a_lap_takes_what_the_two_speeds_give(tmp_path: Path) -> None:
    plan = planned(tmp_path, MovingArea(races=[steady(1.0)]), SmallTrip([SHORT], hours=3.0))
    assert plan.works[0].tide[0].pattern == "loop"
    assert "below the 1.5 kn that you troll against" in plan.works[0].tide[0].words
    out, back = of_kind(plan, "pass")[:2]
    seconds_by_hand = out.length_m / (3.7 * KN) + back.length_m / (1.7 * KN)
    if abs(out.course_start_true_deg - 90.0) > 90.0:
        seconds_by_hand = out.length_m / (1.7 * KN) + back.length_m / (3.7 * KN)
    took = (out.end - out.start) + (back.end - back.start)
    assert took.total_seconds() == pytest.approx(seconds_by_hand, rel=0.005)


def test_a_current_that_half_a_knot_cannot_be_made_against_is_not_looped_in_whatever_the_limit(tmp_path: Path) -> None:
    trip = SmallTrip([SHORT], hours=3.0)
    plan = planned(tmp_path, MovingArea(races=[steady(2.4)]), trip, limits='strong_current = "3 kn"')
    assert {one.leg.pattern for one in of_kind(plan, "pass")} == {"one-way"}
    assert "loop cannot be worked" in plan.works[0].tide[0].words
    assert "half a knot would not be made against it" in plan.works[0].tide[0].words
    assert plan.works[0].tide[0].loop_min_per_h is None


def test_the_day_goes_from_loop_to_one_way_and_back_and_says_why(tidal_day: Plan) -> None:
    choices = tidal_day.works[0].tide
    patterns = [choice.pattern for choice in choices]
    assert patterns[:3] == ["loop", "one-way", "loop"]
    assert all(before != after for before, after in pairwise(patterns))
    limit = 1.2 * KN
    for choice in choices:
        assert "1.2 kn" in choice.words
        assert "on the line in an hour: loop" in choice.words
        assert ("too strong to troll against (limit 1.2 kn)" in choice.words) == (choice.pattern == "one-way")
        inside = [one for one in tidal_day.legs if choice.since <= one.start < choice.until]
        assert {one.leg.pattern for one in inside if one.leg.kind != "run"} == {choice.pattern}
        if choice.pattern == "one-way":
            assert not [one for one in inside if one.leg.kind == "turn"]
            # a lap may begin before its time or end after it, but the heart of it is strong
            assert np.hypot(*choice.flow_mps) > limit
    # by hand: slack at 05:00, flood... the ebb of 2.2 kn runs over 1.2 kn from asin(1.2/2.2) on
    from_slack_h = 3.0 * np.arcsin(1.2 / 2.2) / (np.pi / 2)
    assert choices[0].until.timestamp() <= seconds(5.0 + from_slack_h) + 1.0
    assert choices[2].since.timestamp() >= seconds(11.0 - from_slack_h) - 20 * 60.0


def test_turns_and_legs_against_the_current_are_not_run_above_the_limit(tidal_told: list[ToldLeg]) -> None:
    for leg in tidal_told:
        if leg.told["kind"] == "run":
            continue
        knots = np.hypot(*leg.current_mps.T) / KN
        with_it = (leg.xy[-1] - leg.xy[0]) @ leg.current_mps[len(leg.current_mps) // 2]
        if leg.told["kind"] == "turn" or with_it < 0.0:
            assert knots.max() <= 1.2 + 0.02, leg.told["label"]
        elif leg.told["pattern"] == "one-way":
            assert with_it > 0.0


def test_gear_never_makes_less_than_half_a_knot_over_the_ground(tidal_told: list[ToldLeg]) -> None:
    down = [leg for leg in tidal_told if leg.told["kind"] != "run"]
    for leg in down:
        speed = np.hypot(*np.diff(leg.xy, axis=0).T) / np.diff(leg.clock_s)
        assert speed.min() >= 0.5 * KN * 0.98, leg.told["label"]
        assert leg.told["speed_mps"] == pytest.approx(leg.told["length_m"] / leg.clock_s[-1], rel=0.001)
    against = [leg for leg in down if (leg.xy[-1] - leg.xy[0]) @ leg.current_mps[0] < 0.0]
    assert against


def chains(legs: Sequence[ToldLeg]) -> list[list[ToldLeg]]:
    found: list[list[ToldLeg]] = [[]]
    for leg in legs:
        if leg.told["kind"] == "run":
            found.append([])
        else:
            found[-1].append(leg)
    return [chain for chain in found if chain]


def joined(chain: Sequence[ToldLeg]) -> FloatArray:
    """The path through the water of legs with gear down, from the plan alone, a place every 3 s."""
    clock, water = np.zeros(1), chain[0].xy[:1]
    for leg in chain:
        own = water_path(leg.xy, leg.clock_s, leg.current_mps)
        clock = np.append(clock, clock[-1] + leg.clock_s[1:])
        water = np.vstack([water, water[-1] + own[1:] - own[0]])
    even = np.arange(0.0, clock[-1], 3.0)
    return np.column_stack([np.interp(even, clock, water[:, axis]) for axis in (0, 1)])


def test_the_path_through_the_water_is_nowhere_tighter_than_r(tidal_day: Plan, tidal_told: list[ToldLeg]) -> None:
    found = chains(tidal_told)
    assert max(len(chain) for chain in found) >= 5
    tightest = []
    for chain in found:
        water = joined(chain)
        # chords of about 8 m to either side: two vertices a decimal off are not a bend
        tightest.append(min(radii(water[start::2]).min() for start in (0, 1)))
        speed = np.hypot(*np.diff(water, axis=0).T) / 3.0
        assert speed == pytest.approx(2.7 * KN, rel=0.02)
    assert min(tightest) >= 0.97 * tidal_day.radius.radius_m
    # turns are as tight as they may be: the check looks at something
    assert min(tightest) <= 1.05 * tidal_day.radius.radius_m
    # over the ground they are not circles
    ground = [radii(leg.xy)[3:-3] for leg in tidal_told if leg.told["kind"] == "turn"]
    assert min(one.min() for one in ground) < 0.9 * tidal_day.radius.radius_m


def test_a_pass_waits_for_what_opens_during_the_trip(tmp_path: Path) -> None:
    shut = feature(box(-2400, -2400, 2400, 2400), name="Night Box", rule="T 3", hours="03:00-09:30", **ALWAYS)
    area = MovingArea(races=[steady(0.8)], layers={"closure": [shut]})
    trip = SmallTrip([work(length="0.5 NM", more="minutes = 60")], start="08:00", hours=5.0)
    plan = planned(tmp_path, area, trip)
    down = [one for one in plan.legs if one.leg.kind != "run"]
    assert f"{down[0].start:%H:%M}" == "09:30"
    assert any("leaves at" in warning for warning in plan.warnings)
    assert [(f"{moment:%H:%M}", words) for moment, words in plan.day.events] == [("09:30", "'Night Box' opens")]


def test_between_two_works_the_boat_waits_on_the_spot(tmp_path: Path) -> None:
    shut = feature(box(-2400, 300, 2400, 2400), name="Noon Box", rule="T 3", hours="03:00-10:00", **ALWAYS)
    area = MovingArea(races=[steady(0.8)], layers={"closure": [shut]})
    works = [work(length="0.5 NM", more="minutes = 40"), work(line="150 ft", length="0.5 NM", more="minutes = 40")]
    plan = planned(tmp_path, area, SmallTrip(works, start="08:00", hours=5.0, home=position(0, 0)))
    assert len(plan.works) == 2
    second = [one for one in plan.legs if one.leg.kind != "run" and one.leg.work == 1]
    assert second[0].start.timestamp() == pytest.approx(seconds(10.0), abs=90.0)
    assert second[0].start.timestamp() >= seconds(10.0)
    before = plan.legs[second[0].seq - 2]
    assert "waits there until water opens at 10:00" in before.leg.note
    assert before.end == second[0].start


# -- what is not known ---------------------------------------------------------------------------------------------


def exit_code(*words: str) -> int | str | None:
    try:
        main(words)
    except SystemExit as leaving:
        return leaving.code or 0
    return 0


@pytest.mark.parametrize("role", ["tide", "current"])
def test_a_plan_longer_than_a_table_reaches_stops(
    tmp_path: Path, role: str, capsys: pytest.CaptureFixture[str]
) -> None:
    tide = [(-6.0, 0.5), (0.0, 3.0), (6.0, 0.4), (11.0, 2.8)] if role == "tide" else ()
    races = [steady(0.5, last=10)] if role == "current" else ()
    folder = MovingArea(half_m=1500.0, tide=tide, races=races).write(tmp_path)
    file = trip_file(folder, SmallTrip([SHORT], start="08:00", hours=4.0))
    assert exit_code("plan", str(file), "--out", str(tmp_path / "out")) == 2
    said = capsys.readouterr().err
    assert f"{role}.toml" in said
    assert "2026-08-14 08:00 to 2026-08-14 12:00" in said
    assert f"to 2026-08-14 {11 if role == 'tide' else 10}:00" in said
    assert "Get predictions for the day" in said
    assert "shorten the trip" in said
    assert not (tmp_path / "out").exists()
    shorter = trip_file(folder, SmallTrip([SHORT], start="07:30", hours=2.4))
    assert exit_code("plan", str(shorter), "--out", str(tmp_path / "out")) == 0


def test_where_the_current_is_unknown_none_is_counted_and_it_is_said(tmp_path: Path) -> None:
    works = [
        work(near=position(-1500.0, 0.0), length="0.4 NM", more="passes = 2"),
        work(near=position(1500.0, 0.0), length="0.4 NM", more="passes = 2"),
    ]
    area = MovingArea(races=[steady(1.0, x=-1800.0, reach="1.2 NM")])
    plan = planned(tmp_path, area, SmallTrip(works))
    assert any("not known all along work 2" in warning and "none is counted" in warning for warning in plan.warnings)
    assert not any("not known all along work 1" in warning for warning in plan.warnings)
    legs = [leg for leg in told_legs(plan_geojson(plan)) if leg.told["kind"] != "run"]
    first, second = ([leg for leg in legs if leg.told["work"] == index] for index in (0, 1))
    assert all(leg.told["current_known"] for leg in first)
    assert all(np.hypot(*leg.current_mps.T) == pytest.approx(1.0 * KN, rel=0.01) for leg in first)
    assert second
    assert not any(leg.told["current_known"] for leg in second)
    assert not any(leg.current_mps.any() for leg in second)
    assert all(
        leg.told["speed_mps"] == pytest.approx(2.7 * KN, rel=0.001) for leg in second if leg.told["kind"] == "pass"
    )
    assert plan.works[1].tide == ()


# -- the tide ------------------------------------------------------------------------------------------------------

HIGH_AT_10 = [(-3.0, 4.0), (4.0, 0.0), (10.0, 4.0), (16.0, 0.0), (22.0, 4.0), (28.0, 0.0)]


def test_a_line_deep_enough_at_high_water_only_is_worked_then(tmp_path: Path) -> None:
    shallow = work(line="60 ft", near=position(0.0, -250.0), length="0.5 NM", more="passes = 2")
    area = MovingArea(tide=HIGH_AT_10, bottom=lambda x, y: slope(x, y) + 2.0)
    high = planned(tmp_path / "high", area, SmallTrip([shallow], start="09:00", hours=1.5))
    assert high.works[0].off_line.depth_min_m < 19.0
    assert high.area.tide is not None
    for one in high.legs:
        if one.leg.kind != "run":
            times = np.linspace(one.start.timestamp(), one.end.timestamp(), len(one.leg.xy))
            depth = high.area.depth.depth_at(*one.leg.xy.T) + high.area.tide.height_at(*one.leg.xy.T, times)
            assert depth.min() >= high.radius.rods[0].depth_m + high.trip.limits.bottom_clearance_m - 0.05
    assert high.swept.clearance_m >= high.trip.limits.bottom_clearance_m - 0.1
    with pytest.raises(NoPlanError) as failure:
        planned(tmp_path / "low", area, SmallTrip([shallow], start="03:20", hours=1.5))
    assert "tide at 0.0 ft at its lowest" in failure.value.reasons[0]


def test_a_tide_below_the_datum_closes_a_shallow_run(tmp_path: Path) -> None:
    def sill(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        # 2 m over a ridge that is 1000 m wide but for a gap far to the east
        return np.where((np.abs(y - 700.0) < 60.0) & (x < 1800.0), 2.0, np.maximum(slope(x, y), 30.0))

    trip = SmallTrip([work(length="0.5 NM", more="passes = 1")], home=position(0.0, 1200.0), start="08:00", hours=3.0)
    low = [(-5.0, 1.0), (2.0, 0.5), (5.0, 1.0), (9.5, -0.9), (15.0, 1.0), (21.0, 0.5)]
    straight = planned(tmp_path / "dry", MovingArea(bottom=sill), trip)
    high = planned(tmp_path / "high", MovingArea(bottom=sill, tide=[(h - 6.0, abs(m)) for h, m in low]), trip)
    around = planned(tmp_path / "low", MovingArea(bottom=sill, tide=low), trip)
    assert straight.legs[0].length_m < 1500.0
    assert high.legs[0].length_m == pytest.approx(straight.legs[0].length_m)
    assert around.legs[0].length_m > 3000.0


def test_rods_are_not_raised_where_the_tide_gives_the_room(tmp_path: Path) -> None:
    def trench(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        return np.maximum(30.2 - 0.6 * np.maximum(np.abs(y) - 3.0, 0.0), 12.0) + 0.0 * x

    wide = 'name = "port"\nkind = "downrigger"\nside = "port"\nreach = "30 ft"\ndepth = "78 ft"\nsetback = "25 ft"\n'
    one = work("one-way", "98 ft", length="0.5 NM", more="passes = 1")
    trip = SmallTrip([one], rods=[wide + 'ball = "12 lb"'], start="09:00", hours=2.0)
    raised = planned(tmp_path / "datum", SmallArea(bottom=trench, cell_m=4.0, half_m=1500.0), trip)
    assert any(warning.startswith("Rod 'port' is raised by") for warning in raised.warnings)
    high = planned(tmp_path / "high", MovingArea(bottom=trench, cell_m=4.0, half_m=1500.0, tide=HIGH_AT_10), trip)
    assert not any("is raised" in warning for warning in high.warnings)
    assert high.radius.rods[0].depth_m > raised.radius.rods[0].depth_m + 0.3
    assert high.swept.clearance_m >= high.trip.limits.bottom_clearance_m - 0.1
    assert high.swept.clearance_m > raised.swept.clearance_m


# -- the clock -----------------------------------------------------------------------------------------------------

BERLIN = ZoneInfo("Europe/Berlin")
CHANGES = {
    "midnight": ("2026-08-14", "22:30", {"+10:00"}, "Etc/GMT-10"),
    "spring": ("2026-03-29", "00:30", {"+01:00", "+02:00"}, "Europe/Berlin"),
    "autumn": ("2026-10-25", "01:15", {"+02:00", "+01:00"}, "Europe/Berlin"),
}


@pytest.mark.parametrize("change", CHANGES)
def test_a_trip_across_a_change_of_day_or_clock_keeps_time(tmp_path: Path, change: str) -> None:
    day, start, offsets, zone = CHANGES[change]
    midnight = datetime.fromisoformat(day).replace(tzinfo=ZoneInfo(zone))
    began = midnight.replace(hour=int(start[:2]), minute=int(start[3:]))
    began_h = (began.astimezone(UTC) - midnight.astimezone(UTC)) / timedelta(hours=1)
    # by the tables, which are in UTC: high water 2 h after the start, low 6 h before and after
    tide = [(began_h + hour, height) for hour, height in ((-4.0, 1.0), (2.0, 3.0), (8.0, 0.0), (14.0, 3.0))]
    # and slack an hour after it, between a flood and an ebb of 1 kn
    slack_h = began_h + 1.0
    events = [
        (slack_h + hour, event, knots)
        for hour, event, knots in (
            (-6.0, "slack", 0), (-3.0, "flood", 1.0), (0.0, "slack", 0), (3.0, "ebb", 1.0), (6.0, "slack", 0),
            (9.0, "flood", 1.0),
        )
    ]  # fmt: skip
    area = MovingArea(tide=tide, races=[Race(events)], timezone=zone, midnight=midnight)
    trip = SmallTrip([work(length="0.5 NM", more="minutes = 150")], start=start, hours=3.0)
    plan = planned(tmp_path, area, trip, day=day)
    assert plan.legs[0].start == began
    for before, after in pairwise(plan.legs):
        assert before.end == after.start
    for one in plan.legs:
        took = (one.end.astimezone(UTC) - one.start.astimezone(UTC)).total_seconds()
        assert one.leg.clock_s is not None
        assert took == pytest.approx(one.leg.clock_s[-1], abs=0.001)
    lasted = plan.legs[-1].end.astimezone(UTC) - began.astimezone(UTC)
    assert timedelta(hours=2) < lasted <= timedelta(hours=3)
    # the day's table: one entry a minute of real time, the tide of the tables at the right absolute time
    at = np.array([moment.timestamp() for moment in plan.day.moments])
    assert np.diff(at)[:-1] == pytest.approx(60.0)
    gone_h = (at - began.timestamp()) / HOUR_S
    by_hand = np.where(
        gone_h <= 2.0, 2.0 + np.cos(np.pi * (gone_h - 2.0) / 6.0), 1.5 + 1.5 * np.cos(np.pi * (gone_h - 2.0) / 6.0)
    )
    assert plan.day.tide_m == pytest.approx(by_hand, abs=0.001)
    signed = -np.sin(np.pi * (gone_h - 1.0) / 6.0) * KN
    assert np.hypot(*plan.day.flow_mps.T) == pytest.approx(np.abs(signed), abs=0.003)
    assert plan.day.flow_mps[:, 0] == pytest.approx(signed, abs=0.01)
    # files: offsets of the zone, UTC in GPX, the same moments
    told = told_legs(plan_geojson(plan))
    texts = [text for leg in told for text in (leg.told["start"], leg.told["end"])]
    assert {text[-6:] for text in texts} == offsets
    for leg, one in zip(told, plan.legs, strict=True):
        assert datetime.fromisoformat(leg.told["start"]).timestamp() == one.start.timestamp()
        assert (
            datetime.fromisoformat(leg.told["end"]) - datetime.fromisoformat(leg.told["start"])
        ).total_seconds() == (pytest.approx(leg.clock_s[-1], abs=0.01))
    space = {"g": "http://www.topografix.com/GPX/1/1"}
    times = [point.text or "" for point in ET.fromstring(plan_gpx(plan)).findall(".//g:trkpt/g:time", space)]  # noqa: S314
    assert all(text.endswith("Z") for text in times)
    moments = [datetime.fromisoformat(text) for text in times]
    assert all(before <= after for before, after in pairwise(moments))
    assert abs(moments[0] - began) < timedelta(seconds=1)
    assert abs(moments[-1] - plan.legs[-1].end) < timedelta(seconds=1)


# -- the gear ------------------------------------------------------------------------------------------------------


def test_gear_in_a_uniform_current_is_the_gear_of_still_water_carried_along(tmp_path: Path) -> None:
    """Galilei: the water knows nothing of the ground."""
    plan = planned(
        tmp_path, MovingArea(races=[steady(0.9, 60.0)]), SmallTrip([work(length="0.5 NM", more="passes = 3")])
    )
    down = [one for one in plan.legs if one.leg.kind != "run"]
    assert {one.leg.kind for one in down} == {"pass", "turn"}
    still = []
    gone = np.zeros(2)
    for one in down:
        assert one.leg.clock_s is not None
        assert one.leg.current_mps is not None
        water = water_path(one.leg.xy, one.leg.clock_s, one.leg.current_mps)
        still.append(_with(one, water - gone, one.leg.clock_s))
        gone = gone + (one.leg.xy[-1] - water[-1])
    (moved,) = trails(plan.trip, plan.radius, down)
    (held,) = trails(plan.trip, plan.radius, still)
    count = min(len(moved.ends), len(held.ends))
    clock = np.arange(count, dtype=np.float64)
    first = down[0].leg
    assert first.current_mps is not None
    drift = np.outer(
        clock, np.vstack([one.leg.current_mps for one in down if one.leg.current_mps is not None]).mean(axis=0)
    )
    assert np.hypot(*drift[-1]) > 500.0
    off = moved.ends[:count, :, -1] - (held.ends[:count, :, -1] + drift[:, None])
    assert np.hypot(off[..., 0], off[..., 1]).max() < 0.05
    assert moved.depth_m[:count] == pytest.approx(held.depth_m[:count], abs=0.02)
    # and the tracks of the plan are those
    for track in plan.swept.tracks:
        one = plan.legs[track.seq - 1]
        begin = (one.start - down[0].start).total_seconds()
        for axis in (0, 1):
            own = np.interp(begin + track.clock_s, clock, held.ends[:count, 0, -1, axis] + drift[:, axis])
            inside = begin + track.clock_s < clock[-1]
            assert track.xy[inside, axis] == pytest.approx(own[inside], abs=0.25)


def _with(one: TimedLeg, xy: FloatArray, clock_s: FloatArray) -> TimedLeg:
    return replace(one, leg=replace(one.leg, xy=xy, clock_s=clock_s, current_mps=np.zeros_like(xy)))
