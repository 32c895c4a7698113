"""A DMX512 line brings bytes with framing faults, or bytes without the breaks that begin a frame."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

from slotwatch.durations import NANOSECONDS
from slotwatch.judge import wording
from slotwatch.judge.binding import KEYS, Finding, RuleBinding, RuleSetup
from slotwatch.judge.context import RuleContext
from slotwatch.judge.lines import compared_row, line_name, line_row, line_rows
from slotwatch.judge.parameters import Facts, RuleParameters, Threshold, number
from slotwatch.judge.rule import CLEAR_FIRST, COMPETENT, Rule, RuleClass, ShortWords, judged_by
from slotwatch.judge.tapped_line import LINE_FAULTS_KEPT_NS
from slotwatch.snapshot import Confidence, Severity

NO_BREAKS = "no-breaks"
"""The cause of bytes that no break precedes."""
WINDOW_S = LINE_FAULTS_KEPT_NS / NANOSECONDS


@dataclass(frozen=True, slots=True)
class LineFaultyParameters(RuleParameters):
    on_delay_s: float = number(1.0, "time with too many faults before the incident opens")
    most_faults: int = number(10, "bytes with framing faults in the window that are still accepted")


@dataclass(frozen=True, slots=True)
class LineFaultyFacts(Facts):
    line: str
    fault: str


def faulty_lines(ctx: RuleContext, p: LineFaultyParameters) -> dict[int, None]:
    return {
        number: None
        for number, line in ctx.listener.lines.items()
        if line.faults_10s > p.most_faults and (line.breaks_10s or not _is_compared(ctx, number))
    }


def _is_compared(ctx: RuleContext, number: int) -> bool:
    """Whether `line-differs` tells of a line that brings no frame at all."""
    compared = [
        compared_row(ctx, line) for line in ctx.house.lines if line.number == number and line_row(ctx, line) is None
    ]
    return any(row is not None and ctx.universes.live[row] > 0 for row in compared)


def describe_faulty(ctx: RuleContext, number: int) -> Finding:
    line = ctx.listener.lines[number]
    if not line.breaks_10s:
        return Finding(
            group=f"line:{number}",
            since_ns=0,
            universes=line_rows(ctx, number),
            facts=LineFaultyFacts(line_name(ctx, number), "brings bytes without a break"),
            evidence=("Each frame of DMX512 begins with a break: without one no levels can be read.",),
            cause=NO_BREAKS,
            confidence=Confidence.HIGH,
            also_possible=("the adapter here does not show breaks", "the two wires of the tap are exchanged"),
            next_checks=(
                "Look at what drives this pair: is it an output that is set to DMX512?",
                "Try another adapter for the tap: some do not show breaks.",
            ),
        )
    faults = wording.count(line.faults_10s, "byte")
    return Finding(
        group=f"line:{number}",
        since_ns=0,
        universes=line_rows(ctx, number),
        facts=LineFaultyFacts(line_name(ctx, number), f"has electrical faults: {faults} with framing faults"),
        evidence=(f"{line.seen.faults} faulty bytes in {line.seen.breaks} frames since the port was opened.",),
    )


def bind(setup: RuleSetup, p: LineFaultyParameters) -> tuple[RuleBinding, ...]:
    if not setup.declares("lines"):
        return ()
    return (RuleBinding(KEYS, partial(faulty_lines, p=p), describe_faulty, blind_window_s=WINDOW_S),)


RULE = Rule(
    name="line-faulty",
    rule_class=RuleClass.FLOW,
    severity=Severity.WARNING,
    short=ShortWords("line faulty", "{n} lines faulty", look="Look for the line's terminator"),
    sentence="{line} {fault} in {window_s:g} s.",
    judged_by=judged_by(LineFaultyParameters(), bind),
    facts=LineFaultyFacts,
    measured=(Threshold("window_s", WINDOW_S, "time in which faults are counted"),),
    faults=("F92", "F93", "F94", "F95", "F99", "F100"),
    next_checks=(
        "Look for a terminator that is missing at the end, or one in the middle of the chain.",
        "Look for a passive split, an audio lead or a damp connector on this line. Touch no damp connector.",
        "Check whether two outputs are plugged onto one line.",
    ),
    next_checks_quiet=(
        f"{CLEAR_FIRST} Swap the leads one by one, the nearest to the tap first.",
        f"Have a damp connector repaired {COMPETENT}; let hot fixtures cool first.",
    ),
)
