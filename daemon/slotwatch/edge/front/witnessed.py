"""Hands to judging what others than packets witness: switches, other listeners, the history."""

from __future__ import annotations

import contextlib
from collections.abc import Awaitable, Callable

from slotwatch.edge.shared.messages import Done
from slotwatch.edge.shared.messages.orders import FrontOrder, FrontResult, TakeListener, TakeSwitch, TakeUsual

Ask = Callable[[FrontOrder], Awaitable[Done[FrontResult]]]
"""Send an order to judging and await the result; ValueError while judging is away, or if it refuses."""


async def tell_judging(ask: Ask, seen: TakeListener | TakeSwitch | TakeUsual) -> None:
    """Pass on one observation. Lost while judging is being restarted: the sender passes on its next one."""
    with contextlib.suppress(ValueError):
        await ask(seen)
