"""What several sources of one network show at once: who or what they share."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from slotwatch.judge.binding import Finding
from slotwatch.judge.context import RuleContext
from slotwatch.judge.scene import Verdict
from slotwatch.snapshot import Confidence

LOST_ON_THE_WAY = "lost-on-the-way"
SENDER_PAUSED = "sender-paused"
THIS_COMPUTER = "this-computer"
WIRELESS = "wireless"
SHARED_PATH = "shared-path"


def find_shared_cause(ctx: RuleContext, sources: Iterable[int], findings: Sequence[Finding]) -> Verdict:
    """Say what several sources have in common that show the same trouble at once."""
    if all(ctx.runs_here(source) for source in sources):
        return Verdict(
            THIS_COMPUTER,
            Confidence.HIGH,
            "All of these sources run on this computer: it is busy, and no switch takes part.",
            also_possible=["one program that makes all of them and pauses"],
            next_checks=[
                "Check what else runs on this computer, and at its load.",
                "Check whether sources on other machines come evenly.",
            ],
        )
    check = "Look at the switches and uplinks that these sources share on their way here."
    causes = {finding.cause for finding in findings}
    if causes and causes <= {SENDER_PAUSED, THIS_COMPUTER}:
        # Nothing is missing: a queue that holds frames back, or senders that wait for the same thing.
        return Verdict(
            SHARED_PATH,
            Confidence.MEDIUM,
            "Several sources show it at once and no frame is missing: a path that they share holds frames back.",
            also_possible=["one clock or cue that all these senders wait for"],
            next_checks=[check, "Check whether these senders follow one timecode or one remote control."],
        )
    return Verdict(
        SHARED_PATH,
        Confidence.HIGH,
        "Several sources show it at once: a path that they share, not their senders.",
        next_checks=[check, "Check whether this port's own lead or switch port counts errors."],
    )
