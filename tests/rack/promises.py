"""Promises: each is one line of what is printed, one function that tries it on the running machine."""

from __future__ import annotations

import time
import traceback
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass

from tests.rack.house import RackHouse
from tests.rack.machine import CommandError


class NotKept(Exception):
    """What was promised did not come about; its text says what did."""


@dataclass(frozen=True, slots=True)
class RackPromise:
    """One thing that the venue relies on."""

    text: str
    tries: Callable[[RackHouse], None]


def promise(text: str) -> Callable[[Callable[[RackHouse], None]], RackPromise]:
    """Make a function the trial of a promise."""
    return lambda tries: RackPromise(text, tries)


def expect(kept: object, what: str) -> None:
    """NotKept with what came about instead, unless it is kept."""
    if not kept:
        raise NotKept(what)


SHOW = {"universe-lost", "universe-missing", "packet-loss", "source-absent"}
"""What would accuse the show."""
LATER_S = 8.0
"""An accusation may come so long after its reason: E1.31 6.7.1 gives a source 2.5 s, and the emulator is slow."""


@contextmanager
def accusing_nobody(house: RackHouse, *further: str) -> Iterator[None]:
    """NotKept where the block brings an incident of these rules: what happens in it is not a fault of the show."""
    seen = house.seen()
    yield
    house.machine.listen(LATER_S)
    found = house.rules_since(seen) & {*SHOW, *further}
    expect(not found, f"it accuses the show of {found}")


def keep(promises: Sequence[RackPromise], house: RackHouse) -> int:
    """Try them in order, print a line for each, give how many were not kept. RackError ends it."""
    broken = 0
    for one in promises:
        began_s = time.monotonic()
        failure = ""
        try:
            one.tries(house)
        except (NotKept, CommandError) as error:
            failure = str(error)
        except (KeyError, ValueError, TypeError) as error:  # an answer of another form than expected
            failure = f"{type(error).__name__}: {error}\n{traceback.format_exc()}"
        broken += bool(failure)
        line = f"{'BROKEN' if failure else 'kept':6} {time.monotonic() - began_s:5.0f} s  {one.text}"
        print(line + (f"\n       {failure}" if failure else ""), flush=True)
        if failure:
            print(_indented(house.machine.run("journalctl -b -u slotwatch --no-pager -n 40", 60).output), flush=True)
    return broken


def _indented(text: str) -> str:
    return "\n".join(f"       | {line}" for line in text.splitlines())
