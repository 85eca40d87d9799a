"""What stands round a chart on paper: degrees and minutes, title, scale bars, north."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from spotmap.paperink import BOLD, FONT, GRATICULE, INK, PAPER, fitted, stroke, width_of
from spotmap.papersheets import FOOT_PT, KEY_PT, MARGIN_PT, OVERLAP_MM, POINTS_PER_MM

if TYPE_CHECKING:
    from collections.abc import Iterator

    from layers.model import FloatArray
    from spotmap.model import Plan
    from spotmap.papersheets import ChartSheet

_STEPS_MIN = (0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 15.0, 20.0, 30.0, 60.0)
_LEAST_APART_PT = 95.0
_SMALL, _TINY = 6.2, 5.8
_NM_M = 1852.0
_BAR_NM = (0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0)
_BAR_M = (100.0, 200.0, 500.0, 1000.0, 2000.0, 5000.0, 10000.0)
_LONGEST_BAR_PT = 230.0
_CHECK_MM = 100.0
_NORTH_PT = 330.0
_UNITS = {"ft": "feet", "m": "metres", "fm": "fathoms"}


def draw_graticule(canvas: Any, sheet: ChartSheet) -> None:
    """Draw meridians and parallels, their degrees and minutes at the frame, and the frame."""
    left, bottom, right, top = sheet.frame.chart
    rect = shapely.box(left, bottom, right, top)
    share = np.linspace(0.0, 1.0, 9)
    across, up = left + share * (right - left), bottom + share * (top - bottom)
    lon, lat = sheet.position(
        np.concatenate([across, across, 0 * up + left, 0 * up + right]),
        np.concatenate([0 * across + bottom, 0 * across + top, up, up]),
    )
    lon_step = _step(np.ptp(lon), right - left)
    lat_step = _step(np.ptp(lat), top - bottom)
    canvas.setFillColor(INK)
    along_lat = np.linspace(lat.min(), lat.max(), 17)
    for degrees in _rounds(lon, lon_step):
        line = shapely.linestrings(np.column_stack(sheet.place(np.full(17, degrees), along_lat)))
        stroke(canvas, shapely.intersection(line, rect), GRATICULE, 0.3)
        said = _angle((degrees + 180.0) % 360.0 - 180.0, lon_step, "EW")
        for level, base in ((bottom, bottom - 8.2), (top, top + 3.4)):
            x = _crossing(line, shapely.linestrings([(left, level), (right, level)]), 0)
            if x is not None and left + 26 < x < right - 26:
                canvas.setFont(FONT, _SMALL)
                canvas.drawCentredString(x, base, "".join(said))
    along_lon = np.linspace(lon.min(), lon.max(), 17)
    for degrees in _rounds(lat, lat_step):
        line = shapely.linestrings(np.column_stack(sheet.place(along_lon, np.full(17, degrees))))
        stroke(canvas, shapely.intersection(line, rect), GRATICULE, 0.3)
        said = _angle(degrees, lat_step, "NS")
        for side, x in ((left, MARGIN_PT), (right, right + 3.0)):
            y = _crossing(line, shapely.linestrings([(side, bottom), (side, top)]), 1)
            if y is not None and bottom + 12 < y < top - 12:
                canvas.setFont(FONT, _TINY)
                canvas.drawString(x, y + 1.2, said[0])
                canvas.drawString(x, y - 6.2, said[1])
    canvas.setStrokeColor(INK)
    canvas.setLineWidth(1.2)
    canvas.rect(left, bottom, right - left, top - bottom, stroke=1, fill=0)


def _step(span_deg: float, span_pt: float) -> float:
    """Return minutes from line to line, so that their labels have room."""
    most = max(1.0, span_pt / _LEAST_APART_PT)
    return next((step for step in _STEPS_MIN if span_deg * 60.0 / step <= most), _STEPS_MIN[-1])


def _rounds(values: FloatArray, step_min: float) -> Iterator[float]:
    first, last = np.ceil(values.min() * 60.0 / step_min), np.floor(values.max() * 60.0 / step_min)
    yield from (float(value) for value in np.arange(first, last + 1) * step_min / 60.0)


def _crossing(line: Any, edge: Any, axis: int) -> float | None:
    xy = shapely.get_coordinates(shapely.intersection(line, edge))
    return float(xy[0, axis]) if len(xy) else None


def _angle(degrees: float, step_min: float, letters: str) -> tuple[str, str]:
    """Return degrees, and minutes with the letter, as fine as the step."""
    tenths = round(abs(degrees) * 600.0)
    whole, minutes = divmod(tenths, 600)
    said = f"{minutes / 10:04.1f}" if step_min < 1.0 else f"{minutes // 10:02d}"
    return f"{whole:0{3 if letters == 'EW' else 2}d}°", f"{said}'{letters[degrees < 0]}"


def draw_title(canvas: Any, plan: Plan, sheet: ChartSheet) -> None:
    """Write what the chart is of, for which day, in what units and datum, and what it is not for."""
    width, height = sheet.frame.size
    area, top = plan.area, height - MARGIN_PT
    day = plan.trip.start.astimezone(area.timezone)
    warning = "PLAN, NOT FOR NAVIGATION"
    wide = width_of(warning, 8.0, BOLD) + 10.0
    canvas.setStrokeColor(INK)
    canvas.setLineWidth(1.2)
    canvas.rect(width - MARGIN_PT - wide, top - 14.0, wide, 14.0, stroke=1, fill=0)
    canvas.setFillColor(INK)
    canvas.setFont(BOLD, 8.0)
    canvas.drawString(width - MARGIN_PT - wide + 5.0, top - 9.9, warning)
    canvas.setFont(BOLD, 14.0)
    name = f"{area.name}{' (INVENTED)' if area.invented else ''}"
    canvas.drawString(MARGIN_PT, top - 12.0, fitted(name, width - 2 * MARGIN_PT - wide - 12.0, 14.0, BOLD))
    room = width - 2 * MARGIN_PT
    which = {"whole": "", "part": f"sheets share at least {OVERLAP_MM:.0f} mm", "detail": "a piece of work, closer"}
    sheets = "" if sheet.count == 1 else f"sheet {sheet.number} of {sheet.count}"
    first = (
        f"{day:%A} {day.day} {day:%B %Y}",
        f"scale 1:{sheet.scale:,}",
        f"printed on {sheet.frame.paper}",
        sheets,
        which[sheet.kind] if sheet.count > 1 else "",
    )
    dated: dict[str, list[str]] = {}
    for one in area.sources:
        if one.role == "depth":
            when = f"{one.as_of}" if one.as_of else "undated"
            dated.setdefault(one.source or "source not told", []).append(when)
    told = (f"{source} ({', '.join(dict.fromkeys(days))})" for source, days in dated.items())
    unit = _UNITS.get(area.show.depth, area.show.depth)
    second = (
        f"Depths in {unit} below {area.depth_datum}",
        "positions WGS 84",
        "transverse Mercator",
        f"depth: {'; '.join(told)}" if dated else "",
    )
    for base, words, size in ((25.0, first, 7.4), (35.0, second, 6.4)):
        canvas.setFont(FONT, size)
        canvas.drawString(MARGIN_PT, top - base, fitted(" · ".join(filter(None, words)), room, size))


def draw_scales(canvas: Any, plan: Plan, sheet: ChartSheet) -> None:
    """Draw scale bars, a line to measure, and north, in the lower left of the sheet."""
    top = FOOT_PT + KEY_PT - 4.0
    _bars(canvas, sheet, top)
    _north(canvas, plan, MARGIN_PT + _NORTH_PT, top)


def _bars(canvas: Any, sheet: ChartSheet, top: float) -> None:
    canvas.setFillColor(INK)
    for values, unit_m, unit, base in ((_BAR_NM, _NM_M, "NM", top - 16.0), (_BAR_M, 1.0, "m", top - 42.0)):
        fits = [value for value in values if value * unit_m * sheet.points_per_m <= _LONGEST_BAR_PT]
        value = fits[-1] if fits else values[0]
        length = value * unit_m * sheet.points_per_m
        for piece in range(4):
            canvas.setStrokeColor(INK)
            canvas.setLineWidth(0.6)
            canvas.setFillColor(PAPER if piece % 2 else INK)
            canvas.rect(MARGIN_PT + piece * length / 4, base, length / 4, 4.0, stroke=1, fill=1)
        canvas.setFillColor(INK)
        canvas.setFont(FONT, _SMALL)
        for share in (0.0, 0.5, 1.0):
            said = f"{value * share:g}" + (f" {unit}" if share == 1.0 else "")
            canvas.drawString(MARGIN_PT + share * length - (0.0 if share == 0.0 else 3.0), base + 6.2, said)
    base, length = top - 68.0, _CHECK_MM * POINTS_PER_MM
    canvas.setLineWidth(0.8)
    canvas.line(MARGIN_PT, base, MARGIN_PT + length, base)
    for x in (MARGIN_PT, MARGIN_PT + length):
        canvas.line(x, base - 3.0, x, base + 3.0)
    canvas.setFont(FONT, _SMALL)
    canvas.drawString(MARGIN_PT + 4.0, base + 3.4, "100 mm: measure this line; if it differs, the scale is not true")


def _north(canvas: Any, plan: Plan, x: float, top: float) -> None:
    """Draw arrows to true and magnetic north; the needle's is where the compass of the day points."""
    foot, high = top - 58.0, 44.0
    variation = plan.magnetic_variation_deg
    for degrees, words, half in ((0.0, "true", 2.6), (variation, "magnetic", 1.8)):
        turn = np.radians(degrees)
        way, side = np.array([np.sin(turn), np.cos(turn)]), np.array([np.cos(turn), -np.sin(turn)])
        base, tip = np.array([x, foot]), np.array([x, foot]) + high * way
        canvas.setStrokeColor(INK)
        canvas.setLineWidth(0.9 if words == "true" else 0.6)
        canvas.setDash([] if words == "true" else [3.0, 1.6])
        canvas.line(*base, *tip)
        canvas.setDash([])
        head = canvas.beginPath()
        head.moveTo(*tip)
        head.lineTo(*(tip - 7.0 * way + half * side))
        head.lineTo(*(tip - 7.0 * way - half * side))
        head.close()
        canvas.setFillColor(INK if words == "true" else PAPER)
        canvas.drawPath(head, stroke=1, fill=1)
    canvas.setFillColor(INK)
    canvas.setFont(BOLD, 7.0)
    canvas.drawCentredString(x + (-6.0 if variation >= 0 else 6.0), foot + high + 3.0, "N")
    canvas.setFont(FONT, _TINY)
    letter = "E" if variation >= 0 else "W"
    said = ("solid: true", "dashed: magnetic", f"variation {abs(variation):.1f}° {letter}", f"({plan.trip.date.year})")
    for row, words in enumerate(said):
        canvas.drawCentredString(x, foot - 8.0 - 7.2 * row, words)
