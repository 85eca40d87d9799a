from __future__ import annotations

import json
import tracemalloc
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import rasterio
import scipy.ndimage
import shapely
from affine import Affine
from pyproj import Transformer

from layers.depth import combine, open_depth
from layers.depthareas import AreaDepth
from layers.grid import grid_outline
from layers.model import Bounds
from layers.projection import LocalProjection, choose_projection
from layers.relief import (
    LEAST_SHARE,
    Surface,
    curvature,
    facing_rad,
    gradient,
    is_surface,
    position_index,
    sample,
    slope_at,
    slope_deg,
    surfaces,
)

SURVEY = Path(__file__).parents[2] / "shared/data/F00788_SR_8m.bag"
BOX = (-600.0, -400.0, 600.0, 400.0)
CELL = 10.0
PERCENT_HALF = 5e-3
INSIDE = (slice(2, -2), slice(2, -2))
Bottom = Callable[[Any, Any], Any]


@dataclass(frozen=True)
class Made:
    """A bottom in closed form, known in a box."""

    bottom: Bottom
    bounds: Bounds = BOX

    def depth_at(self, x: Any, y: Any) -> Any:
        west, south, east, north = self.bounds
        inside = (x >= west) & (x <= east) & (y >= south) & (y <= north)
        return np.where(inside, self.bottom(x, y), np.nan)

    def depth_line(self, *_: Any) -> Any:
        raise NotImplementedError

    deeper_than = known = depth_line


def surface_of(bottom: Bottom, cell_m: float = CELL) -> tuple[Surface, Any, Any]:
    surface = sample(Made(bottom), BOX, cell_m)
    return surface, *np.meshgrid(surface.x_m, surface.y_m)


def turned(bottom: Bottom, angle_rad: float) -> Bottom:
    """Return a bottom turned counter-clockwise."""
    c, s = np.cos(angle_rad), np.sin(angle_rad)
    return lambda x, y: bottom(c * x + s * y, -s * x + c * y)


def apart(one: Any, other: Any) -> Any:
    """Return the angle between directions, whole turns aside."""
    return np.abs((np.asarray(one) - other + np.pi) % (2 * np.pi) - np.pi)


def bumpy(x: Any, y: Any) -> Any:
    return 40 + x / 40 - y / 90 + 5 * np.sin(x / 90 + 0.3) * np.cos(y / 130) - 8 * np.exp(-(x**2 + y**2) / 150**2)


@pytest.mark.parametrize("angle_deg", [0.0, 17.0, 90.0, 200.0, 315.0])
def test_a_plane_has_its_slope_its_facing_and_no_curvature(angle_deg: float) -> None:
    angle = np.radians(angle_deg)
    surface, _, _ = surface_of(turned(lambda x, y: 60 + 0.05 * x + 0 * y, angle))
    east, north = gradient(surface)
    assert east[INSIDE] == pytest.approx(0.05 * np.cos(angle), abs=1e-12)
    assert north[INSIDE] == pytest.approx(0.05 * np.sin(angle), abs=1e-12)
    assert slope_deg(surface)[INSIDE] == pytest.approx(np.degrees(np.arctan(0.05)), rel=1e-9)
    assert apart(facing_rad(surface)[INSIDE], angle).max() < 1e-9
    bent = curvature(surface)
    for one in (bent.profile, bent.plan, bent.greatest, bent.least):
        assert np.abs(one[INSIDE]).max() < 1e-12
    index = position_index(surface, 30.0, 60.0)
    assert np.nanmax(np.abs(index)) < 1e-9
    assert np.isfinite(index[6:-6, 6:-6]).all()


def test_facing_becomes_a_course_on_the_chart() -> None:
    local = LocalProjection(-140.0, 50.0)
    surface, x, y = surface_of(lambda x, y: 50 + 0.03 * y + 0 * x)
    course = local.true_course_deg(x, y, facing_rad(surface))
    assert np.abs((course[INSIDE] + 180) % 360 - 180).max() < 0.01  # it deepens to the north


