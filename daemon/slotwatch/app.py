"""The parent: makes the shared memory, starts the processes, watches them, and stops them. It does no work itself.

It imports neither numpy nor the HTTP server, so that it stays small and nothing in it can fail for long. The house
file is read by a child (`load`), whose result lies in memory for every process that starts later.
"""

from __future__ import annotations

import os
import selectors
import signal
import sys
from collections.abc import Iterable

from slotwatch.clock import monotonic_ns
from slotwatch.edge.routes.identity import bridge_cid
from slotwatch.edge.shared.child import Child
from slotwatch.edge.shared.house_change import HouseChange
from slotwatch.edge.shared.messages import Request
from slotwatch.edge.shared.messages.lifeline import (
    CouldNotRun,
    FromChild,
    HouseNotTaken,
    HouseTaken,
    InternalFault,
    Loaded,
    Ready,
    StatusText,
    ToChild,
)
from slotwatch.edge.shared.resources import SharedResources
from slotwatch.edge.shared.systemd import Notifier
from slotwatch.edge.shared.watchdog import READY_WITHIN_S, Watchdog
from slotwatch.errors import CouldNotStart

STOP_WITHIN_S = 3.0
STARTS_BEFORE_GIVING_UP = 5
TURN_S = 0.25
ORDER = ("intake", "judging", "front", "routes")


