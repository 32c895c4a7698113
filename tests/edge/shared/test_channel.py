"""Messages between our own processes."""

from __future__ import annotations

import asyncio
import os
import socket
import struct
from collections.abc import Iterator

import msgspec
import pytest

from slotwatch.edge.shared import asking
from slotwatch.edge.shared.asking import Asker
from slotwatch.edge.shared.channel import PART_BYTES, Channel, pair
from slotwatch.edge.shared.messages import FORMAT, Done, ProcessMessage, Refusal, Request
from slotwatch.errors import FormatError
from tests.patience import PATIENCE_S, happens


class Note(ProcessMessage, frozen=True):
    """A message of these tests."""

    text: str
    number: int = 0


class Bell(ProcessMessage, frozen=True):
    """Another one."""


Other = Note | Bell | Done[Note] | Refusal
ORDERS: msgspec.msgpack.Decoder[Request[Note]] = msgspec.msgpack.Decoder(Request[Note])
OTHERS: msgspec.msgpack.Decoder[Other] = msgspec.msgpack.Decoder(Other)
Ends = tuple[Channel[Request[Note], Other], Channel[Other, Request[Note]]]


@pytest.fixture
def ends() -> Iterator[Ends]:
    """The end that orders, and the end that answers."""
    mine, theirs = pair()
    one: Channel[Request[Note], Other] = Channel(mine.detach(), OTHERS)
    other: Channel[Other, Request[Note]] = Channel(theirs.detach(), ORDERS)
    yield one, other
    one.close()
    other.close()


def test_messages_arrive_whole_and_in_order(ends: Ends) -> None:
    one, other = ends
    sent = [Note("ä" * number, number) for number in range(20)]
    for note in sent:
        other.send(note)
    assert one.receive() == sent


def test_a_large_message_crosses_in_parts_without_blocking_anybody(ends: Ends) -> None:
    one, other = ends
    note = Note("x" * (40 * PART_BYTES))
    other.send(note)
    found: list[Other] = []
    for _ in range(100):
        found += one.receive()
        if other.flush() and found:
            break
    assert found == [note]


def test_a_reader_that_never_reads_costs_a_bounded_amount(ends: Ends, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("slotwatch.edge.shared.channel.MOST_PARTS", 50)
    one, other = ends
    for number in range(2000):
        other.send(Note("x" * 2000, number))
    in_the_kernel, kept = one.receive(), []
    while not other.flush():
        kept += one.receive()
    kept += one.receive()
    assert in_the_kernel
    assert kept == [Note("x" * 2000, number) for number in range(1950, 2000)], "the newest"


def test_a_message_of_another_version_is_refused_in_one_sentence(ends: Ends, monkeypatch: pytest.MonkeyPatch) -> None:
    one, other = ends
    with monkeypatch.context() as later:
        later.setattr("slotwatch.edge.shared.channel.FORMAT", FORMAT + 1)
        other.send(Bell())
    with pytest.raises(FormatError) as refused:
        one.receive()
    assert refused.value.lines == [f"a message has format {FORMAT + 1}, this program reads {FORMAT}; restart slotwatch"]
    other.send(Bell())
    assert one.receive() == [Bell()], "what is of this version is read as before"


@pytest.mark.parametrize(
    ("fields", "why"),
    [
        ({"kind": "Whistle"}, "Invalid value 'Whistle' - at `$.kind`"),
        ({"text": "no kind"}, "Object missing required field `kind`"),
        ({"kind": "Note"}, "Object missing required field `text`"),
        ({"kind": "Note", "text": 5}, "Expected `str`, got `int` - at `$.text`"),
        ({"kind": "Bell", "volume": True}, "Object contains unknown field `volume`"),
        (["Bell"], "Expected `object`, got `array`"),
    ],
)
def test_an_unknown_kind_and_other_fields_are_refused_with_the_reason(ends: Ends, fields: object, why: str) -> None:
    """Written by hand as the module's first lines say: format, number, 1 on the last part, MessagePack."""
    one, other = ends
    with socket.socket(fileno=os.dup(other.fileno())) as raw:
        raw.send(struct.pack("<BQB", FORMAT, 1, 1) + msgspec.msgpack.encode(fields))
    with pytest.raises(FormatError) as refused:
        one.receive()
    assert refused.value.lines == [f"a message cannot be read: {why}; restart slotwatch"]


def test_the_other_end_going_away_is_noticed(ends: Ends) -> None:
    one, other = ends
    other.close()
    assert one.receive() == []
    assert one.closed


async def test_an_answer_reaches_who_asked_and_a_refusal_is_a_sentence(ends: Ends) -> None:
    one, other = ends

    def answer() -> None:
        for request in other.receive():
            if request.order.text == "doors":
                other.send(Done(request.number, request.order, 9))
            else:
                other.send(Refusal(request.number, "there is no such order"))

    asyncio.get_running_loop().add_reader(other.fileno(), answer)
    asker: Asker[Note, Note, Note | Bell] = Asker(one)
    try:
        done = await asker.ask(Note("doors"))
        assert (done.result, done.publication) == (Note("doors"), 9)
        with pytest.raises(ValueError, match="no such order"):
            await asker.ask(Note("else"))
    finally:
        asker.close()
        asyncio.get_running_loop().remove_reader(other.fileno())


async def test_who_is_cancelled_in_the_turn_of_the_answer_ends(ends: Ends) -> None:
    """asyncio.wait_for of Python 3.11 returns the answer then, and who asks in a loop goes on for ever."""
    one, other = ends
    asker: Asker[Note, Note, Note | Bell] = Asker(one, lambda _: asks.cancel() and None)
    asks = asyncio.create_task(asker.ask(Note("doors")))
    (request,) = await happens(other.receive)
    other.send(Done(request.number, Note("doors")))
    other.send(Bell())  # read in one go with the answer
    await asyncio.wait({asks}, timeout=PATIENCE_S)
    asker.close()
    assert asks.cancelled()


async def test_an_answer_that_never_comes_is_reported_and_a_late_one_is_nobodys(
    ends: Ends, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(asking, "ANSWER_WITHIN_S", 0.05)
    one, other = ends
    passed: list[ProcessMessage] = []
    asker: Asker[Note, Note, Note | Bell] = Asker(one, passed.append)
    with pytest.raises(ValueError, match="does not answer"):
        await asker.ask(Note("doors"))
    (request,) = other.receive()
    other.send(Done(request.number, Note("doors")))
    other.send(Bell())
    await happens(lambda: passed)
    asker.close()
    assert passed == [Bell()]


async def test_what_is_no_answer_is_passed_on(ends: Ends) -> None:
    one, other = ends
    passed: list[ProcessMessage] = []
    asker: Asker[Note, Note, Note | Bell] = Asker(one, passed.append)
    other.send(Bell())
    await happens(lambda: passed)
    asker.close()
    assert passed == [Bell()]


async def test_who_asks_a_process_of_another_version_ends(
    ends: Ends, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    one, other = ends
    closed = asyncio.Event()
    asker: Asker[Note, Note, Note | Bell] = Asker(one, on_closed=closed.set)
    with monkeypatch.context() as later:
        later.setattr("slotwatch.edge.shared.channel.FORMAT", FORMAT + 1)
        other.send(Bell())
    await asyncio.wait_for(closed.wait(), PATIENCE_S)
    assert asker.channel.closed
    wanted = f"a message has format {FORMAT + 1}, this program reads {FORMAT}; restart slotwatch\n"
    assert capsys.readouterr().err == wanted
