"""One child process: `python -m slotwatch.process ROLE WIRING`, started and watched by `slotwatch.app`.

WIRING is a line of JSON: descriptors that were passed, the parent's number. Roles: load (reads the house file
and ends), intake, judging, front, routes. A child ends by itself when its parent goes, however that happens.
"""

from __future__ import annotations

import contextlib
import ctypes
import errno
import json
import os
import signal
import sys
import time
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Any, Never, TypeVar

import msgspec

from slotwatch.edge.shared import housing
from slotwatch.edge.shared.channel import Channel
from slotwatch.edge.shared.log_stream import log_streams
from slotwatch.edge.shared.messages.lifeline import (
    TO_CHILD,
    Alive,
    CouldNotRun,
    FromChild,
    HouseNotTaken,
    HouseProblems,
    HouseTaken,
    InternalFault,
    Loaded,
    ReadHouseFile,
    Ready,
    Stop,
    TakeHouse,
    ToChild,
)
from slotwatch.errors import EdgeError, SlotwatchError
from slotwatch.house.schema import House

PR_SET_PDEATHSIG = 1
RETRY_PORT_S = 3.0
"""A predecessor that was killed, or a page's port in its last moments: wait that long for it."""
RETRY_PAUSE_S = 0.05
SWITCH_INTERVAL_S = 50e-6
"""How long another Python thread may hold the interpreter: with the default 5 ms a receiver kept 9 % (measured)."""

_T = TypeVar("_T")


class Wiring:
    """What the parent passed."""

    def __init__(self, text: str) -> None:
        self.values: dict[str, Any] = json.loads(text)
        self.lifeline: Channel[FromChild, ToChild] = Channel(self.values["lifeline"], TO_CHILD)

    def __getitem__(self, name: str) -> Any:
        return self.values[name]

    def house(self, *, with_patch: bool = True) -> House:
        return housing.read(self.values["house"], with_patch=with_patch)


def main(argv: list[str]) -> int:
    """Run one role. If it cannot run, the parent gets the reasons as sentences, and the exit status is 2."""
    role, wiring = argv[0], Wiring(argv[1])
    _die_with(wiring["parent"])
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C reaches the whole group: the parent orders the stop
    signal.signal(signal.SIGHUP, signal.SIG_IGN)
    sys.setswitchinterval(SWITCH_INTERVAL_S)
    try:
        with log_streams():
            ROLES[role](wiring)
    except SlotwatchError as error:
        wiring.lifeline.send(CouldNotRun(tuple(error.lines)))
        return 2
    except Exception as error:  # the last line of defence: the parent says it and starts this role again
        if os.environ.get("SLOTWATCH_TRACEBACK"):
            raise
        line = f"internal fault in {role}: {type(error).__name__}: {error} ({_place(error)})"
        wiring.lifeline.send(InternalFault((line,)))
        return 1
    return 0


def _die_with(parent: int) -> None:
    """Have the kernel end this process when its parent ends."""
    ctypes.CDLL(None).prctl(PR_SET_PDEATHSIG, signal.SIGKILL)
    if os.getppid() != parent:
        sys.exit(0)  # it went before the call above


def _place(error: Exception) -> str:
    trace = error.__traceback__
    while trace is not None and trace.tb_next is not None:
        trace = trace.tb_next
    return f"{Path(trace.tb_frame.f_code.co_filename).name}:{trace.tb_lineno}" if trace else "no place"


def _patiently(make: Callable[[], _T]) -> _T:
    """Make something that needs a port, trying for 3 s while the port is taken."""
    deadline_s = time.monotonic() + RETRY_PORT_S
    while True:
        try:
            return make()
        except EdgeError as error:
            if error.errno != errno.EADDRINUSE or time.monotonic() > deadline_s:
                raise
            time.sleep(RETRY_PAUSE_S)


