"""The list of layers in area.toml: what each [[layer]] says, its keys checked."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast, get_args
from zoneinfo import ZoneInfo

from layers._errors import Finding, InputError
from layers._files import file_within, files_named, sha256
from layers.depth import FORMS
from layers.model import CERTAIN, Role, Source, Uncertainty
from layers.tables import Table
from layers.units import parse_quantity, parse_unit

if TYPE_CHECKING:
    from layers.origins import Origins
    from layers.tidetables import FileTerms, Terms

RULE_ROLES = ("closure", "ground")
_ROLES: tuple[Role, ...] = get_args(Role)
_SHAPEFILE = (".cpg", ".dbf", ".prj", ".shp", ".shx")
_COMPANIONS = ("contours", "soundings")


@dataclass(frozen=True)
class Entry:
    """One [[layer]] of area.toml, its keys checked; `companions` are files that belong to it, by key."""

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
    uncertainty: Uncertainty = CERTAIN
    companions: dict[str, Path] = field(default_factory=dict)
    terms: Terms | FileTerms | None = None
    reach_m: float | None = None


@dataclass(frozen=True)
class Setting:
    """What layers are read with; the zone is None, and the datum empty, where area.toml has it wrong."""

    folder: Path
    zone: ZoneInfo | None
    datum: str
    origins: Origins | None


def read_entry(table: Table, setting: Setting, found: list[Finding]) -> Entry | None:
    """Return what a [[layer]] says.

    Parameters
    ----------
    table
        Its table.
    setting
        The area's folder, zone, datum and origins.
    found
        Whatever is wrong or doubtful is noted here.

    Returns
    -------
    Entry or None
        None where something keeps the layer from being opened.
    """
    before = len(found)
    role = cast("Role", table.text("role", choices=_ROLES))
    if len(found) > before:
        return None
    where = f"{table.where} ({role})"
    folder = setting.folder
    path = table.reading("file", lambda value, at: file_within(folder, value, at), None)
    if not table.has("file"):
        table.problem("file", "is missing.", 'Write the layer\'s file, inside the folder: file = "…".')
    as_of = table.day("as_of")
    if not table.has("as_of"):
        what = "as_of is missing, so nobody can tell how old the data is."
        remedy = "Write the day the data was true: as_of = 2026-03-01."
        found.append(Finding(where, what, remedy, "error" if role in RULE_ROLES else "warning"))
    origin = table.text("source") if table.has("source") else ""
    if not origin:
        found.append(Finding(where, "source is missing.", "Write who made the data.", "warning"))
    own_datum = table.text("datum") if role != "tide" and table.has("datum") else setting.datum
    if own_datum != setting.datum:
        what = f"its datum is {own_datum}, and the area's depth_datum is {setting.datum}."
        found.append(Finding(where, what, "Bring all depth to one datum: spotmap does not shift depths."))
    quality = table.text("quality") if table.has("quality") else ""
    if quality:
        found.append(
            Finding(where, f"{quality.rstrip('.')}.", "Plans count what is stated; the skipper decides.", "warning")
        )
    more = _role_keys(role, table, path, setting)
    table.done()
    if path is None or any(one.severity == "error" for one in found[before:]):
        return None
    name = path.relative_to(folder.resolve()).as_posix()
    parts = _parts(path, folder.resolve(), tuple(more.get("companions", {}).values()))
    made_from = setting.origins.of(name) if setting.origins else ()
    source = Source(role, name, sha256(path), as_of, origin, parts, made_from, quality)
    return Entry(role, path, f"{where}, {source.file}", source, **more)


def _role_keys(role: Role, table: Table, path: Path | None, setting: Setting) -> dict[str, Any]:
    """Return what only a layer of this role says, by the names of `Entry`."""
    if role == "depth":
        return _depth_keys(table, setting.folder)
    if role == "tide":
        from layers.tidetables import layer_terms  # noqa: PLC0415 - an area without a tide need not wait for it

        return {"terms": layer_terms(table, path, zone=setting.zone, datum=setting.datum)}
    if role == "current":
        reach_m = table.quantity("reach", "length", minimum=1.0) if table.has("reach") else None
        return {"rank": _rank(table), "reach_m": reach_m}
    return {"sublayer": table.text("layer")} if table.has("layer") else {}


def _depth_keys(table: Table, folder: Path) -> dict[str, Any]:
    keys = {
        "form": table.text("form", choices=FORMS),
        "values": table.text("values", choices=("depth", "elevation")),
        "unit": table.reading("unit", lambda value, at: parse_unit(value, "length", at), "")
        if table.has("unit")
        else table.text("unit"),
        "rank": _rank(table),
        "columns": table.reading("columns", _columns, dict[str, str]()),
        "uncertainty": table.reading("uncertainty", _uncertainty, CERTAIN),
    }
    named = {key: table.reading(key, lambda value, at: file_within(folder, value, at), None) for key in _COMPANIONS}
    companions = {key: path for key, path in named.items() if path is not None}
    if companions and keys["form"] != "areas":
        first = next(iter(companions))
        table.problem(first, "goes with depth areas only.", 'Give it a layer of its own, or write form = "areas".')
    return keys | {"companions": companions}


def _rank(table: Table) -> int:
    return table.whole("rank", 0, low=-1000, high=1000)


def _uncertainty(value: object, where: str) -> Uncertainty:
    if isinstance(value, int) and not isinstance(value, bool):
        return Uncertainty(band=value)
    return Uncertainty(metres=parse_quantity(value, "length", where, minimum=0.0))


def _columns(value: object, where: str) -> dict[str, str]:
    if not isinstance(value, dict) or not all(isinstance(name, str) for name in value.values()):
        remedy = 'Write columns = { depth = "…" } with the attributes\' names.'
        raise InputError.one(where, "is not a table of attribute names.", remedy)
    return value


def _parts(path: Path, folder: Path, companions: Sequence[Path]) -> tuple[tuple[str, str], ...]:
    """Return the other files that a layer is read from, each with its hash.

    They are those beside a Shapefile, in which its rules stand, the tables that a TOML file names, and what goes with
    depth areas.
    """
    if path.suffix.casefold() == ".shp":
        beside = sorted(one for one in path.parent.iterdir() if one.stem == path.stem and one != path)
        return tuple((one.name, sha256(one)) for one in beside if one.suffix.casefold() in _SHAPEFILE)
    named = (*files_named(path, folder), *companions)
    return tuple((one.relative_to(folder).as_posix(), sha256(one)) for one in named)
