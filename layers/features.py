"""Features of a vector layer as things of the area: what their attributes say, and what is wrong there."""

from __future__ import annotations

import difflib
import math
import re
from collections import defaultdict
from dataclasses import dataclass, field
from datetime import date
from typing import TYPE_CHECKING, Any, Literal, cast, get_args

import numpy as np
import numpy.typing as npt
import shapely
from shapely import MultiPolygon, Point

from layers._errors import Finding, InputError
from layers.model import Caution, Hazard, Landform, LandformKind, Lane, Mark, Rule, Shore, Source
from layers.seasons import parse_season

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from pathlib import Path

    from shapely.geometry.base import BaseGeometry

_RULE = ("name", "forbids", "species", "methods", "from", "until", "days", "hours", "margin_m", "rule")
_DATA = ("id", "state", "says")
"""What data that was brought in says of itself: never taken for the misspelling of another attribute."""
_FIGURES = ("scale_m", "depth_min_m", "depth_max_m", "height_m", "slope_deg", "length_m", "significance")
ATTRIBUTES: dict[str, tuple[str, ...]] = {
    "land": ("margin_m",),
    "closure": (*_RULE, *_DATA),
    "ground": (*_RULE, *_DATA),
    "hazard": ("name", "kind", "margin_m", "depth_m"),
    "lane": ("name", "kind", "margin_m", "avoid"),
    "caution": ("name", "kind", "note"),
    "mark": ("name", "kind", "note", "private", "id", "told_by", "dated"),
    "landform": ("name", "kind", *_FIGURES),
}
_WEIGHTY = ("private", "avoid", "margin_m")
"""Attributes that no misspelling may silence, whatever the role."""
_EVERY = frozenset({"all", "any", "every", "*"})
_LIKE = 0.75


@dataclass(frozen=True)
class VectorFile:
    """A vector layer as area.toml names it.

    `where` names file and layer for messages, `sublayer` the layer within a file that holds several.
    """

    path: Path
    role: Literal["land", "closure", "ground", "hazard", "lane", "caution", "mark", "landform"]
    where: str
    source: Source
    sublayer: str | None = None


@dataclass
class FeatureTable:
    """A file as read: one geometry and one value of every known attribute for each feature."""

    file: VectorFile
    geometry: npt.NDArray[np.object_]
    columns: dict[str, list[Any]]
    crs: str
    findings: list[Finding] = field(default_factory=list)

    def where(self, i: int) -> str:
        """Return the place of feature `i` (from 0) for messages."""
        name = _text(self.columns["name"][i]) if "name" in self.columns else ""
        return f"{self.file.where}, feature {i + 1}" + (f" '{name}'" if name else "")

    def note(self, i: int, what: str, remedy: str, *, warn: bool = False) -> None:
        """Note what is wrong or doubtful with feature `i`."""
        self.findings.append(Finding(self.where(i), what, remedy, "warning" if warn else "error"))


def things(table: FeatureTable, shapes: Sequence[BaseGeometry | None]) -> list[Any]:
    """Return the records of a layer, in its order.

    Parameters
    ----------
    table
        The layer; what is wrong is noted in its findings.
    shapes
        Each feature's shape in local metres; None where it has an error, so that its attributes are still
        checked.

    Returns
    -------
    list
        `Rule`, `Hazard`, `Lane`, `Caution`, `Mark`, `Landform` or `Shore`.
    """
    build = _BUILDERS[table.file.role]
    built = [build(_Row(table, i), shape) for i, shape in enumerate(shapes)]
    return [thing for thing in built if thing is not None]


def attribute_findings(fields: Sequence[str], file: VectorFile) -> list[Finding]:
    """Return what is wrong with the names of a layer's attributes."""
    known, findings = ATTRIBUTES[file.role], []
    folded = [name.casefold() for name in fields]
    for name in fields:
        plain = name.casefold()
        if plain in known:
            if folded.count(plain) > 1:
                found = f"attribute '{plain}' is there more than once, in different case."
                findings.append(Finding(file.where, found, "Keep one of them."))
            continue
        near = difflib.get_close_matches(plain, [one for one in known if one not in _DATA], n=1, cutoff=_LIKE)
        if near:
            weighty = file.role in ("closure", "ground") or near[0] in _WEIGHTY
            found = f"attribute '{name}' is not known."
            remedy = f"Did you mean '{near[0]}'? Rename it, or remove it if it is something else."
            findings.append(Finding(file.where, found, remedy, "error" if weighty else "warning"))
    return findings


