"""The browser that plays the person at a page: Debian's Chromium."""

from __future__ import annotations

import os
import shutil

import pytest

NAMES = ("chromium-headless-shell", "chromium", "chromium-browser")
"""The same engine; the first has no windows, and opens a page in half the processor time."""

MISSING = f"Chromium is missing: install Debian's package {NAMES[0]}"


def chromium() -> str | None:
    """Where it lies; None where there is none."""
    return next((path for name in NAMES if (path := shutil.which(name)) is not None), None)


def needed_chromium() -> str:
    """The same for a test: without it the test is left out, in CI it fails."""
    path = chromium()
    if path is None:
        (pytest.fail if os.environ.get("CI") else pytest.skip)(MISSING)
    return path
