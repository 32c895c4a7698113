"""The table of streams: one row for one source's frames on one universe of one network.

A stream's key is network, protocol, universe, source id and sender's address, so the two series of a cloned
identity never mix.

Bounds, because everything here is keyed by what the network says: 64 streams on a universe, 64 addresses of an
identity, 4,096 sources, MAX_STREAMS streams, and 1,000 new streams a second after a first MAX_STREAMS. Who is let in,
and who makes room, is `admission`'s: a flood of forged sources pushes out only itself, and never keeps a declared
source out. Where nothing may be pushed out, the new stream's packets are counted and not kept.
"""

from __future__ import annotations

from collections import Counter
from typing import Any

import numpy as np
from numpy.typing import NDArray

from slotwatch.model import cadence, levels, minute_intervals
from slotwatch.model.admission import (
    BRIEF_NS,
    DECLARED,
    MOST_BRIEF,
    EvictionOrder,
    KnockCounts,
    Newcomer,
    first_to_go,
    rank,
)
from slotwatch.model.columns import MAX_SOURCES_PER_UNIVERSE, MAX_STREAMS, STREAM
from slotwatch.model.keys import KeyIndex, stream_hashes
from slotwatch.model.source import SourceKey
from slotwatch.model.sources import Sources, source_keys
from slotwatch.model.table import Table
from slotwatch.model.universes import Place, Universes, universe_places
from slotwatch.model.window_words import CompiledWindows
from slotwatch.model.windows import BUCKET_NS, Windows
from slotwatch.wire.batch import Batch
from slotwatch.wire.fields import Fields

EXTRA = (
    ("key", "<u8"),  # hash of its key
    ("first_packet_ns", "<i8"),
    ("knocks", "u1"),  # packets that came of it before it was let in
    ("last_destination", "<u8"),  # low half of the last destination address, as it lies in memory
    ("destinations", "u1"),  # to how many addresses its packets go in turn
    ("destinations_ns", "<i8"),  # when that was last seen; 0: it has one
    ("destinations_since_ns", "<i8"),  # since when it has been seen without a pause
    # --- the series of sequence numbers, see model.sequence
    ("series_known", "?"),
    ("series_seen", "u1"),
    ("series_mask", "<u8"),
    ("series_step", "u1"),
    ("expected_step", "<u2"),  # the step that needs no judgement of its own; EVERY_STEP: each is judged
    ("series_votes", "u1"),
    ("series_run", "<u2"),
    ("series_pending", "<i4"),
    ("series_packets", "u1"),
)
EVERY_STEP = 0x100
NEW_PER_SECOND = 1000
NEARLY = 15 / 16
"""From this share of a bound on, a new sender has to send twice."""
LOOK_AGAIN_NS = (10_000_000, 2_000_000)
"""How often room is looked for in a full table: for strangers, and for declared sources."""
ROOM_AT_ONCE = 16
"""Streams or sources that make room together, because finding them costs a look at all."""


def have_room_for(streams: Streams, places: list[Place], sources: list[SourceKey]) -> bool:
    """Whether all of these new streams may come in without a look at any bound: one for each place and its source."""
    if len(places) > min(streams.bound - streams.filled, *streams.allowances):
        return False
    if not streams.sources.has_room_for(sources):
        return False
    rows, there = streams.universes.by_place, streams.universes.streams
    return all(
        count + (int(there[rows[place]]) if place in rows else 0) <= MAX_SOURCES_PER_UNIVERSE
        for place, count in Counter(places).items()
    )


