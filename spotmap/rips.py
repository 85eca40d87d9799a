"""Where moving water meets the bottom: up-current faces, lee sides and likely rips of forms. Likely, never a fact.

The rule in two sentences. What flows over a form is squeezed from the depth around it, h, into the depth over its
crest, d, and by continuity runs faster there by drift · (h − d)/d; the nearer this gain comes to 0.8 kn, and the wider
the form lies across the current for its breadth, the likelier is a rip over it and just down-current, and in less than
0.4 kn of drift there is none. Depths are with the tide where it is known; the speeds are common practice, no source.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import cached_property

import numpy as np
import shapely
from shapely import MultiPolygon, Point
from shapely.geometry.base import BaseGeometry

from layers.model import Area, FloatArray, Landform
from layers.units import format_quantity
from spotmap.faces import rip_ground, sides
from spotmap.momentwords import clock_words, set_words

RIPPING = frozenset({"hump", "ledge", "drop-off", "point", "saddle"})
"""The forms over which water is squeezed; over the others it spreads out."""
LIKELY = 0.5
"""From this likeliness on a rip is called likely."""
SLACK_MPS = 0.1 * 1852.0 / 3600.0
"""Water that moves less than a tenth of a knot meets nothing."""
WORKING_MPS = 0.4 * 1852.0 / 3600.0
"""From this drift on a face works, and a rip is possible (common practice, no source)."""
_SURE_GAIN_MPS = 0.8 * 1852.0 / 3600.0
_FULL_DRIFT_MPS = 0.8 * 1852.0 / 3600.0
_LEAST_OVER_CREST_M = 1.0
_SAME_SIDE_RAD = math.radians(45.0)
_WINDS = ("north", "north-east", "east", "south-east", "south", "south-west", "west", "north-west")
_HOLLOW = frozenset({"hole", "pocket"})


@dataclass(frozen=True)
class Meeting:
    """The current and a form at a moment, local metres.

    `up_current` is where the water runs onto rising ground, `lee` where it falls away behind, each None where there is
    none. `rip` is a likeliness from 0 to 1, NaN where the current is unknown; `rip_ground` the place of a rip that is
    likely, else None. `flow_mps` (2,) is the current in the local axes. `met` is False in slack water, over a flat and
    where the current is unknown.
    """

    form: Landform
    up_current: MultiPolygon | None
    lee: MultiPolygon | None
    rip: float
    rip_ground: MultiPolygon | None
    flow_mps: FloatArray
    words: str
    met: bool = False


@dataclass(frozen=True)
class Spell:
    """A time, to the minute, through which one side works.

    `side` is the eighth of the compass on which it is, `set_deg` the mean true set of the current, `most` the greatest
    likeliness of a rip, `tide` "rising" or "falling" where it does so all the while, else empty.
    """

    since: datetime
    until: datetime
    side: str
    set_deg: float
    strongest_mps: float
    most: float
    tide: str


@dataclass(frozen=True)
class Working:
    """A form through a time: when a rip is likely over it, and when its up-current face has current enough.

    `known` is the share of the time in which the current is known.
    """

    form: Landform
    rips: tuple[Spell, ...]
    faces: tuple[Spell, ...]
    known: float
    words: str


@dataclass(frozen=True)
class _Moments:
    """Forms down, moments across: flow as complex numbers, depth over the crest, tide (NaN unknown), likeliness."""

    time_s: FloatArray
    flow: np.ndarray[tuple[int, int], np.dtype[np.complex128]]
    over_crest_m: FloatArray
    tide_m: FloatArray
    rip: FloatArray
    north_deg: FloatArray

    @cached_property
    def drift(self) -> FloatArray:
        drift: FloatArray = np.abs(self.flow)
        return drift

    def set_deg(self, row: int, flow: complex) -> float:
        """Return the true direction that the water goes at a form."""
        return float((self.north_deg[row] - math.degrees(math.atan2(flow.imag, flow.real))) % 360.0)


def rip_likeliness(
    drift_mps: FloatArray, over_crest_m: FloatArray, height_m: FloatArray, breadth: FloatArray | float = 1.0
) -> FloatArray:
    """Return how likely a rip is, 0 to 1, arrays broadcast; NaN where anything is unknown.

    Parameters
    ----------
    drift_mps
        The current's speed in the depth around the form.
    over_crest_m
        The depth over its crest with the tide; what is less than a metre, or dries, counts as one.
    height_m
        How far it stands out of what is around it.
    breadth
        Its breadth across the current over its greatest breadth.

    Examples
    --------
    A hump that rises from 30 m to 20 m makes 0.8 kn half as fast again, and 0.3 kn nothing:

    >>> drift = np.array([0.3, 0.8, 1.6]) * 1852 / 3600
    >>> rip_likeliness(drift, np.array(20.0), np.array(10.0)).round(2).tolist()
    [0.0, 0.5, 1.0]

    """
    squeeze = np.maximum(height_m, 0.0) / np.maximum(over_crest_m, _LEAST_OVER_CREST_M)
    gain = drift_mps * squeeze * breadth / _SURE_GAIN_MPS
    runs = (drift_mps - WORKING_MPS) / (_FULL_DRIFT_MPS - WORKING_MPS)
    likely: FloatArray = np.clip(gain, 0.0, 1.0) * np.clip(runs, 0.0, 1.0)
    return likely


def meetings(area: Area, forms: Sequence[Landform], when: datetime) -> tuple[Meeting, ...]:
    """Return how the current meets each form at a moment, in the forms' order.

    Parameters
    ----------
    area
        Its depth, current and tide; without a current every meeting is unknown.
    forms
        What it meets. The current is that at the middle of a line, or at a place well inside a polygon.
    when
        The moment, zone-aware.

    Raises
    ------
    ValueError
        `when` has no zone.
    """
    seen = _seen(area, forms, np.array([_posix(when)]))
    return tuple(_meeting(area, form, seen, row) for row, form in enumerate(forms))


def through(
    area: Area, forms: Sequence[Landform], start: datetime, end: datetime, step_s: float = 600.0
) -> tuple[Working, ...]:
    """Return when which side of each form works, in the forms' order.

    A spell lasts while the current sets within 45° of its mean so far; it begins and ends where likeliness or drift,
    taken as straight between looks, crosses its threshold.

    Parameters
    ----------
    area, forms
        As for `meetings`; the surface of the bottom is not asked here.
    start, end
        The time, zone-aware; spells are told in the area's zone.
    step_s
        How often it is looked at, seconds.

    Raises
    ------
    ValueError
        A moment has no zone, the end is not after the start, or the step is not above 0.
    """
    since, until = _posix(start), _posix(end)
    if not (until > since and step_s > 0.0):
        raise ValueError("the end must come after the start, and the step be above 0")
    seen = _seen(area, forms, np.linspace(since, until, math.ceil((until - since) / step_s) + 1))
    return tuple(_working(area, form, seen, row) for row, form in enumerate(forms))


def _posix(when: datetime) -> float:
    if when.tzinfo is None:
        raise ValueError("the moment has no time zone")
    return when.timestamp()


def _seen(area: Area, forms: Sequence[Landform], time_s: FloatArray) -> _Moments:
    x, y = shapely.get_coordinates([_place(form.shape) for form in forms]).reshape(-1, 2).T
    crest, height = (np.array([[getattr(form, key)] for form in forms]) for key in ("depth_min_m", "height_m"))
    shape = (len(forms), time_s.size)
    flow, tide = np.full(shape, complex(np.nan, np.nan)), np.full(shape, np.nan)
    if area.current is not None and forms:
        told = area.current.flow_at(*np.broadcast_arrays(x[:, None], y[:, None], time_s[None, :]))
        flow = told[..., 0] + 1j * told[..., 1]
    if area.tide is not None and forms:
        tide = area.tide.height_at(x[:, None], y[:, None], time_s[None, :])
    over_crest = crest.reshape(-1, 1) + np.nan_to_num(tide)
    breadth = np.array([_breadth(form.shape, row) for form, row in zip(forms, flow, strict=True)]).reshape(shape)
    rip = rip_likeliness(np.abs(flow), over_crest, height.reshape(-1, 1), breadth)
    rips = np.array([form.kind in RIPPING for form in forms], dtype=bool).reshape(-1, 1)
    rip = np.where(np.isnan(rip) | rips, rip, 0.0)
    north = np.atleast_1d(area.projection.true_course_deg(x, y, np.zeros_like(x)))
    return _Moments(time_s, flow, over_crest, tide, rip, north)


def _place(shape: BaseGeometry) -> Point:
    """Return where the current is asked: the middle of a line's longest part, a place well inside a polygon."""
    parts = shapely.get_parts([shape])
    longest = parts[np.argmax(shapely.length(parts))]
    return longest.interpolate(0.5, normalized=True) if longest.geom_type == "LineString" else shape.point_on_surface()


