"""Soundings in a text file: three columns of numbers, millions of rows, read in parts; a bad row is named."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import islice
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pyproj

from layers._errors import InputError
from layers.model import FloatArray
from layers.surveyfiles import SurveyOptions, asked_for, settled, unit_named
from layers.units import parse_quantity

MOST_SOUNDINGS = 10_000_000
"""Soundings kept at most. Measured with the surface made of them: 340 MB for 0.2 million, 920 MB for 5 million."""
_ROWS_AT_A_TIME = 250_000
_HEAD_BYTES = 65_536
_EASTS = ("lon", "long", "longitude", "x", "east", "easting")
_NORTHS = ("lat", "latitude", "y", "north", "northing")
_DEPTHS = {
    "depth": ("depth", "valsou", "sounding", "corrected depth"),
    "elevation": ("elevation", "elev", "height", "altitude"),
    "": ("z",),
}
_DEGREES = ("lon", "long", "longitude", "lat", "latitude")
_EARTH_LON_DEG, _EARTH_LAT_DEG = 360.0, 90.0
_DEEPEST_M, _HIGHEST_M = 11_500.0, 9_000.0
_COLUMNS = 3


@dataclass(frozen=True)
class SoundingLayout:
    """How a text of soundings is written: its separator, the three columns that count, and what they are."""

    separator: str
    comma: bool
    head_lines: int
    columns: tuple[int, int, int]
    header: bool
    crs: pyproj.CRS
    values: str
    unit: str

    @property
    def order(self) -> str:
        """Return the columns in words."""
        axes = ("longitude", "latitude") if self.crs.is_geographic else ("easting", "northing")
        return f"{axes[0]}, {axes[1]} and {self.values}"


@dataclass(frozen=True)
class Soundings:
    """Soundings as they stand in the file: coordinates in `layout.crs`, depth in metres, positive down."""

    x: FloatArray
    y: FloatArray
    depth_m: FloatArray
    layout: SoundingLayout


def looks_like_soundings(file: Path) -> bool:
    """Return whether a text's first rows are three numbers or more each, or its header names position and depth."""
    try:
        lines = _head(file)
        at, separator = _first_row(lines)
    except (InputError, OSError):
        return False
    names = [_plain(word) for word in _split(lines[at], separator)]
    if _numbers(names, separator) is None:
        return _places(names) is not None
    return all(_numbers(_split(line, separator), separator) is not None for line in lines[at : at + 20] if line.strip())


def read_soundings(file: Path, options: SurveyOptions) -> Soundings:
    """Return the soundings of a text file; with `options.around`, those within `options.radius_m` of there.

    Rows are separated by comma, semicolon, tab or blanks; numbers may have a decimal comma where commas do not
    separate. Lines before the first row that begin with # are passed over. A header may name the columns (lon, lat, x,
    y, easting, northing, depth, elevation, z) and the unit of the depth (depth_ft, "depth (m)"); without one they are
    x, y and z, longitude before latitude, and what follows is passed over.

    Raises
    ------
    InputError
        The file is no text of soundings; a row is not three finite numbers on the earth (its line is named); it does
        not say its values, unit or coordinate system and `options` does not either; there are over `MOST_SOUNDINGS`.
    """
    where = file.name
    layout = _layout(_head(file), options, where)
    factor = parse_quantity(f"1 {layout.unit}", "length", where) * (1.0 if layout.values == "depth" else -1.0)
    parts, kept = [np.empty((0, 3))], 0
    for rows in _parts(file, layout, where):
        if not _fine(rows, layout, factor).all():
            raise _bad_row(file, layout, factor, where)
        near = rows[_near(rows, layout.crs, options)] if options.around else rows
        kept += len(near)
        if kept > MOST_SOUNDINGS:
            what = f"holds over {MOST_SOUNDINGS / 1e6:.0f} million soundings where they are wanted."
            raise InputError.one(
                where, what, "Cut out the part you fish: write --around (a position) and --radius (how far from it)."
            )
        parts.append(near)
    x, y, z = (np.concatenate([part[:, column] for part in parts]) for column in range(_COLUMNS))
    if not len(x):
        place = "there" if options.around else "in it"
        raise InputError.one(where, f"has no soundings {place}.", "Give a survey of the water you fish.")
    return Soundings(x, y, z * factor, layout)


