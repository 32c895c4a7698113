"""Answers to what is read of incidents: the list, one of them, its packets, and the levels in them."""

from __future__ import annotations

import asyncio
import math
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Protocol

from aiohttp import web

from slotwatch.durations import MILLISECOND_NS
from slotwatch.edge.front.answering import answer, moment_of, number_of
from slotwatch.edge.front.front import Front, Packets
from slotwatch.edge.front.guard import Refused
from slotwatch.edge.front.history import History
from slotwatch.snapshot import Incident
from slotwatch.views.incidents import chosen, incident, incident_brief
from slotwatch.views.levels import levels_over_time
from slotwatch.views.records import incident_of
from slotwatch.wire.pcap import Reader
from slotwatch.wire.universe import parse

MOST_ROWS = 10_000
PIECE_BYTES = 1 << 20
"""How much of a capture is read at once."""


class LastGoodLevels(Protocol):
    """Knows the last good levels of lost universes."""

    async def last_good(self, found: Incident) -> Mapping[str, object] | None:
        """Of an incident's universes, a `LastGoodAnswer`; None if none are known."""


class IncidentReads:
    """Handlers of GET requests about incidents."""

    def __init__(
        self, front: Front, history: History, packets: Packets, levels: LastGoodLevels, one_at_a_time: asyncio.Semaphore
    ) -> None:
        """one_at_a_time: held while a capture is read, which takes much of a core."""
        self._front = front
        self._history = history
        self._packets = packets
        self._levels = levels
        self._one_at_a_time = one_at_a_time

    def routes(self) -> list[web.RouteDef]:
        return [
            web.get("/api/v1/incidents", self.incidents),
            web.get(r"/api/v1/incidents/{id:[0-9]{1,15}}", self.incident),
            web.get(r"/api/v1/incidents/{id:[0-9]{1,15}}/packets", self.packets),
            web.get(r"/api/v1/incidents/{id:[0-9]{1,15}}/levels", self.levels),
        ]

    async def incidents(self, request: web.Request) -> web.Response:
        state = request.query.get("state", "open")
        if state not in ("open", "closed", "all"):
            raise Refused(400, '"state" must be open, closed or all.')
        since_ns = moment_of(request, "since")
        limit = math.ceil(number_of(request, "limit", 100, MOST_ROWS))
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
        async with self._one_at_a_time:
            found = await asyncio.to_thread(lambda: levels_over_time(_packets_in(path), universe))
        return answer(found)


def _packets_in(path: Path) -> Iterator[tuple[int, bytes]]:
    """Yield (wall-clock ns, packet) of a capture that the recorder wrote, in the order of the file.

    OSError if it cannot be read.
    """
    reader = Reader()
    with path.open("rb") as file:
        while piece := file.read(PIECE_BYTES):
            for records in reader.feed(piece):
                for index in range(len(records.start)):
                    begin = int(records.start[index])
                    kept = records.data[begin : begin + int(records.captured[index])].tobytes()
                    yield int(records.t_ns[index]), kept
    reader.close()
