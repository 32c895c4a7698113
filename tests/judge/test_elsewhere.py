"""Two listeners compared: where something is lost, and what must raise nothing."""

from __future__ import annotations

from dataclasses import replace
from uuid import UUID

import msgspec
import pytest

from slotwatch.house.schema import DeclaredSource, Network
from slotwatch.snapshot import Severity
from slotwatch.wire.observation import LinkSeen, ListenerSeen, StreamElsewhere
from tests.judge.elsewhere import STAGE_END, Ear, Heard
from tests.judge.stage import START_NS, WALL_OFFSET_NS, Desk, S, Stage, house_of, moving, opened_after_s
from tests.sweep import swept

HOUSE = house_of((1, 2), listeners=(STAGE_END,))


def desk(**more: object) -> Desk:
    more.setdefault("levels", moving())
    return Desk("Desk A", (1, 2), **more)  # type: ignore[arg-type]


def shown(ear: Ear, here: Desk, until_s: float, house: object = HOUSE) -> Stage:
    stage = Stage(house, here)  # type: ignore[arg-type]
    for t, answer in ear.until(until_s):
        stage.see(t, answer)
    return stage.run(until_s)


def second_only(from_s: float, to_s: float) -> object:
    return lambda universe, index, t: universe == 2 and from_s <= t < to_s


def test_a_universe_that_only_the_other_one_hears_is_lost_between_and_not_lost_at_its_sender() -> None:
    stage = shown(Ear(desk()), desk(drop=second_only(10.0, 20.0)), 15.0)
    incident = stage.only()
    assert (incident.rule, incident.universes) == ("lost-between", ("e131/2",))
    assert incident.severity is Severity.CRITICAL
    # E1.31 6.7.1: lost after 2.5 s; the task set for this comparison is a second more.
    assert 12.5 <= opened_after_s(incident) <= 13.5
    assert incident.explains == (("universe-lost", ("e131/2",)),)
    assert "lost between FOH and stage end since" in incident.summary
    assert incident.summary.endswith("heard at stage end, not at FOH.")
    assert [(one.listener, one.state) for one in incident.heard_elsewhere] == [("stage end", "steady")]
    stage.judge.take_events()


def test_a_universe_that_only_this_one_hears_is_reported_in_the_same_words() -> None:
    ear = Ear(desk(), heard=lambda universe, index, t: universe == 1 or not 10.0 <= t < 20.0)
    incident = shown(ear, desk(), 15.0).only()
    assert (incident.rule, incident.universes) == ("lost-between", ("e131/2",))
    assert 12.5 <= opened_after_s(incident) <= 13.5
    assert incident.summary.endswith("heard at FOH, not at stage end.")
    assert "lost between FOH and stage end since" in incident.summary
    assert [(one.listener, one.state) for one in incident.heard_elsewhere] == [("stage end", "lost")]


def test_what_this_computer_left_by_itself_is_not_lost_on_the_way() -> None:
    """A house file without the universe was loaded: its group is left, and the other listener goes on hearing it."""
    stage = Stage(HOUSE, desk(drop=second_only(10.02, 1e9)))
    for t, answer in Ear(desk()).until(60.0):
        stage.see(t, answer)
    stage.run(10.0)
    without = replace(HOUSE, universes=HOUSE.universes[:1])
    stage.model.take_house(without)
    stage.judge.take_house(without, stage.now_ns)
    stage.model.note_group(0, 2, 0, stage.now_ns)
    assert stage.run(50.0).reported() == []


def test_it_is_over_when_both_hear_it_again() -> None:
    stage = Stage(HOUSE, desk(drop=second_only(10.0, 20.0)))
    for t, answer in Ear(desk()).until(45.0):
        stage.see(t, answer)
    stage.run(45.0)
    assert stage.reported() == [("lost-between", "way-between")]
    assert stage.all[0].closed_ns is not None


