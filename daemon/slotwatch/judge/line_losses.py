"""Why a tapped DMX512 line brings no levels any more."""

from __future__ import annotations

from slotwatch.durations import NANOSECONDS
from slotwatch.judge.context import RuleContext
from slotwatch.judge.lines import CHECKS_WITHOUT_BREAKS, is_disturbed, line_name
from slotwatch.judge.loss_group import LossGroup
from slotwatch.judge.tapped_line import MOST_FAULTS, TappedLine
from slotwatch.judge.verdict import Verdict
from slotwatch.judge.wording import list_names
from slotwatch.snapshot import Confidence

_CHECKS = (
    "Look at the lamp of the gateway's port and at its page: is the port an output, and of which universe?",
    "Look at the plugs of the line and at the stage: do its fixtures hold their last look?",
)


def line_lost(ctx: RuleContext, group: LossGroup) -> Verdict:
    """Give the verdict. The line itself shows no more than that its levels ended; what should be on it may still be
    sent."""
    universes = {int(ctx.streams.universe[row]) for row in group.streams}
    # Of a line that is back already there is nothing to say while others are away.
    silent = {row for row in universes if not ctx.universes.live[row]} or universes
    numbers = {int(ctx.universes.number[row]) for row in silent}
    lines = [line for line in ctx.house.lines if line.number in numbers]
    live = {str(ctx.universe_id(row)) for row in ctx.universes.used.nonzero()[0].tolist() if ctx.universes.live[row]}
    going = [str(line.compare_with) for line in lines if str(line.compare_with) in live]
    tapped = {number: ctx.listener.lines[number] for number in sorted(numbers & ctx.listener.lines.keys())}
    since_ns = group.to_ns + NANOSECONDS
    if numbers and all(number in tapped and tapped[number].before for number in numbers):
        return _lost_before_its_port(ctx, group, tapped, going)
    driven = [number for number, one in tapped.items() if one.seen.open and one.breaks_since(since_ns)]
    disturbed = [number for number in sorted(numbers) if is_disturbed(ctx, number)]
    them = "it" if len(numbers) == 1 else "them"

    def where(some: list[int]) -> str:
        return them if len(some) == len(numbers) else list_names(line_name(ctx, number) for number in some)

    evidence = [f"The last frame of levels came at {ctx.time_of_day(group.from_ns)}."]
    if driven:
        what = "the line, and sends" if len(driven) == 1 else "the lines, and sends"
        evidence.append(f"Breaks are still counted on {where(driven)}: something drives {what} no levels.")
    why = "the gateway's port, the lead, or frames with another start code."
    is_unframed = len(disturbed) == len(numbers) and not driven
    if is_unframed:
        why = f"bytes come on {them} without the breaks that begin frames."
        evidence.append("Each frame of DMX512 begins with a break: without one no levels can be read.")
    elif disturbed:
        evidence.append(f"Bytes with framing faults come on {where(disturbed)}.")
    verdict = Verdict(
        "path-or-sender",
        Confidence.LOW,
        f"No frame of levels comes on {them} any more: {why}",
        evidence,
        ["the gateway lost the universe that it should put on this line"],
        next_checks=[*(CHECKS_WITHOUT_BREAKS[:1] if is_unframed else ()), *_CHECKS],
    )
    verdict.await_evidence(ctx.at_ns, group.is_revised_until_ns)
    verdict.still_working = [f"{name} still reaches this port" for name in going]
    return verdict


def _lost_before_its_port(
    ctx: RuleContext, group: LossGroup, tapped: dict[int, TappedLine], going: list[str]
) -> Verdict:
    """Give the verdict of lines whose ports cannot be read any more: what was known of them, and what is not now."""
    since_ns = group.to_ns + NANOSECONDS
    before = {number: one.before for number, one in tapped.items() if one.before}
    them, their_port = ("it", "its port") if len(before) == 1 else ("them", "their ports")
    evidence = [f"The last frame of levels came at {ctx.time_of_day(group.from_ns)}."]
    for number, one in before.items():
        where = them if len(before) == 1 else line_name(ctx, number)
        if one.breaks_since(since_ns):
            evidence.append(f"Breaks were still counted on {where}: something drove the line, and sent no levels.")
        elif one.faults_10s > MOST_FAULTS:
            how = "with framing faults" if one.breaks_10s else "without the breaks that begin frames"
            evidence.append(f"Bytes came on {where} {how}.")
    closed = ctx.time_of_day(min(one.closed_ns for one in tapped.values()))
    verdict = Verdict(
        "path-or-sender",
        Confidence.LOW,
        f"No frame of levels came on {them} any more. Since {closed} {their_port} cannot be read, so it is not known "
        "whether this lasts.",
        evidence,
        ["the gateway lost the universe that it should put on this line"],
        next_checks=["Look at the adapter's plug.", *_CHECKS],
    )
    verdict.await_evidence(ctx.at_ns, group.is_revised_until_ns)
    verdict.still_working = [f"{name} still reaches this port" for name in going]
    return verdict
