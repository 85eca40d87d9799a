"""Closed water on a chart sheet: hatched, a direction of its own for each kind, with a rim and a name."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
import shapely

from spotmap.mapwords import state_words
from spotmap.model import PARTLY_OPEN
from spotmap.paperink import NO_ENTRY, NO_FISHING, OUTSIDE
from spotmap.paperlabels import Label, size_of
from spotmap.papersheets import POINTS_PER_MM
from spotmap.paperwater import cut_to_chart

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

    from layers.model import FloatArray
    from spotmap.model import ClosedWater, Plan
    from spotmap.papersheets import ChartSheet

ClosedKind = Literal["fishing", "entry", "outside", "hours"]
SPACING_PT = 1.6 * POINTS_PER_MM
_LEAST_PT2 = 2.0
_STEP_PT = 12.0
_ROOM = 3.5
"""A name on water that is smaller than this many of its boxes would hide it: it stands beside."""


@dataclass(frozen=True)
class Look:
    """How a kind of closed water is hatched, in degrees and points. The lines are black: brown ones dither away."""

    words: str
    angle_deg: float
    spacing: float
    width: float
    rim_width: float
    ink: Any


LOOKS: dict[ClosedKind, Look] = {
    "fishing": Look("no fishing", 45.0, SPACING_PT, 0.5, 1.2, NO_FISHING),
    "entry": Look("no entry", 135.0, SPACING_PT, 0.7, 1.6, NO_ENTRY),
    "outside": Look("outside grounds", 90.0, 1.5 * SPACING_PT, 0.4, 0.9, OUTSIDE),
    "hours": Look("ground, other hours", 0.0, 1.5 * SPACING_PT, 0.4, 0.9, OUTSIDE),
}


@dataclass(frozen=True)
class PaperClosed:
    """Closed water in points: what is hatched, without land, and all of its rim; `dash` where it is not for all day."""

    kind: ClosedKind
    look: Look
    shape: BaseGeometry
    rim: BaseGeometry
    dash: tuple[float, ...]
    label: Label


def paper_closed(plan: Plan, sheet: ChartSheet, land: BaseGeometry) -> tuple[PaperClosed, ...]:
    """Return the closed water on a sheet, that outside open grounds first, so that the rest stands over it."""
    ruled = {rule.name for rule in plan.area.closures}
    found = []
    for water in plan.closed:
        kind = _kind(water, ruled=water.name in ruled)
        whole = cut_to_chart(sheet, water.shape)
        shape = shapely.difference(whole, land)
        if shape.area < _LEAST_PT2:
            continue
        frame = shapely.boundary(shapely.box(*sheet.frame.chart))
        rim = shapely.difference(shapely.boundary(whole), shapely.buffer(frame, 0.1))
        dash = (5.0, 2.5) if water.changes else ()
        found.append(PaperClosed(kind, LOOKS[kind], shape, rim, dash, _label(plan, water, kind, shape)))
    return tuple(sorted(found, key=lambda one: one.kind in ("fishing", "entry")))


def _kind(water: ClosedWater, *, ruled: bool) -> ClosedKind:
    if ruled:
        return water.forbids
    return "hours" if water.name.endswith(PARTLY_OPEN) else "outside"


def _label(plan: Plan, water: ClosedWater, kind: ClosedKind, shape: BaseGeometry) -> Label:
    said = "no entry" if water.forbids == "entry" else "no fishing"
    when = state_words(plan, water).split(", ") if water.changes else []
    lines = (water.name.removesuffix(PARTLY_OPEN), said, *when)
    ink = LOOKS[kind].ink
    label = Label(lines, _within(shape), "on", 6.2, bold=True, must=True, rim=ink, ink=ink)
    wide, high = size_of(label)
    if shape.area >= _ROOM * wide * high:
        return label
    west, south, east, north = shape.bounds
    anchor = shapely.get_coordinates(shapely.point_on_surface(shape))
    return replace(label, anchors=anchor, how="beside", gap=max(east - west, north - south) / 2 + 3.0)


def _within(shape: BaseGeometry) -> FloatArray:
    """Return places in an area, those far from its rim first."""
    west, south, east, north = shape.bounds
    x, y = np.meshgrid(np.arange(west, east, _STEP_PT), np.arange(south, north, _STEP_PT))
    places = shapely.points(x.ravel(), y.ravel())
    shapely.prepare(shape)
    inside = places[shapely.contains(shape, places)]
    inside = np.append(inside, shapely.point_on_surface(shape))
    away = np.minimum(shapely.distance(shapely.boundary(shape), inside), 60.0)
    return np.asarray(shapely.get_coordinates(inside[np.argsort(-np.round(away), kind="stable")]))
