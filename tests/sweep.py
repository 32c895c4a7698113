"""Values that a test is tried at, one after the other: all of them in CI, some of them among the quick tests."""

from __future__ import annotations

from collections.abc import Iterable

import pytest


def swept(values: Iterable[object], every: int) -> list[object]:
    """Parameters for `parametrize`: of these values each n-th, the first included, is quick; the others are slow.

    A value of several parts is a tuple, as `parametrize` takes it.
    """
    found: list[object] = []
    for place, value in enumerate(values):
        parts = value if isinstance(value, tuple) else (value,)
        found.append(pytest.param(*parts, marks=pytest.mark.slow if place % every else ()))
    return found
