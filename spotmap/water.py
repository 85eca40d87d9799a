"""Open water: where gear may be towed and where the boat may run in a span of time, and what forbids the rest."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely
from shapely import MultiPolygon
from shapely.geometry.base import BaseGeometry

from layers.model import Area, Bounds, Depth, FloatArray, Rule
from layers.seasons import changes, is_active, season_words
from layers.units import format_quantity
from spotmap.model import PARTLY_OPEN, ClosedWater, Limits

LANE_LINE_MARGIN_M = 50.0
"""Half the width of a lane drawn as a line without a margin (common practice, no source)."""
UNDER_KEEL_M = 0.5
"""Water left under the keel on a run (common practice, no source)."""
RUN_OFF_HAZARD_M = 10.0
"""How far a run keeps off what it could strike (common practice, no source); less where home lies nearer."""
_ARC_SHORTFALL = 1.0025
"""A buffer of 16 segments a quarter lies inside the true circle by up to 0.12 %; this and a decimetre cover it."""
_ROUNDING_M = 0.1
_SAMPLE_M = 5.0


@dataclass(frozen=True)
class Span:
    """A span of time, both ends zone-aware and inclusive."""

    start: datetime
    end: datetime


@dataclass(frozen=True)
class Fishery:
    """Which fishing is meant: the words that closures and grounds list."""

    species: str
    method: str


@dataclass(frozen=True)
class Block:
    """Water where gear may not be, its standoff included, and the reason in words."""

    reason: str
    shape: BaseGeometry


@dataclass(frozen=True)
class NeededDepth:
    """The charted depth that the gear asks for, what water without it is called, and how far gear swings out.

    Standoffs are kept by the boat and `spare_m` more, so that gear beside the boat and inside its turns keeps them;
    with `off_unknown`, that distance is kept from water of unknown depth too, with `off_shoal` from shallower too.
    """

    depth_m: float
    words: str
    spare_m: float
    off_unknown: bool = False
    off_shoal: bool = False


@dataclass(frozen=True)
class GearWater:
    """Where gear may be towed during a span: `allowed`, in a box of interest; `blocks` say what forbids the rest."""

    allowed: MultiPolygon
    blocks: tuple[Block, ...]
    depth: Depth
    needed: NeededDepth

    def why_not(self, where: BaseGeometry) -> tuple[str, ...]:
        """Return what forbids gear along a line, the reason that covers most of it first; empty when nothing does."""
        length = max(where.length, 1e-9)
        shares = {
            block.reason: block.shape.intersection(where).length / length
            for block in self.blocks
            if block.shape.intersects(where)
        }
        xy = shapely.get_coordinates(shapely.segmentize(where, _SAMPLE_M))
        depth = self.depth.depth_at(xy[:, 0], xy[:, 1])
        shares["depth unknown"] = float(np.isnan(depth).mean())
        shares[self.needed.words] = float((depth < self.needed.depth_m).mean())
        return tuple(reason for reason, share in sorted(shares.items(), key=lambda item: -item[1]) if share > 0.0)


def grown(shape: Any, by_m: FloatArray | float) -> Any:
    """Return a shape, or an array of them, grown by a distance and never by less than that distance anywhere."""
    return shapely.buffer(shape, by_m * _ARC_SHORTFALL + _ROUNDING_M, quad_segs=16)


def change_times(area: Area, fishery: Fishery, span: Span, near: BaseGeometry | None = None) -> tuple[datetime, ...]:
    """Return the moments within a span at which water opens or closes for this fishing, in order.

    With `near`, only rules whose water meets that shape are asked.
    """
    rules = (*_concerned(area.closures, fishery), *_concerned(area.grounds, fishery))
    asked = (rule for rule in rules if near is None or shapely.intersects(rule.shape, near))
    return tuple(sorted({moment for rule in asked for moment in changes(rule.season, span.start, span.end)}))


def closed_water(area: Area, fishery: Fishery, limits: Limits, span: Span) -> tuple[ClosedWater, ...]:
    """Return the water closed at some time in a span, each with its rule and the moments at which it changes.

    Where the area has grounds, the water outside them comes as closures too: what no ground opens during the
    span, and each ground that is open for a part of it only.

    Parameters
    ----------
    area
        The area.
    fishery
        Species and method; rules that do not concern them are left out, entry bans never are.
    limits
        For the standoff.
    span
        The time asked about, in the area's zone.

    Returns
    -------
    tuple of ClosedWater
        In local metres.
    """
    closed = []
    for rule in _concerned(area.closures, fishery):
        active, moments = is_active(rule.season, span.start), changes(rule.season, span.start, span.end)
        if active or moments:
            closed.append(_as_closed(rule, rule.name, rule.shape, limits, active, moments))
    return (*closed, *_closed_outside_grounds(area, fishery, limits, span))


def _closed_outside_grounds(area: Area, fishery: Fishery, limits: Limits, span: Span) -> Iterator[ClosedWater]:
    if not area.has_grounds:
        return
    grounds = _concerned(area.grounds, fishery)
    always = [rule for rule in grounds if _always_active(rule, span)]
    partly = [
        rule for rule in grounds if rule not in always and (is_active(rule.season, span.start) or _changing(rule, span))
    ]
    open_always = shapely.union_all([rule.shape for rule in always])
    frame = shapely.box(*area.depth.bounds).buffer(1000.0, join_style="mitre")
    outside = frame.difference(shapely.union_all([open_always, *(rule.shape for rule in partly)]))
    if not outside.is_empty:
        yield ClosedWater(
            name="outside every open ground",
            forbids="fishing",
            reference="; ".join(sorted({rule.reference for rule in area.grounds if rule.reference})),
            shape=outside,
            standoff_m=limits.closure_standoff_m,
            in_force_at_start=True,
            changes=(),
            dates="",
        )
    for rule in partly:
        shut = rule.shape.difference(open_always)
        if not shut.is_empty:
            opens = changes(rule.season, span.start, span.end)
            name = f"{rule.name}{PARTLY_OPEN}"
            yield _as_closed(rule, name, shut, limits, not is_active(rule.season, span.start), opens)


def _as_closed(
    rule: Rule,
    name: str,
    shape: BaseGeometry,
    limits: Limits,
    active: bool,  # noqa: FBT001  one record made from parts
    moments: tuple[datetime, ...],
) -> ClosedWater:
    return ClosedWater(
        name=name,
        forbids=rule.forbids or "fishing",
        reference=rule.reference,
        shape=shape,
        standoff_m=rule.margin_m + limits.closure_standoff_m,
        in_force_at_start=active,
        changes=moments,
        dates=season_words(rule.season),
    )


@dataclass(frozen=True)
class Only:
    """Water that gear must stay inside, and what is said of the rest."""

    otherwise: str
    shape: MultiPolygon


def gear_water(  # noqa: PLR0913  what is asked for, and where
    area: Area,
    fishery: Fishery,
    limits: Limits,
    span: Span,
    *,
    needed: NeededDepth,
    within: Bounds,
    only: Only | None = None,
) -> GearWater:
    """Return where gear may be towed during the whole of a span.

    Deep enough and known; off land, hazards and lanes; inside the grounds that are open throughout; off every
    closure in force at any moment of it. Every standoff is kept.

    Parameters
    ----------
    area, fishery, limits, span
        As in `closed_water`.
    needed
        Charted depth that the gear and its clearance ask for.
    within
        The box of interest, local metres.
    only
        Where gear must stay inside some water.

    Returns
    -------
    GearWater
        In local metres.
    """
    box = shapely.box(*within)
    found = _blocks(area, fishery, limits, span, needed.spare_m, within)
    blocks = [block for block in found if block.shape.intersects(box)]
    if only is not None and not only.shape.covers(box):
        blocks.append(Block(only.otherwise, box.difference(only.shape)))
    if (untold := tide_unknown(area, within)) is not None:
        blocks.append(Block("the tide is not known there", untold))
    wider = shapely.buffer(box, 2.0 * needed.spare_m, join_style="mitre").bounds
    if needed.off_shoal:
        deep: BaseGeometry = area.safe_depth.deeper_than(needed.depth_m, wider).buffer(-needed.spare_m)
        deep = deep.intersection(box)
    else:
        deep = area.safe_depth.deeper_than(needed.depth_m, within)
        if needed.off_unknown:
            deep = deep.intersection(area.safe_depth.known(wider).buffer(-needed.spare_m))
    allowed = deep.difference(shapely.union_all([block.shape for block in blocks])) if blocks else deep
    return GearWater(allowed=as_polygons(allowed), blocks=tuple(blocks), depth=area.safe_depth, needed=needed)


@dataclass(frozen=True)
class KeepOff:
    """A thing that gear keeps off: in words, its shape, and by how much, metres."""

    words: str
    shape: BaseGeometry
    distance_m: float


def keep_off(
    area: Area, fishery: Fishery, limits: Limits, span: Span, near: Bounds, spare_m: float = 0.0
) -> list[KeepOff]:
    """Return what gear keeps off at some moment of a span: land, closures in force, hazards and lanes.

    Parameters
    ----------
    area, fishery, limits, span
        As in `closed_water`.
    near
        What is further from this box than its distance and `spare_m` is left out, local metres.

    Returns
    -------
    list of KeepOff
        In local metres.
    """
    things = []
    if not area.land.is_empty:
        things.append(KeepOff("land", area.land, limits.shore_standoff_m))
    things += [KeepOff("land", shore.shape, limits.shore_standoff_m + shore.margin_m) for shore in area.shores]
    for rule in _concerned(area.closures, fishery):
        if _ever_active(rule, span):
            things.append(KeepOff(f"'{rule.name}' closure", rule.shape, rule.margin_m + limits.closure_standoff_m))
    for lane in area.lanes:
        things.append(KeepOff(f"{lane.kind} '{lane.name}'", lane.shape, _lane_margin_m(lane.shape, lane.margin_m)))
    boxes = np.asarray(shapely.bounds([thing.shape for thing in things])).reshape(-1, 4)
    reach = np.array([thing.distance_m for thing in things])
    found = [things[i] for i in np.flatnonzero(_meet(boxes, near, reach + spare_m)).tolist()]
    widest_m = max([limits.shore_standoff_m, *(hazard.margin_m or 0.0 for hazard in area.hazards)])
    for i in np.flatnonzero(_meet(area.hazard_boxes, near, widest_m + spare_m)).tolist():
        hazard = area.hazards[i]
        named = f"{hazard.kind} '{hazard.name}'" if hazard.name not in hazard.kind else hazard.kind
        margin_m = limits.shore_standoff_m if hazard.margin_m is None else hazard.margin_m
        found.append(KeepOff(named, hazard.shape, margin_m))
    return found


def _meet(boxes: FloatArray, near: Bounds, within_m: FloatArray | float) -> npt.NDArray[np.bool_]:
    """Return which boxes (n, 4) come within a distance of another, counted along both axes."""
    west, south, east, north = near
    spare = within_m * _ARC_SHORTFALL + 2.0 * _ROUNDING_M
    meet: npt.NDArray[np.bool_] = (boxes[:, 0] <= east + spare) & (boxes[:, 2] >= west - spare)
    meet &= (boxes[:, 1] <= north + spare) & (boxes[:, 3] >= south - spare)
    return meet


def _blocks(
    area: Area,
    fishery: Fishery,
    limits: Limits,
    span: Span,
    spare_m: float,
    within: Bounds,
) -> Iterator[Block]:
    things = keep_off(area, fishery, limits, span, within, spare_m)
    by_m = np.array([thing.distance_m + spare_m for thing in things])
    shapes = grown([thing.shape for thing in things], by_m)
    for thing, shape in zip(things, shapes, strict=True):
        yield Block(f"{thing.words}, {format_quantity(thing.distance_m, 'm')} standoff", shape)
    if area.has_grounds:
        standoff_m = limits.closure_standoff_m
        frame = shapely.box(*area.depth.bounds).buffer(1000.0, join_style="mitre")
        inner = open_grounds(area, fishery, span).buffer(-grown_by(standoff_m + spare_m), quad_segs=16)
        words = f"outside the grounds open throughout, {format_quantity(standoff_m, 'm')} standoff"
        yield Block(words, frame.difference(inner))


def open_grounds(area: Area, fishery: Fishery, span: Span) -> BaseGeometry:
    """Return the water inside a ground that is open at every moment of a span; a ground's own margin is kept."""
    grounds = _concerned(area.grounds, fishery)
    open_water: BaseGeometry | None = None
    for moment in (span.start, *change_times(area, fishery, span)):
        now = shapely.union_all(
            [
                rule.shape.buffer(-grown_by(rule.margin_m)) if rule.margin_m else rule.shape
                for rule in grounds
                if is_active(rule.season, moment)
            ]
        )
        open_water = now if open_water is None else open_water.intersection(now)
    return open_water if open_water is not None else MultiPolygon()


