"""A channel: the line along which the water between its banks goes, as smooth fields over the water around it."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
import shapely
from shapely import LineString
from shapely.geometry.base import BaseGeometry

from layers._errors import InputError
from layers.model import Bounds, FloatArray
from layers.positions import parse_position
from layers.projection import LocalProjection

ComplexArray = npt.NDArray[np.complex128]

_MOST_BYTES = 10_000_000
_COARSEST = 100
"""Cells along the longer side of the fields, at least."""
_FINEST = 300
_CELLS_A_STEP = 3.0
_LEAST_PIECE_M = 1.0
_TINY = 1e-300
_DRAWN = "Draw one line along the middle of the channel, the way the flood goes."


@dataclass(frozen=True)
class InChannel:
    """Places as the channel sees them.

    `along_m` is how far along it their feet lie, `across_m` how far to the left of it they are, `tangent` (complex, of
    length 1) its direction there.
    """

    along_m: FloatArray
    across_m: FloatArray
    tangent: ComplexArray


class Channel:
    """A channel's line with the water around it.

    The foot of the perpendicular leaps where a place is as near to one reach of a bend as to another, and a drawn line
    turns all at once at its points. Neither does water. The tangent therefore turns evenly from the middle of one piece
    to the middle of the next, and foot and tangent are kept on a lattice of square cells and taken between its points
    bilinearly: no leap anywhere. Beyond its ends the line runs straight on.

    Parameters
    ----------
    line
        The channel in local metres, drawn in the flood's direction.
    bounds
        The box in which places may be asked for.
    """

    def __init__(self, line: LineString, bounds: Bounds) -> None:
        west, south, east, north = bounds
        span = max(east - west, north - south)
        pieces = np.hypot(*np.diff(shapely.get_coordinates(line), axis=0).T)
        step = float(np.clip(np.median(pieces) / _CELLS_A_STEP, span / _FINEST, span / _COARSEST))
        columns, rows = int((east - west) / step) + 2, int((north - south) / step) + 2
        self._origin, self._step, self._most = (west, south), step, (columns - 2, rows - 2)
        x, y = np.meshgrid(west + step * np.arange(columns), south + step * np.arange(rows))
        along, across, tangent = _feet(_longer(line, 2 * span), x.ravel(), y.ravel())
        fields = np.column_stack([along, across, tangent.real, tangent.imag])
        self._fields, self._columns = fields, columns

    def at(self, x: FloatArray, y: FloatArray) -> InChannel:
        """Return places, (n,) local metres inside the box, in the channel's terms."""
        u, v = (x - self._origin[0]) / self._step, (y - self._origin[1]) / self._step
        column = np.minimum(np.maximum(u, 0.0), self._most[0]).astype(np.intp)
        row = np.minimum(np.maximum(v, 0.0), self._most[1]).astype(np.intp)
        u, v = (u - column)[:, None], (v - row)[:, None]
        here = row * self._columns + column
        south, north = self._fields.take(here, axis=0), self._fields.take(here + self._columns, axis=0)
        south += u * (self._fields.take(here + 1, axis=0) - south)
        north += u * (self._fields.take(here + self._columns + 1, axis=0) - north)
        north -= south
        south += v * north
        along, across, *tangent = south.T
        size = np.sqrt(tangent[0] ** 2 + tangent[1] ** 2)
        # Between two reaches that run against each other the mean may vanish: nothing goes there, or any way.
        return InChannel(along, across, (tangent[0] + 1j * tangent[1]) / np.maximum(size, _TINY))


