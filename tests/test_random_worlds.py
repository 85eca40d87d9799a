"""Plans of 200 random worlds, each judged by the independent check."""

from __future__ import annotations

import contextlib
import io
import tempfile
from pathlib import Path

import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from spotmap.cli import main
from tests.independent import faults
from tests.worlds import make_world

CHUNKS, EACH = 10, 20
PLANNED_SHARE = 0.6  # a planner that refuses what it could plan is no use


def plan(trip: Path, out: Path) -> tuple[int, str]:
    """Run the command in this process; return its exit code and what it said on standard error."""
    said = io.StringIO()
    with contextlib.redirect_stderr(said), contextlib.redirect_stdout(io.StringIO()):
        try:
            code = main(["plan", str(trip), "--out", str(out)])
        except SystemExit as end:
            code = end.code
    return int(code or 0), said.getvalue()


def judge(seed: int) -> tuple[bool, list[str]]:
    """Make and plan one world; return whether it was planned, and what is wrong with the answer."""
    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder) / "plan"
        trip = make_world(seed, Path(folder) / "world")
        code, said = plan(trip, out)
        if code == 0:
            return True, faults(out, trip)
        wrong = [] if code == 3 else [f"exit {code}: {said}"]
        if not said.strip():
            wrong.append(f"exit {code} without a reason")
        if out.exists():
            wrong.append(f"exit {code}, yet {sorted(file.name for file in out.iterdir())} written")
        return False, wrong


@pytest.mark.parametrize("chunk", range(CHUNKS))
def test_every_plan_keeps_its_promises(chunk: int) -> None:
    planned: dict[int, bool] = {}
    wrong: dict[int, list[str]] = {}

    # every world of the chunk is judged, and each that fails is named by its seed
    @settings(derandomize=True, database=None, max_examples=EACH, deadline=None, phases=[Phase.generate])
    @given(st.integers(0, 10**9))
    def each(number: int) -> None:
        seed = number * CHUNKS + chunk
        planned[seed], found = judge(seed)
        if found:
            wrong[seed] = found

    each()
    assert not wrong, "\n".join(f"world {seed}: {'; '.join(found)}" for seed, found in wrong.items())
    assert len(planned) == EACH
    assert sum(planned.values()) >= PLANNED_SHARE * EACH, planned
