"""Healthy nights raise nothing: what looks suspicious and is how senders are meant to work."""

from __future__ import annotations

from dataclasses import replace

from slotwatch.house.conflicts import conflicts
from slotwatch.house.schema import DeclaredSource, Fixture, Phase
from slotwatch.judge.orders import SetPhase
from slotwatch.judge.rules.patch_conflict import CAUSES, find_conflicts
from slotwatch.snapshot import Severity, UniverseState
from slotwatch.snapshot.readiness import Readiness
from slotwatch.wire.universe import Protocol, UniverseId
from tests.judge.stage import Desk, Node, Stage, house_of, moving, still

MAIN = DeclaredSource("main desk", address="10.0.0.1")
SPARE = DeclaredSource("spare desk", address="10.0.0.2", role="backup", standby="silent")


def test_an_idle_universe_on_keep_alive() -> None:
    """One packet every 0.9 s (ANSI E1.31-2018 6.6.2: 800 to 1000 ms)."""
    shown = Stage(house_of((1,)), Desk("Desk A", (1,), levels=still(), rests=True)).run(30.0)
    assert shown.all == []
    assert shown.judge.universe_states(shown.model, shown.now_ns)[0] == UniverseState.AT_REST


def test_moving_and_idle_in_turn() -> None:
    cues = lambda t: bytes([int(t * 200) % 250 if t % 6 < 2 else 100]) * 512  # noqa: E731
    assert Stage(house_of((1,)), Desk("Desk A", (1,), levels=cues, rests=True)).run(30.0).all == []


def test_a_slow_fade_sent_on_change() -> None:
    fade = lambda t: bytes([int(t * 4) % 256]) * 512  # noqa: E731
    assert Stage(house_of((1,)), Desk("Desk A", (1,), levels=fade, rests=True)).run(30.0).all == []


def test_a_chase_of_one_step_a_second_with_silence_between() -> None:
    steps = lambda t: bytes([0, 255] * 256) if int(t) % 2 else bytes([255, 0] * 256)  # noqa: E731
    assert Stage(house_of((1,)), Desk("Desk A", (1,), levels=steps, rests=True)).run(30.0).all == []
    on_change = Node((0,), levels=steps)
    assert Stage(house_of((), artnet=(0,)), on_change).run(30.0).all == []


def test_artnet_keep_alive_of_four_seconds() -> None:
    assert Stage(house_of((), artnet=(0,)), Node((0,), numbered=False)).run(40.0).all == []


def test_a_desk_of_25_hz_that_moves() -> None:
    assert Stage(house_of((1,)), Desk("Desk A", (1,), hz=25.0, levels=moving(hz=25.0))).run(20.0).all == []


def test_a_silent_standby_that_took_over_and_handed_back() -> None:
    main = Desk("Desk A", (1,), hz=10, levels=still(), to_s=8.0)
    again = Desk("Desk A", (1,), hz=10, levels=still(), from_s=10.0)
    spare = Desk("Desk B", (1,), "10.0.0.2", 2, hz=10, levels=still(), from_s=9.0, to_s=11.0, terminate=True)
    house = house_of((1,), sources=(MAIN, SPARE), by=("main desk", "spare desk"))
    assert Stage(house, main, again, spare).run(30.0).all == []


def test_an_unheard_main_of_several_is_nobodys_fault() -> None:
    panel = DeclaredSource("panel", address="10.0.0.9")
    house = house_of((1,), sources=(MAIN, panel), by=("main desk", "panel"))
    assert Stage(house, Desk("Desk A", (1,), hz=4, levels=still())).run(20.0).all == []


def test_a_dark_house_notes_what_is_off_and_wakes_nobody() -> None:
    desk = Desk("Desk A", (1,), hz=4, levels=still(), to_s=6.0)
    shown = Stage(house_of((1, 2)), desk, phase=Phase.DARK).run(20.0)
    assert {incident.rule for incident in shown.all} == {"universe-lost", "universe-missing"}
    assert shown.alarms() == []


