"""The judging process without its process: ring in, snapshots out, and what the engine learns of lost time."""

from __future__ import annotations

import os
import select
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pytest
from sacn.messages.data_packet import DataPacket

from slotwatch import clock
from slotwatch.edge.judging.judging import JudgingProcess
from slotwatch.edge.judging.publications import HOLD_NS, SOONEST_SNAPSHOT_NS, UNREAD_SNAPSHOT_NS
from slotwatch.edge.judging.recorder import Recorder
from slotwatch.edge.shared import ring as rings
from slotwatch.edge.shared import snapshot_buffer as boards
from slotwatch.edge.shared.channel import Channel, pair
from slotwatch.edge.shared.messages import Done, Refusal, Request
from slotwatch.edge.shared.messages.intake import (
    FROM_INTAKE,
    TO_INTAKE,
    FromIntake,
    Idle,
    IntakeHealth,
    StateWanted,
    SyncGroups,
    ToIntake,
)
from slotwatch.edge.shared.messages.orders import FRONT_ANSWER, FRONT_REQUEST, FrontOrder, FrontResult, Look
from slotwatch.edge.shared.messages.routes import FROM_ROUTES, TO_ROUTES, RouteReport, ToRoutes
from slotwatch.edge.shared.pace import BEHIND_ROWS, GRID_NS
from slotwatch.edge.shared.ring import GUARD_ROWS, Ring, RingWriter
from slotwatch.edge.shared.snapshot_buffer import SnapshotReader, SnapshotWriter
from slotwatch.engine import CALM_NS, SETTLED_NS
from slotwatch.house.schema import DeclaredUniverse, House, Network, Phase
from slotwatch.house.service import RecorderTerms as RecorderSettings
from slotwatch.judge.orders import Acknowledge, MarkPut, PhaseSet, PutMark, SetPhase
from slotwatch.snapshot import Snapshot, UniverseState
from slotwatch.snapshot.health import IntakeReport, LineHealth
from slotwatch.wire.batch import Batch
from slotwatch.wire.observation import DropsSeen, Observation, StallSeen
from slotwatch.wire.universe import Protocol, UniverseId
from tests.patience import until

ROWS = 2 * GUARD_ROWS
LOOPBACK = bytes(10) + b"\xff\xff\x7f\0\0\1"
MS = 1_000_000


class HandClock:
    """The monotonic clock, which moves only when a test moves it."""

    now_ns = 0


HAND = HandClock()


@pytest.fixture(autouse=True)
def clock_by_hand(monkeypatch: pytest.MonkeyPatch) -> None:
    HAND.now_ns = clock.monotonic_ns()
    monkeypatch.setattr(clock, "monotonic_ns", lambda: HAND.now_ns)


