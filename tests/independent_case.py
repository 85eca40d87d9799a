"""What the independent check reads: plan, trip and area, in a plane of its own.

Nothing here imports `spotmap` or `layers`. The plane is a transverse Mercator centred on the legs; edges
are straight in the coordinates of their own file. Attribute names that files.md does not fix: depth areas
carry DRVAL1, as charts do; contours and soundings carry `depth`.
"""

from __future__ import annotations

import json
import math
import re
import tomllib
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from functools import cached_property
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

import contourpy
import geopandas
import numpy as np
import rasterio
import rasterio.windows
import shapely
from pyproj import CRS, Transformer
from scipy.spatial import Delaunay

from tests.independent_units import LENGTH, quantity
from tests.independent_water import Currents, Tides

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

KEEP_M = 0.1  # allowed below a standoff: two projections and seven decimals of a degree

CLOCKED = ("clock_s", "current_east_mps", "current_north_mps")
WEEKDAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")


class Frame:
    """A transverse Mercator plane of scale 1 along the meridian through the middle of the legs."""

    def __init__(self, lonlat: np.ndarray) -> None:
        lon, lat = np.radians(lonlat.T)
        x, y, z = np.mean([np.cos(lat) * np.cos(lon), np.cos(lat) * np.sin(lon), np.sin(lat)], axis=1)
        lon0, lat0 = math.degrees(math.atan2(y, x)), math.degrees(math.atan2(z, math.hypot(x, y)))
        self._plane = CRS.from_proj4(f"+proj=tmerc +lat_0={lat0:.6f} +lon_0={lon0:.6f} +k=1 +datum=WGS84 +units=m")
        self._into: dict[str, Transformer] = {}

    def points(self, xy: np.ndarray, crs: object = "OGC:CRS84") -> np.ndarray:
        transformer = self._transformer(crs)
        return np.column_stack(transformer.transform(*np.asarray(xy, float).T[:2]))

    def back(self, xy: np.ndarray, crs: object) -> np.ndarray:
        transformer = self._transformer(crs)
        return np.column_stack(transformer.transform(*np.asarray(xy, float).T[:2], direction="INVERSE"))

    def from_true(self, xy: np.ndarray, east_north: np.ndarray) -> np.ndarray:
        """Turn vectors to true east and north at places into the plane's own axes."""
        lonlat = self.back(xy, "OGC:CRS84")
        north = self.points(np.add(lonlat, (0, 1e-5))) - self.points(np.subtract(lonlat, (0, 1e-5)))
        north /= np.hypot(*north.T)[:, None]
        east = np.column_stack([north[:, 1], -north[:, 0]])
        return east_north[:, :1] * east + east_north[:, 1:] * north

    def shape(self, shapes: object, crs: object) -> np.ndarray:
        """Project shapes whose edges are straight in their own coordinates."""
        flat = horizontal(crs)
        step = 0.0005 if flat.is_geographic else 100.0
        dense = shapely.segmentize(shapely.force_2d(shapes), step)
        return shapely.make_valid(shapely.transform(dense, lambda xy: self.points(xy, crs)))

    def _transformer(self, crs: object) -> Transformer:
        # a name is its own key: to write a whole CRS out takes longer than to use it
        key = crs if isinstance(crs, str) else horizontal(crs).to_wkt()
        if key not in self._into:
            self._into[key] = Transformer.from_crs(horizontal(crs), self._plane, always_xy=True)
        return self._into[key]


def horizontal(crs: object) -> CRS:
    """Return the horizontal part of a CRS."""
    whole = CRS.from_user_input(crs)
    return whole.sub_crs_list[0] if whole.is_compound else whole


