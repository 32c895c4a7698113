"""Identities: one from two machines, one that changed, one that echoes another."""

from __future__ import annotations

from collections import deque
from typing import Any

import numpy as np

from slotwatch.house.schema import House
from slotwatch.judge import wording
from slotwatch.judge.catalog import CATALOG
from slotwatch.judge.rules_control import MOST_LOOKED_AT, predecessor
from slotwatch.judge.sight import Sight
from slotwatch.judge.watch import KEYS, STREAMS, Finding, Mask, Watch
from slotwatch.snapshot import Confidence
from slotwatch.wire.universe import Protocol

NANOSECONDS = 1_000_000_000
DISAGREED_NS = 2 * NANOSECONDS
"""Two series that drift through one another seem to agree for a moment."""
ECHO_NS = 2 * NANOSECONDS
SHORTEST_LAG_NS = 2_000_000
ECHOES = 3
CHANGE_SHOWN_NS = 60 * NANOSECONDS


def watches(house: House) -> tuple[Watch, ...]:
    clones = Clones()
    echoes = Echoes()
    return (
        Watch("duplicate-identity", KEYS, clones.find, describe_clones),
        Watch("identity-changed", STREAMS, has_changed, describe_changed, refresh_s=None),
        Watch("echoed-universe", KEYS, echoes.find, describe_echo),
    )


# --- clones -------------------------------------------------------------------------------------------


class Clones:
    """One CID from two addresses of one network and family, with numbers that disagree."""

    def __init__(self) -> None:
        self._disagreed_ns: dict[tuple[int, int], int] = {}

    def find(self, sight: Sight) -> dict[Any, None]:
        shared = [rows for rows in sight.model.sources.addresses.values() if len(rows) > 1]
        if not shared:
            return {}
        found: dict[Any, None] = {}
        for rows in shared:
            clones = self._live_clones(sight, rows)
            if len(clones) > 1:
                found[tuple(clones)] = None
        return found

    def _live_clones(self, sight: Sight, rows: list[int]) -> list[int]:
        clones: set[int] = set()
        for place, first in enumerate(rows):
            for second in rows[place + 1 :]:
                if _family(sight, first) == _family(sight, second) and self._disagree(sight, first, second):
                    clones.update((first, second))
        return sorted(clones)

    def _disagree(self, sight: Sight, first: int, second: int) -> bool:
        streams = sight.streams
        ours = {sight.universe_of(row): row for row in sight.streams_from(first).tolist() if sight.live[row]}
        theirs = {sight.universe_of(row): row for row in sight.streams_from(second).tolist() if sight.live[row]}
        common = ours.keys() & theirs.keys()
        if not common:
            return False
        least = CATALOG["duplicate-identity"].threshold("disagreement")
        for universe in common:
            distance = int(streams.sequence[ours[universe]]) - int(streams.sequence[theirs[universe]])
            if abs((distance + 128) % 256 - 128) >= least:
                self._disagreed_ns[first, second] = sight.now_ns
                break
        return sight.now_ns - self._disagreed_ns.get((first, second), -DISAGREED_NS) < DISAGREED_NS


def _family(sight: Sight, source: int) -> bool:
    return ":" in sight.sources[source].address


def describe_clones(sight: Sight, key: Any) -> Finding:
    rows = [int(row) for source in key for row in sight.streams_from(source) if sight.live[row]]
    universes = [sight.universe_of(row) for row in rows]
    common = sorted({universe for universe in universes if universes.count(universe) > 1})
    sources = [sight.sources[source] for source in key]
    addresses = wording.list_names(source.address for source in sources)
    cid = sources[0].source_id.hex()
    evidence = [f"{source.address}: named {source.source_name!r}, CID {cid}." for source in sources]
    evidence.append("Their sequence numbers disagree, so these are two machines and not two ways of one.")
    if not any(sources[0].source_id):
        evidence.append("The CID is all zero: a sender that was never given one.")
    return Finding(
        group=f"cid:{cid}",
        since_ns=0,
        universes=tuple(common),
        streams=tuple(row for row in rows if sight.universe_of(row) in common),
        networks=tuple({source.network for source in sources}),
        facts={"addresses": addresses, "cid": f"{cid[:8]}…"},
        evidence=tuple(evidence),
        also_possible=("a copied virtual machine or show computer", "a sender with a fixed identity"),
    )


# --- changes ------------------------------------------------------------------------------------------


def has_changed(sight: Sight) -> Mask:
    """Streams of a source that came back under another identity or address, for a minute."""
    streams = sight.streams
    changed = sight.live & (sight.now_ns - streams.first_frame_ns < CHANGE_SHOWN_NS)
    changed &= sight.now_ns - sight.started_ns > CHANGE_SHOWN_NS // 12
    # Only where somebody fell silent can anybody have come back: a whole house that has just appeared costs nothing.
    changed &= sight.beside_a_dead_one
    young = np.flatnonzero(changed)[:MOST_LOOKED_AT].tolist()
    changed[:] = False
    for row in young:
        changed[row] = predecessor(sight, row) >= 0 or moved_from(sight, row) >= 0
    return changed


