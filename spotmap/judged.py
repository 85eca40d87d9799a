"""What a place is judged by: the parts of its score, what each counts for, and how it stands on a trip's day."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from spotmap.candidates import Candidate
from spotmap.model import ClosedWater
from spotmap.water import GearWater, NeededDepth, Span

WEIGHTS: Mapping[str, float] = {
    "open": 2.0, "depth": 3.0, "room": 3.0, "current": 2.0, "run": 1.0, "what": 2.0, "rip": 1.0, "light": 1.0,
}  # fmt: skip
"""The parts of a score and what each counts for (a choice of ours, no source; a trip may weigh them otherwise)."""
FORMULAS: Mapping[str, str] = {
    "open": "share of the trip's hours in which a pass on it is open",
    "depth": "how well the charted depth suits the ladder: 1 from what the gear asks for to 1.5 times as deep, falling "
    "to 0 at 3 times, 0 where shallower; the mean along it and over the open hours",
    "room": "length in the gear's water over the wanted length, times the share of it with room for a circle of R on "
    "either side; the mean over the open hours",
    "current": "share of the open hours in which all of it has less current than is trolled against",
    "run": "1 at home, falling to 0 where the run out and back takes half of the trip's hours",
    "what": "own mark 1; a form half and a tenth of its significance, at most 1; a plain line 0.3",
    "rip": "share of the trip's hours in which a rip is likely at the form",
    "light": "as depth, in the low light alone: before an hour after sunrise, after an hour before sunset",
}
OF_ITS_KIND = 0.85
"""What a score is multiplied by for each one of its kind that is listed before it."""


@dataclass(frozen=True)
class Part:
    """One part of a score: 0 to 1, None where it is not known or does not apply; `note` says why in words."""

    name: str
    value: float | None
    weight: float
    note: str = ""


@dataclass(frozen=True)
class Judged:
    """A candidate judged for the trip's hours.

    `score` is the weighted mean of the parts that are known; `variety` what it was multiplied by when it was listed.
    `open_spans` is when a pass on it is open, `reasons` why it is out, `also` the names of those folded into it.
    `pass_m` is the pass that the planner's fitting lays there; `run_m` the run from home, straight until `run_found`.
    """

    candidate: Candidate
    lawful: bool
    workable: bool
    parts: tuple[Part, ...]
    score: float
    open_spans: tuple[Span, ...] = ()
    reasons: tuple[str, ...] = ()
    variety: float = 1.0
    also: tuple[str, ...] = ()
    pass_m: float = 0.0
    run_m: float = 0.0
    run_found: bool = False

    @property
    def words(self) -> tuple[str, ...]:
        """Return why it stands where it stands, in words."""
        return (*self.reasons, *(part.note for part in self.parts if part.note))


@dataclass(frozen=True)
class Verdict:
    """What is worth it: `listed` in order, `out` with why, what was left over, and what the list does not count."""

    listed: tuple[Judged, ...]
    out: tuple[Judged, ...]
    left_over: tuple[Judged, ...]
    notes: tuple[str, ...]


@dataclass(frozen=True)
class Slice:
    """A time in which neither law nor ladder nor light changes, and the water of it."""

    span: Span
    hours: float
    needed: NeededDepth
    low_light: bool
    closed: tuple[ClosedWater, ...]
    water: GearWater


def joined(spans: Sequence[Span]) -> tuple[Span, ...]:
    """Return spans in order with those that follow one another joined."""
    found: list[Span] = []
    for span in spans:
        if found and found[-1].end.timestamp() == span.start.timestamp():
            found[-1] = Span(found[-1].start, span.end)
        else:
            found.append(span)
    return tuple(found)
