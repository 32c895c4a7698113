"""Packets that carry no levels, counted by whole second: a flood of them is known by its rate. Their senders are only
counted in a second that has many already, and in a table with a bound.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from slotwatch.durations import NANOSECONDS

SECONDS = 10
COUNTED_NS = (SECONDS + 1) * NANOSECONDS
"""Time after which a packet is in no count of whole seconds."""
MANY = 200
"""From this many in a second on, each sender is counted."""
MOST_SENDERS = 64
MOST_SURGES = 64


@dataclass(slots=True)
class Surge:
    """Packets of one kind on one network. Times are monotonic nanoseconds."""

    total: int = 0
    busy_ns: int = 0
    """When a second last had MANY; 0 for never."""
    senders: dict[str, int] = field(default_factory=dict)
    """Addresses of the newest busy second and how many packets each sent, at most MOST_SENDERS of them."""
    others: int = 0
    """Packets of that second from further addresses."""
    _counts: list[int] = field(default_factory=lambda: [0] * SECONDS)
    _second: int = 0
    _named_second: int = 0

    def take(self, t_ns: int, packets: int) -> bool:
        """Count packets; returns whether there are so many that their senders should be named."""
        self._turn(t_ns)
        self.total += packets
        self._counts[self._second % SECONDS] += packets
        if self._counts[self._second % SECONDS] < MANY:
            return False
        self.busy_ns = max(self.busy_ns, t_ns)
        if self._named_second != self._second:
            self._named_second, self.others = self._second, 0
            self.senders.clear()
        return True

    def name(self, address: str, packets: int) -> None:
        """Count packets of one sender, after `take` asked for names."""
        if address in self.senders or len(self.senders) < MOST_SENDERS:
            self.senders[address] = self.senders.get(address, 0) + packets
        else:
            self.others += packets

    def lately(self, now_ns: int, seconds: int) -> list[int]:
        """Packets of each of the last whole seconds, the oldest first; at most SECONDS - 1 of them."""
        self._turn(now_ns)
        return [self._counts[second % SECONDS] for second in range(self._second - seconds, self._second)]

    def began_ns(self, now_ns: int, per_second: float) -> int:
        """When the run of whole seconds with this many packets began, as far back as they are known."""
        run = 0
        for count in reversed(self.lately(now_ns, SECONDS - 1)):
            if count < per_second:
                break
            run += 1
        return (self._second - run) * NANOSECONDS

    def _turn(self, now_ns: int) -> None:
        second = now_ns // NANOSECONDS
        for passed in range(max(self._second + 1, second - SECONDS + 1), second + 1):
            self._counts[passed % SECONDS] = 0
        self._second = max(self._second, second)


class Surges:
    """Surges by kind and network, at most MOST_SURGES of them."""

    def __init__(self) -> None:
        self.known: dict[tuple[str, int], Surge] = {}

    def take(self, kind: str, network: int, t_ns: int, packets: int = 1) -> Surge | None:
        """Count packets; returns their surge where it is so large that their senders should be named."""
        surge = self.known.get((kind, network))
        if surge is None:
            if len(self.known) >= MOST_SURGES:
                return None
            surge = self.known[kind, network] = Surge()
        return surge if surge.take(t_ns, packets) else None

    def note(self, kind: str, network: int, address: str, t_ns: int) -> None:
        """Count one packet of one sender."""
        if (surge := self.take(kind, network, t_ns)) is not None:
            surge.name(address, 1)
