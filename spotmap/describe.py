"""An area in words: what is loaded, from when, what is open on a day, what is in doubt."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, datetime, time, timedelta

from layers.area import age_warnings
from layers.model import Area, Rule
from layers.seasons import changes, is_active, season_words
from layers.units import format_quantity
from spotmap.clock import later


def area_words(area: Area, day: date, species: str, method: str) -> Iterator[str]:
    """Return an area in lines of text.

    Parameters
    ----------
    area
        The area.
    day
        The day that rules and ages are asked about.
    species, method
        What is fished for and how.

    Returns
    -------
    iterator of str
        Name and datum, layers with their dates, rules with whether they are in force on the day, marks, doubts.
    """
    west, south, east, north = area.depth.bounds
    size = " by ".join(format_quantity(side, area.show.distance) for side in (east - west, north - south))
    yield f"{area.name}{' (INVENTED)' if area.invented else ''}: {size}, {area.timezone.key}, datum {area.depth_datum}"
    yield ""
    yield "Layers"
    for source in area.sources:
        when = "undated" if source.as_of is None else f"as of {source.as_of}"
        yield f"  {source.role:8} {source.file}: {when}; {source.source}"
    yield f"  {len(area.hazards)} hazards, {len(area.lanes)} lanes, {len(area.marks)} marks"
    yield ""
    yield f"Rules on {day} for {species}, {method}"
    if not area.has_grounds:
        yield "  no ground layer: water counts as open unless a closure is drawn"
    for rule in (*area.grounds, *area.closures):
        yield f"  {_rule_words(rule, area, day, species, method)}"
    doubts = [str(finding) for finding in (*area.warnings, *age_warnings(area, day))]
    yield ""
    yield "In doubt" if doubts else "Nothing found in doubt."
    for doubt in doubts:
        yield f"  {doubt}"


def _rule_words(rule: Rule, area: Area, day: date, species: str, method: str) -> str:
    what = "ground" if rule.role == "ground" else f"closure ({rule.forbids})"
    told = f"{what} '{rule.name}': "
    if rule.forbids != "entry" and not rule.concerns(species, method):
        return told + f"does not concern {species}, {method}"
    begin = datetime.combine(day, time(0), area.timezone)
    active = is_active(rule.season, begin)
    state = ("open" if active else "not open") if rule.role == "ground" else ("in force" if active else "not in force")
    words = [f"{state} at 00:00"]
    for moment in changes(rule.season, begin, later(begin, timedelta(days=1, seconds=-1))):
        active = not active
        words.append(f"{'from' if active else 'until'} {moment:%H:%M}")
    reference = f"; {rule.reference}" if rule.reference else ""
    return f"{told}{', '.join(words)} ({season_words(rule.season)}{reference})"
