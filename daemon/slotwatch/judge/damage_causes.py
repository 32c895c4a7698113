"""Losses while packets arrive damaged, or while some are missing: what fell silent may still send."""

from __future__ import annotations

import numpy as np

from slotwatch.durations import NANOSECONDS
from slotwatch.judge import wording
from slotwatch.judge.among import is_among
from slotwatch.judge.part_causes import is_listed
from slotwatch.judge.scene import Scene
from slotwatch.judge.verdict import Verdict, at_most
from slotwatch.model.windows import FRAMES, LOST
from slotwatch.snapshot import Confidence

OWED_HZ = 0.8
"""Packets a second that a stream at rest must send at least (ANSI E1.31-2018 6.6.2), with some slack."""
FRESH_NS = 2 * NANOSECONDS
MOST_NAMED = 6
COUNTED_S = 10.0
FEWEST_MISSING, MISSING_SHARE = 5, 0.03
"""With 3 in 100 missing, two in a row at rest are missed about once in 20 minutes (our choice)."""
MISSED_BEFORE = 2
"""Out of the last 10 frames: more than chance loses on a sound path (our choice)."""
RESTING = 2
"""Equal frames after which a source sends less often (ANSI E1.31-2018 6.6.2)."""
_DOUBTED = frozenset(
    {"source-lost", "leg-lost", "network-lost", "multicast-lost", "path-or-sender", "universe-withdrawn"}
)
"""Causes that do not know of packets that came damaged."""


def weigh_damage(scene: Scene, verdict: Verdict) -> Verdict:
    """Doubt a verdict while about as many damaged packets arrive as the lost streams would send."""
    ctx, damage = scene.ctx, scene.ctx.listener.damage
    lasted_ns = ctx.now_ns - scene.group.from_ns
    if verdict.cause not in _DOUBTED or not damage.last_ns or ctx.now_ns - damage.last_ns > FRESH_NS:
        return verdict
    count = damage.since(scene.group.from_ns)
    if count < OWED_HZ * int(scene.stopped.sum()) * lasted_ns / NANOSECONDS:
        return verdict
    names = scene.names
    whole = ctx.whole_sources(scene.sources)
    one = len(whole) == 1
    senders = wording.list_names(ctx.source_name(source) for source in whole[:MOST_NAMED])
    return Verdict(
        "path-or-sender",
        Confidence.MEDIUM,
        f"{names} probably still {'sends' if one else 'send'}: since then packets arrive here damaged, "
        f"{count:,} so far, and are dropped for their wrong checksum.",
        [
            f"{count:,} packets with a wrong UDP checksum since {ctx.time_of_day(scene.group.from_ns)}.",
            *verdict.evidence,
        ],
        [verdict.sentence.rstrip("."), *verdict.also_possible],
        verdict.still_working,
        [
            f"Look at the path from {senders} to this computer: switch ports that count errors, leads.",
            *verdict.next_checks,
        ],
        verdict.provisional,
        verdict.settles_ns,
    )


def weigh_missing(scene: Scene, verdict: Verdict) -> Verdict:
    """Doubt a verdict while frames of the same source are missing: at rest, two lost in a row count as a loss."""
    if verdict.cause not in _DOUBTED:
        return verdict
    ctx, streams = scene.ctx, scene.ctx.streams
    lost = ctx.counted((LOST,), COUNTED_S)
    due, loses = lost, (lost >= FEWEST_MISSING) & streams.sequence_measurable
    if np.count_nonzero(loses):
        due = lost + ctx.counted((FRAMES,), COUNTED_S)
        loses &= lost >= MISSING_SHARE * due
    rows = scene.stopped.nonzero()[0]
    was_at_rest = bool((streams.equal_frames[rows] >= RESTING).all())
    mine = (loses & scene.alive & is_among(streams.source, scene.sources)).nonzero()[0]
    may_be_sent = verdict.cause == "path-or-sender" or (
        # A list sent since that no longer names it is evidence of its own.
        verdict.cause == "universe-withdrawn" and not any(is_listed(scene, one, rows) is False for one in scene.sources)
    )
    if len(mine) and was_at_rest and may_be_sent:
        worst = int(mine[(lost[mine] / due[mine]).argmax()])
        counted = f"{lost[worst]} of {due[worst]} frames of {ctx.universe_name(ctx.universe_of(worst))}"
        names = scene.names
        one = len(ctx.whole_sources(scene.sources)) == 1
        return Verdict(
            "path-or-sender",
            Confidence.MEDIUM,
            f"{names} probably still {'sends it: its' if one else 'send it: their'} path to this port loses frames, "
            f"{counted} in {COUNTED_S:g} s. "
            "At rest a frame comes once a second, so two lost in a row count as a loss.",
            [f"{counted} are missing by sequence number in {COUNTED_S:g} s.", *verdict.evidence],
            [verdict.sentence.rstrip("."), *verdict.also_possible],
            verdict.still_working,
            [f"Look at leads and switch ports on the path from {names} to this computer.", *verdict.next_checks],
            verdict.provisional,
            verdict.settles_ns,
        )
    missed = int(streams.lost_of_last_10[rows].min()) if len(rows) else 0
    if missed >= MISSED_BEFORE and was_at_rest and verdict.cause in ("source-lost", "network-lost", "leg-lost"):
        verdict.confidence = at_most(verdict.confidence, Confidence.MEDIUM)
        verdict.evidence.append(f"Of the last 10 frames before that, at least {missed} were missing already.")
        verdict.also_possible.insert(0, "a path that loses frames: at rest, two lost in a row count as a loss")
    return verdict
