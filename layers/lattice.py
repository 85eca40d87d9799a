"""Nodes on latitudes and longitudes at moments: what is told between them, and where all around is known."""

from __future__ import annotations

from typing import TypeVar

import numpy as np
import numpy.typing as npt
import shapely
from shapely import MultiPolygon

from layers._depthfile import as_polygons
from layers._errors import InputError
from layers.model import FloatArray
from layers.projection import LocalProjection

Number = TypeVar("Number", np.float64, np.complex128)

_EARTH_RADIUS_M = 6_371_000.0
_HAIR_M = 0.01


class Lattice:
    """The nodes of a grid of latitudes and longitudes over time, all axes rising; linear between nodes and moments.

    Parameters
    ----------
    lon_deg, lat_deg, time_s
        The axes, at least two of each: WGS 84 degrees (longitudes may run on past 180) and POSIX seconds.
    projection
        The area's.
    where
        How messages name the file.

    Raises
    ------
    InputError
        A node is too far from the area to have local coordinates.
    """

    def __init__(
        self, lon_deg: FloatArray, lat_deg: FloatArray, time_s: FloatArray, *, projection: LocalProjection, where: str
    ) -> None:
        self._lon, self._lat, self._time = lon_deg, lat_deg, time_s
        self._projection = projection
        x, y = projection.to_local(*np.meshgrid(lon_deg, lat_deg))
        if not (np.isfinite(x) & np.isfinite(y)).all():
            raise InputError.one(where, "reaches too far from the area.", "Cut it to the area.")
        self.x_m: FloatArray = x
        self.y_m: FloatArray = y
        self._middle_deg = float(lon_deg[0] + lon_deg[-1]) / 2

    @property
    def reach_s(self) -> tuple[float, float]:
        """Return the first and the last moment."""
        return float(self._time[0]), float(self._time[-1])

    def between(
        self, values: npt.NDArray[np.inexact], into: type[Number], x: FloatArray, y: FloatArray, time_s: FloatArray
    ) -> npt.NDArray[Number]:
        """Return what is told at places and moments, arrays broadcast.

        Parameters
        ----------
        values
            (times, latitudes, longitudes), NaN where unknown; real or complex.
        into
            What the answer is computed in.
        x, y, time_s
            Local metres and POSIX seconds.

        Returns
        -------
        ndarray
            NaN outside the nodes and moments, and where one of the eight around is NaN.
        """
        x, y, time = np.broadcast_arrays(*(np.asarray(one, dtype=np.float64) for one in (x, y, time_s)))
        shape = x.shape
        lon, lat = self._projection.to_geographic(x.ravel(), y.ravel())
        lon = self._middle_deg + (lon - self._middle_deg + 180.0) % 360.0 - 180.0
        column, u = _between(self._lon, lon)
        row, v = _between(self._lat, lat)
        moment, w = _between(self._time, time.ravel())
        _, rows, columns = values.shape
        first = (moment * rows + row) * columns + column
        flat, result = values.ravel(), np.zeros(column.shape, dtype=into)
        for later, in_time in ((0, 1 - w), (1, w)):
            for up, in_lat in ((0, (1 - v) * in_time), (1, v * in_time)):
                here = first + (later * rows + up) * columns
                west, east = flat.take(here), flat.take(here + 1)
                result += in_lat * (west + u * (east - west))
        return result.reshape(shape)

    def cells(self, known: npt.NDArray[np.bool_]) -> MultiPolygon:
        """Return the cells all of whose nodes are known, (latitudes, longitudes), drawn a hair inside."""
        whole = known[:-1, :-1] & known[:-1, 1:] & known[1:, :-1] & known[1:, 1:]
        strips = [strip for row in range(len(whole)) for strip in self._strips(row, whole[row])]
        water = as_polygons(shapely.union_all(strips))
        # A parallel between two nodes is bent here: what the straight edge adds is taken off again.
        edge = np.hypot(np.diff(self.x_m, axis=1), np.diff(self.y_m, axis=1)).max()
        steep = np.tan(np.radians(min(float(np.abs(self._lat).max()), 89.0)))
        return as_polygons(water.buffer(-_HAIR_M - edge**2 * steep / (8 * _EARTH_RADIUS_M), join_style="mitre"))

    def _strips(self, row: int, cells: npt.NDArray[np.bool_]) -> list[shapely.Polygon]:
        """Return a row of cells as polygons, one for each unbroken run, with every node on its edge."""
        bounds = np.flatnonzero(np.diff(np.concatenate([[False], cells, [False]]).astype(np.int8)))
        nodes = np.stack([self.x_m[row : row + 2], self.y_m[row : row + 2]], axis=-1)
        return [
            shapely.Polygon(np.vstack([nodes[0, first : last + 1], nodes[1, first : last + 1][::-1]]))
            for first, last in zip(bounds[::2], bounds[1::2], strict=True)
        ]


def _between(axis: FloatArray, value: FloatArray) -> tuple[npt.NDArray[np.intp], FloatArray]:
    """Return the nodes before values and how far towards the next they are; NaN outside the axis."""
    place = np.clip(axis.searchsorted(value, side="right") - 1, 0, len(axis) - 2)
    share = (value - axis[place]) / (axis[place + 1] - axis[place])
    return place, np.where((share >= 0) & (share <= 1), share, np.nan)
