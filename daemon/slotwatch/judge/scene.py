"""The scene of a loss: which streams stopped together, and which continue."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from slotwatch.durations import NANOSECONDS
from slotwatch.judge import wording
from slotwatch.judge.among import is_among
from slotwatch.judge.context import RuleContext
from slotwatch.judge.loss_group import LossGroup
from slotwatch.judge.partings import dark_networks, fate_of
from slotwatch.judge.stops import SLACK_NS, Stops
from slotwatch.model.destinations import is_multicast
from slotwatch.wire.universe import Protocol

ONE_END_NS = NANOSECONDS
"""Streams of one sender that dies end closer together than this; common practice, no source."""
MOST_WEIGHED = 32
"""Sources of one loss whose own signs of life are looked at. A flood of invented senders ends as thousands."""


@dataclass
class Scene:
    """What stopped and what continues, for one group of losses. Masks are over stream rows."""

    ctx: RuleContext
    stops: Stops
    group: LossGroup
    stopped: NDArray[np.bool_]
    alive: NDArray[np.bool_]
    outlived: NDArray[np.bool_]
    """Sent on after the stop, and is silent or late by now."""
    undecided: NDArray[np.bool_]
    sources: list[int]
    """Rows of the sources with a stopped stream."""
    whole: list[int]
    """Those of which everything stopped."""
    networks: list[int]

    @staticmethod
    def say_going(streams: NDArray[np.intp], whose: str) -> str:
        """Say how many streams continue: `2 streams of "Desk A" continue.`"""
        return f"{wording.count(len(streams), 'stream')} {whose} {'continues' if len(streams) == 1 else 'continue'}."

    @property
    def is_any_alive(self) -> bool:
        """Whether any stream continues."""
        return bool(np.count_nonzero(self.alive))

    @property
    def names(self) -> str:
        """The sources with a stopped stream, as they are listed in a sentence."""
        return wording.list_names(self.ctx.say_sources(self.sources))

    @property
    def lost_sources(self) -> set[int]:
        """Rows of the sources that the losses of the group are about: others may have stopped beside them."""
        return self.ctx.sources_of(row for row in self.group.streams if row < self.ctx.streams.count)

    def machines(self, sources: Iterable[int]) -> int:
        """How many machines these sources may be: several programs may send from one address."""
        rows = (self.ctx.sources[source] for source in self.ctx.whole_sources(sources))
        return len({(row.network, row.address) for row in rows})

    def leave_out(self, sources: list[int]) -> None:
        """Take sources out that stopped in the same moment and have nothing to do with it."""
        streams = self.ctx.streams
        self.stopped &= ~is_among(streams.source, sources)
        self.sources = [source for source in self.sources if source not in sources]
        self.whole = [source for source in self.whole if source not in sources]
        self.networks = sorted(set(streams.network[self.stopped].tolist()))

    @cached_property
    def _alive_at(self) -> dict[tuple[int, str], list[int]]:
        """Sources that continue, by network and address: thousands of stopped ones may look here."""
        found: dict[tuple[int, str], list[int]] = {}
        for source in set(self.ctx.streams.source[self.alive].tolist()):
            row = self.ctx.sources[source]
            found.setdefault((row.network, row.address), []).append(source)
        return found

    def alive_beside(self, source: int) -> NDArray[np.intp]:
        """Streams of other identities that the same address still sends: its machine runs."""
        ctx = self.ctx
        row = ctx.sources[source]
        if not row.address:
            return np.zeros(0, np.intp)
        kin = [other for other in self._alive_at.get((row.network, row.address), ()) if other != source]
        if not kin:
            return np.zeros(0, np.intp)
        return (self.alive & is_among(ctx.streams.source, kin)).nonzero()[0]

    @cached_property
    def _alive_by_lead(self) -> dict[tuple[int, int], list[int]]:
        found: dict[tuple[int, int], list[int]] = {}
        for source in set(self.ctx.streams.source[self.alive].tolist()):
            found.setdefault(lead_of(self.ctx, source), []).append(source)
        return found

    def alive_of(self, *sources: int) -> NDArray[np.intp]:
        """Streams that continue over the leads of these sources, whatever addresses they have now."""
        rows = [row for source in sources for row in self._alive_by_lead.get(lead_of(self.ctx, source), ())]
        return (self.alive & is_among(self.ctx.streams.source, rows)).nonzero()[0]

    def others_alive(self) -> list[int]:
        """Sources on the same networks that continue and lost nothing now, this computer's own among them."""
        streams = self.ctx.streams
        on_networks = is_among(streams.network, self.networks)
        return sorted(set(streams.source[self.alive & on_networks].tolist()) - set(self.sources))

    def others_afar(self) -> list[int]:
        """Those of them that came by the network, so that they prove it whole: what this computer sends does not."""
        return [source for source in self.others_alive() if not self.ctx.is_here(source)]

    def alive_afar(self) -> NDArray[np.intp]:
        """Streams that continue and come over the same networks."""
        streams = self.ctx.streams
        rows = (self.alive & is_among(streams.network, self.networks)).nonzero()[0]
        here = [source for source in set(streams.source[rows].tolist()) if self.ctx.is_here(source)]
        return rows[~is_among(streams.source[rows], here)]

    def that_continued(self, others: list[int]) -> list[int]:
        """Those of other sources that sent before the stop as well: what began later only shows that the path works."""
        streams, until_ns = self.ctx.streams, self.group.to_ns
        before = self.alive & (streams.since_ns <= until_ns)
        return [source for source in others if (before & (streams.source == source)).any()]

    def is_multicast(self, rows: NDArray[np.intp]) -> NDArray[np.bool_]:
        """(N,) whether these streams are sent to a multicast group."""
        return is_multicast(self.ctx.streams.destination_kind[rows])