@dataclass
class Leg:
    """One leg in the plane: its vertices, and a dense line along its edges, straight in lon and lat.

    Where water moves and the plan says so, `clock` is the time of each vertex in seconds after the start,
    `dense_clock` that of each dense point and `flow` the current that the plan counts on at each vertex, towards true
    east and north; `amiss` says what is wrong with these. None where the leg is timed by its length.
    """

    seq: int
    kind: str
    start: datetime
    end: datetime
    props: dict[str, Any]
    vertices: np.ndarray
    dense: np.ndarray
    clock: np.ndarray | None = None
    dense_clock: np.ndarray | None = None
    flow: np.ndarray | None = None
    drift: np.ndarray | None = None
    amiss: str = ""

    @cached_property
    def along(self) -> np.ndarray:
        return np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(self.dense, axis=0).T))])

    @cached_property
    def seconds(self) -> np.ndarray:
        """Time of each dense point in seconds after the start of the leg."""
        if self.dense_clock is not None:
            return self.dense_clock
        length = self.along[-1]
        return self.along / length * (self.end - self.start).total_seconds() if length else self.along

    @cached_property
    def through_water(self) -> np.ndarray:
        """Return the vertices less what the current has carried the boat since the start of the leg."""
        return self.vertices if self.drift is None else self.vertices - self.drift

    @cached_property
    def water_m(self) -> float:
        """Return the length of the way through the water."""
        if self.drift is None:
            return float(self.along[-1])
        return float(np.hypot(*np.diff(self.through_water, axis=0).T).sum())

    @cached_property
    def seconds_at_vertices(self) -> np.ndarray:
        if self.clock is not None:
            return self.clock
        along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(self.vertices, axis=0).T))])
        return along / along[-1] * (self.end - self.start).total_seconds()

    def place_at(self, seconds: np.ndarray | float) -> np.ndarray:
        return np.stack([np.interp(seconds, self.seconds, self.dense[:, k]) for k in (0, 1)], axis=-1)

    @cached_property
    def even(self) -> np.ndarray:
        """Return points every metre or so along the leg."""
        at = np.linspace(0, self.along[-1], max(2, int(self.along[-1])))
        return np.column_stack([np.interp(at, self.along, self.dense[:, k]) for k in (0, 1)])

    @cached_property
    def line(self) -> shapely.LineString:
        return shapely.linestrings(self.dense)

    @cached_property
    def segments(self) -> np.ndarray:
        return shapely.linestrings(np.stack([self.dense[:-1], self.dense[1:]], axis=1))

    @property
    def gear_down(self) -> bool:
        return self.kind in ("pass", "turn")

    def name(self) -> str:
        return f"leg {self.seq} ({self.kind})"


def read_leg(feature: dict[str, Any], frame: Frame, *, moving: bool) -> Leg:
    props = feature["properties"]
    amiss, clock, flow = "", None, None
    if moving and "clock_s" in props:
        try:
            lonlat, columns = line_with(feature["geometry"], [props[key] for key in CLOCKED if key in props])
        except ValueError as error:
            amiss, lonlat = str(error), line_coordinates(feature["geometry"])
        else:
            clock = columns[0]
            flow = np.column_stack(columns[1:]) if len(columns) == len(CLOCKED) else np.zeros((len(clock), 2))
    else:
        lonlat = line_coordinates(feature["geometry"])
    vertices = frame.points(lonlat)
    steps = np.hypot(*np.diff(vertices, axis=0).T)
    pieces = np.maximum(1, np.ceil(steps / 4.0)).astype(int)
    share = np.concatenate([np.arange(n) / n for n in pieces] + [[0.0]])
    index = np.append(np.repeat(np.arange(len(pieces)), pieces), len(pieces) - 1)
    dense = lonlat[index] + share[:, None] * (lonlat[index + 1] - lonlat[index])
    dense[-1] = lonlat[-1]
    start, end = (datetime.fromisoformat(props[key]) for key in ("start", "end"))
    if start.tzinfo is None or end.tzinfo is None:
        raise ValueError(f"leg {props['seq']}: times have no offset")
    leg = Leg(props["seq"], props["kind"], start, end, props, vertices, frame.points(dense), amiss=amiss)
    if clock is not None and flow is not None:
        leg.clock, leg.flow = clock, flow
        leg.dense_clock = np.append((clock[index] + share * (clock[index + 1] - clock[index]))[:-1], clock[-1])
        met = frame.from_true(vertices, flow)
        carried = (met[1:] + met[:-1]) / 2 * np.diff(clock)[:, None]
        leg.drift = np.concatenate([np.zeros((1, 2)), np.cumsum(carried, axis=0)])
    return leg


def line_coordinates(geometry: dict[str, Any]) -> np.ndarray:
    """Join the parts of a line that was cut at the 180th meridian."""
    parts = geometry["coordinates"] if geometry["type"] == "MultiLineString" else [geometry["coordinates"]]
    lonlat = np.array([c[:2] for part in parts for c in part], float)
    lonlat[:, 0] = np.unwrap(lonlat[:, 0], period=360)
    keep = np.append(True, np.any(np.abs(np.diff(lonlat, axis=0)) > 1e-9, axis=1))
    return lonlat[keep]


