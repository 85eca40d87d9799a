"""An area read back from its GeoPackage: byte by byte where nothing was edited, from the table where something was."""

from __future__ import annotations

import contextlib
import hashlib
import re
import shutil
import sqlite3
from dataclasses import dataclass, replace
from pathlib import Path, PurePosixPath
from urllib.parse import quote

from layers._errors import InputError
from layers._files import sha256
from layers.featurefiles import layer_names, read_file, same, write_file
from layers.origins import AREA
from layers.packagetables import read_table
from layers.packedarea import PackedArea, TableOf, packed_area
from layers.packing import CHUNK, MOST_BYTES, MOST_FILES, MOST_LIMIT
from layers.staging import staged

_MOST_PACKAGE = 4 * MOST_BYTES
_MOST_VALUE = 256 * 1024**2
"""No text, geometry or other value of the package may be longer, in bytes."""
_OURS = ("spotmap_files", "gpkg_contents", "gpkg_geometry_columns", "gpkg_spatial_ref_sys")
_REMEDY = "Take the file as it was packed, or pack the area again."
_LONGEST_NAME = 255
_UNSAFE = re.compile(r'[\x00-\x1f\x7f\\:*?"<>|]')


@dataclass(frozen=True)
class Unpacked:
    """What came out of a GeoPackage, as paths in the area's folder.

    `restored` are files that are byte by byte what was packed, `edited` vector files written anew from tables that
    somebody changed, `ignored` tables of features that belong to no layer of the area.
    """

    restored: tuple[str, ...]
    edited: tuple[str, ...]
    ignored: tuple[str, ...]


def unpack(file: Path, folder: Path) -> Unpacked:
    """Write the area that a GeoPackage holds into a folder of its own.

    A vector file whose table is as it was packed comes back byte by byte. One whose table was edited is written anew in
    its format: GeoJSON, GeoPackage or Shapefile. Coverages are only to look at: their grids always come back as packed.

    Parameters
    ----------
    file
        What `pack` wrote, up to 17 GB, perhaps edited in a GIS that is closed by now.
    folder
        The folder; it is empty or not there.

    Returns
    -------
    Unpacked
        What was done.

    Raises
    ------
    InputError
        The file is not such a GeoPackage, is broken or too large (4.3 GB of files), a table or a file in it is missing
        or not what it was, an edited area would not open, or the folder is not empty or cannot be written. Nothing is
        left behind.
    """
    folder = folder.resolve()
    where = file.name
    _check(file, folder)
    with staged(folder) as part:
        try:
            with contextlib.closing(_open(file, part.parent)) as db:
                _check_ours(db, where)
                files = _write_files(db, part, where)
                area = packed_area(part)
                edited = _edits(db, area, part, where)
                ignored = _others(db, area)
                restored = tuple(one for one, hashed in files.items() if not edited or _is(part / one, hashed))
        except sqlite3.Error as error:
            what = f"is broken, or is no GeoPackage: {error}."
            raise InputError.one(where, what, _REMEDY) from None
        except InputError as error:
            raise _of(error, part, folder) from None
        if edited:
            _check_opens(part, folder)
    return Unpacked(restored, edited, ignored)


def _check(file: Path, folder: Path) -> None:
    if not file.is_file():
        raise InputError.one(str(file), "there is no such file.", "Check the path.")
    if file.stat().st_size > _MOST_PACKAGE:
        what = f"holds {file.stat().st_size / 1e9:.1f} GB; up to {_MOST_PACKAGE / 1e9:.1f} GB are unpacked."
        raise InputError.one(file.name, what, _REMEDY)
    with file.open("rb") as stream:
        if not stream.read(16).startswith(b"SQLite format 3\0"):
            raise InputError.one(file.name, "is not a GeoPackage.", "Give a file that an area was packed into.")
    journal = file.with_name(f"{file.name}-journal")
    if journal.exists() and journal.stat().st_size:
        what = "is being written by another program, or was left half written by one."
        raise InputError.one(file.name, what, "Open it in that program, save and close it.")
    if folder.is_dir() and any(folder.iterdir()):
        raise InputError.one(str(folder), "is not empty.", "Name a folder that is not there yet.")


def _open(file: Path, beside: Path) -> sqlite3.Connection:
    """Open a copy of the package, which no other program changes meanwhile, with what a GIS left in its log."""
    copy = beside / "package.gpkg"
    shutil.copyfile(file, copy)
    log = file.with_name(f"{file.name}-wal")
    if log.exists():
        shutil.copyfile(log, copy.with_name(f"{copy.name}-wal"))
    db = sqlite3.connect(f"file:{quote(str(copy))}?mode=ro", uri=True)
    db.setlimit(sqlite3.SQLITE_LIMIT_LENGTH, _MOST_VALUE)
    db.execute("PRAGMA trusted_schema = OFF")
    return db


