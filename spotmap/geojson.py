"""The plan as GeoJSON: everything that the other outputs show, in one file that any program can read."""

from __future__ import annotations

import json
import math
from dataclasses import asdict
from importlib.metadata import version
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely
from shapely.geometry.polygon import orient

from spotmap.minutes import current_known, leg_clock
from spotmap.moving import drift_m
from spotmap.rigcard import rig_card

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from datetime import datetime

    from shapely.geometry.base import BaseGeometry

    from layers.model import Current, Source, Tide
    from layers.projection import LocalProjection
    from spotmap.model import (
        ClosedWater,
        FloatArray,
        LureTrack,
        OffLine,
        Plan,
        TideChoice,
        TimedLeg,
        TowedRod,
        TurningRadius,
        WorkReport,
    )

Members = dict[str, Any]

_LEG_DECIMALS = 8
"""About a millimetre: a turn's radius must still be measurable over chords of a few metres."""
_DECIMALS = 7
_SAME_PLACE_M = 1e-4
_TRACK_DECIMALS = 6


def plan_geojson(plan: Plan) -> bytes:
    """Return plan.geojson: RFC 7946 with one foreign member, "spotmap".

    The file is the skipper's own: it holds the private marks too, with ``"private": true``.

    Parameters
    ----------
    plan
        The checked plan.

    Returns
    -------
    bytes
        UTF-8 JSON on one line. Positions are WGS 84 longitude and latitude, legs to 8 decimals and the rest
        to 7. Outer rings run counter-clockwise. What crosses ±180° is cut there into a multi-part geometry,
        legs included. Lengths are metres, speeds m/s, courses degrees clockwise from north, times ISO 8601
        with offset; what is not known is null.

    Raises
    ------
    ValueError
        A number in the plan is not finite, or closed water has no extent.

    Notes
    -----
    Features have `role` leg, closed, mark, hazard or lane. A leg's `course_true_deg` and
    `course_magnetic_deg` are those of its start; its end has `course_end_true_deg` and
    `course_end_magnetic_deg`.
    """
    features = [*_legs(plan), *_lure_tracks(plan), *_closed(plan), *_marks(plan), *_obstacles(plan)]
    collection = {"type": "FeatureCollection", "spotmap": _spotmap(plan), "features": features}
    return json.dumps(collection, ensure_ascii=False, allow_nan=False, separators=(",", ":")).encode()


def _spotmap(plan: Plan) -> Members:
    area, trip, radius = plan.area, plan.trip, plan.radius
    boat, limits = trip.boat, trip.limits
    return {
        "plan_version": 1,
        "generator": f"spotmap {version('spotmap')}",
        "area": area.name,
        "invented": area.invented,
        "date": trip.date.isoformat(),
        "timezone": area.timezone.key,
        "depth_datum": area.depth_datum,
        "show": {"depth": area.show.depth, "distance": area.show.distance, "speed": area.show.speed},
        "has_grounds": area.has_grounds,
        "trip": trip.file.name,
        "start": trip.start.isoformat(),
        "hours": trip.hours,
        "species": trip.species,
        "method": trip.method,
        "home": {"name": trip.home_name, **_lonlat(area.projection, trip.home)},
        "turn_radius_m": radius.radius_m,
        "turn_radius_decided_by": radius.decided_by,
        "setbacks": [
            {
                "setback_m": one.setback_m,
                "turn_radius_m": one.radius_m,
                "turn_m": one.turn_m,
                "turn_s": one.turn_m / boat.troll_speed_mps,
            }
            for one in radius.setbacks
        ],
        "troll_speed_mps": boat.troll_speed_mps,
        "run_speed_mps": boat.run_speed_mps,
        "boat_turn_radius_m": boat.turn_radius_m,
        "draft_m": boat.draft_m,
        "fuel_troll_lph": boat.fuel_troll_lph,
        "fuel_run_lph": boat.fuel_run_lph,
        "limits": {
            "lure_speed_floor": limits.lure_speed_floor,
            "bottom_clearance_m": limits.bottom_clearance_m,
            "closure_standoff_m": limits.closure_standoff_m,
            "shore_standoff_m": limits.shore_standoff_m,
            "strong_current_mps": limits.strong_current_mps,
            "line_separation_m": limits.line_separation_m,
        },
        "rods": [_rod(towed, _settings_of(towed, radius)) for towed in radius.rods],
        "rig_card": [
            {"since": time.since.isoformat(), "rods": [asdict(row) for row in time.rows]} for time in rig_card(radius)
        ],
        "gear": _gear(plan),
        "works": [_work(report, area.projection) for report in plan.works],
        "totals": {
            "fishing_s": plan.totals.fishing.total_seconds(),
            "turning_s": plan.totals.turning.total_seconds(),
            "running_s": plan.totals.running.total_seconds(),
            "distance_m": plan.totals.distance_m,
            "fuel_l": plan.totals.fuel_l,
        },
        "sun": {
            "dawn": _iso(plan.sun.dawn),
            "sunrise": _iso(plan.sun.sunrise),
            "sunset": _iso(plan.sun.sunset),
            "dusk": _iso(plan.sun.dusk),
        },
        "magnetic_variation_deg": plan.magnetic_variation_deg,
        "tide": _stations(area.tide, area.projection),
        "current": _stations(area.current, area.projection),
        "timetable": _timetable(plan),
        "events": [{"at": moment.isoformat(), "words": words} for moment, words in plan.day.events],
        "sources": [_source(source) for source in area.sources],
        "warnings": list(plan.warnings),
        "cautions": list(plan.cautions),
    }


