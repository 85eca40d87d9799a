"""The graph of the trip: well formed, true to the plan, legible without colour, and never a word over a word."""

from __future__ import annotations

import re
import unicodedata
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from itertools import combinations
from typing import TYPE_CHECKING
from xml.etree import ElementTree as ET

import numpy as np
import pytest

from spotmap.tidegraph import trip_graph
from tests.plan_fixture import EVENT_AFTER, MARKUP, build_plan

if TYPE_CHECKING:
    from collections.abc import Iterator

    from spotmap.model import Plan

SVG = "{http://www.w3.org/2000/svg}"
SIZE = 11.0


@pytest.fixture(scope="module")
def plan() -> Plan:
    return build_plan(moving=True, laps=6)


def drawing(plan: Plan, width: float = 720.0) -> ET.Element:
    return parsed(trip_graph(plan, width=width))


def parsed(text: str) -> ET.Element:
    return ET.fromstring(text)  # noqa: S314 -- our own text


def of_class(graph: ET.Element, name: str) -> list[ET.Element]:
    return [node for node in graph.iter() if name in (node.get("class") or "").split()]


def words(graph: ET.Element) -> list[str]:
    return [node.text or "" for node in graph.iter(f"{SVG}text")]


def boxes(graph: ET.Element) -> Iterator[tuple[str, tuple[float, float, float, float]]]:
    """Yield what is written and about where: characters 0.6 of the size wide, wide ones twice that."""
    for node in graph.iter(f"{SVG}text"):
        said = node.text or ""
        wide = 0.6 * SIZE * sum(2 if unicodedata.east_asian_width(one) in "WF" else 1 for one in said)
        wide *= 1.15 if "tg-strong" in (node.get("class") or "") else 1.0
        x, y = float(node.get("x", "nan")), float(node.get("y", "nan"))
        if "rotate(-90" in (node.get("transform") or ""):
            yield said, (x - SIZE / 2, y - wide / 2, x + SIZE / 2, y + wide / 2)
            continue
        left = x - {"start": 0.0, "middle": 0.5, "end": 1.0}[node.get("text-anchor", "")] * wide
        yield said, (left, y - 0.75 * SIZE, left + wide, y + 0.2 * SIZE)


def time_at(graph: ET.Element, plan: Plan, x: float) -> float:
    """Return the moment at a place of the axis, in seconds from the start."""
    left, right = float(graph.get("data-left", "nan")), float(graph.get("data-right", "nan"))
    took = plan.legs[-1].end.timestamp() - plan.legs[0].start.timestamp()
    return (x - left) / (right - left) * took


def points(path: ET.Element) -> np.ndarray:
    return np.reshape([float(n) for n in re.findall(r"-?\d+(?:\.\d+)?", path.get("d", "").removesuffix("h1"))], (-1, 2))


def with_gaps(plan: Plan) -> Plan:
    tide, flow = plan.day.tide_m.copy(), plan.day.work_flow_mps.copy()
    tide[40:95], tide[150:152], flow[:25], flow[200:201] = np.nan, np.nan, np.nan, np.nan
    return replace(plan, day=replace(plan.day, tide_m=tide, work_flow_mps=flow))


def with_events(plan: Plan) -> Plan:
    start = plan.day.moments[0]
    events = tuple(
        (start + timedelta(minutes=7 * n), f"{name} opens")
        for n, name in enumerate(["Gull Rookery", "W" * 70, "漁場の禁漁区域", MARKUP] * 8)
    )
    return replace(plan, day=replace(plan.day, events=events))


def autumn() -> Plan:
    return build_plan(zone="CET", departure=datetime(2026, 10, 24, 22, 40), moving=True, laps=6)  # noqa: DTZ001


@pytest.mark.parametrize("width", [330.0, 350.0, 720.0, 1000.0])
@pytest.mark.parametrize("case", ["plain", "still", "gaps", "events", "autumn", "nothing"])
def test_no_word_covers_another_or_leaves_the_sheet(plan: Plan, case: str, width: float) -> None:
    nothing = replace(plan.day, tide_m=np.full_like(plan.day.tide_m, np.nan), work_flow_mps=plan.day.flow_mps * np.nan)
    plans = {
        "plain": plan,
        "still": build_plan(),
        "gaps": with_gaps(plan),
        "events": with_events(plan),
        "autumn": autumn(),
        "nothing": replace(plan, day=nothing),
    }
    graph = drawing(plans[case], width)
    found = list(boxes(graph))
    assert len(found) >= 10
    for (said, one), (other_said, other) in combinations(found, 2):
        apart = one[0] >= other[2] or other[0] >= one[2] or one[1] >= other[3] or other[1] >= one[3]
        assert apart, (said, other_said)
    for said, box in found:
        assert box[0] >= 0, said
        assert box[1] >= 0, said
        assert box[2] <= width, said
        assert box[3] <= float(graph.get("height", "nan")), said
    for name in ("light", "work", "legs", "clock"):
        assert any(said.startswith(name) for said, _ in found), name


