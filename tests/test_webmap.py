"""The wheelhouse map as text and data; what a browser makes of it is in test_map_browser.py."""

from __future__ import annotations

import base64
import hashlib
import json
import re
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import timedelta
from html.parser import HTMLParser
from itertools import combinations, pairwise
from typing import TYPE_CHECKING

import numpy as np
import pytest
import shapely
from branca.element import Element

from spotmap import web
from spotmap.mapdata import band_levels, map_data
from spotmap.mapwords import state_words
from spotmap.model import RigStep, Stop, Together
from spotmap.web.steps import Shape
from spotmap.webmap import plan_map, safe_json
from tests.plan_fixture import ISLAND_RADIUS_M, MARK_MARKUP, MARKUP, SLOPE, build_plan

if TYPE_CHECKING:
    from spotmap.model import Plan, Sweep, TimedLeg


class Page(HTMLParser):
    """Collects what a page holds."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.scripts: list[str] = []
        self.text = ""
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag == "script":
            self.scripts.append("")

    def handle_data(self, data: str) -> None:
        if self.lasttag == "script" and self.scripts[-1] == "":
            self.scripts[-1] = data
        self.text += data


@pytest.fixture(scope="module")
def plan() -> Plan:
    return build_plan(has_grounds=True)


@pytest.fixture(scope="module")
def text(plan: Plan) -> str:
    return plan_map(plan)


def lonlat(shape: Shape | dict) -> list[np.ndarray]:
    """Return the lines or rings of a shape as (n, 2) longitude and latitude: unpacked apart from the product."""
    record = shape if isinstance(shape, dict) else vars(shape)
    return [
        np.cumsum(np.reshape(part, (-1, 2)), axis=0)[:, ::-1] / 10.0 ** record["digits"] for part in record["parts"]
    ]


def local(plan: Plan, shape: Shape) -> list[np.ndarray]:
    return [np.column_stack(plan.area.projection.to_local(*part.T)) for part in lonlat(shape)]


def even_odd(rings: list[np.ndarray]) -> shapely.Geometry:
    area: shapely.Geometry = shapely.Polygon()
    for ring in rings:
        area = area.symmetric_difference(shapely.Polygon(ring).buffer(0))
    return area


def test_asks_for_no_other_file(text: str) -> None:
    page = Page(text)
    assert not [attrs for _, attrs in page.tags if {"src", "href", "srcset", "data"} & set(attrs)]
    assert not re.findall(r"url\(\s*['\"]?(?!data:|#)[^)]*\)", text)
    assert not re.findall(r"@import|sourceMappingURL|behavior:|fetch\(|XMLHttpRequest|jquery|bootstrap", text)
    allowed = ("https://leafletjs.com", "http://www.w3.org/2000/svg")
    assert not [url for url in re.findall(r"\bhttps?://[^\s\"'<)]*", text) if url not in allowed]


def test_policy_allows_these_scripts_and_nothing_else(text: str) -> None:
    page = Page(text)
    assert [attrs.get("type") for tag, attrs in page.tags if tag == "script"] == ["application/json", None, None]
    policy = next(attrs["content"] for _, attrs in page.tags if attrs.get("http-equiv") == "Content-Security-Policy")
    assert policy is not None
    assert policy.startswith("default-src 'none'; script-src 'sha256-")
    hashes = [base64.b64encode(hashlib.sha256(script.encode()).digest()).decode() for script in page.scripts[1:]]
    assert re.findall(r"'sha256-([^']+)'", policy) == hashes
    assert "unsafe-inline" not in policy.split("script-src")[1].split(";")[0]
    assert not [name for _, attrs in page.tags for name in attrs if name.startswith("on")]


def test_page_for_people(text: str) -> None:
    page = Page(text)
    assert ("html", {"lang": "en"}) in page.tags
    viewport = next(attrs["content"] for _, attrs in page.tags if attrs.get("name") == "viewport")
    assert viewport == "width=device-width, initial-scale=1"
    assert "Not for navigation" in page.text
    assert "Redistributions in binary form must reproduce the above copyright notice" in text
    assert len(text) < 3_000_000


def test_two_builds_are_the_same_bytes_and_branca_is_left_alone(plan: Plan, text: str) -> None:
    before = Element._generate_id
    with ThreadPoolExecutor(4) as pool:
        others = list(pool.map(plan_map, [plan] * 4))
    assert set(others) == {text}
    assert Element._generate_id == before
    assert Element().get_name() != Element().get_name()


def test_texts_from_data_cannot_become_code(plan: Plan) -> None:
    hostile = "</script><script>alert(1)</script>{% raise %}{#{{7*7}}]]> `${1}` \u2028 'quoted' --> \\u007b"
    area = replace(plan.area, name=hostile, depth_datum=hostile)
    text = plan_map(replace(plan, area=area, warnings=(hostile,)))
    page = Page(text)
    assert len(page.scripts) == 3
    assert not re.search(r"\{\{|\{%|\{#|%\}", text)
    assert "alert(1)</script>" not in text
    data = json.loads(page.scripts[0])
    assert data["title"] == hostile
    assert hostile in data["sections"][0]["sentences"]
    # As text: in the title and, named as what the tide is over, on the wide graph; the narrow one cuts it short.
    assert page.text.count(hostile.partition("\u2028")[0]) == 2


def test_every_character_that_opens_something_is_written_as_its_number() -> None:
    opening = "<>&{}%#`'\u2028\u2029"
    written = safe_json([opening, {"key {{": 1}])
    assert not set(opening) & set(written.replace("{", "", 1).removesuffix("}]"))
    assert json.loads(written) == [opening, {"key {{": 1}]


def test_names_come_whole(text: str) -> None:
    data = json.loads(Page(text).scripts[0])
    assert [water["name"] for water in data["closed"]] == [MARKUP, "Gull Rookery", "outside the open grounds"]
    assert [water["kind"] for water in data["closed"]] == ["fishing", "entry", "outside"]
    assert MARK_MARKUP in [mark["name"] for mark in data["things"]["marks"]]
    assert {mark["name"]: mark["private"] for mark in data["things"]["marks"]}["Quiet Corner"] is True


@pytest.mark.parametrize("lon0_deg", [-140.0, 179.99, -179.99])
def test_legs_lie_where_the_plan_has_them(lon0_deg: float) -> None:
    plan = build_plan(lon0_deg=lon0_deg)
    drawn = map_data(plan)
    assert [track.seq for track in drawn.legs] == [leg.seq for leg in plan.legs]
    for track, leg in zip(drawn.legs, plan.legs, strict=True):
        (line,) = local(plan, track.shape)
        assert shapely.LineString(line).hausdorff_distance(shapely.LineString(leg.leg.xy)) < 0.25
        (degrees,) = lonlat(track.shape)
        assert np.ptp(degrees[:, 0]) < 0.2  # no jump at 180 degrees
    before, after = (local(plan, track.shape)[0] for track in drawn.legs[1:3])
    assert np.hypot(*(before[-1] - after[0])) < 0.2


def test_bands_are_the_water_at_least_so_deep_and_unknown_is_in_none(plan: Plan) -> None:
    drawn = map_data(plan)
    levels = [0.0, 50.0, 100.0, 200.0, 300.0]
    assert [band.words for band in drawn.bands[1:]] == [
        "0 to 50 ft",
        "50 to 100 ft",
        "100 to 200 ft",
        "200 to 300 ft",
        "deeper than 300 ft",
    ]
    island = shapely.Point(0.0, 2000.0).buffer(ISLAND_RADIUS_M - 5.0)
    for band, level in zip(drawn.bands[1:], levels, strict=True):
        shown, true = even_odd(local(plan, band.shape)), plan.area.depth.deeper_than(level * 0.3048)
        assert shown.symmetric_difference(true).area < 0.004 * true.area
        assert not shown.intersects(island)


def test_depth_lines_are_within_two_metres_and_the_worked_ones_stand_out(plan: Plan) -> None:
    drawn = map_data(plan)
    assert [line.words for line in drawn.lines if line.worked] == ["98.4 ft", "115 ft"]
    for line, depth_m in zip(drawn.lines[-2:], (30.0, 35.0), strict=True):
        ring = np.concatenate(local(plan, line.shape))
        off = np.hypot(ring[:, 0], ring[:, 1] - 2000.0) - ISLAND_RADIUS_M - depth_m / SLOPE
        assert np.abs(off).max() < 1.5  # vertices stay on the line; 5 decimals are a metre


def test_closed_water_and_its_standoff(plan: Plan) -> None:
    drawn = map_data(plan)
    for shown, water in zip(drawn.closed, plan.closed, strict=True):
        shape = even_odd(local(plan, shown.shape))
        rim = even_odd(local(plan, shown.standoff))
        assert shape.symmetric_difference(water.shape).area < 0.01 * water.shape.area
        assert rim.buffer(2.5).contains(water.shape.buffer(water.standoff_m))
    assert drawn.closed[0].lines[:2] == ("no fishing", "closed for the whole trip")
    assert drawn.closed[1].lines[:2] == ("no entry", "open at the start, closes at 07:00")
    assert "Invented Code 2" in drawn.closed[1].lines
    again = replace(plan.closed[1], changes=(*plan.closed[1].changes, plan.closed[1].changes[0] + timedelta(hours=18)))
    assert state_words(plan, again) == "open at the start, closes at 07:00, opens at 01:00 (+1 d)"


def test_leg_words_tell_time_course_length_speed_and_depth(plan: Plan) -> None:
    first, leg = map_data(plan).legs[1].words, plan.legs[1]
    assert first.title == "2. pass, P1"
    assert first.badge == "2 · 05:34"
    true, magnetic = round(leg.course_start_true_deg), round(leg.course_start_true_deg - 15.5)
    assert first.brief[0] == f"05:34 · {true:03d}° T, {magnetic:03d}° M"
    # 30.1 m, 29.5 m and 31.0 m in feet; the least is rounded down and the most up.
    assert first.brief[1] == f"{leg.length_m / 1852:.2f} NM · 2.7 kn · 99 ft (96 to 102 ft)"


def test_panel_tells_what_was_cut_what_decides_and_what_is_doubtful(plan: Plan) -> None:
    sections = {section.title.split(":")[0]: section for section in map_data(plan).sections}
    assert sections["Warnings"].tone == "warning"
    assert f"0.05 NM cut: '{MARKUP}' closure, 50 m standoff" in sections["Work 1"].sentences
    assert sections["Turning radius"].rows[0] == ("No tighter than", "157 ft, decided by long <flat> line")
    assert ("Dusk (civil)", "none") in sections["Sun and compass"].rows
    assert sections["Data"].rows[0] == ("Depths are below", "MLLW")
    assert f"invented for the tests, as of 2026-03-01, sha256 {12 * '0'}" in dict(sections["Data"].rows).values()
    assert len(sections["Legs in the order worked"].rows) == len(plan.legs)
    bare = map_data(build_plan(has_grounds=False))
    assert bare.badges == ("INVENTED AREA", "No ground layer: water counted open unless closed.")
    assert "No ground layer: water counted open unless closed." in bare.sections[0].sentences


def _later(plan: Plan, hours: float) -> tuple[TimedLeg, ...]:
    """Return the plan's legs once more, later in the day and numbered on."""
    return tuple(
        replace(
            leg,
            seq=leg.seq + len(plan.legs),
            leg=replace(leg.leg, label=f"{leg.leg.label}b"),
            start=leg.start + timedelta(hours=hours),
            end=leg.end + timedelta(hours=hours),
        )
        for leg in plan.legs
    )


