"""IHO S-100 coverages over time in HDF5: regular grids and fixed stations, as S-104 and S-111 lay them out.

Names are from memory of S-100 part 10c and of S-104 and S-111, editions 1.x and 2.0; files that s100py 2.0.1 writes are
read to the value (tests). Data coding formats: 1 fixed stations, a group for each moment; 2 regular grid, a group for
each moment; 8 fixed stations, a group for each station. No more than 30 million values of a kind are held (120 MB of
32-bit floats each), and no dataset is read before its shape is known to be what the file says.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

import numpy as np

from layers._errors import InputError
from layers.coverages import (
    MOST_VALUES,
    UNREADABLE,
    Coverages,
    GridSeries,
    Header,
    Product,
    StationSeries,
    Window,
    check_size,
    parse_time,
    word,
)
from layers.model import FloatArray

STATIONS_IN_TIME, GRID, STATIONS = 1, 2, 8
_READ = (STATIONS_IN_TIME, GRID, STATIONS)
_OTHER_FORMS = {
    3: "an ungeorectified grid",
    4: "moving platforms",
    5: "an irregular grid",
    6: "a grid of variable cells",
}
_OTHER_FORMS |= {7: "a triangulated network", 9: "a feature oriented grid"}
_MOST_NODES = 1_000_000
_MOST_INSTANCES = 100
_MOST_STATIONS = 5_000
_WGS84 = 4326
_FIRST_CELL = (("startSequence", "0,0"), ("sequencingRule.scanDirection", "longitude,latitude"))
_AT_NODE = (1, 5)
"""Data offset codes by which the grid's origin is the first node: XMin YMin, and the middle of the cell."""
_NORTHMOST, _TURN = 90.0, 360.0
_DIFFERENCES = range(6, 11)
"""Kinds of data that are differences of two others (observed less predicted, …), not the thing itself."""


def read_coverages(root: Any, product: Product, where: str, window: Window | None = None) -> Coverages:
    """Return the grids and stations of an open HDF5 file.

    Parameters
    ----------
    root
        The file, opened with h5py.
    product
        What is looked for.
    where
        How messages name the file.
    window
        Of a grid only this part is read, and a node around it; a grid that does not touch it is left out.

    Raises
    ------
    InputError
        It is not laid out as the product's specification says, in another unit or reference system, of a form that is
        not read, or larger than is held.
    """
    feature = root[product.feature]
    form = int(feature.attrs["dataCodingFormat"])
    if form not in _READ:
        kind = _OTHER_FORMS.get(form, "a form that is not read here")
        what = f"its dataCodingFormat is {form} ({kind}); regular grids (2) and fixed stations (1, 8) are read."
        raise InputError.one(where, what, "Get the product as a regular grid, or as stations.")
    crs = int(root.attrs.get("horizontalCRS", root.attrs.get("horizontalDatumValue", -1)))
    if crs != _WGS84:
        raise InputError.one(where, f"its positions are not WGS 84 (EPSG:{crs}).", "Get it in EPSG:4326.")
    instances = _numbered(feature, f"{product.feature}.")
    said = int(feature.attrs.get("numInstances", len(instances)))
    if not instances or said != len(instances):
        raise InputError.one(where, f"says it holds {said} instances, and holds {len(instances)}.", UNREADABLE)
    if len(instances) > _MOST_INSTANCES:
        what = f"holds {len(instances)} instances; at most {_MOST_INSTANCES} are read."
        raise InputError.one(where, what, "Cut it to the area.")
    common = {**root.attrs, **feature.attrs}
    reader = _Reader(product, where, _fills(root, product, where), window)
    grids: list[GridSeries] = []
    stations: list[StationSeries] = []
    uncertainty = []
    left = MOST_VALUES
    for name in instances:
        instance = feature[name]
        attributes = common | dict(instance.attrs)
        reader.check_kind(attributes)
        stated = instance.get("uncertainty")
        if stated is not None and stated.shape and 0 < stated.shape[0] <= _MOST_INSTANCES:
            uncertainty += [float(row["value"]) for row in stated[...] if word(row["name"]) == product.fields[0].code]
        if form == GRID:
            grid = reader.grid(instance, attributes, left)
            left -= 0 if grid is None else grid.values[0].size
            grids += [] if grid is None else [grid]
        else:
            told = reader.stations(instance, attributes, left, by_time=form == STATIONS_IN_TIME)
            left -= sum(len(one.time_s) for one in told)
            stations += told
    edition = re.search(r"S-?\d{3}\.(\d+(?:\.\d+)*)$", word(root.attrs.get("productSpecification", "")))
    header = Header(
        attributes=common,
        edition=edition[1] if edition else "",
        issued=_issued(word(root.attrs.get("issueDate", ""))),
        fills=reader.fills,
        uncertainty=max((one for one in uncertainty if one > 0), default=np.nan),
    )
    return Coverages(header, tuple(grids), tuple(stations))


