"""Chart cells (IHO S-57) read through GDAL with their updates applied, and proved against the cell's own records.

Every feature that the records say there is must come, with all its attributes and its place: what GDAL's own tables of
classes leave out is filled in from the records, and anything that is missing or differs is an error.
"""

from __future__ import annotations

import csv
import math
import tempfile
import warnings
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import date
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pyogrio
import shapely
from pyogrio import raw
from pyogrio.errors import DataLayerError, DataSourceError

from layers._errors import Finding, InputError
from layers._iso8211 import MOST_BYTES, ChartFile, Contents, Feature, apply, read_chart_file
from layers.chartfiles import CellFiles, find_cells

__all__ = ["Cell", "CellFiles", "CellHeader", "ChartObjects", "find_cells", "read_cell"]

Value = str | float | int | tuple[str, ...] | None

_OPTIONS = {
    "UPDATES": "APPLY",
    "SPLIT_MULTIPOINT": "ON",
    "ADD_SOUNDG_DEPTH": "ON",
    "RETURN_PRIMITIVES": "OFF",
    "RETURN_LINKAGES": "OFF",
    "LIST_AS_STRING": "OFF",
    "LNAM_REFS": "OFF",
    "RECODE_BY_DSSI": "ON",
}
# The first is about time; what the others leave out is filled in from the records.
_HARMLESS = ("organizePolygons() received a polygon with more than", "Illegal feature attribute id", "Attributes ")
_RECORD_FIELDS = {"RCID", "PRIM", "GRUP", "OBJL", "RVER", "AGEN", "FIDN", "FIDS", "LNAM", "DEPTH"}
_WGS84, _METRES, _LAT_LON = 2, 1, 1
_SOUNDG, _PLACED = 129, (1, 2, 3)
_NATIONAL = range(300, 400)
_TEXTS = ("TXTDSC", "NTXTDS")
_MOST_LON, _MOST_LAT = 180.0, 90.0
_AGAIN = "Take the cell and all its updates from the publisher again."


@dataclass(frozen=True)
class CellHeader:
    """What a cell says of itself; `scale` is 1 : n, the datums are S-57's codes.

    `update` is the last update that is in, `base_update` the one that the base held already; `issued` is the last
    one's date.
    """

    name: str
    edition: int
    update: int
    issued: date
    scale: int
    agency: int
    horizontal_datum: int
    sounding_datum: int
    base_update: int


@dataclass(frozen=True)
class ChartObjects:
    """The features of one class; `attributes` holds one value a feature of every acronym that the class may have.

    `geometry` is in WGS 84 longitude and latitude, None where a feature has no place; soundings are split, each a
    point whose Z is its depth in metres. Classes that no table knows come together under the acronym ``"Generic"``,
    attributes that no table knows as ``"ATTL9000"``.
    """

    acronym: str
    ids: tuple[str, ...]
    geometry: npt.NDArray[np.object_]
    attributes: Mapping[str, tuple[Value, ...]]


@dataclass(frozen=True)
class Cell:
    """A cell as it stands with its updates; of its texts, `files` keeps those that features name."""

    header: CellHeader
    objects: Mapping[str, ChartObjects]
    files: CellFiles


def read_cell(files: CellFiles, *, updates: bool = True) -> Cell:
    """Return a chart cell with its updates applied.

    Parameters
    ----------
    files
        The cell's files.
    updates
        False leaves the updates out: the base alone.

    Returns
    -------
    Cell
        All its features, by class.

    Raises
    ------
    InputError
        A file is damaged, cut short or no chart; an update is missing, of another edition or does not fit; the cell
        is cancelled; its datum is not WGS 84 or its depths are not in metres; or something of it was lost in reading.
    """
    base = read_chart_file(files.base)
    given: list[ChartFile] = []
    left = MOST_BYTES - len(base.data)
    for path in files.updates if updates else ():
        given.append(read_chart_file(path, left))
        left -= len(given[-1].data)
    chain = _chain(base, given)
    header = _header(base, chain)
    contents = Contents()
    for file in (base, *chain):
        apply(contents, file)
    if loose := contents.dangling():
        what = f"has {len(loose)} features whose place is not in it (record {loose[0]} is the first)."
        raise InputError.one(str(base.path), what, _AGAIN)
    objects = {one.acronym: one for one in _objects(header, (base, *chain), contents)}
    named = {
        str(name).casefold()
        for one in objects.values()
        for key in _TEXTS
        for name in one.attributes.get(key, ())
        if name
    }
    texts = tuple(path for path in files.texts if path.name.casefold() in named)
    return Cell(header, objects, replace(files, texts=texts))


