"""Waypoints of GPX and placemarks of KML.

Read with the standard library's parser rather than GDAL: GDAL leaves out what it cannot take, and here that is told.
A document type or entity is refused before any parser sees the file, so that nothing can be expanded or fetched.
"""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from collections import Counter
from dataclasses import dataclass
from io import BytesIO
from math import isfinite

from layers._errors import Finding, InputError

_DEEPEST = 100
_DECIMAL = re.compile(r"\s*[+-]?(?:\d{1,20}(?:\.\d{0,40})?|\.\d{1,40})(?:[eE][+-]?\d{1,2})?\s*", re.ASCII)
_PLAIN_KIND = re.compile(r"[^\W\d_][\w '-]{0,39}")
_ENCODING = re.compile(r"\A\s*<\?xml[^>]{0,200}?encoding\s*=\s*[\"']([^\"'>]{0,40})", re.IGNORECASE)
_ROOT = re.compile(r"<\s*(?:[\w.-]{1,40}:)?(gpx|kml)[\s>/]", re.IGNORECASE)
_LEFT_OUT = {
    "gpx": {"trk": "tracks", "rte": "routes"},
    "kml": {
        "LineString": "lines", "LinearRing": "rings", "Polygon": "polygons", "MultiGeometry": "collections",
        "GroundOverlay": "images", "NetworkLink": "links to other files", "Model": "models", "Track": "tracks",
    },
}  # fmt: skip


@dataclass(frozen=True)
class XmlMark:
    """A waypoint or a placemark; `number` counts them from 1, the longitude is in [−180, 180)."""

    name: str
    kind: str
    note: str
    lon: float
    lat: float
    number: int


def looks_like_xml(text: str) -> bool:
    """Return whether a text's first elements are those of GPX or KML."""
    return _ROOT.search(text[:5_000]) is not None


def xml_marks(text: str, where: str) -> tuple[list[XmlMark], list[Finding]]:
    """Return the waypoints or placemarks of an XML text, and what of it was left out.

    Raises
    ------
    InputError
        It has a document type or entities, states another encoding than UTF-8, is broken, is neither GPX nor KML,
        or is nested more than 100 deep.
    """
    folded = text.casefold()
    if "<!doctype" in folded or "<!entity" in folded:
        remedy = "Save it again from the program it came from, or take those lines out."
        raise InputError.one(where, "has a document type or entities, which are not read.", remedy)
    encoding = _ENCODING.match(text)
    if encoding is not None and encoding[1].casefold() not in ("utf-8", "utf8", "us-ascii", "ascii"):
        raise InputError.one(where, f"states the encoding '{encoding[1]}'.", "Save it as UTF-8.")
    reader = _Reader(where)
    try:
        # Safe without a document type, and that was refused above.
        for event, element in ET.iterparse(BytesIO(text.encode()), events=("start", "end")):  # noqa: S314
            reader.take(event, element)
    except ET.ParseError as error:
        raise InputError.one(where, f"is not whole XML: {error}.", "Save it again.") from None
    return reader.marks, [*reader.findings, *reader.left_out()]


class _Reader:
    """Goes through the elements as they come and keeps none of them."""

    def __init__(self, where: str) -> None:
        self.where = where
        self.marks: list[XmlMark] = []
        self.findings: list[Finding] = []
        self._stack: list[ET.Element] = []
        self._names: list[str] = []
        self._form = ""
        self._others: Counter[str] = Counter()
        self._count = 0

    def take(self, event: str, element: ET.Element) -> None:
        name = str(element.tag).rpartition("}")[2]
        if event == "start":
            self._start(name, element)
        else:
            self._end(name, element)

    def left_out(self) -> list[Finding]:
        if not self._others:
            return []
        listed = ", ".join(f"{count} {what}" for what, count in sorted(self._others.items()))
        return [Finding(self.where, f"was not taken, for it is no mark: {listed}.", "Nothing to do.", "warning")]

    def _start(self, name: str, element: ET.Element) -> None:
        if not self._stack:
            self._form = name.casefold()
            if self._form not in _LEFT_OUT:
                raise InputError.one(self.where, f"is XML, but '{name}' is neither GPX nor KML.", "Give GPX or KML.")
        if len(self._stack) >= _DEEPEST:
            raise InputError.one(self.where, f"is nested more than {_DEEPEST} deep.", "Give a sound file.")
        self._stack.append(element)
        self._names.append(name)

    def _end(self, name: str, element: ET.Element) -> None:
        self._stack.pop()
        self._names.pop()
        within_mark = "wpt" in self._names or "Placemark" in self._names
        other = _LEFT_OUT[self._form].get(name)
        if other and not {"MultiGeometry", "Polygon"} & set(self._names):
            self._others[other] += 1
        if self._form == "gpx" and name == "wpt" and len(self._names) == 1:
            self._waypoint(element)
        elif self._form == "kml" and name == "Placemark":
            self._placemark(element)
        if self._stack and not within_mark:
            self._stack[-1].remove(element)

    def _waypoint(self, element: ET.Element) -> None:
        self._count += 1
        sym = _child(element, "sym")
        kind = sym if _PLAIN_KIND.fullmatch(sym) else ""
        note = _child(element, "desc") or _child(element, "cmt")
        self._add(_child(element, "name"), kind, note, (element.get("lon", ""), element.get("lat", "")))

    def _placemark(self, element: ET.Element) -> None:
        self._count += 1
        points = [one for one in element if str(one.tag).rpartition("}")[2] == "Point"]
        if not points:
            return
        parts = _child(points[0], "coordinates").split(",")
        lon, lat = (parts[0], parts[1]) if len(parts) in (2, 3) else ("", "")
        self._add(_child(element, "name"), "", _child(element, "description"), (lon, lat))

    def _add(self, name: str, kind: str, note: str, lonlat: tuple[str, str]) -> None:
        values = [float(value) if _DECIMAL.fullmatch(value) else float("nan") for value in lonlat]
        lon, lat = values
        if not (isfinite(lon) and isfinite(lat) and abs(lat) <= 90.0 and abs(lon) <= 180.0):  # noqa: PLR2004 - degrees
            found = f"'{name[:60]}' has no sound position: longitude '{lonlat[0][:30]}', latitude '{lonlat[1][:30]}'."
            place = f"{self.where}, mark {self._count}"
            self.findings.append(Finding(place, found, "It was left out; correct it.", "warning"))
            return
        self.marks.append(XmlMark(name, kind, note, -lon if lon == 180.0 else lon, lat, self._count))  # noqa: PLR2004


def _child(element: ET.Element, name: str) -> str:
    for one in element:
        if str(one.tag).rpartition("}")[2] == name:
            return (one.text or "").strip()
    return ""