def _head(file: Path) -> list[str]:
    with file.open("rb") as stream:
        start = stream.read(_HEAD_BYTES)
    if b"\0" in start:
        what = "is neither HDF5 nor TIFF nor text."
        raise InputError.one(file.name, what, "Give a survey as BAG, S-102, GeoTIFF or a text of soundings.")
    if len(start) == _HEAD_BYTES and b"\n" not in start and b"\r" not in start:
        raise InputError.one(file.name, "has no lines.", "Give a text of soundings: x, y and depth in each row.")
    lines = start.decode("utf-8-sig", errors="replace").splitlines()
    return lines[:-1] if len(start) == _HEAD_BYTES else lines


def _first_row(lines: list[str]) -> tuple[int, str]:
    """Return the number of the first line that counts, and what separates its columns."""
    for at, line in enumerate(lines):
        if line.strip() and not line.lstrip().startswith("#"):
            return at, next((separator for separator in ";\t," if separator in line), " ")
    raise InputError.one("survey", "has no rows.", "Give a text of soundings: x, y and depth in each row.")


def _split(line: str, separator: str) -> list[str]:
    return [word.strip().strip('"') for word in (line.split() if separator == " " else line.strip().split(separator))]


def _plain(word: str) -> str:
    return " ".join(word.casefold().replace("_", " ").split())


def _numbers(words: list[str], separator: str) -> list[float] | None:
    """Return a row's first numbers, or None where it has not at least three."""
    try:
        found = [float(word.replace(",", ".") if separator != "," else word) for word in words[:_COLUMNS]]
    except ValueError:
        return None
    return found if len(found) == _COLUMNS else None


def _places(names: list[str]) -> tuple[int, int, int, str, str] | None:
    """Return the columns of x, y and z, and what z's name says of values and unit; None where one is missing."""
    bare = [re.fullmatch(r"(.*?)(?:\s*[(\[](.+)[)\]]|\s(m|ft|fm|feet|metres|meters|fathoms))?", name) for name in names]
    words = [found[1].strip() if found else "" for found in bare]
    east, north = (next((at for at, word in enumerate(words) if word in known), None) for known in (_EASTS, _NORTHS))
    for values, known in _DEPTHS.items():
        for at, word in enumerate(words):
            if word in known and east is not None and north is not None:
                found = bare[at]
                return east, north, at, values, (found[2] or found[3] or "") if found else ""
    return None


def _layout(lines: list[str], options: SurveyOptions, where: str) -> SoundingLayout:
    at, separator = _first_row(lines)
    names = [_plain(word) for word in _split(lines[at], separator)]
    header = _numbers(_split(lines[at], separator), separator) is None
    x, y, z, said_values, said_unit, degrees = 0, 1, 2, "", "", True
    if header:
        places = _places(names)
        if places is None:
            what = f"line {at + 1} is neither three numbers nor a header that names x, y and depth: '{lines[at][:80]}'."
            raise InputError.one(where, what, "Name the columns: lon, lat, depth or x, y, z.")
        x, y, z, said_values, said_unit = places
        degrees = names[x].split("(")[0].split()[0] in _DEGREES
    row = lines[at + 1] if header and at + 1 < len(lines) else lines[at]
    if separator == " " and ";" in row:
        separator = ";"
    if not degrees and not options.crs:
        what = f"its columns are {names[x]} and {names[y]}, and their coordinate system is not said."
        raise InputError.one(where, what, 'Write crs, for example "EPSG:32610".')
    unit = unit_named(said_unit)
    if said_unit and not unit:
        raise InputError.one(
            where, f"its unit '{said_unit}' is not known.", "Write depth (m), depth (ft) or depth (fm)."
        )
    hint = "Depth may count down or up." if not said_values else ""
    return SoundingLayout(
        separator=separator,
        comma=separator != "," and "," in row,
        head_lines=at + header,
        columns=(x, y, z),
        header=header,
        crs=_crs(options.crs or "EPSG:4326", where),
        values=asked_for("values", settled("values", said_values, options.values, where), where, hint),
        unit=asked_for("unit", settled("unit", unit, unit_named(options.unit), where), where),
    )


