"""What the front process knows: the newest snapshot, read from the snapshot buffer, and the health of what it feeds.

The pump looks at the snapshot buffer every LOOK_S (UNWATCHED_LOOK_S while nobody listens), and passes what is new to
listeners, history, messages and alerts. None of them can delay it.
"""

from __future__ import annotations

import asyncio
import contextlib
import socket
import sys
import traceback
from collections.abc import Awaitable, Callable, Mapping
from pathlib import Path
from typing import Protocol

from slotwatch import clock
from slotwatch.edge.front.callers import Callers
from slotwatch.edge.front.complaints import Complaints
from slotwatch.edge.front.events import Listeners
from slotwatch.edge.front.guard import Guard, Refused
from slotwatch.edge.front.to_judging import Ask
from slotwatch.edge.shared.ended_tasks import stop_if_asked
from slotwatch.edge.shared.memory_return import MemoryReturn
from slotwatch.edge.shared.messages import Done
from slotwatch.edge.shared.messages.lifeline import HouseFileRead
from slotwatch.edge.shared.messages.orders import FrontResult, WatchPage
from slotwatch.edge.shared.watchdog import STUCK_S
from slotwatch.house.schema import House
from slotwatch.snapshot import Snapshot
from slotwatch.views import api
from slotwatch.views.elsewhere import HeardThere
from slotwatch.views.failure import Moments
from slotwatch.views.feed import Changes, Event, UniverseChanges, encode, everything
from slotwatch.views.sheet import Sheet

LOOK_S = 0.05
UNWATCHED_LOOK_S = 0.2
WATCH_AGAIN_NS = 5_000_000_000
"""How often judging learns that somebody reads. Otherwise it idles longer; it forgets it after 12 s."""
AGAIN_S = 5.0
SEEN_WITHIN_S = 5.0
"""Who ordered something reads it after the answer. On a computer that is slow the answer waits for that."""
SEE_AGAIN_S = 0.005
OUTGOING = frozenset({"alertmanager", "mqtt", "notifications"})
"""Followers that send to others. They get nothing while judging lacks its memory: an open incident would be sent again
under another number, and then as over."""
RESUMED_WITHIN_S = 5.0
BATCH_NS = 250_000_000
"""Shortest time between two batches of events; incidents do not wait for it."""
SILENT_NS = 2_000_000_000
"""Judging publishes five times a second, or once where nothing is under way. After this much silence the page says that
it is silent."""
UNREADY_S = STUCK_S["judging"]
"""Where judging has not reported for so long, `/readyz` says so: then the parent ends it. Until then it may be slow."""
HELD_NS = 4_000_000_000
"""This process looks several times a second. A longer pause means that it did not run itself, and says nothing."""
INTAKE_SILENT_S = 2.0
"""Intake turns several times a second, also while nothing arrives."""

ReloadHouse = Callable[[], Awaitable[Done[HouseFileRead]]]
"""Have the parent read the house file again; ValueError with its sentence where it is refused."""


async def not_reloaded_here() -> Done[HouseFileRead]:
    """Refuse: no parent is here that could read the house file."""
    raise ValueError("the house file is not read again here")


class SnapshotSource(Protocol):
    """Where snapshots come from; `sequence` shows cheaply whether there is a newer one."""

    @property
    def sequence(self) -> int: ...

    def read(self) -> Snapshot | None: ...


class Packets(Protocol):
    """Where recorded packets are found."""

    def path(self, incident: int) -> Path | None:
        """The pcapng around an incident; None while there is none."""


class Follower(Protocol):
    """Gets each new snapshot at once, without waiting: the history, alerts."""

    name: str

    def note(self, snapshot: Snapshot) -> None: ...

    def health(self) -> Mapping[str, object]: ...


class Runner(Follower, Protocol):
    """A follower that also has its own task."""

    async def run(self) -> None: ...


