"""The skipper's spot book: spots.gpkg in the area's folder, an ordinary layer of marks that a GIS may edit too.

It is changed whole or not at all. A new file is written beside the old one and takes its place in one rename; the old
one is kept as spots.gpkg.before.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path, PurePosixPath
from secrets import token_hex
from typing import Any

from layers._errors import Finding, InputError
from layers._files import sha256
from layers.areatoml import parse, put_layer, render
from layers.origins import AREA
from layers.spots import (
    MOST_SPOTS,
    Spot,
    SpotChange,
    added,
    changed,
    merged,
    near_doubles,
    new_token,
    removed,
    spot_named,
)

__all__ = [
    "BOOK", "OLDER", "Book", "Spot", "SpotChange", "added", "change_book", "changed", "merged", "near_doubles",
    "new_token", "put_back", "read_book", "read_spots", "removed", "spot_named", "write_spots",
]  # fmt: skip

BOOK, OLDER = "spots.gpkg", "spots.gpkg.before"
SOURCE = "the skipper's own spot book"
_PART, _AREA_PART = ".spots-{}.part.gpkg", f".{AREA}-{{}}.part"
_WAIT_S, _NAP_S = 5.0, 0.05
_AS_IT_WAS = "The book is as it was."


@dataclass(frozen=True)
class Book:
    """The spots, what is doubtful about them, the types of columns that a GIS added, and the hash of the file."""

    spots: tuple[Spot, ...] = ()
    findings: tuple[Finding, ...] = ()
    columns: tuple[tuple[str, str], ...] = ()
    sha256: str = ""


def read_spots(folder: Path) -> tuple[Spot, ...]:
    """Return the spots of an area's book; see `read_book`."""
    return read_book(folder).spots


def read_book(folder: Path) -> Book:
    """Return the spot book of an area's folder, empty where there is none yet.

    A spot without an identity, or with one that another has, gets one made from what it says: the same each time, until
    the book is written and it has it for good. What cannot be understood is told, and nothing of it is lost.

    Raises
    ------
    InputError
        It is no area, or the file is no spot book, or holds more than 50,000 spots.
    """
    path, where = folder / BOOK, f"{folder.resolve().name}/{BOOK}"
    if not (folder / AREA).is_file():
        raise InputError.one(str(folder), f"holds no {AREA}: there is no area here.", "Check the path.")
    if not path.exists():
        return Book()
    return _read(folder, path, where)


def _read(folder: Path, path: Path, where: str) -> Book:
    from layers.spotrows import read_rows  # noqa: PLC0415 - slow to import, and a new area has no book

    hashed = sha256(path)
    try:
        rows = read_rows(path, where)
    except InputError as error:
        older = f"If {OLDER} is there, it is the book before its last change: spotmap spot undo {folder}"
        raise InputError(replace(one, remedy=f"{one.remedy} {older}") for one in error.findings) from None
    return Book(rows.spots, rows.findings, rows.columns, hashed)


def write_spots(folder: Path, spots: Sequence[Spot], *, seen: Book | None = None, today: date | None = None) -> None:
    """Write the book, whole or not at all, and name it in area.toml; the older one is kept as spots.gpkg.before.

    Parameters
    ----------
    folder
        The area's folder.
    spots
        All that it is to hold.
    seen
        The book that was read: if the file is another now, nothing is written. None for the book as it is.
    today
        What area.toml says as the day that the book was true; None leaves it.

    Raises
    ------
    InputError
        As above, or a GIS has the book open, another command is at it, or the folder cannot be written.
    """
    with _held(folder):
        _write(folder, spots, read_book(folder) if seen is None else seen, today)


def change_book(
    folder: Path, change: Callable[[tuple[Spot, ...]], tuple[Spot, ...]], *, today: date | None = None
) -> Book:
    """Read the book, change its spots and write it, while no other command does; return it as it was read.

    A change that changes nothing writes no book, so that the older copy stays what it was.

    Raises
    ------
    InputError
        What `change` raises, and as `read_book` and `write_spots` do. The book is as it was.
    """
    with _held(folder):
        book = read_book(folder)
        spots = change(book.spots)
        if spots != book.spots or not book.sha256:
            _write(folder, spots, book, today)
        else:
            _name_in_area(folder, today)  # which a command that was killed may have left undone
    return book


def put_back(folder: Path, *, today: date | None = None) -> Book:
    """Put the older copy in the book's place, and the book in the copy's; return what is the book now.

    Raises
    ------
    InputError
        There is no older copy, or as `write_spots` does.
    """
    with _held(folder):
        if not (folder / OLDER).is_file():
            raise InputError.one(f"{folder.resolve().name}/{OLDER}", "there is no older copy.", "Nothing to undo.")
        path = folder / BOOK
        hashed, part = sha256(path) if path.exists() else "", folder / _PART.format(token_hex(6))
        with _told(folder), _without(part):
            _refuse(folder)
            shutil.copyfile(folder / OLDER, part)
            book = _read(folder, part, f"{folder.resolve().name}/{OLDER}")
            _take_place(folder, part, hashed)
        _name_in_area(folder, today)
    return book


def _write(folder: Path, spots: Sequence[Spot], seen: Book, today: date | None) -> None:
    from layers.spotrows import write_rows  # noqa: PLC0415 - as above

    if len(spots) > MOST_SPOTS:
        raise InputError.one("the spot book", f"at most {MOST_SPOTS:,} spots are kept.", _AS_IT_WAS)
    part = folder / _PART.format(token_hex(6))
    _area_text(folder, today)  # what cannot be named in area.toml is not written
    with _told(folder), _without(part):
        _refuse(folder)
        if (folder / BOOK).exists():
            shutil.copyfile(folder / BOOK, part)  # what else a GIS keeps in it, such as styles, stays
        write_rows(part, spots, seen.columns)
        _take_place(folder, part, seen.sha256)
    _name_in_area(folder, today)


