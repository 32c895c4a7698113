"""Who sends: identity, name, declared match, discovery list, and other addresses of the same identity."""

from __future__ import annotations

import ipaddress
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from slotwatch.house.schema import House
from slotwatch.model.columns import MAX_SOURCES
from slotwatch.model.table import Table
from slotwatch.wire.names import address_text, text
from slotwatch.wire.reject import Odd
from slotwatch.wire.universe import Protocol

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
    ("name_read_ns", "<i8"),  # when its name was last looked at
)
NAME_AGAIN_NS = 1_000_000_000
LIST_TIMEOUT_NS = 20_000_000_000
"""Two discovery intervals of 10 s (E1.31 6.7.1.1, 12.2)."""
MAX_PAGE = 124
"""63,999 universes in pages of 512."""
MAX_LISTED = 1 << 20
"""Universes in all kept discovery lists together (2 MiB), so that forged lists cannot fill the memory."""

SourceKey = tuple[int, int, bytes, bytes]
"""Network, protocol, source id, address."""


@dataclass(slots=True)
class Source:
    """What is no number. Times are monotonic nanoseconds."""

    key: SourceKey
    name: str = ""
    raw_name: bytes = b""
    name_changed_ns: int = 0
    pages: dict[int, NDArray[np.uint16]] = field(default_factory=dict)
    last_page: int = -1
    listed: NDArray[np.uint16] | None = None
    """Universes of its last complete discovery list, ascending; None: no list came in the last 20 s."""
    listed_at_ns: int = 0
    listed_before: NDArray[np.uint16] | None = None
    """The list that the present one replaced, if they differ."""
    list_changed_ns: int = 0

    @property
    def source_id(self) -> bytes:
        return self.key[2]

    @property
    def address(self) -> str:
        return address_text(self.key[3])


def same_address(declared: str, address: str) -> bool:
    """Whether a declared address means this one."""
    try:
        return ipaddress.ip_address(declared) == ipaddress.ip_address(address)
    except ValueError:
        return False


class Sources(Table):
    """Rows of COLUMNS, and beside each a `Source` in `about`.

    At most MAX_SOURCES. When full, the longest silent undeclared source without a stream makes room; if
    there is none, the new one is counted and not kept.
    """

    def __init__(self, house: House) -> None:
        super().__init__(COLUMNS, capacity=64, bound=MAX_SOURCES)
        self.about: list[Source | None] = []
        self.by_key: dict[SourceKey, int] = {}
        self.addresses: dict[tuple[int, int, bytes], list[int]] = {}
        """Rows of one identity (network, protocol, source id), E1.31 only: more than one is a clone or a move."""
        self.listed_total = 0
        self.evicted = 0
        self.lists_refused = 0
        self._house = house

    def take_house(self, house: House) -> None:
        self._house = house
        for row in self.rows().tolist():
            self._match(row)

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
        self.about[row] = Source(key)
        self.by_key[key] = row
        self.network[row], self.protocol[row] = key[0], key[1]
        self.first_seen_ns[row] = self.last_seen_ns[row] = t_ns
        # Looked at with its first packet.
        self.name_read_ns[row] = t_ns - NAME_AGAIN_NS
        if key[1] == Protocol.E131:
            self.addresses.setdefault(key[:3], []).append(row)
        self._match(row)
        return row

    def read_name(self, row: int, raw: bytes, t_ns: int) -> None:
        """Take the 64 octets of a name field (E1.31 6.2.2: UTF-8, ended by a zero octet)."""
        self.name_read_ns[row] = t_ns
        about = self.get(row)
        if raw == about.raw_name:
            return
        if about.raw_name:
            about.name_changed_ns = t_ns
        about.raw_name = raw
        about.name = text(raw)
        self._match(row)

    def take_page(self, row: int, page: int, last: int, universes: NDArray[np.uint16], t_ns: int) -> None:
        """Take one page of a discovery list; the list is complete when every page of it came."""
        about = self.get(row)
        if last > MAX_PAGE or page > last:
            return
        if last != about.last_page:
            self._drop_pages(about)
            about.last_page = last
        if self.listed_total + len(universes) > MAX_LISTED:
            self.lists_refused += 1
            return
        old = about.pages.get(page)
        self.listed_total += len(universes) - (len(old) if old is not None else 0)
        about.pages[page] = universes
        if len(about.pages) == last + 1:
            listed = np.unique(np.concatenate([about.pages[each] for each in range(last + 1)]))
            self._drop_pages(about)
            self._replace_list(about, listed, t_ns)

    def _replace_list(self, about: Source, listed: NDArray[np.uint16], t_ns: int) -> None:
        before = about.listed
        self.listed_total += len(listed) - (len(before) if before is not None else 0)
        if before is None or not np.array_equal(before, listed):
            if about.listed_before is not None:
                self.listed_total -= len(about.listed_before)
            about.listed_before = before
            if before is not None:
                self.listed_total += len(before)
            about.list_changed_ns = t_ns
        about.listed, about.listed_at_ns = listed, t_ns

    def _drop_pages(self, about: Source) -> None:
        self.listed_total -= sum(len(page) for page in about.pages.values())
        about.pages.clear()

    def expire_lists(self, now_ns: int) -> None:
        """Forget lists that were not renewed for 20 s."""
        for about in self.about:
            if about is not None and about.listed is not None and now_ns - about.listed_at_ns > LIST_TIMEOUT_NS:
                self.listed_total -= len(about.listed)
                if about.listed_before is not None:
                    self.listed_total -= len(about.listed_before)
                about.listed_before = None
                about.listed = None
                about.list_changed_ns = now_ns

    def others_with_same_id(self, row: int) -> list[int]:
        """Rows of the same CID from other addresses of the same network."""
        return [other for other in self.addresses.get(self.get(row).key[:3], ()) if other != row]

    def odd_words(self, row: int) -> tuple[str, ...]:
        return tuple(Odd(int(self.odd[row])).words)

    def forget(self, row: int) -> None:
        """Free the row of a source without streams."""
        about = self.get(row)
        self._drop_pages(about)
        for listed in (about.listed, about.listed_before):
            self.listed_total -= len(listed) if listed is not None else 0
        del self.by_key[about.key]
        same = self.addresses.get(about.key[:3], [])
        if row in same:
            same.remove(row)
            if not same:
                del self.addresses[about.key[:3]]
        self.about[row] = None
        self.remove(row)

    def _make_room(self) -> bool:
        top = self.top
        idle = self.used[:top] & (self.streams[:top] == 0) & (self.declared[:top] < 0)
        rows = np.flatnonzero(idle)
        if not len(rows):
            return False
        self.forget(int(rows[np.argmin(self.last_seen_ns[rows])]))
        self.evicted += 1
        return True

    def _match(self, row: int) -> None:
        """Find the declared source that this is: every field that is given must match."""
        about = self.get(row)
        self.declared[row] = -1
        for index, declared in enumerate(self._house.sources):
            if declared.cid is None and declared.address is None and declared.source_name is None:
                continue
            if declared.cid is not None and (declared.cid != about.source_id or about.key[1] != Protocol.E131):
                continue
            if declared.address is not None and not same_address(declared.address, about.address):
                continue
            if declared.source_name is not None and declared.source_name != about.name:
                continue
            self.declared[row] = index
            return
