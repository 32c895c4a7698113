"""Packets of E1.31 changed on their way out: what a faulty program, a wrong setting or another number makes of them.

Offsets are those of ANSI E1.31-2018 table 4-1.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace

from slotwatch.durations import NANOSECONDS
from slotwatch.rehearse import packets
from slotwatch.rehearse.packets import Sent
from slotwatch.rehearse.stage import Item, Match, everything

PRIORITY, SEQUENCE, OPTIONS, UNIVERSE, START_CODE, SLOTS = 108, 111, 112, 113, 125, 126
_NAME, _DATA = slice(44, 108), b"\0\0\0\x04"
_CID, _VECTOR = slice(22, 38), slice(18, 22)
Change = Callable[[Sent], Sent]


def is_data(sent: Sent) -> bool:
    """Whether it is a data packet of E1.31, with levels or another start code."""
    return sent.dst_port == packets.E131_PORT and sent.payload[_VECTOR] == _DATA


def universe_of(sent: Sent) -> int:
    return int.from_bytes(sent.payload[UNIVERSE : UNIVERSE + 2], "big")


def changed(items: Iterable[Item], change: Change, from_s: float, match: Match = everything) -> Iterator[Item]:
    """Change each data packet that matches, from a moment on."""
    for item in items:
        if isinstance(item, Sent) and item.t_ns >= from_s * NANOSECONDS and is_data(item) and match(item):
            yield change(item)
        else:
            yield item


def put(offset: int, written: bytes) -> Change:
    """Write some bytes over those of each packet."""
    return lambda sent: replace(sent, payload=sent.payload[:offset] + written + sent.payload[offset + len(written) :])


def flagged(bits: int) -> Change:
    """Set option bits."""
    return lambda sent: put(OPTIONS, bytes((sent.payload[OPTIONS] | bits,)))(sent)


def renumbered(by: int) -> Change:
    """Send to another universe and its group."""

    def change(sent: Sent) -> Sent:
        number = universe_of(sent) + by
        return replace(put(UNIVERSE, number.to_bytes(2, "big"))(sent), dst=packets.group(number))

    return change


def trimmed(slots: int) -> Change:
    """Send fewer slots."""

    def change(sent: Sent) -> Sent:
        payload = packets.e131_data(
            sent.payload[_CID],
            sent.payload[_NAME].rstrip(b"\0").decode(),
            universe_of(sent),
            sent.payload[SEQUENCE],
            sent.payload[SLOTS : SLOTS + slots],
            priority=sent.payload[PRIORITY],
            options=sent.payload[OPTIONS],
            start_code=sent.payload[START_CODE],
        )
        return replace(sent, payload=payload)

    return change


def frozen(items: Iterable[Item], from_s: float) -> Iterator[Item]:
    """From a moment on each universe's first packet of levels, again and again: a program that hangs sends no more."""
    kept: dict[tuple[str, str], bytes] = {}
    for item in items:
        if isinstance(item, Sent) and item.t_ns >= from_s * NANOSECONDS and is_data(item):
            if item.payload[START_CODE] == 0:
                yield replace(item, payload=kept.setdefault((item.src, item.dst), item.payload))
        else:
            yield item
