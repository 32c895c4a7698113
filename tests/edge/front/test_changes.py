"""Orders reach judging as they were given, are answered with its own sentence, and are kept."""

from __future__ import annotations

import asyncio
import sqlite3
import time
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Any, Literal

import pytest

from slotwatch import clock
from slotwatch.edge.front import front as http_front
from slotwatch.house.schema import Phase
from slotwatch.judge.orders import Accept, Acknowledge, ChangeLamp, ChangeRigCheck, SetPhase, Unacknowledge
from slotwatch.snapshot import Acknowledgement
from tests.edge.front_house import Running, running
from tests.patience import PATIENCE_S, happens
from tests.views import fabricate
from tests.views.fabricate import incident, snapshot


async def send(run: Running, method: str, path: str, body: Any = None) -> tuple[int, dict[str, Any]]:
    async with run.client.request(method, path, json=body) as response:
        return response.status, await response.json()


async def test_the_phase_is_changed_by_judging(tmp_path: Path) -> None:
    async with running(tmp_path, snapshot=snapshot()) as run:
        assert await send(run, "PUT", "/api/v1/house/phase", {"phase": "dark", "confirm": True}) == (
            200,
            {"phase": "dark", "stored": True},
        )
        assert run.judging.asked == [SetPhase(Phase.DARK, confirm=True)]
        status, body = await send(run, "PUT", "/api/v1/house/phase", {"phase": "interval"})
        assert status == 400 and "dark, get-in, rehearsal, pre-show, show, post-show" in body["error"]
        assert (await send(run, "PUT", "/api/v1/house/phase", {"phase": "dark", "confirm": "yes"}))[0] == 400
        run.judging.refusal = "the main desk still sends; confirm it"
        status, body = await send(run, "PUT", "/api/v1/house/phase", {"phase": "dark"})
        assert status == 409 and body["error"] == "the main desk still sends; confirm it"


async def test_a_reload_that_is_refused_says_what_is_wrong(tmp_path: Path) -> None:
    async with running(tmp_path, snapshot=snapshot()) as run:
        assert await send(run, "POST", "/api/v1/house/reload") == (
            200,
            {"reloaded": True, "name": "Harbour Street Playhouse"},
        )
        run.judging.refusal = "house.toml:7: limits.min_refresh_hz: fast - a number"
        status, body = await send(run, "POST", "/api/v1/house/reload")
        assert status == 409 and body["error"].startswith("house.toml:7")


async def test_an_acknowledgement_is_on_the_disk_when_it_is_answered(tmp_path: Path) -> None:
    async with running(tmp_path, snapshot=snapshot()) as run:
        status, body = await send(run, "POST", "/api/v1/incidents/7/acknowledge", {"by": " Ann ", "note": "on my way"})
        assert status == 200 and body["stored"] and body["acknowledged"]["by"] == "Ann"
        assert run.judging.asked == [Acknowledge(7, "Ann", "on my way")]
        with closing(sqlite3.connect(tmp_path / "history.db")) as db:
            assert db.execute("SELECT incident, given, by, note FROM acknowledgements").fetchall() == [
                (7, 1, "Ann", "on my way")
            ]
        assert (await send(run, "DELETE", "/api/v1/incidents/7/acknowledge"))[1]["acknowledged"] is None
        assert run.judging.asked[-1] == Unacknowledge(7)


class Awaited(asyncio.Event):
    """An event that says whether somebody waits for it."""

    is_awaited = False

    async def wait(self) -> Literal[True]:
        self.is_awaited = True
        return await super().wait()


