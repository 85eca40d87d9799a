"""A form that is found at several scales, told once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from layers.model import Landform

_SAME_PLACE = 0.5
_MADE_OF = 0.25
_FINER = frozenset({"hump", "hole", "saddle"})
FAMILIES = {"ledge": "steep", "drop-off": "steep"}


@dataclass(frozen=True)
class Found:
    """A form with the ground that it takes up, and how much it stands out at its scale, metres or degrees."""

    form: Landform
    footprint: BaseGeometry
    strength: float


def told_once(found: Sequence[Found]) -> list[Found]:
    """Return forms of which none tells another one again.

    Two of a kind (a ledge and a drop-off are of one) and of different scales share a place where half of the smaller
    one lies in the other. Where the smaller ones make up a quarter of the larger one or more, they are the same
    ground: if there is one, the one that stands out more is told; if there are several, they are told for humps, holes
    and saddles, and the larger one for all else. Smaller ones that make up less are forms of their own upon it.

    The bends of depth lines round a hump or a hole are told by it: a point of which half runs within half its scale of
    a hump is none.
    """
    gone: set[int] = set()
    for family in dict.fromkeys(_family(one) for one in found):
        ours = [i for i, one in enumerate(found) if _family(one) == family]
        scales = sorted({found[i].form.scale_m for i in ours})
        for scale in scales[1:]:
            for large in [i for i in ours if found[i].form.scale_m == scale]:
                small = [i for i in ours if found[i].form.scale_m < scale and i not in gone]
                gone |= _beaten(found, large, small, finer=family in _FINER)
    left = [one for i, one in enumerate(found) if i not in gone]
    for kind, whole in (("point", "hump"), ("pocket", "hole")):
        ground = shapely.union_all([one.footprint for one in left if one.form.kind == whole])
        left = [one for one in left if one.form.kind != kind or not _runs_round(one.form, ground)]
    return left


def _runs_round(bend: Landform, ground: BaseGeometry) -> bool:
    near = shapely.buffer(ground, bend.scale_m / 2)
    return bool(shapely.length(shapely.intersection(bend.shape, near)) >= _SAME_PLACE * bend.shape.length)


def _family(one: Found) -> str:
    return FAMILIES.get(one.form.kind, one.form.kind)


def _beaten(found: Sequence[Found], large: int, small: Sequence[int], *, finer: bool) -> set[int]:
    """Return which of a form and the smaller ones that share its place are not told."""
    ours = found[large].footprint
    theirs = np.array([found[i].footprint for i in small], dtype=object)
    shared = np.zeros(len(small))
    near = shapely.intersects(ours, theirs) if len(small) else np.zeros(0, dtype=bool)
    shared[near] = shapely.area(shapely.intersection(ours, theirs[near]))
    least = np.minimum(shapely.area(theirs), ours.area) if len(small) else shared
    same = near & (shared >= _SAME_PLACE * least)
    if shared[same].sum() < _MADE_OF * ours.area:
        return set()
    alike = [i for i, yes in zip(small, same, strict=True) if yes]
    if len(alike) > 1:
        return {large} if finer else set(alike)
    return {large} if found[alike[0]].strength >= found[large].strength else set(alike)
