"""Quantities as text with a unit: read at the edge into SI, written at the edge for a person.

The list of units is closed on purpose: general-purpose libraries read "fm" as a femtometre; on a chart it is a
fathom.
"""

from __future__ import annotations

import difflib
import math
import re
from typing import Literal

from layers._errors import InputError

Kind = Literal["length", "speed", "mass", "time", "angle", "volume", "flow"]

_UNITS: dict[str, tuple[Kind, float]] = {
    "m": ("length", 1.0),
    "ft": ("length", 0.3048),
    "fm": ("length", 1.8288),
    "NM": ("length", 1852.0),
    "km": ("length", 1000.0),
    "mm": ("length", 0.001),
    "in": ("length", 0.0254),
    "kn": ("speed", 1852.0 / 3600.0),
    "m/s": ("speed", 1.0),
    "km/h": ("speed", 1.0 / 3.6),
    "lb": ("mass", 0.45359237),
    "kg": ("mass", 1.0),
    "oz": ("mass", 0.45359237 / 16.0),
    "s": ("time", 1.0),
    "min": ("time", 60.0),
    "h": ("time", 3600.0),
    "deg": ("angle", math.pi / 180.0),
    "L": ("volume", 1.0),
    "gal": ("volume", 3.785411784),
    "L/h": ("flow", 1.0),
    "gal/h": ("flow", 3.785411784),
}
_OTHER_NAMES = {
    "fathom": "fm",
    "fathoms": "fm",
    "foot": "ft",
    "feet": "ft",
    "metre": "m",
    "metres": "m",
    "meter": "m",
    "meters": "m",
    "nmi": "NM",
    "knot": "kn",
    "knots": "kn",
    "kt": "kn",
    "inch": "in",
    "inches": "in",
    "pound": "lb",
    "pounds": "lb",
    "ounce": "oz",
    "ounces": "oz",
    "minutes": "min",
    "hour": "h",
    "hours": "h",
    "°": "deg",
    "degrees": "deg",
    "gallon": "gal",
    "gallons": "gal",
}
"""Only files.md's "fathom" and "fathoms" are read; the rest serve the suggestion."""
_READ_TOO = ("fathom", "fathoms")
_EXAMPLES: dict[Kind, str] = {
    "length": "100 ft",
    "speed": "2.7 kn",
    "mass": "12 lb",
    "time": "90 min",
    "angle": "30 deg",
    "volume": "40 gal",
    "flow": "9 gal/h",
}
_QUANTITY = re.compile(r"\s*([+\-−]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+\-]?\d+)?)\s*(.*?)\s*")


def parse_quantity(
    value: object, kind: Kind, where: str, *, minimum: float = -math.inf, positive: bool = False
) -> float:
    """Return a quantity in SI units.

    Parameters
    ----------
    value
        Text of a number and a unit, such as ``"100 ft"`` or ``"100ft"``.
    kind
        What it measures; decides which units are allowed.
    where
        File and key, for the message.
    minimum
        The least value allowed, in the units returned.
    positive
        Whether the value must be above 0.

    Returns
    -------
    float
        m, m/s, kg, s or rad; a volume in litres and a flow in litres per hour.

    Raises
    ------
    InputError
        A bare number or no text, a number that is not finite, an unknown unit, a unit of another kind, or a
        value that is too small.

    Examples
    --------
    >>> parse_quantity("17 fathom", "length", "trip.toml, depth_line")
    31.0896
    >>> parse_quantity(100, "length", "trip.toml, depth_line")  # doctest: +ELLIPSIS
    Traceback (most recent call last):
    layers._errors.InputError: trip.toml, depth_line: 100 has no unit. Write a number and a unit as text, ...
    """
    remedy = f'Write a number and a unit as text, such as "{_EXAMPLES[kind]}" ({_allowed(kind)}).'
    if isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value):
        raise InputError.one(where, f"{value} has no unit.", remedy)
    match = _QUANTITY.fullmatch(value) if isinstance(value, str) else None
    if match is None:
        raise InputError.one(where, f"{_shown(value)} is not a quantity.", remedy)
    number, unit = float(match[1].replace("−", "-")), match[2]
    if not unit:
        raise InputError.one(where, f"{_shown(value)} has no unit.", remedy)
    symbol = _OTHER_NAMES[unit] if unit in _READ_TOO else unit
    if symbol not in _UNITS:
        raise InputError.one(where, f"{_shown(unit)} is not a unit that is read here.", _near(unit, kind))
    if _UNITS[symbol][0] != kind:
        found = f"{_shown(value)} is a quantity of {_UNITS[symbol][0]}, and this is one of {kind}."
        raise InputError.one(where, found, remedy)
    result = number * _UNITS[symbol][1]
    if not math.isfinite(result):
        raise InputError.one(where, f"{_shown(value)} is too large to be a number.", remedy)
    if result < minimum:
        least = minimum / _UNITS[symbol][1]
        raise InputError.one(where, f"{_shown(value)} is too small.", f"Give at least {least:.6g} {symbol}.")
    if positive and result <= 0:
        raise InputError.one(where, f"{_shown(value)} is too small.", f"Write a quantity above 0 {symbol}.")
    return result