def test_what_was_stopped_at_night_is_missing_when_the_house_opens() -> None:
    desk = Desk("Desk A", (1,), hz=4, levels=still(), to_s=6.0, terminate=True)
    shown = Stage(house_of((1,)), desk, phase=Phase.DARK).run(12.0)
    assert shown.alarms() == []
    shown.judge.command(SetPhase(Phase.PRE_SHOW))
    shown.run(21.9)
    assert not any(incident.severity is Severity.CRITICAL for incident in shown.open)
    shown.run(22.5)
    assert [(one.rule, one.severity) for one in shown.open] == [("universe-missing", Severity.CRITICAL)]
    ready = shown.judge.readiness(shown.model, shown.now_ns)
    assert ready.ready is False
    assert ready.reasons[0].universes == ("e131/1",)


def test_missing_is_reported_ten_seconds_after_the_start_and_only_of_what_can_be_seen() -> None:
    shown = Stage(house_of((1,))).run(9.9)
    assert shown.all == []
    assert shown.run(10.2).only().rule == "universe-missing"
    unseen = Stage(house_of((1,)), joined=False).run(15.0)
    assert unseen.all == []
    assert unseen.judge.universe_states(unseen.model, unseen.now_ns)[0] == UniverseState.NOT_VISIBLE
    assert unseen.judge.readiness(unseen.model, unseen.now_ns).not_visible == ("e131/1",)


def test_ready_when_all_is_well() -> None:
    shown = Stage(house_of((1,)), Desk("Desk A", (1,), hz=4, levels=still())).run(12.0)
    assert shown.judge.readiness(shown.model, shown.now_ns) == Readiness()


# --- the patch ----------------------------------------------------------------------------------------


def par(name: str, address: int, slots: int = 6) -> Fixture:
    return Fixture(name, UniverseId(Protocol.E131, 1), address, ("intensity",) * slots, "par")


def test_frames_that_end_before_the_patch_for_five_seconds() -> None:
    fixtures = (par("Par 1", 1), par("Par 2", 97))
    for slots, wanted in ((102, []), (101, ["short-frame"])):
        desk = Desk("Desk A", (1,), hz=4, levels=still(0, slots))
        shown = Stage(house_of((1,), fixtures=fixtures), desk).run(7.0)
        assert [incident.rule for incident in shown.all] == wanted
    assert shown.only().fixtures == ("Par 2",)
    assert "102" in shown.only().summary


def test_a_slot_that_no_fixture_uses() -> None:
    levels = bytes([80] * 6 + [0] * 505 + [1])
    for lit, wanted in ((bytes([80] * 6 + [0] * 506), []), (levels, ["stray-levels"])):
        desk = Desk("Desk A", (1,), hz=4, levels=lambda t, lit=lit: lit)  # type: ignore[misc]
        shown = Stage(house_of((1,), fixtures=(par("Par 1", 1),)), desk).run(8.0)
        assert [incident.rule for incident in shown.all] == wanted
    assert "512" in shown.only().summary
    assert shown.alarms() == []


def test_patches_that_collide_run_over_or_are_doubled() -> None:
    fixtures = (par("Par 1", 1), par("Par 2", 6), par("Par 3", 101), par("Par 4", 101), par("Par 5", 508))
    shown = Stage(house_of((1,), fixtures=fixtures), Desk("Desk A", (1,), hz=4, levels=still(0))).run(2.0)
    found = {incident.cause: incident for incident in shown.all}
    assert set(found) == {"overlap", "doubled", "past-end"}
    assert found["doubled"].severity is Severity.NOTE
    assert found["overlap"].fixtures == ("Par 1", "Par 2")
    assert "slot 513" in found["past-end"].summary
    assert "Par 1 and Par 2 share slot 6" in found["overlap"].summary
    assert "Par 3 and Par 4 are doubled at slot 101" in found["doubled"].summary


def test_a_conflict_is_the_one_that_the_check_before_names() -> None:
    """One judgement of the paper for `check` and for the rule, whatever else is on the universe."""
    patches = (
        (par("A", 1), par("B", 1), par("C", 1)),
        (par("A", 1), replace(par("B", 1), accepted_overlap=True)),
        (replace(par("A", 1), accepted_overlap=True), par("B", 1), par("C", 4)),
        (par("A", 3, 3), par("B", 5, 6), par("C", 5, 6), par("D", 9)),
    )
    for fixtures in patches:
        house = house_of((1,), fixtures=fixtures)
        declared = {(CAUSES[one.kind], frozenset(one.fixtures)) for one in conflicts(house) if one.kind in CAUSES}
        raised = find_conflicts(house)
        assert {(cause, frozenset(names)) for cause, _, names in raised} == declared
        assert {cause for cause, _ in declared} <= {"doubled", "overlap"}
