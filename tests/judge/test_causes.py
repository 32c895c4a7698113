"""Why it dropped: what stopped together and what continues, one row of the cause table each.

Expected causes are those of the published table; each row of the fault catalogue's localisation table that
a listener can see is here.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace

import pytest

from slotwatch.house.schema import DeclaredSource, Network, Phase, Receiver, Route
from slotwatch.snapshot import Confidence, Incident, Severity
from slotwatch.wire.observation import LinkSeen, NeighbourSeen, QuerySeen, RouteSeen, RoutesSeen
from slotwatch.wire.universe import Protocol, UniverseId
from tests.judge.stage import (
    START_NS,
    Desk,
    Node,
    Packet,
    Plain,
    S,
    Stage,
    e131,
    group_of,
    house_of,
    moving,
    opened_after_s,
    still,
)
from tests.judge.switches import FOH, polled, switch

MAIN = DeclaredSource("main desk", address="10.0.0.1", role="main")
SPARE = DeclaredSource("spare desk", address="10.0.0.2", role="backup")


def desk(name: str, universes: tuple[int, ...], number: int = 1, **more: object) -> Desk:
    more.setdefault("hz", 10.0)
    more.setdefault("levels", moving(hz=10.0))
    return Desk(name, universes, address=f"10.0.0.{number}", number=number, **more)  # type: ignore[arg-type]


def stage(universes: Iterable[int], *senders: object, **more: object) -> Stage:
    return Stage(house_of(universes, min_refresh_hz=5, **more), *senders)  # type: ignore[arg-type]


def cause_of(stage: Stage) -> tuple[str, str, str]:
    incident = stage.only()
    return incident.rule, incident.cause, incident.confidence.value


def complete(incident: Incident) -> None:
    """Every verdict prints what stopped, since when, evidence, the second-best cause and what to look at."""
    assert incident.universes
    assert incident.evidence
    assert incident.also_possible or incident.confidence is Confidence.CERTAIN
    assert incident.next_checks
    assert "since" in incident.summary


def test_who_comes_back_alone_is_no_longer_behind_a_port_that_nothing_reaches() -> None:
    stops = {"to_s": 8.0}
    both = desk("Desk A", (1,), **stops), desk("Desk B", (2,), 2, **stops)
    shown = stage((1, 2), *both, desk("Desk A", (1,), from_s=16.0))
    before = shown.run(14.0).only()
    assert "Nothing reaches this port: all sources stopped together." in before.summary
    after = shown.run(19.0).only()
    assert (
        'Nothing reached this port then: all sources stopped together. "Desk A" is back. "Desk B" is still silent.'
    ) in after.summary
    assert after.next_checks[0] == 'Look at "Desk B": power, screen, link lamp.'


def test_sources_that_die_in_one_moment_are_looked_at_together() -> None:
    stops = {"to_s": 8.0}
    both = desk("Desk A", (1,), **stops), desk("Desk B", (2,), 2, **stops)
    found = stage((1, 2, 3), *both, desk("Desk C", (3,), 3)).run(14.0).only()
    assert found.next_checks[:2] == (
        "Look at what both sources share: supply, switch, uplink.",
        "Look at their screens: are they running?",
    )
    assert 'Other sources continued: "Desk C" (10.0.0.3).' in found.evidence


def test_clean_stop_of_one_universe() -> None:
    """Stream-terminated in one universe, the others continue: at once, and a warning only when silence counts."""
    one = desk("Desk A", (2,), to_s=8.0, terminate=True)
    shown = stage((1, 2), desk("Desk A", (1,)), one).run(9.0)
    incident = shown.only()
    assert (incident.cause, incident.severity) == ("stream-terminated", Severity.NOTE)
    assert opened_after_s(incident) <= 8.1
    shown.run(12.0)
    assert shown.only().severity is Severity.WARNING
    complete(shown.only())


def test_groups_that_end_one_by_one_are_one_loss_of_multicast() -> None:
    """Reports, and so memberships, are spread over the Query Response Interval, 10 s (RFC 2236 8.3)."""
    ends = {1: 8.0, 2: 9.7, 3: 14.1, 4: 17.9}
    shown = stage(ends, *(desk("Desk A", (number,), to_s=end_s) for number, end_s in ends.items())).run(24.0)
    assert cause_of(shown) == ("universe-lost", "multicast-lost", "medium")
    assert len(shown.only().universes) == len(ends)
    complete(shown.only())


def test_what_ends_further_apart_than_memberships_do_are_two_losses() -> None:
    senders = (desk("Desk A", (1,), to_s=8.0), desk("Desk A", (2,), to_s=19.0), desk("Desk A", (3,)))
    assert len(stage((1, 2, 3), *senders).run(24.0).alarms()) == 2
    nearer = (desk("Desk A", (1,), to_s=8.0), desk("Desk A", (2,), to_s=17.5), desk("Desk A", (3,)))
    assert len(stage((1, 2, 3), *nearer).run(24.0).alarms()) == 1


def test_universes_of_two_desks_that_end_one_after_the_other_while_groups_go_on_are_two_losses() -> None:
    """Nothing says that they have anything in common."""
    first, second = desk("Desk A", (1,), to_s=8.0), desk("Desk B", (3,), number=2, to_s=12.0)
    senders = (first, desk("Desk A", (2,)), second, desk("Desk B", (4,), number=2))
    assert len(stage((1, 2, 3, 4), *senders).run(20.0).alarms()) == 2


def test_desks_that_die_one_after_the_other_are_no_memberships_that_run_out() -> None:
    """Each ended whole in a moment of its own; memberships of one port run out group by group (RFC 2236 8.4)."""
    ends = {1: 8.0, 2: 12.5, 3: 16.1}
    shown = stage(ends, *(desk(f"Desk {n}", (n,), n, to_s=end_s) for n, end_s in ends.items())).run(40.0)
    assert {one.universes: one.cause for one in shown.alarms()} == {(f"e131/{n}",): "source-lost" for n in ends}
    last = max(shown.alarms(), key=lambda one: one.opened_ns)
    assert last.confidence is Confidence.MEDIUM
    assert any("drops one group after the other" in one for one in last.also_possible)


def routed(state_after: str) -> list[str]:
    """A desk falls silent at 8 s, and so does what a route of this computer made of it, on Art-Net."""
    own = Node((3,), address="10.0.0.200", levels=moving(hz=10.0), hz=10.0, to_s=8.1)
    route = Route("node", UniverseId(Protocol.E131, 1), target=UniverseId(Protocol.ARTNET, 3), to_address="10.0.0.50")
    desks = desk("Desk A", (1,), to_s=8.0), desk("Desk B", (9,), number=2)
    shown = stage((1, 9), *desks, own, artnet=(3,), routes=(route,))
    for t_s, state in ((1.0, "running"), (10.6, state_after)):
        seen = RouteSeen("node", state, "artnet/3 to 10.0.0.50", "e131/1")
        shown.see(t_s, RoutesSeen(START_NS + int(t_s * S), (seen,)))
    shown.run(24.0)
    return sorted(universe for incident in shown.alarms() for universe in incident.universes)


def test_what_a_route_stopped_sending_as_declared_is_no_second_loss() -> None:
    assert routed("stopped") == ["e131/1"]


def test_a_route_that_says_it_runs_and_is_not_heard_is_a_loss() -> None:
    assert routed("running") == ["artnet/3", "e131/1"]


def test_a_desk_that_is_back_within_its_timeout_was_only_noted() -> None:
    first, second = desk("Desk A", (1,), to_s=8.0, terminate=True), desk("Desk A", (1,), from_s=9.5)
    assert stage((1,), first, second).run(25.0).alarms() == []


def test_source_lost_with_others_going_on_is_high() -> None:
    shown = stage((1, 2, 7), desk("Desk A", (1, 2), to_s=8.0), desk("Desk B", (7,), 2)).run(34.0)
    assert cause_of(shown) == ("universe-lost", "source-lost", "high")
    complete(shown.only())


@pytest.mark.parametrize(("desks", "said"), [(2, "both sources"), (3, "all 3 sources")])
def test_the_first_check_of_several_sources_can_be_cut_at_its_first_and(desks: int, said: str) -> None:
    """The page shows it up to its first `and`, comma or colon: it read "Look at what main desk" there."""
    own = tuple(range(1, desks + 1))
    lost = [desk(f"Desk {number}", (number,), number, to_s=8.0) for number in own]
    shown = stage((*own, 7), *lost, desk("Desk of the bar", (7,), 9)).run(34.0)
    assert shown.only().next_checks[0] == f"Look at what {said} share: supply, switch, uplink."


def test_the_only_source_lost_is_medium_with_the_network_as_runner_up() -> None:
    shown = stage((1, 2), desk("Desk A", (1, 2), to_s=8.0)).run(34.0)
    assert cause_of(shown) == ("universe-lost", "source-lost", "medium")
    assert "network" in shown.only().also_possible[0]


def test_a_machine_that_still_answers_makes_it_a_program_or_multicast() -> None:
    shown = stage((1, 7), desk("Desk A", (1,), to_s=8.0), desk("Desk B", (7,), 2))
    shown.see(20.0, NeighbourSeen(START_NS + 20 * S, 0, "10.0.0.1", "02:00:00:00:00:01", True))
    shown.run(34.0)
    assert cause_of(shown) == ("universe-lost", "source-lost", "medium")
    assert "program" in shown.only().also_possible[0]


@pytest.mark.parametrize("reachable", [True, False])
def test_an_address_that_was_not_asked_since_says_nothing(reachable: bool) -> None:
    """An entry is reachable for half a minute after its last answer, then stale (RFC 4861 6.3.2, 7.3.2)."""
    shown = stage((1, 7), desk("Desk A", (1,), to_s=8.0), desk("Desk B", (7,), 2))
    for t_s in (5, 20):
        seen = NeighbourSeen(
            START_NS + t_s * S, 0, "10.0.0.1", "02:00:00:00:00:01", reachable or t_s == 5, START_NS + 4 * S
        )
        shown.see(float(t_s), seen)
    shown.run(34.0)
    assert cause_of(shown) == ("universe-lost", "source-lost", "high")
    assert not any("on the network" in line for line in shown.only().evidence)


def test_every_source_at_once_is_the_network() -> None:
    both = desk("Desk A", (1, 2), to_s=8.0), desk("Desk B", (7,), 2, to_s=8.02)
    shown = stage((1, 2, 7), *both).run(34.0)
    assert cause_of(shown) == ("universe-lost", "network-lost", "medium")
    assert shown.only().universes == ("e131/1", "e131/2", "e131/7")
    assert "stage itself may be fine" in shown.only().summary


def test_two_sources_at_one_address_that_stop_together_are_one_machine() -> None:
    """Common practice, no source: what one machine sends ends at once when it dies; so it does when a path ends."""
    both = desk("Desk A", (1,), to_s=8.0), replace(desk("Desk B", (7,), 2, to_s=8.02), address="10.0.0.1")
    lost = stage((1, 7), *both).run(34.0).only()
    assert (lost.cause, lost.confidence) == ("source-lost", Confidence.MEDIUM)
    assert (
        '"Desk A" (10.0.0.1) and "Desk B" (10.0.0.1) went completely silent: '
        "power, crash or network lead of the one machine that runs both sources."
    ) in lost.summary.replace("They", '"Desk A" (10.0.0.1) and "Desk B" (10.0.0.1)')
    assert lost.also_possible[0] == "the network path to this port: there is no other source to compare with"
    assert "They are the only sources on this network, so nothing shows that the path works." in lost.evidence
    beside = stage((1, 3, 7), *both, desk("Desk C", (3,), 3)).run(34.0).only()
    assert (beside.cause, beside.confidence) == ("source-lost", Confidence.HIGH)
    assert not any("share" in line for line in (*beside.also_possible, *beside.next_checks))


def test_every_source_at_once_while_one_of_them_answers_is_no_dead_path() -> None:
    """An answer (RFC 826) came by the same path; so that machine has power."""
    both = desk("Desk A", (1, 2), to_s=8.0), desk("Desk B", (7,), 2, to_s=8.02)
    shown = stage((1, 2, 7), *both)
    for t in range(10, 34, 5):
        shown.see(t, NeighbourSeen(START_NS + t * S, 0, "10.0.0.1", "02:00:00:00:00:01", True))
    lost = shown.run(34.0).only()
    assert "No data reaches this port: all sources stopped together, and other traffic arrives." in lost.summary
    assert "every source lost power together" not in lost.also_possible
    assert not any("power" in line for line in lost.next_checks)
    assert any("Answers still come from 1 device, 10.0.0.1" in line for line in lost.evidence)


def test_a_slower_timeout_widens_and_revises_the_same_incident() -> None:
    """Art-Net's 10 s come later: the cause grows from one source to the network."""
    desk_a = desk("Desk A", (1,), to_s=10.0)
    node = Node((0,), levels=moving(hz=10), hz=10.0, to_s=10.0)
    shown = stage((1,), desk_a, node, artnet=(0,)).run(16.0)
    assert shown.only().universes == ("e131/1",)
    shown.run(34.0)
    incident = shown.only()
    assert incident.cause == "network-lost"
    assert incident.universes == ("artnet/0", "e131/1") or set(incident.universes) == {"artnet/0", "e131/1"}
    assert {"revised", "widened"} & {entry.what for entry in incident.timeline}


