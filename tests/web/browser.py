"""Debian's Chromium under Playwright: how it is started, and when its absence is a skip or a failure."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager

import pytest
from playwright.sync_api import Browser, sync_playwright

CHROMIUM = "/usr/bin/chromium"
FLAGS = [
    "--headless", "--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync",
]  # fmt: skip


def chromium_or_skip() -> str:
    found = CHROMIUM if os.access(CHROMIUM, os.X_OK) else shutil.which("chromium")
    if found:
        return found
    if os.environ.get("CI") == "true":
        pytest.fail("chromium is missing: sudo apt-get install chromium")
    pytest.skip("chromium is missing: sudo apt-get install chromium")


@contextmanager
def chromium(extra: list[str] | None = None) -> Iterator[Browser]:
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium_or_skip(), args=[*FLAGS, *(extra or [])])
        try:
            yield browser
        finally:
            browser.close()
