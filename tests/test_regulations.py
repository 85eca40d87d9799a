from __future__ import annotations

import math
import time
from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np
import pyproj
import pytest
import shapely
from geographiclib.geodesic import Geodesic

from layers._errors import InputError
from layers.made import MadeLayer
from layers.projection import choose_projection
from layers.regulationmade import RegulationTerms, circle, preview, regulation_made
from layers.regulations import (
    Regulation,
    acceptance_code,
    looks_like_regulation,
    read_regulation,
    regulation_text,
)
from tests.test_positions import SAME_PLACE

DATA = Path(__file__).parents[2] / "shared" / "data" / "regulation_points.txt"
# source: 50 CFR § 660.70 (North Coast Recreational Yelloweye Rockfish Conservation Area) and § 660.79 (b) (Blunts
# Reef), typed from the Code of Federal Regulations; areas in m², perimeters in m from check_values.md
TWO_AREAS = """\
# 50 CFR § 660.70 North Coast Recreational Yelloweye Rockfish Conservation Area (C-shaped)
(1) 48°18.00′ N. lat.; 125°18.00′ W. long.;
(2) 48°18.00′ N. lat.; 124°59.00′ W. long.;
(3) 48°11.00′ N. lat.; 124°59.00′ W. long.;
(4) 48°11.00′ N. lat.; 125°11.00′ W. long.;
(5) 48°04.00′ N. lat.; 125°11.00′ W. long.;
(6) 48°04.00′ N. lat.; 124°59.00′ W. long.;
(7) 48°00.00′ N. lat.; 124°59.00′ W. long.;
(8) 48°00.00′ N. lat.; 125°18.00′ W. long.;
and connecting back to 48°18.00′ N. lat.; 125°18.00′ W. long.

# 50 CFR § 660.79 (b) Blunts Reef
(1) 40°27.53′ N. lat., 124°26.84′ W. long.;
(2) 40°24.66′ N. lat., 124°29.49′ W. long.;
(3) 40°28.50′ N. lat., 124°32.42′ W. long.;
(4) 40°30.46′ N. lat., 124°32.23′ W. long.;
(5) 40°30.21′ N. lat., 124°26.85′ W. long.;
and connecting back to 40°27.53′ N. lat., 124°26.84′ W. long.
"""
PUBLISHED = {
    "North Coast Recreational Yelloweye Rockfish Conservation Area (C-shaped)": (
        592.857e6,
        143.619e3,
        "50 CFR § 660.70",
    ),
    "Blunts Reef": (57.705e6, 30.938e3, "50 CFR § 660.79 (b)"),
}
TRIANGLE = [(48.3, -125.3), (48.3, -125.1), (48.1, -125.1)]
FORMS = {
    "regulation": "(1) 48°18.00′ N. lat.; 125°18.00′ W. long.;\n(2) 48°18.00′ N. lat.; 125°06.00′ W. long.;\n"
    "(3) 48°06.00′ N. lat.; 125°06.00′ W. long.; and connecting back to\n48°18.00′ N. lat.; 125°18.00′ W. long.",
    "DMS, points named": "Point A: 48°18'00\"N 125°18'00\"W\nPoint B: 48°18'00\"N 125°06'00\"W\n"
    "Point C: 48°06'00\"N 125°06'00\"W\nand back to point A.",
    "decimal minutes without signs": "1. 48 18.0 N 125 18.0 W\n2. 48 18.0 N 125 06.0 W\n3. 48 06.0 N 125 06.0 W\n"
    "4. 48 18.0 N 125 18.0 W",
    "hyphens": "a) 48-18.00N 125-18.00W\nb) 48-18.00N 125-06.00W\nc) 48-06.00N 125-06.00W\nto the point of beginning",
    "decimal degrees": "48.3000, -125.3000\n48.3000, -125.1000\n48.1000, -125.1000\n48.3000, -125.3000",
    "letters and commas": "A,48.30,-125.30\nB,48.30,-125.10\nC,48.10,-125.10\nA,48.30,-125.30",
    "one decimal": "48.3, -125.3\n48.3, -125.1\n48.1, -125.1\n48.3, -125.3\n",
    "decimal degrees with letters": "48.3° N, 125.3° W; 48.3° N, 125.1° W; 48.1° N, 125.1° W; thence back to the start",
    "columns, longitude first": "Longitude  Latitude\n-125.30 48.30\n-125.10 48.30\n-125.10 48.10\n-125.30 48.30",
    "running text": "The area is bounded by straight lines connecting the following coordinates in the order listed: "
    "beginning at latitude 48°18' north and longitude 125°18' west; thence due east to 48°18' N, 125°06' W; thence "
    "southerly to\n48°06' N, 125°06' W; thence to the point of beginning.",
    "several on a line": "48°18.00′ N 125°18.00′ W, 48°18.00′ N 125°06.00′ W, 48°06.00′ N 125°06.00′ W, and\n"
    "connecting back to 48°18.00′ N 125°18.00′ W.",
    "letters lead": "N48°18.00' W125°18.00'; N48°18.00' W125°06.00'; N48°06.00' W125°06.00'; N48°18.00' W125°18.00'",
    "soft breaks": "(1) 48°18.00′ N.\nlat.; 125°18.00′\nW. long.; (2) 48°\n18.00′ N. lat.; 125°06.00′ W. long.;\n"
    "(3) 48°06.00′ N. lat.;\n125°06.00′ W. long.; and connecting back\nto the point of beginning.",
    "quotes and spaces of Windows": "\ufeff(1) 48°\u00a018’ 00” N / 125°\u00a018’ 00” W\r\n"
    "(2) 48° 18’ 00” N / 125° 06’ 00” W"
    "\r\n(3) 48° 06’ 00” N / 125° 06’ 00” W\r\nand connecting back to 48° 18’ 00” N / 125° 18’ 00” W\r\n",
    "words of the axes": "Lat: 48.30 Lon: -125.30\nLat: 48.30 Lon: -125.10\nLat: 48.10 Lon: -125.10\n"
    "returning to Lat: 48.30 Lon: -125.30",
}


