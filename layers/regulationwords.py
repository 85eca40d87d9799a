"""The words of a regulation between its positions: headings, beginnings and ends, labels, and what is left over."""

from __future__ import annotations

import re
from dataclasses import dataclass, field

_S = r"\s++"
_UNITS = r"(?P<unit>yards?|yds?|kilomet(?:er|re)s?|km|met(?:er|re)s?|m|feet|foot|ft|nautical\s++miles?|nmi?)\b\.?"
_QUANTITY = rf"(?P<size>\d{{1,6}}+(?:\.\d{{1,6}}+)?+)[\s-]*+{_UNITS}"
_QUANTITY_2 = _QUANTITY.replace("?P<size>", "?P<size2>").replace("?P<unit>", "?P<unit2>")
_METRES = {"y": 0.9144, "k": 1000.0, "m": 1.0, "f": 0.3048, "n": 1852.0}
_CIRCLE_BEFORE = re.compile(
    rf"\b(?:(?:within{_S})?(?:an?{_S})?(?:circle{_S}(?:with|of|having){_S})?(?:an?{_S})?(?:radius{_S}of{_S}|within{_S})"
    rf"{_QUANTITY}|(?:within{_S})?(?:an?{_S})?{_QUANTITY_2}"
    rf"[\s-]*+radius){_S}(?:around|about|of|from|cent(?:ered|red){_S}(?:at|on|around|upon)){_S}"
    rf"(?:(?:the|a){_S})?(?:(?:point|position|coordinates?){_S})?(?:at{_S})?[:(]?\s*+\Z",
    re.IGNORECASE,
)
_CIRCLE_AFTER = re.compile(
    rf"\A\s*+[,;(]?\s*+(?:(?:with|having|and){_S})?(?:a{_S})?radius\s*+(?:of\b|[:=])?\s*+{_QUANTITY}", re.IGNORECASE
)
_BACK_TO = re.compile(
    rf"\b(?:connect(?:ing|s|ed)?{_S}|return(?:ing|s)?{_S}|clos(?:ing|es|ed){_S})?back{_S}(?:again{_S})?to\b"
    rf"|\breturn(?:ing|s)?{_S}to\b",
    re.IGNORECASE,
)
_FIRST_POINT = re.compile(
    rf"\bto{_S}(?:the{_S})?(?:(?:point|place|position){_S}of{_S}(?:the{_S})?(?:beginning|origin|commencement|start(?:ing)?)"
    rf"|(?:first|starting|start|initial|original|beginning){_S}(?:point|position|coordinates?)|start|beginning"
    rf"|(?:point|position)\s*+\(?(?:1|a)\b\)?)",
    re.IGNORECASE,
)
_DIRECTION = re.compile(
    rf"\b(?:due{_S})?(?:north|south)?-?(?:north|south|east|west)(?:erly|wards?)?{_S}(?=to\b)"
    rf"|\bin{_S}an?{_S}(?:north|south)?-?(?:north|south|east|west)(?:erly|wards?)?{_S}direction{_S}(?=to\b)",
    re.IGNORECASE,
)
_INTRO = re.compile(
    rf"\b(?:bounded|enclosed|delimited|delineated|following{_S}(?:\w{{1,20}}+{_S})?(?:coordinates|points|positions)"
    rf"|(?:beginning|commencing|starting){_S}(?:at|from)|defined{_S}by)\b",
    re.IGNORECASE,
)
_CONTOUR = re.compile(
    r"\b\d{1,4}+[\s-]*+(?:fm|fathoms?|m|met(?:er|re)s?|ft|feet|foot)\b\.?\)?[^.;]{0,60}?"
    r"\b(?:contour|isobath|curve)s?\b",
    re.IGNORECASE,
)
_DEPTH = re.compile(r"\b\d{1,4}+[\s-]*+(?:fm|fathoms?|m|met(?:er|re)s?|ft|feet|foot)\b\.?", re.IGNORECASE)
_LABEL = re.compile(
    r"(?:(?<=\n)|(?<=[\s;,])|\A)(?:[-*•]\s*+)?(?:"
    r"(?:point|pt|position|pos|corner|vertex|waypoint|wpt?|station|coordinate|no)\b\.?\s*+[#(]?(?P<named>\d{1,4}|[a-z])\b"
    r"[).:]?|\(?(?P<marked>\d{1,4}|[a-z]|[ivx]{2,5})[).:]{1,2}|(?P<bare>\d{1,3}|[a-z])[,;]?)[\s:-]*+\Z",
    re.IGNORECASE,
)
_WORD = re.compile(r"[^\W_]+(?:['.-][^\W_]+)*")
_POINT_LIKE = re.compile(r"\d\s?°|\d\s?'|\d{1,3}\.\d{2}|\d\s\d{2}\.\d|\d-\d{2}\.\d|\d\s?[NSEW]\b", re.ASCII)
_NUMBERS, _LETTERS = re.compile(r"°|\d[.,]\d"), re.compile(r"[^\W\d_]{2}")
_FEW_WORDS = 3
_KNOWN = frozenset(
    """a all an and another approximate approximates approximating are area areas as at and/or back be beginning being
    below bounded by clockwise commencing connect connecting connected coordinate coordinates counterclockwise curve
    contour contours datum decimal defined degree degrees delimited delineated depth described each ending enclosed end
    fathom fm following follows formed from geographic given in is isobath it joining joins latitude latitudes lat lon
    long line lines list listed located longitude longitudes means minutes of on order ordered origin point points
    position positions respectively segments sequence set shown specified start starting stated straight that the then
    thence these this those to used waters which with""".split()  # noqa: SIM905 - words read best as words
)
_DATUMS = re.compile(r"\b(?:WGS[ -]?(?:19)?84|NAD[ -]?(?:19)?83)\b", re.IGNORECASE)
_OTHER_DATUM = re.compile(
    r"\b(?:NAD[ -]?(?:19)?27|ED[ -]?(?:19)?50|OSGB[ -]?(?:19)?36|Tokyo datum|Pulkovo|Clarke 1866|AGD ?\d\d|NZGD ?49)\b",
    re.IGNORECASE,
)
_REFERENCE = re.compile(
    r"(?:\d{1,4}\s+)?(?:[A-Z]\.?){2,5}\s*(?:(?:§+|[Pp]art|[Ss]ec(?:tion|\.)?)\s*)?\d[\w.:-]{0,30}(?:\s*\([A-Za-z0-9]{1,4}\))*"
    r"|(?:§+|\b(?:[Ss]ec(?:tion|\.)|[Rr]ule|[Rr]egulation|[Aa]rticle|[Pp]art)\b)\s*\d[\w.:-]{0,30}(?:\s*\([A-Za-z0-9]{1,4}\))*"
)
_PARAGRAPH = re.compile(r"\s*((?:\([A-Za-z0-9]{1,4}\)\s*)+)")
_NO_TITLE = frozenset(
    """except excluding unless until effective prohibited unlawful closed open may shall must no not only during when
    january february march april june july august september october november december daily""".split()  # noqa: SIM905
)
_LONGEST_TITLE, _MOST_WORDS, _SMALL_WORD = 300, 14, 3


