"""Packets that come now and then: synchronisation, discovery lists, polls and poll replies.

Every table here is keyed by what the network says, and so has a bound; at it, the longest silent entry makes
room. At most PER_SECOND of them are looked at, so that a flood costs a bounded time; the rest is counted.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from slotwatch.model.sources import Sources
from slotwatch.wire import names
from slotwatch.wire.batch import Batch
from slotwatch.wire.fields import Fields, Kind
from slotwatch.wire.universe import Protocol

MAX_SYNCS = 512
MAX_NODES = 1024
MAX_POLLERS = 256
PER_SECOND = 2000
"""Far over any house: 100 sources with 8 pages every 10 s, 200 nodes of 4 replies every 2.5 s and 10 sync masters at
44 Hz (batches count one master once) are 840."""
SyncKey = tuple[int, int, int, bytes, bytes]
"""Network, protocol, sync address (Art-Net: 0), source id, sender's address."""


@dataclass(slots=True)
class Sync:
    """Sync packets of one sender for one sync address."""

    key: SyncKey
    first_ns: int
    last_ns: int
    packets: int = 0

    @property
    def address(self) -> int:
        return self.key[2]


@dataclass(slots=True)
class Node:
    """An Art-Net node as its last poll reply describes it."""

    network: int
    sender: str
    reply: names.PollReply
    first_ns: int
    last_ns: int
    replies: int = 0


@dataclass(slots=True)
class Poller:
    """An address that sends Art-Net polls."""

    network: int
    address: str
    first_ns: int
    last_ns: int
    polls: int = 0


