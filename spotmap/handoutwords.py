"""What the skipper says to clients in the trip file's own table, [handout]."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from layers._errors import Finding, InputError
from layers.model import Area
from layers.tables import Table, raise_all, read_toml
from spotmap.clientplan import private_namer

_MOST_CHARACTERS = 600
_MOST_THINGS = 20


@dataclass(frozen=True)
class HandoutWords:
    """The skipper's own words: where to meet, what to bring, whom to call, which boat; empty where nothing is said."""

    meet: str = ""
    bring: tuple[str, ...] = ()
    contact: str = ""
    boat: str = ""


def read_handout_words(file: Path, area: Area) -> HandoutWords:
    """Return what the trip file's [handout] table says; it need not be there.

    Parameters
    ----------
    file
        The trip file.
    area
        Its area: a text that names a private mark is refused, for these words go to clients.

    Returns
    -------
    HandoutWords
        `bring` may be written as one text or as a list of texts.

    Raises
    ------
    InputError
        With every problem: unknown keys, what is no text or is too long, names of private marks.
    """
    findings: list[Finding] = []
    top = Table(read_toml(file), file.name, findings).table("handout")
    names_private = private_namer(area)

    def said(value: Any, where: str) -> str:
        if not isinstance(value, str) or not value.strip():
            raise InputError.one(where, f"{value!r} is not a text.", "Write it in quotes.")
        if len(value) > _MOST_CHARACTERS:
            raise InputError.one(where, f"is {len(value)} characters long.", f"Write at most {_MOST_CHARACTERS}.")
        text = " ".join(value.split())
        if names_private(text):
            raise InputError.one(where, "names a private mark.", "Clients read this: say it without that name.")
        return text

    def things(value: Any, where: str) -> tuple[str, ...]:
        every = value if isinstance(value, list) else [value]
        if not 1 <= len(every) <= _MOST_THINGS:
            raise InputError.one(where, f"lists {len(every)} things.", f"List 1 to {_MOST_THINGS}.")
        return tuple(said(one, where) for one in every)

    words = HandoutWords(
        meet=top.reading("meet", said, ""),
        bring=top.reading("bring", things, ()),
        contact=top.reading("contact", said, ""),
        boat=top.reading("boat", said, ""),
    )
    top.done()
    raise_all(findings)
    return words
