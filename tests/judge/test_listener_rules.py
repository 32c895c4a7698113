"""The listener's own faults and the network it hangs on: shown first, and accusing no source."""

from __future__ import annotations

from dataclasses import replace

import pytest

from slotwatch.house.schema import DeclaredSource, DeclaredUniverse, Network, Phase, Receiver
from slotwatch.judge.listener import Listener
from slotwatch.judge.orders import SetPhase
from slotwatch.rehearse import packets
from slotwatch.snapshot import Severity, UniverseState
from slotwatch.wire.observation import (
    DropsSeen,
    JoinSeen,
    LinkSeen,
    NeighbourSeen,
    QuerierWatchSeen,
    QuerySeen,
    StallSeen,
)
from slotwatch.wire.universe import Protocol, UniverseId
from tests.judge.stage import START_NS, Desk, Packet, Plain, S, Stage, house_of, opened_after_s, still
from tests.judge.still import one_stream
from tests.judge.switches import FOH, polled, switch
from tests.judge.test_earlier import MAIN, SPARE


def at(seconds: float) -> int:
    return START_NS + round(seconds * S)


def desk(**more: object) -> Desk:
    more.setdefault("hz", 4.0)
    more.setdefault("levels", still(50))
    return Desk("Desk A", (1,), **more)  # type: ignore[arg-type]


def stage(*senders: object, **more: object) -> Stage:
    return Stage(house_of((1,), **more), *senders)  # type: ignore[arg-type]


TWO_NETWORKS = replace(
    house_of((1,)),
    networks=(Network("A", "eth1"), Network("B", "eth2")),
    universes=(DeclaredUniverse(UniverseId(Protocol.E131, 1), networks=(0, 1)),),
)


def test_a_link_that_goes_down_is_not_judged_and_raises_no_other_fault() -> None:
    shown = stage(desk(drop=lambda universe, index, t: 5 < t < 20))
    shown.see(5.0, LinkSeen(at(5), 0, False, (), "eth1"))
    shown.see(20.0, LinkSeen(at(20), 0, True, ("10.0.0.200",), "eth1"))
    shown.run(10.0)
    incident = shown.only()
    assert (incident.rule, incident.severity, incident.universes) == ("link-down", Severity.CRITICAL, ("e131/1",))
    assert opened_after_s(incident) <= 5.1
    assert shown.judge.universe_states(shown.model, shown.now_ns)[0] == UniverseState.NOT_JUDGED
    assert shown.judge.readiness(shown.model, shown.now_ns).not_judged == ("e131/1",)
    shown.run(40.0)
    assert shown.reported() == [("link-down", "carrier")]
    assert [(one.start_ns, one.end_ns, one.reason) for one in shown.judge.listener.not_judged] == [
        (at(5), at(20), "link-down")
    ]


def test_an_adapter_that_was_out_and_comes_back_without_an_address_is_still_said_to_have_been_out() -> None:
    """Linux removes the addresses with the interface, and makes a new one without any (ip-link(8), delete)."""
    shown = stage(desk())
    shown.see(2.0, LinkSeen(at(2), 0, True, ("10.0.0.200",), "eth1"))
    shown.see(5.0, LinkSeen(at(5), 0, False, (), "eth1", present=False))
    shown.see(15.0, LinkSeen(at(15), 0, True, (), "eth1"))
    shown.see(20.0, LinkSeen(at(20), 0, True, ("10.0.0.200",), "eth1"))
    assert "has been missing from this computer since 08:16:45" in shown.run(10.0).only().summary
    incident = shown.run(18.0).only()
    assert "has been missing from this computer, then had no address, since 08:16:45: nothing" in incident.summary
    assert (incident.cause, len(incident.next_checks)) == ("interface", 2), "adapter and address"
    assert "then had no address" in shown.run(40.0).only().summary, "the record too"


