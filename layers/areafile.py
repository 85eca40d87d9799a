"""What was made from official data, written into an area's folder: whole, or not at all."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from pathlib import Path
from typing import Any, NamedTuple

from layers._errors import InputError
from layers._files import sha256
from layers.areachanges import Changes, LayerChange, NewArea
from layers.areatoml import DecisionsDone, drop_layers, new_document, parse, put_decisions, put_layer, render
from layers.made import Made, MadeFile, MadeLayer, Origin
from layers.madefiles import plain_name, suffix_of, unused, write_layer
from layers.newer import refused, torn, twice
from layers.origins import (
    AREA,
    ORIGINS,
    MadeRecord,
    NoteRecord,
    OriginFile,
    OriginRecord,
    Origins,
    finding_of_change,
    read_origins,
)
from layers.originsfile import asked_after, origins_text
from layers.staging import recovered, staged
from layers.tables import raise_all, read_toml

_ORIGINALS = "originals"
_KEPT_KINDS = ("chart", "regulation", "marks")


class _Piece(NamedTuple):
    """A layer or file to be written, the name it asks for, and the file that it takes the place of."""

    made: MadeLayer | MadeFile
    name: str
    was: MadeRecord | None


@dataclass
class _Work:
    """An area being written: the copy of its folder, what was known of it, and what is done."""

    part: Path
    before: Origins
    made: Made
    records: list[MadeRecord] = field(default_factory=list)
    changes: dict[str, list[LayerChange]] = field(
        default_factory=lambda: {"added": [], "replaced": [], "kept": [], "removed": []}
    )
    notes: list[str] = field(default_factory=list)

    @property
    def names(self) -> frozenset[str]:
        return frozenset(origin.name for origin in self.made.origins)


def write_made(
    folder: Path,
    made: Made,
    *,
    new: NewArea | None = None,
    refresh: bool = False,
    force: bool = False,
    check: Callable[[Path], object] | None = None,
) -> Changes:
    """Write what was made into an area's folder: a new area, or more in one that is there.

    Files made before from the same origins are replaced, and [[layer]] and [[decision]] of area.toml brought up to
    date; what a person wrote there stays, and so does every file of a person.

    Parameters
    ----------
    folder
        The area's folder.
    made
        What to write. All that the area's files were made from together must be made together again.
    new
        What a new area is called; for a folder without area.toml, and only there.
    refresh
        Origins that the area has are taken from newer files. Without it, they must be the same that it has, and at
        least one be new.
    force
        Made files that were changed by hand are replaced, and kept as ``….before``.
    check
        What opens the area, and raises InputError when it cannot; `layers.area.open_area` when None.

    Returns
    -------
    Changes
        What was done, to be told.

    Raises
    ------
    InputError
        The area is not as said above, two origins have one name, one is older than the area's, a made file was changed
        by hand, the area would not open, or the folder cannot be written. The folder is as it was.
    """
    raise_all(twice(made))
    folder = folder.resolve()
    notes = ["an earlier run was interrupted; the area is as it was before that."] if recovered(folder) else []
    _check_new(folder, new)
    before = read_origins(folder)
    raise_all([*refused(before, made, folder.name, refresh=refresh), *torn(before, made, folder.name)])
    with staged(folder) as part:
        work = _Work(part, before, made, notes=notes)
        _clear(work, force=force)
        placed = _place(work)
        origins = _origins(work)
        decisions, asked = _write_area(work, placed, new, refresh=refresh)
        (part / ORIGINS).unlink(missing_ok=True)
        (part / ORIGINS).write_text(origins_text(replace(origins, asked=asked)), encoding="utf-8", newline="\n")
        _open(part, folder, check)
    told = {key: tuple(ones) for key, ones in work.changes.items()}
    return Changes(
        **told,
        decisions_new=tuple(decisions.new),
        decisions_kept=tuple(decisions.kept),
        decisions_reopened=tuple(decisions.reopened),
        decisions_gone=tuple(decisions.gone),
        notes=tuple(work.notes),
    )


def _check_new(folder: Path, new: NewArea | None) -> None:
    there = (folder / AREA).exists()
    name = read_toml(folder / AREA).get("name", folder.name) if there else ""
    if there and new is not None:
        remedy = "Leave out what only a new area is told (name, time zone, datum, units), or choose another folder."
        raise InputError.one(str(folder), f"is an area already: '{name}'.", remedy)
    if not there and new is None:
        remedy = "Check the path; a new area needs a name, a time zone, a depth datum and units."
        raise InputError.one(str(folder), f"holds no {AREA}: there is no area here.", remedy)


def _clear(work: _Work, *, force: bool) -> None:
    """Take out of the copy what is made again, unless a person changed it."""
    mine = [(one.file, one.sha256) for one in work.before.made if work.names & set(one.origins)]
    kept = [file for one in work.before.origins if one.name in work.names for file in one.files if file.kept]
    mine += [(one.file, one.sha256) for one in kept if one.file not in {file for file, _ in mine}]
    for file, _ in mine:
        if not (work.part / file).parent.resolve().is_relative_to(work.part.resolve()):
            remedy = "Put a folder of the area in the link's place."
            raise InputError.one(f"{work.part.name}/{file}", "leads through a link out of the area.", remedy)
    told = [(file, finding_of_change(work.part, file, hashed)) for file, hashed in mine]
    changed = {file: finding for file, finding in told if finding is not None and (work.part / file).is_file()}
    if not force:
        remedy = "Move your changes to a layer of your own, or use force: the file is then replaced, and kept as "
        raise_all(
            replace(one, severity="error", remedy=f"{remedy}{Path(file).name}.before.") for file, one in changed.items()
        )
    for file, _ in mine:
        path = work.part / file
        if file in changed:
            aside = unused(path.parent, f"{path.name}.before")
            path.rename(path.parent / aside)
            work.notes.append(f"{file} had been changed; as it was it is kept as {aside}.")
        else:
            path.unlink(missing_ok=True)


def _place(work: _Work) -> list[tuple[_Piece, MadeRecord]]:
    """Write every layer and file under a free name, its old one where it had one."""
    pieces = _matched(work)
    used = {piece.was.file for piece in pieces if piece.was is not None}
    for old in work.before.made:
        if work.names & set(old.origins) and old.file not in used:
            work.changes["removed"].append(LayerChange(old.file, old.role, before=old.features))
    placed = []
    for piece in pieces:
        same = piece.was is not None and piece.was.name == piece.name
        wanted = piece.was.file if piece.was is not None and same else plain_name(piece.name)
        path = work.part / Path(wanted).parent / unused((work.part / wanted).parent, Path(wanted).name)
        path.parent.mkdir(parents=True, exist_ok=True)
        if isinstance(piece.made, MadeLayer):
            write_layer(piece.made, path)
        else:
            shutil.copyfile(piece.made.path, path)
        count = len(piece.made.geometry) if isinstance(piece.made, MadeLayer) else None
        file = path.relative_to(work.part).as_posix()
        record = MadeRecord(file, piece.name, piece.made.role, sha256(path), piece.made.origins, count)
        placed.append((piece, record))
        _tell(work, piece.was, record)
    names = {piece.name: record.file for piece, record in placed}
    placed = [(piece, replace(record, layer=_layer(work, piece, record, names))) for piece, record in placed]
    work.records = [record for _, record in placed]
    return placed


def _tell(work: _Work, was: MadeRecord | None, now: MadeRecord) -> None:
    change = LayerChange(now.file, now.role, was.features if was else None, now.features)
    what = "added" if was is None else "kept" if (was.sha256, was.file) == (now.sha256, now.file) else "replaced"
    work.changes[what].append(change)


def _matched(work: _Work) -> list[_Piece]:
    """Return every layer and file with the one whose place it takes: of its name, else the only one of its role."""
    old = [one for one in work.before.made if work.names & set(one.origins)]
    wanted: list[tuple[MadeLayer | MadeFile, str]] = [
        *((one, one.name + suffix_of(one.role)) for one in work.made.layers),
        *((one, one.path.name) for one in work.made.files),
    ]
    pieces = []
    for made, name in wanted:
        was = _place_of(made, name, old)
        old = [one for one in old if one is not was]
        pieces.append(_Piece(made, name, was))
    return pieces


def _place_of(made: MadeLayer | MadeFile, name: str, old: Sequence[MadeRecord]) -> MadeRecord | None:
    shared = [one for one in old if set(one.origins) & set(made.origins)]
    same = [one for one in shared if one.name == name] or [one for one in old if one.name == name]
    if same or isinstance(made, MadeLayer):
        return same[0] if same else None
    alike = [one for one in shared if one.role == made.role]
    return alike[0] if len(alike) == 1 else None


def _layer(work: _Work, piece: _Piece, record: MadeRecord, names: Mapping[str, str]) -> dict[str, Any]:
    """Return what a made file's [[layer]] says; nothing for a file that another layer names."""
    if piece.made.role is None:
        return {}
    origins = [one for one in work.made.origins if one.name in piece.made.origins]
    days = [day for one in origins if (day := _true_on(one)) is not None]
    sources = dict.fromkeys(one.source for one in origins if one.source)
    keys: dict[str, Any] = {"role": piece.made.role, "file": record.file}
    keys |= {
        key: names.get(value, value) if isinstance(value, str) else value for key, value in piece.made.keys.items()
    }
    keys |= {"as_of": min(days)} if days and "as_of" not in keys else {}
    keys |= {"source": "; ".join(sources)} if sources and "source" not in keys else {}
    return keys