def contradictions(rules: Iterable[Rule]) -> list[Finding]:
    """Return an error wherever closures of one name, shape, season, species and method forbid different things."""
    by_case: dict[tuple[object, ...], dict[str | None, Rule]] = defaultdict(dict)
    for rule in rules:
        outline = shapely.to_wkb(shapely.normalize(rule.shape))
        case = (rule.role, rule.name.casefold(), outline, rule.season, rule.species, rule.methods)
        by_case[case].setdefault(rule.forbids, rule)
    return [
        Finding(
            f"{next(iter(said.values())).source.file}, '{next(iter(said.values())).name}'",
            f"features of one name, shape and season forbid different things: {' and '.join(map(str, said))}.",
            "Keep the one that the regulation says.",
        )
        for said in by_case.values()
        if len(said) > 1
    ]


class _Row:
    """The attributes of one feature."""

    def __init__(self, table: FeatureTable, i: int) -> None:
        self.table, self.i = table, i

    def value(self, key: str) -> Any:
        return self.table.columns[key][self.i] if key in self.table.columns else None

    def text(self, key: str) -> str:
        return _text(self.value(key))

    def problem(self, what: str, remedy: str, *, warn: bool = False) -> None:
        self.table.note(self.i, what, remedy, warn=warn)

    def name(self, *, warn: bool) -> str:
        name = self.text("name")
        if name:
            return name
        name = f"{self.table.file.role} {self.i + 1}"
        if warn:
            self.problem("has no name.", f"It is called '{name}'; give it a name.", warn=True)
        return name

    def choice(self, key: str, choices: tuple[str, ...]) -> str:
        """Return one of the choices, the first where the attribute is empty."""
        text = self.text(key).casefold()
        if text and text not in choices:
            allowed = " or ".join(f"'{choice}'" for choice in choices)
            remedy = did_you_mean(text, choices) or "Correct it."
            self.problem(f"{key} is '{self.text(key)}', and {allowed} is allowed.", remedy)
        return text if text in choices else choices[0]

    def margin(self) -> float | None:
        return self.metres("margin_m", 0.0, "Write metres as a bare number, 0 or more, such as 50.")

    def metres(self, key: str, least: float, remedy: str) -> float | None:
        value = self.value(key)
        text = _text(value)
        if not text:
            return None
        try:
            metres = math.nan if isinstance(value, bool) else float(text)
        except ValueError:
            metres = math.nan
        if not (math.isfinite(metres) and metres >= least):
            self.problem(f"{key} is '{text}'.", remedy)
            return None
        return metres

    def listed(self, key: str) -> frozenset[str]:
        """Return a comma list, folded; empty for all."""
        parts = re.split(r"[,;|]", self.text(key).casefold())
        words = frozenset(" ".join(part.split()) for part in parts) - {""}
        return frozenset() if words & _EVERY else words

    def flag(self, key: str) -> bool:
        text = self.text(key).casefold()
        if text in ("", "false", "0", "0.0"):
            return False
        if text not in ("true", "1", "1.0"):
            self.problem(f"{key} is '{self.text(key)}'.", "Write true or false.")
        return True


def _rule(row: _Row, shape: BaseGeometry | None) -> Rule | None:
    role = cast("Literal['closure', 'ground']", row.table.file.role)
    margin, name = row.margin(), row.name(warn=True)
    forbids = cast("Literal['fishing', 'entry']", row.choice("forbids", ("fishing", "entry")))
    if role == "ground" and row.text("forbids"):
        row.problem("a ground opens water, yet it has 'forbids'.", 'Move it to a layer with role = "closure".')
    first, last = _date_text(row.value("from")), _date_text(row.value("until"))
    where = row.table.where(row.i)
    try:
        season = parse_season(first, last, row.text("days"), row.text("hours"), where, opens=role == "ground")
    except InputError as error:
        row.table.findings += error.findings
        return None
    if shape is None:
        return None
    return Rule(
        role=role,
        name=name,
        shape=MultiPolygon(shape),
        forbids=forbids if role == "closure" else None,
        species=row.listed("species"),
        methods=row.listed("methods"),
        season=season,
        margin_m=margin or 0.0,
        reference=row.text("rule"),
        source=row.table.file.source,
        feature=row.text("id"),
        state=row.text("state"),
        says=row.text("says"),
    )


