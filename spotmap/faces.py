"""The ground of a form that lies against a current, that in its lee, and that of a rip, in local metres.

The face is the ground within a form's scale that rises against the current, its upward slope within 60° of the
current's way; the lee falls away in the same manner. The angle is common practice, no source.
"""

from __future__ import annotations

import math
from itertools import pairwise
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely
from contourpy import FillType, contour_generator
from shapely import MultiPolygon
from shapely.geometry.base import BaseGeometry

from layers.model import Depth, FloatArray, Landform
from layers.relief import Surface, gradient, sample
from spotmap.water import as_polygons

Geometries = npt.NDArray[np.object_]

_FACING_COS = math.cos(math.radians(60.0))
_LEVEL_SHARE = 0.25
"""Ground that rises less than a quarter of the form's height over its scale is level, neither face nor lee."""
_LEAST_SLOPE = 0.005
"""Level too is what rises less than one in two hundred."""
_LEVEL = 1e-6
_CELLS_PER_SCALE = 4.0
_MOST_CELLS = 200
_TAIL_HEIGHTS = 7.0
"""Behind a step the water comes back to the bottom after about seven of its heights (from memory: H. Schlichting,
"Boundary-Layer Theory"): so far down-current a rip is drawn."""


def sides(depth: Depth, form: Landform, way: complex) -> tuple[MultiPolygon | None, MultiPolygon | None]:
    """Return the face and the lee of a form, each None where there is none.

    Parameters
    ----------
    depth
        The depth; where it is unknown there is neither.
    form
        The form; its surroundings reach its scale beyond it. They are looked at in cells of a quarter of the scale, or
        in 200 to the longer side where that is coarser.
    way
        The unit vector of the current as a complex number, in the local axes.
    """
    reach = form.scale_m
    near = form.shape.buffer(reach)
    box = near.bounds
    cell = max(reach / _CELLS_PER_SCALE, (box[2] - box[0]) / _MOST_CELLS, (box[3] - box[1]) / _MOST_CELLS)
    surface = sample(depth, (box[0] - 2 * cell, box[1] - 2 * cell, box[2] + 2 * cell, box[3] + 2 * cell), cell)
    least = max(_LEVEL_SHARE * form.height_m / form.scale_m, _LEAST_SLOPE)
    east, north = gradient(surface)
    steep = np.hypot(east, north)
    # the gradient of depth points down the slope
    rising = -(east * way.real + north * way.imag) / np.maximum(steep, _LEVEL) / _FACING_COS
    face, lee = (_ground(surface, np.minimum(side, steep / least), near) for side in (rising, -rising))
    return face, lee


def rip_ground(form: Landform, way: complex) -> MultiPolygon:
    """Return the ground of a rip: the form, and what it sweeps when moved down-current by seven of its heights."""
    shape = form.shape.simplify(form.scale_m / 8.0)
    tail = _TAIL_HEIGHTS * form.height_m * np.array([way.real, way.imag])
    moved = shapely.transform(shape, lambda xy: xy + tail)
    rings = shapely.get_parts([shape.boundary if shape.geom_type.endswith("Polygon") else shape])
    walls = [_walls(shapely.get_coordinates(ring), tail) for ring in rings]
    every = np.concatenate([[shape, moved], *walls])
    every = every[shapely.is_valid(every) & (shapely.area(every) > 0.0)]
    # a line that lies along the current sweeps nothing: a quarter of its scale makes it ground
    whole = shapely.union_all(every) if every.size else shape.buffer(form.scale_m / 4.0)
    return shapely.multipolygons([part for part in shapely.get_parts([whole]) if part.geom_type == "Polygon"])


def _walls(xy: FloatArray, tail: FloatArray) -> Geometries:
    """Return what each piece of a line sweeps."""
    corners = np.stack([xy[:-1], xy[1:], xy[1:] + tail, xy[:-1] + tail], axis=1)
    return np.asarray(shapely.polygons(corners), dtype=np.object_)


def _ground(surface: Surface, share: FloatArray, near: BaseGeometry) -> MultiPolygon | None:
    """Return where `share` is at least 1, clipped to `near`; None where that is nowhere."""
    if min(share.shape) < 2:  # noqa: PLR2004 - a contour needs four centres
        return None
    generator = contour_generator(
        surface.x_m,
        surface.y_m,
        np.ma.masked_invalid(share),
        fill_type=FillType.OuterOffset,
        corner_mask=False,
    )
    drawn: Any = generator.filled(1.0, np.inf)
    outers, offsets = drawn
    found = [_polygon(points, ends) for points, ends in zip(outers, offsets, strict=True)]
    clipped = as_polygons(shapely.union_all(found).intersection(near))
    return None if clipped.is_empty else clipped


def _polygon(points: FloatArray, ends: FloatArray) -> BaseGeometry:
    rings = [points[first:last] for first, last in pairwise(ends.tolist())]
    return shapely.Polygon(rings[0], rings[1:])
