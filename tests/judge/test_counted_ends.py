"""What is counted over a window began with the first thing that it counted and ended with the last one, on the network.

Source of the times: what the senders here do. ANSI E1.31-2018 6.7.2 says which numbers a receiver discards.
"""

from __future__ import annotations

from random import Random

import pytest

from slotwatch.snapshot import Incident
from slotwatch.wire.universe import Protocol
from tests.judge.stage import START_NS, Desk, Packet, Plain, S, Stage, house_of, moving, opened_after_s

DESK = Desk("Desk A", (1,), levels=moving())


def span_s(incident: Incident) -> tuple[float, float]:
    """When it began and when it was over."""
    assert incident.returned_ns is not None
    return (incident.began_ns - START_NS) / S, (incident.returned_ns - START_NS) / S


def played(*senders: object, until_s: float = 40.0) -> Stage:
    return Stage(house_of((1,)), *senders, every_tick=True).run(until_s)


def rubbish(*moments_s: float) -> Plain:
    return Plain([Packet(at_s, b"no show data", "10.0.0.9", "239.255.0.1", Protocol.E131) for at_s in moments_s])


def test_rejected_packets_began_and_ended_with_themselves() -> None:
    """One long before, by itself, and a hundred in 10 s: `not an E1.31 packet` by 5.3 (the ACN packet identifier)."""
    stage = played(DESK, rubbish(1.5, *(20.5 + 0.1 * count for count in range(100))))
    began_s, ended_s = span_s(stage.rule("malformed-packets"))
    assert 20.4 <= began_s <= 20.6
    assert 30.3 <= ended_s <= 30.5


def test_rejected_packets_after_a_few_strays_began_in_the_second_of_the_oldest() -> None:
    """A stray every 6 s is none of the ten in 10 s that count, but the one within those 10 s."""
    stage = played(DESK, rubbish(1.5, 7.5, 13.5, 19.5, *(20.5 + 0.1 * count for count in range(100))))
    began_s, _ = span_s(stage.rule("malformed-packets"))
    assert 11.0 <= began_s <= 20.6


def test_late_frames_ended_with_the_last_of_them() -> None:
    """A number that goes 15 back: 15 frames at 40 Hz are discarded (0.375 s)."""
    stage = played(Desk("Desk A", (1,), levels=moving(), sequence_of=lambda u, i: i if i < 400 else i - 15))
    began_s, ended_s = span_s(stage.rule("out-of-order"))
    assert 9.9 <= began_s <= 10.1
    assert 10.3 <= ended_s <= 10.5


def test_a_stutter_ended_with_its_last_gap() -> None:
    """A pause of 150 ms in each second from 6.0 to 15.0 s; no number is missing."""

    def pauses(universe: int, index: int, t: float) -> bool:
        return 6.0 <= t < 15.0 and t % 1.0 < 0.15

    def number(universe: int, index: int) -> int:
        return index - sum(1 for at in range(240, min(index, 600)) if at % 40 < 6)

    stage = played(Desk("Desk A", (1,), levels=moving(), drop=pauses, sequence_of=number))
    began_s, ended_s = span_s(stage.rule("uneven-refresh"))
    assert 5.9 <= began_s <= 6.1
    assert 14.1 <= ended_s <= 14.4


def test_a_number_that_stood_still_ended_when_it_moved_and_was_never_erratic() -> None:
    """The number is 0 from 10 s to 20 s, and then steps by one again, more than 20 ahead: conforming receivers accept
    all of that."""
    stage = played(Desk("Desk A", (1,), levels=moving(), sequence_of=lambda u, i: 0 if 400 <= i < 800 else i + 100))
    stuck = stage.rule("sequence-unusable")
    began_s, ended_s = span_s(stuck)
    assert 9.9 <= began_s <= 10.1
    assert 19.9 <= ended_s <= 20.2
    assert stuck.cause == "stuck"
    assert not any("jump back" in entry.text for entry in stuck.timeline)
    assert [one.rule for one in stage.all] == ["sequence-unusable"]


