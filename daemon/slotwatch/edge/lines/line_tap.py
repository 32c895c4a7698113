"""Listening to a DMX512 line: a thread a port, that never sends and never terminates anything.

Frames wait in a bounded queue until intake puts them into the ring beside the packets of the network.
"""

from __future__ import annotations

import termios
import threading
import time
from collections import deque
from dataclasses import dataclass, field

import serial

from slotwatch import clock
from slotwatch.edge.lines.serial_line import FIRST_PAUSE_S, LONGEST_PAUSE_S, PortGone, open_port
from slotwatch.wire.line import LineDecoder, LineFrame

MOST_WAITING = 256
"""Frames; about 6 s of a full line. Intake takes them every turn; past that the oldest are dropped and counted."""
READ_BYTES = 4096
GATHER_S = 0.004
"""A sixth of a full frame: reading byte by byte would wake this thread 22,700 times a second."""


def mark_breaks(fd: int) -> None:
    """Have the kernel mark breaks and faults in the bytes it hands over (see `wire.line`)."""
    settings = termios.tcgetattr(fd)
    settings[0] |= termios.PARMRK | termios.INPCK
    settings[0] &= ~(termios.IGNBRK | termios.BRKINT | termios.IGNPAR | termios.ISTRIP)
    termios.tcsetattr(fd, termios.TCSANOW, settings)


@dataclass(slots=True)
class LineTap:
    """One listened line. `take` is called by intake; everything else happens in the thread."""

    path: str
    number: int
    """Its number as a universe of Protocol.LINE."""
    trouble: str = ""
    dropped: int = 0
    """Frames past MOST_WAITING."""
    reopened: int = 0
    """Times the port was opened again after it had gone."""
    decoder: LineDecoder = field(default_factory=LineDecoder)
    _frames: deque[LineFrame] = field(default_factory=deque)
    _stop: bool = False
    _thread: threading.Thread | None = None
    _open: bool = False
    _was_open: bool = False

    @property
    def is_open(self) -> bool:
        return self._open

    def start(self) -> None:
        self._thread = threading.Thread(target=self._run, name=f"tap {self.path}", daemon=True)
        self._thread.start()

    def take(self) -> list[LineFrame]:
        """Frames since the last call, oldest first."""
        frames = []
        while self._frames:
            frames.append(self._frames.popleft())
        return frames

    def close(self) -> None:
        self._stop = True
        if self._thread is not None:
            self._thread.join(timeout=2.0)
            self._thread = None

    def _run(self) -> None:
        pause_s = FIRST_PAUSE_S
        while not self._stop:
            try:
                with open_port(self.path) as port:
                    mark_breaks(port.fileno())
                    self.trouble, self._open, pause_s = "", True, FIRST_PAUSE_S
                    self.reopened += self._was_open
                    self.decoder.begin_anew()
                    self._was_open = True
                    self._listen(port)
            except PortGone as error:
                self.trouble = str(error)
            except (serial.SerialException, OSError, termios.error) as error:
                self.trouble = f"{self.path} went away: {error}"
            self._open = False
            end = time.monotonic() + pause_s
            while not self._stop and time.monotonic() < end:
                time.sleep(0.05)
            pause_s = min(pause_s * 2, LONGEST_PAUSE_S)

    def _listen(self, port: serial.Serial) -> None:
        port.timeout = 0.1
        while not self._stop:
            raw = port.read(1)
            if not raw:
                continue
            arrived_ns = clock.monotonic_ns()
            time.sleep(GATHER_S)
            raw += port.read(min(port.in_waiting, READ_BYTES))
            for frame in self.decoder.feed(raw, arrived_ns):
                if len(self._frames) >= MOST_WAITING:
                    self._frames.popleft()
                    self.dropped += 1
                self._frames.append(frame)