def _breadth(shape: BaseGeometry, flow: FloatArray) -> FloatArray:
    """Return a form's breadth across the current over its greatest breadth, for every flow; 1 in still water."""
    corners = shapely.get_coordinates(shape.convex_hull) @ (1.0, 1j)
    greatest = np.abs(corners[:, None] - corners).max()
    drift = np.abs(flow)
    moving = drift > 0.0
    way = np.where(moving, flow, 1.0) / np.where(moving, drift, 1.0)
    across = (corners[:, None] * way.conj()).imag
    share: FloatArray = np.where(moving & (greatest > 0.0), np.ptp(across, axis=0) / max(greatest, 1e-9), 1.0)
    return share


def _meeting(area: Area, form: Landform, seen: _Moments, row: int) -> Meeting:
    flow, rip = complex(seen.flow[row, 0]), float(seen.rip[row, 0])
    drift = abs(flow)
    vector = np.array([flow.real, flow.imag])
    if math.isnan(drift):
        return Meeting(form, None, None, math.nan, None, vector, "current unknown here then: no meeting is told")
    if drift < SLACK_MPS:
        return Meeting(form, None, None, rip, None, vector, "slack water: it meets nothing")
    if form.kind == "flat":
        return Meeting(form, None, None, rip, None, vector, "a flat: nothing for the water to run onto")
    face, lee = sides(area.depth, form, flow / drift)
    ground = rip_ground(form, flow / drift) if rip >= LIKELY else None
    set_deg = seen.set_deg(row, flow)
    told = [f"current {set_words(set_deg, drift, area.show.speed)} over {_crest_words(area, seen, row)}"]
    for side, name in ((face, "up-current face"), (lee, "lee")):
        if side is not None:
            told.append(name + _where(seen, row, form, side))
    if face is None and lee is None:
        told.append("no ground found that rises or falls along the current")
    if ground is not None:
        told.append(f"likely rip over it and {_edge(form, _wind(set_deg))}")
    return Meeting(form, face, lee, rip, ground, vector, "; ".join(told), met=True)


