from __future__ import annotations

import io
import re
import subprocess
import time
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pdfplumber
import pytest
import shapely
from reportlab.lib.colors import HexColor
from reportlab.pdfgen.canvas import Canvas

from layers.area import open_area
from layers.model import Mark
from spotmap import paperink
from spotmap.model import Plan
from spotmap.paperchart import Drawn, draw_chart
from spotmap.paperclosed import paper_closed
from spotmap.paperhatch import hatching
from spotmap.papersheets import POINTS_PER_MM, ChartSheet, choose_sheets
from spotmap.paperwater import paper_water
from spotmap.planner import make_plan
from spotmap.trip import read_trip
from tests.plan_fixture import build_plan
from tests.test_papersheets import stretched

ROOT = Path(__file__).parents[1]
PAPERS: tuple[Any, ...] = ("Letter", "A4")


@cache
def demo() -> Plan:
    area = open_area(ROOT / "demo_area")
    return make_plan(area, read_trip(ROOT / "demo_area" / "trip.toml", area))


def chart(plan: Plan, paper: Any = "Letter", edition: Any = "crew") -> tuple[bytes, ChartSheet, Drawn]:
    sheet = choose_sheets(plan, paper)[0]
    file = io.BytesIO()
    canvas = Canvas(file, pagesize=sheet.frame.size, invariant=1, pageCompression=1)
    drawn = draw_chart(canvas, plan, sheet, edition=edition)
    canvas.save()
    return file.getvalue(), sheet, drawn


def page_of(content: bytes) -> Any:
    return pdfplumber.open(io.BytesIO(content)).pages[0]


def words(content: bytes) -> list[dict[str, Any]]:
    return page_of(content).extract_words(x_tolerance=1.5, y_tolerance=1.0)


def text(content: bytes) -> str:
    return " ".join(one["text"] for one in words(content))


def overlaps(found: list[dict[str, Any]]) -> list[tuple[str, str]]:
    boxes = shapely.box(*np.array([[w["x0"] + 0.3, w["top"] + 1.2, w["x1"] - 0.3, w["bottom"] - 1.2] for w in found]).T)
    one, other = shapely.STRtree(boxes).query(boxes, predicate="intersects")
    return [(found[i]["text"], found[j]["text"]) for i, j in zip(one.tolist(), other.tolist(), strict=True) if i < j]


@pytest.mark.parametrize("paper", PAPERS)
@pytest.mark.parametrize("name", ["demo", "fixture", "lying", "crowded"])
def test_words_never_cover_words(name: str, paper: Any) -> None:
    plan = demo() if name == "demo" else build_plan(laps=3 if name == "crowded" else 1)
    if name == "lying":
        legs = tuple(replace(leg, leg=replace(leg.leg, xy=leg.leg.xy * (1.0, 0.4))) for leg in plan.legs)
        plan = replace(plan, legs=legs, trip=replace(plan.trip, home=type(plan.trip.home)()))
    if name == "crowded":
        mark = plan.area.marks[0]
        at = shapely.points(np.random.default_rng(7).uniform(-900.0, 900.0, (160, 2)))
        marks = tuple(replace(mark, name=f"Mark number {i}", point=point) for i, point in enumerate(at))
        plan = replace(plan, area=replace(plan.area, marks=marks))
    content, sheet, drawn = chart(plan, paper)
    if name == "lying":
        assert sheet.frame.orientation == "landscape"
    found = words(content)
    assert len(found) > 60
    assert overlaps(found) == []
    assert all(w["x0"] >= 0 and w["x1"] <= sheet.frame.size[0] for w in found)
    said = text(content)
    for count in {len(drawn.left_out)} - {0}:
        assert f"{count} name{'' if count == 1 else 's'} found no room here." in said
    if name == "crowded":
        assert drawn.left_out


def test_the_check_for_covered_words_finds_them() -> None:
    file = io.BytesIO()
    canvas = Canvas(file, invariant=1)
    canvas.drawString(100, 100, "Gull")
    canvas.drawString(110, 103, "Point")
    canvas.save()
    assert [set(pair) for pair in overlaps(words(file.getvalue()))] == [{"Gull", "Point"}]


@pytest.mark.parametrize("paper", PAPERS)
def test_every_leg_and_every_closure_is_told(paper: Any) -> None:
    plan = demo()
    content, sheet, drawn = chart(plan, paper)
    told = {int(number) for number in re.findall(r"\d+", " ".join(w["text"] for w in words(content)))}
    assert set(range(1, len(plan.legs) + 1)) <= told
    land = paper_water(plan, sheet).land
    for one in paper_closed(plan, sheet, land):
        assert one.label.lines[0] in text(content)
        assert " ".join(one.label.lines) not in drawn.left_out


