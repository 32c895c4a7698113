"""No incident closes, returns or takes another cause while nothing changes.

`python -m tests.rehearse.lives` looks at more: all scenarios, drawn captures and drawn shows.

What is expected is common practice, no source: a person who reads that it is over believes it.
"""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from slotwatch.rehearse import stage
from slotwatch.rehearse.anytrouble import any_trouble
from slotwatch.rehearse.cast import main_desk, ns, paper, seen
from slotwatch.rehearse.desk import LISTENER
from slotwatch.rehearse.packets import Sent
from slotwatch.rehearse.scenario import Scenario
from slotwatch.rehearse.stage import Item, mixed
from slotwatch.snapshot import Incident, Snapshot, UniverseState
from slotwatch.wire.observation import LinkSeen
from tests.rehearse import leaps
from tests.rehearse.invariants import violations
from tests.rehearse.lives import of_capture, of_performance
from tests.rehearse.theatre import BASE_NS, perform
from tests.sweep import swept

FEW_PACKETS = 120


@pytest.mark.parametrize("seed", swept([1, 3, 4, 5, 6, 7, 8, 12], every=4))
def test_nothing_closes_and_returns_while_nothing_comes(seed: int) -> None:
    capture, house = leaps.drawn(seed, FEW_PACKETS)
    events = leaps.replayed(capture, house, leaps=True).events
    assert any(event.what == "closed" for event in events), "nothing closed, so nothing was looked at"
    assert not of_capture(capture, events)


@pytest.mark.parametrize("seed", [16, 20, 21])
def test_incidents_of_drawn_trouble_live_as_long_as_their_faults(seed: int) -> None:
    assert not of_performance(perform(any_trouble(seed)))


def test_what_was_lost_before_the_own_link_went_down_is_not_back_meanwhile() -> None:
    """One universe is lost, then this computer's own lead is out for a while: the universe's state is not known."""
    lost_s, down_s, up_s, end_s = 10.0, 25.0, 50.0, 70.0

    def items() -> Iterator[Item]:
        going = stage.cut(main_desk((1, 2)).sends(end_s), lost_s, end_s, stage.universes(2))
        links = [(0.0, True), (down_s, False), (up_s, True)]
        observed = seen(*(LinkSeen(ns(at_s), 0, up, (LISTENER,) if up else (), "eth1") for at_s, up in links))
        for item in mixed(going, observed):
            if not (isinstance(item, Sent) and ns(down_s) <= item.t_ns < ns(up_s)):
                yield item

    states: dict[float, UniverseState] = {}
    incidents: list[Incident] = []
    contradictions: list[str] = []
    summaries: list[str] = []

    def look(snapshot: Snapshot) -> None:
        row = snapshot.universe_names.index("e131/2")
        states[(snapshot.now_ns - BASE_NS) / 1e9] = UniverseState(snapshot.universes["state"][row])
        incidents.extend(one for one in snapshot.incidents if one.rule == "universe-lost")
        summaries.extend(one.summary for one in snapshot.incidents if one.rule == "universe-lost")
        contradictions.extend(violations(snapshot))

    perform(Scenario("blind", "", "", items, end_s, paper((1, 2))), look=look)
    assert not contradictions, contradictions[:3]
    assert {one.id for one in incidents} == {1}
    assert any("Whether it lasts is not known" in text for text in summaries)
    assert "not known" not in summaries[-1]
    assert all(one.closed_ns is None and one.returned_ns is None for one in incidents)
    assert {state for at_s, state in states.items() if down_s + 1 < at_s < up_s} == {UniverseState.NOT_JUDGED}
    assert {state for at_s, state in states.items() if at_s > up_s + 4} == {UniverseState.LOST}
