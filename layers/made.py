"""What is made from official data on its way into an area's folder: layers, decisions, and where they came from."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from layers._errors import Finding
from layers.model import Role
from layers.origins import OriginKind


@dataclass(frozen=True)
class Origin:
    """Official data that layers were made from.

    `name` is its own in the area (``"US5MA11M"``, ``"F00788"``); `files` are the originals as they came, the first
    of them the one that names it. `edition`, `update` and `issued` are as the data states them, empty or None
    where it does not; `as_of` is the day it was true as far as it says; `scale` is a chart's 1 : n.
    """

    name: str
    kind: OriginKind
    files: tuple[Path, ...]
    source: str
    edition: str = ""
    update: str = ""
    issued: date | None = None
    as_of: date | None = None
    scale: int | None = None


@dataclass(frozen=True)
class MadeLayer:
    """A vector layer to be written: WGS 84 longitude and latitude, with one value of each attribute a feature.

    `name` is the file's stem (``"chart-hazards"``). `keys` are what its [[layer]] says besides role, file, as_of and
    source. `origins` names what it was made from. A layer of `role` None is a file that another layer's keys name.
    """

    role: Role | None
    name: str
    geometry: npt.NDArray[np.object_]
    attributes: Mapping[str, Sequence[Any]]
    origins: tuple[str, ...]
    keys: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class MadeFile:
    """A file that becomes a layer as it is, or that was converted already: a grid, a table of heights.

    `path` is where it lies now; it is copied into the area's folder under its own name.
    """

    role: Role
    path: Path
    origins: tuple[str, ...]
    keys: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class Decision:
    """What a person is to decide about a restriction that data states but does not settle.

    `feature` is the identifier of the closure's feature (its attribute ``id``), `says` what the data says in words,
    `forbids` what holds until a person decides otherwise, `state` a hash of what was looked at: a decision on another
    state does not hold.
    """

    feature: str
    name: str
    says: str
    forbids: Literal["fishing", "entry", "nothing"]
    state: str


@dataclass(frozen=True)
class Made:
    """All that was made from some official data; `findings` are what is lost, doubtful or to be looked at."""

    origins: tuple[Origin, ...]
    layers: tuple[MadeLayer, ...] = ()
    files: tuple[MadeFile, ...] = ()
    decisions: tuple[Decision, ...] = ()
    findings: tuple[Finding, ...] = ()