def test_a_desk_that_dies_is_no_loss_between() -> None:
    stage = shown(Ear(desk(to_s=10.0)), desk(to_s=10.0), 20.0)
    assert [rule for rule, _ in stage.reported()] == ["universe-lost"]
    (incident,) = stage.all
    assert [(one.listener, one.state) for one in incident.heard_elsewhere] == [("stage end", "lost")]
    assert 'It stopped at the listener "stage end" too.' in incident.evidence


@pytest.mark.parametrize("to_s", swept([9.99, 10.2, 10.36, 10.38, 10.6, 10.9], every=3))
@pytest.mark.parametrize("skew_s", [0.0, 0.02])
def test_nor_at_any_moment_between_two_requests(to_s: float, skew_s: float) -> None:
    stage = shown(Ear(desk(to_s=to_s), skew_s=skew_s), desk(to_s=to_s), 20.0)
    assert [rule for rule, _ in stage.reported()] == ["universe-lost"]


def test_a_blind_listener_is_no_silence() -> None:
    ear = Ear(desk(), heard=lambda universe, index, t: t < 10.0, judged=lambda t: t < 10.0)
    assert shown(ear, desk(), 30.0).reported() == []


def test_a_link_that_is_down_here_is_this_listeners_own_fault() -> None:
    stage = Stage(HOUSE, desk(drop=lambda universe, index, t: 10.0 <= t < 20.0))
    for t, answer in Ear(desk()).until(20.0):
        stage.see(t, answer)
    stage.see(10.0, LinkSeen(START_NS + 10 * S, 0, False, (), "eth1"))
    assert stage.run(19.0).reported() == [("link-down", "carrier")]


@pytest.mark.parametrize("from_s", [3.0, 8.21])
def test_different_starts_wrapped_sequences_and_skew_raise_nothing(from_s: float) -> None:
    # 40 Hz for 40 s: each sequence wraps six times.
    stage = shown(Ear(desk(), from_s=from_s, skew_s=0.02), desk(), 40.0)
    assert stage.reported() == []


def test_a_restart_of_the_other_one_raises_nothing() -> None:
    stage = Stage(HOUSE, desk())
    away = Ear(desk(), reached=lambda t: not 12.0 <= t < 15.0).until(15.0)
    for t, answer in [*away, *Ear(desk(), from_s=15.0).until(40.0)]:
        stage.see(t, answer)
    assert stage.run(40.0).reported() == []


def test_an_answer_that_grows_old_is_no_evidence() -> None:
    ear = Ear(desk(), reached=lambda t: t < 10.0)
    stage = shown(ear, desk(drop=second_only(10.0, 40.0)), 20.0)
    assert [rule for rule, _ in stage.reported()] == ["universe-lost"]
    assert stage.all[0].heard_elsewhere == ()


def lossy(universe: int, index: int, t: float) -> bool:
    """Two frames of each hundred: 2 %."""
    return t >= 10.0 and index % 50 == 7


def test_two_percent_that_only_one_misses_are_lost_between() -> None:
    stage = shown(Ear(desk(), heard=lambda *frame: not lossy(*frame)), desk(), 30.0)
    assert [rule for rule, _ in stage.reported()] == ["loss-between"]
    (incident,) = stage.all
    assert (incident.severity, incident.universes) == (Severity.WARNING, ("e131/1", "e131/2"))
    assert 10.0 < opened_after_s(incident) <= 25.0
    assert "stage end misses" in incident.summary
    assert "lost between FOH and stage end" in incident.summary


def test_what_is_lost_between_lasted_as_long_as_frames_were_missing() -> None:
    """For 12 s, and not for the window of 10 s before and after that too."""
    ear = Ear(desk(), heard=lambda universe, index, t: not (20.0 <= t < 32.0 and index % 25 == 7))
    (incident,) = shown(ear, desk(), 70.0).all
    assert incident.rule == "loss-between" and incident.closed_ns is not None and incident.returned_ns is not None
    # The other one is asked once a second, and the answers are compared once a second.
    assert 18.0 <= (incident.began_ns - START_NS) / S <= 20.7
    assert 31.0 <= (incident.returned_ns - START_NS) / S <= 34.0
    assert all(line.startswith("e131/") for line in incident.evidence if "missing by sequence" in line)


