"""Depth as scattered soundings or as contour lines: plane triangles between neighbours."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import shapely
from shapely import GeometryType, MultiLineString, MultiPolygon

from layers._depthfile import (
    CONTOUR_NAMES,
    as_lines,
    as_polygons,
    depth_factor,
    listed_value,
    read_features,
    read_lonlat_table,
)
from layers._errors import InputError

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from layers.model import Bounds, FloatArray
    from layers.projection import LocalProjection

    IntArray = npt.NDArray[np.intp]

SOUNDINGS_REACH = 3.0
"""Soundings: a triangle is unknown if an edge exceeds this many medians of the triangles' longest edges."""
CONTOURS_REACH = 3.0
"""Contours: the same, in gaps to the neighbouring contours (as nine in ten places have at most)."""
_SAMPLES = 2000
_VERTICES_ADDED = 50_000
_SAME_PLACE_M = 1e-3
_ON_EDGE = 1e-9
_SOUNDING_NAMES = ("depth", "depth_m", "valsou", "z", "elevation")


def open_soundings(  # noqa: PLR0913 -- a layer's keys one by one
    file: Path,
    projection: LocalProjection,
    *,
    values: str,
    unit: str,
    where: str,
    columns: Mapping[str, str] | None = None,
    uncertainty_m: float = 0.0,
) -> TinDepth:
    """Open soundings: a CSV table of positions and depths, or a vector file of points.

    Depth is plane on the triangles between neighbouring soundings (Delaunay). It is unknown outside them and
    on triangles with an edge over `SOUNDINGS_REACH` medians. Of several soundings at one place the shallowest
    counts.

    Parameters
    ----------
    file
        ``.csv`` or ``.txt`` with a header of lon, lat and depth (WGS 84 degrees; comma, semicolon or tab), or
        points whose depth is an attribute (depth, depth_m, VALSOU, z, elevation) or else their own Z.
    projection
        The area's local metres.
    values
        ``"depth"`` (positive down) or ``"elevation"`` (positive up).
    unit
        Unit of the depths, a length of `layers.units`.
    where
        File and layer, for messages.
    columns
        Other names for ``"lon"``, ``"lat"`` and ``"depth"``.
    uncertainty_m
        How much shallower the water may be, for `TinDepth.less_uncertainty`.

    Raises
    ------
    InputError
        The file cannot be read, has no CRS, no depth or a depth missing, a position off the earth, or fewer
        than three soundings that are not in one line.
    """
    factor = depth_factor(values, unit, where)
    if file.suffix.casefold() in {".csv", ".txt"}:
        lon, lat, depth = read_lonlat_table(file, where, columns, _SOUNDING_NAMES)
        xy = np.column_stack(projection.to_local(lon, lat))
    else:
        kinds = (GeometryType.POINT, GeometryType.MULTIPOINT)
        features = read_features(file, where, kinds, "points")
        xy, of = shapely.get_coordinates(features.project(features.geometry, projection), return_index=True)
        listed = features.numbers("depth", _SOUNDING_NAMES, columns)
        if listed is not None:
            depth = listed[of]
        elif shapely.has_z(features.geometry).all():
            depth = shapely.get_coordinates(features.geometry, include_z=True)[:, 2]
        else:
            raise features.lacks("depth", _SOUNDING_NAMES)
        _check_depths(depth, of, where)
    mesh, heights = _triangulated(xy, depth * factor, where)
    longest = _longest_edges(mesh)
    known = longest <= SOUNDINGS_REACH * np.median(longest)
    return TinDepth(mesh, heights[mesh.simplices], known, uncertainty_m=uncertainty_m)


