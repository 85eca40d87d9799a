"""The trip minute by minute against the layers it is read from, and the legs of plan.geojson vertex by vertex."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from shapely import LineString, box

from layers.model import FloatArray
from layers.projection import LocalProjection
from spotmap.clock import sun_times, time_legs
from spotmap.geojson import plan_geojson
from spotmap.minutes import current_known, day_table, leg_clock
from spotmap.model import ClosedWater, Leg, Plan
from spotmap.moving import passage
from tests import small_area
from tests.moving_water import (
    BOAT,
    KN,
    FormulaCurrent,
    FormulaTide,
    MovingArea,
    Race,
    plan_of,
    steady,
    told_legs,
    trip_file,
)
from tests.plan_fixture import build_plan
from tests.small_area import ALWAYS, SmallTrip, feature, position, work

TIDE = [(-6.0, 0.5), (0.0, 3.0), (6.5, 0.2), (12.5, 2.8), (19.0, 0.4)]
RACE = Race([(hour, event, 0.0 if event == "slack" else 1.9) for hour, event in zip(
    range(-1, 20, 3), ["slack", "flood", "slack", "ebb", "slack", "flood", "slack"], strict=True)])  # fmt: skip


@pytest.fixture(scope="module")
def plan(tmp_path_factory: pytest.TempPathFactory) -> Plan:
    """A day from before dawn: slack at 05:00, the ebb's strength at 08:00."""
    box_ = feature(box(1500, 1500, 2400, 2400), name="Corner Box", rule="T 1", hours="06:00-07:15", **ALWAYS)
    area = MovingArea(half_m=2500.0, tide=TIDE, races=[RACE], layers={"closure": [box_]})
    trip = SmallTrip([work(length="0.5 NM", more="minutes = 300")], start="03:30", hours=6.0)
    return plan_of(trip_file(area.write(tmp_path_factory.mktemp("day")), trip))


def times(plan: Plan) -> FloatArray:
    return np.array([moment.timestamp() for moment in plan.day.moments])


def test_there_is_an_entry_a_minute_from_the_first_to_the_last(plan: Plan) -> None:
    at = times(plan)
    assert at[0] == plan.legs[0].start.timestamp()
    assert at[-1] == pytest.approx(plan.legs[-1].end.timestamp(), abs=1e-5)
    assert np.diff(at)[:-1] == pytest.approx(60.0, abs=1e-6)
    assert 0.0 < np.diff(at)[-1] <= 60.0
    assert all(moment.tzinfo == plan.area.timezone for moment in plan.day.moments)


def test_the_boat_is_where_its_legs_say_by_their_clocks(plan: Plan) -> None:
    kinds = set()
    for at, seq, place in zip(times(plan), plan.day.seq, plan.day.xy, strict=True):
        one = plan.legs[seq - 1]
        gone = at - one.start.timestamp()
        assert -1e-5 <= gone <= (one.end - one.start).total_seconds() + 1e-5
        assert one.leg.clock_s is not None
        here = [np.interp(gone, one.leg.clock_s, one.leg.xy[:, axis]) for axis in (0, 1)]
        assert np.hypot(*(place - here)) <= 0.01
        kinds.add(one.leg.kind)
    assert kinds == {"run", "pass", "turn"}


def test_tide_and_current_are_the_layers_there_and_then(plan: Plan) -> None:
    day, at, (x, y) = plan.day, times(plan), plan.day.xy.T
    assert plan.area.tide is not None
    assert plan.area.current is not None
    assert day.tide_m == pytest.approx(plan.area.tide.height_at(x, y, at), abs=1e-9)
    assert day.flow_mps == pytest.approx(plan.area.current.flow_at(x, y, at), abs=1e-9)
    assert day.charted_m == pytest.approx(plan.area.depth.depth_at(x, y), abs=1e-9)
    assert np.ptp(day.tide_m) > 1.0
    assert np.ptp(np.hypot(*day.flow_mps.T)) > 0.5
    # low water is at 06:30: it falls before and rises after
    hour = np.array([moment.hour + moment.minute / 60 for moment in day.moments])
    assert (day.rising_mps[hour < 6.4] < 0.0).all()
    assert (day.rising_mps[hour > 6.6] > 0.0).all()
    # by hand: half a cosine of 2.8 m in 6.5 h falls fastest in the middle, at 03:15, π/2 · 2.8 m / 6.5 h
    assert day.rising_mps[0] == pytest.approx(-np.pi / 2 * 2.8 / (6.5 * 3600.0), rel=0.02)


