"""Rows of the rule table: something that should send, or listen, no longer does."""

from __future__ import annotations

from slotwatch.judge.rule import RuleClass, Threshold, table_rule
from slotwatch.snapshot import Severity

RULES = (
    table_rule(
        name="preview-only",
        rule_class=RuleClass.LOSS,
        severity=Severity.WARNING,
        sentence="{universes}: all that arrives{from_sender} is preview data, which receivers must not show.",
        on_delay_s=2.5,
        thresholds=(
            Threshold("preview_s", 2.5, "time with preview packets and no live frame", "ANSI E1.31-2018 6.2.6, 6.7.1"),
        ),
        source="ANSI E1.31-2018 6.2.6",
        faults=("F45",),
        next_checks=(
            "Look at the source: is its output set to preview, blind or visualiser?",
            "Look whether another source should be live on this universe.",
        ),
    ),
)
