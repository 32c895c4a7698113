"""The front process' server: page, API, events and metrics, made from the snapshots of judging."""

from __future__ import annotations

import asyncio
import sys
from collections.abc import Callable
from functools import partial
from pathlib import Path

from aiohttp import web

from slotwatch.edge.front.alertmanager import Alertmanager
from slotwatch.edge.front.certificate import KeptPair, PageCertificate
from slotwatch.edge.front.changes import ChangeRequests
from slotwatch.edge.front.door import WebServer
from slotwatch.edge.front.elsewhere import ElsewhereFetcher
from slotwatch.edge.front.events import Listeners
from slotwatch.edge.front.fresh import reading
from slotwatch.edge.front.front import Front, Packets, ReloadHouse, Runner, SnapshotSource, not_reloaded_here
from slotwatch.edge.front.guard import LARGEST_BODY_BYTES, Guard, add_headers, middleware
from slotwatch.edge.front.heartbeat import HeartbeatSender
from slotwatch.edge.front.history import History
from slotwatch.edge.front.incident_reads import IncidentReads
from slotwatch.edge.front.notifications import Notifications, page_address
from slotwatch.edge.front.page_files import PAGES, RULE_PAGE, PageFiles
from slotwatch.edge.front.reads import Reads
from slotwatch.edge.front.references import References
from slotwatch.edge.front.resumption import Resumption
from slotwatch.edge.front.switch_polling import SwitchPolling
from slotwatch.edge.front.to_judging import Ask
from slotwatch.edge.front.usual_keeper import UsualKeeper
from slotwatch.edge.shared.ended_tasks import end_tasks
from slotwatch.edge.shared.places import state_place
from slotwatch.errors import EdgeError
from slotwatch.house.schema import House

MQTT = "mqtt"
CERTIFICATE_S = 10.0
"""How often the certificate's files are looked at. A new one counts once they are the same at two looks."""
LISTENING_WITHIN_S = 10.0
"""Who asks `/readyz` once this process says that it is ready gets 200, unless intake needs longer than this."""
ANSWERED_WITHIN_S = 20.0
"""Requests of a server that was replaced may still take this long: a reload's own answer, a report."""


