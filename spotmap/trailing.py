"""Gear trailing behind: where every ball and lure goes along the gear-down legs, how deep and how fast."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from spotmap.cable import point_above
from spotmap.chain import Chain, Way, pull_all, resampled, speeds
from spotmap.clock import elapsed
from spotmap.gear import clips_of, line_of
from spotmap.model import FloatArray, RigStep, TimedLeg, TowedRod, Trip, TurningRadius
from spotmap.moving import chain_drift

STEP_S = 1.0
TRAILS_AFTER = 1.5
"""Chain lengths of way after which gear that was let out trails as if it had never been anywhere else."""
_TABLE_SPEEDS = np.linspace(0.0, 1.4, 29)
"""Shares of trolling speed at which a ball's depth is worked out, to be read between."""


@dataclass(frozen=True)
class Trail:
    """One stretch of track between two lifts of the gear, at n moments; rods and links as in `chain`.

    `out` says where gear trails as it should; during the first `starting` moments it trails over water from before
    the start.
    """

    legs: tuple[TimedLeg, ...]
    leg_of_step: npt.NDArray[np.intp]
    rods: tuple[TowedRod, ...]
    tips: FloatArray
    ends: FloatArray
    depth_m: FloatArray
    speed_mps: FloatArray
    out: npt.NDArray[np.bool_]
    like: tuple[int, ...]
    starting: int

    @property
    def fresh(self) -> list[int]:
        """Return the legs, by their place in the trail, whose like has not come before."""
        return sorted(set(self.like))


def _chains(legs: Sequence[TimedLeg]) -> Iterator[tuple[TimedLeg, ...]]:
    chain: list[TimedLeg] = []
    for timed in legs:
        if timed.leg.kind != "run":
            chain.append(timed)
        elif chain:
            yield tuple(chain)
            chain = []
    if chain:
        yield tuple(chain)


def trails(trip: Trip, radius: TurningRadius, legs: Sequence[TimedLeg]) -> list[Trail]:
    """Return where the gear goes between every two lifts.

    Where gear goes down it trails straight behind from the first. A ball hangs as deep as its own speed lets it. In
    moving water the chain is pulled through the water and carried over the ground with it.

    Parameters
    ----------
    trip, radius
        The trip and its rig.
    legs
        The whole trip's legs in time.

    Returns
    -------
    list of Trail
        In order of time; empty where gear never goes down.
    """
    speed = trip.boat.troll_speed_mps
    lengths = np.array([[_links(one) for one in step.rods] for step in radius.steps])
    whole_m = lengths.sum(axis=2).max(axis=0)
    lead = int(np.ceil(TRAILS_AFTER * whole_m.max() / (speed * STEP_S)))
    side = np.array([{"port": 1.0, "starboard": -1.0, "stern": 0.0}[one.rod.side] for one in radius.rods])
    reach_m = side * np.array([one.rod.reach_m for one in radius.rods])
    chains = list(_chains(legs))
    if not chains:
        return []
    ways, clocks = [], []
    for chain in chains:
        time_s, boat, drift = _through_water(chain, speed, lead)
        since_s = np.array([elapsed(chain[0].start, step.since).total_seconds() for step in radius.steps])
        step_of = np.maximum(np.searchsorted(since_s, np.maximum(time_s, 0.0), side="right") - 1, 0)
        ways.append(Way(boat, Chain(lengths[step_of], reach_m)))
        clocks.append((time_s, drift, step_of))
    hung: dict[tuple[str, float], FloatArray] = {}
    found = []
    for chain, (time_s, drift, step_of), pulled in zip(chains, clocks, pull_all(ways), strict=True):
        # gear counts once it trails again after it was set anew: a chain's length and a half of way
        fresh_from = np.maximum.accumulate(np.where(np.diff(step_of, prepend=-1) != 0, np.arange(len(step_of)), 0))
        way_m = (np.arange(len(step_of)) - fresh_from) * speed * STEP_S
        out = way_m[:, None] >= TRAILS_AFTER * whole_m
        # a speed is taken over the steps to either side: the last one before a change is not the gear's own
        out[:-1][np.diff(step_of) != 0] = False
        depth = _depths(radius.steps, step_of, speeds(pulled.ends[:, :, 0], STEP_S), speed, hung)
        ends_s = np.array([elapsed(chain[0].start, timed.end).total_seconds() for timed in chain])
        leg_of_step = np.minimum(np.searchsorted(ends_s, time_s[lead:], side="right"), len(chain) - 1)
        rig = step_of[lead:]
        first = np.searchsorted(leg_of_step, np.arange(len(chain)))
        last = np.searchsorted(leg_of_step, np.arange(len(chain)), side="right") - 1
        found.append(
            Trail(
                legs=chain,
                leg_of_step=leg_of_step,
                rods=radius.rods,
                tips=pulled.tips[lead:] + drift[lead:, None],
                ends=pulled.ends[lead:] + drift[lead:, None, None],
                depth_m=depth[lead:],
                speed_mps=speeds(pulled.ends[:, :, -1], STEP_S)[lead:],
                out=out[lead:],
                like=_like(chain, rig[first.clip(max=len(rig) - 1)], rig[last.clip(min=0)]),
                starting=lead,
            )
        )
    return found


