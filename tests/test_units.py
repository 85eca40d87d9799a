from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from layers._errors import InputError
from layers.units import Kind, format_quantity, kind_of, parse_quantity, parse_unit, to_unit


@pytest.mark.parametrize(
    ("text", "kind", "si"),
    [
        # source: international yard and pound agreement 1959; SI brochure, 8th ed., table 8 (NM, kn)
        ("100 ft", "length", 30.48),
        ("100ft", "length", 30.48),
        ("17 fathom", "length", 31.0896),
        ("17 fathoms", "length", 31.0896),
        ("17fm", "length", 31.0896),
        ("0.8 NM", "length", 1481.6),
        ("1.5 km", "length", 1500.0),
        ("0.9 mm", "length", 0.0009),
        ("12 in", "length", 0.3048),
        ("-3.5 m", "length", -3.5),
        ("−3.5 m", "length", -3.5),
        ("2.7 kn", "speed", 1.389),
        ("1.5 m/s", "speed", 1.5),
        ("36 km/h", "speed", 10.0),
        ("12 lb", "mass", 5.44310844),
        ("3.5 oz", "mass", 0.099223331),
        ("2 kg", "mass", 2.0),
        ("90 min", "time", 5400.0),
        ("1.5 h", "time", 5400.0),
        ("180 deg", "angle", math.pi),
        ("2 L", "volume", 2.0),
        ("1 gal", "volume", 3.785411784),
        ("9 gal/h", "flow", 34.068706056),
        ("4 L/h", "flow", 4.0),
        (" 1e2  ft ", "length", 30.48),
        (".5 m", "length", 0.5),
    ],
)
def test_units(text: str, kind: Kind, si: float) -> None:
    assert parse_quantity(text, kind, "trip.toml, x") == pytest.approx(si, rel=1e-9)


@pytest.mark.parametrize(
    ("value", "kind", "message"),
    [
        (100, "length", r'trip.toml, depth_line: 100 has no unit. .*"100 ft"'),
        (2.5, "speed", r'2.5 has no unit. .*"2.7 kn"'),
        ("100", "length", r'"100" has no unit. .*"100 ft"'),
        (True, "length", "True is not a quantity"),
        (float("nan"), "length", "nan is not a quantity"),
        (float("inf"), "length", "inf is not a quantity"),
        ("nan m", "length", '"nan m" is not a quantity'),
        ("inf m", "length", '"inf m" is not a quantity'),
        ("1e999 m", "length", "too large"),
        ("1,5 m", "length", "not a unit"),
        ("ft", "length", '"ft" is not a quantity'),
        ("", "length", "not a quantity"),
        (None, "length", "None is not a quantity"),
        ("100 feet", "length", 'Did you mean "ft"'),
        ("100 nm", "length", 'Did you mean "NM"'),
        ("100 FT", "length", 'Did you mean "ft"'),
        ("2.7 knots", "speed", 'Did you mean "kn"'),
        ("12 lbs", "mass", 'Did you mean "lb"'),
        ("9 gph", "flow", "units of flow: L/h, gal/h"),
        (
            "2.7 kn",
            "length",
            "quantity of speed, and this is one of length.*units of length: m, ft, fm, NM, km",
        ),
        ("3 in/h", "speed", "not a unit that is read here"),
    ],
)
def test_what_is_refused(value: object, kind: Kind, message: str) -> None:
    with pytest.raises(InputError, match=message):
        parse_quantity(value, kind, "trip.toml, depth_line")


def test_minimum() -> None:
    assert parse_quantity("0 m", "length", "x", minimum=0.0) == 0.0
    with pytest.raises(InputError, match=r'"-1 ft" is too small. Give at least 0 ft'):
        parse_quantity("-1 ft", "length", "x", minimum=0.0)
    with pytest.raises(InputError, match="Write a quantity above 0 ft"):
        parse_quantity("0 ft", "length", "x", positive=True)


def test_a_unit_alone() -> None:
    assert parse_unit("fathom", "length", "x") == "fm"
    assert kind_of("gal/h") == "flow"
    assert kind_of("fathom") is None
    with pytest.raises(InputError, match=r'"nm" is not a unit of length. Did you mean "NM"'):
        parse_unit("nm", "length", "x")
    with pytest.raises(InputError, match='"kn" is not a unit of length'):
        parse_unit("kn", "length", "x")
    with pytest.raises(InputError, match="3 is not a unit of length"):
        parse_unit(3, "length", "x")


@given(st.floats(-1e6, 1e6), st.sampled_from(["m", "ft", "fm", "NM", "km", "mm", "in"]))
def test_written_quantities_read_back(value: float, unit: str) -> None:
    text = format_quantity(value, unit, 9)
    assert parse_quantity(text, "length", "x") == pytest.approx(value, abs=2e-6)
    assert to_unit(value, unit) == pytest.approx(float(text.split()[0]), abs=1e-9)


def test_words() -> None:
    assert format_quantity(40.0, "ft") == "131 ft"
    assert format_quantity(30.48, "ft") == "100 ft"
    assert format_quantity(1518.0, "NM") == "0.82 NM"
    assert format_quantity(22.05, "m") == "22.1 m"
    assert format_quantity(-0.0001, "m") == "0 m"
    assert format_quantity(float("nan"), "ft") == "unknown"
    assert format_quantity(math.pi / 4, "deg", 0) == "45°"
