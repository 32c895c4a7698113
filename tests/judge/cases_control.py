"""The table of who is in control, and of frames that are numbered, sent or timed so that receivers differ."""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Callable, Iterator
from dataclasses import replace
from itertools import accumulate

from slotwatch.house.schema import DeclaredSource
from tests.judge.cases import BY, END_S, FROM_S, HZ, A, B, Case, desk, while_
from tests.judge.stage import Desk, Levels, Packet, Plain, e131, group_of, house_of, moving, still

HOUSE = house_of((1,), min_refresh_hz=5)
PAIR = house_of((1,), min_refresh_hz=5, sources=(A, B), by=BY)
OPEN = DeclaredSource("spare desk", address="10.0.0.2", role="backup", standby="silent")
STANDBY = house_of((1,), min_refresh_hz=5, sources=(A, OPEN), by=BY)
MAIN_ALONE = house_of((1,), min_refresh_hz=5, sources=(A,), by=("main desk",))
CID = b"\1" * 16


def guest(number: int, seconds: float, **more: object) -> Desk:
    """A desk that sends from FROM_S on for so long, and says that it stops."""
    return desk(number, from_s=FROM_S, to_s=FROM_S + seconds, terminate=True, **more)


class Giver(Desk):
    """A desk that sends per-address priority (start code 0xDD) after every fifth frame, in one series of numbers."""

    given_slots: Callable[[float], int] = staticmethod(lambda t: 512)
    """How many slots it covers at a time; 0: none is sent."""
    given_value: Callable[[float], int] = staticmethod(lambda t: 100)

    def packets(self, end_s: float) -> Iterator[Packet]:
        sent = 0
        for number, packet in enumerate(super().packets(end_s)):
            data = bytearray(packet.data)
            data[111] = sent % 256  # sequence number, E1.31 table 4-2
            yield replace(packet, data=bytes(data))
            sent += 1
            slots = self.given_slots(packet.t_s)
            if number % 5 == 0 and slots:
                given = e131(
                    1,
                    sent,
                    bytes([self.given_value(packet.t_s)]) * slots,
                    cid=self.cid,
                    name=self.name,
                    start_code=0xDD,
                )
                yield replace(packet, t_s=packet.t_s + 0.01, data=given)
                sent += 1


def giver(given_slots: Callable[[float], int]) -> Giver:
    made = Giver("Desk A", (1,), hz=HZ, levels=still(100))
    made.given_slots = given_slots  # type: ignore[method-assign]
    return made


def valued(given_value: Callable[[float], int], level: int = 100) -> Giver:
    """A desk at one level that gives all of its slots a priority."""
    made = Giver("Desk A", (1,), hz=HZ, levels=still(level))
    made.given_value = given_value  # type: ignore[method-assign]
    return made


def in_turn(to_s: float, *, is_copied: bool = False) -> Plain:
    """A desk whose every second frame goes to the group of universe 2 from FROM_S on; copied: each goes to both."""
    made = []
    for number, packet in enumerate(desk(levels=moving(), hz=HZ).packets(60.0)):
        is_odd = FROM_S <= packet.t_s < to_s and number % 2
        if is_odd or (is_copied and packet.t_s >= FROM_S):
            made.append(replace(packet, t_s=packet.t_s + 0.001 * is_copied, dst="239.255.0.2"))
        if not is_odd or is_copied:
            made.append(packet)
    return Plain(made)


def spells(*spells: tuple[float, int]) -> Callable[[float], int]:
    """The value of the newest of these (from when, value) pairs."""
    return lambda t: next(value for since_s, value in reversed(spells) if t >= since_s)