def least_tide_m(area: Area, span: Span) -> float:
    """Return the lowest that the tide stands over the depth datum in a span, metres; 0 where no tide is told."""
    return 0.0 if area.tide is None else area.tide.least_m(span.start.timestamp(), span.end.timestamp())


def tide_unknown(area: Area, within: Bounds) -> BaseGeometry | None:
    """Return the water of a box in which a tide layer does not tell the height; None where it tells all, or none is."""
    if area.tide is None:
        return None
    box = shapely.box(*within)
    unknown = box.difference(area.tide.known(within))
    return None if unknown.is_empty else unknown


def grown_by(distance_m: float) -> float:
    """Return the distance that `grown` really uses."""
    return distance_m * _ARC_SHORTFALL + _ROUNDING_M


@dataclass(frozen=True)
class Look:
    """Where water for runs is looked at, and by cells of what size: None looks everywhere, and at every cell."""

    within: Bounds | None
    cell_m: float | None


@dataclass(frozen=True)
class Hull:
    """The boat on a run: what it draws, and what the tide falls below the datum, metres; and where it lies at home."""

    draft_m: float
    home: BaseGeometry


def run_water(area: Area, fishery: Fishery, limits: Limits, span: Span, hull: Hull, look: Look) -> MultiPolygon:
    """Return where the boat may run with its gear up.

    Afloat, off land and off what it could strike, out of entry bans and lanes closed to all.

    Parameters
    ----------
    area, fishery, limits, span
        As in `closed_water`; an entry ban in force at any moment of the span is kept out of, with its standoff.
    hull
        The boat; what lies round its home is kept off by no more than lets it out.
    look
        Where, and how finely.

    Returns
    -------
    MultiPolygon
        In local metres.
    """
    shut = [area.land]
    shut += [
        grown(rule.shape, rule.margin_m + limits.closure_standoff_m)
        for rule in _concerned(area.closures, fishery)
        if rule.forbids == "entry" and _ever_active(rule, span)
    ]
    shut += [grown(lane.shape, _lane_margin_m(lane.shape, lane.margin_m)) for lane in area.lanes if lane.avoid == "all"]
    struck = strikes(area, hull)
    shut += list(grown([thing.shape for thing in struck], np.array([thing.distance_m for thing in struck])))
    if (untold := tide_unknown(area, look.within or area.depth.bounds)) is not None:
        shut.append(untold)
    afloat = area.safe_depth.deeper_than(hull.draft_m + UNDER_KEEL_M, look.within, look.cell_m)
    return as_polygons(afloat.difference(shapely.union_all(shut)))


