"""Regulations as text: areas and lines by their coordinates, exactly as written, and every line not understood."""

from __future__ import annotations

import hashlib
import re
from dataclasses import dataclass, field
from math import hypot
from pathlib import Path
from typing import Literal

from layers._errors import Finding, InputError
from layers.coordinatetext import MOST_POSITIONS, Written, line_counter, plain_text, written_positions
from layers.regulationwords import Gap, Heading, Left, read_gap

MOST_CHARACTERS = 10_000_000
_SAME_DEG = 1e-9
_CODE_LENGTH = 8
_LEAST_RING = 3
_RING_WORDS = ("radius", "bounded by", "back to", "thence", "point of beginning")
_ROMAN_ONE = 9
"""The label (i), read as a letter: what follows it is not counted."""
_LONGEST_SHOWN = 300
_LOOKED_AT = 20_000
_LIST_WORDS = frozenset(
    {"point", "pt", "lat", "lon", "long", "thence", "and", "to", "the", "back", "connecting", "beginning", "at"}
)
_PAGE = re.compile(r"\s*<(?:!doctype html|html|\?xml|head|body|div|p)\b", re.IGNORECASE)
Closed = Literal["connecting back", "first repeated", "ended", "circle"]


@dataclass(frozen=True)
class RegulationArea:
    """An area or a line as a regulation writes it.

    `positions` are in its order, without the one that closes it, which is `closing`. `closed` says how it ends: an
    "ended" one is a line, until a person says that it is closed. `radius_m` is a circle's about its one position.
    `lost` are lines that may be points of it and were not understood.
    """

    name: str
    reference: str
    line: int
    positions: tuple[Written, ...]
    closed: Closed
    closing: Written | None = None
    radius_m: float | None = None
    lost: tuple[int, ...] = ()


@dataclass(frozen=True)
class UnreadLine:
    """A line not fully understood: its number, what it says (300 characters at most), and the part that was not."""

    number: int
    text: str
    part: str


@dataclass(frozen=True)
class Regulation:
    """A regulation as understood; `where` names its file, `findings` is what a person should look at."""

    where: str
    text: str
    areas: tuple[RegulationArea, ...]
    unread: tuple[UnreadLine, ...]
    findings: tuple[Finding, ...] = ()


def regulation_text(file: Path) -> str:
    """Return the text of a file in UTF-8 or, with its mark, UTF-16.

    Raises
    ------
    InputError
        It cannot be read, is no text, is in another encoding, or is larger than 10 MB.
    """
    try:
        if file.stat().st_size > 2 * MOST_CHARACTERS:
            raise InputError.one(file.name, "is larger than 20 MB.", "Give only the part with the areas.")
        data = file.read_bytes()
        wide = data.startswith((b"\xff\xfe", b"\xfe\xff"))
        text = data.decode("utf-16" if wide else "utf-8-sig")
    except UnicodeDecodeError:
        raise InputError.one(file.name, "is not UTF-8 text.", "Save it as plain text, encoding UTF-8.") from None
    except OSError as error:
        raise InputError.one(file.name, f"cannot be read: {error.strerror}.", "Check the path.") from None
    if "\0" in text:
        raise InputError.one(file.name, "is not text: it holds zero bytes.", "Give the regulation as plain text.")
    return text


def looks_like_regulation(text: str) -> bool:
    r"""Return whether a text holds a list of positions written with degrees or hemispheres, as regulations do.

    Examples
    --------
    >>> looks_like_regulation("(1) 48°18.00′ N. lat.; 125°18.00′ W. long.;\n" * 3)
    True
    >>> looks_like_regulation("name,lat,lon\nGull Point,48.15,-122.67\n")
    False
    """
    plain, _ = plain_text(text[:_LOOKED_AT])
    found = written_positions(plain)
    if any(words in plain.casefold() for words in _RING_WORDS):
        return bool(found)
    return len(found) >= _LEAST_RING and _share_of_names(plain, found) < 1 / 2


def _share_of_names(plain: str, found: tuple[Written, ...]) -> float:
    """Return how many of the positions have a name of their own on their line, as marks do."""
    lines = plain.split("\n")
    named = 0
    for one in found:
        rest = lines[one.line - 1].replace(one.text, " ")
        words = re.findall(r"[^\W\d_]{2,}", rest)
        named += any(word.casefold() not in _LIST_WORDS for word in words)
    return named / len(found)


