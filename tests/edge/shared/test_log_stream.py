"""A log whose reader stands still or is gone holds nothing up, and says later what was lost."""

from __future__ import annotations

import fcntl
import os
import subprocess
import sys
from collections.abc import Iterator

import pytest

from slotwatch.edge.shared.log_stream import LONGEST_LINE, LogStream

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
        assert process.wait(60) == 7
