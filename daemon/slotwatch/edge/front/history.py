"""Keeps the history: follows snapshots, gives the writer what is new, and answers what was."""

from __future__ import annotations

import asyncio
import sqlite3
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TypeVar

from slotwatch import clock
from slotwatch.durations import MILLISECOND_NS
from slotwatch.edge.front.history_archive import Archive, HistoryHealth
from slotwatch.edge.front.history_shows import UsualRows
from slotwatch.edge.front.history_store import Pending, ReferenceRow
from slotwatch.edge.front.history_writer import HistoryWriter
from slotwatch.judge import wording
from slotwatch.snapshot import Incident, Snapshot
from slotwatch.snapshot.health import NotJudgedRow
from slotwatch.snapshot.minutes import MinuteRow
from slotwatch.views.kept import KeptPhase
from slotwatch.views.records import homes_record, phase_record, record, rig_check_record, up_times_record

HOURS_NS = 60_000_000_000
ABSENCE_WITHIN_NS = 10_000_000_000
"""Judging publishes the time without a listener in its next snapshots; a sign of life waits no longer than this."""
ALIVE_NS = 5_000_000_000
"""How often the history notes that judging runs: after a power cut the time without a listener begins there."""
OWNER_WITHIN_NS = 3_000_000_000
OWNER_AGAIN_S = 0.02
AS_IT_WAS = "Times before this mark are by the clock as it was."
NEW_STEP_NS = 10_000_000_000
"""Of the first snapshot: how old a step of the clock may be that no earlier process of the page has marked."""
MOST_INTERVALS = 1024
"""Most times not judged that are remembered as kept: more than a snapshot lists (`judge.listener`)."""

_T = TypeVar("_T")
_Key = TypeVar("_Key", str, int)


