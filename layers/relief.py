"""The shape of the bottom: depth as a regular surface of cells, and its derivatives.

Signs, in local metres, depth positive down:

- slope is steepness, degrees from level, never negative;
- facing is the way the bottom goes down, towards deeper water: mathematical radians, counter-clockwise from east. On a
  chart it is `projection.true_course_deg(x, y, facing)`;
- curvature is positive where the bottom bulges towards the surface and negative where it is hollow; profile is along
  the slope, plan across it;
- the position index is positive where the bottom stands shallower than what is around it, as on a hump.

Unknown water is NaN and gives no derivative beside it: a cell counts only with all eight around it (in a ring, see
`position_index`, with a stated share of it). Water where depth areas have the say is unknown here, for they are steps,
not slopes. So are the cells along a seam between layers, where depth may jump for no reason of the bottom's.

Sources, from memory: Horn 1981, Hill shading and the reflectance map, Proc. IEEE 69(1), 14-47; Zevenbergen & Thorne
1987, Quantitative analysis of land surface topography, Earth Surf. Process. Landforms 12, 47-56; Weiss 2001,
Topographic position and landforms analysis, poster, ESRI user conference, San Diego.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from layers._sampled import ON_LATTICE, lattice, sampled, three_by_three
from layers.depth import CombinedDepth, steps_within

if TYPE_CHECKING:
    from collections.abc import Iterator

    from layers.model import Bounds, Depth, FloatArray


LEAST_SHARE = 0.8
"""The share of a ring that must be known for a position index."""
_LEVEL = 1e-6


@dataclass(frozen=True)
class Surface:
    """Depth on square cells.

    Parameters
    ----------
    x0_m, y0_m
        The outer south-west corner; cell (i, j) has its centre at x0 + (j + 0.5) cell, y0 + (i + 0.5) cell.
    cell_m
        A cell's side.
    depth_m
        (rows, columns), row 0 the southernmost, column 0 the westernmost; NaN where unknown.
    """

    x0_m: float
    y0_m: float
    cell_m: float
    depth_m: FloatArray

    @property
    def bounds(self) -> Bounds:
        """Return the outer box, local metres."""
        rows, columns = self.depth_m.shape
        return self.x0_m, self.y0_m, self.x0_m + columns * self.cell_m, self.y0_m + rows * self.cell_m

    @property
    def x_m(self) -> FloatArray:
        """Return the x of the columns' centres."""
        return np.asarray(self.x0_m + (np.arange(self.depth_m.shape[1]) + 0.5) * self.cell_m)

    @property
    def y_m(self) -> FloatArray:
        """Return the y of the rows' centres."""
        return np.asarray(self.y0_m + (np.arange(self.depth_m.shape[0]) + 0.5) * self.cell_m)

    def cells_in(self, box: Bounds) -> tuple[slice, slice]:
        """Return the rows and columns whose centres lie in a box, west and south edge included.

        >>> surface = Surface(0.0, 0.0, 10.0, np.zeros((4, 6)))
        >>> surface.cells_in((10.0, 0.0, 30.0, 20.0))
        (slice(0, 2, None), slice(1, 3, None))
        """
        west, south, east, north = box
        rows, columns = self.y_m, self.x_m
        return (
            slice(int(rows.searchsorted(south)), int(rows.searchsorted(north))),
            slice(int(columns.searchsorted(west)), int(columns.searchsorted(east))),
        )


@dataclass(frozen=True)
class Curvature:
    """How the bottom bends, per metre, each (rows, columns): positive where it bulges, negative where it is hollow.

    `profile` is along the slope and `plan` across it, both NaN where the bottom is level and has neither. `greatest`
    and `least` are over all directions: both positive on a hump, both negative in a hole, of two signs on a saddle.
    """

    profile: FloatArray
    plan: FloatArray
    greatest: FloatArray
    least: FloatArray


def is_surface(depth: Depth, box: Bounds) -> bool:
    """Return whether any layer that meets a box tells the bottom's shape; depth areas alone do not."""
    if isinstance(depth, CombinedDepth):
        return any(is_surface(layer, box) for rank in depth.ranks for layer in rank)
    west, south, east, north = depth.bounds
    meet = west <= box[2] and east >= box[0] and south <= box[3] and north >= box[1]
    return meet and not steps_within(depth, depth.bounds)


def sample(depth: Depth, within: Bounds, cell_m: float) -> Surface:
    """Return depth on cells.

    Parameters
    ----------
    depth
        Depth of any form.
    within
        The cells cover this box. They lie on multiples of `cell_m`, so that of two boxes they are the same cells.
    cell_m
        A cell's side, m.

    Returns
    -------
    Surface
        The mean of 4 × 4 points in each cell; NaN if any of them is unknown, depth areas have the say at one, or
        this cell and one beside it are of other layers.
    """
    first, last = lattice(within, cell_m)
    return _surface(depth, cell_m, first, last)


