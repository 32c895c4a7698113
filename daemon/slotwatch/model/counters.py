"""Plain counts of everything that arrives, for metrics: nothing here is keyed by what the network says, except the
addresses that send what no protocol accepts, which are bounded."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from slotwatch.wire.batch import Batch
from slotwatch.wire.fields import Fields
from slotwatch.wire.reject import Odd, Reject
from slotwatch.wire.universe import LAST_PROTOCOL, Protocol

PROTOCOLS = LAST_PROTOCOL + 1
"""Rows of every table that counts by protocol: a protocol's row is its number."""
REJECTS = 32
MAX_OFFENDERS = 256
"""Addresses whose rejected packets are counted separately. When full, those with the fewest in their window, then
the longest silent, make room: a flood of forged addresses (one packet each) cannot push out an address that
keeps sending rubbish."""
NEW_OFFENDERS_PER_SECOND = 256
ROOM_AT_ONCE = 32
"""Addresses that make room together, because finding the weakest costs a look at all."""
OFFENCE_BUCKETS = 10
COUNTED_NS = (OFFENCE_BUCKETS + 1) * 1_000_000_000
"""Time after which a rejected packet is in no count of whole seconds."""
INTERVAL_EDGES_S = (0.005, 0.01, 0.02, 0.0225, 0.025, 0.03, 0.04, 0.05, 0.1, 0.2, 0.5, 1.0, 1.1, 2.5, 5.0, 10.0)
"""Upper edges of the interval histogram: dense around 44 Hz and around the keep-alive of 0.8 to 1 s."""


@dataclass(slots=True)
class Offender:
    """One address that sends what no protocol accepts, or one DMX512 line."""

    network: int
    address: bytes
    line: int
    """Number of the line; 0: it is none."""
    protocol: int
    first_ns: int
    """The first one after 10 s without any."""
    last_ns: int
    total: int = 0
    last_reason: int = 0
    buckets: list[int] = field(default_factory=lambda: [0] * OFFENCE_BUCKETS)
    """Counts of whole seconds, by second modulo 10."""
    second: int = 0

    def count(self, first_ns: int, last_ns: int, reason: int, packets: int) -> None:
        """Take packets of one second, of which the first and the last came at these times."""
        if not self.recent(first_ns):
            self.first_ns = first_ns
        self.buckets[self.second % OFFENCE_BUCKETS] += packets
        self.total += packets
        self.last_ns = max(self.last_ns, last_ns)
        self.last_reason = reason

    def recent(self, now_ns: int) -> int:
        """Rejected packets of the last 10 s."""
        self._turn(now_ns)
        return sum(self.buckets)

    def began_ns(self, now_ns: int) -> int:
        """When those of the last 10 s began: the first one, or the second of the oldest."""
        self._turn(now_ns)
        counted = [
            second
            for second in range(self.second - OFFENCE_BUCKETS + 1, self.second + 1)
            if self.buckets[second % OFFENCE_BUCKETS]
        ]
        return max(self.first_ns, min(counted, default=0) * 1_000_000_000)

    def _turn(self, now_ns: int) -> None:
        second = now_ns // 1_000_000_000
        for passed in range(max(self.second + 1, second - OFFENCE_BUCKETS + 1), second + 1):
            self.buckets[passed % OFFENCE_BUCKETS] = 0
        self.second = max(self.second, second)


