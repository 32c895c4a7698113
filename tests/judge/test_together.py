"""Several things at once: what is true stays shown, and one cause is one incident."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import pytest

from slotwatch.house.schema import DeclaredSource, Fixture, House
from slotwatch.snapshot import Severity
from tests.judge.stage import START_NS, Desk, Levels, Packet, Plain, S, Stage, e131, group_of, house_of, moving, still

MAIN = DeclaredSource("main desk", address="10.0.0.1", role="main", priority=100)
BACKUP = DeclaredSource("spare desk", address="10.0.0.2", role="backup", priority=100)
BOTH = ("main desk", "spare desk")


@dataclass
class SlotPriorities:
    """Start code 0xDD once a second beside a desk's levels, in its series of numbers (E1.31 6.2.5)."""

    desk: Desk
    value: int
    slots: int = 512
    from_s: float = 0.0
    to_s: float = 1e9

    def packets(self, end_s: float) -> Iterator[Packet]:
        """Give levels and priorities; every packet of a universe has the next number."""
        for universe in self.desk.universes:
            index, due_s = 0, self.from_s
            for packet in replace(self.desk, universes=(universe,)).packets(end_s):
                yield self._numbered(packet, index, None, universe)
                index += 1
                if due_s <= packet.t_s < self.to_s:
                    due_s = packet.t_s + 1.0
                    yield self._numbered(packet, index, bytes([self.value]) * self.slots, universe)
                    index += 1

    def _numbered(self, packet: Packet, index: int, priorities: bytes | None, universe: int) -> Packet:
        desk = self.desk
        slots = desk.levels(packet.t_s) if priorities is None else priorities
        start_code = 0 if priorities is None else 0xDD
        data = e131(universe, index, slots, cid=desk.cid, name=desk.name, priority=desk.priority, start_code=start_code)
        return replace(packet, data=data, t_s=packet.t_s + (0 if priorities is None else 0.0004))


def house(*universes: int, backup: DeclaredSource = BACKUP) -> House:
    return house_of(universes, sources=(MAIN, backup), by=BOTH)


def main(universes: tuple[int, ...], **more: object) -> Desk:
    return Desk("Desk A", universes, **more)  # type: ignore[arg-type]


def backup(universes: tuple[int, ...], **more: object) -> Desk:
    return Desk("Desk B", universes, "10.0.0.2", 2, **more)  # type: ignore[arg-type]


def ever_said(shown: Stage) -> set[str]:
    """Rules of all that was ever opened, also where it turned out to be part of something else."""
    return {event.incident.rule for event in shown.events if event.incident is not None}


# --- per-address priority -----------------------------------------------------------------------------


def test_an_intruder_with_slot_priorities_is_accused_with_what_it_takes_and_from_whom() -> None:
    """0xDD 150 against packets at 100 wins each slot, whatever the packet priority (common practice)."""
    intruder = SlotPriorities(Desk("Laptop", (1,), "10.0.0.9", 9, from_s=5.0, levels=still(30)), 150)
    shown = Stage(house(1), main((1,)), backup((1,)), intruder).run(30.0)
    incident = shown.only()
    assert (incident.rule, incident.severity) == ("unexpected-source", Severity.CRITICAL)
    assert incident.sources == ("Laptop",)
    assert 'takes 512 slots of e131/1 from "main desk" (10.0.0.1)' in incident.summary
    assert shown.now_s and not [one for one in shown.all if one.rule.startswith("backup")]


def test_a_backup_that_takes_slots_by_their_priorities_is_in_control() -> None:
    """Both send 0xDD, the backup higher: the packets' priorities, which are equal, do not count (common practice)."""
    givers = SlotPriorities(main((1,)), 100), SlotPriorities(backup((1,), levels=still(30)), 120)
    found = Stage(house(1), *givers).run(12.0).rule("backup-in-control")
    assert found.cause == "main-outranked"
    assert 'By per-address priority it takes 512 slots of e131/1 from "main desk" (10.0.0.1).' in found.summary


