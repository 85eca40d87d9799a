"""Current at stations: between slacks and maxima, between stations, along a channel, and what is refused."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from layers._errors import InputError
from layers._files import files_named
from layers.current import open_current
from layers.currenttables import SlackTable
from layers.model import Current
from layers.projection import LocalProjection

KNOT = 1852 / 3600
LOCAL = LocalProjection(-156.9, 46.8)
DAY = "2026-08-14"
TABLE = "time,event,speed\n" + "".join(
    f"{DAY}T{hour:02d}:00Z,{event},{speed}\n"
    for hour, event, speed in (
        (0, "slack", ""), (3, "flood", 1.0), (6, "slack", ""), (9, "ebb", 2.0), (12, "slack", ""), (15, "flood", 1.0),
    )
)  # fmt: skip


def posix(clock: str, day: str = DAY) -> float:
    return datetime.fromisoformat(f"{day}T{clock}").replace(tzinfo=UTC).timestamp()


def station(name: str = "Ossel Narrows", **keys: object) -> str:
    """Return a station's TOML; a key given as None is left out."""
    told: dict[str, object] = {
        "position": "46.8, -156.9", "reach": "2 NM", "form": "slacks and maxima", "table": "ossel.csv", "unit": "kn",
        "flood": "75 deg", "ebb": "255 deg",
    } | keys  # fmt: skip
    lines = [f'{key} = "{value}"' for key, value in told.items() if value is not None]
    return "\n".join(["[[station]]", f'name = "{name}"', *lines, ""])


def opened(folder: Path, *stations: str, head: str = "", **tables: str) -> Current:
    (folder / "current.toml").write_text("\n".join([head, *stations]))
    for name, text in ({"ossel": TABLE} | tables).items():
        (folder / f"{name}.csv").write_text(text)
    entry = (folder / "current.toml", "current.toml", 0)
    return open_current([entry], folder=folder, projection=LOCAL, zone=ZoneInfo("UTC"))


def flow(current: Current, x: object, y: object, time: object) -> np.ndarray:
    return current.flow_at(*(np.asarray(one, dtype=float) for one in (x, y, time)))


def speed_kn(current: Current, x: object, y: object, time: object) -> np.ndarray:
    return np.hypot(*np.moveaxis(flow(current, x, y, time), -1, 0)) / KNOT


def between(minutes: float, speed: float = 1.0) -> SlackTable:
    return SlackTable(np.array([0.0, minutes * 60]), np.array([0.0, speed]), np.array([True, False]))


# Between slack and maximum


def test_published_example_between_slack_and_maximum(tmp_path: Path) -> None:
    # source: US Navy NAVEDTRA 14220 (Quartermaster), strip form p. 7-22, Sewells Point: slack 09:31, maximum flood
    # 0.66 kn at 11:59; at 11:00 the table's factor 0.8 makes 0.528.
    table = f"time,event,speed\n{DAY}T09:31,slack,\n{DAY}T11:59,flood,0.66\n"
    current = opened(tmp_path, station(), ossel=table)
    assert speed_kn(current, 0, 0, posix("11:00")) == pytest.approx(0.528, abs=0.035)
    assert speed_kn(current, 0, 0, posix("11:59")) == pytest.approx(0.66, abs=1e-9)
    assert speed_kn(current, 0, 0, posix("09:31")) == pytest.approx(0.0, abs=1e-9)


def test_factors_of_the_current_tables_are_the_sine_rounded() -> None:
    # source: the tables' Table A, from memory (see check_values.md): interval between slack and maximum 3 h 00, and
    # 20 minutes' steps from slack.
    factors = [0.2, 0.3, 0.5, 0.6, 0.8, 0.9, 0.9, 1.0, 1.0]
    steps = 60.0 * np.arange(20, 181, 20)
    np.testing.assert_array_equal(between(180).at(steps).round(1), factors)


def test_thirds() -> None:
    # common practice: the 50-90 rule (navigation school glossary); the sine has 50 % and 87 %.
    half, most = between(180).at(np.array([3600.0, 7200.0]))
    assert half == pytest.approx(0.5)
    assert most == pytest.approx(0.90, abs=0.035)
    assert most == pytest.approx(np.sqrt(3) / 2)


