"""Streams as another listener asks for them, and the asking: tags, tokens, bounds, and servers that are none."""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import shutil
import socket
import ssl
import subprocess
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import msgspec
import pytest
from aiohttp import web
from aiohttp.test_utils import TestServer

from slotwatch.edge.front import elsewhere as module
from slotwatch.edge.front.elsewhere import MOST_BYTES, MOST_STREAMS, Answer, ElsewhereFetcher, NotReached, read_streams
from slotwatch.edge.shared import ended_tasks
from slotwatch.edge.shared.messages import Done
from slotwatch.edge.shared.messages.orders import FrontOrder, FrontResult, Noted, TakeListener
from slotwatch.house.schema import House
from slotwatch.house.witnesses import DeclaredListener
from slotwatch.snapshot.elsewhere import ListenerRow
from slotwatch.views.elsewhere import HeardThere
from slotwatch.views.streams import COMPACT
from slotwatch.wire.observation import ListenerSeen
from tests.edge.crossing import crossed
from tests.edge.front_house import running
from tests.patience import cancelled, happens, lose_a_cancel
from tests.ports import free_port
from tests.views import fabricate

needs_openssl = pytest.mark.skipif(
    shutil.which("openssl") is None and os.environ.get("CI") != "true", reason="needs openssl: apt-get install openssl"
)
Handler = Callable[[web.Request], Awaitable[web.StreamResponse]]


@dataclass
class Judging:
    seen: list[ListenerSeen] = field(default_factory=list)
    heard: dict[str, HeardThere] = field(default_factory=dict)

    async def ask(self, order: FrontOrder) -> Done[FrontResult]:
        arrived = crossed(order)
        assert isinstance(arrived, TakeListener)
        self.seen.append(arrived.seen)
        return Done(0, Noted())


@asynccontextmanager
async def asking(url: str, place: Path, **more: Any) -> AsyncIterator[Judging]:
    judging = Judging()
    house = House(file=str(place / "house.toml"), listeners=(DeclaredListener("stage end", url, **more),))
    task = asyncio.create_task(ElsewhereFetcher(house, judging.ask, judging.heard).run())
    try:
        yield judging
    finally:
        await cancelled(task)


@asynccontextmanager
async def serving(handler: Handler) -> AsyncIterator[str]:
    app = web.Application()
    app.add_routes([web.get("/api/v1/streams", handler)])
    async with TestServer(app) as server:
        yield str(server.make_url("")).rstrip("/")


async def test_streams_give_the_state_of_each_and_nothing_to_a_reader_that_has_it(tmp_path: Path) -> None:
    async with running(tmp_path, snapshot=fabricate.snapshot()) as front:
        answer = await front.client.get("/api/v1/streams")
        rows = await answer.json()
        tag = answer.headers["ETag"]
        assert {"universe", "network", "source", "address", "sequence", "frames", "missing", "last_frame_at"} <= set(
            rows[0]
        )
        assert {"refresh_hz", "joined", "last_frame_age_s", "judged"} <= set(rows[0])
        again = await front.client.get("/api/v1/streams", headers={"If-None-Match": tag})
        assert (again.status, again.headers["ETag"], await again.read()) == (304, tag, b"")
        later = fabricate.snapshot()
        later.sequence += 1
        front.show(later)
        newer = await front.client.get("/api/v1/streams", headers={"If-None-Match": tag})
        assert newer.status == 200
        assert newer.headers["ETag"] != tag


async def test_both_forms_of_an_answer_hold_the_same(tmp_path: Path) -> None:
    """Another listener asks for MessagePack and falls back to JSON, for which a version without it is enough."""
    async with running(tmp_path, snapshot=fabricate.snapshot(40)) as front:
        url = str(front.client.make_url("")).rstrip("/")
        async with asking(url, tmp_path) as judging:
            await happens(lambda: bool(judging.seen))
        text = await front.client.get("/api/v1/streams")
        compact = await front.client.get("/api/v1/streams", headers={"Accept": COMPACT})
        assert (compact.content_type, text.content_type) == (COMPACT, "application/json")
        assert compact.headers["ETag"] != text.headers["ETag"], "a tag is of one form (RFC 9110, 8.8.3)"
        assert compact.headers["Vary"] == text.headers["Vary"] == "Accept"
        again = await front.client.get(
            "/api/v1/streams", headers={"Accept": COMPACT, "If-None-Match": compact.headers["ETag"]}
        )
        assert again.status == 304
        body = await text.text()

        async def as_json(request: web.Request) -> web.Response:
            return web.Response(text=body, content_type="application/json")

        async with serving(as_json) as older, asking(older, tmp_path) as of_older:
            await happens(lambda: bool(of_older.seen))
    found, in_json = judging.seen[0].streams, of_older.seen[0].streams
    assert found and in_json and len(found) == 40
    # JSON rounds the age to milliseconds.
    rounded = [msgspec.structs.replace(one, age_ns=round(one.age_ns or 0, -6)) for one in found]
    assert rounded == list(in_json)


