"""A table as columns: numpy arrays of one length that grow together by doubling, with rows used again."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np
from numpy.typing import NDArray

Column = tuple[str, str] | tuple[str, str, tuple[int, ...]]


class Table:
    """Rows under named columns: `table.last_frame_ns` is the whole column (capacity long, mind `used`).

    Growing replaces the arrays, so do not keep one over a call that may add rows, nor over `Model.advance`.
    """

    def __init__(self, columns: Iterable[Column], *, capacity: int, bound: int) -> None:
        self.bound = bound
        self.capacity = min(capacity, bound)
        self.filled = 0
        """Rows in use."""
        self.top = 0
        """One past the highest row ever used: nothing from there on is."""
        self.turnover = 0
        """Rises whenever rows are taken or given back: as long as it is the same, they are of the same holders."""
        self.removed = 0
        """Rows given back since the columns were made."""
        self.made = 0
        """Rises whenever all columns are made anew."""
        self._free: list[int] = []
        self.column_names: list[str] = []
        """In the order in which they were given."""
        for name, dtype, *inner in columns:
            shape = inner[0] if inner else ()
            self.column_names.append(name)
            self.__dict__[name] = np.zeros((self.capacity, *shape), dtype)

    def __getattr__(self, name: str) -> NDArray[Any]:
        # Only reached for names that are not attributes; the columns are in __dict__.
        raise AttributeError(name)

    @property
    def is_full(self) -> bool:
        return self.filled >= self.bound

    def add(self) -> int:
        """Take a row, all zero but its generation, which rises. IndexError when the table is full."""
        if self._free:
            row = self._free.pop()
            generation = int(self.generation[row])
            for name in self.column_names:
                self.__dict__[name][row] = 0
            self.generation[row] = generation
        elif self.top < self.bound:
            row = self.top
            self.top += 1
            self._fit()
        else:
            raise IndexError("table is full")
        self.turnover += 1
        # What was never used is zero already: a whole house that begins need not clear it (30 µs a row).
        self.generation[row] += 1
        self.used[row] = True
        self.filled += 1
        return row

    def add_many(self, count: int) -> NDArray[np.intp]:
        """Take the rows that `add` would give one after the other. IndexError where they are too many."""
        if count > self.bound - self.filled:
            raise IndexError("table is full")
        again = self._free[: -count - 1 : -1]
        del self._free[len(self._free) - len(again) :]
        new = np.arange(self.top, self.top + count - len(again))
        self.top += len(new)
        self._fit()
        if again:
            generation = self.generation[again]
            for name in self.column_names:
                self.__dict__[name][again] = 0
            self.generation[again] = generation
        self.turnover += 1
        rows = np.concatenate((np.array(again, np.intp), new))
        self.generation[rows] += 1
        self.used[rows] = True
        self.filled += count
        return rows

    def remove(self, row: int) -> None:
        """Give a row back."""
        self.turnover += 1
        self.used[row] = False
        self._free.append(row)
        self.filled -= 1
        self.removed += 1

    def rows(self) -> NDArray[np.intp]:
        """Rows in use, ascending."""
        return self.used[: self.top].nonzero()[0]

    def make_anew(self) -> None:
        """Copy the rows in use into new columns of the same length: what the others held takes no memory then."""
        rows = self.rows()
        for name in self.column_names:
            # A row that is empty keeps its generation: who holds it next is told from who held it before by that.
            if name != "generation":
                old = self.__dict__[name]
                # Zeros of this kind are memory only once they are written.
                new = self.__dict__[name] = np.zeros(old.shape, old.dtype)
                new[rows] = old[rows]
        self.made += 1
        self.removed = 0

    def _fit(self) -> None:
        """Grow once, however many rows were added: each time, all columns are copied."""
        if self.top <= self.capacity:
            return
        more = self.capacity
        while more < self.top:
            more = min(more * 2, self.bound)
        for name in self.column_names:
            old = self.__dict__[name]
            new = np.zeros((more, *old.shape[1:]), old.dtype)
            new[: self.capacity] = old
            self.__dict__[name] = new
        self.capacity = more
        self.made += 1
