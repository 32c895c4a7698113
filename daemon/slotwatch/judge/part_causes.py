"""Why a part of a source's streams stopped while the source continued: an output, its group, or its path."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from slotwatch.judge import leg_causes, wording
from slotwatch.judge.among import is_among
from slotwatch.judge.group_tables import SWITCHED_OFF_TOGETHER, forgotten
from slotwatch.judge.lists import say_renumbered, say_undeclared
from slotwatch.judge.multicast_causes import multicast_lost, querier_gone, say_how
from slotwatch.judge.rule import LOOK_AT_STAGE, LOOK_FOR_A_SECOND
from slotwatch.judge.scene import Scene, lead_of
from slotwatch.judge.stops import SLACK_NS
from slotwatch.judge.verdict import Verdict
from slotwatch.model.interleaving import FORGET_NS, PLAIN
from slotwatch.snapshot import Confidence
from slotwatch.wire.universe import Protocol


def part_of_source(scene: Scene) -> Verdict:
    """Give the likeliest cause where a source lost some of its streams, and others of it continued."""
    ctx = scene.ctx
    silent_querier = querier_gone(scene)
    partial = [source for source in scene.sources if source not in scene.whole]
    source = next((one for one in partial if len(scene.alive_of(one))), partial[0])
    mine = np.flatnonzero(scene.stopped & (ctx.streams.source == source))
    alive = scene.alive_of(source)
    multicast, alive_multicast = scene.is_multicast(mine), scene.is_multicast(alive)
    if silent_querier and multicast.all():
        if alive_multicast.any():
            silent_querier.confidence = Confidence.MEDIUM
        return silent_querier
    if twin := _twin_of(scene, source, mine):
        return twin
    if len(alive) and _is_of_two(scene, alive).all():
        return _in_its_name(scene, source, mine, alive)
    if not len(alive):
        if not (scene.outlived & (ctx.streams.source == source)).any():
            return Verdict("unknown", Confidence.LOW, "The evidence does not point to one cause.")
        return _outlived(scene, source)
    if len(mine) >= 2 and multicast.all() and not alive_multicast.any():
        other_way = scene.say_going(alive, f"of {ctx.say_source(source)} by unicast or broadcast")
        return multicast_lost(scene, [f"{len(mine)} groups stopped {say_how(scene)}.", other_way])
    listed = is_listed(scene, source, mine)
    if listed is False:
        return _withdrawn(
            scene,
            source,
            mine,
            f"Its discovery list, sent after the stop, no longer lists {'it' if len(mine) == 1 else 'them'}.",
        )
    if not multicast.any() and (~alive_multicast).any():
        return _withdrawn(scene, source, mine, "Its streams that continue take the same path to this port.")
    running = [source] if len(partial) == 1 else _running_together(scene, partial)
    if running and (dropped := _forgotten_of(scene, running)):
        return dropped
    verdict = _path_or_sender(scene, source, mine, alive)
    if not leg_causes.say_other_leg(scene, source, mine, verdict):
        _say_shared_groups(scene, partial, verdict)
        verdict.evidence.append(_say_listing(scene, source, mine, listed=listed))
    return verdict


def _running_together(scene: Scene, partial: list[int]) -> list[int]:
    """Several sources that run and of which a part stopped at once, if no other one stopped; else empty."""
    running = [source for source in partial if len(scene.alive_of(source))]
    is_all = len(scene.ctx.whole_sources(running)) >= 2 and len(running) == len(scene.sources)
    return running if is_all else []


def _forgotten_of(scene: Scene, sources: list[int]) -> Verdict | None:
    mine = np.flatnonzero(scene.stopped & is_among(scene.ctx.streams.source, sources))
    return forgotten(scene, sources, mine, np.concatenate([scene.alive_of(source) for source in sources]))


def _twin_of(scene: Scene, source: int, mine: NDArray[np.intp]) -> Verdict | None:
    """Give the verdict where all that goes on of a source comes from another address, on the universes that stopped."""
    ctx, streams = scene.ctx, scene.ctx.streams
    went_on = scene.alive | scene.outlived
    lead = lead_of(ctx, source)
    kin = [row for row in set(streams.source[went_on].tolist()) if lead_of(ctx, row) == lead]
    going = np.flatnonzero(went_on & is_among(streams.source, kin))
    if not len(going) or not is_among(streams.universe[going], streams.universe[mine].tolist()).all():
        return None
    if (streams.source[going] == source).any():
        return None
    name, others = ctx.say_source(source), sorted(set(streams.source[going].tolist()))
    twin, one = wording.list_names(ctx.say_source(row) for row in others), len(mine) == 1
    addresses = wording.list_names(ctx.sources[row].address for row in others)
    return Verdict(
        "path-or-sender",
        Confidence.LOW,
        f"{name} stopped: power, crash or its network lead. {twin} counts as the same source and continued.",
        [f"{wording.count(len(mine), 'stream')} of {name} ended, without the stream-terminated bit."],
        [f"both addresses are one machine, which sends {'it' if one else 'them'} from one of them only now"],
        next_checks=[
            f"Look at the screen of {ctx.source_name(source)}: is it running?",
            f"Find out which machine has the address {addresses}: is it meant to send?",
        ],
        speaks_of=(source,),
    )


def _is_of_two(scene: Scene, rows: NDArray[np.intp]) -> NDArray[np.bool_]:
    """(N,) whether two senders in one name sent these streams as the others stopped."""
    streams = scene.ctx.streams
    lately = streams.interleaved_ns[rows] >= scene.group.from_ns - FORGET_NS
    of_two: NDArray[np.bool_] = lately & (streams.interleaved[rows] >= PLAIN)
    return of_two


def _in_its_name(scene: Scene, source: int, mine: NDArray[np.intp], alive: NDArray[np.intp]) -> Verdict:
    """The verdict where all that goes on came from two senders in its name: either may be the one that stopped."""
    ctx, row = scene.ctx, scene.ctx.sources[source]
    name, one = ctx.say_source(source), len(set(ctx.streams.universe[mine].tolist())) == 1
    going = ctx.name_universes(sorted(set(ctx.streams.universe[alive].tolist())))
    gone = ctx.name_universes(sorted(set(ctx.streams.universe[mine].tolist())))
    identity = Protocol(ctx.streams.protocol[alive[0]]).facts.identity
    return Verdict(
        "unknown",
        Confidence.LOW,
        f"Two senders used the {identity} of {name}. One of them still sends {going}, so it is not known "
        f"whether {ctx.source_name(source)} itself runs.",
        [f"Before {gone} stopped, packets of two series of numbers came for {going}."],
        [
            "the source stopped: power, crash or its network lead",
            f"{'this universe no longer reaches' if one else 'these universes no longer reach'} this port",
        ],
        next_checks=[
            f"Look at {row.declared_as or row.source_name or row.address}: is it running?",
            LOOK_FOR_A_SECOND,
            LOOK_AT_STAGE,
        ],
        speaks_of=(source,),
    )


def _path_or_sender(scene: Scene, source: int, mine: NDArray[np.intp], alive: NDArray[np.intp]) -> Verdict:
    """The verdict where nothing shows whether the groups or the outputs fail. alive: the source's other streams."""
    ctx, row = scene.ctx, scene.ctx.sources[source]
    one = len(set(ctx.streams.universe[mine].tolist())) == 1
    cut_off = "this group no longer reaches" if one else "these groups no longer reach"
    stuck = "that one output is stuck" if one else "those outputs are stuck"
    return Verdict(
        "path-or-sender",
        Confidence.LOW,
        f"{ctx.say_source(source)} is running and still sends its other universes: either {cut_off} "
        f"this port (membership, group table), or {stuck}.",
        [scene.say_going(alive, f"of {ctx.say_source(source)}")],
        [
            f"the {'output was' if one else 'outputs were'} switched off or unpatched at the source",
            "the switch's group table is full",
        ],
        next_checks=[
            f"Look at {row.declared_as or row.source_name or row.address}: "
            f"{'is this universe' if one else 'are these universes'} still sent?",
            f"Look at the switch's group table for this port: does it hold {'this group' if one else 'these groups'}?",
            f"Look at the stage: do the lights on {'this universe' if one else 'these universes'} still follow?",
        ],
        speaks_of=(source,),
    )


