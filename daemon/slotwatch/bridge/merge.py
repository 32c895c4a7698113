"""Who wins on the input of a route: sources of one universe on one network, merged as a receiver would.

Highest priority first, then slot by slot (the highest level, or the latest change where the route says so).
Per-address priority 0xDD, where a source sends it, decides slot by slot. Preview data never counts.

When a source falls silent, the others are not trusted at once: a cut uplink silences all of them, and the one
whose frame came last times out last and would win for that moment. A source proves that the path is up by a
frame that comes after the silent one's next keep-alive was due (ANSI E1.31-2018 6.6.2: at most 1,000 ms).
Until then the merge is undecided and nothing is sent.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import Enum

import numpy as np
from numpy.typing import NDArray

from slotwatch.model.sequence import is_discarded
from slotwatch.wire.e131 import SLOT_PRIORITY_LOSS_NS
from slotwatch.wire.universe import SLOTS

MAX_SOURCES = 64
"""Sources of one input that are merged: as many as the model keeps for a universe. Further ones are counted."""
KEEP_ALIVE_PROOF_NS = 1_100_000_000
"""Longest keep-alive of E1.31 (1,000 ms, 6.6.2) and a tenth for the sender's timer (common practice, no source)."""
DEFAULT_PRIORITY = 100
"""ANSI E1.31-2018 6.2.3; Art-Net has none."""
_ZEROS = bytes(SLOTS)


class InputState(Enum):
    """What an input says of its sources."""

    SILENT = "silent"
    """Nothing was ever heard, or everything left cleanly."""
    LIVE = "live"
    UNDECIDED = "undecided"
    """A source fell silent, and no other has proved yet that the path is up."""
    LOST = "lost"


_LIVE = InputState.LIVE


@dataclass(slots=True)
class Heard:
    """One source as this input hears it."""

    key: bytes
    """CID and address of its sender, 32 bytes."""
    first_ns: int
    last_ns: int
    """When its newest frame of levels came."""
    sequence: int
    priority: int = DEFAULT_PRIORITY
    levels: bytes = _ZEROS
    """512 bytes; slots that it does not send are 0."""
    slots: int = 0
    """How many it sends."""
    slot_priority: bytes | None = None
    """512 bytes, by start code 0xDD; None: it never sent any."""
    slot_priority_ns: int = 0
    changed_ns: NDArray[np.int64] | None = None
    """(512,) when each slot last changed; kept only where the latest change wins."""
    has_levels: bool = False
    as_winner: tuple[bytes, ...] = ()
    """Its key as the only winner."""


@dataclass(slots=True)
class Merged:
    """What the input says now."""

    state: InputState
    levels: bytes = _ZEROS
    priorities: bytes = _ZEROS
    """Per slot: the priority that won it, 0 where no source claims it."""
    winners: tuple[bytes, ...] = ()


