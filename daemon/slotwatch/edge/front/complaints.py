"""Errors that a client causes are logged as one short line for each kind, at most once a minute, with the count.
Otherwise anyone who reaches the port could fill the journal's disk by sending nonsense.
"""

from __future__ import annotations

import asyncio
import errno
import logging
import sys
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass

from aiohttp.http_exceptions import HttpProcessingError

from slotwatch import clock

EVERY_NS = 60_000_000_000
MOST_KINDS = 64
LONGEST_LINE = 160


@dataclass(slots=True)
class _Kind:
    written_ns: int
    since: int = 0
    """How often it came since it was written last."""


class Complaints:
    """Writes a line the first time, then counts for a minute."""

    def __init__(self, write: Callable[[str], None] | None = None) -> None:
        self._write = write or _write
        self._kinds: OrderedDict[str, _Kind] = OrderedDict()

    def say(self, kind: str, line: str, now_ns: int | None = None) -> bool:
        """Write this line unless one of its kind was written within a minute. True if it was written."""
        now_ns = clock.monotonic_ns() if now_ns is None else now_ns
        found = self._kinds.get(kind)
        if found is not None and now_ns - found.written_ns < EVERY_NS:
            found.since += 1
            return False
        before = f" ({found.since} more since the last such line)" if found is not None and found.since else ""
        self._kinds[kind] = _Kind(now_ns)
        self._kinds.move_to_end(kind)
        while len(self._kinds) > MOST_KINDS:
            self._kinds.popitem(last=False)
        text = "".join(letter if letter.isprintable() else " " for letter in line)
        self._write(text[:LONGEST_LINE] + before)
        return True

    def logger(self) -> logging.Logger:
        """A logger for the HTTP library, so that what it has to say is bounded too."""
        made = logging.Logger("slotwatch.http", logging.INFO)
        made.addHandler(_Handler(self))
        return made

    def of_loop(self, loop: asyncio.AbstractEventLoop, context: dict[str, object]) -> None:
        """Take what the event loop would log with a trace: no file left to accept a caller, a broken handshake."""
        fault = context.get("exception")
        if isinstance(fault, OSError) and fault.errno in (errno.EMFILE, errno.ENFILE, errno.ENOBUFS, errno.ENOMEM):
            self.say("files", f"No further connection to the page can be accepted: {fault.strerror}.")
            return
        # In brackets the loop prints what a stranger sent: each such line would be of a kind of its own.
        what = str(context.get("message", "")).partition("(")[0].rstrip(".")
        kind = f"loop {type(fault).__name__} {what}"
        self.say(kind[:120], f"Page: {what}: {type(fault).__name__}: {fault}" if fault else f"Page: {what}")


class _Handler(logging.Handler):
    def __init__(self, complaints: Complaints) -> None:
        super().__init__()
        self._complaints = complaints

    def emit(self, record: logging.LogRecord) -> None:
        fault = record.exc_info[1] if record.exc_info else None
        where = f" from {record.args[0]}" if isinstance(record.args, tuple) and record.args else ""
        if isinstance(fault, HttpProcessingError):
            reason = (fault.message or type(fault).__name__).partition("\n")[0].rstrip(":. ")
            self._complaints.say("request", f"A request{where} cannot be read: {reason}.")
            return
        what = f"{type(fault).__name__}: {fault}" if fault else record.getMessage().partition("\n")[0]
        self._complaints.say(f"http {type(fault).__name__}", f"Answering a request{where} failed: {what}")


def _write(line: str) -> None:
    print(f"slotwatch: {line}", file=sys.stderr, flush=True)