def _say_listing(scene: Scene, source: int, mine: NDArray[np.intp], *, listed: bool | None) -> str:
    """What discovery lists of the source show of its stopped streams, as evidence. listed: as `is_listed` gives it."""
    row = scene.ctx.sources[source]
    them = "it" if len(set(scene.ctx.streams.universe[mine].tolist())) == 1 else "them"
    if listed:
        return f"Its discovery list of {scene.ctx.time_of_day(row.listed_at_ns)} still lists {them}."
    if not row.listed_at_ns:
        return "This source sends no discovery list, so it does not announce what it sends."
    return f"Its next discovery list will show whether the source dropped {them}."


def _say_shared_groups(scene: Scene, partial: list[int], verdict: Verdict) -> None:
    """Say so where groups of several running sources stopped at once: an output of one of them cannot be the cause."""
    ctx = scene.ctx
    running = _running_together(scene, partial)
    stopped = np.flatnonzero(scene.stopped & is_among(ctx.streams.source, running))
    if not running or not scene.is_multicast(stopped).all():
        return
    names, groups = wording.list_names(ctx.say_sources(running)), len(set(ctx.streams.universe[stopped].tolist()))
    these = "this group probably no longer reaches" if groups == 1 else "these groups probably no longer reach"
    verdict.reword(
        f"{names} are running and still send their other universes: {these} this port (membership, group table), "
        "for outputs of several sources seldom fail at once.",
        tuple(running),
    )
    verdict.also_possible = [SWITCHED_OFF_TOGETHER, *verdict.also_possible[1:]]
    verdict.next_checks = [*verdict.next_checks[1:2], *verdict.next_checks[:1], *verdict.next_checks[2:]]


