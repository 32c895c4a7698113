"""Who wins each slot: priority, start code 0xDD, highest level, Art-Net's two sources, short frames."""

from __future__ import annotations

import numpy as np
import pytest

from slotwatch.house.schema import DeclaredUniverse, House, Limits
from slotwatch.model.control import in_control
from slotwatch.wire.universe import Protocol, UniverseId
from tests.model.packets import MS, SECOND, START, Bench, Sent, artnet, cid, e131

HOUSE = House(universes=(DeclaredUniverse(UniverseId(Protocol.E131, 1)),))
A, B = cid(1), cid(2)


def shown(bench: Bench, number: int = 1, protocol: Protocol = Protocol.E131) -> tuple[list[int], list[int]]:
    """The first four slots: level, and which source (1, 2 …; 0 for nobody) wins it."""
    row = bench.universe(number, protocol)
    levels, owners = bench.model.winner_levels(np.array([row]))
    streams, sources = bench.model.streams, bench.model.sources
    who = []
    for owner in owners.of(0)[:4].tolist():
        last = sources[int(streams.source[owner])].address.rsplit(".", 1)[-1] if owner >= 0 else "0"
        who.append(int(last))
    return levels[0, :4].tolist(), who


def send(bench: Bench, source: bytes, levels: list[int], *, at_ns: int = START, code: int = 0, **fields: int) -> None:
    number = fields.pop("sequence", code and 1)
    packet = e131(bytes(levels), source=source, start_code=code, sequence=number, **fields)
    bench.feed([Sent(at_ns, packet, f"10.0.0.{source[-1]}")])


def test_the_only_source_wins_the_slots_it_sends() -> None:
    bench = Bench(HOUSE)
    send(bench, A, [10, 0])
    bench.model.advance(START)
    assert shown(bench) == ([10, 0, 0, 0], [1, 1, 0, 0])


def test_the_higher_priority_owns_the_universe_whatever_its_levels() -> None:
    """E1.31 6.2.3."""
    bench = Bench(HOUSE)
    send(bench, A, [200] * 4, priority=100)
    send(bench, B, [5, 0, 0], priority=101)
    bench.model.advance(START)
    # Not even the slots that the higher one does not send: its priority is the universe's.
    assert shown(bench) == ([5, 0, 0, 0], [2, 2, 2, 0])
    row = bench.universe()
    assert bench.model.universes.contenders[row] == 1 and bench.model.universes.live[row] == 2


def test_equal_priorities_merge_by_the_highest_level_and_the_first_keeps_a_tie() -> None:
    bench = Bench(HOUSE)
    send(bench, A, [10, 20, 30, 0])
    send(bench, B, [20, 10, 30, 0], at_ns=START + MS)
    bench.model.advance(START + MS)
    assert shown(bench) == ([20, 20, 30, 0], [2, 1, 1, 1])
    assert bench.model.universes.contenders[bench.universe()] == 2


def test_priority_zero_is_the_lowest_and_still_wins_alone() -> None:
    bench = Bench(HOUSE)
    send(bench, A, [9] * 4, priority=0)
    bench.model.advance(START)
    assert shown(bench) == ([9] * 4, [1] * 4)


# Notes on start code 0xDD, each row: A's levels and 0xDD (None: sends none), B's, then levels and owners.
DD = [
    # Each wins where its own slot priority is higher.
    ([1, 2, 3, 4], [150, 150, 50, 50], [9, 9, 9, 9], [100, 100, 100, 100], [1, 2, 9, 9], [1, 1, 2, 2]),
    # 0: "not mine"; the level is ignored even if nobody else sends it.
    ([1, 2, 3, 4], [100, 0, 0, 100], None, None, [1, 0, 0, 4], [1, 0, 0, 1]),
    # Slots past the end of 0xDD count as 0.
    ([1, 2, 3, 4], [100, 100], None, None, [1, 2, 0, 0], [1, 1, 0, 0]),
    # Only one sends 0xDD: the other's packet priority (100) counts for all its slots.
    ([1, 2, 3, 4], [200, 1, 100, 0], [9, 9, 2, 9], None, [1, 9, 3, 9], [1, 2, 1, 2]),
    # 201 to 255 are reserved: no more than 200.
    ([1, 2, 3, 4], [255, 255, 255, 255], [9, 9, 9, 9], [200, 200, 200, 200], [9, 9, 9, 9], [2, 2, 2, 2]),
    # Slot priority without a level for the slot says nothing.
    ([1, 2], [200, 200, 200, 200], [9, 9, 9, 9], [50, 50, 50, 50], [1, 2, 9, 9], [1, 1, 2, 2]),
]