def test_one_group_of_a_living_source_that_lists_it_is_path_or_sender() -> None:
    class Stuck(Desk):
        def listed(self, t: float) -> tuple[int, ...]:
            return (1, 2)

    living = Stuck("Desk A", (1,), hz=10.0, levels=moving(hz=10.0), discovery=True)
    gone = desk("Desk A", (2,), to_s=8.0)
    shown = stage((1, 2), living, gone).run(34.0)
    assert cause_of(shown) == ("universe-lost", "path-or-sender", "low")
    assert any("still lists it" in text for text in shown.only().evidence)
    complete(shown.only())


def test_a_universe_that_the_discovery_drops_was_withdrawn() -> None:
    class Honest(Desk):
        def listed(self, t: float) -> tuple[int, ...]:
            return (1, 2) if t < 8 else (1,)

    living = Honest("Desk A", (1,), hz=10.0, levels=moving(hz=10.0), discovery=True)
    gone = desk("Desk A", (2,), to_s=8.0)
    shown = stage((1, 2), living, gone).run(34.0)
    assert cause_of(shown) == ("universe-lost", "universe-withdrawn", "high")
    assert shown.only().timeline[1].text != shown.only().summary, "first reported with less evidence, then revised"


def test_a_network_that_is_back_is_no_longer_said_to_be_cut_off_while_one_universe_is_still_away() -> None:
    """Two networks; A falls silent and is back, but for one universe of one source."""

    def lead(name: str, number: int, universes: tuple[int, ...], network: int, **more: object) -> Desk:
        return Desk(name, universes, f"10.{network}.0.{number}", number, network=network, **more)

    desks = [("Desk A", 1, (1,)), ("Media", 2, (2, 3))]
    on_b = [lead(*one, 1) for one in desks]
    on_a = [lead(*one, 0, to_s=10.0) for one in desks]
    again = [lead("Desk A", 1, (1,), 0, from_s=18.0), lead("Media", 2, (2,), 0, from_s=18.0)]
    house = house_of((1, 2, 3))
    universes = tuple(replace(one, networks=(0, 1)) for one in house.universes)
    house = replace(house, universes=universes, networks=(Network("A", "eth1"), Network("B", "eth2")))
    shown = Stage(house, *on_a, *on_b, *again)
    assert "Network A no longer reaches this port" in shown.run(16.0).rule("universe-lost").summary
    lost = shown.run(21.0).rule("universe-lost")
    assert lost.summary.startswith("Universe e131/3@A lost"), lost.summary
    assert "Network A did not reach this port then" in lost.summary
    assert '"Desk A" is back. "Media" is back in part.' in lost.summary
    assert lost.next_checks[0] == 'Look at the output list of "Media": is everything on?'


