"""Where moving water meets the bottom: on bottoms in closed form, and with an area's own tide and current."""

from __future__ import annotations

import math
import re
import time
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
import shapely
from shapely import LineString, MultiPolygon, Point, Polygon

from layers.area import open_area
from layers.landformfiles import write_landforms
from layers.model import Area, FloatArray, Landform
from spotmap.rips import LIKELY, Meeting, meetings, rip_likeliness, through
from tests.commands import run
from tests.moving_water import (
    KN,
    MIDNIGHT,
    FlatDepth,
    FormulaCurrent,
    FormulaTide,
    MovingArea,
    Race,
    seconds,
    uniform,
)

SIGMA, HEIGHT, AROUND = 60.0, 12.0, 30.0
NOON = MIDNIGHT + timedelta(hours=12)
HALF_DAY_S = 12.4 * 3600.0


@dataclass(frozen=True)
class Hill(FlatDepth):
    """A Gaussian hump on a level bottom, at the origin; a hole where its height is below 0."""

    height_m: float = HEIGHT

    def depth_at(self, x: FloatArray, y: FloatArray) -> FloatArray:
        rise = self.height_m * np.exp(-(x**2 + y**2) / (2.0 * SIGMA**2))
        return np.where(np.maximum(np.abs(x), np.abs(y)) <= self.half_m, self.depth_m - rise, np.nan)


@dataclass(frozen=True)
class Step(FlatDepth):
    """A slope from 20 m down to 40 m, 60 m wide about the line through the origin, deep to its right."""

    along_rad: float = 0.0

    def depth_at(self, x: FloatArray, y: FloatArray) -> FloatArray:
        right = x * math.sin(self.along_rad) - y * math.cos(self.along_rad)
        return 30.0 + np.clip(right, -30.0, 30.0) / 3.0


def form(kind: str = "hump", shape: shapely.Geometry | None = None, **more: float) -> Landform:
    figures = {
        "scale_m": 2.0 * SIGMA,
        "depth_min_m": AROUND - HEIGHT,
        "depth_max_m": AROUND,
        "height_m": HEIGHT,
        "slope_deg": 7.0,
        "length_m": 2.0 * SIGMA,
        "significance": 10.0,
    }
    return Landform("A", kind, Point(0, 0).buffer(SIGMA, 32) if shape is None else shape, **(figures | more))


HUMP = form()


@pytest.fixture(scope="module")
def water(tmp_path_factory: pytest.TempPathFactory) -> Area:
    return open_area(MovingArea(half_m=500.0).write(tmp_path_factory.mktemp("area")))


def flowing(area: Area, knots: float, towards_rad: float, **more: object) -> Area:
    flow = uniform(knots * KN * math.cos(towards_rad), knots * KN * math.sin(towards_rad))
    return replace(area, **({"depth": Hill(AROUND), "current": FormulaCurrent(flow)} | more))


def met(area: Area, one: Landform = HUMP) -> Meeting:
    (meeting,) = meetings(area, [one], NOON)
    return meeting


def sector(towards_rad: float) -> Polygon:
    """Where a hump's flank faces within 60° of a direction: by symmetry a third of the ring on that side.

    The slope r/σ² · H · exp(−r²/2σ²) is a quarter of the height over the scale, H/8σ, at r = 0.126 σ on the inside.
    """
    arc = towards_rad + np.radians(np.linspace(-60.0, 60.0, 121))
    inner, outer = 0.126 * SIGMA, 2.437 * SIGMA  # the greater root; the scale reaches to 3 σ
    ring = [np.column_stack([r * np.cos(arc), r * np.sin(arc)]) for r in (inner, outer)]
    return Polygon(np.vstack([ring[0], ring[1][::-1]]))


def overlap(found: MultiPolygon | None, wanted: Polygon) -> float:
    """The share of both together that they have in common."""
    assert found is not None
    return float(found.intersection(wanted).area / found.union(wanted).area)


