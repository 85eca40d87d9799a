"""Random areas and trips: small analytic bottoms with bends, islands and gullies, anywhere on the globe.

`make_world` writes an area folder and a trip file from a seed alone, `make_moving_world` the same area with tide and
current. Most worlds can be planned; in some the
closures, the shoals or the room leave no lawful loop, as at sea.
"""

from __future__ import annotations

import json
import math
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from itertools import pairwise
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

import contourpy
import geopandas
import numpy as np
import rasterio
import shapely
from pyproj import CRS, Transformer

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

HALF_M = 1300.0
LEVELS_M = (0.0, 2.0, 5.0, 10.0, 15.0, 20.0, 25.0, 30.0, 35.0, 40.0, 50.0, 60.0, 80.0, 100.0)
ALL_YEAR: dict[str, object] = {"from": "01-01", "until": "12-31"}
UNITS = {"m": 1.0, "ft": 0.3048, "fm": 1.8288}


def make_world(seed: int, folder: Path) -> Path:
    """Write a random area and trip under a folder and return the trip file."""
    return _still(seed, folder).trip


def make_moving_world(seed: int, folder: Path) -> Path:
    """Write the area and trip of `make_world`, with tide and current, and return the trip file."""
    world = _still(seed, folder)
    rng = np.random.default_rng([seed, 1])
    short = str(rng.choice(["tide", "current"])) if table_ends_early(seed) else ""
    # now and then an area tells of one of the two alone
    roles = [["tide", "current"], ["tide"], ["current"]][int(rng.choice(3, p=[0.88, 0.06, 0.06]))]
    roles = sorted({*roles, short} - {""}, reverse=True)
    layers = [(_tide if role == "tide" else _current)(rng, world, early=role == short) for role in roles]
    listed = world.area / "area.toml"
    listed.write_text(listed.read_text(encoding="utf-8") + "\n" + "\n".join(layers), encoding="utf-8")
    trip = world.trip.read_text(encoding="utf-8")
    strong = f'strong_current = "{rng.uniform(0.8, 2.0):.2f} kn"'
    world.trip.write_text(trip.replace('strong_current = "1.5 kn"', strong), encoding="utf-8")
    return world.trip


def table_ends_early(seed: int) -> bool:
    """Tell whether a table of a moving world ends before its trip does: one in twenty."""
    return bool(np.random.default_rng([seed, 2]).random() < 0.05)


def _still(seed: int, folder: Path) -> _World:
    rng = np.random.default_rng(seed)
    place = _place(rng)
    gear = _gear(rng)
    form = str(rng.choice(["grid", "soundings", "contours", "areas"], p=[0.7, 0.1, 0.1, 0.1]))
    level = gear.need_m + rng.uniform(1.5, 8.0)
    if form in ("contours", "areas"):
        level = min(listed for listed in LEVELS_M if listed >= level)
    bottom = _bottom(rng, level)
    axis = np.arange(-HALF_M + 100, HALF_M - 99, 20.0)
    x, y = np.meshgrid(axis, axis)
    depth = bottom(x, y)
    home = _home(rng, x, y, depth)
    area = folder / "area"
    area.mkdir(parents=True)
    layers = [_depth_layer(rng, place, bottom, form, area, home)]
    line = _longest_line(x, y, depth, level)
    works = _works(rng, place, line, _Lines(bottom, level, form))
    when = date(2026, 1, 1) + timedelta(days=int(rng.integers(365)))
    start_hour = int(rng.integers(4, 16))
    rules = _Rules(rng, line, home, when, start_hour)
    shapes: dict[str, list[tuple[Any, dict[str, object]]]] = {
        "closure": rules.closures(),
        "ground": rules.grounds(),
        "hazard": rules.hazards(),
        "lane": rules.lanes(),
        "land": [(shape, {}) for shape in _land(x, y, depth)] if rng.random() < 0.85 else [],
        "mark": [(shapely.Point(home), {"name": "Harbor", "kind": "harbor", "note": "", "private": False})],
    }
    odd_one = str(rng.choice(["closure", "ground", "hazard", "land", "none", "none", "none", "none"]))
    for role, items in shapes.items():
        if items:
            layers.append(_vector_layer(rng, place, role, items, area, odd=role == odd_one))
    head = (
        f'name = "World {seed}"\ninvented = true\ntimezone = "{place.timezone}"\ndepth_datum = "MLLW"\n'
        'show = { depth = "ft", distance = "NM", speed = "kn" }\n\n'
    )
    (area / "area.toml").write_text(head + "\n".join(layers), encoding="utf-8")
    trip = folder / "trip.toml"
    home_text = "Harbor" if rng.random() < 0.7 else place.text(home)
    clock = f"{start_hour:02d}:{int(rng.integers(0, 60)):02d}"
    hours = f"{rng.uniform(4, 7):.1f}"
    trip.write_text(
        f'area = "area"\ndate = {when}\nstart = "{clock}"\nhours = {hours}\n'
        f'home = "{home_text}"\nspecies = "chinook"\nmethod = "troll"\n\n{gear.toml}\n{works}',
        encoding="utf-8",
    )
    zone = ZoneInfo(place.timezone)
    start = datetime.combine(when, time.fromisoformat(clock), zone).timestamp()
    return _World(trip, area, place, line, start, start + 3600 * float(hours), zone)


