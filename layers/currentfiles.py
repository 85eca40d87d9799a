"""Files that hold current on a grid over time: IHO S-111 regular grids (HDF5) and NetCDF with u and v.

S-111 is read here and not through GDAL, whose driver (3.10) reports knots whatever unit the file states and drops every
feature instance but the first without a word (tried with files written by h5py); NetCDF 4 is HDF5 too. S-111's names
are from memory of its editions 1.1 and 2.0, NetCDF's from the CF conventions.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from layers._errors import InputError
from layers.currenttables import FASTEST_MPS, HOURLY_GAP_S
from layers.model import FloatArray

_HDF5 = b"\x89HDF\r\n\x1a\n"
_CLASSIC = (b"CDF\x01", b"CDF\x02")
_MOST_VALUES = 30_000_000
_KNOT_MPS = 1852 / 3600
_FILLED = 1e30
"""NetCDF's own filling of floats, 9.97e36, is beyond this."""
_REGULAR_GRID = 2
_WGS84 = 4326
_S111_FORMS = {1: "fixed stations", 3: "an ungeorectified grid", 4: "moving platforms", 8: "fixed stations by station"}
_SPEED, _DIRECTION = "surfaceCurrentSpeed", "surfaceCurrentDirection"
_KNOTS = ("knots", "knot", "kn")
_DEGREES = ("arc-degrees", "arc-degree", "degrees", "degree", "deg")
_FIRST_CELL = (("startSequence", "0,0"), ("sequencingRule.scanDirection", "longitude,latitude"))
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
_UNREADABLE = "Get the file anew: it may be cut short."


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


def read_node_flow(file: Path, where: str) -> NodeFlow:
    """Return the current on a file's grid.

    Raises
    ------
    InputError
        It cannot be read, is neither S-111 with a regular grid nor NetCDF with u and v on latitudes and longitudes,
        states other units than are read, or holds what no current can be.
    """
    with _told(where):
        with file.open("rb") as stream:
            start = stream.read(8)
        if start.startswith(_CLASSIC):
            flow = _read_classic(file, where)
        elif start == _HDF5:
            flow = _read_hdf5(file, where)
        else:
            what = "is neither HDF5 nor NetCDF."
            raise InputError.one(where, what, "Give an S-111 file, or NetCDF with u and v; a CSV is no grid.")
    return _checked(flow, where)


@contextmanager
def _told(where: str) -> Iterator[None]:
    try:
        yield
    except InputError:
        raise
    except (OSError, KeyError, ValueError, TypeError, IndexError, RuntimeError, AttributeError) as error:
        words = " ".join(str(error).split())
        raise InputError.one(where, f"cannot be read ({type(error).__name__}: {words}).", _UNREADABLE) from None


def _checked(flow: NodeFlow, where: str) -> NodeFlow:
    """Return the flow with rising axes, or raise what is wrong with it."""
    lon = np.unwrap(flow.lon_deg, period=360.0)
    lat, time = flow.lat_deg, flow.time_s
    for name, axis, least in (("longitude", lon, 2), ("latitude", lat, 2), ("time", time, 2)):
        step = np.diff(axis)
        if len(axis) < least:
            raise InputError.one(where, f"has {len(axis)} {name}s.", f"At least {least} are needed to go between.")
        if not (np.isfinite(axis).all() and ((step > 0).all() or (name != "time" and (step < 0).all()))):
            raise InputError.one(where, f"its {name}s do not run one way.", "Put them in order.")
    if np.abs(lat).max() > 90 or np.ptp(lon) > 360:  # noqa: PLR2004 - degrees of the earth
        raise InputError.one(where, "its nodes are not on the earth.", "Check which axis is latitude.")
    if np.diff(time).max() > HOURLY_GAP_S:
        gap = int(np.argmax(np.diff(time)))
        at = datetime.fromtimestamp(float(time[gap]), UTC)
        what = f"nothing is told for {np.diff(time)[gap] / 3600:.1f} h after {at:%Y-%m-%d %H:%M}Z"
        what += "; at most 2 h are read across."
        raise InputError.one(where, what, "Add the fields that are missing, or end the file before the gap.")
    down = slice(None, None, 1 if lat[1] > lat[0] else -1)
    left = slice(None, None, 1 if lon[1] > lon[0] else -1)
    east, north = (np.ascontiguousarray(part[:, down, left]) for part in (flow.east_mps, flow.north_mps))
    unknown = np.isnan(east) | np.isnan(north)
    if unknown.all():
        raise InputError.one(where, "tells the current nowhere: all its values are fill values.", "Get the file anew.")
    fastest = float(np.nanmax(np.hypot(east, north)))
    if fastest > FASTEST_MPS:
        what = f"the water goes {fastest / _KNOT_MPS:.6g} kn somewhere: no tidal current does."
        raise InputError.one(where, what, "Its unit or its fill value is not what it says: check both.")
    return NodeFlow(lon[left], lat[down], time, east, north)


