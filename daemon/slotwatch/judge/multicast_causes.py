"""Causes of a loss of multicast alone: a silent querier, groups that a switch forgets, unicast and broadcast that still
arrive."""

from __future__ import annotations

import numpy as np

from slotwatch.durations import NANOSECONDS
from slotwatch.judge import wording
from slotwatch.judge.among import is_among
from slotwatch.judge.losses import EXPIRY_NS
from slotwatch.judge.querier_changes import QuerierChange, heard_changes, named_changes
from slotwatch.judge.rule import LOOK_AT_SNOOPING
from slotwatch.judge.scene import ONE_END_NS, Scene
from slotwatch.judge.stops import SLACK_NS
from slotwatch.judge.verdict import Verdict
from slotwatch.model.destinations import Destination
from slotwatch.snapshot import Confidence

KEEP_ALIVE_NS = NANOSECONDS
"""Longest time between packets of a universe at rest (E1.31 6.6.2)."""
MOVED_BEFORE_NS = 260 * NANOSECONDS
"""Group membership interval (RFC 2236 8.4): what a querier that moved breaks, breaks within it."""


def unicast_stopped(scene: Scene) -> bool:
    """Whether some of what stopped came by unicast or broadcast, so that multicast alone does not explain it."""
    rows = np.flatnonzero(scene.stopped)
    kinds = scene.ctx.streams.destination_kind[rows]
    return bool((kinds >= Destination.BROADCAST).any())


def querier_gone(scene: Scene) -> Verdict | None:
    """Give the verdict where the querier fell silent, and the groups stopped when memberships run out after that."""
    ctx = scene.ctx
    for network in scene.networks:
        querier = ctx.listener.queriers.newest(network)
        if querier is None or not ctx.listener.queriers.is_gone(network, scene.group.to_ns, ctx.now_ns):
            continue
        go_on = scene.is_multicast(scene.alive_afar()).any()
        if _went_on_for_long(scene, network) or _came_back_unasked(scene, network, querier.last_ns):
            continue  # their memberships would have run out as well, or did not end it before
        if _goes_on_from_another(scene, network):
            continue
        return Verdict(
            "multicast-lost",
            Confidence.MEDIUM if go_on else Confidence.HIGH,
            f"The multicast querier {querier.address} has been silent since {ctx.time_of_day(querier.last_ns)}: "
            "switches that snoop forget which ports joined which group.",
            [
                f"Last query from {querier.address} at {ctx.time_of_day(querier.last_ns)}; "
                "memberships run out 260 s after the last one.",
                f"{wording.count(int(scene.stopped.sum()), 'multicast stream')} stopped "
                "without a stream-terminated bit.",
            ],
            ["the sources themselves"],
            next_checks=[
                f"Check whether the device that was the querier has power: {querier.address}.",
                "Look at the switch's snooping page: querier and group table of this port.",
            ],
        )
    return None


def _went_on_for_long(scene: Scene, network: int) -> bool:
    """Whether other groups came for longer after the stop than memberships take to run out one after the other."""
    streams = scene.ctx.streams
    long_ns = scene.group.from_ns + EXPIRY_NS + ONE_END_NS
    others = streams.used & ~scene.stopped & (streams.network == network) & (streams.last_arrival_ns > long_ns)
    rows = np.flatnonzero(others)
    return bool(len(rows)) and bool(scene.is_multicast(rows).any())


def _goes_on_from_another(scene: Scene, network: int) -> bool:
    """Whether another source's packets still come by a group that a stopped stream came by: it is not forgotten."""
    streams = scene.ctx.streams
    there = streams.used & (streams.network == network)
    later_ns = scene.group.to_ns + KEEP_ALIVE_NS + SLACK_NS
    others = np.flatnonzero(there & ~scene.stopped & (streams.last_arrival_ns > later_ns))
    groups = streams.universe[others[scene.is_multicast(others)]]
    return bool(np.isin(streams.universe[scene.stopped & there], groups).any())


def _came_back_unasked(scene: Scene, network: int, last_query_ns: int) -> bool:
    """Whether all that stopped there had been silent and come back with no query since: a membership does not."""
    streams = scene.ctx.streams
    rows = np.flatnonzero(scene.stopped & (streams.network == network))
    return bool(len(rows)) and bool((streams.return_ns[rows] > last_query_ns + EXPIRY_NS).all())


def multicast_only(scene: Scene, others: list[int]) -> Verdict | None:
    """Only groups stopped, of two or more sources, and what continues is unicast or broadcast."""
    if len(scene.ctx.whole_sources(scene.sources)) < 2:
        return None
    stopped = np.flatnonzero(scene.stopped)
    alive = scene.alive_afar()
    if not len(alive) or not scene.is_multicast(stopped).all() or scene.is_multicast(alive).any():
        return None
    # What went on by multicast for a while, and is silent by now, shows that multicast came on.
    outlived = np.flatnonzero(scene.outlived & is_among(scene.ctx.streams.network, scene.networks))
    if not scene.group.spread_ns and scene.is_multicast(outlived).any():
        return None
    # A packet that came before all of it had stopped does not show that anything continues.
    if not (scene.stops.last_ns[alive] > max(scene.group.from_ns, scene.group.to_ns) + SLACK_NS).any():
        return None
    names = wording.list_names(scene.ctx.say_sources(others))
    verdict = multicast_lost(
        scene,
        [
            f"What continues comes by unicast or broadcast: {names}.",
            f"Every multicast stream stopped {say_how(scene)}, of {scene.names}.",
        ],
    )
    # What still sends by another way has power.
    silent = [source for source in scene.sources if not len(scene.alive_beside(source))]
    if not scene.group.spread_ns and len(scene.ctx.whole_sources(silent)) >= 2:
        gone = wording.list_names(scene.ctx.say_sources(silent))
        verdict.also_possible.insert(0, f"a switch, lead or supply that {gone} share: they may be off themselves")
    return verdict


