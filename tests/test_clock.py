from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from pyproj import Geod

from layers.projection import LocalProjection
from spotmap.clock import (
    elapsed,
    magnetic_variation_deg,
    sun_times,
    time_legs,
    totals,
    variation_is_extrapolated,
)
from spotmap.model import Boat, Leg
from tests.plan_fixture import arc

BOAT = Boat(troll_speed_mps=1.4, run_speed_mps=9.0, turn_radius_m=12, draft_m=1, fuel_troll_lph=4, fuel_run_lph=34)
HERE = LocalProjection(-140.0, 47.0)
CLOCKS_CHANGE = ZoneInfo("CET")
"""02:00 becomes 03:00 on 29 March 2026 and 03:00 becomes 02:00 on 25 October 2026."""


def _seconds_apart(moment: datetime | None, expected: datetime) -> float:
    assert moment is not None
    return abs((moment - expected).total_seconds())


def test_sun_against_almanacs() -> None:
    # source: NREL, Solar Position Algorithm for Solar Radiation Applications (NREL/TP-560-34302), Golden,
    # 2 January 2015, mountain standard time
    zone = ZoneInfo("Etc/GMT+7")
    sun = sun_times(-105.1786, 39.742476, date(2015, 1, 2), zone)
    assert _seconds_apart(sun.sunrise, datetime(2015, 1, 2, 7, 21, 55, tzinfo=zone)) < 5
    assert _seconds_apart(sun.sunset, datetime(2015, 1, 2, 16, 47, 43, tzinfo=zone)) < 5
    # source: USNO, Bluffton, 8 November 2019, UT
    sun = sun_times(-83.8917, 40.8939, date(2019, 11, 8), ZoneInfo("Etc/GMT+5"))
    assert _seconds_apart(sun.dawn, datetime(2019, 11, 8, 11, 45, 18, tzinfo=UTC)) < 5
    assert _seconds_apart(sun.sunrise, datetime(2019, 11, 8, 12, 14, 15, tzinfo=UTC)) < 5
    assert _seconds_apart(sun.sunset, datetime(2019, 11, 8, 22, 23, 52, tzinfo=UTC)) < 5
    assert _seconds_apart(sun.dusk, datetime(2019, 11, 8, 22, 52, 48, tzinfo=UTC)) < 5


@pytest.mark.parametrize("zone", ["UTC", "Etc/GMT+10", "Etc/GMT-14", "Etc/GMT+12"])
@pytest.mark.parametrize("lon", [-179.9, -140.0, 0.0, 179.9])
def test_light_comes_in_order_around_the_days_noon(lon: float, zone: str) -> None:
    sun = sun_times(lon, 58.0, date(2026, 6, 21), ZoneInfo(zone))
    moments = [sun.dawn, sun.sunrise, sun.sunset, sun.dusk]
    known = [moment for moment in moments if moment is not None]
    assert len(known) == 4
    assert known == sorted(known)
    assert known[-1] - known[0] < timedelta(hours=24)
    midday = known[1] + (known[2] - known[1]) / 2
    assert abs(midday - datetime(2026, 6, 21, 12, tzinfo=ZoneInfo(zone))) < timedelta(hours=12.5)


def test_dusk_after_midnight_belongs_to_the_evening() -> None:
    sun = sun_times(-155.0, 60.5, date(2026, 6, 21), ZoneInfo("Etc/GMT+8"))
    assert sun.dusk is not None
    assert sun.sunset is not None
    assert sun.dusk > sun.sunset
    assert sun.dusk.date() == date(2026, 6, 22)


@pytest.mark.parametrize(
    ("lat", "day", "known"),
    [
        (63.0, date(2026, 6, 21), (False, True, True, False)),  # sets, but dusk lasts all night
        (70.0, date(2026, 6, 21), (False, False, False, False)),  # midnight sun
        (70.0, date(2026, 12, 21), (True, False, False, True)),  # polar night with twilight at noon
        (-70.0, date(2026, 12, 21), (False, False, False, False)),
        (90.0, date(2026, 3, 1), (False, False, False, False)),
        (-90.0, date(2026, 9, 1), (False, False, False, False)),
    ],
)
def test_a_sun_that_does_not_cross_gives_none(lat: float, day: date, known: tuple[bool, bool, bool, bool]) -> None:
    sun = sun_times(-140.0, lat, day, ZoneInfo("Etc/GMT+9"))
    assert tuple(moment is not None for moment in (sun.dawn, sun.sunrise, sun.sunset, sun.dusk)) == known


