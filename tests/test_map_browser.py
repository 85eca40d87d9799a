"""The wheelhouse map in headless Chromium: nothing fetched, nothing run from data, everything drawn and legible."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from typing import TYPE_CHECKING

import numpy as np
import pytest

from spotmap.mapdata import map_data
from spotmap.model import RigStep
from spotmap.webmap import plan_map
from tests.pages import HEIGHTS, opened, sync_api
from tests.plan_fixture import MARK_MARKUP, MARKUP, SineCurrent, build_plan, clock_of

if TYPE_CHECKING:
    from pathlib import Path

    from layers.model import FloatArray
    from spotmap.model import Plan, TimedLeg

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def plan() -> Plan:
    return build_plan(has_grounds=True)


@pytest.fixture(scope="module")
def file(plan: Plan, tmp_path_factory: pytest.TempPathFactory) -> Path:
    file = tmp_path_factory.mktemp("map") / "map.html"
    file.write_text(plan_map(plan), encoding="utf-8")
    return file


def test_draws_every_leg_with_its_arrows_and_numbers(browser: sync_api.Browser, file: Path, plan: Plan) -> None:
    with opened(browser, file) as page:
        kinds = page.eval_on_selector_all("path.leg", "all => all.map(leg => leg.classList[1])")
        assert kinds == [f"leg-{leg.leg.kind}" for leg in plan.legs]
        page.get_by_label("Show the whole trip").click()
        assert page.locator("path.arrow-run").count() >= 2
        assert page.locator("path.arrow-pass").count() >= 2
        page.get_by_label("Show the legs worked with gear down").click()
        assert page.locator("path.arrow-turn").count() == 2
        dashes = "leg => getComputedStyle(leg).strokeDasharray"
        assert page.eval_on_selector("path.leg-run", dashes) != "none"
        assert page.eval_on_selector("path.leg-pass", dashes) == "none"
        widths = [
            float(page.eval_on_selector(f"path.leg-{kind}", "leg => parseFloat(leg.getAttribute('stroke-width'))"))
            for kind in ("pass", "turn")
        ]
        assert widths[0] > widths[1]
        numbers = " ".join(page.locator(".leaflet-marker-pane .plate").all_inner_texts())
        assert "2" in numbers
        assert "4" in numbers


def test_first_arrow_of_a_pass_points_the_way_it_is_worked(browser: sync_api.Browser, file: Path) -> None:
    with opened(browser, file) as page:
        # A head is tip, corner, notch, corner: the eastbound pass has its tip east of the notch.
        tip_minus_notch = page.eval_on_selector_all(
            "path.arrow-pass",
            """arrows => arrows.map(arrow => {
                const n = arrow.getAttribute('d').match(/-?\\d+(\\.\\d+)?/g).map(Number);
                return n[0] - n[4];
            })""",
        )
        east, west = [way for way in tip_minus_notch if way > 0], [way for way in tip_minus_notch if way < 0]
        assert len(east) >= 1
        assert len(west) >= 1
        box = page.evaluate(
            "() => [...document.querySelectorAll('path.arrow-pass')].map(a => a.getBoundingClientRect().y)"
        )
        # The westbound pass lies deeper, further south, further down the screen.
        south = [y for y, way in zip(box, tip_minus_notch, strict=True) if way < 0]
        north = [y for y, way in zip(box, tip_minus_notch, strict=True) if way > 0]
        assert sum(south) / len(south) > sum(north) / len(north)


def test_closed_water_is_hatched_and_names_show_as_text(browser: sync_api.Browser, file: Path) -> None:
    with opened(browser, file) as page:
        page.get_by_label("Show the whole trip").click()
        fills = page.eval_on_selector_all("path.closed", "all => all.map(one => one.getAttribute('fill'))")
        assert fills == ["url(#hatch-fishing)", "url(#hatch-entry-part)", "url(#hatch-outside)"]
        assert page.locator("pattern#hatch-fishing line").count() == 1
        assert page.locator(".leaflet-hatch-pane path.standoff").count() == 3
        assert page.locator("img").count() == 0
        shown = page.inner_text("body")
        assert MARKUP in shown
        assert page.locator("#panel").get_by_text(MARKUP).count() >= 2
        names = page.eval_on_selector_all(".name", "all => all.map(one => one.textContent)")
        assert MARK_MARKUP in names
        assert "Quiet Cornerprivate" in names
        assert "49" not in " ".join(names)


def test_a_tap_tells_depth_and_what_is_forbidden(browser: sync_api.Browser, file: Path) -> None:
    with opened(browser, file) as page:
        page.get_by_label("Show the whole trip").click()
        box = page.locator("path.closed.closed-fishing").bounding_box()
        assert box is not None
        page.mouse.click(box["x"] + 0.12 * box["width"], box["y"] + 0.12 * box["height"])
        said = page.inner_text(".leaflet-popup-content")
        assert "charted depth 100 to 200 ft" in said or "charted depth 200 to 300 ft" in said
        for words in (MARKUP, "no fishing", "closed for the whole trip", "all year", "Invented Code 1 <b>(a)</b>"):
            assert words in said
        assert "46°" in said or "47°" in said


def test_strip_steps_through_the_legs(browser: sync_api.Browser, file: Path, plan: Plan) -> None:
    with opened(browser, file, 390) as page:
        for leg in plan.legs:
            page.get_by_label("Next leg").click()
            assert page.inner_text(".leg-words").startswith(f"{leg.seq}. {leg.leg.kind}")
            assert page.locator("path.chosen").get_attribute("d") != "M0 0"
        page.locator(".leg-words").click()
        assert "Charted depth under" in page.inner_text(".leg-card")
        page.get_by_label("Next leg").click()
        assert page.inner_text(".leg-words").startswith("6 legs")


def test_key_has_a_switch_for_each_group(browser: sync_api.Browser, file: Path) -> None:
    with opened(browser, file) as page:
        key = page.inner_text(".key")
        for words in (
            "pass: gear down",
            "no entry",
            "broken: for part of the trip",
            "outside the open grounds",
            "unknown, never deep",
            "100 to 200 ft",
        ):
            assert words in key
        for label, selector in {
            "Legs": "path.leg",
            "Closed water": "path.closed",
            "Hazards": ".leaflet-marker-pane .sign-hazard",
            "Lanes": ".leaflet-lanes-pane path",
            "Marks": ".leaflet-marker-pane .sign-mark",
            "Depth lines": ".leaflet-lines-pane path",
            "Names": ".leaflet-marker-pane .name",
        }.items():
            switch = page.locator(".key-group", has_text=label).first.locator("input")
            assert page.locator(selector).count() > 0
            switch.uncheck()
            assert page.locator(selector).count() == 0, label
            switch.check()
            assert page.locator(selector).count() > 0, label


def test_lure_tracks_are_off_until_switched_on(browser: sync_api.Browser, plan: Plan, tmp_path: Path) -> None:
    rods = {"port rigger": MARKUP, "long <flat> line": MARK_MARKUP}
    tracks = tuple(replace(track, rod=rods[track.rod]) for track in plan.swept.tracks)
    towed = tuple(replace(one, rod=replace(one.rod, name=rods[one.rod.name])) for one in plan.radius.rods)
    radius = replace(plan.radius, rods=towed, steps=tuple(replace(step, rods=towed) for step in plan.radius.steps))
    file = tmp_path / "map.html"
    file.write_text(plan_map(replace(plan, swept=replace(plan.swept, tracks=tracks), radius=radius)), encoding="utf-8")
    with opened(browser, file) as page:
        switch = page.locator(".key-group", has_text="Lure tracks").locator("input")
        assert not switch.is_checked()
        assert page.locator(".leaflet-lures-pane path").count() == 0
        switch.check()
        assert page.locator(".leaflet-lures-pane path.lure").count() == len(tracks)
        style = "lure => [getComputedStyle(lure).stroke, getComputedStyle(lure).strokeDasharray]"
        looks = {
            str(page.eval_on_selector(f".key-entry:has-text('{mark}') path.lure", style))
            for mark in ("onerror", "${1}")
        }
        assert len(looks) == 2
        key = page.locator(".key-entry").all_inner_texts()
        assert MARKUP in key
        assert MARK_MARKUP in key
        assert [page.locator("#panel tbody th > .words").nth(i).inner_text() for i in (0, 2)] == [MARKUP, MARK_MARKUP]
        x, y = page.eval_on_selector(
            ".leaflet-lures-pane path.lure",
            """line => { const at = line.getPointAtLength(0.3 * line.getTotalLength()), m = line.getScreenCTM();
                         return [at.x * m.a + m.e, at.y * m.d + m.f]; }""",
        )
        page.mouse.click(x, y)
        said = page.inner_text(".leaflet-popup-content")
        assert MARKUP in said
        assert "P1: 57 to 62 ft, slowest 79%" in said
        assert "share of trolling speed" in said
        assert page.locator("img").count() == 0
        switch.uncheck()
        assert page.locator(".leaflet-lures-pane path").count() == 0


@pytest.mark.parametrize("width", HEIGHTS)
def test_rig_card_shows_now_and_folds_the_rest(
    browser: sync_api.Browser, plan: Plan, tmp_path: Path, width: int
) -> None:
    towed = [
        replace(one, rod=replace(one.rod, name=f"{name} {one.rod.name}"))
        for name in ("upper", "lower", "W" * 60, "spare")
        for one in plan.radius.rods
    ]
    start = plan.trip.start
    steps = tuple(
        RigStep(start + timedelta(minutes=10 * n), (replace(towed[0], cable_out_m=20.0 + n % 2), *towed[1:]))
        for n in range(37)
    )
    radius = replace(plan.radius, rods=tuple(towed), steps=steps)
    file = tmp_path / "map.html"
    file.write_text(plan_map(replace(plan, radius=radius)), encoding="utf-8")
    with opened(browser, file, width) as page:
        if width < 900:
            page.locator("#panel > summary").click()
        tables = page.locator("#panel table")
        assert tables.count() == 37
        assert [table.is_visible() for table in tables.all()] == [True] + [False] * 36
        assert tables.first.locator("tbody tr").count() == 8
        assert tables.first.locator(".set").count() == 0
        assert page.locator(".later > summary").inner_text() == "36 times more"
        page.locator(".later > summary").click()
        assert tables.nth(36).is_visible()
        assert tables.nth(36).locator(".set-row").all_inner_texts() == [
            tables.nth(36).locator("tr").nth(1).inner_text()
        ]
        assert page.evaluate("() => document.documentElement.scrollWidth") <= width
        sections = page.locator(".sections").bounding_box()
        for box in (box.bounding_box() for box in page.locator(".table-box").all()):
            assert sections is not None
            assert box is not None
            assert box["x"] >= sections["x"]
            assert box["x"] + box["width"] <= sections["x"] + sections["width"]


@pytest.mark.parametrize("width", HEIGHTS)
def test_fits_the_screen(browser: sync_api.Browser, file: Path, width: int) -> None:
    with opened(browser, file, width) as page:
        over = """() => [...document.querySelectorAll('body *')]
            .filter(node => !node.closest('.leaflet-map-pane, .ruler, .patterns'))
            .filter(node => { const box = node.getBoundingClientRect();
                              return box.right > innerWidth + 1 || box.left < -1; })
            .map(node => node.outerHTML.slice(0, 80))"""
        share = "() => document.querySelector('.folium-map').getBoundingClientRect().height / innerHeight"
        assert page.evaluate(over) == []
        assert page.evaluate("() => document.documentElement.scrollWidth") <= width
        assert page.evaluate(share) >= (0.7 if width > 600 else 0.6)
        assert page.locator(".scale-row").count() == 2
        assert page.locator(".badge").first.is_visible()
        if width < 900:
            page.get_by_label("Next leg").click()
            page.locator(".leg-words").click()
            assert page.evaluate(share) >= 0.45
            page.locator("#panel > summary").click()
            page.locator(".leg-card").wait_for(state="hidden")
            assert page.locator("#panel").get_by_text("Turning radius").count() == 1
            assert page.evaluate(share) >= 0.45
            assert page.evaluate(over) == []
        small = page.evaluate(
            """() => [...document.querySelectorAll('button, summary, select, #clock input, .leaflet-bar a')]
                .filter(node => node.offsetParent).map(node => node.getBoundingClientRect())
                .filter(box => box.width < 44 || box.height < 44).length"""
        )
        assert small == 0


def test_names_do_not_cover_one_another(browser: sync_api.Browser, file: Path) -> None:
    with opened(browser, file, 390) as page:
        boxes = page.eval_on_selector_all(
            ".leaflet-marker-pane :is(.name, .plate)",
            """all => all.map(one => one.getBoundingClientRect())
                .map(box => [box.left, box.top, box.right, box.bottom])""",
        )
        assert len(boxes) >= 5
        for i, a in enumerate(boxes):
            for b in boxes[:i]:
                assert a[0] >= b[2] or b[0] >= a[2] or a[1] >= b[3] or b[1] >= a[3]


def test_prints_with_key_and_panel(browser: sync_api.Browser, file: Path) -> None:
    with opened(browser, file) as page:
        page.evaluate("() => dispatchEvent(new Event('beforeprint'))")
        map_box, key_box = (page.locator(selector).bounding_box() for selector in ("#chart", ".key"))
        assert map_box is not None
        assert key_box is not None
        assert key_box["y"] >= map_box["y"] + map_box["height"] - 1
        assert page.locator("path.leg-pass").first.is_visible()
        assert all(fold.get_attribute("open") is not None for fold in page.locator("#panel details").all())
        page.evaluate("() => dispatchEvent(new Event('afterprint'))")
        assert page.locator(".leaflet-top .key").count() == 1


@pytest.fixture(scope="module")
def moving() -> Plan:
    return build_plan(moving=True, laps=4)


@pytest.fixture(scope="module")
def moving_file(moving: Plan, tmp_path_factory: pytest.TempPathFactory) -> Path:
    file = tmp_path_factory.mktemp("moving") / "map.html"
    file.write_text(plan_map(moving), encoding="utf-8")
    return file


VESSEL = ".leaflet-vessel-pane"
SET_TIME = """time => { const slider = document.querySelector('#clock input[type=range]');
                       slider.value = time; slider.dispatchEvent(new Event('input')); }"""
ON_SCREEN = """([lat, lon]) => { const frame = map_plan.getContainer().getBoundingClientRect();
                                 const at = map_plan.latLngToContainerPoint([lat, lon]);
                                 return [at.x + frame.x, at.y + frame.y]; }"""
DRAWN = """node => { const m = node.getScreenCTM(), at = new DOMPoint(Number(node.getAttribute('cx') ?? 0),
                    Number(node.getAttribute('cy') ?? 0)).matrixTransform(m);
                    return [at.x, at.y, Math.atan2(m.b, m.a) * 180 / Math.PI]; }"""


def since_start(plan: Plan, leg: TimedLeg) -> float:
    return leg.start.timestamp() - plan.legs[0].start.timestamp()


def in_plan(plan: Plan, leg: TimedLeg, clock_s: FloatArray, xy: FloatArray, time_s: float) -> list[float]:
    """Return where something is at a moment, latitude and longitude, by the plan's own clock."""
    x, y = (np.interp(time_s - since_start(plan, leg), clock_s, xy[:, i]) for i in (0, 1))
    lon, lat = plan.area.projection.to_geographic(x, y)
    return [float(lat), float(lon)]


