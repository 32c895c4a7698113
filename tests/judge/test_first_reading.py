"""Sentences that misled at the first reading: what a person takes from them is what happened.

The truth of each case is its own stage. Words: common practice, no source.
"""

from __future__ import annotations

from dataclasses import replace

from slotwatch.house.schema import DeclaredSource, Network
from slotwatch.rehearse import packets
from slotwatch.rehearse.anytrouble import any_trouble
from slotwatch.rehearse.anytwo import any_two
from slotwatch.snapshot import Snapshot, UniverseState
from slotwatch.wire.observation import DropsSeen
from slotwatch.wire.universe import Protocol
from tests.judge.stage import START_NS, Desk, Node, Packet, Plain, S, Stage, house_of, moving
from tests.rehearse.theatre import perform


def test_the_record_of_a_loss_does_not_say_what_worked_meanwhile() -> None:
    """What worked then may be out when the record is read."""
    away, back = Desk("Desk A", (1,), to_s=10.0), Desk("Desk A", (1,), from_s=16.0)
    stage = Stage(house_of((1, 2)), away, back, Desk("Desk B", (2,), "10.0.0.2", 2)).run(14.0)
    assert 'Still working: "Desk B"' in stage.rule("universe-lost").summary
    closed = stage.run(40.0).rule("universe-lost")
    assert closed.closed_ns is not None and "It lasted" in closed.summary
    assert "working" not in closed.summary


def test_a_source_that_is_back_in_part_is_said_to_be_at_once() -> None:
    """A desk that sends again is not "completely silent" for the ten seconds in which its return is watched."""
    away, back = Desk("Desk A", (1, 2), to_s=10.0), Desk("Desk A", (1,), from_s=16.0)
    stage = Stage(house_of((1, 2, 3)), away, back, Desk("Desk B", (3,), "10.0.0.2", 2)).run(15.0)
    assert "back" not in stage.rule("universe-lost").summary
    found = stage.run(17.5).rule("universe-lost")
    assert found.summary.startswith("Universe e131/2 lost") and '"Desk A" is back in part.' in found.summary
    assert found.next_checks[0] == 'Look at the output list of "Desk A": is everything on?'


def test_several_universes_of_a_running_source_are_several_in_every_line() -> None:
    part = Desk("Desk A", (1, 2), to_s=10.0)
    stage = Stage(house_of((1, 2, 3)), part, Desk("Desk A", (3,))).run(14.0)
    found = stage.rule("universe-lost")
    assert found.cause == "path-or-sender" and "these groups no longer reach this port" in found.summary
    text = " ".join((found.summary, *found.next_checks, *found.also_possible))
    assert "this group" not in text and "this universe" not in text and "that one output" not in text


def test_each_new_identity_is_compared_with_the_one_before_it() -> None:
    """The third is not said to have followed the first."""
    lives = [Desk("Desk A", (1,), number=n, from_s=start, to_s=start + 7.5) for n, start in ((1, 0.0), (2, 8.0))]
    stage = Stage(house_of((1,)), *lives, Desk("Desk A", (1,), number=3, from_s=16.0)).run(22.0)
    lines = [line for one in stage.all for line in one.evidence if line.startswith("CID")]
    first, second, third = (f"{n:02x}" * 16 for n in (1, 2, 3))
    assert any(line.startswith(f"CID {second} before, {third} since ") for line in lines), lines
    assert not any(first in line and third in line for line in lines)


def test_where_nothing_at_all_arrives_this_computer_is_looked_at() -> None:
    """Not the numbering of universes: no source was heard on the network at all."""
    found = Stage(house_of((1,))).run(12.0).rule("universe-missing")
    assert "No source at all has been heard on network eth1." in found.evidence
    assert any("slotwatch host" in check and "firewall" in check for check in found.next_checks)
    assert not any("number" in check for check in found.next_checks)
    other = Stage(house_of((1, 2)), Desk("Desk A", (2,))).run(12.0).rule("universe-missing")
    assert not any("No source at all" in line for line in other.evidence)


