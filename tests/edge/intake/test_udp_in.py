"""Receiving on loopback: what is in the ring is what was sent, with where, when and how much was lost.

Each test runs twice: with numpy, which is the reference, and with the compiled file.
"""

from __future__ import annotations

import ipaddress
import os
import socket
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from slotwatch import clock
from slotwatch.edge.intake.udp_in import ArrivalClock, DataSocket, Networks
from slotwatch.edge.shared import compiled
from slotwatch.edge.shared.compiled import load_receiving
from slotwatch.edge.shared.messages.intake import Idle, IntakeWoke
from slotwatch.edge.shared.pace import GRID_NS
from slotwatch.edge.shared.ring import RingWriter, create_memory
from slotwatch.errors import EdgeError
from slotwatch.house.schema import Route
from slotwatch.wire.batch import COLUMNS, FLAG_TRUNCATED, NETWORK_UNKNOWN, ROW_BYTES
from slotwatch.wire.universe import Protocol, UniverseId
from tests.compiling import Built
from tests.edge.listening import ROWS, Listening, house_on, listening, send
from tests.patience import until
from tests.ports import free_port

LOOPBACK = ipaddress.ip_address("::ffff:127.0.0.1").packed


@pytest.fixture(params=["numpy", "compiled"], autouse=True)
def _by_each_way(request: pytest.FixtureRequest, built: Built, monkeypatch: pytest.MonkeyPatch) -> None:
    way = built(load_receiving) if request.param == "compiled" else None
    monkeypatch.setattr(compiled, "load_receiving", lambda: way)


def test_a_packet_is_in_the_ring_with_its_addresses_port_network_and_protocol() -> None:
    house = house_on()
    with listening(house) as ear:
        sender = send(house.listen.e131_port, b"abc")
        (batch,) = ear.read()
        assert batch.length.tolist() == [3]
        assert bytes(batch.data[0, :3]) == b"abc"
        assert batch.src[0].tobytes() == LOOPBACK
        assert batch.dst[0].tobytes() == LOOPBACK
        assert batch.src_port.tolist() == [sender]
        assert batch.network.tolist() == [0]
        assert batch.protocol.tolist() == [Protocol.E131]
        assert batch.flags.tolist() == [0]


def test_a_packet_by_ipv6_has_its_own_addresses() -> None:
    house = house_on()
    with listening(house) as ear:
        send(house.listen.e131_port, b"six", to="::1")
        (batch,) = ear.read()
        assert ipaddress.ip_address(batch.src[0].tobytes()) == ipaddress.ip_address("::1")
        assert ipaddress.ip_address(batch.dst[0].tobytes()) == ipaddress.ip_address("::1")
        assert batch.network.tolist() == [0]


def test_artnet_arrives_on_its_own_port() -> None:
    house = house_on()
    with listening(house) as ear:
        send(house.listen.artnet_port, b"Art-Net\0")
        (batch,) = ear.read()
        assert batch.protocol.tolist() == [Protocol.ARTNET]


def test_arrival_is_the_kernels_time_and_not_the_time_of_reading() -> None:
    """Read 60 ms late, a packet keeps the moment it came; the tolerance is what a busy machine may take to send."""
    house = house_on()
    with listening(house) as ear:
        before_ns = clock.monotonic_ns()
        send(house.listen.e131_port, b"a")
        after_ns = clock.monotonic_ns()
        time.sleep(0.06)
        (batch,) = ear.read()
        assert before_ns - 1_000_000 <= batch.t_ns[0] <= after_ns + 1_000_000


def test_a_datagram_longer_than_a_row_is_marked_truncated_and_its_neighbour_is_whole() -> None:
    house = house_on()
    with listening(house) as ear:
        send(house.listen.e131_port, b"x" * (ROW_BYTES + 1), b"y" * ROW_BYTES)
        (batch,) = ear.read()
        assert batch.length.tolist() == [ROW_BYTES, ROW_BYTES]
        assert batch.flags.tolist() == [FLAG_TRUNCATED, 0]


def test_an_empty_datagram_is_a_row_of_no_octets() -> None:
    house = house_on()
    with listening(house) as ear:
        send(house.listen.e131_port, b"")
        (batch,) = ear.read()
        assert batch.length.tolist() == [0]


def test_several_senders_in_one_batch_keep_their_order_and_addresses() -> None:
    house = house_on()
    with listening(house) as ear:
        ports = [send(house.listen.e131_port, bytes([n])) for n in range(50)]
        (batch,) = ear.read()
        assert batch.data[:, 0].tolist() == list(range(50))
        assert batch.src_port.tolist() == ports
        assert (np.diff(batch.t_ns) >= 0).all()


def test_rows_wrap_without_loss_and_in_order() -> None:
    """Three times the ring's size, read in turns, with a batch that ends at every kind of place before the wrap."""
    house = house_on()
    with listening(house) as ear:
        seen: list[int] = []
        for burst in range(200):
            send(house.listen.e131_port, *((burst * 67 + n).to_bytes(4, "little") for n in range(67)))
            for batch in ear.read():
                seen += batch.data[:, :4].copy().view("<u4")[:, 0].tolist()
        assert seen == list(range(200 * 67))


