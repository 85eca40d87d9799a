"""Passes: a stretch of depth line made into a track for boat and gear, cut to what is possible, in words."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import shapely
import shapely.ops
from shapely import LineString, MultiPolygon
from shapely.geometry.base import BaseGeometry

from layers.depth import steps_within
from layers.model import Depth
from spotmap import polyline
from spotmap.depthline import Stretch
from spotmap.model import FloatArray, OffLine
from spotmap.polyline import along_m, evenly_spaced
from spotmap.steerable import steerable_line
from spotmap.water import GearWater

ON_THE_LINE_M = 5.0
"""A pass counts as on its depth line within this distance."""
_MOST_SLACK_M = 15.0
_RADIUS_ROUNDING = 0.999
_EDGE_M, _STEP_M = 0.2, 0.1
_LOOK_M = 2.0
_WORTH_TELLING_M = 1.0
SHORTEST_PASS_RADII = 3.0
"""A pass shorter than this many turning radii is all turn."""


@dataclass(frozen=True)
class Cut:
    """A length of the wanted stretch that cannot be worked, and why: the weightiest reason first."""

    length_m: float
    reasons: tuple[str, ...]


def summed(cuts: Iterable[Cut]) -> tuple[Cut, ...]:
    """Return cuts with the lengths of those that have the same reasons added up, the longest first."""
    lengths: dict[tuple[str, ...], float] = {}
    for cut in cuts:
        lengths[cut.reasons] = lengths.get(cut.reasons, 0.0) + cut.length_m
    told = [Cut(length_m, reasons) for reasons, length_m in lengths.items() if length_m >= _WORTH_TELLING_M]
    return tuple(sorted(told, key=lambda cut: -cut.length_m))


@dataclass(frozen=True)
class PassLine:
    """A track that boat and gear can follow along a depth line, deep side on its left. `xy` is (n, 2).

    `depth_line` is what it should be on: a line or, for a weave, the band between two.
    """

    xy: FloatArray
    depth_line: BaseGeometry
    depth_line_m: float
    cuts: tuple[Cut, ...]

    @property
    def length_m(self) -> float:
        """Return the length of the track, metres."""
        return polyline.length_m(self.xy)


@dataclass(frozen=True)
class NoPass:
    """Why nothing of a stretch is left, the weightiest reason first, and how much could be kept, metres."""

    reasons: tuple[str, ...]
    longest_m: float


def fit_pass(stretch: Stretch, radius_m: float, water: GearWater, *, bend_m: float = 0.0) -> PassLine | NoPass:
    """Return the longest part of a stretch that can be worked.

    Parameters
    ----------
    stretch
        The wanted stretch of depth line.
    radius_m
        The turning radius R, metres.
    water
        Where gear may be, and why not elsewhere.
    bend_m
        The least radius over the ground, metres, where a current asks for more than R: a bend that is run with the
        current is sharper through the water.

    Returns
    -------
    PassLine or NoPass
        The pass, inside the water, nowhere tighter than R or `bend_m`, with what was cut; or why there is none.
    """
    shortest_m = SHORTEST_PASS_RADII * radius_m
    kept, dropped = _longest_part(stretch.line, _near(water, radius_m))
    cuts = [Cut(float(piece.length), water.why_not(piece)) for piece in dropped]
    if stretch.line.length < shortest_m:
        return NoPass((f"a stretch of {stretch.line.length:.0f} m is all turn at a radius of {radius_m:.0f} m",), 0.0)
    if kept is None or kept.length < shortest_m:
        return _no_pass(cuts, 0.0 if kept is None else float(kept.length))
    bend_m = max(bend_m, radius_m)
    track = steerable_line(kept, bend_m, deep_on_left=True, water=water.allowed)
    bends = track.radius_m >= bend_m * _RADIUS_ROUNDING
    near = np.abs(track.off_m) <= max(bend_m / 2.0, ON_THE_LINE_M)
    good = _good_segments(track.xy, bends & near, water.allowed)
    first, last = _longest_run(track.xy, good)
    cuts += [_cut_of_track(piece, stretch.line, bend_m, water) for piece in _outside(track.xy, first, last)]
    xy = track.xy[first : last + 1]
    length_m = float(LineString(xy).length) if last > first else 0.0
    if length_m < shortest_m:
        return _no_pass(cuts, length_m)
    return PassLine(xy, stretch.line, stretch.depth_m, tuple(cuts))


def most_workable_m(stretch: Stretch, radius_m: float, water: GearWater) -> float:
    """Return the length, metres, that no pass on this stretch can exceed: cheap to tell, before bends and turns."""
    kept, _ = _longest_part(stretch.line, _near(water, radius_m))
    return 0.0 if kept is None else float(kept.length)


def _near(water: GearWater, radius_m: float) -> MultiPolygon:
    # what lies this little outside the water can be eased round
    return water.allowed.buffer(min(radius_m / 2.0, _MOST_SLACK_M))


def _charted(xy: FloatArray, depth: Depth) -> FloatArray:
    """Return the depth at places (n, 2); where it steps within centimetres, as at the edge of an area, the shallower.

    A line along such an edge has either depth, by the rounding of its coordinates.
    """
    under = depth.depth_at(xy[:, 0], xy[:, 1])
    (west, south), (east, north) = xy.min(axis=0), xy.max(axis=0)
    if not steps_within(depth, (west, south, east, north)):
        return under
    aside = _EDGE_M * np.array([[1, 0], [-1, 0], [0, 1], [0, -1]], dtype=np.float64)
    beside = np.fmin.reduce([depth.depth_at(*(xy + one).T) for one in aside], axis=0)
    return np.asarray(np.where(under - beside > _STEP_M, beside, under))


def off_line(line: PassLine, depth: Depth) -> OffLine:
    """Return how far a pass runs off its depth line and the charted depth under it, by length along the pass."""
    xy = evenly_spaced(line.xy, _LOOK_M)
    off = shapely.distance(shapely.points(xy), line.depth_line)
    under = _charted(xy, depth)
    return OffLine(
        median_m=float(np.median(off)),
        p95_m=float(np.quantile(off, 0.95)),
        worst_m=float(off.max()),
        depth_mean_m=float(under.mean()),
        depth_min_m=float(under.min()),
        depth_max_m=float(under.max()),
    )


def trimmed(line: PassLine, from_start_m: float, from_end_m: float) -> PassLine:
    """Return a pass shortened at its ends, at the vertices nearest the wanted places.

    Cut within a chord, a track would begin with the chord's direction where the curve has turned on by half its angle.
    """
    along = along_m(line.xy)
    begin = int(np.abs(along - from_start_m).argmin())
    end = int(np.abs(along - (along[-1] - from_end_m)).argmin())
    return replace(line, xy=line.xy[begin : max(end, begin + 1) + 1])


def _no_pass(cuts: list[Cut], longest_m: float) -> NoPass:
    weight: dict[str, float] = {}
    for cut in cuts:
        for rank, reason in enumerate(cut.reasons):
            weight[reason] = weight.get(reason, 0.0) + cut.length_m / (rank + 1)
    return NoPass(tuple(sorted(weight, key=lambda reason: -weight[reason])), longest_m)


def _longest_part(line: LineString, water: MultiPolygon) -> tuple[LineString | None, list[LineString]]:
    inside = [part for part in shapely.get_parts(shapely.line_merge(line.intersection(water))) if part.length > 0.0]
    if not inside:
        return None, [line]
    longest = max(inside, key=lambda part: part.length)
    if line.project(shapely.get_point(longest, 0)) > line.project(shapely.get_point(longest, -1)):
        longest = longest.reverse()
    begin, end = line.project(shapely.get_point(longest, 0)), line.project(shapely.get_point(longest, -1))
    dropped = [shapely.ops.substring(line, 0.0, begin), shapely.ops.substring(line, end, line.length)]
    return longest, [piece for piece in dropped if piece.length > 0.0]


def _good_segments(xy: FloatArray, vertices: npt.NDArray[np.bool_], water: MultiPolygon) -> npt.NDArray[np.bool_]:
    segments = shapely.linestrings(np.stack([xy[:-1], xy[1:]], axis=1))
    shapely.prepare(water)
    good: npt.NDArray[np.bool_] = vertices[:-1] & vertices[1:] & shapely.covers(water, segments)
    return good


def _longest_run(xy: FloatArray, good: npt.NDArray[np.bool_]) -> tuple[int, int]:
    """Return the first and last vertex of the longest run of good segments; the same vertex twice if none is."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], good, [False]]).astype(int)))
    starts, ends = edges[::2], edges[1::2]
    if not len(starts):
        return 0, 0
    along = along_m(xy)
    best = int(np.argmax(along[ends] - along[starts]))
    return int(starts[best]), int(ends[best])


def _outside(xy: FloatArray, first: int, last: int) -> list[LineString]:
    if last == first:
        return [LineString(xy)]
    pieces = [xy[: first + 1], xy[last:]]
    return [LineString(piece) for piece in pieces if len(piece) > 1]


def _cut_of_track(piece: LineString, line: LineString, radius_m: float, water: GearWater) -> Cut:
    """Explain a cut by what forbids the track or, where nothing does, the line beside it; else the bend itself."""
    begin, end = sorted((line.project(shapely.get_point(piece, 0)), line.project(shapely.get_point(piece, -1))))
    beside = shapely.ops.substring(line, begin, end)
    reasons = water.why_not(piece) or (water.why_not(beside) if beside.length else ())
    return Cut(
        float(piece.length),
        reasons or (f"the line bends too tightly for a turning radius of {radius_m:.0f} m",),
    )