def test_level_bottom_faces_nowhere() -> None:
    surface, _, _ = surface_of(lambda x, y: 20 + 0 * x * y)
    assert (slope_deg(surface)[INSIDE] == 0).all()
    assert np.isnan(facing_rad(surface)).all()
    bent = curvature(surface)
    assert np.isnan(bent.profile).all()
    assert np.isnan(bent.plan).all()
    assert (bent.greatest[INSIDE] == 0).all()


def test_a_cone_is_as_steep_everywhere_and_bulges_across_its_slope() -> None:
    surface, x, y = surface_of(lambda x, y: 10 + 0.1 * np.hypot(x, y))
    far = np.hypot(x, y) > 100
    far[[0, -1]] = far[:, [0, -1]] = False
    away = np.hypot(x, y)[far]
    bent = curvature(surface)
    assert slope_deg(surface)[far] == pytest.approx(np.degrees(np.arctan(0.1)), rel=PERCENT_HALF)
    assert apart(facing_rad(surface)[far], np.arctan2(y, x)[far]).max() < 0.005
    assert np.abs(bent.plan[far] * away / 0.1 - 1).max() < PERCENT_HALF
    assert np.abs(bent.profile[far] * away / 0.1).max() < PERCENT_HALF
    middle = np.hypot(x, y).argmin()
    index = position_index(surface, 50.0, 100.0)
    assert index.ravel()[middle] > 5  # the ring lies 5 m to 10 m deeper than the tip
    assert np.nanargmax(index) in np.flatnonzero(np.hypot(x, y) < CELL)


@pytest.mark.parametrize(("a", "b"), [(1 / 3000, 1 / 5000), (-1 / 3000, -1 / 5000), (1 / 4000, -1 / 4000)])
def test_humps_holes_and_saddles_bend_as_they_must(a: float, b: float) -> None:
    surface, x, y = surface_of(lambda x, y: 80 + a * x**2 + b * y**2)
    bent = curvature(surface)
    assert bent.greatest[INSIDE] == pytest.approx(2 * max(a, b), rel=1e-6)
    assert bent.least[INSIDE] == pytest.approx(2 * min(a, b), rel=1e-6)
    gx, gy = 2 * a * x, 2 * b * y
    squared = gx**2 + gy**2
    profile, plan = (2 * a * gx**2 + 2 * b * gy**2) / squared, (2 * a * gy**2 + 2 * b * gx**2) / squared
    assert np.abs(bent.profile - profile)[INSIDE].max() < PERCENT_HALF * 2 * abs(a)
    assert np.abs(bent.plan - plan)[INSIDE].max() < PERCENT_HALF * 2 * abs(a)
    assert slope_deg(surface)[INSIDE] == pytest.approx(np.degrees(np.arctan(np.sqrt(squared)))[INSIDE], rel=1e-6)
    # over a whole ring the mean of a quadratic is its own: half of (a + b) r² on average
    rings = np.add.outer(np.arange(-5, 6) ** 2, np.arange(-5, 6) ** 2) * CELL**2
    expected = (a + b) / 2 * rings[(rings >= 30.0**2) & (rings <= 50.0**2)].mean()
    assert position_index(surface, 30.0, 50.0)[5:-5, 5:-5] == pytest.approx(expected, rel=1e-6, abs=1e-9)


def test_a_sine_ridge() -> None:
    k, height = 2 * np.pi / 800, 6.0
    surface, x, _ = surface_of(lambda x, y: 40 - height * np.cos(k * x) + 0 * y)
    slope, bend = height * k * np.sin(k * x), height * k**2 * np.cos(k * x)
    east, north = gradient(surface)
    assert np.abs(east - slope)[INSIDE].max() < PERCENT_HALF * height * k
    assert np.abs(north)[INSIDE].max() < 1e-12
    bent = curvature(surface)
    steep = np.abs(slope) > 1e-3
    steep[[0, -1]] = steep[:, [0, -1]] = False
    assert np.abs(bent.profile - bend)[steep].max() < PERCENT_HALF * height * k**2
    assert np.abs(bent.plan)[steep].max() < 1e-12
    index = position_index(surface, 50.0, 100.0)
    assert np.all(index[:, np.abs(surface.x_m) < 100][10:-10] > 0)  # a crest, shallow at x = 0
    assert np.all(index[:, np.abs(np.abs(surface.x_m) - 400) < 50][10:-10] < 0)


