"""The way in from a shell."""

from __future__ import annotations

import gc
from collections.abc import Sequence


def main(arguments: Sequence[str] | None = None) -> None:
    """Run a command and leave with its exit code, as `spotmap.cli.main` does.

    Importing makes hundreds of thousands of objects and no garbage: the collector waits until that is done, and what
    is imported is left out of its rounds, which takes a tenth off a plan's time.

    Parameters
    ----------
    arguments
        The words after the program's name; None takes them from the command line.

    Raises
    ------
    SystemExit
        Always.
    """
    gc.disable()
    from spotmap.cli import main as run  # noqa: PLC0415  the imports are what the collector waits for

    gc.freeze()
    gc.enable()
    run(arguments)
