"""The meaning of an area: plain frozen records, already in the area's local metric projection."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, time
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Literal, Protocol
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt
import shapely
from shapely import MultiLineString, MultiPolygon, Point
from shapely.geometry.base import BaseGeometry

from layers._errors import Finding
from layers.projection import LocalProjection

if TYPE_CHECKING:
    from layers.origins import OriginRecord

FloatArray = npt.NDArray[np.float64]
Bounds = tuple[float, float, float, float]
"""(west, south, east, north) in local metres."""

Role = Literal["depth", "land", "closure", "ground", "hazard", "lane", "caution", "mark", "landform", "tide", "current"]


@dataclass(frozen=True)
class Source:
    """Where a layer came from; `sha256` is the hash of the file's bytes, in hexadecimal.

    `parts` are the files that go with it (a Shapefile's attributes), each with its hash. `origins` is the official data
    that it was made from, `quality` what that says of its own quality.
    """

    role: Role
    file: str
    sha256: str
    as_of: date | None
    source: str
    parts: tuple[tuple[str, str], ...] = ()
    origins: tuple[OriginRecord, ...] = ()
    quality: str = ""


@dataclass(frozen=True)
class Season:
    """When a rule is active, in the area's local clock.

    `first` and `last` are inclusive: a pair of dates, or a pair of (month, day) that recurs each year and may
    run over the year's end. `weekdays` counts Monday as 0; empty means every day. `hours` is (begin, end); None
    means all day; an end before its begin runs past midnight and belongs to the day it began on.
    """

    first: date | tuple[int, int]
    last: date | tuple[int, int]
    weekdays: frozenset[int]
    hours: tuple[time, time] | None


@dataclass(frozen=True)
class Rule:
    """One closure or ground. `shape` is the area as the rule draws it; `margin_m` is the rule's own buffer.

    `feature` is the data's own identifier and `state` a hash of what it said, for decisions about it; `says` is what it
    said in words. All three are empty where a person drew it.
    """

    role: Literal["closure", "ground"]
    name: str
    shape: MultiPolygon
    forbids: Literal["fishing", "entry"] | None
    species: frozenset[str]
    methods: frozenset[str]
    season: Season
    margin_m: float
    reference: str
    source: Source
    feature: str = ""
    state: str = ""
    says: str = ""

    def concerns(self, species: str, method: str) -> bool:
        """Return whether the rule speaks of this species and this method (empty lists speak of all)."""
        return (not self.species or species.casefold() in self.species) and (
            not self.methods or method.casefold() in self.methods
        )


@dataclass(frozen=True)
class Hazard:
    """A thing to keep off; `margin_m` is None where the data gives none, `depth_m` the least depth over it if known."""

    name: str
    kind: str
    shape: BaseGeometry
    margin_m: float | None
    source: Source
    depth_m: float | None = None


@dataclass(frozen=True)
class Shore:
    """Land; `margin_m` is kept off it on top of the shore standoff, for the shore may lie elsewhere by so much."""

    shape: MultiPolygon
    margin_m: float


@dataclass(frozen=True)
class Caution:
    """Water, or a place in it, to take care in: nothing is kept off it, a plan points out where it goes there."""

    name: str
    kind: str
    note: str
    shape: BaseGeometry
    source: Source


@dataclass(frozen=True)
class Lane:
    """A traffic lane or ferry route; `avoid` says whether gear or all of the boat keeps out."""

    name: str
    kind: str
    shape: BaseGeometry
    margin_m: float | None
    avoid: Literal["pass", "all"]
    source: Source


@dataclass(frozen=True)
class Mark:
    """A named place; `told_by` and `dated` say who told of it and when, `identity` is its own in the spot book."""

    name: str
    kind: str
    note: str
    private: bool
    point: Point
    source: Source
    identity: str = ""
    told_by: str = ""
    dated: date | None = None


LandformKind = Literal["hump", "hole", "point", "pocket", "ledge", "drop-off", "saddle", "flat"]


@dataclass(frozen=True)
class Landform:
    """A form of the bottom, found in depth data at a scale.

    `height_m` is how far it stands out of what is around it, `slope_deg` its steepness, `length_m` its length along
    itself, `significance` its height over what the data is unsure of. A point and a pocket are lines, the bend of a
    depth line; a ledge and a drop-off are lines along their upper edge; the others are polygons.
    """

    name: str
    kind: LandformKind
    shape: BaseGeometry
    scale_m: float
    depth_min_m: float
    depth_max_m: float
    height_m: float
    slope_deg: float
    length_m: float
    significance: float
    source: Source | None = None


@dataclass(frozen=True)
class Show:
    """The units a person reads in: symbols of `layers.units`."""

    depth: str
    distance: str
    speed: str


@dataclass(frozen=True)
class Uncertainty:
    """How much shallower water may be than a layer says: metres, or what a band of a grid holds."""

    metres: float = 0.0
    band: int | None = None


CERTAIN = Uncertainty()


class Depth(Protocol):
    """What every form of depth answers, in local metres, depth positive down.

    Unknown is NaN at a point, and outside every polygon returned.
    """

    @property
    def bounds(self) -> Bounds:
        """Return the box that holds all known depth."""
        ...

    def depth_at(self, x: FloatArray, y: FloatArray) -> FloatArray:
        """Return the depth at points; arrays of one shape in and out; NaN where unknown."""
        ...

    def depth_line(self, depth_m: float, within: Bounds | None = None) -> MultiLineString:
        """Return the line at this depth, clipped to `within`; empty where there is none."""
        ...

    def deeper_than(self, depth_m: float, within: Bounds | None = None, cell_m: float | None = None) -> MultiPolygon:
        """Return the known water at least this deep, clipped to `within`.

        With `cell_m`, a fine grid may answer from cells of about that size, each taken at its shallowest and as
        unknown if any part of it is unknown: cheaper, and never more water than there is.
        """
        ...

    def known(self, within: Bounds | None = None, cell_m: float | None = None) -> MultiPolygon:
        """Return the water whose depth is known, clipped to `within`."""
        ...


@dataclass(frozen=True)
class Station:
    """A place where tide or current is told, local metres; `reach_m` is how far it speaks, None for all of the area."""

    name: str
    point: Point
    reach_m: float | None


class Tide(Protocol):
    """The height of the tide over the area's depth datum, at places in local metres and POSIX times in seconds."""

    @property
    def stations(self) -> tuple[Station, ...]:
        """Return the stations that it is told at."""
        ...

    @property
    def reach_s(self) -> tuple[float, float]:
        """Return the first and the last moment at which it is known; infinite where it is computed."""
        ...

    def height_at(self, x: FloatArray, y: FloatArray, time_s: FloatArray) -> FloatArray:
        """Return heights in metres, arrays broadcast; NaN where unknown."""
        ...

    def least_m(self, start_s: float, end_s: float) -> float:
        """Return a height that the tide does not fall below anywhere from start to end; NaN where unknown."""
        ...

    def known(self, within: Bounds) -> MultiPolygon:
        """Return the water in which it is known throughout `reach_s`, clipped to `within`."""
        ...


class Current(Protocol):
    """The current as a vector in local metres per second, at places in local metres and POSIX times in seconds."""

    @property
    def stations(self) -> tuple[Station, ...]:
        """Return the stations that it is told at; empty for a grid."""
        ...

    @property
    def reach_s(self) -> tuple[float, float]:
        """Return the first and the last moment at which it is known; infinite where it is computed."""
        ...

    def flow_at(self, x: FloatArray, y: FloatArray, time_s: FloatArray) -> FloatArray:
        """Return where the water goes, (..., 2) in the local axes, arrays broadcast; NaN where unknown."""
        ...

    def known(self, within: Bounds | None = None) -> MultiPolygon:
        """Return the water in which it is known throughout `reach_s`, clipped to `within`."""
        ...


@dataclass(frozen=True)
class Area:
    """An area, loaded and checked. Everything geometric is in `projection`'s metres.

    `depth` is as charted; `surest_depth` the same less its uncertainty, None where it states none: what is asked to be
    deep enough is asked of `safe_depth`. `land` is all land, `shores` those parts that ask for a margin of their own.
    """

    name: str
    invented: bool
    timezone: ZoneInfo
    depth_datum: str
    show: Show
    folder: Path
    projection: LocalProjection
    depth: Depth
    land: MultiPolygon
    closures: tuple[Rule, ...]
    grounds: tuple[Rule, ...]
    has_grounds: bool
    hazards: tuple[Hazard, ...]
    lanes: tuple[Lane, ...]
    marks: tuple[Mark, ...]
    sources: tuple[Source, ...]
    warnings: tuple[Finding, ...]
    tide: Tide | None = None
    current: Current | None = None
    surest_depth: Depth | None = None
    shores: tuple[Shore, ...] = ()
    cautions: tuple[Caution, ...] = ()
    landforms: tuple[Landform, ...] = ()

    @property
    def safe_depth(self) -> Depth:
        """Return the depth less its uncertainty."""
        return self.depth if self.surest_depth is None else self.surest_depth

    @cached_property
    def hazard_boxes(self) -> FloatArray:
        """Return (west, south, east, north) of every hazard, (n, 4): a chart has thousands."""
        return np.asarray(shapely.bounds([hazard.shape for hazard in self.hazards])).reshape(-1, 4)