def _outlived(scene: Scene, source: int) -> Verdict:
    """Part of a source stopped, and the rest continued for a while: the source itself did not stop then."""
    ctx = scene.ctx
    rows = np.flatnonzero(scene.outlived & (ctx.streams.source == source))
    went_on_ns = int(scene.stops.last_ns[rows].max()) - scene.group.from_ns
    others = ctx.name_universes(sorted(set(ctx.streams.universe[rows].tolist())))
    return Verdict(
        "path-or-sender",
        Confidence.LOW,
        f"{ctx.say_source(source)} continued with {others} for {wording.seconds(went_on_ns)} after that: "
        "this part stopped by itself.",
        [f"The last frame on {others} came at {ctx.time_of_day(int(scene.stops.last_ns[rows].max()))}."],
        ["the switch drops one group after the other", "the source lost its outputs one after the other"],
        next_checks=[
            f"Look at the screen of {ctx.source_name(source)}: is it running, and what does it list as sent?",
            "Look at the switch's group table for this port.",
        ],
        speaks_of=(source,),
    )


def is_listed(scene: Scene, source: int, rows: NDArray[np.intp]) -> bool | None:
    """Whether a list sent since the stop still names what stopped. None: no such list yet."""
    streams, row = scene.ctx.streams, scene.ctx.sources[source]
    if row.listed is None or row.listed_at_ns <= scene.group.from_ns + SLACK_NS:
        return None
    e131 = rows[streams.protocol[rows] == Protocol.E131]
    if not len(e131):
        return None
    return bool(is_among(streams.number[e131], row.listed).any())


def _withdrawn(scene: Scene, source: int, rows: NDArray[np.intp], evidence: str) -> Verdict:
    ctx = scene.ctx
    legs = next(legs for legs in (*ctx.by_source(scene.sources), [source]) if source in legs)
    undeclared = say_undeclared(ctx, source)
    became = say_renumbered(ctx, source, rows) or "switched off, unpatched or failed"
    one = len(set(ctx.streams.universe[rows].tolist())) == 1
    it, output = ("it", "the output was") if one else ("them", "the outputs were")
    these, are = ("this universe", "is this universe") if one else ("these universes", "are these universes")
    verdict = Verdict(
        "universe-withdrawn",
        Confidence.HIGH,
        f"{ctx.say_legs(legs)} is running and no longer sends {it}: {output} {became}.",
        [evidence, scene.say_going(scene.alive_of(*legs), "of this source")],
        [f"the path of {these} to this port"],
        # Two of its own, as above: nothing is wrong with the source's lead.
        next_checks=[
            f"Look at the output list of {ctx.source_name(source)}: {are} on?",
            LOOK_AT_STAGE,
        ],
        speaks_of=tuple(legs),
    )
    if undeclared:
        verdict.evidence.append(f"{undeclared}.")
    return verdict