@pytest.mark.parametrize(
    ("new", "words"),
    [
        ((9,), "or has another number: its list names e131/9, which is not declared."),
        ((7, 9), "switched off, unpatched or failed."),
        ((), "switched off, unpatched or failed."),
    ],
)
def test_a_list_that_names_another_number_instead_says_where_the_universe_may_be(
    new: tuple[int, ...], words: str
) -> None:
    """Nobody here joined the group of a number that is not declared, so the list alone knows (ANSI E1.31-2018 4.3)."""

    class Renumbered(Desk):
        def listed(self, t: float) -> tuple[int, ...]:
            return (1, 2) if t < 8 else (1, *new)

    living = Renumbered("Desk A", (1,), hz=10.0, levels=moving(hz=10.0), discovery=True)
    shown = stage((1, 2), living, desk("Desk A", (2,), to_s=8.0)).run(34.0)
    assert words in shown.only().summary


def test_a_number_that_was_sent_all_along_is_not_where_the_universe_went() -> None:
    """It began 8 s before the other ended, so that is not the same data under another number."""

    class Listing(Desk):
        def listed(self, t: float) -> tuple[int, ...]:
            return (1, 2, 9) if t < 8 else (1, 9)

    living = Listing("Desk A", (1, 9), hz=10.0, levels=moving(hz=10.0), discovery=True)
    shown = stage((1, 2), living, desk("Desk A", (2,), to_s=8.0)).run(34.0).rule("universe-lost")
    assert "switched off, unpatched or failed." in shown.summary
    assert "another number" not in shown.summary