@pytest.mark.parametrize("width", HEIGHTS)
def test_boat_lures_and_current_move_together(
    browser: sync_api.Browser, moving: Plan, moving_file: Path, width: int
) -> None:
    current = moving.area.current
    assert isinstance(current, SineCurrent)
    flows = map_data(moving).play.flows
    assert flows is not None
    lat, lon = np.cumsum(np.reshape(flows.steps, (-1, 2)), axis=0).T / 1e6
    x, y = moving.area.projection.to_local(lon, lat)
    shapes = []
    with opened(browser, moving_file, width) as page:
        for seq, share in ((2, 0.4), (5, 0.5), (16, 0.8)):
            leg = moving.legs[seq - 1]
            time_s = round(since_start(moving, leg) + share * clock_of(leg)[-1])
            page.evaluate(SET_TIME, time_s)
            place = in_plan(moving, leg, clock_of(leg), leg.leg.xy, time_s)
            boat_x, boat_y, turned = page.eval_on_selector(f"{VESSEL} .boat", DRAWN)
            assert page.evaluate(ON_SCREEN, place) == pytest.approx([boat_x, boat_y], abs=1.5)
            step = int(np.searchsorted(clock_of(leg), time_s - since_start(moving, leg)))
            ahead = np.diff(leg.leg.xy, axis=0)[step - 1] / np.diff(clock_of(leg))[step - 1]
            assert leg.leg.current_mps is not None
            through = ahead - leg.leg.current_mps[step]
            heading = moving.area.projection.true_course_deg(*leg.leg.xy[step], np.arctan2(through[1], through[0]))
            assert abs((turned - float(heading) + 180) % 360 - 180) < 9  # a turn is drawn in steps of a few degrees
            tracks = [track for track in moving.swept.tracks if track.seq == seq]
            assert page.locator(f"{VESSEL} [data-lure]").count() == page.locator("line.tow").count() == len(tracks) == 2
            for index, track in enumerate(tracks):
                there = in_plan(moving, leg, track.clock_s, track.xy, time_s)
                found = page.eval_on_selector(f"{VESSEL} [data-lure='{index}']", DRAWN)[:2]
                assert page.evaluate(ON_SCREEN, there) == pytest.approx(found, abs=1.5)
            arrows = page.locator("path.flow[data-place]").all()
            assert len(arrows) >= 8
            shape = {}
            for arrow in arrows[::4]:
                index = int(arrow.get_attribute("data-place") or "")
                *at, degrees = arrow.evaluate(DRAWN)
                assert page.evaluate(ON_SCREEN, [lat[index], lon[index]]) == pytest.approx(at, abs=1.0)
                flow = current.flow_at(x[index], y[index], moving.legs[0].start.timestamp() + time_s)
                true = moving.area.projection.true_course_deg(x[index], y[index], np.arctan2(flow[1], flow[0]))
                long = arrow.evaluate("node => node.getBBox().height")
                assert long == pytest.approx(55 * np.hypot(*flow), rel=0.05, abs=0.7)  # pixels for a metre a second
                if long > 5:
                    assert abs((degrees - float(true) + 180) % 360 - 180) < 6
                shape[index] = arrow.get_attribute("d")
            shapes.append(shape)
        same = set(shapes[0]) & set(shapes[1])
        assert same
        assert all(shapes[0][index] != shapes[1][index] for index in same)