def moved_from(sight: Sight, row: int) -> int:
    """Find the silent stream of the same CID from another address; -1 if none."""
    streams = sight.streams
    own = sight.sources[sight.source_of(row)]
    if streams.protocol[row] != Protocol.E131:
        return -1
    for other in map(int, sight.streams_of(sight.universe_of(row))):
        earlier = sight.sources[sight.source_of(other)]
        if other != row and not streams.live[other] and earlier.source_id == own.source_id:
            return other
    return -1


def describe_changed(sight: Sight, row: int) -> Finding:
    earlier_row = predecessor(sight, row)
    moved = moved_from(sight, row)
    other = earlier_row if earlier_row >= 0 else moved
    streams = sight.streams
    own = sight.sources[sight.source_of(row)]
    changes = []
    evidence = []
    if other >= 0:
        earlier = sight.sources[sight.source_of(other)]
        if earlier.source_id != own.source_id:
            changes.append("with a new identity (CID)")
            evidence.append(f"CID {earlier.source_id.hex()} before, {own.source_id.hex()} now.")
        if earlier.address != own.address:
            changes.append(f"under a new address ({earlier.address} before)")
            evidence.append(f"{earlier.address} before, {own.address} now.")
        clean = streams.last_terminated_ns[other] >= streams.last_arrival_ns[other]
        evidence.append("The earlier one ended cleanly." if clean else "The earlier one ended without saying so.")
    return Finding(
        group=f"source:{sight.source_name(sight.source_of(row))}",
        since_ns=int(streams.first_frame_ns[row]),
        universes=(sight.universe_of(row),),
        streams=(row,),
        networks=(int(streams.network[row]),),
        facts={"change": " and ".join(changes) or "changed"},
        evidence=tuple(evidence),
        confidence=Confidence.HIGH,
    )


# --- echoes -------------------------------------------------------------------------------------------


class Echoes:
    """A stream of a stranger whose changed frames are copies of another's, a little later."""

    def __init__(self) -> None:
        self._heard: dict[tuple[int, int], deque[tuple[int, int]]] = {}
        """Of (original, copy): moments and lags of copied frames."""

    def find(self, sight: Sight) -> dict[Any, None]:
        universes, streams = sight.universes, sight.streams
        crowded = (universes.live >= 2) & (universes.declared >= 0)
        if not crowded.any():
            self._heard.clear()
            return {}
        strangers = sight.live & crowded[streams.universe] & (sight.stream_sources_declared < 0)
        pairs = [
            (original, copy)
            for copy in np.flatnonzero(strangers)[:MOST_LOOKED_AT].tolist()
            for original in sight.streams_of(sight.universe_of(copy)).tolist()
            # Where nobody is declared, a tracking backup cannot be told from an echo.
            if sight.live[original] and sight.stream_sources_declared[original] >= 0
        ]
        self._heard = {pair: self._heard.get(pair, deque(maxlen=32)) for pair in pairs}
        return {pair: None for pair in pairs if self._echoes(sight, *pair)}

    def _echoes(self, sight: Sight, original: int, copy: int) -> bool:
        streams = sight.streams
        if streams.priority[copy] < streams.priority[original]:
            return False
        heard = self._heard[original, copy]
        longest_ns = int(CATALOG["echoed-universe"].threshold("lag_ms") * 1e6)
        firsts = dict(zip(streams.history_hash[original].tolist(), streams.history_ns[original].tolist(), strict=True))
        known = {t_ns for t_ns, _ in heard}
        led = False
        for mark, t_ns in zip(streams.history_hash[copy].tolist(), streams.history_ns[copy].tolist(), strict=True):
            lag_ns = t_ns - firsts.get(mark, t_ns)
            led |= mark in firsts and t_ns and lag_ns < -SHORTEST_LAG_NS
            if SHORTEST_LAG_NS <= lag_ns <= longest_ns and t_ns not in known:
                heard.append((t_ns, lag_ns))
        if led:
            heard.clear()
        recent = [lag_ns for t_ns, lag_ns in heard if sight.now_ns - t_ns < ECHO_NS]
        return len(recent) >= ECHOES


def describe_echo(sight: Sight, key: Any) -> Finding:
    original, copy = key
    streams = sight.streams
    universe = sight.universe_of(copy)
    firsts = dict(zip(streams.history_hash[original].tolist(), streams.history_ns[original].tolist(), strict=True))
    lags = [
        t_ns - firsts[mark]
        for mark, t_ns in zip(streams.history_hash[copy].tolist(), streams.history_ns[copy].tolist(), strict=True)
        if mark in firsts and t_ns > firsts[mark]
    ]
    lag_ms = float(np.median(lags)) / 1e6 if lags else 0.0
    return Finding(
        group=f"source:{sight.source_name(sight.source_of(copy))}",
        since_ns=int(streams.since_ns[copy]),
        universes=(universe,),
        streams=(copy,),
        networks=(int(streams.network[copy]),),
        facts={"lag": f"{lag_ms:.0f}"},
        evidence=(
            f"{sight.universe_name(universe)}: frames of {sight.say_source(sight.source_of(original))} come again "
            f"from {sight.say_source(sight.source_of(copy))} about {lag_ms:.0f} ms later, never earlier.",
        ),
        confidence=Confidence.HIGH,
        also_possible=("a tracking backup that the house file does not declare",),
    )
