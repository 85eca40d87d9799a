"""Moving water in plan.geojson: stations, the timetable, what the tide asked for, each leg's clock and current."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from spotmap.minutes import current_known, leg_clock
from spotmap.moving import drift_m

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

    from layers.model import Current, Tide
    from layers.projection import LocalProjection
    from spotmap.model import FloatArray, LureTrack, Plan, TideChoice, TimedLeg

Members = dict[str, Any]

_PLACE_DECIMALS = 7
_TRACK_DECIMALS = 6
_SAME_PLACE_M = 1e-4


def stations(layer: Tide | Current | None, projection: LocalProjection) -> Members | None:
    """Return the stations of a tide or current layer, None where there is no such layer."""
    if layer is None:
        return None
    return {"stations": [{"name": one.name, **lonlat(projection, one.point)} for one in layer.stations]}


def timetable(plan: Plan) -> Members:
    """Return the trip minute by minute, a list for each thing; null is not known, or no gear in the water."""
    day, projection = plan.day, plan.area.projection
    lon, lat = projection.to_geographic(day.xy[:, 0], day.xy[:, 1])
    tide_m = np.zeros_like(day.tide_m) if plan.area.tide is None else day.tide_m
    return {
        "moments": [moment.isoformat() for moment in day.moments],
        "seq": day.seq.tolist(),
        "lon": numbers(lon, _TRACK_DECIMALS),
        "lat": numbers(lat, _TRACK_DECIMALS),
        "tide_m": numbers(day.tide_m, 2),
        "rising": [None if math.isnan(one) else (one > 0) - (one < 0) for one in day.rising_mps.tolist()],
        "set_deg": _set_deg(day.flow_mps, day.xy, projection),
        "drift_mps": numbers(np.hypot(*day.flow_mps.T), 3),
        "work_set_deg": _set_deg(day.work_flow_mps, day.xy, projection),
        "work_drift_mps": numbers(np.hypot(*day.work_flow_mps.T), 3),
        "charted_m": numbers(day.charted_m, 2),
        "gear_m": numbers(day.gear_m, 2),
        "clearance_m": numbers(day.charted_m + tide_m - day.gear_m, 2),
        "light": day.light.tolist(),
    }


def numbers(values: FloatArray, decimals: int) -> list[float | None]:
    """Return values (n,) rounded, None where they are NaN."""
    told: list[float | None] = (np.round(values, decimals) + 0.0).tolist()
    for unknown in np.flatnonzero(np.isnan(values)):
        told[unknown] = None
    return told


def _set_deg(flow_mps: FloatArray, xy: FloatArray, projection: LocalProjection) -> list[float | None]:
    angle = np.arctan2(flow_mps[:, 1], flow_mps[:, 0])
    course = projection.true_course_deg(xy[:, 0], xy[:, 1], np.nan_to_num(angle)) % 360.0
    return numbers(np.where(np.isnan(angle), np.nan, np.round(course) % 360.0), 0)


def choice_members(choice: TideChoice, projection: LocalProjection) -> Members:
    """Return what the tide asked for at a piece of work, for a part of its time."""
    flow = np.array([choice.flow_mps])
    return {
        "since": choice.since.isoformat(),
        "until": choice.until.isoformat(),
        "pattern": choice.pattern,
        "set_deg": _set_deg(flow, np.zeros((1, 2)), projection)[0],
        "drift_mps": math.hypot(*choice.flow_mps),
        "strongest_mps": choice.strongest_mps,
        "loop_min_per_h": choice.loop_min_per_h,
        "one_way_min_per_h": choice.one_way_min_per_h,
        "words": choice.words,
    }


def vertices_of(line: BaseGeometry, xy: FloatArray, projection: LocalProjection) -> FloatArray:
    """Return, for each vertex of a leg as it is written, which of its own (n, 2) vertices that is.

    Vertices that are put in, where a leg is cut at ±180° or a long run drawn in degrees, lie a part of the way between
    two of its own.
    """
    own = np.arange(len(xy), dtype=np.float64)
    if line.geom_type == "LineString" and len(line.coords) == len(xy):
        return own
    written = np.column_stack(projection.to_local(*shapely.get_coordinates(line).T))
    places, before = [], 0
    for place in written:
        if before + 1 < len(xy) and np.hypot(*(place - xy[before + 1])) < _SAME_PLACE_M:
            before += 1
        step = xy[min(before + 1, len(xy) - 1)] - xy[before]
        share = float((place - xy[before]) @ step) / max(float(step @ step), 1e-12)
        places.append(before + min(max(share, 0.0), 1.0))
    return np.array(places)


def in_current(plan: Plan, timed: TimedLeg, places: FloatArray) -> Members:
    """Return a leg's clock and the current that the plan counts on, vertex by vertex, and its headings."""
    leg, projection = timed.leg, plan.area.projection
    x, y = leg.xy.T
    clock = leg_clock(timed)
    flow = np.zeros_like(leg.xy) if leg.current_mps is None else leg.current_mps
    known = current_known(plan.area, timed)
    through = leg.xy - drift_m(clock, flow)
    if len(places) > len(clock):
        own = np.arange(len(clock))
        clock, x, y = (np.interp(places, own, values) for values in (clock, x, y))
        flow = np.column_stack([np.interp(places, own, flow[:, axis]) for axis in (0, 1)])
        if known and plan.area.current is not None:
            flow = plan.area.current.flow_at(x, y, timed.start.timestamp() + clock)
    turned = np.radians(90.0 - projection.true_course_deg(x, y, np.zeros_like(x)))
    ends = np.array([through[1] - through[0], through[-1] - through[-2]])
    heading = projection.true_course_deg(x[[0, -1]], y[[0, -1]], np.arctan2(ends[:, 1], ends[:, 0])) % 360.0
    east = flow[:, 0] * np.cos(turned) - flow[:, 1] * np.sin(turned)
    north = flow[:, 0] * np.sin(turned) + flow[:, 1] * np.cos(turned)
    return {
        "clock_s": numbers(clock, 3),
        "current_east_mps": numbers(east, 5),
        "current_north_mps": numbers(north, 5),
        "current_known": known,
        "heading_true_deg": float(heading[0]),
        "heading_end_true_deg": float(heading[1]),
    }


def clock_of(line: BaseGeometry, track: LureTrack, projection: LocalProjection) -> FloatArray:
    """Return the clock of a lure's track at every vertex that is written."""
    places = vertices_of(line, track.xy, projection)
    clock: FloatArray = np.interp(places, np.arange(len(track.xy)), track.clock_s)
    return clock


def lonlat(projection: LocalProjection, point: shapely.Point) -> Members:
    """Return a place in local metres as longitude and latitude."""
    lon, lat = projection.to_geographic(point.x, point.y)
    return {"lon": round(float(lon), _PLACE_DECIMALS), "lat": round(float(lat), _PLACE_DECIMALS)}
