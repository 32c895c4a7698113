"""This computer cannot open the port of a declared DMX512 line."""

from __future__ import annotations

from dataclasses import dataclass

from slotwatch.judge.binding import KEYS, Finding, RuleBinding, RuleSetup
from slotwatch.judge.context import RuleContext
from slotwatch.judge.lines import line_name, line_rows
from slotwatch.judge.parameters import Facts, RuleParameters, number
from slotwatch.judge.rule import Rule, RuleClass, ShortWords, judged_by
from slotwatch.snapshot import Severity


@dataclass(frozen=True, slots=True)
class LinePortMissingParameters(RuleParameters):
    on_delay_s: float = number(3.0, "time that it cannot be opened before the incident opens")


@dataclass(frozen=True, slots=True)
class LinePortMissingFacts(Facts):
    line: str
    reason: str


def missing_ports(ctx: RuleContext) -> dict[int, None]:
    return {number: None for number, line in ctx.listener.lines.items() if line.is_missing}


def describe_missing(ctx: RuleContext, number: int) -> Finding:
    line = ctx.listener.lines[number]
    return Finding(
        group=f"line:{number}",
        since_ns=0,
        universes=line_rows(ctx, number),
        facts=LinePortMissingFacts(line_name(ctx, number), f"{line.seen.trouble}."),
        evidence=(f"{line.seen.trouble}.",),
    )


def bind(setup: RuleSetup, p: LinePortMissingParameters) -> tuple[RuleBinding, ...]:
    if not setup.declares("lines"):
        return ()
    return (RuleBinding(KEYS, missing_ports, describe_missing),)


RULE = Rule(
    name="line-port-missing",
    rule_class=RuleClass.SELF,
    severity=Severity.WARNING,
    short=ShortWords("line port missing", "{n} line ports missing", look="Look at the adapter's plug"),
    sentence="This computer cannot listen to {line}: {reason}",
    judged_by=judged_by(LinePortMissingParameters(), bind),
    facts=LinePortMissingFacts,
    faults=("F102",),
    next_checks=("Check whether the adapter is plugged in and its name is the one in the house file.",),
)
