"""By what a declared source is known: its CID, its address, its name."""

from __future__ import annotations

import ipaddress
from typing import NamedTuple

from slotwatch.house.schema import House
from slotwatch.wire.universe import Protocol


def address_bytes(written: str) -> bytes:
    """The 16 bytes of an address as packets carry it (IPv4 as ::ffff:a.b.c.d); none if the text is not an address."""
    try:
        address = ipaddress.ip_address(written)
    except ValueError:
        return b""
    return bytes(10) + b"\xff\xff" + address.packed if address.version == 4 else address.packed


class Signs(NamedTuple):
    """What declared sources are known by at first sight, of each the first that is given."""

    cids: set[bytes]
    addresses: set[bytes]
    names: set[bytes]
    """As they are sent, without the zero byte that ends them."""


class DeclaredSources:
    """Finds the declared source that a sender is: every field that is given must match, and one must be given."""

    def __init__(self, house: House) -> None:
        self._sources = house.sources
        self.signs = _signs(house)
        self._addresses = [frozenset(map(address_bytes, one.addresses)) for one in house.sources]
        self._by_sign: dict[bytes | str, list[int]] = {}
        for index, (one, addresses) in enumerate(zip(house.sources, self._addresses, strict=True)):
            for sign in (one.cid,) if one.cid is not None else addresses or (one.source_name,):
                if sign:
                    self._by_sign.setdefault(sign, []).append(index)

    def find(self, protocol: int, source_id: bytes, address: bytes, name: str) -> int:
        """Index of the first that it is, -1."""
        asked = (index for sign in (source_id, address, name) for index in self._by_sign.get(sign, ()))
        return min((index for index in asked if self._is(index, protocol, source_id, address, name)), default=-1)

    def _is(self, index: int, protocol: int, source_id: bytes, address: bytes, name: str) -> bool:
        declared, addresses = self._sources[index], self._addresses[index]
        if declared.cid is not None and (declared.cid != source_id or protocol != Protocol.E131):
            return False
        return (not addresses or address in addresses) and declared.source_name in (None, name)


def _signs(house: House) -> Signs:
    found = Signs(set(), set(), set())
    for one in house.sources:
        if one.cid is not None:
            found.cids.add(one.cid)
        elif one.addresses:
            found.addresses.update(filter(None, map(address_bytes, one.addresses)))
        elif one.source_name:
            found.names.add(one.source_name.encode()[:63])
    return found
