"""Frames that arrive, but too slowly, too fast, unevenly, not all of them, or numbered so that they are discarded."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from slotwatch.house.schema import House
from slotwatch.judge.binding import STREAMS, Finding, Mask, NamedBinding, finding_of, named
from slotwatch.judge.catalog import CATALOG
from slotwatch.judge.context import RuleContext
from slotwatch.judge.fault_onset import before_gaps, changed_pace, counted_in
from slotwatch.model.windows import LOST
from slotwatch.snapshot import Confidence
from slotwatch.wire.universe import Protocol

NANOSECONDS = 1_000_000_000
WINDOW_S, SHORTEST_WINDOW_S = 5.0, 4.9
"""A window ends with the bucket being filled: between the two long. Rates are compared to the sender's favour."""
JUMP = 128
"""A step of half the range: a chase or a bump, not a fade."""
REST_FRAMES = 2
"""Frames equal to their predecessor: three equal frames are a rest (ANSI E1.31-2018 6.6.2)."""
REST_NS = 300_000_000
"""No frame for so long: nobody moves at under 3 Hz."""
NEAR = 1.2
"""So much above the limit a stream begins to be looked at closely."""
JUMPS_REMEMBERED_NS = 2 * NANOSECONDS
CLUMP_GAP_US = 50_000
BEACON_NS = 102_400_000
"""Beacon interval of wireless networks (IEEE 802.11: 100 time units of 1.024 ms)."""


def bindings(house: House) -> tuple[NamedBinding, ...]:
    pace = Pace()
    return (
        named("slow-refresh", STREAMS, pace.is_slow, describe_slow, began_ns=slow_since_ns, is_wary=pace.is_one_slower),
        named("fast-refresh", STREAMS, is_fast, describe_fast, began_ns=fast_since_ns),
        named(
            "uneven-refresh",
            STREAMS,
            is_uneven,
            describe_uneven,
            began_ns=uneven_since_ns,
            is_wary=lambda ctx: bool(ctx.streams.uneven_10s.any()),
        ),
        named("packet-loss", STREAMS, loses, describe_loss, began_ns=counted_in(LOST, 10.0)),
    )


def max_hz(slots: NDArray[Any]) -> NDArray[np.float64]:
    """DMX512 maximum for so many slots: 1 / max(1204 µs, 104 µs + 44 µs × (slots + 1)) (ANSI E1.11 timing)."""
    hz: NDArray[np.float64] = 1e6 / np.maximum(1204.0, 104.0 + 44.0 * (slots.astype(np.float64) + 1))
    return hz


def _settled(ctx: RuleContext) -> Mask:
    """Live streams that have been there for a whole window."""
    settled: Mask = ctx.live & (ctx.now_ns - ctx.streams.since_ns >= WINDOW_S * NANOSECONDS)
    return settled


# --- rate ---------------------------------------------------------------------------------------------


