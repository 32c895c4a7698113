"""A flood of forged senders is a few lines for a person, never hundreds."""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import replace
from random import Random

import pytest

from slotwatch.house.schema import DeclaredSource
from slotwatch.model.admission import MOST_BRIEF
from slotwatch.snapshot import Incident
from slotwatch.wire.decode import decode
from slotwatch.wire.observation import ArpCounted, MembershipSeen, QuerySeen, ReportsDropped
from slotwatch.wire.universe import Protocol
from tests.judge.stage import (
    START_NS,
    Desk,
    Packet,
    Plain,
    S,
    Stage,
    discovery,
    e131,
    group_of,
    house_of,
    make_batch,
    moving,
    opened_after_s,
    still,
)


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
    assert incident.evidence[-1].endswith(" undeclared sources came in the last 10 s.")


@pytest.mark.slow
@pytest.mark.parametrize("from_s", [3.0, 13.0], ids=["in the first seconds", "later"])
def test_new_identities_that_fill_every_table_are_one_incident(from_s: float) -> None:
    """Each sends one slot on one of 4,000 universes, declared ones among them; as a storm of 12,000 a second does."""
    made = []
    for n in range(72_000):
        data = e131(1 + n % 4000, 0, bytes(1), cid=n.to_bytes(16, "big"), name=f"x{n}")
        made.append(Packet(from_s + n / 12_000, data, "10.0.0.1", group_of(1)))
    shown = Stage(house_of((1, 2), min_refresh_hz=5), main_desk(), Plain(made))
    shown.run(from_s + 70.0)
    assert shown.only().rule == "too-many-sources"
    assert shown.model.sources.filled <= MOST_BRIEF + 1
    shown.run(from_s + 90.0)
    assert shown.only().closed_ns is not None


@pytest.mark.slow
def test_a_flood_that_is_only_seen_once_its_first_made_room_for_others_is_one_incident() -> None:
    """Judging comes late, as on a busy computer: a second of the flood has come by then."""
    made = []
    for n in range(60_000):
        who = n if n < 5000 else n // 2 + 2500  # who knocks twice is let in before those who sent once
        data = e131(3 + who % 200, n % 2, bytes(1), cid=who.to_bytes(16, "big"), name="x")
        made.append(Packet(3.0 + n / 12_000, data, "10.0.0.1", group_of(1)))
    shown = Stage(house_of((1, 2), min_refresh_hz=5), main_desk(), Plain(made[12_000:])).run(3.0)
    for first in range(0, 12_000, 200):
        batch = make_batch(made[first : first + 200])
        for others in shown.model.take_routine(batch):
            shown.model.ingest(others, decode(others))
    shown.run(30.0)
    assert shown.only().rule == "too-many-sources"


@pytest.mark.slow
def test_universes_of_one_short_storm_are_no_open_question_a_minute_later() -> None:
    """One machine sends 1,000 universes that nobody declared for 6 s."""
    storm = Desk("Test", tuple(range(100, 1100)), "10.0.0.66", 6, hz=10, levels=still(0, 1), from_s=13.0, to_s=19.0)
    shown = Stage(HOUSE, main_desk(), storm).run(25.0)
    assert {one.rule for one in shown.open} == {"undeclared-universe", "universe-lost"}
    assert shown.run(79.0).open == []


@pytest.mark.slow
def test_a_loss_in_a_flood_is_reported_as_without_it() -> None:
    """What invented senders do is not evidence of a lead or a switch."""

    def lost(*senders: Plain) -> Incident:
        shown = Stage(HOUSE, main_desk(to_s=17.0), *senders).run(30.0)
        (incident,) = [one for one in shown.all if one.rule == "universe-lost"]
        return incident

    alone, flooded = lost(), lost(Plain(FLOODS["each now and then for ten seconds"]))
    assert flooded.universes == alone.universes == ("e131/1", "e131/2")
    assert flooded.summary == alone.summary
    assert (flooded.cause, flooded.still_working) == (alone.cause, alone.still_working)


DESK_CID = bytes([1]) * 16
TRUE_DESK = DeclaredSource("Desk A", cid=DESK_CID, address="10.0.0.1")
DESK_UNIVERSES = tuple(range(1, 17))
HOUSE_OF_ONE = house_of(DESK_UNIVERSES, min_refresh_hz=5, sources=(TRUE_DESK,), by=("Desk A",))


