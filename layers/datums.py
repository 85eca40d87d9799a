"""Vertical datums by the codes that hydrographic data gives them."""

from __future__ import annotations

from layers._errors import InputError

DATUM_OF_CODE = {
    1: "MLWS", 2: "MLLWS", 3: "MSL", 4: "lowest low water", 5: "MLW", 6: "lowest low water springs",
    7: "approximate MLWS", 8: "ISLW", 9: "low water springs", 10: "approximate LAT", 11: "nearly lowest low water",
    12: "MLLW", 13: "low water", 14: "approximate MLW", 15: "approximate MLLW", 16: "MHW", 17: "MHWS",
    18: "high water", 19: "approximate MSL", 20: "high water springs", 21: "MHHW",
    22: "equinoctial spring low water", 23: "LAT", 24: "local datum", 25: "IGLD85", 26: "mean water level",
    27: "LLWLT", 28: "HHWLT", 29: "nearly highest high water", 30: "HAT", 44: "BSCD2000", 46: "IGLD2020",
}  # fmt: skip
"""Vertical datums of S-57 and S-100. Source: the IHO's register, from memory; 44 and 46 as s100py 2.0.1 lists them."""


def s100_datum(code: int, where: str) -> str:
    """Return the name of an S-100 vertical datum.

    >>> s100_datum(12, "tide.h5"), s100_datum(23, "tide.h5")
    ('MLLW', 'LAT')

    Raises
    ------
    InputError
        The code is not known here.
    """
    if code not in DATUM_OF_CODE:
        what = f"its vertical datum has the code {code}, which is not known here."
        raise InputError.one(where, what, "Get the file over a datum such as MLLW (12) or LAT (23).")
    return DATUM_OF_CODE[code]


def epsg_datum(code: int, where: str) -> str:
    """Return the name of a vertical datum by the EPSG code of its heights or depths.

    >>> epsg_datum(5866, "tide.h5"), epsg_datum(5703, "tide.h5")
    ('MLLW', 'NAVD88')

    Raises
    ------
    InputError
        There is no such vertical reference.
    """
    from pyproj import CRS  # noqa: PLC0415 - only for the rare file that names EPSG
    from pyproj.exceptions import CRSError  # noqa: PLC0415 - as above

    try:
        crs = CRS.from_epsg(code)
    except CRSError:
        crs = None
    if crs is None or not crs.is_vertical:
        what = f"its vertical datum is EPSG:{code}, which is no vertical reference."
        raise InputError.one(where, what, "Get the file anew.")
    return str(crs.name).removesuffix(" height").removesuffix(" depth")


def same_datum(one: str, other: str) -> bool:
    """Return whether two names are of one datum."""
    return " ".join(one.split()).casefold() == " ".join(other.split()).casefold()
