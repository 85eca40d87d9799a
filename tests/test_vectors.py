from __future__ import annotations

import json
import warnings
from datetime import date
from typing import TYPE_CHECKING, Any

import numpy as np
import pyogrio
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import Transformer

from layers import vectors
from layers._errors import InputError
from layers.features import VectorFile, contradictions
from layers.model import Source
from layers.projection import LocalProjection
from layers.repair import larger, repaired, smaller
from layers.vectors import Vectors, read_vectors

if TYPE_CHECKING:
    from pathlib import Path

LOCAL = LocalProjection(-150.0, 46.0)
SQUARE = [[-150.01, 45.99], [-149.99, 45.99], [-149.99, 46.01], [-150.01, 46.01], [-150.01, 45.99]]
RULE = {"name": "Gannet Rocks", "from": "05-01", "until": "09-30"}
BOX = (-5000.0, -5000.0, 5000.0, 5000.0)


def polygon(*rings: Any) -> dict[str, Any]:
    return {"type": "Polygon", "coordinates": list(rings) or [SQUARE]}


def write(folder: Path, features: list[tuple[dict[str, Any], Any]], **members: Any) -> Path:
    path = folder / "layer.geojson"
    listed = [{"type": "Feature", "properties": p, "geometry": g} for p, g in features]
    path.write_text(json.dumps({"type": "FeatureCollection", "features": listed, **members}), encoding="utf-8")
    return path


def read(path: Path, role: Any = "closure", sublayer: str | None = None) -> Vectors:
    source = Source(role, path.name, "", date(2026, 8, 1), "Invented Rules")
    return read_vectors(VectorFile(path, role, f"area.toml, layer 3 ({role})", source, sublayer), LOCAL, BOX)


def test_a_closure_with_everything(tmp_path: Path) -> None:
    said = {
        "NAME": " Gannet Rocks ", "Forbids": "Entry", "species": "Chinook, COHO", "methods": "troll", "from": "11-01",
        "until": "02-28", "days": "Sat,Sun", "hours": "06:00-20:00", "margin_m": 25, "rule": "3 (b)", "colour": "red",
    }  # fmt: skip
    (rule,) = read(write(tmp_path, [(said, polygon())])).rules
    assert (rule.name, rule.forbids, rule.margin_m, rule.reference) == ("Gannet Rocks", "entry", 25.0, "3 (b)")
    assert rule.species == {"chinook", "coho"}
    assert rule.concerns("Coho", "Troll")
    assert not rule.concerns("halibut", "troll")
    assert rule.season.first == (11, 1)
    assert rule.season.weekdays == {5, 6}
    # 0.02° of longitude and latitude at 46 N. source: pyproj.Geod, 3438893 m²
    assert rule.shape.area == pytest.approx(3_443_600, rel=3e-3)


def test_defaults_and_warnings(tmp_path: Path) -> None:
    got = read(write(tmp_path, [({"from": "01-01", "until": "12-31", "species": "all", "margin_m": None}, polygon())]))
    (rule,) = got.rules
    assert (rule.name, rule.forbids, rule.margin_m) == ("closure 1", "fishing", 0.0)
    assert rule.concerns("anything", "any way")
    assert [str(w) for w in got.warnings] == [
        "area.toml, layer 3 (closure), feature 1: has no name. It is called 'closure 1'; give it a name."
    ]