def test_the_current_at_the_work_is_that_of_the_pass_run_next_or_last(plan: Plan) -> None:
    passes = [one for one in plan.legs if one.leg.kind == "pass"]
    assert plan.area.current is not None
    for at, seq, flow in zip(times(plan), plan.day.seq, plan.day.work_flow_mps, strict=True):
        one = next((leg for leg in passes if leg.seq >= seq), passes[-1])
        middle = one.leg.xy[len(one.leg.xy) // 2]
        assert flow == pytest.approx(plan.area.current.flow_at(middle[0], middle[1], np.array(at)), abs=1e-9)


def test_gear_is_told_while_it_is_down_and_clears_the_bottom_with_the_tide(plan: Plan) -> None:
    down = np.array([plan.legs[seq - 1].leg.kind != "run" for seq in plan.day.seq])
    assert (np.isfinite(plan.day.gear_m) == down).all()
    assert plan.day.gear_m[down] == pytest.approx(60.0 * 0.3048, abs=0.01)
    room = plan.day.charted_m + plan.day.tide_m - plan.day.gear_m
    assert room[down].min() >= plan.trip.limits.bottom_clearance_m


def test_light_is_that_of_the_sun_at_the_place(plan: Plan) -> None:
    lon, lat = plan.area.projection.to_geographic(plan.trip.works[0].near.x, plan.trip.works[0].near.y)
    sun = sun_times(float(lon), float(lat), plan.trip.date, plan.area.timezone)
    assert sun.dawn is not None
    assert sun.sunrise is not None
    by_hand = [0 if moment < sun.dawn else 1 if moment < sun.sunrise else 2 for moment in plan.day.moments]
    # the day's light is told for the work, the minutes for the boat on its way there
    assert np.count_nonzero(plan.day.light != by_hand) <= 2
    assert plan.day.light.tolist() == sorted(plan.day.light.tolist())
    assert set(plan.day.light.tolist()) == {0, 1, 2}


def test_evening_light_goes_the_other_way(plan: Plan) -> None:
    def light(hour: int, minute: int) -> int:
        began = plan.legs[0].start.replace(hour=hour, minute=minute)
        leg = replace(plan.legs[1], seq=1, start=began, end=began + (plan.legs[1].end - plan.legs[1].start))
        return int(day_table(plan.area, plan.radius, [leg], ()).light[0])

    assert plan.sun.sunset is not None
    assert plan.sun.dusk is not None
    assert f"{plan.sun.sunset:%H}" == "19"
    between = plan.sun.sunset + 0.5 * (plan.sun.dusk - plan.sun.sunset)
    assert [light(12, 0), light(between.hour, between.minute), light(23, 0)] == [2, 1, 0]


def test_what_opens_and_closes_is_told_in_order(plan: Plan) -> None:
    told = [(f"{moment:%H:%M}", words) for moment, words in plan.day.events]
    assert told == [("06:00", "'Corner Box' closes"), ("07:15", "'Corner Box' opens")]


def test_changes_outside_the_trip_are_left_out(plan: Plan) -> None:
    began = plan.legs[0].start
    shut = ClosedWater(
        "Both", "fishing", "T 2", box(0, 0, 1, 1), 50.0, True,
        (began - timedelta(minutes=5), began + timedelta(minutes=5), began + timedelta(days=1)), "",
    )  # fmt: skip
    events = day_table(plan.area, plan.radius, plan.legs, [shut]).events
    assert events == ((began + timedelta(minutes=5), "'Both' closes"),)


def test_without_tide_and_current_they_are_not_known(plan: Plan) -> None:
    dry = replace(plan.area, tide=None, current=None)
    day = day_table(dry, plan.radius, plan.legs, ())
    for values in (day.tide_m, day.rising_mps, day.flow_mps, day.work_flow_mps):
        assert np.isnan(values).all()
    assert not any(current_known(dry, one) for one in plan.legs)
    falling = replace(plan.area, tide=FormulaTide(lambda time_s: 3.0 - 1e-4 * (time_s - times(plan)[0])))
    assert day_table(falling, plan.radius, plan.legs, ()).rising_mps == pytest.approx(-1e-4, rel=1e-4)


def test_a_leg_without_a_clock_goes_at_one_speed(plan: Plan) -> None:
    one = plan.legs[1]
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(one.leg.xy, axis=0).T))])
    still = replace(one, leg=replace(one.leg, clock_s=None, current_mps=None))
    took = (one.end - one.start).total_seconds()
    assert leg_clock(still) == pytest.approx(along / along[-1] * took)