def _true_on(origin: Origin) -> date | None:
    return origin.as_of or origin.issued


def _origins(work: _Work) -> Origins:
    """Keep the originals and return what origins.toml is to say, without what was asked."""
    new = {one.name: _keep(work, one) for one in work.made.origins}
    old = [new.pop(one.name, one) for one in work.before.origins]
    others = [one for one in work.before.made if not work.names & set(one.origins)]
    names = tuple(one.name for one in work.made.origins)
    notes = [one for one in work.before.notes if not work.names & set(one.origins)]
    notes += [NoteRecord(one.where, one.what, one.remedy, names) for one in work.made.findings]
    return Origins((*old, *new.values()), (*others, *work.records), notes=tuple(notes))


def _keep(work: _Work, origin: Origin) -> OriginRecord:
    by_hash = {one.sha256: one.file for one in work.records}
    was = work.before.named(origin.name)
    root = work.part / _ORIGINALS
    before = next((Path(one.file).parts[1] for one in was.files if _is_original(one)), "") if was else ""
    files = []
    target = root / (before or unused(root, plain_name(origin.name, origin.kind.replace(" ", "-"))))
    for path in origin.files:
        hashed = sha256(path)
        if origin.kind in _KEPT_KINDS:
            target.mkdir(parents=True, exist_ok=True)
            copy = target / unused(target, plain_name(path.name, "original"))
            shutil.copyfile(path, copy)
            files.append(OriginFile(copy.relative_to(work.part).as_posix(), hashed, kept=True))
        elif hashed in by_hash:
            files.append(OriginFile(by_hash[hashed], hashed, kept=True))
        else:
            files.append(OriginFile(path.name, hashed, kept=False))
    return OriginRecord(
        origin.name,
        origin.kind,
        tuple(files),
        origin.source,
        origin.edition,
        origin.update,
        origin.issued,
        origin.as_of,
        origin.scale,
    )


