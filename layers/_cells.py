"""The cells of a grid: read in tiles, contoured by parts of a tile, in columns and rows of the whole grid."""

from __future__ import annotations

from collections import OrderedDict
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import rasterio
import rasterio.errors
import rasterio.windows
from contourpy import FillType, LineType, contour_generator

from layers._errors import InputError
from layers.model import CERTAIN, Uncertainty

if TYPE_CHECKING:
    from layers.model import FloatArray

TILE_CELLS = 1024
"""Rows and columns worked on at a time: about 50 MB with contourpy's own arrays."""
NUDGE_M = 1e-6
"""Depths within this of a level count as a hair deeper, so that lines neither touch nor stop."""
_TILES_KEPT = 24
"""Tiles kept for the next question, 8 MB each: a 4,000 × 4,000 grid is read once."""


@dataclass(frozen=True)
class Tile:
    depth_m: FloatArray
    shallowest_m: float
    deepest_m: float


@dataclass(frozen=True)
class Part:
    """The part of a tile that a question needs: cell centres by row and column of the whole grid."""

    tile: Tile
    rows: npt.NDArray[np.intp]
    columns: npt.NDArray[np.intp]
    depth_m: FloatArray

    def same_cells(self, other: Part) -> bool:
        """Return whether another part holds the same cells of the same tile."""
        return self.tile is other.tile and all(
            mine[0] == its[0] and mine[-1] == its[-1]
            for mine, its in ((self.rows, other.rows), (self.columns, other.columns))
        )


@dataclass(frozen=True)
class Rings:
    """Polygons as points (column, row) with the ring of each point and the polygon of each ring."""

    points: FloatArray
    ring_of_point: npt.NDArray[np.intp]
    polygon_of_ring: npt.NDArray[np.intp]


class Tiles:
    """The raster's tiles as depth in metres, NaN where unknown, the last ones kept; less an uncertainty."""

    def __init__(self, dataset: rasterio.DatasetReader, factor: float, where: str, less: Uncertainty = CERTAIN) -> None:
        self.rows, self.columns, self.size = dataset.height, dataset.width, TILE_CELLS
        self._dataset = dataset
        self._factor = factor
        self._where = where
        self._less = less
        self._kept: OrderedDict[tuple[int, int], Tile] = OrderedDict()

    def read(self, i: int, j: int) -> Tile:
        """Return tile (i, j): its cells and the first row and column of the tiles after it."""
        if (i, j) in self._kept:
            self._kept.move_to_end((i, j))
            return self._kept[i, j]
        top, left = i * self.size, j * self.size
        bottom, right = min(top + self.size + 1, self.rows), min(left + self.size + 1, self.columns)
        window = rasterio.windows.Window(left, top, right - left, bottom - top)
        depth = self._band(1, window, self._factor)
        if self._less.band is not None:
            depth -= self._band(self._less.band, window, abs(self._factor))
        elif self._less.metres:
            depth -= self._less.metres
        depth[~np.isfinite(depth)] = np.nan
        lowest, highest = np.fmin.reduce(depth, axis=None), np.fmax.reduce(depth, axis=None)
        # Comparisons with NaN are false: a tile without a depth is passed over.
        tile = self._kept[i, j] = Tile(depth, float(lowest), float(highest))
        if len(self._kept) > _TILES_KEPT:
            self._kept.popitem(last=False)
        return tile

    def less(self, uncertainty: Uncertainty) -> Tiles:
        """Return the same cells less an uncertainty."""
        return Tiles(self._dataset, self._factor, self._where, uncertainty)

    def _band(self, band: int, window: rasterio.windows.Window, factor: float) -> FloatArray:
        """Return a band's part in metres, its own scale and offset applied; NaN where masked."""
        try:
            raw = self._dataset.read(band, window=window, masked=True)
        except rasterio.errors.RasterioIOError as error:
            top = window.row_off
            raise InputError.one(
                self._where,
                f"rows {top} to {top + window.height} cannot be read: {error}.",
                "Get a whole copy of the file.",
            ) from None
        values: FloatArray = np.ma.filled(raw.astype(np.float64), np.nan)
        scale, offset = factor * self._dataset.scales[band - 1], factor * self._dataset.offsets[band - 1]
        if (scale, offset) != (1.0, 0.0):
            values *= scale
            values += offset
        return values


