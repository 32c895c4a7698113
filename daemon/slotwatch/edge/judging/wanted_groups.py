"""Groups that intake is asked to join: of synchronization addresses, and of listed universes if none is declared."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from slotwatch.edge.intake.joins import MOST_LISTED_GROUPS
from slotwatch.edge.shared.channel import Channel
from slotwatch.edge.shared.messages.intake import FromIntake, ListedGroups, SyncGroups, ToIntake
from slotwatch.snapshot import Snapshot, SourceRow

Groups = dict[int, tuple[int, ...]]
"""By network: E1.31 universe numbers or synchronization addresses, ascending."""


class WantedGroups:
    """What intake was asked to join. It is asked when that changes."""

    def __init__(self, intake: Channel[ToIntake, FromIntake]) -> None:
        self._intake = intake
        self._sync: Groups = {}
        self._listed: Groups = {}
        self._heard: dict[int, set[int]] = {}
        """Every universe that was listed since the start. One that left a list stays joined: it may come back."""

    def ask_again(self) -> None:
        """Let the next snapshot ask for everything: intake was restarted."""
        self._sync = self._listed = {}

    def follow(self, snapshot: Snapshot, *, joins_listed: bool) -> None:
        """Ask for what this snapshot names.

        joins_listed: whether the house declares no universes, so that those of discovery lists are joined.
        """
        named = sync_groups(snapshot)
        if named != self._sync:
            self._sync = named
            self._intake.send(SyncGroups(named))
        if joins_listed and (listed := self._take_lists(snapshot.sources)) != self._listed:
            self._listed = listed
            self._intake.send(ListedGroups(listed))

    def _take_lists(self, sources: Iterable[SourceRow]) -> Groups:
        """Return all listed universes, at most MOST_LISTED_GROUPS a network."""
        for source in sources:
            heard = self._heard.setdefault(source.network, set())
            for universe in source.listed or ():
                if len(heard) >= MOST_LISTED_GROUPS:
                    break
                heard.add(universe)
        return {network: tuple(sorted(universes)) for network, universes in self._heard.items() if universes}


def sync_groups(snapshot: Snapshot) -> Groups:
    """Return the synchronization addresses that live streams name."""
    streams = snapshot.streams
    named = np.flatnonzero((streams["sync_address"] != 0) & (streams["state"] == 0))
    groups: Groups = {}
    for network in np.unique(streams["network"][named]):
        here = named[streams["network"][named] == network]
        groups[int(network)] = tuple(np.unique(streams["sync_address"][here]).tolist())
    return groups