def set_scene(ctx: RuleContext, stops: Stops, group: LossGroup) -> Scene:
    """Sort all streams into stopped with this group, continuing, and not yet known."""
    streams = ctx.streams
    lost = np.zeros(streams.count, np.bool_)
    lost[[row for row in group.streams if row < streams.count]] = True
    # A tapped line has no network.
    had_frames = stops.had_frames & (streams.protocol != int(Protocol.LINE))
    if not np.count_nonzero(had_frames & ~lost):
        return _scene_of_all_that_was_heard(ctx, stops, group, lost)
    packet_ns = np.maximum(streams.last_packet_ns, stops.last_ns)
    terminated = stops.terminated
    if ctx.crowd.since_ns:
        # Invented senders come and go as they like: that proves nothing of a lead or a switch.
        every = np.arange(streams.count)
        had_frames = had_frames & ~ctx.crowd.has_streams(ctx, every, spares_declared=False)
    # What fell silent with this listener's own link says nothing of its source.
    had_frames = had_frames & ~_cut_by_own_link(ctx, stops)
    # A stream continued if any packet of it came after the stop and it is not late since.
    came_after = had_frames & ~lost & ~terminated & (stops.last_ns > group.from_ns + SLACK_NS)
    late = stops.late_among(came_after)
    went_on = came_after & ~late
    # A source that sent well after the stop did not stop with it, even if it is silent by now.
    outlived = came_after & ~went_on & (stops.last_ns > max(group.from_ns, group.to_ns) + SLACK_NS)
    overlaps = (stops.last_ns <= group.to_ns + SLACK_NS) & (stops.due_ns >= group.from_ns - SLACK_NS)
    silent = had_frames & ~lost & ~went_on & ~terminated & overlaps & (packet_ns <= group.to_ns + SLACK_NS)
    silent &= ~is_among(streams.source, group.apart_sources - _legs_of_the_dead(ctx, group, lost))
    if np.count_nonzero(silent):
        silent &= ~_continues_under_another_address(ctx)
        if len(ctx.house.networks) > 1:
            silent &= _on_the_same_ways(ctx, lost)
            silent &= _apart_from_the_dark(ctx, group, lost)
    if group.kind == "terminated":
        silent[:] = False  # a source that falls silent in that moment announced nothing
    overdue = stops.overdue_among(silent | late)
    stopped = lost | (silent & overdue)
    sources = sorted(set(streams.source[stopped].tolist()))
    # What loses power while one of its leads is out ends in two steps: so soon after the first, it is one end.
    lingered = outlived & (stops.last_ns <= max(group.from_ns, group.to_ns) + ONE_END_NS)
    going = set(streams.source[went_on | outlived & ~lingered].tolist())
    alive_leads = {lead_of(ctx, source) for source in going}
    # What is late may have stopped as well, and may be back with the next frame.
    undecided = (silent | late) & ~overdue
    whole = [source for source in sources if lead_of(ctx, source) not in alive_leads]
    networks = sorted(set(streams.network[stopped].tolist()))
    scene = Scene(ctx, stops, group, stopped, went_on, outlived, undecided, sources, whole, networks)
    own = scene.lost_sources
    if own and own <= set(whole):
        # One stream that continues is not evidence about sources that ended completely.
        scene.leave_out([source for source in sources if source not in own and source not in whole])
    return scene


