"""Universes and their streams as the API's objects (`universe`, with what its own page adds)."""

from __future__ import annotations

from typing import TypedDict

import numpy as np

from slotwatch.house.schema import House
from slotwatch.model.cadence import BIN_EDGES_MS
from slotwatch.snapshot import UniverseState
from slotwatch.views.answers.traffic import PatchedAnswer, StreamAnswer, UniverseAnswer
from slotwatch.views.answers.words import IntervalAnswer
from slotwatch.views.fixtures import fixtures_of
from slotwatch.views.moments import number
from slotwatch.views.sheet import STREAM_STATES, Lists, Sheet
from slotwatch.wire.universe import Protocol

STATE_WORDS = [state.word for state in UniverseState]


def universes(sheet: Sheet) -> list[UniverseAnswer]:
    """All of them, in the snapshot's order."""
    return [universe(sheet, row) for row in range(len(sheet.snapshot.universe_names))]


def universe(sheet: Sheet, row: int) -> UniverseAnswer:
    """One universe's object; `winning_name` is what people call its winning source."""
    lists, snapshot = sheet.universes, sheet.snapshot
    name = snapshot.universe_names[row]
    winner = winning_source(sheet, row)
    return {
        "universe": name,
        "network": sheet.network_name(lists["network"][row]),
        "label": snapshot.universe_labels[row],
        "declared": lists["declared"][row],
        "expected": lists["expected"][row],
        "state": STATE_WORDS[lists["state"][row]],
        "refresh_hz": number(lists["refresh_hz"][row]),
        "interval_ms": interval(lists, row),
        "frames": lists["frames"][row],
        "lost_frames": lists["lost_frames"][row],
        "slots": lists["slots"][row],
        "priority": lists["priority"][row] if lists["protocol"][row] == Protocol.E131 and winner >= 0 else None,
        "winning_source": sheet.source_keys[winner] if winner >= 0 else None,
        "winning_name": sheet.source_names[winner] if winner >= 0 else "",
        "sources": source_keys(sheet, row, winner),
        "sent_by_routes": sheet.sent_by_routes.get(
            (name.partition("@")[0], sheet.network_name(lists["network"][row])), []
        ),
        "last_frame_at": sheet.iso(lists["last_frame_ns"][row]),
        "last_change_at": sheet.iso(lists["last_change_ns"][row]),
        "incidents": sheet.incidents_of.get(name, []),
    }


def interval(lists: Lists, row: int) -> IntervalAnswer:
    """Percentiles of the intervals between frames, ms; None where there are too few."""
    return {
        "p50": number(lists["interval_p50_ms"][row], 3),
        "p95": number(lists["interval_p95_ms"][row], 3),
        "p99": number(lists["interval_p99_ms"][row], 3),
        "max": number(lists["interval_max_ms"][row], 3),
    }


def interval_histogram(sheet: Sheet, row: int) -> list[tuple[int, int | None, int]]:
    """(from ms, to ms, frames) of the winning stream's newest intervals; the last bin has no end. Empty: unknown."""
    stream, bins = sheet.universes["winning_stream"][row], sheet.snapshot.interval_bins
    if bins is None or not 0 <= stream < len(bins) or not bins[stream].any():
        return []
    return list(zip((0, *BIN_EDGES_MS), (*BIN_EDGES_MS, None), bins[stream].tolist(), strict=True))


def winning_source(sheet: Sheet, row: int) -> int:
    """Index of the source that wins a universe, -1 for none."""
    stream = sheet.universes["winning_stream"][row]
    return sheet.streams["source"][stream] if 0 <= stream < len(sheet.streams["source"]) else -1


def source_keys(sheet: Sheet, row: int, winner: int) -> list[str]:
    """Sources that send or sent it, the winner first, each once (a clone's two series share one CID)."""
    found = {sheet.source_keys[winner]: None} if winner >= 0 else {}
    sources = sheet.streams["source"]
    for stream in sheet.streams_of[row]:
        if 0 <= sources[stream] < len(sheet.source_keys):
            found.setdefault(sheet.source_keys[sources[stream]])
    return list(found)