class App:
    """The running daemon. `run` returns after a clean stop; it raises what kept it from starting."""

    def __init__(self, house_file: str, ring_rows: int, undeclared: dict[str, object] | None = None) -> None:
        """undeclared: what to listen to without a house file; `house_file` then only says where files are kept."""
        self._file = house_file
        self._undeclared = undeclared
        self._commons = SharedResources(ring_rows)
        self._house = self._commons.house
        self._cid = bridge_cid(house_file).hex
        self._run = f"{os.getpid()}-{monotonic_ns()}"
        """Distinguishes this run of the program from others, for the history."""
        self._select = selectors.DefaultSelector()
        self._children: dict[str, Child] = {}
        self._retired: list[Child] = []
        self._notifier = Notifier()
        self._change = HouseChange(self, house_file, self._house, self._notifier)
        self._watchdog = Watchdog(self._commons.progress, self._notifier, self.say)
        self._ready = self._stopping = False
        self._started_ns = 0
        self._status = ""
        self._failure: tuple[str, ...] | None = None
        self._wake = os.pipe2(os.O_NONBLOCK | os.O_CLOEXEC)

    def run(self) -> None:
        """Start everything, watch it until SIGTERM or SIGINT, stop it."""
        for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP, signal.SIGCHLD):
            signal.signal(number, lambda *_: None)
        signal.set_wakeup_fd(self._wake[1], warn_on_full_buffer=False)
        self._select.register(self._wake[0], selectors.EVENT_READ)
        self._started_ns = monotonic_ns()
        try:
            self.start("load", house=self._house)
            while not self._stopping and self._failure is None:
                self._turn()
        finally:
            self._stop()
            self.close()
        if self._failure is not None:
            raise CouldNotStart(list(self._failure))

    def close(self) -> None:
        """Let go of all shared memory and channels; nothing runs any more."""
        signal.set_wakeup_fd(-1)
        self._select.close()
        self._commons.close()
        for fd in self._wake:
            os.close(fd)
        self._change.close()

    def _turn(self) -> None:
        for key, _ in self._select.select(self._wait_s()):
            if key.fd == self._wake[0]:
                self._signalled(os.read(self._wake[0], 512))
            elif key.data is not None:
                self._heard(key.data)
        now_ns = monotonic_ns()
        self._revive(now_ns)
        if self._ready:
            self._watchdog.watch(self._children, now_ns)
        elif now_ns - self._started_ns > READY_WITHIN_S * 1e9 and (late := self._watchdog.late(self._children)):
            self._failure = (late,)
        self._change.give_up_if_late(now_ns)

    def _wait_s(self) -> float:
        """Turns are rare, but a child that is due to be restarted is not made to wait."""
        now_ns = monotonic_ns()
        due = [c.due_ns for c in self._children.values() if c.due_ns]
        return min([TURN_S, *(max(0.0, (at - now_ns) / 1e9) for at in due)])

    def _signalled(self, numbers: Iterable[int]) -> None:
        for number in numbers:
            if number in (signal.SIGTERM, signal.SIGINT):
                self._stopping = True
            elif number == signal.SIGHUP:
                self._reload(None)
        for child in [*self._children.values(), *self._retired]:
            if child.gone():
                self._heard(child)

    # --- children

    def start(self, role: str, **more: int) -> None:
        """Start a process. more: further descriptors that it gets."""
        child = self._children.get(role) or Child(role)
        self._children[role] = child
        values = {
            "file": self._file,
            "rows": self._commons.rows,
            "cid": self._cid,
            "problems": self._change.problems,
            "hold_node": self._change.hold_node,
            "run": self._run,
            "first_number": self._change.summary.first_number if self._change.summary else 1,
            "undeclared": self._undeclared,
        }
        child.start({**self._commons.descriptors(role), **more}, values)
        if child.channel is not None:
            self._select.register(child.channel.fileno(), selectors.EVENT_READ, child)

    def _heard(self, child: Child) -> None:
        """Take what a child says; notice that it is gone."""
        if child.channel is None:
            return
        for message in child.channel.receive():
            child.spoke_ns = monotonic_ns()
            self._take(child, message)
        if child.channel.closed or child.gone():
            self._select.unregister(child.channel.fileno())
            child.ended(monotonic_ns())
            if child in self._retired:
                self._retired.remove(child)
            elif child.role == "load":
                self._children.pop("load", None)
                self._loaded_without_word(child)
            elif self._children.get(child.role) is child and not self._stopping:
                self._lost(child)

    def _lost(self, child: Child) -> None:
        if self._failure is not None:
            return
        if not self._ready and child.starts >= STARTS_BEFORE_GIVING_UP:
            self._failure = child.last_lines or (f"{child.role} ended {child.starts} times ({child.how})",)
            return
        if child.replaced_by_ns:
            return
        for line in child.last_lines:
            self.say(line)
        self.say(f"{child.role} ended ({child.how}); starting it again")
        if self._change.is_asking(child.role):
            self._change.roll_back((f"{child.role} ended while it took the new house file ({child.how})",))

    def _revive(self, now_ns: int) -> None:
        for child in list(self._children.values()):
            if child.replaced_by_ns and now_ns > child.replaced_by_ns and not child.due_ns:
                child.kill()
            if child.due_ns and now_ns >= child.due_ns and child.role != "load":
                self.start(child.role)

    def _take(self, child: Child, message: FromChild) -> None:
        match message:
            case Ready():
                child.ready_ns = monotonic_ns()
                self._all_ready()
            case CouldNotRun():
                child.last_lines = message.lines
                if child.role == "load":
                    self._not_loaded(message.lines)
                elif not self._ready:
                    self._failure = message.lines
            case InternalFault():
                child.last_lines = message.lines
            case Loaded():
                self._loaded(message)
            case StatusText():
                self._status = message.text
                if self._ready:
                    self._notifier.status(self._status)
            case Request():
                self._reload(message.number)
            case HouseTaken() | HouseNotTaken() if self._change.is_asking(child.role):
                self._change.answered(message)

    def _all_ready(self) -> None:
        wanted = [role for role in ORDER if role in self._children]
        if self._ready or self._stopping or not all(self._children[role].ready for role in wanted):
            return
        self._ready = True
        if (house := self._change.summary) is not None:
            print(f"slotwatch is watching {house.name}; its page is {house.page}", flush=True)
            self._notifier.ready(f"watching {house.name}; page {house.page}")

    # --- the house

    def _loaded(self, summary: Loaded) -> None:
        is_first = self._change.summary is None
        self._change.loaded(summary)
        if is_first:
            for role in ORDER:
                if role != "routes" or summary.has_routes:
                    self.start(role)

    def _not_loaded(self, lines: tuple[str, ...]) -> None:
        if self._change.summary:
            self._change.refuse(lines)
        else:
            self._failure = lines

    def _loaded_without_word(self, child: Child) -> None:
        """The loading process ended without a result (killed, out of memory)."""
        if self._change.summary is None and self._failure is None:
            reason = f"the house file could not be read: the reader ended ({child.how})"
            self._failure = child.last_lines or (reason,)
        elif self._change.is_going and child.last_lines:
            self._change.refuse(child.last_lines)

    def _reload(self, number: int | None) -> None:
        """Read the house file again. number: that of the order, which gets the answer."""
        if number is not None:
            self._change.ask(number)
        if self._ready:
            self._change.begin()

    def order(self, role: str, message: ToChild) -> None:
        """Send a process a message; nothing is sent to one that is between two lives."""
        child = self._children.get(role)
        if child is not None and child.channel is not None:
            child.channel.send(message)

    def is_reachable(self, role: str) -> bool:
        """Whether a process has this role now and can take messages."""
        child = self._children.get(role)
        return child is not None and child.channel is not None

    # --- watching and stopping

    def replace(self, role: str) -> None:
        """Have a process end and start it again once it is gone: two of a role would read each other's messages."""
        child = self._children[role]
        if child.channel is not None:
            child.replaced_by_ns = monotonic_ns() + int(STOP_WITHIN_S * 1e9)
            child.stop()

    def retire(self, role: str, *, at_once: bool = False) -> None:
        """Have a process end for good. at_once: it, and those of its role that are ending, get no time for it."""
        child = self._children.pop(role, None)
        if child is not None and child.channel is not None:
            child.stop()
            self._retired.append(child)
        for ending in self._retired:
            if at_once and ending.role == role:
                ending.kill()

    def _stop(self) -> None:
        self._stopping = True
        if self._ready:
            self._notifier.stopping()
        for role in (*reversed(ORDER), "load"):
            self.retire(role)
        deadline_ns = monotonic_ns() + int(STOP_WITHIN_S * 1e9)
        while self._retired and monotonic_ns() < deadline_ns:
            for key, _ in self._select.select(0.05):
                if key.fd == self._wake[0]:
                    os.read(self._wake[0], 512)
                elif key.data is not None:
                    self._heard(key.data)
        for child in self._retired:
            # Waited for: on a busy computer a killed process lives on for a moment, and holds its port.
            child.kill()
            child.ended(monotonic_ns())
        self._notifier.close()

    def say(self, line: str) -> None:
        """Write a line to the journal."""
        print(f"slotwatch: {line}", file=sys.stderr, flush=True)
