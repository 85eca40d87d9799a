"""What a person says of a new area, and what writing into one changed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from layers.model import Role, Show


@dataclass(frozen=True)
class NewArea:
    """What a person says of an area that is not there yet."""

    name: str
    timezone: str
    depth_datum: str
    show: Show


@dataclass(frozen=True)
class LayerChange:
    """A made file, with its number of features before and after; None where there was none, or it has no features."""

    file: str
    role: Role | None
    before: int | None = None
    after: int | None = None

    def __str__(self) -> str:
        counts = [str(count) for count in (self.before, self.after) if count is not None]
        words = f"{self.file} ({self.role})" if self.role else self.file
        unit = "feature" if counts and counts[-1] == "1" else "features"
        return f"{words}: {' → '.join(counts)} {unit}" if counts else words


@dataclass(frozen=True)
class Changes:
    """What `write_made` did: files added, replaced, kept (made again to the byte) and removed; decisions, in words."""

    added: tuple[LayerChange, ...] = ()
    replaced: tuple[LayerChange, ...] = ()
    kept: tuple[LayerChange, ...] = ()
    removed: tuple[LayerChange, ...] = ()
    decisions_new: tuple[str, ...] = ()
    decisions_kept: tuple[str, ...] = ()
    decisions_reopened: tuple[str, ...] = ()
    decisions_gone: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()

    def lines(self) -> tuple[str, ...]:
        """Return all of it as lines to print; no control character of the data is among them."""
        told: list[tuple[str, Sequence[object]]] = [
            ("added", self.added),
            ("replaced", self.replaced),
            ("unchanged", self.kept),
            ("removed", self.removed),
            ("to decide", self.decisions_new),
            ("to decide again", self.decisions_reopened),
            ("decision kept", self.decisions_kept),
            ("decision gone", self.decisions_gone),
            ("note", self.notes),
        ]
        return tuple(_printable(f"{word}: {one}") for word, ones in told for one in ones)


def _printable(text: str) -> str:
    return "".join(one if one.isprintable() else " " for one in text)
