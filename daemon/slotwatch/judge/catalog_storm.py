"""Rows of the rule table: too much of something, or what no protocol accepts."""

from __future__ import annotations

from slotwatch.judge.rule import COMMON_PRACTICE, Rule, RuleClass, Threshold
from slotwatch.snapshot import Severity

RULES = (
    Rule(
        name="malformed-packets",
        rule_class=RuleClass.STORM,
        severity=Severity.WARNING,
        sentence="{address} sends packets that no protocol accepts: {count} in 10 s ({reasons}).",
        on_delay_s=0.0,
        thresholds=(Threshold("packets", 10, "packets in 10 s from one address", COMMON_PRACTICE),),
        source="ANSI E1.31-2018 5 to 7 (what must be discarded)",
        faults=("F54", "F57"),
        next_checks=(
            "Look which machine has this address, and which program on it uses the show's port.",
            "Look at that sender's version.",
        ),
    ),
    Rule(
        name="too-many-sources",
        rule_class=RuleClass.STORM,
        severity=Severity.WARNING,
        sentence="More sources than can be kept: {count} packets counted and not judged ({table}).",
        on_delay_s=0.0,
        off_delay_s=60.0,
        thresholds=(
            Threshold("per_universe", 64, "sources of one universe that are kept", COMMON_PRACTICE),
            Threshold("in_all", 4096, "sources in all that are kept", COMMON_PRACTICE),
        ),
        next_checks=("Look for a program that invents senders: a load test, or a scan of the show network.",),
    ),
    Rule(
        name="repeated-packets",
        rule_class=RuleClass.STORM,
        severity=Severity.WARNING,
        sentence="{percent} % of {universes}{sender} arrives twice or more within 10 ms. {verdict}",
        on_delay_s=0.0,
        thresholds=(
            Threshold("copies_ratio", 0.2, "share of a stream's packets in 5 s that are copies", COMMON_PRACTICE),
            Threshold("copies", 5, "fewest copies that count", COMMON_PRACTICE),
        ),
        faults=("F25", "F111"),
        next_checks=(
            "Look for two leads between the same two switches, or a stage box patched twice.",
            "If this port is a mirror: look whether it copies both directions.",
        ),
        next_checks_quiet=("Take out the lead that was added last.",),
    ),
)
