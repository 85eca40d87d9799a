"""What is old, missing or in doubt in an area, worst first, and what it means for planning."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from enum import IntEnum

import numpy as np
import shapely

from layers._errors import Finding
from layers.area import age_warnings
from layers.decisions import DecisionRecord, read_decisions
from layers.landformfiles import stale
from layers.layerlist import RULE_ROLES
from layers.model import Area, Rule
from layers.origins import changed_by_hand, read_origins
from layers.tables import Table, read_toml
from layers.units import format_quantity

CHART_OLD_DAYS = 120
"""After this a chart's edition is told to be old: corrections come out all the time (common practice, no source)."""
_SIDE = 60
_TOLD_ABOVE = ("there is no", "not decided yet", "set aside on")


class Weight(IntEnum):
    """How heavy a doubt weighs: what could lead gear into closed water first, then onto the bottom, then the rest."""

    CLOSED = 1
    BOTTOM = 2
    RECKONING = 3
    NOTE = 4


@dataclass(frozen=True)
class Doubt:
    """One doubt: where and what it is, what it means for planning, what to do."""

    weight: Weight
    where: str
    what: str
    means: str
    remedy: str


def doubts(area: Area, on: date) -> list[Doubt]:
    """Return what is old, missing or in doubt in an area, worst first.

    Parameters
    ----------
    area
        The area, opened.
    on
        The day that it is to be used on.

    Returns
    -------
    list of Doubt
        By weight; of one weight in the order met.

    Raises
    ------
    InputError
        origins.toml is broken.
    """
    found = [*_rules(area, on), *_decisions(area), *_depth(area, on), *_reckoning(area, on)]
    found += _notes(area, {doubt.what for doubt in found})
    return sorted(found, key=lambda doubt: doubt.weight)


def _rules(area: Area, on: date) -> Iterator[Doubt]:
    roles = {source.role for source in area.sources}
    if "closure" not in roles:
        means = "a plan may go where fishing is forbidden, and cannot know it"
        yield Doubt(Weight.CLOSED, "closure", "no layer says what is closed.", means, "Bring in the regulation.")
    if not area.has_grounds:
        means = "all water counts as open unless a closure is drawn on it"
        remedy = "Bring in the open grounds, where the rules name any."
        yield Doubt(Weight.CLOSED, "ground", "no layer says what is open.", means, remedy)
    for finding in age_warnings(area, on):
        if any(f"({role})" in finding.where for role in RULE_ROLES):
            means = "water may be closed or open now that was not when the layer was made"
            yield Doubt(Weight.CLOSED, finding.where, finding.what, means, finding.remedy)


def _decisions(area: Area) -> Iterator[Doubt]:
    found: list[Finding] = []
    file = area.folder / "area.toml"
    records = read_decisions(Table(read_toml(file), file.name, found), found)
    held = {rule.feature: rule for rule in area.closures if rule.feature}
    for record in records:
        where = f"{record.where}, '{record.name or record.feature}'"
        yield from _decision(record, where, held.get(record.feature))


def _decision(record: DecisionRecord, where: str, held: Rule | None) -> Iterator[Doubt]:
    """Yield what is doubtful about a decision; `held` is the closure that it is about, None where it is set aside."""
    if held is not None and held.state != record.state:
        what = "the data has changed since it was decided about; the strongest ban holds until you decide again."
        means = f"{'entry' if held.forbids == 'entry' else 'fishing'} is counted forbidden there"
        yield Doubt(Weight.CLOSED, where, what, means, "Bring the data in again with --refresh, then decide.")
    elif record.decided is None:
        ban = "entry is" if record.forbids == "entry" else "fishing is"
        again = f" It was decided before about older data: {record.before}." if record.before else ""
        what = f"{_sentence(record.says)} Nobody has decided yet what it means for you.".strip() + again
        means = f"{ban} counted forbidden there, all year unless the data gives dates"
        remedy = 'Read the rule, then write decided = (the day), why = "…" and forbids = "nothing", if so.'
        yield Doubt(Weight.CLOSED, where, what, means, remedy)
    elif held is None or record.forbids == "fishing":
        means = "it counts as open, on your word" if held is None else "only fishing counts as forbidden, on your word"
        set_aside = "Set aside" if held is None else "Decided"
        what = f"{_sentence(record.says)} {set_aside} on {record.decided}: {record.why}"
        yield Doubt(Weight.CLOSED, where, what, means, "Look again when the rule changes.")


def _sentence(text: str) -> str:
    return f"{text}." if text and text[-1] not in ".!?" else text


