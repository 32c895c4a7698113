"""What stopped while this listener's own link was down, or it lost packets: nobody here knows when or how it stopped.

What is expected of the words: common practice, no source. ANSI E1.31-2018 6.2.6: a source may announce its end, which
nobody heard then either.
"""

from __future__ import annotations

import pytest

from slotwatch.snapshot import Confidence, Incident
from slotwatch.wire.observation import DropsSeen, LinkSeen
from tests.judge.stage import START_NS, Desk, S, Stage, house_of

DOWN_S, UP_S = 10.0, 20.0


def deaf(universe: int, index: int, t: float) -> bool:
    return DOWN_S <= t < UP_S


def after_the_link_is_back(*ends_s: float, others: bool = True) -> Incident:
    """What is told of desks whose frames end at these times, 50 s after the link came back."""
    desks = [
        Desk(f"Desk {number}", (number,), f"10.0.0.{number}", number, to_s=end_s, drop=deaf)
        for number, end_s in enumerate(ends_s, 1)
    ]
    if others:
        desks.append(Desk("Tower", (9,), "10.0.0.9", 9, drop=deaf))
    stage = Stage(house_of(one.universes[0] for one in desks), *desks)
    stage.see(DOWN_S, LinkSeen(START_NS + round(DOWN_S * S), 0, False, (), "eth1"))
    stage.see(UP_S, LinkSeen(START_NS + round(UP_S * S), 0, True, ("10.0.0.200",), "eth1"))
    return stage.run(UP_S + 50.0).rule("universe-lost")


def test_a_desk_that_stopped_meanwhile_is_not_said_how_it_stopped() -> None:
    lost = after_the_link_is_back(15.0)
    assert (lost.cause, lost.confidence) == ("source-lost", Confidence.MEDIUM)
    assert "has been silent since this listener's own link was down" in lost.summary
    assert "or it was closed meanwhile" in lost.summary
    assert "own link to network eth1 was down from" in lost.evidence[0]
    assert not any("stream-terminated" in line for line in lost.evidence)


def test_desks_that_stopped_at_different_times_meanwhile_are_not_said_to_have_stopped_together() -> None:
    lost = after_the_link_is_back(12.0, 18.0)
    assert lost.universes == ("e131/1", "e131/2")
    assert not any("within one frame" in line for line in (lost.summary, *lost.evidence))


def test_where_nothing_comes_any_more_the_own_link_is_in_evidence() -> None:
    lost = after_the_link_is_back(12.0, 18.0, others=False)
    assert lost.cause == "network-lost" and "stopped together" not in lost.summary
    assert "Nothing has reached this port since its own link was down." in lost.summary
    assert any("own link to network eth1 was down from" in line for line in lost.evidence)


def test_a_desk_that_stopped_before_the_link_went_down_is_said_to_have_stopped_as_it_did() -> None:
    lost = after_the_link_is_back(5.0)
    assert (lost.cause, lost.confidence) == ("source-lost", Confidence.HIGH)
    assert "without the stream-terminated bit" in lost.evidence[0]


@pytest.mark.parametrize("end_s", [11.0, 20.0])
def test_a_desk_that_stopped_while_this_computer_lost_packets_is_not_said_how_it_stopped(end_s: float) -> None:
    """Packets that the kernel drops may be those that announce the end."""

    def overrun(universe: int, index: int, t: float) -> bool:
        return DOWN_S <= t < DOWN_S + 3.0

    desks = Desk("Desk 1", (1,), "10.0.0.1", 1, to_s=end_s, drop=overrun), Desk("Tower", (9,), "10.0.0.9", 9)
    stage = Stage(house_of((1,)), *desks)
    for at_s, count in ((0.0, 0), (DOWN_S - 0.1, 0), (DOWN_S + 0.05, 40), (DOWN_S + 0.9, 80), (DOWN_S + 2.9, 980)):
        stage.see(at_s, DropsSeen(START_NS + round(at_s * S), count))
    lost = stage.run(40.0).rule("universe-lost")
    is_doubted = end_s < DOWN_S + 3.0
    assert (lost.confidence is Confidence.MEDIUM, "or it was closed meanwhile" in lost.summary) == (is_doubted,) * 2
    assert ("since this computer lost packets" in lost.summary) == is_doubted
    assert any("stream-terminated" in line for line in lost.evidence) != is_doubted
