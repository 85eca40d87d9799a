"""area.toml changed as a careful person would: comments, order and unknown keys stay."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import PurePosixPath
from typing import Any, cast

import tomlkit
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import AoT, Comment, Item, Table
from tomlkit.toml_document import TOMLDocument

from layers._errors import InputError
from layers.decisions import strongest
from layers.made import Decision
from layers.model import Show

Row = tuple[Any, Item]

_HEAD = """\
# An area to plan in: what layers there are, and what each of them is. Edit it freely: an import keeps what you wrote.
# NOT FOR NAVIGATION. Layers made from charts are a copy of what the charts said on one day; carry the charts.
# origins.toml says what each made file came from. Do not edit made files: a refresh writes them again. Put places,
# zones and hazards of your own into layers of your own.
# A [[decision]] is a rule that official data states but does not settle. It holds as the strongest ban that it can mean
# until you have read the rule itself and written what you decided, when and why.

"""
_DATUM_WORDS = "what depth 0 is"


@dataclass
class DecisionsDone:
    """Which decisions are new, kept as they were, reopened or gone: name and feature, with what is to be told."""

    new: list[str] = field(default_factory=list)
    kept: list[str] = field(default_factory=list)
    reopened: list[str] = field(default_factory=list)
    gone: list[str] = field(default_factory=list)


def new_document(name: str, timezone: str, depth_datum: str, show: Show) -> TOMLDocument:
    """Return the area.toml of a new area, without layers yet."""
    doc = tomlkit.parse(_HEAD)
    doc["name"] = name
    doc["timezone"] = timezone
    doc["depth_datum"] = tomlkit.item(depth_datum).comment(_DATUM_WORDS)
    doc["show"] = _item({"depth": show.depth, "distance": show.distance, "speed": show.speed})
    return doc


def parse(text: str, where: str) -> TOMLDocument:
    """Return an area.toml to change.

    Raises
    ------
    InputError
        It is no TOML, or its layers or decisions are written in a way that cannot be changed without loss.
    """
    try:
        doc = tomlkit.parse(text if text.endswith("\n") else text + "\n")
        same = doc.unwrap() == tomllib.loads(text)
    except (TOMLKitError, tomllib.TOMLDecodeError) as error:
        raise InputError.one(where, f"is not valid TOML: {error}.", "Mend that line.") from None
    for key in ("layer", "decision"):
        if key in doc and not isinstance(doc[key], AoT):
            raise InputError.one(f"{where}, key '{key}'", "is not a list of tables.", f"Write each as [[{key}]].")
    if not same:
        remedy = "Put all [[layer]] tables together, then all [[decision]] tables."
        raise InputError.one(where, "is laid out in a way that cannot be added to.", remedy)
    return doc


def render(doc: TOMLDocument, like: str, where: str) -> str:
    """Return the text, with the line ends of `like`.

    Raises
    ------
    InputError
        The text would not say what it should.
    """
    text = tomlkit.dumps(doc).replace("\r\n", "\n")
    if tomllib.loads(text) != doc.unwrap():
        remedy = "Put all [[layer]] tables together, then all [[decision]] tables."
        raise InputError.one(where, "is laid out in a way that cannot be added to.", remedy)
    return text.replace("\n", "\r\n") if "\r\n" in like else text


def put_layer(doc: TOMLDocument, now: Mapping[str, Any], was_file: str, was: Mapping[str, Any]) -> list[str]:
    """Write a [[layer]], or bring the one that names `was_file` up to date.

    Parameters
    ----------
    doc
        Changed in place.
    now
        What it is to say; file, role and as_of are always taken from here.
    was_file, was
        The file's name before and what the [[layer]] was written with then; empty for a new one. Where the file says
        something else than `was`, a person wrote it, and it stays.

    Returns
    -------
    list of str
        What a person should know.
    """
    entry = next((one for one in _rows(doc, "layer") if _same_file(one, was_file)), None) if was_file else None
    if entry is None:
        _add(doc, "layer", now)
        return [f"{now['file']}: its [[layer]] was gone from area.toml and is there again."] if was_file else []
    told, tail = [], _cut_tail(entry)
    for key in [*now, *(key for key in was if key not in now)]:
        there, base, new = entry.unwrap().get(key), was.get(key), now.get(key)
        if there == new:
            continue
        if there == base or key in ("file", "role") or (key == "as_of" and new is not None):
            if new is None:
                del entry[key]
            else:
                entry[key] = _item(new)
        else:
            how = "out, as you took it out of" if there is None else "as you wrote it in"
            told.append(f"{now['file']}: {key} stays {how} area.toml.")
    entry.value.body.extend(tail)
    return told


def drop_layers(doc: TOMLDocument, file: str) -> None:
    """Remove every [[layer]] of a file; comments after it stay."""
    _drop(doc, "layer", [one for one in _rows(doc, "layer") if _same_file(one, file)])


def put_decisions(
    doc: TOMLDocument, decisions: Sequence[Decision], gone: Sequence[str], *, remove: bool
) -> DecisionsDone:
    """Add what is to be decided; keep what was decided about the same state of the data.

    Parameters
    ----------
    doc
        Changed in place.
    decisions
        What the data asks now; of two about one feature the first counts.
    gone
        Features that the data asked about before and asks no more.
    remove
        Whether those are taken out.
    """
    done = DecisionsDone()
    entries = {str(one.get("feature")): one for one in reversed(_rows(doc, "decision"))}
    first: dict[str, Decision] = {}
    for decision in decisions:
        first.setdefault(decision.feature, decision)
    for decision in first.values():
        entry = entries.get(decision.feature)
        words = f"{decision.name or 'a closure without a name'} ({decision.feature}): {decision.says}"
        if entry is None:
            _add(doc, "decision", _asked(decision), before="forbids", comment=_how(decision))
            done.new.append(f"{words}; {decision.forbids} is forbidden until you decide")
        elif entry.get("state") == decision.state:
            done.kept.append(f"{words}; {_said(entry) or 'not decided yet'}")
        else:
            done.reopened.append(f"{words}; {_reopen(entry, decision)}")
    for entry in [entries[feature] for feature in dict.fromkeys(gone) if feature in entries]:
        said = _said(entry) or "it was not decided"
        done.gone.append(f"{entry.get('name') or 'a closure'} ({entry['feature']}): the data asks no more; {said}")
        if remove:
            _drop(doc, "decision", [entry])
    return done


def _asked(decision: Decision) -> dict[str, Any]:
    keys = {"feature": decision.feature, "name": decision.name, "says": decision.says, "state": decision.state}
    return {**{key: value for key, value in keys.items() if value}, "forbids": decision.forbids}


def _how(decision: Decision) -> tuple[str, str]:
    weaker = '"nothing"' if decision.forbids == "fishing" else '"fishing" or "nothing"'
    return (
        f"Until you decide, {decision.forbids} is forbidden there. Read the rule itself first. To weaken it, write",
        f'{weaker} in the next line and add two: decided = 2026-03-01 (the day, no quotes) and why = "your reason".',
    )


def _reopen(entry: Table, decision: Decision) -> str:
    """Bring a decision to the data's new state; what was decided stays as text."""
    said, earlier = _said(entry), entry.get("before", "")
    tail = _cut_tail(entry)
    forbids = strongest(decision.forbids, str(entry["forbids"])) if entry.get("forbids") in _BANS else decision.forbids
    for key, value in {**_asked(decision), "forbids": forbids}.items():
        if entry.unwrap().get(key) != value:
            entry[key] = value
    for key in ("decided", "why"):
        if key in entry:
            del entry[key]
    if said:
        entry["before"] = f"{said}; before that {earlier}" if earlier else said
    entry.value.body.extend(tail)
    told = f"the data has changed, so decide again: {forbids} is forbidden until then"
    return f"{told} (you had decided: {said})" if said else told


