"""Answers to everything that is only read."""

from __future__ import annotations

import asyncio
import json
import math
from collections.abc import Callable, Mapping
from functools import cache
from pathlib import Path
from typing import Protocol, cast

import msgspec
import numpy as np
from aiohttp import web
from aiohttp.typedefs import Handler

from slotwatch import clock
from slotwatch.durations import MILLISECOND_NS, MINUTE_NS, NANOSECONDS
from slotwatch.edge.front.callers import address_of
from slotwatch.edge.front.captured import packets_in
from slotwatch.edge.front.front import Front, Packets
from slotwatch.edge.front.guard import Refused
from slotwatch.edge.front.history import History
from slotwatch.edge.front.reporting import gather, span_of
from slotwatch.edge.front.usual import gather_usual
from slotwatch.edge.front.usual_keeper import UsualKeeper
from slotwatch.snapshot import Incident
from slotwatch.views import api, openapi
from slotwatch.views.counted import OwnCounts
from slotwatch.views.elsewhere import elsewhere
from slotwatch.views.incidents import chosen, incident, incident_brief
from slotwatch.views.levels import levels_over_time
from slotwatch.views.metrics import encode_metrics
from slotwatch.views.minutes import COLUMNS, minute_rows
from slotwatch.views.moments import iso_wall, read_iso
from slotwatch.views.network import network
from slotwatch.views.plain import plain_page
from slotwatch.views.records import incident_of
from slotwatch.views.report import STYLE, report_csv, report_html
from slotwatch.views.rules import rules
from slotwatch.views.sheet import Sheet
from slotwatch.views.streams import COMPACT, etag, listeners, positions, streams
from slotwatch.views.survey import house_file, survey_of
from slotwatch.wire.universe import parse

SMALL_BYTES = 1024
"""Answers under this are not worth compressing."""
MOST_ROWS = 10_000
LATEST_MS = 1 << 62
"""Later than any time that is kept."""


def answer(value: object, status: int = 200) -> web.Response:
    """Send a value as JSON. Compress it if it is large."""
    body = msgspec.json.encode(value, enc_hook=_of_numpy)
    response = web.Response(body=body, status=status, content_type="application/json", charset="utf-8")
    if len(body) > SMALL_BYTES:
        response.enable_compression()
    return response


def _of_numpy(value: object) -> object:
    """Return the Python number of a numpy scalar. TypeError for anything else that JSON has no form for."""
    if isinstance(value, np.generic):
        return value.item()
    raise TypeError(f"JSON has no form for {type(value).__name__}")


class LastGoodLevels(Protocol):
    """Knows the last good levels of lost universes."""

    async def last_good(self, found: Incident) -> Mapping[str, object] | None:
        """Of an incident's universes, a `LastGoodAnswer`; None if none are known."""


