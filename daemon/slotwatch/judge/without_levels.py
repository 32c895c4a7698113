"""Packets that hold no levels a receiver may use: what comes where levels are awaited, and from whom."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from slotwatch.durations import NANOSECONDS
from slotwatch.judge import wording
from slotwatch.judge.among import is_among
from slotwatch.judge.context import RuleContext
from slotwatch.judge.rule import LOOK_AT_STAGE, LOOK_FOR_A_SECOND
from slotwatch.judge.scene import Scene
from slotwatch.judge.verdict import Verdict
from slotwatch.snapshot import Confidence
from slotwatch.wire.fields import OPTION_TERMINATED

ALIVE_NS = 3 * NANOSECONDS
"""Packets of a stream at rest come each second (ANSI E1.31-2018 6.6.2), and some may be lost."""
MISSING = 2
"""Out of the last 10 packets: more than chance loses on a sound path (our choice)."""
SURE_NS = 10 * NANOSECONDS
"""This many frames of levels in a row are not lost by chance between others that arrive (our choice)."""


def live_names(ctx: RuleContext) -> frozenset[str]:
    """The declared sources that send levels now, on any universe. For `RuleContext.once`."""
    return _names_of(ctx, ctx.live)


def heard_names(ctx: RuleContext) -> frozenset[str]:
    """The declared sources that send now, on any universe, also without levels. For `RuleContext.once`."""
    return _names_of(ctx, ctx.live | (ctx.streams.used & (ctx.now_ns - ctx.streams.last_packet_ns < ALIVE_NS)))


def _names_of(ctx: RuleContext, streams: NDArray[np.bool_]) -> frozenset[str]:
    return frozenset(ctx.sources[ctx.source_of(row)].declared_as for row in streams.nonzero()[0].tolist())


def comes_on(scene: Scene) -> bool:
    """Whether packets of all that stopped came on, and held no levels that a receiver may use."""
    rows = scene.stopped.nonzero()[0]
    return bool(len(rows)) and bool(_come_on(scene, rows).all())


def _come_on(scene: Scene, rows: NDArray[np.intp]) -> NDArray[np.bool_]:
    """Which of these streams still had other packets a second after their last levels. An announced end is none."""
    streams = scene.ctx.streams
    others_ns = np.maximum(streams.last_preview_ns[rows], streams.last_slot_priority_ns[rows])
    came_ns = np.where(streams.options[rows] & OPTION_TERMINATED, others_ns, streams.last_packet_ns[rows])
    come_on: NDArray[np.bool_] = came_ns > scene.stops.last_ns[rows] + NANOSECONDS
    return come_on


def sends_no_levels(scene: Scene) -> Verdict | None:
    """Give the verdict where packets of all that stopped came on, or came for some of it from somebody unknown."""
    strange = strays(scene.ctx, scene.stopped.nonzero()[0])
    strange = strange[_come_on(scene, strange)]
    if len(strange):
        return _in_its_name(scene, strange)
    if not comes_on(scene):
        return None
    ctx, streams = scene.ctx, scene.ctx.streams
    rows = scene.stopped.nonzero()[0]
    stopped_ns = scene.stops.last_ns[rows]
    # A source that has just come back sends other packets before its first levels, which come once a second at rest.
    back_ns = streams.return_ns[rows]
    if ((back_ns > stopped_ns) & (streams.last_packet_ns[rows] - back_ns < ALIVE_NS)).any():
        return None
    newest_ns = int(streams.last_packet_ns[rows].max())
    if (streams.lost_of_last_10[rows] >= MISSING).all() and ctx.now_ns - scene.group.from_ns < SURE_NS:
        return _lost_between_others(scene)
    what = _without_levels(ctx, rows, stopped_ns)
    names = scene.names
    one = len(ctx.whole_sources(scene.sources)) == 1
    its = "its" if one else "their"
    senders = wording.list_names(sorted({ctx.source_name(source) for source in scene.sources}))
    return Verdict(
        "universe-withdrawn",
        Confidence.HIGH,
        f"{names} {'is' if one else 'are'} running, and {its} packets still come there with {what}: "
        "they hold no levels that receivers may use."
        if ctx.now_ns - newest_ns < ALIVE_NS
        else f"{names} continued to send {what}, which holds no levels, and stopped at {ctx.time_of_day(newest_ns)}.",
        [
            f"The newest packet came at {ctx.time_of_day(newest_ns)}, the last levels "
            f"at {ctx.time_of_day(int(stopped_ns.max()))}."
        ],
        [f"{its} levels are sent by another path, which does not reach this port"],
        next_checks=[
            f"Look at the output settings of {senders}: blind or preview mode, start code.",
            "Look at the stage: do the lights on these universes still follow?",
        ],
    )


def strays(ctx: RuleContext, rows: NDArray[np.intp]) -> NDArray[np.intp]:
    """Those streams of which packets without levels came after their last frame, with numbers of another series."""
    streams = ctx.streams
    return rows[streams.last_stray_ns[rows] > streams.last_arrival_ns[rows]]


def _in_its_name(scene: Scene, strange: NDArray[np.intp]) -> Verdict:
    """Give the verdict where somebody sends other packets in the name of what stopped, or it was started anew."""
    ctx, source = scene.ctx, scene.ctx.source_of(int(strange[0]))
    name, screen = ctx.say_source(source), ctx.source_name(source)
    what = _without_levels(ctx, strange, ctx.streams.last_arrival_ns[strange])
    there = ctx.name_universes(sorted(set(ctx.streams.universe[strange].tolist())))
    newest_ns = int(ctx.streams.last_packet_ns[strange].max())
    return Verdict(
        "unknown",
        Confidence.LOW,
        f"Since then packets with the identity and address of {name} hold only {what}, and their numbers do not "
        f"continue those of its frames. So it is not known whether {screen} itself runs.",
        [f"The newest of those packets came for {there} at {ctx.time_of_day(newest_ns)}."],
        [
            "the source stopped, and somebody else sends those packets",
            "the source was started anew, and sends no levels yet",
        ],
        next_checks=[f"Look at the screen of {screen}: is it running?", LOOK_FOR_A_SECOND, LOOK_AT_STAGE],
        speaks_of=(source,),
    )


def comes_without_levels(ctx: RuleContext, universe: int) -> tuple[tuple[int, ...], str]:
    """Say who sends packets on a universe now that never held levels there, and what they hold instead.

    Returns rows of sources and words; neither, if there are none.
    """
    streams = ctx.streams
    rows = ctx.streams_of(universe)
    here = rows[(streams.last_arrival_ns[rows] == 0) & (ctx.now_ns - streams.last_packet_ns[rows] < ALIVE_NS)]
    if not len(here):
        return (), ""
    return tuple(sorted({ctx.source_of(row) for row in here.tolist()})), _without_levels(ctx, here, 0)


def _without_levels(ctx: RuleContext, rows: NDArray[np.intp], since_ns: NDArray[np.int64] | int) -> str:
    """Say what these streams have sent since, without levels."""
    kinds = []
    if (ctx.streams.last_preview_ns[rows] > since_ns).any():
        kinds.append("preview data")
    if (ctx.streams.last_slot_priority_ns[rows] > since_ns).any():
        kinds.append("per-address priorities (start code 0xDD)")
    return " and ".join(kinds) or "another start code than that of levels"


def packets_of(ctx: RuleContext, names: list[str]) -> NDArray[np.intp]:
    """Rows of the streams of which packets ever came from declared sources, by their names."""
    numbers = [number for number, source in enumerate(ctx.house.sources) if source.name in names]
    declared = ctx.stream_sources_declared
    return np.flatnonzero(is_among(declared, numbers) & (ctx.streams.last_packet_ns[: len(declared)] > 0))


def never_sent_levels(ctx: RuleContext, names: list[str], universes: set[int]) -> Verdict | None:
    """Give the verdict where sources that never sent levels on these universes are heard nevertheless."""
    streams = ctx.streams
    rows = packets_of(ctx, names)
    is_alive = ctx.live[rows] | (ctx.now_ns - streams.last_packet_ns[rows] < ALIVE_NS)
    if {ctx.sources[ctx.source_of(row)].declared_as for row in rows[is_alive].tolist()} != set(names):
        return None
    one = len(names) == 1
    said = wording.list_names([f'"{name}"' for name in names])
    runs, its, them = (f"{said} is running", "its", "it") if one else (f"{said} are running", "their", "them")
    is_here = is_among(streams.universe[rows], sorted(universes)) & (streams.last_arrival_ns[rows] == 0)
    here = rows[is_here & is_alive]
    if len(here):
        told = set(streams.universe[here].tolist())
        where = "there" if told == universes else f"on {ctx.name_universes(sorted(told))}"
        sentence = (
            f"{runs}, and {its} packets come {where} with {_without_levels(ctx, here, 0)}: they hold no levels that "
            "receivers may use."
        )
        if silent := sorted(universes - set(streams.universe[rows].tolist())):
            sentence += f" Nothing of {them} came on {ctx.name_universes(silent)} since this listener started."
        return Verdict(
            "universe-withdrawn",
            Confidence.HIGH if told == universes else Confidence.MEDIUM,
            sentence,
            next_checks=[
                f"Look at the output settings of {wording.list_names(names)}: blind or preview mode, start code.",
                "Look at the stage: do the lights on these universes follow?",
            ],
        )
    these = "this universe" if len(universes) == 1 else "these universes"
    verdict = Verdict(
        "unknown",
        Confidence.LOW,
        f"{runs}, and {'has' if one else 'have'} sent nothing there since this listener started.",
        also_possible=[f"{its} output of {these} is off", f"{its} packets do not reach this port there"],
    )
    if before := rows[is_here].tolist():
        until = ctx.time_of_day(int(streams.last_packet_ns[before].max()))
        what = _without_levels(ctx, rows[is_here], 0)
        verdict.sentence = f"{runs}, and sent there only {what}, which holds no levels, until {until}."
    return verdict


def _lost_between_others(scene: Scene) -> Verdict:
    """Give the verdict where levels are missing by their numbers, between other packets that came."""
    ctx = scene.ctx
    names = scene.names
    one = len(ctx.whole_sources(scene.sources)) == 1
    its = "its" if one else "their"
    missing = ctx.streams.lost_of_last_10[scene.stopped.nonzero()[0]]
    counted = f"{missing[0]} of its last 10 packets"
    if len(missing) > 1:
        counted = f"At least {missing.min()} of the last 10 packets of each stream"
    return Verdict(
        "path-or-sender",
        Confidence.MEDIUM,
        f"{names} probably still {'sends' if one else 'send'} it: {its} path to this port loses frames. "
        "At rest a frame comes once a second, so two lost in a row count as a loss.",
        [f"{counted} are missing by sequence number; others of the same series came since."],
        [f"{its} levels were switched off, and {its} other packets continue"],
        next_checks=[f"Look at leads and switch ports on the path from {names} to this computer."],
    )
