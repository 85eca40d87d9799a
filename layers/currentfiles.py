"""Files that hold current over time: IHO S-111 (HDF5; regular grids and fixed stations) and NetCDF with u and v.

S-111 is read here and not through GDAL, whose driver (3.10) reports knots whatever unit the file states and drops every
feature instance but the first without a word (tried with files written by h5py); NetCDF 4 is HDF5 too. S-111 is laid
out as `layers.s100` says; NetCDF's names are from the CF conventions.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from layers._errors import InputError
from layers.coverages import (
    HDF5,
    Coverages,
    Field,
    Header,
    Product,
    check_moments,
    check_size,
    told_errors,
    word,
)
from layers.currenttables import FASTEST_MPS
from layers.model import FloatArray
from layers.s100 import read_coverages

_CLASSIC = (b"CDF\x01", b"CDF\x02")
_KNOT_MPS = 1852 / 3600
_FILLED = 1e30
"""NetCDF's own filling of floats, 9.97e36, is beyond this."""
S111 = Product(
    name="S-111",
    feature="SurfaceCurrent",
    tells="current",
    fields=(
        Field("surfaceCurrentSpeed", ("knots", "knot", "kn")),
        Field("surfaceCurrentDirection", ("arc-degrees", "arc-degree", "degrees", "degree", "deg")),
    ),
)
_EAST = ("eastward_sea_water_velocity", "surface_eastward_sea_water_velocity", "barotropic_eastward_sea_water_velocity")
_NORTH = tuple(name.replace("eastward", "northward") for name in _EAST)
_SPEED_UNITS = {
    **dict.fromkeys(("m s-1", "m/s", "m.s-1", "meter second-1", "metre second-1", "meters/second", "ms-1"), 1.0),
    **dict.fromkeys(("meters per second", "metres per second", "meter/second", "meters second-1"), 1.0),
    **dict.fromkeys(("cm s-1", "cm/s", "cm.s-1", "centimeter second-1"), 0.01),
    **dict.fromkeys(("kn", "knot", "knots", "kt"), _KNOT_MPS),
}
_SINCE = re.compile(r"\s*(second|sec|s|minute|min|hour|hr|h|day|d)s?\s+since\s+(.+?)\s*", re.IGNORECASE)
_UNIT_S = {"s": 1.0, "m": 60.0, "h": 3600.0, "d": 86_400.0}
_EPOCH = re.compile(
    r"(\d{4})-(\d{1,2})-(\d{1,2})(?:[T ]+(\d{1,2}):(\d{1,2})(?::(\d{1,2})(?:\.0*)?)?)?\s*(?:Z|UTC|GMT|[+-]00:?00)?",
    re.IGNORECASE,
)
_CALENDARS = ("", "standard", "gregorian", "proleptic_gregorian")


@dataclass(frozen=True)
class NodeFlow:
    """Current at the nodes of a grid: WGS 84 degrees and POSIX seconds, all rising; m/s to true east and north.

    `lon_deg` runs on past 180 where the grid does. `east_mps` and `north_mps` are (times, latitudes, longitudes) of
    32-bit floats, NaN where unknown.
    """

    lon_deg: FloatArray
    lat_deg: FloatArray
    time_s: FloatArray
    east_mps: npt.NDArray[np.float32]
    north_mps: npt.NDArray[np.float32]


@dataclass(frozen=True)
class StationFlow:
    """Current at a place: WGS 84 degrees, POSIX seconds that rise, m/s to true east and north."""

    name: str
    lon_deg: float
    lat_deg: float
    time_s: FloatArray
    east_mps: FloatArray
    north_mps: FloatArray


@dataclass(frozen=True)
class CurrentData:
    """All that a file tells: grids, or else stations; S-111 says more of itself in its header."""

    grids: tuple[NodeFlow, ...]
    stations: tuple[StationFlow, ...] = ()
    header: Header | None = None


