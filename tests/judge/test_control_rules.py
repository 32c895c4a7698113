"""Who is in control: each rule just under, just over, and the healthy case that looks like it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest

from slotwatch.house.schema import DeclaredSource
from slotwatch.snapshot import Severity
from tests.judge.stage import (
    START_NS,
    Desk,
    Levels,
    Node,
    Packet,
    Plain,
    S,
    Stage,
    e131,
    group_of,
    house_of,
    opened_after_s,
    still,
)

HZ = 10.0
A = DeclaredSource("main desk", address="10.0.0.1", priority=100)
B = DeclaredSource("spare desk", address="10.0.0.2", role="backup", priority=100)
BY = ("main desk", "spare desk")


def look(value: int, shift_s: float = 0.0) -> Levels:
    """A look that moves at every frame; `shift_s` later than another."""
    return lambda t: bytes([(value + round((t - shift_s) * HZ) * 6) % 200]) * 512


def desk(number: int = 1, **more: object) -> Desk:
    more.setdefault("levels", still(100))
    more.setdefault("hz", HZ)
    more.setdefault("universes", (1,))
    name = "ABC"[number - 1]
    return Desk(f"Desk {name}", address=f"10.0.0.{number}", number=number, **more)  # type: ignore[arg-type]


def stage(*senders: object, **more: object) -> Stage:
    universes = more.pop("universes", (1,))
    return Stage(house_of(universes, min_refresh_hz=5, **more), *senders)  # type: ignore[arg-type]


# --- source-conflict ----------------------------------------------------------------------------------


def test_two_sources_with_different_levels_for_five_seconds_are_a_conflict() -> None:
    shown = stage(desk(), desk(2, levels=still(50), from_s=4.0)).run(12.0)
    incident = shown.only()
    assert (incident.rule, incident.severity) == ("source-conflict", Severity.CRITICAL)
    assert 8.9 <= opened_after_s(incident) <= 9.2
    assert incident.sources == ("Desk A", "Desk B")
    assert "512 slots" in incident.summary


def test_a_hand_over_of_under_five_seconds_is_none() -> None:
    shown = stage(desk(to_s=8.7, terminate=True), desk(2, levels=still(50), from_s=4.0)).run(20.0)
    assert shown.all == []


def test_sources_in_step_are_no_conflict() -> None:
    """Same levels, moving, the second 100 ms behind."""
    second = desk(2, levels=look(0, 0.1))
    assert stage(desk(levels=look(0)), second).run(15.0).all == []


def test_shared_universes_and_lower_priorities_are_no_conflict() -> None:
    assert stage(desk(), desk(2, levels=still(50)), shared=True).run(12.0).all == []
    assert stage(desk(), desk(2, levels=still(50), priority=90)).run(12.0).all == []


def test_the_lowest_priority_is_below_the_next_one_and_equal_to_itself() -> None:
    """E1.31 6.2.3: priorities are 0 to 200, and the highest owns the universe."""
    below = stage(desk(priority=0), desk(2, levels=still(50), priority=1)).run(12.0)
    assert below.all == []
    equal = stage(desk(priority=0), desk(2, levels=still(50), priority=0)).run(12.0)
    assert equal.only().rule == "source-conflict"
    assert "at priority 0" in equal.only().summary


def test_two_artnet_addresses_with_different_levels_are_a_conflict() -> None:
    first = Node((0,), levels=still(10), keep_alive_s=1.0)
    second = Node((0,), address="10.0.0.51", levels=still(90), keep_alive_s=1.0, from_s=2.0)
    shown = stage(first, second, universes=(), artnet=(0,)).run(12.0)
    assert shown.only().rule == "source-conflict"


# --- backups ------------------------------------------------------------------------------------------


def test_a_backup_in_step_and_a_silent_one_are_healthy() -> None:
    in_step = stage(desk(levels=look(0)), desk(2, levels=look(0, 0.1), priority=90), sources=(A, B), by=BY)
    assert in_step.run(15.0).all == []
    silent = replace(B, standby="silent")
    assert stage(desk(levels=look(0)), sources=(A, silent), by=BY).run(15.0).all == []


def test_a_backup_that_differs_for_ten_seconds() -> None:
    def differs(seconds: float) -> Stage:
        other = lambda t: bytes([100 if t < 4 or t > 4 + seconds else 140]) * 512  # noqa: E731
        return stage(desk(), desk(2, levels=other, priority=90), sources=(A, B), by=BY).run(25.0)

    assert differs(9.8).all == []
    incident = differs(10.2).only()
    assert (incident.rule, incident.severity) == ("backup-differs", Severity.WARNING)
    assert incident.sources == ("spare desk",)


@pytest.mark.parametrize(("behind_s", "rules"), [(0.175, []), (0.4, ["backup-differs"])])
def test_a_backup_behind_levels_that_move_all_the_time(behind_s: float, rules: list[str]) -> None:
    """Every slot rises by 5 a frame at 40 Hz and falls to zero at 250: 200 ms of lag are allowed, 400 are not."""

    def ramp(t: float) -> bytes:
        return bytes([round(max(0.0, t) * 40) * 5 % 250]) * 512

    late = desk(2, levels=lambda t: ramp(t - behind_s), priority=90, hz=40.0)
    shown = stage(desk(levels=ramp, hz=40.0), late, sources=(A, B), by=BY).run(14.0)
    assert [incident.rule for incident in shown.all] == rules


def test_a_backup_within_five_percent_is_in_step() -> None:
    """5 % of 255 is 12.75."""
    for value, rule in ((112, []), (113, ["backup-differs"])):
        shown = stage(desk(), desk(2, levels=still(value), priority=90), sources=(A, B), by=BY).run(14.0)
        assert [incident.rule for incident in shown.all] == rule


def test_a_backup_that_never_came_and_one_that_fell_silent() -> None:
    never = stage(desk(), sources=(A, B), by=BY).run(9.9)
    assert never.all == []
    incident = never.run(10.2).only()
    assert (incident.rule, incident.severity) == ("backup-absent", Severity.WARNING)
    assert "never came" in incident.summary
    gone = stage(desk(), desk(2, priority=90, to_s=6.0), sources=(A, B), by=BY)
    assert gone.run(8.3).all == []
    assert gone.run(9.0).only().rule == "backup-absent"


def test_a_backup_that_takes_over_one_step_higher_is_in_control() -> None:
    shown = stage(desk(), desk(2, priority=101, from_s=4.0), sources=(A, replace(B, priority=None)), by=BY)
    assert shown.run(8.8).all == []
    incident = shown.run(9.3).only()
    assert (incident.rule, incident.cause) == ("backup-in-control", "main-outranked")
    assert "main desk" in incident.summary


def pulse(shift_s: float = 0.0) -> Levels:
    """All slots rise and fall together in 2 s: each level comes twice, on the way up and on the way down."""
    return lambda t: bytes([round(20 + 200 * abs((t - shift_s) % 2.0 - 1.0))]) * 512


def test_an_echo_of_levels_that_go_there_and_back_is_found() -> None:
    """Where a pulse turns, the same levels come from the original again just after their copy: no lead of the copy."""
    original, copy = desk(hz=40.0, levels=pulse()), desk(2, hz=40.0, levels=pulse(0.05), from_s=4.0)
    incident = stage(original, copy, sources=(A,), by=("main desk",)).run(14.0).only()
    assert incident.rule == "echoed-universe"
    assert "50 ms late" in incident.summary


def test_a_stranger_that_leads_in_levels_that_go_there_and_back_is_no_echo() -> None:
    original, ahead = desk(hz=40.0, levels=pulse()), desk(2, hz=40.0, levels=pulse(-0.05), from_s=4.0)
    raised = {one.rule for one in stage(original, ahead, sources=(A,), by=("main desk",)).run(14.0).all}
    assert "echoed-universe" not in raised
    assert raised


def test_a_main_that_comes_back_under_a_backup_is_not_said_to_be_silent() -> None:
    """E1.31 6.2.3: at priority 100 the main has no effect beside 101. It was away from 6 s to 20 s."""
    main = desk(to_s=6.0), desk(from_s=20.0)
    backup = desk(2, priority=90, to_s=8.0), desk(2, priority=101, from_s=8.0)
    shown = stage(*main, *backup, sources=(A, replace(B, priority=None)), by=BY).run(40.0)
    incident = shown.rule("backup-in-control")
    assert incident.closed_ns is None
    assert incident.cause == "main-outranked"
    assert "still sends, at priority 100: it has no effect." in incident.summary
    assert "No main source" not in incident.summary


def test_an_echo_at_a_higher_priority_is_in_control_and_does_not_hold_levels_up() -> None:
    """E1.31 6.2.3: receivers follow the higher priority alone, so nothing is merged."""
    original, copy = desk(levels=look(0)), desk(3, priority=120, from_s=4.0, levels=look(0, 0.1))
    found = stage(original, copy, sources=(A,), by=("main desk",)).run(14.0).rule("echoed-universe")
    assert 'are in control, at priority 120 above 100 of "main desk" (10.0.0.1).' in found.summary
    assert "hold levels up" not in found.summary


# --- strangers ----------------------------------------------------------------------------------------


def test_a_stranger_is_unexpected_and_the_sentence_says_what_it_does() -> None:
    shown = stage(desk(), desk(3, priority=150, from_s=4.0), sources=(A, B), by=("main desk",)).run(8.0)
    incident = shown.only()
    assert (incident.rule, incident.cause) == ("unexpected-source", "undeclared")
    taken = 'It is in control. At priority 150 it takes 512 slots of e131/1 from "main desk" (10.0.0.1).'
    assert taken in incident.summary
    assert "10.0.0.3" in incident.summary
    assert incident.controlled_by == (("e131/1", "a stranger"),)
    assert opened_after_s(incident) <= 5.4


SET_UP_ANEW = "Look at main desk: was it set up anew, with another CID? Then correct the house file."


def test_a_stranger_with_the_name_and_address_of_a_declared_source_may_be_that_one_set_up_anew() -> None:
    """Common practice, no source: a show computer that is installed anew has a new CID and keeps its address."""
    known = DeclaredSource("main desk", cid=bytes(16), address="10.0.0.3", source_name="Desk C")
    incident = stage(desk(3), sources=(known, B), by=("main desk",)).run(8.0).only()
    assert incident.rule == "unexpected-source"
    assert incident.evidence[1] == (
        'It has the address and name of "main desk" in the house file, and another CID. '
        '"main desk" itself is not heard.'
    )
    assert incident.next_checks[0] == SET_UP_ANEW


@pytest.mark.parametrize("options", [0, 0x80], ids=["live", "preview"])
def test_nobody_is_asked_whether_a_desk_that_sends_was_set_up_anew(options: int) -> None:
    """ANSI E1.31-2018 6.2.6: preview data (bit 7) is not for live output."""
    named = replace(A, source_name="Desk A")
    twin = replace(desk(3, priority=90), name="Desk A")
    incident = stage(desk(options=options), twin, sources=(named, B), by=("main desk",)).run(8.0).only()
    assert 'It has the name of "main desk" in the house file, and another address.' in incident.evidence
    assert incident.next_checks[0] == "Find out who it is: name and address are in the evidence."


def test_a_universe_number_that_is_not_allowed_sends_to_the_numbers_of_its_sender() -> None:
    """ANSI E1.31-2018 6.2.7: universe numbers go from 1 to 63999."""
    packets = [
        Packet(4.0 + n / HZ, e131(64000, n, bytes(512), cid=bytes(16), name="Desk A"), "10.0.0.1", group_of(1))
        for n in range(40)
    ]
    found = stage(desk(), Plain(packets), sources=(A, B), by=("main desk",)).run(8.0).rule("malformed-packets")
    assert found.summary.startswith('10.0.0.1, the address of "main desk", sends packets that no protocol accepts')
    assert found.next_checks[0] == "Look at its universe numbers and sync addresses: E1.31 allows 1 to 63999."


def test_a_stranger_that_takes_several_universes_is_said_to_take_each() -> None:
    """E1.31 6.2.3: the higher priority wins, universe by universe."""
    both = (1, 2)
    shown = stage(
        desk(universes=both),
        desk(3, priority=150, from_s=4.0, universes=both),
        sources=(A, B),
        by=("main desk",),
        universes=both,
    )
    summary = shown.run(8.0).only().summary
    assert (
        'At priority 150 it takes 512 slots each of universes e131/1 and e131/2 from "main desk" (10.0.0.1).' in summary
    )


def test_what_a_stranger_does_is_said_within_a_second_of_its_change() -> None:
    """The main desk falls silent at 12 s, and its universe is the stranger's alone 2.5 s later (E1.31 6.7.1)."""
    stranger = desk(3, priority=90, from_s=4.0)
    shown = stage(desk(to_s=12.0), stranger, sources=(A, B), by=("main desk",)).run(10.0)
    assert "It has no effect now" in shown.rule("unexpected-source").summary
    assert shown.rule("unexpected-source").controlled_by == ()
    assert "It is in control." in shown.run(15.8).rule("unexpected-source").summary
    assert shown.rule("unexpected-source").controlled_by == (("e131/1", "a stranger"),)


