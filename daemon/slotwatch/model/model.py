"""The model: everything that is known of streams, sources and universes, moved on by packets and by time.

Time only enters as the packets' own stamps and through `advance`. Splitting the same packets into other
batches gives the same state.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from slotwatch.house.schema import House
from slotwatch.model import cadence, control, forgetting, minute_intervals
from slotwatch.model.admission import MOST_BRIEF
from slotwatch.model.ahead import BRIEF_BUCKETS, MINUTE, Ahead
from slotwatch.model.arrivals import Arrivals
from slotwatch.model.continuations import CompiledPass, may_be_routine
from slotwatch.model.counters import PacketCounters
from slotwatch.model.legs import one_source_each
from slotwatch.model.newcomers import Newcomers
from slotwatch.model.occasions import Occasions
from slotwatch.model.part import by_kind
from slotwatch.model.sources import Sources
from slotwatch.model.stage import Stage
from slotwatch.model.streams import Streams
from slotwatch.model.universes import Universes
from slotwatch.model.windows import BUCKET_NS, SECOND
from slotwatch.snapshot.slot_owners import SlotOwners
from slotwatch.wire.batch import Batch
from slotwatch.wire.fields import Fields

FEW_TURNS = 4
PART_ROWS = 1024
"""Rows worked on at once, about: their levels (twice 0.5 MiB) stay in a processor's cache from step to step."""


