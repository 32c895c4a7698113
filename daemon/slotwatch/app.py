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
from typing import Any

from slotwatch.clock import monotonic_ns
from slotwatch.edge.routes.identity import bridge_cid
from slotwatch.edge.shared import housing
from slotwatch.edge.shared.channel import Message
from slotwatch.edge.shared.child import Child
from slotwatch.edge.shared.resources import SharedResources
from slotwatch.edge.shared.systemd import Notifier
from slotwatch.errors import CouldNotStart

STOP_WITHIN_S = 3.0
READY_WITHIN_S = 30.0
RELOAD_WITHIN_S = 15.0
STUCK_S = {"intake": 5.0, "judging": 10.0, "front": 12.0, "routes": 12.0}
"""Without progress for so long a process is ended and started anew."""
STARTS_BEFORE_GIVING_UP = 5
TURN_S = 0.25
ORDER = ("intake", "judging", "front", "routes")
RELOAD_ORDER = ("intake", "front", "judging")
"""Who takes a new house, one after the other: the first two can find that the computer does not let them."""


class App:
    """The running daemon. `run` returns after a clean stop; it raises what kept it from starting."""

    def __init__(self, house_file: str, ring_rows: int, undeclared: dict[str, Any] | None = None) -> None:
        """undeclared: what to listen to without a house file; `house_file` then only says where files are kept."""
        self._file = house_file
        self._undeclared = undeclared
        self._commons = SharedResources(ring_rows)
        self._house = self._commons.house
        self._next_house = -1
        self._cid = bridge_cid(house_file).hex
        self._run = f"{os.getpid()}-{monotonic_ns()}"
        """Tells this run of the program from others, for the history."""
        self._select = selectors.DefaultSelector()
        self._children: dict[str, Child] = {}
        self._retired: list[Child] = []
        self._summary: dict[str, Any] = {}
        self._problems: list[str] = []
        self._hold_node = False
        """A reload asked for subscribing: it waits until no audience is there."""
        self._notifier = Notifier()
        self._progress = self._commons.progress
        self._ready = self._stopping = False
        self._reload_for: list[tuple[str, Any]] = []
        self._reloading = False
        self._reload_began_ns = self._reload_number = 0
        self._to_take: list[str] = []
        """Who has not taken the new house yet; the first of them is being asked."""
        self._before = b""
        """The running house while a new one is being tried; empty otherwise."""
        self._summary_before: dict[str, Any] = {}
        self._fed_ns = self._started_ns = 0
        self._status = ""
        self._failure: list[str] | None = None
        self._wake = os.pipe2(os.O_NONBLOCK | os.O_CLOEXEC)

    def run(self) -> None:
        """Start everything, watch it until SIGTERM or SIGINT, stop it."""
        for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP, signal.SIGCHLD):
            signal.signal(number, lambda *_: None)
        signal.set_wakeup_fd(self._wake[1], warn_on_full_buffer=False)
        self._select.register(self._wake[0], selectors.EVENT_READ)
        self._started_ns = monotonic_ns()
        try:
            self._start("load", house=self._house)
            while not self._stopping and self._failure is None:
                self._turn()
        finally:
            self._stop()
            self.close()
        if self._failure is not None:
            raise CouldNotStart(self._failure)

    def close(self) -> None:
        """Let go of all shared memory and channels; nothing runs any more."""
        signal.set_wakeup_fd(-1)
        self._select.close()
        self._commons.close()
        for fd in self._wake:
            os.close(fd)
        if self._next_house >= 0:
            os.close(self._next_house)

    def _turn(self) -> None:
        for key, _ in self._select.select(self._wait_s()):
            if key.fd == self._wake[0]:
                self._signalled(os.read(self._wake[0], 512))
            elif key.data is not None:
                self._heard(key.data)
        now_ns = monotonic_ns()
        self._revive(now_ns)
        if self._ready:
            self._watch(now_ns)
        elif now_ns - self._started_ns > READY_WITHIN_S * 1e9:
            waiting = [role for role, child in self._children.items() if not child.ready]
            self._failure = [f"not ready within {READY_WITHIN_S:g} s (waiting for {', '.join(waiting)})"]
        if self._reloading and now_ns - self._reload_began_ns > RELOAD_WITHIN_S * 1e9:
            self._give_up_reload()

    def _wait_s(self) -> float:
        """Turns are rare, but a child that is due to be started anew is not made to wait."""
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

    def _start(self, role: str, **more: Any) -> None:
        child = self._children.get(role) or Child(role)
        self._children[role] = child
        values = {
            "file": self._file,
            "rows": self._commons.rows,
            "cid": self._cid,
            "problems": self._problems,
            "hold_node": self._hold_node,
            "run": self._run,
            "first_number": self._summary.get("first_number", 1),
            "undeclared": self._undeclared,
        }
        child.start({**self._commons.descriptors(role), **more}, values)
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
            self._failure = child.last_words or [f"{child.role} ended {child.starts} times ({child.how})"]
            return
        if child.replaced_by_ns:
            return
        for line in child.last_words:
            self._say(line)
        self._say(f"{child.role} ended ({child.how}); starting it again")
        if self._to_take and child.role == self._to_take[0]:
            self._roll_back([f"{child.role} ended over it ({child.how})"])

    def _revive(self, now_ns: int) -> None:
        for child in list(self._children.values()):
            if child.replaced_by_ns and now_ns > child.replaced_by_ns and not child.due_ns:
                child.kill()
            if child.due_ns and now_ns >= child.due_ns and child.role != "load":
                self._start(child.role)

    def _take(self, child: Child, message: Message) -> None:
        what = message["do"]
        if what == "ready":
            child.ready = True
            self._all_ready()
        elif what == "failed":
            child.last_words = message["lines"]
            if child.role == "load":
                self._not_loaded(message["lines"])
            elif not self._ready:
                self._failure = message["lines"]
        elif what == "fault":
            child.last_words = message["lines"]
        elif what == "loaded":
            self._loaded(message)
        elif what == "status":
            self._status = message["text"]
            if self._ready:
                self._notifier.status(self._status)
        elif what == "reload":
            self._reload(message)
        elif what in ("reloaded", "refused") and self._to_take and child.role == self._to_take[0]:
            if message["number"] != self._reload_number:
                return  # of a reload that was given up
            if what == "reloaded":
                self._taken(message.get("board"))
            else:
                self._roll_back(message["lines"])

    def _all_ready(self) -> None:
        wanted = [role for role in ORDER if role in self._children]
        if self._ready or self._stopping or not all(self._children[role].ready for role in wanted):
            return
        self._ready = True
        page = self._summary["page"]
        print(f"slotwatch is watching {self._summary['name']}; its page is {page}", flush=True)
        self._notifier.ready(f"watching {self._summary['name']}; page {page}")

    # --- the house

    def _loaded(self, summary: dict[str, Any]) -> None:
        for note in summary["notes"]:
            self._say(note)
        if not self._summary:
            self._summary = summary
            for role in ORDER:
                if role != "routes" or summary["routes"]:
                    self._start(role)
            return
        self._before, self._summary_before = housing.octets(self._house), self._summary
        housing.write(self._house, housing.octets(self._next_house))
        self._summary = summary
        self._to_take = list(RELOAD_ORDER)
        self._ask_to_take()

    def _ask_to_take(self) -> None:
        """Have the next process take the new house. Who is between two lives reads it at its start."""
        self._order(self._to_take[0], {"do": "reload", "number": self._reload_number})
        child = self._children.get(self._to_take[0])
        if child is None or child.channel is None:
            self._taken(None)

    def _taken(self, board: int | None) -> None:
        """The one that was asked has it. `board`: the publication after which judging's snapshots show it."""
        del self._to_take[0]
        if self._to_take:
            self._ask_to_take()
        else:
            self._accepted({} if board is None else {"board": board})

    def _not_loaded(self, lines: list[str]) -> None:
        if self._summary:
            self._refuse(lines)
        else:
            self._failure = lines

    def _loaded_without_word(self, child: Child) -> None:
        """The loading process ended without a result (killed, out of memory)."""
        if not self._summary and self._failure is None:
            self._failure = child.last_words or [f"the house file could not be read: the reader ended ({child.how})"]
        elif self._reloading and child.last_words:
            self._refuse(child.last_words)

    def _reload(self, asked: Message | None) -> None:
        if asked is not None:
            self._reload_for.append(("front", asked.get("id")))
        if self._reloading or not self._ready:
            return
        self._reloading, self._reload_began_ns = True, monotonic_ns()
        self._reload_number += 1
        self._notifier.reloading(self._reload_began_ns)
        if self._next_house >= 0:
            os.close(self._next_house)
        self._next_house = housing.create_memory()
        self._start("load", house=self._next_house)

    def _accepted(self, seen: dict[str, int]) -> None:
        self._problems = []
        before, now = self._summary_before, self._summary
        self._hold_node = now["subscribe"] and (self._hold_node or not before["subscribe"])
        if now["routes"] and not before["routes"]:
            self._start("routes")
        elif before["routes"] and not now["routes"]:
            self._retire("routes")
        elif now["routes"] and before["ways_mark"] != now["ways_mark"]:
            self._replace("routes")
        elif now["routes"]:
            self._order("routes", {"do": "reload"})
        self._answer({"ok": {"reloaded": True, "name": now["name"], **seen}})
        self._say(f"reloaded {self._file}")
        self._reload_ended()

    def _give_up_reload(self) -> None:
        self._retire("load")
        for child in self._retired:
            if child.role == "load":
                child.kill()
        lines = [f"the house file was not taken up within {RELOAD_WITHIN_S:g} s"]
        if self._before:
            self._roll_back(lines)
        else:
            self._refuse(lines)

    def _roll_back(self, lines: list[str]) -> None:
        """Intake cannot listen, or the page open, as the new house says: everybody keeps the old one."""
        housing.write(self._house, self._before)
        self._summary = self._summary_before
        asked = [role for role in RELOAD_ORDER if role not in self._to_take[1:]]
        self._to_take = []
        for role in asked:
            self._order(role, {"do": "reload"})
        self._refuse(lines)

    def _refuse(self, lines: list[str]) -> None:
        self._problems = lines
        self._order("judging", {"do": "problems", "problems": lines})
        self._answer({"error": "the house file was refused, the running one stays: " + "; ".join(lines)})
        self._say("the house file was refused, the running one stays")
        for line in lines:
            self._say(line)
        self._reload_ended()

    def _reload_ended(self) -> None:
        self._reloading, self._to_take = False, []
        self._before = b""
        self._notifier.ready(f"watching {self._summary['name']}; page {self._summary['page']}")

    def _answer(self, result: dict[str, Any]) -> None:
        for role, number in self._reload_for:
            self._order(role, {"id": number, **result})
        self._reload_for.clear()

    def _order(self, role: str, message: Message) -> None:
        child = self._children.get(role)
        if child is not None and child.channel is not None:
            child.channel.send(message)

    # --- watching and stopping

    def _watch(self, now_ns: int) -> None:
        """End what is stuck; feed the watchdog only while intake and judging both get on.

        Only this loop feeds it: a parent that stands still is replaced by the service manager.
        """
        moving = True
        turned = self._progress.turned_ns()
        spoken = {role: child.spoke_ns for role, child in self._children.items() if role in ("front", "routes")}
        for role, last_ns in (turned | spoken).items():
            silent_s = (now_ns - last_ns) / 1e9
            child = self._children[role]
            moving = moving and (role not in turned or silent_s < STUCK_S[role])
            if silent_s > STUCK_S[role] and child.alive_s(now_ns) > STUCK_S[role]:
                self._say(f"{role} has made no progress for {silent_s:.0f} s")
                child.kill()
        if moving and self._notifier.watchdog_s and (now_ns - self._fed_ns) / 1e9 > self._notifier.watchdog_s / 4:
            self._fed_ns = now_ns
            self._notifier.watchdog()

    def _replace(self, role: str) -> None:
        """Have a process end and start it anew once it is gone: two of a role would read each other's messages."""
        child = self._children[role]
        if child.channel is not None:
            child.replaced_by_ns = monotonic_ns() + int(STOP_WITHIN_S * 1e9)
            child.stop()

    def _retire(self, role: str) -> None:
        child = self._children.pop(role, None)
        if child is not None and child.channel is not None:
            child.stop()
            self._retired.append(child)

    def _stop(self) -> None:
        self._stopping = True
        if self._ready:
            self._notifier.stopping()
        for role in (*reversed(ORDER), "load"):
            self._retire(role)
        deadline_ns = monotonic_ns() + int(STOP_WITHIN_S * 1e9)
        while self._retired and monotonic_ns() < deadline_ns:
            for key, _ in self._select.select(0.05):
                if key.fd == self._wake[0]:
                    os.read(self._wake[0], 512)
                elif key.data is not None:
                    self._heard(key.data)
        for child in self._retired:
            child.kill()
        self._notifier.close()

    def _say(self, line: str) -> None:
        print(f"slotwatch: {line}", file=sys.stderr, flush=True)