def test_who_fights_over_a_universe_is_in_control_of_it_together() -> None:
    """Of equal priority receivers merge as they please (ANSI E1.31-2018 6.2.3). What is over controls nothing."""
    rival = desk(3, from_s=4.0, to_s=20.0, levels=still(200), terminate=True)
    shown = stage(desk(), rival, sources=(A,), by=("main desk",)).run(14.0)
    assert shown.rule("source-conflict").controlled_by == (("e131/1", "several sources"),)
    shown.run(23.0)
    assert all(one.controlled_by == () for one in shown.all)


def test_numbers_of_a_backup_that_stand_hide_no_conflict_of_others() -> None:
    """Receivers discard what has the number before (ANSI E1.31-2018 6.7.2): of the backup, not of those that fight."""
    spare = desk(2, priority=90, sequence_of=lambda universe, index: min(index, 140))
    shown = stage(desk(), spare, desk(3, from_s=4.0, levels=still(200)), sources=(A, B), by=BY).run(24.0)
    assert {one.rule for one in shown.open} == {"source-conflict", "sequence-unusable"}


def test_a_stranger_that_fights_no_longer_is_not_named_by_what_is_left_of_the_conflict() -> None:
    """From 14 s on both strangers send what the main desk sends."""
    levels = (lambda t: still(200 if t < 14.0 else 100)(t), lambda t: still(50 if t < 14.0 else 100)(t))
    strangers = [desk(number, from_s=4.0, levels=levels[number - 2]) for number in (2, 3)]
    shown = stage(desk(), *strangers, sources=(A,), by=("main desk",)).run(12.0)
    assert set(shown.rule("source-conflict").sources) == {"main desk", "Desk B", "Desk C"}
    shown.run(24.0)
    assert sorted((one.rule, one.sources) for one in shown.open) == [
        ("unexpected-source", ("Desk B",)),
        ("unexpected-source", ("Desk C",)),
    ]