def line_with(geometry: dict[str, Any], columns: list[list[float]]) -> tuple[np.ndarray, list[np.ndarray]]:
    """Return a line's vertices and what is told of each.

    A cut at the 180th meridian adds two vertices that are one place; what is told may count both, one or neither.
    """
    parts = geometry["coordinates"] if geometry["type"] == "MultiLineString" else [geometry["coordinates"]]
    lonlat = np.array([c[:2] for part in parts for c in part], float)
    lonlat[:, 0] = np.unwrap(lonlat[:, 0], period=360)
    last = np.cumsum([len(part) for part in parts])[:-1]
    told = {len(column) for column in columns}
    for cut in (np.array([], int), last, np.concatenate([last - 1, last])):
        kept = np.delete(lonlat, cut, axis=0)
        if told == {len(kept)}:
            return kept, [np.array(column, float) for column in columns]
    raise ValueError(f"{sorted(told)} values for {len(lonlat)} vertices")


@dataclass
class Rule:
    """A closure or a ground in the plane, with when and for whom it holds."""

    name: str
    shape: Any
    forbids: str
    margin_m: float
    from_: str
    until: str
    days: tuple[str, ...]
    hours: str
    applies: bool

    def active(self, local: datetime) -> bool:
        """Tell whether the rule holds; hours over midnight belong to the day on which they begin."""
        if not self.applies:
            return False
        day = local.date()
        if self.hours:
            first, last = (int(h) * 60 + int(m) for h, m in re.findall(r"(\d\d):(\d\d)", self.hours))
            minute = local.hour * 60 + local.minute
            if first < last and not first <= minute < last:
                return False
            if first > last and last <= minute < first:
                return False
            if first > last and minute < last:
                day -= timedelta(days=1)
        return (not self.days or WEEKDAYS[day.weekday()] in self.days) and self._in_season(day)

    def _in_season(self, day: date) -> bool:
        if not self.from_ and not self.until:
            return True
        if len(self.from_) == len(self.until) == len("MM-DD"):
            today = f"{day:%m-%d}"
            if self.from_ <= self.until:
                return self.from_ <= today <= self.until
            return today >= self.from_ or today <= self.until
        if {len(self.from_), len(self.until)} <= {0, len("YYYY-MM-DD")}:
            return (not self.from_ or self.from_ <= str(day)) and (not self.until or str(day) <= self.until)
        raise ValueError(f"{self.name}: season {self.from_!r} to {self.until!r}")


