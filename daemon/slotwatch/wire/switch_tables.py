"""Make values of what a walk through a switch's MIB gave. Any value at all is taken; what makes no sense is left out.

Sources of the object identifiers: RFC 3418 (system), RFC 2790 (host), RFC 2863 (interfaces), RFC 3635 (Ethernet),
RFC 4188 (bridge), RFC 4363 (bridge with VLANs), IEEE 802.1AB-2005 12 (LLDP-MIB), RFC 4293 (addresses), RFC 2933
(IGMP), RFC 3621 (power).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from ipaddress import IPv4Address, ip_address

from slotwatch.wire.switch import SwitchNeighbour, SwitchPort, SwitchState, SwitchTables

Index = tuple[int, ...]
Value = int | bytes
Rows = Sequence[tuple[Index, Value]]
Walks = Mapping[str, Rows]
"""Name of an object or column: (rest of the object identifier, value). Texts and addresses are bytes."""

SCALARS = {
    "sysUpTime": "1.3.6.1.2.1.1.3.0",
    "sysName": "1.3.6.1.2.1.1.5.0",
    "hrSystemUptime": "1.3.6.1.2.1.25.1.1.0",
}
OFTEN = {"ifOperStatus": "1.3.6.1.2.1.2.2.1.8"}
"""Columns of every poll."""
CHANGES = {"ifLastChange": "1.3.6.1.2.1.2.2.1.9"}
"""Read when a port changed, and with the counters: a port may go down and up between two polls."""
COUNTERS = {
    "ifInDiscards": "1.3.6.1.2.1.2.2.1.13",
    "ifInErrors": "1.3.6.1.2.1.2.2.1.14",
    "ifOutDiscards": "1.3.6.1.2.1.2.2.1.19",
    "ifOutErrors": "1.3.6.1.2.1.2.2.1.20",
}
NAMES = {
    "ifDescr": "1.3.6.1.2.1.2.2.1.2",
    "ifType": "1.3.6.1.2.1.2.2.1.3",
    "ifName": "1.3.6.1.2.1.31.1.1.1.1",
    "ifAlias": "1.3.6.1.2.1.31.1.1.1.18",
    "ifConnectorPresent": "1.3.6.1.2.1.31.1.1.1.17",
    "dot1dBasePortIfIndex": "1.3.6.1.2.1.17.1.4.1.2",
    "lldpLocChassisIdSubtype": "1.0.8802.1.1.2.1.3.1",
    "lldpLocChassisId": "1.0.8802.1.1.2.1.3.2",
    "lldpLocPortIdSubtype": "1.0.8802.1.1.2.1.3.7.1.2",
    "lldpLocPortId": "1.0.8802.1.1.2.1.3.7.1.3",
}
"""Columns that change when somebody sets up the switch: read every few minutes, and after its restart."""
FORWARDING = {
    "dot1dTpFdbPort": "1.3.6.1.2.1.17.4.3.1.2",
    "dot1qTpFdbPort": "1.3.6.1.2.1.17.7.1.2.2.1.2",
    "ipNetToMediaPhysAddress": "1.3.6.1.2.1.4.22.1.2",
}
"""The longest tables: read every other minute."""
SELDOM = {
    "ifHighSpeed": "1.3.6.1.2.1.31.1.1.1.15",
    "dot3StatsDuplexStatus": "1.3.6.1.2.1.10.7.2.1.19",
    "igmpInterfaceQuerier": "1.3.6.1.2.1.85.1.1.1.5",
    "igmpCacheSelf": "1.3.6.1.2.1.85.1.2.1.3",
    "pethPsePortDetectionStatus": "1.3.6.1.2.1.105.1.1.1.6",
    "lldpRemChassisIdSubtype": "1.0.8802.1.1.2.1.4.1.1.4",
    "lldpRemChassisId": "1.0.8802.1.1.2.1.4.1.1.5",
    "lldpRemPortIdSubtype": "1.0.8802.1.1.2.1.4.1.1.6",
    "lldpRemPortId": "1.0.8802.1.1.2.1.4.1.1.7",
    "lldpRemPortDesc": "1.0.8802.1.1.2.1.4.1.1.8",
    "lldpRemSysName": "1.0.8802.1.1.2.1.4.1.1.9",
}
"""Columns of a poll once a minute."""

MOST_ROWS = 8192
"""Rows that are read of one column: more devices than a venue has."""
MOST_PORTS = 1024
MOST_LETTERS = 255
_PORT_TYPES = frozenset({6, 62, 69, 117, 161})
"""IANAifType: ethernetCsmacd, fastEther, fastEtherFX, gigabitEthernet, ieee8023adLag."""
_UP, _HALF_DUPLEX, _FULL_DUPLEX = 1, 2, 3
_HAS_CONNECTOR = 1
_POWER = {1: "off", 2: "searching", 3: "delivering", 4: "fault", 6: "fault"}
_BY_CHASSIS, _BY_PORT = 4, 3
"""Subtypes of an LLDP identity that is a device address: of a chassis, of a port."""
_NETWORK_ADDRESS = {_BY_CHASSIS: 5, _BY_PORT: 4}


def read_switch(walks: Walks, with_tables: bool) -> SwitchState | None:
    """Read one poll. None where the switch does not even say how long it has been up."""
    uptime = _number(walks, "sysUpTime")
    if uptime is None:
        return None
    return SwitchState(
        _text(_scalar(walks, "sysName")),
        uptime,
        _number(walks, "hrSystemUptime"),
        read_ports(walks, uptime),
        read_tables(walks) if with_tables else None,
    )


def read_ports(walks: Walks, uptime: int) -> tuple[SwitchPort, ...]:
    """Read its Ethernet ports, in the order of their numbers."""
    types, states, changes = _numbers(walks, "ifType"), _numbers(walks, "ifOperStatus"), _numbers(walks, "ifLastChange")
    names, aliases, descriptions = _texts(walks, "ifName"), _texts(walks, "ifAlias"), _texts(walks, "ifDescr")
    speeds, duplex = _numbers(walks, "ifHighSpeed"), _numbers(walks, "dot3StatsDuplexStatus")
    # Some switches list the bridge's ports of one VLAN only: a port with a connector is one all the same.
    plugs = {index for index, value in _numbers(walks, "ifConnectorPresent").items() if value == _HAS_CONNECTOR}
    bridged = set(_base_ports(walks).values()) | plugs
    power = _power(walks)
    errors, discards = _sums(walks, "ifInErrors", "ifOutErrors"), _sums(walks, "ifInDiscards", "ifOutDiscards")
    found = []
    for index in sorted(states)[:MOST_PORTS]:
        if types.get(index, 6) not in _PORT_TYPES or (bridged and index not in bridged):
            continue
        name = names.get(index) or descriptions.get(index) or str(index)
        reported = duplex.get(index)
        found.append(
            SwitchPort(
                index,
                name,
                aliases.get(index, ""),
                states[index] == _UP,
                _ago(changes.get(index), uptime),
                speeds.get(index) or None,
                None if reported not in (_HALF_DUPLEX, _FULL_DUPLEX) else reported == _HALF_DUPLEX,
                errors.get(index),
                discards.get(index),
                power.get(index, ""),
            )
        )
    return tuple(found)


def read_tables(walks: Walks) -> SwitchTables:
    """Read what is connected to its ports."""
    macs, neighbours = _macs(walks), _neighbours(walks)
    addresses, groups, power = _addresses(walks), _groups(walks), _power(walks)
    given = {
        "macs": bool(macs),
        "neighbours": bool(neighbours),
        "addresses": bool(addresses),
        "groups": bool(groups),
        "power": bool(power),
    }
    queriers = _queriers(walks)
    return SwitchTables(
        _identity(_BY_CHASSIS, _number(walks, "lldpLocChassisIdSubtype"), _scalar(walks, "lldpLocChassisId")),
        macs,
        neighbours,
        addresses,
        groups,
        queriers[0][1] if queriers else "",
        tuple(name for name, some in given.items() if some),
        any(len(rows) >= MOST_ROWS for rows in walks.values()),
        queriers,
    )


# --- tables -------------------------------------------------------------------------------------------


def _macs(walks: Walks) -> tuple[tuple[str, int], ...]:
    """Device addresses by the port that each was learnt on; of one in several VLANs the first."""
    base, found = _base_ports(walks), dict[str, int]()
    for name in ("dot1qTpFdbPort", "dot1dTpFdbPort"):
        for index, port in walks.get(name, ()):
            mac = index[-6:]
            if isinstance(port, int) and port > 0 and len(mac) == 6 and all(0 <= octet < 256 for octet in mac):
                found.setdefault(bytes(mac).hex(":"), base.get(port, port))
    return tuple(found.items())


def _neighbours(walks: Walks) -> tuple[SwitchNeighbour, ...]:
    """LLDP neighbours. The index of a row is time mark, local port number and a number (802.1AB, lldpRemEntry)."""
    local = _lldp_ports(walks)
    columns = {name: dict(walks.get(name, ())) for name in SELDOM if name.startswith("lldpRem")}
    found = []
    for index, value in columns["lldpRemChassisId"].items():
        if len(index) != 3:
            continue
        chassis = _identity(_BY_CHASSIS, _whole(columns["lldpRemChassisIdSubtype"].get(index)), value)
        port = columns["lldpRemPortId"].get(index)
        if chassis:
            found.append(
                SwitchNeighbour(
                    local.get(index[1], index[1]),
                    chassis,
                    _identity(_BY_PORT, _whole(columns["lldpRemPortIdSubtype"].get(index)), port),
                    _text(columns["lldpRemPortDesc"].get(index)),
                    _text(columns["lldpRemSysName"].get(index)),
                )
            )
    return tuple(found)


def _lldp_ports(walks: Walks) -> dict[int, int]:
    """The ifIndex of each LLDP port number: by the name that both tables give, else by the bridge's own number."""
    by_name = {name: index for column in ("ifDescr", "ifName") for index, name in _texts(walks, column).items()}
    base = _base_ports(walks)
    states = _numbers(walks, "ifOperStatus")
    found = {}
    for number, name in _texts(walks, "lldpLocPortId").items():
        if name in by_name:
            found[number] = by_name[name]
        elif number not in states and number in base:
            found[number] = base[number]
    return found