def test_a_declared_source_above_its_priority_is_unexpected() -> None:
    shown = stage(desk(priority=101), sources=(A,), by=("main desk",)).run(6.0)
    assert (shown.only().rule, shown.only().cause) == ("unexpected-source", "priority")
    assert shown.only().controlled_by == ()  # no other source sends
    assert stage(desk(priority=100), sources=(A,), by=("main desk",)).run(6.0).all == []


def test_anyone_may_send_where_nobody_is_named() -> None:
    assert stage(desk(), sources=(A,)).run(6.0).all == []


def test_an_undeclared_universe_is_a_note_that_names_its_likely_relative() -> None:
    shown = stage(desk(universes=(13,), dst=lambda universe: "10.0.0.200"), universes=(12,)).run(12.0)
    note = shown.rule("undeclared-universe")
    assert note.severity is Severity.NOTE
    assert "e131/12" in note.summary
    missing = shown.rule("universe-missing")
    assert "e131/13" in missing.summary
    assert "counts from 0" in missing.summary


def test_a_name_that_comes_back_with_another_identity_is_a_note() -> None:
    first = desk(to_s=8.0)
    again = desk(from_s=8.5, cid=b"\x77" * 16)
    shown = stage(first, again, sources=(replace(A, source_name="Desk A", address=None),), by=("main desk",))
    shown.run(20.0)
    assert [incident.rule for incident in shown.all] == ["identity-changed"]
    assert shown.alarms() == []


