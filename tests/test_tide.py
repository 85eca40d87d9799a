from __future__ import annotations

from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from layers._errors import Finding, InputError
from layers.almanac import read_almanac
from layers.harmonics import Harmonics
from layers.projection import LocalProjection
from layers.tables import Table, raise_all
from layers.tide import StationTide, TideFile, open_tide
from layers.tidetables import HeightTable, layer_terms

UTC = ZoneInfo("UTC")
PACIFIC = ZoneInfo("America/Los_Angeles")
PROJECTION = LocalProjection(-150.0, 46.0)
DAY = "time,height\n2026-07-04T05:00,0.5\n2026-07-04T11:00,3.5\n2026-07-04T17:00,1.0\n2026-07-04T23:30,4.0\n"


def seconds(text: str, zone: ZoneInfo = UTC) -> float:
    return datetime.fromisoformat(text).replace(tzinfo=zone).timestamp()


def posix(*texts: str) -> np.ndarray:
    return np.array([seconds(text) for text in texts])


def bare(folder: Path, table: str, *, zone: ZoneInfo = UTC, datum: str = "MLLW", **keys: str) -> StationTide:
    """Open a bare CSV as an area would; keys are those of its [[layer]]."""
    path = folder / "tide.csv"
    path.write_text(table, encoding="utf-8")
    found: list[Finding] = []
    said = {"unit": "m", "datum": "MLLW"} | keys
    rows = Table({key: value for key, value in said.items() if value}, "layer 2", found)
    terms = layer_terms(rows, path, zone=zone, datum=datum)
    rows.done()
    raise_all(found)
    return open_tide([TideFile(path, "tide.csv", terms)], folder=folder, projection=PROJECTION, zone=zone, datum=datum)


def stations(folder: Path, toml: str, zone: ZoneInfo = UTC) -> StationTide:
    path = folder / "tide.toml"
    path.write_text(toml, encoding="utf-8")
    return open_tide([TideFile(path, "tide.toml")], folder=folder, projection=PROJECTION, zone=zone, datum="MLLW")


def station(name: str = "A", *more: str, datum: str = 'datum = "MLLW"', table: str = "a.csv") -> str:
    lines = [f'name = "{name}"', datum, *([f'table = "{table}"'] if table else []), *more]
    return "[[station]]\n" + "\n".join(lines) + "\n"


def here(tide: StationTide, time_s: np.ndarray) -> np.ndarray:
    return tide.height_at(np.zeros(()), np.zeros(()), time_s)


def test_between_low_and_high(tmp_path: Path) -> None:
    # source: worked example for 1 October 2003, Canadian tide tables' table 5 (check_values.md): 5.8 ft
    tide = bare(tmp_path, "time,height\n2003-10-01T03:27,2.2\n2003-10-01T11:41,11.4\n", unit="ft")
    assert here(tide, posix("2003-10-01T07:00")) / 0.3048 == pytest.approx(5.81, abs=0.005)
    # source: the tide tables' own example, The Battery (check_values.md; memory): 1.7 ft
    tide = bare(tmp_path, "time,height (ft)\n2026-02-01T05:22,0.1\n2026-02-01T11:14,4.2\n", unit="")
    assert here(tide, posix("2026-02-01T07:55")) / 0.3048 == pytest.approx(1.7, abs=0.05)


def test_thirtieths_and_twelfths() -> None:
    curve = HeightTable(np.array([0.0, 21600.0]), np.array([1.0, 4.0]), smooth=True)
    part = np.arange(31)
    # source: table 3 of the tide tables steps in thirtieths of the duration (check_values.md; memory)
    assert curve.at(part * 720.0) == pytest.approx(1.0 + 1.5 * (1 - np.cos(np.pi * part / 30)))
    # common practice, no source: the rule of twelfths; at most 0.026 of the range off (check_values.md)
    twelfths = np.cumsum([0, 1, 2, 3, 3, 2, 1]) / 12
    off = np.abs((curve.at(np.arange(7) * 3600.0) - 1.0) / 3.0 - twelfths)
    assert off.max() == pytest.approx(0.0167, abs=1e-3)
    fine = np.linspace(0.0, 1.0, 601)
    assert np.abs((curve.at(fine * 21600.0) - 1.0) / 3.0 - np.interp(fine * 6, range(7), twelfths)).max() <= 0.026