def read_regulation(text: str, where: str) -> Regulation:
    """Return the areas and lines of a regulation.

    Parameters
    ----------
    text
        The regulation, at most ten million characters with 50,000 positions.
    where
        The file's name, for messages.

    Raises
    ------
    InputError
        The text is too long, is a web page's source, or holds no positions.

    Examples
    --------
    >>> regulation = read_regulation('''(b) Gull Bank.
    ... (1) 48°18.00′ N. lat.; 125°18.00′ W. long.;
    ... (2) 48°18.00′ N. lat.; 125°10.00′ W. long.;
    ... (3) 48°11.00′ N. lat.; 125°10.00′ W. long.;
    ... and connecting back to 48°18.00′ N. lat.; 125°18.00′ W. long.''', "bank.txt")
    >>> area = regulation.areas[0]
    >>> area.name, area.closed, [one.line for one in area.positions], regulation.unread
    ('Gull Bank', 'connecting back', [2, 3, 4], ())
    """
    if len(text) > MOST_CHARACTERS:
        raise InputError.one(where, "is longer than ten million characters.", "Give only the part with the areas.")
    if _PAGE.match(text):
        raise InputError.one(where, "is a web page's source, not plain text.", "Copy its words into a text file.")
    plain, hidden = plain_text(text)
    positions = written_positions(plain)
    if not positions:
        remedy = "Give a text in which positions are written, such as 48°18.00′ N. lat.; 125°18.00′ W. long."
        raise InputError.one(where, "holds no positions.", remedy)
    if len(positions) > MOST_POSITIONS:
        raise InputError.one(where, f"holds more than {MOST_POSITIONS:,} positions.", "Give it in several texts.")
    reader = _Reader(where, plain)
    reader.read(positions)
    for number in hidden:
        reader.unread.append(Left(number, "characters that cannot be seen (left out)", point_like=False))
    lines = plain.split("\n")
    unread = tuple(
        UnreadLine(one.line, lines[one.line - 1][:_LONGEST_SHOWN].strip(), one.part[:_LONGEST_SHOWN])
        for one in sorted(reader.unread, key=lambda one: one.line)
    )
    return Regulation(where, text, tuple(reader.areas), unread, tuple(reader.findings))


def acceptance_code(regulation: Regulation) -> str:
    """Return a short hash of the text and of what was understood of it, by which a person accepts both."""
    understood = repr((regulation.text, regulation.areas, regulation.unread))
    return hashlib.sha256(understood.encode("utf-8", "surrogatepass")).hexdigest()[:_CODE_LENGTH]


@dataclass
class _Draft:
    """An area while it is read."""

    heading: Heading | None
    line: int
    positions: list[Written] = field(default_factory=list)
    labels: list[int | None] = field(default_factory=list)
    closed: Closed = "ended"
    closing: Written | None = None
    radius_m: float | None = None
    radius_line: int = 0
    lost: list[int] = field(default_factory=list)