def test_a_quarter_turn_turns_every_answer() -> None:
    box = (-300.0, -300.0, 300.0, 300.0)
    one = sample(Made(bumpy), box, CELL)
    # on a map with north up, counter-clockwise; rows run north, so np.rot90 must turn the other way
    other = sample(Made(turned(bumpy, np.pi / 2)), box, CELL)
    assert other.depth_m == pytest.approx(np.rot90(one.depth_m, -1), abs=1e-9)
    assert slope_deg(other)[INSIDE] == pytest.approx(np.rot90(slope_deg(one), -1)[INSIDE], abs=1e-9)
    assert apart(facing_rad(other), np.rot90(facing_rad(one), -1) + np.pi / 2)[INSIDE].max() < 1e-6
    for name in ("profile", "plan", "greatest", "least"):
        want = np.rot90(getattr(curvature(one), name), -1)[INSIDE]
        assert getattr(curvature(other), name)[INSIDE] == pytest.approx(want, abs=1e-9)
    want = np.rot90(position_index(one, 30, 70), -1)
    assert position_index(other, 30, 70) == pytest.approx(want, abs=1e-9, nan_ok=True)


def test_a_turn_by_30_degrees_turns_the_facing_only() -> None:
    angle = np.radians(30)
    x, y = (one.ravel() for one in np.meshgrid(np.linspace(-200, 200, 21), np.linspace(-150, 150, 16)))
    there = np.cos(angle) * x - np.sin(angle) * y, np.sin(angle) * x + np.cos(angle) * y
    steep, facing = slope_at(Made(bumpy), x, y, 4.0)
    steep_there, facing_there = slope_at(Made(turned(bumpy, angle)), *there, 4.0)
    assert steep_there == pytest.approx(steep, rel=PERCENT_HALF, abs=PERCENT_HALF)
    assert apart(facing_there, facing + angle)[steep > 0.5].max() < 0.01
    surface, at_x, at_y = surface_of(turned(lambda x, y: 80 + x**2 / 3000 - y**2 / 5000, angle))
    bent = curvature(surface)
    assert bent.greatest[INSIDE] == pytest.approx(2 / 3000, rel=1e-6)
    assert bent.least[INSIDE] == pytest.approx(-2 / 5000, rel=1e-6)
    u, v = np.cos(angle) * at_x + np.sin(angle) * at_y, -np.sin(angle) * at_x + np.cos(angle) * at_y
    gu, gv = 2 * u / 3000, -2 * v / 5000
    profile = (2 / 3000 * gu**2 - 2 / 5000 * gv**2) / (gu**2 + gv**2)
    assert np.abs(bent.profile - profile)[INSIDE].max() < PERCENT_HALF * 2 / 3000


def test_a_larger_copy_is_as_steep_and_bends_less() -> None:
    one = sample(Made(bumpy), BOX, CELL)
    box = (3 * BOX[0], 3 * BOX[1], 3 * BOX[2], 3 * BOX[3])
    other = sample(Made(lambda x, y: 3 * bumpy(x / 3, y / 3), box), box, 3 * CELL)
    assert slope_deg(other)[INSIDE] == pytest.approx(slope_deg(one)[INSIDE], rel=1e-9)
    assert curvature(other).profile[INSIDE] == pytest.approx(curvature(one).profile[INSIDE] / 3, abs=1e-10)
    here, there = position_index(one, 40, 80), position_index(other, 120, 240)
    assert there == pytest.approx(3 * here, abs=1e-9, nan_ok=True)


def test_scipy_finds_the_same_gradient() -> None:
    # source: Horn's differences are those of Sobel's operator, scipy.ndimage.sobel, over eight cells
    surface, _, _ = surface_of(bumpy)
    east, north = gradient(surface)
    assert east[INSIDE] == pytest.approx(scipy.ndimage.sobel(surface.depth_m, 1)[INSIDE] / 8 / CELL, abs=1e-12)
    assert north[INSIDE] == pytest.approx(scipy.ndimage.sobel(surface.depth_m, 0)[INSIDE] / 8 / CELL, abs=1e-12)


