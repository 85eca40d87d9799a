"""A plan's chart on one sheet of paper, at true scale."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
import shapely

from spotmap.paperclosed import paper_closed
from spotmap.paperframe import draw_graticule, draw_scales, draw_title
from spotmap.paperhatch import hatching, ticks
from spotmap.paperink import (
    CAUTION,
    DEPTHS,
    DRIES,
    HAZARD,
    INK,
    LAND,
    LAND_INK,
    LANE,
    LINE,
    PAPER,
    UNKNOWN,
    UNKNOWN_INK,
    fill,
    fonts,
    path,
    stroke,
)
from spotmap.paperkey import draw_key, key_entries
from spotmap.paperlabels import Label, Labels
from spotmap.papertracks import draw_tracks, paper_tracks, track_labels
from spotmap.paperwater import PaperWater, cut_to_chart, paper_water

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from shapely.geometry.base import BaseGeometry

    from layers.model import FloatArray, Mark
    from spotmap.model import Plan
    from spotmap.papersheets import ChartSheet

Edition = Literal["client", "crew"]
_MOST_SIGNS = 30
"""Of a chart's thousands of hazards only the nearest to the legs have a sign and a name, the rest are dots."""
_MOST_HAZARDS = 1500
_SIGN_PT = 3.4


@dataclass(frozen=True)
class Drawn:
    """What became of a chart's words: how many stand on it, and those that found no room."""

    labels: int
    left_out: tuple[str, ...]


def draw_chart(canvas: Any, plan: Plan, sheet: ChartSheet, *, edition: Edition) -> Drawn:
    """Draw a chart sheet on a page of a canvas that is as large as the sheet.

    Parameters
    ----------
    canvas
        A reportlab canvas; its state is as before afterwards.
    plan
        A checked plan; for clients one that holds no exact place of theirs (`clientplan`).
    sheet
        The sheet.
    edition
        "client" leaves private marks out.

    Returns
    -------
    Drawn
        Leg numbers and the names of closures are left out last of all.
    """
    fonts()
    frame = sheet.frame.chart
    rect = shapely.box(*frame)
    water = paper_water(plan, sheet)
    closed = paper_closed(plan, sheet, water.land)
    tracks = paper_tracks(plan, sheet)
    things = _things(plan, sheet)
    marks = [mark for mark in plan.area.marks if not (mark.private and edition == "client")]
    canvas.setViewerPreference("PrintScaling", "None")
    canvas.saveState()
    canvas.setLineJoin(1)
    clip = canvas.beginPath()
    clip.rect(frame[0], frame[1], frame[2] - frame[0], frame[3] - frame[1])
    canvas.saveState()
    canvas.clipPath(clip, stroke=0, fill=0)
    _draw_water(canvas, water, rect)
    for one in closed:
        stroke(canvas, hatching(one.shape, one.look.spacing, one.look.angle_deg), INK, one.look.width)
        stroke(canvas, one.rim, one.look.ink, one.look.rim_width, one.dash)
    lines = shapely.union_all([line.shape for line in water.lines])
    labels = Labels(frame, shapely.union_all([shapely.simplify(track.line, 0.4) for track in tracks]), lines)
    _draw_things(canvas, things, labels)
    draw_tracks(canvas, tracks)
    shown = _draw_marks(canvas, marks, sheet, labels)
    canvas.restoreState()
    for wanted in (
        *track_labels(tracks),
        *(one.label for one in closed),
        *(one.label for one in things if one.label is not None),
        *shown,
        *_depth_labels(water),
    ):
        labels.put(wanted)
    draw_graticule(canvas, sheet)
    labels.draw(canvas)
    draw_title(canvas, plan, sheet)
    draw_scales(canvas, plan, sheet)
    draw_key(canvas, sheet, key_entries(water, closed, tracks, {thing.kind for thing in things}), len(labels.left_out))
    canvas.restoreState()
    return Drawn(len(labels.placed), tuple(labels.left_out))


