"""A plan's folder, written whole or not at all."""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import sys
from pathlib import Path
from typing import TYPE_CHECKING
from uuid import uuid4

from layers._errors import InputError

if sys.platform != "win32":
    import fcntl

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

PLAN_FILES = frozenset({"map.html", "handout.pdf", "route.gpx", "plan.geojson"})
"""The names that a plan's folder may hold."""

_PROOF = "plan.geojson"
"""The file whose content proves that a folder is a plan's."""
_LEFT_BY_THE_DESKTOP = frozenset({".DS_Store", "Thumbs.db"})


def write_folder(folder: Path, files: Mapping[str, bytes]) -> None:
    """Write files as a folder: whole, or nothing.

    The files are written beside the folder and put in place by renaming, so a run that fails or is
    interrupted leaves what was there before, and of two runs at once one has the last word, whole. (Only a
    process killed outright between two renames leaves an earlier plan under a hidden name beside the folder.)

    Parameters
    ----------
    folder
        Where the plan goes; missing parents are made. An empty folder or an earlier plan is replaced.
    files
        Name and content of each file: names from `PLAN_FILES`, plan.geojson among them.

    Raises
    ------
    InputError
        The folder holds anything that is not a plan's, is a file or the folder one works in, or cannot be
        written.
    ValueError
        A name is not one of `PLAN_FILES`, or plan.geojson is missing.
    """
    if _PROOF not in files or not files.keys() <= PLAN_FILES:
        raise ValueError(f"a plan's files are {sorted(PLAN_FILES)} with {_PROOF}, not {sorted(files)}")
    folder = folder.resolve()  # what a link points to is replaced, not the link
    part = _beside(folder, "part")
    missing: list[Path] = []
    try:
        missing += [parent for parent in folder.parents if not parent.exists()]
        folder.parent.mkdir(parents=True, exist_ok=True)
        with _alone_in(folder.parent):
            _refuse_strangers(folder, folder)
            _write_part(part, files)
            if folder.exists():
                shutil.copymode(folder, part)
            _put_in_place(part, folder)
    except BaseException as error:
        shutil.rmtree(part, ignore_errors=True)
        for parent in missing:
            with contextlib.suppress(OSError):
                parent.rmdir()
        if not isinstance(error, OSError):
            raise
        raise InputError.one(
            str(folder),
            f"The plan cannot be written here: {error.strerror or type(error).__name__}.",
            "Free the disk, or choose with --out a folder beside which you may write.",
        ) from error


def _beside(folder: Path, purpose: str) -> Path:
    return folder.with_name(f".{folder.name}-{uuid4().hex}.{purpose}")


@contextlib.contextmanager
def _alone_in(parent: Path) -> Iterator[None]:
    """Keep other runs waiting that write a folder in this one (not on Windows, which locks no folder)."""
    if sys.platform == "win32":
        yield
        return
    handle = os.open(parent, os.O_RDONLY)
    try:
        with contextlib.suppress(OSError):  # some network file systems have no locks
            fcntl.flock(handle, fcntl.LOCK_EX)
        yield
    finally:
        os.close(handle)


def _refuse_strangers(found: Path, folder: Path) -> None:
    """Raise InputError unless `found`, which is or was `folder`, is missing, empty or an earlier plan."""
    if found == Path.cwd():
        raise InputError.one(
            str(folder),
            "The plan cannot replace the folder you are working in.",
            "Name a folder inside it, for example --out plan.",
        )
    if not found.exists():
        return
    if not found.is_dir():
        raise InputError.one(
            str(folder), "This is a file; a plan is written as a folder.", "Choose another name with --out."
        )
    entries = sorted(entry for entry in found.iterdir() if entry.name not in _LEFT_BY_THE_DESKTOP)
    strange = [entry.name for entry in entries if entry.name not in PLAN_FILES or not entry.is_file()]
    if not strange and not _is_plan(found / _PROOF):
        strange = [entry.name for entry in entries]
    if strange:
        more = f" and {len(strange) - 1} more" if len(strange) > 1 else ""
        raise InputError.one(
            str(folder),
            f"The folder holds {strange[0]!r}{more}, which no plan wrote; only a plan is ever replaced.",
            "Choose a new or empty folder with --out, or move that away yourself.",
        )


def _is_plan(file: Path) -> bool:
    try:
        return "plan_version" in json.loads(file.read_bytes())["spotmap"]
    except (FileNotFoundError, ValueError, KeyError, TypeError):
        return False


def _write_part(part: Path, files: Mapping[str, bytes]) -> None:
    part.mkdir()
    for name, content in files.items():
        with (part / name).open("xb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
    _sync_folder(part)


def _put_in_place(part: Path, folder: Path) -> None:
    old = _beside(folder, "old")
    try:
        if folder.exists():
            folder.rename(old)
            _refuse_strangers(old, folder)  # again: another hand may have been at it since
        part.rename(folder)
    except BaseException:
        if old.exists() and not folder.exists():
            old.rename(folder)
        raise
    _sync_folder(folder.parent)
    shutil.rmtree(old, ignore_errors=True)


def _sync_folder(folder: Path) -> None:
    """Ask for the folder's entries to reach the disk, where the system and the file system can do that."""
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
