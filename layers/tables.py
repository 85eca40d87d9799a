"""Reading tables of a TOML file: every problem is noted with its file and key, and all are told at once."""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Callable, Iterable, Mapping
from datetime import date, datetime
from math import inf
from pathlib import Path
from typing import Any, TypeVar

from layers._errors import Finding, InputError
from layers.units import Kind, parse_quantity

T = TypeVar("T")

_MOST_BYTES = 10_000_000


def read_toml(file: Path) -> dict[str, Any]:
    """Return the tables of a TOML file.

    Raises
    ------
    InputError
        When the file is missing, too large for what it should be, not UTF-8, or not TOML (with line and column).
    """
    try:
        if file.stat().st_size > _MOST_BYTES:
            raise InputError.one(str(file), "is too large for a TOML file of settings.", "Give the right file.")
        return tomllib.loads(file.read_text(encoding="utf-8-sig"))
    except FileNotFoundError:
        raise InputError.one(str(file), "there is no such file.", "Check the path.") from None
    except UnicodeDecodeError as error:
        raise InputError.one(str(file), f"is not UTF-8 text ({error.reason}).", "Save it as UTF-8.") from None
    except (tomllib.TOMLDecodeError, ValueError, RecursionError) as error:
        raise InputError.one(str(file), f"is not valid TOML: {error}.", "Mend that line.") from None
    except OSError as error:
        raise InputError.one(str(file), f"cannot be read: {error.strerror}.", "Check the path.") from None


class Table:
    """One table of a TOML file, read key by key.

    Parameters
    ----------
    values
        The table.
    where
        The file and the table's place in it, for messages: ``"trip.toml, rod 2"``.
    findings
        Problems are appended here; nothing is raised.

    Notes
    -----
    A getter returns its default after it has noted a problem, so that reading goes on and all is told at once: call
    `raise_all` before the values are used.
    """

    def __init__(self, values: Mapping[str, Any], where: str, findings: list[Finding]) -> None:
        self._values = values
        self.where = where
        self._findings = findings
        self._known: list[str] = []

    def problem(self, key: str, what: str, remedy: str) -> None:
        """Note a problem with a key."""
        self._findings.append(Finding(f"{self.where}, key '{key}'", what, remedy))

    def has(self, key: str) -> bool:
        """Return whether the key is there, and count it as known."""
        self._known.append(key)
        return key in self._values

    def text(self, key: str, default: str | None = None, *, choices: Iterable[str] = ()) -> str:
        """Return a text that is not empty; without a default the key is required."""
        value = self._get(key, default, f'write {key} = "…"')
        allowed = tuple(choices)
        if value is not None and not (isinstance(value, str) and value.strip()):
            self.problem(key, f"{value!r} is not a text.", f'Write it in quotes: {key} = "…".')
        elif allowed and isinstance(value, str) and value not in allowed:
            near = difflib.get_close_matches(value, allowed, n=1)
            hint = f"Did you mean '{near[0]}'?" if near else f"Write one of: {', '.join(allowed)}."
            self.problem(key, f"'{value}' is not one of {', '.join(allowed)}.", hint)
            return default or allowed[0]
        return value if isinstance(value, str) else (default or "")

    def quantity(self, key: str, kind: Kind, default: float | None = None, *, minimum: float = -inf) -> float:
        """Return a quantity with its unit, in SI; without a default the key is required.

        `minimum` is the least value allowed, in SI.
        """
        if not self.has(key):
            if default is None:
                self.problem(key, "is missing.", f'Write it with its unit, for example {key} = "{_EXAMPLES[kind]}".')
            return default or 0.0
        return self.reading(
            key,
            lambda value, where: parse_quantity(value, kind, where, minimum=minimum),
            default or 0.0,
        )

    def reading(self, key: str, read: Callable[[Any, str], T], default: T) -> T:
        """Return a value through a reader that raises `InputError`; what it raises is noted."""
        self._known.append(key)
        if key not in self._values:
            return default
        try:
            return read(self._values[key], f"{self.where}, key '{key}'")
        except InputError as error:
            self._findings.extend(error.findings)
            return default

    def number(self, key: str, default: float | None = None, *, low: float, high: float) -> float:
        """Return a bare number between two bounds, both allowed."""
        value = self._get(key, default, f"write a number from {low:g} to {high:g}")
        if value is None:
            return low
        if isinstance(value, bool) or not isinstance(value, int | float) or not low <= value <= high:
            self.problem(key, f"{value!r} is not a number from {low:g} to {high:g}.", "Give one in that range.")
            return low
        return float(value)

    def whole(self, key: str, default: int | None = None, *, low: int, high: int) -> int:
        """Return a whole number between two bounds, both allowed."""
        value = self._get(key, default, f"write a whole number from {low} to {high}")
        if value is None:
            return low
        if isinstance(value, bool) or not isinstance(value, int) or not low <= value <= high:
            self.problem(key, f"{value!r} is not a whole number from {low} to {high}.", "Give one in that range.")
            return low
        return value

    def flag(self, key: str, *, default: bool | None = None) -> bool:
        """Return true or false."""
        value = self._get(key, default, "write true or false")
        if value is not None and not isinstance(value, bool):
            self.problem(key, f"{value!r} is neither true nor false.", "Write true or false, without quotes.")
        return value is True

    def day(self, key: str) -> date | None:
        """Return a date, or None where the key is absent."""
        if not self.has(key):
            return None
        value = self._values[key]
        if isinstance(value, datetime) or not isinstance(value, date):
            self.problem(key, f"{value!r} is not a date.", f"Write it as {key} = 2026-03-01, without quotes.")
            return None
        return value

    def table(self, key: str, *, required: bool = False) -> Table:
        """Return a table within this one; an empty one where it is absent."""
        if required and not self.has(key):
            self.problem(key, "the table is missing.", f"Add a [{key}] table.")
        self._known.append(key)
        value = self._values.get(key, {})
        if not isinstance(value, dict):
            self.problem(key, f"{value!r} is not a table.", f"Write a [{key}] table.")
            value = {}
        return Table(value, f"{self.where}, {key}", self._findings)

    def tables(self, key: str) -> list[Table]:
        """Return the tables of an array of tables, each named by its place."""
        self._known.append(key)
        value = self._values.get(key, [])
        if not isinstance(value, list) or not all(isinstance(one, dict) for one in value):
            self.problem(key, "is not a list of tables.", f"Write each as [[{key}]].")
            return []
        return [Table(one, f"{self.where}, {key} {count}", self._findings) for count, one in enumerate(value, 1)]

    def done(self) -> None:
        """Note every key that was never asked for, with the nearest one that exists."""
        for key in self._values:
            if key not in self._known:
                near = difflib.get_close_matches(key, self._known, n=1)
                hint = f"Did you mean '{near[0]}'?" if near else f"Known here: {', '.join(sorted(set(self._known)))}."
                self.problem(key, "is not a key that is known here.", hint)

    def _get(self, key: str, default: object, how: str) -> Any:
        if not self.has(key):
            if default is None:
                self.problem(key, "is missing.", f"{how[0].upper()}{how[1:]}.")
            return default
        return self._values[key]


_EXAMPLES: dict[Kind, str] = {
    "length": "100 ft",
    "speed": "2.7 kn",
    "mass": "12 lb",
    "time": "90 min",
    "angle": "42 deg",
    "volume": "60 gal",
    "flow": "1.0 gal/h",
}


def raise_all(findings: Iterable[Finding]) -> None:
    """Raise everything noted so far.

    Raises
    ------
    InputError
        With all findings, when there is one.
    """
    found = tuple(findings)
    if found:
        raise InputError(found)
