"""A stream stutters: it leaves gaps while its levels move, many short ones or one long pause after another."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

from slotwatch.durations import MICROSECOND_NS, NANOSECONDS, ms_from_ns, ns_from_ms
from slotwatch.judge import wording
from slotwatch.judge.binding import STREAMS, Finding, Mask, RuleBinding, RuleSetup, finding_of
from slotwatch.judge.context import RuleContext
from slotwatch.judge.earlier_paces import EarlierPaces
from slotwatch.judge.elsewhere import intervals_there, say_page
from slotwatch.judge.explain import SOURCE, Effect, Explains, Reach
from slotwatch.judge.fault_onset import counted_in, last_counted_in, pace_until, window_of
from slotwatch.judge.parameters import Facts, RuleParameters, Threshold, number
from slotwatch.judge.pauses_elsewhere import PausesElsewhere
from slotwatch.judge.rule import CLEAR_FIRST, Rule, RuleClass, ShortWords, judged_by
from slotwatch.judge.rules.lost_between import places_of
from slotwatch.judge.rules.packet_loss import PacketLossParameters, had_time
from slotwatch.judge.shared_path import LOST_ON_THE_WAY, SENDER_PAUSED, THIS_COMPUTER, WAY_BETWEEN, WIRELESS
from slotwatch.model.cadence import MOVING_SHARE, MOVING_WINDOW_S, UNEVEN_FACTOR, UNEVEN_FLOOR_US
from slotwatch.model.pauses import PAUSE_US, ROW_NS
from slotwatch.model.windows import DISCARDED, FRAMES, LOST, STEPS, UNEVEN
from slotwatch.snapshot import Confidence, Severity

PAUSE_S, ROW_S = PAUSE_US * MICROSECOND_NS / NANOSECONDS, ROW_NS / NANOSECONDS
FLOOR_MS = ms_from_ns(UNEVEN_FLOOR_US * MICROSECOND_NS)
KEEP_ALIVE = "ANSI E1.31-2018 6.6.2 (0.8 to 1 s); half as much again: common practice, no source"
NEWEST_CLUMPS = 64
NONE_MISSING = "No frame is missing by sequence."


@dataclass(frozen=True, slots=True)
class UnevenRefreshParameters(RuleParameters):
    window_s: float = number(10.0, "time in which gaps are counted")
    gaps: int = number(3, "number of gaps that makes it uneven")
    pauses: int = number(3, "number of long pauses of an E1.31 stream in a row that makes it uneven")
    pace_frames: int = number(
        12, "number of newest frames whose mean interval shows whether a stream is back at its pace"
    )
    jump: int = number(128, "step of a slot, of 255, from which it is a chase or a bump, not a fade")
    clump_gap_ms: float = number(50.0, "gap before the start of a clump of frames")
    clumps: int = number(8, "fewest clumps that are compared with the beacon interval of wireless networks")
    beacon_ms: float = number(102.4, "beacon interval of wireless networks", "IEEE 802.11: 100 units of 1.024 ms")
    beacon_off_ms: float = number(4.0, "how far from multiples of it clumps may start")
    clump_ratio: float = number(0.8, "share of clumps above which a wireless hop holds frames back")


@dataclass(frozen=True, slots=True)
class UnevenRefreshFacts(Facts):
    gap: str
    verdict: str


def is_uneven(ctx: RuleContext, p: UnevenRefreshParameters) -> Mask:
    if not ctx.live_count:
        return ctx.live
    uneven: Mask = ctx.live & (ctx.counted((UNEVEN,), p.window_s) >= p.gaps)
    return uneven


class Slowed:
    """Remembers the pace of uneven streams: where gaps last, the median follows them, and none is one any more."""

    def __init__(self, p: UnevenRefreshParameters) -> None:
        self._p = p
        self._median_ns = np.zeros(0, np.int64)
        """(S,) median interval when the first gaps were found; 0: none were, or the stream is back at that pace."""
        self._generation = np.zeros(0, np.uint32)
        self._earlier = EarlierPaces("uneven-refresh")

    def may_be(self, ctx: RuleContext) -> bool:
        """Whether any stream may have had a gap in the window, or has not come back to its pace."""
        slowed = bool(np.count_nonzero(self._median_ns)) or self._earlier.waits(ctx)
        return slowed or ctx.is_any_counted(UNEVEN, self._p.window_s)

    def is_uneven(self, ctx: RuleContext) -> Mask:
        uneven = is_uneven(ctx, self._p)
        if not (np.count_nonzero(uneven) or np.count_nonzero(self._median_ns) or self._earlier.waits(ctx)):
            return uneven
        self._note(ctx, uneven)
        return uneven | self._goes_on(ctx)

    def pace_hz(self, row: int) -> float:
        """Give the rate at which a stream came before the first gaps; 0 if it has come back to it."""
        return NANOSECONDS / int(self._median_ns[row]) if self.limit_ns(row) else 0.0

    def limit_ns(self, row: int) -> int:
        """Give the mean interval above which a stream has not come back to its pace; 0 if it has."""
        return UNEVEN_FACTOR * int(self._median_ns[row]) if row < len(self._median_ns) else 0

    def until_ns(self, ctx: RuleContext, row: int) -> int:
        """Give the time of the last gap, or until which the stream was slowed."""
        last_ns = last_counted_in(UNEVEN, self._p.window_s)(ctx, row)
        if not self.limit_ns(row):
            return last_ns
        return max(last_ns, pace_until(ctx, row, NANOSECONDS / self.limit_ns(row), self._p.window_s, slower=True))

    def _note(self, ctx: RuleContext, uneven: Mask) -> None:
        streams, count = ctx.streams, ctx.streams.count
        more = count - len(self._median_ns)
        if more > 0:
            self._median_ns = np.pad(self._median_ns, (0, more))
            self._generation = np.pad(self._generation, (0, more))
        new = (uneven & (self._median_ns[:count] == 0)).nonzero()[0]
        self._median_ns[new] = streams.median_interval_ns[new]
        self._generation[new] = streams.generation[new]
        for row, pace_hz in self._earlier.take(ctx, streams.interval_count >= self._p.pace_frames).items():
            self._median_ns[row], self._generation[row] = round(NANOSECONDS / pace_hz), streams.generation[row]
        rows = self._median_ns[:count].nonzero()[0]
        back = self._mean_ns(ctx, rows) <= UNEVEN_FACTOR * self._median_ns[rows]
        back |= streams.generation[rows] != self._generation[rows]
        self._median_ns[rows[back]] = 0

    def _mean_ns(self, ctx: RuleContext, rows: NDArray[np.intp]) -> NDArray[np.float64]:
        """(N,) mean interval of these streams' newest frames."""
        kept_us = ctx.streams.intervals_us
        newest = ctx.streams.interval_count[rows].astype(np.int64)[:, None] - 1 - np.arange(self._p.pace_frames)
        mean_us: NDArray[np.float64] = kept_us[rows[:, None], newest % kept_us.shape[1]].mean(axis=1)
        return mean_us * MICROSECOND_NS

    def _goes_on(self, ctx: RuleContext) -> Mask:
        """Streams that still move at less than their pace. Whether a chase is sent on change is not known."""
        p, streams = self._p, ctx.streams
        frames = ctx.counted((FRAMES,), MOVING_WINDOW_S)
        moving = (frames > 0) & (ctx.counted((STEPS,), MOVING_WINDOW_S) >= MOVING_SHARE * frames)
        slowed: Mask = ctx.live & moving & (self._median_ns[: streams.count] > 0) & (streams.max_step < p.jump)
        return slowed


