"""Names of universes, kept from pass to pass: a fault of a whole house names thousands, several times a pass."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from slotwatch.model.universes import Universes

MOST_LISTS = 8


class UniverseNames:
    """Names by row and long lists of them in words, as long as rows and house are the same."""

    def __init__(self) -> None:
        self._of: tuple[int, int] = (0, -1)
        self.by_row: dict[int, str] = {}
        """Names that were written so far."""
        self._lists: dict[tuple[int, ...], str] = {}
        self._rows: dict[str, list[int]] = {}
        self._rows_of: dict[tuple[str, ...], NDArray[np.intp]] = {}

    def follow(self, universes: Universes) -> UniverseNames:
        """Forget what earlier passes wrote if rows or house are others since. Returns itself."""
        of = (id(universes), universes.revision)
        if self._of != of:
            self._of, self.by_row, self._lists, self._rows, self._rows_of = of, {}, {}, {}, {}
        return self

    def in_words(self, rows: tuple[int, ...], write: Callable[[tuple[int, ...]], str]) -> str:
        """Give what `write` says of these rows; it is asked once for each of the last few lists."""
        words = self._lists.get(rows)
        if words is None:
            if len(self._lists) >= MOST_LISTS:
                del self._lists[next(iter(self._lists))]
            words = self._lists[rows] = write(rows)
        return words

    def find_rows(self, used: NDArray[np.bool_], name: Callable[[int], str]) -> None:
        """Find the rows in use by name, unless that was done; `name` is asked for each of them once."""
        if not self._rows:
            for row in used.nonzero()[0].tolist():
                self._rows.setdefault(name(row), []).append(row)

    def rows_of(self, names: tuple[str, ...]) -> NDArray[np.intp]:
        """Give the rows of these names, which were found; the last few lists are kept. Do not write to it."""
        rows = self._rows_of.get(names)
        if rows is None:
            if len(self._rows_of) >= MOST_LISTS:
                del self._rows_of[next(iter(self._rows_of))]
            rows = np.array([row for name in names for row in self._rows.get(name, ())], np.intp)
            self._rows_of[names] = rows
        return rows
