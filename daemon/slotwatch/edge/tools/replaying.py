"""Drive the engine through a capture: the capture's clock is the time, and it runs as fast as it can."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from slotwatch.durations import NANOSECONDS, NEVER_NS
from slotwatch.edge.shared import compiled
from slotwatch.edge.tools.capture_clock import BASE_NS
from slotwatch.edge.tools.captures import Capture, Chunk
from slotwatch.edge.tools.resting import LEAST_LEAP_NS, LONGEST_NS, Rests, find_rests, joined_where_slow
from slotwatch.engine import SETTLED_NS, Engine, waits_ns
from slotwatch.house.schema import House, Phase
from slotwatch.judge.binding import TICK_NS
from slotwatch.judge.events import Event
from slotwatch.snapshot import Incident, Snapshot
from slotwatch.wire.batch import Batch
from slotwatch.wire.observation import ClockStepSeen, JoinSeen
from slotwatch.wire.universe import Protocol

CLOSE_NS = 5 * NANOSECONDS
"""Time into a silence without any live stream until which ticks are close: loss timeouts have run out by then."""
DELAYS_NS = 15 * NANOSECONDS
"""Until then they come each second: on-delays run out (the longest is 10 s)."""
SHARE = 10
"""Later a tick comes after a tenth of the silence so far, and at each deadline that is known."""
DEADLINES_NS = (20 * NANOSECONDS, 60 * NANOSECONDS, 260 * NANOSECONDS, 600 * NANOSECONDS)
"""Since a last packet or query: discovery lists run out, incidents may open again, a querier is missed, an undeclared
universe is forgotten."""
LEAP_NS = NANOSECONDS
"""In a longer silence it is worth finding out which ticks change nothing."""
FEW_PACKETS = 32
FILL_NS = 11 * NANOSECONDS
"""The longest window, 10 s, and its last bucket."""
REFILL_NS = FILL_NS + 4 * NANOSECONDS
"""Time before the end of a rest from which it is judged again: windows are full, and every rule has looked."""
MOST_LEAPT = 30_000
LAST_STEP_NS = 10 * NANOSECONDS
LONGEST_GAP_NS = 86_400 * NANOSECONDS
"""A silence of more than a day is jumped over."""
MOST_INCIDENTS = 100_000


@dataclass(slots=True)
class Judged:
    """What a capture came to, at its end."""

    snapshot: Snapshot
    incidents: list[Incident]
    """All of them, open and closed, in the order they were opened."""
    ticks: int


class Replay:
    """One run of a capture through an engine."""

    def __init__(
        self,
        capture: Capture,
        house: House,
        phase: Phase | None,
        report: Callable[[Event], None] | None = None,
        *,
        leaps: bool = True,
        is_compiled: bool = True,
    ) -> None:
        """leaps: whether ticks are left out that would change nothing. is_compiled: whether compiled code is used where
        it is there."""
        self.capture = capture
        self._offset_ns = capture.wall_offset_ns
        """Wall clock less monotonic clock at the time that is judged; the capture is read ahead of it."""
        self.engine = Engine(
            house,
            now_ns=BASE_NS,
            wall_offset_ns=self._offset_ns,
            phase=phase,
            replay=True,
            compiled=compiled.load() if is_compiled else None,
        )
        self.leaps = leaps
        self.ticks = 0
        self._report = report
        self._begun = False
        self._last_ns = BASE_NS
        self._due_ns = BASE_NS + TICK_NS
        self._look_ns = 0
        """When it is next worth finding out whether the house rests."""
        self._ends_ns: set[int] | None = None
        self._incidents: dict[int, Incident] = {}

    def run(self) -> Judged:
        """Judge the whole capture. CaptureError if it cannot be read after all."""
        chunks = self.capture.chunks()
        for chunk in joined_where_slow(chunks) if self.leaps else chunks:
            if not self._begun:
                self._begin()
            self._take(chunk)
        end_ns = max(self.capture.end_ns, BASE_NS)
        # Nothing is known of what came after the last packet, so no time passes there.
        self._advance(end_ns)
        self.engine.judge.look_at_all()
        self._tick(end_ns)
        snapshot = self.engine.snapshot(end_ns)
        for incident in snapshot.incidents:
            self._keep(incident)
        found = sorted(self._incidents.values(), key=lambda one: (one.opened_ns, one.id))
        return Judged(snapshot, found, self.ticks)

    def _begin(self) -> None:
        """Begin as the house does: what its file says it joins counts as joined in a recording made of it."""
        self._begun = True
        house = self.engine.house
        if house.listen.join == "declared":
            for universe in house.universes:
                if universe.id.protocol is Protocol.E131:
                    for network in universe.networks:
                        self.engine.observe(JoinSeen(BASE_NS, network, universe.id.number, ok=True))
        self.engine.tick(BASE_NS, self._offset_ns)

    def _take(self, chunk: Chunk) -> None:
        """Give a chunk to the engine, ticking wherever a tick is due between its packets."""
        batch, waiting = chunk.batch.with_addresses(), chunk.observations
        times = batch.t_ns
        row = seen = 0
        rests = None
        if self.leaps and len(batch) >= FEW_PACKETS and not waiting:
            # Found only where one may last: whoever sends 40 times a second never rests.
            lasts = int(times[-1]) - self.engine.now_ns >= LEAST_LEAP_NS
            rests = find_rests(batch) if lasts else None
        while row < len(batch) or seen < len(waiting):
            at_ns = int(times[row]) if row < len(batch) else waiting[seen].t_ns
            if seen < len(waiting):
                at_ns = min(at_ns, waiting[seen].t_ns)
            self._advance(at_ns)
            self._last_ns = at_ns
            if rests is not None and row < len(batch) and at_ns <= self._due_ns:
                row = self._leap_over_rest(batch, rests, row)
            end = int(np.searchsorted(times, self._due_ns, side="right"))
            if end > row:
                self.engine.ingest(batch.part(slice(row, end)))
                row = end
                # The last of them, so that it does not matter how a capture is cut into chunks.
                self._last_ns = int(times[end - 1])
            while seen < len(waiting) and waiting[seen].t_ns <= self._due_ns:
                observation = waiting[seen]
                self.engine.observe(observation)
                if isinstance(observation, ClockStepSeen):
                    self._offset_ns += observation.step_ns
                seen += 1

    def _leap_over_rest(self, batch: Batch, rests: Rests, row: int) -> int:
        """Take packets that bring nothing new, without a tick; returns the row of the first that was not taken."""
        now_ns = self.engine.now_ns
        if now_ns < self._look_ns:
            return row
        end, until_ns, streams = rests.run(row)
        if until_ns - now_ns < LEAST_LEAP_NS:
            return row
        self._look_ns = now_ns + LONGEST_NS + NANOSECONDS
        before_ns = self._ends_ns
        self._ends_ns = ends_ns = (
            self.engine.ends_at_rest_ns(LONGEST_NS) if streams == self.engine.live_streams else None
        )
        if ends_ns is None or before_ns is None:
            return row
        # What is equally late on each stream that sends again is not a fault of a single stream.
        until_ns = min([until_ns, *(end_ns for end_ns in before_ns & ends_ns if end_ns > now_ns)]) - REFILL_NS
        last = min(int(np.searchsorted(rests.times_ns[:end], until_ns)), row + MOST_LEAPT)
        if last - row < FEW_PACKETS:
            return row
        self._ends_ns = None
        self.engine.leap_over_rest(batch.part(slice(row, last)))
        # Windows are filled again before anything is judged.
        filled = int(np.searchsorted(rests.times_ns[:end], int(rests.times_ns[last - 1]) + FILL_NS))
        self.engine.ingest(batch.part(slice(last, filled)))
        self._last_ns = int(rests.times_ns[filled - 1])
        self._due_ns += -(-(self._last_ns - self._due_ns) // TICK_NS) * TICK_NS
        return filled

    def _advance(self, until_ns: int) -> None:
        """Give every tick that is due before this time and may change something."""
        self.engine.watch(is_on=self.leaps and until_ns - self._due_ns > LEAP_NS)
        if until_ns - self._due_ns > LONGEST_GAP_NS:
            self._advance(self._due_ns + DEADLINES_NS[-1] + NANOSECONDS)
            self._due_ns = until_ns - LAST_STEP_NS
        begun_ns = self._due_ns
        while self._due_ns < until_ns:
            self._tick(self._due_ns)
            self._leap(begun_ns, until_ns)

    def _leap(self, begun_ns: int, until_ns: int) -> None:
        """Go to the next tick before this time that may change something, or past it."""
        if until_ns - self._due_ns <= 2 * TICK_NS and not self.engine.judge.is_watching:
            self._due_ns += TICK_NS  # whatever the house does
            return
        engine = self.engine
        soonest_loss_ns = engine.model.soonest_loss_ns()
        # What the house does sets the pace until then.
        paced_until_ns = begun_ns + CLOSE_NS if soonest_loss_ns is None else NEVER_NS
        longest_ns = self._longest_ns() if self._due_ns < paced_until_ns else TICK_NS
        holds_until_ns = engine.holds_until_ns(paced_until_ns) if engine.judge.is_watching else 0
        left_out: list[int] = []
        stop_ns = min(until_ns, holds_until_ns)
        # Until then all steps are alike.
        alike_until_ns = paced_until_ns + longest_ns if soonest_loss_ns is None else soonest_loss_ns + 1
        left_out += range(self._due_ns + longest_ns, min(alike_until_ns, stop_ns), longest_ns)
        due_ns = left_out[-1] if left_out else self._due_ns
        is_silent = soonest_loss_ns is None
        deadlines_ns = self._deadlines_ns() if is_silent else []
        while True:
            silent_ns = due_ns - begun_ns
            if not is_silent or silent_ns < CLOSE_NS:
                step_ns = _rest_ns(longest_ns, soonest_loss_ns, due_ns)
            elif silent_ns < DELAYS_NS:
                step_ns = NANOSECONDS
            else:
                step_ns = _silent_step_ns(silent_ns, due_ns, deadlines_ns)
            # The last tick before a packet is right before it, so that what ran out meanwhile is reported first.
            left_ns = (until_ns - due_ns - 1) // TICK_NS * TICK_NS
            if left_ns < step_ns:
                step_ns = left_ns
            due_ns += step_ns if step_ns > TICK_NS else TICK_NS
            if due_ns >= stop_ns:
                break
            left_out.append(due_ns)
        self._due_ns = due_ns
        if left_out:
            engine.pass_over(left_out)

    def _deadlines_ns(self) -> list[int]:
        """Times after which something may end, ascending."""
        queriers = self.engine.judge.listener.queriers.by_network.values()
        since = [querier.last_ns for known in queriers for querier in known.values()]
        return sorted(last_ns + after_ns for last_ns in (*since, self._last_ns) for after_ns in DEADLINES_NS)

    def _longest_ns(self) -> int:
        """How long the engine can wait for the next tick while no stream is lost."""
        return SETTLED_NS if self.engine.is_settled else TICK_NS

    def _tick(self, at_ns: int) -> None:
        self.engine.tick(at_ns, self._offset_ns)
        self.ticks += 1
        for event in self.engine.take_events():
            if event.incident is not None and (
                event.incident.id in self._incidents or len(self._incidents) < MOST_INCIDENTS
            ):
                self._keep(event.incident)
            if self._report is not None:
                self._report(event)

    def _keep(self, incident: Incident) -> None:
        """Keep the newest of an incident, and what was to be checked while it lasted also once it is over.

        Whoever reads a recording looks for what was wrong then.
        """
        before = self._incidents.get(incident.id)
        checks = incident.next_checks or (before.next_checks if before is not None else ())
        kept = incident
        if checks is not incident.next_checks:
            kept = incident.copy()
            kept.next_checks = checks
        self._incidents[incident.id] = kept


def _rest_ns(longest_ns: int, soonest_loss_ns: int | None, due_ns: int) -> int:
    """Give the time from one tick to the next."""
    if longest_ns <= TICK_NS:
        return longest_ns
    return _on_grid(waits_ns(longest_ns, soonest_loss_ns, due_ns))


def _on_grid(step_ns: int) -> int:
    """Round up to whole ticks, so that what is said, and when, does not depend on which ticks were left out."""
    return -(-step_ns // TICK_NS) * TICK_NS


def _silent_step_ns(silent_ns: int, due_ns: int, deadlines_ns: Sequence[int]) -> int:
    """Give the time from one tick to the next after a long silence of this length. deadlines_ns: ascending."""
    step_ns = _on_grid(silent_ns // SHARE)
    if step_ns < NANOSECONDS:
        step_ns = NANOSECONDS
    next_one = bisect_right(deadlines_ns, due_ns)
    if next_one == len(deadlines_ns):
        return step_ns
    deadline_step_ns = _on_grid(deadlines_ns[next_one] - due_ns + 1)
    return deadline_step_ns if deadline_step_ns < step_ns else step_ns
