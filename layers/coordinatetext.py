"""Positions within running text: where each stands, how it is written, and what it is.

Every pattern here takes time in proportion to the text: numbers are bounded and runs of space are taken once, whole.
"""

from __future__ import annotations

import re
import unicodedata
from bisect import bisect_right
from collections.abc import Callable
from dataclasses import dataclass
from math import nan

from layers._errors import InputError
from layers.positions import looks_like_position, parse_position

_PLAIN = str.maketrans({sign: plain for plain, signs in {
    "-": "−–‐‑", "°": "º˚", "'": "′’‘ʹ´ʼ", '"': "″”“ʺ", " ": "\u00a0\u202f\u2009\u2007\u3000\u2002\u2003\u2005\t",
}.items() for sign in signs})  # fmt: skip
_LINE_ENDS = str.maketrans(dict.fromkeys("\v\f\x1c\x1d\x1e\x85\u2028\u2029", "\n"))
_HIDDEN = ("Cc", "Cf", "Co", "Cs")

_SOFT = r"[ ]*+(?:\n[ ]*+)?+"
"""Space, with one line's end in it at most."""
_DEGREE = r"[ ]*+(?:°|deg(?:rees?)?\b\.?)"
_MINUTE = r"[ ]*+(?:'(?!')|min(?:utes?)?\b\.?)"
_SECOND = r"""[ ]*+(?:"|''|sec(?:onds?)?\b\.?)"""
_WHOLE = r"\d{1,3}+(?![\d.]\d|\d)"
_NUMBER = r"\d{1,3}+(?:\.\d{1,15}+)?+(?!\d)"
_NO_LABEL = rf"(?![\d):]|\.(?:\s|\Z)|{_DEGREE})"
_SECONDS = rf"(?:{_SOFT}{_NUMBER}{_SECOND}|[ ]*+{_NUMBER}{_NO_LABEL})"
_MINUTES = rf"(?:{_SOFT}{_NUMBER}{_MINUTE}|[ ]*+{_NUMBER}{_NO_LABEL})(?:{_SECONDS})?"
_MARKED = rf"(?:{_NUMBER}{_DEGREE}(?:{_MINUTES})?)"
_GAP = r"(?:[ ]++|-(?=\d))"
_UNMARKED = rf"(?:{_NUMBER}(?:{_GAP}{_NUMBER}(?:{_MINUTE})?(?:{_GAP}{_NUMBER}(?:{_SECOND})?)?)?)"
_ANGLE = rf"(?>{_MARKED}|{_UNMARKED})"
_AXIS = r"(?:lat(?:itude)?|long?(?:itude)?)\b\.?"
_BEFORE = rf"(?:{_AXIS}[ ]*+[:=]?{_SOFT})?"
_AFTER = rf"(?:{_SOFT}{_AXIS}(?!{_SOFT}[-+\d]))?"
_NS, _EW = r"(?:north|south|[NS])(?![A-Z])\.?", r"(?:east|west|[EW])(?![A-Z])\.?"
_EITHER = r"(?:north|south|east|west|[NSEW])(?![A-Z])\.?"
_BETWEEN = rf"{_SOFT}(?:[,;/&]{_SOFT})?(?:and\b{_SOFT})?"
_DASHED = rf"{_SOFT}(?:[-,;/&]{_SOFT})?(?:and\b{_SOFT})?"
_LEADING = "|".join(
    rf"{_BEFORE}(?P<letter{i}a>{first}){_SOFT}(?P<angle{i}a>{_ANGLE}){_DASHED}{_BEFORE}(?P<letter{i}b>{second}){_SOFT}"
    rf"(?P<angle{i}b>{_ANGLE})(?!{_SOFT}{_EITHER}(?!{_SOFT}\d))"
    for i, first, second in ((1, _NS, _EW), (2, _EW, _NS))
)
_TRAILING = (
    rf"{_BEFORE}(?P<angle3a>{_ANGLE}){_SOFT}(?P<letter3a>{_EITHER}){_AFTER}{_DASHED}"
    rf"{_BEFORE}(?P<angle3b>{_ANGLE}){_SOFT}(?P<letter3b>{_EITHER}){_AFTER}"
)
_NO_LETTERS = (
    rf"(?P<axis4a>{_AXIS})[ ]*+[:=]?[ ]*+(?P<angle4a>[-+]?{_ANGLE}){_BETWEEN}"
    rf"(?P<axis4b>{_AXIS})[ ]*+[:=]?[ ]*+(?P<angle4b>[-+]?{_ANGLE})"
    rf"|(?P<angle5a>[-+]?{_MARKED})(?:{_SOFT}(?P<axis5a>{_AXIS}))?{_BETWEEN}"
    rf"(?P<angle5b>[-+]?{_MARKED})(?:{_SOFT}(?P<axis5b>{_AXIS})(?!{_SOFT}[-+\d]))?"
    r"|(?P<angle6a>[-+]?\d{1,3}+\.\d{2,15}+(?!\d))(?:[ ]*+[,/][ ]*+|[ ]++)(?P<angle6b>[-+]?\d{1,3}+\.\d{2,15}+(?!\d))"
)
_PAIR = re.compile(
    rf"(?<![\w.])(?=[-+\dNSEWL])(?:{_LEADING}|{_TRAILING}|{_NO_LETTERS})(?![\w])", re.IGNORECASE | re.ASCII
)
_FORMS = 6
_SECTION = re.compile(r"(?:§|CFR|sections?|parts?|secs?\.?|rules?|paragraphs?)[ ]*$", re.IGNORECASE)
_DIGITS = re.compile(r"\d+(?:\.\d+)?")
_NUMBERED = re.compile(r"(?:[-*•] )?(?:[A-Za-z]{1,10}\.? )?\(?(?:\d{1,4}|[A-Za-z]{1,2})[).:,] +|[A-Za-z]{1,10}:? +")
_POINTS = 2
_LONGEST_LINE = 200
"""Longer than any position."""
MOST_POSITIONS = 50_000
"""A text with more is not read to its end."""


