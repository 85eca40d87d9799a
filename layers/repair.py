"""Repair of polygons that cross or touch themselves, always to the safe side.

Where a polygon keeps boats out, its repair may only be larger than any reading of what was drawn; where it
lets them in, only smaller.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

import numpy as np
import numpy.typing as npt
import shapely
from shapely import MultiPolygon, Polygon

if TYPE_CHECKING:
    from collections.abc import Sequence

    from shapely.geometry.base import BaseGeometry

_POLYGON = 3  # shapely's type number
_GRIDS = (None, 1e-12, 1e-10)
"""Exact first, then on grids far finer than any data in degrees or metres."""
_NO_AREA = 1e-12


def repaired(
    polygons: npt.NDArray[np.object_], to: Literal["larger", "smaller"]
) -> tuple[npt.NDArray[np.object_], npt.NDArray[np.bool_]]:
    """Return polygons with the invalid ones repaired.

    Parameters
    ----------
    polygons
        Polygons and multi-polygons, in any plane coordinates, all finite.
    to
        Whether a repair may only add or only take away.

    Returns
    -------
    polygons : array
        Valid multi-polygons, one for each; empty where one is beyond repair: a part of it has no area.
    changed : array of bool
        Which were invalid.

    Examples
    --------
    >>> bow_tie = Polygon([(0, 0), (2, 2), (2, 0), (0, 2)])
    >>> whole, changed = repaired(np.array([bow_tie]), "larger")
    >>> float(whole[0].area), changed.tolist()
    (2.0, [True])
    """
    valid = shapely.is_valid(polygons)
    fixed = np.array(polygons, dtype=object)
    for i in np.flatnonzero(~valid):
        fixed[i] = larger(fixed[i]) if to == "larger" else smaller(fixed[i])
    return np.array([_multi(geometry) for geometry in fixed], dtype=object), ~valid


def larger(geometry: BaseGeometry) -> MultiPolygon:
    """Return all that an invalid polygon can mean: everything its outlines enclose, less its sound holes.

    The result covers what both of GEOS's methods of repair give. It is empty, for beyond repair, where a part
    encloses nothing or a ring has collapsed.
    """
    parts = [_enclosed(part) for part in shapely.get_parts(geometry)]
    repairs = _both_repairs(geometry)
    if any(part.is_empty for part in parts) or not repairs:
        return MultiPolygon()
    return _multi(_covering_union([*parts, *repairs]))


def _covering_union(shapes: Sequence[BaseGeometry]) -> BaseGeometry:
    """Return a union that is sure to cover every shape.

    GEOS can lose a face where edges all but coincide; a closure must not be lost with it. The last resort is the
    convex hull, which is larger than any reading.
    """
    whole = sum(shape.area for shape in shapes)
    for grid in _GRIDS:
        union = shapely.union_all(shapes, grid_size=grid)
        if all(shapely.difference(shape, union).area <= _NO_AREA * whole for shape in shapes):
            return union
    return shapely.convex_hull(shapely.geometrycollections(list(shapes)))


def smaller(geometry: BaseGeometry) -> MultiPolygon:
    """Return what is inside an invalid polygon by every reading: where both of GEOS's repairs agree."""
    repairs = _both_repairs(geometry)
    return _multi(_covered_intersection(repairs)) if repairs else MultiPolygon()


def _covered_intersection(shapes: Sequence[BaseGeometry]) -> BaseGeometry:
    """Return an intersection that is sure to lie in every shape: nothing, where GEOS cannot make one."""
    whole = sum(shape.area for shape in shapes)
    for grid in _GRIDS:
        common = shapes[0] if len(shapes) == 1 else shapely.intersection(shapes[0], shapes[1], grid_size=grid)
        if all(shapely.difference(common, shape).area <= _NO_AREA * whole for shape in shapes):
            return common
    return MultiPolygon()


def _both_repairs(geometry: BaseGeometry) -> list[MultiPolygon]:
    try:
        linework = shapely.make_valid(geometry, method="linework")
        structure = shapely.make_valid(geometry, method="structure", keep_collapsed=False)
    except shapely.GEOSException:  # rings collapsed to a point or a line
        return []
    return [_multi(linework), _multi(structure)]


def _enclosed(part: Polygon) -> BaseGeometry:
    noded = shapely.union_all(shapely.linestrings(shapely.get_coordinates(part.exterior)))
    faces = shapely.union_all(shapely.get_parts(shapely.polygonize([noded])))
    for ring in part.interiors:
        hole = Polygon(ring)
        if ring.is_simple and hole.is_valid and hole.area > 0 and faces.covers(hole):
            faces = shapely.difference(faces, hole)
    return faces


def _multi(geometry: BaseGeometry) -> MultiPolygon:
    # Twice: a collection may hold multi-part geometry.
    parts = shapely.get_parts(shapely.get_parts(geometry))
    return shapely.multipolygons(parts[shapely.get_type_id(parts) == _POLYGON])
