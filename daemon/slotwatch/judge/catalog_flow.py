"""Rows of the rule table: frames arrive, but not as they should."""

from __future__ import annotations

from slotwatch.judge.rule import COMMON_PRACTICE, RuleClass, Threshold, table_rule
from slotwatch.snapshot import Severity

RULES = (
    table_rule(
        name="slow-refresh",
        rule_class=RuleClass.FLOW,
        severity=Severity.WARNING,
        sentence="{universes}{from_sender} refreshes at only {rate} Hz while its levels move ({reference}).",
        on_delay_s=0.0,
        thresholds=(
            Threshold("window_s", 5.0, "time over which the mean rate is taken", COMMON_PRACTICE),
            Threshold("min_refresh_hz", 20.0, "slowest mean rate while moving", COMMON_PRACTICE),
            Threshold("norm_ratio", 0.6, "least share of the stream's own best moving rate", COMMON_PRACTICE),
            Threshold("norm_known_s", 30.0, "movement seen before the norm counts", COMMON_PRACTICE),
            Threshold("moving_ratio", 0.8, "share of frames that step by 4 or more in some slot", COMMON_PRACTICE),
            Threshold("steps_hz", 5.0, "below this rate, frames are the steps of a chase", COMMON_PRACTICE),
        ),
        faults=("F66", "F71", "F72"),
        next_checks=(
            "Look at the source's load: how many effects, pixels and universes does it run?",
            "Look whether other universes of the same source are slow at the same time.",
        ),
        next_checks_quiet=("Move some universes to another output, or simplify the effect, and compare.",),
    ),
    table_rule(
        name="fast-refresh",
        rule_class=RuleClass.FLOW,
        severity=Severity.WARNING,
        sentence="{universes}{from_sender} arrives at {rate} Hz; "
        "a DMX512 line of {slots} slots carries {limit} Hz at most.",
        on_delay_s=0.0,
        thresholds=(
            Threshold("window_s", 5.0, "time over which the mean rate is taken", COMMON_PRACTICE),
            Threshold("over_ratio", 1.05, "rate over the DMX512 maximum of its slot count", COMMON_PRACTICE),
            Threshold("max_hz", 44.1, "DMX512 maximum at 512 slots", "ANSI E1.11 timing; ANSI E1.31-2018 6.6.1"),
        ),
        source="ANSI E1.31-2018 6.6.1",
        faults=("F67",),
        next_checks=(
            "Look at the source's refresh setting for this output: 40 to 44 Hz suits DMX512 lines.",
            "Look whether two programs on one machine send the same universe.",
        ),
    ),
    table_rule(
        name="uneven-refresh",
        rule_class=RuleClass.FLOW,
        severity=Severity.WARNING,
        sentence="{universes}{from_sender} stutters: {gaps} gaps in 10 s while levels move, "
        "the longest {gap} ms. {verdict}",
        on_delay_s=0.0,
        thresholds=(
            Threshold("window_s", 10.0, "time in which gaps are counted", COMMON_PRACTICE),
            Threshold("gaps", 3, "gaps that make it uneven", COMMON_PRACTICE),
            Threshold("median_ratio", 3.0, "gap over the stream's own median interval", COMMON_PRACTICE),
            Threshold("gap_ms", 100.0, "shortest gap that counts", COMMON_PRACTICE),
        ),
        faults=("F06", "F28", "F68", "F69", "F70"),
        next_checks=(
            "Look whether all sources stutter (a shared path) or only this one (its sender).",
            "Look at the source's load and at what else runs on that machine.",
            "Look whether a wireless hop lies between the source and this port.",
        ),
        next_checks_quiet=("Read the error counters of the switch ports on the way; try another lead.",),
    ),
    table_rule(
        name="packet-loss",
        rule_class=RuleClass.FLOW,
        severity=Severity.WARNING,
        sentence="{universes}{from_sender} loses frames on the way: "
        "{lost} of {due} missing in 10 s ({percent} %). {verdict}",
        on_delay_s=0.0,
        thresholds=(
            Threshold("window_s", 10.0, "time in which frames are counted", COMMON_PRACTICE),
            Threshold("loss_ratio", 0.01, "share of frames missing by sequence", COMMON_PRACTICE),
            Threshold("lost_frames", 5, "fewest missing frames that count", COMMON_PRACTICE),
            Threshold("lost_of_last_10", 3, "missing of the last 10 frames due", COMMON_PRACTICE),
        ),
        source="ANSI E1.31-2018 6.7.2 (sequence); the limits: common practice, no source",
        faults=("F26", "F27", "F28"),
        next_checks=(
            "Look whether every source loses frames (a shared path) or one (its own lead or port).",
            "Look at the switch for ports at 10 or 100 Mb/s, and for video or audio sharing the uplink.",
        ),
        next_checks_quiet=("Read port error counters along the way; change the lead with the most errors.",),
    ),
    table_rule(
        name="out-of-order",
        rule_class=RuleClass.FLOW,
        severity=Severity.NOTE,
        sentence="{universes}{from_sender}: {count} frames in 10 s came late and receivers discard them.",
        on_delay_s=0.0,
        thresholds=(
            Threshold("discarded", 5, "frames in 10 s that the sequence rule discards", "ANSI E1.31-2018 6.7.2"),
        ),
        source="ANSI E1.31-2018 6.7.2",
        faults=("F61",),
        next_checks=(
            "Look for two ways between the source and this port (bonded links, two wireless bridges).",
            "Look whether the source was just restarted.",
        ),
    ),
    table_rule(
        name="sequence-unusable",
        rule_class=RuleClass.FLOW,
        severity=Severity.WARNING,
        sentence="{universes}{from_sender}: sequence numbers {habit}. Conforming receivers may discard its data.",
        on_delay_s=0.0,
        thresholds=(
            Threshold("packets", 10, "packets with the same number", COMMON_PRACTICE),
            Threshold("step", 2, "smallest constant step that counts", COMMON_PRACTICE),
        ),
        source="ANSI E1.31-2018 6.2.5, 6.7.2",
        faults=("F59", "F60", "F62"),
        next_checks=(
            "Look at the sender's version and settings: each universe needs its own sequence.",
            "Look which receivers show this universe and which do not: that is how they differ.",
        ),
    ),
    table_rule(
        name="sync-missing",
        rule_class=RuleClass.FLOW,
        severity=Severity.CRITICAL,
        sentence="{universes}{from_sender} waits for sync {sync}: {habit}",
        on_delay_s=2.5,
        thresholds=(
            Threshold("sync_loss_s", 2.5, "time without a sync packet", "ANSI E1.31-2018 11.1.2"),
            Threshold("artnet_sync_loss_s", 4.0, "time without a sync packet, Art-Net", COMMON_PRACTICE),
        ),
        source="ANSI E1.31-2018 6.2.6, 11.1",
        faults=("F63", "F64"),
        next_checks=(
            "Look at the source's sync address; 0 means that receivers act at once.",
            "Look whether the machine that sends the sync is running.",
            "Look at the stage: are receivers holding one look while the levels here move?",
        ),
    ),
    table_rule(
        name="wrong-group",
        rule_class=RuleClass.FLOW,
        severity=Severity.WARNING,
        sentence="{universes}{from_sender} is sent to the group of universe {group}: "
        "receivers of its own group get nothing.",
        on_delay_s=1.0,
        source="ANSI E1.31-2018 9.1.1, 9.3.1",
        faults=("F51", "F52"),
        next_checks=("Look at the sender's multicast setting for this universe.",),
    ),
)
