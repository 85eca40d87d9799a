"""Files that belong to an area: found inside its folder, never outside it, and told apart by their bytes."""

from __future__ import annotations

import difflib
import hashlib
from pathlib import Path

from layers._errors import InputError
from layers.tables import read_toml


def file_within(folder: Path, value: object, where: str, *, beside: Path | None = None) -> Path:
    """Return the file that a key names, resolved.

    Parameters
    ----------
    folder
        The area's folder: the file must be inside it.
    value
        The key's value: a name relative to `beside`, or to the folder where that is None.
    where
        File and key, for messages.
    beside
        The folder of the file in which the key stands.

    Raises
    ------
    InputError
        It is no name, is outside the folder, or is not there; a near name is suggested.
    """
    if not isinstance(value, str) or not value.strip() or "\0" in value:
        raise InputError.one(where, f"{value!r} is not a file's name.", "Write it as text.")
    base = folder if beside is None else beside
    path = (base / value).resolve()
    if Path(value).is_absolute() or not path.is_relative_to(folder.resolve()):
        raise InputError.one(where, f"'{value}' is not inside the area's folder.", "Copy the file there.")
    if not path.is_file():
        here = [str(one.relative_to(base)) for one in sorted(base.iterdir()) if one.is_file()]
        near = difflib.get_close_matches(value, here, n=1)
        remedy = f"Did you mean '{near[0]}'?" if near else "Check the name, or put the file there."
        raise InputError.one(where, f"there is no file '{value}' in the area's folder.", remedy)
    return path


def files_named(path: Path, folder: Path) -> tuple[Path, ...]:
    """Return the files inside the folder that a TOML file of stations names and that are there, each once, resolved.

    Another kind of file names none. Whether these can be read, and what else is wrong, is their reader's to say.
    """
    if path.suffix.casefold() != ".toml":
        return ()
    try:
        told = read_toml(path)
    except InputError:
        return ()
    stations = told.get("station")
    names = [told.get("channel")]
    names += [one.get("table") for one in stations if isinstance(one, dict)] if isinstance(stations, list) else []
    found: dict[Path, None] = {}
    for name in names:
        try:
            found[file_within(folder, name, "", beside=path.parent)] = None
        except InputError:
            continue
    return tuple(found)


def sha256(path: Path) -> str:
    """Return the hash of a file's bytes, in hexadecimal."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()
