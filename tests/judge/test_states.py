"""The word that each universe is shown with. The words are the published ones; an idle source still sends."""

from __future__ import annotations

from dataclasses import replace

from slotwatch.house.schema import Accepted, House, Route
from slotwatch.judge.orders import Resume
from slotwatch.snapshot import Severity, UniverseState
from slotwatch.wire.observation import JoinSeen, LinkSeen, RouteSeen, RoutesSeen
from slotwatch.wire.universe import Protocol, UniverseId
from tests.judge.stage import START_NS, Desk, S, Stage, house_of, moving, still


def states(shown: Stage) -> dict[str, UniverseState]:
    found = shown.judge.universe_states(shown.model, shown.now_ns)
    names = [f"e131/{number}" for number in shown.model.universes.number[: len(found)].tolist()]
    return {name: UniverseState(int(state)) for name, state in zip(names, found, strict=True)}


def unused(house: House, number: int) -> House:
    universes = (replace(u, expected=u.id.number != number) for u in house.universes)
    return replace(house, universes=tuple(universes))


REST = Desk("Desk A", (1,), levels=still(), rests=True)


def test_a_held_look_is_idle_and_a_universe_without_a_sender_is_not() -> None:
    """`at-rest` says that keep-alive arrives (ANSI E1.31-2018 6.6.2)."""
    shown = Stage(unused(house_of((1, 2)), 2), REST).run(30.0)
    assert states(shown) == {"e131/1": UniverseState.AT_REST, "e131/2": UniverseState.NOT_SENT}
    assert shown.all == []


def test_before_it_is_due_nothing_is_reported_to_arrive() -> None:
    shown = Stage(house_of((1, 2)), REST).run(9.0)
    assert states(shown)["e131/2"] is UniverseState.NOT_SENT
    assert states(shown.run(11.0))["e131/2"] is UniverseState.MISSING


def test_what_cannot_be_seen_is_neither() -> None:
    shown = Stage(unused(house_of((1,)), 1), joined=False).run(30.0)
    assert states(shown) == {"e131/1": UniverseState.NOT_VISIBLE}


def test_what_own_routes_send_to_one_address_is_no_unseen_universe() -> None:
    """A computer does not hear its own unicast: its routes' word counts, and without it nobody sends."""
    target = UniverseId(Protocol.ARTNET, 3)
    route = Route("tower", UniverseId(Protocol.E131, 1), target=target, to_address="10.0.0.50")
    house = replace(house_of((1,), artnet=(3,)), routes=(route,))
    house = replace(house, universes=tuple(replace(u, expected=u.id != target) for u in house.universes))
    found = {}
    for state in ("running", "zero", "waiting"):
        shown = Stage(house, REST)
        shown.see(1.0, RoutesSeen(START_NS + S, (RouteSeen("tower", state, "artnet/3 to 10.0.0.50", "e131/1"),)))
        shown.run(8.0)
        row = shown.model.universes.by_place[0, int(Protocol.ARTNET), 3]
        found[state] = UniverseState(int(shown.judge.universe_states(shown.model, shown.now_ns)[row]))
    assert found == {
        "running": UniverseState.STEADY,
        "zero": UniverseState.STEADY,
        "waiting": UniverseState.NOT_SENT,
    }


def test_a_stranger_that_came_and_went_sends_no_more() -> None:
    """Under two seconds it is no universe that can be lost."""
    shown = Stage(house_of((1,)), REST, Desk("Desk B", (7,), "10.0.0.2", 2, from_s=5.0, to_s=6.0))
    assert states(shown.run(5.9))["e131/7"] is UniverseState.STEADY
    assert states(shown.run(20.0))["e131/7"] is UniverseState.NOT_SENT


def test_what_was_lost_before_a_restart_is_lost_until_it_comes_or_is_found_anew() -> None:
    """Its incident is open all the time; a universe in order beside it would be a contradiction."""
    before = Stage(house_of((1, 2)), REST, Desk("Desk B", (2,), "10.0.0.2", 2, to_s=5.0)).run(20.0)
    kept = [one for one in before.judge.incidents(before.now_ns) if one.closed_ns is None]
    assert [one.rule for one in kept] == ["universe-lost"]
    back = Desk("Desk B", (2,), "10.0.0.2", 2, from_s=6.0)
    shown = Stage(house_of((1, 2)), REST, back)
    shown.judge.command(Resume(next_id=9, incidents=tuple(kept)))
    assert states(shown.run(4.5)) == {"e131/1": UniverseState.AT_REST, "e131/2": UniverseState.LOST}
    assert states(shown.run(9.0))["e131/2"] is UniverseState.RETURNING


def test_what_was_back_before_a_restart_is_not_lost_while_it_is_not_heard_yet() -> None:
    """Its incident says that it is back: as lost beside that it would be a contradiction."""
    away = (Desk("Desk B", (2,), "10.0.0.2", 2, to_s=5.0), Desk("Desk B", (2,), "10.0.0.2", 2, from_s=10.0))
    before = Stage(house_of((1, 2)), REST, *away).run(12.0)
    (kept,) = before.open
    assert kept.rule == "universe-lost" and kept.returned_ns is not None
    shown = Stage(house_of((1, 2)), REST, Desk("Desk B", (2,), "10.0.0.2", 2, from_s=2.0))
    shown.judge.command(Resume(next_id=9, incidents=(kept,)))
    assert states(shown.run(1.0))["e131/2"] is UniverseState.NOT_SENT
    assert states(shown.run(3.0))["e131/2"] is UniverseState.RETURNING


def test_what_starts_late_is_steady_then() -> None:
    late = Desk("Desk B", (2,), "10.0.0.2", 2, from_s=12.0)
    shown = Stage(unused(house_of((1, 2)), 2), REST, late).run(14.0)
    assert states(shown)["e131/2"] is UniverseState.STEADY


def test_a_fault_of_this_listener_ranks_above_not_sent() -> None:
    shown = Stage(unused(house_of((1, 2)), 2), REST)
    shown.see(15.0, LinkSeen(START_NS + 15 * S, 0, False, (), "eth1"))
    assert set(states(shown.run(16.0)).values()) == {UniverseState.NOT_JUDGED}
    refused = Stage(house_of((1, 2)), REST)
    refused.see(0.1, JoinSeen(START_NS + S // 10, 0, 2, False, "no room for another group"))
    assert states(refused.run(20.0))["e131/2"] is not UniverseState.NOT_SENT


def test_what_is_accepted_or_only_noted_makes_no_universe_faulty() -> None:
    """A note is to be read in the morning, and an exception shows its reason."""
    fast = Desk("Desk A", (1,), levels=moving(hz=60.0), hz=60.0)
    meant = Accepted("fast-refresh", "pixel wall, 60 Hz by design")
    assert states(Stage(house_of((1,)), fast).run(12.0)) == {"e131/1": UniverseState.FAULTY}
    shown = Stage(replace(house_of((1,)), accepted=(meant,)), fast).run(12.0)
    assert states(shown) == {"e131/1": UniverseState.STEADY}
    assert [one.rule for one in shown.all] == ["fast-refresh"], "and it is not hidden"
    waits = Desk("Desk A", (1,), levels=moving(), sync=7000)
    shown = Stage(house_of((1,)), waits).run(12.0)
    assert states(shown) == {"e131/1": UniverseState.STEADY}
    assert [(one.rule, one.severity) for one in shown.all] == [("sync-missing", Severity.NOTE)]