class _Reader:
    """Goes through positions and the words between them."""

    def __init__(self, where: str, plain: str) -> None:
        self.where, self.plain = where, plain
        self.areas: list[RegulationArea] = []
        self.unread: list[Left] = []
        self.findings: list[Finding] = []
        self._line_of = line_counter(plain)
        self._draft: _Draft | None = None
        self._heading: Heading | None = None
        self._heading_areas = 0
        self._section = ""
        self._lost: list[int] = []

    def read(self, positions: tuple[Written, ...]) -> None:
        at = 0
        for one in (*positions, None):
            end = len(self.plain) if one is None else one.start
            text = self.plain[at:end]
            gap = read_gap(
                text,
                self._line_of(at),
                begins_line=at == 0 or self.plain[at - 1] == "\n",
                ends_line=one is None,
                follows=one is not None,
            )
            self._take_gap(gap, one)
            if one is not None:
                self._take_position(one, gap)
                at = one.end
        self._finish()
        self._drop_heading()

    def _take_gap(self, gap: Gap, follows: Written | None) -> None:
        draft = self._draft
        if draft is not None and gap.radius_after_m is not None:
            draft.radius_m, draft.radius_line = gap.radius_after_m, draft.positions[-1].line
        if draft is not None and draft.closed == "ended" and gap.back and not gap.back_position:
            draft.closed = "connecting back"
        for what in gap.contours:
            found = f"the text speaks of a depth line, '{what}'. The coordinates rule, and are kept as written."
            self._note(found, "Nothing to do, if that is what the regulation says.")
        for what in gap.other_datums:
            found = (
                f"the text names the datum '{what}', and positions are read as WGS 84: they may lie 100 m off or more."
            )
            self._note(found, "Convert them to WGS 84 first.")
            self.unread.append(Left(self._line_with(what), what, point_like=False))
        self._take_left(gap)
        restarts = draft is not None and gap.label == 1 and any(label is not None for label in draft.labels)
        if restarts and draft is not None and follows is not None:
            restarts = not same_place(follows, draft.positions[0])
        if gap.headings or (gap.intro and follows is not None) or restarts:
            self._finish()
        for heading in gap.headings:
            self._drop_heading()
            self._heading, self._heading_areas = heading, 0
            self._section = heading.reference or self._section

    def _take_left(self, gap: Gap) -> None:
        for left in gap.left:
            self.unread.append(left)
            if not left.point_like:
                continue
            draft = self._draft
            inside = draft is not None and draft.closed == "ended" and not gap.headings
            (draft.lost if draft is not None and inside else self._lost).append(left.line)

    def _take_position(self, one: Written, gap: Gap) -> None:
        draft = self._draft
        if draft is not None and draft.closed != "ended":
            follows_on = gap.label is not None and draft.labels and draft.labels[-1] == gap.label - 1
            if draft.closed == "first repeated" and draft.closing is not None and follows_on:
                draft.positions.append(draft.closing)
                draft.closed, draft.closing = "ended", None
            else:
                self._finish()
                draft = None
        if draft is None:
            draft = self._draft = _Draft(self._heading, one.line, lost=self._lost)
            self._lost = []
        if gap.radius_before_m is not None:
            draft.radius_m, draft.radius_line = gap.radius_before_m, one.line
        if one.problem:
            self.unread.append(Left(one.line, f"{one.text}: {one.problem}", point_like=True))
        if gap.back_position and draft.positions:
            draft.closed, draft.closing = "connecting back", one
        elif len(draft.positions) >= _LEAST_RING and same_place(one, draft.positions[0]):
            draft.closed, draft.closing = "first repeated", one
            draft.labels.append(gap.label)
        else:
            draft.positions.append(one)
            draft.labels.append(gap.label)

    def _finish(self) -> None:
        draft, self._draft = self._draft, None
        if draft is None:
            return
        self._heading_areas += 1
        circle = draft.radius_m is not None and len(draft.positions) == 1 and draft.closing is None
        if draft.radius_m is not None and not circle:
            part = "a radius, and more than one position to go with it"
            self.unread.append(Left(draft.radius_line, part, point_like=False))
        name = self._name(draft)
        paragraph = draft.heading.paragraph if draft.heading else ""
        own = draft.heading.reference if draft.heading else ""
        reference = f"{own or self._section}{paragraph and ' '}{paragraph}" if own or self._section else ""
        area = RegulationArea(
            name,
            reference.strip(),
            draft.line,
            tuple(draft.positions),
            "circle" if circle else draft.closed,
            draft.closing,
            draft.radius_m if circle else None,
            tuple(draft.lost),
        )
        self.areas.append(area)
        self._check_labels(area, draft.labels)

    def _name(self, draft: _Draft) -> str:
        name = draft.heading.name if draft.heading else ""
        if name and self._heading_areas > 1:
            name = f"{name} ({self._heading_areas})"
            self._note(f"line {draft.line}: another ring without a heading of its own; called '{name}'.", "Look at it.")
        if not name:
            name = f"area {len(self.areas) + 1}"
            self._note(f"line {draft.line}: the text gives no name; called '{name}'.", "Put a heading above it.")
        return name

    def _check_labels(self, area: RegulationArea, labels: list[int | None]) -> None:
        told = [(label, one) for label, one in zip(labels, area.positions, strict=False) if label is not None]
        if told and told[0][0] == _ROMAN_ONE:
            return
        expected = 1
        for label, one in told:
            if label != expected:
                found = f"'{area.name}', line {one.line}: is number {label}, and {expected} was to come."
                self._note(found, "Check whether a point is missing or out of order.")
            expected = label + 1

    def _drop_heading(self) -> None:
        heading = self._heading
        if heading is not None and not self._heading_areas and heading.name and not heading.reference:
            self.unread.append(Left(heading.line, heading.text, point_like=False))
        self._heading = None

    def _line_with(self, words: str) -> int:
        return self._line_of(self.plain.find(words))

    def _note(self, what: str, remedy: str) -> None:
        self.findings.append(Finding(self.where, what, remedy, "warning"))


def same_place(one: Written, other: Written) -> bool:
    """Return whether two positions are the same as far as a text can tell."""
    return hypot(one.lon - other.lon, one.lat - other.lat) <= _SAME_DEG
