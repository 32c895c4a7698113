"""Which port a device is connected to, and what lies on either side of a lead between two switches.

Expected places are worked out by hand from two rules. IEEE 802.1Q 8.7: a bridge learns the address of a station on the
port where its frames come in, so every bridge on the path learns it, and only the last one's port leads to no other
bridge. IEEE 802.1AB 8.5: the chassis of an announcement names the neighbour that sent it.
"""

from __future__ import annotations

import pytest

from slotwatch.house.witnesses import DeclaredSwitch
from slotwatch.judge import cabling
from slotwatch.judge.cabling import Cabling, SwitchLink, SwitchPlace, own_switch, say_port
from slotwatch.judge.switches import Switches
from slotwatch.wire.observation import PortSeen, SwitchSeen
from slotwatch.wire.switch import SwitchNeighbour, SwitchPort, SwitchState, SwitchTables
from tests.judge.stage import S

DESK, NODE, PHONE = "02:00:00:00:00:01", "02:00:00:00:00:02", "02:00:00:00:00:03"


def declared(name: str, *uplinks: str) -> DeclaredSwitch:
    return DeclaredSwitch(name, "10.0.0.250", "2c", "snmp", 5, uplinks)


class Rack:
    """Switches of four ports that are polled together; the last answer of each is kept."""

    def __init__(self, *switches: DeclaredSwitch) -> None:
        self.declared = switches
        self.switches = Switches()
        self.cabling = Cabling()
        self.polls = 0

    def poll(self, **tables: SwitchTables) -> Cabling:
        self.polls += 1
        ports = tuple(SwitchPort(index, str(index), up=True) for index in range(1, 5))
        for name, table in tables.items():
            state = SwitchState(f"{name}.lan", self.polls * 500, None, ports, table)
            self.switches.take(SwitchSeen(self.polls * 5 * S, name, True, "", state))
        return self.cabling.follow(self.switches, self.declared)


def tables(name: str, macs: dict[str, int], links: dict[int, str] | None = None) -> SwitchTables:
    """links: number of a port, and the switch whose announcements come in there."""
    neighbours = tuple(SwitchNeighbour(port, f"chassis {far}") for port, far in (links or {}).items())
    return SwitchTables(f"chassis {name}", tuple(macs.items()), neighbours)


def test_a_device_is_on_the_one_port_that_learnt_it_and_leads_to_no_switch() -> None:
    rack = Rack(declared("foh"), declared("stage"))
    found = rack.poll(
        foh=tables("foh", {DESK: 3, NODE: 1}, {1: "stage"}), stage=tables("stage", {DESK: 4, NODE: 2}, {4: "foh"})
    )
    assert found.place_of(DESK) == SwitchPlace("foh", 3, "snmp")
    assert found.place_of(NODE) == SwitchPlace("stage", 2, "snmp")
    assert found.place_of(PHONE) is None
    assert found.place_of("") is None
    assert found.links() == [SwitchLink(("foh", 1), "stage", 4), SwitchLink(("stage", 4), "foh", 1)]
    assert found.far_switch(("foh", 1)) == "stage"
    assert found.far_switch(("foh", 3)) == ""


def test_without_announcements_the_port_with_the_fewest_addresses_is_the_devices_own() -> None:
    """By switches that speak no LLDP: the port towards the rest of the network learns the rest's addresses too."""
    rack = Rack(declared("foh"), declared("stage"))
    found = rack.poll(
        foh=SwitchTables(macs=((DESK, 3), (NODE, 1), (PHONE, 2))),
        stage=SwitchTables(macs=((DESK, 4), (NODE, 2), (PHONE, 4))),
    )
    assert found.place_of(DESK) == SwitchPlace("foh", 3, "snmp")
    assert found.place_of(PHONE) == SwitchPlace("foh", 2, "snmp")


def test_an_uplink_of_the_house_file_holds_no_device() -> None:
    rack = Rack(declared("foh", "1"), declared("stage", "4"))
    found = rack.poll(foh=tables("foh", {DESK: 3, NODE: 1}), stage=tables("stage", {DESK: 4, NODE: 2}))
    assert found.place_of(NODE) == SwitchPlace("stage", 2, "snmp")
    assert found.uplinks() == {("foh", 1), ("stage", 4)}
    assert found.is_uplink(("foh", 1))
    assert not found.is_uplink(("foh", 3))
    assert found.links() == []


def test_a_device_that_announces_itself_is_where_it_does() -> None:
    """A chassis of subtype MAC address is the device's own address (IEEE 802.1AB 8.5.2)."""
    rack = Rack(declared("foh"))
    found = rack.poll(
        foh=SwitchTables(macs=((DESK, 2),), neighbours=(SwitchNeighbour(3, DESK), SwitchNeighbour(4, "rack pc", NODE)))
    )
    assert found.place_of(DESK) == SwitchPlace("foh", 3, "lldp")
    assert found.place_of(NODE) == SwitchPlace("foh", 4, "lldp")
    assert found.place_of("rack pc") is None, "a name is no device address"