@pytest.mark.parametrize(("a", "dd_a", "b", "dd_b", "levels", "owners"), DD)
def test_slot_priorities(
    a: list[int],
    dd_a: list[int] | None,
    b: list[int] | None,
    dd_b: list[int] | None,
    levels: list[int],
    owners: list[int],
) -> None:
    bench = Bench(HOUSE)
    for source, values, priorities in ((A, a, dd_a), (B, b, dd_b)):
        if values is not None:
            send(bench, source, values)
        if priorities is not None:
            send(bench, source, priorities, code=0xDD, at_ns=START + MS)
    bench.model.advance(START + 2 * MS)
    assert shown(bench) == (levels, owners)


def test_packet_priority_does_not_count_beside_slot_priorities() -> None:
    bench = Bench(HOUSE)
    send(bench, A, [1] * 4, priority=200)
    send(bench, A, [10] * 4, code=0xDD, priority=200)
    send(bench, B, [9] * 4, priority=50)
    bench.model.advance(START)
    assert shown(bench) == ([9] * 4, [2] * 4)


def test_slot_priorities_hold_for_two_and_a_half_seconds() -> None:
    bench = Bench(HOUSE)
    send(bench, A, [1] * 4)
    send(bench, A, [50] * 4, code=0xDD)
    send(bench, B, [9] * 4, priority=90)
    for index in range(2, 5):
        send(bench, A, [1] * 4, at_ns=START + index * 900 * MS, sequence=index)
        send(bench, B, [9] * 4, at_ns=START + index * 900 * MS, sequence=index, priority=90)
    bench.model.advance(START + 2700 * MS)
    assert shown(bench) == ([1] * 4, [1] * 4)
    bench = Bench(HOUSE)
    send(bench, A, [1] * 4)
    send(bench, A, [50] * 4, code=0xDD)
    send(bench, B, [9] * 4, priority=90)
    bench.model.advance(START + 2500 * MS)
    assert shown(bench) == ([9] * 4, [2] * 4)


def test_slot_priorities_of_a_dead_source_hold_for_as_long_as_its_levels() -> None:
    """A house whose receivers hold 10 s. E1.31 6.7.1: a source is gone as a whole, after the loss timeout."""
    declared = DeclaredUniverse(UniverseId(Protocol.E131, 1), limits=Limits(loss_timeout_s=10.0))
    bench = Bench(House(universes=(declared,)))
    send(bench, A, [1] * 4)
    send(bench, A, [50, 200, 50, 200], code=0xDD)
    for index in range(10):
        send(bench, B, [9] * 4, at_ns=START + index * 900 * MS, sequence=index, priority=100)
    bench.model.advance(START + 8 * SECOND)
    assert shown(bench) == ([9, 1, 9, 1], [2, 1, 2, 1])


def test_lost_sources_win_nothing() -> None:
    bench = Bench(HOUSE)
    send(bench, A, [200] * 4, priority=120)
    send(bench, B, [9] * 4, at_ns=START + SECOND)
    bench.model.advance(START + 2 * SECOND)
    assert shown(bench) == ([200] * 4, [1] * 4)
    bench.model.advance(START + 3 * SECOND)
    assert shown(bench) == ([9] * 4, [2] * 4)
    bench.model.advance(START + 4 * SECOND)
    assert shown(bench) == ([0] * 4, [0] * 4)


