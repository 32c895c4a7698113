# ruff: noqa: E501 (rows of made-up answers read better whole)
"""A stand-in for the listener: serves web/ and a fabricated situation in the API's shapes, and streams it.

For tests and pictures of the page alone; binds a free loopback port. It keeps the strict content security
policy of the real server, so that a page that needs more fails here too.
"""

from __future__ import annotations

import asyncio
import json
import socket
import threading
import time
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Any, Self

from aiohttp import web

from slotwatch.edge.front import page_files
from slotwatch.judge.catalog import CATALOG
from slotwatch.snapshot import Severity
from slotwatch.views.rules import rules
from tests.patience import PATIENCE_S
from tests.web.situations import (
    SITUATIONS,
    UNIVERSE_COLUMNS,
    Situation,
    elsewhere,
    history,
    iso,
    levels_over_time,
    night_report,
    usual,
)

WEB = Path(__file__).parents[2] / "web"
POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; "
    "form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
TYPES = {".html": "text/html", ".css": "text/css", ".js": "text/javascript", ".svg": "image/svg+xml"}
PAGES = tuple(path for path in page_files.PAGES if "{" not in path)
"""Views that have one address each."""


def now_ms() -> float:
    return time.time() * 1000


async def serve_on_free_port(runner: web.AppRunner) -> socket.socket:
    """Serve on a free port of loopback; returns the socket that listens."""
    listening = socket.create_server(("127.0.0.1", 0))
    await web.SockSite(runner, listening).start()
    return listening


async def stop_serving(runner: web.AppRunner, listening: socket.socket) -> None:
    """End a server and each of its connections, before its loop is closed.

    A page may connect again in this moment. A connection that was accepted is handed over some turns of the loop later,
    and Python 3.11 leaves it open if the server is closed in between: so first no more are accepted.
    """
    asyncio.get_running_loop().remove_reader(listening)
    for _ in range(5):
        await asyncio.sleep(0)
    await runner.cleanup()
    await asyncio.sleep(0)


