"""Surveys brought in: BAG, S-102, GeoTIFF, or a text of soundings becomes one depth layer of an area.

Memory is bounded whatever the file's size: grids are gone through in windows (`layers.surveygrid`), texts in parts
(`layers.soundingtable`), and what is too large is refused with what to write instead.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pyproj

from layers._errors import Finding, InputError
from layers.made import Made, MadeFile, Origin
from layers.soundingsurface import metric_crs, sounding_surface, write_surface
from layers.soundingtable import looks_like_soundings, read_soundings
from layers.surveyfiles import Survey, SurveyOptions, datum_named, unreadable
from layers.surveygrid import settle_cells
from layers.surveyhdf5 import HDF5, is_survey, read_hdf5_survey
from layers.surveytiff import MAGIC, read_tiff_survey

__all__ = ["SurveyOptions", "looks_like_survey", "survey_made"]


def looks_like_survey(file: Path) -> bool:
    """Return whether a file is a survey by its content, whatever it is called.

    True for HDF5 with a BAG or an S-102 coverage in it, and for HDF5 that cannot be opened; for TIFF; and for a text
    whose first rows are three numbers or whose header names position and depth.
    """
    try:
        with file.open("rb") as stream:
            start = stream.read(8)
    except OSError:
        return False
    if start == HDF5:
        return is_survey(file)
    return start.startswith(MAGIC) or looks_like_soundings(file)


def survey_made(file: Path, scratch: Path, *, options: SurveyOptions | None = None) -> Made:
    """Return the depth layer that a survey makes.

    Parameters
    ----------
    file
        BAG (of variable resolution too: see `layers.surveyhdf5`), S-102, GeoTIFF (see `layers.surveytiff`) or a text
        of soundings (see `layers.soundingtable` and `layers.soundingsurface`), known by its content.
    scratch
        A folder for what has to be converted or cut out. A grid that is read as it is stays where it is.
    options
        What the file does not say, and the part of it that is wanted.

    Returns
    -------
    Made
        One `MadeFile` of role depth and form grid (one for each coverage of an S-102 file), the file's `Origin`, and
        findings of what is doubtful. Its keys are form, values, unit, quality, and, where they are known, datum and
        uncertainty: the band that holds it, in the layer's unit. Soundings in a text state no uncertainty.

    Raises
    ------
    InputError
        The file is no survey, is damaged or too large, does not reach what is wanted, knows nothing there, holds what
        is no depth, or leaves out what `options` does not say.
    """
    options = options or SurveyOptions()
    where = file.name
    try:
        with file.open("rb") as stream:
            start = stream.read(8)
        scratch.mkdir(parents=True, exist_ok=True)
        if start != HDF5 and file.suffix.casefold() in (".bag", ".h5", ".hdf5"):
            what = f"is called {file.suffix} and is no HDF5: it begins with {start!r}."
            raise InputError.one(where, what, "Get the file anew.")
        if start == HDF5:
            survey = read_hdf5_survey(file, scratch, options)
        elif start.startswith(MAGIC):
            survey = read_tiff_survey(file, options)
        else:
            return _soundings_made(file, scratch, options)
    except OSError as error:
        raise unreadable(where, error) from None
    return _grids_made(file, scratch, survey, options)


def _grids_made(file: Path, scratch: Path, survey: Survey, options: SurveyOptions) -> Made:
    doubts = list(survey.doubts)
    files = []
    for number, surface in enumerate(survey.surfaces, 1):
        part = f"-{number}" if len(survey.surfaces) > 1 else ""
        out = scratch / f"{file.stem}{part}-depth.tif"
        cells = settle_cells(surface, out, options.around, options.radius_m, file.name)
        if cells.without == cells.known and surface.uncertainty:
            doubts.append("has a band of uncertainty without a value in it: none is counted.")
        elif cells.without:
            doubts.append(f"has {cells.without:,} cells of known depth and unknown uncertainty: they count as unknown.")
        certainty = survey.certainty if cells.uncertainty else "it states no uncertainty, so none is counted"
        quality = (*survey.quality, certainty)
        uncertainty = {} if cells.uncertainty is None else {"uncertainty": cells.uncertainty}
        keys = _keys(surface.values, surface.unit, surface.datum, quality) | uncertainty
        files.append(MadeFile("depth", cells.path, (file.stem,), keys))
    if not all(surface.datum for surface in survey.surfaces):
        doubts.append(_NO_DATUM)
    origin = Origin(
        name=file.stem,
        kind="survey",
        files=(file,),
        source=survey.source,
        edition=survey.edition,
        issued=survey.issued,
        as_of=survey.as_of,
    )
    return Made((origin,), files=tuple(files), findings=_findings(file, doubts))


_NO_DATUM = "does not say what its depth 0 is: it is taken to be the area's. A wrong datum shifts every depth."


def _soundings_made(file: Path, scratch: Path, options: SurveyOptions) -> Made:
    soundings = read_soundings(file, options)
    layout = soundings.layout
    crs, x, y = layout.crs, soundings.x, soundings.y
    if not (crs.is_projected and all(axis.unit_name == "metre" for axis in crs.axis_info)):
        lon, lat = pyproj.Transformer.from_crs(crs, "EPSG:4326", always_xy=True).transform(x, y)
        crs = metric_crs(lon, lat)
        x, y = pyproj.Transformer.from_crs("EPSG:4326", crs, always_xy=True).transform(lon, lat)
    if not (np.isfinite(x).all() and np.isfinite(y).all()):
        what = "some of its positions are not on the earth in their coordinate system."
        raise InputError.one(file.name, what, "Check crs.")
    surface = sounding_surface(np.column_stack([x, y]), soundings.depth_m, file.name, cell_m=options.cell_m)
    out = scratch / f"{file.stem}-depth.tif"
    write_surface(surface, crs, out)
    doubts = []
    if not layout.header:
        doubts.append(f"has no header: its columns were read as {layout.order} in {layout.unit}. Check that.")
    if surface.square_m:
        doubts.append(
            f"has more soundings than triangles are made of: the shallowest of every {surface.square_m:.3g} m square"
            " was taken for them. Every other sounding still keeps the surface from being deeper than it is."
        )
    datum = datum_named(options.datum)
    if not datum:
        doubts.append(_NO_DATUM)
    quality = (
        f"made of {len(x):,} soundings, with nothing known where they lie over {surface.reach_m:.3g} m apart",
        "they state no uncertainty, so none is counted",
    )
    origin = Origin(file.stem, "survey", (file,), f"{file.stem}, soundings")
    made = MadeFile("depth", out, (file.stem,), _keys("depth", "m", datum, quality))
    return Made((origin,), files=(made,), findings=_findings(file, doubts))


def _keys(values: str, unit: str, datum: str, quality: tuple[str, ...]) -> dict[str, str | int]:
    known = {"datum": datum} if datum else {}
    said = quality if datum else (*quality, "it does not say its vertical datum")
    return {"form": "grid", "values": values, "unit": unit, **known, "quality": "; ".join(said) + "."}


def _findings(file: Path, doubts: list[str]) -> tuple[Finding, ...]:
    return tuple(Finding(file.name, doubt, "", "warning") for doubt in doubts)
