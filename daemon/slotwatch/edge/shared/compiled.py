"""What is compiled, where it was built for this computer: the pass over routine packets, receiving, recording,
the look for changes, copying out of the ring, figures of intervals, levels.

Each is one file beside this one, made of a C file of the same name by `compilation.py` when the package is built or
installed for development. They are no part of Python, so one file fits every Python of a machine. Without them, or
with ones that were made of another source, everything is done by numpy: slower, with the same result.
"""

from __future__ import annotations

import ctypes
import platform
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

SOURCE = Path(__file__).parent / "continuations.c"
RECEIVING = SOURCE.with_name("receiving.c")
RECORDING = SOURCE.with_name("recording.c")
LOOKING = SOURCE.with_name("looking.c")
COPYING = SOURCE.with_name("copying.c")
INTERVALS = SOURCE.with_name("intervals.c")
LEVELS = SOURCE.with_name("levels.c")
T = TypeVar("T")


class Compiled:
    """The functions of `continuations.c`."""

    def __init__(self, library: ctypes.PyDLL) -> None:
        self.intervals, self.levels = load_intervals(), load_levels()
        # PyDLL: a call takes a tenth of a millisecond, and no thread shall change the tables meanwhile.
        names = ("learn", "take", "flashes", "pairs")
        self._learn, self._take, self._flashes, self._pairs = _functions(library, 2, *names)
        self._fold, self._turn, self._fold_gaps = _functions(library, 1, "fold", "turn", "fold_gaps")

    def learn(self, table: int, call: int) -> int:
        """Remember packets; returns how many keys are new."""
        return self._learn(table, call)

    def take(self, table: int, call: int) -> int:
        """Take routine packets; returns how many."""
        return self._take(table, call)

    def flashes(self, frames: int) -> int:
        """Follow watched slots; returns when one last changed too often within a second, 0 if none did."""
        return self._flashes(frames, None)

    def pairs(self, frames: int) -> int:
        """Follow watched pairs; returns how often one was torn."""
        return self._pairs(frames, None)

    def fold(self, windows: int) -> int:
        """Add to totals what was counted since the last call; returns how many counts changed."""
        return self._fold(windows)

    def turn(self, windows: int) -> int:
        """Add a finished bucket to the sums, subtract those that leave; returns how many counts were not zero."""
        return self._turn(windows)

    def fold_gaps(self, windows: int) -> int:
        """Work out the longest gaps; returns of how many streams."""
        return self._fold_gaps(windows)


class Intervals:
    """The functions of `intervals.c`."""

    def __init__(self, library: ctypes.PyDLL) -> None:
        self._collect, self._sum_up, self._take_new = _functions(library, 1, "collect", "sum_up", "take_new")

    def collect(self, ranks: int) -> int:
        """Copy intervals to be sorted; returns of how many streams."""
        return self._collect(ranks)

    def sum_up(self, ranks: int) -> int:
        """Work out percentiles, bins and medians of what was sorted; returns of how many streams."""
        return self._sum_up(ranks)

    def take_new(self, minute: int) -> int:
        """Put new intervals into the histograms of the minute; returns how many."""
        return self._take_new(minute)


class LevelsBesideMasks:
    """The function of `levels.c`."""

    def __init__(self, library: ctypes.PyDLL) -> None:
        (self._any_above,) = _functions(library, 1, "any_above")

    def any_above(self, words: int) -> int:
        """Look for levels above zero; returns on how many universes there are any."""
        return self._any_above(words)


class Receiving:
    """The functions of `receiving.c`."""

    def __init__(self, library: ctypes.PyDLL) -> None:
        # PyDLL: reading never blocks, and nothing else has to run while packets gather.
        self._receive, self._gather = _functions(library, 2, "receive", "gather")

    def receive(self, ring: int, call: int) -> int:
        """Read packets; returns how many, or minus the number of the error."""
        return self._receive(ring, call)

    def gather(self, ring: int, gathering: int) -> int:
        """Let packets gather and read them now and then; returns how many rows were written."""
        return self._gather(ring, gathering)


class Recording:
    """The function of `recording.c`."""

    def __init__(self, library: ctypes.PyDLL) -> None:
        (self._record,) = _functions(library, 1, "record")

    def record(self, call: int) -> None:
        """Write the records of a batch."""
        self._record(call)


class Looking:
    """The function of `looking.c`."""

    def __init__(self, library: ctypes.PyDLL) -> None:
        (self._look,) = _functions(library, 1, "look")

    def look(self, words: int) -> bool:
        """Whether packets bring a change."""
        return bool(self._look(words))


class Copying:
    """The functions of `copying.c`."""

    def __init__(self, library: ctypes.PyDLL) -> None:
        self._longest, self._copy = _functions(library, 1, "longest", "copy")

    def longest(self, words: int) -> int:
        """The greatest length of some rows."""
        return self._longest(words)

    def copy(self, words: int) -> None:
        """Copy rows."""
        self._copy(words)


def _functions(library: ctypes.PyDLL, addresses: int, *names: str) -> list[Callable[..., int]]:
    """Functions of a library by their names; each takes so many addresses and returns a whole number of 64 bits."""
    found = [getattr(library, f"slotwatch_{name}") for name in names]
    for function in found:
        function.argtypes, function.restype = (ctypes.c_void_p,) * addresses, ctypes.c_int64
    return found


def built_name(source: Path, machine: str = "") -> str:
    """Name of the built file for a machine as `platform.machine` calls it."""
    return f"{source.stem}.{machine or platform.machine()}.so"


def load(file: Path | None = None) -> Compiled | None:
    """Load the compiled pass; None where it is not there or does not fit this source."""
    return _load(Compiled, SOURCE, file)


def load_receiving(file: Path | None = None) -> Receiving | None:
    """Load compiled receiving; None where it is not there or does not fit this source."""
    return _load(Receiving, RECEIVING, file)


def load_recording(file: Path | None = None) -> Recording | None:
    """Load compiled recording; None where it is not there or does not fit this source."""
    return _load(Recording, RECORDING, file)


def load_looking(file: Path | None = None) -> Looking | None:
    """Load the compiled look for changes; None where it is not there or does not fit this source."""
    return _load(Looking, LOOKING, file)


def load_copying(file: Path | None = None) -> Copying | None:
    """Load compiled copying; None where it is not there or does not fit this source."""
    return _load(Copying, COPYING, file)


def load_intervals(file: Path | None = None) -> Intervals | None:
    """Load the compiled figures of intervals; None where they are not there or do not fit this source."""
    return _load(Intervals, INTERVALS, file)


def load_levels(file: Path | None = None) -> LevelsBesideMasks | None:
    """Load the compiled look at levels; None where it is not there or does not fit this source."""
    return _load(LevelsBesideMasks, LEVELS, file)


def _load(made: Callable[[ctypes.PyDLL], T], source: Path, file: Path | None) -> T | None:
    library = _library(source, file)
    return None if library is None else made(library)


def _library(source: Path, file: Path | None) -> ctypes.PyDLL | None:
    try:
        library = ctypes.PyDLL(str(file or source.with_name(built_name(source))))
        of_source = ctypes.c_uint32.in_dll(library, "slotwatch_source").value
        return library if of_source == zlib.crc32(source.read_bytes()) else None
    except (OSError, ValueError, AttributeError):
        return None
