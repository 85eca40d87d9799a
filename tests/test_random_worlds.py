"""Plans of 200 random worlds, each judged by the independent check."""

from __future__ import annotations

import contextlib
import io
import tempfile
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from spotmap.cli import main
from tests.independent import faults
from tests.worlds import make_world

Judged = tuple[bool, list[str]]

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


def judge(seed: int, make: Callable[[int, Path], Path] = make_world, *, must_refuse: bool = False) -> Judged:
    """Make and plan one world; return whether it was planned, and what is wrong with the answer.

    Where the input is at fault it must be refused as such, and otherwise never is.
    """
    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder) / "plan"
        trip = make(seed, Path(folder) / "world")
        code, said = plan(trip, out)
        if code == 0 and not must_refuse:
            return True, faults(out, trip)
        wrong = [] if code == (2 if must_refuse else 3) else [f"exit {code}, the input at fault: {must_refuse}: {said}"]
        if not said.strip():
            wrong.append(f"exit {code} without a reason")
        if code != 0 and out.exists():
            wrong.append(f"exit {code}, yet {sorted(file.name for file in out.iterdir())} written")
        return False, wrong


def judged(chunk: int, judge_seed: Callable[[int], Judged]) -> dict[int, bool]:
    """Judge every world of a chunk; return which were planned, by seed. Each that fails is named by its seed."""
    planned: dict[int, bool] = {}
    wrong: dict[int, list[str]] = {}

    @settings(derandomize=True, database=None, max_examples=EACH, deadline=None, phases=[Phase.generate])
    @given(st.integers(0, 10**9))
    def each(number: int) -> None:
        seed = number * CHUNKS + chunk
        planned[seed], found = judge_seed(seed)
        if found:
            wrong[seed] = found

    each()
    assert not wrong, "\n".join(f"world {seed}: {'; '.join(found)}" for seed, found in wrong.items())
    assert len(planned) == EACH
    return planned


@pytest.mark.parametrize("chunk", range(CHUNKS))
def test_every_plan_keeps_its_promises(chunk: int) -> None:
    planned = judged(chunk, judge)
    assert sum(planned.values()) >= PLANNED_SHARE * EACH, planned
