"""Which tests are quick, seldom, slow or live, by where they are.

`make test` runs the quick ones. `make test-all` runs quick, seldom and slow ones in parallel. Beside them it runs the
live ones in two rows, each one at a time and first in line for a processor, and then those of the browser: they drive
whole daemons, sockets, namespaces and pages by the clock of a real computer, and mostly wait.
"""

from __future__ import annotations

import gc
from collections.abc import Generator
from pathlib import Path

import pytest

from tests.compiling import built
from tests.leftovers import (
    pytest_runtest_call,
    pytest_runtest_makereport,
    pytest_runtest_protocol,
    pytest_runtest_teardown,
)
from tests.surroundings import fix
from tests.sweep import draw

__all__ = [  # a fixture and hooks for all tests
    "built",
    "pytest_runtest_call",
    "pytest_runtest_makereport",
    "pytest_runtest_protocol",
    "pytest_runtest_teardown",
]
fix()
ROOT = Path(__file__).parent
LIVE = (
    "test_app",
    "test_api_strangers",
    "test_clock_set",
    "test_first_contact",
    "test_ports_freed",
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
LIVE_WITHIN_S = 1800
"""Longer than their own waits together, which say what did not come."""
PATIENT = (
    "test_app",
    "test_api_strangers",
    "test_reference_live",
    "test_restart",
    "net/test_documents_net",
    "campus/test_campus_live",
    "outside/test_page",
)
"""Live ones that wait for what they expect, however unevenly their desk sends meanwhile: a row of their own."""
SLOW = (
    "web/",
    "test_deb",
    "test_wheel",
    "fuzz/",
    "model/test_strides",
    "rehearse/test_anyshow",
    "rehearse/test_invariants",
    "rehearse/test_leaps",
    "rehearse/test_replayed",
    "rehearse/test_restarted",
)
"""What builds a package or starts a browser, and what shows at many values, or on drawn shows, what a quick test shows
on one. A test of more than two seconds of CPU carries the mark itself."""
PLAYED = ("judge/", "model/", "rehearse/")
"""Tests that play shows. Most values of such a test are `seldom`: not quick, but traced as quick ones are. So are the
tests that UNTRACED lists, except the first of each module: they take long, and others run their lines."""
TRACED = "not live and not slow"
QUICK_ONLY = f"{TRACED} and not seldom"
BROWSER = ("web/",)
"""In a run of their own: the browser's library keeps an event loop running, and asyncio tests need one of theirs."""
LEFT_OUT = {
    QUICK_ONLY: (*LIVE, *SLOW),
    TRACED: (*LIVE, *SLOW),
    "not live and not browser": (*LIVE, *BROWSER),
    "browser and not live": LIVE,
    "live and not patient": PATIENT,
}
"""What is left out with these words of `-m`."""
READ_ALONE = {"live": LIVE, "live and not patient": LIVE, "patient": PATIENT, "browser and not live": BROWSER}
"""And what alone is read with these. A module of another place that marks itself as live is read too."""
MARKS_ITSELF = "pytest.mark.live"
UNTRACED = frozenset((ROOT / "untraced.txt").read_text(encoding="utf-8").splitlines())
"""Written by `python -m tests.untraced`: others run their lines too, so neither these nor slow tests are traced."""


def pytest_ignore_collect(collection_path: Path, config: pytest.Config) -> bool | None:
    """Do not even read modules whose tests are all left out: reading takes a worker ten seconds."""
    words = config.option.markexpr
    if not collection_path.is_relative_to(ROOT):
        return None
    inside = str(collection_path.relative_to(ROOT)) + ("/" if collection_path.is_dir() else "")
    if inside.startswith(LEFT_OUT.get(words, ())):
        return True
    if words not in READ_ALONE or collection_path.suffix != ".py" or inside.startswith(READ_ALONE[words]):
        return None
    return MARKS_ITSELF not in collection_path.read_text(encoding="utf-8") or None


@pytest.hookimpl(wrapper=True)
def pytest_runtest_setup(item: pytest.Item) -> Generator[None]:
    """Trace nothing either of a fixture that an untraced test makes for others: the mark alone leaves setup traced."""
    tracing = getattr(item.config.pluginmanager.getplugin("_cov"), "cov_controller", None)
    if tracing is None or item.get_closest_marker("no_cover") is None:
        return (yield)
    tracing.pause()
    try:
        return (yield)
    finally:
        tracing.resume()


def pytest_collection_finish() -> None:
    """Let the garbage collector leave alone what lasts as long as the tests do."""
    gc.collect()
    gc.freeze()


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    # The longest test begins first: at the end one worker would wait for the other.
    items.sort(key=lambda item: item.path.name != "test_deb.py")
    played = [item for item in items if str(item.path.relative_to(ROOT)).startswith(PLAYED)]
    draw(played)
    first = {item.path: item for item in reversed(played)}
    for item in played:
        if _is_listed(item) and item is not first[item.path]:
            item.add_marker(pytest.mark.seldom)
    for item in items:
        inside = str(item.path.relative_to(ROOT))
        if inside.startswith(LIVE):
            item.add_marker(pytest.mark.live)
        elif inside.startswith(SLOW):
            item.add_marker(pytest.mark.slow)
        if item.get_closest_marker("live") and not item.get_closest_marker("timeout"):
            item.add_marker(pytest.mark.timeout(LIVE_WITHIN_S))
        if inside.startswith(PATIENT):
            item.add_marker(pytest.mark.patient)
        if inside.startswith(BROWSER):
            item.add_marker(pytest.mark.browser)
        is_measured = item.config.getoption("cov_context", None) is not None  # by `python -m tests.untraced`: all
        if (_is_listed(item) and not is_measured) or item.get_closest_marker("slow"):
            item.add_marker(pytest.mark.no_cover)


def _is_listed(item: pytest.Item) -> bool:
    return not UNTRACED.isdisjoint((item.nodeid, item.nodeid.partition("[")[0]))
