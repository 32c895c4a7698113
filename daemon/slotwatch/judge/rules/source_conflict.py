"""Sources fight over a universe: slots that both win get different levels."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from slotwatch.durations import ns_from_s
from slotwatch.judge import wording
from slotwatch.judge.binding import UNIVERSES, Finding, Mask, RuleBinding, RuleSetup
from slotwatch.judge.context import RuleContext
from slotwatch.judge.explain import SOURCE, STREAM, UNIVERSE, Effect, Explains, Reach
from slotwatch.judge.parameters import Facts, RuleParameters, number
from slotwatch.judge.rivals import LAG, Rivals
from slotwatch.judge.rule import CLEAR_FIRST, Rule, RuleClass, ShortWords, judged_by
from slotwatch.judge.subjects import is_any_shared
from slotwatch.judge.takeovers import SEVERAL
from slotwatch.snapshot import Severity
from slotwatch.wire.universe import Protocol


@dataclass(frozen=True, slots=True)
class SourceConflictParameters(RuleParameters):
    on_delay_s: float = number(5.0, "overlap that is too long for a hand-over")
    moving_s: float = number(2.0, "time since its newest change for which a source's levels count as moving")


@dataclass(frozen=True, slots=True)
class SourceConflictFacts(Facts):
    fight: str
    priority: str
    slots: str


class Conflicts:
    """Streams that are out of step in slots that both win."""

    def __init__(self, rivals: Rivals, p: SourceConflictParameters) -> None:
        self._rivals = rivals
        self._moving_ns = ns_from_s(p.moving_s)

    def is_contested(self, ctx: RuleContext) -> Mask:
        pairs = self._rivals.compare(ctx)
        contested = np.zeros(ctx.universes.count, np.bool_)
        if len(pairs.rival):
            contested[pairs.universe[pairs.contested > 0]] = True
            for row in np.flatnonzero(contested).tolist():
                declared = ctx.declared_universe(row)
                contested[row] = not (declared and declared.shared)
        return contested

    def describe_conflict(self, ctx: RuleContext, row: int) -> Finding:
        pairs = self._rivals.compare(ctx)
        here = np.flatnonzero((pairs.universe == row) & (pairs.contested > 0))
        streams = ctx.streams
        rows = sorted({*pairs.reference[here].tolist(), *pairs.rival[here].tolist()})
        if not rows:
            rows = [stream for stream in ctx.streams_of(row).tolist() if streams.live[stream]]
        slots = int(pairs.contested[here].max()) if len(here) else 0
        artnet = ctx.universes.protocol[row] == Protocol.ARTNET
        fight = "fight"
        several = "from two addresses" if len(rows) == 2 else "from several addresses"
        priority = several if artnet else f"at priority {int(streams.priority[rows[0]])}" if rows else ""
        addresses = {ctx.sources[ctx.source_of(stream)].address for stream in rows}
        if artnet and len(addresses) == 1:
            fight, priority = "fights with itself", f"from {len(rows)} physical ports"
        evidence = [
            f"{ctx.say_source(ctx.source_of(stream))} on {ctx.universe_name(row)}: "
            + (self._port(ctx, stream, addresses) if artnet else f"priority {int(streams.priority[stream])}, ")
            + f"since {ctx.time_of_day(int(streams.since_ns[stream]))}, {self._manner(ctx, stream)}."
            for stream in rows
        ]
        if len(rows) > 2:
            evidence.append(f"{len(rows)} sources at one priority: many receivers merge two and ignore the rest.")
        names = sorted(ctx.source_name(ctx.source_of(stream)) for stream in rows)
        # Who is invented changes from one universe to the next: it is one fight.
        is_crowd = ctx.crowd.has_any(ctx, rows)
        return Finding(
            group="sources of a crowd" if is_crowd else "sources:" + ",".join(names),
            since_ns=0,
            universes=(row,),
            streams=tuple(rows),
            networks=(int(ctx.universes.network[row]),),
            facts=SourceConflictFacts(
                fight, priority, f"{wording.count(slots, 'slot')} {'gets' if slots == 1 else 'get'}"
            ),
            evidence=tuple(evidence),
            cause="more-than-two" if len(rows) > 2 or is_crowd else "two-sources",
            weight=float(slots),
            controlled_by=SEVERAL,
            next_checks=_checks_of_declared(ctx, rows),
        )

    def is_comparing(self, ctx: RuleContext) -> bool:
        """Whether streams share a universe: what each showed a moment ago is remembered pass by pass."""
        return self._rivals.is_comparing

    @staticmethod
    def _port(ctx: RuleContext, stream: int, addresses: set[str]) -> str:
        """Its physical port, where that distinguishes it: Art-Net has no other name for a source of one address."""
        source_id = ctx.sources[ctx.source_of(stream)].source_id
        return f"physical port {source_id[-1]}, " if len(addresses) == 1 else ""

    def _manner(self, ctx: RuleContext, stream: int) -> str:
        idle_ns = ctx.now_ns - int(ctx.streams.last_change_ns[stream])
        return "its levels move" if idle_ns < self._moving_ns else f"unchanged for {wording.seconds(idle_ns)}"


def _checks_of_declared(ctx: RuleContext, streams: list[int]) -> tuple[str, ...]:
    """What to look at where the house file declares all of them: there is no stranger to look for."""
    sources = sorted(ctx.sources_of(streams))
    if not all(ctx.declared_source(source) for source in sources):
        return ()
    screens = wording.list_names(ctx.say_sources(sources))
    return (
        f"Look at the screens of {screens}: which of them is to be in control now?",
        "Look at the written priority plan.",
    )


def bind(setup: RuleSetup, p: SourceConflictParameters) -> tuple[RuleBinding, ...]:
    conflicts = Conflicts(setup.lasting(Rivals), p)
    return (
        RuleBinding(
            UNIVERSES,
            conflicts.is_contested,
            conflicts.describe_conflict,
            subject=is_any_shared,
            is_wary=conflicts.is_comparing,
            remembers=conflicts.is_comparing,
        ),
    )


RULE = Rule(
    name="source-conflict",
    rule_class=RuleClass.CONTROL,
    severity=Severity.CRITICAL,
    short=ShortWords("{place} contested", "{n} universes contested", look="Find out who the sources are", audience=5),
    sentence="{sources} {fight} over {universes} {priority}: {slots} different levels.",
    judged_by=judged_by(SourceConflictParameters(), bind),
    facts=SourceConflictFacts,
    effects=frozenset({Effect.RIVALRY}),
    explains=Explains(
        150,
        Reach(UNIVERSE, rules=frozenset({"level-stuck"})),
        # A stranger that only repeats what another sends takes no part in it.
        Reach(STREAM, rules=frozenset({"unexpected-source"})),
        Reach(SOURCE, rules=frozenset({"backup-differs"})),
    ),
    may_be_quiet=False,
    measured=LAG,
    source="ANSI E1.31-2018 6.2.3 (equal priority: receivers merge as they please)",
    faults=("F36", "F37"),
    next_checks=(
        "Find out who each of them is: names and addresses are in the evidence.",
        "Look for a second desk, a house-light panel or a laptop with a test program left running.",
        "Look at the written priority plan.",
    ),
    next_checks_quiet=(f"{CLEAR_FIRST} Take one of them off the universe, or give them different priorities.",),
)
