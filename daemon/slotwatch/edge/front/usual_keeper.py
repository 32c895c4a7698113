"""Keeps what is usual up to date: after each show, at the start and after a change of the house.

It works in a thread, one show at a time, so that neither the page nor judging waits for it. Judging gets what is
usual, and judges tonight by it (`unlike-usual`).
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Mapping
from dataclasses import replace
from functools import partial

from aiohttp import web

from slotwatch import clock
from slotwatch.durations import MILLISECOND_NS
from slotwatch.edge.front.front import Front
from slotwatch.edge.front.guard import Refused
from slotwatch.edge.front.history import History
from slotwatch.edge.front.to_judging import tell_judging
from slotwatch.edge.front.usual import HOUSE, Worked, missing_shows, work_out_house, work_out_show
from slotwatch.edge.shared.messages.orders import TakeUsual
from slotwatch.house.schema import House, Phase
from slotwatch.model.usual_standing import Standing, usual_of
from slotwatch.snapshot import Snapshot
from slotwatch.snapshot.readiness import SaidTrend
from slotwatch.views.answers.usual import TrendAnswer
from slotwatch.views.usual import house_usual_answer
from slotwatch.wire.observation import UsualSeen

SETTLE_S = 2.0
"""Time after a show until the history has its last minute."""
AGAIN_S = 3600.0
BETWEEN_SHOWS_S = 0.05
"""Pause after each show that is worked out: a first start may have dozens."""


class UsualKeeper:
    """A follower of snapshots."""

    name = "usual"

    def __init__(self, front: Front, history: History) -> None:
        self._front = front
        self._history = history
        self._due = asyncio.Event()
        self._phase = ""
        self._started_ns: int | None = None
        self._house: House | None = None
        self._worked = Worked()
        self._growing_worse: tuple[SaidTrend, ...] = ()
        self.trends: list[TrendAnswer] = []
        """What grows worse, as answers."""

    @property
    def standings(self) -> Mapping[str, Standing]:
        """What is usual by universe; empty until the history was read."""
        return self._worked.standings

    def note(self, snapshot: Snapshot) -> None:
        """See when there is something to work out; add what grows worse to the readiness of this snapshot."""
        before, self._phase = self._phase, snapshot.house.phase
        is_new = self._house is not self._front.house or self._started_ns != snapshot.started_ns
        if is_new or (before == Phase.SHOW and self._phase != Phase.SHOW):
            self._house, self._started_ns = self._front.house, snapshot.started_ns
            self._due.set()
        if self._growing_worse:
            snapshot.readiness = replace(snapshot.readiness, grows_worse=self._growing_worse)

    def health(self) -> dict[str, object]:
        """What cannot be read is the history's to say."""
        return {"ok": True, "text": ""}

    async def run(self) -> None:
        """Work for ever."""
        while True:
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(AGAIN_S):
                    await self._due.wait()
            self._due.clear()
            await self._front.when_resumed()
            await asyncio.sleep(SETTLE_S)
            await self.work()

    async def work(self) -> None:
        """Bring everything up to date once, and send it to judging."""
        now_ms = clock.wall_ns() // MILLISECOND_NS
        for span in await self._history.ask(lambda archive: missing_shows(archive, now_ms)) or ():
            rows = await self._history.ask(partial(work_out_show, span=span))
            if rows is None or not await self._history.keep_usual(rows):
                break
            await asyncio.sleep(BETWEEN_SHOWS_S)
        house = self._front.house
        worked = await self._history.ask(lambda archive: work_out_house(archive, house, now_ms))
        if worked is None:
            return
        if worked.new:
            await self._history.keep_usual(worked.new)
        kept = await self._history.ask(lambda archive: archive.usual(HOUSE))
        self._worked = worked
        now_worse = {(one.universe, one.figure) for _, one in worked.worse}
        found = [] if kept is None else [(row[0], row[1], key) for key, row in kept.trends.items() if row is not None]
        self.trends = [body for _, body, key in found if key in now_worse]
        # Shown until the next show has ended.
        new = [body for found_ms, body, _ in found if found_ms >= worked.last_show_ms > 0]
        self._growing_worse = tuple(_trend(body) for body in new)
        await self._tell()

    async def _tell(self) -> None:
        known = tuple(one for standing in self.standings.values() if (one := usual_of(standing)) is not None)
        await tell_judging(self._front.ask, TakeUsual(UsualSeen(clock.monotonic_ns(), known)))

    async def answer(self, _request: web.Request) -> web.Response:
        """What is usual for the whole house."""
        kept = await self._history.ask(lambda archive: archive.usual(HOUSE))
        if kept is None:
            raise Refused(503, self._history.why_unread())
        shows = sorted(kept.shows.values(), key=lambda row: -row.since_ms)
        return web.json_response(house_usual_answer(shows, self.standings, self.trends))


def _trend(found: TrendAnswer) -> SaidTrend:
    return SaidTrend(
        universe=found["universe"],
        figure=found["figure"],
        text=found["text"],
        found_at=found["found_at"],
        limit=found["limit"],
        values=tuple(found["values"]),
        slope=found["slope"],
        p_value=found["p_value"],
    )
