"""Stations of the tide: tables of highs and lows, regular series, harmonic constants, and the file naming them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt
from shapely import Point

from layers._errors import Finding, InputError
from layers._files import file_within
from layers.almanac import Almanac, parse_zone, read_almanac
from layers.datums import same_datum
from layers.harmonics import Harmonics, read_harmonics
from layers.model import FloatArray
from layers.positions import parse_position
from layers.projection import LocalProjection
from layers.tables import Table, raise_all, read_toml
from layers.units import format_quantity, parse_unit

FORMS = ("highs and lows", "series", "harmonic")
HIGHEST_M = 25.0
"""No tide stands so far from its datum (common practice, no source): a table that goes past it is in another unit."""
_GAP_S = 10 * 3600.0
_SERIES_GAP_S = 2 * 3600.0
_MEDIANS = 3.0
_LEAST_ROWS = 2
_TERMS = ("form", "unit", "timezone", "datum", "offset", "longest_gap")
_IN_FILE = ("form", "unit", "timezone", "longest_gap")
WATER_LEVEL_FILES = (".h5", ".hdf5")
"""File names' endings that are read as IHO S-104."""
_Booleans = npt.NDArray[np.bool_]


class Curve(Protocol):
    """Heights through time at one station, metres."""

    @property
    def reach_s(self) -> tuple[float, float]:
        """Return the first and the last moment it is told for."""
        ...

    def at(self, time_s: FloatArray) -> FloatArray:
        """Return heights; NaN outside `reach_s`."""
        ...

    def least(self, start_s: float, end_s: float) -> float:
        """Return a height that is not undercut from start to end; NaN where that is not within `reach_s`."""
        ...


@dataclass(frozen=True)
class HeightTable:
    """Heights at moments, joined by half cosines (highs and lows) or by straight lines.

    `time_s` rises and holds at least two moments. Between a high and a low the half cosine is the tide tables' own:
    their table of heights at any time is ``R/2 (1 − cos πk/30)`` at thirtieths k of the time between.

    Examples
    --------
    >>> table = HeightTable(np.array([0.0, 21600.0]), np.array([0.0, 12.0]), smooth=True)
    >>> table.at(np.arange(0.0, 21601.0, 3600.0)).round(2).tolist()
    [0.0, 0.8, 3.0, 6.0, 9.0, 11.2, 12.0]
    """

    time_s: FloatArray
    height_m: FloatArray
    smooth: bool

    @property
    def reach_s(self) -> tuple[float, float]:
        """Return the first and the last moment it is told for."""
        return float(self.time_s[0]), float(self.time_s[-1])

    def at(self, time_s: FloatArray) -> FloatArray:
        """Return heights; NaN outside `reach_s`."""
        piece = self.time_s[1:-1].searchsorted(time_s, side="right")
        since, until = self.time_s[piece], self.time_s[piece + 1]
        part = (time_s - since) / (until - since)
        if self.smooth:
            part = np.where((part >= 0.0) & (part <= 1.0), (1.0 - np.cos(np.pi * part)) / 2.0, np.nan)
        else:
            part = np.where((part >= 0.0) & (part <= 1.0), part, np.nan)
        low, high = self.height_m[piece], self.height_m[piece + 1]
        return np.asarray(low + (high - low) * part)

    def least(self, start_s: float, end_s: float) -> float:
        """Return the lowest height from start to end: it stands at one of them or at a moment of the table."""
        inside = (self.time_s > start_s) & (self.time_s < end_s)
        ends = self.at(np.array([start_s, end_s]))
        return float(np.concatenate([ends, self.height_m[inside]]).min())


@dataclass(frozen=True)
class HarmonicCurve:
    """Heights from harmonic constants, told for all time."""

    harmonics: Harmonics

    @property
    def reach_s(self) -> tuple[float, float]:
        """Return the first and the last moment: there is none."""
        return -math.inf, math.inf

    def at(self, time_s: FloatArray) -> FloatArray:
        """Return heights."""
        return self.harmonics.at(time_s)

    def least(self, start_s: float, end_s: float) -> float:
        """Return a height that is not undercut from start to end."""
        return self.harmonics.least(start_s, end_s)


