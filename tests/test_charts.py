"""Chart cells: every feature, attribute and sounding comes, with the updates, or an error says what does not."""

import struct
import subprocess
import sys
import zipfile
from datetime import date
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
import shapely
from shapely import LineString, MultiPoint, Point, Polygon, box

from layers import chartfiles, charts
from layers._errors import InputError
from layers._iso8211 import MOST_BYTES, Contents, apply, read_chart_file
from layers.charts import CellFiles, find_cells, read_cell
from tests import chart_writer
from tests.chart_writer import lnam, write_cell, write_update

DATA = Path(__file__).parents[2] / "shared" / "data"
REAL = DATA / "US5MA11M.000"
HOLED = Polygon([(0, 0), (1, 0), (1, 1), (0, 1)], [[(0.2, 0.2), (0.2, 0.4), (0.4, 0.4), (0.4, 0.2)]])
LINE = LineString([(0, 0), (0.5, 0.6), (1, 1)])
SOUNDINGS = MultiPoint([(0.1, 0.1, 3.4), (0.6, 0.6, -1.2), (0.7, 0.1, 25.3)])
THINGS = [
    ("DEPARE", HOLED, {"DRVAL1": 5.4, "DRVAL2": 9.1}),
    ("DEPCNT", LINE, {"VALDCO": 9.1}),
    ("SOUNDG", SOUNDINGS, {"TECSOU": (1, 3)}),
    ("RESARE", box(0.5, 0.5, 0.7, 0.7), {"RESTRN": (7, 16, 27), "INFORM": "Café", "TXTDSC": "XX000001.TXT"}),
    ("WRECKS", Point(0.3, 0.3), {"CATWRK": 2, "VALSOU": 2.1}),
    ("C_AGGR", None, {}),
]


@pytest.fixture
def cell(tmp_path):
    return write_cell(tmp_path / "XX5TEST1.000", THINGS, edition=4)


def found(path, tmp_path):
    (one,) = find_cells([path], tmp_path / "scratch")
    return one


def read(cell, tmp_path, **options):
    return read_cell(found(cell.base, tmp_path), **options)


def contents(cell):
    """Everything of a cell by identifier, as plain values that can be compared."""
    told = {}
    for name, one in cell.objects.items():
        rows = zip(*one.attributes.values(), strict=True) if one.attributes else [()] * len(one.ids)
        for key, shape, values in zip(one.ids, shapely.to_wkb(one.geometry), rows, strict=True):
            kept = {k: v for k, v in zip(one.attributes, values, strict=True) if v is not None}
            told.setdefault(key, []).append((name, shape, kept))
    return told


def test_every_kind_of_thing_comes_as_it_was_written(cell, tmp_path):
    read_back = read(cell, tmp_path)
    header = read_back.header
    assert (header.name, header.edition, header.update, header.base_update) == ("XX5TEST1", 4, 0, 0)
    assert (header.issued, header.scale, header.agency) == (date(2026, 3, 1), 10_000, chart_writer.AGENCY)
    assert (header.horizontal_datum, header.sounding_datum) == (2, 12)
    shapes = {name: list(one.geometry) for name, one in read_back.objects.items()}
    assert shapes["DEPARE"][0].equals(HOLED)
    assert shapes["DEPCNT"][0].equals(LINE)
    assert shapes["WRECKS"][0].equals(Point(0.3, 0.3))
    assert shapes["C_AGGR"] == [None]
    assert shapely.get_coordinates(shapes["SOUNDG"], include_z=True).tolist() == [
        [point.x, point.y, point.z] for point in SOUNDINGS.geoms
    ]
    assert read_back.objects["SOUNDG"].ids == (lnam(3),) * 3
    assert read_back.objects["SOUNDG"].attributes["TECSOU"] == (("1", "3"),) * 3
    area = read_back.objects["RESARE"].attributes
    assert (area["RESTRN"], area["INFORM"], area["OBJNAM"]) == ((("7", "16", "27"),), ("Café",), (None,))
    assert read_back.objects["DEPARE"].attributes["DRVAL1"] == (5.4,)
    assert read_back.objects["WRECKS"].attributes["CATWRK"] == (2,)


