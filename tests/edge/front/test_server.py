"""The whole front: it opens, follows the snapshots, gives judging its memory, stops at once, says why it cannot."""

from __future__ import annotations

import asyncio
import contextlib
import errno
import os
import shutil
import socket
import sqlite3
import ssl
import subprocess
import threading
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import aiohttp
import pytest

from slotwatch import clock
from slotwatch.edge.front import server as server_module
from slotwatch.edge.front.certificate import KeptPair, PageCertificate
from slotwatch.edge.front.heartbeat import HeartbeatSender
from slotwatch.edge.front.history_archive import Archive
from slotwatch.edge.front.server import Server
from slotwatch.edge.shared import ended_tasks
from slotwatch.errors import EdgeError
from slotwatch.house.outgoing import Alerts, Heartbeat, Mqtt
from slotwatch.house.schema import House
from slotwatch.house.service import HistoryTerms, Http
from slotwatch.judge.orders import Restore, Resume
from slotwatch.snapshot.rig_check import RigCheckMemory, RigCheckRow
from slotwatch.snapshot.stage import LampHours
from slotwatch.snapshot.switches import LastShowRow
from tests.edge.front_house import Judging, MadeUpSnapshots, Packets
from tests.patience import PATIENCE_S, happens
from tests.ports import free_port
from tests.views import fabricate
from tests.views.fabricate import incident, listening, snapshot


def house_at(place: Path, **http: Any) -> House:
    found = replace(fabricate.house(), file=str(place / "house.toml"), history=HistoryTerms(keep_days=3660))
    return replace(found, http=Http(port=free_port(socket.SOCK_STREAM), **http))


def made(house: House, snapshots: MadeUpSnapshots, judging: Judging, kept: KeptPair | None = None) -> Server:
    return Server(house, snapshots, judging.ask, lambda house: Packets(Path(house.file).parent), kept_pair=kept)


@asynccontextmanager
async def serving(house: House, snapshots: MadeUpSnapshots, judging: Judging) -> AsyncIterator[str]:
    async with served(house, snapshots, judging) as server:
        if server is not None:
            yield f"{'https' if house.http.certificate_file else 'http'}://127.0.0.1:{house.http.port}"


@asynccontextmanager
async def served(
    house: House, snapshots: MadeUpSnapshots, judging: Judging, kept: KeptPair | None = None
) -> AsyncIterator[Server | None]:
    """The server; None if it could not open, and then its fault at the end."""
    stop, ready = asyncio.Event(), asyncio.Event()
    shown = snapshots.snapshot or listening()
    shown.house.listener = replace(shown.house.listener, intake=listening().house.listener.intake)
    snapshots.show(shown)
    server = made(house, snapshots, judging, kept)
    work = asyncio.create_task(server.serve(stop, ready.set))
    waiting = asyncio.create_task(ready.wait())
    await asyncio.wait({work, waiting}, return_when=asyncio.FIRST_COMPLETED)
    waiting.cancel()
    try:
        yield None if work.done() else server
    finally:
        stop.set()
        async with asyncio.timeout(PATIENCE_S):
            await work


async def status_of(session: aiohttp.ClientSession, url: str, **more: Any) -> int:
    """Ask, and let go of the answer at once: a connection that the collector closes is a warning."""
    async with session.get(url, **more) as answer:
        return answer.status


async def answer_of(session: aiohttp.ClientSession, url: str) -> Any:
    async with session.get(url) as answer:
        return await answer.json()


async def test_it_follows_the_snapshots_and_stops_at_once(tmp_path: Path) -> None:
    snapshots, judging = MadeUpSnapshots(), Judging()
    async with aiohttp.ClientSession() as session:
        async with serving(house_at(tmp_path), snapshots, judging) as url:
            assert await status_of(session, f"{url}/healthz") == 200
            snapshots.show(snapshot())
            await happens(lambda: judging.asked)
            assert judging.asked == [Resume()]
            # What is published once judging has its memory is kept.
            await happens(lambda: snapshots.show(snapshot()) or len(kept(tmp_path / "slotwatch.db")) == 2)
            events = await session.get(f"{url}/api/v1/events")
            assert (await events.content.readline()).startswith(b"retry:")
            snapshots.show(snapshot(incidents=(incident(11),)))
            async with asyncio.timeout(PATIENCE_S):
                while b'"id":11' not in await events.content.readline():
                    pass
        # An open stream does not hold the stop up: it was ended, and not broken off at the end of the time for a stop.
        async with asyncio.timeout(PATIENCE_S):
            await events.content.read()
        events.close()
    assert {one["id"] for one in Archive(tmp_path / "slotwatch.db").incidents()} == {3, 7, 11}


