"""The routes process: reads the intake ring, runs the bridge, sends. A plain poll loop, for its latency.

Page and diagnosis can restart beside it; only the ring and this loop are between a packet in and a packet
out. When it stops, it ends every stream properly.
"""

from __future__ import annotations

import gc
import os
import select
import signal
from collections.abc import Callable
from ipaddress import IPv4Address, ip_address
from pathlib import Path

import numpy as np

from slotwatch import clock
from slotwatch.bridge.handover import hand_over
from slotwatch.bridge.node import PollResponder, pages
from slotwatch.bridge.outgoing import Outgoing, What
from slotwatch.bridge.output import Target
from slotwatch.bridge.routes import Bridge
from slotwatch.bridge.status import with_line
from slotwatch.edge.lines.serial_line import LineSender
from slotwatch.edge.routes.questions import Questions
from slotwatch.edge.routes.udp_out import Sender, discovery_lists
from slotwatch.edge.shared.channel import Channel
from slotwatch.edge.shared.child import SIGN_OF_LIFE_S
from slotwatch.edge.shared.interfaces import read_interfaces
from slotwatch.edge.shared.messages.lifeline import Alive, FromChild, Stop, TakeHouse, ToChild
from slotwatch.edge.shared.messages.routes import EndAsking, PhaseNow, RouteReport, StartAsking, ToRoutes
from slotwatch.edge.shared.ordering import fence
from slotwatch.edge.shared.ring import NEAR_BYTES, Ring
from slotwatch.edge.shared.ring_reader import RingReader, owned
from slotwatch.house.schema import House, Phase
from slotwatch.snapshot.routes import NodeRow, RouteRow
from slotwatch.wire.batch import Batch
from slotwatch.wire.compose import e131_discovery
from slotwatch.wire.decode import decode
from slotwatch.wire.fields import Fields, PacketKind
from slotwatch.wire.universe import Protocol

REPORT_EVERY_NS = 100_000_000
MOST_REPORTED = 16
"""Routes in one report, in turn, each worked out between packets: 512 at once would hold them up for 10 ms."""
DISCOVERY_EVERY_NS = 10_000_000_000
"""E131_UNIVERSE_DISCOVERY_INTERVAL, E1.31-2018 appendix A."""
DISCOVERY_GROUP = "239.255.250.214"
FOLLOW_EVERY_NS = 1_000_000_000
"""How soon routes send again after an interface came back."""
LONGEST_WAIT_MS = 200
ROWS_AT_ONCE = 16
"""Rows that are taken from the ring before due frames are sent, so that the first frame of a burst does not wait."""
MOST_TURNS = 256
"""This many steps in a row, before the parent's messages are read again."""
OLD_ROWS, NEWEST_ROWS = 32_768, 512
"""So many rows behind this process has fallen far behind, and only so many are still looked at."""


_LEVELS, _, _TERMINATED = What
_ODD = (-1, -1, -1)
"""The place of a packet for the array decoder."""
_E131, _ARTNET = int(Protocol.E131), int(Protocol.ARTNET)


