"""Intake: the process that only moves packets from the sockets into the ring, and holds the memberships that they need.

Packets are let gather: at a low rate 20 ms, since waking for each costs more than reading it, and while judging
sleeps until the next tenth of a second; at a high rate until about a batch is there; never longer than half
the receive buffer takes to fill at a full gigabit; and not at all while a route waits for them. Kernel stamps lose
nothing by it.
"""

from __future__ import annotations

import os
import select
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path

from slotwatch import clock
from slotwatch.edge.intake.damage import DamageCount
from slotwatch.edge.intake.gathering import Gathering
from slotwatch.edge.intake.joins import MOST_LISTED_GROUPS, MOST_SYNC_GROUPS, Joins, wanted_universes
from slotwatch.edge.intake.udp_in import ArrivalClock, DataSocket, Networks
from slotwatch.edge.lines.line_tap import LineTap
from slotwatch.edge.shared import compiled
from slotwatch.edge.shared.channel import Channel
from slotwatch.edge.shared.interfaces import InterfaceWatch
from slotwatch.edge.shared.messages.intake import (
    FromIntake,
    Idle,
    IntakeHealth,
    IntakeWoke,
    JoinsSeen,
    LinksSeen,
    ListedGroups,
    StateWanted,
    SyncGroups,
    ToIntake,
)
from slotwatch.edge.shared.messages.lifeline import FromChild, ToChild
from slotwatch.edge.shared.pace import GRID_NS
from slotwatch.edge.shared.ring import GUARD_ROWS, RingWriter
from slotwatch.house.schema import House
from slotwatch.house.service import Listen
from slotwatch.snapshot.health import IntakeReport, LineHealth
from slotwatch.wire.observation import JoinSeen, LeaveSeen, LinkSeen
from slotwatch.wire.universe import Protocol

LONGEST_GATHER_S = 0.020
SHORTEST_GATHER_S = 0.002
ROUTED_GATHER_S = 0.002
MANY_HZ = 10_000
"""While routes wait every packet is read at once, and above this rate after two milliseconds: waking intake and
routes for each packet cost 60 us, and 22,500 a second, 512 routes at 44 Hz, were more than a core. After one
millisecond they took 84 % of a core beside other work and 1 in 70 frames was overtaken, after two 80 % and none."""
STEADY_S = 0.1
GATHERED_PACKETS = 2400
"""A full gigabit brings these in 14 ms. A turn costs some 50 us and waking for it besides, whatever it finds."""
FULL_GIGABIT_HZ = 177_500
"""Full packets (638 bytes of UDP payload) that a gigabit carries in a second."""
TURN_AT_LEAST_S = 0.04
"""Intake writes its heartbeat at least this often; while judging idles, each GRID_S."""
GRID_S = GRID_NS / 1e9
BURST_ROWS = 4 * GUARD_ROWS
"""This many rows in one turn end idling: the ring, which judging then has to empty, holds 0.74 s of a full gigabit."""
MOST_PER_SOCKET = 16 * GUARD_ROWS
"""Packets read from one socket before the others have their turn."""
STEP_NS = 1_000_000
"""A wall clock that moved this much between two turns was stepped, not steered (500 ppm of 20 ms is 10 us)."""
LINES_S = 0.5
"""How often tapped lines report the state of their ports."""
NO_NETWORK_OF_A_LINE = 0
"""A line is heard at this computer, not on a network; it is judged with the first one."""
RELEASE_S = 3.0
"""How often memory goes back that the ring took while judging was behind: up to 90 MiB. Judging that falls behind again
takes it anew, page by page, so not at once."""
REFRESH_S = 10.0
"""Links and joins are read this often even without a message from netlink, in case one was lost."""


