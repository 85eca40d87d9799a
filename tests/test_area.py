from __future__ import annotations

import hashlib
import json
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pyogrio
import pytest
import rasterio
import shapely

from layers._errors import InputError
from layers.area import age_warnings, open_area

HEAD = """
name = "Test Sound"
invented = true
timezone = "Etc/GMT+10"
depth_datum = "MLLW"
show = { depth = "fathom", distance = "NM", speed = "kn" }
"""
DEPTH = """
[[layer]]
role = "depth"
file = "depth.tif"
form = "grid"
values = "depth"
unit = "m"
as_of = 2026-03-01
source = "made up"
"""


def layer(role: str, file: str | None = None, *more: str) -> str:
    lines = [f'role = "{role}"', f'file = "{file or role + ".geojson"}"', "as_of = 2026-08-01", 'source = "x"', *more]
    return "\n[[layer]]\n" + "\n".join(lines) + "\n"


def box(west: float, south: float, east: float, north: float, **said: Any) -> dict[str, Any]:
    return {
        "type": "Feature",
        "properties": said,
        "geometry": shapely.geometry.mapping(shapely.box(west, south, east, north)),
    }


def put(folder: Path, name: str, *features: dict[str, Any]) -> None:
    (folder / name).write_text(json.dumps({"type": "FeatureCollection", "features": features}), encoding="utf-8")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Water of 20 m round 46 N 150 W, and the usual layers."""
    area = tmp_path / "sound"
    area.mkdir()
    shape = (40, 40)
    with rasterio.open(
        area / "depth.tif", "w", driver="GTiff", width=40, height=40, count=1, dtype="float32", crs="EPSG:4326",
        transform=rasterio.Affine(0.0025, 0.0, -150.05, 0.0, -0.0025, 46.05), nodata=-9999.0,
    ) as grid:  # fmt: skip
        grid.write(np.full(shape, 20.0, dtype=np.float32), 1)
    put(area, "land.geojson", box(-150.05, 45.95, -150.04, 46.05), box(-150.041, 45.95, -150.03, 46.05))
    put(area, "closure.geojson", box(-150.0, 46.0, -149.99, 46.01, name="Bar", **{"from": "05-01", "until": "09-30"}))
    put(area, "ground.geojson", box(-150.04, 45.96, -149.96, 46.04, name="G", **{"from": "01-01", "until": "12-31"}))
    mark = {
        "type": "Feature",
        "properties": {"name": "Harbor"},
        "geometry": {"type": "Point", "coordinates": [-150, 46]},
    }
    put(area, "mark.geojson", mark)
    return area


def write(folder: Path, *parts: str) -> Path:
    (folder / "area.toml").write_text("".join(parts), encoding="utf-8")
    return folder


USUAL = (HEAD, DEPTH, layer("land"), layer("closure"), layer("ground"), layer("mark"))


def test_an_area(folder: Path) -> None:
    area = open_area(write(folder, *USUAL))
    assert (area.name, area.invented, area.depth_datum, area.timezone.key) == ("Test Sound", True, "MLLW", "Etc/GMT+10")
    assert area.show.depth == "fm"
    assert (area.projection.lon0_deg, area.projection.lat0_deg) == pytest.approx((-150.0, 46.0), abs=2e-3)
    assert area.depth.depth_at(np.zeros(1), np.zeros(1)) == pytest.approx([20.0])
    assert len(area.land.geoms) == 1
    assert [rule.name for rule in area.closures] == ["Bar"]
    assert area.has_grounds
    assert [mark.name for mark in area.marks] == ["Harbor"]
    assert (area.tide, area.current) == (None, None)
    assert [one.what for one in area.warnings] == [
        "there is no tide layer: no tide is counted: depths are charted depths at MLLW.",
        "there is no current layer: no current is counted: plans are made for still water.",
    ]
    assert [source.role for source in area.sources] == ["depth", "land", "closure", "ground", "mark"]
    depth, *_, mark = area.sources
    assert depth.sha256 == hashlib.sha256((folder / "depth.tif").read_bytes()).hexdigest()
    assert (mark.file, mark.as_of, mark.source) == ("mark.geojson", date(2026, 8, 1), "x")


def test_an_area_of_depth_alone_says_what_it_lacks(folder: Path) -> None:
    area = open_area(write(folder, HEAD, DEPTH.replace("as_of = 2026-03-01\n", "")))
    assert not area.has_grounds
    assert area.land.is_empty
    words = " ".join(map(str, area.warnings))
    for what in ("as_of is missing", "no closure layer", "no land layer"):
        assert what in words


def test_a_ground_layer_without_features_closes_all(folder: Path) -> None:
    put(folder, "ground.geojson")
    area = open_area(write(folder, *USUAL))
    assert area.has_grounds
    assert area.grounds == ()
    assert "holds no features" in str(area.warnings[0])


def test_a_table_of_tide(folder: Path) -> None:
    (folder / "tide.csv").write_text("time,height\n2026-08-01T00:00,0.5\n2026-08-01T06:00,2.5\n", encoding="utf-8")
    more = ('unit = "m"', 'datum = "LAT"', 'offset = "0.2 m"')
    area = open_area(write(folder, *USUAL, layer("tide", "tide.csv", *more)))
    assert area.tide is not None
    assert [station.name for station in area.tide.stations] == ["tide"]
    noon = datetime(2026, 8, 1, 13, tzinfo=UTC).timestamp()  # 03:00 at this area
    assert area.tide.height_at(np.zeros(2), np.zeros(2), np.array(noon)) == pytest.approx([1.7, 1.7])
    assert area.tide.reach_s == (noon - 3 * 3600, noon + 3 * 3600)
    assert [str(one) for one in area.warnings if "tide" in str(one)] == []
    assert area.sources[-1].parts == ()


def test_stations_of_tide_and_current(folder: Path) -> None:
    (folder / "tables").mkdir()
    tide = "time,height_m\n2026-08-01T00:00,0.5\n2026-08-01T06:00,2.5\n"
    (folder / "tables/harbor.csv").write_text(tide, encoding="utf-8")
    told = '[[station]]\nname = "Harbor"\ndatum = "MLLW"\ntable = "tables/harbor.csv"\n'
    (folder / "tide.toml").write_text(told, encoding="utf-8")
    narrows = "time,event,speed\n2026-08-01T00:00,slack,\n2026-08-01T03:00,flood,2\n2026-08-01T06:00,slack,\n"
    (folder / "narrows.csv").write_text(narrows, encoding="utf-8")
    told = '[[station]]\nname = "Narrows"\nposition = "46 00.0 N 150 00.0 W"\nreach = "2 NM"\nunit = "kn"\n'
    told += 'form = "slacks and maxima"\ntable = "narrows.csv"\nflood = "90 deg"\nebb = "270 deg"\n'
    (folder / "current.toml").write_text(told, encoding="utf-8")
    layers = layer("tide", "tide.toml"), layer("current", "current.toml", "rank = 2")
    area = open_area(write(folder, *USUAL, *layers))
    assert area.tide is not None
    assert area.current is not None
    at = np.array(datetime(2026, 8, 1, 13, tzinfo=UTC).timestamp())
    assert area.tide.height_at(np.zeros(1), np.zeros(1), at) == pytest.approx([1.5])
    assert area.current.flow_at(np.zeros(1), np.zeros(1), at) == pytest.approx(np.array([[1.0289, 0.0]]), abs=1e-3)
    assert area.warnings == ()
    for source, name in zip(area.sources[-2:], ("tables/harbor.csv", "narrows.csv"), strict=True):
        assert source.parts == ((name, hashlib.sha256((folder / name).read_bytes()).hexdigest()),)


def test_what_is_wrong_with_tide_and_current_is_told_at_once(folder: Path) -> None:
    (folder / "tide.toml").write_text('[[station]]\nname = "A"\ntable = "../tide.csv"\n', encoding="utf-8")
    (folder / "current.toml").write_text("", encoding="utf-8")
    layers = layer("tide", "tide.toml", 'unit = "m"'), layer("tide", "tide.toml"), layer("current", "current.toml")
    with pytest.raises(InputError) as told:
        open_area(write(folder, *USUAL, *layers))
    words = str(told.value)
    for what in (
        "layer 6, key 'unit': stands with each station",
        "tide.toml, station 1, key 'datum': is missing",
        "tide.toml, station 1, key 'table': '../tide.csv' is not inside the area's folder",
        "current.toml, key 'station': there is none",
    ):
        assert what in words
    put(folder, "tide.geojson")
    with pytest.raises(InputError, match=r"'tide.geojson' is none of \.toml, \.csv"):
        open_area(write(folder, *USUAL, layer("tide")))


def test_a_shapefile_has_a_hash_for_each_of_its_parts(folder: Path) -> None:
    pyogrio.raw.write(
        folder / "hazard.shp", shapely.to_wkb(np.array([shapely.Point(-150, 46)])), [np.array(["Wreck"])], ["name"],
        crs="EPSG:4326", geometry_type="Point",
    )  # fmt: skip
    area = open_area(write(folder, *USUAL, layer("hazard", "hazard.shp")))

    def digest(end: str) -> str:
        return hashlib.sha256((folder / f"hazard{end}").read_bytes()).hexdigest()

    assert area.sources[-1].sha256 == digest(".shp")
    assert dict(area.sources[-1].parts) == {f"hazard{end}": digest(end) for end in (".cpg", ".dbf", ".prj", ".shx")}
    assert area.hazards[0].name == "Wreck"


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ('name = "Test Sound"\n', "", r"sound/area.toml, key 'name': is missing"),
        ('depth_datum = "MLLW"\n', "", r"key 'depth_datum': is missing"),
        ("timezone", "timezon", "(?s)key 'timezone': is missing.*key 'timezon': is not a key.*Did you mean 'timezone'"),
        ("Etc/GMT+10", "America/Los_Angles", r'not an IANA time zone\. Did you mean "America/Los_Angeles"'),
        ("Etc/GMT+10", "../etc/passwd", "not an IANA time zone"),
        ('depth = "fathom"', 'depth = "fathm"', '"fathm" is not a unit of length'),
        ('speed = "kn"', 'speed = "ft"', '"ft" is not a unit of speed'),
        ('role = "closure"', 'role = "closures"', r"layer 3, key 'role': 'closures' is not.*mean 'closure'"),
        ('file = "closure.geojson"', 'file = "closures.geojson"', "no file 'closures.geojson'.*mean 'closure.geojson'"),
        ('file = "closure.geojson"', 'file = "../closure.geojson"', "not inside the area's folder"),
        ('file = "closure.geojson"', 'file = "/etc/hostname"', "not inside the area's folder"),
        ('file = "closure.geojson"', 'file = "link.geojson"', "not inside the area's folder"),
        ('file = "closure.geojson"', 'fil = "closure.geojson"', "(?s)'file': is missing.*Did you mean 'file'"),
        ('form = "grid"', 'form = "raster"', r"layer 1, key 'form': 'raster' is not one of grid, contours"),
        ('unit = "m"', "unit = 3", "3 is not a unit of length"),
        ('unit = "m"', "", r"layer 1, key 'unit': is missing"),
        ('values = "depth"', 'values = "depht"', "Did you mean 'depth'"),
        ('unit = "m"', 'unit = "m"\ndatum = "LAT"', "its datum is LAT, and the area's depth_datum is MLLW"),
        ('unit = "m"', 'unit = "m"\nrank = 1.5', "rank.*not a whole number"),
        ("as_of = 2026-03-01", 'as_of = "2026-03-01"', "is not a date"),
        ('role = "closure"', 'role = "closure"\nform = "grid"', "layer 3, key 'form': is not a key"),
        (DEPTH, "", "no layer gives depth"),
        ("invented = true", "invented = yes", "not valid TOML.*line 3"),
    ],
)  # fmt: skip
def test_what_is_wrong_with_area_toml(folder: Path, old: str, new: str, message: str) -> None:
    outside = folder.parent / "elsewhere.geojson"
    outside.write_text((folder / "closure.geojson").read_text())
    (folder / "link.geojson").symlink_to(outside)
    text = "".join(USUAL)
    assert old in text
    with pytest.raises(InputError, match=message):
        open_area(write(folder, text.replace(old, new, 1)))


def test_rules_without_a_date_are_refused(folder: Path) -> None:
    undated = [layer(role).replace("as_of = 2026-08-01\n", "") for role in ("closure", "ground", "mark")]
    with pytest.raises(InputError, match=r"layer 2 \(closure\): as_of is missing") as caught:
        open_area(write(folder, HEAD, DEPTH, *undated))
    assert len(caught.value.findings) == 2


def test_every_problem_is_told_at_once(folder: Path) -> None:
    put(folder, "closure.geojson", box(-150.0, 46.0, -149.99, 46.01, name="Bar", **{"from": "05-01"}))
    put(folder, "mark.geojson", box(-150.0, 46.0, -149.99, 46.01, name="Harbor"))
    with pytest.raises(InputError) as caught:
        open_area(write(folder, *USUAL, "\n[[layer]]\nrole = 'hazzard'\n"))
    words = str(caught.value)
    for what in ("layer 3 (closure), closure.geojson, feature 1 'Bar': until is missing", "is a Polygon", "'hazzard'"):
        assert what in words
    assert all(finding.severity == "error" for finding in caught.value.findings)


def test_contradicting_closures_of_two_files(folder: Path) -> None:
    dates = {"from": "05-01", "until": "09-30"}
    put(folder, "other.geojson", box(-150.0, 46.0, -149.99, 46.01, name="BAR", forbids="entry", **dates))
    with pytest.raises(InputError, match="forbid different things: fishing and entry"):
        open_area(write(folder, *USUAL, layer("closure", "other.geojson")))


def test_no_folder(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"area\.toml: there is no such file"):
        open_area(tmp_path / "nowhere")


def test_age(folder: Path) -> None:
    area = open_area(write(folder, *USUAL))
    assert age_warnings(area, date(2026, 8, 14)) == ()
    assert age_warnings(area, date(2027, 9, 5)) == ()
    old = [str(finding) for finding in age_warnings(area, date(2027, 9, 6))]
    both = "closure.geojson (closure), ground.geojson (ground)"
    assert old == [f"{both}: are 401 days old (as of 2026-08-01). Get the present rules."]
    assert sum(finding.where.count("(") for finding in age_warnings(area, date(2036, 9, 1))) == 5
    (early, *rest) = age_warnings(area, date(2026, 2, 1))
    assert not any("(mark)" in finding.where for finding in (early, *rest))
    assert "is dated 2026-03-01, after 2026-02-01" in early.what