class Streams(Table):
    """Rows of `columns.STREAM`, EXTRA, and COLUMNS of `cadence`, `minute_intervals` and `levels`."""

    def __init__(
        self, universes: Universes, sources: Sources, now_ns: int, compiled: CompiledWindows | None = None
    ) -> None:
        columns = (*STREAM, *EXTRA, *cadence.COLUMNS, *minute_intervals.COLUMNS, *levels.COLUMNS)
        super().__init__(columns, capacity=64, bound=MAX_STREAMS)
        self.windows = Windows(self, now_ns // BUCKET_NS, compiled)
        self.universes, self.sources = universes, sources
        self.evictions: Counter[str] = Counter()
        self.unkept: Counter[str] = Counter()
        """Packets not kept, by the bound that was reached."""
        self.last_unkept_ns = 0
        """When a packet was last not kept because of a bound."""
        self._index = KeyIndex()
        self._unindexed: dict[int, int] = {}
        """Rows by hash that were added by the batch at hand."""
        self._door = KnockCounts()
        self.allowances = [float(MAX_STREAMS), float(MAX_STREAMS)]
        """New streams that may come at once: of strangers, and of declared sources or on declared universes."""
        self._allowance_ns = now_ns
        self._look_ns = [now_ns, now_ns]

    def find(self, batch: Batch, fields: Fields, rows: NDArray[np.intp] | slice) -> NDArray[np.int32]:
        """Stream of each of these rows of a batch; new streams are added. -1: counted, not kept."""
        hashes = stream_hashes(
            batch.network[rows],
            batch.protocol[rows],
            fields.universe[rows],
            np.ascontiguousarray(fields.source_id[rows]),
            np.ascontiguousarray(batch.src[rows]),
        )
        found = self._index.find(hashes)
        unknown = (found < 0).nonzero()[0]
        if len(unknown):
            self._register(batch, fields, np.arange(len(batch))[rows], hashes, unknown)
            found = self._index.find(hashes)
        return found

    def _register(
        self,
        batch: Batch,
        fields: Fields,
        rows: NDArray[np.intp],
        hashes: NDArray[np.uint64],
        unknown: NDArray[np.intp],
    ) -> None:
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
            self.key[rows], self.knocks[rows] = keys, np.minimum(sent - counts, 255)
            self._index.insert(keys, rows.astype(np.int32))
            self.windows.fit()
            return
        new = self._unindexed
        columns = [column.tolist() for column in (at, keys, named, sent, counts)]
        for each in zip(places, sources, *columns, strict=True):
            row = self._admit(batch, *each)
            if row >= 0:
                new[each[3]] = row
        if new:
            self._index.insert(np.array(list(new), np.uint64), np.array(list(new.values()), np.int32))
            new.clear()
        self.windows.fit()

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
        full = [table.filled >= NEARLY * table.bound for table in (self, self.sources)]
        universe = np.array([self.universes.by_place.get(place, -1) for place in places])
        known = universe >= 0
        crowded = known & (self.universes.streams[universe] >= MAX_SOURCES_PER_UNIVERSE)
        declared = named | (known & (self.universes.declared[universe] >= 0))
        pressed = clones | np.where(declared, spent[1], spent[0]) | (~named & (crowded | any(full)))
        held: NDArray[np.bool_] = pressed & (sent < 2)
        if held.any():
            self.last_unkept_ns = max(self.last_unkept_ns, t_ns)
            other = "streams" if full[0] else "sources" if full[1] else "rate"
            for bound, of in (("universe", crowded), ("addresses", clones & ~crowded), (other, ~clones & ~crowded)):
                self.unkept[bound] += int(counts[held & of].sum())
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
        rows = self.add_many(len(at))
        self._begin(rows, universe, np.array(of), batch.t_ns[at])
        return rows

    def _begin(self, rows: Any, universe: Any, source: Any, t_ns: Any) -> None:
        """Fill rows of new streams: one, or several as arrays."""
        self.universe[rows], self.source[rows] = universe, source
        for name in ("network", "protocol", "number"):
            getattr(self, name)[rows] = getattr(self.universes, name)[universe]
        self.timeout_ns[rows] = self.universes.loss_timeout_ns[universe]
        self.last_packet_ns[rows] = self.first_packet_ns[rows] = t_ns
        self.expected_step[rows] = EVERY_STEP
        self.sequence_measurable[rows] = True
        np.add.at(self.sources.streams, source, np.uint16(1))
        np.add.at(self.universes.streams, universe, np.uint16(1))
        np.add.at(self.universes.sources_seen, universe, np.uint64(1))

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
        row = self.add()
        self.windows.fit()
        self._begin(row, universe, source, t_ns)
        self.key[row], self.knocks[row] = key, min(sent - packets, 255)
        return row

    def _bound_reached(self, universe: int, source: SourceKey, t_ns: int, newcomer: Newcomer) -> str:
        """Name the bound that keeps a new stream out, after making room where that may be; empty if none."""
        if self.allowances[newcomer.rank > 0] < 1:
            return "rate"
        if universe >= 0 and self.universes.streams[universe] >= MAX_SOURCES_PER_UNIVERSE:
            on = np.flatnonzero(self.used[: self.top] & (self.universe[: self.top] == universe))
            if not self._make_room(on, t_ns, newcomer, 1):
                return "universe"
        crowd = self.sources.crowd_of(source)
        if crowd and not self._make_source_room(t_ns, newcomer, crowd):
            return "addresses"
        if self.is_full and not (
            self._may_look(t_ns, newcomer) and self._make_room(self.rows(), t_ns, newcomer, ROOM_AT_ONCE)
        ):
            return "streams"
        if self.sources.is_full and source not in self.sources.by_key:
            return "" if self._may_look(t_ns, newcomer) and self._make_source_room(t_ns, newcomer) else "sources"
        return ""

    def _may_look(self, t_ns: int, newcomer: Newcomer) -> bool:
        """Whether room may be looked for now in a whole table: that costs a millisecond, found or not."""
        declared = newcomer.rank >= DECLARED
        if t_ns < self._look_ns[declared]:
            return False
        self._look_ns[declared] = t_ns + LOOK_AGAIN_NS[declared]
        return True

    def _refuse(self, bound: str, universe: int, t_ns: int, packets: int) -> int:
        self.unkept[bound] += packets
        self.last_unkept_ns = max(self.last_unkept_ns, t_ns)
        if universe >= 0:
            self.universes.unkept[universe] += packets
            self.universes.last_unkept_ns[universe] = t_ns
        return -1

    def standing(self, rows: NDArray[np.intp], now_ns: int) -> EvictionOrder:
        """What counts of these streams when room is made."""
        last_ns = self.last_packet_ns[rows]
        idle = ~self.live[rows] & (now_ns - last_ns > self.timeout_ns[rows])
        brief = last_ns - self.first_packet_ns[rows] < BRIEF_NS
        ranks = rank(self.sources.declared[self.source[rows]] >= 0, self.universes.declared[self.universe[rows]] >= 0)
        packets = self.packets[rows].astype(np.int64) + self.windows.unfolded_packets(rows)
        return EvictionOrder(idle, brief, ranks, last_ns, packets + self.knocks[rows])

    def _make_room(self, rows: NDArray[np.intp], now_ns: int, newcomer: Newcomer, most: int) -> bool:
        """Forget one of these streams or some, if any may be for such a newcomer (its rank, its packets)."""
        go = first_to_go(self.standing(rows, now_ns), newcomer, most)
        for row in rows[go].tolist():
            self.forget(row)
        self.evictions["streams"] += len(go)
        return len(go) > 0

    def _make_source_room(self, now_ns: int, newcomer: Newcomer, among: list[int] | None = None) -> bool:
        """Forget a source or some of these (of all) with their streams, if any may be for such a newcomer."""
        sources, rows = self.sources, self.rows()
        rows = rows if among is None else rows[np.isin(self.source[rows], among)]
        idle, brief, ranks, last_ns, packets = self.standing(rows, now_ns)
        of, size = self.source[rows], sources.top
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
            self.forget(row)
        self.evictions["streams"] += len(rows)
        self.sources.forget(source)

    def forget(self, row: int) -> None:
        """Free a row; its universe goes with it when it is undeclared and this was its last stream."""
        universe, source = int(self.universe[row]), int(self.source[row])
        key = int(self.key[row])
        if self._unindexed.pop(key, -1) < 0:
            self._index.remove(key)
        self.tell_universes(np.array([row]), np.array([self.windows.unfolded_frames(row)]))
        self.windows.forget(row)
        self.live[row] = False
        self.remove(row)
        self.sources.streams[source] -= 1
        self.universes.streams[universe] -= 1
        if self.universes.streams[universe] == 0 and self.universes.declared[universe] < 0:
            self.universes.forget(universe)

    def tell_universes(self, rows: NDArray[np.intp], frames: NDArray[Any]) -> None:
        """Bring universes and sources up to what these streams know. frames: how many are new of each."""
        universes, of = self.universes, self.universe[rows]
        alone = not np.count_nonzero(np.bincount(of) > 1)
        if alone:
            # One stream on each universe, as in most houses: plain indexing is ten times as fast.
            universes.frames[of] += frames.astype(np.uint64)
        else:
            np.add.at(universes.frames, of, frames.astype(np.uint64))
        for name in ("last_frame_ns", "last_arrival_ns", "last_change_ns", "last_preview_ns"):
            latest, column = getattr(self, name)[rows], getattr(universes, name)
            if alone:
                column[of] = np.maximum(column[of], latest)
            else:
                np.maximum.at(column, of, latest)
        first = self.first_frame_ns[rows]
        fresh = ((first > 0) & (universes.first_frame_ns[of] == 0)).nonzero()[0]
        if len(fresh):
            earliest = np.full(universes.capacity, np.iinfo(np.int64).max)
            np.minimum.at(earliest, of[fresh], first[fresh])
            universes.first_frame_ns[of[fresh]] = earliest[of[fresh]]
        np.maximum.at(self.sources.last_seen_ns, self.source[rows], self.last_packet_ns[rows])

    def tell_gaps(self) -> None:
        """Once a second: a universe's gap is the shortest of the longest gaps of its live streams."""
        rows = self.live[: self.top].nonzero()[0]
        if not len(rows):
            return
        shortest = np.full(self.universes.capacity, np.iinfo(np.int64).max)
        gaps_ns = self.windows.gaps_of_this_second_us()[rows].astype(np.int64) * 1000
        np.minimum.at(shortest, self.universe[rows], gaps_ns)
        known = shortest < np.iinfo(np.int64).max
        longest = self.universes.minute_gap_ns
        longest[known] = np.maximum(longest[known], shortest[known])

    @property
    def is_crowded(self) -> bool:
        """Whether there are so many streams or sources that a flood may have left some of them."""
        return max(self.filled, self.sources.filled) > MOST_BRIEF or bool(self.sources.crowds)