def _hazard(row: _Row, shape: BaseGeometry | None) -> Hazard | None:
    name, margin = row.text("name"), row.margin()
    depth = row.metres("depth_m", -math.inf, "Write metres as a bare number, negative where it dries, or nothing.")
    return None if shape is None else Hazard(name, row.text("kind"), shape, margin, row.table.file.source, depth)


def _lane(row: _Row, shape: BaseGeometry | None) -> Lane | None:
    name, margin = row.name(warn=False), row.margin()
    avoid = cast("Literal['pass', 'all']", row.choice("avoid", ("pass", "all")))
    if shape is None:
        return None
    return Lane(name, row.text("kind"), shape, margin, avoid, row.table.file.source)


def _caution(row: _Row, shape: BaseGeometry | None) -> Caution | None:
    if shape is None:
        return None
    return Caution(row.text("name"), row.text("kind"), row.text("note"), shape, row.table.file.source)


def _shore(row: _Row, shape: BaseGeometry | None) -> Shore | None:
    margin = row.margin()
    return None if shape is None else Shore(MultiPolygon(shape), margin or 0.0)


def _mark(row: _Row, shape: BaseGeometry | None) -> Mark | None:
    name, private = row.name(warn=True), row.flag("private")
    if shape is None:
        return None
    told = _date_text(row.value("dated"))
    try:
        dated = date.fromisoformat(told) if told else None
    except ValueError:
        row.problem(f"dated is '{told}'.", "Write it as 2026-08-14, or nothing.")
        return None
    source, identity, told_by = row.table.file.source, row.text("id"), row.text("told_by")
    return Mark(name, row.text("kind"), row.text("note"), private, Point(shape), source, identity, told_by, dated)


def _landform(row: _Row, shape: BaseGeometry | None) -> Landform | None:
    kind = cast("LandformKind", row.choice("kind", get_args(LandformKind)))
    figures = [row.metres(key, -math.inf, "Write a bare number.") for key in _FIGURES]
    for key, figure in zip(_FIGURES, figures, strict=True):
        if figure is None and not row.text(key):
            row.problem(f"has no {key}.", "Have the bottom's shape computed again.")
    if shape is None or None in figures:
        return None
    numbers = {key: figure or 0.0 for key, figure in zip(_FIGURES, figures, strict=True)}
    return Landform(name=row.name(warn=False), kind=kind, shape=shape, source=row.table.file.source, **numbers)


_BUILDERS = {
    "land": _shore,
    "hazard": _hazard,
    "lane": _lane,
    "caution": _caution,
    "mark": _mark,
    "landform": _landform,
    "closure": _rule,
    "ground": _rule,
}


def _text(value: Any) -> str:
    """Return an attribute as text; None, NaN and lists come out of files too."""
    if isinstance(value, np.ndarray | list | tuple):
        return ", ".join(_text(part) for part in value)
    missing = value is None or (isinstance(value, float) and math.isnan(value))
    return "" if missing else str(value).strip()


def _date_text(value: Any) -> str:
    # Some formats know only moments, and give a day as its midnight.
    text = re.sub(r"[T ]00:00:00(\.0+)?(Z|\+00:00)?$", "", _text(value))
    return re.sub(r"^(\d{4})/(\d{2})/(\d{2})$", r"\1-\2-\3", text)


def did_you_mean(word: str, known: Sequence[str]) -> str:
    """Return a question with the nearest of the known words; empty where none is near."""
    near = difflib.get_close_matches(word, known, n=1, cutoff=0.5)
    return f"Did you mean '{near[0]}'?" if near else ""