@dataclass(frozen=True)
class _World:
    """A still world: its files, its depth line in local metres and the trip's time in POSIX seconds."""

    trip: Path
    area: Path
    place: _Place
    line: np.ndarray
    start: float
    end: float
    zone: ZoneInfo


@dataclass(frozen=True)
class _Place:
    """Where on the globe the local plane of a world lies; longitudes run on past 180° inside."""

    lon: float
    lat: float
    timezone: str
    plane: CRS
    into: Transformer

    def lonlat(self, xy: np.ndarray) -> np.ndarray:
        lon, lat = self.into.transform(*np.asarray(xy, float).T, direction="INVERSE")
        return np.column_stack([self.lon + (lon - self.lon + 180) % 360 - 180, lat])

    def text(self, xy: Sequence[float]) -> str:
        lon, lat = self.lonlat(np.array([xy]))[0]
        lon = (lon + 180) % 360 - 180
        if abs(lat * 10) % 1 < 0.5:
            return f"{lat:.6f}, {lon:.6f}"
        return f"{_minutes(lat, 'NS')} {_minutes(lon, 'EW')}"


def _minutes(degrees: float, letters: str) -> str:
    whole, rest = divmod(round(abs(degrees) * 60, 4), 60)
    return f"{int(whole):02d} {rest:07.4f} {letters[int(degrees < 0)]}"


def _place(rng: np.random.Generator) -> _Place:
    lat = float(rng.choice([rng.uniform(40, 58), rng.uniform(-55, -10), rng.uniform(70, 80), rng.uniform(-3, 3)]))
    lon = 180 + rng.uniform(-0.01, 0.01) if rng.random() < 0.2 else rng.uniform(-179, 179)
    hours = round(((lon + 180) % 360 - 180) / 15)
    zone = "Etc/GMT" + (f"{-hours:+d}" if hours else "")  # the sign of these names is turned round
    plane = CRS.from_proj4(f"+proj=tmerc +lat_0={lat} +lon_0={lon} +k=1 +datum=WGS84 +units=m")
    return _Place(lon, lat, zone, plane, Transformer.from_crs("OGC:CRS84", plane, always_xy=True))