def strikes(area: Area, hull: Hull) -> list[KeepOff]:
    """Return the hazards that a run could strike, each with the distance that it keeps off it.

    That is everything but what is known to lie deeper than draft and keel ask for.
    """
    needed_m = hull.draft_m + UNDER_KEEL_M
    shallow = [one for one in area.hazards if one.depth_m is None or one.depth_m < needed_m]
    away = (
        np.maximum(shapely.distance(hull.home, [one.shape for one in shallow]) - 2.0 * _ROUNDING_M, 0.0)
        / _ARC_SHORTFALL
    )
    return [
        KeepOff(
            one.kind or one.name,
            one.shape,
            min(off_m, RUN_OFF_HAZARD_M if one.margin_m is None else one.margin_m, RUN_OFF_HAZARD_M),
        )
        for one, off_m in zip(shallow, away.tolist(), strict=True)
    ]


def as_polygons(shape: BaseGeometry) -> MultiPolygon:
    """Return the polygons of a geometry, leaving points and lines behind."""
    parts = shapely.get_parts(shapely.get_parts(shape))
    return MultiPolygon([part for part in parts if part.geom_type == "Polygon" and not part.is_empty])


def entry_bans(area: Area, span: Span) -> frozenset[int]:
    """Return which closures ban entry at some moment of a span, by their place in the area: names may repeat.

    It is what makes the water for runs differ from one time to another.
    """
    return frozenset(
        place for place, rule in enumerate(area.closures) if rule.forbids == "entry" and _ever_active(rule, span)
    )


def _concerned(rules: Sequence[Rule], fishery: Fishery) -> list[Rule]:
    return [rule for rule in rules if rule.forbids == "entry" or rule.concerns(fishery.species, fishery.method)]


def _changing(rule: Rule, span: Span) -> bool:
    return bool(changes(rule.season, span.start, span.end))


def _ever_active(rule: Rule, span: Span) -> bool:
    # whatever is off at the start and changes at all has been on
    return is_active(rule.season, span.start) or _changing(rule, span)


def _always_active(rule: Rule, span: Span) -> bool:
    return is_active(rule.season, span.start) and not _changing(rule, span)


def _lane_margin_m(shape: BaseGeometry, margin_m: float | None) -> float:
    if margin_m is not None:
        return margin_m
    return LANE_LINE_MARGIN_M if "Line" in shape.geom_type else 0.0
