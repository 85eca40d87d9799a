"""Depth as a grid: rasters of any size, read in tiles, in whatever coordinates they were made."""

from __future__ import annotations

import warnings
from collections import OrderedDict
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import pyproj
import rasterio
import rasterio.errors
import rasterio.windows
import shapely
from contourpy import FillType, LineType, contour_generator
from shapely import MultiLineString, MultiPolygon

from layers._depthfile import as_lines, as_polygons, depth_factor
from layers._errors import InputError

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from affine import Affine

    from layers.model import Bounds, FloatArray
    from layers.projection import LocalProjection

TILE_CELLS = 1024
"""Rows and columns worked on at a time: about 50 MB with contourpy's own arrays."""
_TILES_KEPT = 24
"""Tiles kept for the next question, 8 MB each: a 4,000 × 4,000 grid is read once."""
_NUDGE_M = 1e-6
_AT_CENTRE_CELLS = 1e-6
_REPEATED_M = 1e-3
_LEAST_LINE_M = 1e-2
_BOX_STEPS = 33


def open_grid(file: Path, projection: LocalProjection, *, values: str, unit: str, where: str) -> GridDepth:
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

    Returns
    -------
    GridDepth
        Holds the file open as long as it lives; reads only the tiles that a question touches.

    Raises
    ------
    InputError
        The file cannot be read, has no position or coordinate system, has fewer than 2 × 2 cells or no real
        numbers; `values` or `unit` is not allowed.
    """
    factor = depth_factor(values, unit, where)
    dataset, frame = _open(file, where)
    return GridDepth(_Tiles(dataset, factor, where), frame, projection)


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

    def __init__(self, tiles: _Tiles, frame: _Frame, projection: LocalProjection) -> None:
        self._tiles = tiles
        self._contours = _Contours()
        self._frame = frame
        self._projection = projection
        x, y = self._to_local(*_outline(tiles.columns - 1, tiles.rows - 1))
        self._bounds = (float(x.min()), float(y.min()), float(x.max()), float(y.max()))

    @property
    def bounds(self) -> Bounds:
        """Return the local box around all cell centres."""
        return self._bounds

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
        tile = np.column_stack([top, left]) // size
        for number in np.unique(tile, axis=0):
            here = (tile == number).all(axis=1)
            block = self._tiles.read(int(number[0]), int(number[1])).depth_m
            r, c = top[here] - number[0] * size, left[here] - number[1] * size
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
            if not part.tile.shallowest_m - _NUDGE_M < depth_m < part.tile.deepest_m + _NUDGE_M:
                continue
            generator = self._contours.of(part, _off_level(part.depth_m, depth_m))
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
            _blocks(part, depth_m, steps) if max(steps) > 1 else self._contours.filled(part, depth_m)
            for part in self._parts(within, steps)
            if part.tile.deepest_m >= depth_m - _NUDGE_M
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

    def _parts(self, within: Bounds | None, steps: tuple[int, int] = (1, 1)) -> Iterator[_Part]:
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
                yield _Part(tile, rows, columns, depth)

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


@dataclass(frozen=True)
class _Tile:
    depth_m: FloatArray
    shallowest_m: float
    deepest_m: float


@dataclass(frozen=True)
class _Part:
    """The part of a tile that a question needs: cell centres by row and column of the whole grid."""

    tile: _Tile
    rows: npt.NDArray[np.intp]
    columns: npt.NDArray[np.intp]
    depth_m: FloatArray

    def same_cells(self, other: _Part) -> bool:
        """Return whether another part holds the same cells of the same tile."""
        return self.tile is other.tile and all(
            mine[0] == its[0] and mine[-1] == its[-1]
            for mine, its in ((self.rows, other.rows), (self.columns, other.columns))
        )


@dataclass(frozen=True)
class _Rings:
    """Polygons as points (column, row) with the ring of each point and the polygon of each ring."""

    points: FloatArray
    ring_of_point: npt.NDArray[np.intp]
    polygon_of_ring: npt.NDArray[np.intp]


class _Tiles:
    """The raster's tiles as depth in metres, NaN where unknown, the last ones kept."""

    def __init__(self, dataset: rasterio.DatasetReader, factor: float, where: str) -> None:
        self.rows, self.columns, self.size = dataset.height, dataset.width, TILE_CELLS
        self._dataset = dataset
        self._scale, self._offset = factor * dataset.scales[0], factor * dataset.offsets[0]
        self._where = where
        self._kept: OrderedDict[tuple[int, int], _Tile] = OrderedDict()

    def read(self, i: int, j: int) -> _Tile:
        """Return tile (i, j): its cells and the first row and column of the tiles after it."""
        if (i, j) in self._kept:
            self._kept.move_to_end((i, j))
            return self._kept[i, j]
        top, left = i * self.size, j * self.size
        bottom, right = min(top + self.size + 1, self.rows), min(left + self.size + 1, self.columns)
        window = rasterio.windows.Window(left, top, right - left, bottom - top)
        try:
            raw = self._dataset.read(1, window=window, masked=True)
        except rasterio.errors.RasterioIOError as error:
            raise InputError.one(
                self._where,
                f"rows {top} to {bottom} cannot be read: {error}.",
                "Get a whole copy of the file.",
            ) from None
        depth = np.ma.filled(raw.astype(np.float64), np.nan)
        if (self._scale, self._offset) != (1.0, 0.0):
            depth *= self._scale
            depth += self._offset
        depth[~np.isfinite(depth)] = np.nan
        lowest, highest = np.fmin.reduce(depth, axis=None), np.fmax.reduce(depth, axis=None)
        # Comparisons with NaN are false: a tile without a depth is passed over.
        tile = self._kept[i, j] = _Tile(depth, float(lowest), float(highest))
        if len(self._kept) > _TILES_KEPT:
            self._kept.popitem(last=False)
        return tile


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


