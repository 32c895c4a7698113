"""A snapshot laid out for reading: columns as Python values, each converted once, and what belongs together found once.

Turning 4,096 universes into objects reads some 80,000 array elements; one `tolist` a column is what keeps that
under a tenth of a second.
"""

from __future__ import annotations

from collections import defaultdict
from functools import cached_property
from typing import Literal, overload
from uuid import UUID

import numpy as np
from numpy.typing import NDArray

from slotwatch.model.legs import legs_of, one_source_each
from slotwatch.snapshot import Snapshot, SourceRow
from slotwatch.snapshot.columns import Columns
from slotwatch.views.moments import iso
from slotwatch.wire import universe
from slotwatch.wire.universe import Protocol

SENDING = ("running", "holding", "zero")
"""States of a route in which it puts frames onto a network or a line (`bridge.output.RouteState`)."""
STREAM_STATES = ("live", "silent", "terminated", "preview-only")


WholeColumn = Literal[
    "discarded",
    "first_frame_ns",
    "frames",
    "joined",
    "last_change_ns",
    "last_frame_ns",
    "lost_frames",
    "network",
    "number",
    "options",
    "priority",
    "protocol",
    "repeated",
    "sequence",
    "slots",
    "source",
    "state",
    "streams",
    "sync_address",
    "universe_row",
    "winning_stream",
]
MeasuredColumn = Literal[
    "changes_hz",
    "interval_max_ms",
    "interval_p50_ms",
    "interval_p95_ms",
    "interval_p99_ms",
    "refresh_10s_hz",
    "refresh_1s_hz",
    "refresh_5s_hz",
    "refresh_hz",
]
FlagColumn = Literal["declared", "expected", "preview", "sequence_measurable", "slot_priority"]


class Lists:
    """Columns of one table as lists: `lists["frames"][row]`."""

    def __init__(self, columns: Columns) -> None:
        self._columns = columns
        self._lists: dict[str, list[int] | list[float] | list[bool]] = {}

    @overload
    def __getitem__(self, name: WholeColumn) -> list[int]: ...
    @overload
    def __getitem__(self, name: MeasuredColumn) -> list[float]: ...
    @overload
    def __getitem__(self, name: FlagColumn) -> list[bool]: ...
    def __getitem__(self, name: str) -> list[int] | list[float] | list[bool]:
        found = self._lists.get(name)
        if found is None:
            found = self._lists[name] = self._columns[name].tolist()
        return found


class Groups:
    """Rows of a table by whom they belong to: `groups[owner]`, in the table's order. Sorted once, sliced on demand."""

    def __init__(self, owners: NDArray[np.generic]) -> None:
        self._rows = np.argsort(owners, kind="stable")
        self._owners = owners[self._rows]

    def __getitem__(self, owner: int) -> list[int]:
        first, end = np.searchsorted(self._owners, (owner, owner + 1))
        found: list[int] = self._rows[first:end].tolist()
        return found


