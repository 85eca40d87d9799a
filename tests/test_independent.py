"""The independent check passes a plan made by hand and names every single thing that is then spoilt in it."""

from __future__ import annotations

import hashlib
import json
import math
import re
from collections.abc import Callable
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
import rasterio
import shapely
from pyproj import Transformer

from tests.independent import cable, faults, least_kink, tightest_radius
from tests.independent_units import position

if TYPE_CHECKING:
    from pathlib import Path

PLANE = "+proj=aeqd +lat_0=-30 +lon_0=-140 +datum=WGS84 +units=m"
TROLL_MPS, RUN_MPS = 1.4, 9.0
TRIP = """
area = "area"
date = 2026-08-14
start = "05:30"
hours = 1.5
home = "Harbor"
species = "chinook"
method = "troll"
[boat]
troll_speed = "1.4 m/s"
run_speed = "9 m/s"
turn_radius = "12 m"
draft = "1 m"
[limits]
lure_speed_floor = 0.75
bottom_clearance = "3 m"
closure_standoff = "50 m"
shore_standoff = "60 m"
[[rod]]
name = "rigger"
kind = "downrigger"
side = "port"
reach = "2 m"
cable_out = "20 m"
setback = "8 m"
ball = "12 lb"
[[rod]]
name = "flat"
kind = "flat line"
side = "stern"
reach = "0 m"
setback = "20 m"
sinker = "4 oz"
[[work]]
pattern = "loop"
depth_line = "30 m"
return_line = "31 m"
near = "Harbor"
length = "1 km"
passes = 2
"""


def feature(shape: str, coordinates: object, /, **props: object) -> dict[str, Any]:
    return {"type": "Feature", "properties": props, "geometry": {"type": shape, "coordinates": coordinates}}


def box(west: float, south: float, east: float, north: float, **props: object) -> dict[str, Any]:
    ring = [(west, south), (east, south), (east, north), (west, north), (west, south)]
    return feature("Polygon", [ring], **props)


def base_layers() -> dict[str, list[dict[str, Any]]]:
    """Return the vector layers in metres; the passes run along y = 0 and y = 100 between x = -500 and 500."""
    return {
        "closure": [box(-300, -300, 300, -60, name="reserve", rule="A 1", forbids="fishing", margin_m=0.0)],
        "ground": [box(-1500, -400, 1500, 800, name="east bank")],
        "hazard": [feature("Point", (0, 210), name="rock", kind="rock", margin_m=100.0)],
        "lane": [box(-1500, 900, 1500, 1000, name="ferry", kind="route", margin_m=0.0, avoid="all")],
        "land": [box(-1500, -1300, 1500, -1000)],
        "mark": [feature("Point", (0, -500), name="Harbor", kind="harbor")],
    }


def tracks() -> list[tuple[str, np.ndarray]]:
    """Return kind and track in metres: run out, pass, half circle of 50 m, pass back, run home."""
    east = np.column_stack([np.linspace(-500, 500, 501), np.zeros(501)])
    west = np.add(east[::-1], (0, 100))
    angle = np.linspace(-math.pi / 2, math.pi / 2, 121)
    turn = np.column_stack([500 + 50 * np.cos(angle), 50 + 50 * np.sin(angle)])
    home = np.array([(0.0, -500.0)])
    out, back = np.concatenate([home, east[:1]]), np.concatenate([west[-1:], home])
    return [("run", out), ("pass", east), ("turn", turn), ("pass", west), ("run", back)]


def lonlat(xy: object) -> np.ndarray:
    plane = Transformer.from_crs("OGC:CRS84", PLANE, always_xy=True)
    return np.round(np.column_stack(plane.transform(*np.asarray(xy, float).T, direction="INVERSE")), 8)


def to_lonlat(item: dict[str, Any]) -> dict[str, Any]:
    shape = shapely.segmentize(shapely.geometry.shape(item["geometry"]), 50)
    return item | {"geometry": shapely.geometry.mapping(shapely.transform(shape, lonlat))}


