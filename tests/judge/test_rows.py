"""Rows by the value of a column stay sorted while none is taken or given back, and no longer."""

from __future__ import annotations

from slotwatch.judge.pass_tables import Rows
from slotwatch.model.table import Table


def table_of(sources: list[int]) -> Table:
    table = Table((("used", "?"), ("generation", "<u4"), ("source", "<i4")), capacity=8, bound=8)
    for source in sources:
        table.source[table.add()] = source
    return table


def test_they_are_sorted_once() -> None:
    rows = Rows(table_of([7, 5, 7]))
    assert rows.by("source").of(7).tolist() == [0, 2]
    assert rows.by("source") is rows.by("source")


def test_a_row_that_another_holder_has_taken_is_found_under_its_value() -> None:
    table = table_of([7, 5, 7])
    rows = Rows(table)
    assert rows.by("source").of(7).tolist() == [0, 2]
    table.remove(2)
    assert rows.by("source").of(7).tolist() == [0]
    table.source[table.add()] = 5  # the same row again, so that the table has as many as before
    assert rows.are_of(table)
    assert rows.by("source").of(5).tolist() == [1, 2]
    table.remove(0)
    again = table.add_many(1)
    table.source[again] = 9
    assert rows.by("source").of(9).tolist() == again.tolist()
