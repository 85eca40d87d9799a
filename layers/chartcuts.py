"""Charted shapes cut by coverages and zones: what need not be cut stays as it is, vertex by vertex."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely
from shapely.geometry.base import BaseGeometry

Shapes = npt.NDArray[np.object_]
Numbers = npt.NDArray[np.intp]

_NOBODYS = -1
_DUST_DEG2 = 1e-13
"""Pieces smaller than about a square decimetre are dust of the arithmetic."""


@dataclass(frozen=True)
class Pieces:
    """Pieces of shapes: each with the number of the shape it is of and of the zone it lies in (-1: in none)."""

    shapes: Shapes
    source: Numbers
    zone: Numbers


def clipped(shapes: Shapes, mask: BaseGeometry) -> Pieces:
    """Return what of the shapes lies in a mask, points on its edge too."""
    shapely.prepare(mask)
    whole = shapely.covered_by(shapes, mask)
    parted = np.flatnonzero(shapely.intersects(shapes, mask) & ~whole)
    return _kept(shapes, whole, parted, shapely.intersection(shapes[parted], mask))


def outside(shapes: Shapes, mask: BaseGeometry | None) -> Pieces:
    """Return what of the shapes lies outside a mask; None masks nothing."""
    if mask is None:
        return _kept(shapes, np.ones(len(shapes), dtype=bool), np.empty(0, dtype=np.intp), shapes[:0])
    shapely.prepare(mask)
    whole = ~shapely.intersects(shapes, mask) | (shapely.touches(shapes, mask) & (shapely.get_dimensions(shapes) > 0))
    parted = np.flatnonzero(~whole & ~shapely.covered_by(shapes, mask))
    return _kept(shapes, whole, parted, shapely.difference(shapes[parted], mask))


def divided(shapes: Shapes, zones: Shapes) -> Pieces:
    """Return polygons cut by zones; where zones overlap, each has its own piece."""
    if not len(zones) or not len(shapes):
        return Pieces(shapes, np.arange(len(shapes)), np.full(len(shapes), _NOBODYS))
    found = [clipped(shapes, zone) for zone in zones]
    rest = outside(shapes, shapely.union_all(zones))
    return joined([*(Pieces(one.shapes, one.source, one.zone * 0 + i) for i, one in enumerate(found)), rest])


def joined(pieces: list[Pieces]) -> Pieces:
    """Return all pieces as one, in the order of the shapes that they are of."""
    source = np.concatenate([one.source for one in pieces])
    order = np.argsort(source, kind="stable")
    return Pieces(
        np.concatenate([one.shapes for one in pieces])[order],
        source[order],
        np.concatenate([one.zone for one in pieces])[order],
    )


def of_dimension(shapes: Shapes, dimension: Numbers) -> Shapes:
    """Return the parts of each shape that have its dimension (0 points, 1 lines, 2 polygons); None where none has."""
    parts, number = shapely.get_parts(shapes, return_index=True)
    # A collection may hold multi-part shapes.
    parts, within = shapely.get_parts(parts, return_index=True)
    number = number[within]
    right = shapely.get_dimensions(parts) == dimension[number]
    right &= (dimension[number] < 2) | (shapely.area(parts) > _DUST_DEG2)  # noqa: PLR2004 -- polygons
    parts, number = parts[right], number[right]
    built = np.full(len(shapes), None, dtype=object)
    for dim, multi in enumerate((shapely.multipoints, shapely.multilinestrings, shapely.multipolygons)):
        mine = dimension[number] == dim
        if mine.any():
            numbers, at = np.unique(number[mine], return_inverse=True)
            built[numbers] = multi(parts[mine], indices=at)
    single = shapely.get_num_geometries(built) == 1
    built[single] = shapely.get_geometry(built[single], 0)
    return built


def _kept(shapes: Shapes, whole: npt.NDArray[np.bool_], parted: Numbers, cut: Shapes) -> Pieces:
    cut = of_dimension(cut, shapely.get_dimensions(shapes[parted]))
    there = ~shapely.is_missing(cut)
    source = np.concatenate([np.flatnonzero(whole), parted[there]])
    order = np.argsort(source, kind="stable")
    kept = np.concatenate([shapes[whole], cut[there]])[order]
    return Pieces(kept, source[order], np.full(len(kept), _NOBODYS))