class Intake:
    """Sockets, memberships and lines of a house, read into the ring."""

    def __init__(
        self, house: House, writer: RingWriter, bells: list[int], observations: Channel[FromIntake, ToIntake]
    ) -> None:
        """EdgeError where a port is taken or no interface is there. `bells`: an eventfd for each waiting reader."""
        self.house = house
        self.writer = writer
        self.watch = InterfaceWatch(house)
        self.watch.require_one()
        self.sockets = _open_sockets(house.listen)
        self.joins = Joins()
        self.networks = Networks(self.watch.networks_by_index(), self._look_again)
        self.taps = _start_taps(house)
        self._bells = bells
        self._channel = observations
        self._arrivals = ArrivalClock()
        self._sync_groups: dict[int, tuple[int, ...]] = {}
        self._listed_groups: dict[int, tuple[int, ...]] = {}
        self._closed_drops = 0
        """What the kernel had dropped on sockets that are closed."""
        self._drops: dict[int, int] = {}
        """What it dropped on each open one, by descriptor."""
        self._damage = DamageCount()
        self._gathering = Gathering(compiled.load_receiving(), writer, self._arrivals, self.networks, MOST_PER_SOCKET)
        self._rate_hz = 0.0
        """Packets a second: rises at once, falls slowly."""
        self._steady_hz = 0.0
        """The same over whole STEADY_S."""
        self._counted, self._counted_s = 0, 0.0
        self._resting = False
        """Whether judging idles, so that packets may gather until its next turn."""
        self._turned_s = 0.0
        self._refreshed_s = self._released_s = 0.0
        self._lines_sent_s = 0.0
        self._poll = select.epoll()
        for fd in (observations.fileno(), self.watch.fd):
            self._poll.register(fd, select.EPOLLIN)
        self._data_fds: set[int] = set()
        self._register()
        self._update_joins()

    def close(self) -> None:
        for sock in self.sockets:
            sock.close()
        for tap in self.taps:
            tap.close()
        self.joins.close()
        self.watch.close()
        self._poll.close()

    def take_house(self, house: House) -> None:
        """Listen as another house says. Sockets whose port stays, and memberships that stay, are not touched.

        EdgeError where that cannot be done; take the former house again then.
        """
        before, self.house = self.house, house
        self.watch.take_house(house)
        # A name that is new and wrong is a mistake; one that was right before is an adapter that is gone.
        self.watch.require_all(excused=[network.interface for network in before.networks])
        keep = [s for s in self.sockets if (s.protocol, s.port, s.v6) in _ports(house.listen)]
        if len(keep) < len(self.sockets) or len(keep) < len(_ports(house.listen)):
            # The ports that go are closed first: the new house may want to swap two of them.
            for sock in [s for s in self.sockets if s not in keep]:
                self._poll.unregister(sock.fd)
                self._data_fds.discard(sock.fd)  # the next socket may get the same number
                self._closed_drops += sock.drops()
                self._drops.pop(sock.fd, None)
                sock.close()
            self.sockets = keep
            self.sockets = [*keep, *_open_sockets(house.listen, {(s.protocol, s.port, s.v6) for s in keep})]
            self._register()
        if before.lines != house.lines:
            for tap in self.taps:
                tap.close()
            self.taps = _start_taps(house)
        self._sync_groups.clear()
        self.networks.by_index = {}  # numbers of another house
        self._follow_changes()

    def run(self, lifeline: Channel[FromChild, ToChild], handle: Callable[[ToChild], bool]) -> None:
        """Read until `handle(message)` of the parent's messages says False, or the lifeline is closed."""
        self._poll.register(lifeline.fileno(), select.EPOLLIN)
        full: list[DataSocket] = []
        waiting = False
        while True:
            early = self._gather(full) if waiting else 0
            # Lines have no descriptor here: their threads queue frames, which are looked for as often as we gather.
            rest_s = LONGEST_GATHER_S if self.taps else GRID_S if self._resting else TURN_AT_LEAST_S
            ready = self.wait(0 if waiting else rest_s)
            polled_ns = clock.monotonic_ns()
            if lifeline.fileno() in ready and (not all(map(handle, lifeline.receive())) or lifeline.closed):
                return
            self.follow(ready)
            full = [sock for sock in self.sockets if sock.fd in ready]
            if full and not waiting:
                early = self._gather(full)
            waiting = self._empty(full, polled_ns, early) > 0

    def wait(self, seconds: float) -> set[int]:
        """Wait until packets, changes of interfaces or a message of judging are there, at most so long.

        Returns the descriptors that hold them.
        """
        return {fd for fd, _ in self._poll.poll(seconds)}

    def follow(self, ready: set[int]) -> None:
        """Take the changes of interfaces and the messages of judging that wait on the descriptors in `ready`."""
        if self.watch.fd in ready and self.watch.read():
            self._follow_changes()
        if self._channel.fileno() in ready:
            for message in self._channel.receive():
                self._take_message(message)

    def turn(self) -> int:
        """Empty every socket and line once; returns how many rows were written."""
        return self._empty(self.sockets, clock.monotonic_ns())

    def _empty(self, full: list[DataSocket], looked_ns: int, early: int = 0) -> int:
        """Empty the sockets that hold something. The others were empty at `looked_ns`.

        early: rows that were written while packets gathered.
        """
        self.writer.rewind(for_routes=self.house.has_routes)
        self._arrivals.turn()
        count = early
        for sock in self.sockets:
            if sock in full:
                count += sock.drain(self.writer, self._arrivals, self.networks, MOST_PER_SOCKET)
                self._drops[sock.fd] = sock.drops()
            else:
                sock.drained_ns = max(looked_ns, sock.drained_ns)
        for tap in self.taps:
            count += self._take_line(tap)
        drops = self._closed_drops + sum(self._drops.values())
        # What had arrived when this turn began is in the ring: judging may let time pass up to there.
        damaged = self._damage.follow(drops, looked_ns)
        self.writer.turn(looked_ns, self._arrivals.wall_offset_ns, drops - damaged, damaged)
        if count:
            for bell in self._bells:
                os.eventfd_write(bell, 1)
            if self._resting and count > BURST_ROWS:
                self._resting = False
                self._channel.send(IntakeWoke())
        self._measure(count)
        self._report_if_due()
        return count

    def tell_state(self) -> None:
        """Send everything observed, in its present state: for a judging process that has just started."""
        now_ns = clock.monotonic_ns()
        self._send_links(self.watch.links(now_ns))
        self._send_joins(self.joins.outcomes(now_ns))
        self._send_health()

    def _gather(self, full: list[DataSocket]) -> int:
        """Let packets gather; returns how many rows were written meanwhile."""
        rate_hz = 0.0 if self.taps else self._rate_hz
        return self._gathering.pause(full, self.gather_s(), rate_hz, may_rewind=not self.house.has_routes)

    def gather_s(self) -> float:
        """How long packets may gather now."""
        if self.house.routes:
            return ROUTED_GATHER_S if self._steady_hz > MANY_HZ else 0.0
        most_s = min((s.holds_packets() / FULL_GIGABIT_HZ / 2 for s in self.sockets), default=LONGEST_GATHER_S)
        wanted_s = GATHERED_PACKETS / max(self._rate_hz, 1.0)
        to_grid_s = (GRID_NS - clock.monotonic_ns() % GRID_NS) / 1e9
        longest_s = to_grid_s if self._resting and not self.taps else LONGEST_GATHER_S
        return min(most_s, max(SHORTEST_GATHER_S, min(longest_s, wanted_s)))

    def _measure(self, count: int) -> None:
        """Note the rate, now that a turn brought this many packets."""
        now_s = clock.monotonic_ns() / 1e9
        elapsed_s = max(now_s - self._turned_s, 1e-4)
        self._turned_s = now_s
        # Up at once, so that a burst after idling does not wait 20 ms twice; down slowly.
        self._rate_hz = max(count / elapsed_s, 0.8 * self._rate_hz)
        self._counted += count
        if now_s - self._counted_s >= STEADY_S:
            self._steady_hz = self._counted / (now_s - self._counted_s)
            self._counted, self._counted_s = 0, now_s

    def _report_if_due(self) -> None:
        """Every REFRESH_S bring memberships and the report of this process up to date, and every LINES_S that of
        lines."""
        now_s = clock.monotonic_ns() / 1e9
        if now_s - self._released_s > RELEASE_S:
            self._released_s = now_s
            self.writer.release()
        if now_s - self._refreshed_s > REFRESH_S:
            self._refreshed_s = now_s
            self._update_joins()
            self._send_health()
        elif self.taps and now_s - self._lines_sent_s > LINES_S:
            self._lines_sent_s = now_s
            self._send_health()

    def _look_again(self) -> None:
        """Read the kernel's word of interfaces, which came before any packet of a new one."""
        if self.watch.read():
            self._follow_changes()

    def _follow_changes(self) -> None:
        """Interfaces or the house changed: networks, memberships and judging follow."""
        self.networks.take(self.watch.networks_by_index(), self.watch.table.by_index)
        self._send_links(self.watch.links(clock.monotonic_ns()))
        self._update_joins()

    def _update_joins(self) -> None:
        wanted = wanted_universes(self.house)
        for network, addresses in self._sync_groups.items():
            if self.house.listen.join != "none":
                wanted.setdefault(network, set()).update(addresses)
        if self.house.first_contact is not None:
            for network, universes in self._listed_groups.items():
                wanted.setdefault(network, set()).update(universes)
        joins, leaves = self.joins.update(wanted, self.watch, clock.monotonic_ns())
        # Where nothing is declared, a group is left because its source no longer lists it: its data ended before that.
        self._send_joins(joins, leaves if self.house.first_contact is None else ())

    def _take_message(self, message: ToIntake) -> None:
        """Do what judging asks for."""
        match message:
            case StateWanted():
                self.tell_state()
            case Idle():
                self._resting = message.may_idle
            case ListedGroups():
                groups = {network: universes[:MOST_LISTED_GROUPS] for network, universes in message.groups.items()}
                if groups != self._listed_groups:
                    self._listed_groups = groups
                    self._update_joins()
            case SyncGroups():
                groups = {network: universes[:MOST_SYNC_GROUPS] for network, universes in message.groups.items()}
                if groups != self._sync_groups:
                    self._sync_groups = groups
                    self._update_joins()

    def _send_health(self) -> None:
        buffers = {f"{s.protocol.word}{' IPv6' if s.v6 else ''}": s.buffer_bytes for s in self.sockets}
        lines = tuple(
            LineHealth(
                number=t.number,
                path=t.path,
                open=t.is_open,
                trouble=t.trouble,
                faults=t.decoder.faults,
                breaks=t.decoder.breaks,
                received=t.decoder.received,
                misframed=t.decoder.misframed,
                dropped_frames=t.dropped,
                reopened=t.reopened,
            )
            for t in self.taps
        )
        self._channel.send(IntakeHealth(IntakeReport(buffers, self.joins.held(), lines, self._is_compiled)))

    @property
    def _is_compiled(self) -> bool:
        return bool(self.sockets) and all(sock.receiver is not None for sock in self.sockets)

    def _send_links(self, links: Iterable[LinkSeen]) -> None:
        if seen := tuple(links):
            self._channel.send(LinksSeen(seen))

    def _send_joins(self, joins: Sequence[JoinSeen], leaves: Sequence[LeaveSeen] = ()) -> None:
        if joins or leaves:
            self._channel.send(JoinsSeen(tuple(joins), tuple(leaves)))

    def _take_line(self, tap: LineTap) -> int:
        frames = tap.take()
        for frame in frames:
            self.writer.put(
                frame.data,
                t_ns=frame.t_ns,
                network=NO_NETWORK_OF_A_LINE,
                protocol=Protocol.LINE,
                src_port=tap.number,
            )
        return len(frames)

    def _register(self) -> None:
        for sock in self.sockets:
            if sock.fd not in self._data_fds:
                self._poll.register(sock.fd, select.EPOLLIN)
        self._data_fds = {sock.fd for sock in self.sockets}


def _ports(listen: Listen) -> list[tuple[Protocol, int, bool]]:
    """Protocol, port and family of every data socket."""
    return [
        (protocol, port, v6)
        for protocol, port in listen.watched_ports.items()
        for v6 in (False, True)
        if protocol.facts.has_ipv6 or not v6
    ]


def _open_sockets(listen: Listen, but: Iterable[tuple[Protocol, int, bool]] = ()) -> list[DataSocket]:
    opened: list[DataSocket] = []
    receiving = compiled.load_receiving()
    try:
        for protocol, port, v6 in _ports(listen):
            if (protocol, port, v6) not in but and not (v6 and not _has_ipv6()):
                opened.append(DataSocket(protocol, port, v6, receiving))
    except BaseException:
        for sock in opened:
            sock.close()
        raise
    return opened


def _has_ipv6() -> bool:
    return Path("/proc/net/if_inet6").exists()


def _start_taps(house: House) -> list[LineTap]:
    taps = [LineTap(line.port, line.number) for line in house.lines]
    for tap in taps:
        tap.start()
    return taps
