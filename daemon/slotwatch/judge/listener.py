"""The listener's own state: links, joins, drops, stalls, queriers, neighbours, and what is therefore not judged.

Written from `wire.observation` values, read by rules. Every table is bounded: what the network says may never
grow memory without end.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass, field

from slotwatch.durations import NANOSECONDS
from slotwatch.judge import blind_windows
from slotwatch.judge.blind_windows import NotJudged
from slotwatch.judge.cabling import Cabling
from slotwatch.judge.damage import DamagedPackets
from slotwatch.judge.elsewhere import Elsewhere
from slotwatch.judge.last_show import LastShow
from slotwatch.judge.neighbours import Neighbours
from slotwatch.judge.own_routes import OwnRoutes
from slotwatch.judge.ports import Ports
from slotwatch.judge.queriers import Queriers
from slotwatch.judge.switches import Switches
from slotwatch.judge.tapped_line import TappedLine
from slotwatch.model.surges import Surges
from slotwatch.snapshot.health import ClockStepRow, LinkRow, ListenerHealth, NotJudgedRow, QuerierRow
from slotwatch.wire.observation import (
    AddressSeen,
    ArpCounted,
    ClockStepSeen,
    DropsSeen,
    JoinSeen,
    LastShowSeen,
    LeaveSeen,
    LineSeen,
    LinkSeen,
    ListenerSeen,
    MembershipSeen,
    NeighbourSeen,
    Observation,
    PortSeen,
    QuerierWatchSeen,
    QuerySeen,
    ReportsDropped,
    RoutesSeen,
    StallSeen,
    SwitchSeen,
    UnreadSeen,
    UsualOfUniverse,
    UsualSeen,
)

STALL_NOTICED_NS = 200_000_000
"""Shorter lateness costs nothing where packets wait: arrival times are the kernel's, not the loop's."""
AT_ONCE_NS = NANOSECONDS
"""Own links that go down within this time share a cause: adapter, switch or power (common practice, no source)."""
LINK_SETTLE_NS = 35 * NANOSECONDS
"""A port may stay dark for 2 x 15 s after its link came up while spanning tree settles (IEEE 802.1D defaults)."""
SETTLE_NS = 10 * NANOSECONDS
"""Longest window of any rule: for this long an interval that was not judged affects what is counted."""
LOSS_RUN_NS = 71 * NANOSECONDS
"""Packets lost less than this after the last ones are of the same incident: 1 s until it holds no longer, 10 s until it
closes, and 60 s in which it opens again."""
UNREAD_NS = 10 * NANOSECONDS
"""How long packets that could not be read put a network's silences in doubt."""
MOST_FORMER = 8
"""Former addresses of one interface that are kept."""
ARP = "arp"
"""Name of a flood of ARP packets in `Listener.group_messages`."""
MOST_INTERVALS = 256
"""Intervals not judged that are kept."""


@dataclass(slots=True)
class Link:
    """This computer's own interface on one network."""

    seen: LinkSeen
    turned_as: LinkSeen
    """What was seen when `up` last changed."""
    up: bool
    """Whether it has a carrier and an address, so that packets can arrive."""
    since_ns: int
    """When `up` last changed."""
    fell_with: int
    """One number for all links that went down in the same moment: the first one's network if that number is free.
    Of a link that is up: its own network."""
    had: frozenset[str] = frozenset()
    """Families of addresses that it ever had."""
    was_down: bool = False
    gave_up_ns: dict[str, int] = field(default_factory=dict)
    """Addresses that it had before, the newest: when they were first seen to be gone."""

    def was_own(self, address: str, at_ns: int) -> bool:
        """Whether this computer itself had an address when something came from there."""
        return address in self.seen.addresses or at_ns < self.gave_up_ns.get(address, 0)


