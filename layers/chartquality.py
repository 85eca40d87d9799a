"""Survey quality as charts state it: how much shallower water may be, and how far off its place a thing may lie."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely

from layers.chartcuts import Shapes, divided

Numbers = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Category:
    """A category of CATZOC: its name, and the accuracy of depth and position as a constant and a share of depth."""

    name: str
    depth_m: float = 0.0
    depth_share: float = 0.0
    position_m: float = 0.0
    position_share: float = 0.0


# source: from memory, IHO S-57 / S-67 (check_values.md); D is worse than C, which is the least that it can be
CATEGORIES: tuple[Category, ...] = (
    Category("A1", 0.5, 0.01, 5.0, 0.05),
    Category("A2", 1.0, 0.02, 20.0),
    Category("B", 1.0, 0.02, 50.0),
    Category("C", 2.0, 0.05, 500.0),
    Category("D", 2.0, 0.05, 500.0),
    Category("U"),
)
UNSTATED = Category("")
"""Water without a zone, or whose zone states no category: nothing is known, so there is no number."""


@dataclass(frozen=True)
class Zones:
    """Zones of stated quality: CATZOC's category of each, and its own SOUACC and POSACC in metres (0: none)."""

    shapes: Shapes
    category: tuple[Category, ...]
    souacc_m: Numbers
    posacc_m: Numbers

    @property
    def rows(self) -> Iterable[tuple[Category, float]]:
        """Return what each zone says of depth."""
        return zip(self.category, self.souacc_m.tolist(), strict=True)


@dataclass(frozen=True)
class DepthPieces:
    """Depth areas cut where the quality of their depths changes, with its category and each zone's own SOUACC."""

    shapes: Shapes
    source: npt.NDArray[np.intp]
    category: tuple[Category, ...]
    souacc_m: Numbers

    def uncertainty_m(self, depth_m: Numbers, own_m: Numbers) -> Numbers:
        """Return how much shallower the water may be: the larger of category, zone and the area's own SOUACC.

        Parameters
        ----------
        depth_m, own_m
            Charted depth and own SOUACC of each piece's area, metres; NaN where there is none.
        """
        return depth_uncertainty_m(self.category, depth_m, np.fmax(self.souacc_m, np.nan_to_num(own_m)))


def zones_of(shapes: Shapes, catzoc: Sequence[str], souacc_m: Numbers, posacc_m: Numbers) -> Zones:
    """Return zones from CATZOC (1 to 6; else as good as none), SOUACC and POSACC (metres, NaN: not stated)."""
    return Zones(shapes, tuple(_category(code) for code in catzoc), np.nan_to_num(souacc_m), np.nan_to_num(posacc_m))


def depth_uncertainty_m(category: Sequence[Category], depth_m: Numbers, stated_m: Numbers) -> Numbers:
    """Return the larger of a category's accuracy at a depth and what is stated, metres; 0 where neither is known.

    Examples
    --------
    >>> depth_uncertainty_m([CATEGORIES[0]] * 3, np.array([10.0, 30.0, 100.0]), np.zeros(3))
    array([0.6, 0.8, 1.5])
    """
    base = np.array([one.depth_m for one in category])
    share = np.array([one.depth_share for one in category])
    return np.asarray(np.fmax(base + share * np.abs(np.nan_to_num(depth_m)), stated_m))


def position_uncertainty_m(zones: Zones, shapes: Shapes, depth_m: Numbers) -> Numbers:
    """Return how far off its charted place each shape may lie: the worst of the zones that it meets.

    Parameters
    ----------
    zones
        Zones of one cell.
    shapes, depth_m
        Things, and the depth that each may lie at, metres.

    Returns
    -------
    ndarray
        Metres; 0 where no zone gives a number.
    """
    worst = np.zeros(len(shapes))
    if len(zones.shapes) and len(shapes):
        thing, zone = shapely.STRtree(zones.shapes).query(shapes, predicate="intersects")
        base = np.array([one.position_m for one in zones.category])
        share = np.array([one.position_share for one in zones.category])
        off = np.maximum(base[zone] + share[zone] * np.abs(depth_m[thing]), zones.posacc_m[zone])
        np.maximum.at(worst, thing, off)
    return worst


def worst_depth_m(zones: Zones, shapes: Shapes, depth_m: Numbers, own_m: Numbers) -> Numbers:
    """Return how much shallower each thing of known depth may be: the worst of the zones that it meets, metres."""
    worst = np.nan_to_num(own_m)
    if len(zones.shapes) and len(shapes):
        thing, zone = shapely.STRtree(zones.shapes).query(shapes, predicate="intersects")
        category = [zones.category[i] for i in zone.tolist()]
        np.maximum.at(worst, thing, depth_uncertainty_m(category, depth_m[thing], zones.souacc_m[zone]))
    return worst


def by_quality(zones: Zones, areas: Shapes) -> DepthPieces:
    """Return depth areas cut by the zones' quality; an area within one quality is kept whole.

    Where zones overlap there is a piece for each of them, so that the worst holds.
    """
    kinds = list(dict.fromkeys(zones.rows))
    rows = list(zones.rows)
    unions = [shapely.union_all(zones.shapes[np.array([row == kind for row in rows], dtype=bool)]) for kind in kinds]
    pieces = divided(areas, np.array(unions, dtype=object))
    said = [*kinds, (UNSTATED, 0.0)]
    return DepthPieces(
        pieces.shapes,
        pieces.source,
        tuple(said[i][0] for i in pieces.zone.tolist()),
        np.array([said[i][1] for i in pieces.zone.tolist()], dtype=float),
    )


def quality_words(names: Sequence[str], shapes: Shapes) -> str:
    """Return what share of charted water has what quality, the doubtful first.

    Parameters
    ----------
    names
        Category of each depth area, ``""`` where none is stated.
    shapes
        Their polygons, longitude and latitude.
    """
    centre = shapely.get_y(shapely.centroid(shapes))
    area = shapely.area(shapes) * np.cos(np.radians(np.nan_to_num(centre)))
    total = float(area.sum())
    if not total:
        return ""
    kinds = np.array(names)
    shares = {name: float(area[kinds == name].sum()) / total for name in (*_WORDS, "A1", "A2", "B", "C")}
    told = [
        f"{_WORDS.get(name, f'survey quality {name}')} in {_percent(share)}" for name, share in shares.items() if share
    ]
    return f"{', '.join(told)} of the charted water"


def _percent(share: float) -> str:
    percent = round(100.0 * share)
    if not percent:
        return "under 1 %"
    return "over 99 %" if percent == 100 and share < 1.0 - 1e-9 else f"{percent} %"  # noqa: PLR2004 -- per cent


def _category(code: str) -> Category:
    return CATEGORIES[int(code) - 1] if code in {"1", "2", "3", "4", "5", "6"} else UNSTATED


_WORDS = {
    "U": "survey quality not assessed (CATZOC U)",
    "": "survey quality not stated",
    "D": "survey quality worse than C (CATZOC D)",
}
