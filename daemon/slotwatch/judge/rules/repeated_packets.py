"""The same packet arrives twice or more: a mirror of both directions, a bonded port, or a loop."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

from slotwatch.durations import ms_from_ns, ns_from_s
from slotwatch.judge.binding import STREAMS, Finding, Mask, RuleBinding, RuleSetup, finding_of
from slotwatch.judge.context import RuleContext
from slotwatch.judge.explain import NETWORK, SOURCE, Effect, Explains, Reach
from slotwatch.judge.fault_onset import counted_in, last_counted_in
from slotwatch.judge.parameters import Facts, RuleParameters, Threshold, number
from slotwatch.judge.rule import CLEAR_FIRST, Rule, RuleClass, ShortWords, judged_by
from slotwatch.judge.shared_path import DOUBLED, LOOP, SHARED_PATH
from slotwatch.judge.subjects import is_any_counted
from slotwatch.model.strides import COPY_NS
from slotwatch.model.windows import COPIES, FRAMES, OTHERS
from slotwatch.snapshot import Severity


@dataclass(frozen=True, slots=True)
class RepeatedPacketsParameters(RuleParameters):
    window_s: float = number(5.0, "time in which packets and copies are counted")
    copies_ratio: float = number(0.2, "share of a stream's packets in the window that are copies")
    copies: int = number(5, "fewest copies that count")
    loop_ratio: float = number(0.6, "share of copies above which a loop is the likeliest cause")
    fresh_s: float = number(
        1.25, "longest time since the newest packet: at rest one comes each second", "ANSI E1.31-2018 6.6.2"
    )


@dataclass(frozen=True, slots=True)
class RepeatedPacketsFacts(Facts):
    percent: str
    verdict: str


def is_repeated(ctx: RuleContext, p: RepeatedPacketsParameters) -> Mask:
    if not np.count_nonzero(ctx.counted((COPIES,), p.window_s) >= p.copies):
        return np.zeros(ctx.streams.count, np.bool_)
    copies, packets = _copies(ctx, p)
    # Where nothing comes any more, the oldest packets leave the window first, and the share of the newest grows.
    fresh = ctx.now_ns - ctx.streams.last_packet_ns <= ns_from_s(p.fresh_s)
    repeated: Mask = ctx.streams.used & fresh & (copies >= p.copies)
    return repeated & (copies > p.copies_ratio * packets)


def _copies(ctx: RuleContext, p: RepeatedPacketsParameters) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """(S,) copies and packets of the window, without those that the sender means for further addresses."""
    copies = ctx.counted((COPIES,), p.window_s).astype(np.int64)
    packets = ctx.counted((FRAMES, OTHERS), p.window_s).astype(np.int64)
    meant = (addresses(ctx, p.window_s) - 1) * ctx.counted((FRAMES,), p.window_s)
    meant = np.minimum(meant, copies)
    return copies - meant, packets - meant


def addresses(ctx: RuleContext, window_s: float) -> NDArray[np.int64]:
    """(S,) to how many addresses each stream's packets went in turn in the last seconds, at least 1."""
    streams = ctx.streams
    several = (streams.destinations > 1) & (ctx.now_ns - streams.destinations_ns < ns_from_s(window_s))
    return np.where(several, streams.destinations.astype(np.int64), 1)


def describe_repeated(ctx: RuleContext, row: int, p: RepeatedPacketsParameters) -> Finding:
    copies, packets = _copies(ctx, p)
    ratio = int(copies[row]) / max(1, int(packets[row]))
    name = ctx.universe_name(ctx.universe_of(row))
    if ratio > p.loop_ratio:
        cause, verdict = LOOP, "So many copies point to a loop."
        also = ("a device that answers every packet with copies",)
    else:
        cause, verdict = DOUBLED, "Packets come twice: a mirror of both directions, a bonded port, or a loop."
        also = ("a loop between two switches",)
    return finding_of(
        ctx,
        row,
        since_ns=0,
        facts=RepeatedPacketsFacts(f"{100 * ratio:.0f}", verdict),
        evidence=(
            f"{name}: {100 * ratio:.0f} % of its packets in {p.window_s:g} s are copies (same number, same bytes).",
        ),
        cause=cause,
        also_possible=also,
        weight=ratio,
    )


def bind(setup: RuleSetup, p: RepeatedPacketsParameters) -> tuple[RuleBinding, ...]:
    return (
        RuleBinding(
            STREAMS,
            partial(is_repeated, p=p),
            partial(describe_repeated, p=p),
            subject=is_any_counted(COPIES, p.window_s),
            began_ns=counted_in(COPIES, p.window_s),
            ended_ns=last_counted_in(COPIES, p.window_s),
            blind_window_s=p.window_s,
        ),
    )


_MADE = frozenset({Effect.STREAM_TROUBLE})
_MADE_BY_NAME = frozenset({"fast-refresh", "sequence-unusable"})

RULE = Rule(
    name="repeated-packets",
    rule_class=RuleClass.STORM,
    severity=Severity.WARNING,
    short=ShortWords("{place} repeated", "{n} universes repeated", look="Look for two leads in parallel"),
    sentence="{universes}{from_sender}: {percent} % of packets are copies, within {copy_ms:g} ms of the first. "
    "{verdict}",
    judged_by=judged_by(RepeatedPacketsParameters(), bind),
    facts=RepeatedPacketsFacts,
    explains=Explains(
        60,
        # A loop fills the whole network. One source that comes twice, as a mirror shows it, takes nothing from others.
        Reach(NETWORK, effects=_MADE, rules=_MADE_BY_NAME, causes=frozenset({LOOP, SHARED_PATH})),
        Reach(SOURCE, effects=_MADE, rules=_MADE_BY_NAME),
        begins_at_a_moment=True,
    ),
    shares_a_path=True,
    measured=(Threshold("copy_ms", ms_from_ns(COPY_NS), "longest time between a packet and its copy"),),
    faults=("F25", "F111"),
    next_checks=(
        "Look for two leads between the same two switches, or a stage box patched twice.",
        "If this port is a mirror: check whether it copies both directions.",
    ),
    next_checks_quiet=(f"{CLEAR_FIRST} Take out the lead that was added last.",),
)