async def test_judging_that_begins_again_is_given_its_memory(tmp_path: Path) -> None:
    snapshots, judging = MadeUpSnapshots(), Judging()
    async with serving(house_at(tmp_path), snapshots, judging):
        await happens(lambda: snapshots.show(snapshot()) or len(kept(tmp_path / "slotwatch.db")) == 2)
    judging.asked.clear()
    async with serving(house_at(tmp_path), snapshots, judging):
        snapshots.show(snapshot(incidents=()))
        await happens(lambda: judging.asked)
        order = judging.asked[0]
        assert isinstance(order, Resume) and order.next_id == 8 and [one.id for one in order.incidents] == [7]
        snapshots.show(snapshot(incidents=(), started_ns=fabricate.NOW_NS - 1))
        await happens(lambda: len(judging.asked) == 2)


async def test_judging_is_given_what_the_last_show_had(tmp_path: Path) -> None:
    row = LastShowRow(1_000, (("A", "02:00:00:00:00:01", "14", "port 14 of switch FOH"),), (("FOH", "3", 1000),))
    seen = snapshot()
    seen.house.last_show = row
    snapshots, judging = MadeUpSnapshots(), Judging()
    async with serving(house_at(tmp_path), snapshots, judging):
        await happens(lambda: snapshots.show(seen) or "last show" in state_at(tmp_path))
    judging.asked.clear()
    async with serving(house_at(tmp_path), snapshots, judging):
        snapshots.show(snapshot(incidents=()))
        await happens(lambda: judging.asked)
        (order,) = (one for one in judging.asked if isinstance(one, Resume))
    assert order.last_show is not None
    assert (order.last_show.since_wall_ns, order.last_show.leads, order.last_show.speeds) == tuple(row)


def state_at(place: Path) -> dict[str, dict[str, Any]]:
    try:
        return Archive(place / "slotwatch.db").state()
    except sqlite3.Error:
        return {}


@pytest.mark.parametrize("is_orphan", (False, True))
async def test_only_an_ordered_stop_is_kept_as_a_clean_end(tmp_path: Path, is_orphan: bool) -> None:
    """When the parent is killed, this process sees its lifeline close a moment before it is killed too."""
    snapshots, judging = MadeUpSnapshots(), Judging()
    async with served(house_at(tmp_path), snapshots, judging) as server:
        assert server is not None
        await happens(lambda: snapshots.show(snapshot()) or len(kept(tmp_path / "slotwatch.db")) == 2)
        server.is_orphan = is_orphan
    assert Archive(tmp_path / "slotwatch.db").state()["alive"]["stopped"] is not is_orphan


async def test_a_port_that_is_taken_is_reported_with_advice(tmp_path: Path) -> None:
    house = house_at(tmp_path)
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", house.http.port))
        taken.listen()
        with pytest.raises(EdgeError, match=f"cannot open 127.0.0.1:{house.http.port}") as found:
            await made(house, MadeUpSnapshots(), Judging()).serve(asyncio.Event(), lambda: None)
    assert found.value.errno == errno.EADDRINUSE and "ss -lntp" in found.value.lines[0]
    assert f"(process {os.getpid()})" in found.value.lines[0], "who holds it"
    assert not (tmp_path / "slotwatch.db").exists(), "what ends at once has not begun with the history"


async def test_it_opens_again_right_after_it_closed(tmp_path: Path) -> None:
    house, snapshots, judging = house_at(tmp_path), MadeUpSnapshots(), Judging()
    for _ in range(3):
        async with serving(house, snapshots, judging) as url, aiohttp.ClientSession() as session:
            assert await status_of(session, f"{url}/healthz") == 200


needs_openssl = pytest.mark.skipif(
    shutil.which("openssl") is None and os.environ.get("CI") != "true", reason="needs openssl: apt-get install openssl"
)


def certify(place: Path, certificate: str = "cert.pem", key: str = "key.pem") -> None:
    command = ["openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes"]
    command += ["-keyout", key, "-out", certificate, "-days", "2", "-subj", "/CN=localhost"]
    command += ["-addext", "subjectAltName=IP:127.0.0.1"]
    subprocess.run(command, cwd=place, check=True, capture_output=True)