def test_lure_tracks_lie_where_they_swim_and_laps_share_a_line(plan: Plan) -> None:
    again = _later(plan, 3.0)
    slower = tuple(replace(t, seq=t.seq + 6, slowest_mps=0.9, depth_max_m=21.0) for t in plan.swept.tracks)
    swept = replace(plan.swept, tracks=plan.swept.tracks + slower)
    twice = replace(plan, legs=plan.legs + again, swept=swept)
    once, both = map_data(plan).lures, map_data(twice).lures
    assert [lure.rod for lure in both] == ["port rigger", "long <flat> line"]
    for lure, other in zip(once, both, strict=True):
        # P1 comes after a run both times, and so on: each track is drawn once and tells of both laps.
        assert [line.shape for line in other.lines] == [line.shape for line in lure.lines]
        for line, track in zip(lure.lines, [t for t in plan.swept.tracks if t.rod == lure.rod], strict=True):
            (drawn,) = local(plan, line.shape)
            assert shapely.LineString(drawn).hausdorff_distance(shapely.LineString(track.xy)) < 0.7
    # 17.5 m, 19 m and 21 m in feet; 1.1 m/s and 0.9 m/s of 1.389 m/s
    assert once[0].lines[0].words == "P1: 57 to 62 ft, slowest 79%"
    assert both[0].lines[0].words == "P1 · P1b: 57 to 69 ft, slowest 65%"


