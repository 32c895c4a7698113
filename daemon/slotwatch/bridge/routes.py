"""The bridge: routes from inputs to outputs, as the house declares them. Pure; the edge carries the packets.

Verbs as the engine's: `ingest`, `tick`, `next_deadline_ns`, `take_output`, `status`.
"""

from __future__ import annotations

import numpy as np

from slotwatch.bridge.agenda import Agenda
from slotwatch.bridge.declared import declared_addresses
from slotwatch.bridge.loop import LoopWatch
from slotwatch.bridge.merge import Input
from slotwatch.bridge.outgoing import TERMINATED_PACKETS, Outgoing, OutgoingFrames
from slotwatch.bridge.output import Lane, Output, RouteState, Target, target_of
from slotwatch.bridge.pacing import REPEAT_NS, Pacer, shortest_interval_ns
from slotwatch.bridge.passthrough import Straight
from slotwatch.bridge.status import route_status
from slotwatch.durations import NEVER_NS
from slotwatch.house.schema import House, Route
from slotwatch.snapshot.routes import RouteRow
from slotwatch.wire.batch import Batch
from slotwatch.wire.fields import OPTION_PREVIEW, OPTION_TERMINATED, Fields, PacketKind
from slotwatch.wire.plain import Plain, read_artnet, read_e131
from slotwatch.wire.universe import LAST_PROTOCOL, SLOTS, Protocol

LISTEN_FIRST_NS = 1_100_000_000
"""A route listens for one keep-alive period (E1.31 6.6.2: at most 1,000 ms) before it sends its first frame. Otherwise,
after a restart, a frame of the backup that happens to come first would be sent for a moment."""
InputKey = tuple[int, int, int]
"""Index of the network, protocol, universe number."""


# Reading a member through its class costs a microsecond in Python 3.11, and these are read for every frame.
_E131 = int(Protocol.E131)
_KIND_LEVELS, _KIND_SLOT_PRIORITY = int(PacketKind.LEVELS), int(PacketKind.SLOT_PRIORITY)
_LISTENING, _HOLDING, _LOOP = RouteState.LISTENING, RouteState.HOLDING, RouteState.LOOP


