"""Names of universes as people and machines write them: `e131/12`, `artnet/0`, `line/rack-feed`."""

from __future__ import annotations

import re
from enum import IntEnum
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
    def word(self) -> str:
        return _WORDS[self]


_WORDS = {Protocol.E131: "e131", Protocol.ARTNET: "artnet", Protocol.LINE: "line"}
_PROTOCOLS = {word: protocol for protocol, word in _WORDS.items()}

E131_FIRST, E131_LAST = 1, 63999  # ANSI E1.31-2018 6.2.7
ARTNET_FIRST, ARTNET_LAST = 0, 32767  # 15-bit port-address
E131_DISCOVERY = 64214  # ANSI E1.31-2018 appendix A

_TEXT = re.compile(r"(e131|artnet|line)/(\d{1,5})(?:@(\S+))?")


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
        if self.protocol is Protocol.E131:
            return E131_FIRST <= self.number <= E131_LAST
        if self.protocol is Protocol.ARTNET:
            return ARTNET_FIRST <= self.number <= ARTNET_LAST
        return self.number >= 1


def parse(text: str) -> tuple[UniverseId, str | None]:
    """Read `e131/12` or `e131/12@A` into its universe and its network's name (None if not given).

    ValueError with a sentence a person can act on, if the text is not a universe.
    """
    found = _TEXT.fullmatch(text.strip())
    if not found:
        raise ValueError(f"{text!r} is not a universe; write e131/1 to e131/63999 or artnet/0 to artnet/32767")
    universe = UniverseId(_PROTOCOLS[found[1]], int(found[2]))
    if not universe.is_valid:
        low, high = (E131_FIRST, E131_LAST) if universe.protocol is Protocol.E131 else (ARTNET_FIRST, ARTNET_LAST)
        raise ValueError(f"{text!r} is outside {universe.protocol.word}/{low} to {universe.protocol.word}/{high}")
    return universe, found[3]


def source_key(protocol: int, source_id: bytes, address: str) -> str:
    """The identity of a source, also for scripts: its CID, or its address with the physical port if not 0."""
    if protocol == Protocol.E131:
        return str(UUID(bytes=source_id))
    port = source_id[-1] if source_id else 0
    return f"{address}:{port}" if port else address
