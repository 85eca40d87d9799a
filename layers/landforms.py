"""Named forms of the bottom from any depth: humps, holes, points, pockets, ledges, drop-offs, saddles, flats.

What each of them is, at a scale S; depth is sampled in cells of S / 3 and smoothed over S × S:

- **hump**: a region that stands shallower than the ring from S to 2 S around it (Weiss 2001) by S / 50 somewhere, by
  a third of that throughout, at most 8 S long, and whose edge is deeper all round than its top; **hole** likewise;
- **saddle**: from its middle the bottom rises both ways along a line and falls both ways across it, by S / 200 within
  S; a hump on a slope has one behind it;
- **drop-off**, **ledge**: a region steeper than 9° throughout and 12° somewhere, 3 S long and 3 times as long as wide;
  a drop-off goes down by 6 m or more, a ledge by less;
- **point**, **pocket**: a depth line turns by 60° within 3 S of its length, around a spur or into a re-entrant, and the
  spur stands out by S / 50;
- **flat**: a region less steep than 1° of at least 20 S², at the widest scale only.

Whatever it is, it stands out of four times the scatter of the depth itself and of the uncertainty that is stated: its
significance is its height over the larger of the two, and 1 at least. No form is told whose top dries. Common practice,
no source, for all of these limits.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from itertools import pairwise

import numpy as np
import shapely
from scipy import ndimage
from shapely import LineString, MultiPolygon
from shapely.geometry.base import BaseGeometry

from layers.landformbends import Bends, Bent
from layers.landformnoise import noise_m
from layers.landformonce import Found, told_once
from layers.landformregions import CELLS, Region, RegionKind, Regions, Scale, windows
from layers.model import Area, Bounds, Depth, FloatArray, Landform, LandformKind, Show
from layers.relief import slope_at, surfaces

Doubt = float | Callable[[FloatArray, FloatArray], FloatArray]
SCALES_M = (25.0, 75.0, 225.0)
DROP_OFF_M = 6.0
_LONG_SCALES = 3.0
_NARROW = 3.0
_LONGEST_SCALES = 8.0
_FLAT_SCALES2 = 20.0
_FEWEST_SCALES = 8.0
_MOST_CELLS = 1_000_000
_HALO_CELLS = 20
_TILE_CELLS = 400
_KINDS: tuple[RegionKind, ...] = ("hump", "hole", "saddle", "steep")
_STEPS_M = {"ft": 10 * 0.3048, "fm": 2 * 1.8288}
_ROUND_STEP_M = 5.0


def choose_scales(depth: Depth) -> tuple[float, ...]:
    """Return the scales that fit a depth, of 25, 75 and 225 m, at least one.

    Its box is eight times as wide as the scale or wider, and holds a million of its cells at most: of a large area the
    small forms are too many to be told, and too long to be found.
    """
    west, south, east, north = depth.bounds
    side, area = min(east - west, north - south), (east - west) * (north - south)
    fit = [one for one in SCALES_M if _FEWEST_SCALES * one <= side and area <= _MOST_CELLS * (one / CELLS) ** 2]
    return tuple(fit) or (SCALES_M[0] if _FEWEST_SCALES * SCALES_M[0] > side else SCALES_M[-1],)


def round_step_m(show: Show) -> float:
    """Return the step of the depth lines that a person reads: 10 ft, 2 fathoms, else 5 m."""
    return _STEPS_M.get(show.depth, _ROUND_STEP_M)


def stated_doubt(area: Area) -> Doubt:
    """Return the uncertainty of an area's depth as a question at places: depth less the surest depth, 0 without one."""
    surest = area.surest_depth
    if surest is None:
        return 0.0
    return lambda x, y: area.depth.depth_at(x, y) - surest.depth_at(x, y)


