"""Small areas on disk for the planner's tests: a bottom in closed form, layers as GeoJSON, a trip file.

Places are metres east and north of a point on a UTM zone's central meridian, so that what a test writes is what the
local projection gives back to within the zone's scale of 0.9996.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import rasterio
import shapely
from pyproj import Transformer
from rasterio import Affine

EAST_0, NORTH_0 = 500_000.0, 5_300_000.0
UTM = "EPSG:32605"
ALWAYS = {"from": "01-01", "until": "12-31"}
SCALE = 0.9996


def slope(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """A plane that deepens northwards: 30 m on y = 0, 4 cm a metre."""
    return 30.0 + 0.04 * y + 0.0 * x


def lonlat(x: float, y: float) -> tuple[float, float]:
    return Transformer.from_crs(UTM, "EPSG:4326", always_xy=True).transform(EAST_0 + x, NORTH_0 + y)


def position(x: float, y: float) -> str:
    lon, lat = lonlat(x, y)
    return f"{lat:.7f}, {lon:.7f}"


def feature(shape: shapely.Geometry, **properties: Any) -> dict[str, Any]:
    degrees = shapely.transform(
        shape, lambda xy: np.column_stack(np.vectorize(lonlat)(xy[:, 0], xy[:, 1])), include_z=False
    )
    named = {key.rstrip("_"): value for key, value in properties.items()}
    return {"type": "Feature", "properties": named, "geometry": shapely.geometry.mapping(degrees)}


@dataclass
class SmallArea:
    """What to write. `layers` holds features by role."""

    bottom: Callable[[np.ndarray, np.ndarray], np.ndarray] = slope
    half_m: float = 3000.0
    cell_m: float = 20.0
    layers: Mapping[str, Sequence[dict[str, Any]]] = field(default_factory=dict)
    timezone: str = "Etc/GMT+10"

    def write(self, folder: Path) -> Path:
        folder.mkdir(parents=True, exist_ok=True)
        count = int(2 * self.half_m / self.cell_m)
        centre = (np.arange(count) + 0.5) * self.cell_m - self.half_m
        x, y = np.meshgrid(centre, centre[::-1])
        transform = Affine(self.cell_m, 0.0, EAST_0 - self.half_m, 0.0, -self.cell_m, NORTH_0 + self.half_m)
        with rasterio.open(
            folder / "depth.tif",
            "w",
            driver="GTiff",
            width=count,
            height=count,
            count=1,
            dtype="float32",
            crs=UTM,
            transform=transform,
            nodata=-9999.0,
        ) as file:
            depth = np.asarray(self.bottom(x, y), dtype="float32")
            file.write(np.where(np.isnan(depth), np.float32(-9999.0), depth), 1)
        text = [
            'name = "Test Sound"',
            "invented = true",
            f'timezone = "{self.timezone}"',
            'depth_datum = "MLLW"',
            'show = { depth = "ft", distance = "NM", speed = "kn" }',
            _layer("depth", "depth.tif", 'form = "grid"\nvalues = "depth"\nunit = "m"'),
        ]
        for role, features in self.layers.items():
            file = folder / f"{role}.geojson"
            file.write_text(json.dumps({"type": "FeatureCollection", "features": list(features)}))
            text.append(_layer(role, file.name))
        (folder / "area.toml").write_text("\n".join(text))
        return folder


def _layer(role: str, file: str, more: str = "") -> str:
    return f'\n[[layer]]\nrole = "{role}"\nfile = "{file}"\n{more}\nas_of = 2026-03-01\nsource = "made for a test"'


@dataclass
class SmallTrip:
    """What to write of a trip; `work` and `rods` are TOML tables as text."""

    work: Sequence[str]
    home: str = ""
    start: str = "08:00"
    hours: float = 4.0
    setback: str = "25 ft"
    rods: Sequence[str] = ()
    extra: str = ""

    def write(self, folder: Path, name: str = "trip.toml") -> Path:
        rigger = 'name = "rigger"\nkind = "downrigger"\nside = "port"\nreach = "6 ft"\n'
        rigger += f'depth = "60 ft"\nsetback = "{self.setback}"\nball = "12 lb"'
        rods = self.rods or [rigger]
        text = f"""area = "."
date = 2026-08-14
start = "{self.start}"
hours = {self.hours}
home = "{self.home or position(0.0, 400.0)}"
species = "chinook"
method = "troll"
{self.extra}
[boat]
troll_speed = "2.7 kn"
run_speed = "18 kn"
turn_radius = "12 m"
draft = "3 ft"
[limits]
closure_standoff = "50 m"
"""
        text += "".join(f"\n[[rod]]\n{rod}\n" for rod in rods)
        text += "".join(f"\n[[work]]\n{work}\n" for work in self.work)
        (folder / name).write_text(text)
        return folder / name


def work(
    pattern: str = "loop", line: str = "100 ft", *, near: str = "", length: str = "0.8 NM", more: str = "minutes = 60"
) -> str:
    return (
        f'pattern = "{pattern}"\ndepth_line = "{line}"\nnear = "{near or position(0.0, 0.0)}"\n'
        f'length = "{length}"\n{more}'
    )
