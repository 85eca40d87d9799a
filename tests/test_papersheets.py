from __future__ import annotations

import io
from dataclasses import replace
from typing import Any

import numpy as np
import pdfplumber
import pytest
from pyproj import Geod
from reportlab.pdfgen.canvas import Canvas

from layers.projection import LocalProjection
from spotmap.model import Plan
from spotmap.papersheets import OVERLAP_MM, POINTS_PER_MM, SCALES, ChartSheet, Frame, choose_sheets
from tests.plan_fixture import build_plan

GEOD = Geod(ellps="WGS84")
MARK = (0.9, 0.1, 0.7)
"""A colour that no chart uses."""
PLACES = [(-140.0, 47.0), (5.0, 60.0), (180.0, -16.0), (-179.99, 60.0)]


def measured(sheet: ChartSheet, lonlat: np.ndarray) -> np.ndarray:
    """Where a PDF reader finds small marks drawn at positions, points from its lower left."""
    file = io.BytesIO()
    canvas = Canvas(file, pagesize=sheet.frame.size, invariant=1)
    canvas.setFillColorRGB(*MARK)
    for x, y in np.column_stack(sheet.place(lonlat[:, 0], lonlat[:, 1])):
        canvas.rect(x - 0.5, y - 0.5, 1.0, 1.0, stroke=0, fill=1)
    canvas.save()
    with pdfplumber.open(io.BytesIO(file.getvalue())) as opened:
        page = opened.pages[0]
        marks = [one for one in page.rects if np.allclose(one["non_stroking_color"], MARK, atol=1e-3)]
        return np.array([((m["x0"] + m["x1"]) / 2, (m["y0"] + m["y1"]) / 2) for m in marks], dtype=float)


@pytest.mark.parametrize(("lon", "lat"), PLACES)
@pytest.mark.parametrize("paper", ["Letter", "A4"])
@pytest.mark.parametrize("way", ["portrait", "landscape"])
@pytest.mark.parametrize("scale", [10_000, 100_000])
def test_distances_on_paper_are_those_of_the_earth(lon: float, lat: float, paper: Any, way: Any, scale: int) -> None:
    sheet = ChartSheet(scale, Frame(paper, way), lon, lat, LocalProjection(lon, lat))
    left, bottom, right, top = sheet.frame.chart
    across = np.array([left, right, left, right, left])
    up = np.array([bottom, top, top, bottom, (bottom + top) / 2])
    lonlat = np.column_stack(sheet.position(across, up))
    found = measured(sheet, lonlat)
    assert len(found) == len(lonlat)
    for one, other in [(0, 1), (2, 3), (0, 2), (0, 3), (4, 1)]:
        true_m = GEOD.inv(*lonlat[one], *lonlat[other])[2]
        paper_m = float(np.hypot(*(found[one] - found[other]))) / POINTS_PER_MM / 1000.0 * scale
        assert paper_m == pytest.approx(true_m, rel=1e-4)


@pytest.mark.parametrize(("lon", "lat"), PLACES)
def test_legs_lie_on_paper_where_they_lie_on_earth(lon: float, lat: float) -> None:
    plan = build_plan(lon0_deg=lon, lat0_deg=lat)
    (sheet,) = choose_sheets(plan, "Letter")
    xy = np.concatenate([leg.leg.xy for leg in plan.legs])[::50]
    across, up = sheet.to_page(xy[:, 0], xy[:, 1])
    left, bottom, right, top = sheet.frame.chart
    assert ((across > left) & (across < right) & (up > bottom) & (up < top)).all()
    lon_deg, lat_deg = plan.area.projection.to_geographic(xy[:, 0], xy[:, 1])
    true_m = GEOD.inv(lon_deg[:-1], lat_deg[:-1], lon_deg[1:], lat_deg[1:])[2]
    paper_m = np.hypot(np.diff(across), np.diff(up)) / sheet.points_per_m
    assert np.abs(paper_m - true_m).max() < 1e-4 * true_m.max()


def stretched(plan: Plan, by: tuple[float, float]) -> Plan:
    legs = tuple(replace(leg, leg=replace(leg.leg, xy=leg.leg.xy * by)) for leg in plan.legs)
    home = type(plan.trip.home)(plan.trip.home.x * by[0], plan.trip.home.y * by[1])
    return replace(plan, legs=legs, trip=replace(plan.trip, home=home))


def test_the_largest_standard_scale_that_fits_is_taken() -> None:
    plan = build_plan()
    (sheet,) = choose_sheets(plan, "Letter")
    assert sheet.scale in SCALES
    xy = np.concatenate([leg.leg.xy for leg in plan.legs])
    size_pt = np.ptp(np.column_stack(sheet.to_page(xy[:, 0], xy[:, 1])), axis=0)
    assert (size_pt <= sheet.frame.room).all()
    finer = SCALES[SCALES.index(sheet.scale) - 1]
    for way in ("portrait", "landscape"):
        assert (size_pt * sheet.scale / finer > Frame("Letter", way).room).any()


def test_the_shape_of_the_plan_turns_the_sheet() -> None:
    plan = build_plan()
    (wide,), (tall,) = (choose_sheets(stretched(plan, by), "A4") for by in ((1.0, 0.3), (0.3, 3.0)))
    assert wide.frame.orientation == "landscape"
    assert tall.frame.orientation == "portrait"


def test_a_plan_too_large_for_one_sheet_takes_several_that_overlap() -> None:
    plan = stretched(build_plan(), (12.0, 12.0))
    sheets = [sheet for sheet in choose_sheets(plan, "Letter") if sheet.kind == "part"]
    assert len(sheets) > 1
    assert {sheet.scale for sheet in sheets} == {100_000}
    xy = np.concatenate([leg.leg.xy for leg in plan.legs])
    seen = np.zeros(len(xy), dtype=bool)
    for sheet in sheets:
        left, bottom, right, top = sheet.frame.chart
        across, up = sheet.to_page(xy[:, 0], xy[:, 1])
        seen |= (across >= left) & (across <= right) & (up >= bottom) & (up <= top)
    assert seen.all()
    least = OVERLAP_MM * POINTS_PER_MM
    boxes = [sheets[0].place(*sheet.position(*np.array(sheet.frame.chart).reshape(2, 2).T)) for sheet in sheets]
    for one in range(len(boxes)):
        shared = []
        for other in range(len(boxes)):
            if other != one:
                low = np.maximum(*(np.array([b[0][0], b[1][0]]) for b in (boxes[one], boxes[other])))
                high = np.minimum(*(np.array([b[0][1], b[1][1]]) for b in (boxes[one], boxes[other])))
                shared.append((high - low).min())
        assert max(shared) >= least - 1.0


def test_small_work_on_a_long_trip_has_a_closer_sheet() -> None:
    plan = build_plan()
    far = replace(plan, trip=replace(plan.trip, home=type(plan.trip.home)(-16_000.0, -12_000.0)))
    whole, detail = choose_sheets(far, "Letter")
    assert (whole.kind, detail.kind, whole.number, detail.number, detail.count) == ("whole", "detail", 1, 2, 2)
    assert detail.scale * 2 <= whole.scale
