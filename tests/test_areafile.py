from __future__ import annotations

import json
import os
import resource
import subprocess
import sys
import tomllib
from collections.abc import Callable
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import pyogrio
import pytest
import shapely

from layers import staging
from layers._errors import Finding, InputError
from layers.area import open_area
from layers.areafile import Changes, NewArea, write_made
from layers.made import Decision, Made, MadeFile, MadeLayer, Origin
from layers.madefiles import plain_name, write_layer
from layers.model import Show
from layers.origins import changed_by_hand, read_origins
from tests.small_area import SmallArea

NEW = NewArea('The "Test" Sound', "Etc/GMT+10", "MLLW", Show("ft", "NM", "kn"))
BOX = shapely.box(-153.02, 47.80, -152.98, 47.86)
SQUARE = shapely.Polygon([(-153.01, 47.82), (-153.01, 47.83), (-153.0 - 1 / 3e3, 47.83), (-153.0, 47.82)])
DEEP = {"form": "areas", "values": "depth", "unit": "m", "contours": "chart-contours.gpkg"}
ASK = Decision("f1", "Zone 1", "RESTRN 8: fishing restricted", "fishing", "s1")


def cell(folder: Path, name: str = "C1", edition: str = "3", update: str = "2", day: int = 1) -> Origin:
    """An original on disk, and what it says of itself."""
    folder.mkdir(parents=True, exist_ok=True)
    file = folder / f"{name}.000"
    file.write_bytes(f"{name} {edition} {update}".encode())
    issued = date(2026, 2, day)
    return Origin(name, "chart", (file,), "an office", edition, update, issued=issued, scale=20_000)


def layers_of(names: tuple[str, ...], shape: Any = BOX, drval1: float | None = 10.0) -> tuple[MadeLayer, ...]:
    """A depth layer with a hole of unknown water, the contours it names, hazards and a closure to decide about."""
    two = np.array([shape, SQUARE], dtype=object)
    depth = {"drval1": [drval1, None], "drval2": [20, 30.5], "zoc": ["B", None]}
    lines = np.array([shapely.LineString([(-153.02, 47.81), (-152.98, 47.81)])], dtype=object)
    one = np.array([SQUARE], dtype=object)
    rule = {
        "name": ["Zone 1"],
        "forbids": ["fishing"],
        "from": ["01-01"],
        "until": ["12-31"],
        "margin_m": [1 / 3],
        "id": ["f1"],
        "state": ["s1"],
    }
    return (
        MadeLayer("depth", "chart-depth", two, depth, names, DEEP),
        MadeLayer(None, "chart-contours", lines, {"valdco": [10.0]}, names),
        MadeLayer("hazard", "chart-hazards", one, {"name": ["rock"], "kind": ["rock"], "margin_m": [None]}, names),
        MadeLayer("closure", "chart-closures", one, {**rule, "says": ["RESTRN 8"]}, names),
    )


def chart(folder: Path, *decisions: Decision, **of_cell: Any) -> Made:
    origin = cell(folder, **of_cell)
    return Made((origin,), layers_of((origin.name,)), decisions=decisions)


def survey(folder: Path) -> Made:
    SmallArea(half_m=500.0).write(folder)
    origin = Origin("F1", "survey", (folder / "depth.tif",), "a survey", as_of=date(2026, 1, 5))
    keys = {"form": "grid", "values": "depth", "unit": "m"}
    return Made((origin,), files=(MadeFile("depth", folder / "depth.tif", ("F1",), keys),))


def bytes_of(folder: Path) -> dict[str, bytes]:
    return {str(one.relative_to(folder)): one.read_bytes() for one in sorted(folder.rglob("*")) if one.is_file()}


@pytest.fixture
def area(tmp_path: Path) -> Path:
    write_made(tmp_path / "sound", chart(tmp_path / "in", ASK), new=NEW)
    return tmp_path / "sound"


