"""Writes S-104 and S-111 files: by h5py following the standard (from memory), and by s100py, a writer of others."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, date, datetime, timedelta
from importlib import import_module
from pathlib import Path
from types import ModuleType

import h5py
import numpy as np

FILL = -9999.0
FIRST = datetime(2026, 8, 14, 12, tzinfo=UTC)
LEVEL = np.dtype([("waterLevelHeight", "<f4"), ("waterLevelTrend", "u1")])
FLOW = np.dtype([("surfaceCurrentSpeed", "<f4"), ("surfaceCurrentDirection", "<f4")])
PLACE = np.dtype([("longitude", "<f8"), ("latitude", "<f8")])
Change = Callable[[h5py.File], None] | None
_UNITS = {"waterLevelHeight": "metres", "waterLevelTrend": "", "surfaceCurrentSpeed": "knots"}
_UNITS["surfaceCurrentDirection"] = "arc-degrees"


def moment(hours: float) -> str:
    return f"{FIRST + timedelta(hours=hours):%Y%m%dT%H%M%SZ}"


def seconds(hours: float) -> float:
    return FIRST.timestamp() + 3600.0 * hours


def records(dtype: np.dtype, *fields: np.ndarray) -> np.ndarray:
    """Return records of fields, NaN as the fill value; what is not given is 0."""
    values = np.zeros(fields[0].shape, dtype=dtype)
    for name, field in zip(dtype.names or (), fields, strict=False):
        values[name] = np.nan_to_num(field, nan=FILL)
    return values


def start(root: h5py.File, product: str, form: int, count: int) -> list[h5py.Group]:
    """Write what both products begin with, and return their instances."""
    feature_name, dtype = ("WaterLevel", LEVEL) if "S-104" in product else ("SurfaceCurrent", FLOW)
    root.attrs.update({"productSpecification": product, "issueDate": "20260813", "horizontalCRS": np.int32(4326)})
    root.attrs["geographicIdentifier"] = "an invented sound"
    if feature_name == "WaterLevel":
        root.attrs.update({"verticalCS": np.int32(6499), "verticalCoordinateBase": np.uint8(2)})
        root.attrs.update({"verticalDatumReference": np.uint8(1), "verticalDatum": np.uint16(12)})
    row = np.dtype([(key, h5py.string_dtype()) for key in ("code", "name", "uom.name", "fillValue", "datatype")])
    info = [(name, name, _UNITS[name], "0" if "Trend" in name else "-9999.00", "H5T_FLOAT") for name in dtype.names]
    root["Group_F/featureCode"] = np.array([feature_name.encode()])
    root[f"Group_F/{feature_name}"] = np.array(info, dtype=row)
    feature = root.create_group(feature_name)
    feature.attrs.update(
        {"dataCodingFormat": np.uint8(form), "dimension": np.uint8(2), "numInstances": np.uint8(count)}
    )
    return [feature.create_group(f"{feature_name}.{k + 1:02d}") for k in range(count)]


def write_grids(
    file: Path, product: str, grids: Sequence[tuple[np.ndarray, np.ndarray, np.ndarray]], change: Change = None
) -> Path:
    """Write regular grids: longitudes, latitudes and hourly records (times, latitudes, longitudes) of each."""
    with h5py.File(file, "w") as root:
        for one, (lon, lat, told) in zip(start(root, product, 2, len(grids)), grids, strict=True):
            one.parent.attrs["sequencingRule.scanDirection"] = "longitude,latitude"
            one.attrs.update({"gridOriginLongitude": lon[0], "gridOriginLatitude": lat[0], "startSequence": "0,0"})
            one.attrs["gridSpacingLongitudinal"], one.attrs["gridSpacingLatitudinal"] = lon[1] - lon[0], lat[1] - lat[0]
            one.attrs.update(
                {"numPointsLongitudinal": np.uint32(len(lon)), "numPointsLatitudinal": np.uint32(len(lat))}
            )
            one.attrs.update({"numGRP": np.uint32(len(told)), "numberOfTimes": np.uint32(len(told))})
            for hour, values in enumerate(told):
                group = one.create_group(f"Group_{hour + 1:03d}")
                group.attrs["timePoint"] = moment(hour)
                group["values"] = values
        if change:
            change(root)
    return file


def write_stations(
    file: Path, product: str, stations: Sequence[tuple[str, float, float, np.ndarray]], change: Change = None
) -> Path:
    """Write fixed stations by station: name, longitude, latitude and hourly records of each."""
    with h5py.File(file, "w") as root:
        (one,) = start(root, product, 8, 1)
        one["Positioning/geometryValues"] = np.array([(lon, lat) for _, lon, lat, _ in stations], dtype=PLACE)
        one.attrs.update({"numberOfStations": np.uint32(len(stations)), "numGRP": np.uint32(len(stations))})
        for count, (name, _, _, told) in enumerate(stations, 1):
            group = one.create_group(f"Group_{count:03d}")
            group.attrs.update({"stationName": name, "stationIdentification": f"X{count}"})
            group.attrs.update({"startDateTime": moment(0), "endDateTime": moment(len(told) - 1)})
            group.attrs.update({"numberOfTimes": np.uint32(len(told)), "timeRecordInterval": np.uint16(3600)})
            group.attrs["timeIntervalIndex"] = np.uint8(1)
            group["values"] = told
        if change:
            change(root)
    return file


@contextmanager
def without_osgeo() -> Iterator[None]:
    """Let s100py be imported: it names osgeo at its head, which it needs for pictures and not for writing HDF5."""
    names = ("osgeo", "osgeo.gdal", "osgeo.osr", "osgeo.ogr")
    assert not any(name in sys.modules for name in names)
    fakes = {name: ModuleType(name) for name in names}
    for name in names[1:]:
        setattr(fakes["osgeo"], name.split(".")[1], fakes[name])
    sys.modules |= fakes
    try:
        yield
    finally:
        for name in [one for one in sys.modules if one.split(".")[0] in ("osgeo", "s100py")]:
            del sys.modules[name]


def grid_terms(lon: np.ndarray, lat: np.ndarray) -> dict[str, float]:
    return {
        "minx": lon[0], "maxx": lon[-1], "miny": lat[0], "maxy": lat[-1], "cellsize_x": lon[1] - lon[0],
        "cellsize_y": lat[1] - lat[0], "nx": len(lon), "ny": len(lat),
    }  # fmt: skip


METADATA = {
    "horizontalCRS": 4326, "geographicIdentifier": "an invented sound", "waterLevelTrendThreshold": 0.2,
    "verticalCS": 6499, "verticalCoordinateBase": 2, "verticalDatumReference": 1, "verticalDatum": 12,
    "commonPointRule": 4, "interpolationType": 10, "verticalUncertainty": -1.0, "horizontalPositionUncertainty": -1.0,
    "timeUncertainty": -1.0, "waterLevelHeightUncertainty": 0.15, "methodWaterLevelProduct": "an invented model",
    "datasetDeliveryInterval": "PT6H", "dateTimeOfFirstRecord": moment(0), "dateTimeOfLastRecord": moment(2),
    "dataDynamicity": 5, "typeOfWaterLevelData": 5, "issueDate": date(2026, 8, 13), "numberOfGroups": 3,
    "numberOfTimes": 3, "timeRecordInterval": 3600, "num_instances": 1, "depthTypeIndex": 2,
    "surfaceCurrentDepth": -4.5,
    "methodCurrentsProduct": "an invented model", "typeOfCurrentData": 5, "trendInterval": 60,
}  # fmt: skip


def s100py_level(file: Path, edition: str, lon: np.ndarray, lat: np.ndarray, heights: np.ndarray) -> Path:
    """Write a grid of heights by s100py's S-104 of an edition: "1.0", "1.1" or "2.0"."""
    with without_osgeo():
        utils = import_module(f"s100py.s104.v{edition.replace('.', '_')}.utils")
        data = utils.create_s104(str(file), 2)
        utils.add_metadata(dict(METADATA), data)
        if hasattr(utils, "add_water_level_instance"):
            utils.add_water_level_instance(data)
        for hour, field in enumerate(heights):
            height = np.ma.masked_invalid(field) if edition == "1.0" else field.copy()
            when = (FIRST + timedelta(hours=hour)).replace(tzinfo=None)
            more = {"uncertainty": 0.15} if edition == "2.0" else {}
            utils.add_data_from_arrays(height, np.zeros(field.shape), data, grid_terms(lon, lat), when, 2, **more)
        utils.update_metadata(data, grid_terms(lon, lat), dict(METADATA))
        utils.write_data_file(data)
    return file


def s100py_current(file: Path, lon: np.ndarray, lat: np.ndarray, speed: np.ndarray, direction: np.ndarray) -> Path:
    """Write a grid of current by s100py's S-111, edition 2.0."""
    with without_osgeo():
        utils = import_module("s100py.s111.v2_0.utils")
        data = utils.create_s111(str(file), 2)
        utils.add_metadata(dict(METADATA), data)
        utils.add_surface_current_instance(data)
        for hour, (fast, way) in enumerate(zip(speed, direction, strict=True)):
            when = (FIRST + timedelta(hours=hour)).replace(tzinfo=None)
            pair = (np.ma.masked_invalid(fast), np.ma.masked_invalid(way))
            utils.add_data_from_arrays(*pair, data, grid_terms(lon, lat), when, 2)
        utils.update_metadata(data, grid_terms(lon, lat), dict(METADATA))
        utils.write_data_file(data)
    return file
