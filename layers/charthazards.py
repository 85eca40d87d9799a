"""Charted land, and things to keep off: wrecks, rocks, structures, buoys, and soundings that are too shoal."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely

from layers._errors import Finding
from layers.chartcuts import Shapes
from layers.chartobjects import HAZARDS, SHOAL_KEEP_OFF_M, HazardClass, hazard_depth_m, hazard_kinds, named, unsure
from layers.chartquality import worst_depth_m
from layers.chartsheets import Sheet, widened
from layers.chartthings import Numbers, Things
from layers.made import MadeLayer

LAND, HAZARD = "chart-land", "chart-hazards"
_POINT, _LINE, _POLYGON = 0, 1, 2


@dataclass(frozen=True)
class _Batch:
    """Hazards of one class of one sheet; `keep_off_m` is None for what the shore standoff keeps off."""

    sheet: Sheet
    ids: Sequence[str]
    names: Sequence[str]
    kinds: Sequence[str]
    shapes: Shapes
    depth_m: Numbers
    souacc_m: Numbers
    keep_off_m: float | None

    def margins_m(self) -> list[float | None]:
        """Return what is kept off each: its kind's distance and how far off its place it may lie."""
        off = self._off_m()
        return [None] * len(off) if self.keep_off_m is None else (off + self.keep_off_m).tolist()

    def drawn(self) -> tuple[Shapes, list[str]]:
        """Return shapes and kinds. What has no margin is drawn wider by how far off its place it may lie."""
        if self.keep_off_m is not None:
            return self.shapes, list(self.kinds)
        off = self._off_m()
        wide = [f"{kind}, drawn {more:g} m wider for its position" for kind, more in zip(self.kinds, off, strict=True)]
        kinds = [new if more else old for new, old, more in zip(wide, self.kinds, off, strict=True)]
        return widened(self.shapes, off), kinds

    def least_depth_m(self) -> list[float | None]:
        """Return the least depth over each, less its uncertainty."""
        worst = worst_depth_m(self.sheet.zones, self.shapes, self.depth_m, self.souacc_m)
        return [None if np.isnan(one) else one for one in (self.depth_m - worst).tolist()]

    def _off_m(self) -> Numbers:
        return self.sheet.position_m(self.shapes, self.depth_m)


def chart_hazards(
    sheets: Sequence[Sheet], shoals: Sequence[tuple[Sheet, Things, Numbers]]
) -> tuple[list[MadeLayer], list[Finding]]:
    """Return land, hazards, and what is doubtful about them.

    Parameters
    ----------
    sheets
        Cells laid over each other.
    shoals
        Soundings shallower than the depth area they lie in, with their depths in metres.
    """
    batches = [
        *(_hazards(sheet, found) for sheet in sheets for acronym in HAZARDS if (found := sheet.placed(acronym))),
        *(batch for sheet in sheets for batch in _small_land(sheet)),
        *(_shoals(sheet, things, depth_m) for sheet, things, depth_m in shoals),
    ]
    layers = [*_land(sheets), *([_hazard_layer(batches)] if batches else [])]
    return layers, [finding for sheet in sheets for finding in _doubts(sheet)]


def _land(sheets: Sequence[Sheet]) -> list[MadeLayer]:
    parts = [
        (sheet, land)
        for sheet in sheets
        if (found := sheet.placed("LNDARE")) and len(land := found.of_dimension(_POLYGON))
    ]
    if not parts:
        return []
    # The shore is where depth is 0.
    off = [sheet.position_m(land.shapes, np.zeros(len(land))) for sheet, land in parts]
    attributes: dict[str, list[Any]] = {
        "margin_m": [one or None for margins in off for one in margins.tolist()],
        "id": [one for _, land in parts for one in land.ids],
        "cell": [sheet.name for sheet, land in parts for _ in land.ids],
    }
    shapes = np.concatenate([shapely.force_2d(land.shapes) for _, land in parts])
    return [MadeLayer("land", LAND, shapes, attributes, _cells(sheet for sheet, _ in parts))]


def _hazards(sheet: Sheet, things: Things) -> _Batch:
    what: HazardClass = HAZARDS[things.acronym]
    other = sheet.of_other_datum(things.shapes)
    return _Batch(
        sheet=sheet,
        ids=things.ids,
        names=named(things, what.noun),
        kinds=hazard_kinds(things, other_datum=other),
        shapes=shapely.force_2d(things.shapes),
        depth_m=hazard_depth_m(things, other_datum=other),
        souacc_m=things.metres("SOUACC"),
        keep_off_m=what.keep_off_m,
    )


def _small_land(sheet: Sheet) -> list[_Batch]:
    found = sheet.placed("LNDARE")
    parts = (
        [] if found is None else [(found.of_dimension(dim), word) for dim, word in ((_POINT, "islet"), (_LINE, "land"))]
    )
    return [
        _Batch(
            sheet=sheet,
            ids=things.ids,
            names=named(things, word),
            kinds=[word] * len(things),
            shapes=shapely.force_2d(things.shapes),
            depth_m=np.full(len(things), np.nan),
            souacc_m=np.zeros(len(things)),
            keep_off_m=None,
        )
        for things, word in parts
        if len(things)
    ]


def _shoals(sheet: Sheet, things: Things, depth_m: Numbers) -> _Batch:
    return _Batch(
        sheet=sheet,
        ids=things.ids,
        names=["shoal sounding"] * len(things),
        kinds=[f"shoal sounding, {depth:g} m" for depth in depth_m.tolist()],
        shapes=shapely.force_2d(things.shapes),
        depth_m=depth_m,
        souacc_m=things.metres("SOUACC"),
        keep_off_m=SHOAL_KEEP_OFF_M,
    )


def _hazard_layer(batches: Sequence[_Batch]) -> MadeLayer:
    drawn = [batch.drawn() for batch in batches]
    attributes: dict[str, list[Any]] = {
        "name": [name for batch in batches for name in batch.names],
        "kind": [kind for _, kinds in drawn for kind in kinds],
        "margin_m": [margin for batch in batches for margin in batch.margins_m()],
        "depth_m": [depth for batch in batches for depth in batch.least_depth_m()],
        "id": [one for batch in batches for one in batch.ids],
        "cell": [batch.sheet.name for batch in batches for _ in batch.ids],
    }
    shapes = np.concatenate([shapes for shapes, _ in drawn])
    return MadeLayer("hazard", HAZARD, shapes, attributes, _cells(batch.sheet for batch in batches))


def _doubts(sheet: Sheet) -> list[Finding]:
    count = sum(int(unsure(found).sum()) for acronym in HAZARDS if (found := sheet.placed(acronym)))
    if not count:
        return []
    what = (
        f"{count} hazards have an unknown or doubtful depth (QUASOU 2, 3, 4, 8, 9): no depth over them is counted on."
    )
    return [Finding(sheet.name, what, "They are kept off at any depth.", "warning")]


def _cells(sheets: Iterable[Sheet]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(sheet.name for sheet in sheets))
