"""What is suspicious about a ring of written positions: told with line numbers, never mended.

Edges are taken as straight in longitude and latitude, as GeoJSON draws them. Regulations seldom say whether their
straight lines are rhumb lines or geodesics; what is made from them says what was taken.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
import shapely

from layers._errors import Finding
from layers.coordinatetext import Written
from layers.positions import format_position
from layers.regulations import RegulationArea, same_place

Numbers = npt.NDArray[np.float64]

OPEN_LINE = "is not said to come back to its first point."
"""How the words of an open line's finding end."""
_NM_PER_DEG = 60.0
_LONG_EDGE_NM = 100.0
_LEAST_RING = 3
_MOST_FOR_CROSSINGS = 2_000
_MOST_TOLD = 10
_FLAT = 1e-12
_FAR_RATIO, _FAR_SHARE, _FITS = 2.0, 0.5, 0.3
"""A vertex sticks out when leaving it out shortens the outline by twice as much as for any other that is not beside it
and by half of what remains; a change mends it when little of that is left. Chosen on invented rings."""
_STEPS_DEG = ((1.0, "1°"), (1 / 6, "10′"), (1 / 60, "1′"), (10.0, "10°"))
_ZERO_BAND_DEG = 5.0
"""So near the equator and the meridians of 0° and 180°, areas do lie in two hemispheres."""


def ring_doubts(area: RegulationArea, where: str) -> tuple[Finding, ...]:
    """Return what is suspicious about an area's ring.

    Parameters
    ----------
    area
        The area; a circle has no ring, and only its hemispheres are looked at.
    where
        The file, for messages.

    Returns
    -------
    tuple of Finding
        Errors where the ring cannot be drawn as it stands: too few points, a position that is none, an open line, a
        line that may be a lost point, no area. Warnings for all else.
    """
    doubts = _Doubts(area, where)
    doubts.unreadable()
    placed = [one for one in area.positions if not one.problem]
    doubts.hemispheres(placed)
    if area.closed == "circle":
        return tuple(doubts.found)
    doubts.closing()
    distinct = {(one.lon, one.lat) for one in placed}
    if len(distinct) < _LEAST_RING:
        doubts.tell(f"has {len(distinct)} different points, and a ring needs three.", "Complete the list.", error=True)
        return tuple(doubts.found)
    doubts.duplicates(placed)
    doubts.edges(placed)
    doubts.crossings(placed)
    doubts.outliers(placed)
    return tuple(doubts.found)


def unwrapped(positions: Sequence[Written]) -> Numbers:
    """Return longitudes and latitudes (n, 2), longitudes running on over 180° where the ring crosses it."""
    lonlat = np.array([(one.lon, one.lat) for one in positions])
    if len(lonlat) and np.ptp(lonlat[:, 0]) > 180.0:  # noqa: PLR2004 - half the circle
        lonlat[:, 0] = np.unwrap(lonlat[:, 0], period=360.0)
    return lonlat