@pytest.mark.parametrize(("since_s", "rules"), [(0.0, []), (8.0, ["identity-changed"])])
def test_a_desk_that_sends_from_two_addresses_has_not_moved_when_one_ends(since_s: float, rules: list[str]) -> None:
    """ANSI E1.31-2018 9.1: one packet may come by IPv4 and IPv6, and counts once."""
    first = desk(to_s=8.0)
    other = replace(first, address="10.0.0.9", from_s=since_s, to_s=1e9)
    shown = stage(first, other, sources=(replace(A, source_name="Desk A", address=None),)).run(20.0)
    assert [incident.rule for incident in shown.all] == rules


def test_a_visualiser_with_the_name_of_a_desk_is_no_predecessor_of_it() -> None:
    """It sends preview data alone, beside the desk: it was never the desk, however late the desk is switched on."""
    blind, spare = desk(options=0x80, cid=b"\x77" * 16, to_s=5.0), desk(2, priority=90, to_s=7.0)
    sources = (replace(A, source_name="Desk A", address=None), B)
    shown = stage(blind, desk(from_s=4.0), spare, sources=sources, by=BY).run(12.0)
    assert [incident for incident in shown.all if incident.rule == "identity-changed"] == []


# --- one identity from two machines -------------------------------------------------------------------


