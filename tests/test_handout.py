from __future__ import annotations

import io
import re
from collections.abc import Iterator
from dataclasses import fields, is_dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pdfplumber
import pytest
import shapely
from pdfplumber.page import Page
from shapely import MultiPolygon, Point, box

from layers._errors import InputError
from layers.model import Mark
from spotmap import handout as handout_module
from spotmap.clientplan import NEAR_M, client_plan
from spotmap.handout import handout_pdf
from spotmap.handoutcommand import handout
from spotmap.handoutwords import HandoutWords, read_handout_words
from spotmap.model import Plan
from spotmap.papersheets import choose_sheets
from tests.plan_fixture import MARKUP, build_plan

DEMO = Path(__file__).parents[1] / "demo_area"
SPOT_NAME = "Grandmother's Corner"
SPOT = Point(500.0, -60.0)
"""On the track, in the middle of the work."""
ONE_POINT_M = 0.0254 / 72.0


def secret_plan(name: str = SPOT_NAME, spot: Point = SPOT, shift: tuple[float, float] = (0.0, 0.0)) -> Plan:
    """A plan that works a private spot, whose name has crept into everything that data can say."""
    plan = build_plan(moving=True)
    area = plan.area
    hidden = Mark(name, "spot", "only ours", True, spot, area.marks[0].source, told_by="a friend")
    plain = next(mark for mark in area.marks if not mark.private)
    area = replace(
        area,
        marks=(replace(plain, note=f"two miles off {name}"), hidden),
        closures=(*area.closures[:1], replace(area.closures[1], name=f"{name} reserve", reference=f"Code {name}")),
        hazards=tuple(replace(one, name=f"{one.name} by {name.upper()}") for one in area.hazards),
        sources=tuple(replace(one, source=f"told at {name}") for one in area.sources),
    )
    legs = tuple(
        replace(leg, leg=replace(leg.leg, xy=leg.leg.xy + shift, note=f"past {name}")) if leg.leg.kind != "run" else leg
        for leg in plan.legs
    )
    trip = replace(plan.trip, works=(replace(plan.trip.works[0], near=spot, near_name=name),))
    return replace(
        plan,
        area=area,
        trip=trip,
        legs=legs,
        works=(replace(plan.works[0], title=f"loop near {name}"),),
        closed=(plan.closed[0], replace(plan.closed[1], name=f"{name} reserve", reference=f"Code {name}")),
        warnings=(f"'{name}' lies on the track",),
        cautions=(*plan.cautions, f"Mind {name}."),
    )


def pages(content: bytes) -> list[Page]:
    return pdfplumber.open(io.BytesIO(content)).pages


def words_of(content: bytes) -> str:
    return " ".join(page.extract_text() for page in pages(content))


def drawn(page: Page) -> shapely.Geometry:
    """Every stroke and outline on a page, points from its lower left."""
    high = float(page.height)
    found = []
    for one in (*page.lines, *page.curves, *page.rects):
        points = np.array([(float(x), high - float(y)) for x, y in one["pts"]])
        if len(points) > 1:
            found.append(shapely.linestrings(points))
    return shapely.union_all(found, grid_size=0.01)


def track_shown(plan: Plan, content: bytes) -> float:
    """How much of the fished track has something drawn along it, within 4 m, on the chart sheets."""
    tracks = np.concatenate([leg.leg.xy[::20] for leg in plan.legs if leg.leg.kind != "run"])
    best = 0.0
    for sheet, page in zip(choose_sheets(handout_module.client_plan(plan), "Letter"), pages(content), strict=False):
        x, y = sheet.to_page(tracks[:, 0], tracks[:, 1])
        away = shapely.distance(drawn(page), shapely.points(np.asarray(x), np.asarray(y)))
        best = max(best, float(np.mean(away * ONE_POINT_M * sheet.scale < 4.0)))
    return best


def leaks(plan: Plan, content: bytes, name: str = SPOT_NAME) -> list[str]:
    """What a client's PDF gives away."""
    found = []
    with pdfplumber.open(io.BytesIO(content)) as opened:
        told = [*(page.extract_text() for page in opened.pages), str(opened.metadata), str(opened.annots)]
    if any(part.casefold() in " ".join(told).casefold() for part in (name, name.split(maxsplit=1)[0])):
        found.append("name")
    if track_shown(plan, content) > 0.3:
        found.append("track")
    return found


def everything(thing: Any) -> Iterator[Any]:
    """Every text, array and shape that a record holds."""
    if is_dataclass(thing):
        for one in fields(thing):
            yield from everything(getattr(thing, one.name))
    elif isinstance(thing, tuple | list | frozenset):
        for one in thing:
            yield from everything(one)
    else:
        yield thing


def moved_plan() -> Plan:
    """The same with another name for the spot, elsewhere in the same two miles, and the work gone there too."""
    return secret_plan("The Larder", Point(-300.0, 40.0), shift=(150.0, -90.0))


