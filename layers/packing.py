"""An area packed into one GeoPackage that a GIS opens with its layers and styles."""

from __future__ import annotations

import contextlib
import os
import shutil
import sqlite3
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from layers._errors import InputError
from layers._files import sha256
from layers.featurefiles import DAY, Features, read_file
from layers.gisstyles import DepthColumn, Dimension, style
from layers.gridcoverage import write_coverage
from layers.packagetables import write_table
from layers.packedarea import PackedArea, TableOf, packed_area

MOST_BYTES = 4 * 1024**3
"""An area's files together: more is neither packed nor unpacked."""
MOST_FILES = 10_000
MOST_LIMIT = f"up to {MOST_FILES:,} files and {MOST_BYTES / 1e9:.1f} GB"
CHUNK = 4 * 1024**2
"""A file's bytes lie in rows of at most so many."""
_DIMENSIONS: tuple[Dimension, ...] = ("points", "lines", "areas")
_STYLES_TABLE = """CREATE TABLE layer_styles (id INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL, f_table_catalog TEXT(256),
 f_table_schema TEXT(256), f_table_name TEXT(256), f_geometry_column TEXT(256), styleName TEXT(30), styleQML TEXT,
 styleSLD TEXT, useAsDefault BOOLEAN, description TEXT, owner TEXT(30), ui TEXT(30), update_time DATETIME)"""
_FILES_TABLE = """CREATE TABLE spotmap_files (id INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL, path TEXT NOT NULL,
 part INTEGER NOT NULL, sha256 TEXT NOT NULL, size INTEGER NOT NULL, bytes BLOB NOT NULL, "table" TEXT)"""


@dataclass(frozen=True)
class Packed:
    """What a GeoPackage holds: its tables and coverages by name, the area's files, and what a person should know."""

    tables: tuple[str, ...]
    grids: tuple[str, ...]
    files: tuple[str, ...]
    notes: tuple[str, ...]


def pack(folder: Path, out: Path) -> Packed:
    """Write an area as one GeoPackage.

    Its vector layers become tables of features in their own coordinate systems, with styles; grids become coverages to
    look at; and every file that the area is read from goes in byte by byte, private marks too. The same area gives the
    same bytes.

    Parameters
    ----------
    folder
        The area's folder; nothing in it is changed.
    out
        The GeoPackage. There is no such file yet.

    Returns
    -------
    Packed
        What it holds.

    Raises
    ------
    InputError
        The area does not open, is too large, is read from files outside its folder or through symbolic links, a layer
        would not read back the same, or `out` cannot be written. There is no new file then.
    """
    folder, out = folder.resolve(), out.absolute()
    _check_out(out)
    area = packed_area(folder)
    _check_size(folder, area)
    try:
        with tempfile.TemporaryDirectory(dir=out.parent, prefix=f".{out.name}-") as scratch:
            copy = Path(scratch, "area", folder.name)
            for file in area.files:
                _copy(folder / file, copy / file)
            _check_opens(copy, folder)
            package = Path(scratch, "out.gpkg")
            packed = _write(package, packed_area(copy), copy)
            with package.open("rb") as stream:
                os.fsync(stream.fileno())
            _check_out(out)
            package.replace(out)
    except (OSError, sqlite3.Error) as error:
        why = error.strerror if isinstance(error, OSError) else str(error)
        remedy = "Free the disk, or choose a folder in which you may write."
        raise InputError.one(str(out), f"cannot be written: {why}.", remedy) from error
    return packed


def _check_out(out: Path) -> None:
    if out.exists() or out.is_symlink():
        raise InputError.one(str(out), "is there already.", "Choose another name, or remove it first.")
    if out.suffix.casefold() != ".gpkg":
        raise InputError.one(str(out), "is not a GeoPackage's name.", f"Call it {out.stem}.gpkg.")
    if not out.parent.is_dir():
        raise InputError.one(str(out), "its folder is not there.", "Make the folder, or choose another.")


def _check_size(folder: Path, area: PackedArea) -> None:
    size = sum((folder / file).stat().st_size for file in area.files)
    if size > MOST_BYTES or len(area.files) > MOST_FILES:
        what = f"its {len(area.files):,} files hold {size / 1e9:.1f} GB; {MOST_LIMIT} are packed."
        raise InputError.one(str(folder), what, "Cut grids to the area, or make several areas.")
    targets = {link: link.resolve() for link in folder.rglob("*") if link.is_symlink()}
    for link, target in targets.items():
        if any((folder / file).is_relative_to(target) for file in area.files):
            what = "is a symbolic link to what the area is read from, and a GeoPackage holds no links."
            raise InputError.one(str(link), what, "Put the file itself in its place.")