def _draw_water(canvas: Any, water: PaperWater, rect: BaseGeometry) -> None:
    fill(canvas, rect, UNKNOWN)
    fill(canvas, water.known, DRIES)
    for band in water.bands:
        fill(canvas, band.shape, DEPTHS[min(band.shade, len(DEPTHS) - 1)])
    stroke(canvas, ticks(water.unknown, 11.0, 2.4), UNKNOWN_INK, 0.5)
    for line in water.lines:
        stroke(canvas, line.shape, LINE, 0.75 if line.worked else 0.4)
    fill(canvas, water.land, LAND)
    stroke(canvas, shapely.boundary(water.land), LAND_INK, 0.6)


def _depth_labels(water: PaperWater) -> Iterator[Label]:
    """Yield labels along depth lines, those that are worked first: where a line is straightest, at some distance."""
    for line in sorted(water.lines, key=lambda one: not one.worked):
        parts = shapely.get_parts(shapely.line_merge(shapely.multilinestrings(_lines_of(line.shape))))
        parts = parts[shapely.length(parts) > _LINE_PT]
        for part in sorted(parts, key=lambda one: -one.length)[:4]:
            count = min(3, max(1, round(part.length / _LABEL_EVERY_PT)))
            for piece in range(count):
                begin, end = (part.length * at / count for at in (piece, piece + 1))
                yield Label((line.words,), _straightest(part, begin, end), "on", 5.6, bold=line.worked)


_LINE_PT, _LABEL_EVERY_PT = 45.0, 260.0


def _straightest(line: BaseGeometry, begin: float, end: float) -> FloatArray:
    """Return places along a piece of a line, the straightest first."""
    at = np.linspace(begin, end, max(5, int((end - begin) / 8.0)))[1:-1]
    here = shapely.get_coordinates(shapely.line_interpolate_point(line, at))
    sides = [
        shapely.get_coordinates(shapely.line_interpolate_point(line, np.clip(at + d, 0, line.length))) for d in (-9, 9)
    ]
    bent = np.hypot(*(here - (sides[0] + sides[1]) / 2).T)
    return np.asarray(here[np.argsort(np.round(bent, 1), kind="stable")])


def _lines_of(shape: BaseGeometry) -> list[BaseGeometry]:
    parts = shapely.get_parts(shape)
    return [part for one in parts[shapely.get_dimensions(parts) == 1] for part in shapely.get_parts(one)]


@dataclass(frozen=True)
class _Thing:
    """A hazard, a lane or a caution on the sheet; one without a label is a dot."""

    kind: Literal["hazard", "lane", "caution"]
    shape: BaseGeometry
    label: Label | None


def _things(plan: Plan, sheet: ChartSheet) -> list[_Thing]:
    area, rect = plan.area, shapely.box(*sheet.frame.chart)
    reach = shapely.box(*sheet.reach)
    found = []
    near = np.array([hazard.shape for hazard in area.hazards], dtype=object)
    legs = shapely.MultiLineString([leg.leg.xy for leg in plan.legs])
    away = np.where(shapely.intersects(reach, near), shapely.distance(legs, near), np.inf)
    nearest = [i for i in np.argsort(away, kind="stable")[:_MOST_HAZARDS].tolist() if np.isfinite(away[i])]
    for rank, i in enumerate(nearest):
        hazard = area.hazards[i]
        shape = shapely.intersection(sheet.drawn(hazard.shape), rect)
        if shape.is_empty:
            continue
        name = _named(hazard.name, hazard.kind)
        label = Label(name, _anchors(shape), size=6.0, bold=True, gap=_SIGN_PT + 1.2) if rank < _MOST_SIGNS else None
        found.append(_Thing("hazard", shape, label))
    for kind, every, ink in (("lane", area.lanes, LANE), ("caution", area.cautions, CAUTION)):
        for one in every:
            cut = (
                cut_to_chart(sheet, one.shape) if one.shape.area else shapely.intersection(sheet.drawn(one.shape), rect)
            )
            if not cut.is_empty:
                how: Literal["beside", "on"] = "on" if cut.length else "beside"
                label = Label(_named(one.name, one.kind), _anchors(cut), how, 6.0, ink=ink)
                found.append(_Thing(kind, cut, label))  # type: ignore[arg-type]
    return found


