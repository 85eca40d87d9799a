"""What a person decided about restrictions that official data states but does not settle: [[decision]] of area.toml."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Literal, cast

from layers._errors import Finding, InputError
from layers.tables import Table

Forbids = Literal["fishing", "entry", "nothing"]
BY_STRENGTH: tuple[Forbids, ...] = ("nothing", "fishing", "entry")
"""What a closure may forbid, the weakest first."""


@dataclass(frozen=True)
class DecisionRecord:
    """One [[decision]]: about a closure's feature (its attribute ``id``) in a state that was looked at.

    `decided` is None until a person has decided; `before` tells a decision that new data has reopened.
    """

    where: str
    feature: str
    name: str
    says: str
    forbids: Forbids
    state: str
    decided: date | None = None
    why: str = ""
    before: str = ""


def strongest(*bans: str) -> Forbids:
    """Return the strongest of several bans.

    >>> strongest("nothing", "entry", "fishing")
    'entry'
    """
    return BY_STRENGTH[max(BY_STRENGTH.index(cast("Forbids", ban)) for ban in bans)]


def read_decisions(table: Table, found: list[Finding]) -> tuple[DecisionRecord, ...]:
    """Return the decisions of area.toml.

    Parameters
    ----------
    table
        All of area.toml. What is wrong is noted in the table's findings.
    found
        A feature decided twice is noted here: the same list.

    Returns
    -------
    tuple of DecisionRecord
        In the file's order. Whether a decision is weaker than the data is for `ruling` to say.
    """
    records = tuple(_record(one) for one in table.tables("decision"))
    seen: set[str] = set()
    for record in records:
        if record.feature and record.feature in seen:
            what = f"feature '{record.feature}' has another [[decision]] above this one."
            found.append(Finding(record.where, what, "Keep one of them."))
        seen.add(record.feature)
    return records


def ruling(records: Sequence[DecisionRecord], feature_id: str, state: str, forbids: str) -> tuple[Forbids, str]:
    """Return what a closure of official data forbids, once a person's decision is counted.

    Parameters
    ----------
    records
        The area's decisions.
    feature_id, state, forbids
        What the closure's attributes say: its identifier, the state of the data and the strongest ban that this can
        mean.

    Returns
    -------
    tuple
        What holds, and what outputs say about it: ``"set aside on 2026-03-01: …"``. Empty where no decision was
        asked. A decision about another state of the data weakens nothing.

    Raises
    ------
    InputError
        The decision is weaker than the data without a date and a reason.
    """
    data = strongest(forbids)
    record = _about(records, feature_id) if feature_id else None
    if record is None:
        return data, ""
    holds = strongest(data, record.forbids)
    if record.state != state:
        ban = _BANS[holds]
        return holds, f"the data has changed since the decision in area.toml was about it, so {ban}: decide again"
    if record.decided and record.why:
        return record.forbids, f"{_word(record.forbids, data)} on {record.decided}: {record.why}"
    if record.forbids != holds:
        what = f"forbids is '{record.forbids}' and the data can mean '{data}': a weaker ban needs a day and a reason."
        remedy = f'Write decided = (the day, as 2026-03-01) and why = "…", or forbids = "{data}".'
        raise InputError.one(f"{record.where}, key 'forbids'", what, remedy)
    return holds, f"not decided yet, so {_BANS[holds]}" if record.says else ""


_BANS: dict[Forbids, str] = {
    "nothing": "nothing is forbidden",
    "fishing": "fishing is forbidden",
    "entry": "entry is forbidden",
}


def _word(decided: Forbids, data: Forbids) -> str:
    if decided == "nothing":
        return "set aside"
    return "confirmed" if decided == data else f"decided that {_BANS[decided]}"


def _about(records: Iterable[DecisionRecord], feature_id: str) -> DecisionRecord | None:
    return next((one for one in records if one.feature == feature_id), None)


def _record(table: Table) -> DecisionRecord:
    record = DecisionRecord(
        where=table.where,
        feature=table.text("feature"),
        name=table.text("name") if table.has("name") else "",
        says=table.text("says") if table.has("says") else "",
        forbids=cast("Forbids", table.text("forbids", choices=BY_STRENGTH)),
        state=table.text("state"),
        decided=table.day("decided"),
        why=table.text("why") if table.has("why") else "",
        before=table.text("before") if table.has("before") else "",
    )
    for key, there, other in (("why", record.why, record.decided), ("decided", record.decided, record.why)):
        if other and not there and not table.has(key):
            how = 'why = "…"' if key == "why" else "decided = 2026-03-01, without quotes"
            table.problem(key, "is missing: a decision needs its day and its reason.", f"Write {how}.")
    table.done()
    return record
