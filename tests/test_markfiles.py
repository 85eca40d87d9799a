from __future__ import annotations

import time
import tracemalloc
import zipfile
from datetime import date
from pathlib import Path

import pyogrio
import pytest

from layers._errors import InputError
from layers.markfiles import Marks, looks_like_marks, marks_made, read_marks
from tests.test_positions import SAME_PLACE
from tests.test_regulations import TWO_AREAS

GPX = """<?xml version="1.0" encoding="UTF-8"?>
<gpx version="1.1" creator="invented" xmlns="http://www.topografix.com/GPX/1/1">
 <wpt lat="48.15" lon="-122.67"><name>Gull Point</name><desc>good at slack</desc><sym>Anchor</sym></wpt>
 <wpt lat="48.2" lon="180"><name>Tern &amp; Co</name><cmt>=1+1</cmt><sym>http://x/y.png</sym></wpt>
 <wpt lat="98.2" lon="-122.7"><name>Too far</name></wpt>
 <rte><rtept lat="1" lon="2"/></rte><trk><trkseg><trkpt lat="1" lon="2"/></trkseg></trk>
</gpx>
"""
KML = """<?xml version="1.0"?>
<kml xmlns="http://www.opengis.net/kml/2.2"><Document><Folder><name>Spots</name>
 <Placemark><name>Gull Point</name><description><![CDATA[good at <b>slack</b>]]></description>
  <Point><coordinates> -122.67,48.15,0 </coordinates></Point></Placemark>
 <Folder><Placemark><name>Tern Rock</name><Point><coordinates>-122.7,48.2</coordinates></Point></Placemark></Folder>
 </Folder><Placemark><name>A way</name><LineString><coordinates>1,2 3,4</coordinates></LineString></Placemark>
 <Placemark><name>Ground</name><Polygon><outerBoundaryIs><LinearRing>
 <coordinates>1,2 3,4 5,6 1,2</coordinates></LinearRing>
 </outerBoundaryIs></Polygon></Placemark>
 <Placemark><name>Broken</name><Point><coordinates>here</coordinates></Point></Placemark>
</Document></kml>
"""


def read(folder: Path, text: str, name: str = "marks.txt") -> Marks:
    file = folder / name
    file.write_text(text, encoding="utf-8")
    return read_marks(file)


@pytest.mark.parametrize("position", SAME_PLACE)
@pytest.mark.parametrize(
    "line", ["Gull Point, {}", "{}, Gull Point", "Gull Point: {}", "{} Gull Point", "Gull Point\t{}"]
)
def test_every_form_of_a_position_before_and_after_a_name(tmp_path: Path, position: str, line: str) -> None:
    (mark,) = read(tmp_path, "# my marks\n\n" + line.format(position)).marks
    assert (mark.name, mark.line) == ("Gull Point", 3)
    assert (mark.lon, mark.lat) == pytest.approx((-122.67, 48.15), abs=1e-9)


def test_lines_that_are_not_understood_are_listed(tmp_path: Path) -> None:
    found = read(
        tmp_path,
        "Gull Point 48.15, -122.67\nno position here\nBuoy 12 48 09.00 N 122 40.20 W\n"
        "Two 48.15 N 122.67 W 48.16 N 122.67 W\n"
        "Far, 95.15 N, 122.67 W\n48.1600, -122.6700\nReef 2, 48.1, -122.6\nTern Rock 48°09.00′ N 122°40.20′ W at slack",
    )
    assert [(one.name, one.note) for one in found.marks] == [
        ("Gull Point", ""), ("mark 2", ""), ("Reef 2", ""), ("Tern Rock", "at slack")
    ]  # fmt: skip
    assert [one.number for one in found.unread] == [2, 3, 4, 5]
    assert found.unread[0].text == "no position here"
    assert any("no name is given" in finding.what for finding in found.findings)
    told = " ".join(map(str, marks_made(found, as_of=None, source="own").findings))
    assert "line 3 was not understood: 'Buoy 12" in told