def test_a_series_is_straight_between(tmp_path: Path) -> None:
    rows = "".join(f"2026-07-04T{hour:02}:00Z,{hour**2}e-1\n" for hour in range(6))
    tide = bare(tmp_path, "time,height\n" + rows, form="series", zone=PACIFIC)
    assert here(tide, posix("2026-07-04T03:00", "2026-07-04T03:15")) == pytest.approx([0.9, 0.9 + 0.7 / 4])
    assert tide.stations[0].reach_m is None


def test_outside_its_table_it_is_unknown(tmp_path: Path) -> None:
    tide = bare(tmp_path, DAY)
    assert tide.reach_s == tuple(posix("2026-07-04T05:00", "2026-07-04T23:30"))
    ends = posix("2026-07-04T05:00", "2026-07-04T23:30")
    assert here(tide, ends) == pytest.approx([0.5, 4.0])
    assert np.isnan(here(tide, np.array([ends[0] - 1.0, ends[1] + 1.0, np.nan]))).all()
    assert np.isnan(tide.least_m(ends[0] - 1.0, ends[1]))
    assert np.isnan(tide.least_m(ends[0], ends[1] + 1.0))


def test_arrays_broadcast(tmp_path: Path) -> None:
    tide = bare(tmp_path, DAY)
    moments = posix("2026-07-04T05:00", "2026-07-04T11:00")
    assert tide.height_at(np.zeros((3, 1)), np.zeros((1, 1)), moments) == pytest.approx(np.tile([0.5, 3.5], (3, 1)))
    assert tide.height_at(np.zeros(4), np.zeros(4), moments[0]) == pytest.approx(np.full(4, 0.5))


def test_the_least_of_tables_is_exact(tmp_path: Path) -> None:
    chance = np.random.default_rng(3)
    moments = np.cumsum(chance.uniform(15_000, 25_000, 30))
    heights = np.where(np.arange(30) % 2, 3.0, 0.0) + chance.uniform(-1, 1, 30)
    for smooth in (True, False):
        curve = HeightTable(moments, heights, smooth)
        for _ in range(60):
            start, end = np.sort(chance.uniform(moments[0], moments[-1], 2))
            lowest = curve.at(np.linspace(start, end, 4001)).min()
            assert lowest - 2e-2 < curve.least(start, end) <= lowest
    tide = bare(tmp_path, DAY)
    assert tide.least_m(*posix("2026-07-04T05:00", "2026-07-04T23:30")) == 0.5
    assert tide.least_m(*posix("2026-07-04T12:00", "2026-07-04T20:00")) == 1.0
    assert tide.least_m(*posix("2026-07-04T11:00", "2026-07-04T11:00")) == 3.5


def test_a_change_of_clocks(tmp_path: Path) -> None:
    table = "time,height\n2026-11-01T00:30,1\n2026-11-01T06:40,3\n2026-11-01T13:00,0\n"
    tide = bare(tmp_path, table, zone=PACIFIC)
    since, high = posix("2026-11-01T07:30", "2026-11-01T14:40")  # 7 h 10 min apart, not 6 h 10 min
    assert tide.reach_s[0] == since
    assert here(tide, np.array([(since + high) / 2, high])) == pytest.approx([2.0, 3.0])
    for named in ("2026-11-01T01:30-07:00", "2026-11-01T08:30Z", "2026-11-01 09:30+01:00"):
        own = bare(tmp_path, table.replace("2026-11-01T00:30", named), zone=PACIFIC)
        assert own.reach_s[0] == posix("2026-11-01T08:30")[0]
    assert bare(tmp_path, table, zone=PACIFIC, timezone="UTC").reach_s[0] == posix("2026-11-01T00:30")[0]
    twice = r"line 2: '2026-11-01T01:30' comes twice in America/Los_Angeles: .* such as 2026-11-01T01:30-07:00"
    with pytest.raises(InputError, match=twice):
        bare(tmp_path, table.replace("T00:30", "T01:30"), zone=PACIFIC)
    never = r"line 3: '2026-03-08T02:30' does not exist in America/Los_Angeles: the clocks change"
    with pytest.raises(InputError, match=never):
        bare(tmp_path, "time,height\n2026-03-07T21:00,1\n2026-03-08T02:30,3\n", zone=PACIFIC)


