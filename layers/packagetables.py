"""Features as a table of a GeoPackage: written through GDAL, and read with SQLite alone, as strangers' files are."""

from __future__ import annotations

import contextlib
import sqlite3
from collections.abc import Sequence
from itertools import count
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from layers._errors import InputError
from layers.featurefiles import MOST_FEATURES, Features, ValueKind, same, too_many, values_of, write_layer

_FID, _GEOM = "fid", "geom"
_ENVELOPES = {0: 0, 1: 32, 2: 48, 3: 48, 4: 64}
"""Bytes of the envelope by its code in a geometry's flags: GeoPackage 1.3, § 2.1.3.1.1."""
_HEAD = 8


def read_table(db: sqlite3.Connection, table: str, original: Sequence[str], where: str) -> Features:
    """Return the features of a table, in the order of their identifiers.

    Parameters
    ----------
    db
        A GeoPackage.
    table
        The table's name.
    original
        The attributes' names in the file that the table was made from, which SQLite may not tell apart.
    where
        The table's place, for messages.

    Raises
    ------
    InputError
        There is no such table of features, or it is broken.
    """
    found = db.execute("SELECT type FROM sqlite_master WHERE lower(name) = lower(?)", (table,)).fetchone()
    told = db.execute(
        "SELECT c.column_name, s.organization, s.organization_coordsys_id, s.definition FROM gpkg_geometry_columns c"
        " LEFT JOIN gpkg_spatial_ref_sys s USING (srs_id) WHERE lower(c.table_name) = lower(?)",
        (table,),
    ).fetchone()
    if found is None or told is None:
        what = f"the table '{table}', which a layer of area.toml needs, is not there."
        raise InputError.one(where, what, "Bring it back: nothing of an area is taken out by deleting a table.")
    name = _quoted(table)
    listed = db.execute(f"PRAGMA table_info({name})").fetchall()
    keys = [column[1] for column in listed if column[5]]
    if found[0] != "table" or len(keys) != 1:
        raise InputError.one(where, f"'{table}' is not a plain table of features.", "Take the file as it was packed.")
    if db.execute(f"SELECT count(*) FROM {name}").fetchone()[0] > MOST_FEATURES:  # noqa: S608 - quoted
        raise too_many(where)
    back = dict(zip(_table_names(original), original, strict=True))
    fields = [(column[1], column[2]) for column in listed if column[1] not in (keys[0], told[0])]
    chosen = ", ".join(_quoted(one) for one in (told[0], *(name for name, _ in fields)))
    rows = db.execute(f"SELECT {chosen} FROM {name} ORDER BY {_quoted(keys[0])}").fetchall()  # noqa: S608 - quoted
    columns: dict[str, Sequence[Any]] = {}
    kinds: dict[str, ValueKind] = {}
    for at, (column, declared) in enumerate(fields, 1):
        label = back.get(column, column)
        raw = [row[at] for row in rows]
        kinds[label] = _declared(declared, raw)
        columns[label] = values_of(raw, kinds[label])
    return Features(_geometries([row[0] for row in rows], where), columns, kinds, _crs(*told[1:]))


def write_table(package: Path, table: str, features: Features, where: str) -> None:
    """Add a table to a GeoPackage, which is made where there is none.

    Raises
    ------
    InputError
        It cannot be written, or would not read back the same.
    """
    renamed = dict(zip(_table_names(list(features.columns)), features.columns, strict=True))
    columns = {name: features.columns[label] for name, label in renamed.items()}
    kinds = {name: features.kinds[label] for name, label in renamed.items()}
    held = Features(features.geometry, columns, kinds, features.crs)
    write_layer(package, table, held, "GPKG", append=package.exists(), FID=_FID, GEOMETRY_NAME=_GEOM)
    with contextlib.closing(sqlite3.connect(package)) as db:
        if not same(features, read_table(db, table, list(features.columns), where)):
            what = f"'{table}' would not read back from a GeoPackage the same."
            raise InputError.one(where, what, "Look for attributes with odd characters, or save the file anew.")


def _declared(declared: str, values: Sequence[Any]) -> ValueKind:
    """Return the kind of a table's column: as declared, or text where a value is no such thing."""
    plain = declared.upper().partition("(")[0].strip()
    kinds = {type(value) for value in values} - {type(None)}
    if plain == "BOOLEAN" and kinds <= {int}:
        return "flag"
    if plain in ("INTEGER", "INT", "MEDIUMINT", "SMALLINT", "TINYINT") and kinds <= {int}:
        return "whole"
    if plain in ("REAL", "DOUBLE", "FLOAT") and kinds <= {int, float}:
        return "number"
    return "text"


def _table_names(names: Sequence[str]) -> list[str]:
    """Return names that SQLite tells apart, whatever their case, from each other and from its own two columns."""
    taken, told = {_FID, _GEOM}, []
    for name in names:
        wanted = name or "attribute"
        free = next(one for i in count(1) if (one := wanted if i == 1 else f"{wanted}_{i}").casefold() not in taken)
        taken.add(free.casefold())
        told.append(free)
    return told


def _quoted(name: str) -> str:
    return '"' + name.replace('"', '""') + '"'


def _geometries(blobs: Sequence[Any], where: str) -> npt.NDArray[np.object_]:
    """Return the geometry of GeoPackage blobs: a head, perhaps an envelope, then well-known binary."""
    wkb: list[bytes | None] = []
    for i, blob in enumerate(blobs, 1):
        if blob is None:
            wkb.append(None)
            continue
        if (
            not isinstance(blob, bytes)
            or len(blob) < _HEAD
            or blob[:2] != b"GP"
            or (blob[3] >> 1) & 7 not in _ENVELOPES
        ):
            raise _broken(where, i)
        wkb.append(blob[_HEAD + _ENVELOPES[(blob[3] >> 1) & 7] :])
    geometry = np.asarray(shapely.from_wkb(np.array(wkb, dtype=object), on_invalid="fix"), dtype=object)
    for i, (bytes_, shape) in enumerate(zip(wkb, geometry, strict=True), 1):
        if bytes_ is not None and shape is None:
            raise _broken(where, i)
    return geometry


def _broken(where: str, feature: int) -> InputError:
    what = "its geometry is not what a GeoPackage holds."
    return InputError.one(f"{where}, feature {feature}", what, "Draw it again, or take the file as it was packed.")


def _crs(organization: Any, number: Any, definition: Any) -> str:
    if str(organization).upper() == "EPSG":
        return f"EPSG:{number}"
    return "" if definition in (None, "", "undefined") else str(definition)
