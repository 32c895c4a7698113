"""A source comes back under an identity or address that the house file does not declare: one incident that says so.

Fault F14 of the trade: "same name, new CID or IP" after a failover, a lease renewal, or with a sender that makes a new
CID at each start (common practice, no source). ANSI E1.31-2018 6.2.2: a source's CID is to stay the same; 6.7.1: a
silent source is lost after 2.5 s. Art-Net 4: a source is out of the merge after 10 s.
"""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from slotwatch.house.schema import DeclaredSource, Receiver
from slotwatch.rehearse import packets
from slotwatch.snapshot import Confidence, Severity
from slotwatch.wire.universe import Protocol, UniverseId
from tests.judge.stage import Desk, Levels, Node, Packet, Plain, Stage, artdmx, house_of, moving, still

MAIN, MOVED = "10.0.0.1", "10.0.0.7"
SPARE = DeclaredSource("spare desk", address="10.0.0.2", role="backup", standby="silent")
BY = ("main desk", "spare desk")
BY_ADDRESS = DeclaredSource("main desk", address=MAIN)
BY_CID = DeclaredSource("main desk", cid=bytes([1]) * 16)
BEFORE_S, AFTER_S = 8.0, 8.4


def desk(**more: object) -> Desk:
    return Desk("Desk A", (1, 2), **more)  # type: ignore[arg-type]


def wave(phase: float = 0.0) -> Levels:
    """Each slot fades up and down by itself, in its turn."""
    return lambda t: bytes(int(127 + 127 * math.sin(t * 2 + slot / 10 + phase)) for slot in range(512))


def announced(address: str, name: str, from_s: float, to_s: float) -> Plain:
    """Poll replies, one each 2.8 s: how a sender of Art-Net gives its name."""
    times = [from_s + 0.3 + 2.8 * count for count in range(int((to_s - from_s) / 2.8))]
    data = packets.art_poll_reply(address, name, [0, 1])
    return Plain([Packet(t, data, address, "10.0.0.255", Protocol.ARTNET) for t in times])


def test_a_desk_that_is_back_as_an_undeclared_one_after_its_cause_was_settled_is_one_incident() -> None:
    """The backup carries its universes on all the time. The cause of a loss is settled after 22 s."""
    sources = (BY_CID, DeclaredSource("spare desk", address="10.0.0.2", role="backup", priority=90))
    spare = Desk("Spare desk", (1, 2), "10.0.0.2", 2, 90)
    back = desk(number=7, from_s=60.0, to_s=70.0)
    stage = Stage(house_of((1, 2), sources=sources, by=BY), desk(to_s=BEFORE_S), back, spare).run(50.0)
    assert (stage.only().rule, stage.only().cause) == ("source-absent", "source-lost")
    stage.run(65.0)
    incident = stage.only()
    assert (incident.rule, incident.cause) == ("source-absent", "identity-changed")
    assert "It seems to have come back with a new identity (CID)." in incident.summary
    assert not any("is it running" in line for line in incident.next_checks)
    assert incident.still_working == ('backup "spare desk" (10.0.0.2) is sending universes e131/1 and e131/2',)
    stage.run(80.0)
    assert (stage.only().rule, stage.only().cause) == ("source-absent", "source-lost")
    assert "It went completely silent" in stage.only().summary


