"""Hypothesis tries new examples by hand and the same ones in CI, where a rare find must not hide what a change did."""

from __future__ import annotations

import os

from hypothesis import settings

settings.register_profile("steady", derandomize=True)
if os.environ.get("CI") == "true":
    settings.load_profile("steady")