def landforms(
    depth: Depth,
    *,
    scales_m: Sequence[float] = SCALES_M,
    uncertainty_m: Doubt = 0.0,
    within: Bounds | None = None,
    step_m: float = _ROUND_STEP_M,
    tile_cells: int = _TILE_CELLS,
) -> tuple[Landform, ...]:
    """Return the forms of the bottom, in windows: memory holds one of them and the forms.

    Parameters
    ----------
    depth
        Depth of any form, local metres.
    scales_m
        The scales to look at.
    uncertainty_m
        What the data states of its own uncertainty, metres: a number, or a question at places (x, y). A form at a place
        where the answer is NaN is not told. The scatter of the depth counts too, whatever is stated.
    within
        The box to look in; all of the depth if None. What lies outside it is not looked at.
    step_m
        Points and pockets are looked for in the depth lines at multiples of this.
    tile_cells
        Rows and columns of a window.

    Returns
    -------
    tuple of Landform
        Each told once, without a source, by kind and then by significance; named by kind and number.
    """
    box = within or depth.bounds
    found: list[Found] = []
    for size in sorted(scales_m):
        scale = Scale(size, noise_m(depth, size / CELLS, box))
        regions = [Regions(kind, scale) for kind in _KINDS]
        regions += [Regions("flat", scale)] if size == max(scales_m) else []
        bends = Bends(scale, step_m)
        tiles = surfaces(depth, scale.cell_m, within=within, tile_cells=tile_cells, halo_cells=_HALO_CELLS)
        for window in windows(tiles, scale):
            for one in regions:
                one.add(window)
            bends.add(window)
        for gathered in regions:
            found += [form for region in gathered.whole() for form in _region_forms(depth, region, uncertainty_m)]
        found += [form for bent in bends.whole() for form in _bend_forms(bent, uncertainty_m)]
    return _named([one.form for one in told_once(found)])


def _doubt_m(uncertainty: Doubt, at: tuple[float, float], scale: Scale) -> float:
    stated = uncertainty
    if callable(uncertainty):
        stated = float(uncertainty(np.array([at[0]]), np.array([at[1]]))[0])
    return float(np.maximum(float(stated), scale.sure_m))  # type: ignore[arg-type]


def _significance(height_m: float, doubt_m: float) -> float:
    """Return height over doubt; what is in no doubt at all is a hundred times over it."""
    return float(height_m / doubt_m) if doubt_m > 0.01 * height_m else 0.0 if np.isnan(doubt_m) else 100.0


def _region_forms(depth: Depth, region: Region, uncertainty: Doubt) -> Iterator[Found]:
    """Give the form that a region is, or nothing."""
    doubt = _doubt_m(uncertainty, region.peak, region.scale)
    if region.kind == "steep":
        yield from _edge_forms(depth, region, doubt)
        return
    told, least = region.figures, region.scale.least_m
    shape = shapely.simplify(region.shape, 0.75 * region.scale.cell_m)
    length, width = _long_and_wide(shape)
    if region.kind == "flat":
        large = region.shape.area >= _FLAT_SCALES2 * region.scale.size_m**2
        height, sure = told["smooth_max"] - told["smooth_min"], _significance(width * np.tan(np.radians(1.0)), doubt)
        told_of = large and sure >= 1
    elif region.kind == "saddle":
        height, sure = told["strength"], _significance(told["strength"], doubt)
        told_of = sure >= 1
    else:
        hump = region.kind == "hump"
        closed = told["round_min"] - told["smooth_min"] if hump else told["smooth_max"] - told["round_max"]
        height = told["lift" if hump else "drop"]
        sure = _significance(height, doubt)
        whole = not told["unknown"] and length <= _LONGEST_SCALES * region.scale.size_m
        told_of = whole and told["depth_min"] >= 0 and closed >= max(doubt, least / 2) and sure >= 1
    if told_of:
        yield _found(region, region.kind, shape, (height, length, sure))


def _edge_forms(depth: Depth, region: Region, doubt_m: float) -> Iterator[Found]:
    """Give the drop-off or ledge that a steep region is, or nothing."""
    scale = region.scale
    line = upper_edge(depth, region.shape, scale.cell_m)
    if line is None or line.length < max(_LONG_SCALES * scale.size_m, np.sqrt(_NARROW * region.shape.area)):
        return
    height = region.figures["tangent"] * scale.cell_m**2 / line.length
    sure = _significance(height, doubt_m)
    if height >= scale.least_m and sure >= 1:
        yield _found(region, "drop-off" if height >= DROP_OFF_M else "ledge", line, (height, line.length, sure))


def _found(region: Region, kind: LandformKind, shape: BaseGeometry, figures: tuple[float, float, float]) -> Found:
    told = region.figures
    form = Landform(
        name="",
        kind=kind,
        shape=shape,
        scale_m=region.scale.size_m,
        depth_min_m=told["depth_min"],
        depth_max_m=told["depth_max"],
        height_m=figures[0],
        slope_deg=told["degrees"] / told["cells"],
        length_m=figures[1],
        significance=figures[2],
    )
    return Found(form, region.shape, told["strength"])


