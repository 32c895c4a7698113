"""Which new streams and sources are let into the tables, and who makes room for them.

Bounds, because everything here is keyed by what the network says: 64 streams on a universe, 64 addresses of an
identity, 4,096 sources, MAX_STREAMS streams, and 1,000 new streams a second after a first MAX_STREAMS. What counts then
is `admission`'s: a flood of forged sources pushes out only itself, and never keeps a declared source out. Where nothing
may be pushed out, the new stream's packets are counted and not kept.
"""

from __future__ import annotations

from collections import Counter

import numpy as np
from numpy.typing import NDArray

from slotwatch.model.admission import BRIEF_NS, DECLARED, EvictionOrder, KnockCounts, Newcomer, first_to_go
from slotwatch.model.columns import MAX_SOURCES_PER_UNIVERSE, MAX_STREAMS
from slotwatch.model.keys import stream_hashes
from slotwatch.model.source import SourceKey
from slotwatch.model.sources import source_keys
from slotwatch.model.streams import Streams
from slotwatch.model.universes import Place, universe_places
from slotwatch.wire.batch import Batch
from slotwatch.wire.fields import Fields

NEW_PER_SECOND = 1000
NEARLY = 15 / 16
"""From this share of a bound on, a new sender has to send twice."""
LOOK_AGAIN_NS = (10_000_000, 2_000_000)
"""How often room is looked for in a full table: for strangers, and for declared sources."""
LOOK_AMONG_NS = 2_000_000
"""How often on a full universe, and among the addresses of one identity: each look costs as much as 50 packets."""
ROOM_AT_ONCE = 16
"""Streams or sources that make room together, because finding them costs a look at all."""


def have_room_for(newcomers: Newcomers, places: list[Place], sources: list[SourceKey]) -> bool:
    """Whether all of these new streams may come in without a look at any bound: one for each place and its source."""
    streams = newcomers.streams
    if len(places) > min(streams.bound - streams.filled, *newcomers.allowances):
        return False
    if not streams.sources.has_room_for(sources):
        return False
    rows, there = streams.universes.by_place, streams.universes.streams
    return all(
        count + (int(there[rows[place]]) if place in rows else 0) <= MAX_SOURCES_PER_UNIVERSE
        for place, count in Counter(places).items()
    )