def clones(seconds: float, sequence: Callable[[int, int], int]) -> Stage:
    clone = replace(desk(), address="10.0.0.9", from_s=4.0, to_s=4.0 + seconds, sequence_of=sequence, phase_s=0.03)
    return stage(desk(), clone).run(4.0 + seconds + 0.4)


def test_one_identity_with_two_series_for_five_seconds() -> None:
    incident = clones(6.0, lambda universe, index: index + 100).only()
    assert (incident.rule, incident.severity) == ("duplicate-identity", Severity.CRITICAL)
    assert "10.0.0.1" in incident.summary
    assert "10.0.0.9" in incident.summary
    assert 8.9 <= opened_after_s(incident) <= 9.4


def test_a_cloned_identity_hides_no_stranger_on_its_universe() -> None:
    """The stranger is another machine, and in control: the clone does not account for it."""
    clone = desk(1, from_s=3.0)
    clone.address, clone.sequence_of = "10.0.0.9", lambda universe, index: index + 77
    stranger = desk(3, priority=150, from_s=15.0)
    shown = stage(desk(), clone, stranger, sources=(replace(A, address=None, cid=desk().cid),), by=("main desk",)).run(
        25.0
    )
    found = {incident.rule: incident.sources for incident in shown.alarms()}
    assert found["unexpected-source"] == ("Desk C",) and "duplicate-identity" in found


def test_a_stranger_that_joins_the_conflict_of_two_others_is_named() -> None:
    """Two declared desks fight, and somebody sends what one of them sends: who takes the other out has it still."""
    main, lights = desk(), desk(2, levels=still(50), from_s=4.0)
    stranger = desk(3, from_s=14.0)
    both = (A, replace(B, role="main"))
    shown = stage(main, lights, stranger, sources=both, by=BY).run(24.0)
    found = {one.rule: one.sources for one in shown.alarms()}
    assert found == {"source-conflict": ("main desk", "spare desk"), "unexpected-source": ("Desk C",)}


def test_frames_that_are_lost_on_the_way_of_a_cloned_identity_are_reported_beside_it() -> None:
    """Series are kept by address, so a clone makes none of them look incomplete."""
    clone = desk(1, from_s=3.0)
    clone.address, clone.sequence_of = "10.0.0.9", lambda universe, index: index + 77
    losing = desk(drop=lambda universe, index, t: t >= 12.0 and index % 8 == 0)
    assert {one.rule for one in stage(losing, clone).run(25.0).alarms()} == {"duplicate-identity", "packet-loss"}


def test_an_overlap_of_under_five_seconds_is_a_hand_over_however_late_its_end_is_noticed() -> None:
    """Judged to the very end: the second is live until its loss timeout, and has stopped before."""
    for seconds, rules in ((4.9, []), (5.3, ["duplicate-identity"])):
        shown = clones(seconds, lambda universe, index: index + 100).run(14.0)
        assert [one.rule for one in shown.all if one.severity > Severity.NOTE] == rules