class Model:
    """Tables `streams`, `universes`, `sources`; facts `occasions`; counts `counters`.

    Rows are used again: keep a row over time only together with its `generation`.
    """

    def __init__(
        self, house: House, now_ns: int, compiled: CompiledPass | None = None, stage: Stage | None = None
    ) -> None:
        """stage: what follows the lights; made of the house if it is not given."""
        self.house = house
        self.now_ns = now_ns
        self.started_ns = now_ns
        self.revision = 0
        """Rises with every change of what rules may read, but for the counts of the last seconds."""
        self._reported_revision = self._named_of = -1
        self.universes = Universes(house)
        self.sources = Sources(house)
        self.streams = Streams(self.universes, self.sources, now_ns, compiled)
        self.counters = PacketCounters()
        self.occasions = Occasions(self.sources, house)
        self.newcomers = Newcomers(self.streams, now_ns)
        self._arrivals = Arrivals(self.streams, self.newcomers, self.counters, compiled)
        self.intervals = None if compiled is None else compiled.intervals
        """Compiled figures of intervals, where they are there."""
        self.compiled_levels = None if compiled is None else compiled.levels
        self.stage = stage or Stage(house, compiled)
        self._arrivals.watch(self.stage.tap)
        self._brief = forgetting.BriefLooks(self.streams)
        self._ahead = Ahead(self.streams, self.occasions, self.counters, self._arrivals, self.stage, self._brief)
        self._empty_rows = forgetting.EmptyRows()
        self._bucket = now_ns // BUCKET_NS
        self._winning: tuple[NDArray[np.uint8], SlotOwners] | None = None
        self._winning_of = (-1, -1)
        self._first_legs: dict[int, int] = {}
        self._first_legs_of = (-1, -1)

    def ingest(self, batch: Batch, fields: Fields) -> None:
        """Take many packets with their decoded fields, in order of arrival."""
        rows = len(batch)
        if not rows:
            return
        self.revision += 1
        self.counters.take(batch, fields)
        if np.count_nonzero(fields.status):
            self.occasions.take_rejected(batch, np.flatnonzero(fields.status))
        buckets = np.maximum.accumulate(batch.t_ns) // BUCKET_NS
        pieces = max(1, round(rows / PART_ROWS))
        edges = {rows * piece // pieces for piece in range(pieces)}
        if buckets[-1] > self._bucket and buckets[0] != buckets[-1]:
            edges.update((np.flatnonzero(buckets[1:] != buckets[:-1]) + 1).tolist())
        starts = sorted(edges)
        parts = list(zip(starts, [*starts[1:], rows], strict=True))
        slotted, others = by_kind(batch, fields, self.counters.start_codes)
        for first, end in parts:
            # What comes in a new bucket is judged after the windows and timeouts were brought there.
            if buckets[first] > self._bucket:
                self._move_to(int(buckets[first]) * BUCKET_NS)
            if slotted is None:
                self._arrivals.take(batch, fields, slice(first, end))
            elif len(parts) == 1:
                if len(slotted):
                    self._arrivals.take(batch, fields, slotted)
            else:
                low, high = slotted.searchsorted((first, end))
                if high > low:
                    self._arrivals.take(batch, fields, slotted[low:high])
        if others is not None and len(others):
            self.occasions.take(batch, fields, others)

    def take_routine(self, batch: Batch) -> Iterator[Batch]:
        """Take routine packets (`model.continuations`), yield the others: `ingest` each before the next."""
        if self._arrivals.continuations is None or not len(batch) or not may_be_routine(batch):
            yield batch
            return
        if len(batch) == 1 and not np.count_nonzero(self.streams.live[: self.streams.top]):
            yield batch  # what is routine continues a live stream
            return
        self.revision += 1
        buckets = np.maximum.accumulate(batch.t_ns) // BUCKET_NS
        edges = (np.flatnonzero(buckets[1:] != buckets[:-1]) + 1).tolist()
        for first, end in pairwise([0, *edges, len(batch)]):
            if buckets[first] > self._bucket:
                self._move_to(int(buckets[first]) * BUCKET_NS)
            others = self._arrivals.take_routine(batch, first, end)
            if len(others):
                # Views where they lie together.
                low, high = int(others[0]), int(others[-1]) + 1
                yield batch.part(slice(low, high) if high - low == len(others) else others)

    def soonest_loss_ns(self) -> int | None:
        """When the first of the live streams is lost if no more packets come; None: no stream is live."""
        return self._ahead.soonest_loss_ns()

    def holds_until_ns(self) -> int:
        """Until when nothing that rules read changes if nothing comes, but for counts of the last seconds; its own
        time where that is not known."""
        return self._ahead.holds_until_ns(self.now_ns, self._bucket, may_name=self._may_name)

    def forgets_at_rest_ns(self, longest_gap_ns: int) -> int | None:
        """When something is forgotten while all live streams continue; None if more may change than that.

        longest_gap_ns: between two packets of one stream.
        """
        return self._ahead.forgets_at_rest_ns(self.now_ns, longest_gap_ns)

    def advance(self, now_ns: int) -> None:
        """Bring windows, timeouts, winners, universes and sources up to now. Earlier times change nothing."""
        if now_ns < self.now_ns:
            return
        self._move_to(now_ns)
        if self._reported_revision == self.revision:
            return
        self._reported_revision = self.revision
        rows = self.streams.rows()
        if len(rows):
            self.streams.tell_universes(rows, self.streams.windows.take_unreported(rows))

    def _move_to(self, now_ns: int) -> None:
        """Do all of `advance` that what comes next depends on."""
        if now_ns < self.now_ns:
            return
        self.now_ns = now_ns
        bucket = now_ns // BUCKET_NS
        self.streams.windows.fold()
        self._arrivals.restarts.settle(now_ns)
        self._turn_to(bucket)
        self._bucket = bucket
        self.streams.windows.fold_gaps()
        self._find_lost(now_ns)
        if self._arrivals.winners_stale:
            self._arrivals.winners_stale = False
            control.settle(self.streams)
        self.stage.advance(self, now_ns)

    def _turn_to(self, bucket: int) -> None:
        """Begin every bucket up to this one in which anything changes."""
        windows, each = self.streams.windows, self._bucket + 1
        if windows.are_empty_at(bucket) and self._only_forgets:
            self._skip_to(bucket)
            return
        may_be_empty = True
        while each <= bucket:
            left = bucket + 1 - each
            if may_be_empty and windows.are_empty_at(each - 1):
                if self._only_forgets:
                    self._bucket = each - 1
                    self._skip_to(bucket)
                    return
                if left > MINUTE and not self.streams.is_crowded:
                    # What live streams are owed is worked out in the last minute: skip whole seconds.
                    skipped = (left - MINUTE) // SECOND * SECOND
                    windows.pass_over(skipped)
                    each += skipped
            # A leap costs as much to plan as a few turns do.
            over = (
                min(self._ahead.next_work(each, may_name=self._may_name), bucket + 1) - each if left > FEW_TURNS else 0
            )
            may_be_empty = over > 0
            if over > 0:
                windows.pass_over(over)
                each += over
            else:
                self._turn(each)
                each += 1

    def _turn(self, each: int) -> None:
        """Begin a bucket."""
        windows = self.streams.windows
        before = self._ahead.kept
        if each % SECOND == 0:
            self.streams.tell_gaps()
        windows.turn()
        self.revision += self._each_bucket(each) or self._ahead.kept != before

    def leap_over_rest(self, batch: Batch, fields: Fields) -> None:
        """Take packets of live streams that only repeat themselves, as if they all came now; then go to their end.

        Counts of the last seconds are empty afterwards. The batch must hold less of each stream than a bucket can.
        """
        self.revision += 1
        self.counters.take(batch, fields)
        for first in range(0, len(batch), PART_ROWS):
            self._arrivals.take(batch, fields, slice(first, min(first + PART_ROWS, len(batch))))
        self.streams.windows.fold()
        self.now_ns = int(batch.t_ns[-1])
        self._bucket = self.now_ns // BUCKET_NS
        self.streams.windows.empty(self._bucket)

    def _skip_to(self, bucket: int) -> None:
        """Leap to a bucket at which no window holds anything any more, where memory runs out until then and no more."""
        before = self._ahead.kept
        self.streams.windows.run_out(bucket)
        if bucket // SECOND > self._bucket // SECOND:
            self.sources.lists.expire(self.sources.about, bucket // SECOND * SECOND * BUCKET_NS)
        each, last = self._bucket, bucket // BRIEF_BUCKETS * BRIEF_BUCKETS
        while each < last:
            each = min(self._ahead.next_brief_look(each), last)
            self._forget_brief(each * BUCKET_NS)
        if bucket // MINUTE > self._bucket // MINUTE:
            forgetting.forget_old(self.streams, bucket // MINUTE * MINUTE * BUCKET_NS)
        self.revision += self._ahead.kept != before
        self._bucket = bucket

    def _each_bucket(self, bucket: int) -> bool:
        """Do what is due at the start of a bucket; returns whether percentiles or norms changed."""
        streams = self.streams
        live = streams.live[: streams.top].nonzero()[0]
        due = cadence.due_for_percentiles(streams, live, bucket)
        changed = len(due) > 0 and bool(cadence.are_behind(streams, due).any())
        if len(due):
            cadence.work_out_percentiles(streams, due, self.intervals)
            minute_intervals.take_new(streams, due, self.intervals)
        if bucket % SECOND == 0:
            changed |= cadence.learn_norms(streams, bucket * BUCKET_NS)
            self.sources.lists.expire(self.sources.about, bucket * BUCKET_NS)
            self._name_sources()
        if bucket % BRIEF_BUCKETS == 0:
            self._forget_brief(bucket * BUCKET_NS)
        if bucket % MINUTE == 0:
            forgetting.forget_old(streams, bucket * BUCKET_NS)
        return changed

    @property
    def _only_forgets(self) -> bool:
        """Whether nothing is live and no source may get another name: only windows and memory run out in time."""
        return not self._may_name and not np.count_nonzero(self.streams.live[: self.streams.top])

    @property
    def _may_name(self) -> bool:
        """Whether a source may get another name from the nodes that are known; of many some may be forgotten."""
        nodes = self.occasions.nodes
        return bool(nodes) and (self._named_of != self.revision or len(nodes) > MOST_BRIEF)

    def _name_sources(self) -> None:
        if self._may_name:
            self.occasions.name_sources(self._numbers_of)
            self.revision += 1
            self._named_of = self.revision

    def _forget_brief(self, now_ns: int) -> None:
        self._brief.look(now_ns)
        forgetting.forget_left(self.streams, now_ns)
        self.occasions.forget_brief(now_ns)
        self._empty_rows.look(self.streams)

    def first_legs(self) -> dict[int, int]:
        """Of each row of the source table, the first row of the source that it is a leg of; at most a second old."""
        moment = (self._bucket // SECOND, len(self.sources.rows()))
        if self._first_legs_of != moment:
            self._first_legs_of = moment
            rows = {row: self.sources[row] for row in self.sources.rows().tolist()}
            self._first_legs = one_source_each(rows, self._universes_of)
        return self._first_legs

    def _universes_of(self, source: int) -> frozenset[tuple[int, int]]:
        streams, top = self.streams, self.streams.top
        rows = np.flatnonzero(streams.used[:top] & (streams.source[:top] == source))
        return frozenset(zip(streams.protocol[rows].tolist(), streams.number[rows].tolist(), strict=True))

    def _numbers_of(self, source: int) -> set[int]:
        """Numbers of the universes that a row of the source table sends or sent."""
        return {number for _, number in self._universes_of(source)}

    def _find_lost(self, now_ns: int) -> None:
        streams = self.streams
        top = streams.top
        silent = streams.live[:top] & (now_ns - streams.last_arrival_ns[:top] > streams.timeout_ns[:top])
        rows = silent.nonzero()[0]
        if len(rows):
            streams.lost_ns[rows] = streams.last_arrival_ns[rows] + streams.timeout_ns[rows]
            streams.live[rows] = False
            self._arrivals.winners_stale = True
        self._arrivals.winners_stale |= self._arrivals.endings.settle(now_ns)
        self.revision += self._arrivals.winners_stale

    def take_house(self, house: House) -> None:
        """Take a new declaration; what was heard is kept."""
        self.house = house
        self.revision += 1
        for row in self.universes.take_house(house, self.now_ns):
            self.universes.forget(row)
        self.sources.take_house(house)
        self.occasions.take_house(house)
        self.stage.take_house(house)
        self._arrivals.watch(self.stage.tap)
        rows = self.streams.rows()
        self.streams.timeout_ns[rows] = self.universes.loss_timeout_ns[self.streams.universe[rows]]
        self._arrivals.winners_stale = True

    def winner_levels(self, universe_rows: NDArray[np.intp]) -> tuple[NDArray[np.uint8], SlotOwners]:
        """What a conforming receiver of each universe row would show, (U, 512), and the streams that win their slots.
        As of the last `advance`."""
        return control.winner_levels(self.streams, universe_rows)

    @property
    def levels(self) -> NDArray[np.uint8]:
        """(U, 512) winning levels of every universe row, at most 100 ms old."""
        return self._shown()[0]

    @property
    def slot_owners(self) -> SlotOwners:
        """The stream rows that win each slot, of the same moment as `levels`."""
        return self._shown()[1]

    def _shown(self) -> tuple[NDArray[np.uint8], SlotOwners]:
        moment = (self._bucket, self.universes.top)
        if self._winning is None or self._winning_of != moment:
            self._winning = self.winner_levels(np.arange(self.universes.top))
            self._winning_of = moment
        return self._winning

    def percentiles(self, stream_rows: NDArray[np.intp]) -> None:
        """Bring the interval percentiles of these streams up to date at once (else within 2 s)."""
        cadence.work_out_percentiles(self.streams, stream_rows, self.intervals)

    def note_group(self, network: int, universe: int, joined: int, left_ns: int = 0) -> None:
        """Keep whether an E1.31 universe's group is joined (1), could not be (-1), or was left (0) and when."""
        self.revision += 1
        self.universes.note_group(network, universe, joined, left_ns)

    def forget_undecided(self) -> None:
        """Forget what is missing of series whose step is not known yet: this computer has just lost packets."""
        self.revision += 1
        self.streams.series_pending[:] = 0

    @property
    def evictions(self) -> Counter[str]:
        """Rows forgotten to make room, by table."""
        total = self.counters.evictions + self.streams.evictions + self.occasions.evictions
        total["sources"] += self.sources.evicted
        return total

    @property
    def unkept(self) -> Counter[str]:
        """Packets counted but not kept, by the bound that was reached."""
        total = self.counters.unkept + self.streams.unkept + self.occasions.unkept
        total["lists"] += self.sources.lists.refused
        return total
