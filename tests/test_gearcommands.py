"""The rig card, the cable and the comparison, as a skipper calls them."""

from __future__ import annotations

from pathlib import Path

import pytest

from layers.area import open_area
from layers.model import Show
from spotmap.cli import main
from spotmap.comparison import compare, comparison_words
from spotmap.gear import turning_radius
from spotmap.rigcard import rig_card, rig_words
from spotmap.trip import area_folder, read_trip
from tests.small_area import SmallArea, SmallTrip, work

LADDER = (
    'name = "port"\nkind = "downrigger"\nside = "port"\nreach = "6 ft"\nsetback = "25 ft"\nball = "12 lb"\n'
    '[[rod.ladder]]\nat = "08:00"\ndepth = "25 ft"\n[[rod.ladder]]\nat = "09:00"\ndepth = "60 ft"\n'
)
FLAT = 'name = "flat"\nkind = "flat line"\nside = "stern"\nsetback = "60 ft"\nsinker = "3.5 oz"\n'


@pytest.fixture
def trip(tmp_path: Path) -> Path:
    written = SmallTrip([work(length="0.6 NM", more="minutes = 60")], rods=[LADDER, FLAT], hours=4.0)
    return written.write(SmallArea().write(tmp_path))


def run(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str, str]:
    with pytest.raises(SystemExit) as stop:
        main(words)
    out = capsys.readouterr()
    return int(stop.value.code or 0), out.out, out.err


def test_the_rig_card_tells_what_to_dial_at_each_time(trip: Path, capsys: pytest.CaptureFixture[str]) -> None:
    area = open_area(area_folder(trip))
    read = read_trip(trip, area)
    card = rig_card(turning_radius(read.rods, read.boat, read.limits))
    assert [f"{time.since:%H:%M}" for time in card] == ["08:00", "09:00"]
    port, flat = card[1].rows
    assert port.fresh
    assert not flat.fresh
    assert port.line_out_m > port.depth_m
    assert port.behind_m > port.setback_m == pytest.approx(25 * 0.3048)
    assert (flat.line_out_m, flat.setback_m) == (pytest.approx(60 * 0.3048), 0.0)
    code, out, _ = run(capsys, "rig", str(trip))
    assert code == 0
    assert out.splitlines() == list(rig_words(card, area.show))
    assert "From 09:00" in out
    assert "60 ft" in out


def test_longer_setbacks_cost_line_and_time_in_one_table(trip: Path, capsys: pytest.CaptureFixture[str]) -> None:
    area = open_area(area_folder(trip))
    (short, short_plan), (long, long_plan) = compare(area, read_trip(trip, area), [7.62, 24.4])
    assert long.radius_m > short.radius_m
    assert long.inside_m > short.inside_m
    assert long.share < short.share
    assert long.lap_s > short.lap_s
    assert long_plan.swept.tracks[0].rod == short_plan.swept.tracks[0].rod
    table = list(comparison_words([short, long], Show("ft", "NM", "kn")))
    assert any(line.startswith("turning radius R") and f"{long.radius_m:.1f} m" in line for line in table)
    out_folder = trip.parent.parent / "cmp"
    code, out, _ = run(
        capsys, "compare", str(trip), "--setback", "25 ft", "--setback", "80 ft", "--out", str(out_folder)
    )
    assert code == 0
    assert "gear down on the line" in out
    assert (out_folder / "setback-80-ft" / "map.html").is_file()


def test_the_cable_from_depth_from_cable_and_from_the_angle_you_see(capsys: pytest.CaptureFixture[str]) -> None:
    # source: check values, 12 lb on 100 ft at 3.0 kn: 88.4 ft deep, 42.8 ft back, 42.5° (weightless cable; ours weighs)
    code, out, _ = run(capsys, "cable", "--out", "100 ft", "--speed", "3.0 kn")
    assert code == 0
    assert "89 ft deep, 42 ft behind, 42°" in out
    code, out, _ = run(capsys, "cable", "--out", "100 ft", "--angle", "42 deg")
    assert "3.01 kn through the water" in out
    code, out, _ = run(capsys, "cable", "--depth", "60 ft", "--speed", "2.7 kn")
    assert "60 ft deep" in out


@pytest.mark.parametrize(
    ("words", "code", "told"),
    [
        (("--depth", "390 ft", "--speed", "4 kn"), 3, "is the deepest"),
        ((), 2, "either --out or --depth"),
        (("--out", "100 ft", "--angle", "42 deg", "--speed", "2 kn"), 2, "without --speed"),
        (("--out", "100 ft", "--angle", "89 deg"), 2, "no speed lays this cable"),
        (("--out", "100", "--speed", "2 kn"), 2, "has no unit"),
    ],
)
def test_the_cable_command_says_what_is_wrong(
    words: tuple[str, ...], code: int, told: str, capsys: pytest.CaptureFixture[str]
) -> None:
    got, _, err = run(capsys, "cable", *words)
    assert got == code
    assert told in err


def test_thirty_rods_are_too_many(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    rods = [FLAT.replace('"flat"', f'"flat {count}"') for count in range(30)]
    trip = SmallTrip([work()], rods=rods).write(SmallArea().write(tmp_path))
    code, _, err = run(capsys, "plan", str(trip), "--out", str(tmp_path / "out"))
    assert code == 2
    assert "there are 30; 1 to 24 are allowed" in err
