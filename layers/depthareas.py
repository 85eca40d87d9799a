"""Depth as areas: polygons of water between a least and a greatest depth, as charts draw them."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import shapely
from shapely import GeometryType, MultiLineString, MultiPolygon

from layers._depthfile import as_lines, as_polygons, depth_factor, listed_value, read_features
from layers._errors import InputError
from layers.repair import repaired

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from layers.model import Bounds, FloatArray
    from layers.projection import LocalProjection

    Polygons = npt.NDArray[np.object_]

_MIN_NAMES = ("min", "depth_min", "min_depth", "drval1")
_MAX_NAMES = ("max", "depth_max", "max_depth", "drval2")
_GRID_M = 0.05
"""Edges are laid on this grid before they cut each other."""
_HAIR_M = 0.1


def open_depth_areas(
    file: Path,
    projection: LocalProjection,
    *,
    values: str,
    unit: str,
    where: str,
    columns: Mapping[str, str] | None = None,
) -> AreaDepth:
    """Open depth areas: a vector file of polygons with a least and a greatest depth.

    An area without a least depth is unknown water, whatever overlaps it. A broken polygon is taken as small
    as it can be read where it claims water and as large as it can be read where it is the shallower.

    Parameters
    ----------
    file
        Polygons with attributes min and max, depth_min and depth_max, min_depth and max_depth, or DRVAL1 and
        DRVAL2, in any case; the maximum may be missing.
    projection
        The area's local metres.
    values
        ``"depth"`` (positive down) or ``"elevation"`` (positive up; then the maximum is the shoal end).
    unit
        Unit of both, a length of `layers.units`.
    where
        File and layer, for messages.
    columns
        Other names for ``"min"`` and ``"max"``.

    Raises
    ------
    InputError
        The file cannot be read or has no CRS, the shoal end is in no area, or a maximum is under its minimum.
    """
    factor = depth_factor(values, unit, where)
    features = read_features(file, where, (GeometryType.POLYGON, GeometryType.MULTIPOLYGON), "polygons")
    least = features.numbers("min", _MIN_NAMES, columns)
    greatest = features.numbers("max", _MAX_NAMES, columns)
    if least is not None and greatest is not None and (greatest < least).any():
        first = int(np.argmax(greatest < least))
        raise InputError.one(
            f"{where}, feature {first + 1}",
            f"the maximum {greatest[first]:g} is under the minimum {least[first]:g}.",
            "Correct the two; both are in the layer's values (elevation: the minimum is the deep end).",
        )
    shoal, key, names = (least, "min", _MIN_NAMES) if factor > 0 else (greatest, "max", _MAX_NAMES)
    if shoal is None or not np.isfinite(shoal).any():
        raise features.lacks(key, names)
    claims, broken = repaired(features.geometry, "smaller")
    vetoes, _ = repaired(features.geometry, "larger")
    if shapely.is_empty(vetoes).any():
        raise InputError.one(
            f"{where}, feature {int(np.argmax(shapely.is_empty(vetoes))) + 1}",
            "the polygon is too broken to repair.",
            "Draw it again.",
        )
    claims = features.project(claims, projection)
    vetoes = features.project(vetoes, projection) if broken.any() else claims
    return AreaDepth(*_faces(claims, vetoes, shoal * factor))


class AreaDepth:
    """Depth areas as the questions of `layers.model.Depth`: everywhere the least that the areas there promise.

    Between areas the depth is a step, so the line at a depth is the edge between areas at least that deep (to
    0.1 m) and shallower ones. `cell_m` is not used.

    Parameters
    ----------
    faces
        Polygons in local metres that share edges vertex by vertex and do not overlap.
    depth_m
        The depth of each, not NaN.
    """

    def __init__(self, faces: Polygons, depth_m: FloatArray) -> None:
        self._faces = faces
        self._depth_m = depth_m
        self._steps = np.unique(depth_m)
        self._deep: dict[int, MultiPolygon] = {}
        west, south, east, north = shapely.total_bounds(faces)
        self._bounds = (float(west), float(south), float(east), float(north))

    @property
    def bounds(self) -> Bounds:
        """Return the local box around all areas."""
        return self._bounds

    def depth_at(self, x: FloatArray, y: FloatArray) -> FloatArray:
        """Return the least depth of the areas at local points, negative where they dry; NaN outside all."""
        x, y = np.broadcast_arrays(np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64))
        west, south, east, north = self.bounds
        near = np.flatnonzero((x.ravel() >= west) & (x.ravel() <= east) & (y.ravel() >= south) & (y.ravel() <= north))
        depth = np.full(x.size, np.nan)
        if len(near):
            places = shapely.STRtree(shapely.points(x.ravel()[near], y.ravel()[near]))
            face, asked = places.query(self._faces, predicate="intersects")
            np.fmin.at(depth, near[asked], self._depth_m[face])
        return depth.reshape(x.shape)

    def line_depth(self, depth_m: float) -> float:
        """Return the depth that the line at `depth_m` is drawn at: a listed minimum, or `depth_m` itself."""
        listed = listed_value(self._steps, depth_m)
        return depth_m if listed is None else listed

    def depth_line(self, depth_m: float, within: Bounds | None = None) -> MultiLineString:
        """Return the edge between areas at least this deep and shallower ones, not the edge of knowledge."""
        level = self.line_depth(depth_m)
        shallow = shapely.coverage_union_all(self._faces[self._depth_m < level])
        edge = shapely.intersection(shapely.boundary(self.deeper_than(level)), shapely.boundary(shallow))
        return as_lines(edge, within)

    def deeper_than(self, depth_m: float, within: Bounds | None = None, cell_m: float | None = None) -> MultiPolygon:
        """Return the areas of at least this minimum, less what shallower ones overlap."""
        del cell_m
        step = int(np.searchsorted(self._steps, depth_m))
        if step not in self._deep:
            self._deep[step] = as_polygons(shapely.coverage_union_all(self._faces[self._depth_m >= depth_m]))
        return self._deep[step] if within is None else as_polygons(self._deep[step], within)

    def known(self, within: Bounds | None = None, cell_m: float | None = None) -> MultiPolygon:
        """Return all areas with a minimum as one."""
        return self.deeper_than(-np.inf, within, cell_m)


def _faces(claims: Polygons, vetoes: Polygons, least_m: FloatArray) -> tuple[Polygons, FloatArray]:
    """Return what areas cut each other into, with the least depth of each piece where it is known."""
    edges = shapely.boundary(claims if vetoes is claims else np.concatenate([claims, vetoes]))
    faces = shapely.get_parts(shapely.polygonize([shapely.union_all(edges, grid_size=_GRID_M)]))
    places = shapely.STRtree(shapely.point_on_surface(faces))
    depth = np.full(len(faces), -np.inf)
    depth[places.query(claims, predicate="intersects")[1]] = np.inf
    area, face = places.query(vetoes, predicate="intersects")
    np.minimum.at(depth, face, np.where(np.isnan(least_m), -np.inf, least_m)[area])
    depth[np.isinf(depth)] = np.nan
    # Between neighbours whose common edge has other vertices lies a hair of nobody's water.
    hair = np.flatnonzero(np.isnan(depth) & (shapely.area(faces) < _HAIR_M / 2 * shapely.length(faces)))
    number, beside = shapely.STRtree(faces).query(faces[hair], predicate="intersects")
    np.fmin.at(depth, hair[number], depth[beside])
    known = ~np.isnan(depth)
    return faces[known], depth[known]
