"""Depth in any form, and several layers of it as one."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol, runtime_checkable

import numpy as np
import shapely
from shapely import GeometryType, MultiLineString, MultiPolygon

from layers._depthfile import as_lines, as_polygons, lonlat_box, read_features, read_lonlat_table, to_wgs84, with_line
from layers._errors import InputError
from layers.depthareas import AreaDepth, open_depth_areas
from layers.grid import grid_outline, open_grid
from layers.model import CERTAIN, Uncertainty
from layers.tin import open_contours, open_soundings

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence
    from pathlib import Path

    from shapely.geometry.base import BaseGeometry

    from layers.model import Bounds, Depth, FloatArray
    from layers.projection import LocalProjection

FORMS = ("grid", "contours", "soundings", "areas")
_EDGE_M = 0.06


def open_depth(  # noqa: PLR0913 -- a layer's keys one by one
    file: Path,
    projection: LocalProjection,
    *,
    form: str,
    values: str,
    unit: str,
    where: str,
    columns: Mapping[str, str] | None = None,
    uncertainty: Uncertainty = CERTAIN,
    contours: Path | None = None,
) -> Depth:
    """Open one depth layer.

    Parameters
    ----------
    file
        The layer's file.
    projection
        The area's local metres.
    form
        ``"grid"``, ``"contours"``, ``"soundings"`` or ``"areas"``.
    values
        ``"depth"`` (positive down) or ``"elevation"`` (positive up).
    unit
        Unit of the values, a length of `layers.units`.
    where
        File and layer, for messages.
    columns
        Names of attributes where they are not the usual ones: see the form's own module.
    uncertainty
        How much shallower the water may be than the layer says: see `less_uncertainty`. Only a grid has bands.
    contours
        Depth areas only: a file of lines drawn through them.

    Returns
    -------
    Depth
        Answers in local metres, depth positive down.

    Raises
    ------
    InputError
        `form` is none of the four, or what the form's own module raises.
    """
    _check_form(form, where)
    if form == "grid":
        return open_grid(file, projection, values=values, unit=unit, where=where, uncertainty=uncertainty)
    if uncertainty.band is not None:
        remedy = 'Write a length such as "0.5 m".'
        raise InputError.one(
            f"{where}, uncertainty", f"{uncertainty.band} is a band, and only a grid has bands.", remedy
        )
    if form == "areas":
        return open_depth_areas(
            file,
            projection,
            values=values,
            unit=unit,
            where=where,
            columns=columns,
            contours=contours,
            uncertainty_m=uncertainty.metres,
        )
    points_or_lines = open_contours if form == "contours" else open_soundings
    return points_or_lines(
        file, projection, values=values, unit=unit, where=where, columns=columns, uncertainty_m=uncertainty.metres
    )


@runtime_checkable
class _Uncertain(Protocol):
    def less_uncertainty(self) -> Depth: ...


def less_uncertainty(layer: Depth) -> Depth:
    """Return a layer with every depth less its uncertainty; the layer itself where it states none."""
    return layer.less_uncertainty() if isinstance(layer, _Uncertain) else layer


def steps_within(layer: Depth, box: Bounds) -> bool:
    """Return whether depth may step within a box, as between depth areas, and not only slope."""
    if isinstance(layer, CombinedDepth):
        return any(steps_within(one, box) for rank in layer.ranks for one in rank)
    west, south, east, north = layer.bounds
    meet = west <= box[2] and east >= box[0] and south <= box[3] and north >= box[1]
    return isinstance(layer, AreaDepth) and meet


def unlisted_within(layer: Depth, depth_m: float, box: Bounds) -> bool:
    """Return whether depth areas in a box list no line at a depth, so that their next deeper edge stands for it."""
    if isinstance(layer, CombinedDepth):
        return any(unlisted_within(one, depth_m, box) for rank in layer.ranks for one in rank)
    return isinstance(layer, AreaDepth) and steps_within(layer, box) and not layer.lists(depth_m)


def extent(file: Path, form: str, where: str, columns: Mapping[str, str] | None = None) -> FloatArray:
    """Return (n, 2) WGS 84 positions round a depth layer, from which to choose a projection.

    Longitudes run on over ±180°, so may exceed 180. Raises `InputError` like `open_depth`.
    """
    _check_form(form, where)
    if form == "grid":
        return np.column_stack(grid_outline(file, where))
    if form == "soundings" and file.suffix.casefold() in {".csv", ".txt"}:
        lon, lat, _ = read_lonlat_table(file, where, columns)
        return lonlat_box(lon, lat)
    kinds = {
        "contours": ((GeometryType.LINESTRING, GeometryType.MULTILINESTRING), "lines"),
        "soundings": ((GeometryType.POINT, GeometryType.MULTIPOINT), "points"),
        "areas": ((GeometryType.POLYGON, GeometryType.MULTIPOLYGON), "polygons"),
    }
    features = read_features(file, where, *kinds[form])
    return lonlat_box(*to_wgs84(features.crs, *shapely.get_coordinates(features.geometry).T))


def combine(ranked: Sequence[tuple[int, Depth]]) -> Depth:
    """Return several layers as one: the higher rank wins where it knows; of one rank the shallower.

    Parameters
    ----------
    ranked
        (rank, layer) pairs, at least one.

    Returns
    -------
    Depth
        The layer itself where there is only one. A line of one layer counts only where that layer has the
        say: no higher rank knows the place, and its equals are deeper there or do not know it. Steps between
        layers are no depth lines.

    Raises
    ------
    ValueError
        No layers.
    """
    if not ranked:
        raise ValueError("no depth layers to combine")
    if len(ranked) == 1:
        return ranked[0][1]
    ranks = sorted({rank for rank, _ in ranked}, reverse=True)
    return CombinedDepth(tuple(tuple(layer for of, layer in ranked if of == rank) for rank in ranks))


@runtime_checkable
class _Listing(Protocol):
    """A layer of listed depths, whose line may be drawn a little shallower than asked."""

    def line_depth(self, depth_m: float) -> float: ...


@dataclass(frozen=True)
class CombinedDepth:
    """Layers as one; `ranks` holds the layers of each rank, the highest first."""

    ranks: tuple[tuple[Depth, ...], ...]

    @property
    def bounds(self) -> Bounds:
        """Return the local box around all layers."""
        boxes = np.array([layer.bounds for rank in self.ranks for layer in rank])
        west, south = boxes[:, :2].min(axis=0)
        east, north = boxes[:, 2:].max(axis=0)
        return float(west), float(south), float(east), float(north)

    def depth_at(self, x: FloatArray, y: FloatArray) -> FloatArray:
        """Return depth at local points: of the highest rank that knows, the shallowest."""
        x, y = np.broadcast_arrays(np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64))
        result = np.full(x.shape, np.nan)
        for rank in self.ranks:
            unknown = np.isnan(result)
            for layer in rank:
                result[unknown] = np.fmin(result[unknown], layer.depth_at(x[unknown], y[unknown]))
        return result

    def depth_line(self, depth_m: float, within: Bounds | None = None) -> MultiLineString:
        """Return the line at a depth where the layer that draws it has the say."""
        near = None if within is None else _wider(within)
        kept = MultiLineString()
        for rank, higher in self._ranks(near):
            for layer in rank:
                line = shapely.difference(layer.depth_line(depth_m, near), higher)
                for other in rank:
                    if other is not layer:
                        level = min(_line_depth(layer, depth_m), _line_depth(other, depth_m))
                        line = shapely.difference(line, _inside(_shallower(other, level, near)))
                kept = with_line(kept, line)
        return as_lines(kept, within)

    def deeper_than(self, depth_m: float, within: Bounds | None = None, cell_m: float | None = None) -> MultiPolygon:
        """Return the known water at least this deep."""
        result = []
        for rank, higher in self._ranks(within):
            deep = [layer.deeper_than(depth_m, within, cell_m) for layer in rank]
            ours = _union(deep)
            if len(rank) > 1:
                # What is known is never coarsened here: it takes water away.
                shallow = [shapely.difference(layer.known(within), d) for layer, d in zip(rank, deep, strict=True)]
                ours = shapely.difference(ours, shapely.union_all(shallow))
            result.append(ours if higher.is_empty else shapely.difference(ours, higher))
        return as_polygons(_union(result), within)

    def known(self, within: Bounds | None = None, cell_m: float | None = None) -> MultiPolygon:
        """Return the water that any layer knows."""
        known = [layer.known(within, cell_m) for rank in self.ranks for layer in rank]
        return as_polygons(_union(known), within)

    def _ranks(self, within: Bounds | None) -> Iterator[tuple[tuple[Depth, ...], MultiPolygon]]:
        """Give the layers of each rank with the water that higher ranks know."""
        higher = MultiPolygon()
        for number, rank in enumerate(self.ranks):
            yield rank, higher
            if number + 1 < len(self.ranks):
                known = [layer.known(within) for layer in rank]
                higher = as_polygons(shapely.union_all([higher, *known]))


def _union(polygons: Sequence[BaseGeometry]) -> BaseGeometry:
    # a union of one is a slow copy
    filled = [shape for shape in polygons if not shape.is_empty]
    return filled[0] if len(filled) == 1 else shapely.union_all(filled)


def _shallower(layer: Depth, depth_m: float, within: Bounds | None) -> BaseGeometry:
    return shapely.difference(layer.known(within), layer.deeper_than(depth_m, within))


def _inside(polygons: BaseGeometry) -> BaseGeometry:
    # A line that two layers share lies on the edge, where neither has the other's water in its way.
    return shapely.buffer(polygons, -_EDGE_M)


def _line_depth(layer: Depth, depth_m: float) -> float:
    return layer.line_depth(depth_m) if isinstance(layer, _Listing) else depth_m


def _wider(within: Bounds) -> Bounds:
    west, south, east, north = within
    return west - 1.0, south - 1.0, east + 1.0, north + 1.0


def _check_form(form: str, where: str) -> None:
    if form not in FORMS:
        raise InputError.one(f"{where}, form", f'"{form}" is not allowed.', f"Write one of {', '.join(FORMS)}.")
