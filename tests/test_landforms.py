"""Forms of the bottom: exact counts on closed forms, none in noise, whole across windows, written and read again."""

from __future__ import annotations

import shutil
import tracemalloc
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pytest
import shapely
from scipy import ndimage

from layers.area import open_area
from layers.landformfiles import stale, write_landforms
from layers.landformnoise import noise_m
from layers.landforms import choose_scales, landforms, stated_doubt
from layers.landformwords import landform_words
from layers.model import Landform, Show
from tests.small_area import SmallArea
from tests.test_real_water import SURVEY, write_area

Bottom = Callable[[np.ndarray, np.ndarray], np.ndarray]


@dataclass
class Water:
    """A bottom in closed form as a depth, known in a square, with survey noise on a grid of 8 m."""

    bottom: Bottom
    half_m: float = 1000.0
    noise: np.ndarray | None = None

    @property
    def bounds(self) -> tuple[float, float, float, float]:
        return -self.half_m, -self.half_m, self.half_m, self.half_m

    def depth_at(self, x: np.ndarray, y: np.ndarray) -> np.ndarray:
        z = self.bottom(x, y) + 0.0 * x
        if self.noise is not None:
            at = [(y + self.half_m) / 8.0, (x + self.half_m) / 8.0]
            z = z + ndimage.map_coordinates(self.noise, at, order=1, mode="nearest")
        return np.where((abs(x) <= self.half_m) & (abs(y) <= self.half_m), z, np.nan)


def noise(seed: int, sd: float, cells: float, half_m: float = 1000.0) -> np.ndarray:
    field = np.random.default_rng(seed).normal(size=(int(half_m / 4) + 1,) * 2)
    field = ndimage.gaussian_filter(field, cells / 2) if cells else field
    return np.asarray(sd * field / field.std())


def bump(x: np.ndarray, y: np.ndarray, x0: float, y0: float, height: float, sigma: float) -> np.ndarray:
    return height * np.exp(-((x - x0) ** 2 + (y - y0) ** 2) / (2 * sigma**2))


PLACES = ((-600, -600, 40), (0, -500, 50), (600, -300, 60), (-300, 400, 60), (500, 600, 50))


