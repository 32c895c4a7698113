"""The table of sources: identity, name, declared match, and all addresses of an identity."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from typing import overload

import numpy as np
from numpy.typing import NDArray

from slotwatch.house.schema import House
from slotwatch.model.admission import BRIEF_NS, MOST_CLONES
from slotwatch.model.columns import MAX_ADDRESSES, MAX_SOURCES
from slotwatch.model.declared_sources import DeclaredSources
from slotwatch.model.discovery_lists import DiscoveryLists
from slotwatch.model.source import NO_SOURCE, Source, SourceKey
from slotwatch.model.table import Table
from slotwatch.snapshot import SourceRow
from slotwatch.wire.batch import Batch
from slotwatch.wire.fields import Fields
from slotwatch.wire.names import address_text, text
from slotwatch.wire.reject import odd_words
from slotwatch.wire.universe import Protocol

NAME_BYTES = 64
"""Of a source's name as it is sent (ANSI E1.31-2018 table 4-1)."""
COLUMNS = (
    ("used", "?"),
    ("generation", "<u4"),
    ("network", "<u2"),
    ("protocol", "u1"),
    ("streams", "<u2"),  # rows of the stream table that it owns
    ("declared", "<i4"),  # index into House.sources, -1
    # Some is left of the time when it sent on more universes than a network carries at once, or on many now and then.
    ("invents", "?"),
    ("odd", "<u2"),  # Odd bits that its packets carried
    ("first_seen_ns", "<i8"),
    ("last_seen_ns", "<i8"),
    ("heard_since_ns", "<i8"),  # first sign after the last pause of PAUSE_NS
    ("name_read_ns", "<i8"),  # when its name was last looked at
    ("raw_name", "u1", (NAME_BYTES,)),  # as it was read
)
NAME_AGAIN_NS = 1_000_000_000
PAUSE_NS = 30_000_000_000
"""Three discovery intervals (ANSI E1.31-2018 4.3): a source that is silent for longer was away."""


def source_keys(batch: Batch, fields: Fields, at: NDArray[np.intp]) -> list[SourceKey]:
    """Senders of these rows of a batch."""
    return list(
        zip(
            batch.network[at].tolist(),
            batch.protocol[at].tolist(),
            rows_of_bytes(fields.source_id[at]),
            rows_of_bytes(batch.src[at]),
            strict=True,
        )
    )


def rows_of_bytes(rows: NDArray[np.uint8]) -> list[bytes]:
    """Each row of a table of bytes."""
    every, width = rows.tobytes(), rows.shape[1]
    return [every[first : first + width] for first in range(0, len(every), width)]