def terms(**changes: object) -> RegulationTerms:
    plain = RegulationTerms("closure", "05-01", "09-30", date(2026, 3, 1), "invented", Path("Gull Bank (new).txt"))
    return replace(plain, **changes)  # type: ignore[arg-type]


def layer_of(regulation: Regulation, **changes: object) -> MadeLayer:
    return regulation_made(regulation, terms(**changes)).layers[0]


def points(text: str) -> list[list[tuple[float, float]]]:
    return [[(one.lat, one.lon) for one in area.positions] for area in read_regulation(text, "x.txt").areas]


def check_published(text: str, *, exact: float) -> None:
    regulation = read_regulation(text, "regulation_points.txt")
    assert not regulation.unread
    layer = layer_of(regulation)
    assert list(layer.attributes["name"]) == list(PUBLISHED)
    geod = pyproj.Geod(ellps="WGS84")
    for shape, name, rule in zip(layer.geometry, layer.attributes["name"], layer.attributes["rule"], strict=True):
        area_m2, perimeter_m, reference = PUBLISHED[name]
        assert rule == reference
        by_proj = geod.geometry_area_perimeter(shape)
        ring = Geodesic.WGS84.Polygon()
        for lon, lat in shape.exterior.coords[:-1]:
            ring.AddPoint(lat, lon)
        _, karney_m, karney_m2 = ring.Compute()
        for area, perimeter in (by_proj, (karney_m2, karney_m)):
            assert abs(area) == pytest.approx(area_m2, rel=exact)
            assert perimeter == pytest.approx(perimeter_m, rel=exact)
        assert abs(by_proj[0]) == pytest.approx(abs(karney_m2), rel=1e-9)


def test_published_areas_as_typed_here() -> None:
    check_published(TWO_AREAS, exact=1e-4)


