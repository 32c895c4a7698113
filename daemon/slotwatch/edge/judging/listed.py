"""Universes that discovery lists name, for a house that declares none: their groups are joined as they are heard."""

from __future__ import annotations

from collections.abc import Iterable

from slotwatch.edge.intake.joins import MOST_LISTED_GROUPS
from slotwatch.snapshot import SourceRow


class ListedUniverses:
    """Every universe that was listed since the start, by network. What left a list stays joined: it may come back."""

    def __init__(self) -> None:
        self.sent: dict[int, tuple[int, ...]] = {}
        """What intake was last asked to join; empty to ask again."""
        self._heard: dict[int, set[int]] = {}

    def take(self, sources: Iterable[SourceRow]) -> dict[int, tuple[int, ...]] | None:
        """Return the groups to join where they changed, at most MOST_LISTED_GROUPS a network; else None."""
        for source in sources:
            heard = self._heard.setdefault(source.network, set())
            for universe in source.listed or ():
                if len(heard) >= MOST_LISTED_GROUPS:
                    break
                heard.add(universe)
        groups = {network: tuple(sorted(universes)) for network, universes in self._heard.items() if universes}
        if groups == self.sent:
            return None
        self.sent = groups
        return groups