def _through_water(chain: Sequence[TimedLeg], speed_mps: float, lead: int) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return the boat's places through the water at equal steps, straight ahead for `lead` of them before the start.

    Times (n,) from the start, places (n, 2), and how far the current has carried everything by then, (n, 2).
    """
    xy = np.vstack([chain[0].leg.xy, *(timed.leg.xy[1:] for timed in chain[1:])])
    before_m = lead * speed_mps * STEP_S
    if any(timed.leg.clock_s is None for timed in chain):
        ahead = (xy[1] - xy[0]) / np.hypot(*(xy[1] - xy[0]))
        time_s, boat = resampled(np.vstack([xy[0] - before_m * ahead, xy]), speed_mps, STEP_S)
        return time_s - lead * STEP_S, boat, np.zeros_like(boat)
    clock, carried = chain_drift([timed.leg for timed in chain])
    water = xy - carried
    ahead = (water[1] - water[0]) / np.hypot(*(water[1] - water[0]))
    # the vertices' own clock; a step that is whole but for rounding counts
    time_s = np.arange(-lead, int(clock[-1] / STEP_S + 1e-9) + 1, dtype=np.float64) * STEP_S
    clock, water = np.append(-lead * STEP_S, clock), np.vstack([water[0] - before_m * ahead, water])
    carried = np.vstack([carried[:1], carried])
    boat, drift = (
        np.column_stack([np.interp(time_s, clock, part[:, axis]) for axis in (0, 1)]) for part in (water, carried)
    )
    return time_s, boat, drift


def _like(
    chain: Sequence[TimedLeg], rig_first: npt.NDArray[np.intp], rig_last: npt.NDArray[np.intp]
) -> tuple[int, ...]:
    """Return, for each leg, the first leg that it repeats: the same track after the same one, the rods set the same.

    Laps repeat; the gear does the same on each but the first, and once is enough to look at what does not change with
    the clock.
    """
    seen: dict[tuple[object, ...], int] = {}
    found = []
    before: object = None
    for index, timed in enumerate(chain):
        own = None if timed.leg.clock_s is None else timed.seq  # in moving water no lap is like another
        here = (timed.leg.xy.tobytes(), int(rig_first[index]), int(rig_last[index]), own)
        found.append(seen.setdefault((before, here), index))
        before = here
    return tuple(found)


def _links(towed: TowedRod) -> tuple[float, float]:
    return towed.layback_m, 0.0 if towed.rod.kind == "flat line" else towed.rod.setback_m


def _depths(
    steps: Sequence[RigStep],
    step_of: npt.NDArray[np.intp],
    ball_speed: FloatArray,
    speed_mps: float,
    known: dict[tuple[str, float], FloatArray],
) -> FloatArray:
    """Return each rod's depth at each moment, (n, rods), by its ball's own speed; `known` gathers tables."""
    depth = np.empty_like(ball_speed)
    for index in np.unique(step_of):
        rods = steps[index].rods
        by_name = {one.rod.name: one for one in rods}
        at = step_of == index
        for column, one in enumerate(rods):
            key = (one.rod.name, one.cable_out_m)
            if key not in known:
                carrier = by_name[one.rod.cable_of or one.rod.name]
                line = line_of([carrier.rod], [clips_of(carrier.rod, [other.rod for other in rods])])
                known[key], _ = point_above(line, carrier.cable_out_m, _TABLE_SPEEDS * speed_mps, one.rod.above_m)
            depth[at, column] = np.interp(ball_speed[at, column], _TABLE_SPEEDS * speed_mps, known[key])
    return depth