@pytest.mark.parametrize(
    ("declared", "number", "address", "says", "confidence"),
    [
        (BY_ADDRESS, 7, MOVED, "with a new identity (CID) and under a new address", Confidence.MEDIUM),
        (BY_ADDRESS, 1, MOVED, "under a new address", Confidence.HIGH),
        (BY_CID, 7, MAIN, "with a new identity (CID)", Confidence.MEDIUM),
        (BY_CID, 7, MOVED, "with a new identity (CID) and under a new address", Confidence.MEDIUM),
    ],
)
def test_a_desk_that_is_back_as_an_undeclared_one_is_one_incident(
    declared: DeclaredSource, number: int, address: str, says: str, confidence: Confidence
) -> None:
    back = desk(number=number, address=address, from_s=AFTER_S)
    shown = Stage(house_of((1, 2), sources=(declared, SPARE), by=BY), desk(to_s=BEFORE_S), back).run(24.0)
    incident = shown.only()
    assert (incident.rule, incident.cause, incident.severity) == ("source-absent", "identity-changed", Severity.WARNING)
    assert incident.confidence is confidence and incident.closed_ns is None
    assert f"It seems to have come back {says}." in incident.summary
    assert f'Undeclared "Desk A" ({address}) sends there now.' in incident.summary
    assert {rule for rule, _ in incident.explains} == {"identity-changed", "unexpected-source"}
    assert "power" not in incident.summary and "The earlier one ended without notice." in incident.evidence
    assert not any("Desk A" in text for text in incident.still_working), "it is the source itself"


@pytest.mark.parametrize(("both_sent_s", "is_back"), [(4.8, True), (5.2, False)])
def test_who_sends_beside_a_desk_for_over_five_seconds_has_not_come_back_as_it(
    both_sent_s: float, is_back: bool
) -> None:
    """`both_sent_s` of docs/rules.md: 5 s, common practice, no source."""
    other = desk(number=7, address=MOVED, from_s=BEFORE_S)
    shown = Stage(house_of((1, 2), sources=(BY_CID, SPARE), by=BY), desk(to_s=BEFORE_S + both_sent_s), other).run(20.0)
    assert (("source-absent", "identity-changed") in shown.reported()) is is_back
    assert (("source-absent", "source-lost") in shown.reported()) is not is_back


@pytest.mark.parametrize(
    ("beside", "says"),
    [
        ([], "Nothing takes over if the main source fails."),
        ([desk(number=8, address="10.0.0.8", priority=80)], "No declared source takes over if the main source fails."),
        (
            [desk(number=3, address="10.0.0.3", priority=80)],
            "third desk is still there to take over if the main source fails.",
        ),
    ],
)
def test_who_is_left_to_take_over_without_a_backup(beside: list[Desk], says: str) -> None:
    third = DeclaredSource("third desk", address="10.0.0.3", role="backup", standby="silent")
    house = house_of((1,), sources=(BY_ADDRESS, replace(SPARE, standby="sending"), third))
    spare = Desk("Desk B", (1,), number=2, address="10.0.0.2", priority=90, to_s=BEFORE_S)
    shown = Stage(house, Desk("Desk M", (1,)), spare, *(replace(one, universes=(1,)) for one in beside)).run(14.0)
    assert next(one.summary for one in shown.open if one.rule == "backup-absent").endswith(says)


def test_an_artnet_desk_with_another_address_is_not_dead() -> None:
    house = house_of((), artnet=(0, 1), sources=(BY_ADDRESS, SPARE), by=BY)
    node = Node((0, 1), MAIN, levels=moving(), to_s=BEFORE_S)
    moved = replace(node, address=MOVED, from_s=AFTER_S, to_s=1e9)
    names = (announced(MAIN, "Desk A", 0.0, BEFORE_S), announced(MOVED, "Desk A", AFTER_S, 24.0))
    shown = Stage(house, node, moved, *names).run(16.0)
    # Until its 10 s are over the first one counts as sending: by then the second one is a stranger.
    stranger = shown.only()
    assert stranger.rule == "unexpected-source"
    assert not any("CID" in line or "priority" in line for line in stranger.evidence), "Art-Net has neither"
    shown.run(24.0)
    open_ = shown.open
    assert [(one.rule, one.cause) for one in open_] == [("source-absent", "identity-changed")]
    assert "It seems to have come back under a new address." in open_[0].summary
    assert [one.rule for one in shown.all if one.severity is Severity.CRITICAL] == []


