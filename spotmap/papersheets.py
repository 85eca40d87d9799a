"""Sheets of paper at true scale: the scale that a plan fits at, how many sheets it takes, where a place lies on one."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING, Literal

import numpy as np
import shapely
from pyproj import Proj

from layers.projection import LocalProjection

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    import numpy.typing as npt
    from shapely.geometry.base import BaseGeometry

    from layers.model import Bounds, FloatArray
    from spotmap.model import Plan

Paper = Literal["Letter", "A4"]
Orientation = Literal["portrait", "landscape"]
SCALES = tuple(round(1000 * thousands) for thousands in (10, 12.5, 15, 20, 25, 30, 40, 50, 60, 75, 80, 100))
POINTS_PER_MM = 72.0 / 25.4
OVERLAP_MM = 20.0
"""Neighbouring sheets share at least this much."""
MARGIN_PT, FOOT_PT = 28.0, 36.0
HEAD_PT, KEY_PT = 42.0, 98.0
"""The height of the title above the chart, and of scale bars and legend below it."""
SIDE_PT, EDGE_PT = 26.0, 11.0
"""The room that degrees and minutes take beside the chart, and above and below it."""
_SIZES_PT = {"Letter": (612.0, 792.0), "A4": (210.0 * POINTS_PER_MM, 297.0 * POINTS_PER_MM)}
_CLEAR_PT = 14.0
"""What a sheet must show keeps this far from the frame."""
_LEAST_MM, _WORTH_FINER = 25.0, 2.0
"""A piece of work smaller than this on paper has a sheet of its own, if that is so many times finer."""
_EDGE_SAMPLES = 9


@dataclass(frozen=True)
class Frame:
    """A sheet of paper and the chart's rectangle on it; points from the lower left corner."""

    paper: Paper
    orientation: Orientation

    @property
    def size(self) -> tuple[float, float]:
        """Return the sheet's width and height."""
        short, long = _SIZES_PT[self.paper]
        return (short, long) if self.orientation == "portrait" else (long, short)

    @property
    def chart(self) -> Bounds:
        """Return the chart's left, bottom, right and top."""
        width, height = self.size
        side = MARGIN_PT + SIDE_PT
        return side, FOOT_PT + KEY_PT + EDGE_PT, width - side, height - MARGIN_PT - HEAD_PT - EDGE_PT

    @property
    def room(self) -> tuple[float, float]:
        """Return the width and height that what must be shown may take."""
        left, bottom, right, top = self.chart
        return right - left - 2 * _CLEAR_PT, top - bottom - 2 * _CLEAR_PT