def rods() -> list[dict[str, Any]]:
    """Return both rods with depth, layback and radius by the closed form (source: physics.md)."""
    made = []
    out = 20.0
    for name, kind, side, reach, setback, kg, diameter in (
        ("rigger", "downrigger", "port", 2.0, 8.0, 12 * 0.45359237, 0.0009),
        ("flat", "flat line", "stern", 0.0, 20.0, 4 * 0.028349523, 0.0005),
    ):
        weight = kg * 9.80665 * (1 - 1025 / 11340)
        drag_area = 0.5 * math.pi * (3 * kg / 11340 / 4 / math.pi) ** (2 / 3)
        pull = 0.5 * 1025 * TROLL_MPS**2
        a = math.hypot(weight, pull * drag_area) / (pull * 1.2 * diameter)
        low = pull * drag_area / weight
        high = low + out / a
        layback = a * (math.sqrt(1 + high**2) - math.sqrt(1 + low**2))
        chain = math.hypot(layback, setback) if kind == "downrigger" else layback
        made.append({
            "name": name, "kind": kind, "side": side, "reach_m": reach, "setback_m": setback,
            "cable_out_m": out,
            "depth_m": a * (math.asinh(high) - math.asinh(low)), "layback_m": layback,
            "cable_angle_deg": math.degrees(math.atan(high)), "weight_n": weight, "drag_area_m2": drag_area,
            "line_diameter_m": diameter,
            "line_weight_n_per_m": 0.0, "normal_drag": 1.2, "tangential_drag": 0.0,
            "radius_needed_m": chain / math.sqrt(1 - 0.75**2) + reach,
        })  # fmt: skip
    return made


def legs() -> list[dict[str, Any]]:
    made: list[dict[str, Any]] = []
    clock = datetime.fromisoformat("2026-08-14T05:30:00-10:00")
    for seq, (kind, xy) in enumerate(tracks(), start=1):
        length = float(np.hypot(*np.diff(xy, axis=0).T).sum())
        end = clock + timedelta(seconds=length / (RUN_MPS if kind == "run" else TROLL_MPS))
        props: dict[str, Any] = {
            "role": "leg", "seq": seq, "kind": kind, "start": clock.isoformat(), "end": end.isoformat(),
            "length_m": length,
        }  # fmt: skip
        if kind == "pass":
            level = 30.0 if seq == 2 else 31.0
            props |= {
                "depth_line_m": level,
                "depth_mean_m": level,
                "offline_p95_m": 0.1,
                "pattern": "loop",
                "work": 1,
            }
        made.append(feature("LineString", lonlat(xy).tolist(), **props))
        clock = end
    return made


Edit = Callable[[Any], object]


def no_water(_: Path) -> list[tuple[str, str]]:
    return []


