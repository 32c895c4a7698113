"""Losses of which nobody knows when they began: this listener's own link was down, or this computer lost packets."""

from __future__ import annotations

from slotwatch.judge.scene import Scene
from slotwatch.judge.stops import SLACK_NS
from slotwatch.judge.verdict import Verdict, at_most
from slotwatch.snapshot import Confidence


def say_deaf(scene: Scene) -> str:
    """Say that this listener heard nothing of a network from the moment of a stop on; empty if it did."""
    ctx, group = scene.ctx, scene.group
    for one in ctx.listener.not_judged:
        if one.network is None or one.network not in scene.networks or one.reason != "link-down":
            continue
        if one.end_ns is not None and group.from_ns - SLACK_NS <= one.start_ns <= group.to_ns + SLACK_NS:
            span = f"from {ctx.time_of_day(one.start_ns)} to {ctx.time_of_day(one.end_ns)}"
            return f"This listener's own link to network {ctx.network_name(one.network)} was down {span}"
    return ""


def _say_lost_packets(scene: Scene) -> str:
    """Say that this computer lost packets in the moment of a stop; empty if it did not."""
    ctx, group = scene.ctx, scene.group
    for one in ctx.listener.not_judged:
        if one.reason != "host-overrun" or one.end_ns is None:
            continue
        if one.start_ns <= group.to_ns + SLACK_NS and one.end_ns >= group.from_ns - SLACK_NS:
            times = ctx.time_of_day(one.start_ns), ctx.time_of_day(one.end_ns)
            span = f"at {times[0]}" if times[0] == times[1] else f"from {times[0]} to {times[1]}"
            return f"This computer lost packets {span}"
    return ""


def doubt_when(scene: Scene, verdict: Verdict) -> None:
    """Doubt how sources ended that have been silent since this listener's own link was down, or it lost packets."""
    deaf, since = say_deaf(scene), "this listener's own link was down"
    if not deaf:
        deaf, since = _say_lost_packets(scene), "this computer lost packets"
    if not deaf:
        return
    one = len(scene.ctx.whole_sources(scene.sources)) == 1
    it, was, has = ("it", "it was", "has") if one else ("they", "they were", "have")
    verdict.confidence = at_most(verdict.confidence, Confidence.MEDIUM)
    verdict.reword(
        f"{scene.names} {has} been silent since {since}: power, crash or "
        f"{'its network lead' if one else 'their network leads'}, or {was} closed meanwhile."
    )
    verdict.evidence[0] = f"{deaf}, so when and how {it} stopped is not known."
