"""What a rule sees in one pass: the model's tables, the declared house, the listener's own state, names.

The only place that knows how the model's tables of sources and winners are laid out.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from datetime import tzinfo
from functools import cached_property
from ipaddress import ip_address
from typing import TYPE_CHECKING, NamedTuple, cast
from uuid import UUID

import numpy as np
from numpy.typing import NDArray

from slotwatch.durations import NANOSECONDS
from slotwatch.house.schema import DeclaredSource, DeclaredUniverse, House, Phase
from slotwatch.judge import ways, wording
from slotwatch.judge.before import NOT_HEARD_NS, NOTHING_BEFORE, Before
from slotwatch.judge.crowds import NO_CROWD, Crowd
from slotwatch.judge.model_view import ModelView, StreamColumns, UniverseColumns
from slotwatch.judge.rows_by import RowsBy
from slotwatch.judge.universe_names import UniverseNames
from slotwatch.model.legs import legs_of
from slotwatch.model.sources import Sources
from slotwatch.model.windows import BUCKET_NS
from slotwatch.snapshot import Incident, MadeException, SourceRow
from slotwatch.watched_time import WatchedTime
from slotwatch.wire.batch import NETWORK_UNKNOWN
from slotwatch.wire.universe import Protocol, UniverseId, source_key

if TYPE_CHECKING:
    from slotwatch.judge.listener import Listener

Integers = NDArray[np.int64]
FEW = 50
"""Universes that are listed in words again each time."""


class Revision(NamedTuple):
    """Numbers that rise with everything but time that a condition may read."""

    facts: int
    windows: int
    """Counts of the last seconds: they change while nothing comes."""


class Rows:
    """The first rows of a table's columns, each read once a pass: `rows.last_frame_ns` has shape (count,)."""

    def __init__(self, table: object, count: int) -> None:
        self.table = table
        self.count = count

    def __getattr__(self, name: str) -> object:
        column: object = getattr(self.table, name)[: self.count]
        self.__dict__[name] = column
        return column


class SourceRows:
    """The model's table of sources, row by row; iteration gives the rows in use."""

    def __init__(self, table: Sources) -> None:
        self._table = table

    def __iter__(self) -> Iterator[int]:
        return iter(self._table.rows().tolist())

    def __getitem__(self, row: int) -> SourceRow:
        source: SourceRow = self._table[row]
        return source


