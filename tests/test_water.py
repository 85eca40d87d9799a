"""Open water: what is closed when, standoffs kept in full, and the reasons in words."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest
import shapely
from shapely import LineString, Point, box

from layers.area import open_area
from layers.model import Area
from spotmap.model import Limits
from spotmap.water import (
    Fishery,
    Hull,
    Look,
    NeededDepth,
    Span,
    change_times,
    closed_water,
    gear_water,
    grown,
    keep_off,
    run_water,
)
from tests.small_area import ALWAYS, SmallArea, feature

LIMITS = Limits(0.75, 3.0, 50.0, 60.0, 0.8, 1.8)
TROLL = Fishery("chinook", "troll")
DEEP, SHOAL = NeededDepth(20.0, "too shallow", 0.0), NeededDepth(5.0, "too shallow", 0.0)
WIDE = (-1500.0, -1500.0, 1500.0, 1500.0)


def area_with(tmp_path: Path, **layers: list[dict[str, object]]) -> Area:
    return open_area(SmallArea(layers=layers).write(tmp_path))


def span(area: Area, begin: str, end: str, day: int = 14) -> Span:
    def at(clock: str) -> datetime:
        hour, minute = map(int, clock.split(":"))
        return datetime(2026, 8, day, hour, minute, tzinfo=area.timezone)

    return Span(at(begin), at(end))


def test_grown_shapes_are_never_short_of_the_distance() -> None:
    for shape in (Point(3, 4), LineString([(0, 0), (90, 10)]), box(0, 0, 40, 70)):
        edge = grown(shape, 50.0).boundary
        assert edge.distance(shape) >= 50.0
        assert shapely.hausdorff_distance(grown(shape, 50.0), shape) < 50.3


def test_gear_water_keeps_every_standoff_and_says_why_not(tmp_path: Path) -> None:
    area = area_with(
        tmp_path,
        closure=[feature(Point(0, 0).buffer(80), name="Reef", margin_m=20, rule="W 1", **ALWAYS)],
        hazard=[
            feature(Point(400, 0), name="Snag", kind="wreck", margin_m=30),
            feature(Point(700, 0), name="", kind="rock"),
        ],
        lane=[feature(LineString([(-400, -600), (-400, 600)]), name="Ferry", kind="ferry route")],
        land=[feature(box(-1000, -100, -900, 100))],
    )
    water = gear_water(area, TROLL, LIMITS, span(area, "08:00", "12:00"), needed=DEEP, within=WIDE)
    closure, (wreck, rock), lane = area.closures[0], area.hazards, area.lanes[0]
    assert water.allowed.distance(closure.shape) >= 70.0
    assert water.allowed.distance(wreck.shape) >= 30.0
    assert water.allowed.distance(rock.shape) >= LIMITS.shore_standoff_m
    assert water.allowed.distance(lane.shape) >= 50.0
    assert water.allowed.distance(area.land) >= 60.0
    assert water.why_not(LineString([(-20, 0), (20, 0)])) == ("'Reef' closure, 70 m standoff",)
    assert "wreck 'Snag', 30 m standoff" in water.why_not(LineString([(390, 0), (410, 0)]))
    assert water.why_not(LineString([(0, 900), (100, 900)])) == ()
    assert water.why_not(LineString([(0, -700), (100, -700)]))[0] == "too shallow"
    assert water.why_not(LineString([(0, 90_000), (100, 90_000)])) == ("depth unknown",)


def test_closures_count_only_when_and_for_what_they_are_in_force(tmp_path: Path) -> None:
    here = box(-100, -100, 100, 100)
    area = area_with(
        tmp_path,
        closure=[
            feature(here, name="Morning", hours="06:00-09:00", rule="W 1", **ALWAYS),
            feature(here, name="Winter", rule="W 2", **{"from": "11-01", "until": "03-31"}),
            feature(here, name="Nets", methods="net", rule="W 3", **ALWAYS),
            feature(here, name="Range", forbids="entry", species="coho", days="Sat", rule="W 4", **ALWAYS),
        ],
    )
    told = closed_water(area, TROLL, LIMITS, span(area, "08:00", "12:00"))
    assert [one.name for one in told] == ["Morning"]
    assert (told[0].in_force_at_start, told[0].standoff_m) == (True, 50.0)
    assert [f"{moment:%H:%M}" for moment in told[0].changes] == ["09:00"]
    assert closed_water(area, TROLL, LIMITS, span(area, "09:00", "12:00")) == ()
    # an entry ban is everyone's, whatever species it lists; the 15th is a Saturday
    saturday = closed_water(area, TROLL, LIMITS, span(area, "09:30", "12:00", day=15))
    assert [one.name for one in saturday] == ["Range"]


def test_only_water_open_throughout_a_span_is_open(tmp_path: Path) -> None:
    area = area_with(
        tmp_path,
        ground=[
            feature(box(-1000, -300, 0, 1000), name="West", rule="W 1", **ALWAYS),
            feature(box(0, -300, 1000, 1000), name="East", hours="10:00-20:00", rule="W 2", **ALWAYS),
        ],
    )
    early, late = (
        gear_water(area, TROLL, LIMITS, span(area, *hours), needed=SHOAL, within=WIDE).allowed
        for hours in (("08:00", "11:00"), ("10:00", "11:00"))
    )
    west, east = (rule.shape for rule in area.grounds)
    assert not early.intersects(east)
    assert early.within(west)
    assert early.boundary.distance(west.boundary) >= 49.9
    both = shapely.union_all([west, east])
    assert late.within(both)
    assert late.area == pytest.approx(both.buffer(-50).area, rel=0.01)
    assert change_times(area, TROLL, span(area, "08:00", "11:00")) == (span(area, "08:00", "10:00").end,)
    assert change_times(area, TROLL, span(area, "08:00", "11:00"), Point(-900, 0)) == ()


def test_run_water_floats_the_boat_and_keeps_out_of_bans(tmp_path: Path) -> None:
    area = area_with(
        tmp_path,
        closure=[
            feature(Point(0, 500).buffer(100), name="Range", forbids="entry", rule="W 1", **ALWAYS),
            feature(Point(0, -300).buffer(50), name="Reef", rule="W 2", **ALWAYS),
        ],
        lane=[feature(box(500, 0, 700, 900), name="Lane", kind="traffic lane", avoid="all", margin_m=10)],
        land=[feature(box(-900, -100, -700, 100))],
    )
    free = run_water(area, TROLL, LIMITS, span(area, "08:00", "9:00"), Hull(1.0, Point(0, 0)), Look(None, None))
    ban, reef = area.closures
    assert free.distance(ban.shape) >= 50.0
    assert free.covers(reef.shape)
    assert free.distance(area.lanes[0].shape) >= 10.0
    assert not shapely.intersects(free.buffer(-0.01), area.land)
    x, y = shapely.get_coordinates(free).T
    depth = area.depth.depth_at(x, y)
    assert np.nanmin(depth) >= 1.49


def far_and_near(tmp_path: Path) -> Area:
    """Hundreds of rocks, some with a margin of their own, a pier, and a deep wreck."""
    rng = np.random.default_rng(5)
    places = rng.uniform(-2500, 2500, (300, 2))
    rocks = [feature(Point(place), kind="rock", margin_m=float(rng.choice([20, 90]))) for place in places]
    pier = feature(LineString([(-40, 0), (-40, 300)]), name="Long Pier", kind="pier")
    wreck = feature(Point(300, 800), kind="wreck", depth_m=30.0, margin_m=50)
    return area_with(tmp_path, hazard=[*rocks, pier, wreck], land=[feature(box(-900, -100, -700, 100), margin_m=35)])


def test_what_lies_near_a_box_is_all_that_is_kept_off_there(tmp_path: Path) -> None:
    area = far_and_near(tmp_path)
    day = span(area, "08:00", "9:00")
    for near in ((-200.0, -200.0, 300.0, 400.0), (900.0, 900.0, 901.0, 901.0)):
        found = {(thing.shape.wkb, thing.distance_m) for thing in keep_off(area, TROLL, LIMITS, day, near, 10.0)}
        ring = box(*near)
        for hazard in area.hazards:
            margin = LIMITS.shore_standoff_m if hazard.margin_m is None else hazard.margin_m
            if ring.distance(hazard.shape) <= margin + 10.0:
                assert (hazard.shape.wkb, margin) in found
        assert len(found) < len(area.hazards) / 2
    # the land's own margin comes on top of the shore standoff
    assert {thing.distance_m for thing in keep_off(area, TROLL, LIMITS, day, WIDE) if thing.words == "land"} == {60, 95}


def test_runs_keep_off_what_they_could_strike(tmp_path: Path) -> None:
    area = far_and_near(tmp_path)
    home = Point(-36.0, 150.0)
    free = run_water(area, TROLL, LIMITS, span(area, "08:00", "9:00"), Hull(1.0, home), Look(None, None))
    pier = next(hazard for hazard in area.hazards if hazard.name == "Long Pier")
    wreck = next(hazard for hazard in area.hazards if hazard.kind == "wreck")
    rocks = [hazard.shape for hazard in area.hazards if hazard.kind == "rock"]
    assert min(free.distance(rock) for rock in rocks) >= 10.0
    assert free.covers(wreck.shape)  # it lies deeper than the keel reaches
    assert free.covers(home)
    assert 3.0 < free.distance(pier.shape) < 4.1
    away = run_water(area, TROLL, LIMITS, span(area, "08:00", "9:00"), Hull(1.0, Point(500, 500)), Look(None, None))
    assert away.distance(pier.shape) >= 10.0
    deep = run_water(area, TROLL, LIMITS, span(area, "08:00", "9:00"), Hull(29.8, home), Look(None, None))
    assert deep.distance(wreck.shape) >= 10.0


def test_off_the_shoal_by_what_gear_swings(tmp_path: Path) -> None:
    area = area_with(tmp_path)
    day = span(area, "08:00", "9:00")
    water = [
        gear_water(area, TROLL, LIMITS, day, needed=NeededDepth(30.0, "too shallow", 40.0, off_shoal=off), within=WIDE)
        for off in (False, True)
    ]
    assert water[1].allowed.bounds[1] - water[0].allowed.bounds[1] == pytest.approx(40.0, abs=1.0)
    assert water[1].allowed.bounds[3] == pytest.approx(WIDE[3])  # a box's edge is no shoal


@dataclass(frozen=True)
class HalfTold:
    """A tide of nothing that is told in the west only."""

    stations: tuple[()] = ()
    reach_s: tuple[float, float] = (-np.inf, np.inf)

    def least_m(self, *span_s: float) -> float:
        return 0.0 * sum(span_s)

    def known(self, within: tuple[float, float, float, float]) -> shapely.MultiPolygon:
        return shapely.MultiPolygon([box(-9000, -9000, 0, 9000).intersection(box(*within))])


def test_water_whose_tide_is_not_told_is_not_used(tmp_path: Path) -> None:
    area = replace(area_with(tmp_path), tide=HalfTold())
    day = span(area, "08:00", "9:00")
    water = gear_water(area, TROLL, LIMITS, day, needed=SHOAL, within=WIDE)
    assert water.allowed.bounds[2] <= 0.0
    assert water.why_not(LineString([(10, 0), (900, 0)])) == ("the tide is not known there",)
    free = run_water(area, TROLL, LIMITS, day, Hull(1.0, Point(-100, 0)), Look(None, None))
    assert free.bounds[2] <= 0.0