_BANS = ("nothing", "fishing", "entry")


def _said(entry: Table) -> str:
    """Return what a person decided: ``"nothing, 2026-03-01: why"``; empty where nobody did."""
    if not entry.get("decided") and not entry.get("why"):
        return ""
    return f"{entry.get('forbids')}, {entry.get('decided', 'no day')}: {entry.get('why', 'no reason')}"


def _same_file(entry: Table, file: str) -> bool:
    return PurePosixPath(str(entry.get("file"))) == PurePosixPath(file)


def _rows(doc: TOMLDocument, key: str) -> list[Table]:
    return list(cast("AoT", doc[key])) if key in doc else []


def _add(
    doc: TOMLDocument, name: str, keys: Mapping[str, Any], *, before: str = "", comment: Sequence[str] = ()
) -> None:
    table = tomlkit.table()
    for key, value in keys.items():
        if key == before:
            for line in comment:
                table.add(tomlkit.comment(line))
        table.add(key, _item(value))
    table.trivia.indent = "\n"  # a line left free above its header
    if name not in doc:
        doc.append(name, tomlkit.aot())
    cast("AoT", doc[name]).append(table)


def _drop(doc: TOMLDocument, key: str, rows: Sequence[Table]) -> None:
    for row in rows:
        tail = [one for one in _cut_tail(row) if isinstance(one[1], Comment)]
        array = cast("AoT", doc[key])
        at = next(i for i, one in enumerate(array) if one is row)
        del array[at]
        if not len(array):
            doc.remove(key)
            for _, comment in tail:
                doc.add(cast("Comment", comment))
        else:
            array[max(at - 1, 0)].value.body.extend(tail)


def _cut_tail(table: Table) -> list[Row]:
    """Take the comments and blank lines after the last key off a table: they speak of what comes next."""
    body, tail = table.value.body, list[Row]()
    while body and body[-1][0] is None:
        tail.insert(0, body.pop())
    return tail


def _item(value: Any) -> Item:
    if not isinstance(value, Mapping):
        return cast("Item", tomlkit.item(value))
    table = tomlkit.inline_table()
    table.update(value)
    return table
