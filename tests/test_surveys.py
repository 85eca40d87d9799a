"""Surveys in: every cell as it was written, and everything that is no survey told in words."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pyproj
import pytest
import rasterio
from affine import Affine
from rasterio.windows import Window

from layers import surveygrid
from layers._errors import InputError
from layers.datums import DATUM_OF_CODE
from layers.grid import open_grid
from layers.projection import choose_projection
from layers.surveys import SurveyOptions, looks_like_survey, survey_made

REAL = Path(__file__).parents[2] / "shared" / "data" / "F00788_SR_8m.bag"
FILL = np.float32(1e6)
WEST, SOUTH = 500_000.0, 5_330_000.0
MLLW = SurveyOptions(datum="MLLW")

XML = """<?xml version="1.0"?>
<gmi:MI_Metadata xmlns:gmi="http://www.isotc211.org/2005/gmi" xmlns:gmd="http://www.isotc211.org/2005/gmd"
 xmlns:gml="http://www.opengis.net/gml/3.2" xmlns:gco="http://www.isotc211.org/2005/gco"
 xmlns:bag="http://www.opennavsurf.org/schema/bag">
<gmd:dateStamp><gco:Date>2020-05-06</gco:Date></gmd:dateStamp>
<gmd:spatialRepresentationInfo><gmd:MD_Georectified>
<gmd:axisDimensionProperties><gmd:MD_Dimension><gmd:dimensionName><gmd:MD_DimensionNameTypeCode
 codeListValue="row">row</gmd:MD_DimensionNameTypeCode></gmd:dimensionName>
<gmd:dimensionSize><gco:Integer>{rows}</gco:Integer></gmd:dimensionSize>
<gmd:resolution><gco:Measure uom="m">{cell}</gco:Measure></gmd:resolution></gmd:MD_Dimension>
</gmd:axisDimensionProperties>
<gmd:axisDimensionProperties><gmd:MD_Dimension><gmd:dimensionName><gmd:MD_DimensionNameTypeCode
 codeListValue="column">column</gmd:MD_DimensionNameTypeCode></gmd:dimensionName>
<gmd:dimensionSize><gco:Integer>{columns}</gco:Integer></gmd:dimensionSize>
<gmd:resolution><gco:Measure uom="m">{cell}</gco:Measure></gmd:resolution></gmd:MD_Dimension>
</gmd:axisDimensionProperties>
<gmd:cornerPoints><gml:Point gml:id="id1"><gml:coordinates decimal="." cs="," ts=" ">{west},{south} {east},{north}
</gml:coordinates></gml:Point></gmd:cornerPoints>
<gmd:pointInPixel><gmd:MD_PixelOrientationCode>center</gmd:MD_PixelOrientationCode></gmd:pointInPixel>
</gmd:MD_Georectified></gmd:spatialRepresentationInfo>
<gmd:referenceSystemInfo><gmd:MD_ReferenceSystem><gmd:referenceSystemIdentifier><gmd:RS_Identifier>
<gmd:code><gco:CharacterString>{wkt}</gco:CharacterString></gmd:code>
<gmd:codeSpace><gco:CharacterString>WKT</gco:CharacterString></gmd:codeSpace>
</gmd:RS_Identifier></gmd:referenceSystemIdentifier></gmd:MD_ReferenceSystem></gmd:referenceSystemInfo>
<gmd:referenceSystemInfo><gmd:MD_ReferenceSystem><gmd:referenceSystemIdentifier><gmd:RS_Identifier>
<gmd:code><gco:CharacterString>VERT_CS["{datum}", VERT_DATUM["{datum}", 2000]]</gco:CharacterString></gmd:code>
<gmd:codeSpace><gco:CharacterString>WKT</gco:CharacterString></gmd:codeSpace>
</gmd:RS_Identifier></gmd:referenceSystemIdentifier></gmd:MD_ReferenceSystem></gmd:referenceSystemInfo>
<gmd:identificationInfo><bag:BAG_DataIdentification>
<gmd:citation><gmd:CI_Citation><gmd:title><gco:CharacterString>Survey of the Sound</gco:CharacterString></gmd:title>
</gmd:CI_Citation></gmd:citation>
<gmd:extent><gml:TimePeriod><gml:beginPosition>2019-07-01</gml:beginPosition>
<gml:endPosition>2019-08-09</gml:endPosition>
</gml:TimePeriod></gmd:extent>
<bag:verticalUncertaintyType><bag:BAG_VertUncertCode codeListValue="{kind}">{kind}</bag:BAG_VertUncertCode>
</bag:verticalUncertaintyType></bag:BAG_DataIdentification></gmd:identificationInfo>
</gmi:MI_Metadata>"""


def bag(file: Path, *, shape: tuple[int, int] = (30, 40), cell: float = 8.0, kind: str = "productUncert",
        datum: str = "Mean Lower Low Water", **more: Any) -> tuple[np.ndarray, np.ndarray]:  # fmt: skip
    """Write a BAG as the Open Navigation Surface's document lays it out (from memory): rows from the south."""
    rng = np.random.default_rng(5)
    rows, columns = shape
    elevation = (-40 + 10 * rng.random((rows, columns))).astype(np.float32)
    uncertainty = (0.1 + rng.random((rows, columns))).astype(np.float32)
    gap = rng.random((rows, columns)) < 0.3
    elevation[gap] = uncertainty[gap] = FILL
    wkt = more.get("wkt", pyproj.CRS.from_epsg(26910).to_wkt("WKT1_GDAL"))
    xml = XML.format(rows=rows, columns=columns, cell=cell, kind=kind, datum=datum, wkt=wkt.replace('"', "&quot;"),
                     west=WEST, south=SOUTH,
                     east=WEST + cell * (columns - 1), north=SOUTH + cell * (rows - 1))  # fmt: skip
    with h5py.File(file, "w") as out:
        root = out.create_group("BAG_root")
        root.attrs["Bag Version"] = np.bytes_(b"1.6.2")
        root["metadata"] = np.frombuffer(xml.encode(), "S1")
        for name, values in (("Elevation", elevation), ("Uncertainty", uncertainty)):
            root.create_dataset(name.lower(), data=values, **more.get("stored", {"fillvalue": FILL}))
            root[name.lower()].attrs[f"Minimum {name} Value"] = values.min()
            root[name.lower()].attrs[f"Maximum {name} Value"] = values[~gap].max()
    return elevation, uncertainty