def test_drops_of_the_kernel_are_counted_without_waiting_for_another_packet() -> None:
    house = house_on()
    with listening(house) as ear:
        sock = next(s for s in ear.intake.sockets if s.protocol is Protocol.E131 and not s.v6)
        with socket.socket(fileno=os.dup(sock.fd)) as same:
            same.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 1)
        send(house.listen.e131_port, *[bytes(638)] * 100)
        kept = sum(len(batch) for batch in ear.read())
        assert 0 < kept < 100
        assert ear.ring.kernel_drops == 100 - kept


def test_a_clock_step_between_stamp_and_reading_moves_a_packet_by_no_more_than_its_turn() -> None:
    """Forward and back by an hour: arrival stays between the last drain and now."""
    drained_ns = clock.monotonic_ns()
    arrivals = ArrivalClock()
    for step_ns in (3_600_000_000_000, -3_600_000_000_000):
        arrivals.turn()
        stamp_ns = clock.wall_ns()
        arrivals.wall_offset_ns += step_ns
        (at_ns,) = arrivals.monotonic(np.array([stamp_ns], np.int64), drained_ns)
        assert drained_ns <= at_ns <= clock.monotonic_ns()


def test_packets_of_an_interface_that_is_not_declared_are_of_no_network() -> None:
    networks = Networks({2: 0, 7: 1})
    assert networks.of(np.array([7, 7], np.uint64)) == 1
    assert networks.of(np.array([9], np.uint64)) == NETWORK_UNKNOWN
    mixed = networks.of(np.array([2, 9, 7, 2], np.uint64))
    assert np.asarray(mixed).tolist() == [0, NETWORK_UNKNOWN, 1, 0]


def test_loopback_is_no_network_unless_it_is_declared() -> None:
    """The house names an interface that exists in every network namespace but loopback: none, so it declares none."""
    house = house_on()
    house = type(house)(listen=house.listen)
    with listening(house) as ear:
        send(house.listen.e131_port, b"own")
        (batch,) = ear.read()
        assert batch.network.tolist() == [NETWORK_UNKNOWN]


def test_a_taken_port_is_reported_with_its_holder() -> None:
    port = free_port()
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as other:
        # Shared use is what makes the last program take all unicast: it must not get us in either.
        other.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        other.bind(("0.0.0.0", port))
        with pytest.raises(EdgeError) as caught:
            DataSocket(Protocol.E131, port)
    line = caught.value.lines[0]
    assert f"UDP port {port} (e131) is taken by " in line
    assert str(os.getpid()) in line
    assert "end that program" in line


def test_nobody_can_bind_beside_us_and_take_our_unicast() -> None:
    port = free_port()
    ours = DataSocket(Protocol.E131, port)
    try:
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as other:
            other.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            with pytest.raises(OSError, match="in use"):
                other.bind(("0.0.0.0", port))
    finally:
        ours.close()


def test_a_reserved_port_without_the_right_is_reported() -> None:
    if os.geteuid() == 0 or int(Path("/proc/sys/net/ipv4/ip_unprivileged_port_start").read_text()) <= 80:
        pytest.skip("this user may bind every port")
    with pytest.raises(EdgeError, match="no right to listen on UDP port 80"):
        DataSocket(Protocol.E131, 80)


class HandClock:
    """The monotonic clock, which moves only when a test moves it."""

    def __init__(self) -> None:
        self.now_ns = clock.monotonic_ns()

    def turn_after(self, seconds: float, ear: Listening, port: int, packets: int) -> None:
        """So long after intake's last turn these packets have come, and it turns."""
        send(port, *[b"x"] * packets)
        self.now_ns += round(seconds * 1e9)
        ear.intake.turn()


@pytest.fixture
def hand(monkeypatch: pytest.MonkeyPatch) -> HandClock:
    made = HandClock()
    monkeypatch.setattr(clock, "monotonic_ns", lambda: made.now_ns)
    return made


def test_packets_gather_longer_the_rarer_they_are_and_never_while_a_route_waits(hand: HandClock) -> None:
    house = house_on()
    with listening(house) as ear:
        ear.intake.turn()
        hand.turn_after(1.0, ear, house.listen.e131_port, 10)
        rare_s = ear.intake.gather_s()
        hand.turn_after(0.0004, ear, house.listen.e131_port, 71)  # 177,500 a second
        often_s = ear.intake.gather_s()
        capacity_s = min(s.holds_packets() for s in ear.intake.sockets) / 177_500
        assert often_s <= rare_s <= 0.020
        assert often_s <= 0.014
        assert rare_s <= capacity_s / 2
    route = Route("r", UniverseId(Protocol.E131, 1), target=UniverseId(Protocol.E131, 2))
    with listening(house_on(routes=(route,))) as ear:
        assert ear.intake.gather_s() == 0.0


