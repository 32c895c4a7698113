"""What other listeners add to the cause of a loss: a source that is still heard there is lost on the path here."""

from __future__ import annotations

from slotwatch.judge.elsewhere import OtherListener, say_page
from slotwatch.judge.scene import Scene
from slotwatch.judge.verdict import Verdict
from slotwatch.snapshot import Confidence


def weigh_elsewhere(scene: Scene, verdict: Verdict) -> Verdict:
    """Give the verdict with what other listeners hear of the streams that stopped here."""
    ctx, rows = scene.ctx, scene.stopped.nonzero()[0].tolist()
    if not ctx.house.listeners or not rows or scene.group.kind == "terminated":
        return verdict
    for declared, other in ctx.listener.elsewhere.well(ctx):
        heard = [_continues(scene, other, row) for row in rows]
        one = len(scene.sources) == 1
        if all(heard):
            here, there, names = declared.own_name, declared.name, scene.names
            return Verdict(
                "path-or-sender",
                Confidence.HIGH,
                f"{'It is' if one else 'They are'} still heard at {there}, so {'it sends' if one else 'they send'}: "
                f"{'it is' if one else 'they are'} lost on the path between {there} and {here}.",
                [f"{names} {'was' if one else 'were'} heard at {there} after the stop here.", say_page(declared)],
                [f"the switch port or the group membership of {here} alone"],
                verdict.still_working,
                [
                    "Look at the switches and uplinks between the two listeners: link lamps, and the log of the last "
                    "minute.",
                    "Look at the stage: do receivers on the side that hears nothing hold their last look?",
                ],
                verdict.provisional,
                verdict.settles_ns,
            )
        # Of a universe that nobody sends, the incident says so itself.
        carried_on = any(ctx.universes.live[ctx.universe_of(row)] for row in rows)
        if carried_on and all(one is False for one in heard):
            verdict.evidence.append(f"{'It' if one else 'They'} stopped at {declared.name} too.")
    return verdict


def _continues(scene: Scene, other: OtherListener, row: int) -> bool | None:
    """Whether a stream that stopped here continued there. None: it was never heard there, or that side is blind."""
    ctx = scene.ctx
    found = other.stream_of(ctx, row)
    if found is None or found.age_ns is None:
        return None
    timeout_ns = int(ctx.universes.loss_timeout_ns[ctx.universe_of(row)])
    last_ns = other.answered_ns - found.age_ns
    if found.state == "live" and last_ns - int(scene.stops.last_ns[row]) > timeout_ns // 2:
        return True
    return False if found.judged and found.age_ns > timeout_ns else None