def read_back(made) -> tuple[np.ndarray, np.ndarray | None, rasterio.DatasetReader]:
    (layer,) = made.files
    with rasterio.open(layer.path) as dataset:
        depth = dataset.read(1, masked=True).filled(np.nan)
        band = layer.keys.get("uncertainty")
        return depth, None if band is None else dataset.read(band, masked=True).filled(np.nan), dataset


def same(ours: np.ndarray, theirs: np.ndarray) -> bool:
    """Compare with a file's own rows, which begin in the south and hold the fill value."""
    return np.array_equal(ours, np.where(theirs == FILL, np.nan, theirs)[::-1], equal_nan=True)


@pytest.mark.realdata
@pytest.mark.skipif(not REAL.exists(), reason="the public survey is not in ../shared/data")
def test_the_real_survey_reads_back_exactly(tmp_path: Path) -> None:
    assert looks_like_survey(REAL)
    made = survey_made(REAL, tmp_path)
    (layer,) = made.files
    assert layer.path == REAL
    assert not list(tmp_path.iterdir())
    with h5py.File(REAL) as file:
        elevation, uncertainty = file["BAG_root/elevation"][:], file["BAG_root/uncertainty"][:]
    ours, sigma, _ = read_back(made)
    assert same(ours, elevation)
    assert same(sigma, uncertainty)
    assert np.isfinite(ours).sum() == 6537
    assert (layer.keys["values"], layer.keys["unit"], layer.keys["uncertainty"]) == ("elevation", "m", 2)
    assert "of a kind that the file does not say" in layer.keys["quality"]
    assert "datum" not in layer.keys
    assert made.origins[0].issued == date(2019, 11, 4)

    # A part that is cut out holds the same cells in the same places.
    row, column = np.argwhere(np.isfinite(ours))[3000]
    to = pyproj.Transformer.from_crs("EPSG:26910", "EPSG:4326", always_xy=True)
    here = to.transform(523_816.28 + 8 * column, 5_334_113.72 - 8 * row)
    part = survey_made(REAL, tmp_path, options=SurveyOptions(datum="MLLW", around=here, radius_m=150))
    (cut,) = part.files
    assert cut.keys["datum"] == "MLLW"
    with rasterio.open(REAL) as whole, rasterio.open(cut.path) as small:
        column, row = (
            np.round((small.transform.c - whole.transform.c) / 8),
            np.round((whole.transform.f - small.transform.f) / 8),
        )
        assert 38 <= small.width <= 43
        same_cells = whole.read(window=Window(column, row, small.width, small.height), masked=True).filled(np.nan)
        assert np.array_equal(small.read(), same_cells, equal_nan=True)
        assert small.transform.c == whole.transform.c + 8 * column


