"""Tables of times: a CSV file with a column of moments and what is told at each, read strictly."""

from __future__ import annotations

import csv
import difflib
import math
import re
import zoneinfo
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np

from layers._errors import Finding, InputError
from layers.model import FloatArray
from layers.units import Kind, parse_quantity, parse_unit

_MOST_BYTES = 50_000_000
_MOST_FINDINGS = 8
_MOMENT = re.compile(r"\d{4}-?\d\d-?\d\d[T ]\d\d.*", re.ASCII)
_HEADER = re.compile(r"(?P<name>[^_(]+?)\s*(?:_(?P<after>.+)|\(\s*(?P<within>.+?)\s*\))?")


@dataclass(frozen=True)
class Almanac:
    """The rows of a table of times.

    `time_s` are POSIX seconds, rising. `cells` are the other columns' texts, stripped, by the columns' names without
    their units; `units` are the units that stood in the header, as written. `lines` are the rows' line numbers.
    """

    where: str
    time_s: FloatArray
    lines: tuple[int, ...]
    cells: dict[str, tuple[str, ...]]
    units: dict[str, str]

    def __len__(self) -> int:
        """Return the number of rows."""
        return len(self.lines)

    def line(self, row: int) -> str:
        """Return the file and the line of a row, for messages."""
        return f"{self.where}, line {self.lines[row]}"

    def numbers(self, column: str, *, empty: bool = False) -> FloatArray:
        """Return a column of bare numbers; with `empty` an empty cell is NaN.

        Raises
        ------
        InputError
            A cell is not a finite number; each with its line.
        """
        values, found = [], []
        for row, cell in enumerate(self.cells[column]):
            value = _number(cell)
            if value is None and not (empty and not cell):
                what = f"'{cell}' in column '{column}' is not a number." if cell else f"column '{column}' is empty."
                found.append(Finding(self.line(row), what, "Write a bare number with a decimal point, such as 4.2."))
            values.append(math.nan if value is None else value)
        _raise(found)
        return np.array(values, dtype=np.float64)

    def quantities(self, column: str, kind: Kind, unit: str | None, *, empty: bool = False) -> FloatArray:
        """Return a column of quantities in SI units.

        Parameters
        ----------
        column
            Its name, without a unit.
        kind
            What it measures.
        unit
            The unit's symbol given beside the table, or None; the header may carry it instead.
        empty
            Whether an empty cell is allowed: NaN.

        Raises
        ------
        InputError
            No unit, two that differ, or a cell that is not a finite number.
        """
        header = f"{self.where}, line 1"
        if column in self.units:
            own = parse_unit(self.units[column], kind, header)
            if unit is not None and unit != own:
                what = f"the header gives '{column}' in {own}, and unit says {unit}."
                raise InputError.one(header, what, "Keep the one that is true.")
            unit = own
        if unit is None:
            example = "ft" if kind == "length" else "kn"
            what = f"no unit is given for column '{column}'."
            raise InputError.one(header, what, f'Write unit = "{example}", or name the column {column}_{example}.')
        return self.numbers(column, empty=empty) * parse_quantity(f"1 {unit}", kind, header)


def read_almanac(
    file: Path, where: str, *, zone: ZoneInfo, required: Sequence[str], optional: Sequence[str] = ()
) -> Almanac:
    """Return the rows of a CSV table of times.

    Parameters
    ----------
    file
        UTF-8 with commas between, a header first; its column `time` holds ISO 8601 moments. A byte order mark, either
        end of line and blank lines at the end are allowed.
    where
        The file, for messages.
    zone
        The zone of a moment without an offset.
    required, optional
        The other columns, in any order; a header may add a unit: ``height_ft``, ``height (ft)``. No others may stand
        in the table.

    Returns
    -------
    Almanac
        At least one row.

    Raises
    ------
    InputError
        Whatever cannot be read, each with its line; also a local time that does not exist or comes twice (a change of
        clocks) and a time that is not later than the one before.
    """
    rows = _rows(file, where)
    columns, units = _header(rows[0][1], where, ("time", *required), optional)
    found: list[Finding] = []
    times: list[float] = []
    lines: list[int] = []
    kept: list[list[str]] = []
    for line, row in rows[1:]:
        at = f"{where}, line {line}"
        try:
            if not any(row):
                raise InputError.one(at, "is blank, and the table goes on after it.", "Remove it, or fill it in.")
            if len(row) != len(columns):
                what = f"has {len(row)} values, and the header has {len(columns)}."
                raise InputError.one(at, what, "Write a decimal point, not a comma, and one value for each column.")
            moment = _posix(row[columns.index("time")], zone, at)
            if times and moment <= times[-1]:
                what = f"its time is not later than line {lines[-1]}'s."
                raise InputError.one(at, what, "Put the lines in order of time, each time once.")
        except InputError as error:
            found += error.findings
            continue
        times.append(moment)
        lines.append(line)
        kept.append(row)
    _raise(found)
    if not times:
        raise InputError.one(where, "has no line after its header.", "Write a line for each moment.")
    cells = {name: tuple(row[place] for row in kept) for place, name in enumerate(columns) if name != "time"}
    return Almanac(where, np.array(times, dtype=np.float64), tuple(lines), cells, units)