class Newcomers:
    """Finds the streams of packets, and lets in those that are new."""

    def __init__(self, streams: Streams, now_ns: int) -> None:
        self.streams, self.universes, self.sources = streams, streams.universes, streams.sources
        self._door = KnockCounts()
        self.allowances = [float(MAX_STREAMS), float(MAX_STREAMS)]
        """New streams that may come at once: of strangers, and of declared sources or on declared universes."""
        self._allowance_ns = now_ns
        self._look_ns: dict[tuple[str, bool], tuple[int, int]] = {}
        """When room may be looked for next, by bound and of declared sources apart, and packets of who looked last."""

    def find(self, batch: Batch, fields: Fields, rows: NDArray[np.intp] | slice) -> NDArray[np.int32]:
        """Stream of each of these rows of a batch; new streams are added. -1: counted, not kept."""
        hashes = stream_hashes(
            batch.network[rows],
            batch.protocol[rows],
            fields.universe[rows],
            np.ascontiguousarray(fields.source_id[rows]),
            np.ascontiguousarray(batch.src[rows]),
        )
        found = self.streams.find(hashes)
        unknown = (found < 0).nonzero()[0]
        if len(unknown):
            self._register(batch, fields, np.arange(len(batch))[rows], hashes, unknown)
            found = self.streams.find(hashes)
        return found

    def _register(
        self,
        batch: Batch,
        fields: Fields,
        rows: NDArray[np.intp],
        hashes: NDArray[np.uint64],
        unknown: NDArray[np.intp],
    ) -> None:
        streams = self.streams
        _, firsts, counts = np.unique(hashes[unknown], return_index=True, return_counts=True)
        order = np.argsort(firsts)
        firsts, counts = unknown[firsts[order]], counts[order]
        at = rows[firsts]
        t_ns = int(batch.t_ns[at[0]])
        # Those of this batch count: a sender that sends twice in one batch is let in like one that does so in two.
        sent = self._door.knock(hashes[firsts], counts, t_ns) + counts
        named = self.sources.may_be_declared(batch, fields, at)
        places = universe_places(batch, fields, at)
        clones = self.sources.are_crowded(batch, fields, at)
        asking = np.flatnonzero(~self._hold(places, clones, t_ns, named, sent, counts))
        keys, at, named = hashes[firsts[asking]], at[asking], named[asking]
        sent, counts = sent[asking], counts[asking]
        places, sources = [places[index] for index in asking.tolist()], source_keys(batch, fields, at)
        if len(at) > 1 and have_room_for(self, places, sources):
            rows = self._admit_all(batch, at, places, sources, named)
            streams.key[rows], streams.knocks[rows] = keys, np.minimum(sent - counts, 255)
            streams.index(keys, rows.astype(np.int32))
            streams.windows.fit()
            return
        new = streams.unindexed
        columns = [column.tolist() for column in (at, keys, named, sent, counts)]
        for each in zip(places, sources, *columns, strict=True):
            row = self._admit(batch, *each)
            if row >= 0:
                new[each[3]] = row
        if new:
            streams.index(np.array(list(new), np.uint64), np.array(list(new.values()), np.int32))
            new.clear()
        streams.windows.fit()

    def _hold(
        self,
        places: list[Place],
        clones: NDArray[np.bool_],
        t_ns: int,
        named: NDArray[np.bool_],
        sent: NDArray[np.int64],
        counts: NDArray[np.intp],
    ) -> NDArray[np.bool_]:
        """Find those that have to send once more before they are let in, because a bound is near; count them."""
        self._allow(t_ns)
        spent = [left < (1 - NEARLY) * MAX_STREAMS for left in self.allowances]
        full = [table.filled >= NEARLY * table.bound for table in (self.streams, self.sources)]
        universe = np.array([self.universes.by_place.get(place, -1) for place in places])
        known = universe >= 0
        crowded = known & (self.universes.streams[universe] >= MAX_SOURCES_PER_UNIVERSE)
        declared = named | (known & (self.universes.declared[universe] >= 0))
        pressed = clones | np.where(declared, spent[1], spent[0]) | (~named & (crowded | any(full)))
        held: NDArray[np.bool_] = pressed & (sent < 2)
        if held.any():
            self.streams.last_unkept_ns = max(self.streams.last_unkept_ns, t_ns)
            other = "streams" if full[0] else "sources" if full[1] else "rate"
            for bound, of in (("universe", crowded), ("addresses", clones & ~crowded), (other, ~clones & ~crowded)):
                self.streams.unkept[bound] += int(counts[held & of].sum())
            on = universe[held & crowded]
            np.add.at(self.universes.unkept, on, counts[held & crowded].astype(np.uint64))
            self.universes.last_unkept_ns[on] = t_ns
        return held

    def _allow(self, t_ns: int) -> None:
        if t_ns > self._allowance_ns:
            gained = (t_ns - self._allowance_ns) * NEW_PER_SECOND / 1e9
            strangers, known = self.allowances
            self.allowances = [min(MAX_STREAMS, strangers + gained), min(MAX_STREAMS, known + gained)]
            self._allowance_ns = t_ns

    def _admit_all(
        self,
        batch: Batch,
        at: NDArray[np.intp],
        places: list[Place],
        sources: list[SourceKey],
        named: NDArray[np.bool_],
    ) -> NDArray[np.intp]:
        """Add streams that all have room (`have_room_for`), as `_admit` does one after the other."""
        universes = self.universes
        if unheard := [place for place in dict.fromkeys(places) if place not in universes.by_place]:
            universes.add_new(unheard)
        universe = np.array([universes.by_place[place] for place in places])
        on_declared, of = universes.declared[universe] >= 0, []
        columns = [column.tolist() for column in (at, batch.t_ns[at], on_declared, named)]
        for source, first, t_ns, is_due, is_named in zip(sources, *columns, strict=True):
            self._allow(t_ns)
            is_one = is_named and self.sources.is_declared(source, batch.data[first])
            of.append(self.sources.find_or_add(source, t_ns, batch.data[first] if is_one else None))
            self.allowances[is_due or is_one] -= 1
        rows = self.streams.add_many(len(at))
        self.streams.begin(rows, universe, np.array(of), batch.t_ns[at])
        return rows

    def _admit(
        self,
        batch: Batch,
        place: Place,
        source_key: SourceKey,
        at: int,
        key: int,
        named: bool,
        sent: int,
        packets: int,
    ) -> int:
        """Add one stream, if the bounds let it in; -1 if not. sent: how many packets it sent lately, packets: of these
        in this batch."""
        t_ns = int(batch.t_ns[at])
        self._allow(t_ns)
        universe = self.universes.by_place.get(place, -1)
        own = 2 * (named and self.sources.is_declared(source_key, batch.data[at])) + bool(
            universe >= 0 and self.universes.declared[universe] >= 0
        )
        bound = self._bound_reached(universe, source_key, t_ns, Newcomer(own, sent))
        if bound:
            return self._refuse(bound, self.universes.by_place.get(place, -1), t_ns, packets)
        source = self.sources.find_or_add(source_key, t_ns, batch.data[at] if own >= DECLARED else None)
        self.allowances[own > 0] -= 1
        universe = self.universes.find_or_add(*place)
        streams = self.streams
        row = streams.add()
        streams.windows.fit()
        streams.begin(row, universe, source, t_ns)
        streams.key[row], streams.knocks[row] = key, min(sent - packets, 255)
        return row

    def _bound_reached(self, universe: int, source: SourceKey, t_ns: int, newcomer: Newcomer) -> str:
        """Name the bound that keeps a new stream out, after making room where that may be; empty if none."""
        if self.allowances[newcomer.rank > 0] < 1:
            return "rate"
        if (
            universe >= 0
            and self.universes.streams[universe] >= MAX_SOURCES_PER_UNIVERSE
            and not (
                self._may_look("universe", t_ns, newcomer) and self._make_room(self._on(universe), t_ns, newcomer, 1)
            )
        ):
            return "universe"
        crowd = self.sources.crowd_of(source)
        if crowd and not (
            self._may_look("addresses", t_ns, newcomer) and self._make_source_room(t_ns, newcomer, crowd)
        ):
            return "addresses"
        if self.streams.is_full and not (
            self._may_look("table", t_ns, newcomer)
            and self._make_room(self.streams.rows(), t_ns, newcomer, ROOM_AT_ONCE)
        ):
            return "streams"
        if self.sources.is_full and source not in self.sources.by_key:
            return (
                "" if self._may_look("table", t_ns, newcomer) and self._make_source_room(t_ns, newcomer) else "sources"
            )
        return ""

    def _on(self, universe: int) -> NDArray[np.intp]:
        """Rows of the streams on a universe."""
        top = self.streams.top
        return np.flatnonzero(self.streams.used[:top] & (self.streams.universe[:top] == universe))

    def _may_look(self, among: str, t_ns: int, newcomer: Newcomer) -> bool:
        """Whether room may be looked for now. In a whole table ("table") that costs a millisecond, found or not.

        Elsewhere a newcomer that sent more than the last one that looked need not wait: it goes on, and those of a
        flood do not.
        """
        declared = newcomer.rank >= DECLARED
        until_ns, most = self._look_ns.get((among, declared), (t_ns, 0))
        if t_ns < until_ns and (among == "table" or newcomer.packets <= most):
            return False
        again_ns = LOOK_AGAIN_NS[declared] if among == "table" else LOOK_AMONG_NS
        self._look_ns[among, declared] = t_ns + again_ns, newcomer.packets
        return True

    def _refuse(self, bound: str, universe: int, t_ns: int, packets: int) -> int:
        self.streams.unkept[bound] += packets
        self.streams.last_unkept_ns = max(self.streams.last_unkept_ns, t_ns)
        if universe >= 0:
            self.universes.unkept[universe] += packets
            self.universes.last_unkept_ns[universe] = t_ns
        return -1

    def _make_room(self, rows: NDArray[np.intp], now_ns: int, newcomer: Newcomer, most: int) -> bool:
        """Forget one of these streams or some, if any may be for such a newcomer (its rank, its packets)."""
        go = first_to_go(self.streams.standing(rows, now_ns), newcomer, most)
        for row in rows[go].tolist():
            self.streams.forget(row)
        self.streams.evictions["streams"] += len(go)
        return len(go) > 0

    def _make_source_room(self, now_ns: int, newcomer: Newcomer, among: list[int] | None = None) -> bool:
        """Forget a source or some of these (of all) with their streams, if any may be for such a newcomer."""
        sources, rows = self.sources, self.streams.rows()
        rows = rows if among is None else rows[np.isin(self.streams.source[rows], among)]
        idle, brief, ranks, last_ns, packets = self.streams.standing(rows, now_ns)
        of, size = self.streams.source[rows], sources.top
        kept = np.flatnonzero(sources.used[:size]) if among is None else np.array(among)
        # A source is as its streams are: silent if all are, brief if all are; one without streams by itself.
        all_idle = np.bincount(of[~idle], minlength=size) == 0
        all_brief = np.bincount(of[~brief], minlength=size) == 0
        all_brief &= sources.last_seen_ns[:size] - sources.first_seen_ns[:size] < BRIEF_NS
        best, latest, total = np.zeros(size, np.int8), sources.last_seen_ns[:size].copy(), np.zeros(size, np.int64)
        np.maximum.at(best, of, ranks)
        best = np.maximum(best, np.where(sources.declared[:size] >= 0, np.int8(2), np.int8(0)))
        np.maximum.at(latest, of, last_ns)
        np.add.at(total, of, packets)
        standing = EvictionOrder(all_idle[kept], all_brief[kept], best[kept], latest[kept], total[kept])
        go = first_to_go(standing, newcomer, ROOM_AT_ONCE)
        for source in kept[go].tolist():
            self._forget_source(source, rows[of == source])
        sources.evicted += len(go)
        return len(go) > 0

    def _forget_source(self, source: int, rows: NDArray[np.intp]) -> None:
        for row in rows.tolist():
            self.streams.forget(row)
        self.streams.evictions["streams"] += len(rows)
        self.sources.forget(source)
