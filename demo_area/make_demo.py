"""Make the invented Merrow Sound: every layer of this folder, from seeded noise and hand-drawn curves.

    python make_demo.py [FOLDER]

Nothing here is a real place. The sound lies in the open North Pacific, where the real ocean is about five
kilometres deep. All curves are drawn in metres east and north of ORIGIN, the south-west corner of a UTM grid.
"""

from __future__ import annotations

import json
import sys
from datetime import datetime, timedelta
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import rasterio
import shapely
from contourpy import FillType, contour_generator
from pyproj import Transformer
from scipy.interpolate import CubicSpline, PchipInterpolator
from scipy.ndimage import gaussian_filter
from scipy.spatial import cKDTree
from shapely import LineString, MultiPolygon, Point, Polygon
from shapely.geometry import mapping

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

    Features = list[tuple[BaseGeometry, dict[str, Any]]]

Grid = npt.NDArray[np.float64]
Curve = list[tuple[float, float]]

SEED = 20260814
CRS = "EPSG:32604"
ORIGIN = (654_250.0, 5_180_600.0)
CELL_M, WIDTH, HEIGHT = 12.5, 960, 720
DEPTH_STEP_M = 1 / 32  # an exact binary fraction: keeps the file small
NODATA = -9999.0

# fmt: off
SHORE: Curve = [
    (-900, 1900), (0, 1450), (800, 1250), (1700, 1600), (2400, 1250), (3100, 1500), (3700, 1950),
    (4050, 1750), (4250, 900), (4700, 520), (5150, 800), (5350, 1700), (5900, 2150), (6600, 2250),
    (7000, 2420), (7330, 2900), (7520, 2880), (7800, 2450), (8400, 2280), (8850, 2600), (9150, 2350),
    (9250, 1700), (9600, 1350), (9950, 1700), (10050, 2500), (10500, 3250), (11050, 3900),
    (11450, 4900), (11620, 5600), (11350, 6300), (10700, 6650), (10100, 7050), (9500, 6850),
    (8900, 7050), (8350, 6950), (8020, 7050), (7930, 7300), (8120, 7650), (8060, 8000), (7700, 8130),
    (7350, 7990), (7330, 7600), (7560, 7300), (7500, 7060), (7100, 6950), (6350, 7250), (5600, 7480),
    (5050, 7250), (4780, 7600), (4500, 8300), (4050, 8620), (3750, 8250), (3850, 7550), (3350, 7250),
    (2600, 7480), (1700, 7250), (900, 7550), (0, 7450), (-900, 7900),
]
ISLAND: Curve = [
    (5020, 5480), (5350, 5720), (5700, 6010), (6040, 6080), (6200, 5890), (5950, 5640), (5500, 5400),
    (5180, 5330),
]
CHANNEL: Curve = [
    (-900, 5000), (1500, 5100), (3000, 4900), (4500, 4600), (6000, 4550), (7500, 4850), (9000, 5200),
    (10500, 5500), (11620, 5650),
]
CHANNEL_DEPTH: Curve = [
    (-900, 112), (1600, 104), (2500, 52), (3000, 35), (3500, 50), (4500, 84), (7500, 92), (9300, 78),
    (10600, 48), (11620, 12),
]
BANK_EDGE: Curve = [
    (-900, 2100), (1500, 2250), (2500, 2600), (3500, 3080), (4500, 3280), (5400, 3170), (6400, 3380),
    (7500, 3560), (8400, 3330), (9200, 3360), (10200, 4000), (12900, 5400),
]
BANK_SLOPE: Curve = [  # fall per metre beyond the bank's edge
    (-900, 0.06), (2500, 0.05), (3600, 0.07), (4700, 0.10), (5600, 0.065), (6600, 0.085),
    (7500, 0.075), (8300, 0.06), (9200, 0.045), (10500, 0.07), (12900, 0.07),
]
# fmt: on
ROCKS = [(4430, 3905), (4505, 3850), (4390, 3820)]
SHOAL = (8020, 3660)
BAR = LineString([(7400, 7010), (7560, 6890), (7760, 6850), (7960, 6880), (8120, 7010)])
ENTRANCE = shapely.box(7690, 6600, 7790, 7240)
UNSURVEYED = LineString([(500, 6900), (1150, 5200), (1700, 3700), (1900, 2400), (1800, 1300)])