@dataclass(frozen=True)
class _Reader:
    """What all instances of a file are read with."""

    product: Product
    where: str
    fills: tuple[float, ...]
    window: Window | None

    def check_kind(self, attributes: Mapping[str, Any]) -> None:
        for key in ("dataDynamicity", f"typeOf{self.product.feature}Data", "typeOfCurrentData"):
            if key in attributes and int(attributes[key]) in _DIFFERENCES:
                what = (
                    f"its {key} is {int(attributes[key])}: a difference of two kinds of data, not {self.product.tells}."
                )
                raise InputError.one(self.where, what, f"Get the {self.product.tells} itself.")

    def grid(self, instance: Any, attributes: Mapping[str, Any], left: int) -> GridSeries | None:
        """Return a grid's values within the window; None where it does not touch it."""
        for key, allowed in _FIRST_CELL:
            order = word(attributes.get(key, allowed)).replace(" ", "")
            if order != allowed:
                raise InputError.one(
                    self.where, f"its {key} is '{order}'; '{allowed}' is read.", "Get it in that order."
                )
        offset = int(attributes.get("dataOffsetCode", _AT_NODE[0]))
        if offset not in _AT_NODE:
            what = f"its dataOffsetCode is {offset}: its values lie at another corner of the cell than is read."
            raise InputError.one(self.where, what, "Get it with values at the grid's points.")
        lon, lat = self._axis(attributes, "Longitude"), self._axis(attributes, "Latitude")
        shape = (len(lat), len(lon))
        if np.abs(lat).max() > _NORTHMOST or np.ptp(lon) > _TURN or np.abs(lon).max() > 2 * _TURN:
            raise InputError.one(self.where, "its nodes are not on the earth.", "Check its origin and spacing.")
        lon, columns = _cut(lon, None if self.window is None else (self.window.west, self.window.east), turns=True)
        lat, rows = _cut(lat, None if self.window is None else (self.window.south, self.window.north))
        groups = self._groups(instance, attributes)
        if not len(lon) or not len(lat):
            return None
        check_size(len(groups) * len(lat) * len(lon), self.where, left)
        time = self._moments(instance, groups)
        values = [np.empty((len(groups), len(lat), len(lon)), dtype=np.float32) for _ in self.product.fields]
        for row, group in enumerate(groups):
            told = self._values(instance[group], shape, group)
            part = told[rows, columns]
            for field, fill, into in zip(self.product.fields, self.fills, values, strict=True):
                into[row] = np.where(part[field.code] == fill, np.nan, part[field.code])
        return GridSeries(attributes, lon, lat, time, tuple(values))

    def stations(
        self, instance: Any, attributes: Mapping[str, Any], left: int, *, by_time: bool
    ) -> list[StationSeries]:
        """Return the stations of an instance, whose groups are moments or else stations."""
        places = instance["Positioning/geometryValues"]
        count = int(attributes.get("numberOfStations", places.size))
        if places.ndim != 1 or places.size != count or not 0 < count <= _MOST_STATIONS:
            what = (
                f"says it holds {count} stations, and has {places.size} positions; at most {_MOST_STATIONS} are read."
            )
            raise InputError.one(self.where, what, UNREADABLE)
        at = places[...]
        lon, lat = (at[name].astype(np.float64) for name in ("longitude", "latitude"))
        if not ((np.abs(lat) <= _NORTHMOST) & (np.abs(lon) <= _TURN)).all():
            raise InputError.one(self.where, "its stations are not on the earth.", "Check its positions.")
        groups = self._groups(instance, attributes)
        if by_time:
            check_size(len(groups) * count, self.where, left)
            time = self._moments(instance, groups)
            table = [self._fields(self._values(instance[group], (count,), group)[...]) for group in groups]
            columns = [np.stack(rows) for rows in zip(*table, strict=True)]
            name = instance.name.rsplit("/", 1)[-1]
            return [
                StationSeries(
                    attributes, f"{name}, station {k + 1}", lon[k], lat[k], time, tuple(one[:, k] for one in columns)
                )
                for k in range(count)
            ]
        if len(groups) != count:
            what = f"has {count} positions, and {len(groups)} groups of values."
            raise InputError.one(self.where, what, UNREADABLE)
        sizes = [int(instance[group]["values"].size) for group in groups]
        check_size(sum(sizes), self.where, left)
        return [
            self._station(instance[group], {**attributes, **instance[group].attrs}, float(lon[k]), float(lat[k]))
            for k, group in enumerate(groups)
        ]

    def _station(self, group: Any, attributes: Mapping[str, Any], lon: float, lat: float) -> StationSeries:
        group_name = group.name.rsplit("/", 1)[-1]
        name = next(
            (text for key in ("stationName", "stationIdentification") if (text := word(attributes.get(key, "")))), ""
        )
        count = int(attributes.get("numberOfTimes", group["values"].size))
        told = self._values(group, (count,), group_name)[...]
        times = [one for one in told.dtype.names if one.casefold().endswith("time")]
        first = attributes.get("startDateTime", attributes.get("dateTimeOfFirstRecord"))
        last = attributes.get("endDateTime", attributes.get("dateTimeOfLastRecord"))
        if times:
            time = np.array([parse_time(one, self.where) for one in told[times[0]]])
        elif (
            int(attributes.get("timeIntervalIndex", 1)) == 1
            and first is not None
            and "timeRecordInterval" in attributes
        ):
            time = parse_time(first, self.where) + float(attributes["timeRecordInterval"]) * np.arange(count)
            if last is not None and count and abs(parse_time(last, self.where) - time[-1]) > 1.0:
                what = f"{group_name} has {count} moments from {word(first)}, and does not end at {word(last)}."
                raise InputError.one(self.where, what, UNREADABLE)
        else:
            what = f"{group_name} states neither times nor a start and an interval."
            raise InputError.one(self.where, what, "Get it with timeRecordInterval, or with a time for each value.")
        return StationSeries(attributes, name, lon, lat, time, tuple(self._fields(told)))

    def _fields(self, told: Any) -> list[FloatArray]:
        """Return the fields of records, NaN where they hold their fill value."""
        fields = [told[one.code].astype(np.float64) for one in self.product.fields]
        return [
            np.where(one.astype(np.float32) == np.float32(fill), np.nan, one)
            for one, fill in zip(fields, self.fills, strict=True)
        ]

    def _axis(self, attributes: Mapping[str, Any], axis: str) -> FloatArray:
        step = axis.replace("tude", "tudinal")
        count = int(attributes[f"numPoints{step}"])
        spacing, origin = float(attributes[f"gridSpacing{step}"]), float(attributes[f"gridOrigin{axis}"])
        if not 0 < count <= _MOST_NODES:
            raise InputError.one(self.where, f"has {count} {axis.lower()}s.", f"From 2 to {_MOST_NODES} are read.")
        if not (np.isfinite(origin) and np.isfinite(spacing) and spacing > 0):
            what = f"its {axis.lower()}s begin at {origin:g} and are {spacing:g}° apart."
            raise InputError.one(self.where, what, "A spacing is more than 0: get the file anew.")
        return origin + spacing * np.arange(count, dtype=np.float64)

    def _groups(self, instance: Any, attributes: Mapping[str, Any]) -> list[str]:
        groups = _numbered(instance, "Group_")
        said = int(attributes.get("numGRP", len(groups)))
        if said != len(groups) or not groups:
            raise InputError.one(self.where, f"says it holds {said} times, and holds {len(groups)}.", UNREADABLE)
        return groups

    def _moments(self, instance: Any, groups: list[str]) -> FloatArray:
        return np.array([parse_time(instance[group].attrs["timePoint"], self.where) for group in groups])

    def _values(self, group: Any, shape: tuple[int, ...], name: str) -> Any:
        """Return a group's dataset, not read yet, having looked at its shape."""
        values = group["values"]
        if values.shape != shape:
            what = f"{name} has {values.shape} values, and the grid is {shape}."
            raise InputError.one(self.where, what, UNREADABLE)
        lacking = [field.code for field in self.product.fields if field.code not in (values.dtype.names or ())]
        if lacking:
            raise InputError.one(self.where, f"{name} has no {lacking[0]}.", UNREADABLE)
        return values