def read_channel(value: object, file: Path | None, projection: LocalProjection, where: str) -> LineString:
    """Return a channel's line in local metres.

    Parameters
    ----------
    value
        The key: positions as text, in a list; or the name of a file.
    file
        The GeoJSON file that it names, None for positions.
    projection
        The area's.
    where
        File and key, for messages.

    Raises
    ------
    InputError
        It is not one line of at least two points that does not cross itself.
    """
    line = _from_file(file, where) if file is not None else _from_positions(value, where)
    try:
        local = shapely.remove_repeated_points(projection.project(line), _LEAST_PIECE_M)
    except ValueError as error:
        raise InputError.one(where, f"{error}.", _DRAWN) from None
    if not np.isfinite(shapely.get_coordinates(local)).all():
        raise InputError.one(where, "has a point that is not on the earth.", "Write longitude, then latitude.")
    if local.length < _LEAST_PIECE_M:
        raise InputError.one(where, "the channel has no length.", _DRAWN)
    if not local.is_simple:
        raise InputError.one(where, "the channel crosses itself.", _DRAWN)
    return LineString(shapely.get_coordinates(local))


def _from_positions(value: object, where: str) -> LineString:
    if not isinstance(value, Sequence) or isinstance(value, str) or not all(isinstance(one, str) for one in value):
        remedy = 'Write channel = "channel.geojson", or a list of positions as text.'
        raise InputError.one(where, "is neither a file's name nor a list of positions.", remedy)
    points = [parse_position(one, f"{where}, position {count}") for count, one in enumerate(value, 1)]
    if len(set(points)) < 2:  # noqa: PLR2004 - the ends of a line
        raise InputError.one(where, f"a line needs two positions or more, and here are {len(set(points))}.", _DRAWN)
    return LineString(points)


def _from_file(file: Path, where: str) -> LineString:
    try:
        if file.stat().st_size > _MOST_BYTES:
            raise InputError.one(where, "is too large for a channel's line.", _DRAWN)
        text = file.read_text(encoding="utf-8-sig")
        told = json.loads(text)
        geometry: BaseGeometry = shapely.from_geojson(text)
    except (OSError, UnicodeDecodeError, json.JSONDecodeError, RecursionError, shapely.errors.GEOSException) as error:
        raise InputError.one(where, f"{file.name} is not GeoJSON ({error}).", "Save it as GeoJSON.") from None
    if isinstance(told, dict) and "crs" in told and "CRS84" not in str(told["crs"]):
        what = f"{file.name} names a coordinate system of its own."
        raise InputError.one(where, what, "Save it in WGS 84 longitude and latitude (RFC 7946).")
    lines = shapely.get_parts(shapely.get_parts(geometry))
    if len(lines) != 1 or not isinstance(lines[0], LineString) or lines[0].is_empty:
        kinds = ", ".join(sorted({str(one.geom_type) for one in lines})) or "nothing"
        raise InputError.one(where, f"{file.name} holds {len(lines)} geometries ({kinds}), not one line.", _DRAWN)
    return shapely.force_2d(lines[0])


def _longer(line: LineString, by_m: float) -> FloatArray:
    """Return a line's points with its first and last piece run straight on."""
    xy = shapely.get_coordinates(line)
    first, last = xy[0] - xy[1], xy[-1] - xy[-2]
    before = xy[0] + by_m * first / np.hypot(*first)
    after = xy[-1] + by_m * last / np.hypot(*last)
    return np.vstack([before, xy, after])


def _feet(xy: FloatArray, x: FloatArray, y: FloatArray) -> tuple[FloatArray, FloatArray, ComplexArray]:
    """Return how far along a line and to its left places are, and its tangent at their feet."""
    line = LineString(xy)
    along = shapely.line_locate_point(line, shapely.points(x, y))
    foot = shapely.get_coordinates(shapely.line_interpolate_point(line, along))
    pieces = np.diff(xy, axis=0)
    length = np.hypot(*pieces.T)
    ends = np.concatenate([[0.0], np.cumsum(length)])
    middle = (ends[1:] + ends[:-1]) / 2
    # The straight ends keep their direction up to where the drawn line begins.
    middle[[0, -1]] = ends[1], ends[-2]
    angle = np.unwrap(np.arctan2(pieces[:, 1], pieces[:, 0]))
    tangent = np.exp(1j * np.interp(along, middle, angle))
    off = (x - foot[:, 0]) + 1j * (y - foot[:, 1])
    across = np.copysign(np.abs(off), (np.conj(tangent) * off).imag)
    return along, across, tangent
