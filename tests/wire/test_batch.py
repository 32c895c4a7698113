"""The addresses that a batch knows of its columns are those that numpy gives."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from slotwatch.wire.batch import addresses_of, empty


@pytest.mark.parametrize("rows", [slice(0, 9), slice(3, 7), slice(4, None), slice(-2, None), slice(2, 90)])
def test_a_part_knows_the_addresses_that_numpy_gives(rows: slice) -> None:
    known = empty(9).with_addresses().part(rows).part(slice(0, 5))
    assert known.addresses == addresses_of(replace(known, addresses=()))


def test_rows_that_do_not_follow_one_another_have_no_known_addresses() -> None:
    batch = empty(9).with_addresses()
    assert batch.part(slice(0, 9, 2)).addresses == ()
    assert batch.part(np.array([1, 2])).addresses == ()


def test_columns_that_are_not_value_behind_value_have_no_known_addresses() -> None:
    assert empty(9).part(slice(0, 9, 2)).with_addresses().addresses == ()


@pytest.mark.parametrize("longest", [14, 127, 128, 638, 1144, 1216])
def test_picked_packets_are_those_of_the_batch_to_their_last_byte(longest: int) -> None:
    """A packet is its first `length` bytes; decoders look at the first 128 of each, whatever its length."""
    chance = np.random.default_rng(longest)
    batch = empty(200)
    batch.data[:] = chance.integers(0, 256, batch.data.shape)
    batch.length[:] = chance.integers(1, longest + 1, len(batch))
    rows = np.sort(chance.choice(len(batch), 70, replace=False))
    picked = batch.part(rows)
    assert picked.data.shape == (70, batch.data.shape[1])
    for place, row in enumerate(rows.tolist()):
        seen = max(128, int(batch.length[row]))
        assert picked.data[place, :seen].tobytes() == batch.data[row, :seen].tobytes()
    assert (picked.length == batch.length[rows]).all()
