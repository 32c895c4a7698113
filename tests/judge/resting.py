"""A stage whose passes come as in the daemon: when packets bring a change, when something was observed, when due."""

from __future__ import annotations

from slotwatch.engine import Engine
from tests.judge.stage import COMPILED, START_NS, TICK_NS, WALL_OFFSET_NS, S, Stage, make_batch


class Resting(Stage):
    """Like a Stage, with the engine's own pauses between passes."""

    first_tick = 1
    """When its first pass is made, in ticks: how pauses lie against what happens."""

    def run(self, until_s: float) -> Resting:
        """Play until a time. Played once: a second call would begin again."""
        engine = Engine(self.house, now_ns=START_NS, wall_offset_ns=WALL_OFFSET_NS, compiled=COMPILED)
        engine.judge = self.judge
        self.model = engine.model
        packets = sorted(
            (packet for sender in self.senders for packet in sender.packets(until_s)),  # type: ignore[attr-defined]
            key=lambda packet: packet.t_s,
        )
        place = 0
        for tick in range(1, round(until_s * S) // TICK_NS + 1):
            now_s = tick * TICK_NS / S
            end = place
            while end < len(packets) and packets[end].t_s <= now_s:
                end += 1
            brings_change = False
            if end > place:
                batch = make_batch(packets[place:end])
                brings_change = engine.brings_change(batch)
                engine.ingest(batch)
                place = end
            while self.observations and self.observations[0][0] <= now_s:
                engine.observe(self.observations.pop(0)[1])
                brings_change = True
            now_ns = START_NS + tick * TICK_NS
            if tick >= self.first_tick and (brings_change or now_ns >= engine.next_deadline_ns()):
                engine.tick(now_ns)
                self.events += engine.take_events()
        self.now_s = until_s
        return self