class RuleContext:
    """One pass over a model. Made by the judge, never kept by a rule."""

    def __init__(
        self,
        model: ModelView,
        house: House,
        listener: Listener,
        *,
        now_ns: int,
        started_ns: int,
        phase: Phase,
        phase_since_ns: int,
        wall_offset_ns: int,
        zone: tzinfo,
        exceptions: tuple[MadeException, ...] = (),
        before: Before = NOTHING_BEFORE,
        crowd: Crowd = NO_CROWD,
        revision: Revision | None = None,
        universe_names: UniverseNames | None = None,
    ) -> None:
        """revision: rises with all but time that a condition may read; None: nobody asks how long answers hold."""
        self.model = model
        self.exceptions = exceptions
        self.crowd = crowd
        self.before = before
        self.house = house
        self.listener = listener
        self.now_ns = now_ns
        """While a condition is asked how long its answer holds, a `WatchedTime`."""
        self.at_ns = now_ns
        """The same, always a plain number: for what is kept from pass to pass."""
        self.revision = revision
        self.started_ns = started_ns
        self.phase = phase
        self.phase_since_ns = phase_since_ns
        self.wall_offset_ns = wall_offset_ns
        self.zone = zone
        self.streams = cast(StreamColumns, Rows(model.streams, model.streams.top))
        self.universes = cast(UniverseColumns, Rows(model.universes, model.universes.top))
        self.sources = SourceRows(model.sources)
        # A wide fault names thousands of universes, several times a pass.
        self.names = UniverseNames() if universe_names is None else universe_names
        self._source_names: dict[int, str] = {}
        self._source_keys: dict[int, str] = {}

    # --- tables ---------------------------------------------------------------------------------------

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
    def stream_declared(self) -> NDArray[np.int32]:
        """(S,) index into House.universes of the stream's universe, -1."""
        declared: NDArray[np.int32] = self.universes.declared[self.streams.universe]
        return declared

    @cached_property
    def stream_sources_declared(self) -> NDArray[np.int32]:
        """(S,) index into House.sources of who each stream's source was declared as, -1."""
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
        if not dead.any():
            return dead
        followed: NDArray[np.bool_] = (np.bincount(streams.universe[dead], minlength=self.universes.count) > 0)[
            streams.universe
        ]
        return followed

    @cached_property
    def terminated(self) -> NDArray[np.bool_]:
        """(U,) universes whose newest frame's source has since sent that it stops."""
        streams = self.streams
        stopped = streams.used & (streams.last_arrival_ns > 0) & (streams.last_terminated_ns >= streams.last_arrival_ns)
        stopped &= streams.last_arrival_ns >= self.universes.last_arrival_ns[streams.universe]
        ended: NDArray[np.bool_] = np.bincount(streams.universe[stopped], minlength=self.universes.count) > 0
        return ended

    @cached_property
    def _by_universe(self) -> RowsBy:
        return RowsBy(self.streams.universe, self.streams.used)

    @cached_property
    def _by_source(self) -> RowsBy:
        return RowsBy(self.streams.source, self.streams.used)

    def settled(self, window_ns: int) -> NDArray[np.bool_]:
        """(S,) live streams that have been there for a whole window."""
        settled: NDArray[np.bool_] = self.live & (self.now_ns - self.streams.since_ns >= window_ns)
        return settled

    def _note_windows(self) -> None:
        if isinstance(self.now_ns, WatchedTime):
            self.now_ns.watch.reads_windows = True

    def counted(self, counts: tuple[int, ...], seconds: float) -> NDArray[np.uint32]:
        """(S,) how often these things (`model.windows`) happened in the last seconds, at most 10, to 100 ms."""
        self._note_windows()
        sums: NDArray[np.uint32] = self.model.streams.windows.sums(counts, round(seconds * NANOSECONDS / BUCKET_NS))
        return sums

    def is_in_one_moment(self, metric: int, row: int, seconds: float) -> bool:
        """Whether all that was counted on a stream in the last seconds was noticed within 100 ms."""
        self._note_windows()
        is_one: bool = self.model.streams.windows.is_in_one_moment(
            metric, row, round(seconds * NANOSECONDS / BUCKET_NS)
        )
        return is_one

    def streams_of(self, universe: int) -> Integers:
        """Rows of all streams of a universe row."""
        return self._by_universe.of(universe)

    def streams_of_each(self, universes: Integers) -> tuple[Integers, Integers]:
        """Rows of all streams of many universe rows, one universe after the other, and how many each has."""
        return self._by_universe.of_each(universes)

    def streams_from(self, source: int) -> Integers:
        """Rows of all streams of a source row."""
        return self._by_source.of(source)

    def winning(self, rows: Integers) -> tuple[NDArray[np.uint8], NDArray[np.int16]]:
        """Levels of universe rows, (U, 512), and the stream row that wins each slot, -1 for nobody."""
        winning: tuple[NDArray[np.uint8], NDArray[np.int16]] = self.model.winner_levels(rows)
        return winning

    @cached_property
    def ports_in_use(self) -> dict[tuple[str, int], list[str]]:
        """Switch ports that matter, by switch and ifIndex, each with the names of what is connected to it."""
        found: dict[tuple[str, int], list[str]] = ways.ports_in_use(self)
        return found

    # --- names ----------------------------------------------------------------------------------------

    def universe_id(self, row: int) -> UniverseId:
        universes = self.universes
        return UniverseId(Protocol(int(universes.protocol[row])), int(universes.number[row]))

    def universe_name(self, row: int) -> str:
        """Write a universe as the house does: `e131/12`, with its network where the house has several."""
        name = self.names.by_row.get(row)
        if name is None:
            name = self.model.universes.written(row, with_network=False)
            if len(self.house.networks) > 1 and self.universes.protocol[row] != int(Protocol.LINE):
                name = f"{name}@{self.network_name(int(self.universes.network[row]))}"
            self.names.by_row[row] = name
        return name

    def network_name(self, network: int) -> str:
        if network == NETWORK_UNKNOWN or network >= len(self.house.networks):
            return "network"
        return self.house.networks[network].name

    def label(self, row: int) -> str:
        declared = self.declared_universe(row)
        return declared.label if declared else ""

    def say_universes(self, rows: Iterable[int]) -> str:
        every = tuple(rows)
        return self.names.in_words(every, self._list_universes) if len(every) > FEW else self._list_universes(every)

    def _list_universes(self, rows: tuple[int, ...]) -> str:
        return wording.list_universes([self.universe_name(row) for row in rows], [self.label(row) for row in rows])

    def name_universes(self, rows: Iterable[int]) -> str:
        """Say which universes in the middle of a sentence."""
        words = self.say_universes(rows)
        return words[0].lower() + words[1:]

    @cached_property
    def _first_leg(self) -> dict[int, int]:
        return dict(self.model.first_legs())

    @cached_property
    def _legs(self) -> dict[int, list[int]]:
        return legs_of(self._first_leg)

    def first_leg(self, source: int) -> int:
        """Row that represents the whole source; a row is what a source sends to one network."""
        return self._first_leg.get(source, source)

    def other_legs(self, source: int) -> list[int]:
        """Rows of the same source on other networks."""
        network = self.sources[source].network
        return [leg for leg in self._legs.get(self.first_leg(source), []) if self.sources[leg].network != network]

    def by_source(self, rows: Iterable[int]) -> list[list[int]]:
        """Rows of sources as lists of the legs of one source, each row once, in the order of the first of each."""
        legs: dict[int, list[int]] = {}
        for row in sorted(set(rows)):
            legs.setdefault(self.first_leg(row), []).append(row)
        return list(legs.values())

    def whole_sources(self, rows: Iterable[int]) -> list[int]:
        """Rows of sources, each source once however many of its legs are among them."""
        return [legs[0] for legs in self.by_source(rows)]

    def source_name(self, source: int) -> str:
        name = self._source_names.get(source)
        if name is None:
            row = self.sources[source]
            name = row.declared_as or row.source_name or row.address or "unnamed source"
            self._source_names[source] = name
        return name

    def is_here(self, source: int) -> bool:
        """Whether this computer itself sends it, so that it proves no network. On loopback there is none to prove."""
        row = self.sources[source]
        link = self.listener.links.get(row.network)
        is_own = link is not None and row.address in link.seen.addresses
        return is_own and not ip_address(row.address).is_loopback

    def runs_here(self, source: int) -> bool:
        """Whether its program runs on this computer, at one of its addresses or on loopback."""
        return self.is_here(source) or _is_loopback(self.sources[source].address)

    def longest_uneven_ns(self, stream: int) -> int:
        """Longest gap of a stream in the last 10 s that was no rest; 0 if it had none."""
        self._note_windows()
        longest_ns: int = self.model.streams.windows.longest_uneven_ns(stream)
        return longest_ns

    def source_key(self, source: int) -> str:
        key = self._source_keys.get(source)
        if key is None:
            row = self.sources[source]
            key = self._source_keys[source] = source_key(row.protocol, row.source_id, row.address)
        return key

    def declared_key(self, name: str) -> str:
        """Identity of a declared source, though it may never have been heard: its CID, else its name."""
        cid = next((source.cid for source in self.house.sources if source.name == name), None)
        return str(UUID(bytes=cid)) if cid else name

    def say_sources(self, rows: Iterable[int]) -> list[str]:
        """Name each source once, with its addresses on every network among these rows; new identities of one as one."""
        return list(dict.fromkeys(self.say_legs(legs) for legs in self.by_source(rows)))

    def say_legs(self, legs: list[int]) -> str:
        """Name one source with the addresses of these of its legs."""
        own = self.sources[legs[0]]
        where = list(dict.fromkeys(self.sources[leg].address for leg in legs if self.sources[leg].address))
        name = own.declared_as or own.source_name
        if len(where) < 2 or not name:
            return self.say_source(legs[0])
        return f'"{name}" ({wording.list_names(where)})'

    def say_source(self, source: int) -> str:
        """Name a source with its address, so that it can be found: `"Desk A" (10.20.0.10)`."""
        row = self.sources[source]
        name = row.declared_as or row.source_name
        if not name:
            return row.address or "an unnamed source"
        renamed = f'now named "{row.source_name}"' if row.renamed_from else ""
        about = ", ".join(one for one in (row.address, renamed) if one)
        return f'"{name}" ({about})' if about else f'"{name}"'

    def source_of(self, stream: int) -> int:
        return int(self.streams.source[stream])

    def sources_of(self, streams: Iterable[int]) -> set[int]:
        """Rows of the sources of many streams."""
        return set(self.streams.source[list(streams)].tolist())

    def universe_of(self, stream: int) -> int:
        return int(self.streams.universe[stream])

    def earlier_loss(self, universe: int, source: str = "") -> Incident | None:
        """The loss of a universe, or of one source on it, that was open before a restart: silent since then."""
        return self.before.losses.get((self.universe_name(universe), source))

    @cached_property
    def heard_before_ns(self) -> Integers:
        """(U,) when a universe was last heard before a restart, to a minute; NOT_HEARD_NS: nobody knows of it."""
        found = np.full(self.universes.count, NOT_HEARD_NS, np.int64)
        for row in self.universes.used.nonzero()[0].tolist() if self.before.heard_ns else ():
            found[row] = self.before.heard_ns.get(self.universe_name(row), NOT_HEARD_NS)
        return found

    @cached_property
    def earlier_absences(self) -> list[tuple[int, str]]:
        """Universes and the sources that were absent there before a restart."""
        if not self.before.losses:
            return []
        rows = {self.universe_name(row): row for row in self.universes.used.nonzero()[0].tolist()}
        return [(rows[name], source) for name, source in self.before.losses if source and name in rows]

    def time_of_day(self, t_ns: int) -> str:
        return wording.time_of_day(t_ns, self.wall_offset_ns, self.zone)


def _is_loopback(address: str) -> bool:
    return bool(address) and ip_address(address).is_loopback
