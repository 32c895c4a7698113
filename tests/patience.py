"""Waiting in tests for what comes about by itself: never a time that is asserted, only when to give up."""

from __future__ import annotations

import asyncio
import contextlib
import time
from collections.abc import Callable
from typing import Any

PATIENCE_S = 180.0
"""Nothing that is measured: how long a test waits on a computer that is busy with many others. With ten that want
to run for each processor, two daemons took over 40 s to start. A test that passes never waits so long, and every other
limit of a test is this one or longer (`tests/test_limits.py`)."""
PROGRAM_S = 4 * PATIENCE_S
"""When to give up a program of a test that itself waits several times."""
TRIALS = 5
"""How often something is tried that may take no longer than a bound. A busy computer only makes it longer: what is too
slow by itself is so every time."""


def until(what: Callable[[], Any], within_s: float = PATIENCE_S) -> Any:
    """Ask until the answer is true; return it. Fails with the last answer."""
    deadline_s = time.monotonic() + within_s
    while not (answer := what()):
        assert time.monotonic() < deadline_s, f"not within {within_s} s: {answer!r}"
        time.sleep(0.01)
    return answer


async def happens(what: Callable[[], Any], within_s: float = PATIENCE_S) -> Any:
    """As `until`, while the event loop continues."""
    deadline_s = time.monotonic() + within_s
    while not (answer := what()):
        assert time.monotonic() < deadline_s, f"not within {within_s} s: {answer!r}"
        await asyncio.sleep(0.005)
    return answer


async def cancelled(task: asyncio.Task[Any], within_s: float = PATIENCE_S) -> None:
    """Cancel a task once, and see it end. Fails if it goes on: waiting for ever would break off the run."""
    task.cancel()
    ended, _ = await asyncio.wait({task}, timeout=within_s)
    assert ended, f"it was cancelled and goes on: {task}"


async def lose_a_cancel() -> None:
    """Go on after a cancel as if nobody had asked, as a library may that waits by asyncio.wait_for (ended_tasks.py)."""
    with contextlib.suppress(asyncio.CancelledError):
        await asyncio.Event().wait()