def _stations(layer: Tide | Current | None, projection: LocalProjection) -> Members | None:
    if layer is None:
        return None
    return {"stations": [{"name": one.name, **_lonlat(projection, one.point)} for one in layer.stations]}


def _timetable(plan: Plan) -> Members:
    """Return the trip minute by minute, a list for each thing; null is not known, or no gear in the water."""
    day, projection = plan.day, plan.area.projection
    lon, lat = projection.to_geographic(day.xy[:, 0], day.xy[:, 1])
    tide_m = np.where(np.isnan(day.tide_m), 0.0, day.tide_m)
    return {
        "moments": [moment.isoformat() for moment in day.moments],
        "seq": day.seq.tolist(),
        "lon": _numbers(lon, _TRACK_DECIMALS),
        "lat": _numbers(lat, _TRACK_DECIMALS),
        "tide_m": _numbers(day.tide_m, 2),
        "rising": [None if math.isnan(one) else (one > 0) - (one < 0) for one in day.rising_mps.tolist()],
        "set_deg": _set_deg(day.flow_mps, day.xy, projection),
        "drift_mps": _numbers(np.hypot(*day.flow_mps.T), 3),
        "work_set_deg": _set_deg(day.work_flow_mps, day.xy, projection),
        "work_drift_mps": _numbers(np.hypot(*day.work_flow_mps.T), 3),
        "charted_m": _numbers(day.charted_m, 2),
        "gear_m": _numbers(day.gear_m, 2),
        "clearance_m": _numbers(day.charted_m + tide_m - day.gear_m, 2),
        "light": day.light.tolist(),
    }


def _numbers(values: FloatArray, decimals: int) -> list[float | None]:
    told: list[float | None] = (np.round(values, decimals) + 0.0).tolist()
    return (
        [None if unknown else one for one, unknown in zip(told, np.isnan(values), strict=True)]
        if (np.isnan(values).any())
        else told
    )


def _set_deg(flow_mps: FloatArray, xy: FloatArray, projection: LocalProjection) -> list[float | None]:
    angle = np.arctan2(flow_mps[:, 1], flow_mps[:, 0])
    course = projection.true_course_deg(xy[:, 0], xy[:, 1], np.nan_to_num(angle)) % 360.0
    return _numbers(np.where(np.isnan(angle), np.nan, course), 0)


def _gear(plan: Plan) -> Members:
    """Return what the gear sweeps: the least clearance, lines that come together, places where not to stop."""
    swept = plan.swept
    return {
        "least_clearance_m": swept.clearance_m if math.isfinite(swept.clearance_m) else None,
        "lines_together": [asdict(one) for one in swept.together],
        "stops": [asdict(one) for one in swept.stops],
    }


