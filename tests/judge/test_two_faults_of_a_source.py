"""Two faults of one source at a time: neither hides the other, and what is said of one is not said of both.

ANSI E1.31-2018 6.2.6: the stream-terminated bit ends one stream; 6.7.2: missing frames are counted stream by stream.
"""

from __future__ import annotations

import pytest

from slotwatch.house.schema import DeclaredSource, Fixture
from slotwatch.snapshot import Confidence, Severity
from slotwatch.wire.observation import NeighbourSeen
from slotwatch.wire.universe import Protocol, UniverseId
from tests.judge.stage import START_NS, Desk, S, Stage, house_of, moving

OTHER = Desk("House lights", (11,), number=2, address="10.0.0.2", levels=moving())


def desk(*universes: int, hz: float = 40.0, to_s: float = 1e9, **more: object) -> Desk:
    return Desk("Desk A", universes, hz=hz, levels=moving(hz=hz), to_s=to_s, **more)  # type: ignore[arg-type]


def test_losses_of_one_universe_do_not_account_for_another_that_is_slow() -> None:
    slow, lossy = desk(1, hz=14.0), desk(2, drop=lambda universe, index, t: t > 3.0 and index % 15 == 0)
    stage = Stage(house_of((1, 2, 11)), slow, lossy, OTHER, every_tick=True).run(20.0)
    found = {one.rule: one.universes for one in stage.open}
    assert found == {"packet-loss": ("e131/2",), "slow-refresh": ("e131/1",)}


def test_losses_account_for_a_slow_rate_of_the_same_universe() -> None:
    lossy = desk(1, hz=25.0, drop=lambda universe, index, t: t > 3.0 and index % 3 == 0)
    stage = Stage(house_of((1, 11)), lossy, OTHER, every_tick=True).run(20.0)
    assert [one.rule for one in stage.open] == ["packet-loss"]
    assert ("slow-refresh", ("e131/1",)) in stage.open[0].explains


def test_who_announced_the_end_of_one_universe_did_not_announce_that_of_the_others() -> None:
    closed, died = desk(1, to_s=10.0, terminate=True), desk(2, 3, to_s=10.1)
    stage = Stage(house_of((1, 2, 3, 11)), closed, died, OTHER, every_tick=True).run(20.0)
    lost = stage.rule("universe-lost")
    assert lost.confidence is Confidence.MEDIUM
    assert "announced the end of this stream, and its others ended in the same second without notice" in lost.summary
    assert any("without that bit: universes e131/2 and e131/3" in line for line in lost.evidence)
    assert not any("all its streams" in line or "Every stream" in line for line in (lost.summary, *lost.evidence))


def test_what_is_said_of_the_one_that_is_away_stays_once_the_other_is_back() -> None:
    """Both stop in one moment; the machine of the first answers (RFC 826), and later sends again."""
    first, second = desk(1, to_s=10.0), Desk("Desk B", (2,), "10.0.0.3", 3, to_s=10.0)
    again = desk(1, from_s=40.0, sequence_of=lambda universe, index: index + 1600)
    stage = Stage(house_of((1, 2, 11)), first, second, OTHER, again)
    for t in range(12, 60, 5):
        stage.see(t, NeighbourSeen(START_NS + t * S, 0, first.address, "02:00:00:00:00:01", True))
    lost = stage.run(30.0).only()
    assert '"Desk A" (10.0.0.1) no longer sends, but its machine is alive' in lost.summary
    assert '"Desk B" (10.0.0.3) went silent: power, crash or network lead.' in lost.summary
    lost = stage.run(45.0).only()
    assert 'lost from "Desk B" (10.0.0.3)' in lost.summary
    assert 'It went silent: power, crash or network lead. "Desk A" is back.' in lost.summary
    assert "no longer sends" not in lost.summary


