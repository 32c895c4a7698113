"""What a rule sees in one pass: the model's tables with their names, the listener's own state, the phase, and what an
earlier run knew."""

from __future__ import annotations

from collections.abc import Callable, Hashable
from datetime import tzinfo
from functools import cached_property
from ipaddress import ip_address
from typing import TypeVar

import numpy as np

from slotwatch.house.schema import House, Phase
from slotwatch.judge.before import NOT_HEARD_NS, NOTHING_BEFORE, Before
from slotwatch.judge.crowds import NO_CROWD, Crowd
from slotwatch.judge.listener import Listener
from slotwatch.judge.model_view import ModelView
from slotwatch.judge.pass_names import PassNames
from slotwatch.judge.pass_tables import Integers, PassTables
from slotwatch.judge.universe_names import UniverseNames
from slotwatch.snapshot import Incident, MadeException

T = TypeVar("T")


class RuleContext(PassNames):
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
        revision: int | None = None,
        universe_names: UniverseNames | None = None,
        earlier: PassTables | None = None,
    ) -> None:
        super().__init__(
            model,
            house,
            now_ns=now_ns,
            started_ns=started_ns,
            wall_offset_ns=wall_offset_ns,
            zone=zone,
            revision=revision,
            universe_names=universe_names,
            earlier=earlier,
        )
        self.listener = listener
        self.phase = phase
        self.phase_since_ns = phase_since_ns
        self.exceptions = exceptions
        self.before = before
        self.crowd = crowd
        self._done: dict[Hashable, object] = {}

    def once(self, work: Callable[[RuleContext], T]) -> T:
        """Give what `work` makes of this pass. It runs once a pass, however many rules ask for it."""
        if work not in self._done:
            self._done[work] = work(self)
        return self._done[work]  # type: ignore[return-value]

    def is_here(self, source: int) -> bool:
        """Whether this computer itself sends it, so that it proves no network. On loopback there is none to prove."""
        row = self.sources[source]
        link = self.listener.links.get(row.network)
        is_own = link is not None and link.was_own(row.address, row.last_seen_ns)
        return is_own and not ip_address(row.address).is_loopback

    def runs_here(self, source: int) -> bool:
        """Whether its program runs on this computer, at one of its addresses or on loopback."""
        return self.is_here(source) or _is_loopback(self.sources[source].address)

    def earlier_loss(self, universe: int, source: str = "") -> Incident | None:
        """The loss of a universe, or of one source on it, that was open before a restart: silent since then."""
        return self.before.losses.get((self.universe_name(universe), source))

    @cached_property
    def heard_before_ns(self) -> Integers:
        """(U,) when a universe was last heard before a restart, to a minute; NOT_HEARD_NS: never, as far as is
        known."""
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


def _is_loopback(address: str) -> bool:
    return bool(address) and ip_address(address).is_loopback
