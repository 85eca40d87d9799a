"""A small writer of chart cells (IHO S-57 in ISO/IEC 8211) for tests; it shares no code with the readers.

A thing on the chart is `(acronym, geometry, attributes)`: the geometry in WGS 84 longitude and latitude (a Point, a
LineString, a Polygon with or without holes, None for a thing without a place), soundings as one MultiPoint with Z in
metres. An attribute's value is a str, a number or, for lists, a tuple. A thing's number is its place in the list,
counted from 1, and is what updates name; `lnam(number)` is the identifier that GDAL gives it. Things that come by an
update are counted on. ::

    cell = write_cell(tmp_path / "XX5TEST1.000", [("DEPARE", box(0, 0, 1, 1), {"DRVAL1": 5.4, "DRVAL2": 9.1})])
    cell = write_update(cell, modify={1: {"DRVAL1": 3.6}}, insert=[("UWTROC", Point(0.5, 0.5), {"WATLEV": 3})])
    write_update(cell, delete=[2])                   # XX5TEST1.002

Every file that is written lies beside the base. To make a bad one, give the header's facts by keyword
(`edition=`, `update=`, `hdat=`) or spoil the bytes afterwards.
"""

from __future__ import annotations

import csv
import struct
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
import shapely
from pyogrio import get_gdal_data_path
from shapely.geometry.base import BaseGeometry

Thing = tuple[str, BaseGeometry | None, Mapping[str, object]]

FT, UT = b"\x1e", b"\x1f"
AGENCY = 9999
_SOUNDING, _ISOLATED, _CONNECTED, _EDGE = 109, 110, 120, 130
_COMF, _SOMF = 10_000_000, 10
_INSERT, _DELETE, _MODIFY = 1, 2, 3


@dataclass(frozen=True)
class WrittenCell:
    """What has been written so far; `versions` has the version of each thing that there is."""

    base: Path
    edition: int
    update: int
    things: Mapping[int, Thing]
    versions: Mapping[int, int]
    last_thing: int
    last_vector: int

    @property
    def files(self) -> tuple[Path, ...]:
        return (self.base, *(self.base.with_suffix(f".{n:03d}") for n in range(1, self.update + 1)))


def lnam(number: int) -> str:
    return f"{AGENCY:04X}{number:08X}{1:04X}"


@dataclass(frozen=True)
class Header:
    """What a file says of itself: write_cell and write_update take it by keyword. None: what follows from the rest."""

    name: str | None = None
    edition: int | None = None
    update: int | None = None
    issued: str = "20260301"
    scale: int = 10_000
    hdat: int = 2
    sdat: int = 12
    duni: int = 1


def write_cell(path: Path, objects: Sequence[Thing], **header: object) -> WrittenCell:
    """Write a base cell, of edition 1 unless the header (see Header) says otherwise; `update=3` makes it a re-issue."""
    says = Header(**header)
    edition, update = says.edition or 1, says.update or 0
    things = dict(enumerate(objects, 1))
    vectors, features, last = _records(things, first_vector=1)
    counts = (len(features), len(vectors))
    head = _dsid(says.name or path.name, (edition, update), (says.issued, says.issued), counts)
    _write(path, [head, _record(("DSPM", _dspm(says))), *vectors, *features])
    return WrittenCell(path, edition, update, things, dict.fromkeys(things, 1), len(things), last)


def write_update(
    cell: WrittenCell,
    *,
    delete: Sequence[int] = (),
    modify: Mapping[int, Mapping[str, object]] | None = None,
    insert: Sequence[Thing] = (),
    path: Path | None = None,
    **header: object,
) -> WrittenCell:
    """Write the next update beside the base and return the cell as it then is; a value None takes an attribute away."""
    says = Header(**header)
    number = cell.update + 1 if says.update is None else says.update
    edition = cell.edition if says.edition is None else says.edition
    file = path or cell.base.with_suffix(f".{number:03d}")
    new = dict(enumerate(insert, cell.last_thing + 1))
    vectors, features, last = _records(new, first_vector=cell.last_vector + 1)
    versions = {**cell.versions, **dict.fromkeys(new, 1)}
    for number_of_thing, values in (modify or {}).items():
        versions[number_of_thing] += 1
        frid = _frid(number_of_thing, cell.things[number_of_thing], versions[number_of_thing], _MODIFY)
        features.append(_record(("FRID", frid), ("FOID", _foid(number_of_thing)), ("ATTF", _attributes(values))))
    frids = [_frid(gone, cell.things[gone], versions.pop(gone) + 1, _DELETE) for gone in delete]
    features += [_record(("FRID", frid)) for frid in frids]
    counts = (len(features), len(vectors))
    head = _dsid(says.name or file.name, (edition, number), ("        ", says.issued), counts)
    _write(file, [head, *vectors, *features])
    things = {**cell.things, **new}
    return WrittenCell(cell.base, cell.edition, number, things, versions, cell.last_thing + len(new), last)


