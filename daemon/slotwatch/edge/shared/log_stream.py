"""The standard streams of the daemon's processes: nothing waits for whoever reads the log, and nothing ends with them.

A reader that stands still (a terminal that is paused, a journal that waits for its disk) fills the pipe, and the next
line would be waited with for ever. A reader that is gone makes each line an error.
"""

from __future__ import annotations

import contextlib
import io
import os
import select
import sys
import threading
from collections.abc import Iterator
from typing import TextIO, cast

LONGEST_LINE = 4096
"""PIPE_BUF of Linux: a pipe that can be written takes so much at once."""
CUT = b" [cut]\n"


class LogStream(io.TextIOBase):
    """Writes whole lines to a descriptor, at once or not at all. Lines that were lost are counted before the next."""

    def __init__(self, fd: int) -> None:
        self._fd = fd
        self._poll = select.poll()
        self._poll.register(fd, select.POLLOUT)
        self._lock = threading.Lock()
        self._begun = ""
        self._lost = 0

    def fileno(self) -> int:
        return self._fd

    def writable(self) -> bool:
        return True

    def write(self, text: str) -> int:
        with self._lock:
            *lines, self._begun = (self._begun + text).split("\n")
            for line in lines:
                self._put(line)
        return len(text)

    def _put(self, line: str) -> None:
        one = self._lost == 1
        some = "1 line of this log is lost" if one else f"{self._lost} lines of this log are lost"
        lost = f"slotwatch: {some}: nobody took {'it' if one else 'them'}.\n" if self._lost else ""
        data = f"{lost}{line}\n".encode(errors="backslashreplace")
        if len(data) > LONGEST_LINE:
            data = data[: LONGEST_LINE - len(CUT)] + CUT
        try:
            if self._poll.poll(0):
                os.write(self._fd, data)
                self._lost = 0
                return
        except OSError:
            pass  # the reader is gone
        self._lost += 1


@contextlib.contextmanager
def log_streams() -> Iterator[None]:
    """Write the standard streams this way during the block, where they are the process's own."""
    before = sys.stdout, sys.stderr
    for number, name in ((1, "stdout"), (2, "stderr")):
        with contextlib.suppress(OSError, ValueError):
            if getattr(sys, name).fileno() == number:
                setattr(sys, name, cast("TextIO", LogStream(number)))
    try:
        yield
    finally:
        sys.stdout, sys.stderr = before