def _scene_of_all_that_was_heard(ctx: RuleContext, stops: Stops, group: LossGroup, lost: NDArray[np.bool_]) -> Scene:
    """The scene of a loss beside which no other stream was ever heard: nothing continues, and nothing is undecided."""
    streams = ctx.streams
    nothing = np.zeros(streams.count, np.bool_)
    sources = sorted(set(streams.source[lost].tolist()))
    networks = sorted(set(streams.network[lost].tolist()))
    return Scene(ctx, stops, group, lost, nothing, nothing, nothing, sources, [*sources], networks)


def lead_of(ctx: RuleContext, source: int) -> tuple[int, int]:
    """Identify the lead of a source to one network, which may have had several addresses."""
    return ctx.first_leg(source), int(ctx.sources[source].network)


def _on_the_same_ways(ctx: RuleContext, lost: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """(S,) streams on the networks of lost ones, or of their sources: two networks share nothing else."""
    streams = ctx.streams
    sources = set(streams.source[lost].tolist())
    legs = {leg for source in sources for leg in (source, *ctx.other_legs(source))}
    same: NDArray[np.bool_] = is_among(streams.network, streams.network[lost])
    return same | is_among(streams.source, legs)


def _legs_of_the_dead(ctx: RuleContext, group: LossGroup, lost: NDArray[np.bool_]) -> set[int]:
    """Rows of the other leads of lost sources, where all leads of a source stopped in that moment."""
    if not group.apart_sources or len(ctx.house.networks) < 2:
        return set()
    dead = (source for source in set(ctx.streams.source[lost].tolist()) if fate_of(ctx, group, source) == "died")
    return {leg for source in dead for leg in ctx.other_legs(source)}


def _apart_from_the_dark(ctx: RuleContext, group: LossGroup, lost: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """(S,) streams on the side of lost ones, where a whole network went dark in that moment."""
    network = ctx.streams.network
    dark = sorted(dark_networks(ctx, group))
    if not dark:
        return np.ones(ctx.streams.count, np.bool_)
    is_dark: NDArray[np.bool_] = is_among(network, dark)
    return is_dark if is_dark[lost].all() else ~is_dark | is_among(network, network[lost])


def _continues_under_another_address(ctx: RuleContext) -> NDArray[np.bool_]:
    """(S,) streams of sources that send nothing any more from an address, and send from another one there."""
    streams = ctx.streams
    live = ctx.sources_of(ctx.live.nonzero()[0].tolist())
    going = {lead_of(ctx, source) for source in live}
    every = set(streams.source[streams.used].tolist()) - live
    moved = [source for source in every if lead_of(ctx, source) in going]
    return is_among(streams.source, moved)


def _cut_by_own_link(ctx: RuleContext, stops: Stops) -> NDArray[np.bool_]:
    """(S,) streams that, as far as is known, sent until this listener's link to their network went down."""
    cut = np.zeros(ctx.streams.count, np.bool_)
    for network, link in ctx.listener.links.items() if ctx.listener.any_down else ():
        if not link.up:
            cut |= (ctx.streams.network == network) & (stops.due_ns + SLACK_NS >= link.since_ns)
    return cut