def _bottom(rng: np.random.Generator, level: float) -> Callable[[np.ndarray, np.ndarray], np.ndarray]:
    """Return depth in metres as a function of local metres: a shelf that bends, with lumps and a gully."""
    angle = rng.uniform(0, math.tau)
    deepest, scale = level * rng.uniform(1.5, 2.6), rng.uniform(500, 1300)
    waves = [(rng.uniform(0, 110), rng.uniform(900, 3000), rng.uniform(0, math.tau)) for _ in range(2)]
    across = math.log(deepest / (deepest - level)) * scale  # how far off the shore the level lies
    shore = -min(across, 1100.0) + rng.uniform(-150, 150)
    lumps = []
    for _ in range(rng.integers(0, 4)):
        u, v, wide = rng.uniform(-1200, 1200), rng.uniform(-700, 1200), rng.uniform(90, 260)
        lumps.append((u, v, wide, level * rng.uniform(0.2, 1.6)))
    gully = (rng.uniform(-900, 900), rng.uniform(60, 160), rng.uniform(4, 15) if rng.random() < 0.3 else 0.0)

    def depth(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        u, v = x * math.cos(angle) + y * math.sin(angle), y * math.cos(angle) - x * math.sin(angle)
        off = v - shore - sum(a * np.sin(math.tau * u / length + phase) for a, length, phase in waves)
        z = np.where(off > 0, deepest * -np.expm1(-off / scale), off * deepest / scale)
        for lump_u, lump_v, wide, high in lumps:
            z = z - high * np.exp(-((u - lump_u) ** 2 + (v - lump_v) ** 2) / (2 * wide**2))
        z = z + gully[2] * np.exp(-(((u - gully[0]) / gully[1]) ** 2)) * (off > 0) * -np.expm1(-np.abs(off) / 300)
        return np.asarray(z)

    return depth


def _longest_line(x: np.ndarray, y: np.ndarray, depth: np.ndarray, level: float) -> np.ndarray:
    lines = contourpy.contour_generator(x, y, depth).lines(level)
    return max(lines, key=lambda line: float(np.hypot(*np.diff(line, axis=0).T).sum()))


def _land(x: np.ndarray, y: np.ndarray, depth: np.ndarray) -> list[shapely.Polygon]:
    found, offsets = contourpy.contour_generator(x, y, depth, fill_type="OuterOffset").filled(-1e9, 0.0)
    return [_polygon(points, cuts) for points, cuts in zip(found, offsets, strict=True)]


def _polygon(points: np.ndarray, cuts: np.ndarray) -> shapely.Polygon:
    rings = [points[a:b] for a, b in pairwise(cuts)]
    return shapely.make_valid(shapely.Polygon(rings[0], rings[1:]))


def _home(rng: np.random.Generator, x: np.ndarray, y: np.ndarray, depth: np.ndarray) -> tuple[float, float]:
    """Return a place a little off the shore."""
    steep = np.hypot(*np.gradient(depth, 20.0))
    good = np.flatnonzero((depth > 5) & (depth < 13) & (steep > 0.005))
    good = good if len(good) else np.flatnonzero(depth > 5)
    pick = int(rng.choice(good))
    return float(x.flat[pick]), float(y.flat[pick])


def _depth_layer(
    rng: np.random.Generator,
    place: _Place,
    bottom: Callable[[np.ndarray, np.ndarray], np.ndarray],
    form: str,
    area: Path,
    home: tuple[float, float],
) -> str:
    unit = str(rng.choice(list(UNITS)))
    values = str(rng.choice(["depth", "elevation"], p=[0.7, 0.3])) if form in ("grid", "soundings") else "depth"
    factor = (1 if values == "depth" else -1) / UNITS[unit]
    if form == "grid":
        file = "depth.tif"
        _write_grid(rng, place, bottom, factor, area / file, home)
    elif form == "soundings":
        file = "soundings.csv"
        xy = rng.uniform(-HALF_M, HALF_M, (5000, 2))
        lonlat = place.lonlat(xy)
        lonlat[:, 0] = (lonlat[:, 0] + 180) % 360 - 180
        table = np.column_stack([lonlat, factor * bottom(*xy.T)])
        np.savetxt(area / file, table, fmt="%.7f,%.7f,%.3f", header="lon,lat,depth", comments="")
    else:
        file = f"{form}.geojson"
        _write_shapes(rng, place, _bands(bottom, factor, form), area / file)
    return _layer_toml("depth", file, f'form = "{form}"\nvalues = "{values}"\nunit = "{unit}"\n')


def _write_grid(
    rng: np.random.Generator,
    place: _Place,
    bottom: Callable[[np.ndarray, np.ndarray], np.ndarray],
    factor: float,
    file: Path,
    home: tuple[float, float],
) -> None:
    """Write a GeoTIFF in the world's own plane, in UTM or in degrees that run on past ±180°."""
    cell = rng.uniform(11, 20)
    kind = rng.choice(["plane", "utm", "degrees"])
    if kind == "plane":
        crs, dx, dy = place.plane, cell, cell
    elif kind == "utm":
        zone = int(((place.lon + 180) % 360) // 6) + 1
        crs, dx, dy = CRS.from_epsg((32600 if place.lat >= 0 else 32700) + zone), cell, cell
    else:
        crs, dx, dy = CRS.from_epsg(4326), cell / 111320 / math.cos(math.radians(place.lat)), cell / 111320
    to_lonlat = Transformer.from_crs(crs, "OGC:CRS84", always_xy=True)
    west, north = to_lonlat.transform(*place.lonlat(np.array([(0.0, 0.0)]))[0], direction="INVERSE")
    n = int(HALF_M / cell)
    rows = cols = 2 * n + 1
    col_x = west + dx * np.arange(-n, n + 1)
    row_y = north - dy * np.arange(-n, n + 1)
    gx, gy = np.meshgrid(col_x, row_y)
    x, y = place.into.transform(*to_lonlat.transform(gx, gy))
    z = factor * bottom(x, y)
    for _ in range(rng.integers(0, 3)):
        u, v, wide = *rng.uniform(-HALF_M, HALF_M, 2), rng.uniform(60, 250)
        if math.hypot(u - home[0], v - home[1]) > wide + 100:
            z[np.hypot(x - u, y - v) < wide] = -9999.0
    left = col_x[0] - dx / 2
    if kind == "degrees" and left > 180:
        left -= 360
    transform = rasterio.Affine(dx, 0, left, 0, -dy, row_y[0] + dy / 2)
    with rasterio.open(
        file, "w", driver="GTiff", width=cols, height=rows, count=1, dtype="float32", crs=crs.to_wkt(),
        transform=transform, nodata=-9999.0,
    ) as grid:  # fmt: skip
        grid.write(z.astype("float32"), 1)


def _bands(
    bottom: Callable[[np.ndarray, np.ndarray], np.ndarray], factor: float, form: str
) -> list[tuple[Any, dict[str, object]]]:
    axis = np.arange(-HALF_M, HALF_M + 1, 20.0)
    x, y = np.meshgrid(axis, axis)
    generator = contourpy.contour_generator(x, y, bottom(x, y), fill_type="OuterOffset")
    if form == "contours":
        return [
            (shapely.LineString(line), {"depth": round(level * factor, 4)})
            for level in LEVELS_M
            for line in generator.lines(level)
        ]
    made: list[tuple[Any, dict[str, object]]] = []
    for low, high in zip((-50.0, *LEVELS_M), (*LEVELS_M, 500.0), strict=True):
        for points, cuts in zip(*generator.filled(low, high), strict=True):
            props = {"DRVAL1": round(low * factor, 4), "DRVAL2": round(high * factor, 4)}
            made.append((_polygon(points, cuts), props))
    return made


def _vector_layer(
    rng: np.random.Generator,
    place: _Place,
    role: str,
    items: list[tuple[Any, dict[str, object]]],
    area: Path,
    *,
    odd: bool,
) -> str:
    if odd:
        # GeoPackage or Shapefile in the world's own plane
        suffix, driver = [("gpkg", "GPKG"), ("shp", "ESRI Shapefile")][int(rng.integers(2))]
        file = f"{role}.{suffix}"
        shapes, props = [shape for shape, _ in items], [props or {"name": ""} for _, props in items]
        frame = geopandas.GeoDataFrame(props, geometry=shapes, crs=place.plane)
        frame.to_file(area / file, driver=driver)
    else:
        file = f"{role}.geojson"
        _write_shapes(rng, place, items, area / file)
    return _layer_toml(role, file, "")


def _layer_toml(role: str, file: str, more: str) -> str:
    dated = 'as_of = 2026-01-01\nsource = "invented for a test"\n'
    return f'[[layer]]\nrole = "{role}"\nfile = "{file}"\n{more}{dated}'


def _write_shapes(
    rng: np.random.Generator, place: _Place, items: list[tuple[Any, dict[str, object]]], file: Path
) -> None:
    """Write GeoJSON, cut at the 180th meridian (RFC 7946, 3.1.9)."""
    shapes = shapely.transform(np.array([shape for shape, _ in items], object), place.lonlat)
    features = []
    for shape, (_, props) in zip(shapes, items, strict=True):
        west, east = shapely.box(-540, -90, 180, 90), shapely.box(180, -90, 540, 90)
        cut = shape
        if shape.bounds[2] > 180:
            back = shapely.transform(shapely.intersection(shape, east), lambda c: c - (360, 0))
            parts = shapely.get_parts([shapely.intersection(shape, west), back])
            parts = parts[shapely.get_dimensions(parts) == shapely.get_dimensions(shape)]
            cut = shapely.union_all(parts)
        features.append({"type": "Feature", "properties": props, "geometry": shapely.geometry.mapping(cut)})
    rng.shuffle(features)
    file.write_text(json.dumps({"type": "FeatureCollection", "features": features}), encoding="utf-8")


class _Rules:
    """Closures, grounds, hazards and lanes about a depth line."""

    def __init__(
        self, rng: np.random.Generator, line: np.ndarray, home: tuple[float, float], when: date, hour: int
    ) -> None:
        self._rng, self._line, self._home, self._when, self._hour = rng, line, home, when, hour

    def _blob(self, wide: float) -> shapely.Polygon:
        """Return a ragged polygon, every other time near the depth line."""
        rng = self._rng
        if rng.random() < 0.5:
            middle = self._line[rng.integers(len(self._line))] + rng.uniform(-450, 450, 2)
        else:
            middle = rng.uniform(-HALF_M, HALF_M, 2)
        n = int(rng.integers(4, 12))
        angle = math.tau * np.arange(n) / n
        spokes = wide * rng.uniform(0.5, 1.0, (n, 1)) * np.column_stack([np.cos(angle), np.sin(angle)])
        return shapely.Polygon(middle + spokes)

    def _season(self) -> dict[str, object]:
        """Return a season that holds on the day, does not, or changes within it."""
        rng, when = self._rng, self._when
        before, after = (
            when - timedelta(days=int(rng.integers(1, 90))),
            when + timedelta(days=int(rng.integers(1, 90))),
        )
        today = f"{when:%a}"
        others = ",".join(name for name in ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun") if name != today)
        late = min(self._hour + int(rng.integers(1, 4)), 22)
        seasons: list[dict[str, object]] = [
            {},
            {"from": f"{before:%m-%d}", "until": f"{after:%m-%d}"},
            {"from": f"{after:%m-%d}", "until": f"{after + timedelta(days=30):%m-%d}"},
            {"from": f"{before}", "until": f"{after}"},
            {"days": today},
            {"days": others},
            {"hours": f"{late:02d}:15-23:30"},
            {"hours": f"22:00-{late:02d}:15"},
            {"species": "coho,pink"},
            {"species": "chinook", "methods": "troll,mooch"},
        ]
        return seasons[int(rng.integers(len(seasons)))]

    def closures(self) -> list[tuple[Any, dict[str, object]]]:
        rng, made = self._rng, []
        for i in range(rng.integers(0, 4)):
            shape = self._blob(rng.uniform(60, 260))
            entry = rng.random() < 0.2
            if entry and shape.distance(shapely.Point(self._home)) < 200:
                continue
            props = dict.fromkeys(("species", "methods", "days", "hours"), "") | ALL_YEAR
            props |= {"name": f"Closure {i}", "forbids": "entry" if entry else "fishing", "rule": f"Rule {i}"}
            margin = {"margin_m": float(rng.choice([0.0, 0.0, 30.0]))}
            made.append((shape, props | self._season() | margin))
        return made

    def grounds(self) -> list[tuple[Any, dict[str, object]]]:
        """Return none, one ground, or two side by side of which one may open later."""
        rng = self._rng
        if rng.random() < 0.6:
            return []
        half = HALF_M * rng.uniform(0.75, 1.1)
        split = rng.uniform(-0.7, 0.7) * half
        hours = f"{max(self._hour - 2, 0):02d}:00-23:45"
        late = f"{self._hour + 1:02d}:30-23:45"
        if rng.random() < 0.5:
            return [(shapely.box(-half, -half, half, half), ALL_YEAR | {"name": "Ground", "hours": hours})]
        west = ALL_YEAR | {"name": "West ground", "hours": str(rng.choice([hours, late])), "species": "chinook"}
        east = ALL_YEAR | {"name": "East ground", "hours": hours, "species": ""}
        return [(shapely.box(-half, -half, split, half), west), (shapely.box(split, -half, half, half), east)]

    def hazards(self) -> list[tuple[Any, dict[str, object]]]:
        rng, made = self._rng, []
        for i in range(rng.integers(0, 4)):
            props = {
                "name": f"Hazard {i}",
                "kind": "wreck",
                "margin_m": float(rng.choice([20.0, 50.0, 90.0])),
            }
            blob = self._blob(40)
            made.append((blob.centroid, props))
        return made

    def lanes(self) -> list[tuple[Any, dict[str, object]]]:
        rng = self._rng
        if rng.random() < 0.75:
            return []
        start, angle = rng.uniform(-900, 900, 2), rng.uniform(0, math.tau)
        along = 3000 * np.array([math.cos(angle), math.sin(angle)])
        shape = shapely.LineString([start - along, start + along]).buffer(rng.uniform(30, 90), cap_style="flat")
        avoid = str(rng.choice(["pass", "all"], p=[0.85, 0.15]))
        return [(shape, {"name": "Lane", "kind": "ferry route", "margin_m": 20.0, "avoid": avoid})]


@dataclass(frozen=True)
class _Gear:
    toml: str
    need_m: float


def _gear(rng: np.random.Generator) -> _Gear:
    """Return boat, limits and 2 to 6 rods as TOML, and the depth that they ask for."""
    clearance = rng.uniform(6, 14)
    boat = (
        f'[boat]\ntroll_speed = "{rng.uniform(1.8, 3.2):.2f} kn"\n'
        f'run_speed = "{rng.uniform(12, 25):.1f} kn"\n'
        f'turn_radius = "{rng.uniform(7, 15):.1f} m"\ndraft = "{rng.uniform(2, 5):.1f} ft"\n'
        'fuel_troll = "1.0 gal/h"\nfuel_run = "9 gal/h"\n\n'
        f"[limits]\nlure_speed_floor = {rng.uniform(0.55, 0.8):.2f}\n"
        f'bottom_clearance = "{clearance:.1f} ft"\nclosure_standoff = "{rng.uniform(20, 60):.0f} m"\n'
        f'shore_standoff = "{rng.uniform(30, 80):.0f} m"\nstrong_current = "1.5 kn"\n'
    )
    rods, deepest = [], 0.0
    for i in range(int(rng.integers(2, 7))):
        side = ("port", "starboard", "stern")[i % 3]
        head = f'[[rod]]\nname = "rod {i}"\nside = "{side}"\nreach = "{rng.uniform(0, 8):.1f} ft"\n'
        setback = f'setback = "{rng.uniform(15, 80):.0f} ft"\n'
        if side == "stern":
            rods.append(f'{head}kind = "flat line"\n{setback}sinker = "{rng.uniform(2, 6):.1f} oz"\n')
        else:
            key = str(rng.choice(["depth", "cable_out"]))
            metres = rng.uniform(5, 26)
            ball = f'ball = "{rng.uniform(10, 16):.0f} lb"\n'
            rods.append(f'{head}kind = "downrigger"\n{key} = "{metres / 0.3048:.1f} ft"\n{setback}{ball}')
            deepest = max(deepest, metres)
    return _Gear(boat + "\n" + "\n".join(rods), deepest + clearance * 0.3048)


@dataclass(frozen=True)
class _Lines:
    """The depth line of a world, and others beyond it."""

    bottom: Callable[[np.ndarray, np.ndarray], np.ndarray]
    level: float
    form: str

    def beyond(self, near: np.ndarray, away_m: float) -> float:
        """Return the depth of a line about so far off on the deep side, one that the form of depth can draw."""
        if self.form in ("contours", "areas"):
            return min(listed for listed in LEVELS_M if listed > self.level)
        x, y = near[0] + np.array([5.0, -5.0, 0.0, 0.0]), near[1] + np.array([0.0, 0.0, 5.0, -5.0])
        east, west, north, south = self.bottom(x, y)
        deeper = np.array([east - west, north - south])
        there = near + away_m * deeper / np.hypot(*deeper)
        return max(self.level + 1.0, float(self.bottom(*there)))


def _works(rng: np.random.Generator, place: _Place, line: np.ndarray, lines: _Lines) -> str:
    made = []
    for _ in range(rng.choice([1, 2, 3], p=[0.6, 0.25, 0.15])):
        pattern = str(rng.choice(["loop", "one-way", "weave"], p=[0.6, 0.2, 0.2]))
        near = line[int(rng.uniform(0.25, 0.75) * (len(line) - 1))]
        text = f'[[work]]\npattern = "{pattern}"\ndepth_line = "{_depth_text(rng, lines.level)}"\n'
        if pattern == "weave" or (pattern == "loop" and rng.random() < 0.5):
            text += f'return_line = "{_depth_text(rng, lines.beyond(near, rng.uniform(60, 180)))}"\n'
        text += f'near = "{place.text(near + rng.uniform(-40, 40, 2))}"\n'
        text += f'length = "{rng.uniform(0.15, 0.45):.2f} NM"\n'
        text += f"passes = {rng.integers(1, 4)}\n" if rng.random() < 0.5 else f"minutes = {rng.integers(20, 50)}\n"
        made.append(text)
    return "\n".join(made)


def _depth_text(rng: np.random.Generator, metres: float) -> str:
    unit = str(rng.choice(list(UNITS)))
    return f"{metres / UNITS[unit]:.5f} {unit}"


HOUR_S = 3600.0
KNOT_MPS = 1852 / 3600


def _span(rng: np.random.Generator, world: _World, *, early: bool) -> tuple[float, float]:
    """Return from when to when a table reaches: over all of the trip, or not to its end."""
    first = world.start - HOUR_S * rng.uniform(1, 14)
    if early:
        return first, rng.uniform(world.start + 0.5 * HOUR_S, world.end - HOUR_S)
    return first, world.end + HOUR_S * rng.uniform(1, 14)


def _clock(rng: np.random.Generator, world: _World) -> tuple[Callable[[float], str], str]:
    """Return how a table writes a moment, and what its station says of the zone."""
    way = int(rng.integers(4))
    zones = [UTC, world.zone, world.zone, UTC]
    naive, said = way >= 2, 'timezone = "UTC"\n' if way == 3 else ""

    def text(moment: float) -> str:
        told = datetime.fromtimestamp(moment, zones[way])
        return (told.replace(tzinfo=None) if naive else told).isoformat().replace("+00:00", "Z")

    return text, said


def _events(rng: np.random.Generator, first: float, last: float, apart_h: float) -> np.ndarray:
    """Return whole minutes, about so far apart, from before the first moment to the last."""
    count = int((last - first) / HOUR_S / apart_h * 1.5) + 4
    gaps = apart_h * HOUR_S * rng.uniform(0.85, 1.15, count)
    gaps[0] = -gaps[0] * rng.random()
    times = first + np.cumsum(gaps)
    return np.ceil(np.append(times[times < last - HOUR_S], last) / 60) * 60


def _cosine(times: np.ndarray, values: np.ndarray, at: np.ndarray) -> np.ndarray:
    i = np.clip(np.searchsorted(times, at, side="right") - 1, 0, len(times) - 2)
    share = (1 - np.cos(np.pi * (at - times[i]) / (times[i + 1] - times[i]))) / 2
    return values[i] + share * (values[i + 1] - values[i])


def _write_table(file: Path, head: str, rows: Sequence[Sequence[object]]) -> None:
    file.write_text("\n".join([head, *(",".join(map(str, row)) for row in rows)]) + "\n", encoding="utf-8")


def _tide(rng: np.random.Generator, world: _World, *, early: bool) -> str:
    """Write a tide of 0.5 to 5 m at one or two stations and return its layer."""
    spread, stations = rng.uniform(0.5, 5.0), int(rng.integers(1, 3))
    first, last = _span(rng, world, early=early)
    phase, entries = rng.uniform(0, 1), []
    for k in range(stations):
        times = _events(np.random.default_rng([int(phase * 1e6), k // 2]), first, last, 6.2)
        times[:-1] += 60 * rng.integers(-20, 20)
        high = (np.arange(len(times)) + int(phase < 0.5)) % 2 == 0
        heights = spread * np.where(high, rng.uniform(0.7, 1.0, len(times)), rng.uniform(-0.12, 0.2, len(times)))
        unit = str(rng.choice(["m", "ft"]))
        text, said = _clock(rng, world)
        form = str(rng.choice(["highs and lows", "series"], p=[0.65, 0.35]))
        if form == "series":
            at = np.arange(times[0], times[-1], 60.0 * int(rng.choice([6, 10, 15, 30])))
            times, heights = at, _cosine(times, heights, at)
        heights = heights / UNITS[unit]
        named = rng.random() < 0.5
        _write_table(
            world.area / f"tide{k}.csv",
            f"time,height_{unit}" if named else "time,height",
            [(text(t), f"{h:.3f}") for t, h in zip(times, heights, strict=True)],
        )
        zero = 'datum = "MLLW"\n'
        if rng.random() < 0.2:
            offset = rng.uniform(-0.3, 0.3)
            zero = f'datum = "MSL"\noffset = "{offset:.2f} m"\n'
        entries.append(f'form = "{form}"\n{zero}{said}' + ("" if named else f'unit = "{unit}"\n'))
    if stations == 1 and rng.random() < 0.5:
        return _layer_toml("tide", "tide0.csv", entries[0])
    text = ""
    for k, entry in enumerate(entries):
        where = world.place.text(rng.uniform(-6000, 6000, 2))
        text += f'[[station]]\nname = "Tide {k}"\nposition = "{where}"\ntable = "tide{k}.csv"\n'
        minutes, more = rng.integers(-15, 15, 2), rng.uniform(0, 0.3)
        differences = (
            f'[station.differences]\nhigh_time = "{minutes[0]} min"\nlow_time = "{minutes[1]} min"\n'
            f'high_ratio = {rng.uniform(0.85, 1.1):.2f}\nlow_height = "{more:.2f} ft"\n'
        )
        alike = "highs" in entry and not early and rng.random() < 0.25
        text += f"{entry}\n{differences if alike else ''}"
    (world.area / "tide.toml").write_text(text, encoding="utf-8")
    return _layer_toml("tide", "tide.toml", "")


def _current(rng: np.random.Generator, world: _World, *, early: bool) -> str:
    """Write a current of up to 0.2 to 2 kn at one to three stations and return its layer.

    In 15 % of the worlds no station reaches all of the work.
    """
    most, axis = rng.uniform(0.2, 2.0), rng.uniform(0, 360)
    first, last = _span(rng, world, early=early)
    far = not early and rng.random() < 0.15
    rotary = rng.random() < 0.15
    after_slack = rng.uniform(0, 6.2 * HOUR_S)
    entries = ""
    for k in range(int(rng.integers(1, 4))):
        at, reach = _where(rng, world, far=far, first=k == 0)
        text, said = _clock(rng, world)
        unit = str(rng.choice(["kn", "m/s"]))
        per = most * (1.0 if unit == "kn" else KNOT_MPS)
        table = world.area / f"current{k}.csv"
        flood = (axis + rng.normal(0, 12)) % 360
        entries += (
            f'[[station]]\nname = "Race {k}"\nposition = "{world.place.text(at)}"\nreach = "{reach / 1852:.3f} NM"\n'
            f'table = "{table.name}"\nunit = "{unit}"\n{said}'
        )
        if rotary and rng.random() < 0.7:
            entries += 'form = "hourly"\n\n'
            _rotary(rng, (first, last), (axis, per), text, table)
        else:
            entries += f'form = "slacks and maxima"\nflood = "{flood:.0f} deg"\n'
            entries += f'ebb = "{(flood + 180 + rng.normal(0, 8)) % 360:.0f} deg"\n\n'
            shift = after_slack + 60 * rng.uniform(-20, 20)
            _slacks(rng, (first - shift, last), per * rng.uniform(0.6, 1.0), text, table)
    (world.area / "current.toml").write_text(entries, encoding="utf-8")
    return _layer_toml("current", "current.toml", "")


def _where(rng: np.random.Generator, world: _World, *, far: bool, first: bool) -> tuple[np.ndarray, float]:
    """Return a station's place and reach: over the whole world, or not over the work."""
    angle = rng.uniform(0, math.tau)
    way = np.array([math.cos(angle), math.sin(angle)])
    if far:
        # out of reach of all of the line, or of about half
        at = rng.uniform(3500, 6000) * way
        away = np.hypot(*(world.line - at).T)
        return at, float(np.median(away) if rng.random() < 0.3 else away.min() - 800)
    at = world.line[int(rng.integers(len(world.line)))] + rng.uniform(200, 3000) * way
    whole = math.hypot(*at) + math.sqrt(2) * HALF_M + 200
    return at, whole * rng.uniform(1.0, 2.0) if first else rng.uniform(600, 2 * whole)


def _slacks(
    rng: np.random.Generator, span: tuple[float, float], most: float, text: Callable[[float], str], table: Path
) -> None:
    """Write slacks and maxima by turns; at a few stations a flood has a minimum within."""
    double = rng.random() < 0.15
    turn = (
        ["slack", "flood", "slack", "ebb"]
        if not double
        else ["slack", "flood", "minimum flood", "flood", "slack", "ebb"]
    )
    begin = int(rng.integers(len(turn)))
    rows = []
    times = _events(rng, *span, 3.1)
    for i, moment in enumerate(times):
        event = turn[(begin + i) % len(turn)]
        speed = most * rng.uniform(0.7, 1.0) * (0.5 if event.startswith("minimum") else 1.0)
        rows.append((text(moment), event, "" if event == "slack" else f"{speed:.3f}"))
    _write_table(table, "time,event,speed", rows)


def _rotary(
    rng: np.random.Generator,
    span: tuple[float, float],
    most: tuple[float, float],
    text: Callable[[float], str],
    table: Path,
) -> None:
    """Write hourly vectors on an ellipse."""
    axis, speed = math.radians(most[0]), most[1]
    times = np.round(np.arange(span[0], span[1] + 60, HOUR_S * float(rng.choice([0.5, 1.0]))) / 60) * 60
    phase = math.tau * (times / HOUR_S / 12.42) + rng.uniform(0, math.tau)
    along, across = speed * np.cos(phase), speed * rng.uniform(0.2, 0.9) * np.sin(phase)
    east = along * math.sin(axis) + across * math.cos(axis)
    north = along * math.cos(axis) - across * math.sin(axis)
    if rng.random() < 0.5:
        rows = [(text(t), f"{e:.3f}", f"{n:.3f}") for t, e, n in zip(times, east, north, strict=True)]
        _write_table(table, "time,east,north", rows)
        return
    toward, swift = np.degrees(np.arctan2(east, north)) % 360, np.hypot(east, north)
    rows = [(text(t), f"{d:.1f}", f"{v:.3f}") for t, d, v in zip(times, toward, swift, strict=True)]
    _write_table(table, "time,direction,speed", rows)