def test_the_same_when_it_is_this_one_and_packet_loss_is_part_of_it() -> None:
    stage = shown(Ear(desk()), desk(drop=lossy), 30.0)
    opened = [one for one in stage.all if one.closed_ns is None]
    assert [one.rule for one in opened] == ["loss-between"]
    assert "FOH misses" in opened[0].summary


@pytest.mark.parametrize("every_s", [1.0, 2.0, 2.9, 3.6])
def test_loss_between_does_not_come_and_go_where_answers_are_slow(every_s: float) -> None:
    """Each eleventh frame is missing all the time, whenever the other one answers (common practice, no source)."""
    ear = Ear(desk(), heard=lambda universe, index, t: t < 10.0 or index % 11 != 7, every_s=every_s)
    incident = shown(ear, desk(), 80.0).only()
    assert (incident.rule, incident.flaps, incident.returned_ns) == ("loss-between", 0, None)


@pytest.mark.parametrize("unknown", ["blind", "away"])
def test_nor_where_the_other_one_is_not_known_for_a_while(unknown: str) -> None:
    gap = {"judged" if unknown == "blind" else "reached": lambda t: not 30.0 <= t < 44.0}
    ear = Ear(desk(), heard=lambda universe, index, t: t < 10.0 or index % 11 != 7, **gap)
    incident = shown(ear, desk(), 80.0).only()
    assert (incident.rule, incident.flaps, incident.returned_ns) == ("loss-between", 0, None)


def test_an_other_listener_that_stays_away_keeps_no_loss_between_open() -> None:
    """Its last figures say nothing of now; what is missing here is packet loss by itself then."""
    ear = Ear(desk(), reached=lambda t: t < 30.0)
    stage = shown(ear, desk(drop=lambda universe, index, t: t >= 10.0 and index % 11 == 7), 90.0)
    found = {one.rule: one.closed_ns for one in stage.all}
    assert found["loss-between"] is not None
    assert found["listener-silent"] is None and found["packet-loss"] is None


def test_a_listener_that_the_house_file_no_longer_declares_ends_a_loss_between() -> None:
    """Another one still is declared, so the rule goes on; what was counted at the first is forgotten."""
    foyer = replace(STAGE_END, name="foyer")
    stage = Stage(replace(HOUSE, listeners=(STAGE_END, foyer)), desk())
    for t, answer in Ear(desk(), heard=lambda universe, index, t: t < 5.0 or index % 11 != 7).until(45.0):
        stage.see(t, answer)
    assert stage.run(25.0).rule("loss-between").closed_ns is None
    without = replace(HOUSE, listeners=(foyer,))
    stage.model.take_house(without)
    stage.judge.take_house(without, stage.now_ns)
    assert stage.run(45.0).rule("loss-between").closed_ns is not None


def test_what_both_miss_alike_is_lost_before_them() -> None:
    def heard(universe: int, index: int, t: float) -> bool:
        return not lossy(universe, index, t)

    stage = shown(Ear(desk(), heard=heard), desk(drop=lossy), 30.0)
    assert "loss-between" not in [rule for rule, _ in stage.reported()]


def test_a_listener_that_is_not_reached_is_a_note_after_thirty_seconds() -> None:
    stage = shown(Ear(desk(), reached=lambda t: not 5.0 <= t < 50.0), desk(), 48.0)
    incident = stage.only()
    assert (incident.rule, incident.severity) == ("listener-silent", Severity.NOTE)
    assert 34.3 <= opened_after_s(incident) <= 36.5
    assert "no answer within 2 s" in incident.summary


def test_a_listener_that_nobody_asked_is_not_silent() -> None:
    """In a replay there is nobody to ask."""
    assert Stage(HOUSE, desk()).run(60.0).reported() == []