def test_what_was_found_is_kept_until_the_same_data_comes_anew(tmp_path: Path) -> None:
    found = Finding("C1", "a maintained depth is old.", "Ask the harbor.", "warning")
    write_made(tmp_path / "sound", replace(chart(tmp_path / "in", ASK), findings=(found,)), new=NEW)
    (note,) = read_origins(tmp_path / "sound").notes
    assert (note.where, note.what, note.remedy, note.origins) == (found.where, found.what, found.remedy, ("C1",))
    write_made(tmp_path / "sound", survey(tmp_path / "survey"))
    assert read_origins(tmp_path / "sound").notes == (note,)
    write_made(tmp_path / "sound", chart(tmp_path / "new", ASK, edition="4", day=9), refresh=True)
    assert read_origins(tmp_path / "sound").notes == ()


def test_a_new_area_opens_and_says_where_it_came_from(tmp_path: Path) -> None:
    folder = tmp_path / "far" / "sound"
    changes = write_made(folder, chart(tmp_path / "in", ASK), new=NEW)
    opened = open_area(folder)
    assert (opened.name, opened.depth_datum, opened.show) == (NEW.name, "MLLW", NEW.show)
    assert [(rule.name, rule.forbids) for rule in opened.closures] == [("Zone 1", "fishing")]
    assert [(source.file, source.as_of) for source in opened.sources] == [
        ("chart-depth.gpkg", date(2026, 2, 1)),
        ("chart-hazards.gpkg", date(2026, 2, 1)),
        ("chart-closures.geojson", date(2026, 2, 1)),
    ]
    (origin,) = read_origins(folder).of("chart-contours.gpkg")
    assert (origin.name, origin.edition, origin.files[0].file) == ("C1", "3", "originals/C1/C1.000")
    assert (folder / "originals" / "C1" / "C1.000").read_bytes() == b"C1 3 2"
    assert changed_by_hand(folder) == ()
    assert changes.lines() == (
        "added: chart-depth.gpkg (depth): 2 features",
        "added: chart-contours.gpkg: 1 feature",
        "added: chart-hazards.gpkg (hazard): 1 feature",
        "added: chart-closures.geojson (closure): 1 feature",
        "to decide: Zone 1 (f1): RESTRN 8: fishing restricted; fishing is forbidden until you decide",
    )
    assert [one.name for one in folder.parent.iterdir()] == ["sound"]


def test_area_toml_reads_as_a_person_would_write_it(area: Path) -> None:
    text = (area / "area.toml").read_text()
    assert "NOT FOR NAVIGATION" in text
    assert text.index('write\n# "nothing" in the next line') < text.index('forbids = "fishing"')
    told = tomllib.loads(text)
    assert list(told) == ["name", "timezone", "depth_datum", "show", "layer", "decision"]
    assert told["layer"][0] == {
        "role": "depth",
        "file": "chart-depth.gpkg",
        **DEEP,
        "as_of": date(2026, 2, 1),
        "source": "an office",
    }
    asked = {"feature": "f1", "name": "Zone 1", "says": ASK.says, "state": "s1", "forbids": "fishing"}
    assert told["decision"] == [asked]
    assert "\n\n[[layer]]\n" in text
    assert "\n\n[[decision]]\n" in text


def test_attributes_come_back_to_the_last_bit(tmp_path: Path) -> None:
    shapes = np.array([shapely.Point(1 / 3, 2 / 3, 4.2), shapely.Point(-170.1, 1e-7, 5.0)], dtype=object)
    said = {
        "depth": [1 / 3, None],
        "n": [7, None],
        "ok": [True, None],
        "words": [None, "a\nb'\""],
        "margin_m": [None] * 2,
    }
    write_layer(MadeLayer(None, "x", shapes, said, ()), tmp_path / "x.gpkg")
    meta, _, wkb, data = pyogrio.raw.read(tmp_path / "x.gpkg")
    columns = dict(zip(meta["fields"].tolist(), data, strict=True))
    assert meta["crs"] == "EPSG:4326"
    assert columns["depth"][0] == 1 / 3
    assert [np.isnan(columns[name]).tolist() for name in ("depth", "n", "ok")] == [[False, True]] * 3
    assert (columns["n"][0], columns["ok"][0], columns["words"].tolist()) == (7, 1, [None, "a\nb'\""])
    assert columns["margin_m"].dtype == np.float64  # no value at all, and yet a number
    assert shapely.from_wkb(wkb).tolist() == shapes.tolist()
    with pytest.raises(ValueError, match="mixed: values of int, str in one attribute"):
        write_layer(MadeLayer(None, "y", shapes, {"mixed": [1, "a"]}, ()), tmp_path / "y.gpkg")


