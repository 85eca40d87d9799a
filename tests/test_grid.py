from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
import rasterio
import shapely
from affine import Affine
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pyproj import Geod, Transformer

from layers import _cells, grid
from layers._errors import InputError
from layers.grid import GridDepth, open_grid
from layers.projection import LocalProjection, choose_projection

if TYPE_CHECKING:
    from collections.abc import Callable

SURVEY = Path(__file__).parents[2] / "shared" / "data" / "F00788_SR_8m.bag"
UTM_SOUTH = "EPSG:32760"
LOCAL = LocalProjection(174.5, -41.0)
ORIGIN = (289_700.0, 5_458_000.0)  # UTM 60 S, near LOCAL's centre
NORTH_UP = Affine(8, 0, ORIGIN[0], 0, -8, ORIGIN[1])
COS, SIN = np.cos(np.radians(30)), np.sin(np.radians(30))
TURNED = Affine(8 * COS, 8 * SIN, ORIGIN[0], 8 * SIN, -8 * COS, ORIGIN[1])


def write(path: Path, values: Any, affine: Affine = NORTH_UP, crs: Any = UTM_SOUTH, **profile: Any) -> Path:
    rows, columns = values.shape
    keys = {"driver": "GTiff", "dtype": values.dtype, "nodata": np.nan, **profile}
    with rasterio.open(path, "w", height=rows, width=columns, count=1, crs=crs, transform=affine, **keys) as data:
        data.write(values, 1)
    return path


def read(path: Path, local: LocalProjection = LOCAL, values: str = "depth", unit: str = "m") -> GridDepth:
    return open_grid(path, local, values=values, unit=unit, where="area.toml, layer 1 (depth)")


def centres(rows: int, columns: int, affine: Affine = NORTH_UP) -> tuple[np.ndarray, np.ndarray]:
    return placed(affine, *np.meshgrid(np.arange(columns) + 0.5, np.arange(rows) + 0.5))


def placed(affine: Affine, column: Any, row: Any) -> tuple[Any, Any]:
    return affine.a * column + affine.b * row + affine.c, affine.d * column + affine.e * row + affine.f


def to_local(x: Any, y: Any, crs: str = UTM_SOUTH) -> tuple[np.ndarray, np.ndarray]:
    return LOCAL.to_local(*Transformer.from_crs(crs, "EPSG:4326", always_xy=True).transform(x, y))


def from_local(x: Any, y: Any) -> tuple[np.ndarray, np.ndarray]:
    lonlat = LOCAL.to_geographic(x, y)
    return Transformer.from_crs("EPSG:4326", UTM_SOUTH, always_xy=True).transform(*lonlat)


def plane(x: Any, y: Any) -> Any:
    return 40 + 0.03 * (x - ORIGIN[0]) - 0.02 * (y - ORIGIN[1])


def bumpy(rows: int, columns: int, seed: int = 3) -> np.ndarray:
    y, x = np.mgrid[0:rows, 0:columns]
    rng = np.random.default_rng(seed)
    depth = 20 + 8 * np.sin(x / 6) * np.cos(y / 5) + rng.normal(0, 0.7, (rows, columns))
    depth[(x - 20) ** 2 + (y - 12) ** 2 < 30] = np.nan
    return depth


@pytest.mark.parametrize(("values", "unit", "metres"), [
    ("depth", "m", 1.0), ("elevation", "m", 1.0), ("depth", "ft", 0.3048), ("elevation", "fathom", 1.8288),
])  # fmt: skip
def test_a_plane_on_a_turned_grid_reads_back(tmp_path: Path, values: str, unit: str, metres: float) -> None:
    sign = 1 if values == "depth" else -1
    depth = plane(*centres(60, 80, TURNED))
    layer = read(write(tmp_path / "plane.tif", sign * depth / metres, TURNED), values=values, unit=unit)
    west, south, east, north = layer.bounds
    x, y = np.random.default_rng(1).uniform([west, south], [east, north], (500, 2)).T
    answered = layer.depth_at(x, y)
    known = np.isfinite(answered)
    assert known.tolist() == shapely.intersects_xy(layer.known(), x, y).tolist()
    assert 100 < known.sum() < 400  # a turned grid does not fill its box
    assert answered[known] == pytest.approx(plane(*from_local(x, y))[known], abs=1e-5)


