"""The commands about an area's data, used as a newcomer would: what they write, and what they refuse."""

from __future__ import annotations

import json
import re
import shutil
import zipfile
from pathlib import Path

import numpy as np
import pytest
import rasterio
from pyproj import Geod

from layers.area import open_area
from tests.commands import run

DEMO = Path(__file__).parents[1] / "demo_area"
NEW = ("--timezone", "Etc/GMT+10", "--datum", "MLLW")
TERMS = (
    "--from",
    "01-01",
    "--until",
    "12-31",
    "--as-of",
    "2026-01-01",
    "--source",
    "Test Rules",
    "--rule",
    "Test Rules 7",
)
RULES = """
Merle Bank
(1) 46°01.00′ N. lat.; 149°59.00′ W. long.;
(2) 46°01.00′ N. lat.; 149°58.50′ W. long.;
(3) 46°00.50′ N. lat.; 149°58.50′ W. long.;
and connecting back to 46°01.00′ N. lat.; 149°59.00′ W. long.
"""


@pytest.fixture
def soundings(tmp_path: Path) -> Path:
    """A slope of 4 m in 100, sounded at random."""
    rng = np.random.default_rng(1)
    lon, lat = -150 + rng.random(1500) * 0.03, 46 + rng.random(1500) * 0.02
    file = tmp_path / "slope.csv"
    rows = [f"{x:.6f},{y:.6f},{20 + (y - 46) * 4400:.2f}" for x, y in zip(lon, lat, strict=True)]
    file.write_text("\n".join(["lon,lat,depth_m", *rows]))
    return file


@pytest.fixture
def area(tmp_path: Path, soundings: Path) -> Path:
    code, said, complained = run("import", soundings, "--into", tmp_path / "area", *NEW, "--values", "depth")
    assert code == 0, complained
    assert "(depth)" in said
    return tmp_path / "area"


def test_a_regulation_is_shown_first_and_written_when_accepted(tmp_path: Path, area: Path) -> None:
    text = tmp_path / "rules.txt"
    text.write_text(RULES, encoding="utf-8")
    before = {one: one.read_bytes() for one in area.rglob("*") if one.is_file()}
    code, said, _ = run("import", text, "--into", area, *TERMS)
    assert code == 0
    assert "Merle Bank" in said
    assert "Nothing is written yet" in said
    assert {one: one.read_bytes() for one in area.rglob("*") if one.is_file()} == before
    accepted = re.search(r"the code ([0-9a-f]{8})", said)
    assert accepted
    code, _, complained = run("import", text, "--into", area, "--accept", accepted[1])
    assert code == 2
    assert "--from: is missing" in complained
    code, said, complained = run("import", text, "--into", area, "--accept", accepted[1], "--no-entry", *TERMS)
    assert code == 0, complained
    (rule,) = open_area(area).closures
    assert (rule.name, rule.forbids, rule.reference) == ("Merle Bank", "entry", "Test Rules 7")
    ring = json.loads((area / "rules.geojson").read_text())["features"][0]["geometry"]["coordinates"][0]
    # source: by hand, half of 0.5′ of latitude by 0.5′ of longitude at 46° N, 926.3 m by 645.4 m (WGS 84)
    assert abs(Geod(ellps="WGS84").polygon_area_perimeter(*np.array(ring).T)[0]) == pytest.approx(298_900, rel=2e-3)
    # another text is another code
    text.write_text(RULES.replace("46°00.50", "46°00.40"), encoding="utf-8")
    code, said, _ = run("import", text, "--into", area, "--refresh", "--accept", accepted[1], *TERMS)
    assert "Nothing is written yet" in said
    assert accepted[1] not in said


def test_marks_come_in_and_lines_that_are_none_are_told(tmp_path: Path, area: Path) -> None:
    marks = tmp_path / "mine.txt"
    marks.write_text("Gull Rock, 46 00.50 N 149 59.00 W\n46.0105, -149.9800 Home\n", encoding="utf-8")
    code, _, complained = run("import", marks, "--into", area, "--private")
    assert code == 0, complained
    assert [(mark.name, mark.private) for mark in open_area(area).marks] == [("Gull Rock", True), ("Home", True)]
    marks.write_text("Gull Rock, 46 00.50 N 149 59.00 W\nNowhere, 96 00.50 N 149 59.00 W\n", encoding="utf-8")
    code, said, complained = run("import", marks, "--into", area, "--refresh", "--as", "marks")
    assert (code, said) == (2, "")
    assert "line 2" in complained


def test_two_files_of_one_name_are_told_apart_by_a_person(tmp_path: Path, area: Path) -> None:
    for folder in ("mine", "yours"):
        (tmp_path / folder).mkdir()
        (tmp_path / folder / "marks.csv").write_text("name,lat,lon\nGull Rock,46.0100,-149.9800\n", encoding="utf-8")
    code, said, complained = run(
        "import", tmp_path / "mine" / "marks.csv", tmp_path / "yours" / "marks.csv", "--into", area
    )
    assert (code, said) == (2, "")
    assert "marks: 2 of the files given come in under this name. Give one of them" in complained