async def test_right_after_a_restart_an_acknowledgement_waits_until_judging_knows_what_it_is_of(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    async with running(tmp_path, snapshot=snapshot()) as run:
        run.front.resumed = resumed = Awaited()
        asking = asyncio.create_task(send(run, "DELETE", "/api/v1/incidents/7/acknowledge"))
        await happens(lambda: resumed.is_awaited)
        assert not run.judging.asked
        resumed.set()
        assert (await asking)[0] == 200 and run.judging.asked == [Unacknowledge(7)]
        run.front.resumed.clear()
        monkeypatch.setattr(http_front, "RESUMED_WITHIN_S", 0.05)
        assert (await send(run, "DELETE", "/api/v1/incidents/7/acknowledge"))[0] == 200, "not for ever"


async def test_an_acknowledgement_needs_a_name_and_an_incident(tmp_path: Path) -> None:
    async with running(tmp_path, snapshot=snapshot()) as run:
        for wrong in ({}, {"by": ""}, {"by": 7}, {"by": "x" * 81}, {"by": "Ann", "note": 3}):
            assert (await send(run, "POST", "/api/v1/incidents/7/acknowledge", wrong))[0] == 400
        status, body = await send(run, "POST", "/api/v1/incidents/99/acknowledge", {"by": "Ann"})
        assert (status, body) == (404, {"error": "There is no incident 99."})
        # As documented: the body is `{"by", "note"}`; what is spelled wrong must not be dropped in silence
        status, body = await send(run, "POST", "/api/v1/incidents/7/acknowledge", {"by": "Ann", "notes": "x"})
        assert status == 400 and '"notes" is not known here' in body["error"]
        assert (await send(run, "PUT", "/api/v1/house/phase", {"phase": "show", "confirmed": True}))[0] == 400
        assert (await send(run, "POST", "/api/v1/marks", {"text": "x", "at": "now"}))[0] == 400
        assert not run.judging.asked


async def test_a_mark_is_kept_even_while_judging_is_away(tmp_path: Path) -> None:
    async with running(tmp_path, snapshot=snapshot()) as run:
        run.judging.refusal = "the judging process does not answer"
        status, body = await send(
            run, "POST", "/api/v1/marks", {"text": "a   flicker\n\ud800stage left\x00", "by": "Ann"}
        )
        assert status == 201 and body["stored"] and body["text"] == "a flicker stage left"
        marks = await (await run.client.get("/api/v1/marks")).json()
        assert [(mark["text"], mark["by"]) for mark in marks] == [("a flicker stage left", "Ann")]


async def test_a_mark_made_while_the_clock_was_ahead_is_listed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    async with running(tmp_path, snapshot=snapshot()) as run:
        right = clock.wall_ns
        monkeypatch.setattr(clock, "wall_ns", lambda: right() + 3600 * 1_000_000_000)
        assert (await send(run, "POST", "/api/v1/marks", {"text": "an hour on"}))[1]["stored"]
        monkeypatch.setattr(clock, "wall_ns", right)
        marks = await (await run.client.get("/api/v1/marks")).json()
        assert [mark["text"] for mark in marks] == ["an hour on"]
        earlier = await (await run.client.get("/api/v1/marks?until=2026-01-01T00:00:00Z")).json()
        assert earlier == []


async def test_rig_check_and_lamp_change_go_to_judging(tmp_path: Path) -> None:
    async with running(tmp_path, snapshot=snapshot()) as run:
        assert (await send(run, "POST", "/api/v1/rig-check", {"stop": False}))[0] == 200
        assert (await send(run, "POST", "/api/v1/lamp-changes", {"circuit": "12"}))[0] == 200
        assert run.judging.asked == [ChangeRigCheck(stop=False), ChangeLamp(circuit="12")]


async def test_an_order_is_answered_once_a_later_publication_is_seen(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(http_front, "SEEN_WITHIN_S", PATIENCE_S)
    async with running(tmp_path, snapshot=snapshot()) as run:
        run.judging.publication = run.snapshots.sequence
        asking = asyncio.create_task(send(run, "PUT", "/api/v1/house/phase", {"phase": "dark", "confirm": True}))
        await happens(lambda: run.judging.asked)
        assert (await send(run, "GET", "/api/v1/house"))[1]["phase"] == "show", "what was asked later is answered first"
        assert not asking.done()
        dark = snapshot()
        run.snapshots.show(replace(dark, house=replace(dark.house, phase="dark")))
        assert await asking == (200, {"phase": "dark", "stored": True}), "and nothing of how it was waited for"
        assert (await send(run, "GET", "/api/v1/house"))[1]["phase"] == "dark"


async def test_an_acknowledgement_is_answered_as_judging_has_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(http_front, "SEEN_WITHIN_S", PATIENCE_S)
    async with running(tmp_path, snapshot=snapshot(incidents=(incident(7),))) as run:
        run.judging.publication = run.snapshots.sequence
        asking = asyncio.create_task(send(run, "POST", "/api/v1/incidents/7/acknowledge", {"by": "Ann"}))
        await happens(lambda: run.judging.asked)
        taken = replace(incident(7), acknowledged=Acknowledgement("Ann", fabricate.NOW_NS - 123_000_000))
        run.snapshots.show(snapshot(incidents=(taken,)))
        _, answered = await asking
        found = (await send(run, "GET", "/api/v1/incidents/7"))[1]
        assert answered["acknowledged"] == found["acknowledged"] is not None
        with closing(sqlite3.connect(tmp_path / "history.db")) as db:
            (at_ms,) = db.execute("SELECT at_ms FROM acknowledgements").fetchone()
        assert at_ms == (taken.acknowledged.at_ns + taken.wall_offset_ns) // 1_000_000


async def test_an_order_is_answered_all_the_same_while_judging_publishes_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(http_front, "SEEN_WITHIN_S", 0.05)
    async with running(tmp_path, snapshot=snapshot()) as run:
        run.judging.publication = run.snapshots.sequence
        before_s = time.monotonic()
        assert (await send(run, "POST", "/api/v1/house/reload"))[0] == 200
        assert time.monotonic() - before_s >= 0.05


async def test_an_incident_is_accepted_for_tonight_or_until_a_date_and_that_is_on_the_disk(tmp_path: Path) -> None:
    async with running(tmp_path, snapshot=snapshot()) as run:
        body = {"reason": "no pixels tonight", "by": "Ann", "until": "2999-01-31"}
        status, refused = await send(run, "POST", "/api/v1/incidents/7/accept", body)
        assert status == 400 and "more than two years ahead" in refused["error"]
        status, refused = await send(run, "POST", "/api/v1/incidents/7/accept", {**body, "until": "soon"})
        assert status == 400 and 'write "tonight" or a date such as 2027-01-31' in refused["error"]
        assert run.judging.asked == []
        status, answer = await send(run, "POST", "/api/v1/incidents/7/accept", {**body, "until": "tonight"})
        assert (status, answer["stored"]) == (200, True)
        assert answer["accepted"]["reason"] == "no pixels tonight" and answer["accepted"]["until"].endswith("Z")
        (order,) = run.judging.asked
        assert isinstance(order, Accept) and (order.id, order.by) == (7, "Ann")
        (kept,) = run.history.archive.exceptions()
        assert (kept["incident"], kept["reason"], kept["universes"]) == (7, "no pixels tonight", ["e131/2"])
        assert kept["until_wall_ns"] == order.until_wall_ns
        status, answer = await send(run, "DELETE", "/api/v1/incidents/7/accept", {"by": "Bob"})
        assert (status, answer) == (200, {"id": 7, "accepted": None, "stored": True})
        assert run.history.archive.exceptions() == []
        for number, reason in ((7, "No exception was made from incident 7."), (99, "There is no incident 99.")):
            status, answer = await send(run, "DELETE", f"/api/v1/incidents/{number}/accept", {"by": "Bob"})
            assert (status, answer) == (404, {"error": reason}), "docs/api.md: 404 is unknown"


async def test_an_exception_needs_a_reason_and_a_name(tmp_path: Path) -> None:
    async with running(tmp_path, snapshot=snapshot()) as run:
        for body in ({"by": "Ann"}, {"reason": "x"}, {"reason": "", "by": "Ann"}):
            assert (await send(run, "POST", "/api/v1/incidents/7/accept", body))[0] == 400
        assert (await send(run, "POST", "/api/v1/incidents/99/accept", {"reason": "x", "by": "Ann"}))[0] == 404
