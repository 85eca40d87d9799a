"""Chart cells laid over each other: what of each one counts, where its depths and positions are how sure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from layers._errors import Finding, InputError
from layers.chartcuts import Shapes, clipped, divided, outside
from layers.chartquality import Zones, position_uncertainty_m, zones_of
from layers.chartthings import Flags, Numbers, Things, things_of
from layers.datums import DATUM_OF_CODE

if TYPE_CHECKING:
    from layers.charts import Cell, CellHeader

_WGS_84 = 2
_POLYGON = 2
_METRES_PER_DEGREE = 110_500.0
"""Less than a degree of latitude is anywhere, so that what is widened is wide enough."""
_ARC_SHORTFALL = 1.01


@dataclass(frozen=True)
class Sheet:
    """One cell among others: `finer` is what cells of larger scale cover, None where none does.

    `other_datum` is where depths are counted from another datum than the cell's, None where nowhere; `deepest_m`
    the greatest depth that the cell charts.
    """

    header: CellHeader
    things: dict[str, Things]
    coverage: BaseGeometry
    finer: BaseGeometry | None
    zones: Zones
    other_datum: BaseGeometry | None
    deepest_m: float
    _placed: dict[str, Things] = field(default_factory=dict)

    @property
    def name(self) -> str:
        """Return the cell's name."""
        return self.header.name

    def placed(self, acronym: str) -> Things | None:
        """Return the objects of a class in the cell's own coverage and outside that of finer cells; None for none."""
        if acronym not in self._placed and acronym in self.things:
            things = self.things[acronym]
            inside = clipped(things.shapes, self.coverage)
            left = outside(inside.shapes, self.finer)
            self._placed[acronym] = things.cut(left.shapes, inside.source[left.source])
        found = self._placed.get(acronym)
        return found if found is not None and len(found) else None

    def position_m(self, shapes: Shapes, depth_m: Numbers | None = None) -> Numbers:
        """Return how far off its charted place each shape may lie, metres; at the deepest where no depth is known."""
        known = np.full(len(shapes), np.nan) if depth_m is None else depth_m
        return position_uncertainty_m(self.zones, shapes, np.where(np.isnan(known), self.deepest_m, known))

    def of_other_datum(self, shapes: Shapes) -> Flags:
        """Return which shapes lie, at least in part, where depths are counted from another datum."""
        if self.other_datum is None:
            return np.zeros(len(shapes), dtype=bool)
        return np.asarray(shapely.intersects(shapes, self.other_datum), dtype=bool)


def sheets_of(cells: Sequence[Cell]) -> tuple[tuple[Sheet, ...], list[Finding]]:
    """Return cells laid over each other, the largest scale first, and what is doubtful.

    Raises
    ------
    InputError
        A cell has no coverage, is not in WGS 84, or cells count depth from different datums; all at once.
    """
    ordered = sorted(cells, key=lambda cell: (cell.header.scale, cell.header.name))
    read = [things_of(cell) for cell in ordered]
    covers = [_coverage(things) for things, _ in read]
    if errors := _errors(ordered, covers):
        raise InputError(errors)
    sheets = []
    for cell, (things, _), coverage in zip(ordered, read, covers, strict=True):
        finer = [one for other, one in zip(ordered, covers, strict=True) if other.header.scale < cell.header.scale]
        deepest = [things[name].metres(key) for name in ("DEPARE", "DRGARE") if name in things for key in _DEPTHS]
        sheets.append(
            Sheet(
                header=cell.header,
                things=things,
                coverage=coverage,
                finer=shapely.union_all(finer) if finer else None,
                zones=_zones(things),
                other_datum=_other_datum(things, cell.header.sounding_datum),
                deepest_m=float(np.nanmax([0.0, *(depth for column in deepest for depth in column)])),
            )
        )
    findings = [
        Finding(
            cell.header.name,
            f"{_listed(troubled)}: these have no shape, or one that crosses itself and was mended.",
            "Look at them on the chart itself.",
            "warning",
        )
        for cell, (_, troubled) in zip(ordered, read, strict=True)
        if troubled
    ]
    return tuple(sheets), findings