def test_line_and_water_of_a_plane(tmp_path: Path) -> None:
    layer = read(write(tmp_path / "plane.tif", plane(*centres(60, 80, TURNED)), TURNED))
    line, deep, known = layer.depth_line(45.0), layer.deeper_than(45.0), layer.known()
    assert len(line.geoms) == 1
    assert plane(*from_local(*shapely.get_coordinates(line).T)) == pytest.approx(45.0, abs=1e-4)
    corners = [placed(TURNED, *corner) for corner in [(0.5, 0.5), (79.5, 0.5), (79.5, 59.5), (0.5, 59.5)]]
    hull = shapely.Polygon(np.column_stack(to_local(*np.array(corners).T)))
    assert known.symmetric_difference(hull).area < 2e-4 * hull.area
    # The shallow side by cutting the hull along the straight line at 45 m.
    ends = shapely.get_coordinates(line)[[0, -1]]
    longer = shapely.LineString([ends[0] + 9 * (ends[0] - ends[1]), ends[1] + 9 * (ends[1] - ends[0])])
    sides = shapely.ops.split(hull, longer).geoms
    deep_side = max(sides, key=lambda side: plane(*from_local(side.centroid.x, side.centroid.y)))
    assert deep.symmetric_difference(deep_side).area < 2e-3 * hull.area
    assert layer.depth_line(400.0).is_empty
    assert layer.deeper_than(400.0).is_empty
    assert layer.deeper_than(-400.0).equals(known)


def test_a_cone_gives_circles_and_holes(tmp_path: Path) -> None:
    x, y = centres(120, 120)
    middle = x.mean(), y.mean()
    layer = read(write(tmp_path / "cone.tif", np.hypot(x - middle[0], y - middle[1]) / 10))
    cx, cy = to_local(*middle)
    (ring,) = layer.depth_line(30.0).geoms
    assert ring.is_ring
    away = np.hypot(*(shapely.get_coordinates(ring) - [cx, cy]).T)
    scale = float(np.hypot(*(np.array(to_local(middle[0] + 1, middle[1])) - [cx, cy])))
    assert away == pytest.approx(300 * scale, abs=0.1)
    (water,) = layer.deeper_than(30.0).geoms
    assert shapely.Polygon(water.interiors[0]).area == pytest.approx(np.pi * (300 * scale) ** 2, rel=2e-3)
    box = (cx, cy, cx + 400, cy + 400)
    assert layer.depth_line(30.0, box).length == pytest.approx(ring.length / 4, rel=1e-2)
    assert layer.deeper_than(30.0, box).area == pytest.approx(400**2 - np.pi * (300 * scale) ** 2 / 4, rel=1e-2)


@pytest.mark.parametrize("west", [179.9, -180.1])
def test_a_grid_over_the_180th_meridian(tmp_path: Path, west: float) -> None:
    affine = Affine(0.002, 0, west, 0, -0.002, -16.5)
    lon, lat = centres(80, 100, affine)
    depth = 30 + 100 * (lon - west) + 50 * (lat + 16.5)
    layer = read(write(tmp_path / "seam.tif", depth, affine, "EPSG:4326"), LocalProjection(180.0, -16.58))
    local = layer._projection
    ask = np.array([-179.95, 179.95, 180.0, -180.0])
    expected = 30 + 100 * ((ask - west) % 360) + 50 * (-16.58 + 16.5)
    assert layer.depth_at(*local.to_local(ask, np.full(4, -16.58))) == pytest.approx(expected, abs=1e-6)
    assert len(layer.known().geoms) == 1
    area, _ = Geod(ellps="WGS84").geometry_area_perimeter(
        shapely.segmentize(shapely.box(west + 0.001, -16.659, west + 0.199, -16.501), 0.002)
    )
    assert layer.known().area == pytest.approx(area, rel=1e-4)
    (line,) = layer.depth_line(36.0).geoms
    x, y = shapely.get_coordinates(line).T
    assert layer.depth_at(x, y) == pytest.approx(36.0, abs=1e-4)
    outline = np.column_stack(grid.grid_outline(tmp_path / "seam.tif", "here"))
    assert choose_projection(outline).lon0_deg == pytest.approx(-180.0, abs=0.01)