def test_updates_change_what_they_say_and_nothing_else(cell, tmp_path):
    rock = ("UWTROC", Point(0.5, 0.5), {"WATLEV": 3})
    cell = write_update(cell, modify={1: {"DRVAL1": 3.6}, 4: {"INFORM": None}}, insert=[rock], issued="20260402")
    cell = write_update(cell, delete=[5], modify={7: {"VALSOU": 0.9}}, issued="20260503")
    before, after = read(cell, tmp_path, updates=False), read(cell, tmp_path)
    assert (before.header.update, before.header.issued) == (0, date(2026, 3, 1))
    assert (after.header.update, after.header.issued) == (2, date(2026, 5, 3))
    old, new = contents(before), contents(after)
    assert {key for key in old.keys() | new.keys() if old.get(key) != new.get(key)} == {lnam(n) for n in (1, 4, 5, 7)}
    assert new[lnam(1)][0][2] == {"DRVAL1": 3.6, "DRVAL2": 9.1}
    assert "INFORM" not in new[lnam(4)][0][2]
    assert lnam(5) not in new
    assert new[lnam(7)][0][2] == {"WATLEV": 3, "VALSOU": 0.9}


def test_what_gdals_tables_leave_out_comes_from_the_records(tmp_path, monkeypatch):
    # GDAL's schema has no RESTRN for wrecks, no class 9001 and no attribute 9000: it would drop them with a warning.
    monkeypatch.setitem(chart_writer._codes("attributes"), "XATTR", 9000)
    monkeypatch.setitem(chart_writer._codes("objectclasses"), "XCLASS", 9001)
    things = [
        ("WRECKS", Point(0, 0), {"RESTRN": (7, 16), "VALSOU": ""}),
        ("XCLASS", Point(0.3, 0.3), {"OBJNAM": "thing", "XATTR": "x"}),
    ]
    objects = read(write_cell(tmp_path / "XX5TEST1.000", things), tmp_path).objects
    assert objects["WRECKS"].attributes["RESTRN"] == (("7", "16"),)
    assert objects["WRECKS"].attributes["VALSOU"] == (None,)
    assert objects["Generic"].attributes == {"OBJNAM": ("thing",), "ATTL9000": ("x",)}


@pytest.mark.parametrize("kept", ["soundings", "features", "attributes"])
def test_a_loss_in_reading_is_an_error(cell, tmp_path, monkeypatch, kept):
    honest = charts._layer

    def lossy(staged, name, base):
        numbers, geometry, columns = honest(staged, name, base)
        if name == "SOUNDG" and kept == "soundings":
            return numbers[1:], geometry[1:], {key: column[1:] for key, column in columns.items()}
        if name == "WRECKS" and kept == "features":
            return [], geometry[:0], {key: [] for key in columns}
        if name == "DEPARE" and kept == "attributes":
            columns["DRVAL1"] = [0.0]
        return numbers, geometry, columns

    monkeypatch.setattr(charts, "_layer", lossy)
    says = {
        "soundings": r"1 of its features did not come whole \(SOUNDG\)",
        "features": r"1 of its features did not come whole \(WRECKS\)",
        "attributes": rf"DEPARE, DRVAL1: the record of {lnam(1)} says 5\.4, GDAL 0\.0",
    }
    with pytest.raises(InputError, match=says[kept]):
        read(cell, tmp_path)


def test_a_number_that_is_none_is_an_error_not_zero(tmp_path):
    for n, text in enumerate(("shoal", "inf")):
        cell = write_cell(tmp_path / f"XX5TEST{n}.000", [("DEPARE", HOLED, {"DRVAL1": text})])
        with pytest.raises(InputError, match=r"DEPARE"):
            read(cell, tmp_path)


def test_a_reissue_holds_updates_already_and_takes_those_that_follow(tmp_path):
    cell = write_cell(tmp_path / "XX5TEST1.000", THINGS, update=2)
    stale = SimpleNamespace(**{**vars(cell), "update": 0})
    write_update(stale, delete=[1])  # .001, which the base holds already
    write_update(cell, delete=[5])  # .003
    header = read(cell, tmp_path).header
    assert (header.base_update, header.update) == (2, 3)
    ids = contents(read(cell, tmp_path))
    assert lnam(1) in ids
    assert lnam(5) not in ids


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"update": 2}, r"XX5TEST1\.002: is update 2; update 1 must come before it.*Put XX5TEST1\.001 beside"),
        ({"edition": 5}, r"XX5TEST1\.001: is for edition 5, and the cell beside it is edition 4\. Take edition 5"),
        ({"edition": 3}, r"is for edition 3, and the cell beside it is edition 4\. Remove it"),
        ({"edition": 0}, r"says that the cell is cancelled since 2026-04-09"),
        ({"name": "XX5OTHER.001"}, r"XX5TEST1\.001: says that it is of the cell XX5OTHER"),
    ],
)
def test_updates_that_do_not_follow_are_errors(cell, tmp_path, change, says):
    write_update(cell, delete=[5], issued="20260409", **change)
    with pytest.raises(InputError, match=says):
        read(cell, tmp_path)