@pytest.mark.realdata
@pytest.mark.skipif(not DATA.exists(), reason="../shared/data is absent; the twin above reads the same lists as typed")
def test_published_areas_from_the_file() -> None:
    check_published(regulation_text(DATA), exact=1e-4)


@pytest.mark.parametrize("form", FORMS)
def test_every_form_gives_the_same_ring(form: str) -> None:
    regulation = read_regulation(FORMS[form], "x.txt")
    assert len(regulation.areas) == 1
    area = regulation.areas[0]
    assert [(one.lat, one.lon) for one in area.positions] == [pytest.approx(point) for point in TRIANGLE]
    assert area.closed in ("connecting back", "first repeated")
    assert not regulation.unread


@pytest.mark.parametrize("position", SAME_PLACE)
def test_every_form_of_a_position_is_found_in_a_numbered_list(position: str) -> None:
    (found,) = points(f"(1) {position};\n")
    assert found == [pytest.approx((48.15, -122.67))]


def test_lines_are_those_of_the_text() -> None:
    area = read_regulation("\r\n\r\n" + FORMS["soft breaks"].replace("\n", "\r\n"), "x.txt").areas[0]
    assert [one.line for one in area.positions] == [3, 5, 7]


SEVERAL = """\
§ 12.3 Merrow closures.
(a) Gull Bank. The area is bounded by straight lines connecting the following coordinates in the order listed:
48°18.00′ N 125°18.00′ W
48°18.00′ N 125°10.00′ W
48°11.00′ N 125°10.00′ W
and connecting back to the point of beginning.
(b) Heron Deep: beginning at 48.10, -125.10; thence due south to 48.05, -125.10; thence east to 48.05, -125.00;
thence to the point of beginning.
(c) Tern Rock. Within a radius of 500 yards around 48°20.00′ N. lat., 125°20.00′ W. long.
Curlew Flats
1. 47 18.0 N 125 18.0 W
2. 47 18.0 N 125 10.0 W
3. 47 11.0 N 125 10.0 W
1. 46 18.0 N 125 18.0 W
2. 46 18.0 N 125 10.0 W
3. 46 11.0 N 125 10.0 W
"""


def test_several_areas_with_headings_of_many_kinds() -> None:
    regulation = read_regulation(SEVERAL, "x.txt")
    assert [(area.name, area.reference, area.closed, len(area.positions)) for area in regulation.areas] == [
        ("Gull Bank", "§ 12.3 (a)", "connecting back", 3),
        ("Heron Deep", "§ 12.3 (b)", "connecting back", 3),
        ("Tern Rock", "§ 12.3 (c)", "circle", 1),
        ("Curlew Flats", "§ 12.3", "ended", 3),
        ("Curlew Flats (2)", "§ 12.3", "ended", 3),
    ]
    assert not regulation.unread
    assert any("another ring without a heading" in finding.what for finding in regulation.findings)


def test_an_open_line_needs_a_word_from_a_person() -> None:
    regulation = read_regulation(SEVERAL, "x.txt")
    with pytest.raises(InputError, match=r"'Curlew Flats'.*not said to come back.*\n.*'Curlew Flats \(2\)'.*not said"):
        layer_of(regulation)
    made = regulation_made(
        regulation, terms(closed=frozenset({"Curlew Flats"}), left_out=frozenset({"Curlew Flats (2)"}))
    )
    assert list(made.layers[0].attributes["name"]) == ["Gull Bank", "Heron Deep", "Tern Rock", "Curlew Flats"]
    told = " ".join(map(str, made.findings))
    assert "A person said that it is closed" in told
    assert "'Curlew Flats (2)' was left out" in told
    with pytest.raises(InputError, match="no area or line 'Curlew Flat' in it; there are 'Curlew Flats'"):
        layer_of(regulation, closed=frozenset({"Curlew Flat"}))


