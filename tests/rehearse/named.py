"""What sentences name, and what a snapshot knows of it: states of universes, newest frames of sources."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from slotwatch.snapshot import Incident, Snapshot, UniverseState
from slotwatch.views.sheet import Sheet
from tests.rehearse.sentence_form import UNIVERSE

HEARD_NS = 1_250_000_000
"""A stream at rest sends one packet a second (ANSI E1.31-2018 6.6.2): what came so lately is still sent."""
HALF = 0.5
"""Share of the last second that frames at a stream's usual interval fill, at least."""
LIVE = 0
"""A stream's state in a snapshot."""
_RUN = re.compile(rf"({UNIVERSE})(?: to ({UNIVERSE}))?")
_PARTS = re.compile(r"(\w+)/(\d+)(?:@([\w-]+))?")


def named_universes(text: str, networks: Iterable[str]) -> set[str]:
    """Universes that a sentence names, runs written out; `networks` of the house, where its names carry them."""
    found = set()
    for match in _RUN.finditer(text):
        first, last = match[1], match[2] or match[1]
        (protocol, low, network), (_, high, _) = _PARTS.findall(first)[0], _PARTS.findall(last)[0]
        names = [f"{protocol}/{number}" for number in range(int(low), int(high) + 1)]
        if network:
            found |= {f"{name}@{network}" for name in names}
            continue
        on = re.match(r".*?\bon ([\w-]+(?:, [\w-]+)* and [\w-]+)", text[match.end() :].partition(".")[0])
        several = [one for one in re.split(r", | and ", on[1]) if one in networks] if on else []
        found |= {f"{name}@{one}" for name in names for one in several} if several else set(names)
    return found


def named_sources(text: str) -> list[tuple[str, frozenset[str]]]:
    """Sources that a sentence names, each with the addresses beside it."""
    return [
        (name, frozenset(re.split(r", | and ", addresses)))
        for name, addresses in re.findall(r'"([^"]+)" \(([^()]*)\)', text)
    ]


@dataclass(frozen=True)
class Moment:
    """One snapshot, and what of it several checks read."""

    snapshot: Snapshot

    @cached_property
    def is_open(self) -> list[Incident]:
        return [one for one in self.snapshot.incidents if one.closed_ns is None]

    @cached_property
    def lasting(self) -> list[Incident]:
        return [one for one in self.is_open if one.returned_ns is None]

    @cached_property
    def states(self) -> dict[str, UniverseState]:
        states = self.snapshot.universes["state"].tolist()
        return {name: UniverseState(state) for name, state in zip(self.snapshot.universe_names, states, strict=True)}

    @cached_property
    def networks(self) -> frozenset[str]:
        return frozenset(name.partition("@")[2] for name in self.snapshot.universe_names) - {""}

    @cached_property
    def names(self) -> list[str]:
        return list(Sheet(self.snapshot).source_names)

    @cached_property
    def is_blind(self) -> bool:
        """Whether something is not judged now: then nobody knows what still comes."""
        return UniverseState.NOT_JUDGED in self.states.values()

    @cached_property
    def is_mixed_up(self) -> bool:
        """Whether this listener's own leads may be swapped: what comes on a network may then belong to another."""
        return any(one.rule == "networks-swapped" or "not known" in one.summary for one in self.is_open)

    def universes_in(self, text: str) -> set[str]:
        return named_universes(text, self.networks)

    def rows_of(self, name: str, addresses: frozenset[str]) -> list[int]:
        """Rows of sources that a sentence may mean."""
        return [
            row
            for row, (known, one) in enumerate(zip(self.names, self.snapshot.sources, strict=True))
            if known == name and (one.address in addresses or not addresses)
        ]

    def is_sending(self, rows: Sequence[int], universes: Iterable[str] = ()) -> bool:
        """Whether a stream of these sources is live on these universes, and has been for a second or so.

        What has only just come back is told in the next pass.
        """
        return self.snapshot.now_ns - self.heard_ns(rows, universes, settled=True) < HEARD_NS

    def is_discarded(self, rows: Sequence[int]) -> bool:
        """Whether frames of these sources were discarded by their numbers: those that come are then not all counted."""
        streams = self.snapshot.streams
        return bool(streams["discarded"][np.isin(streams["source"], rows)].any())

    def heard_ns(self, rows: Sequence[int], universes: Iterable[str] = (), *, settled: bool = False) -> int:
        """When the newest frame of these sources came on these universes (on any, if none is given); 0: never."""
        streams = self.snapshot.streams
        mine = np.isin(streams["source"], rows)
        if settled:
            with np.errstate(invalid="ignore"):
                filled = streams["refresh_1s_hz"] * streams["interval_p50_ms"] / 1000
                mine &= (streams["state"] == LIVE) & (filled > HALF)
        if wanted := set(universes):
            # A sentence may name a universe without its network.
            of = [
                row
                for row, name in enumerate(self.snapshot.universe_names)
                if name in wanted or name.partition("@")[0] in wanted
            ]
            mine &= np.isin(streams["universe_row"], of)
        return int(streams["last_frame_ns"][mine].max(initial=0))
