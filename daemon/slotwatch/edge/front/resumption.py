"""Tells judging, whenever it begins, what the history knows: the next number, what was open, hours and rig check."""

from __future__ import annotations

import asyncio
from typing import Any

from slotwatch.edge.front.front import Ask
from slotwatch.edge.front.history import History
from slotwatch.snapshot import Snapshot

AGAIN_S = 1.0
TRIES = 10
SETTLE_S = 1.0


class Resumption:
    """Notices a judging process that was started anew, and gives it its memory back."""

    name = "resumption"

    def __init__(self, history: History, ask: Ask, resumed: asyncio.Event) -> None:
        """resumed: set whenever the judging that runs has its memory back."""
        self._resumed = resumed
        self._resumed.clear()
        self._history = history
        self._ask = ask
        self._started_ns: int | None = None
        self._begun = asyncio.Event()
        self._trouble = ""

    def note(self, snapshot: Snapshot) -> None:
        if snapshot.started_ns != self._started_ns:
            self._started_ns = snapshot.started_ns
            self._history.counts_held = True
            self._resumed.clear()
            self._begun.set()

    def health(self) -> dict[str, Any]:
        return {"ok": not self._trouble, "text": self._trouble}

    async def run(self) -> None:
        """Work for ever."""
        while True:
            await self._begun.wait()
            self._begun.clear()
            await self._resume()

    async def _resume(self) -> None:
        next_id = await self._history.ask(lambda archive: archive.next_id()) or 1
        incidents = await self._history.ask(lambda archive: archive.incidents("open")) or []
        hours = await self._history.ask(lambda archive: archive.hours()) or []
        rig_check = await self._history.ask(lambda archive: archive.rig_check())
        for _ in range(TRIES):
            try:
                await self._ask("resume", {"next_id": next_id, "incidents": incidents})
            except ValueError as error:
                self._trouble = f"Judging did not take up what the history knows: {error}"
                await asyncio.sleep(AGAIN_S)
                continue
            self._trouble = ""
            break
        if not self._begun.is_set():
            self._resumed.set()
        if hours or rig_check:
            try:
                await self._ask("restore", {"hours": hours, "rig_check": rig_check})
            except ValueError as error:
                self._trouble = (
                    f"Lamp hours and the rig check of before are not taken up, and none are kept now: {error}"
                )
                return
            await asyncio.sleep(SETTLE_S)  # a snapshot of before that may still be on its way
        self._history.counts_held = self._begun.is_set()