@dataclass(frozen=True)
class Written:
    """A position as a text gives it.

    `start` and `end` are its place in the plain text, `line` counts from 1. `letters` are its hemispheres ("NW"),
    empty where it has none; `signed` says that a plus or minus stands instead. Longitude and latitude are degrees,
    NaN where `problem` says why it is none.
    """

    start: int
    end: int
    line: int
    text: str
    lon: float
    lat: float
    letters: str = ""
    signed: bool = False
    problem: str = ""


def plain_text(text: str) -> tuple[str, tuple[int, ...]]:
    r"""Return a text with plain signs, spaces and line ends, and the lines that held characters no one sees.

    Those characters, among them the marks that turn the direction of reading, are left out.

    Examples
    --------
    >>> plain_text("48°09.00′ N\r\nGull\u202e Reef")
    ("48°09.00' N\nGull Reef", (2,))
    """
    shown, lines = visible_text(text)
    return shown.translate(_PLAIN), lines


def visible_text(text: str) -> tuple[str, tuple[int, ...]]:
    """Return a text without characters that no one sees, and the lines that held some; every line ends in a newline.

    Its characters stand where they stand in the plain text of it.
    """
    shown = text.removeprefix("\ufeff").replace("\r\n", "\n").replace("\r", "\n").translate(_LINE_ENDS)
    hidden = {one for one in set(shown) if one not in "\n\t" and unicodedata.category(one) in _HIDDEN}
    if not hidden:
        return shown, ()
    lines = tuple(n for n, line in enumerate(shown.split("\n"), 1) if not hidden.isdisjoint(line))
    return shown.translate(dict.fromkeys(map(ord, hidden))), lines


def line_counter(plain: str) -> Callable[[int], int]:
    """Return a function from a place in the text to its line, counted from 1."""
    ends = [match.start() for match in re.finditer("\n", plain)]
    return lambda at: bisect_right(ends, at - 1) + 1 if at else 1


def written_positions(plain: str) -> tuple[Written, ...]:
    r"""Return every position in a plain text, in order.

    No more than one beyond `MOST_POSITIONS` is looked for. Two angles make one: with hemisphere letters, with "lat"
    and "long", with degree signs, as two numbers with two decimals or more, or as the only two numbers with decimals
    on a line. Latitude comes first unless letters, words or the last heading of columns above say otherwise.

    Examples
    --------
    >>> [(round(one.lat, 2), round(one.lon, 2), one.line) for one in written_positions(
    ...     "(1) 48°18.00' N. lat.; 125°18.00' W. long.;\nthence to 48.20, -125.30.")]
    [(48.3, -125.3, 1), (48.2, -125.3, 2)]
    """
    line_of, swaps = line_counter(plain), _column_orders(plain)
    found, whole_lines, at = [], [], 0
    for match in _PAIR.finditer(plain):
        form = next(i for i in range(1, _FORMS + 1) if match.groupdict()[f"angle{i}a"])
        if form == _FORMS and _SECTION.search(plain[max(0, match.start() - 12) : match.start()]):
            continue
        whole_lines.append((at, match.start()))
        found.append(_written(match, form, line_of(match.start()), lon_first=_last(swaps, match.start())))
        at = match.end()
        if len(found) > MOST_POSITIONS:
            return tuple(found)
    whole_lines.append((at, len(plain)))
    for start, end in whole_lines:
        found += _bare_lines(plain, start, end, line_of, swaps)
    return tuple(sorted(found, key=lambda one: one.start))