def spline(points: Curve, *, closed: bool = False) -> LineString:
    """Return a smooth curve through points, a vertex about every 10 m."""
    xy = np.array([*points, points[0]] if closed else points, dtype=float)
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(xy, axis=0).T) ** 0.75)])
    curve = CubicSpline(along, xy, bc_type="periodic" if closed else "natural")
    count = int(np.hypot(*np.diff(xy, axis=0).T).sum() / 10)
    return LineString(curve(np.linspace(0.0, along[-1], count)))


def cells() -> tuple[Grid, Grid]:
    """Return the middle of every cell, metres from ORIGIN, north row first."""
    x, y = np.meshgrid((np.arange(WIDTH) + 0.5) * CELL_M, (HEIGHT - np.arange(HEIGHT) - 0.5) * CELL_M)
    return x, y


def distance(x: Grid, y: Grid, line: LineString) -> Grid:
    """Return the distance of every cell from a line."""
    points = shapely.get_coordinates(line.segmentize(5.0))
    return np.asarray(cKDTree(points).query(np.column_stack([x.ravel(), y.ravel()]))[0]).reshape(x.shape)


def noise(rng: np.random.Generator, wavelength_m: float) -> Grid:
    """Return noise of unit standard deviation that varies over about this length."""
    rough = gaussian_filter(rng.standard_normal((HEIGHT, WIDTH)), wavelength_m / 4 / CELL_M)
    return np.asarray(rough / rough.std())


def shallower(a: Grid, b: Grid, blend_m: float) -> Grid:
    """Return the smaller of two surfaces, the crease between them rounded."""
    return np.asarray(-blend_m * np.logaddexp(-a / blend_m, -b / blend_m))


def make_depth(rng: np.random.Generator) -> Grid:
    """Return the depth of every cell before dredging, metres, negative on land, north row first."""
    x, y = cells()
    shore, channel, island = spline(SHORE), spline(CHANNEL), spline(ISLAND, closed=True)
    water = Polygon([*shore.coords, (-900, 7900), (-900, 1900)])
    inside = np.where(shapely.contains_xy(water, x, y), 1.0, -1.0)
    ragged = 42 * noise(rng, 800) + 16 * noise(rng, 260) + 9 * noise(rng, 110)
    off_shore = inside * distance(x, y, shore) + ragged
    off_channel = distance(x, y, channel)

    # A trough whose sides fall fast at first and flatten towards the channel; land rises behind the shore.
    share = np.clip(off_shore, 0, None) / (np.clip(off_shore, 0, None) + off_channel)
    trough = PchipInterpolator(*zip(*CHANNEL_DEPTH, strict=True))(x) * (1 - (1 - share) ** 1.9)
    depth = np.where(off_shore > 0, trough, off_shore / 14)

    # The bank: nearly level, then an edge that falls to the channel, here gently and there steeply.
    edge = CubicSpline(*zip(*BANK_EDGE, strict=True))
    beyond = (y - edge(x)) / np.hypot(1, edge(x, 1)) + 28 * noise(rng, 900) + 7 * noise(rng, 320)
    slope = PchipInterpolator(*zip(*BANK_SLOPE, strict=True))(x)
    bank = 12.5 + slope * 70 * np.logaddexp(0, beyond / 70) + 0.8 * noise(rng, 700)
    depth = gaussian_filter(np.where(off_shore > 0, shallower(depth, bank, 2.5), depth), 35 / CELL_M)

    # The island, the rocks, the shoal, and the bar across the harbor.
    on_island = np.where(shapely.contains_xy(Polygon(island), x, y), -1.0, 1.0)
    off_island = on_island * distance(x, y, island) + ragged
    depth = shallower(depth, off_island * np.where(off_island > 0, 0.13, 0.07), 1.5)
    for rock_x, rock_y in ROCKS:
        depth = shallower(depth, -3 + 0.17 * (np.hypot(x - rock_x, y - rock_y) + 0.5 * ragged), 1.0)
    east, north = x - SHOAL[0] + 0.5 * ragged, y - SHOAL[1] - 0.5 * ragged
    depth = shallower(depth, 4 + 0.0016 * (east**2 / 2.0 + north**2), 1.0)
    bar = 0.4 + 0.05 * np.clip(distance(x, y, BAR) - 70, 0, None)
    depth = np.where(depth > 0, shallower(depth, bar, 0.2), depth)

    texture = 0.3 * noise(rng, 55) + 0.34 * noise(rng, 100) + 0.35 * noise(rng, 240) + 0.5 * noise(rng, 600)
    depth = depth + texture * np.clip(depth / 12, 0, 1)
    return np.round(np.clip(depth, -8, None) / DEPTH_STEP_M) * DEPTH_STEP_M


