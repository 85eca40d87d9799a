from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from typing import TYPE_CHECKING
from xml.etree import ElementTree as ET

import gpxpy
import numpy as np
import pyogrio
import pytest
import shapely
import xmlschema

from spotmap.gpx import plan_gpx
from tests.plan_fixture import MARK_MARKUP, arc, build_plan

if TYPE_CHECKING:
    from pathlib import Path

    from layers.projection import LocalProjection
    from spotmap.model import FloatArray, Plan

NS = {"g": "http://www.topografix.com/GPX/1/1"}

# source: the structure, order and types of the published GPX 1.1 schema, put down here in our own words.
RULES = """
<xs:schema xmlns:xs="http://www.w3.org/2001/XMLSchema" xmlns="http://www.topografix.com/GPX/1/1"
    targetNamespace="http://www.topografix.com/GPX/1/1" elementFormDefault="qualified">
  <xs:element name="gpx"><xs:complexType><xs:sequence>
    <xs:element name="metadata" type="about" minOccurs="0"/>
    <xs:element name="wpt" type="point" minOccurs="0" maxOccurs="unbounded"/>
    <xs:element name="rte" type="route" minOccurs="0" maxOccurs="unbounded"/>
    <xs:element name="trk" type="track" minOccurs="0" maxOccurs="unbounded"/>
    <xs:element name="extensions" type="anything" minOccurs="0"/>
  </xs:sequence>
    <xs:attribute name="version" type="xs:string" use="required" fixed="1.1"/>
    <xs:attribute name="creator" type="xs:string" use="required"/>
  </xs:complexType></xs:element>
  <xs:complexType name="about"><xs:sequence>
    <xs:element name="name" type="xs:string" minOccurs="0"/>
    <xs:element name="desc" type="xs:string" minOccurs="0"/>
    <xs:element name="author" type="anything" minOccurs="0"/>
    <xs:element name="copyright" type="anything" minOccurs="0"/>
    <xs:element name="link" type="link" minOccurs="0" maxOccurs="unbounded"/>
    <xs:element name="time" type="xs:dateTime" minOccurs="0"/>
    <xs:element name="keywords" type="xs:string" minOccurs="0"/>
    <xs:element name="bounds" type="anything" minOccurs="0"/>
    <xs:element name="extensions" type="anything" minOccurs="0"/>
  </xs:sequence></xs:complexType>
  <xs:complexType name="point"><xs:sequence>
    <xs:element name="ele" type="xs:decimal" minOccurs="0"/>
    <xs:element name="time" type="xs:dateTime" minOccurs="0"/>
    <xs:element name="magvar" type="bearing" minOccurs="0"/>
    <xs:element name="geoidheight" type="xs:decimal" minOccurs="0"/>
    <xs:element name="name" type="xs:string" minOccurs="0"/>
    <xs:element name="cmt" type="xs:string" minOccurs="0"/>
    <xs:element name="desc" type="xs:string" minOccurs="0"/>
    <xs:element name="src" type="xs:string" minOccurs="0"/>
    <xs:element name="link" type="link" minOccurs="0" maxOccurs="unbounded"/>
    <xs:element name="sym" type="xs:string" minOccurs="0"/>
    <xs:element name="type" type="xs:string" minOccurs="0"/>
    <xs:element name="fix" type="xs:string" minOccurs="0"/>
    <xs:element name="sat" type="xs:nonNegativeInteger" minOccurs="0"/>
    <xs:element name="hdop" type="xs:decimal" minOccurs="0"/>
    <xs:element name="vdop" type="xs:decimal" minOccurs="0"/>
    <xs:element name="pdop" type="xs:decimal" minOccurs="0"/>
    <xs:element name="ageofdgpsdata" type="xs:decimal" minOccurs="0"/>
    <xs:element name="dgpsid" type="xs:integer" minOccurs="0"/>
    <xs:element name="extensions" type="anything" minOccurs="0"/>
  </xs:sequence>
    <xs:attribute name="lat" use="required"><xs:simpleType><xs:restriction base="xs:decimal">
      <xs:minInclusive value="-90"/><xs:maxInclusive value="90"/>
    </xs:restriction></xs:simpleType></xs:attribute>
    <xs:attribute name="lon" use="required"><xs:simpleType><xs:restriction base="xs:decimal">
      <xs:minInclusive value="-180"/><xs:maxExclusive value="180"/>
    </xs:restriction></xs:simpleType></xs:attribute>
  </xs:complexType>
  <xs:group name="words"><xs:sequence>
    <xs:element name="name" type="xs:string" minOccurs="0"/>
    <xs:element name="cmt" type="xs:string" minOccurs="0"/>
    <xs:element name="desc" type="xs:string" minOccurs="0"/>
    <xs:element name="src" type="xs:string" minOccurs="0"/>
    <xs:element name="link" type="link" minOccurs="0" maxOccurs="unbounded"/>
    <xs:element name="number" type="xs:nonNegativeInteger" minOccurs="0"/>
    <xs:element name="type" type="xs:string" minOccurs="0"/>
    <xs:element name="extensions" type="anything" minOccurs="0"/>
  </xs:sequence></xs:group>
  <xs:complexType name="route"><xs:sequence>
    <xs:group ref="words"/>
    <xs:element name="rtept" type="point" minOccurs="0" maxOccurs="unbounded"/>
  </xs:sequence></xs:complexType>
  <xs:complexType name="track"><xs:sequence>
    <xs:group ref="words"/>
    <xs:element name="trkseg" minOccurs="0" maxOccurs="unbounded"><xs:complexType><xs:sequence>
      <xs:element name="trkpt" type="point" minOccurs="0" maxOccurs="unbounded"/>
      <xs:element name="extensions" type="anything" minOccurs="0"/>
    </xs:sequence></xs:complexType></xs:element>
  </xs:sequence></xs:complexType>
  <xs:complexType name="link"><xs:sequence>
    <xs:element name="text" type="xs:string" minOccurs="0"/>
    <xs:element name="type" type="xs:string" minOccurs="0"/>
  </xs:sequence><xs:attribute name="href" type="xs:anyURI" use="required"/></xs:complexType>
  <xs:simpleType name="bearing"><xs:restriction base="xs:decimal">
    <xs:minInclusive value="0"/><xs:maxExclusive value="360"/></xs:restriction></xs:simpleType>
  <xs:complexType name="anything"><xs:sequence>
    <xs:any processContents="lax" minOccurs="0" maxOccurs="unbounded"/>
  </xs:sequence><xs:anyAttribute processContents="lax"/></xs:complexType>
</xs:schema>
"""