def test_incidents_say_what_another_listener_never_heard() -> None:
    stage = shown(Ear(), desk(to_s=10.0), 20.0)
    (incident,) = stage.all
    (there,) = incident.heard_elsewhere
    assert (there.listener, there.state, there.last_frame_age_s) == ("stage end", "not-visible", None)
    assert [(one.universe, one.goes_on, one.last_wall_ns) for one in there.universes] == [
        ("e131/1", False, 0),
        ("e131/2", False, 0),
    ]


def test_an_incident_gives_each_universe_at_the_other_listener_with_its_page() -> None:
    """Times are this computer's wall clock, by ages that the other side measured: no clock is shared."""
    one = desk(to_s=10.0)
    stage = shown(Ear(one), one, 20.0)
    (incident,) = stage.all
    (there,) = incident.heard_elsewhere
    assert there.url == "http://10.20.0.6:8580"
    first = there.universes[0]
    assert (first.universe, first.goes_on) == ("e131/1", False)
    # Its last frame is that of the desk, 10 s after the start, to within a frame and the rounding of an age.
    assert abs(first.last_wall_ns - (START_NS + WALL_OFFSET_NS + 10 * S)) < 0.2 * S
    assert first.last_wall_ns < there.asked_wall_ns


def held_up(from_s: float) -> Desk:
    """The desk as it arrives by a path that holds frames back: a gap of 150 ms each second, none of them missing."""

    def pauses(universe: int, index: int, t: float) -> bool:
        return t >= from_s and t % 1.0 < 0.15

    def numbers(universe: int, index: int) -> int:
        sent = index / 40.0
        return index - sum(1 for n in range(index + 1) if pauses(universe, n, n / 40.0)) if sent >= from_s else index

    return desk(drop=pauses, sequence_of=numbers)


def test_a_stutter_that_the_other_listener_does_not_see_arises_on_the_path_between() -> None:
    incident = shown(Ear(desk()), held_up(8.0), 20.0).only()
    assert (incident.rule, incident.cause) == ("uneven-refresh", "way-between")
    assert "They are delayed between FOH and stage end." in incident.summary
    assert "At stage end the same stream has no gap over 100 ms." in " ".join(incident.evidence)


def test_a_stutter_that_both_see_is_the_senders() -> None:
    incident = shown(Ear(held_up(8.0)), held_up(8.0), 20.0).only()
    assert (incident.rule, incident.cause) == ("uneven-refresh", "sender-paused")
    assert "At stage end the same stream has gaps of up to" in " ".join(incident.evidence)


def test_before_the_other_listeners_figures_hold_the_stutter_no_side_is_blamed() -> None:
    incident = shown(Ear(desk()), held_up(8.0), 11.5).only()
    assert (incident.rule, incident.cause) == ("uneven-refresh", "")
    assert "Its sender pauses, or the path delays them." in incident.summary


def test_two_listeners_that_hear_the_same_sources_may_choose_between_equal_priorities() -> None:
    """The choice there is the other one. Both hear both, so no path is at fault."""
    other = Desk("Desk B", (1, 2), address="10.0.0.2", number=2, levels=moving())
    stage = Stage(HOUSE, desk(), other)
    for t, answer in Ear(desk(), other).until(20.0):
        assert answer.streams is not None
        chosen = tuple(
            msgspec.structs.replace(one, wins=one.source == str(UUID(bytes=other.cid))) for one in answer.streams
        )
        stage.see(t, replace(answer, streams=chosen))
    assert "winners-differ" not in [rule for rule, _ in stage.run(20.0).reported()]


TWO = (
    DeclaredSource("main desk", address="10.0.0.1"),
    DeclaredSource("backup desk", address="10.0.0.2", role="backup"),
)
WITH_BACKUP = house_of((1, 2), sources=TWO, by=("main desk", "backup desk"), listeners=(STAGE_END,))


