"""S-104 and S-111 files brought in: what is kept of where they came from, their keys, and what is refused."""

from __future__ import annotations

import subprocess
import sys
from datetime import date
from pathlib import Path

import h5py
import numpy as np
import pytest

from layers import watermade
from layers._errors import InputError
from layers.watermade import looks_like_water, water_made
from tests.coverage_writer import FLOW, LEVEL, records, s100py_level, write_grids, write_stations

LON, LAT = -157.0 + 0.02 * np.arange(4), 46.8 + 0.01 * np.arange(3)
FIELD = np.random.default_rng(3).uniform(0, 2, (3, 3, 4)).round(2)


def write_level(file: Path) -> Path:
    return s100py_level(file, "2.0", LON, LAT, FIELD)


def write_flow_stations(file: Path) -> Path:
    told = records(FLOW, FIELD[:, 0, 0], 100 * FIELD[:, 1, 1])
    return write_stations(file, "INT.IHO.S-111.1.2", [("Kelp Bay", -157.0, 46.8, told)])


def test_water_level(tmp_path: Path) -> None:
    file = write_level(tmp_path / "sound.h5")
    made = water_made(file)
    (origin,), (layer,) = made.origins, made.files
    assert (origin.name, origin.kind, origin.files, origin.edition) == ("sound", "water level", (file,), "2.0")
    assert (origin.issued, origin.as_of) == (date(2026, 8, 13), date(2026, 8, 13))
    assert origin.source == (
        "IHO S-104 water level; an invented sound; an invented model; 2026-08-14 12:00Z to 2026-08-14 14:00Z"
    )
    assert (layer.role, layer.path, layer.origins, dict(layer.keys)) == ("tide", file, ("sound",), {"datum": "MLLW"})
    told = [str(one) for one in made.findings]
    assert "tells 2026-08-14 12:00Z to 2026-08-14 14:00Z" in told[0]
    assert "uncertain by 0.15 m" in told[1]
    with pytest.raises(InputError, match="tells water level, which has no reach"):
        water_made(file, reach="2 NM")


def test_current_on_a_grid_and_at_stations(tmp_path: Path) -> None:
    grid = write_grids(tmp_path / "grid.h5", "INT.IHO.S-111.1.2", [(LON, LAT, records(FLOW, FIELD, 50 * FIELD))])
    made = water_made(grid)
    assert (made.origins[0].kind, made.origins[0].edition) == ("current", "1.2")
    assert (made.files[0].role, dict(made.files[0].keys)) == ("current", {})
    with pytest.raises(InputError, match="is a grid, which is known to its edge"):
        water_made(grid, reach="2 NM")
    stations = write_flow_stations(tmp_path / "stations.h5")
    with pytest.raises(InputError, match=r"tells current at 1 stations and not how far .*reach = "):
        water_made(stations)
    with pytest.raises(InputError, match="reach"):
        water_made(stations, reach="2")
    assert dict(water_made(stations, reach="2 NM").files[0].keys) == {"reach": "2 NM"}


def test_what_looks_like_water(tmp_path: Path) -> None:
    level = write_level(tmp_path / "level.h5")
    with h5py.File(tmp_path / "other.h5", "w") as root:
        root.create_group("BathymetryCoverage")
    (tmp_path / "text.h5").write_text("no")
    (tmp_path / "cut.h5").write_bytes(level.read_bytes()[:3000])
    named = tmp_path / "level.bin"
    named.write_bytes(level.read_bytes())
    assert looks_like_water(level)
    assert looks_like_water(named)
    assert looks_like_water(write_flow_stations(tmp_path / "flow.h5"))
    for name in ("other.h5", "text.h5", "cut.h5", "missing.h5"):
        assert not looks_like_water(tmp_path / name)
        with pytest.raises(InputError, match="is neither S-104 nor S-111"):
            water_made(tmp_path / name)
    with pytest.raises(InputError, match=r"does not end in \.h5"):
        water_made(named)


def test_a_file_that_hangs_the_library(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    file = write_level(tmp_path / "level.h5")
    monkeypatch.setattr(watermade, "_LONGEST_TRY_S", 1)
    monkeypatch.setattr(watermade, "_TRY", "import time; time.sleep(60)")
    with pytest.raises(InputError, match="the HDF5 library does not come to an end"):
        water_made(file)
    monkeypatch.setattr(watermade, "_TRY", "import os, signal; os.kill(os.getpid(), signal.SIGSEGV)")
    with pytest.raises(InputError, match=r"the HDF5 library crashes on it .signal 11"):
        water_made(file)


def test_a_broken_heap_of_texts(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Texts lie in heaps marked GCOL, and libhdf5 2.0 goes round for ever in some that are broken."""
    file = write_grids(tmp_path / "level.h5", "INT.IHO.S-104.1.1", [(LON, LAT, records(LEVEL, FIELD))])
    broken = bytearray(file.read_bytes())
    at = broken.index(b"GCOL")
    broken[at + 24 : at + 32] = (2**64 - 16).to_bytes(8, "little")
    file.write_bytes(bytes(broken))
    monkeypatch.setattr(watermade, "_LONGEST_TRY_S", 3)
    with pytest.raises(InputError, match=r"level\.h5: .*cannot be read"):
        water_made(file)


def test_still_water_reads_no_hdf5() -> None:
    code = (
        "import sys, layers.area, layers.tide, layers.current, spotmap.planner;"
        "print(sorted(set(sys.modules) & {'h5py', 's100py', 'layers.s100', 'layers.waterlevel', 'layers.tidegrid'}))"
    )
    told = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd="/")
    assert "h5py" not in told.stdout
    assert "s100py" not in told.stdout
    assert "tidegrid" not in told.stdout
