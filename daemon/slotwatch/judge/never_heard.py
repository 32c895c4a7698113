"""Why a declared source was never heard since this listener started."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from slotwatch.durations import NANOSECONDS
from slotwatch.judge import wording
from slotwatch.judge.binding import Finding
from slotwatch.judge.context import RuleContext
from slotwatch.judge.likeness import may_still_be
from slotwatch.judge.loss_group import LossGroup
from slotwatch.judge.verdict import Verdict
from slotwatch.judge.without_levels import live_names, never_sent_levels, packets_of
from slotwatch.snapshot import Confidence, Incident

SILENT_NS = 10 * NANOSECONDS
"""Time after which the packets of a source have stopped: Art-Net at rest comes every 4 s (Art-Net 4, "ArtDmx")."""


def never_heard(ctx: RuleContext, group: LossGroup) -> Verdict:
    """Give the verdict: the cause of the loss that an earlier run of the daemon knew, if this absence continues it."""
    names = _names(group)
    earlier = next((one for case in group.members.values() if (one := _earlier(ctx, case.finding))), None)
    found = never_sent_levels(ctx, names, {row for case in group.members.values() for row in case.finding.universes})
    if earlier is not None:
        before = f"Before this listener restarted: {earlier.summary}"
        if found is not None and found.cause == "universe-withdrawn":
            # What comes there now is known, whatever was said before.
            found.evidence.append(before)
            return found
        is_known = may_still_be(earlier.cause, is_alive=not ctx.once(live_names).isdisjoint(names))
        return Verdict(
            (earlier.cause if is_known else "") or "unknown",
            earlier.confidence if is_known else Confidence.LOW,
            "It has not been heard there since this listener restarted.",
            [before],
            list(earlier.also_possible),
            next_checks=list(earlier.next_checks),
        )
    if found is not None:
        return found
    verdict = Verdict("unknown", Confidence.LOW, "It has not been heard since this listener started.")
    if len(rows := packets_of(ctx, names)):
        # What never came is put together by source.
        verdict.sentence = _say_last_heard(ctx, names[0], rows)
    heard_by_name = [
        ctx.sources[row].source_name
        for row in ctx.sources
        if ctx.sources[row].source_name and not ctx.sources[row].declared_as
    ]
    if heard_by_name:
        verdict.evidence.append(
            f"Undeclared sources that are heard: {wording.list_names(sorted(set(heard_by_name))[:6])}."
        )
    verdict.also_possible = [
        f"{wording.list_names(names)} is switched off, or its output is",
        "it sends with another identity or address than the house file declares",
    ]
    return verdict


def heard_since(ctx: RuleContext, group: LossGroup, verdict: Verdict) -> Verdict:
    """Give a verdict as it reads now: its sources may be heard elsewhere since then, or be silent by now."""
    names = _names(group)
    rows = packets_of(ctx, names)
    if not len(rows) or any(_earlier(ctx, case.finding) for case in group.members.values()):
        return verdict
    is_silent = ctx.now_ns - ctx.streams.last_packet_ns[rows] >= SILENT_NS
    if not ctx.live[rows].any() and not is_silent.all():
        return verdict  # one packet may only be late
    now = never_heard(ctx, group)
    if now.cause == "unknown" and verdict.cause != "unknown":
        verdict.sentence = now.sentence
        return verdict
    return now


def _say_last_heard(ctx: RuleContext, name: str, rows: NDArray[np.intp]) -> str:
    """Say when a source sent last, which sent no levels where it is awaited: preview data may have come there."""
    until = ctx.time_of_day(int(ctx.streams.last_packet_ns[rows].max()))
    return f'"{name}" has sent no levels there since this listener started, and no data anywhere since {until}.'


def _names(group: LossGroup) -> list[str]:
    return sorted({name for case in group.members.values() for name in case.finding.source_names})


def _earlier(ctx: RuleContext, finding: Finding) -> Incident | None:
    """The loss from before a restart that an absence of a source continues."""
    pairs = ((row, name) for row in finding.universes for name in finding.source_names)
    return next((one for row, name in pairs if (one := ctx.earlier_loss(row, name)) is not None), None)