def two_desks(**of_main: object) -> list[Desk]:
    backup = Desk("Desk B", (1, 2), address="10.0.0.2", number=2, priority=50, levels=moving())
    return [desk(address="10.0.0.1", **of_main), backup]


def both_shown(there: list[Desk], here: list[Desk], until_s: float) -> Stage:
    stage = Stage(WITH_BACKUP, *here)
    for t, answer in Ear(*there).until(until_s):
        stage.see(t, answer)
    return stage.run(until_s)


def test_a_main_that_dies_is_not_heard_elsewhere_because_its_backup_is() -> None:
    incident = both_shown(two_desks(to_s=10.0), two_desks(to_s=10.0), 25.0).only()
    assert (incident.rule, incident.cause) == ("source-absent", "source-lost")
    assert not any("still heard" in line for line in incident.evidence)
    assert "It stopped at stage end too." in incident.evidence


def test_a_main_that_only_the_other_one_hears_did_not_fall_silent_itself() -> None:
    lost_here = two_desks(drop=lambda universe, index, t: 10.0 <= t < 25.0)
    incident = both_shown(two_desks(), lost_here, 22.0).only()
    assert (incident.rule, incident.cause) == ("source-absent", "path-or-sender")
    assert "It is still heard at stage end, so it sends: it is lost on the path between stage end and FOH." in (
        incident.summary
    )
    assert "went completely silent" not in incident.summary
    assert not any("screen" in check for check in incident.next_checks)


def test_what_a_listener_hears_counts_although_it_is_blind_for_silence() -> None:
    ear = Ear(desk(), judged=lambda t: not 14.0 <= t < 20.0)
    stage = shown(ear, desk(drop=second_only(10.0, 25.0)), 24.0)
    incident = stage.only()
    assert (incident.rule, incident.returned_ns) == ("lost-between", None)
    assert [one.state for one in incident.heard_elsewhere] == ["steady"]


@pytest.mark.parametrize("unknown", ["blind", "away"])
def test_what_nobody_can_know_is_no_good_end(unknown: str) -> None:
    """The other one is blind or away for a while; it hears the universe again only after that."""
    gap = {"judged" if unknown == "blind" else "reached": lambda t: not 15.0 <= t < 25.0}
    ear = Ear(desk(), heard=lambda universe, index, t: universe == 1 or not 10.0 <= t < 35.0, **gap)
    stage = shown(ear, desk(), 60.0)
    incident = stage.only()
    assert incident.rule == "lost-between"
    assert incident.returned_ns is not None and 35.0 <= (incident.returned_ns - START_NS) / S <= 36.5


def test_nor_is_a_restart_of_the_one_that_heard_nothing() -> None:
    heard = {"heard": lambda universe, index, t: universe == 1 or not 10.0 <= t < 45.0}
    away = Ear(desk(), **heard, reached=lambda t: t < 20.0).until(25.0)
    stage = Stage(HOUSE, desk())
    for t, answer in [*away, *Ear(desk(), **heard, from_s=25.0).until(70.0)]:
        stage.see(t, answer)
    incident = stage.run(70.0).only()
    assert incident.rule == "lost-between"
    assert incident.returned_ns is not None and 45.0 <= (incident.returned_ns - START_NS) / S <= 46.5


def test_an_other_listener_that_stays_away_keeps_nothing_open() -> None:
    ear = Ear(desk(), heard=lambda universe, index, t: universe == 1 or t < 10.0, reached=lambda t: t < 20.0)
    stage = shown(ear, desk(), 80.0)
    found = {one.rule: one.closed_ns for one in stage.all}
    assert found.keys() == {"lost-between", "listener-silent"}
    assert found["lost-between"] is not None and found["listener-silent"] is None