def test_columns_with_all_that_a_mark_has(tmp_path: Path) -> None:
    found = read(
        tmp_path,
        "\ufeffName;Latitude;Longitude;Kind;Note;Private;Colour\r\n"
        'Gull Point;48.15;-122.67;spot;"deep; ""cold""";yes;red\r\n'
        "=SUM(A1);48°09.00′ N;122°40.20′ W;harbor;;;\r\n"
        "Tern;48,15;-122,67;;;;\r\n"
        "Heron;48.2;-122.7;;;perhaps;\r\n"
        "short;48.2\r\n",
    )
    assert [(one.name, one.kind, one.note, one.private) for one in found.marks] == [
        ("Gull Point", "spot", 'deep; "cold"', True),
        ("=SUM(A1)", "harbor", "", False),
        ("Heron", "", "", True),
    ]
    assert (found.marks[1].lon, found.marks[1].lat) == pytest.approx((-122.67, 48.15))
    assert [one.number for one in found.unread] == [4, 6]
    told = " ".join(map(str, found.findings))
    assert "columns that are not known were left out: colour" in told
    assert "private is 'perhaps'" in told
    (by_position,) = read(tmp_path, "position,name\n48 09.00 N 122 40.20 W,Gull Point\n").marks
    assert (by_position.name, by_position.lat) == ("Gull Point", pytest.approx(48.15))
    with pytest.raises(InputError, match="two columns are called lat"):
        read(tmp_path, "name,lat,latitude,lon\nA,1.5,1.5,2.5\n")


def test_waypoints(tmp_path: Path) -> None:
    found = read(tmp_path, GPX, "marks.gpx")
    assert [(one.name, one.kind, one.note, one.lon, one.lat) for one in found.marks] == [
        ("Gull Point", "Anchor", "good at slack", -122.67, 48.15),
        ("Tern & Co", "", "=1+1", -180.0, 48.2),
    ]
    told = " ".join(map(str, found.findings))
    assert "'Too far' has no sound position" in told
    assert "1 routes, 1 tracks" in told
    frame = pyogrio.raw.read(tmp_path / "marks.gpx", layer="waypoints", columns=["name"])
    assert [one.name for one in found.marks] == frame[3][0].tolist()[:2]  # as GDAL reads them


def test_placemarks(tmp_path: Path) -> None:
    found = read(tmp_path, KML, "marks.kml")
    assert [(one.name, one.note, one.lon, one.lat) for one in found.marks] == [
        ("Gull Point", "good at <b>slack</b>", -122.67, 48.15),
        ("Tern Rock", "", -122.7, 48.2),
    ]
    told = " ".join(map(str, found.findings))
    assert "1 lines, 1 polygons" in told
    assert "'Broken' has no sound position" in told


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ('<!DOCTYPE gpx [<!ENTITY a "b">]><gpx/>', "document type or entities"),
        ('<?xml version="1.0"?><!doctype gpx SYSTEM "file:///etc/passwd"><gpx/>', "document type or entities"),
        ('<?xml version="1.0" encoding="UTF-7"?><gpx/>', "states the encoding 'UTF-7'"),
        ("<gpx><wpt lat='1' lon='2'>", "is not whole XML"),
        ("<html><body/></html>", "neither GPX nor KML"),
        ("<gpx>" + "<a>" * 200_000, "nested more than 100 deep"),
        ("<gpx></gpx>", "holds no marks"),
        ("", "holds no marks"),
        ("Gull Point is where the birds are", "line 1: Gull Point is where"),
        ("a\0b", "zero bytes"),
    ],
)
def test_what_is_refused(tmp_path: Path, text: str, message: str) -> None:
    with pytest.raises(InputError, match=message):
        read(tmp_path, text)


