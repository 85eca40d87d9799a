"""Areas to be packed, changes as a GIS makes them, and what two areas must have in common."""

from __future__ import annotations

import json
import shutil
import sqlite3
import xml.etree.ElementTree as ET
from dataclasses import fields
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import rasterio
import shapely
from pyogrio import raw
from shapely import LineString, Point, Polygon, box

from layers._errors import InputError
from layers.interchange import unpack
from layers.model import Area
from tests.small_area import ALWAYS, SmallArea, feature

DEMO = Path(__file__).parents[1] / "demo_area"
BAG = Path(__file__).parents[2] / "shared" / "data" / "F00788_SR_8m.bag"
SECONDS = 1_786_700_000.0 + 3600.0 * np.arange(12)
QUAD = Polygon([(-900, -900), (-300, -900), (-300, -300), (-900, -300)])


def small_area(folder: Path) -> Path:
    layers = {
        "closure": [
            feature(QUAD, name="Quad", forbids="entry", margin_m=25, rule="Rule 1", open=None, **ALWAYS),
            feature(
                box(500, 500, 900, 900), name="Box", forbids="fishing", margin_m=1 / 3, rule="", open=True, **ALWAYS
            ),
        ],
        "hazard": [
            feature(Point(100, 100), name="Rock", kind="rock", depth_m=1.5),
            feature(LineString([(0, 0), (50, 60)]), name="Chain", kind="obstruction"),
            feature(box(200, 200, 230, 230), name="Wreck", kind="wreck"),
        ],
        "mark": [
            feature(Point(0, -50), name="Home", kind="harbor", private=False, fid=7),
            feature(Point(0, 50), name="Spot", kind="spot", private=True, fid=9),
        ],
        "land": [feature(box(-3000, 2500, 3000, 2900))],
    }
    return SmallArea(cell_m=50.0, layers=layers).write(folder)


def saved_as(folder: Path, role: str, name: str, **options: Any) -> Path:
    """Save a layer of the area in another format, and name that in area.toml."""
    meta, _, wkb, columns = raw.read(folder / f"{role}.geojson")
    types, keep = meta["geometry_type"], [i for i, one in enumerate(meta["fields"]) if one not in ("open", "fid")]
    raw.write(
        folder / name,
        wkb,
        [columns[i] for i in keep],
        meta["fields"][keep],
        geometry_type=types,
        crs="EPSG:4326",
        **options,
    )
    (folder / f"{role}.geojson").unlink()
    text = (folder / "area.toml").read_text().replace(f"{role}.geojson", name)
    (folder / "area.toml").write_text(text)
    return folder / name


def edit(package: Path, table: str, change: Any) -> None:
    """Change a table as a GIS does that saves it: `change` takes and gives geometries and columns by name."""
    meta, _, wkb, columns = raw.read(package, layer=table)
    held = dict(zip(meta["fields"], columns, strict=True))
    geometry, held = change(shapely.from_wkb(wkb), held)
    raw.write(
        package,
        shapely.to_wkb(geometry),
        list(held.values()),
        np.array(list(held), dtype=object),
        layer=table,
        driver="GPKG",
        geometry_type=meta["geometry_type"],
        crs=meta["crs"],
    )


def moved(geometry: Any, columns: dict[str, Any]) -> Any:
    away = shapely.transform(geometry[:1], lambda xy: xy + np.array([0.001, 0.0005]))
    return np.concatenate([away, geometry[1:]]), columns


def files_of(folder: Path) -> dict[str, bytes]:
    return {one.relative_to(folder).as_posix(): one.read_bytes() for one in folder.rglob("*") if one.is_file()}


