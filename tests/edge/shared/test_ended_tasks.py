"""Tasks end although a cancel is lost on the way."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator

import pytest

from slotwatch.edge.shared import ended_tasks as module
from slotwatch.edge.shared.ended_tasks import end_tasks, stop_if_asked, work_together
from tests.patience import cancelled, happens, lose_a_cancel


@pytest.fixture(autouse=True)
def soon(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "AGAIN_AFTER_S", 0.01)


class Working:
    """Goes on for ever, and loses the first cancels."""

    def __init__(self, losses: int = 0) -> None:
        self.begun, self.left, self.ended = asyncio.Event(), losses, asyncio.Event()

    async def run(self) -> None:
        try:
            self.begun.set()
            while self.left:
                await lose_a_cancel()
                self.left -= 1
            await asyncio.Event().wait()
        finally:
            self.ended.set()


@contextlib.asynccontextmanager
async def begun(*works: Working) -> AsyncIterator[list[asyncio.Task[None]]]:
    tasks = [asyncio.create_task(one.run()) for one in works]
    for one in works:
        await one.begun.wait()
    yield tasks
    assert all(task.done() for task in tasks)


async def test_a_task_that_loses_a_cancel_is_cancelled_again() -> None:
    async with begun(Working(), Working(losses=3)) as tasks:
        await end_tasks(tasks)
        assert all(task.cancelled() for task in tasks)


async def test_none_and_those_that_are_over_are_no_trouble() -> None:
    await end_tasks([])
    async with begun(Working()) as tasks:
        await cancelled(tasks[0])
        await end_tasks(tasks)


async def test_how_a_task_ended_is_no_trouble_of_who_ends_it() -> None:
    async def fail() -> None:
        try:
            begins.set()
            await asyncio.Event().wait()
        finally:
            raise OSError("it fails at its end")

    begins = asyncio.Event()
    task = asyncio.create_task(fail())
    await begins.wait()
    await end_tasks([task])
    assert isinstance(task.exception(), OSError)


async def test_who_is_cancelled_meanwhile_leaves_nothing_behind_and_is_cancelled() -> None:
    work = Working(losses=3)
    async with begun(work) as tasks:
        ending = asyncio.create_task(end_tasks(tasks))
        await happens(lambda: work.left == 2)  # it waits for the task, which has lost one
        await cancelled(ending)
        assert ending.cancelled() and work.ended.is_set()


async def test_work_that_is_done_side_by_side_ends_with_the_one_cancel_of_who_waits_for_it() -> None:
    works = Working(), Working(losses=2)
    together = asyncio.create_task(work_together(*(one.run() for one in works)))
    for one in works:
        await one.begun.wait()
    await cancelled(together)
    assert together.cancelled() and all(one.ended.is_set() for one in works)


async def test_work_that_fails_ends_the_other_work_and_is_told() -> None:
    async def fail() -> None:
        await other.begun.wait()
        raise OSError("it fails")

    other = Working(losses=1)
    with pytest.raises(OSError, match="it fails"):
        await work_together(other.run(), fail())
    assert other.ended.is_set()


async def test_work_that_is_over_is_waited_for() -> None:
    found: list[int] = []

    async def note(number: int) -> None:
        found.append(number)

    await work_together(note(1), note(2))
    await work_together()
    assert sorted(found) == [1, 2]


async def test_a_cancel_that_was_lost_is_heeded_where_a_loop_begins_again() -> None:
    async def lose() -> None:
        stop_if_asked()
        with contextlib.suppress(asyncio.CancelledError):
            begins.set()
            await asyncio.Event().wait()
        stop_if_asked()
        raise AssertionError("it goes on")

    begins = asyncio.Event()
    task = asyncio.create_task(lose())
    await begins.wait()
    await cancelled(task)
    assert task.cancelled()
