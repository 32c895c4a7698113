"""Rows of the rule table: DMX512 lines that are listened to, and what should be on them."""

from __future__ import annotations

from slotwatch.judge.rule import COMMON_PRACTICE, Rule, RuleClass, Threshold
from slotwatch.snapshot import Severity

RULES = (
    Rule(
        name="line-differs",
        rule_class=RuleClass.LOSS,
        severity=Severity.CRITICAL,
        sentence="{line} does not carry what {universes} says: {fault}. The network is right, the line is not.",
        on_delay_s=2.0,
        thresholds=(
            Threshold("level", 3, "steps of a slot that count as different", COMMON_PRACTICE),
            Threshold("behind_s", 0.6, "how far behind the universe a line may run", COMMON_PRACTICE),
            Threshold("history_s", 2.5, "how far back a late line is still recognised", COMMON_PRACTICE),
        ),
        faults=("F91", "F99"),
        next_checks=(
            "Look at the gateway's page or display: which universe is this port set to, and is it an output?",
            "Look at the lamp of that gateway port, and whether fixtures on another port of it are right.",
        ),
        next_checks_quiet=("Tap the line at the gateway itself, then halve the chain until it is right.",),
    ),
    Rule(
        name="line-faulty",
        rule_class=RuleClass.FLOW,
        severity=Severity.WARNING,
        sentence="{line} is electrically troubled: {faults} octets with framing faults in 10 s.",
        on_delay_s=1.0,
        thresholds=(Threshold("faults", 10, "octets with framing faults in 10 s", COMMON_PRACTICE),),
        faults=("F92", "F93", "F94", "F95", "F99", "F100"),
        next_checks=(
            "Look for a terminator that is missing at the end, or one in the middle of the chain.",
            "Look for a passive split, an audio lead or a damp connector on this line.",
            "Look whether two outputs are plugged onto one line.",
        ),
        next_checks_quiet=("Swap the leads one by one, the nearest to the tap first.",),
    ),
    Rule(
        name="line-port-missing",
        rule_class=RuleClass.SELF,
        severity=Severity.WARNING,
        sentence="This computer cannot listen to {line}: {reason}",
        on_delay_s=3.0,
        faults=("F102",),
        next_checks=("Look whether the adapter is plugged in and its name is the one in the house file.",),
    ),
)