class Listener:
    """What is known of this listener at one moment."""

    def __init__(self, now_ns: int) -> None:
        self.started_ns = now_ns
        self.is_recording = False
        """Whether packets come from a recording: what the computer that made it joined is not known."""
        self.links: dict[int, Link] = {}
        self.joins: dict[tuple[int, int], JoinSeen] = {}
        self.failed_joins: dict[tuple[int, int], None] = {}
        """Those of them that were refused, in the order in which they were."""
        self.kernel_drops = 0
        self.ring_drops = 0
        self.lost_last_ns = 0
        self.lost_count = 0
        """Packets that this computer lost in the present run of losses."""
        self.damage = DamagedPackets()
        self.stalled_last_ns = self.stalled_for_ns = 0
        self.stalled_unheard = False
        """Whether the sockets were closed meanwhile, so that packets are gone."""
        self.marked_until_ns = 0
        """Until when what was missed in the last stall may have come to be counted; 0: there was none."""
        self.clock_steps: deque[ClockStepSeen] = deque(maxlen=64)
        self.queriers = Queriers()
        self.watched: dict[int, QuerierWatchSeen] = {}
        self.watched_since_ns: dict[int, int] = {}
        self.neighbours = Neighbours()
        self.group_messages = Surges()
        """How many queries and reports come each second, and how many ARP packets."""
        self.routes, self.elsewhere = OwnRoutes(), Elsewhere()
        self.ports = Ports()
        self.last_show = LastShow()
        self.switches = Switches()
        self.cabling = Cabling()
        self.lines: dict[int, TappedLine] = {}
        self.usual: dict[str, UsualOfUniverse] = {}
        """What is usual by universe, out of the history; bounded by the universes that it has."""
        self.usual_since_ns = 0
        self.unread_ns: dict[int, int] = {}
        """Of a network: when packets that may be show data last could not be read. Recordings only."""
        self.not_judged: deque[NotJudged] = deque(maxlen=MOST_INTERVALS)
        self._drops_seen: DropsSeen | None = None

    def observe(self, seen: Observation) -> None:
        """Take one observation; its own time counts, not the moment it is handed over."""
        match seen:
            case LinkSeen():
                self._take_link(seen)
            case JoinSeen():
                self._take_join(seen)
            case LeaveSeen():
                self.joins.pop((seen.network, seen.universe), None)
                self.failed_joins.pop((seen.network, seen.universe), None)
            case DropsSeen():
                self._take_drops(seen)
            case StallSeen():
                self._take_stall(seen)
            case ClockStepSeen():
                self.clock_steps.append(seen)
            case QuerySeen():
                self.group_messages.note("reports", seen.network, seen.querier, seen.t_ns)
                self.queriers.take(seen)
            case MembershipSeen():
                self.group_messages.note("reports", seen.network, seen.host, seen.t_ns)
            case ReportsDropped():
                self.group_messages.take("reports", seen.network, seen.t_ns, seen.packets)
            case ArpCounted():
                self._take_arp(seen)
            case QuerierWatchSeen():
                if seen.watched and not (seen.network in self.watched and self.watched[seen.network].watched):
                    self.watched_since_ns[seen.network] = seen.t_ns
                self.watched[seen.network] = seen
            case NeighbourSeen():
                self.neighbours.take(seen)
            case RoutesSeen():
                self.routes.take(seen)
            case LineSeen():
                self.lines.setdefault(seen.number, TappedLine(seen)).take(seen)
            case LastShowSeen():
                self.last_show.remember(seen)
            case PortSeen():
                self.ports.take(seen)
            case AddressSeen():
                self.neighbours.overhear(seen)
            case SwitchSeen():
                self.switches.take(seen)
            case ListenerSeen():
                self.elsewhere.take(seen)
            case UsualSeen():
                self.usual = {one.universe: one for one in seen.universes}
                self.usual_since_ns = seen.t_ns
            case UnreadSeen():
                self.unread_ns[seen.network] = seen.t_ns
                self._add_interval(seen.t_ns, seen.t_ns, "unread-packets")

    # --- what rules ask -------------------------------------------------------------------------------

    def is_down(self, network: int) -> bool:
        link = self.links.get(network)
        return link is not None and not link.up

    def is_blind(self, network: int, now_ns: int) -> bool:
        """Whether this listener cannot hear a network at present: its link is down, or packets cannot be read."""
        return self.is_down(network) or self.is_unread(network, now_ns)

    def is_unread(self, network: int, now_ns: int) -> bool:
        """Whether packets of a network cannot be read at present."""
        unread_ns = self.unread_ns.get(network)
        return unread_ns is not None and now_ns - unread_ns <= UNREAD_NS

    def was_down(self, network: int, from_ns: int, to_ns: int) -> bool:
        """Whether this listener's own link to a network was down at any time between two moments."""
        return any(
            one.reason == "link-down"
            and one.network == network
            and one.start_ns <= to_ns
            and (one.end_ns is None or one.end_ns >= from_ns)
            for one in self.not_judged
        )

    def cannot_tell(self, network: int, now_ns: int) -> bool:
        """Whether a silence on a network means nothing yet: it is blind, or its link has just come back."""
        return self.is_down(network) or now_ns < self.can_tell_from_ns(network)

    def can_tell_from_ns(self, network: int) -> int:
        """From when on a silence on a network means something, if its link is up and nothing unreadable comes."""
        unread_ns = self.unread_ns.get(network)
        readable_ns = 0 if unread_ns is None else unread_ns + UNREAD_NS + 1
        return max(readable_ns, self.silence_counts_from_ns(network))

    def down_with(self, network: int) -> list[int]:
        """Networks whose links went down in the same moment as that of this one, and still are, this one included."""
        fell_with = self.links[network].fell_with
        return sorted(one for one, link in self.links.items() if not link.up and link.fell_with == fell_with)

    @property
    def any_down(self) -> bool:
        return any(not link.up for link in self.links.values())

    def silence_counts_from_ns(self, network: int) -> int:
        """Give the time before which a silence on a network is not evidence against the show."""
        link = self.links.get(network)
        return link.since_ns + LINK_SETTLE_NS if link and link.up and link.was_down else 0

    def stalled_ns(self, since_ns: int, now_ns: int) -> int:
        """How long this program itself did not listen, or not judge, since then."""
        if since_ns >= self.stalled_last_ns:
            return 0
        return blind_windows.lasted_ns(self.not_judged, since_ns, now_ns)

    def health(self, now_ns: int, network_names: tuple[str, ...]) -> ListenerHealth:
        """Give what a snapshot shows of it. The daemon adds its own parts."""
        return ListenerHealth(
            kernel_drops=self.kernel_drops,
            rows_lost=self.ring_drops,
            damaged=self.damage.total,
            joins=sum(join.ok for join in self.joins.values()),
            joins_failed=sum(not join.ok for join in self.joins.values()),
            links=tuple(
                LinkRow(
                    network=_name(network, network_names),
                    interface=link.seen.interface,
                    up=link.up,
                    addresses=tuple(link.seen.addresses),
                    speed_mbps=link.seen.speed_mbps,
                    switch_port=self.ports.where(network, now_ns),
                )
                for network, link in self.links.items()
            ),
            queriers=tuple(
                QuerierRow(
                    network=_name(network, network_names),
                    watched=watch.watched,
                    reason=watch.reason,
                    address=querier.address if (querier := self.queriers.newest(network)) else "",
                    version=querier.version if querier else "",
                    silent_s=round((now_ns - querier.last_ns) / NANOSECONDS, 1) if querier else None,
                )
                for network, watch in self.watched.items()
            ),
            clock_steps=tuple(ClockStepRow(step.t_ns, step.step_ns) for step in self.clock_steps),
            not_judged=tuple(
                NotJudgedRow(one.start_ns, one.end_ns, _name(one.network, network_names), one.reason)
                for one in self.not_judged
            ),
        )

    def note_away(self, start_ns: int, end_ns: int, reason: str) -> None:
        """Note a time before this judgement in which slotwatch did not listen. The same interval twice counts once."""
        known = any(one.reason == reason and one.end_ns == end_ns for one in self.not_judged)
        if start_ns < end_ns and not known:
            self.not_judged.appendleft(NotJudged(start_ns, end_ns, None, reason))

    def remember(self, rows: Iterable[NotJudgedRow]) -> None:
        """Take up intervals that have ended from the health of an earlier listener of this boot."""
        for row in rows:
            if row.end_ns is not None:
                self.note_away(row.start_ns, row.end_ns, row.reason)

    # --- what is observed -----------------------------------------------------------------------------

    def _take_join(self, seen: JoinSeen) -> None:
        key = seen.network, seen.universe
        self.joins[key] = seen
        if seen.ok:
            self.failed_joins.pop(key, None)
        else:
            self.failed_joins.setdefault(key)

    def _take_link(self, seen: LinkSeen) -> None:
        before = self.links.get(seen.network)
        has = frozenset("IPv6" if ":" in address else "IPv4" for address in seen.addresses)
        had = has | before.had if before is not None else has
        # Without its IPv4 address the kernel leaves every IPv4 group, and the IPv6 address of the card itself stays.
        up = seen.up and seen.present and ("IPv4" in has if "IPv4" in had else bool(has) or not had)
        former = _former(before, seen) if before is not None else {}
        if before is None or before.up != up:
            was_down = not up or (before is not None and before.was_down)
            fell_with = seen.network if up else self._fell_with(seen)
            self.links[seen.network] = Link(seen, seen, up, seen.t_ns, fell_with, had, was_down)
            self.links[seen.network].gave_up_ns = former
            if up:
                self._close_interval(seen.network, seen.t_ns)
            else:
                self.not_judged.append(NotJudged(seen.t_ns, None, seen.network, "link-down"))
            return
        before.seen, before.had, before.gave_up_ns = seen, had, former

    def _fell_with(self, seen: LinkSeen) -> int:
        """`Link.fell_with` of a link that goes down."""
        down = [link for link in self.links.values() if not link.up]
        for link in down:
            if seen.t_ns - link.since_ns <= AT_ONCE_NS:
                return link.fell_with
        # It may have gone down before with others that still are.
        used = {link.fell_with for link in down}
        return next(number for number in (seen.network, *self.links) if number not in used)

    def _close_interval(self, network: int, t_ns: int) -> None:
        for interval in self.not_judged:
            if interval.network == network and interval.end_ns is None:
                interval.end_ns = t_ns

    def _take_drops(self, seen: DropsSeen) -> None:
        before = self._drops_seen
        self._drops_seen = seen
        if before is None and seen.t_ns <= self.started_ns + NANOSECONDS:
            # Counted by an intake that was there before this judgement: not ours to say again.
            self.kernel_drops, self.ring_drops, self.damage.total = seen.kernel, seen.ring, seen.damaged
            return
        self.damage.take(seen.damaged, seen.t_ns, LOSS_RUN_NS)
        lost = max(0, seen.kernel - self.kernel_drops) + max(0, seen.ring - self.ring_drops)
        self.kernel_drops, self.ring_drops = seen.kernel, seen.ring
        if not lost:
            return
        if seen.t_ns - self.lost_last_ns > LOSS_RUN_NS:
            self.lost_count = 0
        self.lost_count += lost
        self.lost_last_ns = seen.t_ns
        start_ns = seen.since_ns or (before.t_ns if before else seen.t_ns)
        self._add_interval(start_ns, seen.t_ns, "host-overrun")

    def _take_stall(self, seen: StallSeen) -> None:
        if seen.unheard or seen.late_ns >= STALL_NOTICED_NS:
            self._add_interval(seen.t_ns - seen.late_ns, seen.t_ns, blind_windows.STALL)
            self.marked_until_ns = max(self.marked_until_ns, seen.t_ns + blind_windows.mark_ns(seen.late_ns))
        if seen.late_ns >= self.stalled_for_ns or seen.t_ns - self.stalled_last_ns > SETTLE_NS:
            self.stalled_for_ns, self.stalled_unheard = seen.late_ns, seen.unheard
        self.stalled_last_ns = seen.t_ns

    def _take_arp(self, seen: ArpCounted) -> None:
        surge = self.group_messages.take(ARP, seen.network, seen.t_ns, seen.unread + sum(seen.senders.values()))
        if surge is not None:
            for device, packets in seen.senders.items():
                surge.name(device, packets)

    def _add_interval(self, start_ns: int, end_ns: int, reason: str) -> None:
        last = self.not_judged[-1] if self.not_judged else None
        close_ns = UNREAD_NS if reason == "unread-packets" else NANOSECONDS
        if last and last.reason == reason and last.end_ns is not None and start_ns - last.end_ns <= close_ns:
            last.end_ns = end_ns
            return
        self.not_judged.append(NotJudged(start_ns, end_ns, None, reason))


def _name(network: int | None, names: tuple[str, ...]) -> str:
    return "" if network is None else names[network] if network < len(names) else str(network)


def _former(before: Link, seen: LinkSeen) -> dict[str, int]:
    """Addresses that an interface has no longer, and when that was first seen."""
    gone = dict.fromkeys(sorted(set(before.seen.addresses) - set(seen.addresses)), seen.t_ns)
    return dict([*(before.gave_up_ns | gone).items()][-MOST_FORMER:])
