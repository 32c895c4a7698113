"""The table of sources: identity, name, declared match, discovery list, and other addresses of the same identity."""

from __future__ import annotations

import ipaddress
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from typing import overload

import numpy as np
from numpy.typing import NDArray

from slotwatch.house.schema import DeclaredSource, House
from slotwatch.model.admission import BRIEF_NS
from slotwatch.model.columns import MAX_SOURCES
from slotwatch.model.table import Table
from slotwatch.snapshot import SourceRow
from slotwatch.wire.batch import Batch
from slotwatch.wire.fields import Fields
from slotwatch.wire.names import DiscoveryPage, address_text, text
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
LIST_TIMEOUT_NS = 20_000_000_000
"""Two discovery intervals of 10 s (E1.31 6.7.1.1, 12.2)."""
MAX_PAGE = 124
"""63,999 universes in pages of 512."""
MAX_LISTED = 1 << 18
"""Universes in all kept discovery lists together (about 9 MiB), so that forged lists cannot fill the memory."""

SourceKey = tuple[int, int, bytes, bytes]
"""Network, protocol, source id, address."""


@dataclass(slots=True)
class Source:
    """Facts that are not numbers. Times are monotonic nanoseconds."""

    key: SourceKey
    row: SourceRow
    """As it is shown. Its `listed` is None once no list came for 20 s."""
    pages: dict[int, tuple[int, ...]] = field(default_factory=dict)
    last_page: int = -1
    listed_before: tuple[int, ...] | None = None
    """The list that the present one replaced, if they differ."""


NO_SOURCE = SourceRow(protocol=0, source_id=bytes(16), address="", network=0, source_name="")
"""Fills rows that are not in use."""


def source_keys(batch: Batch, fields: Fields, at: NDArray[np.intp]) -> list[SourceKey]:
    """Senders of these rows of a batch."""
    identities, addresses = fields.source_id[at].tobytes(), batch.src[at].tobytes()
    return [
        (network, protocol, identities[first : first + 16], addresses[first : first + 16])
        for network, protocol, first in zip(
            batch.network[at].tolist(), batch.protocol[at].tolist(), range(0, len(addresses), 16), strict=True
        )
    ]


def same_address(declared: str, address: str) -> bool:
    """Whether a declared address means this one."""
    try:
        return ipaddress.ip_address(declared) == ipaddress.ip_address(address)
    except ValueError:
        return False


def is_declared(declared: DeclaredSource, row: SourceRow) -> bool:
    """Whether a source is the declared one: every field that is given must match, and one must be given."""
    if declared.cid is None and declared.address is None and declared.source_name is None:
        return False
    if declared.cid is not None and (declared.cid != row.source_id or row.protocol != Protocol.E131):
        return False
    if declared.addresses and not any(same_address(address, row.address) for address in declared.addresses):
        return False
    return declared.source_name is None or declared.source_name == row.source_name


def _signs(house: House) -> dict[bytes, tuple[int, int]]:
    """What each declared source is known by at first sight: bytes, and their kind (0 CID, 1 address, 2 name)."""
    found = {}
    for one in house.sources:
        if one.cid is not None:
            found[one.cid] = (0, len(one.cid))
        elif one.address is not None and (raw := address_bytes(one.address)):
            found[raw] = (1, len(raw))
        elif one.source_name:
            raw = one.source_name.encode()[:63] + b"\0"
            found[raw] = (2, len(raw))
    return found


def address_bytes(written: str) -> bytes:
    """The 16 bytes of an address as packets carry it (IPv4 as ::ffff:a.b.c.d); none if the text is not an address."""
    try:
        address = ipaddress.ip_address(written)
    except ValueError:
        return b""
    return bytes(10) + b"\xff\xff" + address.packed if address.version == 4 else address.packed


