"""The records of a chart file (IHO S-57 in ISO/IEC 8211): walked to prove that it is whole and what it must give.

GDAL reads the charts; what is here is told from the records themselves, so that nothing can be lost on the way unseen.

Notes
-----
A record is a leader of 24 bytes (its length, where its data begin, the widths of the directory's numbers), a directory
(a tag, a length and a place for every field) and the fields, each closed by a field terminator (ISO/IEC 8211:1994;
S-57 edition 3.1, part 3, chapters 2 and 7). The two-byte and four-byte numbers are binary, the least byte first.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from datetime import date
from pathlib import Path

from layers._errors import InputError

MOST_BYTES = 20_000_000
"""The most that a cell with its updates may hold: four times what the product specification allows (memory)."""

_LEADER, _TAG = 24, 4
_FT, _UT = 0x1E, b"\x1f"
_INSERT, _DELETE, _MODIFY = 1, 2, 3
_POINTER, _NAME, _SOUNDING = 8, 5, 12
_DELETED = "\x7f"
_LATIN = 1
_AGAIN = "Download it again; a chart that is not whole must not be used."

Fields = Mapping[str, bytes]


@dataclass(frozen=True)
class DataSet:
    """What a file says of itself; dates are None where it gives none.

    `stated` are the numbers of feature and spatial records that it says it holds.
    """

    name: str
    edition: int
    update: int
    issued: date | None
    agency: int
    is_update: bool
    stated: tuple[int, int]


@dataclass(frozen=True)
class Parameters:
    """Datums (S-57 codes), scale 1 : n, the codes of the units, what whole coordinates and depths are divided by."""

    horizontal_datum: int
    sounding_datum: int
    scale: int
    depth_unit: int
    coordinate_unit: int
    factors: tuple[int, int]


@dataclass(frozen=True)
class Feature:
    """A feature record as it stands, class and attributes by code; a pointer to a spatial record has 8 bytes."""

    version: int
    kind: int
    primitive: int
    lnam: str
    attributes: Mapping[int, str]
    pointers: bytes


@dataclass
class Contents:
    """What a cell holds: features by record number, and (version, number of soundings) of spatial records by name."""

    features: dict[int, Feature] = field(default_factory=dict)
    vectors: dict[bytes, tuple[int, int]] = field(default_factory=dict)

    def soundings(self, feature: Feature) -> int:
        """Return how many soundings a feature has."""
        return sum(self.vectors[name][1] for name in _names(feature.pointers))

    def dangling(self) -> tuple[int, ...]:
        """Return the record numbers of features that point to spatial records which are not there."""
        vectors = self.vectors
        return tuple(
            number
            for number, feature in self.features.items()
            if any(name not in vectors for name in _names(feature.pointers))
        )


@dataclass(frozen=True)
class ChartFile:
    """A base cell or an update: its own facts, and its bytes, which `apply` walks again."""

    path: Path
    dataset: DataSet
    parameters: Parameters | None
    data: bytes = field(repr=False)


def read_chart_file(path: Path, most_bytes: int = MOST_BYTES) -> ChartFile:
    """Return a chart file that is proved to be whole; one of more than `most_bytes` is not read.

    Raises
    ------
    InputError
        It cannot be read, is empty or too large, is not a chart file, or is damaged or cut short.
    """
    data = _bytes(path, most_bytes)
    dataset: DataSet | None = None
    parameters: Parameters | None = None
    features = vectors = 0
    for at, record in _records(data, path):
        try:
            if "DSID" in record:
                dataset = _dataset(record)
            elif "DSPM" in record:
                parameters = _parameters(record["DSPM"])
            features += "FRID" in record
            vectors += "VRID" in record
        except (struct.error, ValueError, IndexError, KeyError) as error:
            raise _damaged(path, at, f"a record's contents make no sense ({error})") from None
    if dataset is None:
        what = "is built like a chart file (ISO/IEC 8211) but does not say which chart it is (it has no DSID record)."
        raise InputError.one(str(path), what, "Give the cell file (….000); a catalogue is none.")
    # An update may change one record in several steps: more than it states is no fault.
    for found, stated, kind in zip((features, vectors), dataset.stated, ("feature", "spatial"), strict=True):
        if found < stated:
            what = f"holds {found:,} {kind} records and says that it has {stated:,}: it is cut short."
            raise InputError.one(str(path), what, _AGAIN)
    return ChartFile(path, dataset, parameters, data)


def _bytes(path: Path, most: int) -> bytes:
    try:
        size = path.stat().st_size
        if size > most:
            bound = f"over {MOST_BYTES // 10**6} MB for a cell and its updates is refused (by its standard it has 5)"
            what = f"holds {size / 1e6:,.1f} MB; {bound}."
            raise InputError.one(str(path), what, "Give a chart cell.")
        data = path.read_bytes()
    except OSError as error:
        raise InputError.one(str(path), f"cannot be read: {error.strerror}.", "Check the path.") from None
    if not data:
        raise InputError.one(str(path), "is empty.", "Download it again.")
    return data


def apply(contents: Contents, file: ChartFile) -> None:
    """Take a base cell's records, or an update's changes, into `contents`.

    Raises
    ------
    InputError
        A record cannot be understood, or changes what is not there or has another version.
    """
    for at, record in _records(file.data, file.path):
        try:
            if "FRID" in record:
                _apply_feature(contents, record)
            elif "VRID" in record:
                _apply_vector(contents, record)
        except _MismatchError as error:
            what = f"does not fit what it is to change: {error}."
            remedy = "Take the base cell and all its updates from the publisher again."
            raise InputError.one(str(file.path), what, remedy) from None
        except (struct.error, ValueError, IndexError, KeyError) as error:
            raise _damaged(file.path, at, f"a record's contents make no sense ({error})") from None


class _MismatchError(Exception):
    """An update that does not fit."""


def _damaged(path: Path, at: int, what: str) -> InputError:
    return InputError.one(str(path), f"is damaged at byte {at:,}: {what}.", _AGAIN)


def _records(data: bytes, path: Path) -> Iterator[tuple[int, Fields]]:
    """Yield where each data record begins and its fields, their terminators taken off."""
    at = 0
    while at < len(data):
        leader = data[at : at + _LEADER]
        try:
            length, start = int(leader[:5]), int(leader[12:17])
            wide, far, tag = int(leader[20:21]), int(leader[21:22]), int(leader[23:24])
        except ValueError:
            length = start = wide = far = tag = -1
        if tag != _TAG or start <= _LEADER or min(wide, far) < 1 or leader[6:7] != (b"L" if at == 0 else b"D"):
            if at == 0:
                what = "is not a chart file: it does not begin as ISO/IEC 8211 asks."
                raise InputError.one(str(path), what, "Give an IHO S-57 cell (….000) or its update (….001 and on).")
            cut = len(leader) < _LEADER
            raise _damaged(path, at, "the file ends inside a record" if cut else "no record begins here")
        entries = _directory(data[at + _LEADER : at + start], (tag, wide, far))
        if not entries:
            raise _damaged(path, at, "a record's directory makes no sense")
        reach = start + max(place + size for _, size, place in entries)
        if at + max(length, reach) > len(data):
            raise _damaged(path, at, "the file ends inside a record")
        # A record too long for five digits states 0 (ISO/IEC 8211, annex C).
        if length not in (reach, 0):
            raise _damaged(path, at, f"a record of {reach:,} bytes says that it has {length:,}")
        fields = {name: data[at + start + place : at + start + place + size] for name, size, place in entries}
        if any(not content or content[-1] != _FT for content in fields.values()):
            raise _damaged(path, at, "a field is not closed")
        if at:
            yield at, {name: content[:-1] for name, content in fields.items()}
        at += reach


def _directory(raw: bytes, widths: tuple[int, int, int]) -> list[tuple[str, int, int]]:
    """Return (tag, length, place) of each field, or nothing where the directory makes no sense."""
    tag, wide, far = widths
    each = tag + wide + far
    if len(raw) % each != 1 or raw[-1] != _FT:
        return []
    try:
        return [
            (raw[i : i + tag].decode("ascii"), int(raw[i + tag : i + tag + wide]), int(raw[i + tag + wide : i + each]))
            for i in range(0, len(raw) - 1, each)
        ]
    except ValueError:
        return []


def _dataset(record: Fields) -> DataSet:
    raw = record["DSID"]
    purpose = raw[5]
    name, edition, update, rest = raw[7:].split(_UT, 3)
    # UADT, ISDT (8 characters each), STED (4), PRSP, then texts of open length up to PROF and AGEN.
    issued = rest[8:16].decode("ascii").strip()
    tail = rest[21:].split(_UT, 2)[2]
    level, *counts = struct.unpack("<xBx8I", record["DSSI"])
    if level > _LATIN:
        raise ValueError(f"attributes' lexical level {level}")
    return DataSet(
        name=name.decode("ascii"),
        edition=int(edition),
        update=int(update),
        issued=date(int(issued[:4]), int(issued[4:6]), int(issued[6:])) if issued else None,
        agency=struct.unpack_from("<xH", tail)[0],
        is_update=purpose != 1,
        stated=(sum(counts[:4]), sum(counts[4:])),
    )


def _parameters(raw: bytes) -> Parameters:
    hdat, sdat, scale, unit, coordinates, *factors = struct.unpack_from("<5xBxBIB2xBII", raw)
    return Parameters(hdat, sdat, scale, unit, coordinates, (factors[0], factors[1]))


def _apply_feature(contents: Contents, record: Fields) -> None:
    _, number, primitive, _, kind, version, what = struct.unpack("<BIBBHHB", record["FRID"])
    old = contents.features.get(number)
    _check_version(f"feature record {number}", version, what, None if old is None else old.version)
    if what == _DELETE or old is None:
        contents.features.pop(number, None)
        old = None
    if what == _INSERT:
        agency, feature, subdivision = struct.unpack("<HIH", record["FOID"])
        lnam = f"{agency:04X}{feature:08X}{subdivision:04X}"
        pointers = record.get("FSPT", b"")
        if len(pointers) % _POINTER:
            raise ValueError("pointers to spatial records")
        attributes = {code: text for code, text in _attributes(record) if text not in ("", _DELETED)}
        contents.features[number] = Feature(version, kind, primitive, lnam, attributes, pointers)
    elif old is not None:
        changed = dict(old.attributes)
        for code, text in _attributes(record):
            changed.pop(code, None)
            if text not in ("", _DELETED):
                changed[code] = text
        pointers = _edited(old.pointers, record["FSPC"], record.get("FSPT", b"")) if "FSPC" in record else old.pointers
        contents.features[number] = replace(old, version=version, attributes=changed, pointers=pointers)


def _apply_vector(contents: Contents, record: Fields) -> None:
    kind, number, version, what = struct.unpack("<BIHB", record["VRID"])
    name = record["VRID"][:_NAME]
    old = contents.vectors.get(name)
    _check_version(f"spatial record {kind}/{number}", version, what, None if old is None else old[0])
    soundings = len(record.get("SG3D", b"")) // _SOUNDING
    if what == _DELETE:
        del contents.vectors[name]
    elif old is not None:
        if "SGCC" in record and ("SG3D" in record or old[1]):
            how, _, many = struct.unpack("<BHH", record["SGCC"])
            soundings = old[1] + {_INSERT: many, _DELETE: -many}.get(how, 0)
        else:
            soundings = old[1]
        contents.vectors[name] = (version, soundings)
    else:
        contents.vectors[name] = (version, soundings)


def _check_version(name: str, version: int, what: int, old: int | None) -> None:
    if what == _INSERT:
        if old is not None:
            raise _MismatchError(f"{name} is inserted and is there already")
    elif what not in (_DELETE, _MODIFY):
        raise ValueError(f"update instruction {what}")
    elif old is None:
        raise _MismatchError(f"{name} is to be changed and is not there")
    elif version != old + 1:
        raise _MismatchError(f"{name} is to become version {version} and has version {old}")


def _attributes(record: Fields) -> Iterator[tuple[int, str]]:
    raw = record.get("ATTF", b"")
    at = 0
    while at < len(raw):
        # A code's two bytes may hold a terminator's value: texts end at the first one after them.
        end = raw.index(_UT, at + 2)
        yield int.from_bytes(raw[at : at + 2], "little"), raw[at + 2 : end].decode("latin-1")
        at = end + 1


def _edited(old: bytes, control: bytes, new: bytes) -> bytes:
    how, first, many = struct.unpack("<BHH", control)
    begin, end = (first - 1) * _POINTER, (first - 1 + many) * _POINTER
    if first < 1 or (how != _DELETE and len(new) != many * _POINTER) or (how != _INSERT and end > len(old)):
        raise ValueError("change of pointers")
    return old[:begin] + (b"" if how == _DELETE else new) + old[begin if how == _INSERT else end :]


def _names(pointers: bytes) -> Iterator[bytes]:
    return (pointers[i : i + _NAME] for i in range(0, len(pointers), _POINTER))
