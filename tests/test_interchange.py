"""An area packed into a GeoPackage comes back the same, or as it was edited in a GIS."""

from __future__ import annotations

import shutil
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

import numpy as np
import pyogrio
import pytest
import rasterio
import shapely
from pyogrio import raw

from layers._files import sha256
from layers.area import open_area
from layers.interchange import pack, unpack
from layers.origins import OriginFile, OriginRecord, Origins
from layers.originsfile import origins_text
from tests.packed_areas import (
    BAG,
    DEMO,
    assert_equal_areas,
    bag_like,
    charted_area,
    edit,
    files_of,
    moved,
    parsed,
    refused,
    saved_as,
    small_area,
    survey_area,
)


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    package = tmp_path_factory.mktemp("demo") / "sound.gpkg"
    told = pack(DEMO, package)
    assert told.notes == ()
    return package


@pytest.fixture
def small(tmp_path: Path) -> tuple[Path, Path]:
    folder = small_area(tmp_path / "area")
    pack(folder, tmp_path / "area.gpkg")
    return folder, tmp_path / "area.gpkg"


def test_the_demo_comes_back_byte_by_byte_and_opens_the_same(demo: Path, tmp_path: Path) -> None:
    told = unpack(demo, tmp_path / "demo_area")
    back = files_of(tmp_path / "demo_area")
    assert told.edited == told.ignored == ()
    assert set(told.restored) == set(back) >= {"area.toml", "depth.tif", "tide.csv", "channel.geojson"}
    assert all(back[name] == (DEMO / name).read_bytes() for name in back)
    assert not {"map.png", "trip.toml", "make_demo.py"} & set(back), "what the area is not read from stays behind"
    assert_equal_areas(open_area(DEMO), open_area(tmp_path / "demo_area"))


def test_packing_twice_gives_the_same_bytes_and_tells_no_path(demo: Path, tmp_path: Path) -> None:
    shutil.copytree(DEMO, tmp_path / "elsewhere" / "demo_area")
    pack(tmp_path / "elsewhere" / "demo_area", tmp_path / "again.gpkg")
    ours = demo.read_bytes()
    assert (tmp_path / "again.gpkg").read_bytes() == ours
    assert str(tmp_path).encode() not in ours
    assert str(DEMO.parent).encode() not in ours


def test_an_area_of_shapefile_and_geopackage_comes_back(tmp_path: Path) -> None:
    folder = small_area(tmp_path / "area")
    saved_as(folder, "closure", "rules.shp")
    saved_as(folder, "mark", "places.gpkg", layer="places")
    chart = folder / "originals" / "X1" / "X1.000"
    chart.parent.mkdir(parents=True)
    chart.write_bytes(b"a chart as it came")
    kept = OriginFile("originals/X1/X1.000", sha256(chart), kept=True)
    origins = Origins((OriginRecord("X1", "chart", (kept,), "an office"),))
    (folder / "origins.toml").write_text(origins_text(origins))
    pack(folder, tmp_path / "area.gpkg")
    told = unpack(tmp_path / "area.gpkg", tmp_path / "back" / "area")
    assert files_of(folder) == files_of(tmp_path / "back" / "area")
    assert {"rules.dbf", "rules.prj", "rules.shx", "places.gpkg"} < set(told.restored)
    assert {"origins.toml", "originals/X1/X1.000"} < set(told.restored)
    assert_equal_areas(open_area(folder), open_area(tmp_path / "back" / "area"))


