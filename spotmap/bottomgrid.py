"""The bottom round a trip as a small grid for the page, which draws sections and slopes from it."""

from __future__ import annotations

import base64
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from layers.units import to_unit
from spotmap.roundlines import steps_at

if TYPE_CHECKING:
    from layers.model import Area, Bounds, Depth
    from layers.projection import LocalProjection
    from spotmap.model import Plan

MOST_NODES = 12_000
"""Reading one costs a microsecond, and a section between touched places wants no more than a boat's length or two."""
FINEST_M = 10.0
UNKNOWN = -32768
"""The number of a node whose depth is not known."""
_DEEPEST = 32767
_ROUND_THE_LEGS_M = 1_000.0
_EARTH_M = 6_371_000.0


@dataclass(frozen=True)
class BottomGrid:
    """Charted depth at nodes even in latitude and longitude, the first in the south-west, row by row to the north.

    `south`, `west`, `north_step` and `east_step` are degrees (the longitude may pass 180), `every_m` how far apart the
    nodes are. `depths` are little-endian 16-bit whole numbers of `quantum_m` metres in base64, rounded to the
    shallower, `UNKNOWN` where the depth is not known. `steps` has a bit for each node, the first the highest of its
    byte, set where the depth comes from depth areas: there it goes in steps, with nothing between them.
    """

    south: float
    west: float
    north_step: float
    east_step: float
    rows: int
    columns: int
    every_m: float
    quantum_m: float
    unknown: int
    depths: str
    steps: str


@dataclass(frozen=True)
class Reading:
    """What the page reads depths and distances in: units, how many metres each is, and the depths' datum."""

    depth: str
    depth_unit_m: float
    distance: str
    distance_unit_m: float
    near: str
    near_unit_m: float
    datum: str


def reading(area: Area) -> Reading:
    """Return what the page of a plan in this area reads in; short lengths as `legwords.near_words`."""
    show = area.show
    near = "m" if show.depth == "m" else "ft"
    metres = [1.0 / to_unit(1.0, unit) for unit in (show.depth, show.distance, near)]
    return Reading(show.depth, metres[0], show.distance, metres[1], near, metres[2], area.depth_datum)


def trip_bottom(plan: Plan) -> BottomGrid:
    """Return the bottom of all legs and a kilometre round them, where there is depth."""
    west, south, east, north = plan.area.depth.bounds
    xy = np.concatenate([leg.leg.xy for leg in plan.legs])
    low, high = xy.min(axis=0) - _ROUND_THE_LEGS_M, xy.max(axis=0) + _ROUND_THE_LEGS_M
    within = max(west, low[0]), max(south, low[1]), min(east, high[0]), min(north, high[1])
    return bottom_grid(plan.area.depth, plan.area.projection, within)


def bottom_grid(depth: Depth, projection: LocalProjection, within: Bounds) -> BottomGrid:
    """Return the bottom in a box as a grid of at most `MOST_NODES`.

    Parameters
    ----------
    depth
        What is read, at each node.
    projection
        That of its local metres.
    within
        The box, local metres.

    Returns
    -------
    BottomGrid
        Nodes at least 10 m apart, about as far to the north as to the east.
    """
    west, south, east, north = within
    x, y = np.array([west, east, west, east, (west + east) / 2]), np.array([south, south, north, north, north])
    lon, lat = (np.asarray(one) for one in projection.to_geographic(x, y))
    lon = projection.lon0_deg + (lon - projection.lon0_deg + 180.0) % 360.0 - 180.0
    high, wide = float(np.ptp(lat)), float(np.ptp(lon))
    degree_m = np.radians(1.0) * _EARTH_M
    squeeze = np.cos(np.radians((lat.min() + lat.max()) / 2.0))
    every_m = max(FINEST_M, float(np.sqrt(high * wide * squeeze / MOST_NODES)) * degree_m)
    rows, columns = _count(high * degree_m / every_m), _count(wide * squeeze * degree_m / every_m)
    north_step, east_step = high / (rows - 1), wide / (columns - 1)
    lons, lats = np.meshgrid(lon.min() + east_step * np.arange(columns), lat.min() + north_step * np.arange(rows))
    x, y = (np.asarray(one) for one in projection.to_local(lons.ravel(), lats.ravel()))
    found = depth.depth_at(x, y)
    known = np.isfinite(found)
    quantum_m = 0.1 if not known.any() or np.abs(found[known]).max() < 0.1 * _DEEPEST else 1.0
    whole = np.full(found.shape, UNKNOWN, dtype="<i2")
    whole[known] = np.floor(found[known] / quantum_m + 1e-6)
    return BottomGrid(
        south=round(float(lat.min()), 9),
        west=round(float(lon.min()), 9),
        north_step=north_step,
        east_step=east_step,
        rows=rows,
        columns=columns,
        every_m=round(every_m, 1),
        quantum_m=quantum_m,
        unknown=UNKNOWN,
        depths=base64.b64encode(whole.tobytes()).decode(),
        steps=base64.b64encode(np.packbits(steps_at(depth, x, y) & known).tobytes()).decode(),
    )


def _count(steps: float) -> int:
    return max(2, int(steps) + 1)
