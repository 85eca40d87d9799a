"""Official charts as an area: cells read to the ordinary layers, with what is lost, doubtful or to be decided."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from layers._errors import Finding, InputError
from layers.chartclosures import bans_of, chart_closures
from layers.chartcuts import Shapes
from layers.chartdepth import DEPTH, chart_depth
from layers.charthazards import chart_hazards
from layers.chartobjects import CAUTIONS, HAZARDS, LANE_LINE_M, LANES, PLACES, READ_OTHERWISE, named, notes, noun_of
from layers.chartsheets import Sheet, sheets_of
from layers.chartthings import Flags, Things
from layers.made import Made, MadeLayer, Origin

if TYPE_CHECKING:
    from layers.charts import Cell

_POLYGON = 2
_SHOAL = re.compile(r"\bshoal", re.IGNORECASE)


def chart_made(cells: Sequence[Cell]) -> Made:
    """Return what an area is made of from chart cells; where they overlap the larger scale wins.

    Depth areas, depth lines, soundings, land, hazards, lanes and cautions are those inside a cell's coverage and
    outside that of cells of larger scale; of one scale all are kept. Closures are kept of every scale, whole. What a
    restriction forbids is the strongest that its codes can mean, and each is listed for a person's decision unless
    it is prohibited in so many words.

    Parameters
    ----------
    cells
        Cells as read, each with its updates.

    Returns
    -------
    Made
        Layers in WGS 84 longitude and latitude, the depths in metres from the datum that the depth layer's key
        ``datum`` names.

    Raises
    ------
    InputError
        There is no cell, one comes twice, does not say what it covers or is not on WGS 84, or cells count depth from
        different datums.
    """
    _check(cells)
    sheets, findings = sheets_of(cells)
    depth = chart_depth(sheets)
    closures = chart_closures(sheets)
    hazards, doubts = chart_hazards(sheets, depth.shoals)
    layers = [*depth.layers, *hazards, *_lanes(sheets), *closures.layers, *_cautions(sheets), *_marks(sheets)]
    findings += [*closures.findings, *depth.findings, *doubts, *_quality(depth.layers), *_shoal_texts(sheets)]
    findings += [*_missing_texts(cells), *_unused(sheets)]
    return Made(
        origins=tuple(_origin(cell) for cell in cells),
        layers=tuple(layers),
        decisions=closures.decisions,
        findings=tuple(findings),
    )


def _check(cells: Sequence[Cell]) -> None:
    if not cells:
        raise InputError.one("chart cells", "there is no cell.", "Give a chart cell: a file that ends in .000.")
    names = [cell.header.name for cell in cells]
    if twice := sorted({name for name in names if names.count(name) > 1}):
        found = f"{', '.join(twice)} is there more than once."
        raise InputError.one("chart cells", found, "Give each cell once, with its updates beside it.")


def _origin(cell: Cell) -> Origin:
    header, files = cell.header, cell.files
    return Origin(
        name=header.name,
        kind="chart",
        files=(files.base, *files.updates, *files.texts),
        source=f"IHO S-57 cell {header.name}, agency {header.agency}",
        edition=str(header.edition),
        update=str(header.update),
        issued=header.issued,
        as_of=header.issued,
        scale=header.scale,
    )


def _lanes(sheets: Sequence[Sheet]) -> list[MadeLayer]:
    found = [(sheet, things) for sheet in sheets for acronym in LANES if (things := sheet.placed(acronym))]
    rows: dict[str, list[Any]] = {
        "name": [name for _, things in found for name in named(things, LANES[things.acronym])],
        "kind": [LANES[things.acronym] for _, things in found for _ in things.ids],
        "margin_m": [margin for sheet, things in found for margin in _lane_margins(sheet, things)],
        "avoid": ["pass" for _, things in found for _ in things.ids],
    }
    return _layer("lane", "chart-lanes", found, rows)


def _lane_margins(sheet: Sheet, things: Things) -> list[float | None]:
    off = sheet.position_m(things.shapes)
    half = np.where(shapely.get_dimensions(things.shapes) < _POLYGON, LANE_LINE_M, 0.0)
    return [wide if more else None for wide, more in zip((off + half).tolist(), off.tolist(), strict=True)]


def _cautions(sheets: Sequence[Sheet]) -> list[MadeLayer]:
    found, words = [], []
    for sheet in sheets:
        for acronym in sheet.things:
            if (things := sheet.placed(acronym)) is None:
                continue
            bans = bans_of(things)
            which = _is_caution(things, np.array([ban.forbids != "nothing" for ban in bans], dtype=bool))
            if which.any():
                found.append((sheet, things.only(which)))
                spoken = things.has("RESTRN") | things.has("CATREA")
                told = [ban.words if said else "" for ban, said in zip(bans, spoken, strict=True)]
                words += [one for one, there in zip(told, which, strict=True) if there]
    rows: dict[str, list[Any]] = {
        "name": [name for _, things in found for name in named(things, noun_of(things.acronym))],
        "kind": [noun_of(things.acronym) for _, things in found for _ in things.ids],
        "note": [],
    }
    for _, things in found:
        rows["note"] += notes(things, words[len(rows["note"]) : len(rows["note"]) + len(things)])
    return _layer("caution", "chart-cautions", found, rows)


def _is_caution(things: Things, forbids: Flags) -> Flags:
    # What is a closure too is pointed out where it may be crossed: out of season, with gear up, once set aside.
    undrawn = forbids & (shapely.get_dimensions(things.shapes) < _POLYGON)
    return np.asarray(undrawn | (things.acronym in CAUTIONS))


def _marks(sheets: Sequence[Sheet]) -> list[MadeLayer]:
    found, known = [], set()
    for sheet in sheets:
        new = set()
        for acronym, kind in PLACES.items():
            if (things := sheet.placed(acronym)) is None:
                continue
            names = [(name, kind) for name in things.text("OBJNAM")]
            # A place that a larger scale has shown already is not told again.
            things = things.only(np.array([bool(one[0]) and one not in known for one in names], dtype=bool))
            new.update(names)
            if len(things):
                shown = things.cut(shapely.point_on_surface(things.shapes), np.arange(len(things)))
                found.append((sheet, shown))
        known |= new
    rows: dict[str, list[Any]] = {
        "name": [name for _, things in found for name in things.text("OBJNAM")],
        "kind": [PLACES[things.acronym] for _, things in found for _ in things.ids],
        "note": [text for _, things in found for text in notes(things, [""] * len(things))],
        "private": [False for _, things in found for _ in things.ids],
    }
    return _layer("mark", "chart-marks", found, rows)


def _layer(role: Any, name: str, found: Sequence[tuple[Sheet, Things]], rows: dict[str, list[Any]]) -> list[MadeLayer]:
    if not found:
        return []
    shapes: Shapes = np.concatenate([shapely.force_2d(things.shapes) for _, things in found])
    rows["id"] = [one for _, things in found for one in things.ids]
    rows["cell"] = [sheet.name for sheet, things in found for _ in things.ids]
    return [MadeLayer(role, name, shapes, rows, tuple(dict.fromkeys(sheet.name for sheet, _ in found)))]


def _quality(layers: Sequence[MadeLayer]) -> list[Finding]:
    words = next((str(layer.keys.get("quality", "")) for layer in layers if layer.name == DEPTH), "")
    if not re.search("not assessed|not stated|worse than C", words):
        return []
    remedy = "Where it is not known no allowance is made for it: keep more water under the gear, or bring in a survey."
    return [Finding("depth of the charts", f"{words}.", remedy, "warning")]


def _shoal_texts(sheets: Sequence[Sheet]) -> list[Finding]:
    told = [
        Finding(f"{sheet.name}, caution area {one}", f'it says "{text}".', "Look at it on the chart itself.", "warning")
        for sheet in sheets
        if (things := sheet.placed("CTNARE"))
        for one, text in zip(things.ids, things.text("INFORM"), strict=True)
        if _SHOAL.search(text)
    ]
    unique = {finding.what: finding for finding in told}
    return list(unique.values())


def _missing_texts(cells: Sequence[Cell]) -> list[Finding]:
    findings = []
    for cell in cells:
        there = {text.name.casefold() for text in cell.files.texts}
        named_texts = {
            str(value).strip()
            for objects in cell.objects.values()
            for value in objects.attributes.get("TXTDSC", ())
            if isinstance(value, str) and value.strip()
        }
        missing = sorted(name for name in named_texts if name.casefold() not in there)
        if missing:
            found = f"it refers to texts that did not come with it: {', '.join(missing)}."
            remedy = "Put them beside the cell and bring it in again: they hold the words of regulations."
            findings.append(Finding(cell.header.name, found, remedy, "warning"))
    return findings


def _unused(sheets: Sequence[Sheet]) -> list[Finding]:
    findings = []
    for sheet in sheets:
        counts = {}
        for acronym, things in sheet.things.items():
            if acronym in PLACES:
                counts[acronym] = int((~things.has("OBJNAM")).sum())
            elif acronym not in {*HAZARDS, *LANES, *CAUTIONS, *READ_OTHERWISE}:
                counts[acronym] = len(things)
        told = ", ".join(f"{count} {acronym}" for acronym, count in sorted(counts.items()) if count)
        if told:
            what = f"not used, and shown nowhere: {told} (restrictions that they carry are counted all the same)."
            findings.append(Finding(sheet.name, what, "The chart itself shows them.", "warning"))
    return findings