@dataclass(slots=True)
class Input:
    """The sources of one universe on one network. Times are monotonic nanoseconds."""

    loss_timeout_ns: int
    latest: bool = False
    """Whether a route wants the latest change of a slot to win: when each slot changed is kept for it."""
    sequenced: bool = True
    """Whether E1.31's sequence rule holds; Art-Net leaves reordering to the receiver and may not number at all."""
    sources: dict[bytes, Heard] = field(default_factory=dict)
    refused_sources: int = 0
    """Packets of sources past MAX_SOURCES."""
    discarded: int = 0
    """Packets behind the newest by E1.31's sequence rule (6.7.2)."""
    _proof_ns: int = -1
    """A frame later than this proves that the path is up."""
    _claimed: tuple[int, int, bytes] = (0, 0, _ZEROS)
    """Priority, number of slots, and the 512 priorities that a single source with these gives."""
    _ever: bool = False
    """Whether levels ever came."""
    _clean: bool = False
    """Whether the last source announced its end."""

    def levels(self, key: bytes, now_ns: int, sequence: int, priority: int, data: bytes) -> bool:
        """Take a frame of start code 0 (`data` without it). False if it was discarded or refused."""
        source = self._source(key, now_ns, sequence)
        if source is None:
            return False
        padded = data if len(data) == SLOTS else data + bytes(SLOTS - len(data))
        if self.latest:
            self._mark_changes(source, padded, now_ns)
        source.levels, source.slots, source.priority = padded, len(data), priority
        source.has_levels = True
        source.last_ns = now_ns
        self._ever, self._clean = True, False
        return True

    def slot_priorities(self, key: bytes, now_ns: int, sequence: int, data: bytes) -> bool:
        """Take a 0xDD packet: slots past its end count as 0, not sourced. It does not keep a source alive."""
        source = self._source(key, now_ns, sequence)
        if source is None:
            return False
        source.slot_priority = bytes(min(value, 200) for value in data) + bytes(SLOTS - len(data))
        source.slot_priority_ns = now_ns
        return True

    def terminated(self, key: bytes) -> bool:
        """A source announced that it stops: remove it at once, without waiting for its timeout."""
        gone = self.sources.pop(key, None) is not None
        if gone and not self.sources:
            self._clean = True
        return gone

    def expire(self, now_ns: int) -> bool:
        """Forget sources that have been silent for the timeout. True if there were any."""
        gone = [s for s in self.sources.values() if now_ns - s.last_ns >= self.loss_timeout_ns]
        for source in gone:
            del self.sources[source.key]
            if source.has_levels:
                self._proof_ns = max(self._proof_ns, source.last_ns + KEEP_ALIVE_PROOF_NS)
        return bool(gone)

    def next_deadline_ns(self) -> int | None:
        """When the next source times out if it stays silent."""
        if not self.sources:
            return None
        return min(source.last_ns for source in self.sources.values()) + self.loss_timeout_ns

    def highest_but(self, key: bytes) -> bytes | None:
        """Highest level of each slot over all sources but one; None if there are no others."""
        others = [source.levels for source in self.sources.values() if source.key != key and source.has_levels]
        if not others:
            return None
        return others[0] if len(others) == 1 else bytes(map(max, *others))

    def merged(self, by_latest: bool = False) -> Merged:
        """Decide every slot from the sources that are alive and trusted.

        by_latest: of sources that both win a slot, the latest change counts instead of the highest level.
        """
        only = self.sole()
        if only is not None:
            return self._sole(only)
        speaking = [source for source in self.sources.values() if source.has_levels]
        if not speaking:
            return Merged(InputState.LOST if self._ever and not self._clean else InputState.SILENT)
        trusted = [source for source in speaking if source.last_ns > self._proof_ns]
        if not trusted:
            return Merged(InputState.UNDECIDED)
        if len(trusted) == 1 and self._slot_priority(trusted[0]) is None:
            return self._sole(trusted[0])
        return self._merge(trusted, by_latest)

    def sole(self) -> Heard | None:
        """The one source that is there, if it is trusted and sends no priorities of its own: it wins every slot."""
        if len(self.sources) == 1:
            (only,) = self.sources.values()
            if only.has_levels and only.slot_priority is None and only.last_ns > self._proof_ns:
                return only
        return None

    def _sole(self, only: Heard) -> Merged:
        priority, slots, claimed = self._claimed
        if priority != only.priority or slots != only.slots:
            claimed = bytes([max(only.priority, 1)]) * only.slots + bytes(SLOTS - only.slots)
            self._claimed = only.priority, only.slots, claimed
        return Merged(_LIVE, only.levels, claimed, only.as_winner)

    def _source(self, key: bytes, now_ns: int, sequence: int) -> Heard | None:
        source = self.sources.get(key)
        if source is None:
            if len(self.sources) >= MAX_SOURCES:
                self.refused_sources += 1
                return None
            source = self.sources[key] = Heard(key, now_ns, now_ns, sequence, as_winner=(key,))
            return source
        if self.sequenced and is_discarded(source.sequence, sequence):
            self.discarded += 1
            return None
        source.sequence = sequence
        return source

    def _mark_changes(self, source: Heard, levels: bytes, now_ns: int) -> None:
        if source.changed_ns is None:
            # What came before any route asked for this counts as older than all changes.
            source.changed_ns = np.full(SLOTS, 0 if source.has_levels else now_ns, np.int64)
        moved = np.frombuffer(source.levels, np.uint8) != np.frombuffer(levels, np.uint8)
        source.changed_ns[moved] = now_ns

    def _slot_priority(self, source: Heard) -> bytes | None:
        # Of a source that falls silent they hold as long as its levels, or those would win slots that it never claimed.
        if source.slot_priority is None or source.last_ns - source.slot_priority_ns > SLOT_PRIORITY_LOSS_NS:
            return None
        return source.slot_priority

    def _merge(self, trusted: list[Heard], by_latest: bool) -> Merged:
        rows = np.frombuffer(b"".join(source.levels for source in trusted), np.uint8).reshape(-1, SLOTS)
        claims = np.zeros(rows.shape, np.uint8)
        for claim, source in zip(claims, trusted, strict=True):
            own = self._slot_priority(source)
            if own is None:
                # Packet priority 0 is a valid lowest priority; in slot arbitration 0 would mean "not sourced".
                claim[: source.slots] = max(source.priority, 1)
            else:
                claim[:] = np.frombuffer(own, np.uint8)
        best = claims.max(axis=0)
        wins = (claims == best) & (best > 0)
        if by_latest:
            times = np.array([s.changed_ns if s.changed_ns is not None else np.zeros(SLOTS) for s in trusted])
            chosen = np.where(wins, times, -1).argmax(axis=0)
            levels = np.where(best > 0, rows[chosen, np.arange(SLOTS)], 0).astype(np.uint8)
        else:
            levels = np.where(wins, rows, 0).max(axis=0).astype(np.uint8)
        winners = tuple(source.key for source, won in zip(trusted, wins.any(axis=1), strict=True) if won)
        return Merged(_LIVE, levels.tobytes(), best.tobytes(), winners)
