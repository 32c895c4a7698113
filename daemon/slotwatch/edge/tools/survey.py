"""Surveys the network: the discovery group first, then what it lists, in small batches of joins.

Joining asks switches to send data here, so it is done gently and undone at the end. Where a slotwatch already
runs on this computer the port is its own; then only the memberships are held here and its API is read.
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from dataclasses import replace

from slotwatch import clock
from slotwatch.edge.intake.joins import Joins
from slotwatch.edge.intake.udp_in import ArrivalClock, DataSocket, Networks
from slotwatch.edge.shared.interfaces import InterfaceWatch, read_interfaces
from slotwatch.edge.shared.ring import Ring, RingWriter, create_memory
from slotwatch.edge.shared.ring_reader import RingReader
from slotwatch.engine import Engine
from slotwatch.errors import EdgeError
from slotwatch.house.schema import House, Phase
from slotwatch.judge.binding import TICK_NS
from slotwatch.views.sheet import Sheet
from slotwatch.views.survey import Survey, survey_of
from slotwatch.wire.universe import E131_DISCOVERY

ROWS = 16_384
BATCH_JOINS = 20
"""Groups at a time: what one socket may hold, and little for any switch's table."""
BATCH_S = 2.5
"""Longer than two keep-alives of an idle universe (E1.31 6.6.2: at most 1,000 ms)."""
DISCOVERY_S = 10.5
"""One discovery interval (E1.31 4.3: 10 s)."""
DEFAULT_S = 24.0
STEP_S = 0.02


class SurveyListener:
    """Sockets, memberships and an engine in one process, for some seconds."""

    def __init__(self, house: House) -> None:
        """EdgeError where a port is taken or an interface is missing."""
        self._sockets: list[DataSocket] = []
        self._joins = Joins()
        self._watch = InterfaceWatch(house)
        try:
            self._watch.require_all()
            for protocol, port in house.listen.ports.items():
                self._sockets.append(DataSocket(protocol, port))
        except EdgeError:
            self.close()
            raise
        memory = create_memory(ROWS)
        self._writer = RingWriter(memory, ROWS)
        self._ring = Ring(memory, ROWS)
        os.close(memory)
        self._networks = Networks(self._watch.networks_by_index())
        self._arrivals = ArrivalClock()
        self._rows = RingReader(self._ring, 0)
        self._count = max(1, len(house.networks))
        now_ns = clock.monotonic_ns()
        self.engine = Engine(house, now_ns=now_ns, wall_offset_ns=clock.wall_offset_ns(), phase=Phase.DARK)
        self._ticked_ns = now_ns

    def join(self, universes: set[int]) -> None:
        """Hold these groups, and the discovery group, on every network."""
        wanted = {network: universes | {E131_DISCOVERY} for network in range(self._count)}
        joined, _ = self._joins.update(wanted, self._watch, clock.monotonic_ns())  # what it leaves stays in the list
        for seen in joined:
            self.engine.observe(seen)

    def listen(self, seconds: float) -> None:
        """Take in what arrives during this time."""
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            self._arrivals.turn()
            for sock in self._sockets:
                sock.drain(self._writer, self._arrivals, self._networks, ROWS // 4)
            while (batch := self._rows.take(self._ring.head)) is not None:
                self.engine.ingest(batch)
            now_ns = clock.monotonic_ns()
            if now_ns - self._ticked_ns >= TICK_NS:
                self._ticked_ns = now_ns
                self.engine.tick(now_ns, self._arrivals.wall_offset_ns)
            time.sleep(STEP_S)

    def close(self) -> None:
        self._joins.close()
        for sock in self._sockets:
            sock.close()
        self._watch.close()


def live_interfaces() -> tuple[str, ...]:
    """Names of the interfaces that are up, loopback left out. EdgeError if there is none."""
    up = tuple(i.name for i in read_interfaces().by_index.values() if i.up and not i.loopback)
    if not up:
        raise EdgeError("no network interface is up", "plug a network lead in, or name one with --interface")
    return up


def seconds_for(universes: tuple[int, ...]) -> float:
    """How long a survey needs for these universes, in addition to the listed ones of an ordinary house."""
    return max(DEFAULT_S, DISCOVERY_S + BATCH_S * (-(-len(universes) // BATCH_JOINS) + 1))


def survey(house: House, seconds: float, say: Callable[[str], None], universes: tuple[int, ...] = ()) -> Survey:
    """Listen for about this many seconds and return what was found. universes: of E1.31, to join in addition to listed
    ones."""
    listener = SurveyListener(house)
    started = time.monotonic()
    try:
        listener.join(set())
        first_s = min(DISCOVERY_S, seconds / 2)
        say(f"listening for discovery lists, {first_s:.0f} s")
        listener.listen(first_s)
        listed = _listed(listener)
        waiting = sorted(listed | set(universes))
        held: set[int] = set()
        while waiting and time.monotonic() - started + BATCH_S <= seconds:
            batch, waiting = waiting[:BATCH_JOINS], waiting[BATCH_JOINS:]
            say(f"listening to e131/{batch[0]} to e131/{batch[-1]}, {len(waiting)} more to come")
            held = set(batch)
            listener.join(held)
            listener.listen(BATCH_S)
        listener.listen(max(0.0, seconds - (time.monotonic() - started)))
        return replace(_result(listener, house, time.monotonic() - started, waiting), asked=universes)
    finally:
        listener.close()


def _listed(listener: SurveyListener) -> set[int]:
    snapshot = listener.engine.snapshot(clock.monotonic_ns())
    return {number for source in snapshot.sources for number in source.listed or ()}


def _result(listener: SurveyListener, house: House, seconds: float, waiting: list[int]) -> Survey:
    snapshot = listener.engine.snapshot(clock.monotonic_ns())
    return survey_of(Sheet(snapshot), house.listen, seconds, waiting)