# -- plan.geojson --------------------------------------------------------------------------------------------------

PER_VERTEX = ("clock_s", "current_east_mps", "current_north_mps")


def vertices(feature_: dict[str, object]) -> int:
    geometry = feature_["geometry"]
    assert isinstance(geometry, dict)
    parts = geometry["coordinates"] if geometry["type"] == "MultiLineString" else [geometry["coordinates"]]
    return sum(len(part) for part in parts)


def legs_of(plan: Plan) -> list[dict[str, dict[str, object]]]:
    return [one for one in json.loads(plan_geojson(plan))["features"] if one["properties"]["role"] == "leg"]


def in_order(told: dict[str, dict[str, object]]) -> None:
    """A list entry a vertex, the clock from nought to the leg's time, no longer at one place than at the next."""
    count = vertices(told)
    for key in PER_VERTEX:
        values = told["properties"][key]
        assert isinstance(values, list)
        assert len(values) == count, (told["properties"]["label"], key)
        assert all(isinstance(value, float) for value in values)
    clock = np.array(told["properties"]["clock_s"])
    took = moment(told, "end") - moment(told, "start")
    assert clock[0] == 0.0
    assert clock[-1] == pytest.approx(took, abs=0.01)
    assert (np.diff(clock) >= 0.0).all()


def moment(told: dict[str, dict[str, object]], key: str) -> float:
    return datetime.fromisoformat(str(told["properties"][key])).timestamp()


def test_every_leg_tells_clock_and_current_at_every_vertex(plan: Plan) -> None:
    found = legs_of(plan)
    assert len(found) == len(plan.legs)
    for told in found:
        in_order(told)
        assert told["properties"]["current_known"] is True
    assert plan.area.current is not None
    for leg, one in zip(told_legs(plan_geojson(plan)), plan.legs, strict=True):
        met = plan.area.current.flow_at(*one.leg.xy.T, one.start.timestamp() + leg_clock(one))
        if len(leg.xy) == len(met):
            # near the area's centre, on the zone's meridian: local axes are east and north to a part in a thousand
            assert leg.current_mps == pytest.approx(met, abs=0.01)


def at_place(monkeypatch: pytest.MonkeyPatch, zone: int, east: float, north: float) -> None:
    monkeypatch.setattr(small_area, "UTM", f"EPSG:{32600 + zone}")
    monkeypatch.setattr(small_area, "EAST_0", east)
    monkeypatch.setattr(small_area, "NORTH_0", north)


