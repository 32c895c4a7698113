"""A log whose reader stands still or is gone holds nothing up, and says later what was lost."""

from __future__ import annotations

import fcntl
import os
import pty
import select
import socket
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from slotwatch.edge.shared.log_stream import LONGEST_LINE, LogStream
from tests.patience import PATIENCE_S

F_SETPIPE_SZ = 1031
"""fcntl(2) of Linux, for the name that the module has on some computers only."""


@pytest.fixture
def pipe() -> Iterator[tuple[int, int]]:
    """A pipe of one page, which a reader never blocks on."""
    ends = os.pipe2(os.O_NONBLOCK)
    os.set_blocking(ends[1], True)
    fcntl.fcntl(ends[1], F_SETPIPE_SZ, LONGEST_LINE)
    yield ends
    for fd in ends:
        os.close(fd)


def test_whole_lines_come_as_they_are_written(pipe: tuple[int, int]) -> None:
    read, write = pipe
    stream = LogStream(write)
    print("slotwatch: opened #1", file=stream, flush=True)
    stream.write("first half, ")
    assert os.read(read, 100) == b"slotwatch: opened #1\n"
    stream.write("second half\n")
    assert os.read(read, 100) == b"first half, second half\n"
    stream.write("t\u00e9 \udcff\n")
    assert os.read(read, 100) == b"t\xc3\xa9 \\udcff\n", "UTF-8; what is none is written as Python would"


def test_a_reader_that_stands_still_is_not_waited_for_and_learns_how_much_is_lost(pipe: tuple[int, int]) -> None:
    """The timeout of the test is what would fail: a full pipe blocks who writes into it (pipe(7))."""
    read, write = pipe
    stream = LogStream(write)
    for number in range(3):
        stream.write(f"{number}" * 3000 + "\n")
    assert os.read(read, 2 * LONGEST_LINE) == b"0" * 3000 + b"\n"
    stream.write("next\n")
    assert os.read(read, 1000) == b"slotwatch: 2 lines of this log are lost: nobody took them.\nnext\n"
    stream.write("and another\n")
    assert os.read(read, 1000) == b"and another\n"


def is_readable(fd: int) -> bool:
    return bool(select.select([fd], [], [], 0)[0])


class AlwaysWritable:
    """What a poll says when another process fills the pipe right after it."""

    def register(self, _fd: object, _events: int) -> None:
        pass

    def poll(self, _timeout: int) -> list[tuple[int, int]]:
        return [(0, select.POLLOUT)]


@pytest.mark.parametrize("kind", ["pipe", "socket"])
def test_a_write_does_not_wait_where_another_process_was_faster(kind: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """pipe(7), socket(7): a write into a full one blocks, unless it is told not to. Others still wait with `ours`."""
    monkeypatch.setattr(select, "poll", AlwaysWritable)
    pair = [end.detach() for end in socket.socketpair()] if kind == "socket" else list(os.pipe())
    read, ours = pair
    stream = LogStream(ours)
    try:
        for _ in range(500):  # more than either takes by default
            stream.write("x" * 4000 + "\n")
        assert os.get_blocking(ours)
        taken = 0
        while is_readable(read):
            taken += os.read(read, 1 << 20).count(b"\n")
        stream.write("next\n")
        some = f"slotwatch: {500 - taken} lines of this log are lost: nobody took them.\nnext\n"
        assert 0 < taken < 500 and os.read(read, 1000).decode().removeprefix("\n") == some
    finally:
        stream.close()
        for fd in pair:
            os.close(fd)


def test_a_terminal_that_stands_still_is_not_waited_for() -> None:
    """It takes a part of a line (write(2)): that line counts as lost, and the next begins on a line of its own."""
    read, ours = pty.openpty()
    stream = LogStream(ours)
    try:
        for _ in range(500):
            stream.write("x" * 4000 + "\n")
        os.set_blocking(read, False)
        text = b""
        while "next" not in (lines := text.decode().split("\r\n")):
            if not is_readable(read):
                stream.write("next\n")
            text += os.read(read, 1 << 20)
        whole = lines.count("x" * 4000)
        assert 0 < whole < 500
        assert f"slotwatch: {500 - whole} lines of this log are lost: nobody took them." in lines
    finally:
        stream.close()
        for fd in (read, ours):
            os.close(fd)


def test_what_is_its_own_is_closed_with_it_and_a_later_line_goes_nowhere(pipe: tuple[int, int]) -> None:
    read, write = pipe
    before = sorted(Path("/proc/self/fd").iterdir())
    stream = LogStream(write)
    stream.close()
    assert sorted(Path("/proc/self/fd").iterdir()) == before
    stream.write("late\n")
    os.write(write, b"still open\n")
    assert os.read(read, 100) == b"still open\n"


@pytest.mark.parametrize("place", [">&- 2>&-", ">/dev/null 2>/dev/null", ">/dev/full 2>/dev/full"])
def test_streams_that_are_closed_or_take_nothing_end_nothing(place: str) -> None:
    script = "import sys; from slotwatch.edge.shared.log_stream import log_streams\n"
    script += "with log_streams():\n    print('a line'); print('a line', file=sys.stderr)\nraise SystemExit(7)\n"
    command = ["sh", "-c", f'exec "$0" -c "$1" {place}', sys.executable, script]
    assert subprocess.run(command, check=False, timeout=PATIENCE_S).returncode == 7


def test_a_line_that_no_pipe_takes_at_once_is_cut(pipe: tuple[int, int]) -> None:
    read, write = pipe
    LogStream(write).write("x" * 10_000 + "\n")
    found = os.read(read, 20_000)
    assert len(found) == LONGEST_LINE and found.endswith(b"x [cut]\n")


def test_a_reader_that_is_gone_ends_nothing() -> None:
    """Of a process of its own, with its real streams: writing into such a pipe is an error (EPIPE, write(2))."""
    script = (
        "import sys, time\n"
        "from slotwatch.edge.shared.log_stream import log_streams\n"
        "with log_streams():\n"
        "    sys.stdin.read()\n"
        "    for _ in range(3):\n"
        "        print('a line', flush=True)\n"
        "        print('a line', file=sys.stderr, flush=True)\n"
        "raise SystemExit(7)\n"
    )
    pipes = {"stdin": subprocess.PIPE, "stdout": subprocess.PIPE, "stderr": subprocess.PIPE}
    with subprocess.Popen([sys.executable, "-c", script], **pipes) as process:
        assert process.stdout and process.stderr and process.stdin
        process.stdout.close()
        process.stderr.close()
        process.stdin.close()
        assert process.wait(PATIENCE_S) == 7
