"""The legs on a chart sheet: tracks that laps share, their numbers in working order, and arrows along them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from spotmap.paperink import INK, PAPER, PASS, RUN, TURN, path, stroke
from spotmap.paperlabels import Label

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from shapely.geometry.base import BaseGeometry

    from layers.model import FloatArray
    from spotmap.model import LegKind, Plan
    from spotmap.papersheets import ChartSheet

_SAME_PT = 3.4
"""Tracks that run within 1.2 mm of each other the same way share their number."""
_FINE_PT = 0.05
_SHAPE_PT = 0.5
LOOKS: dict[LegKind, tuple[Any, float, tuple[float, ...]]] = {
    "pass": (PASS, 1.8, ()),
    "turn": (TURN, 1.1, ()),
    "run": (RUN, 0.75, (4.0, 2.2)),
}
"""Colour, width and dash of each kind of leg."""
AREA_LOOK: tuple[Any, float, tuple[float, ...]] = (PASS, 1.6, (7.0, 2.5, 1.5, 2.5))
_CASING_PT = 1.8
_ARROW_PT, _ARROW_WIDE_PT = 4.6, 3.0
_ARROW_EVERY_PT, _LEAST_ARROW_PT = 80.0, 9.0
_IN_A_ROW = 6


@dataclass(frozen=True)
class Track:
    """A track in points, (n, 2), cut to the chart, and the legs that go along it; `area` if it is a working area's rim.

    `words` name a working area.
    """

    kind: LegKind
    seqs: tuple[int, ...]
    line: BaseGeometry
    area: bool
    words: tuple[str, ...]


def paper_tracks(plan: Plan, sheet: ChartSheet) -> tuple[Track, ...]:
    """Return the tracks that lie on a sheet, legs that share one together, in working order."""
    rect = shapely.box(*sheet.frame.chart)
    shared: dict[bytes, list[int]] = {}
    for index, leg in enumerate(plan.legs):
        shared.setdefault(leg.leg.kind.encode() + leg.leg.xy.tobytes(), []).append(index)
    tracks = []
    for indices in shared.values():
        first = plan.legs[indices[0]].leg
        drawn = np.column_stack(sheet.to_page(first.xy[:, 0], first.xy[:, 1]))
        line = shapely.intersection(shapely.simplify(shapely.linestrings(drawn), _FINE_PT), rect)
        if line.is_empty or not line.length:
            continue
        area = first.kind == "pass" and bool((first.xy[0] == first.xy[-1]).all()) and first.off_line is None
        words = (first.label, *((first.note,) if first.note else ())) if area else ()
        tracks.append(Track(first.kind, tuple(plan.legs[i].seq for i in indices), line, area, words))
    return tuple(tracks)


def draw_tracks(canvas: Any, tracks: Sequence[Track]) -> None:
    """Draw all tracks on a white casing, then the arrows."""
    order: tuple[LegKind, ...] = ("run", "turn", "pass")
    ordered = [track for kind in order for track in tracks if track.kind == kind]
    for track in ordered:
        stroke(canvas, track.line, PAPER, LOOKS[track.kind][1] + _CASING_PT)
    for track in ordered:
        stroke(canvas, _one_way(track.line), *(AREA_LOOK if track.area else LOOKS[track.kind]))
    for track in ordered:
        if not track.area:
            for tip, way in _arrows(track.line):
                _arrow(canvas, tip, way, track.kind)


def _one_way(line: BaseGeometry) -> BaseGeometry:
    """Return a track that begins at its western end: dashes there and back fall together, or they would fill."""
    first, last = shapely.get_coordinates(line)[[0, -1]].tolist()
    return shapely.reverse(line) if last < first else line


def track_labels(tracks: Sequence[Track]) -> Iterator[Label]:
    """Yield the numbers of the legs: every one must be told."""
    for group in _alike(tracks):
        first = group[0]
        numbers = sorted(seq for track in group for seq in track.seqs)
        rows = [numbers[i : i + _IN_A_ROW] for i in range(0, len(numbers), _IN_A_ROW)]
        lines = (" · ".join(map(str, row)) + (" ·" if row is not rows[-1] else "") for row in rows)
        if first.area:
            yield Label((*lines, *first.words), _inside(first.line), "on", 7.2, bold=True, must=True, rim=PASS)
            continue
        size, rim = (6.4, PASS) if first.kind == "pass" else (6.0, LOOKS[first.kind][0])
        bold = first.kind == "pass"
        yield Label(tuple(lines), _along(first.line), "beside", size, bold, must=True, rim=rim, ink=INK, gap=2.6)


def _alike(tracks: Sequence[Track]) -> list[list[Track]]:
    """Return tracks in groups that paper cannot tell apart, in working order."""
    shapes = [shapely.simplify(track.line, _SHAPE_PT) for track in tracks]
    groups: list[list[int]] = []
    for index, track in enumerate(tracks):
        for group in groups:
            other = tracks[group[0]]
            if (track.kind, track.area, track.words) == (other.kind, other.area, other.words) and _same(
                shapes[index], shapes[group[0]]
            ):
                group.append(index)
                break
        else:
            groups.append([index])
    return [[tracks[i] for i in group] for group in groups]


def _same(one: BaseGeometry, other: BaseGeometry) -> bool:
    ends = [np.concatenate([xy[:1], xy[-1:]]) for xy in map(shapely.get_coordinates, (one, other))]
    if np.hypot(*(ends[0] - ends[1]).T).max() > 3.0 * _SAME_PT:
        return False
    inner = shapely.difference(one, shapely.buffer(other, _SAME_PT, quad_segs=4))
    return bool(inner.length <= 3.0 * _SAME_PT)


def _longest(line: BaseGeometry) -> BaseGeometry:
    parts = shapely.get_parts(shapely.line_merge(line) if line.geom_type == "MultiLineString" else line)
    parts = parts[shapely.get_dimensions(parts) == 1]
    return parts[np.argmax(shapely.length(parts))]


def _along(line: BaseGeometry) -> FloatArray:
    shares = (0.5, 0.4, 0.6, 0.3, 0.7, 0.2, 0.8)
    return np.asarray(shapely.get_coordinates(shapely.line_interpolate_point(_longest(line), shares, normalized=True)))


def _inside(line: BaseGeometry) -> FloatArray:
    """Return places within the box round a line, from its middle outwards."""
    west, south, east, north = line.bounds
    x, y = np.meshgrid(np.linspace(west, east, 13)[1:-1], np.linspace(south, north, 13)[1:-1])
    places = np.column_stack([x.ravel(), y.ravel()])
    away = np.hypot(*(places - ((west + east) / 2, (south + north) / 2)).T)
    return places[np.argsort(away, kind="stable")]


def _arrows(line: BaseGeometry) -> Iterator[tuple[FloatArray, FloatArray]]:
    """Yield tips and directions, evenly along every piece that is long enough."""
    parts = shapely.get_parts(line)
    for part in parts[shapely.get_dimensions(parts) == 1]:
        if part.length < _LEAST_ARROW_PT:
            continue
        count = max(1, round(part.length / _ARROW_EVERY_PT))
        for at in (np.arange(count) + 0.5) / count * part.length + _ARROW_PT / 2:
            tip, tail = (shapely.get_coordinates(part.interpolate(d))[0] for d in (at, at - _ARROW_PT))
            length = float(np.hypot(*(tip - tail)))
            if length > 0:
                yield tip, (tip - tail) / length


def _arrow(canvas: Any, tip: FloatArray, way: FloatArray, kind: LegKind) -> None:
    side = np.array([-way[1], way[0]]) * _ARROW_WIDE_PT / 2
    back = tip - _ARROW_PT * way
    head = shapely.Polygon([tip, back + side, back + 0.25 * _ARROW_PT * way, back - side])
    canvas.setStrokeColor(PAPER)
    canvas.setLineWidth(0.8)
    canvas.setFillColor(LOOKS[kind][0])
    canvas.drawPath(path(canvas, head), stroke=1, fill=0)
    canvas.drawPath(path(canvas, head), stroke=0, fill=1)
