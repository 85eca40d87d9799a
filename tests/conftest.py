"""Hypothesis tries new examples by hand and the same ones in CI, where a rare find must not hide what a change did."""

from __future__ import annotations

import os
from collections.abc import Iterator
from typing import Any

import pytest
from hypothesis import settings

settings.register_profile("steady", derandomize=True)
if os.environ.get("CI") == "true":
    settings.load_profile("steady")


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    """Headless Chromium, for the tests that look at a page."""
    from tests.pages import CHROMIUM, QUIET, sync_api  # noqa: PLC0415 - the other tests need no browser

    with sync_api.sync_playwright() as driver:
        chromium = driver.chromium.launch(executable_path=CHROMIUM, args=QUIET)
        yield chromium
        chromium.close()