def _load(wiring: Wiring) -> None:
    """Read the house file, put the house into shared memory, and send the parent what it needs to know of it."""
    from slotwatch.edge.front.history_number import first_number
    from slotwatch.edge.shared.files import load_house
    from slotwatch.edge.shared.places import state_place
    from slotwatch.edge.shared.token import read_only

    house = _undeclared(wiring) if wiring["undeclared"] else load_house(Path(wiring["file"]))
    housing.write(wiring["house"], housing.encode(house))
    scheme = "https" if house.http.certificate_file else "http"
    host = f"[{house.http.host}]" if ":" in house.http.host else house.http.host
    wiring.lifeline.send(
        Loaded(
            name=house.name,
            page=f"{scheme}://{host}:{house.http.port}/",
            has_routes=house.has_routes,
            subscribes=house.listen.artnet_subscribe,
            ways_mark=zlib.crc32(msgspec.msgpack.encode((house.name, house.networks, house.listen))),
            networks=tuple(network.interface for network in house.networks),
            first_number=first_number(state_place(house, house.history.path)),
            notes=(*house.notes, *filter(None, [read_only(house)])),
        )
    )


def _undeclared(wiring: Wiring) -> House:
    """Make the house of a start without a house file."""
    from slotwatch.house.first_contact import undeclared_house

    given = wiring["undeclared"]
    host, port = given["page"]
    e131, artnet = given["ports"]
    return undeclared_house(
        tuple(given["interfaces"]),
        tuple(given["universes"]),
        file=wiring["file"],
        page=(host, port),
        ports=(e131, artnet),
    )


def _intake(wiring: Wiring) -> None:
    from slotwatch.edge.intake.intake import Intake
    from slotwatch.edge.shared.messages.intake import TO_INTAKE, FromIntake, ToIntake
    from slotwatch.edge.shared.ring import RingWriter

    writer = RingWriter(wiring["ring"], wiring["rows"])
    observations: Channel[FromIntake, ToIntake] = Channel(wiring["observations"], TO_INTAKE)
    intake = _patiently(lambda: Intake(wiring.house(with_patch=False), writer, wiring["bells"], observations))

    def handle(message: ToChild) -> bool:
        if isinstance(message, TakeHouse):
            try:
                intake.take_house(wiring.house(with_patch=False))
                wiring.lifeline.send(HouseTaken(message.number))
            except EdgeError as error:
                wiring.lifeline.send(HouseNotTaken(message.number, tuple(error.lines)))
        return not isinstance(message, Stop)

    try:
        intake.turn()
        wiring.lifeline.send(Ready())
        intake.run(wiring.lifeline, handle)
    finally:
        intake.close()


def _judging(wiring: Wiring) -> None:
    from slotwatch.bridge.declared import declare_own
    from slotwatch.edge.judging.judging import JudgingProcess
    from slotwatch.edge.shared.messages.intake import FROM_INTAKE
    from slotwatch.edge.shared.messages.orders import FRONT_REQUEST
    from slotwatch.edge.shared.messages.routes import FROM_ROUTES
    from slotwatch.edge.shared.ring import Ring
    from slotwatch.edge.shared.snapshot_buffer import SnapshotReader, SnapshotWriter

    stepped_back = False

    def house() -> House:
        nonlocal stepped_back
        own = declare_own(wiring.house(), bytes.fromhex(wiring["cid"]))
        if own.routes and not stepped_back:
            # Where they compete for a core a frame goes before its diagnosis (measured on two cores, 64 routes at
            # 44 Hz: 99 of 100 frames within 2.3 ms instead of 3 to 4 ms).
            stepped_back = True
            with contextlib.suppress(OSError):
                os.nice(5)
        return own

    running = house()  # first: a parent of another version is refused by what it left
    last = SnapshotReader(wiring["snapshots"]).read()
    judging = JudgingProcess(
        running,
        Ring(wiring["ring"], wiring["rows"], reports=True),
        SnapshotWriter(wiring["snapshots"]),
        Channel(wiring["requests"], FRONT_REQUEST),
        Channel(wiring["observations"], FROM_INTAKE),
        Channel(wiring["reports"], FROM_ROUTES),
    )
    judging.resume(last, wiring["first_number"])
    judging.refuse_house(tuple(wiring["problems"]))

    def handle(message: ToChild) -> bool:
        if isinstance(message, TakeHouse):
            judging.take_house(house())
            wiring.lifeline.send(HouseTaken(message.number, judging.published))
        elif isinstance(message, HouseProblems):
            judging.refuse_house(message.lines)
        return not isinstance(message, Stop)

    try:
        judging.turn()
        wiring.lifeline.send(Ready())
        judging.run(wiring.lifeline, handle)
    finally:
        judging.close()


