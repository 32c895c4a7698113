"""The cause of a loss that its source announced: what ended with the stream-terminated bit, and what beside it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from slotwatch.judge import wording
from slotwatch.judge.among import is_among
from slotwatch.judge.rule import LOOK_AT_STAGE
from slotwatch.judge.scene import ONE_END_NS, Scene
from slotwatch.judge.verdict import Verdict
from slotwatch.snapshot import Confidence


def announced_end(scene: Scene) -> Verdict:
    """Give the verdict of streams whose source sent that they end."""
    ctx = scene.ctx
    rows = scene.stopped.nonzero()[0]
    names = scene.names
    others = ctx.live & ~scene.stopped & is_among(ctx.streams.source, scene.sources)
    every = not others.any()
    unannounced = _ended_unannounced(scene)
    whose, they_were = ("its", "it was") if len(scene.sources) == 1 else ("their", "they were")
    these = "this stream" if len(rows) == 1 else "these streams"
    ended = f"the end of all {whose} streams: a stop at the source, not a network fault"
    if not every:
        ended = f"the end of {these}, and {whose} others continue: a stop at the source, not a network fault"
    elif len(unannounced):
        ended = f"the end of {these}, and {whose} others ended in the same second without notice: "
        ended += f"{they_were} closed, or failed while closing"
    count = int(ctx.streams.terminated[rows].sum())
    verdict = Verdict(
        "stream-terminated",
        Confidence.MEDIUM if every and len(unannounced) else Confidence.CERTAIN,
        f"{names} announced {ended}.",
        [
            f"Stream-terminated bit seen {wording.count(count, 'time')}, "
            f"the last at {ctx.time_of_day(scene.group.from_ns)}."
        ],
    )
    if every and len(unannounced):
        silent = sorted(set(ctx.streams.universe[unannounced].tolist()))
        verdict.evidence.append(f"In the same second, without that bit: {ctx.name_universes(silent)} of {names}.")
    elif every:
        verdict.evidence.append(f"Every stream of {names} ended with that bit.")
    # Two of its own, so that the rule's general ones do not doubt what the source itself sent.
    verdict.next_checks = [
        "Ask the operator whether the stop was intended.",
        LOOK_AT_STAGE,
    ]
    return verdict


def say_announced_beside(scene: Scene, verdict: Verdict) -> Verdict:
    """Doubt that a source failed if it announced in the same second that other streams of it end."""
    announced = (_ended_beside(scene) & scene.stops.terminated).nonzero()[0]
    if verdict.cause != "source-lost" or len(scene.ctx.whole_sources(scene.sources)) > 1 or not len(announced):
        return verdict
    ctx, names = scene.ctx, scene.names
    said, silent = (
        ctx.name_universes(sorted(set(ctx.streams.universe[rows].tolist())))
        for rows in (announced, scene.stopped.nonzero()[0])
    )
    verdict.confidence = Confidence.MEDIUM
    verdict.sentence = (
        f"{names} announced the end of {said} in the same second: it was closed, or failed while closing."
    )
    verdict.evidence[0] = f"The stream-terminated bit came for {said}, and did not come for {silent}."
    verdict.next_checks.insert(0, "Ask the operator whether the stop was intended.")
    return verdict


def _ended_unannounced(scene: Scene) -> NDArray[np.intp]:
    """Streams of the same sources that ended in the same second, and of which nobody said so."""
    return (_ended_beside(scene) & ~scene.stops.terminated).nonzero()[0]


def _ended_beside(scene: Scene) -> NDArray[np.bool_]:
    """(S,) streams of the same sources that ended in the same second."""
    ctx, stops, moment_ns = scene.ctx, scene.stops, scene.group.from_ns
    mine = is_among(ctx.streams.source, scene.sources) & stops.had_frames & ~ctx.live
    ended: NDArray[np.bool_] = mine & (abs(stops.last_ns - moment_ns) <= ONE_END_NS)
    return ended