def build(
    folder: Path,
    *,
    area: Edit = len,
    plan: Edit = len,
    trip: tuple[str, str] = ("", ""),
    water: Callable[[Path], list[tuple[str, str]]] = no_water,
) -> list[str]:
    """Write area, trip and plan, each changed as asked, and return what the check finds.

    `water` writes the files of tide and current into the area's folder and returns each layer's role and file.
    """
    (folder / "area").mkdir(parents=True)
    layers = base_layers()
    area(layers)
    north = 1500 - 10 - 20 * np.arange(150)
    depth = np.repeat((30 + 0.01 * north)[:, None], 150, axis=1).astype("float32")
    depth[:25] = np.nan
    with rasterio.open(
        folder / "area" / "depth.tif", "w", driver="GTiff", width=150, height=150, count=1, dtype="float32",
        crs=PLANE, transform=rasterio.Affine(20, 0, -1500, 0, -20, 1500), nodata=np.nan,
    ) as grid:  # fmt: skip
        grid.write(depth, 1)
    toml = 'name = "Hand Bay"\ninvented = true\ntimezone = "Etc/GMT+10"\ndepth_datum = "MLLW"\n'
    sources = []
    for role in ("depth", *layers):
        file = "depth.tif" if role == "depth" else f"{role}.geojson"
        extra = '\nform = "grid"\nvalues = "depth"\nunit = "m"' if role == "depth" else ""
        toml += f'[[layer]]\nrole = "{role}"\nfile = "{file}"{extra}\nas_of = 2026-03-01\nsource = "by hand"\n'
        if role != "depth":
            collection = {"type": "FeatureCollection", "features": [to_lonlat(item) for item in layers[role]]}
            (folder / "area" / file).write_text(json.dumps(collection))
        digest = hashlib.sha256((folder / "area" / file).read_bytes()).hexdigest()
        sources.append({"role": role, "file": file, "sha256": digest, "as_of": "2026-03-01", "source": "by hand"})
    for role, file in water(folder / "area"):
        toml += f'[[layer]]\nrole = "{role}"\nfile = "{file}"\nas_of = 2026-03-01\nsource = "by hand"\n'
        digest = hashlib.sha256((folder / "area" / file).read_bytes()).hexdigest()
        sources.append({"role": role, "file": file, "sha256": digest, "as_of": "2026-03-01", "source": "by hand"})
    (folder / "area" / "area.toml").write_text(toml)
    (folder / "trip.toml").write_text(TRIP.replace(*trip) if trip[0] else TRIP)
    made_rods = rods()
    closed = [to_lonlat(item) for item in base_layers()["closure"]]
    closed[0]["properties"] = {"role": "closed", "name": "reserve", "forbids": "fishing", "rule": "A 1"}
    track = feature("LineString", lonlat(tracks()[1][1] + (-10, 0)).tolist(), role="lure track", rod="rigger", seq=2)
    made = {
        "type": "FeatureCollection",
        "spotmap": {
            "plan_version": 1, "area": "Hand Bay", "date": "2026-08-14", "timezone": "Etc/GMT+10",
            "turn_radius_m": max(rod["radius_needed_m"] for rod in made_rods), "troll_speed_mps": TROLL_MPS,
            "boat_turn_radius_m": 12.0,
            "limits": {"lure_speed_floor": 0.75, "bottom_clearance_m": 3.0, "closure_standoff_m": 50.0,
                       "shore_standoff_m": 60.0},
            "rods": made_rods, "sources": sources, "warnings": [],
        },
        "features": [*legs(), track, *closed],
    }  # fmt: skip
    plan(made)
    (folder / "plan").mkdir()
    (folder / "plan" / "plan.geojson").write_text(json.dumps(made))
    return faults(folder / "plan", folder / "trip.toml")


def test_a_plan_made_by_hand_has_no_fault(tmp_path: Path) -> None:
    assert build(tmp_path) == []


def move(legs_seq: int, first: int, last: int, dx: float, dy: float) -> Edit:
    """Move some vertices of one leg by metres."""

    def edit(plan: dict[str, Any]) -> None:
        coordinates = plan["features"][legs_seq - 1]["geometry"]["coordinates"]
        plane = Transformer.from_crs("OGC:CRS84", PLANE, always_xy=True)
        for i in range(first, last):
            x, y = plane.transform(*coordinates[i])
            coordinates[i] = lonlat([(x + dx, y + dy)])[0].tolist()

    return edit


def put(leg_seq: int, **props: object) -> Edit:
    return lambda plan: plan["features"][leg_seq - 1]["properties"].update(props)


def put_head(key: str, value: object) -> Edit:
    return lambda plan: plan["spotmap"].update({key: value})


def put_rod(key: str, factor: float) -> Edit:
    return lambda plan: plan["spotmap"]["rods"][0].update({key: plan["spotmap"]["rods"][0][key] * factor})


def later(leg_seq: int, seconds: float, *, ends: tuple[str, ...]) -> Edit:
    def edit(plan: dict[str, Any]) -> None:
        props = plan["features"][leg_seq - 1]["properties"]
        for end in ends:
            props[end] = (datetime.fromisoformat(props[end]) + timedelta(seconds=seconds)).isoformat()

    return edit


def shift_day(plan: dict[str, Any]) -> None:
    for seq in range(1, 6):
        later(seq, 7200, ends=("start", "end"))(plan)


def thin_out(plan: dict[str, Any]) -> None:
    coordinates = plan["features"][2]["geometry"]["coordinates"]
    plan["features"][2]["geometry"]["coordinates"] = coordinates[::12]