def test_a_main_source_of_other_universes_is_no_reference_for_the_backup() -> None:
    media = DeclaredSource("media", address="10.0.0.9", role="main")
    declared = replace(house(1, 2), sources=(MAIN, BACKUP, media))
    intruder = SlotPriorities(Desk("Media", (1,), "10.0.0.9", 9, from_s=5.0, levels=still(30)), 150)
    shown = Stage(declared, main((1, 2)), backup((1, 2)), intruder).run(30.0)
    assert {one.rule for one in shown.all} == {"unexpected-source"}


@pytest.mark.parametrize("ends_s", [10.0, 10.3, 10.6, 10.9])
def test_slot_priority_of_a_stream_that_died_has_not_stopped(ends_s: float) -> None:
    """Only levels that come after 0xDD was due show that it stopped alone."""
    shown = Stage(house_of((1, 2)), SlotPriorities(main((1,), to_s=ends_s), 100), Desk("B", (2,), "10.0.0.2", 2))
    assert ever_said(shown.run(20.0)) == {"universe-lost"}


def test_slot_priority_that_stops_on_four_universes_is_one_incident() -> None:
    both = (SlotPriorities(main((1, 2, 3, 4)), 100, to_s=10.0), SlotPriorities(backup((1, 2, 3, 4)), 100))
    shown = Stage(house(1, 2, 3, 4), *both).run(30.0)
    incident = shown.only()
    assert (incident.rule, incident.cause) == ("slot-priority-faulty", "stopped")
    assert len(incident.universes) == 4 and incident.sources == ("main desk",)


def test_slot_priority_of_some_sources_only_is_one_incident_for_all_universes() -> None:
    shown = Stage(house(1, 2, 3, 4), SlotPriorities(main((1, 2, 3, 4)), 100), backup((1, 2, 3, 4))).run(30.0)
    incident = shown.only()
    assert (incident.rule, incident.cause, len(incident.universes)) == ("slot-priority-faulty", "mixed", 4)


# --- main and backup ----------------------------------------------------------------------------------


def test_main_and_backup_that_differ_at_one_priority_are_one_incident() -> None:
    """Universes that move and universes at rest: conflict on some, out of step on all; one severity for it."""
    desks = (
        main((1,), levels=still(100)),
        main((2,), levels=moving()),
        backup((1,), levels=still(180), from_s=0.5),
        backup((2,), levels=still(180), from_s=0.5),
    )
    shown = Stage(house(1, 2), *desks).run(40.0)
    assert [one.rule for one in shown.all if one.closed_ns is None] == ["source-conflict"]
    assert {one.rule for one in shown.all} == {"source-conflict"}


def test_a_stuck_number_of_the_main_is_not_the_backups_fault() -> None:
    """Receivers discard numbers that do not change (E1.31 6.7.2), so the main's levels freeze for them."""

    def sequence(universe: int, index: int) -> int:
        return min(index, 400)

    look = changes_once(15.0)
    desks = main((1,), levels=look, sequence_of=sequence), backup((1,), levels=look, priority=90)
    shown = Stage(house(1, backup=replace(BACKUP, priority=90)), *desks)
    assert ever_said(shown.run(40.0)) - {"out-of-order"} == {"sequence-unusable"}


# --- copies -------------------------------------------------------------------------------------------


def twice(to: str, after_s: float = 0.0004) -> Desk:
    return replace(main((1,)), dst=lambda universe: to, phase_s=after_s)


def test_a_universe_that_is_sent_to_its_group_and_to_a_gateway_is_no_repeated_packet() -> None:
    """A mirror port shows both. Copies are counted by destination."""
    shown = Stage(house(1), main((1,)), twice("10.0.1.1"), backup((1,))).run(30.0)
    assert shown.all == []