def _crs(words: str, where: str) -> pyproj.CRS:
    try:
        crs = pyproj.CRS.from_user_input(words)
    except pyproj.exceptions.CRSError:
        crs = None
    if crs is not None and crs.is_compound:
        crs = crs.sub_crs_list[0]
    if crs is None or not (crs.is_geographic or crs.is_projected):
        what = f"'{words}' is no coordinate system of positions that is known."
        raise InputError.one(f"{where}, crs", what, 'Write one such as "EPSG:32610".')
    return crs


def _parts(file: Path, layout: SoundingLayout, where: str) -> Iterator[FloatArray]:
    """Give the rows as (n, 3) numbers; whatever is no number ends in the error of the line that it stands in."""
    separator = None if layout.separator == " " else layout.separator
    with file.open(encoding="utf-8-sig", errors="replace") as stream:
        for _ in islice(stream, layout.head_lines):
            pass
        while lines := list(islice(stream, _ROWS_AT_A_TIME)):
            if layout.comma:
                lines = [line.replace(",", ".") for line in lines]
            filled = [line for line in lines if line.strip()]
            if not filled:
                continue
            try:
                rows = np.loadtxt(
                    filled, delimiter=separator, usecols=layout.columns, comments=None, quotechar='"', ndmin=2
                )
            except (ValueError, IndexError):
                raise _bad_row(file, layout, 1.0, where) from None
            yield rows


def _fine(rows: FloatArray, layout: SoundingLayout, factor: float) -> npt.NDArray[np.bool_]:
    """Return which rows are soundings on the earth."""
    x, y, depth_m = rows[:, 0], rows[:, 1], rows[:, 2] * factor
    fine = np.isfinite(rows).all(axis=1) & (depth_m < _DEEPEST_M) & (depth_m > -_HIGHEST_M)
    if layout.crs.is_geographic:
        fine &= (np.abs(x) <= _EARTH_LON_DEG) & (np.abs(y) <= _EARTH_LAT_DEG)
    return fine


def _bad_row(file: Path, layout: SoundingLayout, factor: float, where: str) -> InputError:
    """Return the error of the first line that is no sounding."""
    with file.open(encoding="utf-8-sig", errors="replace") as stream:
        for number, line in enumerate(stream, 1):
            if number <= layout.head_lines or not line.strip():
                continue
            words = _split(line, layout.separator)
            chosen = [words[at] if at < len(words) else "" for at in layout.columns]
            row = _numbers(chosen, layout.separator)
            if row is None or not np.isfinite(row).all():
                what = f"'{line.strip()[:80]}' lacks a number for {layout.order}."
            elif not _fine(np.array([row]), layout, factor)[0]:
                what = f"{layout.order} {row[0]:g}, {row[1]:g}, {row[2]:g}: that is not on the earth."
            else:
                continue
            remedy = "Correct the row or take it out; if its coordinates are projected, write crs."
            return InputError.one(f"{where}, line {number}", what, remedy)
    remedy = "Write the same columns in every row, separated the same way."
    return InputError.one(where, "its rows cannot be read as one table.", remedy)


def _near(rows: FloatArray, crs: pyproj.CRS, options: SurveyOptions) -> npt.NDArray[np.bool_]:
    lon, lat = rows[:, 0], rows[:, 1]
    if not (crs.is_geographic and crs.equals("EPSG:4326", ignore_axis_order=True)):
        lon, lat = pyproj.Transformer.from_crs(crs, "EPSG:4326", always_xy=True).transform(lon, lat)
    assert options.around is not None  # noqa: S101 - asked by the caller
    there = np.full(len(lon), options.around[0]), np.full(len(lon), options.around[1])
    _, _, distance = pyproj.Geod(ellps="WGS84").inv(lon, lat, *there)
    return np.asarray(distance <= options.radius_m)