def test_a_general_purpose_library_finds_the_same_slope_and_facing() -> None:
    xarray = pytest.importorskip("xarray")
    xrspatial = pytest.importorskip("xrspatial", reason="xarray-spatial is not installed")
    surface, _, _ = surface_of(bumpy)
    north_up = xarray.DataArray(
        -surface.depth_m[::-1], dims=("y", "x"), coords={"y": surface.y_m[::-1], "x": surface.x_m}, attrs={"res": CELL}
    )
    slope = np.asarray(xrspatial.slope(north_up))[::-1]
    aspect = np.asarray(xrspatial.aspect(north_up))[::-1]  # degrees clockwise from north, down the slope
    assert slope[INSIDE] == pytest.approx(slope_deg(surface)[INSIDE], rel=1e-4, abs=1e-4)
    steep = slope_deg(surface)[INSIDE] > 0.5
    assert apart(np.radians(90 - aspect), facing_rad(surface))[INSIDE][steep].max() < 1e-3


def test_unknown_water_gives_nothing_beside_it() -> None:
    surface, _, _ = surface_of(bumpy)
    surface.depth_m[20:24, 30] = np.nan
    surface.depth_m[50, 90] = np.nan
    unknown = scipy.ndimage.binary_dilation(np.isnan(surface.depth_m), np.ones((3, 3)), border_value=1)
    bent = curvature(surface)
    for one in (*gradient(surface), slope_deg(surface), facing_rad(surface), *vars(bent).values()):
        assert np.array_equal(np.isnan(one), unknown)


def test_a_ring_counts_whole_or_in_its_greater_part() -> None:
    surface, x, y = surface_of(bumpy)
    surface.depth_m[(x > 300) | (np.hypot(x + 400, y) < 25)] = np.nan
    index, inner, outer = position_index(surface, 30.0, 60.0), 30.0, 60.0
    known = np.isfinite(surface.depth_m)
    i, j = (one.ravel() for one in np.mgrid[-6:7, -6:7])
    in_ring = (np.hypot(i, j) * CELL >= inner) & (np.hypot(i, j) * CELL <= outer)
    i, j = i[in_ring], j[in_ring]
    kinds = set()
    for row, column in [
        (40, 60),
        (40, 20),
        (40, 14),
        (30, 88),
        (40, 83),
        (40, 84),
        (40, 85),
        (0, 0),
        (40, 95),
        (3, 50),
    ]:
        r, c = row + i, column + j
        at = (r >= 0) & (r < known.shape[0]) & (c >= 0) & (c < known.shape[1])
        at[at] = known[r[at], c[at]]
        z = surface.depth_m[r[at], c[at]]
        if not known[row, column] or at.sum() < LEAST_SHARE * len(i):
            kinds.add("unknown")
            assert np.isnan(index[row, column])
            continue
        kinds.add("whole" if at.all() else "part")
        plane = np.linalg.lstsq(np.column_stack([np.ones(at.sum()), i[at], j[at]]), z, rcond=None)[0][0]
        want = z.mean() if at.all() else plane
        assert index[row, column] == pytest.approx(want - surface.depth_m[row, column], abs=1e-9)
    assert kinds == {"whole", "part", "unknown"}
    with pytest.raises(ValueError, match="no cell of 10 m lies between 1 m and 9 m"):
        position_index(surface, 1.0, 9.0)


def test_the_edge_of_a_slope_is_no_hump() -> None:
    surface, x, _ = surface_of(lambda x, y: 60 + 0.2 * x + 0 * y)
    surface.depth_m[x < -200] = np.nan  # the shallow half is not known
    index = position_index(surface, 30.0, 80.0)
    assert np.isfinite(index).sum() > 0.4 * index.size
    assert np.nanmax(np.abs(index)) < 1e-9