def test_a_copy_to_the_same_destination_is_one_also_beside_a_second_destination() -> None:
    senders = (main((1,)), twice(group_of(1)), twice("10.0.1.1", 0.0008), twice("10.0.1.1", 0.0012))
    assert {one.rule for one in Stage(house(1), *senders, backup((1,))).run(30.0).all} == {"repeated-packets"}


def test_copies_at_the_end_of_a_stream_are_no_fault_seconds_later() -> None:
    """Of the 5 s before its end 5 % came twice. Of those that are left in the window later all did."""
    ends = replace(main((1,)), to_s=12.0)
    copied = replace(main((1,)), from_s=11.75, to_s=12.0, phase_s=0.0004, sequence_of=lambda u, index: 470 + index)
    assert {one.rule for one in Stage(house(1), ends, copied).run(20.0).all} == {"universe-lost", "backup-absent"}


def test_packets_of_several_sources_that_come_four_times_go_round_in_a_loop() -> None:
    """Common practice, no source: a loop is two leads between the same switches. The path alone is no answer."""
    round_and_round = [
        replace(desk, phase_s=0.0004 * lap)
        for desk in (Desk("Desk A", (1,)), Desk("Desk B", (2,), "10.0.0.2", 2))
        for lap in range(4)
    ]
    (loop,) = Stage(house_of((1, 2)), *round_and_round).run(8.0).alarms()
    assert "Several sources show it at once, and so many copies point to a loop." in loop.summary
    assert loop.next_checks[0].startswith("Look for two leads between the same two switches")


# --- one fault does not hide another ------------------------------------------------------------------


def patched(*universes: int) -> House:
    """The first two universes have one fixture on their last ten slots."""
    plain = house_of(universes)
    fixtures = tuple(Fixture(f"spot {one.id.number}", one.id, 503, ("",) * 10) for one in plain.universes[:2])
    return replace(plain, fixtures=fixtures)


@pytest.mark.parametrize("gone", ["never came", "came and went"])
def test_a_short_frame_on_a_universe_that_is_back_is_reported_while_another_stays_away(gone: str) -> None:
    """Universe 2 comes at 20 s with 200 of 512 slots; 1 stays away. 5 s later fixtures without data are reported."""
    before = (Desk("Desk A", (1, 2), to_s=8.0),) if gone == "came and went" else ()
    late = Desk("Desk A", (2,), levels=moving(slots=200), from_s=20.0)
    shown = Stage(patched(1, 2, 3), *before, late, Desk("Desk B", (3,), "10.0.0.2", 2)).run(26.0)
    open_now = {one.rule: one for one in shown.all if one.closed_ns is None}
    assert open_now["short-frame"].universes == ("e131/2",)
    assert set(open_now) - {"stray-levels"} == {"short-frame", "universe-lost" if before else "universe-missing"}


# --- a whole outage at rest ---------------------------------------------------------------------------


def resting(desk: Desk, universe: int, back_s: float) -> Iterator[Desk]:
    """One universe at rest, with keep-alive at its own moments, until 20 s and again from `back_s`."""
    shift_s = universe * 0.137 % 0.9
    levels = changes_once(shift_s)
    yield replace(desk, universes=(universe,), levels=levels, rests=True, to_s=20.0, discovery=universe == 1)
    yield replace(
        desk, universes=(universe,), levels=levels, rests=True, from_s=back_s, sequence_of=lambda u, i: i + 90
    )


def changes_once(at_s: float) -> Levels:
    return lambda t: bytes([100 if t < at_s else 120]) * 512


