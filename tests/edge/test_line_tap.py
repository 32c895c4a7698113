"""A tapped line on a pty: the kernel's marked octets are written as they stand (a pty makes no real break)."""

from __future__ import annotations

import os
import pty
import termios
import time

from slotwatch.edge.line_tap import LineTap, mark_breaks


def test_the_kernel_is_asked_to_mark_breaks_and_faults() -> None:
    master, slave = pty.openpty()
    mark_breaks(slave)
    flags = termios.tcgetattr(slave)[0]
    assert flags & termios.PARMRK
    assert flags & termios.INPCK
    assert not flags & (termios.IGNBRK | termios.BRKINT | termios.IGNPAR)
    os.close(master)
    os.close(slave)


def test_octets_written_to_the_line_come_out_as_frames() -> None:
    """With PARMRK a pty doubles a true FF, so a break cannot be written as FF 00 00; the tap's thread is fed by a
    line discipline that is set back to raw after opening."""
    master, slave = pty.openpty()
    tap = LineTap(os.ttyname(slave), 1)
    tap.start()
    deadline = time.monotonic() + 3
    while not tap.is_open and time.monotonic() < deadline:
        time.sleep(0.01)
    settings = termios.tcgetattr(slave)
    settings[0] &= ~termios.PARMRK
    termios.tcsetattr(slave, termios.TCSANOW, settings)
    try:
        frame = b"\xff\x00\x00" + b"\0" + bytes([7]) * 512
        for _ in range(5):
            os.write(master, frame)
            time.sleep(0.025)
        time.sleep(0.1)
        frames = tap.take()
    finally:
        tap.close()
        os.close(master)
        os.close(slave)
    assert [f.data for f in frames] == [b"\0" + bytes([7]) * 512] * 5
    assert [f.t_ns for f in frames] == sorted(f.t_ns for f in frames)


def test_a_missing_port_is_said() -> None:
    tap = LineTap("/dev/serial/by-id/no-such-adapter", 1)
    tap.start()
    deadline = time.monotonic() + 3
    while not tap.trouble and time.monotonic() < deadline:
        time.sleep(0.01)
    tap.close()
    assert "is not there" in tap.trouble