def _named(name: str, kind: str) -> tuple[str, ...]:
    return tuple(part for part in (name, kind) if part) if kind.casefold() != name.casefold() else (name,)


def _anchors(shape: BaseGeometry) -> FloatArray:
    """Return places to name a thing at: on it, within it, or along its lines."""
    if not shape.length:
        return np.asarray(shapely.get_coordinates(shape)[:1])
    parts = shapely.get_parts(shape)
    longest = parts[np.argmax(shapely.length(parts))]
    if shapely.get_dimensions(longest) == 1:
        shares = (0.5, 0.35, 0.65, 0.2, 0.8, 0.1, 0.9)
        return np.asarray(shapely.get_coordinates(shapely.line_interpolate_point(longest, shares, normalized=True)))
    return np.asarray(shapely.get_coordinates([shapely.point_on_surface(longest), shapely.centroid(longest)]))


def _draw_things(canvas: Any, things: Sequence[_Thing], labels: Labels) -> None:
    for thing in things:
        if thing.kind == "lane":
            stroke(canvas, _rim(thing.shape), LANE, 0.9, (9.0, 3.0, 1.2, 3.0))
        elif thing.kind == "caution":
            stroke(canvas, _rim(thing.shape), CAUTION, 0.8, (0.8, 2.0))
            _dots(canvas, thing.shape, CAUTION)
        else:
            _hazard(canvas, thing, labels)


def _rim(shape: BaseGeometry) -> BaseGeometry:
    return shapely.boundary(shape) if shape.area else shape


def _hazard(canvas: Any, thing: _Thing, labels: Labels) -> None:
    fill(canvas, thing.shape, HAZARD)
    stroke(canvas, _rim(thing.shape), PAPER, 2.6)
    stroke(canvas, _rim(thing.shape), INK, 1.0, (2.0, 1.0))
    for x, y in _anchors(thing.shape)[:1].tolist():
        if thing.label is None:
            canvas.setFillColor(INK)
            canvas.circle(x, y, 0.9, stroke=0, fill=1)
            continue
        half = _SIGN_PT
        sign = shapely.Polygon([(x, y + half), (x + half, y), (x, y - half), (x - half, y)])
        canvas.setStrokeColor(INK)
        canvas.setLineWidth(0.9)
        canvas.setFillColor(HAZARD)
        canvas.drawPath(path(canvas, sign), stroke=1, fill=1)
        canvas.setFillColor(INK)
        canvas.circle(x, y, 0.8, stroke=0, fill=1)
        labels.reserve((x - half, y - half, x + half, y + half))


def _dots(canvas: Any, shape: BaseGeometry, ink: Any) -> None:
    if not shape.length:
        canvas.setFillColor(ink)
        for x, y in shapely.get_coordinates(shape).tolist():
            canvas.circle(x, y, 1.4, stroke=0, fill=1)


def _draw_marks(canvas: Any, marks: Sequence[Mark], sheet: ChartSheet, labels: Labels) -> list[Label]:
    """Draw marks, private ones as squares, and return their names."""
    left, bottom, right, top = sheet.frame.chart
    found = []
    for mark in marks:
        if mark.point.is_empty:
            continue
        x, y = (float(value) for value in sheet.to_page(mark.point.x, mark.point.y))
        if not (left < x < right and bottom < y < top):
            continue
        canvas.setStrokeColor(INK)
        canvas.setLineWidth(1.0)
        canvas.setFillColor(PAPER)
        if mark.private:
            canvas.rect(x - 2.2, y - 2.2, 4.4, 4.4, stroke=1, fill=1)
        else:
            canvas.circle(x, y, 2.4, stroke=1, fill=1)
        canvas.setFillColor(INK)
        canvas.circle(x, y, 0.8, stroke=0, fill=1)
        labels.reserve((x - 2.6, y - 2.6, x + 2.6, y + 2.6))
        name = mark.name or mark.kind
        found.append(Label((name, "private") if mark.private else (name,), np.array([[x, y]]), size=6.4, gap=4.0))
    return found