def test_a_survey_reads_back_exactly(tmp_path: Path) -> None:
    file = tmp_path / "survey"  # known by its content
    elevation, uncertainty = bag(file)
    assert looks_like_survey(file)
    made = survey_made(file, tmp_path / "scratch")
    (layer,), (origin,) = made.files, made.origins
    ours, sigma, _ = read_back(made)
    assert layer.path == (tmp_path / "scratch" / "survey.bag")  # GDAL knows a BAG by its name
    assert same(ours, elevation)
    assert same(sigma, uncertainty)
    assert dict(layer.keys) == {
        "form": "grid", "values": "elevation", "unit": "m", "datum": "MLLW", "uncertainty": 2,
        "quality": "its uncertainty is the product uncertainty of its maker, counted as it stands.",
    }  # fmt: skip
    assert (origin.name, origin.kind, origin.files) == ("survey", "survey", (file,))
    assert (origin.issued, origin.as_of) == (date(2020, 5, 6), date(2019, 8, 9))
    assert origin.source == "Survey of the Sound, BAG 1.6.2"
    assert made.findings == ()

    # Through the grid that plans use: a cell's own depth at its middle.
    row, column = np.argwhere(elevation != FILL)[37]
    to = pyproj.Transformer.from_crs("EPSG:26910", "EPSG:4326", always_xy=True)
    lon, lat = to.transform(WEST + 8 * column, SOUTH + 8 * row)
    projection = choose_projection(np.array([[lon, lat]]))
    grid = open_grid(layer.path, projection, values="elevation", unit="m", where="survey")
    assert grid.depth_at(*projection.to_local(lon, lat)) == -elevation[row, column]


def test_unknown_cells_are_unknown_even_where_the_file_forgets_to_say_so(tmp_path: Path) -> None:
    file = tmp_path / "survey.bag"
    elevation, uncertainty = bag(file, stored={})
    with rasterio.open(file) as dataset:
        assert dataset.nodata is None
    ours, sigma, _ = read_back(survey_made(file, tmp_path / "scratch"))
    assert same(ours, elevation)
    assert same(sigma, uncertainty)


@pytest.mark.parametrize("kind", ["rawStdDev", "cubeStdDev", "historicalStdDev"])
def test_a_standard_deviation_counts_1_96_times(tmp_path: Path, kind: str) -> None:
    file = tmp_path / "survey.bag"
    elevation, uncertainty = bag(file, kind=kind)
    made = survey_made(file, tmp_path / "scratch")
    ours, sigma, _ = read_back(made)
    assert same(ours, elevation)
    # source: 95 % of a normal distribution lie within 1.959964 standard deviations
    assert np.nanmax(np.abs(sigma / np.where(uncertainty == FILL, np.nan, uncertainty)[::-1] - 1.959964)) < 1e-4
    assert "1.96 times that is counted" in made.files[0].keys["quality"]


