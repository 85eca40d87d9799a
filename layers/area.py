"""An area: a folder with area.toml and the layers it names, opened, checked and moved to local metres."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, cast, get_args
from zoneinfo import ZoneInfo

import numpy as np
import shapely
from shapely import MultiPolygon

from layers._errors import Finding, InputError
from layers._files import file_within, files_named, sha256
from layers.almanac import parse_zone
from layers.depth import FORMS, combine, extent, open_depth
from layers.features import VectorFile, contradictions
from layers.model import Area, Bounds, Current, Depth, Role, Show, Source, Tide
from layers.projection import LocalProjection, choose_projection
from layers.tables import Table, raise_all, read_toml
from layers.units import parse_unit
from layers.vectors import Vectors, read_vectors

if TYPE_CHECKING:
    from layers.tidetables import Terms

RULES_OLD_DAYS = 400
"""After this, closures and grounds are told to be old: most are made anew each season."""
DATA_OLD_DAYS = 3653
"""After this, everything else is told to be old: ten years."""
_FAR_M = 300_000.0
_ROLES: tuple[Role, ...] = get_args(Role)
_RULES = ("closure", "ground")
_MOVING = ("tide", "current")
_SHAPEFILE = (".cpg", ".dbf", ".prj", ".shp", ".shx")


@dataclass(frozen=True)
class _Entry:
    """One [[layer]] of area.toml, its keys checked."""

    role: Role
    path: Path
    where: str
    source: Source
    sublayer: str | None = None
    form: str = ""
    values: str = ""
    unit: str = ""
    rank: int = 0
    columns: dict[str, str] = field(default_factory=dict)
    terms: Terms | None = None


def open_area(folder: Path) -> Area:
    """Return the area of a folder.

    Parameters
    ----------
    folder
        The folder that holds area.toml.

    Returns
    -------
    Area
        Loaded and checked, with the warnings met on the way. How old the data is depends on the day: see
        `age_warnings`.

    Raises
    ------
    InputError
        Whatever is wrong with area.toml or a layer, all at once.
    """
    file = folder / "area.toml"
    where = f"{folder.resolve().name}/area.toml"
    found: list[Finding] = []
    table = Table(read_toml(file), where, found)
    name, datum = table.text("name"), table.text("depth_datum")
    invented = table.flag("invented", default=False)
    zone = table.reading("timezone", parse_zone, None) if table.has("timezone") else None
    if not table.has("timezone"):
        table.problem("timezone", "is missing.", 'Write an IANA name, such as timezone = "America/Los_Angeles".')
    show = _show(table.table("show"))
    layers = table.tables("layer")
    table.done()
    good = [entry for layer in layers if (entry := _entry(layer, folder, zone, datum, found)) is not None]
    opened = _depth([entry for entry in good if entry.role == "depth"], where, found)
    if opened is None:
        raise InputError(_errors(found))
    projection, depth = opened
    vectors = _vectors(good, projection, depth.bounds, found)
    closures = tuple(rule for one in vectors for rule in one.rules if rule.role == "closure")
    found += contradictions(closures)
    setting = _Setting(folder, projection, zone, datum)
    tide, current = _tide(good, setting, found), _current(good, setting, found)
    raise_all(_errors(found))
    roles = {entry.role for entry in good}
    return Area(
        name=name,
        invented=invented,
        timezone=cast("ZoneInfo", zone),
        depth_datum=datum,
        show=show,
        folder=folder,
        projection=projection,
        depth=depth,
        land=_whole([shape for one in vectors for shape in one.land]),
        closures=closures,
        grounds=tuple(rule for one in vectors for rule in one.rules if rule.role == "ground"),
        has_grounds="ground" in roles,
        hazards=tuple(hazard for one in vectors for hazard in one.hazards),
        lanes=tuple(lane for one in vectors for lane in one.lanes),
        marks=tuple(mark for one in vectors for mark in one.marks),
        sources=tuple(entry.source for entry in good),
        warnings=(*found, *_gaps(where, roles, datum), *_too_far(where, depth.bounds)),
        tide=tide,
        current=current,
    )


def age_warnings(area: Area, on: date) -> tuple[Finding, ...]:
    """Return what is old, or dated later than the day, among an area's layers.

    Parameters
    ----------
    area
        The area.
    on
        The day it is used on.

    Returns
    -------
    tuple of Finding
        Warnings, in the order of the layers.
    """
    findings = []
    for source in area.sources:
        if source.as_of is None:
            continue
        where, days = f"{source.file} ({source.role})", (on - source.as_of).days
        limit = RULES_OLD_DAYS if source.role in _RULES else DATA_OLD_DAYS
        if days > limit:
            old = f"{days} days" if days < DATA_OLD_DAYS else f"{days // 365} years"
            remedy = "Get the present rules." if source.role in _RULES else "Look for newer data."
            findings.append(Finding(where, f"is {old} old (as of {source.as_of}).", remedy, "warning"))
        elif days < 0:
            found = f"is dated {source.as_of}, after {on}: it may not have been true yet."
            findings.append(Finding(where, found, "Check as_of.", "warning"))
    return tuple(findings)


def _show(table: Table) -> Show:
    def unit(key: str, kind: Literal["length", "speed"], default: str) -> str:
        return table.reading(key, lambda value, where: parse_unit(value, kind, where), default)

    show = Show(unit("depth", "length", "m"), unit("distance", "length", "NM"), unit("speed", "speed", "kn"))
    table.done()
    return show


def _entry(table: Table, folder: Path, zone: ZoneInfo | None, datum: str, found: list[Finding]) -> _Entry | None:
    """Return a layer's entry, or None where something keeps it from being opened; that is noted in `found`."""
    before = len(found)
    role = cast("Role", table.text("role", choices=_ROLES))
    if len(found) > before:
        return None
    where = f"{table.where} ({role})"
    path = table.reading("file", lambda value, at: file_within(folder, value, at), None)
    if not table.has("file"):
        table.problem("file", "is missing.", 'Write the layer\'s file, inside the folder: file = "…".')
    as_of = table.day("as_of")
    if not table.has("as_of"):
        what = "as_of is missing, so nobody can tell how old the data is."
        remedy = "Write the day the data was true: as_of = 2026-03-01."
        found.append(Finding(where, what, remedy, "error" if role in _RULES else "warning"))
    origin = table.text("source") if table.has("source") else ""
    if not origin:
        found.append(Finding(where, "source is missing.", "Write who made the data.", "warning"))
    own_datum = table.text("datum") if role != "tide" and table.has("datum") else datum
    if own_datum != datum:
        what = f"its datum is {own_datum}, and the area's depth_datum is {datum}."
        found.append(Finding(where, what, "Bring all depth to one datum: spotmap does not shift depths."))
    more = _role_keys(role, table, path, zone, datum)
    table.done()
    if _errors(found[before:]) or path is None:
        return None
    name = path.relative_to(folder.resolve()).as_posix()
    source = Source(role, name, sha256(path), as_of, origin, _parts(path, folder.resolve()))
    return _Entry(role, path, f"{where}, {source.file}", source, **more)