@dataclass(frozen=True)
class Terms:
    """How heights are to be read.

    `zone` is for times without an offset, `offset_m` is added to every height, and no more than `gap_s` may lie between
    a high and a low.
    """

    form: str
    unit: str | None
    zone: ZoneInfo
    offset_m: float
    gap_s: float


@dataclass(frozen=True)
class FileTerms:
    """What a layer says of a file that tells its own datum: that datum again, or empty; and what to add, or None."""

    datum: str
    offset_m: float | None

    def offset(self, file_datum: str, datum: str, where: str) -> float:
        """Return what is added to every height that counts from `file_datum`, to count from the area's `datum`.

        Raises
        ------
        InputError
            The layer names another datum than the file, or the area counts from another and no offset is told.
        """
        if self.datum and not same_datum(self.datum, file_datum):
            what = f'its layer says datum = "{self.datum}", and its heights count from {file_datum}.'
            raise InputError.one(where, what, f'Write datum = "{file_datum}", or remove it.')
        if self.offset_m is None and not same_datum(file_datum, datum):
            what = f"its heights count from {file_datum}, and the area's depth_datum is {datum}."
            remedy = f'Write in its layer how far {file_datum} is above {datum} there: offset = "0.2 m".'
            raise InputError.one(where, what, remedy)
        return self.offset_m or 0.0


def read_terms(table: Table, *, zone: ZoneInfo | None, datum: str, forms: Sequence[str] = FORMS) -> Terms:
    """Return how heights are to be read, from the keys of a station or of a CSV table's layer.

    Parameters
    ----------
    table
        Where the keys stand; what is wrong is noted there.
    zone
        The area's time zone; None where that is wrong itself.
    datum
        The area's depth datum: heights must count from it, or say by `offset` how far above it their zero is.
    forms
        The forms that are allowed.
    """
    form = table.text("form", FORMS[0], choices=forms)
    unit = table.reading("unit", lambda value, at: parse_unit(value, "length", at), "m") if table.has("unit") else None
    own_zone = table.reading("timezone", parse_zone, zone)
    own_datum = table.text("datum") if table.has("datum") else None
    if own_datum is None and not table.has("offset"):
        table.problem("datum", "is missing: height 0 could be anything.", f'Write datum = "{datum}" if that is true.')
    elif own_datum is not None and own_datum != datum and not table.has("offset"):
        what = f"heights count from {own_datum}, and the area's depth_datum is {datum}."
        table.problem("datum", what, f'Write how far {own_datum} is above {datum} there: offset = "0.2 m".')
    offset_m = table.quantity("offset", "length", 0.0)
    gap_s = table.quantity("longest_gap", "time", _GAP_S, minimum=3600.0)
    if table.has("longest_gap") and form != FORMS[0]:
        table.problem("longest_gap", f"does not go with form = '{form}'.", "Remove it.")
    return Terms(form, unit, own_zone if own_zone is not None else ZoneInfo("UTC"), offset_m, gap_s)


def layer_terms(table: Table, path: Path | None, *, zone: ZoneInfo | None, datum: str) -> Terms | FileTerms | None:
    """Return a CSV table's or S-104 file's terms from its [[layer]]; None for TOML, whose stations have theirs."""
    if path is None or path.suffix.casefold() == ".toml":
        for key in _TERMS:
            if table.has(key):
                table.problem(key, "stands with each station.", "Move it into the [[station]] of the layer's file.")
        return None
    if path.suffix.casefold() in WATER_LEVEL_FILES:
        for key in _IN_FILE:
            if table.has(key):
                table.problem(key, "is told by the file itself.", "Remove it.")
        own_datum = table.text("datum") if table.has("datum") else ""
        return FileTerms(own_datum, table.quantity("offset", "length", 0.0) if table.has("offset") else None)
    if path.suffix.casefold() != ".csv":
        what = f"'{path.name}' is none of .toml, .csv, {', '.join(WATER_LEVEL_FILES)}."
        table.problem("file", what, "Give the tide as one of these.")
    return read_terms(table, zone=zone, datum=datum, forms=FORMS[:2])


