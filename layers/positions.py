"""Positions as people write them, read and written; WGS 84 longitude and latitude in degrees."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from layers._errors import InputError

_FORMS = (
    "Write it as 48.1500, -122.6700 or 48 09.00 N 122 40.20 W or 48°09'00\"N 122°40'12\"W:"
    " latitude first, or with N, S, E, W."
)
_SIGNS = str.maketrans({sign: plain for plain, signs in {
    "-": "−–", "°": "º˚", "'": "′’‘ʹ´", '"': "″”“ʺ", " ": "\u00a0\u202f\u2009",
}.items() for sign in signs})  # fmt: skip
_AXIS_WORD = re.compile(r"(?<![a-z])(lat|lon)(?:g|itude|gitude)?(?![a-z])\.?", re.IGNORECASE)
_HEMISPHERE = re.compile(r"(?<![a-z])(n|s|e|w|north|south|east|west)(?![a-z])\.?", re.IGNORECASE)
_DEGREES_WORD = re.compile(r"(?<![a-z])deg(?:ree)?s?(?![a-z])\.?", re.IGNORECASE)
_TOKEN = re.compile(
    r"""\s*(?:(?P<number>[+-]?(?:\d+(?:\.\d*)?|\.\d+))\s*(?P<mark>[°'"]?)|(?P<letter>[NSEW])|(?P<comma>[,;/]))\s*"""
)
_AXES = ("latitude", "longitude")
_MOST = {"latitude": 90.0, "longitude": 180.0}
_PAIR = 2
_SIXTY = 60.0


@dataclass(frozen=True)
class _Angle:
    numbers: tuple[str, ...]
    letter: str

    def degrees(self) -> float:
        """Return the angle, or NaN where its numbers do not make one."""
        signed = self.numbers[0][0] in "+-"
        if (self.letter and signed) or any("." in number for number in self.numbers[:-1]):
            return float("nan")
        minor = [float(number) for number in self.numbers[1:]]
        if any(number[0] in "+-" for number in self.numbers[1:]) or any(part >= _SIXTY for part in minor):
            return float("nan")
        size = abs(float(self.numbers[0])) + sum(part / _SIXTY ** (i + 1) for i, part in enumerate(minor))
        return -size if self.numbers[0][0] == "-" or self.letter in ("S", "W") else size


def parse_position(text: str, where: str) -> tuple[float, float]:
    """Return the longitude and latitude that a text gives.

    Parameters
    ----------
    text
        Two angles in degrees, degrees and minutes, or degrees, minutes and seconds. Hemisphere letters stand
        before or after both angles, or neither has one: then latitude comes first unless "lat" and "lon" say
        otherwise, and a minus is south or west.
    where
        File and key, for the message.

    Returns
    -------
    tuple of float
        (longitude, latitude) in degrees, the longitude in [−180, 180).

    Raises
    ------
    InputError
        The text is no position, can be read in two ways, or is not on the earth.

    Examples
    --------
    >>> lon, lat = parse_position("48°09.00′ N. lat., 122°40.20′ W. long.", "trip.toml, home")
    >>> round(lon, 4), round(lat, 4)
    (-122.67, 48.15)
    """
    angles = _angles(text)
    axes = _axes(text, angles)
    if angles is None or axes is None:
        raise InputError.one(where, f'"{text}" is not a position, or can be read in two ways.', _FORMS)
    value = {axis: angle.degrees() for axis, angle in zip(axes, angles, strict=True)}
    for axis, most in _MOST.items():
        if not abs(value[axis]) <= most:
            found = f'"{text}" has a {axis} of {value[axis]:g}°, and the most is {most:g}°.'
            swapped = axis == "latitude" and not angles[0].letter and abs(value["longitude"]) <= _MOST["latitude"]
            raise InputError.one(where, found, "Latitude comes first: swap the two?" if swapped else _FORMS)
    lon = value["longitude"]
    return (-lon if lon == _MOST["longitude"] else lon), value["latitude"]


def looks_like_position(text: str) -> bool:
    """Return whether a text is meant as a position rather than as a mark's name.

    Examples
    --------
    >>> looks_like_position("48 09.00 N 122 40.20 W"), looks_like_position("Gull Point 2")
    (True, False)
    """
    tokens = _tokens(text)
    return tokens is not None and sum(bool(token["number"]) for token in tokens) >= _PAIR


def format_position(lon: float, lat: float) -> str:
    """Return a position in degrees and minutes to a hundredth, as charts give it.

    Examples
    --------
    >>> format_position(-122.67, 48.15)
    '48°09.00′ N 122°40.20′ W'
    """
    parts = []
    for value, width, letters in ((lat, 2, "NS"), ((lon + 180.0) % 360.0 - 180.0, 3, "EW")):
        degrees, hundredths = divmod(round(abs(value) * 6000.0), 6000)
        parts.append(f"{degrees:0{width}d}°{hundredths / 100:05.2f}′ {letters[value < 0]}")
    return " ".join(parts)


def _tokens(text: str) -> list[re.Match[str]] | None:
    plain = _AXIS_WORD.sub(" ", text.translate(_SIGNS).replace("''", '"'))
    plain = _HEMISPHERE.sub(lambda match: f" {match[1][0].upper()} ", _DEGREES_WORD.sub("°", plain)).strip()
    plain, tokens, at = plain.strip(" ,;:"), [], 0
    while at < len(plain):
        match = _TOKEN.match(plain, at)
        if match is None:
            return None
        tokens.append(match)
        at = match.end()
    return tokens


def _angles(text: str) -> tuple[_Angle, _Angle] | None:
    tokens = _tokens(text) or []
    letters = [i for i, token in enumerate(tokens) if token["letter"]]
    commas = [i for i, token in enumerate(tokens) if token["comma"]]
    degrees = [i for i, token in enumerate(tokens) if token["mark"] == "°"]
    if len(letters) == _PAIR:
        split = letters[1] if letters[0] == 0 else letters[0] + 1
    elif letters or not tokens:
        return None
    elif len(commas) == 1:
        split = commas[0]
    elif len(degrees) == _PAIR:
        split = degrees[1]
    else:
        split = len(tokens) // 2 if len(tokens) % 2 == 0 else 0
    if commas and commas not in ([split], [split - 1]):
        return None
    first, second = _angle(tokens[:split]), _angle(tokens[split:])
    return None if first is None or second is None else (first, second)


def _angle(tokens: list[re.Match[str]]) -> _Angle | None:
    numbers = [token for token in tokens if token["number"]]
    in_place = all(token["mark"] in ("", mark) for token, mark in zip(numbers, "°'\"", strict=False))
    if not 1 <= len(numbers) <= len("°'\"") or not in_place:
        return None
    letter = "".join(token["letter"] or "" for token in tokens)
    angle = _Angle(tuple(token["number"] for token in numbers), letter)
    return None if math.isnan(angle.degrees()) else angle


def _axes(text: str, angles: tuple[_Angle, _Angle] | None) -> tuple[str, str] | None:
    words = tuple({"lat": "latitude", "lon": "longitude"}[word[1].lower()] for word in _AXIS_WORD.finditer(text))
    letters = tuple("latitude" if angle.letter in "NS" else "longitude" for angle in angles or () if angle.letter)
    said = {axes for axes in (words, letters) if axes}
    if len(said) > 1 or any(sorted(axes) != list(_AXES) for axes in said):
        return None
    first, second = said.pop() if said else _AXES
    return first, second