def test_of_numbers_that_stand_still_at_different_places_each_is_said_of_its_own_universe() -> None:
    """One sentence for several universes names no number that is true of one of them alone."""
    stage = Stage(house_of((1, 2)), Desk("Desk A", (1, 2), levels=moving(), sequence_of=lambda u, i: 40 * u)).run(8.0)
    stuck = stage.rule("sequence-unusable")
    assert stuck.universes == ("e131/1", "e131/2") and "numbers do not change." in stuck.summary
    assert sorted(line.partition(" Loss")[0] for line in stuck.evidence) == [
        "e131/1: numbers do not change. They stay at 40.",
        "e131/2: numbers do not change. They stay at 80.",
    ]


def test_numbers_that_jump_back_all_the_time_are_erratic() -> None:
    """A step ahead, and then three back: by 6.7.2 three of four frames are discarded."""
    back = (0, 1, 3, 6)
    jumps = Desk("Desk A", (1,), levels=moving(), sequence_of=lambda u, i: 10 * (i // 4) - back[i % 4])
    stage = played(jumps, until_s=12.0)
    assert stage.rule("sequence-unusable").cause == "erratic"


@pytest.mark.parametrize("from_s", [0.0, 10.0])
def test_random_numbers_are_unusable_and_nothing_else(from_s: float) -> None:
    """Numbers must go up by one (ANSI E1.31-2018 6.7.2). Of random ones 19 or 20 of 256 steps are discarded."""
    numbers = Random(1).randbytes(1200)
    desk = Desk("Desk A", (1,), levels=moving(), sequence_of=lambda u, i: numbers[i] if i >= from_s * 40 else i)
    stage = played(desk, until_s=from_s + 12.0)
    incident = stage.only()
    assert (incident.rule, incident.cause) == ("sequence-unusable", "random")
    assert "jump forward and back" in incident.summary
    assert incident.next_checks
    assert (incident.began_ns - START_NS) / S == pytest.approx(from_s, abs=0.5)
    assert opened_after_s(incident) - from_s <= 5.0


def test_numbers_that_never_come_past_the_last_accepted_one_are_unusable() -> None:
    """From 10 s to 25 s the numbers are 390 to 399 (as bytes) again and again, and the last accepted one is 399: by
    6.7.2 all of these frames are discarded, so a receiver has lost the source 2.5 s after its last frame (6.7.1)."""

    def number(universe: int, index: int) -> int:
        return 390 + index % 10 if 400 <= index < 1000 else index - 600 if index >= 1000 else index

    stage = played(Desk("Desk A", (1,), levels=moving(), sequence_of=number), until_s=45.0)
    incident = stage.rule("sequence-unusable")
    began_s, ended_s = span_s(incident)
    assert incident.cause == "erratic"
    assert "all frames are discarded" in incident.summary
    assert 9.9 <= began_s <= 10.1
    assert incident.opened_ns - incident.began_ns <= 2.8e9
    assert 24.9 <= ended_s <= 25.3
    assert {one.rule for one in stage.all} <= {"sequence-unusable", "out-of-order"}


@pytest.mark.parametrize("back_s", [20.0, 20.013, 20.031, 20.047, 20.071, 20.089])
def test_an_incident_is_not_closed_before_its_off_delay_has_passed(back_s: float) -> None:
    """The published 10 s (docs/rules.md, universe-lost) count from the return, whenever between two looks it comes."""
    shown = Stage(house_of((1,)), Desk("Desk A", (1,), to_s=8.0), Desk("Desk A", (1,), from_s=back_s))
    incident = shown.run(34.0).only()
    assert incident.returned_ns is not None and incident.closed_ns is not None
    assert 10.0 <= (incident.closed_ns - incident.returned_ns) / S < 10.3
