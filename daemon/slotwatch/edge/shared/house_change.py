"""A new house file while the daemon runs: it is read, then each process takes it, or everybody keeps the old one.

The file is read by a child (`load`) into memory of its own. It is copied over the running house only then, and the
processes take it one after the other: the first two can find that the computer does not let them.
"""

from __future__ import annotations

import os
from typing import Protocol

from slotwatch.clock import monotonic_ns
from slotwatch.edge.shared import housing
from slotwatch.edge.shared.messages import Done, Refusal
from slotwatch.edge.shared.messages.lifeline import (
    HouseFileRead,
    HouseNotTaken,
    HouseProblems,
    HouseTaken,
    Loaded,
    TakeHouse,
    ToChild,
)
from slotwatch.edge.shared.systemd import Notifier

TAKEN_WITHIN_S = 15.0
ORDER = ("intake", "front", "judging")
"""The processes that take a new house, one after the other."""


class Parent(Protocol):
    """What it needs of the process that starts all others."""

    def start(self, role: str, **more: int) -> None: ...

    def order(self, role: str, message: ToChild) -> None: ...

    def is_reachable(self, role: str) -> bool: ...

    def replace(self, role: str) -> None: ...

    def retire(self, role: str, *, at_once: bool = False) -> None: ...

    def say(self, line: str) -> None: ...


class HouseChange:
    """The running house and the one that is being tried. Times are monotonic ns."""

    def __init__(self, parent: Parent, file: str, house: int, notifier: Notifier) -> None:
        """house: descriptor of the memory that holds the running house."""
        self._parent, self._file, self._house, self._notifier = parent, file, house, notifier
        self.summary: Loaded | None = None
        """What the reader reported of the running house; None before the first is read."""
        self.problems: tuple[str, ...] = ()
        """Why the file on disk is not the one that runs."""
        self.hold_node = False
        """A change asked for subscribing: it waits until no audience is there."""
        self._next = -1
        self._asked_by: list[int] = []
        """Numbers of the front's orders that await an answer."""
        self._is_going = False
        self._began_ns = self._number = 0
        self._to_take: list[str] = []
        """The processes that have not taken the new house yet; the first of them is being asked."""
        self._before = b""
        """The running house while a new one is being tried; empty otherwise."""
        self._summary_before: Loaded | None = None
        self._notes: frozenset[str] = frozenset()

    @property
    def is_going(self) -> bool:
        """Whether a new house is being read or taken."""
        return self._is_going

    def is_asking(self, role: str) -> bool:
        """Whether this process is the one that is to take the new house now."""
        return bool(self._to_take) and self._to_take[0] == role

    def close(self) -> None:
        """Let go of the memory of a house that was being tried."""
        if self._next >= 0:
            os.close(self._next)

    # --- steps ----------------------------------------------------------------------------------------

    def ask(self, number: int) -> None:
        """Note an order of the front process, to be answered when the change has ended."""
        self._asked_by.append(number)

    def begin(self) -> None:
        """Have the file read. Nothing happens while another change is under way."""
        if self._is_going:
            return
        self._is_going, self._began_ns = True, monotonic_ns()
        self._number += 1
        self._notifier.reloading(self._began_ns)
        if self._next >= 0:
            os.close(self._next)
        self._next = housing.create_memory()
        self._parent.start("load", house=self._next)

    def loaded(self, summary: Loaded) -> None:
        """Take what the reader reports of a house: the first one runs at once, a later one has to be taken."""
        for note in summary.notes:
            if note not in self._notes:  # what did not change is in the journal already
                self._parent.say(note)
        self._notes = frozenset(summary.notes)
        if self.summary is None:
            self.summary = summary
            return
        self._before, self._summary_before = housing.encoded(self._house), self.summary
        housing.write(self._house, housing.encoded(self._next))
        self.summary = summary
        self._to_take = list(ORDER)
        self._ask_to_take()

    def answered(self, message: HouseTaken | HouseNotTaken) -> None:
        """Take the answer of the process that is being asked."""
        if message.number != self._number:
            return  # of a change that was given up
        if isinstance(message, HouseTaken):
            self._taken(message.publication)
        else:
            self.roll_back(message.lines)

    def give_up_if_late(self, now_ns: int) -> None:
        """End a change that takes too long: everybody keeps the old house."""
        if not self._is_going or now_ns - self._began_ns <= TAKEN_WITHIN_S * 1e9:
            return
        self._parent.retire("load", at_once=True)
        lines = (f"the house file was not taken up within {TAKEN_WITHIN_S:g} s",)
        if self._before:
            self.roll_back(lines)
        else:
            self.refuse(lines)

    def roll_back(self, lines: tuple[str, ...]) -> None:
        """Intake cannot listen, or the page open, as the new house says: everybody keeps the old one."""
        housing.write(self._house, self._before)
        self.summary = self._summary_before
        asked = [role for role in ORDER if role not in self._to_take[1:]]
        self._to_take = []
        for role in asked:
            self._parent.order(role, TakeHouse())
        self.refuse(lines)

    def refuse(self, lines: tuple[str, ...]) -> None:
        """Report why the running house stays."""
        self.problems = lines
        self._parent.order("judging", HouseProblems(lines))
        reason = "the house file was refused; the running house continues: " + "; ".join(lines)
        for number in self._answers():
            self._parent.order("front", Refusal(number, reason))
        self._parent.say("the house file was refused; the running house continues")
        for line in lines:
            self._parent.say(line)
        self._end()

    def _ask_to_take(self) -> None:
        """Ask the next process to take the new house. One that is being restarted reads it at its start."""
        if self._to_take[0] == "judging" and not self._keeps_numbers():
            # All that is known goes by the number of a network. It comes back out of the history, by name.
            self._parent.replace("judging")
            self._taken(None)
            return
        self._parent.order(self._to_take[0], TakeHouse(self._number))
        if not self._parent.is_reachable(self._to_take[0]):
            self._taken(None)

    def _summaries(self) -> tuple[Loaded, Loaded]:
        """Of the house that was running, and of the one that is to run."""
        before, now = self._summary_before, self.summary
        assert before is not None and now is not None, "a house was running, and another is to run"
        return before, now

    def _keeps_numbers(self) -> bool:
        """Whether each network keeps its number: others may follow them."""
        before, now = self._summaries()
        return now.networks[: len(before.networks)] == before.networks

    def _taken(self, publication: int | None) -> None:
        """The one that was asked has it. `publication`: the one after which judging's snapshots show it."""
        del self._to_take[0]
        if self._to_take:
            self._ask_to_take()
        else:
            self._accept(publication)

    def _accept(self, publication: int | None) -> None:
        self.problems = ()
        (before, now), parent = self._summaries(), self._parent
        self.hold_node = now.subscribes and (self.hold_node or not before.subscribes)
        if now.has_routes and not before.has_routes:
            parent.start("routes")
        elif before.has_routes and not now.has_routes:
            parent.retire("routes")
        elif now.has_routes and before.ways_mark != now.ways_mark:
            parent.replace("routes")
        elif now.has_routes:
            parent.order("routes", TakeHouse())
        for number in self._answers():
            parent.order("front", Done(number, HouseFileRead(now.name), publication))
        parent.say(f"reloaded {self._file}")
        self._end()

    def _end(self) -> None:
        self._is_going, self._to_take = False, []
        self._before = b""
        if self.summary is not None:
            self._notifier.ready(f"watching {self.summary.name}; page {self.summary.page}")

    def _answers(self) -> list[int]:
        """Give the numbers of the orders that are to be answered now, once."""
        numbers, self._asked_by = self._asked_by, []
        return numbers