@needs_openssl
async def test_tls(tmp_path: Path) -> None:
    certify(tmp_path)
    house = house_at(tmp_path, certificate_file="cert.pem", key_file="key.pem")
    trusted = ssl.create_default_context(cafile=str(tmp_path / "cert.pem"))
    async with serving(house, MadeUpSnapshots(), Judging()) as url, aiohttp.ClientSession() as session:
        assert await status_of(session, f"{url}/healthz", ssl=trusted) == 200


async def test_a_certificate_that_cannot_be_used_is_reported(tmp_path: Path) -> None:
    house = house_at(tmp_path, certificate_file="absent.pem", key_file="key.pem")
    with pytest.raises(EdgeError, match=r"cannot use the certificate absent\.pem: absent\.pem does not exist"):
        await made(house, MadeUpSnapshots(), Judging()).serve(asyncio.Event(), lambda: None)


@needs_openssl
async def test_a_key_that_is_a_pipe_or_needs_a_passphrase_is_reported_and_waited_for_by_nobody(tmp_path: Path) -> None:
    certify(tmp_path)
    house = house_at(tmp_path, certificate_file="cert.pem", key_file="other.pem")

    def refused() -> str:
        with pytest.raises(EdgeError) as found:
            PageCertificate(house)
        return str(found.value)

    words = ["openssl", "pkey", "-aes256", "-passout", "pass:secret", "-in", "key.pem", "-out", "other.pem"]
    await asyncio.to_thread(subprocess.run, words, cwd=tmp_path, check=True, capture_output=True)
    assert "other.pem needs a passphrase" in refused()
    (tmp_path / "other.pem").unlink()
    os.mkfifo(tmp_path / "other.pem")
    assert "other.pem is not an ordinary file" in refused()
    (tmp_path / "other.pem").unlink()
    (tmp_path / "other.pem").write_text("rubbish")
    assert "no PEM certificate with its key" in refused()
    certify(tmp_path, "strange.pem", "other.pem")
    assert "the key belongs to another certificate" in refused()