def test_a_cell_is_the_mean_of_its_points_and_two_boxes_have_the_same_cells() -> None:
    surface = sample(Made(lambda x, y: x**2 + 0 * y), (3.0, 0.0, 38.0, 12.0), 10.0)
    assert (surface.x0_m, surface.y0_m, surface.depth_m.shape) == (0.0, 0.0, (2, 4))
    points = (np.arange(4) + 0.5) * 2.5
    assert surface.depth_m[0] == pytest.approx([np.mean((first + points) ** 2) for first in (0, 10, 20, 30)])
    one, other = sample(Made(bumpy), BOX, 7.0), sample(Made(bumpy), (-123.4, -99.0, 250.0, 61.0), 7.0)
    assert np.array_equal(one.depth_m[one.cells_in(other.bounds)], other.depth_m)
    assert np.isnan(sample(Made(bumpy), (-620.0, 0.0, -580.0, 10.0), 10.0).depth_m).tolist() == [
        [True, True, False, False]
    ]


def test_a_place_answers_as_the_cell_it_is_the_middle_of() -> None:
    surface, x, y = surface_of(bumpy)
    steep, facing = slope_at(Made(bumpy), x, y, CELL)
    inner = (slice(1, -1), slice(1, -1))
    assert steep.shape == x.shape
    assert steep[inner] == pytest.approx(slope_deg(surface)[inner], abs=1e-9)
    assert apart(facing, facing_rad(surface))[inner].max() < 1e-6
    assert np.array_equal(np.isnan(steep), np.isnan(slope_deg(surface)))
    one, _ = slope_at(Made(bumpy), x[5, 7], y[5, 7], CELL)
    assert float(one) == pytest.approx(steep[5, 7])


def test_windows_are_one_piece() -> None:
    depth = Made(lambda x, y: np.where(np.hypot(x - 80, y) < 30, np.nan, bumpy(x, y)))
    whole = sample(depth, BOX, CELL)
    found = {name: np.full(whole.depth_m.shape, np.nan) for name in ("depth", "slope", "plan", "index")}
    area = 0.0
    for surface, core in surfaces(depth, CELL, tile_cells=33, halo_cells=9):
        there, here = whole.cells_in(core), surface.cells_in(core)
        area += (core[2] - core[0]) * (core[3] - core[1])
        found["depth"][there] = surface.depth_m[here]
        found["slope"][there] = slope_deg(surface)[here]
        found["plan"][there] = curvature(surface).plan[here]
        found["index"][there] = position_index(surface, 40.0, 90.0)[here]
    assert area == pytest.approx(1200 * 800)
    assert np.array_equal(found["depth"], whole.depth_m, equal_nan=True)
    assert np.array_equal(found["slope"], slope_deg(whole), equal_nan=True)
    assert np.array_equal(found["plan"], curvature(whole).plan, equal_nan=True)
    assert found["index"] == pytest.approx(position_index(whole, 40.0, 90.0), abs=1e-9, nan_ok=True)


def test_windows_hold_no_more_for_a_larger_extent() -> None:
    peaks = []
    for columns in (400, 6400):
        depth = Made(lambda x, y: 30 + 0.01 * x + 0 * y, (0.0, 0.0, columns * 5.0, 500.0))
        tracemalloc.start()
        count = sum(1 for _ in surfaces(depth, 5.0, tile_cells=100, halo_cells=5))
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
        assert count == columns // 100
    assert peaks[1] < 1.1 * peaks[0]
    assert peaks[1] < 40e6


def areas(*boxes: tuple[Bounds, float]) -> AreaDepth:
    return AreaDepth(np.array([shapely.box(*box) for box, _ in boxes]), np.array([depth for _, depth in boxes]))


def test_depth_areas_tell_no_shape() -> None:
    steps = areas(((-600, -400, 0, 400), 10.0), ((0, -400, 600, 400), 20.0))
    assert not is_surface(steps, BOX)
    assert np.isnan(sample(steps, BOX, 50.0).depth_m).all()
    assert list(surfaces(steps, 50.0)) == []
    assert np.isnan(slope_at(steps, 0.0, 0.0, 20.0)[0])