def test_updates_that_do_not_fit_are_errors(cell, tmp_path):
    write_update(cell, delete=[5])
    second = write_update(cell, delete=[5], update=2)
    with pytest.raises(InputError, match=r"XX5TEST1\.002: does not fit .*feature record 5 is to be changed and is not"):
        read(second, tmp_path)
    older = SimpleNamespace(**{**vars(cell), "versions": {**cell.versions, 1: 6}})
    write_update(older, modify={1: {"DRVAL1": 1}}, update=2)
    with pytest.raises(InputError, match=r"feature record 1 is to become version 7 and has version 1"):
        read(second, tmp_path)
    write_update(cell, update=3, path=cell.base.with_suffix(".002"))
    with pytest.raises(InputError, match=r"XX5TEST1\.002: says that it is update 3, and its name says 2"):
        read(second, tmp_path)
    cell.base.with_suffix(".002").write_bytes(cell.base.read_bytes())
    with pytest.raises(InputError, match=r"XX5TEST1\.002: is not an update: it is a base cell"):
        read(second, tmp_path)


@pytest.mark.parametrize(
    ("facts", "says"),
    [
        ({"hdat": 1}, r"horizontal datum 1; only 2 \(WGS 84\)"),
        ({"duni": 2}, r"depths in unit 2; only 1 \(metres\)"),
        ({"scale": 0}, r"does not say its scale"),
        ({"name": "XX5OTHER.000"}, r"Give it its own name again: XX5OTHER\.000"),
        ({"issued": "20261341"}, r"damaged at byte"),
    ],
)
def test_a_header_that_cannot_be_used_is_an_error(tmp_path, facts, says):
    cell = write_cell(tmp_path / "XX5TEST1.000", THINGS, **facts)
    with pytest.raises(InputError, match=says):
        read(cell, tmp_path)


def test_a_place_that_is_not_in_the_cell_is_an_error(cell, tmp_path):
    whole = cell.base.read_bytes()
    pointer = chart_writer._name(chart_writer._EDGE, 2)  # the outer ring of the depth area
    at = whole.index(pointer + bytes([1, 1, 2]))
    cell.base.write_bytes(whole[:at] + chart_writer._name(chart_writer._EDGE, 999) + whole[at + 5 :])
    with pytest.raises(InputError, match=r"has 1 features whose place is not in it \(record 1 "):
        read(cell, tmp_path)