def test_the_sectors_roots_are_those_of_the_slope() -> None:
    for r in (0.126, 2.437):
        assert r * math.exp(-(r**2) / 2.0) == pytest.approx(0.125, rel=0.01)


@pytest.mark.parametrize("towards_deg", [0.0, 90.0, 37.0, 200.0, 315.0])
def test_faces_of_a_hump_lie_against_the_current_and_lee_opposite(water: Area, towards_deg: float) -> None:
    towards = math.radians(towards_deg)
    meeting = met(flowing(water, 1.0, towards))
    assert overlap(meeting.up_current, sector(towards + math.pi)) > 0.9
    assert overlap(meeting.lee, sector(towards)) > 0.9
    assert meeting.up_current.area == pytest.approx(meeting.lee.area, rel=0.02)
    assert meeting.up_current.area == pytest.approx(sector(0.0).area, rel=0.05)
    assert meeting.up_current.intersection(meeting.lee).area == 0.0


def test_a_turned_current_swaps_face_and_lee(water: Area) -> None:
    flood, ebb = (met(flowing(water, 1.0, way)) for way in (0.4, 0.4 + math.pi))
    assert flood.up_current.symmetric_difference(ebb.lee).area < 1e-3
    assert flood.lee.symmetric_difference(ebb.up_current).area < 1e-3
    assert flood.rip == pytest.approx(ebb.rip)
    reach = flood.rip_ground.centroid
    assert math.hypot(reach.x + ebb.rip_ground.centroid.x, reach.y + ebb.rip_ground.centroid.y) < 1.0
    assert math.atan2(reach.y, reach.x) == pytest.approx(0.4, abs=0.02)  # down-current


def test_words_name_the_sides_by_true_compass(water: Area) -> None:
    here = flowing(water, 1.3, math.radians(225.0))
    words = met(here).words
    assert "1.3 kn over 59.1 ft" in words  # 18 m
    assert "up-current face on the north-east; lee on the south-west; likely rip over it and at the south-west" in words
    assert "as charted, tide unknown" in words
    assert "with tide" in met(replace(here, tide=FormulaTide(lambda at: 0.0 * at + 1.0))).words


def test_in_a_hole_the_face_is_the_far_wall_and_there_is_no_rip(water: Area) -> None:
    hole = form("hole", depth_min_m=AROUND, depth_max_m=AROUND + HEIGHT)
    meeting = met(flowing(water, 2.0, 0.0, depth=Hill(AROUND, height_m=-HEIGHT)), hole)
    assert overlap(meeting.up_current, sector(0.0)) > 0.9
    assert meeting.rip == 0.0
    assert meeting.rip_ground is None
    assert "rip" not in meeting.words


def test_a_ledge_is_met_from_its_deep_side_and_left_in_the_lee_from_its_high_side(water: Area) -> None:
    for along in (0.0, 0.9, -2.2):
        end = 300.0 * np.array([math.cos(along), math.sin(along)])
        line = LineString([-end, end])
        ledge = form("ledge", line, scale_m=60.0, depth_min_m=20.0, depth_max_m=40.0, height_m=20.0)
        up, down, beside = (
            met(flowing(water, 1.0, along + math.radians(turn), depth=Step(30.0, along_rad=along)), ledge)
            for turn in (90.0, -90.0, 0.0)
        )
        slope, smeared = (
            line.buffer(60.0).intersection(LineString([-2 * end, 2 * end]).buffer(w)) for w in (30.0, 45.0)
        )
        assert up.up_current.intersection(slope).area > 0.98 * slope.area
        assert up.up_current.difference(smeared).area < 0.01 * slope.area  # by a cell of 15 m
        assert up.lee is None
        assert down.lee.symmetric_difference(up.up_current).area < 1e-3
        assert down.up_current is None
        assert (up.rip, down.rip) == (1.0, 1.0)  # as fast again
        assert (beside.up_current, beside.lee, beside.rip) == (None, None, pytest.approx(0.0, abs=1e-9))
        assert up.rip_ground.area == pytest.approx(600.0 * 7.0 * 20.0, rel=0.01)


