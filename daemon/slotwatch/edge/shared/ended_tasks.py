"""Tasks that are surely over.

One cancel may be lost: before Python 3.12, `asyncio.wait_for` returns what it waited for if that comes in the same
turn as the cancel, and the task goes on as if nobody had asked it to end. A library may also report an error of its own
in place of it. Who cancels once and then waits, as `asyncio.TaskGroup` does, would wait for ever.
"""

from __future__ import annotations

import asyncio
from collections.abc import Coroutine, Iterable

AGAIN_AFTER_S = 1.0
"""A task that is cancelled may still close what it holds; one that lost the cancel waits for as long as it is let."""


async def end_tasks(tasks: Iterable[asyncio.Task[None]]) -> None:
    """Cancel tasks until all are done. How each ended is not told.

    Who is cancelled meanwhile goes on until they are, and gets CancelledError then.
    """
    every = set(tasks)
    told: asyncio.CancelledError | None = None
    while left := {task for task in every if not task.done()}:
        for task in left:
            task.cancel()
        try:
            await asyncio.wait(left, timeout=AGAIN_AFTER_S)
        except asyncio.CancelledError as error:
            told = error
    for task in every:
        if not task.cancelled():
            task.exception()  # or the loop would complain that nobody looked
    if told is not None:
        raise told


async def work_together(*work: Coroutine[object, object, None]) -> None:
    """Do all of this side by side, until all of it is done or one fails; its error then. None of it goes on after."""
    tasks = [asyncio.create_task(one) for one in work]
    failed: BaseException | None = None
    try:
        if tasks:
            done, _ = await asyncio.wait(tasks, return_when=asyncio.FIRST_EXCEPTION)
            failed = next((task.exception() for task in done if not task.cancelled() and task.exception()), None)
    finally:
        await end_tasks(tasks)
    if failed is not None:
        raise failed


def stop_if_asked() -> None:
    """Raise the CancelledError of this task that what it waited for kept."""
    if (own := asyncio.current_task()) and own.cancelling():
        raise asyncio.CancelledError