def ended_one_by_one(scene: Scene) -> Verdict | None:
    """Groups end one after the other, and none is left: so memberships run out. A dying sender ends at once."""
    if scene.group.spread_ns < ONE_END_NS or not scene.is_multicast(np.flatnonzero(scene.stopped)).all():
        return None
    alive = scene.alive_afar()
    if scene.is_multicast(alive).any():
        return None
    count = int(scene.stopped.sum())
    evidence = (
        f"{count} groups of {scene.names} stopped {say_how(scene)}; a source that loses power stops within one frame."
    )
    verdict = multicast_lost(scene, [evidence])
    verdict.sentence = (
        "One group after the other no longer reaches this port: the switch forgets which ports joined them."
    )
    verdict.once_back = "One group after the other did not reach this port then."
    return verdict


def may_be_memberships(scene: Scene) -> tuple[str, ...]:
    """Say that groups may run out one after the other, where others ended shortly before and no querier is heard."""
    ctx, streams, stops = scene.ctx, scene.ctx.streams, scene.stops
    if any(ctx.listener.queriers.newest(network) is not None for network in scene.networks):
        return ()
    ended = stops.had_frames & ~stops.terminated & ~scene.stopped
    ended &= is_among(streams.network, scene.networks) & (stops.last_ns >= scene.group.from_ns - EXPIRY_NS)
    rows = np.flatnonzero(stops.overdue_among(ended))
    if not len(rows) or not scene.is_multicast(np.append(rows, np.flatnonzero(scene.stopped))).all():
        return ()
    return ("the switch drops one group after the other, because it hears no querier",)


def say_how(scene: Scene) -> str:
    """Say whether the streams stopped together or one after the other."""
    spread_ns = scene.group.spread_ns
    return f"one after the other within {wording.seconds(spread_ns)}" if spread_ns else "together"


def unicast_continues(scene: Scene) -> Verdict | None:
    """Several groups of each source stopped, and its own address still sends by unicast or broadcast."""
    sentences = []
    for source in scene.sources:
        mine = np.flatnonzero(scene.stopped & (scene.ctx.streams.source == source))
        beside = scene.alive_beside(source)
        if len(mine) < 2 or not scene.is_multicast(mine).all():
            return None
        if not len(beside) or scene.is_multicast(beside).any():
            return None
        address = scene.ctx.sources[source].address
        sentences.append(scene.say_going(beside, f"of {address} by unicast or broadcast"))
    return multicast_lost(
        scene, [f"{int(scene.stopped.sum())} groups of {scene.names} stopped {say_how(scene)}.", *sentences]
    )


def _querier_that_moved(scene: Scene) -> QuerierChange | None:
    """The last change of a querier before the groups stopped, within the time for which a switch remembers them."""
    ctx = scene.ctx
    heard = [one for one in heard_changes(ctx) if one.where in scene.networks]
    late_ns = scene.group.to_ns + MOVED_BEFORE_NS if scene.ctx.house.switches else scene.group.to_ns
    found = [
        one
        for one in (*heard, *named_changes(ctx))
        if one.to_ns >= scene.group.from_ns - MOVED_BEFORE_NS
        and one.from_ns <= scene.group.to_ns
        and one.to_ns <= late_ns
    ]
    return max(found, key=lambda one: one.to_ns, default=None)


def multicast_lost(scene: Scene, evidence: list[str]) -> Verdict:
    """Give the verdict that multicast alone no longer reaches this port, with the reason if the querier moved."""
    moved = _querier_that_moved(scene)
    if moved is not None:
        return _lost_by_a_move(scene, moved, evidence)
    return Verdict(
        "multicast-lost",
        Confidence.MEDIUM,
        "Multicast no longer reaches this port, while other traffic continues: "
        "the switch's group table or its querier.",
        evidence,
        ["the sources stopped their multicast outputs"],
        once_back="Multicast did not reach this port then, while other traffic continued.",
        next_checks=[
            LOOK_AT_SNOOPING,
            "Look at the stage: receivers on other ports may still get their data.",
        ],
    )


def _lost_by_a_move(scene: Scene, moved: QuerierChange, evidence: list[str]) -> Verdict:
    """Multicast alone was lost soon after its querier moved: a switch that snoops follows the querier."""
    ctx = scene.ctx
    who = f"Switch {moved.where} names" if isinstance(moved.where, str) else "Queries come from"
    when = f"at {ctx.time_of_day(moved.to_ns)}"
    if moved.from_ns != moved.to_ns:
        when = f"between {ctx.time_of_day(moved.from_ns)} and {ctx.time_of_day(moved.to_ns)}"
    return Verdict(
        "multicast-lost",
        Confidence.HIGH,
        f"The multicast querier moved from {moved.before} to {moved.after} {when}, and then multicast no longer "
        "reached this port, while other traffic continues.",
        [f"{who} {moved.after}; before it was {moved.before}.", *evidence],
        ["the switch's group table", "the sources stopped their multicast outputs"],
        next_checks=[
            f"Find out which device has the address {moved.after}: is it meant to be the querier?",
            "Look at the switch's snooping page: on which port does it see the querier?",
        ],
    )