def squeeze(plan: dict[str, Any]) -> None:
    for i in range(20, 101):
        move(3, i, i + 1, 0.0, (60 - i) * 0.5)(plan)


def kink(plan: dict[str, Any]) -> None:
    """Swing the whole first pass by 4° about its start, and everything after it along with its end."""
    angle = math.radians(4)
    plane = Transformer.from_crs("OGC:CRS84", PLANE, always_xy=True)
    coordinates = plan["features"][1]["geometry"]["coordinates"]
    xy = np.column_stack(plane.transform(*np.array(coordinates).T)) - (500, 0)
    turned = xy @ np.array([[math.cos(angle), math.sin(angle)], [-math.sin(angle), math.cos(angle)]]) + (
        500,
        0,
    )
    plan["features"][1]["geometry"]["coordinates"] = lonlat(turned).tolist()
    plan["features"][0]["geometry"]["coordinates"][-1] = lonlat(turned[:1])[0].tolist()


PLAN_SPOILT: dict[str, tuple[Edit, str]] = {
    "gap in place": (move(3, 0, 1, 0.0, 0.2), r"leg 3 \(turn\): starts 0\.20 m"),
    "gap in time": (later(3, 1e-3, ends=("start",)), r"leg 3 .*starts at"),
    "overlap in time": (later(2, 1.0, ends=("end",)), r"leg 3 .*starts at"),
    "kink": (kink, r"leg 3 .*heading jumps"),
    "numbering": (put(5, seq=6), r"numbered"),
    "tight turn": (squeeze, r"legs 3 to 3: .* m radius"),
    "coarse turn": (thin_out, r"leg 3 .*chord error"),
    "radius understated": (put_head("turn_radius_m", 25.0), r"turn_radius_m is 25\.00"),
    "layback understated": (put_rod("layback_m", 0.99), r"rod rigger: layback_m"),
    "depth of gear understated": (put_rod("depth_m", 0.9), r"rod rigger: depth_m"),
    "cable shortened": (put_rod("cable_out_m", 0.9), r"rod rigger: cable_out_m"),
    "ball of another weight": (put_rod("weight_n", 1.2), r"rod rigger: weight_n"),
    "setback of another length": (put_rod("setback_m", 0.5), r"rod rigger: setback_m"),
    "rod forgotten": (lambda plan: plan["spotmap"]["rods"].pop(), r"rods: "),
    "angle": (put_rod("cable_angle_deg", 1.1), r"rod rigger: cable_angle_deg"),
    "not from home": (move(1, 0, 1, 3.0, 0.0), r"first leg starts 3\.0 m from home"),
    "not to home": (move(5, 1, 2, 0.0, -3.0), r"last leg ends 3\.0 m from home"),
    "no run home": (lambda plan: plan["features"].pop(4), r"last leg ends with the gear down"),
    "outside the hours": (shift_day, r"legs run from"),
    "too slow": (later(5, 8.0, ends=("end",)), r"leg 5 .*it takes"),
    "length": (put(2, length_m=990.0), r"leg 2 .*length_m"),
    "depth line not asked for": (put(2, depth_line_m=25.0), r"leg 2 .*on 25\.00 m"),
    "pattern not asked for": (put(2, pattern="one-way"), r"leg 2 .*one-way on 30\.00 m, the trip asks for"),
    "off its line": (move(2, 0, 501, 0, 3.0), r"leg 2 .*offline_p95_m"),
    "mean depth": (put(2, depth_mean_m=33.0), r"leg 2 .*depth_mean_m"),
    "closure not drawn": (lambda plan: plan["features"].pop(), r"'reserve' is in force and not drawn"),
    "source not listed": (lambda plan: plan["spotmap"]["sources"].pop(0), r"depth\.tif is missing"),
    "digest": (
        lambda plan: plan["spotmap"]["sources"][1].update(sha256="0" * 64),
        r"closure\.geojson has another",
    ),
    "date of data": (
        lambda plan: plan["spotmap"]["sources"][1].update(as_of="2026-04-01"),
        r"closure\.geojson is dated",
    ),
    "limit softened": (
        lambda plan: plan["spotmap"]["limits"].update(closure_standoff_m=5.0),
        r"closure_standoff",
    ),
    "area's name": (put_head("area", "Other Bay"), r"head: area"),
    "lure track of no rod": (lambda plan: plan["features"][5]["properties"].update(rod="x"), r"no such rod"),
    "lure track far off": (move(6, 100, 101, 0.0, 40.0), r"lure track of 'rigger' on leg 2: 40"),
}