def parse_zone(value: object, where: str) -> ZoneInfo:
    """Return a time zone by its IANA name.

    Raises
    ------
    InputError
        There is none of that name; a near one is suggested.
    """
    try:
        return ZoneInfo(str(value))
    except (KeyError, ValueError, OSError):
        near = difflib.get_close_matches(str(value), zoneinfo.available_timezones(), n=1)
        remedy = f'Did you mean "{near[0]}"?' if near else 'Write one such as "America/Los_Angeles".'
        raise InputError.one(where, f"{value!r} is not an IANA time zone.", remedy) from None


def _rows(file: Path, where: str) -> list[tuple[int, list[str]]]:
    """Return the lines' numbers and stripped cells, without the blank ones at the end."""
    rows: list[tuple[int, list[str]]] = []
    try:
        if file.stat().st_size > _MOST_BYTES:
            raise InputError.one(where, "is too large for a table of times.", "Give the right file.")
        with file.open(encoding="utf-8-sig", newline="") as stream:
            reader = csv.reader(stream, strict=True)
            rows += ((reader.line_num, [cell.strip() for cell in row]) for row in reader)
    except UnicodeDecodeError as error:
        raise InputError.one(where, f"is not UTF-8 text ({error.reason}).", "Save it as CSV UTF-8.") from None
    except csv.Error as error:
        at = f"{where}, line {reader.line_num}"
        raise InputError.one(at, f"is not CSV: {error}.", "Mend that line.") from None
    except OSError as error:
        raise InputError.one(where, f"cannot be read: {error.strerror}.", "Check the file.") from None
    while rows and not any(rows[-1][1]):
        rows.pop()
    if not rows:
        raise InputError.one(where, "is empty.", "Write a header, then a line for each moment.")
    return rows


def _header(
    row: list[str], where: str, required: Sequence[str], optional: Sequence[str]
) -> tuple[list[str], dict[str, str]]:
    """Return the columns' names and the units that stand beside them."""
    at = f"{where}, line 1"
    known = (*required, *optional)
    names: list[str] = []
    units: dict[str, str] = {}
    found: list[Finding] = []
    for cell in row:
        parts = _HEADER.fullmatch(cell)
        name = parts["name"].casefold() if parts else cell.casefold()
        if name not in known:
            near = difflib.get_close_matches(name, known, n=1)
            hint = f"Did you mean '{near[0]}'?" if near else f"Write the header {','.join(required)}."
            found.append(Finding(at, f"'{cell}' is not a column that is known here.", hint))
        elif name in names:
            found.append(Finding(at, f"column '{name}' comes twice.", "Keep the one that is true."))
        elif parts and (unit := parts["after"] or parts["within"]):
            units[name] = unit
        names.append(name)
    for name in required:
        if name not in names:
            what = f"there is no column '{name}'."
            found.append(Finding(at, what, f"Write the header {','.join(required)}, with commas between."))
    if "time" in units:
        what = f"the column 'time' is headed '{units['time']}' beside it."
        found.append(Finding(at, what, 'Head it time; write the zone as timezone = "…".'))
    _raise(found)
    return names, units


def _posix(text: str, zone: ZoneInfo, where: str) -> float:
    """Return a moment in POSIX seconds."""
    remedy = "Write it as 2026-07-04T05:30, with Z or an offset such as -07:00 where it is not in the table's zone."
    if not _MOMENT.fullmatch(text):
        raise InputError.one(where, f"'{text}' is not a date and time.", remedy)
    try:
        moment = datetime.fromisoformat(text)
        if moment.tzinfo is None:
            moment = moment.replace(tzinfo=zone)
            before, after = moment.utcoffset(), moment.replace(fold=1).utcoffset()
            if before != after and before is not None and after is not None:
                what = f"'{text}' comes twice" if before > after else f"'{text}' does not exist"
                offset = moment.isoformat()[-6:]
                raise InputError.one(
                    where,
                    f"{what} in {zone.key}: the clocks change then.",
                    f"Write its offset from UTC, such as {text}{offset}, or the whole table in UTC.",
                )
        return moment.timestamp()
    except (ValueError, OverflowError) as error:
        raise InputError.one(where, f"'{text}' is not a date and time ({error}).", remedy) from None


def _number(text: str) -> float | None:
    """Return a finite number, or None."""
    try:
        value = float(text) if text.isascii() and "_" not in text else math.nan
    except ValueError:
        return None
    return value if math.isfinite(value) else None


def _raise(found: list[Finding]) -> None:
    """Raise the first of what was found, and tell how many more there are."""
    if not found:
        return
    more = len(found) - _MOST_FINDINGS
    if more > 0:
        last = found[_MOST_FINDINGS - 1]
        found = [
            *found[: _MOST_FINDINGS - 1],
            Finding(last.where, f"{last.what[:-1]}, and {more} more after it.", last.remedy),
        ]
    raise InputError(found)
