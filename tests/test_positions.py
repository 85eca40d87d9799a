from __future__ import annotations

import math

import numpy as np
import pytest
import shapely

from layers._errors import InputError
from layers.positions import format_position, looks_like_position, parse_position
from layers.projection import choose_projection

SAME_PLACE = [
    "48.1500, -122.6700",
    "48.15 -122.67",
    "48.15;−122.67",
    "48 09.00 N 122 40.20 W",
    "48 09.00 n, 122 40.20 w",
    "N 48 09.00 W 122 40.20",
    "N48°09.00' W122°40.20'",
    "W 122°40.20', N 48°09.00'",
    "48°09'00\"N 122°40'12\"W",
    "48°09′00″N, 122°40′12″W",
    "48° 09’ 00” N / 122° 40’ 12” W",
    "48°09'00''N 122°40'12''W",
    "48°09.00′ N. lat., 122°40.20′ W. long.",
    "48°09.00′ N. latitude, 122°40.20′ W. longitude",
    "122°40.20′ W. long., 48°09.00′ N. lat.",
    "lon -122.67, lat 48.15",
    "48.15N122.67W",
    "48.15° North, 122.67° West",
    "48 deg 9.0 N 122 deg 40.2 W",
    "48 09 00 N 122 40 12 W",
    "48 09.00, -122 40.20",
    "48°09.00' -122°40.20'",
    "+48°9' -122°40.2'",
]


@pytest.mark.parametrize("text", SAME_PLACE)
def test_every_form_reads_as_the_same_place(text: str) -> None:
    lon, lat = parse_position(text, "trip.toml, home")
    assert (lon, lat) == pytest.approx((-122.67, 48.15), abs=1e-9)
    assert looks_like_position(text)


# source: 50 CFR 660.70 (North Coast Recreational Yelloweye RCA) and 660.79 (b) (Blunts Reef), as printed;
# areas and perimeters in km by two geodesic codes on WGS 84 (check_values.md)
REGULATION_AREAS = [
    (
        """48°18.00′ N. lat.; 125°18.00′ W. long.;
        48°18.00′ N. lat.; 124°59.00′ W. long.;
        48°11.00′ N. lat.; 124°59.00′ W. long.;
        48°11.00′ N. lat.; 125°11.00′ W. long.;
        48°04.00′ N. lat.; 125°11.00′ W. long.;
        48°04.00′ N. lat.; 124°59.00′ W. long.;
        48°00.00′ N. lat.; 124°59.00′ W. long.;
        48°00.00′ N. lat.; 125°18.00′ W. long.;""",
        592.857,
        143.619,
    ),
    (
        """40°27.53′ N. lat., 124°26.84′ W. long.;
        40°24.66′ N. lat., 124°29.49′ W. long.;
        40°28.50′ N. lat., 124°32.42′ W. long.;
        40°30.46′ N. lat., 124°32.23′ W. long.;
        40°30.21′ N. lat., 124°26.85′ W. long.;""",
        57.705,
        30.938,
    ),
]


@pytest.mark.parametrize(("points", "area_km2", "perimeter_km"), REGULATION_AREAS)
def test_areas_of_regulations(points: str, area_km2: float, perimeter_km: float) -> None:
    lonlat = np.array([parse_position(line, "regulation") for line in points.splitlines()])
    shape = shapely.Polygon(np.column_stack(choose_projection(lonlat).to_local(*lonlat.T)))
    assert shape.area / 1e6 == pytest.approx(area_km2, rel=3e-5)
    assert shape.length / 1e3 == pytest.approx(perimeter_km, rel=1.5e-5)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("-122.67, 48.15", "latitude of -122.67°.*Latitude comes first: swap"),
        ("122 40.2 N 48 09 W", "latitude of 122.67°"),
        ("48.15, -222.67", "longitude of -222.67°"),
        ("48 9 122", "two ways"),
        ("48.15", "two ways"),
        ("", "two ways"),
        ("48.15 N, 122.67", "two ways"),
        ("48.15 N, 122.67 N", "two ways"),
        ("-48.15 N, 122.67 W", "two ways"),
        ("48.5 30 N 122 40 W", "two ways"),
        ("48 60.00 N 122 40.2 W", "two ways"),
        ("48 -9.0, 122 40.2", "two ways"),
        ("48'09° N 122°40' W", "two ways"),
        ("48,15 122,67", "two ways"),
        ("48, 15 N 122 40 W", "two ways"),
        ("lon 48°09' N, lat 122°40' W", "two ways"),
        ("12.5, lat 48.2", "two ways"),
        ("lat 48.2, lat 12.5", "two ways"),
        ("N 48 122 W", "two ways"),
        ("1 2 3 4 5 6 7 8", "two ways"),
        ("nan, 12", "two ways"),
        ("Gull Point", "two ways"),
    ],
)
def test_what_is_wrong_or_ambiguous_is_refused(text: str, message: str) -> None:
    with pytest.raises(InputError, match=message) as caught:
        parse_position(text, "trip.toml, home")
    assert caught.value.findings[0].where == "trip.toml, home"


def test_names_are_not_positions() -> None:
    for name in ("Gull Point", "North Reef 2", "Buoy 12 14", "10.5", "N 1", "East", ""):
        assert not looks_like_position(name), name


def test_written_positions_read_back() -> None:
    for lon, lat in (
        (-122.67, 48.15),
        (179.99999, -0.00001),
        (-180.0, 89.99),
        (0.0, -33.3333),
        (12.99999, 45.99999),
    ):
        text = format_position(lon, lat)
        back = parse_position(text, "x")
        assert back[1] == pytest.approx(lat, abs=0.005 / 60 + 1e-9)
        assert math.cos(math.radians(back[0] - lon)) == pytest.approx(1.0, abs=1e-8)
    assert format_position(12.99999, 45.99999) == "46°00.00′ N 013°00.00′ E"
    assert parse_position("10 N 180 E", "x") == (-180.0, 10.0)
