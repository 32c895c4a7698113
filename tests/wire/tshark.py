"""Ask tshark, the reading of the protocols that nobody here wrote."""

from __future__ import annotations

import os
import shutil
import subprocess
from functools import lru_cache
from pathlib import Path

import pytest

CAPTURES = Path(__file__).parent.parent / "data" / "captures"
E131_OPTIONS = ("--enable-heuristic", "acn", "-o", "acn.dmx_enable:TRUE")


def rows(capture: Path | bytes, wanted: str, *fields: str) -> list[list[str]]:
    """Give these fields of every packet that a display filter keeps. Skips where tshark is missing, but not in CI."""
    tool = shutil.which("tshark")
    if tool is None:
        reason = "tshark is missing: sudo apt-get install tshark"
        if os.environ.get("CI") == "true":
            pytest.fail(reason)
        pytest.skip(reason)
    given = capture if isinstance(capture, bytes) else capture.read_bytes()
    # Several tests ask the same of a recording; each answer takes a third of a second.
    return [list(row) for row in _rows(tool, given, wanted, fields)]


@lru_cache(maxsize=64)
def _rows(tool: str, given: bytes, wanted: str, fields: tuple[str, ...]) -> list[list[str]]:
    asked = [part for field in fields for part in ("-e", field)]
    command = [
        tool,
        "-n",
        "-r",
        "-",
        *E131_OPTIONS,
        "-Y",
        wanted or "frame",
        "-T",
        "fields",
        "-E",
        "separator=|",
        *asked,
    ]
    done = subprocess.run(command, input=given, capture_output=True, check=False)
    # A capture that was cut off is reported on stderr and still read.
    return [line.split("|") for line in done.stdout.decode().splitlines()]
