"""Marks brought in: text and CSV with positions in any form people write, GPX waypoints, KML placemarks."""

from __future__ import annotations

import csv
import re
import zipfile
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path

import numpy as np
import shapely

from layers._errors import Finding, InputError
from layers.coordinatetext import plain_text, visible_text, written_positions
from layers.made import Made, MadeLayer, Origin
from layers.markxml import XmlMark, looks_like_xml, xml_marks
from layers.positions import looks_like_position, parse_position
from layers.regulationmade import slug
from layers.regulations import UnreadLine, looks_like_regulation

MOST_BYTES = 10_000_000
MOST_MARKS = 50_000
_COLUMNS = {
    "name": ("name", "mark", "title"),
    "lat": ("lat", "latitude"),
    "lon": ("lon", "long", "lng", "longitude"),
    "position": ("position", "pos", "coordinates"),
    "kind": ("kind", "type"),
    "note": ("note", "notes", "comment", "description", "desc"),
    "private": ("private",),
}
_TRUE, _FALSE = ("true", "yes", "y", "1", "x"), ("false", "no", "n", "0", "")
_LONGEST = {"name": 100, "kind": 40, "note": 1_000}
_PAIR = 2
_LOOKED_AT = 200_000


@dataclass(frozen=True)
class FoundMark:
    """A mark as a file gives it, at longitude and latitude in degrees; `line` is its line, or its place in XML."""

    name: str
    kind: str
    note: str
    private: bool
    lon: float
    lat: float
    line: int


@dataclass(frozen=True)
class Marks:
    """The marks of a file, the lines of it that were not understood, and what is doubtful."""

    file: Path
    marks: tuple[FoundMark, ...]
    unread: tuple[UnreadLine, ...] = ()
    findings: tuple[Finding, ...] = ()


def looks_like_marks(file: Path) -> bool:
    """Return whether a file's content is waypoints, placemarks, or text with a name and a position on its lines."""
    try:
        with file.open("rb") as stream:
            head = stream.read(_LOOKED_AT)
    except OSError:
        return False
    if head.startswith(b"PK") or b"\0" in head:
        return _is_kmz(file)
    return _reads_like_marks(head.decode("utf-8-sig", "ignore"))


def _reads_like_marks(text: str) -> bool:
    if text.lstrip().startswith("<"):
        return looks_like_xml(text)
    if looks_like_regulation(text):
        return False
    lines = [line for line in text.splitlines() if line.strip() and not line.lstrip().startswith("#")][:20]
    if lines and _header(lines[0]) is not None:
        return True
    return bool(lines) and 2 * sum(_line_mark(line) is not None for line in lines) > len(lines)


def read_marks(file: Path, where: str = "") -> Marks:
    """Return the marks of a file.

    Parameters
    ----------
    file
        Text in UTF-8 with a name and a position on each line, in either order, or with a first line of column
        names (name, lat, lon or position, kind, note, private); GPX 1.0 or 1.1; KML. At most 10 MB, 50,000 marks.
    where
        The file's name for messages; its own where empty.

    Raises
    ------
    InputError
        It cannot be read, is too large, is compressed, is no text or in another encoding, is XML with a document
        type or that is broken, or holds no marks at all.
    """
    where = where or file.name
    reader = _Found(where)
    text = _text(file, where)
    if text.lstrip().startswith("<"):
        marks, told = xml_marks(text, where)
        reader.findings += told
        for one in marks:
            reader.add_xml(one)
    else:
        shown, hidden = visible_text(text)
        for number in hidden:
            found = f"line {number}: characters that cannot be seen were left out."
            reader.findings.append(Finding(where, found, "Check the name there.", "warning"))
        _read_text(shown, reader)
    if not reader.marks:
        lines = "; ".join(f"line {one.number}: {one.part}" for one in reader.unread[:5])
        found = "holds no marks." + (f" Not understood: {lines}" if lines else "")
        raise InputError.one(where, found, "Write a name and a position on each line: Gull Point, 48.1500, -122.6700")
    if len(reader.marks) > MOST_MARKS:
        raise InputError.one(where, f"holds more than {MOST_MARKS:,} marks.", "Give it in several files.")
    counts = Counter(one.name.casefold() for one in reader.marks)
    for name, count in counts.items():
        if count > 1:
            found = f"{count} marks are called '{name}'."
            reader.findings.append(Finding(where, found, "Give each a name of its own.", "warning"))
    return Marks(file, tuple(reader.marks), tuple(reader.unread), tuple(reader.findings))


