"""Charted objects of one class as columns: ids, shapes, and attributes read as text, codes or metres."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import shapely

from layers.chartcuts import Shapes
from layers.repair import repaired

if TYPE_CHECKING:
    from layers.charts import Cell

Numbers = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

_CLAIMS = ("DEPARE", "DRGARE", "M_COVR")
"""Classes whose polygons say that water is known."""
_POLYGON = 2


@dataclass(frozen=True)
class Things:
    """Objects of one class of one cell: `columns` holds one value of each attribute for each of them."""

    acronym: str
    cell: str
    ids: Sequence[str]
    shapes: Shapes
    columns: Mapping[str, Sequence[Any]]

    def __len__(self) -> int:
        return len(self.shapes)

    def cut(self, shapes: Shapes, source: npt.NDArray[np.intp]) -> Things:
        """Return pieces of the things: their shapes, and the number of the thing that each is of."""
        return replace(self.only(source), shapes=shapes)

    def only(self, which: npt.NDArray[Any]) -> Things:
        """Return some of them, by a flag each or by number."""
        numbers = (np.flatnonzero(which) if which.dtype == bool else which).tolist()
        columns = {key: [column[i] for i in numbers] for key, column in self.columns.items()}
        return replace(self, ids=[self.ids[i] for i in numbers], shapes=self.shapes[which], columns=columns)

    def has(self, key: str) -> Flags:
        """Return which of them say anything of an attribute."""
        return np.array([bool(codes) for codes in self.codes(key)], dtype=bool)

    def text(self, key: str) -> list[str]:
        """Return an attribute as text, empty where there is none."""
        return [", ".join(codes) for codes in self.codes(key)]

    def codes(self, key: str) -> list[tuple[str, ...]]:
        """Return every member of an attribute's list of codes."""
        return [_codes(value) for value in self.columns.get(key, [None] * len(self))]

    def metres(self, key: str) -> Numbers:
        """Return an attribute as a number, NaN where there is none."""
        read = [float(value) if value not in ("", None) else np.nan for value in self.columns.get(key, ())]
        return np.array(read, dtype=float) if read else np.full(len(self), np.nan)

    def says(self, key: str, *codes: str) -> Flags:
        """Return which of them have any of these codes."""
        return np.array([not set(codes).isdisjoint(own) for own in self.codes(key)], dtype=bool)

    def of_dimension(self, *dimensions: int) -> Things:
        """Return those that are points (0), lines (1) or polygons (2)."""
        return self.only(np.isin(shapely.get_dimensions(self.shapes), dimensions))


def things_of(cell: Cell) -> tuple[dict[str, Things], dict[str, int]]:
    """Return a cell's objects by class, and how many of each class have no shape or a mended one.

    Collections (C_…) have none by their nature. A polygon that crosses itself is taken as
    large as it can be read, and as small where it claims water or coverage.
    """
    found: dict[str, Things] = {}
    troubled: dict[str, int] = {}
    for acronym, objects in cell.objects.items():
        shapes = np.asarray(objects.geometry, dtype=object)
        broken = ~(shapely.is_missing(shapes) | shapely.is_empty(shapes) | shapely.is_valid(shapes))
        mended = shapes.copy()
        polygons = broken & (shapely.get_dimensions(shapes) == _POLYGON)
        mended[polygons] = repaired(shapes[polygons], "smaller" if acronym in _CLAIMS else "larger")[0]
        there = ~(shapely.is_missing(mended) | shapely.is_empty(mended))
        things = Things(acronym, cell.header.name, objects.ids, mended, objects.attributes)
        found[acronym] = things if there.all() else things.only(there)
        if (count := int((broken | ~there).sum())) and not acronym.startswith("C_"):
            troubled[acronym] = count
    return found, troubled


def _codes(value: Any) -> tuple[str, ...]:
    if isinstance(value, str):
        return (value.strip(),) if value.strip() else ()
    if isinstance(value, list | tuple | np.ndarray):
        return tuple(code for one in value for code in _codes(one))
    if value is None or value != value:  # noqa: PLR0124 -- NaN
        return ()
    return (f"{value:.10g}",) if isinstance(value, float) else (str(value),)
