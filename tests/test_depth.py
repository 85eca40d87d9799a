from __future__ import annotations

import json
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import rasterio
import shapely
from affine import Affine
from contourpy import contour_generator
from hypothesis import given, settings
from hypothesis import strategies as st

from layers._errors import InputError
from layers.depth import combine, extent, open_depth
from layers.depthareas import AreaDepth
from layers.model import Bounds, Depth
from layers.projection import LocalProjection, choose_projection

WHERE = "area.toml, layer 1 (depth)"
CENTRE = (180.0, -44.0)
BOX = (-1500.0, -1500.0, 1500.0, 1500.0)


def bottom(lon: Any, lat: Any) -> Any:
    """A bank on a slope, metres; degrees on either side of the 180th meridian."""
    east, north = ((np.asarray(lon) - CENTRE[0] + 180) % 360 - 180) * 80_000, (np.asarray(lat) - CENTRE[1]) * 111_000
    return 35 + east / 200 - 12 * np.exp(-(east**2 + north**2) / 900**2)


def geojson(path: Path, shapes: list[Any], fields: list[dict[str, Any]]) -> Path:
    listed = [
        {"type": "Feature", "properties": f, "geometry": json.loads(shapely.to_geojson(s))}
        for s, f in zip(shapes, fields, strict=True)
    ]
    path.write_text(json.dumps({"type": "FeatureCollection", "features": listed}), encoding="utf-8")
    return path


