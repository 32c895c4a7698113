"""The table of what switches say, and the rows of its numbers. The desk hangs on port 3 of the one switch, FOH."""

from __future__ import annotations

from collections.abc import Callable

from slotwatch.rehearse.pretend_switch import PretendPort, PretendSwitch
from tests.judge.cases import END_S, FROM_S, A, Case, Play, desk
from tests.judge.moved import Moved, is_open, opens_by, plays, twice
from tests.judge.stage import house_of
from tests.judge.switches import FOH, polled, switch

HOUSE = house_of((1,), min_refresh_hz=5, sources=(A,), by=("main desk",), switches=(FOH,))
ASKED_S = 260.0
ERRORS_END_S = 150.0
RESTARTED_S = FROM_S + 0.5
SHOWN_END_S = 65.5
"""When a restart that the poll at 5.5 s showed has been open for a minute."""


def played(one: PretendSwitch, until_s: float = ASKED_S) -> Play:
    return [desk(), *polled(one, until_s)]


def silent(to_s: float) -> Callable[[], Play]:
    return lambda: played(switch(silent=(FROM_S, to_s)))


def errors(a_minute: float, to_s: float = ERRORS_END_S, until_s: float = ASKED_S) -> Callable[[], Play]:
    """A port that counts so many errors a minute."""

    def counted(t_s: float) -> int:
        return int((min(t_s, to_s) - FROM_S) * a_minute / 60 + 1e-6) if t_s > FROM_S else 0

    return lambda: played(switch(PretendPort("3", errors=counted)), until_s)


def speed(mbps: int, otherwise: int) -> Callable[[], Play]:
    def of(t_s: float) -> int:
        return mbps if FROM_S <= t_s < END_S else otherwise

    return lambda: played(switch(PretendPort("3", speed_mbps=of)))


def errors_then_silence() -> Play:
    counts = PretendPort("3", errors=lambda t_s: int(max(0.0, t_s - FROM_S) / 2))
    return played(switch(counts, silent=(130.0, 1e12)))


def restarted() -> Play:
    return played(switch(restart=(FROM_S, RESTARTED_S)))


def wraps() -> Play:
    """Up for 497 days: its up time begins again, and it did not restart (RFC 3418: 32 bits of hundredths)."""
    return played(switch(up_for_s=(1 << 32) / 100 - FROM_S))


CASES = [
    Case(
        "switch-silent",
        HOUSE,
        silent(14.0),  # polls at 5.5 and 10.5 s
        silent(END_S),
        opens_s=(11.5, 12.6),
        closes_s=(2.9, 5.1),
    ),
    Case("switch-restarted", HOUSE, wraps, restarted, opens_s=(1.4, 2.6), closes_s=(9.4, 11.1), end_s=SHOWN_END_S),
    Case(
        "port-errors",
        HOUSE,
        errors(10),
        errors(30),
        # Two whole minutes of counts, the first of them from the poll at 0.5 s.
        opens_s=(116.4, 117.6),
        # The last minute passes once at most ten of them lie in it, 40 s after the end; 10 s of off-delay.
        closes_s=(49.9, 52.6),
        end_s=ERRORS_END_S,
        until_s=140.0,
    ),
    Case(
        "port-slow",
        HOUSE,
        speed(11, 11),
        speed(10, 11),
        opens_s=(6.4, 7.6),
        closes_s=(9.9, 11.6),
    ),
]

MOVED = [
    Moved("switch-silent", "polls", 2, plays(HOUSE, silent(9.0), silent(14.0), 13.0)),
    Moved("switch-restarted", "shown_s", 20.0, plays(HOUSE, *twice(restarted), (40.0, 30.0)), is_open),
    Moved("port-errors", "errors", 20, plays(HOUSE, errors(15), errors(25), 130.0)),
    Moved("port-errors", "window_s", 30.0, plays(HOUSE, errors(15), errors(30), 70.0), opens_by(60.0)),
    Moved("port-errors", "windows", 3, plays(HOUSE, *twice(errors(30, 240.0)), (170.0, 190.0))),
    Moved("port-errors", "stale_s", 20.0, plays(HOUSE, *twice(errors_then_silence), (165.0, 155.0)), is_open),
    Moved("port-slow", "slow_mbps", 50, plays(HOUSE, speed(60, 60), speed(40, 40), 14.0)),
]
