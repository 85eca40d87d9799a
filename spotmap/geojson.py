"""The plan as GeoJSON: everything that the other outputs show, in one file that any program can read."""

from __future__ import annotations

import json
import math
from dataclasses import asdict
from importlib.metadata import version
from typing import TYPE_CHECKING

import numpy as np
import shapely

from spotmap.geothings import feature, mark_features, obstacle_features, source_members
from spotmap.geowater import (
    Members,
    choice_members,
    clock_of,
    in_current,
    lonlat,
    numbers,
    stations,
    timetable,
    vertices_of,
)
from spotmap.rigcard import rig_card

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from datetime import datetime

    from shapely.geometry.base import BaseGeometry

    from layers.projection import LocalProjection
    from spotmap.model import (
        ClosedWater,
        FloatArray,
        OffLine,
        Plan,
        TimedLeg,
        TowedRod,
        TurningRadius,
        WorkReport,
    )

_LEG_DECIMALS = 8
"""About a millimetre: a turn's radius must still be measurable over chords of a few metres."""
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
    features = [*_legs(plan), *_lure_tracks(plan), *_closed(plan), *mark_features(plan), *obstacle_features(plan)]
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
        "home": {"name": trip.home_name, **lonlat(area.projection, trip.home)},
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
        "tide": stations(area.tide, area.projection),
        "current": stations(area.current, area.projection),
        "timetable": timetable(plan),
        "events": [{"at": moment.isoformat(), "words": words} for moment, words in plan.day.events],
        "sources": [source_members(source) for source in area.sources],
        "warnings": list(plan.warnings),
        "cautions": list(plan.cautions),
    }


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
        "tide": [choice_members(choice, projection) for choice in report.tide],
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
        places = vertices_of(line, timed.leg.xy, plan.area.projection)
        yield feature(line, {"role": "leg", **_leg(timed), **in_current(plan, timed, places)}, _LEG_DECIMALS)


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
        yield feature(
            lines[id(track.xy)],
            {
                "role": "lure track",
                "rod": track.rod,
                "seq": track.seq,
                "depth_min_m": round(track.depth_min_m, 2),
                "depth_max_m": round(track.depth_max_m, 2),
                "clock_s": numbers(clock_of(lines[id(track.xy)], track, plan.area.projection), 1),
                "slowest_mps": None if math.isnan(track.slowest_mps) else round(track.slowest_mps, 3),
            },
            _TRACK_DECIMALS,
        )


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
        yield feature(plan.area.projection.unproject(closed.shape), _closure(closed))


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


def _iso(moment: datetime | None) -> str | None:
    return None if moment is None else moment.isoformat()
