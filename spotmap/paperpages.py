"""Pages of words and tables on paper: headings, sentences, rows and tables that flow from page to page.

Everything from data is escaped here. A character that the font has no glyph for shows as a box, and is remembered.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from html import escape
from io import BytesIO
from typing import Any

from reportlab.lib import colors
from reportlab.lib.styles import ParagraphStyle
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import (
    BaseDocTemplate,
    CondPageBreak,
    Flowable,
    Frame,
    NextPageTemplate,
    PageBreak,
    PageTemplate,
    Paragraph,
    Spacer,
    Table,
    TableStyle,
)

FONT, BOLD = "Vera", "VeraBd"
MARGIN_PT = 40.0
_HEAD_PT, _FOOT_PT = 24.0, 2.0
_SIZE_PT, _SMALL = 8.6, 0.86
"""The size of words, and the share of it that words in tables have."""
_INK, _RULE, _SHADE = colors.HexColor("#14110f"), colors.HexColor("#8a857d"), colors.HexColor("#ece8e1")
_HEADING_ROOM_PT = 60.0
_UNSEEN = ("Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp")
"""Characters of these kinds are no writing: control, direction, half of a pair, not assigned."""

_PLAINER = str.maketrans({"′": "'", "″": '"', "→": ">", "−": "-", "\u2010": "-", "\u2011": "-"})
"""What the font lacks, and what says the same."""

Draw = Callable[[Canvas], None]


@dataclass(frozen=True)
class PaperPage:
    """A page that is drawn, not flowed: its size in points and what draws it."""

    size: tuple[float, float]
    draw: Draw


@dataclass(frozen=True)
class Running:
    """What every page carries: a title and a date above, words and the page's number below."""

    title: str
    date: str
    foot: str
    metadata_title: str


@dataclass
class Story:
    """What flows over the pages, and the characters in it that the font has no glyph for."""

    width: float
    size: float = _SIZE_PT
    flow: list[Flowable] = field(default_factory=list)
    missing: set[str] = field(default_factory=set)

    def heading(self, words: str, note: str = "", room: float = _HEADING_ROOM_PT) -> None:
        """Begin a section, on a new page if less than so much room is left; `note` stands small beside its name."""
        said = f'<font name="{BOLD}" size="{1.22 * self.size:.1f}">{self._safe(words)}</font>'
        if note:
            said += f'  <font size="{_SMALL * self.size:.1f}">{self._safe(note)}</font>'
        self.flow += [CondPageBreak(room), Paragraph(said, _style(self.size, before=0.8, after=0.3))]

    def text(self, words: str, *, strong: bool = False) -> None:
        """Write a sentence or more."""
        self.flow.append(self.cell(words, strong=strong, after=0.25))

    def table_title(self, words: str) -> None:
        """Write the name of the table that comes next, on its page."""
        self.flow.append(CondPageBreak(_HEADING_ROOM_PT))
        self.text(words, strong=True)

    def bullets(self, every: Sequence[str]) -> None:
        """Write a list, an item a line."""
        style = _style(self.size, after=0.15, indent=1.0)
        self.flow += [Paragraph(self._safe(words), style, bulletText="•") for words in every]

    def rows(self, every: Sequence[tuple[str, str]], name_share: float = 0.22) -> None:
        """Write rows of a name and what is said of it."""
        if not every:
            return
        cells = [[self.cell(name, strong=True), self.cell(words)] for name, words in every]
        self._table(cells, (name_share * self.width, (1.0 - name_share) * self.width), head=False)

    def table(
        self, head: Sequence[str], every: Sequence[Sequence[str]], shares: Sequence[float], *, small: float = _SMALL
    ) -> None:
        """Write a table; its head comes again on each page. `shares` are the columns' widths, in any unit."""
        whole = sum(shares)
        widths = [share / whole * self.width for share in shares]
        cells = [[self.cell(words, strong=True, small=small) for words in head]]
        cells += [[self.cell(words, small=small) for words in row] for row in every]
        self._table(cells, widths, head=True)

    def boxed(self, words: str) -> None:
        """Write what must not be missed, in a frame."""
        table = Table([[self.cell(words, strong=True)]], colWidths=[self.width])
        table.setStyle(TableStyle([("BOX", (0, 0), (-1, -1), 1.2, _INK), ("BACKGROUND", (0, 0), (-1, -1), _SHADE)]))
        self.flow += [Spacer(1, 3), table, Spacer(1, 3)]

    def drawing(self, drawn: Flowable) -> None:
        """Put in a drawing."""
        self.flow.append(drawn)

    def cell(self, words: str, *, strong: bool = False, small: float = 1.0, after: float = 0.0) -> Paragraph:
        """Return words that wrap, long names too, at a share of the story's size."""
        return Paragraph(self._safe(words), _style(small * self.size, BOLD if strong else FONT, after=after))

    def _table(self, cells: list[list[Paragraph]], widths: Sequence[float], *, head: bool) -> None:
        table = Table(cells, colWidths=list(widths), repeatRows=1 if head else 0)
        style: list[tuple[Any, ...]] = [
            ("VALIGN", (0, 0), (-1, -1), "TOP"),
            ("LINEBELOW", (0, 0), (-1, -1), 0.35, _RULE),
            ("TOPPADDING", (0, 0), (-1, -1), 1.4),
            ("BOTTOMPADDING", (0, 0), (-1, -1), 1.8),
            ("LEFTPADDING", (0, 0), (-1, -1), 2.5),
            ("RIGHTPADDING", (0, 0), (-1, -1), 2.5),
        ]
        if head:
            style += [("BACKGROUND", (0, 0), (-1, 0), _SHADE), ("LINEBELOW", (0, 0), (-1, 0), 0.9, _INK)]
        table.setStyle(TableStyle(style))
        self.flow += [table, Spacer(1, 3)]

    def _safe(self, words: str) -> str:
        shown = written(words)
        self.missing |= without_glyph(shown)
        return escape(shown)