def true_desk(from_s: float = 0.0) -> Desk:
    return Desk("Desk A", DESK_UNIVERSES, hz=10, levels=moving(hz=10), cid=DESK_CID, from_s=from_s)


def senders_of_one_packet(from_s: float, count: int, hz: float) -> Plain:
    """New identities, half of them on declared universes, and each on any."""
    chance, made = Random(4), []
    for n in range(count):
        universe = chance.choice((chance.randrange(20, 30_000), chance.choice(DESK_UNIVERSES)))
        data = e131(universe, 0, bytes(24), cid=chance.randbytes(16), name="x")
        made.append(Packet(from_s + n / hz, data, f"10.9.{n >> 8 & 255}.{n & 255}", group_of(universe)))
    return Plain(made)


@pytest.mark.slow
@pytest.mark.parametrize("addresses", [200, 3000])
def test_a_desk_whose_identity_is_forged_at_many_addresses_did_not_come_back(addresses: int) -> None:
    chance, made = Random(3), []
    for n in range(20_000):
        universe, who = chance.choice(DESK_UNIVERSES), chance.randrange(addresses)
        data = e131(universe, n, bytes(24), cid=DESK_CID, name="Desk A")
        made.append(Packet(13 + n / 2000, data, f"10.9.{who >> 8}.{who & 255}", group_of(universe)))
    shown = Stage(HOUSE_OF_ONE, true_desk(), Plain(made)).run(110.0)
    rules = {one.rule for one in shown.all}
    assert "too-many-sources" in rules
    assert rules.isdisjoint({"identity-changed", "skewed-universes"})
    assert shown.open == []
    assert (shown.model.streams.filled, shown.model.sources.filled) == (16, 1), "nothing of them is left"
    said = [text for one in shown.all if one.rule == "duplicate-identity" for text in (one.summary, *one.evidence)]
    assert not any("two machines" in text or " both " in text for text in said)


@pytest.mark.slow
def test_the_declared_address_comes_first_and_a_loss_names_no_invented_one() -> None:
    """Thousands pass for the desk, which loses power beside them: they are not known to a person, the desk is."""
    chance, made = Random(5), []
    for n in range(36_000):
        universe, who = chance.choice(DESK_UNIVERSES), chance.randrange(600)
        data = e131(universe, n % 256, bytes([n % 256]) * 24, cid=DESK_CID, name="Desk A")
        made.append(Packet(13 + n / 3000, data, f"10.9.{who >> 8}.{who & 255}", group_of(universe)))
    shown = Stage(HOUSE_OF_ONE, replace(true_desk(), to_s=22.0), Plain(made)).run(21.0)
    assert shown.rule("duplicate-identity").summary.startswith("One identity from at least 64 addresses: 10.0.0.1, ")
    loss = shown.run(30.0).rule("universe-lost").summary
    assert loss.startswith('Universes e131/1 to e131/16 lost from "Desk A" (10.0.0.1) since ') and "10.9." not in loss


@pytest.mark.slow
@pytest.mark.parametrize("hz", [330, 3000])
def test_a_flood_in_the_first_seconds_is_one_incident(hz: int) -> None:
    """Everybody is new then, but a sender goes on sending."""
    flood = senders_of_one_packet(0.5, 3 * hz, hz)
    assert Stage(HOUSE_OF_ONE, true_desk(0.1), flood).run(110.0).only().rule == "too-many-sources"


@pytest.mark.slow
def test_a_desk_that_starts_after_a_flood_took_nobodys_place() -> None:
    """Its identity was forged while it was off, at the listener's start."""
    made = []
    for n in range(6000):
        universe, who = DESK_UNIVERSES[n % 16], n % 2003
        data = e131(universe, n, bytes(24), cid=DESK_CID, name="Desk A")
        made.append(Packet(0.5 + n / 2000, data, f"10.9.{who >> 8}.{who & 255}", group_of(universe)))
    shown = Stage(HOUSE_OF_ONE, true_desk(9.0), Plain(made)).run(110.0)
    assert "identity-changed" not in {one.rule for one in shown.all}


