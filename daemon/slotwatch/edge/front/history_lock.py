"""One daemon at a time keeps a history: it holds a lock on a file beside it, which the kernel frees however it ends.

Readers need no lock. Where a file system has no locks, or nothing may be written, the history is kept without one.
"""

from __future__ import annotations

import contextlib
import errno
import fcntl
import os
import socket
import sys
import time
from pathlib import Path

from slotwatch.printable import reason_of

LONGEST = 200
"""Octets of a lock file that are read."""
_NOT_WRITTEN = {
    *(errno.EROFS, errno.EACCES, errno.EPERM, errno.ENOSPC, errno.EDQUOT),
    *(errno.ENOTDIR, errno.EEXIST, errno.ENOENT),  # what should be its directory is none
}
TRIES = 10
TRY_AGAIN_S = 0.02
"""A daemon that waits for the lock looks for an instant whether it is free: who comes then tries again."""


class HistoryLock:
    """The lock of one history file."""

    def __init__(self, history: Path) -> None:
        self._place = lock_file(history)
        self._held: int | None = None
        """The descriptor whose lock is held."""
        self._holder = ""
        self._was_free = False
        self._has_said_why = False

    def take(self) -> str:
        """Take the lock, or keep it. Says which other daemon has it; empty: none has. A lock whose file somebody
        removed holds nobody off, so it is taken anew.

        After a refusal it is taken only if it was free at two calls in a row: at the first, the page of the daemon that
        had it may be in the middle of its restart.
        """
        if self._held is not None and self._is_in_place(self._held):
            return ""
        self.release()
        try:
            found = self._try()
        except OSError as error:
            self._say_why_not(error)
            return ""
        if found is None:
            self._was_free = False
            self._holder = self._read()
            return self._holder
        if self._holder and not self._was_free:
            self._was_free = True
            os.close(found)
            return self._holder
        self._held, self._holder = found, ""
        with contextlib.suppress(OSError):  # a full disk: the lock holds without its holder's name
            os.ftruncate(found, 0)
            os.pwrite(found, f"process {os.getppid()} on {socket.gethostname()}\n".encode(), 0)
        return ""

    def release(self) -> None:
        """Let another have it."""
        if self._held is not None:
            os.close(self._held)
            self._held = None

    def _is_in_place(self, held: int) -> bool:
        try:
            return os.path.samestat(os.fstat(held), self._place.stat())
        except OSError:
            return False

    def _try(self) -> int | None:
        """A descriptor that holds the lock; None: another daemon has it. OSError where there are no locks."""
        self._place.parent.mkdir(parents=True, exist_ok=True)
        how = os.O_CLOEXEC | os.O_NOFOLLOW | os.O_NONBLOCK
        try:
            found = os.open(self._place, os.O_RDWR | os.O_CREAT | how, 0o644)
        except PermissionError:
            found = os.open(self._place, os.O_RDONLY | how)  # another user's: it can be locked all the same
        for _ in range(1 if self._holder else TRIES):
            try:
                fcntl.flock(found, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError:
                time.sleep(TRY_AGAIN_S)
            except OSError:
                os.close(found)
                raise
            else:
                return found
        os.close(found)
        return None

    def _read(self) -> str:
        try:
            with self._place.open("rb") as file:
                text = reason_of(file.read(LONGEST).decode("utf-8", "replace"))
        except OSError:
            text = ""
        return f"another slotwatch ({text})" if text else "another slotwatch"

    def _say_why_not(self, error: OSError) -> None:
        """Say once that no lock is had. Where nothing may be written the history's own trouble says so."""
        if self._has_said_why or error.errno in _NOT_WRITTEN:
            return
        self._has_said_why = True
        print(
            f"slotwatch: The history cannot be locked ({self._place}: {error.strerror}). It is kept all the same; let"
            " no other slotwatch use it.",
            file=sys.stderr,
            flush=True,
        )


def lock_file(history: Path) -> Path:
    """The file whose lock belongs to a history, by whatever link it is named."""
    place = Path(os.path.realpath(history))  # `resolve` refuses links in a circle
    return place.with_name(place.name + "-lock")
