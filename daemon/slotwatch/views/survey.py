"""What was heard, in words and as a first house file. Pure; works on the API's own objects.

The house file is keyed by what is likely to be the same tomorrow: an E1.31 source by its name where that
name is its own, else by its CID; an Art-Net source by its address. Whatever a person has to decide carries a
comment that begins with "confirm:".
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from ipaddress import ip_address
from typing import TypedDict, cast

from slotwatch.house.service import Listen
from slotwatch.views import api
from slotwatch.views.answers.traffic import LegAnswer
from slotwatch.views.sheet import STREAM_STATES, Sheet
from slotwatch.wire.universe import ON_NETWORK, Protocol

ZERO_CID = "00000000-0000-0000-0000-000000000000"


class FoundUniverse(TypedDict, total=False):
    """What a survey goes by of a universe's object of the API, and what it adds."""

    universe: str
    network: str
    networks: list[str]
    """On which it was heard."""
    sources: list[str]
    frames: int
    slots: int
    refresh_hz: float | None
    stopped: bool


class FoundSource(TypedDict, total=False):
    """What a survey goes by of a source's object of the API."""

    source: str
    source_name: str
    protocol: str
    cid: str | None
    address: str
    legs: list[LegAnswer]
    priority: int | None
    own_bridge: bool


@dataclass(frozen=True, slots=True)
class Survey:
    """Everything that was found."""

    interfaces: tuple[str, ...]
    seconds: float
    universes: tuple[FoundUniverse, ...]
    """Universe objects of the API, each with `sources` as names of `sources` below."""
    sources: tuple[FoundSource, ...]
    not_swept: tuple[int, ...] = ()
    """E1.31 universes that somebody lists and for which there was no time."""
    notes: tuple[str, ...] = ()
    asked: tuple[int, ...] = ()
    """E1.31 universes that a person asked for."""
    ports: Mapping[Protocol, int] = field(default_factory=lambda: Listen().ports)
    """The UDP port of each protocol."""


LIVE = "live"
UNSEEN = (
    "Not visible from this port: streams sent unicast to other devices, multicast that no discovery list names "
    "(ask for it with --universes), and networks this computer is not on."
)


def survey_of(sheet: Sheet, listen: Listen, seconds: float, waiting: Sequence[int] = ()) -> Survey:
    """Return what a snapshot holds as a survey: universes that had data, and their senders. `waiting`: not looked
    at."""
    every = (_sender(sheet, first) for first in sheet.legs)
    sources = tuple(one for one in every if not one["own_bridge"])
    known = {one["source"] for one in sources}
    universes = [_heard(sheet, row) for row in range(len(sheet.snapshot.universe_names))]
    return Survey(
        interfaces=listen.interfaces,
        seconds=seconds,
        universes=merged(one for one in universes if one["frames"] and known.intersection(one["sources"])),
        sources=sources,
        not_swept=tuple(waiting),
        ports=listen.ports,
    )


def _sender(sheet: Sheet, index: int) -> FoundSource:
    """One source. `priority` is the highest of all its streams, also of those that have ended."""
    found = api.source(sheet, index)
    legs = sheet.legs[sheet.first_leg[index]]
    priorities = [sheet.streams["priority"][stream] for leg in legs for stream in sheet.streams_from[leg]]
    return cast("FoundSource", {**found, "priority": None if found["priority"] is None else max(priorities)})


def _heard(sheet: Sheet, row: int) -> FoundUniverse:
    """One universe; `sources` are the keys of those that send it now, or of all that did if it has stopped."""
    found = api.universe(sheet, row)
    states, of = sheet.streams["state"], sheet.streams["source"]
    live = {sheet.source_keys[of[stream]] for stream in sheet.streams_of[row] if STREAM_STATES[states[stream]] == LIVE}
    senders = [key for key in found["sources"] if key in live] or list(found["sources"])
    return cast("FoundUniverse", {**found, "sources": senders, "stopped": not live})