def test_what_was_missing_before_a_link_went_down_is_not_described_anew_while_nothing_is_judged() -> None:
    """A driver may report a carrier late: packets still come, and nothing is judged (common practice, no source)."""
    # Preview data (ANSI E1.31-2018 6.2.6, bit 7 of the options), which would be another cause of one of the two.
    previews = Desk("Desk A", (1,), from_s=21.0, to_s=27.0, options=0x80)
    shown = Stage(house_of((1, 2)), previews)
    shown.see(20.0, LinkSeen(at(20), 0, False, (), "eth1"))
    shown.run(40.0)
    assert shown.reported() == [("universe-missing", ""), ("link-down", "carrier")]
    assert shown.rule("universe-missing").universes == ("e131/1", "e131/2")


def two_links(apart_s: float) -> Stage:
    """Both own links go down, so far apart; that to network A is back at 12 s and that to B at 20 s."""
    first = desk(drop=lambda universe, index, t: 5 < t < 12)
    shown = Stage(TWO_NETWORKS, first, desk(network=1, drop=lambda universe, index, t: 5 + apart_s < t < 20))
    for network, down_s, back_s in ((0, 5.0, 12.0), (1, 5.0 + apart_s, 20.0)):
        shown.see(0.0, LinkSeen(at(0), network, True, ("10.0.0.200",), f"eth{network + 1}"))
        shown.see(down_s, LinkSeen(at(down_s), network, False, (), f"eth{network + 1}"))
        shown.see(back_s, LinkSeen(at(back_s), network, True, ("10.0.0.200",), f"eth{network + 1}"))
    return shown


def test_own_links_that_go_down_in_one_moment_are_one_incident() -> None:
    # What takes both at once is one thing: an adapter, a switch, its power; common practice, no source.
    shown = two_links(0.3).run(10.0)
    (incident,) = shown.open
    assert incident.summary == (
        "This listener's own networks A (eth1) and B (eth2) have had no carrier since 08:16:45: nothing on them is "
        "judged, and no fault is raised against the show."
    )
    assert incident.universes == ("e131/1@A", "e131/1@B")
    assert [one.partition(" has")[0] for one in incident.evidence] == ["The interface eth1", "The interface eth2"]
    shown.run(16.0)
    (incident,) = shown.open
    assert "own network B (eth2) has had no carrier" in incident.summary, "network A is back"
    assert "network A is judged as before" in incident.summary
    assert shown.run(40.0).reported() == [("link-down", "carrier")]


def test_own_links_that_go_down_one_after_the_other_are_two_incidents() -> None:
    assert two_links(3.0).run(40.0).reported() == [("link-down", "carrier")] * 2


def test_an_own_link_that_goes_down_again_is_not_said_to_be_down_since_the_first_time() -> None:
    """Both went down, that to network A came back: what takes it away again need not be what keeps the other away."""
    shown = two_links(0.3).run(15.0)
    shown.see(16.0, LinkSeen(at(16), 0, False, (), "eth1"))
    shown.run(18.0)
    assert sorted(one.summary.partition(": ")[0] for one in shown.open) == [
        "This listener's own network A (eth1) has had no carrier since 08:16:56",
        "This listener's own network B (eth2) has had no carrier since 08:16:45",
    ]


@pytest.mark.parametrize(
    ("seen", "cause", "first_check"),
    [
        ((False, False), "interface", "Look at this computer's network adapter"),
        ((False, True), "carrier", "Look at this computer's own network lead"),
        ((True, True), "address", "Look at this interface's address setting"),
    ],
)
def test_an_interface_that_is_gone_unplugged_or_without_address_asks_for_other_checks(
    seen: tuple[bool, bool], cause: str, first_check: str
) -> None:
    up, present = seen
    shown = stage(desk(drop=lambda universe, index, t: t > 5))
    shown.see(5.0, LinkSeen(at(5), 0, up, (), "eth1", present=present))
    incident = shown.run(10.0).only()
    assert incident.cause == cause
    assert incident.next_checks[0].startswith(first_check)


