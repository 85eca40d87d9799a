"""Progress on one line of a terminal; silence into a pipe."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager


@contextmanager
def progress() -> Iterator[Callable[[str], None]]:
    """Give a function that shows what is being done, and wipe the line at the end."""
    shown = sys.stderr.isatty()

    def say(text: str) -> None:
        if shown:
            sys.stderr.write(f"\r\x1b[K{text} …")
            sys.stderr.flush()

    try:
        yield say
    finally:
        if shown:
            sys.stderr.write("\r\x1b[K")
            sys.stderr.flush()
