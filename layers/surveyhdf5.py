"""Surveys in HDF5: BAG (Bathymetric Attributed Grid) and IHO S-102.

GDAL (3.10) reads both where it reads all that is there. What it cannot, tried with files written by h5py:

- S-102 without an uncertainty, or with other names for its groups (``Group.001``), is not opened by its driver.
- S-102 with several coverages: all but the first are dropped without a word.

These are read with h5py and written as GeoTIFF. Its driver took the files of editions 2.0, 2.1, 2.2 and 3.0 that the
tests make. A BAG of variable resolution opens as its coarse overview, so it is resampled here. Names of the S-102
attributes and of the BAG uncertainty types are from memory of the IHO's and the Open Navigation Surface's documents.
"""

from __future__ import annotations

import re
import shutil
import warnings
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

import numpy as np
import pyproj
import pyproj.exceptions
import rasterio
import rasterio.errors
from affine import Affine
from pyproj.crs import Datum  # type: ignore[attr-defined]
from rasterio.windows import Window

from layers._errors import InputError
from layers.datums import DATUM_OF_CODE
from layers.surveyfiles import (
    SIGMAS_95,
    Surface,
    Survey,
    SurveyOptions,
    datum_named,
    day_in,
    settled,
    unreadable,
)

HDF5 = b"\x89HDF\r\n\x1a\n"
_COARSEST = {"MODE": "RESAMPLED_GRID", "VALUE_POPULATION": "MAX", "RES_STRATEGY": "MAX"}
_NO_REFINEMENT = 0xFFFFFFFF
_DEVIATIONS = {
    "rawStdDev": "the standard deviation of its soundings",
    "cubeStdDev": "the standard deviation of the soundings of its hypothesis (CUBE)",
    "historicalStdDev": "a standard deviation estimated from old data",
}
_AS_THEY_STAND = {
    "productUncert": "the product uncertainty of its maker",
    "averageTPE": "the mean total propagated uncertainty",
}
_OTHERS = {"SurfaceCurrent": "currents (S-111)", "WaterLevel": "water levels (S-104)"}
_SCANS = ("", "longitude,latitude", "easting,northing", "x,y")
_STARTS = ("", "0,0")
_DEPTH_DOWN = 6498
_ROWS_AT_A_TIME = 256
_FILL = 1_000_000.0


def is_survey(file: Path) -> bool:
    """Return whether an HDF5 file is a survey; one that cannot be opened counts, so that somebody says so."""
    import h5py  # noqa: PLC0415 - 0.1 s that only these files are worth

    try:
        with h5py.File(file, "r") as root:
            return "BAG_root" in root or "BathymetryCoverage" in root
    except (OSError, RuntimeError):
        return True


def read_hdf5_survey(file: Path, scratch: Path, options: SurveyOptions) -> Survey:
    """Return what a BAG or an S-102 file holds; surfaces that GDAL cannot read are written to `scratch`.

    Raises
    ------
    InputError
        The file cannot be read, is neither, lacks what makes it one, or says other than `options` does.
    """
    import h5py  # noqa: PLC0415

    where = file.name
    with _told(where), h5py.File(file, "r") as root:
        if "BAG_root" in root:
            return _bag(file, root["BAG_root"], scratch, options)
        if "BathymetryCoverage" in root:
            return _s102(file, root, scratch, options)
        kept = ", ".join(list(root)[:6]) or "nothing"
        held = next((words for name, words in _OTHERS.items() if name in root), f"no survey: its groups are {kept}")
    raise InputError.one(where, f"holds {held}.", "Give a survey: BAG or S-102.")


@contextmanager
def _told(where: str) -> Iterator[None]:
    try:
        yield
    except InputError:
        raise
    except (OSError, KeyError, ValueError, TypeError, IndexError, RuntimeError, AttributeError) as error:
        raise unreadable(where, error) from None