def test_where_areas_have_the_say_the_shape_is_unknown() -> None:
    slope = Made(lambda x, y: 30 + 0.05 * x + 0 * y)
    shoal = areas(((-200, -100, 200, 100), 5.0))  # everywhere shallower, so of one rank it has the say
    deep = areas(((-200, -100, 200, 100), 90.0))
    x, y = np.meshgrid(*(getattr(sample(slope, BOX, 20.0), axis) for axis in ("x_m", "y_m")))
    inside = (np.abs(x) < 200) & (np.abs(y) < 100)
    beside = (np.abs(x) < 220) & (np.abs(y) < 120)
    over = sample(combine([(0, slope), (1, deep)]), BOX, 20.0).depth_m
    assert np.array_equal(np.isnan(over), inside)
    same = sample(combine([(0, slope), (0, shoal)]), BOX, 20.0).depth_m
    assert np.array_equal(np.isnan(same), inside)
    other = sample(combine([(0, shoal), (0, slope)]), BOX, 20.0).depth_m
    assert np.array_equal(np.isnan(other), inside)
    # it knows, but is deeper: the slope has the say; along its edge something counts that did not
    under = sample(combine([(0, slope), (0, deep)]), BOX, 20.0).depth_m
    assert np.isfinite(under[beside]).any()
    assert under[np.isfinite(under)] == pytest.approx((30 + 0.05 * x)[np.isfinite(under)])
    assert np.array_equal(
        sample(combine([(1, slope), (0, shoal)]), BOX, 20.0).depth_m, sample(slope, BOX, 20.0).depth_m
    )
    assert is_surface(combine([(0, slope), (1, shoal)]), BOX)
    assert not is_surface(combine([(0, Made(bumpy, (5e3, 5e3, 6e3, 6e3))), (1, shoal)]), BOX)


def test_a_seam_between_layers_is_no_ledge() -> None:
    old = Made(lambda x, y: 30 + 0.05 * y + 0 * x)
    new = Made(lambda x, y: 34 + 0.05 * y + 0 * x, (-600.0, -400.0, 7.0, 400.0))
    both = combine([(0, old), (1, new)])
    surface = sample(both, BOX, CELL)
    slope = slope_deg(surface)
    assert np.nanmax(slope) == pytest.approx(np.degrees(np.arctan(0.05)), rel=1e-6)
    assert np.isnan(slope[:, np.abs(surface.x_m - 7) < 15]).all()
    assert np.isfinite(slope[1:-1, (np.abs(surface.x_m - 7) > 40) & (np.abs(surface.x_m) < 580)]).all()
    assert np.isnan(slope_at(both, 12.0, 0.0, CELL)[0])
    assert slope_at(both, 40.0, 0.0, CELL)[0] == pytest.approx(np.degrees(np.arctan(0.05)))
    pieces = [(s.depth_m[s.cells_in(core)], surface.cells_in(core)) for s, core in surfaces(both, CELL, tile_cells=12)]
    for depth_m, there in pieces:
        assert np.array_equal(depth_m, surface.depth_m[there], equal_nan=True)


def write_features(path: Path, shapes: list[Any], depths: list[float], local: LocalProjection) -> Path:
    listed = [
        {"type": "Feature", "properties": {"depth": d}, "geometry": json.loads(shapely.to_geojson(local.unproject(s)))}
        for s, d in zip(shapes, depths, strict=True)
    ]
    path.write_text(json.dumps({"type": "FeatureCollection", "features": listed}), encoding="utf-8")
    return path