def _depth(area: Area, on: date) -> Iterator[Doubt]:
    rules = {source.file for source in area.sources if source.role in RULE_ROLES}
    for finding in changed_by_hand(area.folder):
        means = "plans count what the file says now, not what the official data said"
        weight = Weight.CLOSED if finding.where.partition("/")[2] in rules else Weight.BOTTOM
        yield Doubt(weight, finding.where, finding.what, means, finding.remedy)
    for source in area.sources:
        if source.role == "depth" and source.quality:
            means = "what the data does not state is not counted: keep more clearance than the limits say"
            yield Doubt(Weight.BOTTOM, source.file, source.quality, means, "Look for a newer survey.")
        for origin in source.origins:
            days = None if origin.issued is None else (on - origin.issued).days
            if origin.kind == "chart" and source.role == "depth" and days is not None and days > CHART_OLD_DAYS:
                what = f"{origin.words} is {days} days old."
                means = "rocks, wrecks, depths and restricted areas found or made since are not in it"
                remedy = "Fetch the present edition and its updates, and refresh the area."
                yield Doubt(Weight.BOTTOM, origin.name, what, means, remedy)
    yield from _uncertain(area)
    if (outdated := stale(area)) is not None:
        means = "the list of what is worth it, and the map, show forms that the present depth does not have"
        yield Doubt(Weight.RECKONING, outdated.where, outdated.what, means, outdated.remedy)
    for finding in age_warnings(area, on):
        if "(depth)" in finding.where:
            means = "banks and channels move, and what is shown may have changed since"
            yield Doubt(Weight.BOTTOM, finding.where, finding.what, means, finding.remedy)
    known, (west, south, east, north) = area.depth.known(), area.depth.bounds
    share = 1.0 - shapely.union(known, area.land).area / max((east - west) * (north - south), 1.0)
    if share >= 0.005:  # noqa: PLR2004 - what rounds to nothing is not told
        what = f"{share:.0%} of the box round the depth data is neither land nor water of known depth."
        yield Doubt(Weight.BOTTOM, "depth", what, "no gear and no run goes there", "Bring in more depth data.")


def _uncertain(area: Area) -> Iterator[Doubt]:
    if area.surest_depth is None:
        return
    west, south, east, north = area.depth.bounds
    x, y = np.meshgrid(np.linspace(west, east, _SIDE), np.linspace(south, north, _SIDE))
    less = area.depth.depth_at(x, y) - area.surest_depth.depth_at(x, y)
    less = less[np.isfinite(less)]
    if len(less):
        low, high = (format_quantity(float(value), area.show.depth, 1) for value in (less.min(), less.max()))
        what = f"the data states its own uncertainty: {low} to {high}."
        means = "gear and keel keep that much more water under them than the clearance"
        yield Doubt(Weight.BOTTOM, "depth", what, means, "Nothing to do.")


def _reckoning(area: Area, on: date) -> Iterator[Doubt]:
    meanings = {
        "tide": f"depths are charted depths at {area.depth_datum}; a tide below it is not counted",
        "current": "plans are made for still water: speeds, turns and times are off where it runs",
        "land": "the shore is known only where depth is",
    }
    roles = {source.role for source in area.sources}
    for role, means in meanings.items():
        if role not in roles:
            weight = Weight.BOTTOM if role == "tide" else Weight.RECKONING
            yield Doubt(weight, role, f"there is no {role} layer.", means, "Add one if there is any.")
    for finding in age_warnings(area, on):
        if not any(f"({role})" in finding.where for role in (*RULE_ROLES, "depth")):
            means = "what it shows may have changed since"
            yield Doubt(Weight.RECKONING, finding.where, finding.what, means, finding.remedy)


def _notes(area: Area, told: set[str]) -> Iterator[Doubt]:
    for note in read_origins(area.folder).notes:
        yield Doubt(Weight.NOTE, note.where, note.what, "found when the data was brought in", note.remedy)
    for finding in area.warnings:
        if finding.what not in told and not any(words in finding.what for words in _TOLD_ABOVE):
            yield Doubt(Weight.NOTE, finding.where, finding.what, "found when the area was read", finding.remedy)


_HEADINGS = {
    Weight.CLOSED: "What may be closed",
    Weight.BOTTOM: "What may be shallow",
    Weight.RECKONING: "What is not reckoned with",
    Weight.NOTE: "Noted on the way",
}


def doubt_lines(found: list[Doubt], name: str, day: date) -> Iterator[str]:
    """Yield doubts as lines to print."""
    count = {0: "nothing in doubt", 1: "one doubt"}.get(len(found), f"{len(found)} doubts, worst first")
    yield f"{name} on {day}: {count}"
    last = None
    for doubt in found:
        if doubt.weight != last:
            yield ""
            yield _HEADINGS[doubt.weight]
            last = doubt.weight
        yield f"  {doubt.where}: {doubt.what}"
        yield f"      means: {doubt.means}"
        if doubt.remedy:
            yield f"      do: {doubt.remedy}"
    yield ""
    yield "Not for navigation. Check the current regulation; the skipper decides."
