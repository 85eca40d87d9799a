"""Soundings as a surface on a grid that claims no deeper water than was sounded.

The surface is plane on the triangles between neighbouring soundings (Delaunay, by scipy), taken at the nodes of a grid.
It is unknown outside the triangles and on those with an edge over `layers.tin.SOUNDINGS_REACH` medians of their longest
edges. Between nodes `layers.grid` is bilinear, so a node is no deeper than

- the shallowest sounding in the four cells around it: at a sounding the surface is nowhere deeper than that sounding;
- the deepest corner of every triangle that touches these cells: inside a triangle the surface is nowhere deeper than
  the deepest of the three soundings around.

At the edge of what is known the surface may reach up to one cell over it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pyproj
import rasterio
import rasterio.crs
from affine import Affine

from layers._errors import InputError
from layers.model import FloatArray
from layers.tin import SOUNDINGS_REACH

MOST_CORNERS = 500_000
"""Triangles have at most this many corners: of more soundings the shallowest of each square is one."""
MOST_NODES = 16_000_000
_PAIRS_AT_A_TIME = 1_000_000
_TRIANGLES_AT_A_TIME = 100_000
_SAME_PLACE_M = 1e-3
_LEAST_CELL_M = 0.1
_HAIR = 1e-7
_UTM_LAT_DEG = (-80.0, 84.0)

IntArray = npt.NDArray[np.intp]


@dataclass(frozen=True)
class SoundingSurface:
    """Depth at the nodes of a north-up grid, metres, NaN where unknown; the first node lies at (west, north).

    `square_m` is the side of the squares whose shallowest soundings are the corners; 0 where every sounding is one.
    """

    depth_m: npt.NDArray[np.float32]
    west_m: float
    north_m: float
    cell_m: float
    reach_m: float
    square_m: float


def sounding_surface(
    xy: FloatArray, depth_m: FloatArray, where: str, *, cell_m: float | None = None
) -> SoundingSurface:
    """Return the surface of soundings.

    Parameters
    ----------
    xy
        (n, 2) positions in metres.
    depth_m
        (n,) depths, positive down.
    where
        Names the file in messages.
    cell_m
        Distance of the nodes; None: half the mean distance of the soundings, or what `MOST_NODES` allows.

    Raises
    ------
    InputError
        There are fewer than three soundings that are not in one line, or `cell_m` asks for over `MOST_NODES` nodes.

    Examples
    --------
    >>> square = np.array([[0.0, 0.0], [4.0, 0.0], [0.0, 4.0], [4.0, 4.0]])
    >>> sounding_surface(square, np.array([1.0, 5.0, 1.0, 5.0]), "soundings", cell_m=2.0).depth_m[1].tolist()
    [1.0, 1.0, 5.0, nan]
    """
    corners, square_m = _corners(xy, depth_m)
    mesh, deep_m = _mesh(xy[corners], where), depth_m[corners]
    places = mesh.points[mesh.simplices]
    longest = np.linalg.norm(places - np.roll(places, 1, axis=1), axis=2).max(axis=1)
    reach_m = SOUNDINGS_REACH * float(np.median(longest))
    known = longest <= reach_m
    places, deep = places[known], deep_m[mesh.simplices[known]]
    del mesh
    low, high = places.min(axis=(0, 1)), places.max(axis=(0, 1))
    cell_m = _cell(cell_m, places, high - low, where)
    west, south = np.floor(low / cell_m) * cell_m
    columns, rows = (np.floor((high - (west, south)) / cell_m).astype(int) + 2).tolist()
    places = (places - (west, south)) / cell_m
    nodes = _at_nodes(places, deep, rows, columns)
    cells = _at_most(places, deep, rows, columns)
    column, row = np.floor((xy - (west, south)) / cell_m).astype(np.intp).T
    inside = (column >= 0) & (column < columns - 1) & (row >= 0) & (row < rows - 1)
    np.minimum.at(cells, (row[inside], column[inside]), depth_m[inside])
    unknown = np.isinf(nodes)
    for part in (np.s_[:-1, :-1], np.s_[:-1, 1:], np.s_[1:, :-1], np.s_[1:, 1:]):
        np.minimum(nodes[part], cells, out=nodes[part])
    nodes[unknown] = np.nan
    return SoundingSurface(_not_deeper(nodes)[::-1], west, south + (rows - 1) * cell_m, cell_m, reach_m, square_m)


def metric_crs(lon: FloatArray, lat: FloatArray) -> pyproj.CRS:
    """Return a coordinate system in metres for positions in WGS 84 degrees: their UTM zone, UPS near the poles."""
    middle = float(np.degrees(np.angle(np.exp(1j * np.radians(lon)).mean())))
    north = float(lat.mean())
    if not _UTM_LAT_DEG[0] <= north <= _UTM_LAT_DEG[1]:
        return pyproj.CRS.from_epsg(32661 if north > 0 else 32761)
    zone = int((middle + 180.0) // 6.0) % 60 + 1
    return pyproj.CRS.from_epsg((32600 if north >= 0 else 32700) + zone)


def write_surface(surface: SoundingSurface, crs: pyproj.CRS, file: Path) -> None:
    """Write a surface as a GeoTIFF of one band: depth in metres, positive down, NaN where unknown."""
    rows, columns = surface.depth_m.shape
    cell, half = surface.cell_m, surface.cell_m / 2
    profile = {
        "driver": "GTiff", "width": columns, "height": rows, "count": 1, "dtype": "float32", "nodata": np.nan,
        "crs": rasterio.crs.CRS.from_wkt(crs.to_wkt("WKT1_GDAL")), "tiled": True, "compress": "deflate",
        "predictor": 3, "transform": Affine(cell, 0, surface.west_m - half, 0, -cell, surface.north_m + half),
    }  # fmt: skip
    with rasterio.open(file, "w", **profile) as out:
        out.write(surface.depth_m, 1)
        out.descriptions, out.units = ("depth",), ("m",)


def _corners(xy: FloatArray, depth_m: FloatArray) -> tuple[IntArray, float]:
    """Return which soundings are corners of triangles: the shallowest of each place, or of each square."""
    by_depth = np.argsort(depth_m, kind="stable")
    low = xy.min(axis=0)
    chosen = by_depth[_first_of(xy[by_depth], low, _SAME_PLACE_M)]
    if len(chosen) <= MOST_CORNERS:
        return chosen, 0.0
    width, height = np.maximum(np.ptp(xy, axis=0), _SAME_PLACE_M)
    side = float(max(np.sqrt(width * height / MOST_CORNERS), max(width, height) / MOST_CORNERS)) * 1.01
    found = _first_of(xy[by_depth], low, side)
    # Where most squares are empty, smaller ones will do.
    finer = side * float(np.sqrt(len(found) / MOST_CORNERS)) * 1.05
    if finer < side:
        more = _first_of(xy[by_depth], low, finer)
        side, found = (finer, more) if len(more) <= MOST_CORNERS else (side, found)
    return by_depth[found], side


def _first_of(xy: FloatArray, low: FloatArray, side: float) -> IntArray:
    """Return the first of the positions in each square."""
    column, row = np.floor((xy - low) / side + 0.5).astype(np.int64).T
    _, first = np.unique(column * (int(row.max()) + 1) + row, return_index=True)
    return np.asarray(first)


def _mesh(xy: FloatArray, where: str) -> Any:
    """Return the triangles between positions."""
    from scipy.spatial import Delaunay, QhullError  # noqa: PLC0415 - 0.2 s that a grid need not pay

    try:
        mesh = Delaunay(xy) if len(xy) > 2 else None  # noqa: PLR2004 - a triangle's corners
    except QhullError:
        mesh = None
    if mesh is None:
        what = f"{len(xy)} different places, and no three of them make a triangle."
        raise InputError.one(where, what, "Give at least three soundings that do not lie in one line.")
    return mesh


def _cell(cell_m: float | None, places: FloatArray, size: FloatArray, where: str) -> float:
    if cell_m is not None:
        if float(np.prod(size / cell_m + 2)) > MOST_NODES:
            least = _rounded(float(np.sqrt(np.prod(size) / MOST_NODES)) * 1.05)
            what = f"cells of {cell_m:g} m are {np.prod(size / cell_m) / 1e6:,.0f} million; at most "
            what += f"{MOST_NODES / 1e6:.0f} million are made."
            remedy = f"Make them {least:g} m or larger, or cut out the part you fish."
            raise InputError.one(f"{where}, cell", what, remedy)
        return cell_m
    u, v = places[:, 1] - places[:, 0], places[:, 2] - places[:, 0]
    area = float(np.abs(u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0]).sum()) / 2
    mean = float(np.sqrt(area / max(len(places) / 2, 1)))  # a sounding has two triangles
    allowed = float(np.sqrt(np.prod(size) / MOST_NODES)) * 1.05
    return _rounded(max(mean / 2, allowed, float(size.max()) / (MOST_NODES / 4), _LEAST_CELL_M))


def _rounded(length: float) -> float:
    """Return a length rounded up to two figures."""
    step = 10.0 ** (np.floor(np.log10(length)) - 1)
    return float(np.ceil(length / step - _HAIR) * step)


def _at_nodes(places: FloatArray, deep: FloatArray, rows: int, columns: int) -> FloatArray:
    """Return depth at the nodes (row and column are y and x), plane on each triangle; infinite outside them."""
    nodes = np.full(rows * columns, np.inf)
    for triangle, row, column in _touched(places, 0, rows, columns):
        a, b, c = places[triangle, 0], places[triangle, 1], places[triangle, 2]
        u, v = b - a, c - a
        area = u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0]
        x, y = column - a[:, 0], row - a[:, 1]
        with np.errstate(divide="ignore", invalid="ignore"):
            share_b, share_c = (x * v[:, 1] - y * v[:, 0]) / area, (u[:, 0] * y - u[:, 1] * x) / area
        za, zb, zc = deep[triangle].T
        depth = za + share_b * (zb - za) + share_c * (zc - za)
        least, most = deep[triangle].min(axis=1), deep[triangle].max(axis=1)
        # A triangle without width says what its shallowest corner says.
        depth = np.where(np.isfinite(depth), np.clip(depth, least, most), least)
        np.minimum.at(nodes, row * columns + column, depth)
    return nodes.reshape(rows, columns)


def _at_most(places: FloatArray, deep: FloatArray, rows: int, columns: int) -> FloatArray:
    """Return for each cell the least of its triangles' deepest corners; infinite where no triangle touches it."""
    cells = np.full((rows - 1) * (columns - 1), np.inf)
    for triangle, row, column in _touched(places, 1, rows - 1, columns - 1):
        np.minimum.at(cells, row * (columns - 1) + column, deep[triangle].max(axis=1))
    return cells.reshape(rows - 1, columns - 1)


