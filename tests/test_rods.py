"""Rods of a trip file: what hangs on them, ladders, cycles, clips, and what a newcomer does wrong."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from math import pi

import pytest

from layers._errors import Finding
from layers.tables import Table
from spotmap.model import Rod
from spotmap.rods import Day, bare_tackle, read_rods

FT = 0.3048
START = datetime(2026, 8, 14, 5, 30, tzinfo=UTC)
DAY = Day(START, START + timedelta(hours=6), datetime(2026, 8, 14, 4, 51, tzinfo=UTC))
BASE = 'name = "r"\nkind = "downrigger"\nside = "port"\nsetback = "25 ft"\nball = "12 lb"\n'


def read(text: str, day: Day = DAY) -> tuple[list[Rod], list[Finding]]:
    found: list[Finding] = []
    rods = list(read_rods(Table(tomllib.loads(text), "trip.toml, rod 1", found), day))
    return rods, found


def good(text: str) -> list[Rod]:
    rods, found = read(text)
    assert found == []
    return rods


def depths(rod: Rod) -> Iterator[tuple[str, int]]:
    for setting in rod.settings:
        yield f"{setting.since:%H:%M}", round((setting.depth_m or 0.0) / FT)


def test_a_ball_weighs_in_water_what_archimedes_leaves() -> None:
    (rod,) = good(BASE + 'depth = "60 ft"\n')
    mass = 12 * 0.45359237
    # source: lead 11,340 kg/m³ (handbook value), sea water 1,025 kg/m³
    assert rod.tackle.weight_n == pytest.approx(mass * 9.80665 * (1 - 1025 / 11340))
    wide = (6 * mass / (pi * 11340)) ** (1 / 3)
    assert rod.tackle.drag_area_m2 == pytest.approx(0.5 * pi * wide**2 / 4)
    assert rod.tackle == bare_tackle(mass, flat=False)


def test_a_flasher_and_a_leader_add_drag_and_all_can_be_set() -> None:
    (bare,) = good(BASE + 'depth = "60 ft"\n')
    (towing,) = good(BASE + 'depth = "60 ft"\nflasher = "11 in"\nleader_diameter = "0.7 mm"\n')
    assert towing.tackle.drag_area_m2 > bare.tackle.drag_area_m2 + 0.01
    (own,) = good(
        BASE + 'depth = "60 ft"\nline_diameter = "1.2 mm"\nline_100m = "0.6 kg"\nnormal_drag = 1.5\n'
        'tangential_drag = 0.02\nball_drag = 0.3\nreel = "300 ft"\n'
    )
    assert (own.tackle.normal_drag, own.tackle.tangential_drag) == (1.5, 0.02)
    assert own.tackle.line_diameter_m == pytest.approx(0.0012)
    assert own.tackle.line_weight_n_per_m == pytest.approx(9.80665 * (0.006 - 1025 * 0.75 * pi * 0.0012**2 / 4))
    assert own.tackle.most_line_m == pytest.approx(300 * FT)


def test_a_ladder_by_clock_and_since_first_light() -> None:
    (rod,) = good(
        BASE + '[[ladder]]\nat = "05:00"\ndepth = "20 ft"\n[[ladder]]\nafter = "99 min"\ndepth = "40 ft"\n'
        '[[ladder]]\nat = "08:00"\ndepth = "65 ft"\n[[ladder]]\nat = "23:00"\ndepth = "90 ft"\n'
    )
    # common practice, no source: near 20 ft at first light, deeper through the morning; 23:00 is after the trip
    assert list(depths(rod)) == [("05:30", 20), ("06:30", 40), ("08:00", 65)]


def test_a_cycle_goes_down_and_up_again() -> None:
    (rod,) = good(BASE + 'cycle = { from = "40 ft", to = "60 ft", step = "10 ft", every = "30 min" }\n')
    told = list(depths(rod))
    assert [depth for _, depth in told[:7]] == [40, 50, 60, 50, 40, 50, 60]
    assert told[2][0] == "06:30"
    assert told[-1][0] < "11:30"


def test_clips_are_rods_of_their_own_on_one_cable() -> None:
    rod, clip = good(BASE + 'depth = "60 ft"\n[[clip]]\nname = "upper"\nabove = "20 ft"\nsetback = "15 ft"\n')
    assert (clip.name, clip.cable_of, clip.side) == ("upper", "r", rod.side)
    assert clip.above_m == pytest.approx(20 * FT)
    assert clip.setback_m == pytest.approx(15 * FT)


FLAT = 'name = "f"\nkind = "flat line"\nside = "stern"\nsetback = "60 ft"\nsinker = "3.5 oz"\n'
WRONG = [
    ("no depth", BASE, "one of depth, cable_out, ladder and cycle"),
    ("two depths", BASE + 'depth = "60 ft"\ncable_out = "80 ft"\n', "depth and cable_out"),
    ("negative setback", BASE.replace("25 ft", "-25 ft") + 'depth = "60 ft"\n', "setback"),
    ("floats", BASE + 'depth = "60 ft"\nball_diameter = "12 in"\n', "floats"),
    ("reel too short", BASE + 'depth = "60 ft"\nreel = "50 ft"\n', "more than the cable on the reel"),
    ("flat line with depth", FLAT + 'depth = "20 ft"\n', "follows from its setback and sinker"),
    ("flat line with a ball", FLAT + 'ball = "12 lb"\n', "not a ball"),
    ("clip on a flat line", FLAT + '[[clip]]\nname = "c"\nabove = "5 ft"\nsetback = "9 ft"\n', "no cable to clip"),
    ("empty ladder", BASE + "ladder = []\n", "has no steps"),
    ("step without time", BASE + '[[ladder]]\ndepth = "20 ft"\n', "either at or after"),
    ("bad clock", BASE + '[[ladder]]\nat = "25:99"\ndepth = "20 ft"\n', "not a clock time"),
    (
        "endless cycle",
        BASE + 'cycle = { from = "40 ft", to = "60 ft", step = "90 ft", every = "9 min" }\n',
        "lead from",
    ),
    ("misspelt", BASE + 'depth = "60 ft"\nseback = "9 ft"\n', "Did you mean 'setback'?"),
]


@pytest.mark.parametrize(("name", "text", "words"), WRONG, ids=[case[0] for case in WRONG])
def test_bad_gear_gets_a_clear_message(name: str, text: str, words: str) -> None:
    _, found = read(text)
    assert any(words in str(finding) for finding in found), (name, [str(finding) for finding in found])


def test_no_first_light_no_time_since_it() -> None:
    polar = Day(START, DAY.end, None)
    _, found = read(BASE + '[[ladder]]\nafter = "60 min"\ndepth = "40 ft"\n', polar)
    assert "no first light" in str(found[0])