@needs_openssl
async def test_a_reload_takes_a_certificate_that_was_renewed_in_its_files_and_goes_on_without_one_in_renewal(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The house file is the same, as after a renewal by a timer."""
    certify(tmp_path)
    house = house_at(tmp_path, certificate_file="cert.pem", key_file="key.pem")

    def served_certificate() -> str:
        return ssl.get_server_certificate(("127.0.0.1", house.http.port))

    async with served(house, MadeUpSnapshots(), Judging()) as server:
        assert server is not None
        trouble = server.front.own_health
        first = await asyncio.to_thread(served_certificate)
        certify(tmp_path)
        await server.take_house(replace(house, time_zone="Europe/Paris"))
        second = await asyncio.to_thread(served_certificate)
        assert second == (tmp_path / "cert.pem").read_text() != first
        assert trouble()["page"] == {"ok": True, "text": ""}
        # In the middle of a renewal: the new certificate with the old key, half of it, and none.
        certify(tmp_path, "cert.pem", "strange.pem")
        third = (tmp_path / "cert.pem").read_text()
        for zone, pem, reason in (
            ("Europe/Oslo", third, "the key belongs to another certificate"),
            ("Europe/Rome", third[:300], "no PEM certificate with its key is in them"),
            ("Europe/Bern", None, "cert.pem does not exist"),
        ):
            (tmp_path / "cert.pem").unlink()
            if pem is not None:
                (tmp_path / "cert.pem").write_text(pem)
            house = replace(house, time_zone=zone)
            await server.take_house(house)
            assert server.front.house.time_zone == zone, "the house is taken all the same"
            assert f"cannot use the certificate cert.pem: {reason}. The page keeps the one" in str(trouble()["page"])
            assert any(reason in text for text in server.front.troubles())
            assert await asyncio.to_thread(served_certificate) == second
            assert reason in capsys.readouterr().err
        other = replace(house, http=replace(house.http, port=free_port(socket.SOCK_STREAM)))
        await server.take_house(other)  # a page that moves meanwhile takes the certificate along
        house = other
        assert await asyncio.to_thread(served_certificate) == second
        (tmp_path / "cert.pem").write_text(third)
        (tmp_path / "key.pem").write_bytes((tmp_path / "strange.pem").read_bytes())
        await server.take_house(house)
        assert await asyncio.to_thread(served_certificate) == third
        assert trouble()["page"] == {"ok": True, "text": ""}
        with pytest.raises(EdgeError, match=r"absent\.pem does not exist"):
            await server.take_house(replace(house, http=replace(house.http, certificate_file="absent.pem")))
        assert await asyncio.to_thread(served_certificate) == third


@needs_openssl
async def test_a_certificate_that_is_renewed_in_its_files_is_taken_by_itself(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """As a timer renews it that reloads nothing (RFC 8555 clients write the chain and the key one after the other)."""
    monkeypatch.setattr(server_module, "CERTIFICATE_S", 0.02)
    certify(tmp_path)
    house = house_at(tmp_path, certificate_file="cert.pem", key_file="key.pem")
    async with served(house, MadeUpSnapshots(), Judging()) as server:
        assert server is not None

        def serves(name: str) -> bool:
            found = ssl.get_server_certificate(("127.0.0.1", house.http.port))
            return found == (tmp_path / name).read_text()

        async def comes(name: str) -> None:
            for _ in range(2000):
                if await asyncio.to_thread(serves, name):
                    return
            pytest.fail(f"{name} is not served")

        await comes("cert.pem")
        first = (tmp_path / "cert.pem").read_text()
        certify(tmp_path, "next.pem", "next-key.pem")
        (tmp_path / "next.pem").replace(tmp_path / "cert.pem")
        await happens(lambda: "the key belongs to another certificate" in str(server.front.own_health()["page"]))
        (tmp_path / "first.pem").write_text(first)
        assert await asyncio.to_thread(serves, "first.pem")
        (tmp_path / "next-key.pem").replace(tmp_path / "key.pem")
        await comes("cert.pem")
        assert server.front.own_health()["page"] == {"ok": True, "text": ""}
        assert capsys.readouterr().err.count("was not taken") == 1, "said once, not at each look"


@needs_openssl
async def test_a_page_that_is_restarted_in_a_renewal_has_the_certificate_of_before(tmp_path: Path) -> None:
    certify(tmp_path)
    first = (tmp_path / "cert.pem").read_text()
    house = house_at(tmp_path, certificate_file="cert.pem", key_file="key.pem")
    fd = os.memfd_create("pair")
    try:
        kept = KeptPair(fd)
        assert PageCertificate(house, kept).trouble == ""
        (tmp_path / "key.pem").unlink()
        with pytest.raises(EdgeError, match=r"key\.pem does not exist"):
            PageCertificate(house)
        other = replace(house, http=replace(house.http, certificate_file="other.pem"))
        with pytest.raises(EdgeError, match=r"other\.pem does not exist"):
            PageCertificate(other, kept)
        async with served(house, MadeUpSnapshots(), Judging(), kept) as server:
            assert server is not None
            port = house.http.port
            assert await asyncio.to_thread(ssl.get_server_certificate, ("127.0.0.1", port)) == first
            assert "key.pem does not exist. The page keeps the one that it had" in str(
                server.front.own_health()["page"]
            )
    finally:
        os.close(fd)


@needs_openssl
def test_a_pair_that_is_renewed_while_it_is_read_is_not_kept_half(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The certificate first, then its key: in between the files are no pair."""
    certify(tmp_path)
    certify(tmp_path, "next.pem", "next-key.pem")
    house = house_at(tmp_path, certificate_file="cert.pem", key_file="key.pem")
    load = ssl.SSLContext.load_cert_chain

    def load_and_renew(*names: Any) -> None:
        load(*names)
        with contextlib.suppress(FileNotFoundError):
            (tmp_path / "next.pem").rename(tmp_path / "cert.pem")

    fd = os.memfd_create("kept")
    try:
        kept = KeptPair(fd)
        PageCertificate(house, kept)
        monkeypatch.setattr(ssl.SSLContext, "load_cert_chain", load_and_renew)
        PageCertificate(house, kept)  # reads a pair; what is in its files afterwards is none
        assert "the key belongs to another certificate. The page keeps" in PageCertificate(house, kept).trouble
        (tmp_path / "next-key.pem").rename(tmp_path / "key.pem")
        assert PageCertificate(house, kept).trouble == ""
    finally:
        os.close(fd)


@needs_openssl
def test_a_kept_pair_that_cannot_be_used_leaves_the_reason_of_the_files(tmp_path: Path) -> None:
    certify(tmp_path)
    house = house_at(tmp_path, certificate_file="cert.pem", key_file="key.pem")
    fd = os.memfd_create("kept")
    try:
        kept = KeptPair(fd)
        PageCertificate(house, kept)
        os.ftruncate(fd, os.fstat(fd).st_size - 100)
        (tmp_path / "key.pem").unlink()
        with pytest.raises(EdgeError, match=r"cannot use the certificate cert\.pem: key\.pem does not exist"):
            PageCertificate(house, kept)
    finally:
        os.close(fd)


@needs_openssl
async def test_a_certificate_that_ended_is_a_trouble_of_the_page(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    certify(tmp_path)
    certificate = PageCertificate(house_at(tmp_path, certificate_file="cert.pem", key_file="key.pem"))
    assert certificate.trouble == ""
    words = ["openssl", "x509", "-in", "cert.pem", "-noout", "-enddate", "-dateopt", "iso_8601"]
    ends = await asyncio.to_thread(subprocess.run, words, cwd=tmp_path, check=True, capture_output=True, text=True)
    day, minute = ends.stdout.removeprefix("notAfter=")[:16].split(" ")
    now_ns = clock.wall_ns()
    monkeypatch.setattr(clock, "wall_ns", lambda: now_ns + 3 * 86_400_000_000_000)
    assert f"The certificate of the page ended on {day}, {minute} UTC: browsers warn of it." == certificate.trouble
    monkeypatch.setattr(clock, "wall_ns", lambda: now_ns - 3 * 86_400_000_000_000)
    assert "begins on" in certificate.trouble


@asynccontextmanager
async def knocking(port: int) -> AsyncIterator[list[str]]:
    """Ask all the time from a thread of its own while the block runs; gives what was refused or not answered."""
    over, wrong = threading.Event(), list[str]()

    def knock() -> None:
        while not over.wait(0.001):
            try:
                with socket.create_connection(("127.0.0.1", port), timeout=PATIENCE_S) as sock:
                    sock.sendall(b"GET /healthz HTTP/1.0\r\n\r\n")
                    while sock.recv(1000):
                        pass
            except OSError as error:
                wrong.append(repr(error))

    thread = threading.Thread(target=knock)
    thread.start()
    try:
        yield wrong
    finally:
        over.set()
        await asyncio.to_thread(thread.join)


async def test_another_house_is_taken_in_the_running_server(tmp_path: Path) -> None:
    house, snapshots = house_at(tmp_path), MadeUpSnapshots()
    house = replace(house, alerts=Alerts(), mqtt=Mqtt())
    async with (
        served(house, snapshots, Judging()) as server,
        knocking(house.http.port) as wrong,
        aiohttp.ClientSession() as session,
    ):
        assert server is not None
        snapshots.show(snapshot())
        url = f"http://127.0.0.1:{house.http.port}"
        await happens(lambda: server.front.sheet)
        events = await session.get(f"{url}/api/v1/events")
        assert (await events.content.readline()).startswith(b"retry:")
        # Nobody listens at these: what follows is there and says so, and nothing else suffers.
        alerts = Alerts(alertmanager_urls=(f"http://127.0.0.1:{free_port(socket.SOCK_STREAM)}",))
        other = replace(
            house,
            time_zone="Europe/Paris",
            alerts=alerts,
            mqtt=Mqtt(host="127.0.0.1", port=free_port(socket.SOCK_STREAM)),
            history=HistoryTerms(path="other.db", keep_days=3660),
        )
        await server.take_house(other)
        found = await answer_of(session, f"{url}/api/v1/house")
        assert found["time_zone"] == "Europe/Paris"
        assert {"alertmanager", "mqtt"} <= found["listener"].keys()
        snapshots.show(snapshot(incidents=(incident(11),)))
        async with asyncio.timeout(PATIENCE_S):
            while b'"id":11' not in await events.content.readline():
                pass
        await happens(lambda: 11 in {one["id"] for one in kept(tmp_path / "other.db")})
        await server.take_house(house)
        found = await answer_of(session, f"{url}/api/v1/house")
        assert found["time_zone"] == house.time_zone and not {"alertmanager", "mqtt"} & found["listener"].keys()
        events.close()
    assert wrong == []


async def test_a_house_with_another_port_moves_the_page_and_one_that_cannot_open_changes_nothing(
    tmp_path: Path,
) -> None:
    house, snapshots = house_at(tmp_path), MadeUpSnapshots()
    async with served(house, snapshots, Judging()) as server, aiohttp.ClientSession() as session:
        assert server is not None
        snapshots.show(snapshot())
        await happens(lambda: server.front.sheet)
        old = f"http://127.0.0.1:{house.http.port}"
        events = await session.get(f"{old}/api/v1/events")
        with socket.socket() as taken:
            taken.bind(("127.0.0.1", 0))
            taken.listen()
            elsewhere = replace(house, http=replace(house.http, port=taken.getsockname()[1]))
            with pytest.raises(EdgeError, match="cannot open"):
                await server.take_house(replace(elsewhere, time_zone="Europe/Paris"))
        found = await answer_of(session, f"{old}/api/v1/house")
        assert found["time_zone"] == house.time_zone
        assert not events.content.at_eof()
        # The same port at every address: both cannot be open at once.
        wide = replace(house, http=replace(house.http, host="0.0.0.0"))
        await server.take_house(wide)
        async with asyncio.timeout(PATIENCE_S):
            await events.content.read()
        events.close()
        async with session.get(f"{old}/healthz") as answer:
            assert answer.status == 200
        found = await answer_of(session, f"{old}/api/v1/house")
        assert "no token_file is declared" in found["listener"]["page"]["text"], "the guard goes by the new address"
        async with session.put(f"{old}/api/v1/house/phase", json={"phase": "dark"}) as answer:
            assert answer.status == 403
        await server.take_house(elsewhere)
        async with session.get(f"http://127.0.0.1:{elsewhere.http.port}/healthz") as answer:
            assert answer.status == 200
        with pytest.raises(aiohttp.ClientConnectorError):
            await session.get(f"{old}/healthz")


@needs_openssl
async def test_a_certificate_comes_into_the_running_server_and_who_knocks_meanwhile_waits(tmp_path: Path) -> None:
    certify(tmp_path)
    house, snapshots = house_at(tmp_path), MadeUpSnapshots()
    secured = replace(house, http=replace(house.http, certificate_file="cert.pem", key_file="key.pem"))
    trusted = ssl.create_default_context(cafile=str(tmp_path / "cert.pem"))
    async with (
        served(house, snapshots, Judging()) as server,
        knocking(house.http.port) as wrong,
        aiohttp.ClientSession() as session,
    ):
        assert server is not None
        place = f"127.0.0.1:{house.http.port}"
        for _ in range(3):
            await server.take_house(secured)
            assert await status_of(session, f"https://{place}/healthz", ssl=trusted) == 200
            await server.take_house(house)
            assert await status_of(session, f"http://{place}/healthz") == 200
    assert not [fault for fault in wrong if "Refused" in fault], "it waits; a plain request to TLS fails otherwise"


async def test_it_is_ready_once_the_address_for_it_says_so(tmp_path: Path) -> None:
    """Who waits for the service manager's word and asks then must not be told to try again."""
    house, snapshots, stop, ready = house_at(tmp_path), MadeUpSnapshots(), asyncio.Event(), asyncio.Event()
    snapshots.show(snapshot())
    server = made(house, snapshots, Judging())
    work = asyncio.create_task(server.serve(stop, ready.set))
    await happens(lambda: server.front.sheet is not None)
    assert not ready.is_set(), "intake has opened nothing yet"
    snapshots.show(listening())
    await asyncio.wait_for(ready.wait(), PATIENCE_S)
    async with aiohttp.ClientSession() as session:
        assert await status_of(session, f"http://127.0.0.1:{house.http.port}/readyz") == 200
    stop.set()
    await asyncio.wait_for(work, PATIENCE_S)


async def test_a_stop_does_not_wait_until_it_is_ready(tmp_path: Path) -> None:
    stop = asyncio.Event()
    stop.set()
    await asyncio.wait_for(made(house_at(tmp_path), MadeUpSnapshots(), Judging()).serve(stop, lambda: None), PATIENCE_S)


async def test_a_judging_process_that_refuses_is_asked_again_and_stops_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from slotwatch.edge.front import resumption

    monkeypatch.setattr(resumption, "AGAIN_S", 0.02)
    monkeypatch.setattr(resumption, "TRIES", 10_000)
    snapshots, judging = MadeUpSnapshots(), Judging(refusal="not now")
    async with serving(house_at(tmp_path), snapshots, judging) as url, aiohttp.ClientSession() as session:
        snapshots.show(listening())
        await happens(lambda: len(judging.asked) > 2)
        assert await status_of(session, f"{url}/readyz") == 200
        judging.refusal = ""
        count = len(judging.asked)
        await happens(lambda: len(judging.asked) > count)


async def test_a_follower_that_fails_is_reported_and_takes_nobody_with_it(
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
        assert "not my day" in capsys.readouterr().err
        found = await (await run.client.get("/api/v1/house")).json()
        assert found["listener"]["trouble"] == ["Alertmanager failed by an internal fault: RuntimeError('not my day')."]
        assert found["listener"]["history"]["ok"]
        keeping = asyncio.create_task(run.front.keep_running(Broken()))
        await happens(lambda: "not my day" in capsys.readouterr().err)
        assert not keeping.done()
        keeping.cancel()


@pytest.mark.parametrize("error", ["", "the connection ended"])
async def test_a_follower_that_loses_a_cancel_holds_up_neither_a_reload_nor_a_stop(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, error: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """Libraries lose one (ended_tasks.py), or report an error of their own in place of it."""
    begun: asyncio.Queue[None] = asyncio.Queue()

    async def lose_two(_sender: HeartbeatSender) -> None:
        begun.put_nowait(None)
        for _ in range(2):
            try:
                await asyncio.Event().wait()
            except asyncio.CancelledError:
                if error:
                    raise OSError(error) from None
        await asyncio.Event().wait()

    monkeypatch.setattr(ended_tasks, "AGAIN_AFTER_S", 0.01)
    monkeypatch.setattr(HeartbeatSender, "run", lose_two)
    house = house_at(tmp_path)
    minutes = [replace(house, heartbeat=Heartbeat(url_file="url", every_min=every_min)) for every_min in (1, 2)]
    async with served(minutes[0], MadeUpSnapshots(), Judging()) as server:
        assert server is not None
        async with asyncio.timeout(PATIENCE_S):
            await begun.get()
            await server.take_house(minutes[1])
            await begun.get()
    assert begun.empty(), "one that was ended does not begin again"
    assert "internal fault" not in capsys.readouterr().err


async def test_a_fresh_judging_process_cannot_overwrite_the_hours_of_years(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from slotwatch.edge.front import resumption

    row = LampHours("circuit", "12", 431.5, 120.0, 99, None, None)
    lamp = row.as_object()
    check = RigCheckRow(True, fabricate.NOW_NS, 1_767_225_600_000, 0, (), (), (), (), ())
    snapshots, judging = MadeUpSnapshots(), Judging()
    async with served(house_at(tmp_path), snapshots, judging) as server:
        assert server is not None
        snapshots.show(snapshot())
        await happens(lambda: judging.asked)

        def hours_are_kept() -> bool:
            snapshots.show(snapshot(hours=(row,), rig_check=check))
            return kept_hours(tmp_path) == [lamp]

        await happens(hours_are_kept)
    judging.asked.clear()
    judging.refusal = "judging is busy"
    monkeypatch.setattr(resumption, "AGAIN_S", 0.02)
    monkeypatch.setattr(resumption, "TRIES", 10_000)
    async with served(house_at(tmp_path), snapshots, judging) as server:
        assert server is not None
        fresh = replace(row, on_h=0.0)
        snapshots.show(snapshot(hours=(fresh,), rig_check=None, started_ns=fabricate.NOW_NS - 1))
        await happens(lambda: server.front.sequence == snapshots.sequence)
        count = len(judging.asked)
        await happens(lambda: len(judging.asked) > count + 2)
        assert kept_hours(tmp_path) == [lamp], "its zeros wait until it knows the rest"
        judging.refusal = ""
        await happens(lambda: isinstance(judging.asked[-1], Restore))
        assert judging.asked[-1] == Restore((row,), RigCheckMemory(True, fabricate.NOW_NS, 1_767_225_600_000))

        def more_hours_are_kept() -> bool:
            snapshots.show(snapshot(hours=(replace(row, on_h=431.6),), started_ns=fabricate.NOW_NS - 1))
            return kept_hours(tmp_path) == [{**lamp, "on_h": 431.6}]

        await happens(more_hours_are_kept)


def kept(path: Path) -> list[dict[str, Any]]:
    try:
        return Archive(path).incidents()
    except sqlite3.Error:
        return []


def kept_hours(place: Path) -> list[dict[str, Any]]:
    try:
        return Archive(place / "slotwatch.db").hours()
    except sqlite3.Error:
        return []