def test_time_control_tells_the_moment_in_words(browser: sync_api.Browser, moving: Plan, moving_file: Path) -> None:
    with opened(browser, moving_file) as page:
        slider = page.get_by_label("Time in the trip")
        first = since_start(moving, moving.legs[1])
        assert float(slider.input_value()) == pytest.approx(first, abs=1)
        page.wait_for_timeout(200)
        assert float(slider.input_value()) == pytest.approx(first, abs=1)  # nothing plays by itself
        page.evaluate(SET_TIME, 4500)
        said = slider.get_attribute("aria-valuetext") or ""
        leg = next(leg for leg in reversed(moving.legs) if since_start(moving, leg) <= 4500)
        row = 75
        assert said.startswith(f"06:45 · {leg.seq}. {leg.leg.kind}, {leg.leg.label}, gear down")
        assert f"Tide {moving.day.tide_m[row] / 0.3048:.1f} ft, falling" in said
        drift = np.hypot(*moving.day.flow_mps[row]) * 3600 / 1852
        assert f"at {drift:.1f} kn" in said
        assert "ft with tide" in said
        assert "Over ground" in said
        shown = page.inner_text(".moment")
        assert all(part in shown for part in said.split(". ")[1:])
        page.locator(".gear > summary").click()
        assert page.locator(".gear li").all_inner_texts() == ["port rigger: 60 ft", "long <flat> line: 20 ft"]
        page.evaluate(SET_TIME, 60)
        assert page.locator(".gear li").all_inner_texts() == ["gear is up"]
        assert page.locator(f"{VESSEL} [data-lure]").count() == 0
        assert page.locator(f"{VESSEL} g.boat").is_visible()
        assert page.evaluate(  # the map follows a boat that has left it
            "() => { const box = document.querySelector('.leaflet-vessel-pane .boat').getBoundingClientRect(),"
            " frame = map_plan.getContainer().getBoundingClientRect();"
            " return box.left > frame.left && box.right < frame.right; }"
        )


