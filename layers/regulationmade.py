"""A regulation that a person has accepted, made into closures or grounds; and what it says, to be accepted."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any, Literal

import numpy as np
import pyproj
from shapely import Polygon

from layers._errors import Finding, InputError
from layers.made import Made, MadeLayer, Origin
from layers.positions import format_position
from layers.regulations import Regulation, RegulationArea, acceptance_code, same_place
from layers.ringdoubts import OPEN_LINE, ring_doubts, unwrapped

_GEOD = pyproj.Geod(ellps="WGS84")
_CIRCLE_POINTS = 360
_CIRCLE_TRIES = 6
_NEAR_POLE_DEG = 85.0
_MOST_RADIUS_M = 200_000.0
_SLUG_LENGTH = 60
_EDGES = (
    "edges are drawn straight in longitude and latitude, as GeoJSON has them; a regulation seldom says whether its"
    " straight lines are rhumb lines or geodesics."
)


@dataclass(frozen=True)
class RegulationTerms:
    """What a person says of a regulation that its list of positions does not.

    `first` and `last` are MM-DD or YYYY-MM-DD. `reference` is used where the text gives none, `name` where the text
    has none for an area. `closed` names the open lines that are areas all the same, `left_out` the areas and lines
    that are not wanted. `file` is the text itself, to be kept.
    """

    role: Literal["closure", "ground"]
    first: str
    last: str
    as_of: date
    source: str
    file: Path
    forbids: Literal["fishing", "entry"] = "fishing"
    species: str = ""
    methods: str = ""
    reference: str = ""
    name: str = ""
    closed: frozenset[str] = frozenset()
    left_out: frozenset[str] = frozenset()


def regulation_made(regulation: Regulation, terms: RegulationTerms) -> Made:
    """Return one layer with every area of a regulation, corners exactly as written.

    A ring that crosses itself is left so: reading the area mends it to the safe side. A closure's circle is a polygon
    that is nowhere smaller than the circle, a ground's one that is nowhere larger. Longitudes run on over 180° where
    a ring crosses it.

    Parameters
    ----------
    regulation
        What a person has accepted.
    terms
        What it does not say.

    Raises
    ------
    InputError
        An area has too few points, an unreadable or a lost one, no area, or is an open line that no one said is
        closed; a name in the terms is not in the text; nothing is left.
    """
    areas = [area for area in regulation.areas if area.name not in terms.left_out]
    problems = _unknown_names(regulation, terms)
    findings = list(regulation.findings)
    for area in areas:
        for finding in ring_doubts(area, regulation.where):
            if finding.what.endswith(OPEN_LINE) and area.name in terms.closed:
                findings.append(_as_warning(finding, "A person said that it is closed."))
            else:
                (problems if finding.severity == "error" else findings).append(finding)
    if not areas:
        problems.append(Finding(regulation.where, "every area is left out.", "Leave one in."))
    shapes = [] if problems else [_shape(area, terms.role, regulation.where, problems) for area in areas]
    if problems:
        raise InputError(problems)
    stem = slug(terms.file.stem)
    findings.append(Finding(regulation.where, _EDGES, "Look at long edges on the map.", "warning"))
    findings += [
        Finding(regulation.where, f"'{name}' was left out.", "A person said so.", "warning")
        for name in sorted(terms.left_out)
    ]
    references = [area.reference or terms.reference for area in areas]
    count = len(areas)
    attributes: dict[str, list[Any]] = {
        "name": _names(areas, terms.name),
        "species": [terms.species] * count,
        "methods": [terms.methods] * count,
        "from": [terms.first] * count,
        "until": [terms.last] * count,
        "rule": references,
    }
    if terms.role == "closure":
        attributes["forbids"] = [terms.forbids] * count
    geometry = np.empty(count, dtype=object)
    geometry[:] = shapes
    layer = MadeLayer(terms.role, stem, geometry, attributes, (stem,))
    origin = Origin(stem, "regulation", (terms.file,), terms.source, as_of=terms.as_of)
    return Made((origin,), (layer,), findings=tuple(findings))


def preview(regulation: Regulation) -> str:
    """Return what was understood of a regulation, what was not, and the code that accepts both."""
    return "\n".join(_preview_lines(regulation))


def circle(lon: float, lat: float, radius_m: float, *, outside: bool) -> Polygon:
    """Return a polygon about a circle on WGS 84, nowhere smaller than it, or one that is nowhere larger.

    Examples
    --------
    >>> ring = circle(-125.0, 48.0, 500.0, outside=True)
    >>> lon, lat = (ring.exterior.coords[0][i] + ring.exterior.coords[1][i] for i in (0, 1))
    >>> 500.0 <= _GEOD.inv(-125.0, 48.0, lon / 2, lat / 2)[2] < 500.1
    True
    """
    size = radius_m
    azimuth = np.linspace(0.0, 360.0, _CIRCLE_POINTS, endpoint=False)
    origin = np.full(_CIRCLE_POINTS, lon), np.full(_CIRCLE_POINTS, lat)
    for _ in range(_CIRCLE_TRIES):
        x, y, _back = _GEOD.fwd(*origin, azimuth, np.full(_CIRCLE_POINTS, size))
        x = lon + (np.asarray(x) - lon + 180.0) % 360.0 - 180.0
        # Along the straight edges in longitude and latitude, for they are what is drawn.
        part = np.linspace(0.0, 1.0, 9)[:, None]
        edge_x, edge_y = x + part * (np.roll(x, -1) - x), y + part * (np.roll(y, -1) - y)
        away = _GEOD.inv(np.full(edge_x.shape, lon), np.full(edge_x.shape, lat), edge_x, edge_y)[2]
        reach = away.min() if outside else away.max()
        if (reach >= radius_m) if outside else (reach <= radius_m):
            return Polygon(np.column_stack([x, y]))
        size *= radius_m / reach * (1.0 + 1e-9 if outside else 1.0 - 1e-9)
    raise InputError.one("a circle", f"of {radius_m:g} m cannot be drawn there.", "Draw it by hand.")


def slug(words: str) -> str:
    """Return a file's stem from words: small letters, digits and hyphens.

    Examples
    --------
    >>> slug("Gull Bank (2026)"), slug("…")
    ('gull-bank-2026', 'regulation')
    """
    plain = unicodedata.normalize("NFKD", words).encode("ascii", "ignore").decode().casefold()
    return re.sub(r"[^a-z0-9]+", "-", plain)[:_SLUG_LENGTH].strip("-") or "regulation"


def _shape(area: RegulationArea, role: str, where: str, problems: list[Finding]) -> Polygon | None:
    if area.radius_m is None:
        closing = area.closing
        apart = closing is not None and not same_place(closing, area.positions[0])
        ring = (*area.positions, closing) if apart and closing is not None else area.positions
        return Polygon(unwrapped(ring))
    centre = area.positions[0]
    if not 0.0 < area.radius_m <= _MOST_RADIUS_M or abs(centre.lat) > _NEAR_POLE_DEG:
        found = f"line {centre.line}: a circle of {area.radius_m:g} m there is not drawn."
        remedy = "At most 200 km, and not near a pole: draw it by hand."
        problems.append(Finding(f"{where}, '{area.name}'", found, remedy))
        return None
    return circle(centre.lon, centre.lat, area.radius_m, outside=role == "closure")


def _unknown_names(regulation: Regulation, terms: RegulationTerms) -> list[Finding]:
    names = {area.name for area in regulation.areas}
    listed = ", ".join(f"'{name}'" for name in sorted(names)[:20])
    return [
        Finding(regulation.where, f"there is no area or line '{name}' in it; there are {listed}.", "Correct the name.")
        for name in sorted((terms.closed | terms.left_out) - names)
    ]


def _names(areas: list[RegulationArea], name: str) -> list[str]:
    bare = [re.fullmatch(r"area \d+", area.name) is not None for area in areas]
    if not name:
        return [area.name for area in areas]
    several = sum(bare) > 1
    return [
        f"{name}, {area.name}" if unnamed and several else name if unnamed else area.name
        for area, unnamed in zip(areas, bare, strict=True)
    ]


def _as_warning(finding: Finding, remedy: str) -> Finding:
    return Finding(finding.where, finding.what, remedy, "warning")


def _preview_lines(regulation: Regulation) -> Iterator[str]:
    ways = {
        "connecting back": "closed: the text connects it back",
        "first repeated": "closed: its first point is repeated",
        "ended": "OPEN: the text does not connect it back",
        "circle": "circle",
    }
    for area in regulation.areas:
        reference = f", {area.reference}" if area.reference else ""
        yield f"{area.name}{reference} (from line {area.line}; {ways[area.closed]})"
        if area.radius_m is not None:
            yield f"  radius {area.radius_m:g} m around"
        for count, one in enumerate(area.positions, 1):
            read = "NOT READ" if one.problem else f"{format_position(one.lon, one.lat)}"
            yield f"  {count:>3}  {read}   line {one.line}: {one.text}"
    if regulation.unread:
        yield "NOT UNDERSTOOD:"
        yield from (f"  line {one.number}: {one.part}" for one in regulation.unread)
    doubts = [finding for area in regulation.areas for finding in ring_doubts(area, regulation.where)]
    if doubts or regulation.findings:
        yield "TO LOOK AT:"
        yield from (f"  {finding}" for finding in (*doubts, *regulation.findings))
    yield f"Accept all of this with the code {acceptance_code(regulation)}"
