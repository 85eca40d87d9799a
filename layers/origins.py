"""origins.toml: what official data an area's layers were made from, and whether they are still what was made."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path, PurePosixPath
from typing import Any, Literal, cast, get_args

from layers._errors import Finding, InputError
from layers._files import sha256
from layers.model import Role
from layers.tables import Table, raise_all, read_toml

OriginKind = Literal["chart", "survey", "current", "water level", "regulation", "marks"]
ORIGINS = "origins.toml"
AREA = "area.toml"
_KINDS: tuple[str, ...] = get_args(OriginKind)
_ROLES: tuple[str, ...] = get_args(Role)
_REMEDY = "Restore the file (it is written by the import, not by hand), or import the official data into a new area."


@dataclass(frozen=True)
class OriginFile:
    """One original: a path inside the area where it is `kept`, else only the name that it had."""

    file: str
    sha256: str
    kept: bool


@dataclass(frozen=True)
class OriginRecord:
    """Official data that layers of the area were made from; see `layers.made.Origin`."""

    name: str
    kind: OriginKind
    files: tuple[OriginFile, ...]
    source: str
    edition: str = ""
    update: str = ""
    issued: date | None = None
    as_of: date | None = None
    scale: int | None = None

    @property
    def words(self) -> str:
        """Return name, edition, update and issue as far as they are known."""
        parts = [self.name]
        parts += [f"edition {self.edition}"] if self.edition else []
        parts += [f"update {self.update}"] if self.update else []
        parts += [f"issued {self.issued}"] if self.issued else []
        return ", ".join(parts)


@dataclass(frozen=True)
class MadeRecord:
    """A file that was made: its own `name` before it found its place, the `origins`, and how many `features`.

    `role` is None for a file that another layer names. `layer` is what its [[layer]] was written with, so that what
    a person changed there is told apart.
    """

    file: str
    name: str
    role: Role | None
    sha256: str
    origins: tuple[str, ...]
    features: int | None = None
    layer: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class AskedRecord:
    """A feature that a person was asked to decide about, and the origins that asked."""

    feature: str
    origins: tuple[str, ...]


@dataclass(frozen=True)
class NoteRecord:
    """What was lost, doubtful or to be looked at when data was brought in."""

    where: str
    what: str
    remedy: str
    origins: tuple[str, ...]


@dataclass(frozen=True)
class Origins:
    """All that origins.toml says; empty for an area made by hand."""

    origins: tuple[OriginRecord, ...] = ()
    made: tuple[MadeRecord, ...] = ()
    asked: tuple[AskedRecord, ...] = ()
    notes: tuple[NoteRecord, ...] = ()

    def of(self, file: str) -> tuple[OriginRecord, ...]:
        """Return what a file of the area was made from; nothing where it is a person's own."""
        names = {name for one in self.made if one.file == file for name in one.origins}
        return tuple(one for one in self.origins if one.name in names)

    def named(self, name: str) -> OriginRecord | None:
        """Return the origin of a name."""
        return next((one for one in self.origins if one.name == name), None)


def read_origins(folder: Path) -> Origins:
    """Return where an area's layers came from.

    Parameters
    ----------
    folder
        The area's folder.

    Returns
    -------
    Origins
        Empty where the folder has no origins.toml.

    Raises
    ------
    InputError
        The file is not what the import writes: each broken key is named.
    """
    file = folder / ORIGINS
    if not file.exists():
        return Origins()
    found: list[Finding] = []
    table = Table(read_toml(file), f"{folder.resolve().name}/{ORIGINS}", found)
    origins = [_origin(one) for one in table.tables("origin")]
    names = [one.name for one in origins]
    made = [_made(one, names) for one in table.tables("made")]
    asked = [AskedRecord(one.text("feature"), _names(one, names)) for one in table.tables("asked")]
    notes = [
        NoteRecord(_optional(one, "where"), one.text("what"), _optional(one, "remedy"), _names(one, names))
        for one in table.tables("note")
    ]
    table.done()
    for what, told in (("origin", names), ("made", [one.file for one in made])):
        for name in sorted({name for name in told if told.count(name) > 1}):
            table.problem(what, f"'{name}' is there more than once.", _REMEDY)
    raise_all(found)
    return Origins(tuple(origins), tuple(made), tuple(asked), tuple(notes))