@dataclass
class Bench:
    judging: JudgingProcess
    writer: RingWriter
    reader: SnapshotReader
    front: Channel[Request[FrontOrder], Done[FrontResult] | Refusal]
    intake: Channel[FromIntake, ToIntake]
    routes: Channel[RouteReport, ToRoutes]
    seen: list[Observation]
    memory: tuple[int, int]
    house: House
    sequence: int = 0
    rest_ms: int = 0
    """How long judging wanted to idle when it turned last."""

    def packet(self, number: int = 1, sync: int = 0) -> None:
        sent = DataPacket(
            tuple(b"slotwatch-tests0"), "desk", number, (9,) * 512, sequence=self.sequence % 256, sync_universe=sync
        )
        addresses = {"src": list(LOOPBACK), "dst": list(LOOPBACK)}
        self.writer.put(bytes(sent.getBytes()), t_ns=HAND.now_ns, protocol=Protocol.E131, **addresses)
        self.sequence += 1

    def beat(self, drops: int = 0) -> None:
        """Intake's turn."""
        self.writer.turn(HAND.now_ns, clock.wall_offset_ns(), drops)

    def tick_due(self) -> None:
        """Intake turns again, so much later that a tick is due."""
        HAND.now_ns += CALM_NS
        self.beat()

    def turn(self) -> None:
        """Judging turns now, with all that waits for it."""
        poll = select.poll()
        for fd in self.judging.wakes_for():
            poll.register(fd, select.POLLIN)
        self.rest_ms = self.judging.turn({fd for fd, _ in poll.poll(0)})

    def idle(self) -> None:
        """Judging turns when it wanted to, and not before."""
        HAND.now_ns += self.rest_ms * MS
        self.turn()

    def snapshot(self) -> Snapshot:
        """Judging turns as often as it wants to until it publishes, which it does in time."""
        before, began_ns = self.reader.sequence, HAND.now_ns
        while self.reader.sequence == before:
            self.idle()
            assert HAND.now_ns - began_ns <= UNREAD_SNAPSHOT_NS + SETTLED_NS + GRID_NS
        found = self.reader.read()
        assert found is not None
        return found

    def play(self, seconds: float) -> None:
        """The desk sends 40 packets a second; intake and judging turn as they do."""
        end_ns = HAND.now_ns + int(seconds * 1e9)
        turn_ns = HAND.now_ns
        while HAND.now_ns < end_ns:
            self.packet()
            self.beat()
            while turn_ns <= HAND.now_ns:
                self.turn()
                turn_ns = HAND.now_ns + max(1, self.rest_ms) * MS
            HAND.now_ns += 25 * MS

    def settle(self) -> None:
        """Play until all is judged and judging idles longer than a step of its grid: routine packets wait now."""
        self.play(1.0)
        for _ in range(2000):
            self.play(0.025)
            is_judged = self.reader.progress()[1] == self.judging.ring.head
            if is_judged and self.judging.engine.rest_ns > 2 * GRID_NS:
                return
        raise AssertionError("never settled")

    def lose(self) -> int:
        """The desk falls silent. Return the number of the incident that is opened for it."""
        for _ in range(100):
            HAND.now_ns += CALM_NS
            self.beat()
            self.turn()
            shown = self.reader.read()
            if shown is not None and shown.incidents:
                return shown.incidents[0].id
        raise AssertionError("no incident")

    def stalls(self) -> list[int]:
        """How long each was, ns."""
        return [one.late_ns for one in self.seen if isinstance(one, StallSeen)]

    def groups_asked_for(self) -> list[dict[int, tuple[int, ...]]]:
        return [one.groups for one in self.intake.receive() if isinstance(one, SyncGroups)]

    def observed(self, kind: type[Observation]) -> list[Observation]:
        return [one for one in self.seen if isinstance(one, kind)]


@contextmanager
def bench(house: House, memory: tuple[int, int] | None = None) -> Iterator[Bench]:
    fds = memory or (rings.create_memory(ROWS), boards.create_memory())
    writer = RingWriter(fds[0], ROWS)
    writer.turn(clock.monotonic_ns(), clock.wall_offset_ns(), 0)
    pairs = [[end.detach() for end in pair()] for _ in range(3)]
    requests: Channel[Done[FrontResult] | Refusal, Request[FrontOrder]] = Channel(pairs[0][0], FRONT_REQUEST)
    front: Channel[Request[FrontOrder], Done[FrontResult] | Refusal] = Channel(pairs[0][1], FRONT_ANSWER)
    observations: Channel[ToIntake, FromIntake] = Channel(pairs[1][0], FROM_INTAKE)
    intake: Channel[FromIntake, ToIntake] = Channel(pairs[1][1], TO_INTAKE)
    reports: Channel[ToRoutes, RouteReport] = Channel(pairs[2][0], FROM_ROUTES)
    routes: Channel[RouteReport, ToRoutes] = Channel(pairs[2][1], TO_ROUTES)
    ring, snapshots = Ring(fds[0], ROWS), SnapshotWriter(fds[1])
    judging = JudgingProcess(house, ring, snapshots, requests, observations, reports)
    seen: list[Observation] = []
    observe = judging.engine.observe

    def note(observation: Observation) -> None:
        seen.append(observation)
        observe(observation)

    judging.engine.observe = note  # type: ignore[method-assign]
    try:
        yield Bench(judging, writer, SnapshotReader(fds[1]), front, intake, routes, seen, fds, house)
    finally:
        judging.close()
        for end in (requests, front, observations, intake, reports, routes):
            end.close()
        if memory is None:
            os.close(fds[0])
            os.close(fds[1])


@pytest.fixture
def house(tmp_path: Path) -> House:
    return House(
        name="Test",
        file=str(tmp_path / "house.toml"),
        phase=Phase.SHOW,
        networks=(Network("lo", "lo"),),
        universes=(DeclaredUniverse(UniverseId(Protocol.E131, 1)),),
    )


