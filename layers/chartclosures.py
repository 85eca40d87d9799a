"""Charted restrictions as closures, each with what a person is to decide about it."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from layers._errors import Finding
from layers.chartobjects import noun_of
from layers.chartsheets import Sheet
from layers.chartthings import Things
from layers.made import Decision, MadeLayer
from layers.restrictions import TRAWL, Ban, Months, ban_of, months_of, status_words

CLOSURES = "chart-closures"
_POLYGON = 2
_MATTERS = ("RESTRN", "CATREA", "STATUS", "PERSTA", "PEREND", "DATSTA", "DATEND", "OBJNAM", "INFORM", "TXTDSC")
_DATES = ("PERSTA", "PEREND", "DATSTA", "DATEND")
_MOST_NAME = 48
_SHORT_ID = 6


@dataclass(frozen=True)
class Restriction:
    """One restriction of a chart that forbids something; `margin_m` is how far off its place it may lie."""

    sheet: str
    acronym: str
    id: str
    shape: BaseGeometry
    ban: Ban
    months: Months
    said: dict[str, str]
    margin_m: float

    @property
    def name(self) -> str:
        """Return its name, else the first words of its text, else what it is and the end of its identifier."""
        if self.said["OBJNAM"]:
            return self.said["OBJNAM"]
        first = re.split(r"[,;:(]|(?<=[a-z]{3})\.(?:\s|$)", self.said["INFORM"].strip(), maxsplit=1)[0].strip()
        if len(first) > _MOST_NAME:
            first = first[: first.rfind(" ", 0, _MOST_NAME)] + " …"
        return first or f"{noun_of(self.acronym)} {self.id[-_SHORT_ID:]}"

    @property
    def says(self) -> str:
        """Return what the chart says of it."""
        own = noun_of(self.acronym) if self.acronym != "RESARE" else ""
        parts = [own, self.ban.words, status_words(self.said["STATUS"].split(", "))]
        words = ", ".join(part for part in parts if part)
        told = ", ".join(part for part in (self.said["OBJNAM"], self.said["INFORM"].strip().rstrip(".")) if part)
        return f"{words}: {told}" if told else words

    @property
    def rule(self) -> str:
        """Return the regulation's own words, and the file that has the rest."""
        file = f"({self.said['TXTDSC']})" if self.said["TXTDSC"] else ""
        return " ".join(part for part in (self.said["INFORM"].strip().rstrip("."), file) if part)

    @property
    def state(self) -> str:
        """Return a hash of all that a decision is about: codes, dates, texts and shape."""
        told = "\n".join(f"{key}={self.said[key]}" for key in _MATTERS)
        return hashlib.sha256(f"{self.acronym}\n{told}\n".encode() + _bytes(self.shape)).hexdigest()[:16]


@dataclass(frozen=True)
class ChartClosures:
    """What the restrictions of charts became."""

    layers: tuple[MadeLayer, ...]
    decisions: tuple[Decision, ...]
    findings: tuple[Finding, ...]


def chart_closures(sheets: Sequence[Sheet]) -> ChartClosures:
    """Return closures and decisions of sheets; those of every scale are kept whole, only exact repeats are not.

    What speaks of the trawl only is a closure to trawls, and asks nobody who trolls to decide. Restrictions on points
    and lines cannot be drawn as closures, and each is a finding.
    """
    found = [one for sheet in sheets for things in sheet.things.values() for one in _restrictions(sheet, things)]
    once: dict[tuple[str, str], Restriction] = {}
    for one in found:
        once.setdefault((one.id, one.state), one)
    closures = [one for one in once.values() if shapely.get_dimensions(one.shape) == _POLYGON]
    undrawn = [one for one in once.values() if shapely.get_dimensions(one.shape) != _POLYGON]
    ids = _ids(closures)
    attributes: dict[str, list[Any]] = {
        "name": [one.name for one in closures],
        "forbids": [one.ban.forbids for one in closures],
        "methods": [one.ban.methods for one in closures],
        "from": [one.months.first for one in closures],
        "until": [one.months.last for one in closures],
        "margin_m": [one.margin_m or None for one in closures],
        "rule": [one.rule for one in closures],
        "id": ids,
        "says": [one.says for one in closures],
        "state": [one.state for one in closures],
        "cell": [one.sheet for one in closures],
    }
    shapes = np.array([shapely.force_2d(one.shape) for one in closures], dtype=object)
    cells = tuple(dict.fromkeys(one.sheet for one in closures))
    decisions = tuple(
        Decision(feature, one.name, one.says, one.ban.forbids, one.state)
        for feature, one in zip(ids, closures, strict=True)
        if not one.ban.plain and one.ban.methods != TRAWL
    )
    layers = (MadeLayer("closure", CLOSURES, shapes, attributes, cells),) if closures else ()
    return ChartClosures(layers, decisions, (*_doubts(closures), *_undrawn(undrawn)))


