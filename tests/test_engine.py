"""The engine: packets in, judgement and snapshots out, with time as an argument."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from sacn.messages.data_packet import DataPacket

from slotwatch.edge.shared.compiled import Compiled, load
from slotwatch.engine import CALM_NS, SETTLED_NS, Engine
from slotwatch.house.schema import DeclaredSource, DeclaredUniverse, House, Network, Phase
from slotwatch.judge.binding import TICK_NS
from slotwatch.judge.orders import Acknowledge, MarkPut, PhaseSet, PutMark, SetPhase
from slotwatch.snapshot import Severity, Snapshot, UniverseState
from slotwatch.snapshot.columns import STREAM_COLUMNS, UNIVERSE_COLUMNS
from slotwatch.snapshot.encoding import from_parts, to_parts
from slotwatch.wire.observation import DropsSeen, JoinSeen, LeaveSeen, LinkSeen, QuerierWatchSeen
from slotwatch.wire.universe import Protocol, UniverseId
from tests.compiling import Built
from tests.model.packets import MS, SECOND, START, Sent, artnet, batch_of, cid, e131, frames

WALL = 1_800_000_000 * SECOND
ONE = DeclaredUniverse(UniverseId(Protocol.E131, 1), label="Dimmer racks")
TWO = DeclaredUniverse(UniverseId(Protocol.E131, 2), label="Movers")
HOUSE = House(
    name="Harbour Street Playhouse", phase=Phase.SHOW, networks=(Network("lights", "eth1"),), universes=(TWO, ONE)
)


def engine_of(house: House = HOUSE, phase: Phase | None = None, compiled: Compiled | None = None) -> Engine:
    engine = Engine(house, now_ns=START, wall_offset_ns=WALL - START, phase=phase, compiled=compiled)
    engine.observe(LinkSeen(START, 0, True, ("10.20.0.2",), "eth1"))
    engine.observe(QuerierWatchSeen(START, 0, False, "no right to open a raw socket"))
    for universe in house.universes:
        if universe.id.protocol is Protocol.E131:
            engine.observe(JoinSeen(START, 0, universe.id.number, True))
    return engine


def run(engine: Engine, sent: list[Sent], until_ns: int) -> None:
    """Feed packets and tick every 50 ms, the closest that the daemon does."""
    packets = sorted(sent, key=lambda packet: packet.t_ns)
    at = 0
    while engine.now_ns + TICK_NS <= until_ns:
        now_ns = engine.now_ns + TICK_NS
        end = at
        while end < len(packets) and packets[end].t_ns <= now_ns:
            end += 1
        if end > at:
            engine.ingest(batch_of(packets[at:end]))
            at = end
        engine.tick(now_ns)


def healthy(seconds: int, start_ns: int = START, first_sequence: int = 0) -> list[Sent]:
    sent = []
    for universe in (1, 2):
        sent += frames(
            seconds * 40,
            start_ns=start_ns,
            first_sequence=first_sequence,
            universe=universe,
            dst=f"239.255.0.{universe}",
        )
    return sent


def test_a_healthy_house_raises_nothing_over_a_warning() -> None:
    engine = engine_of()
    run(engine, healthy(30), START + 30 * SECOND)
    snapshot = engine.snapshot(engine.now_ns)
    assert [incident.rule for incident in snapshot.incidents if incident.severity > Severity.NOTE] == []
    assert snapshot.universes["state"].tolist() == [UniverseState.STEADY, UniverseState.STEADY]
    assert snapshot.readiness.ready is True


def test_another_librarys_sender_is_judged_healthy() -> None:
    """The sacn package composes what is sent: every octet of it is another project's reading of E1.31."""
    packet = DataPacket(cid=tuple(range(16)), sourceName="peer", universe=1)
    sent = []
    for index in range(20 * 44):
        packet.sequence = index % 256
        packet.dmxData = tuple((index * 7 + slot) % 256 for slot in range(512))
        sent.append(Sent(START + index * SECOND // 44, bytes(packet.getBytes()), dst="239.255.0.1"))
    engine = engine_of(House(phase=Phase.SHOW, networks=HOUSE.networks, universes=(ONE,)))
    run(engine, sent, START + 20 * SECOND)
    snapshot = engine.snapshot(engine.now_ns)
    assert [incident.rule for incident in snapshot.incidents if incident.severity > Severity.NOTE] == []
    assert snapshot.streams["lost_frames"].sum() == snapshot.streams["discarded"].sum() == 0
    assert snapshot.universes["refresh_hz"][0] == pytest.approx(44, rel=0.005)
    assert snapshot.counters.rejected == {}


def test_a_silent_universe_is_lost_after_its_timeout_and_closes_after_its_return() -> None:
    engine = engine_of()
    run(engine, healthy(15), START + 15 * SECOND)
    engine.take_events()
    last_ns = START + 15 * SECOND - 25 * MS
    run(engine, [], last_ns + 2500 * MS)
    assert [event for event in engine.take_events() if event.incident and event.incident.rule == "universe-lost"] == []
    run(engine, [], last_ns + 2700 * MS)
    opened = [event.incident for event in engine.take_events() if event.what == "opened"]
    lost = next(incident for incident in opened if incident is not None and incident.rule == "universe-lost")
    assert lost.severity is Severity.CRITICAL
    assert set(lost.universes) == {"e131/1", "e131/2"}
    assert last_ns <= lost.began_ns <= last_ns + 25 * MS
    assert set(engine.snapshot(engine.now_ns).universes["state"].tolist()) == {UniverseState.LOST}
    assert engine.snapshot(engine.now_ns).counters.incidents_opened["universe-lost"] == 1
    run(engine, healthy(30, START + 20 * SECOND), START + 50 * SECOND)
    assert any(event.what == "closed" for event in engine.take_events())
    assert engine.snapshot(engine.now_ns).universes["state"].tolist() == [UniverseState.STEADY] * 2


def test_a_snapshot_keeps_the_seams_columns_and_order() -> None:
    engine = engine_of()
    packets = [*healthy(2), Sent(START + SECOND, artnet(b"\7\7", universe=5), "10.20.0.30", protocol=Protocol.ARTNET)]
    run(engine, packets, START + 2 * SECOND)
    snapshot = engine.snapshot(engine.now_ns)
    assert snapshot.universe_names == ("e131/2", "e131/1", "artnet/5")
    assert snapshot.universe_labels == ("Movers", "Dimmer racks", "")
    for columns, declared in ((snapshot.universes, UNIVERSE_COLUMNS), (snapshot.streams, STREAM_COLUMNS)):
        assert [(name, column.dtype) for name, column in columns.items()] == [
            (name, np.dtype(dtype)) for name, dtype in declared
        ]
        assert len({len(column) for column in columns.values()}) == 1
    for row in range(3):
        stream = int(snapshot.universes["winning_stream"][row])
        assert snapshot.streams["universe_row"][stream] == row
        assert set(snapshot.slot_owners.of(row)[: snapshot.universes["slots"][row]].tolist()) == {stream}
    assert snapshot.levels[2, :3].tolist() == [7, 7, 0] and snapshot.slot_owners.of(2)[2] == -1
    artnet_source = snapshot.sources[int(snapshot.streams["source"][snapshot.universes["winning_stream"][2]])]
    assert artnet_source.address == "10.20.0.30" and artnet_source.protocol == Protocol.ARTNET


def test_a_snapshot_crosses_and_is_not_changed_by_what_comes_later() -> None:
    engine = engine_of()
    run(engine, healthy(2), START + 2 * SECOND)
    first = engine.snapshot(engine.now_ns)
    parts = [memoryview(bytes(part)) for part in to_parts(first)]
    run(engine, healthy(2, START + 2 * SECOND, 80), START + 4 * SECOND)
    again = from_parts(parts)
    assert isinstance(again, Snapshot) and again.sequence == first.sequence == 1
    assert again.universes["frames"].tolist() == first.universes["frames"].tolist() == [80, 80]
    assert again.sources == first.sources
    assert engine.snapshot(engine.now_ns).universes["frames"].tolist() == [160, 160]


@pytest.mark.parametrize(("every_ms", "rate_hz"), [(500, 2.0), (900, 1.111), (23, 43.4), (120, 8.333)])
def test_refresh_is_exact_at_slow_rates_too(every_ms: int, rate_hz: float) -> None:
    engine = engine_of()
    run(engine, frames(13_000 // every_ms, every_ns=every_ms * MS, level_of=lambda _: 9), START + 12 * SECOND)
    snapshot = engine.snapshot(engine.now_ns)
    assert snapshot.universes["refresh_hz"][1] == pytest.approx(rate_hz, rel=0.005)
    assert snapshot.streams["refresh_10s_hz"][0] == pytest.approx(rate_hz, rel=0.005)


def test_refresh_falls_while_a_stream_is_silent() -> None:
    engine = engine_of()
    run(engine, frames(240, every_ns=50 * MS), START + 14 * SECOND)
    assert engine.snapshot(engine.now_ns).universes["refresh_hz"][1] == pytest.approx(12, abs=0.5)


def test_universes_of_several_networks_say_which() -> None:
    networks = (Network("A", "eth1"), Network("B", "eth2"))
    both = DeclaredUniverse(UniverseId(Protocol.E131, 1), networks=(0, 1))
    engine = Engine(House(networks=networks, universes=(both,)), now_ns=START, wall_offset_ns=0)
    engine.ingest(batch_of([Sent(START, e131(b"\1\1"), network=1), Sent(START, e131(b"\1\1"), network=0xFFFF)]))
    engine.tick(START + TICK_NS)
    snapshot = engine.snapshot(engine.now_ns)
    assert snapshot.universe_names == ("e131/1@A", "e131/1@B", "e131/1@?")
    assert snapshot.universes["streams"].tolist() == [0, 1, 1]


@pytest.mark.slow
def test_minutes_are_summed_by_the_wall_clock() -> None:
    engine = engine_of()
    assert WALL % (60 * SECOND) == 0
    run(engine, healthy(30), START + 61 * SECOND)
    rows = {row.universe: row for row in engine.snapshot(engine.now_ns).minutes}
    one = rows["e131/1"]
    assert one.minute == WALL // SECOND // 60
    assert one.frames == 1200 and one.refresh_hz == pytest.approx(20, rel=0.01) and one.sources == 1
    assert one.state == UniverseState.LOST
    assert one.worst_gap_ms == pytest.approx(30_025, abs=60)
    run(engine, [], START + 270 * SECOND)
    assert {row.minute - one.minute for row in engine.snapshot(engine.now_ns).minutes} == {1, 2, 3}


def test_commands_answer_or_say_why_not() -> None:
    engine = engine_of()
    assert engine.command(PutMark("  house open  ")) == MarkPut("house open", START)
    assert [(event.what, event.text) for event in engine.take_events()] == [("mark", "house open")]
    for order in (PutMark("  "), Acknowledge(99, "A")):
        with pytest.raises(ValueError, match=r"\w"):
            engine.command(order)
    assert engine.command(SetPhase(Phase.DARK, confirm=True)) == PhaseSet(Phase.DARK)
    assert engine.snapshot(START).house.phase == "dark"


def test_a_reload_keeps_streams_and_judges_by_the_new_file() -> None:
    engine = engine_of()
    run(engine, healthy(5), START + 5 * SECOND)
    sources = (DeclaredSource("main desk", cid=cid(1)),)
    engine.take_house(
        House(networks=HOUSE.networks, universes=(ONE,), sources=sources, phase=Phase.SHOW), engine.now_ns
    )
    run(engine, [], START + 5200 * MS)
    snapshot = engine.snapshot(engine.now_ns)
    assert snapshot.universe_names == ("e131/1", "e131/2")
    assert snapshot.universes["declared"].tolist() == [True, False]
    assert snapshot.universes["frames"].tolist() == [200, 200]
    assert snapshot.sources[0].declared_as == "main desk" and snapshot.sources[0].role == "main"


def test_what_ends_because_its_group_is_left_is_no_loss_and_is_forgotten() -> None:
    """The file no longer declares e131/2: intake leaves its group, and the switch sends it here no longer."""
    engine = engine_of()
    run(engine, healthy(5), START + 5 * SECOND)
    engine.take_house(replace(HOUSE, universes=(ONE,)), engine.now_ns)
    engine.observe(LeaveSeen(engine.now_ns, 0, 2))
    lasting = frames(1000, start_ns=START + 5 * SECOND, first_sequence=200, universe=1)
    # A querier lets some 2 s pass before it stops sending there (RFC 2236 8.8 and 8.9).
    on_the_way = frames(80, start_ns=START + 5 * SECOND, first_sequence=200, universe=2)
    run(engine, [*on_the_way, *lasting], START + 22 * SECOND)
    assert engine.snapshot(engine.now_ns).incidents == ()
    assert engine.snapshot(engine.now_ns).universe_names == ("e131/1",)


def test_a_universe_whose_group_is_joined_before_it_is_declared_is_missed() -> None:
    """Intake reads the new house file first: its joins may be known before judging has read it."""
    engine = engine_of(replace(HOUSE, universes=(ONE,)))
    run(engine, healthy(15), START + 5 * SECOND)
    engine.observe(JoinSeen(engine.now_ns, 0, 3, True))
    three = DeclaredUniverse(UniverseId(Protocol.E131, 3))
    engine.take_house(replace(HOUSE, universes=(ONE, three)), engine.now_ns)
    ones = frames(800, start_ns=START + 5 * SECOND, first_sequence=200, universe=1)
    run(engine, ones, START + 14 * SECOND)
    assert "universe-missing" not in [one.rule for one in engine.snapshot(engine.now_ns).incidents]
    run(engine, [packet for packet in ones if packet.t_ns > engine.now_ns], START + 18 * SECOND)
    (missing,) = (one for one in engine.snapshot(engine.now_ns).incidents if one.rule == "universe-missing")
    assert missing.universes == ("e131/3",)


def test_what_ends_after_a_reload_while_nobody_left_its_group_is_lost() -> None:
    engine = engine_of()
    run(engine, healthy(5), START + 5 * SECOND)
    engine.take_house(replace(HOUSE, universes=(ONE,)), engine.now_ns)
    run(engine, frames(280, start_ns=START + 5 * SECOND, first_sequence=200, universe=1), START + 12 * SECOND)
    assert [one.rule for one in engine.snapshot(engine.now_ns).incidents] == ["undeclared-universe", "universe-lost"]


def test_what_arrives_though_its_group_was_left_stays_and_is_called_flooded() -> None:
    """A switch without snooping (RFC 4541 2.1): it is undeclared, and its end belongs to the flood."""
    engine = engine_of()
    run(engine, healthy(5), START + 5 * SECOND)
    engine.take_house(replace(HOUSE, universes=(ONE,)), engine.now_ns)
    engine.observe(LeaveSeen(engine.now_ns, 0, 2))
    run(engine, healthy(20, START + 5 * SECOND, 200), START + 25 * SECOND)
    run(engine, frames(400, start_ns=START + 25 * SECOND, first_sequence=1000, universe=1), START + 30 * SECOND)
    snapshot = engine.snapshot(engine.now_ns)
    assert snapshot.universe_names == ("e131/1", "e131/2")
    assert {one.rule for one in snapshot.incidents} == {"undeclared-universe", "flooded-groups"}


def test_time_that_passed_already_judges_nothing_anew() -> None:
    engine = engine_of()
    engine.tick(START + SECOND)
    engine.tick(START)
    assert engine.now_ns == START + SECOND
    assert engine.next_deadline_ns() == START + SECOND + SETTLED_NS


def test_ticks_come_seldom_where_nothing_is_under_way_and_in_time_for_what_falls_silent() -> None:
    """E1.31 data loss: 2.5 s after the last packet (ANSI E1.31-2018 6.7.1)."""
    engine = engine_of()
    run(engine, healthy(20), START + 20 * SECOND)
    assert engine.rest_ns == SETTLED_NS
    last_ns = max(packet.t_ns for packet in healthy(20))
    lost_ns = last_ns + 2_500 * MS
    while engine.next_deadline_ns() < lost_ns:
        engine.tick(engine.next_deadline_ns())
    assert lost_ns <= engine.next_deadline_ns() < lost_ns + 2 * TICK_NS
    engine.tick(engine.next_deadline_ns())
    engine.tick(engine.next_deadline_ns())
    assert [event.incident.rule for event in engine.take_events() if event.incident] == ["universe-lost"]
    assert engine.rest_ns <= CALM_NS, "its cause may still change"


def test_a_busy_house_rests_as_long_as_another_while_all_that_comes_is_routine(built: Built) -> None:
    """Packets were not looked at before they were taken: the compiled pass says whether there was more to them."""
    for compiled in (built(load), None):
        engine = engine_of(compiled=compiled)
        run(engine, healthy(20), START + 20 * SECOND)
        assert engine.busy_rest_ns == SETTLED_NS
        engine.ingest(batch_of(healthy(1, START + 20 * SECOND, 800 % 256)[:10]).with_addresses())
        assert engine.busy_rest_ns == (CALM_NS if compiled is None else SETTLED_NS), "without it nobody looked"
        engine.tick(engine.now_ns + SETTLED_NS)
        engine.ingest(batch_of(healthy(1, START + 21 * SECOND, 5)[:1]).with_addresses())
        assert engine.busy_rest_ns <= CALM_NS, "its number does not follow"
        engine.tick(engine.now_ns + CALM_NS)
        assert engine.rest_ns == engine.busy_rest_ns
        engine.observe(JoinSeen(engine.now_ns, 0, 1, True))
        assert engine.busy_rest_ns <= CALM_NS


def test_joins_reach_the_model() -> None:
    engine = engine_of()
    engine.observe(JoinSeen(START, 0, 1, False, "no memberships left"))
    joined = engine.model.universes.joined
    places = engine.model.universes.by_place
    assert joined[places[0, Protocol.E131, 1]] == -1 and joined[places[0, Protocol.E131, 2]] == 1


@pytest.mark.parametrize(("counted", "rules"), [(0, {"packet-loss"}), (18, set())])
def test_what_this_computer_lost_of_a_young_stream_at_rest_is_not_counted_against_it_later(
    counted: int, rules: set[str]
) -> None:
    """Of ANSI E1.31-2018 6.7.2 alone nobody can say where frames were lost, and with fewer than 20 of them not whether
    the stream counts by one."""
    slow = frames(50, every_ns=SECOND, dst="239.255.0.1")
    slow = [one for index, one in enumerate(slow) if index > 14 or index % 3 != 1]
    sent = sorted([*slow, *healthy(50)[2000:]], key=lambda one: one.t_ns)
    engine = engine_of()
    engine.observe(DropsSeen(START, 0))
    run(engine, [one for one in sent if one.t_ns < START + 18 * SECOND], START + 18 * SECOND)
    engine.observe(DropsSeen(engine.now_ns, counted, since_ns=START + SECOND))
    run(engine, [one for one in sent if one.t_ns >= START + 18 * SECOND], START + 45 * SECOND)
    seen = {event.incident.rule for event in engine.take_events() if event.incident is not None}
    assert seen & {"packet-loss"} == rules


def test_readiness_and_incidents_of_one_snapshot_say_the_same() -> None:
    """Snapshots are taken at every tick here, and the first with the incident is the first that is not ready."""
    engine = engine_of()
    packets = healthy(13)
    run(engine, packets, START + 13 * SECOND)
    for snapshot in (_after_a_tick(engine) for _ in range(200)):
        is_lost = any(one.rule == "universe-lost" and one.closed_ns is None for one in snapshot.incidents)
        assert snapshot.readiness.ready is not is_lost
    assert is_lost


def _after_a_tick(engine: Engine) -> Snapshot:
    now_ns = engine.next_deadline_ns()
    engine.tick(now_ns)
    return engine.snapshot(now_ns)