def test_turn_points_stand_where_and_when_the_tide_turns(plan: Plan) -> None:
    graph = drawing(plan)
    (high,) = of_class(graph, "tg-turn-point")  # the fixture's tide turns 20 minutes after departure
    assert time_at(graph, plan, float(high.get("cx", "nan"))) == pytest.approx(1200.0, abs=5.0)
    # 1.5 m + 1.4 m and 9.5 ft = 2.9 m
    assert "05:50 · 9.5 ft" in words(graph)
    (curve,) = of_class(graph, "tg-tide")
    line = points(curve)
    assert len(line) == len(plan.day.moments)
    assert float(high.get("cy", "nan")) == pytest.approx(line[:, 1].min(), abs=0.2)
    drop = np.diff(line[[20, -1], 1])[0] / np.diff(plan.day.tide_m[[20, -1]])[0]
    assert np.allclose(line[:, 1] - line[20, 1], drop * (plan.day.tide_m - plan.day.tide_m[20]), atol=0.2)


def test_unknown_is_a_gap_with_the_word_and_no_curve_crosses_it(plan: Plan) -> None:
    graph = drawing(with_gaps(plan))
    gaps = of_class(graph, "tg-gap")
    assert len(gaps) == 4
    assert words(graph).count("unknown") == 4
    tide = [gap for gap in gaps if float(gap.get("y", "nan")) == float(gaps[0].get("y", "nan"))]
    for gap, (first, end) in zip(tide, [(40, 95), (150, 152)], strict=True):
        left = float(gap.get("x", "nan"))
        right = left + float(gap.get("width", "nan"))
        assert time_at(graph, plan, left) == pytest.approx(60 * (first - 0.5), abs=5.0)
        assert time_at(graph, plan, right) == pytest.approx(60 * (end - 0.5), abs=5.0)
    curves = [points(path) for path in of_class(graph, "tg-tide")]
    assert [len(curve) for curve in curves] == [40, 55, len(plan.day.moments) - 152]
    for curve in curves:
        at = [time_at(graph, plan, x) / 60 for x in curve[:, 0]]
        assert not any(40 <= round(minute) < 95 or 150 <= round(minute) < 152 for minute in at)
    sets = [
        time_at(graph, plan, float(re.findall(r"[\d.]+", one.get("transform", ""))[0]))
        for one in of_class(graph, "tg-set")
    ]
    assert min(sets) > 24 * 60


def test_set_is_drawn_by_true_north_and_drift_by_its_strength(plan: Plan) -> None:
    graph = drawing(plan)
    arrows = of_class(graph, "tg-set")
    assert len(arrows) >= 15
    for arrow in arrows:
        x, _, turned = (float(n) for n in re.findall(r"-?[\d.]+", arrow.get("transform", "")))
        row = min(round(time_at(graph, plan, x) / 60), len(plan.day.moments) - 1)
        east, north = plan.day.work_flow_mps[row]
        true = float(plan.area.projection.true_course_deg(*plan.day.xy[row], np.arctan2(north, east)))
        assert abs((turned - true + 180) % 360 - 180) <= 1.0
    (curve,) = of_class(graph, "tg-drift")
    drift = np.hypot(*plan.day.work_flow_mps.T)
    most = int(drift.argmax())
    line = points(curve)
    zero = line[most, 1] + (line[0, 1] - line[most, 1]) / (1 - drift[0] / drift[most])
    assert np.allclose(zero - line[:, 1], (zero - line[most, 1]) * drift / drift[most], atol=0.2)
    (limit,) = of_class(graph, "tg-limit")
    strong = plan.trip.limits.strong_current_mps / drift[most]
    assert zero - float(limit.get("y1", "nan")) == pytest.approx(strong * (zero - line[most, 1]), abs=0.3)
    assert "strong: 1.5 kn" in words(graph)