class Case:
    """Everything that is checked, read once."""

    def __init__(self, plan_folder: Path, trip_file: Path) -> None:
        self.trip = tomllib.loads(trip_file.read_text(encoding="utf-8"))
        self.folder = (trip_file.parent / self.trip["area"]).resolve()
        self.area = tomllib.loads((self.folder / "area.toml").read_text(encoding="utf-8"))
        self.zone = ZoneInfo(self.area["timezone"])
        plan = json.loads((plan_folder / "plan.geojson").read_text(encoding="utf-8"))
        self.head: dict[str, Any] = plan["spotmap"]
        self.features: list[dict[str, Any]] = plan["features"]
        raw = [f for f in self.features if f["properties"]["role"] == "leg"]
        self.frame = Frame(np.concatenate([line_coordinates(f["geometry"]) for f in raw]))
        self.legs = sorted((read_leg(f, self.frame, moving=self.moving) for f in raw), key=lambda leg: leg.seq)
        self.rods: list[dict[str, Any]] = self.head["rods"]
        self._layers: dict[str, list[geopandas.GeoDataFrame]] = {}

    @property
    def moving(self) -> bool:
        """Tell whether the area says anything of tide or current; else the plan is judged as in still water."""
        return bool(self.files("tide") or self.files("current"))

    @cached_property
    def tides(self) -> Tides | None:
        return next((Tides(self.folder, layer, self.zone, self.frame) for layer in self.files("tide")), None)

    @cached_property
    def currents(self) -> Currents | None:
        layers = self.files("current")
        return next((Currents(self.folder, layer, self.zone, self.frame) for layer in layers), None)

    def tide(self, xy: np.ndarray, times: np.ndarray) -> np.ndarray:
        """Return heights of the tide over the datum at POSIX times; none where the area tells of none."""
        return np.zeros(len(xy)) if self.tides is None else self.tides.at(xy, times)

    @property
    def gear_legs(self) -> list[Leg]:
        return [leg for leg in self.legs if leg.gear_down]

    @property
    def runs(self) -> list[Leg]:
        return [leg for leg in self.legs if not leg.gear_down]

    @cached_property
    def gear_groups(self) -> list[list[Leg]]:
        """Consecutive gear-down legs."""
        groups: list[list[Leg]] = []
        for before, leg in zip([None, *self.legs], self.legs, strict=False):
            if leg.gear_down:
                if before is None or not before.gear_down:
                    groups.append([])
                groups[-1].append(leg)
        return groups

    def limit(self, key: str) -> float:
        return quantity(self.trip["limits"][key], LENGTH)

    def files(self, role: str) -> list[dict[str, Any]]:
        return [layer for layer in self.area["layer"] if layer["role"] == role]

    def layers(self, role: str) -> list[geopandas.GeoDataFrame]:
        """Return the vector layers of one role in the plane."""
        if role not in self._layers:
            frames = [geopandas.read_file(self.folder / layer["file"]) for layer in self.files(role)]
            for frame in frames:
                frame["shape"] = self.frame.shape(np.asarray(frame.geometry), frame.crs)
            self._layers[role] = frames
        return self._layers[role]

    def rows(self, role: str) -> Iterator[dict[str, Any]]:
        for layer in self.layers(role):
            yield from layer.to_dict("records")

    @cached_property
    def land(self) -> Any:
        shapes = [layer["shape"].to_numpy() for layer in self.layers("land")]
        return shapely.union_all(np.concatenate(shapes)) if shapes else shapely.MultiPolygon()

    def rules(self, role: str) -> list[Rule]:
        def text(row: dict[str, Any], key: str) -> str:
            value = row.get(key)
            if value is None or value != value:  # noqa: PLR0124 - NaN and NaT differ from themselves
                return ""
            return value.isoformat()[:10] if hasattr(value, "isoformat") else str(value).strip()

        def listed(row: dict[str, Any], key: str, wanted: str) -> bool:
            names = [name.strip().casefold() for name in text(row, key).split(",") if name.strip()]
            return not names or wanted.casefold() in names

        return [
            Rule(
                name=text(row, "name"),
                shape=row["shape"],
                forbids=text(row, "forbids") or "fishing",
                margin_m=float(text(row, "margin_m") or 0),
                from_=text(row, "from"),
                until=text(row, "until"),
                days=tuple(d.strip().casefold()[:3] for d in text(row, "days").split(",") if d.strip()),
                hours=text(row, "hours"),
                applies=listed(row, "species", self.trip["species"]) and listed(row, "methods", self.trip["method"]),
            )
            for row in self.rows(role)
        ]

    @cached_property
    def closures(self) -> list[Rule]:
        return self.rules("closure")

    @cached_property
    def grounds(self) -> list[Rule]:
        return self.rules("ground")

    def local(self, leg: Leg, seconds: float) -> datetime:
        """Return the wall clock at a time in a leg, a second inside it so that a change at its end is out."""
        whole = (leg.end - leg.start).total_seconds()
        inside = min(max(seconds, min(1.0, whole / 2)), max(whole - 1.0, whole / 2))
        return (leg.start + timedelta(seconds=inside)).astimezone(self.zone)

    @cached_property
    def depth(self) -> Callable[[np.ndarray], np.ndarray]:
        ranked: dict[int, list[Callable[[np.ndarray], np.ndarray]]] = {}
        for layer in self.files("depth"):
            ranked.setdefault(int(layer.get("rank", 0)), []).append(depth_layer(self, layer))

        def depth(xy: np.ndarray) -> np.ndarray:
            result = np.full(len(xy), np.nan)
            for rank in sorted(ranked, reverse=True):
                here = np.fmin.reduce([read(xy) for read in ranked[rank]])
                result = np.where(np.isnan(result), here, result)
            return result

        return depth


def depth_layer(case: Case, layer: dict[str, Any]) -> Callable[[np.ndarray], np.ndarray]:
    """Return a function from points in the plane to depth in metres; NaN where there is no reading."""
    sign = LENGTH[layer["unit"]] * (-1.0 if layer.get("values") == "elevation" else 1.0)
    file = case.folder / layer["file"]
    if layer["form"] == "grid":
        return lambda xy: sign * grid_at(case.frame, file, xy)
    if layer["form"] == "areas":
        return lambda xy: sign * areas_at(case.frame, file, xy)
    points, values = soundings(case.frame, file, contours=layer["form"] == "contours")
    return tin(points, sign * values)


