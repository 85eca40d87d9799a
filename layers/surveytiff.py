"""Surveys as GeoTIFF: which band is which, and in what unit, from what the file says of itself."""

from __future__ import annotations

import warnings
from pathlib import Path

import numpy as np
import pyproj
import rasterio
import rasterio.errors
from rasterio.enums import ColorInterp

from layers._errors import InputError
from layers.surveyfiles import (
    Surface,
    Survey,
    SurveyOptions,
    asked_for,
    datum_named,
    day_in,
    settled,
    unit_named,
    unreadable,
)

MAGIC = (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+")
_WORDS = {
    "uncertainty": ("uncert", "uncrt", "tvu", "tpu", "stddev", "std dev", "standard deviation"),
    "contributor": ("contribut", "source", "count", "number", "density"),
    "depth": ("depth", "sounding"),
    "elevation": ("elev", "height", "altitude", "topobathy", "dem"),
}
_MOST_UNNAMED = 3
_TAGS = ("long_name", "standard_name", "description", "positive")
_POSITIVE = {"positive=down": "depth", "positive=up": "elevation"}


def read_tiff_survey(file: Path, options: SurveyOptions) -> Survey:
    """Return what a GeoTIFF holds: one band, or elevation or depth, uncertainty and contributor.

    Bands are told by their descriptions, and by their order where they have none. Whether values are depth or
    elevation is never taken from the direction of a vertical coordinate system's axis, which files have wrong.

    Raises
    ------
    InputError
        It cannot be read, is a picture, or does not say values or unit and `options` does not either.
    """
    where = file.name
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", rasterio.errors.NotGeoreferencedWarning)  # told by the grid's own checks
            dataset = rasterio.open(file)
    except rasterio.errors.RasterioIOError as error:
        raise unreadable(where, error) from None
    with dataset:
        return _survey(dataset, file, options, where)


def _survey(dataset: rasterio.DatasetReader, file: Path, options: SurveyOptions, where: str) -> Survey:
    if ColorInterp.red in dataset.colorinterp or np.dtype(dataset.dtypes[0]).kind not in "fiu":
        raise InputError.one(where, "is a picture, not depths.", "Give the grid of depths itself.")
    kinds = [_kind(_words_of(dataset, band)) for band in range(1, dataset.count + 1)]
    named = any(kinds)
    depth, uncertainty, doubts = _bands(dataset.count, kinds, where)
    vertical, vertical_unit, down = _vertical(dataset)
    said_values = next((value for words, value in _POSITIVE.items() if words in _words_of(dataset, depth)), "")
    if not said_values and named and kinds[depth - 1] in ("depth", "elevation"):
        said_values = kinds[depth - 1]
    hint = f"Its vertical coordinate system, {vertical}, counts {'down' if down else 'up'}." if vertical else ""
    values = asked_for("values", settled("values", said_values, options.values, where), where, hint)
    unit = asked_for("unit", _unit(dataset.units[depth - 1] or "", vertical_unit, options, where), where)
    datum = settled("datum", datum_named(vertical), datum_named(options.datum), where)
    tags = dataset.tags()
    return Survey(
        surfaces=(Surface(file, values, unit, datum, uncertainty, depth),),
        source=f"{tags.get('TIFFTAG_IMAGEDESCRIPTION', '').strip()[:200] or file.stem}, GeoTIFF",
        certainty="its uncertainty is counted as it stands: the file does not say what confidence it has",
        doubts=doubts,
        issued=day_in(tags.get("TIFFTAG_DATETIME", "")),
    )


def _words_of(dataset: rasterio.DatasetReader, band: int) -> str:
    tags = dataset.tags(band)
    said = [dataset.descriptions[band - 1] or ""]
    said += [f"{key}={tags[key]}" if key == "positive" else tags[key] for key in _TAGS if key in tags]
    return " ".join(said).casefold()


def _kind(words: str) -> str:
    return next((kind for kind, parts in _WORDS.items() if any(part in words for part in parts)), "")


def _bands(count: int, kinds: list[str], where: str) -> tuple[int, int | None, tuple[str, ...]]:
    """Return the bands of depth and of uncertainty, and what is doubtful about that."""
    depths = [band for band, kind in enumerate(kinds, 1) if kind in ("depth", "elevation")]
    if len(depths) > 1:
        what = f"bands {', '.join(map(str, depths))} all call themselves depth or elevation."
        raise InputError.one(where, what, "Save the one that is meant as a file of its own.")
    if any(kinds):
        unnamed = [band for band, kind in enumerate(kinds, 1) if not kind]
        found = (depths or unnamed)[:1]
        if not found:
            what = f"no band is depth or elevation: they are {', '.join(kinds)}."
            raise InputError.one(where, what, "Give the grid of depths itself.")
        return found[0], (kinds.index("uncertainty") + 1 if "uncertainty" in kinds else None), ()
    if count > _MOST_UNNAMED:
        what = f"has {count} bands without descriptions."
        raise InputError.one(where, what, "Describe them, or save depth and uncertainty as bands 1 and 2.")
    if count == 1:
        return 1, None, ()
    order = "depth and uncertainty" + (" and contributor" if count == _MOST_UNNAMED else "")
    return 1, 2, (f"does not describe its {count} bands; they were taken in the usual order, {order}: check that.",)


def _vertical(dataset: rasterio.DatasetReader) -> tuple[str, str, bool]:
    """Return the name and unit of the vertical coordinate system and whether it counts down; empty without one."""
    if not dataset.crs:
        return "", "", False
    try:
        parts = pyproj.CRS.from_wkt(dataset.crs.to_wkt()).sub_crs_list
    except pyproj.exceptions.CRSError:
        return "", "", False
    for part in parts:
        if part.is_vertical and part.axis_info:
            axis = part.axis_info[0]
            return part.name, unit_named(axis.unit_name), axis.direction == "down"
    return "", "", False


def _unit(band: str, vertical: str, options: SurveyOptions, where: str) -> str:
    own = unit_named(band)
    given = unit_named(options.unit)
    if band and not own and not given:
        raise InputError.one(where, f"its unit '{band}' is not known.", 'Write unit: "m", "ft" or "fm".')
    if own and vertical and own != vertical and not given:
        what = f"its band is in {own}, and its vertical coordinate system in {vertical}."
        raise InputError.one(where, what, "Write the unit that is right.")
    if own and vertical and own != vertical:
        return given
    return settled("unit", own or vertical, given, where)
