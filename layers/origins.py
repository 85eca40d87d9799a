"""Where an area's layers came from: the machine-written origins.toml (placeholder of the records until it is read)."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from pathlib import Path


@dataclass(frozen=True)
class OriginRecord:
    """Official data that layers were made from."""

    name: str
    kind: str
    source: str
    edition: str
    update: str
    issued: date | None
    as_of: date | None
    files: tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class Origins:
    """All origins of an area."""

    records: tuple[OriginRecord, ...] = ()

    def of(self, file: str) -> tuple[OriginRecord, ...]:
        """Return what a file was made from."""
        del file
        return ()


def read_origins(folder: Path) -> Origins:
    """Return the origins of an area."""
    del folder
    return Origins()
