"""A flood of forged senders is a few lines for a person, never hundreds."""

from __future__ import annotations

from slotwatch.house.schema import DeclaredSource
from tests.judge.stage import Desk, Packet, Plain, Stage, e131, group_of, house_of, moving


def forged(number: int, t_s: float, universe: int) -> Packet:
    cid = number.to_bytes(16, "big")
    data = e131(universe, 0, bytes(512), cid=cid, name=f"x{number}")
    return Packet(t_s, data, f"10.9.{number >> 8}.{number & 255}", group_of(1))


def test_a_thousand_forged_senders_in_a_second() -> None:
    """Half on the declared universe, half each on one of its own, all to one group."""
    made = [forged(n, 3 + n / 1000, 1 if n % 2 else 3 + n * 7) for n in range(1000)]
    sources = (DeclaredSource("main desk", address="10.0.0.1"),)
    desk = Desk("Desk A", (1, 2), hz=10, levels=moving(hz=10))
    shown = Stage(house_of((1, 2), min_refresh_hz=5, sources=sources, by=("main desk",)), desk, Plain(made))
    shown.run(12.0)
    assert len(shown.all) <= 6
    assert len(shown.events) <= 30
    assert {"too-many-sources"} <= {incident.rule for incident in shown.all}
    assert not any(incident.rule == "universe-lost" for incident in shown.all)


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
