"""Rows of the rule table: this listener and the network it hangs on. Said first; they blame nobody."""

from __future__ import annotations

from slotwatch.judge.rule import RuleClass, Threshold, table_rule
from slotwatch.snapshot import Severity

RULES = (
    table_rule(
        name="querier-absent",
        rule_class=RuleClass.SELF,
        severity=Severity.WARNING,
        sentence="{network}: {habit}",
        on_delay_s=0.0,
        off_delay_s=0.0,
        thresholds=(
            Threshold("silence_s", 260.0, "silence of a querier that was heard", "RFC 2236 8.4, 8.5; RFC 3376 8.4"),
            Threshold("never_s", 260.0, "time without ever hearing one", "RFC 2236 8.5; RFC 9776 8.5"),
        ),
        source="RFC 2236 8, RFC 3376 8, RFC 3810 9",
        faults=("F16", "F17", "F21"),
        next_checks=(
            "Look at the switch's settings: is snooping on and a querier set for this VLAN?",
            "Look whether the device that was the querier has power; its address stands in the evidence.",
        ),
        next_checks_quiet=("Give the show's switch a querier with the lowest address, or turn snooping off.",),
    ),
    table_rule(
        name="querier-changed",
        rule_class=RuleClass.SELF,
        severity=Severity.NOTE,
        sentence="{network}: the multicast querier changed from {before} to {after}{duel}.",
        on_delay_s=0.0,
        thresholds=(Threshold("duel_s", 300.0, "time in which two queriers count as a duel", "RFC 2236 8.5"),),
        source="RFC 2236 3 (the lowest address wins)",
        faults=("F17",),
        may_exceed_note=False,
        next_checks=("Look which router, switch or access point was added; one querier should be meant.",),
    ),
    table_rule(
        name="flooded-groups",
        rule_class=RuleClass.SELF,
        severity=Severity.NOTE,
        sentence="{network}: {universes} arrives although nobody here asked for it; a switch floods multicast.",
        on_delay_s=10.0,
        source="RFC 4541 2.1 (what a snooping switch forwards)",
        faults=("F19", "F20", "F23"),
        may_exceed_note=False,
        next_checks=("Look at the switch: is snooping on, with a querier, and is its group table full?",),
    ),
    table_rule(
        name="fallback-address",
        rule_class=RuleClass.SELF,
        severity=Severity.NOTE,
        sentence="{who} has the fallback address {address}: it found no address server.",
        on_delay_s=1.0,
        source="RFC 3927",
        faults=("F15", "F35"),
        may_exceed_note=False,
        next_checks=("Look at the address plan, and whether the address server was running when it started.",),
    ),
    table_rule(
        name="duplicate-address",
        rule_class=RuleClass.SELF,
        severity=Severity.NOTE,
        sentence="{address} is claimed by two devices: {macs}.",
        on_delay_s=0.0,
        off_delay_s=60.0,
        thresholds=(Threshold("window_s", 60.0, "time in which both were heard", "RFC 5227"),),
        source="RFC 5227",
        faults=("F34",),
        may_exceed_note=False,
        next_checks=("Look which device has this address on its panel; the makers' prefixes stand in the evidence.",),
    ),
)