def test_nothing_is_told_without_current(water: Area) -> None:
    still = met(flowing(water, 0.0, 0.0))
    assert (still.up_current, still.lee, still.rip, still.rip_ground) == (None, None, 0.0, None)
    assert "slack" in still.words
    far = FormulaCurrent(uniform(1.0, 0.0), half_m=10.0)
    beyond = form(shape=Point(400, 0).buffer(50))
    for unknown in (replace(water, current=None), replace(water, current=far, depth=Hill(AROUND))):
        meeting = met(unknown, beyond)
        assert (meeting.up_current, meeting.lee, meeting.rip_ground) == (None, None, None)
        assert math.isnan(meeting.rip)
        assert "unknown" in meeting.words
    flat = met(flowing(water, 2.0, 0.0), form("flat", height_m=0.0))
    assert (flat.up_current, flat.lee, flat.rip) == (None, None, 0.0)


def test_unknown_ground_gives_no_face(water: Area) -> None:
    meeting = met(flowing(water, 1.0, math.pi, depth=Hill(AROUND, half_m=90.0)))  # known to one and a half σ
    assert meeting.up_current is not None
    assert max(np.abs(meeting.up_current.bounds)) <= 90.0
    assert met(flowing(water, 1.0, 0.0), form(shape=Point(9000, 0).buffer(60))).up_current is None


def test_a_rip_is_never_less_likely_in_more_current_or_less_water() -> None:
    drift = np.linspace(0.0, 4.0, 400) * KN
    depth = np.linspace(-2.0, 60.0, 90)[:, None, None]
    height = np.linspace(0.0, 40.0, 30)[:, None]
    likely = rip_likeliness(drift, depth, height)
    assert likely.min() == 0.0
    assert likely.max() == 1.0
    assert (np.diff(likely, axis=2) >= 0.0).all()
    assert (np.diff(likely, axis=0) <= 0.0).all()
    assert (np.diff(likely, axis=1) >= 0.0).all()
    # continuity: the water over the crest runs h / d as fast, and gains 0.4 kn of 0.8 kn that make it sure
    assert rip_likeliness(np.array(0.8 * KN), np.array(20.0), np.array(10.0)) == pytest.approx(0.5)
    assert rip_likeliness(np.array(0.39 * KN), np.array(1.0), np.array(30.0)) == 0.0
    assert np.isnan(rip_likeliness(np.array(np.nan), np.array(20.0), np.array(10.0)))


def test_a_line_rips_by_the_sine_of_the_angle_at_which_it_is_met(water: Area) -> None:
    line = LineString([(-200.0, 0.0), (200.0, 0.0)])
    ledge = form("ledge", line, depth_min_m=20.0, height_m=10.0)
    for angle in (15.0, 50.0, 90.0, 130.0, -70.0):
        found = met(flowing(water, 1.2, math.radians(angle)), ledge).rip
        assert found == pytest.approx(1.2 * 0.5 / 0.8 * abs(math.sin(math.radians(angle))))


def test_the_tide_makes_a_rip_likelier_at_low_water(water: Area) -> None:
    low, high = (
        met(flowing(water, 0.9, 0.0, tide=FormulaTide(lambda at, level=level: 0.0 * at + level)))
        for level in (-1.0, 4.0)
    )
    assert low.rip == pytest.approx(0.9 * HEIGHT / 17.0 / 0.8)
    assert high.rip == pytest.approx(0.9 * HEIGHT / 22.0 / 0.8)


