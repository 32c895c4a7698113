"""Levels over time around an incident, read from what the recorder kept of it."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from ipaddress import ip_address
from uuid import UUID

from slotwatch.views.answers.faults import LevelsAnswer, SlotSeriesAnswer
from slotwatch.views.moments import iso_wall
from slotwatch.wire.fields import PacketKind
from slotwatch.wire.plain import read_artnet, read_e131
from slotwatch.wire.universe import Protocol, UniverseId

STEPS = 240
"""This many moments are drawn, whatever the length: about three pixels each."""
MOST_SLOTS = 12
MOST_SOURCES = 4
MOST_PACKETS = 400_000
"""At most FRAMES of one universe are kept. If a capture holds more packets, the others are left out and counted."""
FRAMES = 8_192
UDP = 17
SHORTEST_IPV4, IPV6, UDP_HEADER = 20, 40, 8


@dataclass(slots=True)
class _Source:
    """Frames of one source on the universe, in order of arrival."""

    frames: deque[tuple[int, bytes]] = field(default_factory=lambda: deque(maxlen=FRAMES))


def levels_over_time(packets: Iterable[tuple[int, bytes]], universe: UniverseId) -> LevelsAnswer:
    """Give the slots that moved most on one universe, source by source, in STEPS equal steps.

    packets: (wall-clock ns, packet beginning with its IP header), as the recorder writes them.
    A step in which no frame came is None. `left_out` is true where the capture held more than was read.
    """
    sources: dict[str, _Source] = {}
    first_ns = last_ns = 0
    left_out = False
    for number, (t_ns, raw) in enumerate(packets):
        if number >= MOST_PACKETS:
            left_out = True
            break
        first_ns = first_ns or t_ns
        last_ns = max(last_ns, t_ns)
        found = _frame(raw, universe)
        if found is None:
            continue
        name, slots = found
        if name not in sources and len(sources) >= MOST_SOURCES:
            left_out = True
            continue
        sources.setdefault(name, _Source()).frames.append((t_ns, slots))
    return {
        "universe": str(universe),
        "from": iso_wall(first_ns) if first_ns else None,
        "to": iso_wall(last_ns) if first_ns else None,
        "sources": [
            {"source": name, "slots": _series(one, first_ns, max(last_ns, first_ns + STEPS))}
            for name, one in sources.items()
        ],
        "left_out": left_out,
    }


def _series(source: _Source, first_ns: int, last_ns: int) -> list[SlotSeriesAnswer]:
    width = max(len(slots) for _, slots in source.frames)
    low, high = bytearray(b"\xff" * width), bytearray(width)
    for _, slots in source.frames:
        for at, level in enumerate(slots):
            low[at] = min(low[at], level)
            high[at] = max(high[at], level)
    chosen = sorted(range(width), key=lambda at: (low[at] - high[at], -high[at], at))
    chosen = sorted(at for at in chosen[:MOST_SLOTS] if high[at] > 0)
    step_ns = (last_ns - first_ns) / STEPS
    drawn: list[bytes | None] = [None] * STEPS
    for t_ns, slots in source.frames:
        drawn[min(STEPS - 1, int((t_ns - first_ns) / step_ns))] = slots
    return [
        {"slot": at + 1, "values": [None if row is None or at >= len(row) else row[at] for row in drawn]}
        for at in chosen
    ]


def _frame(raw: bytes, universe: UniverseId) -> tuple[str, bytes] | None:
    """Source and levels of one packet, if it is a plain frame of that universe."""
    for address, payload in _payload(raw):
        if universe.protocol == Protocol.E131:
            e131 = read_e131(payload)
            if e131 and e131.universe == universe.number and e131.kind == PacketKind.LEVELS:
                return str(UUID(bytes=e131.source_id)), e131.slots
        else:
            artnet = read_artnet(payload)
            if artnet and artnet.universe == universe.number:
                return address, artnet.slots
    return None


def _payload(raw: bytes) -> Iterator[tuple[str, bytes]]:
    """Sender and UDP payload of an IPv4 (RFC 791) or IPv6 (RFC 8200) packet; nothing of any other."""
    if len(raw) < SHORTEST_IPV4:
        return
    if raw[0] >> 4 == 4 and raw[9] == UDP:
        begin = (raw[0] & 15) * 4
        yield str(ip_address(raw[12:16])), raw[begin + UDP_HEADER :]
    elif raw[0] >> 4 == 6 and len(raw) > IPV6 and raw[6] == UDP:
        yield str(ip_address(raw[8:24])), raw[IPV6 + UDP_HEADER :]
