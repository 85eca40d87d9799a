"""Facts of a place in words: short lines in the area's units, with what is not known said so."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from math import floor, isnan

from layers.model import Area
from layers.units import format_quantity, to_unit
from spotmap.homeruns import HomeRun
from spotmap.legwords import fuel_unit
from spotmap.momentwords import clock_words, set_words, tide_words
from spotmap.openings import NearClosure, Spell
from spotmap.spotfacts import SpotFacts
from spotmap.spotwater import Hour

_LONG_M = 1000.0
_LEVEL_DEG = 0.05


def fact_words(facts: SpotFacts, area: Area) -> tuple[str, ...]:
    """Return the facts of a place as lines that a skipper reads.

    Parameters
    ----------
    facts
        The facts.
    area
        The area that they are of, for its units and its depth datum.

    Returns
    -------
    tuple of str
        Depths are rounded down and uncertainties up.
    """
    if facts.where == "outside":
        return ("Outside the area: nothing is known there.",)
    if facts.where == "land":
        return ("On land.",)
    return (
        *_bottom(facts, area),
        *_rules(facts, area),
        *_surroundings(facts, area),
        _run(facts, area),
        *_water(facts, area),
    )


def _bottom(facts: SpotFacts, area: Area) -> Iterator[str]:
    unit = area.show.depth
    if isnan(facts.depth_m):
        yield "Charted depth: unknown."
        return
    tenths = floor(10.0 * to_unit(facts.depth_m, unit) + 1e-6) / 10.0
    depth = f"{tenths:g} {unit} below {area.depth_datum}"
    if tenths < 0.0:
        depth = f"dries {-tenths:g} {unit} above {area.depth_datum}"
    unsure = "its uncertainty is not stated"
    if not isnan(facts.uncertainty_m):
        unsure = f"may be {_up(facts.uncertainty_m, unit)} shallower by its stated uncertainty"
    yield f"Charted depth: {depth}; {unsure}."
    yield f"Bottom: {_slope(facts)}."
    near = [
        f"on the {line.side} side of the {format_quantity(line.depth_m, unit)} line, "
        f"{_distance(line.distance_m, area)} off"
        for line in facts.lines
    ]
    none = f"none within {_distance(facts.lines_within_m, area)}"
    yield f"Depth lines: {'; '.join(near) or none}."


def _slope(facts: SpotFacts) -> str:
    if facts.stepped:
        return "slope unknown, the charted depth goes in steps there"
    scale = f"over cells of {format_quantity(facts.slope_cell_m, 'm')}"
    if isnan(facts.slope_deg):
        return f"slope unknown {scale}, for depth around is not known or goes in steps"
    if isnan(facts.facing_deg) or facts.slope_deg < _LEVEL_DEG:
        return f"level {scale}"
    facing = f"{round(facts.facing_deg) % 360:03d}°"
    return f"slopes {facts.slope_deg:.1f}°, deeper towards {facing} true, {scale}"


def _rules(facts: SpotFacts, area: Area) -> Iterator[str]:
    visit = facts.visit
    yield f"For {visit.species}, {visit.method}: {'; '.join(_spell(one, facts) for one in facts.spells)}."
    if facts.closure is None:
        yield "Closed water: none of the area's closures is in force during the visit."
    else:
        yield f"Closed water: {_closure(facts.closure, area, visit.start)}."


def _spell(spell: Spell, facts: SpotFacts) -> str:
    begin = facts.visit.start
    since = "" if spell.since.timestamp() <= begin.timestamp() else f" from {_moment(spell.since, begin)}"
    until = ", with no change within a year after the visit"
    if spell.until is not None:
        until = f" until {_moment(spell.until, begin)}"
    why = ", ".join(spell.why) or "no rule of the area closes it"
    return f"{'open' if spell.open else 'CLOSED'}{since}{until}: {why}"


def _moment(moment: datetime, begin: datetime) -> str:
    same = moment.date() == begin.astimezone(moment.tzinfo).date()
    return f"{moment:%H:%M}" if same else f"{moment.day} {moment:%b %Y %H:%M}"


def _closure(closure: NearClosure, area: Area, begin: datetime) -> str:
    entry = ", no entry" if closure.forbids == "entry" else ""
    told = "; ".join(part for part in (closure.dates, closure.reference) if part)
    named = f"'{closure.name}'{entry}{f' ({told})' if told else ''}"
    if closure.changes:
        turns = " and ".join(_moment(moment, begin) for moment in closure.changes)
        named += f", in force {'at the start' if closure.in_force_at_start else 'not at first'}, changing {turns}"
    if closure.distance_m == 0.0:
        return f"inside {named}"
    margins = f"its own margin is {closure.margin_m:.0f} m, the standoff {closure.standoff_m:.0f} m more"
    short = f"; nearer than both by {closure.short_m:.0f} m" if closure.short_m > 0.0 else ""
    return f"{_distance(closure.distance_m, area)} from {named}; {margins}{short}"


def _surroundings(facts: SpotFacts, area: Area) -> Iterator[str]:
    for thing in facts.near:
        yield f"Too near: {thing.words} {_distance(thing.distance_m, area)} off, gear keeps {thing.keep_m:.0f} m off."
    for caution in facts.cautions:
        yield f"Take care: {caution}."


def _run(facts: SpotFacts, area: Area) -> str:
    run, home = facts.run, facts.visit.home_name
    if not isinstance(run, HomeRun):
        return f"Run from {home}: not told, {run.why}."
    minutes = run.took.total_seconds() / 60.0
    fuel = "fuel not told" if run.fuel_l is None else format_quantity(run.fuel_l, fuel_unit(area), 1)
    speed = (
        "" if facts.visit.boat is None else f" at {format_quantity(facts.visit.boat.run_speed_mps, area.show.speed)}"
    )
    return (
        f"Run from {home}: {format_quantity(run.length_m, area.show.distance)} along the water, "
        f"{minutes:.0f} min and {fuel}{speed} in still water."
    )


def _water(facts: SpotFacts, area: Area) -> Iterator[str]:
    clocks = list(clock_words([hour.moment for hour in facts.hours]))
    if area.tide is None:
        yield "Tide: unknown, the area has no tide layer."
    elif all(isnan(hour.tide_m) for hour in facts.hours):
        yield "Tide: unknown there during the visit."
    else:
        told = (tide_words(hour.tide_m, hour.rising_mps, area.show.depth) for hour in facts.hours)
        yield "Tide: " + "; ".join(f"{clock} {words}" for clock, words in zip(clocks, told, strict=True)) + "."
    if area.current is None:
        yield "Current: unknown, the area has no current layer."
    elif all(isnan(hour.drift_mps) for hour in facts.hours):
        yield "Current: unknown there during the visit."
    else:
        yield from _current(facts, area, facts.hours, clocks)


def _current(facts: SpotFacts, area: Area, hours: tuple[Hour, ...], clocks: list[str]) -> Iterator[str]:
    unit = area.show.speed
    told = (set_words(hour.set_deg, hour.drift_mps, unit) for hour in hours)
    yield "Current, true and towards: " + "; ".join(f"{c} {words}" for c, words in zip(clocks, told, strict=True)) + "."
    moments = list(
        clock_words([facts.visit.start.astimezone(area.timezone), *(slack.moment for slack in facts.slacks)])
    )[1:]
    least = [
        f"{clock} ({format_quantity(slack.drift_mps, unit, 1)})"
        for clock, slack in zip(moments, facts.slacks, strict=True)
    ]
    strongest = "strongest unknown, not all of the time is told"
    if not isnan(facts.strongest_mps):
        strongest = f"strongest {format_quantity(facts.strongest_mps, unit, 1)}"
    yield f"Slack: {', '.join(least) or 'none during the visit'}; {strongest}."


def _distance(distance_m: float, area: Area) -> str:
    return format_quantity(distance_m, area.show.distance) if distance_m >= _LONG_M else f"{distance_m:.0f} m"


def _up(metres: float, unit: str) -> str:
    return f"{-floor(-10.0 * to_unit(metres, unit) + 1e-6) / 10.0:g} {unit}"
