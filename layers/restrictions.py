"""What charted restrictions forbid: codes of RESTRN and CATREA, and the time of year in which they hold.

Restricted is forbidden until a person says otherwise, so each answer is the strongest that the codes can mean.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from layers.decisions import Forbids, strongest

# source: IHO S-57 attribute catalogue (check_values.md); the words of codes 15 to 26 from memory
RESTRN: Mapping[str, str] = {
    "1": "anchoring prohibited",
    "2": "anchoring restricted",
    "3": "fishing prohibited",
    "4": "fishing restricted",
    "5": "trawling prohibited",
    "6": "trawling restricted",
    "7": "entry prohibited",
    "8": "entry restricted",
    "9": "dredging prohibited",
    "10": "dredging restricted",
    "11": "diving prohibited",
    "12": "diving restricted",
    "13": "no wake",
    "14": "area to be avoided",
    "15": "construction prohibited",
    "16": "discharging prohibited",
    "17": "discharging restricted",
    "18": "exploration or development prohibited",
    "19": "exploration or development restricted",
    "20": "drilling prohibited",
    "21": "drilling restricted",
    "22": "removal of historical artifacts prohibited",
    "23": "cargo transhipment prohibited",
    "24": "dragging prohibited",
    "25": "stopping prohibited",
    "26": "landing prohibited",
    "27": "speed restricted",
}
CATREA: Mapping[str, str] = {
    "1": "offshore safety zone",
    "4": "nature reserve",
    "5": "bird sanctuary",
    "6": "game reserve",
    "7": "seal sanctuary",
    "8": "degaussing range",
    "9": "military area",
    "10": "historic wreck area",
    "12": "navigational aid safety zone",
    "14": "minefield",
    "18": "swimming area",
    "19": "waiting area",
    "20": "research area",
    "21": "dredging area",
    "22": "fish sanctuary",
    "23": "ecological reserve",
    "24": "no wake area",
    "25": "swinging area",
    "26": "water skiing area",
    "27": "environmentally sensitive sea area",
    "28": "particularly sensitive sea area",
}
STATUS: Mapping[str, str] = {
    "2": "occasional",
    "4": "not in use",
    "5": "periodic or intermittent",
    "7": "temporary",
    "13": "historic",
    "18": "existence doubtful",
}
"""Those that matter to whether a restriction holds; none of them lifts it."""

_RESTRN_FISHING, _RESTRN_ENTRY = frozenset({"3", "4"}), frozenset({"7", "8", "14"})
_RESTRN_TRAWL = frozenset({"5", "6"})
_PLAIN = frozenset({"3", "7"})
_CATREA_ENTRY = frozenset({"1", "9", "12", "14", "18"})
_CATREA_NOTHING = frozenset({"24"})
_ALL_YEAR = ("01-01", "12-31")
TRAWL = "trawl"
"""The method that restrictions on trawling speak of."""


@dataclass(frozen=True)
class Ban:
    """What a restriction forbids.

    `methods` is ``"trawl"`` where only trawled gear is spoken of, else empty for all. `plain` says that it is
    prohibited in so many words, so that there is nothing to decide. `words` are its codes in words, `unknown` the
    codes that no table has.
    """

    forbids: Forbids
    methods: str
    plain: bool
    words: str
    unknown: tuple[str, ...] = ()


@dataclass(frozen=True)
class Months:
    """The time in which a restriction holds, as a closure's `from` and `until`; `odd` is what was not understood."""

    first: str
    last: str
    odd: str = ""