@dataclass(frozen=True)
class Differences:
    """What makes a reference station's highs and lows a subordinate's: (high, low) each."""

    time_s: tuple[float, float]
    height_m: tuple[float, float]
    ratio: tuple[float, float]


def read_heights(path: Path, where: str, terms: Terms, differences: Differences | None = None) -> HeightTable:
    """Return a CSV table of heights, in metres over the area's depth datum.

    Raises
    ------
    InputError
        Whatever is wrong with it, each with its line.
    """
    almanac = read_almanac(path, where, zone=terms.zone, required=("height",))
    height = almanac.quantities("height", "length", terms.unit)
    if len(almanac) < _LEAST_ROWS:
        raise InputError.one(almanac.where, "has one moment only.", "Give the whole day and more.")
    smooth = terms.form == FORMS[0]
    raise_all(_turn_findings(almanac, height, terms.gap_s) if smooth else _series_findings(almanac))
    table = HeightTable(almanac.time_s, height, smooth)
    if differences is not None:
        table = _subordinate(almanac, table, differences)
    table = HeightTable(table.time_s, table.height_m + terms.offset_m, smooth)
    past = np.flatnonzero(np.abs(table.height_m) > HIGHEST_M)
    if len(past):
        what = f"the height is {format_quantity(float(table.height_m[past[0]]), 'm')}: no tide is."
        raise InputError.one(almanac.line(int(past[0])), what, "Check the height and its unit.")
    return table


@dataclass(frozen=True)
class ToldStation:
    """A station that has been read; `point` is in local metres, None where the file gives no position."""

    where: str
    name: str
    point: Point | None
    curve: Curve


@dataclass(frozen=True)
class StationReader:
    """What all stations of a TOML file are read with; the area's folder, projection, time zone and depth datum."""

    path: Path
    folder: Path
    projection: LocalProjection
    zone: ZoneInfo
    datum: str

    def stations(self, where: str) -> list[ToldStation]:
        """Return the stations of the file.

        Raises
        ------
        InputError
            Whatever is wrong with it or the tables it names, all at once.
        """
        found: list[Finding] = []
        table = Table(read_toml(self.path), where, found)
        rows = table.tables("station")
        if not rows:
            table.problem("station", "there is none.", "Write a [[station]] for each place that is told.")
        table.done()
        told = []
        for row in rows:
            name = row.text("name")
            place = row.reading("position", _position, None)
            try:
                curve = self._curve(row)
            except InputError as error:
                found += error.findings
                curve = None
            row.done()
            if curve is not None:
                point = None if place is None else Point(*(float(one) for one in self.projection.to_local(*place)))
                told.append(ToldStation(row.where, name, point, curve))
        raise_all(found)
        return told

    def _curve(self, row: Table) -> Curve | None:
        """Return a station's heights, or None where something is wrong; that is noted in its table."""
        terms = read_terms(row, zone=self.zone, datum=self.datum)
        differences = _differences(row.table("differences")) if row.has("differences") else None
        if differences is not None and terms.form != FORMS[0]:
            what = f"do not go with form = '{terms.form}'."
            row.problem("differences", what, f'They change form = "{FORMS[0]}" only.')
        if terms.form == "harmonic":
            for key in ("table", "unit", "timezone"):
                if row.has(key):
                    row.problem(key, "does not go with form = 'harmonic'.", "Remove it.")
            harmonics = read_harmonics(row, "length", offset=terms.offset_m)
            return HarmonicCurve(harmonics) if harmonics is not None else None
        path = row.reading("table", self._table, None)
        if not row.has("table"):
            row.problem("table", "is missing.", 'Write the CSV file of heights: table = "tide.csv".')
        return read_heights(path, f"{row.where}, {path.name}", terms, differences) if path is not None else None

    def _table(self, value: object, where: str) -> Path:
        return file_within(self.folder, value, where, beside=self.path.parent)