def changed_by_hand(folder: Path) -> tuple[Finding, ...]:
    """Return a warning for every made file, and every original kept, whose bytes are not those that were written.

    Parameters
    ----------
    folder
        The area's folder.

    Raises
    ------
    InputError
        As for `read_origins`.
    """
    origins = read_origins(folder)
    told = [(finding_of_change(folder, one.file, one.sha256)) for one in origins.made]
    made = {one.file for one in origins.made}
    kept = [one for origin in origins.origins for one in origin.files if one.kept and one.file not in made]
    told += [finding_of_change(folder, one.file, one.sha256) for one in kept]
    return tuple(finding for finding in told if finding is not None)


def finding_of_change(folder: Path, file: str, was: str) -> Finding | None:
    """Return a warning where a file of the area is gone or its bytes do not hash to `was`."""
    path, where = folder / file, f"{folder.resolve().name}/{file}"
    if not path.is_file():
        what = "was made from official data and is gone."
        return Finding(where, what, "Refresh the area to have it written again.", "warning")
    if sha256(path) == was:
        return None
    what = "was changed since it was made from official data" + (
        " (by hand, or by a program that opened it to write)." if path.suffix == ".gpkg" else "."
    )
    return Finding(where, what, "Move your own changes to a layer of their own: a refresh writes it again.", "warning")


def _origin(table: Table) -> OriginRecord:
    name, kind = table.text("name"), table.text("kind", choices=_KINDS)
    record = OriginRecord(
        name=name,
        kind=cast("OriginKind", kind),
        files=tuple(_file(one) for one in table.tables("file")),
        source=_optional(table, "source"),
        edition=_optional(table, "edition"),
        update=_optional(table, "update"),
        issued=table.day("issued"),
        as_of=table.day("as_of"),
        scale=table.whole("scale", low=1, high=10**9) if table.has("scale") else None,
    )
    table.done()
    return record


def _optional(table: Table, key: str) -> str:
    return table.text(key) if table.has(key) else ""


def _file(table: Table) -> OriginFile:
    kept = table.flag("kept")
    file = table.reading("file", _inside, "") if kept else table.text("file")
    record = OriginFile(file, table.reading("sha256", _hash, ""), kept)
    _required(table, "file", "sha256")
    table.done()
    return record


def _made(table: Table, known: list[str]) -> MadeRecord:
    record = MadeRecord(
        file=table.reading("file", _inside, ""),
        name=table.text("name"),
        role=cast("Role", table.text("role", choices=_ROLES)) if table.has("role") else None,
        sha256=table.reading("sha256", _hash, ""),
        origins=_names(table, known),
        features=table.whole("features", low=0, high=10**12) if table.has("features") else None,
        layer=table.reading("layer", _mapping, {}),
    )
    _required(table, "file", "sha256")
    table.done()
    return record


def _required(table: Table, *keys: str) -> None:
    for key in keys:
        if not table.has(key):
            table.problem(key, "is missing.", _REMEDY)


def _names(table: Table, known: list[str]) -> tuple[str, ...]:
    names = table.reading("from", _texts, tuple[str, ...]())
    _required(table, "from")
    for name in names:
        if name not in known:
            table.problem("from", f"there is no [[origin]] named '{name}'.", _REMEDY)
    return names


def _texts(value: object, where: str) -> tuple[str, ...]:
    if not isinstance(value, list) or not value or not all(isinstance(one, str) for one in value):
        raise InputError.one(where, f"{value!r} is not a list of names.", _REMEDY)
    return tuple(value)


def _mapping(value: object, where: str) -> dict[str, Any]:
    if not isinstance(value, dict):
        raise InputError.one(where, f"{value!r} is not a table.", _REMEDY)
    return value


def _hash(value: object, where: str) -> str:
    if not isinstance(value, str) or len(value) != 64 or set(value) - set("0123456789abcdef"):  # noqa: PLR2004 - SHA-256
        raise InputError.one(where, f"{value!r} is not a SHA-256 hash in hexadecimal.", _REMEDY)
    return value


def _inside(value: object, where: str) -> str:
    """Return a plain relative path with forward slashes: what it names may be replaced, so it must not climb out."""
    path = PurePosixPath(value) if isinstance(value, str) else PurePosixPath()
    plain = isinstance(value, str) and value.isprintable() and str(path) == value and not set(value) & set("\\:")
    if not plain or path.is_absolute() or ".." in path.parts or value in (".", AREA, ORIGINS):
        raise InputError.one(where, f"{value!r} is not a file of the area that the import wrote.", _REMEDY)
    return str(path)