class Server:
    """All that the front process does for a house, and for the house that replaces it."""

    def __init__(
        self,
        house: House,
        snapshots: SnapshotSource,
        ask: Ask,
        packets: Callable[[House], Packets],
        run: str = "",
        reload_house: ReloadHouse = not_reloaded_here,
        kept_pair: KeptPair | None = None,
    ) -> None:
        """run: which run of the program this is, for the history. kept_pair: the certificate that a page of this run
        had before."""
        self._house = house
        self._run = run
        self._kept_pair = kept_pair
        self._recorded = packets
        self._packets = packets(house)
        self.is_orphan = False
        """Whether the parent ended without asking for a stop: then the program as a whole was killed."""
        self.front = Front(house, snapshots, ask, Guard(house), reload_house)
        self._changing = asyncio.Lock()
        self._running: dict[str, tuple[Runner, asyncio.Task[None]]] = {}
        self._old: dict[WebServer, asyncio.Task[None]] = {}

    async def serve(self, stop: asyncio.Event, ready: Callable[[], None]) -> None:
        """Serve until `stop` is set. `ready` is called once the port is open and `/readyz` answers 200, or would not
        within LISTENING_WITHIN_S.

        EdgeError if the port cannot be opened (`errno` says why) or the certificate cannot be read.
        """
        asyncio.get_running_loop().set_exception_handler(self.front.complaints.of_loop)
        house = self._house
        self._certificate = PageCertificate(house, self._kept_pair)
        self._log_certificate()
        self._door = self._door_of(house)
        self.front.certificate_trouble = lambda: self._certificate.trouble
        # Before the history: while the port is taken this process ends and is started again, with nothing to say of it.
        await self._door.listen()
        self._history = History(state_place(house, house.history.path), house.history.keep_days)
        self._references = References(self.front, self._history)
        self._usual = UsualKeeper(self.front, self._history)
        self._history.run, self._history.declared_phase = self._run, str(house.phase)
        try:
            await self._door.open(self._app(self.front.listeners))
            async with asyncio.TaskGroup() as self._tasks:
                resumption = Resumption(self._history, self.front.ask, self.front.resumed, self.front.see_after)
                self.front.followers += [resumption, self._history, self._references, self._usual]
                working = [self._tasks.create_task(self.front.keep_running(one)) for one in (resumption, self._usual)]
                working.append(self._tasks.create_task(self._follow_certificate()))
                try:
                    await self._follow(house)
                    working.append(self._tasks.create_task(self.front.pump()))
                    await self._listening(stop)
                    ready()
                    await stop.wait()
                finally:  # not left to the group, which cancels only once
                    async with self._changing:
                        await asyncio.gather(*map(self._leave, list(self._running)))
                        await end_tasks(working)
        finally:
            self.front.listeners.close()
            for door, leaving in self._old.items():
                await end_tasks([leaving])
                await door.end()
            await self._door.end()
            self._history.close(is_clean=not self.is_orphan)

    async def _listening(self, stop: asyncio.Event) -> None:
        """Wait until `/readyz` answers 200, for at most LISTENING_WITHIN_S."""
        either = [self._tasks.create_task(one.wait()) for one in (self.front.heard_intake, stop)]
        await asyncio.wait(either, timeout=LISTENING_WITHIN_S, return_when=asyncio.FIRST_COMPLETED)
        for one in either:
            one.cancel()

    async def take_house(self, house: House) -> None:
        """Continue with another house, in the running server. Connections stay open unless [http] or [tls] changed.

        A certificate that was renewed in its files is taken too. One that cannot be used is reported, and the page goes
        on with the one before.

        EdgeError if its address, or a certificate in other files than before, cannot be had; then everything stays as
        it was.
        """
        async with self._changing:
            certificate = self._certificate.renewed(house)
            if house.http != self._house.http:
                await self._move(house, certificate)
            self._certificate = certificate
            self._log_certificate()
            self._history.move(state_place(house, house.history.path), house.history.keep_days)
            self._packets = self._recorded(house)
            await self._follow(house)
            self._house = house
            self.front.take_house(house)

    async def _follow_certificate(self) -> None:
        """Take a certificate that is renewed in its files, for ever."""
        while True:
            await asyncio.sleep(CERTIFICATE_S)
            async with self._changing:
                if self._certificate.follow():
                    self._log_certificate()

    def _log_certificate(self) -> None:
        if self._certificate.trouble:
            print(f"slotwatch: {self._certificate.trouble}", file=sys.stderr, flush=True)

    def path(self, incident: int) -> Path | None:
        """Where the running house keeps the packets of an incident."""
        return self._packets.path(incident)

    async def _move(self, house: House, certificate: PageCertificate) -> None:
        """Open the new server, then close the old one; in the other order where both cannot be open at once."""
        old, new = self._door, self._door_of(house, certificate)
        self._old = {door: leaving for door, leaving in self._old.items() if not leaving.done()}
        listeners = Listeners()
        is_same_port = old.http.port == house.http.port and old.http.host != house.http.host
        if is_same_port:
            await old.close()
        try:
            await new.open(self._app(listeners), old)
        except EdgeError:
            if is_same_port:
                self._door = self._door_of(self._house)
                await self._door.open(self._app(self.front.listeners))
            raise
        listeners.dropped = self.front.listeners.dropped
        before, self.front.listeners, self._door = self.front.listeners, listeners, new
        before.close()
        await old.close()
        # Not waited for: one of the requests that are still being answered is the one for this reload.
        self._old[old] = asyncio.create_task(old.end(ANSWERED_WITHIN_S))

    def _door_of(self, house: House, certificate: PageCertificate | None = None) -> WebServer:
        return WebServer(house, self.front.callers, self.front.complaints, certificate or self._certificate)

    def _app(self, listeners: Listeners) -> web.Application:
        return build_app(self.front, self._history, self, listeners, self._references, self._usual)

    async def _follow(self, house: House) -> None:
        """Have what this house declares work beside the page, and end what it declares no longer."""
        page, before = page_address(house, self.front.host), self._house
        is_elsewhere = page != page_address(before, self.front.host)
        alerts = self._running.get(Alertmanager.name)
        if alerts is not None and house.alerts.alertmanager_urls and isinstance(alerts[0], Alertmanager):
            alerts[0].take_house(house, page)  # what it sent is kept, so that it can also send when that is over
        else:
            await self._leave(Alertmanager.name)
            if house.alerts.alertmanager_urls:
                self._begin(Alertmanager(house, page))
        mqtt = partial(_mqtt_sender, house, page) if house.mqtt.host else None
        await self._renew(MQTT, mqtt, is_other=house.mqtt != before.mqtt or is_elsewhere)
        elsewhere = (
            partial(ElsewhereFetcher, house, self.front.ask, self.front.heard_there) if house.listeners else None
        )
        await self._renew(ElsewhereFetcher.name, elsewhere, is_other=house.listeners != before.listeners)
        switches = partial(SwitchPolling, house, self.front.ask) if house.switches else None
        await self._renew(SwitchPolling.name, switches, is_other=house.switches != before.switches)
        await self._follow_notices(house, page)
        heartbeat = partial(HeartbeatSender, house) if house.heartbeat.url_file else None
        await self._renew(HeartbeatSender.name, heartbeat, is_other=house.heartbeat != before.heartbeat)

    async def _renew(self, name: str, make: Callable[[], Runner] | None, *, is_other: bool) -> None:
        """Begin a follower anew where the house declares it otherwise than before. make: None if it declares none."""
        if is_other or name not in self._running:
            await self._leave(name)
            if make is not None:
                self._begin(make())

    async def _follow_notices(self, house: House, page: str) -> None:
        """Send messages to the recipients of this house. page: address of the page for links."""
        running = self._running.get(Notifications.name)
        if running is not None and isinstance(running[0], Notifications) and running[0].take_house(house, page):
            return
        await self._leave(Notifications.name)
        self.front.unreached = list
        if house.notice_recipients:
            notifications = Notifications(house, page)
            self.front.unreached = notifications.unreached
            self._begin(notifications)

    def _begin(self, follower: Runner) -> None:
        self.front.followers.append(follower)
        self._running[follower.name] = follower, self._tasks.create_task(self.front.keep_running(follower))

    async def _leave(self, name: str) -> None:
        if name in self._running:
            follower, task = self._running.pop(name)
            self.front.leave(follower)
            await end_tasks([task])
            if isinstance(follower, Notifications):
                follower.close()