def grid_at(frame: Frame, file: Path, xy: np.ndarray) -> np.ndarray:
    """Interpolate a grid between its cell centres; NaN where a centre that counts is empty or missing."""
    with rasterio.open(file) as grid:
        crs = horizontal(grid.crs)
        place = frame.back(xy, crs)
        if crs.is_geographic:
            place[:, 0] = grid.bounds.left + (place[:, 0] - grid.bounds.left) % 360
        col, row = apply(~grid.transform, place).T - 0.5
        on = (col >= 0) & (row >= 0) & (col <= grid.width - 1) & (row <= grid.height - 1)
        result = np.full(len(xy), np.nan)
        if not on.any():
            return result
        col, row = col[on], row[on]
        left, top = int(col.min()), int(row.min())
        wide = min(int(col.max()) + 2, grid.width) - left
        high = min(int(row.max()) + 2, grid.height) - top
        window = rasterio.windows.Window(left, top, wide, high)
        z = grid.read(1, window=window, masked=True).astype(float).filled(np.nan)
    i, j = np.floor(row).astype(int) - top, np.floor(col).astype(int) - left
    down, right = row - np.floor(row), col - np.floor(col)
    total = np.zeros(len(col))
    for di, dj in ((0, 0), (0, 1), (1, 0), (1, 1)):
        weight = (down if di else 1 - down) * (right if dj else 1 - right)
        cell = z[np.minimum(i + di, high - 1), np.minimum(j + dj, wide - 1)]
        total += np.where(weight < 1e-9, 0.0, weight * cell)
    result[on] = total
    return result


def apply(affine: rasterio.Affine, points: np.ndarray) -> np.ndarray:
    """Carry points through a grid's transform."""
    return points @ np.array([[affine.a, affine.d], [affine.b, affine.e]]) + (affine.c, affine.f)


def areas_at(frame: Frame, file: Path, xy: np.ndarray) -> np.ndarray:
    """Return the least depth of the areas over each point; within 0.1 m of an edge the deeper counts."""
    table = geopandas.read_file(file)
    shapes = shapely.buffer(frame.shape(np.asarray(table.geometry), table.crs), 0.0)
    result = np.full(len(xy), np.nan)
    for shape, least in sorted(zip(shapes, table["DRVAL1"], strict=True), key=lambda pair: -pair[1]):
        inner = shapely.buffer(shape, -KEEP_M)
        result[shapely.contains_xy(inner, *xy.T)] = least
        edge = shapely.intersects_xy(shapely.buffer(shape, KEEP_M), *xy.T) & np.isnan(result)
        result[edge] = least
    return result


def tin(points: np.ndarray, values: np.ndarray) -> Callable[[np.ndarray], np.ndarray]:
    """Return depth on the plane through the three readings whose Delaunay triangle holds a point."""
    corners = Delaunay(points).simplices
    rings = points[corners]
    full = shapely.area(shapely.polygons(rings)) > 1e-6
    corners, rings = corners[full], rings[full]
    tree = shapely.STRtree(shapely.polygons(rings[:, [0, 1, 2, 0]]))

    def depth(xy: np.ndarray) -> np.ndarray:
        result = np.full(len(xy), np.nan)
        at, triangle = tree.query(shapely.points(xy), predicate="intersects")
        a, b, c = (rings[triangle, k] for k in range(3))
        p, ab, ac = xy[at] - a, b - a, c - a
        twice = ab[:, 0] * ac[:, 1] - ab[:, 1] * ac[:, 0]
        wb = (p[:, 0] * ac[:, 1] - p[:, 1] * ac[:, 0]) / twice
        wc = (ab[:, 0] * p[:, 1] - ab[:, 1] * p[:, 0]) / twice
        z = values[corners[triangle]]
        result[at] = z[:, 0] + wb * (z[:, 1] - z[:, 0]) + wc * (z[:, 2] - z[:, 0])
        return result

    return depth


def soundings(frame: Frame, file: Path, *, contours: bool) -> tuple[np.ndarray, np.ndarray]:
    """Return the points of soundings, or of contour lines every 10 m, with their values."""
    if file.suffix == ".csv":
        table = np.genfromtxt(file, delimiter=",", names=True)
        return frame.points(np.column_stack([table["lon"], table["lat"]])), table["depth"]
    layer = geopandas.read_file(file)
    shapes = frame.shape(np.asarray(layer.geometry), layer.crs)
    if contours:
        shapes = shapely.segmentize(shapes, 10.0)
    xy, index = shapely.get_coordinates(shapes, return_index=True)
    return xy, layer["depth"].to_numpy(float)[index]


def contour(case: Case, layer: dict[str, Any], level_m: float) -> Any:
    """Draw a depth line over a whole grid."""
    with rasterio.open(case.folder / layer["file"]) as grid:
        z = grid.read(1, masked=True).astype(float)
        crs, transform = horizontal(grid.crs), grid.transform
    value = level_m / LENGTH[layer["unit"]] * (-1.0 if layer.get("values") == "elevation" else 1.0)
    lines = contourpy.contour_generator(z=z).lines(value)
    shapes = [shapely.linestrings(case.frame.points(apply(transform, line + 0.5), crs)) for line in lines]
    return shapely.multilinestrings(shapes)
