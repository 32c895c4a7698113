"""The house's DMX512 lines among the rows of the universe table."""

from __future__ import annotations

import numpy as np

from slotwatch.house.schema import Line
from slotwatch.judge.blind_windows import is_counted
from slotwatch.judge.context import RuleContext
from slotwatch.judge.tapped_line import MOST_FAULTS, WINDOW_S
from slotwatch.wire.universe import Protocol

CHECKS_OF_A_DISTURBED_LINE = (
    "Look for a terminator that is missing at the end, or one in the middle of the chain.",
    "Look for a passive split, an audio lead or a damp connector on this line. Touch no damp connector.",
    "Check whether two outputs are plugged onto one line.",
)
CHECK_OF_WHAT_DRIVES = "Look at what drives this pair: is it an output that is set to DMX512?"
CHECKS_WITHOUT_BREAKS = (CHECK_OF_WHAT_DRIVES, "Try another adapter for the tap: some do not show breaks.")
CHECKS_OF_AN_UNREADABLE_LINE = (
    "Look at the tap's data wires: are pins 2 and 3 exchanged?",
    CHECK_OF_WHAT_DRIVES,
    "Try another adapter for the tap: some cannot receive 250,000 bits a second.",
)
"""ANSI E1.11: 250,000 bits a second; pin 2 is Data 1-, pin 3 Data 1+."""


def line_name(ctx: RuleContext, number: int) -> str:
    """Name a line by its number: `line/rack-feed`."""
    return next((f"line/{line.name}" for line in ctx.house.lines if line.number == number), f"line {number}")


def line_group(ctx: RuleContext, number: int) -> str:
    """Name the group of what is wrong with a line: its faults are one incident."""
    return line_name(ctx, number).replace("/", ":", 1)


def is_disturbed(ctx: RuleContext, number: int) -> bool:
    """Whether more bytes of a line than are accepted came with framing faults, and this computer did not make them."""
    line, marked_ns = ctx.listener.lines.get(number), ctx.listener.marked_until_ns
    if line is None or not line.seen.open:
        return False
    return line.faults_10s > MOST_FAULTS and not is_counted(WINDOW_S, marked_ns, ctx.now_ns)


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
