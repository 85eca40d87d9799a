"""Commands run as a person runs them."""

from __future__ import annotations

import contextlib
import io
from pathlib import Path

from spotmap.cli import main


def run(*words: str | Path) -> tuple[int, str, str]:
    """Run a command; return its exit code, what it said, and what it complained of."""
    said, complained = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(said), contextlib.redirect_stderr(complained):
        try:
            main([str(word) for word in words])
            code = 0
        except SystemExit as end:
            code = int(end.code or 0)
    return code, said.getvalue(), complained.getvalue()