def test_a_table_over_the_change_to_summer_time(tmp_path: Path) -> None:
    table = "time,height\n2026-03-07T22:00,1\n2026-03-08T03:00,3\n"
    assert np.diff(bare(tmp_path, table, zone=PACIFIC).reach_s) == [4 * 3600]  # five by the clock


def test_mark_at_the_start_other_line_ends_and_blank_ends(tmp_path: Path) -> None:
    odd = "\ufeff" + DAY.replace("time,height", " Height , TIME").replace("\n", "\r\n") + "\r\n,\r\n\r\n"
    lines = [line.split(",") for line in odd.split("\r\n")]
    odd = "\r\n".join(",".join(reversed(line)) if "2026" in line[0] else ",".join(line) for line in lines)
    tide = bare(tmp_path, odd)
    assert here(tide, posix("2026-07-04T11:00")) == pytest.approx(3.5)


def test_subordinate_station(tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_text(DAY, encoding="utf-8")
    more = '[station.differences]\nhigh_time = "12 min"\nlow_time = "-18 min"\nhigh_height = "1 ft"\nlow_ratio = 0.9\n'
    tide = stations(tmp_path, station("A", 'unit = "m"', 'offset = "0.2 m"') + more)
    turns = posix("2026-07-04T04:42", "2026-07-04T11:12", "2026-07-04T16:42", "2026-07-04T23:42")
    assert here(tide, turns) == pytest.approx([0.65, 4.0048, 1.1, 4.5048])
    assert tide.reach_s == (turns[0], turns[-1])
    upside = more.replace("0.9", "9")
    with pytest.raises(InputError, match=r"a.csv, line 3: with the station's differences .* change places"):
        stations(tmp_path, station("A", 'unit = "m"') + upside)
    both = more + 'high_ratio = 1.1\nhigh_tim = "1 min"\n'
    with pytest.raises(InputError, match=r"high_height and high_ratio both(.|\n)*Did you mean 'high_time'"):
        stations(tmp_path, station("A", 'unit = "m"') + both)
    with pytest.raises(InputError, match=r"key 'differences': do not go with form = 'series'"):
        stations(tmp_path, station("A", 'unit = "m"', 'form = "series"', 'longest_gap = "9 h"') + more)


def test_several_stations(tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_text(DAY, encoding="utf-8")
    (tmp_path / "b.csv").write_text(DAY.replace(",", ",1").replace(",1height", ",height"), encoding="utf-8")
    west = station("West", 'unit = "m"', 'position = "46 00.0 N 150 02.0 W"')
    east = station("East", 'unit = "m"', 'position = "46 00.0 N 149 58.0 W"', table="b.csv")
    tide = stations(tmp_path, west + east)
    x = np.array([one.point.x for one in tide.stations])
    y = np.array([one.point.y for one in tide.stations])
    assert np.diff(x) == pytest.approx([5160], abs=10)
    low = posix("2026-07-04T05:00")[0]
    assert tide.height_at(x, y, np.array(low)) == pytest.approx([0.5, 10.5])
    assert tide.height_at(np.zeros(1), y[:1], np.array(low)) == pytest.approx([5.5])
    # at a quarter of the way the near station weighs nine times the far one
    quarter = np.array([x[0] + (x[1] - x[0]) / 4])
    assert tide.height_at(quarter, y[:1], np.array(low)) == pytest.approx([1.5], abs=1e-3)
    assert tide.least_m(low, low + 3600.0) == 0.5
    chance = np.random.default_rng(2)
    anywhere = tide.height_at(chance.normal(0, 9e3, 500), chance.normal(0, 9e3, 500), np.array(low))
    assert (anywhere >= 0.5).all()
    assert (anywhere <= 10.5).all()
    late = east.replace("b.csv", "late.csv")
    (tmp_path / "late.csv").write_text(DAY.replace("2026-07-04", "2026-07-05"), encoding="utf-8")
    with pytest.raises(InputError, match="no time in common"):
        stations(tmp_path, west + late)
    with pytest.raises(InputError, match=r"'East' has no position, and there are 2 stations"):
        stations(tmp_path, west + east.replace('position = "46 00.0 N 149 58.0 W"', ""))
    with pytest.raises(InputError, match=r"'West' comes twice"):
        stations(tmp_path, west + east.replace("East", "West"))


def test_harmonic_station(tmp_path: Path) -> None:
    line = '[[station.constituent]]\nname = "M2"\namplitude = "1.2 m"\nphase = 213.4\n'
    tide = stations(tmp_path, station("A", 'form = "harmonic"', 'mean = "1.4 m"', 'offset = "1 m"', table="") + line)
    assert tide.reach_s == (-np.inf, np.inf)
    moments = posix("2026-07-04T05:00") + np.arange(0.0, 9e4, 100.0)
    assert here(tide, moments) == pytest.approx(Harmonics(["M2"], [1.2], [213.4], 2.4).at(moments))
    assert tide.least_m(moments[0], moments[-1]) == pytest.approx(here(tide, moments).min(), abs=1e-3)
    assert tide.least_m(moments[0], moments[-1]) <= here(tide, moments).min()
    with pytest.raises(InputError, match=r"key 'table': does not go with form = 'harmonic'"):
        stations(tmp_path, station("A", 'form = "harmonic"', 'mean = "1.4 m"') + line)
    with pytest.raises(InputError, match=r"key 'mean': is missing"):
        stations(tmp_path, station("A", 'form = "harmonic"', table="") + line)


def test_datum_and_offset(tmp_path: Path) -> None:
    low = posix("2026-07-04T05:00")
    assert here(bare(tmp_path, DAY, datum="LAT", offset="-0.3 m"), low) == pytest.approx(0.2)
    assert here(bare(tmp_path, DAY, offset="1 ft"), low) == pytest.approx(0.8048)
    with pytest.raises(InputError, match=r"count from MLLW, and the area's depth_datum is LAT. .* offset ="):
        bare(tmp_path, DAY, datum="LAT")
    (tmp_path / "a.csv").write_text(DAY, encoding="utf-8")
    with pytest.raises(InputError, match=r"station 1, key 'datum': is missing: height 0 could be anything"):
        stations(tmp_path, station(datum='unit = "m"'))


def test_where_the_tide_takes_long(tmp_path: Path) -> None:
    daily = "time,height\n2026-07-04T05:00,0.5\n2026-07-04T17:30,3.5\n"
    with pytest.raises(InputError, match=r'line 3: comes 12.5 h after .* at most 10 h .* longest_gap = "13 h"'):
        bare(tmp_path, daily)
    assert here(bare(tmp_path, daily, longest_gap="13 h"), posix("2026-07-04T17:30")) == pytest.approx(3.5)


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ("3.5", "0.9", r"line 3: the tide rises to this high, and rises on to line 4"),
        ("1.0", "3.5", r"line 4: is as high as the line before"),
        ("3.5", "3,5", r"line 3: has 3 values, and the header has 2. Write a decimal point"),
        ("3.5", "nan", r"line 3: 'nan' in column 'height' is not a number"),
        ("3.5", "1_0", r"line 3: '1_0' in column"),
        ("3.5", "", r"line 3: column 'height' is empty"),
        ("3.5", "35", r"line 3: the height is 35.* m: no tide is"),
        ("T11:00", "T04:00", r"line 3: its time is not later than line 2's"),
        ("T11:00", "T05:00", r"line 3: its time is not later than line 2's"),
        ("2026-07-04T11:00", "07/04/2026 11:00", r"line 3: '07/04/2026 11:00' is not a date and time"),
        ("2026-07-04T11:00", "2026-07-04", r"line 3: '2026-07-04' is not a date and time"),
        ("2026-07-04T11:00", "2026-07-32T11:00", r"line 3: .* is not a date and time \("),
        ("2026-07-04T11:00,3.5\n", "\n", r"line 3: is blank, and the table goes on"),
        ("2026-07-04T11:00,3.5\n", "", r"line 3: the tide rises to this high"),
        ("2026-07-04T11:00,3.5\n2026-07-04T17:00,1.0\n", "", r"line 3: comes 18.5 h after"),
        ("time,height", "time;height", r"line 1: 'time;height' is not a column"),
        ("time,height", "time,hight", r"line 1: 'hight' is not a column .* Did you mean 'height'"),
        ("time,height", "time,height,height", r"line 1: column 'height' comes twice"),
        ("time,height", "time_utc,height", r"line 1: the column 'time' is headed 'utc' beside it"),
        ("time,height", "time,height_ft", r"line 1: the header gives 'height' in ft, and unit says m"),
        ("time,height", "time,height_kn", r'line 1: "kn" is not a unit of length'),
        (DAY[12:], "", r"tide.csv: has no line after its header"),
        (DAY, "", r"tide.csv: is empty"),
        (DAY[DAY.index("2026-07-04T11") :], "", r"tide.csv: has one moment only"),
        ("3.5", '"3.5', r"is not CSV"),
    ],
)
def test_tables_that_are_wrong(tmp_path: Path, old: str, new: str, told: str) -> None:
    assert old in DAY
    with pytest.raises(InputError, match=told):
        bare(tmp_path, DAY.replace(old, new, 1))


