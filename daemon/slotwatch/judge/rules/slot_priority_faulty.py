"""Per-address priority (start code 0xDD) stops, covers too few slots, is too high, or comes from some sources only."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

from slotwatch.durations import ns_from_s
from slotwatch.judge import wording
from slotwatch.judge.binding import STREAMS, UNIVERSES, Finding, Mask, RuleBinding, RuleSetup
from slotwatch.judge.context import RuleContext
from slotwatch.judge.explain import Effect
from slotwatch.judge.parameters import Facts, RuleParameters, Threshold, number
from slotwatch.judge.rule import Rule, RuleClass, ShortWords, judged_by
from slotwatch.model.control import MAX_PRIORITY
from slotwatch.model.windows import DISCARDED, LOST
from slotwatch.snapshot import Severity
from slotwatch.wire.e131 import SLOT_PRIORITY_LOSS_NS, SLOT_PRIORITY_LOSS_S
from slotwatch.wire.universe import SLOTS

LATE_NS = ns_from_s(1.2)
MAY_BE_LOST = 2
"""At rest it comes once a second: this many lost in a row look as if it had stopped."""
LOST_IN_S = 3.0


@dataclass(frozen=True, slots=True)
class SlotPriorityFaultyParameters(RuleParameters):
    short_s: float = number(2.5, "time that it covers too few slots before the incident opens")
    zero_s: float = number(2.5, "time that every slot has priority 0 while levels are up, before the incident opens")
    above_s: float = number(2.5, "time that it gives a slot more than the highest priority before the incident opens")
    mixed_s: float = number(5.0, "time that only some sources use it before the incident opens")
    shown_s: float = number(300.0, "time for which it is shown that it stopped")


@dataclass(frozen=True, slots=True)
class SlotPriorityFaultyFacts(Facts):
    habit: str


def _ever_gave(ctx: RuleContext) -> bool:
    """Whether any stream ever sent start code 0xDD."""
    return bool(np.count_nonzero(ctx.streams.last_slot_priority_ns))


def _gives(ctx: RuleContext) -> Mask:
    streams = ctx.streams
    gives: Mask = (streams.last_slot_priority_ns > 0) & (
        ctx.now_ns - streams.last_slot_priority_ns <= SLOT_PRIORITY_LOSS_NS
    )
    return gives


def has_stopped_priority(ctx: RuleContext, p: SlotPriorityFaultyParameters) -> Mask:
    streams = ctx.streams
    if not _ever_gave(ctx):
        return np.zeros(streams.count, np.bool_)
    silent_ns = ctx.now_ns - streams.last_slot_priority_ns
    sent = ctx.live & (streams.last_slot_priority_ns > streams.since_ns)
    # Levels that are accepted after it was due show that the stream lives and 0xDD alone has ended.
    sent &= streams.last_frame_ns - streams.last_slot_priority_ns > SLOT_PRIORITY_LOSS_NS
    # What came in its name with numbers of another series was not the source's to go on with.
    sent &= streams.last_slot_priority_ns > streams.last_stray_ns
    if sent.any():
        sent &= ~_may_have_lost_it(ctx)
    stopped: Mask = sent & (silent_ns > SLOT_PRIORITY_LOSS_NS) & (silent_ns < ns_from_s(p.shown_s))
    return stopped


def _may_have_lost_it(ctx: RuleContext) -> Mask:
    """Whether as many frames are missing by their numbers, or came too late to be used, as 0xDD packets are due in that
    time."""
    streams = ctx.streams
    lost = (ctx.counted((LOST, DISCARDED), LOST_IN_S) >= MAY_BE_LOST) | (streams.lost_of_last_10 >= MAY_BE_LOST)
    may_have: Mask = lost & streams.sequence_measurable
    return may_have


def has_short_priority(ctx: RuleContext) -> Mask:
    streams = ctx.streams
    if not _ever_gave(ctx):
        return np.zeros(streams.count, np.bool_)
    short: Mask = ctx.live & _gives(ctx) & (streams.slot_priority_slots < streams.slots)
    return short


def has_reserved_values(ctx: RuleContext) -> Mask:
    """Streams that give a slot more than the highest priority, which has no meaning."""
    streams = ctx.streams
    if not _ever_gave(ctx):
        return np.zeros(streams.count, np.bool_)
    found: Mask = ctx.live & _gives(ctx)
    rows = np.flatnonzero(found)
    found[rows] = _above(ctx, rows).any(axis=1)
    return found


def _above(ctx: RuleContext, rows: NDArray[np.intp]) -> Mask:
    """(rows, 512) of which slots these streams give more than the highest priority."""
    streams = ctx.streams
    is_given = np.arange(SLOTS) < streams.slot_priority_slots[rows, np.newaxis]
    above: Mask = is_given & (streams.slot_priorities[rows] > MAX_PRIORITY)
    return above


def has_ignored_levels(ctx: RuleContext) -> Mask:
    """Levels above zero while the only source of a universe gives priority 0 to all slots: it says it sources none.

    Some slots with 0 are meant: the source leaves them out.
    """
    streams = ctx.streams
    found = np.zeros(streams.count, np.bool_)
    alone = ctx.live & _gives(ctx) & (ctx.universes.live[streams.universe] == 1)
    rows = np.flatnonzero(alone & (streams.slot_priority_slots >= streams.slots))
    rows = rows[~_is_any_sent(ctx, rows, streams.slot_priorities)]
    found[rows] = _is_any_sent(ctx, rows, streams.levels)
    return found


def _is_any_sent(ctx: RuleContext, rows: NDArray[np.intp], values: NDArray[np.uint8]) -> Mask:
    """Whether any slot that these streams send is above zero in these values, which have a row for each stream."""
    is_sent = np.arange(SLOTS) < ctx.streams.slots[rows, np.newaxis]
    above: Mask = np.logical_or.reduce(is_sent & (values[rows] > 0), axis=1)
    return above


def has_mixed_priority(ctx: RuleContext, p: SlotPriorityFaultyParameters) -> Mask:
    streams, universes = ctx.streams, ctx.universes
    mixed = np.zeros(universes.count, np.bool_)
    if not _ever_gave(ctx):
        return mixed
    gives = ctx.live & _gives(ctx)
    if gives.any():
        # One that has stopped is a case of its own, and of one whose packets are lost or discarded nothing is known.
        gives_or_gave = gives | has_stopped_priority(ctx, p)
        gives_or_gave |= ctx.live & (streams.last_slot_priority_ns > 0) & _may_have_lost_it(ctx)
        giving = np.bincount(streams.universe[gives], minlength=universes.count)
        accounted = np.bincount(streams.universe[gives_or_gave], minlength=universes.count)
        mixed = (giving > 0) & (accounted < universes.live)
    return mixed


def _priority_finding(ctx: RuleContext, row: int, habit: str, cause: str) -> Finding:
    universe = ctx.universe_of(row)
    return Finding(
        group=f"source:{ctx.source_name(ctx.source_of(row))}",
        since_ns=0,
        universes=(universe,),
        streams=(row,),
        networks=(int(ctx.streams.network[row]),),
        facts=SlotPriorityFaultyFacts(habit),
        evidence=(
            f"{ctx.universe_name(universe)}: per-address priority of {ctx.say_source(ctx.source_of(row))} {habit}.",
        ),
        cause=cause,
    )


def describe_stopped_priority(ctx: RuleContext, row: int) -> Finding:
    last_ns = int(ctx.streams.last_slot_priority_ns[row])
    finding = _priority_finding(ctx, row, f"stopped at {ctx.time_of_day(last_ns)}", "stopped")
    finding.since_ns = last_ns
    finding.evidence = (
        f"{ctx.say_source(ctx.source_of(row))}: last start code 0xDD at {ctx.time_of_day(last_ns)}; "
        f"receivers fall back to the packet's priority after {SLOT_PRIORITY_LOSS_S:g} s.",
    )
    return finding


def describe_short_priority(ctx: RuleContext, row: int) -> Finding:
    streams = ctx.streams
    given, sent = int(streams.slot_priority_slots[row]), int(streams.slots[row])
    return _priority_finding(ctx, row, f"covers only {given} of {sent} slots", "short")


def describe_reserved_values(ctx: RuleContext, row: int) -> Finding:
    slots = np.flatnonzero(_above(ctx, np.array([row]))[0]) + 1
    which = f"slot {slots[0]}" if len(slots) == 1 else f"{len(slots)} slots"
    habit = (
        f"gives {which} more than {MAX_PRIORITY}, the highest there is: what a receiver makes of that is not defined"
    )
    return _priority_finding(ctx, row, habit, "above")


def describe_ignored_levels(ctx: RuleContext, row: int) -> Finding:
    return _priority_finding(ctx, row, "gives 0 to every slot, and receivers that know it ignore its levels", "zero")


def describe_mixed_priority(ctx: RuleContext, row: int) -> Finding:
    streams = ctx.streams
    rows = [stream for stream in ctx.streams_of(row).tolist() if streams.live[stream]]
    with_it = [stream for stream in rows if ctx.now_ns - streams.last_slot_priority_ns[stream] <= SLOT_PRIORITY_LOSS_NS]
    without = [stream for stream in rows if stream not in with_it]
    names = [wording.list_names(ctx.say_source(ctx.source_of(s)) for s in some) for some in (with_it, without)]
    return Finding(
        group=f"mixed:{names[0]}:{names[1]}",
        since_ns=0,
        universes=(row,),
        streams=tuple(rows),
        networks=(int(ctx.universes.network[row]),),
        facts=SlotPriorityFaultyFacts(f"comes from {names[0]} and not from {names[1]}"),
        evidence=(f"{ctx.universe_name(row)}: 0xDD from {names[0]}; none from {names[1]}.",),
        cause="mixed",
    )


def is_one_late(ctx: RuleContext) -> bool:
    """Whether per-address priority is overdue somewhere: at rest it comes once a second."""
    if not _ever_gave(ctx):
        return False
    streams = ctx.streams
    silent_ns = ctx.now_ns - streams.last_slot_priority_ns
    late: Mask = ctx.live & (streams.last_slot_priority_ns > 0)
    return bool((late & (silent_ns > LATE_NS) & (silent_ns <= SLOT_PRIORITY_LOSS_NS)).any())


def bind(setup: RuleSetup, p: SlotPriorityFaultyParameters) -> tuple[RuleBinding, ...]:
    return (
        RuleBinding(
            STREAMS,
            partial(has_stopped_priority, p=p),
            describe_stopped_priority,
            subject=_ever_gave,
            is_wary=is_one_late,
        ),
        RuleBinding(STREAMS, has_short_priority, describe_short_priority, subject=_ever_gave, on_delay_s=p.short_s),
        RuleBinding(STREAMS, has_reserved_values, describe_reserved_values, subject=_ever_gave, on_delay_s=p.above_s),
        RuleBinding(STREAMS, has_ignored_levels, describe_ignored_levels, subject=_ever_gave, on_delay_s=p.zero_s),
        RuleBinding(
            UNIVERSES,
            partial(has_mixed_priority, p=p),
            describe_mixed_priority,
            subject=_ever_gave,
            on_delay_s=p.mixed_s,
        ),
    )


RULE = Rule(
    name="slot-priority-faulty",
    rule_class=RuleClass.CONTROL,
    severity=Severity.WARNING,
    short=ShortWords("{place} priority faulty", "{n} priorities faulty", look="Look at the priority setting"),
    sentence="{universes}: per-address priority {habit}; who wins a slot may change.",
    judged_by=judged_by(SlotPriorityFaultyParameters(), bind),
    facts=SlotPriorityFaultyFacts,
    effects=frozenset({Effect.STREAM_TROUBLE}),
    measured=(
        Threshold(
            "loss_s", SLOT_PRIORITY_LOSS_S, "silence of per-address priority that counts", "ANSI E1.31-2018 6.7.1"
        ),
    ),
    source="start code 0xDD, a registered extension to ANSI E1.31; common practice",
    faults=("F43", "F44"),
    next_checks=(
        "Look at the source's per-address priority setting on this universe.",
        "Look at the list of winners slot by slot on the universe's page.",
    ),
)
