"""A skipper's evening by the commands: ten marks and their facts, the bottom's shape, what is worth it, a plan."""

from __future__ import annotations

import re
from pathlib import Path

import gpxpy.gpx
import numpy as np
import pytest
import shapely
from pyproj import Geod

from layers.area import open_area
from tests.commands import run
from tests.small_area import ALWAYS, SmallArea, SmallTrip, feature, lonlat, position, work

TEN = [(-900.0 + 200.0 * i, -400.0 + 150.0 * i) for i in range(10)]
ON = "2026-08-14"


def hump(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """A slope of 4 cm a metre with a hump of 9 m on it."""
    return 40.0 + 0.04 * y - 9.0 * np.exp(-((x - 600.0) ** 2 + (y + 500.0) ** 2) / (2 * 70.0**2))


@pytest.fixture
def area(tmp_path: Path) -> Path:
    layers = {
        "closure": [feature(shapely.box(-2000, 600, 2000, 900), name="North Bar", rule="T 1", **ALWAYS)],
        "mark": [feature(shapely.Point(0, 0), name="Home", kind="harbor")],
    }
    return SmallArea(layers=layers).write(tmp_path / "area")


def gpx(file: Path) -> Path:
    book = gpxpy.gpx.GPX()
    for i, (x, y) in enumerate(TEN):
        lon, lat = lonlat(x, y)
        book.waypoints.append(gpxpy.gpx.GPXWaypoint(lat, lon, name=f"Spot {i}", description=f"note {i}"))
    file.write_text(book.to_xml())
    return file


def test_ten_marks_come_in_with_facts_that_a_hand_check_confirms(tmp_path: Path, area: Path) -> None:
    code, said, complained = run("spot", "bring", area, gpx(tmp_path / "ten.gpx"), "--private", "--kind", "spot")
    assert code == 0, complained
    marks = {mark.name: mark for mark in open_area(area).marks if mark.identity}
    assert len(marks) == 10
    assert all(mark.private and mark.note == f"note {name[-1]}" for name, mark in marks.items())
    code, said, complained = run("spots", area, "--facts", "--on", ON)
    assert code == 0, complained
    told = dict(re.findall(r"^[0-9a-f]{6}  (Spot \d) .*?$(.*?)(?=^[0-9a-f]{6}|\Z)", said, re.MULTILINE | re.DOTALL))
    assert len(told) == 10
    for i, (_, y) in enumerate(TEN):
        words = told[f"Spot {i}"]
        depth_ft = float(re.findall(r"Charted depth: ([\d.]+) ft below MLLW", words)[0])
        # by hand: the slope is 30 m + 4 cm a metre northwards, of the zone's metres, 0.9996 of true ones
        assert depth_ft * 0.3048 == pytest.approx(30.0 + 0.04 * y, abs=0.035)
        assert "slopes 2.3°, deeper towards 000° true" in words  # atan 0.04
        shallower, deeper = re.findall(r"on the (?:deep|shallow) side of the (\d+) ft line, (\d+) m off", words)
        for line_ft, off_m in (shallower, deeper):
            assert float(off_m) == pytest.approx(abs(float(line_ft) - depth_ft) * 0.3048 / 0.04, abs=1.5)
        if 600 < y < 900:
            assert words.split("For chinook, troll:")[1].startswith(" CLOSED")
        elif y < 600 - 1000 / 3:
            far, unit = re.findall(r"Closed water: ([\d.]+) (NM|m) from 'North Bar'", words)[0]
            metres = float(far) * {"NM": 1852.0, "m": 1.0}[unit]
            assert metres == pytest.approx((600 - y) / 0.9996, abs=10.0 if unit == "NM" else 1.5)
    lon, lat = lonlat(*TEN[3])
    mark = marks["Spot 3"].point
    place = open_area(area).projection.to_geographic([mark.x], [mark.y])
    assert Geod(ellps="WGS84").inv(lon, lat, float(place[0][0]), float(place[1][0]))[2] < 0.01


def test_the_bottom_is_looked_at_kept_and_used(tmp_path: Path) -> None:
    folder = SmallArea(bottom=hump, half_m=1500.0, cell_m=10.0).write(tmp_path / "area")
    code, said, complained = run("shape", folder, "--scale", "75 m")
    assert code == 0, complained
    assert "1 hump" in said
    opened = open_area(folder)
    (form,) = [one for one in opened.landforms if one.kind == "hump"]
    x, y = opened.projection.to_local(*(np.array([one]) for one in lonlat(600.0, -500.0)))
    assert form.shape.covers(shapely.Point(x[0], y[0]))
    assert form.height_m == pytest.approx(9.0, abs=4.0)
    before = (folder / "area.toml").read_text()
    code, said, _ = run("shape", folder, "--scale", "75 m", "--dry-run", "--kind", "hole")
    assert code == 0
    assert (folder / "area.toml").read_text() == before
    assert "'humps' is no kind of form. Write one of hump, hole" in run("shape", folder, "--kind", "humps")[2]
    loop = work(line="100 ft", near=position(0, 0), length="0.4 NM", more="passes = 2")
    trip = SmallTrip([loop]).write(folder)
    code, said, complained = run("worth", trip, "--most", "6")
    assert code == 0, complained
    assert "hump 1" in said
    assert "score" in said
    code, said, complained = run("worth", trip, "--take", "1", "--work", "1")
    assert code == 0, complained
    code, _, complained = run("plan", trip, "--out", tmp_path / "out")
    assert code == 0, complained
    assert (tmp_path / "out" / "map.html").exists()


def test_what_has_no_shape_says_so(tmp_path: Path) -> None:
    folder = SmallArea(half_m=40.0, cell_m=40.0).write(tmp_path / "one")  # two by two cells
    code, said, complained = run("shape", folder)
    assert code in (0, 2)
    assert "Traceback" not in complained
    assert "hump" not in said
    (tmp_path / "steps").mkdir()
    ring = feature(shapely.box(-500, -500, 500, 500), DRVAL1=10.0)
    SmallArea(layers={"depths": [ring]}).write(tmp_path / "steps")
    text = (tmp_path / "steps" / "area.toml").read_text()
    head = text[: text.index("[[layer]]")]
    (tmp_path / "steps" / "area.toml").write_text(
        f'{head}[[layer]]\nrole = "depth"\nfile = "depths.geojson"\nform = "areas"\nvalues = "depth"\nunit = "m"\n'
    )
    code, _, complained = run("shape", tmp_path / "steps")
    assert code == 2
    assert "steps and have no slopes" in complained
