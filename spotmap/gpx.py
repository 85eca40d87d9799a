"""The plan for plotters and phones: GPX 1.1 with marks, a route for each pass and turn, and the trip's track.

A plotter joins a route's points by straight lines, holds few of them, and shows short plain names only; the
track keeps the curve and the clock.
"""

from __future__ import annotations

import re
import string
from datetime import UTC, datetime, timedelta
from importlib.metadata import version
from itertools import pairwise
from typing import TYPE_CHECKING
from xml.etree import ElementTree as ET

import numpy as np
import shapely

from layers.units import format_quantity
from spotmap.minutes import leg_clock
from spotmap.polyline import along_m
from spotmap.report import source_words

if TYPE_CHECKING:
    from collections.abc import Iterator

    from layers.projection import LocalProjection
    from spotmap.model import FloatArray, Plan, TimedLeg

MAX_ROUTE_POINTS = 100
MAX_OFF_PLAN_M = 3.0

_NAMESPACE = "http://www.topografix.com/GPX/1/1"
_ROUTE_TOLERANCES_M = (0.5, 1.0, 1.5, 2.0, 2.5)
"""Tried in turn; what is left to `MAX_OFF_PLAN_M` is for rounding and for lines that plotters draw bent."""
_TRACK_TOLERANCE_M = 0.5
_MAX_STEP_M = 1000.0
"""Over a longer step a rhumb line or a great circle leaves the plan's straight one by decimetres."""
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9 _-]{0,7}")
_NOT_XML = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def plan_gpx(plan: Plan) -> bytes:
    """Return route.gpx.

    The file is the skipper's own: it holds the private marks too.

    Parameters
    ----------
    plan
        The checked plan.

    Returns
    -------
    bytes
        GPX 1.1 in UTF-8: a waypoint for each mark; a route for each pass and turn, named by the leg's label,
        with at most `MAX_ROUTE_POINTS` points and nowhere more than `MAX_OFF_PLAN_M` off the leg (a leg too
        winding for that is several routes, "P1a", "P1b", …); one track with a segment for each leg, within
        half a metre, its times in UTC in proportion to the distance run on the leg.
    """
    root = ET.Element("gpx", {"xmlns": _NAMESPACE, "version": "1.1", "creator": f"spotmap {version('spotmap')}"})
    _metadata(root, plan)
    _waypoints(root, plan)
    _routes(root, plan)
    _track(root, plan)
    ET.indent(root, space="")
    xml: bytes = ET.tostring(root, encoding="utf-8", xml_declaration=True)
    return xml


def _metadata(root: ET.Element, plan: Plan) -> None:
    area, trip = plan.area, plan.trip
    metadata = ET.SubElement(root, "metadata")
    _text(metadata, "name", f"{area.name}{' (invented)' if area.invented else ''}, {trip.date.isoformat()}")
    words = [f"A plan; depths are from {area.depth_datum}.", *plan.cautions, *plan.warnings, *source_words(area)]
    _text(metadata, "desc", " ".join(words))
    _text(metadata, "time", _utc(trip.start))


def _waypoints(root: ET.Element, plan: Plan) -> None:
    for mark in plan.area.marks:
        ((lon, lat),) = _degrees(plan.area.projection, shapely.get_coordinates(mark.point))
        waypoint = ET.SubElement(root, "wpt", {"lat": lat, "lon": lon})
        _text(waypoint, "name", mark.name)
        if mark.note:
            _text(waypoint, "cmt", mark.note)
        _text(waypoint, "type", mark.kind)


def _routes(root: ET.Element, plan: Plan) -> None:
    gear_down = [timed for timed in plan.legs if timed.leg.kind != "run"]
    number = 0
    for timed, name in zip(gear_down, _names(gear_down), strict=True):
        parts = _route_parts(timed.leg.xy)
        for part, letters in zip(parts, _suffixes(len(parts)), strict=True):
            number += 1
            route = ET.SubElement(root, "rte")
            _text(route, "name", name + letters)
            _text(route, "desc", _words(timed, plan))
            _text(route, "number", str(number))
            _text(route, "type", timed.leg.kind)
            for lon, lat in _degrees(plan.area.projection, part):
                ET.SubElement(route, "rtept", {"lat": lat, "lon": lon})