@pytest.mark.parametrize("count", [1, 200])
def test_strangers_that_end_before_a_declared_desk_was_heard_are_no_desk_that_stopped(count: int) -> None:
    """No source that the house declares for these universes was ever there: what is true is that it is missing."""
    chance = Random(6)
    strangers = [
        Desk(
            f"x{n}",
            DESK_UNIVERSES if count == 1 else (1 + n % 16,),
            f"10.9.0.{n}",
            hz=5,
            levels=moving(hz=5),
            cid=chance.randbytes(16),
            from_s=13.0,
            to_s=23.0,
        )
        for n in range(count)
    ]
    shown = Stage(HOUSE_OF_ONE, *strangers).run(40.0)
    assert "universe-lost" not in {one.rule for one in shown.all}
    missing = shown.rule("universe-missing")
    assert missing.universes == tuple(f"e131/{number}" for number in DESK_UNIVERSES)
    assert "heard from undeclared sources only, and for a short while, no frame since" in missing.summary
    assert any("not heard from Desk A since this listener started" in text for text in missing.evidence)


def test_a_stranger_that_carried_a_declared_universe_for_a_minute_is_lost_when_it_ends() -> None:
    """It may be the desk itself, with another identity than the house file declares (common practice, no source)."""
    desk = Desk("Desk A", DESK_UNIVERSES, hz=5, levels=moving(hz=5), cid=bytes([7]) * 16, from_s=2.0, to_s=64.0)
    shown = Stage(HOUSE_OF_ONE, desk).run(70.0)
    assert shown.rule("universe-lost").universes == tuple(f"e131/{number}" for number in DESK_UNIVERSES)


@pytest.mark.slow
def test_invented_senders_who_fight_with_a_declared_one_are_one_fight() -> None:
    chance = Random(6)
    crowd = [
        Desk(
            f"x{n}",
            (1 + n % 16,),
            f"10.9.{n >> 8}.{n & 255}",
            hz=5,
            levels=moving(hz=5),
            cid=chance.randbytes(16),
            from_s=13 + n / 300,
            to_s=chance.uniform(20, 28),
        )
        for n in range(400)
    ]
    shown = Stage(HOUSE_OF_ONE, true_desk(), *crowd).run(120.0)
    (fight,) = [one for one in shown.all if one.rule == "source-conflict"]
    assert len(fight.universes) == 16
    assert '"Desk A" (10.0.0.1) and senders that came in a crowd fight over universes' in fight.summary


@pytest.mark.slow
def test_one_sender_of_more_universes_than_a_network_carries_is_a_flood_and_loses_none() -> None:
    """Each universe gets two packets at most: that is no rate at which a single one would be noticed."""
    chance, made = Random(5), []
    for n in range(100_000):
        universe = chance.randrange(20, 64_000)
        data = e131(universe, n, bytes(24), cid=bytes([9]) * 16, name="x")
        made.append(Packet(13 + n / 20_000, data, "10.9.0.9", group_of(universe)))
    shown = Stage(HOUSE, main_desk(), Plain(made)).run(110.0)
    assert {one.rule for one in shown.all} == {"packet-flood", "too-many-sources"}
    assert shown.open == []
    (flood,) = [one for one in shown.all if one.rule == "packet-flood"]
    assert 'from "x" (10.9.0.9), on over 4,096 universes: far more' in flood.summary, (
        "most of its packets are not counted"
    )
    assert flood.evidence[0].startswith("At least ")


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


EVERYWHERE = "255.255.255.255"
GROUP = "239.255.250.214"
"""Universe discovery, 64214 (ANSI E1.31-2018 4.3)."""
POLL = b"Art-Net\0\0\x20\0\x0e\x06\x10"
"""Art-Net 4, ArtPoll: opcode 0x2000, version 14, flags, least severity."""
FLOOD_HZ, FLOOD_S = 3000, 8.0
FLOOD_TIMES = [13.0 + n / FLOOD_HZ for n in range(round(FLOOD_HZ * FLOOD_S))]


def poll_flood(senders: int) -> Plain:
    return Plain(
        [
            Packet(t_s, POLL, f"10.9.{n % senders >> 8}.{n % senders & 255}", EVERYWHERE, Protocol.ARTNET)
            for n, t_s in enumerate(FLOOD_TIMES)
        ]
    )


