"""The planner's own ways to fail."""

from __future__ import annotations

from collections.abc import Iterable


class NoPlanError(Exception):
    """The input is fine but no lawful, safe plan exists (exit code 3).

    Parameters
    ----------
    headline
        What could not be planned, in one sentence.
    reasons
        Why, the weightiest first.
    remedies
        What would help, the likeliest first.
    """

    def __init__(self, headline: str, reasons: Iterable[str] = (), remedies: Iterable[str] = ()) -> None:
        self.headline = headline
        self.reasons = tuple(reasons)
        self.remedies = tuple(remedies)
        lines = [headline, *(f"  because: {reason}" for reason in self.reasons)]
        lines += [f"  would help: {remedy}" for remedy in self.remedies]
        super().__init__("\n".join(lines))