def test_packets_gather_to_the_next_tenth_while_judging_idles_and_a_burst_ends_that(
    monkeypatch: pytest.MonkeyPatch, hand: HandClock
) -> None:
    monkeypatch.setattr("slotwatch.edge.intake.intake.BURST_ROWS", 50)  # fits any receive buffer
    house = house_on()
    port = house.listen.e131_port
    with listening(house) as ear:
        ear.judging.send(Idle(may_idle=True))
        ear.follow()
        hand.now_ns = hand.now_ns // GRID_NS * GRID_NS
        ear.intake.turn()
        hand.turn_after(0.050, ear, port, 32)  # 640 a second
        capacity_s = min(s.holds_packets() for s in ear.intake.sockets) / 177_500
        assert ear.intake.gather_s() == pytest.approx(min(0.050, capacity_s / 2), abs=1e-6)
        ear.judging.receive()
        hand.turn_after(0.050, ear, port, 60)
        assert ear.judging.receive() == [IntakeWoke()]
        hand.turn_after(0.050, ear, port, 32)
        assert ear.intake.gather_s() <= 0.020


def test_readers_that_wait_are_rung_only_for_rows() -> None:
    house = house_on()
    with listening(house) as ear:
        ear.read()
        with pytest.raises(BlockingIOError):
            os.eventfd_read(ear.bell)
        send(house.listen.e131_port, b"a")
        ear.read()
        assert os.eventfd_read(ear.bell) == 1


def test_a_house_with_another_port_is_heard_there_and_no_longer_here() -> None:
    """The new socket may get the descriptor of the one that was closed: it has to be watched all the same."""
    house = house_on()
    other = replace(house, listen=replace(house.listen, e131_port=free_port()))
    with listening(house) as ear:
        before = {sock.fd for sock in ear.intake.sockets}
        ear.intake.take_house(other)
        assert {sock.fd for sock in ear.intake.sockets} & before, "the case that this test is for did not arise"
        send(other.listen.e131_port, b"there")
        ready = until(lambda: ear.intake.wait(1.0) & {sock.fd for sock in ear.intake.sockets})
        assert ready == {s.fd for s in ear.intake.sockets if s.port == other.listen.e131_port and not s.v6}
        (batch,) = ear.read()
        assert bytes(batch.data[0, :5]) == b"there"


def test_a_house_that_cannot_be_heard_leaves_the_way_back_open() -> None:
    house = house_on()
    with listening(house) as ear, socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as taken:
        taken.bind(("0.0.0.0", 0))
        listen = replace(house.listen, e131_port=taken.getsockname()[1])
        with pytest.raises(EdgeError, match="is taken"):
            ear.intake.take_house(replace(house, listen=listen))
        ear.intake.take_house(house)
        send(house.listen.e131_port, b"here")
        assert until(lambda: ear.intake.wait(1.0) & {sock.fd for sock in ear.intake.sockets})
        (batch,) = ear.read()
        assert bytes(batch.data[0, :4]) == b"here"


@pytest.mark.parametrize(("v6", "address"), [(False, "127.0.0.1"), (True, "::1")])
def test_every_column_is_the_same_by_both_ways(built: Built, v6: bool, address: str) -> None:
    """One sender sends the same to two sockets. Only the moments of arrival differ."""
    receiving = built(load_receiving)
    chance = np.random.default_rng(7)
    writers = [RingWriter(create_memory(ROWS), ROWS) for _ in range(2)]
    sockets = [DataSocket(Protocol.E131, free_port(), v6, way) for way in (None, receiving)]
    networks, arrivals = Networks({socket.if_nametoindex("lo"): 3}), ArrivalClock()
    try:
        with socket.socket(socket.AF_INET6 if v6 else socket.AF_INET, socket.SOCK_DGRAM) as sender:
            for count in (1, 3, 16, 17, 120):
                for _ in range(count):
                    payload = chance.bytes(int(chance.choice([0, 1, 126, 638, 640, 641, ROW_BYTES, ROW_BYTES + 9])))
                    for sock in sockets:
                        sender.sendto(payload, (address, sock.port))
                before_ns = clock.monotonic_ns()
                arrivals.turn()
                for sock, writer in zip(sockets, writers, strict=True):
                    assert sock.drain(writer, arrivals, networks, ROWS) == count
                    assert sock.drain(writer, arrivals, networks, ROWS) == 0
                    assert before_ns <= sock.drained_ns <= clock.monotonic_ns()
        plain, fast = (writer.ring for writer in writers)
        assert plain.head == fast.head == 157
        for name, _, _ in COLUMNS:
            expected, found = getattr(plain.packets, name)[:157], getattr(fast.packets, name)[:157]
            if name == "t_ns":
                assert (np.diff(found) >= 0).all()
                assert (np.abs(found - expected) < 10_000_000_000).all()
            else:
                assert np.array_equal(expected, found), name
        assert [plain.packet(row) for row in range(157)] == [fast.packet(row) for row in range(157)]
        assert set(fast.packets.network[:157].tolist()) == {3}
    finally:
        for sock in sockets:
            sock.close()


def test_a_socket_that_fails_is_reported_by_both_ways() -> None:
    house = house_on()
    with listening(house) as ear:
        with Path("/dev/null").open("rb") as other:
            os.dup2(other.fileno(), ear.intake.sockets[0].fd)
        with pytest.raises(EdgeError, match="reading UDP port"):
            ear.intake.turn()
