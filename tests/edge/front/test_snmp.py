"""An agent that answers what it likes: what is taken of it, what its silence is called, what reaches the library."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator, Callable, Sequence
from typing import Any

import pytest
from pyasn1.codec.ber import decoder, encoder
from pysnmp.proto import api

from slotwatch import clock
from slotwatch.edge.front import snmp
from slotwatch.edge.front.decoding_pace import AT_ONCE_NS, SHARE, DecodingPace
from slotwatch.edge.front.snmp import Agent, NotAnswered
from slotwatch.edge.front.snmp_answers import MOST_ASKED, AgentAnswers
from slotwatch.edge.front.switch_credentials import Credentials
from slotwatch.edge.front.switch_polling import Polls
from slotwatch.edge.shared.messages.orders import TakeSwitch
from slotwatch.wire.switch_tables import MOST_LETTERS, MOST_ROWS
from tests.edge.crossing import crossed

V2C = api.PROTOCOL_MODULES[api.SNMP_VERSION_2C]
UP = (1, 3, 6, 1, 2, 1, 1, 3, 0)
STATES, STATE = {"ifOperStatus": "1.3.6.1.2.1.2.2.1.8"}, (1, 3, 6, 1, 2, 1, 2, 2, 1, 8)

Name = tuple[int, ...]
Rows = Sequence[tuple[Name, Any]]
Answering = Callable[[list[Name]], Rows]


def answer(asked: Any, rows: Rows, later: int = 0) -> bytes:
    """An answer as the library that is asked with encodes it. later: added to the number of the request."""
    message = V2C.apiMessage.get_response(asked)
    pdu = V2C.apiMessage.get_pdu(message)
    V2C.apiPDU.set_request_id(pdu, int(V2C.apiPDU.get_request_id(pdu)) + later)
    V2C.apiPDU.set_varbinds(pdu, list(rows))
    return bytes(encoder.encode(message))


class Far(asyncio.DatagramProtocol):
    """The agent's end. `rows` gives what it answers, `change` what becomes of the bytes."""

    def __init__(self, rows: Answering, change: Callable[[bytes], bytes]) -> None:
        self._rows, self._change = rows, change

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self._transport: Any = transport

    def datagram_received(self, data: bytes, address: Any) -> None:
        asked, _ = decoder.decode(data, asn1Spec=V2C.Message())
        names = [tuple(name) for name, _ in V2C.apiPDU.get_varbinds(V2C.apiMessage.get_pdu(asked))]
        self._transport.sendto(self._change(answer(asked, self._rows(names))), address)


@contextlib.asynccontextmanager
async def agent(
    monkeypatch: pytest.MonkeyPatch, rows: Answering, change: Callable[[bytes], bytes] = bytes
) -> AsyncIterator[Agent]:
    loop = asyncio.get_running_loop()
    transport, _ = await loop.create_datagram_endpoint(lambda: Far(rows, change), ("127.0.0.1", 0))
    monkeypatch.setattr(snmp, "PORT", transport.get_extra_info("sockname")[1])
    asking = Agent("127.0.0.1", Credentials(community="watcher"), DecodingPace())
    try:
        yield asking
    finally:
        asking.close()
        transport.close()


def endless(value: Any, name: Callable[[Name], Name] = lambda last: (*last[:-1], last[-1] + 1)) -> Answering:
    """Each row once more, for ever."""
    return lambda names: [(name(last) if len(last) > len(STATE) else (*last, 1), value) for last in names]


async def test_what_stands_in_no_column_is_not_taken(monkeypatch: pytest.MonkeyPatch) -> None:
    """Longer names and larger numbers than RFC 2578 3.5 has end the column; they could not be handed on either."""
    for name in ((*STATE, 2**32), (*STATE, *range(1, 200))):
        async with agent(monkeypatch, lambda _, name=name: [(name, V2C.Integer(1))]) as asking:
            assert (await asking.walk(STATES))["ifOperStatus"] == []


async def test_a_counter_of_64_bits_stops_no_poll(monkeypatch: pytest.MonkeyPatch) -> None:
    """The sum of two is more than a message between the processes holds. Errors are counted in 32 bits (RFC 2863)."""
    largest = V2C.Counter64(2**64 - 1)

    def rows(names: list[Name]) -> Rows:
        if UP in names:
            return [(name, V2C.TimeTicks(100)) for name in names]
        return [((*name, 7), V2C.Integer(1) if name == STATE else largest) for name in names]

    async with agent(monkeypatch, rows) as asking:
        seen = await Polls(asking).poll("FOH", clock.monotonic_ns())
        order = TakeSwitch(seen)
        assert crossed(order) == order
        assert seen.state is not None and [port.errors for port in seen.state.ports] == [None]


async def test_a_walk_without_end_is_cut_and_of_long_texts_a_part_is_kept(monkeypatch: pytest.MonkeyPatch) -> None:
    text = V2C.OctetString(b"x" * 4000)
    monkeypatch.setattr(snmp, "MOST_ROWS", 20)
    async with agent(monkeypatch, endless(text)) as asking:
        rows = (await asking.walk(STATES))["ifOperStatus"]
    assert len(rows) == 20 < MOST_ROWS
    assert {len(value) for _, value in rows if isinstance(value, bytes)} == {snmp.LONGEST_TEXT}
    assert snmp.LONGEST_TEXT >= MOST_LETTERS


async def test_an_answer_that_is_too_long_is_not_decoded(monkeypatch: pytest.MonkeyPatch) -> None:
    async with agent(monkeypatch, endless(V2C.OctetString(b"x" * 20_000))) as asking:
        with pytest.raises(NotAnswered, match="its answer is longer than 16 KiB"):
            await asking.walk(STATES)


