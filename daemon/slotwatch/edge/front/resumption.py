"""Tells judging, whenever it begins, what the history knows: the next number, what was open, the phase, the hours."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field
from typing import Any

from slotwatch import clock
from slotwatch.edge.front.front import Ask
from slotwatch.edge.front.history import History
from slotwatch.edge.front.history_archive import Archive
from slotwatch.edge.front.history_number import first_number
from slotwatch.edge.front.history_rows import is_time
from slotwatch.judge.flapping import Flapping
from slotwatch.snapshot import Snapshot

AGAIN_S = 1.0
TRIES = 10
MILLISECOND_NS = 1_000_000
SAME_SHOW_MS = 4 * 3600 * 1000
"""After a longer time without a listener the phase of before says nothing any more."""
UNWRITTEN_NUMBERS = 10
"""Left out after an end without notice: the last numbers may have been shown and not have been written yet."""
STOPPED = "not-running"
ENDED = "ended-unexpectedly"


@dataclass(slots=True)
class Memory:
    """What the history knows of before."""

    next_id: int = 1
    incidents: list[dict[str, Any]] = field(default_factory=list)
    state: dict[str, dict[str, Any]] = field(default_factory=dict)
    exceptions: list[dict[str, Any]] = field(default_factory=list)
    hours: list[dict[str, Any]] = field(default_factory=list)
    rig_check: dict[str, Any] | None = None

    @classmethod
    def of(cls, archive: Archive) -> Memory:
        """Read it. What closed within the last minute may return as the same incident."""
        closed_since_ms = (clock.wall_ns() - Flapping().reopen_ns) // MILLISECOND_NS
        return cls(
            first_number(archive.path),
            archive.incidents("open") + archive.incidents("closed", closed_since_ms),
            archive.state(),
            archive.exceptions(),
            archive.hours(),
            archive.rig_check(),
        )


class Resumption:
    """Notices a judging process that was started anew, and gives it its memory back."""

    name = "resumption"

    def __init__(
        self,
        history: History,
        ask: Ask,
        resumed: asyncio.Event,
        see: Callable[[int], Awaitable[bool]],
    ) -> None:
        """resumed: set whenever the judging that runs has its memory back. see: waits for a later publication."""
        self._resumed = resumed
        self._resumed.clear()
        self._history = history
        self._ask = ask
        self._see = see
        self._started_ns: int | None = None
        self._started_ms = 0
        self._begun = asyncio.Event()
        self._trouble = ""

    def note(self, snapshot: Snapshot) -> None:
        if snapshot.started_ns != self._started_ns:
            self._started_ns = snapshot.started_ns
            self._started_ms = (snapshot.started_ns + snapshot.wall_offset_ns) // MILLISECOND_NS
            self._history.held = self._history.counts_held = True
            self._resumed.clear()
            self._begun.set()

    def health(self) -> dict[str, Any]:
        return {"ok": not self._trouble, "text": self._trouble}

    async def run(self) -> None:
        """Work for ever."""
        while True:
            await self._begun.wait()
            self._begun.clear()
            try:
                await self._resume()
            finally:
                self._go_on()

    async def _resume(self) -> None:
        memory = await self._history.ask(Memory.of) or Memory(first_number(self._history.path))
        if not await self._told("resume", self._resuming(memory)):
            return
        self._go_on()
        hours = {"hours": memory.hours, "rig_check": memory.rig_check}
        knows = await self._told("restore", hours) if memory.hours or memory.rig_check else not self._begun.is_set()
        self._history.counts_held = not knows

    def _go_on(self) -> None:
        """Keep what judging says from now on, and let changes through, unless it was started anew meanwhile."""
        if not self._begun.is_set():
            self._history.held = False
            self._resumed.set()

    def _resuming(self, memory: Memory) -> dict[str, Any]:
        given: dict[str, Any] = {"next_id": memory.next_id, "incidents": memory.incidents}
        if memory.exceptions:
            given["exceptions"] = memory.exceptions
        alive, phase = memory.state.get("alive", {}), memory.state.get("phase")
        at_ms: Any = alive.get("at_ms")
        if not is_time(at_ms):
            return given
        if alive.get("run") != self._history.run and at_ms < self._started_ms:
            is_clean = alive.get("stopped") is True
            self._history.absence = STOPPED if is_clean else ENDED
            given["away"] = {"from_wall_ns": at_ms * MILLISECOND_NS, "reason": self._history.absence}
            given["next_id"] += 0 if is_clean else UNWRITTEN_NUMBERS
        is_same_show = clock.wall_ns() // MILLISECOND_NS - at_ms <= SAME_SHOW_MS
        if phase and is_same_show and phase.get("declared") == self._history.declared_phase:
            given["phase"] = {name: value for name, value in phase.items() if name != "declared"}
        return given

    async def _told(self, name: str, given: dict[str, Any]) -> bool:
        """Have judging take something up, and see that it did; False if it will not, or was started anew meanwhile."""
        for _ in range(TRIES):
            if self._begun.is_set():
                return False
            try:
                answer = await self._ask(name, given)
            except ValueError as error:
                self._trouble = f"Judging did not take up what the history knows: {error}"
                await asyncio.sleep(AGAIN_S)
                continue
            self._trouble = ""
            # What was published before is of a judgement without memory.
            for _ in range(TRIES):
                if "board" not in answer or self._begun.is_set() or await self._see(answer["board"]):
                    break
            return True
        return False