@pytest.fixture(scope="module")
def rules() -> xmlschema.XMLSchema:
    return xmlschema.XMLSchema(RULES)


def _points(parent: ET.Element, tag: str, projection: LocalProjection) -> FloatArray:
    lonlat = np.array([[float(p.attrib["lon"]), float(p.attrib["lat"])] for p in parent.findall(f"g:{tag}", NS)])
    return np.column_stack(projection.to_local(*lonlat.T))


def _read(plan: Plan) -> ET.Element:
    return ET.fromstring(plan_gpx(plan))  # noqa: S314 -- our own file


def _close(first: FloatArray, second: FloatArray, metres: float) -> bool:
    """Return whether two lines are nowhere further apart, seen from points every half metre of either."""
    lines = shapely.linestrings(first), shapely.linestrings(second)
    shapely.prepare(lines)
    return all(
        shapely.dwithin(other, shapely.points(shapely.get_coordinates(shapely.segmentize(one, 0.5))), metres).all()
        for one, other in (lines, lines[::-1])
    )


def _with_leg(plan: Plan, xy: FloatArray, label: str = "P1") -> Plan:
    """Return the plan with its first pass along another line."""
    changed = replace(plan.legs[1], leg=replace(plan.legs[1].leg, xy=xy, label=label))
    return replace(plan, legs=(plan.legs[0], changed, *plan.legs[2:]))


def _serpentine(arcs: int, radius: float = 46.0) -> FloatArray:
    """Return half circles to the left and right in turn, a vertex every metre."""
    pieces = [
        arc((2 * radius * i, 0.0), radius, np.pi, 0.0 if i % 2 else 2 * np.pi)[1 if i else 0 :] for i in range(arcs)
    ]
    return np.concatenate(pieces)


