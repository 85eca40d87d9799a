"""What the map shows besides water and tracks: hazards, lanes, cautions and marks, with what is said of each."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from layers.model import Area, Bounds, Caution, Hazard, Lane, Mark
from layers.positions import format_position
from layers.projection import LocalProjection
from layers.units import format_quantity
from spotmap.legwords import near_words
from spotmap.model import Plan
from spotmap.web.steps import Shape, shape_of

_Shaped = TypeVar("_Shaped", Lane, Caution)
_MOST_SIGNS = 30
"""More signs hide the water: of the hazards of a chart only the nearest to the legs have one, the rest are dots."""
_MOST_HAZARDS = 1500
"""More, a chart's piers and piles, would make the map slow: the nearest to the legs are drawn."""


@dataclass(frozen=True)
class Thing:
    """A hazard, a lane, a caution or a mark; `areal` if its shape is made of rings, `sign` if it stands out."""

    name: str
    kind: str
    lines: tuple[str, ...]
    private: bool
    areal: bool
    sign: bool
    shape: Shape


@dataclass(frozen=True)
class Things:
    """All that the map shows besides water and tracks."""

    hazards: tuple[Thing, ...]
    lanes: tuple[Thing, ...]
    cautions: tuple[Thing, ...]
    marks: tuple[Thing, ...]


def map_things(plan: Plan, window: Bounds) -> Things:
    """Return what the map shows besides water and tracks.

    Parameters
    ----------
    plan
        The plan.
    window
        What lies outside this box is left out, local metres; marks never are.

    Returns
    -------
    Things
        Shapes in degrees. Of a chart's thousands of hazards the 1,500 nearest to the legs.
    """
    area, box = plan.area, shapely.box(*window)
    legs = shapely.MultiLineString([timed.leg.xy for timed in plan.legs])
    shapes = np.array([hazard.shape for hazard in area.hazards], dtype=object)
    away = np.where(shapely.intersects(box, shapes), shapely.distance(legs, shapes), np.inf)
    nearest = [i for i in np.argsort(away, kind="stable")[:_MOST_HAZARDS].tolist() if np.isfinite(away[i])]
    signed = set(nearest[:_MOST_SIGNS])
    return Things(
        hazards=tuple(_hazard(area, area.hazards[i], sign=i in signed) for i in sorted(nearest)),
        lanes=tuple(_lane(area, lane) for lane in _inside(area.lanes, box)),
        cautions=tuple(_caution(area.projection, caution) for caution in _inside(area.cautions, box)),
        marks=tuple(_mark(area.projection, mark) for mark in area.marks),
    )


def hazard_words(area: Area, hazard: Hazard) -> tuple[str, ...]:
    """Return what is said of a hazard: the least depth over it, and the margin kept."""
    depth = hazard.depth_m
    told = () if depth is None else (f"{format_quantity(depth, area.show.depth, 1)} over it at {area.depth_datum}",)
    return (*told, *_margin(area, hazard.margin_m))


def _inside(things: Sequence[_Shaped], box: BaseGeometry) -> list[_Shaped]:
    return [thing for thing in things if shapely.intersects(thing.shape, box)]


def _hazard(area: Area, hazard: Hazard, *, sign: bool) -> Thing:
    return _thing(area.projection, (hazard.name, hazard.kind), hazard_words(area, hazard), hazard.shape, sign=sign)


def _lane(area: Area, lane: Lane) -> Thing:
    said = "the whole boat keeps out" if lane.avoid == "all" else "no gear down here"
    return _thing(area.projection, (lane.name, lane.kind), (said, *_margin(area, lane.margin_m)), lane.shape)


def _caution(projection: LocalProjection, caution: Caution) -> Thing:
    lines = (caution.note,) if caution.note else ()
    return _thing(projection, (caution.name, caution.kind), lines, caution.shape)


def _mark(projection: LocalProjection, mark: Mark) -> Thing:
    lon, lat = projection.to_geographic([mark.point.x], [mark.point.y])
    lines = (*((mark.note,) if mark.note else ()), format_position(float(lon[0]), float(lat[0])))
    return _thing(projection, (mark.name, mark.kind), lines, mark.point, private=mark.private)


def _margin(area: Area, margin_m: float | None) -> tuple[str, ...]:
    return () if not margin_m else (f"{near_words(area, margin_m)} margin",)


def _thing(
    projection: LocalProjection,
    named: tuple[str, str],
    lines: tuple[str, ...],
    shape: BaseGeometry,
    *,
    private: bool = False,
    sign: bool = True,
) -> Thing:
    name, kind = named
    drawn = shape_of(projection, shape, 5, 0.5)
    return Thing(name or kind, kind if name else "", lines, private, shape.area > 0, sign, drawn)