def test_an_artnet_sender_that_changes_its_physical_port_has_no_new_cid() -> None:
    """Art-Net 4, ArtDmx: the field Physical is the sender's input port; there is no CID."""

    def sent(from_s: float, to_s: float, port: int) -> Plain:
        times = [from_s + count / 40 for count in range(int((to_s - from_s) * 40))]
        datas = [
            packets.art_dmx(0, count % 255 + 1, bytes([count % 250]) * 512, physical=port)
            for count in range(len(times))
        ]
        return Plain(
            [Packet(t, data, MAIN, "10.0.0.255", Protocol.ARTNET) for t, data in zip(times, datas, strict=True)]
        )

    house = house_of((), artnet=(0,), sources=(BY_ADDRESS,))
    shown = Stage(house, sent(0.0, 8.0, 0), sent(8.0, 22.0, 2), announced(MAIN, "Desk A", 0.0, 22.0)).run(22.0)
    incident = shown.only()
    assert incident.rule == "identity-changed" and "on another physical port" in incident.summary
    assert "Physical port 0 before, 2 since 08:16:48." in incident.evidence and "CID" not in str(incident)


def test_the_last_of_two_sources_that_died_one_after_the_other_is_not_called_the_only_one() -> None:
    first, second = Desk("Media", (3,), number=9, address="10.0.0.9", to_s=3.0), desk(to_s=BEFORE_S)
    shown = Stage(house_of((1, 2, 3)), first, second).run(BEFORE_S + 10)
    evidence = next(one.evidence for one in shown.open if "e131/1" in one.universes)
    assert "No other source is heard on this network now, so nothing shows that the path works." in evidence


def test_another_stranger_beside_a_desk_that_is_back_is_an_incident_of_its_own() -> None:
    laptop = Desk("Laptop", (1,), number=9, address="10.0.0.9", priority=120, from_s=AFTER_S + 0.1)
    back = desk(number=7, address=MOVED, from_s=AFTER_S)
    shown = Stage(house_of((1, 2), sources=(BY_ADDRESS, SPARE), by=BY), desk(to_s=BEFORE_S), back, laptop).run(16.0)
    assert [one.sources for one in shown.open if one.rule == "unexpected-source"] == [("Laptop",)]


def test_another_desk_of_another_name_is_a_stranger_beside_a_dead_desk() -> None:
    other = Desk("Desk X", (1, 2), number=7, address=MOVED, from_s=AFTER_S)
    shown = Stage(house_of((1, 2), sources=(BY_CID, SPARE), by=BY), desk(to_s=BEFORE_S), other).run(24.0)
    assert {(one.rule, one.cause) for one in shown.all} == {
        ("source-absent", "source-lost"),
        ("unexpected-source", "undeclared"),
    }


def test_a_declared_backup_of_the_same_name_has_not_come_back_as_the_main_desk() -> None:
    """Two desks of one make may have one name until somebody gives them others (common practice, no source)."""
    backup = replace(SPARE, address=MOVED)
    back = desk(number=7, address=MOVED, from_s=AFTER_S)
    shown = Stage(house_of((1, 2), sources=(BY_ADDRESS, backup), by=BY), desk(to_s=BEFORE_S), back).run(24.0)
    assert ("source-absent", "source-lost") in shown.reported()


def test_a_stranger_that_restarts_with_a_new_identity_is_a_stranger_still() -> None:
    main = Desk("Desk A", (1,))
    test = [Desk("Test", (1,), number=7, address=MOVED, from_s=5.0, to_s=9.0)]
    test += [Desk("Test", (1,), number=8, address=MOVED, from_s=14.0)]
    shown = Stage(house_of((1,), sources=(BY_ADDRESS, SPARE), by=BY), main, *test).run(20.0)
    assert [one.rule for one in shown.open if "unexpected-source" in (one.rule, *(rule for rule, _ in one.explains))]


def test_an_ended_artnet_stream_fights_with_nobody() -> None:
    """The look that a dead desk left behind moves no more: a desk with another address does not fight with it."""
    first = [Node((number,), MAIN, levels=wave(number), to_s=BEFORE_S) for number in (0, 1)]
    second = [Node((number,), MOVED, levels=wave(number), from_s=AFTER_S) for number in (0, 1)]
    shown = Stage(house_of((), artnet=(0, 1)), *first, *second).run(24.0)
    assert [one.rule for one in shown.all if one.rule == "source-conflict"] == []