@dataclass(frozen=True)
class ChartSheet:
    """One chart on one sheet: `scale` is 25,000 for 1:25,000, the centre in WGS 84 degrees.

    A `part` is one of several sheets that share one scale, a `detail` shows a piece of work at a finer scale than the
    `whole`.
    """

    scale: int
    frame: Frame
    lon0_deg: float
    lat0_deg: float
    projection: LocalProjection
    kind: Literal["whole", "part", "detail"] = "whole"
    number: int = 1
    count: int = 1

    @property
    def points_per_m(self) -> float:
        """Return how many points on paper a metre takes."""
        return 1000.0 * POINTS_PER_MM / self.scale

    def to_page(self, x: npt.ArrayLike, y: npt.ArrayLike) -> tuple[FloatArray, FloatArray]:
        """Return where places lie on the sheet.

        Parameters
        ----------
        x, y
            The area's local metres, arrays of one shape.

        Returns
        -------
        tuple of arrays
            Points from the sheet's lower left corner, through a transverse Mercator with scale 1 on the meridian
            through the chart's middle: 10 km off it, lengths are 1.2 parts in a million too long.
        """
        return self.place(*self.projection.to_geographic(x, y))

    def place(self, lon: npt.ArrayLike, lat: npt.ArrayLike) -> tuple[FloatArray, FloatArray]:
        """Return where WGS 84 positions lie on the sheet, in points."""
        east, north = self._mercator(np.asarray(lon, dtype=np.float64), np.asarray(lat, dtype=np.float64))
        left, bottom, right, top = self.frame.chart
        return (
            (left + right) / 2 + self.points_per_m * np.asarray(east),
            (bottom + top) / 2 + self.points_per_m * np.asarray(north),
        )

    def position(self, across: npt.ArrayLike, up: npt.ArrayLike) -> tuple[FloatArray, FloatArray]:
        """Return the WGS 84 positions of points on the sheet; longitudes go on past 180° beside the sheet's middle."""
        left, bottom, right, top = self.frame.chart
        east = (np.asarray(across, dtype=np.float64) - (left + right) / 2) / self.points_per_m
        north = (np.asarray(up, dtype=np.float64) - (bottom + top) / 2) / self.points_per_m
        lon, lat = self._mercator(east, north, inverse=True)
        return self.lon0_deg + (np.asarray(lon) - self.lon0_deg + 180.0) % 360.0 - 180.0, np.asarray(lat)

    def drawn(self, shape: BaseGeometry) -> BaseGeometry:
        """Return a shape in local metres as it lies on the sheet, in points."""
        return shapely.transform(shape, lambda xy: np.column_stack(self.to_page(xy[:, 0], xy[:, 1])))

    @cached_property
    def reach(self) -> Bounds:
        """Return the box in the area's local metres that holds all of the chart."""
        left, bottom, right, top = self.frame.chart
        share = np.linspace(0.0, 1.0, _EDGE_SAMPLES)
        across = np.concatenate(
            [left + share * (right - left)] * 2 + [np.full(_EDGE_SAMPLES, side) for side in (left, right)]
        )
        up = np.concatenate(
            [np.full(_EDGE_SAMPLES, side) for side in (bottom, top)] + [bottom + share * (top - bottom)] * 2
        )
        x, y = self.projection.to_local(*self.position(across, up))
        return float(x.min()), float(y.min()), float(x.max()), float(y.max())

    @cached_property
    def _mercator(self) -> Proj:
        return Proj(
            f"+proj=tmerc +lat_0={self.lat0_deg!r} +lon_0={self.lon0_deg!r} +k_0=1 +x_0=0 +y_0=0"
            " +datum=WGS84 +units=m +no_defs"
        )


def choose_sheets(plan: Plan, paper: Paper) -> tuple[ChartSheet, ...]:
    """Return the sheets that show all of a plan.

    Parameters
    ----------
    plan
        A plan with at least one leg; its home is shown too.
    paper
        "Letter" or "A4".

    Returns
    -------
    tuple of ChartSheet
        One sheet at the largest standard scale that all fits at, upright or lying by the plan's shape. Where not even
        1:100,000 does, several at that scale, in the order that the boat comes to them, each sharing at least 20 mm
        with the next. After them, each piece of work that would be smaller than 25 mm has a sheet of its own.
    """
    projection = plan.area.projection
    tracks = [leg.leg.xy for leg in plan.legs]
    home = [] if plan.trip.home.is_empty else [np.array([[plan.trip.home.x, plan.trip.home.y]])]
    shown = np.concatenate([*home, *tracks])
    whole = _one_sheet(projection, shown, paper)
    sheets = [whole] if whole is not None else list(_parts(projection, shown, paper))
    sheets += _details(plan, paper, sheets[0].scale)
    return tuple(replace(sheet, number=number, count=len(sheets)) for number, sheet in enumerate(sheets, 1))


def _one_sheet(projection: LocalProjection, xy: FloatArray, paper: Paper) -> ChartSheet | None:
    """Return the sheet of the largest scale that shows points, None where no standard scale does."""
    lon0_deg, lat0_deg, width_m, height_m = _extent(projection, xy)
    ways: tuple[Orientation, ...] = ("portrait", "landscape") if height_m >= width_m else ("landscape", "portrait")
    for scale in SCALES:
        for way in ways:
            sheet = ChartSheet(scale, Frame(paper, way), lon0_deg, lat0_deg, projection)
            wide, high = sheet.frame.room
            if width_m * sheet.points_per_m <= wide and height_m * sheet.points_per_m <= high:
                return sheet
    return None