@pytest.mark.parametrize(
    ("changed", "geometry", "message"),
    [
        ({"from": None}, polygon(), r"feature 2 'Gannet Rocks': from is missing"),
        ({"from": "02-30"}, polygon(), "no day of the calendar"),
        ({"forbids": "fish"}, polygon(), "forbids is 'fish', and 'fishing' or 'entry' is allowed. Did you"),
        ({"margin_m": "wide"}, polygon(), "margin_m is 'wide'"),
        ({"margin_m": -5}, polygon(), "margin_m is '-5.0'"),
        ({"margin_m": "50 m"}, polygon(), "margin_m is '50 m'. Write metres as a bare number"),
        ({"untill": "09-30"}, polygon(), "attribute 'untill' is not known. Did you mean 'until'"),
        ({"forbid": "entry"}, polygon(), "attribute 'forbid' is not known. Did you mean 'forbids'"),
        ({"Until": "10-31"}, polygon(), "'until' is there more than once"),
        ({}, None, "feature 2 'Gannet Rocks': has no geometry"),
        ({}, {"type": "Polygon", "coordinates": []}, "has no geometry"),
        ({}, {"type": "Point", "coordinates": [-150, 46]}, "is a Point, and a closure layer takes polygons"),
        ({}, polygon([[-150, 46], [-149.9, 46], [-150, 46]]), "too broken to read|beyond repair"),
        ({}, polygon([[-150, 46], [-149.9, 46], [-149.8, 46], [-150, 46]]), "beyond repair"),
        ({}, polygon([[y, x] for x, y in SQUARE]), "latitude of 150.01°.*Longitude comes first.*swap|latitude of 150"),
        ({}, polygon([[-150, 46], [400, 46], [-150, 47], [-150, 46]]), "longitude of 400°"),
        ({}, polygon([[-179.9, 46], [179.9, 46], [179.9, 47], [-179.9, 46]]), "edge of 180° of longitude"),
    ],
)  # fmt: skip
def test_a_closure_that_cannot_be_understood(
    tmp_path: Path, changed: dict[str, Any], geometry: Any, message: str
) -> None:
    path = write(tmp_path, [(RULE, polygon()), (RULE | changed, geometry)])
    with pytest.raises(InputError, match=message) as caught:
        read(path)
    assert all(finding.where.startswith("area.toml, layer 3 (closure)") for finding in caught.value.findings)


def test_all_problems_come_at_once(tmp_path: Path) -> None:
    path = write(tmp_path, [(RULE | {"days": "Moon", "margin_m": -1}, None), (RULE | {"until": ""}, polygon())])
    with pytest.raises(InputError) as caught:
        read(path)
    assert len(caught.value.findings) == 4


def test_swapped_coordinates_are_suspected(tmp_path: Path) -> None:
    local = LocalProjection(10.0, 60.0)
    path = write(tmp_path, [(RULE, polygon([[60, 10], [60.01, 10], [60.01, 10.01], [60, 10]]))])
    file = VectorFile(path, "closure", "area.toml, layer 1", Source("closure", "x", "", None, ""))
    with pytest.raises(InputError, match="once latitude and longitude are swapped"):
        read_vectors(file, local, BOX)
    assert len(read_vectors(file, local).rules) == 1


def test_coordinate_systems(tmp_path: Path) -> None:
    expected = read(write(tmp_path, [(RULE, polygon())])).rules[0].shape
    fine = shapely.segmentize(shapely.Polygon(SQUARE), 0.0005)
    utm = Transformer.from_crs("EPSG:4326", "EPSG:32606", always_xy=True)
    ring = np.column_stack(utm.transform(*shapely.get_coordinates(fine).T)).tolist()
    member = {"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::32606"}}
    shape = read(write(tmp_path, [(RULE, polygon(ring))], crs=member)).rules[0].shape
    assert shape.symmetric_difference(expected).area < 50.0


def frame(path: Path, columns: dict[str, list[Any]], crs: str | None = "EPSG:4326", **options: Any) -> Path:
    wkb = shapely.to_wkb(np.array([shapely.Polygon(SQUARE)] * len(next(iter(columns.values())))))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        pyogrio.raw.write(
            path, wkb, [np.array(column) for column in columns.values()], list(columns), crs=crs,
            geometry_type="Polygon", **options,
        )  # fmt: skip
    return path


def test_shapefile_and_geopackage(tmp_path: Path) -> None:
    dates = {"from": np.array(["2026-05-01"], "datetime64[D]"), "until": np.array(["2026-09-30"], "datetime64[D]")}
    shp = frame(tmp_path / "c.shp", {"name": ["Sill"], "margin_m": [12.5], **dates})
    (rule,) = read(shp).rules
    assert (rule.season.first, rule.season.last, rule.margin_m) == (date(2026, 5, 1), date(2026, 9, 30), 12.5)
    shp.with_suffix(".prj").unlink()
    with pytest.raises(InputError, match=r"does not say its coordinate system\. .*\.prj"):
        read(shp)
    gpkg = frame(tmp_path / "a.gpkg", {"name": ["Sill"], "from": ["05-01"], "until": ["09-30"]}, layer="rules")
    assert len(read(gpkg).rules) == 1
    frame(gpkg, {"name": ["Bar"], "from": ["05-01"], "until": ["09-30"]}, layer="other", append=True)
    with pytest.raises(InputError, match=r"holds 2 layers: 'rules', 'other'. Say which"):
        read(gpkg)
    assert read(gpkg, sublayer="other").rules[0].name == "Bar"
    with pytest.raises(InputError, match=r"no layer 'rule'.*Did you mean 'rules'"):
        read(gpkg, sublayer="rule")