def test_closures_are_rfc_7946_with_every_attribute_that_they_may_have(area: Path) -> None:
    told = json.loads((area / "chart-closures.geojson").read_text())
    (one,) = told["features"]
    contract = ["name", "forbids", "species", "methods", "from", "until", "days", "hours", "margin_m", "rule"]
    assert list(one["properties"])[: len(contract)] == contract
    assert one["properties"]["species"] is None
    assert (one["properties"]["margin_m"], one["properties"]["says"]) == (1 / 3, "RESTRN 8")
    ring = shapely.geometry.shape(one["geometry"]).exterior
    assert ring.is_ccw
    assert set(ring.coords) == set(SQUARE.exterior.coords)
    assert "crs" not in told


def test_the_same_input_gives_the_same_bytes_on_another_day(tmp_path: Path) -> None:
    write_made(tmp_path / "a", chart(tmp_path / "in", ASK), new=NEW)
    code = (
        "import sys; from pathlib import Path; from tests.test_areafile import *;"
        "write_made(Path(sys.argv[1]), chart(Path(sys.argv[2]), ASK), new=NEW, check=lambda folder: None)"
    )
    # Another process, another folder, and another day to GDAL unless the writer says which.
    env = {**os.environ, "OGR_CURRENT_DATE": "2031-01-01T00:00:00.000Z", "PYTHONPATH": str(Path(__file__).parents[1])}
    subprocess.run([sys.executable, "-c", code, tmp_path / "b", tmp_path / "in"], check=True, env=env, cwd=tmp_path)
    assert bytes_of(tmp_path / "a") == bytes_of(tmp_path / "b")
    assert b"2031" not in (tmp_path / "b" / "chart-depth.gpkg").read_bytes()


PERSONS = """# my notes stay
name = "Mine"   # and this
timezone = "Etc/GMT+10"
depth_datum = "MLLW"
color = "blue"

# the best bottom there is
[[layer]]
role = "depth"
file = "chart-depth.gpkg"  # a clash of names
form = "areas"
values = "depth"
unit = "m"
as_of = 2025-01-01
source = "me"
# the end
"""


def test_an_area_made_by_hand_is_added_to_and_loses_nothing(tmp_path: Path) -> None:
    folder = tmp_path / "mine"
    folder.mkdir()
    (folder / "notes").mkdir()
    (folder / "notes" / "a.txt").write_text("keep")
    (folder / "chart-depth.gpkg").write_bytes(b"mine")
    (folder / "area.toml").write_bytes(PERSONS.replace("\n", "\r\n").encode())
    changes = write_made(folder, chart(tmp_path / "in"), check=lambda _: None)
    text = (folder / "area.toml").read_bytes().decode()
    assert text.startswith(PERSONS.replace("\n", "\r\n"))
    assert text.count("\n") == text.count("\r\n")
    assert [one["file"] for one in tomllib.loads(text)["layer"]] == [
        "chart-depth.gpkg",
        "chart-depth-2.gpkg",
        "chart-hazards.gpkg",
        "chart-closures.geojson",
    ]
    assert (folder / "chart-depth.gpkg").read_bytes() == b"mine"
    assert (folder / "notes" / "a.txt").read_text() == "keep"
    assert (folder / "area.toml.before").read_bytes().decode() == PERSONS.replace("\n", "\r\n")
    assert changes.notes == ("area.toml as it was is kept as area.toml.before.",)


