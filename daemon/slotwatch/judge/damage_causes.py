"""Losses while packets arrive damaged: what fell silent may still send, and the path damages all of it."""

from __future__ import annotations

from slotwatch.durations import NANOSECONDS
from slotwatch.judge import wording
from slotwatch.judge.scene import Scene, Verdict
from slotwatch.snapshot import Confidence

OWED_HZ = 0.8
"""Packets a second that a stream at rest owes at least (ANSI E1.31-2018 6.6.2), with some slack."""
FRESH_NS = 2 * NANOSECONDS
MOST_NAMED = 6
_DOUBTED = frozenset({"source-lost", "network-lost", "multicast-lost", "path-or-sender", "universe-withdrawn"})
"""Causes that do not know of packets that came damaged."""


def weigh_damage(scene: Scene, verdict: Verdict) -> Verdict:
    """Doubt a verdict while so many damaged packets come as the lost streams would send."""
    ctx, damage = scene.ctx, scene.ctx.listener.damage
    lasted_ns = ctx.now_ns - scene.group.from_ns
    if verdict.cause not in _DOUBTED or not damage.last_ns or ctx.now_ns - damage.last_ns > FRESH_NS:
        return verdict
    count = damage.since(scene.group.from_ns)
    if count < OWED_HZ * int(scene.stopped.sum()) * lasted_ns / NANOSECONDS:
        return verdict
    names = wording.list_names(ctx.say_sources(scene.sources))
    whole = ctx.whole_sources(scene.sources)
    one = len(whole) == 1
    senders = wording.list_names(ctx.source_name(source) for source in whole[:MOST_NAMED])
    return Verdict(
        "path-or-sender",
        Confidence.MEDIUM,
        f"{names} probably still {'sends' if one else 'send'}: since then packets arrive here damaged, "
        f"{count} so far, and are dropped for their wrong checksum.",
        [
            f"{count} packets with a wrong UDP checksum since {ctx.time_of_day(scene.group.from_ns)}.",
            *verdict.evidence,
        ],
        [verdict.sentence.rstrip("."), *verdict.also_possible],
        verdict.still_working,
        [
            f"Look at the path from {senders} to this computer: switch ports that count errors, leads.",
            *verdict.next_checks,
        ],
        verdict.provisional,
    )
