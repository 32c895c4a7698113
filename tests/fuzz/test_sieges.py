"""Attackers together: a bounded run of `tests.fuzz.sieges`."""

from __future__ import annotations

import pytest

from tests.fuzz.sieges import Siege

pytestmark = pytest.mark.slow


@pytest.mark.parametrize("number", (1, 2, 3, 9000128, 9000135, 9000227, 9000229, 9000242, 9820041))
def test_attackers_at_once_are_told_from_a_desk_that_fails(number: int) -> None:
    Siege(number).run()