def _bag(file: Path, root: Any, scratch: Path, options: SurveyOptions) -> Survey:
    where = file.name
    for name in ("elevation", "uncertainty"):
        if name not in root or root[name].ndim != 2:  # noqa: PLR2004 - a grid
            what = f"is a BAG without {name}: BAG_root holds {', '.join(root) or 'nothing'}."
            raise InputError.one(where, what, "Get the file anew.")
    if root["elevation"].shape != root["uncertainty"].shape:
        raise InputError.one(where, "its elevation and its uncertainty differ in size.", "Get the file anew.")
    version = _word(root.attrs.get("Bag Version", ""))
    about = _Metadata(np.asarray(root["metadata"]).tobytes().rstrip(b"\0"), where)
    certainty, widen = _uncertainty_words(about.uncertainty_kind)
    quality: tuple[str, ...] = ()
    doubts: list[str] = []
    refined = "varres_metadata" in root and bool((root["varres_metadata"]["index"] != _NO_REFINEMENT).any())
    if refined:
        quality = ("each cell is as shallow as the shallowest of the survey around it",)
        doubts.append(
            "is of variable resolution: it was resampled to its coarsest cells, each as shallow as the shallowest in it"
            " and beside it. Gaps in the survey smaller than such a cell are not seen."
        )
    path = file
    if file.suffix.casefold() != ".bag":
        path = scratch / f"{file.stem}.bag"  # GDAL knows a BAG by its name
        shutil.copyfile(file, path)
    try:
        with rasterio.open(path, **(_COARSEST if refined else {})) as dataset:
            if dataset.count < 2:  # noqa: PLR2004
                raise InputError.one(where, "GDAL finds no uncertainty in it.", "Get the file anew.")
    except rasterio.errors.RasterioIOError as error:
        raise unreadable(where, error) from None
    datum = settled("datum", about.datum, datum_named(options.datum), where)
    surface = Surface(
        path=path,
        values=settled("values", "elevation", options.values, where),
        unit=settled("unit", "m", options.unit, where),
        datum=datum,
        uncertainty=2,
        widen=widen,
        fill=_FILL,
        shoalest=refined,
        gdal=_COARSEST if refined else {},
    )
    title = f"{about.title}, " if about.title else ""
    maker = f", {about.maker}" if about.maker else ""
    return Survey(
        surfaces=(surface,),
        source=f"{title}BAG {version}{maker}",
        certainty=certainty,
        quality=quality,
        doubts=tuple(doubts),
        issued=about.issued,
        as_of=about.surveyed,
    )


def _uncertainty_words(kind: str) -> tuple[str, float]:
    """Return what to say of a BAG's uncertainty and what to multiply it by."""
    if kind in _DEVIATIONS:
        return f"its uncertainty is {_DEVIATIONS[kind]}; {SIGMAS_95} times that is counted (95 %)", SIGMAS_95
    if kind in _AS_THEY_STAND:
        return f"its uncertainty is {_AS_THEY_STAND[kind]}, counted as it stands", 1.0
    said = f"of the kind '{kind}'" if kind and kind != "unknown" else "of a kind that the file does not say"
    return f"its uncertainty is {said}, counted as it stands: it may be no more than one standard deviation", 1.0


class _Metadata:
    """A BAG's own description, ISO 19139; empty words where it says nothing."""

    def __init__(self, xml: bytes, where: str) -> None:
        try:
            root = ET.fromstring(xml)  # noqa: S314 - expat stops what grows without end
        except ET.ParseError as error:
            raise InputError.one(where, f"its metadata is not XML ({error}).", "Get the file anew.") from None
        self._said: dict[str, list[str]] = {}
        self.uncertainty_kind = ""
        for element in root.iter():
            name = element.tag.rsplit("}", 1)[-1]
            words = " ".join(" ".join(element.itertext()).split())
            self._said.setdefault(name, []).append(words)
            if name == "BAG_VertUncertCode":
                self.uncertainty_kind = element.get("codeListValue", "") or words
        self.title = self._first("title")
        self.maker = self._first("organisationName")
        self.issued = day_in(self._first("dateStamp"))
        days = [day_in(words) for name in ("endPosition", "endDate") for words in self._said.get(name, [])]
        self.surveyed = max((day for day in days if day), default=None)

    @property
    def datum(self) -> str:
        """Return the vertical datum: of its WKT's datum or coordinate system the first that has a name."""
        codes = " ".join(self._said.get("code", []))
        names = re.findall(r'\b(?:VERT_DATUM|VDATUM|VERT_CS|VERTCRS|VERTICALCRS)\s*\[\s*"([^"]*)"', codes)
        return next((name for name in map(datum_named, names) if name), "")

    def _first(self, name: str) -> str:
        return next((words for words in self._said.get(name, []) if words.casefold() not in ("", "unknown")), "")


def _s102(file: Path, root: Any, scratch: Path, options: SurveyOptions) -> Survey:
    where = file.name
    container = root["BathymetryCoverage"]
    names = sorted(name for name in container if re.fullmatch(r"BathymetryCoverage\.\d+", name))
    if not names:
        raise InputError.one(where, "has no bathymetry coverage in it.", "Get the file anew.")
    crs = _epsg(root.attrs, where)
    surfaces = []
    for name in names:
        instance = container[name]
        groups = [group for group in instance if re.fullmatch(r"Group[._]\d+", group)]
        if len(groups) != 1 or "values" not in instance[groups[0]]:
            what = f"{name} has {len(groups)} groups of values, and one is read."
            raise InputError.one(where, what, "Get the file anew.")
        values = instance[groups[0]]["values"]
        _check_scan(values, instance.attrs, f"{where}, {name}")
        attrs = {**root.attrs, **instance.attrs}
        datum = settled("datum", _datum(attrs), datum_named(options.datum), where)
        path, uncertain = file, "uncertainty" in values.dtype.names
        if len(names) > 1 or not uncertain or not _gdal_reads(file):
            number = f"-{name.rsplit('.', 1)[-1]}" if len(names) > 1 else ""
            path = scratch / f"{file.stem}{number}-s102.tif"
            _write_s102(path, values, instance.attrs, crs)
        surfaces.append(
            Surface(
                path=path,
                values=settled("values", "depth", options.values, where),
                unit=settled("unit", "m", options.unit, where),
                datum=datum,
                uncertainty=2 if uncertain else None,
            )
        )
    edition = _word(root.attrs.get("productSpecification", "")).rsplit("S-102.", 1)[-1]
    place = _word(root.attrs.get("geographicIdentifier", ""))
    return Survey(
        surfaces=tuple(surfaces),
        source=f"{place}, S-102 {edition}".strip(", "),
        certainty="its uncertainty is counted as it stands: S-102 states no confidence for it",
        edition=_word(root.attrs.get("datasetEdition", root.attrs.get("editionNumber", ""))),
        issued=day_in(_word(root.attrs.get("issueDate", ""))),
    )


