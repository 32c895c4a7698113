"""A stream refreshes too slowly while its levels move."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

from slotwatch.durations import NANOSECONDS, ns_from_s
from slotwatch.house.schema import Limits
from slotwatch.judge import wording
from slotwatch.judge.binding import STREAMS, Finding, Mask, RuleBinding, RuleSetup, finding_of
from slotwatch.judge.context import RuleContext
from slotwatch.judge.earlier_paces import EarlierPaces
from slotwatch.judge.explain import SOURCE, Effect, Explains, Reach
from slotwatch.judge.fault_onset import changed_pace, pace_until
from slotwatch.judge.parameters import Facts, RuleParameters, Threshold, number
from slotwatch.judge.rule import CLEAR_FIRST, Rule, RuleClass, ShortWords, judged_by
from slotwatch.judge.rules.fast_refresh import FastRefreshParameters, max_hz
from slotwatch.judge.rules.packet_loss import EVERY_ROW, PacketLossParameters, had_time
from slotwatch.model.cadence import MOVING_SHARE, MOVING_WINDOW_S
from slotwatch.model.windows import BUCKET_NS, FRAMES, LOST, STEPS
from slotwatch.snapshot import Confidence, Severity
from slotwatch.wire.universe import Protocol

NEAR_RATIO = 1.2
"""So much above its limit a stream is looked at closely: pauses are only seen by looking often."""
LOSS_WINDOW_S = 10.0


@dataclass(frozen=True, slots=True)
class SlowRefreshParameters(RuleParameters):
    window_s: float = number(5.0, "time over which the mean rate is taken")
    norm_ratio: float = number(
        0.6, "least share of the stream's own best moving rate, which counts up to what DMX512 carries"
    )
    norm_known_s: float = number(30.0, "movement seen before its own best rate counts")
    moving_ratio: float = number(0.8, "share of frames that step by 4 or more in some slot while it moves")
    chase_hz: float = number(
        5.0, "rate below which frames are the steps of a chase, unless the stream was too slow before"
    )
    jump: int = number(128, "step of a slot, of 255, that belongs to a chase or a bump, not to a fade")
    jump_fresh_s: float = number(0.2, "time after a frame in which its jump is looked for")
    jump_kept_s: float = number(2.0, "time after a jump for which an Art-Net stream counts as sent on change")
    rest_frames: int = number(
        2, "frames equal to their predecessor that make a rest: three equal ones", "ANSI E1.31-2018 6.6.2"
    )
    rest_s: float = number(0.3, "time without a frame that makes a rest: no movement is sent at under 3 Hz")


@dataclass(frozen=True, slots=True)
class SlowRefreshFacts(Facts):
    rate: str
    reference: str


class MovingRates:
    """Remembers which streams are slow, which rest, and which jump: a chase sent on change is slow by design."""

    def __init__(self, p: SlowRefreshParameters, fast: FastRefreshParameters) -> None:
        self._p, self._fast = p, fast
        self._slow: Mask = np.zeros(0, np.bool_)
        """(S,) as found at the last look; it may be shorter."""
        self._earlier = EarlierPaces("slow-refresh")
        self._earlier_hz: NDArray[np.float64] = np.zeros(0)
        """(S,) norm of streams that were slow before a restart, where it was known then; it may be shorter."""
        self._generation: NDArray[np.uint32] = np.zeros(0, np.uint32)
        """(S,) of the streams that these norms are of."""
        self._jumped_ns = np.zeros(0, np.int64)
        self._rested_ns = np.zeros(0, np.int64)
        self._slower = False

    def may_be(self, ctx: RuleContext) -> bool:
        """Whether any stream is live, or one that fell silent was near its limit at the last look."""
        return ctx.live_count > 0 or self._slower

    def notes(self, ctx: RuleContext) -> bool:
        """Whether it keeps of each look which streams rest: of what is lost no rate is judged when it returns."""
        return ctx.live_count > 0

    def is_one_slower(self, ctx: RuleContext) -> bool:
        """Whether a moving stream, also one with pauses or chases, is near its limit."""
        return self._slower

    def is_slow(self, ctx: RuleContext) -> Mask:
        """While most frames step: mean rate under the limit, or under a share of the stream's own norm."""
        streams = ctx.streams
        was_slow = np.zeros(streams.count, np.bool_)
        was_slow[: len(self._slow)] = self._slow
        earlier_hz = self._earlier.take(ctx, ctx.live)
        if earlier_hz:
            more = streams.count - len(self._earlier_hz)
            self._earlier_hz = np.pad(self._earlier_hz, (0, more))
            self._generation = np.pad(self._generation, (0, more))
        for row, pace_hz in earlier_hz.items():
            was_slow[row] = True
            if pace_hz > ctx.universes.min_refresh_hz[ctx.universe_of(row)]:
                self._earlier_hz[row], self._generation[row] = pace_hz, streams.generation[row]
        slow = self._find(ctx, was_slow)
        # Of what was slow and is not heard for a whole window yet, it is not known whether it still is.
        unknown = was_slow & ctx.live & ~ctx.settled(ns_from_s(self._p.window_s)) if was_slow.any() else was_slow
        self._slow = slow | unknown
        return slow

    def _find(self, ctx: RuleContext, was_slow: Mask) -> Mask:
        p, streams = self._p, ctx.streams
        self._slower = False
        self._note(ctx)
        steps = ctx.counted((STEPS,), p.window_s)
        if not np.count_nonzero(steps):
            return np.zeros(streams.count, np.bool_)
        frames = ctx.counted((FRAMES,), p.window_s)
        moving = (frames > 0) & (steps >= p.moving_ratio * frames)
        if not np.count_nonzero(moving):
            return moving
        # A window ends with the bucket being filled: compared to the sender's favour, it is a bucket short.
        rate_hz = (frames + 1) / (p.window_s - BUCKET_NS / NANOSECONDS)
        limit_hz = np.maximum(ctx.universes.min_refresh_hz[streams.universe], p.norm_ratio * self._norms_hz(ctx))
        near: Mask = moving & (rate_hz < NEAR_RATIO * limit_hz)
        self._slower = bool(np.count_nonzero(near))
        if not self._slower:
            return near
        slow: Mask = near & (rate_hz < limit_hz)
        window_ns = ns_from_s(p.window_s)
        slow &= ctx.settled(window_ns) & ~((streams.protocol == int(Protocol.ARTNET)) & self._jumps(ctx))
        # What moves on after it became slow has neither come back to its pace nor gone to rest, however slow it gets.
        goes_on = slow & was_slow & (streams.equal_frames < p.rest_frames)
        # A rest inside the window, or at its end, makes any mean rate low.
        slow &= ctx.now_ns - self._rested_ns[: streams.count] >= window_ns
        is_slow: Mask = (slow & (rate_hz >= p.chase_hz)) | goes_on
        return is_slow

    def _norms_hz(self, ctx: RuleContext, rows: slice = EVERY_ROW) -> NDArray[np.float64]:
        """Give streams' own norms, also as they were before a restart; 0 where one is not known."""
        streams = ctx.streams
        norm_hz = np.where(streams.moving_known_s[rows] >= self._p.norm_known_s, streams.best_moving_hz[rows], 0.0)
        earlier_hz = self._earlier_hz[rows]
        if len(earlier_hz):
            kept = norm_hz[: len(earlier_hz)]
            is_same = streams.generation[rows][: len(earlier_hz)] == self._generation[rows]
            np.maximum(kept, earlier_hz, out=kept, where=is_same)
        # A higher rate is that of two senders in one name, or of packets to several addresses.
        return np.minimum(norm_hz, max_hz(streams.slots[rows], self._fast))

    def norm_hz(self, ctx: RuleContext, row: int) -> float:
        """Give a stream's own norm; 0: it is not known."""
        return float(self._norms_hz(ctx, slice(row, row + 1))[0])

    def limit_hz(self, ctx: RuleContext, row: int) -> float:
        """Give the rate under which a stream is slow."""
        least_hz = float(ctx.universes.min_refresh_hz[ctx.universe_of(row)])
        return max(least_hz, self._p.norm_ratio * self.norm_hz(ctx, row))

    def since_ns(self, ctx: RuleContext, row: int) -> int:
        return changed_pace(ctx, row, self.limit_hz(ctx, row), self._p.window_s, slower=True)

    def until_ns(self, ctx: RuleContext, row: int) -> int:
        return pace_until(ctx, row, self.limit_hz(ctx, row), self._p.window_s, slower=True)

    def _note(self, ctx: RuleContext) -> None:
        streams, p = ctx.streams, self._p
        more = streams.count - len(self._jumped_ns)
        if more > 0:
            self._jumped_ns = np.pad(self._jumped_ns, (0, more))
            self._rested_ns = np.pad(self._rested_ns, (0, more))
        resting = streams.equal_frames >= p.rest_frames
        # Of each look the last is kept, so none is due because a rest begins.
        resting |= ctx.at_ns - streams.last_frame_ns > ns_from_s(p.rest_s)
        self._rested_ns[: streams.count][resting] = ctx.at_ns
        # Only what Art-Net sends on change is asked for.
        jumps = (streams.max_step >= p.jump) & (streams.protocol == int(Protocol.ARTNET))
        if np.count_nonzero(jumps):
            jumps &= ctx.at_ns - streams.last_change_ns < ns_from_s(p.jump_fresh_s)
            self._jumped_ns[: streams.count][jumps] = ctx.at_ns

    def _jumps(self, ctx: RuleContext) -> Mask:
        jumps: Mask = ctx.now_ns - self._jumped_ns[: ctx.streams.count] < ns_from_s(self._p.jump_kept_s)
        return jumps


