"""Where spots lie in an area, and what is doubtful about it: on land, in unknown water, outside, mixed up."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely

from layers._errors import Finding
from layers.model import Area
from layers.positions import format_position
from layers.spots import Spot

_MOST_LAT_DEG = 90.0
_LISTED = 6
_Flags = npt.NDArray[np.bool_]


@dataclass(frozen=True)
class PlaceDoubts:
    """What is doubtful about where spots lie.

    `mixed_up` are those that lie outside the area as written, and in it once longitude and latitude are swapped or a
    sign is turned: each with the (longitude, latitude) that may be meant. `findings` are warnings about the others.
    """

    mixed_up: tuple[tuple[Spot, tuple[float, float]], ...]
    findings: tuple[Finding, ...]

    @property
    def questions(self) -> tuple[Finding, ...]:
        """Return an error for each that is mixed up, which asks what is meant."""
        return tuple(
            Finding(
                f"'{spot.name}'",
                f"{spot.position} lies outside the area; {format_position(*meant)} would lie in it.",
                f"Did you mean {meant[1]:.6f}, {meant[0]:.6f}? Write it so, or add --anyway to keep it as written.",
            )
            for spot, meant in self.mixed_up
        )


def place_doubts(area: Area, spots: Sequence[Spot]) -> PlaceDoubts:
    """Return what is doubtful about where spots lie.

    Parameters
    ----------
    area
        The area; its box is that of its depth data.
    spots
        Spots; those without a position are left out.
    """
    placed = [one for one in spots if one.placed]
    lon, lat = np.array([(one.lon, one.lat) for one in placed]).reshape(-1, 2).T
    x, y, inside = _local(area, lon, lat)
    meant: dict[int, tuple[float, float]] = {}
    for other_lon, other_lat in ((lat, lon), (-lon, lat), (lon, -lat)):
        would = ~inside & (np.abs(other_lat) <= _MOST_LAT_DEG) & _local(area, other_lon, other_lat)[2]
        for i in np.flatnonzero(would).tolist():
            meant.setdefault(i, (float(other_lon[i]), float(other_lat[i])))
    shapely.prepare(area.land)
    ashore = np.zeros(len(placed), dtype=bool)
    ashore[inside] = shapely.contains_xy(area.land, x[inside], y[inside])
    unknown = np.zeros(len(placed), dtype=bool)
    wet = inside & ~ashore
    unknown[wet] = np.isnan(area.depth.depth_at(x[wet], y[wet]))
    outside = ~inside
    outside[list(meant)] = False
    told = (
        (outside, "outside the water that the area has depth for", "No depth and no closure is known there."),
        (ashore, "on land by the area's data", "Check the position."),
        (unknown, "in water of unknown depth", "Gear is never planned there."),
    )
    findings = tuple(
        Finding(_names([placed[i] for i in np.flatnonzero(flags)]), f"{_is(flags)} {what}.", remedy, "warning")
        for flags, what, remedy in told
        if flags.any()
    )
    return PlaceDoubts(tuple((placed[i], place) for i, place in sorted(meant.items())), findings)


def _local(
    area: Area, lon: npt.NDArray[np.float64], lat: npt.NDArray[np.float64]
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64], _Flags]:
    """Return local metres and whether each place lies in the box of known depth."""
    on_earth = np.abs(lat) <= _MOST_LAT_DEG
    x, y = (np.asarray(one) for one in area.projection.to_local(lon, np.where(on_earth, lat, 0.0)))
    west, south, east, north = area.depth.bounds
    with np.errstate(invalid="ignore"):
        inside = on_earth & (x >= west) & (x <= east) & (y >= south) & (y <= north)
    return x, y, inside


def _names(spots: Sequence[Spot]) -> str:
    more = len(spots) - _LISTED
    return ", ".join(f"'{one.name}'" for one in spots[:_LISTED]) + (f" and {more} more" if more > 0 else "")


def _is(flags: _Flags) -> str:
    return "lies" if flags.sum() == 1 else "lie"