def test_laps_share_their_number_in_working_order() -> None:
    plan = build_plan(laps=3)
    passes = [leg.seq for leg in plan.legs if leg.leg.kind == "pass"]
    by_track: dict[bytes, list[int]] = {}
    for leg in plan.legs:
        if leg.leg.kind == "pass":
            by_track.setdefault(leg.leg.xy.tobytes(), []).append(leg.seq)
    assert max(len(seqs) for seqs in by_track.values()) == 3
    assert len(passes) == 6
    said = text(chart(plan)[0])
    for seqs in by_track.values():
        assert " · ".join(map(str, seqs)) in said


def test_the_legs_own_lines_are_at_scale_on_paper() -> None:
    """Read back from the PDF: the run out, against its length on the earth."""
    plan = demo()
    content, sheet, _ = chart(plan)
    run = plan.legs[0]
    ink = tuple(paperink.RUN.rgb())
    page = page_of(content)
    lines = [one for one in (*page.lines, *page.curves) if np.allclose(one["stroking_color"] or (9,), ink, atol=2e-3)]
    drawn = [np.array([(x, float(page.height) - y) for x, y in one["pts"]], dtype=float) for one in lines]
    whole = np.column_stack(sheet.to_page(run.leg.xy[:, 0], run.leg.xy[:, 1]))
    ends = whole[[0, -1]]
    both = [pts[::step] for pts in drawn for step in (1, -1)]
    nearest = min(both, key=lambda pts: float(np.hypot(*(pts[[0, -1]] - ends).T).sum()))
    assert np.hypot(*(nearest[[0, -1]] - ends).T).max() < 0.01
    length_m = np.hypot(*np.diff(nearest, axis=0).T).sum() / POINTS_PER_MM / 1000.0 * sheet.scale
    assert length_m == pytest.approx(run.length_m, rel=2e-3)


def test_a_line_of_100_mm_is_100_mm() -> None:
    page = page_of(chart(demo())[0])
    assert any(float(one["width"]) == pytest.approx(100.0 * POINTS_PER_MM, abs=1e-3) for one in page.lines)


