"""What a plan's legs go through or come near that asks for care, though nothing keeps them off it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely
from shapely import LineString

from layers.model import Area
from spotmap.model import TimedLeg

_NEAR_M = 50.0
"""A caution that is a line or a place is told to legs this near (common practice, no source)."""
_MOST_LEGS = 6


def met_cautions(area: Area, legs: Sequence[TimedLeg]) -> list[str]:
    """Return a sentence for each caution that legs go through or come near, with the legs' numbers.

    Parameters
    ----------
    area
        The area.
    legs
        The plan's legs.

    Returns
    -------
    list of str
        In the order of the area's cautions; those of the same words once.
    """
    if not area.cautions:
        return []
    tracks = np.array([LineString(timed.leg.xy) for timed in legs], dtype=object)
    shapes = np.array([caution.shape for caution in area.cautions], dtype=object)
    reach_m = np.where(shapely.area(shapes) > 0.0, 0.0, _NEAR_M)
    met = shapely.dwithin(tracks[None, :], shapes[:, None], reach_m[:, None])
    told: dict[str, set[int]] = {}
    for caution, on in zip(area.cautions, met, strict=True):
        if on.any():
            kind = caution.kind or "place to take care at"
            named = kind if caution.name in ("", caution.kind) else f"{kind} '{caution.name}'"
            told.setdefault(f"{named}: {caution.note}".rstrip(": "), set()).update(np.flatnonzero(on).tolist())
    return [f"Take care, {_legs(legs, on)}: {words}" for words, on in told.items()]


def _legs(legs: Sequence[TimedLeg], on: set[int]) -> str:
    numbers = [str(legs[i].seq) for i in sorted(on)]
    more = f" and {len(numbers) - _MOST_LEGS} more" if len(numbers) > _MOST_LEGS else ""
    return f"{'leg' if len(numbers) == 1 else 'legs'} {', '.join(numbers[:_MOST_LEGS])}{more}"