def _gdal_reads(file: Path) -> bool:
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", rasterio.errors.NotGeoreferencedWarning)  # of HDF5 that it knows no more of
            with rasterio.open(file) as dataset:
                return bool(dataset.driver == "S102")
    except rasterio.errors.RasterioIOError:
        return False


def _check_scan(values: Any, attrs: Mapping[str, Any], where: str) -> None:
    """Check that a coverage's values are what the standard says: rows from the south, each from the west."""
    if values.ndim != 2 or "depth" not in (values.dtype.names or ()):  # noqa: PLR2004 - a grid
        raise InputError.one(where, "its values are no grid of depths.", "Get the file anew.")
    scan, start = (
        "".join(_word(attrs.get(key, "")).casefold().split())
        for key in ("sequencingRule.scanDirection", "startSequence")
    )
    if scan not in _SCANS or start not in _STARTS:
        what = f"its cells run '{scan}' from '{start}'; only rows from the south, each from the west, are read."
        raise InputError.one(where, what, "Ask its maker for a grid in the usual order.")
    size = int(attrs["numPointsLatitudinal"]), int(attrs["numPointsLongitudinal"])
    if values.shape != size:
        what = f"it says {size[0]} × {size[1]} cells and holds {values.shape[0]} × {values.shape[1]}."
        raise InputError.one(where, what, "Get the file anew.")
    if min(float(attrs["gridSpacingLongitudinal"]), float(attrs["gridSpacingLatitudinal"])) <= 0:
        raise InputError.one(where, "its cells have no size.", "Get the file anew.")


def _write_s102(path: Path, values: Any, attrs: Mapping[str, Any], crs: int) -> None:
    rows, columns = values.shape
    across, along = float(attrs["gridSpacingLongitudinal"]), float(attrs["gridSpacingLatitudinal"])
    west = float(attrs["gridOriginLongitude"]) - across / 2
    north = float(attrs["gridOriginLatitude"]) + (rows - 0.5) * along
    names = [name for name in ("depth", "uncertainty") if name in values.dtype.names]
    profile = {
        "driver": "GTiff", "width": columns, "height": rows, "count": len(names), "dtype": "float32", "nodata": _FILL,
        "crs": f"EPSG:{crs}", "transform": Affine(across, 0, west, 0, -along, north), "tiled": True,
        "compress": "deflate", "BIGTIFF": "IF_SAFER",
    }  # fmt: skip
    with rasterio.open(path, "w", **profile) as out:
        for top in range(0, rows, _ROWS_AT_A_TIME):
            count = min(_ROWS_AT_A_TIME, rows - top)
            part = values[rows - top - count : rows - top][::-1]
            for band, name in enumerate(names, 1):
                out.write(part[name].astype(np.float32), band, window=Window(0, top, columns, count))
        out.descriptions = tuple(names)


def _epsg(attrs: Mapping[str, Any], where: str) -> int:
    """Return the EPSG code of an S-102 file's horizontal coordinate system, as its editions name it."""
    code = int(attrs.get("horizontalCRS", attrs.get("horizontalDatumValue", -1)))
    try:
        pyproj.CRS.from_epsg(code)
    except pyproj.exceptions.CRSError:
        what = f"its coordinate system (EPSG {code}) is not known." if code > 0 else "it has no coordinate system."
        raise InputError.one(where, what, "Ask its maker for one with an EPSG code.") from None
    return code


def _datum(attrs: Mapping[str, Any]) -> str:
    if int(attrs.get("verticalCS", _DEPTH_DOWN)) != _DEPTH_DOWN:
        raise ValueError(f"verticalCS is {int(attrs['verticalCS'])}; S-102 counts depth down: {_DEPTH_DOWN}")
    code = int(attrs.get("verticalDatum", 0))
    if int(attrs.get("verticalDatumReference", 1)) == 1:
        return DATUM_OF_CODE.get(code, "")
    try:
        return datum_named(str(Datum.from_epsg(code).name))
    except pyproj.exceptions.CRSError:
        return ""


def _word(value: Any) -> str:
    return value.decode(errors="replace") if isinstance(value, bytes) else str(value)