def read_current_data(file: Path, where: str) -> CurrentData:
    """Return the current of a file.

    Raises
    ------
    InputError
        It cannot be read, is neither S-111 nor NetCDF with u and v on latitudes and longitudes, is of a form that is
        not read, states other units than are read, or holds what no current can be.
    """
    with told_errors(where):
        with file.open("rb") as stream:
            start = stream.read(8)
        if start.startswith(_CLASSIC):
            return CurrentData((_checked(_read_classic(file, where), where),))
        if start == HDF5:
            return _read_hdf5(file, where)
    raise InputError.one(
        where, "is neither HDF5 nor NetCDF.", "Give an S-111 file, or NetCDF with u and v; a CSV is no grid."
    )


def _checked(flow: NodeFlow, where: str) -> NodeFlow:
    """Return the flow with rising axes, or raise what is wrong with it."""
    lon = np.unwrap(flow.lon_deg, period=360.0)
    lat = flow.lat_deg
    for name, axis in (("longitude", lon), ("latitude", lat)):
        step = np.diff(axis)
        if len(axis) < 2:  # noqa: PLR2004 - to go between
            raise InputError.one(where, f"has {len(axis)} {name}s.", "At least 2 are needed to go between.")
        if not (np.isfinite(axis).all() and ((step > 0).all() or (step < 0).all())):
            raise InputError.one(where, f"its {name}s do not run one way.", "Put them in order.")
    if np.abs(lat).max() > 90 or np.ptp(lon) > 360:  # noqa: PLR2004 - degrees of the earth
        raise InputError.one(where, "its nodes are not on the earth.", "Check which axis is latitude.")
    check_moments(flow.time_s, "", where)
    down = slice(None, None, 1 if lat[1] > lat[0] else -1)
    left = slice(None, None, 1 if lon[1] > lon[0] else -1)
    east, north = (np.ascontiguousarray(part[:, down, left]) for part in (flow.east_mps, flow.north_mps))
    unknown = np.isnan(east) | np.isnan(north)
    if unknown.all():
        raise InputError.one(where, "tells the current nowhere: all its values are fill values.", "Get the file anew.")
    _check_speed((east, north), where)
    return NodeFlow(lon[left], lat[down], flow.time_s, east, north)


def _check_speed(parts: Sequence[npt.NDArray[np.floating]], where: str) -> None:
    fastest = float(np.nanmax(np.hypot(*parts)))
    if fastest > FASTEST_MPS:
        what = f"the water goes {fastest / _KNOT_MPS:.6g} kn somewhere: no tidal current does."
        raise InputError.one(where, what, "Its unit or its fill value is not what it says: check both.")


def _read_hdf5(file: Path, where: str) -> CurrentData:
    import h5py  # noqa: PLC0415 - 0.1 s that only a grid is worth

    with h5py.File(file, "r") as root:
        if S111.feature in root:
            return _s111(read_coverages(root, S111, where), where)
        variables = {}
        for name, item in root.items():
            if isinstance(item, h5py.Dataset):
                scales = [dim[0].name.lstrip("/") if len(dim) else "" for dim in item.dims]
                dims = (name,) if item.ndim == 1 and item.is_scale else tuple(scales)
                variables[name] = _Variable(name, dims, dict(item.attrs), item.shape, item.__getitem__)
        return CurrentData((_checked(_read_netcdf(variables, where), where),))


def _read_classic(file: Path, where: str) -> NodeFlow:
    from scipy.io import netcdf_file  # noqa: PLC0415 - a tenth of a second that only a grid is worth

    with netcdf_file(file, "r", mmap=False) as root:
        variables = {
            name: _Variable(name, one.dimensions, one._attributes, one.shape, one.data.__getitem__)  # noqa: SLF001 - its only list of attributes
            for name, one in root.variables.items()
        }
        return _read_netcdf(variables, where)