def test_strips_tell_kinds_apart_by_shape_and_hold_the_plans_times(plan: Plan) -> None:
    graph = drawing(plan)
    heights = {}
    for kind in ("pass", "turn", "run"):
        drawn = [node for node in of_class(graph, f"tg-{kind}") if node.find(f"{SVG}title") is not None]
        legs = [leg for leg in plan.legs if leg.leg.kind == kind]
        for node, leg in zip(drawn, legs, strict=True):
            x, wide = float(node.get("x", "nan")), float(node.get("width", "nan"))
            start = leg.start.timestamp() - plan.legs[0].start.timestamp()
            assert time_at(graph, plan, x) == pytest.approx(start, abs=3.0)
            assert time_at(graph, plan, x + wide) - start == pytest.approx(
                leg.end.timestamp() - leg.start.timestamp(), abs=4.0
            )
        heights[kind] = float(drawn[0].get("height", "nan"))
    assert heights["pass"] > 1.5 * heights["turn"] > 2.0 * heights["run"]
    titles = [title.text for title in graph.iter(f"{SVG}title")]
    assert "loop from 05:34 to 07:43: weak: both ways make way" in titles
    assert any(title and title.startswith("one-way from 07:43") and "<strong>" in title for title in titles)
    fills = {node.get("fill") for node in graph.iter(f"{SVG}rect") if "url(#trip-graph-" in (node.get("fill") or "")}
    assert {"url(#trip-graph-loop)", "url(#trip-graph-one-way)"} <= fills
    light = [one.get("width") for name in ("night", "twilight", "day") for one in of_class(graph, f"tg-{name}")]
    assert len(light) == 2  # twilight until 05:41, then day
    assert "day from 05:41" in words(graph)


def test_opening_of_grounds_is_marked_at_its_moment_and_is_only_text(plan: Plan) -> None:
    text = trip_graph(plan)
    graph = parsed(text)
    (line,) = of_class(graph, "tg-event")
    assert time_at(graph, plan, float(line.get("x1", "nan"))) == pytest.approx(EVENT_AFTER.total_seconds(), abs=4.0)
    assert f"05:42 {MARKUP} opens" in words(graph)
    assert not re.search(r"<img|\{\{|\{%", text)
    assert not [
        node.tag for node in graph.iter() if node.tag in (f"{SVG}script", f"{SVG}a", f"{SVG}image", f"{SVG}use")
    ]
    assert not re.findall(r"\bon\w+=\"|href=|url\((?!#)", text)
    assert text.isascii()
    outside = replace(plan.day, events=((plan.legs[-1].end + timedelta(hours=1), "Far Bank closes"),))
    assert of_class(drawing(replace(plan, day=outside)), "tg-event") == []


def test_without_layers_it_says_that_none_is_counted() -> None:
    graph = drawing(build_plan())
    assert {"no tide layer: none counted", "no current layer: none counted"} <= set(words(graph))
    assert of_class(graph, "tg-gap") == of_class(graph, "tg-tide") == of_class(graph, "tg-set") == []
    assert "loop" in words(graph)
    described = graph.find(f"{SVG}desc")
    assert described is not None
    assert "No tide layer" in (described.text or "")


def test_those_who_cannot_see_it_are_told(plan: Plan) -> None:
    graph = drawing(plan)
    assert graph.get("role") == "img"
    said = {node.get("id"): node.text or "" for node in graph if node.get("id")}
    title, described = (said[name] for name in graph.get("aria-labelledby", "").split())
    assert title
    assert "High water 05:50, 9.5 ft." in described
    assert "Strongest current at the work 1.7 kn" in described
    assert "one-way from 07:43" in described


def test_axis_is_right_across_midnight_and_a_change_of_the_clock() -> None:
    plan = autumn()
    graph = drawing(plan)
    ticks = [node for node in graph.iter(f"{SVG}text") if re.fullmatch(r"\d\d:00", node.text or "")]
    hours = [node.text for node in ticks]
    assert hours == ["23:00", "00:00", "01:00", "02:00", "02:00"]
    at = np.diff([time_at(graph, plan, float(node.get("x", "nan"))) for node in ticks[1:5]])
    assert np.allclose(at, 3600.0, atol=20.0)
    first = plan.legs[0].start.astimezone(UTC)
    assert time_at(graph, plan, float(ticks[0].get("x", "nan"))) == pytest.approx(
        (datetime(2026, 10, 24, 21, tzinfo=UTC) - first).total_seconds(), abs=20.0
    )
    assert {"Sat 24 Oct", "Sun 25 Oct", "clock to UTC+1"} <= set(words(graph))
    assert len(of_class(graph, "tg-day-line")) == 1


def test_same_plan_same_bytes_and_ids_of_its_own(plan: Plan) -> None:
    assert trip_graph(plan) == trip_graph(plan)
    ids = [set(re.findall(r'id="([^"]+)"', trip_graph(plan, name=name))) for name in ("one", "two")]
    assert ids[0]
    assert not ids[0] & ids[1]