def discovery_flood() -> Plain:
    """A new identity and address in each."""
    made = []
    for n, t_s in enumerate(FLOOD_TIMES):
        data = discovery((1, n + 2), cid=n.to_bytes(16, "big"), name="x")
        made.append(Packet(t_s, data, f"10.9.{n >> 8}.{n & 255}", GROUP))
    return Plain(made)


def many_senders_of(data: bytes, protocol: Protocol) -> Plain:
    return Plain(
        [Packet(t_s, data, f"10.9.{n >> 8 & 255}.{n & 255}", EVERYWHERE, protocol) for n, t_s in enumerate(FLOOD_TIMES)]
    )


ADDRESS = b"Art-Net\0\0\x60\0\x0e" + bytes(95)
"""Art-Net 4, ArtAddress: opcode 0x6000. It is for nodes."""


@pytest.mark.slow
@pytest.mark.parametrize(
    ("sender", "words"),
    [
        (many_senders_of(ADDRESS, Protocol.ARTNET), "Art-Net packets that carry no levels arrive from many addresses"),
        (many_senders_of(bytes(60), Protocol.E131), "Packets that no protocol accepts arrive from many addresses"),
        (poll_flood(1), "Art-Net polls arrive from 10.9.0.0, about 3,000 a second"),
        (poll_flood(5000), "Art-Net polls arrive from many addresses, about 3,000 a second"),
        (discovery_flood(), "E1.31 discovery lists arrive from many addresses, about 3,000 a second"),
    ],
    ids=["ArtAddress", "rubbish", "polls of one", "polls of thousands", "discovery lists"],
)
def test_a_flood_of_packets_without_levels_is_one_incident_and_leaves_nothing(sender: Plain, words: str) -> None:
    shown = Stage(HOUSE, main_desk(), sender)
    checks = " ".join(shown.run(18.0).only().next_checks)
    # Common practice, no source: an invented address leads to no machine, a switch port's counters do.
    assert ("packet counters" in checks) == ("many addresses" in words) != ("has this address" in checks)
    shown.run(40.0)
    tables = shown.model.occasions
    assert max(len(tables.pollers), len(tables.nodes), len(tables.syncs), shown.model.sources.filled) <= 4096
    shown.run(13.0 + FLOOD_S + 60.0)
    incident = shown.only()
    assert (incident.rule, incident.closed_ns is not None) == ("packet-flood", True)
    assert words in incident.summary
    assert len(tables.pollers) + len(tables.nodes) <= 2
    assert shown.model.sources.filled == 1


@pytest.mark.slow
def test_a_loss_in_a_flood_of_polls_is_found_in_time() -> None:
    shown = Stage(HOUSE, main_desk(to_s=17.0), poll_flood(5000)).run(20.0)
    lost = shown.rule("universe-lost")
    # 2.5 s after the last frame (ANSI E1.31-2018 6.7.1).
    assert opened_after_s(lost) < 17.0 + 2.5 + 0.2


@pytest.mark.slow
def test_a_flood_of_queries_of_invented_hosts_is_one_incident() -> None:
    """Each would be a new querier. Other hosts' reports count with them."""
    shown = Stage(HOUSE, main_desk())
    for n, t_s in enumerate(FLOOD_TIMES):
        at_ns, host = START_NS + round(t_s * S), f"10.9.{n >> 8 & 255}.{n & 255}"
        if n % 2:
            shown.observations.append((t_s, QuerySeen(at_ns, 0, host, "igmp2", 10.0)))
        else:
            shown.observations.append((t_s, MembershipSeen(at_ns, 0, host, group_of(n % 60_000 + 1), True, "igmp2")))
    shown.run(13.0 + FLOOD_S + 60.0)
    (incident,) = shown.alarms()
    assert incident.rule == "packet-flood"
    # A query of an invented host makes it the querier: a note.
    assert {one.rule for one in shown.open} <= {"querier-changed"}
    assert "IGMP and MLD messages arrive from many addresses" in incident.summary
    assert len(shown.judge.listener.queriers.by_network[0]) <= 16