def test_artnet_merges_two_sources_and_ignores_a_third() -> None:
    """Merge of two by the highest level; further ones are ignored: the protocol's rule for nodes."""
    bench = Bench()
    for host, levels in ((1, [10, 20, 0, 0]), (2, [20, 10, 0, 5]), (3, [99, 99, 99, 99])):
        packet = artnet(bytes(levels), universe=1)
        bench.feed([Sent(START + host * MS, packet, f"10.0.0.{host}", protocol=Protocol.ARTNET)])
    bench.model.advance(START + 4 * MS)
    assert shown(bench, 1, Protocol.ARTNET) == ([20, 20, 0, 5], [2, 1, 1, 2])
    row = bench.universe(1, Protocol.ARTNET)
    assert bench.model.universes.live[row] == bench.model.universes.contenders[row] == 3


def test_many_universes_at_once_agree_with_one_at_a_time() -> None:
    chance = np.random.default_rng(5)
    bench = Bench()
    sent = []
    for universe in range(1, 40):
        for source in range(1, int(chance.integers(2, 6))):
            levels = chance.integers(0, 256, int(chance.integers(1, 513))).astype(np.uint8).tobytes()
            priority = int(chance.choice([0, 99, 100, 100, 200]))
            at_ns = START + int(chance.integers(0, 1000))
            packet = e131(levels, universe=universe, source=cid(source), priority=priority)
            sent.append(Sent(at_ns, packet, f"10.0.0.{source}"))
            if chance.random() < 0.3:
                priorities = chance.integers(0, 256, int(chance.integers(1, 513))).astype(np.uint8).tobytes()
                more = e131(
                    priorities, universe=universe, source=cid(source), priority=priority, start_code=0xDD, sequence=1
                )
                sent.append(Sent(at_ns, more, f"10.0.0.{source}"))
    bench.feed(sent)
    bench.model.advance(START + MS)
    rows = bench.model.universes.rows()
    levels, owners = bench.model.winner_levels(rows)
    for place, row in enumerate(rows.tolist()):
        expected = slow_winners(bench, row)
        assert (levels[place].tolist(), owners.of(place).tolist()) == expected, row


def slow_winners(bench: Bench, universe: int) -> tuple[list[int], list[int]]:
    """The rules one slot and one stream at a time."""
    streams = bench.model.streams
    rows = [row for row in streams.rows().tolist() if streams.universe[row] == universe and streams.live[row]]
    rows.sort(key=lambda row: (-int(streams.priority[row]), int(streams.since_ns[row]), row))
    by_slot = any(streams.last_slot_priority_ns[row] for row in rows)
    if not by_slot:
        rows = [row for row in rows if streams.priority[row] == streams.priority[rows[0]]]
    levels, owners = [0] * 512, [-1] * 512
    for slot in range(512):
        best = (0, -1)
        for row in rows:
            if slot >= streams.slots[row]:
                continue
            priority = max(1, int(streams.priority[row]))
            if streams.last_slot_priority_ns[row]:
                priority = min(200, int(streams.slot_priorities[row, slot]))
            key = (priority, int(streams.levels[row, slot]))
            if priority and key > best:
                best, owners[slot], levels[slot] = key, row, key[1]
    return levels, owners


@pytest.mark.parametrize(("theirs", "leads"), [([150] * 4, B), ([150, 150, 150, 50], B), ([150, 150, 50, 50], A)])
def test_who_wins_most_slots_is_in_control_where_slots_have_priorities(theirs: list[int], leads: bytes) -> None:
    """Whatever the packets' priorities are; of two with as many slots, the one with the higher packet priority."""
    bench = Bench(HOUSE)
    send(bench, A, [1] * 4, priority=110)
    send(bench, B, [2] * 4, priority=100)
    send(bench, B, theirs, code=0xDD, priority=100, at_ns=START + MS)
    bench.model.advance(START + 2 * MS)
    row = bench.universe()
    lead = in_control(bench.model.streams, np.array([row]))
    assert bench.model.sources[int(bench.model.streams.source[lead[0]])].address == f"10.0.0.{leads[-1]}"