class ShownFacts(UniverseAnswer):
    """The detail of a universe without its slots."""

    streams: list[StreamAnswer]
    interval_histogram: list[tuple[int, int | None, int]]
    fixtures: list[PatchedAnswer]


class ShownLevels(TypedDict):
    """The slots of a universe: `slot_sources` are places in the two lists, -1 for none."""

    levels: list[int]
    slot_sources: list[int]
    slot_source_names: list[str]
    slot_source_keys: list[str]


def universe_detail(sheet: Sheet, row: int, house: House | None = None) -> dict[str, object]:
    """One universe with its winning levels, each slot's source, its streams and the fixtures patched on it."""
    levels = universe_levels(sheet, row)
    keys = [*levels["slot_source_keys"], None]  # -1 is none
    slot_sources = [keys[place] for place in levels["slot_sources"]]
    return {**universe_facts(sheet, row, house), **levels, "slot_sources": slot_sources}


def universe_facts(sheet: Sheet, row: int, house: House | None = None) -> ShownFacts:
    """The detail without its slots."""
    return {
        **universe(sheet, row),
        "streams": [stream(sheet, index) for index in sheet.streams_of[row]],
        "interval_histogram": interval_histogram(sheet, row),
        "fixtures": fixtures_of(sheet, house, row) if house is not None else [],
    }


def universe_levels(sheet: Sheet, row: int) -> ShownLevels:
    """`levels` (as many as the winner sends) and, short, `slot_sources` (place in `slot_source_keys`, -1 for none)."""
    slots = sheet.universes["slots"][row]
    winners = sheet.snapshot.slot_owners.of(row)[:slots]
    streams, places = np.unique(winners[winners >= 0], return_inverse=True)
    slot_sources = np.full(slots, -1)
    slot_sources[winners >= 0] = places
    sources = [sheet.streams["source"][index] for index in streams.tolist()]
    return {
        "levels": sheet.snapshot.levels[row, :slots].tolist(),
        "slot_sources": slot_sources.tolist(),
        "slot_source_names": [sheet.source_names[index] for index in sources],
        "slot_source_keys": [sheet.source_keys[index] for index in sources],
    }


def stream(sheet: Sheet, index: int) -> StreamAnswer:
    """One source's frames on one universe on one network."""
    lists, source = sheet.streams, sheet.streams["source"][index]
    row = sheet.snapshot.sources[source]
    return {
        "source": sheet.source_keys[source],
        "name": sheet.source_names[source],
        "address": row.address,
        "role": row.role,
        "network": sheet.network_name(lists["network"][index]),
        "state": STREAM_STATES[lists["state"][index]],
        "priority": lists["priority"][index] if row.protocol == Protocol.E131 else None,
        "slots": lists["slots"][index],
        "options": lists["options"][index],
        "sync_address": lists["sync_address"][index],
        "slot_priority": lists["slot_priority"][index],
        "refresh_hz": number(lists["refresh_5s_hz"][index]),
        "refresh_1s_hz": number(lists["refresh_1s_hz"][index]),
        "refresh_10s_hz": number(lists["refresh_10s_hz"][index]),
        "changes_hz": number(lists["changes_hz"][index]),
        "interval_ms": interval(lists, index),
        "frames": lists["frames"][index],
        "lost_frames": lists["lost_frames"][index],
        "discarded": lists["discarded"][index],
        "repeated": lists["repeated"][index],
        "preview": lists["preview"][index],
        "first_frame_at": sheet.iso(lists["first_frame_ns"][index]),
        "last_frame_at": sheet.iso(lists["last_frame_ns"][index]),
        "last_change_at": sheet.iso(lists["last_change_ns"][index]),
    }
