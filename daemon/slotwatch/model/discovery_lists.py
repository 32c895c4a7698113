"""What sources list as their universes in E1.31 discovery: page by page, until a list is complete or runs out."""

from __future__ import annotations

from collections.abc import Sequence

from slotwatch.model.source import Source
from slotwatch.wire.names import DiscoveryPage

LIST_TIMEOUT_NS = 20_000_000_000
"""Two discovery intervals of 10 s (E1.31 6.7.1.1, 12.2)."""
MAX_PAGE = 124
"""63,999 universes in pages of 512."""
MAX_LISTED = 1 << 18
"""Universes in all kept discovery lists of declared sources together, and in those of all others (about 9 MiB each), so
that forged lists neither fill the memory nor keep a declared one out."""


class DiscoveryLists:
    """Takes the pages of all sources and counts what is kept of them, so that it has a bound."""

    def __init__(self) -> None:
        self.universes = [0, 0]
        """Universes in all that is kept: of undeclared sources, of declared ones."""
        self.running = 0
        """How many sources have a list that may run out."""
        self.refused = 0
        """Pages that were not kept because of the bound."""

    def take_page(self, about: Source, page: DiscoveryPage, t_ns: int) -> None:
        """Take one page of a discovery list; the list is complete when every page of it came."""
        if page.last > MAX_PAGE or page.page > page.last:
            return
        if page.last != about.last_page:
            self._drop_pages(about)
            about.last_page = page.last
        if self.universes[about.is_declared] + len(page.universes) > MAX_LISTED:
            self.refused += 1
            return
        self.universes[about.is_declared] += len(page.universes) - len(about.pages.get(page.page, ()))
        about.pages[page.page] = page.universes
        if len(about.pages) == page.last + 1:
            listed = tuple(sorted({number for each in about.pages.values() for number in each}))
            self._drop_pages(about)
            self._replace(about, listed, t_ns)

    def next_end_ns(self, sources: Sequence[Source | None]) -> int | None:
        """When the first list of universes runs out if it is not renewed; None: there is none."""
        if not self.running:
            return None
        ends_ns = [one.row.listed_at_ns for one in sources if one is not None and one.row.listed is not None]
        return min(ends_ns) + LIST_TIMEOUT_NS

    def expire(self, sources: Sequence[Source | None], now_ns: int) -> None:
        """Forget lists that were not renewed for 20 s."""
        for about in sources if self.running else ():
            has_list = about is not None and about.row.listed is not None
            if about and has_list and now_ns - about.row.listed_at_ns > LIST_TIMEOUT_NS:
                self._replace(about, None, now_ns)

    def add(self, about: Source) -> None:
        """Count all that is kept of a source among those that are declared or not, as it is now."""
        self.universes[about.is_declared] += about.listed_universes

    def take_out(self, about: Source) -> None:
        """Count it no longer: it is forgotten, or will be declared otherwise."""
        self.universes[about.is_declared] -= about.listed_universes

    def forget(self, about: Source) -> None:
        self.running -= about.row.listed is not None
        self.take_out(about)

    def _replace(self, about: Source, listed: tuple[int, ...] | None, t_ns: int) -> None:
        before = about.row.listed
        if before != listed:
            self.running += (listed is not None) - (before is not None)
            self.universes[about.is_declared] += len(listed or ()) - len(about.listed_before or ())
            about.listed_before, about.row.listed = before, listed
        if listed is not None:
            about.row.listed_at_ns = t_ns

    def _drop_pages(self, about: Source) -> None:
        self.universes[about.is_declared] -= sum(len(page) for page in about.pages.values())
        about.pages.clear()