class Sources(Table, Sequence[SourceRow]):
    """Rows of COLUMNS, and beside each a `Source` in `about`; as a sequence, `SourceRow` by row.

    At most MAX_SOURCES, and MAX_ADDRESSES of one E1.31 identity. When full, an undeclared source without a stream makes
    room (`Streams` finds others for a new stream's source); if there is none, the new one is counted and not kept.
    """

    def __init__(self, house: House) -> None:
        super().__init__(COLUMNS, capacity=64, bound=MAX_SOURCES)
        self.about: list[Source | None] = []
        self.by_key: dict[SourceKey, int] = {}
        self.addresses: dict[tuple[int, int, bytes], list[int]] = {}
        """Rows of one identity (network, protocol, source id), E1.31 only: more than one is a clone or a move."""
        self._of_cid: dict[bytes, list[int]] = {}
        """Rows of each E1.31 CID that is not all zeros, on any network."""
        self.shared: set[tuple[int, int, bytes]] = set()
        """Identities at more than one address."""
        self.crowds: set[tuple[int, int, bytes]] = set()
        """Identities at more than MOST_CLONES addresses."""
        self.lists = DiscoveryLists()
        self.evicted = 0
        self._house = house
        self._known = DeclaredSources(house)

    def take_house(self, house: House) -> None:
        self._house = house
        self._known = DeclaredSources(house)
        for row in self.rows().tolist():
            self._declare(row, -1)
        for row in self.rows().tolist():
            self._match(row)

    def __len__(self) -> int:
        return self.top

    @overload
    def __getitem__(self, row: int) -> SourceRow: ...

    @overload
    def __getitem__(self, row: slice) -> Sequence[SourceRow]: ...

    def __getitem__(self, row: int | slice) -> SourceRow | Sequence[SourceRow]:
        if isinstance(row, slice):
            return [self[each] for each in range(self.top)[row]]
        if not -self.top <= row < self.top:
            raise IndexError(f"{row} is no source row")
        about = self.about[row]
        if about is None:
            return NO_SOURCE
        about.row.last_seen_ns = int(self.last_seen_ns[row])
        if self.odd[row]:
            about.row.odd = odd_words(int(self.odd[row]))
        return about.row

    def get(self, row: int) -> Source:
        """What is known of a row in use."""
        about = self.about[row]
        if about is None:
            raise LookupError(f"source row {row} is not in use")
        return about

    def find_or_add(self, key: SourceKey, t_ns: int, declared: NDArray[np.uint8] | None = None) -> int:
        """Row of a source, -1 if there is no room for it, because the others must stay.

        declared: a packet of one that is declared. Its name is read at once, so that the next newcomer does not push it
        out as a stranger.
        """
        row = self.by_key.get(key)
        if row is not None:
            return row
        crowd = self.crowd_of(key)
        if crowd and not self._make_room(np.array(crowd)):
            return -1
        if self.is_full and not self._make_room(self.rows()[self.declared[self.rows()] < 0]):
            return -1
        row = self.add()
        while len(self.about) <= row:
            self.about.append(None)
        shown = SourceRow(key[1], key[2], address_text(key[3]), key[0], "", first_seen_ns=t_ns, last_seen_ns=t_ns)
        self.about[row] = Source(key, shown)
        self.by_key[key] = row
        self.network[row], self.protocol[row] = key[0], key[1]
        self.first_seen_ns[row] = self.last_seen_ns[row] = self.heard_since_ns[row] = t_ns
        # Looked at with its first packet.
        self.name_read_ns[row] = t_ns - NAME_AGAIN_NS
        if key[1] == Protocol.E131:
            same = self.addresses.setdefault(key[:3], [])
            same.append(row)
            if len(same) > 1:
                self.shared.add(key[:3])
            if len(same) > MOST_CLONES:
                self.crowds.add(key[:3])
            self._tell_addresses(same)
            if any(key[2]):
                self._of_cid.setdefault(key[2], []).append(row)
            if declared is not None:
                self.read_name(row, declared[44:108].tobytes(), t_ns)
        self._match(row)
        return row

    def hear(self, row: int, t_ns: int) -> None:
        """Note a sign of life other than data; streams note data themselves."""
        if t_ns - self.last_seen_ns[row] > PAUSE_NS:
            self.heard_since_ns[row] = t_ns
        self.last_seen_ns[row] = max(int(self.last_seen_ns[row]), t_ns)

    def read_name(self, row: int, raw: bytes, t_ns: int) -> None:
        """Take the 64 bytes of a name field (E1.31 6.2.2: UTF-8, ended by a zero byte)."""
        self.name_read_ns[row] = t_ns
        if raw == self.raw_name[row].tobytes():
            return
        self.raw_name[row] = np.frombuffer(raw, np.uint8)
        self.take_name(row, text(raw))

    def take_name(self, row: int, name: str) -> None:
        """Take what a source calls itself. A declared source that changes its name stays the declared one."""
        shown = self.get(row).row
        if name != shown.source_name:
            known_as = shown.source_name if self.declared[row] >= 0 else ""
            shown.renamed_from = shown.renamed_from or known_as
            shown.source_name = name
            self._match(row)

    def _tell_addresses(self, same: list[int]) -> None:
        shared = tuple(self.get(row).row.address for row in same) if len(same) > 1 else ()
        for row in same:
            self.get(row).row.addresses = shared

    def forget(self, row: int) -> None:
        """Free the row of a source without streams."""
        about = self.get(row)
        self.lists.forget(about)
        del self.by_key[about.key]
        same = self.addresses.get(about.key[:3], [])
        if row in same:
            same.remove(row)
            self._tell_addresses(same)
            if len(same) <= 1:
                self.shared.discard(about.key[:3])
            if len(same) <= MOST_CLONES:
                self.crowds.discard(about.key[:3])
            if not same:
                del self.addresses[about.key[:3]]
        legs = self._of_cid.get(about.key[2], [])
        if row in legs:
            legs.remove(row)
            if not legs:
                del self._of_cid[about.key[2]]
        self.about[row] = None
        self.remove(row)

    def crowd_of(self, key: SourceKey) -> list[int]:
        """The rows of this identity where as many addresses of it are kept as may be, and this is none of them."""
        same = self.addresses[key[:3]] if key[:3] in self.crowds and key not in self.by_key else []
        return same if len(same) >= MAX_ADDRESSES else []

    def are_crowded(self, batch: Batch, fields: Fields, at: NDArray[np.intp]) -> NDArray[np.bool_]:
        """Which of these rows of a batch `crowd_of` has rows for."""
        if not self.crowds:
            return np.zeros(len(at), np.bool_)
        return np.array([bool(self.crowd_of(key)) for key in source_keys(batch, fields, at)])

    def _make_room(self, rows: NDArray[np.intp]) -> bool:
        """Forget one of these without streams: an undeclared one first, then one that was heard for moments only, then
        the one that is silent longest."""
        rows = rows[self.streams[rows] == 0]
        if not len(rows):
            return False
        last_ns = self.last_seen_ns[rows]
        brief = last_ns - self.first_seen_ns[rows] < BRIEF_NS
        self.forget(int(rows[np.lexsort((last_ns, ~brief, self.declared[rows] >= 0))[0]]))
        self.evicted += 1
        return True

    def may_be_declared(self, batch: Batch, fields: Fields, at: NDArray[np.intp]) -> NDArray[np.bool_]:
        """Which of these rows of a batch carry something that a declared source is known by."""
        cids, addresses, sent_names = self._known.signs
        found = np.zeros(len(at), np.bool_)
        if cids:
            found |= [raw in cids for raw in rows_of_bytes(fields.source_id[at])]
        if addresses:
            found |= [raw in addresses for raw in rows_of_bytes(batch.src[at])]
        if sent_names:
            names = rows_of_bytes(batch.data[at, 44 : 44 + NAME_BYTES])
            found |= [raw.partition(b"\0")[0] in sent_names for raw in names]
        return found

    def has_room_for(self, keys: Iterable[SourceKey]) -> bool:
        """Whether all of these are known or may be added without making room."""
        new = set(keys) - self.by_key.keys()
        if self.filled + len(new) > self.bound:
            return False
        identities = Counter(key[:3] for key in new if key[1] == Protocol.E131)
        return all(
            count + len(self.addresses.get(identity, ())) <= MAX_ADDRESSES for identity, count in identities.items()
        )

    def is_declared(self, key: SourceKey, data: NDArray[np.uint8]) -> bool:
        """Whether a packet's sender is a declared source."""
        row = self.by_key.get(key)
        if row is not None and self.declared[row] >= 0:
            return True
        name = text(data[44:108].tobytes()) if key[1] == Protocol.E131 else ""
        return self._known.find(*key[1:], name) >= 0

    def _match(self, row: int) -> None:
        """Find the declared source that this is: every field that is given must match.

        Its leg on another network has another address there and is the same source, by its CID.
        """
        about = self.get(row)
        legs = [leg for leg in self._of_cid.get(about.key[2], ()) if about.key[1] == Protocol.E131 and leg != row]
        own = self._known.find(*about.key[1:], about.row.source_name)
        if own < 0 and about.row.renamed_from:
            own = self._known.find(*about.key[1:], about.row.renamed_from)
        else:
            about.row.renamed_from = ""
        self._declare(row, own if own >= 0 else self._leg_of(row, legs))
        if own >= 0:
            for leg in legs:
                if self.declared[leg] < 0:
                    self._declare(leg, self._leg_of(leg, [row]))

    def _leg_of(self, row: int, legs: Sequence[int]) -> int:
        """Index of the declared source that a row on another network was found to be, -1."""
        for leg in legs:
            if self.network[leg] != self.network[row] and self.declared[leg] >= 0:
                return int(self.declared[leg])
        return -1

    def _declare(self, row: int, index: int) -> None:
        about = self.get(row)
        shown = about.row
        self.lists.take_out(about)
        self.declared[row] = index
        if index < 0:
            shown.declared_as = shown.role = ""
        else:
            declared = self._house.sources[index]
            shown.declared_as, shown.role = declared.name, declared.role
        self.lists.add(about)
