"""A main source is silent on a universe that another keeps alive."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from slotwatch.durations import ns_from_s
from slotwatch.judge import wording
from slotwatch.judge.binding import KEYS, TICK_NS, Finding, RuleBinding, RuleSetup
from slotwatch.judge.context import RuleContext
from slotwatch.judge.discards import say_discards
from slotwatch.judge.explain import SOURCE, STREAM, UNIVERSE, Effect, Explains, Reach
from slotwatch.judge.homes import namesakes
from slotwatch.judge.likeness import LEAD_WORKS
from slotwatch.judge.parameters import Facts, RuleParameters, number
from slotwatch.judge.roster import Absent, Roster, dead_with, describe_absent
from slotwatch.judge.rule import CLEAR_FIRST, Rule, RuleClass, ShortWords, judged_by
from slotwatch.judge.silences import LOSS_TIMEOUTS
from slotwatch.judge.subjects import declares_sources
from slotwatch.judge.succession import COMES_BACK, IDENTITY_CHANGED, ITS_RETURN
from slotwatch.snapshot import Severity


@dataclass(frozen=True, slots=True)
class SourceAbsentParameters(RuleParameters):
    start_s: float = number(10.0, "time allowed at the start before everything declared must be heard")


@dataclass(frozen=True, slots=True)
class SourceAbsentFacts(Facts):
    kept_by: str


def describe_absent_main(ctx: RuleContext, key: Absent) -> Finding:
    finding = describe_absent(ctx, key)
    universe = finding.universes[0]
    dead = dead_with(ctx, finding)
    kept_by = f"Nobody else sends {ctx.name_universes(dead or list(finding.universes))}"
    if keeper := _keeper(ctx, universe):
        kept_by = f"{ctx.say_legs(keeper)} carries on"
        if ctx.house.sources and ctx.declared_source(keeper[0]) is None:
            kept_by = f"Undeclared {ctx.say_legs(keeper)} sends there now"
        if _is_dark_somewhere(ctx, universe):
            # What the other network lost is a separate incident; what matters here is where the show continues.
            networks = sorted({ctx.network_name(ctx.sources[leg].network) for leg in keeper})
            kept_by += f", on network {wording.list_names(networks)} alone"
        elif discards := say_discards(ctx, _kept_streams(ctx, keeper, finding)):
            kept_by += discards
        elif due := [row for row in dead if ctx.universes.expected[row]]:
            kept_by += f", but nobody sends {ctx.name_universes(due)}"
    finding.facts = SourceAbsentFacts(kept_by)
    return finding


def _keeper(ctx: RuleContext, universe: int) -> list[int]:
    """Rows of the source that sends this universe, with its legs that send it to other networks; empty if none does.

    First those that send it on this network, then declared ones: an undeclared source does not carry the show.
    """
    table, streams = ctx.universes, ctx.streams
    same = (streams.protocol == table.protocol[universe]) & (streams.number == table.number[universe])
    rows = np.flatnonzero(ctx.live & same).tolist()
    here = {ctx.source_of(row) for row in rows if ctx.universe_of(row) == universe}
    whole = ctx.by_source(ctx.source_of(row) for row in rows)
    whole.sort(key=lambda legs: (here.isdisjoint(legs), ctx.declared_source(legs[0]) is None))
    return whole[0] if whole else []


def _kept_streams(ctx: RuleContext, keeper: list[int], finding: Finding) -> list[int]:
    """Live streams of a keeper on the universes on which the absent source is silent."""
    away = set(finding.universes)
    if finding.streams:
        every = ctx.streams_from(ctx.source_of(finding.streams[0]))
        away.update(ctx.streams.universe[every[~ctx.live[every]]].tolist())
    rows = [row for universe in sorted(away) for row in ctx.streams_of(universe).tolist()]
    return [row for row in rows if ctx.live[row] and ctx.source_of(row) in keeper]


def _is_dark_somewhere(ctx: RuleContext, universe: int) -> bool:
    """Whether the universe of this number is silent on one of the networks on which the house has it."""
    table = ctx.universes
    others = namesakes(ctx, universe) & (table.declared >= 0)
    return bool(table.live[universe] == 0 or (others & (table.live == 0)).any())


def bind(setup: RuleSetup, p: SourceAbsentParameters) -> tuple[RuleBinding, ...]:
    roster, start_ns = setup.shared(Roster), ns_from_s(p.start_s)

    def absent(ctx: RuleContext) -> dict[Absent, None]:
        return roster.absent(ctx, backups=False, start_ns=start_ns)

    # The source that carries on may fall silent too.
    return (RuleBinding(KEYS, absent, describe_absent_main, TICK_NS, declares_sources, pass_over=roster.pass_over),)


RULE = Rule(
    name="source-absent",
    rule_class=RuleClass.LOSS,
    severity=Severity.WARNING,
    short=ShortWords("{source} silent", "{n} sources silent", audience=4, on_its_screen=True),
    sentence="{sources} silent on {universes} since {since}. {verdict} {kept_by}.",
    judged_by=judged_by(SourceAbsentParameters(), bind),
    facts=SourceAbsentFacts,
    effects=frozenset({Effect.ABSENCE, Effect.SILENCE}),
    explains=Explains(
        110,
        # It explains that another source carries on, and no fault of that source's own frames.
        Reach(STREAM, effects=frozenset({Effect.STREAM_TROUBLE})),
        Reach(
            UNIVERSE,
            rules=frozenset(
                {"backup-in-control", "backup-differs", "skewed-universes", "unlike-usual", "winners-differ"}
            ),
        ),
        # While its other universes continue, a fault of those is another one.
        Reach(
            SOURCE,
            effects=frozenset({Effect.STREAM_TROUBLE}),
            rules=frozenset({"backup-absent"}),
            causes=frozenset({"multicast-lost", "network-lost", "source-lost", "stream-terminated", IDENTITY_CHANGED}),
        ),
        ITS_RETURN,
        begins_at_a_moment=True,
    ),
    measured=(*LOSS_TIMEOUTS, *COMES_BACK),
    source="ANSI E1.31-2018 6.7.1",
    faults=("F02",),
    next_checks=(
        "Look at the screen of the silent source and at its link lamp.",
        "Check on the backup's screen whether it knows that it is in control.",
    ),
    next_checks_quiet=(f"{CLEAR_FIRST} Reseat the source's network lead, then try another switch port.",),
    touch_nothing_for=LEAD_WORKS,
)