def _bend_forms(bent: Bent, uncertainty: Doubt) -> Iterator[Found]:
    chief = bent.chief
    sure = _significance(chief.height_m, _doubt_m(uncertainty, chief.apex, chief.scale))
    if sure < 1:
        return
    depths = [one.depth_m for one in bent.bends]
    form = Landform(
        "", chief.kind, chief.line, chief.scale.size_m, min(depths), max(depths), chief.height_m, chief.slope_deg,
        chief.line.length, sure,
    )  # fmt: skip
    yield Found(form, bent.footprint, chief.height_m / chief.scale.size_m)


def upper_edge(depth: Depth, shape: MultiPolygon, cell_m: float) -> LineString | None:
    """Return the longest run of a region's outline along which the bottom outside it lies higher; None without one.

    A gap of up to three cells is run over.
    """
    smooth = shapely.segmentize(shapely.simplify(shape, 0.75 * cell_m), cell_m)
    runs: list[LineString] = []
    for polygon in shapely.get_parts(smooth):
        ring = shapely.get_coordinates(polygon.exterior if polygon.exterior.is_ccw else polygon.exterior.reverse())
        middle, side = (ring[1:] + ring[:-1]) / 2, np.diff(ring, axis=0)
        outward = np.column_stack([side[:, 1], -side[:, 0]]) / np.hypot(*side.T)[:, None]
        step = 0.75 * cell_m * outward
        outside = depth.depth_at(*(middle + step).T)
        upper = outside < depth.depth_at(*(middle - step).T)
        # also along the slope, not only at its ends
        _, facing = slope_at(depth, middle[:, 0], middle[:, 1], cell_m)
        upper &= outward[:, 0] * np.cos(facing) + outward[:, 1] * np.sin(facing) < -0.4  # noqa: PLR2004 - within 66°
        runs += _runs(ring, _bridged(upper, 3))
    return max(runs, key=lambda one: one.length, default=None)


def _bridged(on: np.ndarray, gap: int) -> np.ndarray:
    """Return the flags round a ring with gaps up to `gap` filled."""
    if not on.any() or on.all():
        return on
    start = int(np.flatnonzero(on)[0])
    out = np.roll(on, -start).copy()
    ones = np.append(np.flatnonzero(out), len(out))
    for a, b in pairwise(ones):
        if b - a - 1 <= gap:
            out[a:b] = True
    return np.roll(out, start)


def _runs(ring: FloatArray, on: np.ndarray) -> list[LineString]:
    if on.all():
        return [LineString(ring)]
    if not on.any():
        return []
    start = int(np.flatnonzero(~on)[0])
    on, points = np.roll(on, -start), np.roll(ring[:-1], -start, axis=0)
    edges = np.flatnonzero(np.diff(np.concatenate([[False], on, [False]]).astype(np.int8)))
    points = np.concatenate([points, points[:1]])
    return [_evened(points[a : b + 1]) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def _evened(points: FloatArray) -> LineString:
    """Return a run along the corners of cells as a line without them: the mean of five places, ends as they are."""
    smooth = ndimage.uniform_filter1d(points, 5, axis=0, mode="nearest")
    smooth[[0, -1]] = points[[0, -1]]
    return LineString(smooth)


def _long_and_wide(shape: BaseGeometry) -> tuple[float, float]:
    """Return the sides of the least box around a shape, the longer first."""
    box = shapely.get_coordinates(shapely.oriented_envelope(shape))
    sides = np.sort(np.hypot(*np.diff(box, axis=0)[:2].T))
    return float(sides[-1]), float(sides[0])


def _named(forms: Sequence[Landform]) -> tuple[Landform, ...]:
    """Return forms by kind and significance, each named by its kind and number."""
    kinds = ("hump", "hole", "point", "pocket", "ledge", "drop-off", "saddle", "flat")
    ranked = sorted(forms, key=lambda one: (kinds.index(one.kind), -one.significance, one.shape.bounds))
    count: Counter[str] = Counter()
    named = []
    for form in ranked:
        count[form.kind] += 1
        named.append(replace(form, name=f"{form.kind} {count[form.kind]}"))
    return tuple(named)