def test_groups_of_two_sources_that_stop_at_once_are_no_output_of_one() -> None:
    """The backup's copy of the universe stops with the main's; both run on."""
    both = ("Main", 1), ("Backup", 2)
    kept = [Desk(name, (1,), f"10.0.0.{n}", n, hz=10.0) for name, n in both]
    gone = [Desk(name, (2,), f"10.0.0.{n}", n, hz=10.0, to_s=8.0) for name, n in both]
    lost = stage((1, 2), *kept, *gone).run(14.0).only()
    assert (lost.rule, lost.cause) == ("universe-lost", "path-or-sender")
    assert "They are running and still send their other universes" in lost.summary
    assert "this group probably no longer reaches this port" in lost.summary
    assert "output is stuck" not in lost.summary
    assert "group table" in lost.next_checks[0]


def test_what_still_works_begins_with_who_keeps_most() -> None:
    gone = desk("Desk A", (1, 2, 3), to_s=8.0)
    house = house_of((1, 2, 3))
    few, most = Desk("Few", (1,), "10.0.0.2", 2), Desk("Most", (1, 2, 3), "10.0.0.3", 3)
    sources = tuple(DeclaredSource(one.name.lower(), cid=one.cid) for one in (gone, few, most))
    names = tuple(one.name for one in sources)
    universes = tuple(replace(one, sources=names) for one in house.universes)
    shown = Stage(replace(house, sources=sources, universes=universes), gone, few, most).run(14.0)
    works = shown.rule("source-absent").still_working
    assert works[0].startswith('"most"') and works[1].startswith('"few"'), works


def test_one_of_several_unicast_universes_was_withdrawn() -> None:
    """They reach this port by the same way, so the way is whole."""
    unicast = {"dst": lambda universe: "10.0.0.200"}
    shown = stage((1, 2), desk("Desk A", (1,), **unicast), desk("Desk A", (2,), to_s=8.0, **unicast)).run(34.0)
    assert cause_of(shown) == ("universe-lost", "universe-withdrawn", "high")


@pytest.mark.parametrize("ends", [False, True])
def test_nobody_is_told_to_pull_the_lead_of_a_source_whose_packets_show_that_it_works(ends: bool) -> None:
    """It carries the other universes. In get-in, checks may touch things. Common practice, no source."""
    to_node = {"dst": lambda universe: "10.0.0.200"}
    stays = () if ends else (desk("Desk A", (1, 2), **to_node),)
    ending = desk("Desk A", (3,), to_s=8.0, terminate=ends, **to_node)
    shown = Stage(house_of((3,) if ends else (1, 2, 3), min_refresh_hz=5), *stays, ending, phase=Phase.GET_IN)
    incident = shown.run(20.0).only()
    assert incident.cause == ("stream-terminated" if ends else "universe-withdrawn")
    assert not any(word in check for check in incident.next_checks for word in ("Reseat", "link lamp", "group table"))
    assert len(incident.next_checks) == 2
    assert len({line.split()[0] for line in incident.evidence}) == len(incident.evidence), "nothing is said twice"


def test_groups_stop_while_unicast_of_the_same_source_goes_on() -> None:
    unicast = desk("Desk A", (1,), dst=lambda universe: "10.0.0.200")
    shown = stage((1, 2, 3), unicast, desk("Desk A", (2, 3), to_s=8.0)).run(34.0)
    assert cause_of(shown)[:2] == ("universe-lost", "multicast-lost")


