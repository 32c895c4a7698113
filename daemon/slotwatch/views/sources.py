"""Sources and receivers as the API's objects."""

from __future__ import annotations

import re
from typing import Any

from slotwatch.bridge.declared import OWN_NAME
from slotwatch.views.moments import number
from slotwatch.views.names import cid_text
from slotwatch.views.sheet import Sheet
from slotwatch.wire.universe import Protocol, UniverseId

_LIVE = 0
_MOMENT = re.compile(r"(t|(started|start|ends?|began|since|first|last|until)(_\w+)?|\w+_(at|since))_ns")


def sources(sheet: Sheet) -> list[dict[str, Any]]:
    """All of them, in order of appearance. A clone's two addresses are two objects with one CID."""
    return [source(sheet, index) for index in range(len(sheet.snapshot.sources))]


def source(sheet: Sheet, index: int) -> dict[str, Any]:
    """One source's object of the contract; `name` is what people call it."""
    row, lists = sheet.snapshot.sources[index], sheet.streams
    streams = sheet.streams_from[index]
    live = [stream for stream in streams if lists["state"][stream] == _LIVE]
    names = sheet.snapshot.universe_names
    priorities = [lists["priority"][stream] for stream in live or streams]
    return {
        "source": sheet.source_keys[index],
        "name": sheet.source_names[index],
        "protocol": Protocol(row.protocol).word,
        "cid": cid_text(row),
        "address": row.address,
        "other_addresses": list(row.addresses),
        "network": sheet.network_name(row.network),
        "source_name": row.source_name,
        "declared_as": row.declared_as or None,
        "role": row.role or None,
        "own_bridge": is_own_bridge(sheet, index),
        "universes": [names[lists["universe_row"][stream]] for stream in streams],
        "live_universes": len(live),
        "listed": None if row.listed is None else [str(UniverseId(Protocol.E131, number)) for number in row.listed],
        "priority": max(priorities) if priorities and row.protocol == Protocol.E131 else None,
        "refresh_hz": _mean([lists["refresh_5s_hz"][stream] for stream in live]),
        "lost_frames": sum(lists["lost_frames"][stream] for stream in streams),
        "odd": list(row.odd),
        "first_seen_at": sheet.iso(row.first_seen_ns),
        "last_seen_at": sheet.iso(row.last_seen_ns),
    }


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


def receivers(sheet: Sheet) -> list[dict[str, Any]]:
    """Declared receivers and whether each answers, with times written out."""
    return [written(sheet, row) for row in sheet.snapshot.receivers]


def written(sheet: Sheet, value: Any) -> Any:
    """Plain values of judging's own making, with their moments written out: `last_seen_ns` becomes `last_seen_at`.

    Spans of time (`step_ns`) stay numbers.
    """
    if isinstance(value, dict):
        return {
            _moment_name(key): sheet.iso(held) if _is_moment(key) else written(sheet, held)
            for key, held in value.items()
        }
    if isinstance(value, list | tuple):
        return [written(sheet, held) for held in value]
    return value


def _is_moment(key: Any) -> bool:
    return isinstance(key, str) and _MOMENT.fullmatch(key) is not None


def _moment_name(key: Any) -> Any:
    if not _is_moment(key):
        return key
    return "at" if key == "t_ns" else key.removesuffix("_ns").removesuffix("_at") + "_at"


def _mean(rates_hz: list[float]) -> float | None:
    """Mean of the rates of streams at work; those without a rate yet are left out."""
    known = [rate for rate in rates_hz if rate == rate]
    return number(sum(known) / len(known)) if known else None