def _role_keys(role: Role, table: Table, path: Path | None, zone: ZoneInfo | None, datum: str) -> dict[str, Any]:
    """Return what only a layer of this role says, by the names of `_Entry`."""
    if role == "depth":
        return _depth_keys(table)
    if role == "tide":
        from layers.tidetables import layer_terms  # noqa: PLC0415 - an area without a tide need not wait for it

        return {"terms": layer_terms(table, path, zone=zone, datum=datum)}
    if role == "current":
        return {"rank": _rank(table)}
    return {"sublayer": table.text("layer")} if table.has("layer") else {}


def _depth_keys(table: Table) -> dict[str, Any]:
    return {
        "form": table.text("form", choices=FORMS),
        "values": table.text("values", choices=("depth", "elevation")),
        "unit": table.reading("unit", lambda value, at: parse_unit(value, "length", at), "")
        if table.has("unit")
        else table.text("unit"),
        "rank": _rank(table),
        "columns": table.reading("columns", _columns, dict[str, str]()),
    }


def _rank(table: Table) -> int:
    return table.whole("rank", 0, low=-1000, high=1000)


def _columns(value: object, where: str) -> dict[str, str]:
    if not isinstance(value, dict) or not all(isinstance(name, str) for name in value.values()):
        remedy = 'Write columns = { depth = "…" } with the attributes\' names.'
        raise InputError.one(where, "is not a table of attribute names.", remedy)
    return value


def _parts(path: Path, folder: Path) -> tuple[tuple[str, str], ...]:
    """Return the other files that a layer is read from, each with its hash.

    They are those beside a Shapefile, in which its rules stand, and the tables that a TOML file names.
    """
    if path.suffix.casefold() == ".shp":
        beside = sorted(one for one in path.parent.iterdir() if one.stem == path.stem and one != path)
        return tuple((one.name, sha256(one)) for one in beside if one.suffix.casefold() in _SHAPEFILE)
    return tuple((one.relative_to(folder).as_posix(), sha256(one)) for one in files_named(path, folder))


