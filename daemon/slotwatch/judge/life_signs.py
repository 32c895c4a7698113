"""Signs that a source whose data stopped is alive: its discovery, its answers on the network."""

from __future__ import annotations

import re

import numpy as np

from slotwatch.durations import NANOSECONDS
from slotwatch.judge import wording
from slotwatch.judge.among import is_among
from slotwatch.judge.before import NOT_HEARD_NS
from slotwatch.judge.damage_causes import RESTING
from slotwatch.judge.scene import Scene
from slotwatch.judge.verdict import Verdict, at_most
from slotwatch.model.announced_ends import DOUBTED_NS, doubted_ends
from slotwatch.model.interleaving import PLAIN
from slotwatch.snapshot import Confidence
from slotwatch.wire.universe import Protocol

LISTING_VALID_NS = 20 * NANOSECONDS
"""Two discovery intervals (ANSI E1.31-2018 4.3, 12.2): an older list says nothing."""
FRAME_NS = 40_000_000
"""One frame at 25 Hz, the slowest pace of moving levels that is common; common practice, no source."""
PAUSES_ARE_KNOWN_NS = 3600 * NANOSECONDS
"""How long a pause of a source says something of its next silence (our choice)."""


def lists_still(scene: Scene, source: int) -> bool:
    """Whether a discovery list of it came after its data stopped."""
    return scene.ctx.sources[source].listed_at_ns > scene.group.from_ns + NANOSECONDS


def answers_still(scene: Scene, source: int) -> bool:
    """Whether its address answered on the network after its data stopped, and not from another device than before."""
    row, from_ns = scene.ctx.sources[source], scene.group.from_ns
    neighbour = scene.ctx.listener.neighbours.get(row.network, row.address)
    if neighbour is None or neighbour.moved_ns > from_ns:
        return False
    return neighbour.answered_ns > from_ns + NANOSECONDS and neighbour.reachable


def living_sources(scene: Scene) -> Verdict | None:
    """Give the verdict where every source that stopped still sends its discovery; None where one does not."""
    ctx, streams = scene.ctx, scene.ctx.streams
    if not scene.sources or not all(lists_still(scene, source) for source in scene.sources):
        return None
    names = scene.names
    one = len(ctx.whole_sources(scene.sources)) == 1
    its = "its" if one else "their"
    rows = (scene.stopped & (streams.protocol == int(Protocol.E131))).nonzero()[0]
    listed = {number for source in scene.sources for number in ctx.sources[source].listed or ()}
    dropped = len(rows) > 0 and not is_among(streams.number[rows], sorted(listed)).any()
    newest_ns = max(ctx.sources[source].listed_at_ns for source in scene.sources)
    count = int(scene.stopped.sum())
    ended = f"{count} streams ended {how_they_ended(scene)}" if count > 1 else "The one stream ended"
    names_it = "no longer lists it" if dropped else "still lists it"
    return Verdict(
        "universe-withdrawn" if dropped else "path-or-sender",
        Confidence.MEDIUM if dropped else Confidence.LOW,
        f"{names} {'is' if one else 'are'} running, and {its} data stopped: {its} output was stopped, "
        "or the path of the data to this port failed.",
        [
            f"{ended}, without the stream-terminated bit.",
            f"{its.capitalize()} discovery list of {ctx.time_of_day(newest_ns)} still came, and {names_it}.",
        ],
        ["multicast of these groups is blocked on the path"],
        next_checks=[
            f"Look at the screen of {wording.list_names(sorted({ctx.source_name(s) for s in scene.sources}))}: "
            "are its outputs on?",
            "Look at the stage: do the lights on these universes still follow?",
        ],
    )


def kept_alive_slowly(scene: Scene) -> Verdict | None:
    """Give the verdict where all that stopped is at rest, and was sent as rarely before; None where some was not.

    Silent for no longer than from frame to frame before, a source is not known to be gone.
    """
    ctx, streams = scene.ctx, scene.ctx.streams
    rows = scene.stopped.nonzero()[0]
    if not len(rows) or np.count_nonzero(streams.protocol[rows] != int(Protocol.E131)):
        return None
    gap_ns = np.where(streams.prev_frame_ns[rows] > 0, streams.last_frame_ns[rows] - streams.prev_frame_ns[rows], 0)
    # What is missing by its numbers was sent: the path made the pause, and the sender's own pace is shorter.
    own_ns = gap_ns // np.maximum(streams.return_step[rows].astype(np.int64), 1)
    is_slow = own_ns > ctx.universes.loss_timeout_ns[streams.universe[rows]]
    is_in_pace = ctx.now_ns - scene.stops.last_ns[rows] <= gap_ns + gap_ns // 4
    if not (is_slow & is_in_pace & (streams.equal_frames[rows] > 0)).all():
        return None
    names, pace = scene.names, wording.seconds(int(gap_ns.max()))
    one = len(ctx.whole_sources(scene.sources)) == 1
    senders = wording.list_names(sorted({ctx.source_name(source) for source in scene.sources}))
    return Verdict(
        "path-or-sender",
        Confidence.MEDIUM,
        f"{names} {'sends' if one else 'send'} levels at rest only every {pace}: receivers treat each pause as a loss.",
        [
            f"The newest frame came {pace} after the one before it, with the same levels. "
            "E1.31 asks for a frame every 0.8 to 1 s."
        ],
        ["power, crash or the network lead of the source, this time", "a lead with a bad contact"],
        next_checks=[
            f"Look at the keep-alive setting of {senders}, or of the gateway that sends for it.",
            "Look at the stage: do fixtures drop out and come back while nothing moves?",
        ],
        repeats=True,
    )


