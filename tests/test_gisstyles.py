"""Packed areas as other readers see them: layers, coverages, styles."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

import numpy as np
import pyogrio
import pytest
import rasterio
import shapely
from pyogrio import raw

from layers.gisstyles import STEPS_M, DepthColumn, style
from layers.interchange import pack
from tests.packed_areas import (
    DEMO,
    parsed,
)


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    package = tmp_path_factory.mktemp("demo") / "sound.gpkg"
    told = pack(DEMO, package)
    assert told.notes == ()
    return package


def test_other_readers_find_every_layer_and_the_grid(demo: Path) -> None:
    listed = dict(pyogrio.list_layers(demo))
    named = {"closure": "closures", "ground": "grounds", "hazard": "hazards", "lane": "lanes", "mark": "marks"}
    named |= {"land": "land", "depth areas": "entrance"}
    assert set(listed) == {*named, "layer_styles", "spotmap_files"}
    for table, file in named.items():
        (ours, _, wkb, columns), (theirs, _, table_wkb, held) = (
            raw.read(DEMO / f"{file}.geojson"),
            raw.read(demo, layer=table),
        )
        assert list(ours["fields"]) == list(theirs["fields"])
        assert shapely.equals_exact(shapely.from_wkb(wkb), shapely.from_wkb(table_wkb)).all()
        assert [[str(v) for v in column] for column in columns] == [[str(v) for v in column] for column in held]
    with rasterio.open(DEMO / "depth.tif") as ours, rasterio.open(f"GPKG:{demo}:depth") as shown:
        assert np.abs(ours.read(1) - shown.read(1)).max() == 0.0
        assert shown.dtypes == ("float32",)
        assert (ours.transform, ours.crs, ours.nodata) == (shown.transform, shown.crs, shown.nodata)
        assert shown.overviews(1) == [2, 4]


def test_it_is_a_geopackage(demo: Path) -> None:
    # source: OGC 12-128r17, GeoPackage 1.3, requirements 2, 11, 13-15, 21-25; OGC 17-066r1 (gridded coverage)
    with closing(sqlite3.connect(f"file:{demo}?mode=ro", uri=True)) as db:
        ask = lambda text: db.execute(text).fetchall()  # noqa: E731 - a word for it
        assert ask("PRAGMA application_id") == [(0x47504B47,)]
        assert ask("PRAGMA user_version") == [(10300,)]
        assert ask("PRAGMA integrity_check") == [("ok",)]
        assert ask("PRAGMA foreign_key_check") == []
        assert {-1, 0, 4326} <= {row[0] for row in ask("SELECT srs_id FROM gpkg_spatial_ref_sys")}
        tables = {row[0] for row in ask("SELECT name FROM sqlite_master WHERE type = 'table'")}
        contents = ask("SELECT table_name, data_type, srs_id, min_x, min_y, max_x, max_y FROM gpkg_contents")
        assert {row[0] for row in contents} <= tables
        assert {row[1] for row in contents} == {"features", "attributes", "2d-gridded-coverage"}
        geometry = dict(ask("SELECT table_name, geometry_type_name FROM gpkg_geometry_columns"))
        assert geometry["closure"] == "POLYGON"
        assert geometry["hazard"] == "GEOMETRY"
        assert set(geometry) == {row[0] for row in contents if row[1] == "features"}
        for name, kind, srs, *extent in contents:
            if kind == "features":
                assert srs == 4326
                assert extent == pytest.approx(
                    pyogrio.read_bounds(demo, layer=name)[1].T[:, [0, 1]].min(0).tolist()
                    + pyogrio.read_bounds(demo, layer=name)[1].T[:, [2, 3]].max(0).tolist()
                )
        assert ask("SELECT datatype, data_null, uom FROM gpkg_2d_gridded_coverage_ancillary") == [
            ("float", -9999.0, "m")
        ]
        assert {row[0] for row in ask("SELECT DISTINCT last_change FROM gpkg_contents")} == {"2000-01-01T00:00:00.000Z"}


SLD = "{http://www.opengis.net/sld}"
OGC = "{http://www.opengis.net/ogc}"
SLD_NAMES = {
    "StyledLayerDescriptor", "NamedLayer", "Name", "UserStyle", "FeatureTypeStyle", "Rule", "ElseFilter",
    "PolygonSymbolizer", "LineSymbolizer", "PointSymbolizer", "TextSymbolizer", "Fill", "Stroke", "Graphic",
    "GraphicFill", "Mark", "WellKnownName", "Size", "CssParameter", "Label", "Font", "Halo", "Radius",
}  # fmt: skip
"""Element names of SLD 1.0 (OGC 02-070), from memory."""
OGC_NAMES = {
    "Filter", "And", "PropertyName", "Literal", "PropertyIsNull", "PropertyIsEqualTo", "PropertyIsLessThan",
    "PropertyIsGreaterThan", "PropertyIsLessThanOrEqualTo", "PropertyIsGreaterThanOrEqualTo",
}  # fmt: skip
"""Element names of Filter Encoding 1.0 (OGC 02-059), from memory."""
MARKS = {"square", "circle", "triangle", "star", "cross", "x"}


def test_every_table_has_a_default_style_in_both_languages(demo: Path) -> None:
    with closing(sqlite3.connect(demo)) as db:
        rows = db.execute(
            "SELECT f_table_name, f_geometry_column, useAsDefault, styleQML, styleSLD FROM layer_styles"
        ).fetchall()
        spatial = dict(db.execute("SELECT table_name, column_name FROM gpkg_geometry_columns").fetchall())
    assert {name: geometry for name, geometry, *_ in rows} == spatial
    for name, _, default, qml, sld in rows:
        assert default == 1
        root = parsed(sld)
        assert root.tag == f"{SLD}StyledLayerDescriptor"
        assert root.get("version") == "1.0.0"
        assert root.findtext(f"{SLD}NamedLayer/{SLD}Name") == name
        tags = {one.tag for one in root.iter()}
        assert tags <= {SLD + one for one in SLD_NAMES} | {OGC + one for one in OGC_NAMES}
        assert {one.text for one in root.iter(f"{SLD}WellKnownName")} <= MARKS
        symbols = {one.get("name") for one in parsed(qml).iter("symbol")}
        assert {one.get("symbol") for one in parsed(qml).iter("rule")} <= symbols


def test_closures_are_hatched_by_what_they_forbid() -> None:
    qml, sld = style("closure", "closure", ["Forbids", "name"], ["areas"])
    rules = {one.get("label"): one for one in parsed(qml).iter("rule")}
    assert rules["no entry"].get("filter") == "coalesce(lower(trim(\"Forbids\")) = 'entry', FALSE)"
    assert rules["no fishing"].get("filter") == "ELSE"
    symbols = {one.get("name"): one for one in parsed(qml).findall("renderer-v2/symbols/symbol")}
    hatches = [
        len(symbols[rules[name].get("symbol")].findall("layer[@class='LinePatternFill']"))
        for name in ("no fishing", "no entry")
    ]
    assert hatches == [1, 2]
    assert len(list(parsed(sld).iter(f"{SLD}GraphicFill"))) == 2


@pytest.mark.parametrize(("factor", "column"), [(1.0, "drval1"), (-0.3048, "max")])
def test_depth_areas_take_one_colour_by_their_least_depth(factor: float, column: str) -> None:
    qml, sld = style("depth areas", "depth areas", [column], ["areas"], DepthColumn(column, factor))
    names = {one.get("name"): one for one in parsed(qml).findall("renderer-v2/symbols/symbol")}
    rules = [(one.get("filter"), one.get("label")) for one in parsed(qml).findall("renderer-v2/rules/rule")]
    assert len(rules) == len(names) == len(STEPS_M) + 2
    for depth_m, words in ((-1.0, "dries"), (0.0, "0 to 3 m"), (9.1, "6 to 12 m"), (500.0, "96 m and deeper")):
        with closing(sqlite3.connect(":memory:")) as db:
            db.execute(f'CREATE TABLE t ("{column}" REAL)')
            db.execute("INSERT INTO t VALUES (?)", (depth_m / factor,))
            # SQL reads these conditions as a GIS does
            told = [label for test, label in rules if db.execute(f"SELECT {test} FROM t").fetchone()[0]]  # noqa: S608 - ours
        assert told == [words]
    assert rules[-1] == (f'"{column}" IS NULL', "unknown")
    assert len(list(parsed(sld).iter(f"{OGC}PropertyIsNull"))) == 1
