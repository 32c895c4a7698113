"""A DMX512 line that is sent: break, mark, start code, slots, at a declared refresh, from a thread of its own.

On plain RS-485 adapters. The newest frame is sent again and again; a frame that was overtaken is dropped,
never queued. An adapter that is unplugged is looked for again under its stable name, with growing pauses.
"""

from __future__ import annotations

import termios
import threading
import time
from dataclasses import dataclass, field

import serial

from slotwatch.bridge.output import Target
from slotwatch.snapshot.routes import LinePort

BAUD = 250_000
BREAK_BAUD = 80_000
"""One 0x00 at this rate is 112.5 us low and 25 us high: longer than the 92 us break and 12 us mark that E1.11
demands, for adapters whose break control does nothing."""
SLOT_S = 44e-6
BREAK_S = 120e-6
DEFAULT_REFRESH_HZ = 40.0
"""Under the 44.1 Hz a full line can carry, so that an adapter's own pauses do not add up."""
FIRST_PAUSE_S, LONGEST_PAUSE_S = 0.5, 10.0
WRITE_TIMEOUT_S = 0.5


class PortGone(Exception):
    """The port cannot be used now; the text says why and how to fix it."""


def open_port(path: str) -> serial.Serial:
    """Open a port for DMX512, exclusively. PortGone with a sentence a person can act on."""
    try:
        return serial.Serial(
            path,
            BAUD,
            bytesize=serial.EIGHTBITS,
            parity=serial.PARITY_NONE,
            stopbits=serial.STOPBITS_TWO,
            timeout=0,
            write_timeout=WRITE_TIMEOUT_S,
            exclusive=True,
        )
    except (serial.SerialException, OSError, ValueError) as error:
        raise PortGone(_advice(path, error)) from None


def _advice(path: str, error: Exception) -> str:
    number = getattr(error, "errno", None)
    text = str(error)
    if number == 2 or "No such file" in text:
        return f"{path} is not there; plug the adapter in, or correct its name (ls /dev/serial/by-id)"
    if number == 13 or "Permission" in text:
        return f"no right to open {path}; add the service's user to the group that owns it (often dialout)"
    if number in (11, 16) or "exclusively lock" in text or "busy" in text:
        return f"{path} is used by another program; find it with `fuser {path}`"
    return f"{path} cannot be used as a DMX512 line: {text}"


@dataclass(slots=True)
class LineSender:
    """Keeps one line alive with the newest levels. `show` and `silence` may be called from any thread."""

    path: str
    refresh_hz: float = DEFAULT_REFRESH_HZ
    slots: int = 512
    break_by_baud: bool = False
    frames: int = 0
    reopened: int = 0
    """Times the port was opened again after it had gone."""
    trouble: str = ""
    _levels: bytes | None = None
    _wake: threading.Event = field(default_factory=threading.Event)
    _stop: bool = False
    _thread: threading.Thread | None = None
    _port: serial.Serial | None = None
    _was_open: bool = False

    @classmethod
    def open_later(cls, target: Target) -> LineSender:
        """Make the sender of a target; the port is opened by its thread, and again whenever it was gone."""
        assert target.serial is not None
        return cls(target.serial, target.refresh_hz or DEFAULT_REFRESH_HZ, break_by_baud=target.break_by_baud)

    @property
    def text(self) -> str:
        return f"serial:{self.path}"

    def start(self) -> None:
        self._thread = threading.Thread(target=self._run, name=f"line {self.path}", daemon=True)
        self._thread.start()

    def show(self, levels: bytes) -> None:
        """Levels to send from the next frame on."""
        self._levels = levels
        self._wake.set()

    def silence(self) -> None:
        """Stop sending: receivers fall to what they do on loss (E1.31 10.2.2 asks for this mode)."""
        self._levels = None

    def close(self) -> None:
        """Stop the thread and close the port."""
        self._stop = True
        self._wake.set()
        if self._thread is not None:
            self._thread.join(timeout=2.0)
            self._thread = None

    def status(self) -> LinePort:
        """What the page shows of it."""
        return LinePort(self.path, self.frames, self._port is not None, self.trouble, self.reopened)

    def _run(self) -> None:
        pause_s = FIRST_PAUSE_S
        while not self._stop:
            try:
                self._port = open_port(self.path)
                self.trouble, pause_s = "", FIRST_PAUSE_S
                self.reopened += self._was_open
                self._was_open = True
                self._send_frames(self._port)
            except PortGone as error:
                self.trouble = str(error)
            except (serial.SerialException, OSError, termios.error) as error:
                self.trouble = f"{self.path} went away: {error}"
            finally:
                self._let_go()
            if not self._stop:
                self._pause(pause_s)
                pause_s = min(pause_s * 2, LONGEST_PAUSE_S)

    def _pause(self, seconds: float) -> None:
        end = time.monotonic() + seconds
        while not self._stop and time.monotonic() < end:
            time.sleep(0.05)

    def _let_go(self) -> None:
        port, self._port = self._port, None
        if port is not None:
            try:
                port.close()
            except (OSError, termios.error):
                self.trouble = self.trouble or f"{self.path} did not close"

    def _send_frames(self, port: serial.Serial) -> None:
        interval_s = max(1.0 / self.refresh_hz, 1.3e-3 + SLOT_S * (self.slots + 1))
        due = time.monotonic()
        while not self._stop:
            levels = self._levels
            if levels is None:
                self._wake.wait(timeout=0.2)
                self._wake.clear()
                due = time.monotonic()
                continue
            self._frame(port, b"\0" + levels[: self.slots])
            self.frames += 1
            due = max(due + interval_s, time.monotonic())
            time.sleep(max(0.0, due - time.monotonic()))

    def _frame(self, port: serial.Serial, frame: bytes) -> None:
        port.flush()
        if self.break_by_baud:
            port.baudrate = BREAK_BAUD
            port.write(b"\0")
            port.flush()
            port.baudrate = BAUD
        else:
            port.break_condition = True
            time.sleep(BREAK_S)
            port.break_condition = False
        port.write(frame)