def _working(area: Area, form: Landform, seen: _Moments, row: int) -> Working:
    known = float(np.isfinite(seen.flow[row].real).mean())
    drift = seen.drift[row]
    rips = tuple(_spells(area, seen, row, seen.rip[row] - LIKELY, 0.0))
    against = 0.0 if form.kind in _HOLLOW else 180.0
    faces = () if form.kind == "flat" else tuple(_spells(area, seen, row, drift - WORKING_MPS, against))
    return Working(form, rips, faces, known, _day_words(area, form, rips, faces, seen, known))


def _spells(area: Area, seen: _Moments, row: int, over: FloatArray, turned_deg: float) -> Iterator[Spell]:
    """Yield the times through which `over` is at least 0 and the set stays on one side."""
    time, flow = seen.time_s, seen.flow[row].tolist()
    for first, last in _split(over, flow):
        since = _crossing(time, over, first, first - 1) if first else time[0]
        until = _crossing(time, over, last, last + 1) if last + 1 < time.size else time[-1]
        mean = sum(flow[first : last + 1])
        set_deg = seen.set_deg(row, mean)
        slopes = np.diff(seen.tide_m[row, max(first - 1, 0) : last + 2])
        tide = "rising" if (slopes > 0.0).all() else "falling" if (slopes < 0.0).all() else ""
        here = slice(first, last + 1)
        yield Spell(
            since=datetime.fromtimestamp(60.0 * round(since / 60.0), area.timezone),
            until=datetime.fromtimestamp(60.0 * round(until / 60.0), area.timezone),
            side=_wind(set_deg + turned_deg),
            set_deg=set_deg,
            strongest_mps=float(seen.drift[row, here].max()),
            most=float(seen.rip[row, here].max()),
            tide=tide if slopes.size else "",
        )


