"""The surface of soundings against what was sounded: read back through the grid that plans use."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import numpy as np
import pyproj
import pytest
from hypothesis import given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st
from scipy.interpolate import LinearNDInterpolator
from scipy.spatial import Delaunay

from layers import soundingsurface
from layers._errors import InputError
from layers.grid import open_grid
from layers.projection import choose_projection
from layers.soundingsurface import SoundingSurface, metric_crs, sounding_surface, write_surface
from layers.surveys import SurveyOptions, looks_like_survey, survey_made
from layers.tin import SOUNDINGS_REACH

LON, LAT = -122.67, 48.15
SAYS = SurveyOptions(values="depth", unit="m", datum="MLLW")
TO_LONLAT = pyproj.Transformer.from_crs("EPSG:32610", "EPSG:4326", always_xy=True)


def soundings(seed: int, count: int = 400) -> tuple[np.ndarray, np.ndarray]:
    """Return rough water: clusters, lines, a hole nobody sounded, shoals that stand alone, places sounded twice."""
    rng = np.random.default_rng(seed)
    xy = rng.random((count, 2)) * 500
    xy[: count // 4] = xy[0] + rng.normal(size=(count // 4, 2)) * 6
    xy[count // 4 : count // 2, 0] = np.round(xy[count // 4 : count // 2, 0] / 60) * 60
    xy = xy[np.hypot(*(xy - rng.random(2) * 500).T) > 90]
    depth = 20 + 10 * np.sin(xy[:, 0] / 70) + rng.normal(size=len(xy)) * 3
    depth[rng.random(len(xy)) < 0.05] -= 12
    xy, depth = np.concatenate([xy, xy[:30]]), np.concatenate([depth, depth[:30] + rng.normal(size=30)])
    return xy + np.array([524_000, 5_333_000]), depth


def opened(surface: SoundingSurface, file: Path):
    write_surface(surface, pyproj.CRS.from_epsg(32610), file)
    projection = choose_projection(np.array([[LON, LAT]]))
    grid = open_grid(file, projection, values="depth", unit="m", where="soundings")
    return lambda xy: grid.depth_at(*projection.to_local(*TO_LONLAT.transform(*np.asarray(xy).T)))


@pytest.mark.parametrize("cell_m", [None, 3.0, 40.0])
@pytest.mark.parametrize("seed", range(6))
def test_the_surface_is_never_deeper_than_what_was_sounded(tmp_path: Path, seed: int, cell_m: float | None) -> None:
    xy, depth = soundings(seed)
    surface = sounding_surface(xy, depth, "soundings", cell_m=cell_m)
    at = opened(surface, tmp_path / "surface.tif")

    here = at(xy)
    known = np.isfinite(here)
    assert known.mean() > (0.7 if cell_m != 40.0 else 0.4)
    assert (here[known] <= depth[known] + 1e-6).all()  # at a sounding

    rng = np.random.default_rng(seed + 100)
    places = xy.min(axis=0) + rng.random((20_000, 2)) * np.ptp(xy, axis=0)
    # Of several soundings at one place any may be the mesh's corner: the shallowest is the strictest.
    order = np.lexsort([depth, *xy.T])
    first = np.append(True, (np.diff(xy[order], axis=0) != 0).any(axis=1))
    corners, deep = xy[order][first], depth[order][first]
    mesh = Delaunay(corners)
    longest = np.linalg.norm(corners[mesh.simplices] - np.roll(corners[mesh.simplices], 1, axis=1), axis=2).max(axis=1)
    reach = SOUNDINGS_REACH * np.median(longest)
    assert surface.reach_m == pytest.approx(reach)
    found = mesh.find_simplex(places)
    inside = (found >= 0) & (longest[found] <= reach)
    here = at(places)
    claimed = np.isfinite(here)
    around = deep[mesh.simplices[found]].max(axis=1)
    assert (claimed & inside).sum() > 2000
    assert (here <= around + 1e-6)[claimed & inside].all()  # between soundings

    # Beyond the soundings' reach nothing is claimed, but for up to a cell beside what is known.
    beyond = claimed & ~inside
    known_places = places[inside]
    for place in places[beyond][:50]:
        assert np.hypot(*(known_places - place).T).min() < 1.5 * surface.cell_m + 10


def test_nodes_are_plane_on_triangles_where_nothing_shallower_is_near() -> None:
    rng = np.random.default_rng(3)
    xy = rng.random((300, 2)) * 400
    depth = 10 + 0.02 * xy[:, 0] - 0.01 * xy[:, 1]
    surface = sounding_surface(xy, depth, "soundings", cell_m=2.0)
    rows, columns = np.indices(surface.depth_m.shape)
    nodes = np.stack([surface.west_m + columns * 2.0, surface.north_m - rows * 2.0], axis=-1)
    expected = LinearNDInterpolator(xy, depth)(nodes)
    known = np.isfinite(surface.depth_m)
    assert known.sum() > 20_000
    assert (surface.depth_m <= expected + 1e-5)[known].all()
    shallower = (expected - surface.depth_m)[known]
    assert shallower.max() < 2 * 0.03 * 2.0 * np.sqrt(2) + 1e-3  # a cell's slope
    assert np.quantile(shallower, 0.8) < 1e-5  # most are the plane itself


@hypothesis_settings(max_examples=40, deadline=None)
@given(
    st.lists(st.tuples(st.integers(0, 30), st.integers(0, 30), st.integers(-3, 60)), min_size=4, max_size=40),
    st.sampled_from([0.5, 1.0, 2.7, 11.0]),
)
def test_no_arrangement_of_soundings_makes_deeper_nodes(rows: list[tuple[int, int, int]], cell: float) -> None:
    xy, depth = np.array(rows, dtype=float)[:, :2], np.array(rows, dtype=float)[:, 2] / 10  # tenths fit no float
    if np.linalg.matrix_rank(xy - xy[0]) < 2:
        with pytest.raises(InputError, match="triangle"):
            sounding_surface(xy, depth, "soundings", cell_m=cell)
        return
    surface = sounding_surface(xy, depth, "soundings", cell_m=cell)
    column = (xy[:, 0] - surface.west_m) / cell
    row = (surface.north_m - xy[:, 1]) / cell
    left, top = np.floor(column).astype(int), np.floor(row).astype(int)
    for right in (0, 1):
        for down in (0, 1):
            i, j = top + down, left + right
            there = (i >= 0) & (i < surface.depth_m.shape[0]) & (j >= 0) & (j < surface.depth_m.shape[1])
            weight = np.where(right, column - left, 1 - column + left) * np.where(down, row - top, 1 - row + top)
            nodes = surface.depth_m[i[there & (weight > 1e-9)], j[there & (weight > 1e-9)]]
            assert not (nodes > depth[there & (weight > 1e-9)]).any()


def test_where_there_are_too_many_the_shallowest_of_each_square_make_the_triangles(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(soundingsurface, "MOST_CORNERS", 150)
    xy, depth = soundings(7, 1500)
    surface = sounding_surface(xy, depth, "soundings")
    assert surface.square_m > 10
    here = opened(surface, tmp_path / "surface.tif")(xy)
    known = np.isfinite(here)
    assert known.mean() > 0.7
    assert (here[known] <= depth[known] + 1e-6).all()


def test_soundings_in_one_line_or_too_fine_cells_are_refused() -> None:
    line = np.column_stack([np.arange(9.0), np.arange(9.0)])
    with pytest.raises(InputError, match="no three of them make a triangle"):
        sounding_surface(line, np.ones(9), "soundings")
    with pytest.raises(InputError, match=r"million; at most 16 million .* Make them"):
        sounding_surface(np.random.default_rng(0).random((50, 2)) * 10_000, np.ones(50), "soundings", cell_m=1.0)


@pytest.mark.parametrize(
    ("lon", "lat", "code"),
    [(-122.67, 48.15, 32610), (174.0, -41.0, 32760), (10.0, 88.0, 32661), (10.0, -85.0, 32761)],
)
def test_the_grid_is_metric(lon: float, lat: float, code: int) -> None:
    assert metric_crs(np.array([lon]), np.array([lat])).to_epsg() == code


def test_the_grid_is_metric_across_the_date_line() -> None:
    assert metric_crs(np.array([179.9, -179.8]), np.array([-17.0, -17.0])).to_epsg() == 32701


LONLAT = [(LON + 0.0004 * (k % 7), LAT + 0.0003 * (k // 7), 30 + k / 4) for k in range(49)]


def written(file: Path, *, separator: str = ",", head: str = "", comma: bool = False, rows=LONLAT) -> Path:
    lines = [separator.join(repr(float(v)) for v in row) for row in rows]
    text = "\n".join([head, *lines] if head else lines) + "\n"
    file.write_text(text.replace(".", ",") if comma else text)
    return file


@pytest.mark.parametrize(
    ("form", "options"),
    [
        ({"head": "lon,lat,depth_m"}, SurveyOptions(datum="MLLW")),
        ({"head": "# a remark\n\nLongitude;Latitude;Depth (m)", "separator": ";"}, SurveyOptions(datum="MLLW")),
        ({"separator": " "}, SAYS),
        ({"separator": "\t", "comma": True}, SAYS),
        ({"separator": ";", "comma": True, "head": "lon;lat;z"}, SAYS),
    ],
)
def test_every_way_of_writing_rows_gives_the_same_surface(tmp_path: Path, form: dict, options: SurveyOptions) -> None:
    file = written(tmp_path / "soundings.xyz", **form)
    assert looks_like_survey(file)
    made = survey_made(file, tmp_path / "scratch", options=options)
    (layer,) = made.files
    assert dict(layer.keys) | {"quality": ""} == {
        "form": "grid", "values": "depth", "unit": "m", "datum": "MLLW", "quality": ""
    }  # fmt: skip
    projection = choose_projection(np.array([[LON, LAT]]))
    grid = open_grid(layer.path, projection, values="depth", unit="m", where="soundings")
    lon, lat, depth = np.array(LONLAT)[24]
    assert depth - 1.0 < grid.depth_at(*projection.to_local(lon, lat)) <= depth


def test_columns_are_found_by_name_and_units_and_elevation_are_converted(tmp_path: Path) -> None:
    rows = [(lat, -depth, lon, 7) for lon, lat, depth in np.array(LONLAT) * [1, 1, 1]]
    file = written(tmp_path / "soundings.csv", head="lat,elevation_ft,lon,hits", rows=rows)
    made = survey_made(file, tmp_path, options=SurveyOptions(datum="MLLW"))
    projection = choose_projection(np.array([[LON, LAT]]))
    grid = open_grid(made.files[0].path, projection, values="depth", unit="m", where="soundings")
    lon, lat, feet = np.array(LONLAT)[24]
    assert (feet - 3) * 0.3048 < grid.depth_at(*projection.to_local(lon, lat)) <= feet * 0.3048


def test_projected_soundings_keep_their_coordinate_system_and_a_crop_leaves_the_rest(tmp_path: Path) -> None:
    xy, depth = soundings(1)
    file = written(tmp_path / "soundings.txt", separator=" ", rows=np.column_stack([xy, depth]))
    says = SurveyOptions("depth", "m", "MLLW", "EPSG:32610")
    whole = survey_made(file, tmp_path / "a", options=says)
    centre = TO_LONLAT.transform(*xy.mean(axis=0))
    part = survey_made(file, tmp_path / "b", options=SurveyOptions("depth", "m", "MLLW", "EPSG:32610", centre, 100.0))
    import rasterio  # noqa: PLC0415

    with rasterio.open(whole.files[0].path) as big, rasterio.open(part.files[0].path) as small:
        assert big.crs.to_epsg() == small.crs.to_epsg() == 32610
        assert small.bounds.right - small.bounds.left < 220 < big.bounds.right - big.bounds.left
    with pytest.raises(InputError, match="has no soundings there"):
        survey_made(file, tmp_path, options=SurveyOptions("depth", "m", "MLLW", "EPSG:32610", (0.0, 0.0), 100.0))


GOOD = "\n".join(",".join(map(str, row)) for row in LONLAT)


@pytest.mark.parametrize(
    ("text", "options", "match"),
    [
        (GOOD, SurveyOptions(unit="m"), "does not say its values"),
        ("lon,lat,depth\n" + GOOD, SurveyOptions(), "does not say its unit"),
        ("lon,lat,depth_m\n" + GOOD, SurveyOptions(values="elevation"), 'says values "depth", and "elevation"'),
        ("x,y,depth_m\n" + GOOD, SurveyOptions(), "coordinate system is not said"),
        ("x,y,depth_m\n" + GOOD, SurveyOptions(crs="nowhere"), "'nowhere' is no coordinate system"),
        ("lon,lat,depth (furlong)\n" + GOOD, SurveyOptions(), "unit 'furlong' is not known"),
        (GOOD + "\n-122.6,48.1,deep\n" + GOOD, SAYS, "line 50: '-122.6,48.1,deep' lacks a number"),
        ("lon,lat,depth_m\n" + GOOD + "\n-122.6,48.1,nan\n", SurveyOptions(), "line 51: .*lacks a number"),
        (GOOD + "\n-122.6,48.1\n", SAYS, "line 50: '-122.6,48.1' lacks a number"),
        (GOOD + "\n-122.6,,30\n", SAYS, "line 50: '-122.6,,30' lacks a number"),
        (GOOD + "\n-122.6,inf,30\n", SAYS, "line 50: .*lacks a number"),
        (GOOD + "\n48.1,-122.6,30\n", SAYS, "line 50: .*48.1, -122.6, 30: that is not on the earth"),
        (GOOD + "\n-122.6,48.1,1000000\n", SAYS, "line 50: .*1e\\+06: that is not on the earth"),
        ("name,kind,note\nharbor,launch,none\n", SAYS, "line 1 is neither three numbers nor a header"),
        ("1 2 3 " * 20_000, SAYS, "has no lines"),
        ("# only a remark\n", SAYS, "has no rows"),
        ("lon,lat,depth_m\n", SurveyOptions(), "has no soundings in it|neither three numbers"),
    ],
)
def test_a_bad_text_is_told_by_line(tmp_path: Path, text: str, options: SurveyOptions, match: str) -> None:
    file = tmp_path / "soundings.csv"
    file.write_text(text)
    with pytest.raises(InputError, match=match):
        survey_made(file, tmp_path / "scratch", options=options)
    assert not list((tmp_path / "scratch").glob("*"))


def test_bad_rows_are_found_far_down(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from layers import soundingtable  # noqa: PLC0415

    monkeypatch.setattr(soundingtable, "_ROWS_AT_A_TIME", 10)
    file = tmp_path / "soundings.csv"
    file.write_text(GOOD + "\n-122.6,91,30\n" + GOOD)
    with pytest.raises(InputError, match="line 50"):
        survey_made(file, tmp_path, options=SAYS)
    monkeypatch.setattr(soundingtable, "MOST_SOUNDINGS", 30)
    file.write_text(GOOD)
    with pytest.raises(InputError, match="Cut out the part you fish"):
        survey_made(file, tmp_path, options=SAYS)


def test_a_text_without_a_header_is_said_to_have_been_guessed(tmp_path: Path) -> None:
    made = survey_made(written(tmp_path / "a.xyz", separator=" "), tmp_path, options=SurveyOptions("depth", "m"))
    told = " ".join(map(str, made.findings))
    assert "longitude, latitude and depth in m" in told
    assert "does not say what its depth 0 is" in told
    assert "datum" not in made.files[0].keys


@pytest.mark.parametrize("text", ["name,lon,lat\nA,1,2\n", "48°18.00′ N. lat.; 125°18.00′ W. long.;\n", "1 2\n", ""])
def test_other_texts_are_no_soundings(tmp_path: Path, text: str) -> None:
    file = tmp_path / "text.txt"
    file.write_text(text, encoding="utf-8")
    assert not looks_like_survey(file)


def test_memory_stays_bounded(tmp_path: Path) -> None:
    """A million rows; by hand 0.2 million were measured at 340 MB and 5 million at 920 MB."""
    rng = np.random.default_rng(0)
    file = tmp_path / "many.xyz"
    line = "\n".join(
        f"{x:.6f} {y:.6f} {z:.2f}" for x, y, z in rng.random((20_000, 3)) * [0.02, 0.02, 9] + [-122, 48, 30]
    )
    file.write_text("\n".join([line] * 50))
    # Not getrusage, whose peak a process inherits from the one that started it.
    code = (
        "import sys; from pathlib import Path; from layers.surveys import SurveyOptions, survey_made\n"
        "survey_made(Path(sys.argv[1]), Path(sys.argv[2]), options=SurveyOptions('depth', 'm', 'MLLW'))\n"
        "print(Path('/proc/self/status').read_text().split('VmHWM:')[1].split()[0])"
    )
    told = subprocess.run(
        [sys.executable, "-c", code, str(file), str(tmp_path)], capture_output=True, text=True, check=True
    )
    assert int(told.stdout) / 1024 < 600
