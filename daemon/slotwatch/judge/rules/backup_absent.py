"""A backup fell silent, or should be sending and never came."""

from __future__ import annotations

from dataclasses import dataclass

from slotwatch.durations import ns_from_s
from slotwatch.judge import wording
from slotwatch.judge.binding import KEYS, TICK_NS, Finding, RuleBinding, RuleSetup
from slotwatch.judge.context import RuleContext
from slotwatch.judge.explain import STREAM, Effect, Explains, Reach
from slotwatch.judge.legs import say_networks
from slotwatch.judge.parameters import Facts, RuleParameters, number
from slotwatch.judge.roster import Absent, Roster, dead_with, describe_absent
from slotwatch.judge.rule import CLEAR_FIRST, Rule, RuleClass, ShortWords, judged_by
from slotwatch.judge.silences import LOSS_TIMEOUTS
from slotwatch.judge.subjects import declares_sources
from slotwatch.judge.succession import COMES_BACK, ITS_RETURN
from slotwatch.snapshot import Severity

_IF_IT_FAILS = "if the main source fails."


@dataclass(frozen=True, slots=True)
class BackupAbsentParameters(RuleParameters):
    start_s: float = number(10.0, "time allowed at the start before everything declared must be heard")


@dataclass(frozen=True, slots=True)
class BackupAbsentFacts(Facts):
    absence: str
    left: str


def describe_absent_backup(ctx: RuleContext, key: Absent) -> Finding:
    finding = describe_absent(ctx, key)
    since = ctx.time_of_day(finding.since_ns)
    absence = "never came" if key[0] == "never" else f"has been silent since {since}"
    left, finding.weight = _who_is_left(ctx, finding.universes[0], _where_alone(ctx, finding))
    if dead := dead_with(ctx, finding):
        # The main source has failed too.
        left, finding.weight = f"Nobody else sends {ctx.name_universes(dead)} now.", finding.weight + 1
    finding.facts = BackupAbsentFacts(absence, left)
    return finding


def _where_alone(ctx: RuleContext, finding: Finding) -> str:
    """Say on which networks a backup is absent that is still heard on another one; empty where it is heard on none."""
    legs = {leg for source in ctx.sources_of(finding.streams) for leg in ctx.other_legs(source)}
    if not any(ctx.live[ctx.streams_from(leg)].any() for leg in legs):
        return ""
    return f" on {say_networks(ctx, sorted(finding.networks))}"


def _who_is_left(ctx: RuleContext, universe: int, where: str) -> tuple[str, float]:
    """Who is there to take over a universe beside the source in control; the fewer, the greater the weight."""
    winner = int(ctx.universes.winner[universe])
    rows = [row for row in ctx.streams_of(universe).tolist() if ctx.live[row] and row != winner]
    beside = {source: ctx.declared_source(source) for source in sorted(ctx.sources_of(rows))}
    backups = sorted({declared.name for declared in beside.values() if declared and declared.role == "backup"})
    if backups:
        there = f"{wording.list_names(backups)} {'is' if len(backups) == 1 else 'are'} still there to take over"
        return f"{there} {_IF_IT_FAILS}", 0.0
    nobody, weight = ("No declared source", 1.0) if beside else ("Nothing", 2.0)
    return f"{nobody} takes over{where} {_IF_IT_FAILS}", weight


def bind(setup: RuleSetup, p: BackupAbsentParameters) -> tuple[RuleBinding, ...]:
    roster, start_ns = setup.shared(Roster), ns_from_s(p.start_s)

    def absent(ctx: RuleContext) -> dict[Absent, None]:
        return roster.absent(ctx, backups=True, start_ns=start_ns)

    return (RuleBinding(KEYS, absent, describe_absent_backup, TICK_NS, declares_sources, pass_over=roster.pass_over),)


RULE = Rule(
    name="backup-absent",
    rule_class=RuleClass.LOSS,
    severity=Severity.WARNING,
    short=ShortWords("backup silent", "{n} backups silent", on_its_screen=True),
    sentence="Backup {sources} {absence} on {universes}. {verdict} {left}",
    judged_by=judged_by(BackupAbsentParameters(), bind),
    facts=BackupAbsentFacts,
    effects=frozenset({Effect.ABSENCE, Effect.SILENCE}),
    explains=Explains(
        120,
        Reach(STREAM, effects=frozenset({Effect.STREAM_TROUBLE})),
        ITS_RETURN,
        begins_at_a_moment=True,
    ),
    measured=(*LOSS_TIMEOUTS, *COMES_BACK),
    source="ANSI E1.31-2018 6.7.1",
    faults=("F07",),
    next_checks=(
        "Look at the backup's screen: is it running, following, and sending?",
        "Look at the backup's link lamp.",
    ),
    next_checks_quiet=(
        f"{CLEAR_FIRST} Connect the backup to the main source again; wait until both screens say that it follows.",
    ),
)
