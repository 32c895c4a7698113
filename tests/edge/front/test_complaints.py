"""What strangers send fills no journal: one short line a kind and minute, with the count of the others."""

from __future__ import annotations

import asyncio
import resource
import socket
from pathlib import Path
from typing import Any

import pytest

from slotwatch.edge.front.complaints import EVERY_NS, MOST_KINDS, Complaints
from tests.edge.front.test_callers import door, response_to
from tests.patience import PATIENCE_S, happens


def test_one_line_a_minute_with_the_count() -> None:
    lines: list[str] = []
    complaints = Complaints(lines.append)
    for number in range(1000):
        complaints.say("request", f"A request cannot be read\x1b[31m\n{number}", number)
    assert lines == ["A request cannot be read [31m 0"], "and no control character reaches the journal"
    complaints.say("other", "Another", 5)
    complaints.say("request", "Again" + "x" * 10_000, EVERY_NS)
    assert lines[1] == "Another" and lines[2].endswith(" (999 more since the last such line)")
    assert len(lines[2]) < 250


def test_kinds_are_bounded() -> None:
    complaints = Complaints(lambda line: None)
    for number in range(1000):
        complaints.say(f"kind {number}", "x", 0)
    assert not complaints.say("kind 999", "x", 1)
    assert complaints.say(f"kind {999 - MOST_KINDS}", "x", 1), "what was pushed out starts again"


async def test_a_fault_of_a_callback_is_one_kind_whatever_bytes_it_was_called_with() -> None:
    lines: list[str] = []
    loop = asyncio.get_running_loop()
    loop.set_exception_handler(Complaints(lines.append).of_loop)
    seen: list[bytes] = []

    def read(octets: bytes) -> None:
        seen.append(octets)
        raise ValueError

    for number in range(MOST_KINDS + 2):
        loop.call_soon(read, bytes([number]) * 8)
    await happens(lambda: len(seen) == MOST_KINDS + 2)
    assert len(lines) == 1 and "x01" not in lines[0]


MALFORMED = [
    b"GET / HTTP/1.1\r\nHost: a\r\nBad Header: 1\r\n\r\n",
    b"GET /" + b"x" * 9000 + b" HTTP/1.1\r\n\r\n",
    b"GET / HTTP/1.1\r\nHost: a\r\nContent-Length: -1\r\n\r\n",
    b"GET / HTTP/1.1\r\nHost: a\r\nX: " + b"y" * 9000 + b"\r\n\r\n",
    b"GET / HTTP/9.9\r\n\r\n",
    b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03" + b"\x00" * 64,
]


async def test_malformed_requests_write_one_short_line(capfd: pytest.CaptureFixture[str]) -> None:
    async with door(most=100) as (port, _):
        for _ in range(20):
            for octets in MALFORMED:
                answer = await response_to(port, octets)
                assert answer.startswith((b"HTTP/1.0 400", b"HTTP/1.1 400")), (octets[:30], answer)
    lines = capfd.readouterr().err.splitlines()
    assert len(lines) == 1 and "cannot be read" in lines[0] and len(lines[0]) < 250, lines


async def test_no_descriptor_left_is_one_short_line_and_the_page_comes_back(
    tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    """EMFILE of accept(2): asyncio pauses for a second and tries again, and would log a trace each time."""
    loop = asyncio.get_running_loop()
    before = resource.getrlimit(resource.RLIMIT_NOFILE)
    complaints, refused = Complaints(), []

    def note(loop: asyncio.AbstractEventLoop, context: dict[str, Any]) -> None:
        refused.append(context)
        complaints.of_loop(loop, context)

    loop.set_exception_handler(note)
    try:
        async with door(most=100) as (port, accepted):
            callers = [socket.create_connection(("127.0.0.1", port)) for _ in range(3)]
            await happens(lambda: accepted.count == 3)
            waiting = [socket.socket() for _ in range(5)]
            highest = max(one.fileno() for one in waiting)
            resource.setrlimit(resource.RLIMIT_NOFILE, (highest + 1, before[1]))
            for one in waiting:
                one.setblocking(False)
                with pytest.raises(BlockingIOError):
                    one.connect(("127.0.0.1", port))
            await happens(lambda: len(refused) >= 2)
            seen = capfd.readouterr().err
            resource.setrlimit(resource.RLIMIT_NOFILE, before)
            for one in (*callers, *waiting):
                one.close()
            async with asyncio.timeout(PATIENCE_S):
                answer = await response_to(port, b"GET /slow HTTP/1.1\r\nHost: 127.0.0.1\r\nConnection: close\r\n\r\n")
            assert answer.endswith(b"answered")
            assert seen.splitlines() == [
                "slotwatch: No further connection to the page can be accepted: Too many open files."
            ], seen
    finally:
        resource.setrlimit(resource.RLIMIT_NOFILE, before)
        loop.set_exception_handler(None)


async def test_a_fault_of_our_own_is_traced_once(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    from tests.edge.front_house import running
    from tests.views.fabricate import snapshot

    async with running(tmp_path, snapshot=snapshot()) as run:

        def broken() -> None:
            raise RuntimeError("made for the test")

        run.front.current = broken  # type: ignore[method-assign, assignment]
        for _ in range(20):
            assert (await run.client.get("/readyz")).status == 500
        await happens(lambda: True)
    assert capfd.readouterr().err.count("Traceback") == 1
