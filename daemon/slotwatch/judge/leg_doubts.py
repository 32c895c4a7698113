"""What is not known of a source: another lead of it cannot be heard, or ended with its whole network."""

from __future__ import annotations

from slotwatch.judge import wording
from slotwatch.judge.leg_causes import say_networks
from slotwatch.judge.partings import dark_networks
from slotwatch.judge.scene import Scene, Verdict
from slotwatch.snapshot import Confidence


def say_blind_legs(scene: Scene, verdict: Verdict) -> None:
    """Doubt that a source is dead of which another lead cannot be heard, since this listener's own link is down."""
    ctx = scene.ctx
    legs = {leg for source in scene.sources for leg in ctx.other_legs(source)}
    blind = sorted({ctx.sources[leg].network for leg in legs if ctx.listener.is_down(ctx.sources[leg].network)})
    if not blind or set(blind) & set(scene.networks):
        return
    one = len(ctx.whole_sources(scene.sources)) == 1
    verdict.confidence = Confidence.LOW
    verdict.sentence = (
        f"{_names(scene)} stopped on {say_networks(ctx, scene.networks)}: power, crash or "
        f"{'its lead' if one else 'their leads'}. This listener's own link to {say_networks(ctx, blind)} is down, "
        f"so it is not known whether {'it still sends' if one else 'they still send'} there."
    )


def say_dark_legs(scene: Scene, verdict: Verdict) -> None:
    """Doubt that a source is dead of which another lead ended in the moment in which its whole network went dark."""
    ctx = scene.ctx
    legs = {leg for source in scene.sources for leg in ctx.other_legs(source)}
    dark = sorted({ctx.sources[leg].network for leg in legs} & dark_networks(ctx, scene.group))
    if not dark or set(dark) & set(scene.networks):
        return
    one = len(ctx.whole_sources(scene.sources)) == 1
    here, there = say_networks(ctx, scene.networks), say_networks(ctx, dark)
    verdict.cause, verdict.confidence = "unknown", Confidence.LOW
    verdict.sentence = (
        f"{_names(scene)} stopped on {here}: power, crash or {'its lead' if one else 'their leads'}. All of {there} "
        f"stopped in the same moment, so it is not known whether {'it still ran' if one else 'they still ran'}."
    )
    verdict.evidence.append(f"Everything on {there} stopped in that moment.")


def _names(scene: Scene) -> str:
    return wording.list_names(scene.ctx.say_sources(scene.sources))
