"""A short run of the comparison of both decoders, and that it would find a difference."""

from __future__ import annotations

import numpy as np
import pytest

from slotwatch.wire import decode as decoding
from slotwatch.wire.batch import Batch
from slotwatch.wire.fields import Fields
from slotwatch.wire.reject import Reject
from tests.fuzz import comparison
from tests.wire import test_decode


@pytest.mark.parametrize("seed", range(1, 5))
def test_both_decoders_say_the_same(seed: int) -> None:
    assert comparison.compare(seed) == ""


def test_the_packets_are_of_every_kind_accepted_and_rejected_for_most_reasons() -> None:
    found = [decoding.decode(comparison.packets_of(seed)) for seed in range(1, 9)]
    kinds = np.unique(np.concatenate([one.kind for one in found])).tolist()
    reasons = np.unique(np.concatenate([one.status for one in found])).tolist()
    assert len(kinds) >= 9
    assert len(reasons) >= 9
    assert Reject.OK in reasons


def test_a_difference_is_found(monkeypatch: pytest.MonkeyPatch) -> None:
    def wrong(batch: Batch) -> Fields:
        found = decoding.decode(batch)
        found.priority[found.priority == 7] = 8
        return found

    monkeypatch.setattr(test_decode, "decode", wrong)
    assert any(comparison.compare(seed) for seed in range(1, 40))