def to_and_fro(most_kn: float) -> FormulaCurrent:
    """East from 00:00, west from half a tide on, by a sine."""

    def flow(xy: FloatArray, time_s: FloatArray) -> FloatArray:
        speed = most_kn * KN * np.sin(2.0 * np.pi * (time_s - MIDNIGHT.timestamp()) / HALF_DAY_S)
        return np.column_stack([speed, 0.0 * xy[:, 0]])

    return FormulaCurrent(flow)


def minutes(when: datetime) -> float:
    return (when - MIDNIGHT).total_seconds() / 60.0


@pytest.mark.parametrize("step_s", [300.0, 600.0])
def test_a_day_changes_sides_with_the_current_at_the_right_minutes(water: Area, step_s: float) -> None:
    area = replace(water, current=to_and_fro(1.5), depth=Hill(AROUND))
    (working,) = through(area, [HUMP], MIDNIGHT, MIDNIGHT + timedelta(seconds=HALF_DAY_S), step_s)
    first, second = working.rips
    assert (first.side, second.side) == ("east", "west")
    assert [one.side for one in working.faces] == ["west", "east"]
    # where 12/18 of the drift gained times the ramp of 0.4–0.8 kn is half: drift (drift − 0.4) = 0.24 kn²
    drift = 0.2 + math.sqrt(0.04 + 0.24)
    early = math.asin(drift / 1.5) / (2.0 * math.pi) * HALF_DAY_S / 60.0
    half = HALF_DAY_S / 120.0
    wanted = [early, half - early, half + early, 2.0 * half - early]
    assert [minutes(t) for one in working.rips for t in (one.since, one.until)] == pytest.approx(wanted, abs=1.6)
    assert first.strongest_mps == pytest.approx(1.5 * KN, rel=0.01)
    assert first.most == pytest.approx(1.0)
    assert working.known == 1.0
    assert working.words.startswith(f"likely rip at the east edge from {first.since:%H:%M} to {first.until:%H:%M}; ")
    assert "with the current turned it changes side: at the west edge" in working.words


def test_spells_agree_with_the_meetings_of_their_moments(water: Area) -> None:
    area = replace(water, current=to_and_fro(1.2), depth=Hill(AROUND), tide=FormulaTide(lambda at: np.sin(at / 7e3)))
    (working,) = through(area, [HUMP], MIDNIGHT, MIDNIGHT + timedelta(hours=20))
    for minute in range(0, 1200, 7):
        when = MIDNIGHT + timedelta(minutes=minute)
        edge = min(abs((when - t).total_seconds()) for one in working.rips for t in (one.since, one.until))
        (meeting,) = meetings(area, [HUMP], when)
        inside = any(one.since <= when <= one.until for one in working.rips)
        assert edge < 150.0 or inside == (meeting.rip >= LIKELY)


def test_a_current_that_turns_through_all_directions_is_told_side_by_side(water: Area) -> None:
    def flow(xy: FloatArray, time_s: FloatArray) -> FloatArray:
        angle = 2.0 * np.pi * (time_s - MIDNIGHT.timestamp()) / HALF_DAY_S
        return 2.0 * KN * np.column_stack([np.cos(angle), np.sin(angle)]) + 0.0 * xy

    end = MIDNIGHT + timedelta(seconds=HALF_DAY_S)
    (working,) = through(replace(water, current=FormulaCurrent(flow)), [HUMP], MIDNIGHT, end)
    spells = working.rips
    assert spells[0].since == MIDNIGHT
    assert all(one.until == other.since for one, other in pairwise(spells))
    assert abs((spells[-1].until - end).total_seconds()) < 31.0
    assert 4 <= len(spells) <= 6
    assert {one.side for one in spells} > {"south-west"}