def test_clones_began_when_both_first_sent() -> None:
    incident = clones(6.0, lambda universe, index: index + 100).only()
    assert 4.0 <= (incident.began_ns - START_NS) / S <= 4.1


def test_clones_ended_with_the_last_frame_of_the_one_that_fell_silent() -> None:
    """It counts as live for its loss timeout of 2.5 s (ANSI E1.31-2018 6.7.1), and sends nothing in that time."""
    incident = clones(6.0, lambda universe, index: index + 100).run(26.0).rule("duplicate-identity")
    assert incident.returned_ns is not None
    assert 9.9 <= (incident.returned_ns - START_NS) / S <= 10.1


def test_two_machines_of_one_identity_whose_numbers_agree_differ_in_their_levels() -> None:
    """A copied desk whose numbers happen to be the first one's: E1.31-2018 5.6 gives each source a CID of its own."""
    house = house_of((1,), min_refresh_hz=5, sources=(A,), by=("main desk",))
    clone = replace(
        desk(), levels=still(50), address="10.0.0.9", from_s=4.0, phase_s=0.03, sequence_of=lambda u, i: i + 40
    )
    incident = Stage(house, desk(), clone).run(12.0).rule("duplicate-identity")
    assert 8.9 <= opened_after_s(incident) <= 9.4
    assert "their levels under one number" in " ".join(incident.evidence)


def test_one_series_whose_levels_move_on_two_ways_is_no_clone() -> None:
    """Its frames differ from one to the next, and those of one number are the same on both."""
    moves = replace(desk(), levels=lambda t: bytes([round(t * 10) % 250]) * 512)
    echo = replace(moves, address="10.0.0.9", phase_s=0.03)
    shown = stage(moves, echo).run(20.0)
    assert [incident for incident in shown.all if incident.rule == "duplicate-identity"] == []


def test_one_series_on_two_ways_is_no_clone() -> None:
    """The same numbers from two addresses: one machine with two network cards."""
    shown = clones(8.0, lambda universe, index: index + 40)
    assert [incident for incident in shown.all if incident.rule == "duplicate-identity"] == []


# --- per-address priority -----------------------------------------------------------------------------


def slot_priorities(to_s: float, slots: int = 512) -> Plain:
    made = []
    for second in range(int(to_s)):
        data = e131(1, 200 + second, bytes([100]) * slots, cid=b"\x01" * 16, name="Desk A", start_code=0xDD)
        made.append(Packet(second + 0.05, data, "10.0.0.1", group_of(1)))
    return Plain(made)


def test_per_address_priority_that_stops() -> None:
    """Ten frames a second, and priorities each second up to 5.05 s: the count continues without them."""
    made, number = [], 0
    for tenth in range(100):
        codes = (0, 0xDD) if tenth % 10 == 0 and tenth < 60 else (0,)
        for code in codes:
            data = e131(1, number, bytes([100]) * 512, cid=b"\x01" * 16, name="Desk A", start_code=code)
            made.append(Packet(tenth / 10 + 0.05 * (code > 0), data, "10.0.0.1", group_of(1)))
            number += 1
    shown = stage(Plain(made))
    shown.run(7.4)
    assert [one for one in shown.all if one.rule == "slot-priority-faulty"] == []
    shown.run(8.0)
    incident = shown.rule("slot-priority-faulty")
    assert (incident.cause, incident.severity) == ("stopped", Severity.WARNING)


def at_rest(
    levels_lost: tuple[int, ...] = (),
    priorities_lost: tuple[int, ...] = (),
    number: int = 1,
    number_of: Callable[[int], int] = lambda index: index,
) -> Plain:
    """A desk at rest: a frame and its per-address priorities each second, in one series of numbers."""
    made, known_as = [], {"cid": bytes([number]) * 16, "name": f"Desk {number}"}
    for second in range(16):
        levels = e131(1, number_of(2 * second), bytes([100]) * 512, **known_as)  # type: ignore[arg-type]
        given = e131(1, number_of(2 * second + 1), bytes([100]) * 512, start_code=0xDD, **known_as)  # type: ignore[arg-type]
        if second not in levels_lost:
            made.append(Packet(float(second), levels, f"10.0.0.{number}", group_of(1)))
        if second not in priorities_lost:
            made.append(Packet(second + 0.05, given, f"10.0.0.{number}", group_of(1)))
    return Plain(made)


