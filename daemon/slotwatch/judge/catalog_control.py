"""Rows of the rule table: who is in control, and who should not be."""

from __future__ import annotations

from slotwatch.judge.rule import CLEAR_FIRST, COMMON_PRACTICE, RuleClass, Threshold, table_rule
from slotwatch.snapshot import Severity

RULES = (
    table_rule(
        name="backup-in-control",
        rule_class=RuleClass.CONTROL,
        severity=Severity.WARNING,
        sentence="Backup {sources} is in control of {universes} since {since}. {main}",
        on_delay_s=5.0,
        thresholds=(Threshold("hand_over_s", 5.0, "time a hand-over may take", COMMON_PRACTICE),),
        faults=("F39", "F40"),
        next_checks=(
            "Ask both operators who means to be in control.",
            "Look at the main source's screen: running, sending, at its own priority?",
        ),
    ),
    table_rule(
        name="source-conflict",
        rule_class=RuleClass.CONTROL,
        severity=Severity.CRITICAL,
        sentence="{sources} fight over {universes} {priority}: {slots} slots get different levels.",
        on_delay_s=5.0,
        thresholds=(
            Threshold("conflict_s", 5.0, "overlap that is no hand-over", COMMON_PRACTICE),
            Threshold("lag_ms", 200.0, "lag that a source in step may have", COMMON_PRACTICE),
        ),
        source="ANSI E1.31-2018 6.2.3 (equal priority: receivers merge as they please)",
        faults=("F36", "F37"),
        next_checks=(
            "Look who the second source is: name and address stand in the evidence.",
            "Look for a second desk, a house-light panel or a laptop with a test program left running.",
            "Look at the written priority plan.",
        ),
        next_checks_quiet=(f"{CLEAR_FIRST} Take one of them off the universe, or give them different priorities.",),
    ),
    table_rule(
        name="unexpected-source",
        rule_class=RuleClass.CONTROL,
        severity=Severity.WARNING,
        sentence="{sources} sends {universes} and {reason}. {effect}",
        on_delay_s=1.0,
        thresholds=(Threshold("seen_s", 1.0, "time it is live before it is said", COMMON_PRACTICE),),
        faults=("F12", "F38", "F39"),
        next_checks=(
            "Look who it is: name and address stand in the evidence.",
            "Look at the written priority plan.",
        ),
        next_checks_quiet=(
            f"{CLEAR_FIRST} Declare it in the house file if it belongs here, else take it off the network.",
        ),
    ),
    table_rule(
        name="backup-differs",
        rule_class=RuleClass.CONTROL,
        severity=Severity.WARNING,
        sentence="Backup {sources} is not in step with the main source on {universes}: "
        "{slots} slots differ by up to {worst} %.",
        on_delay_s=10.0,
        thresholds=(
            Threshold("differ_s", 10.0, "time that it differs", COMMON_PRACTICE),
            Threshold("difference_percent", 5.0, "difference that counts", COMMON_PRACTICE),
            Threshold("lag_ms", 200.0, "lag it is allowed", COMMON_PRACTICE),
        ),
        faults=("F40",),
        next_checks=(
            "Look on the backup's screen whether it follows, and whether it runs the same show file and cue.",
        ),
        next_checks_quiet=(f"{CLEAR_FIRST} Let the backup load the show again and follow, and watch this clear.",),
    ),
    table_rule(
        name="slot-priority-faulty",
        rule_class=RuleClass.CONTROL,
        severity=Severity.WARNING,
        sentence="{universes}: per-address priority {habit}; who wins a slot may change.",
        on_delay_s=2.5,
        thresholds=(
            Threshold("loss_s", 2.5, "silence of per-address priority that counts", "ANSI E1.31-2018 6.7.1"),
            Threshold("mixed_s", 5.0, "time that only some sources use it", COMMON_PRACTICE),
        ),
        source="start code 0xDD, a registered extension to ANSI E1.31; common practice",
        faults=("F43", "F44"),
        next_checks=(
            "Look at the source's per-address priority setting on this universe.",
            "Look at the list of winners slot by slot on the universe's page.",
        ),
    ),
    table_rule(
        name="undeclared-universe",
        rule_class=RuleClass.CONTROL,
        severity=Severity.NOTE,
        sentence="{universes}{from_sender} carries data and the house file does not declare it.{looks_like}",
        on_delay_s=1.0,
        faults=("F12", "F49", "F50"),
        may_exceed_note=False,
        next_checks=(
            "Look whether it belongs to tonight's show: a visiting desk, a test program, an old show file.",
            "Compare how the sender's display numbers universes with the number heard here.",
        ),
    ),
)
