"""Two networks: a desk dies in the moment in which another desk loses one lead. Two causes are two incidents.

ANSI E1.31-2018 6.7.1: a silent source is lost after 2.5 s. What is expected of the words is common practice, no source.
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from slotwatch.house.schema import DeclaredSource, House, Network
from slotwatch.snapshot import Incident
from slotwatch.wire.observation import LinkSeen, UnreadSeen
from tests.judge.stage import START_NS, Desk, S, Stage, house_of

MAIN = Desk("Main desk", (1, 2), "10.0.0.1", 1)
SPARE = Desk("Spare desk", (1, 2), "10.0.0.2", 2, 90)
LIGHTS = Desk("Lights", (9,), "10.0.0.9", 9)
DIES_S = 12.0


def house() -> House:
    declared = house_of(
        (1, 2, 9),
        sources=(
            DeclaredSource("main desk", cid=MAIN.cid),
            DeclaredSource("spare desk", cid=SPARE.cid, role="backup", priority=90),
            DeclaredSource("lights", cid=LIGHTS.cid),
        ),
        networks=(Network("A", "eth1"), Network("B", "eth2")),
    )
    senders = {9: ("lights",)}
    universes = tuple(
        replace(one, networks=(0, 1), sources=senders.get(one.id.number, ("main desk", "spare desk")))
        for one in declared.universes
    )
    return replace(declared, universes=universes)


def legs(desk: Desk, to_s: dict[int, float] | None = None, back_s: dict[int, float] | None = None) -> list[Desk]:
    """A desk with a lead to each network; to_s, back_s: when a lead's frames end, and when they come again."""
    found = []
    for network, net in enumerate(("10.0.0", "10.0.1")):
        leg = replace(desk, address=desk.address.replace("10.0.0", net), network=network)
        found.append(replace(leg, to_s=(to_s or {}).get(network, 1e9)))
        if back_s and network in back_s:
            first = round(back_s[network] * leg.hz)
            later = replace(leg, from_s=back_s[network], sequence_of=lambda universe, index, first=first: first + index)
            found.append(later)
    return found


def by_rule(stage: Stage) -> dict[str, Incident]:
    assert len({one.rule for one in stage.open}) == len(stage.open), stage.reported()
    return {one.rule: one for one in stage.open}


@pytest.mark.parametrize("others", [[], legs(LIGHTS)])
def test_a_desk_that_dies_as_its_backup_loses_a_lead_is_named_with_its_own_cause(others: list[Desk]) -> None:
    main, spare = legs(MAIN, {0: DIES_S, 1: DIES_S}), legs(SPARE, {1: DIES_S})
    found = by_rule(Stage(house(), *main, *spare, *others).run(20.0))
    absent, lost = found["source-absent"], found["universe-lost"]
    assert (absent.cause, absent.universes, absent.sources) == ("source-lost", ("e131/1@A", "e131/2@A"), ("main desk",))
    assert "went completely silent on networks A and B at once: power or crash" in absent.summary
    assert "Look at the screen of main desk: is it running?" in absent.next_checks
    assert (lost.cause, lost.universes) == ("leg-lost", ("e131/1@B", "e131/2@B"))
    assert '"spare desk": lead on network B down, network A continues.' in lost.summary
    assert '"main desk" went completely silent on networks A and B at once: power or crash.' in lost.summary
    assert 'Look at the lead of "spare desk" on network B: link lamp at both ends.' in lost.next_checks
    assert "Look at the screen of main desk: is it running?" in lost.next_checks
    assert not any("not known whether it is running" in line for line in lost.evidence)


def test_once_the_lead_is_back_the_dead_desk_is_one_incident_on_both_networks() -> None:
    main, spare = legs(MAIN, {0: DIES_S, 1: DIES_S}), legs(SPARE, {1: DIES_S}, {1: 30.0})
    stage = Stage(house(), *main, *spare, *legs(LIGHTS)).run(50.0)
    only = by_rule(stage)["source-absent"]
    assert only.universes == ("e131/1@A", "e131/1@B", "e131/2@A", "e131/2@B") and only.sources == ("main desk",)
    assert [(one.rule, one.cause) for one in stage.all if one.closed_ns] == [("universe-lost", "leg-lost")]


