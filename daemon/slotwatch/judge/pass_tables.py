"""The model's tables in one pass, and how their rows belong together.

The only place that knows how the model's tables of sources and winners are laid out.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from functools import cached_property
from typing import cast

import numpy as np
from numpy.typing import NDArray

from slotwatch.durations import NANOSECONDS
from slotwatch.house.schema import DeclaredSource, DeclaredUniverse, House
from slotwatch.judge.model_view import ModelView, StreamColumns, UniverseColumns
from slotwatch.model.announced_ends import announced_ends
from slotwatch.model.legs import legs_of
from slotwatch.model.sources import Sources
from slotwatch.model.table import Table
from slotwatch.model.windows import BUCKET_NS
from slotwatch.snapshot import SourceRow
from slotwatch.snapshot.slot_owners import SlotOwners
from slotwatch.watched_time import TimeWatch, WatchedTime
from slotwatch.wire.universe import Protocol

Integers = NDArray[np.int64]


class Rows:
    """The first rows of a table's columns, each looked up once: `rows.last_frame_ns` has shape (count,)."""

    def __init__(self, table: Table) -> None:
        self.table, self.count, self._made = table, table.top, table.made
        self._by: dict[str, RowsBy] = {}
        self._by_of = -1
        """The table's turnover that those are of."""

    def are_of(self, table: Table) -> bool:
        """Whether they are what this table holds now."""
        return self.table is table and self.count == table.top and self._made == table.made

    def by(self, name: str) -> RowsBy:
        """Give the rows in use by the value of this column, which is set when a row is taken and stays as it is."""
        if self._by_of != self.table.turnover:
            self._by_of = self.table.turnover
            self._by.clear()
        rows = self._by.get(name)
        if rows is None:
            rows = self._by[name] = RowsBy(getattr(self.table, name)[: self.count], self.table.used[: self.count])
        return rows

    def __getattr__(self, name: str) -> object:
        column: object = getattr(self.table, name)[: self.count]
        self.__dict__[name] = column
        return column


def _rows_of(table: Table, earlier: object) -> Rows:
    return earlier if isinstance(earlier, Rows) and earlier.are_of(table) else Rows(table)


class SourceRows:
    """The model's table of sources, row by row; iteration gives the rows in use."""

    def __init__(self, table: Sources) -> None:
        self._table = table

    def __iter__(self) -> Iterator[int]:
        return iter(self._table.rows().tolist())

    def __getitem__(self, row: int) -> SourceRow:
        source: SourceRow = self._table[row]
        return source


class RowsBy:
    """The rows in use by the value of one column, sorted once: a wide fault asks thousands of times a pass."""

    def __init__(self, column: NDArray[np.int32], used: NDArray[np.bool_]) -> None:
        rows = used.nonzero()[0]
        self._order = rows[np.argsort(column[rows], kind="stable")]
        self._values = column[self._order].astype(np.int64)

    def of(self, value: int) -> Integers:
        """Rows with this value, ascending."""
        return self._order[self._values.searchsorted(value) : self._values.searchsorted(value, "right")]

    def of_each(self, values: Integers) -> tuple[Integers, Integers]:
        """Rows with each of these values, one value after the other, and how many rows each has."""
        first = self._values.searchsorted(values)
        counts = self._values.searchsorted(values, "right") - first
        places = np.arange(counts.sum()) + np.repeat(first - np.cumsum(counts) + counts, counts)
        return self._order[places], counts