def test_what_is_not_understood_is_listed_by_line() -> None:
    text = """(a) Gull Bank.
It is unlawful to fish here from May 1.
48°18.00′ N 125°18.00′ W
thence along the shore to 48°18.00′ N 125°10.00′ W
thence north of 48°11.00′ N 125°10.00′ W, except within the harbour,
and back to the point of beginning.
Effective May 1 Through June 30
"""
    regulation = read_regulation(text, "x.txt")
    assert [(one.number, one.part) for one in regulation.unread] == [
        (2, "It is unlawful to fish here from May 1."),
        (4, "thence along the shore to"),
        (5, "thence north of"),
        (5, ", except within the harbour,"),
        (7, "Effective May 1 Through June 30"),
    ]
    assert regulation.unread[1].text == "thence along the shore to 48°18.00' N 125°10.00' W"
    shown = preview(regulation)
    assert "line 4: thence along the shore to" in shown
    assert shown.endswith(f"code {acceptance_code(regulation)}")


def test_the_code_covers_the_text_and_what_was_understood() -> None:
    codes = {
        acceptance_code(read_regulation(text, "x.txt"))
        for text in (TWO_AREAS, TWO_AREAS.replace("125°11.00′", "125°12.00′"), TWO_AREAS + "\nUnless told otherwise.\n")
    }
    assert len(codes) == 3
    assert acceptance_code(read_regulation(TWO_AREAS, "y.txt")) in codes
    regulation = read_regulation(TWO_AREAS, "x.txt")
    assert acceptance_code(replace(regulation, areas=regulation.areas[:1])) not in codes


def test_a_point_that_may_be_lost_stops_the_area() -> None:
    for broken in (
        "(2) 48°1B.00′ N 125°10.00′ W",
        "(2) 48°18.00′ N",
        "(2) 1 48 18.00 N 125 10.00 W",
        "(2) 98°18.00′ N 125°10′ W",
    ):
        text = TWO_AREAS.replace("(2) 48°18.00′ N. lat.; 124°59.00′ W. long.", broken)
        regulation = read_regulation(text, "x.txt")
        assert 3 in {one.number for one in regulation.unread}, broken
        with pytest.raises(InputError, match="line 3"):
            layer_of(regulation)
    comma = "# Gull Bank\n48,30 N 125,30 W\n" + FORMS["decimal degrees"]
    with pytest.raises(InputError, match="line 2 may be a point of it"):
        layer_of(read_regulation(comma, "x.txt"))
    first = TWO_AREAS.replace("(1) 48°18.00′ N. lat.; 125°18.00′", "(1) 48°1B.00′ N. lat.; 125°18.00′", 1)
    with pytest.raises(InputError, match="line 2 may be a point of it"):
        layer_of(read_regulation(first, "x.txt"))


def test_missing_and_misplaced_numbers_are_told() -> None:
    text = TWO_AREAS.replace("(4) 48°11.00′ N. lat.; 125°11.00′ W. long.;\n", "")
    found = [finding.what for finding in read_regulation(text, "x.txt").findings]
    name = "North Coast Recreational Yelloweye Rockfish Conservation Area (C-shaped)"
    assert found == [f"'{name}', line 5: is number 5, and 4 was to come."]


def test_depth_lines_and_datums_are_told_and_coordinates_kept() -> None:
    text = """The 50-fm (91-m) depth contour is defined by straight lines connecting the following points (NAD 27):
(1) 48°18.00′ N. lat., 125°18.00′ W. long.;
(2) 48°17.00′ N. lat., 125°17.00′ W. long.; and
(3) 48°16.00′ N. lat., 125°15.00′ W. long."""
    regulation = read_regulation(text, "x.txt")
    told = " ".join(finding.what for finding in regulation.findings)
    assert "speaks of a depth line, '50-fm (91-m) depth contour'" in told
    assert "the datum 'NAD 27'" in told
    assert [one.part for one in regulation.unread if one.part == "NAD 27"] == ["NAD 27"]
    assert regulation.areas[0].closed == "ended"
    along = read_regulation(text.replace("and\n", "thence along the 50-fm depth contour to\n"), "x.txt")
    assert 3 in [one.number for one in along.unread]


