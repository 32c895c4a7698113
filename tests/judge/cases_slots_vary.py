"""The table of a sender that changes its number of slots to and fro (fault F56 of docs/faults.md).

Fewer than 512 slots are legal (ANSI E1.31-2018 7.6; Art-Net 4, ArtDmx); what counts as to and fro: common practice, no
source.
"""

from __future__ import annotations

from tests.judge.cases import END_S, FROM_S, Case, desk, while_
from tests.judge.moved import Moved, plays
from tests.judge.stage import Desk, house_of, still

HOUSE = house_of((1,), min_refresh_hz=5.0)


def turning(to_s: float, every_s: float = 0.5) -> list[Desk]:
    """512 slots until FROM_S; then 24 and 512 in turn, the last of them for good."""

    def slots(t: float) -> int:
        return 512 if int((min(t, to_s - 0.01) - FROM_S) / every_s) % 2 else 24

    def levels(t: float) -> bytes:
        return bytes([100]) * slots(t)

    return [desk(levels=while_(levels, still(100), to_s=1e9))]


CASES = [
    Case(
        "slots-vary",
        HOUSE,
        # The first change is none to and fro: each after it is.
        lambda: turning(FROM_S + 3.0),
        lambda: turning(END_S),
        (2.9, 3.2),
        # The newest change counts for 2 s, then its off-delay runs.
        closes_s=(11.4, 11.9),
        sentence='Universe e131/1 from "Desk A" (10.0.0.1): frames change between 24 and 512 slots, again and again. '
        "Some receivers output 0 on slots that are not sent.",
    ),
    Case(
        "slots-vary",
        HOUSE,
        lambda: turning(END_S, 2.1),
        lambda: turning(END_S, 1.9),
        (11.4, 11.8),
        label="slowly",
        closes_s=(10.1, 12.1),
        until_s=END_S,
    ),
]

MOVED = [
    Moved(
        "slots-vary",
        "turns",
        8,
        plays(HOUSE, lambda: turning(FROM_S + 4.0), lambda: turning(FROM_S + 4.5), FROM_S + 6.0),
    ),
]