def bans_of(things: Things) -> list[Ban]:
    """Return what each of some objects forbids; those that carry no restriction at all forbid nothing."""
    area = things.acronym == "RESARE"
    return [
        ban_of(restrn, catrea, restricted_area=area)
        for restrn, catrea in zip(things.codes("RESTRN"), things.codes("CATREA"), strict=True)
    ]


def _restrictions(sheet: Sheet, things: Things) -> list[Restriction]:
    if things.acronym != "RESARE":
        things = things.only(things.has("RESTRN") | things.has("CATREA"))
    bans = bans_of(things)
    things = things.only(np.array([ban.forbids != "nothing" for ban in bans], dtype=bool))
    bans = [ban for ban in bans if ban.forbids != "nothing"]
    said = [dict(zip(_MATTERS, values, strict=True)) for values in zip(*map(things.text, _MATTERS), strict=True)]
    margins = sheet.position_m(things.shapes).tolist()
    return [
        Restriction(
            sheet.name, things.acronym, feature, shape, ban, months_of(*(own[key] for key in _DATES)), own, margin
        )
        for feature, shape, ban, own, margin in zip(things.ids, things.shapes, bans, said, margins, strict=True)
    ]


def _ids(closures: Sequence[Restriction]) -> list[str]:
    """Return identifiers that are all different: one that two cells draw differently has the later cell's name too."""
    taken: dict[str, None] = {}
    for one in closures:
        wanted = one.id if one.id not in taken else f"{one.id}-{one.sheet}"
        # One cell that has an identifier twice is at fault, and both are kept.
        wanted = wanted if wanted not in taken else f"{wanted}-{one.state}"
        taken[wanted] = None
    return list(taken)


def _doubts(closures: Iterable[Restriction]) -> list[Finding]:
    findings = []
    for one in closures:
        where = f"{one.sheet}, {one.acronym} '{one.name}'"
        if one.ban.unknown:
            found = (
                f"{' and '.join(one.ban.unknown)} is not a code that is known: {one.ban.forbids} is forbidden there."
            )
            findings.append(Finding(where, found, "Read what the chart says and decide in area.toml.", "warning"))
        if one.months.odd:
            found = f"when it holds is not a whole date from and until ({one.months.odd}): it holds all year."
            findings.append(Finding(where, found, "Read what the chart says and decide in area.toml.", "warning"))
        if "does not say" in one.ban.words:
            found = "it is a restricted area without RESTRN and CATREA: fishing is forbidden there."
            findings.append(Finding(where, found, "Read what the chart says and decide in area.toml.", "warning"))
    return findings


def _undrawn(restrictions: Iterable[Restriction]) -> list[Finding]:
    findings = []
    for one in restrictions:
        centre = shapely.point_on_surface(one.shape)
        found = (
            f"it forbids {one.ban.methods or one.ban.forbids} ({one.says}) and is drawn as a point or a line at "
            f"{centre.x:.5f}, {centre.y:.5f}: how far the ban reaches is not known, so it is a caution only."
        )
        where = f"{one.sheet}, {one.acronym} '{one.name}'"
        findings.append(Finding(where, found, "Draw a closure for it, if it forbids what you do.", "warning"))
    return findings


def _bytes(shape: BaseGeometry) -> bytes:
    return bytes(shapely.to_wkb(shapely.normalize(shape)))
