"""Hours and timetable as a skipper calls them."""

from __future__ import annotations

import csv
import io
import math
import os
from dataclasses import replace
from datetime import datetime
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from shapely import box

from spotmap.cli import main
from spotmap.model import Plan
from spotmap.tidecommands import timetable_csv, timetable_words
from tests.plan_fixture import EVENT_AFTER, MARKUP, build_plan
from tests.small_area import SmallArea, SmallTrip, feature, work

DEMO = Path(__file__).parents[1] / "demo_area" / "trip.toml"


def run(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str, str]:
    with pytest.raises(SystemExit) as stop:
        main(words)
    out = capsys.readouterr()
    return int(stop.value.code or 0), out.out, out.err


@pytest.fixture
def trip(tmp_path: Path) -> Path:
    return SmallTrip([work(more="passes = 2")]).write(SmallArea(timezone="EST5EDT").write(tmp_path))


def cells(out: str, name: str) -> list[str]:
    """Return a row of the first table: its values, however many columns."""
    line = next(line for line in out.splitlines() if line.startswith(name))
    return [line[24 + 20 * at : 44 + 20 * at].strip() for at in range((len(line) - 24) // 20)]


def test_hours_of_the_demo_stand_side_by_side_and_a_day_past_the_table_says_so(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    words = ("--on", "2026-09-20", "--on", "2026-08-14", "--start", "05:30", "--out", str(tmp_path / "all"))
    code, out, _ = run(capsys, "hours", str(DEMO), *words)
    assert code == 0
    assert cells(out, "day") == ["2026-08-14", "2026-09-20"]
    assert cells(out, "on the line ")[1] == "not planned"
    minutes = [
        int(cells(out, name)[0].removesuffix(" min"))
        for name in ("  with the current", "  against it", "  near slack", "  no current counted")
    ]
    assert all(one > 0 for one in minutes[:3])
    assert minutes[3] == 0
    assert sum(minutes) == pytest.approx(int(cells(out, "on the line ")[0].removesuffix(" min")), abs=2)
    assert 0 < int(cells(out, "  one-way")[0]) < int(cells(out, "passes")[0])
    assert cells(out, "tide at the start")[0].endswith("falling")
    assert "2026-09-20 05:30 not planned: tide.toml (tide): reaches from 2026-08-10" in out
    assert f"Best: 2026-08-14 05:30: {minutes[0] + minutes[2]} min on the line with the tide; nothing" in out
    assert "Caution: Not for navigation." in out
    assert sorted(path.name for path in (tmp_path / "all").iterdir()) == ["2026-08-14-0530"]
    assert (tmp_path / "all" / "2026-08-14-0530" / "map.html").is_file()


def test_without_days_and_starts_the_trips_own_are_tried(trip: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = run(capsys, "hours", str(trip))
    assert code == 0
    assert (cells(out, "day"), cells(out, "start")) == (["2026-08-14"], ["08:00"])
    assert cells(out, "  near slack") == ["-"]
    assert cells(out, "  no current counted") == cells(out, "on the line ")
    assert cells(out, "strongest current met") == ["no current counted"]
    assert cells(out, "tide at the start") == ["no tide counted"]


def test_a_start_in_a_clock_change_is_told_for_its_column(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    trip = SmallTrip([work(more="minutes = 100")]).write(SmallArea(timezone="EST5EDT").write(tmp_path))
    code, out, _ = run(capsys, "hours", str(trip), "--on", "2026-11-01", "--start", "01:30", "--start", "00:45")
    assert code == 0
    assert "2026-11-01 01:30 not planned: trip.toml, key 'start': 01:30 on 2026-11-01 falls into a clock change" in out
    assert cells(out, "leaves") == ["00:45 UTC-4", "-"]
    assert cells(out, "is back")[0].endswith("UTC-5")


def test_a_day_all_closed_has_no_plan_and_only_where_none_has_the_command_fails(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    day = {"from": "08-14", "until": "08-14"}
    shut = feature(box(-2900, -2900, 2900, 2900), name="All of it", forbids="fishing", **day)
    area = SmallArea(layers={"closure": [shut]})
    trip = SmallTrip([work(more="passes = 2")]).write(area.write(tmp_path))
    code, out, _ = run(capsys, "hours", str(trip), "--on", "2026-08-15", "--on", "2026-08-14")
    assert code == 0
    assert cells(out, "on the line ")[0] == "no plan"
    assert "2026-08-14 08:00 no plan: " in out
    assert "All of it" in next(line for line in out.splitlines() if " no plan: " in line)
    code, out, err = run(capsys, "hours", str(trip))
    assert (code, out) == (3, "")
    assert "None of these hours has a plan." in err
    assert "2026-08-14 08:00: " in err


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--start", "25:00"), "--start: '25:00' is not a clock time."),
        (("--on", "9999-12-31"), "--on: 9999-12-31 is no day to plan for."),
        (("--on", "14.8.2026"), "--on: '14.8.2026' is not a date."),
        (tuple(word for hour in range(13) for word in ("--start", f"{hour:02d}:00")), "make 13 plans; at most 12"),
        (("--on", "2026-11-01", "--start", "01:30"), "falls into a clock change"),
    ],
)
def test_hours_says_what_is_wrong(
    words: tuple[str, ...], told: str, trip: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code, out, err = run(capsys, "hours", str(trip), *words)
    assert (code, out) == (2, "")
    assert told in err


def test_the_timetable_of_the_demo_and_its_csv_for_every_minute(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "day.csv"
    code, out, _ = run(capsys, "timetable", str(DEMO), "--every", "30 min", "--csv", str(file))
    assert code == 0
    lines = out.splitlines()
    assert [line[:5] for line in lines if line.endswith((" ft", "gear up"))][:3] == [
        "05:30",
        "06:00",
        "06:30",
    ]
    opens = next(at for at, line in enumerate(lines) if line.startswith("06:00") and line.endswith("opens"))
    assert lines[opens + 1].startswith("06:00  P")
    assert any("pass, one-way" in line for line in lines)
    assert lines[-3].startswith("Caution: ")
    with file.open(newline="") as opened:
        rows = list(csv.DictReader(opened))
    moments = [datetime.fromisoformat(row["time"]) for row in rows]
    assert {(after - before).total_seconds() for before, after in pairwise(moments[:-1])} == {60.0}
    assert {row["area"] for row in rows[1:]} == {"Merrow Sound (INVENTED): not for navigation"}
    for told in ("Merrow Sound (INVENTED): not for navigation. ", "Check the current regulation", "tide: tide.toml"):
        assert told in rows[0]["area"]
    assert "current.toml, invented for the demonstration, as of 2026-01-10" in rows[0]["area"]
    for row in rows:
        gear, water = row["deepest gear (ft)"], row["water under gear (ft; with tide)"]
        assert (gear == "") == (water == "") == (row["does"] == "run")
        if gear:
            charted, tide = float(row["charted depth at boat (ft under MLLW)"]), float(row["tide (ft over MLLW)"])
            assert float(water) == pytest.approx(charted + tide - float(gear), abs=0.21)


@pytest.fixture(scope="module")
def moving() -> Plan:
    return build_plan(moving=True)


def row_at(plan: Plan, minute: int, **other: object) -> str:
    """Return the printed row of a minute, the day table changed."""
    day = replace(plan.day, **other)  # type: ignore[arg-type]
    wanted = f"{day.moments[minute]:%H:%M}"
    told = list(timetable_words(replace(plan, day=day), 1))
    return next(line for line in told if line.startswith(f"{wanted}  ") and MARKUP not in line)


def test_a_row_tells_the_day_table_in_the_areas_units_and_depth_rounded_down(moving: Plan) -> None:
    day, at = moving.day, 40
    row = row_at(moving, at)
    water_ft = (day.charted_m[at] + day.tide_m[at] - day.gear_m[at]) / 0.3048
    assert row.endswith(f"{math.floor(10 * water_ft) / 10:.1f} ft")
    assert f"{day.tide_m[at] / 0.3048:.1f} ft, falling" in row
    assert f" at {np.hypot(*day.flow_mps[at]) * 3600 / 1852:.1f} kn" in row
    east, north = day.flow_mps[at]
    assert f"{math.degrees(math.atan2(east, north)) % 360:03.0f}° at " in row
    assert "  pass, loop  " in row


def test_what_is_not_known_is_a_dash_and_gear_that_is_up_is_not_unknown(moving: Plan) -> None:
    blank = np.full(len(moving.day.moments), np.nan)
    row = row_at(moving, 40, tide_m=blank, rising_mps=blank, flow_mps=np.column_stack([blank, blank]))
    assert row.split("  ")[-1].strip() == "-"  # depth under the gear hangs on the tide
    assert "0.0" not in row
    assert "slack" not in row
    assert row_at(moving, 40, charted_m=blank).split()[-2:] == ["-", "-"]
    assert row_at(moving, 0).endswith("gear up")
    unknown = replace(moving, day=replace(moving.day, tide_m=blank, rising_mps=blank, charted_m=blank))
    first = next(csv.DictReader(io.StringIO(timetable_csv(unknown).decode(), newline="")))
    assert (first["tide (ft over MLLW)"], first["tide trend"], first["light"] != "") == ("", "", True)


def test_an_event_stands_before_the_first_row_after_it_and_in_its_minute_of_the_csv(moving: Plan) -> None:
    lines = list(timetable_words(moving, 10))
    at = next(index for index, line in enumerate(lines) if MARKUP in line)
    when = moving.day.moments[0] + EVENT_AFTER
    assert lines[at].startswith(f"{when:%H:%M}")
    assert lines[at - 1][:5] < lines[at][:5] < lines[at + 1][:5]
    rows = list(csv.DictReader(io.StringIO(timetable_csv(moving).decode(), newline="")))
    assert [row["time"] for row in rows if row["events"]] == [when.isoformat()]


def test_midnight_and_a_clock_change_are_told() -> None:
    night = list(timetable_words(build_plan(departure=datetime(2026, 8, 14, 23, 40)), 10))  # noqa: DTZ001
    dates = [line for line in night if line in ("2026-08-14", "2026-08-15")]
    assert dates == ["2026-08-14", "2026-08-15"]
    assert night[night.index("2026-08-15") + 1].startswith("00:00")
    plan = build_plan(zone="EST5EDT", departure=datetime(2026, 11, 1, 1, 30), laps=2)  # noqa: DTZ001
    change = [line[:11] for line in timetable_words(plan, 30) if line[2:3] == ":"]
    # the event comes 12 minutes after the start, when the clock shows more than in the hour after it
    assert change[:4] == ["01:30 UTC-4", "01:42 UTC-4", "01:00 UTC-5", "01:30 UTC-5"]
    rows = list(csv.DictReader(io.StringIO(timetable_csv(plan).decode(), newline="")))
    assert rows[30]["time"] == "2026-11-01T01:00:00-05:00"


def test_a_name_that_a_spreadsheet_would_reckon_is_made_text(moving: Plan) -> None:
    area = replace(moving.area, name='=HYPERLINK("x")', invented=False)
    rows = list(csv.DictReader(io.StringIO(timetable_csv(replace(moving, area=area)).decode(), newline="")))
    assert rows[0]["area"].startswith('\'=HYPERLINK("x"): not for navigation. ')
    assert rows[1]["area"] == '\'=HYPERLINK("x"): not for navigation'


def test_only_an_earlier_timetable_is_replaced_and_a_write_that_fails_leaves_it(
    trip: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    area_file = tmp_path / "area.toml"
    before = area_file.read_bytes()
    code, _, err = run(capsys, "timetable", str(trip), "--csv", str(area_file))
    assert code == 2
    assert "not a timetable" in err
    assert area_file.read_bytes() == before
    code, _, err = run(capsys, "timetable", str(trip), "--csv", str(tmp_path / "nowhere" / "day.csv"))
    assert code == 2
    assert "a folder that exists" in err
    file = tmp_path / "day.csv"
    assert run(capsys, "timetable", str(trip), "--csv", str(file))[0] == 0
    assert run(capsys, "timetable", str(trip), "--csv", str(file))[0] == 0
    written = file.read_bytes()

    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    code, out, err = run(capsys, "timetable", str(trip), "--csv", str(file))
    assert (code, out) == (2, "")
    assert "No space left on device" in err
    assert file.read_bytes() == written
    assert not list(tmp_path.glob(".day.csv*"))


@pytest.mark.parametrize(
    ("every", "told"), [("90 s", "no whole number of minutes"), ("30 s", "too small"), ("10", "has no unit")]
)
def test_the_timetable_says_what_is_wrong_with_its_step(
    every: str, told: str, trip: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code, _, err = run(capsys, "timetable", str(trip), "--every", every)
    assert code == 2
    assert told in err
