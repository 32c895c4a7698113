"""One pass over the packets of a batch that carry slots: who lives, who died, what else they say."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from slotwatch.model import windows
from slotwatch.model.counters import Counters
from slotwatch.model.frames import Frames
from slotwatch.model.segments import Rows, Segments
from slotwatch.model.sequence import Verdict
from slotwatch.model.series import SeriesOfStreams
from slotwatch.model.sources import NAME_AGAIN_NS
from slotwatch.model.streams import Streams
from slotwatch.wire.batch import Batch
from slotwatch.wire.fields import OPTION_PREVIEW, OPTION_TERMINATED, Fields, Kind
from slotwatch.wire.universe import Protocol

_NOT_LIVE = OPTION_PREVIEW | OPTION_TERMINATED


class Arrivals:
    """Moves streams and universes on by a batch. Holds no state of its own but whether winners may differ."""

    def __init__(self, streams: Streams, counters: Counters) -> None:
        self.streams, self.universes = streams, streams.universes
        self._series = SeriesOfStreams(streams)
        self._frames = Frames(streams, counters)
        self.winners_stale = True
        """Who is live, at which priority, with how many slots: something of it changed."""

    def take(self, batch: Batch, fields: Fields, at: Rows) -> None:
        """Take the rows `at` of a batch: accepted packets that carry slots, in order of arrival."""
        found = self.streams.find(batch, fields, at)
        if (found < 0).any():
            at, found = at[found >= 0], found[found >= 0]
        if not len(at):
            return
        order = np.argsort(found.astype(np.uint16), kind="stable")
        stream: Rows = found[order].astype(np.intp)
        at = at[order]
        t_ns = batch.t_ns[at]
        kind, options = fields.kind[at], fields.options[at]
        segments = Segments(stream)
        is_levels = kind == Kind.LEVELS
        verdict = self._series.judge(batch, fields, at, stream, segments, t_ns, options)
        used = (verdict == Verdict.ACCEPT) | (verdict == Verdict.REPEAT_OBEYED)
        live = (options & _NOT_LIVE) == 0
        fresh = self._live_and_die(
            stream, segments, t_ns, is_levels & live, used & ((options & OPTION_TERMINATED) != 0)
        )
        self._note_packets(batch, fields, at, segments, t_ns, options, used)
        if not live.all():
            self._note_set_apart(stream, t_ns, options)
        framing = used & live
        frames = framing & is_levels
        if frames.all():
            resized = self._frames.take(batch, fields, at, stream, segments, t_ns, fresh)
            self.winners_stale |= resized
        elif frames.any():
            kept = np.flatnonzero(frames)
            some = stream[kept]
            resized = self._frames.take(batch, fields, at[kept], some, Segments(some), t_ns[kept], fresh[kept])
            self.winners_stale |= resized
        priorities = framing & (kind == Kind.SLOT_PRIORITY)
        if priorities.any():
            kept = np.flatnonzero(priorities)
            self._frames.take_slot_priorities(batch, fields, at[kept], stream[kept], t_ns[kept])

    # --- life -------------------------------------------------------------------------------------------

    def _live_and_die(
        self,
        stream: Rows,
        segments: Segments,
        t_ns: NDArray[np.int64],
        arrives: NDArray[np.bool_],
        ends: NDArray[np.bool_],
    ) -> NDArray[np.bool_]:
        """Bring lives up to date. Returns the frames with which a stream's life began (anew)."""
        table = self.streams
        if not ends.any() and arrives.all():
            first, last, rows = segments.starts, segments.lasts, segments.rows
            fresh = np.zeros(len(stream), np.bool_)
            begins = ~table.live[rows] | (t_ns[first] - table.last_arrival_ns[rows] > table.timeout_ns[rows])
            fresh[first] = begins
            self._set_lives(rows, rows[begins], t_ns[first][begins])
            self._note_arrivals(rows, t_ns[last])
            return fresh
        return self._live_and_die_mixed(stream, t_ns, arrives, ends)

    def _live_and_die_mixed(
        self, stream: Rows, t_ns: NDArray[np.int64], arrives: NDArray[np.bool_], ends: NDArray[np.bool_]
    ) -> NDArray[np.bool_]:
        table = self.streams
        fresh = np.zeros(len(stream), np.bool_)
        events = np.flatnonzero(arrives | ends)
        if not len(events):
            return fresh
        segments = Segments(stream[events])
        times, ending = t_ns[events], ends[events]
        first, last, rows = segments.starts, segments.lasts, segments.rows
        begins = np.zeros(len(events), np.bool_)
        begins[1:] = ending[:-1]
        begins[first] = ~table.live[rows] | (times[first] - table.last_arrival_ns[rows] > table.timeout_ns[rows])
        begins &= ~ending
        fresh[events] = begins
        begun = np.flatnonzero(begins)
        was_live = table.live[rows].copy()
        self._set_lives(rows, stream[events][begun], times[begun])
        arrived = np.flatnonzero(~ending)
        if len(arrived):
            parts = Segments(stream[events][arrived])
            self._note_arrivals(parts.rows, times[arrived][parts.lasts])
        ended = ending[last]
        gone = rows[ended]
        if len(gone):
            new = was_live[ended] | (table.lost_ns[gone] == 0)
            table.lost_ns[gone[new]] = times[last][ended][new]
            table.live[gone] = False
            table.chain_ns[gone] = 0
            self.winners_stale = True
        return fresh

    def _set_lives(self, rows: Rows, begun: Rows, since_ns: NDArray[np.int64]) -> None:
        if len(begun):
            self.winners_stale = True
            table = self.streams
            table.since_ns[begun] = since_ns
            table.live[begun], table.lost_ns[begun], table.chain_ns[begun] = True, 0, 0

    def _note_arrivals(self, rows: Rows, last_ns: NDArray[np.int64]) -> None:
        table, universes = self.streams, self.universes
        table.last_arrival_ns[rows] = np.maximum(table.last_arrival_ns[rows], last_ns)
        np.maximum.at(universes.last_arrival_ns, table.universe[rows], last_ns)

    # --- everything that a packet says beside levels ----------------------------------------------------

    def _note_packets(
        self,
        batch: Batch,
        fields: Fields,
        at: Rows,
        segments: Segments,
        t_ns: NDArray[np.int64],
        options: NDArray[np.uint8],
        used: NDArray[np.bool_],
    ) -> None:
        table, rows = self.streams, segments.rows
        last = segments.lasts
        table.packets[rows] += segments.counts.astype(np.uint64)
        table.windows.add(windows.PACKETS, rows, segments.counts)
        table.last_packet_ns[rows] = np.maximum(table.last_packet_ns[rows], t_ns[last])
        table.options[rows] = options[last]
        priority = fields.priority[at[last]]
        if (table.priority[rows] != priority).any():
            table.priority[rows] = priority
            self.winners_stale = True
        if used.all():
            table.last_accepted_ns[rows] = t_ns[last]
            table.last_accepted_levels[rows] = fields.kind[at[last]] == Kind.LEVELS
        sources, source = table.sources, table.source[rows]
        np.maximum.at(sources.last_seen_ns, source, t_ns[last])
        if fields.odd.any():
            np.bitwise_or.at(sources.odd, source, np.bitwise_or.reduceat(fields.odd[at], segments.starts))
        due = t_ns[last] - sources.name_read_ns[source] >= NAME_AGAIN_NS
        if due.any():
            self._read_names(batch, at[last[due]], rows[due])
        self._note_destinations(batch, at, segments, t_ns)

    def _read_names(self, batch: Batch, at: Rows, rows: Rows) -> None:
        table, sources = self.streams, self.streams.sources
        which, firsts = np.unique(table.source[rows], return_index=True)
        for source, first in zip(which.tolist(), firsts.tolist(), strict=True):
            index = int(at[first])
            t_ns = int(batch.t_ns[index])
            if sources.protocol[source] == Protocol.E131:
                sources.read_name(source, batch.data[index, 44:108].tobytes(), t_ns)
            else:
                sources.name_read_ns[source] = t_ns

    def _note_destinations(self, batch: Batch, at: Rows, segments: Segments, t_ns: NDArray[np.int64]) -> None:
        """Tell own group, other group, broadcast and unicast apart; looked at only where it changes."""
        table = self.streams
        low = np.ascontiguousarray(batch.dst).view("<u8")[:, 1][at]
        stream = segments.rows if segments.single else np.repeat(segments.rows, segments.counts)
        watch = (low != table.last_destination[stream]) | (table.destination_kind[stream] == 2)
        for place in np.flatnonzero(watch).tolist():
            row = int(stream[place])
            kind, universe = destination(batch.dst[at[place]].tobytes(), int(table.number[row]))
            if table.protocol[row] != Protocol.E131 and kind in (1, 2):
                kind, universe = 4, 0
            table.last_destination[row] = low[place]
            table.destination_kind[row], table.destination_universe[row] = kind, universe
            if kind == 2:
                table.last_wrong_group_ns[row] = t_ns[place]

    def _note_set_apart(self, stream: Rows, t_ns: NDArray[np.int64], options: NDArray[np.uint8]) -> None:
        """Count preview and terminated packets: they keep nothing alive."""
        table, universes = self.streams, self.universes
        preview = np.flatnonzero(options & OPTION_PREVIEW)
        if len(preview):
            np.add.at(table.preview, stream[preview], np.uint64(1))
            np.maximum.at(table.last_preview_ns, stream[preview], t_ns[preview])
            np.maximum.at(universes.last_preview_ns, table.universe[stream[preview]], t_ns[preview])
        ended = np.flatnonzero(options & OPTION_TERMINATED)
        if len(ended):
            np.add.at(table.terminated, stream[ended], np.uint64(1))
            np.maximum.at(table.last_terminated_ns, stream[ended], t_ns[ended])


def destination(address: bytes, universe: int) -> tuple[int, int]:
    """Tell what a destination address is: `destination_kind` and the universe of its group.

    Source: ANSI E1.31-2018 9.3.1 (239.255.hi.lo) and 9.3.2 (ff18::8300:hhll). A directed broadcast
    (10.255.255.255) cannot be told from unicast without the interface's mask and is taken for unicast.
    """
    if not any(address):
        return 0, 0
    if address[:12] == bytes(10) + b"\xff\xff":
        if address[12:14] == b"\xef\xff":
            group = address[14] << 8 | address[15]
            return (1 if group == universe else 2), group
        if address[12:] == b"\xff\xff\xff\xff":
            return 3, 0
        return (2, 0) if 224 <= address[12] < 240 else (4, 0)
    if address[:2] == b"\xff\x18" and address[12:14] == b"\x83\x00":
        group = address[14] << 8 | address[15]
        return (1 if group == universe else 2), group
    return (2, 0) if address[0] == 0xFF else (4, 0)