class Pace:
    """Remembers which streams rest, and which jump: a chase sent on change is slow by design."""

    def __init__(self) -> None:
        self._jumped_ns = np.zeros(0, np.int64)
        self._rested_ns = np.zeros(0, np.int64)
        self._slower = False

    def is_one_slower(self, ctx: RuleContext) -> bool:
        """Whether a moving stream, rests and chases among them, is near the limit: rests are seen by looking often."""
        return self._slower

    def is_slow(self, ctx: RuleContext) -> Mask:
        """While 80 % of frames step: mean rate under the limit, or under 60 % of the stream's own norm."""
        rule, streams = CATALOG["slow-refresh"], ctx.streams
        frames = streams.frames_5s
        moving = (frames > 0) & (streams.stepped_5s >= rule.threshold("moving_ratio") * frames)
        self._note(ctx)
        self._slower = False
        if not moving.any():
            return moving
        rate_hz = (frames + 1) / SHORTEST_WINDOW_S
        known = streams.moving_known_s >= rule.threshold("norm_known_s")
        own_hz = np.where(known, rule.threshold("norm_ratio") * streams.best_moving_hz, 0.0)
        limit_hz = np.maximum(ctx.universes.min_refresh_hz[streams.universe], own_hz)
        self._slower = bool((moving & (rate_hz < NEAR * limit_hz)).any())
        # A rest inside the window, or at its end, makes any mean rate low.
        moving &= ctx.now_ns - self._rested_ns[: streams.count] >= WINDOW_S * NANOSECONDS
        slow = rate_hz < limit_hz
        on_change = (streams.protocol == Protocol.ARTNET) & self._jumps(ctx)
        chases = (rate_hz < rule.threshold("steps_hz")) | on_change
        is_slow: Mask = _settled(ctx) & moving & slow & ~chases
        return is_slow

    def _note(self, ctx: RuleContext) -> None:
        streams = ctx.streams
        more = streams.count - len(self._jumped_ns)
        if more > 0:
            self._jumped_ns = np.pad(self._jumped_ns, (0, more))
            self._rested_ns = np.pad(self._rested_ns, (0, more))
        resting = (streams.equal_frames >= REST_FRAMES) | (ctx.now_ns - streams.last_frame_ns > REST_NS)
        self._rested_ns[: streams.count][resting] = ctx.now_ns
        recent = (streams.max_step >= JUMP) & (ctx.now_ns - streams.last_change_ns < NANOSECONDS // 5)
        self._jumped_ns[: streams.count][recent] = ctx.now_ns

    def _jumps(self, ctx: RuleContext) -> Mask:
        jumps: Mask = ctx.now_ns - self._jumped_ns[: ctx.streams.count] < JUMPS_REMEMBERED_NS
        return jumps


def slow_since_ns(ctx: RuleContext, row: int) -> int:
    rule, streams = CATALOG["slow-refresh"], ctx.streams
    limit_hz = float(ctx.universes.min_refresh_hz[ctx.universe_of(row)])
    if float(streams.moving_known_s[row]) >= rule.threshold("norm_known_s"):
        limit_hz = max(limit_hz, rule.threshold("norm_ratio") * float(streams.best_moving_hz[row]))
    return changed_pace(ctx, row, limit_hz, WINDOW_S, slower=True)


def describe_slow(ctx: RuleContext, row: int) -> Finding:
    streams = ctx.streams
    rate_hz = int(streams.frames_5s[row]) / WINDOW_S
    limit_hz, best_hz = (
        float(ctx.universes.min_refresh_hz[ctx.universe_of(row)]),
        float(streams.best_moving_hz[row]),
    )
    known = float(streams.moving_known_s[row]) >= CATALOG["slow-refresh"].threshold("norm_known_s")
    reference = f"limit {limit_hz:.0f} Hz" if rate_hz < limit_hz else f"its own norm is {best_hz:.0f} Hz"
    lost = int(streams.lost_10s[row])
    evidence = [f"{ctx.universe_name(ctx.universe_of(row))}: {rate_hz:.1f} Hz over 5 s while levels move."]
    if known:
        evidence.append(f"Its best moving rate so far: {best_hz:.1f} Hz.")
    if streams.sequence_measurable[row]:
        evidence.append(
            f"{lost} frames missing in 10 s: the way loses them."
            if lost
            else "No frame is missing by sequence: the sender itself is slow."
        )
    return finding_of(
        ctx,
        row,
        since_ns=0,
        facts={"rate": f"{rate_hz:.1f}", "reference": reference},
        evidence=tuple(evidence),
        confidence=Confidence.HIGH,
        also_possible=("a proxy on the way that sends anew at its own pace",),
        weight=-rate_hz,
    )


def is_fast(ctx: RuleContext) -> Mask:
    streams = ctx.streams
    rate_hz = (streams.frames_5s.astype(np.float64) - 1) / WINDOW_S
    fast: Mask = _settled(ctx) & (rate_hz > CATALOG["fast-refresh"].threshold("over_ratio") * max_hz(streams.slots))
    return fast


def fast_since_ns(ctx: RuleContext, row: int) -> int:
    return changed_pace(ctx, row, _most_hz(ctx, row), WINDOW_S, slower=False)


def _most_hz(ctx: RuleContext, row: int) -> float:
    return CATALOG["fast-refresh"].threshold("over_ratio") * float(max_hz(ctx.streams.slots[row : row + 1])[0])


def describe_fast(ctx: RuleContext, row: int) -> Finding:
    streams = ctx.streams
    rate_hz = int(streams.frames_5s[row]) / WINDOW_S
    limit_hz = float(max_hz(streams.slots[row : row + 1])[0])
    slots = int(streams.slots[row])
    return finding_of(
        ctx,
        row,
        since_ns=0,
        facts={"rate": f"{rate_hz:.1f}", "slots": str(slots), "limit": f"{limit_hz:.1f}"},
        evidence=(
            f"{ctx.universe_name(ctx.universe_of(row))}: {rate_hz:.1f} Hz over 5 s with {slots} slots; "
            f"a line carries {limit_hz:.1f} Hz.",
        ),
        weight=rate_hz,
    )


# --- gaps and losses ----------------------------------------------------------------------------------


def is_uneven(ctx: RuleContext) -> Mask:
    uneven: Mask = ctx.live & (ctx.streams.uneven_10s >= CATALOG["uneven-refresh"].threshold("gaps"))
    return uneven


def uneven_since_ns(ctx: RuleContext, row: int) -> int:
    rule = CATALOG["uneven-refresh"]
    shortest_ns = int(rule.threshold("gap_ms") * 1e6)
    return before_gaps(ctx, row, int(ctx.streams.uneven_10s[row]), shortest_ns, rule.threshold("median_ratio"))


def describe_uneven(ctx: RuleContext, row: int) -> Finding:
    streams = ctx.streams
    lost, gaps = int(streams.lost_10s[row]), int(streams.uneven_10s[row])
    longest_ms = int(streams.max_gap_10s_ns[row]) / 1e6
    name = ctx.universe_name(ctx.universe_of(row))
    evidence = [f"{name}: {gaps} gaps over 100 ms in 10 s, the longest {longest_ms:.0f} ms, while levels move."]
    also: tuple[str, ...] = ("a program on the sender that holds it up at times",)
    if not streams.sequence_measurable[row]:
        verdict, cause = "Its numbering does not tell whether frames are missing.", ""
    elif lost:
        verdict, cause = "Frames are missing by sequence: they are lost on the way.", "lost-on-the-way"
        also = ("a lead, a port or a wireless hop on the way",)
    else:
        verdict, cause = "No frame is missing by sequence: the sender paused.", "sender-paused"
    if _clumps(ctx, row):
        verdict, cause = "Frames come in clumps, a beacon interval apart: a wireless hop holds them back.", "wireless"
        evidence.append("Clumps start at multiples of 102.4 ms, the beacon interval of wireless networks.")
    return finding_of(
        ctx,
        row,
        since_ns=0,
        facts={"gaps": str(gaps), "gap": f"{longest_ms:.0f}", "verdict": verdict},
        evidence=(*evidence, verdict),
        cause=cause,
        confidence=Confidence.HIGH if cause else Confidence.MEDIUM,
        also_possible=also,
        weight=longest_ms,
    )


def _clumps(ctx: RuleContext, row: int) -> bool:
    """Whether frames come in clumps whose starts lie a multiple of the wireless beacon interval apart."""
    kept_us = ctx.streams.intervals_us[row]
    count = int(ctx.streams.interval_count[row])
    in_order = kept_us[:count] if count < len(kept_us) else np.roll(kept_us, -(count % len(kept_us)))
    ends_ns = np.cumsum(in_order.astype(np.int64)) * 1000
    starts_ns = ends_ns[in_order > CLUMP_GAP_US]
    apart_ns = np.diff(starts_ns[-64:])
    if len(apart_ns) < 8:
        return False
    off_ns = np.abs((apart_ns + BEACON_NS // 2) % BEACON_NS - BEACON_NS // 2)
    return bool((off_ns < 4_000_000).mean() > 0.8)


def loses(ctx: RuleContext) -> Mask:
    """Over 1 % and 5 or more missing by sequence in 10 s, or 3 of the last 10."""
    rule, streams = CATALOG["packet-loss"], ctx.streams
    lost = streams.lost_10s
    some: Mask = ctx.live & (lost > 0) & streams.sequence_measurable
    if not some.any():
        return some
    due = lost + streams.frames_10s
    some &= _had_time(ctx)
    many = (lost >= rule.threshold("lost_frames")) & (lost > rule.threshold("loss_ratio") * due)
    burst = streams.lost_of_last_10 >= rule.threshold("lost_of_last_10")
    loses_: Mask = some & (many | burst)
    return loses_


def _had_time(ctx: RuleContext) -> Mask:
    """Whether so many frames could have been sent at all: if not, the numbers jumped (a restart)."""
    streams = ctx.streams
    window_ns = np.minimum(10 * NANOSECONDS, ctx.now_ns - streams.since_ns)
    pace_ns = np.maximum(streams.median_interval_ns, 1_000_000)
    possible = window_ns // pace_ns - streams.frames_10s
    had_time: Mask = (streams.median_interval_ns == 0) | (streams.lost_10s <= 1.3 * np.maximum(possible, 0) + 5)
    return had_time


def describe_loss(ctx: RuleContext, row: int) -> Finding:
    streams = ctx.streams
    lost, frames = int(streams.lost_10s[row]), int(streams.frames_10s[row])
    due = max(1, lost + frames)
    name = ctx.universe_name(ctx.universe_of(row))
    siblings = ctx.streams_from(ctx.source_of(row))
    spared = int(np.count_nonzero(streams.live[siblings] & (streams.lost_10s[siblings] == 0)))
    verdict = "The sender sent them: they were lost on the way to this port."
    if spared and len(siblings) > 1:
        verdict += f" {spared} other universe(s) of this source lose none."
    return finding_of(
        ctx,
        row,
        since_ns=0,
        facts={"lost": str(lost), "due": str(due), "percent": f"{100 * lost / due:.1f}", "verdict": verdict},
        evidence=(f"{name}: {lost} of {due} frames missing by sequence number in 10 s.",),
        confidence=Confidence.HIGH,
        also_possible=("the sender skips numbers",),
        weight=lost / due,
    )
