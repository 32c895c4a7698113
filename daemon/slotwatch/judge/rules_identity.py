"""Identities: one from two machines, one that changed, one that echoes another."""

from __future__ import annotations

from collections import deque
from typing import Any

import numpy as np

from slotwatch.house.schema import House
from slotwatch.judge import wording
from slotwatch.judge.binding import KEYS, STREAMS, Finding, Mask, NamedBinding, named
from slotwatch.judge.catalog import CATALOG
from slotwatch.judge.context import RuleContext
from slotwatch.judge.rules_control import MOST_LOOKED_AT, predecessor
from slotwatch.snapshot import Confidence
from slotwatch.wire.universe import Protocol

NANOSECONDS = 1_000_000_000
DISAGREED_NS = 2 * NANOSECONDS
"""Two series that drift through one another seem to agree for a moment."""
MOST_ADDRESSES = 32
"""Addresses of one identity that are compared, each with each: the newest."""
JUST_MET_NS = 300_000_000
"""Seen so soon after they first overlapped, numbers have disagreed from the start."""
ECHO_NS = 2 * NANOSECONDS
SHORTEST_LAG_NS = 2_000_000
ECHOES = 3
CHANGE_SHOWN_NS = 60 * NANOSECONDS


def bindings(house: House) -> tuple[NamedBinding, ...]:
    clones = Clones()
    echoes = Echoes()
    return (
        named("duplicate-identity", KEYS, clones.find, describe_clones, timed=True, is_wary=clones.is_one_suspected),
        named("identity-changed", STREAMS, has_changed, describe_changed, refresh_s=None),
        named("echoed-universe", KEYS, echoes.find, describe_echo),
    )


# --- clones -------------------------------------------------------------------------------------------


class Clones:
    """One CID from two addresses of one network and family, with numbers that disagree."""

    def __init__(self) -> None:
        self._disagreed: dict[tuple[int, int], tuple[int, int]] = {}
        """Of two source rows: since when their numbers disagree, and when that was last seen."""

    def find(self, ctx: RuleContext) -> dict[Any, int]:
        """Source rows that share an identity, and since when both of them have sent."""
        shared = [rows for rows in ctx.model.sources.addresses.values() if len(rows) > 1]
        if not shared:
            self._disagreed.clear()
            return {}
        found: dict[Any, int] = {}
        for rows in shared:
            clones = self._live_clones(ctx, rows[-MOST_ADDRESSES:])
            if clones:
                found[tuple(sorted({row for pair in clones for row in pair}))] = min(clones.values())
        self._disagreed = {
            pair: known for pair, known in self._disagreed.items() if ctx.now_ns - known[1] < DISAGREED_NS
        }
        return found

    def is_one_suspected(self, ctx: RuleContext) -> bool:
        """Whether the numbers of two that share an identity have disagreed just now."""
        return bool(self._disagreed)

    def _live_clones(self, ctx: RuleContext, rows: list[int]) -> dict[tuple[int, int], int]:
        clones: dict[tuple[int, int], int] = {}
        for place, first in enumerate(rows):
            for second in rows[place + 1 :]:
                since_ns = self._overlap_since_ns(ctx, first, second) if _family(ctx, first, second) else 0
                if since_ns:
                    clones[first, second] = since_ns
        return clones

    def _overlap_since_ns(self, ctx: RuleContext, first: int, second: int) -> int:
        """Since when both really send and their numbers disagree, if that is long enough; else 0."""
        streams = ctx.streams
        ours = {ctx.universe_of(row): row for row in ctx.streams_from(first).tolist() if ctx.live[row]}
        theirs = {ctx.universe_of(row): row for row in ctx.streams_from(second).tolist() if ctx.live[row]}
        pairs = [(ours[universe], theirs[universe]) for universe in sorted(ours.keys() & theirs.keys())]
        if not pairs:
            return 0
        both_ns = min(int(streams.since_ns[list(pair)].max()) for pair in pairs)
        self._note(ctx, (first, second), pairs, both_ns)
        since_ns, seen_ns = self._disagreed.get((first, second), (0, -DISAGREED_NS))
        if ctx.now_ns - seen_ns >= DISAGREED_NS:
            return 0
        # One that has fallen silent is live until its timeout; what counts is that frames came from both.
        together_ns = max(int(streams.last_arrival_ns[list(pair)].min()) for pair in pairs)
        least_ns = int(CATALOG["duplicate-identity"].threshold("overlap_s") * NANOSECONDS)
        since_ns = max(since_ns, both_ns)
        return since_ns if together_ns - since_ns >= least_ns else 0

    def _note(self, ctx: RuleContext, clones: tuple[int, int], pairs: list[tuple[int, int]], both_ns: int) -> None:
        sequence = ctx.streams.sequence
        least = CATALOG["duplicate-identity"].threshold("disagreement")
        for ours, theirs in pairs:
            distance = int(sequence[ours]) - int(sequence[theirs])
            if abs((distance + 128) % 256 - 128) >= least:
                just_met = ctx.now_ns - both_ns < JUST_MET_NS
                since_ns, _ = self._disagreed.get(clones, (both_ns if just_met else ctx.now_ns, 0))
                self._disagreed[clones] = since_ns, ctx.now_ns
                return


