"""What the gear sweeps on a planned trip, and what the planner does about it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise
from math import sqrt
from pathlib import Path

import numpy as np
import pytest
import shapely
from shapely import LineString, Point, box

from layers.area import open_area
from spotmap._errors import NoPlanError
from spotmap.model import Plan
from spotmap.planner import make_plan
from spotmap.report import gear_words
from spotmap.swept import sweep
from spotmap.trip import area_folder, read_trip
from tests.small_area import ALWAYS, SmallArea, SmallTrip, feature, position, work

FT = 0.3048
LOOP = work(length="0.6 NM", more="passes = 4")


def rod(name: str, side: str, depth: str = "60 ft", setback: str = "25 ft", more: str = "") -> str:
    return (
        f'name = "{name}"\nkind = "downrigger"\nside = "{side}"\nreach = "6 ft"\ndepth = "{depth}"\n'
        f'setback = "{setback}"\nball = "12 lb"\n{more}'
    )


def planned(tmp_path: Path, trip: SmallTrip, area: SmallArea | None = None) -> Plan:
    file = trip.write((area or SmallArea()).write(tmp_path))
    opened = open_area(area_folder(file))
    return make_plan(opened, read_trip(file, opened))


@pytest.fixture(scope="module")
def plan(tmp_path_factory: pytest.TempPathFactory) -> Plan:
    rods = [rod("port", "port"), rod("starboard", "starboard", "45 ft", "40 ft")]
    return planned(tmp_path_factory.mktemp("area"), SmallTrip([LOOP], rods=rods))


def test_every_rod_has_a_track_on_every_leg_with_gear_down(plan: Plan) -> None:
    down = {timed.seq for timed in plan.legs if timed.leg.kind != "run"}
    for name in ("port", "starboard"):
        assert {track.seq for track in plan.swept.tracks if track.rod == name} == down
    by_seq = sorted((track for track in plan.swept.tracks if track.rod == "port"), key=lambda one: one.seq)
    for before, after in pairwise(by_seq):
        assert np.hypot(*(after.xy[0] - before.xy[-1])) < 2.0  # a time step


def test_on_a_straight_pass_the_lure_trails_its_chain_behind_at_boat_speed(plan: Plan) -> None:
    speed = plan.trip.boat.troll_speed_mps
    third = [timed for timed in plan.legs if timed.leg.kind == "pass"][2]
    track = next(one for one in plan.swept.tracks if one.rod == "port" and one.seq == third.seq)
    (towed,) = (one for one in plan.radius.rods if one.rod.name == "port")
    behind_m = towed.layback_m + towed.rod.setback_m
    assert np.hypot(*(third.leg.xy[-1] - track.xy[-1])) == pytest.approx(np.hypot(behind_m, 6 * FT), abs=2.5)
    assert track.depth_min_m == pytest.approx(60 * FT, rel=0.02)
    assert 0.6 * speed < track.slowest_mps < 1.01 * speed


def test_in_a_steady_turn_the_lure_runs_on_the_chain_of_trailers_circle(plan: Plan) -> None:
    """√(R² − L₁² − L₂²) behind a tip `reach` nearer or farther: the tractrix of a circle."""
    circle_m = 80.0
    angle = np.linspace(0.0, 6 * np.pi, 6000)
    xy = circle_m * np.column_stack([np.cos(angle), np.sin(angle)])
    first = next(timed for timed in plan.legs if timed.leg.kind == "pass")
    turning = replace(first, leg=replace(first.leg, xy=xy), length_m=circle_m * angle[-1])
    swept = sweep(plan.area, plan.trip, plan.radius, [turning])
    for track, towed in zip(swept.tracks, plan.radius.rods, strict=True):
        tip_m = circle_m - 6 * FT if towed.rod.side == "port" else circle_m + 6 * FT
        lure_m = sqrt(tip_m**2 - towed.layback_m**2 - towed.rod.setback_m**2)
        assert np.hypot(*track.xy[-1]) == pytest.approx(lure_m, rel=0.002)


def test_a_longer_setback_is_seen_in_the_tracks(tmp_path: Path) -> None:
    short, long = (
        planned(tmp_path / feet, SmallTrip([LOOP], rods=[rod("port", "port", setback=f"{feet} ft")]))
        for feet in ("25", "60")
    )
    assert long.radius.radius_m > short.radius.radius_m + 5.0
    lengths = [
        sum(LineString(track.xy).length for track in one.swept.tracks if track.seq == turn.seq)
        for one in (short, long)
        for turn in one.legs
        if turn.leg.kind == "turn"
    ]
    assert max(lengths[3:]) > max(lengths[:3])


def test_gear_keeps_the_standoff_that_the_boat_alone_would_not(tmp_path: Path) -> None:
    """A reserve just off the line: the lures of the deep-side turns swing towards it."""
    layers = {"closure": [feature(box(-700, 52, 700, 400), name="Reserve", rule="T", **ALWAYS)]}
    made = planned(tmp_path, SmallTrip([LOOP], rods=[rod("port", "port", setback="60 ft")]), SmallArea(layers=layers))
    shape = made.area.closures[0].shape
    assert made.swept.touches == ()
    for track in made.swept.tracks:
        assert LineString(track.xy).distance(shape) >= 49.8


def test_gear_goes_down_where_it_trails_over_open_water(tmp_path: Path) -> None:
    """Reserves at both ends of the line: at the very start gear would still trail towards the one behind."""
    ends = [
        feature(box(-2900, -300, -500, 300), name="West", rule="T", **ALWAYS),
        feature(box(500, -300, 2900, 300), name="East", rule="T", **ALWAYS),
    ]
    one_way = work("one-way", length="0.8 NM", more="passes = 2")
    trip = SmallTrip([one_way], rods=[rod("port", "port", setback="60 ft")])
    made = planned(tmp_path, trip, SmallArea(layers={"closure": ends}))
    shut = shapely.union_all([rule.shape for rule in made.area.closures])
    assert made.swept.touches == ()
    for track in made.swept.tracks:
        assert LineString(track.xy).distance(shut) >= 49.8
    (towed,) = made.radius.rods
    behind_m = towed.layback_m + towed.rod.setback_m
    first = next(timed for timed in made.legs if timed.leg.kind == "pass")
    assert Point(first.leg.xy[0]).distance(shut) == pytest.approx(50.0 + behind_m, abs=8.0)
    assert Point(first.leg.xy[-1]).distance(shut) < 60.0
    assert any("gear goes down" in choice for choice in made.works[0].choices)


def test_least_clearance_is_that_of_the_shallowest_gear_over_the_bottom(plan: Plan) -> None:
    assert plan.swept.clearance_m >= plan.trip.limits.bottom_clearance_m
    # 100 ft line, 60 ft ball: never more than the whole difference and a little slope
    assert plan.swept.clearance_m < 45 * FT


def test_stopping_is_reported_where_the_whole_cable_would_touch(tmp_path: Path) -> None:
    deep = rod("port", "port", "75 ft", more='reel = "200 ft"')
    made = planned(tmp_path, SmallTrip([work(line="90 ft", near=position(0, -60), more="passes = 2")], rods=[deep]))
    (stop,) = made.swept.stops
    (towed,) = made.radius.rods
    assert stop.hang_m == pytest.approx(towed.cable_out_m)
    assert 0.0 < stop.share < 1.0
    assert stop.length_m == pytest.approx(stop.share * sum(t.length_m for t in made.legs if t.leg.kind != "run"))
    told = list(gear_words(made.swept, made.legs, made.trip, made.area.show))
    assert any("If the boat stops, 'port' hangs" in line for line in told)


def ledge(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """A bottom that rises steeply just beside a line: the boat has the depth, a ball beside it has not."""
    return np.where(y > 0, 30.0 + 0.04 * y, 30.0 + 0.9 * y) + 0.0 * x


def trench(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """The same on both sides, too narrow for gear on both."""
    return np.maximum(32.0 - 0.9 * np.maximum(np.abs(y) - 3.0, 0.0), 12.0) + 0.0 * x


def beside(tmp_path: Path, bottom: Callable[[np.ndarray, np.ndarray], np.ndarray]) -> Plan:
    wide = rod("port", "port", "78 ft").replace('reach = "6 ft"', 'reach = "30 ft"')
    one = work(line="98 ft", near=position(0, 0), length="0.5 NM", more="passes = 1").replace('"loop"', '"one-way"')
    return planned(tmp_path, SmallTrip([one], rods=[wide]), SmallArea(bottom=bottom, cell_m=4.0, half_m=1500.0))


def test_gear_keeps_off_a_step_beside_the_boat(tmp_path: Path) -> None:
    made = beside(tmp_path, ledge)
    assert made.swept.touches == ()
    assert made.swept.clearance_m >= made.trip.limits.bottom_clearance_m - 0.1
    assert made.radius.rods[0].depth_m == pytest.approx(78 * FT)
    assert not any("is raised by" in warning for warning in made.warnings)


def test_rods_are_raised_when_their_gear_would_touch_on_either_side(tmp_path: Path) -> None:
    made = beside(tmp_path, trench)
    assert made.swept.touches == ()
    assert made.swept.clearance_m >= made.trip.limits.bottom_clearance_m - 0.1
    assert any(warning.startswith("Rod 'port' is raised by") for warning in made.warnings)
    assert made.radius.rods[0].depth_m < 77 * FT


def test_lines_that_a_turn_brings_together_are_told_with_the_remedy(tmp_path: Path) -> None:
    rods = [
        rod("port", "port", "40 ft", "15 ft"),
        rod("starboard", "starboard", "40 ft", "70 ft"),
    ]
    made = planned(tmp_path, SmallTrip([LOOP], rods=rods, extra=""))
    told = list(gear_words(made.swept, made.legs, made.trip, made.area.show))
    for together in made.swept.together:
        assert together.distance_m < made.trip.limits.line_separation_m
        assert together.distance_m < together.straight_m
    assert len([line for line in told if "stagger their depths" in line]) == len(made.swept.together)
    loose = replace(made.trip, limits=replace(made.trip.limits, line_separation_m=12.0))
    (pair,) = sweep(made.area, loose, made.radius, made.legs).together
    assert set(pair.rods) == {"port", "starboard"}


def test_a_ladder_moves_the_gear_between_passes(tmp_path: Path) -> None:
    ladder = rod("port", "port").replace('depth = "60 ft"\n', "")
    ladder += '[[rod.ladder]]\nat = "08:00"\ndepth = "25 ft"\n[[rod.ladder]]\nat = "08:40"\ndepth = "60 ft"\n'
    made = planned(tmp_path, SmallTrip([work(more="minutes = 90")], rods=[ladder]))
    passes = [timed for timed in made.legs if timed.leg.kind == "pass"]
    depths = [next(one for one in made.swept.tracks if one.seq == timed.seq).depth_min_m / FT for timed in passes]
    assert depths[0] == pytest.approx(25, abs=1)
    assert depths[-1] == pytest.approx(60, abs=2)
    assert [f"{step.since:%H:%M}" for step in made.radius.steps] == ["08:00", "08:40"]


def test_a_lap_on_which_a_rod_is_lowered_is_not_taken_for_the_one_before(tmp_path: Path) -> None:
    def laps(at: str) -> Plan:
        ladder = rod("port", "port").replace('depth = "60 ft"\n', "")
        ladder += f'[[rod.ladder]]\nat = "08:00"\ndepth = "25 ft"\n[[rod.ladder]]\nat = "{at}"\ndepth = "60 ft"\n'
        return planned(tmp_path / at.replace(":", ""), SmallTrip([work(more="passes = 5")], rods=[ladder]))

    fifth = [timed for timed in laps("11:00").legs if timed.leg.kind == "pass"][4]
    half = fifth.start + (fifth.end - fifth.start) / 2
    made = laps(f"{half:%H:%M}")
    third, last = [timed.seq for timed in made.legs if timed.leg.kind == "pass"][2::2]
    deepest = {track.seq: track.depth_max_m / FT for track in made.swept.tracks}
    assert deepest[third] < 30
    assert deepest[last] > 55


def test_gear_too_deep_for_its_cable_says_what_would_help(tmp_path: Path) -> None:
    light = rod("port", "port", "120 ft").replace('ball = "12 lb"', 'ball = "3 lb"')
    with pytest.raises(NoPlanError, match="cannot fish") as failure:
        planned(tmp_path, SmallTrip([LOOP], rods=[light]))
    assert any("slower" in remedy for remedy in failure.value.remedies)


def test_a_lure_slowed_below_its_floor_is_told(plan: Plan) -> None:
    speed = plan.trip.boat.troll_speed_mps
    slowest = min(track.slowest_mps for track in plan.swept.tracks if np.isfinite(track.slowest_mps))
    assert 0.6 * speed < slowest < 0.9 * speed
    for floor, told in ((0.95, True), (0.5, False)):
        trip = replace(plan.trip, limits=replace(plan.trip.limits, lure_speed_floor=floor))
        words = list(gear_words(plan.swept, plan.legs, trip, plan.area.show))
        assert any(f"slows to {slowest / speed:.0%} of trolling speed" in line for line in words) is told
