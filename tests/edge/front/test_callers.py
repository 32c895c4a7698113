"""Strangers who connect and say nothing, or too much: each is cut or refused, and others are still answered.

The limits are ours (common practice, no source); the status codes are those of RFC 9110.
"""

from __future__ import annotations

import asyncio
import resource
import socket
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import pytest
from aiohttp import web

from slotwatch.edge.front import guard as http_guard
from slotwatch.edge.front.callers import MOST_CALLERS, MOST_PROBES, OTHER_FILES, Callers, most_callers
from slotwatch.edge.front.complaints import Complaints
from slotwatch.edge.front.door import WebServer
from slotwatch.edge.front.guard import Guard, middleware
from slotwatch.edge.front.turnstile import Turnstile
from slotwatch.house.schema import House
from slotwatch.house.service import Http
from tests.edge.front_house import running
from tests.patience import PATIENCE_S, happens
from tests.ports import free_port
from tests.views.fabricate import snapshot

WELL = b"GET /slow HTTP/1.1\r\nHost: 127.0.0.1\r\nConnection: close\r\n\r\n"


@asynccontextmanager
async def door(
    most: int = 10, ask_within_s: float = PATIENCE_S, answers_after_s: float = 0.0, most_of_one: int = 1000
) -> AsyncIterator[tuple[int, Callers]]:
    """A real door on a free port, with one address behind it that takes its time."""
    port = free_port(socket.SOCK_STREAM)
    house = House(http=Http(host="127.0.0.1", port=port))
    callers, complaints = Callers(most, ask_within_s, most_of_one), Complaints()
    opened = WebServer(house, callers, complaints)
    await opened.open(answering(answers_after_s, middleware(Guard(house), callers, complaints)))
    try:
        yield port, callers
    finally:
        await opened.end()
        assert callers.count == 0


def answering(after_s: float = 0.0, *middlewares: Any) -> web.Application:
    async def slow(_request: web.Request) -> web.Response:
        await asyncio.sleep(after_s)
        return web.Response(text="answered")

    app = web.Application(middlewares=middlewares)
    app.add_routes([web.get("/slow", slow)])
    return app


async def response_to(port: int, octets: bytes, within_s: float = PATIENCE_S, address: str = "127.0.0.1") -> bytes:
    """What is answered until the other side hangs up; TimeoutError if it does not."""
    reader, writer = await asyncio.open_connection("127.0.0.1", port, local_addr=(address, 0))
    try:
        writer.write(octets)
        async with asyncio.timeout(within_s):
            try:
                return await reader.read()
            except ConnectionResetError:
                return b""
    finally:
        writer.close()


@pytest.mark.parametrize("octets", [b"", b"GET / HT", b"GET /slow HTTP/1.1\r\nHost: 127.0.0.1\r\nX-Slow: "])
async def test_who_does_not_ask_in_time_is_cut(octets: bytes) -> None:
    async with door(ask_within_s=0.2) as (port, _):
        assert await response_to(port, octets) == b""


async def test_an_answer_may_take_longer_than_asking() -> None:
    async with door(ask_within_s=1.0, answers_after_s=2.0) as (port, _):
        assert (await response_to(port, WELL)).endswith(b"answered")


async def test_one_too_many_is_reported_so_and_room_is_made_by_who_leaves() -> None:
    async with door(most=2) as (port, callers):
        held = [await asyncio.open_connection("127.0.0.1", port) for _ in range(2)]
        refusal = await response_to(port, WELL)
        assert refusal.startswith(b"HTTP/1.1 503 ") and b"Too many connections" in refusal
        held[0][1].close()
        await happens(lambda: callers.count == 1)
        assert (await response_to(port, WELL)).endswith(b"answered")
        held[1][1].close()


PROBE = b"GET /healthz HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n"


async def held_by(address: str, port: int, count: int, octets: bytes = b"") -> list[asyncio.StreamWriter]:
    writers = []
    for _ in range(count):
        _, writer = await asyncio.open_connection("127.0.0.1", port, local_addr=(address, 0))
        writer.write(octets)
        writers.append(writer)
    return writers


async def test_one_address_has_its_share_and_others_are_answered() -> None:
    async with door(most=10, most_of_one=5) as (port, callers):
        held = await held_by("127.0.0.9", port, 12)
        await happens(lambda: callers.count == 5)
        assert (await response_to(port, WELL)).endswith(b"answered")
        assert (await response_to(port, WELL, address="127.0.0.9")).startswith(b"HTTP/1.1 503 ")
        for one in held:
            one.close()