def test_reports_that_came_too_fast_to_be_read_count_as_a_flood() -> None:
    """The listener reads some of them ten times a second; the kernel counts the others."""
    shown = Stage(HOUSE, main_desk())
    for look in range(80):
        t_s = 13.0 + look / 10
        at_ns = START_NS + round(t_s * S)
        shown.observations.append((t_s, MembershipSeen(at_ns, 0, "10.9.0.1", group_of(9), True, "igmp2")))
        shown.observations.append((t_s, ReportsDropped(at_ns, 0, 999)))
    (incident,) = shown.run(25.0).alarms()
    assert incident.rule == "packet-flood"
    assert "IGMP and MLD messages arrive" in incident.summary
    assert "about 10,000 a second" in incident.summary


def arp_flood(senders: int) -> Stage:
    """10,000 ARP packets a second, of which the listener reads a part ten times a second."""
    shown = Stage(HOUSE, main_desk())
    for look in range(80):
        t_s = 13.0 + look / 10
        numbers = (n % senders for n in range(200 * look, 200 * look + 200))
        devices = Counter(f"02:00:00:00:{n >> 8:02x}:{n & 255:02x}" for n in numbers)
        shown.observations.append((t_s, ArpCounted(START_NS + round(t_s * S), 0, dict(devices), 800)))
    return shown


@pytest.mark.parametrize(
    ("senders", "who", "look_at"),
    [(1, "02:00:00:00:00:00", "device address"), (5000, "many addresses", "packet counters")],
)
def test_a_flood_of_arp_is_one_incident_that_names_its_device(senders: int, who: str, look_at: str) -> None:
    """Each is a broadcast (RFC 826), which every device of the network has to read."""
    shown = arp_flood(senders)
    assert look_at in shown.run(18.0).only().next_checks[0]
    incident = shown.run(110.0).only()
    assert (incident.rule, incident.closed_ns is not None) == ("packet-flood", True)
    assert f"ARP packets arrive from {who}, about 10,000 a second" in incident.summary


def test_packets_that_a_second_flood_brings_are_counted_by_themselves() -> None:
    """Streams beyond 64 of one universe, twice."""

    def crowd(from_s: float, universe: int, count: int) -> Plain:
        return Plain([forged(n + 1000 * universe, from_s + n / 1000, universe) for n in range(count)])

    shown = Stage(HOUSE, main_desk(), crowd(13.0, 9, 300), crowd(213.0, 10, 90)).run(216.0)
    newest = max((one for one in shown.all if one.rule == "too-many-sources"), key=lambda one: one.opened_ns)
    found = re.search(r"More sources than can be kept: (\d+) packets", newest.summary)
    assert found and 0 < int(found[1]) <= 26, "not those of the first"


STORM_HZ = 12_000


def storm(universes: int, *, is_numbered: bool = True, seconds: float = 5.0) -> Plain:
    """Packets of one slot from one identity, on so many universes in turn."""
    made, counts = [], dict[int, int]()
    for n in range(round(STORM_HZ * seconds)):
        universe = 1 + n % universes
        counts[universe] = counts.get(universe, -1) + 1
        sequence = counts[universe] % 256 if is_numbered else 0
        data = e131(universe, sequence, bytes(1), cid=b"\x09" * 16, name="Storm")
        made.append(Packet(13 + n / STORM_HZ, data, "10.0.0.9", group_of(universe)))
    return Plain(made)


@pytest.mark.slow
@pytest.mark.parametrize("is_numbered", [True, False])
@pytest.mark.parametrize("universes", [1, 50, 180])
def test_a_storm_of_one_source_is_one_incident(universes: int, is_numbered: bool) -> None:
    """44 frames a second are the most that DMX512 carries on a universe (ANSI E1.11); this is 60 and more."""
    shown = Stage(HOUSE, main_desk(), storm(universes, is_numbered=is_numbered)).run(110.0)
    incident = shown.only()
    assert incident.rule == "packet-flood"
    assert 'Packets of levels arrive from "Storm" (10.0.0.9), about 10,000 a second' in incident.summary
    assert incident.closed_ns is not None, "it is over a minute after the last"


@pytest.mark.slow
def test_a_desk_that_dies_in_a_storm_of_another_is_told() -> None:
    shown = Stage(HOUSE, main_desk(to_s=15.0), storm(50)).run(30.0)
    lost = shown.rule("universe-lost")
    assert lost.universes == ("e131/1", "e131/2") or set(lost.universes) <= {"e131/1", "e131/2"}
    # 2.5 s after the last frame of the storm, which also sends these universes (ANSI E1.31-2018 6.7.1).
    assert opened_after_s(lost) < 18.0 + 2.5 + 0.3


