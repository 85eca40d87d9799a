"""Candidates: places where a trip might work a depth line: own spots, forms of the bottom, stretches of line."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from shapely import LineString, Point
from shapely.geometry.base import BaseGeometry
from shapely.ops import substring

from layers.model import Area, FloatArray, Landform, Mark
from layers.units import format_quantity, parse_quantity
from spotmap.depthline import deep_on_left, merged_lines, stretch_near
from spotmap.model import Trip, Work
from spotmap.passes import SHORTEST_PASS_RADII

NOT_SPOTS = ("harbor", "launch", "place")
"""Kinds of marks that are no places to fish."""
LINE = "line"
DEPTH_OF_CHOICE = 1.5
"""Water so many times as deep as the gear asks for still holds it well (common practice, no source)."""
NO_LONGER = 3.0
"""Water so many times as deep as the gear asks for no longer does (common practice, no source)."""
_LINE_STEPS = {"ft": 10.0, "fm": 2.0, "m": 3.0}
_MOST_DEPTHS = 12
_MOST_FORMS = 120
_MOST_LINES = 400
_LINES_A_PLACE = 4
_LEAST_FIT = 0.05
_ROUNDING_M = 1e-6


@dataclass(frozen=True)
class Candidate:
    """A place that a trip might work.

    `kind` is the mark's, the form's, or "line". `near` is where work would be centred, local metres; `stretch` the
    depth line there, deep side on its left, at `line_m`; both None where no line of the ladder's depths runs within
    half a stretch. `source` says what it is, in words; `form` and `mark` are set where it is one.
    """

    name: str
    kind: str
    near: Point
    line_m: float | None
    stretch: LineString | None
    source: str
    form: Landform | None = None
    mark: Mark | None = None


def suits(depth_m: FloatArray, needed_m: float) -> FloatArray:
    """Return how well charted depths suit gear that asks for `needed_m`, 0 to 1.

    0 where it is shallower or unknown; 1 from there to 1.5 times as deep; from there falling evenly to 0 at 3 times.

    Examples
    --------
    >>> suits(np.array([9.0, 10.0, 15.0, 22.5, 40.0, np.nan]), 10.0).tolist()
    [0.0, 1.0, 1.0, 0.5, 0.0, 0.0]
    """
    share = depth_m / max(needed_m, _ROUNDING_M)
    falling = np.clip((NO_LONGER - share) / (NO_LONGER - DEPTH_OF_CHOICE), 0.0, 1.0)
    return np.where(share >= 1.0 - _ROUNDING_M, falling, 0.0)


def line_depths(needed_m: Sequence[float], works: Sequence[Work], unit: str) -> tuple[float, ...]:
    """Return the depths of the lines that are looked at, metres, in order.

    Those of the trip's own works, and every round depth (10 ft, 2 fm, 3 m) from the least that the ladder asks for to
    1.5 times the most, thinned evenly where there are more than a dozen.

    Parameters
    ----------
    needed_m
        The charted depth that the gear asks for at each step of its ladder, metres.
    works
        The trip's pieces of work.
    unit
        The unit that depths are shown in.

    Examples
    --------
    >>> [round(one, 2) for one in line_depths([10.0, 14.0], [], "m")]
    [12.0, 15.0, 18.0, 21.0]
    """
    step_m = _LINE_STEPS.get(unit, 3.0) * parse_quantity(f"1 {unit}", "length", "step")
    first = int(np.ceil(min(needed_m) / step_m - _ROUNDING_M))
    last = max(int(np.floor(DEPTH_OF_CHOICE * max(needed_m) / step_m + _ROUNDING_M)), first)
    every = np.unique(np.linspace(first, last, min(last - first + 1, _MOST_DEPTHS)).round())
    own = [depth for work in works for depth in (work.depth_line_m, work.return_line_m) if depth is not None]
    rounds = [one for one in (every * step_m).tolist() if all(abs(one - depth) > _ROUNDING_M for depth in own)]
    return tuple(sorted({*rounds, *own}))


def candidates(
    area: Area, trip: Trip, ladder: Sequence[tuple[float, float]], *, work: int = 0, radius_m: float
) -> tuple[Candidate, ...]:
    """Return the places that a trip might work, own spots first, then forms, then stretches of line.

    A spot or a form comes once for each of the four lines near it that are best in depth and nearness together.

    Parameters
    ----------
    area, trip
        The area, and the trip in it.
    ladder
        The charted depth that the gear asks for, metres, and for how many hours.
    work
        Whose length stretches have, from 0.
    radius_m
        The turning radius R, metres: lines shorter than a pass at it are passed over.

    Returns
    -------
    tuple of Candidate
        At most 120 forms, the most significant, and 400 stretches, those nearest home.
    """
    wanted_m = trip.works[work].length_m
    shortest_m = SHORTEST_PASS_RADII * radius_m
    lines = {
        depth_m: [line for line in merged_lines(area.depth.depth_line(depth_m)) if line.length >= shortest_m]
        for depth_m in line_depths([needed for needed, _ in ladder], trip.works, area.show.depth)
    }
    places = _Places(area, lines, ladder, wanted_m, shortest_m)
    marks = [mark for mark in area.marks if mark.kind.strip().casefold() not in NOT_SPOTS]
    forms = sorted(area.landforms, key=lambda form: -form.significance)[:_MOST_FORMS]
    found = [one for mark in marks for one in places.at(mark.name, mark.kind or "spot", mark.point, mark=mark)]
    found += [one for form in forms for one in places.at(form.name, form.kind, middle_of(form.shape), form=form)]
    pieces = sorted(_pieces(lines, wanted_m), key=lambda piece: piece[1].distance(trip.home))[:_MOST_LINES]
    return (*found, *(_stretch(area, trip, depth_m, piece) for depth_m, piece in pieces))


def middle_of(shape: BaseGeometry) -> Point:
    """Return a place that stands for a shape: the middle of its longest line, a place inside its largest polygon."""
    parts = shapely.get_parts(shape)
    if not len(parts):
        return Point()
    largest = max(parts, key=lambda part: (part.area, part.length))
    if "Line" in largest.geom_type:
        return largest.interpolate(0.5, normalized=True)
    return largest.representative_point()


@dataclass(frozen=True)
class _Places:
    """What a place's line is chosen from."""

    area: Area
    lines: dict[float, list[LineString]]
    ladder: Sequence[tuple[float, float]]
    wanted_m: float
    shortest_m: float

    def at(
        self, name: str, kind: str, near: Point, *, form: Landform | None = None, mark: Mark | None = None
    ) -> list[Candidate]:
        """Return the candidates at a place, one for each of its best lines; one without a line where there is none."""
        source = "own mark" if mark is not None else "form of the bottom, found in the depth data"
        merits = {depth_m: self._merit(depth_m, lines, near) for depth_m, lines in self.lines.items() if lines}
        best = [depth_m for depth_m in sorted(merits, key=lambda one: -merits[one]) if merits[depth_m] > 0.0]
        made = []
        for depth_m in best[:_LINES_A_PLACE]:
            found = stretch_near(self.area.depth, depth_m, near, self.wanted_m, shortest_m=self.shortest_m)
            if found is not None:
                made.append(Candidate(name, kind, near, depth_m, found.line, source, form, mark))
        return made or [Candidate(name, kind, near, None, None, source, form, mark)]

    def _merit(self, depth_m: float, lines: Sequence[LineString], near: Point) -> float:
        away_m = float(np.min(shapely.distance(np.asarray(lines), near)))
        hours = sum(hours for _, hours in self.ladder)
        fit = sum(float(suits(np.array([depth_m]), needed)[0]) * some for needed, some in self.ladder) / hours
        if away_m > self.wanted_m / 2.0:
            return 0.0
        # a line that suits no step may still be the only one: the table says so
        return (_LEAST_FIT + fit) * (1.0 - away_m / self.wanted_m)


def _pieces(lines: dict[float, list[LineString]], wanted_m: float) -> Iterator[tuple[float, LineString]]:
    for depth_m, some in lines.items():
        for line in some:
            count = max(round(line.length / wanted_m), 1)
            edges = np.linspace(0.0, line.length, count + 1)
            for begin, end in zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True):
                yield depth_m, substring(line, begin, end)


def _stretch(area: Area, trip: Trip, depth_m: float, piece: LineString) -> Candidate:
    near = piece.interpolate(0.5, normalized=True)
    depth = format_quantity(depth_m, area.show.depth)
    place, name = min(
        ((trip.home, "home"), *((mark.point, mark.name) for mark in area.marks)), key=lambda one: one[0].distance(near)
    )
    heading = float(np.arctan2(near.y - place.y, near.x - place.x))
    course = float(area.projection.true_course_deg(np.array([place.x]), np.array([place.y]), np.array([heading]))[0])
    away = format_quantity(float(place.distance(near)), area.show.distance)
    told = f"{depth} line {away} {round(course) % 360:03d}° from {name}"
    return Candidate(told, LINE, near, depth_m, deep_on_left(area.depth, piece), "stretch of depth line")
