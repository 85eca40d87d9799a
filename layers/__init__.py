"""Layers of an area: depth, land, closures, grounds, hazards, lanes and marks, in one local metric projection."""