@pytest.mark.parametrize(("name", "said"), [("eth1", "network eth1 has"), ("lighting", "network lighting (eth1) has")])
def test_a_network_is_named_with_its_interface_where_that_is_another_word(name: str, said: str) -> None:
    shown = stage(desk(drop=lambda universe, index, t: t > 5), networks=(Network(name, "eth1"),))
    shown.see(5.0, LinkSeen(at(5), 0, False, (), "eth1"))
    assert said in shown.run(10.0).only().summary


def test_a_port_that_stays_dark_for_thirty_seconds_after_its_link_is_not_lost_data() -> None:
    """Spanning tree keeps a port shut for 2 x 15 s (IEEE 802.1D defaults)."""
    shown = stage(desk(drop=lambda universe, index, t: 5 < t < 38))
    shown.see(5.0, LinkSeen(at(5), 0, False, (), "eth1"))
    shown.see(8.0, LinkSeen(at(8), 0, True, ("10.0.0.200",), "eth1"))
    assert shown.run(60.0).reported() == [("link-down", "carrier")]


def test_what_is_still_gone_after_that_is_lost() -> None:
    shown = stage(desk(to_s=5.0))
    shown.see(5.0, LinkSeen(at(5), 0, False, (), "eth1"))
    shown.see(8.0, LinkSeen(at(8), 0, True, ("10.0.0.200",), "eth1"))
    assert [rule for rule, _ in shown.run(60.0).reported()] == ["link-down", "universe-lost"]


def test_an_address_that_goes_takes_the_link_and_one_that_never_was_does_not() -> None:
    shown = stage(desk())
    shown.see(5.0, LinkSeen(at(5), 0, True, (), "eth1"))
    assert shown.run(8.0).only().cause == "address"
    listener = Listener(START_NS)
    listener.observe(LinkSeen(START_NS, 0, True, (), "eth1"))
    assert not listener.is_down(0), "a mirror port needs no address"


def test_a_failed_join_explains_the_silence_of_its_universe() -> None:
    shown = Stage(house_of((1,)), joined=False)
    shown.see(0.0, JoinSeen(START_NS, 0, 1, False, "the limit of 20 memberships is reached"))
    incident = shown.run(14.0).only()
    assert (incident.rule, incident.severity) == ("join-failed", Severity.CRITICAL)
    assert "limit of 20" in incident.summary


def test_drops_counted_before_the_judgement_began_are_not_reported_again() -> None:
    listener = Listener(START_NS)
    listener.observe(DropsSeen(START_NS, kernel=500))
    listener.observe(DropsSeen(at(2), kernel=500))
    assert listener.lost_last_ns == 0
    listener.observe(DropsSeen(at(3), kernel=501))
    assert (listener.lost_last_ns, listener.lost_count) == (at(3), 1)


