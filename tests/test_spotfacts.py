"""Facts of places against figures worked out by hand on bottoms, rules and water in closed form."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from shapely import Point, box

from layers.area import open_area
from layers.depth import combine
from layers.depthareas import AreaDepth
from layers.model import Area
from spotmap.clock import elapsed
from spotmap.factwords import fact_words
from spotmap.homeruns import HomeRun, NoRun
from spotmap.model import Boat
from spotmap.spotfacts import USUAL_LIMITS, SpotFacts, Visit, facts_of, spot_facts, visit_of, visit_on
from spotmap.trip import read_trip
from tests.moving_water import KN, NM, FormulaCurrent, MovingArea, Race
from tests.small_area import ALWAYS, SCALE, SmallArea, SmallTrip, feature, lonlat, work

BOAT = Boat(2.7 * KN, 18.0 * KN, 12.0, 0.9, None, 36.0)
DAY = date(2026, 8, 14)


def at(area: Area, x: float, y: float) -> Point:
    """The place so many metres of the UTM grid east and north; true metres are 1/0.9996 of those."""
    lon, lat = lonlat(x, y)
    return Point(*(float(one[0]) for one in area.projection.to_local([lon], [lat])))


def visit(area: Area, start: time = time(8), hours: float = 8.0, **more: object) -> Visit:
    given = {"species": "chinook", "home": at(area, 0.0, -500.0), "boat": BOAT, **more}
    return visit_on(area, DAY, start=start, hours=hours, **given)  # type: ignore[arg-type]


def words(facts: SpotFacts, area: Area) -> str:
    return "\n".join(fact_words(facts, area))


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> Area:
    """A slope with an island, closures by the clock, a wreck, a tide and a current to and fro."""
    folder = MovingArea(
        layers={
            "land": [feature(box(-100, -50, 100, 50))],
            "closure": [
                feature(box(600, -1500, 1500, 1500), name="East Side", margin_m=30, rule="R 1", **ALWAYS),
                feature(
                    box(-1500, 500, -900, 1500), name="Nursery", hours="10:00-14:00", rule="R 2", species="chinook",
                    from_="08-01", until="08-14",
                ),
                feature(box(-1500, -1500, -900, -900), name="Coho only", species="coho", rule="R 3", **ALWAYS),
            ],
            "hazard": [feature(Point(300, 700), name="Old Hull", kind="wreck", margin_m=80)],
            "caution": [
                feature(box(200, 600, 400, 800), name="Tide Rip", kind="overfalls", note="Steep seas on the ebb."),
            ],
        },
        races=[Race([(0, "slack", 0), (3, "ebb", 0.8), (6, "slack", 0), (9, "flood", 1.0), (12, "slack", 0),
                     (15, "ebb", 0.8), (18, "slack", 0), (21, "flood", 1.0), (24, "slack", 0)], flood_deg=90.0)],
        tide=[(-6, 2.0), (0, 0.0), (6, 2.0), (12, 0.0), (18, 2.0), (24, 0.0)],
    ).write(tmp_path_factory.mktemp("sound"))  # fmt: skip
    layers = (folder / "area.toml").read_text()
    (folder / "area.toml").write_text(layers.replace('unit = "m"', 'unit = "m"\nuncertainty = "0.5 m"', 1))
    return open_area(folder)


def test_the_bottom_is_that_of_the_plane(sound: Area) -> None:
    # 30 m + 0.04 · 130; the 110 and 120 ft lines lie at y = 88.2 m and 164.4 m of the grid
    facts = spot_facts(sound, at(sound, 400.0, 130.0), visit(sound))
    assert facts.where == "water"
    assert facts.depth_m == pytest.approx(35.2, abs=1e-3)
    assert facts.uncertainty_m == pytest.approx(0.5, abs=1e-6)
    assert facts.slope_deg == pytest.approx(math.degrees(math.atan(0.04 * SCALE)), abs=0.002)
    assert min(facts.facing_deg, 360.0 - facts.facing_deg) < 0.05
    shallower, deeper = facts.lines
    assert (shallower.side, deeper.side) == ("deep", "shallow")
    assert (shallower.depth_m, deeper.depth_m) == pytest.approx((110 * 0.3048, 120 * 0.3048))
    assert shallower.distance_m == pytest.approx((130.0 - (33.528 - 30.0) / 0.04) / SCALE, abs=0.05)
    assert deeper.distance_m == pytest.approx(((36.576 - 30.0) / 0.04 - 130.0) / SCALE, abs=0.05)
    told = words(facts, sound)
    assert "Charted depth: 115.4 ft below MLLW; may be 1.7 ft shallower by its stated uncertainty." in told
    assert "slopes 2.3°, deeper towards 000° true, over cells of 25 m" in told
    assert "on the deep side of the 110 ft line, 42 m off; on the shallow side of the 120 ft line, 34 m off" in told


def test_slope_and_facing_follow_a_plane_turned_any_way(tmp_path: Path) -> None:
    # deepens 6 cm a metre towards 210° true: 0.06 · (sin 210°, cos 210°)
    east, north = 0.06 * math.sin(math.radians(210)), 0.06 * math.cos(math.radians(210))
    area = open_area(SmallArea(bottom=lambda x, y: 60.0 + east * x + north * y, half_m=600.0).write(tmp_path))
    (facts,) = facts_of(area, [at(area, 100.0, 40.0)], visit(area, home=None), slope_cell_m=10.0)
    assert facts.slope_deg == pytest.approx(math.degrees(math.atan(0.06 * SCALE)), abs=0.002)
    assert facts.facing_deg == pytest.approx(210.0, abs=0.05)
    assert math.isnan(facts.uncertainty_m)
    assert "its uncertainty is not stated" in words(facts, area)


def test_the_nearest_closure_and_its_margins(sound: Area) -> None:
    near, inside, clear = facts_of(
        sound, [at(sound, 540.0, 200.0), at(sound, 800.0, 0.0), at(sound, -400.0, 0.0)], visit(sound)
    )
    assert near.closure is not None
    assert (near.closure.name, near.closure.reference) == ("East Side", "R 1")
    assert near.closure.distance_m == pytest.approx(60.0 / SCALE, abs=0.02)
    assert (near.closure.margin_m, near.closure.standoff_m) == (30.0, 50.0)
    assert near.closure.short_m == pytest.approx(80.0 - 60.0 / SCALE, abs=0.02)
    assert near.open_throughout  # lawful, though nearer than the skipper goes
    assert "its own margin is 30 m, the standoff 50 m more; nearer than both by 20 m" in words(near, sound)
    assert inside.closure is not None
    assert inside.closure.distance_m == 0.0
    assert [spell.open for spell in inside.spells] == [False]
    assert inside.spells[0].until is None
    assert "CLOSED, with no change within a year after the visit: 'East Side' (all year; R 1)" in words(inside, sound)
    assert clear.closure is not None
    assert clear.closure.short_m == 0.0


def test_a_rule_s_own_margin_is_closed_too(sound: Area) -> None:
    within, beyond = facts_of(sound, [at(sound, 571.0, 0.0), at(sound, 569.0, 0.0)], visit(sound))
    assert [spell.open for spell in within.spells] == [False]
    assert [spell.open for spell in beyond.spells] == [True]


def test_opening_times_by_the_clock_and_the_season(sound: Area) -> None:
    # closed 10:00 to 14:00, 1 to 14 August: the last of it on the day, and again on 1 August a year on
    place = at(sound, -1200.0, 1000.0)
    zone = sound.timezone
    facts = spot_facts(sound, place, visit(sound))
    at_10, at_14 = datetime(2026, 8, 14, 10, tzinfo=zone), datetime(2026, 8, 14, 14, tzinfo=zone)
    assert [(one.open, one.since, one.until) for one in facts.spells] == [
        (True, datetime(2026, 8, 14, 8, tzinfo=zone), at_10),
        (False, at_10, at_14),
        (True, at_14, datetime(2027, 8, 1, 10, tzinfo=zone)),
    ]
    assert not facts.open_throughout
    told = words(facts, sound)
    assert "open until 10:00" in told
    assert "CLOSED from 10:00 until 14:00: 'Nursery' (1 Aug – 14 Aug each year, 10:00–14:00; R 2)" in told
    assert "open from 14:00 until 1 Aug 2027 10:00" in told
    morning = spot_facts(sound, place, visit(sound, time(6), 4.0))
    assert [(one.open, one.until) for one in morning.spells] == [(True, at_10)]
    assert morning.open_throughout
    other = spot_facts(sound, place, visit(sound, species="coho"))
    assert other.open_throughout
    assert [one.until for one in other.spells] == [None]


def test_outside_every_open_ground_is_closed(tmp_path: Path) -> None:
    grounds = [
        feature(box(-500, -500, 0, 500), name="West", rule="G 1", margin_m=20, **ALWAYS),
        feature(box(0, -500, 500, 500), name="East", rule="G 2", hours="06:00-09:00", **ALWAYS),
    ]
    area = open_area(SmallArea(half_m=800.0, layers={"ground": grounds}).write(tmp_path))
    places = [at(area, *xy) for xy in ((-250, 0), (-510, 0), (-490, 0), (250, 0))]
    west, out, margin, east = facts_of(area, places, visit(area, home=None))
    assert west.open_throughout
    assert "open, with no change within a year after the visit: 'West' (all year; G 1)" in words(west, area)
    for closed in (out, margin):
        assert [spell.open for spell in closed.spells] == [False]
    assert "outside every ground for this fishing (G 1; G 2)" in words(out, area)
    assert out.closure is not None
    assert out.closure.name == "outside every open ground"
    assert [(one.open, one.until and one.until.hour) for one in east.spells] == [(True, 9), (False, 6)]


def test_what_is_near_and_what_asks_for_care(sound: Area) -> None:
    places = [at(sound, *xy) for xy in ((300.0, 640.0), (300.0, 610.0), (0.0, 90.0), (300.0, 580.0))]
    close, wide, shore, before = facts_of(sound, places, visit(sound))
    (hull,) = close.near
    assert (hull.words, hull.keep_m) == ("wreck 'Old Hull'", 80.0)
    assert hull.distance_m == pytest.approx(60.0 / SCALE, abs=0.02)
    assert wide.near == ()
    assert close.cautions == wide.cautions == ("overfalls 'Tide Rip': Steep seas on the ebb.",)
    assert [(thing.words, thing.keep_m) for thing in shore.near] == [("land", 60.0)]
    assert shore.near[0].distance_m == pytest.approx(40.0 / SCALE, abs=0.02)
    assert shore.cautions == before.cautions == ()


def test_the_run_goes_round_the_island(sound: Area) -> None:
    # from (0, -500) to (0, 300): by the corners (100, -50) and (100, 50) of the island
    facts = spot_facts(sound, at(sound, 0.0, 300.0), visit(sound))
    by_hand = (math.hypot(100, 450) + 100 + math.hypot(100, 250)) / SCALE
    assert isinstance(facts.run, HomeRun)
    assert by_hand - 0.1 < facts.run.length_m < 1.02 * by_hand
    assert facts.run.length_m > 1.01 * 800.0 / SCALE
    assert facts.run.took.total_seconds() == pytest.approx(facts.run.length_m / (18.0 * KN), abs=1e-3)
    assert facts.run.fuel_l == pytest.approx(36.0 * facts.run.length_m / (18.0 * NM), rel=1e-6)
    assert f"Run from home: {facts.run.length_m / NM:.2f} NM along the water, 2 min" in words(facts, sound)
    at_home = spot_facts(sound, at(sound, 0.0, -500.0), visit(sound))
    assert at_home.run == HomeRun(0.0, timedelta(0), 0.0)
    thrifty = replace(BOAT, fuel_run_lph=None)
    untold = spot_facts(sound, at(sound, 0.0, 300.0), visit(sound, boat=thrifty))
    assert isinstance(untold.run, HomeRun)
    assert untold.run.fuel_l is None
    assert "fuel not told" in words(untold, sound)


def test_tide_and_current_hour_by_hour(sound: Area) -> None:
    # the tide falls by half a cosine from 2 m at 06:00 to 0 at 12:00; the flood, 1 kn at 09:00, by a sine to 12:00
    facts = spot_facts(sound, at(sound, 300.0, 130.0), visit(sound))
    assert [hour.moment.hour for hour in facts.hours] == list(range(8, 17))
    tide = [1.0 + math.cos(math.pi * (hour - 6) / 6) for hour in range(8, 17)]
    assert [hour.tide_m for hour in facts.hours] == pytest.approx(tide, abs=2e-3)
    assert facts.hours[1].rising_mps == pytest.approx(-math.pi / 6 / 3600, rel=1e-3)
    drift = [(1.0 if hour <= 12 else 0.8) * abs(math.sin(math.pi / 2 * (12 - hour) / 3)) * KN for hour in range(8, 17)]
    assert [hour.drift_mps for hour in facts.hours] == pytest.approx(drift, abs=2e-3)
    assert [round(hour.set_deg) for hour in facts.hours[:4]] == [90] * 4
    assert [round(hour.set_deg) for hour in facts.hours[5:]] == [270] * 4
    (slack,) = facts.slacks
    assert abs((slack.moment.astimezone(UTC) - datetime(2026, 8, 14, 22, tzinfo=UTC)).total_seconds()) <= 60.0
    assert facts.strongest_mps == pytest.approx(1.0 * KN, abs=2e-3)
    told = words(facts, sound)
    assert "10:00 090° at 0.9 kn" in told
    assert "12:00 slack" in told
    assert "Slack: 12:00 (0.0 kn); strongest 1.0 kn." in told
    assert "09:00 3.3 ft, falling" in told


def test_slacks_at_the_ends_of_a_visit_count_and_strong_least_current_does_not(sound: Area) -> None:
    place = at(sound, 300.0, 130.0)
    whole = spot_facts(sound, place, visit(sound, time(6), 6.0))
    assert [f"{slack.moment:%H:%M}" for slack in whole.slacks] == ["06:00", "12:00"]
    assert spot_facts(sound, place, visit(sound, time(7), 4.0)).slacks == ()

    def pulsing(xy: np.ndarray, time_s: np.ndarray) -> np.ndarray:
        return np.column_stack([KN * (0.7 - 0.3 * np.cos(2 * np.pi * time_s / 14_400.0)), 0.0 * time_s]) + 0.0 * xy

    never = spot_facts(replace(sound, current=FormulaCurrent(pulsing)), place, visit(sound))
    assert min(hour.drift_mps for hour in never.hours) == pytest.approx(0.4 * KN, abs=1e-6)
    assert never.slacks == ()


def test_water_not_told_is_said_unknown(sound: Area) -> None:
    late = spot_facts(sound, at(sound, 300.0, 130.0), visit(sound, time(20), 8.0))
    assert math.isnan(late.hours[-1].drift_mps)
    assert math.isnan(late.strongest_mps)
    assert late.run == NoRun("the tide is not known all through that time, so the water under the keel is not")
    told = words(late, sound)
    assert "04:00 (+1 d) unknown" in told
    assert "strongest unknown, not all of the time is told" in told
    bare = replace(sound, tide=None, current=None)
    still = spot_facts(bare, at(sound, 300.0, 130.0), visit(sound))
    assert all(math.isnan(hour.drift_mps) and math.isnan(hour.tide_m) for hour in still.hours)
    assert (still.slacks, math.isnan(still.strongest_mps)) == ((), True)
    assert "Current: unknown, the area has no current layer." in words(still, bare)
    assert "Tide: unknown, the area has no tide layer." in words(still, bare)


def test_land_outside_and_no_home(sound: Area) -> None:
    land, outside, water = facts_of(
        sound, [at(sound, 0.0, 0.0), at(sound, 0.0, 9000.0), at(sound, 300.0, 0.0)], visit(sound, home=None)
    )
    assert (land.where, outside.where, water.where) == ("land", "outside", "water")
    assert all(math.isnan(one.depth_m) and one.lines == () and one.spells == () for one in (land, outside))
    assert not land.open_throughout
    assert fact_words(land, sound) == ("On land.",)
    assert fact_words(outside, sound) == ("Outside the area: nothing is known there.",)
    assert "Run from home: not told, no home is told." in words(water, sound)
    no_boat = spot_facts(sound, at(sound, 300.0, 0.0), visit(sound, boat=None))
    assert no_boat.run == NoRun("no boat is told, so no draft")
    at_home = spot_facts(sound, at(sound, 0.0, 0.0), visit(sound))
    assert at_home.run == NoRun("it lies on land")


def test_unknown_water_has_no_depth_and_no_way_leads_through_it(tmp_path: Path) -> None:
    def bottom(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        away = np.hypot(x - 300.0, y)
        return np.where((away > 100.0) & (away < 200.0), np.nan, 20.0 + 0.0 * x)

    area = open_area(SmallArea(bottom=bottom, half_m=800.0, cell_m=10.0).write(tmp_path))
    pond, moat, edge = facts_of(
        area, [at(area, 300.0, 0.0), at(area, 300.0, 150.0), at(area, 300.0, 215.0)], visit(area)
    )
    assert isinstance(pond.run, NoRun)
    assert "no water deep enough and open to the boat joins home and the place" in pond.run.why
    assert pond.slope_deg == pytest.approx(0.0, abs=1e-6)
    assert "level over cells of 25 m" in words(pond, area)
    assert "Depth lines: none within 0.54 NM." in words(pond, area)
    assert moat.where == "unknown water"
    assert math.isnan(moat.depth_m)
    assert moat.run == NoRun("the depth there is not known")
    assert [spell.open for spell in moat.spells] == [True]  # rules are known where depth is not
    assert "Charted depth: unknown." in words(moat, area)
    assert math.isnan(edge.slope_deg)
    assert "slope unknown over cells of 25 m, for depth around is not known or goes in steps" in words(edge, area)


def test_too_shallow_for_the_draft_at_the_lowest_tide(tmp_path: Path) -> None:
    def bottom(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        return 1.0 + 0.01 * (y + 600.0) + 0.0 * x

    # 1.3 m and 1.7 m under a boat of 0.9 m that keeps 0.5 m under its keel
    area = open_area(SmallArea(bottom=bottom, half_m=600.0).write(tmp_path / "still"))
    shoal = NoRun("it is too shallow there for the draft at the lowest tide")
    places = [at(area, 0.0, -570.0), at(area, 0.0, -530.0)]
    runs = [one.run for one in facts_of(area, places, visit(area, home=at(area, 0.0, 0.0)))]
    assert runs[0] == shoal
    assert isinstance(runs[1], HomeRun)
    # the tide falls to half a metre under the datum at noon
    low = [(0, -0.5), (6, 2.0), (12, -0.5), (18, 2.0)]
    tidal = open_area(MovingArea(bottom=bottom, half_m=600.0, tide=low).write(tmp_path / "tidal"))
    runs = [one.run for one in facts_of(tidal, places, visit(tidal, home=at(tidal, 0.0, 0.0)))]
    assert runs == [shoal, shoal]


def test_depth_areas_are_steps(sound: Area) -> None:
    # charted in whole fathoms: 5, 10 and 20, which round lines of feet meet at 30, 60 and 120
    faces = np.array([box(-900, 0, 900, 100), box(-900, 100, 900, 300), box(-900, 300, 900, 900)], dtype=object)
    chart = replace(sound, depth=AreaDepth(faces, np.array([9.1, 18.2, 36.5])), surest_depth=None)
    facts = spot_facts(chart, Point(0.0, 140.0), visit(sound, home=None))
    assert (facts.depth_m, facts.stepped) == (18.2, True)
    assert math.isnan(facts.slope_deg)
    assert [(line.side, round(line.depth_m / 0.3048), line.distance_m) for line in facts.lines] == [
        ("deep", 60, pytest.approx(40.0)),
        ("shallow", 120, pytest.approx(160.0)),
    ]
    assert "slope unknown, the charted depth goes in steps there" in words(facts, chart)
    # an 18 ft line, as charts draw it, counts there too, and no step is taken for a line between
    shoals = replace(chart, depth=AreaDepth(faces, np.array([0.0, 5.4, 18.2])))
    told = spot_facts(shoals, Point(0.0, 140.0), visit(sound, home=None)).lines
    assert [(line.side, round(line.depth_m / 0.3048)) for line in told] == [("deep", 18), ("shallow", 60)]


def test_areas_beside_a_grid_draw_no_line_that_they_do_not_chart(sound: Area) -> None:
    # the grid's 110 ft line at y = 88 m stays, and the step from 9.1 m to 36.5 m is no 110 ft line, though nearer
    faces = np.array([box(330, 60, 360, 200), box(360, 60, 380, 200)], dtype=object)
    dredged = AreaDepth(faces, np.array([9.1, 36.5]))
    both = replace(sound, depth=combine([(0, sound.depth), (1, dredged)]), surest_depth=None)
    beside, in_it = facts_of(both, [at(sound, 325.0, 130.0), at(sound, 345.0, 130.0)], visit(sound, home=None))
    assert (beside.stepped, in_it.stepped) == (False, True)
    assert beside.lines[0].depth_m == pytest.approx(110 * 0.3048)
    surveyed = replace(both, depth=combine([(1, sound.depth), (0, dredged)]))
    (over,) = facts_of(surveyed, [at(sound, 345.0, 130.0)], visit(sound, home=None))
    assert (over.stepped, over.depth_m) == (False, pytest.approx(35.2, abs=1e-3))
    assert over.slope_deg == pytest.approx(math.degrees(math.atan(0.04 * SCALE)), abs=0.002)
    # the dredged water cuts the line off at x = 330 m, which is no nearer
    assert beside.lines[0].distance_m == pytest.approx((130.0 - 88.2) / SCALE, abs=0.05)
    assert beside.lines[1].distance_m == pytest.approx((164.4 - 130.0) / SCALE, abs=0.05)
    assert (in_it.depth_m, math.isnan(in_it.slope_deg)) == (9.1, True)
    # its next deeper line is the grid's at 40 ft, y = -445.2 m, though the step beside it goes over 40 ft
    assert in_it.lines[-1].depth_m == pytest.approx(40 * 0.3048)
    assert in_it.lines[-1].distance_m == pytest.approx(130.0 + 445.2 / SCALE, abs=0.5)


def test_a_visit_from_a_trip_and_from_bare_options(tmp_path: Path) -> None:
    folder = SmallArea(half_m=800.0).write(tmp_path)
    area = open_area(folder)
    file = SmallTrip([work()]).write(folder)
    file.write_text(file.read_text().replace('[limits]\nclosure_standoff = "50 m"\n', ""))
    trip = read_trip(file, area)
    assert trip.limits == USUAL_LIMITS
    made = visit_of(trip)
    bare = visit_on(area, DAY, species="chinook", start=time(8), hours=4.0, home=trip.home, boat=trip.boat)
    assert replace(made, home_name="home") == bare
    day = visit_on(area, DAY, species="chinook")
    assert (day.end - day.start, day.home, day.boat) == (timedelta(days=1), None, None)
    for on, hours in ((date(2026, 3, 8), 23), (date(2026, 11, 1), 25)):  # the clock goes forward, and back
        day = visit_on(replace(area, timezone=ZoneInfo("America/New_York")), on, species="chinook")
        assert elapsed(day.start, day.end) == timedelta(hours=hours)
    with pytest.raises(ValueError, match="a later end"):
        replace(bare, end=bare.start)
    with pytest.raises(ValueError, match="with their zone"):
        replace(bare, start=bare.start.replace(tzinfo=None))
    with pytest.raises(ValueError, match="a species and a method"):
        replace(bare, species=" ")


def test_many_places_say_what_each_says_alone(sound: Area) -> None:
    places = [at(sound, x, y) for x in (-1000.0, 0.0, 550.0) for y in (0.0, 900.0)]
    together = facts_of(sound, places, visit(sound))
    for place, facts in zip(places, together, strict=True):
        alone = spot_facts(sound, place, visit(sound))
        assert words(alone, sound).partition("\nRun")[0] == words(facts, sound).partition("\nRun")[0]
        if isinstance(alone.run, HomeRun):
            assert isinstance(facts.run, HomeRun)
            assert facts.run.length_m == pytest.approx(alone.run.length_m, rel=0.02)
        else:
            assert facts.run == alone.run
    assert facts_of(sound, [], visit(sound)) == ()


def test_an_entry_ban_during_the_visit_is_gone_round(tmp_path: Path) -> None:
    wall = feature(box(-50, -700, 50, 600), name="Range", forbids="entry", hours="09:00-10:00", **ALWAYS)
    area = open_area(SmallArea(half_m=800.0, layers={"closure": [wall]}).write(tmp_path))
    home, place = at(area, -300.0, 0.0), at(area, 300.0, 0.0)
    early = spot_facts(area, place, visit(area, time(6), 2.0, home=home))
    later = spot_facts(area, place, visit(area, time(6), 4.0, home=home))
    assert isinstance(early.run, HomeRun)
    assert early.run.length_m == pytest.approx(600.0 / SCALE, abs=0.1)
    # round the north end: arcs of 50 m about its corners, with tangents from either place and a straight between
    tangent, away = math.sqrt(650.0**2 - 50.0**2), math.atan2(600.0, 250.0)
    arc = 50.0 * (math.pi / 2 + away - math.acos(50.0 / 650.0))
    by_hand = 2.0 * (tangent + arc) + 100.0
    assert isinstance(later.run, HomeRun)
    assert by_hand < later.run.length_m < 1.02 * by_hand / SCALE