def to_unit(value: float, unit: str) -> float:
    """Return an SI value (litres, litres per hour) in a unit given by its symbol.

    Raises
    ------
    KeyError
        `unit` is none of the symbols.

    Examples
    --------
    >>> to_unit(1852.0, "NM")
    1.0
    """
    return value / _UNITS[unit][1]


def kind_of(unit: str) -> Kind | None:
    """Return what a unit's symbol measures, or None where it is none of the symbols."""
    return _UNITS[unit][0] if unit in _UNITS else None


def parse_unit(value: object, kind: Kind, where: str) -> str:
    """Return the symbol of a unit of this kind.

    Raises
    ------
    InputError
        It is no unit of the kind; the near one is suggested.

    Examples
    --------
    >>> parse_unit("fathom", "length", "area.toml, layer 1 (depth), unit")
    'fm'
    """
    symbol = _OTHER_NAMES[value] if isinstance(value, str) and value in _READ_TOO else value
    if not isinstance(symbol, str) or kind_of(symbol) != kind:
        remedy = _near(symbol, kind) if isinstance(symbol, str) else f"Write one of the {_allowed(kind)}."
        raise InputError.one(where, f"{_shown(value)} is not a unit of {kind}.", remedy)
    return symbol


def format_quantity(value: float, unit: str, digits: int | None = None) -> str:
    """Return an SI value as text in a unit.

    Parameters
    ----------
    value
        SI (litres, litres per hour); NaN is written as "unknown".
    unit
        A symbol.
    digits
        Decimals; None chooses them so that about three figures show, and none is shown past a whole 100.

    Examples
    --------
    >>> format_quantity(40.0, "ft"), format_quantity(1518.0, "NM"), format_quantity(3.0, "m", 1)
    ('131 ft', '0.82 NM', '3.0 m')
    """
    number = to_unit(value, unit)
    if not math.isfinite(number):
        return "unknown"
    if digits is None:
        size = abs(number)
        digits = 0 if size >= 100 or size == 0 else 1 if size >= 10 else 2  # noqa: PLR2004
        text = f"{number:.{digits}f}"
        text = text.rstrip("0").rstrip(".") if "." in text else text
    else:
        text = f"{number:.{digits}f}"
    if float(text) == 0:
        text = text.removeprefix("-")
    return f"{text}{'°' if unit == 'deg' else f' {unit}'}"


def _allowed(kind: Kind) -> str:
    return f"units of {kind}: " + ", ".join(symbol for symbol, (of, _) in _UNITS.items() if of == kind)


def _near(unit: str, kind: Kind) -> str:
    symbols = [symbol for symbol, (of, _) in _UNITS.items() if of == kind]
    known = {s.casefold(): s for s in symbols} | {n: s for n, s in _OTHER_NAMES.items() if s in symbols}
    near = difflib.get_close_matches(unit.casefold(), known, n=1, cutoff=0.5)
    hint = f'Did you mean "{known[near[0]]}"? ' if near else ""
    return f"{hint}Write one of the {_allowed(kind)}."


def _shown(value: object) -> str:
    return f'"{value}"' if isinstance(value, str) else repr(value)
