"""What can be wrong with input, collected and told together."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True)
class Finding:
    """One thing that is wrong or doubtful in the input.

    Parameters
    ----------
    where
        File, and the layer, key or feature in it: ``"area.toml, layer 3 (closure), feature 2 'Gannet Rocks'"``.
    what
        What was found and what is allowed, in one sentence.
    remedy
        What the user can do about it, in one sentence.
    severity
        ``"error"`` stops the plan, ``"warning"`` goes with it.
    """

    where: str
    what: str
    remedy: str
    severity: Literal["error", "warning"] = "error"

    def __str__(self) -> str:
        return f"{self.where}: {self.what} {self.remedy}".strip()


class InputError(Exception):
    """The input is at fault (exit code 2); carries every finding at once.

    Parameters
    ----------
    findings
        All errors found, in the order met; at least one.
    """

    def __init__(self, findings: Iterable[Finding]) -> None:
        self.findings = tuple(findings)
        super().__init__("\n".join(str(finding) for finding in self.findings))

    @classmethod
    def one(cls, where: str, what: str, remedy: str) -> InputError:
        """Return an error of a single finding."""
        return cls([Finding(where, what, remedy)])