def _track(root: ET.Element, plan: Plan) -> None:
    track = ET.SubElement(root, "trk")
    _text(track, "name", "Trip")
    for timed in plan.legs:
        segment = ET.SubElement(track, "trkseg")
        points = _thinned(timed.leg.xy, _TRACK_TOLERANCE_M)
        begin, end = timed.start.astimezone(UTC), timed.end.astimezone(UTC)
        clock = leg_clock(timed)
        shares = np.interp(points[:, 2], along_m(timed.leg.xy), clock / clock[-1])
        for (lon, lat), share in zip(_degrees(plan.area.projection, points[:, :2]), shares.tolist(), strict=True):
            point = ET.SubElement(segment, "trkpt", {"lat": lat, "lon": lon})
            _text(point, "time", _utc(begin + share * (end - begin)))


def _thinned(xy: FloatArray, tolerance_m: float) -> FloatArray:
    """Return fewer points of a line, (n, 3): x, y and the distance run to each, metres.

    The line through them and the line given are nowhere further apart than the tolerance, seen from either:
    each stretch that Douglas-Peucker leaves out runs from one end of its chord to the other within it.
    """
    # The distance run goes through as the third coordinate, which takes no part in measuring.
    line = shapely.linestrings(np.column_stack([xy, along_m(xy)]))
    thin = shapely.segmentize(shapely.simplify(line, tolerance_m, preserve_topology=False), _MAX_STEP_M)
    return np.asarray(shapely.get_coordinates(thin, include_z=True))


def _route_parts(xy: FloatArray) -> list[FloatArray]:
    """Return a leg as routes that a plotter holds, (n, 2) each, one's last point the next one's first."""
    for tolerance_m in _ROUTE_TOLERANCES_M:
        points = _thinned(xy, tolerance_m)[:, :2]
        if len(points) <= MAX_ROUTE_POINTS:
            return [points]
    count = -(-(len(points) - 1) // (MAX_ROUTE_POINTS - 1))
    cuts = np.linspace(0, len(points) - 1, count + 1).round().astype(int).tolist()
    return [points[first : last + 1] for first, last in pairwise(cuts)]


def _names(legs: list[TimedLeg]) -> Iterator[str]:
    """Return the legs' labels, or something short where a plotter could not hold them or tell them apart."""
    labels = [timed.leg.label for timed in legs]
    for timed, label in zip(legs, labels, strict=True):
        fits = _NAME.fullmatch(label) and labels.count(label) == 1
        yield label if fits else f"{timed.leg.kind[0].upper()}-{timed.seq}"


def _suffixes(count: int) -> list[str]:
    """Return what tells the parts of one leg apart.

    Examples
    --------
    >>> _suffixes(1), _suffixes(3), _suffixes(28)[25:]
    ([''], ['a', 'b', 'c'], ['az', 'ba', 'bb'])
    """
    if count == 1:
        return [""]
    letters = string.ascii_lowercase
    if count <= len(letters):
        return list(letters[:count])
    return [first + second for first in letters for second in letters][:count]


def _words(timed: TimedLeg, plan: Plan) -> str:
    leg = timed.leg
    line = "" if leg.depth_line_m is None else format_quantity(leg.depth_line_m, plan.area.show.depth)
    what = f"pass along the {line} line" if line else leg.kind
    side = f" to {leg.turn_side}" if leg.turn_side else ""
    when = f"{timed.start:%H:%M} to {timed.end:%H:%M}"
    sentences = [f"{what}{side}, {when}", leg.note.rstrip("."), "A plan, not for navigation"]
    return ". ".join(filter(None, sentences)) + "."


def _degrees(projection: LocalProjection, xy: FloatArray) -> Iterator[tuple[str, str]]:
    """Return positions as GPX wants them: no exponents, and -180 for the 180th meridian."""
    lon, lat = projection.to_geographic(xy[:, 0], xy[:, 1])
    lon = np.round(lon, 7)
    lon = np.where(lon >= 180.0, lon - 360.0, lon)  # noqa: PLR2004
    for east, north in zip(lon.tolist(), lat.tolist(), strict=True):
        yield f"{east:.7f}", f"{north:.7f}"


def _utc(moment: datetime) -> str:
    return (moment.astimezone(UTC) + timedelta(microseconds=500)).strftime("%Y-%m-%dT%H:%M:%S.%f")[:-3] + "Z"


def _text(parent: ET.Element, tag: str, text: str) -> None:
    ET.SubElement(parent, tag).text = _NOT_XML.sub("", text)