def _check_ours(db: sqlite3.Connection, where: str) -> None:
    found = dict(db.execute("SELECT name, type FROM sqlite_master WHERE type IN ('table', 'view')").fetchall())
    if any(name not in found for name in _OURS):
        what = "is not a GeoPackage that an area was packed into."
        raise InputError.one(where, what, "Give a file that an area was packed into.")
    for name in _OURS:
        if found[name] != "table":
            raise InputError.one(where, f"its '{name}' is a {found[name]} and no table.", _REMEDY)
    told = db.execute("PRAGMA quick_check(1)").fetchone()[0]
    if told != "ok":
        raise InputError.one(where, f"is broken: {told}.", _REMEDY)


def _write_files(db: sqlite3.Connection, part: Path, where: str) -> dict[str, str]:
    """Write every file of the package into the folder, see that each is what was packed, and return their hashes."""
    listed = db.execute(
        "SELECT path, min(sha256), max(sha256), min(size), max(size), count(*), total(length(bytes)) FROM spotmap_files"
        " GROUP BY path ORDER BY path"
    ).fetchall()
    paths = [row[0] for row in listed]
    total = sum(row[6] for row in listed)
    if total > MOST_BYTES or len(listed) > MOST_FILES:
        what = f"holds {len(listed):,} files of {total / 1e9:.1f} GB; {MOST_LIMIT} are unpacked."
        raise InputError.one(where, what, _REMEDY)
    _check_paths(paths, where)
    for path, first, last, least, most, parts, held in listed:
        rows = db.execute("SELECT part, bytes FROM spotmap_files WHERE path = ? ORDER BY part", (path,))
        target = part / path
        target.parent.mkdir(parents=True, exist_ok=True)
        hashed = hashlib.sha256()
        with target.open("xb") as stream:
            for i, (number, chunk) in enumerate(rows):
                if number != i or not isinstance(chunk, bytes) or len(chunk) > CHUNK:
                    raise _changed(path, where)
                hashed.update(chunk)
                stream.write(chunk)
        if first != last or least != most or held != most or not parts or hashed.hexdigest() != first:
            raise _changed(path, where)
    return {row[0]: row[1] for row in listed}


def _is(path: Path, hashed: str) -> bool:
    return path.is_file() and sha256(path) == hashed


def _changed(path: str, where: str) -> InputError:
    return InputError.one(where, f"'{path}' in it is not, byte by byte, what was packed.", _REMEDY)


def _check_paths(paths: list[object], where: str) -> None:
    """Refuse paths that climb out, mean another thing elsewhere, or get in each other's way."""
    seen: set[str] = set()
    parents: set[str] = set()
    for path in paths:
        pure = PurePosixPath(path) if isinstance(path, str) else PurePosixPath()
        bad = pure.is_absolute() or not pure.parts or pure.as_posix() != path or _UNSAFE.search(str(path)) is not None
        bad |= any(one in (".", "..") or one != one.strip() or len(one.encode()) > _LONGEST_NAME for one in pure.parts)
        bad |= str(path).casefold() in seen
        if bad:
            raise InputError.one(where, f"it holds a file called {path!r}, which is not safe to write.", _REMEDY)
        seen.add(str(path).casefold())
        parents |= {one.as_posix().casefold() for one in pure.parents} - {"."}
    if seen & parents:
        what = f"it holds '{min(seen & parents)}' as a file and as a folder."
        raise InputError.one(where, what, _REMEDY)
    if AREA not in paths:
        raise InputError.one(where, f"it holds no {AREA}.", _REMEDY)


def _edits(db: sqlite3.Connection, area: PackedArea, part: Path, where: str) -> tuple[str, ...]:
    """Write every vector file anew of which a table was edited; return these."""
    edited = []
    for path in dict.fromkeys(one.path for one in area.tables):
        tables = {one.layer: one for one in area.tables if one.path == path}
        layers = {}
        changed = False
        for layer in layer_names(path, where):
            held = read_file(path, layer, where)
            layers[layer] = held
            if layer in tables:
                told = read_table(db, tables[layer].table, list(held.columns), _place(where, tables[layer]))
                changed |= not same(held, told)
                layers[layer] = held if same(held, told) else told
        if changed:
            write_file(path, layers, f"{where}, '{next(iter(tables.values())).table}'")
            edited.append(path.relative_to(part).as_posix())
    return tuple(edited)


def _place(where: str, one: TableOf) -> str:
    return f"{where}, '{one.table}'"


def _others(db: sqlite3.Connection, area: PackedArea) -> tuple[str, ...]:
    known = {one.table.casefold() for one in area.tables}
    told = db.execute("SELECT table_name FROM gpkg_contents WHERE data_type = 'features' ORDER BY table_name")
    return tuple(str(name) for (name,) in told if str(name).casefold() not in known)


def _of(error: InputError, part: Path, folder: Path) -> InputError:
    return InputError(replace(one, where=one.where.replace(str(part), str(folder))) for one in error.findings)


def _check_opens(part: Path, folder: Path) -> None:
    from layers.area import open_area  # noqa: PLC0415 - all that opens an area, needed only here

    try:
        open_area(part)
    except InputError as error:
        raise _of(error, part, folder) from None