def test_what_is_in_doubt_comes_worst_first(area: Path) -> None:
    code, said, _ = run("doubts", area, "--on", "2026-08-14")
    assert code == 0
    headings = ["What may be closed", "What may be shallow", "What is not reckoned with", "Noted on the way"]
    places = [said.index(heading) for heading in headings]
    assert places == sorted(places)
    assert "no layer says what is closed" in said[: places[1]]
    assert said.count("means:") == said.count("      do:")
    code, said, _ = run("doubts", DEMO, "--on", "2026-08-14")
    assert "no layer says" not in said
    code, said, _ = run("doubts", DEMO, "--on", "2028-08-14")
    assert "closures.geojson (closure)" in said[: said.index("What may be shallow")]


def test_there_and_back_through_one_file(tmp_path: Path, area: Path) -> None:
    code, _, complained = run("pack", area, "--out", tmp_path / "one.gpkg")
    assert code == 0, complained
    code, said, complained = run("unpack", tmp_path / "one.gpkg", "--into", tmp_path / "again")
    assert code == 0, complained
    assert "0 edited" in said
    for file in (one for one in area.rglob("*") if one.is_file()):
        assert (tmp_path / "again" / file.relative_to(area)).read_bytes() == file.read_bytes()


def huge(folder: Path) -> Path:
    keys = {"driver": "GTiff", "count": 1, "dtype": "float32", "crs": "EPSG:4326", "nodata": -9999.0, "tiled": True}
    size = {"width": 100_000, "height": 50_000, "transform": rasterio.Affine(1e-5, 0, -150, 0, -1e-5, 46)}
    with rasterio.open(folder / "huge.tif", "w", **keys, **size, SPARSE_OK=True, BIGTIFF="YES"):
        return folder / "huge.tif"


def climbing(folder: Path) -> Path:
    with zipfile.ZipFile(folder / "climb.zip", "w") as archive:
        archive.writestr("../../US5XX01M.000", b"x" * 100)
    return folder / "climb.zip"


def written(folder: Path, name: str, content: bytes) -> Path:
    (folder / name).write_bytes(content)
    return folder / name


BAD = {
    "a chart that is a page of words": (lambda f: written(f, "US5XX01M.000", b"%PDF-1.7 " * 50), "US5XX01M.000"),
    "a zip that climbs out": (climbing, "climbs out of the zip"),
    "a grid of 20 GB": (huge, "at most 200 million are brought in"),
    "a survey that is text": (lambda f: written(f, "x.bag", b"hello there"), "is nothing that is known here"),
    "HDF5 cut short": (lambda f: written(f, "x.h5", b"\x89HDF\r\n\x1a\n" + bytes(200)), "cannot be read"),
    "a text without positions": (lambda f: written(f, "x.txt", b"fishing is fun\n" * 9), "is nothing that is known"),
    "nothing": (lambda f: f / "nowhere.000", "there is no such file"),
    "an empty folder": (lambda f: (f / "empty").mkdir() or f / "empty", "empty"),
}


@pytest.mark.parametrize("case", BAD)
def test_bad_files_are_refused_and_nothing_is_half_made(tmp_path: Path, case: str) -> None:
    make, told = BAD[case]
    (tmp_path / "in").mkdir()
    more = ("--values", "depth", "--unit", "m")
    code, said, complained = run("import", make(tmp_path / "in"), "--into", tmp_path / "new", *NEW, *more)
    assert (code, said) == (2, "")
    assert told in complained
    assert "Traceback" not in complained
    assert sorted(one.name for one in tmp_path.iterdir()) == ["in"]


def test_a_new_area_is_asked_what_only_a_person_knows(tmp_path: Path, soundings: Path) -> None:
    code, _, complained = run("import", soundings, "--into", tmp_path / "new")
    assert code == 2
    assert "--datum" in complained
    assert "--timezone: is missing" in complained
    code, _, complained = run("import", soundings, "--into", tmp_path / "new", *NEW, "--show", "ft NM")
    assert "is not three units" in complained
    code, _, complained = run("import", soundings, "--into", tmp_path / "new", *NEW, "--as", "charts")
    assert "Write one of chart, survey, water, rules, marks" in complained
    code, _, complained = run("import", soundings, "--into", tmp_path / "new", "--refresh")
    assert "holds no area.toml" in complained
    shutil.copytree(DEMO, tmp_path / "demo")
    code, _, complained = run("import", soundings, "--into", tmp_path / "demo", "--datum", "LAT", "--values", "depth")
    assert code == 2
    assert "datum is LAT" in complained