def test_not_a_vector_file(tmp_path: Path) -> None:
    path = tmp_path / "layer.geojson"
    path.write_text('{"type": "FeatureCollection", "features": [', encoding="utf-8")
    with pytest.raises(InputError, match=r"layer\.geojson cannot be read as a vector layer"):
        read(path)


def test_an_empty_layer_is_told(tmp_path: Path) -> None:
    assert "holds no features" in str(read(write(tmp_path, [])).warnings[0])


def test_the_other_roles(tmp_path: Path) -> None:
    line = {"type": "LineString", "coordinates": [[-150.0, 46.0], [-149.99, 46.0]]}
    point = {"type": "Point", "coordinates": [-150.0, 46.0, 3.0]}
    hazards = read(
        write(tmp_path, [({"name": "Wreck", "kind": "wreck", "margin_m": 30}, point), ({}, line)]), "hazard"
    ).hazards
    assert [(h.name, h.margin_m) for h in hazards] == [("Wreck", 30.0), ("", None)]
    assert abs(hazards[0].shape.x) < 1e-6
    lanes = read(write(tmp_path, [({"avoid": "ALL"}, line), ({}, polygon())]), "lane").lanes
    assert [lane.avoid for lane in lanes] == ["all", "pass"]
    marks = read(write(tmp_path, [({"name": "A", "private": True}, point), ({"name": "B"}, point)]), "mark").marks
    assert [mark.private for mark in marks] == [True, False]
    land = read(write(tmp_path, [({}, polygon())]), "land").land
    assert land[0].shape.geom_type == "MultiPolygon"
    assert land[0].margin_m == 0
    ground = read(write(tmp_path, [(RULE, polygon())]), "ground").rules[0]
    assert (ground.role, ground.forbids) == ("ground", None)
    for role, said, geometry, message in (
        ("lane", {"avoid": "some"}, line, "avoid is 'some'"),
        ("lane", {}, {"type": "LineString", "coordinates": [[-150, 46], [-150, 46]]}, "without length"),
        ("mark", {"name": "A", "private": "maybe"}, point, "private is 'maybe'"),
        ("mark", {"name": "A", "privat": True}, point, "Did you mean 'private'"),
        ("mark", {"name": "A"}, line, "is a LineString, and a mark layer takes points"),
        ("ground", RULE | {"forbids": "entry"}, polygon(), "a ground opens water"),
        ("ground", RULE | {"until": "02-29"}, polygon(), "most years do not have"),
    ):
        with pytest.raises(InputError, match=message):
            read(write(tmp_path, [(said, geometry)]), role)


def test_contradicting_closures(tmp_path: Path) -> None:
    turned = [*SQUARE[2:], SQUARE[1], SQUARE[2]]
    rules = read(
        write(tmp_path, [(RULE, polygon()), (RULE | {"forbids": "entry"}, polygon(turned[:3] + turned[3:]))])
    ).rules
    same = read(write(tmp_path, [(RULE, polygon()), (RULE | {"forbids": "entry"}, polygon())])).rules
    assert len(rules) == 2
    (finding,) = contradictions(same)
    assert "forbid different things: fishing and entry" in finding.what
    assert (
        contradictions(
            read(write(tmp_path, [(RULE, polygon()), (RULE | {"until": "10-01", "forbids": "entry"}, polygon())])).rules
        )
        == []
    )


def test_repairs_go_to_the_safe_side(tmp_path: Path) -> None:
    # A bow-tie whose two crossing edges swap: both lobes are closed; of a ring run through twice, all is.
    bow = [[-150.01, 45.99], [-149.99, 46.01], [-149.99, 45.99], [-150.01, 46.01], [-150.01, 45.99]]
    got = read(write(tmp_path, [(RULE, polygon(bow))]))
    assert got.rules[0].shape.area == pytest.approx(3_443_600 / 2, rel=5e-3)
    assert "crosses or touches itself (self-intersection)" in got.warnings[0].what
    assert got.warnings[0].severity == "warning"
    assert "nowhere larger than drawn" in read(write(tmp_path, [(RULE, polygon(bow))]), "ground").warnings[0].what


