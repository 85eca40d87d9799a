"""Plans of 200 random worlds where water moves, each judged by the independent check."""

from __future__ import annotations

import pytest

from tests.test_random_worlds import CHUNKS, Judged, judge, judged
from tests.worlds import make_moving_world, table_ends_early

PLANNED_SHARE = 0.5  # strong currents leave less that can be planned than still water does


def judge_moving(seed: int) -> Judged:
    return judge(seed, make_moving_world, must_refuse=table_ends_early(seed))


@pytest.mark.parametrize("chunk", range(CHUNKS))
def test_every_plan_in_moving_water_keeps_its_promises(chunk: int) -> None:
    planned = judged(chunk, judge_moving)
    could = [seed for seed in planned if not table_ends_early(seed)]
    assert sum(planned[seed] for seed in could) >= PLANNED_SHARE * len(could), planned