class Sheet:
    """One snapshot, read many times. Made for each publication, shared by all views."""

    def __init__(self, snapshot: Snapshot) -> None:
        self.snapshot = snapshot
        self.universes = Lists(snapshot.universes)
        self.streams = Lists(snapshot.streams)

    def iso(self, t_ns: int | None) -> str | None:
        return iso(t_ns, self.snapshot.wall_offset_ns)

    @cached_property
    def at(self) -> str:
        """The snapshot's own moment."""
        return self.iso(self.snapshot.now_ns) or ""

    @cached_property
    def own_addresses(self) -> frozenset[str]:
        """Addresses of this computer on the house's networks."""
        return frozenset(address for link in self.snapshot.house.listener.links for address in link.addresses)

    @cached_property
    def routed(self) -> frozenset[str]:
        """Universes that this computer's own routes feed, without their networks."""
        return frozenset(row.target.partition(" ")[0] for row in self.snapshot.routes)

    @cached_property
    def sent_by_routes(self) -> dict[tuple[str, str], list[str]]:
        """Own routes that send now, by universe and network as they are written."""
        found: dict[tuple[str, str], list[str]] = defaultdict(list)
        for row in self.snapshot.routes:
            if row.state in SENDING:
                found[row.target.partition(" ")[0], row.target_network].append(row.name)
        return found

    @cached_property
    def first_leg(self) -> dict[int, int]:
        """For each of Snapshot.sources, the index of the first that is the same source."""
        rows = dict(enumerate(self.snapshot.sources))
        return one_source_each(rows, self._universes_of)

    def _universes_of(self, index: int) -> frozenset[tuple[int, int]]:
        lists = self.universes
        sent = [self.streams["universe_row"][stream] for stream in self.streams_from[index]]
        return frozenset((lists["protocol"][row], lists["number"][row]) for row in sent)

    @cached_property
    def declared_e131(self) -> frozenset[int]:
        """Numbers of the declared E1.31 universes."""
        lists = self.universes
        rows = zip(lists["declared"], lists["protocol"], lists["number"], strict=True)
        return frozenset(number for declared, protocol, number in rows if declared and protocol == Protocol.E131)

    @cached_property
    def legs(self) -> dict[int, list[int]]:
        """Of the first leg of each source, all of them."""
        return legs_of(self.first_leg)

    @cached_property
    def source_keys(self) -> list[str]:
        """The key of each of Snapshot.sources; legs of one source have one key."""
        rows = self.snapshot.sources
        return [source_key(rows[self.first_leg[index]]) for index in range(len(rows))]

    @cached_property
    def source_names(self) -> list[str]:
        return [source_name(row) for row in self.snapshot.sources]

    @cached_property
    def rows_by_name(self) -> dict[str, int]:
        return {name: row for row, name in enumerate(self.snapshot.universe_names)}

    def row_of(self, name: str) -> int | None:
        """Row of a universe by its name. Where the house has several networks, a name without one is the first."""
        row = self.rows_by_name.get(name)
        if row is None and "@" not in name:
            return next(
                (row for row, full in enumerate(self.snapshot.universe_names) if full.split("@")[0] == name), None
            )
        if row is None and len(self.snapshot.house.networks) < 2:
            plain, _, network = name.partition("@")
            return self.rows_by_name.get(plain) if network in self.snapshot.house.networks else None
        return row

    @cached_property
    def streams_of(self) -> Groups:
        """Rows of the streams of each universe row."""
        return Groups(self.snapshot.streams["universe_row"])

    @cached_property
    def streams_from(self) -> Groups:
        """Rows of the streams of each source."""
        return Groups(self.snapshot.streams["source"])

    @cached_property
    def incidents_of(self) -> dict[str, list[int]]:
        """Identities of the open incidents that name a universe, or explain what is wrong with it."""
        found: dict[str, list[int]] = defaultdict(list)
        for incident in self.snapshot.incidents:
            if incident.closed_ns is None:
                explained = (name for _, names in incident.explains for name in names)
                for name in dict.fromkeys((*incident.universes, *explained)):
                    found[name].append(incident.id)
        return found

    def network_name(self, network: int) -> str:
        networks = self.snapshot.house.networks
        return networks[network] if network < len(networks) else ""


def cid_text(row: SourceRow) -> str | None:
    """The CID as E1.31 sources are known by; None where the protocol has none."""
    return str(UUID(bytes=row.source_id)) if row.protocol == Protocol.E131 else None


def source_key(row: SourceRow) -> str:
    """What distinguishes a source from others: its CID, or its address with the physical port if that is not 0."""
    return universe.source_key(row.protocol, row.source_id, row.address)


def source_name(row: SourceRow) -> str:
    """What a person calls it: as declared, else as it calls itself, else where it is."""
    return row.declared_as or row.source_name or row.address or source_key(row)
