"""The rule table as the API's objects: what the page's own rule pages are made of."""

from __future__ import annotations

from slotwatch.house.schema import Phase
from slotwatch.judge.catalog import CAUSES, RULES
from slotwatch.judge.phases import grade
from slotwatch.judge.rule import Rule
from slotwatch.views.answers.faults import RuleAnswer

PAGE = "/rules/{}"
WITH_CAUSES = frozenset({"universe-lost", "source-absent", "backup-absent"})


def rules() -> list[RuleAnswer]:
    """Every rule, in the order of the table. Delays are in seconds; each threshold's unit is in its name."""
    return [_rule(rule) for rule in RULES]


def _rule(rule: Rule) -> RuleAnswer:
    return {
        "rule": rule.name,
        "page": PAGE.format(rule.name),
        "class": str(rule.rule_class),
        "severity": rule.severity.word,
        "severity_by_phase": {str(phase): grade(rule, rule.severity, phase).word for phase in Phase},
        "sentence": rule.shown_sentence(),
        "on_delay_s": rule.on_delay_s,
        "off_delay_s": rule.off_delay_s,
        "source": rule.source,
        "thresholds": [
            {"name": row.name, "value": row.value, "text": row.text, "source": row.source}
            for row in (*rule.parameters.rows(), *rule.measured)
        ],
        "causes": [{"cause": cause, "text": text} for cause, text in CAUSES.items()]
        if rule.name in WITH_CAUSES
        else [],
        "next_checks": list(rule.next_checks),
        "next_checks_quiet": list(rule.next_checks_quiet),
    }