@pytest.mark.parametrize(("lon0", "lat0"), [(-140.0, 47.0), (180.0, -16.0), (0.0, 0.0)])
def test_valid_by_the_published_rules(rules: xmlschema.XMLSchema, lon0: float, lat0: float) -> None:
    text = plan_gpx(build_plan(lon0_deg=lon0, lat0_deg=lat0, has_grounds=True)).decode()
    rules.validate(text)
    assert re.search(r'"-?\d+\.?\d*[eE]', text) is None
    times = re.findall(r"<time>(.*?)</time>", text)
    assert times
    assert all(re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z", time) for time in times)


@pytest.mark.parametrize(
    ("right", "wrong"),
    [
        ("<type>spot</type>", "<type>spot</type><name>late</name>"),
        ('lon="-140.0000000"', 'lon="180.0"'),
        ('lon="-140.0000000"', 'lon="-1.4e2"'),
        ("<number>1</number>", "<number>P1</number>"),
        (' creator="', ' maker="'),
    ],
)
def test_the_rules_can_fail(rules: xmlschema.XMLSchema, right: str, wrong: str) -> None:
    text = plan_gpx(build_plan()).decode()
    assert right in text
    assert rules.is_valid(text)
    assert not rules.is_valid(text.replace(right, wrong, 1))


def test_the_file_says_what_it_is_without_a_clock_of_its_own() -> None:
    plan = build_plan()
    written = plan_gpx(plan)
    assert written == plan_gpx(plan)
    metadata = _read(plan).find("g:metadata", NS)
    assert metadata is not None
    assert metadata.findtext("g:name", namespaces=NS) == "Merrow Sound (invented), 2026-08-14"
    words = metadata.findtext("g:desc", namespaces=NS) or ""
    for source in plan.area.sources:
        assert (
            f"{source.role}: {source.file}, {source.source}, as of {source.as_of}, sha256 {source.sha256[:12]}."
            in words
        )
    assert "depths are from MLLW" in words
    assert all(caution in words for caution in (*plan.cautions, *plan.warnings))
    assert metadata.findtext("g:time", namespaces=NS) == "2026-08-14T15:30:00.000Z"


def test_a_route_for_each_pass_and_turn_close_to_the_plan() -> None:
    plan = build_plan()
    routes = _read(plan).findall("g:rte", NS)
    assert [route.findtext("g:name", namespaces=NS) for route in routes] == ["P1", "T1", "P2", "T2"]
    assert [route.findtext("g:type", namespaces=NS) for route in routes] == ["pass", "turn", "pass", "turn"]
    assert "pass along the 98.4 ft line, 05:34 to 05:51" in (routes[0].findtext("g:desc", namespaces=NS) or "")
    for route, timed in zip(routes, plan.legs[1:5], strict=True):
        points = _points(route, "rtept", plan.area.projection)
        assert len(points) <= 100
        assert _close(points, timed.leg.xy, 3.0)
        assert len(points) < len(timed.leg.xy) / 5


@pytest.mark.parametrize(
    ("xy", "parts"),
    [
        (_serpentine(10), 1),  # needs a coarser tolerance than the first
        (_serpentine(60), 3),
        (_serpentine(400), 27),  # more parts than letters
        (arc((0, 0), 50, 0, 2 * np.pi), 1),  # ends where it began
        # crosses itself
        (np.concatenate([arc((0, 0), 50, 0, 2.5 * np.pi), arc((0, 100), 50, -np.pi / 2, np.pi)]), 1),
        (np.array([[0.0, 0.0], [40_000.0, 0.0]]), 1),
    ],
    ids=["10 arcs", "60 arcs", "400 arcs", "circle", "crossing", "straight"],
)
def test_winding_legs_are_split_before_they_leave_the_plan(xy: FloatArray, parts: int) -> None:
    plan = _with_leg(build_plan(), xy)
    routes = _read(plan).findall("g:rte", NS)
    names = [route.findtext("g:name", namespaces=NS) or "" for route in routes]
    assert len(set(names)) == len(names)
    assert all(name.isascii() and len(name) <= 10 for name in names)
    mine = [i for i, name in enumerate(names) if re.fullmatch("P1[a-z]*", name)]
    assert len(mine) >= parts
    assert parts > 1 or len(mine) == 1
    points = [_points(routes[i], "rtept", plan.area.projection) for i in mine]
    assert all(2 <= len(part) <= 100 for part in points)
    for before, after in pairwise(points):
        assert (before[-1] == after[0]).all()
    whole = np.concatenate([points[0], *(part[1:] for part in points[1:])])
    assert _close(whole, xy, 3.0)


@pytest.mark.parametrize("label", ["a label too long for plotters", "Pass ½", "T1", "", "<P>"])
def test_labels_that_plotters_cannot_hold_are_replaced(label: str) -> None:
    plan = build_plan()
    routes = _read(_with_leg(plan, plan.legs[1].leg.xy, label)).findall("g:rte", NS)
    names = [route.findtext("g:name", namespaces=NS) or "" for route in routes]
    assert names[0] == "P-2"
    assert len(set(names)) == 4


def test_a_plotters_rhumb_lines_stay_on_the_plan_too() -> None:
    plan = _with_leg(build_plan(lat0_deg=70.0), np.array([[0.0, 0.0], [40_000.0, 0.0]]))
    route = _read(plan).find("g:rte", NS)
    assert route is not None
    lonlat = np.array([[float(p.attrib["lon"]), float(p.attrib["lat"])] for p in route.findall("g:rtept", NS)])
    middle = (lonlat[1:] + lonlat[:-1]) / 2  # on the rhumb line, to millimetres over a kilometre
    _, y = plan.area.projection.to_local(*middle.T)
    assert np.abs(y).max() < 0.5


def test_the_track_holds_the_whole_trip_and_its_clock() -> None:
    plan = build_plan()
    track = _read(plan).find("g:trk", NS)
    assert track is not None
    segments = track.findall("g:trkseg", NS)
    assert len(segments) == len(plan.legs)
    for segment, timed in zip(segments, plan.legs, strict=True):
        points = _points(segment, "trkpt", plan.area.projection)
        assert _close(points, timed.leg.xy, 0.55)
        times = [datetime.fromisoformat(point.findtext("g:time", "", NS)) for point in segment.findall("g:trkpt", NS)]
        assert abs(times[0] - timed.start) <= timedelta(milliseconds=0.5)
        assert abs(times[-1] - timed.end) <= timedelta(milliseconds=0.5)
        assert times[0].utcoffset() == timedelta(0)
        seconds = np.array([(after - before).total_seconds() for before, after in pairwise(times)])
        speeds = np.hypot(*np.diff(points, axis=0).T) / seconds
        assert np.abs(speeds / timed.speed_mps - 1).max() < 0.02  # chords of a turn are a little short


def test_two_other_readers_agree(tmp_path: Path) -> None:
    plan = build_plan()
    written = plan_gpx(plan)
    read = gpxpy.parse(written.decode())
    assert [mark.name for mark in read.waypoints] == ["Merrow Harbor", MARK_MARKUP, "Quiet Corner"]
    assert [route.name for route in read.routes] == ["P1", "T1", "P2", "T2"]
    assert read.time == datetime(2026, 8, 14, 15, 30, tzinfo=UTC)
    length = sum(leg.length_m for leg in plan.legs)
    assert read.tracks[0].length_2d() == pytest.approx(length, rel=0.01)  # its earth is a sphere
    file = tmp_path / "route.gpx"
    file.write_bytes(written)
    marks = pyogrio.read_dataframe(file, layer="waypoints")
    assert marks["name"].tolist() == ["Merrow Harbor", MARK_MARKUP, "Quiet Corner"]
    assert marks["cmt"].tolist()[0] == "fuel <i>and</i> ice"
    routes = pyogrio.read_dataframe(file, layer="routes")
    assert routes["number"].tolist() == [1, 2, 3, 4]
    tracks = pyogrio.read_dataframe(file, layer="tracks")
    assert len(tracks.geometry[0].geoms) == len(plan.legs)


def test_what_xml_cannot_hold_is_left_out() -> None:
    plan = build_plan()
    odd = replace(plan.area.marks[0], name="Har\x00b\x1bor\ufffe \U0001f41f <&>", note="\x07")
    read = _read(replace(plan, area=replace(plan.area, marks=(odd,))))
    assert read.findtext("g:wpt/g:name", namespaces=NS) == "Harbor \U0001f41f <&>"


def test_the_180th_meridian_is_minus_180() -> None:
    plan = build_plan(lon0_deg=180.0, lat0_deg=-16.0, zone="Etc/GMT-12")
    root = _read(plan)
    assert [mark.attrib["lon"] for mark in root.findall("g:wpt", NS)][1] == "-180.0000000"
    just_west = replace(plan.area.marks[0], point=shapely.Point(-0.001, 0.0))
    root = _read(replace(plan, area=replace(plan.area, marks=(just_west,))))
    assert root.find("g:wpt", NS).attrib["lon"] == "-180.0000000"  # type: ignore[union-attr]