async def test_an_answer_that_the_library_cannot_read_is_not_called_silence(monkeypatch: pytest.MonkeyPatch) -> None:
    """A number of 3,000 bytes, which is no INTEGER (RFC 2578 7.1.1), where a text of that length was."""
    asyncio.get_running_loop().set_exception_handler(lambda _, context: None)
    text = V2C.OctetString(b"\x01" * 3000)

    def as_number(raw: bytes) -> bytes:
        head = (3000).to_bytes(2, "big")
        return raw.replace(b"\x04\x82" + head, b"\x02\x82" + head)

    async with agent(monkeypatch, endless(text), change=as_number) as asking:
        with pytest.raises(NotAnswered, match="its answer is not understood"):
            await asking.walk(STATES)


class LibrarySocket:
    """Stands for the library's own: notes what would be decoded."""

    def __init__(self) -> None:
        self.decoded: list[bytes] = []
        self.sent: list[bytes] = []
        self.send_message: Callable[[bytes, object], None] = lambda raw, _: self.sent.append(raw)
        self.datagram_received: Callable[[bytes, object], None] = lambda raw, _: self.decoded.append(raw)


def question(number: int) -> Any:
    message, pdu = V2C.Message(), V2C.GetBulkRequestPDU()
    V2C.apiPDU.set_defaults(pdu)
    V2C.apiPDU.set_request_id(pdu, number)
    V2C.apiMessage.set_defaults(message)
    V2C.apiMessage.set_pdu(message, pdu)
    return message


def test_only_answers_to_what_was_asked_reach_the_library_and_each_once() -> None:
    """Anyone may send to the port, from any address. Decoding a forged answer of 60 KB takes most of a second."""
    socket = LibrarySocket()
    answers = AgentAnswers(socket, lambda hand_over: hand_over())
    asked = question(70_000)
    socket.send_message(bytes(encoder.encode(asked)), ("10.20.0.2", 161))
    right = answer(asked, [((*STATE, 1), V2C.Integer(1))])
    for raw in [answer(asked, [], later) for later in (-1, 1, 12_345)] + [b"", b"\x30", b"x" * 2000, right, right]:
        socket.datagram_received(raw, ("10.20.0.2", 161))
    assert socket.decoded == [right] and answers.is_answered


def test_an_answer_to_an_earlier_request_is_none_to_the_last_one() -> None:
    """RFC 3414 4: version 3 first asks who the agent is. Where the request itself is lost, no answer came."""
    socket = LibrarySocket()
    answers = AgentAnswers(socket, lambda hand_over: hand_over())
    first, second = question(1), question(2)
    for one, is_answered in ((first, True), (second, False)):
        socket.send_message(bytes(encoder.encode(one)), ("10.20.0.2", 161))
        socket.datagram_received(answer(first, []), ("10.20.0.2", 161))
        assert answers.is_answered is is_answered


def test_the_last_requests_may_still_be_answered_and_those_before_not() -> None:
    socket = LibrarySocket()
    answers = AgentAnswers(socket, lambda hand_over: hand_over())
    asked = [question(number) for number in range(MOST_ASKED + 1)]
    for one in asked:
        socket.send_message(bytes(encoder.encode(one)), ("10.20.0.2", 161))
    for one in asked:
        socket.datagram_received(answer(one, []), ("10.20.0.2", 161))
    assert socket.decoded == [answer(one, []) for one in asked[1:]] and answers.is_answered


async def test_of_answers_that_come_together_one_is_decoded_in_a_turn_of_the_loop() -> None:
    """What else waits for this process, as a probe of /healthz does, comes in between."""
    pace, order = DecodingPace(), []
    loop = asyncio.get_running_loop()

    def arrive(number: int) -> None:
        pace.decode(lambda: loop.call_soon(order.append, number))  # as the library's socket does it

    for number in range(4):
        loop.call_soon(arrive, number)
    while len(order) < 4:
        seen = len(order)
        await asyncio.sleep(0)
        assert len(order) <= seen + 1
    assert order == [0, 1, 2, 3]


def test_requests_wait_once_their_answers_would_take_more_than_the_share() -> None:
    """32 switches that answer without end, each answer for 20 ms: in a minute they are asked for 15 s of decoding."""
    pace, now_ns, spent_ns, cost_ns = DecodingPace(), 0, 0, 20_000_000
    while now_ns < 60_000_000_000:
        now_ns += pace.wait_ns(now_ns)
        pace.note(cost_ns)
        spent_ns += cost_ns
    assert spent_ns == pytest.approx(SHARE * 60e9, abs=2 * AT_ONCE_NS)


def test_a_few_switches_that_are_asked_after_a_rest_do_not_wait() -> None:
    pace = DecodingPace()
    for now_ns in (0, 10_000_000_000):
        assert [pace.wait_ns(now_ns) for _ in range(20)] == [0] * 20


async def test_an_answer_that_waits_for_its_turn_is_left_out_once_the_agent_is_closed() -> None:
    socket, waiting = LibrarySocket(), []
    answers = AgentAnswers(socket, waiting.append)
    asked = question(1)
    socket.send_message(bytes(encoder.encode(asked)), ("10.20.0.2", 161))
    socket.datagram_received(answer(asked, []), ("10.20.0.2", 161))
    answers.close()
    for hand_over in waiting:
        hand_over()
    assert len(waiting) == 1 and socket.decoded == []