@pytest.mark.parametrize(
    "make",
    [
        "made",
        pytest.param(
            "real",
            marks=[
                pytest.mark.realdata,
                pytest.mark.skipif(not BAG.exists(), reason="../shared/data is absent: the twin beside it runs"),
            ],
        ),
    ],
)
def test_a_survey_with_uncertainty_is_shown_exactly_and_comes_back(make: str, tmp_path: Path) -> None:
    folder = bag_like(tmp_path / "area") if make == "made" else survey_area(tmp_path / "area")
    if make == "made":
        text = (folder / "area.toml").read_text().replace('values = "depth"', 'values = "elevation"\nuncertainty = 2')
        (folder / "area.toml").write_text(text)
    assert pack(folder, tmp_path / "area.gpkg").grids == ("depth",)
    grid = next(one for one in folder.iterdir() if one.stem == "depth")
    with rasterio.open(grid) as ours, rasterio.open(f"GPKG:{tmp_path / 'area.gpkg'}:depth") as shown:
        assert np.array_equal(ours.read(1), shown.read(1))
        assert shown.transform.almost_equals(ours.transform, 1e-8)  # GDAL writes corners to 15 digits
        assert (ours.nodata, ours.crs) == (shown.nodata, shown.crs)
        assert np.array_equal(ours.read_masks(1), shown.read_masks(1))
        assert not shown.read_masks(1).all()
    unpack(tmp_path / "area.gpkg", tmp_path / "back" / "area")
    assert files_of(folder) == files_of(tmp_path / "back" / "area")
    assert_equal_areas(open_area(folder), open_area(tmp_path / "back" / "area"))


def test_charted_depth_comes_with_its_lines_and_soundings(tmp_path: Path) -> None:
    folder = charted_area(tmp_path / "area")
    told = pack(folder, tmp_path / "area.gpkg")
    assert told.tables == ("depth areas", "depth contours", "depth soundings", "caution")
    with closing(sqlite3.connect(tmp_path / "area.gpkg")) as db:
        qml = dict(db.execute("SELECT f_table_name, styleQML FROM layer_styles").fetchall())
    filters = {one.get("label"): one.get("filter") for one in parsed(qml["depth areas"]).iter("rule")}
    feet = 3.0 / 0.3048, 6.0 / 0.3048
    assert filters["3 to 6 m"] == f'"drval1" >= {feet[0]!r} AND "drval1" < {feet[1]!r}'
    assert filters["unknown"] == '"drval1" IS NULL'
    assert 'fieldName="valdco"' in qml["depth contours"]
    assert 'fieldName="depth"' in qml["depth soundings"]
    unpack(tmp_path / "area.gpkg", tmp_path / "back" / "area")
    assert files_of(folder) == files_of(tmp_path / "back" / "area")
    assert_equal_areas(open_area(folder), open_area(tmp_path / "back" / "area"))
    edit(tmp_path / "area.gpkg", "depth contours", moved)
    assert unpack(tmp_path / "area.gpkg", tmp_path / "more" / "area").edited == ("lines.geojson",)


def test_a_closure_that_was_moved_is_written_anew(small: tuple[Path, Path], tmp_path: Path) -> None:
    folder, package = small
    edit(package, "closure", moved)
    told = unpack(package, tmp_path / "back" / "area")
    assert told.edited == ("closure.geojson",)
    assert set(told.restored) == {"area.toml", "depth.tif", "hazard.geojson", "mark.geojson", "land.geojson"}
    before, after = open_area(folder), open_area(tmp_path / "back" / "area")
    assert before.closures[1].shape.equals_exact(after.closures[1].shape, 1e-6)
    assert before.closures[1].margin_m == pytest.approx(after.closures[1].margin_m, rel=1e-12)
    east = after.closures[0].shape.centroid.x - before.closures[0].shape.centroid.x
    assert east == pytest.approx(0.001 * 111_320 * np.cos(np.radians(47.83)), rel=0.02)
    assert (after.closures[0].forbids, after.closures[0].season) == ("entry", before.closures[0].season)
    assert [mark.private for mark in after.marks] == [False, True]


def test_a_changed_attribute_an_added_and_a_deleted_feature_are_found(small: tuple[Path, Path], tmp_path: Path) -> None:
    _, package = small

    def freed(geometry: Any, columns: dict[str, Any]) -> Any:
        columns["forbids"][0] = "fishing"
        return geometry, columns

    def added(geometry: Any, columns: dict[str, Any]) -> Any:
        twice = np.concatenate([geometry, [shapely.centroid(geometry[-1])]])
        return twice, {name: np.append(column, column[-1:]) for name, column in columns.items()}

    def dropped(geometry: Any, columns: dict[str, Any]) -> Any:
        return geometry[1:], {name: column[1:] for name, column in columns.items()}

    edit(package, "closure", freed)
    edit(package, "hazard", added)
    edit(package, "mark", dropped)
    told = unpack(package, tmp_path / "back")
    assert told.edited == ("closure.geojson", "hazard.geojson", "mark.geojson")
    area = open_area(tmp_path / "back")
    assert [rule.forbids for rule in area.closures] == ["fishing", "fishing"]
    assert [hazard.name for hazard in area.hazards] == ["Rock", "Chain", "Wreck", "Wreck"]
    assert [(mark.name, mark.private) for mark in area.marks] == [("Spot", True)]