def _records(things: Mapping[int, Thing], first_vector: int) -> tuple[list[bytes], list[bytes], int]:
    vectors: list[bytes] = []
    features: list[bytes] = []
    last = first_vector - 1
    for number, thing in things.items():
        spatial, pointers, last = _spatial(thing[1], last)
        vectors += spatial
        fields = [("FRID", _frid(number, thing, 1, _INSERT)), ("FOID", _foid(number))]
        if thing[2]:
            fields.append(("ATTF", _attributes(thing[2])))
        if pointers:
            fields.append(("FSPT", b"".join(pointers)))
        features.append(_record(*fields))
    return vectors, features, last


def _spatial(shape: BaseGeometry | None, last: int) -> tuple[list[bytes], list[bytes], int]:
    if shape is None:
        return [], [], last
    if shape.geom_type in ("Point", "MultiPoint"):
        xyz = shapely.get_coordinates(shape, include_z=True)
        is_sounding = shape.geom_type == "MultiPoint"
        coordinates = ("SG3D", _packed(xyz)) if is_sounding else ("SG2D", _packed(xyz[:, :2]))
        record = _record(("VRID", _vrid(_ISOLATED, last + 1)), coordinates)
        return [record], [_name(_ISOLATED, last + 1) + bytes([255, 255, 255])], last + 1
    if shape.geom_type == "LineString":
        rings = [(shape, 255)]
    elif shape.geom_type == "Polygon":
        rings = [(ring, 1 if i == 0 else 2) for i, ring in enumerate([shape.exterior, *shape.interiors])]
    else:
        raise ValueError(f"a cell has no {shape.geom_type}: write its parts as things of their own")
    records: list[bytes] = []
    pointers: list[bytes] = []
    for ring, usage in rings:
        xy = shapely.get_coordinates(ring)
        ends = [xy[:1]] if np.array_equal(xy[0], xy[-1]) else [xy[:1], xy[-1:]]
        nodes = [last + 1 + i for i in range(len(ends))]
        for node, at in zip(nodes, ends, strict=True):
            records.append(_record(("VRID", _vrid(_CONNECTED, node)), ("SG2D", _packed(at))))
        last = nodes[-1] + 1
        ties = b"".join(
            _name(_CONNECTED, node) + bytes([255, 255, topology, 255])
            for node, topology in ((nodes[0], 1), (nodes[-1], 2))
        )
        middle = [("SG2D", _packed(xy[1:-1]))] if len(xy) > 2 else []
        records.append(_record(("VRID", _vrid(_EDGE, last)), ("VRPT", ties), *middle))
        pointers.append(_name(_EDGE, last) + bytes([1, usage, 2 if usage != 255 else 255]))
    return records, pointers, last


def _packed(coordinates: np.ndarray) -> bytes:
    factors = np.array([_COMF, _COMF, _SOMF])[: coordinates.shape[1]]
    whole = np.rint(coordinates * factors).astype("<i4")
    whole[:, [0, 1]] = whole[:, [1, 0]]  # latitude comes first
    return whole.tobytes()


def _name(kind: int, number: int) -> bytes:
    return struct.pack("<BI", kind, number)


def _vrid(kind: int, number: int) -> bytes:
    return struct.pack("<BIHB", kind, number, 1, _INSERT)


def _foid(number: int) -> bytes:
    return struct.pack("<HIH", AGENCY, number, 1)


def _frid(number: int, thing: Thing, version: int, what: int) -> bytes:
    kinds = {"Point": 1, "MultiPoint": 1, "LineString": 2, "Polygon": 3}
    primitive = 255 if thing[1] is None else kinds[thing[1].geom_type]
    group = 1 if thing[0] in ("DEPARE", "DRGARE", "LNDARE", "UNSARE", "FLODOC", "HULKES", "PONTON") else 2
    return struct.pack("<BIBBHHB", 100, number, primitive, group, _codes("objectclasses")[thing[0]], version, what)


def _attributes(values: Mapping[str, object]) -> bytes:
    codes = _codes("attributes")
    pairs = ((codes[name], _text(value).encode("latin-1")) for name, value in values.items())
    return b"".join(struct.pack("<H", code) + text + UT for code, text in pairs)


def _text(value: object) -> str:
    if value is None:
        return "\x7f"  # taken away by an update
    return ",".join(str(member) for member in value) if isinstance(value, tuple | list) else str(value)


def _dsid(name: str, state: tuple[int, int], dates: tuple[str, str], counts: tuple[int, int]) -> bytes:
    (edition, update), (applied, issued), (features, vectors) = state, dates, counts
    purpose = 1 if applied.strip() else 2
    texts = UT.join(text.encode() for text in (name, str(edition), str(update))) + UT
    head = struct.pack("<BIBB", 10, 1, purpose, 5) + texts + applied.encode() + issued.encode() + b"03.1\x01"
    tail = UT + b"2.0" + UT + struct.pack("<BH", 1, AGENCY) + b"made by a test" + UT
    # All features are told as geographic ones, all spatial records as edges.
    structure = struct.pack("<3B8I", 2, 1, 1, 0, 0, features, 0, 0, 0, vectors, 0)
    return _record(("DSID", head + tail), ("DSSI", structure))