def test_once_the_desk_is_back_the_lead_is_all_that_is_open() -> None:
    main, spare = legs(MAIN, {0: DIES_S, 1: DIES_S}, {0: 30.0, 1: 30.0}), legs(SPARE, {1: DIES_S})
    stage = Stage(house(), *main, *spare, *legs(LIGHTS)).run(50.0)
    only = by_rule(stage)["backup-absent"]
    assert only.cause == "leg-lost" and 'Look at the lead of "spare desk" on network B' in only.next_checks[0]
    assert "main desk" not in only.summary


def test_once_the_lead_is_back_what_is_still_away_has_the_checks_of_its_rule() -> None:
    """Those of the verdict were about the lead. No line of what is said then names a place for "there"."""
    lights, beside = legs(LIGHTS, {1: DIES_S})[1], legs(Desk("Other desk", (5,), "10.0.0.5", 5))
    stage = Stage(house(), *legs(MAIN, {1: DIES_S}, {1: 30.0}), lights, *beside).run(33.0)
    lost = next(one for one in stage.open if one.rule == "universe-lost")
    assert (lost.cause, lost.universes) == ("leg-lost", ("e131/1@B", "e131/2@B", "e131/9@B"))
    assert '"lights" stopped on network B at the same time. "main desk" is back.' in lost.summary
    assert lost.next_checks[0].startswith("Look at the screen of the source: "), lost.next_checks


def test_two_leads_to_two_networks_are_looked_at_one_by_one() -> None:
    main, spare = legs(MAIN, {0: DIES_S}), legs(SPARE, {1: DIES_S})
    only = Stage(house(), *main, *spare, *legs(LIGHTS)).run(20.0).only()
    assert only.next_checks[:2] == (
        'Look at the lead of "main desk" on network A: link lamp at both ends.',
        'Look at the lead of "spare desk" on network B: link lamp at both ends.',
    )


@pytest.mark.parametrize(("until_s", "says"), [(16.0, "link to network A is down"), (21.0, "was down until")])
def test_beside_a_link_of_this_listener_no_network_is_said_to_have_stopped(until_s: float, says: str) -> None:
    """The listener hears nothing on A from 11 s to 18 s, and the main desk dies on both networks at 12 s."""
    down_s, up_s = DIES_S - 1.0, DIES_S + 6.0

    def deaf(universe: int, index: int, t: float) -> bool:
        return down_s <= t < up_s

    desks = [*legs(MAIN, {0: DIES_S, 1: DIES_S}), *legs(SPARE), *legs(LIGHTS)]
    stage = Stage(house(), *(replace(one, drop=deaf) if one.network == 0 else one for one in desks))
    stage.see(0.0, LinkSeen(START_NS, 1, True, ("10.0.1.200",), "eth2"))
    stage.see(down_s, LinkSeen(START_NS + round(down_s * S), 0, False, (), "eth1"))
    stage.see(up_s, LinkSeen(START_NS + round(up_s * S), 0, True, ("10.0.0.200",), "eth1"))
    absent = by_rule(stage.run(until_s))["source-absent"]
    assert says in absent.summary and "not known whether it" in absent.summary
    assert "stopped in the same moment" not in absent.summary and "completely silent" not in absent.summary


@pytest.mark.parametrize("until_s", [16.0, 21.0])
def test_beside_packets_that_cannot_be_read_no_link_is_said_to_have_been_down(until_s: float) -> None:
    """A recording holds only unread packets of A from 11 s on, and the main desk dies on both networks at 12 s."""
    from_s = DIES_S - 1.0

    def unread(universe: int, index: int, t: float) -> bool:
        return t >= from_s

    desks = [*legs(MAIN, {0: DIES_S, 1: DIES_S}), *legs(SPARE), *legs(LIGHTS)]
    stage = Stage(house(), *(replace(one, drop=unread) if one.network == 0 else one for one in desks))
    stage.observations.clear()  # a recording tells of no links
    for at_s in range(round(from_s), round(until_s)):
        stage.see(at_s, UnreadSeen(START_NS + at_s * S, 0))
    absent = by_rule(stage.run(until_s))["source-absent"]
    assert "Packets of network A cannot be read" in absent.summary and "not known whether it" in absent.summary
    assert "link" not in absent.summary
