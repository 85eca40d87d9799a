"""IHO S-104 as a tide layer: read back to the value, between nodes, beyond them, its datum, and what is refused."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from zoneinfo import ZoneInfo

import h5py
import numpy as np
import pytest
import rasterio
import shapely

from layers._errors import Finding, InputError
from layers.model import Tide
from layers.projection import LocalProjection
from layers.tables import Table, raise_all
from layers.tide import StationTide, TideFile, open_tide
from layers.tidegrid import REACH_M
from layers.tidetables import layer_terms
from layers.waterlevel import read_water_level
from tests.coverage_writer import LEVEL, moment, records, s100py_level, seconds, write_grids, write_stations

UTC = ZoneInfo("UTC")
LOCAL = LocalProjection(-156.95, 46.82)
LON, LAT = -157.0 + 0.02 * np.arange(6), 46.8 + 0.01 * np.arange(5)
TIMES = np.array([seconds(hour) for hour in range(3)])
BOX = (-3000.0, -2000.0, 3000.0, 2000.0)


def heights() -> np.ndarray:
    """Return heights, (times, latitudes, longitudes): two nodes on land, one dry at the second hour."""
    told = np.random.default_rng(3).uniform(-1, 4, (3, 5, 6)).round(2)
    told[:, 0, 0] = told[:, 0, 1] = told[1, 4, 5] = np.nan
    return told


def write_level(
    file: Path, change: Callable[[h5py.File], None] | None = None, product: str = "INT.IHO.S-104.1.1"
) -> Path:
    return write_grids(file, product, [(LON, LAT, records(LEVEL, heights()))], change)


def series() -> np.ndarray:
    return np.random.default_rng(5).uniform(-1, 4, (2, 5)).round(2)


def write_gauges(file: Path, change: Callable[[h5py.File], None] | None = None) -> Path:
    places = zip(("North Cape", "Kelp Bay"), (-157.0, -156.9), (46.8, 46.85), series(), strict=True)
    told = [(name, lon, lat, records(LEVEL, rows)) for name, lon, lat, rows in places]
    return write_stations(file, "INT.IHO.S-104.1.1", told, change)


def opened(
    *files: Path, datum: str = "MLLW", within: tuple[float, float, float, float] | None = None, **keys: str
) -> Tide:
    """Open files as an area would; keys are those of their [[layer]]."""
    found: list[Finding] = []
    layers = []
    for file in files:
        table = Table(keys if file.suffix == ".h5" else {}, "layer 2", found)
        layers.append(TideFile(file, file.name, layer_terms(table, file, zone=UTC, datum=datum)))
        table.done()
    raise_all(found)
    folder = files[0].parent
    return open_tide(layers, folder=folder, projection=LOCAL, zone=UTC, datum=datum, within=within)


def at(tide: Tide, lon: object, lat: object, time: object) -> np.ndarray:
    x, y = LOCAL.to_local(np.asarray(lon, dtype=float), np.asarray(lat, dtype=float))
    return tide.height_at(x, y, np.asarray(time, dtype=float))


def by_h5py(file: Path, edition: str) -> Path:
    return write_level(file, product=f"INT.IHO.S-104.{edition}")


def by_s100py(file: Path, edition: str) -> Path:
    return s100py_level(file, edition, LON, LAT, heights())


@pytest.mark.parametrize("edition", ["1.0", "1.1", "2.0"])
@pytest.mark.parametrize("write", [by_h5py, by_s100py])
def test_every_height_is_read_back(tmp_path: Path, write: Callable[[Path, str], Path], edition: str) -> None:
    file = write(tmp_path / "level.h5", edition)
    level = read_water_level(file, file.name)
    assert (level.datum, level.header.edition) == ("MLLW", edition)
    (grid,) = level.grids
    np.testing.assert_allclose(grid.lon_deg, LON, atol=1e-9)
    np.testing.assert_allclose(grid.lat_deg, LAT, atol=1e-9)
    np.testing.assert_array_equal(grid.time_s, TIMES)
    np.testing.assert_array_equal(grid.values[0], heights().astype(np.float32))
    tide = opened(file)
    assert tide.reach_s == (TIMES[0], TIMES[-1])
    time, lat, lon = np.meshgrid(TIMES, LAT, LON, indexing="ij")
    known = np.isfinite(heights()[1]) & np.isfinite(heights()[0])
    np.testing.assert_allclose(at(tide, lon, lat, time)[:, known], heights()[:, known], atol=1e-5)


def test_gdal_reads_the_same_grid(tmp_path: Path) -> None:
    file = by_s100py(tmp_path / "level.h5", "2.0")
    (grid,) = read_water_level(file, file.name).grids
    for hour in range(3):
        with rasterio.open(f'S104:"{file}":Group_{hour + 1:03d}') as raster:
            told = raster.read(1, masked=True).astype(float).filled(np.nan)
            west, north = rasterio.transform.xy(raster.transform, 0, 0)
        np.testing.assert_allclose(np.asarray(told), grid.values[0][hour][::-1], atol=1e-6)
        assert (west, north) == pytest.approx((LON[0], LAT[-1]))


def test_bilinear_in_place_and_linear_in_time(tmp_path: Path) -> None:
    tide = opened(write_level(tmp_path / "level.h5"))
    part = np.array([0.3, 0.6, 0.2])  # of the way in longitude, latitude, time from node (2, 2) at the first hour
    shares = [np.array([1 - one, one]) for one in part]
    expected = np.einsum("tyx,x,y,t->", heights()[0:2, 2:4, 2:4], *shares)
    place = (LON[2] + part[0] * 0.02, LAT[2] + part[1] * 0.01, TIMES[0] + part[2] * 3600)
    assert at(tide, *place) == pytest.approx(expected, abs=1e-5)


def test_beyond_known_nodes_the_lowest_near_them_and_then_nothing(tmp_path: Path) -> None:
    tide = opened(write_level(tmp_path / "level.h5"))
    here = np.array([heights()[0, :, :2], heights()[1, :, :2]])
    corner = at(tide, LON[0], LAT[0], TIMES[:2])  # on land
    assert np.isfinite(corner).all()
    # nodes whose corners lie within reach: one column on, two rows up
    lowest = np.nanmin(here[:, :3], axis=(1, 2))
    np.testing.assert_allclose(corner, lowest, atol=1e-5)
    # off the edge, by distance: told within reach of a node, not farther
    x, y = (float(one) for one in LOCAL.to_local(LON[3], LAT[4]))
    off = tide.height_at(np.full(3, x), y + np.array([1.0, 0.5 * REACH_M, 1.01 * REACH_M]), np.full(3, TIMES[0]))
    assert np.isfinite(off).tolist() == [True, True, False]
    assert np.isnan(at(tide, -156.0, 46.82, TIMES[0]))
    assert np.isnan(at(tide, LON[3], LAT[3], [TIMES[0] - 1, TIMES[-1] + 1, np.nan])).all()


def test_no_jump_into_the_water_beyond(tmp_path: Path) -> None:
    tide = opened(write_level(tmp_path / "level.h5"))
    largest = []
    for steps in (2_000, 8_000, 32_000):
        share = np.linspace(0, 1, steps)
        path = at(tide, LON[0] - 0.005 + 0.11 * share, LAT[0] - 0.005 + 0.05 * share, TIMES[0] + 7200 * share)
        assert np.isfinite(path).all()
        largest.append(np.abs(np.diff(path)).max())
    assert largest[1] < 0.3 * largest[0]
    assert largest[2] < 0.3 * largest[1]


def test_least_is_never_undercut(tmp_path: Path) -> None:
    tide = opened(write_level(tmp_path / "level.h5"), write_gauges(tmp_path / "gauges.h5"))
    random = np.random.default_rng(7)
    for start, end in np.sort(random.uniform(TIMES[0], TIMES[-1], (30, 2)), axis=1):
        least = tide.least_m(start, end)
        x, y = random.uniform(-8000, 8000, (2, 400))
        assert np.nanmin(tide.height_at(x[:, None], y[:, None], np.linspace(start, end, 25))) >= least
    whole = min(np.nanmin(heights()), series()[:, :3].min())
    assert tide.least_m(TIMES[0], TIMES[-1]) == pytest.approx(whole, abs=1e-4)
    assert np.isnan(tide.least_m(TIMES[0] - 1, TIMES[-1]))


def test_where_the_tide_is_known(tmp_path: Path) -> None:
    tide = opened(write_level(tmp_path / "level.h5"))
    box = (-30_000.0, -30_000.0, 30_000.0, 30_000.0)
    known = tide.known(box)
    rim = shapely.get_coordinates(shapely.segmentize(known, 300.0))
    for time in TIMES:
        assert np.isfinite(tide.height_at(*rim.T, np.full(len(rim), time))).all()
    x, y = np.random.default_rng(2).uniform(-12_000, 12_000, (2, 2000))
    outside = ~shapely.intersects_xy(known.buffer(10.0), x, y)
    assert outside.sum() > 200
    assert np.isnan(tide.height_at(x, y, np.full(x.shape, TIMES[1]))[outside]).all()
    both = opened(tmp_path / "level.h5", write_gauges(tmp_path / "gauges.h5"))
    assert both.known(box).area == pytest.approx(60_000.0**2)
    assert np.isfinite(both.height_at(x, y, np.full(x.shape, TIMES[1]))).all()


def test_only_the_area_of_a_large_grid_is_read(tmp_path: Path) -> None:
    lon, lat = np.arange(-158.0, -155.0, 0.02), np.arange(45.0, 48.0, 0.01)
    told = np.random.default_rng(1).uniform(0, 1, (3, len(lat), len(lon)))
    told[0, 0, 0] = -9.0  # a low far away
    file = write_grids(tmp_path / "level.h5", "INT.IHO.S-104.2.0", [(lon, lat, records(LEVEL, told))])
    whole, part = opened(file), opened(file, within=BOX)
    x, y = np.random.default_rng(2).uniform(BOX[:2], BOX[2:], (500, 2)).T
    time = np.full(500, TIMES[0] + 1000.0)
    np.testing.assert_allclose(part.height_at(x, y, time), whole.height_at(x, y, time), atol=1e-6)
    assert whole.least_m(TIMES[0], TIMES[0] + 60) < -8.0
    assert part.least_m(TIMES[0], TIMES[0] + 60) > -0.1
    with pytest.raises(InputError, match="tells no water level in the area"):
        opened(file, within=(900_000.0, 0.0, 901_000.0, 1000.0))


def test_stations_are_read_back(tmp_path: Path) -> None:
    tide = opened(write_gauges(tmp_path / "gauges.h5"))
    assert isinstance(tide, StationTide)
    assert [one.name for one in tide.stations] == ["North Cape", "Kelp Bay"]
    for one, rows in zip(tide.stations, series(), strict=True):
        hours = np.array([seconds(hour) for hour in range(5)])
        np.testing.assert_allclose(tide.height_at(one.point.x, one.point.y, hours), rows, atol=1e-6)
    lon, lat = LOCAL.to_geographic(tide.stations[1].point.x, tide.stations[1].point.y)
    assert (float(lon), float(lat)) == pytest.approx((-156.9, 46.85), abs=1e-9)


def test_stations_by_time_and_with_times_of_their_own(tmp_path: Path) -> None:
    def by_time(root: h5py.File) -> None:
        root["WaterLevel"].attrs["dataCodingFormat"] = np.uint8(1)
        one = root["WaterLevel/WaterLevel.01"]
        for name in ("Group_001", "Group_002"):
            del one[name]
        for hour, pair in enumerate(series().T):
            group = one.create_group(f"Group_{hour + 1:03d}")
            group.attrs["timePoint"] = moment(hour)
            group["values"] = records(LEVEL, pair)
        one.attrs["numGRP"] = np.uint32(5)

    def own_times(root: h5py.File) -> None:
        dtype = np.dtype([*LEVEL.descr, ("waterLevelTime", "S16")])
        for count, rows in enumerate(series(), 1):
            group = root[f"WaterLevel/WaterLevel.01/Group_{count:03d}"]
            told = np.zeros(5, dtype=dtype)
            told["waterLevelHeight"] = rows
            told["waterLevelHeight"][2] = -9999.0
            told["waterLevelTime"] = [moment(hours).encode() for hours in (0, 0.5, 1, 1.5, 2)]
            del group["values"]
            group["values"] = told

    files = [write_gauges(tmp_path / f"{one.__name__}.h5", one) for one in (by_time, own_times)]
    hours = np.array([seconds(hour) for hour in range(5)])
    for tide, scale, kept in ((opened(files[0]), 1.0, range(5)), (opened(files[1]), 0.5, (0, 1, 3, 4))):
        for one, rows in zip(tide.stations, series(), strict=True):
            moments = hours[0] + scale * (hours[list(kept)] - hours[0])
            np.testing.assert_allclose(tide.height_at(one.point.x, one.point.y, moments), rows[list(kept)], atol=1e-6)


# The datum


@pytest.mark.parametrize(
    ("register", "code", "name"),
    [(1, 12, "MLLW"), (1, 23, "LAT"), (1, 3, "MSL"), (2, 5866, "MLLW"), (2, 5703, "NAVD88"), (2, 5861, "LAT")],
)
def test_datum(tmp_path: Path, register: int, code: int, name: str) -> None:
    def change(root: h5py.File) -> None:
        root.attrs.update({"verticalDatumReference": np.uint8(register), "verticalDatum": np.int32(code)})

    file = write_level(tmp_path / "level.h5", change)
    assert read_water_level(file, file.name).datum == name
    node = heights()[0, 2, 2]
    assert at(opened(file, datum=name), LON[2], LAT[2], TIMES[0]) == pytest.approx(node, abs=1e-5)
    with pytest.raises(
        InputError, match=rf"level\.h5: its heights count from {name}, and the area's depth_datum is ZZ"
    ):
        opened(file, datum="ZZ")
    shifted = opened(file, datum="ZZ", offset="0.5 m")
    assert at(shifted, LON[2], LAT[2], TIMES[0]) == pytest.approx(node + 0.5, abs=1e-5)
    assert shifted.least_m(TIMES[0], TIMES[-1]) == pytest.approx(np.nanmin(heights()) + 0.5, abs=1e-4)


def test_keys_of_the_layer(tmp_path: Path) -> None:
    file = write_level(tmp_path / "level.h5")
    opened(file, datum="MLLW")
    with pytest.raises(InputError, match=r"its layer says datum = .LAT., and its heights count from MLLW"):
        open_with_key(file, "LAT")
    with pytest.raises(InputError, match="key 'form': is told by the file itself"):
        opened(file, form="series")
    with pytest.raises(InputError, match=r"'level\.nc' is none of \.toml, \.csv, \.h5"):
        opened(tmp_path / "level.nc")


def open_with_key(file: Path, said: str) -> Tide:
    table = Table({"datum": said}, "layer 2", [])
    terms = layer_terms(table, file, zone=UTC, datum="MLLW")
    layer = TideFile(file, file.name, terms)
    return open_tide([layer], folder=file.parent, projection=LOCAL, zone=UTC, datum="MLLW")


# What is refused

ONE = "WaterLevel/WaterLevel.01"


def attribute(path: str, key: str, value: object) -> Callable[[h5py.File], None]:
    return lambda root: root[path].attrs.__setitem__(key, value)


def without(path: str, key: str = "") -> Callable[[h5py.File], None]:
    return lambda root: root[path].attrs.__delitem__(key) if key else root.__delitem__(path)


def table(key: str, value: bytes) -> Callable[[h5py.File], None]:
    def change(root: h5py.File) -> None:
        info = root["Group_F/WaterLevel"][...]
        info[key][0] = value
        root["Group_F/WaterLevel"][...] = info

    return change


def node(value: float) -> Callable[[h5py.File], None]:
    return lambda root: root[f"{ONE}/Group_002/values"].__setitem__((2, 2), np.array((value, 0), dtype=LEVEL))


def all_filled(root: h5py.File) -> None:
    root[f"{ONE}/Group_002/values"][...] = records(LEVEL, np.full((5, 6), np.nan))


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (table("uom.name", b"feet"), "waterLevelHeight is in 'feet'; S-104 has it in metre"),
        (table("fillValue", b"-1.0"), "Group_001 tells a height of 9999 m: no tide stands so far"),
        (node(1e9), "Group_002 tells a height of 1e.09 m"),
        (node(np.inf), "Group_002 holds an infinite height"),
        (attribute("/", "verticalDatum", 99), "vertical datum has the code 99"),
        (without("/", "verticalDatum"), "does not say what its heights count from"),
        (attribute("/", "verticalDatumReference", 7), "verticalDatumReference is 7"),
        (attribute("/", "verticalCS", 6498), r"verticalCS is EPSG:6498; heights in metres upwards \(6499\)"),
        (attribute("/", "verticalCoordinateBase", 1), "verticalCoordinateBase is 1"),
        (attribute(ONE, "verticalDatum", 23), "its heights count from LAT, and the area's depth_datum is MLLW"),
        (attribute("/", "horizontalCRS", 32605), "not WGS 84 .EPSG:32605"),
        (attribute("WaterLevel", "dataCodingFormat", 7), "dataCodingFormat is 7 .a triangulated network"),
        (attribute("WaterLevel", "numInstances", 2), "says it holds 2 instances, and holds 1"),
        (attribute(ONE, "dataDynamicity", 6), "dataDynamicity is 6: a difference of two kinds of data"),
        (attribute(ONE, "typeOfWaterLevelData", 9), "typeOfWaterLevelData is 9: a difference"),
        (attribute(ONE, "numGRP", 4), "says it holds 4 times, and holds 3"),
        (attribute(ONE, "numPointsLongitudinal", 7), r"has \(5, 6\) values, and the grid is \(5, 7\)"),
        (attribute(ONE, "numPointsLongitudinal", np.uint32(4_000_000_000)), "has 4000000000 longitudes"),
        (attribute(ONE, "numPointsLongitudinal", -3), "has -3 longitudes"),
        (attribute(ONE, "gridOriginLatitude", 95.0), "its nodes are not on the earth"),
        (attribute(ONE, "gridOriginLatitude", np.nan), "its latitudes begin at nan"),
        (attribute(ONE, "gridSpacingLongitudinal", 0.0), "longitudes begin at -157 and are 0° apart"),
        (attribute(ONE, "dataOffsetCode", 3), "dataOffsetCode is 3"),
        (attribute(ONE, "startSequence", "4,0"), "startSequence is '4,0'"),
        (attribute(f"{ONE}/Group_002", "timePoint", "20261314T130000Z"), r"cannot be read \(ValueError"),
        (attribute(f"{ONE}/Group_002", "timePoint", "20260814T110000Z"), "its times do not run one way"),
        (attribute(f"{ONE}/Group_003", "timePoint", "20260814T160000Z"), "nothing is told for 3.0 h .*13:00Z"),
        (all_filled, "Group_002 tells no height in the area"),
        (without("Group_F"), "does not say its units"),
        (without(f"{ONE}/Group_001/values"), r"cannot be read \(KeyError"),
        (without(ONE), "says it holds 1 instances, and holds 0"),
        (lambda root: root.move("WaterLevel", "Currents"), "has no group WaterLevel: it is not S-104"),
        (lambda root: root.move(f"{ONE}/Group_001", "away"),
         "says it holds 3 times, and holds 2"),
    ],
)  # fmt: skip
def test_bad_grid(tmp_path: Path, change: Callable[[h5py.File], None], message: str) -> None:
    file = write_level(tmp_path / "level.h5", change)
    with pytest.raises(InputError, match=rf"level\.h5: .*{message}"):
        opened(file)


GAUGE = f"{ONE}/Group_001"


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (attribute(ONE, "numberOfStations", 3), "says it holds 3 stations, and has 2 positions"),
        (attribute(GAUGE, "numberOfTimes", 6), r"Group_001 has \(5,\) values, and the grid is \(6,\)"),
        (attribute(GAUGE, "endDateTime", "20260814T190000Z"), "does not end at 20260814T190000Z"),
        (without(GAUGE, "timeRecordInterval"), "states neither times nor a start and an interval"),
        (attribute(GAUGE, "timeIntervalIndex", 0), "states neither times nor a start and an interval"),
        (without(f"{ONE}/Group_002"), "says it holds 2 times, and holds 1"),
        (lambda root: root[f"{ONE}/Positioning/geometryValues"].__setitem__(0, (-157.0, 99.0)), "not on the earth"),
        (lambda root: root[f"{GAUGE}/values"].__setitem__(1, (1e9, 0)), "'North Cape' tells a height of 1e.09 m"),
        (lambda root: root[f"{GAUGE}/values"].__setitem__(slice(1, 3), (-9999.0, 0)), "for 3.0 h .*North Cape"),
        (lambda root: root[f"{GAUGE}/values"].__setitem__(slice(1, 5), (-9999.0, 0)), "has 1 times at 'North Cape'"),
        (attribute(f"{ONE}/Group_002", "stationName", "North Cape"), "the station 'North Cape' comes twice"),
    ],
)  # fmt: skip
def test_bad_stations(tmp_path: Path, change: Callable[[h5py.File], None], message: str) -> None:
    file = write_gauges(tmp_path / "gauges.h5", change)
    with pytest.raises(InputError, match=rf"gauges\.h5: .*{message}"):
        opened(file)


@pytest.mark.parametrize("kept", [0, 4, 0.02, 0.5, 0.95])
def test_truncated(tmp_path: Path, kept: float, capfd: pytest.CaptureFixture[str]) -> None:
    file = write_level(tmp_path / "level.h5")
    whole = file.read_bytes()
    file.write_bytes(whole[: int(kept if kept in (0, 4) else kept * len(whole))])
    with pytest.raises(InputError, match=r"level\.h5: (is not HDF5|cannot be read .*it may be cut short)"):
        opened(file)
    assert not capfd.readouterr().err


def test_larger_than_is_held(tmp_path: Path) -> None:
    def grown(root: h5py.File) -> None:
        one = root[ONE]
        one.attrs.update({"numPointsLongitudinal": np.uint32(5000), "numPointsLatitudinal": np.uint32(5000)})
        one.attrs.update({"gridSpacingLongitudinal": 1e-4, "gridSpacingLatitudinal": 1e-4})
        for name in ("Group_001", "Group_002", "Group_003"):
            del one[name]["values"]
            one[name].create_dataset("values", (5000, 5000), dtype=LEVEL, chunks=(100, 100), compression=1)

    file = write_level(tmp_path / "level.h5", grown)
    assert file.stat().st_size < 1_000_000
    with pytest.raises(InputError, match="holds 75 million values; at most 30 million are read"):
        opened(file)
    assert at(opened(file, within=(-9000.0, -3000.0, 3000.0, 3000.0)), LON[1], LAT[1], TIMES[1]) == 0.0