class Occasions:
    """What those packets said. Times are monotonic nanoseconds."""

    def __init__(self, sources: Sources) -> None:
        self._sources = sources
        self.syncs: dict[SyncKey, Sync] = {}
        self.nodes: dict[tuple[int, str, int], Node] = {}
        """By network, sender's address and bind index."""
        self.pollers: dict[tuple[int, str], Poller] = {}
        self.evictions: Counter[str] = Counter()
        self.unkept: Counter[str] = Counter()
        self._second = -1
        self._looked_at = 0

    def take(self, batch: Batch, fields: Fields, rows: NDArray[np.intp]) -> None:
        """Take these rows of a batch: accepted packets that carry no slots."""
        kinds = fields.kind[rows]
        syncs = rows[(kinds == Kind.E131_SYNC) | (kinds == Kind.ART_SYNC)]
        if len(syncs):
            self._take_syncs(batch, fields, syncs)
        for kind, take in (
            (Kind.E131_DISCOVERY, self._take_discovery),
            (Kind.ART_POLL_REPLY, self._take_reply),
            (Kind.ART_POLL, self._take_poll),
        ):
            some = rows[kinds == kind]
            for row in some[: self._allow(batch, some, kind.name.lower())].tolist():
                take(batch, fields, row)

    def _allow(self, batch: Batch, rows: NDArray[np.intp], name: str) -> int:
        """How many of these rows may be looked at; the others are counted under this name."""
        if not len(rows):
            return 0
        second = int(batch.t_ns[rows[0]]) // 1_000_000_000
        if second != self._second:
            self._second, self._looked_at = second, 0
        allowed = min(len(rows), PER_SECOND - self._looked_at)
        self._looked_at += allowed
        if allowed < len(rows):
            self.unkept[name] += len(rows) - allowed
        return allowed

    def last_sync_ns(self, network: int, protocol: int, address: int) -> int:
        """When a sync packet last came for a sync address from anyone; 0 for never."""
        return max(
            (sync.last_ns for key, sync in self.syncs.items() if key[:3] == (network, protocol, address)), default=0
        )

    def node_seen_ns(self, network: int, address: str) -> int:
        """When a node at this address last answered a poll; 0 for never."""
        return max((node.last_ns for key, node in self.nodes.items() if key[:2] == (network, address)), default=0)

    def name_sources(self, numbers_of: Callable[[int], Collection[int]]) -> None:
        """Give each Art-Net source the name of its own poll reply: data packets carry none.

        numbers_of: port-addresses that a row of the source table sends. Of several replies of one address (bind
        index), the one whose inputs are most of these counts, else that of the lowest bind index.
        """
        if not self.nodes:
            return
        replies: dict[tuple[int, str], list[names.PollReply]] = {}
        for (network, address, _), node in sorted(self.nodes.items()):
            replies.setdefault((network, address), []).append(node.reply)
        for row in self._sources.rows().tolist():
            if self._sources.protocol[row] != Protocol.ARTNET:
                continue
            shown = self._sources.get(row).row
            own = replies.get((shown.network, shown.address))
            if own:
                reply = _reply_for(own, numbers_of(row)) if len(own) > 1 else own[0]
                self._sources.take_name(row, reply.long_name or reply.short_name)

    def _take_syncs(self, batch: Batch, fields: Fields, rows: NDArray[np.intp]) -> None:
        # A sync master sends 44 a second: rows that agree are counted together.
        words = np.ascontiguousarray(batch.src[rows]).view("<u8")
        mixed = words[:, 1] ^ words[:, 0] * np.uint64(31) ^ fields.universe[rows].astype(np.uint64) << np.uint64(48)
        for part in np.ascontiguousarray(fields.source_id[rows]).view("<u8").T:
            mixed = mixed * np.uint64(0x9E3779B97F4A7C15) ^ part
        _, firsts, places, counts = np.unique(mixed[::-1], return_index=True, return_inverse=True, return_counts=True)
        lasts = rows[len(rows) - 1 - firsts]
        odd = np.zeros(len(lasts), np.uint16)
        if fields.odd[rows].any():
            np.bitwise_or.at(odd, places.reshape(-1), fields.odd[rows][::-1])
        allowed = self._allow(batch, lasts, "sync")
        for row, count, flags in zip(lasts[:allowed].tolist(), counts.tolist(), odd.tolist(), strict=False):
            is_e131 = fields.kind[row] == Kind.E131_SYNC
            key = (
                int(batch.network[row]),
                int(Protocol.E131 if is_e131 else Protocol.ARTNET),
                int(fields.universe[row]) if is_e131 else 0,
                fields.source_id[row].tobytes(),
                batch.src[row].tobytes(),
            )
            t_ns = int(batch.t_ns[row])
            sync = self.syncs.get(key)
            if sync is None:
                self._bound(self.syncs, MAX_SYNCS, "syncs")
                sync = self.syncs[key] = Sync(key, t_ns, t_ns)
            sync.last_ns = max(sync.last_ns, t_ns)
            sync.packets += count
            if flags:
                self._note_odd_sync(key, flags, t_ns)

    def _note_odd_sync(self, key: SyncKey, flags: int, t_ns: int) -> None:
        """Show what is odd in a sync packet at its source. One of Art-Net names no source, only its address."""
        network, protocol, _, source_id, address = key
        if protocol == Protocol.E131:
            found = [self._sources.find_or_add((network, protocol, source_id, address), t_ns)]
        else:
            wanted = (network, protocol, address)
            found = [row for known, row in self._sources.by_key.items() if (*known[:2], known[3]) == wanted]
        for row in found:
            if row >= 0:
                self._sources.odd[row] |= flags
                self._sources.last_seen_ns[row] = max(int(self._sources.last_seen_ns[row]), t_ns)

    def _take_discovery(self, batch: Batch, fields: Fields, row: int) -> None:
        t_ns = int(batch.t_ns[row])
        key = (
            int(batch.network[row]),
            int(Protocol.E131),
            fields.source_id[row].tobytes(),
            batch.src[row].tobytes(),
        )
        source = self._sources.find_or_add(key, t_ns)
        if source < 0:
            self.unkept["sources"] += 1
            return
        self._sources.last_seen_ns[source] = max(int(self._sources.last_seen_ns[source]), t_ns)
        self._sources.odd[source] |= fields.odd[row]
        self._sources.read_name(source, batch.data[row, 44:108].tobytes(), t_ns)
        page = names.discovery_page(batch.data[row], int(batch.length[row]))
        self._sources.take_page(source, page, t_ns)

    def _take_reply(self, batch: Batch, fields: Fields, row: int) -> None:
        t_ns, network = int(batch.t_ns[row]), int(batch.network[row])
        sender = names.address_text(batch.src[row])
        reply = names.poll_reply(batch.data[row], int(batch.length[row]))
        key = (network, sender, reply.bind_index)
        node = self.nodes.get(key)
        if node is None:
            self._bound(self.nodes, MAX_NODES, "nodes")
            node = self.nodes[key] = Node(network, sender, reply, t_ns, t_ns)
        node.reply, node.last_ns = reply, max(node.last_ns, t_ns)
        node.replies += 1

    def _take_poll(self, batch: Batch, fields: Fields, row: int) -> None:
        t_ns, network = int(batch.t_ns[row]), int(batch.network[row])
        address = names.address_text(batch.src[row])
        poller = self.pollers.get((network, address))
        if poller is None:
            self._bound(self.pollers, MAX_POLLERS, "pollers")
            poller = self.pollers[network, address] = Poller(network, address, t_ns, t_ns)
        poller.last_ns = max(poller.last_ns, t_ns)
        poller.polls += 1

    def _bound(self, table: dict[Any, Any], bound: int, name: str) -> None:
        if len(table) >= bound:
            del table[min(table, key=lambda key: int(table[key].last_ns))]
            self.evictions[name] += 1


def _reply_for(replies: Sequence[names.PollReply], numbers: Collection[int]) -> names.PollReply:
    """Find the reply whose inputs a source sends; replies come with the lowest bind index first."""

    def inputs(reply: names.PollReply) -> int:
        return sum(port.input and port.input_address in numbers for port in reply.ports)

    return max(replies, key=inputs)