def merged(universes: Iterable[FoundUniverse]) -> tuple[FoundUniverse, ...]:
    """Make one of what was heard on several networks; `networks` says on which ones."""
    found: dict[str, FoundUniverse] = {}
    for one in universes:
        name, _, at = str(one["universe"]).partition("@")
        network = str(one.get("network") or at)
        first = found.get(name)
        if first is None:
            found[name] = {**one, "universe": name, "networks": [network] if network else []}
            continue
        first["networks"].append(network)
        first["sources"] = list(dict.fromkeys([*first.get("sources", ()), *one.get("sources", ())]))
        first["frames"] = max(first.get("frames") or 0, one.get("frames") or 0)
        first["slots"] = max(first.get("slots") or 0, one.get("slots") or 0)
        first["stopped"] = bool(first.get("stopped") and one.get("stopped"))
        first["refresh_hz"] = first.get("refresh_hz") or one.get("refresh_hz")
    return tuple(found.values())


def announcement(interfaces: Sequence[str], asked: Sequence[int] = ()) -> list[str]:
    """Lines for a person, before anything is sent: what a survey will send. asked: E1.31 universes to join."""
    also = f" and of e131/{_ranges(asked)}" if asked else ""
    return [
        f"on {', '.join(interfaces)} this sends requests to join multicast groups (IGMP, and MLD on IPv6): "
        f"the E1.31 discovery group, then the groups of every universe that a discovery list names{also}",
        "it leaves them at the end; it sends no show data and asks no device anything",
        "each join makes the switches send that stream here: do not survey during a show",
    ]


def text(survey: Survey) -> list[str]:
    """Lines for a person."""
    lines = [f"heard for {survey.seconds:.0f} s on {', '.join(survey.interfaces) or 'every interface'}"]
    if not survey.universes:
        lines.append("no universe was heard; a unicast stream to another computer cannot be heard from here")
    names = {str(source["source"]): _shown(source) for source in survey.sources}
    for universe in survey.universes:
        who = ", ".join(names.get(str(name), str(name)) for name in universe.get("sources", ())) or "nobody"
        rate = universe.get("refresh_hz")
        pace = f"{rate:.1f} Hz" if isinstance(rate, float | int) else "at rest"
        on = ", ".join(universe.get("networks", ())) if len(survey.interfaces) > 1 else ""
        where = f"  on {on}" if on else ""
        lines.append(f"  {universe['universe']:<14} {universe.get('slots', 0):>3} slots  {pace:>8}  from {who}{where}")
    lines += [f"  note: {note}" for note in survey.notes]
    heard = {str(universe["universe"]).split("@")[0] for universe in survey.universes}
    silent = [n for n in survey.asked if f"e131/{n}" not in heard and n not in survey.not_swept]
    if silent:
        lines.append(f"  asked for and nothing heard: e131/{_ranges(silent)}")
    if survey.not_swept:
        lines.append(f"  not looked at, for want of time (give more --seconds): e131/{_ranges(survey.not_swept)}")
    lines.append(f"  {UNSEEN}")
    return lines


def _ranges(numbers: Sequence[int]) -> str:
    """Write numbers in order as `1-4, 7`, at most twelve parts."""
    parts: list[list[int]] = []
    for number in numbers:
        if parts and number == parts[-1][1] + 1:
            parts[-1][1] = number
        else:
            parts.append([number, number])
    shown = ", ".join(str(a) if a == b else f"{a}-{b}" for a, b in parts[:12])
    return shown + (" …" if len(parts) > 12 else "")


def _shown(source: FoundSource) -> str:
    name = "".join(filter(str.isprintable, str(source.get("source_name") or "")))
    where = ", ".join(_addresses(source))
    return f'"{name}" ({where})' if name else where


def _addresses(source: FoundSource) -> list[str]:
    """Every address of a source, that of the first network first."""
    own = [str(leg["address"]) for leg in source.get("legs", ()) if leg.get("address")]
    return list(dict.fromkeys([str(source.get("address") or ""), *own]))


def house_file(survey: Survey, today: str) -> str:
    """Return a house file that `check` takes, with every doubt marked for a person."""
    keys = {str(source["source"]): _key_of(source, survey.sources) for source in survey.sources}
    roles = _roles(survey)
    parts = [
        f'# First house file, written on {today} from what was heard. Look for the word "confirm".',
        "",
        "[house]",
        'name = "Unnamed house"                 # confirm: its name',
        'phase = "dark"',
        "",
        "[listen]",
        f"interfaces = {_value(list(survey.interfaces))}",
        f"protocols = {_value([protocol.word for protocol in ON_NETWORK])}",
        *(
            f"{protocol.word}_port = {port}"
            for protocol, port in survey.ports.items()
            if port != protocol.facts.udp_port
        ),
    ]
    for source in survey.sources:
        parts += ["", *_source(source, keys, roles)]
    for universe in survey.universes:
        parts += ["", *_universe(universe, keys, roles, len(survey.interfaces) > 1)]
    return "\n".join(parts) + "\n"