class StandIn:
    """One pretend listener in a thread of its own. Use as a context manager; `url` is where it answers."""

    def __init__(self, situation: str = "well", make: Callable[[float], Situation] | None = None) -> None:
        self.situation = (make or SITUATIONS[situation])(now_ms())
        self.changes: list[tuple[str, str, Any]] = []
        """(method, path, body) of everything the page asked to change."""
        self.stalled = False
        """True: judging hangs, so every event bears an old moment."""
        self.frozen_at_ms: float | None = None
        self.token: str | None = None
        self.refusal = ""
        """What judging says instead of doing what it is asked."""
        self.bytes_sent: dict[str, int] = {}
        self._queues: set[asyncio.Queue[tuple[str, Any]]] = set()
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._loop.run_forever, daemon=True)
        self.url = ""

    # -- life -----------------------------------------------------------------------------------------------

    def __enter__(self) -> Self:
        self._thread.start()
        self.url = asyncio.run_coroutine_threadsafe(self._start(), self._loop).result(PATIENCE_S)
        return self

    def __exit__(self, *_: object) -> None:
        asyncio.run_coroutine_threadsafe(self._stop(), self._loop).result(PATIENCE_S)
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join(PATIENCE_S)
        self._loop.close()

    async def _start(self) -> str:
        app = web.Application(middlewares=[self._guard])
        app.router.add_get("/web/{name}", self._file)
        app.router.add_get("/healthz", self._healthz)
        app.router.add_get("/api/v1/events", self._events)
        app.router.add_route("*", "/api/v1/{path:.+}", self._api)
        for path in page_files.PAGES:
            app.router.add_get(path, self._page)
        self._runner = web.AppRunner(app, shutdown_timeout=0.2)
        await self._runner.setup()
        self._listening = await serve_on_free_port(self._runner)
        return f"http://127.0.0.1:{self._listening.getsockname()[1]}"

    async def _stop(self) -> None:
        for queue in self._queues:
            queue.put_nowait(("", None))
        await stop_serving(self._runner, self._listening)

    # -- what a test does to it -----------------------------------------------------------------------------

    def send(self, event: str, data: Any) -> None:
        """Stream one event to every listening page."""

        def put() -> None:
            for queue in self._queues:
                queue.put_nowait((event, data))

        self._loop.call_soon_threadsafe(put)

    def send_rows(self, rows: list[dict[str, Any]], columns: tuple[str, ...] = UNIVERSE_COLUMNS) -> None:
        self.send(
            "universes",
            {"at": self.at(), "columns": list(columns), "rows": [[row[c] for c in columns] for row in rows]},
        )

    def stall(self, age_s: float = 0.0) -> None:
        """Let judging hang, as if since `age_s` seconds: every event still bears that moment."""
        self.frozen_at_ms = now_ms() - age_s * 1000

    def wait_for_change(self, method: str, path: str, within_s: float = PATIENCE_S) -> None:
        """Until the page has asked for it."""
        deadline_s = time.monotonic() + within_s
        while not any(change[:2] == (method, path) for change in self.changes):
            assert time.monotonic() < deadline_s, self.changes
            time.sleep(0.02)

    def at(self) -> str:
        return iso(self.frozen_at_ms if self.frozen_at_ms is not None else now_ms())

    # -- what a page asks of it -----------------------------------------------------------------------------

    @web.middleware
    async def _guard(self, request: web.Request, handler: Any) -> web.StreamResponse:
        answer: web.StreamResponse = await handler(request)
        if not answer.prepared:
            answer.headers["Content-Security-Policy"] = POLICY
            answer.headers["Cache-Control"] = "no-cache"
            if isinstance(answer, web.Response) and isinstance(answer.body, bytes):
                self.bytes_sent[request.path] = len(answer.body)
        return answer

    async def _page(self, request: web.Request) -> web.Response:
        return web.Response(body=(WEB / "index.html").read_bytes(), content_type="text/html", charset="utf-8")

    async def _file(self, request: web.Request) -> web.Response:
        path = WEB / request.match_info["name"]
        if not path.is_file():
            raise web.HTTPNotFound
        return web.Response(body=path.read_bytes(), content_type=TYPES[path.suffix], charset="utf-8")

    async def _healthz(self, request: web.Request) -> web.Response:
        return web.json_response({"ok": True})

    async def _api(self, request: web.Request) -> web.Response:
        path = request.match_info["path"]
        if request.method != "GET":
            return await self._change(request, path)
        return self._answer(path, request)

    def _answer(self, path: str, request: web.Request) -> web.Response:
        here = self.situation
        head, _, tail = path.partition("/")
        if head == "house":
            return web.json_response(here.house | {"at": self.at()})
        if head == "universes" and tail.endswith("/usual"):
            return web.json_response(usual(tail.removesuffix("/usual")))
        if head == "universes" and tail.endswith("/elsewhere"):
            name = tail.removesuffix("/elsewhere")
            return web.json_response(elsewhere(name, now_ms(), here.details.get(name, {}).get("state") == "lost"))
        if head == "universes" and tail.endswith("/history"):
            return web.json_response(history(tail.removesuffix("/history"), now_ms()))
        if head == "universes" and tail:
            known = here.details.get(tail) or next((row for row in here.universes if row["universe"] == tail), None)
            return web.json_response(known) if known else _missing(tail)
        if head == "universes":
            return web.json_response({"universes": here.universes})
        if head == "incidents" and tail.endswith("/levels"):
            return web.json_response(levels_over_time(request.query["universe"], now_ms()))
        if head == "incidents" and tail:
            found = next((one for one in here.incidents if str(one["id"]) == tail), None)
            return web.json_response(found) if found else _missing(tail)
        if head == "incidents":
            state = request.query.get("state", "open")
            return web.json_response({"incidents": [one for one in here.incidents if state in ("all", one["state"])]})
        if head == "references" and tail:
            return web.json_response(here.answers["comparison"])
        if head == "racks" and tail:
            found = next((one for one in here.answers[head]["racks"] if one["rack"] == tail), None)
            return web.json_response(found) if found else _missing(tail)
        if head == "racks" and head in here.answers and request.query.get("ways") == "counted":
            folded = [{key: one[key] for key in one if key != "ways"} for one in here.answers[head]["racks"]]
            return web.json_response({"racks": folded})
        if head == "sources":
            return web.json_response({"sources": here.sources})
        if head == "rules":
            return web.json_response(rules())
        if head in here.answers:
            return web.json_response(here.answers[head])
        blank = {"marks": [], "listeners": [], "network": {"neighbours": [], "switches": []}, "references": [], "racks": {"racks": []}, "hours": [], "routes": {"routes": []}, "fixtures": {"fixtures": []}, "receivers": {"receivers": []},
                 "patch": {"conflicts": [], "universes": []}, "rig-check": {"running": False, "done": [], "left": [], "flagged": []},
                 "readiness": {"ready": True, "reasons": [], "accepted": [], "not_visible": []}, "report": night_report(now_ms(), here.incidents)}  # fmt: skip
        return web.json_response(blank[head]) if head in blank else _missing(path)

    async def _change(self, request: web.Request, path: str) -> web.Response:
        if self.token and request.headers.get("Authorization") != f"Bearer {self.token}":
            return web.json_response(
                {"error": "the token is missing"}, status=401, headers={"WWW-Authenticate": "Bearer"}
            )
        body = await request.json() if request.can_read_body else None
        self.changes.append((request.method, path, body))
        if self.refusal:
            return web.json_response({"error": self.refusal}, status=409)
        if path == "house/phase":
            self.situation.house["phase"] = body["phase"]
            self.send("house", self.situation.house | {"at": self.at()})
        if path == "references":
            return web.json_response({"name": body["name"], "fixtures": 35, "stored": True}, status=201)
        if path == "rig-check" and ("no_light" in body or "light" in body):
            for one in self.situation.answers["rig-check"]["done"]:
                if one["fixture"] in (body.get("no_light"), body.get("light")):
                    one["no_light"] = "no_light" in body
            return web.json_response({"no_light": [], "stored": True})
        if path == "rig-check" and "stop" in body:
            self.situation.answers["rig-check"]["running"] = False
            return web.json_response({"running": False, "left": [], "stored": True})
        if path == "rig-check":
            left = [{"position": "Bridge 1", "fixtures": ["301", "302"]}]
            self.situation.answers["rig-check"] = {
                "running": True,
                "started_at": self.at(),
                "done": [],
                "left": left,
                "flagged": [],
            }
        if path.endswith("/accept"):
            one = next(one for one in self.situation.incidents if str(one["id"]) == path.split("/")[1])
            one["accepted"] = body if request.method == "POST" else None
            one["revision"] += 1
            self.send("incident", one)
            return web.json_response(one)
        if path.endswith("/acknowledge"):
            one = next(one for one in self.situation.incidents if str(one["id"]) == path.split("/")[1])
            one["acknowledged"] = (
                {"by": body["by"], "at": self.at(), "note": body.get("note", "")} if request.method == "POST" else None
            )
            one["revision"] += 1
            self.send("incident", one)
            return web.json_response(one)
        return web.json_response({"ok": True})

    async def _events(self, request: web.Request) -> web.StreamResponse:
        answer = web.StreamResponse(headers={"Content-Type": "text/event-stream", "Cache-Control": "no-store"})
        await answer.prepare(request)
        queue: asyncio.Queue[tuple[str, Any]] = asyncio.Queue()
        self._queues.add(queue)
        here = self.situation
        try:
            await _write(answer, "house", here.house | {"at": self.at()})
            rows = [[row[c] for c in UNIVERSE_COLUMNS] for row in here.universes]
            await _write(answer, "universes", {"at": self.at(), "columns": list(UNIVERSE_COLUMNS), "rows": rows})
            for one in here.incidents:
                if one["state"] == "open":
                    await _write(answer, "incident", one)
            watched = here.details.get(request.query.get("universe", ""))
            if watched:
                await _write(
                    answer, "universe", {k: v for k, v in watched.items() if k not in ("levels", "slot_sources")}
                )
                await _write(
                    answer,
                    "levels",
                    {k: watched[k] for k in ("universe", "levels", "slot_sources", "slot_source_names")},
                )
            while True:
                try:
                    async with asyncio.timeout(1.0):  # not wait_for, which may keep a cancel
                        event, data = await queue.get()
                except TimeoutError:
                    event, data = "house", {"at": self.at(), "uptime_s": here.house["uptime_s"]}
                if not event:
                    break
                await _write(answer, event, data)
        except (ConnectionResetError, asyncio.CancelledError):
            pass
        finally:
            self._queues.discard(queue)
        return answer


def _urgency(one: Any) -> list[int]:
    """What the API gives: what lasts, how severe, what is read first, the newest."""
    severity = Severity[one["severity"].upper()]
    began_us = round(datetime.fromisoformat(one["began_at"]).timestamp() * 1_000_000)
    return [int(one.get("returned_at") is None), int(severity), CATALOG[one["rule"]].reading_rank, began_us]


async def _write(answer: web.StreamResponse, event: str, data: Any) -> None:
    if event == "incident":
        data = {**data, "urgency": _urgency(data)}
    await answer.write(f"event: {event}\ndata: {json.dumps(data, separators=(',', ':'))}\n\n".encode())


def _missing(what: str) -> web.Response:
    return web.json_response({"error": f"{what} is not known here"}, status=404)
