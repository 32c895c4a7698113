"""Server-sent events over real sockets: everything first, then changes; slow listeners are dropped, never waited for.

Format: WHATWG HTML, "Server-sent events".
"""

from __future__ import annotations

import asyncio
import json
import socket
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import aiohttp
import pytest

from slotwatch.edge.front import events as http_events
from slotwatch.snapshot import UniverseState
from slotwatch.views import api, feed
from tests.edge.front_house import running
from tests.patience import PATIENCE_S, happens
from tests.views.fabricate import NOW_NS, SECOND_NS, incident, snapshot

Event = tuple[str, Any]


async def hear(response: aiohttp.ClientResponse, count: int) -> list[Event]:
    """Read so many events."""
    found: list[Event] = []
    name = ""
    async with asyncio.timeout(PATIENCE_S):
        while len(found) < count:
            line = (await response.content.readline()).decode().rstrip("\n")
            if line.startswith("event: "):
                name = line[7:]
            elif line.startswith("data: "):
                found.append((name, json.loads(line[6:])))
    return found


async def test_a_listener_is_reported_everything_and_then_what_changes(tmp_path: Path) -> None:
    taken = snapshot()
    async with running(tmp_path, snapshot=taken) as run, run.client.get("/api/v1/events") as response:
        assert response.content_type == "text/event-stream"
        (_, house), (kind, universes), (_, first) = await hear(response, 3)
        assert house["name"] == "Harbour Street Playhouse" and first["id"] == 7
        rows = [dict(zip(universes["columns"], row, strict=True)) for row in universes["rows"]]
        assert kind == "universes" and rows == api.universes(taken)
        lost = replace(snapshot(), now_ns=NOW_NS + SECOND_NS, incidents=(*taken.incidents, incident(8)))
        lost.universes["state"][0] = UniverseState.LOST
        run.show(lost, NOW_NS + SECOND_NS)
        heard = await hear(response, 3)
        # As documented: "at most 4 a second": one event of universes in each batch; the slow columns come in the next
        assert [name for name, _ in heard] == ["house", "universes", "incident"]
        assert heard[2][1]["id"] == 8 and heard[1][1]["rows"][0][:2] == ["e131/1", "lost"]


async def test_an_incident_does_not_wait_for_the_next_batch(tmp_path: Path) -> None:
    async with running(tmp_path, snapshot=snapshot()) as run, run.client.get("/api/v1/events") as response:
        await hear(response, 3)
        soon = NOW_NS + SECOND_NS // 20
        run.show(replace(snapshot(), now_ns=soon, incidents=(incident(9),)), soon)
        assert [(name, data["id"]) for name, data in await hear(response, 1)] == [("incident", 9)]


async def test_one_universes_page_gets_its_levels(tmp_path: Path) -> None:
    async with running(tmp_path, snapshot=snapshot()) as run:
        async with run.client.get("/api/v1/events?universe=e131/1") as response:
            heard = dict(await hear(response, 5))
            assert heard["levels"]["levels"][:2] == [255, 128] and heard["universe"]["streams"]
            later = replace(snapshot(), now_ns=NOW_NS + SECOND_NS)
            later.levels[0, 0] = 7
            run.show(later, NOW_NS + SECOND_NS)
            heard = dict(await hear(response, 4))
            assert heard["levels"]["levels"][0] == 7
        await happens(lambda: not run.front.listeners.universes)


@pytest.mark.slow
async def test_two_hundred_listeners_are_reported_at_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Encoded once for all, at 512 universes. What it costs is this process' own time, which others cannot lengthen."""
    encoded: list[int] = []

    def counting(events: list[Event]) -> bytes:
        encoded.append(len(events))
        return feed.encode(events)

    async with running(tmp_path, snapshot=snapshot(512)) as run:
        url = run.client.make_url("/api/v1/events")
        async with aiohttp.ClientSession(connector=aiohttp.TCPConnector(limit=0)) as session:
            responses = await asyncio.gather(*(session.get(url) for _ in range(200)))
            await asyncio.gather(*(hear(response, 3) for response in responses))
            await happens(lambda: run.front.listeners.count == 200)
            later = replace(snapshot(512), now_ns=NOW_NS + SECOND_NS)
            later.universes["state"][5] = UniverseState.LOST
            monkeypatch.setattr(http_events, "encode", counting)
            run.show(later, NOW_NS + SECOND_NS)
            every_heard = await asyncio.gather(*(hear(response, 1) for response in responses))
            assert len(every_heard) == 200
            assert len(encoded) == 1
            for response in responses:
                response.close()
        await happens(lambda: run.front.listeners.count == 0)


