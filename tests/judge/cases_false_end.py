"""The table of streams whose end is announced and which go on.

ANSI E1.31-2018 6.2.6: bit 6 of the options (offset 112) ends a stream; a source sends three such packets when it stops.
"""

from __future__ import annotations

from dataclasses import replace
from functools import partial

from tests.judge.cases import FROM_S, Case, desk
from tests.judge.moved import Moved, is_open, plays, twice
from tests.judge.stage import Packet, Plain, house_of, moving

HOUSE = house_of((1,))
EVERY_S = 0.5
TERMINATED = 0x40
HZ = 40.0


def ended(count: int, every_s: float = EVERY_S) -> list[object]:
    """A desk that announces its end in so many of its packets, one every so often."""
    ends = {round((FROM_S + turn * every_s) * HZ) for turn in range(count)}
    made: list[Packet] = []
    for index, packet in enumerate(desk(levels=moving(), hz=HZ).packets(60.0)):
        octets = bytearray(packet.data)
        octets[112] |= TERMINATED * (index in ends)
        made.append(replace(packet, data=bytes(octets)))
    return [Plain(made)]


CASES = [
    Case(
        "false-end",
        HOUSE,
        lambda: ended(4),
        lambda: ended(20),
        # The fifth comes 2 s after the first.
        (2.0, 2.2),
        end_s=FROM_S + 19 * EVERY_S,
        # The last one counts for 5 s, and the off-delay follows.
        closes_s=(14.9, 15.3),
        sentence='Universe e131/1 from "Desk A" (10.0.0.1): packets announce the end of the stream again and again, '
        "and it goes on. Receivers that obey lose the source each time.",
    ),
    Case(
        "false-end",
        HOUSE,
        # Each is counted anew after 5 s without one.
        lambda: ended(8, 5.1),
        lambda: ended(8, 4.9),
        (19.6, 19.8),
        "in a row",
        end_s=FROM_S + 7 * 4.9,
        closes_s=(14.9, 15.3),
    ),
]

EIGHT = partial(ended, 8)
MOVED = [
    Moved("false-end", "packets", 8, plays(HOUSE, lambda: ended(7), lambda: ended(8), FROM_S + 6.0)),
    # The last of 8 comes 3.5 s after the first; its 3 s and the off-delay of 10 s follow.
    Moved("false-end", "recent_s", 3.0, plays(HOUSE, *twice(EIGHT), (FROM_S + 16.9, FROM_S + 16.1)), is_open),
]