def test_two_physical_ports_of_one_address_are_not_called_two_addresses() -> None:
    """A program on one computer may have several outputs; Art-Net names each by its physical port (ArtDmx)."""
    made = []
    for port, level in ((0, 50), (1, 90)):
        for frame in range(600):
            data = bytearray(artdmx(0, frame % 255 + 1, bytes([level]) * 512))
            data[13] = port
            made.append(Packet(frame / 40 + port / 100, bytes(data), MAIN, "255.255.255.255", Protocol.ARTNET))
    shown = Stage(house_of((), artnet=(0,)), Plain(sorted(made, key=lambda packet: packet.t_s))).run(14.0)
    incident = shown.rule("source-conflict")
    assert incident.summary.startswith(f"{MAIN} fights with itself over universe artnet/0 from 2 physical ports: ")
    assert "physical port 1, " in incident.evidence[1]


def test_desks_that_are_both_declared_are_no_strangers_to_look_for() -> None:
    first, second = Node((0,), MAIN, levels=wave()), Node((0,), "10.0.0.2", levels=wave(1.5), from_s=5.0)
    house = house_of((), artnet=(0,), sources=(BY_ADDRESS, SPARE), by=BY)
    incident = Stage(house, first, second).run(20.0).rule("source-conflict")
    assert (
        incident.next_checks[0]
        == f'Look at the screens of "main desk" ({MAIN}) and "spare desk" (10.0.0.2): which of them is to be in control'
        " now?"
    )
    assert not any("laptop" in check for check in incident.next_checks)


def test_receivers_hold_their_last_look_only_where_nothing_is_sent() -> None:
    rack = Receiver("Rack 1", "10.0.0.41", (UniverseId(Protocol.E131, 1),))
    house = house_of((1,), sources=(BY_ADDRESS, SPARE), by=BY, receivers=(rack,))
    spare = Desk("Desk B", (1,), number=2, address="10.0.0.2", from_s=BEFORE_S + 5)
    shown = Stage(house, Desk("Desk A", (1,), to_s=BEFORE_S), spare).run(BEFORE_S + 4)
    held = "Rack 1 should hold the last look"
    assert held in shown.only().still_working
    now = shown.run(BEFORE_S + 10).open
    assert [one.rule for one in now] == ["source-absent"] and held not in now[0].still_working


def test_artnet_sync_that_ended_asks_for_no_sync_address() -> None:
    """Art-Net 4, ArtSync: it has no address, and 4 s without it nodes act at once."""
    sync = [Packet(t / 40, packets.art_sync(), MAIN, "10.0.0.255", Protocol.ARTNET) for t in range(400)]
    node = Node((0, 1), MAIN, levels=still(9), keep_alive_s=1.0)
    incident = Stage(house_of((), artnet=(0, 1)), node, Plain(sync)).run(20.0).only()
    assert incident.rule == "sync-missing"
    assert not any("address" in check or "holding" in check for check in incident.next_checks)


@pytest.mark.parametrize("address", ["169.254.3.4", "10.0.0.9"])
def test_a_desk_that_is_back_from_another_address_did_not_send_all_along(address: str) -> None:
    """RFC 3927: a device that finds no DHCP server gives itself an address of 169.254/16. Its universes come back one
    after the other, around a look at all rules at 20.05 s: the first is no sign that the desk sent all along."""
    before, after = desk(to_s=BEFORE_S), desk(from_s=20.0499, address=address)
    other = Desk("House lights", (11,), number=2, address="10.0.0.2")
    stage = Stage(house_of((1, 2, 11), sources=(BY_CID,)), before, other, after, every_tick=True).run(45.0)
    lost = stage.rule("universe-lost")
    assert lost.cause == "source-lost"
    assert not any("is running" in entry.text for entry in lost.timeline)
