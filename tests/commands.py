"""Commands run as a person runs them."""

from __future__ import annotations

import contextlib
import functools
import io
from pathlib import Path
from unittest.mock import patch

import typer.main

from spotmap import cli

cli._with_all_commands()
_built_once = functools.cache(typer.main.get_command)
"""The commands are the same each time, and building them takes as long as running one."""


def run(*words: str | Path) -> tuple[int, str, str]:
    """Run a command; return its exit code, what it said, and what it complained of."""
    said, complained = io.StringIO(), io.StringIO()
    built = patch.object(typer.main, "get_command", _built_once)
    with built, contextlib.redirect_stdout(said), contextlib.redirect_stderr(complained):
        try:
            cli.main([str(word) for word in words])
            code = 0
        except SystemExit as end:
            code = int(end.code or 0)
    return code, said.getvalue(), complained.getvalue()
