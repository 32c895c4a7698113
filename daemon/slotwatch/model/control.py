"""Who wins: the stream in control of each universe, and of each slot where sources give slots priorities.

What a conforming receiver would show. E1.31 6.2.3: the highest priority owns the universe; equal ones are
merged, here by the highest level of each slot (6.2.3.2 leaves open how). Start code 0xDD, an extension
outside E1.31, gives each slot of its source a priority of its own: 1 to 200, 0 for "not mine"; slots past
its end are not its source's; after 2.5 s without it, the packet's priority counts again. Art-Net: two sources
are merged by the highest level, the two that were there first; further ones are ignored.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from slotwatch.model.streams import Streams
from slotwatch.snapshot.slot_owners import NOBODY, SlotOwners, none_owned
from slotwatch.wire.e131 import SLOT_PRIORITY_LOSS_NS
from slotwatch.wire.universe import SLOTS, Protocol

MAX_PRIORITY = 200
ARTNET_MERGED = 2

_PLACES = np.arange(SLOTS)


def in_order(streams: Streams, rows: NDArray[np.intp]) -> NDArray[np.intp]:
    """Sort streams by universe, then by priority, the highest first, then by age, the oldest first."""
    if len(rows) < 2:
        return rows
    return rows[
        np.lexsort((rows, streams.since_ns[rows], -streams.priority[rows].astype(np.int16), streams.universe[rows]))
    ]


def _runs(universe: NDArray[np.int32]) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Where the streams of each universe begin among sorted ones, and how many they are; there is at least one."""
    begins = np.ones(len(universe), np.bool_)
    begins[1:] = universe[1:] != universe[:-1]
    starts = begins.nonzero()[0]
    ends = np.full_like(starts, len(universe))
    ends[:-1] = starts[1:]
    return starts, ends - starts


def settle(streams: Streams) -> None:
    """Write winner, contenders, live and slots of every universe from its live streams."""
    universes = streams.universes
    top = universes.top
    universes.live[:top] = universes.contenders[:top] = universes.slots[:top] = 0
    universes.winner[:top] = NOBODY
    rows = streams.live[: streams.top].nonzero()[0]
    if not len(rows):
        return
    if len(rows) > 1:
        rows = in_order(streams, rows)
    universe = streams.universe[rows]
    if not np.count_nonzero(universe[1:] == universe[:-1]):
        # Each is alone on its universe, as in most houses.
        universes.winner[universe], universes.slots[universe] = rows, streams.slots[rows]
        universes.live[universe] = universes.contenders[universe] = 1
        return
    starts, counts = _runs(universe)
    winners = rows[starts]
    of = universe[starts]
    equal = streams.priority[rows] == np.repeat(streams.priority[winners], counts)
    universes.winner[of] = winners
    universes.live[of] = counts
    universes.contenders[of] = np.add.reduceat(equal, starts, dtype=np.int64)
    universes.slots[of] = np.maximum.reduceat(np.where(equal, streams.slots[rows], 0), starts)


def gives_slot_priorities(streams: Streams, rows: NDArray[np.intp]) -> NDArray[np.bool_]:
    """Which of these streams have sent 0xDD in the 2.5 s before their newest frame: what a dead source gave it keeps
    for as long as its levels are held."""
    sent = streams.last_slot_priority_ns[rows]
    fresh: NDArray[np.bool_] = (sent > 0) & (streams.last_arrival_ns[rows] - sent <= SLOT_PRIORITY_LOSS_NS)
    return fresh


def decided_by_slot(streams: Streams) -> NDArray[np.bool_]:
    """(capacity of universes,) where at least one live stream gives slots priorities of their own."""
    decided = np.zeros(streams.universes.capacity, np.bool_)
    if not streams.last_slot_priority_ns[: streams.top].any():
        return decided
    rows = np.flatnonzero(streams.live[: streams.top])
    decided[streams.universe[rows[gives_slot_priorities(streams, rows)]]] = True
    return decided