def test_a_refresh_replaces_what_was_made_and_keeps_what_a_person_wrote(tmp_path: Path, area: Path) -> None:
    file = area / "area.toml"
    text = file.read_text().replace('unit = "m"', 'unit = "m"\nrank = 3  # mine', 1)
    text = text.replace('source = "an office"', 'source = "the office, by me"', 1)
    decided = text.replace('forbids = "fishing"', 'forbids = "nothing"\ndecided = 2026-03-01\nwhy = "read it"')
    file.write_text(decided + '\n[[decision]]\nfeature = "own"\nforbids = "entry"\nstate = "x"\n')
    newer = cell(tmp_path / "in", edition="4", update="0", day=9)
    layers = [one for one in layers_of(("C1",), drval1=12.0) if one.role != "hazard"]
    changes = write_made(area, Made((newer,), tuple(layers), decisions=(ASK,)), refresh=True)
    assert [str(one) for one in changes.replaced] == ["chart-depth.gpkg (depth): 2 → 2 features"]
    assert [one.file for one in changes.kept] == ["chart-contours.gpkg", "chart-closures.geojson"]
    assert [str(one) for one in changes.removed] == ["chart-hazards.gpkg (hazard): 1 feature"]
    assert not (area / "chart-hazards.gpkg").exists()
    depth, closure = tomllib.loads(file.read_text())["layer"]
    assert (depth["rank"], depth["source"], depth["as_of"]) == (3, "the office, by me", date(2026, 2, 9))
    assert closure["file"] == "chart-closures.geojson"
    assert "rank = 3  # mine" in file.read_text()
    assert changes.decisions_kept == ("Zone 1 (f1): RESTRN 8: fishing restricted; nothing, 2026-03-01: read it",)
    assert 'why = "read it"' in file.read_text()
    assert 'feature = "own"' in file.read_text()
    assert "chart-depth.gpkg: source stays as you wrote it in area.toml." in changes.notes
    assert (area / "originals" / "C1" / "C1.000").read_bytes() == b"C1 4 0"
    assert read_origins(area).named("C1").edition == "4"  # type: ignore[union-attr]
    assert open_area(area).closures == ()
    again = write_made(area, Made((newer,), tuple(layers), decisions=(ASK,)), refresh=True)
    assert [one.file for one in again.kept] == ["chart-depth.gpkg", "chart-contours.gpkg", "chart-closures.geojson"]
    assert not any("before" in note for note in again.notes)


def test_a_decision_about_other_data_is_reopened_and_remembered(tmp_path: Path, area: Path) -> None:
    file = area / "area.toml"
    file.write_text(
        file.read_text().replace('forbids = "fishing"', 'forbids = "nothing"\ndecided = 2026-03-01\nwhy = "so"  # me')
    )
    changed = replace(ASK, state="s2", forbids="entry", says="RESTRN 7")
    changes = write_made(area, chart(tmp_path / "in", changed), refresh=True)
    (one,) = tomllib.loads(file.read_text())["decision"]
    assert one == {
        "feature": "f1",
        "name": "Zone 1",
        "says": "RESTRN 7",
        "state": "s2",
        "forbids": "entry",
        "before": "nothing, 2026-03-01: so",
    }
    (told,) = changes.decisions_reopened
    assert "entry is forbidden until then (you had decided: nothing, 2026-03-01: so)" in told
    stronger = replace(ASK, state="s3")
    write_made(area, chart(tmp_path / "in", stronger), refresh=True)
    assert tomllib.loads(file.read_text())["decision"][0]["forbids"] == "entry"


