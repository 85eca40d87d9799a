from __future__ import annotations

import pytest

from layers._errors import Finding
from layers.regulations import read_regulation
from layers.ringdoubts import ring_doubts
from tests.test_regulations import TWO_AREAS

SQUARE = [(48.0, -125.0), (48.0, -124.7), (48.2, -124.7), (48.2, -125.0)]


def text_of(points: list[tuple[float, float]], *, closed: bool = True) -> str:
    lines = [
        f"{abs(lat):.5f} {'N' if lat >= 0 else 'S'}, {abs(lon):.5f} {'E' if lon >= 0 else 'W'}" for lat, lon in points
    ]
    return "\n".join(["# Gull Bank", *lines, *(["and back to the point of beginning"] if closed else [])])


def doubts(text: str) -> list[Finding]:
    return [found for area in read_regulation(text, "x.txt").areas for found in ring_doubts(area, "x.txt")]


def words(text: str) -> str:
    return "\n".join(f"{found.severity}: {found.what}" for found in doubts(text))


def test_sound_rings_raise_no_doubts() -> None:
    octagon = [
        (48.0, -125.0),
        (48.0, -124.9),
        (48.1, -124.8),
        (48.2, -124.8),
        (48.3, -124.9),
        (48.3, -125.0),
        (48.2, -125.1),
    ]
    strip = [(48.0 + 0.1 * i, -125.0) for i in range(8)] + [(48.7 - 0.1 * i, -124.95) for i in range(8)]
    wedge = [(48.0, -125.0), (48.05, -124.0), (48.1, -125.0), (48.05, -125.1)]
    for text in (TWO_AREAS, text_of(SQUARE), text_of(octagon), text_of(strip)):
        assert words(text) == ""
    assert "error" not in words(text_of(wedge))


@pytest.mark.parametrize("corner", range(4))
@pytest.mark.parametrize(
    ("lat", "lon", "change"),
    [
        (1.0, 0.0, "1° further south"),
        (-1.0, 0.0, "1° further north"),
        (0.0, 1.0, "1° further west"),
        (0.0, -1.0, "1° further east"),
    ],
)
def test_a_point_a_degree_off_is_found_with_what_would_mend_it(
    corner: int, lat: float, lon: float, change: str
) -> None:
    points = SQUARE.copy()
    points[corner] = (points[corner][0] + lat, points[corner][1] + lon)
    told = words(text_of(points))
    assert f"line {corner + 2}: " in told
    assert "stands far off its neighbours" in told
    assert f"It would fit {change}" in told
    area = read_regulation(text_of(points), "x.txt").areas[0]
    assert (area.positions[corner].lat, area.positions[corner].lon) == pytest.approx(points[corner])


@pytest.mark.parametrize(("size", "off", "change"), [(0.04, 1 / 6, "10′"), (0.004, 1 / 60, "1′")])
def test_minutes_off_are_found_in_small_rings(size: float, off: float, change: str) -> None:
    points = [(48.0, -125.0), (48.0, -125.0 + size), (48.0 + size + off, -125.0 + size), (48.0 + size, -125.0)]
    assert f"line 4: '{points[2][0]:.5f} N, {-points[2][1]:.5f} W' stands far off" in words(text_of(points))
    assert f"It would fit {change} further south" in words(text_of(points))


@pytest.mark.parametrize("row", range(8))
def test_every_point_of_the_published_area_when_a_degree_off(row: int) -> None:
    lines = TWO_AREAS.partition("\n\n")[0].splitlines()
    lines[row + 1] = lines[row + 1].replace("(%d) 48°" % (row + 1), "(%d) 49°" % (row + 1))  # noqa: UP031 - the text has braces
    told = words("\n".join(lines))
    assert f"line {row + 2}: '49°" in told
    assert "1° further south" in told


def test_swapped_latitude_and_longitude() -> None:
    points = [(48.0, 12.0), (48.0, 12.3), (12.3, 48.2), (48.2, 12.0)]
    assert "line 4: '12.30000 N, 48.20000 E' stands far off" in words(text_of(points))
    assert "with latitude and longitude swapped" in words(text_of(points))
    assert "latitude of -125°" in words("48.0, -125.0\n48.0, -124.7\n-125.0, 48.2\n48.2, -125.0\n")


def test_hemispheres() -> None:
    odd = text_of(SQUARE).replace("48.20000 N, 125.00000 W", "48.20000 N, 125.00000 E")
    assert "line 5: lies east, and the others west" in words(odd)
    south = text_of(SQUARE).replace("48.00000 N, 124.7", "48.00000 S, 124.7")
    assert "line 3: lies south, and the others north" in words(south)
    missing = text_of(SQUARE).replace("48.20000 N, 125.00000 W", "48.20000, 125.00000")
    assert "line 5: no hemisphere, and the others have one" in words(missing)
    assert "no hemisphere is given anywhere" in words("48.00, 125.00\n48.00, 125.30\n48.20, 125.30\n48.00, 125.00\n")
    equator = [(-0.1, 10.0), (-0.1, 10.2), (0.1, 10.2), (0.1, 10.0)]
    assert words(text_of(equator)) == ""


def test_crossings_are_told_with_place_and_lines() -> None:
    bow_tie = [SQUARE[0], SQUARE[2], SQUARE[1], SQUARE[3]]
    told = words(text_of(bow_tie))
    assert "near 48°06.00′ N 124°51.00′ W: the edge from line 2 to 3 meets the edge from line 4 to 5" in told
    assert doubts(text_of(bow_tie))[0].severity == "warning"
    star = [(48 + 0.1 * ((7 * i) % 11) / 11, -125 + 0.1 * ((3 * i * i) % 13) / 13) for i in range(60)]
    assert "further places" in words(text_of(list(dict.fromkeys(star))))


def test_points_that_repeat_and_edges_that_turn_back() -> None:
    assert "line 4: is the same point as line 3" in words(text_of([*SQUARE[:2], *SQUARE[1:]]))
    touching = [(48.0, -125.0), (48.1, -124.9), (48.0, -124.8), (48.2, -124.8), (48.1, -124.9), (48.2, -125.0)]
    assert "line 6: is the same point as line 3" in words(text_of(touching))


def test_rings_that_cannot_be_drawn_are_errors() -> None:
    assert "error: has 2 different points" in words(text_of(SQUARE[:2]))
    assert "error: has 1 different points" in words(text_of(SQUARE[:1] * 4))
    assert "error: encloses no area" in words(text_of([(48.0, -125.0), (48.1, -125.0), (48.2, -125.0)]))
    assert "error: the line that begins on line 2 is not said to come back" in words(text_of(SQUARE, closed=False))
    assert "error: line 3: '95.00000 N, 124.70000 W' is no position" in words(
        text_of([SQUARE[0], (95.0, -124.7), *SQUARE[2:]])
    )


def test_a_closing_point_that_is_not_the_first() -> None:
    text = TWO_AREAS.replace("back to 40°27.53′", "back to 40°27.35′")
    (found,) = doubts(text)
    assert found.where == "x.txt, 'Blunts Reef'"
    assert found.what.startswith(
        "line 18: it is to close at '40°27.35' N. lat., 124°26.84' W. long.', and began at '40°27.53'"
    )
    assert found.severity == "warning"


def test_long_edges() -> None:
    told = words(text_of([(48.0, -125.0), (48.0, -121.0), (50.0, -121.0), (50.0, -125.0)]))
    assert "lines 2 to 3: an edge of 157 NM" in told  # 4° of longitude at the middle latitude of 49°
    assert "lines 3 to 4: an edge of 120 NM" in told
