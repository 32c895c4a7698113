"""A source came back under another identity or address."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

import numpy as np

from slotwatch.durations import ns_from_s
from slotwatch.judge.binding import STREAMS, Finding, Mask, RuleBinding, RuleSetup
from slotwatch.judge.context import RuleContext
from slotwatch.judge.homes import is_as_before, righted_sources
from slotwatch.judge.parameters import Facts, RuleParameters, number
from slotwatch.judge.rule import Rule, RuleClass, ShortWords, judged_by
from slotwatch.judge.subjects import is_any_live
from slotwatch.judge.succession import BOTH_SENT_S, MOST_LOOKED_AT, changes, moved, predecessor, prove_changes
from slotwatch.judge.visitors import Visitors
from slotwatch.snapshot import Confidence, Severity


@dataclass(frozen=True, slots=True)
class IdentityChangedParameters(RuleParameters):
    on_delay_s: float = number(1.0, "time that it sends before the incident opens")
    shown_s: float = number(60.0, "time after its first frame for which it counts as just come back")
    overlap_s: float = number(BOTH_SENT_S, "longest time that it and the one it took over from may both have sent")
    start_s: float = number(5.0, "time after the start within which no source counts as come back")


@dataclass(frozen=True, slots=True)
class IdentityChangedFacts(Facts):
    change: str


def has_changed(ctx: RuleContext, p: IdentityChangedParameters) -> Mask:
    """Streams of a source that came back under another identity or address, for a minute."""
    streams = ctx.streams
    # Only where somebody fell silent can anybody have come back: a whole house that has just appeared costs nothing.
    if not ctx.live_count or not np.count_nonzero(ctx.beside_a_dead_one):
        return np.zeros(streams.count, np.bool_)
    changed = ctx.live & (ctx.now_ns - streams.first_frame_ns < ns_from_s(p.shown_s))
    changed &= ctx.now_ns - ctx.started_ns > ns_from_s(p.start_s)
    changed &= ctx.beside_a_dead_one
    young = np.flatnonzero(changed)[:MOST_LOOKED_AT].tolist()
    changed[:] = False
    visitors = Visitors(ctx)
    for row in young:
        before = earlier_one(ctx, row, p)
        # Somebody who is invented takes nobody's place, and nobody takes his.
        changed[row] = before >= 0 and not ctx.crowd.has_any(ctx, (before, row)) and visitors.visit(row) is None
        changed[row] = changed[row] and not _went_back(ctx, row, before)
    return changed


def _went_back(ctx: RuleContext, row: int, before: int) -> bool:
    """Whether a source of one identity has again the address, and the network, that it had before a restart, or moved
    with two networks that are right again."""
    source = ctx.source_of(row)
    if ctx.sources[source].source_id != ctx.sources[ctx.source_of(before)].source_id:
        return False
    return is_as_before(ctx, source) or source in ctx.once(righted_sources)


def earlier_one(ctx: RuleContext, row: int, p: IdentityChangedParameters) -> int:
    """Find the stream that this one came in place of; -1 if none. What goes back to what it was is nothing new."""
    first_ns = ctx.streams.first_frame_ns
    before = predecessor(ctx, row, p.overlap_s)
    return before if before >= 0 and first_ns[before] <= first_ns[row] else moved_from(ctx, row)


def moved_from(ctx: RuleContext, row: int) -> int:
    """Find the silent stream of the same CID from another address; -1 if none."""
    others = map(int, ctx.streams_of(ctx.universe_of(row)))
    return next((other for other in others if moved(ctx, row, other)), -1)


def describe_changed(ctx: RuleContext, row: int, p: IdentityChangedParameters) -> Finding:
    other = earlier_one(ctx, row, p)
    said = changes(ctx, row, other) if other >= 0 else []
    return Finding(
        group=f"source:{ctx.source_name(ctx.source_of(row))}",
        since_ns=int(ctx.streams.first_frame_ns[row]),
        universes=(ctx.universe_of(row),),
        streams=(row,),
        networks=(int(ctx.streams.network[row]),),
        facts=IdentityChangedFacts(" and ".join(said) or "changed"),
        evidence=tuple(prove_changes(ctx, row, other)) if other >= 0 else (),
        confidence=Confidence.HIGH,
    )


def bind(setup: RuleSetup, p: IdentityChangedParameters) -> tuple[RuleBinding, ...]:
    changed, describe = partial(has_changed, p=p), partial(describe_changed, p=p)
    return (RuleBinding(STREAMS, changed, describe, subject=is_any_live, refresh_s=None),)


RULE = Rule(
    name="identity-changed",
    rule_class=RuleClass.CONTROL,
    severity=Severity.NOTE,
    short=ShortWords("{source} changed", "{n} sources changed", on_its_screen=True),
    sentence="{sources} came back {change}.",
    judged_by=judged_by(IdentityChangedParameters(), bind),
    facts=IdentityChangedFacts,
    faults=("F14", "F42"),
    may_exceed_note=False,
    next_checks=("Look at the source's network page: address, and whether it restarted.",),
)
