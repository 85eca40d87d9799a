"""Chart cells found among files, folders and exchange sets: each base with its updates and the texts beside it."""

from __future__ import annotations

import os
import re
import stat
import zipfile
import zlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from layers._errors import Finding, InputError

MOST_ZIP_BYTES = 500_000_000
"""The most that a zip may hold, packed, and its charts and texts unpacked."""
MOST_ENTRIES = 10_000
"""The most entries of a zip, or files of a folder that is searched."""
DEEPEST = 6
"""How many folders deep a folder is searched."""

_MOST_RATIO, _SMALL_BYTES = 200, 1_000_000
_MOST_DIRECTORY_BYTES = 10_000_000
_BASE, _CHART, _TEXT = ".000", re.compile(r"\.\d{3}"), ".txt"
_CELL = re.compile(r"[A-Z0-9]{8}")
_ENCRYPTED = 0x1
_CHUNK = 1 << 20
_END, _END_BYTES, _END64 = b"PK\x05\x06", 22, b"PK\x06\x07"
_LOOKED_FOR = "chart cells (IHO S-57: eight letters and digits, then .000 and, for updates, .001 and on)"


@dataclass(frozen=True)
class CellFiles:
    """A cell's base, its updates in the order of their numbers, and the texts that lie beside them."""

    name: str
    base: Path
    updates: tuple[Path, ...]
    texts: tuple[Path, ...]


def find_cells(paths: Sequence[Path], scratch: Path) -> tuple[CellFiles, ...]:
    """Return the chart cells that files, folders and zips hold, by name.

    A base takes the updates and the texts that lie beside it; an update takes the base beside it. A folder is
    searched `DEEPEST` deep; what a link leads to outside it is not taken. A zip (an exchange set) is unpacked: its
    charts and texts, nothing else.

    Parameters
    ----------
    paths
        Files, folders and zips.
    scratch
        A folder of the caller's for what is unpacked.

    Returns
    -------
    tuple of CellFiles
        Each cell once, though the same file may have been given several times.

    Raises
    ------
    InputError
        A path is not there or is no chart, a zip is unsafe or broken, nothing was found, an update's base is not
        there, or one cell or update was found with different contents; all at once.
    """
    found: dict[Path, None] = {}
    findings: list[Finding] = []
    for number, path in enumerate(paths):
        try:
            found.update(dict.fromkeys(_files(path, scratch / f"charts{number}")))
        except InputError as error:
            findings += error.findings
        except OSError as error:
            findings.append(Finding(str(path), f"cannot be read: {error.strerror}.", "Check the path and its rights."))
    cells: dict[str, dict[int, Path]] = {}
    for path in found:
        _enter(cells.setdefault(path.stem.upper(), {}), path, findings)
    for members in cells.values():
        if 0 not in members:
            first = next(iter(members.values()))
            what = f"is an update, and its base cell {first.stem}{_BASE} is not beside it."
            findings.append(Finding(str(first), what, f"Put {first.stem}{_BASE} into the same folder."))
    if findings:
        raise InputError(findings)
    return tuple(_cell(name, members) for name, members in sorted(cells.items()))


def _cell(name: str, members: dict[int, Path]) -> CellFiles:
    folders = dict.fromkeys(path.parent for path in members.values())
    beside = sorted(one for folder in folders for one in folder.iterdir() if one.suffix.casefold() == _TEXT)
    updates = tuple(path for number, path in sorted(members.items()) if number)
    return CellFiles(name, members[0], updates, tuple(one for one in beside if one.is_file()))


def _enter(members: dict[int, Path], path: Path, findings: list[Finding]) -> None:
    number = int(path.suffix[1:])
    known = members.setdefault(number, path)
    if known != path and not _same(known, path):
        kind = f"update {number}" if number else "cell"
        what = f"is the same {kind} as {known}, with other contents."
        findings.append(Finding(str(path), what, "Give one of them: the newer."))


def _same(one: Path, other: Path) -> bool:
    if one.stat().st_size != other.stat().st_size:
        return False
    with one.open("rb") as first, other.open("rb") as second:
        while chunk := first.read(_CHUNK):
            if chunk != second.read(_CHUNK):
                return False
    return True


def _files(path: Path, scratch: Path) -> tuple[Path, ...]:
    """Return every base and update that a path leads to."""
    if path.is_dir():
        return _searched(path, path, f"Looked {DEEPEST} folders deep for {_LOOKED_FOR}.")
    if not path.is_file():
        raise InputError.one(str(path), "there is no such file or folder.", "Check the path.")
    if _CHART.fullmatch(path.suffix):
        beside = path.parent.iterdir()
        stem = path.stem.upper()
        return tuple(sorted(p for p in beside if p.stem.upper() == stem and _CHART.fullmatch(p.suffix) and p.is_file()))
    if path.suffix.casefold() == ".zip":
        _unpack(path, scratch)
        return _searched(scratch, path, f"Looked in the zip for {_LOOKED_FOR}.")
    remedy = "Give a cell (….000), an update beside its cell, a folder, or an exchange set (….zip)."
    raise InputError.one(str(path), "is not named like a chart cell.", remedy)


