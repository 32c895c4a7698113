"""Page, API, metrics, MQTT, alerts and the half-hour call say the same of one moment, all through drawn nights."""

from __future__ import annotations

import pytest

from tests.rehearse.outputs import of_night
from tests.sweep import swept

SEEDS = (70017, 70011, 70018)
"""What is not judged, is back in a phase that only notes it, or changes its rule; more: `tests.rehearse.outputs`."""


@pytest.mark.parametrize("seed", swept(SEEDS, every=3))
def test_every_output_of_a_moment_says_the_same(seed: int) -> None:
    assert of_night(seed) == []
