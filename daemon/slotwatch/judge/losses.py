"""Losses sorted by what stopped together: the groups that causes are sought for."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from itertools import count

import numpy as np

from slotwatch.durations import NANOSECONDS
from slotwatch.judge import ways
from slotwatch.judge.among import is_among
from slotwatch.judge.context import RuleContext
from slotwatch.judge.loss_group import LossGroup, Name
from slotwatch.judge.loss_places import Places, fold_together
from slotwatch.judge.partings import dead_or_cut_off, own_reasons
from slotwatch.judge.raised import Raised
from slotwatch.judge.silences import awaited_ns
from slotwatch.judge.stops import SLACK_NS, Stops
from slotwatch.model.destinations import is_multicast
from slotwatch.wire.universe import Protocol

LOSS_RULES = ("universe-lost", "source-absent", "backup-absent")
EXPIRY_NS = 10 * NANOSECONDS
"""Hosts spread their reports over the Query Response Interval (RFC 2236 8.3: 10 s), and so the memberships of one
port run out one after the other within as much, once they are no longer asked for."""


class Losses:
    """Remembers which loss belongs to which group, as losses are found one after the other."""

    def __init__(self) -> None:
        self._ids = count(1)
        self.groups: dict[int, LossGroup] = {}
        self._group_of: dict[Name, int] = {}

    def sort(self, ctx: RuleContext, stops: Stops, raised: list[Raised]) -> None:
        """Put each raised loss into its group: an earlier one whose span overlaps, else a new one."""
        present = {(case.rule.name, case.key): case for case in raised}
        self._forget([name for name in self._group_of if name not in present])
        for name, case in present.items():
            group = self.groups.get(self._group_of.get(name, 0))
            if group is not None:
                group.members[name] = case
        away = {
            id: any(case.holds and not _came_back(stops, group, case) for case in group.members.values())
            for id, group in self.groups.items()
        }
        self._forget([name for name, case in present.items() if self._stopped_anew(stops, name, case, away)])
        new = [name for name in present if name not in self._group_of]
        if new:
            places, followed = Places(self.groups.values(), partial(self._sources, ctx)), set[int]()
            stopped = _stopped_each(ctx, stops, [present[name] for name in new])
            for name, span in zip(new, stopped, strict=True):
                self._place(ctx, name, present[name], span, places, followed)
        self._part(partial(own_reasons, ctx, stops), ctx)
        if len(ctx.house.networks) > 1:
            self._part(partial(dead_or_cut_off, ctx), ctx)
            self._rejoin_the_dead(ctx)
        if len(self.groups) > 1:
            for group in self.groups.values():
                group.follow_members()
            fold_together(self.groups.values(), lambda one, other: self._fold(one, other, 0))
        if len(self.groups) > 1:
            self._fold_expiries(ctx)

    def _part(self, kinds_of: Callable[[LossGroup], dict[Name, str]], ctx: RuleContext) -> None:
        """Make groups of their own of what stopped in one moment by several causes.

        kinds_of: what is known of members of a group; those that are not named may be of any kind.
        """
        for group in list(self.groups.values()):
            if group.kind != "silent" or group.spread_ns or len(group.members) < 2:
                continue
            known = kinds_of(group)
            for kind in list(dict.fromkeys(known.values()))[1:]:
                names = [name for name, its in known.items() if its == kind]
                self._move_apart(ctx, group, names, self._apart_of_kind(group, kind, kinds_of))

    def _apart_of_kind(
        self, group: LossGroup, kind: str, kinds_of: Callable[[LossGroup], dict[Name, str]]
    ) -> LossGroup:
        """Find the group that stopped in the same moment and has members of a kind, or make one."""
        parted = [self.groups[id] for id in sorted(group.apart_from & self.groups.keys())]
        for one in parted:
            if kind in kinds_of(one).values():
                return one
        made = LossGroup(next(self._ids), group.kind, group.from_ns, group.to_ns)
        self.groups[made.id] = made
        for one in (group, *parted):
            one.apart_from.add(made.id)
            made.apart_from.add(one.id)
        return made

    def _rejoin_the_dead(self, ctx: RuleContext) -> None:
        """Make one group again of what died in one moment, once what kept some of it in another group has come back."""
        for group in [one for one in self.groups.values() if one.apart_from]:
            older = (self.groups[id] for id in sorted(group.apart_from & self.groups.keys()) if id < group.id)
            fates = dead_or_cut_off(ctx, group)
            died = [name for name, fate in fates.items() if fate == "died"]
            into = next((one for one in older if died and "died" in dead_or_cut_off(ctx, one).values()), None)
            if into is not None:
                self._move_apart(ctx, group, died, into)
                if not group.members:
                    del self.groups[group.id]

    def _move_apart(self, ctx: RuleContext, group: LossGroup, names: list[Name], other: LossGroup) -> None:
        for name in names:
            other.members[name] = group.members.pop(name)
            other.spans[name] = group.spans.pop(name)
            self._group_of[name] = other.id
        group.follow_members()
        other.follow_members()
        group.apart_sources |= ctx.sources_of(other.streams)
        other.apart_sources |= ctx.sources_of(group.streams)

    def _fold_expiries(self, ctx: RuleContext) -> None:
        """Make one of what multicast lost one after the other, of one source or when no multicast is left."""
        streams = ctx.streams
        multicast = is_multicast(streams.destination_kind)
        by_networks: dict[tuple[int, ...], list[LossGroup]] = {}
        for group in self.groups.values():
            rows = list(group.streams)
            # A group that ended stopped all its sources: if one continued, the other stopped for its own reason.
            lasts = all(case.holds and case.rule.name == "universe-lost" for case in group.members.values())
            if lasts and group.kind == "silent" and multicast[rows].all() and not _lost_its_ports(ctx, group):
                by_networks.setdefault(tuple(sorted(set(streams.network[rows].tolist()))), []).append(group)
        for networks, groups in by_networks.items():
            if len(groups) < 2:
                continue
            none_left = not (ctx.live & multicast & is_among(streams.network, networks)).any()
            groups.sort(key=lambda group: group.from_ns)
            # Where the querier is silent, what ran out last of several sources is no death of one of them.
            gone = all(ctx.listener.queriers.is_gone(network, groups[0].to_ns, ctx.now_ns) for network in networks)
            unasked = none_left and gone
            extents = [len(set(streams.universe[list(group.streams)].tolist())) for group in groups]
            if not unasked and any(
                count > 1 and 2 * count > sum(extents)
                for group, count in zip(groups, extents, strict=True)
                if not group.spread_ns
            ):
                continue  # most of it went in one moment, which memberships that run out do not
            # Sources that each ended whole, in a moment of their own, died: memberships run out group by group.
            none_left = unasked or (none_left and self._some_source_ended_twice(ctx, groups))
            running_out = {group.id for group in groups if gone and _left_others(ctx, group)}
            kept = groups[:1]
            for group in groups[1:]:
                for place, first in reversed(list(enumerate(kept))):
                    spread_ns = group.from_ns - first.from_ns + first.spread_ns
                    related = none_left or {first.id, group.id} <= running_out
                    related = related or bool(self._sources(ctx, first) & self._sources(ctx, group))
                    if related and group.id not in first.apart_from and spread_ns <= EXPIRY_NS + SLACK_NS:
                        kept[place] = self._fold(first, group, spread_ns)
                        break
                else:
                    kept.append(group)

    def _some_source_ended_twice(self, ctx: RuleContext, groups: list[LossGroup]) -> bool:
        """Whether universes of one source ended one after the other, in these groups or in one made of them."""
        if any(group.spread_ns for group in groups):
            return True
        named = [self._sources(ctx, group) for group in groups]
        return len(set().union(*named)) < sum(map(len, named))

    def _fold(self, one: LossGroup, other: LossGroup, spread_ns: int) -> LossGroup:
        kept, gone = (one, other) if one.id < other.id else (other, one)
        kept.spread_ns = max(spread_ns, other.spread_ns)
        kept.members.update(gone.members)
        kept.spans.update(gone.spans)
        kept.follow_members()
        self._group_of.update(dict.fromkeys(gone.members, kept.id))
        del self.groups[gone.id]
        return kept

    def _stopped_anew(self, stops: Stops, name: Name, case: Raised, away: dict[int, bool]) -> bool:
        """Whether its streams came back and stopped again since the group was made, and nothing of that is away since.

        away: whether a member of each group is.
        """
        group = self.groups.get(self._group_of.get(name, 0))
        if group is None or not case.holds or not _came_back(stops, group, case):
            return False
        # Streams that other sources brought since then have stopped for another reason, whatever is still away.
        return not away[group.id] or not group.streams & set(case.finding.streams)

    def _forget(self, names: list[Name]) -> None:
        left: dict[int, LossGroup] = {}
        for name in names:
            group = self.groups.get(self._group_of.pop(name))
            if group is not None:
                group.members.pop(name, None)
                group.spans.pop(name, None)
                left[group.id] = group
        for group in left.values():
            group.follow_members()
            if not group.members:
                del self.groups[group.id]

    def _place(
        self,
        ctx: RuleContext,
        name: Name,
        case: Raised,
        stopped: tuple[str, int, int],
        places: Places,
        followed: set[int],
    ) -> None:
        """stopped: in what way, and between which moments.

        followed: groups that have followed their members in this pass; a crowd's members join separately.
        """
        kind, from_ns, to_ns = stopped
        sources = set(case.finding.source_names) | {ctx.source_name(ctx.source_of(s)) for s in case.finding.streams}
        group = places.find(kind, from_ns, to_ns, sources)
        if group is None:
            group = LossGroup(next(self._ids), kind, from_ns, to_ns)
            self.groups[group.id] = group
        group.join(name, case, (from_ns, to_ns))
        if group.id not in followed:
            followed.add(group.id)
            group.follow_members()
        places.take(group, sources)
        self._group_of[name] = group.id

    @staticmethod
    def _sources(ctx: RuleContext, group: LossGroup) -> set[str]:
        names = {ctx.source_name(ctx.source_of(row)) for row in group.streams}
        return names.union(*(case.finding.source_names for case in group.members.values()))


def _stopped_each(ctx: RuleContext, stops: Stops, cases: list[Raised]) -> list[tuple[str, int, int]]:
    """In what way the streams of each case stopped, after which moment and before which.

    A whole house stops as thousands of cases of one stream each, which are looked at together.
    """
    if not len(stops.last_ns):
        return [_stopped(ctx, stops, case) for case in cases]
    streams = [case.finding.streams for case in cases]
    alone = np.array([rows[0] if len(rows) == 1 else 0 for rows in streams], np.intp)
    columns = (
        stops.terminated[alone],
        ctx.streams.protocol[alone] == int(Protocol.LINE),
        ctx.streams.last_terminated_ns[alone],
        stops.last_ns[alone],
        stops.due_ns[alone],
    )
    found: list[tuple[str, int, int]] = []
    for case, terminated, is_line, terminated_ns, last_ns, due_ns in zip(
        cases, *(column.tolist() for column in columns), strict=True
    ):
        if len(case.finding.streams) != 1:
            found.append(_stopped(ctx, stops, case))
        elif terminated:
            found.append(("terminated", terminated_ns, terminated_ns))
        else:
            found.append(("line" if is_line else "silent", last_ns, due_ns))
    return found


def _stopped(ctx: RuleContext, stops: Stops, case: Raised) -> tuple[str, int, int]:
    """The same of one case with any number of streams."""
    rows = np.array(case.finding.streams, np.intp)
    if not len(rows):
        awaited = int(awaited_ns(ctx, list(case.finding.universes)).max(initial=ctx.started_ns))
        return "never", awaited, awaited
    if stops.terminated[rows].all():
        terminated_ns = int(ctx.streams.last_terminated_ns[rows].max())
        return "terminated", terminated_ns, terminated_ns
    newest_ns = int(stops.last_ns[rows].max())
    together = rows[stops.due_ns[rows] + SLACK_NS >= newest_ns]
    kind = "line" if (ctx.streams.protocol[rows] == Protocol.LINE).all() else "silent"
    return kind, newest_ns, int(stops.due_ns[together].min())


def _came_back(stops: Stops, group: LossGroup, case: Raised) -> bool:
    """Whether a frame of a member came after its group stopped."""
    rows = case.finding.streams
    if not rows:
        return False
    newest_ns = stops.last_ns[rows[0]] if len(rows) == 1 else stops.last_ns[list(rows)].max()
    return int(newest_ns) > group.to_ns + SLACK_NS


def _left_others(ctx: RuleContext, group: LossGroup) -> bool:
    """Whether each source of a group sent other data after it, or lost the group's streams one after the other."""
    last_ns = ctx.model.sources.last_seen_ns[ctx.streams.source[list(group.streams)]]
    return bool(group.spread_ns) or bool((last_ns > max(group.from_ns, group.to_ns) + SLACK_NS).all())


def _lost_its_ports(ctx: RuleContext, group: LossGroup) -> bool:
    """Whether the switch ports of its sources went down with it: then no membership ran out."""
    sources = set(ctx.streams.source[list(group.streams)].tolist())
    return ways.stopped_with_their_ports(ctx, sources, group.from_ns - NANOSECONDS, group.to_ns + NANOSECONDS)