@dataclass(frozen=True)
class Heading:
    """A heading: its line, the name and the reference in it, either of which may be empty."""

    line: int
    text: str
    name: str
    reference: str
    paragraph: str


@dataclass(frozen=True)
class Left:
    """What is not understood of a line; `point_like` says that it may be a position."""

    line: int
    part: str
    point_like: bool


@dataclass
class Gap:
    """What stands between two positions."""

    headings: list[Heading] = field(default_factory=list)
    intro: bool = False
    back: bool = False
    back_position: bool = False
    label: int | None = None
    radius_before_m: float | None = None
    radius_after_m: float | None = None
    contours: list[str] = field(default_factory=list)
    other_datums: list[str] = field(default_factory=list)
    left: list[Left] = field(default_factory=list)


def read_gap(text: str, line: int, *, begins_line: bool, ends_line: bool, follows: bool) -> Gap:
    """Return what the text between two positions says.

    Parameters
    ----------
    text
        The plain text.
    line
        The line in which it begins.
    begins_line, ends_line
        Whether its first line has nothing before it, and its last nothing behind.
    follows
        Whether a position comes next.

    Examples
    --------
    >>> gap = read_gap("; and connecting back to ", 3, begins_line=False, ends_line=False, follows=True)
    >>> gap.back_position, gap.left
    (True, [])
    >>> [left.part for left in read_gap("thence along the shore to", 1, begins_line=True, ends_line=False,
    ...     follows=True).left]
    ['thence along the shore to']
    """
    gap = Gap()
    body = _without_headings(text, line, gap, begins_line=begins_line, ends_line=ends_line, follows=follows)
    spans: list[tuple[int, int]] = []
    if follows:
        tail = max(0, len(body) - 60)
        match = _LABEL.search(body, tail)
        if match is not None and _is_label(body, match):
            gap.label = _ordinal(match["named"] or match["marked"] or match["bare"])
            spans.append(match.span())
            body = body[: match.start()]
        match = _CIRCLE_BEFORE.search(body, max(0, len(body) - 160))
        if match is not None:
            gap.radius_before_m = _metres(match["size"] or match["size2"], match["unit"] or match["unit2"])
            spans.append(match.span())
    match = _CIRCLE_AFTER.match(body)
    if match is not None and not begins_line:
        gap.radius_after_m = _metres(match["size"], match["unit"])
        spans.append(match.span())
    _closing(body, gap, spans, follows=follows)
    gap.intro = _INTRO.search(body) is not None
    for match in _CONTOUR.finditer(body):
        gap.contours.append(" ".join(match[0].split()))
        spans += [depth.span() for depth in _DEPTH.finditer(body, *match.span())]
    gap.other_datums = [match[0] for match in _OTHER_DATUM.finditer(body)]
    spans += [match.span() for match in _DATUMS.finditer(body)] + [match.span() for match in _DIRECTION.finditer(body)]
    gap.left = _left(body, spans, line)
    return gap


