"""Plans of 200 random worlds where water moves, each judged by the independent check."""

from __future__ import annotations

import tempfile
from pathlib import Path

import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from tests.independent import faults
from tests.test_random_worlds import plan
from tests.worlds import make_moving_world, table_ends_early

CHUNKS, EACH = 10, 20
PLANNED_SHARE = 0.5  # strong currents leave less that can be planned than still water does


def judge(seed: int) -> tuple[bool, list[str]]:
    """Make and plan one world; return whether it was planned, and what is wrong with the answer."""
    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder) / "plan"
        trip = make_moving_world(seed, Path(folder) / "world")
        code, said = plan(trip, out)
        early = table_ends_early(seed)
        if code == 0 and not early:
            return True, faults(out, trip)
        wrong = [] if code == (2 if early else 3) else [f"exit {code}, a table ends early: {early}: {said}"]
        if not said.strip():
            wrong.append(f"exit {code} without a reason")
        if code != 0 and out.exists():
            wrong.append(f"exit {code}, yet {sorted(file.name for file in out.iterdir())} written")
        return False, wrong


@pytest.mark.parametrize("chunk", range(CHUNKS))
def test_every_plan_in_moving_water_keeps_its_promises(chunk: int) -> None:
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
    could = [seed for seed in planned if not table_ends_early(seed)]
    assert sum(planned[seed] for seed in could) >= PLANNED_SHARE * len(could), planned
