"""What the map shows besides water and tracks: hazards, lanes, cautions, marks, forms of the bottom, with words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TypeVar

import numpy as np
import numpy.typing as npt
import shapely
from shapely.geometry.base import BaseGeometry

from layers.landformwords import figure_words
from layers.model import Area, Bounds, Caution, FloatArray, Hazard, Landform, Lane, Mark, Show
from layers.positions import format_position
from layers.projection import LocalProjection
from layers.units import format_quantity
from spotmap.legwords import near_words
from spotmap.model import Plan
from spotmap.web.steps import Shape, line_shapes, shape_of

_Shaped = TypeVar("_Shaped", Lane, Caution, Landform)
_MOST_SIGNS = 30
"""More signs hide the water: of the hazards of a chart only the nearest to the legs have one, the rest are dots."""
_MOST_HAZARDS = 1500
"""More, a chart's piers and piles, would make the map slow: the nearest to the legs are drawn."""
_MOST_FORMS = 600
"""More hide one another: the most significant are drawn."""
_FORM_TOLERANCE_M = 2.0
_MOST_FACTS = 60
"""Facts of more spots would make a plan wait: those nearest to the legs have them."""
_AREA = 2  # shapely's dimension of polygons


@dataclass(frozen=True)
class Thing:
    """A hazard, a lane, a caution or a mark; `areal` if its shape is made of rings, `sign` if it stands out.

    A mark from the spot book is a `spot`.
    """

    name: str
    kind: str
    lines: tuple[str, ...]
    private: bool
    areal: bool
    sign: bool
    shape: Shape
    spot: bool = False


@dataclass(frozen=True)
class Form:
    """A form of the bottom: what is said of it, and its shape, made of rings if `areal`."""

    name: str
    kind: str
    lines: tuple[str, ...]
    areal: bool
    shape: Shape


@dataclass(frozen=True)
class Things:
    """All that the map shows besides water and tracks; `forms_left_out` counts the less significant forms."""

    hazards: tuple[Thing, ...]
    lanes: tuple[Thing, ...]
    cautions: tuple[Thing, ...]
    marks: tuple[Thing, ...]
    forms: tuple[Form, ...]
    forms_left_out: int


def map_things(plan: Plan, window: Bounds) -> Things:
    """Return what the map shows besides water and tracks.

    Parameters
    ----------
    plan
        The plan.
    window
        What lies outside this box is left out, local metres; marks never are.

    Returns
    -------
    Things
        Shapes in degrees. Of a chart's thousands of hazards the 1,500 nearest to the legs, of the forms of the bottom
        the 600 most significant, these first.
    """
    area, box = plan.area, shapely.box(*window)
    legs = shapely.MultiLineString([timed.leg.xy for timed in plan.legs])
    shapes = np.array([hazard.shape for hazard in area.hazards], dtype=object)
    away = np.where(shapely.intersects(box, shapes), shapely.distance(legs, shapes), np.inf)
    nearest = [i for i in np.argsort(away, kind="stable")[:_MOST_HAZARDS].tolist() if np.isfinite(away[i])]
    signed = set(nearest[:_MOST_SIGNS])
    facts = _spot_facts(plan, legs)
    forms = sorted(_inside(area.landforms, box), key=lambda form: -form.significance)
    return Things(
        hazards=tuple(_hazard(area, area.hazards[i], sign=i in signed) for i in sorted(nearest)),
        lanes=tuple(_lane(area, lane) for lane in _inside(area.lanes, box)),
        cautions=tuple(_caution(area.projection, caution) for caution in _inside(area.cautions, box)),
        marks=tuple(_mark(area.projection, mark, facts.get(mark.identity, ())) for mark in area.marks),
        forms=_forms(area, forms[:_MOST_FORMS], _worked(plan, forms[:_MOST_FORMS])),
        forms_left_out=max(0, len(forms) - _MOST_FORMS),
    )


def hazard_words(area: Area, hazard: Hazard) -> tuple[str, ...]:
    """Return what is said of a hazard: the least depth over it, and the margin kept."""
    depth = hazard.depth_m
    told = () if depth is None else (f"{format_quantity(depth, area.show.depth, 1)} over it at {area.depth_datum}",)
    return (*told, *_margin(area, hazard.margin_m))