def test_a_day_says_what_it_does_not_know(water: Area) -> None:
    end = MIDNIGHT + timedelta(hours=10)

    def flow(xy: FloatArray, time_s: FloatArray) -> FloatArray:
        del xy
        known = time_s <= MIDNIGHT.timestamp() + 5 * 3600.0
        return np.where(known[:, None], np.column_stack([0.0 * time_s + KN, 0.0 * time_s]), np.nan)

    (none,) = through(replace(water, current=None), [HUMP], MIDNIGHT, end)
    assert (none.rips, none.faces, none.known) == ((), (), 0.0)
    assert "unknown" in none.words
    (half,) = through(replace(water, current=FormulaCurrent(flow)), [HUMP], MIDNIGHT, end)
    assert half.known == pytest.approx(0.5, abs=0.02)
    assert [minutes(t) for one in half.rips for t in (one.since, one.until)] == [0.0, 300.0]
    assert "unknown for 49 % of the time" in half.words
    (weak,) = through(flowing(water, 0.3, 0.0), [HUMP], MIDNIGHT, end)
    assert (weak.rips, weak.faces, weak.words) == ((), (), "too little current to work")
    (flat,) = through(flowing(water, 2.0, 0.0), [form("flat", height_m=0.0)], MIDNIGHT, end)
    assert (flat.rips, flat.faces) == ((), ())
    assert through(water, [], MIDNIGHT, end) == ()
    with pytest.raises(ValueError, match="zone"):
        through(water, [HUMP], MIDNIGHT.replace(tzinfo=None), end)
    with pytest.raises(ValueError, match="after the start"):
        through(water, [HUMP], end, MIDNIGHT)


def test_an_areas_own_tables_of_tide_and_current(tmp_path: Path) -> None:
    events = [(2.0, "slack", 0), (5.0, "flood", 1.6), (8.0, "slack", 0), (11.0, "ebb", 1.4), (14.0, "slack", 0)]
    races = [Race(events, reach="1 NM", flood_deg=45.0)]
    hill = Hill(AROUND)
    written = MovingArea(
        bottom=hill.depth_at, half_m=500.0, cell_m=10.0, races=races, tide=[(-4, 3), (2, 0.2), (8, 3), (14, 0.1)]
    )
    area = open_area(written.write(tmp_path))
    far = form(shape=Point(3000, 0).buffer(60))
    (here, there) = through(area, [HUMP, far], MIDNIGHT + timedelta(hours=2), MIDNIGHT + timedelta(hours=14))
    flood, ebb = here.rips
    assert (flood.side, flood.tide, ebb.side, ebb.tide) == ("north-east", "rising", "south-west", "falling")
    assert (flood.set_deg, ebb.set_deg) == (pytest.approx(45.0, abs=0.1), pytest.approx(225.0, abs=0.1))
    assert seconds(2.5) < flood.since.timestamp() < seconds(5.0) < flood.until.timestamp() < seconds(8.0)
    assert flood.since.utcoffset() == timedelta(hours=-10)
    assert f"at the north-east edge from {flood.since:%H:%M} to {flood.until:%H:%M} on the rising tide" in here.words
    assert "changes side: at the south-west edge" in here.words
    assert there.known == 0.0
    (meeting,) = meetings(area, [HUMP], datetime.fromtimestamp(seconds(5.0), area.timezone))
    assert overlap(meeting.up_current, sector(math.radians(225.0))) > 0.85
    assert "045° at 1.6 kn" in meeting.words


def test_the_command_counts_what_the_current_meets_and_says_what_is_unknown(tmp_path: Path) -> None:
    races = [Race([(0.0, "slack", 0), (3.0, "flood", 1.6), (6.0, "slack", 0)], reach="1 NM", flood_deg=45.0)]
    folder = MovingArea(bottom=Hill(AROUND).depth_at, half_m=500.0, cell_m=10.0, races=races).write(tmp_path)
    level = form("flat", shape=Point(200, 200).buffer(60), height_m=0.0)
    write_landforms(folder, open_area(folder), [HUMP, replace(level, name="flat 1")])
    asked = ("rips", folder, "--on", f"{MIDNIGHT:%Y-%m-%d}")
    code, said, complained = run(*asked, "--at", "03:00")
    assert code == 0, complained
    assert "at 03:00: 1 of 2 forms of the bottom meet the current\n  A," in said
    assert "at 00:00: 0 of 2 forms of the bottom meet the current\nA rule" in run(*asked, "--at", "00:00")[1]
    for when in (("--at", "20:00"), ("--start", "20:00", "--hours", "2")):
        said = run(*asked, *when)[1]
        assert "0 of 2 forms of the bottom meet the current; at 2 of them the current is unknown then\n" in said
    assert "'06:00Z' is not a clock time" in run(*asked, "--start", "06:00Z")[2]


