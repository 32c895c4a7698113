"""Multicast queriers of each network, as this listener hears them. Bounded, for the network names them."""

from __future__ import annotations

from dataclasses import dataclass

from slotwatch.durations import NANOSECONDS
from slotwatch.wire.observation import QuerySeen

MOST_QUERIERS = 16
"""Queriers of one network."""
FAMILY_LETTERS = 3
"""First letters of a version that distinguish IGMP from MLD."""
IGMP = "igm"
GONE_NS = 255 * NANOSECONDS
"""Other-querier-present interval of IGMPv2 (RFC 2236 8.5): memberships run out soon after."""
QUERY_INTERVAL_NS = 130 * NANOSECONDS
"""Query interval and slack (RFC 2236 8.2: 125 s): a querier may be silent for as long."""


@dataclass(slots=True)
class Querier:
    """A router or switch that asks for multicast memberships, as its queries show it."""

    address: str
    version: str
    """igmp1 | igmp2 | igmp3 | mld1 | mld2."""
    first_ns: int
    last_ns: int
    """When its first and its newest query came."""
    interval_s: float | None = None
    """Query interval that it announces; None: its version does not say (before IGMPv3 and MLDv2)."""

    @property
    def family(self) -> str:
        """`igm` (IGMP) or `mld`."""
        return self.version[:FAMILY_LETTERS]


class Queriers:
    """All queriers that were heard, and the last change on each network."""

    def __init__(self) -> None:
        self.by_network: dict[int, dict[str, Querier]] = {}
        """The queriers of a network by address."""
        self.change: dict[int, tuple[int, str, str]] = {}
        """Of a network: when its querier changed last, from which address, to which."""
        self.changes: dict[int, int] = {}
        """How often the querier of a network changed."""

    def newest(self, network: int) -> Querier | None:
        """Give the querier that was heard last on a network."""
        known = self.by_network.get(network)
        return max(known.values(), key=lambda querier: querier.last_ns) if known else None

    def is_gone(self, network: int, stopped_ns: int, now_ns: int) -> bool:
        """Whether a querier was heard and is silent since, so that groups which stopped then may have run out."""
        querier = self.newest(network)
        if querier is None or stopped_ns - querier.last_ns < GONE_NS - QUERY_INTERVAL_NS:
            return False
        return now_ns - querier.last_ns >= GONE_NS

    def take(self, seen: QuerySeen) -> None:
        """Take a query."""
        known = self.by_network.setdefault(seen.network, {})
        before = self.newest(seen.network)
        family = seen.version[:FAMILY_LETTERS]
        peers = [querier for querier in known.values() if querier.family == family]
        last = max(peers, key=lambda querier: querier.last_ns, default=None)
        if last is not None and before is not None and last.address != seen.querier:
            self.change[seen.network] = (seen.t_ns, last.address, seen.querier)
            self.changes[seen.network] = self.changes.get(seen.network, 0) + 1
        querier = known.get(seen.querier)
        if querier is None:
            if len(known) >= MOST_QUERIERS:
                known.pop(min(known, key=lambda address: known[address].last_ns))
            known[seen.querier] = Querier(seen.querier, seen.version, seen.t_ns, seen.t_ns, seen.interval_s)
        else:
            querier.version, querier.last_ns, querier.interval_s = seen.version, seen.t_ns, seen.interval_s