class History:
    """One history file. Made and used in the event loop."""

    name = "history"

    def __init__(self, path: Path, keep_days: int) -> None:
        self.path = path
        self.archive = Archive(path)
        self._writer = HistoryWriter(path, keep_days)
        self._begun = 0
        self._revisions: dict[tuple[int, int], int] = {}
        self._minute = -1
        self._clock_seen_ns = 0
        """Up to when steps of the clock were marked."""
        self._phase = ""
        self._kept: dict[str, Mapping[str, object]] = {}
        self._intervals: dict[str, tuple[tuple[int, str], int, tuple[int | None, str] | None]] = {}
        """Of each time not judged: its key, the offset of the wall clock when it was first noted, and what was kept."""
        self._kept_phase: KeptPhase | None = None
        self._hours_ns = 0
        self.held = False
        """Set while judging does not know what was before it: its numbers and its phase must not be kept yet."""
        self.counts_held = False
        """Set while judging does not know the hours and rig check of before: its zeros must not replace them."""
        self.run = ""
        """Which run of the program this is: its processes may be restarted within one."""
        self.declared_phase = ""
        """Phase at start by the house file, which counts again once somebody changed it."""
        self.absence = ""
        """Why slotwatch did not listen before this run, until judging has published that time. Until then no sign of
        life is kept: if this run ends at once, the next one finds the older sign, and the time is not forgotten."""
        self._alive_ns = self._alive_ms = 0
        self._first_ns = 0

    def move(self, path: Path, keep_days: int) -> None:
        """From now on, keep rows for this many days, in this file. What waits is written there too."""
        self._writer.move(path, keep_days)
        if path == self.path:
            return
        self.path, self.archive = path, Archive(path)
        self._minute = -1
        self._keep_all_again()

    def _keep_all_again(self) -> None:
        """Let another file get all that holds now."""
        self._revisions, self._phase, self._kept, self._intervals, self._hours_ns = {}, "", {}, {}, 0
        self._kept_phase = None
        self._alive_ns = 0

    # --- what is new ------------------------------------------------------------------------------------

    def note(self, snapshot: Snapshot) -> None:
        """Take what a snapshot holds that is not written yet."""
        self._take(snapshot)

    async def keep(self, snapshot: Snapshot) -> bool:
        """Take all of a snapshot, hours too; True once everything is safe on the disk."""
        if self.held:
            return False
        self._hours_ns = 0
        return await self._writer.confirmed(self._take(snapshot))

    def _take(self, snapshot: Snapshot) -> int:
        """Give the writer what is new; the number of the last gift."""
        if self._begun != self._writer.begun:
            self._begun = self._writer.begun
            self._keep_all_again()
        new = Pending()
        offset = snapshot.wall_offset_ns
        for row in snapshot.house.listener.not_judged:
            self._note_interval(row, offset, new)
        new.minutes = self._new_minutes(snapshot)
        self._note_clock(snapshot, new)
        if not self.held:
            self._note_incidents(snapshot, new)
            self._note_phase(snapshot, new)
            if not self.counts_held:
                self._note_counts(snapshot, new)
            self._note_alive(snapshot, new)
        return self._writer.give(new) if new else self._writer.asked

    def _new_minutes(self, snapshot: Snapshot) -> list[MinuteRow]:
        """Give the minutes that finished since the last call, in that order: a clock may have been set back."""
        rows = snapshot.minutes
        if not rows or rows[-1].minute == self._minute:
            return []
        known = [number for number, row in enumerate(rows) if row.minute == self._minute]
        self._minute = rows[-1].minute
        return list(rows[known[-1] + 1 :] if known else rows)

    def _note_clock(self, snapshot: Snapshot, new: Pending) -> None:
        """Mark where the wall clock was set, for the report: times before it are by the clock as it was."""
        steps, seen_ns = snapshot.house.listener.clock_steps, self._clock_seen_ns or snapshot.now_ns - NEW_STEP_NS
        self._clock_seen_ns = snapshot.now_ns
        later_ns = 0
        for step in reversed(steps):
            if step.t_ns <= seen_ns:
                return
            if abs(step.step_ns) >= wording.SAID_STEP_NS:
                at_ms = (step.t_ns + snapshot.wall_offset_ns - later_ns) // MILLISECOND_NS
                text = f"{wording.clock_was_set(step.step_ns)} {AS_IT_WAS}"
                new.marks.append((at_ms, text, "slotwatch"))
                new.clock_steps.insert(0, (at_ms, step.step_ns // MILLISECOND_NS))
            later_ns += step.step_ns

    def note_set_back_meanwhile(self, at_ms: int, by_ms: int) -> None:
        """Mark that the wall clock was set back, by this much or more, while slotwatch did not run."""
        text = f"{wording.clock_was_set(-by_ms * MILLISECOND_NS)[:-1]} or more while slotwatch did not run. {AS_IT_WAS}"
        self._writer.give(Pending(marks=[(at_ms, text, "slotwatch")], clock_steps=[(at_ms, -by_ms)]))

    def _note_phase(self, snapshot: Snapshot, new: Pending) -> None:
        view, offset = snapshot.house, snapshot.wall_offset_ns
        if view.phase != self._phase:
            self._phase = view.phase
            new.phases[(view.phase_since_ns + offset) // MILLISECOND_NS] = self._phase
        known = self._kept_phase
        now: KeptPhase = {**phase_record(view, offset), "declared": self.declared_phase}
        # The same beginning reads a little otherwise once the wall clock was corrected.
        if (
            known is not None
            and known["phase"] == now["phase"]
            and abs(known["since_wall_ns"] - now["since_wall_ns"]) < 1_000_000_000
        ):
            now["since_wall_ns"] = known["since_wall_ns"]
        self._kept_phase = now
        self._note_kept(new.state, "phase", now, "state ")
        if view.last_show is not None:
            self._note_kept(new.state, "last show", view.last_show._asdict(), "state ")

    def _note_alive(self, snapshot: Snapshot, new: Pending) -> None:
        self._first_ns = self._first_ns or snapshot.now_ns
        if self.absence and snapshot.now_ns - self._first_ns < ABSENCE_WITHIN_NS:
            intervals = snapshot.house.listener.not_judged
            if not any(row.reason == self.absence for row in intervals):
                return
        self.absence = ""
        self._note_kept(new.state, "numbers", {"next": snapshot.next_incident}, "state ")
        self._alive_ms = (snapshot.now_ns + snapshot.wall_offset_ns) // MILLISECOND_NS
        if new or snapshot.now_ns - self._alive_ns >= ALIVE_NS:
            self._alive_ns = snapshot.now_ns
            new.state["alive"] = self._alive(stopped=False)
            if (homes := homes_record(snapshot, self._kept.get("state homes", {}))) is not None:
                self._note_kept(new.state, "homes", homes, "state ")
            if snapshot.switches:
                new.state["switches"] = up_times_record(snapshot.switches, snapshot.wall_offset_ns)

    def _alive(self, *, stopped: bool) -> dict[str, object]:
        return {"at_ms": self._alive_ms, "run": self.run, "stopped": stopped}

    def _note_incidents(self, snapshot: Snapshot, new: Pending) -> None:
        held: dict[tuple[int, int], int] = {}
        for found in snapshot.incidents:
            key = _key(found)
            held[key] = _mark(found)
            if self._revisions.get(key) != held[key]:
                new.incidents[key] = record(found)
        self._revisions = held

    def _note_interval(self, row: NotJudgedRow, offset: int, new: Pending) -> None:
        key = ((row.start_ns + offset) // MILLISECOND_NS, row.network)
        # By the clock with which it began, also if that was set since: it is one interval, and ends after its start.
        name = f"{row.start_ns} {key[1]}"
        known, offset, held = self._intervals.get(name, (key, offset, None))
        value = (None if row.end_ns is None else (row.end_ns + offset) // MILLISECOND_NS, row.reason)
        if held != value:
            self._intervals[name] = known, offset, value
            new.not_judged[known] = value
        while len(self._intervals) > MOST_INTERVALS:
            del self._intervals[next(iter(self._intervals))]

    def _note_counts(self, snapshot: Snapshot, new: Pending) -> None:
        """Hours once a minute, for they grow all the time; the rig check whenever it moved."""
        if snapshot.now_ns - self._hours_ns >= HOURS_NS:
            self._hours_ns = snapshot.now_ns
            for row in snapshot.hours:
                self._note_kept(new.hours, f"{row.kind} {row.name}", row.as_object(), "hours ")
        if snapshot.rig_check is not None:
            check = rig_check_record(snapshot.rig_check)
            self._note_kept(new.rig_checks, snapshot.rig_check.started_wall_ms, check, "rig check ")

    def _note_kept(
        self, into: dict[_Key, Mapping[str, object]], key: _Key, row: Mapping[str, object], kind: str
    ) -> None:
        if self._kept.get(f"{kind}{key}") != row:
            self._kept[f"{kind}{key}"] = into[key] = dict(row)

    async def mark(self, text: str, by: str, at_ns: int) -> bool:
        """Keep a mark; True once it is safe on the disk."""
        return await self._writer.keep(Pending(marks=[(at_ns // MILLISECOND_NS, text, by)]))

    async def acknowledge(
        self, incident: int, by: str, note: str, at_ns: int, *, given: bool = True, found: Incident | None = None
    ) -> bool:
        """Keep who acknowledged an incident, or took that back; True once it is safe on the disk.

        `found`, the incident itself, is written with it: neither is ever stored without the other.
        """
        row = (at_ns // MILLISECOND_NS, incident, int(given), by, note)
        with_it = {} if found is None else {_key(found): record(found)}
        return await self._writer.keep(Pending(acknowledgements=[row], incidents=with_it))

    async def accept(self, found: Incident, made: Mapping[str, object], at_ns: int, *, given: bool = True) -> bool:
        """Keep an exception that was made from an incident, or taken back; True once it is safe on the disk."""
        row = (at_ns // MILLISECOND_NS, found.id, int(given), made)
        return await self._writer.confirmed(
            self._writer.give(Pending(exceptions=[row], incidents={_key(found): record(found)}))
        )

    async def keep_reference(self, name: str, row: ReferenceRow | None) -> bool:
        """Keep reference levels, or delete them (None); True once that is safe on the disk."""
        return await self._writer.keep(Pending(references={name: row}))

    def keep_last_good(self, incident: int, opened_ms: int, body: bytes) -> None:
        """Keep the last good levels of an incident's universes."""
        self._writer.give(Pending(last_good={(incident, opened_ms): body}))

    async def keep_usual(self, rows: UsualRows) -> bool:
        """Keep figures of shows, when they begin, and what grows worse; True once that is safe on the disk."""
        return await self._writer.keep(Pending(usual=rows))

    # --- what was -----------------------------------------------------------------------------------------

    async def is_ours(self) -> bool:
        """Whether no other daemon keeps this file. Waits until that is known; a disk that does not answer is said by
        what is written to it."""
        deadline_ns = clock.monotonic_ns() + OWNER_WITHIN_NS
        while self._writer.is_ours is None:
            if clock.monotonic_ns() > deadline_ns:
                return True
            await asyncio.sleep(OWNER_AGAIN_S)
        return self._writer.is_ours

    async def ask(self, question: Callable[[Archive], _T]) -> _T | None:
        """Ask the archive, in a thread. None while no file can be read, and while it is another daemon's."""
        if self._writer.is_ours is False:
            return None
        try:
            return await asyncio.to_thread(question, self.archive)
        except (sqlite3.Error, ValueError):
            return None

    def health(self) -> HistoryHealth:
        """Whether what happens now is being kept, in words."""
        writer = self._writer
        text = writer.trouble or writer.remark
        if writer.dropped:
            text += f" {writer.dropped} minute rows could not be kept."
        odd = self.archive.odd.count
        if odd:
            rows, are = ("row", "is") if odd == 1 else ("rows", "are")
            text += f" {odd} {rows} of the history cannot be used and {are} left out."
        return {
            "ok": not writer.trouble and not writer.dropped,
            "text": text.strip(),
            "path": str(self.path),
            "odd_rows": odd,
        }

    def why_unread(self) -> str:
        """Why a question was not answered, in words."""
        if found := self.health()["text"]:
            return found
        state = "cannot be read now" if self.path.exists() else "is being made"
        return f"The history {state}; ask again in a moment."

    def close(self, *, is_clean: bool = True) -> None:
        """Write what waits, and that this is a clean end if it is, as far as the disk lets us; end the thread."""
        if is_clean and self._alive_ms and not self.held:
            self._writer.give(Pending(state={"alive": self._alive(stopped=True)}))
        self._writer.close()


def _key(found: Incident) -> tuple[int, int]:
    return found.id, (found.opened_ns + found.wall_offset_ns) // MILLISECOND_NS


def _mark(found: Incident) -> int:
    return hash((found.revision, found.closed_ns, found.acknowledged is None, found.severity, len(found.timeline)))