def bumps(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    return sum(bump(x, y, a, b, 6.0, sigma) for a, b, sigma in PLACES)


def found(water: Water, scales: tuple[float, ...] = (25.0, 75.0), **more: object) -> tuple[Landform, ...]:
    return landforms(water, scales_m=scales, **more)  # type: ignore[arg-type]


def counts(forms: tuple[Landform, ...]) -> dict[str, int]:
    return dict(Counter(form.kind for form in forms))


@pytest.mark.parametrize(("kind", "sign"), [("hump", -1.0), ("hole", 1.0)])
def test_as_many_humps_or_holes_as_there_are(kind: str, sign: float) -> None:
    forms = found(Water(lambda x, y: 40 + 0.01 * x + 0.02 * y + sign * bumps(x, y)))
    told = counts(forms)
    # a hump on a slope has a saddle behind it
    assert told.pop("saddle", 0) <= len(PLACES)
    assert told == {kind: len(PLACES)}
    for a, b, sigma in PLACES:
        (form,) = [one for one in forms if one.kind == kind and one.shape.intersects(shapely.Point(a, b).buffer(25))]
        assert 0.6 * 6 < form.height_m <= 6  # of the bump's 6 m, for the ring around it is not all foot
        # where a Gaussian turns from dome to foot: √2 σ from its middle
        assert np.sqrt(form.shape.area / np.pi) == pytest.approx(np.sqrt(2) * sigma, rel=0.5)


def test_a_flat_top_is_one_hump() -> None:
    forms = found(Water(lambda x, y: 40 - 4 * (1 - np.tanh((np.hypot(x, y) - 70) / 25))))
    assert counts(forms)["hump"] == 1
    assert forms[0].shape.contains(shapely.Point(0, 0))
    assert forms[0].depth_min_m == pytest.approx(32, abs=0.3)


def test_a_plane_is_nothing_and_level_ground_a_flat() -> None:
    assert found(Water(lambda _, y: 40 + 0.03 * y)) == ()
    level = found(Water(lambda _, y: 40 + 0.002 * y))
    assert counts(level) == {"flat": 1}
    # what has all eight cells beside it known after smoothing: two cells of 25 m off the edge
    assert level[0].shape.area == pytest.approx(1900.0**2, rel=0.02)


def test_a_straight_escarpment_is_one_drop_off_and_a_low_one_a_ledge() -> None:
    (edge,) = [one for one in found(Water(lambda x, y: 40 + 8 * np.tanh((0.3 * x + y) / 30))) if one.kind != "flat"]
    assert edge.kind == "drop-off"
    # its edge runs along y = -0.3 x, on the shallow side
    x, y = shapely.get_coordinates(edge.shape).T
    across = (0.3 * x + y) / np.hypot(0.3, 1)
    assert across.max() < 0
    assert np.ptp(across) < 20
    assert edge.length_m == pytest.approx(2000 * np.hypot(0.3, 1), rel=0.05)
    assert 10 < edge.height_m < 16
    low = found(Water(lambda x, y: 40 + 2.9 * np.tanh((0.3 * x + y) / 9)))
    assert counts(low) == {"ledge": 1, "flat": 2}


def test_a_waving_shore_has_a_point_and_a_pocket_a_wave() -> None:
    # depth lines wave as 100 m sin(2 π x / 500): on each of them four crests and four hollows in 2000 m
    forms = found(Water(lambda x, y: 70 + 0.06 * (y + 100 * np.sin(2 * np.pi * (x - 30) / 500))))
    assert counts(forms) == {"point": 4, "pocket": 4}
    for kind, phase in (("point", 0.75), ("pocket", 0.25)):
        at = sorted(one.shape.interpolate(0.5, normalized=True).x for one in forms if one.kind == kind)
        wanted = [30 + 500 * (n + phase) for n in range(-3, 3)]
        assert at == pytest.approx([x for x in wanted if abs(x) < 1000][: len(at)], abs=60)
    assert all(2 < one.height_m <= 6.5 for one in forms)


def test_two_humps_with_a_col_have_one_saddle() -> None:
    forms = found(Water(lambda x, y: 40 - bump(x, y, -150, 0, 8, 75) - bump(x, y, 150, 0, 8, 75) + 0.0 * x))
    assert {kind: n for kind, n in counts(forms).items() if kind != "flat"} == {"hump": 2, "saddle": 1}
    (col,) = [one for one in forms if one.kind == "saddle"]
    assert col.shape.centroid.distance(shapely.Point(0, 0)) < 15


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("sd", [0.1, 0.5])
@pytest.mark.parametrize("cells", [0.0, 2.5])
def test_survey_noise_on_a_plane_is_no_form(seed: int, sd: float, cells: float) -> None:
    water = Water(lambda _, y: 40 + 0.03 * y, 600.0, noise(seed, sd, cells, 600.0))
    assert found(water) == ()


def test_noise_is_told_from_the_data_and_hides_what_is_smaller() -> None:
    def bottom(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        return 40 + 0.01 * y - bump(x, y, 0, 0, 3.0, 40)

    assert noise_m(Water(bottom, noise=noise(1, 0.3, 2.5)), 8.0, (-1000, -1000, 1000, 1000)) == pytest.approx(
        0.3, rel=0.35
    )  # type: ignore[arg-type]
    assert counts(found(Water(bottom)))["hump"] == 1
    assert counts(found(Water(bottom), uncertainty_m=1.0))["hump"] == 1
    assert "hump" not in counts(found(Water(bottom, noise=noise(1, 1.0, 2.5))))
    assert "hump" not in counts(found(Water(bottom), uncertainty_m=4.0))
    assert "hump" not in counts(found(Water(bottom), uncertainty_m=lambda x, _: np.where(abs(x) < 150, np.nan, 0.0)))


def test_unknown_water_and_its_edge_give_no_form() -> None:
    def holed(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        z = 60 + 0.04 * y + 0.02 * x
        return np.where((np.hypot(x - 200, y) < 120) | (x + 0.3 * y > 700), np.nan, z)

    assert found(Water(holed)) == ()
    # half of a hump on the edge of what is known is none
    half = Water(lambda x, y: np.where(x < 0, 40 + 0.03 * y - bump(x, y, 0, 0, 6, 60), np.nan))
    assert "hump" not in counts(found(half))


def test_forms_across_the_seams_of_windows_are_found_once_and_whole() -> None:
    water = Water(lambda x, y: 60 + 10 * np.tanh((0.3 * x + y - 500) / 30) - bumps(x, y - 300))
    whole, cut = found(water), found(water, tile_cells=37)
    assert len(whole) > len(PLACES)
    assert [(one.kind, one.scale_m) for one in cut] == [(one.kind, one.scale_m) for one in whole]
    for one, other in zip(whole, cut, strict=True):
        if one.kind in ("point", "pocket"):
            assert shapely.hausdorff_distance(one.shape, other.shape) < 10
        else:
            assert shapely.equals(shapely.normalize(one.shape), shapely.normalize(other.shape))
            assert other.height_m == pytest.approx(one.height_m, rel=1e-9)


def test_memory_holds_a_window_whatever_the_extent() -> None:
    found(Water(bumps, 300.0), (75.0,))  # what is imported on the way counts for neither

    def most(half_m: float) -> float:
        water = Water(lambda x, y: 60 + 0.003 * x + 0.04 * y, half_m)
        tracemalloc.start()
        found(water, (75.0,), tile_cells=40)
        peak = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        return peak

    small, large = most(1000.0), most(3000.0)
    assert large < 2.0 * small  # nine times the water


def test_forms_become_a_layer_that_tells_when_it_is_stale(tmp_path: Path) -> None:
    made = SmallArea(lambda x, y: 40 + 0.02 * y - bumps(x, y), half_m=1000.0, cell_m=10.0)
    folder = made.write(tmp_path / "area")
    area = open_area(folder)
    assert stale(area) is None
    forms = landforms(area.depth, scales_m=(75.0,))
    path = write_landforms(folder, area, forms)
    assert path == folder.resolve() / "landforms.gpkg"
    again = open_area(folder)
    assert stale(again) is None
    assert [replace(one, source=None, shape=None) for one in again.landforms] == [
        replace(one, shape=None, **{k: round(getattr(one, k), 2) for k in (
            "scale_m", "depth_min_m", "depth_max_m", "height_m", "slope_deg", "length_m", "significance")})
        for one in forms
    ]  # fmt: skip
    for one, other in zip(forms, again.landforms, strict=True):
        assert shapely.hausdorff_distance(one.shape, other.shape) < 1e-3
    # computed again: one layer still
    text = (folder / "area.toml").read_text()
    write_landforms(folder, again, forms[:2])
    assert (folder / "area.toml").read_text() == text
    assert len(open_area(folder).landforms) == 2
    # other depth
    replace(made, bottom=lambda x, y: 41 + 0.02 * y - bumps(x, y)).write(tmp_path / "other")
    (folder / "depth.tif").write_bytes((tmp_path / "other" / "depth.tif").read_bytes())
    told = stale(open_area(folder))
    assert told is not None
    assert "computed again" in told.remedy
    # none: no layer
    assert write_landforms(folder, open_area(folder), ()) is None
    assert "landform" not in (folder / "area.toml").read_text()
    assert not (folder / "landforms.gpkg").exists()


def test_scales_and_words() -> None:
    assert choose_scales(Water(bumps, 500.0)) == (25.0, 75.0)  # type: ignore[arg-type]
    assert choose_scales(Water(bumps, 8000.0)) == (75.0, 225.0)  # type: ignore[arg-type]
    show = Show("ft", "NM", "kn")
    form = Landform("drop-off 1", "drop-off", shapely.LineString([(0, 0), (300, 0)]), 25, 20, 40, 15, 20, 300, 4)
    assert landform_words(form, show) == (
        "drop-off 1: goes down by 49.2 ft; 65.6 ft to 131 ft deep; 984 ft long; 20° steep; scale 25 m, significance 4.0"
    )
    gentle = replace(form, name="The Shelf", kind="flat", depth_max_m=20.0, length_m=5000.0, slope_deg=0.23)
    assert landform_words(gentle, show) == (
        "The Shelf, flat: its depth differs by 49.2 ft; 65.6 ft deep; 2.70 NM long; 0.2° steep; "
        "scale 25 m, significance 4.0"
    )


@pytest.mark.realdata
@pytest.mark.skipif(not SURVEY.exists(), reason="the public survey F00788 is not in ../shared/data")
def test_a_survey_has_the_forms_that_its_depth_lines_show(tmp_path: Path) -> None:
    # looked at on a drawing of its depth lines; the twins on made data are the escarpment and the waving shore
    shutil.copy(SURVEY, tmp_path / SURVEY.name)
    depth = {"role": "depth", "file": SURVEY.name, "form": "grid", "values": "elevation", "unit": "m"}
    write_area(tmp_path, [depth | {"source": "NOAA Office of Coast Survey, survey F00788"}])
    area = open_area(tmp_path)
    forms = landforms(area.depth, scales_m=choose_scales(area.depth), uncertainty_m=stated_doubt(area), step_m=3.048)
    assert len(forms) < 20
    (edge,) = [one for one in forms if one.kind == "drop-off"]
    assert edge.shape.distance(shapely.Point(-450, -110)) < 20
    assert 9 < edge.height_m < 15
    points = [one for one in forms if one.kind == "point"]
    assert min(one.shape.distance(shapely.Point(-80, -480)) for one in points) < 25
