from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from layers._errors import InputError
from layers.model import Season
from layers.seasons import changes, is_active, parse_season, season_words

ZONE = ZoneInfo("America/Los_Angeles")
FIXED = ZoneInfo("Etc/GMT+10")


def at(text: str, zone: ZoneInfo = FIXED, fold: int = 0) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=zone, fold=fold)


def season(from_: object, until: object, days: object = "", hours: object = "") -> Season:
    return parse_season(from_, until, days, hours, "closures.geojson, feature 2")


@pytest.mark.parametrize(
    ("rule", "active", "idle"),
    [
        (
            season("07-01", "09-30"),
            ["2026-07-01T00:00", "2031-09-30T23:59:59"],
            ["2026-06-30T23:59", "2026-10-01T00:00"],
        ),
        (
            season("11-15", "02-10"),
            ["2026-11-15T00:00", "2027-01-01T12:00", "2027-02-10T23:59"],
            ["2026-11-14T23:59", "2027-02-11T00:00"],
        ),
        (
            season("2026-11-15", "2027-02-10"),
            ["2026-11-15T00:00", "2027-02-10T23:59"],
            ["2025-12-01T00:00", "2027-11-20T00:00"],
        ),
        (
            season(date(2026, 8, 14), datetime(2026, 8, 14, tzinfo=UTC)),
            ["2026-08-14T10:00"],
            ["2026-08-15T00:00", "2027-08-14T10:00"],
        ),
        (
            season("01-01", "12-31", "fri, SAT;sunday"),
            ["2026-08-14T10:00", "2026-08-16T10:00"],
            ["2026-08-17T00:00"],
        ),
        (season("01-01", "12-31", "Fri-Mon"), ["2026-08-14T10:00", "2026-08-17T10:00"], ["2026-08-18T00:00"]),
        (
            season("01-01", "12-31", None, "06:00-20:00"),
            ["2026-08-14T06:00", "2026-08-14T19:59:59"],
            ["2026-08-14T05:59:59", "2026-08-14T20:00"],
        ),
        (
            season("01-01", "12-31", None, "06:00-24:00"),
            ["2026-08-14T06:00", "2026-08-14T23:59:59"],
            ["2026-08-14T00:00"],
        ),
        # The night belongs to the day it begins on: Friday's runs into Saturday, the last day's past the season.
        (
            season("08-01", "08-14", "Fri", "22:00-04:00"),
            ["2026-08-14T22:00", "2026-08-15T03:59"],
            ["2026-08-14T03:00", "2026-08-15T04:00", "2026-08-15T22:00"],
        ),
        # 29 February in other years: never a shorter closure.
        (
            season("02-29", "04-30"),
            ["2028-02-29T00:00", "2027-02-28T00:00", "2027-03-01T00:00"],
            ["2028-02-28T23:00", "2027-02-27T23:00"],
        ),
        (
            season("12-01", "02-29"),
            ["2028-02-29T12:00", "2027-03-01T12:00"],
            ["2028-03-01T00:00", "2027-03-02T00:00"],
        ),
    ],
)
def test_when_a_rule_is_active(rule: Season, active: list[str], idle: list[str]) -> None:
    assert [is_active(rule, at(moment)) for moment in active] == [True] * len(active)
    assert [is_active(rule, at(moment)) for moment in idle] == [False] * len(idle)


@pytest.mark.parametrize(
    ("values", "message"),
    [
        (("", "09-30", "", ""), "from is missing.*for all year write from=01-01 and until=12-31"),
        ((float("nan"), None, "", ""), "(?s)from is missing.*until is missing"),
        (("02-30", "09-30", "", ""), 'from "02-30" is no day of the calendar'),
        (("2026-02-29", "2026-09-30", "", ""), "no day of the calendar"),
        (("7-1", "09-30", "", ""), 'from "7-1" is no date'),
        (("July", "09-30", "", ""), 'from "July" is no date'),
        (("07-01", "2026-09-30", "", ""), "two forms"),
        (("2026-09-30", "2026-07-01", "", ""), "until 2026-07-01 lies before from 2026-09-30.*never active"),
        (("07-01", "09-30", "Mon,Thrs", ""), '"Thrs", which is no weekday. Did you mean "Thu"'),
        (("07-01", "09-30", "Mon-Wed-Fri", ""), "no weekday"),
        (("07-01", "09-30", "", "6-20"), 'hours "6-20" is no span'),
        (("07-01", "09-30", "", "06:00-06:00"), "begins and ends at the same time"),
        (("07-01", "09-30", "", "06:00-25:00"), "no clock shows"),
        (("07-01", "09-30", "", "24:00-06:00"), "no clock shows"),
        (("07-01", "09-30", "", "06:00-08:00, 18:00-20:00"), "no span"),
        (("07-01", "09-31", "Sun,Moon", "6"), "(?s)until.*days.*hours"),
    ],
)
def test_what_cannot_be_understood_is_an_error(values: tuple[object, ...], message: str) -> None:
    with pytest.raises(InputError, match=message):
        season(*values)