def written(words: str) -> str:
    """Return words in composed form without what is no writing: line ends and control characters become spaces."""
    said = "".join(" " if unicodedata.category(one) in _UNSEEN else one for one in unicodedata.normalize("NFC", words))
    return " ".join(said.translate(_PLAINER).split())


def without_glyph(words: str) -> set[str]:
    """Return the characters that the pages' font shows as a box."""
    fonts()
    known = pdfmetrics.getFont(FONT).face.charToGlyph
    return {one for one in words if not one.isspace() and ord(one) not in known}


def fonts() -> None:
    """Make the fonts known that come with the drawing library: both are embedded, a subset each."""
    for name in (FONT, BOLD):
        if name not in pdfmetrics.getRegisteredFontNames():
            pdfmetrics.registerFont(TTFont(name, f"{name}.ttf"))


def fitted(words: str, room_pt: float, size: float, font: str = FONT) -> str:
    """Return words on one line, cut to fit into some points."""
    shown = written(words)
    if pdfmetrics.stringWidth(shown, font, size) <= room_pt:
        return shown
    while shown and pdfmetrics.stringWidth(f"{shown}…", font, size) > room_pt:
        shown = shown[:-1]
    return f"{shown.rstrip()}…"


def text_width(size: tuple[float, float]) -> float:
    """Return how wide text is on a sheet of a size, in points."""
    return size[0] - 2 * MARGIN_PT


