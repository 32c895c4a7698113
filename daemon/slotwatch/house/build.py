"""Makes the values of the house from tables that were read. What refers to something else is checked after.

Each function makes the value of one section of the file, or of one of its rows, and is named after it.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import replace
from zoneinfo import ZoneInfo

from slotwatch.house.document import Document, Entry
from slotwatch.house.occasions import (
    LONGEST_REFERENCE_NAME,
    DarkTerms,
    ReadinessTerms,
    ReferenceTerms,
    unknown_fixtures,
)
from slotwatch.house.outgoing import Alerts, Mqtt
from slotwatch.house.schema import (
    Accepted,
    DeclaredSource,
    DeclaredUniverse,
    Excluded,
    Fixture,
    Limits,
    Line,
    Network,
    Phase,
    Profile,
    Quiet,
    Rack,
    Receiver,
    Route,
    TimetableRow,
)
from slotwatch.house.sections import BY_NAME
from slotwatch.house.service import HistoryTerms, Http, Listen, RecorderTerms
from slotwatch.house.values import Converter
from slotwatch.wire.universe import ON_NETWORK, SLOTS, Protocol, UniverseId

_ROLE = re.compile(r"[a-z][a-z0-9]*(-[a-z0-9]+)*")
_HOST_NAME = re.compile(r"[A-Za-z0-9_]([A-Za-z0-9_-]*[A-Za-z0-9_])?(\.[A-Za-z0-9_]([A-Za-z0-9_-]*[A-Za-z0-9_])?)*\.?")


def listen(document: Document, converter: Converter) -> Listen:
    entry = document.table(BY_NAME["listen"], converter)
    values = dict(entry.values)
    words = {protocol.word: protocol for protocol in Protocol}
    values["protocols"] = tuple(words[word] for word in values["protocols"])
    if len(set(values["interfaces"])) < len(values["interfaces"]):
        entry.wrong("interfaces", "each interface may be listed once")
    if entry["artnet_subscribe"] and "artnet" not in entry["protocols"]:
        entry.wrong("artnet_subscribe", "artnet must be one of the protocols for this")
    return Listen(**values)


def networks(document: Document, converter: Converter, declared: Listen) -> tuple[Network, ...]:
    """Networks in the order of `[listen] interfaces`; where none are listed there, in the order of the rows."""
    rows = [entry for entry in document.tables(BY_NAME["networks"], converter) if entry.usable]
    names: dict[str, str] = {}
    for entry in rows:
        if entry["name"] in names.values():
            entry.wrong("name", "another network has this name already")
        elif entry["interface"] in names:
            entry.wrong("interface", "this interface has a name already")
        elif declared.interfaces and entry["interface"] not in declared.interfaces:
            entry.wrong("interface", "it must also be in [listen] interfaces")
        elif re.search(r"\s", entry["name"]):
            entry.wrong("name", "a name without spaces is expected, as in e131/12@A")
        names.setdefault(entry["interface"], entry["name"])
    interfaces = declared.interfaces or tuple(names)
    return tuple(Network(names.get(interface, interface), interface) for interface in interfaces)


def http(document: Document, converter: Converter) -> Http:
    entry = document.table(BY_NAME["http"], converter)
    tls = document.table(BY_NAME["tls"], converter)
    host, port = entry["listen"] if isinstance(entry["listen"], tuple) else ("127.0.0.1", 8580)
    if entry["read"] == "token" and not entry["token_file"]:
        entry.wrong("read", "reading can need a token only where token_file names one")
    for index, name in enumerate(entry["hosts"]):
        if not _HOST_NAME.fullmatch(name):
            entry.wrong("hosts", "a host name without scheme and port is expected, such as lights.example", index)
    return Http(
        host,
        port,
        entry["token_file"],
        entry["read"],
        entry["hosts"],
        tls["certificate_file"],
        tls["key_file"],
    )


def history(document: Document, converter: Converter) -> HistoryTerms:
    return HistoryTerms(**document.table(BY_NAME["history"], converter).values)


def recorder(document: Document, converter: Converter) -> RecorderTerms:
    return RecorderTerms(**document.table(BY_NAME["recorder"], converter).values)


def alerts(document: Document, converter: Converter) -> Alerts:
    entry = document.table(BY_NAME["alerts"], converter)
    for name, _ in entry["labels"]:
        if not re.fullmatch(r"[A-Za-z_][A-Za-z0-9_]*", name):
            entry.wrong("labels", f"{name!r} is not a label name; letters, digits and _ are expected")
    return Alerts(**entry.values)


def mqtt(document: Document, converter: Converter) -> Mqtt:
    entry = document.table(BY_NAME["mqtt"], converter)
    if set("#+") & set(entry["topic"]) or entry["topic"].startswith("/"):
        entry.wrong("topic", "a topic without #, + and leading slash is expected")
    if "/" in entry["host"] or re.fullmatch(r"[^:]*:\d+", entry["host"]):
        entry.wrong("host", 'a name or an address alone is expected, such as "10.20.0.5"; the port is a key of its own')
    return Mqtt(**entry.values)


def reference_terms(document: Document, converter: Converter) -> ReferenceTerms:
    return ReferenceTerms(**document.table(BY_NAME["references"], converter).values)


def readiness_terms(document: Document, converter: Converter) -> ReadinessTerms:
    entry = document.table(BY_NAME["readiness"], converter)
    if len(entry["reference"]) > LONGEST_REFERENCE_NAME:
        entry.wrong("reference", f"a name of at most {LONGEST_REFERENCE_NAME} characters is expected")
    return ReadinessTerms(**entry.values)


def dark_terms(
    document: Document, converter: Converter, fixtures: list[Fixture], networks: tuple[Network, ...]
) -> tuple[Entry, DarkTerms]:
    """What stays on in the dark, and the entry that says so."""
    entry = document.table(BY_NAME["dark"], converter)
    known = {name for one in fixtures for name in (one.name, one.label) if name}
    for index, _ in unknown_fixtures(entry["expected_on"], known):
        entry.wrong("expected_on", "a fixture of the patch is expected, by name or label", index)
    expected = frozenset(entry["expected_on"])
    on = [one.universe for one in fixtures if not expected.isdisjoint((one.name, one.label))]
    universes, _ = _on_networks(entry, networks)
    return entry, DarkTerms(entry["expected_on"], universes, tuple(dict.fromkeys(on)))


def limits(document: Document, converter: Converter) -> dict[Protocol, Limits]:
    """Defaults of each protocol: its own table, then [limits], then the standard's.

    `[limits] loss_timeout_s` is that of E1.31, which has no table of its own.
    """
    general = document.table(BY_NAME["limits"], converter)
    rate = general["min_refresh_hz"] if general["min_refresh_hz"] is not None else Limits().min_refresh_hz
    found = {}
    for protocol in Protocol:
        own = general if protocol is Protocol.E131 else document.table(BY_NAME[f"limits.{protocol.word}"], converter)
        loss_s = own["loss_timeout_s"] or protocol.facts.loss_timeout_s
        found[protocol] = Limits(own["min_refresh_hz"] or rate, loss_s)
    return found


def source(entry: Entry) -> DeclaredSource:
    if entry["standby"] == "silent" and entry["role"] != "backup":
        entry.wrong("standby", 'only a backup can stand by; write role = "backup" too')
    first, *others = entry["address"] or (None,)
    return DeclaredSource(
        entry["name"],
        entry["cid"],
        first,
        entry["source_name"] or None,
        entry["role"],
        entry["standby"],
        entry["priority"],
        entry.line,
        tuple(others),
    )


def universe_id(entry: Entry) -> UniverseId | None:
    """The universe that a row declares; None where that cannot be known (and is noted)."""
    address = [key for key in ("net", "subnet", "universe") if key in entry.given]
    if entry["protocol"] == "artnet" and address:
        if "number" in entry.given:
            entry.wrong("number", "give either number, or net, subnet and universe")
        if any(entry[key] is None for key in address):
            return None
        parts = [entry[key] or 0 for key in ("net", "subnet", "universe")]
        return UniverseId(Protocol.ARTNET, parts[0] << 8 | parts[1] << 4 | parts[2])
    for key in address:
        entry.wrong(key, "only an Art-Net universe has it; give number")
    if entry["number"] is None:
        if "number" not in entry.given:
            entry.document.wrong((*entry.path, "number"), "give the universe's number", "missing")
        return None
    protocol = next((one for one in ON_NETWORK if one.word == entry["protocol"]), Protocol.E131)
    found = UniverseId(protocol, entry["number"])
    if not found.is_valid:
        facts = protocol.facts
        entry.wrong("number", f"a whole number from {facts.first} to {facts.last} is expected for {facts.word}")
        return None
    return found


def universe(
    entry: Entry, defaults: Mapping[Protocol, Limits], networks: tuple[Network, ...]
) -> DeclaredUniverse | None:
    found = universe_id(entry)
    if found is None:
        return None
    own = replace(
        defaults[found.protocol],
        **{key: entry[key] for key in ("min_refresh_hz", "loss_timeout_s") if entry[key] is not None},
    )
    indices = [_network(entry, networks, name, index) for index, name in enumerate(entry["networks"])]
    kept = tuple(dict.fromkeys(index for index in indices if index is not None)) or (0,)
    return DeclaredUniverse(
        found, entry["label"], entry["sources"], entry["shared"], entry["expected"], kept, own, entry.line
    )


def network_index(networks: tuple[Network, ...], name: str) -> int | None:
    """Index of a network by its name or its interface."""
    for index, network in enumerate(networks):
        if name in (network.name, network.interface):
            return index
    return None


def network_wanted(networks: tuple[Network, ...]) -> str:
    """Say that a name is no network of this house, and which names are."""
    known = ", ".join(dict.fromkeys(network.name for network in networks)) or "none is declared"
    return f"not a network of this house; known: {known}"


def _network(entry: Entry, networks: tuple[Network, ...], name: str, index: int) -> int | None:
    found = network_index(networks, name)
    if found is None:
        entry.wrong("networks", network_wanted(networks), index)
    return found


def profile(entry: Entry) -> Profile:
    for index, role in enumerate(entry["slots"]):
        if not _ROLE.fullmatch(role):
            entry.wrong("slots", "a role is a lower-case word, such as intensity or pan-fine", index)
    if len(entry["slots"]) > SLOTS:
        entry.wrong("slots", f"at most {SLOTS} slots fit into a universe")
    if entry["strobe_hz"] is not None and "strobe" not in entry["slots"]:
        entry.wrong("strobe_hz", "this profile has no strobe slot")
    return Profile(entry["name"], entry["slots"], entry["strobe_hz"], entry["load_w"], entry.line)


def rack(entry: Entry) -> Rack:
    if entry["supplies"] == 2:
        entry.wrong("supplies", "1 or 3 is expected")
    if entry["address"] + entry["ways"] - 1 > SLOTS:
        entry.wrong(
            "ways", f"way {entry['ways']} would be slot {entry['address'] + entry['ways'] - 1}; 512 is the last"
        )
    if isinstance(entry["order"], tuple):
        if len(entry["order"]) != entry["ways"]:
            entry.wrong("order", f"the list has {len(entry['order'])} numbers for {entry['ways']} ways")
        if max(entry["order"]) > entry["supplies"]:
            entry.wrong("order", f"supply numbers from 1 to {entry['supplies']} are expected")
    return Rack(**entry.values, line=entry.line)


def receiver(entry: Entry, networks: tuple[Network, ...]) -> Receiver:
    universes, _ = _on_networks(entry, networks)
    return Receiver(**{**entry.values, "universes": universes}, line=entry.line)


def line(entry: Entry, number: int) -> Line:
    return Line(entry["name"], number, entry["port"], entry["compare_with"], entry.line)


def route(entry: Entry, networks: tuple[Network, ...]) -> Route | None:
    found, on = entry["from"]
    target = entry["to"]
    serial = target if isinstance(target, str) else None
    first, last = entry["slots"]
    if entry["to_slot"] + last - first > SLOTS:
        entry.wrong("to_slot", f"slot {last} would land on {entry['to_slot'] + last - first}; 512 is the last")
    for key in ("to_address", "to_network", "broadcast", "slot_priority"):
        if serial is not None and key in entry.given:
            entry.wrong(key, "a serial line has no address")
    if serial is None and not isinstance(target, str):
        _check_target(entry, target)
    values = {
        key: entry[key] for key in ("to_address", "broadcast", "priority", "slots", "to_slot", "refresh_hz", "merge")
    } | {key: entry[key] for key in ("slot_priority", "line_break", "hold_s", "then")}
    return Route(
        entry["name"],
        found,
        _route_network(entry, "from", networks, on),
        None if serial is not None else target,
        serial,
        to_network=_route_network(entry, "to_network", networks, entry["to_network"] or None),
        line=entry.line,
        **values,
    )


def _check_target(entry: Entry, target: UniverseId) -> None:
    if entry["broadcast"] and target.protocol is not Protocol.ARTNET:
        entry.wrong("broadcast", "only Art-Net is broadcast; E1.31 goes to its group")
    if entry["broadcast"] and entry["to_address"]:
        entry.wrong("broadcast", "give either broadcast or to_address")
    if target.protocol is Protocol.ARTNET and not entry["broadcast"] and not entry["to_address"]:
        entry.document.wrong(
            (*entry.path, "to_address"),
            "Art-Net is sent to an address: give to_address, or broadcast = true",
            "missing",
        )
    if entry["slot_priority"] and target.protocol is not Protocol.E131:
        entry.wrong("slot_priority", "only E1.31 has start code 0xDD priorities")


def _route_network(entry: Entry, key: str, networks: tuple[Network, ...], name: str | None) -> int | None:
    if name is None:
        return None
    found = network_index(networks, name)
    if found is None:
        entry.wrong(key, network_wanted(networks))
    return found


def _on_networks(entry: Entry, networks: tuple[Network, ...]) -> tuple[tuple[UniverseId, ...], tuple[int | None, ...]]:
    """The universes of an entry, and in step with them the networks they are named on (None: on each)."""
    found: list[int | None] = []
    for index, (_, name) in enumerate(entry["universes"]):
        found.append(None if name is None else network_index(networks, name))
        if name is not None and found[-1] is None:
            entry.wrong("universes", network_wanted(networks), index)
    return tuple(universe for universe, _ in entry["universes"]), tuple(found)


def accepted(entry: Entry, networks: tuple[Network, ...]) -> Accepted:
    universes, on = _on_networks(entry, networks)
    return Accepted(entry["rule"], entry["reason"], universes, entry["until"], entry.line, on)


def quiet(entry: Entry, time_zone: str) -> Quiet:
    zone = ZoneInfo(time_zone)
    start, end = (m if m.tzinfo else m.replace(tzinfo=zone) for m in (entry["from"], entry["to"]))
    if end <= start:
        entry.wrong("to", "the end must be after the start")
    return Quiet(start, end, entry["rules"], entry["reason"], entry.line)


def timetable_row(entry: Entry) -> TimetableRow:
    return TimetableRow(entry["days"], entry["at"], Phase(entry["phase"]), entry.line)


def excluded(entry: Entry) -> Excluded:
    if entry["last"] < entry["first"]:
        entry.wrong("last", "the last slot may not be below the first")
    return Excluded(entry["universe"], entry["first"], entry["last"], entry["kind"], entry.line)