def _split(over: FloatArray, flow: Sequence[complex]) -> Iterator[tuple[int, int]]:
    """Yield the first and last place of each run in which `over` is at least 0 and the set near its mean so far."""
    first, mean = -1, 0j
    for place, works in enumerate((over >= 0.0).tolist()):
        turned = first >= 0 and works and abs(_turn(mean, flow[place])) > _SAME_SIDE_RAD
        if first >= 0 and (turned or not works):
            yield first, place - 1
            first = -1
        if works:
            first, mean = (place, flow[place]) if first < 0 else (first, mean + flow[place])
    if first >= 0:
        yield first, len(flow) - 1


def _turn(one: complex, other: complex) -> float:
    apart = other * one.conjugate()
    return math.atan2(apart.imag, apart.real)


def _crossing(time_s: FloatArray, over: FloatArray, inside: int, outside: int) -> float:
    """Return when `over` crosses 0 between two looks: half-way where it does not, the look where it is unknown."""
    if math.isnan(over[outside]):
        return float(time_s[inside])
    share = 0.5 if over[outside] >= 0.0 else over[inside] / (over[inside] - over[outside])
    return float(time_s[inside] + share * (time_s[outside] - time_s[inside]))


def _day_words(
    area: Area, form: Landform, rips: Sequence[Spell], faces: Sequence[Spell], seen: _Moments, known: float
) -> str:
    start = datetime.fromtimestamp(seen.time_s[0], area.timezone)
    if known == 0.0:
        return "current unknown: nothing is told of its sides"
    if form.kind == "flat":
        return "a flat: nothing for the water to run onto"
    spells, what = (rips, "likely rip ") if rips else (faces, "no rip likely; up-current face ")
    if not spells:
        return _doubt("too little current to work", known)
    moments = [start, *(moment for spell in spells for moment in (spell.since, spell.until))]
    clock = list(clock_words(moments))[1:]
    spans: dict[tuple[str, str], list[str]] = {}
    turned = ""
    for spell, since, until in zip(spells, clock[::2], clock[1::2], strict=True):
        where = _edge(form, spell.side) if rips else f"on the {spell.side}"
        spans.setdefault((where, spell.tide), []).append(f"from {since} to {until}")
        if not turned and math.cos(math.radians(spell.set_deg - spells[0].set_deg)) < 0.0:
            turned = where
    told = []
    for (where, tide), times in spans.items():
        changes = "with the current turned it changes side: " if where == turned else ""
        turned = "" if changes else turned
        told.append(f"{changes}{where} {' and '.join(times)}" + (f" on the {tide} tide" if tide else ""))
    return _doubt(what + "; ".join(told), known)


def _doubt(words: str, known: float) -> str:
    return words if known == 1.0 else f"{words}; the current is unknown for {100.0 * (1.0 - known):.0f} % of the time"


def _crest_words(area: Area, seen: _Moments, row: int) -> str:
    depth = format_quantity(seen.over_crest_m[row, 0], area.show.depth)
    return f"{depth} ({'as charted, tide unknown' if math.isnan(seen.tide_m[row, 0]) else 'with tide'})"


def _where(seen: _Moments, row: int, form: Landform, side: BaseGeometry) -> str:
    """Return on which side of a form some ground lies; nothing where it lies around its middle."""
    middle, other = form.shape.centroid, side.centroid
    away = complex(other.x - middle.x, other.y - middle.y)
    return f" on the {_wind(seen.set_deg(row, away))}" if abs(away) > form.scale_m / 10.0 else ""


def _edge(form: Landform, side: str) -> str:
    return f"at the {side} edge" if form.shape.geom_type.endswith("Polygon") else f"on the {side} side"


def _wind(true_deg: float) -> str:
    return _WINDS[round(true_deg / 45.0) % 8]