def test_a_table_in_another_encoding(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_bytes("time,höhe\n".encode("latin-1"))
    with pytest.raises(InputError, match=r"is not UTF-8 text"):
        read_almanac(path, "a.csv", zone=UTC, required=("height",))
    with pytest.raises(InputError, match=r"cannot be read"):
        read_almanac(tmp_path, "a.csv", zone=UTC, required=("height",))


def test_many_wrong_lines_are_counted(tmp_path: Path) -> None:
    table = "time,height\n" + "".join(f"{day},1\n" for day in range(30))
    with pytest.raises(InputError, match=r"line 9: .*, and 22 more after it") as told:
        bare(tmp_path, table)
    assert len(told.value.findings) == 8


@pytest.mark.parametrize(
    ("keys", "told"),
    [
        ({"unit": ""}, r"line 1: no unit is given for column 'height'"),
        ({"unit": "kn"}, r"key 'unit': \"kn\" is not a unit of length"),
        ({"timezone": "Pacific"}, r"key 'timezone': 'Pacific' is not an IANA time zone"),
        ({"form": "harmonic"}, r"key 'form': 'harmonic' is not one of highs and lows, series"),
        ({"offset": "2"}, r"key 'offset': \"2\" has no unit"),
        ({"form": "series"}, r"line 3: comes 360 min after the line before: at most 120 min"),
        ({"form": "series", "longest_gap": "9 h"}, r"key 'longest_gap': does not go with form = 'series'"),
        ({"rank": "1"}, r"key 'rank': is not a key that is known"),
    ],
)
def test_keys_that_are_wrong(tmp_path: Path, keys: dict[str, str], told: str) -> None:
    with pytest.raises(InputError, match=told):
        bare(tmp_path, DAY, **keys)


def test_a_series_with_a_line_missing(tmp_path: Path) -> None:
    minutes = [0, 6, 12, 18, 42, 48, 54]
    rows = "".join(f"2026-07-04T05:{minute:02},1\n" for minute in minutes)
    with pytest.raises(InputError, match=r"line 6: comes 24 min after the line before: at most 18 min"):
        bare(tmp_path, "time,height\n" + rows, form="series")


@pytest.mark.parametrize(
    ("toml", "told"),
    [
        ("", r"tide.toml, key 'station': there is none"),
        (station(table=""), r"station 1, key 'table': is missing"),
        (station(table="b.csv"), r"there is no file 'b.csv' in the area's folder. Did you mean 'a.csv'"),
        (station(table="../a.csv"), r"'../a.csv' is not inside the area's folder"),
        (station("A", "position = 4"), r"key 'position': 4 is not a position"),
        (station("A", 'position = "here"'), r"key 'position'"),
        (station("A", 'nmae = "x"'), r"key 'nmae': is not a key .* Did you mean 'name'"),
        (station("A", 'form = "high and low"'), r"Did you mean 'highs and lows'"),
        ("[[station", r"is not valid TOML"),
    ],
)
def test_stations_that_are_wrong(tmp_path: Path, toml: str, told: str) -> None:
    (tmp_path / "a.csv").write_text(DAY, encoding="utf-8")
    with pytest.raises(InputError, match=told):
        stations(tmp_path, toml)