@pytest.mark.parametrize(
    ("day", "height_km", "lat", "lon", "expected"),
    [
        # source: README of the WMM2020 coefficient file
        (date(2020, 1, 1), 66, 14, 143, 0.12),
        (date(2020, 1, 1), 18, 0, 21, 1.05),
        (date(2020, 7, 2), 6, -36, -137, 20.16),
        (date(2020, 7, 2), 63, 26, 81, 0.43),
        # source: NOAA NCEI test values of WMM2025
        (date(2025, 1, 1), 0, 80, 0, 1.28),
        (date(2025, 1, 1), 0, 0, 120, -0.16),
        (date(2025, 7, 2), 6, -36, -137, 20.28),
        (date(2026, 1, 1), 74, -57, 3, -22.51),
        (date(2027, 7, 2), 0, 80, 0, 2.59),
    ],
)
def test_variation_against_the_models_own_values(
    day: date, height_km: float, lat: float, lon: float, expected: float
) -> None:
    assert magnetic_variation_deg(lon, lat, day, height_km=height_km) == pytest.approx(expected, abs=0.01)


def test_each_year_takes_its_own_model() -> None:
    def at(day: date) -> float:
        return magnetic_variation_deg(-140.0, 47.0, day)

    # Within a model the change is linear; from the last day of one to the first of the next it jumps.
    slope = at(date(2022, 1, 1)) - at(date(2021, 1, 1))
    assert at(date(2024, 12, 31)) == pytest.approx(at(date(2021, 1, 1)) + 4 * slope, abs=0.01)
    assert abs(at(date(2025, 1, 1)) - at(date(2024, 12, 31))) > abs(slope) / 100
    assert at(date(2019, 1, 1)) == pytest.approx(at(date(2021, 1, 1)) - 2 * slope, abs=0.01)
    assert [variation_is_extrapolated(date(year, 6, 1)) for year in (2019, 2020, 2024, 2029, 2030)] == [
        True,
        False,
        False,
        False,
        True,
    ]


def _loop(count: int) -> list[Leg]:
    legs = []
    for lap in range(count):
        first, last = (np.pi, 0.0) if lap % 2 else (0.0, np.pi)
        legs.append(Leg("turn" if lap % 2 else "pass", arc((0, 0), 333.3, first, last), f"L{lap}"))
    return legs


def test_legs_are_continuous_and_rounding_does_not_add_up() -> None:
    start = datetime(2026, 8, 14, 23, 30, tzinfo=ZoneInfo("Etc/GMT+10"))
    timed = time_legs(_loop(300), start, HERE, BOAT, 15.0)
    assert [leg.seq for leg in timed] == list(range(1, 301))
    assert timed[0].start == start
    assert all(before.end == after.start for before, after in pairwise(timed))
    assert all(leg.end.tzinfo is start.tzinfo for leg in timed)
    assert timed[-1].end.date() > date(2026, 8, 15)
    seconds = sum(leg.length_m for leg in timed) / BOAT.troll_speed_mps
    assert (timed[-1].end - start).total_seconds() == pytest.approx(seconds, abs=2e-6)


@pytest.mark.parametrize(
    ("start", "end"),
    [
        (datetime(2026, 3, 29, 1, 30, tzinfo=CLOCKS_CHANGE), "2026-03-29T04:30:00+02:00"),
        (datetime(2026, 10, 25, 1, 30, tzinfo=CLOCKS_CHANGE), "2026-10-25T02:30:00+01:00"),
    ],
)
def test_a_change_of_the_clock_neither_adds_nor_loses_an_hour(start: datetime, end: str) -> None:
    two_hours = np.array([[0.0, 0.0], [1.4 * 7200, 0.0]])
    (timed,) = time_legs(
        [Leg("pass", two_hours, "P1")],
        start,
        LocalProjection(10.0, 0.0),
        BOAT,
        0.0,
    )
    assert abs(timed.end - datetime.fromisoformat(end)) < timedelta(seconds=0.1)
    assert timed.end.isoformat()[-6:] == end[-6:]
    assert elapsed(timed.start, timed.end).total_seconds() == pytest.approx(7200, abs=0.1)
    assert totals([timed]).fishing == elapsed(timed.start, timed.end)