def test_rows_become_a_snapshot(house: House) -> None:
    with bench(house) as made:
        for _ in range(5):
            made.packet()
        made.beat()
        shown = made.snapshot()
        assert shown.universes["frames"].tolist() == [5]
        assert shown.universes["state"][0] in (UniverseState.STEADY, UniverseState.AT_REST)
        assert (shown.levels[0] == 9).all()


def test_the_time_that_is_judged_at_is_intakes(house: House) -> None:
    """While intake is stopped no time passes for the universes, so none is found lost for it."""
    with bench(house) as made:
        made.packet()
        made.beat()
        beat_ns = HAND.now_ns
        HAND.now_ns += 30 * MS
        assert made.snapshot().now_ns == beat_ns
        assert made.snapshot().now_ns == beat_ns


def test_rows_that_were_overwritten_are_counted_and_reported(house: House) -> None:
    with bench(house) as made:
        made.beat()
        made.snapshot()
        for _ in range(ROWS + 300):
            made.packet()
        made.tick_due()
        shown = made.snapshot()
        lost = 300 + GUARD_ROWS
        assert shown.house.listener.rows_lost == lost
        assert shown.universes["frames"].tolist() == [ROWS + 300 - lost]
        assert [one.ring for one in made.observed(DropsSeen) if isinstance(one, DropsSeen)] == [0, lost]


def test_what_is_lost_after_a_long_time_leaves_that_time_judged(house: House) -> None:
    """Counts are reported when they change. One packet lost after a month made the whole month one not judged."""
    with bench(house) as made:
        for drops in (*[0] * 9, 3):
            HAND.now_ns += CALM_NS
            made.beat(drops)
            shown = made.snapshot()
        (interval,) = shown.house.listener.not_judged
        assert 0 < interval.end_ns - interval.start_ns <= 2 * CALM_NS


def test_drops_of_the_kernel_are_reported_once_for_each_change(house: House) -> None:
    with bench(house) as made:
        for drops in (7, 7, 9):
            HAND.now_ns += CALM_NS
            made.beat(drops)
            made.snapshot()
        assert [one.kernel for one in made.observed(DropsSeen) if isinstance(one, DropsSeen)] == [7, 9]


def test_a_new_intake_is_a_stall_as_long_as_the_old_one_was_away(house: House) -> None:
    with bench(house) as made:
        made.beat()
        made.snapshot()
        made.intake.receive()
        before_ns = made.judging.ring.heartbeat_ns
        second = RingWriter(made.memory[0], ROWS)
        made.turn()  # it exists, but has not listened yet: the stall continues
        second.turn(before_ns + 800_000_000, clock.wall_offset_ns(), 0)
        made.turn()
        assert made.stalls() == [800_000_000]
        asked = [message for message in made.intake.receive() if not isinstance(message, Idle)]
        assert asked == [StateWanted()], "the new one is asked for its state"


def test_rows_of_a_new_intake_wait_until_the_time_without_one_is_known(house: House) -> None:
    """It writes rows in its first turn, and says only at the end of it since when nobody listened."""
    with bench(house) as made:
        made.packet()
        made.beat()
        assert made.snapshot().universes["frames"].tolist() == [1]
        left_ns = made.judging.ring.heartbeat_ns
        made.writer = RingWriter(made.memory[0], ROWS)
        made.sequence += 30
        made.packet()
        made.turn()
        assert made.reader.progress()[1] == 1, "rows judged"
        made.writer.turn(left_ns + 750_000_000, clock.wall_offset_ns(), 0)
        assert made.snapshot().universes["frames"].tolist() == [2]
        assert made.stalls() == [750_000_000]