def test_what_the_data_asks_no_more_goes_only_with_a_refresh(tmp_path: Path, area: Path) -> None:
    other = Decision("f9", "Zone 9", "says", "entry", "s")
    both = Made((*chart(tmp_path / "in").origins, cell(tmp_path / "in2", "C2")), layers_of(("C1", "C2")), (), (other,))
    added = write_made(area, both)
    assert [one["feature"] for one in tomllib.loads((area / "area.toml").read_text())["decision"]] == ["f1", "f9"]
    assert "f1" in added.decisions_gone[0]
    gone = write_made(area, both, refresh=True)
    assert [one["feature"] for one in tomllib.loads((area / "area.toml").read_text())["decision"]] == ["f9"]
    assert gone.decisions_gone == ("Zone 1 (f1): the data asks no more; it was not decided",)
    assert write_made(area, both, refresh=True).decisions_gone == ()


def test_a_file_changed_by_hand_stops_a_refresh(tmp_path: Path, area: Path) -> None:
    file = area / "chart-closures.geojson"
    mine = file.read_text().replace("Zone 1", "My Zone")
    file.write_text(mine)
    before = bytes_of(area)
    with pytest.raises(
        InputError, match=r"sound/chart-closures.geojson: was changed .* layer of your own, or use force"
    ):
        write_made(area, chart(tmp_path / "in"), refresh=True)
    assert bytes_of(area) == before
    changes = write_made(area, chart(tmp_path / "in"), refresh=True, force=True)
    assert (area / "chart-closures.geojson.before").read_text() == mine
    assert "Zone 1" in file.read_text()
    assert any("kept as chart-closures.geojson.before" in note for note in changes.notes)


def older(tmp_path: Path, **of_cell: Any) -> Callable[[Path], Changes]:
    return lambda area: write_made(area, chart(tmp_path / "in", **of_cell), refresh=True)


@pytest.mark.parametrize(
    ("write", "told"),
    [
        (
            lambda tmp, area: write_made(area, chart(tmp / "in")),
            r"C1: is already in this area \(C1, edition 3.*--refr",
        ),
        (lambda tmp, area: older(tmp, edition="2")(area), "edition 2, older than the area's edition 3"),
        (lambda tmp, area: older(tmp, update="1")(area), "update 1, older than the area's update 2"),
        (lambda tmp, area: write_made(area, chart(tmp / "in"), new=NEW), "is an area already: 'The \"Test\" Sound'"),
        (lambda tmp, area: write_made(area / "no", chart(tmp / "in")), "holds no area.toml"),
        (
            lambda tmp, area: write_made(area / "area.toml", chart(tmp / "in"), new=NEW),
            "is a file; an area is a folder",
        ),
        (
            lambda tmp, area: write_made(
                area, replace(chart(tmp / "in"), origins=(replace(cell(tmp / "in"), kind="regulation"),)), refresh=True
            ),
            "this regulation has the name of a chart",
        ),
    ],
)
def test_refusals_change_nothing(tmp_path: Path, area: Path, write: Callable[[Path, Path], object], told: str) -> None:
    before = bytes_of(area)
    with pytest.raises(InputError, match=told):
        write(tmp_path, area)
    assert bytes_of(area) == before
    assert sorted(one.name for one in tmp_path.iterdir()) == ["in", "sound"]


def test_what_was_made_together_is_refreshed_together(tmp_path: Path, area: Path) -> None:
    both = Made((*chart(tmp_path / "in").origins, cell(tmp_path / "in2", "C2")), layers_of(("C1", "C2")))
    write_made(area, both)
    with pytest.raises(InputError, match=r"chart-depth\.gpkg: was made from C2 too\. Refresh all of them together"):
        write_made(area, chart(tmp_path / "in"), refresh=True)


def test_an_area_that_does_not_open_is_not_written(tmp_path: Path, area: Path) -> None:
    broken = layers_of(("C1",), shapely.Point(0, 0))
    before = bytes_of(area)
    with pytest.raises(InputError, match=r"sound/area\.toml, layer 1"):
        write_made(area, Made((cell(tmp_path / "in"),), broken), refresh=True)
    assert bytes_of(area) == before
    with pytest.raises(InputError, match="depth"):
        write_made(tmp_path / "x" / "y", Made((cell(tmp_path / "in"),), broken[3:]), new=NEW)
    assert sorted(one.name for one in tmp_path.iterdir()) == ["in", "sound"]