def test_the_depth_told_was_read_on_the_leg_that_is_told(
    browser: sync_api.Browser, moving: Plan, moving_file: Path
) -> None:
    """A leg that begins within a minute must not be told the depth at which the one before it was."""
    starts = [since_start(moving, leg) for leg in moving.legs]
    ends = [*starts[1:], since_start(moving, moving.legs[-1]) + clock_of(moving.legs[-1])[-1]]
    with opened(browser, moving_file) as page:
        looked = 0
        for leg, since, until in zip(moving.legs[:-1], starts, ends, strict=False):
            time = int(since) + 1
            if time % 60 == 0 or time >= until:
                continue
            page.evaluate(SET_TIME, time)
            said = page.get_by_label("Time in the trip").get_attribute("aria-valuetext") or ""
            assert f"{leg.seq}. {leg.leg.kind}" in said
            row = time // 60 if time // 60 * 60 >= since else time // 60 + 1
            if row * 60 > until:
                assert "Depth not read here" in said
            else:
                tide = 0.0 if np.isnan(moving.day.tide_m[row]) else moving.day.tide_m[row]
                depth_ft = (moving.day.charted_m[row] + tide) / 0.3048
                told = float(said.split("Depth ")[1].split(" ft")[0])
                assert depth_ft - 1.05 <= told <= depth_ft + 0.05  # whole feet, never deeper
            looked += 1
        assert looked >= 3


