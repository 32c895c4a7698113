"""This listener as an Art-Net node: what it answers to polls so that senders unicast declared universes here.

Off unless `artnet_subscribe` is set, since it asks other people's senders for data. Four ports a bind index,
all of one Net and Sub-Net, as the protocol's fourth edition lays them out.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from ipaddress import IPv4Address

from slotwatch.house.schema import House
from slotwatch.wire.compose import NodePort, art_poll_reply
from slotwatch.wire.universe import Protocol

PORTS_A_REPLY = 4
SPREAD_NS = 1_000_000_000
"""Replies wait a random time up to 1 s, so that a poll is not answered by all nodes at once."""


@dataclass(frozen=True, slots=True)
class Page:
    """The ports of one poll reply."""

    net: int
    subnet: int
    universes: tuple[int, ...]
    """Low nibbles, at most four."""


def pages(house: House) -> list[Page]:
    """Declared, expected Art-Net universes in replies of at most four ports that share Net and Sub-Net."""
    groups: dict[tuple[int, int], list[int]] = {}
    for universe in house.universes:
        if universe.id.protocol is Protocol.ARTNET and universe.expected:
            net, rest = universe.id.number >> 8, universe.id.number & 0xFF
            groups.setdefault((net, rest >> 4), []).append(rest & 0xF)
    made = []
    for (net, subnet), numbers in sorted(groups.items()):
        ordered = sorted(set(numbers))
        starts = range(0, len(ordered), PORTS_A_REPLY)
        made += [Page(net, subnet, tuple(ordered[start : start + PORTS_A_REPLY])) for start in starts]
    return made


def poll_reply(page: Page, bind_index: int, address: IPv4Address, mac: bytes, count: int) -> bytes:
    """The bytes of one reply. `bind_index` counts from 1, `count` numbers the replies sent so far."""
    base = page.net << 8 | page.subnet << 4
    return art_poll_reply(
        str(address),
        "slotwatch",
        "slotwatch listener: watches data, drives nothing",
        [NodePort(base | universe, active=True) for universe in page.universes],
        report=f"#0001 [{count % 10000:04d}] listening",
        mac=mac,
        bind_index=bind_index,
    )


MOST_POLLERS = 64
"""Controllers that are answered in one second; a flood of forged polls is answered no faster than this."""


@dataclass(slots=True)
class PollResponder:
    """Answers polls, each after its own delay. Times are monotonic nanoseconds."""

    pages: list[Page]
    address: IPv4Address
    mac: bytes
    sent: int = 0
    unanswered: int = 0
    """Polls past MOST_POLLERS."""
    _waiting: dict[bytes, int] = field(default_factory=dict)

    def polled(self, poller: bytes, now_ns: int) -> None:
        """A poll came from this address (16 bytes). One answer at a time waits for each poller."""
        if not self.pages or poller in self._waiting:
            return
        if len(self._waiting) >= MOST_POLLERS:
            self.unanswered += 1
            return
        # The arrival time's own digits are as good as chance to spread the answers of many nodes.
        self._waiting[poller] = now_ns + now_ns * 2_654_435_761 % SPREAD_NS

    def next_ns(self) -> int | None:
        """When the next answer is due."""
        return min(self._waiting.values(), default=None)

    def due(self, now_ns: int) -> list[tuple[bytes, bytes]]:
        """Answers to send now: (poller's address, packet)."""
        answers = []
        for poller in [p for p, at in self._waiting.items() if at <= now_ns]:
            del self._waiting[poller]
            for index, page in enumerate(self.pages, 1):
                self.sent += 1
                answers.append((poller, poll_reply(page, index, self.address, self.mac, self.sent)))
        return answers
