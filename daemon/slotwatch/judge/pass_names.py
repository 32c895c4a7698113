"""What things are called in one pass: universes, sources and networks, as people write and say them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import tzinfo
from uuid import UUID

import numpy as np

from slotwatch.house.schema import House
from slotwatch.judge import wording
from slotwatch.judge.model_view import ModelView
from slotwatch.judge.pass_tables import PassTables
from slotwatch.judge.universe_names import UniverseNames
from slotwatch.wire.batch import NETWORK_UNKNOWN
from slotwatch.wire.universe import Protocol, UniverseId, source_key

FEW = 50
"""Longer lists of universes are put into words once and kept."""


class PassNames(PassTables):
    """The tables, with a name for each of their rows."""

    def __init__(
        self,
        model: ModelView,
        house: House,
        *,
        now_ns: int,
        started_ns: int,
        wall_offset_ns: int,
        zone: tzinfo,
        revision: int | None = None,
        universe_names: UniverseNames | None = None,
        earlier: PassTables | None = None,
    ) -> None:
        super().__init__(model, house, now_ns=now_ns, started_ns=started_ns, revision=revision, earlier=earlier)
        self.wall_offset_ns = wall_offset_ns
        self.zone = zone
        # A wide fault names thousands of universes, several times a pass.
        self.names = UniverseNames() if universe_names is None else universe_names
        self._source_names: dict[int, str] = {}
        self._source_keys: dict[int, str] = {}

    def universe_id(self, row: int) -> UniverseId:
        universes = self.universes
        return UniverseId(Protocol(int(universes.protocol[row])), int(universes.number[row]))

    def universe_ids(self, rows: Iterable[int]) -> set[UniverseId]:
        return set(map(self.universe_id, rows))

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

    def labels(self, rows: Sequence[int]) -> list[str]:
        """Give the label of each of many universe rows; "" where it has none."""
        universes = self.house.universes
        declared = self.universes.declared[np.asarray(rows, np.intp)].tolist()
        return [universes[place].label if 0 <= place < len(universes) else "" for place in declared]

    def say_universes(self, rows: Iterable[int]) -> str:
        every = tuple(rows)
        return self.names.in_words(every, self._list_universes) if len(every) > FEW else self._list_universes(every)

    def _list_universes(self, rows: tuple[int, ...]) -> str:
        return wording.list_universes([self.universe_name(row) for row in rows], self.labels(rows))

    def name_universes(self, rows: Iterable[int]) -> str:
        """Say which universes in the middle of a sentence."""
        words = self.say_universes(rows)
        return words[0].lower() + words[1:]

    def source_name(self, source: int) -> str:
        name = self._source_names.get(source)
        if name is None:
            row = self.sources[source]
            name = row.declared_as or row.source_name or row.address or "unnamed source"
            self._source_names[source] = name
        return name

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
        if len(legs) == 1:
            return self.say_source(legs[0])
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

    def time_of_day(self, t_ns: int) -> str:
        return wording.time_of_day(t_ns, self.wall_offset_ns, self.zone)