def test_a_survey_is_its_own_original(tmp_path: Path, area: Path) -> None:
    changes = write_made(area, survey(tmp_path / "survey"))
    assert [str(one) for one in changes.added] == ["depth.tif (depth)"]
    (origin,) = read_origins(area).of("depth.tif")
    assert [(one.file, one.kept) for one in origin.files] == [("depth.tif", True)]
    assert not (area / "originals" / "F1").exists()
    last = tomllib.loads((area / "area.toml").read_text())["layer"][-1]
    assert last | {} == {
        "role": "depth", "file": "depth.tif", "form": "grid", "values": "depth", "unit": "m",
        "as_of": date(2026, 1, 5), "source": "a survey",
    }  # fmt: skip
    text = (area / "area.toml").read_text().replace('file = "depth.tif"', 'file = "depth.tif"\nrank = 2')
    (area / "area.toml").write_text(text)
    made = survey(tmp_path / "survey")
    (tmp_path / "survey" / "depth.tif").rename(tmp_path / "survey" / "better.tif")
    path = tmp_path / "survey" / "better.tif"
    made = Made((replace(made.origins[0], files=(path,)),), files=(replace(made.files[0], path=path),))
    write_made(area, made, refresh=True)
    last = tomllib.loads((area / "area.toml").read_text())["layer"][-1]
    assert (last["file"], last["rank"]) == ("better.tif", 2)
    assert not (area / "depth.tif").exists()


@pytest.mark.parametrize("limit", [2_000, 60_000])
def test_a_full_disk_leaves_the_folder_as_it_was(tmp_path: Path, area: Path, limit: int) -> None:
    before = bytes_of(area)
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    made = chart(tmp_path / "in", edition="4")
    made.origins[0].files[0].write_bytes(b"x" * 1_000)
    resource.setrlimit(resource.RLIMIT_FSIZE, (limit, hard))  # as a disk that holds no more
    try:
        with pytest.raises(InputError, match="cannot be written"):
            write_made(area, made, refresh=True)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
    assert bytes_of(area) == before
    assert sorted(one.name for one in tmp_path.iterdir()) == ["in", "sound"]


