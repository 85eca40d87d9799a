"""The bottom on the wheelhouse map, in headless Chromium: forms, slopes, spots, and sections with their depths."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import date
from typing import TYPE_CHECKING

import numpy as np
import pytest
from shapely import LineString, MultiPolygon, Point, box

from layers.depth import combine
from layers.depthareas import AreaDepth
from layers.model import Landform, Mark
from spotmap.mapdata import map_data
from spotmap.webmap import plan_map
from tests.pages import opened, sync_api
from tests.plan_fixture import MARKUP, ConeDepth, build_plan, lengths_along
from tests.test_profiles import nodes

if TYPE_CHECKING:
    from pathlib import Path

    from spotmap.model import Plan

FT = 0.3048

pytestmark = pytest.mark.browser

READINGS = """() => { const slider = document.querySelector('.section-reader input');
    return Array.from({ length: Number(slider.max) + 1 }, (_, i) => {
        slider.value = i; slider.dispatchEvent(new Event('input'));
        return document.querySelector('.section-reader output').textContent; }); }"""


@pytest.fixture(scope="module")
def plan() -> Plan:
    plan = build_plan()
    source = plan.area.marks[0].source
    figures = (75.0, 9.4, 13.6, 4.2, 6.0, 400.0)
    forms = (
        Landform(MARKUP, "hump", MultiPolygon([Point(-800, -550).buffer(120)]), *figures, 3.1),
        Landform("", "hole", Point(400, -150).buffer(120), *figures, 2.0),
        Landform("", "ledge", LineString([(-500, -650), (100, -700), (500, -650)]), *figures, 1.5),
    )
    spot = Mark("Ours", "bait", "on the ebb", True, Point(-700, 100), source, "s1", "deck notes", date(2026, 5, 1))
    # A dredged cut of 6 m that was charted as an area: it has the say over the cone.
    cut = AreaDepth(np.array([box(900, -900, 1500, -300)], dtype=object), np.array([6.0]))
    depth = combine([(1, cut), (0, ConeDepth())])
    return replace(plan, area=replace(plan.area, landforms=forms, marks=(*plan.area.marks, spot), depth=depth))


@pytest.fixture(scope="module")
def file(plan: Plan, tmp_path_factory: pytest.TempPathFactory) -> Path:
    file = tmp_path_factory.mktemp("bottom") / "map.html"
    file.write_text(plan_map(plan), encoding="utf-8")
    return file


def choose_pass(page: sync_api.Page, label: str) -> None:
    while f"pass, {label}" not in page.inner_text(".leg-words"):
        page.get_by_label("Next leg").click()


def on_screen(page: sync_api.Page, plan: Plan, xy: tuple[float, float]) -> tuple[float, float]:
    lon, lat = plan.area.projection.to_geographic(*xy)
    x, y = page.evaluate(
        "([lat, lon]) => { const box = map_plan.getContainer().getBoundingClientRect(),"
        " at = map_plan.latLngToContainerPoint([lat, lon]); return [at.x + box.x, at.y + box.y]; }",
        [float(lat), float(lon)],
    )
    return float(x), float(y)


def touch(page: sync_api.Page, plan: Plan, xy: tuple[float, float]) -> None:
    """Touch the map at a local place, to a pixel."""
    page.mouse.click(*(round(one) for one in on_screen(page, plan, xy)))


def places_of(page: sync_api.Page, plan: Plan, first: tuple[float, float], last: tuple[float, float]) -> np.ndarray:
    """Return where a section is read, (n, 2) latitude and longitude, once sure that it is the one asked for."""
    ends = page.evaluate(
        """() => { let found = []; map_plan.eachLayer(layer => { if (layer.options.className === 'cut') {
            found = layer.getLatLngs().map(at => [at.lat, at.lng]); } }); return found; }"""
    )
    start, end = np.array(ends)
    for (lat, lon), (x, y) in zip(ends, (first, last), strict=True):
        assert np.hypot(*(np.array(plan.area.projection.to_local(lon, lat)) - (x, y))) < 8.0  # a pixel
    count = int(page.locator(".section-reader input").get_attribute("max") or 0)
    return start + np.linspace(0.0, 1.0, count + 1)[:, None] * (end - start)


def readings(page: sync_api.Page) -> np.ndarray:
    """Return the depths that the section tells along its slider, metres, NaN where it says that it is not known."""
    said = [text.split("from A: ")[1] for text in page.evaluate(READINGS)]
    return np.array([np.nan if text == "depth not known" else float(text.removesuffix(" ft")) * FT for text in said])


def in_grid(plan: Plan, places: np.ndarray) -> np.ndarray:
    """Return the depth at places (n, 2), latitude and longitude, as the grid in the page gives it: worked out apart."""
    grid = map_data(plan).bottom
    _, _, depth, steps = (one.reshape(grid.rows, grid.columns) for one in nodes(grid, plan.area.projection))
    row, column = (places[:, 0] - grid.south) / grid.north_step, (places[:, 1] - grid.west) / grid.east_step
    r, c = np.floor(row).astype(int), np.floor(column).astype(int)
    v, u = row - r, column - c
    corners = np.array([depth[r, c], depth[r, c + 1], depth[r + 1, c], depth[r + 1, c + 1]])
    stepped = steps[r, c] | steps[r, c + 1] | steps[r + 1, c] | steps[r + 1, c + 1]
    straight = (np.array([(1 - u) * (1 - v), u * (1 - v), (1 - u) * v, u * v]) * corners).sum(axis=0)
    return np.where(stepped, corners.min(axis=0), straight)


def test_forms_start_off_and_tell_their_figures(browser: sync_api.Browser, file: Path) -> None:
    with opened(browser, file, own_pictures=True) as page:
        switch = page.locator(".key-group", has_text="Shape of the bottom").locator("input")
        assert not switch.is_checked()
        assert page.locator(".leaflet-forms-pane path").count() == 0
        assert page.locator(".name-form").count() == 0
        switch.check()
        assert page.locator(".leaflet-forms-pane path.form").count() == 3
        names = page.locator(".leaflet-marker-pane .name-form").all_inner_texts()
        assert {"hole", "ledge"} <= set(names)
        fills = [page.locator(f"path.form-{kind}").first.get_attribute("fill") for kind in ("hump", "hole")]
        assert fills == ["url(#form-hump)", "url(#form-hole)"]
        assert page.locator("pattern#form-hump path, pattern#form-hole path").count() == 2
        key = page.inner_text(".key")
        assert "hump: shallower than what is around it" in key
        assert "ledge" in key
        assert "pocket" not in key
        where = page.locator(".leaflet-forms-pane path.form-hump").bounding_box()
        assert where is not None
        page.mouse.click(where["x"] + 0.5 * where["width"], where["y"] + 0.5 * where["height"])
        said = page.inner_text(".leaflet-popup-content")
        assert MARKUP in said
        assert "hump; stands 13.8 ft above the water around; 30.8 ft to 44.6 ft deep" in said
        assert page.locator("img").count() == 0
        switch.uncheck()
        assert page.locator(".leaflet-forms-pane path").count() == 0
        assert page.locator(".leaflet-marker-pane .name-form").count() == 0


def test_a_spot_tells_its_facts(browser: sync_api.Browser, file: Path, plan: Plan) -> None:
    with opened(browser, file, own_pictures=True) as page:
        page.get_by_label("Show the whole trip").click()
        assert page.locator(".leaflet-marker-pane .sign-spot.sign-private").count() == 1
        assert "spot from the spot book" in page.inner_text(".key")
        page.mouse.click(*on_screen(page, plan, (-700.0, 100.0)))
        said = page.inner_text(".leaflet-popup-content")
        for words in (
            "bait, private",
            "on the ebb",
            "deck notes, 2026-05-01",
            "ft below MLLW",
            "Bottom: slopes 2.9°",
            "ft line",
            "For chinook, troll",
        ):
            assert words in said


def test_the_facts_of_a_spot_fit_a_phone(browser: sync_api.Browser, file: Path) -> None:
    with opened(browser, file, 390, own_pictures=True) as page:
        page.locator(".leaflet-marker-pane .sign-spot").first.click(force=True)
        card = page.locator(".leaflet-popup-content")
        assert card.evaluate("card => card.scrollHeight > card.clientHeight + 50")
        assert card.evaluate("card => getComputedStyle(card).overflowY") == "auto"
        assert page.locator(".leaflet-popup").bounding_box()["height"] < 0.5 * 844
        key = page.locator(".key").bounding_box()
        # the map moves the card clear of the key, and takes a moment for it
        page.wait_for_function(
            "bottom => document.querySelector('.leaflet-popup-content').getBoundingClientRect().top >= bottom",
            arg=key["y"] + key["height"],
        )


def test_slope_is_a_picture_of_the_slope(browser: sync_api.Browser, file: Path, plan: Plan) -> None:
    with opened(browser, file, own_pictures=True) as page:
        switch = page.locator(".key-group", has_text="Slope").locator("input")
        assert not switch.is_checked()
        assert page.locator("img").count() == 0
        switch.check()
        picture = page.locator(".leaflet-slope-pane img.slope")
        assert picture.get_attribute("alt") == "Slope of the bottom: the steeper the darker"
        alpha = np.array(
            picture.evaluate(
                """async picture => { await picture.decode(); const sheet = document.createElement('canvas');
                sheet.width = picture.naturalWidth; sheet.height = picture.naturalHeight;
                const brush = sheet.getContext('2d'); brush.drawImage(picture, 0, 0);
                const data = brush.getImageData(0, 0, sheet.width, sheet.height).data;
                return Array.from({ length: sheet.height }, (_, row) => Array.from({ length: sheet.width },
                    (_, column) => data[4 * (row * sheet.width + column) + 3])); }"""
            )
        )[::-1]
        grid = map_data(plan).bottom
        assert alpha.shape == (grid.rows, grid.columns)
        _, _, depth, steps = (one.reshape(alpha.shape) for one in nodes(grid, plan.area.projection))
        told = alpha[1:-1, 1:-1]
        rows, columns = np.indices(told.shape)
        near = np.array(
            [(depth + np.where(steps, np.nan, 0))[rows + i, columns + j] for i in range(3) for j in range(3)]
        )
        known = np.isfinite(near).all(axis=0)
        assert known.any()
        assert steps.any()
        # The cone's slope is atan(0.05) = 2.9°, the only one there is: the lightest shade, and nothing elsewhere.
        assert set(told[known].tolist()) == {round(0.12 * 255)}
        assert set(told[~known].tolist()) == {0}
        assert f"{grid.every_m / FT:.0f} ft apart" in page.inner_text(".key")


@pytest.mark.parametrize("width", [390, 1280])
def test_section_along_a_pass_is_the_depth_under_it(
    browser: sync_api.Browser, file: Path, plan: Plan, width: int
) -> None:
    leg = next(leg for leg in plan.legs if leg.leg.label == "P2")
    with opened(browser, file, width, own_pictures=True) as page:
        assert page.locator(".section-panel").is_hidden()
        choose_pass(page, "P2")
        page.locator(".leg-words").click()
        page.get_by_text("Section along this pass").click()
        panel = page.get_by_role("region", name="Section", exact=True)
        assert panel.is_visible()
        assert page.locator(".leg-card").is_hidden()
        words = page.locator(".section-panel [role=status]").inner_text()
        assert f"{leg.length_m / 1852:.2f} NM long" in words
        assert "114 to 115 ft charted at MLLW, tide not counted" in words  # the 35 m line
        assert "gear down to 60 ft, at least 54 ft over the bottom read" in words  # 18.29 m; 35 − 18.29 = 16.7 m
        assert "read every 16 ft" in words
        assert (
            page.locator(".section-picture").get_attribute("aria-label")
            == f"Section along {leg.seq}. pass, P2: {words}"
        )
        assert page.locator(".section-gear").count() == 1
        assert page.locator(".section-gap").count() == 0
        told = readings(page)
        at = lengths_along(leg.leg.xy)
        along = np.linspace(0.0, at[-1], len(told))
        assert along[1] <= 5.0
        x, y = (np.interp(along, at, leg.leg.xy[:, i]) for i in (0, 1))
        assert told == pytest.approx(plan.area.depth.depth_at(x, y), abs=0.1)
        for place in ("A", "B"):
            assert page.locator(".cut-end", has_text=place).is_visible()
        chart, section, map_box = (
            page.locator(one).bounding_box() for one in ("#chart", ".section-panel", "#chart .folium-map")
        )
        assert chart is not None
        assert section is not None
        assert map_box is not None
        assert map_box["y"] + map_box["height"] <= section["y"] + 1
        assert section["y"] + section["height"] <= chart["y"] + chart["height"] + 1
        assert page.evaluate("() => document.documentElement.scrollWidth") <= width
        small = page.evaluate(
            """() => [...document.querySelectorAll('button, summary, select, input[type=range], .leaflet-bar a')]
                .filter(node => node.offsetParent).map(node => node.getBoundingClientRect())
                .filter(box => box.width < 44 || box.height < 44).length"""
        )
        assert small == 0
        page.keyboard.press("Escape")
        assert panel.is_hidden()
        assert page.locator(".cut-end").count() == 0


def test_section_between_two_touches_is_the_grid_and_never_bridges_the_unknown(
    browser: sync_api.Browser, file: Path, plan: Plan
) -> None:
    with opened(browser, file, own_pictures=True) as page:
        page.get_by_label("Show the whole trip").click()
        page.get_by_label("Section between two places: touch one, then the other").click()
        status = page.locator(".section-panel [role=status]")
        assert status.inner_text().startswith("Touch the map where the section begins")
        first, last = (-1450.0, -350.0), (900.0, 900.0)  # over the island's south, whose depth is not known
        touch(page, plan, first)
        assert "Touch where the section ends" in status.inner_text()
        touch(page, plan, last)
        assert page.locator(".leaflet-popup").count() == 0
        told = readings(page)
        places = places_of(page, plan, first, last)
        wanted = in_grid(plan, places)
        assert (np.isnan(told) == np.isnan(wanted)).all()
        assert told == pytest.approx(wanted, abs=0.02, nan_ok=True)
        x, y = plan.area.projection.to_local(places[:, 1], places[:, 0])
        far = np.hypot(np.diff(x), np.diff(y)).sum() / 1852
        words = status.inner_text()
        assert float(words.split(" NM")[0]) == pytest.approx(far, abs=0.0051)
        assert "gaps: depth not known" in words
        assert "tide not counted" in words
        grid = map_data(plan).bottom
        assert f"read every {grid.every_m / FT:.0f} ft and straight between, or in steps" in words
        assert page.locator(".section-gear").count() == 0
        gaps = page.locator(".section-gap")
        unknown = np.isnan(told)
        assert gaps.count() == (np.diff(unknown.astype(int), prepend=0) == 1).sum() >= 1
        # The ground's lines are drawn over known readings alone: as many pieces as there are runs of them.
        assert page.locator(".section-bottom").count() == (np.diff((~unknown).astype(int), prepend=0) == 1).sum()
        drawn = page.eval_on_selector_all(".section-bottom", "all => all.map(one => one.getAttribute('d'))")
        points = np.array([[float(n) for n in re.findall(r"[\d.]+", d)] for d in drawn[:1]]).reshape(-1, 2)
        assert len(points) == unknown.argmax()
        left, right = (float(gaps.first.get_attribute(one) or "nan") for one in ("x", "width"))
        assert points[-1, 0] == pytest.approx(left, abs=0.2)
        assert right > 0


def test_a_section_through_depth_areas_takes_the_shallowest_and_says_where_it_ends(
    browser: sync_api.Browser, file: Path, plan: Plan
) -> None:
    with opened(browser, file, own_pictures=True) as page:
        page.get_by_label("Show the whole trip").click()
        page.get_by_label("Section between two places: touch one, then the other").click()
        page.locator(".key > summary").click()
        ends = (650.0, -400.0), (1400.0, -650.0)
        for xy in ends:
            touch(page, plan, xy)
        told = readings(page)
        places = places_of(page, plan, *ends)
        assert told == pytest.approx(in_grid(plan, places), abs=0.02)
        x, y = plan.area.projection.to_local(places[:, 1], places[:, 0])
        true = plan.area.depth.depth_at(x, y)
        assert (true == 6.0).any()
        assert (told <= true + 0.02).all()  # never deeper than the area promises
        page.get_by_label("Another section between two places").click()
        touch(page, plan, (300.0, -250.0))
        page.locator("#chart .folium-map").focus()
        page.keyboard.press("Enter")
        assert "charted at MLLW" in page.locator(".section-panel [role=status]").inner_text()
        pressed = page.get_by_label("Section between two places: touch one, then the other")
        assert pressed.get_attribute("aria-pressed") == "true"
        pressed.click()
        assert page.locator(".section-panel").is_hidden()
        assert pressed.get_attribute("aria-pressed") == "false"


def test_a_section_prints_below_the_map_and_the_page_is_drawn_in_time(browser: sync_api.Browser, file: Path) -> None:
    with opened(browser, file, own_pictures=True) as page:
        page.wait_for_function("() => performance.getEntriesByType('paint').length > 0")
        assert page.evaluate("() => performance.getEntriesByType('paint').at(-1).startTime") < 2000
        choose_pass(page, "P1")
        page.get_by_label("Section between two places: touch one, then the other").click()
        page.get_by_role("button", name="Section along 2. pass, P1").click()
        page.evaluate("() => dispatchEvent(new Event('beforeprint'))")
        chart, section, map_box = (
            page.locator(one).bounding_box() for one in ("#chart", ".section-picture", "#chart .folium-map")
        )
        assert chart is not None
        assert section is not None
        assert map_box is not None
        assert section["y"] >= map_box["y"] + map_box["height"] - 1
        assert section["y"] + section["height"] <= chart["y"] + chart["height"] + 1
        assert page.locator(".section-panel button:visible, .section-panel input:visible").count() == 0
        page.evaluate("() => dispatchEvent(new Event('afterprint'))")
        assert page.locator(".section-reader input").is_visible()
