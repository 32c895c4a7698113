"""Sources and receivers as the API's objects."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import asdict
from typing import TypeGuard

from slotwatch.bridge.declared import OWN_NAME
from slotwatch.snapshot.switches import PlaceRow
from slotwatch.views.answers.traffic import LegAnswer, PlaceAnswer, SourceAnswer
from slotwatch.views.moments import number
from slotwatch.views.sheet import STREAM_STATES, Sheet, cid_text
from slotwatch.wire.universe import Protocol, UniverseId

_LIVE = 0
NO_DATA = "no-data"
"""State of a leg of which only discovery lists came."""
_MOMENT = re.compile(r"(t|(started|start|ends?|began|since|first|last|until)(_\w+)?|\w+_(at|since))_ns")


def sources(sheet: Sheet) -> list[SourceAnswer]:
    """All of them, in order of appearance, each once whatever legs it has."""
    return [source(sheet, first) for first in sheet.legs]


def source(sheet: Sheet, index: int) -> SourceAnswer:
    """One source's object; `name` is what people call it, `legs` what it sends to each network.

    index: of any of its legs in Snapshot.sources. Address and network are those of the first leg that sends.
    """
    lists = sheet.streams
    legs = sorted(sheet.legs[sheet.first_leg[index]], key=lambda leg: sheet.snapshot.sources[leg].network)
    rows = [sheet.snapshot.sources[leg] for leg in legs]
    streams = [stream for leg in legs for stream in sheet.streams_from[leg]]
    live = [stream for stream in streams if lists["state"][stream] == _LIVE]
    main = min(zip(legs, rows, strict=True), key=lambda pair: not _is_live(sheet, pair[0]))[1]
    names = sheet.snapshot.universe_names
    priorities = [lists["priority"][stream] for stream in live or streams]
    listed = [number for row in rows for number in row.listed or ()]
    addresses = dict.fromkeys(address for row in rows for address in (row.address, *row.addresses))
    return {
        "source": sheet.source_keys[index],
        "name": sheet.source_names[index],
        "protocol": Protocol(main.protocol).word,
        "cid": cid_text(main),
        "address": main.address,
        "other_addresses": [address for address in addresses if address != main.address],
        "network": sheet.network_name(main.network),
        "source_name": main.source_name,
        "declared_as": main.declared_as or None,
        "role": main.role or None,
        "own_bridge": any(is_own_bridge(sheet, leg) for leg in legs),
        "universes": [names[lists["universe_row"][stream]] for stream in streams],
        "live_universes": len(live),
        "listed": None
        if all(row.listed is None for row in rows)
        else [str(UniverseId(Protocol.E131, number)) for number in sorted(set(listed))],
        "listed_undeclared": _undeclared(sheet, listed),
        "priority": max(priorities) if priorities and main.protocol == Protocol.E131 else None,
        "refresh_hz": _mean([lists["refresh_5s_hz"][stream] for stream in live]),
        "lost_frames": sum(lists["lost_frames"][stream] for stream in streams),
        "odd": list(dict.fromkeys(word for row in rows for word in row.odd)),
        "first_seen_at": sheet.iso(min(row.first_seen_ns for row in rows)),
        "last_seen_at": sheet.iso(max(row.last_seen_ns for row in rows)),
        "legs": [_leg(sheet, leg) for leg in legs],
    }


def _undeclared(sheet: Sheet, listed: list[int]) -> list[str]:
    """What a discovery list names and the house does not declare, on whatever network."""
    declared = sheet.declared_e131
    return [str(UniverseId(Protocol.E131, number)) for number in sorted(set(listed) - declared)] if declared else []


def _is_live(sheet: Sheet, leg: int) -> bool:
    return any(sheet.streams["state"][stream] == _LIVE for stream in sheet.streams_from[leg])


def _leg(sheet: Sheet, index: int) -> LegAnswer:
    """What a source sends to one network from one address. `place` is its switch port."""
    row, lists = sheet.snapshot.sources[index], sheet.streams
    streams = sheet.streams_from[index]
    last = max(streams, key=lambda stream: int(lists["last_frame_ns"][stream]), default=None)
    state = NO_DATA if last is None else STREAM_STATES[lists["state"][last]]
    return {
        "network": sheet.network_name(row.network),
        "address": row.address,
        "mac": row.mac or None,
        "state": STREAM_STATES[_LIVE] if _is_live(sheet, index) else state,
        "last_frame_at": None if last is None else sheet.iso(lists["last_frame_ns"][last]),
        "universes": [sheet.snapshot.universe_names[lists["universe_row"][stream]] for stream in streams],
        "place": place_of(sheet, index),
    }


def place_of(sheet: Sheet, index: int) -> PlaceAnswer | None:
    """Switch and port of a leg; None: no switch knows."""
    return _place(sheet.snapshot.sources[index].place)


def _place(place: PlaceRow | None) -> PlaceAnswer | None:
    if place is None:
        return None
    return {"switch": place.switch, "port": place.port, "description": place.description, "via": place.via}


def is_own_bridge(sheet: Sheet, index: int) -> bool:
    """Whether this is this computer's own bridge.

    E1.31: its own CID, by which it declares itself. Art-Net names no sender: an address of this computer that sends
    universes of its own routes and no other. Another program here that sends one of these as well looks the same.
    """
    row = sheet.snapshot.sources[index]
    if row.protocol == Protocol.E131:
        return row.declared_as == OWN_NAME
    names, of = sheet.snapshot.universe_names, sheet.streams["universe_row"]
    sent = {names[of[stream]].partition("@")[0] for stream in sheet.streams_from[index]}
    routed = bool(sent) and sent <= sheet.routed
    return row.protocol == Protocol.ARTNET and row.address in sheet.own_addresses and routed


def receivers(sheet: Sheet) -> list[dict[str, object]]:
    """Declared receivers and whether each answers, with times written out."""
    rows = [{**written(sheet, asdict(row)), "place": _place(row.place)} for row in sheet.snapshot.receivers]
    return [row if row["text"] else {key: value for key, value in row.items() if key != "text"} for row in rows]


def written(sheet: Sheet, values: Mapping[str, object]) -> dict[str, object]:
    """Plain values of judging's own making, with their moments written out: `last_seen_ns` becomes `last_seen_at`.

    Spans of time (`step_ns`) stay numbers.
    """
    return {
        _moment_name(key): sheet.iso(held) if _is_moment(key) and _is_time(held) else _written(sheet, held)
        for key, held in values.items()
    }


def _written(sheet: Sheet, value: object) -> object:
    if isinstance(value, dict):
        return written(sheet, value)
    if isinstance(value, list | tuple):
        return [_written(sheet, held) for held in value]
    return value


def _is_time(value: object) -> TypeGuard[int | None]:
    return value is None or isinstance(value, int)


def _is_moment(key: str) -> bool:
    return _MOMENT.fullmatch(key) is not None


def _moment_name(key: str) -> str:
    if not _is_moment(key):
        return key
    return "at" if key == "t_ns" else key.removesuffix("_ns").removesuffix("_at") + "_at"


def _mean(rates_hz: list[float]) -> float | None:
    """Mean of the rates of streams at work; those without a rate yet are left out."""
    known = [rate for rate in rates_hz if rate == rate]
    return number(sum(known) / len(known)) if known else None