def _family(ctx: RuleContext, first: int, second: int) -> bool:
    """Whether both addresses are of one family."""
    return (":" in ctx.sources[first].address) == (":" in ctx.sources[second].address)


def describe_clones(ctx: RuleContext, key: Any) -> Finding:
    rows = [int(row) for source in key for row in ctx.streams_from(source) if ctx.live[row]]
    universes = [ctx.universe_of(row) for row in rows]
    common = sorted({universe for universe in universes if universes.count(universe) > 1})
    sources = [ctx.sources[source] for source in key]
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
        streams=tuple(row for row in rows if ctx.universe_of(row) in common),
        networks=tuple({source.network for source in sources}),
        facts={"addresses": addresses, "cid": f"{cid[:8]}…"},
        evidence=tuple(evidence),
        also_possible=("a copied virtual machine or show computer", "a sender with a fixed identity"),
    )


# --- changes ------------------------------------------------------------------------------------------


def has_changed(ctx: RuleContext) -> Mask:
    """Streams of a source that came back under another identity or address, for a minute."""
    streams = ctx.streams
    changed = ctx.live & (ctx.now_ns - streams.first_frame_ns < CHANGE_SHOWN_NS)
    changed &= ctx.now_ns - ctx.started_ns > CHANGE_SHOWN_NS // 12
    # Only where somebody fell silent can anybody have come back: a whole house that has just appeared costs nothing.
    changed &= ctx.beside_a_dead_one
    young = np.flatnonzero(changed)[:MOST_LOOKED_AT].tolist()
    changed[:] = False
    for row in young:
        changed[row] = predecessor(ctx, row) >= 0 or moved_from(ctx, row) >= 0
    return changed


def moved_from(ctx: RuleContext, row: int) -> int:
    """Find the silent stream of the same CID from another address; -1 if none."""
    streams = ctx.streams
    own = ctx.sources[ctx.source_of(row)]
    if streams.protocol[row] != Protocol.E131:
        return -1
    for other in map(int, ctx.streams_of(ctx.universe_of(row))):
        earlier = ctx.sources[ctx.source_of(other)]
        older = streams.first_frame_ns[other] <= streams.first_frame_ns[row]
        if other != row and older and not streams.live[other] and earlier.source_id == own.source_id:
            return other
    return -1