def _chain(base: ChartFile, given: Sequence[ChartFile]) -> list[ChartFile]:
    """Return the updates that follow the base, in order, or raise what is wrong with them."""
    told = base.dataset
    findings = []
    if told.is_update or base.parameters is None:
        findings.append(Finding(str(base.path), "is no base cell: it is an update, or lacks its datums.", _AGAIN))
    for file in (base, *given):
        findings += _faults(file, base)
    if findings:
        raise InputError(findings)
    chain = [file for file in given if file.dataset.update > told.update]
    for expected, file in enumerate(chain, told.update + 1):
        if file.dataset.update != expected:
            what = f"is update {file.dataset.update}; update {expected} must come before it and is not there."
            remedy = f"Put {base.path.stem}.{expected:03d} beside the cell, or take the cell from the publisher again."
            raise InputError.one(str(file.path), what, remedy)
    return chain


def _faults(file: ChartFile, base: ChartFile) -> Iterator[Finding]:
    told, where = file.dataset, str(file.path)
    name = told.name.partition(".")[0]
    if name.casefold() != file.path.stem.casefold():
        what = f"says that it is of the cell {name}."
        yield Finding(where, what, f"Give it its own name again: {name}{file.path.suffix}.")
    if told.edition == 0:
        what = f"says that the cell is cancelled{f' since {told.issued}' if told.issued else ''}."
        yield Finding(where, what, "It must not be used: look which cell took its place.")
    if file is base:
        return
    if not told.is_update:
        yield Finding(where, "is not an update: it is a base cell.", f"Name it {name}.000, or take the update again.")
    if told.update != int(file.path.suffix[1:]):
        what = f"says that it is update {told.update}, and its name says {int(file.path.suffix[1:])}."
        yield Finding(where, what, f"Give it its own name again: {name}.{told.update:03d}.")
    if told.edition not in (0, base.dataset.edition):
        what = f"is for edition {told.edition}, and the cell beside it is edition {base.dataset.edition}."
        newer = told.edition > base.dataset.edition
        remedy = f"Take edition {told.edition} of the cell." if newer else "Remove it: the cell is newer."
        yield Finding(where, what, remedy)


def _header(base: ChartFile, chain: Sequence[ChartFile]) -> CellHeader:
    told, parameters = base.dataset, base.parameters
    last = chain[-1].dataset if chain else told
    where = str(base.path)
    findings = []
    if parameters is None or last.issued is None:
        raise InputError.one(where, "does not say when it was issued, or what its datums are.", _AGAIN)
    if parameters.horizontal_datum != _WGS84:
        what = f"is on horizontal datum {parameters.horizontal_datum}; only 2 (WGS 84) is read."
        findings.append(Finding(where, what, "Take a cell on WGS 84: official ones are."))
    if parameters.coordinate_unit != _LAT_LON or min(parameters.factors) < 1:
        findings.append(
            Finding(where, "has coordinates that are not latitude and longitude.", "Take an official cell.")
        )
    if parameters.depth_unit != _METRES:
        what = f"has depths in unit {parameters.depth_unit}; only 1 (metres) is read."
        findings.append(Finding(where, what, "Take a cell in metres: official ones are."))
    if parameters.scale < 1:
        findings.append(Finding(where, "does not say its scale.", "Take an official cell."))
    if findings:
        raise InputError(findings)
    return CellHeader(
        name=told.name.partition(".")[0].upper(),
        edition=told.edition,
        update=last.update,
        issued=last.issued,
        scale=parameters.scale,
        agency=told.agency,
        horizontal_datum=parameters.horizontal_datum,
        sounding_datum=parameters.sounding_datum,
        base_update=told.update,
    )


