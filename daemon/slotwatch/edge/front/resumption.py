"""Gives judging, whenever it starts, what the history knows: the next number, what was open, the phase, the hours."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field
from typing import cast

import msgspec
from msgspec.structs import replace

from slotwatch import clock
from slotwatch.durations import MILLISECOND_NS, MINUTE_NS
from slotwatch.edge.front.history import History
from slotwatch.edge.front.history_archive import Archive
from slotwatch.edge.front.history_number import first_number
from slotwatch.edge.front.history_rows import is_time
from slotwatch.edge.front.to_judging import Ask
from slotwatch.edge.shared.messages import Done
from slotwatch.edge.shared.messages.orders import FrontResult
from slotwatch.judge.flapping import Flapping
from slotwatch.judge.orders import Absence, Restore, Resume
from slotwatch.snapshot import Snapshot
from slotwatch.views.kept import KeptException, KeptIncident, KeptLampHours, KeptPhase, KeptRigCheck
from slotwatch.views.records import (
    exception_of,
    homes_of,
    incident_of,
    lamp_hours_of,
    phase_of,
    rig_check_of,
    up_times_of,
)
from slotwatch.wire.observation import LastShowSeen

AGAIN_S = 1.0
TRIES = 10
LOOKS = 2
"""How often a snapshot of after an order is waited for. Judging that publishes none in twice that time is ended by the
parent, and its successor gets its memory anew."""
HEARD_MINUTES = 10
"""Newest minutes in which a universe was heard that may be missing now. What fell silent before has its incident."""
SAME_SHOW_MS = 4 * 3600 * 1000
"""After a longer time without a listener the phase of before says nothing any more."""
SHORTEST_MS = 1000
"""Length that an absence gets if its start is after its end, because the wall clock was set back meanwhile."""
UNWRITTEN_NUMBERS = 10
"""Left out after an end without notice: the last numbers may have been shown and not have been written yet."""
NUMBERS_APART = 10_000
"""How far the numbers of a daemon without a history are from those of the daemon that keeps it."""
STOPPED = "not-running"
ENDED = "ended-unexpectedly"


@dataclass(slots=True)
class Memory:
    """What the history knows of before."""

    next_id: int = 1
    incidents: list[KeptIncident] = field(default_factory=list)
    state: dict[str, dict[str, object]] = field(default_factory=dict)
    exceptions: list[KeptException] = field(default_factory=list)
    hours: list[dict[str, object]] = field(default_factory=list)
    rig_check: dict[str, object] | None = None
    heard: list[tuple[str, int]] = field(default_factory=list)
    """Universes that were heard lately, each with the last minute in which it was."""
    homes: list[tuple[str, str, str]] = field(default_factory=list)
    """Networks, by name, on which declared sources were heard, with their addresses there."""
    written_ms: int = 0
    """When a minute or a mark was last kept, milliseconds since 1970; 0 for never."""

    @classmethod
    def of(cls, archive: Archive) -> Memory:
        """Read it. What closed within the last minute may return as the same incident."""
        state = archive.state()
        homes, odd = homes_of(state.get("homes", {}))
        for place in odd:
            archive.odd.add("state", ("homes", place))
        closed_since_ms = (clock.wall_ns() - Flapping().reopen_ns) // MILLISECOND_NS
        return cls(
            first_number(archive.path),
            archive.incidents("open") + archive.incidents("closed", closed_since_ms),
            state,
            archive.exceptions(),
            archive.hours(),
            archive.rig_check(),
            archive.heard_lately(HEARD_MINUTES),
            homes,
            archive.written_ms(),
        )


class Resumption:
    """Notices a judging process that was restarted, and gives it its memory back."""

    name = "resumption"

    def __init__(
        self,
        history: History,
        ask: Ask,
        resumed: asyncio.Event,
        see_after: Callable[[Done[FrontResult]], Awaitable[bool]],
    ) -> None:
        """resumed: set whenever the judging that runs has its memory back. see_after: waits for a snapshot
        that shows what was carried out."""
        self._resumed = resumed
        self._resumed.clear()
        self._history = history
        self._ask = ask
        self._see_after = see_after
        self._started_ns: int | None = None
        self._started_ms = 0
        self._first_ms = 0
        """When the first judging of this run began: what was kept before it is of another run."""
        self._begun = asyncio.Event()
        self._trouble = ""

    def note(self, snapshot: Snapshot) -> None:
        if snapshot.started_ns != self._started_ns:
            self._started_ns = snapshot.started_ns
            self._started_ms = (snapshot.started_ns + snapshot.wall_offset_ns) // MILLISECOND_NS
            self._first_ms = self._first_ms or self._started_ms
            self._history.held = self._history.counts_held = True
            self._resumed.clear()
            self._begun.set()

    def health(self) -> dict[str, object]:
        return {"ok": not self._trouble, "text": self._trouble}

    async def run(self) -> None:
        """Work for ever."""
        while True:
            await self._begun.wait()
            self._begun.clear()
            try:
                await self._resume()
            finally:
                self._continue()

    async def _resume(self) -> None:
        has_waited = False
        while not await self._history.is_ours():
            if not has_waited and not await self._taken_up(self._without_history):
                return
            has_waited = True
            if self._begun.is_set():
                return
            self._resumed.set()  # changes need not wait for the other daemon
            await asyncio.sleep(AGAIN_S)
        memory = await self._history.ask(Memory.of) or Memory(first_number(self._history.path))
        if not await self._taken_up(lambda: self._taking_over(memory) if has_waited else self._resuming(memory)):
            return
        if not has_waited:
            self._note_set_back(memory)
        self._continue()
        is_counted = bool(memory.hours or memory.rig_check)
        knows = await self._taken_up(lambda: _restoring(memory)) if is_counted else not self._begun.is_set()
        self._history.counts_held = not knows

    def _continue(self) -> None:
        """Keep what judging reports from now on, and let changes through, unless it was restarted meanwhile."""
        if not self._begun.is_set():
            self._history.held = False
            self._resumed.set()

    def _note_set_back(self, memory: Memory) -> None:
        """Keep that the wall clock was set back while no slotwatch ran, if the last sign of life is later than now."""
        alive = memory.state.get("alive", {})
        at_ms = alive.get("at_ms")
        if alive.get("run") != self._history.run and isinstance(at_ms, int) and is_time(at_ms):
            by_ms = at_ms - self._started_ms
            if by_ms >= SHORTEST_MS:
                self._history.note_set_back_meanwhile(self._started_ms, by_ms)

    def _without_history(self) -> Resume:
        """Number what is found while another daemon keeps the history apart from what that one finds."""
        return Resume(next_id=first_number(self._history.path) + NUMBERS_APART)

    def _taking_over(self, memory: Memory) -> Resume:
        """Go on with what another daemon left. This one listened meanwhile: it was not away, and has a phase."""
        # The monotonic clock of then may have been another boot's: the wall clock carries the times over.
        offset_ns = clock.wall_offset_ns()
        return Resume(
            next_id=memory.next_id,
            incidents=tuple(incident_of(kept, offset_ns) for kept in memory.incidents),
            exceptions=tuple(exception_of(kept) for kept in memory.exceptions),
            last_show=_last_show(memory),
        )

    def _resuming(self, memory: Memory) -> Resume:
        """Make the order. KeyError, TypeError or ValueError if what is kept is odd."""
        heard = tuple((universe, minute * MINUTE_NS) for universe, minute in memory.heard)
        order = replace(self._taking_over(memory), heard=heard, switches=_switches(memory))
        alive, phase = memory.state.get("alive", {}), memory.state.get("phase")
        at_ms = alive.get("at_ms")
        if at_ms is None and 0 < memory.written_ms < self._first_ms:
            # The run before ended so early that it kept no sign of life.
            at_ms = memory.written_ms
        if not isinstance(at_ms, int) or not is_time(at_ms):
            return order
        if alive.get("run") != self._history.run:
            is_clean = alive.get("stopped") is True
            self._history.absence = STOPPED if is_clean else ENDED
            away = Absence(min(at_ms, self._started_ms - SHORTEST_MS) * MILLISECOND_NS, self._history.absence)
            order = replace(order, away=away, next_id=order.next_id + (0 if is_clean else UNWRITTEN_NUMBERS))
        is_same_show = clock.wall_ns() // MILLISECOND_NS - at_ms <= SAME_SHOW_MS
        if is_same_show:
            order = replace(order, homes=tuple(memory.homes))
        if phase and is_same_show and phase.get("declared") == self._history.declared_phase:
            order = replace(order, phase=phase_of(cast("KeptPhase", phase)))
        return order

    async def _taken_up(self, make: Callable[[], Resume | Restore]) -> bool:
        """Have judging take something up, and see that it did; False if it will not, or was restarted meanwhile."""
        for _ in range(TRIES):
            if self._begun.is_set():
                return False
            try:
                # Read back here: an odd value of the history must not end judging, which reads strictly.
                order = make()
                msgspec.convert(msgspec.to_builtins(order), type(order))
                done = await self._ask(order)
            except (KeyError, TypeError, ValueError, msgspec.ValidationError) as error:
                self._trouble = f"Judging did not take up what the history knows: {error}"
                await asyncio.sleep(AGAIN_S)
                continue
            self._trouble = ""
            # What was published before is of a judgement without memory.
            for _ in range(LOOKS):
                if self._begun.is_set() or await self._see_after(done):
                    break
            return True
        return False


def _restoring(memory: Memory) -> Restore:
    """Make the order. ValueError if what is kept is odd."""
    check = rig_check_of(cast("KeptRigCheck", memory.rig_check)) if memory.rig_check else None
    return Restore(tuple(lamp_hours_of(cast("KeptLampHours", kept)) for kept in memory.hours), check)


def _switches(memory: Memory) -> tuple[tuple[str, int, int], ...]:
    """When switches last answered, and their up times then: of this boot and of lately. Where this computer started
    anew, or a house was switched off for the night, so were its switches, and that is no fault."""
    now_ns, boot_ns = clock.wall_ns(), clock.wall_offset_ns()
    earliest_ns = max(boot_ns, now_ns - SAME_SHOW_MS * MILLISECOND_NS)
    return tuple(one for one in up_times_of(memory.state.get("switches", {})) if earliest_ns < one[1] < now_ns)


def _last_show(memory: Memory) -> LastShowSeen | None:
    """How leads and switch ports stood at the last show; None: it is not known, or cannot be read."""
    try:
        return msgspec.convert({"t_ns": clock.monotonic_ns(), **memory.state.get("last show", {})}, LastShowSeen)
    except msgspec.ValidationError:
        return None