def to_geographic(geometry: BaseGeometry) -> BaseGeometry:
    """Return the geometry in longitude and latitude, to about 0.1 m, outer rings counter-clockwise."""
    forward = Transformer.from_crs(CRS, "EPSG:4326", always_xy=True)
    moved = shapely.transform(
        geometry, lambda xy: np.column_stack(forward.transform(xy[:, 0] + ORIGIN[0], xy[:, 1] + ORIGIN[1]))
    )
    return shapely.orient_polygons(shapely.transform(moved, lambda xy: np.round(xy, 6)))


def make_land(depth: Grid) -> MultiPolygon:
    """Return all that stands above depth 0, in metres from ORIGIN, out to the grid's rim."""
    x = np.concatenate([[0], (np.arange(WIDTH) + 0.5) * CELL_M, [WIDTH * CELL_M]])
    y = np.concatenate([[0], (np.arange(HEIGHT) + 0.5) * CELL_M, [HEIGHT * CELL_M]])
    height = -np.pad(depth[::-1], 1, mode="edge")
    filled = contour_generator(x, y, height, fill_type=FillType.OuterOffset).filled(0.0, np.inf)
    parts = [
        Polygon(points[: offsets[1]], [points[begin:end] for begin, end in pairwise(offsets[1:])])
        for points, offsets in zip(*filled, strict=True)
    ]
    return MultiPolygon([part for part in shapely.simplify(parts, 2.0) if part.area > 0])


def write_depth(file: Path, depth: Grid, rng: np.random.Generator) -> None:
    """Write the survey, without the ragged strip that no survey has covered."""
    x, y = cells()
    gap = distance(x, y, UNSURVEYED) < 110 + 25 * noise(rng, 150)
    transform = rasterio.transform.from_origin(ORIGIN[0], ORIGIN[1] + HEIGHT * CELL_M, CELL_M, CELL_M)
    shape: dict[str, Any] = {
        "width": WIDTH,
        "height": HEIGHT,
        "count": 1,
        "dtype": "float32",
        "nodata": NODATA,
    }
    packing = {"compress": "deflate", "predictor": 3, "zlevel": 9, "tiled": True}
    with rasterio.open(file, "w", driver="GTiff", crs=CRS, transform=transform, **shape, **packing) as grid:
        grid.write(np.where(gap & (depth > 0), NODATA, depth).astype(np.float32), 1)


def write_layer(file: Path, features: Features) -> None:
    """Write a GeoJSON layer, one feature a line."""
    lines = [
        json.dumps({"type": "Feature", "properties": properties, "geometry": mapping(to_geographic(geometry))})
        for geometry, properties in features
    ]
    text = '{"type": "FeatureCollection", "features": [\n' + ",\n".join(lines) + "\n]}\n"
    file.write_text(text, encoding="utf-8")


# fmt: off
GROUNDS: Features = [
    (
        Polygon([(6300, 700), (10900, 700), (10900, 6600), (6300, 7300)]),
        {"name": "Common Ground", "species": "chinook,coho", "methods": "troll", "from": "06-15",
         "until": "09-30", "rule": "Invented Rule 2 (a)"},
    ),
    (
        Polygon([(1000, 1400), (6550, 1400), (6550, 5200), (1000, 7300)]),
        {"name": "Ossel Ground", "species": "chinook", "methods": "troll", "from": "2026-08-01",
         "until": "2026-08-31", "hours": "06:00-21:00", "rule": "Invented Rule 2 (b)"},
    ),
    (
        Polygon([(10300, 3300), (11800, 3300), (11800, 6800), (10300, 6800)]),
        {"name": "Winter Head", "species": "chinook", "methods": "troll,mooch", "from": "10-15",
         "until": "02-28", "rule": "Invented Rule 2 (c)"},
    ),
]