def open_contours(  # noqa: PLR0913 -- a layer's keys one by one
    file: Path,
    projection: LocalProjection,
    *,
    values: str,
    unit: str,
    where: str,
    columns: Mapping[str, str] | None = None,
    uncertainty_m: float = 0.0,
) -> TinDepth:
    """Open contour lines: a vector file of lines with their depth as an attribute.

    Depth is plane on triangles between the contours' vertices, which are first made as dense as neighbouring
    contours lie close. It is unknown on triangles with an edge over `CONTOURS_REACH` gaps. A triangle between
    vertices of one value may lie on a hump or in a hole, so it counts as the next shallower value of the file,
    as 0 beside the shallowest, as unknown beside a shallowest contour that dries. At a listed depth, and to
    0.1 m under it, the depth line is the listed contour itself.

    Parameters
    ----------
    file, projection, values, unit, where, uncertainty_m
        As for `open_soundings`; lines with an attribute depth, depth_m, VALDCO, contour, elevation, elev, z.
    columns
        Another name for ``"depth"``.

    Raises
    ------
    InputError
        As `open_soundings`.
    """
    factor = depth_factor(values, unit, where)
    features = read_features(file, where, (GeometryType.LINESTRING, GeometryType.MULTILINESTRING), "lines")
    listed = features.numbers("depth", CONTOUR_NAMES, columns)
    if listed is None:
        raise features.lacks("depth", CONTOUR_NAMES)
    _check_depths(listed, np.arange(len(listed)), where)
    lines, of = shapely.get_parts(features.project(features.geometry, projection), return_index=True)
    contours = _Contours(lines, listed[of] * factor)
    gaps = contours.gaps()
    spacing = max(float(np.quantile(gaps, 0.1)), float(shapely.length(lines).sum()) / _VERTICES_ADDED)
    xy, line = shapely.get_coordinates(shapely.segmentize(lines, spacing), return_index=True)
    mesh, heights = _triangulated(xy, contours.depth_m[line], where)
    corners = heights[mesh.simplices]
    flat = np.ptp(corners, axis=1) == 0
    corners[flat] = contours.next_shallower(corners[flat, 0])[:, None]
    reach = CONTOURS_REACH * max(float(np.quantile(gaps, 0.9)), spacing)
    known = (_longest_edges(mesh) <= reach) & np.isfinite(corners[:, 0])
    return TinDepth(mesh, corners, known, contours, uncertainty_m)


