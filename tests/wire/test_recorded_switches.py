"""What real switches answered, of ten families: recordings of an open collection, read as polls are.

Source and licence: tests/data/switches/SOURCE.txt. The numbers beside each family were counted in its recording:
Ethernet interfaces (IANAifType) that are bridge ports or have a connector, those whose ifOperStatus is 1, and rows.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from slotwatch.house.witnesses import DeclaredSwitch
from slotwatch.judge.cabling import Cabling
from slotwatch.judge.switches import Switches
from slotwatch.wire.observation import SwitchSeen
from slotwatch.wire.switch import SwitchState, SwitchTables
from slotwatch.wire.switch_tables import read_switch

PLACE = Path(__file__).parent.parent / "data" / "switches"


@dataclass(frozen=True)
class Family:
    letter: str
    ports: int
    up: int
    offers: tuple[str, ...]
    neighbours: int = 0
    of_what: str = ""
    """Why it is here."""


FAMILIES = [
    Family("a", 18, 15, ("neighbours", "addresses"), 9, "lists the bridge ports of one VLAN only; ifIndex of 9 digits"),
    Family("b", 12, 6, ("macs", "addresses"), of_what="lists the bridge ports of one VLAN only"),
    Family("c", 29, 1, ("macs", "addresses"), of_what="gives no ifLastChange of any port"),
    Family("d", 28, 13, ("macs", "addresses"), of_what="calls ports without a link half duplex"),
    Family("e", 24, 14, ("macs", "neighbours"), 5, "plain numbers as names of ports"),
    Family("f", 24, 12, ("macs", "addresses"), of_what="does not say duplex"),
    Family("g", 28, 1, ("macs", "neighbours", "addresses"), 1, "up time as a growing number of the collection"),
    Family("h", 20, 8, ("macs", "addresses"), of_what="does not say duplex"),
    Family("i", 4, 2, ("addresses",), of_what="small, with power, and without any table of devices"),
    Family("j", 24, 1, ("macs", "addresses"), of_what="says the speed of ports with a link only"),
]


def raw(letter: str) -> dict[str, list[tuple[list[int], Any]]]:
    found: dict[str, list[tuple[list[int], Any]]] = json.loads((PLACE / f"{letter}.json").read_text(encoding="utf-8"))
    return found


def polled(letter: str) -> tuple[SwitchState, SwitchTables]:
    def value(given: Any) -> int | bytes:
        if isinstance(given, int):
            return given
        return bytes.fromhex(given["hex"]) if isinstance(given, dict) else str(given).encode()

    walks = {name: [(tuple(index), value(one)) for index, one in rows] for name, rows in raw(letter).items()}
    state = read_switch(walks, True)
    assert state is not None and state.tables is not None
    return state, state.tables


@pytest.fixture(params=FAMILIES, ids=lambda family: family.letter)
def family(request: pytest.FixtureRequest) -> Family:
    found: Family = request.param
    return found


def test_ports_and_tables_are_those_of_the_recording(family: Family) -> None:
    state, tables = polled(family.letter)
    assert (len(state.ports), sum(port.up for port in state.ports)) == (family.ports, family.up)
    assert (tables.offers, len(tables.neighbours)) == (family.offers, family.neighbours)
    assert len({port.name for port in state.ports}) == family.ports, "each port has a name of its own"


def test_what_hangs_on_it_hangs_on_a_port_that_is_shown(family: Family) -> None:
    state, tables = polled(family.letter)
    known = {port.index for port in state.ports}
    assert {index for _, index in tables.macs} <= known
    assert {one.port for one in tables.neighbours} <= known


def test_counts_and_speeds_are_those_of_the_recording(family: Family) -> None:
    """Added up here from the columns themselves (RFC 2863)."""
    state, _ = polled(family.letter)
    columns = {
        name: {index[0]: one for index, one in rows if len(index) == 1} for name, rows in raw(family.letter).items()
    }
    for port in state.ports:
        assert port.errors == columns["ifInErrors"][port.index] + columns["ifOutErrors"][port.index]
        assert port.discards == columns["ifInDiscards"][port.index] + columns["ifOutDiscards"][port.index]
        assert port.speed_mbps == (columns.get("ifHighSpeed", {}).get(port.index) or None)
    assert not any(port.up and port.half_duplex for port in state.ports), "no port with a link was at half duplex"


def test_devices_have_their_place_and_no_port_is_reported_as_slow_or_counting(family: Family) -> None:
    """The first poll of a switch counts nothing yet, whatever its counters have come to in years."""
    state, tables = polled(family.letter)
    switches, declared = Switches(), (DeclaredSwitch("FOH", "10.0.0.250", "2c", "foh.snmp", 10),)
    switches.take(SwitchSeen(1_000_000_000, "FOH", True, "", state))
    cabling = Cabling().follow(switches, declared)
    placed = {mac: place for mac, _ in tables.macs if (place := cabling.place_of(mac)) is not None}
    announced = {port.port for port in tables.neighbours}
    # What hangs on a port where a neighbour announces itself may be behind that one.
    assert all(mac in placed or index in announced for mac, index in tables.macs)
    assert all(placed[mac].index == index for mac, index in tables.macs if mac in placed and placed[mac].via == "snmp")
    record = switches.get("FOH")
    assert record is not None and all(port.counted == 0 for port in record.ports.values())
