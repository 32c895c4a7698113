"""When the next snapshot is due: soon after a change, seldom while nobody reads."""

from __future__ import annotations

from slotwatch import clock
from slotwatch.edge.shared.pace import Pace

SNAPSHOT_NS = 200_000_000
SOONEST_SNAPSHOT_NS = 50_000_000
UNREAD_SNAPSHOT_NS = 1_500_000_000
"""While nothing is under way and no page is open. For any other reader the front process asks first (`http_fresh`)."""
SNAPSHOT_SHARE = 16
"""Time between two snapshots is at least this many times what the last one cost: on a busy computer, at 4,034
universes, 13 ms to make and 18 ms to encode. A share of 8 may cost 0.6 us a packet of a full
gigabit, this one half of that."""
UNREAD_SHARE = 96
"""The same while no page is open and nothing changed: 1 % of a core at most. A reader has a new one made first."""
HOLD_NS = 200_000_000
"""A publication waits this long (four ticks) for the tick that judges an order; without intake there are no ticks."""


class Publications:
    """When judging leaves its next snapshot in the snapshot buffer. Times are monotonic ns."""

    def __init__(self, pace: Pace) -> None:
        self._pace = pace
        self.is_wanted = True
        """Whether something changed that should be seen soon."""
        self.cost_ns = 0
        """What the last one cost to make and to encode."""
        self._published_ns = 0
        self._ordered_ns = 0
        """When something was ordered that no tick has judged yet; 0: nothing."""

    def order(self) -> None:
        """Note that a person ordered something: it shows after the next tick."""
        self.is_wanted, self._ordered_ns = True, clock.monotonic_ns()

    def ticked(self) -> None:
        """Note that a tick has judged what was ordered."""
        self._ordered_ns = 0

    def is_due(self, now_ns: int) -> bool:
        """Whether a snapshot should be made now."""
        seldom = self._pace.is_resting and not self._pace.is_watched(now_ns)
        wanted_ns = SOONEST_SNAPSHOT_NS if self.is_wanted else UNREAD_SNAPSHOT_NS if seldom else SNAPSHOT_NS
        share = SNAPSHOT_SHARE if self.is_wanted or self._pace.is_watched(now_ns) else UNREAD_SHARE
        if now_ns - self._published_ns < max(wanted_ns, share * self.cost_ns):
            return False
        return not self._ordered_ns or now_ns - self._ordered_ns >= HOLD_NS

    def published(self, began_ns: int) -> None:
        """Note that a snapshot that was begun then is done with."""
        self.is_wanted = False
        self._published_ns = began_ns
        self.cost_ns = clock.monotonic_ns() - began_ns
