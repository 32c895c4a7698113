"""What compiled code reads while packets gather is what a turn reads: rows, networks, the places of the ring."""

from __future__ import annotations

import os
import socket
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from slotwatch import clock
from slotwatch.edge.intake.gathering import SLICE_PACKETS, Gathering
from slotwatch.edge.intake.udp_in import ArrivalClock, DataSocket, Networks
from slotwatch.edge.shared.compiled import load_receiving
from slotwatch.edge.shared.ring import GUARD_ROWS, Ring, RingWriter, create_memory
from slotwatch.errors import EdgeError
from slotwatch.wire.batch import COLUMNS, NETWORK_UNKNOWN, ROW_BYTES
from slotwatch.wire.universe import Protocol
from tests.compiling import Built
from tests.edge.listening import ROWS, send
from tests.ports import free_port

PAUSE_S = 0.004
TWICE_HZ = 3 * SLICE_PACKETS / PAUSE_S
"""At this rate sockets are read twice in such a pause."""


class Ear:
    """Sockets read into a ring of their own while packets gather."""

    def __init__(self, built: Built, networks: Networks, count: int = 1, v6: bool = False) -> None:
        receiving = built(load_receiving)
        memory = create_memory(ROWS)
        self.writer, self.judging = RingWriter(memory, ROWS), Ring(memory, ROWS, reports=True)
        self.sockets = [DataSocket(Protocol.E131, free_port(), v6, receiving) for _ in range(count)]
        self.gathering = Gathering(receiving, self.writer, ArrivalClock(), networks, 16 * GUARD_ROWS)
        os.close(memory)

    def pause(self, *, may_rewind: bool = False) -> int:
        return self.gathering.pause(self.sockets, PAUSE_S, TWICE_HZ, may_rewind=may_rewind)


@pytest.fixture
def networks() -> Networks:
    return Networks({socket.if_nametoindex("lo"): 3})


@pytest.fixture
def ear(built: Built, networks: Networks) -> Iterator[Ear]:
    made = Ear(built, networks, 2)
    yield made
    for sock in made.sockets:
        sock.close()


@pytest.mark.parametrize(("v6", "address"), [(False, "127.0.0.1"), (True, "::1")])
def test_every_column_is_that_of_a_turn_by_numpy(built: Built, networks: Networks, v6: bool, address: str) -> None:
    """One sender sends the same to two sockets. Only the moments of arrival differ."""
    ear, chance = Ear(built, networks, v6=v6), np.random.default_rng(11)
    plain, writer = DataSocket(Protocol.E131, free_port(), v6), RingWriter(create_memory(ROWS), ROWS)
    arrivals, (fast,) = ArrivalClock(), ear.sockets
    try:
        with socket.socket(socket.AF_INET6 if v6 else socket.AF_INET, socket.SOCK_DGRAM) as sender:
            for count in (1, 3, 17, 120):
                for _ in range(count):
                    payload = chance.bytes(int(chance.choice([0, 1, 126, 638, 640, 641, ROW_BYTES, ROW_BYTES + 9])))
                    for sock in (plain, fast):
                        sender.sendto(payload, (address, sock.port))
                before_ns = clock.monotonic_ns()
                arrivals.turn()
                assert plain.drain(writer, arrivals, networks, ROWS) == count
                assert ear.pause() == count
                assert before_ns <= fast.drained_ns <= clock.monotonic_ns()
        expected, found = writer.ring, ear.judging
        assert expected.head == found.head == 141
        for name, _, _ in COLUMNS:
            one, other = getattr(expected.packets, name)[:141], getattr(found.packets, name)[:141]
            assert np.array_equal(one, other) or name == "t_ns", name
        assert (np.diff(found.packets.t_ns[:141]) >= 0).all()
        assert [expected.packet(row) for row in range(141)] == [found.packet(row) for row in range(141)]
    finally:
        plain.close()
        fast.close()


def test_rows_wrap_without_loss_and_in_order(ear: Ear) -> None:
    """Three times the ring's size, from two sockets in turn."""
    for burst in range(200):
        sock = ear.sockets[burst % 2]
        send(sock.port, *((burst * 67 + n).to_bytes(4, "little") for n in range(67)))
        assert ear.pause() == 67
        places = (burst * 67 + np.arange(67)) % ROWS
        seen = ear.judging.data[places, :4].copy().view("<u4")[:, 0]
        assert seen.tolist() == list(range(burst * 67, burst * 67 + 67))
    assert ear.judging.head == ear.writer.ring.head == 200 * 67


def test_the_ring_begins_anew_where_judging_took_all_and_routes_do_not_read(ear: Ear) -> None:
    (sock, _), ring = ear.sockets, ear.judging
    send(sock.port, b"a", b"b")
    assert ear.pause(may_rewind=True) == 2
    assert ring.origin == 0, "judging has taken nothing"
    ring.taken_word[0] = 2
    assert ear.pause() == 0
    assert ring.origin == 0, "something else reads"
    send(sock.port, b"c")
    assert ear.pause(may_rewind=True) == 1
    assert (ring.origin, ring.head, bytes(ring.data[0, :1])) == (2, 3, b"c")
    ear.writer.put(b"d")
    assert (ring.head, bytes(ring.data[1, :1])) == (4, b"d"), "the writer goes on behind it"


def test_rows_of_an_unknown_interface_are_of_no_network_and_are_asked_about_once(built: Built) -> None:
    asked: list[int] = []
    ear = Ear(built, Networks({}, lambda: asked.append(1)))
    try:
        for number in range(3):
            send(ear.sockets[0].port, b"a", b"b")
            assert ear.pause() == 2
            assert ear.judging.head == 2 * number + 2
        assert ear.judging.packets.network[:6].tolist() == [NETWORK_UNKNOWN] * 6
        assert len(asked) == 1
    finally:
        ear.sockets[0].close()


def test_a_socket_that_fails_is_reported(ear: Ear) -> None:
    with Path("/dev/null").open("rb") as other:
        os.dup2(other.fileno(), ear.sockets[1].fd)
    with pytest.raises(EdgeError, match="reading UDP port"):
        ear.pause()


def test_packets_only_gather_where_few_come(ear: Ear) -> None:
    send(ear.sockets[0].port, b"a")
    assert ear.gathering.pause(ear.sockets, PAUSE_S, SLICE_PACKETS / PAUSE_S, may_rewind=True) == 0
    assert ear.pause() == 1