@pytest.mark.parametrize("back_s", [23.4, 24.6, 1e9])
def test_a_whole_outage_of_an_idle_universe_says_only_what_is_true(back_s: float) -> None:
    """Main and backup in step and at rest; the network is cut for all: nothing of them still works at any moment."""
    numbers = tuple(range(1, 19))
    desks = [
        one
        for number in numbers
        for desk in (main((number,)), backup((number,), priority=90))
        for one in resting(desk, number, back_s)
    ]
    shown = Stage(house(*numbers, backup=replace(BACKUP, priority=90)), *desks).run(40.0)
    losses = [one for one in shown.all if one.rule == "universe-lost"]
    assert [one.cause for one in losses] == ["network-lost"]
    assert len(losses[0].universes) == len(numbers)
    for event in shown.events:
        if event.incident is not None and event.t_ns - START_NS < min(back_s, 40.0) * S:
            words = " ".join((event.text, event.incident.summary, *event.incident.still_working))
            assert "sending" not in words and "lives" not in words, words


# --- a universe that moved to another number ----------------------------------------------------------


@pytest.mark.parametrize("new_from_s", [9.0, 10.0, 14.0])
def test_a_universe_that_moved_is_named_in_both_directions(new_from_s: float) -> None:
    """Whichever comes first, the loss names the new number and the note the old one."""
    desks = main((1, 2)), replace(main((3,)), to_s=10.0), replace(main((77,)), from_s=new_from_s)
    shown = Stage(house_of((1, 2, 3), sources=(MAIN,)), *desks).run(20.0)
    by_rule = {one.rule: one for one in shown.all}
    assert set(by_rule) - {"flooded-groups"} == {"universe-lost", "undeclared-universe"}
    assert "e131/77" in by_rule["universe-lost"].summary
    assert "e131/3" in by_rule["undeclared-universe"].summary


def test_a_missing_universe_names_what_its_source_lists_instead() -> None:
    """Discovery (E1.31 12.2) names 110 where the house declares 11."""
    desk = replace(main((1, 110)), discovery=True)
    shown = Stage(house_of((1, 11), sources=(MAIN,), by=("main desk",)), desk).run(20.0)
    missing = next(one for one in shown.all if one.rule == "universe-missing")
    assert any("e131/110" in line for line in missing.evidence)


def test_missing_universes_on_which_different_packets_without_levels_come_are_several_incidents() -> None:
    """Each names what comes and who sends it. Only start code 0x00 is levels (ANSI E1.11 8.5.1)."""
    text, other = Desk("Desk A", (1, 2), start_code=0x17), Desk("Desk C", (4,), "10.0.0.3", 3, start_code=0x17)
    priorities = Desk("Desk B", (3,), "10.0.0.2", 2, start_code=0xDD)
    shown = Stage(house_of((1, 2, 3, 4, 5)), text, priorities, other, Desk("Desk D", (5,), "10.0.0.4", 4)).run(20.0)
    said = {one.universes: one.summary.partition("Packets come there ")[2].partition(":")[0] for one in shown.open}
    assert said == {
        ("e131/1", "e131/2"): 'from "Desk A" (10.0.0.1) with another start code than that of levels',
        ("e131/3",): 'from "Desk B" (10.0.0.2) with per-address priorities (start code 0xDD)',
        ("e131/4",): 'from "Desk C" (10.0.0.3) with another start code than that of levels',
    }


def test_universes_of_which_all_and_of_which_some_frames_go_to_a_wrong_group_are_two_incidents() -> None:
    """ANSI E1.31-2018 9.3.1: a universe has one group. Its receivers miss what goes to another: all of it, or some."""
    whole = main((1,), dst=lambda universe: group_of(4))
    frames = enumerate(main((2,)).packets(20.0))
    part = Plain([replace(packet, dst=group_of(2 + number % 2 * 2)) for number, packet in frames])
    found = [one for one in Stage(house_of((1, 2)), whole, part).run(20.0).open if one.rule == "wrong-group"]
    assert {one.universes: one.summary.partition(": ")[2] for one in found} == {
        ("e131/1",): "frames are sent to the group of universe 4. Receivers of its own group get nothing.",
        ("e131/2",): "some frames are sent to the group of universe 4. Receivers of its own group do not get them.",
    }
