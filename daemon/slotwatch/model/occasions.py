"""Packets that come now and then: synchronisation, discovery lists, polls and poll replies.

Every table here is keyed by what the network says, and so has a bound; at its bound, senders that were heard for
moments only make room first, then those that are silent longest. At most PER_SECOND packets are looked at, so that a
flood costs a bounded time; the others are counted. Addresses that the house declares, and those heard for longer, have
as many for themselves.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Collection, Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from slotwatch.durations import NANOSECONDS
from slotwatch.house.schema import House
from slotwatch.model.admission import BRIEF_NS, FORGET_BRIEF_NS, MOST_BRIEF
from slotwatch.model.declared_sources import address_bytes
from slotwatch.model.keys import Hashes
from slotwatch.model.nodes import Node, Poller
from slotwatch.model.sources import Sources
from slotwatch.model.surges import Surges
from slotwatch.wire import names
from slotwatch.wire.batch import Batch
from slotwatch.wire.fields import Fields, PacketKind
from slotwatch.wire.universe import Protocol

MAX_SYNCS = 512
MAX_NODES = 1024
MAX_POLLERS = 256
PER_SECOND = 2000
"""Far over any house: 100 sources with 8 pages every 10 s, 200 nodes of 4 replies every 2.5 s and 10 sync masters at
44 Hz (batches count one master once) are 840."""
ROOM_AT_ONCE = 64
"""Entries that make room together, because finding them costs a look at all."""
KINDS = {
    PacketKind.E131_DISCOVERY: "discovery",
    PacketKind.ART_POLL: "polls",
    PacketKind.ART_POLL_REPLY: "replies",
    PacketKind.E131_SYNC: "syncs",
    PacketKind.ART_SYNC: "syncs",
    PacketKind.ART_OTHER: "others",
}
REJECTED = "rejected"
POLL_FLAGS, TARGETED = 12, 0x20
"""Where the flags of an ArtPoll are, and the one of targeted mode (Art-Net 4, ArtPoll)."""
KNOWN_AGAIN_NS = 1_000_000_000
"""How often known senders are looked up."""
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
    def network(self) -> int:
        return self.key[0]

    @property
    def protocol(self) -> int:
        return self.key[1]

    @property
    def address(self) -> int:
        return self.key[2]

    @property
    def sender(self) -> str:
        """Address that they come from."""
        return names.address_text(self.key[4])


class Occasions:
    """What those packets held. Times are monotonic nanoseconds."""

    def __init__(self, sources: Sources, house: House) -> None:
        self._sources = sources
        self._declared_senders = _declared_senders(house)
        self._declared: Hashes = _hashes(house, self._declared_senders)
        self._known: Hashes = self._declared
        self._known_ns = 0
        self.syncs: dict[SyncKey, Sync] = {}
        self.nodes: dict[tuple[int, str, int], Node] = {}
        """By network, sender's address and bind index."""
        self.pollers: dict[tuple[int, str], Poller] = {}
        self.surges = Surges()
        """How many come each second, looked at or not, by kind (the values of KINDS, and REJECTED) and network."""
        self.evictions: Counter[str] = Counter()
        self.unkept: Counter[str] = Counter()
        self._second = -1
        self._looked_at = [0, 0]
        """Packets of this second: of strangers, of those that are known."""

    def take(self, batch: Batch, fields: Fields, rows: NDArray[np.intp]) -> None:
        """Take these rows of a batch: accepted packets that carry no slots."""
        kinds = fields.kind[rows]
        self._count(batch, kinds, rows)
        syncs = rows[(kinds == PacketKind.E131_SYNC) | (kinds == PacketKind.ART_SYNC)]
        if len(syncs):
            self._take_syncs(batch, fields, syncs)
        for kind, take in (
            (PacketKind.E131_DISCOVERY, self._take_discovery),
            (PacketKind.ART_POLL_REPLY, self._take_reply),
            (PacketKind.ART_POLL, self._take_poll),
        ):
            some = rows[kinds == kind]
            if len(some):
                for row in self._allow(batch, some, kind.name.lower()).tolist():
                    take(batch, fields, row)

    def take_rejected(self, batch: Batch, rows: NDArray[np.intp]) -> None:
        """Count these rows of a batch: packets from a network that no protocol accepts."""
        rows = rows[batch.protocol[rows] != int(Protocol.LINE)]
        for network in np.unique(batch.network[rows]).tolist():
            self._count_all(REJECTED, network, batch, rows[batch.network[rows] == network])

    def _count(self, batch: Batch, kinds: NDArray[np.uint8], rows: NDArray[np.intp]) -> None:
        """Count them by kind and network; where they are many, also by sender."""
        pairs = kinds.astype(np.int64) << 16 | batch.network[rows]
        for pair in np.unique(pairs).tolist():
            kind, network = KINDS.get(PacketKind(pair >> 16)), pair & 0xFFFF
            if kind is None:
                continue
            self._count_all(kind, network, batch, rows[pairs == pair])

    def _count_all(self, kind: str, network: int, batch: Batch, rows: NDArray[np.intp]) -> None:
        # Each packet counts in its own second, however they were put into batches.
        seconds = batch.t_ns[rows] // NANOSECONDS
        for second in np.unique(seconds).tolist():
            some = rows[seconds == second]
            surge = self.surges.take(kind, network, second * NANOSECONDS, len(some))
            if surge is not None:
                addresses, counts = np.unique(batch.src[some], axis=0, return_counts=True)
                for address, count in zip(addresses, counts.tolist(), strict=True):
                    surge.name(names.address_text(address), count)

    def take_house(self, house: House) -> None:
        self._declared_senders = _declared_senders(house)
        self._declared = self._known = _hashes(house, self._declared_senders)

    def forget_brief(self, now_ns: int) -> None:
        """Forget what a flood left: entries heard for moments only, long ago, where they are many."""
        for table in self._tables:
            if len(table) <= MOST_BRIEF:
                continue
            gone = [key for key, one in table.items() if _is_brief(one) and now_ns - one.last_ns > FORGET_BRIEF_NS]
            if len(gone) > MOST_BRIEF:
                for key in gone:
                    del table[key]

    @property
    def _tables(self) -> tuple[dict[Any, Any], ...]:
        return self.syncs, self.nodes, self.pollers

    def _allow(self, batch: Batch, rows: NDArray[np.intp], name: str) -> NDArray[np.intp]:
        """Which of these rows may be looked at; the others are counted under this name."""
        t_ns = int(batch.t_ns[rows[0]])
        second = t_ns // 1_000_000_000
        if second != self._second:
            self._second, self._looked_at = second, [0, 0]
        if len(rows) + self._looked_at[0] <= PER_SECOND:
            self._looked_at[0] += len(rows)
            return rows
        if t_ns - self._known_ns > KNOWN_AGAIN_NS:
            self._known_ns, self._known = t_ns, self._who_is_known()
        is_known = np.isin(_mixed(batch.network[rows], batch.src[rows]), self._known)
        allowed = []
        for place, some in enumerate((rows[~is_known], rows[is_known])):
            some = some[: max(0, PER_SECOND - self._looked_at[place])]
            self._looked_at[place] += len(some)
            allowed.append(some)
        both = np.sort(np.concatenate(allowed))
        self.unkept[name] += len(rows) - len(both)
        return both

    def _who_is_known(self) -> Hashes:
        """Addresses that are declared, or that sent such packets for longer than moments."""
        networks, addresses = [], []
        sources, table = self._sources, self._sources.rows()
        lasted = sources.last_seen_ns[table] - sources.first_seen_ns[table] >= BRIEF_NS
        keys = [sources.get(row).key for row in table[lasted].tolist()]
        pairs = [(key[0], key[3]) for key in keys]
        pairs += [(key[0], key[4]) for key, one in self.syncs.items() if not _is_brief(one)]
        answering: list[Node | Poller] = [*self.nodes.values(), *self.pollers.values()]
        pairs += [(one.network, address_bytes(one.sender)) for one in answering if not _is_brief(one)]
        for network, address in pairs:
            networks.append(network)
            addresses.append(address.ljust(16, b"\0"))
        if not pairs:
            return self._declared
        found = _mixed(np.array(networks, np.uint16), np.frombuffer(b"".join(addresses), np.uint8).reshape(-1, 16))
        return np.concatenate((self._declared, found))

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
        allowed = np.isin(lasts, self._allow(batch, lasts, "sync"))
        for row, count, flags in zip(*(each[allowed].tolist() for each in (lasts, counts, odd)), strict=True):
            is_e131 = fields.kind[row] == PacketKind.E131_SYNC
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
                self._sources.hear(row, t_ns)

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
        self._sources.hear(source, t_ns)
        self._sources.odd[source] |= fields.odd[row]
        self._sources.read_name(source, batch.data[row, 44:108].tobytes(), t_ns)
        page = names.discovery_page(batch.data[row], int(batch.length[row]))
        self._sources.lists.take_page(self._sources.get(source), page, t_ns)

    def _take_reply(self, batch: Batch, fields: Fields, row: int) -> None:
        t_ns, network = int(batch.t_ns[row]), int(batch.network[row])
        sender = names.address_text(batch.src[row])
        reply = names.poll_reply(batch.data[row], int(batch.length[row]))
        key = (network, sender, reply.bind_index)
        node = self.nodes.get(key)
        if node is None:
            gone = {address for one in self._bound(self.nodes, MAX_NODES, "nodes") for address in one.addresses}
            for one in self.nodes.values() if gone else ():
                if not gone.isdisjoint(one.addresses):
                    one.page_left_ns = t_ns
            node = self.nodes[key] = Node(network, sender, reply, t_ns, t_ns)
        node.hear(reply, t_ns)

    def _take_poll(self, batch: Batch, fields: Fields, row: int) -> None:
        t_ns, network = int(batch.t_ns[row]), int(batch.network[row])
        address = names.address_text(batch.src[row])
        poller = self.pollers.get((network, address))
        if poller is None:
            self._bound(self.pollers, MAX_POLLERS, "pollers")
            poller = self.pollers[network, address] = Poller(network, address, t_ns, t_ns)
        is_targeted = int(batch.length[row]) > POLL_FLAGS and bool(batch.data[row, POLL_FLAGS] & TARGETED)
        poller.hear(t_ns, is_targeted=is_targeted)

    def _bound(self, table: dict[Any, Any], bound: int, name: str) -> list[Any]:
        """Make room for one in a full table; return what had to go."""
        if len(table) < bound:
            return []
        declared = self._declared_senders

        def worth(key: Any) -> tuple[bool, bool, int]:
            one = table[key]
            return one.sender in declared, not _is_brief(one), one.last_ns

        order = sorted(table, key=worth)
        # More than one only of those that were heard for moments.
        gone = [order[0], *(key for key in order[1:ROOM_AT_ONCE] if worth(key)[:2] == (False, False))]
        self.evictions[name] += len(gone)
        return [table.pop(key) for key in gone]


