"""Laps: two passes that a boat can turn between, their ends trimmed until the turns stay in allowed water."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from math import atan2, pi

import shapely
from shapely import LineString, Point

from spotmap.dubins import dubins_paths
from spotmap.model import FloatArray
from spotmap.passes import SHORTEST_PASS_RADII, Cut, NoPass, PassLine, trimmed
from spotmap.turns import Turn, end_pose, legal_turn, start_pose
from spotmap.water import GearWater

_TRIMS_PER_RADIUS = 3.0
_MOST_TRIMS = 25
_NEARLY_SHORTEST = 1.02
_WINDS = ("north", "north-east", "east", "south-east", "south", "south-west", "west", "north-west")


@dataclass(frozen=True)
class Lap:
    """Out along one pass, a turn, back along another (or the same), a turn.

    `out` and `back` run the same way (the boat runs `back` from its end to its start). `far` leads from the end of
    `out` to the end of `back`, `near` from the start of `back` to the start of `out`; both are
    None where they are left for when they are run. `cuts` tell what the turns cost.
    """

    out: PassLine
    back: PassLine
    far: Turn | None
    near: Turn | None
    cuts: tuple[Cut, ...]


def fit_lap(out: PassLine, back: PassLine | None, radius_m: float, water: GearWater) -> Lap | NoPass:
    """Return a lap on one pass, or on two passes side by side.

    Parameters
    ----------
    out
        The pass to run first.
    back
        The pass to return on; None returns on the same one.
    radius_m
        The turning radius R, metres.
    water
        Where gear may be.

    Returns
    -------
    Lap or NoPass
        With the shortest trims that leave room for both turns; or what forbids the turns.
    """
    beside = side_by_side(out, back)
    if isinstance(beside, NoPass):
        return beside
    shapely.prepare(water.allowed)
    far = _fit_end(_reversed(out), _reversed(beside), radius_m, water)
    if isinstance(far, NoPass):
        return far
    out, beside = trimmed(out, 0.0, far.trim_out_m), trimmed(beside, 0.0, far.trim_back_m)
    near = _fit_end(out, beside, radius_m, water)
    if isinstance(near, NoPass):
        return near
    out, beside = trimmed(out, near.trim_out_m, 0.0), trimmed(beside, near.trim_back_m, 0.0)
    cuts = tuple(
        Cut(end.trim_out_m, (f"no room to turn at the {place} end: " + "; ".join(end.reasons[:2]),))
        for end, place in ((far, _side_of(out.xy[-1] - out.xy[0])), (near, _side_of(out.xy[0] - out.xy[-1])))
        if end.trim_out_m > 0.0
    )
    # the near turn was found from `out` to `back`; the boat runs it from `back` to `out`
    return Lap(out, beside, far.turn, near.turn.run_back(), cuts)


def side_by_side(out: PassLine, back: PassLine | None) -> PassLine | NoPass:
    """Return the part of a return pass that lies beside the first one, running the same way; None returns on the first.

    NoPass says that it does not run beside it.
    """
    beside = out if back is None else _beside(back, out)
    return NoPass(("the return line does not run beside the depth line",), 0.0) if beside is None else beside


@dataclass(frozen=True)
class _End:
    trim_out_m: float
    trim_back_m: float
    turn: Turn
    reasons: tuple[str, ...]

    @property
    def cost_m(self) -> float:
        """Return what this end costs: the turn, and the passes that are lost to it."""
        return self.turn.length_m + self.trim_out_m + self.trim_back_m


def _fit_end(out: PassLine, back: PassLine, radius_m: float, water: GearWater) -> _End | NoPass:
    """Trim the starts of two passes so that the turn between them and the line lost to it are least.

    The turn leaves `out` against its direction and enters `back` along its direction. Where the shortest turn of all
    is open nothing is trimmed.
    """
    room_m = min(out.length_m, back.length_m) - SHORTEST_PASS_RADII * radius_m
    step_m = radius_m / _TRIMS_PER_RADIUS
    reasons: tuple[str, ...] = ()
    best: _End | None = None
    for trim_out, trim_back in trims():
        lost_m = (trim_out + trim_back) * step_m
        if best is not None and lost_m >= best.cost_m:
            break
        if max(trim_out, trim_back) * step_m > room_m:
            continue
        one = out if trim_out == 0 else trimmed(out, trim_out * step_m, 0.0)
        other = back if trim_back == 0 else trimmed(back, trim_back * step_m, 0.0)
        leaving, entering = end_pose(one.xy[::-1]), start_pose(other.xy)
        paths = dubins_paths(leaving, entering, radius_m)
        if best is not None and lost_m + paths[0].length_m >= best.cost_m:
            continue
        turn = legal_turn(paths, water.allowed, water.depth)
        if turn is not None and (best is None or lost_m + turn.length_m < best.cost_m):
            best = _End(trim_out * step_m, trim_back * step_m, turn, reasons)
        if turn is not None and turn.length_m <= _NEARLY_SHORTEST * paths[0].length_m:
            break
        reasons = reasons or water.why_not(Point(leaving.x, leaving.y).buffer(3.0 * radius_m).boundary)
    if best is not None:
        return best
    return NoPass(tuple(f"no room to turn: {reason}" for reason in reasons) or ("no room to turn",), 0.0)


def trims() -> Iterator[tuple[int, int]]:
    """Yield pairs of trims, in steps, the least together first.

    Unequal trims of one line leave it on the deep side and come back to it farther along, where equal ones would need
    water on both sides.
    """
    for total in range(_MOST_TRIMS):
        pairs = ((total - other, other) for other in range(total + 1))
        yield from sorted(pairs, key=lambda pair: abs(pair[0] - pair[1]))


def _side_of(away: FloatArray) -> str:
    # eight winds are coarse enough for the local north
    east, north = away
    return _WINDS[round(atan2(east, north) / (pi / 4.0)) % 8]


def _reversed(line: PassLine) -> PassLine:
    return replace(line, xy=line.xy[::-1])


def _beside(back: PassLine, out: PassLine) -> PassLine | None:
    """Return the part of a return pass that lies beside the first one, running the same way."""
    line = LineString(back.xy)
    begin, end = line.project(Point(out.xy[0])), line.project(Point(out.xy[-1]))
    if begin > end:
        turned = line.reverse()
        return _beside(replace(back, xy=shapely.get_coordinates(turned)), out) if end != begin else None
    if end - begin < out.length_m / 4.0:
        return None
    return trimmed(back, begin, line.length - end)