def test_time_below_a_speed_near_slack() -> None:
    # source: table 4A of the current tables, from memory: maximum 1.0 kn, below 0.1 … 0.5 kn for 23 … 120 minutes.
    table = SlackTable(np.array([0.0, 10_800.0, 21_600.0]), np.array([-1.0, 0.0, 1.0]), np.array([False, True, False]))
    seconds = np.arange(0.0, 21_600.0)
    below = [(np.abs(table.at(seconds)) < limit).sum() / 60 for limit in (0.1, 0.2, 0.3, 0.4, 0.5)]
    np.testing.assert_allclose(below, [23, 46, 70, 94, 120], atol=0.6)


def test_both_directions_are_true_and_towards(tmp_path: Path) -> None:
    current = opened(tmp_path, station(position="46.8, -155.0", ebb="270 deg"))
    x, y = LOCAL.to_local(-155.0, 46.8)
    there = flow(current, x, y, [posix("03:00"), posix("09:00")])
    course = LOCAL.true_course_deg(x, y, np.arctan2(there[:, 1], there[:, 0]))
    np.testing.assert_allclose(course, [75.0, 270.0], atol=1e-6)
    assert abs(np.degrees(LOCAL.heading_rad(x, y, 90.0))) > 1  # where true east is not the local x axis


def test_weak_current_station_never_reaches_slack(tmp_path: Path) -> None:
    rows = (("00:00", "flood", 1.4), ("03:00", "minimum flood", 0.2), ("06:00", "flood", 1.0), ("12:00", "ebb", 0.6))
    table = "time,event,speed_kn\n" + "".join(f"{DAY}T{clock}Z,{event},{speed}\n" for clock, event, speed in rows)
    current = opened(tmp_path, station(unit=None, flood="90 deg", ebb="270 deg"), ossel=table)
    minutes = posix("00:00") + 60.0 * np.arange(0, 361)
    speeds = speed_kn(current, 0, 0, minutes)
    assert speeds.min() == pytest.approx(0.2)
    assert speeds[90] == pytest.approx(0.8)  # half-way between 1.4 and 0.2: a half cosine
    assert flow(current, 0, 0, posix("09:00"))[0] == pytest.approx(0.2 * KNOT, abs=1e-6)  # from +1.0 to −0.6


def test_rotary_station_turns_through_all_directions(tmp_path: Path) -> None:
    rows = ((0, 0, 1.0), (1, 90, 1.0), (2, 180, 0.6), (3, 270, 0.4))
    table = "time,direction,speed\n" + "".join(f"{DAY}T{h:02d}:00Z,{way},{speed}\n" for h, way, speed in rows)
    rotary = station(form="hourly", flood=None, ebb=None)
    current = opened(tmp_path, rotary, ossel=table)
    np.testing.assert_allclose(flow(current, 0, 0, posix("01:00")), [KNOT, 0], atol=1e-5)
    np.testing.assert_allclose(flow(current, 0, 0, posix("00:30")), [KNOT / 2, KNOT / 2], atol=1e-5)
    parts = "time,east,north\n" + "".join(
        f"{DAY}T{h:02d}:00Z,{s * np.sin(np.radians(d))},{s * np.cos(np.radians(d))}\n" for h, d, s in rows
    )
    times = posix("00:00") + np.linspace(0, 10_800, 50)
    same = opened(tmp_path, rotary, ossel=parts)
    np.testing.assert_allclose(flow(same, 0, 0, times), flow(current, 0, 0, times), atol=1e-9)


def test_harmonic_station_is_told_for_all_time(tmp_path: Path) -> None:
    keys = station(form="harmonic", table=None, unit=None, mean="0.1 kn", flood="90 deg", ebb="270 deg")
    current = opened(tmp_path, keys + '[[station.constituent]]\nname = "S2"\namplitude = "1.0 kn"\nphase = 60\n')
    assert current.reach_s == (-np.inf, np.inf)
    # S2 peaks at g / 30°/h = 2 h UT, whatever the day; its f is 1 and u 0.
    times = np.array([posix("02:00"), posix("08:00"), posix("02:00", "2031-01-05")])
    np.testing.assert_allclose(flow(current, 0, 0, times)[:, 0] / KNOT, [1.1, -0.9, 1.1], atol=1e-3)


# Between stations

TWO = (
    station("Ossel Narrows", reach="3 NM"),
    station("Tern Gut", position="46.81, -156.87", reach="2 NM", table="tern.csv", flood="100 deg", ebb="290 deg"),
)
TERN = TABLE.replace("1.0", "1.6").replace("2.0", "0.8").replace("03:00", "03:40")


