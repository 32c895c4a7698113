"""The short way of a routed frame says what the long one says, whatever arrives."""

from __future__ import annotations

from contextlib import ExitStack
from unittest.mock import patch

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sacn.messages.data_packet import DataPacket

from slotwatch.bridge.passthrough import Straight
from slotwatch.bridge.routes import Bridge
from slotwatch.house.schema import Route
from slotwatch.wire.fields import OPTION_PREVIEW, OPTION_TERMINATED, PacketKind
from slotwatch.wire.universe import Protocol
from tests.bridge.test_routes import ARTNET_OUT, IN, MS, OUT, OWN, ROUTE, T0, house

HELD = Route("held", IN, target=ARTNET_OUT, to_address="10.0.0.7", then="hold")
CUT = Route("cut", IN, target=OUT, slots=(3, 20), to_slot=5)
ROUTES = st.sampled_from([(ROUTE,), (HELD,), (CUT,), (ROUTE, HELD)])

steady = st.tuples(st.just(0), st.just(1), st.just(100), st.just(0), st.just(512), st.just(int(PacketKind.LEVELS)))
odd = st.tuples(
    st.integers(0, 2),  # who
    st.sampled_from([0, 1, 1, 1, 2, 200, 250]),  # step of the sequence
    st.sampled_from([0, 50, 100, 100, 200]),
    st.sampled_from([0, 0, 0, OPTION_PREVIEW, OPTION_TERMINATED]),
    st.sampled_from([512, 512, 12]),
    st.sampled_from([int(PacketKind.LEVELS)] * 4 + [int(PacketKind.SLOT_PRIORITY)]),
)
event = st.tuples(
    st.one_of(steady, steady, steady, odd), st.integers(0, 4), st.sampled_from([1, 20, 23, 25, 25, 950, 2600])
)
KEY = (0, int(Protocol.E131), IN.number)
CIDS = (b"a" * 16, b"b" * 16, OWN)


def datagram(
    cid: bytes, sequence: int, slots: bytes, priority: int = 100, options: int = 0, kind: int = int(PacketKind.LEVELS)
) -> bytes:
    """One E1.31 data packet on IN, as the `sacn` package composes it but for options and start code."""
    full = DataPacket(tuple(cid), "desk", IN.number, tuple(slots), priority=priority, sequence=sequence)
    octets = bytearray(full.getBytes())
    octets[112] = options
    octets[125] = 0xDD if kind == PacketKind.SLOT_PRIORITY else 0
    # The package always sends 512 slots: cut, with the three lengths and the count that follow (E1.31 table 4-1).
    length = 126 + len(slots)
    del octets[length:]
    for at, begins in ((16, 16), (38, 38), (115, 115)):
        octets[at : at + 2] = (0x7000 | length - begins).to_bytes(2, "big")
    octets[123:125] = (len(slots) + 1).to_bytes(2, "big")
    return bytes(octets)


def ran(routes: tuple[Route, ...], events: list[tuple[tuple[int, ...], int, int]], *, short: bool) -> list[object]:
    """All that a bridge sends and says."""
    bridge, now_ns, results = Bridge(house(*routes), OWN, T0, listen_ns=30 * MS), T0, []
    sequences = [0, 0, 0]
    for (who, step, priority, options, slots, kind), level, wait_ms in events:
        sequences[who] = (sequences[who] + step) & 255
        octets = datagram(CIDS[who], sequences[who], bytes([level]) * slots, priority, options, kind)
        with ExitStack() as long_way:
            for question in ("goes_on", "takes") if not short else ():
                long_way.enter_context(patch.object(Straight, question, return_value=False))
            assert bridge.ingest_datagram(KEY, now_ns, bytes([who]) * 16, octets)
        for part in (0, wait_ms // 2, wait_ms):
            bridge.tick(now_ns + part * MS)
            results += bridge.take_output(now_ns + part * MS)
            due_ns = bridge.next_deadline_ns()
            results.append(due_ns is None or due_ns <= now_ns + part * MS)
        now_ns += wait_ms * MS
        results.append([(row.state, row.frames, row.latency) for row in bridge.status(now_ns)])
    return results


@settings(max_examples=300, deadline=None)
@given(ROUTES, st.lists(event, min_size=5, max_size=40))
def test_both_ways_send_the_same(routes: tuple[Route, ...], events: list[tuple[tuple[int, ...], int, int]]) -> None:
    assert ran(routes, events, short=True) == ran(routes, events, short=False)


def test_a_steady_desk_goes_the_short_way(monkeypatch: pytest.MonkeyPatch) -> None:
    carried: list[Straight] = []
    carry = Straight.carry_on

    def carry_on(self: Straight, octets: bytes, now_ns: int) -> bool:
        carried.append(self)
        return carry(self, octets, now_ns)

    monkeypatch.setattr(Straight, "carry_on", carry_on)
    bridge = Bridge(house(ROUTE), OWN, T0, listen_ns=0)
    for frame in range(5):
        octets = datagram(CIDS[0], frame, bytes([frame]) * 512)
        assert bridge.ingest_datagram(KEY, T0 + frame * 25 * MS, bytes(16), octets)
        bridge.take_output(T0 + frame * 25 * MS)
    assert len(carried) == 3, "but for the first, and the next, which is compared with it"
    assert len(set(carried)) == 1
    straight = carried[0]
    assert straight.goes_on(datagram(CIDS[0], 5, bytes(512)), bytes(16))
    assert not straight.goes_on(datagram(CIDS[0], 5, bytes(512), priority=101), bytes(16))
    assert not straight.goes_on(datagram(CIDS[0], 5, bytes(512)), bytes(15) + b"\1"), "another address"
    assert not straight.goes_on(datagram(CIDS[0], 5, bytes(511)), bytes(16))
    assert not straight.goes_on(datagram(CIDS[0], 1, bytes(512)), bytes(16)), "E1.31 6.7.2: late"