def test_a_shapefile_and_a_geopackage_are_written_anew_in_their_formats(tmp_path: Path) -> None:
    folder = small_area(tmp_path / "area")
    saved_as(folder, "closure", "rules.shp")
    places = saved_as(folder, "mark", "places.gpkg", layer="places")
    other = raw.read(folder / "hazard.geojson")
    raw.write(places, other[2], [], [], layer="more", geometry_type="Unknown", crs="EPSG:4326", append=True)
    toml = (folder / "area.toml").read_text().replace('file = "places.gpkg"', 'file = "places.gpkg"\nlayer = "places"')
    (folder / "area.toml").write_text(toml)
    (folder / "rules.qix").write_bytes(b"an old index")
    pack(folder, tmp_path / "area.gpkg")
    edit(tmp_path / "area.gpkg", "closure", moved)
    edit(tmp_path / "area.gpkg", "mark", moved)
    told = unpack(tmp_path / "area.gpkg", tmp_path / "back" / "area")
    assert told.edited == ("rules.shp", "places.gpkg")
    assert not {"rules.shp", "rules.qix", "places.gpkg"} & set(told.restored)
    assert not (tmp_path / "back" / "area" / "rules.qix").exists()
    assert pyogrio.read_info(tmp_path / "back" / "area" / "rules.shp")["driver"] == "ESRI Shapefile"
    assert pyogrio.list_layers(tmp_path / "back" / "area" / "places.gpkg")[:, 0].tolist() == ["places", "more"]
    before, after = open_area(folder), open_area(tmp_path / "back" / "area")
    assert not before.closures[0].shape.equals(after.closures[0].shape)
    assert before.closures[1].shape.equals_exact(after.closures[1].shape, 1e-6)
    assert [mark.name for mark in after.marks] == ["Home", "Spot"]
    assert before.marks[1].point == after.marks[1].point


def test_what_lies_in_the_log_of_a_gis_counts(small: tuple[Path, Path], tmp_path: Path) -> None:
    _, package = small
    db = sqlite3.connect(package)
    for name in ("ST_IsEmpty", "ST_MinX", "ST_MaxX", "ST_MinY", "ST_MaxY"):
        db.create_function(name, 1, lambda _: 0)
    db.execute("PRAGMA journal_mode = WAL")
    db.execute("PRAGMA wal_autocheckpoint = 0")
    db.execute("UPDATE closure SET forbids = 'fishing' WHERE name = 'Quad'")
    db.commit()
    try:
        assert package.with_name("area.gpkg-wal").stat().st_size > 0
        assert unpack(package, tmp_path / "back").edited == ("closure.geojson",)
    finally:
        db.close()
    assert open_area(tmp_path / "back").closures[0].forbids == "fishing"


def test_a_table_that_no_layer_names_is_told(small: tuple[Path, Path], tmp_path: Path) -> None:
    _, package = small
    other = raw.read(package, layer="closure")
    raw.write(package, other[2], [], [], layer="closure 2", geometry_type="Polygon", crs="EPSG:4326", append=True)
    told = unpack(package, tmp_path / "back")
    assert told.ignored == ("closure 2",)
    assert told.edited == ()


def test_an_edit_that_would_not_open_is_refused(small: tuple[Path, Path]) -> None:
    def misspelt(geometry: Any, columns: dict[str, Any]) -> Any:
        columns["forbids"][0] = "fishng"
        return geometry, columns

    edit(small[1], "closure", misspelt)
    refused(small[1], r"back/area.toml, layer 2 \(closure\), closure.geojson, feature 1 'Quad': forbids is 'fishng'")
