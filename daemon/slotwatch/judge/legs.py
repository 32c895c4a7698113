"""The leads of lost sources: which of them another network still hears, and how they are named."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from slotwatch.judge import wording
from slotwatch.judge.context import RuleContext
from slotwatch.judge.scene import Scene
from slotwatch.judge.stops import KEEP_ALIVE_ARTNET_NS, KEEP_ALIVE_E131_NS, SLACK_NS
from slotwatch.wire.universe import Protocol


@dataclass(slots=True)
class Legs:
    """The lost sources, by whether another network still hears them. Rows of the legs that were lost."""

    alive: dict[int, list[int]]
    """Row: networks that hear it."""
    gone: list[int]

    @classmethod
    def of(cls, scene: Scene) -> Legs:
        heard = {source: heard_on(scene, source) for source in scene.whole}
        return cls(
            {source: networks for source, networks in heard.items() if networks},
            [source for source, networks in heard.items() if not networks],
        )

    def by_networks(self, ctx: RuleContext) -> dict[tuple[tuple[int, ...], tuple[int, ...]], list[int]]:
        """Rows of those that continue, by the networks that lost them and those that hear them."""
        lost: dict[int, set[int]] = {}
        for row in self.alive:
            lost.setdefault(ctx.first_leg(row), set()).add(ctx.sources[row].network)
        found: dict[tuple[tuple[int, ...], tuple[int, ...]], list[int]] = {}
        for row, networks in self.alive.items():
            found.setdefault((tuple(sorted(lost[ctx.first_leg(row)])), tuple(networks)), []).append(row)
        return found

    @property
    def elsewhere(self) -> list[int]:
        return sorted({network for networks in self.alive.values() for network in networks})


def heard_on(scene: Scene, source: int) -> list[int]:
    """Networks on which a source was heard after what stopped should have come again: until then it was certainly
    alive.

    Its legs need not send in step: at rest one may be a keep-alive ahead of the other.
    """
    ctx, streams = scene.ctx, scene.ctx.streams
    rows = np.flatnonzero(scene.stopped & (streams.source == source))
    if not len(rows):
        return []
    last_ns = streams.last_arrival_ns[rows]
    gap_ns = np.where(streams.prev_frame_ns[rows] > 0, streams.last_frame_ns[rows] - streams.prev_frame_ns[rows], 0)
    keep_alive_ns = np.where(streams.protocol[rows] == Protocol.ARTNET, KEEP_ALIVE_ARTNET_NS, KEEP_ALIVE_E131_NS)
    after_ns = int((last_ns + np.maximum(keep_alive_ns, 5 * gap_ns // 4)).max()) + SLACK_NS
    return sorted(
        {
            ctx.sources[leg].network
            for leg in ctx.other_legs(source)
            # A leg that ended with it counts as lost, whatever else of it is heard.
            if leg not in scene.whole and ctx.sources[leg].last_seen_ns > after_ns
        }
    )


def say_networks(ctx: RuleContext, networks: list[int]) -> str:
    """`network A`, `networks A and B`."""
    names = wording.list_names(ctx.network_name(network) for network in networks)
    return f"network{'s' if len(networks) > 1 else ''} {names}"


def full_names(ctx: RuleContext, rows: list[int]) -> str:
    """Names of sources with their addresses."""
    return wording.list_names(ctx.say_sources(rows))


def plain_names(ctx: RuleContext, rows: Iterable[int]) -> str:
    """Names of sources without addresses, each source once."""
    return wording.list_names(f'"{ctx.source_name(source)}"' for source in ctx.whole_sources(rows))
