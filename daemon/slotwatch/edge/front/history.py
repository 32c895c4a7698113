"""Keeps the history: follows snapshots, writes what is new from a thread of its own, and never holds anybody up.

A disk that is full, read-only or gone is reported and tried again every RETRY_S; what waits is bounded. A file that is
damaged is moved aside, not repaired and not deleted, and a new one is begun.
"""

from __future__ import annotations

import asyncio
import contextlib
import sqlite3
import sys
import threading
import traceback
from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import TypeVar

from slotwatch import clock
from slotwatch.durations import MILLISECOND_NS
from slotwatch.edge.front.history_archive import Archive, HistoryHealth
from slotwatch.edge.front.history_horizon import DAY_MS, Horizon
from slotwatch.edge.front.history_number import keep_number
from slotwatch.edge.front.history_shows import UsualRows
from slotwatch.edge.front.history_store import Pending, ReferenceRow, Store
from slotwatch.snapshot import Incident, Snapshot
from slotwatch.snapshot.health import NotJudgedRow
from slotwatch.views.kept import KeptPhase
from slotwatch.views.records import phase_record, record, rig_check_record

RETRY_S = 5.0
FORGET_S = 3600.0
HOURS_NS = 60_000_000_000
MOST_MINUTES = 300_000
"""Minute rows that may wait for a disk: ten hours of 512 universes, about 60 MiB."""
MOST_OTHERS = 5_000
MOST_BODIES = 200
"""Reference levels, and last good levels of incidents, that may wait for a disk."""
ABSENCE_WITHIN_NS = 10_000_000_000
"""Judging publishes the time without a listener in its next snapshots; a sign of life waits no longer than this."""
ALIVE_NS = 5_000_000_000
"""How often it is kept that judging goes on: after a power cut the time without a listener begins there."""
CONFIRM_WITHIN_S = 3.0

_T = TypeVar("_T")
_Key = TypeVar("_Key", str, int)