def _is_label(body: str, match: re.Match[str]) -> bool:
    """Return whether a number before a position is its label, rather than the end of a date or a sentence."""
    ahead = body[max(0, match.start() - 40) : match.start()].rpartition("\n")[2].rstrip()
    if not ahead:
        return True
    same_line = "\n" not in match[0].lstrip()
    return (
        same_line and match["bare"] is None and re.search(r"(?:[;,.:)]|\b(?:and|to|then|thence))\Z", ahead) is not None
    )


def _without_headings(text: str, line: int, gap: Gap, *, begins_line: bool, ends_line: bool, follows: bool) -> str:
    lines = text.split("\n")
    for i, one in enumerate(lines):
        begins = i > 0 or begins_line
        whole = begins and (i < len(lines) - 1 or ends_line)
        if (whole or (begins and follows)) and one.strip():
            heading, rest = _heading(one, line + i, whole=whole)
            if heading is not None:
                gap.headings.append(heading)
                lines[i] = " " * (len(one) - len(rest)) + rest
    return "\n".join(lines)


def _heading(line: str, number: int, *, whole: bool) -> tuple[Heading | None, str]:
    """Return the heading that a line begins with, and what follows it on the line."""
    text = line.lstrip()
    if text.startswith("#"):
        return _titled(text.lstrip("# "), "", text.strip(), number), ""
    if len(text) > _LONGEST_TITLE and not text.startswith(("§", "(")):
        return None, line
    paragraph = _PARAGRAPH.match(text)
    start = paragraph.end() if paragraph else 0
    reference = _REFERENCE.match(text, start)
    after = reference.end() if reference else start
    end = re.compile(r"[.:](?=\s|\Z)").search(text, after, after + _LONGEST_TITLE)
    stop = end.start() if end else min(len(text), after + _LONGEST_TITLE)
    name = text[after:stop].strip(" -,")
    titled = _is_title(name, loosely=reference is not None) or (reference is not None and not name)
    if not titled or (_LABEL.fullmatch(text) and not reference) or not (whole or end):
        return None, line
    rest = text[stop + 1 :]
    label = "".join(paragraph[1].split()) if paragraph else ""
    return _titled(text[start:stop], label, text[: stop + 1].strip(), number), rest


def _titled(title: str, paragraph: str, text: str, number: int) -> Heading:
    found = _REFERENCE.search(title)
    reference = " ".join(found[0].split()).rstrip(".:-") if found else ""
    name = (title[: found.start()] + title[found.end() :] if found else title).strip(" .:,-")
    return Heading(number, text, " ".join(name.split()), reference, paragraph)


def _is_title(name: str, *, loosely: bool) -> bool:
    words = _WORD.findall(name)
    plain = [word.casefold() for word in words]
    if not 1 <= len(words) <= _MOST_WORDS or _NUMBERS.search(name) or not _LETTERS.search(name):
        return False
    if not _NO_TITLE.isdisjoint(plain) or all(word in _KNOWN for word in plain):
        return False
    lower = [word for word in words if word[0].islower()]
    return not words[0][0].islower() and (loosely or all(len(word) <= _SMALL_WORD for word in lower))


def _closing(body: str, gap: Gap, spans: list[tuple[int, int]], *, follows: bool) -> None:
    back = first = None
    for back in _BACK_TO.finditer(body):
        spans.append(back.span())
    for first in _FIRST_POINT.finditer(body):
        spans.append(first.span())
    if back is None and first is None:
        return
    gap.back = True
    if first is not None:
        rest = body[first.end() :].strip(" ")
        gap.back_position = follows and gap.label is None and not any(sign in rest for sign in ".;\n")
    else:
        gap.back_position = follows
    gap.back_position = gap.back_position and not gap.headings


def _left(body: str, spans: list[tuple[int, int]], line: int) -> list[Left]:
    """Return the lines of a gap in which a word or number is not known."""
    masked = list(body)
    for start, end in spans:
        masked[start:end] = [one if one == "\n" else " " for one in body[start:end]]
    left = []
    for i, (rest, whole) in enumerate(zip("".join(masked).split("\n"), body.split("\n"), strict=False)):
        unknown = [word for word in _WORD.findall(rest) if word.casefold() not in _KNOWN]
        if unknown or "°" in rest:
            words = sum(word[0].isalpha() and len(word) > 1 for word in unknown)
            point_like = words <= _FEW_WORDS and _POINT_LIKE.search(rest) is not None
            left.append(Left(line + i, whole.strip(), point_like))
    return left


def _ordinal(label: str) -> int | None:
    if label.isdecimal():
        return int(label)
    return ord(label.lower()) - ord("a") + 1 if len(label) == 1 and label.isascii() else None


def _metres(size: str, unit: str) -> float:
    return float(size) * _METRES[unit[0].lower()]
