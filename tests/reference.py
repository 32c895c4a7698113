"""Writes docs/house-file.md and docs/rules.md from the tables that the program itself reads.

Run as `python -m tests.reference` after a change; a test fails while they are out of date.
"""

from __future__ import annotations

from pathlib import Path

from slotwatch.house.keys import Key, Kind
from slotwatch.house.schema import Phase
from slotwatch.house.sections import SECTIONS, TOP
from slotwatch.judge.catalog import CAUSES, RULES
from slotwatch.judge.phases import grade
from slotwatch.judge.rule import Rule, RuleClass

DOCS = Path(__file__).parent.parent / "docs"


def house_file() -> str:
    """Every section and key of the house file."""
    lines = [
        "# The house file: every key",
        "",
        "Made from the table that the loader reads (`daemon/slotwatch/house/sections.py`). An unknown key is an error,",
        "and the error names the nearest known key. Commented examples are in `config/examples`.",
    ]
    for section in (TOP, *SECTIONS):
        header = f"`{section.header}`" if section.name else "The top of the file"
        overlay = " Allowed in an overlay." if section.in_overlay else ""
        lines += [
            "",
            f"## {header}",
            "",
            section.sentence + overlay,
            "",
            "| key | value | default | meaning |",
            "| --- | --- | --- | --- |",
        ]
        lines += [f"| `{key.name}` | {_holds(key)} | {_default(key)} | {key.sentence} |" for key in section.keys]
    return "\n".join(lines) + "\n"


def _holds(key: Key) -> str:
    if key.choices:
        return f"{'any of ' if key.kind is Kind.CHOICES else ''}{', '.join(f'`{word}`' for word in key.choices)}"
    reach = ""
    if key.low is not None and key.high is not None:
        reach = f" {_plain(key.low)} to {_plain(key.high)}"
    return f"{key.kind.value}{reach}{f' {key.unit}' if key.unit else ''}"


def _plain(value: float) -> str:
    return f"{value:,.0f}" if value >= 1e5 else f"{value:g}"


def _default(key: Key) -> str:
    if key.required:
        return "*required*"
    if key.default in (None, "", (), {}):
        return ""
    if isinstance(key.default, bool):
        return f"`{str(key.default).lower()}`"
    if isinstance(key.default, tuple):
        return ", ".join(f"`{word}`" for word in key.default)
    return f"`{key.default}`"


def rules() -> str:
    """Every rule with its thresholds, sources, grading and next checks."""
    lines = [
        "# The rules",
        "",
        "Made from the table that the engine reads (`daemon/slotwatch/judge/rules`).",
        "",
        "Each rule has its class, its severity in the phase show, and the sentence that an incident shows (words in",
        "braces are filled in). *Critical*: the audience may see it now. *Warning*: fix it before the next audience.",
        "*Note*: read it in the morning. Every number that a rule compares with has its meaning and its source beside",
        "it. The numbers under *Measured with* belong to a measurement that several rules share.",
        "",
        "## Severity by class and phase",
        "",
        "Each class is shown by one of its most severe rules. A less severe rule is lowered in the same way.",
        "",
        "| class | " + " | ".join(Phase) + " |",
        "| --- |" + " --- |" * len(Phase),
    ]
    for rule_class in RuleClass:
        sample = max((rule for rule in RULES if rule.rule_class is rule_class), key=lambda rule: rule.severity)
        words = [grade(sample, sample.severity, phase).word for phase in Phase]
        lines.append(f"| {rule_class} (`{sample.name}`) | " + " | ".join(words) + " |")
    lines += ["", "## Causes of a lost universe", "", "| cause | what it means |", "| --- | --- |"]
    lines += [f"| `{cause}` | {meaning} |" for cause, meaning in CAUSES.items()]
    for rule in RULES:
        lines += ["", *_rule(rule)]
    return "\n".join(lines) + "\n"


def _rule(rule: Rule) -> list[str]:
    faults = f" [Faults](faults.md): {', '.join(rule.faults)}." if rule.faults else ""
    lines = [
        f"## `{rule.name}`",
        "",
        f"Class {rule.rule_class}, {rule.severity.word}. Sentence: “{rule.shown_sentence()}”",
        "",
        f"Source: {rule.source}.{faults}",
    ]
    lines += ["", "| number | value | meaning | source |", "| --- | --- | --- | --- |"]
    lines += [f"| `{t.name}` | {t.value:g} | {t.text} | {t.source} |" for t in rule.parameters.rows()]
    if rule.measured:
        lines += ["", "Measured with:", "", "| number | value | meaning | source |", "| --- | --- | --- | --- |"]
        lines += [f"| `{t.name}` | {t.value:g} | {t.text} | {t.source} |" for t in rule.measured]
    lines += [""] if rule.next_checks else []
    lines += [f"{at}. {check}" for at, check in enumerate(rule.next_checks, 1)]
    if rule.next_checks_quiet:
        causes = " or ".join(f"`{cause}`" for cause in sorted(rule.touch_nothing_for))
        unless = f", unless the cause is {causes}" if causes else ""
        lines += ["", f"Outside pre-show and show also{unless}:", ""]
        lines += [f"- {check}" for check in rule.next_checks_quiet]
    return lines


def main() -> None:
    (DOCS / "house-file.md").write_text(house_file(), encoding="utf-8")
    (DOCS / "rules.md").write_text(rules(), encoding="utf-8")


if __name__ == "__main__":
    main()