def _addresses(walks: Walks) -> tuple[tuple[str, str], ...]:
    found = {}
    for index, value in walks.get("ipNetToMediaPhysAddress", ()):
        if len(index) == 5 and isinstance(value, bytes) and len(value) == 6 and any(value):
            found[_ipv4(index[1:])] = value.hex(":")
    return tuple((address, mac) for address, mac in found.items() if address)


def _groups(walks: Walks) -> tuple[tuple[str, int], ...]:
    rows = [index for index, _ in walks.get("igmpCacheSelf", ()) if len(index) == 5]
    return tuple((group, index[4]) for index in rows if (group := _ipv4(index[:4])))


def _queriers(walks: Walks) -> tuple[tuple[int, str], ...]:
    """Index of a row: ifIndex, and in some agents the kind of address (1: IPv4) after it."""
    rows = [
        (index[0], _ipv4(value))
        for index, value in walks.get("igmpInterfaceQuerier", ())
        if index and isinstance(value, bytes)
    ]
    return tuple((index, address) for index, address in rows if address not in ("", "0.0.0.0"))


def _power(walks: Walks) -> dict[int, str]:
    """Index of a row: group of ports, and port in it; with one group the port is the bridge's number."""
    base = _base_ports(walks)
    rows = [(index, value) for index, value in walks.get("pethPsePortDetectionStatus", ()) if len(index) == 2]
    if len({index[0] for index, _ in rows}) > 1:
        return {}  # which interface a port of the second group is, no standard says
    return {base.get(index[1], index[1]): _POWER[value] for index, value in rows if value in _POWER}