def test_soundings_and_contours(tmp_path: Path) -> None:
    local = LocalProjection(-140.0, 50.0)
    keys: dict[str, Any] = {"values": "depth", "unit": "m", "where": "area.toml, layer 1 (depth)"}
    xy = np.random.default_rng(3).uniform(-400, 400, (900, 2))
    points = write_features(tmp_path / "s.geojson", list(shapely.points(xy)), list(40 + 0.06 * xy[:, 0]), local)
    soundings = open_depth(points, local, form="soundings", **keys)
    surface = sample(soundings, BOX, 25.0)
    assert np.isfinite(slope_deg(surface)).sum() > 500
    assert slope_deg(surface)[np.isfinite(slope_deg(surface))] == pytest.approx(np.degrees(np.arctan(0.06)), rel=1e-3)
    # a cone drawn by rings: its top is not drawn, and counts as a step up to the next depth line
    rings = [shapely.Point(0, 0).buffer(radius, 64).exterior for radius in range(60, 411, 50)]
    lines = write_features(tmp_path / "c.geojson", rings, [radius / 10 for radius in range(60, 411, 50)], local)
    contours = open_depth(lines, local, form="contours", **keys)
    surface = sample(contours, BOX, 10.0)
    away = np.hypot(*np.meshgrid(surface.x_m, surface.y_m))
    assert float(contours.depth_at(np.zeros(1), np.zeros(1))[0]) == 0.0
    assert np.isnan(surface.depth_m[away < 45]).all()
    between = (away > 80) & (away < 390)
    assert np.isfinite(slope_deg(surface)[between]).all()
    assert slope_deg(surface)[between] == pytest.approx(np.degrees(np.arctan(0.1)), rel=0.02)


def planes_of(survey: Path, count: int) -> tuple[Any, Any, Any, Any]:
    """Return places of a survey and, by a plane through 3 × 3 raw cells there, its gradient to grid east and north."""
    with rasterio.open(survey) as data:
        raw = data.read(1, masked=True).astype(float).filled(np.nan)
        cell, west, north = data.transform.a, data.transform.c, data.transform.f
    whole = np.flatnonzero(scipy.ndimage.binary_erosion(np.isfinite(raw), np.ones((5, 5))))
    rows, columns = np.unravel_index(np.random.default_rng(1).choice(whole, count, replace=False), raw.shape)
    frame = np.array([[1.0, i, j] for i in (-1, 0, 1) for j in (-1, 0, 1)])
    nine = np.stack([raw[rows + i, columns + j] for i in (-1, 0, 1) for j in (-1, 0, 1)])
    fit = np.linalg.lstsq(frame, nine, rcond=None)[0]
    return west + (columns + 0.5) * cell, north - (rows + 0.5) * cell, -fit[2] / cell, fit[1] / cell


def check_against_planes(survey: Path, crs: str, count: int) -> None:
    local = choose_projection(np.column_stack(grid_outline(survey, "survey")))
    depth = open_depth(survey, local, form="grid", values="elevation", unit="m", where="survey")
    east, north, gx, gy = planes_of(survey, count)
    lon, lat = Transformer.from_crs(crs, "EPSG:4326", always_xy=True).transform(east, north)
    steep, facing = slope_at(depth, *local.to_local(lon, lat), 8.0)
    assert np.isfinite(steep).all()
    by_plane = np.degrees(np.arctan(np.hypot(gx, gy)))
    # the mean of bilinear points and Horn's weights smooth a little where a plane through nine does not
    assert np.median(np.abs(steep - by_plane) / by_plane) < 0.05
    assert np.median(steep / by_plane) == pytest.approx(1.0, abs=0.03)
    clear = by_plane > 2
    assert np.median(apart(facing, np.arctan2(gy, gx))[clear]) < np.radians(4)  # convergence of the grid included


def test_a_grid_file_against_planes_through_its_cells(tmp_path: Path) -> None:
    x, y = np.meshgrid((np.arange(150) - 75) * 8.0, (75 - np.arange(150)) * 8.0)
    with rasterio.open(
        tmp_path / "d.tif", "w", driver="GTiff", height=150, width=150, count=1, dtype="float64", nodata=-9999.0,
        crs="EPSG:32610", transform=Affine(8, 0, 520_000 - 604, 0, -8, 5_300_000 + 604),
    ) as data:  # fmt: skip
        elevation = -bumpy(x, y)
        elevation[40:44, 100:110] = -9999.0
        data.write(elevation, 1)
    check_against_planes(tmp_path / "d.tif", "EPSG:32610", 300)


@pytest.mark.realdata
@pytest.mark.skipif(not SURVEY.exists(), reason="the survey F00788 is not in ../shared/data")
def test_a_real_survey_against_planes_through_its_cells() -> None:
    check_against_planes(SURVEY, "EPSG:26910", 300)