def test_keys_buttons_and_graph_move_the_time(browser: sync_api.Browser, moving: Plan, moving_file: Path) -> None:
    with opened(browser, moving_file) as page:
        slider = page.get_by_label("Time in the trip")

        def now() -> float:
            return float(slider.input_value())

        page.evaluate(SET_TIME, 3000)
        slider.focus()
        for key, moved in {"ArrowRight": 60, "ArrowLeft": -60, "PageUp": 600, "PageDown": -600}.items():
            before = now()
            page.keyboard.press(key)
            assert now() == before + moved, key
        page.keyboard.press("Home")
        assert now() == 0
        page.keyboard.press("Space")
        page.get_by_label("Pause").wait_for()
        page.wait_for_function("() => Number(document.querySelector('#clock input').value) > 10")
        page.keyboard.press("Space")
        page.get_by_label("Play", exact=True).wait_for()
        rest = now()
        page.wait_for_timeout(150)
        assert now() == rest
        page.get_by_label("To the leg after").click()
        assert now() == pytest.approx(since_start(moving, moving.legs[1]), abs=1)
        page.get_by_label("To the leg after").click()
        assert now() == pytest.approx(since_start(moving, moving.legs[2]), abs=1)
        page.get_by_label("To the leg before").click()
        assert now() == pytest.approx(since_start(moving, moving.legs[1]), abs=1)
        page.get_by_label("Next leg").click()  # the strip's choice moves the boat as well
        assert now() == pytest.approx(0, abs=1)
        graph = page.locator("svg.tg:visible")
        box = graph.bounding_box()
        assert box is not None
        page.mouse.click(box["x"] + 200, box["y"] + 100)
        took = moving.legs[-1].end.timestamp() - moving.legs[0].start.timestamp()
        left, right = (float(graph.get_attribute(f"data-{side}") or "nan") for side in ("left", "right"))
        assert now() == pytest.approx((200 - left) / (right - left) * took, abs=40)
        cursor = graph.locator(".tg-now").bounding_box()
        assert cursor is not None
        assert cursor["x"] + cursor["width"] / 2 == pytest.approx(box["x"] + 200, abs=1.5)


