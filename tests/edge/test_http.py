"""The whole front: it opens, follows the board, gives judging its memory, stops at once, says why it cannot open."""

from __future__ import annotations

import asyncio
import errno
import os
import shutil
import socket
import sqlite3
import ssl
import subprocess
import time
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import aiohttp
import pytest

from slotwatch.edge.history_archive import Archive
from slotwatch.edge.http import serve_front
from slotwatch.errors import EdgeError
from slotwatch.house.schema import History, House, Http
from tests.edge.front_house import Board, Judging, Packets
from tests.edge.test_history import until
from tests.views import fabricate
from tests.views.fabricate import incident, snapshot


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def house_at(place: Path, **http: Any) -> House:
    found = replace(fabricate.house(), file=str(place / "house.toml"), history=History(keep_days=3660))
    return replace(found, http=Http(port=free_port(), **http))


@asynccontextmanager
async def serving(house: House, board: Board, judging: Judging) -> AsyncIterator[str]:
    stop, ready = asyncio.Event(), asyncio.Event()
    packets = Packets(Path(house.file).parent)
    work = asyncio.create_task(serve_front(house, board, judging.ask, packets, stop, ready.set))
    waiting = asyncio.create_task(ready.wait())
    await asyncio.wait({work, waiting}, return_when=asyncio.FIRST_COMPLETED)
    waiting.cancel()
    try:
        if not work.done():
            yield f"{'https' if house.http.certificate_file else 'http'}://127.0.0.1:{house.http.port}"
    finally:
        stop.set()
        async with asyncio.timeout(5):
            await work


async def test_it_follows_the_board_and_stops_at_once(tmp_path: Path) -> None:
    board, judging = Board(), Judging()
    async with aiohttp.ClientSession() as session:
        async with serving(house_at(tmp_path), board, judging) as url:
            assert (await session.get(f"{url}/healthz")).status == 200
            board.show(snapshot())
            await until(lambda: judging.asked)
            assert judging.asked == [("resume", {"next_id": 1, "incidents": []})]
            events = await session.get(f"{url}/api/v1/events")
            assert (await events.content.readline()).startswith(b"retry:")
            before_s = time.monotonic()
            board.show(snapshot(incidents=(incident(11),)))
            async with asyncio.timeout(5):
                while b'"id":11' not in await events.content.readline():
                    pass
            assert time.monotonic() - before_s < 1.0, "within 250 ms on a quiet machine"
            before_s = time.monotonic()
        assert time.monotonic() - before_s < 3.0, (
            "an open stream does not hold the stop up; aiohttp's own default is 60 s"
        )
        async with asyncio.timeout(2):
            await events.content.read()  # and has been ended
    assert {one["id"] for one in Archive(tmp_path / "slotwatch.db").incidents()} == {3, 7, 11}


async def test_judging_that_begins_again_is_given_its_memory(tmp_path: Path) -> None:
    board, judging = Board(), Judging()
    async with serving(house_at(tmp_path), board, judging):
        board.show(snapshot())
        await until(lambda: judging.asked)
    judging.asked.clear()
    async with serving(house_at(tmp_path), board, judging):
        board.show(snapshot(incidents=()))
        await until(lambda: judging.asked)
        name, given = judging.asked[0]
        assert name == "resume" and given["next_id"] == 8 and [one["id"] for one in given["incidents"]] == [7]
        board.show(snapshot(incidents=(), started_ns=fabricate.NOW_NS - 1))
        await until(lambda: len(judging.asked) == 2)


async def test_a_port_that_is_taken_is_said_with_its_mend(tmp_path: Path) -> None:
    house = house_at(tmp_path)
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", house.http.port))
        taken.listen()
        with pytest.raises(EdgeError, match=f"cannot open 127.0.0.1:{house.http.port}") as found:
            await serve_front(house, Board(), Judging().ask, Packets(tmp_path), asyncio.Event(), lambda: None)
    assert found.value.errno == errno.EADDRINUSE and "ss -lntp" in found.value.lines[0]


async def test_it_opens_again_right_after_it_closed(tmp_path: Path) -> None:
    house, board, judging = house_at(tmp_path), Board(), Judging()
    for _ in range(3):
        async with serving(house, board, judging) as url, aiohttp.ClientSession() as session:
            assert (await session.get(f"{url}/healthz")).status == 200


