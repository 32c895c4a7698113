"""The cause of an absence where the silent source sends again, under an identity or address that is not declared."""

from __future__ import annotations

import numpy as np

from slotwatch.judge import wording
from slotwatch.judge.scene import Scene, Verdict
from slotwatch.judge.succession import CHECKS_OF_ITS_RETURN, IDENTITY_CHANGED, changes, is_back_as, moved, prove_changes
from slotwatch.judge.visitors import Visitors
from slotwatch.snapshot import Confidence


def came_back(scene: Scene) -> Verdict | None:
    """Give the verdict that all that stopped came back as undeclared sources; None if any of it did not."""
    ctx, streams = scene.ctx, scene.ctx.streams
    stopped = np.flatnonzero(scene.stopped)
    returned: dict[int, int] = {}
    """Of each pair of sources, before and now, one stream of the later one, with one of the earlier."""
    every = set[int]()
    pairs: set[tuple[int, int]] = set()
    visitors = Visitors(ctx)
    for row in stopped.tolist():
        beside = np.flatnonzero(ctx.live & (streams.universe == streams.universe[row])).tolist()
        now = next((other for other in beside if _is_it(scene, other, row) and visitors.visit(other) is None), -1)
        if now < 0:
            return None
        every.add(now)
        pair = ctx.source_of(row), ctx.source_of(now)
        if pair not in pairs:
            pairs.add(pair)
            returned[now] = row
    if not returned:
        return None
    how, evidence = dict[str, None](), list[str]()
    for now, row in returned.items():
        how |= dict.fromkeys(changes(ctx, now, row))
        began = ctx.time_of_day(int(streams.since_ns[now]))
        evidence += [f"{ctx.say_source(ctx.source_of(now))} has sent the same since {began}."]
        evidence += prove_changes(ctx, now, row)
    by_name = not all(moved(ctx, now, row) for now, row in returned.items())
    it_seems = "They seem" if len(pairs) > 1 else "It seems"
    return Verdict(
        IDENTITY_CHANGED,
        Confidence.MEDIUM if by_name else Confidence.HIGH,
        f"{it_seems} to have come back {wording.list_names(list(how))}.",
        evidence,
        ["another device of the same name that was switched on in that moment"] if by_name else [],
        next_checks=list(CHECKS_OF_ITS_RETURN),
        returned_as=frozenset(every),
    )


def _is_it(scene: Scene, row: int, earlier: int) -> bool:
    """Whether a stream is that of an undeclared source that seems to be the one of an earlier stream."""
    ctx = scene.ctx
    source = ctx.source_of(row)
    if ctx.declared_source(source) is not None or ctx.is_here(source):
        return False
    return is_back_as(ctx, row, earlier)