async def test_what_one_says_the_other_one_reads(tmp_path: Path) -> None:
    (tmp_path / "token").write_text("a" * 32 + "\n")
    http = {"read": "token", "token_file": "token"}
    async with running(tmp_path, snapshot=fabricate.snapshot(), **http) as front:
        url = str(front.client.make_url("")).rstrip("/")
        async with asking(url, tmp_path, token_file="token") as judging:
            await happens(lambda: len(judging.seen) >= 2)
        async with asking(url, tmp_path) as refused:
            await happens(lambda: bool(refused.seen))
    first, second = judging.seen[:2]
    assert (first.reached, first.name) == (True, "stage end")
    assert first.streams is not None
    assert first.streams[0].universe == "e131/1"
    assert first.streams[0].source == str(fabricate.CID)
    # The second request has the tag, and nothing is new.
    assert (second.reached, second.streams) == (True, None)
    assert (refused.seen[0].reached, refused.seen[0].reason) == (False, "it needs a token")


async def test_a_listener_that_hangs_is_left_after_a_time_and_asked_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "ANSWER_WITHIN_S", 1.0)

    async def hang(request: web.Request) -> web.StreamResponse:
        await asyncio.sleep(60)
        return web.Response()

    async with serving(hang) as url, asking(url, tmp_path) as judging:
        await happens(lambda: len(judging.seen) >= 2)
    assert {(one.reached, one.reason) for one in judging.seen} == {(False, "no answer within 1 s")}


