"""All that arrives of a universe is preview data."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

from slotwatch.durations import ns_from_s
from slotwatch.judge import wording
from slotwatch.judge.among import is_among
from slotwatch.judge.binding import KEYS, TICK_NS, Finding, RuleBinding, RuleSetup
from slotwatch.judge.context import RuleContext
from slotwatch.judge.explain import UNIVERSE, Effect, Explains, Reach
from slotwatch.judge.parameters import Facts, RuleParameters, number
from slotwatch.judge.rule import Rule, RuleClass, ShortWords, judged_by
from slotwatch.judge.without_levels import strays
from slotwatch.snapshot import Severity


@dataclass(frozen=True, slots=True)
class PreviewOnlyParameters(RuleParameters):
    on_delay_s: float = number(
        2.4,
        "time without a live frame; just under the loss timeout, so that it opens before the loss that it explains",
        "ANSI E1.31-2018 6.7.1",
    )
    recent_s: float = number(
        1.5,
        "time for which a preview packet counts: longer than any keep-alive",
        "ANSI E1.31-2018 6.6.2 (0.8 to 1 s); half as much again: common practice, no source",
    )


@dataclass(frozen=True, slots=True)
class PreviewOnlyFacts(Facts):
    others: str


PreviewOnly = tuple[int, int]
"""Universe row, and when its last live frame came, 0 for never: each live frame begins the wait again."""


def is_any_heard(ctx: RuleContext) -> bool:
    """Whether preview data ever came."""
    return bool(np.count_nonzero(ctx.universes.last_preview_ns))


def preview_only(ctx: RuleContext, p: PreviewOnlyParameters) -> dict[PreviewOnly, int | None]:
    """Universes whose newest packets are preview data of the source that sent them live, or that were never live."""
    universes = ctx.universes
    recent = (universes.last_preview_ns > 0) & (ctx.now_ns - universes.last_preview_ns < ns_from_s(p.recent_s))
    silent = universes.last_preview_ns > universes.last_arrival_ns
    found: dict[PreviewOnly, int | None] = {}
    for row in np.flatnonzero(universes.used & (universes.declared >= 0) & universes.expected & recent & silent):
        last_ns = int(universes.last_arrival_ns[row])
        # A visualiser's picture beside a desk that falls silent is not that desk's, nor is what comes in its name only.
        rows = _previews(ctx, int(row), p)
        own = ctx.streams.last_arrival_ns[rows] > 0
        if not last_ns or (own.any() and len(strays(ctx, rows[own])) < np.count_nonzero(own)):
            found[int(row), last_ns] = last_ns or None
    return found


def _previews(ctx: RuleContext, row: int, p: PreviewOnlyParameters) -> NDArray[np.integer]:
    rows = ctx.streams_of(row)
    return rows[ctx.now_ns - ctx.streams.last_preview_ns[rows] < ns_from_s(p.recent_s)]


def _silent(ctx: RuleContext, row: int, previews: NDArray[np.integer]) -> list[int]:
    """Declared sources that sent the universe live, send no preview data, and are silent."""
    streams, rows = ctx.streams, ctx.streams_of(row)
    gone = rows[~is_among(rows, previews) & (streams.last_arrival_ns[rows] > 0) & ~ctx.live[rows]]
    gone = gone[~ctx.announced[gone]]
    return [source for source in sorted(ctx.sources_of(gone.tolist())) if ctx.declared_source(source) is not None]


def _say_silent(ctx: RuleContext, sources: list[int]) -> str:
    if not sources:
        return ""
    names = ctx.say_sources(sources)
    return f" {wording.list_names(names)} {'is' if len(names) == 1 else 'are'} silent there too."


def _say_why_silent(ctx: RuleContext, source: int) -> str:
    """Say whether a silent source still sends anything else."""
    streams, rows = ctx.streams, ctx.streams_from(source)
    going = sorted(set(streams.universe[rows[ctx.live[rows]]].tolist()))
    if going:
        return f"{ctx.say_source(source)} still sends {ctx.name_universes(going)}."
    newest_ns = int(streams.last_packet_ns[rows].max())
    return f"Nothing of {ctx.say_source(source)} came after {ctx.time_of_day(newest_ns)}: power, crash or its lead."


def describe_preview_only(ctx: RuleContext, key: PreviewOnly, p: PreviewOnlyParameters) -> Finding:
    row, last_ns = key
    rows = _previews(ctx, row, p)
    silent = _silent(ctx, row, rows)
    live = f"The last live frame came at {ctx.time_of_day(last_ns)}." if last_ns else "No live frame ever came."
    return Finding(
        group="sources:" + ",".join(sorted({ctx.source_name(ctx.source_of(int(one))) for one in rows})),
        since_ns=last_ns,
        universes=(row,),
        streams=tuple(rows.tolist()),
        networks=(int(ctx.universes.network[row]),),
        facts=PreviewOnlyFacts(_say_silent(ctx, silent)),
        evidence=(
            f"{ctx.universe_name(row)}: every packet has the preview bit set. {live}",
            *(_say_why_silent(ctx, source) for source in silent),
        ),
    )


def bind(setup: RuleSetup, p: PreviewOnlyParameters) -> tuple[RuleBinding, ...]:
    return (
        RuleBinding(
            KEYS, partial(preview_only, p=p), partial(describe_preview_only, p=p), TICK_NS, is_any_heard, timed=True
        ),
    )


RULE = Rule(
    name="preview-only",
    rule_class=RuleClass.LOSS,
    severity=Severity.WARNING,
    short=ShortWords(
        "{place} preview only", "{n} universes preview only", look="Look at the source's output mode", audience=5
    ),
    sentence="{universes}: all that arrives{from_sender} is preview data, which receivers must not show.{others}",
    judged_by=judged_by(PreviewOnlyParameters(), bind),
    facts=PreviewOnlyFacts,
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
