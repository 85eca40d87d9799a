"""Depth as a grid: rasters of any size, read in tiles, in whatever coordinates they were made."""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pyproj
import rasterio
import rasterio.errors
import rasterio.windows
import shapely
from shapely import MultiLineString, MultiPolygon

from layers._cells import NUDGE_M, Contours, Part, Tiles, blocks, off_level
from layers._depthfile import as_lines, as_polygons, depth_factor
from layers._errors import InputError
from layers.model import CERTAIN, Uncertainty

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from affine import Affine

    from layers.model import Bounds, FloatArray
    from layers.projection import LocalProjection

_AT_CENTRE_CELLS = 1e-6
_REPEATED_M = 1e-3
_LEAST_LINE_M = 1e-2
_BOX_STEPS = 33


def open_grid(
    file: Path, projection: LocalProjection, *, values: str, unit: str, where: str, uncertainty: Uncertainty = CERTAIN
) -> GridDepth:
    """Open a depth grid: band 1 of anything rasterio opens, a GeoTIFF or a BAG for example.

    Parameters
    ----------
    file
        The raster, north-up or rotated, in any coordinate system; longitudes may run past 180°. A cell
        without a value (nodata, NaN, mask) is unknown depth. The band's own scale and offset are applied.
    projection
        The area's local metres.
    values
        ``"depth"`` (positive down) or ``"elevation"`` (positive up).
    unit
        Unit of the values, a length of `layers.units`.
    where
        File and layer, for messages.
    uncertainty
        How much shallower the water may be; a cell without a value in the band that says it is unknown to
        `GridDepth.less_uncertainty`.

    Returns
    -------
    GridDepth
        Holds the file open as long as it lives; reads only the tiles that a question touches.

    Raises
    ------
    InputError
        The file cannot be read, has no position or coordinate system, has fewer than 2 × 2 cells or no real
        numbers; `values` or `unit` is not allowed, or there is no such band.
    """
    factor = depth_factor(values, unit, where)
    dataset, frame = _open(file, where)
    if uncertainty.band is not None and not 1 < uncertainty.band <= dataset.count:
        what = f"uncertainty = {uncertainty.band}, and {file.name} has bands 1 to {dataset.count}, the first its depth."
        raise InputError.one(where, what, 'Write the band that holds it, or a length such as "0.5 m".')
    return GridDepth(Tiles(dataset, factor, where), frame, projection, uncertainty)


def grid_outline(file: Path, where: str) -> tuple[FloatArray, FloatArray]:
    """Return WGS 84 longitude and latitude of points round a grid; raises `InputError` as `open_grid`."""
    dataset, frame = _open(file, where)
    with dataset:
        return frame.to_geographic(*_outline(dataset.width - 0.5, dataset.height - 0.5, start=-0.5))