@pytest.mark.parametrize(("address", "off"), [("10.0.0.50", True), ("10.0.0.1", False)])
def test_a_desk_that_still_sends_another_way_is_not_thought_to_be_off(address: str, off: bool) -> None:
    both = desk("Desk A", (1,), to_s=8.0), desk("Desk B", (2,), 2, to_s=8.0)
    artnet = Node((0,), address, levels=moving())
    shown = Stage(house_of((1, 2), artnet=(0,), min_refresh_hz=5), *both, artnet).run(16.0)
    lost = shown.rule("universe-lost")
    assert lost.cause == "multicast-lost"
    assert any("off themselves" in line for line in lost.also_possible) is off


def test_artnet_that_came_back_with_the_next_number_had_only_paused() -> None:
    """F08. It is sent on change alone, so its numbers go on; those of a lead that was out would have a gap."""
    paused = Node((0,), keep_alive_s=1e9, levels=lambda t: bytes([max(0, int(t // 15))]) * 512)
    cut = Node((0,), levels=moving(), drop=lambda universe, index, t: t % 15 > 0.5)
    for node, is_paused in ((paused, True), (cut, False)):
        other = Node((1,), "10.0.0.51", keep_alive_s=1.0)
        shown = Stage(house_of((), artnet=(0, 1), min_refresh_hz=5), node, other).run(43.0)
        lost = shown.rule("universe-lost")
        assert (lost.cause, lost.universes) == ("source-lost", ("artnet/0",))
        assert any("it had sent nothing in between" in line for line in lost.evidence) is is_paused
        assert ("it sends nothing while its levels do not change" in lost.also_possible) is is_paused


def test_a_querier_that_fell_silent_explains_the_groups() -> None:
    """IGMPv2: memberships run out 260 s after the last query (RFC 2236 8.4, 8.5)."""
    slow = {"hz": 2.0, "levels": moving(hz=2.0), "to_s": 262.0}
    both = desk("Desk A", (1,), **slow), desk("Desk B", (7,), 2, **slow)
    shown = stage((1, 7), *both)
    shown.see(2.0, QuerySeen(START_NS + 2 * S, 0, "10.0.0.254", "igmp2", 10.0))
    shown.run(268.0)
    incident = shown.rule("universe-lost")
    assert (incident.cause, incident.confidence) == ("multicast-lost", "high")
    assert "querier-absent" in dict(incident.explains)


def test_groups_that_run_out_one_after_the_other_are_one_incident_of_the_silent_querier_all_along() -> None:
    """RFC 2236 8.3, 8.4: the memberships of one port run out within 10 s of each other, 260 s after the last query."""
    slow = {"hz": 2.0, "levels": moving(hz=2.0)}
    ends_s = {1: 8.0, 2: 9.6, 3: 13.1, 4: 14.4, 5: 16.2, 6: 16.9}
    groups = [desk("Desk A", (number,), to_s=to_s, **slow) for number, to_s in ends_s.items()]
    shown = stage((*ends_s, 7), *groups, desk("Desk B", (7,), 2, to_s=17.2, **slow))
    shown.see(0.5, QuerySeen(START_NS - 252 * S, 0, "10.0.0.254", "igmp2", 10.0))
    incident = shown.run(45.0).only()
    assert (incident.rule, incident.cause, len(incident.universes)) == ("universe-lost", "multicast-lost", 7)
    told = [entry.text for entry in incident.timeline if entry.what in ("opened", "revised", "widened")]
    assert all("querier 10.0.0.254 has been silent" in text for text in told)


def test_two_desks_that_run_out_one_after_the_other_are_one_incident_of_the_silent_querier() -> None:
    shown = stage((1, 2), desk("Desk A", (1,), to_s=8.0), desk("Desk B", (2,), 2, to_s=12.0))
    shown.see(0.5, QuerySeen(START_NS - 252 * S, 0, "10.0.0.254", "igmp2", 10.0))
    incident = shown.run(25.0).only()
    assert (incident.cause, incident.universes) == ("multicast-lost", ("e131/1", "e131/2"))


def test_groups_of_two_desks_that_run_out_in_turn_are_one_incident_all_along_while_others_still_come() -> None:
    """RFC 2236 8.3, 8.4, as above. The desks' groups run out crosswise, so that each desk sends on for some seconds."""
    ends_s = {1: 8.0, 11: 10.0, 2: 12.0, 12: 14.0}
    desks = {1: ("Desk A", 1), 2: ("Desk A", 1), 11: ("Desk B", 2), 12: ("Desk B", 2)}
    groups = [desk(desks[number][0], (number,), desks[number][1], to_s=to_s) for number, to_s in ends_s.items()]
    shown = stage(tuple(ends_s), *groups)
    shown.see(0.5, QuerySeen(START_NS - 252 * S, 0, "10.0.0.254", "igmp2", 10.0))
    for end_s, count in ((10.9, 1), (12.9, 2), (14.9, 3), (30.0, 4)):
        incident = shown.run(end_s).only()
        assert (incident.cause, len(incident.universes)) == ("multicast-lost", count)


def test_a_desk_whose_groups_end_in_turn_may_be_forgotten_by_the_switch() -> None:
    """What loses power ends in one moment; no querier is heard here, and another desk sends on."""
    groups = [desk("Desk A", (number,), to_s=to_s) for number, to_s in ((1, 8.0), (2, 12.0))]
    lost = stage((1, 2, 7), *groups, desk("Desk B", (7,), 2)).run(20.0).only()
    assert (lost.cause, lost.universes, lost.confidence) == ("source-lost", ("e131/1", "e131/2"), "medium")
    assert lost.also_possible[0] == "the switch drops one group after the other"


def test_a_querier_that_moved_just_before_explains_the_groups() -> None:
    """A switch that snoops forwards groups to where its querier is (RFC 4541 2.1.1): the switch says that it moved."""
    unicast = desk("Desk A", (1,), dst=lambda universe: "10.0.0.200")
    moved = polled(switch(querier=lambda t_s: "10.0.0.254" if t_s < 7.0 else "10.0.0.1"), 34.0)
    shown = stage((1, 2, 3), unicast, desk("Desk A", (2, 3), to_s=8.0), switches=(FOH,))
    for at_s, seen in moved:
        shown.see(at_s, seen)
    incident = shown.run(34.0).rule("universe-lost")
    assert (incident.cause, incident.confidence) == ("multicast-lost", "high")
    assert "The multicast querier moved from 10.0.0.254 to 10.0.0.1 between" in incident.summary
    assert "Switch FOH names 10.0.0.1; before it was 10.0.0.254." in incident.evidence
    assert "querier-changed" in {one.rule for one in shown.all} | set(dict(incident.explains))


def test_a_backup_that_goes_on_is_named_and_receivers_hold() -> None:
    receivers = (Receiver("Rack 1", "10.0.1.1", (UniverseId(Protocol.E131, 1),), "hold"),)
    by = ("main desk", "spare desk")
    spare = desk("Desk B", (1,), 2, priority=90)
    shown = stage((1,), desk("Desk A", (1,), to_s=8.0), spare, sources=(MAIN, SPARE), by=by, receivers=receivers)
    shown.run(20.0)
    incident = shown.only()
    assert (incident.rule, incident.cause) == ("source-absent", "source-lost")
    assert 'backup "spare desk" (10.0.0.2) is sending universe e131/1' in incident.still_working
    assert dict(incident.explains) == {"backup-in-control": ("e131/1",)}


def test_a_backup_whose_name_says_so_is_not_called_backup_twice() -> None:
    named = replace(SPARE, name="Backup desk")
    by = ("main desk", "Backup desk")
    spare = desk("Desk B", (1,), 2, priority=90)
    shown = stage((1,), desk("Desk A", (1,), to_s=8.0), spare, sources=(MAIN, named), by=by).run(20.0)
    assert '"Backup desk" (10.0.0.2) is sending universe e131/1' in shown.only().still_working


def test_two_faults_at_different_times_are_two_incidents() -> None:
    first, second = desk("Desk A", (1,), to_s=8.0), desk("Desk B", (7,), 2, to_s=14.0)
    shown = stage((1, 7, 9), first, second, desk("Desk C", (9,), 3)).run(34.0)
    assert shown.reported() == [("universe-lost", "source-lost")] * 2


def test_undeclared_and_unused_universes_are_one_lower() -> None:
    shown = stage((9,), desk("Desk A", (1,), to_s=8.0, dst=lambda universe: "10.0.0.200"), desk("Desk B", (9,), 2))
    lost = shown.run(15.0).rule("universe-lost")
    assert lost.severity is Severity.WARNING


def broadcaster(address: str) -> Node:
    return Node((5,), address=address, levels=moving(hz=10.0), hz=10.0)


def test_groups_that_stop_while_the_same_address_broadcasts_are_lost_multicast() -> None:
    """The other protocol has no identity but the address: the machine sends, so it is not its power."""
    shown = stage((1, 2), desk("Desk A", (1, 2), to_s=6.0), broadcaster("10.0.0.1"))
    incident = shown.run(9.0).rule("universe-lost")
    assert (incident.cause, incident.universes) == ("multicast-lost", ("e131/1", "e131/2"))
    shown = stage((1, 2), desk("Desk A", (1, 2), to_s=6.0), broadcaster("10.0.0.5")).run(9.0)
    assert shown.rule("universe-lost").cause == "source-lost"


def test_a_machine_that_sends_on_is_not_called_dead() -> None:
    shown = stage((1,), desk("Desk A", (1,), to_s=6.0), broadcaster("10.0.0.1"))
    incident = shown.run(9.0).rule("universe-lost")
    assert (incident.cause, incident.confidence) == ("source-lost", Confidence.MEDIUM)
    assert "not its power" in incident.summary


def test_a_later_loss_of_all_does_not_begin_with_an_earlier_takeover() -> None:
    """A backup alone from the start, then silence: the loss began with the last frame."""
    late = desk("spare", (1,), 2, to_s=15.0, priority=90)
    shown = stage((1,), late, desk("main", (2,), to_s=15.0), sources=(MAIN, SPARE), by=("main desk", "spare desk"))
    shown.run(19.0)
    lost = shown.rule("universe-lost")
    assert (lost.began_ns - START_NS) / S > 14.8
    assert 17.3 <= opened_after_s(lost) <= 17.6


def test_what_this_computer_sends_itself_proves_no_network() -> None:
    """As documented: two sources, all of them, stopped together: `network-lost`; the only source: medium.

    A bridge on this computer is heard by its own listener, whatever becomes of the cable.
    """

    def heard(*senders: object) -> Incident:
        bridge = Desk("bridge", (9,), address="10.0.0.99", number=9, hz=10.0, levels=moving(hz=10.0), discovery=True)
        shown = stage((1, 7, 9), *senders, bridge)
        shown.see(0.0, LinkSeen(START_NS, 0, True, ("10.0.0.99", "fe80::99"), "eth1"))
        return shown.run(40.0).rule("universe-lost")

    both = heard(desk("Desk A", (1,), to_s=8.0), desk("Desk B", (7,), 2, to_s=8.0))
    assert both.cause == "network-lost"
    one = heard(desk("Desk A", (1, 7), to_s=8.0))
    assert (one.cause, one.confidence) == ("source-lost", Confidence.MEDIUM)
    assert "network" in one.also_possible[0]


def test_a_stranger_beside_a_declared_source_is_not_said_to_be_still_working() -> None:
    """Common practice, no source. Alone on a universe it is named, as undeclared."""
    far = DeclaredSource("Desk C", address="10.0.0.3")
    ends, goes_on = desk("Desk A", (1,), to_s=8.0), desk("Desk C", (3,), 3)
    strangers = desk("Laptop", (3,), 8), desk("Visitor", (5,), 9)
    shown = stage((1, 3), ends, goes_on, *strangers, sources=(MAIN, far), by=("main desk", "Desk C")).run(14.0)
    works = " ".join(shown.rule("universe-lost").still_working)
    assert "Desk C" in works and 'undeclared "Visitor"' in works and "Laptop" not in works


def test_a_backup_that_carries_a_part_on_is_not_said_to_carry_all_on() -> None:
    """Main and backup send two universes; the main one dies, and then the backup's output of the second stops."""
    sources, by = (MAIN, SPARE), ("main desk", "spare desk")
    spare = desk("spare", (1,), 2, priority=90), desk("spare", (2,), 2, priority=90, to_s=12.0)
    shown = stage((1, 2), desk("main", (1, 2), to_s=8.0), *spare, sources=sources, by=by).run(16.0)
    assert (
        '"spare desk" (10.0.0.2) carries on, but nobody sends universe e131/2.' in shown.rule("source-absent").summary
    )


def test_multicast_that_another_source_went_on_with_for_a_second_was_not_lost() -> None:
    """Most of it went in one moment, which memberships that run out do not: common practice, no source."""
    server = Node((0,), address="10.0.0.30")
    ends = [desk("Desk A", (1,), to_s=8.0), desk("Desk B", (2,), 2, to_s=8.0), desk("Desk C", (3,), 3, to_s=9.0)]
    shown = stage((1, 2, 3), *ends, server).run(14.0)
    assert {one.cause for one in shown.all if one.rule == "universe-lost"} == {"source-lost"}
    assert not any("ulticast" in one.summary for one in shown.all)


@pytest.mark.parametrize("dst", [group_of, lambda universe: "10.0.0.200"])
def test_frames_at_rest_that_are_lost_in_a_row_on_a_way_that_loses_frames_accuse_the_way(
    dst: Callable[[int], str],
) -> None:
    """E1.31-2018 6.6.2 and 6.7.1: at rest a frame comes every 0.8 to 1 s, and after 2.5 s without one it is a loss.

    By unicast as well, where what continues takes the same path.
    """

    def lost(universe: int, index: int, t: float) -> bool:
        return t >= 8.0 and index % 10 == 0 if universe == 1 else 12.0 <= t < 15.5

    still_one = desk("Desk A", (2,), levels=still(70), rests=True, drop=lost, dst=dst)
    shown = stage((1, 2), desk("Desk A", (1,), drop=lost, dst=dst), still_one).run(15.0)
    (found,) = [one for one in shown.alarms() if one.rule == "universe-lost"]
    assert (found.universes, found.cause, found.confidence) == (("e131/2",), "path-or-sender", Confidence.MEDIUM)
    assert "its path to this port loses frames" in found.summary
    complete(found)


def pausing(keep_alive_s: float, *, sent: bool) -> set[str]:
    """What is said of a universe at rest that pauses for 3 s: frames are lost on the way, or it sends no more."""

    def lost(universe: int, index: int, t: float) -> bool:
        return sent and t >= 8.0 and (t - 8.0) % 3.0 > 0.6

    rests = desk("Desk A", (1,), levels=still(70), rests=True, keep_alive_s=keep_alive_s, drop=lost)
    shown = stage((1, 2), rests, desk("Desk B", (2,), 2)).run(20.0)
    found = [event.incident for event in shown.events if event.incident is not None]
    assert {one.rule for one in found if one.severity > Severity.NOTE} <= {"universe-lost", "packet-loss"}
    return {one.summary for one in found if one.rule == "universe-lost"}


def test_drop_outs_of_a_universe_at_rest_are_no_slow_keep_alive() -> None:
    """E1.31-2018 6.6.2: at rest a frame every 0.8 to 1 s; its numbers (6.2.5) tell which were lost on the way."""
    assert any("at rest only every 3" in said for said in pausing(3.0, sent=False))
    lossy = pausing(0.5, sent=True)
    assert lossy
    assert not any("at rest only every" in said for said in lossy)


def test_why_a_desk_came_and_went_is_not_found_anew_after_a_time_that_was_not_judged() -> None:
    """It was back for long when this computer's own lead came out: what is not heard then says nothing of the desk."""

    def lost(universe: int, index: int, t: float) -> bool:
        return (universe == 1 and any(at_s <= t < at_s + 4.0 for at_s in (11.0, 21.0, 31.0, 41.0))) or 55.0 <= t < 70.3

    shown = stage((1, 2), desk("Desk A", (1,), drop=lost, discovery=True), desk("Desk B", (2,), 2, drop=lost))
    shown.see(55.0, LinkSeen(START_NS + 55 * S, 0, False, (), "eth1"))
    shown.see(70.0, LinkSeen(START_NS + 70 * S, 0, True, ("10.0.0.200",), "eth1"))
    shown.run(80.0)
    causes = {
        event.incident.cause for event in shown.events if event.incident and event.incident.rule == "universe-lost"
    }
    assert causes == {"source-lost"}


def test_other_packets_of_a_source_that_comes_back_do_not_say_that_it_sends_no_levels() -> None:
    """Start code 0xDD comes before the first frame at rest, which is up to a second later (E1.31-2018 6.6.2)."""
    before = desk("Desk A", (1,), levels=still(70), to_s=8.0)
    after = desk("Desk A", (1,), levels=still(70), from_s=12.9)
    data = e131(1, 90, bytes([100]) * 512, cid=before.cid, name="Desk A", start_code=0xDD)
    priorities = Plain([Packet(12.0, data, "10.0.0.1", group_of(1))])
    shown = stage((1, 2), before, after, priorities, desk("Desk B", (2,), 2)).run(20.0)
    lost = [event.incident for event in shown.events if event.incident and event.incident.rule == "universe-lost"]
    assert {one.cause for one in lost} == {"source-lost"}


def test_a_desk_that_dies_while_no_querier_is_heard_is_dead_where_other_groups_go_on() -> None:
    """Memberships of one port run out within 10 s of each other (RFC 2236 8.3), and these do not."""
    shown = stage((1, 2), desk("Desk A", (1,), to_s=8.0), desk("Desk B", (2,), 2))
    shown.see(0.5, QuerySeen(START_NS - 260 * S, 0, "10.0.0.254", "igmp2", 10.0))
    first = shown.run(12.0).rule("universe-lost")
    assert (first.cause, first.confidence) == ("multicast-lost", Confidence.MEDIUM)
    later = shown.run(25.0).rule("universe-lost")
    assert later.cause == "source-lost"
    assert "It went completely silent: power, crash or its network lead." in later.summary


def test_a_desk_whose_group_still_brings_its_backup_did_not_lose_it_to_a_silent_querier() -> None:
    """A membership is of a group, whoever sends to it (RFC 2236 3)."""
    main = DeclaredSource("main", address="10.0.0.1")
    spare = DeclaredSource("spare", address="10.0.0.2", role="backup", priority=90)
    desks = desk("Desk A", (1,), to_s=8.0), desk("Desk B", (1,), 2, priority=90)
    shown = stage((1,), *desks, sources=(main, spare), by=("main", "spare"))
    shown.see(0.5, QuerySeen(START_NS - 260 * S, 0, "10.0.0.254", "igmp2", 10.0))
    absent = shown.run(12.0).rule("source-absent")
    assert absent.cause == "source-lost"


def test_a_desk_that_comes_and_goes_while_no_querier_is_heard_has_not_lost_its_group() -> None:
    """A membership that ran out does not come back without a query (RFC 2236 3): its source came back by itself."""
    lives = [desk("Desk A", (1,), from_s=start_s, to_s=start_s + 5.0) for start_s in (0.0, 9.0, 18.0)]
    shown = stage((1, 2), *lives, desk("Desk B", (2,), 2))
    shown.see(0.5, QuerySeen(START_NS - 240 * S, 0, "10.0.0.254", "igmp2", 10.0))
    shown.run(27.0)
    assert {one.cause for one in shown.all if one.rule == "universe-lost"} == {"source-lost"}


def test_groups_that_end_long_after_a_desk_died_say_nothing_of_it() -> None:
    """The querier is silent, and 17 s after the desk the other groups end as well: within 22 s causes are revised."""
    shown = stage((1, 2), desk("Desk A", (1,), to_s=8.0), desk("Desk B", (2,), 2, to_s=25.0))
    shown.see(0.5, QuerySeen(START_NS - 260 * S, 0, "10.0.0.254", "igmp2", 10.0))
    causes = {one.universes: one.cause for one in shown.run(45.0).all if one.rule == "universe-lost"}
    assert causes == {("e131/1",): "source-lost", ("e131/2",): "multicast-lost"}


def test_two_desks_that_still_answer_are_spoken_of_in_the_plural() -> None:
    """English: what two did is not "its"."""
    both = [desk("Desk A", (1,), to_s=10.0), desk("Desk B", (2,), number=2, to_s=10.0)]
    shown = stage((1, 2, 9), *both, desk("Desk C", (9,), number=3))
    for n in (1, 2):
        shown.see(12.0, NeighbourSeen(START_NS + 12 * S, 0, f"10.0.0.{n}", f"02:00:00:00:00:0{n}", True))
    lost = shown.run(16.0).rule("universe-lost")
    assert "no longer send, but their machines are alive: their programs, their outputs" in lost.summary
    assert lost.also_possible[0] == "their sending programs died, or multicast is blocked for them"


def test_two_desks_whose_addresses_still_send_are_spoken_of_in_the_plural() -> None:
    going = [desk("Media", (9,), number=n, cid=bytes([n + 6]) * 16) for n in (1, 2)]
    both = [desk("Desk A", (1,), to_s=10.0), desk("Desk B", (2,), number=2, to_s=10.0)]
    lost = stage((1, 2, 9), *both, *going, desk("Desk C", (9,), number=3)).run(16.0).rule("universe-lost")
    assert "their addresses still send: their programs or outputs failed, not their power." in lost.summary