def test_playing_to_the_end_stops_there(browser: sync_api.Browser, moving: Plan, moving_file: Path) -> None:
    with opened(browser, moving_file) as page:
        took = moving.legs[-1].end.timestamp() - moving.legs[0].start.timestamp()
        page.get_by_label("Minutes of the trip in a second").select_option("900")
        page.evaluate(SET_TIME, int(took - 200))
        page.get_by_label("Play", exact=True).click()
        page.wait_for_function(f"() => Number(document.querySelector('#clock input').value) >= {int(took)}")
        # the button's own words change with the frame after
        page.get_by_label("Play", exact=True).wait_for(timeout=5000)


def test_arrows_and_boat_have_switches_and_a_still_plan_says_so(
    browser: sync_api.Browser, moving_file: Path, file: Path
) -> None:
    with opened(browser, moving_file) as page:
        for label, selector in {
            "Current arrows": ".leaflet-flows-pane .flow",
            "Boat and lures": ".leaflet-vessel-pane g.boat",
        }.items():
            switch = page.locator(".key-group", has_text=label).locator("input")
            assert page.locator(selector).count() > 0
            switch.uncheck()
            assert page.locator(selector).count() == 0
            switch.check()
            assert page.locator(selector).count() > 0
    with opened(browser, file) as page:
        assert page.locator(".leaflet-flows-pane").count() == 0
        assert "no current layer: none counted" in page.inner_text(".key")
        assert page.locator(".key-group", has_text="Current arrows").locator("input").is_disabled()
        shown = page.inner_text(".moment")
        assert "No tide layer" in shown
        assert "No current layer" in shown
        assert "Heading not known" in shown
        assert page.locator(f"{VESSEL} g.boat").count() == 1


