"""Rows of the rule table: something that should send, or listen, no longer does."""

from __future__ import annotations

from slotwatch.judge.rule import COMMON_PRACTICE, RuleClass, Threshold, table_rule
from slotwatch.snapshot import Severity

_LOSS_E131 = Threshold(
    "loss_timeout_s", 2.5, "silence of a universe that counts as loss, E1.31", "ANSI E1.31-2018 6.7.1, appendix A"
)
_LOSS_ARTNET = Threshold(
    "loss_timeout_artnet_s", 10.0, "silence of a universe that counts as loss, Art-Net", COMMON_PRACTICE
)
_START = Threshold("start_s", 10.0, "time a house is given to appear", COMMON_PRACTICE)

RULES = (
    table_rule(
        name="universe-lost",
        rule_class=RuleClass.LOSS,
        severity=Severity.CRITICAL,
        sentence="{universes} lost{from_sender} since {since}. {verdict} {works}",
        on_delay_s=0.0,
        thresholds=(_LOSS_E131, _LOSS_ARTNET),
        source="ANSI E1.31-2018 6.7.1 (loss and termination); Art-Net: common practice, no source",
        faults=(
            *("F01", "F02", "F03", "F04", "F05", "F06", "F07", "F08", "F09", "F10"),
            *(f"F{n}" for n in range(16, 32)),
        ),
        next_checks=(
            "Look at the screen of the source: is it running, and does it list this universe as sent?",
            "Look at the link lamps of the source's network socket and of its switch port.",
            "Look at the stage: do the racks and fixtures hold their last look, or fade?",
        ),
        next_checks_quiet=(
            "Reseat the source's network lead at both ends, then try another lead and another switch port.",
            "Read the switch's group table and log for this port.",
        ),
    ),
    table_rule(
        name="universe-missing",
        rule_class=RuleClass.LOSS,
        severity=Severity.CRITICAL,
        sentence="{universes} not heard at all: declared and expected, no frame since {since}.{looks_like}",
        on_delay_s=10.0,
        thresholds=(_START,),
        faults=("F10", "F11", "F49"),
        next_checks=(
            "Look at the source's output list: is this universe patched, switched on, and under this number?",
            "Compare how sender and receiver number universes: one may count from 0, the other from 1.",
            "Look whether the source sends unicast to its receivers only: then it cannot be seen from here.",
        ),
        next_checks_quiet=("Start the devices in order: switches, then sources, then receivers.",),
    ),
    table_rule(
        name="source-absent",
        rule_class=RuleClass.LOSS,
        severity=Severity.WARNING,
        sentence="{sources} silent on {universes} since {since}; {kept_by}. {verdict}",
        on_delay_s=0.0,
        thresholds=(_LOSS_E131, _LOSS_ARTNET, _START),
        source="ANSI E1.31-2018 6.7.1",
        faults=("F02",),
        next_checks=(
            "Look at the screen of the silent source and at its link lamp.",
            "Look on the backup's screen whether it knows that it is in control.",
        ),
        next_checks_quiet=("Reseat the source's network lead, then try another switch port.",),
    ),
    table_rule(
        name="backup-absent",
        rule_class=RuleClass.LOSS,
        severity=Severity.WARNING,
        sentence="Backup {sources} {absence} on {universes}: the show goes on without a net. {verdict}",
        on_delay_s=0.0,
        thresholds=(_LOSS_E131, _LOSS_ARTNET, _START),
        source="ANSI E1.31-2018 6.7.1",
        faults=("F07",),
        next_checks=(
            "Look at the backup's screen: is it running, following, and sending?",
            "Look at the backup's link lamp.",
        ),
        next_checks_quiet=("Restart the backup's session and wait until both screens say that it follows.",),
    ),
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