def test_a_rod_set_anew_has_a_track_and_a_rig_of_its_own(plan: Plan) -> None:
    again = _later(plan, 3.0)
    tracks = plan.swept.tracks + tuple(replace(t, seq=t.seq + 6) for t in plan.swept.tracks)
    noon = plan.legs[0].start + timedelta(hours=2)
    rods = (replace(plan.radius.rods[0], cable_out_m=30.0, depth_m=27.0), plan.radius.rods[1])
    radius = replace(plan.radius, steps=(*plan.radius.steps, RigStep(noon, rods)))
    drawn = map_data(replace(plan, legs=plan.legs + again, swept=replace(plan.swept, tracks=tracks), radius=radius))
    anew, same = drawn.lures
    assert len(anew.lines) == 8
    assert len(same.lines) == 4
    first, second = next(section for section in drawn.sections if section.title == "Rig card").tables
    assert (first.title, second.title) == ("From 05:30", "From 07:30")
    assert first.head == ("rod", "depth, ft", "dial, ft", "angle", "setback, ft", "behind, ft")
    # 18.29 m, 21.5 m, 0.75 rad, 7.62 m, 10.9 m + 7.62 m; then 27 m and 30 m
    assert first.rows[0] == ("port rigger", "port, downrigger", "", ("60", "71", "43°", "25", "61"))
    assert first.rows[1] == ("long <flat> line", "stern, flat line", "", ("20", "62", "69°", "–", "57"))
    assert second.rows[0] == ("port rigger", "port, downrigger", "anew", ("89", "98", "43°", "25", "61"))
    assert second.rows[1] == first.rows[1]