def _differences(table: Table) -> Differences:
    later, higher, ratio = [], [], []
    for kind in ("high", "low"):
        later.append(table.quantity(f"{kind}_time", "time", 0.0))
        higher.append(table.quantity(f"{kind}_height", "length", 0.0))
        ratio.append(table.number(f"{kind}_ratio", 1.0, low=0.01, high=10.0))
        if table.has(f"{kind}_height") and table.has(f"{kind}_ratio"):
            what = f"{kind}_height and {kind}_ratio both stand here."
            table.problem(f"{kind}_ratio", what, "Keep the one that the tables give.")
    table.done()
    return Differences((later[0], later[1]), (higher[0], higher[1]), (ratio[0], ratio[1]))


def _turn_findings(almanac: Almanac, height: FloatArray, gap_s: float) -> list[Finding]:
    """Return what is wrong with highs and lows: they must take turns, and none may be missing."""
    steps = np.sign(np.diff(height))
    found = [
        Finding(almanac.line(int(row) + 1), "is as high as the line before.", "A high lies above the lows beside it.")
        for row in np.flatnonzero(steps == 0)
    ]
    for row in np.flatnonzero((steps[1:] == steps[:-1]) & (steps[1:] != 0)) + 1:
        way, one = ("rises", "high") if steps[row] > 0 else ("falls", "low")
        what = f"the tide {way} to this {one}, and {way} on to line {almanac.lines[row + 1]}."
        remedy = 'Write highs and lows only, each of them; or form = "series" for heights at any times.'
        found.append(Finding(almanac.line(int(row)), what, remedy))
    gaps = np.diff(almanac.time_s)
    for row in np.flatnonzero(gaps > gap_s):
        what = f"comes {gaps[row] / 3600:.1f} h after the line before: at most {gap_s / 3600:g} h are read across."
        remedy = "Add the lines that are missing; or, where the tide takes so long, "
        remedy += f'write longest_gap = "{math.ceil(gaps[row] / 3600)} h".'
        found.append(Finding(almanac.line(int(row) + 1), what, remedy))
    return sorted(found, key=lambda one: int(one.where.rsplit(" ", 1)[1]))


def _series_findings(almanac: Almanac) -> list[Finding]:
    gaps = np.diff(almanac.time_s)
    most = min(_MEDIANS * float(np.median(gaps)), _SERIES_GAP_S)
    return [
        Finding(
            almanac.line(int(row) + 1),
            f"comes {gaps[row] / 60:.0f} min after the line before: at most {most / 60:.0f} min are read across.",
            "Add the lines that are missing, or end the table before the gap.",
        )
        for row in np.flatnonzero(gaps > most)
    ]


def _subordinate(almanac: Almanac, table: HeightTable, differences: Differences) -> HeightTable:
    """Return the subordinate station's highs and lows from its reference station's.

    Raises
    ------
    InputError
        They would no longer take turns.
    """
    rising = np.diff(table.height_m) > 0
    high: _Booleans = np.append(~rising[:1], rising)

    def by_kind(pair: tuple[float, float]) -> FloatArray:
        return np.where(high, *pair)

    time_s = table.time_s + by_kind(differences.time_s)
    height = table.height_m * by_kind(differences.ratio) + by_kind(differences.height_m)
    turned = np.flatnonzero((np.diff(time_s) <= 0) | ((np.diff(height) > 0) != rising))
    if len(turned):
        what = "with the station's differences this high and low change places with the line before."
        raise InputError.one(
            almanac.line(int(turned[0]) + 1), what, "Check the signs and units of [station.differences]."
        )
    return HeightTable(time_s, height, table.smooth)


def _position(value: object, where: str) -> tuple[float, float]:
    """Return the longitude and latitude of a key's value."""
    if not isinstance(value, str):
        raise InputError.one(where, f"{value!r} is not a position.", 'Write it as text: "46 49.0 N 156 54.0 W".')
    return parse_position(value, where)