@pytest.mark.parametrize("others", [("02:00:00:00:00:99",), ("02:00:00:00:00:99", "02:00:00:00:00:01")])
def test_another_device_at_its_address_is_no_sign_of_its_life(others: tuple[str, ...]) -> None:
    """RFC 5227: a second host may answer for the address. Who answers then is not known."""
    stage = Stage(house_of((1, 11)), desk(1, to_s=10.0), OTHER)
    stage.see(2.0, NeighbourSeen(START_NS + 2 * S, 0, "10.0.0.1", "02:00:00:00:00:01", True))
    for n, t in enumerate(range(12, 30, 2)):
        stage.see(t, NeighbourSeen(START_NS + t * S, 0, "10.0.0.1", others[n % len(others)], True))
    lost = stage.run(30.0).rule("universe-lost")
    assert "went completely silent" in lost.summary and lost.cause == "source-lost"
    assert not any("still answers" in line for line in lost.evidence)


def test_a_desk_that_dies_beside_its_twin_is_not_said_to_send_other_universes() -> None:
    """Two addresses send one CID (ANSI E1.31-2018 6.2.2) for ten seconds; the declared one dies, then the other."""
    main = DeclaredSource("main desk", cid=bytes([1]) * 16, address="10.0.0.1")
    spare = DeclaredSource("spare desk", cid=bytes([3]) * 16, role="backup", priority=90)
    house = house_of((1, 2), sources=(main, spare), by=("main desk", "spare desk"))
    twin = desk(1, 2, from_s=10.0, to_s=30.0, address="10.0.0.7")
    stage = Stage(house, desk(1, 2, to_s=20.0), twin, Desk("Spare", (1, 2), "10.0.0.3", 3, 90))
    for end_s in (25.0, 40.0):
        absent = stage.run(end_s).rule("source-absent")
        assert "other universes" not in absent.summary and absent.evidence
        assert '"Desk A" (10.0.0.7) counts as the same source and continued.' in absent.summary
        assert "Find out which machine has the address 10.0.0.7: is it meant to send?" in absent.next_checks


@pytest.mark.parametrize("apart_s", [0.0, 0.1])
def test_a_silent_end_that_fixtures_need_is_critical_beside_an_announced_one(apart_s: float) -> None:
    fixtures = (Fixture("front", UniverseId(Protocol.E131, 2), 1, ("intensity",)),)
    closed, died = desk(1, to_s=10.0, terminate=True), desk(2, to_s=10.0 + apart_s)
    stage = Stage(house_of((1, 2, 11), fixtures=fixtures), closed, died, OTHER, every_tick=True).run(20.0)
    lost = stage.rule("universe-lost")
    assert (lost.severity, lost.cause, lost.confidence) == (Severity.CRITICAL, "source-lost", Confidence.MEDIUM)
    assert lost.summary.startswith('Universe e131/2 lost from "Desk A"')
    assert "announced the end of universe e131/1 in the same second: it was closed, or failed while" in lost.summary
    assert "The stream-terminated bit came for universe e131/1, and did not come for universe e131/2." in lost.evidence


@pytest.mark.parametrize("patched", [1, 3])
def test_an_announced_end_is_a_warning_where_no_fixture_needs_what_ended_silently(patched: int) -> None:
    fixtures = (Fixture("front", UniverseId(Protocol.E131, patched), 1, ("intensity",)),)
    closed, died = desk(1, to_s=10.0, terminate=True), desk(2, to_s=10.0)
    stage = Stage(house_of((1, 2, 11), fixtures=fixtures), closed, died, OTHER, every_tick=True).run(20.0)
    lost = stage.rule("universe-lost")
    assert (lost.severity, lost.cause) == (Severity.WARNING, "stream-terminated")


def test_a_desk_that_announces_the_end_of_all_is_a_warning_whatever_is_patched() -> None:
    fixtures = (Fixture("front", UniverseId(Protocol.E131, 2), 1, ("intensity",)),)
    stage = Stage(house_of((1, 2, 11), fixtures=fixtures), desk(1, 2, to_s=10.0, terminate=True), OTHER).run(20.0)
    assert stage.rule("universe-lost").severity is Severity.WARNING
