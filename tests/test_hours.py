"""Hours side by side: what is counted with the tide, what is dark, and which hours are best."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path

import numpy as np
import pytest

from layers._errors import InputError
from layers.area import open_area
from layers.model import Show
from spotmap._errors import NoPlanError
from spotmap.clock import light_at, sun_times
from spotmap.hours import HourFigures, Tried, best_words, fault_words, figures_of, hours_words, try_hours
from spotmap.model import Plan, Trip
from spotmap.moving import NEAR_SLACK_MPS
from spotmap.trip import read_trip
from tests.plan_fixture import KNOWN_FROM_X, build_plan
from tests.small_area import SmallArea, SmallTrip, work

DEMO = Path(__file__).parents[1] / "demo_area"
SHOW = Show("ft", "NM", "kn")
DAY = date(2026, 8, 14)


@pytest.fixture(scope="module")
def moving() -> Plan:
    return build_plan(moving=True, laps=3)


def figures(*, fair: float = 0.0, foul: float = 0.0, slack: float = 0.0, uncounted: float = 0.0) -> HourFigures:
    minutes = (fair + foul + slack + uncounted, fair, foul, slack, uncounted)
    return HourFigures(*(60.0 * one for one in minutes), 9e3, 4, 1, 600.0, None, None, 0.0)


def tried(hour: int, one: HourFigures) -> Tried:
    return Tried(DAY, time(hour), figures=one)


def test_minutes_with_the_current_against_it_and_near_slack_are_those_of_the_layer(moving: Plan) -> None:
    """Each pass is walked again by the second, and the layer, not the plan, is asked for the current."""
    spent = {"fair": 0.0, "foul": 0.0, "slack": 0.0}
    current = moving.area.current
    assert current is not None
    for timed in moving.legs:
        if timed.leg.kind != "pass" or timed.leg.clock_s is None:
            continue
        seconds = np.arange(0.5, timed.leg.clock_s[-1])
        before, now, after = (
            np.column_stack([np.interp(seconds + by, timed.leg.clock_s, axis) for axis in timed.leg.xy.T])
            for by in (-0.5, 0.0, 0.5)
        )
        ahead = (after - before) / np.hypot(*(after - before).T)[:, None]
        along = (current.flow_at(*now.T, timed.start.timestamp() + seconds) * ahead).sum(axis=1)
        spent["fair"] += float((along > NEAR_SLACK_MPS).sum())
        spent["foul"] += float((along < -NEAR_SLACK_MPS).sum())
        spent["slack"] += float((np.abs(along) <= NEAR_SLACK_MPS).sum())
    found = figures_of(moving)
    assert min(spent.values()) > 300.0
    assert (found.with_s, found.against_s, found.slack_s) == pytest.approx(tuple(spent.values()), abs=30.0)
    assert found.uncounted_s == 0.0
    assert found.on_line_s == pytest.approx(moving.totals.fishing.total_seconds(), abs=1.0)
    most = max(np.hypot(*leg.leg.current_mps.T).max() for leg in moving.legs if leg.leg.kind != "run")  # type: ignore[union-attr]
    assert found.strongest_mps == pytest.approx(most)


def test_no_pass_is_near_slack_where_no_current_is_counted(moving: Plan) -> None:
    still = figures_of(build_plan())
    assert still.uncounted_s == pytest.approx(still.on_line_s)
    assert still.with_tide_s == 0.0
    assert not still.counts_current
    assert still.strongest_mps is None
    # a pass counted as in still water, because the layer does not know the current there
    legs = tuple(
        replace(one, leg=replace(one.leg, xy=one.leg.xy + np.array([KNOWN_FROM_X - 2000.0, 0.0])))
        if one.leg.label == "P1"
        else one
        for one in moving.legs
    )
    blind = figures_of(replace(moving, legs=legs))
    first = next(one for one in moving.legs if one.leg.label == "P1")
    assert blind.uncounted_s == pytest.approx((first.end - first.start).total_seconds(), abs=1e-3)


def in_true_light(plan: Plan) -> Plan:
    """Return a hand-made plan with the light of its own place and time, not the one written into it."""
    place = plan.area.projection.to_geographic(plan.day.xy[:, 0], plan.day.xy[:, 1])
    return replace(plan, day=replace(plan.day, light=light_at(*place, plan.day.moments)))


def test_light_changes_at_dawn_and_sunrise_also_after_midnight() -> None:
    plan = in_true_light(build_plan(departure=datetime(2026, 8, 13, 22, 30), laps=11))  # noqa: DTZ001 -- the fixture puts the zone in
    sun = sun_times(-140.0, 47.0, DAY, plan.area.timezone)
    light = plan.day.light
    assert plan.day.moments[0].date() < DAY
    assert light[0] == 0
    assert set(light) == {0, 1, 2}
    for level, moment in ((1, sun.dawn), (2, sun.sunrise)):
        first = plan.day.moments[int(np.argmax(light >= level))]
        assert moment is not None
        assert abs(first - moment) <= timedelta(minutes=1.5)
    down = [one for one in plan.legs if one.leg.kind != "run"]
    assert sun.dawn is not None
    dark_s = sum((min(one.end, sun.dawn) - min(one.start, sun.dawn)).total_seconds() for one in down)
    assert figures_of(plan).dark_s == pytest.approx(dark_s, abs=120.0)


def test_under_the_midnight_sun_nothing_is_dark_and_in_the_polar_night_all_is() -> None:
    summer = in_true_light(build_plan(lat0_deg=78.0, departure=datetime(2026, 6, 20, 23, 0)))  # noqa: DTZ001
    winter = in_true_light(build_plan(lat0_deg=78.0, departure=datetime(2026, 12, 20, 11, 0)))  # noqa: DTZ001
    assert (summer.day.light == 2).all()
    assert (winter.day.light == 0).all()
    assert figures_of(summer).dark_s == 0.0
    assert figures_of(winter).dark_s > figures_of(winter).on_line_s


def test_an_hour_told_twice_is_counted_twice() -> None:
    plan = build_plan(zone="EST5EDT", departure=datetime(2026, 11, 1, 0, 30), moving=True, laps=3)  # noqa: DTZ001
    first, last = plan.legs[0].start, plan.legs[-1].end
    assert figures_of(plan).away_s == (last.astimezone(UTC) - first.astimezone(UTC)).total_seconds()
    assert figures_of(plan).away_s == pytest.approx((last - first).total_seconds() + 3600.0)
    told = list(hours_words([Tried(first.date(), time(0, 30), plan, figures_of(plan))], SHOW))
    assert any(line.startswith("leaves") and line.endswith("00:30 UTC-4") for line in told)
    assert any(line.startswith("is back") and line.endswith("UTC-5") for line in told)


@pytest.mark.parametrize(
    ("given", "told"),
    [
        (
            [(5, figures(fair=60, foul=90, slack=10)), (7, figures(fair=80, slack=15)), (8, figures(foul=200))],
            "Best: 2026-08-14 07:00: 95 min on the line with the tide, 25 min more than the next (2026-08-14 05:00).",
        ),
        (
            [(5, figures(fair=60.2)), (7, figures(slack=59.8)), (8, figures(fair=50))],
            (
                "Best: 2026-08-14 05:00 and 2026-08-14 07:00 tie: 60 min on the line with the tide each, 10 min more "
                "than the next (2026-08-14 08:00)."
            ),
        ),
        (
            [(5, figures(uncounted=60)), (7, figures(uncounted=75))],
            (
                "Best: 2026-08-14 07:00: 75 min on the line (no current counted), 15 min more than the next "
                "(2026-08-14 05:00)."
            ),
        ),
        (
            [(5, figures(uncounted=600)), (7, figures(fair=75))],
            (
                "Best: 2026-08-14 07:00: 75 min on the line with the tide; nothing to compare it with. Not ranked, no "
                "current counted: 2026-08-14 05:00."
            ),
        ),
    ],
)
def test_the_best_is_named_with_what_it_gives_over_the_next(given: list[tuple[int, HourFigures]], told: str) -> None:
    assert best_words([tried(hour, one) for hour, one in given]) == told


def test_a_trip_read_for_another_day_and_start_is_the_trip_that_says_so_itself(tmp_path: Path) -> None:
    area = open_area(DEMO)
    text = (DEMO / "trip.toml").read_text()
    for key, own, other in (("date", "2026-08-14", "2026-08-20"), ("start", '"05:30"', '"03:15"')):
        assert f"{key} = {own}" in text
        text = text.replace(f"{key} = {own}", f"{key} = {other}")
    (tmp_path / "other.toml").write_text(text)
    other = read_trip(tmp_path / "other.toml", area)
    read = read_trip(DEMO / "trip.toml", area, on=date(2026, 8, 20), start=time(3, 15))
    assert replace(read, file=other.file) == other
    own = read_trip(DEMO / "trip.toml", area)
    # the step since first light is later on the later day, by the clock; the one at eight stays at eight
    steps = [[one.since.time() for one in trip.rods[0].settings] for trip in (own, read)]
    assert steps[0][1] < steps[1][1] < time(8, 0) == steps[0][2] == steps[1][2]


def written(tmp_path: Path, **area: object) -> Path:
    return SmallTrip([work(more="passes = 2")]).write(SmallArea(**area).write(tmp_path))  # type: ignore[arg-type]


def test_days_and_starts_are_planned_once_each_in_order_of_time(tmp_path: Path) -> None:
    file = written(tmp_path)
    area = open_area(tmp_path)
    read: list[tuple[date, time]] = []

    def trip(day: date, start: time) -> Trip:
        read.append((day, start))
        return read_trip(file, area, on=day, start=start)

    later = date(2026, 8, 15)
    found = try_hours(area, [(later, time(6)), (DAY, time(9)), (later, time(6)), (DAY, time(7))], trip)
    assert read == [(DAY, time(7)), (DAY, time(9)), (later, time(6))]
    for one in found:
        assert one.plan is not None
        assert (one.plan.legs[0].start.date(), one.plan.legs[0].start.time()) == (one.day, one.start)
    with pytest.raises(InputError, match="make 13 plans; at most 12"):
        try_hours(area, [(DAY, time(hour)) for hour in range(13)], trip)


def test_a_fault_of_every_column_is_told_once_and_no_plan_goes_before_bad_input() -> None:
    area = open_area(DEMO)

    def broken(_day: date, _start: time) -> Trip:
        raise InputError.one("trip.toml, key 'x'", "is not known.", "Leave it out.")

    def closed(day: date, start: time) -> Trip:
        if start == time(5):
            raise NoPlanError("All is closed.", ["a closure"], ["another day"])
        return broken(day, start)

    moments = [(DAY, time(5)), (DAY, time(6))]
    with pytest.raises(InputError) as bad:
        try_hours(area, moments, broken)
    assert len(bad.value.findings) == 1
    with pytest.raises(NoPlanError, match="05:00: All is closed; a closure") as none:
        try_hours(area, moments, closed)
    assert "06:00: trip.toml, key 'x': is not known." in str(none.value)
    assert fault_words(Tried(DAY, time(5), fault=none.value)).count("\n") == 0
