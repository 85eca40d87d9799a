"""The files of a plan's folder, as bytes."""

from __future__ import annotations

from spotmap.geojson import plan_geojson
from spotmap.gpx import plan_gpx
from spotmap.model import Plan
from spotmap.webmap import plan_map


def plan_files(plan: Plan) -> dict[str, bytes]:
    """Return every file of a plan by its name."""
    return {
        "plan.geojson": plan_geojson(plan),
        "route.gpx": plan_gpx(plan),
        "map.html": plan_map(plan).encode(),
    }
