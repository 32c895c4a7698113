"""Numbers of the rules about this listener, its lines, and too much of something."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from slotwatch.model.windows import COPIES, FRAMES
from slotwatch.snapshot import Incident
from slotwatch.wire.observation import DropsSeen, LineSeen, StallSeen
from tests.judge.cases import FROM_S, HZ, desk, see
from tests.judge.cases_control import HOUSE
from tests.judge.cases_listener import TWO_NETWORKS, crowd, newcomers, polls, rubbish, with_one_at_home
from tests.judge.moved import Moved, Rules, aged, columns, has_cause, is_open, plays, says, twice
from tests.judge.stage import Desk, house_of, still
from tests.judge.test_bridge import Tap
from tests.judge.test_bridge import held as level_100


def line(under: Callable[[Tap], None], over: Callable[[Tap], None]) -> Callable[[Rules, bool], Sequence[Incident]]:
    """A tapped line."""

    def play(rules: Rules, is_over: bool) -> Sequence[Incident]:
        tap = Tap(rules=rules)
        (over if is_over else under)(tap)
        return tap.rules()

    return play


def flat(level: int) -> Callable[[float], bytes]:
    return lambda t: bytes([level]) * 512


def ramp_behind(seconds: float) -> Callable[[Tap], None]:
    """A line that follows a slow fade so much later, for five seconds."""

    def fade(t: float) -> bytes:
        return bytes([int(t * 40) % 200]) * 512

    return lambda tap: tap.run(5, fade, lambda t: fade(max(0.0, t - seconds)))


def unheard(seconds: float) -> Callable[[Tap], None]:
    """A line that brings nothing for so long, while its universe comes."""

    def run(tap: Tap) -> None:
        tap.judge.observe(LineSeen(tap.now_ns, 1, True))
        tap.run(seconds, level_100, None)

    return run


def stands_still(seconds: float) -> Callable[[Tap], None]:
    """A line that stands still for so long in the middle of an effect."""

    def effect(t: float) -> bytes:
        return bytes([int(abs((t * 1.5) % 2 - 1) * 250)] * 512)

    def run(tap: Tap) -> None:
        tap.run(1, effect, effect)
        tap.run(seconds, effect, lambda t: effect(1.1))

    return run


def faults(count: int, received: int = 100_000) -> Callable[[Tap], None]:
    def run(tap: Tap) -> None:
        tap.judge.observe(LineSeen(tap.now_ns, 1, True, faults=0, breaks=0))
        tap.run(1, level_100, level_100)
        seen = LineSeen(tap.now_ns, 1, True, faults=count, breaks=60, received=received, misframed=count)
        tap.judge.observe(seen)
        tap.run(2, level_100, level_100)

    return run


def damage(*counts: tuple[float, int]) -> list[tuple[float, object]]:
    """Packets with a wrong checksum: when they had come to so many."""
    return [see(1.0, DropsSeen, 0), *(see(t, DropsSeen, 0, 0, count) for t, count in counts)]


def storm(universes: int, hz: float, lasts_s: float = 2.0) -> Callable[[], list[object]]:
    """One source that sends each of its universes so often, one slot each."""
    numbers = tuple(range(1, universes + 1))
    sender = Desk("Storm", numbers, "10.0.0.9", 9, hz=hz, levels=still(1, 1), from_s=FROM_S, to_s=FROM_S + lasts_s)
    return lambda: [desk(), sender]


def losing(count: int) -> object:
    """A desk of which so many frames are missing, one after the other, in the second after FROM_S."""
    first = round(FROM_S * HZ)
    return desk(drop=lambda universe, index, t: index - first in range(0, 2 * count, 2))


STORMY = frozenset({"undeclared-universe", "unexpected-source", "fast-refresh"})

SELF = [
    # Packets that were under way arrive a second after the change; those of three seconds after it were sent since.
    Moved(
        "networks-swapped",
        "under_way_s",
        2.0,
        plays(
            TWO_NETWORKS, lambda: with_one_at_home(FROM_S + 3.0), lambda: with_one_at_home(FROM_S + 1.0), FROM_S + 8.0
        ),
        is_open,
        beside=frozenset({"undeclared-universe", "packet-loss", "universe-lost", "universe-missing"}),
    ),
    Moved(
        "malformed-packets",
        "packets",
        15,
        plays(HOUSE, lambda: [desk(), rubbish(14)], lambda: [desk(), rubbish(15)], 8.0),
    ),
    Moved(
        "malformed-packets",
        "apart",
        2,
        plays(HOUSE, lambda: [desk(), rubbish(20, 2)], lambda: [desk(), rubbish(20, 3)], 8.0),
        says("3 addresses send"),
    ),
    Moved(
        "packet-flood",
        "packets_hz",
        300.0,
        plays(HOUSE, lambda: [desk(), polls(299, 5.0)], lambda: [desk(), polls(300, 5.0)], 10.0),
    ),
    Moved(
        "packet-flood",
        "lasts_s",
        5.0,
        plays(HOUSE, lambda: [desk(), polls(2000, 4.0)], lambda: [desk(), polls(2000, 5.0)], 10.0),
    ),
    Moved(
        "packet-flood",
        "levels_hz",
        1000.0,
        plays(HOUSE, storm(9, 100.0), storm(11, 100.0), FROM_S + 3.0),
        beside=STORMY,
    ),
    Moved(
        "packet-flood",
        "each_hz",
        500.0,
        plays(HOUSE, storm(30, 450.0), storm(30, 550.0), FROM_S + 3.0),
        beside=STORMY,
    ),
    Moved(
        "packet-flood",
        "levels_window_s",
        2.0,
        plays(HOUSE, storm(24, 500.0, 1.5), storm(24, 500.0, 1.9), FROM_S + 3.0),
        beside=STORMY,
    ),
    # Its last packet that was not kept comes before 20 s; 3 s and the off-delay of a minute follow.
    Moved(
        "too-many-sources",
        "recent_s",
        3.0,
        plays(HOUSE, *twice(lambda: [desk(), crowd(65)]), (84.0, 81.0)),
        is_open,
    ),
    Moved(
        "too-many-sources",
        "new_sources",
        100,
        plays(house_of(()), lambda: [newcomers(99, 1.0)], lambda: [newcomers(100, 1.0)], 10.0),
    ),
    Moved(
        "too-many-sources",
        "new_s",
        3.0,
        plays(house_of(()), lambda: [newcomers(300, 6.0)], lambda: [newcomers(300, 2.0)], 14.0),
    ),
    aged("repeated-packets", 3.0, (COPIES, 5), (FRAMES, 10)),
    Moved(
        "repeated-packets",
        "copies",
        8,
        columns({"copies_5s": 7, "packets_5s": 20}, {"copies_5s": 8, "packets_5s": 20}),
    ),
    Moved(
        "repeated-packets",
        "copies_ratio",
        0.4,
        columns({"copies_5s": 80, "packets_5s": 200}, {"copies_5s": 81, "packets_5s": 200}),
    ),
    Moved(
        "repeated-packets",
        "loop_ratio",
        0.4,
        columns({"copies_5s": 80, "packets_5s": 200}, {"copies_5s": 81, "packets_5s": 200}),
        has_cause("loop"),
    ),
    Moved(
        "repeated-packets",
        "fresh_s",
        3.0,
        columns(
            {"last_packet_ns": lambda now_ns: now_ns - 3_100_000_000},
            {"last_packet_ns": lambda now_ns: now_ns - 2_900_000_000},
            copies_5s=100,
            packets_5s=200,
        ),
    ),
    Moved(
        "damaged-packets",
        "packets",
        8,
        plays(HOUSE, lambda: [desk(), *damage((FROM_S, 7))], lambda: [desk(), *damage((FROM_S, 8))], 6.0),
    ),
    Moved(
        "damaged-packets",
        "window_s",
        4.0,
        plays(
            HOUSE,
            lambda: [desk(), *damage((FROM_S, 3), (FROM_S + 4.2, 5))],
            lambda: [desk(), *damage((FROM_S, 3), (FROM_S + 3.8, 5))],
            FROM_S + 6.0,
        ),
    ),
    Moved(
        "damaged-packets",
        "missing_ratio",
        1.0,
        plays(
            HOUSE,
            lambda: [losing(6), *damage((FROM_S + 1.0, 5))],
            lambda: [losing(5), *damage((FROM_S + 1.0, 5))],
            FROM_S + 3.0,
        ),
        has_cause("damaged"),
        beside=frozenset({"packet-loss"}),
    ),
    Moved(
        "host-overrun",
        "stall_s",
        2.0,
        plays(
            HOUSE,
            lambda: [desk(), see(FROM_S, StallSeen, 1_999_000_000)],
            lambda: [desk(), see(FROM_S, StallSeen, 2_000_000_000)],
            6.0,
        ),
    ),
    # 10 s off-delay after the last moment in which it counts: 16 s, and 14 s at the old value.
    Moved(
        "host-overrun",
        "recent_s",
        3.0,
        plays(
            HOUSE,
            lambda: [desk(), see(1.0, DropsSeen, 500), see(FROM_S - 2.0, DropsSeen, 501)],
            lambda: [desk(), see(1.0, DropsSeen, 500), see(FROM_S, DropsSeen, 501)],
            FROM_S + 12.5,
        ),
        is_open,
    ),
    Moved(
        "line-differs",
        "level",
        6,
        line(lambda tap: tap.run(4, level_100, flat(106)), lambda tap: tap.run(4, level_100, flat(107))),
    ),
    Moved("line-differs", "start_s", 12.0, line(unheard(13.8), unheard(14.2))),
    Moved("line-differs", "behind_s", 1.0, line(ramp_behind(0.95), ramp_behind(1.25))),
    Moved("line-differs", "history_s", 1.2, line(ramp_behind(1.0), ramp_behind(1.4)), has_cause("different")),
    Moved("line-differs", "still_s", 8.0, line(stands_still(9.5), stands_still(11.0)), has_cause("still")),
    Moved("line-differs", "moves", 80, line(stands_still(9.5), stands_still(11.0)), has_cause("still")),
    Moved("line-faulty", "most_faults", 20, line(faults(20), faults(21))),
    Moved("line-faulty", "unreadable_ratio", 0.6, line(faults(599, 1000), faults(600, 1000)), has_cause("unreadable")),
]
