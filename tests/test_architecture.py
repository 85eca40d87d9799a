"""The road runs one way: what each module may import, and what must never be pulled in."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
ROAD = [
    "_errors", "model", "polyline", "moving", "cable", "chain", "separation", "clock", "rods", "gear", "rigcard",
    "trip", "minutes", "water", "depthline", "fairing", "steerable", "passes", "dubins", "trochoid", "turns",
    "laps", "weave", "patterns", "runs", "placing", "ways", "journey", "crossings", "report", "remedies",
    "timetable", "shifts", "voyage", "tidework", "tidepass", "tideway", "trailing", "swept", "check", "planner",
    "geowater", "geothings", "geojson", "gpx", "web", "momentwords", "faces", "rips", "candidates", "judged",
    "worthwater", "worthwords", "worth", "taking", "legwords", "roundlines", "spotwater", "openings", "homeruns",
    "spotfacts", "factwords", "mapwords", "graphsheet", "tidegraph", "playback", "profiles", "bottomgrid",
    "mapthings", "mapdata", "webmap", "outputs", "describe", "comparison", "hours", "progress", "planfiles",
    "gearcommands", "tidecommands", "worthcommand", "bottomcommands", "ripcommand", "spotlist", "spotcommands",
    "doubts", "bringing", "bringinto", "datacommands", "areacommands", "cli", "start",
]  # fmt: skip
"""Every module in an order in which each imports only what lies before it."""


def imports_of(file: Path) -> set[str]:
    found: set[str] = set()
    for node in ast.walk(ast.parse(file.read_text())):
        if isinstance(node, ast.ImportFrom) and node.module:
            found.add(node.module)
            found |= {f"{node.module}.{name.name}" for name in node.names}
        elif isinstance(node, ast.Import):
            found |= {name.name for name in node.names}
    return found


def test_every_module_stands_on_the_road_once() -> None:
    modules = {file.stem for file in (ROOT / "spotmap").glob("*.py")} - {"__init__", "__main__"} | {"web"}
    assert modules == set(ROAD)
    assert len(ROAD) == len(set(ROAD))


@pytest.mark.parametrize("module", [name for name in ROAD if name != "web"])
def test_each_module_imports_only_what_lies_before_it(module: str) -> None:
    own = {name.split(".")[1] for name in imports_of(ROOT / "spotmap" / f"{module}.py") if name.startswith("spotmap.")}
    later = {name for name in own & set(ROAD) if ROAD.index(name) >= ROAD.index(module)}
    assert not later


def test_layers_never_import_spotmap() -> None:
    for file in (ROOT / "layers").glob("*.py"):
        assert not any(name.split(".")[0] == "spotmap" for name in imports_of(file)), file.name
    code = "import sys, layers.area; print(any(m.split('.')[0] == 'spotmap' for m in sys.modules))"
    told = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd="/")
    assert told.stdout.strip() == "False"


def test_the_core_pulls_in_no_drawing_and_no_network() -> None:
    code = (
        "import sys, spotmap.planner; print(sorted(m for m in ('folium', 'matplotlib', 'branca', 'requests', 'typer')"
        " if m in sys.modules))"
    )
    told = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd="/")
    assert told.stdout.strip() == "[]"
