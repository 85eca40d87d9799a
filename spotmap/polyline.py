"""Tracks as arrays of vertices: distance along, places at a distance, evenly spaced copies.

shapely walks a line from its start for every place asked of it; these ask for thousands at once.
"""

from __future__ import annotations

import numpy as np

from spotmap.model import FloatArray


def along_m(xy: FloatArray) -> FloatArray:
    """Return the distance of each vertex (n, 2) from the first, along the track, as (n,)."""
    return np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(xy, axis=0).T))])


def length_m(xy: FloatArray) -> float:
    """Return the length of a track (n, 2)."""
    return float(np.hypot(*np.diff(xy, axis=0).T).sum())


def places_at(xy: FloatArray, distance_m: FloatArray | list[float]) -> FloatArray:
    """Return the places (m, 2) at distances (m,) along a track (n, 2), held to its ends.

    Examples
    --------
    >>> places_at(np.array([[0.0, 0.0], [10.0, 0.0], [10.0, 10.0]]), [5.0, 15.0, 99.0]).tolist()
    [[5.0, 0.0], [10.0, 5.0], [10.0, 10.0]]
    """
    along = along_m(xy)
    return np.column_stack([np.interp(distance_m, along, xy[:, axis]) for axis in (0, 1)])


def evenly_spaced(xy: FloatArray, step_m: float, *, least: int = 4) -> FloatArray:
    """Return a track's places about a step apart, both ends kept, in at least so many pieces."""
    total = length_m(xy)
    pieces = max(round(total / step_m), least)
    return places_at(xy, np.linspace(0.0, total, pieces + 1))


def begun_after(xy: FloatArray, distance_m: float) -> FloatArray:
    """Return a track (n, 2) without its first so many metres, begun at the vertex nearest to there."""
    first = int(np.abs(along_m(xy) - distance_m).argmin())
    return xy[min(first, len(xy) - 2) :]


def circumradius_m(a: FloatArray, b: FloatArray, c: FloatArray) -> FloatArray:
    """Return the radius (n,) of the circle through three places each, (n, 2); infinite where they are in line.

    Examples
    --------
    >>> corners = np.array([[1.0, 0.0]]), np.array([[0.0, 1.0]]), np.array([[-1.0, 0.0]])
    >>> [round(radius, 6) for radius in circumradius_m(*corners).tolist()]
    [1.0]
    """
    sides = [np.hypot(*(q - p).T) for p, q in ((a, b), (b, c), (a, c))]
    cross = np.abs((b - a)[:, 0] * (c - a)[:, 1] - (b - a)[:, 1] * (c - a)[:, 0])
    radius = np.full(len(a), np.inf)
    np.divide(sides[0] * sides[1] * sides[2], 2.0 * cross, out=radius, where=cross > 0.0)
    return radius