def walk(t: float) -> bytes:
    """A look that no other moment of the minute has."""
    at = round(t * HZ)
    return bytes([at % 251, at // 251]) * 256


def behind(seconds: float) -> Levels:
    return lambda t: walk(max(0.0, t - seconds))


def given(period_s: float, until_s: float = math.inf, of: int = 5) -> list[float]:
    """Moments of steps after FROM_S: so many different intervals, again and again; five are cues of a person."""
    at_s = accumulate(period_s * (1.0 - 0.08 * (n % of)) for n in range(200))
    return [each_s for each_s in at_s if FROM_S + each_s < until_s]


def steps(*, late_s: float, until_s: float, period_s: float = 1.5, of: int = 5) -> list[object]:
    """Two universes of one desk that step from FROM_S on, the second so much later until a time.

    period_s: longest time from one step to the next. of: how many different times there are.
    """
    moments = given(period_s, of=of)

    def look(shift_s: float) -> Levels:
        return lambda t: bytes([bisect_right(moments, t - FROM_S - (shift_s if t < until_s else 0.0)) * 5 % 250]) * 64

    # As many frames a second as the difference needs to be seen, and as a line of 64 slots can carry.
    return [desk(levels=look(0.0), hz=100.0), desk(universes=(2,), levels=look(late_s), hz=100.0)]


def part(from_s: float, to_s: float, **more: object) -> Desk:
    """A part of one desk's life: its numbers continue."""
    return desk(from_s=from_s, to_s=to_s, sequence_of=numbered(round(from_s * HZ)), **more)


def beside(universe: int) -> str:
    """The group of the universe after this one."""
    return group_of(universe + 1)


def numbered(offset: int) -> Callable[[int, int], int]:
    return lambda universe, index: index + offset


CASES = [
    Case(
        "backup-in-control",
        STANDBY,
        lambda: [desk(), guest(2, 4.7, priority=101)],
        lambda: [desk(), guest(2, END_S - FROM_S, priority=101)],
        (5.0, 5.2),
    ),
    Case(
        "source-conflict",
        HOUSE,
        lambda: [desk(), guest(2, 4.7, levels=still(50))],
        lambda: [desk(), guest(2, END_S - FROM_S, levels=still(50))],
        (5.0, 5.2),
    ),
    Case(
        "unexpected-source",
        MAIN_ALONE,
        lambda: [desk(), guest(3, 1.0, priority=90)],
        lambda: [desk(), guest(3, END_S - FROM_S, priority=90)],
        # It counts with its third frame, and its second follows.
        (1.2, 1.4),
        "that nobody declared",
    ),
    Case(
        "unexpected-source",
        STANDBY,
        lambda: [desk(priority=100)],
        lambda: [part(0.0, FROM_S), part(FROM_S, END_S, priority=101), part(END_S, 60.0)],
        (1.0, 1.2),
        "above its priority",
    ),
    Case(
        "backup-differs",
        PAIR,
        lambda: [desk(), desk(2, levels=while_(still(140), still(100), to_s=FROM_S + 9.8), priority=90)],
        lambda: [desk(), desk(2, levels=while_(still(140), still(100)), priority=90)],
        (10.0, 10.4),
    ),
    Case(
        "duplicate-identity",
        HOUSE,
        lambda: [desk(), guest(1, 4.8, address="10.0.0.9", phase_s=0.03, sequence_of=numbered(100))],
        lambda: [desk(), guest(1, END_S - FROM_S, address="10.0.0.9", phase_s=0.03, sequence_of=numbered(100))],
        (5.0, 5.4),
        closes_s=(9.9, 12.9),
    ),
    Case(
        "slot-priority-faulty",
        HOUSE,
        lambda: [giver(spells((0, 512), (FROM_S, 0), (FROM_S + 1.5, 512)))],
        lambda: [giver(spells((0, 512), (FROM_S, 0), (END_S, 512)))],
        # The last one came half a second before FROM_S.
        (2.0, 2.2),
        "that stops",
    ),
    Case(
        "slot-priority-faulty",
        HOUSE,
        lambda: [giver(spells((0, 512), (FROM_S, 511), (FROM_S + 2.0, 512)))],
        lambda: [giver(spells((0, 512), (FROM_S, 511), (END_S, 512)))],
        (2.5, 2.7),
        "that is a slot short",
    ),
    Case(
        "slot-priority-faulty",
        HOUSE,
        # A slot with priority 0 is not sourced, so that its level does not count.
        lambda: [valued(spells((0, 100), (FROM_S, 0), (END_S, 100)), level=0)],
        lambda: [valued(spells((0, 100), (FROM_S, 0), (END_S, 100)))],
        (2.5, 2.7),
        "that gives 0 to every slot",
    ),
    Case(
        "slot-priority-faulty",
        HOUSE,
        # ANSI E1.31-2018 6.2.3: priorities are 0 to 200, and what is above is reserved. 0xDD has the same scale.
        lambda: [valued(spells((0, 100), (FROM_S, 200), (END_S, 100)))],
        lambda: [valued(spells((0, 100), (FROM_S, 201), (END_S, 100)))],
        (2.5, 2.7),
        "that is above the highest",
    ),
    Case(
        "slot-priority-faulty",
        house_of((1,), min_refresh_hz=5, shared=True),
        lambda: [giver(spells((0, 512))), guest(2, 4.7)],
        lambda: [giver(spells((0, 512))), guest(2, END_S - FROM_S)],
        (5.0, 5.2),
        "of one of two",
    ),
    Case(
        "undeclared-universe",
        HOUSE,
        lambda: [desk(), guest(2, 0.9, universes=(9,), dst=lambda universe: "10.0.0.200")],
        lambda: [desk(), guest(2, END_S - FROM_S, universes=(9,), dst=lambda universe: "10.0.0.200")],
        (1.2, 1.4),
        beside=frozenset({"universe-lost"}),
    ),
    Case(
        "echoed-universe",
        house_of((1,), min_refresh_hz=5, sources=(A,)),
        lambda: [desk(levels=walk), guest(3, END_S - FROM_S, levels=behind(0.3))],
        lambda: [desk(levels=walk), guest(3, END_S - FROM_S, levels=behind(0.2))],
        (5.0, 6.0),
        "within 250 ms",
        beside=frozenset({"source-conflict"}),
    ),
    Case(
        "echoed-universe",
        house_of((1,), min_refresh_hz=5, sources=(A,)),
        lambda: [desk(levels=walk), guest(3, 4.7, levels=behind(0.2))],
        lambda: [desk(levels=walk), guest(3, END_S - FROM_S, levels=behind(0.2))],
        (5.0, 6.0),
        "for five seconds",
        beside=frozenset({"source-conflict"}),
    ),
    Case(
        "identity-changed",
        house_of((1,), min_refresh_hz=5, shared=True),
        # A second machine of the same name beside the first has not taken its place.
        lambda: [desk(), desk(from_s=FROM_S, cid=b"\7" * 16, address="10.0.0.1")],
        lambda: [desk(to_s=FROM_S - 1), desk(from_s=FROM_S, cid=b"\7" * 16)],
        # The earlier one is gone 2.5 s after its last frame, and on-delay 1 s.
        (1.0, 3.0),
        # It is shown for a minute, and its off-delay follows.
        end_s=FROM_S,
        closes_s=(69.8, 70.3),
    ),
    Case(
        "wrong-group",
        HOUSE,
        lambda: [part(0.0, FROM_S), part(FROM_S, FROM_S + 0.9, dst=beside), part(FROM_S + 0.9, 60.0)],
        lambda: [part(0.0, FROM_S), part(FROM_S, END_S, dst=beside), part(END_S, 60.0)],
        (1.0, 1.2),
    ),
    Case(
        "wrong-group",
        HOUSE,
        # To the same two groups, but each frame to both: receivers of its own group get all.
        lambda: [in_turn(60.0, is_copied=True)],
        lambda: [in_turn(END_S)],
        (2.4, 2.9),
        "in turn",
        # The last one counts for 1.5 s.
        closes_s=(11.2, 11.9),
    ),
    Case(
        "skewed-universes",
        house_of((1, 2), min_refresh_hz=5),
        # One and a half of the shortest frame of 512 slots (22.7 ms, ANSI E1.11 timing) are 34 ms.
        lambda: steps(late_s=0.03, until_s=END_S),
        lambda: steps(late_s=0.04, until_s=END_S),
        # Steps come every 1.02 to 1.5 s; the first of a stream has none before it, and five that do are needed.
        (7.7, 8.5),
        # Steps are remembered for a minute, and five are needed; the off-delay follows.
        closes_s=(44.0, 71.0),
    ),
    Case(
        "skewed-universes",
        house_of((1, 2), min_refresh_hz=5),
        # Two effects of one tempo that run apart.
        lambda: steps(late_s=0.1, until_s=END_S, of=1),
        lambda: steps(late_s=0.1, until_s=END_S),
        (7.7, 8.6),
        "at no tempo",
        closes_s=(44.0, 71.0),
        until_s=END_S,
    ),
]
