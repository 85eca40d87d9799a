"""Measure what the project promises about time and memory: ``python tests/benchmark.py``.

The demo plan against only importing the libraries it stands on, and a grid of 4,000 × 4,000 cells against contourpy's
own time for one line. Each measurement is a process of its own, the best of three; exit code 1 when a promise fails.
"""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import contourpy
import numpy as np
import rasterio
from rasterio.transform import from_origin

ROOT = Path(__file__).parents[1]
IMPORTS = "import geopandas, folium, networkx, rasterio, scipy"
SIDE = 4000
CELL_M = 10.0
WORST_STILL = 3.0
WORST_DEMO = 3.6
WORST_GRID = 3.0
MOST_BYTES = 1_000_000_000
RUNS = 3

AREA = """name = "Bench Sound"
invented = true
timezone = "Etc/GMT+10"
depth_datum = "MLLW"
show = { depth = "ft", distance = "NM", speed = "kn" }
[[layer]]
role = "depth"
file = "depth.tif"
form = "grid"
values = "depth"
unit = "m"
as_of = 2026-03-01
source = "made for the benchmark"
"""
TRIP = """area = "."
date = 2026-08-14
start = "08:00"
hours = 4.0
home = "48.0, -153.05"
species = "chinook"
[boat]
troll_speed = "2.7 kn"
run_speed = "18 kn"
turn_radius = "12 m"
draft = "3 ft"
[[rod]]
name = "rigger"
kind = "downrigger"
side = "port"
depth = "60 ft"
setback = "25 ft"
ball = "12 lb"
[[work]]
pattern = "loop"
depth_line = "50 m"
near = "48.0, -153.0"
length = "0.8 NM"
minutes = 90
"""


def best_of(code: str, *words: str) -> dict[str, float]:
    """Run Python code in processes of their own; return the least wall time and the greatest memory, in bytes."""
    wrapped = (
        "import json, resource, sys, time\nbegan = time.perf_counter()\n"
        f"{code}\n"
        "used = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024\n"
        "print(json.dumps({'s': time.perf_counter() - began, 'bytes': used}), file=sys.stderr)"
    )
    told = []
    for _ in range(RUNS):
        ran = subprocess.run([sys.executable, "-c", wrapped, *words], capture_output=True, text=True, check=True)
        told.append(json.loads(ran.stderr.strip().splitlines()[-1]))
    return {"s": min(one["s"] for one in told), "bytes": max(one["bytes"] for one in told)}


def plan_code(trip: Path, out: Path) -> str:
    return (
        "from spotmap.start import main\ntry:\n"
        f"    main(['plan', {str(trip)!r}, '--out', {str(out)!r}])\n"
        "except SystemExit as stop:\n    assert not stop.code, stop.code"
    )


def still_demo(folder: Path) -> Path:
    """Return the trip of a copy of the demo area without its tide and current layers."""
    shutil.copytree(ROOT / "demo_area", folder)
    head, *layers = (folder / "area.toml").read_text().split("[[layer]]")
    kept = [one for one in layers if 'role = "tide"' not in one and 'role = "current"' not in one]
    (folder / "area.toml").write_text("[[layer]]".join([head, *kept]))
    return folder / "trip.toml"


def bottom() -> np.ndarray:
    row, column = np.mgrid[0:SIDE, 0:SIDE].astype("float32")
    waves = 40 * np.sin(column / 500) + 20 * np.cos(row / 300) + 0.5 * np.sin(column / 17) * np.cos(row / 19)
    return (50 + waves).astype("float32")


def main() -> int:
    kept = []
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        imports = best_of(IMPORTS)
        print(f"importing the libraries: {imports['s']:.2f} s")
        for what, trip, worst in (
            ("in still water", still_demo(folder / "still"), WORST_STILL),
            ("with its tide and currents", ROOT / "demo_area" / "trip.toml", WORST_DEMO),
        ):
            demo = best_of(plan_code(trip, folder / "demo"))
            ratio = demo["s"] / imports["s"]
            kept.append(ratio <= worst)
            print(f"the demo plan {what}, imports included: {demo['s']:.2f} s = {ratio:.2f} × (at most {worst:g})")

        depth = bottom()
        lines = []
        for _ in range(RUNS):
            began = time.perf_counter()
            contourpy.contour_generator(z=depth).lines(50.0)
            lines.append(time.perf_counter() - began)
        transform = from_origin(500_000 - SIDE * CELL_M / 2, 5_316_500 + SIDE * CELL_M / 2, CELL_M, CELL_M)
        profile = {"driver": "GTiff", "width": SIDE, "height": SIDE, "count": 1, "dtype": "float32"}
        with rasterio.open(folder / "depth.tif", "w", crs="EPSG:32605", transform=transform, **profile) as file:
            file.write(depth, 1)
        (folder / "area.toml").write_text(AREA)
        (folder / "trip.toml").write_text(TRIP)
        open_code = f"from pathlib import Path\nfrom layers.area import open_area\narea = open_area(Path({name!r}))\n"
        line = best_of(f"{IMPORTS}\n{open_code}assert area.depth.depth_line(50.0).length > 1e5")
        plan = best_of(plan_code(folder / "trip.toml", folder / "plan"))
        allowed = WORST_GRID * min(lines) + imports["s"]
        print(f"contourpy alone, {SIDE} × {SIDE} cells, one line: {min(lines):.2f} s")
        for what, told in (("the whole depth line", line), ("a plan on that grid", plan)):
            kept.append(told["s"] <= allowed and told["bytes"] <= MOST_BYTES)
            print(
                f"{what}, imports included: {told['s']:.2f} s (at most {WORST_GRID:g} × contourpy + imports "
                f"= {allowed:.2f} s), {told['bytes'] / 1e6:.0f} MB (at most {MOST_BYTES / 1e6:.0f})"
            )
    return 0 if all(kept) else 1


if __name__ == "__main__":
    raise SystemExit(main())
