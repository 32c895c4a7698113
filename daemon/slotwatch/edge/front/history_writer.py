"""Writes the history from a thread of its own, so that a disk never delays the page.

A disk that is full, read-only or gone is reported and tried again every RETRY_S; what waits is bounded. A file that is
damaged is moved aside, not repaired and not deleted, and a new one is begun. Where new ones are damaged too, the next
is begun after ever longer pauses. A file that another daemon keeps is left alone until that one lets go of it.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import sqlite3
import sys
import threading
import traceback
from datetime import UTC, datetime
from pathlib import Path

from slotwatch import clock
from slotwatch.durations import MILLISECOND_NS
from slotwatch.edge.front.history_horizon import DAY_MS, Horizon
from slotwatch.edge.front.history_lock import HistoryLock
from slotwatch.edge.front.history_number import keep_number
from slotwatch.edge.front.history_store import Pending, Store
from slotwatch.edge.shared.secret_file import own_user

RETRY_S = 5.0
LONGEST_PAUSE_S = 3600.0
"""Between two files that are moved aside."""
FORGET_S = 3600.0
MOST_MINUTES = 300_000
"""Minute rows that may wait for a disk: ten hours of 512 universes, about 60 MiB."""
MOST_OTHERS = 5_000
MOST_BODIES = 200
"""Reference levels, and last good levels of incidents, that may wait for a disk."""
CONFIRM_WITHIN_S = 3.0
TAILS = ("-wal", "-shm", "")
"""Of the names of a history's files: its logs, and the file itself."""


