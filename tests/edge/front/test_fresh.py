"""A reader without listeners gets what is true now: judging is asked first, once, and not awaited for long."""

from __future__ import annotations

import asyncio
import gc
import time
from pathlib import Path

import pytest

from slotwatch import clock
from slotwatch.edge.front import fresh
from slotwatch.edge.front.fresh import FRESH_NS, WITHIN_S, Freshness
from slotwatch.edge.shared.messages import Done
from slotwatch.edge.shared.messages.orders import FrontOrder, FrontResult, Look, Noted
from slotwatch.snapshot.health import JudgingReport, ListenerHealth
from tests.edge.front_house import MadeUpSnapshots, Running, running
from tests.patience import PATIENCE_S, happens
from tests.views import fabricate

YOUNG_NS = 3_600_000_000_000
"""An hour."""


class Resting:
    """A judging process that publishes when it is asked to."""

    def __init__(self, snapshots: MadeUpSnapshots, until: asyncio.Event | None = None) -> None:
        """until: what it waits for before it answers."""
        self.snapshots, self.looks = snapshots, 0
        self.until = until or asyncio.Event()
        if until is None:
            self.until.set()

    async def ask(self, order: FrontOrder) -> Done[FrontResult]:
        assert order == Look()
        self.looks += 1
        await self.until.wait()
        before = self.snapshots.sequence
        self.snapshots.show(fabricate.snapshot())
        return Done(0, Noted(), before)


def age(found: Running, by_ns: int) -> None:
    found.show(fabricate.snapshot(), clock.monotonic_ns() - by_ns)


@pytest.fixture
def unhurried(monkeypatch: pytest.MonkeyPatch) -> None:
    """Make what is young stay so, and whoever waits wait: a busy computer pauses for longer than the front's limits."""
    monkeypatch.setattr(fresh, "FRESH_NS", YOUNG_NS)
    monkeypatch.setattr(fresh, "WITHIN_S", PATIENCE_S)


@pytest.mark.usefixtures("unhurried")
async def test_many_who_read_at_once_ask_once_and_read_what_is_new(tmp_path: Path) -> None:
    async with running(tmp_path) as found:
        age(found, YOUNG_NS + 1)
        resting = Resting(found.snapshots, until=(answers := asyncio.Event()))
        asyncio.get_running_loop().call_later(0.02, answers.set)  # so that several wait for one answer
        found.front.ask = resting.ask
        before = found.snapshots.sequence
        answers = await asyncio.gather(*(found.client.get("/api/v1/universes") for _ in range(5)))
        assert [answer.status for answer in answers] == [200] * 5
        assert resting.looks == 1 and found.front.sequence == before + 1


@pytest.mark.usefixtures("unhurried")
@pytest.mark.parametrize("path", ["/metrics", "/plain", "/api/v1/house", "/api/v1/incidents"])
async def test_what_is_young_is_reported_as_it_is_and_what_is_old_is_asked_for(tmp_path: Path, path: str) -> None:
    async with running(tmp_path) as found:
        resting = Resting(found.snapshots)
        found.front.ask = resting.ask
        for by_ns, looks in ((0, 0), (YOUNG_NS + 1, 1)):
            age(found, by_ns)
            assert (await found.client.get(path)).status == 200
            assert resting.looks == looks


async def test_judging_that_does_not_answer_or_says_no_holds_nobody_up(tmp_path: Path) -> None:
    async with running(tmp_path) as found:
        age(found, FRESH_NS + 1)
        hanging = Resting(found.snapshots, until=asyncio.Event())
        found.front.ask = hanging.ask
        freshness = Freshness(found.front)
        began_s = time.monotonic()
        await freshness.freshen()
        await freshness.freshen()
        assert time.monotonic() - began_s >= WITHIN_S
        assert hanging.looks == 1, "the second waits for the answer to the first"
        hanging.until.set()
        await happens(lambda: found.front.age_ns(clock.monotonic_ns()) < FRESH_NS)

        async def refuse(order: FrontOrder) -> Done[FrontResult]:
            raise ValueError("it is being restarted")

        found.front.ask = refuse
        complaints: list[object] = []
        asyncio.get_running_loop().set_exception_handler(lambda _, complaint: complaints.append(complaint))
        age(found, FRESH_NS + 1)
        await Freshness(found.front).freshen()
        gc.collect()
        assert complaints == [], "that it says no is no fault"


async def test_judging_that_is_busy_is_not_asked(tmp_path: Path) -> None:
    async with running(tmp_path) as found:
        snapshot = fabricate.snapshot()
        snapshot.house.listener = ListenerHealth(judging=JudgingReport(snapshot_cost_ms=30.0))
        found.show(snapshot, clock.monotonic_ns() - FRESH_NS - 1)
        resting = Resting(found.snapshots)
        found.front.ask = resting.ask
        assert (await found.client.get("/api/v1/universes")).status == 200
        assert resting.looks == 0