@pytest.mark.parametrize(("lon0", "lat0"), [(-140.0, 47.0), (180.0, -16.0), (20.0, 80.0)])
def test_length_and_courses_are_the_ellipsoids(lon0: float, lat0: float) -> None:
    projection = LocalProjection(lon0, lat0)
    # Far off the centre, where convergence and scale show.
    xy = np.array([[30_000.0, 20_000.0], [30_000.0, 20_000.0], [31_000.0, 22_000.0], [28_000.0, 22_500.0]])
    variation = 200.0
    (timed,) = time_legs(
        [Leg("run", xy, "R1", speed_mps=5.0)], datetime(2026, 8, 14, tzinfo=UTC), projection, BOAT, variation
    )
    lon, lat = projection.to_geographic(xy[:, 0], xy[:, 1])
    outward, inward, metres = Geod(ellps="WGS84").inv(lon[:-1], lat[:-1], lon[1:], lat[1:])
    assert timed.length_m == pytest.approx(sum(metres), rel=1e-9)
    assert timed.speed_mps == 5.0
    assert timed.course_start_true_deg == pytest.approx(outward[1] % 360, abs=0.01)
    assert timed.course_end_true_deg == pytest.approx((inward[2] + 180) % 360, abs=0.01)
    assert timed.course_start_magnetic_deg == pytest.approx((outward[1] - variation) % 360, abs=0.01)
    # slower than the boat runs: a run, and a wait at trolling power
    run_h, whole_h = timed.length_m / BOAT.run_speed_mps / 3600, timed.length_m / 5.0 / 3600
    assert timed.fuel_l == pytest.approx(34 * run_h + BOAT.fuel_troll_lph * (whole_h - run_h))


def test_courses_stay_below_360() -> None:
    north = Leg("pass", np.array([[0.0, 0.0], [0.0, 100.0]]), "P1")
    (timed,) = time_legs([north], datetime(2026, 8, 14, tzinfo=UTC), HERE, BOAT, 1e-14)
    for course in (timed.course_start_true_deg, timed.course_start_magnetic_deg):
        assert 0.0 <= course < 360.0
        assert min(course, 360.0 - course) < 1e-6


def test_totals_count_kinds_apart_and_know_when_fuel_is_unknown() -> None:
    line = np.array([[0.0, 0.0], [0.0, 900.0]])
    legs = [Leg("run", line, "R1"), Leg("pass", line, "P1"), Leg("turn", line, "T1"), Leg("pass", line, "P2")]
    start = datetime(2026, 8, 14, tzinfo=UTC)
    summed = totals(time_legs(legs, start, HERE, BOAT, 0.0))
    assert summed.running.total_seconds() == pytest.approx(100, abs=0.01)
    assert summed.turning.total_seconds() == pytest.approx(900 / 1.4, abs=0.01)
    assert summed.fishing.total_seconds() == pytest.approx(1800 / 1.4, abs=0.01)
    assert summed.distance_m == pytest.approx(3600, abs=0.01)
    assert summed.fuel_l == pytest.approx((34 * 100 + 4 * 2700 / 1.4) / 3600, rel=1e-6)
    silent = Boat(1.4, 9.0, 12, 1, None, 34)
    assert totals(time_legs(legs, start, HERE, silent, 0.0)).fuel_l is None
    assert totals(time_legs(legs[:1], start, HERE, silent, 0.0)).fuel_l == pytest.approx(34 / 36, rel=1e-6)


def test_what_cannot_be_timed_is_refused() -> None:
    line = Leg("pass", np.array([[0.0, 0.0], [0.0, 900.0]]), "P1")
    nowhere = Leg("run", np.zeros((2, 2)), "Run 1")
    with pytest.raises(ValueError, match="no time zone"):
        time_legs([line], datetime(2026, 8, 14, tzinfo=UTC).replace(tzinfo=None), HERE, BOAT, 0.0)
    with pytest.raises(ValueError, match=r"leg 2 \(Run 1\) has length 0"):
        time_legs([line, nowhere], datetime(2026, 8, 14, tzinfo=UTC), HERE, BOAT, 0.0)