class _Doubts:
    def __init__(self, area: RegulationArea, where: str) -> None:
        self.area, self.where = area, where
        self.found: list[Finding] = []

    def tell(self, what: str, remedy: str, *, error: bool = False) -> None:
        place = f"{self.where}, '{self.area.name}'"
        self.found.append(Finding(place, what, remedy, "error" if error else "warning"))

    def unreadable(self) -> None:
        closing = (self.area.closing,) if self.area.closing else ()
        for one in (*self.area.positions, *closing):
            if one.problem:
                self.tell(f"line {one.line}: '{one.text}' is no position: {one.problem}", "Mend a copy.", error=True)
        for line in self.area.lost:
            remedy = "Mend that line in a copy of the text, or leave the area out."
            self.tell(f"line {line} may be a point of it, and is not understood.", remedy, error=True)

    def closing(self) -> None:
        area, last = self.area, self.area.closing
        if area.closed == "ended":
            found = f"the line that begins on line {area.line} {OPEN_LINE}"
            self.tell(found, "Say whether it is closed, or leave it out.", error=True)
        elif last is not None and not last.problem and not same_place(last, area.positions[0]):
            first = area.positions[0]
            found = (
                f"line {last.line}: it is to close at '{last.text}', and began at '{first.text}' (line {first.line})."
            )
            self.tell(found, "One of the two is wrong; both are corners as it stands.")

    def hemispheres(self, placed: Sequence[Written]) -> None:
        unsaid = [one for one in placed if not one.letters and not one.signed]
        if unsaid and len(unsaid) < len(placed):
            found = f"{_lines(unsaid)}: no hemisphere, and the others have one; taken as north and east."
            self.tell(found, "Check the hemisphere.")
        elif unsaid:
            found = "no hemisphere is given anywhere; the positions are taken as north and east."
            self.tell(found, "Check that this is meant.")
        for side, words in ((1, ("north", "south")), (0, ("east", "west"))):
            values = [(one.lon, one.lat)[side] for one in placed]
            positive = sum(value > 0 for value in values)
            odd = positive * 2 < len(values)
            few = [one for one, value in zip(placed, values, strict=True) if (value > 0) == odd and value != 0]
            near = [abs(value) < _ZERO_BAND_DEG or abs(value) > 180.0 - _ZERO_BAND_DEG for value in values]
            if few and len(few) < len(placed) and not any(near):
                found = f"{_lines(few)}: lies {words[not odd]}, and the others {words[odd]}."
                self.tell(found, "Check the hemisphere.")

    def duplicates(self, placed: Sequence[Written]) -> None:
        seen: dict[tuple[float, float], Written] = {}
        for one in placed:
            first = seen.setdefault((one.lon, one.lat), one)
            if first is not one:
                self.tell(f"line {one.line}: is the same point as line {first.line}.", "Check whether it is meant.")

    def edges(self, placed: Sequence[Written]) -> None:
        lengths = _lengths_nm(_plane(placed))
        for one, after, length in zip(placed, (*placed[1:], placed[0]), lengths, strict=True):
            if length > _LONG_EDGE_NM:
                found = f"lines {one.line} to {after.line}: an edge of {length:.0f} NM."
                self.tell(found, "Check both ends; on so long an edge, rhumb line and geodesic lie far apart.")

    def crossings(self, placed: Sequence[Written]) -> None:
        lonlat = unwrapped(placed)
        ring = np.vstack([lonlat, lonlat[:1]])
        if shapely.MultiPoint(lonlat).convex_hull.area <= _FLAT:
            self.tell("encloses no area: its points lie on one line.", "Check the list.", error=True)
            return
        if shapely.LinearRing(ring).is_simple:
            return
        remedy = "It is kept as it is written; check the order of the points."
        if len(placed) > _MOST_FOR_CROSSINGS:
            self.tell("crosses or touches itself.", remedy)
            return
        segments = shapely.linestrings(np.stack([ring[:-1], ring[1:]], axis=1))
        first, second = shapely.STRtree(segments).query(segments, predicate="intersects")
        apart = (second - first > 1) & ~((first == 0) & (second == len(segments) - 1))
        pairs = list(zip(first[apart].tolist(), second[apart].tolist(), strict=True))
        after = (*placed[1:], placed[0])
        for i, j in pairs[:_MOST_TOLD]:
            at = shapely.get_coordinates(shapely.intersection(segments[i], segments[j]))[0]
            found = (
                f"crosses or touches itself near {format_position(*at.tolist())}: the edge from line"
                f" {placed[i].line} to {after[i].line} meets the edge from line {placed[j].line} to {after[j].line}."
            )
            self.tell(found, remedy)
        if len(pairs) > _MOST_TOLD:
            self.tell(f"crosses or touches itself in {len(pairs) - _MOST_TOLD} further places.", remedy)
        if not pairs:
            self.tell("turns back on itself along an edge.", remedy)

    def outliers(self, placed: Sequence[Written]) -> None:
        if len(placed) <= _LEAST_RING:
            return
        xy = _plane(placed)
        detour = _detours(xy)
        perimeter = _lengths_nm(xy).sum()
        worst = int(np.argmax(detour))
        others = np.delete(detour, [worst, worst - 1, (worst + 1) % len(placed)])
        rest = perimeter - detour[worst]
        if detour[worst] < max(_FAR_RATIO * others.max(initial=0.0), _FAR_SHARE * rest):
            return
        one = placed[worst]
        change = _change(placed, worst, detour[worst])
        if change:
            found = (
                f"line {one.line}: '{one.text}' stands far off its neighbours: without it the outline is {rest:.1f} NM"
                f" long, with it {perimeter:.1f} NM. It would fit {change}."
            )
            self.tell(found, "Check it against the regulation as published; it is kept as it is written.")


def _change(placed: Sequence[Written], at: int, detour: float) -> str:
    """Return the smallest of the usual slips that would make a point fit, in words; empty where none does."""
    one, cosine = placed[at], float(np.cos(np.radians(placed[at - 1].lat)))
    near = np.array([[other.lon, other.lat] for other in (placed[at - 1], placed[(at + 1) % len(placed)])])
    slips = [(one.lat, one.lon, "with latitude and longitude swapped")]
    slips += [(-one.lon, one.lat, "in the other hemisphere, east for west")]
    slips += [(one.lon, -one.lat, "in the other hemisphere, north for south")]
    for step, words in _STEPS_DEG:
        for count in range(1, 10):
            for sign in (1, -1):
                by = f"{words if count == 1 else f'{count} × {words}'} further"
                change = sign * count * step
                slips.append((one.lon, one.lat + change, f"{by} {'north' if sign > 0 else 'south'}"))
                slips.append((one.lon + change, one.lat, f"{by} {'east' if sign > 0 else 'west'}"))
    tried = np.array([(lon, lat) for lon, lat, _ in slips])
    scale = np.array([cosine, 1.0]) * _NM_PER_DEG
    legs = [np.hypot(*((tried - end) * scale).T) for end in near]
    left = legs[0] + legs[1] - np.hypot(*((near[0] - near[1]) * scale))
    fitting = np.flatnonzero(left < _FITS * detour)
    single = [i for i in fitting.tolist() if "×" not in slips[i][2]]
    best = min(single or fitting.tolist(), key=lambda i: left[i], default=None)
    return "" if best is None else slips[best][2]


def _plane(placed: Sequence[Written]) -> Numbers:
    """Return positions in nautical miles on a plane, good enough to compare lengths."""
    lonlat = unwrapped(placed)
    return np.asarray(lonlat * [np.cos(np.radians(np.median(lonlat[:, 1]))), 1.0] * _NM_PER_DEG)


def _lengths_nm(xy: Numbers) -> Numbers:
    return np.asarray(np.hypot(*(np.roll(xy, -1, axis=0) - xy).T))


def _detours(xy: Numbers) -> Numbers:
    """Return by how much each point lengthens the outline."""
    before, after = np.roll(xy, 1, axis=0), np.roll(xy, -1, axis=0)
    return np.asarray(np.hypot(*(xy - before).T) + np.hypot(*(after - xy).T) - np.hypot(*(after - before).T))


def _lines(some: Sequence[Written]) -> str:
    numbers = [str(one.line) for one in some[:_MOST_TOLD]]
    more = f" and {len(some) - _MOST_TOLD} more" if len(some) > _MOST_TOLD else ""
    return f"line{'s' if len(numbers) > 1 else ''} {', '.join(numbers)}{more}"