def test_an_overrun_says_all_packets_of_its_incident_to_its_end() -> None:
    """A storm comes in bursts: each opens the same incident again, and its number is that of all bursts."""
    shown = stage(desk())
    lost = 0
    for burst_s in (5.0, 25.0, 65.0):
        for n in range(20):
            lost += 1000
            shown.see(burst_s + n * 0.13, DropsSeen(at(burst_s + n * 0.13), kernel=lost // 2, ring=lost - lost // 2))
    incident = shown.run(90.0).only()
    assert "lost 60000 packets" in incident.summary
    assert "30000 dropped by the kernel and 30000 overwritten" in incident.evidence[0]
    assert incident.closed_ns is not None


def test_what_comes_again_while_this_computer_loses_packets_is_its_own_fault() -> None:
    """The main is back under a new CID, so that its absence and the backup in control are still watched."""
    main = DeclaredSource("main desk", address=MAIN.address)
    spare = DeclaredSource("spare desk", address=SPARE.address, role="backup", priority=90)
    house = house_of((1, 2), sources=(main, spare), by=("main desk", "spare desk"))
    back = replace(MAIN, number=3, cid=b"", from_s=34.0)
    back.drop = lambda universe, index, t: universe == 2 and 39.0 <= t < 42.5
    shown = Stage(house, replace(MAIN, to_s=20.0), SPARE, back).run(38.0)
    assert [one.rule for one in shown.open if one.severity > Severity.NOTE] == ["source-absent"]
    for n in range(20):
        shown.see(39.0 + n * 0.2, DropsSeen(at(39.0 + n * 0.2), kernel=8 * (n + 1)))
    lasting = [one for one in shown.run(42.3).open if one.severity > Severity.NOTE and one.returned_ns is None]
    assert [one.rule for one in lasting] == ["host-overrun"]
    assert "backup-in-control" not in {one.rule for one in shown.all}


def test_a_stall_is_reported_from_a_second_on() -> None:
    for late_s, wanted in ((0.9, []), (1.0, [("host-overrun", "stall")])):
        shown = stage(desk())
        shown.see(5.0, StallSeen(at(5), round(late_s * S)))
        assert shown.run(6.0).reported() == wanted


def test_a_stall_says_whether_packets_waited_or_are_gone() -> None:
    for unheard, says in ((False, "packets waited"), (True, "packets of that time are gone")):
        shown = stage(desk())
        shown.see(5.0, StallSeen(at(5), 2 * S, unheard))
        incident = shown.run(6.0).only()
        assert says in incident.evidence[0]


@pytest.mark.slow
def test_a_querier_that_fell_silent_and_one_that_never_was() -> None:
    """RFC 2236 8.4 and 8.5: memberships last 260 s."""
    still_ = one_stream(house_of((1,)))
    begin_ns = still_.now_ns
    still_.judge.observe(QuerySeen(begin_ns, 0, "10.0.0.254", "igmp2", 10.0))
    still_.run(259.9)
    assert still_.reported == []
    still_.run(0.4)
    (incident,) = still_.reported
    assert (incident.rule, incident.severity) == ("querier-absent", Severity.WARNING)
    assert incident.opened_ns - begin_ns <= 260.2 * S
    assert "10.0.0.254" in incident.summary
    still_.judge.observe(QuerySeen(still_.now_ns, 0, "10.0.0.254", "igmp2", 10.0))
    still_.run(0.3)
    assert still_.reported[0].closed_ns is not None
    never = one_stream(house_of((1,)))
    never.judge.observe(QuerierWatchSeen(never.now_ns, 0, True))
    never.run(260.4)
    assert [(one.rule, one.severity) for one in never.reported] == [("querier-absent", Severity.NOTE)]
    blind = one_stream(house_of((1,)))
    blind.judge.observe(QuerierWatchSeen(blind.now_ns, 0, False, "no right to listen"))
    blind.run(270.0)
    assert blind.reported == []


def test_two_queriers_in_turn_are_a_duel() -> None:
    shown = stage(desk())
    for turn in range(4):
        seen = QuerySeen(at(2 + 3 * turn), 0, f"10.0.0.{253 + turn % 2}", "igmp2", 10.0)
        shown.see(2 + 3 * turn, seen)
    shown.run(14.0)
    assert {incident.rule for incident in shown.all} == {"querier-changed"}
    assert shown.alarms() == []


def test_a_querier_that_a_switch_names_and_nobody_hears_here() -> None:
    """IGMP-STD-MIB (RFC 2933): igmpInterfaceQuerier of one interface. One that comes, goes or returns is not a
    change."""
    for who, wanted in (
        (lambda t_s: "10.0.0.254" if t_s < 12.0 else "10.0.0.1", ["querier-changed"]),
        (lambda t_s: "" if t_s < 12.0 else "10.0.0.1", []),
        (lambda t_s: "10.0.0.254" if t_s < 12.0 else "", []),
    ):
        shown = stage(desk(), switches=(FOH,))
        for at_s, seen in polled(switch(querier=who), 30.0):
            shown.see(at_s, seen)
        assert [one.rule for one in shown.run(30.0).all] == wanted
    assert shown_change().only().summary == "Switch FOH: the multicast querier changed from 10.0.0.254 to 10.0.0.1."


def shown_change(*heard: QuerySeen) -> Stage:
    shown = stage(desk(), switches=(FOH,))
    for at_s, seen in polled(switch(querier=lambda t_s: "10.0.0.254" if t_s < 12.0 else "10.0.0.1"), 30.0):
        shown.see(at_s, seen)
    for query in heard:
        shown.see((query.t_ns - START_NS) / S, query)
    return shown.run(30.0)


def test_a_change_that_is_heard_and_that_a_switch_names_is_one() -> None:
    heard = [QuerySeen(at(t_s), 0, who, "igmp2", 10.0) for t_s, who in ((2, "10.0.0.254"), (11, "10.0.0.1"))]
    assert [one.summary for one in shown_change(*heard).all] == [
        "Network eth1: the multicast querier changed from 10.0.0.254 to 10.0.0.1."
    ]


def test_a_receiver_names_the_switch_port_that_it_hangs_on() -> None:
    receiver = Receiver("Rack 1", "10.0.0.1", (UniverseId(Protocol.E131, 1),))
    shown = stage(desk(), receivers=(receiver,), switches=(FOH,))
    for at_s, seen in polled(switch(), 8.0):
        shown.see(at_s, seen)
    (row,) = shown.run(8.0).judge.network(shown.now_ns).receivers
    assert row.place is not None and (row.place.switch, row.place.port, row.place.via) == ("FOH", "3", "snmp")
    (bare,) = (alone := stage(desk(), receivers=(receiver,)).run(8.0)).judge.network(alone.now_ns).receivers
    assert bare.place is None


def test_a_receiver_that_nobody_asks_any_more_is_not_silent() -> None:
    """The kernel keeps an entry that nobody uses as stale (RFC 4861 7.3.2, STALE), and says so after half a minute."""
    receiver = Receiver("Rack 1", "10.0.1.1", (UniverseId(Protocol.E131, 1),))
    shown = stage(desk(), receivers=(receiver,))
    shown.see(1.0, NeighbourSeen(at(1), 0, "10.0.1.1", "02:00:00:00:00:09", True))
    shown.see(32.0, NeighbourSeen(at(32), 0, "10.0.1.1", "02:00:00:00:00:09", False, at(1)))
    assert shown.run(80.0).all == []
    (row,) = shown.judge.network(shown.now_ns).receivers
    assert (row.state, row.text, row.last_seen_ns) == ("not-known", "not known: nobody asks it now", at(1))


def test_a_receiver_that_answered_and_no_longer_does() -> None:
    receiver = Receiver("Rack 1", "10.0.1.1", (UniverseId(Protocol.E131, 1),))
    shown = stage(desk(), receivers=(receiver,))
    shown.see(1.0, NeighbourSeen(at(1), 0, "10.0.1.1", "02:00:00:00:00:09", True))
    shown.see(10.0, NeighbourSeen(at(10), 0, "10.0.1.1", "", False))
    shown.run(19.0)
    assert [row.state for row in shown.judge.network(shown.now_ns).receivers] == ["answers"]
    shown.run(29.5)
    assert shown.all == []
    incident = shown.run(32.0).only()
    assert (incident.rule, incident.severity) == ("receiver-silent", Severity.WARNING)
    assert "Rack 1" in incident.summary
    (row,) = shown.judge.network(shown.now_ns).receivers
    assert (row.name, row.state, row.last_seen_ns) == ("Rack 1", "silent", at(1))
    unknown = stage(desk(), receivers=(receiver,)).run(32.0)
    (row,) = unknown.judge.network(unknown.now_ns).receivers
    assert (row.state, row.text, row.last_seen_ns) == ("not-known", "not heard yet", None)
    assert unknown.all == [], "one that never answered cannot fall silent"


@pytest.mark.parametrize(
    ("subnets", "text"),
    [
        (("10.0.0.0/16", "fe80::/64"), ""),
        (("10.0.0.0/24", "10.9.0.0/16"), "answers, from an address outside the network of this listener's interface"),
        (("fe80::/64",), ""),
        ((), ""),
    ],
)
def test_a_node_that_answers_from_outside_the_network_of_the_interface_is_said_to(
    subnets: tuple[str, ...], text: str
) -> None:
    """RFC 1122, 3.3.1.1: what is not in the subnet of an interface is sent to a router."""
    reply = packets.art_poll_reply("10.0.1.2", "Node", [1])
    heard = Plain([Packet(1.0, reply, "10.0.1.2", "10.0.0.200", Protocol.ARTNET)])
    shown = stage(desk(), heard, receivers=(Receiver("Node", "10.0.1.2", (UniverseId(Protocol.ARTNET, 1),)),))
    shown.see(0.5, LinkSeen(at(0.5), 0, True, ("10.0.0.90",), "eth1", subnets=subnets))
    (row,) = shown.run(3.0).judge.network(shown.now_ns).receivers
    assert (row.state, row.text) == ("answers", text)


@pytest.mark.parametrize(("address", "is_explained"), [("10.0.0.1", True), ("10.0.0.7", False)])
def test_a_copied_computer_explains_an_address_of_its_own_that_two_devices_have(
    address: str, is_explained: bool
) -> None:
    """An address that neither of both has is taken by others."""
    twin = desk(address="10.0.0.9", sequence_of=lambda universe, index: index + 100)
    shown = stage(desk(), twin)
    for turn in range(4):
        mac = ("02:00:00:00:00:01", "02:00:00:00:00:02")[turn % 2]
        shown.see(2.0 + turn, NeighbourSeen(at(2 + turn), 0, address, mac, True))
    found = {one.rule for one in shown.run(12.0).all if one.closed_ns is None}
    assert found == ({"duplicate-identity"} if is_explained else {"duplicate-identity", "duplicate-address"})


def test_an_address_with_two_devices_and_a_swapped_device() -> None:
    macs = ("02:00:00:00:00:01", "02:00:00:00:00:02")
    duel, swap = stage(desk()), stage(desk())
    for turn in range(4):
        duel.see(2.0 + turn, NeighbourSeen(at(2 + turn), 0, "10.0.0.7", macs[turn % 2], True))
        swap.see(2.0 + turn, NeighbourSeen(at(2 + turn), 0, "10.0.0.7", macs[turn // 2], True))
    assert duel.run(8.0).only().rule == "duplicate-address"
    assert duel.alarms() == []
    assert swap.run(8.0).all == []


def test_at_night_the_switch_may_be_off() -> None:
    shown = Stage(house_of((1,)), phase=Phase.DARK)
    shown.see(5.0, LinkSeen(at(5), 0, False, (), "eth1"))
    assert shown.run(8.0).only().severity is Severity.NOTE
    shown.judge.command(SetPhase(Phase.SHOW))
    shown.run(8.2)
    assert shown.only().severity is Severity.CRITICAL


def test_tables_of_the_listener_are_bounded() -> None:
    listener = Listener(START_NS)
    for number in range(6000):
        address = f"10.{number >> 8}.{number & 255}.1"
        listener.observe(
            NeighbourSeen(at(number), 0, address, f"02:00:00:00:{number >> 8:02x}:{number & 255:02x}", True)
        )
        listener.observe(QuerySeen(at(number), 0, address, "igmp2", 10.0))
        listener.observe(StallSeen(at(10 * number), S))
    assert len(listener.neighbours.by_address) <= 4096
    assert len(listener.queriers.by_network[0]) <= 16
    assert len(listener.not_judged) <= 256
