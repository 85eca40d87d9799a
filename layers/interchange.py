"""An area as one GeoPackage and back: what general-purpose GIS programs open, look at and edit."""

from __future__ import annotations

from layers.packing import Packed, pack
from layers.unpacking import Unpacked, unpack

__all__ = ["Packed", "Unpacked", "pack", "unpack"]