def test_a_clients_paper_does_not_depend_on_anything_private() -> None:
    """Nothing that is the same for two places half a mile apart can tell them apart, however it is read."""
    assert handout_pdf(moved_plan(), edition="client") == handout_pdf(secret_plan(), edition="client")


def test_neither_name_nor_track_is_in_a_clients_paper() -> None:
    plan = secret_plan()
    assert leaks(plan, handout_pdf(plan, edition="client")) == []


def test_the_search_for_leaks_finds_them(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(handout_module, "client_plan", lambda plan: plan)
    plan = secret_plan()
    content = handout_pdf(plan, edition="client")
    assert leaks(plan, content) == ["name", "track"]
    assert handout_pdf(moved_plan(), edition="client") != content


def test_a_clients_plan_holds_no_private_name_or_place() -> None:
    plan = client_plan(secret_plan())
    held = list(everything(plan))
    assert not [one for one in held if isinstance(one, str | Path) and "grandmother" in str(one).casefold()]
    assert not [one for one in held if isinstance(one, Point) and not one.is_empty and one.distance(SPOT) < 1.0]
    corners = np.concatenate([leg.leg.xy for leg in plan.legs]) / NEAR_M
    assert np.allclose(corners, np.round(corners))
    assert [leg.leg.note for leg in plan.legs] == [""]
    assert np.isnan(plan.day.xy).all()
    assert all(leg.start.minute % 15 == leg.end.minute % 15 == 0 for leg in plan.legs)


def square_of(plan: Plan) -> shapely.Polygon:
    return shapely.Polygon(client_plan(plan).legs[0].leg.xy)


def test_a_track_across_two_squares_shows_in_the_larger_one() -> None:
    assert square_of(secret_plan()).area == pytest.approx((2.0 * NEAR_M) ** 2)
    across = secret_plan(shift=(NEAR_M, 0.0))
    square = square_of(across)
    assert square.area >= (4.0 * NEAR_M) ** 2 - 1.0
    assert all(square.covers(Point(xy)) for leg in across.legs if leg.leg.kind != "run" for xy in leg.leg.xy)


def test_a_square_with_little_open_water_grows_until_the_water_hides_the_spot() -> None:
    plan = secret_plan()
    inlet = box(-1000.0, -300.0, 1000.0, 300.0)
    shore = MultiPolygon([box(-1852.0, -1852.0, 1852.0, 1852.0).difference(inlet)])
    strait = replace(plan, area=replace(plan.area, land=shore), closed=())
    water = square_of(strait).difference(shore)
    assert square_of(strait).area > (2.0 * NEAR_M) ** 2 + 1.0
    assert shapely.minimum_bounding_radius(water) >= NEAR_M


@pytest.mark.parametrize(("far_m", "told"), [(1.2 * NEAR_M, "Merrow Flats"), (0.9 * NEAR_M, "")])
def test_a_public_place_is_named_only_away_from_private_ones(far_m: float, told: str) -> None:
    plan = secret_plan(spot=Point(far_m, 0.0))
    public = replace(plan.area.marks[0], name="Merrow Flats", point=Point(0.0, 0.0))
    area = replace(plan.area, marks=(*plan.area.marks, public))
    work = replace(plan.trip.works[0], near=public.point, near_name=public.name)
    shown = client_plan(replace(plan, area=area, trip=replace(plan.trip, works=(work,))))
    assert shown.legs[0].leg.note == told


def test_a_private_home_is_not_told() -> None:
    plan = secret_plan(spot=build_plan().trip.home)
    area = replace(plan.area, marks=tuple(mark for mark in plan.area.marks if mark.private))
    plan = replace(plan, area=area, trip=replace(plan.trip, home_name=SPOT_NAME))
    content = handout_pdf(plan, edition="client")
    assert "name" not in leaks(plan, content)
    assert "where the skipper tells you" in words_of(content)


@pytest.mark.parametrize("edition", ["client", "crew"])
@pytest.mark.parametrize("paper", ["Letter", "A4"])
def test_every_page_says_what_it_is_and_stays_on_its_sheet(edition: Any, paper: Any) -> None:
    plan = secret_plan()
    content = handout_pdf(plan, edition=edition, paper=paper)
    assert content == handout_pdf(secret_plan(), edition=edition, paper=paper)
    every = pages(content)
    for number, page in enumerate(every, 1):
        said = page.extract_text()
        assert "Merrow Sound" in said
        assert "2026" in said
        assert "not for navigation" in said.casefold()
        assert f"page {number} of {len(every)}" in said
        assert "INVENTED" in said
        assert all(one["x0"] >= 0 and one["x1"] <= page.width for one in page.chars)
        assert {round(float(side)) for side in (page.width, page.height)} == (
            {612, 792} if paper == "Letter" else {595, 842}
        )


def test_metadata_hold_a_title_and_nothing_of_the_machine() -> None:
    content = handout_pdf(secret_plan(), edition="client")
    with pdfplumber.open(io.BytesIO(content)) as opened:
        told = {key: value for key, value in opened.metadata.items() if value and "Date" not in key}
        dates = {value for key, value in opened.metadata.items() if "Date" in key}
    assert told.pop("Title") == "Merrow Sound (INVENTED), 2026-08-14: plan, not for navigation"
    assert set(told) <= {"Trapped"}
    assert all(value.startswith("D:20000101") for value in dates)
    assert str(Path.home()).encode() not in content
    assert b"merrow/" not in content


def test_markup_shows_as_written_and_long_names_wrap() -> None:
    plan = secret_plan()
    closed = replace(plan.area.closures[0], name=f"{MARKUP} {'Unbroken' * 60}")
    content = handout_pdf(replace(plan, area=replace(plan.area, closures=(closed,))), edition="client")
    page = next(page for page in pages(content) if "broken" in page.extract_text())
    said = re.sub(r"\s", "", page.extract_text())
    assert "{{7*7}}" in said
    assert "<img" in said
    assert max(one["x1"] for one in page.chars) <= page.width - 36.0


def test_characters_without_a_glyph_are_told() -> None:
    words = HandoutWords(boat="The 沖")
    assert "U+6C96" in words_of(handout_pdf(secret_plan(), edition="client", words=words))
    assert "U+" not in words_of(handout_pdf(secret_plan(), edition="client"))


def test_the_client_reads_what_the_data_says_is_open_and_no_more() -> None:
    said = words_of(handout_pdf(build_plan(has_grounds=True), edition="client"))
    assert "Invented Code 3" in said
    assert "chinook" in said
    assert "as of 2026-03-01" in said
    assert "states no bag limits" in said
    assert "No ground layer" in words_of(handout_pdf(build_plan(), edition="client"))


def test_the_crew_reads_everything() -> None:
    plan = secret_plan()
    said = words_of(handout_pdf(plan, edition="crew"))
    assert SPOT_NAME in said
    assert "PRIVATE" in said
    for leg in plan.legs:
        assert f"{leg.seq} {leg.leg.label} {leg.leg.kind}" in said
    first = plan.legs[1]
    for course in (first.course_start_true_deg, first.course_start_magnetic_deg):
        assert f"{round(course) % 360:03d}°" in said
    assert "turn to starboard" in said
    assert "Invented Code 1 <b>(a)</b>" in said


def trip_file(tmp_path: Path, table: str) -> Path:
    text = (DEMO / "trip.toml").read_text().replace('area = "."', f'area = "{DEMO.as_posix()}"')
    file = tmp_path / "trip.toml"
    file.write_text(text + table)
    return file


def test_the_skippers_words_are_read_strictly(tmp_path: Path) -> None:
    area = build_plan().area
    file = trip_file(tmp_path, '\n[handout]\nmeet = "float 3"\nbring = ["boots", "hat"]\n')
    assert read_handout_words(file, area) == HandoutWords(meet="float 3", bring=("boots", "hat"))
    assert read_handout_words(DEMO / "trip.toml", area) == HandoutWords()
    bad = trip_file(tmp_path, '\n[handout]\nmete = "float 3"\nboat = 7\ncontact = "ask at QUIET  corner"\n')
    with pytest.raises(InputError) as told:
        read_handout_words(bad, area)
    assert sorted(one.where.split("'")[1] for one in told.value.findings) == ["boat", "contact", "mete"]
    assert "Did you mean 'meet'?" in str(told.value)
    assert "private" in str(told.value)


def test_the_command_writes_a_small_whole_file_or_none(tmp_path: Path) -> None:
    file = trip_file(tmp_path, '\n[handout]\nmeet = "At float 3, with a smile"\n')
    out = tmp_path / "day.pdf"
    handout(file, out)
    content = out.read_bytes()
    assert len(content) <= 2_000_000
    assert len(pages(content)) <= 3
    assert "At float 3" in words_of(content)
    said = words_of(content)
    assert not [name for name in ("Larder", "Grandmother") if name in said]
    handout(file, out, paper="a4")
    assert out.read_bytes() != content
    stranger = tmp_path / "mine.pdf"
    stranger.write_bytes(b"%PDF-1.4 a letter")
    with pytest.raises(InputError, match="not a handout"):
        handout(file, stranger)
    assert stranger.read_bytes() == b"%PDF-1.4 a letter"
    with pytest.raises(InputError, match="cannot be written"):
        handout(file, tmp_path / "missing" / "day.pdf")
    assert sorted(one.name for one in tmp_path.iterdir()) == ["day.pdf", "mine.pdf", "trip.toml"]
    with pytest.raises(InputError, match="not one of client, crew"):
        handout(file, out, edition="guest")
    with pytest.raises(InputError, match="crew's edition"):
        handout(file, out, setback=["25 ft"])
