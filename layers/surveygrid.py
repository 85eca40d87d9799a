"""The cells of a survey: looked through once, a part cut out or all of it converted, in bounded memory.

Work goes window by window of at most `WINDOW_CELLS` × `WINDOW_CELLS` cells, so memory does not grow with the grid.
Bound: 400 MB, of which the libraries are 165. Measured: 305 MB for 5,000 × 5,000 cells cut out of 20,000 × 20,000, and
236 MB for 14,000 × 14,000 cells looked through.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pyproj
import rasterio
import rasterio.errors
import rasterio.windows
from affine import Affine
from rasterio.windows import Window

from layers._errors import InputError
from layers.grid import grid_outline
from layers.model import FloatArray
from layers.surveyfiles import Surface, unreadable
from layers.units import parse_quantity

MOST_CELLS = 200_000_000
"""A grid, or the part that is cut out of one, has at most this many cells."""
WINDOW_CELLS = 1024
_CACHE_BYTES = 64 * 2**20
_MOST_BLOCK_BYTES = 256 * 2**20
"""GDAL reads whole blocks: a file of one block is read at once."""
_DEEPEST_M, _HIGHEST_M = 11_500.0, 9_000.0
_LARGEST_M = 1_000.0
_FILLS = (1e6, -9999.0, 9999.0, -99999.0, 99999.0, -32768.0, -32767.0, 32767.0)
"""Numbers that stand for no value where a file forgets to say so."""
_AZIMUTHS = np.arange(0.0, 360.0, 5.0)
_WIDEST_LAT_DEG = 90.0


@dataclass(frozen=True)
class Cells:
    """What became of a surface: its file, its band of uncertainty, and how many cells are known and lack one."""

    path: Path
    uncertainty: int | None
    known: int
    without: int


def settle_cells(surface: Surface, out: Path, around: tuple[float, float] | None, radius_m: float, where: str) -> Cells:
    """Look through a surface's cells; write the part that is wanted, where that is not the file as it is.

    Parameters
    ----------
    surface
        The surface.
    out
        GeoTIFF to be written if need be: depth or elevation as they stand in band 1, uncertainty in band 2, NaN where
        unknown.
    around, radius_m
        WGS 84 longitude and latitude, and how far from there the cells are wanted; None for all.
    where
        Names the file in messages.

    Raises
    ------
    InputError
        The grid has no position or coordinate system, is too large, does not reach what is wanted, knows nothing there,
        or holds numbers that are no depths.
    """
    outline = grid_outline(surface.path, where)
    with closing(_open(surface, where)) as dataset, rasterio.Env(GDAL_CACHEMAX=_CACHE_BYTES):
        window = Window(0, 0, dataset.width, dataset.height)
        if around is not None:
            window = _wanted(dataset, around, radius_m, outline, where)
        _check_size(dataset, window, where)
        filled = surface.fill is None or dataset.nodata == surface.fill
        same = around is None and surface.depth == 1 and surface.widen == 1.0 and not surface.gdal and filled
        try:
            if same:
                tally = _Tally(surface, dataset, where)
                for part in _windows(window):
                    tally.add(*_read(dataset, surface, part), part)
                uncertainty = surface.uncertainty
                path = surface.path
            else:
                tally = _write(dataset, surface, window, out, where)
                uncertainty = 2 if surface.uncertainty else None
                path = out
        except rasterio.errors.RasterioIOError as error:
            raise unreadable(where, error) from None
    tally.check(cut=around is not None)
    return Cells(path, uncertainty if tally.without < tally.known else None, tally.known, tally.without)


def _open(surface: Surface, where: str) -> rasterio.DatasetReader:
    try:
        return rasterio.open(surface.path, **surface.gdal)
    except rasterio.errors.RasterioIOError as error:
        raise unreadable(where, error) from None


def _check_size(dataset: rasterio.DatasetReader, window: Window, where: str) -> None:
    cells = window.width * window.height
    if cells > MOST_CELLS:
        what = f"{window.width:,} × {window.height:,} cells are {cells / 1e6:,.0f} million; at most "
        what += f"{MOST_CELLS / 1e6:,.0f} million are brought in."
        remedy = "Cut out the part you fish: write --around (a position) and --radius (how far from it)."
        raise InputError.one(where, what, remedy)
    rows, columns = dataset.block_shapes[0]
    if rows * columns * np.dtype(dataset.dtypes[0]).itemsize > _MOST_BLOCK_BYTES:
        what = f"its cells are stored in blocks of {columns:,} × {rows:,}, which must be read whole."
        raise InputError.one(where, what, "Save it in tiles: gdal_translate -co TILED=YES.")


def _wanted(
    dataset: rasterio.DatasetReader,
    around: tuple[float, float],
    radius_m: float,
    outline: tuple[FloatArray, FloatArray],
    where: str,
) -> Window:
    """Return the cells within a circle on the earth, and one more on every side."""
    crs = pyproj.CRS.from_wkt(dataset.crs.to_wkt())
    crs = crs.sub_crs_list[0] if crs.is_compound else crs
    n = len(_AZIMUTHS)
    lon, lat = np.full(n, around[0]), np.full(n, around[1])
    # The chords of the outline cut into the circle by 0.1 %.
    reach = np.full(n, radius_m * 1.001)
    lon, lat, _ = pyproj.Geod(ellps="WGS84").fwd(lon, lat, _AZIMUTHS, reach)
    x, y = pyproj.Transformer.from_crs("EPSG:4326", crs, always_xy=True).transform(lon, lat)
    affine = dataset.transform
    if crs.is_geographic:
        middle = affine.a * dataset.width / 2 + affine.b * dataset.height / 2 + affine.c
        x = x - 360.0 * np.round((x - middle) / 360.0)
        if abs(around[1]) + radius_m / 110_000.0 >= _WIDEST_LAT_DEG:
            x = np.linspace(middle - 180.0, middle + 180.0, n)  # round a pole is every longitude
            y = np.where(np.arange(n) % 2 == 0, np.copysign(_WIDEST_LAT_DEG, around[1]), y)
    cells = ~affine
    column, row = cells.a * x + cells.b * y + cells.c, cells.d * x + cells.e * y + cells.f
    if np.isfinite(column).all() and np.isfinite(row).all():
        left, right = int(np.floor(column.min())) - 1, int(np.ceil(column.max())) + 1
        top, bottom = int(np.floor(row.min())) - 1, int(np.ceil(row.max())) + 1
        left, right = max(left, 0), min(right, dataset.width)
        top, bottom = max(top, 0), min(bottom, dataset.height)
        if right - left > 1 and bottom - top > 1:
            return Window(left, top, right - left, bottom - top)
    lons, lats = outline
    what = f"it does not reach {around[0]:.4f}, {around[1]:.4f}: its cells lie between longitudes {lons.min():.4f} and "
    what += f"{lons.max():.4f}, latitudes {lats.min():.4f} and {lats.max():.4f}."
    raise InputError.one(where, what, "Give a place within it.")


def _moved(affine: Affine, window: Window) -> Affine:
    """Return the transform of a window's own cells."""
    x = affine.a * window.col_off + affine.b * window.row_off + affine.c
    y = affine.d * window.col_off + affine.e * window.row_off + affine.f
    return Affine(affine.a, affine.b, x, affine.d, affine.e, y)