def _base_ports(walks: Walks) -> dict[int, int]:
    """Number of a bridge port: its ifIndex."""
    return _numbers(walks, "dot1dBasePortIfIndex")


# --- single values ------------------------------------------------------------------------------------


def _ago(change: int | None, uptime: int) -> float | None:
    """Seconds since a moment of up time. 0 means before the switch's own start (RFC 2863, ifLastChange)."""
    return max(0, uptime - change) / 100 if change else None


def _sums(walks: Walks, *names: str) -> dict[int, int]:
    found: dict[int, int] = {}
    for name in names:
        for index, value in _numbers(walks, name).items():
            found[index] = found.get(index, 0) + value
    return found


def _numbers(walks: Walks, name: str) -> dict[int, int]:
    return {index[0]: value for index, value in walks.get(name, ()) if len(index) == 1 and isinstance(value, int)}


def _texts(walks: Walks, name: str) -> dict[int, str]:
    return {index[0]: _text(value) for index, value in walks.get(name, ()) if len(index) == 1}


def _scalar(walks: Walks, name: str) -> Value | None:
    rows = walks.get(name, ())
    return rows[0][1] if rows else None


def _number(walks: Walks, name: str) -> int | None:
    return _whole(_scalar(walks, name))


def _whole(value: Value | None) -> int | None:
    return value if isinstance(value, int) else None


def _identity(kind: int, subtype: int | None, value: Value | None) -> str:
    """An LLDP identity as `wire.lldp` writes it."""
    if not isinstance(value, bytes):
        return ""
    if subtype == kind and len(value) == 6:
        return value.hex(":")
    if subtype == _NETWORK_ADDRESS[kind] and value[:1] in (b"\x01", b"\x02") and len(value) in (5, 17):
        return str(ip_address(value[1:]))
    return _text(value)


def _ipv4(octets: Sequence[int]) -> str:
    if len(octets) != 4 or not all(0 <= octet < 256 for octet in octets):
        return ""
    return str(IPv4Address(bytes(octets)))


def _text(value: Value | None) -> str:
    """One plain line."""
    if not isinstance(value, bytes):
        return ""
    words = value[:MOST_LETTERS].decode("utf-8", "replace").replace("\0", " ").split()
    return " ".join("".join(letter for letter in word if letter.isprintable()) for word in words)