def describe_slow(
    ctx: RuleContext, row: int, p: SlowRefreshParameters, loss: PacketLossParameters, rates: MovingRates
) -> Finding:
    streams = ctx.streams
    rate_hz = int(ctx.counted((FRAMES,), p.window_s)[row]) / p.window_s
    limit_hz, norm_hz = float(ctx.universes.min_refresh_hz[ctx.universe_of(row)]), rates.norm_hz(ctx, row)
    reference = f"limit {limit_hz:.0f} Hz" if rate_hz < limit_hz else f"its own norm is {norm_hz:.0f} Hz"
    lost = int(ctx.counted((LOST,), LOSS_WINDOW_S)[row])
    evidence = [f"{ctx.universe_name(ctx.universe_of(row))}: {rate_hz:.1f} Hz over {p.window_s:g} s while levels move."]
    if norm_hz:
        best_hz = max(norm_hz, float(streams.best_moving_hz[row]))
        evidence.append(f"Its best moving rate so far: {best_hz:.1f} Hz.")
    # Numbers that jump about, such as those of two senders, show no frame to be missing.
    if streams.sequence_measurable[row] and had_time(ctx, loss, slice(row, row + 1))[0]:
        evidence.append(
            f"Missing in {LOSS_WINDOW_S:g} s: {wording.count(lost, 'frame')}, lost on the path."
            if lost
            else "No frame is missing by sequence: the sender itself is slow."
        )
    return finding_of(
        ctx,
        row,
        since_ns=0,
        facts=SlowRefreshFacts(f"{rate_hz:.1f}", reference),
        evidence=tuple(evidence),
        confidence=Confidence.HIGH,
        also_possible=("a proxy on the path that sends at its own rate",),
        weight=-rate_hz,
        pace_hz=max(norm_hz, limit_hz),
    )