class Routing:
    """The bridge with its sockets and lines. `step` does all that is to be done now."""

    def __init__(self, house: House, ring: Ring, cid: bytes, *, hold_node: bool = False) -> None:
        """`hold_node`: answer no poll before a phase without an audience. EdgeError if it cannot send."""
        now_ns = clock.monotonic_ns()
        self.cid, self._began_ns = cid, now_ns
        self.questions = Questions(house, cid)
        self._hold_node = hold_node
        self._next_row = self._row_due_ns = self._followed_ns = 0
        self._rows: list[RouteRow] = []
        self.bridge = Bridge(house, cid, now_ns)
        self.sender = _sender(house, cid, self.bridge)
        self.lines: dict[int, LineSender] = {}
        self.missed_rows = 0
        self._ring = ring
        self._tail = ring.routed_word[0] = ring.head
        self._odd_rows = RingReader(ring, 0, owned(1))
        self._discovery_ns = now_ns
        self.node = _node(house) if house.listen.artnet_subscribe else None
        self._prepare(house)

    def take_house(self, house: House) -> None:
        """Route as another house says. Unchanged routes lose no frames; those that it does not have are ended.

        Networks, ports and the house's name are those that it was made with. EdgeError where it cannot send.
        """
        before, sender, lines = self.bridge, self.sender, self.lines
        now_ns = clock.monotonic_ns()
        bridge = Bridge(house, self.cid, now_ns)
        successor = _sender(house, self.cid, bridge)
        kept = hand_over(before, bridge, now_ns)
        successor.go_on_from(sender, kept)
        for index in set(range(len(before.outputs))) - set(kept.values()):
            self._send(before.end(index))
            if index in lines:
                lines[index].close()
        sender.close()
        self.bridge, self.sender = bridge, successor
        self.lines = {index: lines[place] for index, place in kept.items() if place in lines}
        self.questions.take_house(house)
        self._prepare(house)
        self._next_row, self._rows = 0, []
        self._discovery_ns = now_ns - DISCOVERY_EVERY_NS

    def _prepare(self, house: House) -> None:
        """Work out what follows from the routes, and open lines that are not open."""
        targets = [output.target for output in self.bridge.outputs]
        wanted = [(protocol, number) for _, protocol, number in self.bridge.inputs]
        self._e131 = {number for protocol, number in wanted if protocol == _E131}
        self._artnet = {number for protocol, number in wanted if protocol == _ARTNET}
        self._discovery = {
            network: e131_discovery(self.cid, self.sender.source_name, listed)
            for network, listed in discovery_lists(targets).items()
        }
        """Pages of its list, by network."""
        self._unicast_discovery = sorted({(t.network, str(t.address)) for t in targets if _is_e131_unicast(t)})
        others = any(protocol not in (_E131, _ARTNET) for protocol, _ in wanted)
        self._hears_all = self.node is not None or house.listen.ask_fixtures or others
        """Whether other packets matter than the levels that `_read` picks out by their bytes: polls, answers of
        fixtures, frames of other protocols."""
        for index, target in enumerate(targets):
            if target.serial is not None and index not in self.lines:
                self.lines[index] = LineSender.open_later(target)
                self.lines[index].start()

    def step(self, now_ns: int) -> None:
        """Read what arrived, let time pass, send what is due."""
        for _ in range(MOST_TURNS):
            self._read()
            self.bridge.tick(now_ns)
            self._send(self.bridge.take_output(clock.monotonic_ns()))
            if self._tail == self._ring.head:
                break
        if now_ns - self._followed_ns >= FOLLOW_EVERY_NS:
            self._followed_ns = now_ns
            self.sender.follow_interfaces()
        for address, packet in self.questions.due(now_ns):
            self.sender.send_to(address, packet)
        if self.node is not None:
            for poller, reply in self.node.due(now_ns):
                self.sender.send_to(str(IPv4Address(poller[12:])), reply)
        if now_ns >= self._row_due_ns and len(self._rows) < min(MOST_REPORTED, self.bridge.routes):
            self._report_next(now_ns)
        if self._discovery and now_ns - self._discovery_ns >= DISCOVERY_EVERY_NS:
            self._discovery_ns = now_ns
            self._announce()

    def wait_ms(self, now_ns: int) -> int:
        """How long there is nothing to do if no packet comes."""
        if self._tail < self._ring.head:
            return 0
        node_ns = self.node.next_ns() if self.node else None
        times = [self.bridge.next_deadline_ns(), node_ns, self.questions.next_ns()]
        due_ns = min((t for t in times if t is not None), default=None)
        if due_ns is None:
            return LONGEST_WAIT_MS
        return max(0, min(LONGEST_WAIT_MS, -((now_ns - due_ns) // 1_000_000)))

    def report(self, now_ns: int, *, is_ending: bool = False) -> RouteReport:
        """Return what judging and the page are to know."""
        while len(self._rows) < min(MOST_REPORTED, self.bridge.routes):
            self._report_next(now_ns)
        rows, self._rows = self._rows, []
        node = None
        if self.node is not None:
            node = NodeRow(replies=self.node.sent, pages=len(self.node.pages), waiting=self._hold_node)
        counted = {
            **self.bridge.counted(),
            "routes_skipped_packets": self.missed_rows,
            "routes_unsent_packets": sum(self.sender.failures.values()),
            "node_unanswered_polls": 0 if self.node is None else self.node.unanswered,
        }
        return RouteReport(
            rows=tuple(rows),
            counted=counted,
            node=node,
            asking=self.questions.state(now_ns),
            t_ns=now_ns,
            began_ns=self._began_ns,
            is_ending=is_ending,
        )

    def _report_next(self, now_ns: int) -> None:
        """Work out what the next report says of one more route."""
        self._row_due_ns = now_ns + REPORT_EVERY_NS // MOST_REPORTED
        for row in self.bridge.status(now_ns, self._next_row, 1):
            line = next((sender for sender in self.lines.values() if row.target == sender.text), None)
            if line is not None:
                row = with_line(row, line.status())
            self._rows.append(row)
        self._next_row = (self._next_row + 1) % max(1, self.bridge.routes)

    def take_order(self, message: ToRoutes, now_ns: int) -> None:
        """Take what judging sends: the phase, and what a person asked for."""
        match message:
            case PhaseNow():
                audience = message.phase in (Phase.PRE_SHOW, Phase.SHOW)
                self._hold_node = self._hold_node and audience
                if audience:
                    self.questions.stop("the phase changed: an audience is expected")
            case StartAsking():
                self.questions.start(now_ns, message.seconds)
            case EndAsking():
                self.questions.stop("stopped by a person")

    def close(self, now_ns: int) -> None:
        """End every stream and close sockets and ports."""
        self._send(self.bridge.stop(now_ns))
        for line in self.lines.values():
            line.close()
        self.sender.close()

    def _read(self) -> None:
        """Take the next few rows of the ring: what no route wants costs a look at its universe."""
        ring, head = self._ring, self._ring.head
        if head - self._tail > min(OLD_ROWS, ring.rows // 2):
            # Levels this old are not worth sending; the newest frame of each universe follows at once.
            self.missed_rows += head - self._tail - NEWEST_ROWS
            self._tail = head - NEWEST_ROWS
        fence()  # `head` before the origin and the rows
        origin = ring.origin
        if self._tail < origin:
            self.missed_rows += origin - self._tail
            self._tail = origin
        end = min(head, self._tail + ROWS_AT_ONCE)
        views, payload = ring.views, ring.payload
        protocols, networks, times, sources = views["protocol"], views["network"], views["t_ns"], views["src"]
        wanted: list[tuple[int, tuple[int, int, int], int, bytes, bytes]] = []
        for number in range(self._tail, end):
            row = (number - origin) & (ring.rows - 1)
            start, protocol = row * NEAR_BYTES, protocols[row]
            if protocol == _E131:
                universe = payload[start + 113] << 8 | payload[start + 114]
                if universe not in self._e131:
                    continue
            elif protocol == _ARTNET and payload[start + 8] == 0 and payload[start + 9] == 0x50:
                universe = payload[start + 15] << 8 | payload[start + 14]
                if universe not in self._artnet:
                    continue
            else:
                if self._hears_all:
                    wanted.append((number, _ODD, 0, b"", b""))
                continue
            source = bytes(sources[16 * row : 16 * row + 16])
            wanted.append((number, (networks[row], protocol, universe), times[row], source, ring.packet(row)))
        if not ring.was_whole(self._tail):
            # Some of it may be another packet's by now: none of it is sent.
            self.missed_rows += end - self._tail
            wanted.clear()
        self._tail = end
        ingest = self.bridge.ingest_datagram
        for number, place, t_ns, source, packet in wanted:
            if place is _ODD or not ingest(place, t_ns, source, packet):
                self._read_odd(number)
        if end == head:
            fence()  # the rows before the word that they were read
            ring.routed_word[0] = end

    def _read_odd(self, number: int) -> None:
        """Have the array decoder read one row."""
        self._odd_rows.tail = number
        batch = self._odd_rows.take(number + 1, 1)
        if batch is None:
            self.missed_rows += 1
            return
        fields = decode(batch)
        self.bridge.ingest(batch, fields)
        self.questions.ingest(batch, fields)
        if self.node is not None and not self._hold_node:
            self._answer(self.node, batch, fields)

    def _answer(self, node: PollResponder, batch: Batch, fields: Fields) -> None:
        for row in np.flatnonzero(fields.kind == PacketKind.ART_POLL).tolist():
            node.polled(batch.src[row].tobytes(), int(batch.t_ns[row]))

    def _send(self, frames: list[Outgoing]) -> None:
        if frames:
            self.sender.send(frames)
        for index, what, values, _ in frames if self.lines else ():
            line = self.lines.get(index)
            if line is None:
                continue
            if what is _LEVELS:
                line.show(values)
            elif what is _TERMINATED:
                line.silence()

    def _announce(self) -> None:
        for network, pages_here in self._discovery.items():
            sock = self.sender.group_socket(network)
            if sock is None:
                continue
            for address in (DISCOVERY_GROUP, *(one for there, one in self._unicast_discovery if there == network)):
                for page in pages_here:
                    self.sender.send_raw(sock, page, (address, self.sender.e131_port))


def run_routes(
    routing: Routing,
    wake_fd: int,
    lifeline: Channel[FromChild, ToChild],
    reports: Channel[RouteReport, ToRoutes],
    house: Callable[[], House],
) -> None:
    """Route until the lifeline closes or SIGTERM comes. `wake_fd` becomes readable when rows arrived; `house` gives
    the newest one."""
    running = True

    def stop(_signal: int, _frame: object) -> None:
        nonlocal running
        running = False

    signal.signal(signal.SIGTERM, stop)
    poll = select.poll()
    poll.register(wake_fd, select.POLLIN)
    poll.register(lifeline.fileno(), select.POLLIN | select.POLLHUP)
    poll.register(reports.fileno(), select.POLLIN)
    reported_ns = lived_ns = 0
    gc.collect()
    gc.freeze()  # the bridge's tables are for life: no later collection, a pause, need walk them
    try:
        while running:
            now_ns = clock.monotonic_ns()
            routing.step(now_ns)
            if now_ns - reported_ns >= REPORT_EVERY_NS:
                reported_ns = now_ns
                reports.send(routing.report(now_ns))
            if now_ns - lived_ns >= SIGN_OF_LIFE_S * 1e9:
                lived_ns = now_ns
                lifeline.send(Alive())
            for fd, _events in poll.poll(routing.wait_ms(clock.monotonic_ns())):
                if fd == wake_fd:
                    os.read(wake_fd, 8)
                elif fd == reports.fileno():
                    for message in reports.receive():
                        routing.take_order(message, clock.monotonic_ns())
                else:
                    asked = {type(message) for message in lifeline.receive()}
                    if TakeHouse in asked:
                        routing.take_house(house())
                    running = running and not lifeline.closed and Stop not in asked
        reports.send(routing.report(clock.monotonic_ns(), is_ending=True))
    finally:
        routing.close(clock.monotonic_ns())


def _sender(house: House, cid: bytes, bridge: Bridge) -> Sender:
    name = f"slotwatch bridge {house.name}"[:60]
    sender = Sender(cid, name, house.listen.e131_port, house.listen.artnet_port)
    sender.open([output.target for output in bridge.outputs], [network.interface for network in house.networks])
    return sender


def _node(house: House) -> PollResponder:
    """The Art-Net node of the first network that has an IPv4 address."""
    table = read_interfaces()
    for network in house.networks:
        found = table.find(network.interface)
        for address in found.addresses if found else ():
            if ":" not in address and found is not None:
                return PollResponder(pages(house), IPv4Address(address), _mac(found.name))
    return PollResponder([], IPv4Address("0.0.0.0"), b"")


def _mac(interface: str) -> bytes:
    try:
        return bytes.fromhex(Path(f"/sys/class/net/{interface}/address").read_text().strip().replace(":", ""))
    except (OSError, ValueError):
        return b""


def _is_e131_unicast(target: Target) -> bool:
    if target.universe is None or target.address is None or target.universe.protocol.word != "e131":
        return False
    return ip_address(target.address).version == 4