def test_gear_section_says_what_the_warnings_leave_unsaid(plan: Plan) -> None:
    def rows(swept: Sweep) -> dict[str, str]:
        sections = map_data(replace(plan, swept=swept)).sections
        return dict(next(section for section in sections if section.title == "Gear in the water").rows)

    well = rows(plan.swept)
    assert well["Least water under the gear"] == "31.1 ft while under way (10 ft asked)"  # 9.5 m is 31.17 ft
    slowest = "79% port rigger on P1, 79% long <flat> line on P1 of trolling speed (75% asked)"
    assert well["Each lure's slowest"] == slowest
    assert "none come within 6 ft" in well["Lines in turns"]
    assert well["If the boat stops"] == "every rod hangs clear of the charted bottom"
    near = Together(("port rigger", "long <flat> line"), 3, 0.5, 2.0)
    stops = (
        Stop("port rigger", 21.5, 300.0, 0.1, (2, 4)),
        Stop("long <flat> line", 19.0, 3000.0, 1.0, (2, 3, 4, 5)),
    )
    bad = rows(replace(plan.swept, together=(near,), stops=stops))
    assert "Lines in turns" not in bad
    assert "If the boat stops" not in bad
    assert bad["port rigger up before a stop on"] == "P1 · P2"
    assert bad["long <flat> line up before a stop on"] == "every leg with gear down"
    idle = rows(replace(plan.swept, tracks=(), clearance_m=np.inf))
    assert not {"Least water under the gear", "Each lure's slowest"} & set(idle)