def test_art_net_that_falls_silent_as_it_comes_to_rest_may_be_at_rest() -> None:
    """Art-Net 4 asks senders to repeat unchanged data every 4 s; what does not is alive, and silent."""

    def sent(to_s: float, still_from_s: float) -> Plain:
        times = [count / 40 for count in range(int(to_s * 40))]
        datas = [
            packets.art_dmx(0, count % 255 + 1, bytes([int(min(t, still_from_s) * 40) % 250]) * 512)
            for count, t in enumerate(times)
        ]
        return Plain(
            [Packet(t, data, "10.0.0.1", "10.0.0.255", Protocol.ARTNET) for t, data in zip(times, datas, strict=True)]
        )

    silent = "it sends nothing while its levels do not change"
    other = Desk("Desk B", (2,), "10.0.0.2", 2)
    at_rest = Stage(house_of((2,), artnet=(0,)), sent(8.1, 8.0), other).run(20.0).rule("universe-lost")
    assert silent in at_rest.also_possible
    moving = Stage(house_of((2,), artnet=(0,)), sent(8.1, 9.0), other).run(20.0).rule("universe-lost")
    assert silent not in moving.also_possible


def test_what_is_silent_and_not_yet_judged_is_not_called_well() -> None:
    """This computer loses packets for ten seconds. Meanwhile a desk dies, and its loss is judged later."""
    stage = Stage(house_of((1, 2)), Desk("Desk A", (1,), to_s=12.0), Desk("Desk B", (2,), "10.0.0.2", 2))
    for half in range(21):
        stage.see(10 + half / 2, DropsSeen(START_NS + 10 * S + half * S // 2, 8 * (half + 1)))
    row = int(stage.model.universes.by_place[0, int(Protocol.E131), 1])
    seen: list[UniverseState] = []
    for at_s in range(16, 45):
        found = stage.run(float(at_s)).judge.universe_states(stage.model, stage.now_ns)
        seen.append(UniverseState(int(found[row])))
        call = stage.judge.readiness(stage.model, stage.now_ns)
        assert ("e131/1" in call.not_judged) is (seen[-1] is UniverseState.NOT_JUDGED)
    judged = seen.index(UniverseState.LOST)
    assert set(seen[:judged]) == {UniverseState.NOT_JUDGED} and set(seen[judged:]) == {UniverseState.LOST}


def test_a_stranger_that_takes_over_does_not_carry_on() -> None:
    """It sends what nobody asked it to, and began after the stop: it is no evidence of a path that held."""
    house = house_of((1, 2), sources=(DeclaredSource("main desk", address="10.0.0.1"),), by=("main desk",))
    gone, other = Desk("Desk A", (1,), to_s=10.0), Desk("Desk B", (2,), "10.0.0.2", 2)
    stage = Stage(house, gone, other, Desk("Test", (1,), "10.0.0.9", 9, from_s=20.0)).run(24.0)
    found = stage.rule("source-absent")
    assert 'Undeclared "Test" (10.0.0.9) sends there now.' in found.summary and "carries on" not in found.summary
    (line,) = [line for line in found.evidence if line.startswith("Other sources continued")]
    assert "Desk B" in line and "Test" not in line


def test_the_record_of_a_lead_does_not_say_what_was_silent_later() -> None:
    """One lead comes out, then the other. Both are back when the first incident is closed."""
    first = [Desk("Desk A", (1,), to_s=10.0), Desk("Desk A", (1,), from_s=40.0)]
    second = [
        Desk("Desk A", (1,), "10.1.0.1", network=1, to_s=20.0),
        Desk("Desk A", (1,), "10.1.0.1", network=1, from_s=41.0),
    ]
    others = [Desk("Desk B", (2,), "10.0.0.2", 2), Desk("Desk B", (2,), "10.1.0.2", 2, network=1)]
    house = house_of((1, 2))
    universes = tuple(replace(one, networks=(0, 1)) for one in house.universes)
    house = replace(house, universes=universes, networks=(Network("A", "eth1"), Network("B", "eth2")))
    stage = Stage(house, *first, *second, *others).run(30.0)
    (lead,) = [one for one in stage.all if one.cause == "leg-lost"]
    assert "is silent now" in lead.summary
    stage.run(70.0)
    (lead,) = [one for one in stage.all if one.id == lead.id]
    assert lead.closed_ns is not None and "now" not in lead.summary, lead.summary


def test_the_verdict_on_who_is_still_away_does_not_speak_of_who_is_back() -> None:
    """In this drawn show one universe of a running backup and all of the house lights stop in one moment, at rest.

    The backup's universe is back first. The incident of the house lights said that the backup was running.
    """
    told: dict[str, tuple[str, ...]] = {}

    def look(now: Snapshot) -> None:
        of_lights = (one for one in now.incidents if 'e131/11 lost from "house lights"' in one.summary)
        told.update({one.summary: one.next_checks for one in of_lights if one.closed_ns is None})

    perform(any_trouble(600127), resting=True, look=look)
    found = [text for text in told if "It stopped together with other sources, which came back first." in text]
    assert found
    for text in found:
        assert not [check for check in told[text] if "backup" in check], told[text]
    assert not [text for text in told if "is running and still sends" in text]


def test_who_was_back_long_ago_is_not_said_to_have_lost_a_lead() -> None:
    """A lead of the desk, the lights and the media server (Art-Net, lost after 10 s) stop within half a second.

    The desk is back first and is watched no more; the lights still are.
    """
    house = house_of((1, 9), artnet=(0,))
    universes = tuple(
        replace(one, networks=(0, 1) if one.id.protocol is Protocol.E131 else (0,)) for one in house.universes
    )
    house = replace(house, universes=universes, networks=(Network("A", "eth1"), Network("B", "eth2")))
    desk, lights = Desk("Desk A", (1,)), Desk("Lights", (9,), "10.0.0.9", 9)
    ends = [(replace(desk, address="10.1.0.1", network=1), 12.0, 18.0)]
    ends += [(lights, 12.5, 20.5), (replace(lights, address="10.1.0.9", network=1), 12.5, 20.5)]
    parts = [part for one, to_s, from_s in ends for part in (replace(one, to_s=to_s), replace(one, from_s=from_s))]
    stage = Stage(house, desk, *parts, Node((0,), "10.0.0.7", levels=moving(), to_s=12.0)).run(28.0)
    for step in range(12):
        (media,) = [one for one in stage.run(28.25 + step / 4).open if "artnet/0@A" in one.universes]
        assert "lead on network B down" not in media.summary
        assert not [check for check in media.next_checks if "Desk A" in check], media.next_checks


def test_who_is_heard_by_another_lead_again_is_not_said_to_be_silent() -> None:
    """Network A is dark for three seconds, and with it goes the lights' lead on B, which stays out."""
    house = house_of((1, 9))
    universes = tuple(replace(one, networks=(0, 1)) for one in house.universes)
    house = replace(house, universes=universes, networks=(Network("A", "eth1"), Network("B", "eth2")))
    desks = [Desk("Desk A", (1,)), Desk("Desk B", (1,), "10.0.0.2", 2, 90), Desk("Lights", (9,), "10.0.0.9", 9)]
    on_a = [part for one in desks for part in (replace(one, to_s=12.0), replace(one, from_s=14.8))]
    on_b = [replace(one, address=f"10.1.0.{one.number}", network=1) for one in desks]
    stage = Stage(house, *on_a, *on_b[:2], replace(on_b[2], to_s=12.3)).run(18.0)
    told = [one.summary for one in stage.open if one.returned_ns is None and "e131/9@B" in one.universes]
    assert told and '"Lights" is still silent' not in " ".join(told)
    assert '"Lights" is back in part' in told[0]


def test_nobody_is_sent_to_the_screen_of_a_source_that_is_back() -> None:
    """In this drawn show a lead of the backup comes out, and 0.1 s later the house lights die for 1.8 s."""
    told: dict[str, tuple[str, ...]] = {}

    def look(now: Snapshot) -> None:
        absent = (one for one in now.incidents if one.rule == "backup-absent" and one.returned_ns is None)
        told.update({one.summary: one.next_checks for one in absent if one.closed_ns is None})

    perform(any_two(9800329).scenario, resting=True, look=look)
    back = [summary for summary in told if '"house lights" is back.' in summary]
    assert back
    for summary in back:
        assert "completely silent" not in summary
        assert not [check for check in told[summary] if "house lights" in check], told[summary]
