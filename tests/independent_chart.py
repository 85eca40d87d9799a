"""What a plan keeps off on a chart, judged from the S-57 cell itself and not from what was brought in.

Shares nothing with layers or spotmap. GDAL's S-57 driver reads the cell, a transverse Mercator about the legs measures.
"""

from __future__ import annotations

import json
import warnings
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pyogrio
import pyproj
import shapely

EVERY = {"SPLIT_MULTIPOINT": "ON", "ADD_SOUNDG_DEPTH": "ON", "UPDATES": "APPLY", "LIST_AS_STRING": "OFF"}
TOLERANCE_M = 0.15
# what the program says that it keeps off these, in metres (README); common practice, no source
KEPT_OFF_M = {"WRECKS": 50.0, "UWTROC": 50.0, "OBSTRN": 50.0, "PILPNT": 25.0}
BANS = {"3", "4", "7", "8", "14"}  # source: IHO S-57 attribute catalogue, RESTRN


def rows(cell: Path, name: str) -> tuple[np.ndarray, dict[str, np.ndarray]]:
    """Return shapes in degrees and attributes of one class of objects."""
    if name not in pyogrio.list_layers(cell)[:, 0]:
        return np.empty(0, dtype=object), {}
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # polygons of many parts take GDAL a moment
        meta, _, wkb, data = pyogrio.raw.read(cell, layer=name, **EVERY)
    return np.asarray(shapely.from_wkb(wkb)), dict(zip(meta["fields"], data, strict=True))


class Sheet:
    """A plan's legs, and the cell in the same plane."""

    def __init__(self, plan: dict[str, Any], cell: Path) -> None:
        self.cell = cell
        self.legs = [f for f in plan["features"] if f["properties"]["role"] == "leg"]
        lon, lat = self.legs[0]["geometry"]["coordinates"][0][:2]
        plane = pyproj.CRS.from_proj4(f"+proj=tmerc +lat_0={lat} +lon_0={lon} +k=1 +ellps=WGS84")
        self._to_plane = pyproj.Transformer.from_crs("EPSG:4326", plane, always_xy=True)

    def flat(self, shape: Any) -> Any:
        return shapely.transform(shape, lambda xy: np.column_stack(self._to_plane.transform(*xy[:, :2].T)))

    def tracks(self, *, gear: bool) -> Iterator[tuple[int, Any]]:
        for leg in self.legs:
            if (leg["properties"]["kind"] != "run") == gear:
                yield leg["properties"]["seq"], self.flat(shapely.geometry.shape(leg["geometry"]))

    def objects(self, name: str) -> np.ndarray:
        return self.flat(shapely.force_2d(rows(self.cell, name)[0]))


def faults(plan_folder: Path, cell: Path, clearance_m: float, standoff_m: float, shore_m: float) -> list[str]:
    """Return what a plan goes too near or too deep over, in words."""
    plan = json.loads((plan_folder / "plan.geojson").read_text(encoding="utf-8"))
    sheet = Sheet(plan, cell)
    gear_m = max(rod["depth_m"] for rod in plan["spotmap"]["rods"])
    return [
        *_near(sheet, standoff_m, shore_m),
        *_shallow(sheet, gear_m + clearance_m),
        *_runs(sheet),
    ]


def _near(sheet: Sheet, standoff_m: float, shore_m: float) -> Iterator[str]:
    restricted, said = rows(sheet.cell, "RESARE")
    banned = [bool(BANS & {str(code) for code in codes or ()}) for codes in said.get("RESTRN", [])]
    kept = {name: (sheet.objects(name), off) for name, off in KEPT_OFF_M.items()}
    kept["RESARE"] = (sheet.flat(restricted[np.array(banned, dtype=bool)]), standoff_m)
    kept["LNDARE"] = (sheet.objects("LNDARE"), shore_m)
    kept["SLCONS"] = (sheet.objects("SLCONS"), shore_m)
    kept["FAIRWY"] = (sheet.objects("FAIRWY"), 0.0)
    for seq, track in sheet.tracks(gear=True):
        for name, (shapes, off_m) in kept.items():
            if len(shapes) and (nearest := float(shapely.distance(track, shapes).min())) < off_m - TOLERANCE_M:
                yield f"leg {seq}: gear comes {nearest:.1f} m near a {name}, {off_m:.0f} m are kept"
            if not off_m and shapely.intersects(shapely.buffer(shapes, -TOLERANCE_M), track).any():
                yield f"leg {seq}: gear goes into a {name}"


def _shallow(sheet: Sheet, needed_m: float) -> Iterator[str]:
    deep = [_water(sheet, name, needed_m) for name in ("DEPARE", "DRGARE")]
    # the chart's edges are laid on a grid of centimetres when they are brought in
    water = shapely.union_all(np.concatenate(deep)).buffer(TOLERANCE_M)
    unsurveyed = shapely.union_all(sheet.objects("UNSARE"))
    for seq, track in sheet.tracks(gear=True):
        if not water.covers(track):
            short_m = track.difference(water).length
            yield f"leg {seq}: {short_m:.1f} m of it over less than {needed_m:.2f} m, or over none known"
        if track.intersects(unsurveyed):
            yield f"leg {seq}: over unsurveyed water"


def _runs(sheet: Sheet) -> Iterator[str]:
    known = shapely.union_all(np.concatenate([_water(sheet, name, 0.0) for name in ("DEPARE", "DRGARE")]))
    codes, said = rows(sheet.cell, "RESARE")
    entry = [bool({"7", "8", "14"} & {str(code) for code in one or ()}) for one in said.get("RESTRN", [])]
    bans, land = sheet.flat(codes[np.array(entry, dtype=bool)]), sheet.objects("LNDARE")
    rocks = np.concatenate([sheet.objects(name) for name in ("UWTROC", "PILPNT", "SLCONS")])
    for seq, track in sheet.tracks(gear=False):
        if not known.buffer(TOLERANCE_M).covers(track):
            yield f"leg {seq}: the run leaves known water"
        if shapely.intersects(track, bans).any() or shapely.intersects(track, land).any():
            yield f"leg {seq}: the run enters closed water or land"
        if shapely.dwithin(track, rocks, 1.0).any():
            yield f"leg {seq}: the run goes over something charted"


def _water(sheet: Sheet, name: str, least_m: float) -> np.ndarray:
    shapes, said = rows(sheet.cell, name)
    return np.asarray(sheet.flat(shapes[said["DRVAL1"] >= least_m])) if len(shapes) else shapes
