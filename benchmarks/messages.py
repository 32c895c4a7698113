"""What a message costs to cross from one process to another: processor time to write, send, receive and read it.

Each is the least of ROUNDS. Run alone: `python -m benchmarks.messages`.
"""

from __future__ import annotations

import time
from collections.abc import Callable

from slotwatch.edge.shared.channel import Channel, pair
from slotwatch.edge.shared.messages import Done, ProcessMessage, Refusal, Request
from slotwatch.edge.shared.messages.intake import FROM_INTAKE, FromIntake, JoinsSeen
from slotwatch.edge.shared.messages.orders import FRONT_ANSWER, FRONT_REQUEST, FrontOrder, FrontResult, TakeSwitch
from slotwatch.edge.shared.messages.routes import FROM_ROUTES, RouteReport
from slotwatch.judge.orders import Acknowledge, OfIncident, Resume
from slotwatch.snapshot import Confidence, Incident, Severity, TimelineEntry
from slotwatch.snapshot.routes import LatencyCounts, RouteRow
from slotwatch.wire.observation import JoinSeen, SwitchSeen
from slotwatch.wire.switch import SwitchPort, SwitchState, SwitchTables

ROUNDS = 15
REPEATS = 200

ROUTE = RouteRow(
    "tower", "e131/1", "artnet/3 at 10.20.0.41", "lights", "running", "Sends.", 60.0, 1234, 0.4, 1.2,
    LatencyCounts((0.001, 0.01), (900, 330, 4), 0.5), False, False, "stop", 100, 0, 0,
)  # fmt: skip
PORTS = tuple(SwitchPort(n, f"ge{n}", "desk", True, 1.5, 1000, False, 0, 0) for n in range(48))
TABLES = SwitchTables("02:00:00:00:00:01", tuple((f"02:00:00:00:00:{n:02x}", n) for n in range(48)))
INCIDENT = Incident(
    7, "universe-lost", Severity.CRITICAL, "source-lost", Confidence.HIGH, 1, 2,
    universes=tuple(f"e131/{n}" for n in range(40)), sources=("desk",), summary="s" * 100, evidence=("e" * 80,) * 4,
    explains=(("source-absent", ("e131/1",)),), timeline=(TimelineEntry(1, "Opened."),) * 6,
)  # fmt: skip


def least_us(work: Callable[[], object]) -> float:
    """Return the least processor microseconds of ROUNDS runs."""
    taken = []
    for _ in range(ROUNDS):
        before_s = time.process_time()
        for _ in range(REPEATS):
            work()
        taken.append((time.process_time() - before_s) / REPEATS)
    return min(taken) * 1e6


def main() -> None:
    mine, theirs = pair()
    front: Channel[Request[FrontOrder], Done[FrontResult] | Refusal] = Channel(mine.detach(), FRONT_ANSWER)
    judging: Channel[Done[FrontResult] | Refusal, Request[FrontOrder]] = Channel(theirs.detach(), FRONT_REQUEST)
    mine, theirs = pair()
    routes: Channel[RouteReport, ProcessMessage] = Channel(mine.detach(), FROM_ROUTES)
    reports: Channel[ProcessMessage, RouteReport] = Channel(theirs.detach(), FROM_ROUTES)
    mine, theirs = pair()
    intake: Channel[FromIntake, ProcessMessage] = Channel(mine.detach(), FROM_INTAKE)
    observations: Channel[ProcessMessage, FromIntake] = Channel(theirs.detach(), FROM_INTAKE)

    def ordered(order: FrontOrder) -> None:
        front.send(Request(1, order))
        (request,) = judging.receive()
        judging.send(Done(request.number, OfIncident(7), 9))
        front.receive()

    def reported(report: RouteReport) -> None:
        routes.send(report)
        reports.receive()

    def observed(message: FromIntake) -> None:
        intake.send(message)
        observations.receive()

    report = RouteReport((ROUTE,) * 16, {"routes_own_packets": 1}, None, None)
    joins = JoinsSeen(tuple(JoinSeen(1, 0, number, True) for number in range(100)))
    switch = TakeSwitch(SwitchSeen(1, "FOH", True, "", SwitchState("foh", 12345, None, PORTS, TABLES)))
    for name, work in (
        ("an order and its answer", lambda: ordered(Acknowledge(7, "Ada", "on it"))),
        ("a report of 16 routes", lambda: reported(report)),
        ("100 joins", lambda: observed(joins)),
        ("a switch of 48 ports, and an answer", lambda: ordered(switch)),
        ("50 incidents after a restart, and an answer", lambda: ordered(Resume(5, (INCIDENT,) * 50))),
    ):
        print(f"{name}: {least_us(work):.1f} us")
    for channel in (front, judging, routes, reports, intake, observations):
        channel.close()


if __name__ == "__main__":
    main()
