"""The house's DMX512 lines among the rows of the universe table."""

from __future__ import annotations

import numpy as np

from slotwatch.house.schema import Line
from slotwatch.judge.context import RuleContext
from slotwatch.wire.universe import Protocol


def line_name(ctx: RuleContext, number: int) -> str:
    """Name a line by its number: `line/rack-feed`."""
    return next((f"line/{line.name}" for line in ctx.house.lines if line.number == number), f"line {number}")


def line_rows(ctx: RuleContext, number: int) -> tuple[int, ...]:
    """Give the rows of the universe table that a line's frames go to."""
    universes = ctx.universes
    found = universes.used & (universes.protocol == int(Protocol.LINE)) & (universes.number == number)
    return tuple(np.flatnonzero(found).tolist())


def compared_row(ctx: RuleContext, line: Line) -> int | None:
    """Give the row of the universe that should be on a line; None where none is named or it was not heard yet."""
    wanted, universes = line.compare_with, ctx.universes
    if wanted is None:
        return None
    rows = np.flatnonzero(
        universes.used & (universes.protocol == int(wanted.protocol)) & (universes.number == wanted.number)
    )
    return int(rows[0]) if len(rows) else None


def line_row(ctx: RuleContext, line: Line) -> int | None:
    """Give a line's row; None before its first frame."""
    rows = line_rows(ctx, line.number)
    return rows[0] if rows else None