class TinDepth:
    """Triangles as the questions of `layers.model.Depth`.

    Answers are exact cuts of plane triangles. `cell_m` is not used: triangles are coarse already.
    """

    def __init__(
        self,
        mesh: Any,
        corners_m: FloatArray,
        known: npt.NDArray[np.bool_],
        contours: _Contours | None = None,
        uncertainty_m: float = 0.0,
    ) -> None:
        self._mesh = mesh
        self._corners_m = corners_m
        self._known = known
        self._contours = contours
        self._uncertainty_m = uncertainty_m

    def less_uncertainty(self) -> TinDepth:
        """Return the same water, everywhere shallower by its uncertainty."""
        less_m = self._uncertainty_m
        return self if less_m == 0.0 else TinDepth(self._mesh, self._corners_m - less_m, self._known)

    @property
    def bounds(self) -> Bounds:
        """Return the local box around all points."""
        west, south = self._mesh.min_bound
        east, north = self._mesh.max_bound
        return float(west), float(south), float(east), float(north)

    def depth_at(self, x: FloatArray, y: FloatArray) -> FloatArray:
        """Return depth at local points, plane on each triangle; NaN outside known triangles."""
        x, y = np.broadcast_arrays(np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64))
        xy = np.column_stack([x.ravel(), y.ravel()])
        asked, box = self._tree.query(shapely.points(xy))
        from_a = xy[asked] - self._planes.origin[box]
        share_b = (from_a * self._planes.to_b[box]).sum(axis=1)
        share_c = (from_a * self._planes.to_c[box]).sum(axis=1)
        inside = (share_b >= -_ON_EDGE) & (share_c >= -_ON_EDGE) & (share_b + share_c <= 1 + _ON_EDGE)
        za, zb, zc = self._planes.corners_m[box[inside]].T
        depth = za + share_b[inside] * (zb - za) + share_c[inside] * (zc - za)
        # On an edge two triangles answer, of which a flat one may hold back.
        result = np.full(len(xy), np.nan)
        np.fmin.at(result, asked[inside], depth)
        return result.reshape(x.shape)

    def line_depth(self, depth_m: float) -> float:
        """Return the depth the line at `depth_m` is drawn at: a listed contour's, or `depth_m` itself."""
        listed = None if self._contours is None else listed_value(self._contours.listed, depth_m)
        return depth_m if listed is None else listed

    def depth_line(self, depth_m: float, within: Bounds | None = None) -> MultiLineString:
        """Return the line at a depth: the listed contour if there is one, else straight over triangles."""
        if self._contours is not None:
            listed = listed_value(self._contours.listed, depth_m)
            if listed is not None:
                lines = shapely.multilinestrings(self._contours.at(listed, within))
                return as_lines(shapely.intersection(lines, self.known(within)), within)
        cut = self._cut(self._chosen(within), depth_m)
        segments = np.stack([cut.one, cut.other], axis=1)[cut.is_line & (cut.one != cut.other).any(axis=1)]
        return as_lines(shapely.multilinestrings(shapely.linestrings(segments)), within)

    def deeper_than(self, depth_m: float, within: Bounds | None = None, cell_m: float | None = None) -> MultiPolygon:
        """Return the known water at least this deep, cut exactly."""
        del cell_m
        chosen = self._chosen(within)
        cut = self._cut(chosen, depth_m)
        whole = chosen[self._corners_m[chosen].min(axis=1) >= depth_m]
        return _joined([self._triangles(whole), *cut.deep_pieces()], within)

    def known(self, within: Bounds | None = None, cell_m: float | None = None) -> MultiPolygon:
        """Return the known triangles as one."""
        del cell_m
        return self._all_known if within is None else as_polygons(self._all_known, within)

    @cached_property
    def step_depths_m(self) -> FloatArray:
        """Return the depths of flat triangles of contours: a step, for the hump or hole there is not drawn."""
        flat = self._known & (np.ptp(self._corners_m, axis=1) == 0) & (self._contours is not None)
        return np.unique(self._corners_m[flat])

    def _cut(self, chosen: IntArray, depth_m: float) -> _Cut:
        deep = self._corners_m[chosen] >= depth_m
        count = deep.sum(axis=1)
        mixed = (count == 1) | (count == 2)  # noqa: PLR2004
        chosen, deep, deep_apex = chosen[mixed], deep[mixed], count[mixed] == 1
        apex = np.where(deep_apex, deep.argmax(axis=1), deep.argmin(axis=1))
        order = (apex[:, None] + np.arange(3)) % 3
        corner = np.take_along_axis(self._mesh.simplices[chosen], order, axis=1)
        depth = np.take_along_axis(self._corners_m[chosen], order, axis=1)
        one, other = (_crossing(self._mesh.points, corner[:, [0, k]], depth[:, [0, k]], depth_m) for k in (1, 2))
        beyond = self._mesh.neighbors[chosen, apex]
        deep_beyond = (beyond >= 0) & self._known[beyond] & (self._corners_m[beyond] >= depth_m).all(axis=1)
        is_line = (depth[:, 1:] != depth_m).any(axis=1) | deep_beyond
        points = self._mesh.points[corner]
        return _Cut(points[:, 0], points[:, 1], points[:, 2], one, other, deep_apex, is_line)

    def _triangles(self, chosen: IntArray) -> npt.NDArray[np.object_]:
        return np.asarray(shapely.polygons(self._mesh.points[self._mesh.simplices[chosen]]))

    @cached_property
    def _planes(self) -> _Planes:
        corners = self._mesh.points[self._mesh.simplices[self._known]]
        u, v = corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
        area = u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0]
        solid = area != 0
        a, u, v, area = corners[solid, 0], u[solid], v[solid], area[solid, None]
        to_b, to_c = np.column_stack([v[:, 1], -v[:, 0]]) / area, np.column_stack([-u[:, 1], u[:, 0]]) / area
        return _Planes(corners[solid], a, to_b, to_c, self._corners_m[self._known][solid])

    @cached_property
    def _tree(self) -> shapely.STRtree:
        # Not Delaunay.find_simplex: one sliver on its way and it tries every triangle.
        corners = self._planes.corners
        return shapely.STRtree(shapely.box(*corners.min(axis=1).T, *corners.max(axis=1).T))

    @cached_property
    def _all_known(self) -> MultiPolygon:
        beside = self._mesh.neighbors
        triangle, opposite = np.nonzero(self._known[:, None] & ((beside < 0) | ~self._known[beside]))
        ends = (opposite[:, None] + [1, 2]) % 3
        edges = self._mesh.points[self._mesh.simplices[triangle[:, None], ends]]
        return as_polygons(shapely.build_area(shapely.multilinestrings(edges)))

    @cached_property
    def _boxes(self) -> FloatArray:
        corners = self._mesh.points[self._mesh.simplices]
        return np.column_stack([corners.min(axis=1), corners.max(axis=1)])

    def _chosen(self, within: Bounds | None) -> IntArray:
        if within is None:
            return np.flatnonzero(self._known)
        west, south, east, north = within
        box = self._boxes
        touches = (box[:, 0] <= east) & (box[:, 2] >= west) & (box[:, 1] <= north) & (box[:, 3] >= south)
        return np.flatnonzero(self._known & touches)