def marks_made(marks: Marks, *, as_of: date | None, source: str, private: bool = False) -> Made:
    """Return one layer of marks; with `private`, all of them are private, whatever the file says."""
    stem = slug(marks.file.stem)
    points = shapely.points([(one.lon, one.lat) for one in marks.marks])
    attributes: Mapping[str, Sequence[object]] = {
        "name": [one.name for one in marks.marks],
        "kind": [one.kind for one in marks.marks],
        "note": [one.note for one in marks.marks],
        "private": [private or one.private for one in marks.marks],
    }
    layer = MadeLayer("mark", stem, np.asarray(points, dtype=object), attributes, (stem,))
    origin = Origin(stem, "marks", (marks.file,), source, as_of=as_of)
    lost = tuple(
        Finding(marks.file.name, f"line {one.number} was not understood: '{one.part}'.", "Mend it.", "warning")
        for one in marks.unread
    )
    return Made((origin,), (layer,), findings=(*marks.findings, *lost))


@dataclass
class _Found:
    """What is found while a file is read."""

    where: str
    marks: list[FoundMark] = field(default_factory=list)
    unread: list[UnreadLine] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)

    def add(self, cells: Mapping[str, str], place: tuple[float, float], line: int, *, private: bool = False) -> None:
        short = {key: self._short(key, cells.get(key, ""), line) for key in _LONGEST}
        if not short["name"]:
            short["name"] = f"mark {len(self.marks) + 1}"
            self.doubt(line, f"no name is given; it is called '{short['name']}'.", "Give it a name.")
        self.marks.append(FoundMark(short["name"], short["kind"], short["note"], private, *place, line))

    def add_xml(self, one: XmlMark) -> None:
        cells = {key: plain_cells(value) for key, value in (("name", one.name), ("kind", one.kind), ("note", one.note))}
        for key, (value, changed) in cells.items():
            if changed:
                self.doubt(
                    one.number, f"characters that cannot be seen were left out of its {key} '{value}'.", "Check it."
                )
        self.add({key: value for key, (value, _) in cells.items()}, (one.lon, one.lat), one.number)

    def lose(self, line: int, text: str, part: str = "") -> None:
        self.unread.append(UnreadLine(line, text.strip()[:200], part or text.strip()[:200]))

    def doubt(self, line: int, what: str, remedy: str) -> None:
        self.findings.append(Finding(f"{self.where}, line or mark {line}", what, remedy, "warning"))

    def _short(self, key: str, value: str, line: int) -> str:
        value = value.strip()
        if len(value) > _LONGEST[key]:
            self.doubt(line, f"its {key} is longer than {_LONGEST[key]} characters and was cut.", "Shorten it.")
        return value[: _LONGEST[key]].rstrip()


def plain_cells(value: str) -> tuple[str, bool]:
    """Return a text on one line without characters that no one sees, and whether it held any."""
    shown, hidden = visible_text(value)
    return " ".join(shown.split()), bool(hidden)


def _text(file: Path, where: str) -> str:
    try:
        if file.stat().st_size > MOST_BYTES:
            raise InputError.one(where, "is larger than 10 MB.", "Give it in several files.")
        data = file.read_bytes()
    except OSError as error:
        raise InputError.one(where, f"cannot be read: {error.strerror}.", "Check the path.") from None
    if data.startswith(b"PK"):
        remedy = "Unpack it (a KMZ is a zip with doc.kml in it), and give the KML."
        raise InputError.one(where, "is compressed, and is not unpacked here.", remedy)
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise InputError.one(where, "is not UTF-8 text.", "Save it as UTF-8.") from None
    if "\0" in text:
        raise InputError.one(where, "is not text: it holds zero bytes.", "Give text, CSV, GPX or KML.")
    return text


def _is_kmz(file: Path) -> bool:
    try:
        with zipfile.ZipFile(file) as packed:
            return any(name.casefold().endswith(".kml") for name in packed.namelist())
    except (zipfile.BadZipFile, OSError, ValueError, NotImplementedError):
        return False


def _read_text(text: str, reader: _Found) -> None:
    lines = text.split("\n")
    first = next((i for i, line in enumerate(lines) if line.strip() and not line.lstrip().startswith("#")), None)
    header = None if first is None else _header(lines[first])
    if first is not None and header is not None:
        _read_columns(lines[first + 1 :], header, first + 1, reader)
        return
    for number, line in enumerate(lines, 1):
        if not line.strip() or line.lstrip().startswith("#"):
            continue
        if len(reader.marks) > MOST_MARKS:
            return
        found = _line_mark(line)
        if found is None:
            reader.lose(number, line)
        else:
            cells, place = found
            reader.add(cells, place, number)


@dataclass(frozen=True)
class _Header:
    separator: str
    columns: tuple[str, ...]
    strange: tuple[str, ...]


