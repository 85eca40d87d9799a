from __future__ import annotations

import time
from itertools import pairwise

import contourpy
import networkx as nx
import numpy as np
import pytest
import shapely
from scipy.ndimage import gaussian_filter
from scipy.sparse import coo_array
from scipy.sparse.csgraph import dijkstra
from shapely import LineString, MultiPolygon, Point, Polygon, box

from spotmap._errors import NoPlanError
from spotmap.runs import RunWater


def exact_length(free, start, goal):
    """Brute force: every two vertices that see each other, and Dijkstra. Shares nothing with the module.

    (A crack under 2 cm, open here and shut to the module, comes up once in 3,000 random areas; not in these.)
    """
    vertices = np.unique(shapely.get_coordinates(free), axis=0)
    places = np.vstack([shapely.get_coordinates([start, goal]), vertices])
    one, other = np.triu_indices(len(places), 1)
    lines = shapely.linestrings(np.stack([places[one], places[other]], axis=1))
    # Tangents to a shore must not be lost to rounding: the water is drawn a hundredth of a millimetre larger.
    water = free.buffer(1e-5, join_style="mitre")
    shapely.prepare(water)
    seen = shapely.covers(water, lines)
    graph = nx.Graph()
    graph.add_weighted_edges_from(zip(one[seen], other[seen], shapely.length(lines[seen]), strict=True))
    return nx.dijkstra_path_length(graph, 0, 1)


def random_area(seed):
    """Return a sound full of ragged islands and long spits, and two places on water that joins."""
    rng = np.random.default_rng(seed)
    size = rng.choice([150.0, 800.0, 4000.0])
    shore = []
    for _ in range(rng.integers(2, 8)):
        angles = np.sort(rng.uniform(0, 2 * np.pi, rng.integers(4, 9)))
        reach = rng.uniform(0.03, 0.3, len(angles)) * size
        middle = rng.uniform(0, size, 2)
        shore.append(Polygon(middle + reach[:, None] * np.column_stack([np.cos(angles), np.sin(angles)])).buffer(0))
    for _ in range(rng.integers(0, 3)):
        ends = rng.uniform(0, size, (2, 2))
        shore.append(LineString(ends).buffer(rng.uniform(0.5, 3.0), cap_style="flat"))
    free = box(0, 0, size, size).difference(shapely.union_all(shore))
    piece = max(shapely.get_parts(free), key=lambda part: part.area)
    places = rng.uniform(0, size, (400, 2))
    places = places[shapely.contains_xy(piece.buffer(-0.05), places[:, 0], places[:, 1])]
    apart = np.hypot(*(places - places[0]).T)
    return free, Point(places[0]), Point(places[apart.argmax() if seed % 2 else 1])


def check(free, start, goal, run):
    assert isinstance(run, LineString)
    assert run.coords[0] == start.coords[0]
    assert run.coords[-1] == goal.coords[0]
    assert free.covers(run)


@pytest.mark.parametrize("seed", range(160))
def test_within_two_per_cent_of_brute_force(seed):
    free, start, goal = random_area(seed)
    run = RunWater.build(free).shortest(start, goal)
    check(free, start, goal, run)
    exact = exact_length(free, start, goal)
    assert exact - 1e-3 <= run.length <= 1.02 * exact


def test_brute_force_cases_are_not_all_straight():
    bent = 0
    for seed in range(40):
        free, start, goal = random_area(seed)
        bent += not free.covers(LineString([start, goal]))
    assert bent >= 20


def test_round_a_square_island_by_hand():
    free = box(0, -500, 1000, 500) - box(400, -300, 600, 100)
    run = RunWater.build(free).shortest(Point(100, 0), Point(900, 0))
    by_hand = 2 * np.hypot(300, 100) + 200  # over the corners (400, 100) and (600, 100)
    assert by_hand <= run.length <= 1.02 * by_hand
    assert shapely.get_coordinates(run)[:, 1].max() < 120


def strait(width):
    """Return two basins joined by a strait, and by a way twenty times as long."""
    wall = box(995, 50, 1005, 9000) - box(990, 100, 1010, 100 + width)
    return box(0, 0, 2000, 9500) - wall - box(995, 0, 1005, 50)


@pytest.mark.parametrize("width", [30.0, 10.0, 3.0, 0.5, 0.05])
def test_a_narrow_strait_is_not_lost(width):
    free = strait(width)
    start, goal = Point(900, 60), Point(1100, 60)
    run = RunWater.build(free).shortest(start, goal)
    check(free, start, goal, run)
    assert run.length <= 1.02 * exact_length(free, start, goal) < 260


def test_a_crack_counts_as_shut():
    run = RunWater.build(strait(0.01)).shortest(Point(900, 60), Point(1100, 60))
    assert run.length > 17_000


def raster_area():
    """Return water contoured from a depth grid: some 30,000 vertices and hundreds of islets; and the wet cells."""
    rng = np.random.default_rng(5)
    depth = np.zeros((900, 900))
    for blur, share in ((60, 1.0), (15, 0.4), (4, 0.17), (1.3, 0.1)):
        waves = gaussian_filter(rng.standard_normal(depth.shape), blur)
        depth += share * waves / waves.std()
    side = 5.0 * np.arange(900)
    rings, offsets = contourpy.contour_generator(side, side, depth, fill_type="OuterOffset").filled(-0.3, np.inf)
    polygons = []
    for points, breaks in zip(rings, offsets, strict=True):
        shell, *holes = (points[a:b] for a, b in pairwise(breaks))
        polygons.append(Polygon(shell, holes))
    return shapely.make_valid(MultiPolygon(polygons)), depth > -0.3


