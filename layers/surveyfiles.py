"""What a survey says of itself, and what a person says where it does not: values, unit, datum."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path

from layers._errors import InputError

SIGMAS_95 = 1.96
"""Standard deviations within which 95 % of one dimension lie: the normal distribution, as in IHO S-44 (memory)."""
_DATUM_NAMES = {
    "mean lower low water": "MLLW",
    "mean low water": "MLW",
    "mean low water springs": "MLWS",
    "mean lower low water springs": "MLLWS",
    "mean sea level": "MSL",
    "mean high water": "MHW",
    "mean high water springs": "MHWS",
    "mean higher high water": "MHHW",
    "lowest astronomical tide": "LAT",
    "highest astronomical tide": "HAT",
    "indian spring low water": "ISLW",
    "lower low water large tide": "LLWLT",
    "higher high water large tide": "HHWLT",
    "north american vertical datum 1988": "NAVD88",
    "north american vertical datum of 1988": "NAVD88",
}
_UNSAID = {"", "unknown", "undefined", "unnamed", "none", "n/a"}
_UNIT_NAMES = {
    "m": ("m", "metre", "metres", "meter", "meters"),
    "ft": ("ft", "foot", "feet", "us survey foot", "us survey feet", "us-ft", "ftus", "foot_us"),
    "fm": ("fm", "fathom", "fathoms"),
}


@dataclass(frozen=True)
class SurveyOptions:
    """What a person says of a survey: what its file leaves out, and the part of it that is wanted.

    Parameters
    ----------
    values
        ``"depth"`` (positive down) or ``"elevation"`` (positive up); empty: the file says.
    unit
        Unit of the depths, ``"m"``, ``"ft"`` or ``"fm"``; empty: the file says.
    datum
        What depth 0 is; empty: the file says.
    crs
        Coordinate system of soundings in a text file, as pyproj reads it; empty: the file says, else WGS 84 degrees.
    around
        Longitude and latitude about which the survey is cut out; None: all of it.
    radius_m
        How far the part that is cut out reaches from `around`.
    cell_m
        Side of a cell of the surface made of soundings; None: half their mean distance.
    """

    values: str = ""
    unit: str = ""
    datum: str = ""
    crs: str = ""
    around: tuple[float, float] | None = None
    radius_m: float = 10_000.0
    cell_m: float | None = None

    def __post_init__(self) -> None:
        given = (
            ("values", self.values in ("", "depth", "elevation"), f"'{self.values}'", '"depth" or "elevation"'),
            ("unit", not self.unit or unit_named(self.unit) != "", f"'{self.unit}'", '"m", "ft" or "fm"'),
            ("radius", 0 < self.radius_m < 1e7, f"{self.radius_m} m", "a distance on the earth"),  # noqa: PLR2004
            ("cell", self.cell_m is None or self.cell_m > 0, f"{self.cell_m} m", "a length over 0"),
        )
        for key, fine, found, allowed in given:
            if not fine:
                raise InputError.one(f"survey, {key}", f"{found} is not allowed.", f"Write {allowed}.")
        if self.around and not (abs(self.around[0]) <= 360 and abs(self.around[1]) <= 90):  # noqa: PLR2004
            what = f"longitude {self.around[0]:g}, latitude {self.around[1]:g} is not on the earth."
            raise InputError.one("survey, around", what, "Write longitude before latitude.")


@dataclass(frozen=True)
class Surface:
    """A grid that rasterio opens, and what its bands mean.

    `widen` is what its uncertainty is multiplied by. `fill` stands for no value even where the file does not say so.
    `shoalest` says that each cell is to become as shallow as the
    shallowest around it. `gdal` are options that GDAL opens it with.
    """

    path: Path
    values: str
    unit: str
    datum: str
    uncertainty: int | None
    depth: int = 1
    widen: float = 1.0
    fill: float | None = None
    shoalest: bool = False
    gdal: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class Survey:
    """A survey's surfaces, what it is and what is to be said about it: `quality` for good, `doubts` once.

    `certainty` says what its uncertainty is, where it has any.
    """

    surfaces: tuple[Surface, ...]
    source: str
    certainty: str
    quality: tuple[str, ...] = ()
    doubts: tuple[str, ...] = ()
    edition: str = ""
    issued: date | None = None
    as_of: date | None = None


def unit_named(words: str) -> str:
    """Return ``"m"``, ``"ft"`` or ``"fm"`` for a unit's name, empty for any other.

    >>> unit_named("US survey foot"), unit_named("metre"), unit_named("furlong")
    ('ft', 'm', '')
    """
    plain = " ".join(words.casefold().replace("_", " ").split()).replace("foot us", "foot_us")
    return next((unit for unit, names in _UNIT_NAMES.items() if plain in names), "")


def datum_named(words: str) -> str:
    """Return a vertical datum by its usual short name, as it is written where that is not known; empty if unsaid.

    >>> datum_named("Mean Lower Low Water"), datum_named("NAVD88 height (ftUS)"), datum_named("unknown")
    ('MLLW', 'NAVD88', '')
    """
    plain = re.sub(r"\s*\([^)]*\)$", "", words.strip())
    plain = re.sub(r"\s+(height|depth|datum)$", "", plain, flags=re.IGNORECASE).strip()
    folded = " ".join(re.sub(r"[_-]", " ", plain).casefold().split())
    if folded in _UNSAID:
        return ""
    short = {name.casefold(): name for name in _DATUM_NAMES.values()}
    return _DATUM_NAMES.get(folded) or short.get(folded) or plain


def settled(key: str, said: str, given: str, where: str) -> str:
    """Return what a file or a person says; empty where neither does.

    Raises
    ------
    InputError
        Both do and differ.
    """
    if said and given and said != given:
        what = f'the file says {key} "{said}", and "{given}" was given.'
        raise InputError.one(where, what, f"Leave {key} out, or bring the data to what is meant.")
    return said or given


def asked_for(key: str, value: str, where: str, hint: str = "") -> str:
    """Return a value that must not be empty.

    Raises
    ------
    InputError
        It is empty: the message says what to write.
    """
    if not value:
        examples = {
            "values": "--values depth (positive down) or --values elevation (positive up)",
            "unit": "--unit m, --unit ft or --unit fm",
        }
        raise InputError.one(where, f"the file does not say its {key}. {hint}".strip(), f"Say it: {examples[key]}.")
    return value


def unreadable(where: str, error: BaseException) -> InputError:
    """Return the error for a file that a library could not read."""
    words = " ".join(str(error).split())
    what = f"cannot be read ({type(error).__name__}: {words[:300]})."
    return InputError.one(where, what, "Get the file anew: it may be cut short.")


def day_in(words: str) -> date | None:
    """Return the date that a text begins with (2019-11-04, 2019:11:04 or 20191104), or None.

    >>> day_in("2019-11-04T15:47:29"), day_in("20240131"), day_in("unknown")
    (datetime.date(2019, 11, 4), datetime.date(2024, 1, 31), None)
    """
    found = re.match(r"\s*(\d{4})[-:]?(\d{2})[-:]?(\d{2})", words)
    try:
        return date(*map(int, found.groups())) if found else None
    except ValueError:
        return None