def test_judging_rests_while_rows_have_to_wait_for_a_new_intake(house: House) -> None:
    with bench(house) as made:
        made.packet()
        made.beat()
        made.snapshot()
        made.writer = RingWriter(made.memory[0], ROWS)
        for _ in range(BEHIND_ROWS // GUARD_ROWS + 1):
            made.writer.publish(GUARD_ROWS)
        made.turn()
        assert made.reader.progress()[1] == 1, "rows judged"
        assert made.rest_ms > 0


def test_a_last_turn_that_was_not_seen_is_not_taken_for_the_first_of_the_next_intake(house: House) -> None:
    """Judging was held up while the old intake turned once more and ended, and the new one began."""
    with bench(house) as made:
        made.beat()
        made.snapshot()
        made.tick_due()
        left_ns = made.judging.ring.heartbeat_ns
        second = RingWriter(made.memory[0], ROWS)
        made.turn()
        second.turn(left_ns + 900_000_000, clock.wall_offset_ns(), 0)
        made.turn()
        assert made.stalls() == [900_000_000]


def test_a_restarted_judging_goes_on_with_the_first_row_that_was_not_judged(house: House) -> None:
    with bench(house) as first:
        first.packet()
        first.beat()
        first.snapshot()
        first.packet()
        first.packet()
        first.beat()
        HAND.now_ns += 600 * MS
        with bench(house, first.memory) as second:
            second.beat()
            assert second.snapshot().universes["frames"].tolist() == [2]
            assert second.stalls() == [600 * MS], "the time between the two is not judged"


def test_a_refused_house_is_on_the_page_until_a_good_one_is_taken(house: House) -> None:
    with bench(house) as made:
        made.judging.refuse_house(("house.toml:3: lisen: - unknown",))
        assert made.snapshot().house.house_problems == ("house.toml:3: lisen: - unknown",)
        made.judging.take_house(house)
        made.tick_due()
        assert made.snapshot().house.house_problems == ()


def test_an_order_is_answered_and_a_wrong_one_is_a_sentence(house: House) -> None:
    with bench(house) as made:
        made.front.send(Request(5, PutMark("doors")))
        made.front.send(Request(6, Acknowledge(99, "me")))
        made.turn()
        done, refused = made.front.receive()
        assert isinstance(done, Done) and isinstance(done.result, MarkPut)
        assert (done.number, done.result.text) == (5, "doors")
        assert isinstance(refused, Refusal) and refused.number == 6 and "99" in refused.reason


def test_an_order_shows_in_the_first_publication_after_the_one_it_was_answered_with(house: House) -> None:
    with bench(house) as made:
        made.snapshot()
        before = made.reader.sequence
        made.front.send(Request(5, SetPhase(Phase.DARK, confirm=True)))
        made.turn()
        assert made.front.receive() == [Done(5, PhaseSet(Phase.DARK), before)]
        HAND.now_ns += SOONEST_SNAPSHOT_NS
        made.turn()
        assert made.reader.sequence == before, "no tick has judged it yet, so nothing is published"
        made.tick_due()
        made.turn()
        shown = made.reader.read()
        assert shown is not None and (made.reader.sequence, shown.house.phase) == (before + 1, "dark")
        # Where intake is stopped there are no ticks: published all the same, somewhat later.
        made.front.send(Request(6, SetPhase(Phase.SHOW)))
        made.turn()
        HAND.now_ns += HOLD_NS - 1
        made.turn()
        assert made.reader.sequence == before + 1
        HAND.now_ns += 1
        made.turn()
        shown = made.reader.read()
        assert shown is not None and (made.reader.sequence, shown.house.phase) == (before + 2, "show")


def test_captures_go_where_the_house_that_runs_says(house: House, tmp_path: Path) -> None:
    """An incident's capture is due some seconds after its opening; meanwhile the house file is changed."""
    with bench(house) as made:
        made.play(1.0)
        opened = made.lose()
        made.judging.take_house(replace(house, recorder=RecorderSettings(directory="elsewhere")))
        for _ in range(60):
            HAND.now_ns += CALM_NS
            made.beat()
            made.turn()
        until((tmp_path / "elsewhere" / f"incident-{opened}.pcapng").exists)


def test_groups_of_synchronization_addresses_that_streams_name_are_asked_for(house: House) -> None:
    with bench(house) as made:
        made.packet(sync=7000)
        made.beat()
        made.snapshot()
        assert made.groups_asked_for() == [{0: (7000,)}]
        made.snapshot()
        assert made.groups_asked_for() == [], "asked once, not each time"


def test_how_long_packets_waited_is_counted(house: House) -> None:
    with bench(house) as made:
        made.packet()
        made.beat()
        HAND.now_ns += 30 * MS
        lag = made.snapshot().counters.judging_lag
        assert lag is not None and lag.sum_s == 0.03
        assert lag.bounds_s == (0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1.0)
        assert lag.counts == (0, 0, 0, 1, 0, 0, 0, 0, 0)


def test_what_routes_and_lines_counted_is_in_the_listeners_health(house: House) -> None:
    line = LineHealth(1, "/p", True, "", faults=0, breaks=0, received=0, misframed=0, dropped_frames=3, reopened=2)
    with bench(replace(house, listen=replace(house.listen, ask_fixtures=True))) as made:
        assert made.snapshot().house.listener.counted["lines_dropped_frames"] == 0
        made.intake.send(IntakeHealth(IntakeReport(lines=(line,))))
        made.routes.send(RouteReport((), {"routes_skipped_packets": 5}, None, None, 1, 1))
        made.turn()
        counted = made.snapshot().house.listener.counted
        assert (counted["lines_dropped_frames"], counted["serial_ports_reopened"]) == (3, 2)
        assert counted["routes_skipped_packets"] == 5
        made.judging.take_house(house)
        made.tick_due()
        assert "routes_skipped_packets" not in made.snapshot().house.listener.counted, "gone with the routes process"


def test_rows_that_end_the_judging_are_not_what_its_successor_begins_with(
    house: House, monkeypatch: pytest.MonkeyPatch
) -> None:
    with bench(house) as first:
        first.beat()
        first.snapshot()
        first.packet()
        first.beat()

        def fail(batch: object) -> None:
            raise MemoryError("made by this test")

        monkeypatch.setattr(first.judging.engine, "ingest", fail)
        with pytest.raises(MemoryError):
            first.turn()
        with bench(house, first.memory) as second:
            second.sequence = first.sequence
            second.packet()
            second.beat()
            assert second.snapshot().universes["frames"].tolist() == [1]


def test_routine_rows_wait_for_a_batch_and_changes_do_not(house: House) -> None:
    with bench(house) as made:
        made.settle()
        head = made.judging.ring.head
        made.packet()
        made.turn()
        assert made.reader.progress()[1] == head, "it goes on as before: no hurry"
        made.sequence += 1
        made.packet()
        made.turn()
        assert made.reader.progress()[1] == head + 2, "a missing packet is a change"


def test_whoever_asks_for_a_look_gets_what_waits(house: House) -> None:
    with bench(house) as made:
        made.settle()
        HAND.now_ns += SOONEST_SNAPSHOT_NS
        made.packet()
        made.beat()
        made.turn()
        before, sent = made.reader.sequence, made.judging.ring.head
        assert made.reader.progress()[1] == sent - 1
        made.front.send(Request(3, Look()))
        made.turn()
        (answered,) = made.front.receive()
        shown = made.reader.read()
        assert isinstance(answered, Done) and answered.publication == before
        assert shown is not None and made.reader.sequence == before + 1
        assert shown.universes["frames"].tolist() == [sent]


def test_a_reader_that_is_overtaken_never_judges_one_source_by_the_packets_of_another(
    house: House, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A stranger overtakes judging while it reads: what it has in its hands by then is not used, and is counted."""
    # So many that rows judged twice, or too early, would show as numbers that go back by ten.
    overtakes, place = [ROWS + 245], Recorder.place
    with bench(house) as made:

        def late(recorder: Recorder, count: int, width: int) -> Batch:
            for number in range(overtakes.pop() if overtakes else 0):
                sent = DataPacket(tuple(b"slotwatch-strang"), "stranger", 1, (255,) * 512, sequence=number % 256)
                addresses = {"src": [*LOOPBACK[:-1], 9], "dst": list(LOOPBACK)}
                made.writer.put(bytes(sent.getBytes()), t_ns=HAND.now_ns, protocol=Protocol.E131, **addresses)
            return place(recorder, count, width)

        monkeypatch.setattr(Recorder, "place", late)
        for _ in range(GUARD_ROWS):
            made.packet()
        made.beat()
        made.snapshot()
        made.tick_due()
        shown = made.snapshot()
        assert not overtakes
        assert {source.source_name: source.address for source in shown.sources} == {"stranger": "127.0.0.9"}
        lost = shown.house.listener.rows_lost
        assert lost >= GUARD_ROWS
        assert shown.streams["frames"].tolist() == [GUARD_ROWS + ROWS + 245 - lost]
        assert shown.streams["discarded"].tolist() == [0]
        assert set(np.unique(shown.levels).tolist()) <= {0, 255}