def ban_of(restrn: Sequence[str], catrea: Sequence[str], *, restricted_area: bool) -> Ban:
    """Return the strongest ban that a restriction's codes can mean.

    Parameters
    ----------
    restrn, catrea
        The codes, every member of the list.
    restricted_area
        Whether the object is a restricted area (RESARE): one that says no more than that forbids fishing.

    Examples
    --------
    >>> ban_of(["2", "8"], ["1"], restricted_area=True)  # doctest: +NORMALIZE_WHITESPACE
    Ban(forbids='entry', methods='', plain=False,
        words='anchoring restricted (RESTRN 2), entry restricted (RESTRN 8), offshore safety zone (CATREA 1)',
        unknown=())
    >>> ban_of(["16"], [], restricted_area=True).forbids
    'nothing'
    """
    restrn, catrea = _plain_codes(restrn), _plain_codes(catrea)
    by_restrn = strongest("nothing", *(_restrn_ban(code) for code in restrn))
    by_catrea = strongest("nothing", *(_catrea_ban(code) for code in catrea))
    forbids = strongest(by_restrn, by_catrea)
    words = [f"{RESTRN.get(code, 'a restriction that is not known')} (RESTRN {code})" for code in restrn]
    words += [f"{CATREA.get(code, 'a kind of area that is not known')} (CATREA {code})" for code in catrea]
    if restricted_area and not restrn and not catrea:
        forbids, words = "fishing", ["restricted area that does not say what is restricted"]
    plainly = strongest("nothing", *(_restrn_ban(code) for code in restrn if code in _PLAIN))
    methods = ""
    if forbids == "nothing" and _RESTRN_TRAWL.intersection(restrn):
        forbids, methods = "fishing", TRAWL
    return Ban(
        forbids=forbids,
        methods=methods,
        plain=forbids != "nothing" and plainly == forbids,
        words=", ".join(words),
        unknown=(
            *(f"RESTRN {code}" for code in restrn if code not in RESTRN),
            *(f"CATREA {code}" for code in catrea if code not in CATREA),
        ),
    )


def months_of(persta: str, perend: str, datsta: str, datend: str) -> Months:
    """Return when a restriction holds, from its four dates (empty where not given).

    A period of each year (``--MMDD``) is taken for every year, also where the data says in which years. What is
    partial, odd or without an end holds all year.

    Examples
    --------
    >>> months_of("--1101", "--0430", "", "")
    Months(first='11-01', last='04-30', odd='')
    >>> months_of("", "", "20260301", "20260930")
    Months(first='2026-03-01', last='2026-09-30', odd='')
    >>> months_of("--11", "--0430", "", "")
    Months(first='01-01', last='12-31', odd='PERSTA --11, PEREND --0430')
    """
    given = {"PERSTA": persta, "PEREND": perend, "DATSTA": datsta, "DATEND": datend}
    if not any(given.values()):
        return Months(*_ALL_YEAR)
    first, last = (persta, perend) if persta or perend else (datsta, datend)
    yearly = (_month_day(first), _month_day(last))
    if all(yearly):
        return Months(*yearly)
    once = (_day(first), _day(last))
    if all(once) and once[0] <= once[1] and not (persta and (datsta or datend)):
        return Months(*once)
    return Months(*_ALL_YEAR, odd=", ".join(f"{key} {value}" for key, value in given.items() if value))


def status_words(status: Sequence[str]) -> str:
    """Return what STATUS says that may matter to a restriction, empty where nothing does."""
    return ", ".join(f"{STATUS[code]} (STATUS {code})" for code in _plain_codes(status) if code in STATUS)


def _plain_codes(codes: Sequence[str]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(str(code).strip() for code in codes if str(code).strip()))


def _restrn_ban(code: str) -> Forbids:
    if code in _RESTRN_ENTRY:
        return "entry"
    return "fishing" if code in _RESTRN_FISHING or code not in RESTRN else "nothing"


def _catrea_ban(code: str) -> Forbids:
    if code in _CATREA_ENTRY:
        return "entry"
    return "nothing" if code in _CATREA_NOTHING else "fishing"


def _month_day(text: str) -> str:
    """Return --MMDD as MM-DD; empty where it is another form or no such day."""
    found = re.fullmatch(r"--(\d{2})(\d{2})", text)
    # A leap year: 29 February is a day.
    return "-".join(found.groups()) if found and _day("2000" + "".join(found.groups())) else ""


def _day(text: str) -> str:
    """Return YYYYMMDD as YYYY-MM-DD; empty where it is another form or no such day."""
    found = re.fullmatch(r"(\d{4})(\d{2})(\d{2})", text)
    try:
        return date(*map(int, found.groups())).isoformat() if found else ""
    except ValueError:
        return ""
