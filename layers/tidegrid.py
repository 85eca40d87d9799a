"""Water level on a grid over time, and a little beyond its known nodes, for models tell nothing on the shore itself."""

from __future__ import annotations

from functools import cached_property

import numpy as np
import numpy.typing as npt
from shapely import MultiPolygon

from layers._depthfile import as_polygons
from layers._errors import InputError
from layers.coverages import GridSeries
from layers.lattice import Lattice
from layers.model import Bounds, FloatArray, Station
from layers.projection import LocalProjection
from layers.tidetables import HeightTable

REACH_M = 2 * 1852.0
"""How far a known node speaks for nodes without a word: common practice, no source."""
_DEGREE_M = 1852.0 * 60
_SQUARE = 0.5**0.5
_FARTHEST_DEG = 89.0


class GridTide:
    """Heights at the nodes of a grid, bilinear between them and linear between moments.

    A node that is unknown at a moment, or lies beyond the grid's edge, takes the lowest of the heights known at that
    moment in a square around it whose corners are `REACH_M` away; where there is none it stays unknown. So the water
    by the shore, where a grid's cells reach onto land, is told, and never higher than the water near it.

    Parameters
    ----------
    grid
        Heights over the area's datum less `offset_m`.
    offset_m
        What is added to every height.
    projection
        The area's.
    where
        How messages name the file.

    Raises
    ------
    InputError
        Nothing is told at some moment, or the grid reaches too far from the area.
    """

    def __init__(self, grid: GridSeries, offset_m: float, *, projection: LocalProjection, where: str) -> None:
        step_lon, step_lat = float(np.diff(grid.lon_deg).mean()), float(np.diff(grid.lat_deg).mean())
        farthest = min(float(np.abs(grid.lat_deg).max()), _FARTHEST_DEG)
        # a parallel is longest nearest the equator: a node counts as farther than it is, never as nearer
        nearest = 0.0 if grid.lat_deg[0] < 0 < grid.lat_deg[-1] else min(float(np.abs(grid.lat_deg).min()), farthest)
        columns = int(REACH_M * _SQUARE // (step_lon * _DEGREE_M * np.cos(np.radians(nearest))))
        rows = int(REACH_M * _SQUARE // (step_lat * _DEGREE_M))
        lon = _longer(grid.lon_deg, step_lon, columns)
        lat = _longer(grid.lat_deg, step_lat, rows)
        self._lattice = Lattice(lon, lat, grid.time_s, projection=projection, where=where)
        least = np.array([np.nanmin(field, initial=np.inf) for field in grid.values[0]], dtype=np.float64)
        if np.isinf(least).any():
            moment = int(np.argmax(np.isinf(least)))
            what = f"Group_{moment + 1:03d} tells no height in the area: all its values there are fill values."
            raise InputError.one(where, what, "Get a file that covers the area.")
        self._least = HeightTable(grid.time_s, least + offset_m, smooth=False)
        self._height = _filled(grid.values[0], rows, columns)
        self._height += np.float32(offset_m)

    @property
    def stations(self) -> tuple[Station, ...]:
        """Return none."""
        return ()

    @property
    def reach_s(self) -> tuple[float, float]:
        """Return the first and the last moment of the grid."""
        return self._lattice.reach_s

    def height_at(self, x: FloatArray, y: FloatArray, time_s: FloatArray) -> FloatArray:
        """Return heights in metres, arrays broadcast; NaN farther from known nodes than is told, and at other times."""
        return self._lattice.between(self._height, np.float64, x, y, time_s)

    def least_m(self, start_s: float, end_s: float) -> float:
        """Return a height that is not undercut from start to end wherever it is known; NaN outside `reach_s`.

        It is the lowest node's at each moment, linear between moments: no place falls below that.
        """
        return self._least.least(start_s, end_s) - _ROUNDING_M

    def known(self, within: Bounds) -> MultiPolygon:
        """Return the water in which the height is known throughout `reach_s`, clipped to `within`."""
        return as_polygons(self._known, within)

    @cached_property
    def _known(self) -> MultiPolygon:
        return self._lattice.cells(np.asarray(np.isfinite(self._height).all(axis=0)))


_ROUNDING_M = 1e-5
"""More than a sum of two 32-bit heights can be off by."""


def _longer(axis: FloatArray, step: float, by: int) -> FloatArray:
    """Return an axis with more nodes at both ends."""
    more = step * np.arange(1, by + 1)
    return np.concatenate([axis[0] - more[::-1], axis, axis[-1] + more])


def _filled(heights: npt.NDArray[np.float32], rows: int, columns: int) -> npt.NDArray[np.float32]:
    """Return heights with more rows and columns around, the unknown ones at the lowest known near them."""
    from scipy.ndimage import minimum_filter  # noqa: PLC0415 - a tenth of a second that only a grid is worth

    count, height, width = heights.shape
    wide = np.full((count, height + 2 * rows, width + 2 * columns), np.nan, dtype=np.float32)
    wide[:, rows : rows + height, columns : columns + width] = heights
    for field in wide:
        unknown = np.isnan(field)
        lowest = minimum_filter(
            np.where(unknown, np.float32(np.inf), field), (2 * rows + 1, 2 * columns + 1), mode="constant", cval=np.inf
        )
        field[unknown] = np.where(np.isinf(lowest), np.nan, lowest)[unknown]
    return wide