class Front:
    """State of the front process."""

    def __init__(
        self,
        house: House,
        snapshots: SnapshotSource,
        ask: Ask,
        guard: Guard,
        reload_house: ReloadHouse = not_reloaded_here,
    ) -> None:
        self.house = house
        self.snapshots = snapshots
        self.ask = ask
        self.reload_house = reload_house
        self.guard = guard
        self.host = socket.gethostname()
        self.callers = Callers()
        self.complaints = Complaints()
        self.listeners = Listeners()
        self.followers: list[Follower] = []
        self.resumed = asyncio.Event()
        """Whether judging knows what the history knows. Where nothing is to be resumed: at once."""
        self.resumed.set()
        self.sheet: Sheet | None = None
        self.heard_intake = asyncio.Event()
        """Set once judging has reported that intake's ports are open."""
        self.house_answer: dict[str, object] = {}
        """The house and this listener's health, as the page and the API show them."""
        self.moments = Moments()
        self.certificate_trouble: Callable[[], str] = str
        """What is wrong with the page's certificate, as sentences; empty if nothing is."""
        self.unreached: Callable[[], list[str]] = list
        """Says to whom no message can be sent, a sentence each."""
        self.heard_there: dict[str, HeardThere] = {}
        """What each other listener of the house answered last."""
        self._changes = Changes()
        self._watched: dict[str, UniverseChanges] = {}
        self._broken: dict[str, str] = {}
        self._everything: tuple[Sheet, bytes] | None = None
        self.sequence = -1
        """Of the newest snapshot that was passed on."""
        self._batch_ns = 0
        self._new_ns = clock.monotonic_ns()
        self._silent = False
        self._looked_ns, self._awake_ns = self._new_ns, 0
        self._watch_sent_ns = 0
        self._telling: asyncio.Task[None] | None = None

    def current(self) -> Sheet:
        """The newest snapshot's sheet. Refused before judging's first snapshot."""
        if self.sheet is None:
            raise Refused(503, "Nothing has been judged yet; try again in a moment.")
        return self.sheet

    @property
    def is_listening(self) -> bool:
        """Whether intake's ports are open, as judging knew it last."""
        return self.sheet is not None and self.sheet.snapshot.house.listener.intake is not None

    @property
    def unready(self) -> str:
        """Why packets are not received and judged now, as a sentence; empty if they are. It is patient: a computer that
        is slow or was held for a moment is ready."""
        listener = self.current().snapshot.house.listener
        if listener.intake is None:
            return "No port is open yet; try again in a moment."
        if self._looked_ns - max(self._new_ns, self._awake_ns) > UNREADY_S * 1e9:
            return f"Judging has not reported for over {UNREADY_S:.0f} s."
        if listener.judging is not None and listener.judging.intake_silent_s > UNREADY_S:
            return f"No packet has been taken in for over {UNREADY_S:.0f} s, because receiving hangs."
        return ""

    async def pump(self) -> None:
        """Follow the snapshot buffer for ever."""
        memory = MemoryReturn(clock.monotonic_ns())
        while True:
            now_ns = clock.monotonic_ns()
            self.look(now_ns)
            if self.listeners.count and now_ns - self._watch_sent_ns > WATCH_AGAIN_NS:
                self._watch_sent_ns = now_ns
                self._telling = asyncio.create_task(self._tell_judging())
            memory.turn(now_ns)
            await asyncio.sleep(LOOK_S if self.listeners.count else UNWATCHED_LOOK_S)

    async def _tell_judging(self) -> None:
        """Send judging the message that somebody reads. If it does not answer, it is being restarted and gets it
        again."""
        with contextlib.suppress(ValueError):
            await self.ask(WatchPage())

    def look(self, now_ns: int) -> None:
        """Take a newer snapshot if there is one, and pass it to the followers."""
        if now_ns - self._looked_ns > HELD_NS:
            self._awake_ns = now_ns
        self._looked_ns = now_ns
        if self.snapshots.sequence != self.sequence:
            self.sequence = self.snapshots.sequence
            snapshot = self.snapshots.read()
            if snapshot is not None:
                self._take(snapshot, now_ns)
        if self.sheet is None:
            return
        if self.is_listening:
            self.heard_intake.set()
        is_silent = now_ns - self._new_ns > SILENT_NS
        if is_silent != self._silent:
            self._silent = is_silent
            self.house_answer = self._house(self.sheet)
            self.listeners.publish([("house", self.house_answer)])

    async def when_resumed(self) -> None:
        """Wait until judging knows the incidents of before a restart, but not for ever."""
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(RESUMED_WITHIN_S):
                await self.resumed.wait()

    def age_ns(self, now_ns: int) -> int:
        """How long ago the newest snapshot came."""
        return now_ns - self._new_ns

    def take_house(self, house: House) -> None:
        """Show what is seen under another house from now on."""
        self.house = house
        self.guard.take_house(house)
        self._everything = None
        if self.sheet is not None:
            self.house_answer = self._house(self.sheet)

    def leave(self, follower: Follower) -> None:
        """Pass nothing more to a follower."""
        self.followers.remove(follower)
        self._broken.pop(follower.name, None)

    async def see(self, number: int) -> bool:
        """Wait until a publication later than this one has been seen; False if SEEN_WITHIN_S was not enough."""
        deadline_ns = clock.monotonic_ns() + int(SEEN_WITHIN_S * 1e9)
        while self.sequence <= number:
            now_ns = clock.monotonic_ns()
            if now_ns > deadline_ns:
                return False
            self.look(now_ns)
            if self.sequence <= number:
                await asyncio.sleep(SEE_AGAIN_S)
        return True

    async def see_after(self, done: Done[FrontResult] | Done[HouseFileRead]) -> bool:
        """Wait until a snapshot shows what was carried out; True if one does, or if none has to."""
        return done.publication is None or await self.see(done.publication)

    def first(self, universe: str) -> bytes:
        """What a new listener gets first. Written once for all that connect at the same snapshot."""
        sheet = self.current()
        if self._everything is None or self._everything[0] is not sheet:
            self._everything = sheet, encode(everything(sheet, self.house_answer))
        own = UniverseChanges(universe).everything(sheet, self.house) if universe else []
        return self._everything[1] + encode(own)

    def _take(self, snapshot: Snapshot, now_ns: int) -> None:
        self._new_ns = now_ns
        self.sheet, self._everything = Sheet(snapshot), None
        self.moments.note(self.sheet)
        for follower in self.followers:
            if follower.name not in OUTGOING or self.resumed.is_set():
                self._tell(follower, snapshot)
        self.house_answer = self._house(self.sheet)
        if now_ns - self._batch_ns < BATCH_NS:
            self.listeners.publish(self._changes.take_incidents(snapshot))
            return
        self._batch_ns = now_ns
        self.listeners.publish(self._changes.take(self.sheet, self.house_answer), self._of_universes(self.sheet))

    def _tell(self, follower: Follower, snapshot: Snapshot) -> None:
        """Give a follower the snapshot. A fault in it is reported and stops no other follower."""
        try:
            follower.note(snapshot)
            self._broken.pop(follower.name, None)
        except Exception as error:
            if follower.name not in self._broken:
                traceback.print_exc(file=sys.stderr)
            self._broken[follower.name] = f"{follower.name.capitalize()} failed by an internal fault: {error!r}."

    async def keep_running(self, follower: Runner) -> None:
        """Run a follower's own work; begin it again if it fails, for it must not take the page with it."""
        while True:
            try:
                await follower.run()
            except Exception as error:
                stop_if_asked()
                traceback.print_exc(file=sys.stderr)
                self._broken[follower.name] = f"{follower.name.capitalize()} failed by an internal fault: {error!r}."
            stop_if_asked()
            await asyncio.sleep(AGAIN_S)

    @property
    def silence(self) -> str:
        """Why what is known is old, as a sentence; empty while it is not."""
        if self._silent:
            return "Judging has not reported for over 2 s; what you see is old."
        judging = self.sheet.snapshot.house.listener.judging if self.sheet else None
        if judging is not None and judging.intake_silent_s > INTAKE_SILENT_S:
            return "No packet has been taken in for over 2 s, because receiving hangs; what you see is old."
        return ""

    def _of_universes(self, sheet: Sheet) -> dict[str, list[Event]]:
        asked = self.listeners.universes
        self._watched = {name: self._watched.get(name) or UniverseChanges(name) for name in asked}
        return {name: watched.take(sheet, self.house) for name, watched in self._watched.items()}

    def _house(self, sheet: Sheet) -> dict[str, object]:
        return {**api.house(sheet, self.house, self.host, self.own_health())}

    def own_health(self) -> dict[str, object]:
        """What only this process knows: how many listen, and whether history and alerts arrive."""
        health: dict[str, object] = {follower.name: follower.health() for follower in self.followers}
        health["judging"] = {"ok": not self.silence, "text": self.silence}
        health |= {name: {"ok": False, "text": text} for name, text in self._broken.items()}
        page = " ".join(filter(None, (self.guard.trouble, self.certificate_trouble())))
        health["page"] = {"ok": not page, "text": page}
        health["listeners"] = self.listeners.count
        health["page_dropped_streams"] = self.listeners.dropped
        parts = [part for part in health.values() if isinstance(part, Mapping)]
        judging = self.sheet.snapshot.house.listener.judging if self.sheet else None
        recorder = [judging.recorder] if judging and judging.recorder else []
        health["trouble"] = [*(str(part["text"]) for part in parts if not part.get("ok", True)), *recorder]
        return health

    def troubles(self) -> list[str]:
        """What is wrong with this listener, a sentence each."""
        found = self.own_health()["trouble"]
        return found if isinstance(found, list) else []
