"""An area: a folder with area.toml and the layers it names, opened, checked and moved to local metres."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Literal, cast
from zoneinfo import ZoneInfo

import numpy as np
import shapely
from shapely import MultiPolygon

from layers._errors import Finding, InputError
from layers.almanac import parse_zone
from layers.depth import combine, extent, less_uncertainty, open_depth
from layers.features import VectorFile, contradictions
from layers.layerlist import RULE_ROLES, Entry, Setting, read_entry
from layers.model import Area, Bounds, Current, Depth, Role, Rule, Show, Tide
from layers.projection import LocalProjection, choose_projection
from layers.tables import Table, raise_all, read_toml
from layers.units import parse_unit
from layers.vectors import Vectors, read_vectors

if TYPE_CHECKING:
    from layers.decisions import DecisionRecord
    from layers.origins import Origins

RULES_OLD_DAYS = 400
"""After this, closures and grounds are told to be old: most are made anew each season."""
DATA_OLD_DAYS = 3653
"""After this, everything else is told to be old: ten years."""
_FAR_M = 300_000.0
_MOST_LISTED = 6
_MOVING = ("tide", "current")


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
    decisions = _decisions(table, found)
    table.done()
    setting = Setting(folder, zone, datum, _origins(folder, found))
    good = [entry for layer in layers if (entry := read_entry(layer, setting, found)) is not None]
    opened = _depth([entry for entry in good if entry.role == "depth"], where, found)
    if opened is None:
        raise InputError(_errors(found))
    projection, depth, surest = opened
    vectors = _vectors(good, projection, depth.bounds, found)
    drawn = tuple(rule for one in vectors for rule in one.rules if rule.role == "closure")
    found += contradictions(drawn)
    closures = _decided(drawn, decisions, where, found)
    tide = _tide(good, setting, (projection, depth.bounds), found)
    current = _current(good, setting, projection, found)
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
        land=_whole([shore.shape for one in vectors for shore in one.land]),
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
        surest_depth=surest,
        shores=tuple(shore for one in vectors for shore in one.land if shore.margin_m),
        cautions=tuple(caution for one in vectors for caution in one.cautions),
        landforms=tuple(landform for one in vectors for landform in one.landforms),
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
        Warnings, in the order of the layers; those alike are one.
    """
    told: dict[tuple[str, str], list[str]] = {}
    for source in area.sources:
        if source.as_of is None:
            continue
        name, days = f"{source.file} ({source.role})", (on - source.as_of).days
        limit = RULES_OLD_DAYS if source.role in RULE_ROLES else DATA_OLD_DAYS
        if days > limit:
            old = f"{days} days" if days < DATA_OLD_DAYS else f"{days // 365} years"
            remedy = "Get the present rules." if source.role in RULE_ROLES else "Look for newer data."
            told.setdefault((f"{old} old (as of {source.as_of}).", remedy), []).append(name)
        elif days < 0 and source.role != "mark":  # a place noted later is no less a place
            found = f"dated {source.as_of}, after {on}: it may not have been true yet."
            told.setdefault((found, "Check as_of."), []).append(name)
    return tuple(
        Finding(", ".join(names), f"{'is' if len(names) == 1 else 'are'} {found}", remedy, "warning")
        for (found, remedy), names in told.items()
    )


def _show(table: Table) -> Show:
    def unit(key: str, kind: Literal["length", "speed"], default: str) -> str:
        return table.reading(key, lambda value, where: parse_unit(value, kind, where), default)

    show = Show(unit("depth", "length", "m"), unit("distance", "length", "NM"), unit("speed", "speed", "kn"))
    table.done()
    return show


def _origins(folder: Path, found: list[Finding]) -> Origins | None:
    if not (folder / "origins.toml").exists():
        return None
    from layers.origins import read_origins  # noqa: PLC0415 - an area made by hand need not wait for it

    try:
        return read_origins(folder)
    except InputError as error:
        found += error.findings
        return None


def _decisions(table: Table, found: list[Finding]) -> tuple[DecisionRecord, ...]:
    if not table.has("decision"):
        return ()
    from layers.decisions import read_decisions  # noqa: PLC0415 - as above

    return read_decisions(table, found)


def _depth(
    entries: list[Entry], where: str, found: list[Finding]
) -> tuple[LocalProjection, Depth, Depth | None] | None:
    """Return the projection, the depth, and the depth less its uncertainty where a layer states one."""
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
                uncertainty=entry.uncertainty,
                contours=entry.companions.get("contours"),
            )
            layers.append((entry.rank, layer))
        except InputError as error:
            found += error.findings
    if not layers:
        return None
    surest = [(rank, less_uncertainty(layer)) for rank, layer in layers]
    certain = all(one is other for (_, one), (_, other) in zip(layers, surest, strict=True))
    return projection, combine(layers), None if certain else combine(surest)


def _vectors(
    entries: list[Entry], projection: LocalProjection, depth_bounds: Bounds, found: list[Finding]
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


def _decided(
    closures: tuple[Rule, ...], decisions: tuple[DecisionRecord, ...], where: str, found: list[Finding]
) -> tuple[Rule, ...]:
    """Return the closures as a person decided about them; what was decided is told."""
    if not decisions:
        return closures
    from layers.decisions import ruling  # noqa: PLC0415 - as above

    held: list[Rule] = []
    told: dict[str, list[str]] = {}
    for rule in closures:
        try:
            forbids, words = ruling(decisions, rule.feature, rule.state, rule.forbids or "fishing")
        except InputError as error:
            found += error.findings
            continue
        if words:
            told.setdefault(words, []).append(rule.name)
        if forbids != "nothing":
            held.append(replace(rule, forbids=forbids))
    for words, names in told.items():
        found.append(Finding(f"{where}, {_listed([repr(name) for name in names])}", f"{words}.", "", "warning"))
    return tuple(held)


def _listed(words: list[str]) -> str:
    """Return words in a row, of a long row the first few and how many there are more."""
    unlike = list(dict.fromkeys(words))
    more = len(unlike) - _MOST_LISTED
    return ", ".join(unlike[:_MOST_LISTED]) + (f" and {more} more" if more > 0 else "")


def _tide(
    entries: list[Entry], setting: Setting, place: tuple[LocalProjection, Bounds], found: list[Finding]
) -> Tide | None:
    """Return the tide, or None where no layer gives it or something is wrong; that is noted in `found`."""
    from layers.tide import TideFile, open_tide  # noqa: PLC0415 - as above

    files = [TideFile(entry.path, entry.where, entry.terms) for entry in entries if entry.role == "tide"]
    if not files or setting.zone is None or not setting.datum:
        return None
    try:
        return open_tide(
            files,
            folder=setting.folder,
            projection=place[0],
            zone=setting.zone,
            datum=setting.datum,
            within=place[1],
        )
    except InputError as error:
        found += error.findings
        return None


def _current(
    entries: list[Entry], setting: Setting, projection: LocalProjection, found: list[Finding]
) -> Current | None:
    """Return the current, or None where no layer gives it or something is wrong; that is noted in `found`."""
    told = [entry for entry in entries if entry.role == "current"]
    if not told or setting.zone is None:
        return None
    # what reads grids, which an area in still water need not
    from layers.current import CurrentLayer, open_current  # noqa: PLC0415

    files = [CurrentLayer(entry.path, entry.where, entry.rank, entry.reach_m) for entry in told]
    try:
        return open_current(files, folder=setting.folder, projection=projection, zone=setting.zone)
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
