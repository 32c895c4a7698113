"""A sent DMX512 line on a pty: settings, frames, unplugging. A pty shows no break, so the baud-switch break is
looked at, which a pty shows as one 0x00 before each frame."""

from __future__ import annotations

import fcntl
import os
import pty
import select
import struct
import time
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

import pytest

from slotwatch.edge.lines.serial_line import LineSender, PortGone, open_port
from tests.edge.ptys import line_of_its_own
from tests.patience import until

TCGETS2 = 0x802C542A
"""asm-generic value on x86-64 and aarch64."""


@pytest.fixture
def line() -> Iterator[tuple[int, str]]:
    with line_of_its_own() as ends:
        yield ends


def read_now(master: int, within_s: float) -> bytes:
    """What there is, or comes within the time."""
    if select.select([master], [], [], within_s)[0]:
        with suppress(OSError):  # nobody has the other end open right now
            return os.read(master, 65536)
        time.sleep(0.01)
    return b""


def read_until(master: int, count: int) -> bytes:
    """This many bytes or some more, however long they take."""
    got = bytearray()

    def is_enough() -> bool:
        got.extend(read_now(master, 0.1))
        return len(got) >= count

    until(is_enough)
    return bytes(got)


def read_for(master: int, seconds: float) -> bytes:
    got, end = b"", time.monotonic() + seconds
    while (left := end - time.monotonic()) > 0:
        got += read_now(master, left)
    return got


def test_the_port_is_set_as_the_standard_says(line: tuple[int, str]) -> None:
    """ANSI E1.11: 250 kbit/s, 8 data bits, no parity, 2 stop bits; read back from the other end of the pty."""
    master, name = line
    with open_port(name):
        flags = fcntl.ioctl(master, TCGETS2, bytes(44))
        _, _, control, _, _ = struct.unpack_from("4IB", flags)
        in_speed, out_speed = struct.unpack_from("2I", flags, 36)
    assert (in_speed, out_speed) == (250_000, 250_000)
    assert control & 0o60 == 0o60, "CS8"
    assert control & 0o100, "CSTOPB: two stop bits"
    assert not control & 0o400, "no parity"


def test_frames_carry_start_code_and_slots_at_the_declared_refresh(line: tuple[int, str]) -> None:
    master, name = line
    sender = LineSender(name, refresh_hz=30.0)
    sender.start()
    try:
        began_s = time.monotonic()
        sender.show(bytes(range(256)) * 2)
        got = read_until(master, 20 * 513)
        took_s = time.monotonic() - began_s
    finally:
        sender.close()
    frame = b"\0" + bytes(range(256)) * 2
    assert got.startswith(frame)
    assert {got[i : i + 513] for i in range(0, len(got) // 513 * 513, 513)} == {frame}
    assert len(got) // 513 <= 30.0 * took_s + 1, "never above the declared refresh"


def test_break_by_baud_is_one_zero_before_each_frame(line: tuple[int, str]) -> None:
    master, name = line
    sender = LineSender(name, refresh_hz=40.0, break_by_baud=True)
    sender.start()
    try:
        sender.show(bytes([9]) * 512)
        got = read_until(master, 516)
    finally:
        sender.close()
    assert got.startswith(b"\0" + b"\0" + bytes([9]) * 512 + b"\0" + b"\0")


def test_silence_stops_the_line(line: tuple[int, str]) -> None:
    """E1.31 10.2.2: a mode in which output stops at once when all sources are lost."""
    master, name = line
    sender = LineSender(name)
    sender.start()
    try:
        sender.show(bytes(512))
        read_until(master, 513)
        sender.silence()
        until(lambda: not read_for(master, 0.4))
    finally:
        sender.close()


def test_an_unplugged_adapter_is_reported_and_found_again(line: tuple[int, str], tmp_path: Path) -> None:
    """A stable name that points to a port which dies and comes back as another one."""
    stable = tmp_path / "adapter"
    first_master, first = pty.openpty()
    stable.symlink_to(os.ttyname(first))
    os.close(first)
    sender = LineSender(str(stable))
    sender.start()
    try:
        sender.show(bytes(512))
        assert read_until(first_master, 1)
        assert sender.status().reopened == 0, "the first time is no return"
        os.close(first_master)
        stable.unlink()
        assert str(stable) in until(lambda: sender.trouble)
        master, name = line
        stable.symlink_to(name)
        assert read_until(master, 513), "frames go on by themselves"
        assert sender.trouble == ""
        assert sender.status().reopened == 1
    finally:
        sender.close()


def test_missing_port_names_the_fix() -> None:
    with pytest.raises(PortGone, match="is not there; plug the adapter in"):
        open_port("/dev/serial/by-id/no-such-adapter")


def test_a_port_in_use_is_refused(line: tuple[int, str]) -> None:
    _, name = line
    with open_port(name), pytest.raises(PortGone, match="used by another program"):
        open_port(name)


def test_many_unplugs_leave_no_thread_and_no_descriptor() -> None:
    before = len(list(Path("/proc/self/fd").iterdir()))
    for _ in range(30):
        master, slave = pty.openpty()
        name = os.ttyname(slave)
        os.close(slave)
        sender = LineSender(name)
        sender.start()
        sender.show(bytes(512))
        os.close(master)
        sender.close()
    assert len(list(Path("/proc/self/fd").iterdir())) <= before
