"""Official water levels (IHO S-104) and surface currents (IHO S-111) as layers of an area: kept as they came."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Sequence
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import Literal

from layers._errors import Finding, InputError
from layers.coverages import HDF5, Header, word
from layers.currentfiles import S111, read_current_data
from layers.made import Made, MadeFile, Origin
from layers.model import FloatArray
from layers.units import parse_quantity
from layers.waterlevel import S104, read_water_level

_SUFFIXES = (".h5", ".hdf5")
_METHODS = ("methodWaterLevelProduct", "methodCurrentsProduct")
_LONGEST = 120
_LONGEST_TRY_S = 120
_TRY = "import sys, pathlib, layers.watermade as it; it.try_reading(pathlib.Path(sys.argv[1]))"


def looks_like_water(file: Path) -> bool:
    """Return whether a file is HDF5 with the root group of S-104 or S-111; False for what cannot be read."""
    return _feature(file) in (S104.feature, S111.feature)


def water_made(file: Path, *, reach: str | None = None) -> Made:
    """Return an S-104 or S-111 file as a tide or current layer, all of it read and checked.

    Parameters
    ----------
    file
        The file. It becomes a layer as it is.
    reach
        How far from its stations an S-111 file of stations is true, as a quantity (``"2 NM"``).

    Returns
    -------
    Made
        One origin, one file and what is to be known of it. The keys of a tide layer hold the file's `datum`; where the
        area counts depths from another, its layer needs `offset` as well.

    Raises
    ------
    InputError
        It is neither, or cannot be read, or `reach` is missing or of no use.
    """
    where = file.name
    feature = _feature(file)
    if feature not in (S104.feature, S111.feature):
        what = "is neither S-104 nor S-111: it is not HDF5 with a group WaterLevel or SurfaceCurrent."
        raise InputError.one(where, what, "Check the file; it may be cut short.")
    if file.suffix.casefold() not in _SUFFIXES:
        raise InputError.one(where, "does not end in .h5.", "Name it so: a layer is read by its file's ending.")
    _try_elsewhere(file)
    return _made(file, where, feature, reach)


def _made(file: Path, where: str, feature: str, reach: str | None) -> Made:
    return _water_level(file, where, reach) if feature == S104.feature else _current(file, where, reach)


def _try_elsewhere(file: Path) -> None:
    """Read the file in a process of its own first: broken HDF5 can hang or crash the library, and would take us along.

    Raises
    ------
    InputError
        It did.
    """
    path = os.pathsep.join(one or "." for one in sys.path)
    try:
        tried = subprocess.run(  # noqa: S603 - our own interpreter and code
            [sys.executable, "-c", _TRY, str(file)],
            env={**os.environ, "PYTHONPATH": path},
            capture_output=True,
            timeout=_LONGEST_TRY_S,
            check=False,
        )
    except subprocess.TimeoutExpired:
        what = f"cannot be read: the HDF5 library does not come to an end with it ({_LONGEST_TRY_S} s)."
        raise InputError.one(file.name, what, "Get the file anew: it is corrupt.") from None
    if tried.returncode < 0:
        what = f"cannot be read: the HDF5 library crashes on it (signal {-tried.returncode})."
        raise InputError.one(file.name, what, "Get the file anew: it is corrupt.")


def try_reading(file: Path) -> None:
    """Read all of a file; what is wrong with it is left for another reading to tell."""
    with suppress(InputError):
        _made(file, file.name, _feature(file), None)


def _water_level(file: Path, where: str, reach: str | None) -> Made:
    if reach is not None:
        raise InputError.one(where, "tells water level, which has no reach.", "Leave the reach out.")
    level = read_water_level(file, where)
    told = [one.time_s for one in level.grids] + [one.time_s for one in level.stations]
    findings = [_span(where, told)]
    if level.header.uncertainty > 0:
        what = f"its heights are uncertain by {level.header.uncertainty:g} m, as it states."
        findings.append(Finding(where, what, "Plans count the heights as they stand: keep more clearance.", "warning"))
    made = MadeFile("tide", file, (file.stem,), {"datum": level.datum})
    return Made((_origin(file, "water level", level.header, told),), files=(made,), findings=tuple(findings))


def _current(file: Path, where: str, reach: str | None) -> Made:
    data = read_current_data(file, where)
    if data.stations and reach is None:
        what = f"tells current at {len(data.stations)} stations and not how far from them it is true."
        raise InputError.one(where, what, 'Say it, as reach = "2 NM".')
    if reach is not None:
        if not data.stations:
            raise InputError.one(where, "is a grid, which is known to its edge.", "Leave the reach out.")
        parse_quantity(reach, "length", f"{where}, reach", positive=True)
    told = [one.time_s for one in data.grids] + [one.time_s for one in data.stations]
    made = MadeFile("current", file, (file.stem,), {} if reach is None else {"reach": reach})
    return Made((_origin(file, "current", data.header, told),), files=(made,), findings=(_span(where, told),))


def _origin(
    file: Path, kind: Literal["water level", "current"], header: Header | None, told: Sequence[FloatArray]
) -> Origin:
    """Return where a file came from; what it covers stands with its source."""
    attributes = header.attributes if header is not None else {}
    said = [word(attributes.get(key, "")) for key in ("geographicIdentifier", *_METHODS)]
    # control characters and long texts have no place in a line that every output carries
    parts = [" ".join(one.split())[:_LONGEST] for one in said if one.strip() and one.isprintable()]
    since, until = _times(told)
    product = "IHO S-104 water level" if kind == "water level" else "IHO S-111 surface current"
    source = "; ".join([product, *parts, f"{_utc(since)} to {_utc(until)}"])
    issued = header.issued if header is not None else None
    return Origin(
        name=file.stem,
        kind=kind,
        files=(file,),
        source=source,
        edition=header.edition if header is not None else "",
        issued=issued,
        as_of=issued or datetime.fromtimestamp(since, UTC).date(),
    )


def _span(where: str, told: Sequence[FloatArray]) -> Finding:
    since, until = _times(told)
    what = f"tells {_utc(since)} to {_utc(until)}, and nothing before or after."
    return Finding(where, what, "Bring in a newer file for later days.", "warning")


def _times(told: Sequence[FloatArray]) -> tuple[float, float]:
    """Return the first and the last moment at which all is told."""
    since, until = max(float(one[0]) for one in told), min(float(one[-1]) for one in told)
    return since, until


def _utc(moment_s: float) -> str:
    return f"{datetime.fromtimestamp(moment_s, UTC):%Y-%m-%d %H:%M}Z"


def _feature(file: Path) -> str:
    """Return the name of the root group that says what a file is, empty where there is none or it cannot be read."""
    try:
        with file.open("rb") as stream:
            if stream.read(len(HDF5)) != HDF5:
                return ""
        import h5py  # noqa: PLC0415 - 0.1 s that only HDF5 is worth

        with h5py.File(file, "r") as root:
            return next((one.feature for one in (S104, S111) if one.feature in root), "")
    except (OSError, RuntimeError, ValueError, KeyError):
        return ""
