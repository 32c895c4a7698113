"""Captures of incidents on disk: written from the recorder, kept under a size, found by the number of the incident.

A forked process writes: its copy of the recorder's memory does not change while judging continues.
"""

from __future__ import annotations

import contextlib
import errno
import os
import stat
from pathlib import Path

from slotwatch.edge.judging.recorder import LOCKED, MIB, PART, Recorder, remove_part
from slotwatch.edge.shared.places import state_place
from slotwatch.house.schema import House

AFTER_NS = 5_000_000_000
"""A capture continues for this long after the incident was judged, so that it shows what followed."""
IDLE_NICE = 19
"""The lowest rank of an ordinary process: a capture takes what judging and intake leave, on a full computer 1.5 %.
The idle class would leave it nothing at all there, and it holds memory until it is done."""


class Captures:
    """Writes the captures of incidents that the judging process wants, under the size that the house allows."""

    def __init__(self, house: House, recorder: Recorder) -> None:
        self.take_house(house, recorder)
        self._waiting: dict[int, tuple[int, int]] = {}
        """Incident to when it began and when its capture is due."""
        self._writer = self._newest = 0
        """The process that writes, and the newest incident that one was started for."""
        self.failed = 0
        """Captures that could not be written since this process started."""
        self.trouble = ""
        self._clear_parts()

    def take_house(self, house: House, recorder: Recorder) -> None:
        """Write where another house says, from its recorder; what waits goes there too."""
        self._recorder = recorder
        self._directory = state_place(house, house.recorder.directory)
        self._networks = tuple(network.name for network in house.networks)
        self._most_bytes = house.recorder.disk_mib * MIB

    def want(self, incident: int, began_ns: int, now_ns: int) -> None:
        """An incident was opened: its capture is due some seconds later."""
        self._waiting.setdefault(incident, (began_ns, now_ns + AFTER_NS))

    def turn(self, now_ns: int, wall_offset_ns: int, *, at_once: bool = False) -> None:
        """Write what is due, in another process; at most one at a time."""
        if self._writer:
            self._look_at_writer()
        due = {i: began for i, (began, due) in self._waiting.items() if due <= now_ns or at_once}
        if self._writer or not due:
            return
        for incident in due:
            del self._waiting[incident]
        self._newest = max(due)
        from_ns = min([now_ns - int(self._recorder.seconds * 1e9), *due.values()])
        try:
            self._directory.mkdir(parents=True, exist_ok=True)
            self._writer = os.fork()
        except FileExistsError:
            self._fail("it is no directory")
            return
        except OSError as error:  # also of the fork, where no further process or memory is to be had
            self._fail(error.strerror or str(error))
            return
        if not self._writer:
            self._write(sorted(due), from_ns, now_ns, wall_offset_ns)

    def _look_at_writer(self) -> None:
        """See whether the writing process has ended, and how."""
        done, status = os.waitpid(self._writer, os.WNOHANG)
        if not done:
            return
        self._writer = 0
        ended = os.waitstatus_to_exitcode(status)
        if ended == 0:
            self.trouble = ""
            return
        self._clear_parts()  # a writer that was killed could not do so itself
        if ended == LOCKED:
            self._fail("another program keeps its file locked")
            return
        self._fail(os.strerror(ended) if ended > 0 else f"the writing process was ended by signal {-ended}")

    def _fail(self, reason: str) -> None:
        self.failed += 1
        times = "" if self.failed == 1 else f" {self.failed} have failed since the start."
        self.trouble = (
            f"The capture of incident {self._newest} could not be kept in {self._directory}: {reason}.{times}"
            " The next incident tries again."
        )

    def _clear_parts(self) -> None:
        """Remove what a writer that was killed left behind. Another slotwatch that keeps its captures in this directory
        may be writing one now: that one stays."""
        for _, _, part in _files(self._directory, f"incident-*{PART}"):
            with contextlib.suppress(OSError):
                remove_part(part)

    def _write(self, incidents: list[int], from_ns: int, to_ns: int, wall_offset_ns: int) -> None:
        """In the forked process: write one file, give it the name of every incident that it belongs to, and exit
        without cleaning up.

        The exit status is 0, or the errno of what failed.
        """
        status = errno.EIO
        try:
            with contextlib.suppress(OSError):
                os.nice(IDLE_NICE)
            first = path_of(self._directory, incidents[0])
            self._recorder.write(first, from_ns, to_ns, wall_offset_ns, self._networks)
            for other in incidents[1:]:
                with contextlib.suppress(FileExistsError):
                    path_of(self._directory, other).hardlink_to(first)
            trim(self._directory, self._most_bytes)
            status = 0
        except OSError as error:
            status = error.errno or errno.EIO
        finally:
            os._exit(status)


def path_of(place: Path, incident: int) -> Path:
    """Where in a directory the capture of an incident is."""
    return place / f"incident-{incident}.pcapng"


def trim(place: Path, most_bytes: int) -> None:
    """Remove the oldest captures until the others fit. What is still being written counts too."""
    found = sorted(_files(place, "incident-*.pcapng"))
    total = sum(size for _, size, _ in found)
    total += sum(size for _, size, _ in _files(place, f"incident-*{PART}"))
    for _, size, path in found[:-1]:
        if total <= most_bytes:
            break
        path.unlink(missing_ok=True)
        total -= size


def _files(place: Path, pattern: str) -> list[tuple[int, int, Path]]:
    """When each file was written last, its size and its path. What is no file, or is taken away meanwhile, is left
    out."""
    found = []
    with contextlib.suppress(OSError):
        for path in place.glob(pattern):
            with contextlib.suppress(OSError):
                state = path.lstat()
                if stat.S_ISREG(state.st_mode):
                    found.append((state.st_mtime_ns, state.st_size, path))
    return found


class RecordedPackets:
    """For the front process: the path of an incident's capture, once it is written."""

    def __init__(self, house: House) -> None:
        self._directory = state_place(house, house.recorder.directory)

    def path(self, incident: int) -> Path | None:
        """The pcapng file of an incident; None while there is none."""
        found = path_of(self._directory, incident)
        return found if found.is_file() else None
