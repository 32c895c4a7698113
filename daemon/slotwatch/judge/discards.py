"""Streams whose sequence numbers are unusable: who still sends them does not carry on for every receiver."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from slotwatch.judge.binding import Mask
from slotwatch.judge.context import RuleContext
from slotwatch.judge.rules.sequence_unusable import SequenceUnusableParameters, is_unusable, may_be_any


def say_discards(ctx: RuleContext, streams: Iterable[int]) -> str:
    """End a clause about who sends these streams with which of them receivers may discard; empty if none."""
    rows = tuple(streams)
    discarded = ctx.once(_discarded)
    bad = [row for row in rows if discarded[row]]
    if not bad:
        return ""
    some = (
        f" but on {ctx.name_universes(sorted({ctx.universe_of(row) for row in bad}))}" if len(bad) < len(rows) else ""
    )
    return f",{some} with sequence numbers that receivers may discard"


def _discarded(ctx: RuleContext) -> Mask:
    """(S,) streams that the rule `sequence-unusable` is true of now."""
    parameters = SequenceUnusableParameters()
    return is_unusable(ctx, parameters) if may_be_any(ctx, parameters) else np.zeros(ctx.streams.count, np.bool_)
