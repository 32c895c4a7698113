"""Numbers of the rules about rates, gaps, losses, sequence numbers and sync."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import accumulate
from typing import Any

import numpy as np
from numpy.typing import NDArray

from slotwatch.model.windows import DISCARDED, FRAMES
from slotwatch.snapshot import Incident
from slotwatch.wire.universe import Protocol
from tests.judge.cases import FROM_S, Play
from tests.judge.cases_control import numbered
from tests.judge.moved import Moved, Rules, Tells, aged, columns, has_cause, is_open, is_raised, opens_by, plays, twice
from tests.judge.stage import Desk, Packet, Plain, artdmx, house_of, moving, still
from tests.judge.still import one_stream
from tests.judge.test_flow_rules import WELL, two_streams


def slow(under: int, over: int, **always: Any) -> Callable[[Rules, bool], Sequence[Incident]]:
    """This many frames in 5 s, each of which moves."""
    return columns({"frames_5s": under, "stepped_5s": under}, {"frames_5s": over, "stepped_5s": over}, **always)


def artnet(under: Callable[[int], int], over: Callable[[int], int]) -> Callable[[Rules, bool], Sequence[Incident]]:
    """An Art-Net stream at 10 Hz whose newest frame jumped by 200 of 255, by the time of its newest change."""

    def play(rules: Rules, is_over: bool) -> Sequence[Incident]:
        still = one_stream(house_of((), artnet=(1,)), Protocol.ARTNET, rules)
        still.run(7.0, **WELL)
        frames = {"frames_5s": 50, "stepped_5s": 50, "max_step": 200, "last_change_ns": over if is_over else under}
        return still.run(5.0, **{**WELL, **frames}).reported

    return play


def artnet_jump(step: int) -> Callable[[Rules], Sequence[Incident]]:
    """An Art-Net stream at 10 Hz whose newest frame jumped by so much."""

    def play(rules: Rules) -> Sequence[Incident]:
        still = one_stream(house_of((), artnet=(1,)), Protocol.ARTNET, rules)
        still.run(7.0, **WELL)
        return still.run(5.0, **{**WELL, "frames_5s": 50, "stepped_5s": 50, "max_step": step}).reported

    return play


def slow_at(**column: tuple[Any, Any]) -> Callable[[Rules, bool], Sequence[Incident]]:
    """A stream at 15 Hz, by one column's value under and over."""
    ((name, (under, over)),) = column.items()
    return columns({name: under}, {name: over}, frames_5s=75, stepped_5s=75)


def jumped_before(seconds: float) -> Callable[[Rules], Sequence[Incident]]:
    """An Art-Net stream that jumped until 7 s, and then moves at 10 Hz without for so long."""

    def play(rules: Rules) -> Sequence[Incident]:
        still = one_stream(house_of((), artnet=(1,)), Protocol.ARTNET, rules)
        still.run(7.0, **WELL, max_step=200)
        return still.run(seconds, **{**WELL, "frames_5s": 50, "stepped_5s": 50, "max_step": 0}).reported

    return play


def one_desk(frames: int, hz: float, number_of: Callable[[int], int]) -> Callable[[], Play]:
    """A desk that sends so many frames on one universe. number_of: the sequence number of each, counted from 0."""
    return lambda: [
        Desk(
            "Desk A",
            (1,),
            hz=hz,
            levels=still(100),
            from_s=FROM_S,
            to_s=FROM_S + frames / hz - 0.01,
            sequence_of=lambda universe, index: number_of(index),
        )
    ]


