"""The spot book: what comes in, what is kept through crashes, other hands and a GIS, and what is told."""

from __future__ import annotations

import contextlib
import json
import os
import re
import shutil
import sqlite3
import subprocess
import sys
from dataclasses import replace
from datetime import date
from itertools import count
from pathlib import Path

import gpxpy.gpx
import numpy as np
import pyogrio
import pytest
import shapely
import tomlkit
from pyogrio import raw
from pyproj import Geod

from layers import spotbook
from layers._errors import InputError
from layers.area import open_area
from layers.spotbook import (
    BOOK,
    OLDER,
    Spot,
    SpotChange,
    added,
    change_book,
    changed,
    merged,
    near_doubles,
    put_back,
    read_book,
    read_spots,
    removed,
    spot_named,
    write_spots,
)
from layers.spotfile import read_spot_file
from layers.spots import MOST_SPOTS, plain_words
from tests.commands import run
from tests.small_area import SmallArea, feature, lonlat, position

TODAY = date(2026, 8, 14)


def numbered() -> object:
    numbers = count(1)
    return lambda: f"{next(numbers):06x}"


def spot(name: str, x: float = 0.0, y: float = 0.0, **more: object) -> Spot:
    lon, lat = lonlat(x, y)
    return replace(Spot("", name, "spot", "", False, "", None, lon, lat), **more)


def book(*some: Spot) -> tuple[Spot, ...]:
    return added((), some, numbered())


