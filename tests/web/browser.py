"""Debian's Chromium under Playwright: how it is started, and when its absence is a skip or a failure.

Its headless shell is the same engine without the browser's own windows, and a page takes less than half the CPU in it.
Where the shell is missing the whole browser is used.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import pytest
from playwright.sync_api import Browser, BrowserContext, sync_playwright

from tests.patience import PATIENCE_S

PATIENCE_MS = PATIENCE_S * 1000
CHROMIUM = ("chromium-headless-shell", "chromium")
FLAGS = [
    "--headless", "--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync",
]  # fmt: skip


def chromium_or_skip() -> str:
    found = next(filter(None, map(shutil.which, CHROMIUM)), None)
    if found:
        return found
    words = f"{CHROMIUM[0]} is missing: sudo apt-get install {CHROMIUM[0]}"
    if os.environ.get("CI") == "true":
        pytest.fail(words)
    pytest.skip(words)


@contextmanager
def chromium(extra: list[str] | None = None) -> Iterator[Browser]:
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path=chromium_or_skip(), args=[*FLAGS, *(extra or [])], timeout=PATIENCE_MS
        )
        try:
            yield browser
        finally:
            browser.close()


def context(browser: Browser, **words: Any) -> BrowserContext:
    """A browser's profile of its own, whose every wait gives up as late as those of other tests."""
    made = browser.new_context(**words)
    made.set_default_timeout(PATIENCE_MS)
    return made
