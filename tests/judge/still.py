"""A frozen model: rows are made by one packet each, then columns are set by hand, tick by tick.

For rules that compare columns: no packets have to be made, and "just under" and "just over" are exact.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from slotwatch.house.schema import House
from slotwatch.judge.catalog import RULES
from slotwatch.judge.judge import Judge
from slotwatch.judge.rule import Rule
from slotwatch.model.model import Model
from slotwatch.snapshot import Incident
from slotwatch.wire.decode import decode
from slotwatch.wire.observation import JoinSeen, LinkSeen
from slotwatch.wire.universe import Protocol
from tests.judge.stage import START_NS, TICK_NS, WALL_OFFSET_NS, Packet, S, artdmx, e131, group_of, make_batch

BEFORE_NS = 60 * S
"""The streams are as old as this when a test begins."""


class Still:
    def __init__(self, house: House, *packets: Packet, rules: Sequence[Rule] = RULES) -> None:
        self.model = Model(house, START_NS - BEFORE_NS)
        self.judge = Judge(house, START_NS - BEFORE_NS, WALL_OFFSET_NS, rules=rules)
        self.judge.observe(LinkSeen(START_NS - BEFORE_NS, 0, True, ("10.0.0.200",), "eth1"))
        for universe in house.universes:
            if universe.id.protocol is Protocol.E131:
                self.model.note_group(0, universe.id.number, 1)
                self.judge.observe(JoinSeen(START_NS - BEFORE_NS, 0, universe.id.number, True))
        batch = make_batch(list(packets))
        self.model.ingest(batch, decode(batch))
        self.model.advance(START_NS)
        self.now_ns = START_NS
        streams, universes = self.model.streams, self.model.universes
        self.streams, self.universes = streams, universes
        streams.since_ns[:] = streams.first_frame_ns[:] = START_NS - BEFORE_NS // 2
        universes.first_frame_ns[:] = START_NS - BEFORE_NS // 2
        streams.frames[: streams.top] = 1000
        streams.median_interval_ns[:] = 25_000_000
        self.silent: set[int] = set()
        """Rows of streams that no longer send."""

    def run(self, seconds: float, **columns: Any) -> Still:
        """Tick for so long with these stream columns; what is not silent keeps arriving.

        A column's value may be a function of the time, monotonic nanoseconds.
        """
        for _ in range(round(seconds * S / TICK_NS)):
            self.now_ns += TICK_NS
            for row in range(self.streams.top):
                if row in self.silent:
                    continue
                universe = self.streams.universe[row]
                for table, at in ((self.streams, row), (self.universes, universe)):
                    table.last_frame_ns[at] = table.last_arrival_ns[at] = self.now_ns
                self.streams.last_packet_ns[row] = self.streams.last_change_ns[row] = self.now_ns
            for name, value in columns.items():
                getattr(self.streams, name)[: self.streams.top] = value(self.now_ns) if callable(value) else value
            self.judge.tick(self.now_ns, self.model)
        return self

    @property
    def reported(self) -> list[Incident]:
        return self.judge.incidents(self.now_ns)

    def of(self, rule: str) -> list[Incident]:
        return [incident for incident in self.reported if incident.rule == rule]


def one_stream(house: House, protocol: Protocol = Protocol.E131, rules: Sequence[Rule] = RULES) -> Still:
    if protocol is Protocol.ARTNET:
        packet = Packet(0.0, artdmx(1, 1, bytes(512)), "10.0.0.1", "10.0.0.200", protocol)
        return Still(house, packet, rules=rules)
    data = e131(1, 0, bytes([50]) * 512, cid=b"\x01" * 16, name="Desk A")
    return Still(house, Packet(0.0, data, "10.0.0.1", group_of(1)), rules=rules)