def test_the_command_counts_hours_that_pass_where_the_clock_changes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    races = [Race([(0.0, "slack", 0), (3.0, "flood", 1.6)])]
    folder = MovingArea(bottom=Hill(AROUND).depth_at, half_m=500.0, cell_m=10.0, races=races).write(tmp_path)
    toml = folder / "area.toml"
    toml.write_text(re.sub('timezone = ".*"', 'timezone = "America/New_York"', toml.read_text()))
    write_landforms(folder, open_area(folder), [HUMP])
    asked: list[tuple[datetime, datetime]] = []

    def noted(_area: Area, _forms: object, start: datetime, end: datetime) -> tuple[()]:
        asked.append((start, end))
        return ()

    monkeypatch.setattr("spotmap.rips.through", noted)
    assert run("rips", folder, "--on", "2026-11-01", "--start", "00:00", "--hours", "6")[0] == 0
    ((start, end),) = asked  # at two the clock goes back to one
    assert (end.timestamp() - start.timestamp(), f"{end:%H:%M}") == (6 * 3600.0, "05:00")


def test_a_day_of_a_hundred_forms_takes_less_than_a_second(water: Area) -> None:
    rng = np.random.default_rng(6)
    forms = [form(shape=Point(*rng.uniform(-2000, 2000, 2)).buffer(SIGMA)) for _ in range(100)]
    area = replace(water, current=to_and_fro(1.5), tide=FormulaTide(lambda at: np.sin(at / 7e3)))
    began = time.perf_counter()
    day = through(area, forms, MIDNIGHT, MIDNIGHT + timedelta(days=1))
    assert time.perf_counter() - began < 1.0
    assert all(len(one.rips) == 4 for one in day)


def test_the_demo_areas_own_forms_face_the_current() -> None:
    """Asked of the depth itself: water that goes on over a face comes to shallower ground, over a lee to deeper."""
    found = pytest.importorskip("layers.landforms", reason="forms are found by another module")
    area = open_area(Path(__file__).parents[1] / "demo_area")
    x, y = shapely.get_coordinates(area.current.stations[0].point)[0]
    forms = found.landforms(area.depth, scales_m=(75.0,), within=(x - 1000, y - 1000, x + 1000, y + 1000))
    assert forms
    start = datetime(2026, 8, 14, tzinfo=area.timezone)
    right = []
    for meeting in meetings(area, forms, start + timedelta(hours=8)):
        way = meeting.flow_mps / np.hypot(*meeting.flow_mps)
        for side, sign in ((meeting.up_current, -1.0), (meeting.lee, 1.0)):
            if side is not None:
                assert side.within(meeting.form.shape.buffer(meeting.form.scale_m + 1e-6))
                at = np.array([[part.centroid.x, part.centroid.y] for part in side.geoms if part.area > 500.0])
                if at.size:
                    ahead, behind = (area.depth.depth_at(*(at + step * way).T) for step in (25.0, -25.0))
                    right += (sign * (ahead - behind) > 0.0).tolist()
    assert len(right) >= 4
    assert np.mean(right) > 0.9  # a part may be bent around its centroid
    day = through(area, forms, start, start + timedelta(days=1))
    assert any(one.faces and len({spell.side for spell in one.faces}) > 1 for one in day)
