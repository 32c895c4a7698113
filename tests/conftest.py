"""Which tests are quick, which are live and which are slow, by where they are.

`make test` runs the quick ones. `make test-all` runs quick and slow ones in parallel, then the live ones one at a time:
they drive whole daemons, sockets and namespaces by the clock of a real computer.
"""

from __future__ import annotations

from pathlib import Path

import pytest

ROOT = Path(__file__).parent
LIVE = (
    "test_app",
    "test_api_strangers",
    "test_first_contact",
    "test_reference_live",
    "test_restart",
    "test_two_listeners",
    "net/",
    "edge/routes/",
    "edge/lines/",
    "edge/intake/",
    "campus/test_campus_live",
    "outside/test_page",
    "web/test_real_front",
)
SLOW = ("web/", "test_deb", "test_wheel", "rehearse/test_replayed", "fuzz/")
BROWSER = ("web/",)
"""In a run of their own: the browser's library keeps an event loop running, and asyncio tests need one of theirs."""


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    for item in items:
        inside = str(item.path.relative_to(ROOT))
        if inside.startswith(LIVE):
            item.add_marker(pytest.mark.live)
        elif inside.startswith(SLOW):
            item.add_marker(pytest.mark.slow)
        if inside.startswith(BROWSER):
            item.add_marker(pytest.mark.browser)
