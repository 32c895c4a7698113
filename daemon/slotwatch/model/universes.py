"""The table of universes: every declared one on each of its networks, and every other that is heard."""

from __future__ import annotations

import typing
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from slotwatch.durations import NANOSECONDS
from slotwatch.house.schema import House, Limits
from slotwatch.model.columns import UNIVERSE
from slotwatch.model.table import Column, Table
from slotwatch.wire.batch import NETWORK_UNKNOWN, Batch
from slotwatch.wire.fields import Fields
from slotwatch.wire.universe import Protocol, UniverseId

Place = tuple[int, int, int]
"""Network, protocol, number."""

RECENT_MINUTES = 5

EXTRA: tuple[Column, ...] = (
    ("unkept", "<u8"),  # packets of sources past the bound of 64: counted, not kept
    ("last_unkept_ns", "<i8"),
    ("declared_ns", "<i8"),  # when a reload declared it; 0: the house file of the start did, or none does
    ("sources_seen", "<u8"),  # streams ever registered on it
    ("minute_gap_ns", "<i8"),  # longest gap of the minute that is being filled
    # --- finished minutes of the source in control, newest last, see model.stream_minutes
    ("recent_minutes", "<u2"),  # how many in a row could be judged; only this many of the next three count
    ("recent_hz", "<f4", (RECENT_MINUTES,)),  # while it moves
    ("recent_p99_ms", "<f4", (RECENT_MINUTES,)),
    ("recent_missing_percent", "<f4", (RECENT_MINUTES,)),
)
LEAVING_NS = 3 * NANOSECONDS
"""What was under way when a group was left, or came before the switch acted on it (RFC 2236 8.8 and 8.9: twice 1 s)."""


def universe_places(batch: Batch, fields: Fields, at: NDArray[np.intp]) -> list[Place]:
    """Universes of these rows of a batch."""
    return list(zip(batch.network[at].tolist(), batch.protocol[at].tolist(), fields.universe[at].tolist(), strict=True))


class LeftColumns(typing.Protocol):
    """What shows whether a universe ended with this computer's own leaving."""

    declared: NDArray[np.int32]
    last_arrival_ns: NDArray[np.int64]
    left_ns: NDArray[np.int64]


def ended_by_leaving(universes: LeftColumns) -> NDArray[np.bool_]:
    """(U,) whether nothing declares a universe any more and its frames came only until its group was left."""
    ended: NDArray[np.bool_] = (universes.left_ns > 0) & (universes.declared < 0)
    return ended & (universes.last_arrival_ns <= universes.left_ns + LEAVING_NS)


class Universes(Table):
    """Rows of `columns.UNIVERSE` and `EXTRA`.

    Declared universes are never forgotten. An undeclared one lives as long as any of its streams is kept, so
    the table is bounded by the declared ones and MAX_STREAMS together.
    """

    def __init__(self, house: House) -> None:
        declared = sum(max(1, len(one.networks)) for one in house.universes)
        super().__init__((*UNIVERSE, *EXTRA), capacity=max(64, declared), bound=1 << 20)
        self.by_place: dict[Place, int] = {}
        self._groups: dict[Place, int] = {}
        """Groups that this computer asked for, also of universes that are declared or heard only later."""
        self._house = house
        self.revision = 0
        """Rises with every row that comes or goes and every declaration: what names and order depend on."""
        self.take_house(house)

    def take_house(self, house: House, now_ns: int = 0) -> list[int]:
        """Take the universes of another house file; what was heard is kept. now_ns: 0 at the start.

        Returns rows that nothing keeps any more (to be forgotten).
        """
        self._house = house
        self.revision += 1
        before = set(np.flatnonzero(self.used[: self.top] & (self.declared[: self.top] >= 0)).tolist())
        for row in self.rows().tolist():
            self._limit(row, house.limits_of(self.identity(row)))
            self.declared[row], self.expected[row] = -1, False
        for index, one in enumerate(house.universes):
            for network in one.networks or (0,):
                row = self.find_or_add(network, one.id.protocol, one.id.number)
                self.declared[row], self.expected[row] = index, one.expected
                if row not in before:
                    self.declared_ns[row] = now_ns
                self._limit(row, one.limits)
        return [row for row in before if self.declared[row] < 0 and self.streams[row] == 0]

    def note_group(self, network: int, number: int, joined: int, left_ns: int) -> None:
        """Keep whether a group of E1.31 is joined (1), could not be (-1), or was left (0) and when."""
        place = network, int(Protocol.E131), number
        if joined:
            self._groups[place] = joined
        else:
            self._groups.pop(place, None)
        row = self.by_place.get(place)
        if row is not None:
            self.joined[row], self.left_ns[row] = joined, left_ns

    def identity(self, row: int) -> UniverseId:
        """Protocol and number of a row."""
        return UniverseId(Protocol(int(self.protocol[row])), int(self.number[row]))

    def place(self, row: int) -> Place:
        return int(self.network[row]), int(self.protocol[row]), int(self.number[row])

    def written(self, row: int, with_network: bool) -> str:
        """Write a row's name as people do: `e131/12`, `e131/12@A` with its network, lines by their name."""
        house = self._house
        identity = self.identity(row)
        text = str(identity)
        if identity.protocol is Protocol.LINE:
            # It comes by no network.
            return next((f"line/{line.name}" for line in house.lines if line.number == identity.number), text)
        network = int(self.network[row])
        if with_network and network < len(house.networks):
            return f"{text}@{house.networks[network].name}"
        if with_network and network == NETWORK_UNKNOWN:
            return f"{text}@?"
        return text

    def find_or_add(self, network: int, protocol: int, number: int) -> int:
        """Row of a universe; one that was never heard is added, undeclared."""
        place = (network, int(protocol), number)
        row = self.by_place.get(place)
        if row is None:
            row = self.add()
            self.by_place[place] = row
            self.revision += 1
            self.network[row], self.protocol[row], self.number[row] = place
            self.declared[row], self.winner[row] = -1, -1
            self.joined[row] = self._groups.get(place, 0)
            self._limit(row, self._house.limits_of(self.identity(row)))
        return row

    def add_new(self, places: Sequence[Place]) -> NDArray[np.intp]:
        """Add universes that were never heard, in this order, as `find_or_add` does."""
        rows = self.add_many(len(places))
        self.by_place.update(zip(places, rows.tolist(), strict=True))
        self.revision += len(places)
        columns = np.array(places, np.int64).reshape(-1, 3).T
        self.network[rows], self.protocol[rows], self.number[rows] = columns
        self.declared[rows], self.winner[rows] = -1, -1
        self.joined[rows] = [self._groups.get(place, 0) for place in places]
        for protocol in {place[1] for place in places}:
            its = rows[columns[1] == protocol]
            self._limit(its, self._house.limits_of(self.identity(int(its[0]))))
        return rows

    def forget(self, row: int) -> None:
        """Free the row of an undeclared universe without streams."""
        self.revision += 1
        del self.by_place[self.place(row)]
        self.remove(row)

    def _limit(self, rows: int | NDArray[np.intp], limits: Limits) -> None:
        self.loss_timeout_ns[rows] = round(limits.loss_timeout_s * 1e9)
        self.min_refresh_hz[rows] = limits.min_refresh_hz

    def in_order(self) -> NDArray[np.intp]:
        """Rows as they are shown: declared in the order of the file, the others by protocol, number and network."""
        rows = self.rows()
        declared = self.declared[rows].astype(np.int64)
        written = np.where(declared >= 0, declared, 1 << 40)
        return rows[np.lexsort((self.network[rows], self.number[rows], self.protocol[rows], written))]
