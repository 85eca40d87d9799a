"""What is worth it today in words: a note for each part of a score, reasons for what is out, and the table."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np
import numpy.typing as npt
import shapely

from layers.model import Area, Show
from layers.units import format_quantity
from spotmap.candidates import LINE, Candidate
from spotmap.clock import before
from spotmap.judged import FORMULAS, WEIGHTS, Judged, Slice, Verdict, joined
from spotmap.model import ClosedWater, Trip
from spotmap.momentwords import short_time
from spotmap.report import elapsed_words
from spotmap.water import Span

_MOST_REASONS = 2
_MOST_OUT = 12
_ALL = 1.0 - 1e-9
_NAME_WIDE = 42


@dataclass(frozen=True)
class Notes:
    """The words about candidates on a day."""

    area: Area
    trip: Trip
    slices: Sequence[Slice]

    @property
    def _show(self) -> Show:
        return self.area.show

    def _clock(self, moment: datetime) -> str:
        return short_time(moment, self.trip.start)

    def closed(self, rules: Sequence[Mapping[tuple[int, int], float]], place: int) -> tuple[str, ...]:
        """Return what closes a candidate and when, the rule that covers most of it first."""
        told: dict[tuple[bool, str], tuple[float, list[Span]]] = {}
        for one, shares in zip(self.slices, rules, strict=True):
            for (index, owner), share in shares.items():
                if owner == place:
                    key = (share > _ALL, _rule(one.closed[index]))
                    most, spans = told.get(key, (0.0, []))
                    told[key] = (max(most, share), [*spans, one.span])
        whole = Span(self.trip.start, self.trip.latest_end)
        ordered = sorted(told.items(), key=lambda item: -item[1][0])[:_MOST_REASONS]
        return tuple(
            f"{'closed' if full else f'{share:.0%} of it closed'} {self._when(spans, whole)}: {rule}"
            for (full, rule), (share, spans) in ordered
        )

    def _when(self, spans: Sequence[Span], whole: Span) -> str:
        first, last = spans[0].start, spans[-1].end
        if not before(whole.start, first) and not before(last, whole.end) and len(joined(spans)) == 1:
            return "throughout these hours"
        return ", ".join(f"{self._clock(span.start)}–{self._clock(span.end)}" for span in joined(spans))

    def opened(self, spans: Sequence[Span], shut: Sequence[str]) -> str:
        """Return when a candidate is open; where not all of the time or not all of it, why."""
        open_words = ", ".join(f"{self._clock(span.start)}–{self._clock(span.end)}" for span in spans)
        return "; ".join([f"open {open_words}", *shut])

    def unworkable(self, one: Candidate, when: npt.NDArray[np.bool_], shortest_m: float) -> tuple[str, ...]:
        """Return why no pass fits while a candidate is open."""
        if one.stretch is None:
            deep = ", ".join(sorted({format_quantity(part.needed.depth_m, self._show.depth) for part in self.slices}))
            return (f"no depth line for this ladder (it asks for {deep}) runs within half a stretch of it",)
        longest = max((part for part, on in zip(self.slices, when.tolist(), strict=True) if on), key=lambda p: p.hours)
        why = longest.water.why_not(one.stretch)[:_MOST_REASONS]
        if not why:
            why = ("no room to turn on either side",)
        return (f"no pass of {format_quantity(shortest_m, 'm')} with its turns fits: {'; '.join(why)}",)

    def no_pass(self, reasons: Sequence[str], start: datetime, end: datetime) -> tuple[str, ...]:
        """Return why the planner's fitting lays no pass in the work's time."""
        told = "; ".join(reasons[:_MOST_REASONS]) or "no reason is known"
        return (f"no pass can be laid there {self._clock(start)}–{self._clock(end)}: {told}",)

    def depth(self, one: Candidate) -> str:
        """Return the charted depth along a candidate, and what the ladder asks for."""
        xy = shapely.get_coordinates(shapely.segmentize(one.stretch, 20.0))
        depth = self.area.safe_depth.depth_at(xy[:, 0], xy[:, 1])
        low, high = (format_quantity(value, self._show.depth) for value in (np.nanmin(depth), np.nanmax(depth)))
        asked = [format_quantity(part.needed.depth_m, self._show.depth) for part in self.slices]
        asked = [words for k, words in enumerate(asked) if k == 0 or words != asked[k - 1]]
        charted = low if low == high else f"{low} to {high}"
        return f"charted {charted}; the ladder asks for {', then '.join(asked)}"

    def room(self, value: float, radius_m: float) -> str:
        """Return how much of the wanted length has room."""
        return f"room for the gear and for turns of R {radius_m:.0f} m on {value:.0%} of the wanted length"

    def current(self, share: float | None, strongest_mps: float) -> str:
        """Return how the current is."""
        if share is None:
            return "current unknown, left out of the score"
        strong = format_quantity(strongest_mps, self._show.speed, 1)
        limit = format_quantity(self.trip.limits.strong_current_mps, self._show.speed, 1)
        return f"current at most {strong}; {share:.0%} of the open hours below what is trolled against ({limit})"

    def run(self, run_m: float, *, straight: bool) -> str:
        """Return how long the run from home is."""
        took = elapsed_words(run_m / self.trip.boat.run_speed_mps)
        return f"run {format_quantity(run_m, self._show.distance)}, {took}{' (straight)' if straight else ''}"

    def what(self, one: Candidate) -> str:
        """Return what a candidate is."""
        if one.form is None:
            return one.source if one.kind == LINE else f"{one.source} ({one.kind})"
        height = format_quantity(one.form.height_m, self._show.depth)
        return f"{one.kind}, {height} high, {one.form.significance:.1f} times what the depth data is unsure of"

    def rip(self, one: Candidate, value: float | None) -> str:
        """Return how likely a rip is at a form; nothing where it is no form."""
        if one.form is None or self.area.current is None:
            return ""
        return (
            "rips unknown here" if value is None else f"a rip is likely in {value:.0%} of the hours, by rule of thumb"
        )

    def light(self, value: float | None, *, laddered: bool) -> str:
        """Return how the depth suits the low light; nothing where the ladder asks nothing of it."""
        if not laddered:
            return ""
        if value is None:
            return "not open, or no hours, in low light"
        return f"suits the ladder in low light to {value:.0%}"


def _rule(water: ClosedWater) -> str:
    more = ", ".join(words for words in (water.reference, water.dates) if words)
    name = water.name if water.name.startswith("outside") else f"'{water.name}' forbids {water.forbids}"
    return f"{name} ({more})" if more else name


def verdict_words(verdict: Verdict, area: Area, trip: Trip, weights: Mapping[str, float]) -> Iterator[str]:
    """Yield the list: a table with every part of every score, reasons, what is out and why, and the formulas."""
    name = area.name + (" (INVENTED)" if area.invented else "")
    yield f"{name}, {trip.species}, {trip.method}, {trip.date} {trip.start:%H:%M} to {trip.latest_end:%H:%M}"
    if not verdict.listed:
        yield "Nothing is worth it in these hours: see why below."
    else:
        parts = [part for part in WEIGHTS if weights.get(part, 0.0) > 0.0]
        yield ""
        yield f"{'':3}{'place':{_NAME_WIDE}}{'score':>7}" + "".join(f"{part:>9}" for part in parts)
        for rank, one in enumerate(verdict.listed, 1):
            shown = {part.name: part.value for part in one.parts}
            cells = "".join(f"{'-':>9}" if shown[part] is None else f"{shown[part]:9.2f}" for part in parts)
            yield f"{rank:2} {one.candidate.name[: _NAME_WIDE - 1]:{_NAME_WIDE}}{one.score:7.2f}{cells}"
        yield f"{'':3}{'weights':{_NAME_WIDE}}{'':7}" + "".join(f"{weights[part]:9g}" for part in parts)
        for rank, one in enumerate(verdict.listed, 1):
            yield ""
            yield from _reasons(rank, one, area)
    yield ""
    yield from _out(verdict)
    for note in verdict.notes:
        yield f"Note: {note}."
    yield "How each part is reckoned, 0 to 1; the score is the mean of those known (- is not), by weight:"
    for part, formula in FORMULAS.items():
        yield f"  {part} (weight {weights.get(part, 0.0):g}): {formula}."
    yield "Each one of a kind listed before lowers a score by 15 % for its place in the list; what is centred within"
    yield "half a stretch of a listed one is folded into it. A score is an opinion: weigh it otherwise with --weigh."


def _reasons(rank: int, one: Judged, area: Area) -> Iterator[str]:
    candidate = one.candidate
    line = "" if candidate.line_m is None else f", {format_quantity(candidate.line_m, area.show.depth)} line"
    longest = format_quantity(one.pass_m, area.show.distance)
    yield f"{rank}. {candidate.name} ({candidate.kind}{line}, a pass of {longest})"
    for words in one.words:
        yield f"   {words}"
    if one.variety < 1.0:
        yield f"   for variety its score counted {one.score * one.variety:.2f} here"
    if one.also:
        more = f" and {len(one.also) - 4} more" if len(one.also) > 4 else ""  # noqa: PLR2004  what fits a line
        yield f"   folded into it: {'; '.join(one.also[:4])}{more}"


def _out(verdict: Verdict) -> Iterator[str]:
    if verdict.left_over:
        yield f"{len(verdict.left_over)} more could be worked and are left off the list."
    named = [one for one in verdict.out if one.candidate.kind != LINE]
    if named:
        yield "Out:"
    for one in named[:_MOST_OUT]:
        yield f"   {one.candidate.name} ({one.candidate.kind}): {'; '.join(one.reasons)}"
    if len(named) > _MOST_OUT:
        yield f"   and {len(named) - _MOST_OUT} more own marks and forms"
    counts: dict[str, int] = {}
    for one in verdict.out:
        if one.candidate.kind == LINE:
            reason = one.reasons[0] if one.reasons else "no reason is known"
            counts[reason] = counts.get(reason, 0) + 1
    for reason, count in sorted(counts.items(), key=lambda item: -item[1])[:_MOST_OUT]:
        yield f"   {count} stretch{'es' if count > 1 else ''} of line: {reason}"
    if len(counts) > _MOST_OUT:
        yield f"   stretches of line for {len(counts) - _MOST_OUT} other reasons"
