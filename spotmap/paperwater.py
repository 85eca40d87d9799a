"""The water on a chart sheet: bands of depth, depth lines, land, and water of unknown depth, in points on paper."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import shapely

from layers.units import format_quantity, to_unit
from spotmap.mapdata import band_levels

if TYPE_CHECKING:
    from collections.abc import Sequence

    from shapely.geometry.base import BaseGeometry

    from spotmap.model import Plan
    from spotmap.papersheets import ChartSheet

_CELL_MM = 0.5
_FINE_PT = 0.25
"""How far drawn lines may stray, and how short of the water's rim depth lines end."""
_SAMPLES = 40
_SAME_LINE_M = 1e-3
_AREA = 2  # shapely's dimension of polygons


@dataclass(frozen=True)
class DepthBand:
    """Water from one depth to the next, painted in order, each over those before."""

    words: str
    shade: int
    shape: BaseGeometry


@dataclass(frozen=True)
class PaperLine:
    """A depth line and its label; `worked` if the plan fishes it."""

    words: str
    worked: bool
    shape: BaseGeometry


@dataclass(frozen=True)
class PaperWater:
    """What is known of the water on a sheet; `known` is water that at least dries, all shapes cut to the chart."""

    bands: tuple[DepthBand, ...]
    lines: tuple[PaperLine, ...]
    known: BaseGeometry
    unknown: BaseGeometry
    land: BaseGeometry


def paper_water(plan: Plan, sheet: ChartSheet) -> PaperWater:
    """Return the water of a plan's area on a sheet."""
    area, reach, unit = plan.area, sheet.reach, plan.area.show.depth
    cell_m = _CELL_MM / 1000.0 * sheet.scale
    rect = shapely.box(*sheet.frame.chart)

    def water(depth_m: float | None) -> BaseGeometry:
        found = area.depth.known(reach, cell_m) if depth_m is None else area.depth.deeper_than(depth_m, reach, cell_m)
        return cut_to_chart(sheet, found)

    known = water(None)
    rim = shapely.buffer(shapely.boundary(known), 3.0 * _CELL_MM * 72.0 / 25.4, quad_segs=2)
    land = cut_to_chart(sheet, area.land)
    worked = sorted({leg.leg.depth_line_m for leg in plan.legs if leg.leg.depth_line_m is not None})
    levels = _levels(plan, sheet, worked)
    bands, lines = [], []
    for index, level in enumerate(levels):
        depth_m = level / to_unit(1.0, unit)
        shape = water(depth_m)
        deeper = levels[index + 1] if index + 1 < len(levels) else None
        words = f"over {level:g} {unit}" if deeper is None else f"{level:g} to {deeper:g} {unit}"
        bands.append(DepthBand(words, index, shape))
        if level > 0 and all(abs(depth_m - one) > _SAME_LINE_M for one in worked):  # 0 is the shore's own rim
            edge = shapely.difference(shapely.boundary(shape), shapely.union_all([rim, shapely.boundary(rect), land]))
            lines.append(PaperLine(f"{level:g} {unit}", False, edge))
    for depth_m in worked:
        line = shapely.simplify(sheet.drawn(area.depth.depth_line(depth_m, reach)), _FINE_PT)
        lines.append(
            PaperLine(format_quantity(depth_m, unit), True, shapely.difference(shapely.intersection(line, rect), land))
        )
    unknown = shapely.difference(rect, shapely.union_all([known, land]))
    return PaperWater(tuple(bands), tuple(lines), known, unknown, land)


def cut_to_chart(sheet: ChartSheet, shape: BaseGeometry) -> BaseGeometry:
    """Return an area in local metres as it lies on the chart: cut to it, valid, no finer than paper shows."""
    west, south, east, north = sheet.reach
    pad = 0.05 * max(east - west, north - south)
    near = shapely.clip_by_rect(shape, west - pad, south - pad, east + pad, north + pad)
    drawn = shapely.make_valid(shapely.simplify(sheet.drawn(near), _FINE_PT))
    parts = shapely.get_parts(shapely.get_parts(shapely.intersection(drawn, shapely.box(*sheet.frame.chart))))
    return shapely.multipolygons(parts[shapely.get_dimensions(parts) == _AREA])


def _levels(plan: Plan, sheet: ChartSheet, worked: Sequence[float]) -> tuple[float, ...]:
    """Return the levels of the bands in the shown unit; empty where no depth is known."""
    west, south, east, north = sheet.reach
    x, y = np.meshgrid(np.linspace(west, east, _SAMPLES), np.linspace(south, north, _SAMPLES))
    found = plan.area.depth.depth_at(x, y)
    found = found[np.isfinite(found) & (found > 0)]
    if not found.size:
        return ()
    unit = plan.area.show.depth
    deepest = float(np.quantile(found, 0.98))
    return band_levels(to_unit(deepest, unit), to_unit(max(worked, default=deepest), unit))
