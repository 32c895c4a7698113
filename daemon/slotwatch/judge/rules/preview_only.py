"""All that arrives of a universe is preview data."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

from slotwatch.durations import ns_from_s
from slotwatch.judge.binding import TICK_NS, UNIVERSES, Finding, Mask, RuleBinding, RuleSetup
from slotwatch.judge.context import RuleContext
from slotwatch.judge.explain import UNIVERSE, Effect, Explains, Reach
from slotwatch.judge.rule import Rule, RuleClass, RuleParameters, ShortWords, judged_by, number
from slotwatch.snapshot import Severity


@dataclass(frozen=True, slots=True)
class PreviewOnlyParameters(RuleParameters):
    on_delay_s: float = number(
        2.4, "time without a live frame: a moment before the loss that it explains is found", "ANSI E1.31-2018 6.7.1"
    )
    recent_s: float = number(2.5, "time for which a preview packet counts", "ANSI E1.31-2018 6.2.6, 6.7.1")


def is_preview_only(ctx: RuleContext, p: PreviewOnlyParameters) -> Mask:
    universes = ctx.universes
    recent = (universes.last_preview_ns > 0) & (ctx.now_ns - universes.last_preview_ns < ns_from_s(p.recent_s))
    silent = universes.last_preview_ns > universes.last_arrival_ns
    preview: Mask = universes.used & (universes.declared >= 0) & universes.expected & recent & silent
    return preview


def describe_preview_only(ctx: RuleContext, row: int, p: PreviewOnlyParameters) -> Finding:
    streams = ctx.streams
    rows = ctx.streams_of(row)
    rows = rows[ctx.now_ns - streams.last_preview_ns[rows] < ns_from_s(p.recent_s)]
    last_ns = int(ctx.universes.last_arrival_ns[row])
    live = f"The last live frame came at {ctx.time_of_day(last_ns)}." if last_ns else "No live frame ever came."
    return Finding(
        group="sources:" + ",".join(sorted({ctx.source_name(ctx.source_of(int(one))) for one in rows})),
        since_ns=last_ns,
        universes=(row,),
        streams=tuple(rows.tolist()),
        networks=(int(ctx.universes.network[row]),),
        evidence=(f"{ctx.universe_name(row)}: every packet has the preview bit set. {live}",),
    )


def bind(setup: RuleSetup, p: PreviewOnlyParameters) -> tuple[RuleBinding, ...]:
    return (RuleBinding(UNIVERSES, partial(is_preview_only, p=p), partial(describe_preview_only, p=p), TICK_NS),)


RULE = Rule(
    name="preview-only",
    rule_class=RuleClass.LOSS,
    severity=Severity.WARNING,
    short=ShortWords(
        "{place} preview only", "{n} universes preview only", look="Look at the source's output mode", audience=5
    ),
    sentence="{universes}: all that arrives{from_sender} is preview data, which receivers must not show.",
    judged_by=judged_by(PreviewOnlyParameters(), bind),
    effects=frozenset({Effect.SILENCE}),
    explains=Explains(
        80,
        Reach(UNIVERSE, effects=frozenset({Effect.SILENCE})),
    ),
    source="ANSI E1.31-2018 6.2.6",
    faults=("F45",),
    next_checks=(
        "Look at the source: is its output set to preview, blind or visualiser?",
        "Check whether another source should be live on this universe.",
    ),
)
