"""What one source takes from others slot by slot, where per-address priority (start code 0xDD) decides."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from slotwatch.judge import wording
from slotwatch.judge.context import RuleContext
from slotwatch.model.control import gives_slot_priorities, slot_keys

STRANGER = "a stranger"
SEVERAL = "several sources"
"""Who controls a universe: a source that the house does not declare; more than one source."""


@dataclass(frozen=True, slots=True)
class Takeover:
    """The say of one stream on its universe."""

    stream: int
    slots: int
    """Slots that it wins and that another live stream claims at a lower priority."""
    losers: tuple[int, ...]
    """Streams that would win these slots without it, the one with most slots first."""
    shared: int
    """Slots that it and another stream claim at one priority, with no source above."""

    @classmethod
    def of(cls, ctx: RuleContext, row: int, *, by_packets: bool = False) -> Takeover | None:
        """Return what a live stream takes, or None where no stream of its universe gives slot priorities.

        by_packets: also where the priorities of whole packets decide.
        """
        rows = [stream for stream in ctx.streams_of(ctx.universe_of(row)).tolist() if ctx.live[stream]]
        others = np.array([stream for stream in rows if stream != row], np.intp)
        table = ctx.model.streams
        if not len(others) or row not in rows:
            return None
        if not by_packets and not gives_slot_priorities(table, np.array(rows, np.intp)).any():
            return None
        own = slot_keys(table, np.array([row], np.intp))[0]
        theirs = slot_keys(table, others)
        best, holder = theirs.max(0), others[theirs.argmax(0)]
        taken = (own >> 8 > best >> 8) & (best > 0)
        losers, counts = np.unique(holder[taken], return_counts=True)
        shared = int(((own >> 8 == best >> 8) & (best > 0)).sum())
        return cls(row, int(taken.sum()), tuple(losers[np.argsort(-counts, kind="stable")].tolist()), shared)

    def sentence(self, ctx: RuleContext, others: Sequence[Takeover] = ()) -> str:
        """Say how many slots it takes by their priorities, and from whom. others: the same source's elsewhere."""
        if self.slots:
            return f"By per-address priority {self.say_taken(ctx, others)}"
        if self.shared:
            return f"It has as much effect as other sources on {wording.count(self.shared, 'slot')}."
        return "It wins no slot that another source claims."

    def say_taken(self, ctx: RuleContext, others: Sequence[Takeover] = ()) -> str:
        """Give `it takes 512 slots of e131/1 from "Desk A" (10.0.0.1).`, where it takes any."""
        every = [self, *(one for one in others if one.slots and one.stream != self.stream)]
        legs: dict[int, list[int]] = {}
        for source in dict.fromkeys(ctx.source_of(stream) for one in every for stream in one.losers):
            legs.setdefault(ctx.first_leg(source), []).append(source)
        names = wording.list_names(ctx.say_legs(rows) for rows in legs.values())
        most = max(one.slots for one in every)
        slots = "1 slot" if most == 1 else f"{most} slots"
        if len(every) == 1:
            return f"it takes {slots} of {ctx.universe_name(ctx.universe_of(self.stream))} from {names}."
        least = min(one.slots for one in every)
        bound = "" if least == most else "up to "
        universes = ctx.name_universes(sorted(ctx.universe_of(one.stream) for one in every))
        return f"it takes {bound}{slots} each of {universes} from {names}."