def test_per_address_priority_that_is_lost_on_the_way_has_not_stopped() -> None:
    """Two in a row are missing by their numbers: too few to say that the way loses frames."""
    shown = stage(at_rest(priorities_lost=(8, 9))).run(15.0)
    assert [one for one in shown.all if one.rule == "slot-priority-faulty"] == []


def test_per_address_priority_of_a_desk_whose_numbers_went_back_is_not_missing_beside_that_of_another() -> None:
    """A restart 18 numbers back: for nine seconds all of its packets are discarded (E1.31 6.7.2), and it gives them."""
    restarted = at_rest(number=2, number_of=lambda index: index if index < 12 else index - 18)
    shown = stage(at_rest(), restarted).run(15.0)
    assert [one for one in shown.all if one.rule == "slot-priority-faulty"] == []


def test_per_address_priority_that_is_overtaken_has_not_stopped() -> None:
    """Ten frames a second; two priorities in a row come after the frame that follows them, and are discarded as late.

    E1.31 6.7.2: what is up to 20 numbers behind is discarded.
    """
    made, number = [], 0
    for tenth in range(150):
        for code in (0, 0xDD) if tenth % 10 == 0 else (0,):
            data = e131(1, number, bytes([100]) * 512, cid=b"\x01" * 16, name="Desk A", start_code=code)
            late_s = 0.12 if code and tenth in (80, 90) else 0.0
            made.append(Packet(tenth / 10 + 0.05 * (code > 0) + late_s, data, "10.0.0.1", group_of(1)))
            number += 1
    shown = stage(Plain(made)).run(15.0)
    assert [one for one in shown.all if one.rule == "slot-priority-faulty"] == []


def test_levels_that_are_lost_between_priorities_are_not_withdrawn() -> None:
    """Numbers show that the levels were sent, so that the way loses them."""
    shown = stage(at_rest(levels_lost=(8, 9, 10))).run(10.4)
    incident = shown.rule("universe-lost")
    assert incident.cause == "path-or-sender"
    assert "loses frames" in incident.summary


def test_per_address_priority_whose_numbers_stand_is_sent_and_discarded() -> None:
    """Numbers that stand still are another fault: receivers discard the priorities too (E1.31 6.7.2)."""
    made = []
    for tenth in range(100):
        number = 2 * tenth
        for start_code, shift in ((0, 0.0), (0xDD, 0.02)):
            data = e131(1, number + (shift > 0), bytes([100]) * 512, cid=b"\x01" * 16, start_code=start_code)
            if tenth > 30:
                data = e131(1, 61, bytes([100]) * 512, cid=b"\x01" * 16, start_code=start_code)
            made.append(Packet(tenth / 10 + shift, data, "10.0.0.1", group_of(1)))
            beside = e131(1, number + (shift > 0), bytes([100]) * 512, cid=b"\x02" * 16, start_code=start_code)
            made.append(Packet(tenth / 10 + shift + 0.01, beside, "10.0.0.2", group_of(1)))
    for senders in (made[::2], made):
        shown = stage(Plain(senders)).run(9.8)
        assert {one.rule for one in shown.all} == {"sequence-unusable"}


def test_per_address_priority_that_is_short_and_one_that_is_whole() -> None:
    whole = stage(desk(), slot_priorities(12)).run(10.0)
    assert [one for one in whole.all if one.rule == "slot-priority-faulty"] == []
    shown = stage(desk(), slot_priorities(12, slots=100)).run(10.0)
    assert shown.rule("slot-priority-faulty").cause == "short"


# --- preview ------------------------------------------------------------------------------------------


def on_from(live_s: float, hz: float = HZ) -> Callable[[int, int], int]:
    """The series goes on, whatever the options (ANSI E1.31-2018 6.2.5)."""
    return lambda universe, index: round(live_s * hz) + index