def test_a_station_has_its_own_word(tmp_path: Path) -> None:
    current = opened(tmp_path, *TWO, tern=TERN)
    alone = opened(tmp_path, TWO[1], tern=TERN)
    at = current.stations[1].point
    times = posix("00:00") + np.linspace(0, 15 * 3600, 200)
    np.testing.assert_allclose(flow(current, at.x, at.y, times), flow(alone, at.x, at.y, times), atol=1e-9)


@settings(max_examples=40, deadline=None)
@given(
    seed=st.integers(0, 2**31),
    turned=st.lists(st.floats(-55, 55), min_size=3, max_size=3),
    channel=st.booleans(),
    rotary=st.booleans(),
)
def test_never_faster_than_the_stations(
    tmp_path_factory: pytest.TempPathFactory, seed: int, turned: list[float], channel: bool, rotary: bool
) -> None:
    folder = tmp_path_factory.mktemp("many")
    random = np.random.default_rng(seed)
    names, tables = [], {}
    for count, angle in enumerate(turned):
        lat, lon = 46.8 + 0.02 * random.uniform(-1, 1), -156.9 + 0.03 * random.uniform(-1, 1)
        keys = {"position": f"{lat}, {lon}", "table": f"t{count}.csv", "reach": f"{random.uniform(2, 4)} NM"}
        tables[f"t{count}"] = TABLE.replace("1.0", f"{random.uniform(0, 3):.2f}")
        names.append(station(f"S{count}", **keys, flood=f"{90 + angle} deg", ebb=f"{270 - angle} deg"))
    if rotary:
        names.append(station("R", form="hourly", table="r.csv", flood=None, ebb=None))
        rows = (f"{DAY}T{h:02d}:00Z,{random.uniform(0, 360)},{random.uniform(0, 2)}\n" for h in range(16))
        tables["r"] = "time,direction,speed\n" + "".join(rows)
    head = 'channel = ["46.8, -157.0", "46.805, -156.9", "46.8, -156.8"]\n' if channel else ""
    current = opened(folder, *names, head=head, **tables)
    x, y = random.uniform(-4000, 4000, (2, 300))
    time = random.uniform(*current.reach_s, 300)
    own = np.array([speed_kn(current, one.point.x, one.point.y, time) for one in current.stations])
    between_them = speed_kn(current, x, y, time)
    assert np.isfinite(between_them).sum() > 150
    assert not (between_them > own.max(axis=0) * (1 + 1e-9)).any()


@pytest.mark.parametrize("channel", [False, True])
def test_no_jump_in_place_or_time(tmp_path: Path, channel: bool) -> None:
    head = 'channel = ["46.79, -156.96", "46.8, -156.9", "46.81, -156.87", "46.80, -156.84"]' if channel else ""
    hours = "".join(f"{DAY}T{h:02d}:00Z,{h * 31 % 360},{0.3 + h / 20}\n" for h in range(16))
    rotary = station(
        "Mid", position="46.79, -156.89", reach="1 NM", table="mid.csv", form="hourly", flood=None, ebb=None
    )
    current = opened(tmp_path, *TWO, rotary, head=head, tern=TERN, mid="time,direction,speed\n" + hours)
    largest = []
    for steps in (4_000, 16_000, 64_000):
        share = np.linspace(0, 1, steps)
        # Across all three discs' rims and by the stations, while the tide turns; then one place through the day.
        paths = [
            (-5000 + 9000 * share, -1500 + 3000 * share, posix("01:00") + 7200 * share),
            (3000 * np.cos(6 * share), 3000 * np.sin(6 * share), np.full(steps, posix("04:00"))),
            (np.full(steps, 900.0), np.full(steps, 250.0), posix("00:00") + 54_000 * share),
        ]
        steps_mps = [np.abs(np.diff(flow(current, *path), axis=0)) for path in paths]
        assert all(np.isfinite(one).mean() > 0.9 for one in steps_mps)
        largest.append([np.nanmax(one) for one in steps_mps])
    first, second, third = np.array(largest)
    assert (second < 0.4 * first).all()
    assert (third < 0.4 * second).all()
    assert (third < 0.002).all()