def test_a_place_stays_known_when_its_lead_is_pulled_and_goes_when_it_moves_behind_another_switch() -> None:
    """RFC 4188, dot1dTpFdbTable: a bridge drops what it learnt on a port that goes down."""
    rack = Rack(declared("foh"), declared("stage"))
    links = {"foh": {1: "stage"}, "stage": {4: "foh"}}
    rack.poll(foh=tables("foh", {DESK: 3}, links["foh"]), stage=tables("stage", {DESK: 4}, links["stage"]))
    pulled = rack.poll(foh=tables("foh", {}, links["foh"]), stage=tables("stage", {}, links["stage"]))
    assert pulled.place_of(DESK) == SwitchPlace("foh", 3, "snmp")
    behind = rack.poll(foh=tables("foh", {DESK: 1}, links["foh"]), stage=tables("stage", {}, links["stage"]))
    assert behind.place_of(DESK) is None, "the switch behind has not said yet on which port"
    moved = rack.poll(foh=tables("foh", {DESK: 1}, links["foh"]), stage=tables("stage", {DESK: 2}, links["stage"]))
    assert moved.place_of(DESK) == SwitchPlace("stage", 2, "snmp")


def test_a_lead_between_switches_that_moves_to_another_port_is_not_known_twice() -> None:
    rack = Rack(declared("foh"), declared("stage"))
    rack.poll(foh=tables("foh", {}, {1: "stage"}), stage=tables("stage", {}, {4: "foh"}))
    away = rack.poll(foh=tables("foh", {}), stage=tables("stage", {}))
    assert away.uplinks() == {("foh", 1), ("stage", 4)}, "what was known stays known while the lead is out"
    moved = rack.poll(foh=tables("foh", {}, {2: "stage"}), stage=tables("stage", {}, {4: "foh"}))
    assert moved.uplinks() == {("foh", 2), ("stage", 4)}


def test_what_the_house_no_longer_declares_is_forgotten() -> None:
    rack = Rack(declared("foh"), declared("stage"))
    rack.poll(foh=tables("foh", {}, {1: "stage"}), stage=tables("stage", {}, {4: "foh"}))
    alone = rack.cabling.follow(rack.switches, (declared("foh"),))
    assert alone.links() == []
    assert rack.switches.get("stage") is None


def test_the_two_sides_of_a_lead() -> None:
    """Three switches in a line fall into two sides; closed to a ring, any of them still reaches all."""
    line = Rack(declared("foh"), declared("stage"), declared("grid"))
    found = line.poll(
        foh=tables("foh", {}, {1: "stage"}),
        stage=tables("stage", {}, {4: "foh", 1: "grid"}),
        grid=tables("grid", {}, {4: "stage"}),
    )
    assert found.without("foh", "stage") == ({"foh"}, {"stage", "grid"})
    assert found.without("stage", "grid") == ({"stage", "foh"}, {"grid"})
    ring = line.poll(
        foh=tables("foh", {}, {1: "stage", 2: "grid"}),
        stage=tables("stage", {}, {4: "foh", 1: "grid"}),
        grid=tables("grid", {}, {4: "stage", 2: "foh"}),
    )
    assert ring.without("foh", "stage") == ({"foh", "stage", "grid"}, {"foh", "stage", "grid"})


def test_ip_addresses_are_those_that_the_switches_resolved() -> None:
    rack = Rack(declared("foh"))
    found = rack.poll(foh=SwitchTables(addresses=(("10.0.0.1", DESK),)))
    assert (found.mac_of("10.0.0.1"), found.mac_of("10.0.0.2")) == (DESK, "")


def test_places_are_bounded_and_the_longest_unseen_one_goes_first(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(cabling, "MOST_PLACES", 2)
    rack = Rack(declared("foh"))
    rack.poll(foh=tables("foh", {DESK: 1, NODE: 2}))
    rack.poll(foh=tables("foh", {DESK: 1}))
    found = rack.poll(foh=tables("foh", {PHONE: 3}))
    assert [found.place_of(mac) is not None for mac in (DESK, NODE, PHONE)] == [True, False, True]


@pytest.mark.parametrize(
    ("seen", "expected"),
    [
        (PortSeen(0, 0, "chassis foh", "7", 120), "foh"),
        (PortSeen(0, 0, "another chassis", "7", 120, system_name="foh.lan"), "foh"),
        (PortSeen(0, 0, "another chassis", "7", 120, system_name="foh"), "foh"),
        (PortSeen(0, 0, "another chassis", "7", 120, system_name="grid"), ""),
        (PortSeen(0, 0, "", "", 120), ""),
    ],
)
def test_this_listeners_switch_is_the_one_whose_announcement_it_hears(seen: PortSeen, expected: str) -> None:
    rack = Rack(declared("foh"))
    rack.poll(foh=tables("foh", {}))
    assert own_switch(rack.switches, [seen]) == expected


def test_a_port_is_named_as_its_switch_labels_it() -> None:
    rack = Rack(declared("foh"))
    rack.poll(foh=tables("foh", {DESK: 3}))
    place = SwitchPlace("foh", 3, "snmp")
    record = rack.switches.get("foh")
    assert record is not None
    assert say_port(record.ports[3], place) == "port 3 of switch foh"
    assert say_port(None, place) == "port 3 of switch foh"