def test_a_backup_that_dies_as_the_main_goes_to_preview_is_named_beside_it() -> None:
    """Nothing would take over: whoever only switches the preview off has no backup (common practice, no source)."""
    main, spare = Desk("Main desk", (1,), to_s=20.0), Desk("Spare desk", (1,), "10.0.0.2", 2, priority=90, to_s=20.0)
    preview = replace(main, from_s=20.0, to_s=1e9, options=0x80, sequence_of=on_from(20.0, main.hz))
    sources = (DeclaredSource("main desk", cid=main.cid), DeclaredSource("spare desk", cid=spare.cid, role="backup"))
    house = house_of((1,), sources=sources, by=("main desk", "spare desk"))
    found = Stage(house, main, spare, preview).run(30.0).rule("preview-only")
    assert found.summary.endswith('which receivers must not show. "spare desk" (10.0.0.2) is silent there too.')
    alone = Stage(house, main, replace(spare, to_s=1e9), preview).run(30.0)
    assert "preview-only" not in [one.rule for one in alone.all], "the backup carries on"


def test_preview_alone_is_reported_and_preview_beside_live_is_not() -> None:
    shown = stage(desk(options=0x80)).run(5.0)
    incident = shown.only()
    assert (incident.rule, incident.severity) == ("preview-only", Severity.WARNING)
    assert opened_after_s(incident) <= 2.7
    beside = stage(desk(), desk(2, options=0x80)).run(12.0)
    assert beside.all == []


@pytest.mark.parametrize("live_s", [0.0, 10.0])
def test_previews_that_have_stopped_are_no_preview_only(live_s: float) -> None:
    """The desk sends a keep-alive a second (E1.31 6.6.2). Without one for longer, its previews have stopped too."""
    live, last = desk(to_s=live_s), desk(options=0x80, from_s=live_s, to_s=live_s + 0.5, sequence_of=on_from(live_s))
    shown = stage(*((live, last) if live_s else (last,))).run(live_s + 9.0)
    assert "preview-only" not in [event.incident.rule for event in shown.events if event.incident is not None]
    kept = stage(desk(to_s=10.0), desk(options=0x80, from_s=10.0, hz=1.0, sequence_of=on_from(10.0))).run(30.0).only()
    assert kept.rule == "preview-only" and kept.returned_ns is None


@pytest.mark.parametrize(("live_s", "stops"), [(0.0, False), (10.0, False), (0.0, True)])
def test_preview_only_is_over_when_a_live_frame_comes_or_previews_stop(live_s: float, *, stops: bool) -> None:
    """At 20 s previews stop, or another source is live beside them. Live frames of before do not say when it ended."""
    seen = desk(options=0x80, from_s=live_s, to_s=20.0 if stops else 40.0, sequence_of=on_from(live_s))
    live, spare = desk(to_s=live_s), desk(2, from_s=20.0)
    found = stage(seen, *([live] if live_s else []), *([] if stops else [spare])).run(24.0).rule("preview-only")
    assert found.returned_ns is not None
    assert (found.returned_ns - START_NS) / S == pytest.approx(20.0, abs=2 / HZ)


def test_a_declared_source_that_changes_its_name_is_the_same_source() -> None:
    """It is known by its name alone, and one machine sends on: both names are given where it is named."""
    declared = DeclaredSource("main desk", source_name="Desk A")
    house = house_of((1,), sources=(declared,), by=("main desk",), min_refresh_hz=5)
    before = Desk("Desk A", (1,), hz=10.0, levels=still(50), to_s=5.0)
    after = Desk("Desk B", (1,), hz=10.0, levels=still(50), from_s=5.0, to_s=12.0, sequence_of=lambda u, i: i + 50)
    shown = Stage(house, before, after).run(11.0)
    assert shown.all == []
    (incident,) = shown.run(16.0).all
    assert incident.rule == "universe-lost"
    assert '"main desk" (10.0.0.1, now named "Desk B")' in incident.summary


def test_a_backup_out_of_step_is_no_work_of_an_echo() -> None:
    """The two are of different machines: who takes the echo out still has a backup in another look."""
    original, copy = desk(levels=look(0)), desk(3, from_s=4.0, levels=look(0, 0.1))
    stuck = desk(2, levels=lambda t: look(0)(t) if t < 4.0 else still(250)(t), priority=90)
    shown = stage(original, stuck, copy, sources=(A, B), by=BY).run(20.0)
    assert {one.rule for one in shown.alarms()} == {"echoed-universe", "backup-differs"}
