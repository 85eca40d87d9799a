"""Decisions (placeholder of the records until they are read)."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

from layers._errors import Finding
from layers.tables import Table


class DecisionRecord:
    """One decision."""


def read_decisions(tables: Sequence[Table], found: list[Finding]) -> tuple[DecisionRecord, ...]:
    """Return decisions."""
    del tables, found
    return ()


def ruling(
    records: Sequence[DecisionRecord], feature: str, state: str, forbids: Literal["fishing", "entry"]
) -> tuple[Literal["fishing", "entry", "nothing"], str]:
    """Return what holds."""
    del records, feature, state
    return forbids, ""
