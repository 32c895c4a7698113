"""The cause of an absence where the silent source sends again, under an identity or address that is not declared."""

from __future__ import annotations

from slotwatch.judge import wording
from slotwatch.judge.scene import Scene
from slotwatch.judge.succession import CHECKS_OF_ITS_RETURN, IDENTITY_CHANGED, changes, is_back_as, moved, prove_changes
from slotwatch.judge.verdict import Verdict
from slotwatch.judge.visitors import Visitors
from slotwatch.snapshot import Confidence


def came_back(scene: Scene) -> Verdict | None:
    """Give the verdict that all that stopped came back as undeclared sources; None if any of it did not."""
    ctx, streams = scene.ctx, scene.ctx.streams
    now_of: dict[int, int] = {}
    """Of each stream that stopped, the one as which it came back."""
    visitors = Visitors(ctx)
    for row in scene.stopped.nonzero()[0].tolist():
        live = (one for one in ctx.streams_of(ctx.universe_of(row)).tolist() if ctx.live[one])
        now = next((one for one in live if _is_it(scene, one, row) and visitors.visit(one) is None), -1)
        if now < 0:
            return None
        now_of[row] = now
    if not now_of:
        return None
    returned: dict[tuple[int, int], tuple[int, int]] = {}
    """Of each pair of sources, before and now, the first such pair of streams."""
    for row, now in now_of.items():
        returned.setdefault((ctx.source_of(row), ctx.source_of(now)), (row, now))
    how, evidence = dict[str, None](), list[str]()
    for row, now in returned.values():
        how |= dict.fromkeys(changes(ctx, now, row))
        began = ctx.time_of_day(int(streams.since_ns[now]))
        evidence += [f"{ctx.say_source(ctx.source_of(now))} has sent the same since {began}."]
        evidence += prove_changes(ctx, now, row)
    by_name = not all(moved(ctx, now, row) for row, now in returned.values())
    it_seems = "They seem" if len(returned) > 1 else "It seems"
    return Verdict(
        IDENTITY_CHANGED,
        Confidence.MEDIUM if by_name else Confidence.HIGH,
        f"{it_seems} to have come back {wording.list_names(list(how))}.",
        evidence,
        ["another device of the same name that was switched on in that moment"] if by_name else [],
        next_checks=list(CHECKS_OF_ITS_RETURN),
        returned_as=frozenset(now_of.values()),
    )


def _is_it(scene: Scene, row: int, earlier: int) -> bool:
    """Whether a stream is that of an undeclared source that seems to be the one of an earlier stream."""
    ctx = scene.ctx
    source = ctx.source_of(row)
    if ctx.declared_source(source) is not None or ctx.is_here(source):
        return False
    return is_back_as(ctx, row, earlier)
