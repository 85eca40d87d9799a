"""What a client reads: the day by the clock, where to meet, safety, and what is open as the area's data states it.

Only `clientplan.client_plan` makes the plan that these pages are written from. General advice is common sense, no
source, and says that it is general.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime

import numpy as np

from layers.model import Rule, Source
from layers.seasons import changes, is_active, season_words
from spotmap.handoutwords import HandoutWords
from spotmap.mapwords import NO_GROUNDS, state_words
from spotmap.model import Plan, TimedLeg
from spotmap.momentwords import clock_words, offset_words, short_time
from spotmap.paperpages import Story
from spotmap.tidegraph import turn_points

BRIEFING_FIRST = "The skipper's own briefing comes first: where it differs from this sheet, the skipper is right."
NO_LIMITS = "This handout states no bag limits and no sizes: ask the skipper and the current regulation."
GENERALISED = (
    "The chart shows where we work only as squares of at least 2 NM, and times of work to the quarter hour. "
    "It is for looking, not for finding places again."
)
_GENERAL = "general advice, the same for every trip"
_TIDE_STEP_S = 300.0
_RULES_PT = 180.0
_WAYS = {
    "loop": "back and forth along the slope of the bottom, with a wide turn at each end",
    "one-way": "along the slope of the bottom one way; then lines up, back to the start, and again",
    "weave": "in a weave along the slope of the bottom",
}
_BRING = (
    "Warm layers and something windproof and waterproof: it is colder on the water than ashore, at dawn most of all.",
    "Shoes with soft soles that grip when wet.",
    "Hat, sunglasses and sun cream: water throws the sun back.",
    "Food, and more water than you think; little alcohol the evening before, none on board.",
    "Your own medicines, and tell the skipper of anything that matters in an emergency: heart, allergies, a bad knee.",
    "Your fishing licence where one is asked for: the skipper knows.",
)
_DAY = (
    "Lines are towed behind the boat at a walking pace. There is much quiet and then, for some minutes, none.",
    "When a line springs up: take the rod when you are told to, keep it bent, and let the others bring theirs in.",
    "While the boat turns keep your seat: lines swing, and must not be crossed.",
    "The day follows fish, weather and tide. The times here are a plan, and the skipper may change it.",
)
_SAFETY = (
    "Life jacket: you are shown yours and how it is worn. Wear it when you are told to; children wear theirs always.",
    "The skipper's word counts, at once, and is asked about afterwards.",
    "One hand for yourself, one for the boat. Sit down while it runs fast; nobody on deck edges or bow.",
    "Gear under tension: keep hands, hair and sleeves off cables, reels and lines, and never stand in a loop of line.",
    "Hooks: look behind you before you lift a rod. Do not pull at a hook in skin; call the crew.",
    "Seasickness: look at the horizon, stay outside, say so early. A remedy helps only if it is taken before.",
    "Sun, cold and thirst come unnoticed: cover up, drink, and say when you shiver.",
    "Somebody falls in: shout, throw what floats, point at the person and never look away. The skipper goes there.",
    "You fall in: float on your back, keep your clothes on, wave.",
    "Ask to be shown where life ring, radio, extinguisher and first-aid box are.",
)


def write_client(story: Story, plan: Plan, words: HandoutWords) -> None:
    """Write the client's pages.

    Parameters
    ----------
    story
        What they are written into.
    plan
        From `client_plan`, never a plan itself.
    words
        The skipper's own words.
    """
    if plan.area.invented:
        story.boxed(f"INVENTED: {plan.area.name} and everything on these pages is made up. There is no such place.")
    story.heading("Your day", f"clock: {_clock_words(plan)}; the times of work to the quarter hour")
    story.rows(list(itinerary(plan)), 0.16)
    story.heading("Where to meet")
    story.rows(list(_meeting(plan, words)), 0.16)
    story.heading("What to bring", "" if words.bring else _GENERAL)
    story.bullets(words.bring)
    if words.bring:
        story.text(f"And, {_GENERAL}:")
    story.bullets(_BRING)
    story.heading("How the day goes", _GENERAL)
    story.bullets(_DAY)
    story.heading("Safety", f"{_GENERAL}")
    story.text(BRIEFING_FIRST, strong=True)
    story.bullets(_SAFETY)
    _write_rules(story, plan)
    story.heading("Cautions")
    story.bullets(tuple(dict.fromkeys((*plan.cautions, GENERALISED))))
    story.heading("Where this comes from")
    story.text(f"Depths are below {plan.area.depth_datum}. What the layers of the area's data say of themselves:")
    story.bullets(tuple(_origins(plan)))


def itinerary(plan: Plan) -> Iterator[tuple[str, str]]:
    """Yield the day by the clock, as moments and plain words, from a client's plan."""
    zone = plan.area.timezone
    home = plan.trip.home_name or "where we start"
    told = [(plan.trip.start, 0, "", f"We leave {home} and run out with the lines up.")]
    for before, leg in zip((None, *plan.legs), plan.legs, strict=False):
        told.append((leg.start, 1, "about ", _work_words(leg, again=before is not None)))
    told.append((plan.legs[-1].end, 2, "about ", f"Lines up for the last time; we run back to {home}."))
    told.append((plan.trip.latest_end, 3, "about ", f"Back at {home}."))
    told += [(when, 4, "", f"{name}.") for name, when in _light(plan)]
    told += [(when, 5, "about ", f"{'High' if high else 'Low'} water.") for when, high in _tide_turns(plan)]
    told += [(when, 6, "", f"{words}.") for when, words in plan.day.events]
    told.sort(key=lambda one: (one[0].timestamp(), one[1]))
    clocks = clock_words([when.astimezone(zone) for when, *_ in told])
    for clock, (_, _, about, words) in zip(clocks, told, strict=True):
        yield f"{about}{clock}", words