def _extent(projection: LocalProjection, xy: FloatArray) -> tuple[float, float, float, float]:
    """Return the middle of points, longitude and latitude, and how wide and high they lie round it, in metres."""
    middle = (xy.min(axis=0) + xy.max(axis=0)) / 2
    for _ in range(2):  # the first middle is in the area's axes, the second in those of the sheet
        lon, lat = projection.to_geographic(*middle)
        about = ChartSheet(1000, Frame("A4", "portrait"), float(lon), float(lat), projection)
        drawn = np.column_stack(about.to_page(xy[:, 0], xy[:, 1]))
        low, high = drawn.min(axis=0), drawn.max(axis=0)
        middle = np.column_stack(projection.to_local(*about.position(*((low + high) / 2))))[0]
    lon, lat = projection.to_geographic(*middle)
    width_m, height_m = (high - low) / about.points_per_m
    return float(lon), float(lat), float(width_m), float(height_m)


def _parts(projection: LocalProjection, xy: FloatArray, paper: Paper) -> Iterator[ChartSheet]:
    """Yield sheets of the smallest scale side by side, those with something on them, as the points come to them."""
    lon0_deg, lat0_deg, width_m, height_m = _extent(projection, xy)
    laid = [_laid(Frame(paper, way), (width_m, height_m)) for way in ("portrait", "landscape")]
    frame, (columns, rows) = min(laid, key=lambda one: one[1][0] * one[1][1])
    about = ChartSheet(SCALES[-1], frame, lon0_deg, lat0_deg, projection, "part")
    left, bottom, right, top = frame.chart
    step = _steps(frame)
    sheets: list[tuple[int, ChartSheet]] = []
    for column in range(columns):
        for row in range(rows):
            across = (left + right) / 2 + (column - (columns - 1) / 2) * step[0]
            up = (bottom + top) / 2 + (row - (rows - 1) / 2) * step[1]
            lon, lat = about.position(across, up)
            sheet = replace(about, lon0_deg=float(lon), lat0_deg=float(lat))
            there = np.flatnonzero(_inside(sheet, xy))
            if there.size:
                sheets.append((int(there[0]), sheet))
    yield from (sheet for _, sheet in sorted(sheets, key=lambda one: one[0]))


def _steps(frame: Frame) -> tuple[float, float]:
    wide, high = frame.room
    return wide - OVERLAP_MM * POINTS_PER_MM, high - OVERLAP_MM * POINTS_PER_MM


def _laid(frame: Frame, size_m: tuple[float, float]) -> tuple[Frame, tuple[int, int]]:
    """Return how many sheets side by side and one above the other cover a size at the smallest scale."""
    points_per_m = 1000.0 * POINTS_PER_MM / SCALES[-1]
    over = OVERLAP_MM * POINTS_PER_MM
    across, up = (
        max(1, int(np.ceil((metres * points_per_m - over) / step)))
        for metres, step in zip(size_m, _steps(frame), strict=True)
    )
    return frame, (across, up)


def _inside(sheet: ChartSheet, xy: FloatArray) -> npt.NDArray[np.bool_]:
    left, bottom, right, top = sheet.frame.chart
    across, up = sheet.to_page(xy[:, 0], xy[:, 1])
    return np.asarray((across >= left) & (across <= right) & (up >= bottom) & (up <= top))


def _details(plan: Plan, paper: Paper, scale: int) -> list[ChartSheet]:
    found: list[ChartSheet] = []
    for index in range(len(plan.trip.works)):
        down = [leg.leg.xy for leg in plan.legs if leg.leg.work == index and leg.leg.kind != "run"]
        if not down:
            continue
        xy = np.concatenate(down)
        longest_mm = 1000.0 * max(np.ptp(xy, axis=0)) / scale
        sheet = _one_sheet(plan.area.projection, xy, paper) if longest_mm < _LEAST_MM else None
        if sheet is None or sheet.scale * _WORTH_FINER > scale or _shown_on(found, xy):
            continue
        found.append(replace(sheet, kind="detail"))
    return found


def _shown_on(sheets: Sequence[ChartSheet], xy: FloatArray) -> bool:
    return any(bool(_inside(sheet, xy).all()) for sheet in sheets)
