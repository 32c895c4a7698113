"""How sources are called: one identity for scripts, one name for people."""

from __future__ import annotations

from uuid import UUID

from slotwatch.snapshot import SourceRow
from slotwatch.wire import universe
from slotwatch.wire.universe import Protocol


def cid_text(row: SourceRow) -> str | None:
    """The CID as E1.31 sources are known by; None where the protocol has none."""
    return str(UUID(bytes=row.source_id)) if row.protocol == Protocol.E131 else None


def source_key(row: SourceRow) -> str:
    """What distinguishes a source from others: its CID, or its address with the physical port if that is not 0."""
    return universe.source_key(row.protocol, row.source_id, row.address)


def source_name(row: SourceRow) -> str:
    """What a person calls it: as declared, else as it calls itself, else where it is."""
    return row.declared_as or row.source_name or row.address or source_key(row)