def _front(wiring: Wiring) -> None:
    import asyncio

    # A page that is looked at takes nothing from receiving and judging where they compete for a core; nor does its
    # start, which is the longest.
    with contextlib.suppress(OSError):
        os.nice(5)
    asyncio.run(_serve_front(wiring))


async def _serve_front(wiring: Wiring) -> None:
    import asyncio

    from slotwatch.edge.front.certificate import KeptPair
    from slotwatch.edge.front.server import Server
    from slotwatch.edge.judging.incident_captures import RecordedPackets
    from slotwatch.edge.shared.asking import Asker
    from slotwatch.edge.shared.child import SIGN_OF_LIFE_S
    from slotwatch.edge.shared.messages import Done, Refusal, Request
    from slotwatch.edge.shared.messages.lifeline import HouseFileRead
    from slotwatch.edge.shared.messages.orders import FRONT_ANSWER, FrontOrder, FrontResult
    from slotwatch.edge.shared.snapshot_buffer import SnapshotReader

    stop, reloads = asyncio.Event(), asyncio.Queue[TakeHouse]()

    def ordered(message: TakeHouse | HouseProblems | Stop) -> None:
        if isinstance(message, Stop):
            stop.set()
        elif isinstance(message, TakeHouse):
            reloads.put_nowait(message)

    def orphaned() -> None:
        server.is_orphan = True
        stop.set()

    parent: Asker[ReadHouseFile, HouseFileRead, TakeHouse | HouseProblems | Stop] = Asker(
        wiring.lifeline, ordered, orphaned
    )
    requests: Channel[Request[FrontOrder], Done[FrontResult] | Refusal] = Channel(wiring["requests"], FRONT_ANSWER)
    judging: Asker[FrontOrder, FrontResult, Never] = Asker(requests)

    async def reload_house() -> Done[HouseFileRead]:
        return await parent.ask(ReadHouseFile())

    running = wiring.house()  # first: a parent of another version is refused by what it left
    reader = SnapshotReader(wiring["snapshots"])
    kept_pair = KeptPair(wiring["certificate"])
    server = Server(running, reader, judging.ask, RecordedPackets, wiring["run"], reload_house, kept_pair)

    async def reload() -> None:
        while True:
            order = await reloads.get()
            try:
                await server.take_house(wiring.house())
                wiring.lifeline.send(HouseTaken(order.number))
            except EdgeError as error:
                wiring.lifeline.send(HouseNotTaken(order.number, tuple(error.lines)))

    async def live() -> None:
        while True:
            wiring.lifeline.send(Alive())
            await asyncio.sleep(SIGN_OF_LIFE_S)

    working: list[asyncio.Task[None]] = []

    def ready() -> None:
        working.extend((asyncio.create_task(reload()), asyncio.create_task(live())))
        wiring.lifeline.send(Ready())

    deadline_s = time.monotonic() + RETRY_PORT_S
    while True:
        try:
            await server.serve(stop, ready)
        except EdgeError as error:
            if error.errno != errno.EADDRINUSE or time.monotonic() > deadline_s or stop.is_set():
                raise
            await asyncio.sleep(RETRY_PAUSE_S)
        else:
            return


def _routes(wiring: Wiring) -> None:
    from slotwatch.edge.routes.routing import Routing, run_routes
    from slotwatch.edge.shared.messages.routes import TO_ROUTES, RouteReport, ToRoutes
    from slotwatch.edge.shared.ring import Ring

    routing = Routing(
        wiring.house(),
        Ring(wiring["ring"], wiring["rows"], routes=True),
        bytes.fromhex(wiring["cid"]),
        hold_node=wiring["hold_node"],
    )
    wiring.lifeline.send(Ready())
    reports: Channel[RouteReport, ToRoutes] = Channel(wiring["reports"], TO_ROUTES)
    run_routes(routing, wiring["bell"], wiring.lifeline, reports, wiring.house)


ROLES: dict[str, Callable[[Wiring], None]] = {
    "load": _load,
    "intake": _intake,
    "judging": _judging,
    "front": _front,
    "routes": _routes,
}

if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