def in_control(streams: Streams, universes: NDArray[np.intp]) -> NDArray[np.intp]:
    """Stream in control of each universe row, NOBODY for none: the winner, or the one that wins most slots where slots
    decide.

    Of several with as many slots, the universe's winner is named, else the first of them.
    """
    found = streams.universes.winner[universes].astype(np.intp)
    by_slot = np.flatnonzero(decided_by_slot(streams)[universes] & (found >= 0))
    if not len(by_slot):
        return found
    _, owners = winner_levels(streams, universes[by_slot])
    for number, place in enumerate(by_slot.tolist()):
        of_slots = owners.of(number)
        holders, slots = np.unique(of_slots[of_slots >= 0], return_counts=True)
        most = holders[slots == slots.max(initial=0)]
        if len(most) and found[place] not in most:
            found[place] = most[0]
    return found


def winner_levels(streams: Streams, universes: NDArray[np.intp]) -> tuple[NDArray[np.uint8], SlotOwners]:
    """Levels of each universe row, (U, 512), 0 where none wins, and the streams that win their slots."""
    shown = np.zeros((len(universes), SLOTS), np.uint8)
    owners = none_owned(len(universes))
    table = streams.universes
    winner = table.winner[universes]
    slot_by_slot = decided_by_slot(streams)
    merged = slot_by_slot[universes] | (table.contenders[universes] > 1)
    alone = np.flatnonzero((winner >= 0) & ~merged)
    if len(alone):
        wins = winner[alone]
        # Most universes have one source that sends every slot: rows are then only copied.
        all_rows = slice(None) if len(alone) == len(universes) else alone
        shown[all_rows] = streams.levels[wins]
        owners.stream[alone], owners.slots[alone] = wins, streams.slots[wins]
    several = np.flatnonzero((winner >= 0) & merged)
    if len(several):
        owners.shared = several.astype(np.int32)
        owners.each = _merge(streams, universes, several, slot_by_slot, shown)
    return shown, owners


def _merge(
    streams: Streams,
    universes: NDArray[np.intp],
    several: NDArray[np.intp],
    slot_by_slot: NDArray[np.bool_],
    shown: NDArray[np.uint8],
) -> NDArray[np.int16]:
    """Merge universes with several contenders, rank by rank: all first streams, all second ones …

    Returns (S, 512), the stream that wins each slot of these, -1 for none.
    """
    place = np.full(streams.universes.capacity, -1, np.int64)
    place[universes[several]] = np.arange(len(several))
    rows = in_order(streams, streams.live[: streams.top].nonzero()[0])
    rows = rows[place[streams.universe[rows]] >= 0]
    universe = streams.universe[rows]
    starts, counts = _runs(universe)
    rank = np.arange(len(rows)) - np.repeat(starts, counts)
    # Without slot priorities only the highest packet priority counts at all.
    top_priority = np.repeat(streams.priority[rows[starts]], counts)
    counts_in = slot_by_slot[universe] | (streams.priority[rows] == top_priority)
    counts_in &= (streams.protocol[rows] != Protocol.ARTNET) | (rank < ARTNET_MERGED)
    best, levels = np.zeros((2, len(several), SLOTS), np.uint16)
    owners = np.full(best.shape, NOBODY, np.int16)
    for each in range(int(rank.max()) + 1):
        which = rows[counts_in & (rank == each)]
        if not len(which):
            continue
        keys = slot_keys(streams, which)
        at = place[streams.universe[which]]
        higher = keys > best[at]
        best[at] = np.where(higher, keys, best[at])
        owners[at] = np.where(higher, which[:, None], owners[at])
        levels[at] = np.where(higher, streams.levels[which], levels[at])
    shown[several] = levels
    return owners


def slot_keys(streams: Streams, rows: NDArray[np.intp]) -> NDArray[np.uint16]:
    """Priority × 256 + level of every slot of these streams, (N, 512); 0 where the stream has no say.

    A packet priority of 0 is the lowest, not "not mine": it ranks as 1. Slot priorities over 200 rank as 200.
    """
    priority = np.repeat(np.maximum(streams.priority[rows], 1)[:, None].astype(np.uint16), SLOTS, axis=1)
    gives = np.flatnonzero(gives_slot_priorities(streams, rows))
    if len(gives):
        priority[gives] = np.minimum(streams.slot_priorities[rows[gives]], MAX_PRIORITY)
    keys: NDArray[np.uint16] = priority << np.uint16(8) | streams.levels[rows]
    keys[(priority == 0) | (streams.slots[rows][:, None] <= _PLACES)] = 0
    return keys
