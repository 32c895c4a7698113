"""Asking fixtures through a pretend gateway whose messages are laid out here by E1.20's and Art-Net's tables."""

from __future__ import annotations

import itertools
import struct

import pytest

from slotwatch.bridge.ask import LONGEST_S, Ask, may_ask_fixtures
from slotwatch.house.schema import Fixture, House, Phase
from slotwatch.house.service import Listen
from slotwatch.wire.universe import Protocol, UniverseId

S = 1_000_000_000
NODE = "10.20.0.41"
UNIVERSE = UniverseId(Protocol.ARTNET, 3)
RIGHT, MOVED, MODE, STRANGE, QUIET = (bytes([0x7F, 0xF0, 0, 0, 0, n]) for n in range(1, 6))


def fixture(name: str, address: int, footprint: int) -> Fixture:
    return Fixture(name, UNIVERSE, address, ("",) * footprint)


HOUSE = House(
    fixtures=(
        fixture("right", 1, 8),
        fixture("moved", 101, 16),
        fixture("mode", 201, 12),
        fixture("gone", 301, 4),
        Fixture("elsewhere", UniverseId(Protocol.ARTNET, 9), 1, ("",)),
    )
)
# uid: (footprint, start address, label)
DEVICES = {RIGHT: (8, 1, "A"), MOVED: (16, 150, "B"), MODE: (20, 201, "C"), STRANGE: (2, 400, "D")}