def _touched(places: FloatArray, thick: int, rows: int, columns: int) -> Iterator[tuple[IntArray, IntArray, IntArray]]:
    """Give triangles with the nodes in them (`thick` 0) or the cells that they touch (1), by row and column."""
    for start in range(0, len(places), _TRIANGLES_AT_A_TIME):
        triangle, row, left, right = _spans(places[start : start + _TRIANGLES_AT_A_TIME], thick, rows)
        first = np.maximum(np.ceil(left - thick - _HAIR), 0).astype(np.intp)
        last = np.minimum(np.floor(right + _HAIR), columns - 1).astype(np.intp)
        count = np.maximum(last - first + 1, 0)
        ends = np.cumsum(count)
        for part in np.split(np.arange(len(count)), np.flatnonzero(np.diff(ends // _PAIRS_AT_A_TIME)) + 1):
            of = np.repeat(part, count[part])
            before = np.repeat(np.cumsum(count[part]) - count[part], count[part])
            yield start + triangle[of], row[of], first[of] + np.arange(len(of)) - before


def _spans(places: FloatArray, thick: int, rows: int) -> tuple[IntArray, IntArray, FloatArray, FloatArray]:
    """Return triangles by the rows that they touch, from y = row to row + `thick`, and from which to which x."""
    y = places[..., 1]
    first = np.maximum(np.ceil(y.min(axis=1) - thick - _HAIR), 0).astype(np.intp)
    last = np.minimum(np.floor(y.max(axis=1) + _HAIR), rows - 1).astype(np.intp)
    count = np.maximum(last - first + 1, 0)
    triangle = np.repeat(np.arange(len(places)), count)
    row = first[triangle] + np.arange(len(triangle)) - np.repeat(np.cumsum(count) - count, count)
    left, right = np.full(len(row), np.inf), np.full(len(row), -np.inf)
    for k in range(3):
        a, b = places[triangle, k], places[triangle, (k + 1) % 3]
        low, high = np.minimum(a[:, 1], b[:, 1]), np.maximum(a[:, 1], b[:, 1])
        meets = (low <= row + thick + _HAIR) & (high >= row - _HAIR)
        rise = b[:, 1] - a[:, 1]
        flat = np.abs(rise) < _HAIR
        for bound in (row, row + thick):
            share = (np.clip(bound, low, high) - a[:, 1]) / np.where(flat, 1.0, rise)
            x = a[:, 0] + np.clip(share, 0.0, 1.0) * (b[:, 0] - a[:, 0])
            for end in (x,) if not flat.any() else (np.where(flat, a[:, 0], x), np.where(flat, b[:, 0], x)):
                left = np.where(meets, np.minimum(left, end), left)
                right = np.where(meets, np.maximum(right, end), right)
    some = left <= right
    return triangle[some], row[some], left[some], right[some]


def _not_deeper(depth_m: FloatArray) -> npt.NDArray[np.float32]:
    """Return depths as 32-bit floats, rounded to the shallower where they do not fit."""
    narrow = depth_m.astype(np.float32)
    return np.where(narrow > depth_m, np.nextafter(narrow, np.float32(-np.inf)), narrow)