def variable(file: Path) -> dict[tuple[float, float], float]:
    """Write a BAG of variable resolution, 4 × 4 supergrids of 4 and 8 m nodes; return the elevation of each node."""
    n, size = 4, 32.0
    bag(file, shape=(n, n), cell=size)
    rng = np.random.default_rng(8)
    kinds = [("dimensions_x", "u4"), ("dimensions_y", "u4"), ("resolution_x", "f4"), ("resolution_y", "f4"),
             ("sw_corner_x", "f4"), ("sw_corner_y", "f4")]  # fmt: skip
    index = np.zeros((n, n), [("index", "u4"), *kinds])
    index["index"] = 0xFFFFFFFF
    nodes, parts, start = {}, [], 0
    for i in range(n):
        for j in range(n):
            if (i, j) == (3, 3):
                continue
            m = 8 if (i + j) % 2 else 4
            cell = size / m
            index[i, j] = (start, m, m, cell, cell, cell / 2, cell / 2)
            part = np.zeros(m * m, [("depth", "f4"), ("depth_uncrt", "f4")])
            part["depth"], part["depth_uncrt"] = -10 - rng.random(m * m) * 20, rng.random(m * m)
            parts.append(part)
            start += m * m
            for k, value in enumerate(part["depth"]):
                east, north = WEST - size / 2 + j * size, SOUTH - size / 2 + i * size
                nodes[east + (k % m + 0.5) * cell, north + (k // m + 0.5) * cell] = float(value)
    with h5py.File(file, "a") as out:
        root = out["BAG_root"]
        root["elevation"][:] = -99.0
        root["uncertainty"][:] = 0.5
        root["varres_metadata"] = index
        root["varres_metadata"].attrs.update(
            {f"{m}_resolution_{a}": np.float32(v) for m, v in (("min", 4), ("max", 8)) for a in "xy"}
        )
        root["varres_refinements"] = np.concatenate(parts)[None]
        limits = {"min_depth": -30, "max_depth": -10, "min_uncrt": 0, "max_uncrt": 1}
        root["varres_refinements"].attrs.update({name: np.float32(value) for name, value in limits.items()})
    return nodes


def test_variable_resolution_is_never_its_overview_and_nowhere_deeper_than_its_nodes(tmp_path: Path) -> None:
    file = tmp_path / "variable.bag"
    nodes = variable(file)
    made = survey_made(file, tmp_path / "scratch")
    assert "variable resolution" in str(made.findings[0])
    ours, sigma, dataset = read_back(made)
    assert dataset.res == (8.0, 8.0)
    assert -31 < np.nanmin(ours) <= np.nanmax(ours) < -10
    assert np.isfinite(ours).sum() == 15 * 16
    assert np.nanmax(sigma) <= 1.0
    (x, y), elevation = np.array(list(nodes)).T, np.array(list(nodes.values()))
    to = pyproj.Transformer.from_crs("EPSG:26910", "EPSG:4326", always_xy=True)
    lon, lat = to.transform(x, y)
    projection = choose_projection(np.column_stack([lon, lat]))
    grid = open_grid(made.files[0].path, projection, values="elevation", unit="m", where="survey")
    depth = grid.depth_at(*projection.to_local(lon, lat))
    known = np.isfinite(depth)
    assert known.mean() > 0.7
    assert (depth[known] <= -elevation[known] + 1e-4).all()


def s102(file: Path, *, edition: str = "3.0.0", instances: int = 1, group: str = "Group_001", uncertain: bool = True,
         old_crs: bool = False, **more: object) -> list[tuple[np.ndarray, np.ndarray]]:  # fmt: skip
    """Write S-102 as its editions 2.0 to 3.0 lay it out (from memory): depth positive down, rows from the south."""
    rng = np.random.default_rng(1)
    held = []
    with h5py.File(file, "w") as out:
        out.attrs.update({"productSpecification": f"INT.IHO.S-102.{edition}", "issueDate": "20240131",
                          "geographicIdentifier": "Merrow Sound", "verticalCS": np.int32(6498),
                          "verticalDatum": np.uint16(12), "verticalDatumReference": np.uint8(1)})  # fmt: skip
        if old_crs:
            out.attrs.update({"horizontalDatumReference": "EPSG", "horizontalDatumValue": np.int32(32610)})
        else:
            out.attrs["horizontalCRS"] = np.int32(32610)
        coverage = out.create_group("BathymetryCoverage")
        coverage.attrs.update({"dataCodingFormat": np.uint8(2), "numInstances": np.uint8(instances)})
        for number in range(1, instances + 1):
            depth = (20 + 30 * rng.random((6, 9))).astype(np.float32)
            sure = rng.random((6, 9)).astype(np.float32)
            depth[0, 0] = sure[0, 0] = FILL
            one = coverage.create_group(f"BathymetryCoverage.{number:02d}")
            one.attrs.update({"gridOriginLongitude": WEST + 1000 * number, "gridOriginLatitude": SOUTH,
                              "gridSpacingLongitudinal": 8.0, "gridSpacingLatitudinal": 4.0, "startSequence": "0,0",
                              "numPointsLongitudinal": np.uint32(9), "numPointsLatitudinal": np.uint32(6),
                              "sequencingRule.scanDirection": "Longitude, Latitude"})  # fmt: skip
            names = ["depth", "uncertainty"] if uncertain else ["depth"]
            values = np.empty((6, 9), [(name, "f4") for name in names])
            values["depth"] = depth
            if uncertain:
                values["uncertainty"] = sure
            one.create_group(group)["values"] = values
            held.append((depth, sure))
            one.attrs.update({key: value for key, value in more.items() if key != "root"})
        out.attrs.update(more.get("root", {}))
    return held


@pytest.mark.parametrize("edition", ["2.0", "2.1", "2.2.0", "3.0.0"])
@pytest.mark.parametrize("form", [{}, {"old_crs": True}, {"group": "Group.001"}, {"uncertain": False}])
def test_s102_reads_back_to_the_value(tmp_path: Path, edition: str, form: dict) -> None:
    file = tmp_path / "102US00.h5"
    ((depth, sure),) = s102(file, edition=edition, **form)
    assert looks_like_survey(file)
    made = survey_made(file, tmp_path / "scratch")
    (layer,) = made.files
    ours, sigma, dataset = read_back(made)
    assert (layer.path == file) == (form in ({}, {"old_crs": True}))  # GDAL reads these, h5py the others
    assert same(ours, depth)
    assert sigma is None if form == {"uncertain": False} else same(sigma, sure)
    assert dataset.crs.to_epsg() == 32610
    assert dataset.transform == Affine(8, 0, WEST + 996, 0, -4, SOUTH + 22)
    assert (layer.keys["values"], layer.keys["datum"]) == ("depth", "MLLW")
    assert made.origins[0].issued == date(2024, 1, 31)
    assert made.origins[0].source == f"Merrow Sound, S-102 {edition}"


def test_every_coverage_of_s102_counts(tmp_path: Path) -> None:
    """GDAL (3.10) opens the first and drops the others without a word."""
    held = s102(tmp_path / "two.h5", instances=2)
    made = survey_made(tmp_path / "two.h5", tmp_path / "scratch")
    assert len(made.files) == 2
    for layer, (depth, sure) in zip(made.files, held, strict=True):
        with rasterio.open(layer.path) as dataset:
            assert same(dataset.read(1, masked=True).filled(np.nan), depth)
            assert same(dataset.read(2, masked=True).filled(np.nan), sure)
    with rasterio.open(made.files[1].path) as dataset:
        assert dataset.transform.c == WEST + 1996


def test_datum_codes_are_those_that_gdal_names(tmp_path: Path) -> None:
    compared = 0
    for code, name in DATUM_OF_CODE.items():
        s102(tmp_path / "datum.h5", root={"verticalDatum": np.uint16(code)})
        with rasterio.open(tmp_path / "datum.h5") as dataset:
            theirs = dataset.tags().get("VERTICAL_DATUM_ABBREV", "")
        if theirs and name == name.upper():
            assert theirs == name
            compared += 1
    assert compared >= 6


def tiff(file: Path, *bands: np.ndarray, described: tuple[str, ...] = (), units: tuple[str, ...] = (),
         crs: str | None = "EPSG:32610", nodata: float | None = np.nan, **more: object) -> Path:  # fmt: skip
    profile = {"driver": "GTiff", "width": bands[0].shape[1], "height": bands[0].shape[0], "count": len(bands),
               "dtype": bands[0].dtype, "crs": crs, "nodata": nodata,
               "transform": Affine(8, 0, WEST, 0, -8, SOUTH)} | more  # fmt: skip
    with rasterio.open(file, "w", **profile) as out:
        for number, band in enumerate(bands, 1):
            out.write(band, number)
        if described:
            out.descriptions = described
        if units:
            out.units = units
    return file


DEEP = (10 + 30 * np.random.default_rng(2).random((12, 15))).astype(np.float32)
SURE = (0.2 + np.random.default_rng(3).random((12, 15))).astype(np.float32)
WHO = np.ones((12, 15), np.float32)


@pytest.mark.parametrize(
    ("bands", "form", "options", "keys"),
    [
        ((DEEP,), {"described": ("Depth",), "units": ("metre",)}, MLLW, ("depth", "m", "MLLW", None)),
        ((-DEEP, SURE, WHO), {"described": ("Elevation", "Uncertainty", "Contributor"), "units": ("metre",) * 3}, MLLW,
         ("elevation", "m", "MLLW", 2)),
        ((SURE, WHO, -DEEP), {"described": ("uncertainty", "count", "elevation"), "units": ("ft",) * 3}, MLLW,
         ("elevation", "ft", "MLLW", 2)),
        ((DEEP, SURE), {}, SurveyOptions("depth", "ft", "LAT"), ("depth", "ft", "LAT", 2)),
        ((-DEEP,), {"crs": "EPSG:26910+5703"}, SurveyOptions("elevation"), ("elevation", "m", "NAVD88", None)),
        ((-DEEP,), {"crs": "EPSG:26910+6360"}, SurveyOptions("elevation"), ("elevation", "ft", "NAVD88", None)),
    ],
)  # fmt: skip
def test_a_geotiff_says_what_it_holds(
    tmp_path: Path, bands: tuple, form: dict, options: SurveyOptions, keys: tuple
) -> None:
    made = survey_made(tiff(tmp_path / "grid.tif", *bands, **form), tmp_path / "scratch", options=options)
    found = made.files[0].keys
    assert (found["values"], found["unit"], found["datum"], found.get("uncertainty")) == keys
    ours, sigma, _ = read_back(made)
    assert np.array_equal(np.abs(ours), DEEP)
    assert (sigma is None) if keys[3] is None else np.array_equal(sigma, SURE)
    assert any("usual order" in str(one) for one in made.findings) == (len(bands) > 1 and not form)


def test_a_rotated_grid_is_cut_where_it_lies(tmp_path: Path) -> None:
    depth = (np.arange(200 * 300).reshape(200, 300) / 1000).astype(np.float32)
    turned = Affine.translation(WEST, SOUTH) @ Affine.rotation(30) @ Affine.scale(8, -8)
    file = tiff(tmp_path / "turned.tif", depth, described=("depth",), units=("m",), transform=turned)
    x, y = (turned @ (150.5, 100.5, 1))[:2]
    around = pyproj.Transformer.from_crs("EPSG:32610", "EPSG:4326", always_xy=True).transform(x, y)
    made = survey_made(file, tmp_path / "scratch", options=SurveyOptions(datum="LAT", around=around, radius_m=80))
    ours, _, dataset = read_back(made)
    assert 20 <= dataset.width <= 26
    row, column = (int(v) for v in np.argwhere(ours == depth[100, 150])[0])
    assert (dataset.transform @ (column + 0.5, row + 0.5, 1))[:2] == pytest.approx((x, y))


def test_longitudes_past_180_are_found(tmp_path: Path) -> None:
    depth = (np.arange(100 * 200).reshape(100, 200) / 1000).astype(np.float32)
    file = tiff(tmp_path / "far.tif", depth, described=("depth",), units=("m",), crs="EPSG:4326",
                transform=Affine(0.01, 0, 179.0, 0, -0.01, -16.5))  # fmt: skip
    made = survey_made(file, tmp_path / "scratch", options=SurveyOptions(around=(-179.5, -17.0), radius_m=3000))
    ours, _, dataset = read_back(made)
    assert dataset.bounds.left < 180.5 < dataset.bounds.right < 180.6
    assert depth[50, 150] in ours


def cut(file: Path) -> None:
    whole = file.read_bytes()
    file.write_bytes(whole[: len(whole) // 2])


def without(name: str) -> Callable[[Path], None]:
    def change(file: Path) -> None:
        with h5py.File(file, "a") as out:
            del out["BAG_root"][name]

    return change


def currents(file: Path) -> None:
    with h5py.File(file, "w") as out:
        out.create_group("SurfaceCurrent")


@pytest.mark.parametrize(
    ("change", "match"),
    [
        (cut, r"cannot be read \(OSError"),
        (without("elevation"), "is a BAG without elevation"),
        (without("uncertainty"), "is a BAG without uncertainty"),
        (without("metadata"), "cannot be read"),
        (currents, r"holds currents \(S-111\)"),
        (lambda file: file.write_text("lon,lat,depth_m\n"), r"is called \.bag and is no HDF5"),
        (lambda file: file.write_bytes(b""), r"is called \.bag and is no HDF5"),
        (lambda file: file.unlink(), "cannot be read .*No such file"),
        (lambda file: bag(file, wkt=""), "no coordinate system|cannot be read"),
        (lambda file: h5py.File(file, "w").close(), "holds no survey: its groups are nothing"),
    ],
)
def test_a_bad_bag_is_told(tmp_path: Path, change: Callable[[Path], None], match: str) -> None:
    file = tmp_path / "survey.bag"
    bag(file)
    change(file)
    with pytest.raises(InputError, match=match):
        survey_made(file, tmp_path / "scratch")


def test_hdf5_is_a_survey_by_what_is_in_it(tmp_path: Path) -> None:
    file = tmp_path / "water.h5"
    currents(file)
    assert not looks_like_survey(file)
    bag(file)
    assert looks_like_survey(file)
    cut(file)
    assert looks_like_survey(file)  # so that somebody says that it is cut short
    assert not looks_like_survey(tmp_path / "absent.bag")


@pytest.mark.parametrize(
    ("more", "match"),
    [
        ({"root": {"horizontalCRS": np.int32(-1)}}, "no coordinate system"),
        ({"root": {"verticalCS": np.int32(6499)}}, "counts depth down"),
        ({"sequencingRule.scanDirection": "Latitude, Longitude"}, "only rows from the south"),
        ({"numPointsLatitudinal": np.uint32(7)}, "says 7 × 9 cells and holds 6 × 9"),
        ({"gridSpacingLatitudinal": 0.0}, "have no size"),
    ],
)
def test_a_bad_s102_is_told(tmp_path: Path, more: dict, match: str) -> None:
    s102(tmp_path / "bad.h5", **more)
    with pytest.raises(InputError, match=match):
        survey_made(tmp_path / "bad.h5", tmp_path / "scratch")


def spoiled(value: float) -> np.ndarray:
    depth = DEEP.copy()
    depth[3, 4] = value
    return depth


@pytest.mark.parametrize(
    ("bands", "form", "options", "match"),
    [
        ((DEEP,), {}, SurveyOptions(unit="m"), "does not say its values"),
        ((DEEP,), {"crs": "EPSG:26910+5703"}, MLLW, "NAVD88 height, counts up"),
        ((DEEP,), {"described": ("depth",)}, MLLW, "does not say its unit"),
        ((DEEP,), {"described": ("depth",), "units": ("furlong",)}, MLLW, "unit 'furlong' is not known"),
        ((DEEP,), {"described": ("depth",), "units": ("m",)}, SurveyOptions(unit="ft"), 'says unit "m", and "ft"'),
        ((-DEEP,), {"crs": "EPSG:26910+5703"}, SurveyOptions("elevation", datum="MLLW"), 'datum "NAVD88", and "MLLW"'),
        ((DEEP, DEEP), {"described": ("depth", "depth 2")}, MLLW, "bands 1, 2 all call themselves"),
        ((DEEP,) * 4, {}, SurveyOptions("depth", "m"), "4 bands without descriptions"),
        ((SURE,), {"described": ("uncertainty",)}, MLLW, "no band is depth"),
        ((np.full((12, 15), np.nan, np.float32),), {}, SurveyOptions("depth", "m"), "no depth is known anywhere"),
        ((DEEP,), {"crs": None}, SurveyOptions("depth", "m"), "no coordinate system"),
        ((spoiled(1e6),), {"nodata": None}, SurveyOptions("depth", "m"), "column 5 holds 1e\\+06.*states no value"),
        ((spoiled(-9999),), {}, SurveyOptions("depth", "m"), "row 4, column 5 holds -9999"),
        ((spoiled(np.inf),), {}, SurveyOptions("depth", "m"), "holds inf, which is no depth in m"),
        ((spoiled(-np.inf),), {}, SurveyOptions("elevation", "m"), "holds -inf, which is no elevation in m"),
        ((DEEP, spoiled(-0.5)), {}, SurveyOptions("depth", "m"), "holds -0.5, which is no uncertainty"),
        ((DEEP, spoiled(1e6)), {}, SurveyOptions("depth", "m"), "holds 1e\\+06, which is no uncertainty"),
        ((np.zeros((12, 15), np.uint8),) * 3, {"nodata": None, "photometric": "RGB"}, MLLW, "is a picture"),
        ((DEEP,), {}, SurveyOptions("depth", "m", around=(10.0, 50.0), radius_m=500), "not reach 10.0000, 50"),
    ],
)  # fmt: skip
def test_a_bad_geotiff_is_told(tmp_path: Path, bands: tuple, form: dict, options: SurveyOptions, match: str) -> None:
    with pytest.raises(InputError, match=match):
        survey_made(tiff(tmp_path / "grid.tif", *bands, **form), tmp_path / "scratch", options=options)


def test_cells_without_an_uncertainty_are_told(tmp_path: Path) -> None:
    sure = SURE.copy()
    sure[:2] = np.nan
    says = SurveyOptions("depth", "m", "LAT")
    made = survey_made(tiff(tmp_path / "some.tif", DEEP, sure), tmp_path, options=says)
    assert "30 cells of known depth and unknown uncertainty" in " ".join(map(str, made.findings))
    none = survey_made(tiff(tmp_path / "none.tif", DEEP, np.full_like(SURE, np.nan)), tmp_path, options=says)
    assert "uncertainty" not in none.files[0].keys
    assert "states no uncertainty" in none.files[0].keys["quality"]


@pytest.mark.parametrize(
    ("options", "match"),
    [
        ({"values": "deep"}, "'deep' is not allowed"),
        ({"unit": "yard"}, "'yard' is not allowed"),
        ({"radius_m": -1.0}, "radius"),
        ({"cell_m": 0.0}, "cell"),
        ({"around": (48.0, -122.0)}, "not on the earth"),
    ],
)
def test_what_a_person_says_is_checked(options: dict, match: str) -> None:
    with pytest.raises(InputError, match=match):
        SurveyOptions(**options)


def sparse(file: Path, columns: int, rows: int, *, filled: Window | None = None) -> Path:
    profile = {"driver": "GTiff", "width": columns, "height": rows, "count": 2, "dtype": "float32", "nodata": 1e6,
               "crs": "EPSG:32610", "transform": Affine(1, 0, WEST, 0, -1, SOUTH), "tiled": True, "blockxsize": 512,
               "blockysize": 512, "SPARSE_OK": True, "interleave": "band"}  # fmt: skip
    with rasterio.open(file, "w", **profile) as out:
        if filled is not None:
            for band in (1, 2):
                out.write(
                    np.full((int(filled.height), int(filled.width)), 30.0 / band**5, np.float32), band, window=filled
                )
        out.descriptions, out.units = ("depth", "uncertainty"), ("m", "m")
    return file


def test_a_grid_too_large_is_refused_and_a_part_of_it_taken(tmp_path: Path) -> None:
    file = sparse(tmp_path / "vast.tif", 100_000, 50_000, filled=Window(60_000, 20_000, 300, 300))
    assert file.stat().st_size < 5_000_000
    with pytest.raises(InputError, match=r"100,000 × 50,000 cells are 5,000 million; at most 200 million.*Cut out"):
        survey_made(file, tmp_path, options=MLLW)
    to = pyproj.Transformer.from_crs("EPSG:32610", "EPSG:4326", always_xy=True)
    here = to.transform(WEST + 60_150, SOUTH - 20_150)
    made = survey_made(file, tmp_path, options=SurveyOptions(datum="MLLW", around=here, radius_m=100))
    ours, sigma, _ = read_back(made)
    assert (ours == 30.0).all()
    assert ours.shape == sigma.shape
    assert 200 <= ours.shape[0] <= 206
    with pytest.raises(InputError, match="at most 200 million"):
        survey_made(file, tmp_path, options=SurveyOptions(datum="MLLW", around=here, radius_m=15_000))
    elsewhere = to.transform(WEST + 1000, SOUTH - 1000)
    with pytest.raises(InputError, match="no depth is known there"):
        survey_made(file, tmp_path, options=SurveyOptions(datum="MLLW", around=elsewhere, radius_m=100))


def test_a_file_that_must_be_read_whole_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(surveygrid, "_MOST_BLOCK_BYTES", 1000)
    file = tiff(tmp_path / "block.tif", np.ones((60, 60), np.float32), blockysize=60)
    with pytest.raises(InputError, match=r"blocks of 60 × \d+, which must be read whole.*TILED=YES"):
        survey_made(file, tmp_path, options=SurveyOptions("depth", "m", "LAT"))


def test_memory_of_a_part_does_not_grow_with_the_grid(tmp_path: Path) -> None:
    """A part of 5,000 × 5,000 cells of 20,000 × 20,000: the cells read are 200 MB, the grid's 3,200 MB."""
    file = sparse(tmp_path / "large.tif", 20_000, 20_000, filled=Window(7168, 7168, 5632, 5632))
    # Not getrusage, whose peak a process inherits from the one that started it.
    code = (
        "import sys; from pathlib import Path; from layers.surveys import SurveyOptions, survey_made\n"
        "peak = lambda: Path('/proc/self/status').read_text().split('VmHWM:')[1].split()[0]\n"
        "around, before = (float(sys.argv[3]), float(sys.argv[4])), peak()\n"
        "options = SurveyOptions(datum='MLLW', around=around, radius_m=2500)\n"
        "made = survey_made(Path(sys.argv[1]), Path(sys.argv[2]), options=options)\n"
        "print(peak(), before)"
    )
    to = pyproj.Transformer.from_crs("EPSG:32610", "EPSG:4326", always_xy=True)
    here = to.transform(WEST + 10_000, SOUTH - 10_000)
    arguments = [sys.executable, "-c", code, str(file), str(tmp_path), *map(str, here)]
    told = subprocess.run(arguments, capture_output=True, text=True, check=True)
    peak, before = (int(word) / 1024 for word in told.stdout.split())
    assert peak < 400
    assert peak - before < 250