def cut_at_seam(shape: Any) -> Any:
    """Write what runs past 180° as RFC 7946 asks."""
    east = shapely.transform(shapely.intersection(shape, shapely.box(180, -90, 360, 90)), lambda c: c - (360, 0))
    return shapely.union(shapely.intersection(shape, shapely.box(0, -90, 180, 90)), east)


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Write the same bottom as a grid, soundings, contours and areas."""
    folder = tmp_path_factory.mktemp("bottom")
    lon, lat = np.linspace(179.97, 180.03, 241), np.linspace(-44.02, -43.98, 201)
    depth = bottom(*np.meshgrid(lon, lat))
    step = lon[1] - lon[0], lat[1] - lat[0]
    affine = Affine(step[0], 0, lon[0] - step[0] / 2, 0, -step[1], lat[-1] + step[1] / 2)
    with rasterio.open(folder / "d.tif", "w", driver="GTiff", height=201, width=241, count=1, dtype="float64",
                       crs="EPSG:4326", transform=affine) as data:  # fmt: skip
        data.write(-depth[::-1] / 0.3048, 1)
    rng = np.random.default_rng(5)
    x, y = rng.uniform(179.97, 180.03, 4000), rng.uniform(-44.02, -43.98, 4000)
    rows = [f"{a:.9f};{b:.9f};{c:.6f}" for a, b, c in zip((x + 180) % 360 - 180, y, bottom(x, y), strict=True)]
    (folder / "d.csv").write_text("\n".join(["lon;lat;depth", *rows]), encoding="utf-8")
    drawn = contour_generator(lon, lat, depth)
    values = np.arange(15.0, 50.0, 2.5)
    lines = [cut_at_seam(shapely.LineString(line)) for v in values for line in drawn.lines(v)]
    depths = [{"depth": v} for v in values for _ in drawn.lines(v)]
    geojson(folder / "contours.geojson", lines, depths)
    bands = []
    for low, high in pairwise(values):
        for points, offsets in zip(*drawn.filled(low, high), strict=True):
            rings = [points[a:b] for a, b in pairwise(offsets)]
            polygon = shapely.Polygon(rings[0], rings[1:])
            bands.append((cut_at_seam(polygon), {"DRVAL1": low, "DRVAL2": high}))
    geojson(folder / "areas.geojson", [b[0] for b in bands], [b[1] for b in bands])
    return {
        "grid": folder / "d.tif", "soundings": folder / "d.csv", "contours": folder / "contours.geojson",
        "areas": folder / "areas.geojson",
    }  # fmt: skip


@pytest.fixture(scope="module")
def layers(files: dict[str, Path]) -> dict[str, Depth]:
    outlines = np.concatenate([extent(path, form, WHERE) for form, path in files.items()])
    local = choose_projection(outlines)
    assert (local.lon0_deg, local.lat0_deg) == pytest.approx((-180, -44), abs=1e-3)
    ways = {"grid": ("elevation", "ft")}
    return {
        form: open_depth(path, local, form=form, where=WHERE,
                         **dict(zip(("values", "unit"), ways.get(form, ("depth", "m")), strict=True)))
        for form, path in files.items()
    }  # fmt: skip


def places(n: int = 3000, box: Bounds = BOX) -> tuple[np.ndarray, np.ndarray]:
    return tuple(np.random.default_rng(6).uniform(box[:2], box[2:], (n, 2)).T)  # type: ignore[return-value]


def test_extents_of_all_forms_run_over_the_180th_meridian(files: dict[str, Path]) -> None:
    for form, path in files.items():
        outline = extent(path, form, WHERE)
        east = (outline[:, 0] - 180 + 180) % 360 - 180
        reach = 0.025 if form == "contours" else 0.03  # contours end at 25 and 45 m
        assert (east.min(), east.max()) == pytest.approx((-reach, reach), abs=3e-4)
        assert (outline[:, 1].min(), outline[:, 1].max()) == pytest.approx((-44.02, -43.98), abs=2e-4)


def test_all_forms_of_a_bottom_answer_the_same(layers: dict[str, Depth]) -> None:
    x, y = places()
    truth = bottom(*LocalProjection(-180.0, -44.0).to_geographic(x, y))
    # Curvature over a cell or a triangle; between contours the interval 2.5 m bounds it; an area tells its minimum.
    for form, abs_m in (("grid", 0.02), ("soundings", 0.6)):
        assert layers[form].depth_at(x, y) == pytest.approx(truth, abs=abs_m)
    by_contours = layers["contours"].depth_at(x, y)
    on_bank = by_contours == 0  # inside the shallowest contour nothing is promised
    assert truth[on_bank].max() < 25.1
    assert (by_contours - truth).max() < 0.7
    assert (truth - by_contours)[~on_bank].max() < 4.0  # a flat triangle may be up to two intervals too shallow
    assert np.median(np.abs(by_contours - truth)) < 0.1
    by_areas = layers["areas"].depth_at(x, y)
    assert np.nanmax(by_areas - truth) < 0.02
    assert np.nanmax(truth - by_areas) < 2.52
    assert np.isnan(by_areas).mean() < 0.01
    exact = layers["grid"].depth_line(35.0, BOX)
    for form, off_m in (("soundings", 40.0), ("contours", 0.5), ("areas", 0.5)):
        line = layers[form].depth_line(35.0, BOX)
        assert exact.length > 2500
        assert line.length == pytest.approx(exact.length, rel=0.03)
        assert line.hausdorff_distance(exact) < off_m
    water = layers["grid"].deeper_than(35.0, BOX)
    for form, share in (("soundings", 0.01), ("contours", 0.03), ("areas", 0.001)):
        assert layers[form].deeper_than(35.0, BOX).symmetric_difference(water).area < share * water.area
        assert layers[form].known(BOX).area == pytest.approx(9e6, rel=1e-3)


def block(x0: float, x1: float, depth_m: float) -> AreaDepth:
    return AreaDepth(np.array([shapely.box(x0, 0, x1, 100)], dtype=object), np.array([depth_m]))


def steps(*depths_m: float) -> AreaDepth:
    """Columns 100 m wide from the west; NaN leaves one out."""
    some = [i for i, d in enumerate(depths_m) if not np.isnan(d)]
    boxes = np.array([shapely.box(100 * i, 0, 100 * i + 100, 100) for i in some], dtype=object)
    return AreaDepth(boxes, np.array([depths_m[i] for i in some], dtype=float))


def middles(layer: Depth, n: int) -> list[float]:
    return layer.depth_at(100 * np.arange(n) + 50.0, np.full(n, 50.0)).tolist()


def test_rank_wins_then_the_shallower() -> None:
    nan = np.nan
    low = steps(10, 10, 10, 10, nan, nan)
    old, new = steps(30, 30, nan, nan, nan, nan), steps(20, 40, 40, nan, 40, nan)
    assert combine([(0, low)]) is low
    both = combine([(1, old), (0, low), (1, new)])
    assert middles(both, 6) == pytest.approx([20, 30, 40, 10, 40, nan], nan_ok=True)
    assert both.deeper_than(25.0).equals(shapely.box(100, 0, 300, 100).union(shapely.box(400, 0, 500, 100)))
    assert both.deeper_than(5.0).equals(both.known())
    assert both.known().equals(shapely.box(0, 0, 500, 100))
    assert both.bounds == (0, 0, 500, 100)
    # The new layer's edge between 20 and 40 is the line at 40, but the old one is shallower beside it: no line.
    assert both.depth_line(40.0).is_empty
    assert combine([(2, new), (1, old), (0, low)]).depth_line(40.0).length == pytest.approx(100)
    with pytest.raises(ValueError, match="no depth layers"):
        combine([])


@pytest.mark.parametrize("form", ["grid", "soundings", "contours", "areas"])
def test_a_layer_twice_is_the_layer(layers: dict[str, Depth], form: str) -> None:
    one = layers[form]
    two = combine([(0, one), (0, one)])
    x, y = places(500)
    assert np.array_equal(two.depth_at(x, y), one.depth_at(x, y), equal_nan=True)
    assert two.depth_line(35.0, BOX).length == pytest.approx(one.depth_line(35.0, BOX).length, rel=1e-6)
    assert two.deeper_than(35.0, BOX).symmetric_difference(one.deeper_than(35.0, BOX)).area < 1


def test_a_chart_given_as_contours_and_areas_has_its_line_once(layers: dict[str, Depth]) -> None:
    contours, areas = layers["contours"], layers["areas"]
    line = combine([(0, contours), (0, areas)]).depth_line(35.0, BOX)
    alone = contours.depth_line(35.0, BOX)
    assert line.length == pytest.approx(alone.length, rel=0.01)
    assert len(line.geoms) == len(alone.geoms)


class Slope:
    """A plane over a box as a depth layer, in closed form; deep water and lines come from half-planes."""

    def __init__(self, bounds: Bounds, base_m: float, east: float, north: float) -> None:
        self.bounds = bounds
        self._base_m, self._east, self._north = base_m, east, north

    def depth_at(self, x: Any, y: Any) -> Any:
        inside = shapely.intersects_xy(shapely.box(*self.bounds), x, y)
        return np.where(inside, self._base_m + self._east * x + self._north * y, np.nan)

    def deeper_than(self, depth_m: float, within: Bounds | None = None, cell_m: float | None = None) -> Any:
        del cell_m
        steep = np.hypot(self._east, self._north)
        down = np.array([self._east, self._north]) / steep
        start, side = down * (depth_m - self._base_m) / steep, np.array([-down[1], down[0]])
        corners = [
            start + 9e3 * side,
            start - 9e3 * side,
            start - 9e3 * side + 9e3 * down,
            start + 9e3 * side + 9e3 * down,
        ]
        return self._known(within, shapely.Polygon(corners))

    def depth_line(self, depth_m: float, within: Bounds | None = None) -> Any:
        edge = self.deeper_than(depth_m, within).boundary
        box = shapely.box(*self.bounds)
        line = edge.difference(shapely.union(box.boundary, shapely.box(*(within or self.bounds)).boundary).buffer(1e-6))
        return shapely.multilinestrings(shapely.get_parts(line))

    def known(self, within: Bounds | None = None, cell_m: float | None = None) -> Any:
        del cell_m
        return self._known(within, shapely.box(*self.bounds))

    def _known(self, within: Bounds | None, shape: Any) -> Any:
        whole = shape.intersection(shapely.box(*self.bounds))
        return shapely.multipolygons(
            shapely.get_parts(whole if within is None else whole.intersection(shapely.box(*within)))
        )


slopes = st.builds(
    lambda x, y, w, h, base, turn: Slope((x, y, x + w, y + h), base, 0.05 * np.cos(turn), 0.05 * np.sin(turn)),
    st.integers(-500, 100), st.integers(-500, 100), st.integers(200, 700), st.integers(200, 700), st.integers(15, 45),
    st.floats(0, 6.2),
)  # fmt: skip


@settings(max_examples=25, deadline=None)
@given(ranked=st.lists(st.tuples(st.integers(0, 1), slopes), min_size=2, max_size=4), level=st.floats(20.5, 39.5))
def test_the_four_answers_of_several_layers_agree(ranked: list[tuple[int, Slope]], level: float) -> None:
    both = combine(ranked)
    x, y = places(800, (-500, -500, 800, 800))
    depth = both.depth_at(x, y)
    known, deep, line = both.known(), both.deeper_than(level), both.depth_line(level)
    assert np.isfinite(depth).tolist() == shapely.intersects_xy(known, x, y).tolist()
    clear = ~shapely.dwithin(deep.boundary, shapely.points(x, y), 0.01)
    assert (depth >= level)[clear].tolist() == shapely.intersects_xy(deep, x, y)[clear].tolist()
    assert deep.is_valid
    # On the line the depth is the level: nobody who has the say differs.
    if not line.is_empty:
        along = shapely.line_interpolate_point(line, np.linspace(0.02, 0.98, 40), normalized=True)
        ends = shapely.points(shapely.get_coordinates(line.boundary))
        along = along[shapely.distance(along, shapely.multipoints(ends)) > 1.0]
        found = both.depth_at(shapely.get_x(along), shapely.get_y(along))
        assert found == pytest.approx(level, abs=0.01)
    # Every edge of deep water that is no step is the line.
    edges = shapely.union_all([layer.known().boundary for _, layer in ranked])
    smooth = deep.boundary.difference(edges.buffer(0.01))
    assert smooth.difference(line.buffer(0.3)).length < 1.0


def test_water_of_several_layers_is_never_more_in_cells(layers: dict[str, Depth]) -> None:
    both = combine([(0, layers["grid"]), (0, layers["soundings"]), (1, layers["areas"])])
    exact = both.deeper_than(35.0, BOX)
    coarse = both.deeper_than(35.0, BOX, 60.0)
    assert coarse.difference(exact).area < 1
    assert coarse.area > 0.9 * exact.area


class Ragged(Slope):
    """So ragged a survey that no coarse cell of it is known throughout."""

    def known(self, within: Bounds | None = None, cell_m: float | None = None) -> Any:
        return super().known(within) if cell_m is None else shapely.MultiPolygon()

    def deeper_than(self, depth_m: float, within: Bounds | None = None, cell_m: float | None = None) -> Any:
        return super().deeper_than(depth_m, within) if cell_m is None else shapely.MultiPolygon()


@pytest.mark.parametrize("rank", [0, 1])
def test_a_shoal_too_ragged_for_cells_still_takes_water_away(rank: int) -> None:
    deep, shoal = Slope((0, 0, 900, 900), 60.0, 0.01, 0.0), Ragged((300, 300, 600, 600), 5.0, 0.01, 0.0)
    water = combine([(0, deep), (rank, shoal)]).deeper_than(30.0, None, 50.0)
    assert water.area == pytest.approx(900**2 - 300**2)


def test_another_form_is_told() -> None:
    with pytest.raises(InputError, match='form: "raster" is not allowed'):
        open_depth(Path("d.tif"), LocalProjection(0, 0), form="raster", values="depth", unit="m", where=WHERE)
    with pytest.raises(InputError, match='form: "raster" is not allowed'):
        extent(Path("d.tif"), "raster", WHERE)
