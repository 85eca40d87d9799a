"""Current on grids: S-111 and NetCDF read back to the value, between nodes, and what is refused."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import h5py
import numpy as np
import pytest
import rasterio
import shapely
from scipy.io import netcdf_file

from layers._errors import InputError
from layers.current import CurrentLayer, open_current
from layers.model import Current
from layers.projection import LocalProjection
from tests.coverage_writer import FLOW, records, s100py_current, write_grids, write_stations

KNOT = 1852 / 3600
LOCAL = LocalProjection(-156.95, 46.82)
LON, LAT = -157.0 + 0.02 * np.arange(6), 46.8 + 0.01 * np.arange(5)
START = datetime(2026, 8, 14, 12, tzinfo=UTC).timestamp()
TIMES = START + 3600.0 * np.arange(3)
FILL = -9999.0
PAIR = np.dtype([("surfaceCurrentSpeed", "<f4"), ("surfaceCurrentDirection", "<f4")])


def fields() -> tuple[np.ndarray, np.ndarray]:
    """Return speeds in knots and directions, (times, latitudes, longitudes); one node unknown at one time."""
    random = np.random.default_rng(4)
    speed = random.uniform(0, 3, (3, 5, 6)).round(2)
    direction = random.uniform(0, 360, (3, 5, 6)).round(1)
    speed[1, 4, 5] = direction[1, 4, 5] = np.nan
    return speed, direction


def components() -> tuple[np.ndarray, np.ndarray]:
    speed, direction = fields()
    return speed * KNOT * np.sin(np.radians(direction)), speed * KNOT * np.cos(np.radians(direction))


def write_s111(file: Path, change: Callable[[h5py.File], None] | None = None) -> Path:
    """Write S-111 with data coding format 2, its names from memory of editions 1.1 and 2.0."""
    row = np.dtype([(key, h5py.string_dtype()) for key in ("code", "name", "uom.name", "fillValue", "datatype")])
    info = [
        ("surfaceCurrentSpeed", "Surface current speed", "knots", "-9999.0", "H5T_FLOAT"),
        ("surfaceCurrentDirection", "Surface current direction", "arc-degrees", "-9999.0", "H5T_FLOAT"),
    ]
    with h5py.File(file, "w") as root:
        root.attrs.update({"productSpecification": "INT.IHO.S-111.1.1", "horizontalCRS": np.int32(4326)})
        root.attrs.update({"issueDate": "20260813", "depthTypeIndex": np.uint8(1)})
        box = {"westBoundLongitude": LON[0], "eastBoundLongitude": LON[-1]}
        root.attrs.update(box | {"southBoundLatitude": LAT[0], "northBoundLatitude": LAT[-1]})
        root["Group_F/featureCode"] = np.array([b"SurfaceCurrent"])
        root["Group_F/SurfaceCurrent"] = np.array(info, dtype=row)
        feature = root.create_group("SurfaceCurrent")
        feature.attrs.update({"dataCodingFormat": np.uint8(2), "dimension": np.uint8(2), "numInstances": np.uint8(1)})
        feature.attrs["sequencingRule.scanDirection"] = "longitude, latitude"
        one = feature.create_group("SurfaceCurrent.01")
        one.attrs.update({"gridOriginLongitude": LON[0], "gridOriginLatitude": LAT[0], "startSequence": "0,0"})
        one.attrs.update({"gridSpacingLongitudinal": 0.02, "gridSpacingLatitudinal": 0.01})
        one.attrs.update({"numPointsLongitudinal": np.uint32(6), "numPointsLatitudinal": np.uint32(5)})
        one.attrs.update({"numberOfTimes": np.uint32(3), "numGRP": np.uint32(3), "timeRecordInterval": np.uint16(3600)})
        one.attrs["dateTimeOfFirstRecord"], one.attrs["dateTimeOfLastRecord"] = "20260814T120000Z", "20260814T140000Z"
        for count, (speed, direction) in enumerate(zip(*fields(), strict=True)):
            group = one.create_group(f"Group_{count + 1:03d}")
            group.attrs["timePoint"] = f"20260814T{12 + count}0000Z"
            values = np.empty(speed.shape, dtype=PAIR)
            values["surfaceCurrentSpeed"], values["surfaceCurrentDirection"] = np.nan_to_num(
                [speed, direction], nan=FILL
            )
            group["values"] = values
        if change:
            change(root)
    return file


CF = {
    "time": ("hours since 2026-08-14 10:00:00", np.array([2.0, 3.0, 4.0])),
    "lat": ("degrees_north", LAT),
    "lon": ("degrees_east", LON),
}


def write_netcdf4(file: Path, change: Callable[[h5py.File], None] | None = None) -> Path:
    """Write what the NetCDF 4 library does: HDF5 with dimension scales; u and v packed, north first."""
    with h5py.File(file, "w") as root:
        for name, (units, values) in CF.items():
            root[name] = values[::-1] if name == "lat" else values
            root[name].attrs["units"] = units
            root[name].make_scale(name)
        root["depth"] = np.zeros(1)
        root["depth"].make_scale("depth")
        for name, part in zip(("water_u", "water_v"), components(), strict=True):
            packed = np.where(np.isnan(part), -32767, np.round(np.nan_to_num(part) / 0.001)).astype("i2")
            root[name] = packed[:, None, ::-1, :]
            for place, dim in enumerate(("time", "depth", "lat", "lon")):
                root[name].dims[place].attach_scale(root[dim])
            towards = "eastward" if name == "water_u" else "northward"
            root[name].attrs.update({"units": "m s-1", "standard_name": f"{towards}_sea_water_velocity"})
            root[name].attrs.update({"_FillValue": np.array([-32767], "i2"), "scale_factor": 0.001})
        if change:
            change(root)
    return file


def write_classic(file: Path, units: str = "cm/s") -> Path:
    with netcdf_file(file, "w") as root:
        for name, (unit, values) in CF.items():
            root.createDimension(name, len(values))
            variable = root.createVariable(name, "f8", (name,))
            variable[:] = values % 360 if name == "lon" else values
            variable.units = unit
        for name, part in zip(("u", "v"), components(), strict=True):
            variable = root.createVariable(name, "f4", ("time", "lat", "lon"))
            variable[:] = np.nan_to_num(part * 100, nan=1e20)
            variable.units, variable.missing_value = units, np.float32(1e20)
    return file


def opened(file: Path) -> Current:
    return open_current([(file, file.name, 0)], folder=file.parent, projection=LOCAL, zone=ZoneInfo("UTC"))


def east_north(current: Current, lon: object, lat: object, time: object) -> np.ndarray:
    """Return the flow at places in degrees, turned to true east and north."""
    x, y = LOCAL.to_local(lon, lat)
    turn = np.exp(-1j * LOCAL.heading_rad(x, y, 90.0))
    there = current.flow_at(x, y, np.asarray(time, dtype=float))
    turned = (there[..., 0] + 1j * there[..., 1]) * turn
    return np.stack([turned.real, turned.imag], axis=-1)


WRITERS = {"s.h5": (write_s111, 1e-6), "n.nc": (write_netcdf4, 5.1e-4), "c.nc": (write_classic, 1e-6)}


@pytest.mark.parametrize("name", WRITERS)
def test_nodes_are_read_back_to_the_value(tmp_path: Path, name: str) -> None:
    write, within = WRITERS[name]
    current = opened(write(tmp_path / name))
    assert current.reach_s == (TIMES[0], TIMES[-1])
    assert current.stations == ()
    time, lat, lon = np.meshgrid(TIMES, LAT, LON, indexing="ij")
    # A hair inside the grid, whose rim is its end.
    lat, lon = np.clip(lat, LAT[0] + 1e-9, LAT[-1] - 1e-9), np.clip(lon, LON[0] + 1e-9, LON[-1] - 1e-9)
    read = east_north(current, lon, lat, time)
    u, v = components()
    apart = np.ones((5, 6), dtype=bool)
    apart[3:, 4:] = False  # around the unknown node nothing is known at any hour that counts it
    np.testing.assert_allclose(read[:, apart], np.stack([u, v], axis=-1)[:, apart], atol=within)
    assert np.isnan(read[1, 4, 5]).all()


def test_gdal_reads_the_same_from_the_s111_file(tmp_path: Path) -> None:
    file = write_s111(tmp_path / "s.h5")
    current = opened(file)
    with rasterio.open(f'S111:"{file}":Group_002') as band:
        speed, direction = band.read(masked=True).astype(float)
        columns, rows = np.meshgrid(np.arange(1, 4), np.arange(1, 4))
        lon, lat = rasterio.transform.xy(band.transform, rows.ravel(), columns.ravel())
    there = east_north(current, lon, lat, TIMES[1])
    np.testing.assert_allclose(np.hypot(*there.T) / KNOT, speed[1:4, 1:4].ravel(), atol=1e-5)
    course = np.degrees(np.arctan2(there[:, 0], there[:, 1])) % 360
    np.testing.assert_allclose(course, direction[1:4, 1:4].ravel(), atol=1e-3)


def test_trilinear_between_nodes_and_never_faster(tmp_path: Path) -> None:
    current = opened(write_s111(tmp_path / "s.h5"))
    u, v = components()
    part = np.array([0.3, 0.6, 0.2])  # of the way in longitude, latitude, time from node (1, 2) at the first hour
    corner = np.stack([u, v], axis=-1)[0:2, 2:4, 1:3]
    shares = [np.array([1 - one, one]) for one in part]
    expected = np.einsum("tyxk,x,y,t->k", corner, *shares)
    place = (LON[1] + part[0] * 0.02, LAT[2] + part[1] * 0.01, TIMES[0] + part[2] * 3600)
    np.testing.assert_allclose(east_north(current, *place), expected, atol=2e-4)  # meridians converge in a cell
    random = np.random.default_rng(1)
    lon, lat, time = random.uniform((LON[0], LAT[0], START), (LON[-1], LAT[-1], TIMES[-1]), (2000, 3)).T
    speeds = np.hypot(*east_north(current, lon, lat, time).T)
    assert np.nanmax(speeds) <= np.nanmax(np.hypot(u, v)) + 1e-6


def test_no_jump_in_place_or_time(tmp_path: Path) -> None:
    current = opened(write_netcdf4(tmp_path / "n.nc"))
    largest = []
    for steps in (2_000, 8_000, 32_000):
        share = np.linspace(0, 1, steps)
        path = east_north(current, LON[0] + 0.001 + 0.07 * share, LAT[0] + 0.001 + 0.025 * share, START + 7200 * share)
        assert np.isfinite(path).all()
        largest.append(np.abs(np.diff(path, axis=0)).max())
    assert largest[1] < 0.3 * largest[0]
    assert largest[2] < 0.3 * largest[1]


def test_unknown_where_a_corner_is_and_outside(tmp_path: Path) -> None:
    current = opened(write_s111(tmp_path / "s.h5"))
    by_the_gap = (LON[4] + 0.005, LAT[3] + 0.005)
    assert np.isnan(east_north(current, *by_the_gap, TIMES[0] + 1800)).all()
    assert np.isfinite(east_north(current, LON[4] - 0.005, LAT[3] + 0.005, TIMES[0] + 1800)).all()
    assert np.isnan(east_north(current, LON[0] - 1e-6, LAT[2], START)).all()
    assert np.isnan(east_north(current, LON[2], LAT[4] + 1e-6, START)).all()
    assert np.isnan(east_north(current, LON[2], LAT[2], [START - 1, TIMES[-1] + 1, np.nan])).all()
    assert np.isfinite(east_north(current, LON[2], LAT[2], TIMES[-1])).all()


def test_known_water_is_known_all_the_time(tmp_path: Path) -> None:
    current = opened(write_s111(tmp_path / "s.h5"))
    known = current.known()
    rim = shapely.get_coordinates(shapely.segmentize(known, 100.0))
    for time in TIMES:
        assert np.isfinite(current.flow_at(*rim.T, np.full(len(rim), time))).all()
    lon, lat = np.meshgrid([LON[0], LON[-1]], [LAT[0], LAT[-1]])
    corners = shapely.MultiPoint(np.column_stack([part.ravel() for part in LOCAL.to_local(lon, lat)])).convex_hull
    assert known.area / corners.area == pytest.approx(19 / 20, rel=2e-3)  # one cell of twenty has the unknown node
    x, y = LOCAL.to_local(LON[2], LAT[2])
    assert current.known((float(x), float(y), x + 500.0, y + 400.0)).area == pytest.approx(200_000, rel=1e-6)


def test_a_grid_over_the_180th_meridian(tmp_path: Path) -> None:
    def moved(root: h5py.File) -> None:
        root["lon"][...] = (LON + 157.0 + 179.95 + 180) % 360 - 180

    file = write_netcdf4(tmp_path / "n.nc", moved)
    local = LocalProjection(-180.0, 46.82)
    current = open_current([(file, file.name, 0)], folder=tmp_path, projection=local, zone=ZoneInfo("UTC"))
    x, y = local.to_local([179.96, 180.0, -179.96], [46.82] * 3)
    assert np.isfinite(current.flow_at(x, y, np.full(3, START))).all()
    assert len(current.known().geoms) == 1


def test_a_grid_and_stations_together(tmp_path: Path) -> None:
    grid = write_s111(tmp_path / "s.h5")
    (tmp_path / "t.csv").write_text("time,event,speed\n2026-08-14T09:00Z,slack,\n2026-08-14T13:00Z,flood,1\n")
    (tmp_path / "current.toml").write_text(
        '[[station]]\nname = "A"\nposition = "46.82, -157.0"\nreach = "2 km"\nform = "slacks and maxima"\n'
        'table = "t.csv"\nunit = "kn"\nflood = "90 deg"\nebb = "270 deg"\n'
    )
    entries = [(tmp_path / "current.toml", "current.toml", 0), (grid, "s.h5", 1)]
    both = open_current(entries, folder=tmp_path, projection=LOCAL, zone=ZoneInfo("UTC"))
    assert both.reach_s == (START, START + 3600)
    there = east_north(both, [-157.01, -156.99], 46.82, START + 3600)
    assert there[0] == pytest.approx([KNOT, 0.0], abs=1e-4)
    np.testing.assert_array_equal(there[1], east_north(opened(grid), -156.99, 46.82, START + 3600))
    assert both.known().area > opened(grid).known().area + 5e6


# What is refused


def table(key: str, value: bytes) -> Callable[[h5py.File], None]:
    def change(root: h5py.File) -> None:
        info = root["Group_F/SurfaceCurrent"][...]
        info[key] = value
        root["Group_F/SurfaceCurrent"][...] = info

    return change


def attribute(path: str, key: str, value: object) -> Callable[[h5py.File], None]:
    return lambda root: root[path].attrs.__setitem__(key, value)


def values(group: int, speed: float, direction: float) -> Callable[[h5py.File], None]:
    def change(root: h5py.File) -> None:
        there = root[f"SurfaceCurrent/SurfaceCurrent.01/Group_{group:03d}/values"]
        there[2, 2] = np.array((speed, direction), dtype=PAIR)

    return change


INSTANCE = "SurfaceCurrent/SurfaceCurrent.01"


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (table("uom.name", b"metres per second"), "is in 'metres per second'; S-111 has it in knots"),
        (table("fillValue", b"-1.0"), r"Group_002 tells -9999 kn towards -9999° somewhere; its fill is -1"),
        (values(1, 40.0, 10.0), "the water goes 40 kn somewhere: no tidal current does"),
        (values(1, 2.0, 400.0), "tells 2 kn towards 400°"),
        (attribute("SurfaceCurrent", "dataCodingFormat", 3), "dataCodingFormat is 3 .an ungeorectified grid"),
        (attribute("/", "horizontalCRS", 32605), "not WGS 84 .EPSG:32605"),
        (attribute(INSTANCE, "numPointsLongitudinal", 7), r"has \(5, 6\) values, and the grid is \(5, 7\)"),
        (attribute(INSTANCE, "numGRP", 4), "says it holds 4 times, and holds 3"),
        (attribute(INSTANCE, "startSequence", "4,0"), "its startSequence is '4,0'"),
        (attribute("SurfaceCurrent", "sequencingRule.scanDirection", "latitude,longitude"), "scanDirection is 'lat"),
        (attribute(f"{INSTANCE}/Group_002", "timePoint", "14 August"), "'14 August' is not a time of S-100"),
        (attribute(f"{INSTANCE}/Group_002", "timePoint", "20260814T110000Z"), "its times do not run one way"),
        (attribute(f"{INSTANCE}/Group_003", "timePoint", "20260814T160000Z"), "nothing is told for 3.0 h .*13:00Z"),
        (lambda root: root.copy(root[INSTANCE], root["SurfaceCurrent"], "SurfaceCurrent.02"), "instances, and holds 2"),
        (lambda root: root.__delitem__("Group_F"), "does not say its units"),
        (lambda root: root.__delitem__(f"{INSTANCE}/Group_001/values"), "cannot be read .KeyError"),
        (lambda root: root.move("SurfaceCurrent", "WaterLevel"), "no variables that are eastward_sea_water_velocity"),
    ],
)  # fmt: skip
def test_bad_s111(tmp_path: Path, change: Callable[[h5py.File], None], message: str) -> None:
    file = write_s111(tmp_path / "s.h5", change)
    with pytest.raises(InputError, match=rf"s\.h5: .*{message}"):
        opened(file)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (attribute("water_u", "units", "furlong"), "'water_u' is in 'furlong', which is no unit of speed"),
        (attribute("water_u", "standard_name", "sea_water_x_velocity"), "no variables that are eastward"),
        (attribute("water_u", "standard_name", "northward_sea_water_velocity"), "no variables that are eastward"),
        (attribute("water_u", "scale_factor", 1.0), "no tidal current does"),
        (attribute("time", "units", "fortnights since 2026-01-01"), "its times are in 'fortnights"),
        (attribute("time", "units", "hours since 2026-01-01 00:00:00 +10:00"), "its times are in 'hours since"),
        (attribute("time", "units", "days since 2026-08-14"), "nothing is told for 24.0 h after 2026-08-16 00:00Z"),
        (attribute("time", "calendar", "noleap"), "its calendar is 'noleap'"),
        (attribute("lat", "units", "m"), "the axis 'lat' is in 'm'"),
        (lambda root: root.__delitem__("water_v"), "no variables that are northward"),
        (attribute("lat", "units", "degrees_east"), "over time, depth, lat, lon; it must be over time, latitude"),
        (lambda root: root["lat"].__setitem__(1, 46.8), "its latitudes do not run one way"),
        (lambda root: root["lat"].__setitem__(0, 99.0), "its nodes are not on the earth"),
        (lambda root: root["water_u"].__setitem__(..., -32767), "tells the current nowhere"),
    ],
)
def test_bad_netcdf(tmp_path: Path, change: Callable[[h5py.File], None], message: str) -> None:
    file = write_netcdf4(tmp_path / "n.nc", change)
    with pytest.raises(InputError, match=rf"n\.nc: .*{message}"):
        opened(file)


@pytest.mark.parametrize("name", WRITERS)
@pytest.mark.parametrize("kept", [0.02, 0.5, 0.95])
def test_truncated_file(tmp_path: Path, name: str, kept: float, capfd: pytest.CaptureFixture[str]) -> None:
    file = WRITERS[name][0](tmp_path / name)
    whole = file.read_bytes()
    file.write_bytes(whole[: int(kept * len(whole))])
    with pytest.raises(InputError, match=rf"{name}: cannot be read .*it may be cut short"):
        opened(file)
    assert not capfd.readouterr().err


def test_a_file_that_is_no_grid(tmp_path: Path) -> None:
    (tmp_path / "x.nc").write_text("time,u,v\n")
    with pytest.raises(InputError, match=r"x\.nc: is neither HDF5 nor NetCDF"):
        opened(tmp_path / "x.nc")


# Stations of S-111, several grids in one, and another's writer


def station_fields() -> tuple[np.ndarray, np.ndarray]:
    random = np.random.default_rng(8)
    return random.uniform(0.1, 3, (2, 4)).round(2), random.uniform(0, 360, (2, 4)).round(1)


def write_flow_stations(file: Path, change: Callable[[h5py.File], None] | None = None) -> Path:
    places = zip(("North Cape", "Kelp Bay"), (-157.0, -156.9), (46.8, 46.85), *station_fields(), strict=True)
    told = [(name, lon, lat, records(FLOW, speed, way)) for name, lon, lat, speed, way in places]
    return write_stations(file, "INT.IHO.S-111.1.2", told, change)


def with_reach(file: Path, reach_m: float | None = 2000.0) -> Current:
    layer = CurrentLayer(file, file.name, 0, reach_m)
    return open_current([layer], folder=file.parent, projection=LOCAL, zone=ZoneInfo("UTC"))


def test_stations_are_read_back_to_the_value(tmp_path: Path) -> None:
    current = with_reach(write_flow_stations(tmp_path / "s.h5"))
    assert [one.name for one in current.stations] == ["North Cape", "Kelp Bay"]
    assert [one.reach_m for one in current.stations] == [2000.0, 2000.0]
    assert current.reach_s == (START, START + 3 * 3600)
    places = zip((-157.0, -156.9), (46.8, 46.85), *station_fields(), strict=True)
    for lon, lat, speed, way in places:
        there = east_north(current, lon, lat, START + 3600.0 * np.arange(4))
        expected = np.stack([np.sin(np.radians(way)), np.cos(np.radians(way))], axis=-1) * speed[:, None] * KNOT
        np.testing.assert_allclose(there, expected, atol=1e-6)
    assert np.isnan(east_north(current, -156.95, 46.9, START)).all()


def test_what_is_wrong_with_stations(tmp_path: Path) -> None:
    file = write_flow_stations(tmp_path / "s.h5")
    with pytest.raises(InputError, match=r's\.h5: tells current at 2 stations and not how far .*reach = "2 NM"'):
        with_reach(file, None)
    with pytest.raises(InputError, match="reach stands in its layer, and a grid is known to its edge"):
        with_reach(write_s111(tmp_path / "g.h5"))
    values_of, places = f"{INSTANCE}/Group_001/values", f"{INSTANCE}/Positioning/geometryValues"

    def row(path: str, where: int | slice, value: tuple[float, float]) -> Callable[[h5py.File], None]:
        return lambda root: root[path].__setitem__(where, value)

    changes = [
        (row(values_of, 1, (1e9, 10.0)), "no tidal current does"),
        (row(values_of, 1, (-2.0, 10.0)), "'North Cape' tells -2 kn towards 10°"),
        (row(values_of, slice(1, 3), (FILL, FILL)), "nothing is told for 3.0 h .*North Cape"),
        (attribute(INSTANCE, "typeOfCurrentData", 7), "typeOfCurrentData is 7: a difference of two kinds of data"),
        (row(places, 0, (-200.0, 91.0)), "stations are not on the earth"),
        (row(places, slice(0, 2), (9.0, 9.0)), "none of its 2 stations"),
    ]
    for change, message in changes:
        with pytest.raises(InputError, match=rf"t\.h5: .*{message}"):
            with_reach(write_flow_stations(tmp_path / "t.h5", change))


def test_several_grids_in_one_file(tmp_path: Path) -> None:
    random = np.random.default_rng(6)
    grids, expected = [], []
    for west in (-157.0, -156.95):
        lon = west + 0.02 * np.arange(3)
        speed, way = random.uniform(0, 3, (2, 3, 5, 3))[0], random.uniform(0, 360, (3, 5, 3))
        grids.append((lon, LAT, records(FLOW, speed, way)))
        expected.append((speed * KNOT * np.sin(np.radians(way)), speed * KNOT * np.cos(np.radians(way))))
    current = opened(write_grids(tmp_path / "s.h5", "INT.IHO.S-111.2.0", grids))
    for (lon, _, _), (east, north) in zip(grids, expected, strict=True):
        there = east_north(current, lon[1], LAT[2], TIMES)
        np.testing.assert_allclose(there, np.stack([east[:, 2, 1], north[:, 2, 1]], axis=-1), atol=1e-6)
    assert np.isnan(east_north(current, -156.955, LAT[2], START)).all()  # between the two grids
    assert len(current.known().geoms) == 2

    def later(root: h5py.File) -> None:
        for hour in range(3):
            group = root[f"SurfaceCurrent/SurfaceCurrent.02/Group_{hour + 1:03d}"]
            group.attrs["timePoint"] = f"20260815T{12 + hour}0000Z"

    with pytest.raises(InputError, match="the grids of this layer have no time in common"):
        opened(write_grids(tmp_path / "t.h5", "INT.IHO.S-111.2.0", grids, later))


def test_what_s100py_writes_is_read_back(tmp_path: Path) -> None:
    speed, way = fields()
    current = opened(s100py_current(tmp_path / "s.h5", LON, LAT, speed, way))
    time, lat, lon = np.meshgrid(TIMES, LAT, LON, indexing="ij")
    lat, lon = np.clip(lat, LAT[0] + 1e-9, LAT[-1] - 1e-9), np.clip(lon, LON[0] + 1e-9, LON[-1] - 1e-9)
    read = east_north(current, lon, lat, time)
    apart = np.ones((5, 6), dtype=bool)
    apart[3:, 4:] = False
    np.testing.assert_allclose(read[:, apart], np.stack(components(), axis=-1)[:, apart], atol=1e-6)