def test_a_crash_between_the_renames_leaves_the_old_area(
    tmp_path: Path, area: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = bytes_of(area)
    code = (
        "import os, sys; from pathlib import Path; from tests.test_areafile import *;"
        "real = Path.rename\n"
        "def rename(self, target):\n"
        "    if Path(target).name == 'sound': os._exit(9)\n"
        "    return real(self, target)\n"
        "Path.rename = rename\n"
        "write_made(Path(sys.argv[1]), chart(Path(sys.argv[2]), edition='4'), refresh=True)"
    )
    env = {**os.environ, "PYTHONPATH": str(Path(__file__).parents[1])}
    done = subprocess.run([sys.executable, "-c", code, area, tmp_path / "in"], check=False, env=env, cwd=tmp_path)
    assert done.returncode == 9
    assert not area.exists()
    assert staging.recovered(area)
    assert bytes_of(area) == before
    monkeypatch.setattr(Path, "rename", _failing_on("sound", Path.rename))
    with pytest.raises(InputError, match="it is as it was"):
        write_made(area, chart(tmp_path / "in", edition="4"), refresh=True)
    assert bytes_of(area) == before


def _failing_on(name: str, real: Callable[..., Path]) -> Callable[..., Path]:
    def rename(self: Path, target: Path) -> Path:
        if Path(target).name == name and self.parent.suffix == ".part":
            raise PermissionError(13, "Permission denied")
        return real(self, target)

    return rename


def test_another_hand_at_work_meanwhile_keeps_its_change(tmp_path: Path, area: Path) -> None:
    def meddle(_: Path) -> None:
        (area / "area.toml").write_text("# saved meanwhile\n")

    with pytest.raises(InputError, match="changed by another program"):
        write_made(area, chart(tmp_path / "in", edition="4"), refresh=True, check=meddle)
    assert (area / "area.toml").read_text() == "# saved meanwhile\n"


def test_the_folder_one_works_in_is_not_replaced(tmp_path: Path, area: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(area)
    with pytest.raises(InputError, match="folder you are working in"):
        write_made(Path(), chart(tmp_path / "in", edition="4"), refresh=True)


@pytest.mark.parametrize(
    ("name", "plain"),
    [
        ("../../etc/passwd", "etc-passwd"),
        ("C:\\x\x1b[31m\n", "C-x-31m"),
        (".", "layer"),
        ("..", "layer"),
        ("", "layer"),
        ("area.toml", "layer-area.toml"),
        ("con.gpkg", "layer-con.gpkg"),
        ("Zone ½ – nord", "Zone-½-nord"),
    ],
)
def test_names_from_data_stay_inside_the_folder(name: str, plain: str) -> None:
    assert plain_name(name) == plain
    assert plain_name(plain_name(name)) == plain


def test_names_of_data_do_not_climb_out_or_print_escapes(tmp_path: Path) -> None:
    origin = replace(cell(tmp_path / "in"), name="../\x1b[2J" + "ü" * 400)
    layers = tuple(replace(one, origins=(origin.name,)) for one in layers_of(("C1",)))
    ask = replace(ASK, name='A\x1b[2J\n[[layer]] "', feature="f\n1")
    changes = write_made(tmp_path / "sound", Made((origin,), layers, (), (ask,)), new=NEW)
    assert all(line.isprintable() for line in changes.lines())
    (kept,) = (tmp_path / "sound" / "originals").iterdir()
    assert len(kept.name.encode()) <= 80
    assert tomllib.loads((tmp_path / "sound" / "area.toml").read_text())["decision"][0]["name"] == ask.name
    assert read_origins(tmp_path / "sound").origins[0].name == origin.name


def test_comments_after_a_layer_that_goes_stay(tmp_path: Path, area: Path) -> None:
    file = area / "area.toml"
    parts = file.read_text().split("\n[[layer]]\n")
    file.write_text("\n[[layer]]\n".join([parts[0], parts[1], parts[2] + "# about the zone\n", parts[3]]))
    layers = tuple(one for one in layers_of(("C1",)) if one.role != "hazard")
    write_made(area, Made((cell(tmp_path / "in"),), layers, (), (ASK,)), refresh=True)
    text = file.read_text()
    assert text.index("# about the zone") < text.index('"chart-closures.geojson"')
    assert text.index("# about the zone") > text.index('"chart-depth.gpkg"')
    assert "hazard" not in text.split("[[layer]]", 1)[1]


def test_a_link_out_of_the_area_is_not_followed(tmp_path: Path, area: Path) -> None:
    (area / "originals").rename(tmp_path / "elsewhere")
    (area / "originals").symlink_to(tmp_path / "elsewhere")
    with pytest.raises(InputError, match=r"originals/C1/C1\.000: leads through a link out of the area"):
        write_made(area, chart(tmp_path / "in", edition="4"), refresh=True)
    assert (tmp_path / "elsewhere" / "C1" / "C1.000").read_bytes() == b"C1 3 2"


def test_as_of_is_the_oldest_of_the_origins_and_sources_are_joined(tmp_path: Path) -> None:
    other = replace(cell(tmp_path / "in", "C2", day=20), source="another office", as_of=date(2026, 1, 3))
    made = Made((cell(tmp_path / "in"), other), layers_of(("C1", "C2")))
    write_made(tmp_path / "sound", made, new=NEW)
    depth = tomllib.loads((tmp_path / "sound" / "area.toml").read_text())["layer"][0]
    assert (depth["as_of"], depth["source"]) == (date(2026, 1, 3), "an office; another office")
