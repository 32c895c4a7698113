"""The judging process: rows of the ring into the engine, its snapshot into the snapshot buffer, orders answered.

A plain poll loop. It never waits for the page: a snapshot is left in the snapshot buffer, and answers that do not fit a
socket buffer wait in memory. The time it judges at is intake's own (`heartbeat_ns`): what had arrived by then is
in the ring, so a slow intake never makes a universe look lost.
"""

from __future__ import annotations

import gc
import select
import sys
from collections.abc import Callable, Set
from dataclasses import replace

from slotwatch import clock
from slotwatch.edge.judging.front_orders import FrontOrders
from slotwatch.edge.judging.igmp_in import GroupWatch
from slotwatch.edge.judging.incident_captures import Captures
from slotwatch.edge.judging.lateness import Lag, Stalls
from slotwatch.edge.judging.neighbours import NeighbourWatch
from slotwatch.edge.judging.publications import Publications
from slotwatch.edge.judging.recorder import Recorder
from slotwatch.edge.judging.route_reports import RouteReports
from slotwatch.edge.judging.wanted_groups import WantedGroups
from slotwatch.edge.shared import compiled
from slotwatch.edge.shared.channel import Channel
from slotwatch.edge.shared.memory_return import MemoryReturn
from slotwatch.edge.shared.messages import Done, Refusal, Request
from slotwatch.edge.shared.messages.intake import (
    FromIntake,
    IntakeHealth,
    IntakeWoke,
    JoinsSeen,
    LinksSeen,
    StateWanted,
    ToIntake,
)
from slotwatch.edge.shared.messages.lifeline import FromChild, StatusText, ToChild
from slotwatch.edge.shared.messages.orders import FrontOrder, FrontResult
from slotwatch.edge.shared.messages.routes import PhaseNow, RouteReport, ToRoutes
from slotwatch.edge.shared.ordering import fence
from slotwatch.edge.shared.pace import GATHERED_ROWS, WATCHED_REST_NS, Pace
from slotwatch.edge.shared.ring import GUARD_ROWS, Ring
from slotwatch.edge.shared.ring_reader import RingReader
from slotwatch.edge.shared.snapshot_buffer import SnapshotWriter
from slotwatch.engine import Engine
from slotwatch.house.schema import House
from slotwatch.judge.binding import TICK_NS
from slotwatch.judge.orders import Resume
from slotwatch.snapshot import Snapshot
from slotwatch.snapshot.health import IntakeReport, JudgingReport, LineHealth
from slotwatch.views.counted import counted
from slotwatch.views.records import phase_of, phase_record
from slotwatch.wire import observation
from slotwatch.wire.batch import Batch
from slotwatch.wire.observation import Observation

CHUNK_ROWS = 5 * GUARD_ROWS
"""Rows copied and judged at once: what gathers in a turn of a full gigabit, and half as much again."""
BUSY_ROWS = 256
"""While judging does not idle, this many rows are judged without a look for changes first: the look costs 0.5 us a
packet."""
YOUNG_OBJECTS, COLLECTIONS = 50_000, 50
"""New objects after which Python looks for cycles among them, and how often it does before it looks at older ones too.
Judging makes hardly any cycles (317 objects in a minute with two incidents of 4,034 universes), and with Python's own
700 and 10 the search took a tenth of such an incident."""
STEP_NS = 1_000_000
STATUS_NS = 5_000_000_000