def test_a_leap_day_opens_no_water() -> None:
    with pytest.raises(InputError, match="02-29, a day that most years do not have"):
        parse_season("02-29", "04-01", "", "", "grounds.geojson, feature 1", opens=True)


def test_exact_moments_of_change() -> None:
    rule = season("07-01", "08-14", "", "06:00-20:00")
    found = changes(rule, at("2026-08-13T06:00"), at("2026-08-15T12:00"))
    assert found == (at("2026-08-13T20:00"), at("2026-08-14T06:00"), at("2026-08-14T20:00"))
    # (start, end]: a change at the end counts, one at the start does not.
    assert changes(rule, at("2026-08-14T05:30"), at("2026-08-14T06:00")) == (at("2026-08-14T06:00"),)
    assert changes(rule, at("2026-08-14T06:00"), at("2026-08-14T07:00")) == ()
    assert changes(season("01-01", "12-31"), at("2026-08-14T06:00"), at("2028-08-14T06:00")) == ()


def test_the_days_when_the_clock_is_changed() -> None:
    # 2026-11-01: 02:00 becomes 01:00. 2026-03-08: 02:00 becomes 03:00. source: IANA tz, America/Los_Angeles
    rule = season("01-01", "12-31", "", "01:30-02:30")
    start, end = at("2026-11-01T00:00", ZONE), at("2026-11-01T06:00", ZONE)
    utc = [moment.astimezone(UTC).strftime("%H:%M") for moment in changes(rule, start, end)]
    assert utc == ["08:30", "09:00", "09:30", "10:30"]
    rule = season("01-01", "12-31", "", "02:15-03:30")
    start, end = at("2026-03-08T00:00", ZONE), at("2026-03-08T06:00", ZONE)
    assert [f"{m:%H:%M}" for m in changes(rule, start, end)] == ["03:00", "03:30"]


rules = st.builds(
    Season,
    st.just((3, 1)),
    st.sampled_from([(3, 20), (11, 2), (1, 10)]),
    st.frozensets(st.integers(0, 6), max_size=4),
    st.none() | st.tuples(st.integers(0, 95), st.integers(0, 95)).filter(lambda h: h[0] != h[1]).map(
        lambda h: tuple(time(q // 4, q % 4 * 15) for q in h)
    ),
)  # fmt: skip


@settings(max_examples=60, deadline=None)
@given(rules, st.sampled_from(["2026-03-07T18:00", "2026-10-31T19:00", "2026-03-19T07:30"]))
def test_changes_against_stepping(rule: Season, start: str) -> None:
    first = at(start, ZONE).astimezone(UTC)
    steps = [(first + timedelta(minutes=15 * i)).astimezone(ZONE) for i in range(4 * 40)]
    states = [is_active(rule, step) for step in steps]
    brute = tuple(after for after, was, now in zip(steps[1:], states, states[1:], strict=False) if was != now)
    assert changes(rule, steps[0], steps[-1]) == brute


def test_a_moment_without_a_zone_is_refused() -> None:
    naive = datetime(2026, 8, 14)  # noqa: DTZ001 - the point of the test
    with pytest.raises(ValueError, match="zone"):
        is_active(season("01-01", "12-31"), naive)
    with pytest.raises(ValueError, match="zone"):
        changes(season("01-01", "12-31"), at("2026-08-14T05:30"), naive)


def test_words() -> None:
    assert season_words(season("12-01", "02-28", "Mon,Tue,Wed,Sat", "06:00-24:00")) == (
        "1 Dec – 28 Feb each year, Mon–Wed, Sat, 06:00–24:00"
    )
    assert season_words(season("08-14", "08-14")) == "14 Aug each year"
    assert season_words(season("01-01", "12-31", "Mon-Sun", "00:00-24:00")) == "all year"