def assert_equal_areas(one: Area, other: Area) -> None:
    apart = ("folder", "depth", "surest_depth", "tide", "current")
    for name in (field.name for field in fields(Area) if field.name not in apart):
        assert getattr(one, name) == getattr(other, name), name
    west, south, east, north = one.depth.bounds
    x, y = np.random.default_rng(5).uniform((west, south), (east, north), (2000, 2)).T
    assert np.isfinite(one.depth.depth_at(x, y)).any()
    assert np.array_equal(one.depth.depth_at(x, y), other.depth.depth_at(x, y), equal_nan=True)
    assert np.array_equal(one.safe_depth.depth_at(x, y), other.safe_depth.depth_at(x, y), equal_nan=True)
    for ask in ("tide", "current"):
        ours, theirs = getattr(one, ask), getattr(other, ask)
        assert (ours is None) == (theirs is None)
        if ours is not None:
            answer = "height_at" if ask == "tide" else "flow_at"
            told = [getattr(of, answer)(x[:50, None], y[:50, None], SECONDS) for of in (ours, theirs)]
            assert np.isfinite(told[0]).any()
            assert np.array_equal(*told, equal_nan=True)


def bag_like(folder: Path) -> Path:
    """A grid of elevation with its uncertainty in band 2 and a ragged edge, as a survey has."""
    small_area(folder)
    with rasterio.open(folder / "depth.tif") as source:
        depth, profile = source.read(1), source.profile
    depth[:40, :50] = np.nan
    profile |= {"count": 2, "nodata": 1_000_000.0, "driver": "GTiff"}
    (folder / "depth.tif").unlink()
    with rasterio.open(folder / "depth.tif", "w", **profile) as file:
        file.write(np.where(np.isnan(depth), np.float32(1e6), -depth), 1)
        file.write(np.full_like(depth, 0.4), 2)
    return folder


def survey_area(folder: Path) -> Path:
    folder.mkdir()
    shutil.copyfile(BAG, folder / "depth.bag")
    keys = 'form = "grid"\nvalues = "elevation"\nunit = "m"\nuncertainty = 2\nas_of = 2021-01-01\nsource = "survey"'
    head = 'name = "Survey"\ntimezone = "America/Los_Angeles"\ndepth_datum = "MLLW"\n\n[[layer]]\nrole = "depth"\n'
    (folder / "area.toml").write_text(f'{head}file = "depth.bag"\n{keys}\n')
    return folder


def charted_area(folder: Path) -> Path:
    """Depth as a chart gives it, in feet: areas, one of them unsurveyed, with drawn lines and soundings beside."""
    folder.mkdir()

    def write(name: str, features: list[dict[str, Any]]) -> None:
        (folder / name).write_text(json.dumps({"type": "FeatureCollection", "features": features}))

    drawn = [(-6, 0, 0), (0, 30, 500), (30, 60, 1000), (None, None, 1500)]
    write(
        "areas.geojson",
        [feature(box(0, y, 500, y + 500), drval1=a, drval2=b, uncertainty=2.0, zoc="B") for a, b, y in drawn],
    )
    write("lines.geojson", [feature(LineString([(0, 700), (500, 700)]), valdco=18.0)])
    write("soundings.geojson", [feature(Point(x, 800, x / 10), depth=float(x)) for x in (12, 15, 200)])
    write("careful.geojson", [feature(box(10, 10, 60, 60), name="Cable", kind="cable area", note="look out")])
    (folder / "area.toml").write_text(
        'name = "Charted"\ntimezone = "Etc/GMT+10"\ndepth_datum = "MLLW"\n\n[[layer]]\nrole = "depth"\nform = "areas"\n'
        'file = "areas.geojson"\nvalues = "depth"\nunit = "ft"\ncontours = "lines.geojson"\n'
        'soundings = "soundings.geojson"\nas_of = 2026-03-01\nsource = "test"\n\n[[layer]]\nrole = "caution"\n'
        'file = "careful.geojson"\nas_of = 2026-03-01\nsource = "test"\n'
    )
    return folder


def drop_triggers(db: sqlite3.Connection) -> None:
    for trigger in [row[0] for row in db.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'")]:
        db.execute(f'DROP TRIGGER "{trigger}"')


def parsed(text: str) -> ET.Element:
    return ET.fromstring(text)  # noqa: S314 - our own


def refused(package: Path, match: str) -> None:
    """Assert that unpacking fails with these words and leaves nothing."""
    target = package.parent / "back"
    before = sorted(package.parent.iterdir())
    with pytest.raises(InputError, match=match):
        unpack(package, target)
    assert sorted(package.parent.iterdir()) == before
