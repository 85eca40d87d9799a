"""Water level from IHO S-104 (HDF5): regular grids and fixed stations over time, and the datum that heights count from.

It is read here and not through GDAL, whose driver (3.10) reads regular grids alone and not what the heights count from.
Laid out as `layers.s100` says. The trend is not read: heights tell it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from layers._errors import InputError
from layers.coverages import (
    HDF5,
    Field,
    GridSeries,
    Header,
    Product,
    StationSeries,
    Window,
    check_moments,
    told_errors,
)
from layers.datums import epsg_datum, s100_datum
from layers.s100 import read_coverages
from layers.tidetables import HIGHEST_M

S104 = Product(
    name="S-104",
    feature="WaterLevel",
    tells="water level",
    fields=(Field("waterLevelHeight", ("metre", "metres", "meter", "meters", "m")),),
)
_UP = 6499
"""The EPSG code of heights in metres, counted upwards."""
_OVER_DATUM = 2
_S100, _EPSG = 1, 2


@dataclass(frozen=True)
class WaterLevel:
    """Heights in metres over `datum`; each grid and station has one field.

    A grid's values are NaN where unknown; a station's are known at all its moments.
    """

    datum: str
    grids: tuple[GridSeries, ...]
    stations: tuple[StationSeries, ...]
    header: Header


def read_water_level(file: Path, where: str, window: Window | None = None) -> WaterLevel:
    """Return the heights of an S-104 file.

    Parameters
    ----------
    file
        The file.
    where
        How messages name it.
    window
        Of grids only this part is read.

    Raises
    ------
    InputError
        It cannot be read, is not S-104 or of a form that is not read, states another unit than metres or a datum that
        is not known, or holds what no tide can be.
    """
    import h5py  # noqa: PLC0415 - 0.1 s that only such a file is worth

    with told_errors(where):
        with file.open("rb") as stream:
            if stream.read(len(HDF5)) != HDF5:
                raise InputError.one(where, "is not HDF5.", "Give an S-104 file, or a table as .csv or .toml.")
        with h5py.File(file, "r") as root:
            if S104.feature not in root:
                what = "is HDF5, and has no group WaterLevel: it is not S-104."
                raise InputError.one(where, what, "Give a file of water levels.")
            read = read_coverages(root, S104, where, window)
        told = [one.attributes for one in read.grids] + [one.attributes for one in read.stations]
        datums = {_datum(attributes, where) for attributes in told or [read.header.attributes]}
        if len(datums) > 1:
            what = f"its heights count from {' and '.join(sorted(datums))}."
            raise InputError.one(where, what, "Get a file over one datum.")
        for grid in read.grids:
            _check_grid(grid, where)
        return WaterLevel(datums.pop(), read.grids, tuple(_known(one, where) for one in read.stations), read.header)


def _datum(attributes: Mapping[str, Any], where: str) -> str:
    """Return the name of the datum that heights count from."""
    if int(attributes.get("verticalCS", _UP)) != _UP:
        what = f"its verticalCS is EPSG:{int(attributes['verticalCS'])}; heights in metres upwards (6499) are read."
        raise InputError.one(where, what, "Get it as heights over the datum.")
    if int(attributes.get("verticalCoordinateBase", _OVER_DATUM)) != _OVER_DATUM:
        what = (
            f"its verticalCoordinateBase is {int(attributes['verticalCoordinateBase'])}; a vertical datum (2) is read."
        )
        raise InputError.one(where, what, "Get it as heights over the datum.")
    if "verticalDatum" not in attributes:
        raise InputError.one(where, "does not say what its heights count from.", "Get it with verticalDatum.")
    register = int(attributes.get("verticalDatumReference", _S100))
    code = int(attributes["verticalDatum"])
    if register == _EPSG:
        return epsg_datum(code, where)
    if register != _S100:
        what = f"its verticalDatumReference is {register}; S-100 (1) and EPSG (2) are read."
        raise InputError.one(where, what, "Get the file anew.")
    return s100_datum(code, where)


def _check_grid(grid: GridSeries, where: str) -> None:
    for name, axis in (("longitude", grid.lon_deg), ("latitude", grid.lat_deg)):
        if len(axis) < 2:  # noqa: PLR2004 - to go between
            raise InputError.one(where, f"has {len(axis)} {name}s.", "At least 2 are needed to go between.")
    check_moments(grid.time_s, "", where)
    for row, field in enumerate(grid.values[0]):
        known = field[np.isfinite(field)]
        _check_height(float(np.abs(known).max(initial=0.0)), f"Group_{row + 1:03d}", where)
        if np.isinf(field).any():
            raise InputError.one(where, f"Group_{row + 1:03d} holds an infinite height.", "Get the file anew.")


def _known(station: StationSeries, where: str) -> StationSeries:
    """Return a station without the moments at which its height is unknown."""
    known = ~np.isnan(station.values[0])
    time, height = station.time_s[known], station.values[0][known]
    check_moments(time, f" at '{station.name}'", where)
    _check_height(float(np.abs(height).max()), f"'{station.name}'", where)
    return StationSeries(station.attributes, station.name, station.lon_deg, station.lat_deg, time, (height,))


def _check_height(highest_m: float, name: str, where: str) -> None:
    if not highest_m <= HIGHEST_M:
        what = f"{name} tells a height of {highest_m:.6g} m: no tide stands so far from its datum."
        raise InputError.one(where, what, "Its unit or its fill value is not what it says: check both.")