def _settings_of(towed: TowedRod, radius: TurningRadius) -> list[Members]:
    """Return a rod's settings through the trip, each from its time on; empty where it has one."""
    found: list[Members] = []
    for step in radius.steps:
        now = next(one for one in step.rods if one.rod.name == towed.rod.name)
        here = {
            "cable_out_m": now.cable_out_m,
            "depth_m": now.depth_m,
            "layback_m": now.layback_m,
            "cable_angle_deg": math.degrees(now.cable_angle_rad),
        }
        if not found or any(found[-1][key] != value for key, value in here.items()):
            found.append({"since": step.since.isoformat(), **here})
    return found if len(found) > 1 else []


def _rod(towed: TowedRod, steps: list[Members]) -> Members:
    rod, tackle = towed.rod, towed.rod.tackle
    return {
        "name": rod.name,
        "kind": rod.kind,
        "side": rod.side,
        "reach_m": rod.reach_m,
        "setback_m": rod.setback_m,
        "cable_out_m": towed.cable_out_m,
        "depth_m": towed.depth_m,
        "layback_m": towed.layback_m,
        "cable_angle_deg": math.degrees(towed.cable_angle_rad),
        "slow_depth_m": towed.slow_depth_m,
        "stop_depth_m": towed.stop_depth_m,
        "weight_n": tackle.weight_n,
        "drag_area_m2": tackle.drag_area_m2,
        "line_diameter_m": tackle.line_diameter_m,
        "line_weight_n_per_m": tackle.line_weight_n_per_m,
        "normal_drag": tackle.normal_drag,
        "tangential_drag": tackle.tangential_drag,
        "radius_needed_m": towed.radius_needed_m,
        **({"cable_of": rod.cable_of, "above_m": rod.above_m} if rod.cable_of is not None else {}),
        **({"steps": steps} if steps else {}),
    }


def _choice(choice: TideChoice, projection: LocalProjection) -> Members:
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


def _work(report: WorkReport, projection: LocalProjection) -> Members:
    return {
        "work": report.index,
        "title": report.title,
        "wanted_length_m": report.wanted_length_m,
        "length_m": report.length_m,
        "passes": report.passes,
        **_off_line(report.off_line),
        "cuts": list(report.cuts),
        "choices": list(report.choices),
        "tide": [_choice(choice, projection) for choice in report.tide],
    }


def _source(source: Source) -> Members:
    return {
        "role": source.role,
        "file": source.file,
        "sha256": source.sha256,
        **({"parts": dict(source.parts)} if source.parts else {}),
        "as_of": source.as_of.isoformat() if source.as_of else None,
        "source": source.source,
    }


def _off_line(off: OffLine) -> Members:
    return {
        "offline_median_m": off.median_m,
        "offline_p95_m": off.p95_m,
        "offline_worst_m": off.worst_m,
        "depth_mean_m": off.depth_mean_m,
        "depth_min_m": off.depth_min_m,
        "depth_max_m": off.depth_max_m,
    }


def _legs(plan: Plan) -> Iterator[Members]:
    for timed in plan.legs:
        line = plan.area.projection.unproject(shapely.linestrings(timed.leg.xy))
        places = _vertices_of(line, timed.leg.xy, plan.area.projection)
        yield _feature(line, {"role": "leg", **_leg(timed), **_in_current(plan, timed, places)}, _LEG_DECIMALS)


def _vertices_of(line: BaseGeometry, xy: FloatArray, projection: LocalProjection) -> FloatArray:
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


def _in_current(plan: Plan, timed: TimedLeg, places: FloatArray) -> Members:
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
        "clock_s": _numbers(clock, 3),
        "current_east_mps": _numbers(east, 5),
        "current_north_mps": _numbers(north, 5),
        "current_known": known,
        "heading_true_deg": float(heading[0]),
        "heading_end_true_deg": float(heading[1]),
    }


def _leg(timed: TimedLeg) -> Members:
    leg = timed.leg
    known = {
        "pattern": leg.pattern,
        "work": leg.work,
        "depth_line_m": leg.depth_line_m,
        "turn_side": leg.turn_side,
        "note": leg.note or None,
    }
    return {
        "seq": timed.seq,
        "kind": leg.kind,
        "label": leg.label,
        "start": timed.start.isoformat(),
        "end": timed.end.isoformat(),
        "length_m": timed.length_m,
        "speed_mps": timed.speed_mps,
        "course_true_deg": timed.course_start_true_deg,
        "course_end_true_deg": timed.course_end_true_deg,
        "course_magnetic_deg": timed.course_start_magnetic_deg,
        "course_end_magnetic_deg": timed.course_end_magnetic_deg,
        "fuel_l": timed.fuel_l,
        **{name: value for name, value in known.items() if value is not None},
        **(_off_line(leg.off_line) if leg.off_line else {}),
    }


