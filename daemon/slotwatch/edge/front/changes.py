"""Orders that a person gives: phase, reload, acknowledgements, marks, rig check, a test message. Judging carries out
all but the last.

What must not be lost (acknowledgements, marks) is on the disk before it is answered; where the disk refuses, the
answer says `"stored": false` and the page says why.

An order is answered once a snapshot that was judged after it is here, so that whoever reads next finds it done.
Should judging be slow, the answer does not wait for ever (`Front.see`).
"""

from __future__ import annotations

import asyncio
from dataclasses import replace

from aiohttp import web
from msgspec import convert
from msgspec.structs import asdict

from slotwatch import clock
from slotwatch.edge.front.answering import answer
from slotwatch.edge.front.front import Front
from slotwatch.edge.front.guard import Refused, body, order, word
from slotwatch.edge.front.history import History
from slotwatch.edge.front.incident_reads import IncidentReads
from slotwatch.edge.front.notifications import Notifications
from slotwatch.edge.shared.messages import Done
from slotwatch.edge.shared.messages.orders import AskFixtures, FrontOrder, FrontResult, StopAsking
from slotwatch.house.schema import Phase
from slotwatch.judge.orders import (
    Accept,
    Acknowledge,
    ChangeLamp,
    ChangeRigCheck,
    LampChanged,
    PutMark,
    SetPhase,
    Unaccept,
    Unacknowledge,
)
from slotwatch.snapshot import Acknowledgement, MadeException
from slotwatch.views.exceptions import TONIGHT, end_of_exception
from slotwatch.views.moments import iso_wall
from slotwatch.views.records import exception_record

LONGEST_NAME = 80
LONGEST_TEXT = 500


