"""Rows of the rule table: levels against the declared patch, fixtures and circuits."""

from __future__ import annotations

from slotwatch.judge.rule import COMMON_PRACTICE, Rule, RuleClass, Threshold, table_rule
from slotwatch.snapshot import Severity

_COMPETENT = "by a competent person, isolated, under local rules"


def _note(name: str, sentence: str, on_delay_s: float, fault: str, check: str) -> Rule:
    return table_rule(
        name=name,
        rule_class=RuleClass.PATCH,
        severity=Severity.NOTE,
        sentence=sentence,
        on_delay_s=on_delay_s,
        faults=(fault,),
        may_exceed_note=False,
        next_checks=(check,),
    )


RULES = (
    table_rule(
        name="patch-conflict",
        rule_class=RuleClass.PATCH,
        severity=Severity.WARNING,
        sentence="Patch of {universes}: {conflict}.",
        on_delay_s=0.0,
        off_delay_s=0.0,
        source="ANSI E1.11 (512 slots at most)",
        faults=("F76", "F77"),
        next_checks=("Look at the two rows of the patch that the evidence names.",),
    ),
    table_rule(
        name="stray-levels",
        rule_class=RuleClass.PATCH,
        severity=Severity.NOTE,
        sentence="{universes}: levels above zero in {slots}, which no fixture uses.{near}",
        on_delay_s=5.0,
        thresholds=(Threshold("stray_s", 5.0, "time above zero", COMMON_PRACTICE),),
        faults=("F75", "F78"),
        may_exceed_note=False,
        next_checks=("Look at the fixture before these slots: it may run in another mode than the patch says.",),
    ),
    table_rule(
        name="non-dim-partial",
        rule_class=RuleClass.PATCH,
        severity=Severity.CRITICAL,
        sentence="{fixtures}: a circuit that must be off or full stands at {percent} %{way}.",
        on_delay_s=2.0,
        thresholds=(
            Threshold("low_percent", 1.0, "lowest partial level", COMMON_PRACTICE),
            Threshold("high_percent", 99.0, "highest partial level", COMMON_PRACTICE),
            Threshold("dwell_s", 2.0, "time at one level", COMMON_PRACTICE),
        ),
        faults=("F80", "F81"),
        next_checks=(
            "Look at the cue, submaster or grand master that holds this circuit.",
            "Look at what hangs on the circuit: motors, transformers and LED supplies can be damaged.",
        ),
        next_checks_quiet=(f"Have the module in the rack checked {_COMPETENT}.",),
    ),
    table_rule(
        name="powered-off",
        rule_class=RuleClass.PATCH,
        severity=Severity.WARNING,
        sentence="{fixtures}: intensity is up while circuit {circuit} is off.",
        on_delay_s=5.0,
        thresholds=(Threshold("off_s", 5.0, "time with intensity up and power off", COMMON_PRACTICE),),
        faults=("F82",),
        next_checks=("Look at the power cue: was the circuit switched on before the fixture was called?",),
    ),
    table_rule(
        name="flash-rate",
        rule_class=RuleClass.PATCH,
        severity=Severity.WARNING,
        sentence="{fixtures} flashes {rate} times a second: caution, an estimate from levels and no compliance test.",
        on_delay_s=2.0,
        thresholds=(
            Threshold("flashes_per_s", 3.0, "flashes in a second", "WCAG 2.3.1"),
            Threshold("change_ratio", 0.1, "opposing change that makes half a flash", "WCAG 2.3.1"),
            Threshold("flash_s", 2.0, "time over the rate", COMMON_PRACTICE),
        ),
        source="WCAG 2.2, 2.3.1; the licence or the venue decides",
        faults=("F87",),
        next_checks=("Look whether the warning signs are up and the duty manager knows of this effect.",),
    ),
    table_rule(
        name="way-overload",
        rule_class=RuleClass.PATCH,
        severity=Severity.WARNING,
        sentence="{rack} way {way}: estimated {current} A of {limit} A.",
        on_delay_s=10.0,
        thresholds=(Threshold("over_s", 10.0, "time over the limit", COMMON_PRACTICE),),
        faults=("F89",),
        next_checks=("Look at what is plugged into this circuit; the current is an estimate from levels and loads.",),
        next_checks_quiet=(f"Have the current measured {_COMPETENT}.",),
    ),
    table_rule(
        name="supply-overload",
        rule_class=RuleClass.PATCH,
        severity=Severity.WARNING,
        sentence="{rack} {supply}: estimated {current} A of {limit} A.",
        on_delay_s=10.0,
        thresholds=(Threshold("over_s", 10.0, "time over the limit", COMMON_PRACTICE),),
        faults=("F89",),
        next_checks=("Look at the look on stage; the current is an estimate from levels and declared loads.",),
        next_checks_quiet=(f"Have the current measured {_COMPETENT}.",),
    ),
    _note(
        "fine-stuck",
        "{fixtures}: the fine slot of {role} never moves while the coarse one does.",
        0.0,
        "F83",
        "Look at the fixture's mode and at the profile in the desk.",
    ),
    _note(
        "fine-swapped",
        "{fixtures}: coarse and fine slots of {role} seem to be swapped.",
        0.0,
        "F84",
        "Look at the byte order in the desk's fixture library.",
    ),
    _note(
        "torn-pair",
        "{fixtures}: coarse and fine slots of {role} were updated apart.",
        0.0,
        "F85",
        "Look whether the pair lies in one universe, and whether several programs send it.",
    ),
    _note(
        "level-stuck",
        "{universes}: levels stay up in {slots} although {sources} is at zero.",
        10.0,
        "F86",
        "Look at the universe's page: who wins these slots.",
    ),
    _note(
        "glare-held",
        "{fixtures} faces the audience and has stood above 80 % for {held} s.",
        0.0,
        "F88",
        "Look whether the cue is meant to hold.",
    ),
    _note(
        "control-held",
        "{fixtures}: a control slot is held at a command value.",
        10.0,
        "F90",
        "Look at the cue that last touched the fixture's control slot.",
    ),
)