@pytest.mark.parametrize(
    ("words", "radius_m"),
    [
        ("Within 500 yards of {}", 457.2),
        ("a 0.5 nautical mile radius around the point {}", 926.0),
        ("a circle with a radius of 300 m centered at {}", 300.0),
        ("{}, with a radius of 1.5 NM", 2778.0),
    ],
)
def test_circles(words: str, radius_m: float) -> None:
    regulation = read_regulation(words.format("48°20.00′ N. lat., 125°20.00′ W. long.") + ".", "x.txt")
    assert not regulation.unread
    assert regulation.areas[0].radius_m == pytest.approx(radius_m)
    shape = layer_of(regulation).geometry[0]
    edges = shapely.get_coordinates(shapely.segmentize(shape.exterior, shape.length / 20_000))
    away = pyproj.Geod(ellps="WGS84").inv(
        np.full(len(edges), -125 - 1 / 3), np.full(len(edges), 48 + 1 / 3), edges[:, 0], edges[:, 1]
    )[2]
    assert radius_m - 1e-6 <= away.min() <= away.max() < radius_m * 1.0002
    inner = circle(-125.0, 48.0, radius_m, outside=False)
    lon, lat = np.array(inner.exterior.coords).T
    assert pyproj.Geod(ellps="WGS84").inv(lon * 0 - 125.0, lat * 0 + 48.0, lon, lat)[2].max() <= radius_m


def test_circles_that_are_not_understood_stay_unread() -> None:
    one, two = "48°20.00′ N 125°20.00′ W", "48°25.00′ N 125°20.00′ W"
    assert read_regulation(f"Within two miles of {one}", "x.txt").unread
    assert read_regulation(f"Within 2 miles of {one}", "x.txt").unread
    several = read_regulation(f"Within 500 yards of {one}; {two}", "x.txt")
    assert [area.closed for area in several.areas] == ["ended"]
    assert several.unread
    with pytest.raises(InputError, match="needs three"):
        layer_of(read_regulation(f"Within 2 miles of {one}", "x.txt"))


def test_what_is_made_says_all_that_the_person_said() -> None:
    made = regulation_made(
        read_regulation(TWO_AREAS, "x.txt"), terms(species="chinook", methods="troll", forbids="entry", source="50 CFR")
    )
    (layer,), (origin,) = made.layers, made.origins
    assert (layer.role, layer.name, layer.origins) == ("closure", "gull-bank-new", ("gull-bank-new",))
    told = {key: value[0] for key, value in layer.attributes.items() if key not in ("name", "rule")}
    assert told == {"forbids": "entry", "species": "chinook", "methods": "troll", "from": "05-01", "until": "09-30"}
    assert (origin.kind, origin.as_of, origin.source) == ("regulation", date(2026, 3, 1), "50 CFR")
    ground = layer_of(read_regulation(FORMS["hyphens"], "x.txt"), role="ground", name="Tern Grounds", reference="R 7")
    assert "forbids" not in ground.attributes
    assert (ground.attributes["name"], ground.attributes["rule"]) == (["Tern Grounds"], ["R 7"])
    assert any("straight in longitude and latitude" in finding.what for finding in made.findings)


def test_a_crossing_ring_is_kept_as_it_is_written() -> None:
    text = "48.30, -125.30\n48.10, -125.10\n48.30, -125.10\n48.10, -125.30\n48.30, -125.30\n"
    shape = layer_of(read_regulation(text, "x.txt")).geometry[0]
    assert list(shape.exterior.coords) == [
        (-125.3, 48.3),
        (-125.1, 48.1),
        (-125.1, 48.3),
        (-125.3, 48.1),
        (-125.3, 48.3),
    ]
    assert not shape.is_valid