class JudgingProcess:
    """The engine between ring and snapshot buffer."""

    def __init__(
        self,
        house: House,
        ring: Ring,
        snapshots: SnapshotWriter,
        requests: Channel[Done[FrontResult] | Refusal, Request[FrontOrder]],
        observations: Channel[ToIntake, FromIntake],
        routes: Channel[ToRoutes, RouteReport],
    ) -> None:
        now_ns = clock.monotonic_ns()
        self.ring, self.snapshots = ring, snapshots
        self._requests, self._observations, self._routes = requests, observations, routes
        self._problems: tuple[str, ...] = ()
        self._intake: IntakeReport | None = None
        self._reports = RouteReports()
        self._offset_ns = clock.wall_offset_ns()
        self._pace = Pace(observations, now_ns)
        self._publications = Publications(self._pace)
        self._ticked_ns = self._status_ns = 0
        self._open = 0
        self._lag = Lag()
        self._memory = MemoryReturn(now_ns)
        self._wanted = WantedGroups(observations)
        self._drops: tuple[int, int, int] | None = None
        """Told at the first tick: an intake that was there before has counted some."""
        self._rows_ns = 0
        self._heard = True
        self._seen = 0
        """Rows of the ring that were looked at, judged or not."""
        before_ns, judged, lost = snapshots.progress()
        self.house = house
        self._recording = compiled.load_recording()
        self._recorder = Recorder(house, self._recording)
        # After a restart, continue with the first row that the predecessor had not finished.
        tail, copying = min(judged, ring.head) if before_ns else ring.head, compiled.load_copying()
        self._rows = RingReader(ring, tail, self._place, copying)
        self._rows.lost = lost
        away_ns = now_ns - before_ns if before_ns else 0
        self._stalls = Stalls(ring, self._pace, away_ns, self._observe, self._intake_restarted)
        going_on, looking = compiled.load(), compiled.load_looking()
        parts = (
            going_on,
            going_on and going_on.intervals,
            going_on and going_on.levels,
            looking,
            copying,
            self._recording,
        )
        self._is_compiled = None not in parts
        self.engine = Engine(
            house, now_ns=before_ns or now_ns, wall_offset_ns=self._offset_ns, compiled=going_on, looking=looking
        )
        self._orders = FrontOrders(self.engine, self._pace, self._publications, routes, self._observe, snapshots)
        self._groups = GroupWatch(house)
        self._neighbours = NeighbourWatch(house)
        self._captures = Captures(house, self._recorder)
        self._observations.send(StateWanted())

    def _place(self, count: int, width: int) -> Batch:
        return self._recorder.place(count, width)

    def resume(self, last: Snapshot | None, first_number: int = 1) -> None:
        """Take over what the judging process before this one had published. Its incidents have lower numbers."""
        self.engine.judge.number_from(max(first_number, self.snapshots.next_incident))
        if last is None:
            return
        self.engine.command(
            Resume(
                next_id=last.next_incident,
                incidents=last.incidents,
                exceptions=last.exceptions,
                phase=phase_of(phase_record(last.house, last.wall_offset_ns)),
            )
        )
        self.engine.judge.listener.remember(last.house.listener.not_judged)

    def run(self, lifeline: Channel[FromChild, ToChild], handle: Callable[[ToChild], bool]) -> None:
        """Judge until `handle` of a parent's message says False, or the lifeline closes."""
        poll = select.poll()
        for fd in (lifeline.fileno(), *self.wakes_for()):
            poll.register(fd, select.POLLIN)
        gc.collect()
        gc.freeze()  # the engine's tables are for life: later collections need not walk them
        gc.set_threshold(YOUNG_OBJECTS, COLLECTIONS, COLLECTIONS)
        wait_ms, is_logged = 0, False
        while True:
            if not is_logged and self.ring.heartbeat_ns:  # intake has its sockets: the start has not failed
                is_logged = True
                way = "compiled code" if self._is_compiled else "numpy alone: no compiled file fits this computer"
                print(f"slotwatch: judging by {way}", file=sys.stderr, flush=True)
            ready = {fd for fd, _ in poll.poll(wait_ms)}
            if lifeline.fileno() in ready and (not all(map(handle, lifeline.receive())) or lifeline.closed):
                return
            wait_ms = self.turn(ready)
            if clock.monotonic_ns() - self._status_ns > STATUS_NS:
                self._status_ns = clock.monotonic_ns()
                lifeline.send(StatusText(self._status))

    def wakes_for(self) -> tuple[int, ...]:
        """Return the descriptors for which the next turn comes at once, as soon as something waits on one of them."""
        # Reports of routes are read in the next turn anyway: waking for them took the processor from routes themselves
        # (a frame waited 3 to 6 ms, ten times a second).
        channels = (self._requests.fileno(), self._observations.fileno())
        return (*channels, *self._groups.fds(), *self._neighbours.fds())

    def turn(self, ready: Set[int] = frozenset()) -> int:
        """Take what waits on the descriptors in `ready`. Then judge what is in the ring, let time pass, publish; or
        leave that, while nothing is due and nothing new.

        Returns the milliseconds that may pass till the next.
        """
        self._listen(ready)
        now_ns = clock.monotonic_ns()
        self._stalls.watch(now_ns)
        if self._nothing_new(now_ns):
            self.snapshots.turn(now_ns, self._rows.tail, self._rows.lost)
            return self._pace.look_again_ms(now_ns)
        judged_at_ns = self.ring.heartbeat_ns
        fence()  # the time before the rows: all that had arrived by then is in the ring
        head = self.ring.head
        fence()  # take the rows first, then ask which intake wrote them
        rows = self._ingest(head) if self._stalls.is_intake_known(now_ns) else 0
        if self._is_tick_due(self.ring.heartbeat_ns - self._ticked_ns):
            self._tick(max(judged_at_ns, self._rows_ns, self._ticked_ns))
        self._publish_if_due(clock.monotonic_ns())
        self._captures.turn(self._ticked_ns, self._offset_ns)
        self._memory.turn(now_ns)
        self.snapshots.turn(clock.monotonic_ns(), self._rows.tail, self._rows.lost)
        for channel in (self._requests, self._observations):
            channel.flush()
        now_ns = clock.monotonic_ns()
        waiting = self.ring.head - self._rows.tail if rows else 0  # rows that may not be judged yet hurry nothing
        # While much comes a batch is due before the engine wants a tick, whatever that would say.
        is_busy = self._publications.is_wanted or self._pace.gathered_in_ns(now_ns, rows, waiting) <= TICK_NS
        return self._pace.rest_ms(now_ns, rows, waiting, TICK_NS if is_busy else self.engine.rest_ns)

    def _is_tick_due(self, since_ns: int) -> bool:
        """Whether a tick is due this long after the last one. While many packets come, ticks are as rare as in a house
        with few."""
        if not self._ticked_ns or since_ns < TICK_NS:
            return not self._ticked_ns
        is_read = self._pace.is_watched(clock.monotonic_ns())
        return (
            self._publications.is_wanted
            or (is_read and since_ns >= WATCHED_REST_NS)
            or since_ns >= self.engine.busy_rest_ns
        )

    def take_house(self, house: House) -> None:
        """Judge by another house from now on; what is known of streams stays."""
        if (house.recorder, house.listen) != (self.house.recorder, self.house.listen):
            # Another size or other ports: the kept packets are dropped.
            self._recorder = Recorder(house, self._recording)
        self._captures.take_house(house, self._recorder)
        self.house = house
        self.engine.take_house(house, clock.monotonic_ns())
        self._groups.take_house(house)
        self._neighbours.take_house(house)
        self._reports.take_house(house, self.engine.judge.listener.routes)
        self._problems = ()
        self._publications.order()

    @property
    def published(self) -> int:
        """Number of the newest publication: what was ordered until now shows in those after it."""
        return self.snapshots.sequence

    def refuse_house(self, problems: tuple[str, ...]) -> None:
        """Show on the page that the file on disk is not the one that runs, and why."""
        self._problems = problems
        self._publications.is_wanted = True

    def close(self) -> None:
        self._captures.turn(self._ticked_ns, self._offset_ns, at_once=True)
        self._groups.close()
        self._neighbours.close()

    def _nothing_new(self, now_ns: int) -> bool:
        """Whether this turn can be left out: nothing is due, and what came since the last is routine."""
        head, first = self.ring.head, max(self._seen, self._rows.tail)
        is_awake = self._heard or self._publications.is_wanted
        rests = not is_awake and self._pace.may_rest(now_ns, head - self._rows.tail)
        self._seen, self._heard = head, False
        if head - first >= (GATHERED_ROWS if rests else BUSY_ROWS):
            return False  # too many to look at; what comes after them will be judged as new
        # Reads all rows. Torn rows would look new, and that only ends idling.
        packets, places = self.ring.packets, self.ring.places_of(first, head)
        changes = [self.engine.brings_change(packets, start, end) for start, end in places]
        return rests and not any(changes)

    def _ingest(self, head: int) -> int:
        rows = self._rows
        count = head - rows.tail
        oldest_ns = 0
        while rows.tail < head:
            # Written before judging, not after: a process that starts after a crash must not begin with the rows that
            # caused it.
            self.snapshots.turn(clock.monotonic_ns(), min(head, rows.tail + CHUNK_ROWS), rows.lost)
            batch = rows.take(head, CHUNK_ROWS)
            if batch is None:
                break
            self.engine.ingest(batch)
            self._recorder.keep(batch)
            self._rows_ns = int(batch.t_ns[-1])
            oldest_ns = oldest_ns or int(batch.t_ns[0])
        if oldest_ns:
            self._lag.note(clock.monotonic_ns() - oldest_ns)
        return count

    def _tick(self, at_ns: int) -> None:
        offset_ns = clock.wall_offset_ns()
        if abs(offset_ns - self._offset_ns) > STEP_NS:
            self.engine.observe(observation.ClockStepSeen(at_ns, offset_ns - self._offset_ns))
        self._offset_ns = offset_ns
        drops = (self.ring.kernel_drops, self._rows.lost, self.ring.damaged)
        if drops != self._drops:
            self._drops = drops
            self.engine.observe(observation.DropsSeen(at_ns, *drops, since_ns=self._ticked_ns))
        self.engine.tick(at_ns, offset_ns)
        self._ticked_ns = at_ns
        self._publications.ticked()
        self.snapshots.number(self.engine.judge.next_incident)
        for event in self.engine.take_events():
            self._publications.is_wanted = True
            if event.what == "opened" and event.incident is not None:
                self._captures.want(event.incident.id, event.incident.began_ns, at_ns)
            print(f"slotwatch: {event.line}", file=sys.stderr, flush=True)

    def _intake_restarted(self) -> None:
        self._observations.send(StateWanted())
        self._pace.intake_woke()
        self._wanted.ask_again()

    def _publish_if_due(self, now_ns: int) -> None:
        if not self._publications.is_due(now_ns):
            return
        snapshot = self.engine.snapshot(self._ticked_ns or now_ns)
        self._complete(snapshot, now_ns)
        self.snapshots.publish(snapshot)
        self._open = sum(1 for incident in snapshot.incidents if incident.closed_ns is None)
        self._wanted.follow(snapshot, joins_listed=self.house.first_contact is not None)
        self._publications.published(now_ns)

    def _complete(self, snapshot: Snapshot, now_ns: int) -> None:
        """Add what only this process knows: its own health, the refused house file, the routes' reports."""
        view = snapshot.house
        view.house_problems = self._problems
        report = JudgingReport(
            intake_silent_s=round(max(0, now_ns - (self.ring.heartbeat_ns or now_ns)) / 1e9, 3),
            recorder=self._captures.trouble,
            captures_failed=self._captures.failed,
            snapshot_cost_ms=round(self._publications.cost_ns / 1e6, 3),
            compiled=self._is_compiled,
        )
        view.listener = replace(
            view.listener,
            kernel_drops=self.ring.kernel_drops,
            rows_lost=self._rows.lost,
            damaged=self.ring.damaged,
            intake=self._intake,
            judging=report,
            counted=counted(self._reports.counted, self._reports.rows, self._intake.lines if self._intake else ()),
            asking=self._reports.asking,
            node=self._reports.node,
        )
        snapshot.counters = replace(snapshot.counters, judging_lag=self._lag.counted())
        if self._reports.rows:
            snapshot.routes = self._reports.shown(self.engine.judge.listener, self.house, now_ns)

    @property
    def _status(self) -> str:
        return f"watching {self.house.name}: {self._open} incident{'' if self._open == 1 else 's'} open"

    def _listen(self, ready: Set[int]) -> None:
        now_ns = clock.monotonic_ns()
        if self._requests.fileno() in ready:
            for message in self._requests.receive():
                self._requests.send(self._orders.answer(message))
        if self._observations.fileno() in ready:
            for observed in self._observations.receive():
                self._hear_intake(observed)
        for report in self._routes.receive() if self.house.has_routes else ():
            self._hear_routes(report)
        for seen in [*self._groups.read(ready, now_ns), *self._neighbours.read(ready, now_ns)]:
            self._observe(seen)

    def _hear_routes(self, report: RouteReport) -> None:
        """Take a report. Each holds some routes, in turn."""
        seen, is_new = self._reports.hear(report, self.house)
        self._heard |= is_new
        self.engine.observe(seen)
        self._routes.send(PhaseNow(self.engine.judge.phase))

    def _hear_intake(self, message: FromIntake) -> None:
        self._heard = True
        match message:
            case LinksSeen():
                self._observe(*message.links)
            case JoinsSeen():
                self._observe(*message.joins, *message.leaves)
            case IntakeWoke():
                self._pace.intake_woke()
            case IntakeHealth():
                self._intake = message.report
                now_ns = clock.monotonic_ns()
                self._observe(*(_line_seen(line, now_ns) for line in message.report.lines))

    def _observe(self, *observed: Observation) -> None:
        self._heard = True
        for seen in observed:
            self.engine.observe(seen)


def _line_seen(line: LineHealth, now_ns: int) -> observation.LineSeen:
    return observation.LineSeen(
        now_ns, line.number, line.open, line.trouble, line.faults, line.breaks, line.received, line.misframed
    )
