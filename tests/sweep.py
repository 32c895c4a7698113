"""Values that a test is tried at, one after the other: all of them in CI, some of them among the quick tests."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable

import pytest

EVERY = 4
"""Of the values of a test that plays a show each fourth is quick, the first included."""


def swept(values: Iterable[object], every: int) -> list[object]:
    """Parameters for `parametrize`: of these values each n-th, the first included, is quick; the others are slow.

    A value of several parts is a tuple, as `parametrize` takes it.
    """
    found: list[object] = []
    for place, value in enumerate(values):
        parts = value if isinstance(value, tuple) else (value,)
        found.append(pytest.param(*parts, marks=pytest.mark.slow if place % every else ()))
    return found


def draw(items: Iterable[pytest.Item]) -> None:
    """Mark values of these tests as seldom. A test of which somebody chose the quick values by hand keeps them."""
    values = defaultdict[str, list[pytest.Item]](list)
    for item in items:
        values[item.nodeid.partition("[")[0]].append(item)
    for of_one in values.values():
        if any(item.get_closest_marker("slow") or item.get_closest_marker("seldom") for item in of_one):
            continue
        for place, item in enumerate(of_one):
            if place % EVERY:
                item.add_marker(pytest.mark.seldom)