@pytest.mark.parametrize("worked", [3.0, 17.0, 100.0, 160.0])
@pytest.mark.parametrize("deepest", [2.5, 40.0, 131.0, 620.0, 9000.0])
def test_a_handful_of_round_levels(deepest: float, worked: float) -> None:
    levels = np.array(band_levels(deepest, worked))
    assert levels[0] == 0
    assert 4 <= len(levels) <= 7  # palette.css has seven shades
    assert (np.diff(levels) > 0).all()
    assert levels[-1] <= min(deepest, 3 * worked) * (1 + 1e-9)
    step = levels[2] / 10 ** np.floor(np.log10(levels[2]) + 1e-9)
    assert min(abs(step - nice) for nice in (1, 2, 5)) < 1e-9


def _palette() -> dict[str, np.ndarray]:
    found = re.findall(r"--([\w-]+): #([0-9a-f]{6});", web.own("palette.css"))
    return {name: np.frombuffer(bytes.fromhex(code), dtype=np.uint8) / 255.0 for name, code in found}


# source: Machado, Oliveira & Fernandes, IEEE Transactions on Visualization and Computer Graphics 15(6), 2009,
# severity 1.0 (from memory)
_EYES = {
    "usual": np.eye(3),
    "protanopia": np.array(
        [
            [0.152286, 1.052583, -0.204868],
            [0.114503, 0.786281, 0.099216],
            [-0.003882, -0.048116, 1.051998],
        ]
    ),
    "deuteranopia": np.array(
        [
            [0.367322, 0.860646, -0.227968],
            [0.280085, 0.672501, 0.047413],
            [-0.011820, 0.042940, 0.968881],
        ]
    ),
    "none": np.tile([0.2126, 0.7152, 0.0722], (3, 1)),
}


def _linear(colour: np.ndarray) -> np.ndarray:
    # source: WCAG 2.1, relative luminance
    return np.where(colour <= 0.04045, colour / 12.92, ((colour + 0.055) / 1.055) ** 2.4)


def _luminance(colour: np.ndarray, eye: str) -> float:
    return float(np.clip(_EYES[eye] @ _linear(colour), 0, 1) @ [0.2126, 0.7152, 0.0722])


def _contrast(one: np.ndarray, other: np.ndarray, eye: str) -> float:
    low, high = sorted((_luminance(one, eye), _luminance(other, eye)))
    return (high + 0.05) / (low + 0.05)


@pytest.mark.parametrize("eye", list(_EYES))
def test_palette_holds_in_sunlight_and_for_colour_blind_eyes(eye: str) -> None:
    palette = _palette()
    water = [palette[f"depth-{shade}"] for shade in range(7)]
    # Contrast at least 3 for lines and signs (WCAG 2.1, 1.4.11), 4.5 for text and what must not be missed.
    for ink, least in {"pass": 4.5, "run": 4.5, "no-entry": 4.5, "no-fishing": 3, "turn": 3, "outside": 3}.items():
        assert min(_contrast(palette[ink], under, eye) for under in [*water, palette["unknown"]]) >= least, ink
    for ink in ("ink", "alarm", "pass", "turn", "mark-private"):
        assert _contrast(palette[ink], palette["paper"], eye) >= 4.5, ink
    assert _contrast(palette["hazard"], palette["hazard-paper"], eye) >= 4.5
    # Lure tracks: bright threads on a dark edge, which stands out from water; no two threads are equally light.
    assert min(_contrast(palette["ink"], under, eye) for under in [*water, palette["unknown"]]) >= 4.5
    threads = [palette[f"lure-{index}"] for index in range(4)]
    assert min(_contrast(thread, palette["ink"], eye) for thread in threads) >= 4.5
    assert min(_contrast(one, other, eye) for one, other in combinations(threads, 2)) >= 1.35
    assert _contrast(palette["chosen"], palette["pass"], eye) >= 4.5
    # Shades darken steadily with depth, and land is darker than any water.
    shades = [_luminance(shade, eye) for shade in water]
    assert all(deep < 0.93 * shallow for shallow, deep in pairwise(shades))
    assert _luminance(palette["land"], eye) < 0.75 * shades[-1]
