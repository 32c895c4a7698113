"""What is not known of a source: another lead of it cannot be heard, or ended with its whole network."""

from __future__ import annotations

import numpy as np

from slotwatch.judge import wording
from slotwatch.judge.among import is_among
from slotwatch.judge.context import RuleContext
from slotwatch.judge.legs import plain_names, say_networks
from slotwatch.judge.partings import dark_networks
from slotwatch.judge.scene import Scene
from slotwatch.judge.verdict import Verdict
from slotwatch.snapshot import Confidence


def say_blind_legs(scene: Scene, verdict: Verdict) -> None:
    """Doubt that a source is dead of which another lead cannot be heard, since this listener's own link is down or has
    just come back, or packets there cannot be read."""
    ctx = scene.ctx
    legs = {leg for source in scene.sources for leg in ctx.other_legs(source)}
    networks = {ctx.sources[leg].network for leg in legs}
    blind = sorted(network for network in networks if ctx.listener.cannot_tell(network, ctx.now_ns))
    if not blind or set(blind) & set(scene.networks):
        return
    one = len(ctx.whole_sources(scene.sources)) == 1
    it, there = "it" if one else "they", say_networks(ctx, blind)
    sends = f"{it} still {'sends' if one else 'send'} there"
    if any(map(ctx.listener.is_down, blind)):
        why = f"This listener's own link to {there} is down"
    elif any(ctx.listener.is_unread(network, ctx.now_ns) for network in blind):
        why = f"Packets of {there} cannot be read"
    else:
        up_ns = max(ctx.listener.links[network].since_ns for network in blind)
        why = f"This listener's own link to {there} was down until {ctx.time_of_day(up_ns)}"
        sends = f"{it} went on there"
    verdict.confidence = Confidence.LOW
    verdict.sentence = (
        f"{scene.names} stopped on {say_networks(ctx, scene.networks)}: power, crash or "
        f"{'its lead' if one else 'their leads'}. {why}, so it is not known whether {sends}."
    )


def say_dark_legs(scene: Scene, verdict: Verdict) -> None:
    """Doubt that a source is dead of which another lead cannot be heard, because its whole network went dark in that
    moment or before."""
    ctx = scene.ctx
    legs = {leg for source in scene.sources for leg in ctx.other_legs(source)}
    networks = {ctx.sources[leg].network for leg in legs}
    at_once = networks & dark_networks(ctx, scene.group)
    dark = sorted(at_once or networks & dark_networks(ctx, scene.group, before=True))
    if not dark or set(dark) & set(scene.networks):
        return
    one = len(ctx.whole_sources(scene.sources)) == 1
    here, there = say_networks(ctx, scene.networks), say_networks(ctx, dark)
    verdict.confidence = Confidence.LOW
    if at_once:
        verdict.cause = "unknown"
        why, seen = f"All of {there} stopped in the same moment", f"Everything on {there} stopped in that moment."
    else:
        why, seen = f"Nothing came on {there} any more", f"Everything on {there} had stopped before."
    verdict.sentence = (
        f"{scene.names} stopped on {here}: power, crash or {'its lead' if one else 'their leads'}. {why}, so it is "
        f"not known whether {'it still ran' if one else 'they still ran'}."
    )
    verdict.evidence.append(seen)


def say_visitors(scene: Scene, verdict: Verdict) -> None:
    """Say that a lead is back in its place, of streams that came by a network only while that lead was plugged into
    it."""
    ctx = scene.ctx
    before = {source: _own_place(ctx, source) for source in scene.whole}
    places = {place for place in before.values() if place is not None}
    if verdict.cause not in ("leg-lost", "network-lost") or None in before.values() or not places:
        return
    lost = np.flatnonzero(scene.stopped & is_among(ctx.streams.source, scene.whole))
    since_ns = int(ctx.streams.since_ns[lost].min())
    here, there = say_networks(ctx, scene.networks), say_networks(ctx, sorted(places))
    several = len(ctx.whole_sources(scene.whole)) > 1
    its, leads = ("their", "leads") if several else ("its", "lead")
    names = plain_names(ctx, scene.whole)
    was, runs = ("were", "The sources themselves are") if several else ("was", "The source itself is")
    what = (
        f"{names}: what came on {here} from {ctx.time_of_day(since_ns)} to {ctx.time_of_day(scene.group.from_ns)} "
        f"{was} {its} {leads} on {there}. "
    )
    own = f"Nothing comes by {its} own {leads} on {here}."
    verdict.sentence = f"{what}{own} {runs} running."
    verdict.once_silent = (f"{what}{own} {wording.at_the_start(there)} is silent now too.", *verdict.once_silent[1:])
    verdict.evidence[:1] = [f"{scene.names} came by {there} before, and does so again."]


def _own_place(ctx: RuleContext, source: int) -> int | None:
    """The network where the same address of a source was heard before it came here, and is back; None if nowhere.

    Where two networks use the same addresses, a source may have been heard on both all the time.
    """
    row = ctx.sources[source]
    for leg in ctx.other_legs(source):
        other, now = ctx.sources[leg], [stream for stream in ctx.streams_from(leg).tolist() if ctx.live[stream]]
        is_back = bool(now) and bool((ctx.streams.since_ns[now] > row.first_seen_ns).all())
        if is_back and other.address == row.address and other.first_seen_ns < row.first_seen_ns:
            return int(other.network)
    return None