@pytest.mark.parametrize("how", ["nan", "nodata", "integer"])
def test_unknown_is_never_deep_nor_crossed(tmp_path: Path, how: str) -> None:
    depth = np.round(plane(*centres(40, 50)))
    hole = np.zeros(depth.shape, dtype=bool)
    hole[10:14, 20:26] = True
    if how == "integer":
        path = write(tmp_path / "d.tif", np.where(hole, -1, depth).astype(np.int16), nodata=-1)
    else:
        mark = np.nan if how == "nan" else 1e6
        path = write(tmp_path / "d.tif", np.where(hole, mark, depth).astype(np.float32), nodata=mark)
    layer = read(path)
    x, y = to_local(*centres(40, 50))
    # Every known centre reads back, also beside the hole; no other does.
    assert layer.depth_at(x, y)[~hole] == pytest.approx(depth[~hole], abs=1e-6)
    assert np.isnan(layer.depth_at(x, y)[hole]).all()
    around = shapely.MultiPoint(np.column_stack([x[hole], y[hole]])).convex_hull.buffer(7.9, join_style="mitre")
    assert not layer.known().intersects(around)
    assert len(layer.known().geoms[0].interiors) == 1
    assert layer.known().covers(layer.deeper_than(30.0))
    for level in range(36, 48):
        line = layer.depth_line(float(level))
        assert not line.intersects(around)
        assert line.is_valid
        assert layer.deeper_than(float(level)).is_valid
    between = to_local(*placed(NORTH_UP, 20.2, 10.4))
    assert np.isnan(layer.depth_at(*between))


@pytest.mark.parametrize("whole_metres", [False, True])
def test_tiles_join_without_a_trace(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, *, whole_metres: bool) -> None:
    depth = bumpy(57, 64)
    path = write(tmp_path / "d.tif", np.round(depth) if whole_metres else depth)
    at_once = read(path)
    monkeypatch.setattr(_cells, "TILE_CELLS", 7)
    in_tiles = read(path)
    x, y = np.random.default_rng(2).uniform([-900, -900], [900, 900], (2000, 2)).T
    assert np.array_equal(in_tiles.depth_at(x, y), at_once.depth_at(x, y), equal_nan=True)
    for level in (14.0, 20.0, 23.5):
        one, many = at_once.depth_line(level), in_tiles.depth_line(level)
        assert len(one.geoms) > 2
        assert many.hausdorff_distance(one) < 2e-3  # a vertex nearer than 1 mm to the last is left out
        assert many.length == pytest.approx(one.length, rel=1e-6)
        if not whole_metres:  # where two lines touch in one point it is a toss-up which goes on as which
            assert len(many.geoms) == len(one.geoms)
        assert in_tiles.deeper_than(level).symmetric_difference(at_once.deeper_than(level)).area < 1e-3
        for cell in (20.0, 45.0):
            coarse = in_tiles.deeper_than(level, cell_m=cell)
            assert coarse.difference(at_once.deeper_than(level)).area < 1e-3
    assert in_tiles.known().symmetric_difference(at_once.known()).area < 1e-3


@settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    seed=st.integers(0, 10_000),
    level=st.sampled_from([12.0, 17.5, 20.0, 26.0]),
    cell=st.floats(9.0, 90.0),
    tile=st.sampled_from([5, 8, 1024]),
    window=st.tuples(st.floats(-300, 0), st.floats(-300, 0), st.floats(10, 300), st.floats(10, 300)),
)
def test_cells_give_a_part_of_the_exact_water(  # noqa: PLR0913, PLR0917 -- what Hypothesis varies
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, seed: int, level: float, cell: float, tile: int, window: Any
) -> None:
    monkeypatch.setattr(_cells, "TILE_CELLS", tile)
    layer = read(write(tmp_path / "d.tif", bumpy(40, 45, seed)))
    west, south, east, north = layer.bounds
    cx, cy = (west + east) / 2, (south + north) / 2
    box = (cx + window[0], cy + window[1], cx + window[2], cy + window[3])
    for within in (None, box):
        exact, coarse = layer.deeper_than(level, within), layer.deeper_than(level, within, cell)
        assert coarse.is_valid
        assert coarse.difference(exact).area < 1e-3
        assert layer.known(within, cell).difference(layer.known(within)).area < 1e-3
        assert coarse.difference(layer.known(within, cell)).area < 1e-3
    windowed, whole = layer.deeper_than(level, box), layer.deeper_than(level).intersection(shapely.box(*box))
    assert windowed.difference(whole).area < 1e-3
    assert whole.difference(windowed).area < 1e-2  # a sliver in a corner of the window may be lost, never gained
    assert layer.depth_line(level).difference(layer.known().buffer(0.01)).is_empty
    clipped = layer.depth_line(level).intersection(shapely.box(*box))
    assert layer.depth_line(level, box).length == pytest.approx(clipped.length, rel=1e-6)


