"""The table of what two listeners say together, and the rows of its numbers."""

from __future__ import annotations

from collections.abc import Callable

from tests.judge.cases import BY, END_S, FROM_S, A, B, Case, Play, desk
from tests.judge.cases_control import part
from tests.judge.elsewhere import STAGE_END, Ear
from tests.judge.moved import Moved, is_open, plays, twice
from tests.judge.stage import Desk, house_of

BOTH = house_of((1,), min_refresh_hz=5, sources=(A, B), by=BY, listeners=(STAGE_END,))
HOUSE = house_of((1,), min_refresh_hz=5, listeners=(STAGE_END,))
ASKED_S = 60.0
SILENT_END_S = 40.0
Misses = Callable[[int, int, float], bool]


def fast_desk(hz: float = 40.0) -> Desk:
    return desk(hz=hz)


def heard_both(made: Desk, misses: Misses = lambda universe, index, t: False) -> Play:
    """A desk that this listener hears whole, and another listener that misses some of it."""
    ear = Ear(made, heard=lambda universe, index, t: not misses(universe, index, t))
    return [made, *ear.until(ASKED_S)]


def gone(to_s: float) -> Misses:
    return lambda universe, index, t: FROM_S <= t < to_s


def each(nth: int, to_s: float = END_S) -> Misses:
    return lambda universe, index, t: FROM_S <= t < to_s and index % nth == 7


def unreached(to_s: float) -> Play:
    made = desk()
    return [made, *Ear(made, reached=lambda t: not FROM_S <= t < to_s).until(ASKED_S)]


def gone_and_away() -> Play:
    """It hears nothing, and is not reached either from 10 s later on."""
    made, never = desk(), gone(1e9)
    ear = Ear(made, heard=lambda *frame: not never(*frame), reached=lambda t: t < FROM_S + 10.0)
    return [made, *ear.until(ASKED_S)]


def lossy_and_away() -> Play:
    """It misses frames, and is not reached either from 16 s later on."""
    made, misses = desk(), each(11, 1e9)
    ear = Ear(made, heard=lambda *frame: not misses(*frame), reached=lambda t: t < FROM_S + 16.0)
    return [made, *ear.until(ASKED_S)]


def parted(to_s: float) -> Play:
    """Main and spare are heard here; the main one is not heard at the other listener for a while."""
    main, spare = desk(priority=100), desk(2, priority=90)
    there = (part(0.0, FROM_S, priority=100), part(to_s, 60.0, priority=100), spare)
    return [main, spare, *Ear(*there).until(ASKED_S)]


CASES = [
    Case(
        "winners-differ",
        BOTH,
        lambda: parted(FROM_S + 6.0),
        lambda: parted(END_S + 4.0),
        # Lost there after 2.5 s (E1.31 6.7.1), in the answer and the pass a second later each, and the delay of 5 s.
        opens_s=(7.5, 10.0),
        closes_s=(0.0, 20.0),
        end_s=END_S + 4.0,
    ),
    Case(
        "lost-between",
        HOUSE,
        lambda: heard_both(desk(), gone(FROM_S + 2.4)),
        lambda: heard_both(desk(), gone(END_S)),
        # It is asked once a second, and 3.5 s is what a person may have to wait.
        opens_s=(2.5, 3.5),
        closes_s=(10.0, 11.5),
    ),
    Case(
        "loss-between",
        HOUSE,
        # 0.9 % and 2 %.
        lambda: heard_both(fast_desk(), each(110)),
        lambda: heard_both(fast_desk(), each(50)),
        # The window of 10 s is full 10.4 s after the start.
        opens_s=(6.3, 9.0),
        closes_s=(13.0, 18.0),
    ),
    Case(
        "listener-silent",
        HOUSE,
        lambda: unreached(FROM_S + 29.0),
        lambda: unreached(SILENT_END_S),
        opens_s=(29.3, 31.5),
        closes_s=(2.9, 5.0),
        end_s=SILENT_END_S,
    ),
]

MOVED = [
    Moved(
        "lost-between",
        "unknown_s",
        10.0,
        # It is away from 10 s after the loss on; the incident's own off-delay is 10 s.
        plays(HOUSE, *twice(gone_and_away), (FROM_S + 33.0, FROM_S + 26.0)),
        is_open,
    ),
    Moved(
        "loss-between",
        "difference_ratio",
        0.05,
        plays(
            HOUSE,
            lambda: heard_both(fast_desk(), each(25)),
            lambda: heard_both(fast_desk(), each(12)),
            18.0,
        ),
    ),
    Moved(
        "loss-between",
        "window_s",
        20.0,
        plays(HOUSE, *twice(lambda: heard_both(fast_desk(), each(50, 40.0))), (19.0, 26.0)),
    ),
    Moved(
        "loss-between",
        "frames",
        350.0,
        plays(
            HOUSE,
            lambda: heard_both(fast_desk(30.0), each(20)),
            lambda: heard_both(fast_desk(40.0), each(20)),
            18.0,
        ),
    ),
    Moved(
        "loss-between",
        "unknown_s",
        10.0,
        # It is away from 16 s after the first frame that is missing.
        plays(HOUSE, *twice(lossy_and_away), (FROM_S + 42.0, FROM_S + 22.0)),
        is_open,
    ),
    Moved(
        "listener-silent",
        "silence_s",
        10.0,
        plays(HOUSE, *twice(lambda: unreached(SILENT_END_S)), (13.0, 15.5)),
    ),
]
