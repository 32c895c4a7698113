"""The compiled pass over packets that only go on, where it was built for this computer.

It is one file beside this one, made of `continuations.c` by `compilation.py` when the package is built or installed
for development. It is no part of Python, so one file fits every Python of a machine. Without it, or with one that was
made of another source, everything is done by numpy: slower, with the same result.
"""

from __future__ import annotations

import ctypes
import platform
import zlib
from pathlib import Path

SOURCE = Path(__file__).parent / "continuations.c"


class Compiled:
    """The functions of one built file."""

    def __init__(self, library: ctypes.PyDLL) -> None:
        # PyDLL: a call takes a tenth of a millisecond, and no thread shall change the tables meanwhile.
        self._learn, self._go_on = library.slotwatch_learn, library.slotwatch_go_on
        for function in (self._learn, self._go_on):
            function.argtypes, function.restype = (ctypes.c_void_p, ctypes.c_void_p), ctypes.c_int64

    def learn(self, table: int, call: int) -> int:
        """Remember packets; returns how many keys are new."""
        return int(self._learn(table, call))

    def go_on(self, table: int, call: int) -> int:
        """Take packets that go on; returns how many."""
        return int(self._go_on(table, call))


def built_name(machine: str = "") -> str:
    """Name of the built file for a machine as `platform.machine` calls it."""
    return f"continuations.{machine or platform.machine()}.so"


def load(file: Path | None = None) -> Compiled | None:
    """Load the compiled pass; None where it is not there or does not fit this source."""
    try:
        library = ctypes.PyDLL(str(file or SOURCE.with_name(built_name())))
        of_source = ctypes.c_uint32.in_dll(library, "slotwatch_source").value
        return Compiled(library) if of_source == zlib.crc32(SOURCE.read_bytes()) else None
    except (OSError, ValueError, AttributeError):
        return None