def test_a_ring_over_the_180th_meridian_stays_small() -> None:
    text = "10°N 179°E; 10°N 179°W; 11°N 179°W; 10°N 179°E"
    shape = layer_of(read_regulation(text, "x.txt")).geometry[0]
    local = choose_projection(shapely.get_coordinates(shape)).project(shape)
    assert local.area == pytest.approx(1.5 * 1.0 / 1.5 * 110_600 * 109_600, rel=0.02)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "holds no positions"),
        ("All waters of the bay are closed, §§ 660.70, 660.79.", "holds no positions"),
        ("<!DOCTYPE html><p>48 N 122 W", "web page"),
        ("x" * 10_000_001, "longer than ten million"),
        ("48.10, -125.10;" * 50_002, "more than 50,000 positions"),
    ],
)
def test_texts_that_are_refused(text: str, message: str) -> None:
    with pytest.raises(InputError, match=message):
        read_regulation(text, "x.txt")


def test_files_that_are_no_text(tmp_path: Path) -> None:
    file = tmp_path / "rule.txt"
    for data, message in (
        (b"\x00\x01\x02", "zero bytes"),
        ("48° N".encode("cp1252"), "not UTF-8"),
        (b"\xff\xfe\x00", "UTF-8"),
    ):
        file.write_bytes(data)
        with pytest.raises(InputError, match=message):
            regulation_text(file)
    file.write_text(TWO_AREAS, encoding="utf-16")
    assert regulation_text(file) == TWO_AREAS
    with pytest.raises(InputError, match="cannot be read"):
        regulation_text(tmp_path / "absent.txt")


def test_characters_that_no_one_sees_are_left_out_and_told() -> None:
    text = TWO_AREAS.replace("Blunts Reef", "Blunts\u202e\u200b \x1bReef").replace("40°24.66′", "40°2\u00ad4.66′")
    regulation = read_regulation(text, "x.txt")
    assert regulation.areas[1].name == "Blunts Reef"
    assert regulation.areas[1].positions[1].lat == pytest.approx(40 + 24.66 / 60)
    assert [one.number for one in regulation.unread] == [12, 14]
    assert "cannot be seen" in regulation.unread[0].part


def test_names_in_other_scripts_and_formulas_stay_text() -> None:
    for name in ("خليج النورس", "鷗島禁漁区", '=HYPERLINK("x")', "Gull’s Bank & <b>"):
        regulation = read_regulation(f"# {name}\n{FORMS['hyphens']}", "x.txt")
        assert regulation.areas[0].name.replace("'", "’") == name


@pytest.mark.parametrize(
    "text",
    [
        "4848484" * 150_000 + "°°°" * 10_000,
        "°" * 1_000_000,
        "(" * 1_000_000,
        "48" + " " * 1_000_000 + "N",
        "(a) (b) " * 125_000,
        "100 fm " * 140_000,
        "a radius of 500 yards back to the point " * 25_000,
        "north lat 48 " * 30_000,
        "48°18'" * 30_000,
    ],
    ids=lambda text: text[:12],
)
def test_a_million_odd_characters_take_seconds(text: str) -> None:
    start = time.process_time()
    try:
        read_regulation(text + "\n48°N 125°W", "x.txt")
    except InputError as error:
        assert "positions" in str(error)  # noqa: PT017 - either is right, and neither may hang
    assert time.process_time() - start < 20.0


def test_regulations_are_known_by_their_content() -> None:
    assert all(looks_like_regulation(text) for text in (TWO_AREAS, SEVERAL, *FORMS.values()))
    for text in (
        "",
        "Gull Point, 48.15, -122.67\nTern Rock, 48.16, -122.67\nHeron, 48.17, -122.67\n",
        "name,lat,lon\nA,1.55,2.55",
    ):
        assert not looks_like_regulation(text)


def test_distance_of_degrees_is_not_mistaken() -> None:
    assert math.isclose(points("48 deg 18 min 30 sec N, 125 deg 6 min W")[0][0][0], 48 + 18.5 / 60)