def _read_hdf5(file: Path, where: str) -> NodeFlow:
    import h5py  # noqa: PLC0415 - 0.1 s that only a grid is worth

    with h5py.File(file, "r") as root:
        if "SurfaceCurrent" in root:
            return _read_s111(root, where)
        variables = {}
        for name, item in root.items():
            if isinstance(item, h5py.Dataset):
                scales = [dim[0].name.lstrip("/") if len(dim) else "" for dim in item.dims]
                dims = (name,) if item.ndim == 1 and item.is_scale else tuple(scales)
                variables[name] = _Variable(name, dims, dict(item.attrs), item.shape, item.__getitem__)
        return _read_netcdf(variables, where)


def _read_classic(file: Path, where: str) -> NodeFlow:
    from scipy.io import netcdf_file  # noqa: PLC0415 - a tenth of a second that only a grid is worth

    with netcdf_file(file, "r", mmap=False) as root:
        variables = {
            name: _Variable(name, one.dimensions, one._attributes, one.shape, one.data.__getitem__)  # noqa: SLF001 - its only list of attributes
            for name, one in root.variables.items()
        }
        return _read_netcdf(variables, where)


def _read_s111(root: Any, where: str) -> NodeFlow:
    feature = root["SurfaceCurrent"]
    form = int(feature.attrs["dataCodingFormat"])
    if form != _REGULAR_GRID:
        kind = _S111_FORMS.get(form, "a form that is not read here")
        what = f"its dataCodingFormat is {form} ({kind}); only regular grids (2) are read."
        raise InputError.one(where, what, "Get the product as a regular grid, or give its stations as tables.")
    crs = int(root.attrs.get("horizontalCRS", root.attrs.get("horizontalDatumValue", -1)))
    if crs != _WGS84:
        raise InputError.one(where, f"its positions are not WGS 84 (EPSG:{crs}).", "Get it in EPSG:4326.")
    instances = [name for name in feature if name.startswith("SurfaceCurrent.")]
    if len(instances) != 1:
        what = f"holds {len(instances)} grids, and one is read."
        raise InputError.one(where, what, "Give each its own file and layer.")
    instance = feature[instances[0]]
    for key, allowed in _FIRST_CELL:
        order = _word({**feature.attrs, **instance.attrs}.get(key, allowed)).replace(" ", "")
        if order != allowed:
            raise InputError.one(where, f"its {key} is '{order}'; '{allowed}' is read.", "Get it in that order.")
    fills = _s111_fills(root, where)
    lon, lat = (
        float(instance.attrs[f"gridOrigin{axis}"])
        + float(instance.attrs[f"gridSpacing{step}"])
        * np.arange(int(instance.attrs[f"numPoints{step}"]), dtype=np.float64)
        for axis, step in (("Longitude", "Longitudinal"), ("Latitude", "Latitudinal"))
    )
    groups = sorted(name for name in instance if name.startswith("Group_"))
    said = int(instance.attrs.get("numGRP", instance.attrs.get("numberOfTimes", len(groups))))
    if said != len(groups):
        raise InputError.one(where, f"says it holds {said} times, and holds {len(groups)}.", _UNREADABLE)
    _check_size(len(groups) * len(lat) * len(lon), where)
    time = np.array([_s111_time(instance[group].attrs["timePoint"], where) for group in groups])
    east = np.empty((len(groups), len(lat), len(lon)), dtype=np.float32)
    north = np.empty_like(east)
    for row, group in enumerate(groups):
        values = instance[group]["values"]
        if values.shape != (len(lat), len(lon)):
            what = f"{group} has {values.shape} values, and the grid is {(len(lat), len(lon))}."
            raise InputError.one(where, what, _UNREADABLE)
        speed, direction = (values[name].astype(np.float64) for name in (_SPEED, _DIRECTION))
        unknown = np.isnan(speed) | np.isnan(direction) | (speed == fills[0]) | (direction == fills[1])
        wrong = ~unknown & ~((speed >= 0) & (direction >= 0) & (direction <= 360))  # noqa: PLR2004 - a full turn
        if wrong.any():
            place = np.unravel_index(np.argmax(wrong), wrong.shape)
            what = (
                f"{group} tells {speed[place]:g} kn towards {direction[place]:g}° somewhere; its fill is {fills[0]:g}."
            )
            raise InputError.one(where, what, "Speeds are 0 or more and directions 0 to 360: get the file anew.")
        speed[unknown] = np.nan
        turned = np.radians(np.where(unknown, 0.0, direction))
        east[row], north[row] = speed * _KNOT_MPS * np.sin(turned), speed * _KNOT_MPS * np.cos(turned)
    return NodeFlow(lon, lat, time, east, north)