corner = st.tuples(st.integers(0, 8), st.integers(0, 8))
ring = st.lists(corner, min_size=3, max_size=9)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(ring, st.lists(ring, max_size=2)), min_size=1, max_size=3))
def test_a_repair_never_shrinks_a_closure_nor_grows_a_ground(parts: list[Any]) -> None:
    drawn = shapely.MultiPolygon([(shell, holes) for shell, holes in parts])
    (closed,), (changed,) = repaired(np.array([drawn]), "larger")
    (opened,), _ = repaired(np.array([drawn]), "smaller")
    assert closed.is_valid
    assert opened.is_valid
    assert bool(changed) is not bool(shapely.is_valid(drawn))
    if closed.is_empty:
        # Told as an error. Only where some outline has collapsed, or a hole takes all.
        rings = [shapely.Polygon(r) for shell, holes in parts for r in (shell, *holes)]
        taken = any(shapely.Polygon(shell).equals(shapely.Polygon(h)) for shell, holes in parts for h in holes)
        assert taken or any(shapely.make_valid(r, method="structure").area == 0 for r in rings)
        return
    # Points, not overlays: an overlay of shapes whose edges all but coincide can lose a face, here as in the repair.
    points = shapely.points(
        *(grid.ravel() for grid in np.meshgrid(np.arange(0.013, 8, 0.11), np.arange(0.017, 8, 0.11)))
    )
    for method in ("linework", "structure"):
        collected = shapely.get_parts(shapely.get_parts(shapely.make_valid(drawn, method=method)))
        reading = shapely.multipolygons(collected[shapely.get_dimensions(collected) == 2])
        well_inside, let_in = (~shapely.dwithin(shapely.boundary(shape), points, 1e-9) for shape in (reading, opened))
        well_inside &= shapely.intersects(reading, points)
        let_in &= shapely.intersects(opened, points)
        assert not points[well_inside & ~shapely.intersects(closed, points)].size
        assert not points[let_in & ~shapely.intersects(reading, points)].size
    for shell, holes in parts:
        # What lies inside an outline and in no hole stays closed, however the outline winds.
        inside = shapely.make_valid(shapely.Polygon(shell), method="structure", keep_collapsed=False)
        open_water = shapely.union_all([shapely.Polygon(hole).convex_hull for hole in holes])
        assert inside.difference(open_water).difference(closed).area < 1e-9


def test_a_hole_drawn_badly_closes_and_a_sound_one_stays() -> None:
    shell = [(0, 0), (10, 0), (10, 10), (-1, 11), (1, 11), (0, 10)]
    sound, bad = [(6, 4), (8, 4), (8, 6), (6, 6)], [(1, 4), (3, 6), (3, 4), (1, 6)]
    closed = larger(shapely.Polygon(shell, [sound, bad]))
    assert not closed.contains(shapely.Point(7, 5))
    assert closed.contains(shapely.Point(2, 5))
    assert closed.contains(shapely.Point(4.5, 5))
    star = shapely.Polygon([(np.sin(a), np.cos(a)) for a in np.arange(5) * 4 * np.pi / 5])
    assert larger(star).contains(shapely.Point(0, 0))
    assert not smaller(star).contains(shapely.Point(0, 0))
    assert smaller(star).contains(shapely.Point(0, 0.6))
    assert larger(shapely.Polygon([(0, 0), (1, 1), (2, 2)])).is_empty


def test_more_features_or_bytes_than_any_area_has(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    file = write(tmp_path, [(RULE, polygon())] * 5)
    monkeypatch.setattr(vectors, "MOST_FEATURES", 4)
    with pytest.raises(InputError, match="holds 5 features; at most 4 are read"):
        read(file, "closure")
    monkeypatch.setattr(vectors, "MOST_TEXT_BYTES", 100)
    with pytest.raises(InputError, match="at most 0 MB are read"):
        read(file, "closure")
