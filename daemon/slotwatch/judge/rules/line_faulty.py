"""A DMX512 line brings bytes with framing faults, or bytes without the breaks that begin a frame."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

from slotwatch.judge import wording
from slotwatch.judge.binding import KEYS, Finding, RuleBinding, RuleSetup
from slotwatch.judge.context import RuleContext
from slotwatch.judge.lines import (
    CHECKS_OF_A_DISTURBED_LINE,
    CHECKS_OF_AN_UNREADABLE_LINE,
    CHECKS_WITHOUT_BREAKS,
    line_group,
    line_name,
    line_rows,
)
from slotwatch.judge.parameters import Facts, RuleParameters, Threshold, number
from slotwatch.judge.rule import CLEAR_FIRST, COMPETENT, Rule, RuleClass, ShortWords, judged_by
from slotwatch.judge.tapped_line import MOST_FAULTS, WINDOW_S
from slotwatch.snapshot import Confidence, Severity

NO_BREAKS = "no-breaks"
"""The cause of bytes that no break precedes."""
UNREADABLE = "unreadable"
"""The cause of bytes of which few are whole."""


@dataclass(frozen=True, slots=True)
class LineFaultyParameters(RuleParameters):
    on_delay_s: float = number(1.0, "time with too many faults before the incident opens")
    most_faults: int = number(MOST_FAULTS, "bytes with framing faults in the window that are still accepted")
    unreadable_ratio: float = number(0.8, "share of bytes with framing faults from which a line counts as unreadable")


@dataclass(frozen=True, slots=True)
class LineFaultyFacts(Facts):
    line: str
    fault: str


def faulty_lines(ctx: RuleContext, p: LineFaultyParameters) -> dict[int, None]:
    return {number: None for number, line in ctx.listener.lines.items() if line.faults_10s > p.most_faults}


def describe_faulty(ctx: RuleContext, number: int, p: LineFaultyParameters) -> Finding:
    line, name = ctx.listener.lines[number], line_name(ctx, number)
    found = partial(Finding, group=line_group(ctx, number), since_ns=0, universes=line_rows(ctx, number))
    if line.misframed_ratio_10s >= p.unreadable_ratio:
        return found(
            facts=LineFaultyFacts(name, "cannot be read: most bytes had a framing fault"),
            evidence=("A bad lead or a missing terminator spoils some bytes. Here few are whole.",),
            cause=UNREADABLE,
            confidence=Confidence.MEDIUM,
            also_possible=("what drives the line does not send DMX512", "the adapter here cannot receive DMX512"),
            next_checks=CHECKS_OF_AN_UNREADABLE_LINE,
        )
    if not line.breaks_10s:
        return found(
            facts=LineFaultyFacts(name, "brought bytes and no break"),
            evidence=("Each frame of DMX512 begins with a break: without one no levels can be read.",),
            cause=NO_BREAKS,
            confidence=Confidence.HIGH,
            also_possible=("the adapter here does not show breaks", "the two wires of the tap are exchanged"),
            next_checks=CHECKS_WITHOUT_BREAKS,
        )
    faults = wording.count(line.faults_10s, "byte")
    return found(
        facts=LineFaultyFacts(name, f"brought {faults} with framing faults"),
        evidence=(f"{line.seen.faults} faulty bytes in {line.seen.breaks} frames since the port was opened.",),
    )


def bind(setup: RuleSetup, p: LineFaultyParameters) -> tuple[RuleBinding, ...]:
    if not setup.declares("lines"):
        return ()
    return (RuleBinding(KEYS, partial(faulty_lines, p=p), partial(describe_faulty, p=p), blind_window_s=WINDOW_S),)


RULE = Rule(
    name="line-faulty",
    rule_class=RuleClass.FLOW,
    severity=Severity.WARNING,
    short=ShortWords("line faulty", "{n} lines faulty", look="Look at the line and its tap"),
    sentence="{line} {fault} in {window_s:g} s.",
    judged_by=judged_by(LineFaultyParameters(), bind),
    facts=LineFaultyFacts,
    measured=(Threshold("window_s", WINDOW_S, "time in which faults are counted"),),
    faults=("F92", "F93", "F94", "F95", "F99", "F100"),
    next_checks=CHECKS_OF_A_DISTURBED_LINE,
    next_checks_quiet=(
        f"{CLEAR_FIRST} Swap the leads one by one, the nearest to the tap first.",
        f"Have a damp connector repaired {COMPETENT}; let hot fixtures cool first.",
    ),
)
