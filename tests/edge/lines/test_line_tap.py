"""A tapped line on a pty: the kernel's marked bytes are written unchanged (a pty makes no real break)."""

from __future__ import annotations

import os
import pty
import termios
import time
from pathlib import Path

from slotwatch.edge.lines.line_tap import MOST_WAITING, LineTap, mark_breaks
from slotwatch.wire.line import LineFrame
from tests.patience import until


def test_the_kernel_is_asked_to_mark_breaks_and_faults() -> None:
    master, slave = pty.openpty()
    mark_breaks(slave)
    flags = termios.tcgetattr(slave)[0]
    assert flags & termios.PARMRK
    assert flags & termios.INPCK
    assert not flags & (termios.IGNBRK | termios.BRKINT | termios.IGNPAR)
    os.close(master)
    os.close(slave)


def test_bytes_written_to_the_line_come_out_as_frames() -> None:
    """With PARMRK a pty doubles a true FF, so a break cannot be written as FF 00 00; the tap's thread is fed by a
    line discipline that is set back to raw after opening."""
    master, slave = pty.openpty()
    tap = LineTap(os.ttyname(slave), 1)
    tap.start()
    until(lambda: tap.is_open)
    raw(slave)
    frames: list[LineFrame] = []

    def has(count: int) -> bool:
        frames.extend(tap.take())
        return len(frames) >= count

    try:
        frame = b"\xff\x00\x00" + b"\0" + bytes([7]) * 512
        for number in range(1, 6):
            os.write(master, frame)
            until(lambda count=number: has(count))
    finally:
        tap.close()
        os.close(master)
        os.close(slave)
    assert [f.data for f in frames] == [b"\0" + bytes([7]) * 512] * 5
    assert [f.t_ns for f in frames] == sorted(f.t_ns for f in frames)


def test_what_nobody_takes_in_time_is_dropped_and_counted(tmp_path: Path) -> None:
    """Frames of one slot, more than wait; then the adapter goes and another one comes back under its name."""
    stable = tmp_path / "adapter"
    master, slave = pty.openpty()
    stable.symlink_to(os.ttyname(slave))
    tap = LineTap(str(stable), 1)
    tap.start()
    other, came_back = pty.openpty()
    try:
        until(lambda: tap.is_open)
        raw(slave)
        for _ in range(MOST_WAITING + 50):
            os.write(master, b"\xff\x00\x00" + b"\0\x07")
            time.sleep(0.001)
        until(lambda: tap.dropped >= 40)
        assert (len(tap.take()), tap.reopened) == (MOST_WAITING, 0)
        os.close(master)
        os.close(slave)
        stable.unlink()
        until(lambda: tap.trouble)
        stable.symlink_to(os.ttyname(came_back))
        until(lambda: tap.is_open)
        assert tap.reopened == 1
    finally:
        tap.close()
        os.close(other)
        os.close(came_back)


def raw(slave: int) -> None:
    """Have the pty pass on unchanged what is written."""
    settings = termios.tcgetattr(slave)
    settings[0] &= ~termios.PARMRK
    termios.tcsetattr(slave, termios.TCSANOW, settings)


def test_a_missing_port_is_reported() -> None:
    tap = LineTap("/dev/serial/by-id/no-such-adapter", 1)
    tap.start()
    until(lambda: tap.trouble)
    tap.close()
    assert "is not there" in tap.trouble