def is_pausing(ctx: RuleContext, p: UnevenRefreshParameters) -> Mask:
    """E1.31 streams with one long pause after another, each too far from the next for `is_uneven`."""
    streams = ctx.streams
    pausing: Mask = streams.pauses >= p.pauses
    if not np.count_nonzero(pausing):
        return pausing
    pausing &= ctx.live_e131
    pausing &= ctx.now_ns - streams.pause_end_ns <= ROW_NS
    return pausing & ~is_uneven(ctx, p)


def has_paused(ctx: RuleContext) -> bool:
    """Whether any stream ever had a long pause."""
    return bool(np.count_nonzero(ctx.streams.pauses))


def pauses_began_ns(ctx: RuleContext, row: int) -> int:
    return int(ctx.streams.pauses_began_ns[row])


def last_pause_ended_ns(ctx: RuleContext, row: int) -> int:
    return int(ctx.streams.pause_end_ns[row])


def has_gaps(ctx: RuleContext, p: UnevenRefreshParameters) -> bool:
    """Whether any stream had a gap in the window."""
    return bool(np.count_nonzero(ctx.counted((UNEVEN,), p.window_s)))


def describe_uneven(
    ctx: RuleContext,
    row: int,
    p: UnevenRefreshParameters,
    loss: PacketLossParameters,
    afar: PausesElsewhere,
    slowed: Slowed,
) -> Finding:
    streams = ctx.streams
    gaps, pauses = int(ctx.counted((UNEVEN,), p.window_s)[row]), int(streams.pauses[row])
    name = ctx.universe_name(ctx.universe_of(row))
    if gaps >= p.gaps:
        limit_ms, longest_ms = FLOOR_MS, ms_from_ns(ctx.longest_uneven_ns(row))
        is_lost = bool(ctx.counted((LOST,), p.window_s)[row])
        there = intervals_there(ctx.listener.elsewhere, ctx, row, counted_in(UNEVEN, p.window_s)(ctx, row))
        found = f"{wording.count(gaps, 'gap')} over {FLOOR_MS:g} ms in {p.window_s:g} s, the longest"
    elif pace_ns := slowed.limit_ns(row):
        limit_ms, longest_ms = ms_from_ns(pace_ns), ms_from_ns(int(streams.max_gap_10s_ns[row]))
        is_lost = bool(ctx.counted((LOST,), p.window_s)[row])
        there = intervals_there(ctx.listener.elsewhere, ctx, row, window_of(p.window_s)(ctx, row))
        found = (
            f"its mean interval stays over {limit_ms:.0f} ms, {UNEVEN_FACTOR} times the median before, the longest gap"
        )
    else:
        limit_ms = ms_from_ns(PAUSE_US * MICROSECOND_NS)
        longest_ms = ms_from_ns(int(streams.pauses_longest_us[row]) * MICROSECOND_NS)
        # The first of them may have been counted before. One frame that is lost at some time is no pause.
        is_lost = int(streams.lost_frames[row]) - int(streams.pauses_lost_before[row]) >= max(pauses - 1, 1)
        there = afar.there(ctx, row)
        found = (
            f"at least {p.pauses} gaps of {PAUSE_S:g} s or more in a row, each within {ROW_S:g} s of the one before, "
            "the longest"
        )
    evidence = [f"{name}: {found} {longest_ms:.0f} ms, while levels move."]
    also: tuple[str, ...] = ("a program on the sender that delays it at times",)
    # Evidence is what was counted. What follows from it depends on which other streams are uneven; the summary has it.
    if not (streams.sequence_measurable[row] and had_time(ctx, loss, slice(row, row + 1))[0]):
        counted, verdict, cause = "Its sequence numbers do not show whether frames are missing.", "", ""
    elif is_lost:
        counted, verdict, cause = "Frames are missing by sequence.", "They are lost on the way.", LOST_ON_THE_WAY
        also = ("a lead, a port or a wireless hop on the path",)
    elif ctx.counted((DISCARDED,), p.window_s)[row] >= max(gaps, 1):
        counted, verdict, cause = "Frames in the gaps have numbers behind the newest: receivers discard them.", "", ""
        also = ("two programs that send with one identity and address",)
    elif ctx.runs_here(ctx.source_of(row)):
        counted, verdict, cause = NONE_MISSING, "Its sender runs on this computer, and paused.", THIS_COMPUTER
    else:
        counted, verdict, cause = NONE_MISSING, "The sender probably paused.", SENDER_PAUSED
    if there is not None and not is_lost and cause != THIS_COMPUTER:
        own, name = there.declared.own_name, there.declared.name
        if not there.known:
            verdict, cause = "Its sender pauses, or the path delays them.", ""
        elif there.interval_max_ms < limit_ms:
            verdict, cause = f"They are delayed between {places_of(own, name)}.", WAY_BETWEEN
            evidence += [f"At {name} the same stream has no gap over {limit_ms:.0f} ms.", say_page(there.declared)]
            also = (f"the computer or the switch port of {own} alone",)
        else:
            evidence.append(f"At {name} the same stream has gaps of up to {there.interval_max_ms:.0f} ms.")
    if _clumps(ctx, row, p):
        verdict, cause = "They come in clumps, a beacon interval apart: a wireless hop delays them.", WIRELESS
        evidence.append(f"Clumps start at multiples of {p.beacon_ms:g} ms, the beacon interval of wireless networks.")
    return finding_of(
        ctx,
        row,
        since_ns=0,
        facts=UnevenRefreshFacts(f"{longest_ms:.0f}", f"{counted} {verdict}".strip()),
        evidence=(*evidence, counted),
        cause=cause,
        confidence=Confidence.HIGH if cause else Confidence.MEDIUM,
        also_possible=also,
        next_checks=RULE.next_checks[-1:] if cause == WIRELESS else (),
        weight=longest_ms,
        pace_hz=slowed.pace_hz(row),
    )