def _is_brief(one: Sync | Node | Poller) -> bool:
    return one.last_ns - one.first_ns < BRIEF_NS


def _mixed(network: NDArray[np.uint16], address: NDArray[np.uint8]) -> Hashes:
    """One number for each network and address, (N,) and (N, 16)."""
    words = np.ascontiguousarray(address).view("<u8")
    mixed: Hashes = words[:, 1] ^ words[:, 0] * np.uint64(0x9E3779B97F4A7C15) ^ network.astype(np.uint64)
    return mixed


def _declared_senders(house: House) -> frozenset[str]:
    """Every address that the house declares."""
    written = [address for one in house.sources for address in one.addresses] + [one.address for one in house.receivers]
    return frozenset(names.address_text(raw) for raw in map(address_bytes, written) if raw)


def _hashes(house: House, senders: Iterable[str]) -> Hashes:
    """These addresses on each of the house's networks."""
    addresses = [address_bytes(sender) for sender in senders]
    if not addresses:
        return np.empty(0, np.uint64)
    each = np.frombuffer(b"".join(addresses), np.uint8).reshape(-1, 16)
    networks = range(max(1, len(house.networks)))
    return np.concatenate([_mixed(np.full(len(each), network, np.uint16), each) for network in networks])


def _reply_for(replies: Sequence[names.PollReply], numbers: Collection[int]) -> names.PollReply:
    """Find the reply whose inputs a source sends; replies come with the lowest bind index first."""

    def inputs(reply: names.PollReply) -> int:
        return sum(port.input and port.input_address in numbers for port in reply.ports)

    return max(replies, key=inputs)