@pytest.mark.parametrize("name", PLAN_SPOILT)
def test_a_spoilt_plan_is_named(tmp_path: Path, name: str) -> None:
    edit, words = PLAN_SPOILT[name]
    found = build(tmp_path, plan=edit)
    assert any(re.search(words, fault) for fault in found), found


def only(role: str, *items: dict[str, Any]) -> Edit:
    return lambda layers: layers.update({role: list(items)})


def wall(**props: object) -> Edit:
    """Close water right over the middle of both passes."""
    return only("closure", box(-20, -200, 20, 400, name="wall", **props))


AREA_SPOILT: dict[str, tuple[Edit, str]] = {
    "closure 45 m off": (
        only("closure", box(-300, -300, 300, -45, name="c")),
        r"leg 2 .*: 45\.0 m from closure 'c'",
    ),
    "margin": (
        only("closure", box(-300, -300, 300, -60, name="c", margin_m=20)),
        r"leg 2 .*has to keep 70\.0",
    ),
    "entry on the run": (
        only("closure", box(-200, -450, 200, -420, name="n", forbids="entry")),
        r"leg 1 \(run\).*'n'",
    ),
    "ground too narrow": (
        only("ground", box(-1500, -400, 1500, 140, name="g")),
        r"leg 4 .*: 40\.0 m from water outside",
    ),
    "ground not yet open": (
        only("ground", box(-1500, -400, 1500, 800, name="g", hours="05:45-12:00")),
        r"leg 2 .*open then",
    ),
    "ground of another species": (
        only("ground", box(-1500, -400, 1500, 800, name="g", species="coho")),
        r"leg 2 .*open then",
    ),
    "hazard": (
        only("hazard", feature("Point", (0, -90), name="h", kind="wreck", margin_m=100)),
        r"leg 2 .*hazard 'h'",
    ),
    "lane": (
        only("lane", box(-50, 120, 50, 600, name="l", kind="k", margin_m=30.0)),
        r"leg 4 .*: 20\.0 m from lane 'l'",
    ),
    "lane that no run may cross": (
        only("lane", box(-200, -450, 50, -400, name="l", avoid="all")),
        r"leg 1 .*lane 'l'",
    ),
    "shore": (only("land", box(600, -100, 900, 200)), r"leg 3 .*: 50\.0 m from the shore, has to keep 60\.0"),
    "land on the run": (only("land", box(-300, -300, -200, -200)), r"leg 1 .*from land"),
}


@pytest.mark.parametrize("name", AREA_SPOILT)
def test_a_plan_against_the_area_is_named(tmp_path: Path, name: str) -> None:
    edit, words = AREA_SPOILT[name]
    found = build(tmp_path, area=edit)
    assert any(re.search(words, fault) for fault in found), found