def test_follows_a_bent_channel(tmp_path: Path) -> None:
    # A quarter circle of 2 km, from going east to going north, with a station at each end that sets along it.
    angle = np.radians(np.linspace(-90, 0, 13))
    lon, lat = LOCAL.to_geographic(2000 * np.cos(angle), 2000 * np.sin(angle))
    positions = [f"{b:.7f}, {a:.7f}" for a, b in zip(lon, lat, strict=True)]
    (tmp_path / "channel.geojson").write_text(shapely.to_geojson(shapely.LineString(np.column_stack([lon, lat]))))
    ends = (
        station("South", position=positions[0], reach="4 km", flood="90 deg", ebb="270 deg"),
        station("East", position=positions[-1], reach="4 km", flood="0 deg", ebb="180 deg"),
    )
    straight = opened(tmp_path, *ends)
    listed = opened(tmp_path, *ends, head=f"channel = {positions}".replace("'", '"'))
    bent = opened(tmp_path, *ends, head='channel = "channel.geojson"')
    between_deg = np.radians(np.linspace(-85, -5, 40))
    x, y = 1900 * np.cos(between_deg), 1900 * np.sin(between_deg)
    for clock, turn in (("03:00", np.pi / 2), ("09:00", -np.pi / 2)):
        time = posix(clock)
        there = flow(bent, x, y, time)
        off = np.angle(np.exp(1j * (np.arctan2(there[:, 1], there[:, 0]) - between_deg - turn)))
        assert np.degrees(np.abs(off)).max() < 4
        other = flow(straight, x, y, time)
        off = np.angle(np.exp(1j * (np.arctan2(other[:, 1], other[:, 0]) - between_deg - turn)))
        assert np.degrees(np.abs(off)).max() > 12  # without the channel it cuts the bend
        np.testing.assert_allclose(flow(listed, x, y, time), there, atol=1e-4)


def test_distance_is_measured_along_the_channel(tmp_path: Path) -> None:
    # A hairpin: by water the place is next to A, across the land it is as near to B.
    head = 'channel = ["46.80, -156.90", "46.80, -156.80", "46.81, -156.80", "46.81, -156.90"]\n'
    keys = {"reach": "6 NM", "flood": "90 deg", "ebb": "270 deg"}
    a = station("A", position="46.80, -156.88", **keys)
    b = station("B", position="46.81, -156.88", **keys | {"table": "b.csv", "flood": "270 deg", "ebb": "90 deg"})
    current = opened(tmp_path, a, b, head=head, b=TABLE.replace("1.0", "3.0"))
    x, y = LOCAL.to_local([-156.875, -156.875], [46.8005, 46.8095])
    np.testing.assert_allclose(speed_kn(current, x, y, posix("03:00")), [1.0, 3.0], atol=0.02)


def test_unknown_outside_reach_and_time(tmp_path: Path) -> None:
    current = opened(tmp_path, station())
    reach = 2 * 1852.0
    assert np.isfinite(flow(current, reach - 1, 0, posix("03:00"))).all()
    assert np.isnan(flow(current, reach + 1, 0, posix("03:00"))).all()
    assert current.reach_s == (posix("00:00"), posix("15:00"))
    beyond = flow(current, [0, 0, 0, 0], 0, [posix("00:00") - 1, posix("00:00"), posix("15:00"), posix("15:00") + 1])
    np.testing.assert_array_equal(np.isnan(beyond[:, 0]), [True, False, False, True])
    assert np.isnan(flow(current, 0, 0, np.nan)).all()
    assert flow(current, np.zeros((3, 1)), np.zeros(4), posix("01:00")).shape == (3, 4, 2)
    assert flow(current, [], [], []).shape == (0, 2)


def test_a_station_whose_table_has_ended_is_not_left_out_in_silence(tmp_path: Path) -> None:
    shorter = TABLE[: TABLE.index(f"{DAY}T12")]
    current = opened(tmp_path, *TWO, tern=shorter)
    at = current.stations[1].point
    assert current.reach_s[1] == posix("09:00")
    assert np.isnan(flow(current, at.x - 500, at.y, posix("10:00"))).all()  # both speak for it
    assert np.isfinite(flow(current, -3400, 0, posix("10:00"))).all()  # Tern Gut does not


def test_known_water_is_known(tmp_path: Path) -> None:
    current = opened(tmp_path, *TWO, tern=TERN)
    known = current.known()
    rim = shapely.get_coordinates(shapely.segmentize(known, 50.0))
    assert np.isfinite(flow(current, *rim.T, posix("05:00"))).all()
    whole = shapely.union_all([one.point.buffer(one.reach_m, 64) for one in current.stations])
    assert 0.995 < known.area / whole.area < 1
    box = (0.0, 0.0, 1000.0, 1000.0)
    assert current.known(box).area == pytest.approx(1e6)