def _dspm(says: Header) -> bytes:
    numbers = (20, 1, says.hdat, 16, says.sdat, says.scale, says.duni, 1, 1, 1, _COMF, _SOMF)
    return struct.pack("<BIBBBIBBBBII", *numbers) + UT


@cache
def _codes(table: str) -> dict[str, int]:
    with (Path(get_gdal_data_path()) / f"s57{table}.csv").open(encoding="utf-8") as file:
        rows = [row for row in csv.reader(file) if len(row) > 2 and row[0].isdigit()]
    return {row[2]: int(row[0]) for row in rows}


_FIELDS = {
    "DSID": (
        "1600;&   ",
        "RCNM!RCID!EXPP!INTU!DSNM!EDTN!UPDN!UADT!ISDT!STED!PRSP!PSDN!PRED!PROF!AGEN!COMT",
        "(b11,b14,2b11,3A,2A(8),R(4),b11,2A,b11,b12,A)",
    ),
    "DSSI": ("1600;&   ", "DSTR!AALL!NALL!NOMR!NOCR!NOGR!NOLR!NOIN!NOCN!NOED!NOFA", "(3b11,8b14)"),
    "DSPM": (
        "1600;&   ",
        "RCNM!RCID!HDAT!VDAT!SDAT!CSCL!DUNI!HUNI!PUNI!COUN!COMF!SOMF!COMT",
        "(b11,b14,3b11,b14,4b11,2b14,A)",
    ),
    "FRID": ("1600;&   ", "RCNM!RCID!PRIM!GRUP!OBJL!RVER!RUIN", "(b11,b14,2b11,2b12,b11)"),
    "FOID": ("1600;&   ", "AGEN!FIDN!FIDS", "(b12,b14,b12)"),
    "ATTF": ("2600;&-A ", "*ATTL!ATVL", "(b12,A)"),
    "FSPT": ("2600;&   ", "*NAME!ORNT!USAG!MASK", "(B(40),3b11)"),
    "VRID": ("1600;&   ", "RCNM!RCID!RVER!RUIN", "(b11,b14,b12,b11)"),
    "VRPT": ("2600;&   ", "*NAME!ORNT!USAG!TOPI!MASK", "(B(40),4b11)"),
    "SG2D": ("2600;&   ", "*YCOO!XCOO", "(2b24)"),
    "SG3D": ("2600;&   ", "*YCOO!XCOO!VE3D", "(3b24)"),
}
_PARENTS = {"DSID": "0001", "DSSI": "DSID", "DSPM": "0001", "FRID": "0001", "VRID": "0001", "FOID": "FRID"} | {
    "ATTF": "FRID",
    "FSPT": "FRID",
    "VRPT": "VRID",
    "SG2D": "VRID",
    "SG3D": "VRID",
}


def _write(path: Path, records: Sequence[bytes]) -> None:
    pairs = "".join(parent + tag for tag, parent in _PARENTS.items())
    fields = [("0000", b"0000;&   " + UT + pairs.encode() + FT)]
    fields.append(("0001", b"0500;&   ISO/IEC 8211 Record Identifier" + UT + UT + b"(b12)" + FT))
    for tag, (control, names, form) in _FIELDS.items():
        fields.append((tag, control.encode() + tag.encode() + UT + names.encode() + UT + form.encode() + FT))
    whole = [_framed(fields, "3LE1 09{base:05d} ! {sizes}")]
    for number, record in enumerate(records, 1):
        # The number's room was left by _record: its two bytes stand first in the data.
        start = int(record[12:17])
        whole.append(record[:start] + struct.pack("<H", number & 0xFFFF) + record[start + 2 :])
    path.write_bytes(b"".join(whole))


def _record(*fields: tuple[str, bytes]) -> bytes:
    return _framed([("0001", b"\0\0" + FT), *((tag, data + FT) for tag, data in fields)], " D     {base:05d}   {sizes}")


def _framed(fields: Sequence[tuple[str, bytes]], leader: str) -> bytes:
    data = b"".join(content for _, content in fields)
    widths = (max(len(str(len(content))) for _, content in fields), len(str(len(data))))
    directory = b""
    at = 0
    for tag, content in fields:
        directory += f"{tag}{len(content):0{widths[0]}d}{at:0{widths[1]}d}".encode()
        at += len(content)
    base = 24 + len(directory) + 1
    sizes = f"{widths[0]}{widths[1]}04"
    # A record too long for five digits states zero, as the standard has it.
    length = base + len(data)
    head = f"{length if length < 100_000 else 0:05d}" + leader.format(base=base, sizes=sizes)
    return head.encode() + directory + FT + data
