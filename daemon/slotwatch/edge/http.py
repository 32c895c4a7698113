"""The front process' server: page, API, events and metrics, from snapshots that judging leaves on the board."""

from __future__ import annotations

import asyncio
import ssl
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from aiohttp import web

from slotwatch.edge.alertmanager import Alertmanager
from slotwatch.edge.history import History
from slotwatch.edge.http_changes import Changes
from slotwatch.edge.http_files import PAGES, PageFiles
from slotwatch.edge.http_front import Ask, BoardLike, Front, Packets
from slotwatch.edge.http_guard import Guard, add_headers, middleware
from slotwatch.edge.http_reads import Reads
from slotwatch.edge.mqtt import MqttSender
from slotwatch.edge.places import read_place, state_place
from slotwatch.edge.resumption import Resumption
from slotwatch.errors import EdgeError
from slotwatch.house.schema import House

LARGEST_BODY_BYTES = 16 * 1024
STOP_WITHIN_S = 1.0


async def serve_front(
    house: House, board: BoardLike, ask: Ask, packets: Packets, stop: asyncio.Event, ready: Callable[[], None]
) -> None:
    """Serve until `stop` is set. `ready` is called once the port is open.

    EdgeError if the port cannot be opened (`errno` says why) or the certificate cannot be read.
    """
    front = Front(house, board, ask, Guard(house))
    with _history(house) as history:
        runner = web.AppRunner(
            build_app(front, history, packets), access_log=None, handle_signals=False, shutdown_timeout=STOP_WITHIN_S
        )
        await runner.setup()
        try:
            await _open(runner, house)
            async with asyncio.TaskGroup() as tasks:
                running = _start(front, house, history, tasks)
                ready()
                await stop.wait()
                for task in running:
                    task.cancel()
        finally:
            front.listeners.close()
            await runner.cleanup()


def build_app(front: Front, history: History, packets: Packets) -> web.Application:
    """Put the requests together; also for tests, which bring a front of their own."""
    app = web.Application(middlewares=[middleware(front.guard)], client_max_size=LARGEST_BODY_BYTES)
    app.on_response_prepare.append(add_headers)
    files, reads = PageFiles(), Reads(front, history, packets)
    app.add_routes(reads.routes())
    app.add_routes(Changes(front, history, reads).routes())
    app.add_routes([web.get(path, files.index) for path in PAGES])
    app.add_routes([web.get("/web/{name:[^/].*}", files.file)])

    async def close_streams(_app: web.Application) -> None:
        front.listeners.close()

    app.on_shutdown.append(close_streams)
    return app


@contextmanager
def _history(house: House) -> Iterator[History]:
    history = History(state_place(house, house.history.path), house.history.keep_days)
    try:
        yield history
    finally:
        history.close()


def _start(front: Front, house: House, history: History, tasks: asyncio.TaskGroup) -> list[asyncio.Task[None]]:
    """Start what follows snapshots, and then the pump that brings them."""
    resumption = Resumption(history, front.ask)
    front.followers += [resumption, history]
    running = [tasks.create_task(front.keep_running(resumption))]
    if house.alerts.alertmanager_urls:
        alerts = Alertmanager(house)
        front.followers.append(alerts)
        running.append(tasks.create_task(front.keep_running(alerts)))
    if house.mqtt.host:
        mqtt = MqttSender(house)
        front.followers.append(mqtt)
        running.append(tasks.create_task(front.keep_running(mqtt)))
    running.append(tasks.create_task(front.pump()))
    return running


async def _open(runner: web.AppRunner, house: House) -> None:
    http = house.http
    site = web.TCPSite(runner, http.host, http.port, ssl_context=_tls(house), reuse_address=True, backlog=256)
    try:
        await site.start()
    except OSError as error:
        raise EdgeError(
            f"cannot open {http.host}:{http.port} for the page: {error.strerror or error}",
            "choose another [http] listen, or end what holds it: ss -lntp",
            error.errno,
        ) from error


def _tls(house: House) -> ssl.SSLContext | None:
    if not house.http.certificate_file:
        return None
    context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    try:
        context.load_cert_chain(
            read_place(house, house.http.certificate_file),
            read_place(house, house.http.key_file) if house.http.key_file else None,
        )
    except (OSError, ssl.SSLError) as error:
        raise EdgeError(
            f"cannot use the certificate {house.http.certificate_file}: {error.strerror or error}",
            "set [tls] certificate_file and key_file to a PEM pair that this program may read",
        ) from error
    return context