class Bridge:
    """All routes of a house. Time is monotonic nanoseconds and always passed in."""

    def __init__(self, house: House, own_cid: bytes, now_ns: int, *, listen_ns: int = LISTEN_FIRST_NS) -> None:
        self.own_cid = own_cid
        self.outputs: list[Output] = []
        self.inputs: dict[InputKey, Input] = {}
        self.loop_watch = LoopWatch()
        self.own_packets = 0
        self._house = house
        self._lanes_of: dict[InputKey, list[tuple[Lane, int]]] = {}
        """Lanes with the index of their output."""
        self._lanes: list[tuple[Lane, int]] = []
        self._straight: dict[InputKey, Straight] = {}
        """Inputs whose next frame most likely needs no merge (`bridge.passthrough`), as of their last `_follow`."""
        self._listen_ns = listen_ns
        self._wanted = np.zeros((LAST_PROTOCOL + 1, 65536), bool)
        """By protocol and universe number: whether any route has it as its input."""
        self._outgoing = OutgoingFrames()
        self._declared = declared_addresses(house)
        self.is_shared = False
        """Whether an input has more than one source: only then can an output come back into it unnoticed."""
        self._look_ns = now_ns
        """Before this time no source times out, no hold time ends and no route ends its listening."""
        for route in house.routes:
            self._add(house, route, now_ns)
        self._agenda = Agenda(len(self.outputs))

    def ingest(self, batch: Batch, fields: Fields) -> None:
        """Take packets. Rows that no route wants cost one array look-up."""
        kinds = fields.kind
        wanted = (kinds == _KIND_LEVELS) | (kinds == _KIND_SLOT_PRIORITY)
        wanted &= self._wanted[np.minimum(batch.protocol, LAST_PROTOCOL), fields.universe]
        rows = np.flatnonzero(wanted)
        touched: dict[InputKey, int] = {}
        names = zip(
            rows.tolist(),
            batch.network[rows].tolist(),
            batch.protocol[rows].tolist(),
            fields.universe[rows].tolist(),
            batch.t_ns[rows].tolist(),
            strict=True,
        )
        for row, network, protocol, number, t_ns in names:
            key = (network, protocol, number)
            # What arrived on an interface that the house does not declare has no network's number and is never routed.
            if key in self.inputs and self._take(batch, fields, row, key):
                touched.setdefault(key, t_ns)
        for key, arrived_ns in touched.items():
            self._follow(key, arrived_ns, arrived_ns)

    def ingest_datagram(self, key: InputKey, now_ns: int, address: bytes, raw: bytes) -> bool:
        """Take a single datagram of this universe; `address` is its sender's, 16 bytes.

        False if it is not plain (`wire.plain`): then `ingest` has to be given what the array decoder reads.
        """
        straight = self._straight.get(key)
        if straight is not None and straight.goes_on(raw, address):
            if straight.carry_on(raw, now_ns):
                self._schedule(straight.place, now_ns)
            return True
        packet = read_e131(raw) if key[1] == _E131 else read_artnet(raw)
        if packet is None:
            return False
        if straight is not None and straight.takes(packet, address):
            if straight.carry(packet, raw, address, now_ns):
                self._schedule(straight.place, now_ns)
        elif key in self.inputs and self._hear(key, now_ns, address, packet):
            self._follow(key, now_ns, now_ns)
        return True

    def tick(self, now_ns: int) -> None:
        """Forget sources that are silent for their timeout, and end hold times. Costs nothing until one is due."""
        if now_ns < self._look_ns:
            return
        self._look_ns = NEVER_NS
        for key, one in self.inputs.items():
            one.expire(now_ns)
            self._follow(key, now_ns, 0)
            self._look_by(one.next_deadline_ns())

    def next_deadline_ns(self) -> int | None:
        """When `tick` or `take_output` has something to do if no packet comes; None for never."""
        due_ns = min(self._look_ns, self._agenda.next_ns())
        return None if due_ns == NEVER_NS else due_ns

    def take_output(self, now_ns: int) -> list[Outgoing]:
        """Frames that are due now, in the order they are to be sent."""
        agenda = self._agenda
        for index in agenda.take_ready():
            output = self.outputs[index]
            if output.pacer.pending and not (output.ending or output.paused):
                self._emit(index, output, now_ns)
            else:
                self._emit_if_due(index, output, now_ns)
            # What was sent for a change is repeated no sooner than this.
            if agenda.noted_ns(index) > now_ns + REPEAT_NS:
                self._schedule(index)
        while (due := agenda.take_due(now_ns)) is not None:
            self._emit_if_due(due, self.outputs[due], now_ns)
            self._schedule(due)
        return self._outgoing.take()

    def stop(self, now_ns: int) -> list[Outgoing]:
        """End every stream with three packets that have the stream-terminated bit (E1.31 6.2.6)."""
        for index, output in enumerate(self.outputs):
            self._outgoing.put_end(index, output)
        return self._outgoing.take()

    def end(self, index: int) -> list[Outgoing]:
        """End one output's stream properly, as `stop` does all."""
        self._outgoing.put_end(index, self.outputs[index])
        return self._outgoing.take()

    def follow_all(self, now_ns: int) -> None:
        """Bring every route and output up to date with its input, after another house file."""
        for key in self.inputs:
            self._follow(key, now_ns, 0)
        for index in range(len(self.outputs)):
            self._compose(index, now_ns)
        self._look_by(now_ns)

    @property
    def routes(self) -> int:
        """How many routes there are."""
        return len(self._lanes)

    def status(self, now_ns: int, first: int = 0, most: int | None = None) -> tuple[RouteRow, ...]:
        """What page, API and metrics show of some routes (by default all)."""
        chosen = self._lanes[first:] if most is None else self._lanes[first : first + most]
        return tuple(
            route_status(lane, self.outputs[index], self.inputs[_input_key(lane.route)], self._house, now_ns)
            for lane, index in chosen
        )

    def counted(self) -> dict[str, int]:
        """Count the packets that no input used, since this bridge was made, by the names of `views.counted`."""
        inputs = self.inputs.values()
        return {
            "routes_own_packets": self.own_packets,
            "routes_refused_packets": sum(one.refused_sources for one in inputs),
            "routes_discarded_packets": sum(one.discarded for one in inputs),
        }

    def _add(self, house: House, route: Route, now_ns: int) -> None:
        target = target_of(route, 0)
        index = next((at for at, one in enumerate(self.outputs) if one.target == target), len(self.outputs))
        if index == len(self.outputs):
            self.outputs.append(Output(target, [], _pacer(target)))
        lane = Lane(route, since_ns=now_ns)
        self.outputs[index].lanes.append(lane)
        key = _input_key(route)
        if key not in self.inputs:
            declared = next((u for u in house.universes if u.id == route.source), None)
            limits = declared.limits if declared else house.limits_of(route.source)
            self.inputs[key] = Input(
                int(limits.loss_timeout_s * 1e9),
                sequenced=route.source.protocol is Protocol.E131,
            )
        self.inputs[key].latest |= route.merge == "latest"
        self._lanes.append((lane, index))
        self._lanes_of.setdefault(key, []).append((lane, index))
        self._wanted[key[1], key[2]] = True

    def _take(self, batch: Batch, fields: Fields, row: int, key: InputKey) -> bool:
        start = int(fields.first_slot[row])
        packet = Plain(
            int(fields.kind[row]),
            key[2],
            int(fields.sequence[row]),
            int(fields.priority[row]),
            int(fields.options[row]),
            fields.source_id[row].tobytes(),
            batch.data[row, start : start + int(fields.slots[row])].tobytes(),
        )
        return self._hear(key, int(batch.t_ns[row]), batch.src[row].tobytes(), packet)

    def _hear(self, key: InputKey, now_ns: int, address: bytes, packet: Plain) -> bool:
        """Give a packet to its input. True if what the input says may have changed."""
        if packet.options & OPTION_PREVIEW:
            return False
        if packet.source_id == self.own_cid:
            self.own_packets += 1
            self._stop_loop(key, now_ns)
            return False
        one = self.inputs[key]
        source = packet.source_id + address
        if packet.options & OPTION_TERMINATED:
            return one.terminated(source)
        if packet.kind == _KIND_SLOT_PRIORITY:
            return one.slot_priorities(source, now_ns, packet.sequence, packet.slots)
        taken = one.levels(source, now_ns, packet.sequence, packet.priority, packet.slots)
        if taken and len(one.sources) > 1 and address not in self._declared:
            self.is_shared = True
            looped = self.loop_watch.heard(source, one.sources[source].levels, one.highest_but(source), now_ns)
            if looped:
                self._stop_loop(key, now_ns)
        return taken

    def _follow(self, key: InputKey, now_ns: int, arrived_ns: int) -> None:
        """Bring the routes of an input up to date with it. arrived_ns: when its newest packet came; 0: none came."""
        one = self.inputs[key]
        highest = one.merged()
        latest = one.merged(by_latest=True) if one.latest else highest
        if arrived_ns:
            self._look_by(now_ns + one.loss_timeout_ns)
        for lane, index in self._lanes_of[key]:
            merged = latest if one.latest and lane.route.merge == "latest" else highest
            if lane.take(merged, now_ns, self._listen_ns):
                if arrived_ns and not lane.arrived_ns:
                    lane.arrived_ns = arrived_ns
                self._compose(index, now_ns)
            if lane.state is _LISTENING:
                self._look_by(lane.heard_ns + self._listen_ns)
            elif lane.state is _HOLDING:
                self._look_by(lane.hold_ends_ns())
        self._renew_passthrough(key, one)

    def _renew_passthrough(self, key: InputKey, one: Input) -> None:
        """Note whether the input's next frame most likely needs no merge."""
        self._straight.pop(key, None)
        lanes, only = self._lanes_of[key], one.sole()
        if only is None or one.latest or len(lanes) > 1:
            return
        lane, index = lanes[0]
        output = self.outputs[index]
        if lane.is_straight and len(output.lanes) == 1 and output.levels == only.levels:
            self._straight[key] = Straight(one, only, lane, output, index)

    def _look_by(self, at_ns: int | None) -> None:
        if at_ns is not None and at_ns < self._look_ns:
            self._look_ns = at_ns

    def _schedule(self, index: int, now_ns: int = 0) -> None:
        """Put the output's next frame into the agenda, unless an earlier look at it is already in it."""
        output = self.outputs[index]
        at_ns = 0 if output.ending else None if output.paused else output.pacer.next_ns()
        if at_ns is None:
            return
        if at_ns <= now_ns:
            self._agenda.put_at_once(index)
        else:
            self._agenda.put(index, at_ns)

    def _compose(self, index: int, now_ns: int) -> None:
        """Put an output's lanes together anew, and have a frame sent if that changed what it says."""
        output = self.outputs[index]
        differs = output.compose()
        if not output.active:
            if not output.paused:
                output.ending = TERMINATED_PACKETS if output.speaking else 0
        elif differs or not output.speaking:
            output.pacer.change()
        self._schedule(index, now_ns)

    def _emit_if_due(self, index: int, output: Output, now_ns: int) -> None:
        if output.ending:
            self._outgoing.put_end(index, output)
            return
        due = output.pacer.next_ns()
        if not (output.paused or due is None or due > now_ns):
            self._emit(index, output, now_ns)

    def _emit(self, index: int, output: Output, now_ns: int) -> None:
        self._outgoing.put(index, output, now_ns)
        if self.is_shared:
            self.loop_watch.sent(output.levels, now_ns)

    def _stop_loop(self, key: InputKey, now_ns: int) -> None:
        for lane, index in self._lanes_of[key]:
            self._straight.pop(key, None)
            lane.enter(_LOOP, now_ns)
            self._compose(index, now_ns)


def _input_key(route: Route) -> InputKey:
    return (route.source_network or 0, int(route.source.protocol), route.source.number)


def _pacer(target: Target) -> Pacer:
    # A line is paced by its own thread; its newest frame may always replace the one that waits.
    return Pacer(0 if target.serial is not None else shortest_interval_ns(SLOTS))
