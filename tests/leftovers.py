"""What a test leaves behind must fail no other test.

A test that passed and left the environment, the directory or the log other than they were fails at its end. A test
that failed may leave more: what it held is let go of before the next one begins, and its processes are ended. Its end
has a limit of its own, for that of the test counts only until it fails.

`tests/conftest.py` has these hooks for all tests.
"""

from __future__ import annotations

import contextlib
import gc
import logging
import os
import signal
import sys
import threading
import warnings
from collections.abc import Generator, Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from tests.patience import PATIENCE_S

FAILED = pytest.StashKey[bool]()
BEFORE = pytest.StashKey["Surroundings"]()
CHILDREN = pytest.StashKey[set[int]]()


@dataclass(frozen=True)
class Surroundings:
    """What all tests of a process share."""

    environment: dict[str, str]
    directory: str
    log: tuple[int, int, tuple[logging.Handler, ...]]

    @classmethod
    def now(cls) -> Surroundings:
        environment = {name: value for name, value in os.environ.items() if name != "PYTEST_CURRENT_TEST"}
        handlers = tuple(one for one in logging.root.handlers if not type(one).__module__.startswith("_pytest"))
        return cls(environment, str(Path.cwd()), (logging.root.manager.disable, logging.root.level, handlers))

    def restore(self) -> list[str]:
        """Put back what is otherwise now; what that was, in words."""
        now, found = Surroundings.now(), list[str]()
        for name in sorted(self.environment.keys() | now.environment.keys()):
            before = self.environment.get(name)
            if now.environment.get(name) == before:
                continue
            found.append(f"the variable {name} of the environment")
            os.environ.pop(name, None)
            if before is not None:
                os.environ[name] = before
        if now.directory != self.directory:
            found.append(f"the directory {now.directory}")
            os.chdir(self.directory)
        if now.log != self.log:
            found.append("the log")
            logging.disable(self.log[0])
            logging.root.setLevel(self.log[1])
            for one in set(now.log[2]) - set(self.log[2]):
                logging.root.removeHandler(one)
            for one in set(self.log[2]) - set(now.log[2]):
                logging.root.addHandler(one)
        return found


def children() -> set[int]:
    """The processes that this one has started, and has not seen end."""
    found = set[int]()
    for place in Path("/proc/self/task").iterdir():
        with contextlib.suppress(OSError):
            found |= {int(word) for word in (place / "children").read_text().split()}
    return found


def _end(processes: set[int]) -> None:
    for one in processes:
        with contextlib.suppress(OSError):
            if b"multiprocessing" not in Path(f"/proc/{one}/cmdline").read_bytes():  # the library's own lasts
                os.kill(one, signal.SIGKILL)


@contextlib.contextmanager
def _unheard() -> Iterator[None]:
    """Say nothing of what is let go of meanwhile."""
    hook = sys.unraisablehook
    sys.unraisablehook = lambda _fault: None
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            yield
    finally:
        sys.unraisablehook = hook


@pytest.hookimpl(wrapper=True, tryfirst=True)
def pytest_runtest_protocol(item: pytest.Item) -> Generator[None, object, object]:
    """Let go of what a failed test held, which pytest would keep until the next test runs."""
    item.stash[FAILED] = False
    item.stash[BEFORE] = Surroundings.now()
    result = yield
    if item.stash[FAILED]:
        item.stash[BEFORE].restore()
        _end(children() - item.stash.get(CHILDREN, children()))
        with _unheard():
            for name in ("last_type", "last_value", "last_traceback", "last_exc"):
                sys.__dict__.pop(name, None)
            gc.collect()
    return result


@pytest.hookimpl(wrapper=True, tryfirst=True)
def pytest_runtest_call(item: pytest.Item) -> Generator[None, object, object]:
    """Note which processes are others': fixtures have begun theirs."""
    item.stash[CHILDREN] = children()
    return (yield)


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(item: pytest.Item, call: pytest.CallInfo[None]) -> Generator[None, object, object]:
    report = yield
    is_wrong = call.excinfo is not None and not call.excinfo.errisinstance(pytest.skip.Exception)
    item.stash[FAILED] |= is_wrong
    if is_wrong and call.when != "teardown" and isinstance(report, pytest.TestReport):
        # Those of fixtures, which go on: where a test's own block fails, `ended` has printed what its daemon says.
        for daemon in list(getattr(sys.modules.get("tests.daemon"), "STARTED", ())):
            if daemon.process.poll() is None:
                report.sections.append(("what a daemon says that goes on", daemon.account()))
    return report


@pytest.hookimpl(wrapper=True, tryfirst=True)
def pytest_runtest_teardown(item: pytest.Item, nextitem: pytest.Item | None) -> Generator[None, object, object]:
    """Give the end of a test its own limit, and look at what is left after it."""
    limited = threading.current_thread() is threading.main_thread() and not signal.getitimer(signal.ITIMER_REAL)[0]
    within_s = float(item.config.getini("timeout") or 0) or PATIENCE_S
    if limited and item.stash[FAILED]:
        signal.signal(signal.SIGALRM, _broken_off)
        signal.setitimer(signal.ITIMER_REAL, within_s, within_s)
    try:
        result = yield
    finally:
        if limited:
            signal.setitimer(signal.ITIMER_REAL, 0)
    if nextitem is None or item.stash[FAILED]:  # what lasts as long as a module or a run ends with the last test of it
        return result
    left = item.stash[BEFORE].restore()
    assert not left, f"the test left other than it was: {', '.join(left)}"
    return result


def _broken_off(_signal: int, _frame: object) -> None:
    pytest.fail("the end of the test was broken off: something that it began does not end")
