"""The cause of everything that comes by one or more networks falling silent together."""

from __future__ import annotations

from collections.abc import Iterator

from slotwatch.durations import NANOSECONDS
from slotwatch.judge import wording
from slotwatch.judge.deafness import say_deaf
from slotwatch.judge.legs import say_networks
from slotwatch.judge.life_signs import answers_still
from slotwatch.judge.rule import LOOK_AT_SNOOPING
from slotwatch.judge.scene import Scene
from slotwatch.judge.verdict import Verdict
from slotwatch.snapshot import Confidence, SourceRow


def others_seen(scene: Scene) -> bool:
    """Whether anything else still reaches this port on these networks: discovery, packets, queries."""
    stop_ns = scene.group.to_ns + NANOSECONDS
    return any(one.last_seen_ns > stop_ns for one in _others(scene))


def others_before(scene: Scene) -> bool:
    """Whether any other source was ever heard on these networks."""
    return any(True for _ in _others(scene))


def _others(scene: Scene) -> Iterator[SourceRow]:
    ctx = scene.ctx
    for row in ctx.sources:
        if row not in scene.sources and ctx.sources[row].network in scene.networks and not ctx.is_here(row):
            yield ctx.sources[row]


def network_lost(scene: Scene) -> Verdict:
    """Give the verdict where all sources of these networks fell silent together."""
    ctx = scene.ctx
    names = ctx.say_sources(scene.sources)
    heard, one = _network_signs(scene), len(scene.networks) == 1
    what, deaf = ("No data" if heard else "Nothing"), say_deaf(scene)
    how = f"{what} reaches this port: all sources stopped together"
    then = f"{what} reached this port then: all sources stopped together."
    if deaf:
        how, then = f"{what} has reached this port since its own link was down", f"{what} reached this port then."
    power = (
        [] if any(answers_still(scene, source) for source in scene.sources) else ["every source lost power together"]
    )
    return Verdict(
        "network-lost",
        Confidence.MEDIUM,
        f"{how}{', and other traffic arrives' if heard else ''}. The stage itself may be fine.",
        [
            f"Silent{'' if deaf else ' together'}: {wording.list_names(names)}.",
            f"This computer's own {'interface' if one else 'interfaces'} on {say_networks(ctx, scene.networks)} "
            f"{'is' if one else 'are'} up.",
            *([f"{deaf}, so when they stopped is not known."] if deaf else []),
            *heard,
        ],
        ["multicast is blocked on the path", *power],
        once_back=then,
        next_checks=[
            "Look at the stage: do the lights still follow the desk? Then only this port is cut off.",
            LOOK_AT_SNOOPING
            if heard
            else "Look at the switch that this computer is plugged into: power, lamps of its uplink.",
        ],
    )


def _network_signs(scene: Scene) -> list[str]:
    ctx, sentences = scene.ctx, []
    for network in scene.networks:
        answering = [
            address
            for (on, address), neighbour in ctx.listener.neighbours.by_address.items()
            if on == network and neighbour.reachable and neighbour.answered_ns > scene.group.to_ns + NANOSECONDS
        ]
        if answering:
            sentences.append(
                f"Answers still come from {wording.count(len(answering), 'device')}, {answering[0]} among them: "
                "the path works, multicast may not."
            )
    return sentences