class Sources(Table, Sequence[SourceRow]):
    """Rows of COLUMNS, and beside each a `Source` in `about`; as a sequence, `SourceRow` by row.

    At most MAX_SOURCES. When full, an undeclared source without a stream makes room (`Streams` finds others for a new
    stream's source); if there is none, the new one is counted and not kept.
    """

    def __init__(self, house: House) -> None:
        super().__init__(COLUMNS, capacity=64, bound=MAX_SOURCES)
        self.about: list[Source | None] = []
        self.by_key: dict[SourceKey, int] = {}
        self.addresses: dict[tuple[int, int, bytes], list[int]] = {}
        """Rows of one identity (network, protocol, source id), E1.31 only: more than one is a clone or a move."""
        self._of_cid: dict[bytes, list[int]] = {}
        """Rows of each E1.31 CID that is not all zeros, on any network."""
        self.listed_total = 0
        self.lists = 0
        """How many sources have a list of universes that may run out."""
        self.evicted = 0
        self.lists_refused = 0
        self._house = house
        self._signs = _signs(house)

    def take_house(self, house: House) -> None:
        self._house = house
        self._signs = _signs(house)
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

    def find_or_add(self, key: SourceKey, t_ns: int) -> int:
        """Row of a source, -1 if the table is full of sources that must stay."""
        row = self.by_key.get(key)
        if row is not None:
            return row
        if self.is_full and not self._make_room():
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
            self._tell_addresses(same)
            if any(key[2]):
                self._of_cid.setdefault(key[2], []).append(row)
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

    def take_page(self, row: int, page: DiscoveryPage, t_ns: int) -> None:
        """Take one page of a discovery list; the list is complete when every page of it came."""
        about = self.get(row)
        if page.last > MAX_PAGE or page.page > page.last:
            return
        if page.last != about.last_page:
            self._drop_pages(about)
            about.last_page = page.last
        if self.listed_total + len(page.universes) > MAX_LISTED:
            self.lists_refused += 1
            return
        self.listed_total += len(page.universes) - len(about.pages.get(page.page, ()))
        about.pages[page.page] = page.universes
        if len(about.pages) == page.last + 1:
            listed = tuple(sorted({number for each in about.pages.values() for number in each}))
            self._drop_pages(about)
            self._replace_list(about, listed, t_ns)

    def _replace_list(self, about: Source, listed: tuple[int, ...] | None, t_ns: int) -> None:
        before = about.row.listed
        if before != listed:
            self.lists += (listed is not None) - (before is not None)
            self.listed_total += len(listed or ()) - len(about.listed_before or ())
            about.listed_before, about.row.listed = before, listed
        if listed is not None:
            about.row.listed_at_ns = t_ns

    def _drop_pages(self, about: Source) -> None:
        self.listed_total -= sum(len(page) for page in about.pages.values())
        about.pages.clear()

    def next_list_end_ns(self) -> int | None:
        """When the first list of universes runs out if it is not renewed; None: there is none."""
        if not self.lists:
            return None
        ends_ns = [one.row.listed_at_ns for one in self.about if one is not None and one.row.listed is not None]
        return min(ends_ns) + LIST_TIMEOUT_NS

    def expire_lists(self, now_ns: int) -> None:
        """Forget lists that were not renewed for 20 s."""
        for about in self.about if self.lists else ():
            has_list = about is not None and about.row.listed is not None
            if about and has_list and now_ns - about.row.listed_at_ns > LIST_TIMEOUT_NS:
                self._replace_list(about, None, now_ns)

    def _tell_addresses(self, same: list[int]) -> None:
        written = [self.get(row).row.address for row in same]
        for row, own in zip(same, written, strict=True):
            self.get(row).row.addresses = tuple(address for address in written if address != own)

    def forget(self, row: int) -> None:
        """Free the row of a source without streams."""
        about = self.get(row)
        self._drop_pages(about)
        self.lists -= about.row.listed is not None
        self.listed_total -= len(about.row.listed or ()) + len(about.listed_before or ())
        del self.by_key[about.key]
        same = self.addresses.get(about.key[:3], [])
        if row in same:
            same.remove(row)
            self._tell_addresses(same)
            if not same:
                del self.addresses[about.key[:3]]
        legs = self._of_cid.get(about.key[2], [])
        if row in legs:
            legs.remove(row)
            if not legs:
                del self._of_cid[about.key[2]]
        self.about[row] = None
        self.remove(row)

    def _make_room(self) -> bool:
        """Forget a source without streams: first one that was heard for moments only, then the one that is silent
        longest."""
        rows = self.rows()
        rows = rows[(self.streams[rows] == 0) & (self.declared[rows] < 0)]
        if not len(rows):
            return False
        last_ns = self.last_seen_ns[rows]
        brief = last_ns - self.first_seen_ns[rows] < BRIEF_NS
        self.forget(int(rows[np.lexsort((last_ns, ~brief))[0]]))
        self.evicted += 1
        return True

    def may_be_declared(self, batch: Batch, fields: Fields, at: NDArray[np.intp]) -> NDArray[np.bool_]:
        """Which of these rows of a batch carry something that a declared source is known by."""
        found = np.zeros(len(at), np.bool_)
        if not self._signs:
            return found
        identity = np.ascontiguousarray(fields.source_id[at])
        address = np.ascontiguousarray(batch.src[at])
        name = batch.data[at, 44:108]
        for sign, (column, size) in self._signs.items():
            wanted = np.frombuffer(sign, np.uint8)
            found |= ((identity, address, name)[column][:, :size] == wanted).all(1)
        return found

    def has_room_for(self, keys: Iterable[SourceKey]) -> bool:
        """Whether all of these are known or may be added without making room."""
        return self.filled + len(set(keys) - self.by_key.keys()) <= self.bound

    def is_declared(self, key: SourceKey, data: NDArray[np.uint8]) -> bool:
        """Whether a packet's sender is a declared source."""
        row = self.by_key.get(key)
        if row is not None and self.declared[row] >= 0:
            return True
        name = text(data[44:108].tobytes()) if key[1] == Protocol.E131 else ""
        shown = SourceRow(key[1], key[2], address_text(key[3]), key[0], name)
        return any(is_declared(declared, shown) for declared in self._house.sources)

    def _match(self, row: int) -> None:
        """Find the declared source that this is: every field that is given must match.

        Its leg on another network has another address there and is the same source, by its CID.
        """
        about = self.get(row)
        legs = [leg for leg in self._of_cid.get(about.key[2], ()) if about.key[1] == Protocol.E131 and leg != row]
        own = self._declared_as(about.row)
        if own < 0 and about.row.renamed_from:
            own = self._declared_as(replace(about.row, source_name=about.row.renamed_from))
        else:
            about.row.renamed_from = ""
        self._declare(row, own if own >= 0 else self._leg_of(row, legs))
        if own >= 0:
            for leg in legs:
                if self.declared[leg] < 0:
                    self._declare(leg, self._leg_of(leg, [row]))

    def _declared_as(self, shown: SourceRow) -> int:
        """Index of the declared source whose given fields all match, -1."""
        return next((n for n, declared in enumerate(self._house.sources) if is_declared(declared, shown)), -1)

    def _leg_of(self, row: int, legs: Sequence[int]) -> int:
        """Index of the declared source that a row on another network was found to be, -1."""
        for leg in legs:
            if self.network[leg] != self.network[row] and self.declared[leg] >= 0:
                return int(self.declared[leg])
        return -1

    def _declare(self, row: int, index: int) -> None:
        shown = self.get(row).row
        self.declared[row] = index
        if index < 0:
            shown.declared_as = shown.role = ""
        else:
            declared = self._house.sources[index]
            shown.declared_as, shown.role = declared.name, declared.role