def bottom(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    return np.where(x < -2500.0, np.nan, 30.0 + 0.0 * y)


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> Path:
    land = feature(shapely.box(2000.0, -3000.0, 3000.0, 3000.0))
    mark = feature(shapely.Point(0.0, 0.0), name="Test Harbor", kind="harbor")
    return SmallArea(bottom=bottom, layers={"land": [land], "mark": [mark]}).write(
        tmp_path_factory.mktemp("a") / "area"
    )


@pytest.fixture
def area(tmp_path: Path, written: Path) -> Path:
    """A square of 6 km, its east land, a strip in its west unknown."""
    return Path(shutil.copytree(written, tmp_path / "area"))


@pytest.fixture(autouse=True)
def _no_power_cut(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let no test wait for the disk: what is synced outlives a power cut, and none of them makes one."""
    monkeypatch.setattr(os, "fsync", lambda _: None)


def lines(said: str, start: str) -> list[str]:
    return [line for line in said.splitlines() if line.startswith(start)]


def test_ten_marks_of_a_gpx_file_come_in_through_the_command(area: Path, tmp_path: Path) -> None:
    gpx = gpxpy.gpx.GPX()
    places = [(round(-1500.0 + 300.0 * i, 1), 100.0 * i - 400.0) for i in range(10)]
    for i, (x, y) in enumerate(places):
        lon, lat = lonlat(x, y)
        way = gpxpy.gpx.GPXWaypoint(lat, lon, name=f"Mark {i}", symbol="Fishing Area", description=f"=SUM({i})")
        gpx.waypoints.append(way)
    file = tmp_path / "marks.gpx"
    file.write_text(gpx.to_xml())
    comment = "# the skipper's own remark\n"
    text = (area / "area.toml").read_text()
    (area / "area.toml").write_text(comment + text)
    code, said, complained = run("spot", "bring", area, file, "--private", "--on", "2026-07-01")
    assert code == 0, complained
    assert "10 added; the book holds 10 spots." in said
    assert not lines(said, "note:")

    _, _, wkb, fields = raw.read(area / BOOK, layer="spots")
    told = dict(zip(pyogrio.read_info(area / BOOK, layer="spots")["fields"], fields, strict=True))
    points = shapely.get_coordinates(shapely.from_wkb(wkb))
    assert np.abs(points - [lonlat(x, y) for x, y in places]).max() < 1e-9
    assert told["name"].tolist() == [f"Mark {i}" for i in range(10)]
    assert told["note"].tolist() == [f"=SUM({i})" for i in range(10)]
    assert set(told["kind"]) == {"Fishing Area"}
    assert set(told["told_by"]) == {"marks.gpx"}
    assert told["private"].all()
    assert (told["dated"] == np.datetime64("2026-07-01")).all()
    assert len(set(told["id"])) == 10

    now = (area / "area.toml").read_text()
    assert now.startswith(comment + text)
    (layer,) = tomlkit.parse(now[len(comment + text) :]).unwrap()["layer"]
    assert (layer["role"], layer["file"], layer["source"]) == ("mark", BOOK, "the skipper's own spot book")
    marks = [one for one in open_area(area).marks if one.source.file == BOOK]
    assert len(marks) == 10
    # local metres of the area and of the zone agree to the zone's scale of 0.9996 at the most
    assert np.hypot(marks[9].point.x - marks[0].point.x, marks[9].point.y - marks[0].point.y) == pytest.approx(
        np.hypot(2700.0, 900.0) / 0.9996, rel=1e-4
    )
    assert (marks[3].name, marks[3].private, marks[3].dated) == ("Mark 3", True, date(2026, 7, 1))
    assert marks[3].identity == told["id"][3]

    code, said, _ = run("spot", "bring", area, file)
    assert code == 0
    assert "10 of 10 are in the book already" in said
    assert len(read_spots(area)) == 10


def test_the_commands_add_change_remove_and_undo(area: Path) -> None:
    assert "is empty" in run("spots", area)[1]
    code, said, complained = run("spot", "add", area, "Hump", "48 09.00 N 122 40.20 W")
    assert code == 0, complained
    assert "outside the water that the area has depth for" in said
    (one,) = read_spots(area)
    assert (round(one.lon, 6), one.lat, one.kind, one.dated is not None) == (-122.67, 48.15, "spot", True)
    code, _, complained = run(
        "spot",
        "change",
        area,
        "hump",
        "--position",
        position(100.0, 50.0),
        "--name",
        "Rise",
        "--note",
        "ebb",
        "--private",
    )
    assert code == 0, complained
    (one,) = read_spots(area)
    assert (one.name, one.note, one.private) == ("Rise", "ebb", True)
    assert (one.lon, one.lat) == pytest.approx(lonlat(100.0, 50.0), abs=1e-7)
    assert run("spot", "change", area, one.identity, "--public", "--kind", "bait")[0] == 0
    assert [(spot.private, spot.kind) for spot in read_spots(area)] == [(False, "bait")]
    run("spot", "add", area, "Far", position(1500.0, 50.0), "--private", "--told-by", "a friend", "--on", "2026-01-02")
    said = run("spots", area, "--near", "Rise", "--within", "0.5 NM")[1]
    assert "Rise" in said
    assert "Far" not in said
    said = run("spots", area, "--near", "Test Harbor", "--within", "2 km", "--kind", "SPOT")[1]
    assert re.search(r"Far +spot +\d.* 2026-01-02 +a friend +0\.81 NM, private", said)  # 1,501 m / 1,852 m
    assert "Rise" not in said
    assert run("spot", "remove", area, "Far")[0] == 0
    assert [one.name for one in read_spots(area)] == ["Rise"]
    assert run("spot", "undo", area)[0] == 0
    assert [one.name for one in read_spots(area)] == ["Rise", "Far"]
    assert run("spot", "undo", area)[0] == 0
    assert [one.name for one in read_spots(area)] == ["Rise"]
    code, _, complained = run("spot", "remove", area, "Riese")
    assert code == 2
    assert "Did you mean 'Rise'?" in complained
    assert "nothing is to change" in run("spot", "change", area, "Rise")[2]


def test_a_book_without_spots_and_no_older_copy(area: Path, tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no older copy"):
        put_back(area)
    write_spots(area, book(spot("A")))
    change_book(area, lambda now: removed(now, "000001"))
    assert read_spots(area) == ()
    assert open_area(area).marks[0].name == "Test Harbor"
    with pytest.raises(InputError, match="there is no area here"):
        read_spots(tmp_path)


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (position(2500.0, 0.0), "lies on land"),
        (position(-2800.0, 0.0), "lies in water of unknown depth"),
        ("48.0, -140.0", "lies outside the water"),
        (position(10.0, 10.0), "is a mark of mark.geojson too"),
    ],
)
def test_where_a_spot_lies_is_told_and_it_is_kept(area: Path, words: str, told: str) -> None:
    code, said, _ = run("spot", "add", area, "Test Harbor", words)
    assert code == 0
    assert told in said
    assert len(read_spots(area)) == 1


def test_swapped_and_mirrored_positions_are_asked_about(area: Path, tmp_path: Path) -> None:
    lon, lat = lonlat(100.0, 100.0)
    file = tmp_path / "east.geojson"
    point = {"type": "Feature", "properties": {"name": "A"}, "geometry": {"type": "Point", "coordinates": [-lon, lat]}}
    file.write_text(json.dumps({"type": "FeatureCollection", "features": [point]}))
    code, _, complained = run("spot", "bring", area, file)
    assert code == 2
    assert f"Did you mean {lat:.6f}, {lon:.6f}?" in complained
    assert not (area / BOOK).exists()
    assert BOOK not in (area / "area.toml").read_text()
    assert run("spot", "bring", area, file, "--anyway")[0] == 0
    assert read_spots(area)[0].lon == pytest.approx(-lon, abs=1e-9)
    assert "swap the two?" in run("spot", "add", area, "B", f"{lon}, {lat}")[2]
    assert run("spot", "add", area, "South", "-47.85, 12.0")[0] == 0
    assert run("spot", "change", area, "South", "--position", "-47.9, -12.0")[0] == 0
    assert (read_spots(area)[1].lat, read_spots(area)[1].lon) == (-47.9, -12.0)
    assert "1 of 2 spots" in run("spots", area, "--near", "-47.9, -12.0")[1]
    assert run("spot", "add", area, "B", position(0.0, 0.0), "--knd", "bait")[0] == 2


def test_a_position_swapped_within_the_degrees_is_asked_about(tmp_path: Path) -> None:
    """In this place both numbers are a latitude: nothing but the area says which is which."""
    import rasterio  # noqa: PLC0415 - as the made area does

    folder = tmp_path / "near"
    folder.mkdir()
    transform = rasterio.Affine(0.001, 0, 10.0, 0, -0.001, 60.1)
    with rasterio.open(
        folder / "depth.tif", "w", driver="GTiff", width=100, height=100, count=1, dtype="float32", crs="EPSG:4326",
        transform=transform,
    ) as file:  # fmt: skip
        file.write(np.full((1, 100, 100), 40.0, dtype="float32"))
    (folder / "area.toml").write_text(
        'name = "N"\ntimezone = "UTC"\ndepth_datum = "LAT"\n[[layer]]\nrole = "depth"\nfile = "depth.tif"\n'
        'form = "grid"\nvalues = "depth"\nunit = "m"\nas_of = 2026-01-01\nsource = "made"\n'
    )
    code, _, complained = run("spot", "add", folder, "S", "10.05 N 60.05 E")
    assert code == 2
    assert "Did you mean 60.050000, 10.050000?" in complained
    assert run("spot", "add", folder, "S", "60.05 N 10.05 E")[0] == 0


def test_a_choice_of_no_spots_lists_none(area: Path) -> None:
    write_spots(area, book(spot("A")))
    for asked in (("--kind", "bait"), ("--near", position(500.0, 0.0), "--within", "10 m")):
        for facts in ((), ("--facts",)):
            code, said, complained = run("spots", area, *asked, *facts)
            assert (code, complained) == (0, "")
            assert said.splitlines() == [f"0 of 1 spot in {area / BOOK}"]


def test_an_ambiguous_name_asks_for_the_id() -> None:
    three = book(spot("Hump"), spot("hump", 500.0), spot("Other"))
    with pytest.raises(InputError, match=r"000001 'Hump' at .*; 000002 'hump' at .*by its id"):
        spot_named(three, "HUMP")
    assert spot_named(three, "000002").name == "hump"
    with pytest.raises(InputError, match="is no spot of the book"):
        spot_named((), "x")


def test_identities_are_never_given_twice() -> None:
    words = iter(["aa", "aa", "bb", "aa", "", "cc"])
    two = added((), [spot("A"), spot("B")], lambda: next(words))
    assert [one.identity for one in added(two, [spot("C")], lambda: next(words))] == ["aa", "bb", "cc"]
    with pytest.raises(InputError, match="50,000 is the most"):
        added([two[0]] * MOST_SPOTS, [spot("C")])


def test_doubles_are_found_and_only_the_named_pair_is_merged(area: Path) -> None:
    five = book(
        spot("A", 0.0, note="ebb", private=True),
        spot("B", 29.0, note="flood", told_by="x", dated=TODAY, kind="bait"),
        spot("Far", 1000.0),
        spot("far", 1150.0),
        spot("FAR", 1400.0),
    )
    pairs = near_doubles(five)
    assert [(one.name, other.name) for one, other, _ in pairs] == [("A", "B"), ("Far", "far")]
    geod = Geod(ellps="WGS84")
    assert pairs[0][2] == pytest.approx(geod.inv(five[0].lon, five[0].lat, five[1].lon, five[1].lat)[2])
    assert near_doubles(five, 28.0, alike_m=100.0) == ()
    write_spots(area, five)
    said = run("spot", "merge", area)[1]
    assert "29 m apart" in said
    assert f"spotmap spot merge {area} --keep 000001 --drop 000002" in said
    assert len(read_spots(area)) == 5
    assert run("spot", "merge", area, "--keep", "A")[0] == 2
    code, _, complained = run("spot", "merge", area, "--keep", "A", "--drop", "000005")
    assert code == 2
    assert "0.76 NM apart: hardly one place" in complained  # 1,400 m / 0.9996 / 1,852 m
    assert run("spot", "merge", area, "--keep", "B", "--drop", "A")[0] == 0
    after = read_spots(area)
    assert len(after) == 4
    one = spot_named(after, "B")
    assert one.private
    assert one.note.startswith("flood; ebb; also called A; also spot; also put at 4")
    assert (one.kind, one.told_by, one.dated, one.lon) == ("bait", "x", TODAY, pytest.approx(five[1].lon, abs=1e-12))
    with pytest.raises(InputError, match="the same spot"):
        merged(after, "B", "B")


def test_doubles_are_found_across_the_date_line_and_in_a_heap() -> None:
    apart = [replace(spot("x"), lon=lon, lat=-17.0) for lon in (179.9999, -179.9999)]
    ((_, _, metres),) = near_doubles(book(*apart))
    assert metres == pytest.approx(Geod(ellps="WGS84").inv(179.9999, -17.0, -179.9999, -17.0)[2])
    heap = near_doubles(book(*[spot("x") for _ in range(3_000)]))
    assert 3_000 <= len(heap) <= 9 * 3_000


def test_changing_leaves_the_others_alone() -> None:
    two = book(spot("A"), spot("B"))
    after = changed(two, "000002", SpotChange(note="n", position=(1.0, 2.0), private=True))
    assert after[0] is two[0]
    assert (after[1].note, after[1].lon, after[1].lat, after[1].private, after[1].name) == ("n", 1.0, 2.0, True, "B")


def test_what_a_gis_added_moved_and_copied_stays(area: Path) -> None:
    write_spots(area, book(spot("A"), spot("B", 300.0)))
    with contextlib.closing(sqlite3.connect(area / BOOK)) as file:
        file.execute("CREATE TABLE layer_styles (id INTEGER PRIMARY KEY, styleQML TEXT)")
        file.execute("INSERT INTO layer_styles VALUES (1, 'a style')")
        file.commit()
    meta, _, wkb, fields = raw.read(area / BOOK, layer="spots")
    names = [*meta["fields"], "tackle", "fish"]
    columns = [np.append(values, values[:1]) for values in fields]
    columns += [np.array(["spoon", "רשת", None], dtype=object), np.array([3, 0, 0], dtype=np.int32)]
    masks = [None] * len(fields) + [None, np.array([False, True, True])]
    points = [shapely.from_wkb(wkb[0]), shapely.Point(*lonlat(310.0, 5.0)), shapely.from_wkb(wkb[0])]
    raw.write(
        area / BOOK, shapely.to_wkb(points), columns, np.array(names, dtype=object), field_mask=masks, layer="spots",
        driver="GPKG", geometry_type="Point", crs="EPSG:4326",
    )  # fmt: skip
    told = read_book(area)
    assert [one.identity for one in told.spots[:2]] == ["000001", "000002"]
    own = told.spots[2].identity
    assert own not in ("000001", "000002", "")
    assert [one.what for one in told.findings] == [f"has the id 000001 of another spot; its own is {own}."]
    assert told.spots[1].lon == pytest.approx(lonlat(310.0, 5.0)[0], abs=1e-12)
    change_book(area, lambda now: changed(now, "000001", SpotChange(note="new")))
    after = read_book(area)
    assert not after.findings
    assert [one.identity for one in after.spots] == ["000001", "000002", own]
    assert [dict(one.others) for one in after.spots] == [{"tackle": "spoon", "fish": 3}, {"tackle": "רשת"}, {}]
    assert pyogrio.read_info(area / BOOK, layer="spots")["dtypes"][-1] == "int32"
    with contextlib.closing(sqlite3.connect(area / BOOK)) as file:
        assert file.execute("SELECT styleQML FROM layer_styles").fetchall() == [("a style",)]
    assert len(open_area(area).marks) == 4


def test_what_a_gis_broke_is_told_and_nothing_is_lost(area: Path) -> None:
    write_spots(area, book(spot("A")))
    line = shapely.LineString([lonlat(0.0, 0.0), lonlat(100.0, 0.0)])
    shapes = [shapely.Point(*lonlat(0.0, 0.0)), line, None, shapely.Point(10.0, 95.0)]
    words = {
        "name": ["A", "Line", "Nowhere", ""], "private": ["", "perhaps", "0", "1"],
        "dated": ["2026-08-14", "August", "", ""], "note": ["", "n", "", ""],
    }  # fmt: skip
    raw.write(
        area / BOOK, shapely.to_wkb(np.array(shapes, dtype=object)),
        [np.array(one, dtype=object) for one in words.values()], np.array(list(words), dtype=object), layer="spots",
        driver="GPKG", geometry_type="Unknown", crs="EPSG:4326",
    )  # fmt: skip
    with pytest.raises(InputError, match="LineString"):
        open_area(area)
    told = [str(one) for one in read_book(area).findings]
    assert len(told) == 6
    for words_of_it in ("spot 2 'Line': is drawn as a LineString", "private is 'perhaps'", "dated is 'August'"):
        assert any(words_of_it in one for one in told), words_of_it
    for words_of_it in ("spot 3 'Nowhere': has no position", "spot 4: has no name", "latitude 95°"):
        assert any(words_of_it in one for one in told), words_of_it
    code, said, complained = run("spot", "change", area, "A", "--note", "kept")
    assert code == 0, complained
    after = read_spots(area)
    assert [one.placed for one in after] == [True, False, False, False]
    assert shapely.from_wkb(after[1].drawn).equals(line)
    assert shapely.from_wkb(after[3].drawn).equals(shapes[3])
    assert (after[1].private, after[1].note) == (True, "n; dated August")
    for one in (after[1], after[2]):
        assert run("spot", "change", area, one.identity, "--position", position(50.0, 0.0))[0] == 0
    assert run("spot", "remove", area, "spot 4")[0] == 0
    assert {one.name for one in open_area(area).marks} == {"Test Harbor", "A", "Line", "Nowhere"}
    assert said.count("was:") == 1


def test_a_book_in_another_coordinate_system_is_read(area: Path) -> None:
    raw.write(
        area / BOOK, shapely.to_wkb(shapely.points([[500_100.0, 5_300_200.0]])), [np.array(["A"], dtype=object)],
        np.array(["name"], dtype=object), layer="spots", driver="GPKG", geometry_type="Point", crs="EPSG:32605",
    )  # fmt: skip
    (one,) = read_spots(area)
    assert (one.lon, one.lat) == pytest.approx(lonlat(100.0, 200.0), abs=1e-9)
    assert read_spots(area)[0].identity == one.identity != ""


def test_another_file_of_that_name_is_refused(area: Path) -> None:
    (area / BOOK).write_bytes(b"no database")
    with pytest.raises(InputError, match=r"cannot be read.*spotmap spot undo"):
        read_spots(area)
    (area / BOOK).unlink()
    text = (area / "area.toml").read_text()
    (area / "area.toml").write_text(f'{text}\n[[layer]]\nrole = "hazard"\nfile = "{BOOK}"\n')
    with pytest.raises(InputError, match="role 'hazard'"):
        write_spots(area, book(spot("A")))
    assert not (area / BOOK).exists()


CRASH = """
import os, shutil, sys, tomllib
from datetime import date
from pathlib import Path
from layers import spotrows
from layers.spotbook import BOOK, Spot, change_book, read_spots
area = Path(sys.argv[1])
new = Spot("new", "New", "spot", "", False, "", None, 0.0, 0.0)
read_spots(area)
kept = {name: (area / name).read_bytes() for name in (BOOK, "spots.gpkg.before", "area.toml")}
def doomed(step):
    left = [step]
    def dies(call):
        def inner(*given, **named):
            left[0] -= 1
            if left[0] == 0:
                os.kill(os.getpid(), 9)
            return call(*given, **named)
        return inner
    # a kill takes nothing that is written, synced or not
    os.fsync, shutil.copyfile, Path.replace = dies(lambda _: None), dies(shutil.copyfile), dies(Path.replace)
    spotrows.raw.write = dies(spotrows.raw.write)
    change_book(area, lambda now: (*now, new), today=date(2026, 8, 14))
    os._exit(0)
for step in range(1, 100):
    for name, data in kept.items():
        (area / name).write_bytes(data)
    child = os.fork()
    if child == 0:
        doomed(step)
    status = os.waitpid(child, 0)[1]
    older = (area / "spots.gpkg.before").read_bytes() in kept.values()
    assert tomllib.loads((area / "area.toml").read_text())["layer"][-1]["file"] == BOOK
    print(step, os.WIFSIGNALED(status), len(read_spots(area)), older)
    if not os.WIFSIGNALED(status):
        break
"""


def test_a_kill_at_any_moment_leaves_the_old_book_or_the_new_one(area: Path) -> None:
    write_spots(area, book(spot("A")))
    change_book(area, lambda now: added(now, [spot("B", 500.0)]))
    told = subprocess.run([sys.executable, "-c", CRASH, str(area)], capture_output=True, text=True, check=True)
    steps = [line.split() for line in told.stdout.splitlines()]
    assert len(steps) >= 12  # copies, writes, syncs and renames of the book, its older copy and area.toml
    assert steps[-1][1:] == ["False", "3", "True"]
    assert {(killed, count) for _, killed, count, _ in steps[:-1]} == {("True", "2"), ("True", "3")}
    assert all(whole == "True" for *_, whole in steps)
    change_book(area, lambda now: removed(now, "new"))
    assert not [one.name for one in area.iterdir() if one.name.startswith(".")]  # what was left is swept up
    assert len(open_area(area).marks) == 3


def test_a_book_that_a_kill_left_unnamed_is_named_by_the_next_command(area: Path) -> None:
    unnamed = (area / "area.toml").read_bytes()
    write_spots(area, book(spot("A")))
    (area / "area.toml").write_bytes(unnamed)
    assert len(open_area(area).marks) == 1
    change_book(area, lambda now: now)
    assert {one.name for one in open_area(area).marks} == {"Test Harbor", "A"}


def test_a_rename_that_fails_leaves_the_book_as_it_was(area: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    write_spots(area, book(spot("A")))
    before = (area / BOOK).read_bytes()
    whole = Path.replace

    def fails(self: Path, target: Path) -> Path:
        if target.name == BOOK:
            raise OSError(28, "No space left on device")
        return whole(self, target)

    monkeypatch.setattr(Path, "replace", fails)
    code, _, complained = run("spot", "add", area, "B", position(500.0, 0.0))
    assert code == 2
    assert "No space left on device. The book is as it was." in complained
    assert (area / BOOK).read_bytes() == before
    assert not [one.name for one in area.iterdir() if one.name.startswith(".")]


def test_a_change_by_another_hand_is_not_overwritten(area: Path) -> None:
    write_spots(area, book(spot("A")))
    seen = read_book(area)
    change_book(area, lambda now: added(now, [spot("B", 500.0)]))
    with pytest.raises(InputError, match="changed by another program"):
        write_spots(area, seen.spots, seen=seen)
    assert [one.name for one in read_spots(area)] == ["A", "B"]


GIS = """
import sqlite3, sys
gis = sqlite3.connect(sys.argv[1])
for name in ("IsEmpty", "MinX", "MaxX", "MinY", "MaxY"):  # what the file's own triggers ask for
    gis.create_function(f"ST_{name}", 1, lambda _: 0)
gis.execute("PRAGMA journal_mode = WAL")
gis.execute("UPDATE spots SET note = 'from the GIS'")
gis.commit()
print("saved", flush=True)
sys.stdin.read()
gis.close()
"""


def test_a_book_that_a_gis_has_open_is_read_but_not_replaced(area: Path) -> None:
    """A GIS keeps what it saves in a log beside the file (SQLite's WAL) until it closes it."""
    write_spots(area, book(spot("A")))
    words = [sys.executable, "-c", GIS, str(area / BOOK)]
    with subprocess.Popen(words, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as gis:
        assert gis.stdout is not None
        assert gis.stdout.readline() == "saved\n"
        assert read_spots(area)[0].note == "from the GIS"
        with pytest.raises(InputError, match="open in a GIS"):
            change_book(area, lambda now: removed(now, "000001"))
    assert gis.returncode == 0
    change_book(area, lambda now: added(now, [spot("B", 500.0)]))
    assert [(one.name, one.note) for one in read_spots(area)] == [("A", "from the GIS"), ("B", "")]
    change_book(area, lambda now: removed(now, "000001"))
    assert not [one.name for one in area.iterdir() if one.name.startswith((".", f"{BOOK}-"))]


TOGETHER = """
import os, sys
from pathlib import Path
from layers.spotbook import Spot, added, change_book, read_spots
area = Path(sys.argv[1])
read_spots(area)
children = []
for child in range(3):
    if (pid := os.fork()) == 0:
        for i in range(3):
            spot = Spot("", f"{child} {i}", "spot", "", False, "", None, 0.0, 0.0)
            change_book(area, lambda now: added(now, [spot]))
        os._exit(0)
    children.append(pid)
assert all(os.waitpid(pid, 0)[1] == 0 for pid in children)
"""


def test_commands_at_once_lose_no_spot(area: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    write_spots(area, book(spot("A")))
    subprocess.run([sys.executable, "-c", TOGETHER, str(area)], check=True)
    names = {one.name for one in read_spots(area)}
    assert names == {"A", *(f"{child} {i}" for child in range(3) for i in range(3))}
    monkeypatch.setattr(spotbook, "_WAIT_S", 0.1)

    def meanwhile(now: tuple[Spot, ...]) -> tuple[Spot, ...]:
        with pytest.raises(InputError, match="another command is changing the spot book"):
            write_spots(area, ())
        return now

    change_book(area, meanwhile)
    assert len(read_spots(area)) == 10


def test_a_change_of_nothing_keeps_the_older_copy(area: Path) -> None:
    write_spots(area, book(spot("A")))
    change_book(area, lambda now: added(now, [spot("B", 500.0)]))
    older = (area / OLDER).read_bytes()
    change_book(area, lambda now: now)
    assert (area / OLDER).read_bytes() == older


def test_the_day_of_the_book_follows_its_changes_and_comments_stay(area: Path) -> None:
    write_spots(area, book(spot("A")), today=date(2026, 8, 1))
    file = area / "area.toml"
    file.write_text(file.read_text().replace("as_of = 2026-08-01", "as_of = 2026-08-01  # of the book"))
    change_book(area, lambda now: added(now, [spot("B", 500.0)]), today=TODAY)
    assert "as_of = 2026-08-14  # of the book" in file.read_text()
    assert [one.as_of for one in open_area(area).sources if one.file == BOOK] == [TODAY]


def test_names_with_unseen_characters_are_cleaned_and_told(area: Path) -> None:
    code, said, _ = run("spot", "add", area, "Gull\u202e\x1b[31m Point", position(0.0, 300.0), "--note", "שלום =1+1")
    assert code == 0
    assert "characters that cannot be seen were left out of the name 'Gull[31m Point'" in said
    (one,) = read_spots(area)
    assert (one.name, one.note) == ("Gull[31m Point", "שלום =1+1")
    with pytest.raises(InputError, match="needs a name"):
        plain_words(" \u200b ", "name", "--name")
    with pytest.raises(InputError, match="100 is the most"):
        plain_words("x" * 101, "name", "--name")


def test_points_of_geojson_come_in_with_their_attributes(tmp_path: Path) -> None:
    def point(place: object, **said: object) -> dict[str, object]:
        return {"type": "Feature", "properties": said, "geometry": {"type": "Point", "coordinates": place}}

    file = tmp_path / "a.geojson"
    features = [
        point([10.0, 60.0], Name="A", kind="bait", note="n", private=True, told_by="x", dated="2026-08-01"),
        point([10.0, 60.0, -5.0], title=None, colour="red", date="soon", private="perhaps"),
        point([60.0, 95.0], name="high"),
        point([10.0, 120.0], name="swapped"),
        point([float("nan"), 1.0], name="nan"),
        point(["1", "2"], name="text"),
        {"type": "Feature", "properties": None, "geometry": {"type": "LineString", "coordinates": [[0, 0], [1, 1]]}},
        {"type": "Feature", "properties": {}, "geometry": None},
    ]
    file.write_text(json.dumps({"type": "FeatureCollection", "features": features}))
    told = read_spot_file(file)
    assert [(one.name, one.kind, one.private, one.dated) for one in told.spots] == [
        ("A", "bait", True, date(2026, 8, 1)),
        ("mark 2", "", True, None),
    ]
    assert told.spots[1].note == "dated soon"
    words = "\n".join(str(one) for one in told.findings)
    parts = [
        "'high' has no sound",
        "'swapped' has no sound",
        "swap the two?",
        "'nan' has no sound",
        "'text' has no sound",
    ]
    parts += ["is LineString, no point", "is nothing, no point", "left out: colour", "private is 'perhaps'"]
    for part in parts:
        assert part in words, part


@pytest.mark.parametrize(
    ("name", "text", "match"),
    [
        ("a.gpx", '<gpx version="1.1"><trk><name>x</name></trk></gpx>', "holds no marks"),
        ("a.gpx", '<gpx version="1.1"><wpt lat="91" lon="1"><name>x</name></wpt></gpx>', "holds no marks"),
        ("a.geojson", '{"type": "FeatureCollection", "features": []}', "no points that can be taken"),
        ("a.geojson", '{"type": "FeatureCollection"', "not sound GeoJSON"),
        ("a.geojson", "[" * 100_000, "not sound GeoJSON"),
        ("a.geojson", '{"type": "Topology"}', "no GeoJSON of features"),
        (
            "a.geojson",
            '{"type": "FeatureCollection", "features": [], "crs": {"name": "EPSG:3857"}}',
            "other than WGS 84",
        ),
        ("a.txt", "nothing here", "holds no marks"),
    ],
)
def test_files_without_marks_are_refused(tmp_path: Path, name: str, text: str, match: str) -> None:
    (tmp_path / name).write_text(text)
    with pytest.raises(InputError, match=match):
        read_spot_file(tmp_path / name)


def test_csv_kml_and_text_come_in_with_what_was_not_understood(area: Path, tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_text(f'name,position,kind,private\nA,"{position(0, 100)}",bait,yes\nB,nowhere,bait,no\n')
    code, said, _ = run("spot", "bring", area, tmp_path / "a.csv")
    assert code == 0
    assert "nowhere" in said
    lon, lat = lonlat(0.0, 100.0)
    kml = f"<Placemark><name>K</name><Point><coordinates>{lon},{lat},0</coordinates></Point></Placemark>"
    (tmp_path / "a.kml").write_text(f'<kml xmlns="http://www.opengis.net/kml/2.2"><Document>{kml}</Document></kml>')
    code, said, _ = run("spot", "bring", area, tmp_path / "a.kml", "--kind", "launch", "--told-by", "x")
    assert code == 0
    assert "'A' and 'K': lie 0 m apart: one place?" in said
    (tmp_path / "a.txt").write_text(f"Text Rock {position(0.0, 900.0)}\n")
    assert run("spot", "bring", area, tmp_path / "a.txt")[0] == 0
    told = [(one.name, one.kind, one.private, one.told_by) for one in read_spots(area)]
    assert told == [("A", "bait", True, "a.csv"), ("K", "launch", False, "x"), ("Text Rock", "spot", False, "a.txt")]


def test_a_large_book_is_written_and_read_and_has_a_bound(area: Path) -> None:
    rng = np.random.default_rng(6)
    lon, lat = -150 + rng.random(10_000) * 0.1, 47 + rng.random(10_000) * 0.1
    many = [
        Spot(f"{i:x}", f"n{i}", "spot", "", False, "", None, x, y)
        for i, (x, y) in enumerate(zip(lon.tolist(), lat.tolist(), strict=True))
    ]
    write_spots(area, many)
    assert read_spots(area) == tuple(many)
    with pytest.raises(InputError, match="50,000"):
        write_spots(area, [many[0]] * (MOST_SPOTS + 1))


def test_the_list_tells_the_facts_of_each_spot(tmp_path: Path) -> None:
    area = SmallArea().write(tmp_path / "slope")  # 30 m on y = 0, 4 cm deeper a metre to the north
    write_spots(area, book(spot("Slope", 0.0, 100.0), spot("Ashore", 9_000.0)))
    code, said, complained = run("spots", area, "--facts", "--on", "2026-08-14", "--near", "Slope")
    assert code == 0, complained
    assert "111.5 ft below MLLW" in said  # by hand, 34 m / 0.3048 = 111.549, told no deeper than it is
    assert re.search(r"slopes 2\.3°, deeper towards (000|360|359|001)°", said)  # by hand, atan 0.04 = 2.29°
    assert "Ashore" not in said
    assert "111.5 ft" not in run("spots", area)[1]
    assert "Add --facts" in run("spots", area, "--on", "2026-08-14")[2]