@pytest.mark.skipif(
    shutil.which("openssl") is None and os.environ.get("CI") != "true", reason="needs openssl: apt-get install openssl"
)
async def test_tls(tmp_path: Path) -> None:
    command = ["openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes"]
    command += ["-keyout", "key.pem", "-out", "cert.pem", "-days", "2", "-subj", "/CN=localhost"]
    command += ["-addext", "subjectAltName=IP:127.0.0.1"]
    subprocess.run(command, cwd=tmp_path, check=True, capture_output=True)  # noqa: ASYNC221 a test may wait
    house = house_at(tmp_path, certificate_file="cert.pem", key_file="key.pem")
    trusted = ssl.create_default_context(cafile=str(tmp_path / "cert.pem"))
    async with serving(house, Board(), Judging()) as url, aiohttp.ClientSession() as session:
        assert (await session.get(f"{url}/healthz", ssl=trusted)).status == 200


async def test_a_certificate_that_cannot_be_used_is_said(tmp_path: Path) -> None:
    house = house_at(tmp_path, certificate_file="absent.pem", key_file="key.pem")
    with pytest.raises(EdgeError, match=r"cannot use the certificate absent\.pem"):
        await serve_front(house, Board(), Judging().ask, Packets(tmp_path), asyncio.Event(), lambda: None)


async def test_a_judging_process_that_refuses_is_asked_again_and_stops_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from slotwatch.edge import resumption

    monkeypatch.setattr(resumption, "AGAIN_S", 0.02)
    board, judging = Board(), Judging(refusal="not now")
    async with serving(house_at(tmp_path), board, judging) as url, aiohttp.ClientSession() as session:
        board.show(snapshot())
        await until(lambda: len(judging.asked) > 2)
        assert (await session.get(f"{url}/readyz")).status == 200
        judging.refusal = ""
        count = len(judging.asked)
        await until(lambda: len(judging.asked) > count)


async def test_a_follower_that_fails_is_said_and_takes_nobody_with_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    from tests.edge.front_house import running

    class Broken:
        name = "alertmanager"

        def note(self, snapshot: object) -> None:
            raise RuntimeError("not my day")

        def health(self) -> dict[str, Any]:
            return {"ok": True, "text": ""}

        async def run(self) -> None:
            raise RuntimeError("not my day")

    async with running(tmp_path) as run:
        run.front.followers.insert(0, Broken())
        run.show(snapshot())
        found = await (await run.client.get("/api/v1/house")).json()
        assert found["listener"]["trouble"] == ["Alertmanager failed by an internal fault: RuntimeError('not my day')."]
        assert found["listener"]["history"]["ok"]
        keeping = asyncio.create_task(run.front.keep_running(Broken()))
        await asyncio.sleep(0.05)
        assert not keeping.done()
        keeping.cancel()
    assert "not my day" in capsys.readouterr().err


async def test_a_fresh_judging_process_cannot_overwrite_the_hours_of_years(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from slotwatch.edge import resumption

    monkeypatch.setattr(resumption, "SETTLE_S", 0.0)
    lamp = {"circuit": "12", "on_h": 431.5, "full_equivalent_h": 120.0, "switched_on": 99}
    check = {
        "running": True,
        "started_wall_ms": 1_767_225_600_000,
        "started_ns": fabricate.NOW_NS,
        "done": [],
        "flagged": [],
    }
    board, judging = Board(), Judging()
    async with serving(house_at(tmp_path), board, judging):
        board.show(snapshot())
        await until(lambda: judging.asked)
        await asyncio.sleep(0.1)
        board.show(snapshot(hours=(lamp,), rig_check=check))
        await until(lambda: kept_hours(tmp_path) == [lamp])
    judging.asked.clear()
    judging.refusal = "judging is busy"
    monkeypatch.setattr(resumption, "AGAIN_S", 0.02)
    async with serving(house_at(tmp_path), board, judging):
        fresh = {**lamp, "on_h": 0.0}
        board.show(snapshot(hours=(fresh,), rig_check=None, started_ns=fabricate.NOW_NS - 1))
        await until(lambda: len(judging.asked) > 2)
        assert kept_hours(tmp_path) == [lamp], "its zeros wait until it knows the rest"
        judging.refusal = ""
        await until(lambda: judging.asked[-1][0] == "restore")
        assert judging.asked[-1][1] == {"hours": [lamp], "rig_check": check}
        await asyncio.sleep(0.1)
        board.show(snapshot(hours=({**lamp, "on_h": 431.6},), started_ns=fabricate.NOW_NS - 1))
        await until(lambda: kept_hours(tmp_path)[0]["on_h"] == 431.6)


def kept_hours(place: Path) -> list[dict[str, Any]]:
    try:
        return Archive(place / "slotwatch.db").hours()
    except sqlite3.Error:
        return []
