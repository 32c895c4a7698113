"""One source: what identifies it, and facts of it that are not numbers."""

from __future__ import annotations

from dataclasses import dataclass, field

from slotwatch.snapshot import SourceRow

SourceKey = tuple[int, int, bytes, bytes]
"""Network, protocol, source id, address."""


@dataclass(slots=True)
class Source:
    """Facts that are not numbers. Times are monotonic nanoseconds."""

    key: SourceKey
    row: SourceRow
    """As it is shown. Its `listed` is None once no list came for 20 s."""
    pages: dict[int, tuple[int, ...]] = field(default_factory=dict)
    last_page: int = -1
    listed_before: tuple[int, ...] | None = None
    """The list that the present one replaced, if they differ."""

    @property
    def is_declared(self) -> bool:
        return bool(self.row.declared_as)

    @property
    def listed_universes(self) -> int:
        """Universes in all that is kept of its lists."""
        lists = (*self.pages.values(), self.row.listed or (), self.listed_before or ())
        return sum(map(len, lists))


NO_SOURCE = SourceRow(protocol=0, source_id=bytes(16), address="", network=0, source_name="")
"""Fills rows that are not in use."""