def test_the_highest_rank_that_knows_a_place_wins(tmp_path: Path) -> None:
    entries = []
    for rank, speed in ((0, 1.0), (5, 2.0), (5, 3.0)):
        name = f"rank{len(entries)}"
        (tmp_path / f"{name}.csv").write_text(TABLE.replace("1.0", str(speed)))
        (tmp_path / f"{name}.toml").write_text(station(table=f"{name}.csv", reach=f"{3 - speed / 2} NM"))
        entries.append((tmp_path / f"{name}.toml", f"{name}.toml", rank))
    current = open_current(entries, folder=tmp_path, projection=LOCAL, zone=ZoneInfo("UTC"))
    places = np.array([0.0, 1.9, 2.2, 2.7]) * 1852
    np.testing.assert_allclose(speed_kn(current, places, 0, posix("03:00"))[:3], [2, 2, 1], atol=1e-9)
    assert np.isnan(flow(current, places[3], 0, posix("03:00"))).all()
    assert current.known().area == pytest.approx(np.pi * (2.5 * 1852) ** 2, rel=0.01)
    assert len(current.stations) == 3


def test_files_that_a_toml_names(tmp_path: Path) -> None:
    opened(tmp_path, *TWO, tern=TERN)
    (tmp_path / "c.geojson").write_text("{}")
    file = tmp_path / "current.toml"
    file.write_text('channel = "c.geojson"\n' + "\n".join(TWO) + station("no such", table="gone.csv"))
    assert [one.name for one in files_named(file, tmp_path)] == ["c.geojson", "ossel.csv", "tern.csv"]


# What is refused


@pytest.mark.parametrize(
    ("keys", "message"),
    [
        ({"reach": None}, r"current\.toml, station 1, key 'reach': is missing\. .*reach = \"2 NM\""),
        ({"reach": "0 NM"}, "too small"),
        ({"position": None}, "key 'position': is missing"),
        ({"flood": None}, "key 'flood': is missing"),
        ({"ebb": None}, "key 'ebb': is missing"),
        ({"ebb": "130 deg"}, r"the ebb \(130°\) goes 55° from the flood \(75°\)"),
        ({"ebb": "400 deg"}, "400° is not a direction"),
        ({"unit": None}, "no unit is given for column 'speed'"),
        ({"unit": "ft"}, "not a unit of speed"),
        ({"form": "slack"}, "'slack' is not one of slacks and maxima, hourly, harmonic"),
        ({"table": "../x.csv"}, "not inside the area's folder"),
        ({"table": None}, "key 'table': is missing"),
        ({"timezone": "UCT+3"}, "is not an IANA time zone"),
        ({"fluod": "75 deg"}, "Did you mean 'flood'"),
    ],
)
def test_bad_station(tmp_path: Path, keys: dict[str, str | None], message: str) -> None:
    with pytest.raises(InputError, match=message):
        opened(tmp_path, station(**keys))


@pytest.mark.parametrize(
    ("rows", "message"),
    [
        ("00:00,slack,\n03:00,slack,", r"ossel\.csv, line 3: slack follows slack with no maximum between"),
        ("00:00,slack,\n03:00,minimum ebb,0.1", "minimum ebb follows slack with no maximum between"),
        ("00:00,flood,1\n06:00,flood,1", "flood follows flood with neither slack nor minimum"),
        ("00:00,flood,1\n06:00,minimum flood,1.5", "the minimum flood is faster than the flood beside it"),
        ("00:00,slack,\n10:01,ebb,1", "line 3: comes 10.0 h after the line before; at most 10 h"),
        ("00:00,slack,\n03:00,flod,1", "'flod' is not an event of the current. Write one of: slack, flood, ebb"),
        ("00:00,slack,\n03:00,ebb,-1", "line 3: the speed is negative"),
        ("00:00,slack,0.3\n03:00,ebb,1", "line 2: a slack has a speed"),
        ("00:00,slack,\n03:00,ebb,", "line 3: ebb has no speed"),
        ("00:00,slack,\n03:00,ebb,fast", "'fast' in column 'speed' is not a number"),
        ("00:00,slack,\n03:00,ebb,110", "the water goes 110 kn: no tidal current does"),
        ("03:00,slack,\n00:00,ebb,1", "its time is not later"),
        ("03:00,slack,", "has one moment only"),
    ],
)
def test_bad_table(tmp_path: Path, rows: str, message: str) -> None:
    table = "time,event,speed\n" + "".join(f"{DAY}T{row}\n" for row in rows.split("\n"))
    with pytest.raises(InputError, match=message):
        opened(tmp_path, station(), ossel=table)