class Reads:
    """Handlers of GET requests."""

    def __init__(
        self, front: Front, history: History, packets: Packets, levels: LastGoodLevels, usual: UsualKeeper
    ) -> None:
        self._front = front
        self._history = history
        self._packets = packets
        self._levels = levels
        self._usual = usual
        self._reporting = asyncio.Semaphore(1)
        """One report or reading of a capture at a time: a month of one takes seconds of a core."""

    def routes(self) -> list[web.RouteDef]:
        listed = {
            "universes": lambda: api.universes(self._front.current()),
            "sources": lambda: api.sources(self._front.current()),
            "receivers": lambda: api.receivers(self._front.current()),
            "fixtures": lambda: api.fixtures(self._front.current(), self._front.house),
            "patch": lambda: api.patch(self._front.house),
            "racks": lambda: api.racks(self._front.current()),
            "routes": lambda: api.routes(self._front.current()),
            "readiness": lambda: api.readiness(self._front.current(), self._front.silence),
            "rig-check": lambda: api.rig_check(self._front.current()),
            "hours": lambda: api.hours(self._front.current()),
            "rules": rules,
            "network": lambda: network(self._front.current()),
            "listeners": lambda: listeners(self._front.current()),
        }

        def reader(make: Callable[[], object]) -> Handler:
            async def read(_request: web.Request) -> web.Response:
                # In a thread: thousands of universes take a while, and listeners must not wait for it.
                return await asyncio.to_thread(lambda: answer(make()))

            return read

        return [
            *(web.get(f"/api/v1/{name}", reader(make)) for name, make in listed.items()),
            web.get("/api/v1/streams", self.streams),
            web.get("/healthz", self.healthz),
            web.get("/readyz", self.readyz),
            web.get("/metrics", self.metrics),
            web.get("/plain", self.plain),
            web.get("/plain.css", self.plain_style),
            web.get("/api/v1/openapi.json", self.openapi),
            web.get("/api/v1/house", self.house),
            web.get("/api/v1/house/draft", self.draft),
            web.get("/api/v1/events", self.events, allow_head=False),
            web.get("/api/v1/universes/{name:.+}/history", self.minutes),
            web.get("/api/v1/universes/{name:.+}/usual", self.usual),
            web.get("/api/v1/universes/{name:.+}/elsewhere", self.elsewhere),
            web.get("/api/v1/usual", self._usual.answer),
            web.get("/api/v1/universes/{name:.+}", self.universe),
            web.get("/api/v1/incidents", self.incidents),
            web.get(r"/api/v1/incidents/{id:[0-9]{1,15}}", self.incident),
            web.get(r"/api/v1/incidents/{id:[0-9]{1,15}}/packets", self.packets),
            web.get(r"/api/v1/incidents/{id:[0-9]{1,15}}/levels", self.levels),
            web.get("/api/v1/marks", self.marks),
            web.get("/api/v1/report", self.report),
        ]

    async def healthz(self, _request: web.Request) -> web.Response:
        return web.Response(text="alive\n")

    async def readyz(self, _request: web.Request) -> web.Response:
        self._front.current()  # before the first snapshot its own words
        if not self._front.is_listening:
            raise Refused(503, "No port is open yet; try again in a moment.")
        return web.Response(text="listening\n")

    async def metrics(self, request: web.Request) -> web.Response:
        sheet, accept = self._front.current(), request.headers.get("Accept", "")
        own = cast("OwnCounts", self._front.own_health())
        text, content_type = await asyncio.to_thread(encode_metrics, sheet, accept, own, self._usual.standings)
        response = web.Response(body=text, headers={"Content-Type": content_type})
        response.enable_compression()
        return response

    async def streams(self, request: web.Request) -> web.Response:
        """A client that has the newest state already gets an empty answer."""
        sheet = self._front.current()
        is_compact = COMPACT in request.headers.get("Accept", "")
        tag = etag(sheet) + ("-compact" if is_compact else "")
        if any(one.value in (tag, "*") for one in request.if_none_match or ()):
            response = web.Response(status=304)
        elif is_compact:
            body = await asyncio.to_thread(lambda: msgspec.msgpack.encode(positions(sheet), enc_hook=_of_numpy))
            response = web.Response(body=body, content_type=COMPACT)
        else:
            response = await asyncio.to_thread(lambda: answer(streams(sheet)))
        response.etag = tag
        response.headers["Vary"] = "Accept"
        return response

    async def openapi(self, _request: web.Request) -> web.Response:
        response = web.Response(body=_description(), content_type="application/json")
        response.enable_compression()
        return response

    async def plain(self, _request: web.Request) -> web.Response:
        text = plain_page(
            self._front.current(),
            self._front.troubles(),
            silence=self._front.silence,
            declares_nothing=self._front.house.first_contact is not None,
        )
        return web.Response(text=text, content_type="text/html")

    async def plain_style(self, _request: web.Request) -> web.Response:
        return web.Response(text=STYLE, content_type="text/css")

    async def house(self, _request: web.Request) -> web.Response:
        self._front.current()
        return answer(self._front.house_answer)

    async def draft(self, _request: web.Request) -> web.Response:
        """A house file made of what is heard, to be downloaded."""
        sheet, house = self._front.current(), self._front.house
        today = iso_wall(clock.wall_ns())[:10]

        def write() -> str:
            seconds = (sheet.snapshot.now_ns - sheet.snapshot.started_ns) / NANOSECONDS
            return house_file(survey_of(sheet, house.listen, seconds), today)

        response = web.Response(text=await asyncio.to_thread(write), content_type="text/plain")
        response.headers["Content-Disposition"] = 'attachment; filename="house.toml"'
        return response

    async def events(self, request: web.Request) -> web.StreamResponse:
        front = self._front
        if refusal := front.listeners.refusal(address_of(request.transport)):
            raise Refused(503, refusal)
        front.current()
        universe = request.query.get("universe", "")[:100]
        return await front.listeners.serve(request, universe, lambda: front.first(universe))

    async def universe(self, request: web.Request) -> web.Response:
        sheet, row = self._row(request)
        return answer({"at": sheet.at, **api.universe_detail(sheet, row, self._front.house)})

    async def minutes(self, request: web.Request) -> web.Response:
        sheet, row = self._row(request)
        name = sheet.snapshot.universe_names[row]
        until_ns = _moment(request, "until") or clock.wall_ns()
        since_ns = (
            _moment(request, "since") or until_ns - int(_number(request, "hours", 1, 24 * 31) * 3600) * NANOSECONDS
        )
        first, last = since_ns // MINUTE_NS, until_ns // MINUTE_NS
        rows = await self._history.ask(lambda archive: archive.minutes(name, first, last)) or []
        return answer({"universe": name, "columns": COLUMNS, "rows": minute_rows(rows)})

    async def elsewhere(self, request: web.Request) -> web.Response:
        """One universe as it is heard here and at the other listeners."""
        sheet, row = self._row(request)
        heard = dict(self._front.heard_there)
        return await asyncio.to_thread(lambda: answer(elsewhere(sheet, row, heard)))

    async def usual(self, request: web.Request) -> web.Response:
        """What is usual for a universe, from this house's own shows."""
        sheet, row = self._row(request)
        name, now_ms = sheet.snapshot.universe_names[row], clock.wall_ns() // MILLISECOND_NS
        async with self._reporting:
            found = await self._history.ask(lambda archive: gather_usual(archive, name, now_ms))
        if found is None:
            raise Refused(503, self._history.why_unread())
        return answer(found)

    async def incidents(self, request: web.Request) -> web.Response:
        state = request.query.get("state", "open")
        if state not in ("open", "closed", "all"):
            raise Refused(400, '"state" is open, closed or all.')
        since_ns = _moment(request, "since")
        limit = math.ceil(_number(request, "limit", 100, MOST_ROWS))
        snapshot = self._front.current().snapshot
        every = {(one.id, (one.opened_ns + one.wall_offset_ns) // MILLISECOND_NS): one for one in snapshot.incidents}
        if state != "open":
            since_ms = (since_ns or 0) // MILLISECOND_NS
            kept = await self._history.ask(lambda archive: archive.incidents("closed", since_ms, limit=limit)) or []
            for record in kept:
                every.setdefault((record["id"], record["opened_wall_ns"] // MILLISECOND_NS), incident_of(record, 0))
        return answer([incident_brief(one) for one in chosen(list(every.values()), state, since_ns, limit)])

    async def incident(self, request: web.Request) -> web.Response:
        found = await self.find(int(request.match_info["id"]))
        moment = self._front.moments.of(found)
        packets = await asyncio.to_thread(self._packets.path, found.id)
        levels = await self._levels.last_good(found)
        return answer({**incident(found), "moment": moment, "packets": packets is not None, "last_good_levels": levels})

    async def find(self, number: int) -> Incident:
        """The incident of that number: as judging knows it, else from the history. Refused if there is none."""
        for one in self._front.current().snapshot.incidents:
            if one.id == number:
                return one
        record = await self._history.ask(lambda archive: archive.incident(number))
        if record is None:
            raise Refused(404, f"There is no incident {number}.")
        return incident_of(record, 0)

    async def _packets_of(self, number: int) -> Path:
        """The file with the packets around an incident. Refused if there is none."""
        path: Path | None = await asyncio.to_thread(self._packets.path, number)
        if path is None:
            await self.find(number)
            raise Refused(404, f"No packets are kept for incident {number}; they may still be being recorded.")
        return path

    async def packets(self, request: web.Request) -> web.StreamResponse:
        number = int(request.match_info["id"])
        path = await self._packets_of(number)
        name = f"incident-{number}{path.suffix}"
        return web.FileResponse(
            path,
            headers={"Content-Type": "application/x-pcapng", "Content-Disposition": f'attachment; filename="{name}"'},
        )

    async def levels(self, request: web.Request) -> web.Response:
        number = int(request.match_info["id"])
        path = await self._packets_of(number)
        try:
            universe, _network = parse(request.query.get("universe", ""))
        except ValueError as error:
            raise Refused(400, f'"universe": {error}.') from None
        async with self._reporting:
            found = await asyncio.to_thread(lambda: levels_over_time(packets_in(path), universe))
        return answer(found)

    async def marks(self, request: web.Request) -> web.Response:
        since_ms = (_moment(request, "since") or 0) // MILLISECOND_NS
        until_ns = _moment(request, "until")
        # A mark that was made while the clock was ahead is later than now, and no less a mark.
        until_ms = LATEST_MS if until_ns is None else until_ns // MILLISECOND_NS
        rows = await self._history.ask(lambda archive: archive.marks(since_ms, until_ms)) or []
        return answer([{"at": iso_wall(at_ms * MILLISECOND_NS), "text": text, "by": by} for at_ms, text, by in rows])

    async def report(self, request: web.Request) -> web.Response:
        kind = request.query.get("format", "html")
        if kind not in ("html", "json", "csv"):
            raise Refused(400, '"format" is html, json or csv.')
        since, until = request.query.get("since"), request.query.get("until")
        since_ns, until_ns = _moment(request, "since"), _moment(request, "until")
        now_ns, house = clock.wall_ns(), self._front.house
        if since_ns is not None and since_ns >= (now_ns if until_ns is None else until_ns):
            raise Refused(400, '"since" must be before "until", which is now if it is not given.')
        async with self._reporting:
            found = await self._history.ask(
                lambda archive: gather(archive, house, *span_of(archive, since, until, now_ns), now_ns)
            )
        if found is None:
            raise Refused(503, self._history.why_unread())
        if kind == "json":
            return answer(found)
        text = report_csv(found) if kind == "csv" else report_html(found)
        response = web.Response(text=text, content_type=f"text/{kind}")
        if kind == "html":
            # The report carries its own style so that it can be kept as one file; it runs no script.
            response.headers["Content-Security-Policy"] = (
                "default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'; "
                "frame-ancestors 'none'"
            )
        response.enable_compression()
        return response

    def _row(self, request: web.Request) -> tuple[Sheet, int]:
        sheet, name = self._front.current(), request.match_info["name"]
        row = sheet.row_of(name)
        if row is None:
            raise Refused(404, f"No universe {name[:60]} is declared or was heard.")
        return sheet, row


@cache
def _description() -> bytes:
    """The API's description, made once: it is the same for every house."""
    return json.dumps(openapi.document(), separators=(",", ":")).encode()


def _moment(request: web.Request, name: str) -> int | None:
    """A time of the query, as wall-clock ns."""
    text = request.query.get(name)
    if not text:
        return None
    try:
        # The plus sign of a time zone arrives as a space if the client did not escape it.
        return read_iso(text.replace(" ", "+") if "T" in text else text)
    except (ValueError, OverflowError) as error:
        raise Refused(400, f'"{name}": {error}.') from None


def _number(request: web.Request, name: str, otherwise: float, most: float) -> float:
    text = request.query.get(name)
    if text is None:
        return otherwise
    try:
        value = float(text)
    except ValueError:
        value = -1.0
    if not 0 < value <= most:
        raise Refused(400, f'"{name}" is a number over 0, at most {most:g}.')
    return value
