"""The table of routes that cannot send: their port is gone, or their process is."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from itertools import count

from slotwatch.house.schema import Route
from slotwatch.wire.observation import NeighbourSeen, RouteSeen, RoutesSeen
from slotwatch.wire.universe import Protocol, UniverseId
from tests.judge.cases import END_S, FROM_S, Case, at, desk, see
from tests.judge.moved import Moved, plays
from tests.judge.stage import house_of

LINE = Route("tower", UniverseId(Protocol.E131, 1), target_serial="/dev/ttyUSB0")
NODE = Route("node", UniverseId(Protocol.E131, 1), target=UniverseId(Protocol.ARTNET, 3), to_address="10.0.0.41")
HOUSE = replace(house_of((1,)), routes=(LINE,))
EVERY_S = 0.1
UNTIL_S = 45.0


def reports(
    from_s: float, to_s: float, state: str = "running", *, began_s: float = 0.5, trouble: str = "", ending: bool = False
) -> Iterator[tuple[float, object]]:
    """A process that reports ten times a second; the last report may say that it ends because it was asked to."""
    route = RouteSeen("tower", state, "serial:/dev/ttyUSB0", "e131/1", trouble)
    for number in count():
        if (t_s := from_s + number * EVERY_S) >= to_s:
            return
        yield see(t_s, RoutesSeen, (route,), at(began_s), ending and t_s + EVERY_S >= to_s)


def unplugged(to_s: float) -> list[object]:
    gone = "/dev/ttyUSB0 went away: input/output error"
    return [desk(), *reports(0.6, FROM_S), *reports(FROM_S, to_s, trouble=gone), *reports(to_s, UNTIL_S)]


def silent(to_s: float, *, told: bool = False) -> list[object]:
    """A process whose last report comes at FROM_S, and one that reports from `to_s` on and sends at once."""
    return [desk(), *reports(0.6, FROM_S + 0.05, ending=told), *reports(to_s, UNTIL_S, began_s=to_s)]


def started_again(to_s: float) -> list[object]:
    """A process that ended by itself at FROM_S; the next one begins 0.2 s later and listens first."""
    began_s = FROM_S + 0.2
    return [
        desk(),
        *reports(0.6, FROM_S),
        *reports(began_s, to_s, "listening", began_s=began_s),
        *reports(to_s, UNTIL_S, began_s=began_s),
    ]


def no_device(to_s: float, *, sends: bool = True) -> list[object]:
    """An address that is asked for in vain from FROM_S on, and answers at `to_s`."""
    route = RouteSeen("node", "running" if sends else "waiting", "artnet/3 to 10.0.0.41", "e131/1")
    failed = see(FROM_S, NeighbourSeen, 0, "10.0.0.41", "", False)
    return [
        desk(),
        *(see(0.6 + number * EVERY_S, RoutesSeen, (route,), at(0.5)) for number in range(300)),
        failed,
        see(to_s, NeighbourSeen, 0, "10.0.0.41", "02:00:00:00:00:41", True),
    ]


CASES = [
    Case(
        "route-output-lost",
        HOUSE,
        lambda: unplugged(FROM_S + 0.4),
        lambda: unplugged(END_S),
        (0.5, 0.65),
        closes_s=(2.9, 3.2),
        sentence='Route "tower" sends nothing to serial:/dev/ttyUSB0: /dev/ttyUSB0 went away: input/output error.',
    ),
    Case(
        "route-output-lost",
        HOUSE,
        lambda: silent(FROM_S + 1.4),
        lambda: silent(END_S),
        # A second without a report, then its on-delay.
        (1.5, 1.65),
        label="its process does not answer",
        closes_s=(2.9, 3.2),
    ),
    Case(
        "route-output-lost",
        HOUSE,
        lambda: started_again(FROM_S + 0.6),
        lambda: started_again(FROM_S + 1.3),
        (0.7, 0.85),
        label="its process was started again",
        end_s=FROM_S + 1.3,
        closes_s=(2.9, 3.2),
    ),
    Case(
        "route-output-lost",
        replace(house_of((1,)), routes=(NODE,)),
        lambda: no_device(FROM_S + 0.4),
        lambda: no_device(END_S),
        (0.5, 0.65),
        label="no device answers",
        closes_s=(2.9, 3.2),
    ),
    Case(
        "route-output-lost",
        replace(house_of((1,)), routes=(NODE,)),
        lambda: no_device(END_S, sends=False),
        lambda: no_device(END_S),
        (0.5, 0.65),
        label="no device answers, and it sends",
        closes_s=(2.9, 3.2),
    ),
]

MOVED = [
    Moved(
        "route-output-lost",
        "silence_s",
        2.0,
        plays(HOUSE, lambda: silent(FROM_S + 2.4), lambda: silent(FROM_S + 2.8), FROM_S + 6.0),
    ),
]
