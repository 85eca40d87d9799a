"""The check finds what is wrong with a plan: a good plan is broken in one way at a time."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import time, timedelta

import numpy as np
import pytest
from shapely import MultiPolygon, Point, box

from layers.area import open_area
from layers.model import Area
from spotmap.check import faults
from spotmap.model import Leg, Plan, TimedLeg
from spotmap.planner import make_plan
from spotmap.trip import area_folder, read_trip
from tests.small_area import ALWAYS, SmallArea, SmallTrip, feature, work


@pytest.fixture(scope="module")
def good(tmp_path_factory: pytest.TempPathFactory) -> Plan:
    layers = {
        "ground": [feature(box(-2500, -2500, 2500, 2500), name="Ground", rule="T 1", **ALWAYS)],
        "closure": [
            feature(Point(0, -300).buffer(50), name="Shut", rule="T 2", **ALWAYS),
            feature(Point(0, 1200).buffer(50), name="Keep Out", forbids="entry", rule="T 3", **ALWAYS),
            feature(box(-200, -100, 200, 100), name="Afternoon", hours="14:00-16:00", rule="T 4", **ALWAYS),
        ],
        "hazard": [feature(Point(300, 500), name="Rock", kind="rock", margin_m=40)],
        "lane": [feature(box(1200, 1200, 1500, 1500), name="Lane", kind="traffic lane", avoid="all", margin_m=20)],
        "land": [feature(Point(-600, 900).buffer(80))],
    }
    trip = SmallTrip([work(more="passes = 3")]).write(SmallArea(layers=layers).write(tmp_path_factory.mktemp("area")))
    area = open_area(area_folder(trip))
    return make_plan(area, read_trip(trip, area))


def with_leg(plan: Plan, seq: int, change: Callable[[TimedLeg], TimedLeg]) -> Plan:
    return replace(plan, legs=tuple(change(one) if one.seq == seq else one for one in plan.legs))


def with_track(plan: Plan, seq: int, change: Callable[[np.ndarray], np.ndarray]) -> Plan:
    return with_leg(plan, seq, lambda one: replace(one, leg=replace(one.leg, xy=change(one.leg.xy))))


def moved_to(x: float, y: float) -> Callable[[np.ndarray], np.ndarray]:
    return lambda xy: xy - xy.mean(axis=0) + np.array([x, y])


def test_the_good_plan_has_no_fault(good: Plan) -> None:
    assert faults(good) == []


def first(plan: Plan, kind: str) -> int:
    return next(one.seq for one in plan.legs if one.leg.kind == kind)


PLACES = [
    ("'Shut' closure", 0.0, -300.0),
    ("'Keep Out' closure", 0.0, 1200.0),
    ("rock 'Rock'", 300.0, 500.0),
    ("lane 'Lane'", 1350.0, 1350.0),
    ("too near land", -600.0, 900.0),
    ("outside the grounds", 2480.0, 0.0),
]


@pytest.mark.parametrize(("words", "x", "y"), PLACES, ids=[place[0] for place in PLACES])
def test_gear_moved_onto_forbidden_water_is_found(good: Plan, words: str, x: float, y: float) -> None:
    bad = with_track(good, first(good, "turn"), moved_to(x, y))
    assert any(words in fault for fault in faults(bad)), faults(bad)


def test_standoff_short_by_a_metre_is_found(good: Plan) -> None:
    # 'Shut' ends 250 m south of the line: shift a straight track to 49 m and to 51 m from it
    straight = np.column_stack([np.linspace(-300, 300, 301), np.zeros(301)])
    shape = next(rule.shape for rule in good.area.closures if rule.name == "Shut")
    edge = shape.bounds[3]
    for away, found in ((49.0, True), (51.0, False)):
        bad = with_track(good, first(good, "pass"), lambda _, away=away: straight + np.array([0.0, edge + away]))
        assert any("'Shut' closure" in fault for fault in faults(bad)) is found


def test_the_clock_moved_into_a_closing_is_found(good: Plan) -> None:
    by = timedelta(hours=6)
    late = replace(good, legs=tuple(replace(one, start=one.start + by, end=one.end + by) for one in good.legs))
    assert any("'Afternoon' closure" in fault for fault in faults(late))


def test_a_track_is_looked_at_again_when_another_rule_of_the_same_name_is_in_force(good: Plan) -> None:
    """Laps repeat a track; the second time another closure, named alike, has come into force on it."""
    first_pass, third = [one for one in good.legs if one.leg.kind == "pass"][::2]
    assert np.array_equal(first_pass.leg.xy, third.leg.xy)
    far = next(rule for rule in good.area.closures if rule.name == "Shut")
    middle = (first_pass.end + (third.start - first_pass.end) / 2).time().replace(second=0, microsecond=0)
    early = replace(far, name="Same", season=replace(far.season, hours=(time(0), middle)))
    on_it = MultiPolygon([Point(*first_pass.leg.xy.mean(axis=0)).buffer(10)])
    late = replace(far, name="Same", season=replace(far.season, hours=(middle, time(23, 59))), shape=on_it)
    bad = replace(good, area=replace(good.area, closures=(early, late)))
    assert any(fault.startswith(f"leg {third.seq} ") and "'Same' closure" in fault for fault in faults(bad))


def test_one_turn_tightened_by_5_percent_is_found(good: Plan) -> None:
    seq = first(good, "turn")

    def tighten(xy: np.ndarray) -> np.ndarray:
        return xy[0] + (xy - xy[0]) * 0.95

    assert any("radius of" in fault for fault in faults(with_track(good, seq, tighten)))


def test_runs_through_bans_lanes_and_land_are_found(good: Plan) -> None:
    for words, x, y in (("enters 'Keep Out'", 0, 1200), ("lane 'Lane'", 1350, 1350), ("crosses land", -600, 900)):
        bad = with_track(good, 1, moved_to(x, y))
        assert any(words in fault for fault in faults(bad)), words


def test_gear_over_shallow_or_unknown_water_is_found(good: Plan) -> None:
    seq = first(good, "pass")
    shallow = with_track(good, seq, moved_to(1000.0, -1000.0))
    assert any("gear, clearance and tide want" in fault for fault in faults(shallow))
    unknown = with_track(good, seq, moved_to(20_000.0, 0.0))
    assert any("unknown" in fault for fault in faults(unknown))


def test_gaps_in_place_time_and_heading_are_found(good: Plan) -> None:
    apart = with_track(good, first(good, "turn"), lambda xy: xy + np.array([0.02, 0.0]))
    assert any("do not meet" in fault for fault in faults(apart))
    late = with_leg(good, 3, lambda one: replace(one, start=one.start + timedelta(seconds=1)))
    assert any("gap in time" in fault for fault in faults(late))
    seq = first(good, "turn")

    def kinked(xy: np.ndarray) -> np.ndarray:
        bent = xy.copy()
        bent[1] += 0.4 * (xy[1] - xy[0])[::-1] * [1, -1]
        return bent

    assert any("heading" in fault for fault in faults(with_track(good, seq, kinked)))


def test_an_area_without_anything_forbidden_clears_the_same_tracks(good: Plan) -> None:
    """The faults above come from the layers, not from the moved tracks as such."""
    area: Area = replace(good.area, closures=(), grounds=(), has_grounds=False, hazards=(), lanes=())
    bad = with_track(replace(good, area=area), first(good, "turn"), moved_to(300.0, 500.0))
    assert not any("rock" in fault or "closure" in fault for fault in faults(bad))
    assert isinstance(bad.legs[0].leg, Leg)