def _clumps(ctx: RuleContext, row: int, p: UnevenRefreshParameters) -> bool:
    """Whether frames come in clumps whose starts lie a multiple of the wireless beacon interval apart."""
    kept_us = ctx.streams.intervals_us[row]
    count = int(ctx.streams.interval_count[row])
    in_order = kept_us[:count] if count < len(kept_us) else np.roll(kept_us, -(count % len(kept_us)))
    ends_ns = np.cumsum(in_order.astype(np.int64)) * MICROSECOND_NS
    starts_ns = ends_ns[in_order > ns_from_ms(p.clump_gap_ms) // MICROSECOND_NS]
    apart_ns = np.diff(starts_ns[-NEWEST_CLUMPS:])
    if len(apart_ns) < p.clumps:
        return False
    beacon_ns = ns_from_ms(p.beacon_ms)
    off_ns = np.abs((apart_ns + beacon_ns // 2) % beacon_ns - beacon_ns // 2)
    return bool((off_ns < ns_from_ms(p.beacon_off_ms)).mean() > p.clump_ratio)


def bind(setup: RuleSetup, p: UnevenRefreshParameters) -> tuple[RuleBinding, ...]:
    slowed, loss = Slowed(p), setup.parameters(PacketLossParameters)
    describe = partial(describe_uneven, p=p, loss=loss, afar=PausesElsewhere(), slowed=slowed)
    return (
        RuleBinding(
            STREAMS,
            slowed.is_uneven,
            describe,
            subject=slowed.may_be,
            began_ns=counted_in(UNEVEN, p.window_s),
            ended_ns=slowed.until_ns,
            is_wary=partial(has_gaps, p=p),
            blind_window_s=p.window_s,
        ),
        RuleBinding(
            STREAMS,
            partial(is_pausing, p=p),
            describe,
            subject=has_paused,
            began_ns=pauses_began_ns,
            ended_ns=last_pause_ended_ns,
            blind_window_s=p.pauses * ROW_S,
        ),
    )


RULE = Rule(
    name="uneven-refresh",
    rule_class=RuleClass.FLOW,
    severity=Severity.WARNING,
    short=ShortWords("{place} uneven", "{n} universes uneven", look="Look at the source's load"),
    sentence="{universes}{from_sender}: frames stutter while levels move, with gaps of up to {gap} ms. {verdict}",
    judged_by=judged_by(UnevenRefreshParameters(), bind),
    facts=UnevenRefreshFacts,
    effects=frozenset({Effect.STREAM_TROUBLE}),
    explains=Explains(
        200,
        Reach(SOURCE, rules=frozenset({"skewed-universes", "unlike-usual"})),
    ),
    shares_a_path=True,
    measured=(
        Threshold("median_ratio", UNEVEN_FACTOR, "gap over the stream's own median interval"),
        Threshold("gap_ms", FLOOR_MS, "shortest gap that counts"),
        Threshold(
            "moving_share", MOVING_SHARE, "share of frames with a step of 4 or more from which a slowed stream moves"
        ),
        Threshold("moving_window_s", MOVING_WINDOW_S, "time over which that share is taken"),
        Threshold("pause_s", PAUSE_S, "shortest gap that is a long pause: longer than any keep-alive", KEEP_ALIVE),
        Threshold("row_s", ROW_S, "longest time from the end of one long pause to that of the next in a row"),
    ),
    faults=("F06", "F28", "F68", "F69", "F70"),
    next_checks=(
        "Check whether all sources stutter (a shared path) or only this one (its sender).",
        "Look at the source's load and at what else runs on that machine.",
        "Check whether a wireless hop lies between the source and this port.",
    ),
    next_checks_quiet=(f"{CLEAR_FIRST} Read the error counters of the switch ports on the path; try another lead.",),
)