def stops_at_rest(scene: Scene) -> bool:
    """Whether all that stopped is Art-Net that had come to rest: not every sender of it repeats what is unchanged."""
    streams = scene.ctx.streams
    rows = scene.stopped.nonzero()[0]
    is_artnet = streams.protocol[rows] == int(Protocol.ARTNET)
    return bool(is_artnet.all() and (streams.equal_frames[rows] >= RESTING).all())


def paused_before(scene: Scene) -> bool:
    """Whether all that stopped is Art-Net that was silent before and came back with the next number: it had sent
    nothing meanwhile, so it was neither cut off nor started again."""
    streams = scene.ctx.streams
    rows = scene.stopped.nonzero()[0]
    is_artnet = streams.protocol[rows] == int(Protocol.ARTNET)
    is_recent = scene.ctx.at_ns - streams.return_ns[rows] < PAUSES_ARE_KNOWN_NS
    return bool(is_artnet.all() and (is_recent & (streams.return_step[rows] == 1)).all())


def weigh_signs_of_life(scene: Scene, sources: list[int], verdict: Verdict) -> None:
    """Correct a verdict of dead sources by the packets that they still send."""
    ctx = scene.ctx
    listing: list[int] = []
    answering: list[int] = []
    unlisted: list[int] = []
    for source in sources:
        row = ctx.sources[source]
        neighbour = ctx.listener.neighbours.get(row.network, row.address)
        if lists_still(scene, source):
            listing.append(source)
            verdict.evidence.append(
                f"The discovery list of {ctx.say_source(source)} still came at {ctx.time_of_day(row.listed_at_ns)}."
            )
        elif row.listed_at_ns and ctx.now_ns - row.listed_at_ns > LISTING_VALID_NS:
            unlisted.append(source)
        if answers_still(scene, source):
            answering.append(source)
            verdict.evidence.append(
                f"{row.address} still answers on the network: its machine is powered and connected."
            )
        elif neighbour is not None and neighbour.failed_ns > scene.group.from_ns and not neighbour.reachable:
            verdict.evidence.append(f"{row.address} no longer answers on the network.")
    if unlisted:
        names = wording.list_names(ctx.say_sources(set(unlisted)))
        whose = "Its discovery has" if len(sources) == 1 else f"The discovery of {names} has"
        if len(ctx.whole_sources(unlisted)) > 1:
            whose = f"The discovery lists of {names} have"
        verdict.evidence.append(f"{whose} stopped too.")
    if listing:
        one = len(ctx.whole_sources(listing)) == 1
        stopped = "its output was stopped" if one else "their outputs were stopped"
        verdict.also_possible.insert(0, f"{stopped}, or multicast is blocked for {'it' if one else 'them'}")
    if answering:
        one = len(ctx.whole_sources(answering)) == 1
        died = "its sending program died" if one else "their sending programs died"
        verdict.also_possible.insert(0, f"{died}, or multicast is blocked for {'it' if one else 'them'}")
    alive = {*listing, *answering}
    if alive:
        verdict.confidence = Confidence.MEDIUM
        living = wording.list_names(ctx.say_sources(alive))
        dead = [source for source in sources if source not in alive]
        one = len(ctx.whole_sources(alive)) == 1
        sentence = (
            f"{living} no longer sends, but its machine is alive: "
            "its program, its output or the path of its data failed."
            if one
            else f"{living} no longer send, but their machines are alive: "
            "their programs, their outputs or the paths of their data failed."
        )
        verdict.reword(sentence, tuple(sorted(alive)))
        if dead:
            verdict.add_of_others(
                f"{wording.list_names(ctx.say_sources(dead))} went silent: power, crash or network lead."
            )