class PacketCounters:
    """Counts since start. Everything but `offenders` only rises."""

    def __init__(self) -> None:
        self.packets: NDArray[np.int64] = np.zeros(PROTOCOLS, np.int64)
        """By `Protocol`."""
        self.rejects: NDArray[np.int64] = np.zeros((PROTOCOLS, REJECTS), np.int64)
        """By `Protocol` and `Reject`."""
        self.odd: Counter[Odd] = Counter()
        self.start_codes: NDArray[np.int64] = np.zeros(256, np.int64)
        """Of accepted packets that carry neither levels nor slot priorities."""
        self.intervals: NDArray[np.int64] = np.zeros((PROTOCOLS, len(INTERVAL_EDGES_S) + 1), np.int64)
        """Frames by protocol and interval (not cumulative; the last is everything longer)."""
        self.interval_sum_s: NDArray[np.float64] = np.zeros(PROTOCOLS)
        self.evictions: Counter[str] = Counter()
        """Rows forgotten to make room, by table."""
        self.unkept: Counter[str] = Counter()
        """Packets whose source, stream or address was counted but not kept because a bound was reached."""
        self.offenders: dict[tuple[int, bytes, int], Offender] = {}
        """By network, address and line."""
        self._second = self._new_in_second = 0
        self.edges_us = np.rint(np.array(INTERVAL_EDGES_S) * 1e6).astype(np.uint32)

    def take(self, batch: Batch, fields: Fields) -> None:
        """Count a batch by protocol, reason and oddity."""
        protocol = np.minimum(batch.protocol, PROTOCOLS - 1)
        self.packets += np.bincount(protocol, minlength=PROTOCOLS)
        if np.count_nonzero(fields.status):
            wrong = np.flatnonzero(fields.status)
            status = np.minimum(fields.status[wrong], REJECTS - 1)
            np.add.at(self.rejects, (protocol[wrong], status), 1)
            self._accuse(batch, wrong, status)
        if np.count_nonzero(fields.odd):
            for flag in Odd:
                if flag:
                    count = int(np.count_nonzero(fields.odd & flag))
                    if count:
                        self.odd[flag] += count

    def take_intervals(
        self, protocols: NDArray[np.uint8], stream: NDArray[np.intp], intervals_us: NDArray[np.uint32]
    ) -> None:
        """Add intervals between frames to the histogram. protocols: of each stream row."""
        place = self.edges_us.searchsorted(intervals_us)
        width = len(INTERVAL_EDGES_S) + 1
        protocol = protocols[stream]
        place += protocol * np.intp(width)
        flat = np.bincount(place, minlength=PROTOCOLS * width)
        self.intervals += flat.reshape(PROTOCOLS, width)
        self.interval_sum_s += np.bincount(protocol, intervals_us, PROTOCOLS) / 1e6

    def rejected_recently(self, now_ns: int, at_least: int) -> list[Offender]:
        """Addresses with this many rejected packets in the last 10 s."""
        return [one for one in self.offenders.values() if one.recent(now_ns) >= at_least]

    def last_offence_ns(self) -> int:
        """When an address last sent what no protocol accepts; 0 for never."""
        return max((one.last_ns for one in self.offenders.values()), default=0)

    def _accuse(self, batch: Batch, wrong: NDArray[np.intp], status: NDArray[np.uint8]) -> None:
        words = np.ascontiguousarray(batch.src[wrong]).view("<u8")
        mixed = words[:, 1] * np.uint64(0x9E3779B97F4A7C15) ^ words[:, 0] ^ batch.network[wrong]
        lines = np.where(batch.protocol[wrong] == Protocol.LINE, batch.src_port[wrong], np.uint16(0))
        mixed ^= lines.astype(np.uint64) << np.uint64(32)
        # By second as well, so that it does not matter how packets are cut into batches.
        seconds = batch.t_ns[wrong] // 1_000_000_000
        mixed ^= (seconds - seconds[0]).astype(np.uint64) * np.uint64(0xD6E8FEB86659FD93)
        alike = np.argsort(mixed, kind="stable")
        starts = np.flatnonzero(np.append(True, mixed[alike][1:] != mixed[alike][:-1]))
        counts = np.diff(starts, append=len(alike))
        firsts, lasts = alike[starts], alike[starts + counts - 1]
        for each in np.argsort(firsts).tolist():
            count, last, row = int(counts[each]), int(lasts[each]), int(wrong[firsts[each]])
            key = (int(batch.network[row]), batch.src[row].tobytes(), int(lines[firsts[each]]))
            t_ns = int(batch.t_ns[row])
            offender = self.offenders.get(key)
            if offender is None:
                if not self._may_add(t_ns):
                    self.unkept["offenders"] += count
                    continue
                if len(self.offenders) >= MAX_OFFENDERS:
                    self._make_room(t_ns)
                offender = Offender(*key, int(batch.protocol[row]), t_ns, t_ns, second=t_ns // 1_000_000_000)
                self.offenders[key] = offender
            offender.count(t_ns, int(batch.t_ns[wrong[last]]), int(status[last]), count)

    def _may_add(self, t_ns: int) -> bool:
        second = t_ns // 1_000_000_000
        if second != self._second:
            self._second, self._new_in_second = second, 0
        self._new_in_second += 1
        return self._new_in_second <= NEW_OFFENDERS_PER_SECOND

    def _make_room(self, now_ns: int) -> None:
        weakest = sorted(self.offenders, key=lambda key: self._weight(key, now_ns))[:ROOM_AT_ONCE]
        for key in weakest:
            del self.offenders[key]
        self.evictions["offenders"] += len(weakest)

    def _weight(self, key: tuple[int, bytes, int], now_ns: int) -> tuple[int, int]:
        offender = self.offenders[key]
        return offender.recent(now_ns), offender.last_ns

    def rejected_by_reason(self) -> dict[tuple[int, str], int]:
        """Rejected packets by (protocol, reason's word), those that happened."""
        return {
            (int(protocol), Reject(int(reason)).word): int(self.rejects[protocol, reason])
            for protocol, reason in zip(*np.nonzero(self.rejects), strict=True)
        }