def test_current_that_is_not_known_is_a_query_not_a_dot(
    browser: sync_api.Browser, moving: Plan, tmp_path: Path
) -> None:
    class Nowhere(SineCurrent):
        def flow_at(self, x: FloatArray, y: FloatArray, time_s: FloatArray) -> FloatArray:
            return np.full_like(super().flow_at(x, y, time_s), np.nan)

    day = replace(moving.day, flow_mps=moving.day.flow_mps * np.nan, work_flow_mps=moving.day.work_flow_mps * np.nan)
    file = tmp_path / "map.html"
    area = replace(moving.area, current=Nowhere(0.0))
    file.write_text(plan_map(replace(moving, area=area, day=day)), encoding="utf-8")
    with opened(browser, file) as page:
        signs = page.locator(".leaflet-flows-pane [data-place]")
        assert signs.count() > 8
        assert set(signs.all_text_contents()) == {"?"}
        assert "Current unknown" in page.inner_text(".moment")


@pytest.mark.parametrize("width", HEIGHTS)
def test_time_control_covers_neither_key_nor_strip_nor_map(
    browser: sync_api.Browser, moving_file: Path, width: int
) -> None:
    with opened(browser, moving_file, width) as page:
        clock, *others = (
            page.locator(name).bounding_box() for name in ("#clock", "#strip", "#chart", ".key", ".scale")
        )
        assert clock is not None
        for other in others:
            assert other is not None
            assert clock["y"] >= other["y"] + other["height"] - 0.5 or clock["y"] + clock["height"] <= other["y"] + 0.5
        if width < 900:
            page.locator("#panel > summary").click()
        graphs = page.locator("svg.tg:visible")
        assert graphs.count() == 1
        box = graphs.bounding_box()
        assert box is not None
        assert box["x"] + box["width"] <= width
        page.evaluate("() => dispatchEvent(new Event('beforeprint'))")
        assert page.locator("svg.tg:visible").get_attribute("aria-labelledby") == "graph-wide-t graph-wide-d"
        assert page.get_by_label("Time in the trip").is_hidden()
        assert page.locator(".moment p").is_visible()  # the moment that boat and arrows are drawn at
        assert page.locator("svg.tg:visible .tg-now").is_hidden()
