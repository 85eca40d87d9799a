"""Open water: what is closed when, standoffs kept in full, and the reasons in words."""

from __future__ import annotations

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
