"""Causes of a loss of multicast alone: a silent querier, groups that a switch forgets, other ways that go on."""

from __future__ import annotations

import numpy as np

from slotwatch.durations import NANOSECONDS
from slotwatch.judge import wording
from slotwatch.judge.scene import Scene, Verdict
from slotwatch.snapshot import Confidence

QUERIER_GONE_NS = 255 * NANOSECONDS
"""Other-querier-present interval of IGMPv2 (RFC 2236 8.5): memberships run out soon after."""
ONE_BY_ONE_NS = NANOSECONDS
"""Streams of one sender that dies end closer together than this; common practice, no source."""


def unicast_stopped(scene: Scene) -> bool:
    rows = np.flatnonzero(scene.stopped)
    kinds = scene.ctx.streams.destination_kind[rows]
    return bool((kinds >= 3).any())


def querier_gone(scene: Scene) -> Verdict | None:
    ctx = scene.ctx
    for network in scene.networks:
        querier = ctx.listener.querier(network)
        if querier is None or scene.group.to_ns - querier.last_ns < QUERIER_GONE_NS - 130 * NANOSECONDS:
            continue
        silent_ns = ctx.now_ns - querier.last_ns
        if silent_ns < QUERIER_GONE_NS:
            continue
        return Verdict(
            "multicast-lost",
            Confidence.HIGH,
            f"The multicast querier {querier.address} has been silent for {wording.seconds(silent_ns)}: "
            "switches that snoop forget who asked for which group.",
            [
                f"Last query from {querier.address} at {ctx.time_of_day(querier.last_ns)}; "
                "memberships run out 260 s after the last one.",
                f"{wording.count(int(scene.stopped.sum()), 'multicast stream')} stopped "
                "without a stream-terminated bit.",
            ],
            ["the sources themselves"],
            next_checks=[
                f"Look whether the device that was the querier has power: {querier.address}.",
                "Look at the switch's snooping page: querier and group table of this port.",
            ],
        )
    return None


def multicast_only(scene: Scene, others: list[int]) -> Verdict | None:
    """Only groups stopped, of two or more sources, and what goes on is unicast or broadcast."""
    if len(scene.ctx.whole_sources(scene.sources)) < 2:
        return None
    stopped = np.flatnonzero(scene.stopped)
    alive = scene.alive_afar()
    if not len(alive) or not scene.is_multicast(stopped).all() or scene.is_multicast(alive).any():
        return None
    names = wording.list_names(scene.ctx.say_sources(others))
    return multicast_lost(
        scene,
        [f"What goes on comes by unicast or broadcast: {names}.", f"Every multicast stream stopped {say_how(scene)}."],
    )


def ended_one_by_one(scene: Scene) -> Verdict | None:
    """Groups end one after the other, and none is left: memberships run out so, and a dying sender does not."""
    if scene.group.spread_ns < ONE_BY_ONE_NS or not scene.is_multicast(np.flatnonzero(scene.stopped)).all():
        return None
    alive = scene.alive_afar()
    if scene.is_multicast(alive).any():
        return None
    count = int(scene.stopped.sum())
    evidence = f"{count} groups stopped {say_how(scene)}; what loses power stops within one frame."
    verdict = multicast_lost(scene, [evidence])
    verdict.sentence = "Group after group no longer reaches this port: the switch forgets who asked for them."
    return verdict


def say_how(scene: Scene) -> str:
    spread_ns = scene.group.spread_ns
    return f"one after the other within {wording.seconds(spread_ns)}" if spread_ns else "together"


def other_way_goes_on(scene: Scene) -> Verdict | None:
    """Several groups of each source stopped, and its own address goes on by unicast or broadcast."""
    said = []
    for source in scene.sources:
        mine = np.flatnonzero(scene.stopped & (scene.ctx.streams.source == source))
        beside = scene.alive_beside(source)
        if len(mine) < 2 or not scene.is_multicast(mine).all():
            return None
        if not len(beside) or scene.is_multicast(beside).any():
            return None
        address = scene.ctx.sources[source].address
        said.append(scene.say_going(beside, f"of {address} by unicast or broadcast"))
    return multicast_lost(scene, [f"{int(scene.stopped.sum())} groups stopped {say_how(scene)}.", *said])


def multicast_lost(scene: Scene, evidence: list[str]) -> Verdict:
    return Verdict(
        "multicast-lost",
        Confidence.MEDIUM,
        "Multicast no longer reaches this port, while other ways go on: the switch's group table or its querier.",
        evidence,
        ["the sources stopped their multicast outputs"],
        next_checks=[
            "Look at the switch's snooping page: is there a querier, is the group table full?",
            "Look at the stage: receivers that hang on other ports may still get their data.",
        ],
    )
