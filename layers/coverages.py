"""Values over time, on regular grids and at fixed stations, and what is asked of their moments and their number."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import Any

import numpy as np
import numpy.typing as npt

from layers._errors import InputError
from layers.model import FloatArray

MOST_VALUES = 30_000_000
LONGEST_GAP_S = 2 * 3600.0
"""No more time than this is read across: common practice, no source."""
UNREADABLE = "Get the file anew: it may be cut short."
HDF5 = b"\x89HDF\r\n\x1a\n"
_TIME = re.compile(r"\d{8}T\d{6}(Z|[+-]\d{4})")


@dataclass(frozen=True)
class Field:
    """A value at every node: its code, and what its unit may be called."""

    code: str
    units: tuple[str, ...]


@dataclass(frozen=True)
class Product:
    """An S-100 product: its number, its feature's code, what it tells, and the fields that are read."""

    name: str
    feature: str
    tells: str
    fields: tuple[Field, ...]


@dataclass(frozen=True)
class Window:
    """The part of the earth that is wanted, degrees; `east` may run on past 180."""

    west: float
    south: float
    east: float
    north: float


@dataclass(frozen=True)
class GridSeries:
    """Values on a regular grid over time, all axes rising; each (times, latitudes, longitudes), NaN where unknown."""

    attributes: Mapping[str, Any]
    lon_deg: FloatArray
    lat_deg: FloatArray
    time_s: FloatArray
    values: tuple[npt.NDArray[np.float32], ...]


@dataclass(frozen=True)
class StationSeries:
    """Values at a fixed station, times rising, each (times,), NaN where unknown."""

    attributes: Mapping[str, Any]
    name: str
    lon_deg: float
    lat_deg: float
    time_s: FloatArray
    values: tuple[FloatArray, ...]


@dataclass(frozen=True)
class Header:
    """What a file says of itself: `fills` are its fields' fill values, `uncertainty` what it states for the first.

    `attributes` are the feature's and the file's. `edition` is of the product's specification, empty where it does not
    say. `uncertainty` is NaN where it states none.
    """

    attributes: Mapping[str, Any]
    edition: str
    issued: date | None
    fills: tuple[float, ...]
    uncertainty: float


@dataclass(frozen=True)
class Coverages:
    """A file, read: grids, or else stations."""

    header: Header
    grids: tuple[GridSeries, ...]
    stations: tuple[StationSeries, ...]


@contextmanager
def told_errors(where: str) -> Iterator[None]:
    """Turn what a reader of broken files raises into an error that names the file."""
    try:
        yield
    except InputError:
        raise
    except MemoryError:
        raise InputError.one(where, "is too large to be held.", "Cut it to the area and the days.") from None
    except (OSError, ArithmeticError, LookupError, ValueError, TypeError, RuntimeError, AttributeError) as error:
        words = " ".join(str(error).split())
        raise InputError.one(where, f"cannot be read ({type(error).__name__}: {words}).", UNREADABLE) from None


def parse_time(value: object, where: str) -> float:
    """Return an S-100 moment as POSIX seconds.

    >>> parse_time(b"19700101T010000Z", "tide.h5")
    3600.0
    """
    text = word(value)
    if not _TIME.fullmatch(text):
        raise InputError.one(where, f"'{text}' is not a time of S-100.", "It is written 20260814T120000Z.")
    return datetime.strptime(text, "%Y%m%dT%H%M%S%z").timestamp()


def check_moments(time_s: FloatArray, what_for: str, where: str) -> None:
    """Refuse moments that are out of order, fewer than two, or too far apart.

    Raises
    ------
    InputError
        With the first that is wrong.
    """
    if len(time_s) < 2:  # noqa: PLR2004 - to go between
        raise InputError.one(where, f"has {len(time_s)} times{what_for}.", "At least 2 are needed to go between.")
    step = np.diff(time_s)
    if not (step > 0).all():
        raise InputError.one(where, f"its times do not run one way{what_for}.", "Put them in order.")
    if step.max() > LONGEST_GAP_S:
        gap = int(np.argmax(step))
        at = datetime.fromtimestamp(float(time_s[gap]), UTC)
        what = f"nothing is told for {step[gap] / 3600:.1f} h after {at:%Y-%m-%d %H:%M}Z{what_for}"
        what += "; at most 2 h are read across."
        raise InputError.one(where, what, "Add the fields that are missing, or end the file before the gap.")


def check_size(values: int, where: str, left: int = MOST_VALUES) -> None:
    """Refuse more values than are held.

    Raises
    ------
    InputError
        With how many there are and how many may be.
    """
    if values > left:
        what = f"holds {values / 1e6:.0f} million values; at most {MOST_VALUES / 1e6:.0f} million are read."
        raise InputError.one(where, what, "Cut it to the area and the days.")


def word(value: object) -> str:
    """Return a text attribute, however it was stored."""
    if isinstance(value, np.ndarray):
        value = value.ravel()[0] if value.size == 1 else ""
    return value.decode("utf-8", "replace") if isinstance(value, bytes) else str(value)