@pytest.mark.slow
def test_a_desk_with_many_universes_at_full_rate_is_no_storm() -> None:
    """400 universes at 44 Hz are 17,600 packets a second: as many as such a house has."""
    house = house_of(tuple(range(1, 401)))
    shown = Stage(house, Desk("Desk A", tuple(range(1, 401)), hz=44, levels=moving(8, hz=44))).run(8.0)
    assert shown.all == []


def rubbish_of(senders: int, hz: int, to_s: float = 21.0) -> Plain:
    times = (13.0 + n / hz for n in range(round(hz * (to_s - 13.0))))
    return Plain(
        [Packet(t_s, bytes(60), f"10.9.{n % senders >> 8}.{n % senders & 255}", GROUP) for n, t_s in enumerate(times)]
    )


@pytest.mark.parametrize(
    ("senders", "hz", "who"),
    [(9, 90, "9 addresses send"), (100, 900, "100 addresses send"), (400, 1500, "Over 200 addresses send")],
)
def test_rubbish_of_many_addresses_is_one_incident_that_says_how_many(senders: int, hz: int, who: str) -> None:
    """Each address by itself sends over 10 in 10 s. None of them is named as the sender."""
    shown = Stage(HOUSE, main_desk(), rubbish_of(senders, hz))
    incident = shown.run(20.0).only()
    assert incident.rule == "malformed-packets"
    assert incident.summary.startswith(f"{who} packets that no protocol accepts: ")
    assert "packet counters" in incident.next_checks[0]
    (closed,) = shown.run(60.0).all
    assert closed.closed_ns is not None


def test_one_address_with_most_of_the_rubbish_is_named_beside_many_with_little() -> None:
    others = [Packet(13.0 + n / 10, bytes(60), f"10.9.1.{n % 20}", GROUP) for n in range(80)]
    shown = Stage(HOUSE, main_desk(), Plain(sorted([*others, *rubbish_of(1, 50).made], key=lambda one: one.t_s)))
    assert shown.run(20.0).only().summary.startswith("10.9.0.0 sends packets that no protocol accepts: ")


@pytest.mark.slow
def test_rubbish_of_hundreds_of_addresses_that_becomes_a_flood_is_one_incident() -> None:
    shown = Stage(HOUSE, main_desk(), rubbish_of(500, 3000))
    incident = shown.run(60.0).only()
    assert (incident.rule, incident.closed_ns is not None) == ("packet-flood", True)
    assert "Packets that no protocol accepts arrive from many addresses, about 3,000 a second" in incident.summary


def left_before() -> Desk:
    """A short visit on 40 universes, whose streams are kept: no flood by itself."""
    return Desk("Guest", tuple(range(100, 140)), "10.0.0.66", 6, hz=5, levels=moving(8, hz=5), from_s=13.0, to_s=19.0)


def on_any_of(made_of: Random, universes: range, who: bytes | None, n: int) -> Packet:
    universe, cid = made_of.choice(universes), who or made_of.randbytes(16)
    data = e131(universe, n, bytes([n % 256]) * 24, cid=cid, name="y")
    return Packet(80.0 + n / 2500, data, "10.0.0.68" if who else f"10.9.{n >> 8 & 255}.{n & 255}", group_of(universe))


@pytest.mark.slow
@pytest.mark.parametrize(
    ("universes", "who", "rules"),
    [
        (range(90, 150), None, {"too-many-sources"}),
        (range(20, 64_000), b"\x0a" * 16, {"packet-flood", "too-many-sources"}),
    ],
    ids=["invented senders", "invented universes"],
)
def test_universes_of_an_earlier_visit_are_a_floods_like_the_others(
    universes: range, who: bytes | None, rules: set[str]
) -> None:
    """They were silent for a minute when it began: who sends them in it is nobody that stops."""
    chance = Random(8)
    flood = Plain([on_any_of(chance, universes, who, n) for n in range(25_000)])
    shown = Stage(HOUSE, main_desk(), left_before(), flood).run(180.0)
    after = [one for one in shown.all if one.opened_ns > START_NS + 79 * S]
    assert {one.rule for one in after} == rules, [one.summary for one in after]
    assert shown.open == []