async def test_a_newcomer_gets_a_place_of_who_holds_most() -> None:
    """Also where two addresses hold all places together, and all of theirs have asked something."""
    async with door(most=10, most_of_one=5, answers_after_s=60.0) as (port, callers):
        held = [*await held_by("127.0.0.8", port, 5, WELL), *await held_by("127.0.0.9", port, 5, WELL)]
        await happens(lambda: callers.count == 10)
        newcomers = await held_by("127.0.0.10", port, 3, b"GET /slow HTTP/1.1\r\n")
        await happens(lambda: callers.count == 10)
        reader, writer = await asyncio.open_connection("127.0.0.1", port, local_addr=("127.0.0.11", 0))
        writer.write(b"BAD\r\n\r\n")
        async with asyncio.timeout(PATIENCE_S):
            assert (await reader.readline()).split()[1] == b"400", "it was let in and read"
        for one in (*held, *newcomers, writer):
            one.close()


@pytest.mark.parametrize("pieces", [[PROBE], [PROBE[:7], PROBE[7:]], [PROBE.replace(b"GET", b"HEAD")]])
async def test_a_local_probe_is_answered_while_all_places_are_taken(pieces: list[bytes]) -> None:
    async with door(most=2) as (port, callers):
        held = await held_by("127.0.0.1", port, 40)
        await happens(lambda: callers.count == 2)
        reader, writer = await asyncio.open_connection("127.0.0.1", port)
        for piece in pieces:
            writer.write(piece)
            await writer.drain()
            await asyncio.sleep(0.02)
        async with asyncio.timeout(PATIENCE_S):
            assert (await reader.read()).startswith(b"HTTP/1.1 200 OK")
        assert (await response_to(port, WELL)).startswith(b"HTTP/1.1 503 ")
        for one in (*held, writer):
            one.close()


async def test_who_was_let_in_just_as_a_door_closes_is_answered_and_others_wait_in_line() -> None:
    """At every turn of the event loop between knocking and being handed over; the line is what a next door takes on."""
    outcomes = []
    for turns in range(6):
        house = House(http=Http(host="127.0.0.1", port=free_port(socket.SOCK_STREAM)))
        closing = WebServer(house, Callers())
        await closing.open(answering())
        with closing.line[0].dup() as line, socket.create_connection(("127.0.0.1", house.http.port)) as caller:
            for _ in range(turns):
                await asyncio.sleep(0)
            await closing.close()
            try:
                line.accept()[0].close()
                outcomes.append("waits")
            except BlockingIOError:
                caller.setblocking(False)
                caller.sendall(WELL)
                async with asyncio.timeout(PATIENCE_S):
                    heard = await asyncio.get_running_loop().sock_recv(caller, 1000)
                outcomes.append("answered" if heard.startswith(b"HTTP/1.1 200 ") else f"{turns} turns: {heard!r}")
        await closing.end()
    assert set(outcomes) == {"waits", "answered"}, outcomes


