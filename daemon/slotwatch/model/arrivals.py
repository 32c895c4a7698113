"""One pass over the packets of a batch that carry slots: which streams are live, which ended, and what else they
say."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from slotwatch.model import windows
from slotwatch.model.continuations import CompiledPass, Continuations
from slotwatch.model.counters import PacketCounters
from slotwatch.model.destinations import Destination, destinations, is_multicast
from slotwatch.model.endings import Endings
from slotwatch.model.frames import Frames
from slotwatch.model.lighttap import LightTap
from slotwatch.model.newcomers import Newcomers
from slotwatch.model.part import LEVELS, SLOT_PRIORITY, Part
from slotwatch.model.segments import Rows, Segments
from slotwatch.model.sequence import SequenceVerdict
from slotwatch.model.series import SeriesOfStreams
from slotwatch.model.sources import NAME_AGAIN_NS
from slotwatch.model.streams import Streams
from slotwatch.wire.batch import Batch
from slotwatch.wire.fields import OPTION_PREVIEW, OPTION_TERMINATED, Fields
from slotwatch.wire.universe import Protocol

_NOT_LIVE = OPTION_PREVIEW | OPTION_TERMINATED
_E131 = int(Protocol.E131)
IN_TURN_NS = 1_500_000_000
"""Idle sources send once a second (ANSI E1.31-2018 6.6.2): to each address of a sender with several."""
MOST_DESTINATIONS = 8


class Arrivals:
    """Moves the streams on by a batch."""

    def __init__(
        self, streams: Streams, newcomers: Newcomers, counters: PacketCounters, compiled: CompiledPass | None = None
    ) -> None:
        self.streams, self.universes = streams, streams.universes
        self._newcomers = newcomers
        self._series = SeriesOfStreams(streams)
        self.restarts = self._series.restarts
        self._frames = Frames(streams, counters)
        self.continuations = Continuations(streams, counters, compiled) if compiled is not None else None
        self.endings = Endings(streams)
        self.winners_stale = True
        """Something changed of which streams are live, their priorities or their numbers of slots."""
        self._wrong_groups = False
        self._destinations: dict[int, dict[int, int]] = {}
        """Of streams whose packets go to several addresses in turn: each address and when it was last seen."""

    def watch(self, tap: LightTap | None) -> None:
        """Give every frame's levels of a few slots to this tap."""
        self._frames.tap = tap

    def take(self, batch: Batch, fields: Fields, rows: Rows | slice) -> None:
        """Take these rows of a batch: accepted packets that carry slots, in order of arrival."""
        found = self._newcomers.find(batch, fields, rows)
        order = np.argsort(found.astype(np.uint16), kind="stable")
        if isinstance(rows, slice):
            at = order + (rows.start or 0)
        else:
            at = rows[order]
        stream: Rows = found[order].astype(np.intp)
        if np.count_nonzero(found < 0):
            at, stream = at[stream >= 0], stream[stream >= 0]
        if not len(at):
            return
        part = Part(batch, fields, at, stream)
        plain = not np.count_nonzero(part.options) and bool((part.kind == LEVELS).all())
        verdict = self._series.judge(part)
        if plain:
            self._take_plain(part, verdict)
        else:
            self._take_mixed(part, verdict)
        if self.continuations is not None:
            self.continuations.learn(part, None if verdict is None else verdict == SequenceVerdict.ACCEPT)

    def take_routine(self, batch: Batch, first: int, end: int) -> Rows:
        """Take the routine packets among these rows. Returns the others."""
        if self.continuations is None:
            return np.arange(first, end)
        tap = self._frames.tap if self._frames.tap is not None and self._frames.tap.may_be_laid_out else None
        taken = self.continuations.take(batch, first, end, tap)
        self._frames.take_gaps(taken.gaps)
        if tap is None:
            self._frames.show(batch, taken.at, taken.stream)
        return taken.others

    def _take_plain(self, part: Part, verdict: NDArray[np.uint8] | None) -> None:
        """Take levels alone, without any option."""
        segments = part.segments
        fresh = self._live_on(part)
        self._note_packets(part)
        if verdict is None:
            self.winners_stale |= self._frames.take(part, fresh)
            return
        kept = np.flatnonzero((verdict == SequenceVerdict.ACCEPT) | (verdict == SequenceVerdict.REPEAT_OBEYED))
        if len(kept) < len(verdict):
            counts = segments.sums((verdict != SequenceVerdict.ACCEPT) & (verdict != SequenceVerdict.REPEAT_OBEYED))
            self.streams.windows.add(windows.OTHERS, segments.rows, counts)
        if len(kept):
            self.winners_stale |= self._frames.take(part.pick(kept), None if fresh is None else fresh[kept])

    def _take_mixed(self, part: Part, verdict: NDArray[np.uint8] | None) -> None:
        """Take whatever carries slots: preview, last packets, other start codes among it."""
        segments, options = part.segments, part.options
        is_levels = part.kind == LEVELS
        used, unfit = np.ones(len(options), np.bool_), np.zeros(len(options), np.bool_)
        if verdict is not None:
            used = (verdict == SequenceVerdict.ACCEPT) | (verdict == SequenceVerdict.REPEAT_OBEYED)
            unfit = verdict == SequenceVerdict.UNFIT
        live = (options & _NOT_LIVE) == 0
        ends = used & ((options & OPTION_TERMINATED) != 0)
        if (ends | unfit).any():
            ends = self.endings.believe(part.stream, part.t_ns, ends, unfit, is_levels & live)
        fresh = self._live_and_die(part.stream, part.t_ns, is_levels & live, ends)
        if ends.any():
            self.endings.date()
        self._note_packets(part)
        self._note_set_apart(part.stream, part.t_ns, options, ends)
        frames = used & live & is_levels
        self.streams.windows.add(windows.OTHERS, segments.rows, segments.sums(~frames))
        kept = np.flatnonzero(frames)
        if len(kept):
            self.winners_stale |= self._frames.take(part.pick(kept), fresh[kept])
        kept = np.flatnonzero(used & live & (part.kind == SLOT_PRIORITY))
        if len(kept):
            self._frames.take_slot_priorities(part.pick(kept))

    # --- life -------------------------------------------------------------------------------------------

    def _live_on(self, part: Part) -> NDArray[np.bool_] | None:
        """Keep streams of plain levels alive. Returns the frames with which a life began (again), if any did."""
        table, segments = self.streams, part.segments
        rows, first_ns = segments.rows, segments.first(part.t_ns)
        begins = first_ns - table.last_arrival_ns[rows] > table.timeout_ns[rows]
        begins |= ~table.live[rows]
        table.last_arrival_ns[rows] = segments.last(part.t_ns)
        begun = begins.nonzero()[0]
        if not len(begun):
            return None
        fresh = np.zeros(len(part.t_ns), np.bool_)
        fresh[segments.starts[begun]] = True
        self._set_lives(rows[begun], first_ns[begun])
        return fresh

    def _live_and_die(
        self, stream: Rows, t_ns: NDArray[np.int64], arrives: NDArray[np.bool_], ends: NDArray[np.bool_]
    ) -> NDArray[np.bool_]:
        """The same where streams end in between. arrives: live levels, accepted or not; ends: last packets."""
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
        self._set_lives(stream[events][begun], times[begun])
        arrived = np.flatnonzero(~ending)
        if len(arrived):
            parts = Segments(stream[events][arrived])
            table.last_arrival_ns[parts.rows] = times[arrived][parts.lasts]
        ended = ending[last]
        gone = rows[ended]
        if len(gone):
            # It ended with the first of the last packets that no frame followed.
            latest = np.maximum.accumulate(np.where(ending, -1, np.arange(len(events))))[last[ended]]
            since = np.maximum(latest + 1, first[ended])
            new = was_live[ended] | (table.lost_ns[gone] == 0) | (since > first[ended])
            table.lost_ns[gone[new]] = times[since[new]]
            table.live[gone] = False
            self.winners_stale = True
        return fresh

    def _set_lives(self, begun: Rows, since_ns: NDArray[np.int64]) -> None:
        if len(begun):
            self.winners_stale = True
            table = self.streams
            table.since_ns[begun] = since_ns
            table.live[begun], table.lost_ns[begun] = True, 0

    # --- everything that a packet says beside levels ----------------------------------------------------

    def _note_packets(self, part: Part) -> None:
        table, segments, fields = self.streams, part.segments, part.fields
        rows, last_ns = segments.rows, segments.last(part.t_ns)
        table.last_packet_ns[rows] = last_ns
        options = segments.last(part.options)
        if np.count_nonzero(table.options[rows] != options):
            table.options[rows] = options
        priority = fields.priority[segments.last(part.at)]
        if np.count_nonzero(table.priority[rows] != priority):
            table.priority[rows] = priority
            self.winners_stale = True
        sources, source = table.sources, table.source[rows]
        if np.count_nonzero(fields.odd):
            odd = fields.odd[part.at]
            np.bitwise_or.at(sources.odd, source, np.bitwise_or.reduceat(odd, segments.starts))
        due = last_ns - sources.name_read_ns[source] >= NAME_AGAIN_NS
        if np.count_nonzero(due):
            self._read_names(part.batch, segments.last(part.at)[due], rows[due])
        low = part.destinations
        watch = low != segments.before(low, table.last_destination[rows])
        if self._wrong_groups:
            watch[segments.starts[table.destination_kind[rows] == Destination.OTHER_GROUP]] = True
        if np.count_nonzero(watch):
            self._note_destinations(part, low, np.flatnonzero(watch))

    def _read_names(self, batch: Batch, at: Rows, rows: Rows) -> None:
        table, sources = self.streams, self.streams.sources
        firsts: dict[int, int] = {}
        for place, source in enumerate(table.source[rows].tolist()):
            firsts.setdefault(source, place)
        for source, first in sorted(firsts.items()):
            index = int(at[first])
            t_ns = int(batch.t_ns[index])
            if sources.protocol[source] == _E131:
                sources.read_name(source, batch.data[index, 44:108].tobytes(), t_ns)
            else:
                sources.name_read_ns[source] = t_ns

    def _note_destinations(self, part: Part, low: NDArray[np.uint64], places: Rows) -> None:
        """Note where streams are sent to; looked at only where it changes."""
        table = self.streams
        rows = part.stream[places]
        kinds, of = destinations(part.batch.dst[part.at[places]], table.number[rows])
        not_groups = (table.protocol[rows] != _E131) & is_multicast(kinds)
        kinds[not_groups], of[not_groups] = Destination.UNICAST, 0
        # Each holds until the next, or to the end of its stream's run.
        ends = np.minimum(np.r_[places[1:], len(low)], part.stream.searchsorted(rows, "right")) - 1
        single = np.r_[True, rows[1:] != rows[:-1]] & np.r_[rows[1:] != rows[:-1], True]
        # A new stream has one address until another comes.
        counted = ~single | (table.last_destination[rows] != 0)
        if self._destinations:
            counted |= np.isin(rows, list(self._destinations))
        for index in np.flatnonzero(counted).tolist():
            row, place = int(rows[index]), places[index]
            self._count_destinations(row, int(low[place]), int(part.t_ns[place]))
            table.last_destination[row] = low[place]
        table.last_destination[rows] = low[places]
        table.destination_kind[rows], table.destination_universe[rows] = kinds, of
        others = kinds == Destination.OTHER_GROUP
        if others.any():
            self._wrong_groups = True
            table.last_wrong_group_ns[rows[others]] = part.t_ns[ends[others]]
            table.wrong_group[rows[others]] = of[others]

    def _count_destinations(self, row: int, address: int, t_ns: int) -> None:
        table = self.streams
        before = self._destinations.get(row, {int(table.last_destination[row]): int(table.last_packet_ns[row])})
        now = {each: seen_ns for each, seen_ns in before.items() if t_ns - seen_ns <= IN_TURN_NS and each}
        now[address] = t_ns
        if len(now) < 2 or len(now) > MOST_DESTINATIONS or table.first_frame_ns[row] == 0:
            self._destinations.pop(row, None)
            return
        if row not in self._destinations:
            table.destinations_since_ns[row] = t_ns
        self._destinations[row] = now
        table.destinations[row], table.destinations_ns[row] = len(now), t_ns

    def _note_set_apart(
        self, stream: Rows, t_ns: NDArray[np.int64], options: NDArray[np.uint8], ends: NDArray[np.bool_]
    ) -> None:
        """Count preview and terminated packets: they keep nothing alive. ends: the last packets that are believed."""
        table = self.streams
        preview = np.flatnonzero(options & OPTION_PREVIEW)
        if len(preview):
            np.add.at(table.preview, stream[preview], np.uint64(1))
            np.maximum.at(table.last_preview_ns, stream[preview], t_ns[preview])
        ended = np.flatnonzero(options & OPTION_TERMINATED)
        if len(ended):
            np.add.at(table.terminated, stream[ended], np.uint64(1))
            np.maximum.at(table.last_terminated_ns, stream[ends], t_ns[ends])