def _objects(header: CellHeader, chain: Sequence[ChartFile], contents: Contents) -> list[ChartObjects]:
    """Return all features by class, read by GDAL and held against the records."""
    base = chain[0].path
    with tempfile.TemporaryDirectory(prefix="chart-") as folder:
        # GDAL applies what lies beside the base, from .001 on: only what is to be applied lies here.
        staged = Path(folder, f"{header.name}.000")
        for number, file in enumerate(chain):
            staged.with_suffix(f".{number:03d}").write_bytes(file.data)
        try:
            with _grave_remarks(base):
                names = [str(name) for name in pyogrio.list_layers(staged)[:, 0]]
            _, _, state = _layer(staged, "DSID", base)
            layers = [(name, *_layer(staged, name, base)) for name in names if name != "DSID"]
        except (DataSourceError, DataLayerError, UnicodeDecodeError) as error:
            told = str(error).replace(folder, "").lstrip("/")
            raise InputError.one(str(base), f"cannot be read as a chart: {told}.", _AGAIN) from None
    if (int(state["DSID_EDTN"][0]), int(state["DSID_UPDN"][0])) != (header.edition, header.update):
        raise _lost(base, f"only edition {state['DSID_EDTN'][0]}, update {state['DSID_UPDN'][0]} was taken in")
    read: Counter[int] = Counter()
    objects = []
    for name, numbers, geometry, columns in layers:
        read.update(numbers)
        features = [contents.features.get(number) for number in numbers]
        known = [feature for feature in features if feature is not None]
        if len(known) < len(features):
            raise _lost(base, f"{len(features) - len(known)} features of {name} came that are not in its records")
        objects.append(_class_objects(base, name, known, geometry, columns))
    expected = {
        number: contents.soundings(feature) if feature.kind == _SOUNDG else 1
        for number, feature in contents.features.items()
    }
    if wrong := [number for number, many in expected.items() if read[number] != many]:
        listed = ", ".join(sorted({_acronym(contents.features[number].kind) for number in wrong}))
        raise _lost(base, f"{len(wrong)} of its features did not come whole ({listed})")
    return objects


def _layer(staged: Path, name: str, base: Path) -> tuple[list[int], npt.NDArray[np.object_], dict[str, list[Any]]]:
    """Return the record numbers, shapes and columns of a layer."""
    with _grave_remarks(base):
        meta, _, wkb, data = raw.read(staged, layer=name, **_OPTIONS)
    columns = dict(zip(map(str, meta["fields"]), data, strict=True))
    # Record numbers are unsigned, GDAL's are not.
    numbers = (columns["RCID"].astype(np.int64) & 0xFFFFFFFF).tolist() if "RCID" in columns else []
    geometry = np.full(len(numbers), None) if wkb is None else shapely.from_wkb(wkb)
    return numbers, geometry, {key: _plain(column) for key, column in columns.items() if key not in _RECORD_FIELDS}


@contextmanager
def _grave_remarks(base: Path) -> Iterator[None]:
    """Turn what GDAL remarks about something that it left out or could not apply into an error."""
    with warnings.catch_warnings(record=True) as remarks:
        warnings.simplefilter("always")
        yield
    grave = [str(remark.message) for remark in remarks if not str(remark.message).startswith(_HARMLESS)]
    if grave:
        raise _lost(base, grave[0].rstrip("."))


def _plain(column: npt.NDArray[Any]) -> list[Any]:
    """Return a column's values with None for what is not there, lists as tuples of text."""
    if column.dtype != object:
        return [None if value != value else value for value in column.tolist()]  # noqa: PLR0124 (NaN)
    return [
        (tuple(map(str, value)) or None) if isinstance(value, np.ndarray) else (value or None)
        for value in column.tolist()
    ]