def _windows(window: Window) -> Iterator[Window]:
    for top in range(0, window.height, WINDOW_CELLS):
        for left in range(0, window.width, WINDOW_CELLS):
            width, height = min(WINDOW_CELLS, window.width - left), min(WINDOW_CELLS, window.height - top)
            yield Window(window.col_off + left, window.row_off + top, width, height)


def _read(
    dataset: rasterio.DatasetReader, surface: Surface, part: Window
) -> tuple[npt.NDArray[Any], npt.NDArray[Any] | None]:
    """Return depth or elevation and uncertainty as they are to be counted, in the surface's unit; NaN where unknown."""
    depth = _band(dataset, surface.depth, part, surface.fill)
    if surface.uncertainty is None:
        return depth, None
    uncertainty = _band(dataset, surface.uncertainty, part, surface.fill)
    return depth, uncertainty * np.asarray(surface.widen, uncertainty.dtype) if surface.widen != 1 else uncertainty


def _band(dataset: rasterio.DatasetReader, band: int, part: Window, fill: float | None) -> npt.NDArray[Any]:
    raw = dataset.read(band, window=part, masked=True)
    if fill is not None:
        raw = np.ma.masked_equal(raw, fill, copy=False)
    exact = np.float32 if raw.dtype == np.float32 else np.float64
    scale, offset = dataset.scales[band - 1], dataset.offsets[band - 1]
    if (scale, offset) == (1.0, 0.0):
        return np.asarray(np.ma.filled(raw.astype(exact), np.nan))
    return np.asarray(np.ma.filled(raw.astype(np.float64), np.nan) * scale + offset)