def bind(setup: RuleSetup, p: SlowRefreshParameters) -> tuple[RuleBinding, ...]:
    rates = MovingRates(p, setup.parameters(FastRefreshParameters))
    return (
        RuleBinding(
            STREAMS,
            rates.is_slow,
            partial(describe_slow, p=p, loss=setup.parameters(PacketLossParameters), rates=rates),
            subject=rates.may_be,
            began_ns=rates.since_ns,
            ended_ns=rates.until_ns,
            is_wary=rates.is_one_slower,
            remembers=rates.notes,
            keeps_last_look=True,
            blind_window_s=p.window_s,
        ),
    )


RULE = Rule(
    name="slow-refresh",
    rule_class=RuleClass.FLOW,
    severity=Severity.WARNING,
    short=ShortWords("{place} slow", "{n} universes slow", on_its_screen=True),
    sentence="{universes}{from_sender}: frames come at only {rate} Hz while levels move ({reference}){worst}.",
    judged_by=judged_by(SlowRefreshParameters(), bind),
    facts=SlowRefreshFacts,
    effects=frozenset({Effect.STREAM_TROUBLE}),
    explains=Explains(
        180,
        Reach(SOURCE, rules=frozenset({"skewed-universes", "uneven-refresh", "unlike-usual"})),
    ),
    measured=(
        Threshold("min_refresh_hz", Limits().min_refresh_hz, "slowest mean rate while moving, unless the house says"),
        Threshold("best_window_s", MOVING_WINDOW_S, "time over which the stream's own best rate is taken"),
        Threshold("best_moving_ratio", MOVING_SHARE, "share of frames that step in that time"),
    ),
    faults=("F66", "F71", "F72"),
    next_checks=(
        "Look at the source's load: how many effects, pixels and universes does it run?",
        "Check whether other universes of the same source are slow at the same time.",
    ),
    next_checks_quiet=(f"{CLEAR_FIRST} Move some universes to another output, or simplify the effect, and compare.",),
)