def _source(source: FoundSource, keys: dict[str, _Key], roles: dict[str, str]) -> list[str]:
    name = str(source["source"])
    key = keys[name]
    lines = ["[[sources]]", f"name = {_value(key.name)}"]
    lines += [f"{word} = {_value(value)}{comment}" for word, value, comment in key.fields]
    lines += [f"# confirm: {doubt}" for doubt in key.doubts]
    if roles.get(name) == "backup":
        lines += [
            'role = "backup"                        # confirm: it sends beside another source',
            'standby = "sending"',
        ]
    priority = source.get("priority")
    if source.get("protocol") == "e131" and priority is not None:
        lines.append(f"priority = {priority}")
    return lines


def _universe(
    universe: FoundUniverse, keys: dict[str, _Key], roles: dict[str, str], several_networks: bool = False
) -> list[str]:
    protocol, number = str(universe["universe"]).split("@")[0].split("/")
    senders = [str(name) for name in universe.get("sources", ()) if str(name) in keys]
    lines = [
        "[[universes]]",
        f'protocol = "{protocol}"',
        f"number = {number}",
        'label = ""                             # confirm: what it feeds',
        f"sources = {_value([keys[name].name for name in senders])}",
    ]
    if several_networks and universe.get("networks"):
        lines.append(f"networks = {_value(list(universe['networks']))}")
    if universe.get("stopped"):
        lines.append("expected = false                       # confirm: it had stopped when this was written")
    mains = [name for name in senders if roles.get(name) != "backup"]
    if len(mains) > 1:
        lines.append("shared = true                          # confirm: these sources send side by side on purpose")
    return lines


@dataclass(frozen=True, slots=True)
class _Key:
    name: str
    fields: tuple[tuple[str, object, str], ...]
    doubts: tuple[str, ...]


def _key_of(source: FoundSource, others: tuple[FoundSource, ...]) -> _Key:
    # Only printable characters reach the file: a name comes from the network and is written into a comment.
    own = "".join(filter(str.isprintable, str(source.get("source_name") or "")))
    cid, address = source.get("cid"), str(source.get("address") or "")
    display = own or f"source at {address}"
    doubts = []
    if sum((other.get("source_name") or "") == own for other in others) > 1:
        display = f"{display} at {address}"
    try:
        if address and ip_address(address).is_link_local:
            doubts.append(f"{address} is a fallback address; it may be another one tomorrow")
    except ValueError:
        pass
    several = _addresses(source)
    where: object = several if len(several) > 1 else address
    if source.get("protocol") != "e131" or not cid:
        return _Key(display, (("address", where, ""),), tuple(doubts))
    named_alike = [other for other in others if (other.get("source_name") or "") == own and other.get("cid") != cid]
    if cid == ZERO_CID:
        doubts.append("it sends a CID of zeros, which does not distinguish it from another such sender")
        return _Key(display, (("address", where, ""),), tuple(doubts))
    if own and not named_alike:
        comment = f"   # its CID now: {cid} at {address}"
        return _Key(display, (("source_name", own, comment),), tuple(doubts))
    doubts.append(
        "another source has the same name, so it is known by its CID; some senders change theirs at each start"
    )
    return _Key(display, (("cid", str(cid), f"   # {own or 'no name'} at {address}"),), tuple(doubts))


def _roles(survey: Survey) -> dict[str, str]:
    """Sources that look like backups: they send a universe beside a source of higher priority, and never lead one."""
    priority = {str(s["source"]): s.get("priority") or 0 for s in survey.sources}
    leads: set[str] = set()
    follows: set[str] = set()
    for universe in survey.universes:
        senders = [str(name) for name in universe.get("sources", ())]
        best = max((priority.get(name, 0) for name in senders), default=0)
        for name in senders:
            (leads if priority.get(name, 0) == best else follows).add(name)
    return dict.fromkeys(follows - leads, "backup")


def _value(value: object) -> str:
    # JSON's strings and lists are TOML's too, once every character beyond the plain ones is escaped.
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