async def test_a_body_that_does_not_come(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(http_guard, "BODY_WITHIN_S", 0.2)
    head = b"POST /api/v1/marks HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Type: application/json\r\n"
    async with running(tmp_path, snapshot=snapshot()) as run:
        port = run.client.port
        assert port is not None
        for length, status in ((100, b"408"), (99_999_999_999, b"413")):
            reader, writer = await asyncio.open_connection("127.0.0.1", port)
            writer.write(head + b"Content-Length: %d\r\n\r\n{}" % length)
            assert (await reader.readline()).split()[1] == status
            writer.close()
        assert not run.judging.asked


async def test_a_body_that_is_not_packed_as_it_says(tmp_path: Path) -> None:
    async with running(tmp_path, snapshot=snapshot()) as run:
        headers = {"Content-Encoding": "gzip", "Content-Type": "application/json"}
        async with run.client.post("/api/v1/marks", data=b"not gzip", headers=headers) as response:
            assert response.status == 400 and "Content-Encoding" in (await response.json())["error"]


ORDERS = [
    ("rig-check", b'{"name": "x"}', '"name" is not known here; known: "stop", "no_light", "light".'),
    ("rig-check", b'{"self": 1}', '"self" is not known here; known: "stop", "no_light", "light".'),
    ("rig-check", b'{"stop": NaN}', '"stop" must be true or false.'),
    ("rig-check", b'{"stop": "yes"}', '"stop" must be true or false.'),
    ("lamp-changes", b'{"circuit": 5}', '"circuit" must be a text.'),
    ("lamp-changes", b'{"lamp": "5"}', '"lamp" is not known here; known: "circuit", "fixture".'),
    ("ask-fixtures", b'{"seconds": NaN}', '"seconds" must be a number.'),
    ("ask-fixtures", b'{"seconds": 1e400}', '"seconds" must be a number.'),
    ("ask-fixtures", b'{"seconds": 1' + b"0" * 350 + b"}", '"seconds" must be a number.'),
    ("ask-fixtures", b'{"seconds": true}', '"seconds" must be a number.'),
    ("ask-fixtures", b'{"seconds": 5, "confirm": 1}', '"confirm" must be true or false.'),
]


@pytest.mark.parametrize(("order", "body", "sentence"), ORDERS)
async def test_an_order_with_odd_values_is_refused_before_judging_sees_it(
    tmp_path: Path, order: str, body: bytes, sentence: str
) -> None:
    async with running(tmp_path, snapshot=snapshot()) as run:
        headers = {"Content-Type": "application/json"}
        async with run.client.post(f"/api/v1/{order}", data=body, headers=headers) as response:
            assert (response.status, (await response.json())["error"]) == (400, sentence)
        assert not run.judging.asked


@pytest.mark.parametrize(
    ("path", "status"),
    [
        ("/web/%00", 404),
        ("/web/..%2f..%2fpyproject.toml", 404),
        ("/api/v1/incidents/%D9%A7", 404),  # a seven in other digits
        ("/api/v1/incidents/-7", 404),
        ("/api/v1/incidents?limit=NaN", 400),
        ("/api/v1/incidents?limit=0.5", 200),
        ("/api/v1/report?since=2026-01-02T00:00:00Z&until=2026-01-01T00:00:00Z", 400),
        ("/api/v1/report?since=9999-01-01T00:00:00Z", 400),
        ("/api/v1/report?since=0001-01-01T00:00:00Z", 400),
        ("/api/v1/report?until=0001-01-01T00:00:00Z", 400),
        ("/api/v1/incidents?state=all&since=1969-12-31T23:59:59Z", 400),
        ("/api/v1/marks?until=2262-01-01T00:00:00Z", 400),
        ("/web/" + "x" * 5000, 404),
        ("/web/" + "x/" * 2500, 404),
    ],
)
async def test_odd_addresses_are_refused_clearly(tmp_path: Path, path: str, status: int) -> None:
    async with running(tmp_path, snapshot=snapshot()) as run:
        run_url = run.client.make_url("/").with_path(path.partition("?")[0], encoded=True)
        query = path.partition("?")[2]
        async with run.client.session.get(f"{run_url}{'?' + query if query else ''}") as response:
            assert response.status == status, await response.text()


@pytest.mark.parametrize(
    ("files", "most"),
    [(76, 76 - OTHER_FILES - MOST_PROBES), (10, 1), (8192, MOST_CALLERS)],
)
def test_connections_leave_the_process_the_files_that_it_needs(files: int, most: int) -> None:
    """With 64 open files allowed, connections had taken all of them: no probe was answered and no history kept."""
    before = resource.getrlimit(resource.RLIMIT_NOFILE)
    resource.setrlimit(resource.RLIMIT_NOFILE, (min(files, before[1]), before[1]))
    try:
        assert most_callers() == most
    finally:
        resource.setrlimit(resource.RLIMIT_NOFILE, before)


async def test_who_sends_on_many_connections_at_once_does_not_hold_a_local_probe() -> None:
    """Counted in requests that begin before the probe is answered, not in time: one in each turn of the loop."""
    begun = [0]

    @web.middleware
    async def counted(request: web.Request, handler: Any) -> web.StreamResponse:
        begun[0] += request.path == "/slow"
        answer: web.StreamResponse = await handler(request)
        return answer

    port, connections = free_port(socket.SOCK_STREAM), 100
    house = House(http=Http(host="127.0.0.1", port=port))
    callers, complaints = Callers(200), Complaints()
    opened = WebServer(house, callers, complaints)
    await opened.open(answering(0.0, middleware(Guard(house), callers, complaints), counted))
    many = b"GET /slow HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n" * 200
    try:
        writers = await held_by("127.0.0.1", port, connections, many)
        await happens(lambda: begun[0] > connections)
        before = begun[0]
        await response_to(port, PROBE.replace(b"\r\n\r\n", b"\r\nConnection: close\r\n\r\n"))
        assert begun[0] - before < connections, "in one turn each of them would have begun one"
        for writer in writers:
            writer.close()
    finally:
        await opened.end()


async def test_who_leaves_the_line_holds_nobody() -> None:
    line, passed = Turnstile(), list[int]()

    async def enter(number: int) -> None:
        await line.enter()
        passed.append(number)
        if number == 0:
            tasks[5].cancel()  # all are in line by now

    tasks = [asyncio.create_task(enter(number)) for number in range(10)]
    await asyncio.gather(*tasks, return_exceptions=True)
    assert passed == [0, 1, 2, 3, 4, 6, 7, 8, 9]