def say_ended_whole(scene: Scene, verdict: Verdict) -> Verdict:
    """Name those of which nothing is left, where a verdict speaks of another source that lost a part."""
    if scene.whole and verdict.cause in ("universe-withdrawn", "path-or-sender"):
        names = wording.list_names(scene.ctx.say_sources(scene.whole))
        who = "it" if len(scene.ctx.whole_sources(scene.whole)) == 1 else "they"
        spread_ns = scene.group.spread_ns
        when = f"within the same {wording.seconds(spread_ns)}" if spread_ns else "at the same time"
        verdict.add_of_others(f"Nothing from {names} arrives any more: {who} stopped {when}.")
        verdict.confidence = Confidence.LOW
    return verdict


def doubt_the_last_one(scene: Scene, verdict: Verdict) -> None:
    """If a network brought more before a restart and nothing now, do not accuse the source that ended last."""
    ctx, universes = scene.ctx, scene.ctx.universes
    gone = universes.used & (universes.declared >= 0) & universes.expected & (universes.last_arrival_ns == 0)
    gone &= (ctx.heard_before_ns != NOT_HEARD_NS) & is_among(universes.network, scene.networks)
    rows = gone.nonzero()[0].tolist()
    # What answers or lists its universes still reaches this port.
    if not rows or any(lists_still(scene, source) or answers_still(scene, source) for source in scene.sources):
        return
    names = scene.names
    verdict.cause = "network-lost"
    verdict.also_possible.insert(0, verdict.sentence.rstrip("."))
    verdict.sentence = (
        f"Nothing reaches this port any more: {ctx.name_universes(rows)} {'was' if len(rows) == 1 else 'were'} not "
        f"heard since this listener restarted, and now {names} stopped. The stage itself may be fine."
    )
    check = "Look at the stage: do the lights still follow the desk? Then only this port is cut off."
    verdict.next_checks.insert(0, check)


def how_they_ended(scene: Scene) -> str:
    """Say how close together the last frames of all that stopped came."""
    last_ns = scene.stops.last_ns[scene.stopped]
    spread_ns = int(last_ns.max() - last_ns.min()) if len(last_ns) else 0
    if spread_ns <= FRAME_NS:
        return "within one frame"
    return f"within {wording.seconds(spread_ns)} of each other"


WITHOUT_END = re.compile(r",? without (?:the|a) stream-terminated bit")


def say_doubted_ends(scene: Scene, verdict: Verdict) -> Verdict:
    """Say that packets announced the end of what stopped, and why they are not believed."""
    ctx, streams = scene.ctx, scene.ctx.streams
    unfit = scene.stopped & (streams.last_unfit_end_ns > 0) & (streams.last_unfit_end_ns >= streams.last_arrival_ns)
    doubted = scene.stopped & doubted_ends(streams)
    is_doubted = bool(np.count_nonzero(doubted))
    rows = (doubted if is_doubted else unfit).nonzero()[0]
    if not len(rows):
        return verdict
    universes = ctx.name_universes(sorted(set(streams.universe[rows].tolist())))
    if is_doubted:
        came, those = f"Packets with the stream-terminated bit came for {universes}", "those packets"
        verdict.confidence = at_most(verdict.confidence, Confidence.MEDIUM)
        why = (
            "Earlier ones had a number that does not fit, or the source went on after them, so these are not believed."
        )
    else:
        at = ctx.time_of_day(int(streams.last_unfit_end_ns[rows].max()))
        came, those = f"A packet with the stream-terminated bit came for {universes} at {at}", "that packet"
        why = "Its sequence number does not fit, so it is not believed."
    verdict.evidence = [WITHOUT_END.sub("", line) for line in verdict.evidence]
    verdict.evidence.append(f"{came}. {why}")
    verdict.also_possible.append(f"the source was closed, or somebody else sent {those}")
    return verdict


def say_two_senders(scene: Scene, verdict: Verdict) -> Verdict:
    """Say that what stopped had two senders until lately: the one that went on may not have been the source."""
    streams = scene.ctx.streams
    of_two = scene.stopped & (streams.interleaved >= PLAIN)
    of_two &= (streams.interleaved_ns > 0) & (streams.interleaved_ns >= scene.group.from_ns - DOUBTED_NS)
    if verdict.cause != "source-lost" or not np.count_nonzero(of_two):
        return verdict
    rows = of_two.nonzero()[0]
    identity = Protocol(streams.protocol[rows[0]]).facts.identity
    at = scene.ctx.time_of_day(int(streams.interleaved_ns[rows].max()))
    verdict.confidence = at_most(verdict.confidence, Confidence.MEDIUM)
    verdict.evidence.append(
        f"Until {at} packets of two series of numbers came, as if two senders used this {identity}. It is not known "
        "which of them sent after that, so the source itself may have stopped then."
    )
    return verdict
