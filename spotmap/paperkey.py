"""The key of a chart on paper: what its shades, lines and signs stand for, those only that are on it."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from functools import partial
from typing import TYPE_CHECKING, Any

import shapely

from spotmap.paperhatch import hatching
from spotmap.paperink import (
    CAUTION,
    DEPTHS,
    DRIES,
    FONT,
    HAZARD,
    INK,
    LAND,
    LAND_INK,
    LANE,
    LINE,
    PAPER,
    SOFT,
    UNKNOWN,
    UNKNOWN_INK,
    fill,
    fitted,
    stroke,
)
from spotmap.papersheets import FOOT_PT, KEY_PT, MARGIN_PT
from spotmap.papertracks import AREA_LOOK
from spotmap.papertracks import LOOKS as TRACKS

if TYPE_CHECKING:
    from spotmap.model import LegKind
    from spotmap.paperclosed import PaperClosed
    from spotmap.papersheets import ChartSheet
    from spotmap.papertracks import Track
    from spotmap.paperwater import PaperWater

Sample = Callable[[Any, float, float], None]
"""Draws a sample on a canvas, its lower left corner at a point."""
Entry = tuple[str, Sample]

_LEFT_PT = 385.0
_ROW_PT, _SIZE = 8.5, 5.8
_WIDE, _HIGH = 15.0, 6.2
_WIDEST_PT = 118.0


def key_entries(
    water: PaperWater, closed: Sequence[PaperClosed], tracks: Sequence[Track], things: set[str]
) -> Iterator[Entry]:
    """Yield what the key tells: words, and what draws a sample."""
    yield from _of_tracks(tracks)
    for look in dict.fromkeys(one.look for one in closed):
        yield look.words, partial(_hatched, look)
    if any(one.dash for one in closed):
        yield "rim: part of the day", partial(_line, INK, 1.1, (5.0, 2.5))
    yield from (entry for kind, entry in _THINGS if kind in things)
    yield from _of_water(water)


def _of_tracks(tracks: Sequence[Track]) -> Iterator[Entry]:
    kinds: tuple[tuple[LegKind, str], ...] = (
        ("pass", "pass: gear down"),
        ("turn", "turn: gear down"),
        ("run", "run: gear up"),
    )
    for kind, words in kinds:
        if any(track.kind == kind and not track.area for track in tracks):
            yield words, partial(_line, *TRACKS[kind])
    if any(track.area for track in tracks):
        yield "working area", partial(_line, *AREA_LOOK)


def _of_water(water: PaperWater) -> Iterator[Entry]:
    if any(line.worked for line in water.lines):
        yield "depth line worked", partial(_line, LINE, 0.75, ())
    if water.lines:
        yield "depth line", partial(_line, LINE, 0.4, ())
    for band in reversed(water.bands):
        if not band.shape.is_empty:
            yield band.words, partial(_box, DEPTHS[min(band.shade, len(DEPTHS) - 1)])
    if not water.known.is_empty:
        yield "dries", partial(_box, DRIES)
    yield "depth not known", _unknown
    yield "land", partial(_box, LAND)


def draw_key(canvas: Any, sheet: ChartSheet, entries: Iterator[Entry], left_out: int) -> None:
    """Draw the key in the lower right of the sheet; also tell how many names found no room."""
    every = list(entries)
    left, top = MARGIN_PT + _LEFT_PT, FOOT_PT + KEY_PT - 3.0
    high = int((KEY_PT - 3.0) / _ROW_PT)
    columns = -(-len(every) // high)
    high = -(-len(every) // columns)
    wide = min(_WIDEST_PT, (sheet.frame.size[0] - MARGIN_PT - left) / columns)
    for index, (words, draw) in enumerate(every):
        x, y = left + wide * (index // high), top - _ROW_PT * (index % high + 1)
        draw(canvas, x, y)
        canvas.setFillColor(INK)
        canvas.setFont(FONT, _SIZE)
        canvas.drawString(x + _WIDE + 3.0, y + 1.3, fitted(words, wide - _WIDE - 6.0, _SIZE))
    if left_out:
        canvas.setFont(FONT, _SIZE)
        canvas.setFillColor(SOFT)
        said = "1 name found no room here." if left_out == 1 else f"{left_out} names found no room here."
        canvas.drawString(MARGIN_PT, FOOT_PT + 4.0, said)


def _frame(x: float, y: float) -> Any:
    return shapely.box(x, y, x + _WIDE, y + _HIGH)


def _box(colour: Any, canvas: Any, x: float, y: float) -> None:
    fill(canvas, _frame(x, y), colour)
    stroke(canvas, shapely.boundary(_frame(x, y)), LAND_INK, 0.4)


def _unknown(canvas: Any, x: float, y: float) -> None:
    _box(UNKNOWN, canvas, x, y)
    stroke(canvas, shapely.linestrings([(x + 6.0, y + _HIGH / 2), (x + 9.0, y + _HIGH / 2)]), UNKNOWN_INK, 0.5)


def _hatched(look: Any, canvas: Any, x: float, y: float) -> None:
    _box(PAPER, canvas, x, y)
    stroke(canvas, hatching(_frame(x, y), look.spacing, look.angle_deg), INK, look.width)
    stroke(canvas, shapely.boundary(_frame(x, y)), look.ink, look.rim_width)


def _line(colour: Any, width: float, dash: tuple[float, ...], canvas: Any, x: float, y: float) -> None:
    level = y + _HIGH / 2
    stroke(canvas, shapely.linestrings([(x, level), (x + _WIDE, level)]), colour, width, dash)


def _hazard(canvas: Any, x: float, y: float) -> None:
    middle = x + _WIDE / 2, y + _HIGH / 2
    half = _HIGH / 2
    sign = shapely.Polygon(
        [
            (middle[0], middle[1] + half),
            (middle[0] + half, middle[1]),
            (middle[0], middle[1] - half),
            (middle[0] - half, middle[1]),
        ]
    )
    fill(canvas, sign, HAZARD)
    stroke(canvas, shapely.boundary(sign), INK, 0.9)


_THINGS: tuple[tuple[str, Entry], ...] = (
    ("hazard", ("hazard", _hazard)),
    ("lane", ("lane", partial(_line, LANE, 0.9, (9.0, 3.0, 1.2, 3.0)))),
    ("caution", ("take care", partial(_line, CAUTION, 0.8, (0.8, 2.0)))),
)
"""What else may be on a chart, and its entry."""
