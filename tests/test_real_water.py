"""Loops on real water: a survey with a ragged edge, and a coarse model of land and sea.

The survey is F00788 (source: NOAA Office of Coast Survey, public domain); the model is the sample that
matplotlib ships.
"""

from __future__ import annotations

import contextlib
import io
import json
import shutil
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import rasterio
import rasterio.features
from matplotlib import cbook

from spotmap.cli import main
from tests.independent import faults

DATA = Path(__file__).parents[2] / "shared" / "data"
SURVEY = DATA / "F00788_SR_8m.bag"

TRIP = """
area = "area"
date = 2026-08-14
start = "06:00"
hours = 3.0
home = "{home}"
species = "chinook"
method = "troll"

[boat]
troll_speed = "2.7 kn"
run_speed = "18 kn"
turn_radius = "12 m"
draft = "3 ft"
fuel_troll = "1.0 gal/h"
fuel_run = "9 gal/h"

[limits]
lure_speed_floor = 0.75
bottom_clearance = "10 ft"
closure_standoff = "50 m"
shore_standoff = "60 m"
strong_current = "1.5 kn"

[[rod]]
name = "port rigger"
kind = "downrigger"
side = "port"
reach = "6 ft"
depth = "75 ft"
setback = "{setback}"
ball = "12 lb"

[[rod]]
name = "starboard rigger"
kind = "downrigger"
side = "starboard"
reach = "6 ft"
depth = "60 ft"
setback = "{setback}"
ball = "12 lb"

[[work]]
pattern = "loop"
depth_line = "{line}"
near = "{near}"
length = "{length}"
passes = 4
"""


def write_area(folder: Path, layers: list[dict[str, str]]) -> None:
    """Write area.toml for files that are in the folder already."""
    text = 'name = "Real water"\ninvented = false\ntimezone = "Etc/GMT+8"\ndepth_datum = "MLLW"\n'
    for layer in layers:
        pairs = "\n".join(f'{key} = "{value}"' for key, value in layer.items())
        text += f"\n[[layer]]\n{pairs}\nas_of = 2026-01-01\n"
    (folder / "area.toml").write_text(text, encoding="utf-8")


def plan(folder: Path, name: str, **values: str) -> tuple[dict[str, Any], list[str], str]:
    """Plan a trip; return plan.geojson, what the independent check finds, and what was said."""
    trip, out = folder / f"{name}.toml", folder / name
    trip.write_text(TRIP.format(**values), encoding="utf-8")
    said = io.StringIO()
    with contextlib.redirect_stderr(said), contextlib.redirect_stdout(said):
        try:
            code = main(["plan", str(trip), "--out", str(out)])
        except SystemExit as end:
            code = end.code
    assert not code, said.getvalue()
    return json.loads((out / "plan.geojson").read_text()), faults(out, trip), said.getvalue()


def passes(made: dict[str, Any]) -> list[dict[str, Any]]:
    return [f["properties"] for f in made["features"] if f["properties"].get("kind") == "pass"]


@pytest.mark.realdata
@pytest.mark.skipif(not SURVEY.exists(), reason="the public survey F00788 is not in ../shared/data")
def test_survey_with_short_and_long_setbacks(tmp_path: Path) -> None:
    area = tmp_path / "area"
    area.mkdir()
    shutil.copy(SURVEY, area / SURVEY.name)
    depth = {"role": "depth", "file": SURVEY.name, "form": "grid", "values": "elevation", "unit": "m"}
    write_area(area, [depth | {"source": "NOAA Office of Coast Survey, survey F00788"}])
    where = {
        "home": "48.14950, -122.67582",
        "near": "48.15039, -122.67219",
        "line": "160 ft",
        "length": "0.4 NM",
    }
    short, short_faults, short_said = plan(tmp_path, "short", setback="25 ft", **where)
    long, long_faults, long_said = plan(tmp_path, "long", setback="60 ft", **where)
    assert short_faults == []
    assert long_faults == []
    # the rule for R (source: physics.md, "Setback and the turn")
    for made, setback_m in ((short, 7.62), (long, 18.288)):
        assert [p["depth_line_m"] for p in passes(made)] == pytest.approx([160 * 0.3048] * 4)
        widest = max(np.hypot(rod["layback_m"], setback_m) for rod in made["spotmap"]["rods"])
        radius_m = widest / np.sqrt(1 - 0.75**2) + 1.8288
        assert made["spotmap"]["turn_radius_m"] == pytest.approx(radius_m, rel=5e-3)
    # the wider R leaves less of the line, or leaves it further off, and the plan says what was lost
    fished = [sum(p["length_m"] for p in passes(made)) / len(passes(made)) for made in (short, long)]
    offline = [max(p["offline_p95_m"] for p in passes(made)) for made in (short, long)]
    assert fished[1] < fished[0] - 5 or offline[1] > offline[0] + 1
    cuts = [[line for line in said.splitlines() if " cut: " in line] for said in (short_said, long_said)]
    assert "unknown" in " ".join(cuts[1])
    assert cuts[0] != cuts[1]


def test_loop_on_a_coarse_model_of_land_and_sea(tmp_path: Path) -> None:
    sample = cbook.get_sample_data("topobathy.npz")
    lon, lat, topo = (sample[key].astype(float) for key in ("longitude", "latitude", "topo"))
    # rows of a Mercator grid, south first: drawn again at even latitudes, north first
    even = np.linspace(lat[-1], lat[0], len(lat))
    z = np.array([np.interp(even, lat, column) for column in topo.T]).T
    dx, dy = (lon[-1] - lon[0]) / (len(lon) - 1), (lat[-1] - lat[0]) / (len(lat) - 1)
    transform = rasterio.Affine(dx, 0, lon[0] - 360 - dx / 2, 0, -dy, lat[-1] + dy / 2)
    area = tmp_path / "area"
    area.mkdir()
    with rasterio.open(
        area / "topo.tif", "w", driver="GTiff", width=len(lon), height=len(lat), count=1, dtype="float32",
        crs="EPSG:4326", transform=transform,
    ) as grid:  # fmt: skip
        grid.write(z.astype("float32"), 1)
    shapes = rasterio.features.shapes((z > 0).astype("uint8"), mask=z > 0, transform=transform)
    land = [{"type": "Feature", "properties": {}, "geometry": outline} for outline, _ in shapes]
    (area / "land.geojson").write_text(json.dumps({"type": "FeatureCollection", "features": land}))
    source = {"source": "matplotlib's sample topobathy.npz"}
    depth = {"role": "depth", "file": "topo.tif", "form": "grid", "values": "elevation", "unit": "m"}
    write_area(area, [depth | source, {"role": "land", "file": "land.geojson"} | source])
    where = {
        "home": "48 12.00 N 123 51.00 W",
        "near": "48.1950, -123.8000",
        "line": "50 fm",
        "length": "0.8 NM",
    }
    made, found, _ = plan(tmp_path, "strait", setback="25 ft", **where)
    assert found == []
    assert [p["depth_line_m"] for p in passes(made)] == pytest.approx([50 * 1.8288] * 4)
    # promised: a 0.8 NM loop back along its own line at R up to 50 m fishes 0.80 of its way
    assert made["spotmap"]["turn_radius_m"] <= 50
    down = [f["properties"] for f in made["features"] if f["properties"].get("kind") in ("pass", "turn")]
    assert sum(p["length_m"] for p in passes(made)) >= 0.8 * sum(p["length_m"] for p in down)