def _lure_tracks(plan: Plan) -> Iterator[Members]:
    # laps that repeat share one array
    tracks = {id(track.xy): track.xy for track in plan.swept.tracks}
    lines = dict(zip(tracks, _unprojected(plan.area.projection, list(tracks.values())), strict=True))
    for track in plan.swept.tracks:
        yield _feature(
            lines[id(track.xy)],
            {
                "role": "lure track",
                "rod": track.rod,
                "seq": track.seq,
                "depth_min_m": round(track.depth_min_m, 2),
                "depth_max_m": round(track.depth_max_m, 2),
                "clock_s": _numbers(_clock_of(lines[id(track.xy)], track, plan.area.projection), 1),
                "slowest_mps": None if math.isnan(track.slowest_mps) else round(track.slowest_mps, 3),
            },
            _TRACK_DECIMALS,
        )


def _clock_of(line: BaseGeometry, track: LureTrack, projection: LocalProjection) -> FloatArray:
    """Return the clock of a lure's track at every vertex that is written."""
    places = _vertices_of(line, track.xy, projection)
    clock: FloatArray = np.interp(places, np.arange(len(track.xy)), track.clock_s)
    return clock


def _unprojected(projection: LocalProjection, tracks: Sequence[FloatArray]) -> list[BaseGeometry]:
    """Return tracks in degrees: all at once, or one by one where some cross ±180° and are cut there."""
    if not tracks:
        return []
    lon, lat = projection.to_geographic(*np.concatenate(tracks).T)
    if np.ptp(lon) > 180.0:  # noqa: PLR2004  degrees
        return [projection.unproject(shapely.LineString(xy)) for xy in tracks]
    of_track = np.repeat(np.arange(len(tracks)), [len(xy) for xy in tracks])
    return list(shapely.linestrings(np.column_stack([lon, lat]), indices=of_track))


def _closed(plan: Plan) -> Iterator[Members]:
    for closed in plan.closed:
        if closed.shape.area == 0.0:
            raise ValueError(f"closed water {closed.name!r} has no extent")
        yield _feature(plan.area.projection.unproject(closed.shape), _closure(closed))


def _closure(closed: ClosedWater) -> Members:
    return {
        "role": "closed",
        "name": closed.name,
        "forbids": closed.forbids,
        "rule": closed.reference,
        "dates": closed.dates,
        "standoff_m": closed.standoff_m,
        "in_force_at_start": closed.in_force_at_start,
        "changes": [change.isoformat() for change in closed.changes],
    }


def _marks(plan: Plan) -> Iterator[Members]:
    for mark in plan.area.marks:
        properties = {"role": "mark", "name": mark.name, "kind": mark.kind, "note": mark.note}
        yield _feature(plan.area.projection.unproject(mark.point), {**properties, "private": mark.private})


def _obstacles(plan: Plan) -> Iterator[Members]:
    unproject = plan.area.projection.unproject
    for hazard in plan.area.hazards:
        properties = {"role": "hazard", "name": hazard.name, "kind": hazard.kind, "margin_m": hazard.margin_m}
        yield _feature(unproject(hazard.shape), properties)
    for lane in plan.area.lanes:
        properties = {"role": "lane", "name": lane.name, "kind": lane.kind, "margin_m": lane.margin_m}
        yield _feature(unproject(lane.shape), {**properties, "avoid": lane.avoid})


def _feature(shape: BaseGeometry, properties: Members, decimals: int = _DECIMALS) -> Members:
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


def _lonlat(projection: LocalProjection, point: shapely.Point) -> Members:
    lon, lat = projection.to_geographic(point.x, point.y)
    return {"lon": round(float(lon), _DECIMALS), "lat": round(float(lat), _DECIMALS)}


def _iso(moment: datetime | None) -> str | None:
    return None if moment is None else moment.isoformat()