class GridDepth:
    """A grid as the questions of `layers.model.Depth`.

    Between cell centres depth is bilinear; it is known where all four centres around a place are. Depth lines
    and deep water are contourpy's, drawn straight between its crossings of the grid's lines. Answers are made
    tile by tile, so memory holds a few tiles and the answer, whatever the grid's size.
    """

    def __init__(
        self, tiles: Tiles, frame: _Frame, projection: LocalProjection, uncertainty: Uncertainty = CERTAIN
    ) -> None:
        self._tiles = tiles
        self._uncertainty = uncertainty
        self._contours = Contours()
        self._frame = frame
        self._projection = projection
        x, y = self._to_local(*_outline(tiles.columns - 1, tiles.rows - 1))
        self._bounds = (float(x.min()), float(y.min()), float(x.max()), float(y.max()))

    @property
    def bounds(self) -> Bounds:
        """Return the local box around all cell centres."""
        return self._bounds

    def less_uncertainty(self) -> GridDepth:
        """Return the same water, every cell shallower by its uncertainty."""
        less = self._uncertainty
        return self if less == CERTAIN else GridDepth(self._tiles.less(less), self._frame, self._projection)

    def depth_at(self, x: FloatArray, y: FloatArray) -> FloatArray:
        """Return depth at local points, bilinear; NaN where a cell that counts is unknown or missing."""
        x, y = np.broadcast_arrays(np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64))
        column, row = self._to_cells(x.ravel(), y.ravel())
        inside = (column >= 0) & (column <= self._tiles.columns - 1)
        inside &= (row >= 0) & (row <= self._tiles.rows - 1)
        result = np.full(x.size, np.nan)
        column, row = column[inside], row[inside]
        left = np.minimum(column.astype(np.intp), self._tiles.columns - 2)
        top = np.minimum(row.astype(np.intp), self._tiles.rows - 2)
        depth = np.empty(len(left))
        size = self._tiles.size
        across = self._tiles.columns // size + 1
        tile = top // size * across + left // size
        for number in np.unique(tile).tolist():
            here = tile == number
            down, right = divmod(number, across)
            block = self._tiles.read(down, right).depth_m
            r, c = top[here] - down * size, left[here] - right * size
            u, v = column[here] - left[here], row[here] - top[here]
            depth[here] = (
                _share((1 - u) * (1 - v), block[r, c])
                + _share(u * (1 - v), block[r, c + 1])
                + _share((1 - u) * v, block[r + 1, c])
                + _share(u * v, block[r + 1, c + 1])
            )
        result[inside] = depth
        return result.reshape(x.shape)

    def depth_line(self, depth_m: float, within: Bounds | None = None) -> MultiLineString:
        """Return the line at a depth, local metres; it ends where known water ends."""
        points, offsets = [np.empty((0, 2))], [np.zeros(1, dtype=np.int64)]
        for part in self._parts(within):
            if not part.tile.shallowest_m - NUDGE_M < depth_m < part.tile.deepest_m + NUDGE_M:
                continue
            generator = self._contours.of(part, off_level(part.depth_m, depth_m))
            chunks: Any = generator.lines(depth_m)  # points and where each line starts, of one chunk
            (xy,), (starts,) = chunks
            if xy is not None:
                points.append(xy)
                offsets.append(starts[1:].astype(np.int64) + offsets[-1][-1])
        lines = shapely.from_ragged_array(
            shapely.GeometryType.LINESTRING,
            np.column_stack(self._to_local(*np.concatenate(points).T)),
            (np.concatenate(offsets),),
        )
        whole = shapely.get_parts(
            shapely.remove_repeated_points(as_lines(shapely.multilinestrings(lines)), _REPEATED_M)
        )
        # What is left of a single centre at the level is no line.
        return as_lines(shapely.multilinestrings(whole[shapely.length(whole) > _LEAST_LINE_M]), within)

    def deeper_than(self, depth_m: float, within: Bounds | None = None, cell_m: float | None = None) -> MultiPolygon:
        """Return the known water at least this deep, local metres.

        With `cell_m`, blocks of cells up to that size that are known and deep throughout: a part of the exact
        answer.
        """
        return self._water(depth_m, within, cell_m)

    def known(self, within: Bounds | None = None, cell_m: float | None = None) -> MultiPolygon:
        """Return where the four cell centres around are known; with `cell_m`, a part of that."""
        return self._water(-np.inf, within, cell_m)

    def _water(self, depth_m: float, within: Bounds | None, cell_m: float | None) -> MultiPolygon:
        steps = self._block_steps(within, cell_m)
        rings = [
            blocks(part, depth_m, steps) if max(steps) > 1 else self._contours.filled(part, depth_m)
            for part in self._parts(within, steps)
            if part.tile.deepest_m >= depth_m - NUDGE_M
        ]
        rings = [ring for ring in rings if len(ring.points)]
        if not rings:
            return MultiPolygon()
        points = np.column_stack(self._to_local(*np.concatenate([ring.points for ring in rings]).T))
        polygons = []
        ends = np.cumsum([len(ring.points) for ring in rings])
        for ring, xy in zip(rings, np.split(points, ends[:-1]), strict=True):
            shells = shapely.linearrings(xy, indices=ring.ring_of_point)
            polygons.append(shapely.polygons(shells, indices=ring.polygon_of_ring))
        pieces = np.concatenate(polygons)
        broken = ~shapely.is_valid(pieces)
        pieces[broken] = shapely.make_valid(pieces[broken])
        whole = shapely.union_all(pieces) if len(rings) > 1 else shapely.geometrycollections(pieces)
        return as_polygons(whole, within)

    def _parts(self, within: Bounds | None, steps: tuple[int, int] = (1, 1)) -> Iterator[Part]:
        window = self._window(within, steps)
        if window is None:
            return
        top, bottom, left, right = window
        size = self._tiles.size
        for i in range(top // size, -(-bottom // size)):
            for j in range(left // size, -(-right // size)):
                tile = self._tiles.read(i, j)
                r0, c0 = i * size, j * size
                rows = np.arange(max(top, r0), min(bottom, r0 + size) + 1)
                columns = np.arange(max(left, c0), min(right, c0 + size) + 1)
                depth = tile.depth_m[rows[0] - r0 : rows[-1] - r0 + 1, columns[0] - c0 : columns[-1] - c0 + 1]
                yield Part(tile, rows, columns, depth)

    def _window(self, within: Bounds | None, steps: tuple[int, int]) -> tuple[int, int, int, int] | None:
        """Return first and last row and column of the centres a box needs; None where it misses the grid."""
        rows, columns = self._tiles.rows - 1, self._tiles.columns - 1
        if within is None or self._over_pole(within):
            return 0, rows, 0, columns
        u, v = _outline(1.0, 1.0)
        west, south, east, north = within
        column, row = self._to_cells(west + u * (east - west), south + v * (north - south))
        if not (np.isfinite(column).all() and np.isfinite(row).all()):
            return 0, rows, 0, columns
        found = []
        for at, last, step in ((row, rows, steps[0]), (column, columns, steps[1])):
            spare = 2 + 0.001 * float(np.ptp(at))  # edges bend a little between the points on the box
            low = int(np.clip(np.floor(at.min() - spare), 0, last)) // step * step
            high = min(-(-int(np.clip(np.ceil(at.max() + spare), 0, last)) // step) * step, last)
            if at.max() < 0 or at.min() > last or high <= low:
                return None
            found += [low, high]
        return found[0], found[1], found[2], found[3]

    def _over_pole(self, within: Bounds) -> bool:
        if not self._frame.turns:
            return False
        x, y = self._projection.to_local(np.zeros(2), np.array([-90.0, 90.0]))
        west, south, east, north = within
        return bool(((x >= west) & (x <= east) & (y >= south) & (y <= north)).any())

    def _block_steps(self, within: Bounds | None, cell_m: float | None) -> tuple[int, int]:
        if cell_m is None:
            return 1, 1
        west, south, east, north = within or self._bounds
        column, row = self._to_cells(np.array([(west + east) / 2]), np.array([(south + north) / 2]))
        if not (np.isfinite(column).all() and np.isfinite(row).all()):
            return 1, 1
        x, y = self._to_local(column + np.array([0.0, 1.0, 0.0]), row + np.array([0.0, 0.0, 1.0]))
        across, along = np.hypot(x[1:] - x[0], y[1:] - y[0])
        return max(1, int(cell_m / along)), max(1, int(cell_m / across))

    def _to_local(self, column: FloatArray, row: FloatArray) -> tuple[FloatArray, FloatArray]:
        return self._projection.to_local(*self._frame.to_geographic(column, row))

    def _to_cells(self, x: FloatArray, y: FloatArray) -> tuple[FloatArray, FloatArray]:
        return self._frame.to_cells(*self._projection.to_geographic(x, y))


@dataclass(frozen=True)
class _Frame:
    """Between a grid's cells and the earth; (0, 0) is the centre of the first cell, column before row."""

    affine: Affine
    transformer: pyproj.Transformer | None
    middle: float
    turns: bool

    def to_geographic(self, column: FloatArray, row: FloatArray) -> tuple[FloatArray, FloatArray]:
        x, y = _mapped(self.affine, column + 0.5, row + 0.5)
        return self.transformer.transform(x, y) if self.transformer else (x, y)

    def to_cells(self, lon: FloatArray, lat: FloatArray) -> tuple[FloatArray, FloatArray]:
        x, y = self.transformer.transform(lon, lat, direction="INVERSE") if self.transformer else (lon, lat)
        with np.errstate(invalid="ignore"):  # places beyond the grid's own projection are infinite
            if self.turns:
                x = x - 360.0 * np.round((x - self.middle) / 360.0)
            column, row = _mapped(~self.affine, x, y)
            return _at_centre(column - 0.5), _at_centre(row - 0.5)


def _open(file: Path, where: str) -> tuple[rasterio.DatasetReader, _Frame]:
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", rasterio.errors.NotGeoreferencedWarning)  # an error below
            dataset = rasterio.open(file)
    except rasterio.errors.RasterioIOError as error:
        raise InputError.one(
            where,
            f"{file.name} cannot be opened as a grid: {error}.",
            "Give a raster such as a GeoTIFF or a BAG.",
        ) from None
    try:
        return dataset, _frame(dataset, where)
    except InputError:
        dataset.close()
        raise


def _frame(dataset: rasterio.DatasetReader, where: str) -> _Frame:
    affine = dataset.transform
    remedy = "Save it as a georeferenced GeoTIFF."
    if dataset.count < 1 or np.dtype(dataset.dtypes[0]).kind not in "fiu":
        raise InputError.one(where, "the file has no band of real numbers.", "Give one raster with depth in band 1.")
    if dataset.width < 2 or dataset.height < 2:  # noqa: PLR2004
        raise InputError.one(where, "the grid has fewer than 2 × 2 cells.", "Give a larger grid.")
    if affine.is_identity or affine.is_degenerate:
        raise InputError.one(where, "the grid has no position on the earth.", remedy)
    if not dataset.crs:
        raise InputError.one(where, "the grid has no coordinate system (CRS).", remedy)
    try:
        crs = pyproj.CRS.from_wkt(dataset.crs.to_wkt())
        crs = crs.sub_crs_list[0] if crs.is_compound else crs
        plain = crs.is_geographic and crs.equals("EPSG:4326", ignore_axis_order=True)
        transformer = None if plain else pyproj.Transformer.from_crs(crs, "EPSG:4326", always_xy=True)
    except pyproj.exceptions.ProjError as error:
        raise InputError.one(where, f"the grid's coordinate system is not understood: {error}.", remedy) from None
    middle = affine.a * dataset.width / 2 + affine.b * dataset.height / 2 + affine.c
    return _Frame(affine, transformer, middle, bool(crs.is_geographic))


def _outline(width: float, height: float, start: float = 0.0) -> tuple[FloatArray, FloatArray]:
    t = np.linspace(0.0, 1.0, _BOX_STEPS)
    low, high = np.zeros(_BOX_STEPS), np.ones(_BOX_STEPS)
    x = start + np.concatenate([t, high, t, low]) * (width - start)
    y = start + np.concatenate([low, t, high, t]) * (height - start)
    return x, y


def _mapped(affine: Affine, x: FloatArray, y: FloatArray) -> tuple[FloatArray, FloatArray]:
    return affine.a * x + affine.b * y + affine.c, affine.d * x + affine.e * y + affine.f


def _at_centre(cells: FloatArray) -> FloatArray:
    """Take away the rounding of a way there and back, so that a centre needs its own cell only."""
    whole = np.round(cells)
    return np.where(np.abs(cells - whole) < _AT_CENTRE_CELLS, whole, cells)


def _share(weight: FloatArray, depth: FloatArray) -> FloatArray:
    return np.where(weight == 0, 0.0, weight * depth)