def _header(line: str) -> _Header | None:
    """Return the columns that a line names, None where it is no heading of columns."""
    if any(one.isdigit() for one in line) or len(line) > _LONGEST["note"]:
        return None
    separator = max(",;\t", key=line.count)
    told = [cell.strip().strip('"').casefold() for cell in line.split(separator)]
    known = {word: key for key, words in _COLUMNS.items() for word in words}
    columns = tuple(known.get(cell, "") for cell in told)
    placed = "position" in columns or ("lat" in columns and "lon" in columns)
    strange = tuple(cell for cell, key in zip(told, columns, strict=True) if not key)
    return _Header(separator, columns, strange) if placed else None


def _read_columns(lines: Sequence[str], header: _Header, before: int, reader: _Found) -> None:
    if header.strange:
        found = f"columns that are not known were left out: {', '.join(header.strange)}."
        reader.findings.append(Finding(reader.where, found, "Known: name, lat, lon, kind, note, private.", "warning"))
    doubled = [key for key, count in Counter(header.columns).items() if key and count > 1]
    if doubled:
        raise InputError.one(reader.where, f"two columns are called {doubled[0]}.", "Keep one of them.")
    for number, cells, text in _rows(lines, header, before):
        if cells is None:
            reader.lose(number, text, "not as many cells as there are columns")
            continue
        if len(reader.marks) > MOST_MARKS:
            return
        told = dict(zip(header.columns, cells, strict=True))
        words = told["position"] if "position" in told else f"{told['lat']}, {told['lon']}"
        try:
            place = parse_position(words, f"{reader.where}, line {number}")
        except InputError as error:
            reader.lose(number, text, f"{words}: {error.findings[0].what}")
            continue
        private = told.get("private", "").strip().casefold()
        if private not in (*_TRUE, *_FALSE):
            reader.doubt(number, f"private is '{private}', and true or false is allowed: taken as true.", "Correct it.")
        reader.add(told, place, number, private=private not in _FALSE)


def _rows(lines: Sequence[str], header: _Header, before: int) -> Iterator[tuple[int, list[str] | None, str]]:
    """Yield each row's line, its cells (None where their number is wrong) and its text."""
    rows = csv.reader((line + "\n" for line in lines), delimiter=header.separator)
    while True:
        number = before + rows.line_num + 1
        try:
            cells = next(rows)
        except StopIteration:
            return
        except csv.Error:
            yield number, None, "a cell that is too long"
            continue
        if any(cell.strip() for cell in cells):
            fits = len(cells) == len(header.columns)
            yield number, [" ".join(cell.split()) for cell in cells] if fits else None, header.separator.join(cells)


def _line_mark(line: str) -> tuple[dict[str, str], tuple[float, float]] | None:
    """Return the name and note and the place of a line with one position; None where it has none or is unclear."""
    plain, _ = plain_text(line)
    found = written_positions(plain) if len(plain) <= _LONGEST["note"] else ()
    if len(found) == 1 and not found[0].problem:
        before, after = (_name(part) for part in (line[: found[0].start], line[found[0].end :]))
        if re.search(r"[\d°'\"]\s*$", plain[: found[0].start]) and found[0].letters and "°" not in found[0].text:
            return None  # a number that may belong to the position
        if "°" in before + after:
            return None
        name, note = (before, after) if before else (after, "")
        return {"name": name, "note": note}, (found[0].lon, found[0].lat)
    return None if found else _cells_mark(line) or _bare_mark(line)


def _cells_mark(line: str) -> tuple[dict[str, str], tuple[float, float]] | None:
    """Return a mark whose position is the two last or the two first cells of a line."""
    cells = [cell.strip() for cell in re.split(r"[,;\t]", line)]
    if len(cells) <= _PAIR or len(cells) > len(_COLUMNS):
        return None
    tries = [(cells[-_PAIR:], cells[:-_PAIR]), (cells[:_PAIR], cells[_PAIR:])]
    good = [(pair, rest) for pair, rest in tries if looks_like_position(", ".join(pair)) and "." in "".join(pair)]
    if len(good) != 1:
        return None
    pair, rest = good[0]
    try:
        return {"name": _name(", ".join(rest))}, parse_position(", ".join(pair), "")
    except InputError:
        return None


def _bare_mark(line: str) -> tuple[dict[str, str], tuple[float, float]] | None:
    """Return a mark whose name holds no digit, beside a position that is all else of the line."""
    plain, _ = plain_text(line)
    match = re.search(r"(?<![\w.])[-+]?\d[-+\d.,;/ ]*", plain)
    if match is None or match[0].count(".") < 1 or any(one.isdigit() for one in plain[match.end() :]):
        return None
    try:
        place = parse_position(match[0], "")
    except InputError:
        return None
    before, after = (_name(part) for part in (line[: match.start()], line[match.end() :]))
    return {"name": before or after, "note": after if before else ""}, place


def _name(words: str) -> str:
    return words.strip(" \t,;:|()-–—\"'“”")