@pytest.mark.parametrize(
    ("table", "message"),
    [
        ("time,direction,speed\n00:00,10,1\n02:01,20,1", "comes 2.0 h after the line before; at most 2 h"),
        ("time,direction,speed\n00:00,10,1\n01:00,361,1", "line 3: the direction is not between 0 and 360"),
        ("time,direction,speed\n00:00,10,1\n01:00,,1", "line 3: there is a speed and no direction"),
        ("time,direction,speed\n00:00,10,1\n01:00,20,-1", "line 3: the speed is negative"),
        ("time,direction,north\n00:00,10,1\n01:00,20,1", "its columns are time, direction, north"),
        ("time,direction (m),speed\n00:00,10,1\n01:00,20,1", "is not a unit of angle"),
    ],
)
def test_bad_hourly_table(tmp_path: Path, table: str, message: str) -> None:
    dated = table.replace("\n0", f"\n{DAY}T0")
    with pytest.raises(InputError, match=message):
        opened(tmp_path, station(form="hourly", flood=None, ebb=None), ossel=dated)


def test_stations_that_contradict_each_other(tmp_path: Path) -> None:
    here, there = station("A"), {"position": "46.82, -156.9"}
    with pytest.raises(InputError, match=r"the floods of 'A' and 'B' go 150° apart.*Draw the channel"):
        opened(tmp_path, here, station("B", **there, flood="225 deg", ebb="75 deg"))
    apart = opened(tmp_path, here, station("B", position="46.9, -156.9", flood="225 deg", ebb="75 deg"))
    assert len(apart.stations) == 2
    with pytest.raises(InputError, match="two stations are named 'A'"):
        opened(tmp_path, here, station("A", **there))
    with pytest.raises(InputError, match="'A' and 'B' lie at one place"):
        opened(tmp_path, here, station("B"))
    other_day = TABLE.replace(DAY, "2025-01-01")
    with pytest.raises(InputError, match="no time in common"):
        opened(tmp_path, here, station("B", **there, table="old.csv"), old=other_day)


@pytest.mark.parametrize(
    ("channel", "message"),
    [
        ('["46.8, -156.8", "46.8, -157.0"]', "the flood of 'Ossel Narrows' goes 165° off the channel's own direction"),
        ('["47.0, -157.0", "47.0, -156.8"]', "lies 12.0 NM from the channel, farther than its reach"),
        ('["46.8, -157.0"]', "a line needs two positions or more"),
        ('["46.8, -157.0", "46.8 N"]', "position 2"),
        ('["46.8, -157", "46.8, -156.8", "46.9, -156.8", "46.7, -156.9"]', "crosses itself"),
        ("7", "neither a file's name nor a list of positions"),
        ('"gone.geojson"', "there is no file 'gone.geojson'"),
        ('"ossel.csv"', "is not GeoJSON"),
        ('"two.geojson"', "holds 2 geometries"),
        ('"own.geojson"', "names a coordinate system of its own"),
    ],
)
def test_bad_channel(tmp_path: Path, channel: str, message: str) -> None:
    lines = shapely.MultiLineString([[(-157, 46.8), (-156.9, 46.8)], [(-156.9, 46.9), (-156.8, 46.9)]])
    (tmp_path / "two.geojson").write_text(shapely.to_geojson(lines))
    (tmp_path / "own.geojson").write_text(
        '{"type": "LineString", "coordinates": [[1, 2], [3, 4]], "crs": {"name": "x"}}'
    )
    (tmp_path / "ossel.csv").write_text(TABLE)
    with pytest.raises(InputError, match=message):
        opened(tmp_path, station(), head=f"channel = {channel}")


def test_a_file_of_another_kind(tmp_path: Path) -> None:
    (tmp_path / "current.csv").write_text(TABLE)
    entry = (tmp_path / "current.csv", "current.csv", 0)
    with pytest.raises(InputError, match=r"'\.csv' is no kind of file that current is read from"):
        open_current([entry], folder=tmp_path, projection=LOCAL, zone=ZoneInfo("UTC"))
    with pytest.raises(InputError, match="key 'station': there is none"):
        opened(tmp_path)