def _depth(entries: list[_Entry], where: str, found: list[Finding]) -> tuple[LocalProjection, Depth] | None:
    if not entries:
        if not _errors(found):
            remedy = 'Add a [[layer]] with role = "depth": without it all water is unknown.'
            found.append(Finding(where, "no layer gives depth.", remedy))
        return None
    outlines, layers = [], []
    for entry in entries:
        try:
            outlines.append(extent(entry.path, entry.form, entry.where, entry.columns))
        except InputError as error:
            found += error.findings
    if len(outlines) < len(entries):
        return None
    projection = choose_projection(np.concatenate(outlines))
    for entry in entries:
        try:
            layer = open_depth(
                entry.path,
                projection,
                form=entry.form,
                values=entry.values,
                unit=entry.unit,
                where=entry.where,
                columns=entry.columns,
            )
            layers.append((entry.rank, layer))
        except InputError as error:
            found += error.findings
    return (projection, combine(layers)) if layers else None


def _vectors(
    entries: list[_Entry], projection: LocalProjection, depth_bounds: Bounds, found: list[Finding]
) -> list[Vectors]:
    read = []
    for entry in entries:
        if entry.role in ("depth", *_MOVING):
            continue
        file = VectorFile(entry.path, entry.role, entry.where, entry.source, entry.sublayer)  # type: ignore[arg-type]
        try:
            read.append(read_vectors(file, projection, depth_bounds))
            found += read[-1].warnings
        except InputError as error:
            found += error.findings
    return read


@dataclass(frozen=True)
class _Setting:
    """What tide and current are read with; the zone is None, and the datum empty, where area.toml has it wrong."""

    folder: Path
    projection: LocalProjection
    zone: ZoneInfo | None
    datum: str


def _tide(entries: list[_Entry], setting: _Setting, found: list[Finding]) -> Tide | None:
    """Return the tide, or None where no layer gives it or something is wrong; that is noted in `found`."""
    from layers.tide import TideFile, open_tide  # noqa: PLC0415 - as above

    files = [TideFile(entry.path, entry.where, entry.terms) for entry in entries if entry.role == "tide"]
    if not files or setting.zone is None or not setting.datum:
        return None
    try:
        return open_tide(
            files, folder=setting.folder, projection=setting.projection, zone=setting.zone, datum=setting.datum
        )
    except InputError as error:
        found += error.findings
        return None


def _current(entries: list[_Entry], setting: _Setting, found: list[Finding]) -> Current | None:
    """Return the current, or None where no layer gives it or something is wrong; that is noted in `found`."""
    files = [(entry.path, entry.where, entry.rank) for entry in entries if entry.role == "current"]
    if not files or setting.zone is None:
        return None
    from layers.current import open_current  # noqa: PLC0415 - what reads grids, which an area in still water need not

    try:
        return open_current(files, folder=setting.folder, projection=setting.projection, zone=setting.zone)
    except InputError as error:
        found += error.findings
        return None


def _whole(shapes: list[MultiPolygon]) -> MultiPolygon:
    return shapely.multipolygons(shapely.get_parts(shapely.union_all(shapes)))


def _errors(findings: list[Finding]) -> list[Finding]:
    return [finding for finding in findings if finding.severity == "error"]


def _gaps(where: str, roles: set[Role], datum: str) -> list[Finding]:
    meaning: dict[Role, str] = {
        "closure": "no water is known to be closed",
        "land": "the shore is known only where depth is",
        "tide": f"no tide is counted: depths are charted depths at {datum}",
        "current": "no current is counted: plans are made for still water",
    }
    return [
        Finding(where, f"there is no {role} layer: {words}.", "Add one if there is any.", "warning")
        for role, words in meaning.items()
        if role not in roles
    ]


def _too_far(where: str, bounds: Bounds) -> list[Finding]:
    reach = max(map(abs, bounds))
    if reach <= _FAR_M:
        return []
    what = f"depth reaches {reach / 1000:.0f} km from the middle of the area, where distances are off by"
    what += f" {(reach / 12_742_000.0) ** 2 + reach / 1.9e9:.1%}."
    return [Finding(where, what, "Make several smaller areas.", "warning")]