def _off_level(depth_m: FloatArray, level_m: float) -> FloatArray:
    """Return depths none of which is the level, so that lines neither touch nor stop; at it is deep."""
    on = np.abs(depth_m - level_m) < _NUDGE_M
    return np.where(on, level_m + _NUDGE_M, depth_m) if on.any() else depth_m


class _Contours:
    """Contour generators: the last one made is kept, for a part is mostly asked for many levels in a row."""

    def __init__(self) -> None:
        self._kept: tuple[_Part, Any] | None = None

    def of(self, part: _Part, depth_m: FloatArray) -> Any:
        """Return the generator for a part, whose depths may have been moved off a level."""
        if depth_m is not part.depth_m:
            return _generator(part.columns, part.rows, depth_m)
        if self._kept is None or not part.same_cells(self._kept[0]):
            self._kept = (part, _generator(part.columns, part.rows, depth_m))
        return self._kept[1]

    def filled(self, part: _Part, level_m: float) -> _Rings:
        """Return a part's water at least this deep; minus infinity asks for all that is known."""
        if not np.isfinite(level_m):
            depth = np.where(np.isnan(part.depth_m), np.nan, 0.0)
            return _rings(_generator(part.columns, part.rows, depth), -1.0, 0.0)
        generator = self.of(part, _off_level(part.depth_m, level_m))
        return _rings(generator, level_m, part.tile.deepest_m)


def _generator(columns: npt.NDArray[np.intp], rows: npt.NDArray[np.intp], depth_m: FloatArray) -> Any:
    return contour_generator(
        columns,
        rows,
        depth_m,
        corner_mask=False,
        line_type=LineType.ChunkCombinedOffset,
        fill_type=FillType.ChunkCombinedOffsetOffset,
    )


def _blocks(part: _Part, level_m: float, steps: tuple[int, int]) -> _Rings:
    row_edges, column_edges = _edges(part.rows, steps[0]), _edges(part.columns, steps[1])
    shallowest = _shallowest(_shallowest(part.depth_m, row_edges - row_edges[0]).T, column_edges - column_edges[0]).T
    deep = shallowest >= level_m
    if not deep.any():
        return _Rings(np.empty((0, 2)), np.empty(0, dtype=np.intp), np.empty(0, dtype=np.intp))
    # A block is four quads of a grid twice as fine, all of them masked by its middle.
    fine = np.zeros((2 * deep.shape[0] + 1, 2 * deep.shape[1] + 1))
    fine[1::2, 1::2] = np.where(deep, 0.0, np.nan)
    rings = _rings(_generator(np.arange(fine.shape[1]), np.arange(fine.shape[0]), fine), -1.0, 0.0)
    corner = (rings.points % 2 == 0).all(axis=1)
    column, row = (rings.points[corner] / 2).astype(np.intp).T
    points = np.column_stack([column_edges[column], row_edges[row]]).astype(np.float64)
    return _Rings(points, rings.ring_of_point[corner], rings.polygon_of_ring)


def _edges(centres: npt.NDArray[np.intp], step: int) -> npt.NDArray[np.intp]:
    """Return first, last and every centre whose number is a multiple of the step: the same in every tile."""
    chosen = (centres % step == 0) | (centres == centres[0]) | (centres == centres[-1])
    return np.asarray(centres[chosen])


def _shallowest(depth_m: FloatArray, edges: npt.NDArray[np.intp]) -> FloatArray:
    """Return the least of rows from each edge to the next, both counted; NaN if any is."""
    return np.minimum(np.minimum.reduceat(depth_m[: edges[-1]], edges[:-1], axis=0), depth_m[edges[1:]])


def _rings(generator: Any, level_m: float, deepest_m: float) -> _Rings:
    top = max(level_m, deepest_m) + 1.0  # the level where nothing is known
    chunks: Any = generator.filled(level_m, top)  # points, starts of rings and of polygons, of one chunk
    (points,), (ring_starts,), (polygon_starts,) = chunks
    if points is None:
        return _Rings(np.empty((0, 2)), np.empty(0, dtype=np.intp), np.empty(0, dtype=np.intp))
    ring_sizes, polygon_sizes = np.diff(ring_starts.astype(np.intp)), np.diff(polygon_starts.astype(np.intp))
    return _Rings(
        points,
        np.repeat(np.arange(len(ring_sizes)), ring_sizes),
        np.repeat(np.arange(len(polygon_sizes)), polygon_sizes),
    )
