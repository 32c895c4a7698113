"""Numbers of the rules about who is in control and who is in step."""

from __future__ import annotations

from collections.abc import Callable

from slotwatch.house.schema import House
from tests.judge.cases import END_S, FROM_S, Play, desk
from tests.judge.cases_control import HOUSE, MAIN_ALONE, PAIR, giver, guest, in_turn, spells, valued
from tests.judge.moved import Moved, Tells, is_open, is_raised, opens_by, plays, says, twice
from tests.judge.stage import Levels, house_of, still

SHARED = house_of((1,), min_refresh_hz=5, shared=True)
PREVIEW = 0x80
"""Of the options, E1.31 table 6-2."""


def preview_until(end_s: float) -> Callable[[], Play]:
    """A desk whose packets are preview data alone from FROM_S on, and that sends nothing so long after it."""
    return lambda: [
        desk(to_s=FROM_S),
        desk(from_s=FROM_S, to_s=FROM_S + end_s, options=PREVIEW, sequence_of=lambda universe, index: index + 40),
    ]


def given(*moments: tuple[float, int]) -> Callable[[], Play]:
    return lambda: [giver(spells(*moments))]


def short_of_one(end_s: float) -> Callable[[], Play]:
    return given((0, 512), (FROM_S, 511), (end_s, 512))


def valued_until(end_s: float, value: int) -> Callable[[], Play]:
    return lambda: [valued(spells((0, 100), (FROM_S, value), (end_s, 100)))]


def joined_by(seconds: float) -> Callable[[], Play]:
    return lambda: [giver(spells((0, 512))), guest(2, seconds)]


def few_frames(number: int, count: int, universe: int = 1) -> Callable[[], Play]:
    """Another desk that sends so many frames, ten a second."""
    end_s = FROM_S + count / 10 - 0.05
    more = {"dst": lambda universe: "10.0.0.200"} if universe != 1 else {}
    return lambda: [desk(), desk(number, (universe,), from_s=FROM_S, to_s=end_s, priority=90, **more)]


def follows(backup: Levels) -> Callable[[], Play]:
    return lambda: [desk(), desk(2, levels=backup, priority=90)]


def apart_by(difference: int, to_s: float = END_S) -> Levels:
    return lambda t: bytes([100 + (difference if FROM_S <= t < to_s else 0)]) * 512


def first_a_little(seconds: float) -> Levels:
    """By 2 % for a time, then by 16 %."""
    return lambda t: bytes([100 + (0 if t < FROM_S else 5 if t < FROM_S + seconds else 40)]) * 512


def with_dips(every_s: float, dip_s: float) -> Levels:
    """By 16 %, but for a dip in each period in which it is in step and still not the same, and for 0.3 s after it."""
    far, near = bytes([140]) * 512, bytes([105]) * 512
    well = bytes([100]) * 512
    return lambda t: well if t < FROM_S else far if (t - FROM_S) % every_s < every_s - dip_s else near


def moved(
    rule: str,
    parameter: str,
    value: float,
    under: Callable[[], Play],
    over: Callable[[], Play],
    until_s: float | tuple[float, float],
    tells: Tells = is_raised,
    house: House = HOUSE,
    beside: frozenset[str] = frozenset(),
) -> Moved:
    return Moved(rule, parameter, value, plays(house, under, over, until_s), tells, beside)


def differs(
    parameter: str, value: float, under: Levels, over: Levels, until_s: float, tells: Tells = is_raised
) -> Moved:
    return moved("backup-differs", parameter, value, follows(under), follows(over), until_s, tells, PAIR)


RIVALS = [
    moved(
        "preview-only",
        "recent_s",
        1.0,
        # The rule is due 2.4 s after the last live frame, which came 0.1 s before FROM_S.
        preview_until(1.1),
        preview_until(1.6),
        6.5,  # later it is the loss of its universe
        beside=frozenset({"universe-lost"}),
    ),
    moved("wrong-group", "in_turn_s", 3.0, *twice(lambda: [in_turn(END_S)]), (FROM_S + 3.7, FROM_S + 4.6)),
    moved("slot-priority-faulty", "short_s", 4.0, short_of_one(FROM_S + 3.5), short_of_one(END_S), FROM_S + 5.0),
    moved("slot-priority-faulty", "zero_s", 5.0, valued_until(FROM_S + 4.5, 0), valued_until(END_S, 0), FROM_S + 7.0),
    moved(
        "slot-priority-faulty", "above_s", 5.0, valued_until(FROM_S + 4.5, 201), valued_until(END_S, 201), FROM_S + 7.0
    ),
    moved("slot-priority-faulty", "mixed_s", 8.0, joined_by(7.5), joined_by(12.0), FROM_S + 9.0, house=SHARED),
    # The last one came half a second before FROM_S; the off-delay follows.
    moved(
        "slot-priority-faulty",
        "shown_s",
        20.0,
        given((0, 512), (FROM_S, 0)),
        given((0, 512), (FROM_S, 0)),
        (FROM_S + 31.5, FROM_S + 28.0),
        is_open,
    ),
    moved("undeclared-universe", "frames", 10, few_frames(2, 9, 9), few_frames(2, 10, 9), FROM_S + 2.4),
    moved("unexpected-source", "frames", 10, few_frames(3, 9), few_frames(3, 10), FROM_S + 2.4, house=MAIN_ALONE),
    moved(
        "source-conflict",
        "moving_s",
        20.0,
        lambda: [desk(), guest(2, 40.0, levels=still(50))],
        lambda: [desk(), guest(2, 40.0, levels=still(50))],
        (FROM_S + 22.0, FROM_S + 10.0),
        says("its levels move"),
    ),
    differs("differ_s", 14.0, apart_by(40, FROM_S + 13.7), apart_by(40), FROM_S + 15.0),
    differs("difference_percent", 20.0, apart_by(50), apart_by(55), FROM_S + 11.5),
    # It has differed a little for longer than the lag: since then, for as long as the lag.
    differs("lag_s", 5.0, first_a_little(6.0), first_a_little(3.0), FROM_S + 14.0, opens_by(10.7)),
    differs("dip_s", 2.0, with_dips(6.0, 2.6), with_dips(4.0, 1.0), FROM_S + 15.5),
    differs("apart_ratio", 0.9, with_dips(1.0, 0.1), with_dips(8.0, 0.1), FROM_S + 13.0),
]
