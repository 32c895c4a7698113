"""Names of universes as people and machines write them: `e131/12`, `artnet/0`, `line/rack-feed`."""

from __future__ import annotations

import re
from dataclasses import dataclass
from enum import IntEnum
from functools import lru_cache
from typing import NamedTuple
from uuid import UUID

SLOTS = 512
"""Slots of a full universe (ANSI E1.11)."""


class Protocol(IntEnum):
    """How a frame travelled. The ring and the stored history hold these values: never renumber."""

    E131 = 1
    ARTNET = 2
    LINE = 3

    @property
    def facts(self) -> ProtocolFacts:
        """What is fixed of this protocol."""
        return _FACTS[self]

    @property
    def word(self) -> str:
        return _FACTS[self].word


@dataclass(frozen=True, slots=True)
class ProtocolFacts:
    """What is fixed of a protocol, as house file, sockets and sentences need it."""

    word: str
    """As universes are written: `e131/12`."""
    title: str
    """As sentences have it."""
    first: int
    last: int
    """Its lowest and its highest universe."""
    loss_timeout_s: float
    """Silence after which its data counts as lost, if the house file gives no other."""
    udp_port: int = 0
    """0: it does not come by a network."""
    has_ipv6: bool = False
    is_sent: bool = False
    """Whether a route can send it."""
    identity: str = "address"
    """By what its sources are distinguished, as sentences have it."""

    @property
    def span(self) -> str:
        """All its universes: `e131/1 to e131/63999`."""
        return f"{self.word}/{self.first} to {self.word}/{self.last}"


E131_FIRST, E131_LAST = 1, 63999  # ANSI E1.31-2018 6.2.7
ARTNET_FIRST, ARTNET_LAST = 0, 32767  # 15-bit port-address
E131_DISCOVERY = 64214  # ANSI E1.31-2018 appendix A

_FACTS = {
    # Loss: ANSI E1.31-2018 6.7.1. Port: appendix A. IPv6: 9.3.
    Protocol.E131: ProtocolFacts(
        *("e131", "E1.31", E131_FIRST, E131_LAST, 2.5, 5568),
        has_ipv6=True,
        is_sent=True,
        identity="identity and address",
    ),
    # Loss: as long as a node holds a merge, common practice.
    Protocol.ARTNET: ProtocolFacts("artnet", "Art-Net", ARTNET_FIRST, ARTNET_LAST, 10.0, 6454, is_sent=True),
    # Loss: ANSI E1.11. The house numbers its lines from 1.
    Protocol.LINE: ProtocolFacts("line", "DMX512 line", 1, 65535, 1.0),
}
_PROTOCOLS = {facts.word: protocol for protocol, facts in _FACTS.items()}
ON_NETWORK = tuple(protocol for protocol, facts in _FACTS.items() if facts.udp_port)
"""Protocols that come by a network, in the order in which lists name them."""
LAST_PROTOCOL = max(Protocol)
"""What is kept by protocol has a row for each number up to this one; row 0 stays empty."""

MOST_KEYS = 4096
"""Identities that are kept as they are written."""

_TEXT = re.compile(rf"({'|'.join(_PROTOCOLS)})/(\d{{1,5}})(?:@(\S+))?")


class UniverseId(NamedTuple):
    """Protocol and number of a universe, without the network it was heard on.

    A line has no number on the wire; the house numbers its lines from 1 in the order they are declared,
    and the presentation puts their names back (`line/rack-feed`).
    """

    protocol: Protocol
    number: int

    def __str__(self) -> str:
        return f"{self.protocol.word}/{self.number}"

    @property
    def is_valid(self) -> bool:
        """Whether a conforming source may send levels on this universe."""
        return self.protocol.facts.first <= self.number <= self.protocol.facts.last


def parse(text: str) -> tuple[UniverseId, str | None]:
    """Read `e131/12` or `e131/12@A` into its universe and its network's name (None if not given).

    ValueError with a sentence a person can act on, if the text is not a universe.
    """
    found = _TEXT.fullmatch(text.strip())
    if not found:
        raise ValueError(f"{text!r} is not a universe; write {' or '.join(p.facts.span for p in ON_NETWORK)}")
    universe = UniverseId(_PROTOCOLS[found[1]], int(found[2]))
    if not universe.is_valid:
        raise ValueError(f"{text!r} is outside {universe.protocol.facts.span}")
    return universe, found[3]


@lru_cache(maxsize=MOST_KEYS)
def source_key(protocol: int, source_id: bytes, address: str) -> str:
    """The identity of a source, also for scripts: its CID, or its address with the physical port if not 0."""
    if protocol == Protocol.E131:
        return str(UUID(bytes=source_id))
    port = source_id[-1] if source_id else 0
    return f"{address}:{port}" if port else address
