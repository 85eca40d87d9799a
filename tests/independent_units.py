"""Quantities and positions as the independent check reads them."""

from __future__ import annotations

import re

LENGTH = {
    "m": 1.0, "ft": 0.3048, "fm": 1.8288, "fathom": 1.8288, "fathoms": 1.8288, "NM": 1852.0, "km": 1000.0,
    "mm": 0.001, "in": 0.0254,
}  # fmt: skip
SPEED = {"kn": 1852 / 3600, "m/s": 1.0, "km/h": 1 / 3.6}
MASS = {"lb": 0.45359237, "kg": 1.0, "oz": 0.45359237 / 16}


def quantity(text: str, units: dict[str, float]) -> float:
    """Read "100 ft" and the like into SI."""
    match = re.fullmatch(r"\s*([-+]?\d*\.?\d+)\s*(\S+)\s*", text)
    if match is None:
        raise ValueError(f"no quantity: {text!r}")
    return float(match[1]) * units[match[2]]


def position(text: str) -> tuple[float, float] | None:
    """Read a position in any form of files.md as (lon, lat), or None where the text is a name."""
    numbers = r"(\d+(?:\.\d+)?(?:[^\dNSEW.]+\d+(?:\.\d+)?){0,2})[^\dNSEW]*"
    pair = re.search(rf"{numbers}([NS])\b.*?{numbers}([EW])\b", text)
    if pair:
        lat, lon = (
            sum(float(part) / 60**i for i, part in enumerate(re.findall(r"\d+(?:\.\d+)?", pair[k]))) for k in (1, 3)
        )
        return (-lon if pair[4] == "W" else lon), (-lat if pair[2] == "S" else lat)
    plain = re.fullmatch(r"\s*([-+]?\d+(?:\.\d+)?)\s*,\s*([-+]?\d+(?:\.\d+)?)\s*", text)
    return (float(plain[2]), float(plain[1])) if plain else None
