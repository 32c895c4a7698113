"""Frames of a stream are missing by their sequence numbers."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

from slotwatch.durations import ns_from_ms, ns_from_s
from slotwatch.judge import wording
from slotwatch.judge.binding import STREAMS, Finding, Mask, RuleBinding, RuleSetup, finding_of
from slotwatch.judge.context import RuleContext
from slotwatch.judge.explain import SOURCE, STREAM, Effect, Explains, Reach
from slotwatch.judge.fault_onset import counted_in, last_counted_in
from slotwatch.judge.parameters import Facts, RuleParameters, number
from slotwatch.judge.rule import CLEAR_FIRST, Rule, RuleClass, ShortWords, judged_by
from slotwatch.judge.subjects import is_any_counted
from slotwatch.judge.switch_causes import say_errors_on_the_way
from slotwatch.model.windows import FRAMES, LOST
from slotwatch.snapshot import Confidence, Severity

MOST_AT_ONCE = 10
"""Frames that are missing in a row; more of them may be a restart whose new numbers fit by chance."""
SHORTEST_PACE_NS = ns_from_ms(1)
NEW_PACE_NS = ns_from_ms(10)
"""Taken for the pace of a stream that is too new to have one: more than twice as fast as a full line (our choice)."""
PORTS_COUNTED_NS = ns_from_s(60)
"""Time over which counters of switch ports are evidence: they are read once a minute."""
EVERY_ROW = slice(None)


@dataclass(frozen=True, slots=True)
class PacketLossParameters(RuleParameters):
    window_s: float = number(10.0, "time in which frames are counted")
    loss_ratio: float = number(0.01, "share of frames missing by sequence")
    lost_frames: int = number(5, "fewest missing frames that count")
    lost_of_last_10: int = number(3, "missing of the last 10 frames due that count by themselves")
    possible_ratio: float = number(
        1.3, "ratio of missing frames to those that there was time for, at the stream's own rate"
    )
    possible_frames: int = number(5, "missing frames beyond that ratio above which its numbers jumped: a restart")


@dataclass(frozen=True, slots=True)
class PacketLossFacts(Facts):
    lost: int
    due: int
    percent: str
    verdict: str


class NumberJumps:
    """Remembers which numbers jumped: a stream that is faster afterwards had no more time for frames before that."""

    def __init__(self, p: PacketLossParameters) -> None:
        self._p = p
        self._jumped = np.zeros(0, np.int64)
        """(S,) frames ever missing by number when there was no time for them; -1: there was, or more are missing."""

    def loses(self, ctx: RuleContext) -> Mask:
        """Too many are missing by sequence in the window, or of the last 10 frames."""
        if not ctx.live_count:
            return ctx.live
        p, streams = self._p, ctx.streams
        lost = ctx.counted((LOST,), p.window_s)
        some: Mask = ctx.live & (lost > 0) & streams.sequence_measurable
        if not np.count_nonzero(some):
            return some
        due = lost + ctx.counted((FRAMES,), p.window_s)
        some &= self._had_time(ctx, lost)
        many = (lost >= p.lost_frames) & (lost > p.loss_ratio * due)
        burst = streams.lost_of_last_10 >= p.lost_of_last_10
        loses: Mask = some & (many | burst)
        return loses

    def _had_time(self, ctx: RuleContext, lost: NDArray[np.uint32]) -> Mask:
        p, streams, count = self._p, ctx.streams, ctx.streams.count
        ever, could_be = streams.lost_frames.astype(np.int64), had_time(ctx, p)
        self._jumped = np.pad(self._jumped, (0, max(0, count - len(self._jumped))), constant_values=-1)
        jumped = self._jumped[:count]
        jumped[jumped != ever] = -1
        # What is lost at once falls into one gap, in which the fastest stream sends no more than this.
        most = p.possible_ratio * (streams.max_gap_10s_ns // NEW_PACE_NS) + p.possible_frames
        new = ~could_be & (lost > most)
        jumped[new] = ever[new]
        had: Mask = could_be & (jumped < 0)
        return had


def had_time(ctx: RuleContext, p: PacketLossParameters, rows: slice = EVERY_ROW) -> Mask:
    """Whether this many frames could have been sent at all: if not, the numbers jumped (a restart)."""
    streams = ctx.streams
    window_ns = np.minimum(ns_from_s(p.window_s), ctx.now_ns - streams.since_ns[rows])
    known_ns = streams.median_interval_ns[rows]
    pace_ns = np.where(known_ns == 0, NEW_PACE_NS, np.maximum(known_ns, SHORTEST_PACE_NS))
    possible = window_ns // pace_ns - ctx.counted((FRAMES,), p.window_s)[rows]
    most = p.possible_ratio * np.maximum(possible, 0) + p.possible_frames
    could_be: Mask = ctx.counted((LOST,), p.window_s)[rows] <= most
    return could_be


def describe_loss(ctx: RuleContext, row: int, p: PacketLossParameters) -> Finding:
    streams = ctx.streams
    all_lost = ctx.counted((LOST,), p.window_s)
    lost, frames = int(all_lost[row]), int(ctx.counted((FRAMES,), p.window_s)[row])
    due = max(1, lost + frames)
    name = ctx.universe_name(ctx.universe_of(row))
    if len(ctx.streams_of(ctx.universe_of(row))) > 1:
        name += f' from "{ctx.source_name(ctx.source_of(row))}"'
    siblings = ctx.streams_from(ctx.source_of(row))
    spared = int(np.count_nonzero(streams.live[siblings] & (all_lost[siblings] == 0)))
    verdict = "The sender numbered them, so they were probably lost on the way to this port."
    at_once = lost > MOST_AT_ONCE and ctx.is_in_one_moment(LOST, row, p.window_s)
    if at_once:
        verdict = "All of them are missing in one gap: they were lost on the way, or the source restarted."
    if spared and len(siblings) > 1:
        verdict += f" Nothing is missing on {wording.count(spared, 'other universe')} of this source."
    return finding_of(
        ctx,
        row,
        since_ns=0,
        facts=PacketLossFacts(lost, due, f"{100 * lost / due:.1f}", verdict),
        evidence=(
            f"{name}: {lost} of {due} frames missing by sequence number in {p.window_s:g} s.",
            *say_errors_on_the_way(ctx, ctx.source_of(row), PORTS_COUNTED_NS),
        ),
        confidence=Confidence.MEDIUM if at_once else Confidence.HIGH,
        also_possible=("the sender skips numbers",),
        weight=lost / due,
    )


def bind(setup: RuleSetup, p: PacketLossParameters) -> tuple[RuleBinding, ...]:
    return (
        RuleBinding(
            STREAMS,
            NumberJumps(p).loses,
            partial(describe_loss, p=p),
            subject=is_any_counted(LOST, p.window_s),
            began_ns=counted_in(LOST, p.window_s),
            ended_ns=last_counted_in(LOST, p.window_s),
            blind_window_s=p.window_s,
        ),
    )


RULE = Rule(
    name="packet-loss",
    rule_class=RuleClass.FLOW,
    severity=Severity.WARNING,
    short=ShortWords("{place} loses frames", "{n} universes lose frames", look="Look at leads and switch ports"),
    sentence="{universes}{from_sender}: frames are missing, "
    "{lost} of {due} in {window_s:g} s ({percent} %){worst}. {verdict}",
    judged_by=judged_by(PacketLossParameters(), bind),
    facts=PacketLossFacts,
    effects=frozenset({Effect.STREAM_TROUBLE}),
    explains=Explains(
        190,
        Reach(SOURCE, rules=frozenset({"out-of-order", "uneven-refresh", "unlike-usual"})),
        # Where nothing is missing, frames that are lost elsewhere do not make it slow.
        Reach(STREAM, rules=frozenset({"slow-refresh"})),
        # Each second one packet with start code 0xDD: three that are lost in a row look as if they had stopped.
        Reach(SOURCE, rules=frozenset({"slot-priority-faulty"}), only=frozenset({"stopped"})),
        begins_at_a_moment=True,
    ),
    shares_a_path=True,
    source="ANSI E1.31-2018 6.7.2 (sequence); the limits: common practice, no source",
    faults=("F26", "F27", "F28"),
    next_checks=(
        "Check whether every source loses frames (a shared path) or one (its own lead or port).",
        "Look at the switch for ports at 10 or 100 Mb/s, and for video or audio sharing the uplink.",
    ),
    next_checks_quiet=(
        f"{CLEAR_FIRST} Read port error counters along the path; change the lead with the most errors.",
    ),
)
