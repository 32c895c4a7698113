"""The table of what stopped, never came, or comes so that nobody may show it."""

from __future__ import annotations

from slotwatch.house.schema import Fixture
from slotwatch.snapshot import Severity
from slotwatch.wire.universe import Protocol, UniverseId
from tests.judge.cases import BY, END_S, FROM_S, HZ, A, B, Case, desk, lost_between, while_
from tests.judge.stage import Node, Packet, Plain, e131_sync, group_of, house_of, moving, still

HOUSE = house_of((1,), min_refresh_hz=5)
PAIR = house_of((1,), min_refresh_hz=5, sources=(A, B), by=BY)
PAR = Fixture("Par 1", UniverseId(Protocol.E131, 1), 97, ("intensity",) * 6)


LOSES = frozenset({"packet-loss"})
"""Frames that are missing by sequence after so long a gap are lost frames as well."""


def gap(seconds: float, number: int = 1, **more: object) -> object:
    """A desk whose frames from FROM_S on are missing for so long, its last one before and its first after included."""
    return desk(number, drop=lost_between(FROM_S, FROM_S + seconds), **more)


def previews(to_s: float) -> object:
    """Its packets from FROM_S on, as preview data: they go on with its numbers (ANSI E1.31-2018 6.2.5)."""
    first = round(FROM_S * HZ)
    return desk(options=0x80, from_s=FROM_S, to_s=to_s, sequence_of=lambda universe, index: first + index)


def syncs(*spans: tuple[float, float]) -> Plain:
    """Sync packets to address 7000, ten a second, in these spans of time."""
    made = []
    for begin_s, end_s in spans:
        for n in range(round((end_s - begin_s) * 10)):
            data = e131_sync(7000, n, cid=b"\1" * 16)
            made.append(Packet(begin_s + n / 10 + 0.001, data, "10.0.0.1", group_of(7000)))
    return Plain(made)


CASES = [
    # E1.31-2018 6.7.1: 2.5 s. The last frame comes at 3.9 s.
    Case("universe-lost", HOUSE, lambda: [gap(2.3)], lambda: [gap(END_S - FROM_S)], (2.4, 2.5), "E1.31", beside=LOSES),
    Case(
        "universe-lost",
        house_of((), artnet=(0,)),
        lambda: [Node((0,), levels=moving(hz=HZ), hz=HZ, drop=lost_between(FROM_S, FROM_S + 9.8))],
        lambda: [Node((0,), levels=moving(hz=HZ), hz=HZ, drop=lost_between(FROM_S, END_S))],
        (9.9, 10.0),
        "Art-Net",
        beside=LOSES,
    ),
    Case(
        "universe-missing",
        HOUSE,
        lambda: [desk(from_s=9.8)],
        lambda: [desk(from_s=END_S)],
        (6.0, 6.1),
    ),
    Case(
        "source-absent",
        PAIR,
        lambda: [gap(2.3), desk(2, priority=90)],
        lambda: [gap(END_S - FROM_S), desk(2, priority=90)],
        (2.4, 2.55),
        beside=LOSES,
    ),
    Case(
        "backup-absent",
        PAIR,
        lambda: [desk(), gap(2.3, 2, priority=90)],
        lambda: [desk(), gap(END_S - FROM_S, 2, priority=90)],
        (2.4, 2.55),
        "fell silent",
        beside=LOSES,
    ),
    Case(
        "backup-absent",
        PAIR,
        lambda: [desk(), desk(2, priority=90, from_s=9.8)],
        lambda: [desk(), desk(2, priority=90, from_s=END_S)],
        (6.0, 6.1),
        "never came",
    ),
    Case(
        "short-frame",
        house_of((1,), min_refresh_hz=5, fixtures=(PAR,)),
        lambda: [desk(levels=while_(still(0, 101), still(0, 512), to_s=FROM_S + 4.8))],
        lambda: [desk(levels=while_(still(0, 101), still(0, 512)))],
        (5.0, 5.2),
        "for five seconds",
    ),
    Case(
        "short-frame",
        house_of((1,), min_refresh_hz=5, fixtures=(PAR,)),
        lambda: [desk(levels=while_(still(0, 102), still(0, 512)))],
        lambda: [desk(levels=while_(still(0, 101), still(0, 512)))],
        (5.0, 5.2),
        "one slot short",
    ),
    # Preview packets keep nothing alive: the last live frame came at 3.9 s.
    Case(
        "preview-only",
        HOUSE,
        lambda: [gap(2.2), previews(FROM_S + 2.2)],
        lambda: [gap(END_S - FROM_S), previews(END_S)],
        (2.3, 2.6),
    ),
    Case(
        "sync-missing",
        HOUSE,
        lambda: [desk(sync=7000), syncs((0, FROM_S), (FROM_S + 2.3, 60))],
        lambda: [desk(sync=7000), syncs((0, FROM_S), (END_S, 60))],
        (2.4, 2.6),
        "that came and stopped",
    ),
    Case(
        "sync-missing",
        HOUSE,
        lambda: [desk(sync=7000), syncs((0, FROM_S), (FROM_S + 2.3, 60))],
        lambda: [desk(sync=7000, options=0x20), syncs((0, FROM_S), (END_S, 60))],
        (2.4, 2.6),
        "with force-sync",
        severity=Severity.NOTE,
    ),
    Case(
        "sync-missing",
        HOUSE,
        lambda: [desk(), desk(2, sync=7000, from_s=FROM_S, to_s=FROM_S + 2.4, terminate=True)],
        lambda: [desk(), desk(2, sync=7000, from_s=FROM_S, to_s=END_S, terminate=True)],
        (2.5, 2.7),
        "that never came",
        severity=Severity.NOTE,
    ),
]