def _column_orders(plain: str) -> list[tuple[int, bool]]:
    """Return where headings of columns stand, and whether longitude comes first below."""
    orders, at = [], 0
    for line in plain.split("\n"):
        words = line.casefold()
        lat, lon = words.find("lat"), words.find("lon")
        if lat >= 0 and lon >= 0 and not any(one.isdigit() for one in words):
            orders.append((at, lon < lat))
        at += len(line) + 1
    return orders


def _last(orders: list[tuple[int, bool]], at: int) -> bool:
    before = bisect_right(orders, (at, True))
    return bool(before) and orders[before - 1][1]


def _written(match: re.Match[str], form: int, line: int, *, lon_first: bool) -> Written:
    told = match.groupdict()
    angles = [told[f"angle{form}{side}"] for side in "ab"]
    letters = [(told.get(f"letter{form}{side}") or "")[:1].upper() for side in "ab"]
    axes = [(told.get(f"axis{form}{side}") or "")[:3].lower() for side in "ab"]
    signed = any(angle[0] in "+-" for angle in angles)
    if not any(letters) and not any(axes) and lon_first:
        axes = ["lon", "lat"]
    counts = [len(_DIGITS.findall(angle)) for angle in angles]
    marked = all("°" in angle or "deg" in angle.lower() for angle in angles)
    words = " ".join(
        f"{axis} {_angle_text(angle)} {letter}," for axis, angle, letter in zip(axes, angles, letters, strict=True)
    )
    lon, lat, problem = nan, nan, ""
    if counts[0] != counts[1] and not marked:
        problem = "its two angles have different numbers of parts, so that it can be read in two ways."
    else:
        lon, lat, problem = _parsed(words)
    text = " ".join(match[0].split())
    return Written(match.start(), match.end(), line, text, lon, lat, "".join(letters), signed, problem)


def _angle_text(angle: str) -> str:
    sign = angle[0] if angle[0] in "+-" else ""
    return sign + " ".join(
        f"{number}{mark}" for number, mark in zip(_DIGITS.findall(angle), ("°", "'", '"'), strict=False)
    )


def _parsed(text: str) -> tuple[float, float, str]:
    try:
        lon, lat = parse_position(text, "")
    except InputError as error:
        finding = error.findings[0]
        high = finding.what.partition(" has a ")[2]
        return nan, nan, f"it has a {high} {finding.remedy}" if high else "it can be read in two ways, or in none."
    return lon, lat, ""


def _bare_lines(
    plain: str, start: int, end: int, line_of: Callable[[int], int], swaps: list[tuple[int, bool]]
) -> list[Written]:
    """Return the positions that are all of a line, as bare numbers with decimals; only whole lines within the span."""
    found: list[Written] = []
    at = start
    for line in plain[start:end].split("\n"):
        begins, ends = at, at + len(line)
        at = ends + 1
        partial = (begins > 0 and plain[begins - 1] != "\n") or (ends < len(plain) and plain[ends] != "\n")
        if partial or line.count(".") < _POINTS or len(line) > _LONGEST_LINE:
            continue
        if len(found) > MOST_POSITIONS:
            break
        label = _NUMBERED.match(line.lstrip())
        lead = len(line) - len(line.lstrip()) + (label.end() if label else 0)
        text = line[lead:].rstrip(" ,;.")
        if not looks_like_position(text) or sum("." in number for number in _DIGITS.findall(text)) != _POINTS:
            continue
        halves = text.replace(";", ",").split(",")
        turned = f"{halves[1]}, {halves[0]}" if _last(swaps, begins) and len(halves) == _POINTS else text
        lon, lat, problem = _parsed(turned)
        signed = "-" in text or "+" in text
        start = begins + lead
        found.append(Written(start, start + len(text), line_of(begins), text, lon, lat, "", signed, problem))
    return found