class PassTables:
    """The tables of streams, universes and sources as one pass sees them."""

    def __init__(
        self,
        model: ModelView,
        house: House,
        *,
        now_ns: int,
        started_ns: int,
        revision: int | None = None,
        earlier: PassTables | None = None,
    ) -> None:
        """revision: rises with all but time that a condition may read; None: how long answers hold is not asked.

        earlier: the pass before, which has looked up columns already.
        """
        self.model = model
        self.house = house
        self.now_ns = now_ns
        """While a condition is asked how long its answer holds, a `WatchedTime`."""
        self.at_ns = now_ns
        """The same, always a plain number: for what is kept from pass to pass."""
        self.looked_ns = 0
        """When the condition that is asked looked before; 0: never."""
        self.started_ns = started_ns
        self.revision = revision
        self._moment: WatchedTime | None = None
        streams, universes = (None, None) if earlier is None else (earlier.streams, earlier.universes)
        self._stream_rows = _rows_of(model.streams, streams)
        self.streams: StreamColumns = cast(StreamColumns, self._stream_rows)
        self.universes: UniverseColumns = cast(UniverseColumns, _rows_of(model.universes, universes))
        self.sources = SourceRows(model.sources)

    @property
    def moment(self) -> WatchedTime:
        """The time, to be compared with by one condition. Most compare nothing, and the next gets the same one."""
        if self._moment is None or not self._moment.watch.is_untouched:
            self._moment = TimeWatch(self.at_ns).moment
        return self._moment

    def births(self, over: str) -> list[int]:
        """Give, for each row, what distinguishes its present holder from an earlier one."""
        rows = self.streams if over == "streams" else self.universes
        births: list[int] = rows.generation.tolist()
        return births

    @cached_property
    def live(self) -> NDArray[np.bool_]:
        """(S,) streams that send frames and are neither lost nor terminated."""
        streams = self.streams
        live: NDArray[np.bool_] = streams.used & streams.live
        return live

    @cached_property
    def live_e131(self) -> NDArray[np.bool_]:
        """(S,) those of them that come by E1.31."""
        e131: NDArray[np.bool_] = self.live & (self.streams.protocol == int(Protocol.E131))
        return e131

    @cached_property
    def live_count(self) -> int:
        """How many streams are live."""
        return int(np.count_nonzero(self.live))

    @cached_property
    def stream_declared(self) -> NDArray[np.int32]:
        """(S,) index into House.universes of the stream's universe, -1."""
        declared: NDArray[np.int32] = self.universes.declared[self.streams.universe]
        return declared

    @cached_property
    def stream_sources_declared(self) -> NDArray[np.int32]:
        """(S,) index into House.sources of the declaration of each stream's source, -1."""
        declared: NDArray[np.int32] = self.model.sources.declared[self.streams.source]
        return declared

    def strangers_since(self, t_ns: int) -> NDArray[np.bool_]:
        """Say which sources are not declared, send data, and were first heard at this time or later, row by row."""
        sources = self.model.sources
        top = sources.top
        strange: NDArray[np.bool_] = sources.used[:top] & (sources.declared[:top] < 0) & (sources.streams[:top] > 0)
        return strange & (sources.first_seen_ns[:top] >= t_ns)

    def declared_universe(self, row: int) -> DeclaredUniverse | None:
        index = int(self.universes.declared[row])
        return self.house.universes[index] if 0 <= index < len(self.house.universes) else None

    def declared_source(self, source: int) -> DeclaredSource | None:
        index = int(self.model.sources.declared[source])
        return self.house.sources[index] if 0 <= index < len(self.house.sources) else None

    @cached_property
    def beside_a_dead_one(self) -> NDArray[np.bool_]:
        """(S,) streams on whose universe another stream has ended: only there can one follow another."""
        streams = self.streams
        dead: NDArray[np.bool_] = streams.used & ~streams.live & (streams.last_arrival_ns > 0)
        if not np.count_nonzero(dead):
            return dead
        followed: NDArray[np.bool_] = (np.bincount(streams.universe[dead], minlength=self.universes.count) > 0)[
            streams.universe
        ]
        return followed

    @cached_property
    def announced(self) -> NDArray[np.bool_]:
        """(S,) streams whose source has sent since their last frame that they end."""
        return announced_ends(self.streams)

    @cached_property
    def terminated(self) -> NDArray[np.bool_]:
        """(U,) universes whose newest frame's source has since sent that it stops."""
        streams = self.streams
        stopped = self.announced & (streams.last_arrival_ns >= self.universes.last_arrival_ns[streams.universe])
        ended: NDArray[np.bool_] = np.bincount(streams.universe[stopped], minlength=self.universes.count) > 0
        return ended

    @cached_property
    def _by_universe(self) -> RowsBy:
        return self._stream_rows.by("universe")

    @cached_property
    def _by_source(self) -> RowsBy:
        return self._stream_rows.by("source")

    def settled(self, window_ns: int) -> NDArray[np.bool_]:
        """(S,) live streams that have been there for a whole window."""
        if not self.live_count:
            return self.live.copy()
        settled: NDArray[np.bool_] = self.live & (self.now_ns - self.streams.since_ns >= window_ns)
        return settled

    def _note_windows(self, counts: Iterable[int], buckets: int) -> None:
        """Note until when sums of these counts that are read now stay as they are."""
        if isinstance(self.now_ns, WatchedTime):
            change_ns = self.model.streams.windows.next_change(counts, buckets) * BUCKET_NS
            watch = self.now_ns.watch
            watch.windows_until_ns = min(watch.windows_until_ns, change_ns)

    def counted(self, counts: tuple[int, ...], seconds: float) -> NDArray[np.uint32]:
        """(S,) how often these things (`model.windows`) happened in the last seconds, at most 10, to 100 ms."""
        buckets = round(seconds * NANOSECONDS / BUCKET_NS)
        self._note_windows(counts, buckets)
        sums: NDArray[np.uint32] = self.model.streams.windows.sums(counts, buckets)
        return sums

    def may_count(self, counts: tuple[int, ...], seconds: float, limit: float) -> bool:
        """Whether all streams together may have more than this counted in the last seconds if nothing more comes."""
        windows, buckets = self.model.streams.windows, round(seconds * NANOSECONDS / BUCKET_NS)
        # The sums of a longer window may be ready already.
        if windows.most(counts, buckets) <= limit:
            return False
        return int(windows.sums(counts, buckets).sum()) + windows.unfinished(counts) > limit

    def is_any_counted(self, metric: int, seconds: float) -> bool:
        """Whether any stream has some of a count in the last seconds, or may have if nothing more comes."""
        is_any: bool = self.model.streams.windows.hold_any(metric, round(seconds * NANOSECONDS / BUCKET_NS))
        return is_any

    def most_counted(self, metric: int, seconds: float) -> int:
        """How much any stream may have of a count in the last seconds if nothing more comes."""
        windows, buckets = self.model.streams.windows, round(seconds * NANOSECONDS / BUCKET_NS)
        sums, unfinished = windows.sums((metric,), buckets), windows.unfinished_of_each(metric)
        return int(sums.max(initial=0)) + int(unfinished.max(initial=0))

    def is_in_one_moment(self, metric: int, row: int, seconds: float) -> bool:
        """Whether all that was counted on a stream in the last seconds was noticed within 100 ms."""
        buckets = round(seconds * NANOSECONDS / BUCKET_NS)
        self._note_windows((metric,), buckets)
        is_one: bool = self.model.streams.windows.is_in_one_moment(metric, row, buckets)
        return is_one

    def seconds_of_both(self, one: int, other: int, row: int, seconds: float) -> int:
        """In how many of the last whole seconds both of two things were counted on a stream."""
        buckets = round(seconds * NANOSECONDS / BUCKET_NS)
        self._note_windows((one, other), buckets)
        count: int = self.model.streams.windows.seconds_of_both(one, other, row, buckets)
        return count

    def longest_uneven_ns(self, stream: int) -> int:
        """Longest gap of a stream in the last 10 s that was no rest; 0 if it had none."""
        if isinstance(self.now_ns, WatchedTime):
            self.now_ns.watch.opaque = True  # it changes at whole seconds
        longest_ns: int = self.model.streams.windows.longest_uneven_ns(stream)
        return longest_ns

    def streams_of(self, universe: int) -> Integers:
        """Rows of all streams of a universe row."""
        return self._by_universe.of(universe)

    def streams_of_each(self, universes: Integers) -> tuple[Integers, Integers]:
        """Rows of all streams of many universe rows, one universe after the other, and how many each has."""
        return self._by_universe.of_each(universes)

    def streams_from(self, source: int) -> Integers:
        """Rows of all streams of a source row."""
        return self._by_source.of(source)

    def source_of(self, stream: int) -> int:
        return int(self.streams.source[stream])

    def sources_of(self, streams: Iterable[int]) -> set[int]:
        """Rows of the sources of many streams."""
        return set(self.streams.source[list(streams)].tolist())

    def universe_of(self, stream: int) -> int:
        return int(self.streams.universe[stream])

    def winning(self, rows: Integers) -> tuple[NDArray[np.uint8], SlotOwners]:
        """Levels of universe rows, (U, 512), and the stream rows that win their slots."""
        winning: tuple[NDArray[np.uint8], SlotOwners] = self.model.winner_levels(rows)
        return winning

    @cached_property
    def _first_leg(self) -> dict[int, int]:
        return self.model.first_legs()

    @cached_property
    def _legs(self) -> dict[int, list[int]]:
        return legs_of(self._first_leg)

    def first_leg(self, source: int) -> int:
        """Row that represents the whole source; a row is what a source sends to one network."""
        return self._first_leg.get(source, source)

    def other_legs(self, source: int) -> list[int]:
        """Rows of the same source on other networks."""
        legs = self._legs.get(self.first_leg(source), [])
        if len(legs) < 2:
            return []  # that is itself
        network = self.sources[source].network
        return [leg for leg in legs if self.sources[leg].network != network]

    def by_source(self, rows: Iterable[int]) -> list[list[int]]:
        """Rows of sources as lists of the legs of one source, each row once, in the order of the first of each."""
        every = set(rows)
        if len(every) < 2:
            return [[row] for row in every]
        legs: dict[int, list[int]] = {}
        for row in sorted(every):
            legs.setdefault(self.first_leg(row), []).append(row)
        return list(legs.values())

    def whole_sources(self, rows: Iterable[int]) -> list[int]:
        """Rows of sources, each source once however many of its legs are among them."""
        return [legs[0] for legs in self.by_source(rows)]