class HistoryWriter:
    """The writer of one history file. Only `_write_for_ever` runs in the thread."""

    def __init__(self, path: Path, keep_days: int) -> None:
        self.path = path
        self.trouble = ""
        """Why nothing can be written at present; empty: it can."""
        self.remark = ""
        """What went wrong once and is over."""
        self.dropped = 0
        """Minute rows that could not be kept."""
        self.asked = 0
        """Number of the newest gift."""
        self.begun = 0
        """How many files were begun or taken over in place of one that was damaged, that somebody took away, or that
        another daemon kept."""
        self.is_ours: bool | None = None
        """Whether no other daemon keeps this file; None: it is not known yet."""
        self._keep_ms = keep_days * DAY_MS
        self._pending = Pending()
        self._lock = threading.Condition()
        self._stopping = False
        self._written = 0
        self._aside_ns = -int(LONGEST_PAUSE_S * 1e9)
        """When a file was moved aside last."""
        self._pause_s = RETRY_S
        self._thread = threading.Thread(target=self._write_for_ever, name="history", daemon=True)
        self._thread.start()

    def move(self, path: Path, keep_days: int) -> None:
        """From now on, keep rows for this many days, in this file. What waits is written there too."""
        self._keep_ms = keep_days * DAY_MS
        with self._lock:
            if path != self.path:
                self.path, self.is_ours = path, None
            self._lock.notify_all()

    def close(self) -> None:
        """Write what waits, as far as the disk lets us, and end the thread."""
        with self._lock:
            self._stopping = True
            self._lock.notify_all()
        self._thread.join(timeout=3.0)

    def give(self, new: Pending) -> int:
        """Let this be written. Returns its number, by which `confirmed` waits for it."""
        with self._lock:
            self._pending = self._bounded(self._pending.before(new))
            self.asked += 1
            self._lock.notify_all()
            return self.asked

    async def keep(self, new: Pending) -> bool:
        """Write this. True once it is safe on the disk."""
        return await self.confirmed(self.give(new))

    async def confirmed(self, number: int) -> bool:
        """Whether what was given up to this number is on the disk. Waits for it, for at most CONFIRM_WITHIN_S."""
        deadline_ns = clock.monotonic_ns() + int(CONFIRM_WITHIN_S * 1e9)
        while self._written < number:
            if self.trouble or clock.monotonic_ns() > deadline_ns:
                return False
            await asyncio.sleep(0.002)
        return True

    def _bounded(self, pending: Pending) -> Pending:
        if len(pending.minutes) > MOST_MINUTES:
            self.dropped += len(pending.minutes) - MOST_MINUTES
            del pending.minutes[:-MOST_MINUTES]
        for held in (pending.marks, pending.acknowledgements, pending.exceptions, pending.clock_steps):
            del held[:-MOST_OTHERS]
        for table in (pending.incidents, pending.phases, pending.not_judged, pending.hours, pending.rig_checks):
            while len(table) > MOST_OTHERS:
                table.pop(next(iter(table)))  # type: ignore[call-overload]
        for bodies in (pending.references, pending.last_good):
            while len(bodies) > MOST_BODIES:
                bodies.pop(next(iter(bodies)))  # type: ignore[call-overload]
        return pending

    def _write_for_ever(self) -> None:
        held = _Held(self.path)
        while True:
            with self._lock:
                wait_s = 0.0 if held.more_to_forget else FORGET_S
                self._lock.wait_for(lambda: not self.is_ours or self._pending or self._stopping, timeout=wait_s)
                pending, self._pending, number = self._pending, Pending(), self.asked
                path, stopping = self.path, self._stopping
            try:
                if (store := self._taken(held, path)) is not None:
                    self._write(store, path, pending, number)
                    if not stopping:
                        self._forget(held, store)
            except (sqlite3.Error, OSError) as error:
                with contextlib.suppress(sqlite3.Error):
                    held.close()
                self._fail(path, error, pending)
                if self.trouble:  # else the damaged file is out of the way: a new one is begun at once
                    with self._lock:
                        self._lock.wait_for(lambda: self._stopping, timeout=RETRY_S)
            except Exception as error:
                # A value that no database accepts: its batch is dropped, for it would fail for ever.
                traceback.print_exc(file=sys.stderr)
                self._written, held.more_to_forget = number, False
                self.remark = f"A part of the history could not be written, by an internal fault: {error!r}."
            if stopping:
                held.release()
                return

    def _taken(self, held: _Held, path: Path) -> Store | None:
        """Return the open store of this file, opened again if the file is another one. None: another daemon keeps
        it."""
        if path != held.path:
            held.release()
            held.path, held.lock = path, HistoryLock(path)
        elif held.store is not None and not held.store.is_in_place:
            held.close()
            self._begin_anew(f"The history file was taken away while slotwatch used it ({path}); another is used.")
        if holder := held.lock.take():
            held.close()
            self._leave_to(holder, path)
            return None
        self._have_it(path)
        return held.opened()

    def _write(self, store: Store, path: Path, pending: Pending, number: int) -> None:
        if pending:
            store.write(pending)
            keep_number(path, pending.state.get("numbers"))
        if self.trouble:
            print(f"slotwatch: The history is being kept again ({path}).", file=sys.stderr, flush=True)
        self._written, self.trouble = number, ""

    def _forget(self, held: _Held, store: Store) -> None:
        """Forget a part of what is too old, once in FORGET_S or after the clock jumped."""
        wall_ms, now_ns = clock.wall_ns() // MILLISECOND_NS, clock.monotonic_ns()
        jumped = held.horizon.advance(wall_ms, now_ns // MILLISECOND_NS)
        if not (jumped or now_ns >= held.forget_ns):
            return
        if not held.more_to_forget:
            store.write(Pending(state={"clock": held.horizon.as_row()}))
        held.more_to_forget = held.horizon.is_believed and store.forget(wall_ms - self._keep_ms)
        held.forget_ns = 0 if held.more_to_forget else now_ns + int(FORGET_S * 1e9)

    def _have_it(self, path: Path) -> None:
        """Note that no other daemon keeps this file. Where one did, all that holds now is written into it."""
        with self._lock:
            if path == self.path:
                self.begun += self.is_ours is False
                self.is_ours = True

    def _leave_to(self, holder: str, path: Path) -> None:
        """Say that another daemon keeps this file, and look again in a while. What was given is let go: it is in the
        other's words there, if both listen to one house, and is no business of that file if they do not."""
        self._complain(
            f"The history is not being kept: {holder} keeps its own in this file ({path}). What begins and ends here"
            " meanwhile may not be kept. Stop one of the two, or name another file in [history]. Once the other one has"
            " ended, this one goes on in that file. Everything else continues."
        )
        with self._lock:
            if path == self.path:
                self.is_ours = False
            self._lock.wait_for(lambda: self._stopping or path != self.path, timeout=RETRY_S)

    def _fail(self, path: Path, error: Exception, pending: Pending) -> None:
        with self._lock:
            self._pending = self._bounded(pending.before(self._pending))
        if _is_damaged(error) and (aside := self._move_aside(path)) is not None:
            self._begin_anew(f"The history file was damaged; it is kept beside the new one as {aside.name}.")
            self.trouble = ""
            return
        self._complain(
            f"The history is not being kept: {_sentence(error, path)} ({path}). What happens waits in memory, and is"
            " lost if slotwatch ends before it can be written. Everything else continues."
        )

    def _complain(self, trouble: str) -> None:
        if trouble != self.trouble:
            print(f"slotwatch: {trouble}", file=sys.stderr, flush=True)
        self.trouble = trouble

    def _begin_anew(self, why: str) -> None:
        self.remark = why
        self.begun += 1
        print(f"slotwatch: {why}", file=sys.stderr, flush=True)

    def _move_aside(self, path: Path) -> Path | None:
        """Give a damaged file and its logs another name. None if that cannot be done, or was done a moment ago."""
        now_ns = clock.monotonic_ns()
        since_s = (now_ns - self._aside_ns) / 1e9
        if since_s < self._pause_s:
            return None
        moved: list[tuple[Path, Path]] = []
        try:
            aside = _free_name(path)
            for tail in TAILS:
                beside = path.with_name(path.name + tail)
                if beside.exists():
                    moved.append((beside, beside.rename(aside.with_name(aside.name + tail))))
        except OSError:
            for before, after in moved:  # a log without its file, or the other way round, would be of no use
                with contextlib.suppress(OSError):
                    after.rename(before)
            return None
        if since_s >= self._pause_s + LONGEST_PAUSE_S:  # the file in between was good for an hour at least
            self._pause_s = RETRY_S
        else:
            self._pause_s = min(2 * self._pause_s, LONGEST_PAUSE_S)
        self._aside_ns = now_ns
        return aside


class _Held:
    """What the thread holds of the history's file."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.lock = HistoryLock(path)
        self.store: Store | None = None
        self.horizon = Horizon(None)
        self.forget_ns = 0
        """When to forget next."""
        self.more_to_forget = False

    def opened(self) -> Store:
        if self.store is None:
            self.path.parent.mkdir(parents=True, exist_ok=True)
            self.store = Store(self.path)
            self.horizon = Horizon(self.store.clock())
        return self.store

    def close(self) -> None:
        store, self.store = self.store, None
        if store is not None:
            store.close()

    def release(self) -> None:
        self.close()
        self.lock.release()


def _free_name(path: Path) -> Path:
    """A name for a damaged file that no file has."""
    stamp = datetime.fromtimestamp(clock.wall_ns() / 1e9, UTC).strftime("%Y%m%dT%H%M%SZ")
    name, number = f"{path.name}.damaged-{stamp}", 1
    while any(path.with_name(name + tail).exists() for tail in TAILS):
        number += 1
        name = f"{path.name}.damaged-{stamp}-{number}"
    return path.with_name(name)


def _is_damaged(error: Exception) -> bool:
    """Whether the file itself is at fault, so that no later try can succeed."""
    code = getattr(error, "sqlite_errorcode", None)
    return code is not None and code & 0xFF in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB)


def _why_not_written(path: Path) -> str:
    """Why a file cannot be opened or written, which SQLite does not pass on; empty if nothing is found."""
    with contextlib.suppress(OSError):
        if os.statvfs(path.parent).f_flag & os.ST_RDONLY:
            return f"the file system of {path.parent} is read-only"
    for tail in reversed(TAILS):
        beside = path.with_name(path.name + tail)
        if beside.is_file() and not os.access(beside, os.W_OK):
            return f"{own_user()} may not write {beside.name}"
    try:
        os.close(os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC | os.O_NONBLOCK, 0o644))
    except PermissionError:
        return f"{own_user()} may not write in {path.parent}"
    except OSError as error:
        return f"the file cannot be opened: {error.strerror}"
    return "" if os.access(path.parent, os.W_OK) else f"{own_user()} may not write in {path.parent}"


def _sentence(error: Exception, path: Path) -> str:
    code = (getattr(error, "sqlite_errorcode", None) or 0) & 0xFF
    if code in (sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_READONLY) and (why := _why_not_written(path)):
        return why
    known = {
        sqlite3.SQLITE_CANTOPEN: "the file cannot be opened",
        sqlite3.SQLITE_FULL: "the disk is full",
        sqlite3.SQLITE_READONLY: "the disk or file is read-only",
        sqlite3.SQLITE_BUSY: "another program holds the file",
        sqlite3.SQLITE_IOERR: "the disk gives an error",
    }
    if isinstance(error, FileExistsError):
        return f"{path.parent} is no directory"
    return known.get(code) or (error.strerror if isinstance(error, OSError) and error.strerror else str(error))
