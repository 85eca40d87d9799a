"""Every code of RESTRN and CATREA, alone and together, and the dates in which a restriction holds."""

from __future__ import annotations

import pytest

from layers.restrictions import CATREA, RESTRN, Months, ban_of, months_of, status_words
from layers.seasons import parse_season

# source: IHO S-57 attribute catalogue as in check_values.md: 3 fishing prohibited, 4 fishing restricted, 5/6 trawling,
# 7 entry prohibited, 8 entry restricted, 14 area to be avoided; restricted = forbidden until a person says otherwise
BY_RESTRN = {3: "fishing", 4: "fishing", 5: "fishing", 6: "fishing", 7: "entry", 8: "entry", 14: "entry"}
# source: the same: 1 offshore safety zone, 4 nature reserve, 9 military, 12 navigational aid safety zone, 22 fish
# sanctuary, 23 ecological reserve, 24 no wake, 28 particularly sensitive sea area
BY_CATREA = {
    1: "entry",
    4: "fishing",
    9: "entry",
    12: "entry",
    14: "entry",
    22: "fishing",
    23: "fishing",
    24: "nothing",
}


@pytest.mark.parametrize("code", range(1, 28))
def test_every_code_of_restrn(code: int) -> None:
    ban = ban_of([str(code)], [], restricted_area=True)
    assert ban.forbids == BY_RESTRN.get(code, "nothing")
    assert ban.methods == ("trawl" if code in (5, 6) else "")
    assert ban.plain == (code in (3, 7))
    assert ban.words == f"{RESTRN[str(code)]} (RESTRN {code})"
    assert not ban.unknown


@pytest.mark.parametrize("code", [int(code) for code in CATREA])
def test_every_code_of_catrea_stands_for_a_ban_and_asks_for_a_decision(code: int) -> None:
    ban = ban_of([], [str(code)], restricted_area=True)
    assert ban.forbids == BY_CATREA.get(code, "entry" if code == 18 else "fishing")
    assert not ban.plain
    assert not ban.methods


def test_every_member_of_the_list_is_read_and_the_strongest_wins() -> None:
    assert ban_of(["2", "16", "8"], [], restricted_area=False).forbids == "entry"
    trawl_and_fishing = ban_of(["6", "3"], [], restricted_area=False)
    assert (trawl_and_fishing.forbids, trawl_and_fishing.methods, trawl_and_fishing.plain) == ("fishing", "", True)
    # Prohibited plainly is one thing, but what the kind of area can mean beyond it is for a person.
    both = ban_of(["3"], ["9"], restricted_area=True)
    assert (both.forbids, both.plain) == ("entry", False)
    by_area = ban_of(["16"], ["22"], restricted_area=True)
    assert (by_area.forbids, by_area.plain) == ("fishing", False)
    assert ban_of(["7"], ["4"], restricted_area=True).plain


def test_what_says_nothing_or_something_unknown_is_closed_to_fishing() -> None:
    silent = ban_of([], [], restricted_area=True)
    assert (silent.forbids, silent.plain) == ("fishing", False)
    assert ban_of([], [], restricted_area=False).forbids == "nothing"
    unknown = ban_of(["99"], [], restricted_area=False)
    assert (unknown.forbids, unknown.unknown, unknown.plain) == ("fishing", ("RESTRN 99",), False)
    assert ban_of(["13"], ["77"], restricted_area=True).unknown == ("CATREA 77",)
    assert ban_of(["13"], ["77"], restricted_area=True).forbids == "fishing"


@pytest.mark.parametrize(
    ("dates", "months"),
    [
        (("", "", "", ""), Months("01-01", "12-31")),
        (("--1101", "--0430", "", ""), Months("11-01", "04-30")),
        (("--0229", "--0331", "", ""), Months("02-29", "03-31")),
        (("", "", "20260301", "20260930"), Months("2026-03-01", "2026-09-30")),
        # Each year from its first on: every year is the safe side.
        (("--0501", "--0831", "20240101", "20241231"), Months("05-01", "08-31")),
    ],
)
def test_whole_dates_make_a_season(dates: tuple[str, str, str, str], months: Months) -> None:
    assert months_of(*dates) == months
    parse_season(months.first, months.last, "", "", "here")


@pytest.mark.parametrize(
    "dates",
    [
        ("--1101", "", "", ""),
        ("--11", "--04", "", ""),
        ("--1131", "--0430", "", ""),
        ("", "", "20260301", ""),
        ("", "", "2026", "2027"),
        ("", "", "202603", "20260930"),
        ("", "", "20260930", "20260301"),
        ("20260101", "20261231", "20250101", ""),
        ("spring", "autumn", "", ""),
    ],
)
def test_partial_and_odd_dates_hold_all_year_and_are_told(dates: tuple[str, str, str, str]) -> None:
    months = months_of(*dates)
    assert (months.first, months.last) == ("01-01", "12-31")
    assert all(date in months.odd for date in dates if date)


def test_status_tells_only_what_may_matter() -> None:
    assert status_words(["1", "4"]) == "not in use (STATUS 4)"
