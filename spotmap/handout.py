"""The handout on paper: chart sheets at true scale, then the pages of one edition, as one PDF."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Literal

from spotmap.clientpages import write_client
from spotmap.clientplan import client_plan
from spotmap.comparison import Compared
from spotmap.crewpages import write_crew
from spotmap.handoutwords import HandoutWords
from spotmap.model import Plan
from spotmap.paperchart import draw_chart
from spotmap.paperpages import PaperPage, Running, Story, paper_pdf, text_width
from spotmap.papersheets import ChartSheet, Paper, choose_sheets

if TYPE_CHECKING:
    from reportlab.pdfgen.canvas import Canvas

Edition = Literal["client", "crew"]
EDITIONS: tuple[Edition, ...] = ("client", "crew")
_SIZES = {"Letter": (612.0, 792.0), "A4": (210.0 * 72.0 / 25.4, 297.0 * 72.0 / 25.4)}
"""Sheets of words stand upright; points."""
_LETTERS_PT: dict[Edition, float] = {"client": 9.3, "crew": 8.6}
NOT_FOR_NAVIGATION = "plan, not for navigation"


def handout_pdf(
    plan: Plan,
    *,
    edition: Edition,
    paper: Paper = "Letter",
    words: HandoutWords | None = None,
    compared: Sequence[Compared] = (),
) -> bytes:
    """Return a handout as PDF.

    Parameters
    ----------
    plan
        A checked plan. For clients chart and pages are made from `client_plan` of it, so nothing private can be there.
    edition
        "client" or "crew".
    paper
        "Letter" or "A4".
    words
        The skipper's own words, for clients.
    compared
        The trip with other setbacks, for the crew.

    Returns
    -------
    bytes
        The same plan gives the same bytes. The metadata hold a title and nothing else.
    """
    shown = client_plan(plan) if edition == "client" else plan
    size = _SIZES[paper]
    story = Story(text_width(size), _LETTERS_PT[edition])
    if edition == "client":
        write_client(story, shown, words or HandoutWords())
    else:
        write_crew(story, plan, compared)
    if story.missing:
        told = " ".join(f"U+{ord(one):04X}" for one in sorted(story.missing))
        story.text(f"Characters that the font of this sheet does not have are shown as boxes: {told}.")
    sheets = choose_sheets(shown, paper)
    return paper_pdf([_page(shown, sheet, edition) for sheet in sheets], story, size, _running(shown, edition))


def _page(plan: Plan, sheet: ChartSheet, edition: Edition) -> PaperPage:
    def draw(canvas: Canvas) -> None:
        draw_chart(canvas, plan, sheet, edition=edition)

    return PaperPage(sheet.frame.size, draw)


def _running(plan: Plan, edition: Edition) -> Running:
    invented = " (INVENTED)" if plan.area.invented else ""
    day = plan.trip.start.astimezone(plan.area.timezone)
    name = f"{plan.area.name}{invented}"
    date = f"{day:%A} {day.day} {day:%B %Y}"
    return Running(
        title=f"{name}: {'your day on the water' if edition == 'client' else 'crew sheet'}",
        date=date,
        foot=f"{name}, {day:%Y-%m-%d}: {NOT_FOR_NAVIGATION}. {'' if edition == 'client' else 'CREW ONLY.'}".rstrip(),
        metadata_title=f"{name}, {day:%Y-%m-%d}: {NOT_FOR_NAVIGATION}",
    )
