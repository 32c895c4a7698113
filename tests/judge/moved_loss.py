"""Numbers of the rules about universes and sources that stopped or never came."""

from __future__ import annotations

from collections.abc import Callable

from slotwatch.wire.observation import LinkSeen
from tests.judge.cases import FROM_S, Play, desk, see
from tests.judge.cases_control import HOUSE, PAIR
from tests.judge.moved import Moved, is_open, plays, twice


def after_link_event(end_s: float) -> Callable[[], Play]:
    """This computer's own link is down from 5 to 8 s; a desk's last frame comes at a time after that."""
    return lambda: [
        desk(to_s=end_s, drop=lambda universe, index, t: 5.0 <= t < 8.0),
        see(5.0, LinkSeen, 0, False, (), "eth1"),
        see(8.0, LinkSeen, 0, True, ("10.0.0.200",), "eth1"),
    ]


def visitor(end_s: float) -> Callable[[], Play]:
    """A universe that the house does not declare, until a time."""
    return lambda: [desk(), desk(2, (9,), to_s=end_s, dst=lambda universe: "10.0.0.200")]


def late(number: int, from_s: float) -> Callable[[], Play]:
    """The main desk is number 1, its backup number 2: one of them sends only from a time on."""
    return lambda: [desk(3 - number, priority=100 if number == 2 else 90), desk(number, from_s=from_s, priority=95)]


LOSS = [
    # Silence counts from 43 s, 35 s after the link came back, but for what was heard in the 20 s before that.
    Moved("universe-lost", "start_s", 20.0, plays(HOUSE, after_link_event(22.0), after_link_event(24.0), 30.0)),
    # Its last frame came at 6 s; the off-delay follows.
    Moved("universe-lost", "forgotten_s", 20.0, plays(HOUSE, *twice(visitor(6.0)), (38.0, 34.0)), is_open),
    Moved("universe-lost", "brief_s", 20.0, plays(HOUSE, *twice(visitor(6.0)), (38.0, 34.0)), is_open),
    Moved("universe-lost", "lived_s", 8.0, plays(HOUSE, visitor(7.5), visitor(8.5), 12.5)),
    Moved(
        "universe-missing",
        "start_s",
        5.0,
        plays(HOUSE, lambda: [desk(from_s=FROM_S + 0.8)], lambda: [desk(from_s=12.0)], 7.0),
    ),
    Moved(
        "source-absent",
        "start_s",
        5.0,
        plays(PAIR, late(1, 4.8), late(1, 12.0), 7.0),
        beside=frozenset({"backup-in-control"}),
    ),
    Moved("backup-absent", "start_s", 5.0, plays(PAIR, late(2, 4.8), late(2, 12.0), 7.0)),
]
