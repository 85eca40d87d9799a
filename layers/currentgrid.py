"""Current on a grid over time: trilinear in place and time, unknown where a node around is."""

from __future__ import annotations

from functools import cached_property
from pathlib import Path

import numpy as np
import numpy.typing as npt
import shapely
from shapely import MultiPolygon

from layers._depthfile import as_polygons
from layers._errors import InputError
from layers.currentfiles import NodeFlow, read_node_flow
from layers.model import Bounds, FloatArray, Station
from layers.projection import LocalProjection

GRIDS = (".h5", ".hdf5", ".nc", ".nc4", ".cdf")
"""File names' endings that are read as grids."""
_EARTH_RADIUS_M = 6_371_000.0
_HAIR_M = 0.01


def open_current_grid(file: Path, projection: LocalProjection, where: str) -> GridCurrent:
    """Return the current on a grid.

    Raises
    ------
    InputError
        As `layers.currentfiles.read_node_flow`.
    """
    return GridCurrent(read_node_flow(file, where), projection, where)


class GridCurrent:
    """Current at the nodes of a grid of latitudes and longitudes, linear between them and between moments.

    Vectors are turned to the local axes at their nodes and taken linearly there: the water between four nodes never
    goes faster than at one of them.
    """

    def __init__(self, nodes: NodeFlow, projection: LocalProjection, where: str) -> None:
        self._lon, self._lat, self._time = nodes.lon_deg, nodes.lat_deg, nodes.time_s
        self._projection = projection
        x, y = projection.to_local(*np.meshgrid(self._lon, self._lat))
        if not (np.isfinite(x) & np.isfinite(y)).all():
            raise InputError.one(where, "reaches too far from the area.", "Cut it to the area.")
        turn = np.exp(1j * projection.heading_rad(x, y, 90.0)).astype(np.complex64)
        flow = (nodes.east_mps + 1j * nodes.north_mps).astype(np.complex64)
        flow *= turn
        self._flow: npt.NDArray[np.complex64] = flow
        self._node_xy = np.stack([x, y], axis=-1)
        self._middle_deg = float(self._lon[0] + self._lon[-1]) / 2

    @property
    def stations(self) -> tuple[Station, ...]:
        """Return none."""
        return ()

    @property
    def reach_s(self) -> tuple[float, float]:
        """Return the first and the last moment of the grid."""
        return float(self._time[0]), float(self._time[-1])

    def flow_at(self, x: FloatArray, y: FloatArray, time_s: FloatArray) -> FloatArray:
        """Return where the water goes; NaN outside the grid and its time, and where a node around is unknown."""
        x, y, time = np.broadcast_arrays(*(np.asarray(one, dtype=np.float64) for one in (x, y, time_s)))
        shape = x.shape
        lon, lat = self._projection.to_geographic(x.ravel(), y.ravel())
        lon = self._middle_deg + (lon - self._middle_deg + 180.0) % 360.0 - 180.0
        column, u = _between(self._lon, lon)
        row, v = _between(self._lat, lat)
        moment, w = _between(self._time, time.ravel())
        _, rows, columns = self._flow.shape
        first = (moment * rows + row) * columns + column
        flow, result = self._flow.ravel(), np.zeros(column.shape, dtype=np.complex128)
        for later, in_time in ((0, 1 - w), (1, w)):
            for up, in_lat in ((0, (1 - v) * in_time), (1, v * in_time)):
                here = first + (later * rows + up) * columns
                west, east = flow.take(here), flow.take(here + 1)
                result += in_lat * (west + u * (east - west))
        return result.view(np.float64).reshape(*shape, 2)

    def known(self, within: Bounds | None = None) -> MultiPolygon:
        """Return the cells all of whose nodes are known at all times, drawn a hair inside."""
        return self._known if within is None else as_polygons(self._known, within)

    @cached_property
    def _known(self) -> MultiPolygon:
        known: npt.NDArray[np.bool_] = np.asarray(np.isfinite(self._flow).all(axis=0))
        cells = known[:-1, :-1] & known[:-1, 1:] & known[1:, :-1] & known[1:, 1:]
        strips = [strip for row in range(len(cells)) for strip in self._strips(row, cells[row])]
        water = as_polygons(shapely.union_all(strips))
        # A parallel between two nodes is bent here: what the straight edge adds is taken off again.
        edge = np.hypot(*np.moveaxis(np.diff(self._node_xy, axis=1), -1, 0)).max()
        steep = np.tan(np.radians(min(float(np.abs(self._lat).max()), 89.0)))
        return as_polygons(water.buffer(-_HAIR_M - edge**2 * steep / (8 * _EARTH_RADIUS_M), join_style="mitre"))

    def _strips(self, row: int, cells: npt.NDArray[np.bool_]) -> list[shapely.Polygon]:
        """Return a row of cells as polygons, one for each unbroken run, with every node on its edge."""
        bounds = np.flatnonzero(np.diff(np.concatenate([[False], cells, [False]]).astype(np.int8)))
        return [
            shapely.Polygon(
                np.vstack([self._node_xy[row, first : last + 1], self._node_xy[row + 1, first : last + 1][::-1]])
            )
            for first, last in zip(bounds[::2], bounds[1::2], strict=True)
        ]


def _between(axis: FloatArray, value: FloatArray) -> tuple[npt.NDArray[np.intp], FloatArray]:
    """Return the nodes before values and how far towards the next they are; NaN outside the axis."""
    place = np.clip(axis.searchsorted(value, side="right") - 1, 0, len(axis) - 2)
    share = (value - axis[place]) / (axis[place + 1] - axis[place])
    return place, np.where((share >= 0) & (share <= 1), share, np.nan)