def _searched(folder: Path, named: Path, looked: str) -> tuple[Path, ...]:
    root = folder.resolve()
    found: list[Path] = []
    seen = zips = 0
    for here, folders, names in os.walk(folder):
        folders.sort()
        if len(Path(here).relative_to(folder).parts) >= DEEPEST:
            folders.clear()
        seen += len(names)
        if seen > MOST_ENTRIES:
            what = f"holds over {MOST_ENTRIES:,} files: too many to search for charts."
            raise InputError.one(str(named), what, "Give the folder that the charts are in.")
        zips += sum(name.casefold().endswith(".zip") for name in names)
        files = (Path(here, name) for name in sorted(names) if _is_cell_name(name))
        found += [file for file in files if file.is_file() and file.resolve().is_relative_to(root)]
    if not found:
        remedy = f"Name the zip itself: {zips} lie there." if zips else "Check that this is what the publisher gave."
        raise InputError.one(str(named), f"holds no charts. {looked}", remedy)
    return tuple(found)


def _is_cell_name(name: str) -> bool:
    stem, dot, suffix = name.rpartition(".")
    return bool(_CELL.fullmatch(stem.upper()) and _CHART.fullmatch(dot + suffix))


def _unpack(path: Path, scratch: Path) -> None:
    """Unpack a zip's charts and texts into `scratch`, or nothing where the zip is unsafe."""
    _check_directory(path)
    try:
        with zipfile.ZipFile(path) as archive:
            entries = archive.infolist()
            if len(entries) > MOST_ENTRIES:
                raise _refused(path, f"holds {len(entries):,} entries; {MOST_ENTRIES:,} are the most")
            places = _places(path, entries)
            total = sum(entry.file_size for entry in places.values())
            if total > MOST_ZIP_BYTES:
                raise _refused(
                    path, f"would unpack to {total / 1e6:,.0f} MB; {MOST_ZIP_BYTES // 10**6} MB are the most"
                )
            for place, entry in places.items():
                target = scratch.joinpath(*place.parts)
                target.parent.mkdir(parents=True, exist_ok=True)
                # zipfile reads no more than the size stated, and checks the sum.
                with archive.open(entry) as packed, target.open("wb") as out:
                    while chunk := packed.read(_CHUNK):
                        out.write(chunk)
    except (zipfile.BadZipFile, NotImplementedError, EOFError, zlib.error) as error:
        raise InputError.one(str(path), f"is not a whole zip: {error}.", "Download it again.") from None
    scratch.mkdir(parents=True, exist_ok=True)


def _check_directory(path: Path) -> None:
    """Refuse a zip whose list of entries alone would fill the memory, before it is read."""
    size = path.stat().st_size
    if size > MOST_ZIP_BYTES:
        raise _refused(path, f"holds {size / 1e6:,.0f} MB; {MOST_ZIP_BYTES // 10**6} MB are the most")
    with path.open("rb") as file:
        file.seek(max(0, size - 0xFFFF - _END_BYTES - 20))
        tail = file.read()
    at = tail.rfind(_END)
    directory = int.from_bytes(tail[at + 12 : at + 16], "little") if at >= 0 else 0
    if _END64 in tail[:at][-20:] or directory > _MOST_DIRECTORY_BYTES:
        raise _refused(path, f"lists more than {MOST_ENTRIES:,} entries, or is of the large form (zip64)")


def _places(path: Path, entries: Sequence[zipfile.ZipInfo]) -> dict[PurePosixPath, zipfile.ZipInfo]:
    """Return where each chart and text goes, having looked at every entry."""
    places: dict[PurePosixPath, zipfile.ZipInfo] = {}
    seen: set[str] = set()
    for entry in entries:
        name = entry.orig_filename.replace("\\", "/")
        place = PurePosixPath(name)
        if fault := next(_faults(name, place, entry), None):
            raise _refused(path, f"has an entry '{name[:80]}' that {fault}")
        if entry.is_dir():
            continue
        if str(place).casefold() in seen:
            raise _refused(path, f"has the entry '{name[:80]}' twice")
        seen.add(str(place).casefold())
        if _is_cell_name(place.name) or place.suffix.casefold() == _TEXT:
            places[place] = entry
    return places


def _faults(name: str, place: PurePosixPath, entry: zipfile.ZipInfo) -> Iterator[str]:
    if place.is_absolute() or ":" in name or "\0" in name:
        yield "names a place outside the zip"
    if ".." in place.parts:
        yield "climbs out of the zip"
    if stat.S_ISLNK(entry.external_attr >> 16):
        yield "is a link"
    if entry.flag_bits & _ENCRYPTED:
        yield "is encrypted"
    if entry.file_size > _SMALL_BYTES and entry.file_size > _MOST_RATIO * entry.compress_size:
        yield f"is packed over {_MOST_RATIO} : 1"


def _refused(path: Path, what: str) -> InputError:
    return InputError.one(
        str(path), f"{what}. It was not unpacked.", "Take the zip from the publisher, or give the cell."
    )