def paper_pdf(pages: Sequence[PaperPage], story: Story, size: tuple[float, float], running: Running) -> bytes:
    """Return a PDF: the drawn pages, then the story on sheets of a size.

    The same pages and story give the same bytes; nothing of the machine is inside.
    """
    fonts()
    file = BytesIO()
    document = BaseDocTemplate(
        file,
        pagesize=size,
        title=running.metadata_title,
        author="",
        subject="",
        creator="",
        producer="",
        keywords="",
        invariant=1,
        pageCompression=1,
    )
    bare = dict.fromkeys(("leftPadding", "rightPadding", "topPadding", "bottomPadding"), 0.0)
    low = MARGIN_PT + _FOOT_PT
    room = Frame(MARGIN_PT, low, text_width(size), size[1] - MARGIN_PT - _HEAD_PT - low, **bare)
    templates = [
        PageTemplate(f"drawn {index}", [Frame(0, 0, *page.size)], onPage=_drawn(page), pagesize=page.size)
        for index, page in enumerate(pages)
    ]
    templates.append(PageTemplate("text", [room], onPage=_running_head(running), pagesize=size))
    document.addPageTemplates(templates)
    flow: list[Flowable] = []
    for name in [template.id for template in templates[1:]]:
        flow += [NextPageTemplate(name), Spacer(1, 1), PageBreak()]
    document.build([*flow, *story.flow], canvasmaker=lambda *args, **more: _Numbered(running, *args, **more))
    return file.getvalue()


def _drawn(page: PaperPage) -> Callable[[Canvas, object], None]:
    return lambda canvas, _: page.draw(canvas)


def _running_head(running: Running) -> Callable[[Canvas, object], None]:
    def draw(canvas: Canvas, document: Any) -> None:
        wide, high = document.pageTemplate.pagesize
        canvas.saveState()
        canvas.setFillColor(_INK)
        canvas.setStrokeColor(_INK)
        level = high - MARGIN_PT - 10.0
        date_wide = pdfmetrics.stringWidth(running.date, FONT, 9.0)
        canvas.setFont(BOLD, 12.0)
        canvas.drawString(
            MARGIN_PT, level, fitted(running.title, text_width((wide, high)) - date_wide - 14, 12.0, BOLD)
        )
        canvas.setFont(FONT, 9.0)
        canvas.drawRightString(wide - MARGIN_PT, level, running.date)
        canvas.setLineWidth(1.1)
        canvas.line(MARGIN_PT, level - 6.0, wide - MARGIN_PT, level - 6.0)
        canvas.restoreState()

    return draw


class _Numbered(Canvas):  # type: ignore[misc]
    """A canvas that knows how many pages there are before it writes the foot of the first."""

    def __init__(self, running: Running, *arguments: Any, **options: Any) -> None:
        super().__init__(*arguments, **options)
        self._running = running
        self._pages: list[dict[str, Any]] = []

    def showPage(self) -> None:  # noqa: N802  the library's name
        self._pages.append(dict(self.__dict__))
        self._startPage()

    def save(self) -> None:
        for number, page in enumerate(self._pages, 1):
            self.__dict__.update(page)
            self._foot(number)
            super().showPage()
        super().save()

    def _foot(self, number: int) -> None:
        wide = self._pagesize[0]
        said = f"page {number} of {len(self._pages)}"
        room = text_width(self._pagesize) - pdfmetrics.stringWidth(said, FONT, 7.4) - 12
        self.setFillColor(_INK)
        self.setFont(FONT, 7.4)
        self.drawString(MARGIN_PT, 0.55 * MARGIN_PT, fitted(self._running.foot, room, 7.4))
        self.drawRightString(wide - MARGIN_PT, 0.55 * MARGIN_PT, said)


def _style(
    size: float, font: str = FONT, *, before: float = 0.0, after: float = 0.0, indent: float = 0.0
) -> ParagraphStyle:
    """Return a style; distances are in the size of its letters."""
    fonts()
    return ParagraphStyle(
        "words",
        fontName=font,
        fontSize=size,
        leading=1.24 * size,
        textColor=_INK,
        spaceBefore=before * size,
        spaceAfter=after * size,
        leftIndent=indent * size,
        bulletFontName=FONT,
        bulletFontSize=size,
    )
