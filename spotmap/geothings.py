"""Features of plan.geojson besides legs and water: marks, hazards, lanes, and where the data came from."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry
from shapely.geometry.polygon import orient

from layers.model import Source
from spotmap.geowater import Members
from spotmap.model import Plan

if TYPE_CHECKING:
    from layers.origins import OriginRecord

DECIMALS = 7
OBSTACLES_M = 3000.0
"""Hazards further than this from every leg stay in the area: a chart has thousands."""


def source_members(source: Source) -> Members:
    """Return where a layer came from: its file and hash, its day, and the official data it was made from."""
    return {
        "role": source.role,
        "file": source.file,
        "sha256": source.sha256,
        **({"parts": dict(source.parts)} if source.parts else {}),
        "as_of": source.as_of.isoformat() if source.as_of else None,
        "source": source.source,
        **({"quality": source.quality} if source.quality else {}),
        **({"made_from": [_origin(one) for one in source.origins]} if source.origins else {}),
    }


def _origin(origin: OriginRecord) -> Members:
    return {
        "name": origin.name,
        "kind": origin.kind,
        "edition": origin.edition,
        "update": origin.update,
        "issued": origin.issued.isoformat() if origin.issued else None,
        "scale": origin.scale,
        "files": {one.file: one.sha256 for one in origin.files},
    }


def mark_features(plan: Plan) -> Iterator[Members]:
    """Yield the area's marks."""
    for mark in plan.area.marks:
        properties = {"role": "mark", "name": mark.name, "kind": mark.kind, "note": mark.note}
        yield feature(plan.area.projection.unproject(mark.point), {**properties, "private": mark.private})


def obstacle_features(plan: Plan) -> Iterator[Members]:
    """Yield what is kept off and what asks for care, as far as it lies near the legs."""
    area = plan.area
    legs = shapely.MultiLineString([timed.leg.xy for timed in plan.legs])
    for hazard in area.hazards:
        if shapely.dwithin(legs, hazard.shape, OBSTACLES_M):
            properties = {"role": "hazard", "name": hazard.name, "kind": hazard.kind, "margin_m": hazard.margin_m}
            yield feature(area.projection.unproject(hazard.shape), {**properties, "depth_m": hazard.depth_m})
    for lane in area.lanes:
        properties = {"role": "lane", "name": lane.name, "kind": lane.kind, "margin_m": lane.margin_m}
        yield feature(area.projection.unproject(lane.shape), {**properties, "avoid": lane.avoid})
    for caution in area.cautions:
        properties = {"role": "caution", "name": caution.name, "kind": caution.kind, "note": caution.note}
        yield feature(area.projection.unproject(caution.shape), properties)


def feature(shape: BaseGeometry, properties: Members, decimals: int = DECIMALS) -> Members:
    """Return a feature of a shape in degrees."""
    if shape.geom_type == "LineString":
        # what most features are, and nothing about a line can become invalid
        places = np.round(shapely.get_coordinates(shape), decimals) + 0.0
        geometry = {"type": "LineString", "coordinates": places.tolist()}
        return {"type": "Feature", "properties": properties, "geometry": geometry}
    # Adding zero turns -0.0 into 0.0.
    rounded = shapely.transform(shape, lambda lonlat: np.round(lonlat, decimals) + 0.0)
    if not rounded.is_valid:
        snapped = shapely.set_precision(shape, 10.0**-decimals)
        rounded = rounded if snapped.is_empty else snapped
    return {
        "type": "Feature",
        "properties": properties,
        "geometry": json.loads(shapely.to_geojson(_counter_clockwise(rounded))),
    }


def _counter_clockwise(shape: BaseGeometry) -> BaseGeometry:
    if shape.geom_type == "Polygon":
        return orient(shape)
    if shape.geom_type == "MultiPolygon":
        return shapely.MultiPolygon([orient(part) for part in shape.geoms])
    return shape