@dataclass(frozen=True)
class _Planes:
    """Known triangles of some area; a place's shares of corners b and c are products of its way from corner a."""

    corners: FloatArray
    origin: FloatArray
    to_b: FloatArray
    to_c: FloatArray
    corners_m: FloatArray


@dataclass(frozen=True)
class _Contours:
    """Listed contours in local metres: simple lines, each with its depth."""

    lines: npt.NDArray[np.object_]
    depth_m: FloatArray

    @cached_property
    def listed(self) -> FloatArray:
        return np.unique(self.depth_m)

    def at(self, depth_m: float, within: Bounds | None) -> npt.NDArray[np.object_]:
        here = self.depth_m == depth_m
        if within is not None:
            here &= shapely.intersects(self.lines, shapely.box(*within))
        return np.asarray(self.lines[here])

    def next_shallower(self, depth_m: FloatArray) -> FloatArray:
        """Return the listed depth before each; 0 before the shallowest, unknown if that is 0 or dry."""
        first = 0.0 if self.listed[0] > 0 else np.nan
        return np.concatenate([[first], self.listed])[np.searchsorted(self.listed, depth_m)]

    def gaps(self) -> FloatArray:
        """Return distances from places along the contours to the nearest contour of a neighbouring value."""
        lengths = shapely.length(self.lines)
        ends = np.cumsum(lengths)
        along = (np.arange(_SAMPLES) + 0.5) / _SAMPLES * ends[-1]
        line = np.searchsorted(ends, along)
        places = shapely.line_interpolate_point(self.lines[line], along - ends[line] + lengths[line])
        trees = [shapely.STRtree(_segments(self.lines[self.depth_m == value])) for value in self.listed]
        gaps = np.full(_SAMPLES, np.inf)
        for number, value in enumerate(self.listed):
            here = np.flatnonzero(self.depth_m[line] == value)
            for tree in [*trees[max(number - 1, 0) : number], *trees[number + 1 : number + 2]]:
                (asked, _), distance = tree.query_nearest(places[here], return_distance=True, all_matches=False)
                gaps[here[asked]] = np.minimum(gaps[here[asked]], distance)
        gaps = gaps[np.isfinite(gaps)]
        # A single value has no neighbours: what little it says is known close by it only.
        return gaps if len(gaps) else np.array([float(lengths.mean()) / 10])


