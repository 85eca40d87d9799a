"""Open water: where gear may be towed and where the boat may run in a span of time, and what forbids the rest."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
import shapely
from shapely import MultiPolygon
from shapely.geometry.base import BaseGeometry

from layers.model import Area, Bounds, Depth, Rule
from layers.seasons import changes, is_active, season_words
from layers.units import format_quantity
from spotmap.model import ClosedWater, Limits

LANE_LINE_MARGIN_M = 50.0
"""Half the width of a lane drawn as a line without a margin (common practice, no source)."""
UNDER_KEEL_M = 0.5
"""Water left under the keel on a run (common practice, no source)."""
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
class GearWater:
    """Where gear may be towed during a span: `allowed`, in a box of interest; `blocks` say what forbids the rest."""

    allowed: MultiPolygon
    blocks: tuple[Block, ...]
    depth: Depth
    needed_depth_m: float
    shallow_reason: str

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
        shares[self.shallow_reason] = float((depth < self.needed_depth_m).mean())
        return tuple(reason for reason, share in sorted(shares.items(), key=lambda item: -item[1]) if share > 0.0)


def grown(shape: BaseGeometry, by_m: float) -> BaseGeometry:
    """Return a shape grown by a distance, never by less than that distance anywhere."""
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
            name = f"{rule.name} (ground, outside its hours or dates)"
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


def gear_water(
    area: Area, fishery: Fishery, limits: Limits, span: Span, *, needed_depth_m: float, within: Bounds
) -> GearWater:
    """Return where gear may be towed during the whole of a span.

    Deep enough and known; off land, hazards and lanes; inside the grounds that are open throughout; off every
    closure in force at any moment of it. Every standoff is kept.

    Parameters
    ----------
    area, fishery, limits, span
        As in `closed_water`.
    needed_depth_m
        Charted depth that the gear and its clearance ask for, metres.
    within
        The box of interest, local metres.

    Returns
    -------
    GearWater
        In local metres.
    """
    box = shapely.box(*within)
    blocks = [block for block in _blocks(area, fishery, limits, span) if block.shape.intersects(box)]
    deep = area.depth.deeper_than(needed_depth_m, within)
    allowed = deep.difference(shapely.union_all([block.shape for block in blocks])) if blocks else deep
    shown = area.show.depth
    gear = format_quantity(needed_depth_m - limits.bottom_clearance_m, shown)
    return GearWater(
        allowed=as_polygons(allowed),
        blocks=tuple(blocks),
        depth=area.depth,
        needed_depth_m=needed_depth_m,
        shallow_reason=(
            f"shallower than {format_quantity(needed_depth_m, shown)} "
            f"(gear at {gear} and {format_quantity(limits.bottom_clearance_m, shown)} clearance)"
        ),
    )


def _blocks(area: Area, fishery: Fishery, limits: Limits, span: Span) -> Iterator[Block]:
    if not area.land.is_empty:
        yield Block(f"land, {_metres(limits.shore_standoff_m)} standoff", grown(area.land, limits.shore_standoff_m))
    for rule in _concerned(area.closures, fishery):
        if _ever_active(rule, span):
            standoff_m = rule.margin_m + limits.closure_standoff_m
            yield Block(f"'{rule.name}' closure, {_metres(standoff_m)} standoff", grown(rule.shape, standoff_m))
    for hazard in area.hazards:
        margin_m = limits.shore_standoff_m if hazard.margin_m is None else hazard.margin_m
        named = f"{hazard.kind} '{hazard.name}'" if hazard.name else hazard.kind
        yield Block(f"{named}, {_metres(margin_m)} margin", grown(hazard.shape, margin_m))
    for lane in area.lanes:
        margin_m = _lane_margin_m(lane.shape, lane.margin_m)
        yield Block(f"{lane.kind} '{lane.name}', {_metres(margin_m)} margin", grown(lane.shape, margin_m))
    if area.has_grounds:
        frame = shapely.box(*area.depth.bounds).buffer(1000.0, join_style="mitre")
        yield Block(
            f"outside the grounds open throughout, {_metres(limits.closure_standoff_m)} standoff",
            frame.difference(_open_throughout(area, fishery, limits, span)),
        )


def _open_throughout(area: Area, fishery: Fishery, limits: Limits, span: Span) -> BaseGeometry:
    grounds = _concerned(area.grounds, fishery)
    moments = (span.start, *change_times(area, fishery, span))
    open_water: BaseGeometry | None = None
    for moment in moments:
        now = [
            rule.shape.buffer(-grown_by(rule.margin_m)) if rule.margin_m else rule.shape
            for rule in grounds
            if is_active(rule.season, moment)
        ]
        inner = shapely.union_all(now).buffer(-grown_by(limits.closure_standoff_m), quad_segs=16)
        open_water = inner if open_water is None else open_water.intersection(inner)
    return open_water if open_water is not None else MultiPolygon()


def grown_by(distance_m: float) -> float:
    """Return the distance that `grown` really uses."""
    return distance_m * _ARC_SHORTFALL + _ROUNDING_M


@dataclass(frozen=True)
class Look:
    """Where water for runs is looked at, and by cells of what size: None looks everywhere, and at every cell."""

    within: Bounds | None
    cell_m: float | None


def run_water(area: Area, fishery: Fishery, limits: Limits, span: Span, draft_m: float, look: Look) -> MultiPolygon:
    """Return where the boat may run with its gear up: afloat, off land, out of entry bans and lanes closed to all.

    Parameters
    ----------
    area, fishery, limits, span
        As in `closed_water`; an entry ban in force at any moment of the span is kept out of, with its standoff.
    draft_m
        The boat's draft, metres.
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
    afloat = area.depth.deeper_than(draft_m + UNDER_KEEL_M, look.within, look.cell_m)
    return as_polygons(afloat.difference(shapely.union_all(shut)))


def as_polygons(shape: BaseGeometry) -> MultiPolygon:
    """Return the polygons of a geometry, leaving points and lines behind."""
    parts = shapely.get_parts(shapely.get_parts(shape))
    return MultiPolygon([part for part in parts if part.geom_type == "Polygon" and not part.is_empty])


def entry_bans(area: Area, fishery: Fishery, span: Span) -> frozenset[str]:
    """Return which entry bans are in force at some moment of a span, by name: what makes run water differ."""
    return frozenset(
        rule.name for rule in _concerned(area.closures, fishery) if rule.forbids == "entry" and _ever_active(rule, span)
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


def _metres(distance_m: float) -> str:
    return format_quantity(distance_m, "m")


def padded(span: Span, by: timedelta) -> Span:
    """Return a span with a margin at its end."""
    return Span(span.start, span.end + by)
