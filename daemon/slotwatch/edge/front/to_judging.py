"""The way from the page's process to judging: orders that are answered, and observations that may get lost."""

from __future__ import annotations

import contextlib
from collections.abc import Awaitable, Callable

from slotwatch.edge.shared.messages import Done
from slotwatch.edge.shared.messages.orders import FrontOrder, FrontResult, TakeListener, TakeSwitch, TakeUsual

Ask = Callable[[FrontOrder], Awaitable[Done[FrontResult]]]
"""Send an order to judging and await the result; ValueError while judging is away, or if it refuses."""


async def tell_judging(ask: Ask, seen: TakeListener | TakeSwitch | TakeUsual) -> None:
    """Pass on what a switch, another listener or the history knows. Lost while judging is being restarted: the sender
    passes on what it sees next."""
    with contextlib.suppress(ValueError):
        await ask(seen)