def test_what_is_lost_both_ways_is_the_way_and_no_port_alone() -> None:
    here, there = (
        desk(drop=second_only(10.0, 30.0)),
        Ear(desk(), heard=lambda universe, index, t: universe == 2 or t < 10.0),
    )
    stage = shown(there, here, 25.0)
    assert sorted(one.universes for one in stage.all) == [("e131/1",), ("e131/2",)]
    for incident in stage.all:
        assert incident.rule == "lost-between" and incident.also_possible == ()
        assert any(line.startswith("In the other direction, from ") for line in incident.evidence)
        assert not any("heard at both" in line for line in incident.still_working)


@pytest.mark.parametrize("back_s", swept([20.0, 20.2, 20.36, 20.38, 20.6, 20.9], every=3))
def test_a_desk_that_comes_back_is_not_lost_where_the_last_answer_is_from_before(back_s: float) -> None:
    """Both lost it and both hear it again. E1.31 6.7.1: only 2.5 s of silence beside data would be a loss."""
    one = desk(drop=lambda universe, index, t: 10.0 <= t < back_s)
    stage = shown(Ear(one), one, 40.0)
    assert [rule for rule, _ in stage.reported()] == ["universe-lost"]


def test_a_universe_that_comes_back_here_only_is_lost_between_a_loss_timeout_later() -> None:
    one = desk(drop=lambda universe, index, t: 10.0 <= t < 20.0)
    stage = shown(Ear(one, heard=lambda universe, index, t: universe == 1 or t < 10.0), one, 40.0)
    (incident,) = (each for each in stage.all if each.rule == "lost-between")
    assert incident.universes == ("e131/2",)
    assert 22.5 <= opened_after_s(incident) <= 23.8


TWO = replace(
    HOUSE,
    networks=(Network("A", "eth1"), Network("B", "eth2")),
    universes=tuple(
        replace(one, networks=(0, 1), sources=("main desk", "spare desk")) for one in HOUSE.universes
    ),
    sources=(
        DeclaredSource("main desk", cid=b"m" * 16),
        DeclaredSource("spare desk", cid=b"s" * 16, role="backup"),
    ),
)  # fmt: skip


def stands(t: float) -> bool:
    return True


def until_ten(t: float) -> bool:
    return t < 10.0


def of_two(here: Heard, there: Heard, names: tuple[str, str] = ("A", "B")) -> Stage:
    """A desk and its backup on two networks; when this listener and the other one hear the desk's leg on A."""
    stage, answers = Stage(TWO), dict[float, tuple[StreamElsewhere, ...]]()
    for network, name in enumerate(names):
        for cid, priority in ((b"m" * 16, 100), (b"s" * 16, 50)):
            is_leg = network == 0 and priority == 100
            sent = desk(cid=cid, priority=priority, address=f"10.{network}.0.{priority}", network=network)
            ear = Ear(sent, heard=lambda u, i, t, on=there if is_leg else stands: on(t), network=name)
            for t, answer in ear.until(16.0):
                answers[t] = (*answers.get(t, ()), *(answer.streams or ()))
            stage.senders.append(replace(sent, drop=lambda u, i, t, on=here if is_leg else stands: not on(t)))
    for t, streams in answers.items():
        stage.see(t, ListenerSeen(START_NS + round((t - 0.03) * S), "stage end", True, "", streams))
    return stage.run(16.0)


@pytest.mark.parametrize("names", [("A", "B"), ("FOH A", "B")])
def test_what_another_listener_hears_on_another_network_is_no_sign_of_a_leg(names: tuple[str, str]) -> None:
    """The desk's own lead on A is out: nobody hears it there, and both hear its other leg."""
    (incident,) = of_two(until_ten, until_ten, names).all
    assert (incident.rule, incident.cause) == ("source-absent", "leg-lost")
    assert "lead on network A down, network B continues" in incident.summary


def test_a_leg_that_another_listener_hears_on_the_same_network_is_lost_between_both() -> None:
    (incident,) = of_two(until_ten, stands).all
    assert (incident.rule, incident.cause) == ("source-absent", "path-or-sender")
    assert "It is still heard at stage end" in incident.summary