CLOSURES: Features = [
    (
        Polygon([(4050, 3600), (4330, 3450), (4780, 3490), (4830, 3860), (4700, 4190),
                 (4380, 4260), (4090, 4080)]),
        {"name": "Gannet Rocks", "forbids": "fishing", "from": "05-01", "until": "09-30",
         "rule": "Invented Rule 3 (b)"},
    ),
    (
        Polygon([(6900, 5150), (8350, 5150), (8650, 5750), (8100, 6150), (6900, 6000)]),
        {"name": "Exercise Area Kettle", "forbids": "entry", "from": "2026-08-10", "until": "2026-08-21",
         "days": "Mon,Tue,Wed,Thu,Fri", "rule": "Invented Rule 11"},
    ),
    (
        Polygon([(4000, 400), (5400, 400), (5600, 2450), (3800, 2450)]),
        {"name": "Brindle Bay set nets", "forbids": "fishing", "from": "07-01", "until": "08-31",
         "days": "Wed,Fri", "hours": "08:00-16:00", "rule": "Invented Rule 5"},
    ),
    (
        Polygon([(1000, 1400), (9900, 2200), (9900, 4600), (1000, 4600)]),
        {"name": "Ossel Bank winter rest", "forbids": "fishing", "from": "11-01", "until": "03-31",
         "rule": "Invented Rule 3 (d)"},
    ),
    (
        Polygon([(6700, 2600), (8200, 2600), (8200, 4100), (6700, 4100)]),
        {"name": "Gull Point coho release", "forbids": "fishing", "species": "coho", "from": "08-01",
         "until": "09-15", "rule": "Invented Rule 4 (a)"},
    ),
]

HAZARDS: Features = [
    (Point(SHOAL), {"name": "Tarrow Rock", "kind": "rock", "margin_m": 130}),
    (Point(9420, 5330), {"name": "Sunken barge", "kind": "wreck", "margin_m": 60}),
    (
        LineString([(3280, 3560), (3420, 3640), (3500, 3760)]),
        {"name": "Lost ground chain", "kind": "obstruction"},
    ),
]

LANES: Features = [
    (
        LineString([(7740, 6550), (6720, 5450), (6560, 4300), (6480, 3000), (6300, 2320)]),
        {"name": "Sound ferry", "kind": "ferry route", "margin_m": 100, "avoid": "pass"},
    ),
    (
        Polygon([(250, 1600), (800, 1600), (800, 7200), (250, 7200)]),
        {"name": "Outer lane", "kind": "traffic lane", "margin_m": 0, "avoid": "all"},
    ),
]

MARKS: Features = [
    (
        Point(7720, 7760),
        {"name": "Merrow Harbor", "kind": "harbor", "note": "three floats, fuel", "private": False},
    ),
    (
        Point(9580, 1650),
        {"name": "Cuttle Slip", "kind": "launch", "note": "gravel, half tide", "private": False},
    ),
    (Point(7420, 2950), {"name": "Gull Point", "kind": "spot", "note": "first light", "private": False}),
    (Point(5180, 3560), {"name": "Ossel Edge", "kind": "spot", "note": "", "private": False}),
    (Point(9000, 3950), {"name": "Tarrow Bight", "kind": "spot", "note": "wide slope", "private": False}),
    (Point(3350, 4500), {"name": "The Larder", "kind": "spot", "note": "last of the flood", "private": True}),
    (
        Point(9150, 4300),
        {"name": "Grandmother", "kind": "spot", "note": "big fish in August", "private": True},
    ),
    (Point(6700, 3150), {"name": "Sprat Hollow", "kind": "bait", "note": "bait at dawn", "private": False}),
]
# fmt: on

TIDE_DAYS = ("2026-08-10", "2026-08-22")
TIDE_MEAN_M = 1.45
# Metres of amplitude, hours from crest to crest, hours from the first day's midnight to a crest.
TIDE_WAVES: list[tuple[float, float, float]] = [
    (1.05, 12.4206, 1.55), (0.28, 12.0, 4.2), (0.46, 23.9345, 4.6), (0.31, 25.8193, 2.2),
]  # fmt: skip
CURRENTS = [  # name, place, greatest flood and ebb in knots, minutes that slack comes after high and low water
    ("Ossel Reach", (5200, 4000), 1.15, 1.38, 12),
    ("Gull Reach", (8300, 4000), 0.95, 1.2, 4),
]


