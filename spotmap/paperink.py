"""What charts on paper are drawn with: colours, fonts, and paths of shapes."""

from __future__ import annotations

import unicodedata
from typing import TYPE_CHECKING, Any

import shapely
from reportlab.lib.colors import HexColor
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

FONT, BOLD = "Vera", "VeraBd"
INK, SOFT, PAPER = HexColor("#14110f"), HexColor("#46413d"), HexColor("#ffffff")
UNKNOWN, UNKNOWN_INK = HexColor("#e3e1e6"), HexColor("#77737f")
LAND, LAND_INK = HexColor("#857c70"), HexColor("#2b2622")
DRIES = HexColor("#dca06a")
DEPTHS = tuple(map(HexColor, ("#fdf2dd", "#eae7c6", "#cfdcbc", "#b0ceb6", "#93bfb5", "#7cb1b5", "#66a3b1")))
"""From shoal to deep; like all colours here they are those of `web/palette.css`, and differ in lightness."""
LINE = HexColor("#00363a")
"""Depth lines; those worked are wider. A lighter hair would dither away in black and white."""
PASS, TURN, RUN = HexColor("#20104e"), HexColor("#6a1b87"), HexColor("#14110f")
NO_FISHING, NO_ENTRY, OUTSIDE = HexColor("#741400"), HexColor("#14110f"), HexColor("#4d4038")
HAZARD, LANE, CAUTION = HexColor("#ffb000"), HexColor("#33405c"), HexColor("#7a2e68")
GRATICULE = HexColor("#77737f")

_PLAINER = str.maketrans({"′": "'", "″": '"', "→": ">", "−": "-", "\u2010": "-", "\u2011": "-", "\u00a0": " "})
"""What the font lacks, and what says the same."""
_UNSEEN = ("Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp")
"""Characters of these kinds are no writing: control, direction, half of a pair, not assigned."""


def fonts() -> None:
    """Make the fonts known that come with the drawing library: both are embedded, a subset each."""
    for name in (FONT, BOLD):
        if name not in pdfmetrics.getRegisteredFontNames():
            pdfmetrics.registerFont(TTFont(name, f"{name}.ttf"))


def written(words: str) -> str:
    """Return words on one line, in composed form; a character that the font does not have will show as a box."""
    said = "".join(" " if unicodedata.category(one) in _UNSEEN else one for one in unicodedata.normalize("NFC", words))
    return " ".join(said.translate(_PLAINER).split())


def width_of(words: str, size: float, font: str = FONT) -> float:
    """Return how wide words are, in points."""
    return float(pdfmetrics.stringWidth(words, font, size))


def fitted(words: str, room_pt: float, size: float, font: str = FONT) -> str:
    """Return words as written, cut to fit into some points."""
    said = written(words)
    if width_of(said, size, font) <= room_pt:
        return said
    while said and width_of(f"{said}…", size, font) > room_pt:
        said = said[:-1]
    return f"{said.rstrip()}…"


def path(canvas: Any, shape: BaseGeometry) -> Any:
    """Return a shape's lines and rims as one path of a canvas."""
    made = canvas.beginPath()
    parts = shapely.get_parts(shape)
    areas = parts[shapely.get_dimensions(parts) == 2]  # noqa: PLR2004  shapely's dimension of polygons
    lines = parts[shapely.get_dimensions(parts) == 1]
    for closed, every in ((True, shapely.get_rings(areas)), (False, lines)):
        for line in every:
            points = shapely.get_coordinates(line).tolist()
            made.moveTo(*points[0])
            for point in points[1 : -1 if closed else None]:
                made.lineTo(*point)
            if closed:
                made.close()
    return made


def fill(canvas: Any, shape: BaseGeometry, colour: Any) -> None:
    """Paint an area."""
    if not shape.is_empty:
        canvas.setFillColor(colour)
        canvas.drawPath(path(canvas, shape), stroke=0, fill=1, fillMode=0)


def stroke(canvas: Any, shape: BaseGeometry, colour: Any, width: float, dash: tuple[float, ...] = ()) -> None:
    """Draw lines, or the rims of an area, solid or dashed."""
    if not shape.is_empty:
        canvas.setStrokeColor(colour)
        canvas.setLineWidth(width)
        canvas.setDash(*(([list(dash)]) if dash else ([],)))
        canvas.drawPath(path(canvas, shape), stroke=1, fill=0)
        canvas.setDash([])
