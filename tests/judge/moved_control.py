"""Numbers of the rules about who is in control, and of traces that only comparison shows."""

from __future__ import annotations

import math
from collections.abc import Callable

from slotwatch.wire.observation import StallSeen
from tests.judge.cases import END_S, FROM_S, A, Play, desk, see
from tests.judge.cases_control import HOUSE, behind, given, guest, numbered, steps, walk
from tests.judge.moved import Moved, Tells, is_open, is_raised, opens_by, plays
from tests.judge.stage import house_of, still


def stepping(period_s: float, late_s: float, of: int = 5) -> Callable[[], Play]:
    """Two universes of one desk that step from FROM_S on, the second so much later."""
    return lambda: steps(late_s=late_s, until_s=math.inf, period_s=period_s, of=of)


def deaf_before_steps() -> Play:
    """Single steps; between 1.3 and 1.1 s before each, this computer does not listen."""
    return [*stepping(2.6, 0.04)(), *(see(FROM_S + at_s - 1.3, StallSeen, 200_000_000) for at_s in given(2.6, 25.0))]


def skew(
    parameter: str,
    value: float,
    under: Callable[[], Play],
    over: Callable[[], Play],
    until_s: float | tuple[float, float] = 15.0,
    tells: Tells = is_raised,
) -> Moved:
    house = house_of((1, 2), min_refresh_hz=5)
    return Moved("skewed-universes", parameter, value, plays(house, under, over, until_s), tells)


def skewed_until_end() -> Play:
    return steps(late_s=0.04, until_s=END_S)


def clone(numbers: Callable[[int, int], int], seconds: float = END_S - FROM_S) -> Callable[[], Play]:
    """A second machine with the desk's identity, from FROM_S on; the desk has sent 40 frames by then."""
    return lambda: [desk(), guest(1, seconds, address="10.0.0.9", phase_s=0.03, sequence_of=numbers)]


def agreeing(first: int, last: int) -> Callable[[int, int], int]:
    """Numbers that are the desk's own for a part of its frames, ten a second."""
    return lambda universe, index: index + (40 if first <= index < last else 100)


def in_step(phase_s: float) -> Callable[[], Play]:
    """A second machine with the desk's identity and numbers, so long after it, and with levels of its own.

    Both send just before the looks, which come at whole tenths: numbers are one then.
    """
    its = {"address": "10.0.0.9", "levels": still(50), "sequence_of": lambda universe, index: index + 40}
    return lambda: [desk(phase_s=-0.04), guest(1, END_S - FROM_S, phase_s=phase_s - 0.04, **its)]


def clones(
    parameter: str, value: float, under: Callable[[], Play], over: Callable[[], Play], tells: Tells = is_raised
) -> Moved:
    play = plays(HOUSE, under, over, FROM_S + 10.0)
    beside = frozenset({"out-of-order", "packet-loss", "sequence-unusable", "source-conflict"})
    return Moved("duplicate-identity", parameter, value, play, tells, beside)


def successor(overlap_s: float) -> Callable[[], Play]:
    """A desk, and at FROM_S one of its name with another identity; the first continues for so long."""
    return lambda: [desk(to_s=FROM_S + overlap_s), desk(from_s=FROM_S, cid=b"\7" * 16)]


def changed(
    parameter: str,
    value: float,
    overlaps_s: tuple[float, float],
    until_s: tuple[float, float],
    tells: Tells = is_raised,
) -> Moved:
    house = house_of((1,), min_refresh_hz=5, shared=True)
    under, over = (successor(overlap_s) for overlap_s in overlaps_s)
    return Moved("identity-changed", parameter, value, plays(house, under, over, until_s), tells)


def echo(lag_s: float, hz: float = 10.0, to_s: float = END_S) -> Callable[[], Play]:
    """A stranger that repeats the desk so much later until a time, and then holds what it last had."""

    def late(t: float) -> bytes:
        return behind(lag_s)(min(t, to_s))

    return lambda: [desk(levels=walk, hz=hz), guest(3, 60.0, levels=late, hz=hz)]


def echoes(
    parameter: str,
    value: float,
    under: Callable[[], Play],
    over: Callable[[], Play],
    until_s: float | tuple[float, float] = FROM_S + 8.0,
    tells: Tells = is_raised,
) -> Moved:
    house = house_of((1,), min_refresh_hz=5, sources=(A,))
    beside = frozenset({"source-conflict", "unexpected-source"})
    return Moved("echoed-universe", parameter, value, plays(house, under, over, until_s), tells, beside)


CONTROL = [
    skew("frame_ms", 40.0, stepping(1.5, 0.05), stepping(1.5, 0.07)),
    skew("skew_frames", 3.0, stepping(1.5, 0.06), stepping(1.5, 0.08)),
    skew("steps", 3, stepping(1.5, 0.03), stepping(1.5, 0.04), tells=opens_by(6.0)),
    skew("window_s", 20.0, skewed_until_end, skewed_until_end, (END_S + 32.0, END_S + 8.0), is_open),
    skew("isolated_s", 1.0, stepping(0.9, 0.04), stepping(1.5, 0.04)),
    skew("together_s", 0.06, stepping(1.5, 0.07), stepping(1.5, 0.04)),
    skew("keep_alive_s", 2.0, deaf_before_steps, stepping(2.6, 0.04), 21.0),
    # Steps differ by 0.12 s from one interval to the next, or by 0.48 s where the series begins again.
    skew("even_ms", 500.0, stepping(1.5, 0.04), stepping(6.5, 0.04), 50.0),
    skew("tempo_intervals", 2, stepping(1.5, 0.04, 2), stepping(1.5, 0.04, 3)),
    clones("overlap_s", 8.0, clone(numbered(100), 7.8), clone(numbered(100))),
    clones("disagreement", 50, clone(numbered(80)), clone(numbered(100))),
    # They agree from half a second after the clone came: for 5 s, for 3 s.
    clones("apart_s", 0.02, in_step(0.03), in_step(0.01)),
    clones("forget_s", 4.0, clone(agreeing(5, 55)), clone(agreeing(5, 35)), opens_by(5.6)),
    clones("just_met_s", 3.0, clone(agreeing(0, 35)), clone(agreeing(0, 20)), opens_by(5.6)),
    changed("shown_s", 20.0, (-1.0, -1.0), (FROM_S + 31.5, FROM_S + 28.5), is_open),
    changed("overlap_s", 2.0, (2.5, 1.5), (FROM_S + 8.0, FROM_S + 8.0)),
    changed("start_s", 7.0, (-1.0, -1.0), (7.9, 8.3)),
    echoes("lag_ms", 150.0, echo(0.2), echo(0.1)),
    echoes("shortest_lag_ms", 150.0, echo(0.1), echo(0.2)),
    echoes("copies", 15, echo(0.2, 5.0), echo(0.2, 10.0)),
    # It repeats until END_S; the off-delay follows.
    echoes("window_s", 4.0, echo(0.2), echo(0.2), (END_S + 15.5, END_S + 13.2), is_open),
]