class History:
    """One history file. Made and used in the event loop; only `_write_for_ever` runs in the thread."""

    name = "history"

    def __init__(self, path: Path, keep_days: int) -> None:
        self.path = path
        self.archive = Archive(path)
        self._keep_ms = keep_days * DAY_MS
        self._pending = Pending()
        self._lock = threading.Condition()
        self._stopping = False
        self._trouble = ""
        self._remark = ""
        self._dropped = 0
        self._written = 0
        self._asked = 0
        self._revisions: dict[tuple[int, int], int] = {}
        self._minute = -1
        self._phase = ""
        self._kept: dict[str, Mapping[str, object]] = {}
        self._intervals: dict[str, tuple[tuple[int, str], tuple[int | None, str] | None]] = {}
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
        """Why nobody listened before this run, while judging has yet to publish that time. Until then no sign of life
        is kept: if this run ends at once, the next one finds the older sign and the time is not forgotten."""
        self._alive_ns = self._alive_ms = 0
        self._first_ns = 0
        self._thread = threading.Thread(target=self._write_for_ever, name="history", daemon=True)
        self._thread.start()

    def move(self, path: Path, keep_days: int) -> None:
        """From now on keep for so many days, in this file. What waits goes into it too."""
        self._keep_ms = keep_days * DAY_MS
        if path == self.path:
            return
        with self._lock:
            self.path, self.archive = path, Archive(path)
        self._revisions, self._minute, self._phase, self._kept, self._intervals, self._hours_ns = {}, -1, "", {}, {}, 0
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
        return await self._confirmed(self._take(snapshot))

    def _take(self, snapshot: Snapshot) -> int:
        """Give the writer what is new; the number of the last gift."""
        new = Pending()
        offset = snapshot.wall_offset_ns
        for row in snapshot.house.listener.not_judged:
            self._note_interval(row, offset, new)
        new.minutes = [row for row in snapshot.minutes if row.minute > self._minute]
        self._minute = max((row.minute for row in new.minutes), default=self._minute)
        if not self.held:
            self._note_incidents(snapshot, new)
            self._note_phase(snapshot, new)
            if not self.counts_held:
                self._note_counts(snapshot, new)
            self._note_alive(snapshot, new)
        return self._give(new) if new else self._asked

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
        value = (None if row.end_ns is None else (row.end_ns + offset) // MILLISECOND_NS, row.reason)
        # A wall clock that is corrected moves the start by a little: the same interval all the same.
        name = f"{row.start_ns} {key[1]}"
        known, held = self._intervals.get(name, (key, None))
        if held != value:
            self._intervals[name] = known, value
            new.not_judged[known] = value

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
        return await self._confirmed(self._give(Pending(marks=[(at_ns // MILLISECOND_NS, text, by)])))

    async def acknowledge(
        self, incident: int, by: str, note: str, at_ns: int, *, given: bool = True, found: Incident | None = None
    ) -> bool:
        """Keep who took an incident on, or gave it back; True once it is safe on the disk.

        `found`, the incident itself, is written with it: the one is never there without the other.
        """
        row = (at_ns // MILLISECOND_NS, incident, int(given), by, note)
        with_it = {} if found is None else {_key(found): record(found)}
        return await self._confirmed(self._give(Pending(acknowledgements=[row], incidents=with_it)))

    async def accept(self, found: Incident, made: Mapping[str, object], at_ns: int, *, given: bool = True) -> bool:
        """Keep an exception that was made from an incident, or taken back; True once it is safe on the disk."""
        row = (at_ns // MILLISECOND_NS, found.id, int(given), made)
        return await self._confirmed(self._give(Pending(exceptions=[row], incidents={_key(found): record(found)})))

    async def keep_reference(self, name: str, row: ReferenceRow | None) -> bool:
        """Keep reference levels, or delete them (None); True once that is safe on the disk."""
        return await self._confirmed(self._give(Pending(references={name: row})))

    def keep_last_good(self, incident: int, opened_ms: int, body: bytes) -> None:
        """Keep the last good levels of an incident's universes."""
        self._give(Pending(last_good={(incident, opened_ms): body}))

    async def keep_usual(self, rows: UsualRows) -> bool:
        """Keep figures of shows, when they begin, and what grows worse; True once that is safe on the disk."""
        return await self._confirmed(self._give(Pending(usual=rows)))

    async def _confirmed(self, number: int) -> bool:
        """Whether what was given up to this number is on the disk, waited for CONFIRM_WITHIN_S."""
        deadline_ns = clock.monotonic_ns() + int(CONFIRM_WITHIN_S * 1e9)
        while self._written < number:
            if self._trouble or clock.monotonic_ns() > deadline_ns:
                return False
            await asyncio.sleep(0.002)
        return True

    # --- what was -----------------------------------------------------------------------------------------

    async def ask(self, question: Callable[[Archive], _T]) -> _T | None:
        """Put a question to the archive, in a thread. None while there is no readable file."""
        try:
            return await asyncio.to_thread(question, self.archive)
        except (sqlite3.Error, ValueError):
            return None

    def health(self) -> HistoryHealth:
        """Whether what happens now is being kept, in words."""
        text = self._trouble or self._remark
        if self._dropped:
            text += f" {self._dropped} minute rows could not be kept."
        odd = self.archive.odd.count
        if odd:
            rows, are = ("row", "is") if odd == 1 else ("rows", "are")
            text += f" {odd} {rows} of the history cannot be used and {are} left out."
        return {
            "ok": not self._trouble and not self._dropped,
            "text": text.strip(),
            "path": str(self.path),
            "odd_rows": odd,
        }

    def close(self, *, is_clean: bool = True) -> None:
        """Write what waits, and that this is a clean end if it is, as far as the disk lets us; end the thread."""
        if is_clean and self._alive_ms and not self.held:
            self._give(Pending(state={"alive": self._alive(stopped=True)}))
        with self._lock:
            self._stopping = True
            self._lock.notify_all()
        self._thread.join(timeout=3.0)

    # --- the writer's thread --------------------------------------------------------------------------------

    def _give(self, new: Pending) -> int:
        with self._lock:
            self._pending = self._bounded(self._pending.before(new))
            self._asked += 1
            self._lock.notify_all()
            return self._asked

    def _bounded(self, pending: Pending) -> Pending:
        if len(pending.minutes) > MOST_MINUTES:
            self._dropped += len(pending.minutes) - MOST_MINUTES
            del pending.minutes[:-MOST_MINUTES]
        for held in (pending.marks, pending.acknowledgements, pending.exceptions):
            del held[:-MOST_OTHERS]
        for table in (pending.incidents, pending.phases, pending.not_judged, pending.hours, pending.rig_checks):
            while len(table) > MOST_OTHERS:
                table.pop(next(iter(table)))  # type: ignore[call-overload]
        for bodies in (pending.references, pending.last_good):
            while len(bodies) > MOST_BODIES:
                bodies.pop(next(iter(bodies)))  # type: ignore[call-overload]
        return pending

    def _write_for_ever(self) -> None:
        store: Store | None = None
        horizon = Horizon(None)
        path = self.path
        forget_ns = 0
        more_to_forget = False
        while True:
            with self._lock:
                wait_s = 0.0 if more_to_forget else FORGET_S
                self._lock.wait_for(lambda: self._pending or self._stopping, timeout=wait_s)
                pending, self._pending, number = self._pending, Pending(), self._asked
                stopping = self._stopping
                is_moved, path = path != self.path, self.path
            try:
                if store is not None and is_moved:
                    store.close()
                    store = None
                if store is None:
                    store = self._open()
                    horizon = Horizon(store.clock())
                if pending:
                    store.write(pending)
                    keep_number(path, pending.state.get("numbers"))
                self._written, self._trouble = number, ""
                wall_ms, now_ns = clock.wall_ns() // MILLISECOND_NS, clock.monotonic_ns()
                jumped = horizon.advance(wall_ms, now_ns // MILLISECOND_NS)
                if (jumped or now_ns >= forget_ns) and not stopping:
                    if not more_to_forget:
                        store.write(Pending(state={"clock": horizon.as_row()}))
                    more_to_forget = horizon.is_believed and store.forget(wall_ms - self._keep_ms)
                    forget_ns = 0 if more_to_forget else now_ns + int(FORGET_S * 1e9)
            except (sqlite3.Error, OSError) as error:
                if store is not None:
                    with contextlib.suppress(sqlite3.Error):
                        store.close()
                store = None
                self._fail(error, pending)
                if stopping:
                    return
                with self._lock:
                    self._lock.wait_for(lambda: self._stopping, timeout=RETRY_S)
            except Exception as error:
                # A value that no database takes: what came with it is given up, for it would fail for ever.
                traceback.print_exc(file=sys.stderr)
                self._written = number
                self._remark = f"A part of the history could not be written, by an internal fault: {error!r}."
            if stopping and store is not None:
                store.close()
                return

    def _open(self) -> Store:
        self.path.parent.mkdir(parents=True, exist_ok=True)
        return Store(self.path)

    def _fail(self, error: Exception, pending: Pending) -> None:
        with self._lock:
            self._pending = self._bounded(pending.before(self._pending))
        if is_damaged(error) and (aside := self._move_aside()) is not None:
            self._remark = f"The history file was damaged; it is kept beside the new one as {aside.name}."
            return
        self._trouble = f"The history is not being kept: {_sentence(error)} ({self.path}). Everything else continues."

    def _move_aside(self) -> Path | None:
        stamp = datetime.fromtimestamp(clock.wall_ns() / 1e9, UTC).strftime("%Y%m%dT%H%M%SZ")
        aside = self.path.with_name(f"{self.path.name}.damaged-{stamp}")
        try:
            self.path.rename(aside)
            for tail in ("-wal", "-shm"):
                beside = self.path.with_name(self.path.name + tail)
                if beside.exists():
                    beside.rename(aside.with_name(aside.name + tail))
        except OSError:
            return None
        return aside


def _key(found: Incident) -> tuple[int, int]:
    return found.id, (found.opened_ns + found.wall_offset_ns) // MILLISECOND_NS


def is_damaged(error: Exception) -> bool:
    """Whether the file itself is at fault, so that no later try can succeed."""
    code = getattr(error, "sqlite_errorcode", None)
    return code is not None and code & 0xFF in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB)


def _sentence(error: Exception) -> str:
    code = (getattr(error, "sqlite_errorcode", None) or 0) & 0xFF
    known = {
        sqlite3.SQLITE_FULL: "the disk is full",
        sqlite3.SQLITE_READONLY: "the disk or file is read-only",
        sqlite3.SQLITE_CANTOPEN: "the file cannot be opened",
        sqlite3.SQLITE_BUSY: "another program holds the file",
        sqlite3.SQLITE_IOERR: "the disk gives an error",
    }
    return known.get(code) or (error.strerror if isinstance(error, OSError) and error.strerror else str(error))


def _mark(found: Incident) -> int:
    return hash((found.revision, found.closed_ns, found.acknowledged is None, found.severity, len(found.timeline)))
