"""Answers to what is only read, but for incidents: the present state, metrics, minutes, marks, reports."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Callable
from functools import cache
from typing import cast

import msgspec
from aiohttp import web
from aiohttp.typedefs import Handler

from slotwatch import clock
from slotwatch.durations import MILLISECOND_NS, MINUTE_NS, NANOSECONDS
from slotwatch.edge.front.answering import answer, moment_of, number_of, of_numpy
from slotwatch.edge.front.callers import address_of
from slotwatch.edge.front.front import Front
from slotwatch.edge.front.guard import Refused
from slotwatch.edge.front.history import History
from slotwatch.edge.front.reporting import gather, span_of
from slotwatch.edge.front.usual import gather_usual
from slotwatch.edge.front.usual_keeper import UsualKeeper
from slotwatch.views import api, openapi
from slotwatch.views.answers.faults import ReadinessAnswer
from slotwatch.views.counted import OwnCounts
from slotwatch.views.elsewhere import elsewhere
from slotwatch.views.metrics import encode_metrics
from slotwatch.views.minutes import COLUMNS, minute_rows
from slotwatch.views.moments import iso_wall
from slotwatch.views.network import network
from slotwatch.views.plain import plain_page
from slotwatch.views.report import STYLE, report_csv, report_html
from slotwatch.views.rules import rules
from slotwatch.views.sheet import Sheet
from slotwatch.views.streams import COMPACT, etag, listeners, positions, streams
from slotwatch.views.survey import house_file, survey_of

LATEST_MS = 1 << 62
"""Later than any time that is kept."""


class Reads:
    """Handlers of GET requests."""

    def __init__(self, front: Front, history: History, usual: UsualKeeper, one_at_a_time: asyncio.Semaphore) -> None:
        """one_at_a_time: held while much of the history is read, which takes seconds of a core."""
        self._front = front
        self._history = history
        self._usual = usual
        self._one_at_a_time = one_at_a_time

    def routes(self) -> list[web.RouteDef]:
        listed = {
            "universes": lambda: api.universes(self._front.current()),
            "sources": lambda: api.sources(self._front.current()),
            "receivers": lambda: api.receivers(self._front.current()),
            "fixtures": lambda: api.fixtures(self._front.current(), self._front.house),
            "patch": lambda: api.patch(self._front.house),
            "routes": lambda: api.routes(self._front.current()),
            "readiness": self._readiness,
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
            web.get("/api/v1/racks", self.racks),
            web.get("/api/v1/racks/{name:.+}", self.rack),
            web.get("/api/v1/marks", self.marks),
            web.get("/api/v1/report", self.report),
        ]

    def _readiness(self) -> ReadinessAnswer:
        front = self._front
        return api.readiness(front.current(), front.silence, front.troubles(), front.unreached())

    async def healthz(self, _request: web.Request) -> web.Response:
        return web.Response(text="alive\n")

    async def readyz(self, _request: web.Request) -> web.Response:
        if reason := self._front.unready:
            raise Refused(503, reason)
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
            body = await asyncio.to_thread(lambda: msgspec.msgpack.encode(positions(sheet), enc_hook=of_numpy))
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
            unreached=self._front.unreached(),
            declares_nothing=self._front.house.first_contact is not None,
            time_zone=self._front.house.time_zone,
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

    async def racks(self, request: web.Request) -> web.Response:
        ways = request.query.get("ways", "listed")
        if ways not in ("listed", "counted"):
            raise Refused(400, '"ways" must be listed or counted.')
        sheet = self._front.current()
        return await asyncio.to_thread(lambda: answer(api.racks(sheet, with_ways=ways == "listed")))

    async def rack(self, request: web.Request) -> web.Response:
        name = request.match_info["name"]
        found = api.rack(self._front.current(), name)
        if found is None:
            raise Refused(404, f"No rack {name[:60]} is declared.")
        return answer(found)

    async def minutes(self, request: web.Request) -> web.Response:
        sheet, row = self._row(request)
        name = sheet.snapshot.universe_names[row]
        until_ns = moment_of(request, "until") or clock.wall_ns()
        since_ns = (
            moment_of(request, "since") or until_ns - int(number_of(request, "hours", 1, 24 * 31) * 3600) * NANOSECONDS
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
        async with self._one_at_a_time:
            found = await self._history.ask(lambda archive: gather_usual(archive, name, now_ms))
        if found is None:
            raise Refused(503, self._history.why_unread())
        return answer(found)

    async def marks(self, request: web.Request) -> web.Response:
        since_ms = (moment_of(request, "since") or 0) // MILLISECOND_NS
        until_ns = moment_of(request, "until")
        # A mark that was made while the clock was ahead is later than now, and no less a mark.
        until_ms = LATEST_MS if until_ns is None else until_ns // MILLISECOND_NS
        rows = await self._history.ask(lambda archive: archive.marks(since_ms, until_ms)) or []
        return answer([{"at": iso_wall(at_ms * MILLISECOND_NS), "text": text, "by": by} for at_ms, text, by in rows])

    async def report(self, request: web.Request) -> web.Response:
        kind = request.query.get("format", "html")
        if kind not in ("html", "json", "csv"):
            raise Refused(400, '"format" must be html, json or csv.')
        since, until = request.query.get("since"), request.query.get("until")
        since_ns, until_ns = moment_of(request, "since"), moment_of(request, "until")
        now_ns, house = clock.wall_ns(), self._front.house
        if since_ns is not None and since_ns >= (now_ns if until_ns is None else until_ns):
            raise Refused(400, '"since" must be before "until", which is now if it is not given.')
        async with self._one_at_a_time:
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