def surfaces(
    depth: Depth, cell_m: float, *, within: Bounds | None = None, tile_cells: int = 400, halo_cells: int = 40
) -> Iterator[tuple[Surface, Bounds]]:
    """Give a surface in windows, so that memory holds one of them whatever the extent.

    As they stand, with every derivative of this module, about 100 MB beside what the depth itself keeps.

    Parameters
    ----------
    depth
        Depth of any form.
    cell_m
        A cell's side, m.
    within
        The box to cover; all of the depth if None.
    tile_cells
        Rows and columns of a window's core.
    halo_cells
        How many cells more it has all round. What is derived is the same in the core as in one piece if it looks no
        farther than this: `halo_cells * cell_m` is at least the ring's outer radius.

    Yields
    ------
    tuple[Surface, Bounds]
        The surface with its halo, and the core that it speaks for. Cores tile the box; one without a known cell is
        left out.
    """
    (left, bottom), (right, top) = lattice(within or depth.bounds, cell_m)
    for row, column in itertools.product(range(bottom, top, tile_cells), range(left, right, tile_cells)):
        end = min(column + tile_cells, right), min(row + tile_cells, top)
        core = column * cell_m, row * cell_m, end[0] * cell_m, end[1] * cell_m
        if not is_surface(depth, core):
            continue
        surface = _surface(
            depth,
            cell_m,
            (column - halo_cells, row - halo_cells),
            (end[0] + halo_cells, end[1] + halo_cells),
        )
        if np.isfinite(surface.depth_m[surface.cells_in(core)]).any():
            yield surface, core


def gradient(surface: Surface) -> tuple[FloatArray, FloatArray]:
    """Return how depth grows to the east and to the north, m per m, each (rows, columns).

    Horn 1981: differences over three rows or columns, the middle one twice. NaN unless all nine cells are known.

    >>> east, north = gradient(Surface(0.0, 0.0, 10.0, np.tile(np.arange(0.0, 5.0), (3, 1))))
    >>> float(east[1, 2]), float(north[1, 2])
    (0.1, 0.0)
    """
    return _horn(_Nine.around(surface.depth_m), surface.cell_m)


def slope_deg(surface: Surface) -> FloatArray:
    """Return the steepness in degrees, (rows, columns), by `gradient`."""
    return _steepness_deg(*gradient(surface))


def facing_rad(surface: Surface) -> FloatArray:
    """Return the direction towards deeper water, mathematical radians, (rows, columns), by `gradient`.

    NaN where the bottom is level: less than a millimetre in a kilometre.
    """
    return _downslope_rad(*gradient(surface))


def slope_at(depth: Depth, x: npt.ArrayLike, y: npt.ArrayLike, cell_m: float) -> tuple[FloatArray, FloatArray]:
    """Return steepness and facing at places, each from a cell centred there and the eight around it.

    Parameters
    ----------
    depth
        Depth of any form.
    x, y
        Local metres, arrays of one shape.
    cell_m
        A cell's side, m: the scale of the answer.

    Returns
    -------
    tuple of ndarray
        Degrees from level and mathematical radians towards deeper water, as `slope_deg` and `facing_rad`; NaN where
        one of the nine cells is unknown.
    """
    x, y = np.broadcast_arrays(np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64))
    cells = three_by_three(depth, x.ravel(), y.ravel(), cell_m)
    nine = _Nine(*(cells[:, i, j] for i, j in itertools.product(range(3), range(3))))
    slope = _horn(nine, cell_m)
    return _steepness_deg(*slope).reshape(x.shape), _downslope_rad(*slope).reshape(x.shape)


def curvature(surface: Surface) -> Curvature:
    """Return how the bottom bends, second derivatives of depth in a direction.

    Zevenbergen & Thorne 1987: those of the polynomial through the nine cells. Along and across the slope they are the
    paper's profile and plan curvature, with the signs of this module.
    """
    nine, cell_m = _Nine.around(surface.depth_m), surface.cell_m
    xx = (nine.e + nine.w - 2 * nine.middle) / cell_m**2
    yy = (nine.n + nine.s - 2 * nine.middle) / cell_m**2
    xy = (nine.ne - nine.nw - nine.se + nine.sw) / (4 * cell_m**2)
    # the corners count for xy only, but what lies beside unknown water gives nothing
    xx, yy = xx + 0 * xy, yy + 0 * xy
    x, y = (nine.e - nine.w) / (2 * cell_m), (nine.n - nine.s) / (2 * cell_m)
    squared = x**2 + y**2
    squared[squared < _LEVEL**2] = np.nan
    middle, swing = (xx + yy) / 2, np.hypot((xx - yy) / 2, xy)
    return Curvature(
        profile=(xx * x**2 + 2 * xy * x * y + yy * y**2) / squared,
        plan=(xx * y**2 - 2 * xy * x * y + yy * x**2) / squared,
        greatest=middle + swing,
        least=middle - swing,
    )


