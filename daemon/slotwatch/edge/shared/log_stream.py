"""The standard streams of the daemon's processes: nothing waits for whoever reads the log, and nothing ends with them.

A reader that stands still (a terminal that is paused, a journal that waits for its disk) fills the pipe, and the next
line would be waited with for ever. A reader that is gone makes each line an error. Several processes share the
pipe, and another may fill it between the look at it and the write: the write itself must not wait.
"""

from __future__ import annotations

import contextlib
import io
import os
import select
import socket
import stat
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
        self._way = _way(fd)
        self._poll = select.poll()
        self._poll.register(self._way, select.POLLOUT)
        self._lock = threading.Lock()
        self._begun = ""
        self._lost = 0
        self._is_torn = False

    def fileno(self) -> int:
        return self._fd

    def writable(self) -> bool:
        return True

    def close(self) -> None:
        """Later lines are lost. The descriptor that it was made for stays open."""
        if not self.closed:
            super().close()
            self._way.close()

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
        begin = "\n" if self._is_torn else ""
        data = f"{begin}{lost}{line}\n".encode(errors="backslashreplace")
        if len(data) > LONGEST_LINE:
            data = data[: LONGEST_LINE - len(CUT)] + CUT
        written = self._written(data)
        if written:
            self._is_torn = written < len(data)
        self._lost = 0 if written == len(data) else self._lost + 1

    def _written(self, data: bytes) -> int:
        """How many of these bytes were taken."""
        try:
            if not self._poll.poll(0):
                return 0
            if isinstance(self._way, socket.socket):
                return self._way.send(data, socket.MSG_DONTWAIT)
            return self._way.write(data) or 0
        except (OSError, ValueError):
            return 0  # the reader is gone, or the stream is closed


def _way(fd: int) -> io.FileIO | socket.socket:
    """What takes a write without waiting, and stays as it was for other programs: for a pipe or a terminal an open
    file description of its own. One that may not be opened, as another user's, is written as it is, and a write that
    another process was faster than can wait there.
    """
    mode = os.fstat(fd).st_mode
    if stat.S_ISSOCK(mode):
        return socket.socket(fileno=os.dup(fd))
    if stat.S_ISFIFO(mode) or stat.S_ISCHR(mode):
        with contextlib.suppress(OSError):
            own = os.open(f"/proc/self/fd/{fd}", os.O_WRONLY | os.O_NONBLOCK | os.O_NOCTTY | os.O_CLOEXEC)
            return io.FileIO(own, "w")
    return io.FileIO(fd, "w", closefd=False)


@contextlib.contextmanager
def log_streams() -> Iterator[None]:
    """Write the standard streams this way during the block, where they are the process's own."""
    before, made = (sys.stdout, sys.stderr), list[LogStream]()
    for number, name in ((1, "stdout"), (2, "stderr")):
        stream: TextIO | None = getattr(sys, name)  # None where the descriptor was closed at the start
        with contextlib.suppress(OSError, ValueError):
            if stream is not None and stream.fileno() == number:
                made.append(LogStream(number))
                setattr(sys, name, cast("TextIO", made[-1]))
    try:
        yield
    finally:
        sys.stdout, sys.stderr = before
        for each in made:
            each.close()
