"""Why a tapped DMX512 line brings no levels any more."""

from __future__ import annotations

from slotwatch.durations import NANOSECONDS
from slotwatch.judge.context import RuleContext
from slotwatch.judge.lines import CHECKS_WITHOUT_BREAKS, is_disturbed
from slotwatch.judge.loss_group import LossGroup
from slotwatch.judge.verdict import Verdict
from slotwatch.snapshot import Confidence


def line_lost(ctx: RuleContext, group: LossGroup) -> Verdict:
    """Give the verdict. The line itself shows no more than that its levels ended; what should be on it may still be
    sent."""
    universes = {int(ctx.streams.universe[row]) for row in group.streams}
    numbers = {int(ctx.universes.number[row]) for row in universes}
    lines = [line for line in ctx.house.lines if line.number in numbers]
    live = {str(ctx.universe_id(row)) for row in ctx.universes.used.nonzero()[0].tolist() if ctx.universes.live[row]}
    going = [str(line.compare_with) for line in lines if str(line.compare_with) in live]
    tapped = [ctx.listener.lines[number] for number in sorted(numbers & ctx.listener.lines.keys())]
    breaks = sum(one.breaks_since(group.to_ns + NANOSECONDS) for one in tapped if one.seen.open)
    evidence = [f"The last frame of levels came at {ctx.time_of_day(group.from_ns)}."]
    if breaks:
        evidence.append("Breaks are still counted on it: something drives the line, and sends no levels.")
    why = "the gateway's port, the lead, or frames with another start code."
    disturbed = any(is_disturbed(ctx, number) for number in numbers)
    is_unframed = disturbed and not breaks
    if is_unframed:
        why = "bytes come on it without the breaks that begin frames."
        evidence.append("Each frame of DMX512 begins with a break: without one no levels can be read.")
    elif disturbed:
        evidence.append("Bytes with framing faults come on it.")
    verdict = Verdict(
        "path-or-sender",
        Confidence.LOW,
        f"No frame of levels comes on it any more: {why}",
        evidence,
        ["the gateway lost the universe that it should put on this line"],
        next_checks=[
            *(CHECKS_WITHOUT_BREAKS[:1] if is_unframed else ()),
            "Look at the lamp of the gateway's port and at its page: is the port an output, and of which universe?",
            "Look at the plugs of the line and at the stage: do its fixtures hold their last look?",
        ],
    )
    verdict.await_evidence(ctx.at_ns, group.is_revised_until_ns)
    verdict.still_working = [f"{name} still reaches this port" for name in going]
    return verdict