def _mqtt_sender(house: House, page: str) -> Runner:
    from slotwatch.edge.front.mqtt import MqttSender  # most houses have no broker

    return MqttSender(house, page)


def build_app(
    front: Front,
    history: History,
    packets: Packets,
    listeners: Listeners | None = None,
    references: References | None = None,
    usual: UsualKeeper | None = None,
) -> web.Application:
    """Put the requests together; also for tests, which bring a front of their own."""
    if references is None:
        references = References(front, history)
        front.followers.append(references)
    usual = usual or UsualKeeper(front, history)
    app = web.Application(
        middlewares=[middleware(front.guard, front.callers, front.complaints), reading(front)],
        client_max_size=LARGEST_BODY_BYTES,
    )
    app.on_response_prepare.append(add_headers)
    files = PageFiles()
    one_at_a_time = asyncio.Semaphore(1)  # of reports and readings of a capture
    incidents = IncidentReads(front, history, packets, references, one_at_a_time)
    app.add_routes(Reads(front, history, usual, one_at_a_time).routes())
    app.add_routes(incidents.routes())
    app.add_routes(references.routes())
    app.add_routes(ChangeRequests(front, history, incidents).routes())
    app.add_routes([web.get(path, files.rule if path == RULE_PAGE else files.index) for path in PAGES])
    app.add_routes([web.get("/web/{name:[^/].*}", files.file)])

    async def close_streams(_app: web.Application) -> None:
        (front.listeners if listeners is None else listeners).close()

    app.on_shutdown.append(close_streams)
    return app