def datum_name(number: int) -> str:
    """Return what a sounding datum is called.

    >>> datum_name(12), datum_name(99)
    ('MLLW', 'datum 99 of VERDAT')
    """
    return DATUM_OF_CODE.get(number, f"datum {number} of VERDAT")


def widened(shapes: Shapes, metres: Numbers) -> Shapes:
    """Return longitude and latitude shapes wider by at least so many metres all around; those by 0 as they are."""
    wide = metres > 0
    if not wide.any():
        return shapes
    box = shapely.bounds(shapes[wide])
    share = np.cos(np.radians(min(float(np.nanmax(np.abs(box[:, [1, 3]]))), 89.0)))
    stretched = shapely.transform(shapes[wide], lambda xy: xy * [share, 1.0])
    grown = shapely.buffer(stretched, metres[wide] * _ARC_SHORTFALL / _METRES_PER_DEGREE, quad_segs=8)
    found = shapes.copy()
    found[wide] = shapely.transform(grown, lambda xy: xy / [share, 1.0])
    return found


def datum_parts(sheet: Sheet, things: Things) -> tuple[Things, Flags]:
    """Return polygons cut where depths are counted from another datum, and which of them are."""
    if sheet.other_datum is None:
        return things, np.zeros(len(things), dtype=bool)
    pieces = divided(things.shapes, np.array([sheet.other_datum], dtype=object))
    return things.cut(pieces.shapes, pieces.source), pieces.zone == 0


_DEPTHS = ("DRVAL1", "DRVAL2")


def _coverage(things: dict[str, Things]) -> BaseGeometry | None:
    if "M_COVR" not in things:
        return None
    covered = things["M_COVR"].only(things["M_COVR"].says("CATCOV", "1")).of_dimension(_POLYGON)
    return shapely.union_all(covered.shapes) if len(covered) else None


def _zones(things: dict[str, Things]) -> Zones:
    quality = things.get("M_QUAL")
    if quality is None:
        return zones_of(np.empty(0, dtype=object), (), np.empty(0), np.empty(0))
    quality = quality.of_dimension(_POLYGON)
    return zones_of(quality.shapes, quality.text("CATZOC"), quality.metres("SOUACC"), quality.metres("POSACC"))


def _other_datum(things: dict[str, Things], datum: int) -> BaseGeometry | None:
    told = things.get("M_SDAT")
    if told is None:
        return None
    told = told.only(told.has("VERDAT") & ~told.says("VERDAT", str(datum))).of_dimension(_POLYGON)
    return shapely.union_all(told.shapes) if len(told) else None


def _errors(cells: Sequence[Cell], covers: Sequence[BaseGeometry | None]) -> list[Finding]:
    errors = [
        Finding(
            cell.header.name,
            "the cell does not say what it covers (no M_COVR with CATCOV 1), so no water in it is known.",
            "Get the cell again from its hydrographic office.",
        )
        for cell, cover in zip(cells, covers, strict=True)
        if cover is None
    ]
    errors += [
        Finding(
            cell.header.name,
            f"it is on horizontal datum {cell.header.horizontal_datum} (HDAT), and only 2 (WGS 84) is read.",
            "Get an edition of the cell that is on WGS 84.",
        )
        for cell in cells
        if cell.header.horizontal_datum != _WGS_84
    ]
    datums: dict[int, str] = {}
    for cell in cells:
        datums.setdefault(cell.header.sounding_datum, cell.header.name)
    if len(datums) > 1:
        found = ", ".join(f"{name} {datum_name(datum)}" for datum, name in datums.items())
        what = f"the cells count depth from different datums: {found}."
        errors.append(Finding("chart cells", what, "Bring in cells of one datum; make an area of each."))
    return errors


def _listed(counts: dict[str, int]) -> str:
    return ", ".join(f"{count} {acronym}" for acronym, count in sorted(counts.items()))