def _class_objects(
    base: Path,
    name: str,
    features: Sequence[Feature],
    geometry: npt.NDArray[np.object_],
    columns: Mapping[str, list[Any]],
) -> ChartObjects:
    placed = np.array([feature.primitive in _PLACED for feature in features], dtype=bool)
    empty = shapely.is_missing(geometry) | shapely.is_empty(geometry)
    if (placed & empty).any():
        raise _lost(base, f"{int((placed & empty).sum())} features of {name} came without their place")
    lon, lat = np.abs(shapely.get_coordinates(geometry)).T
    if not ((lon <= _MOST_LON) & (lat <= _MOST_LAT)).all():
        raise _lost(base, f"features of {name} lie beyond 180° of longitude or 90° of latitude")
    codes = sorted({code for feature in features for code in feature.attributes})
    told = {_attribute(code)[0]: code for code in codes}
    attributes: dict[str, tuple[Value, ...]] = {}
    for acronym in dict.fromkeys((*columns, *told)):
        attributes[acronym] = _values(base, f"{name}, {acronym}", told.get(acronym), features, columns.get(acronym))
    return ChartObjects(name, tuple(feature.lnam for feature in features), geometry, attributes)


def _values(
    base: Path, where: str, code: int | None, features: Sequence[Feature], read: list[Any] | None
) -> tuple[Value, ...]:
    """Return an attribute's values: GDAL's, proved by the records, or the records' where GDAL has no such column."""
    acronym = where.rpartition(" ")[2]
    if code is None:
        # National texts stand in a field of their own, which is GDAL's to read.
        if read is not None and any(value is not None for value in read) and not _is_national(acronym):
            raise _lost(base, f"{where}: GDAL gives values that are not in the records")
        return tuple(read or ())
    kind = _attribute(code)[1]
    try:
        own = tuple(_typed(feature.attributes.get(code), kind) for feature in features)
    except ValueError as error:
        raise InputError.one(str(base), f"{where}: {error}.", _AGAIN) from None
    if read is None:
        return own
    differs = [i for i, (mine, its) in enumerate(zip(own, read, strict=True)) if not _agree(mine, its)]
    if differs:
        first = differs[0]
        raise _lost(base, f"{where}: the record of {features[first].lnam} says {own[first]!r}, GDAL {read[first]!r}")
    return tuple(read)


def _agree(mine: Value, its: Any) -> bool:
    # A text's letters are GDAL's to decode.
    return (its is not None) if isinstance(mine, str) else mine == its


def _typed(text: str | None, kind: str) -> Value:
    if text is None:
        return None
    if kind == "L":
        return tuple(text.split(","))
    if kind in ("E", "I"):
        return int(text)
    if kind == "F":
        number = float(text)
        if not math.isfinite(number):
            raise ValueError(f"'{text}' is no number")
        return number
    return text


@cache
def _table(name: str) -> dict[int, tuple[str, str]]:
    """Return acronym and type by code, from the tables of S-57 that GDAL ships."""
    with (Path(pyogrio.get_gdal_data_path()) / f"s57{name}.csv").open(encoding="utf-8") as file:
        rows = [row for row in csv.reader(file) if row and row[0].isdigit()]
    return {int(code): (acronym.strip(), kind.strip()) for code, _, acronym, kind, *_ in rows}


def _attribute(code: int) -> tuple[str, str]:
    return _table("attributes").get(code, (f"ATTL{code}", "S"))


def _is_national(acronym: str) -> bool:
    return any(_attribute(code)[0] == acronym for code in _NATIONAL)


def _acronym(kind: int) -> str:
    return _table("objectclasses").get(kind, (f"class {kind}", ""))[0]


def _lost(base: Path, what: str) -> InputError:
    return InputError.one(str(base), f"did not come whole: {what}.", _AGAIN)
