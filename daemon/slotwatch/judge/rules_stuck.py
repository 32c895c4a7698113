"""Traces that only comparison shows: universes of one frame apart in time, levels that outlive a blackout."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable
from typing import Any

import numpy as np

from slotwatch.house.schema import House
from slotwatch.judge import wording
from slotwatch.judge.binding import KEYS, UNIVERSES, Finding, Mask, NamedBinding, named
from slotwatch.judge.context import RuleContext
from slotwatch.snapshot import Confidence

NANOSECONDS = 1_000_000_000
FRAME_NS = 22_676_000
"""Shortest frame of 512 slots (ANSI E1.11 timing): the universes of one frame lie within it."""
ISOLATED_NS = 300_000_000
"""A change that stands alone: its universe rested before and after."""
TOGETHER_NS = 250_000_000
KEEP_ALIVE_NS = NANOSECONDS
"""ANSI E1.31-2018 6.6.2: at most 1,000 ms."""
EVENTS = 5
REMEMBERED_NS = 60 * NANOSECONDS
STUCK_SLOTS = 48
"""More slots than this are a look of its own, not a level that was left."""


def bindings(house: House) -> tuple[NamedBinding, ...]:
    skew = Skew()
    return (
        named("skewed-universes", KEYS, skew.find, skew.describe, on_delay_s=0.0, refresh_s=10.0),
        named("level-stuck", UNIVERSES, is_stuck, describe_stuck, NANOSECONDS, refresh_s=10.0),
    )


class Skew:
    """Measures how far apart the universes of one source change, where all of them change once and rest."""

    def __init__(self) -> None:
        self._spreads: dict[int, deque[tuple[int, int]]] = {}
        """Of a source row: moments of single steps and their spreads."""

    def find(self, ctx: RuleContext) -> dict[Any, None]:
        streams = ctx.streams
        quiet_ns = ctx.now_ns - streams.last_change_ns
        settled = ctx.live & (quiet_ns > ISOLATED_NS) & (quiet_ns < 2 * ISOLATED_NS) & (streams.history_count >= 2)
        for source in np.unique(streams.source[settled]).tolist() if settled.any() else ():
            self._measure(ctx, source)
        return {source: None for source, spreads in self._spreads.items() if len(self._wide(ctx, spreads)) >= EVENTS}

    def _measure(self, ctx: RuleContext, source: int) -> None:
        streams = ctx.streams
        rows = ctx.streams_from(source)
        rows = rows[ctx.live[rows]]
        changes_ns = streams.last_change_ns[rows]
        newest_ns = int(changes_ns.max())
        rows = rows[changes_ns > newest_ns - TOGETHER_NS]
        if len(rows) < 2 or ctx.now_ns - newest_ns < ISOLATED_NS:
            return
        if newest_ns - KEEP_ALIVE_NS < ctx.listener.marked_until_ns:
            return  # a step that this computer did not hear shows in each universe's next keep-alive
        history_ns = streams.history_ns[rows]
        before_ns = np.sort(history_ns, axis=1)[:, -2]
        changes_ns = streams.last_change_ns[rows]
        if (changes_ns - before_ns < ISOLATED_NS).any():
            return
        spreads = self._spreads.setdefault(source, deque(maxlen=32))
        if not spreads or newest_ns - spreads[-1][0] > TOGETHER_NS:
            spreads.append((newest_ns, int(changes_ns.max() - changes_ns.min())))

    @staticmethod
    def _wide(ctx: RuleContext, spreads: Iterable[tuple[int, int]]) -> list[tuple[int, int]]:
        """Single steps of the last minute that were spread wider than a frame."""
        recent = [one for one in spreads if ctx.now_ns - one[0] < REMEMBERED_NS]
        return [one for one in recent if one[1] > FRAME_NS * 3 // 2]

    def describe(self, ctx: RuleContext, source: int) -> Finding:
        rows = [row for row in ctx.streams_from(source).tolist() if ctx.live[row]]
        wide = self._wide(ctx, self._spreads.get(source, ()))
        skew_ms = float(np.median([spread_ns for _, spread_ns in wide])) / 1e6 if wide else 0.0
        return Finding(
            group=f"source:{ctx.source_name(source)}",
            since_ns=wide[0][0] if wide else 0,
            universes=tuple(sorted({ctx.universe_of(row) for row in rows})),
            sources=(source,),
            networks=tuple({int(ctx.streams.network[row]) for row in rows}),
            facts={"skew": f"{skew_ms:.0f}"},
            evidence=(f"{len(wide)} single steps in the last minute reached its universes {skew_ms:.0f} ms apart.",),
            confidence=Confidence.HIGH,
        )


def is_stuck(ctx: RuleContext) -> Mask:
    """A few slots stay up on a universe whose main sender has gone to zero in all of its slots."""
    universes, streams = ctx.universes, ctx.streams
    stuck = np.zeros(universes.count, np.bool_)
    crowded = universes.used & (universes.declared >= 0) & (universes.live >= 2)
    if not crowded.any():
        return stuck
    rows = np.flatnonzero(ctx.live & crowded[streams.universe] & (streams.changes > 0))
    dark = rows[~streams.levels[rows].any(1)]
    if len(dark):
        of = np.unique(streams.universe[dark])
        lit = np.count_nonzero(ctx.model.levels[of], axis=1)
        stuck[of] = (lit > 0) & (lit <= STUCK_SLOTS)
    return stuck


def describe_stuck(ctx: RuleContext, row: int) -> Finding:
    streams = ctx.streams
    slots = (np.flatnonzero(ctx.model.levels[row]) + 1).tolist()
    owners = sorted({int(owner) for owner in ctx.model.slot_streams[row][[slot - 1 for slot in slots]] if owner >= 0})
    rows = [one for one in ctx.streams_of(row).tolist() if ctx.live[one]]
    dark = [one for one in rows if not streams.levels[one].any()]
    holders = wording.list_names(ctx.say_source(ctx.source_of(owner)) for owner in owners)
    return Finding(
        group=f"universe:{row}",
        since_ns=int(streams.last_change_ns[dark].max()) if dark else 0,
        universes=(row,),
        streams=tuple(dark),
        networks=(int(ctx.universes.network[row]),),
        facts={"slots": wording.list_slots(slots)},
        evidence=(f"{ctx.universe_name(row)}: {wording.list_slots(slots)} held by {holders}.",),
        confidence=Confidence.HIGH,
        also_possible=("a channel that was parked on purpose",),
    )
