"""An area's folder changed whole or not at all: a copy beside it is changed, then takes its place."""

from __future__ import annotations

import contextlib
import glob
import os
import shutil
from collections.abc import Iterator
from pathlib import Path
from uuid import uuid4

from layers._errors import InputError

_Seen = dict[str, tuple[int, int, int]]
"""Every file of a folder by its path within: inode, time of change in ns, size."""


@contextlib.contextmanager
def staged(folder: Path) -> Iterator[Path]:
    """Give a copy of a folder to change; it takes the folder's place when the block ends well.

    Files in the copy are the folder's own by hard links where the file system has them: never write into one, write
    another in its place. Two renames put the copy in place; a process killed between them leaves the folder as it
    was under a hidden name beside, and `recovered` brings it back.

    Parameters
    ----------
    folder
        The folder; where there is none, an empty one is given, and missing parents are made.

    Yields
    ------
    Path
        The copy, of the folder's name, on its file system.

    Raises
    ------
    InputError
        It is a file, the folder one works in, cannot be written, or was changed by another hand meanwhile. The folder
        is as it was.
    """
    folder = folder.resolve()
    _refuse(folder)
    beside = folder.with_name(f".{folder.name}-{uuid4().hex[:12]}.part")
    part = beside / folder.name
    missing: list[Path] = []
    try:
        missing += [parent for parent in folder.parents if not parent.exists()]
        folder.parent.mkdir(parents=True, exist_ok=True)
        seen = _seen(folder)
        beside.mkdir()
        if seen is None:
            part.mkdir()
        else:
            shutil.copytree(folder, part, symlinks=True, copy_function=_link)
        yield part
        _sync(part, seen or {})
        _put_in_place(part, folder, seen)
    except BaseException as error:
        shutil.rmtree(beside, ignore_errors=True)
        for parent in missing:
            with contextlib.suppress(OSError):
                parent.rmdir()
        if not isinstance(error, OSError):
            raise
        why = f"{error.strerror or type(error).__name__}" + (f" ({error.filename})" if error.filename else "")
        remedy = "Free the disk, or choose a folder in which, and beside which, you may write."
        raise InputError.one(str(folder), f"The area cannot be written: {why}; it is as it was.", remedy) from error
    shutil.rmtree(beside, ignore_errors=True)


def recovered(folder: Path) -> bool:
    """Bring back a folder that a killed process left under a hidden name beside; return whether there was one."""
    folder = folder.resolve()
    if folder.exists() or not folder.name:
        return False
    left = [Path(one) for one in glob.glob(str(folder.parent / f".{glob.escape(folder.name)}-*.old"))]  # noqa: PTH207
    if not left:
        return False
    with contextlib.suppress(OSError):
        max(left, key=lambda one: one.stat().st_ctime_ns).rename(folder)
    return folder.exists()


def _refuse(folder: Path) -> None:
    if folder.exists() and not folder.is_dir():
        raise InputError.one(str(folder), "is a file; an area is a folder.", "Name another folder.")
    if folder.parent == folder:
        raise InputError.one(str(folder), "is the root of the file system.", "Name a folder in it.")
    if folder.exists() and Path.cwd().resolve().is_relative_to(folder):
        what = "is the folder you are working in, and it would be replaced under your feet."
        raise InputError.one(str(folder), what, "Go to another folder (cd ..) and name it from there.")


def _seen(folder: Path) -> _Seen | None:
    if not folder.exists():
        return None
    seen = {}
    for root, _, files in os.walk(folder):
        for name in files:
            path = Path(root, name)
            status = path.lstat()
            seen[str(path.relative_to(folder))] = (status.st_ino, status.st_mtime_ns, status.st_size)
    return seen


def _link(source: str, target: str) -> None:
    try:
        os.link(source, target)
    except OSError:  # a file system without hard links, or a file of another owner
        shutil.copy2(source, target)


def _sync(part: Path, seen: _Seen) -> None:
    """Ask for all that is new to reach the disk."""
    old = {inode for inode, _, _ in seen.values()}
    for root, _, files in os.walk(part):
        for name in files:
            path = Path(root, name)
            if not path.is_symlink() and path.stat().st_ino not in old:
                with path.open("rb") as file:
                    os.fsync(file.fileno())
        _sync_folder(Path(root))


def _put_in_place(part: Path, folder: Path, seen: _Seen | None) -> None:
    old = folder.with_name(part.parent.name.removesuffix(".part") + ".old")
    try:
        _unchanged(folder, folder, seen)
        if seen is not None:
            folder.rename(old)
            _unchanged(old, folder, seen)  # again: another hand may have been at it since
        part.rename(folder)
    except BaseException:
        if old.exists() and not folder.exists():
            old.rename(folder)
        raise
    _sync_folder(folder.parent)
    shutil.rmtree(old, ignore_errors=True)


def _unchanged(there: Path, folder: Path, seen: _Seen | None) -> None:
    if _seen(there) != seen:
        what = "was changed by another program while it was being written; it is as that left it."
        raise InputError.one(str(folder), what, "Save your own changes and do it again.")


def _sync_folder(folder: Path) -> None:
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