def test_cells_keep_most_of_plain_water(tmp_path: Path) -> None:
    layer = read(write(tmp_path / "plane.tif", plane(*centres(200, 200))))
    exact, coarse = layer.deeper_than(60.0), layer.deeper_than(60.0, cell_m=40.0)
    assert 0.93 * exact.area < coarse.area < exact.area
    assert shapely.get_num_coordinates(coarse) < shapely.get_num_coordinates(exact)


def test_a_grid_larger_than_memory_is_read_in_windows(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path, n = tmp_path / "huge.tif", 60_000  # 14 GB of float32, of which the file holds what was written
    tiled = {"tiled": True, "blockxsize": 256, "blockysize": 256, "sparse_ok": True}
    window = rasterio.windows.Window(30_000, 30_000, 512, 512)
    with rasterio.open(
        path, "w", driver="GTiff", height=n, width=n, count=1, dtype="float32", nodata=-9999.0, crs=UTM_SOUTH,
        transform=Affine(8, 0, ORIGIN[0] - 4 * n, 0, -8, ORIGIN[1] + 4 * n), **tiled,
    ) as data:  # fmt: skip
        data.write(np.tile(np.linspace(10, 60, 512, dtype=np.float32), (512, 1)), 1, window=window)
    layer = read(path)
    reads: list[tuple[int, int]] = []
    plain: Callable[..., Any] = _cells.Tiles.read
    monkeypatch.setattr(_cells.Tiles, "read", lambda tiles, i, j: reads.append((i, j)) or plain(tiles, i, j))
    x, y = to_local(ORIGIN[0] + 2000, ORIGIN[1] - 2000)
    box = (float(x) - 1000, float(y) - 1000, float(x) + 1000, float(y) + 1000)
    (line,) = layer.depth_line(34.46, box).geoms
    assert line.length == pytest.approx(2000, rel=1e-2)
    assert layer.deeper_than(34.46, box).area == pytest.approx(2e6, rel=0.1)
    assert np.isfinite(layer.depth_at(x, y))
    assert len(set(reads)) <= 2


@pytest.mark.realdata
@pytest.mark.skipif(not SURVEY.exists(), reason="the survey F00788 is not in ../shared/data")
def test_a_real_survey_reads_back() -> None:
    local = choose_projection(np.column_stack(grid.grid_outline(SURVEY, "F00788")))
    layer = read(SURVEY, local, values="elevation")
    with rasterio.open(SURVEY) as data:
        elevation = data.read(1, masked=True)
        utm = Transformer.from_crs("EPSG:26910", "EPSG:4326", always_xy=True)
        lonlat = utm.transform(*centres(data.height, data.width, data.transform))
    depth = layer.depth_at(*local.to_local(*lonlat))
    assert np.array_equal(np.isnan(depth), elevation.mask)
    assert np.array_equal(depth[~elevation.mask], -elevation.compressed().astype(np.float64))
    line = layer.depth_line(160 * 0.3048)
    assert line.length > 1000
    assert layer.known().buffer(0.01).covers(line)
    assert layer.depth_at(*shapely.get_coordinates(line).T) == pytest.approx(160 * 0.3048, abs=1e-3)


def test_what_is_no_depth_grid_is_told(tmp_path: Path) -> None:
    depth = plane(*centres(5, 5))
    (tmp_path / "text.tif").write_text("no raster")
    with pytest.warns(rasterio.errors.NotGeoreferencedWarning):
        write(tmp_path / "b.tif", depth, Affine.identity())
    cases = {
        "cannot be opened as a grid": tmp_path / "text.tif",
        "no coordinate system": write(tmp_path / "a.tif", depth, crs=None),
        "no position on the earth": tmp_path / "b.tif",
        "no band of real numbers": write(tmp_path / "c.tif", depth.astype(np.complex64), nodata=None),
        "fewer than 2": write(tmp_path / "d.tif", depth[:1]),
    }
    for words, path in cases.items():
        with pytest.raises(InputError, match=rf"^area\.toml, layer 1 \(depth\): .*{words}"):
            read(path)
    good = write(tmp_path / "e.tif", depth)
    with pytest.raises(InputError, match='values: "height" is not allowed'):
        read(good, values="height")
    with pytest.raises(InputError, match="unit"):
        read(good, unit="kg")