def _spot_facts(plan: Plan, legs: BaseGeometry) -> dict[str, tuple[str, ...]]:
    """Return the facts of spots through the trip, in words, by their identities: of many, of those nearest the legs."""
    spots = [mark for mark in plan.area.marks if mark.identity]
    if not spots:
        return {}
    from spotmap.factwords import fact_words  # noqa: PLC0415 - an area without a spot book need not wait for it
    from spotmap.spotfacts import facts_of, visit_of  # noqa: PLC0415 - as above

    spots.sort(key=lambda spot: spot.point.distance(legs))
    told = facts_of(plan.area, [spot.point for spot in spots[:_MOST_FACTS]], visit_of(plan.trip))
    words = [fact_words(one, plan.area) for one in told]
    more = ("For its facts: spotmap spots AREA --facts --near NAME",)
    return {
        spot.identity: one for spot, one in zip(spots, [*words, *([more] * (len(spots) - len(words)))], strict=True)
    }


def _worked(plan: Plan, forms: Sequence[Landform]) -> list[tuple[str, ...]]:
    """Return, for each form, what the current makes of it through the trip, in words; nothing without a current."""
    if plan.area.current is None or not forms:
        return [()] * len(forms)
    from spotmap.rips import through  # noqa: PLC0415 - an area without forms or current need not wait for it

    worked = through(plan.area, forms, plan.legs[0].start, plan.legs[-1].end)
    return [(f"{one.words} (a rule of thumb)",) if one.rips or one.faces else () for one in worked]


def _forms(area: Area, forms: Sequence[Landform], worked: Sequence[tuple[str, ...]]) -> tuple[Form, ...]:
    parts = [shapely.get_parts(shapely.get_parts(form.shape)) for form in forms]
    lines = [_rims(of_form) for of_form in parts]
    tracks: list[FloatArray] = [shapely.get_coordinates(line) for of_form in lines for line in of_form]
    shapes = iter(line_shapes(area.projection, tracks, 5, _FORM_TOLERANCE_M))
    return tuple(
        Form(
            form.name,
            form.kind,
            (_figures(form, area.show), *more),
            form.shape.area > 0,
            Shape(5, [part for _ in of_form for part in next(shapes).parts]),
        )
        for form, of_form, more in zip(forms, lines, worked, strict=True)
    )


def _figures(form: Landform, show: Show) -> str:
    """Return a form's figures, after its kind where its name, which heads them, does not begin with it."""
    kind = "" if not form.name or form.name.startswith(form.kind) else f"{form.kind}; "
    return kind + figure_words(form, show)


def _rims(parts: npt.NDArray[np.object_]) -> npt.NDArray[np.object_]:
    areas = shapely.get_dimensions(parts) == _AREA
    return np.concatenate([shapely.get_rings(parts[areas]), parts[~areas]])


def _inside(things: Sequence[_Shaped], box: BaseGeometry) -> list[_Shaped]:
    return [thing for thing in things if shapely.intersects(thing.shape, box)]


def _hazard(area: Area, hazard: Hazard, *, sign: bool) -> Thing:
    return _thing(area.projection, (hazard.name, hazard.kind), hazard_words(area, hazard), hazard.shape, sign=sign)


def _lane(area: Area, lane: Lane) -> Thing:
    said = "the whole boat keeps out" if lane.avoid == "all" else "no gear down here"
    return _thing(area.projection, (lane.name, lane.kind), (said, *_margin(area, lane.margin_m)), lane.shape)


def _caution(projection: LocalProjection, caution: Caution) -> Thing:
    lines = (caution.note,) if caution.note else ()
    return _thing(projection, (caution.name, caution.kind), lines, caution.shape)


def _mark(projection: LocalProjection, mark: Mark, facts: tuple[str, ...]) -> Thing:
    lon, lat = projection.to_geographic([mark.point.x], [mark.point.y])
    dated = "" if mark.dated is None else mark.dated.isoformat()
    origin = ", ".join(part for part in (mark.told_by, dated) if part)
    lines = (mark.note, origin, format_position(float(lon[0]), float(lat[0])), *facts)
    named = (mark.name, mark.kind)
    told = tuple(line for line in lines if line)
    return replace(_thing(projection, named, told, mark.point, private=mark.private), spot=bool(mark.identity))


def _margin(area: Area, margin_m: float | None) -> tuple[str, ...]:
    return () if not margin_m else (f"{near_words(area, margin_m)} margin",)


def _thing(
    projection: LocalProjection,
    named: tuple[str, str],
    lines: tuple[str, ...],
    shape: BaseGeometry,
    *,
    private: bool = False,
    sign: bool = True,
) -> Thing:
    name, kind = named
    drawn = shape_of(projection, shape, 5, 0.5)
    return Thing(name or kind, kind if name else "", lines, private, shape.area > 0, sign, drawn)