def _numbered(group: Any, prefix: str) -> list[str]:
    """Return the members of a group that are called so and a number, in its order."""
    return sorted(
        (name for name in group if name.startswith(prefix) and name[len(prefix) :].isdecimal()),
        key=lambda name: int(name[len(prefix) :]),
    )


def _cut(axis: FloatArray, span: tuple[float, float] | None, *, turns: bool = False) -> tuple[FloatArray, slice]:
    """Return the part of an axis that lies in a span, and a node around; longitudes may be turns away from it."""
    if span is None:
        return axis, slice(None)
    if turns:
        axis = axis + _TURN * np.round((sum(span) / 2 - (axis[0] + axis[-1]) / 2) / _TURN)
    if span[1] < axis[0] or span[0] > axis[-1]:
        return axis[:0], slice(0)
    first = max(int(axis.searchsorted(span[0], side="right")) - 2, 0)
    part = slice(first, int(axis.searchsorted(span[1])) + 2)
    return axis[part], part


def _fills(root: Any, product: Product, where: str) -> tuple[float, ...]:
    """Return the fields' fill values, having looked at their units."""
    if "Group_F" not in root or product.feature not in root["Group_F"]:
        raise InputError.one(where, "does not say its units (Group_F is missing).", UNREADABLE)
    table = root["Group_F"][product.feature]
    if table.size > _MOST_INSTANCES:
        raise InputError.one(where, f"Group_F has {table.size} lines.", UNREADABLE)
    rows = {word(row["code"]): row for row in np.ravel(table[...])}
    fills = []
    for field in product.fields:
        if field.code not in rows:
            raise InputError.one(where, f"does not say the unit of {field.code}.", UNREADABLE)
        unit = word(rows[field.code]["uom.name"])
        if unit.casefold() not in field.units:
            what = f"its {field.code} is in '{unit}'; {product.name} has it in {field.units[0]}."
            raise InputError.one(where, what, f"Get it in {field.units[0]}.")
        fills.append(float(word(rows[field.code]["fillValue"])))
    return tuple(fills)


def _issued(text: str) -> date | None:
    digits = text.replace("-", "")
    try:
        return datetime.strptime(digits, "%Y%m%d").date()  # noqa: DTZ007 - a day, of no zone
    except ValueError:
        return None
