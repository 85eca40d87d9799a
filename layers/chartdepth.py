"""Charted depth: depth areas with their quality, drawn depth lines and soundings, and soundings that are too shoal."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely

from layers._errors import Finding
from layers.chartcuts import Shapes
from layers.chartquality import by_quality, quality_words
from layers.chartsheets import Sheet, datum_name, datum_parts
from layers.chartthings import Flags, Numbers, Things
from layers.made import MadeLayer

DEPTH, CONTOURS, SOUNDINGS = "chart-depth", "chart-contours", "chart-soundings"
_KINDS = {"DEPARE": "depth area", "DRGARE": "dredged area", "UNSARE": "unsurveyed area"}
_POINT, _LINE, _POLYGON = 0, 1, 2
_TOLERANCE_M = 1e-6
_DOUBTFUL = ("3", "4", "8", "9")


@dataclass(frozen=True)
class DepthAreas:
    """Depth areas of one sheet, cut by quality and datum; depths in metres, NaN where not known."""

    sheet: Sheet
    kind: str
    things: Things
    drval1_m: Numbers
    drval2_m: Numbers
    uncertainty_m: Numbers
    zoc: tuple[str, ...]
    other_datum: int
    upside_down: int


@dataclass(frozen=True)
class ChartDepth:
    """What the depth of charts became: layers, soundings shallower than their area (by sheet), and findings."""

    layers: tuple[MadeLayer, ...]
    shoals: tuple[tuple[Sheet, Things, Numbers], ...]
    findings: tuple[Finding, ...]


def chart_depth(sheets: Sequence[Sheet]) -> ChartDepth:
    """Return depth areas, depth lines and soundings of sheets laid over each other."""
    areas = [area for sheet in sheets for acronym in _KINDS if (area := _areas(sheet, acronym)) is not None]
    lines = [(sheet, found.only(found.has("VALDCO"))) for sheet in sheets if (found := sheet.placed("DEPCNT"))]
    lines = [(sheet, told) for sheet, found in lines if len(told := found.of_dimension(_LINE))]
    points = [(sheet, found) for sheet in sheets if (found := sheet.placed("SOUNDG")) is not None]
    findings = [*_area_findings(areas), *_left_out(sheets)]
    shoals = []
    for sheet, soundings in points:
        # Another datum's soundings say nothing about depths of this one.
        own = soundings.only(~sheet.of_other_datum(soundings.shapes))
        shoal = own.only(_shallower(own.shapes, areas))
        if len(shoal):
            shoals.append((sheet, shoal, shapely.get_z(shoal.shapes)))
            findings.append(_shoal_finding(sheet, shapely.get_z(shoal.shapes)))
        doubtful = int(soundings.says("QUASOU", *_DOUBTFUL).sum())
        if doubtful:
            what = f"{doubtful} soundings are doubtful, unreliable or only reported (QUASOU 3, 4, 8, 9)."
            findings.append(_warning(sheet.name, what, "Depths near them are as the depth areas say; keep more water."))
    layers = [
        *([_depth_layer(sheets, areas, contours=bool(lines), soundings=bool(points))] if areas else []),
        *([_contour_layer(lines)] if lines else []),
        *([_sounding_layer(points)] if points else []),
    ]
    if not areas:
        findings.append(_warning("chart cells", "there is no depth area in the cells' coverage.", "Get other cells."))
    return ChartDepth(tuple(layers), tuple(shoals), tuple(findings))


def _areas(sheet: Sheet, acronym: str) -> DepthAreas | None:
    found = sheet.placed(acronym)
    if found is None:
        return None
    things, other = datum_parts(sheet, found.of_dimension(_POLYGON))
    other |= things.has("VERDAT") & ~things.says("VERDAT", str(sheet.header.sounding_datum))
    least, most = things.metres("DRVAL1"), things.metres("DRVAL2")
    upside_down = most < least
    unknown = other | upside_down | (acronym == "UNSARE")
    least, most = np.where(unknown, np.nan, least), np.where(unknown | np.isnan(least), np.nan, most)
    pieces = by_quality(sheet.zones, things.shapes)
    charted = least[pieces.source]
    uncertain = pieces.uncertainty_m(charted, things.metres("SOUACC")[pieces.source])
    return DepthAreas(
        sheet=sheet,
        kind=_KINDS[acronym],
        things=things.cut(pieces.shapes, pieces.source),
        drval1_m=charted,
        drval2_m=most[pieces.source],
        uncertainty_m=np.where(np.isnan(charted), 0.0, uncertain),
        zoc=tuple(one.name for one in pieces.category),
        other_datum=int(other.sum()),
        upside_down=int(upside_down.sum()),
    )


def _shallower(points: Shapes, areas: Sequence[DepthAreas]) -> Flags:
    """Return which soundings are shallower than every depth area that they lie in, of those they lie in."""
    if not len(points) or not areas:
        return np.zeros(len(points), dtype=bool)
    shapes = np.concatenate([area.things.shapes for area in areas])
    charted = np.concatenate([area.drval1_m for area in areas])
    point, area = shapely.STRtree(shapes).query(points, predicate="intersects")
    promised = np.full(len(points), np.inf)
    # Unknown water promises nothing, and one on the edge of two areas is promised the less of them.
    np.minimum.at(promised, point, np.where(np.isnan(charted[area]), -np.inf, charted[area]))
    return np.asarray(np.isfinite(promised) & (shapely.get_z(points) < promised - _TOLERANCE_M), dtype=bool)


def _depth_layer(sheets: Sequence[Sheet], areas: Sequence[DepthAreas], *, contours: bool, soundings: bool) -> MadeLayer:
    shapes = np.concatenate([shapely.force_2d(area.things.shapes) for area in areas])
    zoc = [name for area in areas for name in area.zoc]
    surveyed = np.array([area.kind != _KINDS["UNSARE"] for area in areas for _ in area.zoc], dtype=bool)
    quality = quality_words([name for name, there in zip(zoc, surveyed, strict=True) if there], shapes[surveyed])
    keys = {
        "form": "areas",
        "values": "depth",
        "unit": "m",
        **({"contours": f"{CONTOURS}.gpkg"} if contours else {}),
        **({"soundings": f"{SOUNDINGS}.gpkg"} if soundings else {}),
        **({"quality": quality} if quality else {}),
        "datum": datum_name(sheets[0].header.sounding_datum),
    }
    attributes: dict[str, list[Any]] = {
        "DRVAL1": _numbers(np.concatenate([area.drval1_m for area in areas])),
        "DRVAL2": _numbers(np.concatenate([area.drval2_m for area in areas])),
        "uncertainty": _numbers(np.concatenate([area.uncertainty_m for area in areas])),
        "zoc": zoc,
        "id": [one for area in areas for one in area.things.ids],
        "cell": [area.sheet.name for area in areas for _ in area.zoc],
        "kind": [area.kind for area in areas for _ in area.zoc],
    }
    return MadeLayer("depth", DEPTH, shapes, attributes, _cells(area.sheet for area in areas), keys)


def _contour_layer(lines: Sequence[tuple[Sheet, Things]]) -> MadeLayer:
    attributes: dict[str, list[Any]] = {
        "VALDCO": _numbers(np.concatenate([found.metres("VALDCO") for _, found in lines])),
        "id": [one for _, found in lines for one in found.ids],
        "cell": [sheet.name for sheet, found in lines for _ in found.ids],
    }
    shapes = np.concatenate([shapely.force_2d(found.shapes) for _, found in lines])
    return MadeLayer(None, CONTOURS, shapes, attributes, _cells(sheet for sheet, _ in lines))


def _sounding_layer(points: Sequence[tuple[Sheet, Things]]) -> MadeLayer:
    attributes: dict[str, list[Any]] = {
        "depth": _numbers(np.concatenate([shapely.get_z(found.shapes) for _, found in points])),
        "quasou": [code for _, found in points for code in found.text("QUASOU")],
        "id": [one for _, found in points for one in numbered(found.ids)],
        "cell": [sheet.name for sheet, found in points for _ in found.ids],
    }
    shapes = np.concatenate([shapely.force_2d(found.shapes) for _, found in points])
    return MadeLayer(None, SOUNDINGS, shapes, attributes, _cells(sheet for sheet, _ in points))


def numbered(ids: Sequence[str]) -> list[str]:
    """Return ids that are all different: one that comes again has its count after it.

    >>> numbered(["a", "b", "a", "a"])
    ['a', 'b', 'a-2', 'a-3']
    """
    counts: Counter[str] = Counter()
    told = []
    for one in ids:
        counts[one] += 1
        told.append(one if counts[one] == 1 else f"{one}-{counts[one]}")
    return told


def _area_findings(areas: Sequence[DepthAreas]) -> list[Finding]:
    findings = []
    for area in areas:
        things, kind = area.things, area.kind
        if area.other_datum and kind != _KINDS["UNSARE"]:
            found = (
                f"{area.other_datum} of its {kind}s count depth from another datum (M_SDAT, VERDAT): "
                "their water is unknown here."
            )
            findings.append(_warning(area.sheet.name, found, "Nothing is planned there."))
        if area.upside_down:
            found = f"{area.upside_down} of its {kind}s have DRVAL2 above DRVAL1: their water is unknown here."
            findings.append(_warning(area.sheet.name, found, "Look at them on the chart itself."))
        lacking = len({*_where(things.ids, ~things.has("DRVAL1"))})
        if lacking and kind != _KINDS["UNSARE"]:
            found = f"{lacking} of its {kind}s have no least depth (DRVAL1): their water is unknown here."
            findings.append(_warning(area.sheet.name, found, "Nothing is planned there."))
        neglected = len({*_where(things.ids, things.says("QUASOU", "11"))})
        if neglected:
            found = f"{neglected} of its {kind}s are not regularly maintained (QUASOU 11), so they may have shoaled."
            findings.append(_warning(area.sheet.name, found, "Ask locally, or keep more water under the gear there."))
        doubtful = len({*_where(things.ids, things.says("QUASOU", "2", *_DOUBTFUL))})
        if doubtful:
            found = f"{doubtful} of its {kind}s have doubtful depths (QUASOU 2, 3, 4, 8, 9)."
            findings.append(_warning(area.sheet.name, found, "Keep more water under the gear there."))
    return findings


def _left_out(sheets: Sequence[Sheet]) -> list[Finding]:
    findings = []
    for sheet in sheets:
        for acronym in _KINDS:
            if (found := sheet.placed(acronym)) is not None and (count := len(found.of_dimension(_POINT, _LINE))):
                what = f"{count} {acronym} are points or lines: no water can be drawn from them and they are left out."
                findings.append(_warning(sheet.name, what, "Water is known where polygons are, and only there."))
        lines = sheet.placed("DEPCNT")
        if lines is not None and (count := int((~lines.has("VALDCO")).sum())):
            what = f"{count} depth contours say no depth (VALDCO) and are left out."
            findings.append(_warning(sheet.name, what, "The depth areas beside them hold."))
    return findings


def _shoal_finding(sheet: Sheet, depth_m: Numbers) -> Finding:
    found = (
        f"{len(depth_m)} soundings are shallower than the depth area they lie in (the least {depth_m.min():g} m): "
        "each is kept off as a hazard."
    )
    return _warning(sheet.name, found, "Look at them on the chart itself.")


def _warning(where: str, what: str, remedy: str) -> Finding:
    return Finding(where, what, remedy, "warning")


def _where(ids: Sequence[str], which: Flags) -> list[str]:
    return [one for one, there in zip(ids, which.tolist(), strict=True) if there]


def _numbers(values: Numbers) -> list[float | None]:
    return [None if np.isnan(value) else value for value in values.tolist()]


def _cells(sheets: Iterable[Sheet]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(sheet.name for sheet in sheets))
