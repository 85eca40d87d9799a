"""Shapes as the page takes them: whole-number steps in degrees, which `shapes.js` puts together again."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import shapely

if TYPE_CHECKING:
    from collections.abc import Sequence

    from shapely.geometry.base import BaseGeometry

    from layers.model import FloatArray
    from layers.projection import LocalProjection

Parts = list[list[int]]
"""Rings or lines, each [lat, lon, step in lat, step in lon, …], in 10 to the minus `digits` degrees."""

_STRAIGHT_M = 5000.0
"""Longer edges are drawn in pieces: straight in local metres is bent on the page, half a metre in 5 km."""
_AREA = 2  # shapely's dimension of polygons


@dataclass(frozen=True)
class Shape:
    """A geometry in steps; see `Parts`."""

    digits: int
    parts: Parts


def steps(projection: LocalProjection, geometry: BaseGeometry, digits: int) -> Parts:
    """Return a geometry's points, lines or rings as whole-number steps.

    Parameters
    ----------
    projection
        The local projection of the geometry.
    geometry
        Any geometry in local metres.
    digits
        Decimals of a degree kept.

    Returns
    -------
    Parts
        One flat list for each point, line or ring; a ring's last point, the same as its first, is left out;
        points that fall together on this grid are one.

    """
    parts = shapely.get_parts(shapely.get_parts(geometry))
    areas = shapely.get_dimensions(parts) == _AREA
    lines = np.concatenate([parts[~areas], shapely.get_rings(parts[areas])])
    xy, owner = shapely.get_coordinates(lines, return_index=True)
    if not len(xy):
        return []
    lon, lat = projection.to_geographic(xy[:, 0], xy[:, 1])
    middle = projection.lon0_deg
    unwrapped = middle + (np.asarray(lon) - middle + 180.0) % 360.0 - 180.0
    grid = np.rint(np.column_stack([lat, unwrapped]) * 10.0**digits).astype(np.int64)
    ring = np.zeros(len(xy), dtype=bool)
    last = np.append(owner[1:] != owner[:-1], True)
    ring[last] = shapely.get_type_id(lines[owner[last]]) == shapely.GeometryType.LINEARRING
    first = np.append(True, owner[1:] != owner[:-1])
    same = np.append(False, (grid[1:] == grid[:-1]).all(axis=1)) & ~first
    keep = ~(ring | same)
    grid, owner = grid[keep], owner[keep]
    begins = np.flatnonzero(np.append(True, owner[1:] != owner[:-1]))
    moved = np.diff(grid, axis=0, prepend=grid[:1])
    moved[begins] = grid[begins]
    return [part.ravel().tolist() for part in np.split(moved, begins[1:])]


def shape_of(projection: LocalProjection, geometry: BaseGeometry, digits: int, tolerance_m: float = 0.0) -> Shape:
    """Return a shape, its rings kept from crossing where it is simplified by up to a tolerance.

    Parameters
    ----------
    projection, geometry, digits
        As in `steps`.
    tolerance_m
        How far the simplified shape may stray, metres; 0 leaves it as it is.

    """
    simple = shapely.simplify(geometry, tolerance_m) if tolerance_m else geometry
    return Shape(digits, steps(projection, shapely.segmentize(simple, _STRAIGHT_M), digits))


def line_shapes(
    projection: LocalProjection, tracks: Sequence[FloatArray], digits: int, tolerance_m: float
) -> list[Shape]:
    """Return a shape for each of many lines, at hardly more cost than for one.

    Parameters
    ----------
    projection, digits, tolerance_m
        As in `shape_of`.
    tracks
        Lines, each (n, 2) local metres with n at least 2.

    """
    if not tracks:
        return []
    owner = np.repeat(np.arange(len(tracks)), [len(xy) for xy in tracks])
    lines = shapely.linestrings(np.concatenate(tracks), indices=owner)
    simple = shapely.simplify(lines, tolerance_m, preserve_topology=False)
    long = shapely.length(simple) > _STRAIGHT_M  # a line without length cannot be cut in pieces
    simple[long] = shapely.segmentize(simple[long], _STRAIGHT_M)
    return [Shape(digits, [part]) for part in steps(projection, simple, digits)]
