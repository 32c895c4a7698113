"""A stream sends more frames than a DMX512 line of its slots can carry."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache, partial

import numpy as np
from numpy.typing import NDArray

from slotwatch.durations import ns_from_s
from slotwatch.judge.binding import STREAMS, Finding, Mask, RuleBinding, RuleSetup, finding_of
from slotwatch.judge.context import RuleContext
from slotwatch.judge.fault_onset import changed_pace, pace_until
from slotwatch.judge.parameters import Facts, RuleParameters, number
from slotwatch.judge.rule import Rule, RuleClass, ShortWords, judged_by
from slotwatch.judge.rules.repeated_packets import addresses
from slotwatch.model.windows import COPIES, FRAMES
from slotwatch.snapshot import Severity
from slotwatch.wire.universe import SLOTS

TIMING = "ANSI E1.11 timing; ANSI E1.31-2018 6.6.1"
MICROSECONDS = 1_000_000


@dataclass(frozen=True, slots=True)
class FastRefreshParameters(RuleParameters):
    window_s: float = number(5.0, "time over which the mean rate is taken")
    over_ratio: float = number(1.05, "rate over the DMX512 maximum of its slot count")
    shortest_us: float = number(1204.0, "shortest time between two breaks of a DMX512 line", TIMING)
    break_us: float = number(104.0, "break and mark after break of a DMX512 line", TIMING)
    slot_us: float = number(44.0, "one slot of a DMX512 line; the start code is one more", TIMING)


@dataclass(frozen=True, slots=True)
class FastRefreshFacts(Facts):
    rate: str
    slots: int
    limit: str


def max_hz(slots: NDArray[np.uint16], p: FastRefreshParameters) -> NDArray[np.float64]:
    """DMX512 maximum for this number of slots: 44.1 Hz for 512."""
    frame_us = p.break_us + p.slot_us * (slots.astype(np.float64) + 1)
    hz: NDArray[np.float64] = MICROSECONDS / np.maximum(p.shortest_us, frame_us)
    return hz


@cache
def _least_hz(p: FastRefreshParameters) -> float:
    return float(max_hz(np.array([SLOTS], np.uint16), p)[0])


def may_be_any(ctx: RuleContext, p: FastRefreshParameters) -> bool:
    """Whether any stream has more frames than the slowest limit allows, in the window and the bucket after it."""
    return ctx.live_count > 0 and (ctx.most_counted(FRAMES, p.window_s) - 1) / p.window_s > p.over_ratio * _least_hz(p)


def is_fast(ctx: RuleContext, p: FastRefreshParameters) -> Mask:
    streams = ctx.streams
    settled = ctx.settled(ns_from_s(p.window_s))
    if not np.count_nonzero(settled):
        return settled
    frames = ctx.counted((FRAMES,), p.window_s)
    # No frame has more slots than this one, which is the slowest.
    if (int(frames.max()) - 1) / p.window_s <= p.over_ratio * _least_hz(p):
        return np.zeros(streams.count, np.bool_)
    rate_hz = (_frames_of_one_address(ctx, p) - 1) / p.window_s
    fast: Mask = settled & (rate_hz > p.over_ratio * max_hz(streams.slots, p))
    return fast


def _frames_of_one_address(ctx: RuleContext, p: FastRefreshParameters) -> NDArray[np.float64]:
    """(S,) frames of the window that went to one address, where a mirrored port shows those to several."""
    frames = ctx.counted((FRAMES,), p.window_s).astype(np.float64)
    copies = ctx.counted((COPIES,), p.window_s)
    return np.minimum(frames, (frames + copies) / addresses(ctx, p.window_s))


def fast_since_ns(ctx: RuleContext, row: int, p: FastRefreshParameters) -> int:
    return changed_pace(ctx, row, _most_hz(ctx, row, p), p.window_s, slower=False)


def fast_until_ns(ctx: RuleContext, row: int, p: FastRefreshParameters) -> int:
    return pace_until(ctx, row, _most_hz(ctx, row, p), p.window_s, slower=False)


def _most_hz(ctx: RuleContext, row: int, p: FastRefreshParameters) -> float:
    """The limit as a rate of all frames of the stream, whichever address they went to."""
    limit_hz = p.over_ratio * float(max_hz(ctx.streams.slots[row : row + 1], p)[0])
    frames, of_one = int(ctx.counted((FRAMES,), p.window_s)[row]), float(_frames_of_one_address(ctx, p)[row])
    return limit_hz * frames / of_one if of_one else limit_hz


def describe_fast(ctx: RuleContext, row: int, p: FastRefreshParameters) -> Finding:
    streams = ctx.streams
    rate_hz = float(_frames_of_one_address(ctx, p)[row]) / p.window_s
    limit_hz = float(max_hz(streams.slots[row : row + 1], p)[0])
    slots = int(streams.slots[row])
    return finding_of(
        ctx,
        row,
        since_ns=0,
        facts=FastRefreshFacts(f"{rate_hz:.1f}", slots, f"{limit_hz:.1f}"),
        evidence=(
            f"{ctx.universe_name(ctx.universe_of(row))}: {rate_hz:.1f} Hz over {p.window_s:g} s with {slots} slots; "
            f"a line carries {limit_hz:.1f} Hz.",
        ),
        weight=rate_hz,
    )


def bind(setup: RuleSetup, p: FastRefreshParameters) -> tuple[RuleBinding, ...]:
    return (
        RuleBinding(
            STREAMS,
            partial(is_fast, p=p),
            partial(describe_fast, p=p),
            subject=partial(may_be_any, p=p),
            began_ns=partial(fast_since_ns, p=p),
            ended_ns=partial(fast_until_ns, p=p),
            blind_window_s=p.window_s,
        ),
    )


RULE = Rule(
    name="fast-refresh",
    rule_class=RuleClass.FLOW,
    severity=Severity.WARNING,
    short=ShortWords("{place} too fast", "{n} universes too fast", look="Look at the source's refresh rate"),
    sentence="{universes}{from_sender}: frames arrive at {rate} Hz{worst}; "
    "a DMX512 line of {slots} slots carries {limit} Hz at most.",
    judged_by=judged_by(FastRefreshParameters(), bind),
    facts=FastRefreshFacts,
    source="ANSI E1.31-2018 6.6.1",
    faults=("F67",),
    next_checks=(
        "Look at the source's refresh setting for this output: 40 to 44 Hz suits DMX512 lines.",
        "Check whether two programs on one machine send the same universe.",
    ),
)
