"""Hatching for paper: lines and ticks cut to a shape, which survive black-and-white copying."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import shapely
from shapely import MultiLineString

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

    from layers.model import FloatArray


def hatching(shape: BaseGeometry, spacing: float, angle_deg: float) -> BaseGeometry:
    """Return parallel lines across an area.

    Parameters
    ----------
    shape
        Polygons.
    spacing
        From line to line, in the unit of the shape.
    angle_deg
        Counter-clockwise from the x axis. Lines of one angle and spacing fall together wherever shapes meet.

    Returns
    -------
    geometry
        Lines; empty where the shape is.

    Examples
    --------
    >>> lines = hatching(shapely.box(0, 0, 10, 10), 2.0, 90.0)
    >>> len(lines.geoms), lines.length
    (5, 50.0)
    """
    if shape.is_empty:
        return MultiLineString()
    lines = shapely.multilinestrings(shapely.linestrings(_lines(shape, spacing, angle_deg)))
    return shapely.intersection(lines, shape)


def ticks(shape: BaseGeometry, spacing: float, length: float) -> BaseGeometry:
    """Return short level strokes spread evenly over an area, those that lie in it whole."""
    if shape.is_empty:
        return MultiLineString()
    west, south, east, north = shape.bounds
    x, y = np.meshgrid(*(np.arange(np.floor(a / spacing), b / spacing + 1) for a, b in ((west, east), (south, north))))
    start = spacing * np.column_stack([(x + 0.5 * (y % 2)).ravel(), y.ravel()])
    strokes = shapely.linestrings(np.stack([start, start + np.array([length, 0.0])], axis=1))
    shapely.prepare(shape)
    return shapely.multilinestrings(strokes[shapely.contains(shape, strokes)])


def _lines(shape: BaseGeometry, spacing: float, angle_deg: float) -> FloatArray:
    """Return lines over the box round a shape, (n, 2, 2)."""
    along = np.array([np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))])
    across = np.array([-along[1], along[0]])
    west, south, east, north = shape.bounds
    corners = np.array([(west, south), (east, south), (east, north), (west, north)])
    low, high = (corners @ across).min(), (corners @ across).max()
    offset = spacing * (np.arange(np.floor(low / spacing), np.ceil(high / spacing)) + 0.5)
    ends = (corners @ along).min() - spacing, (corners @ along).max() + spacing
    return np.stack([offset[:, None] * across + end * along for end in ends], axis=1)