def describe_changed(ctx: RuleContext, row: int) -> Finding:
    earlier_row = predecessor(ctx, row)
    moved = moved_from(ctx, row)
    other = earlier_row if earlier_row >= 0 else moved
    streams = ctx.streams
    own = ctx.sources[ctx.source_of(row)]
    changes = []
    evidence = []
    if other >= 0:
        earlier = ctx.sources[ctx.source_of(other)]
        if earlier.source_id != own.source_id:
            changes.append("with a new identity (CID)")
            evidence.append(f"CID {earlier.source_id.hex()} before, {own.source_id.hex()} now.")
        if earlier.address != own.address:
            changes.append(f"under a new address ({earlier.address} before)")
            evidence.append(f"{earlier.address} before, {own.address} now.")
        clean = streams.last_terminated_ns[other] >= streams.last_arrival_ns[other]
        evidence.append("The earlier one ended cleanly." if clean else "The earlier one ended without saying so.")
    return Finding(
        group=f"source:{ctx.source_name(ctx.source_of(row))}",
        since_ns=int(streams.first_frame_ns[row]),
        universes=(ctx.universe_of(row),),
        streams=(row,),
        networks=(int(streams.network[row]),),
        facts={"change": " and ".join(changes) or "changed"},
        evidence=tuple(evidence),
        confidence=Confidence.HIGH,
    )


# --- echoes -------------------------------------------------------------------------------------------


class Echoes:
    """A stream of a stranger whose changed frames are copies of another's, a little later.

    Told only of a declared original and a stranger. Without declared sources an echo cannot be told from a backup
    that tracks its main: both copy each frame a little later and never lead. That one holds up what the other lets
    go is no proof either, for a backup that lost its tracking holds its last look. Only an echo through a gateway
    that merges by highest level goes on to follow rises and no falls, but to see that in a show that moves takes the
    levels of every frame, and the model keeps a mark of each and the newest levels. Who differs for 5 s is said all
    the same, by `source-conflict`; the bridge, which has every frame of its inputs, finds its own echo there
    (`bridge.loop`).
    """

    def __init__(self) -> None:
        self._heard: dict[tuple[int, int], deque[tuple[int, int]]] = {}
        """Of (original, copy): moments and lags of copied frames."""

    def find(self, ctx: RuleContext) -> dict[Any, None]:
        universes, streams = ctx.universes, ctx.streams
        crowded = (universes.live >= 2) & (universes.declared >= 0)
        if not crowded.any():
            self._heard.clear()
            return {}
        strangers = ctx.live & crowded[streams.universe] & (ctx.stream_sources_declared < 0)
        pairs = [
            (original, copy)
            for copy in np.flatnonzero(strangers)[:MOST_LOOKED_AT].tolist()
            for original in ctx.streams_of(ctx.universe_of(copy)).tolist()
            # Where nobody is declared, a tracking backup cannot be told from an echo.
            if ctx.live[original] and ctx.stream_sources_declared[original] >= 0
        ]
        self._heard = {pair: self._heard.get(pair, deque(maxlen=32)) for pair in pairs}
        return {pair: None for pair in pairs if self._echoes(ctx, *pair)}

    def _echoes(self, ctx: RuleContext, original: int, copy: int) -> bool:
        streams = ctx.streams
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
        recent = [lag_ns for t_ns, lag_ns in heard if ctx.now_ns - t_ns < ECHO_NS]
        return len(recent) >= ECHOES


def describe_echo(ctx: RuleContext, key: Any) -> Finding:
    original, copy = key
    streams = ctx.streams
    universe = ctx.universe_of(copy)
    firsts = dict(zip(streams.history_hash[original].tolist(), streams.history_ns[original].tolist(), strict=True))
    lags = [
        t_ns - firsts[mark]
        for mark, t_ns in zip(streams.history_hash[copy].tolist(), streams.history_ns[copy].tolist(), strict=True)
        if mark in firsts and t_ns > firsts[mark]
    ]
    lag_ms = float(np.median(lags)) / 1e6 if lags else 0.0
    return Finding(
        group=f"source:{ctx.source_name(ctx.source_of(copy))}",
        since_ns=int(streams.since_ns[copy]),
        universes=(universe,),
        streams=(copy,),
        networks=(int(streams.network[copy]),),
        facts={"lag": f"{lag_ms:.0f}"},
        evidence=(
            f"{ctx.universe_name(universe)}: frames of {ctx.say_source(ctx.source_of(original))} come again "
            f"from {ctx.say_source(ctx.source_of(copy))} about {lag_ms:.0f} ms later, never earlier.",
        ),
        confidence=Confidence.HIGH,
        also_possible=("a tracking backup that the house file does not declare",),
    )
