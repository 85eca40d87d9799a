"""Spots out of files that people bring: GPX, KML, CSV and text as marks are read, and points of GeoJSON."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from math import isfinite, nan
from pathlib import Path
from typing import Any

from layers._errors import Finding, InputError
from layers.markfiles import MOST_BYTES, MOST_MARKS, plain_cells, read_marks
from layers.spots import LONGEST, Spot

_MOST_LAT_DEG, _MOST_LON_DEG = 90.0, 180.0
_TRUE, _FALSE = ("true", "yes", "y", "1", "x"), ("", "false", "no", "n", "0")
_KEYS = {
    "name": ("name", "title", "mark"),
    "kind": ("kind", "type"),
    "note": ("note", "notes", "comment", "desc", "description"),
    "told_by": ("told_by", "source"),
    "private": ("private",),
    "dated": ("dated", "date"),
}
_WGS84 = ("crs84", "epsg:4326", "epsg::4326")
_PAIR = 2


@dataclass(frozen=True)
class SpotFile:
    """The spots of a file, without identities, and what of it was not taken or is doubtful."""

    spots: tuple[Spot, ...]
    findings: tuple[Finding, ...]


def read_spot_file(file: Path) -> SpotFile:
    """Return the spots of a file, known by its content.

    Parameters
    ----------
    file
        GPX, KML, CSV or text, as `layers.markfiles.read_marks` reads them, or GeoJSON (RFC 7946) whose points say name,
        kind, note, private, told_by and dated. At most 10 MB and 50,000 marks.

    Raises
    ------
    InputError
        It cannot be read, or holds no marks at all.
    """
    try:
        with file.open("rb") as stream:
            head = stream.read(1_000)
    except OSError as error:
        raise InputError.one(str(file), f"cannot be read: {error.strerror}.", "Check the path.") from None
    if head.removeprefix(b"\xef\xbb\xbf").lstrip().startswith((b"{", b"[")):
        return _geojson(file)
    marks = read_marks(file)
    spots = [
        Spot("", one.name, one.kind, one.note, one.private, "", None, one.lon, one.lat)
        for one in marks.marks
    ]  # fmt: skip
    lost = [
        Finding(file.name, f"line {one.number} was not understood: '{one.part}'.", "Mend it.", "warning")
        for one in marks.unread
    ]
    return SpotFile(tuple(spots), (*marks.findings, *lost))


def _geojson(file: Path) -> SpotFile:
    if file.stat().st_size > MOST_BYTES:
        raise InputError.one(file.name, "is larger than 10 MB.", "Give it in several files.")
    try:
        told = json.loads(file.read_bytes().decode("utf-8-sig"), parse_constant=lambda _: nan)
    except (ValueError, RecursionError) as error:
        raise InputError.one(file.name, f"is not sound GeoJSON: {error}.", "Save it again, in UTF-8.") from None
    features = _features(told, file.name)
    crs = json.dumps(told.get("crs") or "").casefold()
    if crs != '""' and not any(one in crs for one in _WGS84):
        found = "states a coordinate system other than WGS 84."
        raise InputError.one(file.name, found, "Save it as GeoJSON in WGS 84 (EPSG:4326).")
    reader = _Points(file.name)
    for number, feature in enumerate(features, 1):
        reader.take(number, feature)
    if not reader.spots:
        said = "; ".join(str(one) for one in reader.findings[:5])
        raise InputError.one(file.name, f"holds no points that can be taken. {said}".strip(), "Give point features.")
    if len(reader.spots) > MOST_MARKS:
        raise InputError.one(file.name, f"holds more than {MOST_MARKS:,} marks.", "Give it in several files.")
    return SpotFile(tuple(reader.spots), tuple(reader.findings))


def _features(told: Any, where: str) -> Sequence[Any]:
    kind = told.get("type") if isinstance(told, dict) else None
    if kind == "Feature":
        return [told]
    features = told.get("features") if kind == "FeatureCollection" else None
    if not isinstance(features, list):
        raise InputError.one(where, "is no GeoJSON of features.", "Give a FeatureCollection of points.")
    return features


class _Points:
    def __init__(self, where: str) -> None:
        self.where = where
        self.spots: list[Spot] = []
        self.findings: list[Finding] = []

    def take(self, number: int, feature: Any) -> None:
        shape = feature.get("geometry") if isinstance(feature, dict) else None
        said = feature.get("properties") if isinstance(feature, dict) else None
        words = self._words(number, said if isinstance(said, dict) else {})
        if not isinstance(shape, dict) or shape.get("type") != "Point":
            kind = shape.get("type") if isinstance(shape, dict) else "nothing"
            self._doubt(number, f"'{words['name']}' is {kind}, no point, and was left out.", "Give a point.")
            return
        place = shape.get("coordinates")
        pair = place[:_PAIR] if isinstance(place, list) else []
        if len(pair) < _PAIR or any(isinstance(one, bool) or not isinstance(one, int | float) for one in pair):
            pair = [nan, nan]
        lon, lat = (float(one) for one in pair)
        if not (isfinite(lon) and isfinite(lat) and abs(lat) <= _MOST_LAT_DEG and abs(lon) <= _MOST_LON_DEG):
            swapped = abs(lon) <= _MOST_LAT_DEG < abs(lat) <= _MOST_LON_DEG
            remedy = "Longitude comes first in GeoJSON: swap the two?" if swapped else "Correct it."
            self._doubt(number, f"'{words['name']}' has no sound position: {str(place)[:60]}; left out.", remedy)
            return
        private = words.pop("private").casefold()
        if private not in (*_TRUE, *_FALSE):
            self._doubt(number, f"private is '{private}', and true or false is allowed: taken as true.", "Correct it.")
        dated, day = words.pop("dated"), None
        try:
            day = date.fromisoformat(dated[:10]) if dated else None
        except ValueError:
            self._doubt(number, f"'{dated}' is no date; it goes into the note.", "Write 2026-08-14.")
            words["note"] = "; ".join(one for one in (words["note"], f"dated {dated}") if one)
        lon = -lon if lon == _MOST_LON_DEG else lon
        name, kind, note, told_by = (words[key] for key in ("name", "kind", "note", "told_by"))
        self.spots.append(Spot("", name, kind, note, private not in _FALSE, told_by, day, lon, lat))

    def _words(self, number: int, said: Mapping[str, Any]) -> dict[str, str]:
        folded = {str(key).casefold(): value for key, value in said.items()}
        words = {}
        for key, names in _KEYS.items():
            value = next((folded[name] for name in names if folded.get(name) not in (None, "")), "")
            words[key], hidden = plain_cells(value if isinstance(value, str) else json.dumps(value))
            if hidden:
                self._doubt(number, f"characters that cannot be seen were left out of its {key}.", "Check it.")
            if len(words[key]) > LONGEST.get(key, 100):
                self._doubt(
                    number, f"its {key} is longer than {LONGEST.get(key, 100)} characters and was cut.", "Check."
                )
                words[key] = words[key][: LONGEST.get(key, 100)].rstrip()
        left = sorted(set(folded) - {name for names in _KEYS.values() for name in names})
        if left:
            what = f"attributes that the book does not know were left out: {', '.join(left[:6])[:200]}."
            if not any(one.what == what for one in self.findings):
                self.findings.append(Finding(self.where, what, f"Known: {', '.join(_KEYS)}.", "warning"))
        if not words["name"]:
            words["name"] = f"mark {number}"
            self._doubt(number, f"no name is given; it is called '{words['name']}'.", "Give it a name.")
        return words

    def _doubt(self, number: int, what: str, remedy: str) -> None:
        self.findings.append(Finding(f"{self.where}, feature {number}", what, remedy, "warning"))
