from __future__ import annotations

import hashlib
import re
import subprocess
import sys
from datetime import date
from pathlib import Path

import pytest

from layers._errors import Finding, InputError
from layers.decisions import DecisionRecord, read_decisions, ruling
from layers.origins import Origins, changed_by_hand, read_origins
from layers.tables import Table

HASH = hashlib.sha256(b"made").hexdigest()
WHOLE = f"""
[[origin]]
name = "C1"
kind = "chart"
source = "an office"
edition = "3"
issued = 2026-02-01
scale = 20000

[[origin.file]]
file = "originals/C1/C1.000"
sha256 = "{HASH}"
kept = true

[[made]]
file = "chart-depth.gpkg"
name = "chart-depth.gpkg"
role = "depth"
sha256 = "{HASH}"
from = ["C1"]
features = 2
layer = {{ role = "depth", as_of = 2026-02-01 }}

[[asked]]
feature = "f1"
from = ["C1"]
"""


def area(folder: Path, text: str = WHOLE) -> Path:
    (folder / "originals" / "C1").mkdir(parents=True)
    (folder / "chart-depth.gpkg").write_bytes(b"made")
    (folder / "originals" / "C1" / "C1.000").write_bytes(b"made")
    (folder / "origins.toml").write_text(text)
    return folder


def test_an_area_made_by_hand_has_no_origins(tmp_path: Path) -> None:
    assert read_origins(tmp_path) == Origins()
    assert changed_by_hand(tmp_path) == ()


def test_a_file_tells_what_it_was_made_from(tmp_path: Path) -> None:
    origins = read_origins(area(tmp_path))
    (origin,) = origins.of("chart-depth.gpkg")
    assert (origin.name, origin.issued, origin.scale, origin.update) == ("C1", date(2026, 2, 1), 20000, "")
    assert origin.words == "C1, edition 3, issued 2026-02-01"
    assert origins.made[0].layer == {"role": "depth", "as_of": date(2026, 2, 1)}
    assert origins.of("my own.geojson") == ()


def test_what_was_changed_or_taken_away_is_told(tmp_path: Path) -> None:
    area(tmp_path)
    assert changed_by_hand(tmp_path) == ()
    (tmp_path / "chart-depth.gpkg").write_bytes(b"mend")
    (tmp_path / "originals" / "C1" / "C1.000").unlink()
    depth, original = changed_by_hand(tmp_path)
    assert depth.where.endswith("/chart-depth.gpkg")
    assert "was changed" in depth.what
    assert original.where.endswith("/originals/C1/C1.000")
    assert "is gone" in original.what


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ('file = "chart-depth.gpkg"', 'file = "../chart-depth.gpkg"', "made 1, key 'file'.*not a file of the area"),
        ('file = "chart-depth.gpkg"', 'file = "/etc/passwd"', "made 1, key 'file'.*not a file of the area"),
        ('file = "chart-depth.gpkg"', 'file = "area.toml"', "made 1, key 'file'.*not a file of the area"),
        ('file = "originals/C1/C1.000"', 'file = "originals/../../x"', "origin 1, file 1, key 'file'.*not a file"),
        ('from = ["C1"]\nfeatures', 'from = ["C2"]\nfeatures', r"made 1, key 'from'.*no \[\[origin\]\] named 'C2'"),
        ('from = ["C1"]\nfeatures', "features", "made 1, key 'from'.*is missing"),
        (f'sha256 = "{HASH}"\nkept', 'sha256 = "abc"\nkept', "origin 1, file 1, key 'sha256'.*not a SHA-256"),
        ('kind = "chart"', 'kind = "charts"', "origin 1, key 'kind'.*Did you mean 'chart'"),
        ("[[asked]]", "[[made]]", "made 2, key 'name'.*is missing"),
        ("scale = 20000", 'scale = "small"', "origin 1, key 'scale'.*whole number"),
        ('name = "C1"', 'name = "C1', "origins.toml: is not valid TOML"),
    ],
)
def test_broken_origins_name_file_and_key(tmp_path: Path, old: str, new: str, told: str) -> None:
    assert old in WHOLE
    area(tmp_path, WHOLE.replace(old, new, 1))
    with pytest.raises(InputError, match=f"(?s)origins.toml.*{told}|{told}"):
        read_origins(tmp_path)


