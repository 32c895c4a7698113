"""Messages between our own processes."""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
from typing import Any

import pytest

from slotwatch.edge.shared import asking
from slotwatch.edge.shared.asking import Asker
from slotwatch.edge.shared.channel import FORMAT, PART_BYTES, Channel, answer, pair
from slotwatch.errors import FormatError


@pytest.fixture
def ends() -> Iterator[tuple[Channel, Channel]]:
    one, other = (Channel(end.detach()) for end in pair())
    yield one, other
    one.close()
    other.close()


def test_messages_arrive_whole_and_in_order(ends: tuple[Channel, Channel]) -> None:
    one, other = ends
    for number in range(20):
        one.send({"n": number, "text": "ä" * number})
    assert [m["n"] for m in other.receive()] == list(range(20))


def test_a_large_message_crosses_in_parts_without_blocking_anybody(ends: tuple[Channel, Channel]) -> None:
    one, other = ends
    text = "x" * (40 * PART_BYTES)
    one.send({"text": text})
    found: list[dict[str, Any]] = []
    for _ in range(100):
        found += other.receive()
        if one.flush() and found:
            break
    assert found == [{"text": text}]


def test_a_reader_that_never_reads_costs_a_bounded_amount(
    ends: tuple[Channel, Channel], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("slotwatch.edge.shared.channel.MOST_PARTS", 50)
    one, _ = ends
    for _ in range(2000):
        one.send({"text": "x" * 2000})
    assert len(one._waiting) <= 50


def test_a_message_of_another_version_is_refused_in_one_sentence(
    ends: tuple[Channel, Channel], monkeypatch: pytest.MonkeyPatch
) -> None:
    one, other = ends
    with monkeypatch.context() as later:
        later.setattr("slotwatch.edge.shared.channel.FORMAT", FORMAT + 1)
        one.send({"do": "alive"})
    with pytest.raises(FormatError) as refused:
        other.receive()
    assert refused.value.lines == [f"a message has format {FORMAT + 1}, this program reads {FORMAT}; restart slotwatch"]
    one.send({"do": "alive"})
    assert other.receive() == [{"do": "alive"}], "what is of this version is read as before"


def test_the_other_end_going_away_is_noticed(ends: tuple[Channel, Channel]) -> None:
    one, other = ends
    other.close()
    assert one.receive() == []
    assert one.closed


async def test_an_answer_reaches_who_asked_and_a_refusal_is_a_sentence(ends: tuple[Channel, Channel]) -> None:
    one, other = ends

    def run(name: str, arguments: dict[str, Any]) -> dict[str, Any]:
        if name == "acknowledge":
            return {"id": arguments["id"]}
        raise ValueError("there is no such order")

    import asyncio

    asyncio.get_running_loop().add_reader(
        other.fileno(), lambda: [answer(other, message, run) for message in other.receive()]
    )
    asker = Asker(one)
    try:
        assert await asker.ask("acknowledge", {"id": 7}) == {"id": 7}
        with pytest.raises(ValueError, match="no such order"):
            await asker.ask("else", {})
    finally:
        asker.close()
        asyncio.get_running_loop().remove_reader(other.fileno())


async def test_an_answer_that_never_comes_is_reported_and_a_late_one_is_nobodys(
    ends: tuple[Channel, Channel], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(asking, "ANSWER_WITHIN_S", 0.05)
    one, other = ends
    asker = Asker(one)
    with pytest.raises(ValueError, match="does not answer"):
        await asker.ask("acknowledge", {"id": 7})
    (request,) = other.receive()
    other.send({"id": request["id"], "ok": {}})
    asker._readable()
    asker.close()


async def test_who_asks_a_process_of_another_version_ends(
    ends: tuple[Channel, Channel], monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    one, other = ends
    closed = asyncio.Event()
    asker = Asker(one, lambda message: closed.set() if message == {"do": "closed"} else None)
    with monkeypatch.context() as later:
        later.setattr("slotwatch.edge.shared.channel.FORMAT", FORMAT + 1)
        other.send({"do": "alive"})
    await asyncio.wait_for(closed.wait(), 30)
    assert asker.channel.closed
    assert capsys.readouterr().err == "a message has format 2, this program reads 1; restart slotwatch\n"
