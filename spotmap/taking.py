"""A place taken into a trip file: one piece of work goes there, everything else stays as it was written."""

from __future__ import annotations

import os
import tomllib
from pathlib import Path
from typing import Any, Literal
from uuid import uuid4

import tomlkit
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import AoT
from tomlkit.toml_document import TOMLDocument

from layers._errors import InputError
from layers.model import Area, Show
from layers.units import to_unit
from spotmap.judged import Judged
from spotmap.model import Trip
from spotmap.trip import read_trip
from spotmap.worth import work_at

_EXACT = 1e-6


def take(trip_file: Path, area: Area, judged: Judged, *, work: int | Literal["new"]) -> Path:
    """Write a place into a trip file as `near` and `depth_line` of a piece of work; return the older copy's file.

    A loop's return line goes: it was judged going both ways on one line. Comments and all else stay. The file is
    written whole or not at all, and only if it can be read as a trip afterwards; as it was before it is kept beside it
    as "….before".

    Parameters
    ----------
    trip_file
        The trip's file.
    area
        The area that it names.
    judged
        The place.
    work
        Which piece of work, from 0, or "new": one more after the last, otherwise like it.

    Raises
    ------
    InputError
        When the file cannot be changed without loss or cannot be written, there is no such work, or the place has no
        line.
    """
    one = judged.candidate
    if one.line_m is None:
        raise InputError.one("--take", f"'{one.name}' has no depth line to work.", "Take another one of the list.")
    target = trip_file.resolve()
    trip = read_trip(target, area)
    old, text = _read(target)
    doc = _parse(text, trip_file)
    lon, lat = area.projection.to_geographic([one.near.x], [one.near.y])
    entry = _entry(doc, trip, work, trip_file)
    asked = work_at(trip.works[len(trip.works) - 1 if work == "new" else work], one)
    _put(entry, "near", f"{float(lat[0]):.6f}, {float(lon[0]):.6f}", "".join(filter(str.isprintable, one.name)))
    _put(entry, "depth_line", _length(one.line_m, area.show))
    if asked.return_line_m is not None:
        _put(entry, "return_line", _length(asked.return_line_m, area.show))
    elif "return_line" in entry:
        del entry["return_line"]
    return _write(target, trip_file, _render(doc, text, trip_file), old, area)


def _read(target: Path) -> tuple[bytes, str]:
    old = target.read_bytes()
    return old, old.decode("utf-8-sig")


def _parse(text: str, where: Path) -> TOMLDocument:
    try:
        doc = tomlkit.parse(text if text.endswith("\n") else text + "\n")
    except TOMLKitError as error:
        raise InputError.one(str(where), f"cannot be changed: {error}.", "Mend that line.") from None
    if not isinstance(doc.get("work"), AoT) or doc.unwrap() != tomllib.loads(text):
        raise InputError.one(
            f"{where}, key 'work'",
            "is laid out in a way that cannot be changed.",
            "Write all [[work]] tables together.",
        )
    return doc


def _entry(doc: TOMLDocument, trip: Trip, work: int | Literal["new"], where: Path) -> Any:
    works: Any = doc["work"]
    if work == "new":
        table = tomlkit.table()
        for key, value in works[-1].unwrap().items():
            table.add(key, value)
        table.trivia.indent = "\n"  # a line left free above its header
        works.append(table)
        return works[-1]
    if not 0 <= work < len(trip.works):
        raise InputError.one("--work", f"{where} has no work {work + 1}.", f"Write 1 to {len(trip.works)}, or new.")
    return works[work]


def _put(entry: Any, key: str, value: str, comment: str = "") -> None:
    entry[key] = value  # the comment that stood after it stays
    if comment and not entry.item(key).trivia.comment:
        entry.item(key).comment(comment)


def _length(metres: float, show: Show) -> str:
    value = to_unit(metres, show.depth)
    shown = round(value) if abs(value - round(value)) < _EXACT else round(value, 3)
    return f"{shown:g} {show.depth}"


def _render(doc: TOMLDocument, like: str, where: Path) -> bytes:
    text = tomlkit.dumps(doc).replace("\r\n", "\n")
    if tomllib.loads(text) != doc.unwrap():
        raise InputError.one(str(where), "is laid out in a way that cannot be changed.", "Put all [[work]] together.")
    return (text.replace("\n", "\r\n") if "\r\n" in like else text).encode()


def _write(target: Path, where: Path, new: bytes, old: bytes, area: Area) -> Path:
    part = target.with_name(f".{target.name}-{uuid4().hex}.part")
    kept = target.with_name(f"{target.name}.before")
    try:
        _flushed(part, new)
        read_trip(part, area)
        spare = target.with_name(f".{target.name}-{uuid4().hex}.part")
        try:
            _flushed(spare, old)
            spare.replace(kept)
        finally:
            spare.unlink(missing_ok=True)
        part.replace(target)
    except OSError as error:
        raise InputError.one(
            str(where),
            f"cannot be written: {error.strerror or type(error).__name__}.",
            "Check that you may write in its folder.",
        ) from error
    finally:
        part.unlink(missing_ok=True)
    return kept


def _flushed(file: Path, content: bytes) -> None:
    with file.open("xb") as opened:
        opened.write(content)
        opened.flush()
        os.fsync(opened.fileno())