@pytest.mark.parametrize(
    ("props", "in_force"),
    [
        ({}, True),
        ({"from": "07-01", "until": "08-14"}, True),
        ({"from": "08-15", "until": "09-30"}, False),
        ({"from": "11-01", "until": "08-14"}, True),
        ({"from": "11-01", "until": "08-13"}, False),
        ({"from": "2026-08-14", "until": "2026-08-14"}, True),
        ({"from": "2025-08-01", "until": "2025-08-31"}, False),
        ({"days": "Fri,Sat"}, True),
        ({"days": "Sat,Sun"}, False),
        ({"hours": "05:00-05:35"}, False),
        ({"hours": "05:36-05:40"}, True),
        ({"hours": "20:00-05:40"}, True),
        ({"hours": "20:00-05:40", "days": "Thu"}, True),
        ({"hours": "20:00-05:40", "days": "Fri"}, False),
        ({"species": "coho, Chinook"}, True),
        ({"species": "coho"}, False),
        ({"methods": "troll"}, True),
        ({"methods": "mooch,jig"}, False),
    ],
)
def test_a_closure_counts_when_it_is_in_force(tmp_path: Path, props: dict[str, str], *, in_force: bool) -> None:
    # the first pass crosses it about 05:37:10, the second about 05:50
    found = [fault for fault in build(tmp_path, area=wall(**props)) if "from closure 'wall'" in fault]
    assert bool(found) == in_force


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (('bottom_clearance = "3 m"', 'bottom_clearance = "20 m"'), r"leg 2 .*30\.00 m deep, needs 3"),
        (('draft = "1 m"', 'draft = "14 fathom"'), r"leg 1 .*25\.00 m deep, needs 25\.60"),
        (('home = "Harbor"', 'home = "30 00.00 S, 140 00.00 W"'), r"first leg starts 500"),
        (("hours = 1.5", "hours = 0.4"), r"legs run from"),
        (('setback = "8 m"', 'setback = "24 m"'), r"rod rigger: setback_m"),
        (('run_speed = "9 m/s"', 'run_speed = "12 kn"'), r"leg 1 .*it takes"),
    ],
)
def test_a_plan_against_the_trip_is_named(tmp_path: Path, change: tuple[str, str], words: str) -> None:
    found = build(tmp_path, trip=change)
    assert any(re.search(words, fault) for fault in found), found


def test_unknown_water_is_named(tmp_path: Path) -> None:
    far = [move(3, i, i + 1, 900 * math.sin(math.pi * i / 120), 950 * math.sin(math.pi * i / 120)) for i in range(121)]
    found = build(tmp_path, plan=lambda plan: [edit(plan) for edit in far])
    assert any(re.search(r"leg 3 .*unknown depth over", fault) for fault in found), found


@pytest.mark.parametrize(
    ("pounds", "knots", "depth_ft", "layback_ft", "angle_deg"),
    # source: shared/check_values.md, cable with a lead sphere, closed form and integration agree
    [(12, 3.0, 88.4, 42.8, 42.5), (15, 3.5, 86.4, 46.5, 45.4), (10, 2.0, 96.1, 25.0, 25.9)],
)
@pytest.mark.parametrize("line_weight", [0.0, 1e-9])
def test_cable_against_check_values(
    pounds: float, knots: float, depth_ft: float, layback_ft: float, angle_deg: float, line_weight: float
) -> None:
    kg = pounds * 0.45359237
    rod = {
        "weight_n": kg * 9.80665 * (1 - 1025 / 11340),
        "drag_area_m2": 0.5 * math.pi * (3 * kg / 11340 / 4 / math.pi) ** (2 / 3),
        "line_diameter_m": 0.0009, "normal_drag": 1.2, "tangential_drag": 0.0,
        "line_weight_n_per_m": line_weight,
    }  # fmt: skip
    depth, layback, angle = cable(rod, 30.48, knots * 1852 / 3600)
    assert depth / 0.3048 == pytest.approx(depth_ft, abs=0.05)
    assert layback / 0.3048 == pytest.approx(layback_ft, abs=0.05)
    assert angle == pytest.approx(angle_deg, abs=0.05)


def test_radius_and_kink_of_known_lines() -> None:
    angle = np.linspace(0, 3, 300)
    circle = 40 * np.column_stack([np.cos(angle), np.sin(angle)])
    assert tightest_radius(circle)[0] == pytest.approx(40, rel=1e-3)
    assert math.degrees(least_kink(circle[150::-1], circle[150:])) < 0.01
    assert tightest_radius(np.array([(0.0, 0.0), (40.0, 0.0), (0.0, 0.0)]))[0] < 1.0  # straight back on itself


@pytest.mark.parametrize(
    "text",
    # source: shared/files.md, the forms that people use
    [
        "48.1500, -122.6700",
        "48 09.00 N 122 40.20 W",
        "48°09'00\"N 122°40'12\"W",
        "48°09.00′ N. lat., 122°40.20′ W. long.",
    ],
)
def test_positions(text: str) -> None:
    assert position(text) == pytest.approx((-122.67, 48.15))
