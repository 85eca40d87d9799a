"""The rig card: for each time at which a rod is set anew, what to dial and what to expect."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from math import degrees

from layers.model import Show
from layers.units import format_quantity
from spotmap.model import TowedRod, TurningRadius

_TEXT = "  {:22} {:10} {:12} {:>7} {:>7} {:>6} {:>8} {:>7} {:>6}"


@dataclass(frozen=True)
class RigRow:
    """One rod at one setting: lengths in metres, the cable's angle from the vertical in degrees.

    `behind_m` is how far behind the stern the lure swims, `depth_m` where ball and lure fish, `line_out_m` what to
    dial; `fresh` says whether the rod is set anew at this time.
    """

    rod: str
    side: str
    line: str
    depth_m: float
    line_out_m: float
    angle_deg: float
    setback_m: float
    behind_m: float
    fresh: bool


@dataclass(frozen=True)
class RigTime:
    """The whole rig from a moment on."""

    since: datetime
    rows: tuple[RigRow, ...]


def rig_card(radius: TurningRadius) -> tuple[RigTime, ...]:
    """Return the card: the rig at the start, and again from each time on at which a rod is set anew."""
    card: list[RigTime] = []
    for step in radius.steps:
        before = {row.rod: row.line_out_m for row in card[-1].rows} if card else {}
        rows = tuple(_row(one, fresh=before.get(one.rod.name) != one.cable_out_m) for one in step.rods)
        if any(row.fresh for row in rows):
            card.append(RigTime(step.since, rows))
    return tuple(card)


def _row(towed: TowedRod, *, fresh: bool) -> RigRow:
    rod = towed.rod
    flat = rod.kind == "flat line"
    line = rod.kind if rod.cable_of is None else f"clip on {rod.cable_of}"
    return RigRow(
        rod=rod.name,
        side=rod.side,
        line=line,
        depth_m=towed.depth_m,
        line_out_m=towed.cable_out_m,
        angle_deg=degrees(towed.cable_angle_rad),
        setback_m=0.0 if flat else rod.setback_m,
        behind_m=towed.layback_m + (0.0 if flat else rod.setback_m),
        fresh=fresh,
    )


def rig_words(card: tuple[RigTime, ...], show: Show) -> Iterator[str]:
    """Yield the card as lines of text; a rod set anew is marked with a star."""
    for time in card:
        yield f"From {time.since:%H:%M}"
        yield _TEXT.format("rod", "side", "line", "depth", "dial", "angle", "setback", "behind", "new")
        for row in time.rows:
            depth, dial, setback, behind = (
                format_quantity(value, show.depth, 0)
                for value in (row.depth_m, row.line_out_m, row.setback_m, row.behind_m)
            )
            angle, star = f"{row.angle_deg:.0f}°", "*" if row.fresh else ""
            yield _TEXT.format(
                row.rod[:22], row.side, row.line[:12], depth, dial, angle, setback, behind, star
            ).rstrip()
