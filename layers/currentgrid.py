"""Current on a grid over time: trilinear in place and time, unknown where a node around is."""

from __future__ import annotations

from functools import cached_property

import numpy as np
import numpy.typing as npt
from shapely import MultiPolygon

from layers._depthfile import as_polygons
from layers.currentfiles import NodeFlow
from layers.lattice import Lattice
from layers.model import Bounds, FloatArray, Station
from layers.projection import LocalProjection


class GridCurrent:
    """Current at the nodes of a grid of latitudes and longitudes, linear between them and between moments.

    Vectors are turned to the local axes at their nodes and taken linearly there: the water between four nodes never
    goes faster than at one of them.

    Raises
    ------
    InputError
        The grid reaches too far from the area.
    """

    def __init__(self, nodes: NodeFlow, projection: LocalProjection, where: str) -> None:
        self._lattice = Lattice(nodes.lon_deg, nodes.lat_deg, nodes.time_s, projection=projection, where=where)
        turn = np.exp(1j * projection.heading_rad(self._lattice.x_m, self._lattice.y_m, 90.0)).astype(np.complex64)
        flow = (nodes.east_mps + 1j * nodes.north_mps).astype(np.complex64)
        flow *= turn
        self._flow: npt.NDArray[np.complex64] = flow

    @property
    def stations(self) -> tuple[Station, ...]:
        """Return none."""
        return ()

    @property
    def reach_s(self) -> tuple[float, float]:
        """Return the first and the last moment of the grid."""
        return self._lattice.reach_s

    def flow_at(self, x: FloatArray, y: FloatArray, time_s: FloatArray) -> FloatArray:
        """Return where the water goes; NaN outside the grid and its time, and where a node around is unknown."""
        flow = self._lattice.between(self._flow, np.complex128, x, y, time_s)
        return flow.reshape(-1).view(np.float64).reshape(*flow.shape, 2)

    def known(self, within: Bounds | None = None) -> MultiPolygon:
        """Return the cells all of whose nodes are known at all times, drawn a hair inside."""
        return self._known if within is None else as_polygons(self._known, within)

    @cached_property
    def _known(self) -> MultiPolygon:
        return self._lattice.cells(np.asarray(np.isfinite(self._flow).all(axis=0)))
