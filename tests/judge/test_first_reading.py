"""Sentences that misled at the first reading: what a person takes from them is what happened.

The truth of each case is its own stage. Words: common practice, no source.
"""

from __future__ import annotations

from slotwatch.rehearse import packets
from slotwatch.wire.universe import Protocol
from tests.judge.stage import Desk, Packet, Plain, Stage, house_of


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
    assert "No source at all has been heard on eth1." in found.evidence
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