def jumping(groups: int, hz: float = 20.0) -> Callable[[], Play]:
    """A desk whose numbers go one step ahead and three back, so often: three of four frames are discarded (6.7.2)."""
    back = (0, 1, 3, 6)
    return one_desk(4 * groups, hz, lambda index: 10 * (index // 4) - back[index % 4])


def erratic(
    parameter: str, value: float, under: Callable[[], Play], over: Callable[[], Play], until_s: tuple[float, float]
) -> Moved:
    """until_s: when the desk of each has just sent its last frame."""
    play, beside = plays(EVERY, under, over, until_s), frozenset({"out-of-order", "packet-loss"})
    return Moved("sequence-unusable", parameter, value, play, has_cause("erratic"), beside)


def leaping(groups: int, less: int = 0, hz: float = 20.0) -> Callable[[], Play]:
    """A desk whose numbers go ahead four times, by another step each, and then back by ten, so often: of each five
    frames one is discarded (6.7.2)."""
    after = (60 - less, 110 - 2 * less, 150 - 3 * less, 220 - 4 * less, 210 - 4 * less)
    return one_desk(5 * groups, hz, lambda index: after[4] * (index // 5) + after[index % 5])


def without_order(
    parameter: str, value: float, under: Callable[[], Play], over: Callable[[], Play], until_s: tuple[float, float]
) -> Moved:
    """until_s: when the desk of each has just sent its last frame."""
    play, beside = plays(EVERY, under, over, until_s), frozenset({"out-of-order", "packet-loss"})
    return Moved("sequence-unusable", parameter, value, play, has_cause("random"), beside)


def two_in_one_name(under: int) -> Callable[[Rules, bool], Sequence[Incident]]:
    """A desk, and for so many frames (or one more) a second sender in its name. All of the second one's frames
    but the first take its numbers up again, and so does the desk's frame after each."""

    def play(frames: int) -> Callable[[], Play]:
        second = one_desk(frames, 40.0, lambda index: index + 280)
        return lambda: [Desk("Desk A", (1,), levels=still(100), phase_s=0.01), *second()]

    return plays(EVERY, play(under), play(under + 1), FROM_S + 2.0)


def stopping() -> Play:
    """A desk that stops for 2.4 s in every 6 s from 10 s on, and leaves out no number. Its pauses end at 12.4,
    18.4, 24.4, 30.4 and 36.4 s."""

    def is_silent(t: float) -> bool:
        return t >= 10.0 and (t - 10.0) % 6.0 < 2.4

    sent = list(accumulate(not is_silent(index / 40) for index in range(2000)))
    return [
        Desk(
            "Desk A",
            (1,),
            levels=moving(),
            drop=lambda universe, index, t: is_silent(t),
            sequence_of=lambda universe, index: sent[index],
        )
    ]


def repeating(seconds: float) -> Callable[[], Play]:
    """A desk whose numbers never come past the last accepted one for so long, and then go on."""
    frames = round(40 * seconds)
    begins = round(40 * FROM_S)

    def number(universe: int, index: int) -> int:
        return (
            index
            if index < begins
            else begins - 1 - (0, 3, 1, 4, 2)[index % 5]
            if index < begins + frames
            else index - frames
        )

    return lambda: [Desk("Desk A", (1,), levels=moving(), sequence_of=number)]


def aged_by(milliseconds: int) -> Callable[[int], int]:
    """A time so long before each look."""
    return lambda now_ns: now_ns - milliseconds * 1_000_000


def pace(before_hz: float, after_hz: float, turn_s: float) -> Callable[[], Play]:
    """A desk that moves at one rate and, from a time on, at another."""

    def made() -> Play:
        first = Desk("Desk A", (1,), hz=before_hz, levels=moving(), to_s=turn_s)
        frames = round(turn_s * before_hz)
        second = Desk(
            "Desk A", (1,), hz=after_hz, levels=moving(hz=after_hz), from_s=turn_s, sequence_of=numbered(frames)
        )
        return [first, second]

    return made


def pausing(period_s: float) -> Callable[[], Play]:
    """A desk that moves, and pauses for 0.15 s each period; none of its frames is missing."""

    def pauses(t: float) -> bool:
        return t % period_s < 0.15

    def sent(universe: int, index: int) -> int:
        return sum(not pauses(at / 40.0) for at in range(index))

    return lambda: [Desk("Desk A", (1,), levels=moving(), drop=lambda u, i, t: pauses(t), sequence_of=sent)]


def clumped(gap_ms: float, clumps: int = 60) -> dict[str, Any]:
    """Intervals of clumps of four frames 2.5 ms apart, a gap before each."""
    kept = np.tile(np.array([gap_ms * 1000, 2500, 2500, 2500], np.uint32), 128)
    return {"uneven_10s": 5, "intervals_us": kept, "interval_count": 4 * clumps}


def mixed_clumps(share: float) -> dict[str, Any]:
    """Clumps of which this share starts a beacon interval (102.4 ms) after the one before, others 140 ms after."""
    gaps = [94_900 if n % 10 < round(share * 10) else 132_500 for n in range(128)]
    kept = np.array([interval for gap in gaps for interval in (gap, 2500, 2500, 2500)], np.uint32)
    return {"uneven_10s": 5, "intervals_us": kept, "interval_count": 512}


def slowed(**later: tuple[Any, Any]) -> Callable[[Rules, bool], Sequence[Incident]]:
    """Gaps at 25 ms as the median, and then none while frames come each 300 ms; by one column's value later."""
    ((name, (under, over)),) = later.items()
    slow = {"frames_5s": 15, "stepped_5s": 15, "intervals_us": np.full(512, 300_000, np.uint32), "interval_count": 512}

    def play(rules: Rules, is_over: bool) -> Sequence[Incident]:
        still = one_stream(house_of((1,)), rules=rules)
        still.run(7.0, **WELL).run(5.0, **{**WELL, **slow, "uneven_10s": 5})
        return still.run(15.0, **{**WELL, **slow, name: over if is_over else under}).reported

    return play


def newest(frames: int) -> NDArray[np.uint32]:
    """Intervals of 300 ms, and so many newest ones of 25 ms."""
    return np.array([*[300_000] * (512 - frames), *[25_000] * frames], np.uint32)


def wireless(parameter: str, value: float, under: dict[str, Any], over: dict[str, Any]) -> Moved:
    return Moved("uneven-refresh", parameter, value, columns(under, over), has_cause("wireless"))


def lossy_burst(rate_hz: float = 40.0) -> Play:
    """Six frames are missing at 6 s."""
    return [Desk("Desk A", (1,), hz=rate_hz, levels=moving(), drop=lambda u, i, t: 6.0 <= t < 6.149)]


def lost(parameter: str, value: float, under: dict[str, Any], over: dict[str, Any]) -> Moved:
    return Moved("packet-loss", parameter, value, columns(under, over))


def art_desk(syncs: int) -> Callable[[], Play]:
    """An Art-Net desk at 10 Hz whose last ArtSync comes at 6 s, after so many of them ten a second."""

    def made() -> Play:
        frames = [
            Packet(n / 10, artdmx(1, n % 255 + 1, bytes([n % 250]) * 64), "10.0.0.1", "10.0.0.200", Protocol.ARTNET)
            for n in range(600)
        ]
        sync = b"Art-Net\0\0\x52\0\x0e\0\0"
        times = [6.0 - n / 10 for n in range(syncs)]
        frames += [Packet(t, sync, "10.0.0.1", "10.0.0.255", Protocol.ARTNET) for t in times]
        return [Plain(sorted(frames, key=lambda packet: packet.t_s))]

    return made


def artsync(parameter: str, value: float, syncs: tuple[int, int], until_s: tuple[float, float], tells: Tells) -> Moved:
    by_count = {count: art_desk(count) for count in syncs}
    under, over = (by_count[count] for count in syncs)
    house = house_of((), artnet=(1,), min_refresh_hz=5)
    return Moved("sync-missing", parameter, value, plays(house, under, over, until_s), tells)


def unsynced() -> Play:
    return [Desk("Desk A", (1,), levels=moving(), sync=7000)]


def of_two_universes(under: int, over: int) -> Callable[[Rules, bool], Sequence[Incident]]:
    """Numbers of both universes of one source step by so much."""

    def play(rules: Rules, is_over: bool) -> Sequence[Incident]:
        still = two_streams(rules)
        still.run(7.0, **WELL)
        return still.run(5.0, **{**WELL, "sequence_step": over if is_over else under}).reported

    return play


EVERY = house_of((1,))
FLOW = [
    # From 40 Hz to 12 Hz the mean of 3 s falls under 20 Hz after 2.1 s, that of 5 s after 3.6 s.
    Moved("slow-refresh", "window_s", 3.0, plays(EVERY, pace(40, 12, 10.8), pace(40, 12, 10.0), 14.0), opens_by(8.5)),
    Moved("slow-refresh", "norm_ratio", 0.9, slow(176, 175, moving_known_s=30.0)),
    Moved(
        "slow-refresh",
        "norm_known_s",
        10.0,
        columns({"moving_known_s": 9.9}, {"moving_known_s": 10.0}, frames_5s=110, stepped_5s=110),
    ),
    Moved(
        "slow-refresh",
        "moving_ratio",
        0.5,
        columns({"stepped_5s": 37}, {"stepped_5s": 38}, frames_5s=75),
    ),
    Moved("slow-refresh", "chase_hz", 15.0, slow(71, 75)),
    Moved("slow-refresh", "jump_fresh_s", 0.5, artnet(aged_by(400), aged_by(600))),
    Moved(
        "slow-refresh",
        "jump_kept_s",
        6.0,
        lambda rules, is_over: jumped_before(7.0 if is_over else 5.5)(rules),
    ),
    Moved("slow-refresh", "jump", 201, lambda rules, is_over: artnet_jump(200 if is_over else 201)(rules)),
    Moved("slow-refresh", "rest_frames", 4, slow_at(equal_frames=(4, 3))),
    Moved("slow-refresh", "rest_s", 0.5, slow_at(last_frame_ns=(aged_by(600), aged_by(400)))),
    Moved("fast-refresh", "window_s", 3.0, plays(EVERY, pace(40, 60, 10.6), pace(40, 60, 10.0), 13.0), opens_by(7.3)),
    # 1.2 times 44.1 Hz are 52.9 Hz; one frame of those in the window is the one being sent.
    Moved("fast-refresh", "over_ratio", 1.2, columns({"frames_5s": 265}, {"frames_5s": 266})),
    # 5 ms a frame are 200 Hz; + 5 % = 210 Hz.
    Moved("fast-refresh", "shortest_us", 5000.0, columns({"frames_5s": 1050}, {"frames_5s": 1052}, slots=24)),
    # 1 / (1000 + 44 * 513) us = 42.4 Hz; + 5 % = 44.5 Hz.
    Moved("fast-refresh", "break_us", 1000.0, columns({"frames_5s": 223}, {"frames_5s": 224})),
    # 1 / (104 + 50 * 513) us = 38.8 Hz; + 5 % = 40.8 Hz.
    Moved("fast-refresh", "slot_us", 50.0, columns({"frames_5s": 204}, {"frames_5s": 205})),
    Moved("uneven-refresh", "window_s", 4.0, plays(EVERY, pausing(2.5), pausing(1.1), 14.0)),
    Moved("uneven-refresh", "gaps", 5, columns({"uneven_10s": 4}, {"uneven_10s": 5})),
    Moved("uneven-refresh", "pauses", 5, plays(EVERY, *twice(stopping), (33.0, 39.0))),
    Moved("uneven-refresh", "pace_frames", 20, slowed(intervals_us=(newest(17), newest(16))), is_open),
    Moved("uneven-refresh", "jump", 201, slowed(max_step=(201, 200)), is_open),
    wireless("clump_gap_ms", 96.0, clumped(94.9), clumped(97.4)),
    wireless("clumps", 20, clumped(94.9, 20), clumped(94.9, 22)),
    wireless("beacon_ms", 80.0, clumped(94.9), clumped(72.5)),
    wireless("beacon_off_ms", 1.0, clumped(96.5), clumped(95.5)),
    wireless("clump_ratio", 0.5, mixed_clumps(0.4), mixed_clumps(0.6)),
    Moved("packet-loss", "window_s", 5.0, plays(EVERY, *twice(lossy_burst), (22.5, 20.5)), is_open),
    lost("loss_ratio", 0.05, {"lost_10s": 20, "frames_10s": 380}, {"lost_10s": 21, "frames_10s": 379}),
    lost("lost_frames", 10, {"lost_10s": 9, "frames_10s": 391}, {"lost_10s": 10, "frames_10s": 390}),
    lost(
        "lost_of_last_10",
        4,
        {"lost_10s": 3, "frames_10s": 397, "lost_of_last_10": 3},
        {"lost_10s": 4, "frames_10s": 396, "lost_of_last_10": 4},
    ),
    # At 40 Hz there was time for 200 more.
    lost("possible_ratio", 2.0, {"lost_10s": 406, "frames_10s": 200}, {"lost_10s": 405, "frames_10s": 200}),
    lost("possible_frames", 50, {"lost_10s": 311, "frames_10s": 200}, {"lost_10s": 310, "frames_10s": 200}),
    erratic("window_s", 5.0, jumping(15, 6.0), jumping(25, 10.0), (14.2, 14.2)),
    # Of each four frames two more are discarded than are accepted.
    erratic("discarded", 50, jumping(25), jumping(26), (9.4, 9.4)),
    erratic("mixed_s", 6, jumping(17), jumping(40), (7.6, 12.2)),
    erratic("none_s", 5.0, repeating(4.7), repeating(5.4), (12.5, 12.5)),
    # Of each five frames one is discarded, and 215 numbers are missing between the four others.
    without_order("missing", 3000, leaping(13), leaping(15), (7.3, 7.8)),
    without_order("missing_ratio", 50.0, leaping(20, less=10), leaping(20), (9.1, 9.1)),
    without_order("jumping_discarded", 16, leaping(15), leaping(17), (7.8, 8.3)),
    without_order("jumping_s", 6, leaping(17), leaping(40), (8.3, 14.1)),
    Moved("sequence-unusable", "interleaved", 40, two_in_one_name(10), has_cause("two-senders")),
    Moved("sequence-unusable", "step", 3, of_two_universes(2, 3)),
    Moved("sequence-unusable", "sure_step", 6, columns({"sequence_step": 5}, {"sequence_step": 6})),
    aged("out-of-order", 5.0, (DISCARDED, 1), (FRAMES, 4)),
    Moved("out-of-order", "discarded", 10, columns({"discarded_10s": 9}, {"discarded_10s": 10})),
    Moved("sync-missing", "sync_loss_s", 5.0, plays(EVERY, *twice(unsynced), (4.8, 5.4))),
    # Its last ArtSync came at 6 s.
    artsync("artnet_sync_loss_s", 8.0, (30, 30), (13.8, 14.4), is_raised),
    artsync("artnet_syncs", 30, (29, 30), (12.0, 12.0), is_raised),
    artsync("artnet_shown_s", 20.0, (30, 30), (41.0, 38.5), is_open),
]