def test_a_file_cut_short_anywhere_is_an_error(cell, tmp_path):
    cell = write_update(cell, insert=THINGS[4:5])
    for path in cell.files:
        whole = path.read_bytes()
        for end in range(1, len(whole), max(1, len(whole) // 150)):
            path.write_bytes(whole[:end])
            with pytest.raises(InputError, match=rf"{path.name}: "):
                read(cell, tmp_path)
        # Even between two records, where every record that is left is whole.
        path.write_bytes(whole[: whole.rindex(b" D     ") - 5])
        with pytest.raises(InputError, match=r"it is cut short\. Download it again"):
            read(cell, tmp_path)
        path.write_bytes(whole)


def test_flipped_bytes_never_crash_and_never_lose_a_thing(cell):
    """GDAL is C++: in a process of its own, so that a crash would be seen."""
    script = """
import sys, random, warnings
warnings.simplefilter("error")
from pathlib import Path
from layers._errors import InputError
from layers.charts import CellFiles, read_cell
path = Path(sys.argv[1])
whole, rng = path.read_bytes(), random.Random(5)
files = CellFiles(path.stem, path, (), ())
errors = 0
for _ in range(150):
    spoilt = bytearray(whole)
    for _ in range(rng.choice((1, 1, 4))):
        spoilt[rng.randrange(len(whole))] = rng.randrange(256)
    path.write_bytes(spoilt)
    try:
        cell = read_cell(files)
        assert sum(len(set(one.ids)) for one in cell.objects.values()) == 6, cell
    except InputError:
        errors += 1
print(errors)
"""
    done = subprocess.run([sys.executable, "-c", script, cell.base], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (0, "")
    assert int(done.stdout) > 60


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (b"", "is empty"),
        (b"%PDF-1.7\n%\xe2\xe3\xcf\xd3\n1 0 obj\n<< /Type /Catalog >>\nendobj\n", "is not a chart file"),
        (np.random.default_rng(1).bytes(5000), "is not a chart file"),
        (b"00024", "is not a chart file"),
    ],
)
def test_what_is_no_chart_is_refused(tmp_path, content, says):
    path = tmp_path / "XX5TEST1.000"
    path.write_bytes(content)
    with pytest.raises(InputError, match=rf"XX5TEST1\.000: {says}"):
        read_cell(found(path, tmp_path))


def test_a_huge_file_is_refused_before_it_is_read(tmp_path):
    path = tmp_path / "XX5TEST1.000"
    with path.open("wb") as file:
        file.truncate(MOST_BYTES + 1)
    with pytest.raises(InputError, match="over 20 MB for a cell and its updates is refused"):
        read_cell(found(path, tmp_path))


def test_updates_count_towards_the_bound(cell, tmp_path, monkeypatch):
    write_update(cell)
    monkeypatch.setattr(charts, "MOST_BYTES", cell.base.stat().st_size + 100)
    with pytest.raises(InputError, match=r"XX5TEST1\.001: holds .* for a cell and its updates is refused"):
        read(cell, tmp_path)


def test_a_record_too_long_for_its_length_comes_whole(tmp_path):
    # ISO/IEC 8211 gives the length five digits; a longer record states 0.
    xy = np.column_stack([np.linspace(0, 1, 20_000), np.zeros(20_000)]).round(7)
    cell = write_cell(tmp_path / "XX5TEST1.000", [("COALNE", LineString(xy), {})])
    (line,) = read(cell, tmp_path).objects["COALNE"].geometry
    assert shapely.get_num_coordinates(line) == 20_000


def test_pointers_and_soundings_are_followed_through_updates(cell, tmp_path):
    """An update takes one sounding out and the holed area's inner ring."""
    update = write_update(cell)
    vrid = struct.pack("<BIHB", chart_writer._ISOLATED, 8, 2, 3)
    sgcc = struct.pack("<BHH", 2, 1, 1)
    frid = chart_writer._frid(1, THINGS[0], 2, 3)
    fspc = struct.pack("<BHH", 2, 2, 1)
    records = [
        chart_writer._record(("VRID", vrid), ("SGCC", sgcc)),
        chart_writer._record(("FRID", frid), ("FOID", chart_writer._foid(1)), ("FSPC", fspc)),
    ]
    head = chart_writer._dsid("XX5TEST1.001", (4, 1), ("        ", "20260401"), (1, 1))
    control = {
        "SGCC": ("1600;&   ", "CCUI!CCIX!CCNC", "(b11,2b12)"),
        "FSPC": ("1600;&   ", "FSUI!FSIX!NSPT", "(b11,2b12)"),
    }
    fields, parents = {**chart_writer._FIELDS, **control}, {**chart_writer._PARENTS, "SGCC": "VRID", "FSPC": "FRID"}
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(chart_writer, "_FIELDS", fields)
        patch.setattr(chart_writer, "_PARENTS", parents)
        chart_writer._write(update.files[1], [head, *records])
    after = read(update, tmp_path)
    assert shapely.get_z(after.objects["SOUNDG"].geometry).tolist() == [-1.2, 25.3]
    assert after.objects["DEPARE"].geometry[0].equals(box(0, 0, 1, 1))


def test_cells_are_found_from_a_base_an_update_a_folder_and_a_zip(cell, tmp_path):
    write_update(cell, delete=[5])
    (tmp_path / "XX000001.TXT").write_text("words")
    (tmp_path / "other.txt").write_text("words")
    (tmp_path / "CATALOG.031").write_bytes(b"a catalogue")
    packed = tmp_path / "set.zip"
    with zipfile.ZipFile(packed, "w") as archive:
        for path in (*tmp_path.glob("XX*"), tmp_path / "CATALOG.031"):
            archive.write(path, f"ENC_ROOT/XX5TEST1/{path.name}")
    expected = CellFiles(
        "XX5TEST1", cell.base, (cell.base.with_suffix(".001"),), (tmp_path / "XX000001.TXT", tmp_path / "other.txt")
    )
    for path in (cell.base, cell.base.with_suffix(".001"), tmp_path):
        assert found(path, tmp_path) == expected
    assert [path.name for path in read_cell(expected).files.texts] == ["XX000001.TXT"]
    scratch = tmp_path / "elsewhere"
    (unpacked,) = find_cells([packed], scratch)
    assert contents(read_cell(unpacked)) == contents(read_cell(expected))
    assert sorted(path.name for path in scratch.rglob("*.*")) == ["XX000001.TXT", "XX5TEST1.000", "XX5TEST1.001"]


def test_the_same_cell_counts_once_and_two_of_one_name_are_an_error(cell, tmp_path):
    (tmp_path / "again").mkdir()
    other = write_cell(tmp_path / "again" / "XX5TEST1.000", THINGS, edition=4)
    assert len(find_cells([tmp_path, cell.base, other.base], tmp_path / "scratch")) == 1
    write_update(other, delete=[5])
    (one,) = find_cells([cell.base, other.base], tmp_path / "scratch")
    assert [path.parent.name for path in one.updates] == ["again"]
    write_cell(other.base, THINGS[:1], edition=4)
    with pytest.raises(InputError, match=r"again/XX5TEST1\.000: is the same cell as .*with other contents"):
        find_cells([tmp_path], tmp_path / "scratch")


def test_nothing_found_says_what_was_looked_for(cell, tmp_path):
    bare = tmp_path / "bare"
    bare.mkdir()
    with pytest.raises(InputError, match=r"bare: holds no charts\. Looked 6 folders deep for chart cells \(IHO S-57"):
        find_cells([bare], tmp_path / "scratch")
    with zipfile.ZipFile(bare / "set.zip", "w") as archive:
        archive.write(cell.base, "XX5TEST1.pdf")
    with pytest.raises(InputError, match=r"Name the zip itself: 1 lie there"):
        find_cells([bare], tmp_path / "scratch")
    with pytest.raises(InputError, match=r"set\.zip: holds no charts\. Looked in the zip"):
        find_cells([bare / "set.zip"], tmp_path / "scratch")
    (bare / "link").symlink_to(tmp_path)
    (bare / "XX5TEST1.000").symlink_to(cell.base)
    with pytest.raises(InputError, match="holds no charts"):
        find_cells([bare], tmp_path / "scratch")
    update = bare / "XX5TEST2.001"
    update.write_bytes(b"x")
    (tmp_path / "chart.pdf").write_bytes(b"x")
    with pytest.raises(InputError) as caught:
        find_cells([update, tmp_path / "gone.000", tmp_path / "chart.pdf"], tmp_path / "scratch")
    told = str(caught.value)
    assert "is an update, and its base cell XX5TEST2.000 is not beside it" in told
    assert "gone.000: there is no such file" in told
    assert "chart.pdf: is not named like a chart cell" in told


def entry(name, *, link=False, encrypted=False):
    info = zipfile.ZipInfo("x")
    info.filename = name
    info.compress_type = zipfile.ZIP_DEFLATED
    if link:
        info.external_attr = 0o120777 << 16
    if encrypted:
        info.flag_bits |= 1
    return info


@pytest.mark.parametrize(
    ("bad", "content", "says"),
    [
        (entry("../XX5TEST2.000"), b"x", r"'\.\./XX5TEST2\.000' that climbs out of the zip"),
        (entry("a/..\\..\\XX5TEST2.000"), b"x", "climbs out of the zip"),
        (entry("/srv/XX5TEST2.000"), b"x", "names a place outside the zip"),
        (entry("C:\\XX5TEST2.000"), b"x", "names a place outside the zip"),
        (entry("XX5TEST2.000", link=True), b"/etc/passwd", "is a link"),
        (entry("xx5test1.000"), b"x", "twice"),
        (entry("XX5TEST2.000"), bytes(3_000_000), "is packed over 200 : 1"),
    ],
)
def test_unsafe_zips_are_refused_and_nothing_is_unpacked(cell, tmp_path, bad, content, says):
    packed, scratch = tmp_path / "set.zip", tmp_path / "scratch"
    with zipfile.ZipFile(packed, "w") as archive:
        archive.write(cell.base, "XX5TEST1.000")
        archive.writestr(bad, content)
    with pytest.raises(InputError, match=rf"set\.zip: .*{says}.*\. It was not unpacked"):
        find_cells([packed], scratch)
    assert not scratch.exists()


def test_zips_that_are_too_much_or_broken_are_refused(cell, tmp_path, monkeypatch):
    packed = tmp_path / "set.zip"
    with zipfile.ZipFile(packed, "w") as archive:
        archive.write(cell.base, "XX5TEST1.000")
        archive.writestr("XX000001.TXT", "words")
    whole = packed.read_bytes()
    encrypted = bytearray(whole)
    encrypted[encrypted.index(b"PK\x01\x02") + 8] |= 1
    for content, says in (
        (whole[:-30], "not a whole zip"),
        (bytes(encrypted), "is encrypted"),
        (b"", "not a whole zip"),
    ):
        packed.write_bytes(content)
        with pytest.raises(InputError, match=says):
            find_cells([packed], tmp_path / "scratch")
    packed.write_bytes(whole.replace(b"XX5TEST1.000", b"XX5TEST1.000", 1).replace(b"words", b"wards", 1))
    with pytest.raises(InputError, match=r"not a whole zip: Bad CRC-32"):
        find_cells([packed], tmp_path / "scratch")
    packed.write_bytes(whole)
    for bound, most, says in (
        ("MOST_ENTRIES", 1, "holds 2 entries"),
        ("MOST_ZIP_BYTES", 300, "MB are the most"),
        ("_MOST_DIRECTORY_BYTES", 40, "lists more than"),
    ):
        with monkeypatch.context() as patch:
            patch.setattr(chartfiles, bound, most)
            with pytest.raises(InputError, match=says):
                find_cells([packed], tmp_path / "scratch2")


@pytest.mark.realdata
@pytest.mark.skipif(not REAL.exists(), reason="the public data of ../shared/data is absent")
def test_the_real_cell_comes_whole_and_its_updates_change_what_their_records_say(tmp_path):
    (files,) = find_cells([DATA], tmp_path)
    cell, base = read_cell(files), read_cell(files, updates=False)
    header = cell.header
    assert (header.name, header.edition, header.update, header.issued) == ("US5MA11M", 31, 3, date(2016, 4, 27))
    assert (header.scale, header.horizontal_datum, header.sounding_datum, header.agency) == (10_000, 2, 12, 550)
    counts = {name: len(one.ids) for name, one in cell.objects.items()}
    # source: issue 5 and the data's README
    expected = {"DEPARE": 563, "DRGARE": 16, "DEPCNT": 1082, "SOUNDG": 4226, "RESARE": 6, "UNSARE": 3, "M_COVR": 2}
    assert {name: counts[name] for name in expected} == expected
    assert len(set(cell.objects["SOUNDG"].ids)) == 34
    assert sorted(map(str, cell.objects["RESARE"].attributes["RESTRN"])) == [
        "('16',)",
        *["('7',)"] * 2,
        *["('8',)"] * 3,
    ]
    # What differs is what the updates' own records name: features directly, others through a place that they share.
    before, after = Contents(), Contents()
    read_files = [read_chart_file(path) for path in (files.base, *files.updates)]
    apply(before, read_files[0])
    for file in read_files:
        apply(after, file)
    old, new = contents(base), contents(cell)
    differing = {key for key in old.keys() | new.keys() if old.get(key) != new.get(key)}
    named = {
        (after.features.get(number) or before.features[number]).lnam
        for number in before.features.keys() | after.features.keys()
        if after.features.get(number) != before.features.get(number)
    }
    moved = {name for name, state in before.vectors.items() if after.vectors.get(name) != state}
    through = {
        feature.lnam
        for feature in before.features.values()
        if any(feature.pointers[i : i + 5] in moved for i in range(0, len(feature.pointers), 8))
    }
    assert len(named) > 20
    assert differing <= named | through
    # Of those named, only some feature-to-feature pointers change nothing that is drawn.
    assert len(named - differing) <= 5
    gone = {one.lnam for n, one in before.features.items() if n not in after.features}
    come = {one.lnam for n, one in after.features.items() if n not in before.features}
    assert gone == old.keys() - new.keys()
    assert come == new.keys() - old.keys()
