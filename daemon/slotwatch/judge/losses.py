"""Losses sorted by what stopped together: the groups that causes are sought for."""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import count

import numpy as np

from slotwatch.judge import ways
from slotwatch.judge.binding import Key, Raised
from slotwatch.judge.context import RuleContext
from slotwatch.judge.stops import SLACK_NS, Stops

LOSS_RULES = ("universe-lost", "source-absent", "backup-absent")
NANOSECONDS = 1_000_000_000
REVISED_FOR_NS = 22 * NANOSECONDS
"""Slowest loss timeout (Art-Net's 10 s) and two discovery intervals of E1.31 (2 x 10 s), with some slack."""
EXPIRY_NS = 10 * NANOSECONDS
"""Hosts spread their reports over the Query Response Interval (RFC 2236 8.3: 10 s), and so the memberships of one
port run out one after the other within as much, once nobody asks for them any more."""


@dataclass(slots=True)
class LossGroup:
    """Streams that stopped together, and the findings that say so."""

    id: int
    kind: str
    """silent | terminated | never."""
    from_ns: int
    """The stop lies after this: the latest of the last frames."""
    to_ns: int
    """… and before this: the earliest frame that was owed and did not come."""
    members: dict[tuple[str, Key], Raised] = field(default_factory=dict)
    streams: set[int] = field(default_factory=set)
    spread_ns: int = 0
    """From the first stop to the last, where groups ended one after the other; 0 if all stopped together."""

    @property
    def is_revised_until_ns(self) -> int:
        return self.from_ns + REVISED_FOR_NS


class Losses:
    """Remembers which loss belongs to which group, as losses are found one after the other."""

    def __init__(self) -> None:
        self._ids = count(1)
        self.groups: dict[int, LossGroup] = {}
        self._group_of: dict[tuple[str, Key], int] = {}

    def sort(self, ctx: RuleContext, stops: Stops, raised: list[Raised]) -> None:
        """Put each raised loss into its group: an earlier one whose span overlaps, else a new one."""
        present = {(case.rule.name, case.key): case for case in raised}
        self._forget([name for name in self._group_of if name not in present])
        held: dict[tuple[str, Key], LossGroup] = {}
        for name, case in present.items():
            group = self.groups.get(self._group_of.get(name, 0))
            if group is not None and not self._stopped_anew(group, stops, case):
                held[name] = group
        self._forget([name for name in present if name not in held and name in self._group_of])
        for name, case in present.items():
            if name in held:
                held[name].members[name] = case
            else:
                self._place(ctx, stops, name, case)
        if len(self.groups) > 1:
            self._fold_expiries(ctx)

    def _fold_expiries(self, ctx: RuleContext) -> None:
        """Make one of what multicast lost one after the other, of one source or when no multicast is left."""
        streams = ctx.streams
        is_multicast = np.isin(streams.destination_kind, (1, 2))
        by_networks: dict[tuple[int, ...], list[LossGroup]] = {}
        for group in self.groups.values():
            rows = list(group.streams)
            if group.kind == "silent" and is_multicast[rows].all() and not _lost_its_ports(ctx, group):
                by_networks.setdefault(tuple(sorted(set(streams.network[rows].tolist()))), []).append(group)
        for networks, groups in by_networks.items():
            none_left = not (ctx.live & is_multicast & np.isin(streams.network, networks)).any()
            groups.sort(key=lambda group: group.from_ns)
            extents = [len(set(streams.universe[list(group.streams)].tolist())) for group in groups]
            if any(
                count > 1 and 2 * count > sum(extents)
                for group, count in zip(groups, extents, strict=True)
                if not group.spread_ns
            ):
                continue  # most of it went in one moment, which memberships that run out do not
            first = groups[0]
            for group in groups[1:]:
                spread_ns = group.from_ns - first.from_ns + first.spread_ns
                related = none_left or bool(self._sources(ctx, first) & self._sources(ctx, group))
                if related and spread_ns <= EXPIRY_NS + SLACK_NS:
                    first = self._fold(first, group, spread_ns)
                else:
                    first = group

    def _fold(self, one: LossGroup, other: LossGroup, spread_ns: int) -> LossGroup:
        kept, gone = (one, other) if one.id < other.id else (other, one)
        kept.from_ns, kept.to_ns = max(one.from_ns, other.from_ns), max(one.to_ns, other.to_ns)
        kept.spread_ns = max(spread_ns, other.spread_ns)
        kept.streams |= gone.streams
        kept.members.update(gone.members)
        self._group_of.update(dict.fromkeys(gone.members, kept.id))
        del self.groups[gone.id]
        return kept

    def _stopped_anew(self, group: LossGroup, stops: Stops, case: Raised) -> bool:
        """Whether the streams came back and stopped again since the group was made."""
        rows = list(case.finding.streams)
        return bool(rows) and case.holds and int(stops.last_ns[rows].max()) > group.to_ns + SLACK_NS

    def _forget(self, names: list[tuple[str, Key]]) -> None:
        left: dict[int, LossGroup] = {}
        for name in names:
            group = self.groups.get(self._group_of.pop(name))
            if group is not None:
                group.members.pop(name, None)
                left[group.id] = group
        for group in left.values():
            group.streams = {row for other in group.members.values() for row in other.finding.streams}
            if not group.members:
                del self.groups[group.id]

    def _place(self, ctx: RuleContext, stops: Stops, name: tuple[str, Key], case: Raised) -> None:
        rows = np.array(case.finding.streams, np.intp)
        if not len(rows):
            kind, from_ns, to_ns = "never", ctx.started_ns, ctx.started_ns
        elif stops.terminated[rows].all():
            kind = "terminated"
            from_ns = to_ns = int(ctx.streams.last_terminated_ns[rows].max())
        else:
            kind = "silent"
            newest = int(stops.last_ns[rows].max())
            together = rows[stops.due_ns[rows] + SLACK_NS >= newest]
            from_ns, to_ns = newest, int(stops.due_ns[together].min())
        group = self._find(ctx, kind, from_ns, to_ns, case)
        if group is None:
            group = LossGroup(next(self._ids), kind, from_ns, to_ns)
            self.groups[group.id] = group
        group.from_ns, group.to_ns = max(group.from_ns, from_ns), min(group.to_ns, to_ns)
        group.members[name] = case
        group.streams.update(int(row) for row in rows)
        self._group_of[name] = group.id

    def _find(self, ctx: RuleContext, kind: str, from_ns: int, to_ns: int, case: Raised) -> LossGroup | None:
        sources = set(case.finding.source_names) | {ctx.source_name(ctx.source_of(s)) for s in case.finding.streams}
        for group in reversed(self.groups.values()):
            if group.kind != kind:
                continue
            slack_ns = SLACK_NS if kind == "silent" else NANOSECONDS
            if from_ns > group.to_ns + slack_ns or to_ns < group.from_ns - slack_ns:
                continue
            if kind == "silent" or sources & self._sources(ctx, group):
                return group
        return None

    @staticmethod
    def _sources(ctx: RuleContext, group: LossGroup) -> set[str]:
        names = {ctx.source_name(ctx.source_of(row)) for row in group.streams}
        return names.union(*(case.finding.source_names for case in group.members.values()))


def _lost_its_ports(ctx: RuleContext, group: LossGroup) -> bool:
    """Whether the switch ports of its sources went down with it: then no membership ran out."""
    sources = set(ctx.streams.source[list(group.streams)].tolist())
    return ways.stopped_with_their_ports(ctx, sources, group.from_ns - NANOSECONDS, group.to_ns + NANOSECONDS)
