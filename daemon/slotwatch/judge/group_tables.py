"""What the group table of the listener's own switch shows of streams that stopped: groups that it lists no longer.

A switch is read once a minute, and its table may be an old one where a reading failed. So only a group that was listed
before and is missing in a newer reading is evidence; that a group is still listed says nothing.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from slotwatch.durations import NANOSECONDS
from slotwatch.judge import wording
from slotwatch.judge.cabling import own_switch
from slotwatch.judge.rule import LOOK_AT_SNOOPING, LOOK_AT_STAGE
from slotwatch.judge.scene import Scene
from slotwatch.judge.switches import SwitchRecord
from slotwatch.judge.verdict import Verdict
from slotwatch.snapshot import Confidence
from slotwatch.wire.universe import Protocol

READ_WITHIN_NS = 75 * NANOSECONDS
"""Tables are read once a minute (our choice), with a poll more and some slack."""
SWITCHED_OFF_TOGETHER = "their outputs were switched off together, as a backup follows its main"


def awaited_until_ns(scene: Scene, verdict: Verdict) -> int:
    """Until when the next reading of the table may still show why a part of a source stopped; 0: it will not."""
    is_part = verdict.cause == "path-or-sender" and len(scene.whole) < len(scene.sources)
    return scene.group.from_ns + READ_WITHIN_NS if is_part and _table_of(scene) is not None else 0


def forgotten(scene: Scene, sources: list[int], mine: NDArray[np.intp], alive: NDArray[np.intp]) -> Verdict | None:
    """Give the verdict where the switch has dropped every group that stopped. mine: streams of these sources that
    stopped, alive: their others."""
    ctx, record = scene.ctx, _table_of(scene)
    streams, universes = ctx.streams, sorted(set(ctx.streams.universe[mine].tolist()))
    is_asked_for = (ctx.universes.joined[universes] > 0).all()
    if record is None or not is_asked_for or (streams.protocol[mine] != int(Protocol.E131)).any():
        return None
    if not scene.is_multicast(mine).all():
        return None
    groups = [f"239.255.{number >> 8}.{number & 255}" for number in sorted(set(streams.number[mine].tolist()))]
    lapses = [record.lapsed_groups.get(group) for group in groups]
    if any(one is None or not one.listed_ns < scene.group.to_ns or one.gone_ns < scene.group.from_ns for one in lapses):
        return None
    listed_ns, gone_ns = min(one.listed_ns for one in lapses if one), max(one.gone_ns for one in lapses if one)
    one = len(groups) == 1
    it, these = ("it", "this group") if one else ("them", "these groups")
    names = wording.list_names(ctx.say_sources(sources))
    is_source = len(ctx.whole_sources(sources)) == 1
    run = "is running and still sends its" if is_source else "are running and still send their"
    off = (
        "the output was switched off or unpatched at the source in that moment" if is_source else SWITCHED_OFF_TOGETHER
    )
    return Verdict(
        "multicast-lost",
        Confidence.MEDIUM,
        f"{names} {run} other universes. Switch {record.name} no longer lists {these}, "
        "which this listener still asks for.",
        [
            f"Switch {record.name} listed {wording.list_names(groups)} in its group table at "
            f"{ctx.time_of_day(listed_ns)}, and no longer at {ctx.time_of_day(gone_ns)}; this listener asks for {it}.",
            scene.say_going(alive, f"of {names}"),
        ],
        [off],
        next_checks=[LOOK_AT_SNOOPING, LOOK_AT_STAGE],
        speaks_of=tuple(sources),
    )


def _table_of(scene: Scene) -> SwitchRecord | None:
    """Give the switch that this listener is on, if its group table can be read; None: not known, or it cannot."""
    ctx = scene.ctx
    announced = [seen for network in scene.networks for seen in ctx.listener.ports.now(network, ctx.now_ns)]
    name = own_switch(ctx.listener.switches, announced)
    record = ctx.listener.switches.get(name) if name else None
    return record if record is not None and record.tables.groups else None