def test_files_that_are_refused(tmp_path: Path) -> None:
    file = tmp_path / "marks.kmz"
    with zipfile.ZipFile(file, "w") as packed:
        packed.writestr("doc.kml", KML)
    assert looks_like_marks(file)
    with pytest.raises(InputError, match=r"is compressed.*KMZ"):
        read_marks(file)
    for data, message in (
        ("Gülle, 48.15, -122.67".encode("cp1252"), "not UTF-8"),
        (GPX.replace("UTF-8", "UTF-16").encode("utf-16"), "not UTF-8"),
        (b"x" * 10_000_001, "larger than 10 MB"),
    ):
        file.write_bytes(data)
        with pytest.raises(InputError, match=message):
            read_marks(file)
    with pytest.raises(InputError, match="cannot be read"):
        read_marks(tmp_path / "absent.txt")


def test_characters_that_no_one_sees(tmp_path: Path) -> None:
    found = read(tmp_path, "Gull\u202e\u200b Point, 48.15, -122.67\nخليج, 48.16, -122.67\n")
    assert [one.name for one in found.marks] == ["Gull Point", "خليج"]
    assert any("line 1: characters that cannot be seen" in finding.what for finding in found.findings)
    (one, _) = read(tmp_path, GPX.replace("Gull Point", "Gull\u202e\nPoint")).marks
    assert one.name == "Gull Point"


def test_what_is_made(tmp_path: Path) -> None:
    found = read(
        tmp_path,
        "name,lat,lon,private\nGull Point,48.15,-122.67,\nTern,48.2,-122.7,x\ntern,48.3,-122.7,\n",
        "My marks.csv",
    )
    assert any("2 marks are called 'tern'" in finding.what for finding in found.findings)
    made = marks_made(found, as_of=date(2026, 3, 1), source="own")
    (layer,), (origin,) = made.layers, made.origins
    assert (layer.role, layer.name, origin.kind, origin.as_of) == ("mark", "my-marks", "marks", date(2026, 3, 1))
    assert [(point.x, point.y) for point in layer.geometry] == [(-122.67, 48.15), (-122.7, 48.2), (-122.7, 48.3)]
    assert list(layer.attributes["private"]) == [False, True, False]
    assert all(marks_made(found, as_of=None, source="own", private=True).layers[0].attributes["private"])


def test_marks_are_known_by_their_content(tmp_path: Path) -> None:
    file = tmp_path / "x"
    for text, is_marks in (
        (GPX, True), (KML, True), ("name,lat,lon\n", True), ("Gull, 48.15, -122.67\n", True),
        (TWO_AREAS, False), ("<html></html>", False), ("", False), ("x,y,z\n1,2,3\n", False), ("words only", False),
    ):  # fmt: skip
        file.write_text(text, encoding="utf-8")
        assert looks_like_marks(file) is is_marks, text[:30]
    file.write_bytes(b"PK\x03\x04 not a zip")
    assert not looks_like_marks(file)
    assert not looks_like_marks(tmp_path / "absent")


@pytest.mark.parametrize(
    "text",
    [
        "Gull Point, 48.1500, -122.6700\n" * 15_000,
        "4848484°" * 200_000,
        "<gpx>" + '<wpt lat="1" lon="2"><name>a</name></wpt>' * 30_000 + "<a/>" * 500_000 + "</gpx>",
        "name,lat,lon\n" + '"' * 1_000_000,
    ],
    ids=["lines", "degrees", "xml", "quotes"],
)
def test_large_files_stay_small_in_time_and_memory(tmp_path: Path, text: str) -> None:
    file = tmp_path / "x"
    file.write_text(text, encoding="utf-8")
    start = time.process_time()
    tracemalloc.start()
    try:
        read_marks(file)
    except InputError as error:
        assert "no marks" in str(error)  # noqa: PT017 - either is right, and neither may hang
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert time.process_time() - start < 40.0
    assert peak < 150e6