@dataclass(frozen=True)
class _Cut:
    """Triangles with one corner on one side of a level (the apex) and two on the other.

    `one` and `other` are the crossings of the two edges from the apex; the corners run apex, first, second
    round the triangle and `one` lies between apex and first. The level is a line from `one` to `other` if there
    is deep water beside it, which fails where it is the edge to another shallow triangle.
    """

    apex: FloatArray
    first: FloatArray
    second: FloatArray
    one: FloatArray
    other: FloatArray
    deep_apex: npt.NDArray[np.bool_]
    is_line: npt.NDArray[np.bool_]

    def deep_pieces(self) -> tuple[npt.NDArray[np.object_], npt.NDArray[np.object_]]:
        d = self.deep_apex
        tips = np.stack([self.apex[d], self.one[d], self.other[d]], axis=1)
        feet = np.stack([self.one[~d], self.first[~d], self.second[~d], self.other[~d]], axis=1)
        return shapely.polygons(tips), shapely.polygons(feet)


def _crossing(points: FloatArray, corner: IntArray, depth: FloatArray, level_m: float) -> FloatArray:
    """Return where edges cross a level, to the last bit the same from the triangles on both sides."""
    swap = corner[:, 0] > corner[:, 1]
    corner, depth = (
        np.where(swap[:, None], corner[:, ::-1], corner),
        np.where(swap[:, None], depth[:, ::-1], depth),
    )
    t = ((level_m - depth[:, 0]) / (depth[:, 1] - depth[:, 0]))[:, None]
    a, b = points[corner[:, 0]], points[corner[:, 1]]
    return np.where(t < 0.5, a + t * (b - a), b - (1 - t) * (b - a))  # noqa: PLR2004 -- exact at both ends


def _joined(pieces: list[npt.NDArray[np.object_]], within: Bounds | None) -> MultiPolygon:
    polygons = np.concatenate(pieces)
    polygons = shapely.remove_repeated_points(polygons[shapely.area(polygons) > 0])
    try:
        whole = shapely.coverage_union_all(polygons)
    except shapely.GEOSException:
        # slivers thinner than rounding: slower, but it nodes them itself
        whole = shapely.union_all(polygons)
    return as_polygons(whole, within)


def _triangulated(xy: FloatArray, depth_m: FloatArray, where: str) -> tuple[Any, FloatArray]:
    """Return the Delaunay mesh of places and the depth at its points; of one place the shallowest."""
    from scipy.spatial import Delaunay, QhullError  # noqa: PLC0415 -- 0.2 s that a grid need not pay

    order = np.lexsort([depth_m, *np.round(xy.T / _SAME_PLACE_M)])
    xy, depth_m = xy[order], depth_m[order]
    first = np.append(True, (np.diff(np.round(xy / _SAME_PLACE_M), axis=0) != 0).any(axis=1))
    xy, depth_m = xy[first], depth_m[first]
    try:
        if len(xy) < 3:  # noqa: PLR2004
            raise QhullError  # noqa: TRY301 -- one message for both
        mesh = Delaunay(xy)
    except QhullError:
        raise InputError.one(
            where,
            f"{len(xy)} different places, and no three of them make a triangle.",
            "Give at least three depths that do not lie in one line.",
        ) from None
    # Points too close to others to be corners still count where they are shallower.
    np.minimum.at(depth_m, mesh.coplanar[:, 2], depth_m[mesh.coplanar[:, 0]])
    return mesh, depth_m


def _longest_edges(mesh: Any) -> FloatArray:
    corners = mesh.points[mesh.simplices]
    return np.asarray(np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2).max(axis=1))


def _segments(lines: npt.NDArray[np.object_]) -> npt.NDArray[np.object_]:
    xy, line = shapely.get_coordinates(lines, return_index=True)
    pairs = np.stack([xy[:-1], xy[1:]], axis=1)[np.diff(line) == 0]
    return np.asarray(shapely.linestrings(pairs))


def _check_depths(depth: FloatArray, feature: IntArray, where: str) -> None:
    missing = ~np.isfinite(depth)
    if missing.any():
        raise InputError.one(
            f"{where}, feature {int(feature[np.argmax(missing)]) + 1}",
            f"no depth ({int(missing.sum())} such in the file).",
            "Complete the depth or take the feature out.",
        )