def test_an_area_across_the_180th_meridian_tells_every_vertex(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # zone 1's western edge: 180° is 224.4 km west of its middle at this latitude
    at_place(monkeypatch, 1, 500_000.0 - 224_400.0, 5_300_000.0)
    lon = [small_area.lonlat(x, 0.0)[0] for x in (-400.0, 400.0)]
    assert lon[0] > 179.0
    assert lon[1] < -179.0
    area = MovingArea(half_m=2000.0, races=[steady(0.8, 90.0)])
    trip = SmallTrip([work(length="0.5 NM", more="passes = 3")], home=position(-900.0, 600.0))
    made = plan_of(trip_file(area.write(tmp_path), trip))
    found = legs_of(made)
    cut = [told for told in found if told["geometry"]["type"] == "MultiLineString"]
    assert len(cut) >= 3
    for told in found:
        in_order(told)
        east, north = (np.array(told["properties"][key]) for key in PER_VERTEX[1:])
        assert east == pytest.approx(0.8 * KN, abs=2e-3)
        assert north == pytest.approx(0.0, abs=2e-3)
    # a part ends where and when the next begins
    for told in cut:
        parts = told["geometry"]["coordinates"]
        assert isinstance(parts, list)
        at = np.cumsum([len(part) for part in parts])[:-1]
        clock = np.array(told["properties"]["clock_s"])
        assert clock[at] == pytest.approx(clock[at - 1], abs=0.01)
        assert all(abs(abs(before[-1][0]) - 180.0) < 1e-6 for before in parts[:-1])


def test_a_long_run_near_75_north_tells_every_vertex(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    at_place(monkeypatch, 5, 500_000.0, 8_330_000.0)
    area = MovingArea(half_m=14_000.0, cell_m=80.0, bottom=lambda x, y: 30.0 + 0.002 * y + 0.0 * x, races=[
        steady(0.8, 90.0, reach="20 NM")])  # fmt: skip
    one = work(line="150 ft", near=position(0.0, 7800.0), length="0.8 NM", more="passes = 2")
    made = plan_of(trip_file(area.write(tmp_path), SmallTrip([one], home=position(-13_000.0, 1000.0), hours=6.0)))
    found = legs_of(made)
    longest = max(made.legs, key=lambda timed: timed.length_m)
    assert longest.leg.kind == "run"
    assert longest.length_m > 12_000.0
    assert vertices(found[longest.seq - 1]) >= len(longest.leg.xy)
    for told in found:
        in_order(told)


def far_off_leg(places: FloatArray, set_deg: float, knots: float) -> tuple[Plan, list[dict[str, dict[str, object]]]]:
    """A leg far from the centre of an area at 75° N, where the current sets one true way everywhere."""
    made = build_plan(lat0_deg=75.0, laps=1)
    projection = LocalProjection(-140.0, 75.0)

    def flow(xy: FloatArray, time_s: FloatArray) -> FloatArray:
        del time_s
        way = projection.heading_rad(xy[:, 0], xy[:, 1], np.full(len(xy), set_deg))
        return knots * KN * np.column_stack([np.cos(way), np.sin(way)])

    way = passage(places, BOAT.troll_speed_mps, made.trip.start.timestamp(), flow)
    leg = Leg("pass", places, "P1", work=0, clock_s=way.clock_s, current_mps=way.current_mps)
    area = replace(made.area, projection=projection, current=FormulaCurrent(flow))
    timed = time_legs([leg], made.trip.start, projection, BOAT, 0.0)
    swept = replace(made.swept, tracks=())
    made = replace(made, area=area, legs=timed, swept=swept)
    return made, legs_of(made)


@pytest.mark.parametrize("set_deg", [90.0, 0.0, 200.0])
@pytest.mark.parametrize("east_m", [-60_000.0, 60_000.0])
def test_true_east_and_north_far_from_the_centre_at_75_north(set_deg: float, east_m: float) -> None:
    places = np.column_stack([east_m + np.linspace(0.0, 800.0, 30), np.linspace(20_000.0, 20_300.0, 30)])
    made, (told,) = far_off_leg(places, set_deg, 1.2)
    assert told["properties"]["current_known"] is True
    east, north = (np.array(told["properties"][key]) for key in PER_VERTEX[1:])
    assert east == pytest.approx(1.2 * KN * np.sin(np.radians(set_deg)), abs=2e-5)
    assert north == pytest.approx(1.2 * KN * np.cos(np.radians(set_deg)), abs=2e-5)
    # in the local axes it is turned by two degrees and more
    local = made.legs[0].leg.current_mps
    assert local is not None
    turned = np.arctan2(*local[0]) - np.radians(set_deg)
    assert abs((turned + np.pi) % (2 * np.pi) - np.pi) > np.radians(1.5)
    # ground course less drift is the heading: recomputed in metres east and north from the file alone
    (leg,) = told_legs(plan_geojson(made))
    step = leg.xy[1] - leg.xy[0] - leg.current_mps[0] * (leg.clock_s[1] - leg.clock_s[0])
    heading = np.degrees(np.arctan2(step[0], step[1])) % 360.0
    assert leg.told["heading_true_deg"] == pytest.approx(heading, abs=0.3)
    assert np.hypot(*step) / leg.clock_s[1] == pytest.approx(BOAT.troll_speed_mps, rel=0.005)


def test_a_current_that_is_not_counted_or_not_known_is_said_so() -> None:
    places = np.column_stack([np.linspace(0.0, 800.0, 30), np.zeros(30)])
    made, (told,) = far_off_leg(places, 90.0, 0.7)
    assert told["properties"]["current_known"] is True
    uncounted = replace(made.legs[0], leg=replace(made.legs[0].leg, current_mps=np.zeros((30, 2))))
    (told,) = legs_of(replace(made, legs=(uncounted,)))
    assert told["properties"]["current_known"] is False
    blind = replace(made.area, current=FormulaCurrent(lambda xy, _: np.zeros_like(xy), half_m=700.0))
    (told,) = legs_of(replace(made, area=blind, legs=(uncounted,)))
    assert told["properties"]["current_known"] is False
    assert told["properties"]["current_east_mps"] == [0.0] * 30


def test_lure_tracks_have_a_clock_for_every_place(plan: Plan) -> None:
    found = [one for one in json.loads(plan_geojson(plan))["features"] if one["properties"]["role"] == "lure track"]
    took = {one.seq: (one.end - one.start).total_seconds() for one in plan.legs}
    assert {one["properties"]["seq"] for one in found} == {one.seq for one in plan.legs if one.leg.kind != "run"}
    for one in found:
        clock = one["properties"]["clock_s"]
        assert len(clock) == vertices(one)
        assert clock[0] == 0.0
        assert clock[-1] == pytest.approx(took[one["properties"]["seq"]], abs=0.06)
        assert all(before <= after for before, after in pairwise(clock))


def test_the_timetable_in_the_file_is_the_day(plan: Plan) -> None:
    head = json.loads(plan_geojson(plan))["spotmap"]
    table, day = head["timetable"], plan.day
    assert [datetime.fromisoformat(text).astimezone(UTC) for text in table["moments"]] == [
        one.astimezone(UTC) for one in day.moments
    ]
    assert all(len(values) == len(day.moments) for values in table.values())
    assert table["tide_m"] == pytest.approx(np.round(day.tide_m, 2).tolist())
    assert table["rising"] == np.sign(day.rising_mps).astype(int).tolist()
    assert table["drift_mps"] == pytest.approx(np.hypot(*day.flow_mps.T), abs=6e-4)
    # floods to 90°, ebbs to 270°
    strong = np.hypot(*day.flow_mps.T) > 0.2
    by_hand = np.where(day.flow_mps[:, 0] > 0.0, 90.0, 270.0)
    assert np.abs(np.array(table["set_deg"])[strong] - by_hand[strong]).max() <= 1.0
    assert [gear is None for gear in table["gear_m"]] == np.isnan(day.gear_m).tolist()
    lon, lat = plan.area.projection.to_geographic(*day.xy.T)
    assert table["lon"] == pytest.approx(lon, abs=1e-6)
    assert table["lat"] == pytest.approx(lat, abs=1e-6)
    assert [one["words"] for one in head["events"]] == ["'Corner Box' closes", "'Corner Box' opens"]
    assert head["tide"]["stations"][0]["name"] == "Test Quay"
    assert [one["pattern"] for one in head["works"][0]["tide"]] == [one.pattern for one in plan.works[0].tide]
    assert LineString(day.xy).length > 1000.0
