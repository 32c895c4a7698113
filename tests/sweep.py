"""Values that a test is tried at, one after the other: all of them in CI, some of them among the quick tests."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable

import pytest

EVERY = 4
"""Every fourth value of a test that plays a show is quick, beginning with the first."""


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
    """Mark most values of these tests as seldom. A test whose quick values were chosen by hand keeps them."""
    values = defaultdict[str, list[pytest.Item]](list)
    for item in items:
        values[item.nodeid.partition("[")[0]].append(item)
    for of_one in values.values():
        if any(item.get_closest_marker("slow") or item.get_closest_marker("seldom") for item in of_one):
            continue
        for place, item in enumerate(of_one):
            if place % EVERY:
                item.add_marker(pytest.mark.seldom)