class PretendGateway:
    """Answers what it is asked; keeps every request for the tests to look at."""

    sensors = 0
    """How many sensors each device has, by its info."""

    def __init__(self) -> None:
        self.asked: list[bytes] = []

    def response(self, parameter: int, data: bytes) -> tuple[int, bytes]:
        """Response type (E1.20 table A-2) and parameter data of an answer."""
        return 0, data

    def answers(self, packet: bytes) -> bytes | None:
        self.asked.append(packet)
        (opcode,) = struct.unpack_from("<H", packet, 8)
        if opcode == 0x8000:
            uids = b"".join((*DEVICES, QUIET))
            head = b"Art-Net\0" + struct.pack("<H", 0x8100) + b"\0\x0e" + bytes([1, 1]) + bytes(6) + bytes([1, 0, 0, 3])
            return head + struct.pack(">HBB", len(uids) // 6, 0, len(uids) // 6) + uids
        assert opcode == 0x8300
        message = b"\xcc" + packet[24:]
        uid, parameter = message[3:9], struct.unpack_from(">H", message, 21)[0]
        if uid == QUIET:
            return None
        footprint, start, label = DEVICES[uid]
        data = {
            0x0060: struct.pack(">HHHIHBBHHB", 0x0100, 1, 0x0101, 1, footprint, 1, 2, start, 0, self.sensors),
            0x0082: label.encode(),
            0x0201: struct.pack(">Bhhhh", 0, 41, 20, 60, 0),
        }[parameter]
        kind, data = self.response(parameter, data)
        head = struct.pack(">BBB6s6sBB", 0xCC, 1, 24 + len(data), message[9:15], uid, message[15], kind)
        reply = head + struct.pack(">BHBHB", 0, 0, 0x21, parameter, len(data)) + data
        reply += struct.pack(">H", sum(reply) & 0xFFFF)
        return b"Art-Net\0" + struct.pack("<H", 0x8300) + b"\0\x0e\1\0" + bytes(7) + bytes([0, 0, 3]) + reply[1:]


def run(ask: Ask, gateway: PretendGateway, seconds: float) -> list[tuple[float, bytes]]:
    sent = []
    for step in range(int(seconds * 100)):
        now = step * S // 100
        for address, packet in ask.due(now):
            assert address == NODE
            sent.append((now / S, packet))
            answer = gateway.answers(packet)
            if answer is not None:
                ask.heard(NODE, answer, now + 1)
    return sent


def test_devices_are_held_against_the_patch() -> None:
    ask = Ask(HOUSE, {NODE: (3,)}, b"abcd", 0, 100 * S)
    run(ask, PretendGateway(), 30)
    assert ask.finished
    verdicts = {row.fixture or row.label or row.uid: row.verdict for row in ask.rows()}
    assert verdicts == {
        "right": "right",
        "moved": "wrong-address",
        "mode": "wrong-mode",
        "gone": "missing",
        "D": "unknown",
        "7ff0:00000005": "silent",
    }, "a fixture of a universe that was not looked at is not missing"


def test_only_tables_and_gets_are_ever_sent() -> None:
    """TodRequest (0x8000) and GET (command class 0x20); never a flush (TodControl 0x8200), a SET or a discovery."""
    gateway = PretendGateway()
    run(Ask(HOUSE, {NODE: (3,)}, b"abcd", 0, 100 * S), gateway, 30)
    opcodes = {struct.unpack_from("<H", packet, 8)[0] for packet in gateway.asked}
    assert opcodes == {0x8000, 0x8300}
    assert all(packet[22] == 0 for packet in gateway.asked), "TodFull and ArProcess"
    classes = {packet[24 - 1 + 20] for packet in gateway.asked if packet[9] == 0x83}
    assert classes == {0x20}


def test_the_pace_is_gentle() -> None:
    times = [at for at, _ in run(Ask(HOUSE, {NODE: (3,)}, b"abcd", 0, 100 * S), PretendGateway(), 30)]
    assert min(b - a for a, b in itertools.pairwise(times)) >= 0.2


def test_it_ends_with_its_window_and_at_once_when_stopped() -> None:
    ask = Ask(HOUSE, {NODE: (3,)}, b"abcd", 0, 1 * S)
    assert max(at for at, _ in run(ask, PretendGateway(), 10)) < 1.0
    assert ask.stopped == "the window has ended"
    ask = Ask(HOUSE, {NODE: (3,)}, b"abcd", 0, 100 * S)
    ask.stop("stopped by a person")
    assert run(ask, PretendGateway(), 2) == []


def test_a_gateway_that_does_not_answer_is_asked_twice() -> None:
    class Silent(PretendGateway):
        def answers(self, packet: bytes) -> bytes | None:
            return None

    assert len(run(Ask(HOUSE, {NODE: (3,)}, b"abcd", 0, 100 * S), Silent(), 30)) == 2


@pytest.mark.parametrize("octets", [b"", b"Art-Net\0\x00\x81", b"Art-Net\0\x00\x83" + bytes(40), bytes(300)])
def test_any_answer_is_survived(octets: bytes) -> None:
    ask = Ask(HOUSE, {NODE: (3,)}, b"abcd", 0, 100 * S)
    ask.due(0)
    ask.heard(NODE, octets, 1)
    assert ask.devices == {}


def test_the_first_sensor_of_a_device_that_has_any_is_read() -> None:
    """DEVICE_INFO's last octet counts sensors (E1.20 10.5.1); SENSOR_VALUE gives the present value first (10.7.2)."""

    class Warm(PretendGateway):
        sensors = 1

    ask = Ask(HOUSE, {NODE: (3,)}, b"abcd", 0, 100 * S)
    run(ask, Warm(), 60)
    assert {device.sensor for device in ask.devices.values() if device.uid != QUIET} == {41}
    assert {row.sensor for row in ask.rows() if row.label} == {41}


def test_what_a_device_refuses_is_named_and_not_asked_again() -> None:
    """NACK_REASON with NR_UNKNOWN_PID, 0x0000 (E1.20 tables A-2 and A-17)."""

    class Refusing(PretendGateway):
        def response(self, parameter: int, data: bytes) -> tuple[int, bytes]:
            return (2, bytes(2)) if parameter == 0x0082 else (0, data)

    gateway = Refusing()
    ask = Ask(HOUSE, {NODE: (3,)}, b"abcd", 0, 100 * S)
    run(ask, gateway, 60)
    assert {row.refused for row in ask.rows() if row.uid and row.verdict != "silent"} == {("device-label",)}
    labels = [packet for packet in gateway.asked if packet[9] == 0x83 and packet[44:46] == b"\x00\x82"]
    assert len(labels) == len(DEVICES)


def test_a_device_that_needs_time_is_asked_once_more() -> None:
    """ACK_TIMER: the answer is not ready (E1.20 6.3.2). Its data, the time in tenths of a second, is not an answer."""

    class Slow(PretendGateway):
        def response(self, parameter: int, data: bytes) -> tuple[int, bytes]:
            return (1, struct.pack(">H", 5)) if parameter == 0x0082 else (0, data)

    gateway = Slow()
    ask = Ask(HOUSE, {NODE: (3,)}, b"abcd", 0, 100 * S)
    run(ask, gateway, 60)
    assert ask.finished
    assert {device.label for device in ask.devices.values()} == {""}
    labels = [packet for packet in gateway.asked if packet[9] == 0x83 and packet[44:46] == b"\x00\x82"]
    assert len(labels) == 2 * len(DEVICES)


def test_a_device_that_takes_no_slots_is_not_held_against_the_patch() -> None:
    """Start address 0xFFFF: no footprint (E1.20 10.5.1)."""

    class Splitter(PretendGateway):
        def response(self, parameter: int, data: bytes) -> tuple[int, bytes]:
            return 0, data[:10] + bytes(2) + data[12:14] + b"\xff\xff" + data[16:] if parameter == 0x0060 else data

    ask = Ask(HOUSE, {NODE: (3,)}, b"abcd", 0, 100 * S)
    run(ask, Splitter(), 60)
    assert {row.verdict for row in ask.rows() if row.label} == {"no-slots"}


def test_an_answer_to_another_request_or_from_another_address_is_none() -> None:
    """The transaction number of an answer is that of its request (E1.20 6.2.5)."""

    class Late(PretendGateway):
        def answers(self, packet: bytes) -> bytes | None:
            answer = super().answers(packet)
            if answer is None or packet[9] == 0x80:
                return answer
            message = bytearray(b"\xcc" + answer[24:-2])
            message[15] ^= 0xFF
            return answer[:24] + bytes(message[1:]) + struct.pack(">H", sum(message) & 0xFFFF)

    ask = Ask(HOUSE, {NODE: (3,)}, b"abcd", 0, 200 * S)
    run(ask, Late(), 120)
    assert {device.info for device in ask.devices.values()} == {None}
    again = Ask(HOUSE, {NODE: (3,)}, b"abcd", 0, 100 * S)
    again.due(0)
    again.heard("10.20.0.99", PretendGateway().answers(b"Art-Net\0\0\x80") or b"", 1)
    assert again.devices == {}


def test_it_says_when_it_next_has_something_to_do() -> None:
    """3 s for a table, 2 s for a device, five requests a second at most (common practice, no source)."""
    ask = Ask(HOUSE, {NODE: (3,)}, b"abcd", 0, 100 * S)
    assert ask.next_ns() == 0
    gateway = PretendGateway()
    ((_, packet),) = ask.due(0)
    assert ask.next_ns() == 3 * S
    ask.heard(NODE, gateway.answers(packet) or b"", S // 100)
    assert ask.next_ns() == S // 100 + S // 5
    assert len(ask.due(S)) == 1
    assert ask.next_ns() == 3 * S
    ask.stop("stopped by a person")
    assert ask.next_ns() is None
    short = Ask(HOUSE, {NODE: (3,)}, b"abcd", 0, 1 * S)
    short.due(0)
    assert short.next_ns() == 1 * S, "its window ends before"


ALLOWED = House(listen=Listen(ask_fixtures=True))


def test_fixtures_may_be_asked_where_the_house_allows_it_and_a_person_confirms() -> None:
    for phase in set(Phase) - {Phase.PRE_SHOW, Phase.SHOW}:
        may_ask_fixtures(ALLOWED, phase, LONGEST_S, confirm=True)


@pytest.mark.parametrize(
    ("house", "phase", "seconds", "confirm", "reason"),
    [
        (House(), Phase.DARK, 60.0, True, "ask_fixtures = true"),
        (ALLOWED, Phase.PRE_SHOW, 60.0, True, "not asked in pre-show"),
        (ALLOWED, Phase.SHOW, 60.0, True, "not asked in show"),
        (ALLOWED, Phase.DARK, LONGEST_S + 1, True, "at most 600 s"),
        (ALLOWED, Phase.DARK, 60.0, False, "confirm to continue"),
    ],
)
def test_else_they_are_not_asked_and_the_reason_is_given(
    house: House, phase: Phase, seconds: float, confirm: bool, reason: str
) -> None:
    """The lines are the show's: common practice, no source."""
    with pytest.raises(ValueError, match=reason):
        may_ask_fixtures(house, phase, seconds, confirm=confirm)