def _copy(source: Path, target: Path) -> None:
    target.parent.mkdir(parents=True, exist_ok=True)
    try:
        os.link(source, target)
    except OSError:  # another file system, or one without hard links
        shutil.copyfile(source, target)


def _check_opens(copy: Path, folder: Path) -> None:
    """See that what is packed is enough to open the area."""
    from layers.area import open_area  # noqa: PLC0415 - all that opens an area, needed only here

    try:
        open_area(copy)
    except InputError as error:
        told = [replace(one, where=one.where.replace(str(copy), str(folder))) for one in error.findings]
        raise InputError(told) from None


def _write(package: Path, area: PackedArea, folder: Path) -> Packed:
    styles = []
    for one in area.tables:
        features = read_file(one.path, one.layer, one.where)
        write_table(package, one.table, features, one.where)
        styles.append((one.table, *_style(one, features)))
    notes = [write_coverage(package, grid, f"{area.name}, {grid.path.name}") for grid in area.grids]
    with contextlib.closing(sqlite3.connect(package)) as db:
        with db:
            _put_styles(db, styles)
            _put_files(db, area, folder)
        db.execute("VACUUM")
    shown = {row[0] for row in _contents(package, "2d-gridded-coverage")}
    grids = tuple(grid.table for grid in area.grids if grid.table in shown)
    return Packed(tuple(one.table for one in area.tables), grids, area.files, tuple(note for note in notes if note))


def _contents(package: Path, kind: str) -> list[tuple[str]]:
    with contextlib.closing(sqlite3.connect(package)) as db:
        return db.execute("SELECT table_name FROM gpkg_contents WHERE data_type = ?", (kind,)).fetchall()


def _style(one: TableOf, features: Features) -> tuple[str, str]:
    folded = {name.casefold(): name for name in features.columns}
    least = next((folded[name.casefold()] for name in one.least if name.casefold() in folded), None)
    depth = DepthColumn(least, one.factor) if least is not None else None
    dimensions = [_DIMENSIONS[i] for i in features.dimensions]
    return style(one.kind, one.table, list(features.columns), dimensions, depth)


def _put_styles(db: sqlite3.Connection, styles: Sequence[tuple[str, str, str]]) -> None:
    db.execute(_STYLES_TABLE)
    db.executemany(
        "INSERT INTO layer_styles (f_table_catalog, f_table_schema, f_table_name, f_geometry_column, styleName,"
        " styleQML, styleSLD, useAsDefault, description, owner, update_time)"
        " VALUES ('', '', ?, 'geom', ?, ?, ?, 1, '', '', ?)",
        [(table, table, qml, sld, DAY) for table, qml, sld in styles],
    )
    _register(db, "layer_styles", "How a GIS draws the tables")


def _put_files(db: sqlite3.Connection, area: PackedArea, folder: Path) -> None:
    tables: dict[str, str] = {}
    shown = [(one.path, one.table) for one in area.tables] + [(one.path, one.table) for one in area.grids]
    for path, table in shown:
        name = path.relative_to(folder).as_posix()
        tables[name] = f"{tables[name]}, {table}" if name in tables else table
    db.execute(_FILES_TABLE)
    for file in area.files:
        path = folder / file
        head = (file, sha256(path), path.stat().st_size)
        with path.open("rb") as stream:
            part = 0
            while (chunk := stream.read(CHUNK)) or part == 0:
                db.execute(
                    'INSERT INTO spotmap_files (path, sha256, size, part, bytes, "table") VALUES (?, ?, ?, ?, ?, ?)',
                    (*head, part, chunk, tables.get(file)),
                )
                part += 1
    _register(db, "spotmap_files", "The area's files, byte by byte: unpacking needs them all")


def _register(db: sqlite3.Connection, table: str, words: str) -> None:
    db.execute(
        "INSERT INTO gpkg_contents (table_name, data_type, identifier, description, last_change)"
        " VALUES (?, 'attributes', ?, ?, ?)",
        (table, table, words, DAY),
    )
