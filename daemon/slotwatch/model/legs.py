"""Which rows of the source table are one source: what it sends to each network is a leg of it.

Source: the CID identifies a component (ANSI E1.31-2018 5.6). Art-Net has no identity, so there and for desks with a
CID for each interface it is common practice, no source: the same declaration, or the same name and universes.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Hashable, Iterable, Mapping, Sequence

from slotwatch.snapshot import SourceRow
from slotwatch.wire.universe import Protocol

Universes = frozenset[tuple[int, int]]
"""(protocol, number) of what a row sends or sent."""
NO_CID = bytes(16)


def one_source_each(
    rows: Mapping[int, SourceRow], universes_of: Callable[[int], Universes] = lambda _: frozenset()
) -> dict[int, int]:
    """Give each row the first row of the source that it is a leg of."""
    if len(rows) < 2:
        return {row: row for row in rows}
    legs = _JoinedLegs(rows)
    legs.join_alike(_identity)
    if len({row.network for row in rows.values()}) < 2:
        return {row: legs.first(row) for row in rows}
    legs.join_across(lambda row: row.declared_as and (row.declared_as,), newest=True)
    legs.join_across(_own_name, universes_of)
    return {row: legs.first(row) for row in rows}


def legs_of(first_of: Mapping[int, int]) -> dict[int, list[int]]:
    """Rows of each source, by its first row, in order."""
    found: dict[int, list[int]] = defaultdict(list)
    for row, first in sorted(first_of.items()):
        found[first].append(row)
    return dict(found)


def _identity(row: SourceRow) -> Hashable:
    """What no two sources share; None where nothing does."""
    if row.protocol == Protocol.E131:
        return row.source_id if row.source_id != NO_CID else None
    return row.protocol, row.source_id, row.address


def _own_name(row: SourceRow) -> Hashable:
    return None if row.declared_as or not row.source_name else (row.protocol, row.source_name)


class _JoinedLegs:
    """Rows, and the first row of what each was joined with."""

    def __init__(self, rows: Mapping[int, SourceRow]) -> None:
        self._rows = rows
        self._first = {row: row for row in rows}

    def first(self, row: int) -> int:
        while self._first[row] != row:
            row = self._first[row]
        return row

    def join(self, rows: Iterable[int]) -> None:
        firsts = {self.first(row) for row in rows}
        for first in firsts:
            self._first[first] = min(firsts)

    def join_alike(self, key_of: Callable[[SourceRow], Hashable]) -> None:
        """Join what has the same key."""
        for rows in self._by(key_of).values():
            if len(rows) > 1:
                self.join(rows)

    def join_across(
        self,
        key_of: Callable[[SourceRow], Hashable],
        universes_of: Callable[[int], Universes] | None = None,
        *,
        newest: bool = False,
    ) -> None:
        """Join what has the same key on several networks, one source of each.

        newest: of several on one network, the one heard last. Without it the key must be its only one there.
        universes_of: and only what sends the same universes, for the most part.
        """
        for rows in self._by(key_of).values():
            of_network: dict[int, int] = {}
            crowded = set()
            for row in sorted(rows, key=lambda row: self._rows[row].last_seen_ns):
                network = self._rows[row].network
                if network in of_network and self.first(of_network[network]) != self.first(row):
                    crowded.add(network)
                of_network[network] = row
            if len(of_network) > 1 and (newest or not crowded):
                one, *others = sorted(of_network.values())
                self.join([one, *(row for row in others if universes_of is None or _alike(universes_of, one, row))])

    def _by(self, key_of: Callable[[SourceRow], Hashable]) -> dict[Hashable, Sequence[int]]:
        found: dict[Hashable, list[int]] = defaultdict(list)
        for row, source in self._rows.items():
            key = key_of(source)
            if key:
                found[key].append(row)
        return dict(found)


def _alike(universes_of: Callable[[int], Universes], one: int, other: int) -> bool:
    ours, theirs = universes_of(one), universes_of(other)
    return 2 * len(ours & theirs) > max(len(ours), len(theirs))
