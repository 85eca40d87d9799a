"""A grid as a tiled gridded coverage in a GeoPackage, for looking at in a GIS: float32 in TIFF tiles, nothing lost."""

from __future__ import annotations

import contextlib
import sqlite3
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from layers._errors import InputError
from layers.featurefiles import DAY, VERSION
from layers.packedarea import GridOf

if TYPE_CHECKING:
    import rasterio

MOST_CELLS = 50_000_000
"""A grid of more cells is shown coarser: every 2nd, 4th, … cell a side, each the shallowest of its block."""
_COARSEST = 16
_TILE = 256
_WINDOW = 1024
_CACHE_MB = 64
_NODATA = float(np.finfo(np.float32).min)


def write_coverage(package: Path, grid: GridOf, where: str) -> str:
    """Add a grid's first band to a GeoPackage, window by window: in under 100 MB whatever its size.

    Parameters
    ----------
    package
        The GeoPackage, made where there is none.
    grid
        The grid, and the coverage's name.
    where
        The grid's place, for messages.

    Returns
    -------
    str
        What a person should know; empty where every cell is shown as it is.

    Raises
    ------
    InputError
        It cannot be read or written.
    """
    import rasterio  # noqa: PLC0415 - an area without grids need not wait for it
    from rasterio.errors import RasterioError  # noqa: PLC0415

    options = {"OGR_CURRENT_DATE": DAY, "GDAL_CACHEMAX": _CACHE_MB}
    try:
        with rasterio.Env(**options), rasterio.open(grid.path) as source:
            step = _step(source.width * source.height)
            affine = source.transform
            if affine.b or affine.d or affine.a <= 0 or affine.e == 0:
                return f"{grid.path.name} is turned on the map, so a GIS gets the file itself but no picture of it."
            if step > _COARSEST:
                cells = source.width * source.height
                return f"{grid.path.name} has {cells:,} cells, too many to show: a GIS gets the file itself only."
            _create(package, grid, source, step)
            with rasterio.open(f"GPKG:{package}:{grid.table}", "r+") as target:
                for window, depth in _windows(source, step, grid, target.shape):
                    target.write(depth, 1, window=window)
                levels = [2**i for i in range(1, 12) if max(target.shape) > _TILE * 2 ** (i - 1)]
                target.build_overviews(levels, rasterio.enums.Resampling.nearest)
    except (RasterioError, sqlite3.Error) as error:
        what = f"{grid.path.name} cannot be put into the GeoPackage: {error}."
        raise InputError.one(where, what, "Check that the grid is whole and the disk has room.") from None
    if step == 1:
        return ""
    return f"{grid.path.name} is shown {step} times coarser than it is, every cell the shallowest of its block."


def _step(cells: int) -> int:
    step = 1
    while cells / step**2 > MOST_CELLS:
        step *= 2
    return step


def _create(package: Path, grid: GridOf, source: rasterio.DatasetReader, step: int) -> None:
    """Make the empty coverage; what marks missing cells must be there before the first tile is filled up with it."""
    import rasterio  # noqa: PLC0415 - as above

    affine = source.transform
    # a grid whose rows run north is turned over, for tiles run south
    top = affine.f if affine.e < 0 else affine.f + affine.e * source.height
    transform = rasterio.Affine(affine.a * step, 0.0, affine.c, 0.0, -abs(affine.e) * step, top)
    more = "" if step == 1 else f", shown {step} times coarser, every cell the shallowest of its block"
    words = f"{grid.values} in {grid.unit} from {grid.path.name}{more}; to look at: unpacking takes the file itself"
    with rasterio.open(
        package,
        "w",
        driver="GPKG",
        width=-(-source.width // step),
        height=-(-source.height // step),
        count=1,
        dtype="float32",
        crs=source.crs,
        transform=transform,
        RASTER_TABLE=grid.table,
        RASTER_DESCRIPTION=words,
        TILE_FORMAT="TIFF",
        APPEND_SUBDATASET="YES" if package.exists() else "NO",
        VERSION=VERSION,
    ):
        pass
    with contextlib.closing(sqlite3.connect(package)) as db, db:
        db.execute(
            "UPDATE gpkg_2d_gridded_coverage_ancillary SET data_null = ?, uom = ?, field_name = ?,"
            " quantity_definition = ? WHERE tile_matrix_set_name = ?",
            (_nodata(source), grid.unit, grid.values, grid.values, grid.table),
        )


def _nodata(source: rasterio.DatasetReader) -> float:
    told = source.nodata
    return float(np.float32(told)) if told is not None and np.isfinite(np.float32(told)) else _NODATA


def _windows(
    source: rasterio.DatasetReader, step: int, grid: GridOf, shape: tuple[int, int]
) -> Iterator[tuple[Any, npt.NDArray[np.float32]]]:
    """Give the windows of the coverage with their cells."""
    from rasterio.windows import Window  # noqa: PLC0415 - as above

    size = max(_TILE, _WINDOW // step // _TILE * _TILE)
    rows, columns = shape
    flipped = source.transform.e > 0
    for top in range(0, rows, size):
        for left in range(0, columns, size):
            height, width = min(size, rows - top), min(size, columns - left)
            down, across = min(height * step, source.height - top * step), min(width * step, source.width - left * step)
            first = source.height - top * step - down if flipped else top * step
            raw = source.read(1, window=Window(left * step, first, across, down), masked=True)
            cells = raw.astype(np.float32).filled(np.nan)
            cells = cells[::-1] if flipped else cells
            if step > 1:
                cells = _shallowest(cells, step, deeper_is_more=grid.factor > 0)
            yield Window(left, top, width, height), np.where(np.isnan(cells), np.float32(_nodata(source)), cells)


def _shallowest(cells: npt.NDArray[np.float32], step: int, *, deeper_is_more: bool) -> npt.NDArray[np.float32]:
    """Return the shallowest of every block of cells; a block without any is missing."""
    worst = np.float32(np.inf if deeper_is_more else -np.inf)
    rows, columns = (-(-size // step) for size in cells.shape)
    whole = np.full((rows * step, columns * step), worst, dtype=np.float32)
    whole[: cells.shape[0], : cells.shape[1]] = np.where(np.isnan(cells), worst, cells)
    blocks = whole.reshape(rows, step, columns, step)
    found = blocks.min(axis=(1, 3)) if deeper_is_more else blocks.max(axis=(1, 3))
    return np.where(np.isinf(found), np.float32(np.nan), found)