def position_index(surface: Surface, inner_m: float, outer_m: float) -> FloatArray:
    """Return how much shallower each cell is than the ring around it, m: Weiss 2001.

    Parameters
    ----------
    surface
        Depth on cells.
    inner_m, outer_m
        The ring holds the cells whose centres are this far away, both included, never the cell itself.

    Returns
    -------
    ndarray
        (rows, columns): the ring's mean depth less the cell's own. Where a part of the ring is unknown, the depth at
        its middle of the plane that fits the rest best, which for a whole ring is its mean: a plain slope must not
        look like a hump where its deep half alone is known. NaN where less than `LEAST_SHARE` of the ring is known.

    Raises
    ------
    ValueError
        The ring holds no cell.
    """
    from scipy.signal import fftconvolve  # noqa: PLC0415 -- heavy, and nothing else here needs it

    reach = int(outer_m / surface.cell_m + ON_LATTICE)
    steps = np.arange(-reach, reach + 1.0)
    away = np.hypot(steps[:, None], steps) * surface.cell_m
    ring = (away >= inner_m - ON_LATTICE) & (away <= outer_m + ON_LATTICE) & (away > 0)
    if not ring.any():
        raise ValueError(f"no cell of {surface.cell_m:g} m lies between {inner_m:g} m and {outer_m:g} m of another")
    known = np.isfinite(surface.depth_m)
    result = np.full(known.shape, np.nan)
    if not known.any():
        return result
    level = float(surface.depth_m[known].mean())  # small numbers are summed without loss
    filled = np.where(known, surface.depth_m - level, 0.0)
    size = int(ring.sum())

    def summed(values: FloatArray, weights: FloatArray) -> FloatArray:
        # a convolution turns its kernel round
        return np.asarray(fftconvolve(values, weights[::-1, ::-1], mode="full"))[reach:-reach, reach:-reach]

    ones = known.astype(np.float64)
    count, total = np.rint(summed(ones, ring * 1.0)), summed(filled, ring * 1.0)
    whole = known & (count == size)
    result[whole] = total[whole] / size
    part = known & (count < size) & (count >= LEAST_SHARE * size)
    if part.any():
        x, y = np.meshgrid(steps, steps)
        bare, sx, sy, sxx, sxy, syy = (summed(ones, ring * w)[part] for w in (1, x, y, x * x, x * y, y * y))
        normal = np.stack([bare, sx, sy, sx, sxx, sxy, sy, sxy, syy], axis=-1).reshape(-1, 3, 3)
        right = np.stack([total[part], summed(filled, ring * x)[part], summed(filled, ring * y)[part]], axis=-1)
        result[part] = np.linalg.solve(normal, right[..., None])[:, 0, 0]
    return np.asarray(result - (surface.depth_m - level))


@dataclass(frozen=True)
class _Nine:
    """Each cell's neighbours from south-west to north-east; a cell without all of them has NaN for the middle."""

    sw: FloatArray
    s: FloatArray
    se: FloatArray
    w: FloatArray
    middle: FloatArray
    e: FloatArray
    nw: FloatArray
    n: FloatArray
    ne: FloatArray

    @classmethod
    def around(cls, depth_m: FloatArray) -> _Nine:
        rows, columns = depth_m.shape
        padded = np.pad(depth_m, 1, constant_values=np.nan)
        return cls(*(padded[i : i + rows, j : j + columns] for i, j in itertools.product(range(3), range(3))))


def _surface(depth: Depth, cell_m: float, first: tuple[int, int], last: tuple[int, int]) -> Surface:
    return Surface(first[0] * cell_m, first[1] * cell_m, cell_m, sampled(depth, cell_m, first, last))


def _horn(nine: _Nine, cell_m: float) -> tuple[FloatArray, FloatArray]:
    east = (nine.ne - nine.nw) + 2 * (nine.e - nine.w) + (nine.se - nine.sw)
    north = (nine.nw - nine.sw) + 2 * (nine.n - nine.s) + (nine.ne - nine.se)
    unknown = np.isnan(east) | np.isnan(north) | np.isnan(nine.middle)
    scale = np.where(unknown, np.nan, 8 * cell_m)
    return east / scale, north / scale


def _steepness_deg(east: FloatArray, north: FloatArray) -> FloatArray:
    return np.asarray(np.degrees(np.arctan(np.hypot(east, north))))


def _downslope_rad(east: FloatArray, north: FloatArray) -> FloatArray:
    return np.where(np.hypot(east, north) < _LEVEL, np.nan, np.arctan2(north, east))
