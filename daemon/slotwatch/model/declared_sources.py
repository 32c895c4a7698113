"""By what a declared source is known: its CID, its address, its name."""

from __future__ import annotations

import ipaddress

from slotwatch.house.schema import DeclaredSource, House
from slotwatch.snapshot import SourceRow
from slotwatch.wire.universe import Protocol


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


def signs(house: House) -> dict[bytes, tuple[int, int]]:
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