def grey(content: bytes, tmp_path: Path, *how: str) -> np.ndarray:
    file = tmp_path / "chart.pdf"
    file.write_bytes(content)
    subprocess.run(["pdftoppm", "-r", "150", *how, str(file), str(tmp_path / "chart")], check=True)
    made = next(tmp_path.glob("chart-*.p[bg]m"))
    data = made.read_bytes()
    kind, width, height = (part for part in data.split(None, 3)[:3])
    wide, high = int(width), int(height)
    if kind == b"P4":
        bits = np.frombuffer(data[-((wide + 7) // 8) * high :], dtype=np.uint8).reshape(high, -1)
        return np.unpackbits(bits, axis=1)[:, :wide] * -255.0 + 255.0
    return np.frombuffer(data[-wide * high :], dtype=np.uint8).reshape(high, wide).astype(float)


@pytest.mark.parametrize("how", ["-mono", "-gray"])
def test_closures_are_told_from_open_water_without_colour(how: str, tmp_path: Path) -> None:
    plan = demo()
    content, sheet, _ = chart(plan)
    shown = grey(content, tmp_path, how)
    water = paper_water(plan, sheet)
    closed = paper_closed(plan, sheet, water.land)
    entry = next(one for one in closed if one.kind == "entry")
    frame = shapely.box(*sheet.frame.chart)
    everything = shapely.union_all([one.shape for one in closed])
    busy = shapely.union_all([line.shape for line in water.lines])
    open_water = (
        shapely.intersection(frame, water.bands[-1].shape).difference(everything.buffer(3)).difference(busy.buffer(3))
    )
    marks = hatching(entry.shape.buffer(-2), entry.look.spacing, entry.look.angle_deg)

    def at(points: np.ndarray) -> np.ndarray:
        px = np.round(points * 150 / 72).astype(int)
        return shown[shown.shape[0] - 1 - px[:, 1], px[:, 0]]

    along = shapely.get_coordinates(shapely.segmentize(marks, 2.0))
    rng = np.random.default_rng(1)
    west, south, east, north = open_water.bounds
    spots = rng.uniform((west, south), (east, north), (4000, 2))
    spots = spots[shapely.contains_xy(open_water, spots[:, 0], spots[:, 1])]
    neighbours = [at(along + np.array([dx, 0.0])) for dx in (-0.5, 0.0, 0.5)]
    on_hatch = np.min(neighbours, axis=0).mean()
    apart = np.min([at(spots + np.array([dx, 0.0])) for dx in (-0.5, 0.0, 0.5)], axis=0).mean()
    assert on_hatch < apart - (35.0 if how == "-mono" else 60.0)


def test_each_kind_of_closure_is_hatched_its_own_way() -> None:
    plan = demo()
    sheet = choose_sheets(plan, "Letter")[0]
    closed = paper_closed(plan, sheet, paper_water(plan, sheet).land)
    assert len({one.look.angle_deg for one in closed}) == len({one.kind for one in closed}) > 2


def test_the_client_sees_no_private_mark() -> None:
    plan = build_plan()
    hidden = Mark("Grandmother's Hole", "spot", "", True, shapely.Point(300.0, 200.0), plan.area.marks[0].source, "id")
    plan = replace(plan, area=replace(plan.area, marks=(*plan.area.marks, hidden)))
    assert "Grandmother's" in text(chart(plan)[0])
    without = replace(plan, area=replace(plan.area, marks=tuple(m for m in plan.area.marks if not m.private)))
    client = chart(plan, edition="client")[0]
    assert "Grandmother's" not in text(client)
    assert client == chart(without, edition="client")[0]


def test_the_colours_are_the_houses_own() -> None:
    css = (ROOT / "spotmap" / "web" / "palette.css").read_text()
    house = {HexColor(value).hexval() for value in re.findall(r"#[0-9a-f]{6}", css)}
    used = [value for name, value in vars(paperink).items() if name.isupper() and hasattr(value, "hexval")]
    assert {one.hexval() for one in (*used, *paperink.DEPTHS)} <= house
    light = [0.2126 * c.red + 0.7152 * c.green + 0.0722 * c.blue for c in paperink.DEPTHS]
    assert min(-np.diff(light)) > 0.03


def test_the_same_plan_gives_the_same_bytes_with_fonts_and_nothing_of_the_machine() -> None:
    plan = demo()
    content = chart(plan)[0]
    assert content == chart(plan)[0]
    page = page_of(content)
    assert {one["fontname"].split("+")[-1] for one in page.chars} == {
        "BitstreamVeraSans-Roman",
        "BitstreamVeraSans-Bold",
    }
    assert content.count(b"/FontFile2") == 2
    assert b"/PrintScaling /None" in content
    assert str(Path.home()).encode() not in content
    assert b"/tmp" not in content


def test_every_sheet_of_many_is_drawn_where_there_is_no_land_or_depth() -> None:
    plan = stretched(build_plan(), (12.0, 12.0))
    sheets = choose_sheets(plan, "Letter")
    file = io.BytesIO()
    canvas = Canvas(file, invariant=1)
    for sheet in sheets:
        canvas.setPageSize(sheet.frame.size)
        draw_chart(canvas, plan, sheet, edition="crew")
        canvas.showPage()
    canvas.save()
    pages = pdfplumber.open(io.BytesIO(file.getvalue())).pages
    assert len(pages) == len(sheets) > 1
    for page, sheet in zip(pages, sheets, strict=True):
        found = page.extract_words(x_tolerance=1.5, y_tolerance=1.0)
        assert overlaps(found) == []
        assert f"sheet {sheet.number} of {len(sheets)}" in " ".join(one["text"] for one in found)


def test_dashes_there_and_back_fall_together() -> None:
    """A run that comes back the way it went stays dashed."""
    plan = build_plan()
    content = chart(plan)[0]
    page = page_of(content)
    dashed = [
        np.round(one["pts"], 2).tolist() for one in (*page.lines, *page.curves) if one.get("dash") == ([4, 2.2], 0)
    ]
    assert len(dashed) >= 2
    assert not any(pts[::-1] in dashed for pts in dashed)


def test_a_small_closure_is_not_hidden_by_its_name() -> None:
    plan = build_plan()
    rookery = next(one for one in plan.closed if one.name == "Gull Rookery")
    small = replace(rookery, shape=shapely.Point(400.0, -700.0).buffer(120.0))
    plan = replace(plan, closed=(small,))
    content, sheet, _ = chart(plan)
    page = page_of(content)
    drawn = sheet.drawn(small.shape)
    names = [w for w in words(content) if w["text"] == "Rookery"]
    assert len(names) == 1
    high = float(page.height)
    name = shapely.box(names[0]["x0"], high - names[0]["bottom"], names[0]["x1"], high - names[0]["top"])
    assert not name.intersects(drawn)


def test_what_the_font_lacks_shows_and_is_not_lost() -> None:
    plan = build_plan()
    mark = replace(plan.area.marks[0], name="Reef 沖′")
    said = text(chart(replace(plan, area=replace(plan.area, marks=(mark,))))[0])
    assert "Reef" in said
    assert "'" in said


def test_the_demo_is_drawn_in_half_a_second() -> None:
    plan = demo()
    chart(plan)
    took = []
    for _ in range(3):
        begin = time.perf_counter()
        content = chart(plan)[0]
        took.append(time.perf_counter() - begin)
    assert min(took) < 0.5
    assert len(content) < 600_000
