"""A flood of forged senders is a few lines for a person, never hundreds."""

from __future__ import annotations

from dataclasses import replace
from random import Random

import pytest

from slotwatch.house.schema import DeclaredSource
from slotwatch.snapshot import Incident
from tests.judge.stage import Desk, Packet, Plain, Stage, e131, group_of, house_of, moving


def forged(number: int, t_s: float, universe: int, sequence: int = 0) -> Packet:
    cid = number.to_bytes(16, "big")
    data = e131(universe, sequence, bytes(512), cid=cid, name=f"x{number}")
    return Packet(t_s, data, f"10.9.{number >> 8}.{number & 255}", group_of(1))


CHANCE = Random(7)
FLOODS = {
    "half on a declared universe, half each on one of its own": [
        forged(n, 13 + n / 1000, 1 if n % 2 else 3 + n * 7) for n in range(1000)
    ],
    "all on one that is not declared": [forged(n, 13 + n / 1000, 9) for n in range(1000)],
    "on fifty, at no bound": [forged(n, 13 + n / 1000, 3 + n % 50) for n in range(3000)],
    "each now and then for ten seconds": [
        forged(CHANCE.randrange(3000), 13 + n / 1000, 3 + CHANCE.randrange(500)) for n in range(10_000)
    ],
    "each three times": sorted(
        (forged(n, 13 + n / 1500 + again / 2, 3 + n % 200) for n in range(3000) for again in range(3)),
        key=lambda packet: packet.t_s,
    ),
}
MAIN_DESK = DeclaredSource("main desk", address="10.0.0.1")
HOUSE = house_of((1, 2), min_refresh_hz=5, sources=(MAIN_DESK,), by=("main desk",))


def main_desk(to_s: float = 1e9) -> Desk:
    return Desk("Desk A", (1, 2), hz=10, levels=moving(hz=10), to_s=to_s)


@pytest.mark.slow
@pytest.mark.parametrize("made", FLOODS.values(), ids=FLOODS.keys())
def test_a_flood_of_forged_senders_is_one_incident(made: list[Packet]) -> None:
    incident = Stage(HOUSE, main_desk(), Plain(made)).run(110.0).only()
    assert incident.rule == "too-many-sources"
    assert incident.closed_ns is not None, "it is over a minute after the last"
    assert incident.evidence[-1].endswith(" undeclared sources came within 10 s.")


@pytest.mark.slow
def test_a_loss_in_a_flood_is_reported_as_without_it() -> None:
    """What invented senders do is no evidence of a lead or a switch."""

    def lost(*senders: Plain) -> Incident:
        shown = Stage(HOUSE, main_desk(to_s=17.0), *senders).run(30.0)
        (incident,) = [one for one in shown.all if one.rule == "universe-lost"]
        return incident

    alone, flooded = lost(), lost(Plain(FLOODS["each now and then for ten seconds"]))
    assert flooded.universes == alone.universes == ("e131/1", "e131/2")
    assert flooded.summary == alone.summary
    assert (flooded.cause, flooded.still_working) == (alone.cause, alone.still_working)


def test_a_stranger_who_was_there_before_a_flood_is_judged_in_it() -> None:
    stranger = Desk("Guest", (40_000,), "10.0.0.9", 9, hz=10, levels=moving(hz=10))
    shown = Stage(HOUSE, main_desk(), stranger, Plain(FLOODS["each now and then for ten seconds"])).run(24.0)
    named = {universe for one in shown.all if one.rule == "undeclared-universe" for universe in one.universes}
    assert named == {"e131/40000"}


@pytest.mark.slow
def test_a_stranger_who_came_in_a_flood_and_stays_is_named_when_it_is_over() -> None:
    stranger = Desk("Guest", (40_000,), "10.0.0.9", 9, hz=10, levels=moving(hz=10), from_s=15.0)
    shown = Stage(HOUSE, main_desk(), stranger, Plain(FLOODS["on fifty, at no bound"]))
    assert "undeclared-universe" not in {one.rule for one in shown.run(60.0).all}
    assert "undeclared-universe" in {one.rule for one in shown.run(100.0).all}


def test_a_house_of_many_undeclared_senders_is_no_flood() -> None:
    """All are new to a listener that starts."""
    made = [replace(forged(n, t + n / 1000, 10 + n, t), dst=group_of(10 + n)) for t in range(8) for n in range(300)]
    assert Stage(house_of(()), Plain(made)).run(7.9).all == []


def test_more_faults_of_one_rule_than_can_be_read_are_reported_as_one() -> None:
    desks = [
        Desk(f"Desk {n}", (n,), f"10.0.0.{n}", n, hz=4, levels=moving(hz=4), sequence_of=lambda universe, index: 7)
        for n in range(1, 21)
    ]
    shown = Stage(house_of(range(1, 21), min_refresh_hz=1), *desks).run(9.0)
    incident = shown.only()
    assert incident.rule == "sequence-unusable"
    assert len(incident.universes) == 20
    assert "and 14 more" in incident.summary
