"""Packages that are broken, hostile or too large, and areas that would not come back, are refused whole."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import rasterio
import rasterio.shutil
import shapely
from pyogrio import raw
from shapely import Point

from layers import gridcoverage, packing, unpacking
from layers._errors import InputError
from layers.area import open_area
from layers.interchange import pack, unpack
from tests.packed_areas import (
    drop_triggers,
    edit,
    files_of,
    moved,
    refused,
    saved_as,
    small_area,
)


@pytest.fixture
def small(tmp_path: Path) -> tuple[Path, Path]:
    folder = small_area(tmp_path / "area")
    pack(folder, tmp_path / "area.gpkg")
    return folder, tmp_path / "area.gpkg"


def run(package: Path, *statements: str) -> None:
    with closing(sqlite3.connect(package)) as db, db:
        for statement in statements:
            db.execute(statement)


@pytest.mark.parametrize(
    ("statements", "match"),
    [
        (["DROP TABLE closure", "DELETE FROM gpkg_geometry_columns WHERE table_name = 'closure'"], "'closure', which"),
        (["DELETE FROM gpkg_geometry_columns WHERE table_name = 'land'"], "the table 'land'"),
        (["UPDATE spotmap_files SET bytes = bytes || x'00' WHERE path = 'area.toml'"], "'area.toml' in it is not"),
        (["UPDATE spotmap_files SET sha256 = 'f00d' WHERE path = 'depth.tif'"], "'depth.tif' in it is not"),
        (["UPDATE spotmap_files SET size = 7 WHERE path = 'depth.tif'"], "'depth.tif' in it is not"),
        (["UPDATE spotmap_files SET part = 1 WHERE path = 'depth.tif'"], "'depth.tif' in it is not"),
        (["DELETE FROM spotmap_files WHERE path = 'mark.geojson'"], "no file 'mark.geojson'"),
        (["DELETE FROM spotmap_files WHERE path = 'area.toml'"], "holds no area.toml"),
        (["DROP TABLE spotmap_files"], "not a GeoPackage that an area was packed into"),
        (["UPDATE spotmap_files SET path = '../out.tif' WHERE path = 'depth.tif'"], "not safe to write"),
        (["UPDATE spotmap_files SET path = '/tmp/out.tif' WHERE path = 'depth.tif'"], "not safe to write"),
        (["UPDATE spotmap_files SET path = 'a/./b' WHERE path = 'depth.tif'"], "not safe to write"),
        (["UPDATE spotmap_files SET path = 'a\\..\\b' WHERE path = 'depth.tif'"], "not safe to write"),
        (["UPDATE spotmap_files SET path = 'C:x' WHERE path = 'depth.tif'"], "not safe to write"),
        (["UPDATE spotmap_files SET path = 'AREA.toml' WHERE path = 'depth.tif'"], "not safe to write"),
        (["UPDATE spotmap_files SET path = x'00ff' WHERE path = 'depth.tif'"], "not safe to write"),
        (["UPDATE spotmap_files SET path = 'area.toml/x' WHERE path = 'depth.tif'"], "as a file and as a folder"),
        (["ALTER TABLE closure RENAME TO other", "CREATE VIEW closure AS SELECT * FROM other"], "not a plain table"),
        (
            ["ALTER TABLE spotmap_files RENAME TO s", "CREATE VIEW spotmap_files AS SELECT * FROM s"],
            "'spotmap_files' is a view",
        ),
        (["ALTER TABLE spotmap_files RENAME COLUMN sha256 TO x"], "no such column: sha256"),
    ],
)  # fmt: skip
def test_a_package_that_was_tampered_with_is_refused(
    statements: list[str], match: str, small: tuple[Path, Path]
) -> None:
    with closing(sqlite3.connect(small[1])) as db, db:
        drop_triggers(db)
    run(small[1], *statements)
    refused(small[1], match)


@pytest.mark.parametrize("blob", ["x'00'", "x'4750000100000000'", "x'4750000f000000000101'", "'text'"])
def test_broken_geometry_is_refused(blob: str, small: tuple[Path, Path]) -> None:
    with closing(sqlite3.connect(small[1])) as db, db:
        drop_triggers(db)
        db.execute(f"UPDATE closure SET geom = {blob} WHERE name = 'Box'")  # noqa: S608 - as above
    refused(small[1], "'closure', feature 2: its geometry is not")


def test_triggers_never_run_and_nothing_is_written_to_the_package(small: tuple[Path, Path], tmp_path: Path) -> None:
    run(small[1], "CREATE TRIGGER t AFTER INSERT ON spotmap_files BEGIN DELETE FROM spotmap_files; END")
    before = small[1].read_bytes()
    unpack(small[1], tmp_path / "back")
    assert small[1].read_bytes() == before
    assert sorted(one.name for one in tmp_path.iterdir()) == ["area", "area.gpkg", "back"]


@pytest.mark.parametrize("keep", [0, 10, 100, 5000, 0.5, 0.9])
def test_a_truncated_package_is_refused(keep: float, small: tuple[Path, Path]) -> None:
    whole = small[1].read_bytes()
    small[1].write_bytes(whole[: int(keep if keep > 1 else keep * len(whole))])
    refused(small[1], "area.gpkg: (is not a GeoPackage|is broken)")


def test_a_package_with_a_broken_page_is_refused(small: tuple[Path, Path]) -> None:
    whole = bytearray(small[1].read_bytes())
    whole[4096 * 5 : 4096 * 6] = b"\xff" * 4096
    small[1].write_bytes(whole)
    refused(small[1], "is broken")


def test_what_is_no_package_of_ours_is_refused(tmp_path: Path) -> None:
    refused(tmp_path / "none.gpkg", "no such file")
    raw.write(
        tmp_path / "other.gpkg", shapely.to_wkb(np.array([Point(0, 0)])), [], [], geometry_type="Point", crs="EPSG:4326"
    )
    refused(tmp_path / "other.gpkg", "not a GeoPackage that an area was packed into")
    (tmp_path / "text.gpkg").write_text("not at all")
    refused(tmp_path / "text.gpkg", "is not a GeoPackage")


def test_sizes_are_bounded(small: tuple[Path, Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    folder, package = small
    monkeypatch.setattr(packing, "MOST_BYTES", 1000)
    with pytest.raises(InputError, match=r"files hold 0\.0 GB; up to 10,000 files and 4.3 GB are packed"):
        pack(folder, tmp_path / "again.gpkg")
    monkeypatch.setattr(unpacking, "MOST_BYTES", 1000)
    refused(package, "up to 10,000 files and 4.3 GB are unpacked")
    monkeypatch.setattr(unpacking, "_MOST_PACKAGE", 1000)
    refused(package, "17.2 GB|0.0 GB are unpacked")
    monkeypatch.undo()
    monkeypatch.setattr("layers.packagetables.MOST_FEATURES", 2)
    refused(package, "'hazard': holds more than 1,000,000 features")


def test_a_package_that_is_being_written_is_refused(small: tuple[Path, Path]) -> None:
    small[1].with_name("area.gpkg-journal").write_bytes(b"half")
    refused(small[1], "is being written by another program")


def test_a_folder_with_something_in_it_is_left_alone(small: tuple[Path, Path], tmp_path: Path) -> None:
    (tmp_path / "back").mkdir()
    unpack(small[1], tmp_path / "back")
    before = files_of(tmp_path / "back")
    refused(small[1], "is not empty")
    assert files_of(tmp_path / "back") == before


def test_packing_refuses_what_would_not_come_back(tmp_path: Path) -> None:
    folder = small_area(tmp_path / "area")
    before = files_of(folder)

    def fails(match: str, out: str = "out.gpkg") -> None:
        there = sorted(tmp_path.iterdir())
        with pytest.raises(InputError, match=match):
            pack(folder, tmp_path / out)
        assert sorted(tmp_path.iterdir()) == there

    fails("is not a GeoPackage's name", "out.zip")
    fails("its folder is not there", "none/out.gpkg")
    (tmp_path / "there.gpkg").write_text("mine")
    fails("is there already", "there.gpkg")
    (folder / "area.toml").write_bytes(before["area.toml"].replace(b"closure.geojson", b"closures.geojson"))
    fails("there is no file 'closures.geojson'")
    (folder / "area.toml").write_bytes(before["area.toml"])
    (folder / "closure.geojson").write_bytes(before["closure.geojson"].replace(b'"fishing"', b'"fishng"'))
    fails(f"{folder.name}/area.toml, layer 2 .closure., closure.geojson, feature 2 'Box': forbids is 'fishng'")
    (folder / "closure.geojson").rename(tmp_path / "real.geojson")
    (tmp_path / "real.geojson").rename(folder / "real.geojson")
    (folder / "closure.geojson").symlink_to(folder / "real.geojson")
    fails("is a symbolic link")


def test_a_grid_that_is_read_from_elsewhere_is_refused(tmp_path: Path) -> None:
    folder = small_area(tmp_path / "area")
    rasterio.shutil.copy(folder / "depth.tif", folder / "depth.vrt", driver="VRT")
    (folder / "area.toml").write_text((folder / "area.toml").read_text().replace("depth.tif", "depth.vrt"))
    (folder / "depth.tif").rename(tmp_path / "far.tif")
    vrt = (folder / "depth.vrt").read_text()
    (folder / "depth.vrt").write_text(vrt.replace(">depth.tif<", ">../far.tif<"))
    with pytest.raises(InputError, match=r"depth\.vrt is read from far\.tif, which is not inside"):
        pack(folder, tmp_path / "out.gpkg")
    (tmp_path / "far.tif").rename(folder / "far.tif")
    (folder / "depth.vrt").write_text(vrt.replace(">depth.tif<", ">far.tif<"))
    assert {"depth.vrt", "far.tif"} < set(pack(folder, tmp_path / "out.gpkg").files)
    unpack(tmp_path / "out.gpkg", tmp_path / "back")
    assert np.isfinite(open_area(tmp_path / "back").depth.depth_at(np.zeros(1), np.zeros(1))).all()


def test_an_edit_that_its_format_cannot_hold_is_refused(tmp_path: Path) -> None:
    folder = small_area(tmp_path / "area")
    saved_as(folder, "closure", "rules.shp")
    saved_as(folder, "mark", "marks.fgb", driver="FlatGeobuf")
    package = tmp_path / "area.gpkg"

    def fresh() -> None:
        package.unlink(missing_ok=True)
        pack(folder, package)

    def wordy(geometry: Any, columns: dict[str, Any]) -> Any:
        return geometry, columns | {"a long story": columns["name"]}

    def endless(geometry: Any, columns: dict[str, Any]) -> Any:
        return geometry, columns | {"rule": np.array(["a" * 300, "b"], dtype=object)}

    fresh()
    assert unpack(package, tmp_path / "same").edited == ()
    edit(package, "mark", moved)
    refused(package, "only GeoJSON, GeoPackage and Shapefile are written")
    fresh()
    edit(package, "closure", wordy)
    refused(package, "attribute 'a long story' is too long for a Shapefile")
    fresh()
    edit(package, "closure", endless)
    refused(package, r"rules\.shp, 'rules': cannot be written as it is: Value .a+.* truncated")


def test_files_are_linked_not_touched(tmp_path: Path) -> None:
    folder = small_area(tmp_path / "area")
    places = saved_as(folder, "mark", "places.gpkg", layer="places")
    before = {one: (one.stat().st_mtime_ns, one.read_bytes()) for one in (folder, places)[1:]}
    listed = sorted(folder.iterdir())
    pack(folder, tmp_path / "out.gpkg")
    assert before == {places: (places.stat().st_mtime_ns, places.read_bytes())}
    assert sorted(folder.iterdir()) == listed
    assert places.stat().st_nlink == 1


def test_a_grid_beyond_the_bound_is_shown_coarser_by_its_shallowest(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = small_area(tmp_path / "area")
    monkeypatch.setattr(gridcoverage, "MOST_CELLS", 4000)
    told = pack(folder, tmp_path / "out.gpkg")
    assert told.notes == ("depth.tif is shown 2 times coarser than it is, every cell the shallowest of its block.",)
    with rasterio.open(folder / "depth.tif") as ours, rasterio.open(f"GPKG:{tmp_path / 'out.gpkg'}:depth") as shown:
        blocks = ours.read(1).reshape(60, 2, 60, 2).min(axis=(1, 3))
        assert np.array_equal(blocks, shown.read(1))
        assert shown.bounds == pytest.approx(ours.bounds)
    monkeypatch.setattr(gridcoverage, "MOST_CELLS", 10)
    told = pack(folder, tmp_path / "again.gpkg")
    assert told.grids == ()
    assert "too many to show" in told.notes[0]
    unpack(tmp_path / "again.gpkg", tmp_path / "back")
    assert (tmp_path / "back" / "depth.tif").read_bytes() == (folder / "depth.tif").read_bytes()


@pytest.mark.parametrize(("rows", "columns", "step"), [(5, 7, 2), (4, 4, 4), (9, 3, 8)])
def test_blocks_at_the_edge_keep_their_shallowest(rows: int, columns: int, step: int) -> None:
    cells = np.random.default_rng(3).uniform(0, 50, (rows, columns)).astype(np.float32)
    cells[0, 0] = np.nan
    for sign in (1, -1):
        found = gridcoverage._shallowest(sign * cells, step, deeper_is_more=sign > 0)
        for (i, j), value in np.ndenumerate(found):
            block = cells[i * step : (i + 1) * step, j * step : (j + 1) * step]
            expected = np.nan if np.isnan(block).all() else sign * np.nanmin(block)
            assert np.array_equal(value, np.float32(expected), equal_nan=True)


def test_a_grid_whose_rows_run_north_is_turned_over(tmp_path: Path) -> None:
    folder = small_area(tmp_path / "area")
    with rasterio.open(folder / "depth.tif") as source:
        depth, profile = source.read(1), source.profile
    t = profile["transform"]
    profile["transform"] = rasterio.Affine(t.a, 0, t.c, 0, -t.e, t.f + t.e * source.height)
    (folder / "depth.tif").unlink()
    with rasterio.open(folder / "depth.tif", "w", **profile) as file:
        file.write(depth[::-1], 1)
    pack(folder, tmp_path / "out.gpkg")
    with rasterio.open(f"GPKG:{tmp_path / 'out.gpkg'}:depth") as shown:
        assert np.array_equal(shown.read(1), depth)
        assert shown.transform == t