async def test_an_answer_without_end_is_not_kept(tmp_path: Path) -> None:
    async def flood(request: web.Request) -> web.StreamResponse:
        response = web.StreamResponse()
        await response.prepare(request)
        try:
            for _ in range(2 * MOST_BYTES // 65536):
                await response.write(b"[" * 65536)
        except ConnectionError:
            pass
        return response

    async with serving(flood) as url, asking(url, tmp_path) as judging:
        await happens(lambda: bool(judging.seen))
    assert judging.seen[0].reason == "its answer is longer than 8 MiB"


@pytest.mark.parametrize(
    ("count", "reason"), [(3, ""), (5000, "it sends interim answers (100 Continue) and no answer")]
)
async def test_interim_answers_are_read_up_to_a_bound(tmp_path: Path, count: int, reason: str) -> None:
    """RFC 9110 15.2: a client reads past one or more of them, also where it expected none."""

    async def answer(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        with contextlib.suppress(ConnectionError):
            await reader.readuntil(b"\r\n\r\n")
            writer.write(b"HTTP/1.1 100 Continue\r\n\r\n" * count)
            writer.write(b"HTTP/1.1 200 OK\r\nContent-Type: application/json\r\nContent-Length: 2\r\n\r\n[]")
            await writer.drain()
        writer.close()

    async with (
        await asyncio.start_server(answer, "127.0.0.1", 0) as server,
        asking(f"http://127.0.0.1:{server.sockets[0].getsockname()[1]}", tmp_path) as judging,
    ):
        await happens(lambda: bool(judging.seen))
    assert (judging.seen[0].reached, judging.seen[0].reason) == (not reason, reason)


async def test_what_is_no_list_of_streams_is_reported_to_be_none(tmp_path: Path) -> None:
    bodies = [b"<html>", b"{}", b'[{"universe": 1}]', b"[" * 5000, b"\xff\xfe"]

    for body in bodies:

        async def answer(request: web.Request, body: bytes = body) -> web.StreamResponse:
            return web.Response(body=body)

        async with serving(answer) as url, asking(url, tmp_path) as judging:
            await happens(lambda judging=judging: bool(judging.seen))
        assert not judging.seen[0].reached
        assert judging.seen[0].reason.startswith("its answer is not understood")


def test_a_compact_answer_beyond_its_bounds_is_refused() -> None:
    good: list[object] = ["e131/1", "A", "desk", 7, 44, 0, 1000, "live", True, "desk", 44.0]
    wrong: dict[int, object] = {0: "e" * 257, 3: 256, 4: -1, 5: 2**60, 6: -1, 8: "yes", 10: 1e9}
    bodies = [msgspec.msgpack.encode([[*good[:at], value, *good[at + 1 :]]]) for at, value in wrong.items()]
    bodies += [b"", b"\xc1", msgspec.msgpack.encode([good])[:-1], msgspec.msgpack.encode([good] * (MOST_STREAMS + 1))]
    (one,) = read_streams(Answer(msgspec.msgpack.encode([good]), True, ""))
    assert (one.universe, one.frames, one.name) == ("e131/1", 44, "desk")
    for body in bodies:
        with pytest.raises(NotReached, match="its answer is not understood"):
            read_streams(Answer(body, True, ""))


async def test_no_redirect_is_followed_and_a_closed_port_is_reported(tmp_path: Path) -> None:
    async def redirect(request: web.Request) -> web.StreamResponse:
        raise web.HTTPFound("http://192.0.2.1/")

    async with serving(redirect) as url, asking(url, tmp_path) as judging:
        await happens(lambda: bool(judging.seen))
    assert judging.seen[0].reason == "it answered 302"
    async with asking(url, tmp_path) as judging:
        await happens(lambda: bool(judging.seen))
    assert judging.seen[0].reason.startswith("it cannot be reached")


async def test_a_missing_token_file_is_reported(tmp_path: Path) -> None:
    async with asking("http://127.0.0.1:9", tmp_path, token_file="none") as judging:
        await happens(lambda: bool(judging.seen))
    assert "cannot be read" in judging.seen[0].reason


async def test_other_listeners_are_listed(tmp_path: Path) -> None:
    row = ListenerRow("stage end", "http://10.20.0.6:8580", "FOH", True, True, "", fabricate.NOW_NS, 3)
    async with running(tmp_path, snapshot=replace(fabricate.snapshot(), listeners=(row,))) as front:
        (listener,) = await (await front.client.get("/api/v1/listeners")).json()
        metrics = await (await front.client.get("/metrics")).text()
    assert listener["last_reached_at"] == "2026-01-01T00:00:00.000Z"
    assert (listener["name"], listener["reached"]) == ("stage end", True)
    assert 'slotwatch_listener_reachable{listener="stage end"} 1.0' in metrics


@needs_openssl
async def test_a_certificate_is_checked_against_the_declared_one(tmp_path: Path) -> None:
    """https with a certificate of its own: reached with that as ca_file, and with no other."""
    for name in ("stage", "stranger"):
        words = (
            f"req -x509 -newkey rsa:2048 -nodes -days 2 -subj /CN={name} -addext subjectAltName=IP:127.0.0.1".split()
        )
        files = ["-keyout", str(tmp_path / f"{name}.key"), "-out", str(tmp_path / f"{name}.pem")]
        await asyncio.to_thread(subprocess.run, ["openssl", *words, *files], check=True, capture_output=True)
    context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
    context.load_cert_chain(tmp_path / "stage.pem", tmp_path / "stage.key")
    app = web.Application()

    async def answer(request: web.Request) -> web.Response:
        return web.json_response([])

    app.add_routes([web.get("/api/v1/streams", answer)])
    server = TestServer(app, scheme="https")
    await server.start_server(ssl=context)
    url = f"https://127.0.0.1:{server.port}"
    try:
        async with asking(url, tmp_path, ca_file="stage.pem") as known:
            await happens(lambda: known.seen)
        async with asking(url, tmp_path, ca_file="stranger.pem") as unknown:
            await happens(lambda: unknown.seen)
    finally:
        await server.close()
    assert known.seen[0].reached
    assert (unknown.seen[0].reached, unknown.seen[0].reason) == (False, "its certificate is not trusted")


async def test_one_universe_is_given_here_and_there(tmp_path: Path) -> None:
    """What the other one answered last is listed beside the own streams; one that is not reached has none."""
    seen = fabricate.snapshot()
    seen.listeners = tuple(
        ListenerRow(name, f"http://10.20.0.{n}:8580", "FOH", n == 6, n == 6, "" if n == 6 else "no answer", 0, 1)
        for n, name in ((6, "stage end"), (7, "truck"))
    )
    async with running(tmp_path, snapshot=seen) as other:
        text = await (await other.client.get("/api/v1/streams")).text()
        rows = json.loads(text)

        async def as_it_is(request: web.Request) -> web.Response:
            return web.Response(text=text, content_type="application/json")

        async with serving(as_it_is) as url, asking(url, tmp_path) as judging:
            await happens(lambda: judging.heard)
            other.front.heard_there.update(judging.heard)
        answer = await (await other.client.get("/api/v1/universes/e131/1/elsewhere")).json()
    mine = [row for row in rows if row["universe"] == "e131/1"]
    assert mine and answer["here"] == mine
    there, truck = answer["there"]
    assert (there["listener"], there["reached"], truck["reached"], truck["streams"]) == ("stage end", True, False, [])
    kept = (
        "source",
        "name",
        "network",
        "state",
        "frames",
        "missing",
        "last_frame_age_s",
        "refresh_hz",
        "wins",
        "interval_max_ms",
    )
    # What arrives without having been asked for may stop at any time: its silence says nothing.
    judged = [{"judged": row["judged"] and row["joined"] is not False} for row in mine]
    assert there["streams"] == [
        {name: row[name] for name in kept} | more for row, more in zip(mine, judged, strict=True)
    ]


async def test_a_stop_is_a_stop_although_one_of_its_tasks_loses_the_cancel(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Libraries lose one: see ended_tasks.py."""
    asked = asyncio.Event()

    async def ask(_order: FrontOrder) -> Done[FrontResult]:
        asked.set()
        await lose_a_cancel()
        return Done(0, Noted())

    monkeypatch.setattr(ended_tasks, "AGAIN_AFTER_S", 0.01)
    listener = DeclaredListener("stage end", f"http://127.0.0.1:{free_port(socket.SOCK_STREAM)}")
    house = House(file=str(tmp_path / "house.toml"), listeners=(listener,))
    task = asyncio.create_task(ElsewhereFetcher(house, ask, {}).run())
    await asked.wait()
    await cancelled(task)
    assert task.cancelled()
