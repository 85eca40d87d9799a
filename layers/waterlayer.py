"""An S-104 file as a tide layer: its grids and stations over the area's datum, in local metres."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import shapely
from shapely import Point

from layers._errors import InputError
from layers.coverages import Window
from layers.model import Bounds
from layers.projection import LocalProjection
from layers.tidegrid import REACH_M, GridTide
from layers.tidetables import FileTerms, HeightTable, ToldStation
from layers.waterlevel import read_water_level

_STATIONS_WITHIN_M = 30 * 1852.0
"""A station farther from the area than this does not tell its tide: common practice, no source."""
_SIDE_POINTS = 33


@dataclass(frozen=True)
class LevelLayer:
    """What an S-104 file tells in an area."""

    grids: tuple[GridTide, ...]
    stations: tuple[ToldStation, ...]


def open_water_level(
    path: Path, where: str, terms: FileTerms, projection: LocalProjection, datum: str, within: Bounds | None
) -> LevelLayer:
    """Return the grids and stations of an S-104 file that tell the tide in an area.

    Parameters
    ----------
    path, where
        The file, and how messages name it.
    terms
        What its layer says.
    projection, datum
        The area's.
    within
        The area's box, or None for all that the file tells.

    Raises
    ------
    InputError
        As `layers.waterlevel.read_water_level`; or the datum is another, or nothing is told in the area.
    """
    level = read_water_level(path, where, None if within is None else _window(within, projection))
    offset_m = terms.offset(level.datum, datum, where)
    stations = []
    for one in level.stations:
        point = Point(*(float(part) for part in projection.to_local(one.lon_deg, one.lat_deg)))
        if within is None or shapely.box(*within).distance(point) <= _STATIONS_WITHIN_M:
            curve = HeightTable(one.time_s, one.values[0] + offset_m, smooth=False)
            stations.append(ToldStation(where, one.name, point, curve))
    grids = tuple(GridTide(grid, offset_m, projection=projection, where=where) for grid in level.grids)
    if not grids and not stations:
        raise InputError.one(where, "tells no water level in the area or near it.", "Get a file for this water.")
    return LevelLayer(grids, tuple(stations))


def _window(within: Bounds, projection: LocalProjection) -> Window:
    """Return the degrees that hold a box of local metres and what is within reach of it."""
    corners = shapely.box(*within).buffer(REACH_M, join_style="mitre")
    rim = shapely.get_coordinates(shapely.segmentize(corners, corners.length / _SIDE_POINTS))
    lon, lat = projection.to_geographic(rim[:, 0], rim[:, 1])
    lon = np.unwrap(lon, period=360.0)
    return Window(float(lon.min()), float(lat.min()), float(lon.max()), float(lat.max()))