def _s111_fills(root: Any, where: str) -> tuple[float, float]:
    """Return the fill values of speed and direction, having looked at their units."""
    if "Group_F" not in root or "SurfaceCurrent" not in root["Group_F"]:
        raise InputError.one(where, "does not say its units (Group_F is missing).", _UNREADABLE)
    fills = {}
    rows = {_word(row["code"]): row for row in root["Group_F/SurfaceCurrent"][...]}
    for code, units in ((_SPEED, _KNOTS), (_DIRECTION, _DEGREES)):
        if code not in rows:
            raise InputError.one(where, f"does not say the unit of {code}.", _UNREADABLE)
        unit = _word(rows[code]["uom.name"])
        if unit.casefold() not in units:
            what = f"its {code} is in '{unit}'; S-111 has it in {units[0]}."
            raise InputError.one(where, what, f"Get it in {units[0]}.")
        fills[code] = float(_word(rows[code]["fillValue"]))
    return fills[_SPEED], fills[_DIRECTION]


def _s111_time(value: object, where: str) -> float:
    text = _word(value)
    if not re.fullmatch(r"\d{8}T\d{6}Z", text):
        raise InputError.one(where, f"'{text}' is not a time of S-111.", "It is written 20260814T120000Z.")
    return datetime.strptime(text, "%Y%m%dT%H%M%S%z").timestamp()


@dataclass(frozen=True)
class _Variable:
    """A variable of a NetCDF file; `read` returns the values of an index."""

    name: str
    dims: tuple[str, ...]
    attributes: Mapping[str, Any]
    shape: tuple[int, ...]
    read: Callable[[Any], Any]

    def word(self, key: str) -> str:
        return _word(self.attributes.get(key, "")).strip()

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
    _check_size(int(np.prod(u.shape)), where)
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


def _check_size(values: int, where: str) -> None:
    if values > _MOST_VALUES:
        what = f"holds {values / 1e6:.0f} million vectors; at most {_MOST_VALUES / 1e6:.0f} million are read."
        raise InputError.one(where, what, "Cut it to the area and the days.")


def _word(value: object) -> str:
    """Return a text attribute, however it was stored."""
    if isinstance(value, np.ndarray):
        value = value.ravel()[0] if value.size == 1 else ""
    return value.decode("utf-8", "replace") if isinstance(value, bytes) else str(value)