def _work_words(leg: TimedLeg, *, again: bool) -> str:
    track = leg.leg
    where = f"{track.label} on the chart" + (f", near {track.note}" if track.note else "")
    begun = "On to the next piece of work" if again else "Lines in the water"
    return f"{begun}, {where}: {_WAYS[track.pattern or 'loop']}."


def _meeting(plan: Plan, words: HandoutWords) -> Iterator[tuple[str, str]]:
    zone = plan.area.timezone
    leaves = plan.trip.start.astimezone(zone)
    back = short_time(plan.trip.latest_end.astimezone(zone), leaves)
    home = plan.trip.home_name
    yield "Meet", words.meet or (home or "where the skipper tells you")
    yield "We leave", f"{leaves:%H:%M} on {_date(leaves)}" + (f", from {home}" if home else "") + ". Be there before."
    yield "Back", f"about {back}"
    yield "Fishing for", f"{plan.trip.species} ({plan.trip.method})"
    if words.boat:
        yield "Boat", words.boat
    if words.contact:
        yield "Contact", words.contact


def _write_rules(story: Story, plan: Plan) -> None:
    """Write what the area's data says is open and closed on the trip, with rule, dates and the data's own date."""
    area = plan.area
    story.heading(
        "What is open and closed", "only as the area's data states it; the current regulation counts", _RULES_PT
    )
    grounds = [rule for rule in area.grounds if _active(plan, rule)]
    shares = (1.5, 1.5, 2.2, 1.5, 1.6)
    if not area.has_grounds:
        story.text(NO_GROUNDS)
    elif not grounds:
        story.text("No ground of the area's data is open during the trip.")
    else:
        head = ("open ground", "for", "when", "rule", "data")
        story.table(head, [_rule_row(rule, season_words(rule.season)) for rule in grounds], shares)
    said = {water.name: f"{state_words(plan, water)}; {water.dates}" for water in plan.closed}
    shut = []
    for rule in (one for one in area.closures if _active(plan, one)):
        concerned = rule.concerns(plan.trip.species, plan.trip.method)
        when = said.get(rule.name, season_words(rule.season)) if concerned else season_words(rule.season)
        shut.append(_rule_row(rule, f"{'no entry' if rule.forbids == 'entry' else 'no fishing'}; {when}"))
    if shut:
        story.table(("closed water", "for", "when", "rule", "data"), shut, shares)
    else:
        story.text("No closure of the area's data is in force during the trip.")
    story.text(NO_LIMITS, strong=True)


def _rule_row(rule: Rule, when: str) -> tuple[str, ...]:
    what = ", ".join(sorted(rule.species)) or "every species"
    how = ", ".join(sorted(rule.methods)) or "every method"
    return rule.name, f"{what}; {how}", when, rule.reference or "not told", _dated(rule.source)


def _dated(source: Source) -> str:
    return ", ".join((source.source or "source not told", f"as of {source.as_of}" if source.as_of else "undated"))


def _active(plan: Plan, rule: Rule) -> bool:
    begin, end = plan.trip.start.astimezone(plan.area.timezone), plan.trip.latest_end
    return is_active(rule.season, begin) or bool(changes(rule.season, begin, end))


def _origins(plan: Plan) -> Iterator[str]:
    """Yield who made the layers and of what day, layers alike together."""
    alike: dict[str, list[str]] = {}
    for source in plan.area.sources:
        alike.setdefault(_dated(source), []).append(source.role)
    for words, roles in alike.items():
        yield f"{', '.join(dict.fromkeys(roles))}: {words}."
    yield from plan.warnings


def _light(plan: Plan) -> Iterator[tuple[str, datetime]]:
    begin, end = plan.trip.start.timestamp(), plan.trip.latest_end.timestamp()
    for name, when in (("Sunrise", plan.sun.sunrise), ("Sunset", plan.sun.sunset)):
        if when is not None and begin <= when.timestamp() <= end:
            yield name, when


def _tide_turns(plan: Plan) -> Iterator[tuple[datetime, bool]]:
    day = plan.day
    time_s = np.array([moment.timestamp() for moment in day.moments])
    for at, _, high in turn_points(time_s, day.tide_m, day.rising_mps):
        yield datetime.fromtimestamp(round(at / _TIDE_STEP_S) * _TIDE_STEP_S, UTC), high


def _date(moment: datetime) -> str:
    return f"{moment:%A} {moment.day} {moment:%B %Y}"


def _clock_words(plan: Plan) -> str:
    here = plan.trip.start.astimezone(plan.area.timezone)
    return f"{plan.area.timezone.key}, {offset_words(here)}"
