"""A made map opened in headless Chromium, for the tests that look at it."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
if CHROMIUM is None and os.environ.get("CI") != "true":
    pytest.skip("no Chromium on this machine", allow_module_level=True)

sync_api = pytest.importorskip("playwright.sync_api") if os.environ.get("CI") != "true" else None
if sync_api is None:
    from playwright import sync_api  # in CI a missing browser or driver is a failure

QUIET = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)
HEIGHTS = {390: 844, 820: 1180, 1280: 850}


@contextmanager
def opened(
    browser: sync_api.Browser, file: Path, width: int = 1280, *, own_pictures: bool = False
) -> Iterator[sync_api.Page]:
    """Open a page; on leaving, fail if it asked for another file, logged an error or raised one.

    With `own_pictures` it may ask for PNGs that it has drawn itself, as data.
    """
    page = browser.new_page(viewport={"width": width, "height": HEIGHTS[width]}, has_touch=width < 1000)
    asked: list[str] = []
    wrong: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    page.on("console", lambda message: wrong.append(message.text))
    page.on("pageerror", lambda error: wrong.append(str(error)))
    page.on("dialog", lambda dialog: (wrong.append(dialog.message), dialog.dismiss()))
    page.goto(file.as_uri())
    page.wait_for_selector("path.leg")
    yield page
    assert [url for url in asked if not (own_pictures and url.startswith("data:image/png"))] == [file.as_uri()]
    assert wrong == []
    page.close()