def _s111(read: Coverages, where: str) -> CurrentData:
    """Return what an S-111 file tells, as components."""
    grids = []
    for grid in read.grids:
        east, north = (np.empty_like(grid.values[0]) for _ in range(2))
        for row, (speed, direction) in enumerate(zip(*grid.values, strict=True)):
            east[row], north[row] = _components(speed, direction, read.header.fills[0], f"Group_{row + 1:03d}", where)
        grids.append(_checked(NodeFlow(grid.lon_deg, grid.lat_deg, grid.time_s, east, north), where))
    stations = []
    for told in read.stations:
        speed, direction = told.values
        parts = _components(speed, direction, read.header.fills[0], f"'{told.name}'", where)
        known = np.isfinite(parts[0])
        time = told.time_s[known]
        check_moments(time, f" at '{told.name}'", where)
        _check_speed(parts, where)
        stations.append(StationFlow(told.name, told.lon_deg, told.lat_deg, time, *(part[known] for part in parts)))
    return CurrentData(tuple(grids), tuple(stations), read.header)


def _components(
    speed: npt.NDArray[np.floating], direction: npt.NDArray[np.floating], fill: float, name: str, where: str
) -> tuple[FloatArray, FloatArray]:
    """Return m/s to east and north from knots and degrees; NaN where either is."""
    unknown = np.isnan(speed) | np.isnan(direction)
    wrong = ~unknown & ~((speed >= 0) & (direction >= 0) & (direction <= 360))  # noqa: PLR2004 - a full turn
    if wrong.any():
        place = np.unravel_index(np.argmax(wrong), wrong.shape)
        what = f"{name} tells {speed[place]:g} kn towards {direction[place]:g}° somewhere; its fill is {fill:g}."
        raise InputError.one(where, what, "Speeds are 0 or more and directions 0 to 360: get the file anew.")
    speed = np.where(unknown, np.nan, speed).astype(np.float64) * _KNOT_MPS
    turned = np.radians(np.where(unknown, 0.0, direction).astype(np.float64))
    return speed * np.sin(turned), speed * np.cos(turned)


@dataclass(frozen=True)
class _Variable:
    """A variable of a NetCDF file; `read` returns the values of an index."""

    name: str
    dims: tuple[str, ...]
    attributes: Mapping[str, Any]
    shape: tuple[int, ...]
    read: Callable[[Any], Any]

    def word(self, key: str) -> str:
        return word(self.attributes.get(key, "")).strip()

    def number(self, key: str) -> float | None:
        return float(np.ravel(self.attributes[key])[0]) if key in self.attributes else None

    def values(self) -> FloatArray:
        """Return the values unpacked, NaN where missing."""
        raw = np.asarray(self.read(...)).astype(np.float64)
        missing = ~(np.abs(raw) < _FILLED)
        for key in ("_FillValue", "missing_value"):
            for fill in np.ravel(self.attributes.get(key, ())):
                missing |= raw == float(fill)
        low, high = np.ravel(self.attributes.get("valid_range", (-np.inf, np.inf)))
        low = self.attributes.get("valid_min", low)
        high = self.attributes.get("valid_max", high)
        missing |= (raw < float(np.ravel(low)[0])) | (raw > float(np.ravel(high)[0]))
        raw[missing] = np.nan
        return np.asarray(raw * (self.number("scale_factor") or 1.0) + (self.number("add_offset") or 0.0))