class _Tally:
    """What has been seen of a surface's cells; what cannot be is raised."""

    def __init__(self, surface: Surface, dataset: rasterio.DatasetReader, where: str) -> None:
        self.known = self.without = 0
        self._surface = surface
        self._where = where
        self._unit_m = parse_quantity(f"1 {surface.unit}", "length", where)
        self._nodata = dataset.nodatavals[surface.depth - 1]

    def add(self, depth: npt.NDArray[Any], uncertainty: npt.NDArray[Any] | None, part: Window) -> None:
        known = ~np.isnan(depth)
        self.known += int(known.sum())
        down = self._unit_m if self._surface.values == "depth" else -self._unit_m
        deep_m = depth * down
        wrong = known & ~((deep_m > -_HIGHEST_M) & (deep_m < _DEEPEST_M))
        for fill in _FILLS:
            if fill != self._nodata:
                wrong |= depth == fill
        self._refuse(depth, wrong, part, f"{self._surface.values} in {self._surface.unit}")
        if uncertainty is not None:
            missing = known & np.isnan(uncertainty)
            self.without += int(missing.sum())
            large = known & ~missing & ~((uncertainty >= 0) & (uncertainty * self._unit_m < _LARGEST_M))
            self._refuse(uncertainty, large, part, f"uncertainty in {self._surface.unit}")

    def check(self, *, cut: bool) -> None:
        if not self.known:
            place = "there: it was not surveyed" if cut else "anywhere: all its cells are without a value"
            raise InputError.one(self._where, f"no depth is known {place}.", "Give a survey of the water you fish.")

    def _refuse(self, values: npt.NDArray[Any], wrong: npt.NDArray[np.bool_], part: Window, what: str) -> None:
        if not wrong.any():
            return
        row, column = np.argwhere(wrong)[0]
        found = f"row {part.row_off + row + 1}, column {part.col_off + column + 1} holds {values[row, column]:g}, "
        said = "states no value for unknown cells" if self._nodata is None else f"states {self._nodata:g} for unknown"
        remedy = "If that stands for no value, state it as the file's nodata; if not, check unit and values."
        raise InputError.one(self._where, f"{found}which is no {what}; the file {said}.", remedy)


def _write(dataset: rasterio.DatasetReader, surface: Surface, window: Window, out: Path, where: str) -> _Tally:
    tally = _Tally(surface, dataset, where)
    bands = [surface.depth] + ([surface.uncertainty] if surface.uncertainty else [])
    exact = all(dataset.dtypes[band - 1] == "float32" and dataset.scales[band - 1] == 1.0 for band in bands)
    crs = pyproj.CRS.from_wkt(dataset.crs.to_wkt())
    crs = crs.sub_crs_list[0] if crs.is_compound else crs
    profile = {
        "driver": "GTiff", "width": window.width, "height": window.height, "count": len(bands), "nodata": np.nan,
        "dtype": "float32" if exact else "float64", "crs": rasterio.crs.CRS.from_wkt(crs.to_wkt("WKT1_GDAL")),
        "transform": _moved(dataset.transform, window), "tiled": True,
        "blockxsize": 256, "blockysize": 256, "compress": "deflate", "predictor": 3, "BIGTIFF": "IF_SAFER",
    }  # fmt: skip
    with rasterio.open(out, "w", **profile) as copy:
        for part in _windows(window):
            depth, uncertainty = (_shoalest if surface.shoalest else _read)(dataset, surface, part)
            tally.add(depth, uncertainty, part)
            at = Window(part.col_off - window.col_off, part.row_off - window.row_off, part.width, part.height)
            copy.write(depth.astype(profile["dtype"]), 1, window=at)
            if uncertainty is not None:
                copy.write(uncertainty.astype(profile["dtype"]), 2, window=at)
        copy.descriptions = (surface.values, "uncertainty")[: len(bands)]
        copy.units = (surface.unit,) * len(bands)
    return tally


def _shoalest(
    dataset: rasterio.DatasetReader, surface: Surface, part: Window
) -> tuple[npt.NDArray[Any], npt.NDArray[Any] | None]:
    """Return each known cell as shallow as the shallowest of the nine around it, and as uncertain as the least sure.

    A cell stands for all that was measured in it, at its middle: with its neighbours' say, what lies between the
    middles is nowhere deeper than what was measured there.
    """
    from scipy.ndimage import maximum_filter  # noqa: PLC0415 - few surveys need it

    top, left = max(part.row_off - 1, 0), max(part.col_off - 1, 0)
    bottom = min(part.row_off + part.height + 1, dataset.height)
    right = min(part.col_off + part.width + 1, dataset.width)
    inner = np.s_[part.row_off - top :, part.col_off - left :]
    sign = -1.0 if surface.values == "depth" else 1.0

    def worst(values: npt.NDArray[Any], sign: float) -> npt.NDArray[Any]:
        unknown = np.isnan(values)
        filled = maximum_filter(np.where(unknown, -np.inf, sign * values), 3, mode="constant", cval=-np.inf)
        return np.where(unknown, np.nan, sign * filled)[inner][: part.height, : part.width].astype(values.dtype)

    depth, uncertainty = _read(dataset, surface, Window(left, top, right - left, bottom - top))
    return worst(depth, sign), None if uncertainty is None else worst(uncertainty, 1.0)
