"""Tasks that are surely over.

One cancel may be lost: before Python 3.12, `asyncio.wait_for` returns what it waited for if that comes in the same
turn as the cancel, and the task goes on as if nobody had asked it to end.
"""

from __future__ import annotations

import asyncio
from collections.abc import Iterable

AGAIN_AFTER_S = 0.5
"""A task that is cancelled may still close what it holds; one that lost the cancel waits for as long as it is let."""


async def end_tasks(tasks: Iterable[asyncio.Task[None]]) -> None:
    """Cancel tasks until all are done. How each ended is not told."""
    left = every = set(tasks)
    while left:
        for task in left:
            task.cancel()
        _, left = await asyncio.wait(left, timeout=AGAIN_AFTER_S)
    await asyncio.gather(*every, return_exceptions=True)