def grid_length(wet, start, goal):
    """Return the length of the shortest way from cell to wet cell, diagonals where all four are wet."""
    number = np.arange(wet.size).reshape(wet.shape)
    square = wet[:-1, :-1] & wet[1:, 1:] & wet[:-1, 1:] & wet[1:, :-1]
    edges = [
        (number[:, :-1], number[:, 1:], wet[:, :-1] & wet[:, 1:], 5.0),
        (number[:-1], number[1:], wet[:-1] & wet[1:], 5.0),
        (number[:-1, :-1], number[1:, 1:], square, 5.0 * np.sqrt(2)),
        (number[:-1, 1:], number[1:, :-1], square, 5.0 * np.sqrt(2)),
    ]
    one = np.concatenate([a[ok] for a, _, ok, _ in edges])
    other = np.concatenate([b[ok] for _, b, ok, _ in edges])
    step = np.concatenate([np.full(ok.sum(), length) for _, _, ok, length in edges])
    graph = coo_array((step, (one, other)), shape=(wet.size, wet.size)).tocsr()
    return dijkstra(graph, directed=False, indices=number[start])[number[goal]]


def test_many_thousand_vertices_from_a_depth_grid():
    free, wet = raster_area()
    assert shapely.get_num_coordinates(free) > 30_000
    main = max(free.geoms, key=lambda part: part.area)
    rows, columns = np.nonzero(wet)
    inside = shapely.contains_xy(main, 5.0 * columns, 5.0 * rows)
    cells = np.column_stack([rows, columns])[inside]
    began = time.process_time()
    water = RunWater.build(free)
    assert time.process_time() - began < 1.0
    for one, other in ((0.01, 0.95), (0.2, 0.6)):
        here, there = (tuple(cells[int(share * len(cells))]) for share in (one, other))
        start, goal = (Point(5.0 * column, 5.0 * row) for row, column in (here, there))
        began = time.process_time()
        run = water.shortest(start, goal)
        assert time.process_time() - began < 2.0
        check(free, start, goal, run)
        by_cells = grid_length(wet, here, there)
        assert 0.9 * by_cells <= run.length <= 1.02 * by_cells


def test_water_that_does_not_join():
    free = MultiPolygon([box(0, 0, 100, 100), box(200, 0, 300, 100)])
    with pytest.raises(NoPlanError, match="no water deep enough and open to the boat joins home and the work"):
        RunWater.build(free).shortest(Point(50, 50), Point(250, 50))


@pytest.mark.parametrize(
    ("start", "goal", "match"),
    [
        (Point(-30, 50), Point(50, 50), "home lies 30 m outside such water"),
        (Point(50, 50), Point(50, 175), "the work lies 75 m outside such water"),
    ],
)
def test_places_outside_the_water_are_named(start, goal, match):
    with pytest.raises(NoPlanError, match=match):
        RunWater.build(box(0, 0, 100, 100)).shortest(start, goal)


def test_names_are_the_callers():
    with pytest.raises(NoPlanError, match=r"from North Hole to Tin Quay\.\n.*\n.*Tin Quay lies 30 m outside"):
        RunWater.build(box(0, 0, 100, 100)).shortest(
            Point(50, 50), Point(-30, 50), start_name="North Hole", goal_name="Tin Quay"
        )


@pytest.mark.parametrize("free", [MultiPolygon(), Polygon()])
def test_no_water_at_all(free):
    with pytest.raises(NoPlanError, match="there is no such water at all"):
        RunWater.build(free).shortest(Point(0, 0), Point(1, 1))


def test_rounding_at_the_shore_is_forgiven():
    free = box(0, 0, 1000, 1000) - box(400, 0, 600, 900)
    for start, goal in (
        (Point(0, 500), Point(1000, 500)),
        (Point(400, 300), Point(600, 300)),
        (Point(-0.5, 500), Point(1000.9, 20)),
        (Point(0.003, 0.003), Point(999.999, 0.001)),
    ):
        run = RunWater.build(free).shortest(start, goal)
        assert run.coords[0] == start.coords[0]
        assert run.coords[-1] == goal.coords[0]
        assert free.buffer(1.0).covers(run)
        near_shore = free.buffer(1.001, join_style="mitre")
        assert run.length <= 1.02 * exact_length(near_shore, start, goal) + 4.0
    with pytest.raises(NoPlanError, match="home lies 2 m outside"):
        RunWater.build(free).shortest(Point(-1.6, 500), Point(50, 50))


def test_along_a_shore_and_from_a_place_to_itself():
    free = box(0, 0, 100, 100) - box(30, 30, 70, 70)
    water = RunWater.build(free)
    stay = water.shortest(Point(10, 10), Point(10, 10))
    assert list(stay.coords) == [(10, 10), (10, 10)]
    corner = Point(30, 30)
    check(free, corner, corner, water.shortest(corner, corner))
    along = water.shortest(Point(30, 30), Point(70, 30))
    check(free, Point(30, 30), Point(70, 30), along)
    assert along.length == pytest.approx(40, rel=0.02)


def test_the_same_run_both_ways():
    free, start, goal = random_area(3)
    water = RunWater.build(free)
    assert water.shortest(start, goal).length == pytest.approx(water.shortest(goal, start).length, rel=0.02)


def test_broken_water_is_refused():
    bow = Polygon([(0, 0), (10, 10), (10, 0), (0, 10)])
    with pytest.raises(ValueError, match="the water for runs is not valid: Self-intersection"):
        RunWater.build(bow)
