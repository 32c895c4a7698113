"""Hands to judging what others than packets witness: switches, other listeners, the history."""

from __future__ import annotations

import contextlib
from collections.abc import Awaitable, Callable
from typing import Any

Ask = Callable[[str, dict[str, Any]], Awaitable[dict[str, Any]]]
"""Give judging an order by its name and fields; ValueError while it is away."""


async def tell_judging(ask: Ask, seen: dict[str, Any]) -> None:
    """Tell one observation. Lost while judging is being restarted: the sender tells its next one when it is back."""
    with contextlib.suppress(ValueError):
        await ask("observed", {"seen": [seen]})