def test_reading_needs_no_toml_writer_and_no_geometry_writer() -> None:
    code = (
        "import sys, layers.origins, layers.decisions; print([m for m in ('tomlkit', 'pyogrio') if m in sys.modules])"
    )
    told = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd="/")
    assert told.stdout.strip() == "[]"


def decisions(*rows: dict[str, object]) -> tuple[tuple[DecisionRecord, ...], list[Finding]]:
    found: list[Finding] = []
    return read_decisions(Table({"decision": list(rows)}, "area.toml", found), found), found


ASKED: dict[str, object] = {"feature": "f1", "name": "Zone", "says": "fishing restricted", "state": "s1"}
DECIDED = {"decided": date(2026, 3, 1), "why": "read 7.1"}


@pytest.mark.parametrize(
    ("said", "state", "data", "holds", "words"),
    [
        ({"forbids": "fishing"}, "s1", "fishing", "fishing", "not decided yet, so fishing is forbidden"),
        ({"forbids": "nothing", **DECIDED}, "s1", "fishing", "nothing", "set aside on 2026-03-01: read 7.1"),
        (
            {"forbids": "fishing", **DECIDED},
            "s1",
            "entry",
            "fishing",
            "decided that fishing is forbidden on 2026-03-01",
        ),
        ({"forbids": "fishing", **DECIDED}, "s1", "fishing", "fishing", "confirmed on 2026-03-01"),
        ({"forbids": "entry"}, "s1", "fishing", "entry", "not decided yet, so entry is forbidden"),
        ({"forbids": "nothing", **DECIDED}, "s2", "fishing", "fishing", "the data has changed.*decide again"),
        ({"forbids": "entry", **DECIDED}, "s2", "fishing", "entry", "the data has changed"),
    ],
)
def test_what_holds(said: dict[str, object], state: str, data: str, holds: str, words: str) -> None:
    records, found = decisions({**ASKED, **said})
    assert found == []
    held, told = ruling(records, "f1", state, data)
    assert held == holds
    assert re.search(words, told)


def test_what_nobody_was_asked_about_stays_as_the_data_says() -> None:
    records, _ = decisions({**ASKED, "forbids": "nothing", **DECIDED})
    assert ruling(records, "f2", "s1", "entry") == ("entry", "")
    assert ruling(records, "", "s1", "fishing") == ("fishing", "")


@pytest.mark.parametrize(("weak", "data"), [("nothing", "fishing"), ("nothing", "entry"), ("fishing", "entry")])
def test_a_weaker_ban_needs_a_day_and_a_reason(weak: str, data: str) -> None:
    records, found = decisions({**ASKED, "forbids": weak})
    assert found == []
    with pytest.raises(
        InputError, match=rf"area.toml, decision 1, key 'forbids'.*Write decided = .*why = .*\"{data}\""
    ):
        ruling(records, "f1", "s1", data)


def test_half_a_decision_and_two_of_one_feature_are_told() -> None:
    _, found = decisions(
        {**ASKED, "forbids": "nothing", "why": "so"},
        {**ASKED, "forbids": "nothing", "decided": date(2026, 3, 1)},
        {**ASKED, "feature": "f2", "forbids": "all", "because": "x"},
    )
    told = "\n".join(map(str, found))
    assert "decision 1, key 'decided': is missing" in told
    assert "decision 2, key 'why': is missing" in told
    assert "decision 3, key 'forbids': 'all' is not one of nothing, fishing, entry" in told
    assert "decision 3, key 'because': is not a key that is known here" in told
    assert "decision 2: feature 'f1' has another [[decision]]" in told