def tide_turns() -> list[tuple[datetime, float]]:
    """Return the high and low waters of TIDE_DAYS in the sound's own time, with their heights, metres."""
    begin, end = (datetime.fromisoformat(day) for day in TIDE_DAYS)
    minute = np.arange((end - begin) / timedelta(minutes=1))
    waves = [high * np.cos(2 * np.pi * (minute / 60 - crest) / hours) for high, hours, crest in TIDE_WAVES]
    height = TIDE_MEAN_M + np.sum(waves, axis=0)
    turns = np.flatnonzero(np.diff(np.sign(np.diff(height)))) + 1
    return [(begin + timedelta(minutes=int(at)), round(float(height[at]), 2)) for at in turns]


def write_tide(file: Path, turns: list[tuple[datetime, float]]) -> None:
    """Write the table of high and low waters."""
    lines = [f"{moment:%Y-%m-%dT%H:%M},{height:.2f}" for moment, height in turns]
    file.write_text("time,height\n" + "\n".join(lines) + "\n", encoding="utf-8")


def write_currents(folder: Path, turns: list[tuple[datetime, float]]) -> None:
    """Write a table of slacks and maxima for each current station: the bigger the tide's range, the stronger."""
    ranges = np.abs(np.diff([height for _, height in turns]))
    for name, _, flood, ebb, late in CURRENTS:
        lines = ["time,event,speed"]
        slacks = [moment + timedelta(minutes=late) for moment, _ in turns]
        for index, (slack, after) in enumerate(pairwise(slacks)):
            kind, most = ("flood", flood) if turns[index + 1][1] > turns[index][1] else ("ebb", ebb)
            middle = slack + (after - slack) * 0.5
            lines.append(f"{slack:%Y-%m-%dT%H:%M},slack,")
            lines.append(f"{middle:%Y-%m-%dT%H:%M},{kind},{most * float(ranges[index]) / 2.6:.2f}")
        lines.append(f"{slacks[-1]:%Y-%m-%dT%H:%M},slack,")
        (folder / f"{name.lower().replace(' ', '_')}.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")


def write_stations(folder: Path) -> None:
    """Write tide.toml and current.toml, and the line that the sound's currents follow."""
    position = "{:.5f}, {:.5f}".format(*reversed(to_geographic(Point(7700, 7700)).coords[0]))
    tide = f'[[station]]\nname = "Merrow Harbor"\nposition = "{position}"\nform = "highs and lows"\n'
    (folder / "tide.toml").write_text(
        "# Invented predictions.\n" + tide + 'table = "tide.csv"\nunit = "m"\ndatum = "MLLW"\n', encoding="utf-8"
    )
    current = ['# Invented predictions.\nchannel = "channel.geojson"     # drawn the way the flood goes\n']
    for name, place, *_ in CURRENTS:
        position = "{:.5f}, {:.5f}".format(*reversed(to_geographic(Point(place)).coords[0]))
        current.append(
            f'\n[[station]]\nname = "{name}"\nposition = "{position}"\nreach = "2.2 NM"\nform = "slacks and maxima"\n'
            f'table = "{name.lower().replace(" ", "_")}.csv"\nunit = "kn"\nflood = "88 deg"\nebb = "268 deg"\n'
        )
    (folder / "current.toml").write_text("".join(current), encoding="utf-8")
    channel = shapely.simplify(spline(CHANNEL), 20.0)
    write_layer(folder / "channel.geojson", [(channel, {"name": "the way the flood goes"})])


def main(folder: Path) -> None:
    """Write every layer of the demonstration into a folder."""
    rng = np.random.default_rng(SEED)
    depth = make_depth(rng)
    write_depth(folder / "depth.tif", depth, rng)
    write_layer(folder / "entrance.geojson", [(ENTRANCE, {"min": 2.4, "max": 3.4})])
    write_layer(folder / "land.geojson", [(part, {}) for part in make_land(depth).geoms])
    write_layer(folder / "grounds.geojson", GROUNDS)
    write_layer(folder / "closures.geojson", CLOSURES)
    write_layer(folder / "hazards.geojson", HAZARDS)
    write_layer(folder / "lanes.geojson", LANES)
    write_layer(folder / "marks.geojson", MARKS)
    turns = tide_turns()
    write_tide(folder / "tide.csv", turns)
    write_currents(folder, turns)
    write_stations(folder)


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent)