class ChangeRequests:
    """Handlers of POST, PUT and DELETE requests."""

    def __init__(self, front: Front, history: History, incidents: IncidentReads) -> None:
        self._front = front
        self._history = history
        self._incidents = incidents

    def routes(self) -> list[web.RouteDef]:
        return [
            web.put("/api/v1/house/phase", self.phase),
            web.post("/api/v1/house/reload", self.reload),
            web.post(r"/api/v1/incidents/{id:[0-9]{1,15}}/acknowledge", self.acknowledge),
            web.delete(r"/api/v1/incidents/{id:[0-9]{1,15}}/acknowledge", self.unacknowledge),
            web.post(r"/api/v1/incidents/{id:[0-9]{1,15}}/accept", self.accept),
            web.delete(r"/api/v1/incidents/{id:[0-9]{1,15}}/accept", self.unaccept),
            web.post("/api/v1/marks", self.mark),
            web.post("/api/v1/rig-check", self.rig_check),
            web.post("/api/v1/lamp-changes", self.lamp_change),
            web.post("/api/v1/ask-fixtures", self.ask_fixtures),
            web.delete("/api/v1/ask-fixtures", self.stop_asking),
            web.post("/api/v1/notifications/test", self.test_message),
        ]

    async def phase(self, request: web.Request) -> web.Response:
        given = order(await body(request), phase=object, confirm=object)
        phase = word(given, "phase", 20)
        if phase not in list(Phase):
            raise Refused(400, f'"phase" must be one of {", ".join(Phase)}.')
        confirm = given.get("confirm", False)
        if not isinstance(confirm, bool):
            raise Refused(400, '"confirm" must be true or false.')
        await self._front.when_resumed()
        return answer({"phase": phase, **await self._kept(SetPhase(Phase(phase), confirm))})

    async def reload(self, _request: web.Request) -> web.Response:
        try:
            done = await self._front.reload_house()
        except ValueError as error:
            raise Refused(409, str(error)) from None
        await self._front.see_after(done)
        return answer({"reloaded": True, "name": done.result.name})

    async def acknowledge(self, request: web.Request) -> web.Response:
        asked = order(await body(request), by=object, note=object)
        by, note = word(asked, "by", LONGEST_NAME), word(asked, "note", LONGEST_TEXT, default="")
        await self._front.when_resumed()
        found = await self._incidents.find(int(request.match_info["id"]))
        await self._ask(Acknowledge(found.id, by, note))
        found = await self._incidents.find(found.id)
        given = found.acknowledged
        if given is None or (given.by, given.note) != (by, note):
            # No snapshot says so yet where judging is slow: then it is kept as of now.
            given = Acknowledgement(by, clock.wall_ns() - found.wall_offset_ns, note)
        at_ns = given.at_ns + found.wall_offset_ns
        kept = replace(found, acknowledged=given)
        stored = await self._history.acknowledge(found.id, by, note, at_ns, found=kept)
        seen = {"by": by, "at": iso_wall(at_ns), "note": note}
        return answer({"id": found.id, "acknowledged": seen, "stored": stored})

    async def unacknowledge(self, request: web.Request) -> web.Response:
        given = order(await body(request), by=object, note=object)
        by = word(given, "by", LONGEST_NAME, default="")
        await self._front.when_resumed()
        found = await self._incidents.find(int(request.match_info["id"]))
        await self._ask(Unacknowledge(found.id))
        kept = replace(await self._incidents.find(found.id), acknowledged=None)
        stored = await self._history.acknowledge(found.id, by, "", clock.wall_ns(), given=False, found=kept)
        return answer({"id": found.id, "acknowledged": None, "stored": stored})

    async def accept(self, request: web.Request) -> web.Response:
        asked = order(await body(request), reason=object, until=object, by=object)
        reason, by = word(asked, "reason", LONGEST_TEXT), word(asked, "by", LONGEST_NAME)
        until = word(asked, "until", LONGEST_NAME, default=TONIGHT)
        now_ns = clock.wall_ns()
        try:
            until_ns = end_of_exception(until, now_ns, self._front.house.time_zone)
        except ValueError as error:
            raise Refused(400, str(error)) from None
        await self._front.when_resumed()
        found = await self._incidents.find(int(request.match_info["id"]))
        await self._ask(Accept(found.id, reason, by, until_ns))
        made = MadeException.of(found, reason, by, now_ns, until_ns)
        # Judging's own, if it is here already: the incident may have widened since.
        shown = [one for one in self._front.current().snapshot.exceptions if one.incident == found.id]
        made = next((one for one in shown if (one.reason, one.until_wall_ns) == (reason, until_ns)), made)
        stored = await self._history.accept(await self._incidents.find(found.id), exception_record(made), now_ns)
        return answer({"id": found.id, "accepted": {"reason": reason, "until": made.until, "by": by}, "stored": stored})

    async def unaccept(self, request: web.Request) -> web.Response:
        asked = order(await body(request), by=object)
        by = word(asked, "by", LONGEST_NAME, default="")
        await self._front.when_resumed()
        number = int(request.match_info["id"])
        found = await self._incidents.find(number)
        if not await self._is_accepted(number):
            raise Refused(404, f"No exception was made from incident {number}.")
        await self._ask(Unaccept(number, by))
        stored = await self._history.accept(found, {"by": by}, clock.wall_ns(), given=False)
        return answer({"id": number, "accepted": None, "stored": stored})

    async def _is_accepted(self, number: int) -> bool:
        """Whether an exception was made from an incident; also where no snapshot shows it yet, or nothing is known."""
        if any(one.incident == number for one in self._front.current().snapshot.exceptions):
            return True
        kept = await self._history.ask(lambda archive: archive.exceptions())
        return kept is None or any(one["incident"] == number for one in kept)

    async def mark(self, request: web.Request) -> web.Response:
        given = order(await body(request), text=object, by=object)
        text, by = word(given, "text", LONGEST_TEXT), word(given, "by", LONGEST_NAME, default="")
        at_ns = clock.wall_ns()
        stored = await self._history.mark(text, by, at_ns)
        # The mark is kept; that judging also notes it in the journal is a courtesy.
        try:
            await self._ask(PutMark(text, by))
        except Refused:
            if not stored:
                raise Refused(503, "The mark could not be kept: neither judging nor the history answers now.") from None
        return answer({"at": iso_wall(at_ns), "text": text, "by": by, "stored": stored}, 201)

    async def rig_check(self, request: web.Request) -> web.Response:
        given = order(await body(request), stop=bool, no_light=str, light=str)
        await self._front.when_resumed()
        return answer(await self._kept(convert(given, ChangeRigCheck)))

    async def lamp_change(self, request: web.Request) -> web.Response:
        given = order(await body(request), circuit=str, fixture=str)
        await self._front.when_resumed()
        return answer(await self._kept(convert(given, ChangeLamp)))

    async def ask_fixtures(self, request: web.Request) -> web.Response:
        given = order(await body(request), seconds=float, confirm=bool)
        return answer(await self._ask(convert(given, AskFixtures)))

    async def stop_asking(self, _request: web.Request) -> web.Response:
        return answer(await self._ask(StopAsking()))

    async def test_message(self, request: web.Request) -> web.Response:
        """Send a test to all recipients, or to one, and answer with the result of each."""
        name = word(order(await body(request), name=object), "name", LONGEST_NAME, default="")
        found = next((one for one in self._front.followers if isinstance(one, Notifications)), None)
        if found is None:
            raise Refused(409, "The house file declares no recipient of messages.")
        if name and name not in found.recipients:
            raise Refused(404, f"There is no recipient {name!r}; known: {', '.join(found.recipients)}.")
        names = [name] if name else list(found.recipients)
        reasons = await asyncio.gather(*map(found.test, names))
        return answer([{"name": n, "sent": not why, "text": why} for n, why in zip(names, reasons, strict=True)])

    async def _kept(self, order: FrontOrder) -> dict[str, object]:
        """As `_ask`, and whether what it changed is on the disk (`stored`)."""
        done, is_seen = await self._seen(order)
        sheet = self._front.sheet
        stored = is_seen and sheet is not None and await self._history.keep(sheet.snapshot)
        return {**_body(done.result), "stored": stored}

    async def _ask(self, order: FrontOrder) -> dict[str, object]:
        """Send the order to judging and give its result. Refused with judging's own sentence."""
        return _body((await self._seen(order))[0].result)

    async def _seen(self, order: FrontOrder) -> tuple[Done[FrontResult], bool]:
        """Return the answer, and whether the newest snapshot is of a later judgement."""
        try:
            done = await self._front.ask(order)
        except ValueError as error:
            raise Refused(409, str(error)) from None
        return done, await self._front.see_after(done)


def _body(result: FrontResult) -> dict[str, object]:
    """Give a result as the API has it."""
    if isinstance(result, LampChanged):
        return {result.lamp: result.name}
    return asdict(result)