async def test_who_falls_behind_is_dropped_and_the_others_go_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(http_events, "SEND_WITHIN_S", 1.0)
    async with running(tmp_path, snapshot=snapshot(500)) as run:
        # A listener that reads nothing at all: its socket and the server's buffer fill, then it is given up.
        sloth = socket.socket()
        sloth.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        sloth.connect((run.client.host, run.client.port))
        sloth.sendall(b"GET /api/v1/events HTTP/1.1\r\nHost: localhost\r\n\r\n")
        async with run.client.get("/api/v1/events") as response:
            await happens(lambda: run.front.listeners.count == 2)

            published = asyncio.Event()

            async def read_on() -> None:
                async for _ in response.content.iter_any():
                    published.set()

            reading = asyncio.create_task(read_on())
            later, now_ns = snapshot(500), NOW_NS
            deadline = time.monotonic() + PATIENCE_S
            while run.front.listeners.count == 2 and time.monotonic() < deadline:
                now_ns += SECOND_NS
                published.clear()
                later = replace(later, now_ns=now_ns)
                later.universes = {**later.universes, "state": (later.universes["state"] + 1) % 8}
                run.show(later, now_ns)
                await published.wait()
            assert run.front.listeners.count == 1
            run.show(replace(later, now_ns=now_ns + SECOND_NS), now_ns + SECOND_NS)
            async with run.client.get("/api/v1/house") as answer:
                assert (await answer.json())["listener"]["page_dropped_streams"] == 1
            async with run.client.get("/metrics") as answer:
                assert "slotwatch_page_dropped_streams_total 1.0" in await answer.text()
            reading.cancel()
        sloth.close()


async def test_who_leaves_was_not_dropped(tmp_path: Path) -> None:
    async with running(tmp_path, snapshot=snapshot()) as run:
        async with run.client.get("/api/v1/events") as response:
            await hear(response, 3)
        for number in range(1, 50):
            run.show(replace(snapshot(), now_ns=NOW_NS + number * SECOND_NS), NOW_NS + number * SECOND_NS)
            await asyncio.sleep(0.01)
        await happens(lambda: run.front.listeners.count == 0)
        assert run.front.listeners.dropped == 0


async def test_a_stop_closes_every_stream(tmp_path: Path) -> None:
    async with running(tmp_path, snapshot=snapshot()) as run:
        response = await run.client.get("/api/v1/events")
        await hear(response, 3)
        run.front.listeners.close()
        async with asyncio.timeout(PATIENCE_S):
            await response.content.read()


async def test_too_many_listeners_are_refused(tmp_path: Path) -> None:
    few = http_events.Listeners(most=1)
    async with (
        running(tmp_path, snapshot=snapshot(), listeners=few) as run,
        run.client.get("/api/v1/events") as response,
    ):
        await hear(response, 1)
        assert (await run.client.get("/api/v1/events")).status == 503


async def test_one_address_has_its_share_of_streams_and_a_newcomer_gets_one_of_theirs(tmp_path: Path) -> None:
    few = http_events.Listeners(most=4, most_of_one=3)
    async with running(tmp_path, snapshot=snapshot(), listeners=few) as run:
        url = run.client.make_url("/api/v1/events")

        def of(address: str) -> aiohttp.ClientSession:
            return aiohttp.ClientSession(connector=aiohttp.TCPConnector(local_addr=(address, 0)))

        async with of("127.0.0.8") as one, of("127.0.0.9") as two, of("127.0.0.10") as three:
            answers = [await one.get(url) for _ in range(4)]
            assert [answer.status for answer in answers] == [200, 200, 200, 503]
            assert "from this address" in (await answers[3].json())["error"]
            answers += [await two.get(url), await three.get(url)]
            assert [answer.status for answer in answers[4:]] == [200, 200], "one address held three of the four"
            await happens(lambda: few.count == 4)
            answers.append(await one.get(url))
            assert answers[-1].status == 503
            for answer in answers:
                answer.close()


async def test_silence_is_broken_by_a_comment(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(http_events, "KEEP_ALIVE_S", 0.05)
    async with running(tmp_path, snapshot=snapshot()) as run, run.client.get("/api/v1/events") as response:
        await hear(response, 3)
        async with asyncio.timeout(PATIENCE_S):
            while await response.content.readline() != b": \n":
                pass


def test_nothing_is_encoded_where_nobody_listens(monkeypatch: pytest.MonkeyPatch) -> None:
    encoded: list[object] = []
    monkeypatch.setattr(http_events, "encode", encoded.append)
    http_events.Listeners().publish([("house", {"text": "well"})])
    assert encoded == []