def off_level(depth_m: FloatArray, level_m: float) -> FloatArray:
    """Return depths none of which is the level, so that lines neither touch nor stop; at it is deep."""
    on = np.abs(depth_m - level_m) < NUDGE_M
    return np.where(on, level_m + NUDGE_M, depth_m) if on.any() else depth_m


class Contours:
    """Contour generators: the last one made is kept, for a part is mostly asked for many levels in a row."""

    def __init__(self) -> None:
        self._kept: tuple[Part, Any] | None = None

    def of(self, part: Part, depth_m: FloatArray) -> Any:
        """Return the generator for a part, whose depths may have been moved off a level."""
        if depth_m is not part.depth_m:
            return _generator(part.columns, part.rows, depth_m)
        if self._kept is None or not part.same_cells(self._kept[0]):
            self._kept = (part, _generator(part.columns, part.rows, depth_m))
        return self._kept[1]

    def filled(self, part: Part, level_m: float) -> Rings:
        """Return a part's water at least this deep; minus infinity asks for all that is known."""
        if not np.isfinite(level_m):
            depth = np.where(np.isnan(part.depth_m), np.nan, 0.0)
            return _rings(_generator(part.columns, part.rows, depth), -1.0, 0.0)
        generator = self.of(part, off_level(part.depth_m, level_m))
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


def blocks(part: Part, level_m: float, steps: tuple[int, int]) -> Rings:
    row_edges, column_edges = _edges(part.rows, steps[0]), _edges(part.columns, steps[1])
    shallowest = _shallowest(_shallowest(part.depth_m, row_edges - row_edges[0]).T, column_edges - column_edges[0]).T
    deep = shallowest >= level_m
    if not deep.any():
        return Rings(np.empty((0, 2)), np.empty(0, dtype=np.intp), np.empty(0, dtype=np.intp))
    # A block is four quads of a grid twice as fine, all of them masked by its middle.
    fine = np.zeros((2 * deep.shape[0] + 1, 2 * deep.shape[1] + 1))
    fine[1::2, 1::2] = np.where(deep, 0.0, np.nan)
    rings = _rings(_generator(np.arange(fine.shape[1]), np.arange(fine.shape[0]), fine), -1.0, 0.0)
    corner = (rings.points % 2 == 0).all(axis=1)
    column, row = (rings.points[corner] / 2).astype(np.intp).T
    points = np.column_stack([column_edges[column], row_edges[row]]).astype(np.float64)
    return Rings(points, rings.ring_of_point[corner], rings.polygon_of_ring)


def _edges(centres: npt.NDArray[np.intp], step: int) -> npt.NDArray[np.intp]:
    """Return first, last and every centre whose number is a multiple of the step: the same in every tile."""
    chosen = (centres % step == 0) | (centres == centres[0]) | (centres == centres[-1])
    return np.asarray(centres[chosen])


def _shallowest(depth_m: FloatArray, edges: npt.NDArray[np.intp]) -> FloatArray:
    """Return the least of rows from each edge to the next, both counted; NaN if any is."""
    return np.minimum(np.minimum.reduceat(depth_m[: edges[-1]], edges[:-1], axis=0), depth_m[edges[1:]])


def _rings(generator: Any, level_m: float, deepest_m: float) -> Rings:
    top = max(level_m, deepest_m) + 1.0  # the level where nothing is known
    chunks: Any = generator.filled(level_m, top)  # points, starts of rings and of polygons, of one chunk
    (points,), (ring_starts,), (polygon_starts,) = chunks
    if points is None:
        return Rings(np.empty((0, 2)), np.empty(0, dtype=np.intp), np.empty(0, dtype=np.intp))
    ring_sizes, polygon_sizes = np.diff(ring_starts.astype(np.intp)), np.diff(polygon_starts.astype(np.intp))
    return Rings(
        points,
        np.repeat(np.arange(len(ring_sizes)), ring_sizes),
        np.repeat(np.arange(len(polygon_sizes)), polygon_sizes),
    )