def _take_place(folder: Path, part: Path, hashed: str) -> None:
    """Put a file in the book's place; a kill at any moment leaves the old one or the new one."""
    book, older = folder / BOOK, folder / OLDER
    _sync(part)
    spare = folder / f"{part.name}.before"
    with _without(spare):
        if book.exists():
            shutil.copyfile(book, spare)
            _sync(spare)
        if (sha256(book) if book.exists() else "") != hashed:
            found = "was changed by another program meanwhile; it is as that left it."
            raise InputError.one(f"{folder.resolve().name}/{BOOK}", found, "Do it again.")
        if book.exists():
            spare.replace(older)
        part.replace(book)
    _sync(folder)


def _refuse(folder: Path) -> None:
    """Refuse a book that must not be replaced; sweep away what killed commands left."""
    book, where = folder / BOOK, f"{folder.resolve().name}/{BOOK}"
    if book.is_symlink():
        raise InputError.one(where, "is a link, and would be replaced by a file.", "Put the file itself there.")
    log = folder / f"{BOOK}-wal"
    if log.exists():  # what replaced the file now would not be seen there, and what is saved there would be lost
        found = f"is open in a GIS, or was when that stopped: {log.name} is there."
        raise InputError.one(where, found, f"Save and close it there, then do it again. {_AS_IT_WAS}")
    for pattern in (_PART.format("*") + "*", _AREA_PART.format("*")):
        for left in folder.glob(pattern):
            left.unlink(missing_ok=True)


@contextlib.contextmanager
def _held(folder: Path) -> Iterator[None]:
    """Keep other commands off the book; the system lets go when this one ends, however it ends."""
    try:
        import fcntl  # noqa: PLC0415 - not on every system; there, comparing before the rename has to do
    except ImportError:  # pragma: no cover
        yield
        return
    try:
        handle = os.open(folder, os.O_RDONLY)
    except OSError as error:
        raise InputError.one(str(folder), f"cannot be opened: {error.strerror}.", "Check the path.") from None
    try:
        until = time.monotonic() + _WAIT_S
        while True:
            try:
                fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError:
                if time.monotonic() > until:
                    found = "another command is changing the spot book."
                    raise InputError.one(str(folder), found, f"Wait for it, then do it again. {_AS_IT_WAS}") from None
                time.sleep(_NAP_S)
            except OSError:  # a file system without locks
                break
            else:
                break
        yield
    finally:
        os.close(handle)


@contextlib.contextmanager
def _told(folder: Path) -> Iterator[None]:
    """Tell what the system says as a fault that a user can mend."""
    from pyogrio.errors import DataSourceError, FeatureError, FieldError, GeometryError  # noqa: PLC0415 - as above

    try:
        yield
    except (OSError, DataSourceError, FeatureError, FieldError, GeometryError) as error:
        why = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
        where = f"{folder.resolve().name}/{BOOK}"
        raise InputError.one(
            where, f"cannot be written: {why}. {_AS_IT_WAS}", "Free the disk, check rights."
        ) from error


@contextlib.contextmanager
def _without(part: Path) -> Iterator[None]:
    try:
        yield
    finally:
        for one in (part, *(part.with_name(part.name + log) for log in ("-journal", "-wal", "-shm"))):
            with contextlib.suppress(OSError):
                one.unlink(missing_ok=True)


def _sync(path: Path) -> None:
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _area_text(folder: Path, today: date | None) -> tuple[str, str, bool]:
    """Return area.toml as it is and as it names the book, and whether it did so before."""
    file, where = folder / AREA, f"{folder.resolve().name}/{AREA}"
    try:
        text = file.read_bytes().decode("utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise InputError.one(where, f"cannot be read: {error}.", "Check the file.") from None
    doc = parse(text, where)
    layers = doc.unwrap().get("layer", [])
    there = next((one for one in layers if PurePosixPath(str(one.get("file"))) == PurePosixPath(BOOK)), None)
    if there is not None and there.get("role") != "mark":
        found = f"names {BOOK} as a layer of role '{there.get('role')}', and the spot book holds marks."
        raise InputError.one(where, found, f"Rename that file; {BOOK} is the spot book's name.")
    now: dict[str, Any] = {"role": "mark", "file": BOOK, "layer": Path(BOOK).stem}
    now |= {} if today is None else {"as_of": today}
    now["source"] = SOURCE
    was = {} if there is None else {"layer": there.get("layer"), "source": SOURCE}
    put_layer(doc, now, "" if there is None else BOOK, was)
    return text, render(doc, text, where), there is not None


def _name_in_area(folder: Path, today: date | None) -> None:
    """Name the book in area.toml, once, and bring its day up to date."""
    text, written, there = _area_text(folder, today)
    if written == text:
        return
    part = folder / _AREA_PART.format(token_hex(6))
    try:
        with _without(part):
            part.write_bytes(written.encode())
            _sync(part)
            if not there:
                shutil.copyfile(folder / AREA, folder / f"{AREA}.before")
            part.replace(folder / AREA)
        _sync(folder)
    except OSError as error:
        found = f"cannot be written: {error.strerror}. The book is written, but {AREA} does not name it yet."
        raise InputError.one(
            f"{folder.resolve().name}/{AREA}", found, "Change the book again when it can be."
        ) from None