def _read_netcdf(variables: Mapping[str, _Variable], where: str) -> NodeFlow:
    u = _component(variables, _EAST, ("u", "water_u", "u_surface"), where)
    v = _component(variables, _NORTH, ("v", "water_v", "v_surface"), where)
    if u.dims != v.dims or u.shape != v.shape:
        what = f"'{u.name}' is over {u.dims} and '{v.name}' over {v.dims}."
        raise InputError.one(where, what, "Give both on the same nodes (a staggered grid must be brought to one).")
    axes = [_axis(variables, name, size, where) for name, size in zip(u.dims, u.shape, strict=True)]
    kinds = [kind for kind, _ in axes]
    long = [kind for kind, size in zip(kinds, u.shape, strict=True) if size > 1 or kind]
    if sorted(long) != ["lat", "lon", "time"]:
        what = f"'{u.name}' is over {', '.join(u.dims)}; it must be over time, latitude and longitude."
        raise InputError.one(where, what, "Take the surface out, on a grid of latitudes and longitudes.")
    check_size(int(np.prod(u.shape)), where)
    told = {kind: _axis_values(variables[name], kind, where) for name, kind in zip(u.dims, kinds, strict=True) if kind}
    order = [kinds.index(kind) for kind in ("time", "lat", "lon")]
    rest = [place for place, kind in enumerate(kinds) if not kind]

    def laid_out(variable: _Variable) -> npt.NDArray[np.float32]:
        values = variable.values() * _SPEED_UNITS[variable.word("units")]
        return values.transpose(*rest, *order).reshape([u.shape[place] for place in order]).astype(np.float32)

    return NodeFlow(told["lon"], told["lat"], told["time"], laid_out(u), laid_out(v))


def _component(
    variables: Mapping[str, _Variable], standard: Sequence[str], names: Sequence[str], where: str
) -> _Variable:
    found = [one for one in variables.values() if one.word("standard_name") in standard]
    # A name alone is taken only where nothing says that it means something else.
    found = found or [
        one for one in variables.values() if one.name.casefold() in names and not one.word("standard_name")
    ]
    if len(found) != 1:
        listed = ", ".join(sorted(variables)) or "nothing"
        what = f"has {len(found) or 'no'} variables that are {standard[0]} (it holds {listed})."
        raise InputError.one(where, what, f"Keep one, with standard_name = {standard[0]}.")
    if found[0].word("units") not in _SPEED_UNITS:
        what = f"'{found[0].name}' is in '{found[0].word('units')}', which is no unit of speed that is read here."
        raise InputError.one(where, what, "Give its attribute units as m s-1.")
    return found[0]


def _axis(variables: Mapping[str, _Variable], name: str, size: int, where: str) -> tuple[str, int]:
    """Return what a dimension is: time, lat, lon, or nothing."""
    variable = variables.get(name)
    if variable is None or variable.dims != (name,):
        return "", size
    units = variable.word("units")
    if " since " in units:
        return "time", size
    if variable.word("standard_name") == "latitude" or re.fullmatch(r"degrees?_?n(orth)?", units, re.IGNORECASE):
        return "lat", size
    if variable.word("standard_name") == "longitude" or re.fullmatch(r"degrees?_?e(ast)?", units, re.IGNORECASE):
        return "lon", size
    if name.casefold() in ("time", "lat", "latitude", "lon", "longitude"):
        what = f"the axis '{name}' is in '{units}'."
        remedy = "Give its attribute units: hours since 2026-01-01 00:00:00, degrees_north, degrees_east."
        raise InputError.one(where, what, remedy)
    return "", size


def _axis_values(variable: _Variable, kind: str, where: str) -> FloatArray:
    values = variable.values()
    if kind != "time":
        return values
    match = _SINCE.fullmatch(variable.word("units"))
    epoch = _EPOCH.fullmatch(match[2]) if match else None
    if match is None or epoch is None:
        what = f"its times are in '{variable.word('units')}'."
        raise InputError.one(where, what, "Write them as hours since 2026-01-01 00:00:00, in UTC.")
    if variable.word("calendar").casefold() not in _CALENDARS:
        raise InputError.one(where, f"its calendar is '{variable.word('calendar')}'.", "Give times of the usual one.")
    since = datetime(*(int(part or 0) for part in epoch.groups()), tzinfo=UTC)  # type: ignore[misc,arg-type]
    return since.timestamp() + values * _UNIT_S[match[1][0].casefold()]
