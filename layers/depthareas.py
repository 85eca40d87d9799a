"""Depth as areas: polygons of water between a least and a greatest depth, as charts draw them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import shapely
from shapely import GeometryType, MultiLineString, MultiPolygon

from layers._depthfile import (
    LISTED_WITHIN_M,
    DrawnLines,
    Features,
    as_lines,
    as_polygons,
    depth_factor,
    listed_value,
    read_drawn_lines,
    read_features,
    with_line,
)
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


def open_depth_areas(  # noqa: PLR0913 -- a layer's keys one by one
    file: Path,
    projection: LocalProjection,
    *,
    values: str,
    unit: str,
    where: str,
    columns: Mapping[str, str] | None = None,
    contours: Path | None = None,
    uncertainty_m: float = 0.0,
) -> AreaDepth:
    """Open depth areas: a vector file of polygons with a least and a greatest depth.

    An area without a least depth is unknown water, whatever overlaps it. A broken polygon is taken as small
    as it can be read where it claims water and as large as it can be read where it is the shallower. Where areas have
    an attribute uncertainty (of the layer's unit), `AreaDepth.less_uncertainty` is the same water,
    each area shallower by its own.

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
        Other names for ``"min"``, ``"max"`` and ``"uncertainty"``.
    contours
        Lines drawn through the areas, each with its depth (VALDCO, depth, …) in the layer's unit: they are depth lines
        beside the areas' own edges, and promise no depth.
    uncertainty_m
        Of areas that have none of their own.

    Raises
    ------
    InputError
        A file cannot be read or has no CRS, the shoal end is in no area, a maximum is under its minimum, or an
        uncertainty is negative.
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
    cut = _cut(claims, vetoes)
    depth = cut.least(shoal * factor)
    known = ~np.isnan(depth)
    own = _uncertainty(features, columns, where) * abs(factor)
    uncertain = np.where(np.isnan(own), uncertainty_m, own)
    safe = cut.least(shoal * factor - uncertain)[known] if uncertain.any() else None
    if contours is None:
        return AreaDepth(cut.faces[known], depth[known], safe_m=safe)
    drawn = read_drawn_lines(contours, projection, factor, f"{where}, {contours.name}")
    deep_end = greatest if factor > 0 else least
    if deep_end is not None:
        drawn = replace(drawn, reach_m=cut.greatest(deep_end * factor)[known])
    return AreaDepth(cut.faces[known], depth[known], safe_m=safe, drawn=drawn)


def _uncertainty(features: Features, columns: Mapping[str, str] | None, where: str) -> FloatArray:
    told = features.numbers("uncertainty", ("uncertainty",), columns)
    if told is None:
        return np.full(len(features.geometry), np.nan)
    if (told < 0).any() or np.isinf(told).any():
        first = int(np.argmax((told < 0) | np.isinf(told)))
        raise InputError.one(
            f"{where}, feature {first + 1}", f"its uncertainty is {told[first]:g}.", "Write 0 or more, or nothing."
        )
    return told


class AreaDepth:
    """Depth areas as the questions of `layers.model.Depth`: everywhere the least that the areas there promise.

    Between areas the depth is a step, so the line at a depth is the edge between areas at least that deep (to
    0.1 m) and shallower ones, and the lines drawn at that depth. `cell_m` is not used.

    Parameters
    ----------
    faces
        Polygons in local metres that share edges vertex by vertex and do not overlap.
    depth_m
        The depth of each, not NaN.
    safe_m
        The depth of each less its uncertainty; None where there is none.
    drawn
        Lines drawn at depths.
    """

    def __init__(
        self, faces: Polygons, depth_m: FloatArray, safe_m: FloatArray | None = None, drawn: DrawnLines | None = None
    ) -> None:
        self._faces = faces
        self._depth_m = depth_m
        self._safe_m = safe_m
        self._drawn = drawn
        self._steps = np.unique(depth_m)
        self._listed = self._steps if drawn is None else np.union1d(self._steps, drawn.depth_m)
        self._deep: dict[int, MultiPolygon] = {}
        west, south, east, north = shapely.total_bounds(faces)
        self._bounds = (float(west), float(south), float(east), float(north))

    def less_uncertainty(self) -> AreaDepth:
        """Return the same water, each area shallower by its uncertainty."""
        return self if self._safe_m is None else AreaDepth(self._faces, self._safe_m)

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

    def lists(self, depth_m: float) -> bool:
        """Return whether a line at this depth is listed, to 0.1 m; else the next deeper edge stands for it."""
        return listed_value(self._listed, depth_m) is not None

    def line_depth(self, depth_m: float) -> float:
        """Return the depth that the line at `depth_m` is drawn at: a listed one, or `depth_m` itself."""
        listed = listed_value(self._listed, depth_m)
        return depth_m if listed is None else listed

    def depth_line(self, depth_m: float, within: Bounds | None = None) -> MultiLineString:
        """Return the edge between areas at least this deep and shallower ones, and what is drawn at that depth.

        The edge of knowledge is none.
        """
        level = self.line_depth(depth_m)
        below = self._depth_m < level
        if self._drawn is not None and self._drawn.reach_m is not None and level in self._drawn.depth_m:
            # where an area reaches deeper, its line at this depth is drawn through it and its edge is none
            below &= ~(self._drawn.reach_m > level + LISTED_WITHIN_M)
        shallow = shapely.coverage_union_all(self._faces[below])
        edge = as_lines(shapely.intersection(shapely.boundary(self.deeper_than(level)), shapely.boundary(shallow)))
        if self._drawn is None:
            return as_lines(edge, within)
        inside = shapely.intersection(self._drawn.at(level), self.known())
        return as_lines(with_line(edge, inside), within)

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


@dataclass(frozen=True)
class _Cut:
    """What areas cut each other into: faces, which of them are claimed as water, and which areas lie on which face."""

    faces: Polygons
    claimed: npt.NDArray[np.intp]
    area: npt.NDArray[np.intp]
    face: npt.NDArray[np.intp]

    def least(self, least_m: FloatArray) -> FloatArray:
        """Return the least depth of each face, from that of each area; NaN where it is not known."""
        depth = np.full(len(self.faces), -np.inf)
        depth[self.claimed] = np.inf
        np.minimum.at(depth, self.face, np.where(np.isnan(least_m), -np.inf, least_m)[self.area])
        depth[np.isinf(depth)] = np.nan
        # Between neighbours whose common edge has other vertices lies a hair of nobody's water.
        thin = shapely.area(self.faces) < _HAIR_M / 2 * shapely.length(self.faces)
        hair = np.flatnonzero(np.isnan(depth) & thin)
        number, beside = shapely.STRtree(self.faces).query(self.faces[hair], predicate="intersects")
        np.fmin.at(depth, hair[number], depth[beside])
        return depth

    def greatest(self, greatest_m: FloatArray) -> FloatArray:
        """Return the greatest depth of each face, from that of each area; NaN where an area there gives none."""
        depth = np.full(len(self.faces), -np.inf)
        np.maximum.at(depth, self.face, np.where(np.isnan(greatest_m), np.inf, greatest_m)[self.area])
        depth[np.isinf(depth)] = np.nan
        return depth


def _cut(claims: Polygons, vetoes: Polygons) -> _Cut:
    edges = shapely.boundary(claims if vetoes is claims else np.concatenate([claims, vetoes]))
    faces = shapely.get_parts(shapely.polygonize([shapely.union_all(edges, grid_size=_GRID_M)]))
    places = shapely.STRtree(shapely.point_on_surface(faces))
    area, face = places.query(vetoes, predicate="intersects")
    return _Cut(faces, places.query(claims, predicate="intersects")[1], area, face)