def _is_original(file: OriginFile) -> bool:
    parts = Path(file.file).parts
    return file.kept and len(parts) == 3 and parts[0] == _ORIGINALS  # noqa: PLR2004 - originals/<origin>/<file>


def _write_area(
    work: _Work, placed: Sequence[tuple[_Piece, MadeRecord]], new: NewArea | None, *, refresh: bool
) -> tuple[DecisionsDone, tuple[Any, ...]]:
    file, where = work.part / AREA, f"{work.part.name}/{AREA}"
    text = "" if new is not None else file.read_bytes().decode("utf-8-sig", errors="strict")
    doc = new_document(new.name, new.timezone, new.depth_datum, new.show) if new is not None else parse(text, where)
    for change in work.changes["removed"]:
        drop_layers(doc, change.file)
    for piece, record in placed:
        was = piece.was
        if record.layer:
            work.notes += put_layer(doc, record.layer, was.file if was and was.layer else "", was.layer if was else {})
        elif was is not None and was.layer:
            drop_layers(doc, was.file)
    asks = [one.feature for one in work.made.decisions]
    gone = [one.feature for one in work.before.asked if set(one.origins) & work.names and one.feature not in asks]
    done = put_decisions(doc, work.made.decisions, gone, remove=refresh)
    written = render(doc, text, where)
    if new is None and written != text:
        (work.part / f"{AREA}.before").unlink(missing_ok=True)
        file.rename(work.part / f"{AREA}.before")
        work.notes.append(f"{AREA} as it was is kept as {AREA}.before.")
    if written != text:
        file.write_bytes(written.encode())
    return done, asked_after(work.before.asked, asks, work.names, () if not refresh else gone)


def _open(part: Path, folder: Path, check: Callable[[Path], object] | None) -> None:
    if check is None:
        from layers.area import open_area  # noqa: PLC0415 - all that opens an area, needed only here

        check = open_area
    try:
        check(part)
    except InputError as error:
        raise InputError(
            replace(one, where=one.where.replace(str(part), str(folder))) for one in error.findings
        ) from None
